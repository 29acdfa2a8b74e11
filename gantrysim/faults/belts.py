"""A belt that has lost its tension, and its tone by which it is set."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable
from dataclasses import dataclass

from gantrysim.faults.adjusting import AdjustingPoint, said
from gantrysim.faults.base import GIVE, Fault, below_one
from gantrysim.faults.healthy import HEALTHY_PART
from gantrysim.inference.parameters import Parameter
from gantrysim.machine import SIDES, Belt, Machine
from gantrysim.machine.components import span_frequency, span_mass, span_tension
from gantrysim.machine.handbook import Handbook
from gantrysim.records.checks import number, within, word
from gantrysim.records.doors import checked

#: A slack belt keeps 0 to 5 N and under half its stiffness (common practice, no source).
_LEFT = (
    Parameter("stiffness factor", "-", 0.45, 0.35, ratio=True, faint=2.0),
    Parameter("pretension", "N", 1.8, 0.6, ratio=True, faint=2.0),
)
#: Least and largest part of its tension at which a belt still pulls like its partner (likely
#: range of the ratio of left to right, no published number).
TENSION_ROOM = (0.8, 1.25)
#: A tone is read to this part (95 %; likely: a tuner reads finer, a belt's stiffness shifts it).
TONE_READING = 0.03


@checked
@dataclass(frozen=True)
class SlackBelt(Fault):
    """A belt that has lost tension: softer cord and spans that empty early.

    Parameters
    ----------
    side : str
        ``"left"``, ``"right"`` or ``"x"``.
    stiffness_factor : float
        Remaining part of the healthy EA (a slack cord works on the toe of its curve).
    pretension : float
        Tension left in each span, N.

    Examples
    --------
    >>> import gantrysim as gs
    >>> fault = gs.faults.SlackBelt("left", 0.35)
    >>> slack = gs.Machine().with_faults(fault)
    >>> slack.belt_left.ea, slack.belt_left.pretension
    (3325.0, 2.0)
    """

    side: str = word(*SIDES, "x")
    stiffness_factor: float = within(1e-3, 1.0)
    pretension: float = number(2.0, 0.0, 1e4)

    def apply(self, machine: Machine) -> Machine:
        """Return the machine with this fault."""
        name = f"belt_{self.side}"
        belt: Belt = machine.value(name)
        slack = dataclasses.replace(
            belt, ea=belt.ea * self.stiffness_factor, pretension=self.pretension
        )
        return machine.set(name, slack)

    unit = "of healthy stiffness"
    effect = GIVE
    sense = -1
    ways = ("", "")

    name = said("slack_belt_{self.side}")

    _label = property(lambda self: belt_label(self.side))
    words = said("the {self._label} belt is soft and gives too much")
    _short = property(lambda self: drive_label(self.side))
    noun = said("stiffness left to the {self._short} belt")

    @property
    def check(self) -> str:
        """The hand check that confirms it."""
        label = belt_label(self.side)
        return f"with the power off pluck the {label} belt: it should give a clear low tone"

    @property
    def block(self) -> str:
        """Block of its belt."""
        return "x" if self.side == "x" else "y"

    drive = said("{self.side}")

    parameters = _LEFT

    def at(self, *values: float) -> SlackBelt:
        """Return the same fault with another stiffness factor and tension, N."""
        factor, tension = values
        return SlackBelt(self.side, stiffness_factor=below_one(factor), pretension=tension)

    def magnitude(self, *values: float) -> float:
        """What is left of its stiffness, never above the healthy."""
        return below_one(values[0])

    place = said("belt_{self.side}.ea")

    def size_on(self, machine: Machine, nominal: Machine) -> float:
        """Stiffness of its belt as part of the nominal."""
        return float(machine.value(self.place) / nominal.value(self.place))

    kept = 1.0 - HEALTHY_PART
    fresh_scatter = property(lambda self: (f"belt {self.side} EA",))

    def adjusting_point(self, machine: Machine, handbook: Handbook) -> AdjustingPoint:
        """The tension of its belt, by its tone."""
        return _tension_of(machine, self.side, handbook, self.check)


@dataclass(frozen=True)
class BeltTension(AdjustingPoint):
    """The tension of a belt, set by the tone of a plucked span, Hz.

    Parameters
    ----------
    belt : str
        ``"left"``, ``"right"`` or ``"x"``.
    length, mass : float
        Of the plucked span: free length, mm, and mass per length, kg/m.
    position : float
        Where plate or carriage stands when it is plucked, mm.
    tension, ea : float
        Tension and tensile stiffness EA of the belt as described, N.
    partner : str
        The belt that it pulls beside, in words; empty where there is none.

    Notes
    -----
    f = sqrt(T / m) / (2 L), see `gantrysim.machine.components.span_frequency`.  A cord under half
    its tension lies on the toe of its curve (`SlackBelt`); once back above
    it has the EA of its kind.
    """

    belt: str = "left"
    length: float = Belt.near
    mass: float = 0.0084
    position: float = 0.0
    tension: float = Belt.pretension
    ea: float = Belt.ea
    partner: str = ""

    unit = "Hz"
    by_reading = True
    result = ("belt tension", "N")
    _name = property(lambda self: f"belt_{self.belt}")

    @property
    def hand(self) -> float:
        """How well a tone is set, 95 %, Hz."""
        return TONE_READING * span_frequency(self.tension, self.length, self.mass)

    @property
    def note(self) -> str:
        """Where to pluck and what that takes for granted."""
        axis, part = ("x", "carriage") if self.belt == "x" else ("y", "beam")
        beside = f": compare with {self.partner} at the same length" if self.partner else ""
        return (
            "A belt that has lost tension is soft. "
            f"Pluck the {self.length:.0f} mm of belt between motor pulley and clamp, with the "
            f"{part} at {axis} = {self.position:.0f} mm; the tones are for a belt of "
            f"{self.mass * 1e3:.3g} g/m and a limp string, so a real belt sounds a little "
            f"higher{beside}."
        )

    def stands(self, machine: Machine) -> float:
        """Tone of the span, Hz."""
        tension = machine.value(self._name).pretension
        return span_frequency(tension, self.length, self.mass) if tension > 0.0 else 0.0

    def turn(self, machine: Machine, amount: float) -> Machine:
        """Return the machine with the belt's tone moved by an amount, Hz."""
        tone = self.stands(machine) + amount
        tension = span_tension(tone, self.length, self.mass) if tone > 0.0 else 0.0
        old: Belt = machine.value(self._name)
        toe = self.tension / 2.0
        ea = max(old.ea, self.ea) if old.pretension < toe <= tension else old.ea
        return machine.set(self._name, dataclasses.replace(old, pretension=tension, ea=ea))

    def room(self, nominal: Machine, sense: float) -> tuple[float, float]:
        """Hz short and beyond: within the likely ratio of both tensions."""
        tone = self.stands(nominal)
        low, high = (tone * abs(math.sqrt(part) - 1.0) for part in TENSION_ROOM)
        return (low, high) if sense > 0.0 else (high, low)

    def reads(self, machine: Machine) -> float:
        """Tension of the belt, N."""
        return float(machine.value(self._name).pretension)

    def way(self, amount: float) -> str:
        """Which way in words."""
        label = belt_label(self.belt)
        if amount > 0.0:
            return f"draw the {label} belt's tensioner tighter until the tone is right"
        return f"ease the {label} belt's tensioner until the tone is right"

    def expect(self, healthy: Machine, faulty: Machine) -> str:
        """Tone of the span on both machines."""
        return (
            f"about {self.stands(faulty):.0f} Hz or a dull flap if this is it, "
            f"{self.stands(healthy):.0f} Hz if it is not"
        )

    def hand_in(self, read: Callable[[Machine], float], machine: Machine) -> float:
        """Stiffness of a belt follows its tone to a tenth (95 %; common practice, no source)."""
        return 0.1


