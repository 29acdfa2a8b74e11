"""What changes from pass to pass: drift of rings, and squares as a positioning test of one axis.

Lengths in mm; directions are those of the machine where the rotation of a piece is known.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gantrysim.inputs import one_of
from gantrysim.metrology.positioning import Positioning, positioning
from gantrysim.metrology.rows import CircleRow, SquareRow

Array = NDArray[np.float64]
Row = CircleRow | SquareRow


@dataclass(frozen=True)
class PassDrift:
    """How a ring moves and grows from its first pass to the later ones.

    Our own measure: no standard defines it.  Noise does not bias the shifts.

    Parameters
    ----------
    shape : str
        "circle" or "square".
    ring : int
        0 is the innermost.
    passes : tuple of int
        Passes compared, ascending; the first is the reference.
    shifts : tuple of (float, float)
        Centre of each less that of the first along x and y, mm (LS circle; mean of corners).
    growths : tuple of float
        Size (radius or half side) of each less that of the first, mm.
    """

    shape: str
    ring: int
    passes: tuple[int, ...]
    shifts: tuple[tuple[float, float], ...]
    growths: tuple[float, ...]

    @property
    def shift(self) -> tuple[float, float]:
        """From the first to the last pass, mm."""
        return self.shifts[-1]

    @property
    def growth(self) -> float:
        """Size of the last pass less that of the first, mm."""
        return self.growths[-1]

    @property
    def per_pass(self) -> tuple[float, float, float]:
        """Least-squares slope of shift x, shift y and growth over the passes, mm a pass."""
        at = np.array(self.passes, dtype=np.float64)
        at -= at.mean()
        values = np.column_stack((np.array(self.shifts), self.growths))
        x, y, size = (at @ values / (at @ at)).tolist()
        return x, y, size

    def to_dict(self) -> dict[str, Any]:
        """Plain numbers, mm."""
        return {
            "shape": self.shape,
            "ring": self.ring,
            "passes": list(self.passes),
            "shifts_mm": [list(shift) for shift in self.shifts],
            "growths_mm": list(self.growths),
        }


def pass_drifts(rows: Sequence[Row], rotation_deg: float) -> tuple[PassDrift, ...]:
    """Drift of every ring with two or more passes that are told apart.

    Parameters
    ----------
    rows : sequence of CircleRow or SquareRow
        Rows of one shape.
    rotation_deg : float
        Of the machine's x axis in the frame of the rows, degrees.
    """
    found = []
    for passes in _by_ring(rows):
        if len(passes) < 2:
            continue
        first = passes[0]
        centres = np.array([_centre(row) for row in passes]) @ _turn(rotation_deg)
        shifts = (centres - centres[0]).tolist()
        found.append(
            PassDrift(
                "circle" if isinstance(first, CircleRow) else "square",
                first.ring,
                tuple(row.pass_index for row in passes),
                tuple((x, y) for x, y in shifts),
                tuple(row.measured_size - first.measured_size for row in passes),
            )
        )
    return tuple(found)


def side_positions(
    rows: Sequence[SquareRow], axis: str, rotation_deg: float, *, reading: float = 0.0
) -> tuple[Positioning, Positioning]:
    """Sides of nested squares as a positioning test of one axis, passes as runs.

    The axis reaches every side from inside, so targets on the positive side are approached upwards
    and those on the negative side downwards: two one-way tests.  Positions count from the mean
    centre of all squares, as the commanded centre is not marked on a piece.

    Parameters
    ----------
    rows : sequence of SquareRow
        As in `Measures.squares`.
    axis : str
        "x" or "y".
    rotation_deg : float
        Of the machine's x axis in the frame of the rows, degrees.
    reading : float
        Standard uncertainty of one side's position, mm.

    Returns
    -------
    Positioning, Positioning
        Upwards at positive targets, downwards at negative ones.

    Raises
    ------
    ValueError
        If fewer than two squares have two or more passes that are told apart.
    """
    one_of(axis, ("x", "y"), "axis")
    rings = [passes for passes in _by_ring(rows) if len(passes) > 1]
    runs = min((len(passes) for passes in rings), default=0)
    if len(rings) < 2:
        raise ValueError(
            "two or more squares with passes that are told apart are needed for a positioning "
            f"test, found {len(rings)}."
        )
    turn = _turn(rotation_deg)
    origin = np.mean([row.geometry.centre for passes in rings for row in passes], axis=0)
    along = turn[:, 0 if axis == "x" else 1]
    sizes = np.array([passes[0].size for passes in rings])
    ends = np.array(
        [[_ends(row, along, origin, axis) for row in passes[:runs]] for passes in rings]
    )
    return (
        positioning(sizes, ends[:, :, 1] - sizes[:, None], None, reading=reading),
        positioning(-sizes, None, ends[:, :, 0] + sizes[:, None], reading=reading),
    )


def _ends(row: SquareRow, along: Array, origin: Array, axis: str) -> tuple[float, float]:
    """Lower and upper end of a square along an axis: mid-points of its two sides, mm."""
    right, top, left, bottom = row.geometry.mid_sides
    low, high = (left, right) if axis == "x" else (bottom, top)
    return float((low - origin) @ along), float((high - origin) @ along)


def _by_ring(rows: Iterable[Row]) -> list[list[Any]]:
    rings: dict[int, list[Any]] = {}
    for row in rows:
        if row.pass_index >= 0:
            rings.setdefault(row.ring, []).append(row)
    return [sorted(rings[ring], key=lambda row: row.pass_index) for ring in sorted(rings)]


def _centre(row: Row) -> tuple[float, float]:
    if isinstance(row, CircleRow):
        return row.path.least_squares.centre
    return row.geometry.centre


def _turn(rotation_deg: float) -> Array:
    """Columns are the machine's x and y axes in the frame of the points."""
    c, s = math.cos(math.radians(rotation_deg)), math.sin(math.radians(rotation_deg))
    return np.array(((c, -s), (s, c)))
