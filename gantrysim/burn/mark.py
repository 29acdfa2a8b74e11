"""The mark that a burn leaves: dose from power and local speed, and the width it marks.

A focused beam heats a round spot whose intensity falls as a Gaussian, I = 2 P / (pi w^2)
exp(-2 r^2 / w^2), with w the radius at 1/e^2 (the definition of ISO 11146).  What lies on the
wood is the time integral of that spot along its path, so whatever slows the spot darkens the
line: starts and stops, corners, and the moments at a reversal when the command already runs but
the head still sticks.  Overlapping passes add up.

Doses are J/mm^2, power W, lengths mm, speeds mm/s.

An open beam burns skin and eyes, sets wood alight and makes fumes.  A test is drawn under the
maker's manual and local rules, behind the guards they ask for, and never unattended; everything
in this library can be drawn with a pen instead.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from gantrysim.mechanics.planner import plan
from gantrysim.pattern.ringtest import Line, RingTest, Stroke
from gantrysim.records.checks import finite_number
from gantrysim.records.compiled import kernel

_REACH = 2.2  # spot radii: 1e-5 of a line's dose lies further out
_EVEN = 0.05  # a segment whose speed changes by less than this part is exposed in one piece


def line_dose(power: float, speed: float, radius: float, offset: float = 0.0) -> float:
    """Dose beside a long straight line drawn at one speed, J/mm^2.

    ``power``: of the beam, W.  ``speed``: of the spot, mm/s.  ``radius``: of the spot at 1/e^2 of
    its peak intensity, mm.  ``offset``: distance from the middle of the line, mm.

    H(y) = sqrt(2/pi) P / (w v) exp(-2 y^2 / w^2), the Gaussian spot integrated along its path.
    """
    peak = math.sqrt(2.0 / math.pi) * power / (radius * speed)
    return peak * math.exp(-2.0 * (offset / radius) ** 2)


def marked_width(peak: float, threshold: float, radius: float) -> float:
    """Full width over which a Gaussian line exceeds a dose, mm; 0 if it never does.

    ``peak``, ``threshold``: dose in the middle of the line, and least dose that marks, J/mm^2.
    ``radius``: of the spot at 1/e^2, mm.

    w sqrt(2 ln(H0 / Hth)): the width grows with the logarithm of power over speed only.
    """
    return radius * math.sqrt(2.0 * math.log(peak / threshold)) if peak > threshold else 0.0


@dataclass(frozen=True, eq=False)
class Exposure:
    """Path of the spot with the beam on, in straight segments, and the time each one took.

    Parameters
    ----------
    ends : ndarray, shape (n, 4)
        x and y of both ends of each segment on the bed, mm.
    length : ndarray, shape (n,)
        Its length as commanded, mm; the spot itself may have stood still.
    speed : ndarray, shape (n, 3)
        Commanded speed at its start, highest on the way, and at its end, mm/s.
    time : ndarray, shape (n,)
        Time that it took, s.
    acceleration : float
        Along the path, mm/s^2.
    feed : float
        Speed at which the beam has its full power where it is scaled with the speed, mm/s.
    """

    ends: np.ndarray
    length: np.ndarray
    speed: np.ndarray
    time: np.ndarray
    acceleration: float
    feed: float


def exposure(test: RingTest, lines: Sequence[Line], commanded: Sequence[np.ndarray]) -> Exposure:
    """Put the planned time of a test to burned lines.

    ``test``: for feed, acceleration and corner rule.  ``lines``: burned lines in drawing order, mm.
    ``commanded``: where the same samples were commanded, mm; shape (n, 2) each.  Returns: with the
    speeds of `gantrysim.mechanics.planner.plan`, however slow the burn itself was reckoned.
    """
    strokes: list[Stroke] = []
    for line, wanted in zip(lines, commanded, strict=True):
        if strokes and np.any(strokes[-1].xy[-1] != wanted[0]):
            way = np.array([strokes[-1].xy[-1], wanted[0]])
            strokes.append(Stroke("travel", -1, 0.0, -1, way, test.travel_speed))
        strokes.append(Stroke(line.shape, line.ring, line.size, line.pass_index, wanted, test.feed))
    motion = plan(test, tuple(strokes))
    drawn = [(s.xy if s.shape == "travel" else None) for s in strokes]
    burned = iter(lines)
    spot = np.concatenate([next(burned).xy if xy is None else xy for xy in drawn])
    beam_on = np.concatenate(
        [np.r_[False, np.full(len(s.xy) - 1, s.shape != "travel")] for s in strokes]
    )
    moves = np.flatnonzero(beam_on & (motion.dt > 0.0))
    before, after, time = motion.speed[moves - 1], motion.speed[moves], motion.dt[moves]
    length = np.hypot(*(motion.xy[moves] - motion.xy[moves - 1]).T)
    return Exposure(
        ends=np.hstack([spot[moves - 1], spot[moves]]),
        length=length,
        speed=np.column_stack(
            [before, _peak(before, after, length, time, test.acceleration), after]
        ),
        time=time,
        acceleration=test.acceleration,
        feed=test.feed,
    )


def _peak(
    before: np.ndarray, after: np.ndarray, length: np.ndarray, time: np.ndarray, rate: float
) -> np.ndarray:
    """Highest speed of a trapezoid that takes this time over this length, mm/s.

    The time (2 v - v1 - v2) / a + (S - (2 v^2 - v1^2 - v2^2) / (2 a)) / v solved for v; the
    smaller root is the one that cruises forward.
    """
    half = 0.5 * (rate * time + before + after)
    product = rate * length + 0.5 * (before**2 + after**2)
    # the smaller root as product over the larger one: a difference of near equals would be noise
    larger = half + np.sqrt(np.maximum(half * half - product, 0.0))
    return np.maximum(product / larger, np.maximum(before, after))


def dose_map(
    path: Exposure,
    *,
    left: float,
    top: float,
    step: float,
    shape: tuple[int, int],
    power: float,
    radius: float,
    scaled: bool = False,
) -> np.ndarray:
    """Dose on a grid of points, J/mm^2.

    ``path``: from `exposure`.  ``left``, ``top``: upper left corner of the grid, mm; its first
    point lies half a step inside.  ``step``: from point to point, mm.  ``shape``: rows (downward)
    and columns.  ``power``, ``radius``, ``scaled``: as in `gantrysim.burn.image.mark_image`; W, mm.
    Returns: shape (rows, columns).
    """
    left, top = finite_number(left, "left"), finite_number(top, "top")
    dose = np.zeros(shape)
    bottom = top - shape[0] * step
    y = path.ends[:, 1::2]
    reach = _REACH * radius
    near = np.flatnonzero((y.max(axis=1) > bottom - reach) & (y.min(axis=1) < top + reach))
    _expose(
        path.ends, path.length, path.speed, path.time, near, path.acceleration,
        power / path.feed if scaled else 0.0, power, radius, left, top, step, dose,
    )  # fmt: skip
    return dose


@kernel
def _expose(
    ends: np.ndarray, length: np.ndarray, speed: np.ndarray, time: np.ndarray,
    near: np.ndarray, rate: float, per_length: float, power: float, radius: float, left: float,
    top: float, step: float, dose: np.ndarray,
) -> None:  # fmt: skip
    """Add the dose of every segment, cut into pieces where the speed changes on the way."""
    for k in near:
        v1, vp, v2 = speed[k]
        x, y = ends[k, 0], ends[k, 1]
        dx, dy = ends[k, 2] - x, ends[k, 3] - y
        pieces = 1
        if per_length == 0.0 and min(v1, v2) < (1.0 - _EVEN) * vp:
            pieces = max(1, math.ceil(12.0 * length[k] / radius))
        # a chord is a hair shorter than the arc that was timed: the time has the last word
        strength = power * time[k] / _time_at(length[k], length[k], v1, vp, v2, rate)
        before = 0.0
        for i in range(pieces):
            s = length[k] * (i + 1) / pieces
            if per_length > 0.0:
                energy = per_length * length[k] / pieces
            else:
                now = _time_at(s, length[k], v1, vp, v2, rate)
                energy = strength * (now - before)
                before = now
            a, b = i / pieces, (i + 1) / pieces
            _splat(
                x + a * dx, y + a * dy, x + b * dx, y + b * dy, energy, radius, left, top, step,
                dose,
            )  # fmt: skip


@kernel
def _time_at(s: float, length: float, v1: float, vp: float, v2: float, rate: float) -> float:
    """Time since the start of a trapezoid when it has come this far, s."""
    up = (vp * vp - v1 * v1) / (2.0 * rate)
    down = max(length - (vp * vp - v2 * v2) / (2.0 * rate), up)
    if s <= up:
        return (math.sqrt(v1 * v1 + 2.0 * rate * s) - v1) / rate
    time = (vp - v1) / rate + (min(s, down) - up) / vp
    if s > down:
        time += (vp - math.sqrt(max(vp * vp - 2.0 * rate * (s - down), 0.0))) / rate
    return time


@kernel
def _splat(
    x0: float, y0: float, x1: float, y1: float, energy: float, w: float,
    left: float, top: float, step: float, dose: np.ndarray,
) -> None:  # fmt: skip
    """Add the dose of one piece passed at one speed, or of a spot that stands still."""
    reach = _REACH * w
    rows, columns = dose.shape
    r0 = max(0, math.floor((top - max(y0, y1) - reach) / step))
    r1 = min(rows, math.ceil((top - min(y0, y1) + reach) / step))
    c0 = max(0, math.floor((min(x0, x1) - reach - left) / step))
    c1 = min(columns, math.ceil((max(x0, x1) + reach - left) / step))
    far = math.hypot(x1 - x0, y1 - y0)
    still = far < 1e-3 * w
    ux, uy = (1.0, 0.0) if still else ((x1 - x0) / far, (y1 - y0) / far)
    sharp = math.sqrt(2.0) / w
    if still:
        scale = energy * 2.0 / (math.pi * w * w)
    else:
        scale = 0.5 * energy / far * math.sqrt(2.0 / math.pi) / w
    for r in range(r0, r1):
        py = top - (r + 0.5) * step - y0
        for c in range(c0, c1):
            px = left + (c + 0.5) * step - x0
            across = px * uy - py * ux
            along = px * ux + py * uy
            if abs(across) > reach or along < -reach or along > far + reach:
                continue
            value = scale * math.exp(-2.0 * across * across / (w * w))
            if still:
                value *= math.exp(-2.0 * along * along / (w * w))
            else:
                value *= math.erf(sharp * along) + math.erf(sharp * (far - along))
            dose[r, c] += value
