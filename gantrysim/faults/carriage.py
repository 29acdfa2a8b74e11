"""Wheels of the carriage too tight or too loose on the beam."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

from gantrysim.faults.adjusting import AdjustingPoint
from gantrysim.faults.base import DRAG, RATTLE, Fault, below_one
from gantrysim.faults.healthy import healthy_drag
from gantrysim.faults.nuts import lost_contact, nuts_of
from gantrysim.inference.parameters import Parameter
from gantrysim.machine import Machine
from gantrysim.machine.handbook import Handbook
from gantrysim.records.checks import number, within
from gantrysim.records.doors import checked

#: Extra drag of a tight carriage: 4 to 15 N (common practice, no source).
_EXTRA_DRAG = Parameter("extra drag", "N", 7.0, 0.6, ratio=True)
#: Moment that rubs against the rocking of a loose one, N mm: flanks that touch with a few newtons
#: some millimetres off its middle (judgement, no source).
RUB = 12.0
#: Play of a loose one: gaps of 0.05 to 0.3 mm (common practice, no source).
_PLAY = (
    Parameter("gap", "mm", 0.12, 0.6, ratio=True),
    Parameter("drag factor", "-", 0.6, 0.25, ratio=True, faint=2.0),
    Parameter("rub", "N mm", RUB, 0.35, ratio=True),
)


@checked
class _CarriageWheels(Fault):
    """What both faults of the wheels of the carriage share."""

    block = "x"

    def adjusting_point(self, machine: Machine, handbook: Handbook) -> AdjustingPoint:
        """The eccentric nuts of the carriage."""
        return nuts_of(machine, "carriage", self.check, loose=self.effect == RATTLE)


@checked
@dataclass(frozen=True)
class TightCarriage(_CarriageWheels):
    """Carriage wheels pinched on the beam: extra rolling drag along x.

    Parameters
    ----------
    extra_force : float
        Drag on top of what the carriage has, N.

    Examples
    --------
    >>> import gantrysim as gs
    >>> fault = gs.faults.TightCarriage(8.0)
    >>> gs.Machine().with_faults(fault).carriage.friction
    10.2
    """

    extra_force: float = within(0.0, 1000.0)

    name = "tight_carriage"
    words = "the carriage wheels are too tight on the beam"
    noun = "tightness of the carriage wheels"
    check = "with the power off push the carriage along the beam: it should glide evenly"
    unit = "N"
    effect = DRAG
    drive = "x"
    place = "carriage.friction"
    parameters = (_EXTRA_DRAG,)
    opposite = "loose_carriage"
    own_scatter = "drag carriage"
    fresh_scatter = ("carriage yaw stiffness",)

    def healthy_limit(self, nominal: Machine) -> float:
        """Drag above the nominal that a healthy carriage may have, N."""
        return healthy_drag(nominal, "carriage")

    def overshot(self, nominal: Machine) -> float:
        """Drag below the nominal at which the wheels are all but out of contact, N."""
        return lost_contact(nominal, "carriage")


@checked
@dataclass(frozen=True)
class LooseCarriage(_CarriageWheels):
    """Carriage wheels that stand off the beam: the carriage rocks, slides across and drags little.

    Parameters
    ----------
    gap : float
        Free play across the beam, full width, mm.
    drag_factor : float
        Remaining part of the healthy rolling drag.
    rub : float
        Moment that rubs against its rocking, N mm, from which follows what rubs against its sliding
        across the beam.

    Examples
    --------
    >>> import gantrysim as gs
    >>> fault = gs.faults.LooseCarriage(0.15)
    >>> gs.Machine().with_faults(fault).carriage.friction
    1.32
    >>> fault.check
    'with the power off rock the head: it should not click'
    """

    gap: float = within(0.0, 20.0)
    drag_factor: float = number(0.6, 0.0, 1.0)
    rub: float = number(RUB, 0.0, 1e4)

    def apply(self, machine: Machine) -> Machine:
        """Return the machine with this fault."""
        car = machine.carriage.with_friction(machine.carriage.friction * self.drag_factor)
        loose = dataclasses.replace(car, gap=car.gap + self.gap, rub=max(car.rub, self.rub))
        return machine.set("carriage", loose)

    name = "loose_carriage"
    words = "the carriage wheels are loose on the beam"
    noun = "looseness of the carriage wheels"
    check = "with the power off rock the head: it should not click"
    unit = "mm"
    effect = RATTLE
    place = "carriage.gap"
    kept = 0.02  # play that a careful assembly leaves (judgement)
    parameters = _PLAY
    # its play is taken up at one angle or another of a ring, where the belt rocks it against what
    # rubs, or not at all until it is thrown
    rugged = True
    # of an independent simulator: 13 with the belt beside the wheels 17 % rms off, 3 in line 20 low
    model_error = 0.16
    opposite = "tight_carriage"
    fresh_scatter = ("drag carriage", "carriage yaw stiffness")

    def at(self, *values: float) -> LooseCarriage:
        """Return the same fault with another gap, mm, drag factor, and moment of its rub, N mm."""
        gap, factor, rub = values
        return LooseCarriage(gap, drag_factor=below_one(factor), rub=rub)
