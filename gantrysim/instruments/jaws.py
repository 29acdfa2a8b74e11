"""What calipers would read on drawn lines, and their likelihood term.

A caliper with flat jaws reads the width of everything burned of a ring, all its passes together,
between two parallel tangents (Feret diameter): the support function of the outline in one direction
plus that in the other, plus one line width for the outer edges.  At the middle of a square's sides
the jaws bear on a fifth of half a side to either side of the middle, and the sides guide them.
Across a circle only the eye does: its directions are turned by an unknown degree or two.  A turn
matters where a part that sticks leaves flats of several mm on a circle, for the ends of a flat
reach further out in a turned direction: by half its length times the turn.

Directions are those of the machine, which the piece's X and Y are when the piece is read the right
way up, not those of the scanner.  Against the sheets of an independent simulator, predicted with
its own machines (36 sheets with circles), this leaves 0.045 mm rms across circles with no turn,
0.029 mm with one turn a sheet, and 0.071 mm with the scanner's axes; 0.02 mm is the repeatability.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from gantrysim.instruments.forward import Forward
from gantrysim.instruments.readingterm import ReadingTerm
from gantrysim.machine import Machine
from gantrysim.pattern.ringtest import Line
from gantrysim.pattern.shapes import shape_of
from gantrysim.records.arrays import Array, gathered

if TYPE_CHECKING:
    from gantrysim.instruments.calipers import CaliperReading, CaliperSheet

#: Part of half a side that the jaws reach to either side of its middle.
JAWS = 0.2
_FLAT = 1e-12  # mm; below this a stretch between two samples does not bulge


@dataclass(frozen=True, eq=False)
class _Outline:
    """All samples of one ring, pass after pass, and the stretches between neighbours.

    ``whole`` marks stretches inside one pass; ``turn`` is +1 where a stretch runs
    counter-clockwise about the ring's middle, -1 clockwise; ``bend`` is 1 / radius of the
    commanded line between samples, 1/mm.
    """

    xy: Array
    step: Array
    whole: NDArray[np.bool_]
    turn: Array
    bend: float

    @classmethod
    def of(cls, lines: Sequence[Line]) -> _Outline:
        xy = np.concatenate([line.xy for line in lines])
        step = np.diff(xy, axis=0)
        whole = np.ones(len(step), dtype=bool)
        whole[np.cumsum([len(line.xy) for line in lines])[:-1] - 1] = False
        arm = 0.5 * (xy[1:] + xy[:-1]) - 0.5 * (xy.max(axis=0) + xy.min(axis=0))
        turn = np.sign(arm[:, 0] * step[:, 1] - arm[:, 1] * step[:, 0])
        bend = shape_of(lines[0].shape).bend(lines[0].size)
        return cls(xy, step, whole, turn, bend)


@dataclass(frozen=True, eq=False)
class _Contacts:
    """Where both jaws of some readings of one ring touch it, one row a jaw.

    A jaw with its normal in ``way`` touches stretch ``at`` at the part ``part`` of the way along
    it; ``height`` is the place along ``way``, mm.  ``slope`` is the rise of the line along the
    jaw where the jaw ends there, and 0 where it bears on the line's own highest point.
    """

    way: Array
    at: NDArray[np.int64]
    part: Array
    height: Array
    slope: Array


def caliper_values(
    sheet: CaliperSheet,
    lines: Sequence[Line],
    line_width: float | None = None,
    *,
    turn: float = 0.0,
) -> Array:
    """Predict the readings of a caliper sheet.

    ``sheet``: what was measured.  ``lines``: burned lines in the machine frame, mm, as
    `Forward.lines` or `Burn.lines` give them.  ``line_width``: width of the burned line, mm; what
    the sheet believes if absent.  ``turn``: how far the hand's directions across circles are turned
    against the machine's axes, counter-clockwise, rad; the sheet's `turn_spread` says how far that
    may be.  Returns: readings, mm; shape (n,).  ValueError if a ring of the sheet is not among the
    lines.

    Between samples of a circle the line bulges over its chord as the commanded arc does, by
    t (1 - t) s^2 / (2 R) outward at the part t of a chord s; so samples of 1 mm are enough.
    """
    out = np.empty(len(sheet.readings))
    for rows, outline, _ in _by_ring(sheet, lines):
        touch = _touch(outline, [sheet.readings[i] for i in rows], turn)
        out[rows] = touch.height.reshape(-1, 2).sum(axis=1)
    return out + (sheet.line_width[0] if line_width is None else line_width)


def caliper_jacobian(
    sheet: CaliperSheet, lines: Sequence[Line], moves: Sequence[Array], *, turn: float = 0.0
) -> Array:
    """Derivatives of the predicted readings with moves of the burned lines.

    ``sheet``: what was measured.  ``lines``: burned lines in the machine frame, mm.  ``moves``:
    derivative of each line's places with k unknowns; shape (samples of the line, k, 2).  ``turn``:
    as in `caliper_values`, rad.  Returns: derivatives, mm per unit; shape (n, k).  ValueError if a
    ring of the sheet is not among the lines, or a line and its moves differ in length.

    The envelope theorem: where a jaw touches does not move to first order, so the place touched
    carries the whole derivative.  Where two places touch at once the reading has a kink and the
    derivative of one of them is given.
    """
    for line, move in zip(lines, moves, strict=True):
        if len(line.xy) != len(move):
            raise ValueError(f"{line!r} has {len(line.xy)} samples, its moves have {len(move)}.")
    out = np.empty((len(sheet.readings), moves[0].shape[1]))
    for rows, outline, own in _by_ring(sheet, lines):
        readings = [sheet.readings[i] for i in rows]
        moved = np.concatenate([moves[i] for i in own])
        rise = _rises(outline, _touch(outline, readings, turn), moved)
        out[rows] = rise.reshape(len(rows), 2, -1).sum(axis=1)
    return out


def turn_jacobian(sheet: CaliperSheet, lines: Sequence[Line], *, turn: float = 0.0) -> Array:
    """Derivatives of the predicted readings with the turn of the hand's directions.

    ``sheet``: what was measured.  ``lines``: burned lines in the machine frame, mm.  ``turn``: as
    in `caliper_values`, rad.  Returns: derivatives, mm/rad; 0 for squares; shape (n,).
    """
    out = np.zeros(len(sheet.readings))
    for rows, outline, _ in _by_ring(sheet, lines):
        readings = [sheet.readings[i] for i in rows]
        if shape_of(readings[0].shape).has_corners:
            continue
        touch = _touch(outline, readings, turn)
        part = touch.part[:, None]
        place = outline.xy[touch.at] + part * outline.step[touch.at]
        place = place + part * (1.0 - part) * _normals(outline)[touch.at]
        across = np.column_stack([-touch.way[:, 1], touch.way[:, 0]])
        out[rows] = (place * across).sum(axis=1).reshape(-1, 2).sum(axis=1)
    return out


@dataclass(frozen=True, eq=False)
class CaliperTerm(ReadingTerm):
    """A caliper sheet made ready for fitting.

    Parameters
    ----------
    sheet : CaliperSheet
        The readings.
    forward : Forward
        The planned test.
    """

    forward: Forward

    @property
    def n_nuisance(self) -> int:
        """The turn of the hand's directions across circles, then what the readings share."""
        return 1 + super().n_nuisance

    def predict(self, machine: Machine, v: Array) -> Array:
        """Readings with the hand turned, mm."""
        lines = self.forward.lines(self.forward.run(machine))
        return caliper_values(self.sheet, lines, turn=self._turn(v))

    def linearise(
        self,
        machine: Machine,
        moved: Sequence[Machine],
        axes: Sequence[str],
        amount: float,
        v: Array,
    ) -> tuple[Array, Array]:
        """Residual and its Jacobian, see `LikelihoodTerm.linearise`."""
        run = self.forward.run(machine)
        lines, turn = self.forward.lines(run), self._turn(v)
        jacobian = self.forward.jacobian(run, moved, axes, amount)
        moves = [jacobian[cut] for cut in self.forward.cuts]
        turned = math.radians(self.sheet.turn_deg) * turn_jacobian(self.sheet, lines, turn=turn)
        columns = [caliper_jacobian(self.sheet, lines, moves, turn=turn), turned[:, None]]
        predicted = caliper_values(self.sheet, lines, turn=turn)
        return self._linear(predicted, np.concatenate(columns, axis=1), v)

    def _turn(self, v: Array) -> float:
        return math.radians(self.sheet.turn_deg) * float(v[0])


