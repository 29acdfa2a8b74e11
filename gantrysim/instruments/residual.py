"""From measured points to residuals: the signed distance, along the normal, to the predicted line.

A measured point is carried back into the machine frame by the placement of the lifted piece,
its station along the ring and its height over the commanded shape are read there, and the
predicted line's height at the same station is taken off.  Stations are angles on a circle and
distances along the perimeter of a square, so one interpolation serves both shapes.
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from gantrysim.instruments.forward import Forward
from gantrysim.instruments.stations import pivot_of
from gantrysim.pattern.ringtest import Line
from gantrysim.pattern.shapes import algebraic_circle, shape_of
from gantrysim.records.arrays import rotation
from gantrysim.records.compiled import kernel

if TYPE_CHECKING:
    from gantrysim.instruments.points import Piece

#: Points nearer than this to a corner or to the start of a ring are left out, mm: there the
#: along-line part of the error decides where the line goes, and the burn dwells.
CLEAR_OF_CORNERS = 1.5
CLEAR_OF_START = 1.0
#: Step by which points are moved for the gradient of their residuals, mm.
_NUDGE = 1e-6


@kernel
def _height(square: bool, size: float, x: float, y: float, side: int) -> tuple[float, float, int]:
    """Station and outward height of a point about a ring's centre; the side for a square.

    Sides count counter-clockwise from the right one; a side of -1 means: find it.
    """
    if not square:
        return math.atan2(y, x), math.hypot(x, y) - size, 0
    if side < 0:
        if abs(x) >= abs(y):
            side = 0 if x > 0.0 else 2
        else:
            side = 1 if y > 0.0 else 3
    if side == 0:
        along, out = y, x
    elif side == 1:
        along, out = -x, y
    elif side == 2:
        along, out = -y, -x
    else:
        along, out = x, -y
    return 2.0 * size * side + along, out - size, side


class Rings(NamedTuple):
    """What drew each measured line: one entry a line, one a burned line, one a sample.

    Parameters
    ----------
    square, size, sense, centre : ndarray, one row a measured line
        Shape, commanded size (mm), drawing sense (+1 ccw, -1 cw) and commanded spot centre (mm).
    first_stroke, n_strokes : ndarray of int
        Where each measured line's burned lines begin in ``strokes`` and how many they are.
    strokes : ndarray of int
        Burned lines that make up each measured line, one after the other.
    share : ndarray
        Weight of each entry of ``strokes`` in its measured line: passes that cannot be told
        apart are read as their mean.
    start : ndarray of int
        Where the samples of each entry of ``strokes`` begin in one row of all, and its length.
    samples, sides : ndarray of int, shape (samples,)
        Of each in that row: which sample of the motion it is, and its commanded side (0 on
        circles).
    """

    square: np.ndarray
    size: np.ndarray
    sense: np.ndarray
    centre: np.ndarray
    first_stroke: np.ndarray
    n_strokes: np.ndarray
    strokes: np.ndarray
    share: np.ndarray
    start: np.ndarray
    samples: np.ndarray
    sides: np.ndarray


@kernel
def _traces(rings: Rings, xy: np.ndarray, station: np.ndarray, height: np.ndarray) -> None:
    """Fill unwrapped stations (rising along the drawing sense) and heights of burned lines."""
    for g in range(rings.size.size):
        square, size, sense = rings.square[g], rings.size[g], rings.sense[g]
        middle_x, middle_y = rings.centre[g, 0], rings.centre[g, 1]
        period = 8.0 * size if square else 2.0 * math.pi
        for m in range(rings.first_stroke[g], rings.first_stroke[g] + rings.n_strokes[g]):
            first = rings.start[m]
            for j in range(first, rings.start[m + 1]):
                x, y = xy[j, 0] - middle_x, xy[j, 1] - middle_y
                u, h, _ = _height(square, size, x, y, rings.sides[j])
                u *= sense
                if j > first:
                    u += period * round((station[j - 1] - u) / period)
                station[j] = u
                height[j] = h


@kernel
def _bracket(station: np.ndarray, u: float, period: float) -> tuple[int, float]:
    """Sample of a burned line before a station, and the part of the way to the next one.

    The station is taken once round from the start of the line.
    """
    u += period * math.ceil((station[0] - u) / period)
    low, high = 0, station.size - 1
    if u >= station[high]:
        return high - 1, 1.0
    while high - low > 1:
        mid = (low + high) // 2
        if station[mid] <= u:
            low = mid
        else:
            high = mid
    width = station[high] - station[low]
    return low, ((u - station[low]) / width if width > 0.0 else 0.0)


@kernel
def _weights(station: np.ndarray, sides: np.ndarray, low: int, t: float, out: np.ndarray) -> int:
    """Fill weights of four samples about a part of the way from one to the next; their first.

    Cubic with the slopes of parabolas through three neighbours (Hermite), which a standing axis
    draws; never across a corner, where what comes after it counts alone.
    """
    last = station.size - 1
    if sides[low] != sides[low + 1]:
        low, t = (low + 1, 0.0) if low + 1 < last else (low, 1.0)
    first = min(max(low - 1, 0), last - 3)
    out[:] = 0.0
    here, there = low - first, low + 1 - first
    out[here] += 1.0 - t
    out[there] += t
    width = station[low + 1] - station[low]
    for end in range(2):
        j = low + end
        if j == 0 or j == last or sides[j - 1] != sides[j] or sides[j + 1] != sides[j]:
            continue
        before, after = station[j] - station[j - 1], station[j + 1] - station[j]
        if before < 1e-9 or after < 1e-9:
            continue
        # by how much the slope of the parabola exceeds that of the chord
        bend = t * (1.0 - t) * width * ((1.0 - t) if end == 0 else -t)
        both = before + after
        k = j - first
        out[k - 1] -= bend * after / (before * both)
        out[k] += bend * (after - before) / (before * after)
        out[k + 1] += bend * before / (after * both)
        out[here] += bend / width
        out[there] -= bend / width
    return first


@kernel
def _carry_back(points: np.ndarray, place: np.ndarray, pivot: np.ndarray, out: np.ndarray) -> None:
    """Carry measured points into the machine frame.

    A machine point p lies at S R (p - pivot) + shift in the piece frame, with R a turn by
    place[0] (counter-clockwise, rad), shift = place[1:3] (mm) and
    S = [[1 + place[3], place[5]], [0, 1 + place[4]]] the scanner's scale errors and skew.
    """
    c, s = math.cos(place[0]), math.sin(place[0])
    sx, sy, skew = 1.0 + place[3], 1.0 + place[4], place[5]
    for i in range(points.shape[0]):
        v = (points[i, 1] - place[2]) / sy
        u = (points[i, 0] - place[1] - skew * v) / sx
        out[i, 0] = pivot[0] + c * u + s * v
        out[i, 1] = pivot[1] - s * u + c * v


@kernel
def _project(
    rings: Rings, xy: np.ndarray, station: np.ndarray, height: np.ndarray,
    moves: np.ndarray, out: np.ndarray,
) -> None:  # fmt: skip
    """Change of burned lines' heights, at fixed stations, with moves of the samples of a motion."""
    sides = rings.sides
    for g in range(rings.size.size):
        square, scale = rings.square[g], 1.0 if rings.square[g] else rings.size[g]
        for m in range(rings.first_stroke[g], rings.first_stroke[g] + rings.n_strokes[g]):
            first, last = rings.start[m], rings.start[m + 1] - 1
            for j in range(first, last + 1):
                x, y = xy[j, 0] - rings.centre[g, 0], xy[j, 1] - rings.centre[g, 1]
                if square:
                    nx = 1.0 if sides[j] == 0 else (-1.0 if sides[j] == 2 else 0.0)
                    ny = 1.0 if sides[j] == 1 else (-1.0 if sides[j] == 3 else 0.0)
                else:
                    r = math.hypot(x, y)
                    nx, ny = x / r, y / r
                a, b = max(j - 1, first), min(j + 1, last)
                a = a if sides[a] == sides[j] else j
                b = b if sides[b] == sides[j] else j
                way = rings.sense[g] * (station[b] - station[a]) * scale
                slope = (height[b] - height[a]) / way if abs(way) > 1e-6 else 0.0
                move = moves[rings.samples[j]]
                for k in range(moves.shape[1]):
                    outward = nx * move[k, 0] + ny * move[k, 1]
                    along = -ny * move[k, 0] + nx * move[k, 1]
                    out[j, k] = outward - slope * along


