"""What a caliper sheet says about size, ovality and squareness, with its uncertainty.

Across a circle in the direction phi the size is D0 + C cos 2 phi + S sin 2 phi, plus a line width:
R the radius, C / R is what x is stretched by against y, and S / R one diagonal against the other.
Scales and squareness draw that, and friction and play do too, so neither is called by its cause.
Two parallel jaws are blind to odd harmonics.  Of a square the two diagonals tell the squareness,
sin a = (d1^2 - d2^2) / (4 w h) exactly for a sheared rectangle (plane geometry).  What all
readings of a caliper share enters through `CaliperSheet.covariance`: it stays in a size however
many readings are taken, and drops out of ovality and squareness.  Lengths are mm.
"""

from __future__ import annotations

import html
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from gantrysim.instruments.calipers import CaliperReading, CaliperSheet
from gantrysim.instruments.csvtable import csv_text
from gantrysim.records.arrays import Array, gathered
from gantrysim.records.doors import checked
from gantrysim.records.files import AnyPath, write_new_text
from gantrysim.records.table import Table

#: Directions across a circle that ovality needs.
LEAST_DIRECTIONS = 3

Estimate = tuple[float, float]

#: Columns of the table: field and format by head.
_SHOWN = {
    "size error, mm": ("size_error", "+.3f"),
    "ovality, mm": ("ovality", ".3f"),
    "long axis, °": ("long_axis_deg", ".0f"),
    "x less y, mm/m": ("stretch_mrad", "+.2f"),
    "diagonals, mm/m": ("diagonal_mrad", "+.2f"),
    "squareness, mrad": ("squareness_mrad", "+.2f"),
}
_FIELDS = (
    *("size", "size_error", "ovality", "long_axis_deg", "stretch_mrad", "diagonal_mrad"),
    "squareness_mrad",
)


@checked
@dataclass(frozen=True)
class CaliperRow:
    """What the readings of one ring say; each a value and its standard uncertainty, or None.

    Parameters
    ----------
    shape : str
        "circle" or "square".
    ring : int
        0 is the innermost.
    commanded : float
        Commanded radius or half side, mm.
    n_readings : int
        Readings of this ring.
    size : (float, float)
        Mean radius, or mean of half the width and half the height, without the line width, mm.
    ovality : (float, float) or None
        Largest less smallest diameter of the fitted ellipse, mm; None for a square, or with fewer
        than three directions.
    long_axis_deg : (float, float) or None
        Direction of the largest diameter, degrees from X toward Y, 0 to 180.
    stretch_mrad : (float, float) or None
        Stretch along x less that along y, mm/m.
    diagonal_mrad : (float, float) or None
        Of a circle, stretch along the rising diagonal less that along the falling one, mm/m: a
        lean of the y axis toward +x by as many mrad draws it, and so do friction and play.
    squareness_mrad : (float, float) or None
        Of a square, lean of the y axis toward +x, mrad.
    """

    shape: str
    ring: int
    commanded: float
    n_readings: int
    size: Estimate
    ovality: Estimate | None
    long_axis_deg: Estimate | None
    stretch_mrad: Estimate | None
    diagonal_mrad: Estimate | None
    squareness_mrad: Estimate | None

    @property
    def size_error(self) -> Estimate:
        """Size less commanded size, mm, and its standard uncertainty."""
        return self.size[0] - self.commanded, self.size[1]

    def to_dict(self) -> dict[str, Any]:
        """Plain numbers; the name of each carries its unit, `u_` its standard uncertainty."""
        out: dict[str, Any] = {"shape": self.shape, "ring": self.ring, "size_mm": self.commanded}
        out["n_readings"] = self.n_readings
        for name in _FIELDS:
            unit = "" if name.endswith(("_deg", "_mrad")) else "_mm"
            name_out = "measured_size" if name == "size" else name
            value = getattr(self, name)
            out[f"{name_out}{unit}"] = None if value is None else value[0]
            out[f"u_{name_out}{unit}"] = None if value is None else value[1]
        return out


