"""Propagating uncertainty: linear (JCGM 100), by Monte Carlo (JCGM 101), and how both are written.

Clauses are cited from memory.  Units are those of what is handed in.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike

from gantrysim.records.arrays import Array

LEVEL = 0.95
#: Half width of the 95 % interval of a normal distribution in standard uncertainties.
NORMAL_95 = 1.959963984540054


def propagated(sensitivity: ArrayLike, covariance: ArrayLike) -> float:
    """Combined standard uncertainty: square root of c' C c.

    Parameters
    ----------
    sensitivity : array_like, shape (n,)
        Derivatives c of the result by each input.
    covariance : array_like, shape (n, n) or (n,)
        Covariance of the inputs, or the variances of independent ones.

    References
    ----------
    JCGM 100:2008, 5.1.2 (independent inputs) and 5.2.2 (correlated inputs).
    """
    c = np.asarray(sensitivity, dtype=np.float64)
    spread = np.asarray(covariance, dtype=np.float64)
    variance = c**2 @ spread if spread.ndim == 1 else c @ spread @ c
    return math.sqrt(max(float(variance), 0.0))


def effective_freedom(contributions: ArrayLike, freedom: ArrayLike) -> float:
    """Effective degrees of freedom of a combined uncertainty (Welch and Satterthwaite).

    Parameters
    ----------
    contributions : array_like, shape (n,)
        Standard uncertainties times their sensitivities, of independent inputs.
    freedom : array_like, shape (n,)
        Degrees of freedom of each; infinity where it is known without doubt.

    References
    ----------
    JCGM 100:2008, G.4.1, formula (G.2b).
    """
    u = np.asarray(contributions, dtype=np.float64)
    below = float(np.sum(u**4 / np.asarray(freedom, dtype=np.float64)))
    return float(np.sum(u**2)) ** 2 / below if below > 0 else math.inf


def coverage_interval(draws: ArrayLike, level: float = LEVEL) -> tuple[float, float]:
    """Interval with equal tails from Monte Carlo draws.

    Parameters
    ----------
    draws : array_like, shape (trials,)
        Draws of the result.
    level : float
        Coverage probability, between 0 and 1.

    Raises
    ------
    ValueError
        If the level is no probability, or there are too few draws to have tails.

    References
    ----------
    JCGM 101:2008, 7.7 (probabilistically symmetric interval).
    """
    if not 0 < level < 1:
        raise ValueError(f"level must be between 0 and 1, found {level!r}.")
    values = np.asarray(draws, dtype=np.float64)
    if values.size * (1 - level) < 2:
        raise ValueError(f"{values.size} draws are too few for an interval of level {level:g}.")
    low, high = np.quantile(values, ((1 - level) / 2, (1 + level) / 2))
    return float(low), float(high)


def monte_carlo(
    result: Callable[[Array], Array],
    draw: Callable[[np.random.Generator, int], Array],
    trials: int,
    rng: np.random.Generator | int,
    level: float = LEVEL,
) -> tuple[float, float, tuple[float, float]]:
    """Propagate distributions: mean, standard uncertainty and interval of a result.

    Parameters
    ----------
    result : callable
        Takes inputs of shape (trials, n) and gives results of shape (trials,).
    draw : callable
        Takes a generator and a number of trials and gives inputs, shape (trials, n).
    trials : int
        Number of trials; 10^6 is the usual choice for two digits of the interval.
    rng : Generator or int
        Generator, or the seed of a new one.
    level : float
        Coverage probability, between 0 and 1.

    References
    ----------
    JCGM 101:2008, clause 7.
    """
    drawn = np.asarray(result(draw(np.random.default_rng(rng), trials)), dtype=np.float64)
    return float(drawn.mean()), float(drawn.std(ddof=1)), coverage_interval(drawn, level)


def numerical_tolerance(u: float, digits: int = 2) -> float:
    """Tolerance delta within which two ways to an interval must agree.

    Half a unit of the last of so many significant digits of u: u = c 10^r with whole c of `digits`
    digits, delta = 10^r / 2.

    Parameters
    ----------
    u : float
        Standard uncertainty, above zero.
    digits : int
        Significant digits of u that count, 1 or 2.

    Raises
    ------
    ValueError
        If u is not above zero.

    References
    ----------
    JCGM 101:2008, 7.9.2 and 8.1.
    """
    if not u > 0:
        raise ValueError(f"u must be above zero, found {u!r}.")
    power = math.floor(math.log10(u)) - digits + 1
    if round(u / 10.0**power) >= 10**digits:  # 0.0996 to two digits is 10 hundredths
        power += 1
    return 0.5 * 10.0**power


def concise(value: float, u: float | None, digits: int = 2) -> str:
    """A value with its standard uncertainty in brackets, in units of the last digit.

    Parameters
    ----------
    value : float
        Any unit.
    u : float or None
        Standard uncertainty in that unit; without one the value stands alone, to six digits.
    digits : int
        Significant digits of u.

    References
    ----------
    JCGM 100:2008, 7.2.2, second form: 100.021 47(35) g.
    """
    if u is None or not math.isfinite(u) or u <= 0:
        return f"{value:.6g}"
    places = round(-math.log10(2 * numerical_tolerance(u, digits)))
    if places < 0:
        step = 10.0**-places
        return f"{round(value / step) * step:.0f}({round(u / step) * step:.0f})"
    written = f"{u:.{places}f}" if u >= 1 and places else f"{round(u * 10**places)}"
    return f"{value:.{places}f}({written})"
