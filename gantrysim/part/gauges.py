"""How each feature is measured on a burned path: two-point sizes, extents, centres, angles.

A gauge is set once on the samples of a commanded path and then reads many burned copies of it at
once.  What it reads is local: sizes at several stations of a slot, or across a circle in several
directions.  Every reading is taken on the commanded samples too, and only the difference counts, so
that the size of a feature is as drawn plus what the machine does to it, however coarse the samples.

Where an outline is burned in several passes, all of them cut: a size between sides goes to the side
that reaches furthest into the material.
"""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gantrysim.part.outlines import MEETS, Outline
from gantrysim.pattern.strokes import Stroke
from gantrysim.pattern.toolpath import Toolpath
from gantrysim.records.arrays import Array

#: Stations along two opposing sides, as parts of their common length; corners are left out, and the
#: three in the middle are where jaws are put.
STATIONS = np.linspace(0.06, 0.94, 9)
MIDDLE = slice(3, 6)
#: Directions across a circle, degrees from x: the first is along x, the fifth along y.
DIRECTIONS: Array = np.linspace(0.0, 157.5, 8)
ALONG_X, ALONG_Y = 0, 4

#: From burned places, shape (draws, samples, 2), to local sizes, shape (draws, stations).
Reader = Callable[[Array], Array]


@dataclass(frozen=True, eq=False)
class Samples:
    """A commanded path as samples, and where each move lies among them.

    Parameters
    ----------
    path : Toolpath
        The path.
    strokes : tuple of Stroke
        Its strokes.
    rows : ndarray of int, shape (moves, 2)
        First and last sample of each move.
    command : ndarray, shape (n, 2)
        Commanded places, mm.
    starts, ends : ndarray, shape (moves, 2)
        Of the moves, mm.
    """

    path: Toolpath
    strokes: tuple[Stroke, ...]
    rows: NDArray[np.int64]
    command: Array
    starts: Array
    ends: Array

    @classmethod
    def of(cls, path: Toolpath, step: float) -> Samples:
        """Sample a path at steps of at most ``step`` mm."""
        strokes, rows = path.sampled(step)
        starts = np.array([move.start for move in path.moves])
        ends = np.array([move.end for move in path.moves])
        return cls(path, strokes, rows, np.concatenate([s.xy for s in strokes]), starts, ends)

    def of_moves(self, moves: NDArray[np.int64]) -> NDArray[np.int64]:
        """Samples of some moves."""
        return np.concatenate([np.arange(a, b + 1) for a, b in self.rows[moves]])


@dataclass(frozen=True, eq=False)
class Side:
    """A straight side of an outline.

    Parameters
    ----------
    outline : Outline
        To which it belongs.
    a, b : ndarray, shape (2,)
        Its ends, the outline counter-clockwise, mm.
    inward : ndarray, shape (2,)
        Unit normal into the material.
    """

    outline: Outline
    a: Array
    b: Array
    inward: Array

    @cached_property
    def length(self) -> float:
        """From end to end, mm."""
        return math.dist(self.a, self.b)

    @cached_property
    def along(self) -> Array:
        """Unit vector from end to end."""
        return np.asarray((self.b - self.a) / self.length)

    @cached_property
    def middle(self) -> Array:
        """Between its ends, mm."""
        return np.asarray(0.5 * (self.a + self.b))

    def reader(self, samples: Samples, low: float, high: float, along: Array) -> Reader:
        """Read how far into the material the burned side lies, mm, between two places along it."""
        at = low + (high - low) * STATIONS
        found = []
        for moves in self.outline.passes:
            own = self._own(samples, moves)
            place = samples.command[own] @ along
            order = np.argsort(place, kind="stable")
            own, place = own[order], place[order]
            k = np.clip(np.searchsorted(place, at), 1, len(place) - 1)
            span = np.maximum(place[k] - place[k - 1], 1e-9)
            found.append((own[k - 1], own[k], (at - place[k - 1]) / span))

        def read(xy: Array) -> Array:
            depth = [
                (xy[:, r0] @ self.inward) * (1.0 - w) + (xy[:, r1] @ self.inward) * w
                for r0, r1, w in found
            ]
            return np.asarray(np.max(depth, axis=0))

        return read

    def _own(self, samples: Samples, moves: NDArray[np.int64]) -> NDArray[np.int64]:
        """Samples of the moves among these that lie on it."""
        on = np.ones(len(moves), dtype=bool)
        for places in (samples.starts[moves], samples.ends[moves]):
            along = (places - self.a) @ self.along
            on &= np.abs((places - self.a) @ self.inward) <= 2.0 * MEETS
            on &= (along >= -2.0 * MEETS) & (along <= self.length + 2.0 * MEETS)
        return samples.of_moves(moves[on])


class Gauge(ABC):
    """How one feature is measured."""

    @property
    @abstractmethod
    def outlines(self) -> tuple[Outline, ...]:
        """On which outlines."""

    @abstractmethod
    def reader(self, samples: Samples) -> Reader:
        """Set the gauge on a commanded path."""

    def size(self, local: Array) -> Array:
        """The size that a hand measures, of local sizes of shape (draws, stations)."""
        return np.asarray(local.mean(axis=1))