@checked
@dataclass(frozen=True, eq=False)
class CaliperMeasures:
    """What a caliper sheet measures, ring by ring; `measure` makes one.

    Parameters
    ----------
    source : str
        Where the readings came from.
    rows : tuple of CaliperRow
        One a ring, lengths in mm.
    notes : tuple of str
        What is to be remarked, a sentence each.
    """

    source: str
    rows: tuple[CaliperRow, ...]
    notes: tuple[str, ...]

    def to_dict(self) -> dict[str, Any]:
        """Plain numbers, strings and lists."""
        rows = [row.to_dict() for row in self.rows]
        return {"source": self.source, "notes": list(self.notes), "rings": rows}

    def to_csv(self, path: AnyPath, *, overwrite: bool = False) -> Path:
        """Write one line a ring; returns the path.

        Raises
        ------
        FileExistsError
            If the file exists and `overwrite` is false.
        """
        rows = [row.to_dict() for row in self.rows]
        cells = [["" if cell is None else cell for cell in row.values()] for row in rows]
        remarks = (f"measures of {self.source}", *self.notes)
        text = csv_text([" ".join(r.split()) for r in remarks], {}, list(rows[0]), cells)
        return write_new_text(path, text, overwrite=overwrite)

    def plot(self, ax: Any = None) -> Any:
        """Draw ovality and squareness of each ring with their uncertainty; returns Axes."""
        from gantrysim.plotting.readings import plot_caliper_measures

        return plot_caliper_measures(self, ax=ax)

    def __repr__(self) -> str:
        return f"CaliperMeasures({self.source!r}, {len(self.rows)} rings)"

    def __str__(self) -> str:
        lines = [f"Measures of {self.source}, value ± standard uncertainty", *self.notes]
        head, rows = self._cells()
        for row in rows:
            words = [f"{n} {c}" for n, c in zip(head[4:], row[4:], strict=True) if c != "-"]
            lines.append(f"{row[0]} {row[1]} ({row[2]} mm): {'; '.join(words)}")
        return "\n".join(lines)

    def _repr_html_(self) -> str:
        title = f"<p><b>Caliper measures</b>: {html.escape(self.source)}</p>"
        notes = "".join(f"<p>{html.escape(note)}</p>" for note in self.notes)
        return f"{title}{notes}{Table(*self._cells()).html()}"

    def _cells(self) -> tuple[tuple[str, ...], list[list[str]]]:
        rows = []
        for r in self.rows:
            cells = [r.shape, str(r.ring), f"{r.commanded:g}", str(r.n_readings)]
            for name, form in _SHOWN.values():
                value, plain = getattr(r, name), form.removeprefix("+")
                cells.append("-" if value is None else f"{value[0]:{form}} ± {value[1]:{plain}}")
            rows.append(cells)
        return ("shape", "ring", "commanded, mm", "readings", *_SHOWN), rows


def measure_calipers(sheet: CaliperSheet) -> CaliperMeasures:
    """Size, ovality, stretch and squareness of every ring of a caliper sheet.

    ``sheet``: the readings, mm.

    Generalised least squares under `CaliperSheet.covariance`; on a circle the turn of the hand's
    directions (`CaliperSheet.turn_deg`) mixes stretch and diagonals and is in their uncertainty.
    """
    rings = gathered(((r.shape, r.ring), i) for i, r in enumerate(sheet.readings))
    covariance = sheet.covariance
    rows, notes = [], list(sheet.notes)
    for (shape, ring), own in rings.items():
        readings = [sheet.readings[i] for i in own]
        values = sheet.values[own] - sheet.line_width[0]
        block = covariance[np.ix_(own, own)]
        if shape == "circle":
            row = _circle(readings, values, block, math.radians(sheet.turn_deg))
            if row.ovality is None:
                notes.append(
                    f"circle {ring}: fewer than {LEAST_DIRECTIONS} directions, so its ovality "
                    "cannot be told."
                )
            rows.append(row)
            continue
        square = _square(readings, values, block)
        if square is None:
            notes.append(f"square {ring}: neither width nor height was read.")
        else:
            rows.append(square)
    if not rows:
        raise ValueError(
            f"{sheet.source}: no ring has readings enough to measure; a square needs its width "
            "or height."
        )
    return CaliperMeasures(sheet.source, tuple(rows), tuple(notes))