def _tension_of(machine: Machine, belt: str, handbook: Handbook, check: str) -> BeltTension:
    own: Belt = machine.value(f"belt_{belt}")
    position = machine.middle[0 if belt == "x" else 1]
    point = BeltTension(
        f"belt {belt}", look=check, minutes=3.0, belt=belt, length=own.spans(position)[0],
        mass=span_mass(handbook.belt, handbook.belt_width), position=position,
        tension=own.pretension, ea=own.ea, partner=_partner(belt, machine),
    )  # fmt: skip
    after = f"pluck it again: {point.stands(machine):.0f} Hz"
    same = f", and the same as {point.partner} at the same length" if point.partner else ""
    return dataclasses.replace(point, confirm=after + same)


def _partner(belt: str, machine: Machine) -> str:
    """The Y belt of the other side in words; empty where the machine has none."""
    other = {"left": "right", "right": "left"}.get(belt, "")
    return f"the {other} Y belt" if other and f"belt_{other}" not in machine.absent else ""


def belt_label(belt: str) -> str:
    """How a belt is called in words."""
    return "X" if belt == "x" else f"{belt} Y"


def drive_label(side: str) -> str:
    """How a belt or pulley is called where there is no doubt that left and right are those of Y."""
    return "X" if side == "x" else side
