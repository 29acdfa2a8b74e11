"""Draws of true values of which many were measured; how many independent ones they are worth."""

from __future__ import annotations

import numpy as np
from scipy.linalg import cho_solve

from gantrysim.records.arrays import Array

#: Prior standard deviation of what values have in common: nothing is known of it.
_FLAT = 10.0
#: Scatters tried, from none that shows to all there is.
_SCATTERS = np.geomspace(1e-4, 1.0, 25)


def effective_number(cov: Array) -> float:
    """Independent values that a mean square of correlated ones is worth (Satterthwaite)."""
    return float(np.trace(cov) ** 2 / np.sum(cov**2))


def draw_alike(
    columns: Array, values: Array, variance: Array, draws: int, rng: np.random.Generator
) -> Array:
    """Draw true values that scatter about what they have in common.

    ``columns``: what they have in common: ones, and nominal sizes where they may grow with these;
    shape (n, k).  ``values``: as measured, mm (or any other unit throughout); shape (n,).
    ``variance``: of the measurement of each, mm^2; shape (n,).  ``draws``: how many.  ``rng``: of
    the draws.  Returns: shape (draws, n); mm.  The true scatter is drawn from its posterior over a
    grid (prior even in its logarithm): measuring noise does not count as scatter, and the largest
    of many values is not taken for large because of its noise.
    """
    common = _FLAT**2 * columns @ columns.T
    grid = _SCATTERS
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
    share = np.exp(scores - scores.max())
    chosen = rng.choice(len(scores), size=draws, p=share / share.sum())
    out = np.empty((draws, len(values)))
    for i in np.unique(chosen):
        own = np.flatnonzero(chosen == i)
        mean, root = modes[i]
        out[own] = mean + rng.standard_normal((own.size, mean.size)) @ root.T
    return out