def _solve(design: Array, values: Array, covariance: Array) -> tuple[Array, Array]:
    """Generalised least squares: estimates and their covariance."""
    weight = np.linalg.inv(covariance)
    spread = np.linalg.inv(design.T @ weight @ design)
    return np.asarray(spread @ design.T @ weight @ values), np.asarray(spread, dtype=np.float64)


def _circle(
    readings: list[CaliperReading], values: Array, covariance: Array, turn: float
) -> CaliperRow:
    first = readings[0]
    angle = np.radians([r.angle for r in readings])
    start = (first.shape, first.ring, first.size, len(readings))
    full = np.column_stack([np.ones_like(angle), np.cos(2 * angle), np.sin(2 * angle)])
    if len({round(r.angle, 3) for r in readings}) < LEAST_DIRECTIONS:
        (size,), spread = _solve(full[:, :1], values, covariance)
        return CaliperRow(*start, _half(size, spread[0, 0]), None, None, None, None, None)
    (size, c, s), spread = _solve(full, values, covariance)
    # a turn t of the directions moves (C, S) by 2 t (S, -C)
    moved = 2.0 * turn * np.array([0.0, s, -c])
    spread = spread + np.outer(moved, moved)
    axis = math.hypot(c, s)
    way = np.array([c, s]) / axis if axis > 0.0 else np.array([1.0, 0.0])
    across = np.array([-way[1], way[0]])
    inner = spread[1:, 1:]
    u_turn = math.sqrt(across @ inner @ across) / (2.0 * axis) if axis > 0.0 else math.inf
    limit = 90.0 / math.sqrt(3.0)  # nothing known: any direction
    return CaliperRow(
        *start,
        _half(size, spread[0, 0]),
        (2.0 * axis, 2.0 * math.sqrt(way @ inner @ way)),
        (math.degrees(0.5 * math.atan2(s, c)) % 180.0, min(math.degrees(u_turn), limit)),
        (1e3 * c / first.size, 1e3 * math.sqrt(spread[1, 1]) / first.size),
        (1e3 * s / first.size, 1e3 * math.sqrt(spread[2, 2]) / first.size),
        None,
    )


def _square(readings: list[CaliperReading], values: Array, covariance: Array) -> CaliperRow | None:
    first = readings[0]
    kinds = list(dict.fromkeys(r.what for r in readings))
    design = np.array([[float(r.what == kind) for kind in kinds] for r in readings])
    found, spread = _solve(design, values, covariance)
    mean = dict(zip(kinds, found, strict=True))

    def told(weights: dict[str, float], scale: float) -> Estimate:
        row = scale * np.array([weights.get(kind, 0.0) for kind in kinds])
        return float(row @ found), math.sqrt(row @ spread @ row)

    sides = [kind for kind in ("width", "height") if kind in mean]
    if not sides:
        return None
    both = len(sides) == 2
    stretch = told({"width": 1.0, "height": -1.0}, 500.0 / first.size) if both else None
    lean = None
    if "diagonal_up" in mean and "diagonal_down" in mean:
        w, h = (mean.get(side, 2.0 * first.size) for side in ("width", "height"))
        up, down = mean["diagonal_up"], mean["diagonal_down"]
        sine = min(max((up * up - down * down) / (4.0 * w * h), -1.0), 1.0)
        slope = {"diagonal_up": up, "diagonal_down": -down}
        lean = (1e3 * math.asin(sine), told(slope, 1e3 / (2.0 * w * h))[1])
    size = told(dict.fromkeys(sides, 1.0 / len(sides)), 0.5)
    return CaliperRow(
        first.shape, first.ring, first.size, len(readings), size, None, None, stretch, None, lean
    )


def _half(diameter: float, variance: float) -> Estimate:
    return 0.5 * float(diameter), 0.5 * math.sqrt(variance)
