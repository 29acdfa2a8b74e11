"""Closed outlines of a path: what encloses what, and on which side of each the material lies.

Moves that are burned one after the other make a chain; a chain that comes back to its start has
gone round an outline, and chains whose ends meet are joined, for drawings list their lines in any
order.  An outline that is drawn again is a further pass.  Outside and inside follow from nesting:
an outline within none, or within an even number of others, bounds a part from without.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from gantrysim.pattern.toolpath import Toolpath
from gantrysim.records import limits
from gantrysim.records.arrays import Array

#: Ends this near meet, mm: drawings are rounded to a hundredth at worst (judgement).
MEETS = 0.01
#: Ends this near were meant to meet, mm, as was a chain whose gap is this part of its length.
NEARLY, NEARLY_PART = 1.0, 0.05
#: Two outlines with bounds, area and length this near are one outline drawn twice, mm.
SAME = 1e-3
_FEW = 64  # sides that still reach on: each is compared with all that is left to it at once
_ARC = math.radians(7.5)  # of an arc, how far apart its corners are for nesting and crossing


class Open(NamedTuple):
    """A chain that does not close: engraved, not cut."""

    start: tuple[float, float]
    end: tuple[float, float]
    length: float


@dataclass(frozen=True, eq=False)
class Outline:
    """One closed outline, counter-clockwise, as its segments.

    Parameters
    ----------
    ends : ndarray, shape (n, 2, 2)
        Start and end of each straight segment or arc, mm.
    centre : ndarray, shape (n, 2)
        Of arcs, mm; nan for straight segments.
    turn : ndarray, shape (n,)
        Of arcs, rad counter-clockwise.
    moves : ndarray of int, shape (n,)
        Which move of the path draws each.
    polygon : ndarray, shape (m, 2)
        Its corners, arcs as chords, mm.
    passes : tuple of ndarray of int
        The moves of each pass, in drawing order.
    depth : int
        Number of outlines about it.
    part : int
        Number of the outside outline that bounds the part to which it belongs.
    name : str
        What the drawing calls it, where it does.
    """

    ends: Array
    centre: Array
    turn: Array
    moves: NDArray[np.int64]
    polygon: Array
    passes: tuple[NDArray[np.int64], ...]
    depth: int = 0
    part: int = -1
    name: str = ""

    @property
    def inside(self) -> bool:
        """Whether the void is within it: a hole."""
        return self.depth % 2 == 1

    @cached_property
    def bounds(self) -> Array:
        """Lower left and upper right corner, mm, shape (2, 2)."""
        return np.array([self.polygon.min(axis=0), self.polygon.max(axis=0)])

    @cached_property
    def middle(self) -> Array:
        """Middle of the bounds, mm."""
        return self.bounds.mean(axis=0)


def outlines_of(path: Toolpath) -> tuple[tuple[Outline, ...], tuple[Open, ...]]:
    """Closed outlines of a path from the lower left to the upper right, and open chains.

    ValueError if nothing closes, a chain nearly does, more outlines close than
    `gantrysim.records.limits.OUTLINES`, or an outline crosses itself or another.
    """
    closed, left = _joined(_chains(path), path)
    if not closed:
        raise ValueError(
            f"{_source(path)}the drawing must have a closed outline, found {len(left)} open lines."
        )
    if len(closed) > limits.OUTLINES:
        raise ValueError(
            f"{_source(path)}features are looked for on up to {limits.OUTLINES} closed outlines, "
            f"each pass counted, found {len(closed)}; leave out what is not measured, such as a "
            "pattern."
        )
    outlines = _once([_outline(path, moves) for moves in closed])
    _refuse_crossing(outlines, _source(path))
    return _nested(outlines), tuple(left)


def _source(path: Toolpath) -> str:
    return f"{path.source}: " if path.source else ""


#: Signed moves of a chain: k + 1 where move k is taken as drawn, -(k + 1) where it is turned about.
_Chain = list[int]


def _chains(path: Toolpath) -> list[_Chain]:
    """Chains of burned moves, cut where one comes back to its start."""
    chains: list[_Chain] = []
    going: _Chain = []
    begin = (0.0, 0.0)
    for k, move in enumerate(path.moves):
        if not move.burned:
            going = []
            continue
        if move.length == 0.0:
            continue
        if not going:
            begin = move.start
            chains.append(going)
        going.append(k + 1)
        if math.dist(move.end, begin) <= MEETS:
            going = []
    return chains


def _end(path: Toolpath, signed: int, last: bool) -> tuple[float, float]:
    move = path.moves[abs(signed) - 1]
    return move.end if (signed > 0) == last else move.start


def _joined(chains: list[_Chain], path: Toolpath) -> tuple[list[_Chain], list[Open]]:
    """Closed chains, those joined of open ones included, and what stays open."""

    def ends(chain: _Chain) -> tuple[tuple[float, float], tuple[float, float]]:
        return _end(path, chain[0], False), _end(path, chain[-1], True)

    def shut(chain: _Chain) -> bool:
        return math.dist(*ends(chain)) <= MEETS

    closed = [chain for chain in chains if shut(chain)]
    open_ = [chain for chain in chains if not shut(chain)]
    if not open_:
        return closed, []
    places = np.array([end for chain in open_ for end in ends(chain)])
    near = cKDTree(places).query_ball_point(places, MEETS)
    used: set[int] = set()
    left: list[Open] = []
    for first in range(len(open_)):
        if first in used:
            continue
        used.add(first)
        chain, tip = list(open_[first]), 2 * first + 1
        while not shut(chain):
            onward = next((n for n in near[tip] if n // 2 not in used), None)
            if onward is None:
                break
            used.add(onward // 2)
            more = open_[onward // 2]
            chain += more if onward % 2 == 0 else [-k for k in reversed(more)]
            tip = onward ^ 1
        if shut(chain):
            closed.append(chain)
            continue
        start, end = ends(chain)
        length = sum(path.moves[abs(k) - 1].length for k in chain)
        gap = math.dist(start, end)
        if len(chain) > 2 and gap <= max(NEARLY, NEARLY_PART * length):
            raise ValueError(
                f"{_source(path)}an outline must be closed, found one of {length:.1f} mm with a gap"
                f" of {gap:.2f} mm between ({start[0]:.2f}, {start[1]:.2f}) and ({end[0]:.2f}, "
                f"{end[1]:.2f}) mm."
            )
        left.append(Open(start, end, length))
    return closed, left


def _outline(path: Toolpath, chain: _Chain) -> Outline:
    """The chain counter-clockwise."""
    ends, centre, turn = _segments(path, chain)
    polygon = _polygon(ends, centre, turn)
    if _area(polygon) < 0.0:
        chain = [-k for k in reversed(chain)]
        ends, centre, turn = _segments(path, chain)
        polygon = _polygon(ends, centre, turn)
    moves = np.abs(np.array(chain)) - 1
    names = {path.names[k] for k in moves} if path.names else set()
    name = names.pop() if len(names) == 1 else ""
    return Outline(ends, centre, turn, moves, polygon, (moves,), name=name)


def _segments(path: Toolpath, chain: _Chain) -> tuple[Array, Array, Array]:
    ends, centre, turn = [], [], []
    for k in chain:
        move = path.moves[abs(k) - 1]
        ends.append((move.start, move.end) if k > 0 else (move.end, move.start))
        centre.append(move.centre or (math.nan, math.nan))
        turn.append(math.copysign(1.0, k) * move.turn)
    return np.array(ends), np.array(centre), np.array(turn)


def _polygon(ends: Array, centre: Array, turn: Array) -> Array:
    """Starts of the segments, and places along the arcs between them."""
    if not turn.any():
        return np.asarray(ends[:, 0])
    parts = []
    for (start, _), c, angle in zip(ends, centre, turn, strict=True):
        count = max(1, math.ceil(abs(angle) / _ARC))
        at = angle * np.arange(count) / count
        arm = start - c if angle else np.zeros(2)
        cos, sin = np.cos(at), np.sin(at)
        spread = np.column_stack([arm[0] * cos - arm[1] * sin, arm[1] * cos + arm[0] * sin])
        parts.append(spread + c if angle else start[None])
    return np.concatenate(parts)


def _area(polygon: Array) -> float:
    x, y = polygon.T
    return 0.5 * float(x @ np.roll(y, -1) - y @ np.roll(x, -1))


def _once(outlines: Sequence[Outline]) -> list[Outline]:
    """Outlines, those drawn again as further passes of the first."""
    marks = [(*o.bounds.ravel(), _area(o.polygon) / 10.0) for o in outlines]
    tree = cKDTree(np.array(marks))
    out: list[Outline] = []
    done: set[int] = set()
    for k, outline in enumerate(outlines):
        if k in done:
            continue
        again = sorted(tree.query_ball_point(marks[k], 2.0 * SAME))
        done.update(again)
        passes = tuple(outlines[j].moves for j in again)
        out.append(replace(outline, passes=passes))
    return out


def _refuse_crossing(outlines: Sequence[Outline], source: str) -> None:
    """Raise ValueError where a side crosses another: sides sorted by x, compared as they overlap.

    Sides that only touch do not cross.
    """
    a = np.concatenate([o.polygon for o in outlines])
    b = np.concatenate([np.roll(o.polygon, -1, axis=0) for o in outlines])
    owner = np.repeat(np.arange(len(outlines)), [len(o.polygon) for o in outlines])
    left, right = np.minimum(a[:, 0], b[:, 0]), np.maximum(a[:, 0], b[:, 0])
    order = np.argsort(left)
    a, b, owner, left, right = a[order], b[order], owner[order], left[order], right[order]
    low, high = np.minimum(a[:, 1], b[:, 1]), np.maximum(a[:, 1], b[:, 1])
    for i, j in _overlapping(left, right):
        meet = (low[i] < high[j]) & (low[j] < high[i])
        p, q = i[meet], j[meet]
        across = _side(a[p], b[p], a[q]) * _side(a[p], b[p], b[q])
        from_a, from_b = _side(a[q], b[q], a[p]), _side(a[q], b[q], b[p])
        found = np.flatnonzero((across < -1e-9) & (from_a * from_b < -1e-9))
        if len(found):
            first = found[0]
            one, other = int(p[first]), int(q[first])
            x, y = a[one] + from_a[first] / (from_a[first] - from_b[first]) * (b[one] - a[one])
            whom = "itself" if owner[one] == owner[other] else "another"
            raise ValueError(
                f"{source}an outline must not cross itself or another, found one that crosses "
                f"{whom} near ({x:.1f}, {y:.1f}) mm."
            )


def _overlapping(left: Array, right: Array) -> Iterator[tuple[NDArray[np.intp], NDArray[np.intp]]]:
    """Pairs of intervals, sorted by where they begin, that overlap."""
    i = np.arange(len(left))
    for ahead in range(1, len(left)):
        i = i[i + ahead < len(left)]
        i = i[left[i + ahead] < right[i]]
        if len(i) <= _FEW:
            break
        yield i, i + ahead
    for k in i.tolist():
        j = np.arange(k + ahead, np.searchsorted(left, right[k]))
        yield np.full(len(j), k), j


def _side(a: Array, b: Array, p: Array) -> Array:
    """On which side of a line places lie: twice the area of the triangle, mm^2."""
    ab, ap = b - a, p - a
    return np.asarray(ab[:, 0] * ap[:, 1] - ab[:, 1] * ap[:, 0])


def _nested(outlines: Sequence[Outline]) -> tuple[Outline, ...]:
    """Outlines in reading order from the lower left, with depth and part."""
    order = sorted(outlines, key=lambda o: tuple(np.round(o.middle[::-1], 1)))
    bounds = np.array([o.bounds for o in order])
    within = np.zeros((len(order), len(order)), dtype=bool)  # [inner, outer]
    for k, outer in enumerate(order):
        room = (bounds[:, 0] >= bounds[k, 0] - SAME) & (bounds[:, 1] <= bounds[k, 1] + SAME)
        maybe = np.flatnonzero(room.all(axis=1) & (np.arange(len(order)) != k))
        if len(maybe):
            spots = np.array([_inner_spot(order[m].polygon) for m in maybe])
            within[maybe, k] = _contains(outer.polygon, spots)
    depth = within.sum(axis=1)
    found = []
    for k, outline in enumerate(order):
        about = np.flatnonzero(within[k])
        part = k if depth[k] % 2 == 0 else int(about[np.argmax(depth[about])])
        found.append(replace(outline, depth=int(depth[k]), part=part))
    return tuple(found)


def _inner_spot(polygon: Array) -> Array:
    """A place just within a counter-clockwise polygon, beside the middle of its longest side."""
    step = np.roll(polygon, -1, axis=0) - polygon
    k = int(np.argmax(np.hypot(*step.T)))
    left = np.array((-step[k, 1], step[k, 0])) / np.hypot(*step[k])
    return np.asarray(polygon[k] + 0.5 * step[k] + 1e-6 * left)


def _contains(polygon: Array, places: Array) -> NDArray[np.bool_]:
    """Whether places lie within a polygon: a ray to the right crosses an odd number of sides."""
    (x0, y0), (x1, y1) = polygon.T, np.roll(polygon, -1, axis=0).T
    x, y = places[:, :1], places[:, 1:]
    spans = (y0 > y) != (y1 > y)
    rise = np.where(y1 == y0, 1.0, y1 - y0)
    return np.asarray((spans & (x < x0 + (y - y0) * (x1 - x0) / rise)).sum(axis=1) % 2 == 1)
