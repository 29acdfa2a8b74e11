"""One machine, everything measured on it, and the unknowns that must explain it all.

Unknowns are standard normal numbers u: the healthy scatter of the machine, the parameters of
the faults, and then what each source brings of its own (the placement of a piece with the
scanner's errors).
"""

from __future__ import annotations

import functools
import itertools
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, TypeVar

import numpy as np

from gantrysim.inference.assumptions import USUAL, Assumptions, Scales
from gantrysim.inference.faultmodel import FaultModel
from gantrysim.inference.parameters import Belief, Parameter, Scatter, values_at
from gantrysim.inference.terms import DrawnLines, LikelihoodTerm, Measured
from gantrysim.machine import Machine
from gantrysim.records.arrays import Array
from gantrysim.records.doors import checked

if TYPE_CHECKING:
    from gantrysim.faults.catalogue import Catalogue


#: Healthy machines that are kept.
_KEPT = 8


@dataclass(frozen=True, eq=False)
class Problem:
    """Everything measured on one machine, made ready for fitting.

    Parameters
    ----------
    nominal : Machine
        The machine as described.
    sources : tuple of LikelihoodTerm
        What was measured.
    belief : Belief
        What is believed before these measurements; the healthy scatter alone if absent.
    scatter : tuple of Scatter
        Healthy scatter; that of the machine's catalogue if absent.
    assumptions : Assumptions
        The judgement that the inference rests on.
    scales : Scales
        How many times their usual size the widths of the priors are.
    """

    nominal: Machine
    sources: tuple[LikelihoodTerm, ...]
    belief: Belief = None  # type: ignore[assignment]  # both are filled in below
    scatter: tuple[Scatter, ...] = None  # type: ignore[assignment]
    assumptions: Assumptions = USUAL
    scales: Scales = Scales()  # noqa: RUF009 - frozen

    def __post_init__(self) -> None:
        if self.scatter is None:
            object.__setattr__(self, "scatter", self.catalogue.scatter)
        if self.belief is None:
            object.__setattr__(self, "belief", Belief.fresh(self.scatter))

    @functools.cached_property
    def catalogue(self) -> Catalogue:
        """What may be wrong with the machine."""
        return self.nominal.catalogue()

    @property
    def burned(self) -> tuple[tuple[int, DrawnLines], ...]:
        """The terms that stand on drawn lines, with their places among the sources."""
        found = ((i, source.drawn) for i, source in enumerate(self.sources))
        return tuple((i, drawn) for i, drawn in found if drawn is not None)

    @property
    def n_nuisance(self) -> int:
        """How many unknowns all sources bring of their own."""
        return sum(source.n_nuisance for source in self.sources)

    def machine(self, faults: Sequence[FaultModel], u: np.ndarray) -> Machine:
        """The machine at the unknowns u."""
        return _with(self._sized(faults, u), self._healthy(u))

    def machines_beside(
        self, faults: Sequence[FaultModel], u: np.ndarray, amount: float, which: Sequence[int]
    ) -> list[Machine]:
        """The machine with each of some of its unknowns in turn moved by ``amount``."""
        healthy, sized = self._healthy(u), self._sized(faults, u)
        out = []
        for k in which:
            if k < len(self.scatter):
                there = self.scatter[k].changes(self.nominal, float(u[k]) + amount)
                out.append(_with(sized, healthy.set_many(there)))
            else:
                v = u.copy()
                v[k] += amount
                out.append(_with(self._sized(faults, v), healthy))
        return out

    def parameters(self, fault: FaultModel) -> tuple[Parameter, ...]:
        """Parameters of a fault with what is believed of them."""
        return self.belief.sizes.get(fault.key, fault.parameters)

    def rates(self, faults: Sequence[FaultModel]) -> np.ndarray:
        """`Parameter.rate` of each unknown of the machine."""
        own = [s.parameter for s in self.scatter]
        own += [q for fault in faults for q in self.parameters(fault)]
        return np.array([q.rate for q in own])

    def values(self, fault: FaultModel, u: np.ndarray) -> list[float]:
        """Values of a fault's parameters, in their units, at standard normal numbers."""
        return values_at(self.parameters(fault), u)

    def axes(self, faults: Sequence[FaultModel]) -> list[str]:
        """Blocks of the mechanism that each unknown of the machine acts on."""
        axes = [s.axis for s in self.scatter]
        for fault in faults:
            axes += [fault.block] * len(fault.parameters)
        return axes

    def fault_cuts(self, faults: Sequence[FaultModel]) -> list[slice]:
        """Where the unknowns of each fault stand."""
        return _cuts(len(self.scatter), [len(fault.parameters) for fault in faults])

    def nuisance_cuts(self, size: int) -> list[slice]:
        """Where the unknowns of each source stand in a vector of that size."""
        return _cuts(size - self.n_nuisance, [source.n_nuisance for source in self.sources])

    def start(self, faults: Sequence[FaultModel]) -> np.ndarray:
        """Unknowns at the middle of what is believed, each piece placed by its rings."""
        rest = sum(len(k.parameters) for k in faults) + self.n_nuisance
        return np.concatenate([self.belief.mean, np.zeros(rest)])

    def uncertain(self, name: str) -> bool:
        """Whether nobody knows that field of `Scales`."""
        if name == "scatter":
            return self.belief.machine is None  # else earlier burns told it
        if name not in ("reader", "shape", "skew"):
            return bool(self.burned)
        wide = replace(Scales(), **{name: 2.0})
        return any(source.widths(wide).max(initial=1.0) > 1.0 for source in self.sources)

    def scaled(self, scales: Scales) -> Problem:
        """The problem with other widths of its priors; the discrepancy is that of its sources."""
        return replace(self, scales=scales)

    def on(self, machine: Machine, scales: Scales) -> Problem:
        """The problem with other widths, and with the discrepancy of a machine."""
        sources = list(self.sources)
        for i, piece in self.burned:
            sources[i] = piece.with_discrepancy(machine, scales)
        return replace(self, sources=tuple(sources), scales=scales)

    def centre(self, size: int) -> np.ndarray:
        """Prior mean of unknowns."""
        return np.concatenate([self.belief.mean, np.zeros(size - len(self.scatter))])

    def precision(self, size: int) -> np.ndarray:
        """Prior precision of unknowns, shape (size, size)."""
        n = len(self.scatter)
        width = np.ones(size)
        width[:n] = [self.scales.scatter if s.parameter.ratio else 1.0 for s in self.scatter]
        for source, cut in zip(self.sources, self.nuisance_cuts(size), strict=True):
            width[cut] = source.widths(self.scales)
        out = np.diag(width**-2.0)
        out[:n, :n] = self.belief.precision / np.outer(width[:n], width[:n])
        return out

    def half_prior(self, u: np.ndarray) -> float:
        """Half the square of the unknowns' distance from what is believed."""
        off = u - self.centre(u.size)
        return 0.5 * float(off @ self.precision(u.size) @ off)

    def prior(self, u: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Second and first derivatives of `half_prior`."""
        hessian = self.precision(u.size)
        return hessian, hessian @ (u - self.centre(u.size))

    def _healthy(self, u: Array) -> Machine:
        return self._scattered(tuple(u[: len(self.scatter)].tolist()))

    @functools.cached_property
    def _scattered(self) -> Callable[[tuple[float, ...]], Machine]:
        """The healthy machine at unknowns; the last are kept, beside which faults are tried."""

        def scattered(numbers: tuple[float, ...]) -> Machine:
            changes: dict[str, float] = {}
            for scatter, number in zip(self.scatter, numbers, strict=True):
                changes.update(scatter.changes(self.nominal, number))
            return self.nominal.set_many(changes)

        return functools.lru_cache(_KEPT)(scattered)

    def _sized(self, faults: Sequence[FaultModel], u: Array) -> list[FaultModel]:
        """Faults at their unknowns, but for those that show as a pattern on the lines."""
        cuts = zip(faults, self.fault_cuts(faults), strict=True)
        return [fault.at(*self.values(fault, u[cut])) for fault, cut in cuts if not fault.sought]


def _with(faults: Sequence[FaultModel], machine: Machine) -> Machine:
    for fault in faults:
        machine = fault.apply(machine)
    return machine


def _cuts(first: int, counts: Sequence[int]) -> list[slice]:
    ends = itertools.accumulate(counts, initial=first)
    return [slice(a, b) for a, b in itertools.pairwise(ends)]


M = TypeVar("M", bound=Measured)


@checked
def prepare(
    measured: Measured | Sequence[Measured],
    nominal: Machine,
    belief: Belief | None = None,
    assumptions: Assumptions | None = None,
) -> Problem:
    """Make everything measured on a machine ready for fitting.

    Parameters
    ----------
    measured : Measurement, or a sequence of them
        What was measured: anything with a `likelihood_term`.
    nominal : Machine
        The machine as described.
    belief : Belief, optional
        What earlier burns taught; the healthy scatter alone if absent.
    assumptions : Assumptions, optional
        The judgement that the inference rests on; the usual one if absent.

    Returns
    -------
    Problem
        With first guesses of each noise.

    Raises
    ------
    ValueError
        If there is nothing measured, a test leaves the travel of this machine, a piece shows
        what its test does not draw, or the belief is about another machine.
    """
    if belief is not None:
        belief.check(nominal)
    assumed = assumptions or USUAL
    sources = tuple(thing.likelihood_term(nominal, assumed) for thing in listed(measured))
    return Problem(nominal, sources, belief, assumptions=assumed)  # type: ignore[arg-type]


def listed(measured: M | Sequence[M]) -> tuple[M, ...]:
    """One or several measurements as a tuple.

    Raises
    ------
    ValueError
        If there is none.
    """
    things = tuple(measured) if isinstance(measured, Sequence) else (measured,)
    if not things:
        raise ValueError("nothing was measured: give at least one piece or sheet of readings")
    return things