def _by_ring(
    sheet: CaliperSheet, lines: Sequence[Line]
) -> Iterable[tuple[list[int], _Outline, list[int]]]:
    """Readings of each measured ring, its outline, and which lines make it up."""
    rows = gathered(((r.shape, r.ring), i) for i, r in enumerate(sheet.readings))
    own = gathered(((x.shape, x.ring), i) for i, x in enumerate(lines) if len(x.xy))
    for ring, readings in rows.items():
        chosen = own.get(ring, [])
        if sum(len(lines[i].xy) - 1 for i in chosen) < 1:
            raise ValueError(
                f"the caliper sheet measures {ring[0]} ring {ring[1]}, "
                "but the lines hold nothing of it."
            )
        yield readings, _Outline.of([lines[i] for i in chosen]), chosen


def _touch(outline: _Outline, readings: Sequence[CaliperReading], turn: float) -> _Contacts:
    """Place both jaws of every reading of a ring; the sides of a square guide them."""
    angle = np.radians([r.angle + side for r in readings for side in (0.0, 180.0)])
    angle += 0.0 if shape_of(readings[0].shape).has_corners else turn
    way = np.column_stack([np.cos(angle), np.sin(angle)])
    reach = np.repeat(
        [JAWS * r.size if r.what in ("width", "height") else math.inf for r in readings], 2
    )
    height = way @ outline.xy.T
    low, high = height[:, :-1], height[:, 1:]
    bulge = np.maximum(_normals(outline) @ way.T, 0.0).T
    first, last = _reached(outline, way, reach)
    reached = outline.whole & (first <= last)
    part = 0.5 + (high - low) / (2.0 * np.maximum(bulge, _FLAT))
    part = np.where(reached, np.minimum(np.maximum(part, first), last), 0.0)
    value = low + part * (high - low) + part * (1.0 - part) * bulge
    value[~reached] = -math.inf
    at = np.argmax(value, axis=1)
    jaw = np.arange(len(way))
    part, first, last = part[jaw, at], first[jaw, at], last[jaw, at]
    ends = ((part == first) & (first > 0.0)) | ((part == last) & (last < 1.0))
    step = outline.step[at]
    along = step[:, 1] * way[:, 0] - step[:, 0] * way[:, 1]
    slope = np.where(ends, (step * way).sum(axis=1) / np.where(along == 0.0, 1.0, along), 0.0)
    return _Contacts(way, at, part, value[jaw, at], slope)