@kernel
def _read_off(
    points: np.ndarray, group: np.ndarray, rings: Rings, station: np.ndarray, table: np.ndarray,
    own: np.ndarray, out: np.ndarray,
) -> None:  # fmt: skip
    """Fill the points' own heights, and less what tables of the burned lines say at their stations.

    Of a measured line that shows several passes the mean.
    """
    weight = np.empty(4)
    for i in range(points.shape[0]):
        g = group[i]
        x, y = points[i, 0] - rings.centre[g, 0], points[i, 1] - rings.centre[g, 1]
        u, own[i], _ = _height(rings.square[g], rings.size[g], x, y, -1)
        period = 8.0 * rings.size[g] if rings.square[g] else 2.0 * math.pi
        for n in range(rings.n_strokes[g]):
            m = rings.first_stroke[g] + n
            a, b = rings.start[m], rings.start[m + 1]
            low, t = _bracket(station[a:b], u * rings.sense[g], period)
            first = a + _weights(station[a:b], rings.sides[a:b], low, t, weight)
            for j in range(4):
                share = rings.share[m] * weight[j]
                for k in range(out.shape[1]):
                    out[i, k] -= share * table[first + j, k]


class Traces(NamedTuple):
    """Burned lines in use, one after the other: places (n, 2), mm, stations and heights (n,)."""

    xy: np.ndarray
    station: np.ndarray
    height: np.ndarray


