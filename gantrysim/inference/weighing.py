"""Sizes that nobody knows beforehand, learned from what was measured.

How widely healthy machines scatter about their label, how far a reader that nobody checked is off,
and how large the errors are that the forward model lacks: each has a usual size, and the real one
is so many times that.  `weigh` marginalises these factors for one explanation, so that none is
punished, or believed, for a size that was fixed beforehand.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from gantrysim.inference.assumptions import Assumptions, Scales
from gantrysim.inference.definite import Definite, with_unit
from gantrysim.inference.problem import Problem
from gantrysim.inference.solver import Mode
from gantrysim.inference.terms import DrawnLines
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
    def of(cls, problem: Problem, mode: Mode, seen: Sequence[_Rows]) -> tuple[_Quadratic, Problem]:
        """Gauss and Newton's, from the derivatives kept with the mode; ``seen``: its `_rows`.

        Bins that the mode leaves far off weigh less: with it comes the problem with their weights.
        """
        n = mode.u.size
        drawn, sources = dict(problem.burned), list(problem.sources)
        size = n + sum(piece.discrepancy.owner.size for piece in drawn.values()) + 1
        gram = np.zeros((size, size))
        constant = 0.0
        at = np.array([*range(n), size - 1])
        for i, source in enumerate(problem.sources):
            if i not in drawn:
                white = source.metric.columns(_own(mode, i))
                gram[np.ix_(at, at)] += source.metric.product(white, white)
                constant += 0.5 * source.metric.log_det
        for rows in seen:
            sources[rows.source], shared, white = rows.piece, rows.shared, rows.white
            unit, within = rows.drawn.white_discrepancy, rows.drawn.discrepancy_gram
            light = np.flatnonzero(rows.piece.weight < 1.0)
            less = (1.0 - rows.piece.weight[light] ** 2)[:, None]
            few, few_unit = white[light], unit[light]
            gram[np.ix_(at, at)] += white.T @ white - few.T @ (less * few)
            gram[np.ix_(shared, at)] = unit.T @ white - few_unit.T @ (less * few)
            gram[np.ix_(at, shared)] = gram[np.ix_(shared, at)].T
            gram[np.ix_(shared, shared)] = within - few_unit.T @ (less * few_unit)
            constant += 0.5 * rows.piece.noise_log_det
        return cls(mode.u, gram, constant), dataclasses.replace(problem, sources=tuple(sources))

    def without_discrepancy(self, sizes: np.ndarray) -> _Quadratic:
        """The same with the discrepancy of given sizes, mm, integrated out."""
        n = self.u.size
        among = with_unit(self.gram[n:-1, n:-1] * np.outer(sizes, sizes))
        known = Definite.of(among.T, spent=True)  # symmetric: in Fortran's order
        beside = np.column_stack((self.gram[n:-1, :n], self.gram[n:-1, -1]))
        taken = known.halfway(sizes[:, None] * beside)
        kept = np.delete(np.arange(len(self.gram)), np.s_[n:-1])
        gram = self.gram[np.ix_(kept, kept)] - taken.T @ taken
        return _Quadratic(self.u, gram, self.constant + 0.5 * known.log_det)

    def evidence(self, precision: np.ndarray, centre: np.ndarray) -> float:
        """Log evidence with a prior on the unknowns, once the discrepancy is integrated out."""
        off = self.u - centre
        pull = precision @ off
        slope = self.gram[:-1, -1] + pull
        known = Definite.of(self.gram[:-1, :-1] + precision)
        cost = self.gram[-1, -1] + float(off @ pull)
        cost -= float(slope @ known.solve(slope))
        log_prior = float(np.linalg.slogdet(precision)[1])
        return -0.5 * (cost + known.log_det - log_prior) - self.constant


@dataclass(frozen=True, eq=False)
class _Rows:
    """One burned piece as an explanation sees it.

    Parameters
    ----------
    source : int
        Its place among the sources.
    drawn, piece : DrawnLines
        The piece as it was, and with the weights that the explanation gives its bins.
    white : ndarray, shape (m, n + 1)
        Whitened derivatives with the unknowns, and the residual, before these weights.
    shared : ndarray of int
        Where its discrepancy stands among all unknowns.
    """

    source: int
    drawn: DrawnLines
    piece: DrawnLines
    white: np.ndarray
    shared: np.ndarray


def _rows(problem: Problem, mode: Mode, machine: Machine) -> list[_Rows]:
    """Every burned piece as a mode sees it."""
    found = []
    first = mode.u.size
    for i, piece in problem.burned:
        piece = piece.lacking(machine)
        shared = np.arange(first, first + piece.discrepancy.owner.size)
        first += shared.size
        sizes = piece.discrepancy_sizes(machine, problem.scales)
        white, unit = piece.whiten(_own(mode, i)), piece.white_discrepancy
        lacking = Definite.of(with_unit(piece.discrepancy_gram * np.outer(sizes, sizes)))
        off = sizes * (unit.T @ white[:, -1])
        left = white[:, -1] - unit @ (sizes * lacking.solve(off))
        found.append(_Rows(i, piece, piece.robust(left), white, shared))
    return found


def _own(mode: Mode, i: int) -> np.ndarray:
    """Derivatives and residual of one source."""
    return np.column_stack((mode.jacobian[i], mode.residuals[i]))


def _prior(problem: Problem, mode: Mode, scales: Scales) -> tuple[np.ndarray, np.ndarray]:
    """Precision and mean of the unknowns at some factors."""
    there, size = problem.scaled(scales), mode.u.size
    return there.precision(size), there.centre(size)


def _sizes(problem: Problem, machine: Machine, scales: Scales) -> np.ndarray:
    """Sizes of all discrepancy at some factors, mm."""
    sizes = [piece.discrepancy_sizes(machine, scales) for _, piece in problem.burned]
    return np.concatenate(sizes) if sizes else np.empty(0)


def held_out(problem: Problem, mode: Mode, scales: Scales) -> np.ndarray:
    """How well a mode foretells each ring from all that was measured beside it.

    Parameters
    ----------
    problem : Problem
        The problem that the mode was weighed in.
    mode : Mode
        The mode.
    scales : Scales
        Its likeliest factors.

    Returns
    -------
    ndarray, shape (rings,)
        Log predictive density of each ring of each piece, nats; of what is the same for every
        mode it holds an unknown part.

    Notes
    -----
    What rows of a linear model with unit noise leave at its posterior mean, r, and the part I - M
    of their variance that they themselves took up tell what they leave unseen, r' / M, with the
    variance 1 / M (Cook and Weisberg, "Residuals and Influence in Regression", 1982, from memory).
    """
    n = mode.u.size
    machine = problem.machine(mode.faults, mode.u)
    seen = _rows(problem, mode, machine)
    quadratic, _ = _Quadratic.of(problem, mode, seen)
    precision, centre = _prior(problem, mode, scales)
    scale = np.concatenate((np.ones(n), _sizes(problem, machine, scales)))
    table = quadratic.gram[:-1, :-1] * np.outer(scale, scale)
    table[:n, :n] += precision
    slope = quadratic.gram[:-1, -1] * scale
    slope[:n] += precision @ (mode.u - centre)
    root = np.linalg.inv(np.linalg.cholesky(with_unit(table, n)))
    out = []
    for rows in seen:
        light, ring = rows.piece.weight, rows.drawn.rings
        spread = rows.white[:, :n] @ root[:, :n].T
        spread += (rows.drawn.white_discrepancy * scale[rows.shared]) @ root[:, rows.shared].T
        left = rows.white[:, -1] - spread @ (root @ slope)
        for k in np.unique(ring):
            on = (ring == k) & (light > 0.0)
            own, off = light[on, None] * spread[on], light[on] * left[on]
            known = Definite.of(with_unit(-own @ own.T))
            density = 0.5 * (known.log_det - float(off @ known.solve(off)))
            out.append(density + float(np.sum(np.log(light[on]))))
    return np.array(out)


def lead_of_all(ahead: float, foretold: np.ndarray, assumed: Assumptions) -> float:
    """What is left of a lead where the ring that says most counts less.

    What one ring alone says, foretold from the others, can be a blemish there; what a fault, or
    another test, does it does on every ring.  So that ring counts in part only, and for no more
    than all the others together, unless that is little.

    Parameters
    ----------
    ahead : float
        How far one explanation leads another, nats.
    foretold : ndarray, shape (rings,)
        By how much better it foretells each ring (`held_out`), nats; one ring alone has no others.
    assumed : Assumptions
        In what part (``loudest``), and what is little (``loudest_little``, nats).
    """
    if foretold.size < 2 or ahead <= 0.0:
        return ahead
    others = max(0.0, ahead - float(np.max(foretold, initial=0.0)))
    alone = assumed.loudest * (ahead - others)
    return others + min(alone, max(others, assumed.loudest_little))


def weigh(problem: Problem, mode: Mode, begin: Scales | None = None) -> Weighed:
    """Log evidence of a mode with the factors marginalised.

    Parameters
    ----------
    problem : Problem
        The problem that the mode belongs to.
    mode : Mode
        The mode.
    begin : Scales, optional
        Factors near the likeliest, such as those under another noise: found sooner from there.

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
    quadratic, problem = _Quadratic.of(problem, mode, _rows(problem, mode, machine))
    grids = {
        f.name: assumed.factors(f.name) if problem.uncertain(f.name) else (1.0,)
        for f in dataclasses.fields(Scales)
    }
    known: dict[Scales, float] = {}
    alone: dict[tuple[float, ...], _Quadratic] = {}

    def score(scales: Scales) -> float:
        if scales not in known:
            rest = (scales.place, scales.direction, scales.corner)
            if rest not in alone:
                sizes = _sizes(problem, machine, scales)
                alone[rest] = quadratic.without_discrepancy(sizes)
            known[scales] = alone[rest].evidence(*_prior(problem, mode, scales))
            known[scales] += sum(
                log_weight(getattr(scales, name), grid, assumed.tail(name))
                for name, grid in grids.items()
            )
        return known[scales]

    best = Scales() if begin is None else begin
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
