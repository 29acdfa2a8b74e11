"""Peak-to-valley measures under noise: how much of them the noise made, and what is left.

RONt, G, F, H and straightness take the furthest point on either side, so noise only makes them
larger: white noise s alone gives 1000 points of a perfect circle an RONt of 6.5 s.  No linear
propagation shows that.  Here the shape under the noise is sought in the points, noise is drawn
about it (JCGM 101:2008 clause 7, from memory), and what the draws give on average beyond that shape
is the bias.  As the shape itself is not sure, two of them are taken: the plainest and the roughest
that the points allow.  Where the true deviation is small beside the noise the interval reaches down
to zero: then only its upper end says anything.  Lengths in mm.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from gantrysim.inputs import one_of, whole_number
from gantrysim.metrology.filtered import (
    even_angles,
    filter_operator,
    filtered_profile,
    share_above_noise,
    waves_under_noise,
)
from gantrysim.metrology.pointnoise import PointNoise
from gantrysim.metrology.roundness import (
    checked_points,
    least_squares_circle,
    least_zone_widths,
    minimum_zone_circle,
)
from gantrysim.metrology.sensitivity import errors_of_circle
from gantrysim.metrology.uncertainty import LEVEL, coverage_interval

Array = NDArray[np.float64]

HIGHEST = 15  # waves of the smooth shape of a ring
POINTS_PER_WAVE = 4
BOW_STANDS_OUT = 6.635  # as for waves, for one amplitude instead of two
GOLDEN = 0.45  # of the interval of slopes that each comparison cuts off, a little less than half
ZONE_STEPS = 18
TRIALS = 400
SEED = 0


@dataclass(frozen=True)
class PeakToValley:
    """A peak-to-valley measure and what noise made of it.

    Parameters
    ----------
    value : float
        As found, mm.
    bias : float
        What the noise added on average, mm.
    u : float
        Standard deviation under the noise, mm.
    low, high : float
        95 % interval of the deviation without noise, mm; not below zero where it cannot be.
    """

    value: float
    bias: float
    u: float
    low: float
    high: float

    @property
    def corrected(self) -> float:
        """Value less bias, mm, held within the interval."""
        return min(max(self.value - self.bias, self.low), self.high)

    def to_dict(self) -> dict[str, Any]:
        """Plain numbers, mm."""
        return {
            "value_mm": self.value,
            "bias_mm": self.bias,
            "u_mm": self.u,
            "low_mm": self.low,
            "high_mm": self.high,
        }

    def __repr__(self) -> str:
        um = 1e3
        return (
            f"PeakToValley({self.value * um:.1f} µm, of it {self.bias * um:.1f} noise; "
            f"95 % {self.low * um:.1f} to {self.high * um:.1f} µm)"
        )


def roundness_interval(
    xy: ArrayLike,
    noise: PointNoise,
    rng: np.random.Generator | int = SEED,
    *,
    reference: str = "LS",
    cutoff: float | None = None,
    trials: int = TRIALS,
) -> PeakToValley:
    """RONt of an outline with its bias and 95 % interval.

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
        Filter first, undulations per revolution (`gantrysim.metrology.filtered`).
    trials : int
        Draws of the noise.

    Raises
    ------
    ValueError
        If the points make no circle, or are too few for the cut-off.
    """
    one_of(reference, ("LS", "MZ"), "reference")
    whole_number(trials, "trials", least=40)
    generator = np.random.default_rng(rng)
    points = checked_points(xy, 4)
    circle = least_squares_circle(points)
    angle, deviation = circle.angles(points), circle.deviations(points)
    source = errors_of_circle(noise, circle, angle)
    errors = source.draws(trials, generator)
    shapes = shapes_of_ring(angle, deviation, source.covariance())
    at = angle
    if cutoff is None:
        value = circle.RONt if reference == "LS" else minimum_zone_circle(points).RONt
    else:
        found = filtered_profile(points, cutoff).roundness()
        value = found.lsci.RONt if reference == "LS" else found.mzci.RONt
        at = even_angles(cutoff)
        operator = filter_operator(angle, cutoff, at)
        errors = errors @ operator.T
        shapes = operator @ shapes[0], operator @ shapes[1]
    widths = ring_widths if reference == "LS" else least_zone_widths
    return under_noise(value, lambda drawn: widths(at, drawn), shapes, errors)


def under_noise(
    value: float,
    measure: Callable[[Array], Array],
    shapes: tuple[Array, Array],
    errors: Array,
    *,
    least: float = 0.0,
) -> PeakToValley:
    """Bias and interval of a measure from noise drawn about the plain and the rough shape.

    Parameters
    ----------
    value : float
        As found, mm.
    measure : callable
        Takes profiles of shape (trials, n) and gives measures of shape (trials,), mm.
    shapes : (ndarray, ndarray)
        Plain and rough shape, mm, shape (n,).
    errors : ndarray, shape (trials, n)
        Drawn noise, mm.
    least : float
        What the measure cannot fall below.

    Notes
    -----
    Noise adds most to a plain shape, so the plain one gives the lower end of the interval (and the
    bias), the rough one the upper end.  Together they cover at least 95 % in trials on round, oval
    and lobed rings.
    """
    plain, rough = (measure(shape + errors) - float(measure(shape[None])[0]) for shape in shapes)
    most, _ = coverage_interval(rough, LEVEL)
    _, mostly_noise = coverage_interval(plain, LEVEL)
    low = max(value - mostly_noise, least)
    return PeakToValley(
        value, float(plain.mean()), float(plain.std(ddof=1)), low, max(value - most, low)
    )


def shapes_of_ring(angle: Array, deviation: Array, covariance: Array) -> tuple[Array, Array]:
    """Plain and rough shape of a ring under its noise, mm, each shape (n,)."""
    highest = max(2, min(HIGHEST, (len(angle) - 1) // POINTS_PER_WAVE))
    return waves_under_noise(angle, deviation, covariance, highest)


def shapes_of_side(along: Array, across: Array, covariance: Array) -> tuple[Array, Array]:
    """Plain and rough shape of a side under its noise, mm, each shape (n,).

    Bow and twist: Legendre polynomials of orders 2 to 5 made orthogonal on the points.
    """
    highest = min(5, max(1, len(along) // POINTS_PER_WAVE))
    scaled = 2 * (along - along.min()) / np.ptp(along) - 1
    waves, _ = np.linalg.qr(np.polynomial.legendre.legvander(scaled, highest))
    waves = waves[:, 2:]
    found = waves.T @ across
    noise = np.einsum("ji,jk,ki->i", waves, covariance, waves, optimize=True)
    kept = share_above_noise(found**2, noise, BOW_STANDS_OUT)
    return np.asarray(waves @ (kept * found)), np.asarray(waves @ found)


def ring_widths(angle: Array, deviations: Array) -> Array:
    """RONt about the LS circle for many profiles at once, mm; deviations of shape (trials, n)."""
    design = np.column_stack((np.ones(len(angle)), np.cos(angle), np.sin(angle)))
    left = deviations - (deviations @ np.linalg.pinv(design).T) @ design.T
    return np.asarray(np.ptp(left, axis=1))


def ring_extremes(angle: Array, deviations: Array) -> tuple[Array, Array]:
    """Largest and smallest deviation seen from each profile's own LS centre, mm."""
    design = np.column_stack((np.ones(len(angle)), np.cos(angle), np.sin(angle)))
    centre = (deviations @ np.linalg.pinv(design).T)[:, 1:]
    left = deviations - centre @ design[:, 1:].T
    return np.asarray(left.max(axis=1)), np.asarray(left.min(axis=1))


def side_widths(along: Array, across: Array, reference: str) -> Array:
    """Straightness of many sides at once, mm; `across` has shape (trials, n).

    `reference` is "zone" (minimum zone), "line" (least squares) or "ends" (end points).  The zone
    is the least range over slopes, which is convex: its minimum is narrowed down step by step.
    """
    t = along - along.mean()
    slope = across @ t / (t @ t)
    if reference == "ends":
        first, last = int(np.argmin(t)), int(np.argmax(t))
        slope = (across[:, last] - across[:, first]) / (t[last] - t[first])
    width = np.asarray(np.ptp(across - slope[:, None] * t, axis=1))
    if reference != "zone":
        return width
    reach = 2 * width / np.ptp(t)
    low, high = slope - reach, slope + reach
    for _ in range(ZONE_STEPS):
        one, other = low + GOLDEN * (high - low), high - GOLDEN * (high - low)
        better = np.ptp(across - one[:, None] * t, axis=1) < np.ptp(
            across - other[:, None] * t, axis=1
        )
        low, high = np.where(better, low, one), np.where(better, other, high)
    middle = (low + high) / 2
    return np.asarray(np.ptp(across - middle[:, None] * t, axis=1))
