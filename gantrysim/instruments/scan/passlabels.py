"""From traced runs to named lines: which pass drew which of two lines beside each other.

The first pass of a ring begins out of the travel move, every later one where the one before ended.
What comes back to the start is one line for all passes, and every pass but the first goes on along
it: of two lines that part at the start, the one that continues the line before the start belongs
to the later passes, the other to the first.  With three or more passes the line drawn once is also
the paler one.  Where neither tells, the mean of both counts for all passes together.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from gantrysim.instruments.scan.traced import Traced
from gantrysim.instruments.stations import pivot_of
from gantrysim.pattern.ringtest import Line, RingTest
from gantrysim.records.arrays import Array, gathered

_AT_START = 4.0  # mm behind the start within which two lines that part there must be seen
_BEFORE = 4.0  # mm before the start from which the line is continued
_PALER = 0.8  # part of the other's height


@dataclass(frozen=True, eq=False)
class Reading:
    """A named line and the standard uncertainty of its points, mm, shape (n,)."""

    line: Line
    u: Array


def readings_of(
    test: RingTest, traced: Sequence[Traced], xy: Sequence[Array], normals: Sequence[Array]
) -> list[Reading]:
    """Name the points of all runs.

    ``test``: what was commanded.  ``traced``: runs, those of one ring together.  ``xy``: their
    points, mm; nan where nothing was read; shape (n, 2).  ``normals``: directions across the lines;
    shape (n, 2).  Returns: for each ring the line of all passes, then those of the passes told
    apart.
    """
    rings = gathered((each.run.key, i) for i, each in enumerate(traced))
    readings = []
    for (shape, ring), members in rings.items():
        parts = (part for i in members for part in _split(test, traced[i], xy[i], normals[i]))
        passes = gathered((pass_index, (points, u)) for pass_index, points, u in parts)
        size = test.nest(shape).sizes[ring]
        for pass_index in sorted(passes):
            points, us = (np.concatenate(part) for part in zip(*passes[pass_index], strict=True))
            if len(points):
                readings.append(Reading(Line(shape, ring, size, pass_index, points), us))
    return readings


def _split(
    test: RingTest, traced: Traced, xy: Array, normals: Array
) -> list[tuple[int, Array, Array]]:
    """Points of a run by pass; -1 where passes are not told apart."""
    run = traced.run
    seen = np.isfinite(xy[:, 0])
    single = seen.copy()
    every = 0 if run.passes == 1 else -1
    later: dict[int, bool] = _later_is_outer(test, traced)
    extra: list[tuple[int, tuple[Array, float]]] = []
    for k, double in traced.doubles.items():
        if not seen[k]:
            continue
        single[k] = False
        u = max(double.u, float(traced.u[k]))
        at = xy[k] - traced.off[k] * normals[k]
        inner, outer = at + double.inner * normals[k], at + double.outer * normals[k]
        if k in later:
            first, second = (inner, outer) if later[k] else (outer, inner)
            extra += [(0, (first, u)), (1, (second, u))]
        elif run.passes == 2:
            extra.append((every, (0.5 * (inner + outer), u)))
        # of three passes or more the mean of two lines is not the mean of the passes: left out
    out = [(every, xy[single], traced.u[single])]
    for pass_index, read in gathered(extra).items():
        places, us = zip(*read, strict=True)
        out.append((pass_index, np.array(places), np.array(us)))
    return out


def _later_is_outer(test: RingTest, traced: Traced) -> dict[int, bool]:
    """For stations whose lines are told apart: whether the outer one is that of later passes."""
    apart = sorted(k for k, double in traced.doubles.items() if double.apart)
    told: dict[int, bool] = {}
    for stretch in _stretches(apart, len(traced.off), traced.run.closed):
        answer = _by_start(test, traced, stretch)
        if answer is None and traced.run.passes > 2:
            answer = _by_height(traced, stretch)
        if answer is not None:
            told.update(dict.fromkeys(stretch, answer))
    return told


def _stretches(stations: list[int], n: int, closed: bool) -> list[list[int]]:
    """Stations in stretches that at most one missing station interrupts."""
    if not stations:
        return []
    parts = [[stations[0]]]
    for k in stations[1:]:
        if k - parts[-1][-1] <= 2:
            parts[-1].append(k)
        else:
            parts.append([k])
    if closed and len(parts) > 1 and parts[0][0] + n - parts[-1][-1] <= 2:
        parts[0] = parts.pop() + parts[0]
    return parts


def _by_height(traced: Traced, stretch: list[int]) -> bool | None:
    heights = np.median([traced.doubles[k].heights for k in stretch], axis=0)
    if heights[0] < _PALER * heights[1]:
        return True
    if heights[1] < _PALER * heights[0]:
        return False
    return None


def _by_start(test: RingTest, traced: Traced, stretch: list[int]) -> bool | None:
    """Which line continues the one before the start; None where the start is elsewhere."""
    run = traced.run
    nest = test.nest(run.shape)
    start = math.radians(nest.start_deg)
    ray = np.array((math.cos(start), math.sin(start)))
    forward = 1 if nest.direction == "ccw" else -1
    local = run.place - np.asarray(nest.centre) + pivot_of(test)
    n = len(local)
    if run.closed:
        at = (start % (2.0 * math.pi)) / (2.0 * math.pi) * n - 0.5
    else:
        reach = float(np.abs(ray).max())
        place = ray / reach * run.size
        if abs(float(place @ run.normal[0]) - run.size) > 1e-6:
            return None
        tangent = np.array((-run.normal[0, 1], run.normal[0, 0]))
        at = (float(place @ tangent) - float(local[0] @ tangent)) / run.step
        if not -1.0 < at < n:
            return None
    far = [_ahead(k, at, forward, n, run.closed) * run.step for k in stretch]
    nearest = min(far)
    if nearest > _AT_START:
        return None
    before = [
        traced.off[k]
        for k in range(n)
        if 0.0 < _ahead(k, at, -forward, n, run.closed) * run.step < _BEFORE
        and np.isfinite(traced.off[k])
        and k not in traced.doubles
    ]
    if len(before) < 2:
        return None
    level = float(np.median(before))
    near = [k for k, f in zip(stretch, far, strict=True) if f <= nearest + 2.0]
    inner = float(np.median([abs(traced.doubles[k].inner - level) for k in near]))
    outer = float(np.median([abs(traced.doubles[k].outer - level) for k in near]))
    if min(inner, outer) > 0.5 * max(inner, outer):
        return None
    return outer < inner


def _ahead(k: int, at: float, forward: int, n: int, closed: bool) -> float:
    """Stations from the start to station k, going one way; infinite the other way."""
    steps = (k - at) * forward
    if closed:
        return steps % n
    return steps if steps >= 0.0 else math.inf
