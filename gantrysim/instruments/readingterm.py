"""Readings by hand made ready for fitting: any one of them may simply be wrong.

A hand misreads a digit, an ear or a tuner takes an octave, a scale shows kgf where N is asked.  So
the likelihood of a reading has heavy tails, and a sheet may name ways in which its readings are
typically misread (`Misreading`).  Of all that, what explains the readings best counts, at its
stated price, for every explanation of the machine alike: a maximum in place of the sum over a
mixture (Olson and Agarwal, Int. J. Robotics Research 32 (2013) 826, from memory), which keeps the
misfit a sum of squares.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np

from gantrysim.inference.assumptions import Scales
from gantrysim.inference.whitening import Fitted, Metric
from gantrysim.machine import Machine
from gantrysim.records.arrays import Array

#: Part of single readings by hand that are simply wrong, whatever they show (judgement, no source:
#: one in fifty; 1 to 10 per cent of gross errors are usual in routine data, Hampel et al., Robust
#: Statistics (1986) section 1.2, from memory).
WRONG = 0.02
#: Standard deviations up to which a reading counts as normal; beyond, its uncertainty may have been
#: understated by any factor f, which is f^2 times rarer: the tails of a Cauchy density.
CORE = math.sqrt(3.0)
#: Standard deviations off from which a reading is said to disagree: 1 in 2000 of normal readings.
DISAGREES = 3.5


@dataclass(frozen=True, eq=False)
class Misreading:
    """One way in which some readings of a sheet are typically misread.

    Parameters
    ----------
    words : str
        What it looks like and what to do, a sentence without its full stop.
    chance : float
        How often it happens.
    factor : ndarray, shape (n,)
        By which each reading is then what it should be; 1 where it is not touched.
    """

    words: str
    chance: float
    factor: Array


@dataclass(frozen=True, eq=False)
class _Understood:
    """How the readings are best understood: the misreadings taken for true, and what is left.

    Parameters
    ----------
    taken : tuple of Misreading
        Of different readings.
    factor : ndarray, shape (n,)
        Of each reading.
    off : ndarray, shape (n,)
        Reading over its factor less what is predicted, in standard deviations.
    """

    taken: tuple[Misreading, ...]
    factor: Array
    off: Array

    @property
    def paid(self) -> float:
        """Price of the misreadings, nats."""
        return -sum(math.log(slip.chance) for slip in self.taken)


@dataclass(frozen=True, eq=False)
class ReadingTerm:
    """Readings by hand made ready for fitting.

    Its own unknowns are what the readings share (`nuisances` and `model_terms` of the sheet), which
    come last.  Its residuals have unit noise: signed roots of twice the misfit of each reading,
    nats, and, where readings can be misread, of what that costs.

    Parameters
    ----------
    sheet : ReadingSheet
        The readings.
    """

    sheet: Any

    drawn: ClassVar[None] = None

    @property
    def source(self) -> str:
        """That of the sheet."""
        return str(self.sheet.source)

    @property
    def n_nuisance(self) -> int:
        """How many unknowns it brings of its own."""
        return int(self._shared.shape[1])

    @property
    def amount(self) -> float:
        """Size of the moves that its differences need."""
        return float(self.sheet.amount)

    @functools.cached_property
    def metric(self) -> Metric:
        """That of unit noise."""
        return self.without(np.empty((self._rows, 0)))

    def without(self, terms: Array) -> Metric:
        """As `metric`, with linear terms, shape (rows, k), integrated out."""
        return Metric.independent(np.ones(self._rows), terms)

    def predict(self, machine: Machine, v: Array) -> Array:
        """Readings of a machine, with those of its own unknowns that are not linear."""
        return np.asarray(self.sheet.predict(machine))

    def residual(self, machine: Machine, v: Array) -> Array:
        """Residuals, in standard deviations, see the class."""
        return self._left(self._understood(self.predict(machine, v), v))

    def linearise(
        self,
        machine: Machine,
        moved: Sequence[Machine],
        axes: Sequence[str],
        amount: float,
        v: Array,
    ) -> tuple[Array, Array]:
        """Residual and its Jacobian by differences, see `LikelihoodTerm.linearise`."""
        here = self.predict(machine, v)
        columns = np.zeros((here.size, len(moved)))
        for k, (other, axis) in enumerate(zip(moved, axes, strict=True)):
            if set(axis) & set(self.sheet.axes):  # of "spot", the place of the head, none
                columns[:, k] = (self.predict(other, v) - here) / amount
        return self._linear(here, columns, v)

    def widths(self, scales: Scales) -> Array:
        """Prior standard deviations of its own unknowns: 1."""
        return np.ones(self.n_nuisance)

    def learned(
        self, machine: Machine, v: Array, fitted: Fitted, *, believable: bool = True
    ) -> ReadingTerm:
        """A handful of readings teaches nothing about its own noise."""
        return self

    def doubts(self, machine: Machine, v: Array) -> tuple[str, ...]:
        """What of the readings cannot be right on a machine, a sentence without full stop each."""
        found = self._understood(self.predict(machine, v), v)
        off = [k for k in range(found.off.size) if abs(found.off[k]) > DISAGREES]
        said = [slip.words for slip in found.taken]
        if off:
            named = "; ".join(self.sheet.named(k) for k in off[:_NAMED])
            more = f" and {len(off) - _NAMED} more" if len(off) > _NAMED else ""
            said.append(
                f"{self.sheet.source} and what else is known disagree: {named}{more}; "
                "read that again before anything is turned"
            )
        return tuple(said)

    @functools.cached_property
    def _alone(self) -> Array:
        """Standard deviation of each reading alone, with what the model lacks, shape (n,)."""
        return np.hypot(self.sheet.uncertainty, self.sheet.model_error)

    @functools.cached_property
    def _shared(self) -> Array:
        """What the readings share, at one standard deviation of each, shape (n, k)."""
        return np.hstack([self.sheet.nuisances, self.sheet.model_terms])

    @functools.cached_property
    def _cap(self) -> Array:
        """Misfit from which each reading is taken for simply wrong, nats, shape (n,)."""
        return np.log(np.maximum(self.sheet.gross / self._alone, 1.0)) - math.log(WRONG)

    @functools.cached_property
    def _misreadings(self) -> tuple[Misreading, ...]:
        return tuple(self.sheet.misreadings)

    @property
    def _rows(self) -> int:
        return int(self.sheet.n_readings) + bool(self._misreadings)

    def _understood(self, predicted: Array, v: Array) -> _Understood:
        """The misreadings that pay best, one after the other, no reading twice."""
        shared = self._shared @ v[v.size - self._shared.shape[1] :]

        def off(factor: Array) -> Array:
            return np.asarray((self.sheet.values - factor * predicted - shared) / self._alone)

        factor = np.ones(predicted.size)
        here = off(factor)
        free, taken = np.ones(predicted.size, dtype=bool), []
        ways = [(slip, off(slip.factor)) for slip in self._misreadings]
        while ways:
            misfit = self._misfit(here)
            gains = [
                float(np.sum((misfit - self._misfit(there))[slip.factor != 1.0]))
                + math.log(slip.chance)
                for slip, there in ways
            ]
            k = int(np.argmax(gains))
            if gains[k] <= 0.0:
                break
            slip, there = ways[k]
            own = slip.factor != 1.0
            taken.append(slip)
            factor, here = np.where(own, slip.factor, factor), np.where(own, there, here)
            free &= ~own
            ways = [way for way in ways if free[way[0].factor != 1.0].all()]
        return _Understood(tuple(taken), factor, here)

    def _misfit(self, off: Array) -> Array:
        """Misfit of readings so many standard deviations off, nats."""
        return np.asarray(np.minimum(_heavy(off), self._cap + 0.5 * (off * self._broad) ** 2))

    @functools.cached_property
    def _broad(self) -> Array:
        """Standard deviation of each reading over that of one that is simply wrong."""
        return np.asarray(np.minimum(self._alone / self.sheet.gross, 1.0))

    def _left(self, found: _Understood) -> Array:
        left = np.sign(found.off) * np.sqrt(2.0 * self._misfit(found.off))
        price = [math.sqrt(2.0 * found.paid)] if self._misreadings else []
        return np.concatenate([left, price])

    def _linear(self, predicted: Array, columns: Array, v: Array) -> tuple[Array, Array]:
        """Residual, and its derivatives from those of the predicted readings."""
        found = self._understood(predicted, v)
        off, left = found.off, self._left(found)
        size = np.maximum(np.abs(off), 1e-12)
        slope = np.where(size > CORE, CORE**2 / size, size)
        wrong = self._cap + 0.5 * (off * self._broad) ** 2 < _heavy(off)
        slope = np.where(wrong, size * self._broad**2, slope)
        rate = np.where(size > CORE, slope / np.maximum(np.abs(left[: off.size]), 1e-12), 1.0)
        moves = np.hstack([found.factor[:, None] * columns, self._shared])
        table = np.zeros((left.size, moves.shape[1]))
        table[: off.size] = -(rate / self._alone)[:, None] * moves
        return left, table


#: Readings that a doubt names, at most.
_NAMED = 3


def _heavy(off: Array) -> Array:
    """Misfit of a normal core with the tails of a Cauchy density about it, nats."""
    size = np.abs(off)
    tail = 0.5 * CORE**2 * (1.0 + 2.0 * np.log(np.maximum(size, CORE) / CORE))
    return np.where(size > CORE, tail, 0.5 * size**2)
