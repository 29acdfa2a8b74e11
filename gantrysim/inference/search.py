"""Where the search for the mode of one hypothesis begins, and what a further fault promises.

Most costs are all but round, and one start at the usual size will do.  That of a play which is
taken up at one place of a ring or another jumps there and has many valleys: its search looks at
many places first, begins at the best, and looks around from where it ends.
"""

from __future__ import annotations

import dataclasses
import functools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import logsumexp
from scipy.stats import norm, qmc

from gantrysim.inference.definite import Definite
from gantrysim.inference.faultmodel import FaultModel
from gantrysim.inference.problem import Problem
from gantrysim.inference.solver import Evaluator, Mode, solve, whole_gain

_BETTER = 0.2  # what another start must promise beyond the first, nats
_TIMES_FAINT = 4.0  # a believable fault is so many times one that is hardly there
_GLANCE = 3  # steps of a glance: evidences are then within .3 nats, most of them
# Of 56 loose carriages that the model itself burned (7 with 8 noises each) all intervals hold
# with these numbers (of six starts placed by hand 18 missed); twice as many find hardly more.
_WIDE, _CLOSE = 7, 7  # places looked at before a search and around a mode: powers of two
_WIDTH = 1.2  # of the first, prior standard deviations: a little beyond what is believed
_RADII = (0.05, 0.2, 0.8)  # of those around a mode, by turns: valleys are narrow and wide
_LOOKS = 4  # around modes, at most
_LONGEST = 1.0  # that a machine unknown may follow, standard deviations


def search(
    problem: Problem,
    faults: tuple[FaultModel, ...],
    healthy: Mode | None = None,
    *,
    give_up: float = math.inf,
) -> Mode:
    """Mode of one hypothesis from the better of its starting points; the rest as in `solve`.

    ``healthy``: mode of the healthy machine, with a faint fault a starting point too; if absent it
    is solved for.  Where the cost has several valleys, the best that was found.
    """
    healthy = healthy or solve(problem, (), problem.start(()))
    if not faults:
        return healthy
    # a healthy machine that took up what a fault does may lie in a valley of its own
    begun = (problem.start(()), False), (healthy.u, True)
    starts = [_with_new(problem, faults, u, faint=faint) for u, faint in begun]
    return _best(problem, faults, starts, healthy, usual=0, give_up=give_up)


def extend(problem: Problem, mode: Mode, extra: FaultModel, *, give_up: float = math.inf) -> Mode:
    """Mode with a further fault, searched from a mode without it; the rest as in `solve`.

    From where it hardly shows, and from its usual size on a machine as believed: what the mode
    took up for want of the fault is kept, or given back.
    """
    usual = mode.u.copy()
    usual[: len(problem.scatter)] = problem.belief.mean
    begun = (mode.u, True), (usual, False)
    starts = [_with_new(problem, (extra,), u, faint=faint) for u, faint in begun]
    return _best(problem, (*mode.faults, extra), starts, mode, usual=1, give_up=give_up)


def glance(problem: Problem, mode: Mode, extra: FaultModel) -> Mode:
    """Near the mode with a further fault, after a few steps from where it hardly shows.

    Enough for a fault that leaves no trace, at a fraction of what `extend` costs.
    """
    start = _with_new(problem, (extra,), mode.u, faint=True)
    return solve(problem, (*mode.faults, extra), start, near=mode, most_steps=_GLANCE)


