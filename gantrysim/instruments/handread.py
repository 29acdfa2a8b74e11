"""Caliper sheets, pushes by hand and belt tones as sources of the one posterior.

A piece gives thousands of points and needs a scanner; these give a handful of numbers each, but
some of them see what no burn can (the tone of a belt, the drag of one plate alone).
"""

from __future__ import annotations

import functools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from gantrysim.inference.whitening import Fitted, Metric
from gantrysim.instruments.burnedpiece import finely_planned
from gantrysim.instruments.calipers import CaliperSheet
from gantrysim.instruments.forward import Forward
from gantrysim.instruments.push import PushSheet
from gantrysim.instruments.readings import (
    caliper_jacobian,
    caliper_values,
    hand_values,
    turn_jacobian,
)
from gantrysim.instruments.tones import ToneSheet
from gantrysim.machine import Machine

#: How far the predicted reading of a perfect caliper on a real ring is off, mm (readings of an
#: independent simulator against its own machines: 0.029 mm rms with 0.02 mm of repeatability).
CALIPER_MODEL = 0.02
#: The same for the force or tone that a hand reads, relative: a hand pushes unevenly (judgement).
HAND_MODEL = 0.05


@dataclass(frozen=True, eq=False)
class CaliperSource:
    """A caliper sheet made ready for fitting.

    Parameters
    ----------
    sheet : CaliperSheet
        The readings.
    forward : Forward
        The planned test.
    """

    sheet: CaliperSheet
    forward: Forward

    #: The turn of the hand's directions across circles.
    n_nuisance: ClassVar[int] = 1
    amount: ClassVar[float] = 1e-5
    drawn: ClassVar[None] = None

    @classmethod
    def of(cls, sheet: CaliperSheet, nominal: Machine) -> CaliperSource:
        """Plan the test of a sheet; ValueError if it leaves the travel of the machine."""
        return cls(sheet, finely_planned(sheet.test, nominal))

    @functools.cached_property
    def metric(self) -> Metric:
        """Whitening of the readings: width of the line, zero and scale of the caliper shared."""
        return self.without(np.empty((len(self.sheet.readings), 0)))

    def without(self, terms: np.ndarray) -> Metric:
        """As `metric`, with further linear terms integrated out."""
        alone = np.hypot(self.sheet.uncertainty, CALIPER_MODEL)
        return Metric.independent(alone, np.hstack([self.sheet.nuisances, terms]))

    def residual(self, machine: Machine, v: np.ndarray) -> np.ndarray:
        """Measured minus predicted readings, mm."""
        lines = self.forward.lines(self.forward.run(machine))
        return self.sheet.values - caliper_values(self.sheet, lines, turn=self._turn(v))

    def linearise(
        self,
        machine: Machine,
        moved: Sequence[Machine],
        axes: Sequence[str],
        amount: float,
        v: np.ndarray,
    ) -> tuple[np.ndarray, np.ndarray]:
        """Residual and its derivatives, as `BurnedPiece.linearise`."""
        run = self.forward.run(machine)
        lines, turn = self.forward.lines(run), self._turn(v)
        jacobian = self.forward.jacobian(run, moved, axes, amount)
        moves = [jacobian[cut] for cut in self.forward.cuts]
        columns = [
            -caliper_jacobian(self.sheet, lines, moves, turn=turn),
            -math.radians(self.sheet.turn_deg)
            * turn_jacobian(self.sheet, lines, turn=turn)[:, None],
        ]
        predicted = caliper_values(self.sheet, lines, turn=turn)
        return self.sheet.values - predicted, np.concatenate(columns, axis=1)

    def learned(
        self, machine: Machine, v: np.ndarray, fitted: Fitted, *, believable: bool = True
    ) -> CaliperSource:
        """A handful of readings teaches nothing about its own noise."""
        return self

    def _turn(self, v: np.ndarray) -> float:
        return math.radians(self.sheet.turn_deg) * float(v[0])


@dataclass(frozen=True, eq=False)
class HandSource:
    """Pushes by hand or belt tones made ready for fitting.

    Parameters
    ----------
    sheet : PushSheet or ToneSheet
        The readings.
    """

    sheet: PushSheet | ToneSheet

    n_nuisance: ClassVar[int] = 0
    drawn: ClassVar[None] = None
    #: Detents make a push jump from one to the next as the machine changes by little: its
    #: differences are taken over a move that spans some of them.
    amount: ClassVar[float] = 0.3

    @functools.cached_property
    def metric(self) -> Metric:
        """Whitening of the readings: the common scale of the instrument shared."""
        return self.without(np.empty((len(self.sheet.readings), 0)))

    def without(self, terms: np.ndarray) -> Metric:
        """As `metric`, with further linear terms integrated out."""
        alone = np.hypot(self.sheet.uncertainty, HAND_MODEL * np.abs(self.sheet.values))
        return Metric.independent(alone, np.hstack([self.sheet.nuisances, terms]))

    def residual(self, machine: Machine, v: np.ndarray) -> np.ndarray:
        """Measured minus predicted readings, in the units of the sheet."""
        return self.sheet.values - hand_values(self.sheet, machine)

    def linearise(
        self,
        machine: Machine,
        moved: Sequence[Machine],
        axes: Sequence[str],
        amount: float,
        v: np.ndarray,
    ) -> tuple[np.ndarray, np.ndarray]:
        """Residual and its derivatives, as `BurnedPiece.linearise`."""
        here = hand_values(self.sheet, machine)
        columns = np.zeros((here.size, len(moved)))
        for k, (other, axis) in enumerate(zip(moved, axes, strict=True)):
            if axis != "spot":  # a hand feels nothing of where the head sits
                columns[:, k] = (here - hand_values(self.sheet, other)) / amount
        return self.sheet.values - here, columns

    def learned(
        self, machine: Machine, v: np.ndarray, fitted: Fitted, *, believable: bool = True
    ) -> HandSource:
        """A handful of readings teaches nothing about its own noise."""
        return self
