"""Sizes that nobody knows beforehand, learned from what was measured.

How widely healthy machines scatter about their label, how far a reader that nobody checked is off,
and how large the errors are that the forward model lacks: each has a usual size, and the real one
is so many times that.  `weigh` marginalises these factors for one explanation, so that none is
punished, or believed, for a size that was fixed beforehand.
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass

import numpy as np
from scipy.linalg import cho_factor, cho_solve

from gantrysim.inference.assumptions import Scales
from gantrysim.inference.problem import Problem
from gantrysim.inference.solver import Mode
from gantrysim.machine import Machine

#: Sweeps over the factors; the likeliest of each has then settled.
_SWEEPS = 3


@dataclass(frozen=True, eq=False)
class Weighed:
    """An explanation with the factors marginalised.

    Parameters
    ----------
    evidence : float
        Log evidence, in nats, up to the constant of the problem.
    scales : Scales
        The likeliest factors.
    problem : Problem
        The problem at these, on the machine of the explanation, with the weights of its bins.
    """

    evidence: float
    scales: Scales
    problem: Problem


@dataclass(frozen=True, eq=False)
class _Quadratic:
    """Negative log posterior about a mode, with the amounts of the discrepancy as unknowns too.

    Parameters
    ----------
    u : ndarray, shape (n,)
        Unknowns at the mode.
    gram : ndarray, shape (n + k + 1, n + k + 1)
        Products of the whitened derivatives with the unknowns, the unit discrepancy of all pieces,
        and the residual, which comes last.
    constant : float
        Half the log determinant of the noise and of what else is shared.
    """

    u: np.ndarray
    gram: np.ndarray
    constant: float

    @classmethod
    def of(cls, problem: Problem, mode: Mode, machine: Machine) -> tuple[_Quadratic, Problem]:
        """Gauss and Newton's, from the derivatives kept with the mode.

        Bins that the mode leaves far off weigh less: with it comes the problem with their weights.
        """
        n = mode.u.size
        counts = [piece.discrepancy.owner.size for _, piece in problem.burned]
        size = n + sum(counts) + 1
        gram = np.zeros((size, size))
        constant, first = 0.0, n
        drawn, sources = dict(problem.burned), list(problem.sources)
        at = np.array([*range(n), size - 1])
        for i, source in enumerate(problem.sources):
            own = np.column_stack((mode.jacobian[i], mode.residuals[i]))
            if i not in drawn:
                white = source.metric.columns(own)
                gram[np.ix_(at, at)] += source.metric.product(white, white)
                constant += 0.5 * source.metric.log_det
                continue
            piece = drawn[i]
            shared = np.arange(first, first + piece.discrepancy.owner.size)
            first += shared.size
            sizes = piece.discrepancy_sizes(machine, problem.scales)
            white, unit = piece.whiten(own), piece.white_discrepancy
            cross, within = unit.T @ white, piece.discrepancy_gram
            factor = cho_factor(within * np.outer(sizes, sizes) + np.eye(sizes.size))
            left = white[:, -1] - unit @ (sizes * cho_solve(factor, sizes * cross[:, -1]))
            sources[i] = robust = piece.robust(left)
            light = np.flatnonzero(robust.weight < 1.0)
            less = (1.0 - robust.weight[light] ** 2)[:, None]
            few, few_unit = white[light], unit[light]
            gram[np.ix_(at, at)] += white.T @ white - few.T @ (less * few)
            gram[np.ix_(shared, at)] = cross - few_unit.T @ (less * few)
            gram[np.ix_(at, shared)] = gram[np.ix_(shared, at)].T
            gram[np.ix_(shared, shared)] = within - few_unit.T @ (less * few_unit)
            constant += 0.5 * robust.noise_log_det
        return cls(mode.u, gram, constant), dataclasses.replace(problem, sources=tuple(sources))

    def evidence(self, precision: np.ndarray, centre: np.ndarray, sizes: np.ndarray) -> float:
        """Log evidence with a prior on the unknowns and sizes of the discrepancy, mm."""
        n = self.u.size
        scale = np.concatenate((np.ones(n), sizes))
        table = self.gram[:-1, :-1] * scale[:, None] * scale
        slope = self.gram[:-1, -1] * scale
        off = self.u - centre
        pull = precision @ off
        table[:n, :n] += precision
        table[np.diag_indices(table.shape[0])] += np.concatenate((np.zeros(n), np.ones(sizes.size)))
        slope[:n] += pull
        factor = cho_factor(table, lower=True, overwrite_a=True, check_finite=False)
        cost = self.gram[-1, -1] + float(off @ pull)
        cost -= float(slope @ cho_solve(factor, slope, check_finite=False))
        log_det = 2.0 * float(np.sum(np.log(np.diag(factor[0]))))
        log_prior = float(np.linalg.slogdet(precision)[1])
        return -0.5 * (cost + log_det - log_prior) - self.constant


def weigh(problem: Problem, mode: Mode) -> Weighed:
    """Log evidence of a mode with the factors marginalised.

    Parameters
    ----------
    problem : Problem
        The problem that the mode belongs to.
    mode : Mode
        The mode.

    Returns
    -------
    Weighed
        Its evidence, less what its search had to pay, and its likeliest factors.

    Notes
    -----
    Each factor takes the values of `Assumptions`; one that is f times off the usual is f**tail
    times rarer: sizes then have heavy tails, those of a Cauchy density for 2.  The integral is the
    product of the sums along each factor through the likeliest point.  The posterior at other
    factors is that of the quadratic model at the mode.
    """
    assumed = problem.assumptions
    machine = problem.machine(mode.faults, mode.u)
    quadratic, problem = _Quadratic.of(problem, mode, machine)
    grids = {
        f.name: assumed.factors(f.name) if problem.uncertain(f.name) else (1.0,)
        for f in dataclasses.fields(Scales)
    }
    known: dict[Scales, float] = {}

    def score(scales: Scales) -> float:
        if scales not in known:
            there = problem.scaled(scales)
            precision, _ = there.prior(mode.u)
            sizes = [p.discrepancy_sizes(machine, scales) for _, p in problem.burned]
            together = np.concatenate(sizes) if sizes else np.empty(0)
            known[scales] = quadratic.evidence(precision, there.centre(mode.u.size), together)
            known[scales] += sum(
                log_weight(getattr(scales, name), grid, assumed.tail(name))
                for name, grid in grids.items()
            )
        return known[scales]

    best = Scales()
    for _ in range(_SWEEPS):
        before = best
        for name, grid in grids.items():
            best = max((dataclasses.replace(best, **{name: x}) for x in grid), key=score)
        if best == before:
            break
    evidence = score(best)
    for name, grid in grids.items():
        line = [score(dataclasses.replace(best, **{name: x})) for x in grid]
        evidence += float(np.logaddexp.reduce(line)) - score(best)
    return Weighed(evidence - mode.paid, best, problem.on(machine, best))


def log_weight(factor: float, grid: tuple[float, ...], tail: float) -> float:
    """Log prior probability of a factor of a grid: one that is f times off is f**tail rarer."""
    total = sum(min(x, 1.0 / x) ** tail for x in grid)
    return -tail * abs(math.log(factor)) - math.log(total)
