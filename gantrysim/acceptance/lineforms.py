"""What points with correlated noise know of the true line: draws of rings, sizes, squares.

Forms of circles are drawn in `gantrysim.acceptance.ringforms`, and judged here, filtered.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline
from scipy.linalg import cho_solve

from gantrysim.inference.noise import BIN_LENGTH, Noise
from gantrysim.metrology.harmonics import gaussian_transmission
from gantrysim.records.arrays import Array

_SAMPLES, _ZONE = 20, 8  # least angles to a wave of the cut-off at which a ring is judged
_LAWSON = 40  # rounds of reweighting for the minimum zone


def covariance(along: Array, noise: Noise, *, turn: float | None = None) -> Array:
    """Covariance of the noise of the points of one line.

    Parameters
    ----------
    along : ndarray, shape (n,)
        Places of the points along the line, mm.
    noise : Noise
        Its parts (mm).
    turn : float, optional
        Length of a closed line, mm.

    Returns
    -------
    ndarray, shape (n, n)
        mm^2.
    """
    apart = np.abs(along[:, None] - along)
    if turn is not None:
        apart = np.minimum(apart, turn - apart)
    bin = np.floor(along / BIN_LENGTH)
    together = bin[:, None] == bin
    smooth = noise.smooth**2 * np.exp(-apart / noise.length)
    return np.asarray(noise.point**2 * np.eye(len(along)) + noise.grain**2 * together + smooth)


def effective_number(cov: Array) -> float:
    """Independent values that a mean square of correlated ones is worth (Satterthwaite)."""
    return float(np.trace(cov) ** 2 / np.sum(cov**2))


@dataclass(frozen=True, eq=False)
class Ring:
    """Radial deviations of one circle and what their noise is.

    Parameters
    ----------
    angle : ndarray, shape (n,)
        Angles about the least-squares centre, rad.
    deviation : ndarray, shape (n,)
        Distance from the least-squares circle, mm.
    radius : float
        Its radius, mm.
    noise : Noise
        Of the points.
    size : float
        Commanded radius, mm.
    """

    angle: Array
    deviation: Array
    radius: float
    noise: Noise
    size: float

    @property
    def size_deviation(self) -> float:
        """Standard deviation of its least-squares radius, mm."""
        turn = 2.0 * np.pi * self.radius
        cov = covariance(np.mod(self.angle, 2.0 * np.pi) * self.radius, self.noise, turn=turn)
        row = np.linalg.pinv(waves(self.angle, 1))[0]
        return float(np.sqrt(row @ cov @ row))


def waves(angle: Array, order: int) -> Array:
    """Columns 1, cos, sin, cos 2, sin 2, ... of angles (rad), shape (n, 2 order + 1)."""
    k = np.arange(1, order + 1)
    table = np.empty((len(angle), 2 * order + 1))
    table[:, 0] = 1.0
    table[:, 1::2] = np.cos(angle[:, None] * k)
    table[:, 2::2] = np.sin(angle[:, None] * k)
    return table


def _chosen(scores: Array, draws: int, rng: np.random.Generator) -> NDArray[np.int64]:
    """Draw grid points by their log evidence."""
    share = np.exp(scores - scores.max())
    return np.asarray(rng.choice(len(scores), size=draws, p=share / share.sum()))


def waves_of(angle: Array, deviation: Array, order: int) -> Array:
    """Coefficients of `waves` of an exact line, by a periodic cubic spline through its samples.

    Parameters
    ----------
    angle, deviation : ndarray, shape (n,)
        Of its samples, in any order, rad and mm.
    order : int
        Highest.

    Returns
    -------
    ndarray, shape (2 order + 1,)
        mm.  Samples at one angle (start and end of a closed line) are averaged.
    """
    turn = 2.0 * np.pi
    bin = np.floor(np.mod(angle, turn) / turn * 4 * len(angle)).astype(np.int64)
    _, owner, count = np.unique(bin, return_inverse=True, return_counts=True)
    at = np.bincount(owner, np.mod(angle, turn)) / count
    value = np.bincount(owner, deviation) / count
    line = CubicSpline(np.append(at, at[0] + turn), np.append(value, value[0]), bc_type="periodic")
    samples = 8 * max(order, 64)
    found = np.fft.rfft(line(turn * np.arange(samples) / samples))[: order + 1] / samples
    out = np.empty(2 * order + 1)
    out[0], out[1::2], out[2::2] = found[0].real, 2.0 * found[1:].real, -2.0 * found[1:].imag
    return out


def roundness_of(coefficients: Array, cutoff: float, *, zone: bool) -> Array:
    """RONt of rings given by their waves, after the Gaussian filter.

    Parameters
    ----------
    coefficients : ndarray, shape (m, 2 order + 1)
        Of `waves`, mm.
    cutoff : float
        Undulations per revolution of which half passes (ISO 12181-2).
    zone : bool
        About the minimum zone circles; else about the least-squares circle.

    Returns
    -------
    ndarray, shape (m,)
        mm (ISO 12181-1).
    """
    order = (coefficients.shape[1] - 1) // 2
    share = gaussian_transmission(np.arange(2, order + 1), cutoff)
    waves_ = coefficients[:, 3::2] - 1j * coefficients[:, 4::2]
    half = np.zeros((len(coefficients), order + 1), dtype=np.complex128)
    half[:, 2:] = 0.5 * share * waves_
    least = max((_ZONE if zone else _SAMPLES) * cutoff, 2 * order + 2)
    count = 2 ** math.ceil(math.log2(least))
    deviation = count * np.fft.irfft(half, count, axis=1)
    if not zone:
        return np.asarray(np.ptp(deviation, axis=1))
    return zone_range(deviation, 2.0 * np.pi * np.arange(count) / count)


def zone_range(deviation: Array, angle: Array) -> Array:
    """Least range of deviations about any centre and size, by Lawson's reweighting.

    Parameters
    ----------
    deviation : ndarray, shape (m, n)
        Radial deviations at the angles, small against the radius, mm.
    angle : ndarray, shape (n,)
        rad.

    Returns
    -------
    ndarray, shape (m,)
        mm; never below the true minimum zone, and above it by less than about 1 %.

    Notes
    -----
    C. L. Lawson's algorithm for the Chebyshev fit (J. R. Rice, The Approximation of Functions,
    1969; from memory): weights grow with the residual.
    """
    design = waves(angle, 1)
    squares = (design[:, :, None] * design[:, None, :]).reshape(-1, 9)
    weight = np.full(deviation.shape, 1.0 / angle.size)
    best = np.ptp(deviation, axis=1)
    for _ in range(_LAWSON):
        normal = (weight @ squares).reshape(-1, 3, 3)
        right = (weight * deviation) @ design
        fit = np.linalg.solve(normal, right[:, :, None])[:, :, 0]
        left = deviation - fit @ design.T
        best = np.minimum(best, np.ptp(left, axis=1))
        weight = weight * np.maximum(np.abs(left), 1e-12)
        weight /= weight.sum(axis=1, keepdims=True)
        weight = np.maximum(weight, 1e-9 / angle.size)
    return np.asarray(best)


def side_deviation(along: Array, noise: Noise) -> tuple[float, float]:
    """Standard deviations of offset (mm, at the middle) and slope (rad) of a side's line.

    Parameters
    ----------
    along : ndarray, shape (n,)
        Places of its points from its middle, mm; two or more different ones.
    noise : Noise
        Of the points.

    Notes
    -----
    Of the ordinary least-squares line through points with that noise: with the pseudo-inverse A
    of its columns, the covariance is A C A'.
    """
    inverse = np.linalg.pinv(np.column_stack((np.ones_like(along), along)))
    cov = inverse @ covariance(along, noise) @ inverse.T
    offset, slope = np.sqrt(np.diag(cov)).tolist()
    return offset, slope


_FLAT = 10.0  # prior standard deviation of what values have in common


def draw_alike(
    columns: Array, values: Array, variance: Array, draws: int, rng: np.random.Generator
) -> Array:
    """Draw true values that scatter about what they have in common.

    Parameters
    ----------
    columns : ndarray, shape (n, k)
        What they have in common: ones, and nominal sizes where they may grow with these.
    values : ndarray, shape (n,)
        As measured, mm (or any other unit throughout).
    variance : ndarray, shape (n,)
        Of the measurement of each, mm^2.
    draws : int
        How many.
    rng : Generator
        Of the draws.

    Returns
    -------
    ndarray, shape (draws, n)
        mm.  The true scatter is drawn from its posterior over a grid (prior even in its
        logarithm): measuring noise does not count as scatter, and the largest of many values
        is not taken for large because of its noise.
    """
    common = _FLAT**2 * columns @ columns.T
    grid = np.geomspace(1e-4, 1.0, 25)
    scores, modes = np.empty(len(grid)), []
    for i, scatter in enumerate(grid):
        prior = np.diag(np.full(len(values), scatter**2)) + common
        factor = np.linalg.cholesky(prior + np.diag(variance))
        pulled = cho_solve((factor, True), values)
        scores[i] = -0.5 * float(values @ pulled) - float(np.log(np.diag(factor)).sum())
        # measured minus the posterior mean of the noise, and the covariance of the noise
        gain = variance[:, None] * cho_solve((factor, True), np.diag(variance))
        spread, vectors = np.linalg.eigh(np.diag(variance) - 0.5 * (gain + gain.T))
        modes.append((values - variance * pulled, vectors * np.sqrt(np.maximum(spread, 0.0))))
    chosen = _chosen(scores, draws, rng)
    out = np.empty((draws, len(values)))
    for i in np.unique(chosen):
        own = np.flatnonzero(chosen == i)
        mean, root = modes[i]
        out[own] = mean + rng.standard_normal((own.size, mean.size)) @ root.T
    return out