def _normals(outline: _Outline) -> Array:
    """Outward normal of each stretch times four times the height of its arc, shape (n - 1, 2)."""
    length = np.hypot(*outline.step.T)
    normal = np.column_stack([outline.step[:, 1], -outline.step[:, 0]])
    return 0.5 * outline.bend * (outline.turn * length)[:, None] * normal


def _reached(outline: _Outline, way: Array, reach: Array) -> tuple[Array, Array]:
    """First and last part of each stretch before each jaw, shape (jaws, n - 1)."""
    shape = (len(way), len(outline.step))
    first, last = np.zeros(shape), np.ones(shape)
    for j in np.flatnonzero(np.isfinite(reach)):
        along = outline.xy @ (-way[j, 1], way[j, 0])
        middle = 0.5 * (along.max() + along.min())
        step = np.diff(along)
        step = np.where(step == 0.0, 1e-300, step)
        with np.errstate(over="ignore"):
            ends = (middle + reach[j] * np.array([[-1.0], [1.0]]) - along[:-1]) / step
        first[j] = np.maximum(ends.min(axis=0), 0.0)
        last[j] = np.minimum(ends.max(axis=0), 1.0)
    return first, last


def _rises(outline: _Outline, touch: _Contacts, moved: Array) -> Array:
    """Derivatives of the heights of the contacts, shape (jaws, k)."""
    at, t, way = touch.at, touch.part[:, None, None], touch.way
    here = (1.0 - t) * moved[at] + t * moved[at + 1]
    rise = np.einsum("jki,ji->jk", here, way)
    if outline.bend:
        rise += _bulge_rises(outline, touch, moved[at + 1] - moved[at])
    for j in np.flatnonzero(touch.slope):
        across = np.array([-way[j, 1], way[j, 0]])
        along = outline.xy @ across
        middle = 0.5 * (moved[along.argmax()] + moved[along.argmin()]) @ across
        rise[j] -= touch.slope[j] * (here[j] @ across - middle)
    return rise


def _bulge_rises(outline: _Outline, touch: _Contacts, stretch: Array) -> Array:
    """Share of the arcs over the chords: derivative of t (1 - t) s (normal . way) / (2 R)."""
    step, way, turn = outline.step[touch.at], touch.way, outline.turn[touch.at]
    length = np.hypot(*step.T)
    across = np.column_stack([-way[:, 1], way[:, 0]])  # normal of d dotted with way is d . across
    lean = turn * (step * across).sum(axis=1)
    longer = np.einsum("jki,ji->jk", stretch, step) / np.maximum(length, _FLAT)[:, None]
    turned = turn[:, None] * np.einsum("jki,ji->jk", stretch, across)
    share = 0.5 * outline.bend * touch.part * (1.0 - touch.part) * (lean > 0.0)
    return share[:, None] * (longer * lean[:, None] + length[:, None] * turned)
