"""Where the outlines of a part lie in a picture, at any turn.

Edges and lines alike are steep: a map of how steep the picture is shows both, dark or light.  The
directions of its steep places give turns to try, a correlation with the outlines the place, and a
similarity fitted to what lies near the stations, looking ever nearer, the rest.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft2, next_fast_len, rfft2
from scipy.ndimage import gaussian_filter, gaussian_filter1d, maximum_filter1d, uniform_filter1d
from scipy.spatial import cKDTree

from gantrysim.instruments.picture import Picture
from gantrysim.instruments.scan.inkmap import InkMap, reduced
from gantrysim.instruments.scan.nestfind import Found
from gantrysim.part.loops import FINE, Loop
from gantrysim.records.arrays import Array, rotation

STEEP = 0.12  # mm: smoothing of the map, a standard deviation
THERE = 0.7  # of the stations of an outline that must show it (judgement)
SURE = 0.9  # of those of every outline, and nobody asks whether the part lies on its face
RIVAL = 0.06  # a turn that shows all outlines, and so many fewer stations, is as good (judgement)
OFF = 0.9  # mm: how far an outline may lie off the place that all others give it
SCALE = 0.01  # a part larger or smaller than this by the resolution is scanned at another one
STRONG = 0.3  # of a clear edge
_FAINTEST = 2.0  # grey levels a pixel of the map: a step of as many dozens
_ABOUT = 0.4  # mm over which directions are averaged, a standard deviation
_CELL = 0.4  # mm, of the correlation
_BINS = 720  # directions modulo half a turn
_PEAKS, _TURNS = 12, 4  # directions tried, each both ways round, and turns looked at closely
_BESIDE = tuple(math.radians(by) for by in (-0.6, -0.3, 0.0, 0.3, 0.6))
_NEAR = math.radians(2.0)  # nearer turns are one
_ROUND = 2.0  # a histogram of directions less peaked than this tells no turn
_REACHES = (2.5, 1.6, 1.2, 1.0, 1.0)  # mm
_FREE = math.radians(7.0)  # what looks the same after this turn looks the same after any
_SAME = 0.35  # mm


#: Less how well it fits, a turn, and where the middle then lies, mm.
_Guess = tuple[float, float, float, float]


@dataclass(frozen=True, eq=False)
class Sighted:
    """Where outlines lie in a picture.

    Parameters
    ----------
    found : Found
        The place; its matrix turns and scales, and mirrors where ``mirrored``.
    seen : ndarray, shape (loops,)
        Part of the stations of each outline that show it.
    mirrored : bool
        Whether they lie there seen from behind.
    free : bool
        Whether no turn can be told, as of circles about one centre.
    rivals : tuple of Sighted
        Other turns at which they lie there as well.
    """

    found: Found
    seen: Array
    mirrored: bool
    free: bool
    rivals: tuple[Sighted, ...] = ()

    @property
    def turn(self) -> float:
        """Turn on the picture, rad counter-clockwise, -pi to pi."""
        return math.atan2(self.found.matrix[1, 0], self.found.matrix[0, 0])

    @property
    def scale(self) -> float:
        """Size on the picture against the size as drawn."""
        return math.sqrt(abs(float(np.linalg.det(self.found.matrix))))


def steep_map(picture: Picture) -> InkMap:
    """How steep the picture is, and across which direction."""
    small, pitch = reduced(picture)
    size = float(pitch.mean())
    sigma = max(STEEP, 0.9 * size) / size
    gx = gaussian_filter(small, sigma, order=(0, 1))
    gy = gaussian_filter(small, sigma, order=(1, 0))
    strength = np.hypot(gx, gy)
    edge = math.ceil(3.0 * sigma)
    strength[:edge] = strength[-edge:] = 0.0
    strength[:, :edge] = strength[:, -edge:] = 0.0
    usual, most = np.quantile(strength[:: max(1, strength.shape[0] // 1500)], (0.985, 0.9995))
    top = max(float(usual), 0.3 * float(most), _FAINTEST)
    # the direction in which most about a place is steep, not that of one pixel and its noise
    even, odd, cross = (gaussian_filter(a, _ABOUT / size) for a in (gx * gx, gy * gy, gx * gy))
    angle = (0.5 * np.arctan2(2.0 * cross, even - odd) % math.pi).astype(np.float32)
    scaled = np.minimum(strength / top, 1.0).astype(np.float32)
    return InkMap(scaled, angle, pitch, True, top, strength)


def sight(steep: InkMap, loops: Sequence[Loop]) -> Sighted | None:
    """Find outlines that lie to one another as drawn; None if the picture is too small for them."""
    free = _free(loops)
    every: list[Sighted] = []
    coarse, step = _coarse(steep)
    spectra: dict[tuple[int, ...], NDArray[np.complex64]] = {}
    for mirrored in (False, True):
        if any(each.seen.min() > SURE for each in every):
            break
        flip = np.diag((-1.0 if mirrored else 1.0, 1.0))
        places = np.concatenate([loop.place for loop in loops]) @ flip
        normals = np.concatenate([loop.normal for loop in loops]) @ flip
        middle = 0.5 * (places.min(axis=0) + places.max(axis=0))

        def tried(turns: Sequence[float], about: Array = places - middle) -> list[_Guess]:
            found = [
                (turn, _correlated(coarse, step, about @ rotation(turn).T, spectra))
                for turn in turns
            ]
            return sorted((-fit[0], turn, *fit[1].tolist()) for turn, fit in found if fit)

        first = _apart(tried([0.0] if free else _turns(steep, normals, places - middle)))
        beside = [turn + by for _, turn, *_ in first for by in ((0.0,) if free else _BESIDE)]
        for _, turn, x, y in _apart(tried(beside)):
            shift = np.array((x, y)) - rotation(turn) @ middle
            start = Found(rotation(turn) @ flip, shift, steep, 0.0)
            found = _nearer(start, loops)
            seen = np.array([_seen(found, loop) for loop in loops])
            every.append(Sighted(found, seen, mirrored, free))
    if not every:
        return None
    weight = np.array([len(loop.place) for loop in loops], dtype=float)
    shown = [float(weight @ each.seen / weight.sum()) for each in every]
    facing = max(range(len(every)), key=lambda k: (round(shown[k] / RIVAL), -every[k].mirrored))
    way = [k for k, each in enumerate(every) if each.mirrored == every[facing].mirrored]
    best = max(way, key=lambda k: shown[k])
    own = every[best]
    ways = [own]
    for each, part in zip(every, shown, strict=True):
        other = all(abs(math.remainder(each.turn - one.turn, math.tau)) > _FREE for one in ways)
        alike = each.mirrored == own.mirrored and part > shown[best] - RIVAL
        if other and alike and not free and each.seen.min() >= THERE:
            ways.append(each)
    return replace(own, rivals=tuple(ways[1:]))


def _free(loops: Sequence[Loop]) -> bool:
    """Whether the outlines look the same at any turn."""
    places = np.concatenate([loop.place for loop in loops])
    middle = 0.5 * (places.min(axis=0) + places.max(axis=0))
    tree = cKDTree(places)
    far = [tree.query((places - middle) @ rotation(k * _FREE).T + middle)[0] for k in (1, 2)]
    return float(np.max(far)) < _SAME


def _turns(steep: InkMap, normals: Array, about: Array) -> list[float]:
    """Turns to try, rad."""
    drawn = np.arctan2(normals[:, 1], normals[:, 0]) % math.pi
    own = _directions(drawn)
    if float(np.sum(own**2)) * _BINS < _ROUND * float(own.sum()) ** 2:
        count = math.ceil(math.tau * float(np.hypot(*about.T).max()) / 1.5)
        return (np.arange(count) * math.tau / count).tolist()
    steeper = np.maximum(steep.strength - STRONG, 0.0)
    seen = _directions(steep.angle.astype(float), steeper)
    match = irfft2(rfft2(seen[None]) * np.conj(rfft2(own[None])), (1, _BINS))[0]
    # peaks, not their flanks: a small piece lies beside a large one
    peaks = np.flatnonzero(match == maximum_filter1d(match, _BINS // 45, mode="wrap"))
    found = (peaks[np.argsort(-match[peaks])][:_PEAKS] * math.pi / _BINS).tolist()
    return [turn + half for turn in found for half in (0.0, math.pi)]


def _directions(angle: Array, weight: Array | None = None) -> Array:
    """A smooth histogram of directions modulo half a turn."""
    count, _ = np.histogram(angle, _BINS, (0.0, math.pi), weights=weight)
    return np.asarray(gaussian_filter1d(count.astype(float), 2.0, mode="wrap"))


def _coarse(steep: InkMap) -> tuple[NDArray[np.float32], Array]:
    """The map averaged to cells of about `_CELL`, less its broad mean; sides of a cell, mm."""
    factor = np.maximum(1, np.round(_CELL / steep.pitch)).astype(int)[::-1]
    rows, columns = np.array(steep.strength.shape) // factor
    blocks = steep.strength[: rows * factor[0], : columns * factor[1]]
    small = blocks.reshape(rows, factor[0], columns, factor[1]).mean(axis=(1, 3))
    step = steep.pitch * factor[::-1]
    small = gaussian_filter(small, 0.4 / float(step.mean()))
    return small - gaussian_filter(small, 4.0 / float(step.mean())), step


def _correlated(
    coarse: NDArray[np.float32],
    step: Array,
    places: Array,
    spectra: dict[tuple[int, ...], NDArray[np.complex64]],
) -> tuple[float, Array] | None:
    """How well places about a middle fit at best, and where that middle then lies, mm."""
    cells = np.round(places / step).astype(np.int64)
    low = cells.min(axis=0)
    wide = (cells.max(axis=0) - low + 1)[::-1]
    if (wide > np.array(coarse.shape) + 10).any():
        return None
    template = np.zeros(wide, np.float32)
    template[cells[:, 1] - low[1], cells[:, 0] - low[0]] = 1.0
    both = zip(coarse.shape, wide.tolist(), strict=True)
    size = tuple(int(next_fast_len(a + b - 1, real=True)) for a, b in both)
    if size not in spectra:
        spectra[size] = rfft2(coarse, size)
    fit = irfft2(spectra[size] * rfft2(template[::-1, ::-1], size), size)
    row, column = np.unravel_index(int(np.argmax(fit)), fit.shape)
    first = np.array((column, row)) - (wide[::-1] - 1)
    return float(fit[row, column]) / float(template.sum()), (first - low + 0.5) * step


def _apart(guesses: Sequence[_Guess]) -> list[_Guess]:
    """The best guesses that differ in their turn."""
    kept: list[_Guess] = []
    for guess in guesses:
        near = (abs(math.remainder(guess[1] - one[1], math.tau)) < _NEAR for one in kept)
        if not any(near):
            kept.append(guess)
        if len(kept) == _TURNS:
            break
    return kept


def _nearer(start: Found, loops: Sequence[Loop]) -> Found:
    """Fit a similarity to what lies near the stations, looking ever nearer."""
    places = np.concatenate([loop.place for loop in loops])
    normals = np.concatenate([loop.normal for loop in loops])
    thin = slice(None, None, max(1, round(1.0 / FINE)))
    places, normals = places[thin], normals[thin]
    found = start
    for reach in _REACHES:
        across = found.across(normals)
        off, weight = _look(found, places, across, reach)
        lever = places @ found.matrix.T
        spun = np.column_stack((-lever[:, 1], lever[:, 0]))
        columns = np.column_stack([np.sum(across * v, axis=1) for v in (lever, spun)])
        table = np.column_stack((columns, across)) * weight[:, None]
        # a scale of 1 % at one standard deviation, against 0.1 mm a station
        prior = np.array((0.1 / SCALE, 0.0, 0.0, 0.0))
        size = math.sqrt(abs(float(np.linalg.det(found.matrix))))
        goal = np.append(off * weight, (1.0 - size) * prior[0])
        a, b, *shift = np.linalg.lstsq(np.vstack((table, prior)), goal, rcond=None)[0]
        matrix = np.array(((1.0 + a, -b), (b, 1.0 + a)))
        moved = matrix @ found.matrix
        found = replace(found, matrix=moved, shift=found.shift + np.array(shift))
    return found


def _look(found: Found, places: Array, across: Array, reach: float) -> tuple[Array, Array]:
    """How far off something steep lies at each station, mm, and its weight."""
    step = 0.5 * float(found.ink.pitch.mean())
    offsets = np.arange(-math.ceil(reach / step), math.ceil(reach / step) + 1) * step
    at = found.carry(places)[:, None] + offsets[:, None] * across[:, None, :]
    strength = found.ink.at(at) * found.ink.agreement(at, across)
    pull = strength * np.exp(-0.5 * (offsets / (0.6 * reach)) ** 2)
    best = np.argmax(pull, axis=1)
    height = strength[np.arange(len(places)), best]
    off = offsets[best]
    strong = height > STRONG
    spread = 1.4826 * float(np.median(np.abs(off[strong]))) + 0.05 if strong.any() else reach
    weight = np.where(strong, np.sqrt(height), 0.0)
    return off, weight / (1.0 + (off / (2.0 * spread)) ** 2)


def _seen(found: Found, loop: Loop) -> float:
    """Part of the stations of an outline near which something steep goes on along it."""
    thin = max(1, round(0.5 / float(np.median(loop.length))))
    across = found.across(loop.normal[::thin])
    step = float(found.ink.pitch.mean())
    offsets = np.arange(-math.ceil(OFF / step), math.ceil(OFF / step) + 1) * step
    at = found.carry(loop.place[::thin])[:, None] + offsets[:, None] * across[:, None, :]
    strength = found.ink.at(at) * found.ink.agreement(at, across)
    wide = maximum_filter1d(strength, 3, axis=1)
    along = uniform_filter1d(wide, min(5, len(wide)), axis=0, mode="wrap")
    return float(np.mean(along.max(axis=1) > STRONG))
