"""Draws from the posterior of one hypothesis, curved where the unknowns' scales are curved.

Laplace's normal approximation lives in the standard normal unknowns u.  What a burn answers to,
nearly in proportion, are the values behind them (a drag in N, a stiffness within its bounds, the
inverse of a stiffness that a fault has lowered), and those are curved functions of u.  Here the
misfit is taken as quadratic in these values about the mode, the prior stays exact, and draws are
made by elliptical slice sampling about Laplace's normal (Murray, Adams and MacKay, AISTATS 2010;
about a fitted normal: Nishihara, Murray and Adams, JMLR 15 (2014) 2087).  No burn is run.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from gantrysim.inverse.prior import Quantity
from gantrysim.inverse.problem import Problem
from gantrysim.inverse.solver import Mode

COUNT, SEED = 2000, 20
_THIN = 5  # sweeps between two draws that are kept
_LINEAR, _RATIO, _INVERSE, _BOUNDED = 0, 1, 2, 3


def _curve(quantity: Quantity) -> int:
    if quantity.bounded:
        return _BOUNDED
    if not quantity.ratio:
        return _LINEAR
    return _INVERSE if quantity.faint > 0.0 else _RATIO


@njit(cache=True, nogil=True)
def _values(
    u: np.ndarray, curve: np.ndarray, spread: np.ndarray, mode: np.ndarray, out: np.ndarray
) -> None:
    """What the burn answers to, counted from the mode and scaled to slope 1 there."""
    for i in range(u.size):
        step = u[i] - mode[i]
        if curve[i] == 0:
            out[i] = step
        elif curve[i] == 3:
            slope = math.exp(-0.5 * mode[i] * mode[i]) * math.sqrt(2.0 / math.pi)
            root = math.sqrt(2.0)
            out[i] = (math.erf(u[i] / root) - math.erf(mode[i] / root)) / slope
        else:
            s = spread[i] if curve[i] == 1 else -spread[i]
            out[i] = (math.exp(s * step) - 1.0) / s


@njit(cache=True, nogil=True)
def _excess(
    u: np.ndarray, mode: np.ndarray, curve: np.ndarray, spread: np.ndarray,
    misfit: np.ndarray, slope: np.ndarray, v: np.ndarray,
) -> float:  # fmt: skip
    """Log of the curved posterior over Laplace's normal, up to a constant."""
    _values(u, curve, spread, mode, v)
    total = 0.0
    for i in range(u.size):
        if curve[i] != 0 or v[i] != 0.0:
            d = u[i] - mode[i]
            total -= slope[i] * (v[i] - d)
            for j in range(u.size):
                total -= 0.5 * misfit[i, j] * (v[i] * v[j] - d * (u[j] - mode[j]))
    return total


@njit(cache=True, nogil=True)
def _sample(
    normals: np.ndarray, evens: np.ndarray, root: np.ndarray, mode: np.ndarray,
    curve: np.ndarray, spread: np.ndarray, misfit: np.ndarray, slope: np.ndarray,
    thin: int, out: np.ndarray,
) -> None:  # fmt: skip
    n = mode.size
    here = mode.copy()
    trial = np.empty(n)
    v = np.empty(n)
    level = 0.0
    used = -1
    for k in range(out.shape[0] * thin):
        side = root @ normals[k]
        used = (used + 2) % (evens.size - 1)
        bar = level + math.log(evens[used])
        angle = 2.0 * math.pi * evens[used + 1]
        low, high = angle - 2.0 * math.pi, angle
        for _ in range(40):
            c, s = math.cos(angle), math.sin(angle)
            for i in range(n):
                trial[i] = mode[i] + (here[i] - mode[i]) * c + side[i] * s
            new = _excess(trial, mode, curve, spread, misfit, slope, v)
            if new > bar:
                here[:] = trial
                level = new
                break
            if angle < 0.0:
                low = angle
            else:
                high = angle
            used = (used + 1) % (evens.size - 1)
            angle = low + (high - low) * evens[used]
        if (k + 1) % thin == 0:
            out[k // thin] = here


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
    quantities = [s.quantity for s in problem.scatter]
    quantities += [q for kind in mode.kinds for q in kind.quantities]
    n = mode.u.size
    curve, spread = np.zeros(n, dtype=np.int64), np.ones(n)
    curve[: len(quantities)] = [_curve(q) for q in quantities]
    spread[: len(quantities)] = [q.spread for q in quantities]
    prior, pull = problem.prior(mode.u)
    misfit = np.linalg.inv(mode.covariance) - prior
    rng = np.random.default_rng(seed)
    out = np.empty((count, n))
    _sample(
        rng.standard_normal((count * _THIN, n)), rng.random(count * _THIN * 8),
        np.linalg.cholesky(mode.covariance), mode.u, curve, spread, misfit, -pull, _THIN, out,
    )  # fmt: skip
    return out
