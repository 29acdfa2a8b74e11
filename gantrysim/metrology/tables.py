"""How measures are shown: aligned text, HTML tables, CSV."""

from __future__ import annotations

import html
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from gantrysim.metrology.uncertainty import concise
from gantrysim.records.table import Table

if TYPE_CHECKING:
    from gantrysim.metrology.measures import Measures
    from gantrysim.metrology.quantities import Quantity

Known = Mapping[tuple[str, int, int, str], "Quantity"]
MOST_HTML_ROWS = 60
MOST_SKIPPED = 5

_READING = (
    "In round brackets the standard uncertainty in units of the last digit (JCGM 100, 7.2.2), in "
    "square ones a 95 % interval from which what the noise adds is taken off; definitions from "
    "memory of the standards."
)

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
    """Everything as plain text; deviations in µm, uncertainties where they are known."""
    parts = [f"Measures of {measures.source}; deviations in µm", *_remarks(measures)]
    for shape in _COLUMNS:
        head, body = _cells(measures, shape)
        if body:
            parts.append(f"\n{shape}s\n{Table(head, body).text()}")
    if measures.size_fits:
        parts.append("\nsize against nominal\n" + Table(_FIT_HEAD, _fit_cells(measures)).text())
    if measures.noise is not None:
        parts.append("\nwhat the numbers are")
        parts += [f"{head}: {words}" for head, words in _definitions(measures)]
    return "\n".join(parts)


def html_page(measures: Measures) -> str:
    """Tables for a notebook; at most 60 rings of each shape."""
    parts = [f"<p><b>Measures</b> of {html.escape(measures.source)}; deviations in µm</p>"]
    parts += [f"<p>{html.escape(remark)}</p>" for remark in _remarks(measures)]
    for shape in _COLUMNS:
        head, body = _cells(measures, shape)
        if body:
            parts.append(Table(head, body, f"{shape}s").html(MOST_HTML_ROWS))
    if measures.size_fits:
        parts.append(Table(_FIT_HEAD, _fit_cells(measures), "size against nominal").html())
    if measures.noise is not None:
        heads = ("measure", "definition")
        parts.append(Table(heads, _definitions(measures), "what the numbers are").html())
    return "".join(parts)


def csv_text(measures: Measures) -> str:
    """One line a ring and pass with a header; remarks and size fits in comment lines."""
    rows = measures.flat_rows()
    known = _known(measures)
    for row in rows:
        row |= _spread_fields(row, known)
    names = list(dict.fromkeys(name for row in rows for name in row))
    remarks = [f"measures of {measures.source}", *_remarks(measures)]
    for fit in measures.size_fits:
        content = fit.to_dict().items()
        fields = [f"{k} {v:.9g}" if isinstance(v, float) else f"{k} {v}" for k, v in content]
        remarks.append(f"size against nominal: {', '.join(fields)}")
    return Table(names, ([row.get(name) for name in names] for row in rows)).csv(*remarks)


def long_csv_text(measures: Measures) -> str:
    """One line a measure: value, unit, standard uncertainty or 95 % interval, definition."""
    rows = [quantity.to_dict() for quantity in measures.quantities]
    numbers = ("value", "unit", "u", "low", "high")
    names = ("shape", "ring", "pass_index", "name", *numbers, "definition")
    remarks = (f"measures of {measures.source}", *_remarks(measures))
    return Table(names, ([row[name] for name in names] for row in rows)).csv(*remarks)


def _known(measures: Measures) -> Known:
    """Quantities by shape, ring, pass and field, where the noise of the points is known."""
    if measures.noise is None:
        return {}
    return {quantity.key: quantity for quantity in measures.quantities}


def _of_cell(row: Mapping[str, Any], field: str, known: Known) -> Quantity | None:
    """The quantity in a cell; measures of a whole ring stand beside each of its passes."""
    shape, ring = row["shape"], row["ring"]
    return known.get((shape, ring, row["pass"], field)) or known.get((shape, ring, -1, field))


def _spread_fields(row: Mapping[str, Any], known: Known) -> dict[str, float]:
    """Fields u_..., low_... and high_... of a flat row."""
    found: dict[str, float] = {}
    for field in row:
        quantity = _of_cell(row, field, known)
        for name in ("u", "low", "high"):
            value = None if quantity is None else getattr(quantity, name)
            if value is not None:
                found[f"{name}_{field}"] = value
    return found


def _definitions(measures: Measures) -> list[list[str]]:
    """Heading and definition of every column that is shown."""
    words = {quantity.name: quantity.definition for quantity in measures.quantities}
    found = {}
    for columns in _COLUMNS.values():
        for head, field, _, _ in columns:
            if field in words:
                label = f"harm. {head}" if head in ("3", "4") else head.split(",")[0]
                found[label] = words[field]
    return [[head, text] for head, text in found.items()]


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
        *([_READING] if measures.noise is not None else []),
        *(f"Not measured: {sentence}" for sentence in measures.skipped[:MOST_SKIPPED]),
        *([f"Not measured: {more} more rings."] if more > 0 else []),
    ]


_FIT_HEAD = ["size", "rings", "scale error, ‰", "±", "lost motion, µm", "±", "scatter, µm"]


def _fit_cells(measures: Measures) -> list[list[str]]:
    rows = []
    for fit in measures.size_fits:
        scale = (f"{fit.scale_error * 1e3:+.3f}", f"{fit.slope_error * 1e3:.3f}")
        lost = (f"{fit.lost_motion * 1e3:+.1f}", f"{fit.intercept_error * 1e3:.1f}")
        rows.append([fit.what, str(fit.n_rings), *scale, *lost, f"{fit.scatter * 1e3:.1f}"])
    return rows


def _cells(measures: Measures, shape: str) -> tuple[list[str], list[list[str]]]:
    """Headings and cells of one shape, without the columns that are empty throughout."""
    rows = [row for row in measures.flat_rows() if row["shape"] == shape]
    columns = [c for c in _COLUMNS[shape] if any(row[c[1]] is not None for row in rows)]
    known = _known(measures)
    body = [[_cell(row, *column[1:], known) for column in columns] for row in rows]
    return [column[0] for column in columns], body


def _cell(row: Mapping[str, Any], field: str, factor: float, form: str, known: Known) -> str:
    value, quantity = row[field], _of_cell(row, field, known)
    if value is None:
        return ""
    if field == "pass" and value == -1:
        return "not told"
    shown = format(value if factor == 1 else value * factor, form)
    if quantity is None:
        return shown
    if quantity.low is not None and quantity.high is not None:
        return f"{shown} [{quantity.low * factor:.0f}, {quantity.high * factor:.0f}]"
    if quantity.u:
        digits = concise(value * factor, quantity.u * factor)
        return f"+{digits}" if form.startswith("+") and value >= 0 else digits
    return shown
