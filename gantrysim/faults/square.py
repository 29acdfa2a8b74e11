"""A beam that is not square to its rails."""

from __future__ import annotations

import math
from dataclasses import dataclass

from gantrysim.faults.adjusting import AdjustingPoint, SetByRule
from gantrysim.faults.base import OFFSET, Fault
from gantrysim.faults.healthy import SQUARENESS
from gantrysim.inference.parameters import Parameter
from gantrysim.machine import Machine
from gantrysim.machine.handbook import Handbook
from gantrysim.records.amounts import about, in_words
from gantrysim.records.checks import within
from gantrysim.records.doors import checked


@checked
@dataclass(frozen=True)
class OutOfSquare(Fault):
    """The beam built at a yaw angle to the rails.

    Parameters
    ----------
    angle : float
        Yaw angle, mrad; positive with the right side ahead.

    Examples
    --------
    >>> import gantrysim as gs
    >>> fault = gs.faults.OutOfSquare(3.0)
    >>> gs.Machine().with_faults(fault).square
    3.0
    >>> fault.check
    'with the power off and the beam away from home, mark the same length on both rails from the
    beam back, and measure crosswise from each mark to the joint at the other rail: both should be
    equal'
    """

    angle: float = within(-100.0, 100.0)

    name = "out_of_square"
    words = "the beam is not square to its rails"
    noun = "squareness of the beam"
    check = (
        "with the power off and the beam away from home, mark the same length on both rails from "
        "the beam back, and measure crosswise from each mark to the joint at the other rail: both "
        "should be equal"
    )
    unit = "mrad"
    effect = OFFSET
    sense = 0
    ways = ("with the right side ahead", "with the right side behind")
    block = "y"
    place = "square"
    kept = 2.0 * SQUARENESS  # what a careful assembly leaves
    parameters = (Parameter("angle", "mrad", 0.0, 4.0),)
    own_scatter = "squareness"

    def adjusting_point(self, machine: Machine, handbook: Handbook) -> AdjustingPoint:
        """The joint of beam and right plate."""
        after = "mark and measure crosswise again: both are equal"
        span, travel = machine.span, machine.travel_y
        return Square("square", "", self.check, after, 10.0, span=span, travel=travel)


@dataclass(frozen=True)
class Square(SetByRule):
    """The joint of beam and right plate: the right end moved along its rail, mm.

    Parameters
    ----------
    span, travel : float
        Between the rails, and from the beam back to the marks on them, mm: the figure of beam and
        rails whose diagonals are compared.
    """

    span: float = Machine.span
    travel: float = Machine.travel_y

    field = "square"
    result = ("out of square", "mrad")

    def lever(self, machine: Machine) -> float:
        """Way of the right end for one mrad, mm."""
        return 1e-3 * machine.span

    def way(self, amount: float) -> str:
        """Which way in words."""
        where = "away from home" if amount > 0.0 else "toward home"
        return f"loosen the joint of beam and right plate, move the right end {where}, tighten it"

    def expect(self, healthy: Machine, faulty: Machine) -> str:
        """Difference of the diagonals on both machines."""
        apart = self.diagonals(faulty.square - healthy.square)
        longer = "left" if apart > 0.0 else "right"
        return (
            f"with marks {self.travel:.0f} mm back the one from the {longer} mark longer by "
            f"{about(abs(apart), 'mm')} if this is it, both alike if it is not"
        )

    def confirmed_by(self, amount: float) -> str:
        """What a way of the right end is between the diagonals."""
        apart = abs(self.diagonals(1e3 * amount / self.span))
        return (
            f"{in_words(abs(amount), 'mm')} at the right end is {in_words(apart, 'mm')} of "
            f"difference with marks {self.travel:.0f} mm back"
        )

    def diagonals(self, angle: float) -> float:
        """From the left mark to the right joint less the other way at an angle (mrad), mm.

        Marks at the same length from the joints make a parallelogram, so that it does not matter
        where the rails end: to first order 2 W L angle / sqrt(W^2 + L^2), plane geometry.
        """
        return 2e-3 * angle * self.span * self.travel / math.hypot(self.span, self.travel)
