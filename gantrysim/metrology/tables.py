"""How measures are shown: aligned text, HTML tables, CSV."""

from __future__ import annotations

import csv
import html
import io
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from gantrysim.metrology.burns import Measures

MOST_HTML_ROWS = 60
MOST_SKIPPED = 5

# heading, field of a flat row, factor, format
_COLUMNS: dict[str, tuple[tuple[str, str, float, str], ...]] = {
    "circle": (
        ("ring", "ring", 1, "d"), ("pass", "pass", 1, "d"), ("radius, mm", "size_mm", 1, "g"),
        ("points", "n_points", 1, "d"), ("LS radius, mm", "radius_mm", 1, ".4f"),
        ("RONt LS", "RONt_ls_mm", 1e3, ".1f"), ("RONt MZ", "RONt_mz_mm", 1e3, ".1f"),
        ("ovality", "ovality_mm", 1e3, ".1f"), ("long axis, °", "long_axis_deg", 1, ".1f"),
        ("harm. 2", "harmonic_2_mm", 1e3, ".1f"), ("3", "harmonic_3_mm", 1e3, ".1f"),
        ("4", "harmonic_4_mm", 1e3, ".1f"), ("gap", "gap_mm", 1e3, ".1f"),
        ("spacing error", "spacing_error_mm", 1e3, "+.1f"),
        ("pass scatter", "pass_scatter_mm", 1e3, ".1f"),
    ),
    "square": (
        ("ring", "ring", 1, "d"), ("pass", "pass", 1, "d"), ("half side, mm", "size_mm", 1, "g"),
        ("points", "n_points", 1, "d"), ("width, mm", "width_mm", 1, ".4f"),
        ("height, mm", "height_mm", 1, ".4f"), ("diagonal up, mm", "diagonal_up_mm", 1, ".4f"),
        ("diagonal down, mm", "diagonal_down_mm", 1, ".4f"),
        ("squareness, mrad", "squareness_mrad", 1, "+.3f"),
        ("straightness", "straightness_mm", 1e3, ".1f"), ("gap", "gap_mm", 1e3, ".1f"),
        ("spacing error", "spacing_error_mm", 1e3, "+.1f"),
        ("pass scatter", "pass_scatter_mm", 1e3, ".1f"),
    ),
}  # fmt: skip


def text_page(measures: Measures) -> str:
    """Everything as plain text; deviations in µm."""
    parts = [f"Measures of {measures.source}; deviations in µm", *_remarks(measures)]
    for shape in _COLUMNS:
        head, body = _cells(measures, shape)
        if body:
            parts.append(f"\n{shape}s\n{_aligned([head, *body])}")
    if measures.size_fits:
        parts.append("\nsize against nominal\n" + _aligned([_FIT_HEAD, *_fit_cells(measures)]))
    return "\n".join(parts)


def html_page(measures: Measures) -> str:
    """Tables for a notebook; at most 60 rings of each shape."""
    parts = [f"<p><b>Measures</b> of {html.escape(measures.source)}; deviations in µm</p>"]
    parts += [f"<p>{html.escape(remark)}</p>" for remark in _remarks(measures)]
    for shape in _COLUMNS:
        head, body = _cells(measures, shape)
        if body:
            parts.append(_html_table(f"{shape}s", head, body[:MOST_HTML_ROWS]))
            more = len(body) - MOST_HTML_ROWS
            if more > 0:
                parts.append(f"<p>and {more} more {shape}s</p>")
    if measures.size_fits:
        parts.append(_html_table("size against nominal", _FIT_HEAD, _fit_cells(measures)))
    return "".join(parts)


def csv_text(measures: Measures) -> str:
    """One line a ring and pass with a header; remarks and size fits in comment lines."""
    rows = measures.flat_rows()
    names = list(dict.fromkeys(name for row in rows for name in row))
    out = io.StringIO()
    for remark in (f"measures of {measures.source}", *_remarks(measures)):
        out.write(f"# {' '.join(remark.split())}\n")
    for fit in measures.size_fits:
        fields = ", ".join(
            f"{k} {v:.9g}" if isinstance(v, float) else f"{k} {v}" for k, v in fit.to_dict().items()
        )
        out.write(f"# size against nominal: {fields}\n")
    writer = csv.DictWriter(out, names, restval="", lineterminator="\n")
    writer.writeheader()
    writer.writerows({k: _csv_cell(v) for k, v in row.items()} for row in rows)
    return out.getvalue()


def _remarks(measures: Measures) -> list[str]:
    if measures.rotation_deg is None:
        turned = "The rotation of the piece is unknown; directions are in its own frame."
    elif measures.rotation_deg == 0.0:
        turned = "Directions are in the machine frame."
    else:
        turned = (
            f"The piece is turned by {measures.rotation_deg:.3f} degrees, found from its squares; "
            "directions are in the machine frame."
        )
    strays = f" {measures.n_rejected} stray points were left out." if measures.n_rejected else ""
    more = len(measures.skipped) - MOST_SKIPPED
    return [
        turned + strays,
        *(f"Not measured: {sentence}" for sentence in measures.skipped[:MOST_SKIPPED]),
        *([f"Not measured: {more} more rings."] if more > 0 else []),
    ]


_FIT_HEAD = ["size", "rings", "scale error, ‰", "±", "lost motion", "±", "scatter"]


def _fit_cells(measures: Measures) -> list[list[str]]:
    return [
        [
            fit.what, str(fit.n_rings), f"{fit.scale_error * 1e3:+.3f}",
            f"{fit.slope_error * 1e3:.3f}", f"{fit.lost_motion * 1e3:+.1f}",
            f"{fit.intercept_error * 1e3:.1f}", f"{fit.scatter * 1e3:.1f}",
        ]
        for fit in measures.size_fits
    ]  # fmt: skip


def _cells(measures: Measures, shape: str) -> tuple[list[str], list[list[str]]]:
    """Headings and cells of one shape, without the columns that are empty throughout."""
    rows = [row for row in measures.flat_rows() if row["shape"] == shape]
    columns = [c for c in _COLUMNS[shape] if any(row[c[1]] is not None for row in rows)]
    body = [[_cell(row, field, factor, form) for _, field, factor, form in columns] for row in rows]
    return [column[0] for column in columns], body


def _cell(row: Mapping[str, Any], field: str, factor: float, form: str) -> str:
    value = row[field]
    if value is None:
        return ""
    return format(value if factor == 1 else value * factor, form)


def _csv_cell(value: Any) -> Any:
    return f"{value:.9g}" if isinstance(value, float) else "" if value is None else value


def _aligned(rows: Sequence[Sequence[str]]) -> str:
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    lines = ("  ".join(c.rjust(w) for c, w in zip(row, widths, strict=True)) for row in rows)
    return "\n".join(lines)


def _html_table(title: str, head: Sequence[str], body: Sequence[Sequence[str]]) -> str:
    top = "".join(f"<th>{html.escape(cell)}</th>" for cell in head)
    rest = "".join(
        f"<tr>{''.join(f'<td>{html.escape(cell)}</td>' for cell in row)}</tr>" for row in body
    )
    return f"<table><caption>{html.escape(title)}</caption><tr>{top}</tr>{rest}</table>"
