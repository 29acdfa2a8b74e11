"""Speed along the path: when the machine is where, and how hard it accelerates.

Trapezoidal planning with a look-ahead over each chain of strokes that is drawn without a
stop: speed is limited by the feed, by the centripetal acceleration on circles and by the
speed change allowed at a corner, and rises and falls at the commanded acceleration.

A `Motion` holds this at the samples of the strokes.  A `Timeline` holds it between them too:
pieces of constant acceleration along straight lines and arcs, for whatever marches in time.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import Protocol

import numpy as np

from gantrysim.pattern.strokes import Stroke
from gantrysim.records.compiled import kernel

#: Turns sharper than this are corners; gentler ones are samples of a curve, rad.
CORNER_ANGLE = 0.2
#: Strokes that lie on an arc of their size as radius, mm.
ARCS = ("circle", "arc")


class Limits(Protocol):
    """What is planned: anything that states its limits, as `RingTest` and `Toolpath` do."""

    @property
    def acceleration(self) -> float:
        """Along the path, mm/s^2."""

    @property
    def centripetal(self) -> float:
        """Across the path, mm/s^2."""

    @property
    def corner_speed_change(self) -> float:
        """Largest jump of the velocity vector at a corner, mm/s."""


@dataclass(frozen=True, eq=False)
class Motion:
    """A commanded motion in time.

    Parameters
    ----------
    xy : ndarray, shape (n, 2)
        Commanded positions, mm.
    dt : ndarray, shape (n,)
        Time since the sample before, s (0 at the first).
    speed : ndarray, shape (n,)
        Speed along the path, mm/s.
    velocity, acceleration : ndarray, shape (n, 2)
        Commanded velocity (mm/s) on arrival at each sample, and acceleration (mm/s^2) on the
        way to it.
    jump : ndarray, shape (n, 2)
        Sudden change of velocity at each sample, mm/s: what a corner asks for.
    """

    xy: np.ndarray
    dt: np.ndarray
    speed: np.ndarray
    velocity: np.ndarray
    acceleration: np.ndarray
    jump: np.ndarray

    @property
    def duration(self) -> float:
        """Time for the whole motion, s."""
        return float(self.dt.sum())

    @cached_property
    def asked(self) -> tuple[np.ndarray, np.ndarray]:
        """What is asked of the x and of the y axis at each sample, shape (n, 7) each.

        Command and that of the other axis (mm), 1 over the time since the sample before (1/s; 0
        where none passes), velocity, acceleration, sudden change of velocity and acceleration of
        the other axis, in mm and s.
        """
        rate = np.divide(1.0, self.dt, out=np.zeros_like(self.dt), where=self.dt > 0.0)

        def of(axis: int) -> np.ndarray:
            own = (self.velocity, self.acceleration, self.jump)
            places = (self.xy[:, axis], self.xy[:, 1 - axis], rate)
            beside = self.acceleration[:, 1 - axis]
            return np.column_stack([*places, *(each[:, axis] for each in own), beside])

        return of(0), of(1)


def slow(xy: np.ndarray) -> Motion:
    """Return a motion through these positions, mm, in the slow limit: no time passes."""
    none = np.zeros(len(xy))
    still = np.zeros(xy.shape, order="F")  # its columns are taken one by one
    return Motion(xy=xy, dt=none, speed=none, velocity=still, acceleration=still, jump=still)


def corner_speed(change: float, turn: float) -> float:
    """Speed through a corner at which the velocity jumps by no more than ``change``, mm/s.

    ``change``: allowed change of the velocity vector, mm/s.  ``turn``: angle by which the path
    turns, rad (pi/2 at the corner of a square).

    The jump at speed v is 2 v sin(turn / 2) (isosceles triangle of the two velocities).
    """
    return change / (2.0 * math.sin(turn / 2.0))


def junction_speed(deviation: float, turn: float, acceleration: float) -> float:
    """Speed through a corner on an imagined circle that cuts it, mm/s.

    ``deviation``: how far the edge of that circle passes from the corner, mm.  ``turn``: angle by
    which the path turns, rad (pi/2 at the corner of a square).  ``acceleration``: centripetal
    acceleration allowed on it, mm/s^2.

    The circle touches both segments: R = d sin(h) / (1 - sin(h)) with h half the interior
    angle, and v = sqrt(a R) (plane geometry).  A machine that states its corners by such a
    deviation asks for ``corner_speed_change = 2 v sin(turn / 2)`` in a test.
    """
    half = math.sin((math.pi - turn) / 2.0)
    return math.sqrt(acceleration * deviation * half / (1.0 - half))


@kernel
def _look_ahead(limit: np.ndarray, length: np.ndarray, acceleration: float) -> np.ndarray:
    """Speeds at the samples: each limit kept, no change faster than the acceleration."""
    v = limit.copy()
    for i in range(1, v.size):
        v[i] = min(v[i], math.sqrt(v[i - 1] ** 2 + 2.0 * acceleration * length[i]))
    for i in range(v.size - 2, -1, -1):
        v[i] = min(v[i], math.sqrt(v[i + 1] ** 2 + 2.0 * acceleration * length[i + 1]))
    return v


def segment_time(
    before: np.ndarray, after: np.ndarray, length: np.ndarray, top: np.ndarray, acceleration: float
) -> np.ndarray:
    """Time over segments from one speed to another, s.

    ``before``, ``after``: speeds at both ends, mm/s.  ``length``: lengths, mm.  ``top``: highest
    speed allowed on the way, mm/s.  ``acceleration``: mm/s^2.

    Up to v_p = min(top, sqrt((v1^2 + v2^2)/2 + a S)), cruise, down: the trapezoid of every
    motion text.
    """
    peak, cruise = _trapezoid(before, after, length, top, acceleration)
    with np.errstate(divide="ignore", invalid="ignore"):
        time = (2.0 * peak - before - after) / acceleration + np.where(
            cruise > 0.0, cruise / peak, 0.0
        )
    return np.asarray(time)


def _trapezoid(
    before: np.ndarray, after: np.ndarray, length: np.ndarray, top: np.ndarray, acceleration: float
) -> tuple[np.ndarray, np.ndarray]:
    """Highest speed on each segment, mm/s, and the length driven at it, mm."""
    peak = np.sqrt(0.5 * (before**2 + after**2) + acceleration * length)
    peak = np.maximum(np.minimum(peak, top), np.maximum(before, after))
    ramps = (2.0 * peak**2 - before**2 - after**2) / (2.0 * acceleration)
    return peak, np.maximum(length - ramps, 0.0)


@dataclass(frozen=True, eq=False)
class _Course:
    """Strokes as one chain of segments; each array has a row for the segment to each sample."""

    xy: np.ndarray  # samples, mm
    counts: list[int]  # samples of each stroke
    step: np.ndarray  # chord from the sample before, mm
    chord: np.ndarray  # its length, mm
    length: np.ndarray  # along the path, mm: arcs are longer than their chords
    bend: np.ndarray  # curvature, 1/mm
    top: np.ndarray  # highest speed allowed, mm/s
    along: np.ndarray  # unit direction of the chord; 0 where there is none
    before: np.ndarray  # speed at the sample before, mm/s
    speed: np.ndarray  # speed at the sample, mm/s


def _course(test: Limits, strokes: tuple[Stroke, ...]) -> _Course:
    """Speeds at the samples of the strokes of a test."""
    xy = np.concatenate([s.xy for s in strokes])
    counts = [len(s.xy) for s in strokes]
    top = np.repeat([s.speed for s in strokes], counts)
    bend = np.repeat([1.0 / s.size if s.shape in ARCS else 0.0 for s in strokes], counts)
    with np.errstate(divide="ignore"):
        top = np.where(bend > 0.0, np.minimum(top, np.sqrt(test.centripetal / bend)), top)
    step = np.diff(xy, axis=0, prepend=xy[:1])
    chord = np.hypot(step[:, 0], step[:, 1])
    length = chord.copy()
    turning = bend > 0.0
    length[turning] = 2.0 / bend[turning] * _half_angle(chord[turning], bend[turning])
    limit = top.copy()
    limit[0] = limit[-1] = 0.0
    ends = np.cumsum(counts)
    for k in range(len(strokes) - 1):
        if strokes[k].shape == "travel" or strokes[k + 1].shape == "travel":
            limit[ends[k] - 1] = limit[ends[k]] = 0.0
    _limit_corners(limit, step, length, test.corner_speed_change)
    speed = _look_ahead(limit, length, test.acceleration)
    before = np.concatenate([[0.0], speed[:-1]])
    with np.errstate(divide="ignore", invalid="ignore"):
        along = np.where(length[:, None] > 0.0, step / chord[:, None], 0.0)
    return _Course(xy, counts, step, chord, length, bend, top, along, before, speed)


def _turn(stroke: Stroke) -> float:
    """1 where the samples of an arc turn to the left, -1 where they turn to the right."""
    chord = np.diff(stroke.xy, axis=0)
    turned = chord[:-1, 0] * chord[1:, 1] - chord[:-1, 1] * chord[1:, 0]
    return 1.0 if turned.sum() > 0.0 else -1.0


def _arc_centre(stroke: Stroke) -> np.ndarray:
    """Centre of the arc on which the samples of a stroke lie, mm."""
    xy = stroke.xy
    if (xy[0] == xy[-1]).all():
        return np.asarray(0.5 * (xy.min(axis=0) + xy.max(axis=0)))
    halves = 0.5 * np.diff(xy, axis=0)
    longest = int(np.argmax(np.hypot(halves[:, 0], halves[:, 1])))
    half = halves[longest]
    across = np.array([-half[1], half[0]]) / math.hypot(*half)
    rise = math.sqrt(max(stroke.size**2 - half @ half, 0.0))
    return np.asarray(xy[longest] + half + _turn(stroke) * rise * across)


def _half_angle(chord: np.ndarray, bend: np.ndarray) -> np.ndarray:
    """Half the angle under which a chord is seen from the centre of its arc, rad."""
    return np.asarray(np.arcsin(np.minimum(0.5 * chord * np.abs(bend), 1.0)))


def plan(test: Limits, strokes: tuple[Stroke, ...]) -> Motion:
    """Plan the speed along the strokes of a test.

    ``test``: for acceleration, centripetal limit and corner rule.  ``strokes``: from
    ``test.strokes(step)``.  Returns: one sample for each sample of the strokes, in order.

    The machine stops wherever the beam is switched: between a travel move and a ring.
    Passes of one ring follow each other without a stop; a closed curve runs on, a square
    slows to its corner speed.
    """
    course = _course(test, strokes)
    xy, along, speed, before = course.xy, course.along, course.speed, course.before
    length = course.length
    dt = segment_time(before, speed, length, course.top, test.acceleration)
    with np.errstate(divide="ignore", invalid="ignore"):
        rise = np.where(length > 0.0, (speed**2 - before**2) / (2.0 * length), 0.0)
    inward = np.zeros_like(xy)
    first = 0
    for stroke, count in zip(strokes, course.counts, strict=True):
        if stroke.shape in ARCS:
            cut = slice(first, first + count)
            inward[cut] = (_arc_centre(stroke) - xy[cut]) / stroke.size
        first += count
    acceleration = rise[:, None] * along + (speed**2 * course.bend)[:, None] * inward
    jump = _jumps(speed, course.step, course.chord)
    return Motion(xy, dt, speed, speed[:, None] * along, acceleration, jump)


def _corners(step: np.ndarray, length: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """First and last sample of each corner, and the angle by which the path turns there."""
    moving = np.flatnonzero(length > 0.0)
    a, b = step[moving[:-1]], step[moving[1:]]
    turn = np.abs(np.arctan2(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0], np.sum(a * b, axis=1)))
    sharp = np.flatnonzero(turn > CORNER_ANGLE)
    return moving[sharp], moving[sharp + 1], turn[sharp]


def _jumps(speed: np.ndarray, step: np.ndarray, length: np.ndarray) -> np.ndarray:
    """Sudden changes of velocity at the corners, mm/s."""
    jump = np.zeros_like(step)
    last, after, _ = _corners(step, length)
    out = step[after] / length[after, None] - step[last] / length[last, None]
    jump[last] = speed[last, None] * out
    return jump


def _limit_corners(limit: np.ndarray, step: np.ndarray, length: np.ndarray, change: float) -> None:
    """Lower the speed limit at corners, in place; zero-length segments join strokes."""
    for last, after, turn in zip(*_corners(step, length), strict=True):
        here = corner_speed(change, float(turn))
        limit[last:after] = np.minimum(limit[last:after], here)


# --- between the samples ---------------------------------------------------------------------

#: Columns of a timeline's pieces: start time (s), place (mm), unit direction, curvature (1/mm,
#: positive to the left), speed (mm/s), acceleration along the path (mm/s^2).
PIECE = ("time", "x", "y", "along_x", "along_y", "bend", "speed", "rise")


@dataclass(frozen=True, eq=False)
class Timeline:
    """A commanded motion at every instant.

    Parameters
    ----------
    pieces : ndarray, shape (m, 8)
        Pieces of straight line or arc, each driven at constant acceleration along the path; the
        columns are those of `PIECE`.  The last one stands still.
    arrival : ndarray, shape (n,)
        When each sample is reached, s.
    """

    pieces: np.ndarray
    arrival: np.ndarray

    @property
    def duration(self) -> float:
        """Time for the whole motion, s."""
        return float(self.pieces[-1, 0])

    def places(self, times: np.ndarray) -> np.ndarray:
        """Commanded places at some times.

        ``times``: ascending, s; shape (n,).  Returns: mm; shape (n, 2).
        """
        times = np.ascontiguousarray(times, dtype=float)
        return np.column_stack([_places(self.pieces, times, axis) for axis in (0, 1)])


@kernel
def piece_at(pieces: np.ndarray, piece: int, time: float) -> int:
    """Index of the piece that is under way at a time (s), looked for from ``piece`` on."""
    while piece + 1 < pieces.shape[0] and pieces[piece + 1, 0] <= time:
        piece += 1
    return piece


@kernel
def place_at(pieces: np.ndarray, piece: int, time: float, axis: int) -> float:
    """Commanded place on one axis at a time (s) within a piece, mm."""
    p = pieces[piece]
    t = time - p[0]
    s = p[6] * t + 0.5 * p[7] * t * t
    if p[5] == 0.0:
        return p[1 + axis] + p[3 + axis] * s
    turn = p[5] * s
    left = -p[4] if axis == 0 else p[3]
    half = math.sin(0.5 * turn)  # 1 - cos = 2 sin^2: no cancellation
    return p[1 + axis] + (p[3 + axis] * math.sin(turn) + left * 2.0 * half * half) / p[5]


@kernel
def _places(pieces: np.ndarray, times: np.ndarray, axis: int) -> np.ndarray:
    out = np.empty(times.size)
    piece = 0
    for n in range(times.size):
        piece = piece_at(pieces, piece, times[n])
        out[n] = place_at(pieces, piece, times[n], axis)
    return out


def timeline(test: Limits, strokes: tuple[Stroke, ...]) -> Timeline:
    """Plan the motion along the strokes of a test at every instant.

    ``test``: for acceleration, centripetal limit and corner rule.  ``strokes``: from
    ``test.strokes(step)``.  Returns: the motion of `plan`, with circles as true arcs: chords would
    shake the machine at speed / step.
    """
    c = _course(test, strokes)
    a = test.acceleration
    peak, cruise = _trapezoid(c.before, c.speed, c.length, c.top, a)
    moving = c.length > 0.0
    with np.errstate(divide="ignore", invalid="ignore"):
        cruising = np.where(cruise > 0.0, cruise / peak, 0.0)
    spent = np.column_stack([(peak - c.before) / a, cruising, (peak - c.speed) / a])
    spent[~moving] = 0.0
    starts = np.cumsum(spent).reshape(spent.shape) - spent
    up = (peak**2 - c.before**2) / (2.0 * a)
    gone = np.column_stack([np.zeros_like(up), up, up + cruise])
    begin = np.concatenate([c.xy[:1], c.xy[:-1]])
    bend = _signed_bend(strokes, c)
    along = _turned(c.along, -np.sign(bend) * _half_angle(c.chord, bend))
    rows = []
    for part, (speed, rise) in enumerate(((c.before, a), (peak, 0.0), (peak, -a))):
        here = begin + _run(along, bend, gone[:, part])
        toward = _turned(along, bend * gone[:, part])
        rise_all = np.full_like(speed, rise)
        rows.append(np.column_stack([starts[:, part], here, toward, bend, speed, rise_all]))
    pieces = np.stack(rows, axis=1).reshape(-1, len(PIECE))[spent.ravel() > 0.0]
    arrival = np.cumsum(spent.sum(axis=1))
    return Timeline(_closed(pieces, float(arrival[-1]), c.xy[-1]), arrival)


def sampled(times: np.ndarray, xy: np.ndarray) -> Timeline:
    """Return the motion through given places at given times, at constant speed between them.

    ``times``: shape (n,); ascending from 0, s.  Where two are equal the command jumps.  ``xy``:
    places, mm; shape (n, 2).  ValueError if the times do not ascend from 0 or the shapes do not
    fit.
    """
    times, xy = np.asarray(times, dtype=float), np.asarray(xy, dtype=float)
    if times.ndim != 1 or times.size < 2 or xy.shape != (times.size, 2):
        raise ValueError(
            f"times and places must have shapes (n,) and (n, 2) with two samples or more; "
            f"found {times.shape} and {xy.shape}."
        )
    spent = np.diff(times)
    if times[0] != 0.0 or not (spent >= 0.0).all():
        raise ValueError("times must ascend from 0 s and be finite.")
    step = np.diff(xy, axis=0)
    length = np.hypot(step[:, 0], step[:, 1])
    with np.errstate(divide="ignore", invalid="ignore"):
        along = np.where(length[:, None] > 0.0, step / length[:, None], 0.0)
        speed = np.where(spent > 0.0, length / spent, 0.0)
    none = np.zeros_like(spent)
    pieces = np.column_stack([times[:-1], xy[:-1], along, none, speed, none])
    return Timeline(_closed(pieces, float(times[-1]), xy[-1]), times)


def _closed(pieces: np.ndarray, end: float, last: np.ndarray) -> np.ndarray:
    """Pieces with a last one that stands still."""
    still = np.array([[end, *last, 0.0, 0.0, 0.0, 0.0, 0.0]])
    return np.ascontiguousarray(np.concatenate([pieces, still]))


def _signed_bend(strokes: tuple[Stroke, ...], c: _Course) -> np.ndarray:
    """Curvature of each segment, 1/mm, positive where the path turns left."""
    return c.bend * np.repeat([_turn(s) if s.shape in ARCS else 1.0 for s in strokes], c.counts)


def _turned(along: np.ndarray, angle: np.ndarray) -> np.ndarray:
    """Directions turned to the left by an angle each, rad."""
    cos, sin = np.cos(angle), np.sin(angle)
    return np.column_stack(
        [along[:, 0] * cos - along[:, 1] * sin, along[:, 0] * sin + along[:, 1] * cos]
    )


def _run(along: np.ndarray, bend: np.ndarray, s: np.ndarray) -> np.ndarray:
    """Way from the start of each segment to a length s along it, mm."""
    straight = np.where(bend == 0.0, 1.0, bend)
    turn = bend * s
    forward = np.where(bend == 0.0, s, np.sin(turn) / straight)
    left = np.where(bend == 0.0, 0.0, 2.0 * np.sin(0.5 * turn) ** 2 / straight)
    across = np.column_stack([-along[:, 1], along[:, 0]])
    return np.asarray(forward[:, None] * along + left[:, None] * across)
