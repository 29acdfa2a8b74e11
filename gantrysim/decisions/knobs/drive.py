"""Couplings, set screws, squareness, steps per mm and pulleys."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import ClassVar

from gantrysim.decisions.knobs.base import SAFETY_POWERED, Knob
from gantrysim.inference.lost import EXPECT as LOST_EXPECT
from gantrysim.machine import Machine

#: A rule, or a square with feelers, sets to this, mm (95 %; common practice, no source).
RULE = 0.1
#: Steps per mm need no better than the belt's length, +-0.05 % (polyurethane belt catalogues).
LENGTH_ROOM = 5e-4
#: Play that a tightened coupling keeps, and run-out that a trued pulley keeps, mm (likely).
PLAY_LEFT, RUNOUT_LEFT = 0.03, 0.02

GO_BY_CHECK = "Where the hand check reads another figure, go by the check: it reads this directly."


@dataclass(frozen=True)
class Coupling(Knob):
    """The couplings of the cross shaft: play taken out, mm at the far belt."""

    unit: ClassVar[str] = "mm"
    by_reading: ClassVar[bool] = True

    @property
    def result(self) -> tuple[str, str]:
        """Name and unit of what is read afterwards."""
        return "play", "mm"

    @property
    def hand(self) -> float:
        """Play that may stay, 95 %, mm."""
        return PLAY_LEFT

    def stands(self, machine: Machine) -> float:
        """Play, mm at the far belt."""
        return machine.shaft.backlash

    def turn(self, machine: Machine, amount: float) -> Machine:
        """Return the machine with less play, mm; none can be added by tightening."""
        left = max(machine.shaft.backlash + min(amount, 0.0), 0.0)
        return machine.set("shaft.backlash", left)

    def room(self, nominal: Machine, sense: float) -> tuple[float, float]:
        """As `Knob.room`, mm."""
        return 2.0 * PLAY_LEFT, math.inf

    def reads(self, machine: Machine) -> float:
        """Play, mm at the far belt."""
        return machine.shaft.backlash

    def expect(self, healthy: Machine, faulty: Machine) -> str:
        """Play on both machines."""
        turn = healthy.belt_right.pulley_circumference
        degrees = 360.0 * faulty.shaft.backlash / turn
        return (
            f"the pulley turns by about {degrees:.2g} degrees ({faulty.shaft.backlash:.2g} mm of "
            "belt) before the shaft takes it along if this is it, at once if it is not"
        )


@dataclass(frozen=True)
class SetByRule(Knob):
    """A part moved along the rails and held there, by a rule or a square with feelers, mm."""

    unit: ClassVar[str] = "mm"

    @property
    def note(self) -> str:
        """What goes before the amount."""
        return GO_BY_CHECK

    @property
    def hand(self) -> float:
        """How well the part is set, 95 %, mm."""
        return RULE

    def room(self, nominal: Machine, sense: float) -> tuple[float, float]:
        """As `Knob.room`, mm."""
        return RULE, RULE


@dataclass(frozen=True)
class SetScrew(SetByRule):
    """The set screw of the right pulley: how far the right side is set ahead, mm."""

    @property
    def result(self) -> tuple[str, str]:
        """Name and unit of what is read afterwards."""
        return "offset of the right side", "mm"

    def stands(self, machine: Machine) -> float:
        """How far the right side is set ahead of the left, mm."""
        return machine.shaft.slip

    def turn(self, machine: Machine, amount: float) -> Machine:
        """Return the machine with the right side set ahead (+y) by an amount, mm."""
        return machine.set("shaft.slip", machine.shaft.slip + amount)

    def reads(self, machine: Machine) -> float:
        """How far the right side is set ahead of the left, mm."""
        return machine.shaft.slip

    def way(self, amount: float) -> str:
        """Which way in words."""
        where = "away from home" if amount > 0.0 else "toward home"
        return f"loosen the right pulley's set screws, move the right plate {where}, tighten them"

    def expect(self, healthy: Machine, faulty: Machine) -> str:
        """Home offset on both machines."""
        off = faulty.shaft.slip - healthy.shaft.slip
        side = "ahead of" if off > 0.0 else "behind"
        return (
            f"the right plate stands up to {abs(off):.2g} mm {side} the left if this is it "
            "(the beam takes part of it up), both alike if it is not"
        )


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

    @property
    def result(self) -> tuple[str, str]:
        """Name and unit of what is read afterwards."""
        return "out of square", "mrad"

    def stands(self, machine: Machine) -> float:
        """How far the right end stands ahead, mm."""
        return machine.square * 1e-3 * machine.span

    def turn(self, machine: Machine, amount: float) -> Machine:
        """Return the machine with the right end moved ahead (+y) by an amount, mm."""
        return machine.set("square", machine.square + amount / machine.span * 1e3)

    def reads(self, machine: Machine) -> float:
        """Angle out of square, mrad."""
        return machine.square

    def way(self, amount: float) -> str:
        """Which way in words."""
        where = "away from home" if amount > 0.0 else "toward home"
        return f"loosen the joint of beam and right plate, move the right end {where}, tighten it"

    def expect(self, healthy: Machine, faulty: Machine) -> str:
        """Difference of the diagonals on both machines."""
        apart = self.diagonals(faulty.square - healthy.square)
        return (
            f"diagonals of {self.span:.0f} by {self.travel:.0f} mm that differ by about "
            f"{abs(apart):.2g} mm if this is it, alike if it is not"
        )

    def diagonals(self, angle: float) -> float:
        """Difference of the diagonals of the rectangle at an angle out of square (mrad), mm.

        To first order 2 W L angle / sqrt(W^2 + L^2): plane geometry.
        """
        return 2e-3 * angle * self.span * self.travel / math.hypot(self.span, self.travel)


@dataclass(frozen=True)
class Steps(Knob):
    """The steps per mm of an axis, set in the controller; an exact setting.

    Parameters
    ----------
    axis : str
        ``"x"`` or ``"y"``.
    now : float
        What is set now, steps per mm.
    """

    axis: str = "x"
    now: float = 80.0

    unit: ClassVar[str] = "steps per mm"
    forgiving: ClassVar[bool] = True
    safety: ClassVar[str] = SAFETY_POWERED

    @property
    def result(self) -> tuple[str, str]:
        """Name and unit of what is read afterwards."""
        return "scale error", "per cent"

    @property
    def note(self) -> str:
        """The setting from which the amount counts."""
        return (
            f"The amount counts from {self.now:g} steps per mm; from another setting take the "
            "same part of it."
        )

    def needed(self, machine: Machine, nominal: Machine) -> float:
        """Change of the setting, steps per mm."""
        place = f"scale_{self.axis}"
        ratio = (1.0 + nominal.value(place)) / (1.0 + machine.value(place))
        return self.now * (ratio - 1.0)

    def turn(self, machine: Machine, amount: float) -> Machine:
        """Return the machine with the setting changed by an amount, steps per mm."""
        place = f"scale_{self.axis}"
        scale = (1.0 + machine.value(place)) * (1.0 + amount / self.now) - 1.0
        return machine.set(place, scale)

    def room(self, nominal: Machine, sense: float) -> tuple[float, float]:
        """As `Knob.room`, steps per mm."""
        return LENGTH_ROOM * self.now, LENGTH_ROOM * self.now

    def reads(self, machine: Machine) -> float:
        """Scale error, per cent."""
        return float(machine.value(f"scale_{self.axis}")) * 100.0

    def way(self, amount: float) -> str:
        """Which way in words."""
        more = "more" if amount > 0.0 else "fewer"
        return f"set {more} steps per mm for {self.axis.upper()} in the controller"

    def expect(self, healthy: Machine, faulty: Machine) -> str:
        """Way covered on both machines."""
        ways = [200.0 * (1.0 + m.value(f"scale_{self.axis}")) for m in (healthy, faulty)]
        return f"{ways[1]:.2f} mm for 200 if this is it, {ways[0]:.2f} mm if it is not"


@dataclass(frozen=True)
class Pulley(Knob):
    """Pulleys that run out of true: trued up on their shaft, or replaced; mm of run-out.

    Parameters
    ----------
    belts : tuple of str
        Whose pulleys: ``"left"``, ``"right"`` or ``"x"``.
    """

    belts: tuple[str, ...] = ("left",)

    unit: ClassVar[str] = "mm"
    by_reading: ClassVar[bool] = True

    @property
    def result(self) -> tuple[str, str]:
        """Name and unit of what is read afterwards."""
        return "run-out", "mm"

    @property
    def hand(self) -> float:
        """Run-out that may stay, 95 %, mm."""
        return RUNOUT_LEFT

    def stands(self, machine: Machine) -> float:
        """Largest payout error of these pulleys, amplitude, mm."""
        return float(max(abs(machine.value(f"belt_{b}").runout) for b in self.belts))

    def turn(self, machine: Machine, amount: float) -> Machine:
        """Return the machine with less run-out, mm, on each of these pulleys."""
        most = max(self.stands(machine) + amount, 0.0)
        places = [f"belt_{b}.runout" for b in self.belts]
        return machine.set_many({p: min(abs(machine.value(p)), most) for p in places})

    def room(self, nominal: Machine, sense: float) -> tuple[float, float]:
        """As `Knob.room`, mm."""
        return 2.0 * RUNOUT_LEFT, math.inf

    def reads(self, machine: Machine) -> float:
        """Largest payout error of these pulleys, amplitude, mm."""
        return self.stands(machine)

    def expect(self, healthy: Machine, faulty: Machine) -> str:
        """Wobble of the rim on both machines."""
        wobble = 2.0 * self.stands(faulty)
        return f"a rim that wobbles by about {wobble:.2g} mm if this is it, none if it is not"


@dataclass(frozen=True)
class Holding(Knob):
    """A drive that lost steps: nothing to turn by an amount, what held or slipped is found."""

    safety: ClassVar[str] = SAFETY_POWERED + " Power off before a hand goes in."

    def expect(self, healthy: Machine, faulty: Machine) -> str:
        """What the hand checks show."""
        return LOST_EXPECT