@dataclass(frozen=True, eq=False)
class Across(Gauge):
    """From side to side, straight across at stations along their common length."""

    one: Side
    other: Side
    internal: int

    @property
    def outlines(self) -> tuple[Outline, ...]:
        """Those of its sides."""
        return self.one.outline, self.other.outline

    @property
    def common(self) -> tuple[float, float]:
        """Where both sides are, along the first, mm."""
        return common(self.one, self.other)

    def reader(self, samples: Samples) -> Reader:
        """Sizes at stations, mm."""
        low, high = self.common
        along = self.one.along
        first = self.one.reader(samples, low, high, along)
        second = self.other.reader(samples, low, high, along)
        way = 1.0 if self.internal > 0 else -1.0
        if self.internal == 0:  # a step: both sides face one way
            return lambda xy: second(xy) - first(xy)
        return lambda xy: way * (first(xy) + second(xy))

    def size(self, local: Array) -> Array:
        """In the middle, where jaws are put."""
        return np.asarray(local[:, MIDDLE].mean(axis=1))


@dataclass(frozen=True, eq=False)
class Extent(Gauge):
    """Across a whole outline between two parallel jaws, in some directions."""

    outline: Outline
    directions: Array

    @property
    def outlines(self) -> tuple[Outline, ...]:
        """Its own."""
        return (self.outline,)

    def reader(self, samples: Samples) -> Reader:
        """Size in each direction, mm; of several passes the largest hole or the smallest part."""
        rows = [samples.of_moves(moves) for moves in self.outline.passes]
        angle = np.radians(self.directions)
        ways = np.array([np.cos(angle), np.sin(angle)])
        choose: Any = np.max if self.outline.inside else np.min

        def read(xy: Array) -> Array:
            each = []
            for own in rows:
                place = xy[:, own] @ ways
                each.append(place.max(axis=1) - place.min(axis=1))
            return np.asarray(choose(each, axis=0))

        return read


@dataclass(frozen=True, eq=False)
class Centres(Gauge):
    """From the centre of one circle to that of another, along the line that was drawn."""

    one: Outline
    other: Outline

    @property
    def outlines(self) -> tuple[Outline, ...]:
        """Both."""
        return self.one, self.other

    def reader(self, samples: Samples) -> Reader:
        """Distance of the least-squares centres, mm."""
        centres = [_centre_reader(outline, samples) for outline in (self.one, self.other)]

        def read(xy: Array) -> Array:
            apart = centres[1](xy) - centres[0](xy)
            return np.hypot(apart[:, :1], apart[:, 1:])

        return read


@dataclass(frozen=True, eq=False)
class Corner(Gauge):
    """Angle between two sides that meet, within the outline; degrees."""

    one: Side
    other: Side

    @property
    def outlines(self) -> tuple[Outline, ...]:
        """Those of its sides."""
        return self.one.outline, self.other.outline

    def reader(self, samples: Samples) -> Reader:
        """Angle by least squares along both sides, degrees."""
        readers = []
        for side in (self.one, self.other):
            low, high = sorted((float(side.a @ side.along), float(side.b @ side.along)))
            at = low + (high - low) * STATIONS
            weight = (at - at.mean()) / np.sum((at - at.mean()) ** 2)
            readers.append((side.reader(samples, low, high, side.along), weight, side))

        def read(xy: Array) -> Array:
            slopes = []
            for reader, weight, side in readers:
                turn = 1.0 if side.inward @ _left(side.along) > 0.0 else -1.0
                slopes.append(turn * (reader(xy) @ weight))  # counter-clockwise turn of the side
            return np.asarray(np.degrees(slopes[0] - slopes[1]))[:, None]

        return read


@dataclass(frozen=True, eq=False)
class Rounding(Gauge):
    """Radius of an arc that is part of an outline."""

    outline: Outline
    segment: int

    @property
    def outlines(self) -> tuple[Outline, ...]:
        """Its own."""
        return (self.outline,)

    def reader(self, samples: Samples) -> Reader:
        """Mean radius about the drawn centre less its least-squares shift, mm."""
        move = self.outline.moves[[self.segment]]
        own = samples.of_moves(move)
        centre = self.outline.centre[self.segment]
        fit = _circle_fit(samples.command[own], centre)
        return lambda xy: (_radial(xy[:, own], samples.command[own], centre) @ fit[0])[:, None]


def common(one: Side, other: Side) -> tuple[float, float]:
    """Where both of two parallel sides are, along the first, mm; the end first if nowhere."""
    along = one.along
    first = sorted((float(one.a @ along), float(one.b @ along)))
    second = sorted((float(other.a @ along), float(other.b @ along)))
    return max(first[0], second[0]), min(first[1], second[1])


def _left(way: Array) -> Array:
    return np.array((-way[1], way[0]))


def _centre_reader(outline: Outline, samples: Samples) -> Reader:
    own = samples.of_moves(outline.moves)
    fit = _circle_fit(samples.command[own], outline.middle)
    command = samples.command[own]
    return lambda xy: outline.middle + _radial(xy[:, own], command, outline.middle) @ fit[1:].T


def _circle_fit(command: Array, centre: Array) -> Array:
    """Rows that turn radial errors into radius and centre by least squares, shape (3, n)."""
    unit = (command - centre) / np.hypot(*(command - centre).T)[:, None]
    return np.linalg.pinv(np.column_stack([np.ones(len(unit)), unit]))


def _radial(xy: Array, command: Array, centre: Array) -> Array:
    """Errors away from a centre, mm, shape (draws, n)."""
    unit = (command - centre) / np.hypot(*(command - centre).T)[:, None]
    return np.asarray(np.einsum("dnk,nk->dn", xy - command, unit))