@dataclass(frozen=True, eq=False)
class Matched:
    """Measured points matched to the strokes that drew them: what every residual needs.

    Parameters
    ----------
    points : ndarray, shape (n, 2)
        Measured points in the piece frame, mm, ordered along each line.
    group : ndarray of int, shape (n,)
        Measured line of each point.
    rings : Rings
        What drew each measured line.
    pivot : ndarray, shape (2,)
        Point of the machine frame about which the placement turns, mm.
    dropped : int
        Points left out near corners and starts.
    """

    points: np.ndarray
    group: np.ndarray
    rings: Rings
    pivot: np.ndarray
    dropped: int

    def about(self, placement: np.ndarray) -> np.ndarray:
        """Points in the machine frame, about the centre of their ring, shape (n, 2), mm."""
        return np.asarray(self.carried(placement) - self.rings.centre[self.group])

    def residuals(self, places: np.ndarray, placement: np.ndarray) -> np.ndarray:
        """Signed distances from predicted to measured line, outward positive.

        ``places``: of the spot along the predicted motion, mm; shape (samples, 2).  ``placement``:
        shape (6,); see `gantrysim.inference.problem.Problem.placement`.  Returns: residuals, mm;
        shape (n,).
        """
        return self.against(self.traces(places), placement)

    def traces(self, places: np.ndarray) -> Traces:
        """Traces of the burned lines among the places of a motion, mm, shape (samples, 2)."""
        xy = places[self.rings.samples]
        traces = Traces(xy, np.empty(len(xy)), np.empty(len(xy)))
        _traces(self.rings, *traces)
        return traces

    def columns(self, traces: Traces, moves: np.ndarray, placement: np.ndarray) -> np.ndarray:
        """Derivatives of the residuals with moves of the burned lines.

        ``traces``: of the prediction.  ``moves``: derivatives of the places along its motion with k
        unknowns; shape (samples, k, 2).  ``placement``: shape (6,); see
        `gantrysim.inference.problem.Problem.placement`.  Returns: derivatives, mm per unit; shape
        (n, k).
        """
        rise = np.empty((len(traces.xy), moves.shape[1]))
        _project(self.rings, *traces, moves, rise)
        return self._read_off(traces.station, rise, self.carried(placement))[1]

    def against(self, traces: Traces, placement: np.ndarray) -> np.ndarray:
        """Residuals against traces already made, for another placement, mm."""
        return self._off(traces, self.carried(placement))

    def gradient(self, traces: Traces, points: np.ndarray, here: np.ndarray) -> np.ndarray:
        """Change of residuals, mm per mm, as the points move in the machine frame, shape (n, 2).

        ``traces``: of the prediction.  ``points``, ``here``: where they lie (`carried`), and their
        residuals there.
        """
        there = [self._off(traces, points + step) for step in _NUDGE * np.eye(2)]
        return (np.column_stack(there) - here[:, None]) / _NUDGE

    def _off(self, traces: Traces, points: np.ndarray) -> np.ndarray:
        """Residuals of points in the machine frame, mm."""
        own, predicted = self._read_off(traces.station, traces.height[:, None], points)
        return np.asarray(own + predicted[:, 0])

    def _read_off(
        self, station: np.ndarray, table: np.ndarray, points: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray]:
        """Heights of points, and less what tables of the burned lines say there."""
        own, out = np.empty(len(points)), np.zeros((len(points), table.shape[1]))
        _read_off(points, self.group, self.rings, station, table, own, out)
        return own, out

    def carried(self, placement: np.ndarray) -> np.ndarray:
        """Points in the machine frame, mm."""
        out = np.empty_like(self.points)
        _carry_back(self.points, placement, self.pivot, out)
        return out


