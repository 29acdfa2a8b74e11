"""Where the passes of a ring part: two lines beside each other, or one that is broader.

A stretch whose misfit is large is fitted with two lines whose inks do not add where they overlap.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gantrysim.instruments.scan.ridges import Fitted, Profile, Strip
from gantrysim.records.arrays import Array

APART = 0.9  # of the width of the line: nearer lines are not told apart
_BROADER = 0.3  # of its width: below, the line counts as one
_LEAST_GAIN = 0.5  # of the misfit must go when two lines are fitted for one
_LOW = 0.3  # of the usual height: less is no second line


@dataclass(frozen=True)
class Double:
    """Two lines read at one station.

    Parameters
    ----------
    inner, outer : float
        Their distances from the station along its normal, mm; inner is the lesser.
    heights : (float, float)
        Their heights as part of the usual one.
    apart : bool
        Whether they can be told apart; else only their mean counts.
    u : float
        Standard uncertainty of each, mm.
    """

    inner: float
    outer: float
    heights: tuple[float, float]
    apart: bool
    u: float


def suspected(fit: Fitted, parts: int, rough: float) -> list[int]:
    """Points at which the fit of one line leaves much.

    ``fit``: fits of a run.  ``parts``: stations that make one point.  ``rough``: misfit, as part of
    the height, that is much.
    """
    seen = np.isfinite(fit.rough).reshape(-1, parts)
    bad = (np.where(np.isfinite(fit.rough), fit.rough, 0.0) > rough).reshape(-1, parts)
    most = (bad.sum(axis=1) >= 0.5 * parts) & (seen.sum(axis=1) >= 0.5 * parts)
    # passes part over a stretch: a single odd point is a smudge or the start of the ring
    beside = np.convolve(most, (1, 1, 1), "same") >= 2
    return np.flatnonzero(most & beside).tolist()


def together(doubles: dict[int, Double]) -> dict[int, Double]:
    """Those that have another within two points: passes do not part at a single place."""
    near = {k for k in doubles if any(k + i in doubles for i in (-2, -1, 1, 2))}
    return {k: double for k, double in doubles.items() if k in near}


def two_lines(
    strip: Strip, way: Array, free: NDArray[np.bool_], profile: Profile, usual: float, reach: float
) -> Double | None:
    """Fit two lines to the pixels of one point; None where one line does as well.

    ``strip``: pixels of a short stretch.  ``way``: distance of the line followed from its stations,
    mm; shape (n,).  ``free``: pixels that no other line covers; shape (n, m).  ``profile``:
    cross-section of one line.  ``usual``: height of a usual line, grey levels.  ``reach``: most
    that the two lie apart, mm.
    """
    off = strip.off(way)
    edge = min(strip.reach, 0.5 * profile.width + reach)
    step = max(0.02, 0.1 * profile.width)
    bins = np.arange(-edge, edge + step, step)
    use = free & (np.abs(off) < edge)
    if use.sum() < 40:
        return None
    cell = np.rint((off[use] + edge) / step).astype(np.int64)
    count = np.bincount(cell, minlength=len(bins))[: len(bins)].astype(float)
    total = np.bincount(cell, strip.value[use], len(bins))[: len(bins)]
    seen = count > 1
    if seen.mean() < 0.7:
        return None
    root = np.sqrt(count[seen])
    mean = total[seen] / count[seen]
    pairs = _pairs(reach, max(0.025, 0.2 * profile.width))
    return _fit_two(bins[seen], mean, root, profile, usual, pairs, float(way.mean()))


def _pairs(reach: float, step: float) -> Array:
    """Pairs of places to try, shape (k, 2), mm."""
    middle = np.arange(-math.ceil(0.6 * reach / step), math.ceil(0.6 * reach / step) + 1) * step
    apart = np.arange(0.0, reach + step / 2, step)
    m, a = np.meshgrid(middle, apart, indexing="ij")
    return np.column_stack(((m - a / 2).ravel(), (m + a / 2).ravel()))


def _union(profile: Profile, e: Array, first: Array, second: Array) -> Array:
    a = profile.read(profile.height, e - first)
    b = profile.read(profile.height, e - second)
    return a + b - a * b


def _fit_two(
    e: Array, mean: Array, root: Array, profile: Profile, usual: float, pairs: Array, base: float
) -> Double | None:
    ground = np.stack((np.ones_like(e), e / max(float(np.abs(e).max()), 1e-9)))

    def misfit(places: Array) -> tuple[NDArray[Any], NDArray[Any]]:
        shape = _union(profile, e, places[:, :1], places[:, 1:])
        under = np.broadcast_to(ground, (len(places), 2, len(e)))
        table = np.concatenate((under, shape[:, None]), 1) * root
        normal = table @ table.transpose(0, 2, 1) + 1e-6 * np.eye(3)
        found = np.linalg.solve(normal, (table @ (mean * root))[..., None])[..., 0]
        left = mean * root - np.einsum("ki,kij->kj", found, table)
        # nearly the usual height: a smudge or a scratch is no line
        odd = ((found[:, 2] / usual - 1.0) / 0.3) ** 2
        return (left**2).sum(axis=1) * (1.0 + 0.02 * odd), found[:, 2]

    sse, _ = misfit(pairs)
    single = pairs[:, 0] == pairs[:, 1]
    best, alone = int(np.argmin(sse)), float(sse[single].min())
    place = pairs[best].astype(float)
    size = 0.02
    for _ in range(8):  # a cross about the best, ever smaller
        around = place + size * np.array(((0, 0), (1, 1), (-1, -1), (-1, 1), (1, -1)))
        around = around[around[:, 0] <= around[:, 1]]
        value, high = misfit(around)
        k = int(np.argmin(value))
        if k == 0:
            size *= 0.4
        place = around[k]
        sse_best, height_best = float(value[k]), float(high[k])
    distance = float(place[1] - place[0])
    if distance < _BROADER * profile.width or sse_best > _LEAST_GAIN * alone:
        return None
    if not 0.5 < height_best / usual < 1.6:
        return None
    free = max(len(e) - 5.0, 1.0)
    sigma = math.sqrt(sse_best / free)
    known = 2.0 * profile.width / max(float((root**2).sum()), 1.0)
    u = max(sigma / height_best * math.sqrt(known), 1e-3)
    table = np.stack((*ground, *(profile.read(profile.height, e - at) for at in place))) * root
    each = np.linalg.lstsq(table.T, mean * root, rcond=None)[0][2:] / usual
    apart = distance >= APART * profile.width and float(each.min()) > _LOW
    inner, outer = (base + place).tolist()
    return Double(inner, outer, (float(each[0]), float(each[1])), apart, u)