def promised_gain(problem: Problem, mode: Mode, extra: FaultModel) -> float:
    """How much a further fault promises to explain, from its effect when it is faint.

    Parameters
    ----------
    problem : Problem
        The prepared piece.
    mode : Mode
        A mode without that fault.
    extra : FaultModel
        The further fault.

    Returns
    -------
    float
        Gain in the log posterior that a quadratic model promises; a cheap screen before `search`.
    """
    faults = (*mode.faults, extra)
    n = mode.u.size - problem.n_nuisance
    parameters = problem.parameters(extra)
    absent = np.array([q.faint if q.ratio else 0.0 for q in parameters])
    evaluator = Evaluator(problem, faults)
    steps = [absent] if parameters[0].ratio else list(np.eye(absent.size))
    columns = []
    for step in steps:
        there = evaluator.at(np.concatenate([mode.u[:n], step, mode.u[n:]]))
        columns.append([a - b for a, b in zip(there, mode.residuals, strict=True)])
    # a ratio has one sign: its amount is counted in how faint it was taken
    width = _TIMES_FAINT if parameters[0].ratio else 1.0
    hessian = np.zeros((mode.u.size + len(steps),) * 2)
    hessian[: mode.u.size, : mode.u.size] = problem.precision(mode.u.size)
    hessian[mode.u.size :, mode.u.size :] = np.eye(len(steps)) / width**2
    gradient = np.zeros(len(hessian))
    for i, source in enumerate(problem.sources):
        own = np.column_stack([column[i] for column in columns])
        table = np.hstack([mode.jacobian[i], own])
        both, pull = source.metric.normal(table, mode.residuals[i])
        hessian += both
        gradient += pull
    gradient[: mode.u.size] += problem.prior(mode.u)[1]
    step = -Definite.of(hessian).solve(gradient)
    if parameters[0].ratio and step[-1] < 0.0:
        return 0.0
    without = hessian[: mode.u.size, : mode.u.size]
    return -0.5 * float(gradient @ step) - whole_gain(without, gradient[: mode.u.size])


def _best(
    problem: Problem,
    faults: tuple[FaultModel, ...],
    starts: Sequence[np.ndarray],
    near: Mode,
    *,
    usual: int,
    give_up: float,
) -> Mode:
    """The best of the modes that several starts lead to.

    ``near``: one without the last faults.  ``usual``: which start has these at their usual sizes.
    """
    evaluator = Evaluator(problem, faults)
    rugged = _rugged(evaluator, len(near.faults))
    if rugged.size:
        starts = [*_places(evaluator, starts[usual], rugged, near), *starts]
    modes: list[Mode] = []
    hopeless = give_up
    for start in {tuple(start): start for start in starts}.values():  # faint ones may be alike
        if modes:  # another start must promise to do better than the first
            give_up = min(give_up, min(mode.cost for mode in modes) - _BETTER)
        modes.append(solve(problem, faults, start, near=near, give_up=give_up))
    best = max(modes, key=lambda mode: mode.evidence)
    if not rugged.size or best.cost > hopeless:
        return best
    best = _looked_around(evaluator, best, rugged)
    return dataclasses.replace(best, paid=_narrower(evaluator, best, rugged))


def _rugged(evaluator: Evaluator, first: int) -> np.ndarray:
    """Which unknowns are those of faults, from one on, whose cost has many valleys."""
    cuts = evaluator.problem.fault_cuts(evaluator.faults)
    owned = list(zip(evaluator.faults, cuts, strict=True))[first:]
    own = [np.arange(cut.start, cut.stop) for fault, cut in owned if fault.rugged]
    return np.concatenate(own) if own else np.arange(0)


def _places(
    evaluator: Evaluator, start: np.ndarray, rugged: np.ndarray, near: Mode
) -> list[np.ndarray]:
    """The best of many places all over the prior: as it stands, and when the others follow."""
    size, own = start.size, evaluator.problem.n_nuisance
    others = np.r_[: near.u.size - own, size - own : size]
    places = np.repeat([start], 2**_WIDE, axis=0)
    places[:, rugged] = _WIDTH * _spread(_WIDE, rugged.size)
    seen = _look(evaluator, places, others, near.jacobian)
    return [seen.standing, places[seen.promised.argmin()], seen.best]


def _looked_around(evaluator: Evaluator, mode: Mode, rugged: np.ndarray) -> Mode:
    """A better mode if there is one around it, and so on."""
    steps = np.resize(_RADII, 2**_CLOSE)[:, None] * _spread(_CLOSE, rugged.size)
    for _ in range(_LOOKS):
        seen = _look_around(evaluator, mode, rugged, steps)
        better = mode
        for cost, start in ((seen.promised.min(), seen.best), (seen.cost.min(), seen.standing)):
            if cost < mode.cost - _BETTER:
                new = solve(evaluator.problem, mode.faults, start, give_up=better.cost)
                better = max(better, new, key=lambda m: m.evidence)
        if better.evidence < mode.evidence + _BETTER:
            return better
        mode = better
    return mode