def _commanded_sides(xy: np.ndarray, centre: tuple[float, float], square: bool) -> np.ndarray:
    """Side of a square of each commanded sample, a corner's the one it ends; 0 on a circle."""
    if not square:
        return np.zeros(len(xy), dtype=np.int64)
    middle = 0.5 * (xy[1:] + xy[:-1]) - np.asarray(centre)
    x, y = middle[:, 0], middle[:, 1]
    side = np.where(np.abs(x) >= np.abs(y), np.where(x > 0, 0, 2), np.where(y > 0, 1, 3))
    return np.concatenate([side[:1], side]).astype(np.int64)


def _rings(piece: Piece, forward: Forward) -> Rings:
    """Shape, place and strokes of each measured line of a piece."""
    drawn = {(shape, ring): n for shape, ring, n in piece.test.sequence}
    index = {(x[0], x[1], x[3]): i for i, x in enumerate(forward.labels)}
    every = np.arange(len(forward.motion.xy))
    strokes: list[int] = []
    first: list[int] = []
    share: list[float] = []
    sides: list[np.ndarray] = []
    for line in piece.lines:
        nest = piece.test.nest(line.shape)
        square = shape_of(line.shape).has_corners
        first.append(len(strokes))
        for pass_index, weight in _passes(line, drawn.get((line.shape, line.ring), 0)):
            i = index[line.shape, line.ring, pass_index]
            strokes.append(i)
            share.append(weight)
            sides.append(_commanded_sides(forward.motion.xy[forward.cuts[i]], nest.centre, square))
    nests = [piece.test.nest(line.shape) for line in piece.lines]
    samples = [every[forward.cuts[i]] for i in strokes]
    return Rings(
        square=np.array([shape_of(line.shape).has_corners for line in piece.lines]),
        size=np.array([line.size for line in piece.lines]),
        sense=np.array([1.0 if nest.direction == "ccw" else -1.0 for nest in nests]),
        centre=np.array([nest.centre for nest in nests]) + forward.offset,
        strokes=np.array(strokes),
        first_stroke=np.array(first),
        n_strokes=np.diff([*first, len(strokes)]),
        share=np.array(share),
        start=np.cumsum([0, *map(len, samples)]),
        samples=np.concatenate(samples),
        sides=np.concatenate(sides),
    )


