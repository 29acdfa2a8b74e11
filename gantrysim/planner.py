"""Speed along the path: when the machine is where, and how hard it accelerates.

Trapezoidal planning with a look-ahead over each chain of strokes that is drawn without a
stop: speed is limited by the feed, by the centripetal acceleration on circles and by the
speed change allowed at a corner, and rises and falls at the commanded acceleration.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numba import njit

from gantrysim.paths import RingTest, Stroke

#: Turns sharper than this are corners; gentler ones are samples of a curve, rad.
CORNER_ANGLE = 0.2


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


def slow(xy: np.ndarray) -> Motion:
    """Return a motion through these positions, mm, in the slow limit: no time passes."""
    none = np.zeros(len(xy))
    still = np.zeros(xy.shape, order="F")  # its columns are taken one by one
    return Motion(xy=xy, dt=none, speed=none, velocity=still, acceleration=still, jump=still)


def corner_speed(change: float, turn: float) -> float:
    """Speed through a corner at which the velocity jumps by no more than ``change``, mm/s.

    Parameters
    ----------
    change : float
        Allowed change of the velocity vector, mm/s.
    turn : float
        Angle by which the path turns, rad (pi/2 at the corner of a square).

    Notes
    -----
    The jump at speed v is 2 v sin(turn / 2) (isosceles triangle of the two velocities).
    """
    return change / (2.0 * math.sin(turn / 2.0))


@njit(cache=True, nogil=True)
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
    """Time over straight segments from one speed to another, s.

    Parameters
    ----------
    before, after : ndarray
        Speeds at both ends, mm/s.
    length : ndarray
        Lengths, mm.
    top : ndarray
        Highest speed allowed on the way, mm/s.
    acceleration : float
        mm/s^2.

    Notes
    -----
    Up to v_p = min(top, sqrt((v1^2 + v2^2)/2 + a S)), cruise, down: the trapezoid of every
    motion text.
    """
    peak = np.sqrt(0.5 * (before**2 + after**2) + acceleration * length)
    peak = np.maximum(np.minimum(peak, top), np.maximum(before, after))
    ramps = (2.0 * peak**2 - before**2 - after**2) / (2.0 * acceleration)
    cruise = np.maximum(length - ramps, 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        time = (2.0 * peak - before - after) / acceleration + np.where(
            cruise > 0.0, cruise / peak, 0.0
        )
    return np.asarray(time)


def plan(test: RingTest, strokes: tuple[Stroke, ...]) -> Motion:
    """Plan the speed along the strokes of a test.

    Parameters
    ----------
    test : RingTest
        For acceleration, centripetal limit and corner rule.
    strokes : tuple of Stroke
        From ``test.strokes(step)``.

    Returns
    -------
    Motion
        One sample for each sample of the strokes, in order.

    Notes
    -----
    The machine stops wherever the beam is switched: between a travel move and a ring.
    Passes of one ring follow each other without a stop; a closed curve runs on, a square
    slows to its corner speed.
    """
    xy = np.concatenate([s.xy for s in strokes])
    counts = [len(s.xy) for s in strokes]
    top = np.repeat([s.speed for s in strokes], counts)
    bend = np.repeat([1.0 / s.size if s.shape == "circle" else 0.0 for s in strokes], counts)
    with np.errstate(divide="ignore"):
        top = np.where(bend > 0.0, np.minimum(top, np.sqrt(test.centripetal / bend)), top)
    step = np.diff(xy, axis=0, prepend=xy[:1])
    length = np.hypot(step[:, 0], step[:, 1])
    limit = top.copy()
    limit[0] = limit[-1] = 0.0
    ends = np.cumsum(counts)
    for k in range(len(strokes) - 1):
        if strokes[k].shape == "travel" or strokes[k + 1].shape == "travel":
            limit[ends[k] - 1] = limit[ends[k]] = 0.0
    _limit_corners(limit, step, length, test.corner_speed_change)
    speed = _look_ahead(limit, length, test.acceleration)
    before = np.concatenate([[0.0], speed[:-1]])
    dt = segment_time(before, speed, length, top, test.acceleration)
    with np.errstate(divide="ignore", invalid="ignore"):
        along = np.where(length[:, None] > 0.0, step / length[:, None], 0.0)
        rise = np.where(length > 0.0, (speed**2 - before**2) / (2.0 * length), 0.0)
    inward = np.zeros_like(xy)
    first = 0
    for stroke, count in zip(strokes, counts, strict=True):
        if stroke.shape == "circle":
            cut = slice(first, first + count)
            centre = 0.5 * (xy[cut].min(axis=0) + xy[cut].max(axis=0))
            inward[cut] = (centre - xy[cut]) / stroke.size
        first += count
    acceleration = rise[:, None] * along + (speed**2 * bend)[:, None] * inward
    return Motion(
        xy=xy, dt=dt, speed=speed, velocity=speed[:, None] * along, acceleration=acceleration,
        jump=_jumps(speed, step, length),
    )  # fmt: skip


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
