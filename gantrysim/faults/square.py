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
from gantrysim.records.amounts import about
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
    'with the power off measure both diagonals of the frame: they should be equal'
    """

    angle: float = within(-100.0, 100.0)

    name = "out_of_square"
    words = "the beam is not square to its rails"
    noun = "squareness of the beam"
    check = "with the power off measure both diagonals of the frame: they should be equal"
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
        after = "measure both diagonals again: they are equal"
        span, travel = machine.span, machine.travel_y
        return Square("square", "", self.check, after, 10.0, span=span, travel=travel)


@dataclass(frozen=True)
class Square(SetByRule):
    """The joint of beam and right plate: the right end moved along its rail, mm.

    Parameters
    ----------
    span, travel : float
        Between the rails and along them, mm: the rectangle whose diagonals are compared.
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
        return (
            f"diagonals of {self.span:.0f} by {self.travel:.0f} mm that differ by "
            f"{about(abs(apart), 'mm')} if this is it, alike if it is not"
        )

    def diagonals(self, angle: float) -> float:
        """Difference of the diagonals of the rectangle at an angle out of square (mrad), mm.

        To first order 2 W L angle / sqrt(W^2 + L^2): plane geometry.
        """
        return 2e-3 * angle * self.span * self.travel / math.hypot(self.span, self.travel)
