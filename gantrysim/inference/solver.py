"""Posterior mode, covariance and evidence of one hypothesis.

The mode is found by damped Gauss-Newton on exact derivatives; the evidence is Laplace's.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from gantrysim.inference.definite import Definite
from gantrysim.inference.faultmodel import FaultModel
from gantrysim.inference.problem import Problem
from gantrysim.inference.whitening import Fitted
from gantrysim.records.crew import go_on

_DIFFERENTIAL = 1e-5  # of a prior standard deviation: for patterns; shorter steps teach nothing
_MOST_STEPS = 20
_SETTLED = 1.5  # nats; a mode is settled if no undamped step promises more: at a kink some do
_FAIR_TRIAL = 4  # steps before an explanation may be given up
#: Derivatives are carried on from step to step as long as each gains this part of its promise; a
#: mode rests on those of a place no further off than this, in standard deviations.
_KEPT, _NEAR = 0.3, 0.3
_LONGEST = 2.0  # of a step, standard deviations of a machine unknown; one cut so short goes far
_HARDLY = 0.1  # of that, where damping keeps a step short: it does not get better from here
_SHRINK = -0.9  # a step leaves at least a tenth of a drag, a play, a softness
_PROMISE = 0.02  # a step that promises less than this in the log posterior ends the search


@dataclass(frozen=True, eq=False)
class Mode:
    """Posterior mode of one hypothesis.

    Parameters
    ----------
    faults : tuple of FaultModel
        The faults assumed.
    u : ndarray
        Unknowns at the mode.
    covariance : ndarray
        Posterior covariance of u (Laplace).
    evidence : float
        Log evidence up to a constant common to all hypotheses of one problem and noise.
    cost : float
        Half the whitened sum of squares plus prior at the mode.
    residuals : tuple of ndarray
        Residuals of each source (of the bins of a piece, mm).
    jacobian : tuple of ndarray
        Their derivatives with all unknowns.
    converged : bool
        Whether no step promised more than 1.5 nats at the end.
    paid : float
        What its search took off the evidence: for a place chosen among many, for a further fault,
        for a valley that is narrower than its curvature says.
    """

    faults: tuple[FaultModel, ...]
    u: np.ndarray
    covariance: np.ndarray
    evidence: float
    cost: float
    residuals: tuple[np.ndarray, ...]
    jacobian: tuple[np.ndarray, ...]
    converged: bool
    paid: float = 0.0


class Evaluator:
    """Residuals and their derivatives for one hypothesis (holds no result between calls)."""

    def __init__(self, problem: Problem, faults: tuple[FaultModel, ...]) -> None:
        self.problem, self.faults = problem, faults
        self.axes = problem.axes(faults)

    def at(self, u: np.ndarray) -> tuple[np.ndarray, ...]:
        """Residuals of each source at u, mm."""
        go_on()
        problem = self.problem
        machine = problem.machine(self.faults, u)
        owned = zip(problem.sources, problem.nuisance_cuts(u.size), strict=True)
        found = [source.residual(machine, u[cut]) for source, cut in owned]
        self._take_patterns(found, u)
        return tuple(found)

    def cost(self, u: np.ndarray, residuals: tuple[np.ndarray, ...]) -> float:
        """Negative log posterior up to a constant of the problem."""
        misfit = sum(
            source.metric.half_square(r)
            for source, r in zip(self.problem.sources, residuals, strict=True)
        )
        return misfit + self.problem.half_prior(u)

    def linearise(
        self, u: np.ndarray, which: Sequence[int] | None = None
    ) -> tuple[tuple[np.ndarray, ...], tuple[np.ndarray, ...]]:
        """Residuals of each source and their Jacobians at u.

        With all unknowns; or, of the machine's, with some: the other columns are then zero.
        """
        go_on()
        problem = self.problem
        machine = problem.machine(self.faults, u)
        amounts = {source.amount for source in problem.sources}
        shared = list(range(u.size - problem.n_nuisance)) if which is None else list(which)
        moved = {a: problem.machines_beside(self.faults, u, a, shared) for a in amounts}
        axes = [self.axes[k] for k in shared]
        residuals, jacobians = [], []
        for source, cut in zip(problem.sources, problem.nuisance_cuts(u.size), strict=True):
            beside = moved[source.amount]
            r, own = source.linearise(machine, beside, axes, source.amount, u[cut])
            jacobian = np.zeros((r.size, u.size))
            jacobian[:, shared] = own[:, : len(shared)]
            jacobian[:, cut] = own[:, len(shared) :]
            residuals.append(r)
            jacobians.append(jacobian)
        self._take_patterns(residuals, u)
        for fault, cut in zip(self.faults, problem.fault_cuts(self.faults), strict=True):
            if fault.pattern is not None:
                slope = _slopes(problem, fault, u[cut])
                for i, pattern in fault.pattern.items():
                    jacobians[i][:, cut] = -pattern @ slope
        return tuple(residuals), tuple(jacobians)

    def begun(
        self, u: np.ndarray, near: Mode
    ) -> tuple[tuple[np.ndarray, ...], tuple[np.ndarray, ...]]:
        """As `linearise`, but what faults beyond those of a mode do not move is taken from it."""
        n = near.u.size - self.problem.n_nuisance
        new = range(n, u.size - self.problem.n_nuisance)
        residuals, jacobians = self.linearise(u, new)
        for own, known in zip(jacobians, near.jacobian, strict=True):
            own[:, :n] = known[:, :n]
        return residuals, jacobians

    def quadratic(
        self, u: np.ndarray, residuals: tuple[np.ndarray, ...], jacobians: tuple[np.ndarray, ...]
    ) -> tuple[np.ndarray, np.ndarray]:
        """Hessian (Gauss-Newton) and gradient of the negative log posterior."""
        hessian, gradient = self.problem.prior(u)
        for source, r, jacobian in zip(self.problem.sources, residuals, jacobians, strict=True):
            own, pull = source.metric.normal(jacobian, r)
            hessian = hessian + own
            gradient = gradient + pull
        return hessian, gradient

    def _take_patterns(self, residuals: list[np.ndarray], u: np.ndarray) -> None:
        """Take off what faults given as patterns add to each source, mm."""
        for fault, cut in zip(self.faults, self.problem.fault_cuts(self.faults), strict=True):
            if fault.pattern is not None:
                amounts = np.asarray(fault.coefficients(*self.problem.values(fault, u[cut])))
                for i, pattern in fault.pattern.items():
                    residuals[i] = residuals[i] - pattern @ amounts


def _slopes(problem: Problem, fault: FaultModel, u: np.ndarray) -> np.ndarray:
    """Derivatives of a pattern's coefficients with the unknowns of its fault."""
    here = np.asarray(fault.coefficients(*problem.values(fault, u)))
    moved = [u + _DIFFERENTIAL * e for e in np.eye(u.size)]
    there = [np.asarray(fault.coefficients(*problem.values(fault, v))) for v in moved]
    return np.column_stack([(t - here) / _DIFFERENTIAL for t in there])


