"""Draws from the posterior of one hypothesis, curved where the unknowns' scales are curved.

Laplace's normal approximation lives in the standard normal unknowns u.  What a burn answers to,
nearly in proportion, are the values behind them (a drag in N, the inverse of a stiffness that a
fault has lowered), and those are curved functions of u.  Here the
misfit is taken as quadratic in these values about the mode, the prior stays exact, and draws are
made by elliptical slice sampling (Murray, Adams and MacKay, AISTATS 2010) about a normal in the
values (Nishihara, Murray and Adams, JMLR 15 (2014) 2087).  No burn is run.
"""

from __future__ import annotations

import math

import numpy as np

from gantrysim.inference.problem import Problem
from gantrysim.inference.solver import Mode
from gantrysim.records.compiled import kernel

COUNT, SEED = 3000, 20
_SETTLING = 400  # sweeps before the first draw that is kept
_THIN = 5  # sweeps between two draws that are kept
_TOLD = 0.6  # part of the prior variance: what is left wider is drawn as the normal that it is


@kernel
def _unknown(v: float, mode: float, rate: float) -> tuple[float, float]:
    """Unknown at a value (0 and slope 1 at the mode), and log of its slope; nan where none is."""
    if rate == 0.0:
        return mode + v, 0.0
    grown = 1.0 + rate * v
    if grown <= 0.0:
        return math.nan, 0.0
    return mode + math.log(grown) / rate, -math.log(grown)


@kernel
def _square(matrix: np.ndarray, x: np.ndarray) -> float:
    total = 0.0
    for i in range(x.size):
        row = 0.0
        for j in range(x.size):
            row += matrix[i, j] * x[j]
        total += row * x[i]
    return total


@kernel
def _sample(
    normals: np.ndarray, evens: np.ndarray, mode: np.ndarray, rate: np.ndarray,
    misfit: np.ndarray, prior: np.ndarray, pull: np.ndarray,
    middle: np.ndarray, root: np.ndarray, precision: np.ndarray,
    settling: int, thin: int, out: np.ndarray,
) -> None:  # fmt: skip
    """Elliptical slice sampling about the normal of ``middle`` and ``root``, from the mode."""
    n = mode.size
    here, trial, away, u, off = -middle, np.empty(n), np.empty(n), mode.copy(), np.empty(n)
    current = mode.copy()
    level, used = -1e300, -1
    for k in range(settling + out.shape[0] * thin):
        side = root @ normals[k]
        used = (used + 2) % (evens.size - 1)
        bar = level + math.log(evens[used])
        angle = 2.0 * math.pi * evens[used + 1]
        low, high = angle - 2.0 * math.pi, angle
        for _ in range(50):
            c, s = math.cos(angle), math.sin(angle)
            new, inside = 0.0, True
            for i in range(n):
                away[i] = here[i] * c + side[i] * s
                trial[i] = middle[i] + away[i]
                u[i], steep = _unknown(trial[i], mode[i], rate[i])
                if math.isnan(u[i]):
                    inside = False
                    break
                off[i] = u[i] - mode[i]
                # at the mode the misfit pulls against the prior
                new += steep + pull[i] * (trial[i] - off[i])
            if inside:
                new += 0.5 * (_square(precision, away) - _square(misfit, trial))
                new -= 0.5 * _square(prior, off)
                if new > bar:
                    here[:] = away
                    current[:] = u
                    level = new
                    break
            if angle < 0.0:
                low = angle
            else:
                high = angle
            used = (used + 2) % (evens.size - 1)
            angle = low + (high - low) * evens[used]
        if k >= settling and (k + 1 - settling) % thin == 0:
            out[(k - settling) // thin] = current


def posterior_draws(
    problem: Problem, mode: Mode, count: int = COUNT, seed: int = SEED
) -> np.ndarray:
    """Draw unknowns from the posterior of one hypothesis.

    Parameters
    ----------
    problem : Problem
        The problem that the mode belongs to.
    mode : Mode
        The mode.
    count : int
        Number of draws.
    seed : int
        Of the random numbers.

    Returns
    -------
    ndarray, shape (count, n)
        Unknowns u, standard normal numbers; neighbours are a little correlated.
    """
    n = mode.u.size
    rate = np.zeros(n)
    own = problem.rates(mode.faults)
    left = np.diag(mode.covariance) * np.diag(problem.precision(mode.u.size))
    rate[: own.size] = np.where(left[: own.size] < _TOLD, own, 0.0)
    prior, pull = problem.prior(mode.u)
    misfit = np.linalg.inv(mode.covariance) - prior
    centre, width = _prior_normal(rate, prior, pull)
    precision = misfit + np.diag(width**-2.0)
    covariance = np.linalg.inv(precision)
    middle = covariance @ (pull + centre / width**2)
    rng = np.random.default_rng(seed)
    sweeps = _SETTLING + count * _THIN
    out = np.empty((count, n))
    _sample(
        rng.standard_normal((sweeps, n)), rng.random(sweeps * 8), mode.u, rate, misfit,
        prior, pull, middle, np.linalg.cholesky(covariance), precision, _SETTLING, _THIN, out,
    )  # fmt: skip
    return out


def _prior_normal(
    rate: np.ndarray, prior: np.ndarray, pull: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Centre and width of a normal that stands for the prior of each value by itself."""
    width = 1.0 / np.sqrt(np.diag(prior))
    centre = -np.linalg.solve(prior, pull)
    for i in np.flatnonzero(rate):
        grown = math.exp(rate[i] * centre[i])
        centre[i], width[i] = (grown - 1.0) / rate[i], grown * width[i]
    return centre, width
