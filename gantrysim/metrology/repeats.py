"""What changes from pass to pass: drift of rings, and squares as a positioning test of one axis.

Lengths in mm; directions are those of the machine where the rotation of a piece is known.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from gantrysim.metrology.positioning import Positioning, positioning
from gantrysim.metrology.rows import CircleRow, SquareRow
from gantrysim.pattern.ringtest import RingTest
from gantrysim.records.arrays import Array, gathered, rotation
from gantrysim.records.doors import checked
from gantrysim.records.table import fields_of

Row = CircleRow | SquareRow

#: Sides of a square as the axis across each and whether it is the upper end, and their names.
SIDES = (("x", True), ("y", True), ("x", False), ("y", False))
NAMES = ("right", "top", "left", "bottom")
APART = 50.0  # mm between places of a commanded path; its corners are always there
TOUCHING = 1e-6  # mm


@checked
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
        return fields_of(self, "shape ring passes shifts_mm growths_mm")


def pass_drifts(rows: Sequence[Row], rotation_deg: float) -> tuple[PassDrift, ...]:
    """Drift of every ring with two or more passes that are told apart.

    ``rows``: rows of one shape.  ``rotation_deg``: of the machine's x axis in the frame of the
    rows, degrees.
    """
    found = []
    for passes in _by_ring(rows):
        if len(passes) < 2:
            continue
        first = passes[0]
        turn = rotation(math.radians(rotation_deg))
        centres = np.array([_centre(row) for row in passes]) @ turn
        shifts = (centres - centres[0]).tolist()
        numbers = tuple(row.pass_index for row in passes)
        moved = tuple((x, y) for x, y in shifts)
        growths = tuple(row.measured_size - first.measured_size for row in passes)
        found.append(PassDrift(first.shape, first.ring, numbers, moved, growths))
    return tuple(found)


def side_positions(
    rows: Sequence[SquareRow], axis: str, rotation_deg: float, *, reading: float = 0.0
) -> tuple[Positioning, Positioning]:
    """Sides of nested squares as a positioning test of one axis, passes as runs.

    A side that is reached from inside is approached upwards if it is the upper end of the square,
    downwards if the lower; one reached from outside, as the first side of a smaller square after a
    larger one, the other way (`SquareRow.reached`).  Each end is a one-way test of the passes that
    reach it in the commoner way; the others are left out.  Positions count from the mean centre of
    all squares, as the commanded centre is not marked on a piece.

    ``rows``: as in `Measures.squares`.  ``axis``: "x" or "y".  ``rotation_deg``: of the machine's x
    axis in the frame of the rows, degrees.  ``reading``: standard uncertainty of one side's
    position, mm.  Returns: of the positive and of the negative targets: upwards and downwards where
    the sides were reached from inside, the other way where from outside.  ValueError if fewer than
    two squares have two or more passes that are told apart, or fewer than two passes reach an end
    of each in one way.
    """
    rings = [passes for passes in _by_ring(rows) if len(passes) > 1]
    if len(rings) < 2:
        raise ValueError(
            "two or more squares with passes that are told apart are needed for a positioning "
            f"test, found {len(rings)}."
        )
    turn = rotation(math.radians(rotation_deg))  # the machine's axes in the frame of the points
    origin = np.mean([row.geometry.centre for passes in rings for row in passes], axis=0)
    along = turn[:, 0 if axis == "x" else 1]
    sizes = np.array([passes[0].size for passes in rings])
    ends = [[_ends(row, along, origin, axis) for row in passes] for passes in rings]

    def one_way(upper: bool) -> Positioning:
        side = SIDES.index((axis, upper))
        ways = [[row.reached[side] for row in passes] for passes in rings]
        chosen = {w: [np.flatnonzero(np.equal(each, w)) for each in ways] for w in (1, -1)}
        counts = {way: min(len(ks) for ks in each) for way, each in chosen.items()}
        way = 1 if counts[1] >= counts[-1] else -1
        runs = counts[way]
        if runs < 2:
            raise ValueError(
                f"{NAMES[side]} sides are reached from inside in some passes and from outside in "
                f"others, found {runs} that every square shares, two or more are needed; draw from "
                "the inside out or with more passes."
            )
        targets = sizes if upper else -sizes
        kept = zip(ends, chosen[way], strict=True)
        places = [[each[k][int(upper)] for k in ks[:runs]] for each, ks in kept]
        off = np.array(places) - targets[:, None]
        up, down = (off, None) if upper == (way > 0) else (None, off)
        return positioning(targets, up, down, reading=reading)

    return one_way(True), one_way(False)


def side_approaches(test: RingTest) -> dict[tuple[int, int], tuple[int, int, int, int]]:
    """How the sides of the squares of a test are reached, as it is drawn.

    ``test``: what was commanded.  Returns: by ring and pass, for the right, top, left and bottom
    side: 1 where the last move across the side before it was outward, so that it was reached from
    inside; -1 where inward; 0 where parts of the side were reached either way, or nothing moved
    before.
    """
    strokes = test.strokes(APART)
    whole = np.concatenate([stroke.xy for stroke in strokes])
    moved = np.vstack((np.zeros((1, 2)), np.diff(whole, axis=0)))
    last = np.sign(np.where(np.abs(moved) > TOUCHING, moved, 0.0))
    for i in range(1, len(last)):
        last[i] = np.where(last[i] == 0.0, last[i - 1], last[i])
    found = {}
    start = 0
    for stroke in strokes:
        here = slice(start, start + len(stroke.xy))
        start = here.stop
        if stroke.shape != "square":
            continue
        ways = []
        for axis, upper in SIDES:
            sign, column = (1.0 if upper else -1.0), "xy".index(axis)
            middle = test.nest("square").centre[column]
            away = sign * (stroke.xy[:, column] - middle) - stroke.size
            on = np.abs(away) < TOUCHING
            along = on[1:] & on[:-1]  # pieces drawn on this side
            begins = np.flatnonzero(along & ~np.concatenate(([False], along[:-1])))
            seen = {int(sign * last[here][i, column]) for i in begins}
            ways.append(seen.pop() if len(seen) == 1 else 0)
        right, top, left, bottom = ways
        found[stroke.ring, stroke.pass_index] = (right, top, left, bottom)
    return found


def _ends(row: SquareRow, along: Array, origin: Array, axis: str) -> tuple[float, float]:
    """Lower and upper end of a square along an axis: mid-points of its two sides, mm."""
    right, top, left, bottom = row.geometry.mid_sides
    low, high = (left, right) if axis == "x" else (bottom, top)
    return float((low - origin) @ along), float((high - origin) @ along)


def _by_ring(rows: Iterable[Row]) -> list[list[Any]]:
    rings = gathered((row.ring, row) for row in rows if row.pass_index >= 0)
    return [sorted(rings[ring], key=lambda row: row.pass_index) for ring in sorted(rings)]


def _centre(row: Row) -> tuple[float, float]:
    if isinstance(row, CircleRow):
        return row.path.least_squares.centre
    return row.geometry.centre