def log_posterior(problem: Problem, faults: tuple[FaultModel, ...], u: np.ndarray) -> float:
    """Log posterior density of the unknowns of one hypothesis, the shared terms integrated out.

    Parameters
    ----------
    problem : Problem
        The prepared pieces, with the noise as it stands.
    faults : tuple of FaultModel
        The faults assumed; empty for healthy.
    u : ndarray, shape (n,)
        Unknowns, standard normal numbers.

    Returns
    -------
    float
        Up to a constant of the problem; minus infinity where no such machine can be built.

    Notes
    -----
    Exact, with nothing made linear: what a sampler needs to check `solve` against.
    """
    evaluator = Evaluator(problem, faults)
    try:
        return -evaluator.cost(u, evaluator.at(u))
    except ValueError:
        return -math.inf


def solve(
    problem: Problem,
    faults: tuple[FaultModel, ...],
    start: np.ndarray | Mode,
    *,
    near: Mode | None = None,
    most_steps: int = _MOST_STEPS,
    give_up: float = math.inf,
    held: Sequence[int] = (),
) -> Mode:
    """Find the posterior mode of one hypothesis from a starting point.

    Parameters
    ----------
    problem : Problem
        The prepared piece.
    faults : tuple of FaultModel
        The faults assumed; empty for healthy.
    start : ndarray or Mode
        Unknowns to start from, or a mode of the same hypothesis under another noise.
    near : Mode, optional
        A mode without the last of the faults, whose derivatives do to begin with.
    most_steps : int
        Steps allowed.
    give_up : float
        Stop where even twice the gain that the quadratic model promises in all leaves the cost
        above this: the explanation is hopeless beside another one, and its derivatives may be
        those carried on.
    held : sequence of int
        Unknowns that stay where they start; their rows of the covariance are zero, and the
        evidence is that of the others.

    Returns
    -------
    Mode
        The mode with its Laplace covariance and evidence.

    Notes
    -----
    Gauss-Newton with Levenberg's damping (Levenberg, Quart. Appl. Math. 2 (1944) 164); derivatives
    are carried on by secants (Broyden, Math. Comp. 19 (1965) 577), and made anew where a step gains
    less than it should, and at the mode.  The
    derivatives of the burned lines are exact (`gantrysim.mechanics.derivatives`); those of the six
    placement and scanner terms, in which the residual is all but linear, are differences.  Being
    linear, those terms are integrated out exactly by the Laplace evidence and covariance.
    """
    evaluator = Evaluator(problem, faults)
    own = problem.n_nuisance
    damping = 0.0
    # steps are straight in what acts on the burn: healthy and faulty drag add up, and a straight
    # step in their logarithms would leave the valley that their sum makes
    curved = np.flatnonzero(rate := problem.rates(faults))
    rates = rate[curved]
    free = np.delete(np.arange(len(start.u if isinstance(start, Mode) else start)), list(held))
    if isinstance(start, Mode):
        u, r, jacobian = start.u.copy(), start.residuals, start.jacobian
    else:
        u = start.copy()
        r, jacobian = evaluator.linearise(u) if near is None else evaluator.begun(u, near)
    aged = 0.0 if near is None else math.inf  # how far u has moved since derivatives were made
    cost = evaluator.cost(u, r)
    hessian, gradient = evaluator.quadratic(u, r, jacobian)
    for turn in range(most_steps):
        step, full = _newton_step(hessian, gradient, 0.0, own, free)
        promise = full
        if damping > 0.0:
            step, promise = _newton_step(hessian, gradient, damping, own, free)
        if turn >= _FAIR_TRIAL and cost - 2.0 * whole_gain(hessian, gradient) > give_up:
            break
        if full < _PROMISE or promise < _HARDLY * _PROMISE:
            if aged < _NEAR:
                break
            gained = 0.0
        else:
            trial = u + step
            trial[curved] = u[curved] + np.log1p(np.maximum(rates * step[curved], _SHRINK)) / rates
            trial[: u.size - own] = np.clip(trial[: u.size - own], -8.0, 8.0)
            new_r = evaluator.at(trial)
            new_cost = evaluator.cost(trial, new_r)
            gained = cost - new_cost
        moved = np.zeros_like(u)
        carried: tuple[np.ndarray, ...] = jacobian
        if gained > 0.0:
            damping = 0.0 if damping < 0.1 else damping / 8.0
            moved[: u.size - own] = (trial - u)[: u.size - own]
            carried = tuple(
                _secant(*each, trial - u, moved) for each in zip(jacobian, r, new_r, strict=True)
            )
            u, cost, r = trial, new_cost, new_r
        length = float(np.abs(moved).max(initial=0.0))
        if gained > _KEPT * promise and length < _LONGEST:
            jacobian = carried
            aged += length
        elif gained > 0.0 or aged > 0.0:
            r, jacobian = evaluator.linearise(u)
            aged = 0.0
        else:
            damping = max(4.0 * damping, 0.05)
            continue
        hessian, gradient = evaluator.quadratic(u, r, jacobian)
    else:
        if aged >= _NEAR:  # what is compared rests on derivatives of the place itself
            r, jacobian = evaluator.linearise(u)
            hessian, gradient = evaluator.quadratic(u, r, jacobian)
    converged = _newton_step(hessian, gradient, 0.0, own, free)[1] < _SETTLED
    covariance = np.zeros_like(hessian)
    of_free = hessian[np.ix_(free, free)]
    inverse = np.linalg.inv(of_free)
    covariance[np.ix_(free, free)] = 0.5 * (inverse + inverse.T)  # one half of it says all
    log_det = sum(source.metric.log_det for source in problem.sources)
    evidence = -cost - 0.5 * float(np.linalg.slogdet(of_free)[1]) - 0.5 * log_det
    evidence += 0.5 * float(np.linalg.slogdet(problem.precision(u.size)[np.ix_(free, free)])[1])
    return Mode(faults, u, covariance, evidence, cost, r, jacobian, converged)


