"""What points with correlated noise know of the true line: draws of rings, sizes, squares.

A measured form is always too large: noise adds to the range of the deviations.  So the true line
of a ring is drawn from its posterior.  Its harmonics are believed to fall as one over their order
(as those of a step do), with a common size that the rings of a piece teach; the noise is that of
`gantrysim.inverse.noise`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_solve, solve_triangular

from gantrysim.inverse.noise import CELL, Noise

Array = NDArray[np.float64]

#: Highest harmonic of a ring, waves a turn: a usual cut-off of ISO 12181-2 (from memory).
HIGHEST = 50
_FREE = 1.0  # mm, prior standard deviation of size and centre: the points decide
_SIZES = np.geomspace(2e-4, 2.0, 25)  # mm, tried for the amplitude of the first harmonic
_GRID = 240  # angles at which a drawn ring is judged
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
    cell = np.floor(along / CELL)
    together = cell[:, None] == cell
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
    """

    angle: Array
    deviation: Array
    radius: float
    noise: Noise

    @property
    def size_deviation(self) -> float:
        """Standard deviation of its least-squares radius, mm."""
        turn = 2.0 * np.pi * self.radius
        cov = covariance(np.mod(self.angle, 2.0 * np.pi) * self.radius, self.noise, turn=turn)
        row = np.linalg.pinv(waves(self.angle, 1))[0]
        return float(np.sqrt(row @ cov @ row))

    def whitened(self) -> tuple[Array, Array]:
        """Columns of `waves` up to `HIGHEST`, and the deviations, with independent unit noise."""
        turn = 2.0 * np.pi * self.radius
        along = np.mod(self.angle, 2.0 * np.pi) * self.radius
        root = np.linalg.cholesky(covariance(along, self.noise, turn=turn))
        both = np.column_stack((waves(self.angle, HIGHEST), self.deviation))
        white = solve_triangular(root, both, lower=True)
        return white[:, :-1], white[:, -1]


def waves(angle: Array, order: int) -> Array:
    """Columns 1, cos, sin, cos 2, sin 2, ... of angles (rad), shape (n, 2 order + 1)."""
    k = np.arange(1, order + 1)
    table = np.empty((len(angle), 2 * order + 1))
    table[:, 0] = 1.0
    table[:, 1::2] = np.cos(angle[:, None] * k)
    table[:, 2::2] = np.sin(angle[:, None] * k)
    return table


_ORDERS = np.repeat(np.arange(1, HIGHEST + 1), 2)


def draw_rings(rings: Sequence[Ring], draws: int, rng: np.random.Generator) -> list[Array]:
    """Draw the true lines of the rings of one piece.

    Parameters
    ----------
    rings : sequence of Ring
        Of one piece.
    draws : int
        How many.
    rng : Generator
        Of the draws.

    Returns
    -------
    list of ndarray, shape (draws, 2 HIGHEST + 1)
        Coefficients of `waves` of each ring, mm.

    Notes
    -----
    One machine draws all rings, so each is a form common to all plus one of its own.  The size
    of either form's harmonics is drawn from its posterior over a grid (prior even in its
    logarithm), so that rings which are alike share what they know, and rings which are not
    do not.
    """
    white = [ring.whitened() for ring in rings]
    common = _common_form(white, draws, rng)
    mean = common.mean(axis=0)
    scores = np.zeros(len(_SIZES))
    modes: list[list[tuple[Array, Array]]] = []
    for i, size in enumerate(_SIZES):
        sd = np.concatenate([[_FREE] * 3, size / _ORDERS[2:]])
        row = []
        for columns, y in white:
            left = y - columns[:, 3:] @ mean
            gain, root, score = _ridge(columns * sd, left)
            scores[i] += score
            row.append((sd[:, None] * gain, root * sd))
        modes.append(row)
    chosen = _chosen(scores, draws, rng)
    out = [np.zeros((draws, 2 * HIGHEST + 1)) for _ in rings]
    for i in np.unique(chosen):
        own = np.flatnonzero(chosen == i)
        for table, (columns, y), (gain, root) in zip(out, white, modes[i], strict=True):
            left = y - common[own] @ columns[:, 3:].T
            table[own] = left @ gain.T + rng.standard_normal((own.size, len(root))) @ root
            table[own, 3:] += common[own]
    return out


def _common_form(
    white: Sequence[tuple[Array, Array]], draws: int, rng: np.random.Generator
) -> Array:
    """Draw the harmonics (order 2 on) of the form common to all rings, size and centre free."""
    columns, values = [], []
    for table, y in white:
        q, _ = np.linalg.qr(table[:, :3])
        columns.append(table[:, 3:] - q @ (q.T @ table[:, 3:]))
        values.append(y - q @ (q.T @ y))
    together, y = np.concatenate(columns), np.concatenate(values)
    square, project = together.T @ together, together.T @ y
    scores, modes = np.empty(len(_SIZES)), []
    for i, size in enumerate(_SIZES):
        sd = size / _ORDERS[2:]
        factor = np.linalg.cholesky(sd[:, None] * square * sd + np.eye(sd.size))
        mean = cho_solve((factor, True), sd * project)
        scores[i] = 0.5 * float((sd * project) @ mean) - float(np.log(np.diag(factor)).sum())
        modes.append((sd * mean, solve_triangular(factor, np.diag(sd), lower=True)))
    chosen = _chosen(scores, draws, rng)
    out = np.empty((draws, len(square)))
    for i in np.unique(chosen):
        own = np.flatnonzero(chosen == i)
        mean, root = modes[i]
        out[own] = mean + rng.standard_normal((own.size, mean.size)) @ root
    return out


def _ridge(columns: Array, y: Array) -> tuple[Array, Array, float]:
    """Gain of the posterior mean, root of the posterior covariance, and log evidence."""
    factor = np.linalg.cholesky(columns.T @ columns + np.eye(columns.shape[1]))
    gain = cho_solve((factor, True), columns.T)
    score = 0.5 * float((columns.T @ y) @ (gain @ y)) - float(np.log(np.diag(factor)).sum())
    return gain, solve_triangular(factor, np.eye(len(factor)), lower=True), score


def _chosen(scores: Array, draws: int, rng: np.random.Generator) -> NDArray[np.int64]:
    """Draw grid points by their log evidence."""
    share = np.exp(scores - scores.max())
    return np.asarray(rng.choice(len(scores), size=draws, p=share / share.sum()))


def roundness_of(coefficients: Array, *, zone: bool) -> Array:
    """RONt of rings given by their waves.

    Parameters
    ----------
    coefficients : ndarray, shape (m, 2 order + 1)
        Of `waves`, mm.
    zone : bool
        About the minimum zone circles; else about the least-squares circle.

    Returns
    -------
    ndarray, shape (m,)
        mm (ISO 12181-1).
    """
    angle = np.linspace(0.0, 2.0 * np.pi, _GRID, endpoint=False)
    order = (coefficients.shape[1] - 1) // 2
    form = coefficients.copy()
    form[:, :3] = 0.0
    deviation = form @ waves(angle, order).T
    return zone_range(deviation, angle) if zone else np.asarray(np.ptp(deviation, axis=1))


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
