"""Tracing outlines in a picture: burned lines by their profile, cut edges by their step.

Burned lines are traced as those of a test (`gantrysim.instruments.scan.ridges`).  At an edge, a
step of the grey values is fitted to the raw pixels on both sides of it; into the material they may
change evenly, for what was cut is charred beside the cut.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d, map_coordinates, median_filter
from scipy.special import ndtr

from gantrysim.instruments.picture import Picture
from gantrysim.instruments.scan.follow import follow
from gantrysim.instruments.scan.inkmap import ink_maps, reduced
from gantrysim.instruments.scan.nestfind import Found
from gantrysim.instruments.scan.ridges import (
    Strip,
    strip_of,
)
from gantrysim.instruments.scan.traced import OPTICS, fit_lines
from gantrysim.part.loops import Loop, gaps
from gantrysim.part.scanfind import OFF
from gantrysim.records.arrays import Array

WIDE = 0.15  # mm: width of a line to begin with
#: Of grey levels on both sides: edges differ by more than this part of what a line stands out by,
#: lines by less; and what stands out by less than so many grey levels is neither (judgement).
SIDES, FAINT = 0.6, 6.0
_BESIDE, _FAR = 0.8, 1.5  # mm from where an outline is expected: there, and well beside it
_INTO, _OUT = 0.22, 0.35  # mm of material and of void beside an edge that enter the fit,
_PIXELS = (2.5, 4.0)  # or so many pixels
_LEAST_PIXELS = 10  # of an edge of a station
_BLURS = (1.0, 1.5, 2.2, 3.2)  # times that of pixel and optics
_LEAST_STEP = 0.35  # of the usual height of an edge: less is none
_PIXEL = 0.02  # of a pixel: what an even profile and exact pixels still leave
_STRAY = 6.0  # robust standard deviations off the neighbours


@dataclass(frozen=True, eq=False)
class TracedLoop:
    """One outline as it was read.

    Parameters
    ----------
    loop : Loop
        Its stations.
    off : ndarray, shape (n,)
        How far off it lies, outward, mm; nan on sides of which nothing was read.
    u : ndarray, shape (n,)
        Standard uncertainty of it, mm.
    read : float
        Part of its stations that were read.
    """

    loop: Loop
    off: Array
    u: Array
    read: float

    @classmethod
    def of(cls, loop: Loop, off: Array, u: Array, good: NDArray[np.bool_]) -> TracedLoop:
        """With strays left out, and what was not read taken from beside it on the same side."""
        around = off - median_filter(off, 9, mode="wrap")
        usual = 1.4826 * float(np.median(np.abs(around[good]))) if good.any() else 0.0
        good = good & (np.abs(around) <= max(_STRAY * usual, 0.05))
        whole = np.full(len(off), math.nan)
        at = np.arange(len(off))
        for side in np.unique(loop.side):
            on = loop.side == side
            there = on & good
            if there.sum() >= min(2, int(on.sum())):
                # a side may run over the end of the row of stations
                first = int(np.argmax(~on)) if on[0] and on[-1] and not on.all() else 0
                place = (at - first) % len(off)
                order = np.argsort(place[there])
                known = place[there][order], off[there][order]
                whole[on] = np.interp(place[on], *known)
        return cls(loop, whole, np.where(good, u, np.nanmax(u[good], initial=0.0)), good.mean())


def levels_beside(picture: Picture, found: Found, loops: Sequence[Loop]) -> tuple[float, ...]:
    """Usual grey levels within the outlines, without them, and the least and most upon them.

    Returns: of material, void, darkest and lightest upon it.
    """
    small, pitch = reduced(picture)
    offsets = np.arange(-_FAR, _FAR + 0.01, 0.1)
    kinds: list[Array] = []
    for loop in loops:
        thin = slice(None, None, max(1, round(1.0 / float(np.median(loop.length)))))
        across = found.across(loop.normal[thin])
        way = offsets if loop.outline.inside else -offsets  # into the material
        at = found.carry(loop.place[thin])[:, None] + way[:, None] * across[:, None]
        spot = [at[..., 1] / pitch[1] - 0.5, at[..., 0] / pitch[0] - 0.5]
        kinds.append(map_coordinates(small, spot, order=1, mode="nearest"))
    value = np.concatenate(kinds)
    upon = value[:, np.abs(offsets) <= _BESIDE]
    parts = (value[:, offsets > _BESIDE], value[:, offsets < -_BESIDE])
    inner, outer = (np.median(part, axis=1) for part in parts)
    told = inner, outer, upon.min(axis=1), upon.max(axis=1)
    return tuple(float(np.median(each)) for each in told)


def trace_lines(
    picture: Picture, found: Found, loops: Sequence[Loop], *, dark: bool
) -> tuple[list[TracedLoop], float]:
    """Trace outlines burned as lines; returns them, and the usual width of the line, mm."""
    ink = ink_maps(picture, WIDE)[0 if dark else 1]
    there = Found(found.matrix, found.shift, ink, 1.0)
    runs = [loop.run(k) for k, loop in enumerate(loops)]
    ways = _followed(there, loops)
    pitch = float(picture.pitch.mean())
    lines = fit_lines(picture, there, runs, ways, WIDE)
    fits, profile = lines.fits, lines.profile
    clear = 0.5 * profile.width + 2.0 * pitch
    traced = [
        TracedLoop.of(loop, fit.way, np.hypot(np.where(fit.good, fit.u, 0.0), _PIXEL * pitch),
                      fit.good & (loop.clear > clear))
        for loop, fit in zip(loops, fits, strict=True)
    ]  # fmt: skip
    return traced, profile.width


def trace_edges(picture: Picture, found: Found, loops: Sequence[Loop]) -> list[TracedLoop]:
    """Trace outlines that are edges of a cut piece."""
    pitch = float(picture.pitch.mean())
    least = math.hypot(OPTICS, pitch / math.sqrt(12.0))
    ways = _followed(found, loops)
    runs = [loop.run(k) for k, loop in enumerate(loops)]
    near = max(_INTO, _PIXELS[0] * pitch), max(_OUT, _PIXELS[1] * pitch)
    reach = max(near) + 0.1
    strips = [
        strip_of(picture, found, run, way, reach) for run, way in zip(runs, ways, strict=True)
    ]
    into = [1.0 if loop.outline.inside else -1.0 for loop in loops]
    pairs = list(zip(strips, into, strict=True))
    rough = []
    for times in _BLURS:
        fits = [
            _edge(s, w, m, near, times * least, 2) for (s, m), w in zip(pairs, ways, strict=True)
        ]
        rough.append(float(np.median(np.concatenate([fit.rough for fit in fits]))))
    blur = _BLURS[int(np.argmin(rough))] * least
    fits = [_edge(s, w, m, near, blur, 5) for (s, m), w in zip(pairs, ways, strict=True)]
    usual = float(np.median(np.concatenate([fit.height for fit in fits])))
    traced = []
    for loop, fit in zip(loops, fits, strict=True):
        good = fit.settled & (fit.height * np.sign(usual) > _LEAST_STEP * abs(usual))
        good &= loop.clear > 2.5 * blur + 0.1
        u = np.hypot(np.where(good, fit.u, 0.0), _PIXEL * pitch)
        traced.append(TracedLoop.of(loop, fit.way, u, good))
    return traced


@dataclass(frozen=True, eq=False)
class _Edge:
    """Steps fitted along an outline: where, how high and how well; shape (n,)."""

    way: Array
    u: Array
    height: Array
    rough: Array
    settled: NDArray[np.bool_]


def _edge(
    strip: Strip, way: Array, into: float, near: tuple[float, float], blur: float, rounds: int
) -> _Edge:
    """Fit a step of grey values, blurred by ``blur`` (mm), along an outline.

    ``into``: 1 where the material lies outward of it, -1 where within.  ``near``: how much material
    and void enter, mm.
    """
    for _ in range(rounds):
        off = into * strip.off(way)
        weight = (off > -near[1]) & (off < near[0]) & np.isfinite(off)
        e = np.where(weight, off, 0.0)
        bell = np.exp(-0.5 * (e / blur) ** 2) / (blur * math.sqrt(math.tau))
        terms = np.stack((np.ones_like(e), ndtr(e / blur), np.maximum(e, 0.0), -bell), axis=-1)
        terms *= weight[..., None]
        normal = np.einsum("nmi,nmj->nij", terms, terms)
        normal[:, 2, 2] += 1e-4 * normal[:, 0, 0]
        normal[:, range(4), range(4)] += 1e-9
        right = np.einsum("nmi,nm->ni", terms, strip.value)
        found = np.linalg.solve(normal, right[..., None])[..., 0]
        height = found[:, 1]
        safe = np.where(np.abs(height) > 1.0, height, 1.0)
        step = np.where(np.abs(height) > 1.0, found[:, 3] / safe, 0.0)
        way = way + into * np.clip(step, -blur, blur)
    left = strip.value * weight - np.einsum("nmi,ni->nm", terms, found)
    count = weight.sum(axis=1)
    rough = np.sqrt((left**2).sum(axis=1) / np.maximum(count - 4.0, 1.0))
    u = rough * np.sqrt(np.linalg.inv(normal)[:, 3, 3]) / np.abs(safe)
    settled = (count >= _LEAST_PIXELS) & (np.abs(step) < 0.5 * blur)
    return _Edge(way, u, height, rough, settled)


def _followed(found: Found, loops: Sequence[Loop]) -> list[Array]:
    """About where each outline runs, mm outward of each station."""
    ways = []
    for k, (loop, apart) in enumerate(zip(loops, gaps(loops, 2.0 * OFF), strict=True)):
        narrow = min(float(np.min(apart)), float(np.ptp(loop.xy, axis=0).min()))
        reach = float(np.clip(0.45 * narrow, 0.3, OFF))
        ways.append(follow(found, loop.run(k), reach))
    return ways


def roughness(traced: Sequence[TracedLoop]) -> float:
    """How much outlines fray over a millimetre, standard deviation, mm."""
    parts = []
    for each in traced:
        off = each.off[np.isfinite(each.off) & (each.loop.clear > 1.0)]
        if len(off) > 12:
            smooth = gaussian_filter1d(off, 2.0 / float(np.median(each.loop.length)))
            parts.append(np.abs(off - smooth))
    return 1.4826 * float(np.median(np.concatenate(parts))) if parts else 0.01