def _secant(
    jacobian: np.ndarray, r: np.ndarray, new: np.ndarray, step: np.ndarray, moved: np.ndarray
) -> np.ndarray:
    """Derivatives changed along a step alone, so that they foretell what it did."""
    length = float(moved @ moved)
    if length < _DIFFERENTIAL**2:  # rounding alone would be foretold
        return jacobian
    return jacobian + np.outer(new - r - jacobian @ step, moved / length)


def _newton_step(
    hessian: np.ndarray, gradient: np.ndarray, damping: float, own: int, free: np.ndarray
) -> tuple[np.ndarray, float]:
    """Damped step, at most `_LONGEST`, and the gain it promises."""
    scaled = (hessian + damping * np.diag(np.diag(hessian)))[np.ix_(free, free)]
    step = np.zeros_like(gradient)
    step[free] = -Definite.of(scaled).solve(gradient[free])
    longest = float(np.abs(step[: step.size - own]).max(initial=0.0))
    step *= min(1.0, _LONGEST / max(longest, 1e-12))
    return step, -float(gradient @ step) - 0.5 * float(step @ hessian @ step)


def whole_gain(hessian: np.ndarray, gradient: np.ndarray) -> float:
    """Gain that the quadratic model promises over a step of any length."""
    return 0.5 * float(gradient @ Definite.of(hessian).solve(gradient))


def learn_noise(problem: Problem, mode: Mode, *, believable: bool = True) -> Problem:
    """Take the noise of every source from a good fit, see `BurnedPiece.learned`."""
    machine = problem.machine(mode.faults, mode.u)
    prior, pull = problem.prior(mode.u)
    root = np.linalg.cholesky(prior)  # of the precision: what is free is what its inverse leaves
    taken = np.linalg.solve(root, pull)
    cuts = problem.nuisance_cuts(mode.u.size)
    learned = []
    for source, cut, r, jacobian in zip(
        problem.sources, cuts, mode.residuals, mode.jacobian, strict=True
    ):
        free = np.linalg.solve(root, jacobian.T).T
        fitted = Fitted(r, free, taken)
        learned.append(source.learned(machine, mode.u[cut], fitted, believable=believable))
    return dataclasses.replace(problem, sources=tuple(learned))
