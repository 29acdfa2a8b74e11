"""Sub-pixel places of lines: a line's own profile fitted to the raw pixels beside it.

At each station a + b e + c B(e) + A g(e - d) is fitted to the pixels of a short stretch, e being
the exact distance of each pixel's middle from the line as followed so far, along the normal.  g is
the profile of the line, averaged over the whole scan, so that the fit is as sharp as the noise
allows (Cramer-Rao).  The slope b and the step c take up a ground that differs on both sides,
B = sign(e) (1 - g) / 2 being such a ground where the ink does not cover it; it would draw a plain
ridge towards the side more like the line (`contrast_shift`).  Pixels are taken as they are:
nothing is resampled, so nothing is smoothed after it was inked but by the scanner's optics, whose
`curvature_shift` is below a micrometre for rings of 2 mm and more.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import erf

from gantrysim.instruments.picture import Picture
from gantrysim.instruments.scan.nestfind import Found
from gantrysim.instruments.stations import Run
from gantrysim.records.arrays import Array

FLANK = 0.22  # mm of ground beside the line that enter the fit, or three pixels
_PRIOR = 0.05  # weight of the belief that the ground is even, in pixels
_LEAST_HEIGHT = 0.35  # of the usual height of the line: less is no line
_SEEN = 20  # pixels at one distance that are enough for their mean
_CLEAR = 0.4  # of the knowledge of the place that must be left where other lines cross


def curvature_shift(radius: float, sigma: float) -> float:
    """Shift of the ridge of a thin ring that is smoothed after it was inked, outward, mm.

    ``radius``: of the ring, mm.  ``sigma``: standard deviation of the smoothing, mm.

    -sigma^2 / (2 R) to the leading order: the wider outer side of the ring is spread thinner.
    """
    return -(sigma**2) / (2.0 * radius)


def contrast_shift(half_width: float, sigma: float, level: float) -> float:
    """Shift of the smoothed ridge of a bar between grounds 0 and ``level`` (bar 1), mm.

    ``half_width``: half the width of the bar, mm.  ``sigma``: standard deviation of the smoothing,
    mm.  ``level``: ground on one side, 0 to below 1, as part of the bar's height; it shifts that
    way.

    -(sigma^2 / 2 w) ln(1 - level), from the zero of the smoothed first derivative (after Steger).
    """
    return -(sigma**2) / (2.0 * half_width) * math.log(1.0 - level)


@dataclass(frozen=True, eq=False)
class Profile:
    """Cross-section of the lines: height 1 in the middle, even, 0 far out.

    Parameters
    ----------
    step : float
        Distance of the samples, mm.
    height, slope, beside : ndarray, shape (2 n + 1,)
        The profile at -n..n steps, its derivative (1/mm), and a step of the ground from -1/2 to
        1/2 as far as the ink does not cover it.
    """

    step: float
    height: Array
    slope: Array
    beside: Array

    @classmethod
    def of(cls, step: float, half: Array) -> Profile:
        """From the samples of one side, 0 outward."""
        height = np.concatenate((half[:0:-1], half)) / half[0]
        sign = np.sign(np.arange(len(height)) - len(half) + 1)
        return cls(step, height, np.gradient(height, step), 0.5 * sign * (1.0 - height))

    @classmethod
    def bar(cls, width: float, blur: float, reach: float, step: float) -> Profile:
        """A bar of a width (mm) smoothed by a Gaussian of standard deviation ``blur``."""
        e = np.arange(math.ceil(reach / step) + 1) * step
        root = math.sqrt(2.0) * blur
        return cls.of(step, erf((e + width / 2) / root) - erf((e - width / 2) / root))

    @property
    def reach(self) -> float:
        """Outermost sample, mm."""
        return (len(self.height) - 1) // 2 * self.step

    @property
    def width(self) -> float:
        """Full width at half height, mm."""
        half = self.height[(len(self.height) - 1) // 2 :]
        k = int(np.argmax(half < 0.5))
        if k == 0:
            return 2.0 * self.reach
        return 2.0 * self.step * (k - 1 + (half[k - 1] - 0.5) / (half[k - 1] - half[k]))

    def read(self, table: NDArray[Any], e: NDArray[Any]) -> NDArray[Any]:
        """Tables of the profile at distances from the middle, mm; their end values further out.

        Parameters
        ----------
        table : ndarray, shape (2 n + 1,) or (2 n + 1, k)
            `height`, `slope`, `beside`, or several side by side.
        e : ndarray
            Distances.
        """
        at = np.clip((e + self.reach) / self.step, 0.0, len(table) - 1.0)
        low = np.minimum(at.astype(np.int32), len(table) - 2)
        part = (at - low).astype(table.dtype)
        if table.ndim == 2:
            part = part[..., None]
        return table[low] + part * (table[low + 1] - table[low])


@dataclass(frozen=True, eq=False)
class Strip:
    """Raw pixels beside one run.

    Parameters
    ----------
    run : Run
        The run.
    where : ndarray of int32, shape (n, m)
        Flat index of the m pixels of each station.
    across, along : ndarray of float32, shape (n, m)
        Place of the pixels' middles from the carried station, along its normal and tangent, mm;
        the bend of the run is taken out of ``across``.
    value : ndarray of float32, shape (n, m)
        Darkness, grey levels; brightness where the lines are light.
    reach : float
        How far from the line pixels were gathered, mm.
    """

    run: Run
    where: NDArray[np.int32]
    across: NDArray[np.float32]
    along: NDArray[np.float32]
    value: NDArray[np.float32]
    reach: float

    def off(self, way: Array) -> Array:
        """Distance of the pixels from the line, ``way`` from each station along the normal, mm."""
        if self.run.closed:
            slope = (np.roll(way, -1) - np.roll(way, 1)) / (2.0 * self.run.step)
        else:
            slope = np.gradient(way, self.run.step)
        return self.across - (way[:, None] + slope[:, None] * self.along)


def strip_of(picture: Picture, found: Found, run: Run, way: Array, reach: float) -> Strip:
    """Gather the pixels within ``reach`` (mm) of a line, ``way`` from each station."""
    pitch = picture.pitch
    fine = float(pitch.min())
    q = max(2, math.ceil(run.step / fine))
    k = math.ceil(reach / fine)
    t = ((np.arange(q) + 0.5) / q - 0.5) * run.step
    o = np.arange(-k, k + 1) * fine
    normal = found.across(run.normal)
    tangent = np.column_stack((-normal[:, 1], normal[:, 0]))
    middle = found.carry(run.place)
    target = (
        (middle + way[:, None] * normal)[:, None, None]
        + t[:, None, None] * tangent[:, None, None]
        + (o[:, None] - 0.5 * run.bend * t[:, None, None] ** 2) * normal[:, None, None]
    )
    rows, columns = picture.grey.shape
    at = np.rint(picture.to_pixels(target.reshape(len(way), -1, 2))).astype(np.int64)
    inside = ((at >= 0) & (at < (columns, rows))).all(axis=-1)
    at = np.clip(at, 0, (columns - 1, rows - 1))
    where = at[..., 1] * columns + at[..., 0]
    xy = np.stack(((at[..., 0] + 0.5) * pitch[0], (rows - 0.5 - at[..., 1]) * pitch[1]), axis=-1)
    apart = xy - middle[:, None]
    along = np.einsum("nmi,ni->nm", apart, tangent)
    across = np.einsum("nmi,ni->nm", apart, normal) + 0.5 * run.bend * along**2
    across = np.where(inside, across, np.inf)
    value = picture.grey.ravel()[where].astype(np.float32)
    value = 255.0 - value if found.ink.dark else value
    places = (across.astype(np.float32), along.astype(np.float32))
    return Strip(run, where.astype(np.int32), *places, value, reach)


@dataclass(frozen=True, eq=False)
class Fitted:
    """What the fit found at the stations of a run.

    Parameters
    ----------
    way : ndarray, shape (n,)
        Distance of the line from each station along its normal, mm.
    u : ndarray, shape (n,)
        Its standard uncertainty from the noise of the pixels, mm; infinite where there is no line.
    height : ndarray, shape (n,)
        Height of the line, grey levels.
    rough : ndarray, shape (n,)
        Root mean square of what the fit leaves, as part of the height.
    """

    way: Array
    u: Array
    height: Array
    rough: Array

    @property
    def good(self) -> NDArray[np.bool_]:
        """Where there is a line."""
        return np.isfinite(self.u)

    @property
    def unread(self) -> Fitted:
        """The same with no line anywhere."""
        return replace(self, u=np.full_like(self.u, np.inf))


def fit_strip(
    strip: Strip, way: Array, profile: Profile, mine: NDArray[np.bool_], usual: float, rounds: int
) -> Fitted:
    """Fit the profile along a run.

    ``strip``: pixels.  ``way``: where to start, mm; shape (n,).  ``profile``: cross-section of the
    lines.  ``mine``: pixels that no other line touches; shape (n, m).  ``usual``: usual height of
    the lines, grey levels; 0 where it is not yet known.  ``rounds``: Gauss-Newton steps.
    """
    tables = np.column_stack((profile.beside, profile.height, -profile.slope)).astype(np.float32)
    limit = 0.3 * profile.width
    for _ in range(rounds):
        off = strip.off(way).astype(np.float32)
        weight = (mine & (np.abs(off) < strip.reach)).astype(np.float32)
        terms = np.empty((*off.shape, 5), np.float32)
        terms[..., 0] = 1.0
        terms[..., 1] = np.where(weight > 0, off / strip.reach, 0.0)
        terms[..., 2:] = profile.read(tables, off)
        terms *= weight[..., None]
        turned = terms.transpose(0, 2, 1)
        normal = np.matmul(turned, terms).astype(float)
        # times a vector written out: single-precision libraries have raised flags of no meaning
        right = np.einsum("nmk,nm->nk", terms, strip.value).astype(float)[..., None]
        normal[:, (1, 2), (1, 2)] += _PRIOR
        normal[:, range(5), range(5)] += 1e-6
        found = np.linalg.solve(normal, right)[..., 0]
        height = found[:, 3]
        enough = height > max(_LEAST_HEIGHT * usual, 2.0)
        step = np.where(enough, found[:, 4] / np.where(enough, height, 1.0), 0.0)
        way = _bridged(way + np.clip(step, -limit, limit), enough, strip.run.closed)
    fitted = np.einsum("nmk,nk->nm", terms, found.astype(np.float32))
    left = strip.value * weight - fitted
    count = weight.sum(axis=1)
    rough = np.sqrt((left**2).sum(axis=1) / np.maximum(count - 5.0, 1.0))
    inverse = np.linalg.inv(normal)[:, 4, 4]
    full = float(np.median(inverse[enough])) if enough.any() else 1.0
    enough &= (count > 12) & (inverse * _CLEAR < full) & (np.abs(step) < limit)
    u = np.where(enough, rough * np.sqrt(inverse) / np.where(enough, height, 1.0), np.inf)
    return Fitted(way, u, height, np.where(enough, rough / np.where(enough, height, 1.0), np.inf))


def _bridged(way: Array, good: NDArray[np.bool_], closed: bool) -> Array:
    """The way with straight bridges over stations without a line."""
    if good.all() or not good.any():
        return way
    at = np.arange(len(way))
    return np.interp(at, at[good], way[good], period=len(way) if closed else None)


def profile_of(
    strips: list[Strip],
    fits: list[Fitted],
    masks: list[NDArray[np.bool_]],
    step: float,
    reach: float,
) -> Profile | None:
    """The even profile that all lines share; None where too little was seen.

    ``strips``, ``fits``, ``masks``: pixels, fits, and pixels free of other lines, one each a run.
    ``step``, ``reach``: sampling and half extent of the profile, mm.
    """
    bins = math.ceil(reach / step) + 1
    total, count = np.zeros(bins), np.zeros(bins)
    for strip, fit, mine in zip(strips, fits, masks, strict=True):
        typical = np.median(fit.rough[fit.good]) if fit.good.any() else 0.0
        good = fit.good & (fit.rough < 1.5 * typical)
        if not good.any():
            continue
        off = np.abs(strip.off(fit.way)[good]) / step
        use = mine[good] & (off < bins - 0.5)
        value = strip.value[good]
        # stations are put on a common scale by what lies at the rim and in the middle
        rim = use & (off > 0.8 * bins)
        ground = (value * rim).sum(axis=1) / np.maximum(rim.sum(axis=1), 1)
        known = rim.sum(axis=1) > 2
        use &= known[:, None]
        scaled = (value - ground[:, None]) / fit.height[good][:, None]
        cell = np.rint(off[use]).astype(np.int64)
        total += np.bincount(cell, scaled[use], bins)[:bins]
        count += np.bincount(cell, minlength=bins)[:bins]
    seen = count >= _SEEN
    if seen.sum() < 0.5 * bins:
        return None
    # lines along the rows of pixels show the profile at few distances
    half = np.interp(np.arange(bins), np.flatnonzero(seen), total[seen] / count[seen])
    half -= half[-max(2, bins // 8) :].mean()
    return Profile.of(step, half) if half[0] > 0.2 else None
