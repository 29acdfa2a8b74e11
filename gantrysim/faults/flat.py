"""A flat on a plate wheel: a local signature once per wheel turn, found by scanning its place.

Where the flat rolls over, the wheel lets go of its load: the plate shifts sideways, toward that
rail or away from it as the wheel runs on one flank of the rail or on the other, and the beam yaws a
little, one way or the other as the wheel sits at one end of its plate or at the other.  So a burn
does not tell the side of a flat; it tells where along the rail it is.  The signature is linear in
its size, so each place along the rail is one small linear problem on the residuals of a fit.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import log_ndtr, logsumexp

from gantrysim.faults.adjusting import AdjustingPoint, said
from gantrysim.faults.base import Fault
from gantrysim.inference.noise import BIN_LENGTH
from gantrysim.inference.parameters import Parameter
from gantrysim.inference.terms import DrawnLines
from gantrysim.machine import SIDES, Machine
from gantrysim.machine.handbook import Handbook
from gantrysim.records.checks import check_number, number, word
from gantrysim.records.doors import checked

if TYPE_CHECKING:
    from gantrysim.inference.problem import Problem
    from gantrysim.inference.solver import Mode

#: Rolling circumference of a plate wheel, mm (24 mm wheels on their flanks: 66..77 mm).
WHEEL_TURN = 75.0
#: Its signature along the rail has the profile of what it took off the wheel, d (1 - x^2 / w^2)
#: with w half the chord, w^2 = 2 r d (a circle's segment; 2.1 mm at 0.18 mm).  Drawn as a Gaussian
#: of the same variance, w^2 / 5, and area, 4 w d / 3.
FLAT_WIDTH = 0.95  # mm
FLAT_HEIGHT = 1.18  # of the depth
#: Sideways shift of the beam over the depth of the flat, and the spread of its logarithm: one
#: wheel of the four of one plate lets go, the sideways stiffness of both plates holds against
#: it, which gives 1/8 for eight equal wheels.
SHIFT_PER_DEPTH, SHIFT_SPREAD = 1.0 / 8.0, 0.25
FLANKS = ("outer", "inner")
_SCAN = 1.0  # mm between the places tried
#: Depth of a flat that is worth a finding (judgement), its shift and its yaw per depth.  The wheel
#: lets go half a wheel base from the beam, before it or behind: what shifts the beam by 1/8 of the
#: depth turns it, against the racking stiffness of both plates, by 0.8 of the depth.
_PARAMETERS = (
    Parameter("depth", "mm", 0.18, 0.5, ratio=True),
    Parameter("shift per depth", "-", SHIFT_PER_DEPTH, SHIFT_SPREAD, ratio=True),
    Parameter("yaw per depth", "-", 0.0, 0.8),
)


@checked
@dataclass(frozen=True)
class WheelFlat(Fault):
    """A flat on a wheel of one end plate.

    Parameters
    ----------
    side : str
        ``"left"`` or ``"right"``.
    depth : float
        What the flat took off the wheel, mm.
    shift_per_depth : float
        Sideways shift of the beam over the depth (dimensionless).
    yaw_per_depth : float
        Yaw where it rolls over, as y_right - y_left, over the depth (dimensionless).
    flank : str
        Flank of the rail that the wheel runs on: ``"outer"`` or ``"inner"``, toward the other rail.
    place_mm : float
        Where along the rail, from 0 to `WHEEL_TURN`, mm; nobody knows yet if absent.
    pattern : mapping of int to ndarray, shape (bins, 2)
        By source, heights per mm of sideways shift and of yaw, once it is placed.

    Notes
    -----
    The forward model has round wheels: `apply` refuses, and a fit adds the signature to the lines.

    Examples
    --------
    >>> import gantrysim as gs
    >>> fault = gs.faults.WheelFlat("left", depth=0.2)
    >>> fault.words
    'a wheel of the left end plate has a flat'
    >>> fault.sought  # the forward model lacks it
    True
    """

    side: str = word(*SIDES)
    depth: float = number(0.18, 0.0, 10.0)
    shift_per_depth: float = SHIFT_PER_DEPTH
    yaw_per_depth: float = 0.0
    flank: str = word(*FLANKS, default="outer")
    place_mm: float | None = None
    pattern: Mapping[int, np.ndarray] | None = field(default=None, repr=False, compare=False)

    unit = "mm"
    sought = True
    block = ""
    parameters = _PARAMETERS

    def __post_init__(self) -> None:
        super().__post_init__()
        check_number("WheelFlat", "place_mm", self.place_mm or 0.0, 0.0, WHEEL_TURN)

    def apply(self, machine: Machine) -> Machine:
        """Refuse: the forward model has round wheels.

        Raises
        ------
        ValueError
            Always.
        """
        raise ValueError(
            "WheelFlat is only sought in measured pieces: the forward model has round wheels."
        )

    drive = said("{self.side}")

    name = said("wheel_flat_{self.side}")
    variant = said("{self.flank}")
    words = said("a wheel of the {self.side} end plate has a flat")
    noun = said("flat on a wheel of the {self.side} plate")
    check = said(
        "with the power off roll the {self.side} plate slowly by hand: feel for one bump a "
        "wheel turn, then look at the wheel's flanks"
    )

    def coefficients(self, *values: float) -> tuple[float, float]:
        """Sideways shift and yaw, mm."""
        depth, shift, yaw = values
        return depth * shift, depth * yaw

    def placed(self, problem: Problem, mode: Mode) -> tuple[WheelFlat, float]:
        """Return it at its best place beside a fit without it, and what that is above the mean."""
        cuts = problem.nuisance_cuts(mode.u.size)
        depth, shift, yaw = problem.parameters(self)
        places = np.arange(0.0, WHEEL_TURN, _SCAN)
        tried = [dataclasses.replace(self, place_mm=float(place)) for place in places]
        signatures: list[dict[int, np.ndarray]] = [{} for _ in tried]
        hessian, slope = np.tile(np.eye(2), (places.size, 1, 1)), np.zeros((places.size, 2))
        for i, piece in problem.burned:
            spot, normal = piece.where(mode.u[cuts[i]])
            for kept, there in zip(signatures, tried, strict=True):
                kept[i] = there.signature(piece.nominal, spot, normal)
            table = np.concatenate([kept[i] for kept in signatures], axis=1)
            scale = np.tile(depth.centre * np.array([shift.centre, yaw.spread]), places.size)
            columns = piece.metric.columns(table * scale)
            products = piece.metric.product(columns, columns)
            pull = piece.metric.product(columns, piece.metric.columns(mode.residuals[i]))
            for k in range(places.size):
                own = slice(2 * k, 2 * k + 2)
                hessian[k] += products[own, own]
                slope[k] += pull[own]
        step = np.linalg.solve(hessian, slope[:, :, None])[:, :, 0]
        gain = np.sum(slope * step, axis=1)
        score = 0.5 * (gain - np.linalg.slogdet(hessian)[1])
        score += log_ndtr(step[:, 0] / np.sqrt(np.linalg.inv(hessian)[:, 0, 0]))  # it has one sign
        best = int(np.argmax(score))
        paid = float(score[best] - logsumexp(score)) + math.log(places.size)
        return dataclasses.replace(tried[best], pattern=signatures[best]), paid

    found_at = property(lambda self: self.place_mm)

    def placed_at(self, place: float, problem: Problem, u: np.ndarray) -> WheelFlat:
        """Return it at a place along the rail, mm, that was found before."""
        there = dataclasses.replace(self, place_mm=place)
        cuts = problem.nuisance_cuts(u.size)
        pattern = {
            i: there.signature(piece.nominal, *piece.where(u[cuts[i]]))
            for i, piece in problem.burned
        }
        return dataclasses.replace(there, pattern=pattern)

    @property
    def _toward(self) -> float:
        """Which way the beam shifts: -1 toward the left rail, 1 toward the right."""
        return -1.0 if (self.side == "left") == (self.flank == "outer") else 1.0

    seen_as = property(lambda self: f"flat, the beam shifts {self._toward:+.0f} in x")

    def seen_like(self, other: Fault) -> WheelFlat:
        """Return it at the place of another flat that shifts the beam the same way."""
        if not isinstance(other, WheelFlat) or other.seen_as != self.seen_as:
            raise ValueError(f"{self.key} does not show as {other.key} does.")
        return dataclasses.replace(self, place_mm=other.place_mm, pattern=other.pattern)

    def shown_on(self, piece: DrawnLines | None) -> WheelFlat:
        """Return it as it shows on another piece, before that is placed.

        Where its place is unknown it is taken in the middle of the figure.
        """
        if piece is None:
            return dataclasses.replace(self, pattern={})
        spot, normal = piece.where(np.zeros(piece.n_nuisance))
        there = self
        if self.place_mm is None:
            middle = float(np.median(spot[:, 1])) - piece.nominal.head.beyond
            there = dataclasses.replace(self, place_mm=middle % WHEEL_TURN)
        pattern = there.signature(piece.nominal, spot, normal)
        return dataclasses.replace(there, pattern={0: pattern})

    def signature(self, machine: Machine, spot: np.ndarray, normal: np.ndarray) -> np.ndarray:
        """Heights per mm of sideways shift and of yaw (as y_right - y_left), shape (n, 2).

        Parameters and lines as in `Fault.signature`.
        """
        travel, share = spot[:, 1] - machine.head.beyond, spot[:, 0] / machine.span
        off = (travel - (self.place_mm or 0.0) + WHEEL_TURN / 2.0) % WHEEL_TURN - WHEEL_TURN / 2.0
        # a bin averages over its length: along the rail where the line runs along it
        seen = np.sqrt(FLAT_WIDTH**2 + (BIN_LENGTH * normal[:, 0]) ** 2 / 12.0)
        bump = FLAT_HEIGHT * FLAT_WIDTH / seen * np.exp(-0.5 * (off / seen) ** 2)
        sideways = self._toward * normal[:, 0] * bump
        yaw = (share - 0.5) * normal[:, 1] - machine.head.beyond / machine.span * normal[:, 0]
        return np.column_stack([sideways, yaw * bump])

    fresh_scatter = property(lambda self: (f"drag {self.side}", "racking stiffness"))

    def adjusting_point(self, machine: Machine, handbook: Handbook) -> AdjustingPoint:
        """The wheel, which is replaced."""
        return NewWheel(
            f"wheel {self.side}",
            f"replace the wheel of the {self.side} end plate that has the flat",
            self.check,
            "roll the plate slowly by hand: it runs without a bump over a whole wheel turn",
            5.0,
            self.side,
        )


@dataclass(frozen=True)
class NewWheel(AdjustingPoint):
    """A wheel with a flat: nothing to turn, it is replaced.

    Parameters
    ----------
    part : str
        ``"left"`` or ``"right"``: the end plate that it belongs to.
    """

    part: str = "left"

    unit = "wheel"

    def expect(self, healthy: Machine, faulty: Machine) -> str:
        """How often it bumps."""
        turn = 2.0 * math.pi * healthy.value(self.part).wheels[0].radius
        return f"one bump every {turn:.0f} mm of travel if this is it, an even roll if it is not"

    def needed(self, machine: Machine, nominal: Machine) -> float:
        """One wheel."""
        return 1.0
