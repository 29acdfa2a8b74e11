"""Named changes of a machine: one adjusting point each, one magnitude, one unit.

Every fault is a frozen dataclass with ``apply(machine)``.  What the inverse believes of each
kind before a burn is measured stands in `gantrysim.inverse.hypotheses`.
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass

from gantrysim.machine import SIDES, Belt, Machine, require


def _check_side(kind: str, side: str, sides: tuple[str, ...] = SIDES) -> None:
    require(side in sides, kind, "side", side, " or ".join(repr(s) for s in sides))


def _check_number(kind: str, name: str, value: float, low: float, high: float) -> None:
    ok = isinstance(value, int | float) and math.isfinite(value) and low <= value <= high
    require(ok, kind, name, value, f"a finite number from {low:g} to {high:g}")


@dataclass(frozen=True)
class TightWheels:
    """Wheels of one end plate pinched on their rail: extra rolling drag.

    Parameters
    ----------
    side : str
        ``"left"`` or ``"right"``.
    extra_force : float
        Drag on top of the healthy plate's, N.
    """

    side: str
    extra_force: float

    def __post_init__(self) -> None:
        _check_side("TightWheels", self.side)
        _check_number("TightWheels", "extra_force", self.extra_force, 0.0, 1000.0)

    def apply(self, machine: Machine) -> Machine:
        """Return the machine with this fault."""
        place = f"{self.side}.friction"
        return machine.set(place, machine.value(place) + self.extra_force)


@dataclass(frozen=True)
class TightCarriage:
    """Carriage wheels pinched on the beam: extra rolling drag along x, N."""

    extra_force: float

    def __post_init__(self) -> None:
        _check_number("TightCarriage", "extra_force", self.extra_force, 0.0, 1000.0)

    def apply(self, machine: Machine) -> Machine:
        """Return the machine with this fault."""
        friction = machine.carriage.friction + self.extra_force
        return machine.set("carriage.friction", friction)


@dataclass(frozen=True)
class SlackBelt:
    """A belt that has lost tension: softer cord and spans that empty early.

    Parameters
    ----------
    side : str
        ``"left"``, ``"right"`` or ``"x"``.
    stiffness_factor : float
        Remaining part of the healthy EA (a slack cord works on the toe of its curve).
    pretension : float
        Tension left in each span, N.
    """

    side: str
    stiffness_factor: float
    pretension: float = 2.0

    def __post_init__(self) -> None:
        _check_side("SlackBelt", self.side, (*SIDES, "x"))
        _check_number("SlackBelt", "stiffness_factor", self.stiffness_factor, 1e-3, 1.0)
        _check_number("SlackBelt", "pretension", self.pretension, 0.0, 1e4)

    def apply(self, machine: Machine) -> Machine:
        """Return the machine with this fault."""
        name = f"belt_{self.side}"
        belt: Belt = machine.value(name)
        slack = dataclasses.replace(
            belt, ea=belt.ea * self.stiffness_factor, pretension=self.pretension
        )
        return machine.set(name, slack)


@dataclass(frozen=True)
class CouplerBacklash:
    """Play in the couplings of the cross shaft, full width at the right belt, mm."""

    play: float

    def __post_init__(self) -> None:
        _check_number("CouplerBacklash", "play", self.play, 0.0, 50.0)

    def apply(self, machine: Machine) -> Machine:
        """Return the machine with this fault."""
        return machine.set("shaft.backlash", machine.shaft.backlash + self.play)


@dataclass(frozen=True)
class CouplerSlip:
    """A set screw let go: the right side stands ahead (+y) of the left by this, mm."""

    offset: float

    def __post_init__(self) -> None:
        _check_number("CouplerSlip", "offset", self.offset, -100.0, 100.0)

    def apply(self, machine: Machine) -> Machine:
        """Return the machine with this fault."""
        return machine.set("shaft.slip", machine.shaft.slip + self.offset)


@dataclass(frozen=True)
class OutOfSquare:
    """The beam built at a yaw angle to the rails, mrad; positive with the right side ahead."""

    angle: float

    def __post_init__(self) -> None:
        _check_number("OutOfSquare", "angle", self.angle, -100.0, 100.0)

    def apply(self, machine: Machine) -> Machine:
        """Return the machine with this fault."""
        return machine.set("square", machine.square + self.angle)


@dataclass(frozen=True)
class ScaleError:
    """Wrong steps per mm on one axis: real move = commanded * (1 + error).

    Parameters
    ----------
    axis : str
        ``"x"`` or ``"y"``.
    error : float
        Relative error (0.005 is half a per cent too long).
    """

    axis: str
    error: float

    def __post_init__(self) -> None:
        _check_side("ScaleError", self.axis, ("x", "y"))
        _check_number("ScaleError", "error", self.error, -0.5, 0.5)

    def apply(self, machine: Machine) -> Machine:
        """Return the machine with this fault."""
        place = f"scale_{self.axis}"
        return machine.set(place, machine.value(place) + self.error)


@dataclass(frozen=True)
class LooseWheels:
    """Wheels of one end plate that stand off their rail: yaw play and little drag.

    Parameters
    ----------
    side : str
        ``"left"`` or ``"right"``.
    clearance : float
        Free play of the plate, full width as y_right - y_left, mm.  A gap g at a wheel base B
        gives span * g / B.
    drag_factor : float
        Remaining part of the healthy rolling drag.
    """

    side: str
    clearance: float
    drag_factor: float = 0.5

    def __post_init__(self) -> None:
        _check_side("LooseWheels", self.side)
        _check_number("LooseWheels", "clearance", self.clearance, 0.0, 50.0)
        _check_number("LooseWheels", "drag_factor", self.drag_factor, 0.0, 1.0)

    def apply(self, machine: Machine) -> Machine:
        """Return the machine with this fault."""
        plate = machine.value(self.side)
        plate = plate.with_friction(plate.friction * self.drag_factor)
        clearance = plate.rack_clearance + self.clearance
        return machine.set(self.side, dataclasses.replace(plate, rack_clearance=clearance))


@dataclass(frozen=True)
class LooseCarriage:
    """Carriage wheels that stand off the beam: the carriage rocks and drags little.

    Parameters
    ----------
    gap : float
        Free play across the beam, full width, mm.
    drag_factor : float
        Remaining part of the healthy rolling drag.
    """

    gap: float
    drag_factor: float = 0.6

    def __post_init__(self) -> None:
        _check_number("LooseCarriage", "gap", self.gap, 0.0, 20.0)
        _check_number("LooseCarriage", "drag_factor", self.drag_factor, 0.0, 1.0)

    def apply(self, machine: Machine) -> Machine:
        """Return the machine with this fault."""
        car = machine.carriage.with_friction(machine.carriage.friction * self.drag_factor)
        return machine.set("carriage", dataclasses.replace(car, gap=car.gap + self.gap))


@dataclass(frozen=True)
class PulleyRunout:
    """A pulley that runs out of true: a payout error once per turn.

    Parameters
    ----------
    pulley : str
        ``"left"``, ``"right"`` (Y pulleys) or ``"x"``.
    amplitude : float
        Amplitude of the payout error, mm.
    phase : float
        Its phase at position 0, rad.
    """

    pulley: str
    amplitude: float
    phase: float = 0.0

    def __post_init__(self) -> None:
        _check_side("PulleyRunout", self.pulley, (*SIDES, "x"))
        _check_number("PulleyRunout", "amplitude", self.amplitude, 0.0, 10.0)
        _check_number("PulleyRunout", "phase", self.phase, -1e3, 1e3)

    def apply(self, machine: Machine) -> Machine:
        """Return the machine with this fault."""
        name = f"belt_{self.pulley}"
        belt: Belt = machine.value(name)
        x = belt.runout * math.cos(belt.runout_phase) + self.amplitude * math.cos(self.phase)
        y = belt.runout * math.sin(belt.runout_phase) + self.amplitude * math.sin(self.phase)
        return machine.set(
            name, dataclasses.replace(belt, runout=math.hypot(x, y), runout_phase=math.atan2(y, x))
        )
