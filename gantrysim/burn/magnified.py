"""Lines with their error drawn larger: which commanded place a burned one answers to.

The error of a moment is the wrong thing to magnify.  At a corner of a square the command runs on
along the new side while the spot stands still, until the belt is wound up; on wood that is a
darker dot.  Magnified against the command of the same moment it would be a spike that no machine
ever burned.  So on a straight side a burned place answers to the commanded one that lies as far
along the side, from corner to corner, and only the burned line is left.
"""

from __future__ import annotations

import itertools

import numpy as np

from gantrysim.pattern.ringtest import Line
from gantrysim.pattern.shapes import shape_of
from gantrysim.records.arrays import Array

_STRAIGHT = 1e-6  # rad: a side bends by less from sample to sample, which is rounding
_STILL = 1e-9  # mm: a shorter way has no direction
_LEAST = 0.05  # of a side; where the spot goes less far along it there is nothing to stretch


def counterparts(commanded: Array, burned: Array) -> Array:
    """Commanded places that burned ones answer to, mm, shape (n, 2).

    ``commanded``, ``burned``: places sample by sample, mm, shape (n, 2) each.  On a curve a place
    answers to the command of its own sample; on a straight side to the place that is as far along
    it, from where the spot was when the side began to where it was when the side ended.
    """
    found = np.array(commanded, dtype=float)
    ends = _ends_of_sides(found)
    for first, last in itertools.pairwise(ends):
        if last - first < 2:
            continue
        side = commanded[last] - commanded[first]
        gone = (burned[first : last + 1] - burned[first]) @ side / (side @ side)
        if gone[-1] > _LEAST:
            found[first : last + 1] = commanded[first] + (gone / gone[-1])[:, None] * side
    return found


def magnified(commanded: Array, burned: Array, factor: float) -> Array:
    """A burned line with its error drawn larger by a factor, mm, shape (n, 2)."""
    base = counterparts(commanded, burned)
    return np.asarray(base + factor * (burned - base))


def magnified_points(line: Line, factor: float) -> Array:
    """Measured points of a ring about its centre with their error drawn larger, mm, shape (n, 2).

    A point of a square answers to the place as far along its side, between the sides across as
    they were measured; any other to the nearest place of the outline.
    """
    base = point_counterparts(line)
    return np.asarray(base + factor * (line.xy - base))


def point_counterparts(line: Line) -> Array:
    """Commanded places that measured points of a ring answer to, mm about its centre, (n, 2)."""
    shape = shape_of(line.shape)
    base = shape.nearest(line.xy, line.size)
    if not shape.has_corners:
        return base
    normal = shape.normal(line.xy)
    ends = np.empty((2, 2))  # by axis: where the sides across were measured, low and high
    for axis in (0, 1):
        for k, sign in enumerate((-1.0, 1.0)):
            own = line.xy[normal[:, axis] == sign, axis]
            ends[axis, k] = np.median(own) if own.size else sign * line.size
        across = normal[:, axis] == 0.0
        low, high = ends[axis]
        part = (line.xy[across, axis] - low) / (high - low)
        base[across, axis] = line.size * (2.0 * part - 1.0)
    return base


def _ends_of_sides(line: Array) -> list[int]:
    """Samples where a line begins, turns and ends."""
    step = np.diff(line, axis=0)
    moved = np.flatnonzero(np.hypot(*step.T) > _STILL)
    if not moved.size:
        return [0]
    way = step[moved] / np.hypot(*step[moved].T)[:, None]
    cross = way[:-1, 0] * way[1:, 1] - way[:-1, 1] * way[1:, 0]
    turns = (np.abs(cross) > _STRAIGHT) | (np.sum(way[:-1] * way[1:], axis=1) < 0.0)
    return [0, *moved[1:][turns].tolist(), len(line) - 1]
