"""Laplace's posterior against draws from the exact one by an outside sampler.

Sampler: the `emcee` library (D. Foreman-Mackey et al., PASP 125 (2013) 306), here with steps of
its differential evolution (C. J. F. ter Braak, Stat. Comput. 16 (2006) 239) and with independent
proposals about the mode, both corrected to the exact density by Metropolis and Hastings.
"""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from lifted import lift

import gantrysim as gs
from gantrysim.faults.healthy import HEALTHY_SCATTER
from gantrysim.inference.fitting import Fit, magnitudes
from gantrysim.inference.parameters import Belief, values_at
from gantrysim.inference.problem import Problem, prepare
from gantrysim.inference.search import search
from gantrysim.inference.solver import Mode, learn_noise, log_posterior, solve

SMALL = gs.ring_test(("circle",), spacing=10.0, largest=30.0, centre=(150.0, 140.0), feed=30.0)
SEED, STEPS, SETTLING, WIDER = 3, 240, 40, 1.1


def _posterior(fault: object, name: str, scatter: tuple[str, ...]) -> tuple[Problem, Mode]:
    """Mode of a small case in which only some of the healthy scatter is unknown."""
    piece = lift(gs.Machine().with_faults(fault), SMALL, noise=0.01)
    kept = tuple(s for s in HEALTHY_SCATTER if s.parameter.name in scatter)
    problem = dataclasses.replace(
        prepare(piece, gs.Machine()), scatter=kept, belief=Belief.fresh(kept)
    )
    mode = search(problem, gs.Machine().catalogue().of_name(name))
    problem = learn_noise(problem, mode)
    return problem, solve(problem, mode.faults, mode)


def _sampled(problem: Problem, mode: Mode) -> np.ndarray:
    """Draws from the exact posterior, shape (n, unknowns)."""
    emcee = pytest.importorskip("emcee")
    root = WIDER * np.linalg.cholesky(mode.covariance)
    back = np.linalg.inv(root)

    def propose(x: np.ndarray, rng: np.random.RandomState) -> tuple[np.ndarray, np.ndarray]:
        new = rng.standard_normal(x.shape)
        old = (x - mode.u) @ back.T
        return mode.u + new @ root.T, 0.5 * np.sum(new**2 - old**2, axis=1)

    moves = [(emcee.moves.MHMove(propose), 0.4), (emcee.moves.DEMove(), 0.6)]
    size = mode.u.size
    sampler = emcee.EnsembleSampler(
        2 * size, size, lambda u: log_posterior(problem, mode.faults, u), moves=moves
    )
    rng = np.random.default_rng(SEED)
    start = mode.u + rng.standard_normal((2 * size, size)) @ (root / WIDER).T
    sampler.random_state = np.random.RandomState(SEED).get_state()
    sampler.run_mcmc(start, STEPS)
    assert sampler.acceptance_fraction.mean() > 0.15
    return sampler.get_chain(discard=SETTLING, flat=True)


def _compare(problem: Problem, mode: Mode, draws: np.ndarray, name: str) -> tuple[float, float]:
    """Shift of the mean and ratio of the deviations, sampled to Laplace, of one unknown."""
    names = [s.parameter.name for s in problem.scatter] + [k.name for k in mode.faults]
    k = names.index(name)
    deviation = math.sqrt(mode.covariance[k, k])
    return (draws[:, k].mean() - mode.u[k]) / deviation, draws[:, k].std() / deviation


@pytest.mark.slow
def test_laplace_agrees_with_the_sampled_posterior_of_a_well_told_size() -> None:
    """Means within 0.25 and deviations within 20 %: a few hundred independent draws.

    Their own error is about 5 % of a standard deviation.
    """
    problem, mode = _posterior(
        gs.faults.ScaleError("x", 0.006), "scale_x", ("drag carriage", "squareness", "scale y")
    )
    draws = _sampled(problem, mode)
    for name in ("scale_x", "drag carriage", "squareness"):
        shift, ratio = _compare(problem, mode, draws, name)
        assert abs(shift) < 0.25, name
        assert ratio == pytest.approx(1.0, abs=0.2), name
    kind, n = mode.faults[0], len(problem.scatter)
    sizes = [kind.magnitude(*values_at(kind.parameters, u[n : n + 1])) for u in draws]
    low, high = np.quantile(sizes, [0.025, 0.975])
    told = magnitudes(problem, mode)[kind.name]
    wide = told.high - told.low
    assert [low, high] == pytest.approx([told.low, told.high], abs=0.12 * wide)


@pytest.mark.slow
def test_profile_and_draws_follow_the_sampled_posterior_where_laplace_reaches_too_far() -> None:
    """A little drag, told beside what is healthy: what shows is the drag, not its logarithm.

    Laplace's normal in the logarithm lets it grow too far; the profile and the draws behind the
    stated interval do not.  Tolerance: 15 % of the interval, for the draws' own error and because
    a profile is no marginal.
    """
    problem, mode = _posterior(
        gs.faults.TightCarriage(1.5), "tight_carriage", ("drag carriage", "belt x EA", "squareness")
    )
    draws = _sampled(problem, mode)
    kind, n = mode.faults[0], len(problem.scatter)

    def size(u: float) -> float:
        return float(kind.magnitude(*values_at(kind.parameters, [u])))

    low, high = np.quantile([size(u) for u in draws[:, n]], [0.025, 0.975])
    wide = high - low
    assert size(mode.u[n] + 1.96 * math.sqrt(mode.covariance[n, n])) > high + 0.18 * wide
    told = magnitudes(problem, mode)[kind.name]
    assert (told.low, told.high) == pytest.approx((low, high), abs=0.15 * wide)
    found = Fit(problem, mode, gs.Machine()).profile("tight_carriage")
    assert found.interval() == pytest.approx((low, high), abs=0.15 * wide)


def test_a_machine_that_cannot_be_has_no_density() -> None:
    problem, mode = _posterior(gs.faults.ScaleError("x", 0.006), "scale_x", ("squareness",))
    assert log_posterior(problem, mode.faults, mode.u) == pytest.approx(-mode.cost)
    u = mode.u.copy()
    u[1] = -1e6
    assert log_posterior(problem, mode.faults, u) == -math.inf