def _narrower(evaluator: Evaluator, mode: Mode, rugged: np.ndarray) -> float:
    """What a valley with walls is narrower than its curvature says, nats; 0 where it is not.

    By importance sampling from Laplace's normal, the other unknowns following.
    """
    z = _spread(_CLOSE, rugged.size)
    root = np.linalg.cholesky(mode.covariance[np.ix_(rugged, rugged)])
    seen = _look_around(evaluator, mode, rugged, z @ root.T)
    weight = mode.cost - seen.promised + 0.5 * np.sum(z**2, axis=1)
    return max(0.0, math.log(len(z)) - float(logsumexp(weight)))


@dataclass(frozen=True, eq=False)
class _Seen:
    """What was seen at many places.

    ``cost``: as they stand, shape (n,).  ``promised``: when the other unknowns follow, shape (n,).
    ``standing``, ``best``: the unknowns where the first and where the second is least.
    """

    cost: np.ndarray
    promised: np.ndarray
    standing: np.ndarray
    best: np.ndarray


def _look_around(evaluator: Evaluator, mode: Mode, rugged: np.ndarray, steps: np.ndarray) -> _Seen:
    """Look at places that are steps of the rugged unknowns, shape (n, k), away from a mode."""
    others = np.delete(np.arange(mode.u.size), rugged)
    places = np.repeat([mode.u], len(steps), axis=0)
    places[:, rugged] += steps
    return _look(evaluator, places, others, [table[:, others] for table in mode.jacobian])


def _look(
    evaluator: Evaluator, places: np.ndarray, others: np.ndarray, tables: Sequence[np.ndarray]
) -> _Seen:
    """Look at many places; the other unknowns follow by derivatives that are made once."""
    problem = evaluator.problem
    found = [evaluator.at(u) for u in places]
    cost = np.array([problem.half_prior(u) for u in places])
    off = places - problem.centre(places.shape[1])
    precision = problem.precision(places.shape[1])
    hessian, pull = precision[np.ix_(others, others)], (precision @ off.T)[others]
    for k, (source, table) in enumerate(zip(problem.sources, tables, strict=True)):
        residuals = np.column_stack([own[k] for own in found])
        square, gradient = source.metric.normal(table, residuals)
        hessian, pull = hessian + square, pull + gradient
        cost += source.metric.half_square(residuals)
    follow = np.zeros_like(places)
    follow[:, others] = -Definite.of(hessian).solve(pull).T
    machine = places.shape[1] - problem.n_nuisance
    follow[:, :machine] = np.clip(follow[:, :machine], -_LONGEST, _LONGEST)
    # half of what they follow pulls back: an estimate where they are cut short
    promised = cost + 0.5 * np.sum(pull * follow[:, others].T, axis=0)
    k = promised.argmin()
    return _Seen(cost, promised, places[cost.argmin()], places[k] + follow[k])


@functools.cache
def _spread(power: int, dimensions: int) -> np.ndarray:
    """Standard normal places spread evenly, 2**power of them (Sobol's points, always the same)."""
    points = qmc.Sobol(dimensions, scramble=False).random_base2(power)
    return np.asarray(norm.ppf(points + 0.5 / 2**power))


def _with_new(
    problem: Problem, new: tuple[FaultModel, ...], u: np.ndarray, *, faint: bool
) -> np.ndarray:
    """Unknowns of a machine, and those of new faults, faint or as believed, after its own."""
    n = u.size - problem.n_nuisance
    parameters = [q for fault in new for q in problem.parameters(fault)]
    own = [q.faint if faint and q.ratio else 0.0 for q in parameters]
    return np.concatenate([u[:n], own, u[n:]])
