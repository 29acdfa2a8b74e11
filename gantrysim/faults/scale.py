"""Wrong steps per mm of an axis."""

from __future__ import annotations

from dataclasses import dataclass

from gantrysim.faults.adjusting import SAFETY_POWERED, AdjustingPoint, said
from gantrysim.faults.base import SCALE, Fault
from gantrysim.faults.healthy import STEPS
from gantrysim.inference.parameters import Parameter
from gantrysim.machine import Belt, Machine
from gantrysim.machine.components import steps_per_mm
from gantrysim.machine.handbook import Handbook
from gantrysim.records.checks import within, word
from gantrysim.records.doors import checked

#: Wrong steps per mm: of the order of one per cent (common practice, no source).
_ERROR = Parameter("scale error", "-", 0.0, 0.01)
#: Steps per mm need no better than the belt's length, +-0.05 % (polyurethane belt catalogues).
_ROOM = 2.0 * STEPS


@checked
@dataclass(frozen=True)
class ScaleError(Fault):
    """Wrong steps per mm on one axis: real move = commanded * (1 + error).

    Parameters
    ----------
    axis : str
        ``"x"`` or ``"y"``.
    error : float
        Relative error (0.005 is half a per cent too long).

    Examples
    --------
    >>> import gantrysim as gs
    >>> fault = gs.faults.ScaleError("x", 0.004)
    >>> gs.Machine().with_faults(fault).scale_x
    0.004
    >>> fault.words
    'the steps per mm of X are wrong'
    """

    axis: str = word("x", "y")
    error: float = within(-0.5, 0.5)

    unit = "relative"
    effect = SCALE
    sense = 0
    ways = ("too long", "too short")

    block = said("{self.axis}")

    name = said("scale_{self.axis}")

    _axis = property(lambda self: self.axis.upper())
    words = said("the steps per mm of {self._axis} are wrong")
    noun = said("steps per mm of {self._axis}")
    check = said(
        "with the laser disconnected and hands clear command 200 mm along {self._axis} and "
        "measure the way with a rule"
    )

    parameters = (_ERROR,)

    place = said("scale_{self.axis}")

    kept = 2.0 * STEPS  # what a careful assembly leaves
    own_scatter = said("scale {self.axis}")

    def adjusting_point(self, machine: Machine, handbook: Handbook) -> AdjustingPoint:
        """The steps per mm in the controller."""
        belt: Belt = machine.value("belt_x" if self.axis == "x" else "belt_left")
        now = steps_per_mm(handbook.pulley_teeth, belt.pitch, steps=handbook.motor_steps)
        after = f"command 200 mm along {self.axis.upper()} again: a rule should read 200.0 mm"
        return Steps(f"scale {self.axis}", look=self.check, confirm=after, axis=self.axis, now=now)


@dataclass(frozen=True)
class Steps(AdjustingPoint):
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

    unit = "steps per mm"
    forgiving = True
    safety = SAFETY_POWERED
    result = ("scale error", "per cent")
    field = said("scale_{self.axis}")
    note = said(
        "The amount counts from {self.now:g} steps per mm; from another setting take the "
        "same part of it."
    )

    def needed(self, machine: Machine, nominal: Machine) -> float:
        """Change of the setting, steps per mm."""
        ratio = (1.0 + nominal.value(self.field)) / (1.0 + machine.value(self.field))
        return self.now * (ratio - 1.0)

    def turn(self, machine: Machine, amount: float) -> Machine:
        """Return the machine with the setting changed by an amount, steps per mm."""
        scale = (1.0 + machine.value(self.field)) * (1.0 + amount / self.now) - 1.0
        return machine.set(self.field, scale)

    def room(self, nominal: Machine, sense: float) -> tuple[float, float]:
        """As `AdjustingPoint.room`, steps per mm."""
        return _ROOM * self.now, _ROOM * self.now

    def reads(self, machine: Machine) -> float:
        """Scale error, per cent."""
        return float(machine.value(self.field)) * 100.0

    def way(self, amount: float) -> str:
        """Which way in words."""
        more = "more" if amount > 0.0 else "fewer"
        return f"set {more} steps per mm for {self.axis.upper()} in the controller"

    def expect(self, healthy: Machine, faulty: Machine) -> str:
        """Way covered on both machines."""
        ways = [200.0 * (1.0 + m.value(self.field)) for m in (healthy, faulty)]
        return f"{ways[1]:.1f} mm for 200 if this is it, {ways[0]:.1f} mm if it is not"