def match(piece: Piece, forward: Forward, placement: np.ndarray) -> Matched:
    """Match the points of a piece to the strokes that drew them.

    ``piece``: measured lines.  ``forward``: the planned test of the piece.  ``placement``:
    placement good to a fraction of a millimetre, used to order the points and to leave out corners
    and starts; shape (6,).  Returns: the match.  ValueError if a measured line belongs to no stroke
    of the test.
    """
    rings = _rings(piece, forward)
    begins, pivot = _begins(rings, forward), forward.pivot
    kept: list[np.ndarray] = []
    group: list[np.ndarray] = []
    for k, line in enumerate(piece.lines):
        points = np.empty_like(line.xy)
        _carry_back(line.xy, placement, pivot, points)
        about = points - rings.centre[k]
        square = np.full(len(about), rings.square[k])
        keep = _clear(about, begins[k] - rings.centre[k], square, np.full(len(about), line.size))
        order = np.argsort(_stations(bool(rings.square[k]), line.size, about), kind="stable")
        chosen = order[keep[order]]
        kept.append(line.xy[chosen])
        group.append(np.full(len(chosen), k))
    found = np.ascontiguousarray(np.concatenate(kept))
    return Matched(
        points=found,
        group=np.concatenate(group).astype(np.int64),
        rings=rings,
        pivot=pivot,
        dropped=sum(len(line.xy) for line in piece.lines) - len(found),
    )


def rematched(matched: Matched, points: np.ndarray, piece: Piece, forward: Forward) -> Matched:
    """Match the points of a piece in the same order to what another test would have drawn.

    Parameters
    ----------
    matched : Matched
        The match of the piece as it was stated.
    points : ndarray, shape (n, 2)
        Its points as the other statement has them, such as turned, mm; no other points are left
        out, see `clear_of_ends`.
    piece : Piece
        The same measured lines, line for line, as the other statement has them.
    forward : Forward
        The planned test of that piece.

    Raises
    ------
    ValueError
        If a measured line belongs to no stroke of the test.
    """
    rings = _rings(piece, forward)
    return dataclasses.replace(matched, points=points, rings=rings, pivot=forward.pivot)


def clear_of_ends(matched: Matched, forward: Forward, placement: np.ndarray) -> np.ndarray:
    """Which points are clear of the corners and the start of their ring, shape (n,), bool."""
    rings, k = matched.rings, matched.group
    begins = _begins(rings, forward) - rings.centre
    return _clear(matched.about(placement), begins[k], rings.square[k], rings.size[k])


def _begins(rings: Rings, forward: Forward) -> np.ndarray:
    """Where the first stroke of each measured line begins, mm, shape (n, 2)."""
    first = [forward.cuts[i].start for i in rings.strokes[rings.first_stroke]]
    return np.asarray(forward.motion.xy[first] + forward.offset)


def _passes(line: Line, drawn: int) -> list[tuple[int, float]]:
    """Pass indices, as `Forward` runs them, that a measured line shows, with their weights."""
    if drawn == 0 or line.pass_index >= drawn:
        raise ValueError(
            f"the piece has {line.shape} ring {line.ring} pass {line.pass_index}, "
            f"of which the test draws {drawn} passes"
        )
    if line.pass_index >= 0:
        return [(min(line.pass_index, 1), 1.0)]
    if drawn == 1:
        return [(0, 1.0)]
    return [(0, 1.0 / drawn), (1, (drawn - 1.0) / drawn)]


def _clear(
    about: np.ndarray, begin: np.ndarray, square: np.ndarray, size: np.ndarray
) -> np.ndarray:
    """Which points about the centre of their ring are clear of its start and its corners."""
    away = np.linalg.norm(about - begin, axis=1) > CLEAR_OF_START
    along = np.abs(about).min(axis=1)
    clear = along < size - np.minimum(CLEAR_OF_CORNERS, 0.4 * size)
    return np.asarray(away & (clear | ~square))


def _stations(square: bool, size: float, about: np.ndarray) -> np.ndarray:
    """Station of each point about the centre of its ring."""
    return np.array([_height(square, size, x, y, -1)[0] for x, y in about])


