"""Expected information: how far a measurement still to be made would settle which explanation.

Definitions after Lindley ("On a measure of the information provided by an experiment", 1956)
and Chaloner and Verdinelli ("Bayesian experimental design: a review", 1995), from memory: the
expected gain is the mutual information between the explanation and the data, in nats.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.linalg import solve_triangular
from scipy.special import logsumexp

from gantrysim.inference.whitening import Metric
from gantrysim.records.arrays import Array

#: Draws of the data for each explanation.
DRAWS = 400
#: Directions in which all explanations together move a measurement by less than this, in
#: standard deviations of its noise, are left out.
_FAINT = 0.01


@dataclass(frozen=True, eq=False)
class Predictive:
    """What each explanation predicts of one measurement, in units of its noise.

    Parameters
    ----------
    means : ndarray, shape (h, d)
        Expected values.
    roots : tuple of ndarray, shape (d, k)
        Of each explanation, the effect of its unknowns, each at one standard deviation of what
        is believed of it; with the unit noise they make the covariance 1 + root root'.
    """

    means: np.ndarray
    roots: tuple[np.ndarray, ...]


def predictive(
    metric: Metric, means: Sequence[np.ndarray], roots: Sequence[np.ndarray]
) -> Predictive:
    """Put what explanations predict into the few directions in which they differ at all.

    Parameters
    ----------
    metric : Metric
        Whitening of the measurement.
    means : sequence of ndarray, shape (m,)
        Expected measurement of each explanation.
    roots : sequence of ndarray, shape (m, k)
        Effect of its unknowns on the measurement, each at one standard deviation.

    Notes
    -----
    The directions are those of the Gram matrix of all differences and effects under the
    metric; nothing outside them depends on the explanation, so no information is lost.
    """
    columns = np.column_stack([mean - means[0] for mean in means] + list(roots))
    white = metric.columns(columns)
    gram = metric.product(white, white)
    value, vector = np.linalg.eigh(0.5 * (gram + gram.T))
    kept = value > _FAINT**2
    if not kept.any():
        kept[-1] = True
    places = vector[:, kept] * np.sqrt(np.maximum(value[kept], 0.0))
    cuts = np.cumsum([len(means), *(root.shape[1] for root in roots)])
    parts = [places[a:b].T for a, b in itertools.pairwise(cuts)]
    return Predictive(places[: len(means)], tuple(parts))


@dataclass(frozen=True, eq=False)
class Expected:
    """What a measurement is expected to settle.

    Parameters
    ----------
    gain : float
        Expected gain in log probability of the right explanation, nats.
    right : (float, float)
        Expected probability of the right explanation, before and after.
    pairs : dict of (int, int) to (float, float)
        For two explanations alone: the expected probability of the right one of the two,
        before and after.
    """

    gain: float
    right: tuple[float, float]
    pairs: dict[tuple[int, int], tuple[float, float]]


def expected_of_draws(prior: np.ndarray, data: Predictive, seed: int) -> Expected:
    """Expected information of a measurement whose explanations are Gaussian.

    Parameters
    ----------
    prior : ndarray, shape (h,)
        Probabilities of the explanations, summing to 1.
    data : Predictive
        What they predict.
    seed : int
        Of the draws.

    Notes
    -----
    Monte Carlo over the data, drawn from each explanation in turn; the densities are exact and
    the explanation is summed over (Rao-Blackwell), so only the data are random.
    """
    rng = np.random.default_rng(seed)
    draws = rng.standard_normal((DRAWS, data.means.shape[1]))
    factors = [np.linalg.cholesky(np.eye(len(r)) + r @ r.T) for r in data.roots]
    samples = [m + draws @ f.T for m, f in zip(data.means, factors, strict=True)]
    log = log_densities(np.concatenate(samples), data.means, factors)
    weight = np.repeat(prior / DRAWS, DRAWS)
    return _expected(prior, log, weight)


def expected_of_outcomes(prior: np.ndarray, chance: np.ndarray) -> Expected:
    """Expected information of a check with a few outcomes, exactly.

    Parameters
    ----------
    prior : ndarray, shape (h,)
        Probabilities of the explanations.
    chance : ndarray, shape (outcomes, h)
        Probability of each outcome under each explanation, above zero.
    """
    return _expected(prior, np.log(chance), chance @ prior)


def log_densities(data: np.ndarray, means: np.ndarray, factors: Sequence[np.ndarray]) -> np.ndarray:
    """Log densities of data, shape (n, d), under Gaussians given by Cholesky factors, (n, h)."""
    columns = []
    for mean, factor in zip(means, factors, strict=True):
        white = solve_triangular(factor, (data - mean).T, lower=True)
        columns.append(-0.5 * np.sum(white**2, axis=0) - np.sum(np.log(np.diag(factor))))
    return np.column_stack(columns)


def _expected(prior: Array, log: Array, weight: Array) -> Expected:
    """Average over data of given weight and log densities (n, h)."""
    before = np.log(prior)
    truth = np.exp(_normalised(log + before))
    gain = float(weight @ np.sum(truth * (np.log(np.maximum(truth, 1e-300)) - before), axis=1))
    right = float(weight @ np.sum(truth**2, axis=1))
    pairs = {}
    for i, j in itertools.combinations(range(prior.size), 2):
        ahead = log[:, i] - log[:, j] + before[i] - before[j]
        first = 1.0 / (1.0 + np.exp(np.minimum(-ahead, 500.0)))
        both = prior[i] + prior[j]
        after = weight @ (truth[:, i] * first + truth[:, j] * (1.0 - first))
        share = weight @ (truth[:, i] + truth[:, j])
        pairs[i, j] = ((prior[i] ** 2 + prior[j] ** 2) / both**2, float(after / share))
    return Expected(gain, (float(prior @ prior), right), pairs)


def _normalised(log: np.ndarray) -> np.ndarray:
    """Log probabilities from logs up to a constant, along the last axis."""
    return np.asarray(log - logsumexp(log, axis=1, keepdims=True))
