"""Roundness of the filtered lines of rings: its interval from noisy points, and of exact lines.

What noise adds is drawn and taken off as in `gantrysim.metrology.peaks`.  Passes of a ring are
taken together: what they share is the line, grain that both follow included.  A filter lets no wave
through that the ring cannot show, see `carried_cutoff`.  Lengths in mm, cut-offs in undulations per
revolution (UPR).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Annotated

import numpy as np
from numpy.typing import ArrayLike
from scipy.interpolate import CubicSpline

from gantrysim.inference.noise import Noise
from gantrysim.metrology.filtered import (
    HIGHEST,
    checked_cutoff,
    even_angles,
    filter_operator,
    gaps_deg,
)
from gantrysim.metrology.harmonics import gaussian_transmission, waves
from gantrysim.metrology.peaks import HIGHEST as SMOOTH
from gantrysim.metrology.peaks import (
    SEED,
    TRIALS,
    PeakToValley,
    interval_of,
    ring_widths,
    shape_of_ring,
)
from gantrysim.metrology.pointnoise import PointNoise
from gantrysim.metrology.roundness import checked_points, least_squares_circle
from gantrysim.metrology.sensitivity import reader_shapes
from gantrysim.metrology.zones import least_zone_widths
from gantrysim.records.arrays import Array
from gantrysim.records.checks import whole_number
from gantrysim.records.doors import checked

#: Shortest wave that a burned line shows, mm: shorter ones cannot be told from the grain of the
#: wood (common practice, no source; the length over which `Noise.cell` shares its grain).
SHORTEST_WAVE = 2.5
#: Points to a wave of the cut-off, at least: two would be the limit of sampling (Shannon), and
#: the filter lets half a wave at the cut-off and a sixteenth of one of twice its order through.
POINTS_TO_A_WAVE = 4
#: Points to an order that is fitted, at least: each has two coefficients, and the third point
#: keeps noise from being fitted.
POINTS_TO_AN_ORDER = 3
#: Energy of a wave over that of noise above which it belongs to the shape: noise alone exceeds
#: it once in ten thousand waves (chi-square of two degrees of freedom).
CLEAR = 9.210
#: What a filter of n UPR may take off the height of a reversal, times n squared, at most: a step
#: in a half wave loses 10 (worked for the Gaussian filter at 16 UPR), a spike more (judgement; on
#: lines known exactly up to 30 was seen).
LOST_AT_A_REVERSAL = 30.0
#: Most of it, of a roundness: a filter that might lose more shows hardly any (judgement).
MOST_LOST = 0.25
REFERENCES = ("LS", "MZ")


def carried_cutoff(cutoff: float, radius: float, angle: Array | None = None) -> float:
    """The cut-off as far as a ring carries it, UPR.

    ``cutoff``: asked for, UPR.  ``radius``: of the ring, mm: its waves are `SHORTEST_WAVE` long at
    least.  ``angle``: shape (n,); polar angles of its points, radians: as many as four even ones to
    a wave, and no gap wider than half a wave.  Absent for a line that is known everywhere.
    Returns: no lower than 2, where a ring shows but its oval.
    """
    limits = [cutoff, 2.0 * math.pi * radius / SHORTEST_WAVE]
    if angle is not None:
        limits += [even_number(angle) / POINTS_TO_A_WAVE, 180.0 / float(gaps_deg(angle).max())]
    return max(2.0, min(limits))


def lost_finer(cutoff: float, radius: float, angle: Array) -> float:
    """What waves finer than points show may add to a roundness, as a part of it, at most.

    Parameters as in `carried_cutoff`: the points carry less of the cut-off than their ring does.
    """
    asked, shown = carried_cutoff(cutoff, radius), carried_cutoff(cutoff, radius, angle)
    return min(LOST_AT_A_REVERSAL * (shown**-2 - asked**-2), MOST_LOST)


def carries_form(angle: Array) -> bool:
    """Whether points at some angles (radians) show an oval: as many as its two waves ask for."""
    enough = even_number(angle) >= 2.0 * POINTS_TO_A_WAVE
    return bool(enough and gaps_deg(angle).max() <= 90.0)


def even_number(angle: Array) -> float:
    """How many evenly spaced points those at some angles (radians) are worth.

    A full turn squared over the sum of the squares of the gaps: two passes measured at the same
    places count once, and a wide gap costs what lies in it.
    """
    return 360.0**2 / float(np.sum(gaps_deg(angle) ** 2))


@dataclass(frozen=True, eq=False)
class NoisyRing:
    """Radial deviations of the points of one ring, of all its passes.

    Parameters
    ----------
    radius : float
        Of the ring, mm.
    passes : tuple of (ndarray, ndarray)
        Polar angles (radians) and deviations (mm) of each pass from its own least-squares circle.
    """

    radius: float
    passes: tuple[tuple[Array, Array], ...]

    @classmethod
    def of(cls, passes: Sequence[Array]) -> NoisyRing:
        """The ring of the points, shape (n, 2), of each of its passes."""
        circles = [least_squares_circle(xy) for xy in passes]
        found = [(c.angles(xy), c.deviations(xy)) for c, xy in zip(circles, passes, strict=True)]
        return cls(float(np.mean([c.radius for c in circles])), tuple(found))

    @property
    def angle(self) -> Array:
        """Polar angles of all points, radians."""
        return np.concatenate([angle for angle, _ in self.passes])

    def errors(self, noise: Noise, trials: int, rng: np.random.Generator) -> Array:
        """Noise drawn at all points, each pass its own, mm, shape (trials, n)."""
        turn = 2.0 * np.pi * self.radius
        drawn = [noise.draws(self.radius * a, trials, rng, turn) for a, _ in self.passes]
        return np.concatenate(drawn, axis=1)

    def profiles(self, errors: Array, cutoff: float | None) -> tuple[Array, Array, Array, Array]:
        """Angles, and as a filter shows them at these: what was found, two shapes, the errors."""
        angle, deviation = self.angle, np.concatenate([off for _, off in self.passes])
        if cutoff is None:
            shape = shape_of_ring(angle, deviation)
            return angle, deviation, np.stack((shape, shape)), errors
        at = even_angles(cutoff)
        highest = max(2, int(even_number(angle) / POINTS_TO_AN_ORDER))
        operator = filter_operator(angle, cutoff, at, highest=highest)
        found, added = operator @ deviation, errors @ operator.T
        return at, found, _shapes(found, added), added


def _shapes(found: Array, added: Array) -> Array:
    """The shape of a profile with what noise may have left in it, and without; (2, m), mm."""
    # the first holds noise, which makes too little of what noise adds; the second lacks waves that
    # do not stand clear of it, which makes too much
    wave, noise = np.fft.rfft(found), np.fft.rfft(added, axis=1)
    clear = np.abs(wave) ** 2 > CLEAR * np.mean(np.abs(noise) ** 2, axis=0)
    smooth = clear | (np.arange(len(wave)) <= SMOOTH)
    return np.fft.irfft(np.where(np.stack((smooth, clear)), wave, 0.0), len(found))


def worst_roundness(
    rings: Sequence[NoisyRing],
    noise: Noise,
    rng: np.random.Generator,
    *,
    reference: str = "LS",
    cutoff: float | None = None,
    trials: int = TRIALS,
    reader: Array | None = None,
) -> tuple[PeakToValley, Array]:
    """RONt of the worst of some rings, and draws of what it is without noise.

    ``rings``: as measured, mm.  ``noise``: how well the points are known; the reader is the same
    for all rings.  ``rng``: of the noise.  ``reference``: "LS" or "MZ": about the least-squares
    circle, or within the minimum zone.  ``cutoff``: filter first, UPR, each ring as far as it
    carries the cut-off.  ``trials``: draws of the noise.  ``reader``: errors of the reader (scale,
    difference, skew in rad) in each; drawn if absent; shape (trials, 3).  Returns: shape (trials,);
    mm.  A draw is the value less what one drawn noise adds to the shape that the points show, in
    turn with and without what noise may have left in it (basic bootstrap: A. C. Davison and D. V.
    Hinkley, Bootstrap Methods, 1997, chapter 5; from memory), 0 at least, and more by up to what
    the points of the worst ring do not show of the cut-off (`lost_finer`); the interval is of what
    they show.
    """
    widths = ring_widths if reference == "LS" else least_zone_widths
    drawn = [ring.errors(noise, trials, rng) for ring in rings]
    if reader is None:
        reader = rng.standard_normal((trials, 3)) @ noise.reader_root.T
    worst, lowest, turn = np.zeros((4, trials)), cutoff, np.arange(trials) % 2
    lost = 0.0
    for ring, errors in zip(rings, drawn, strict=True):
        angle = ring.angle
        limit = None if cutoff is None else carried_cutoff(cutoff, ring.radius, angle)
        lowest = None if limit is None or lowest is None else min(limit, lowest)
        whole = errors + reader @ reader_shapes(angle, ring.radius)
        at, found, shapes, added = ring.profiles(whole, limit)
        value, *smooth = widths(at, np.vstack((found, shapes)))
        if cutoff is not None and value > worst[0, 0]:
            lost = lost_finer(cutoff, ring.radius, angle)
        alone, noisy = widths(at, added), widths(at, shapes[turn] + added)
        for k, width in enumerate((value, np.array(smooth)[turn], alone, noisy)):
            worst[k] = np.maximum(worst[k], width)
    measured, shown, of_noise, with_noise = worst
    interval = interval_of(float(measured[0]), of_noise, with_noise - shown)
    draws = np.maximum(measured - (with_noise - shown), 0.0)
    return replace(interval, cutoff=lowest), draws * (1.0 + lost * rng.random(trials))


@checked
def roundness_interval(
    xy: ArrayLike,
    noise: PointNoise,
    rng: np.random.Generator | int = SEED,
    *,
    reference: Annotated[str, REFERENCES] = "LS",
    cutoff: float | None = None,
    trials: int = TRIALS,
) -> PeakToValley:
    """RONt of an outline with a 95 % interval that has taken off what noise adds.

    Parameters
    ----------
    xy : array_like, shape (n, 2)
        Points all the way round, any order, mm.
    noise : PointNoise
        How well the points are known, mm.
    rng : Generator or int
        Generator, or the seed of a new one.
    reference : str
        "LS" or "MZ": about the least-squares circle, or within the minimum zone.
    cutoff : float, optional
        Filter first, undulations per revolution (`gantrysim.metrology.filtered`), as far as the
        points carry it: `PeakToValley.cutoff` says how far.
    trials : int
        Draws of the noise.

    Raises
    ------
    ValueError
        If the points make no circle.
    """
    whole_number(trials, "trials", least=40)
    if cutoff is not None:
        checked_cutoff(cutoff)
    ring = NoisyRing.of([checked_points(xy, 4)])
    generator = np.random.default_rng(rng)
    return worst_roundness(
        [ring], noise, generator, reference=reference, cutoff=cutoff, trials=trials
    )[0]


def exact_roundness(xy: Array, size: float, cutoff: float, reference: str) -> tuple[float, float]:
    """Least-squares radius of a line that is known exactly, and RONt after the filter.

    ``xy``: its samples all the way round, mm; shape (n, 2).  ``size``: its commanded radius, mm.
    ``cutoff``: of the filter, UPR, lowered to what a ring of that size carries.  ``reference``:
    "LS" or "MZ".  Returns: mm.  Quicker than `filtered_profile`, for thousands of predicted lines:
    waves by Fourier transform of a periodic cubic spline through the samples.
    """
    xy = xy[:-1] if np.allclose(xy[0], xy[-1], atol=1e-9) else xy
    centre = xy.mean(axis=0)
    for _ in range(3):
        arm = xy - centre
        reach, angle = np.hypot(*arm.T), np.mod(np.arctan2(arm[:, 1], arm[:, 0]), 2.0 * np.pi)
        fit = np.linalg.lstsq(waves(angle, 1), reach, rcond=None)[0]
        centre = centre + fit[1:]
    limit = carried_cutoff(cutoff, size)
    at = even_angles(limit)
    order = np.arange(math.ceil(HIGHEST * limit) + 1)
    form = np.fft.rfft(_round_spline(angle, reach)(at))[: len(order)]
    form *= gaussian_transmission(order, limit)
    deviation = np.fft.irfft(form, len(at))[None]
    width = ring_widths if reference == "LS" else least_zone_widths
    return float(fit[0]), float(width(at, deviation - fit[0])[0])


def _round_spline(angle: Array, value: Array) -> CubicSpline:
    """Periodic cubic spline; values at all but one angle (start and end of a line) are averaged."""
    near = np.floor(angle / (2.0 * np.pi) * 4 * len(angle)).astype(np.int64)
    _, owner, count = np.unique(near, return_inverse=True, return_counts=True)
    at, mean = np.bincount(owner, angle) / count, np.bincount(owner, value) / count
    closed = np.append(at, at[0] + 2.0 * np.pi)
    return CubicSpline(closed, np.append(mean, mean[0]), bc_type="periodic")
