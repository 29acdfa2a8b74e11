"""Posterior mode, covariance and evidence of one hypothesis.

The mode is found by damped Gauss-Newton on exact derivatives; the evidence is Laplace's.
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass

import numpy as np
from scipy.linalg import cho_factor, cho_solve

from gantrysim.inverse.hypotheses import FaultKind
from gantrysim.inverse.noise import Noise, estimate
from gantrysim.inverse.problem import PLACE, Metric, Problem, shared_discrepancy, values_of

_DIFFERENTIAL = 1e-5  # of a prior standard deviation: only machines are differenced, not burns
_MOST_STEPS = 20
_SETTLED = 0.5  # and counts as settled if no undamped step promises more than this
_FAIR_TRIAL = 6  # steps before an explanation may be given up
_SIZES = (1.0, 1.5, 2.2, 3.3)  # of the shared discrepancy, of which the residuals choose one
_PROMISE = 0.02  # a step that promises less than this in the log posterior ends the search


@dataclass(frozen=True, eq=False)
class Mode:
    """Posterior mode of one hypothesis.

    Parameters
    ----------
    kinds : tuple of FaultKind
        The faults assumed.
    u : ndarray
        Unknowns at the mode.
    covariance : ndarray
        Posterior covariance of u (Laplace).
    evidence : float
        Log evidence up to a constant common to all hypotheses of one problem and noise.
    cost : float
        Half the whitened sum of squares plus prior at the mode.
    residual : ndarray, shape (m,)
        Residuals of the cells, mm.
    converged : bool
        Whether the last step promised less than 0.02 in the cost.
    paid : float
        Log of the number of places among which a scan chose, already taken off the evidence.
    """

    kinds: tuple[FaultKind, ...]
    u: np.ndarray
    covariance: np.ndarray
    evidence: float
    cost: float
    residual: np.ndarray
    converged: bool
    paid: float = 0.0


class Evaluator:
    """Residuals and their derivatives for one hypothesis (holds no result between calls)."""

    def __init__(self, problem: Problem, kinds: tuple[FaultKind, ...]) -> None:
        self.problem, self.kinds = problem, kinds
        axes = [s.axis for s in problem.scatter]
        for kind in kinds:
            axes += [kind.axis] * len(kind.quantities)
        self.axes = axes

    def at(self, u: np.ndarray) -> np.ndarray:
        """Residuals of the cells at u, mm."""
        problem = self.problem
        lines = problem.forward.lines(problem.forward.run(problem.machine(self.kinds, u)))
        residual = problem.matched.residuals(lines, problem.placement(u))
        return problem.cells.mean(residual) - self._patterns(u)

    def _patterns(self, u: np.ndarray) -> np.ndarray:
        """Heights of the cells from faults that are given as patterns, mm."""
        total = np.zeros(self.problem.cells.count.size)
        for kind, cut in self._cuts():
            if kind.pattern is not None:
                total += kind.pattern @ np.asarray(kind.coefficients(*values_of(kind, u[cut])))
        return total

    def _cuts(self) -> list[tuple[FaultKind, slice]]:
        """Where each fault's unknowns stand."""
        first, cuts = len(self.problem.scatter), []
        for kind in self.kinds:
            cuts.append((kind, slice(first, first + len(kind.quantities))))
            first += len(kind.quantities)
        return cuts

    def linearise(self, u: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Residuals of the cells and their Jacobian at u."""
        problem, forward, matched = self.problem, self.problem.forward, self.problem.matched
        run = forward.run(problem.machine(self.kinds, u))
        lines = forward.lines(run)
        traces = matched.traces(lines)
        place = problem.placement(u)
        residual = matched.against(*traces, place)
        moved = []
        for k in range(len(self.axes)):
            v = u.copy()
            v[k] += _DIFFERENTIAL
            moved.append(problem.machine(self.kinds, v))
        slopes = forward.slopes(run, moved, self.axes, _DIFFERENTIAL)
        columns = [matched.columns(lines, traces, [slopes[cut] for cut in forward.cuts], place)]
        for k in range(u.size - PLACE, u.size):
            v = u.copy()
            small = 1e-4 if k in (u.size - PLACE + 1, u.size - PLACE + 2) else 1e-2
            v[k] += small
            there = matched.against(*traces, problem.placement(v))
            columns.append(((there - residual) / small)[:, None])
        jacobian = problem.cells.mean_columns(np.concatenate(columns, axis=1))
        for kind, cut in self._cuts():
            if kind.pattern is not None:
                jacobian[:, cut] = -kind.pattern @ _slopes(kind, u[cut])
        return problem.cells.mean(residual) - self._patterns(u), jacobian


def _slopes(kind: FaultKind, u: np.ndarray) -> np.ndarray:
    """Derivatives of a pattern's coefficients with the unknowns of its fault."""
    here = np.asarray(kind.coefficients(*values_of(kind, u)))
    moved = [u + _DIFFERENTIAL * e for e in np.eye(u.size)]
    there = [np.asarray(kind.coefficients(*values_of(kind, v))) for v in moved]
    return np.column_stack([(t - here) / _DIFFERENTIAL for t in there])


def solve(
    problem: Problem,
    kinds: tuple[FaultKind, ...],
    start: np.ndarray,
    *,
    most_steps: int = _MOST_STEPS,
    give_up: float = math.inf,
) -> Mode:
    """Find the posterior mode of one hypothesis from a starting point.

    Parameters
    ----------
    problem : Problem
        The prepared piece.
    kinds : tuple of FaultKind
        The faults assumed; empty for healthy.
    start : ndarray
        Unknowns to start from.
    most_steps : int
        Steps allowed.
    give_up : float
        Stop where even twice the promised gain leaves the cost above this: the explanation is
        hopeless beside another one.

    Returns
    -------
    Mode
        The mode with its Laplace covariance and evidence.

    Notes
    -----
    Gauss-Newton with Levenberg's damping (Levenberg, Quart. Appl. Math. 2 (1944) 164).  The
    derivatives of the burned lines are exact (`gantrysim.tangent`); those of the six placement
    and scanner terms, in which the residual is all but linear, are differences.  Being linear,
    those terms are integrated out exactly by the Laplace evidence and covariance.
    """
    metric = problem.metric
    evaluator = Evaluator(problem, kinds)
    u = start.copy()
    damping = 0.0
    converged = False
    r, jacobian = evaluator.linearise(u)
    cost = metric.half_square(r) + 0.5 * float(u @ u)
    hessian, gradient = _quadratic(metric, jacobian, r, u)
    for turn in range(most_steps):
        step, promise = _newton_step(hessian, gradient, damping)
        if promise < _PROMISE:
            _, full = _newton_step(hessian, gradient, 0.0)
            converged = full < _SETTLED
            break
        if turn >= _FAIR_TRIAL and cost - 2.0 * promise > give_up:
            break
        trial = u + step
        trial[:-PLACE] = np.clip(trial[:-PLACE], -8.0, 8.0)
        new_r = evaluator.at(trial)
        new_cost = metric.half_square(new_r) + 0.5 * float(trial @ trial)
        if new_cost < cost:
            damping = 0.0 if damping < 0.1 else damping / 8.0
            u, cost = trial, new_cost
            r, jacobian = evaluator.linearise(u)
            hessian, gradient = _quadratic(metric, jacobian, r, u)
        else:
            damping = max(4.0 * damping, 0.05)
    covariance = np.linalg.inv(hessian)
    evidence = -cost - 0.5 * float(np.linalg.slogdet(hessian)[1]) - 0.5 * metric.log_det
    return Mode(kinds, u, covariance, evidence, cost, r, converged)


def _quadratic(
    metric: Metric, jacobian: np.ndarray, residual: np.ndarray, u: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Hessian (Gauss-Newton) and gradient of the negative log posterior."""
    white, w = metric.columns(jacobian), metric.columns(residual)
    return metric.product(white, white) + np.eye(u.size), metric.product(white, w) + u


def _newton_step(
    hessian: np.ndarray, gradient: np.ndarray, damping: float
) -> tuple[np.ndarray, float]:
    """Damped step, at most two prior standard deviations long, and the gain it promises."""
    scaled = hessian + damping * np.diag(np.diag(hessian))
    step = -cho_solve(cho_factor(scaled), gradient)
    longest = float(np.abs(step[:-PLACE]).max(initial=0.0))
    step *= min(1.0, 2.0 / max(longest, 1e-12))
    return step, -float(gradient @ step) - 0.5 * float(step @ hessian @ step)


def learn_noise(problem: Problem, mode: Mode, *, believable: bool = True) -> Problem:
    """Take noise, cell weights and size of the shared discrepancy from a good fit.

    A cell that stands off by more than three standard deviations weighs less (Huber's weights,
    frozen so that all hypotheses are compared on the same data).  ``believable`` holds the
    noise to what a measurement can be blamed for.
    """
    metric = problem.metric
    white = metric.columns(mode.residual)
    shared = problem.shared @ cho_solve(metric.factor, metric.white.T @ white)
    left = mode.residual - shared
    start = Noise(problem.noise.point)
    noise = estimate(left, problem.cells, start.point, start, believable=believable)
    w, _ = noise.whiten(left, problem.cells)
    weight = np.sqrt(np.minimum(1.0, 3.0 / np.maximum(np.abs(w), 1e-12)))
    machine, place = problem.machine(mode.kinds, mode.u), problem.placement(mode.u)
    shared = shared_discrepancy(machine, problem.matched, problem.cells, place)
    candidates = [
        dataclasses.replace(problem, noise=noise, weight=weight, shared=factor * shared)
        for factor in _SIZES
    ]
    fits = [-c.metric.half_square(mode.residual) - 0.5 * c.metric.log_det for c in candidates]
    return candidates[int(np.argmax(fits))]


def search(
    problem: Problem,
    kinds: tuple[FaultKind, ...],
    healthy: Mode | None = None,
    *,
    give_up: float = math.inf,
) -> Mode:
    """Find the mode of one hypothesis from the better of its starting points.

    Parameters
    ----------
    problem : Problem
        The prepared piece.
    kinds : tuple of FaultKind
        The faults assumed.
    healthy : Mode, optional
        Mode of the healthy machine: with a faint fault added it is a starting point too.
    give_up : float
        See `solve`.

    Returns
    -------
    Mode
        The mode; where a fault may have either sign with a kink between, the better of both.
    """
    signs = (1.0, -1.0) if any(kind.two_signs for kind in kinds) else (0.0,)
    modes = []
    for sign in signs:
        starts = [_place_faults(problem, kinds, problem.start(()), sign, faint=False)]
        if healthy is not None:
            starts.append(_place_faults(problem, kinds, healthy.u, sign, faint=True))
        metric, evaluator = problem.metric, Evaluator(problem, kinds)
        costs = [metric.half_square(evaluator.at(u)) + 0.5 * float(u @ u) for u in starts]
        modes.append(solve(problem, kinds, starts[int(np.argmin(costs))], give_up=give_up))
    return max(modes, key=lambda mode: mode.evidence)


def promised_gain(problem: Problem, mode: Mode, extra: FaultKind) -> float:
    """How much a further fault promises to explain, from the slopes at a mode alone.

    Parameters
    ----------
    problem : Problem
        The prepared piece.
    mode : Mode
        A mode without that fault.
    extra : FaultKind
        The further fault, tried faintly and as believed.

    Returns
    -------
    float
        Promised gain in the log posterior; a cheap screen before `search`.
    """
    kinds = (*mode.kinds, extra)
    n = mode.u.size - PLACE
    faint = [-2.0 if q.ratio else 0.0 for q in extra.quantities]
    u = np.concatenate([mode.u[:n], faint, mode.u[n:]])
    residual, jacobian = Evaluator(problem, kinds).linearise(u)
    cost = problem.metric.half_square(residual) + 0.5 * float(u @ u)
    hessian, gradient = _quadratic(problem.metric, jacobian, residual, u)
    step = -cho_solve(cho_factor(hessian), gradient)
    promise = -float(gradient @ step) - 0.5 * float(step @ hessian @ step)
    return mode.cost - (cost - promise)


def extend(problem: Problem, mode: Mode, extra: FaultKind, *, give_up: float = math.inf) -> Mode:
    """Mode with a further fault, searched from a mode without it; ``give_up`` as in `solve`."""
    kinds = (*mode.kinds, extra)
    n = mode.u.size - PLACE
    starts = [
        np.concatenate([mode.u[:n], np.full(len(extra.quantities), x), mode.u[n:]])
        for x in ((0.5, -0.5) if extra.two_signs else (0.0,))
    ]
    modes = [solve(problem, kinds, u, give_up=give_up) for u in starts]
    return max(modes, key=lambda m: m.evidence)


def _place_faults(
    problem: Problem, kinds: tuple[FaultKind, ...], u: np.ndarray, sign: float, *, faint: bool
) -> np.ndarray:
    """Put faults, faint or as believed, into the unknowns of a healthy machine."""
    n = len(problem.scatter)
    faults = [
        (-2.0 if faint else 0.0) if q.ratio else 0.5 * sign
        for kind in kinds
        for q in kind.quantities
    ]
    return np.concatenate([u[:n], faults, u[n:]])