def first_placement(piece: Piece) -> np.ndarray:
    """Place a piece from the middles of its rings and the sides of its squares alone.

    ``piece``: measured lines.  Returns: turn about the middle of the centres, and shift; the
    scanner terms are zero; shape (6,).

    Least squares of commanded against measured centres (circle fits) with the directions of
    square sides: good to the distortion itself, which is all that matching needs.
    """
    turns: list[tuple[float, float]] = []
    middles: list[tuple[np.ndarray, np.ndarray, float]] = []
    for line in piece.lines:
        if len(line.xy) < 12:
            continue
        centre = np.asarray(piece.test.nest(line.shape).centre)
        middle, angle = _ring_pose(line)
        if middle is None:
            continue
        middles.append((centre, middle, float(len(line.xy))))
        if angle is not None:
            turns.append((angle, len(line.xy) * line.size**2))
    if not middles:
        middle = np.mean(np.concatenate([x.xy for x in piece.lines]), axis=0)
        return np.array([0.0, *middle, 0.0, 0.0, 0.0])
    weight = np.array([w for _, _, w in middles])[:, None]
    ours = np.array([c for c, _, _ in middles]) - pivot_of(piece.test)
    theirs = np.array([m for _, m, _ in middles])
    turn = 0.0
    spread = ours - np.sum(weight * ours, axis=0) / weight.sum()
    if np.abs(spread).max() > 1.0:
        moved = theirs - np.sum(weight * theirs, axis=0) / weight.sum()
        cross = np.sum(weight[:, 0] * (spread[:, 0] * moved[:, 1] - spread[:, 1] * moved[:, 0]))
        dot = np.sum(weight[:, 0] * (spread[:, 0] * moved[:, 0] + spread[:, 1] * moved[:, 1]))
        turn = math.atan2(cross, dot)
    elif turns:
        angles, weights = np.array(turns).T
        first = angles[np.argmax(weights)]
        quarter = math.pi / 2.0  # by which a square that turns looks the same
        off = (angles - first + quarter / 2.0) % quarter - quarter / 2.0
        turn = float(first + np.average(off, weights=weights))
    shift = np.sum(weight * (theirs - ours @ rotation(turn).T), axis=0) / weight.sum()
    return np.array([turn, *shift, 0.0, 0.0, 0.0])


def _ring_pose(line: Line) -> tuple[np.ndarray | None, float | None]:
    """Middle of a measured ring, and for a square the turn of its sides (within 45 degrees)."""
    xy = line.xy
    low, high = np.percentile(xy, [1, 99], axis=0)
    if not shape_of(line.shape).has_corners:
        middle, _ = algebraic_circle(xy)
        radius = np.linalg.norm(xy - middle, axis=1)
        if abs(np.median(radius) / line.size - 1.0) > 0.2:
            return None, None
        return middle, None
    middle = 0.5 * (low + high)
    away = (xy - middle) @ (1.0, 1.0j)
    reach = np.maximum(np.abs(away), 1e-9)
    # corners stand out, four of them; from upright the sides of a square on its corner mix
    angle = float(np.angle(-np.sum((reach - reach.mean()) * (away / reach) ** 4))) / 4.0
    for _ in range(8):
        turned = rotation(angle)
        u = (xy - middle) @ turned
        tilt, outs = [], []
        for side in range(4):
            a, b = (u[:, 0], u[:, 1]) if side % 2 == 0 else (u[:, 1], -u[:, 0])
            a, b = (a, b) if side < 2 else (-a, -b)
            on = (a > 0.6 * line.size) & (np.abs(b) < 0.8 * line.size)
            if on.sum() < 3:
                return None, None
            fit = np.polyfit(b[on], a[on], 1)
            tilt.append(-fit[0])
            outs.append(fit[1])
        shift = np.array([outs[0] - outs[2], outs[1] - outs[3]]) / 2.0
        middle = middle + turned @ shift
        step = float(np.mean(tilt))
        angle += step
        if abs(step) < 1e-7:
            break
    return middle, angle
