"""The tension of a belt, set by its tone."""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from typing import ClassVar

from gantrysim.decisions.knobs.base import Knob
from gantrysim.machine import Belt, Machine
from gantrysim.machine.components import span_frequency, span_tension

#: Least and largest part of its tension at which a belt still pulls like its partner (likely
#: range of the ratio of left to right, no published number).
TENSION_ROOM = (0.8, 1.25)
#: A tone is read to this part (95 %; likely: a tuner reads finer, a belt's stiffness shifts it).
TONE_READING = 0.03
#: Span at which a belt is plucked where the travel allows it, mm.
PLUCKED = 250.0


@dataclass(frozen=True)
class BeltTension(Knob):
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

    Notes
    -----
    f = sqrt(T / m) / (2 L), see `gantrysim.machine.components.span_frequency`.  A cord under half
    its tension lies on the toe of its curve (`gantrysim.faults.changes.SlackBelt`); once back above
    it has the EA of its kind.
    """

    belt: str = "left"
    length: float = PLUCKED
    mass: float = 0.0084
    position: float = 0.0
    tension: float = Belt.pretension
    ea: float = Belt.ea

    unit: ClassVar[str] = "Hz"
    by_reading: ClassVar[bool] = True

    @property
    def result(self) -> tuple[str, str]:
        """Name and unit of what is read afterwards."""
        return "belt tension", "N"

    @property
    def hand(self) -> float:
        """How well a tone is set, 95 %, Hz."""
        return TONE_READING * span_frequency(self.tension, self.length, self.mass)

    @property
    def note(self) -> str:
        """Where to pluck and what that takes for granted."""
        axis, part = ("x", "carriage") if self.belt == "x" else ("y", "beam")
        return (
            f"Pluck the {self.length:.0f} mm of belt between motor pulley and clamp, with the "
            f"{part} at {axis} = {self.position:.0f} mm; the tones are for a belt of "
            f"{self.mass * 1e3:.3g} g/m and a limp string, so a real belt sounds a little higher: "
            "compare with the partner belt at the same length."
        )

    def stands(self, machine: Machine) -> float:
        """Tone of the span, Hz."""
        tension = machine.value(f"belt_{self.belt}").pretension
        return span_frequency(tension, self.length, self.mass) if tension > 0.0 else 0.0

    def turn(self, machine: Machine, amount: float) -> Machine:
        """Return the machine with the belt's tone moved by an amount, Hz."""
        tone = self.stands(machine) + amount
        tension = span_tension(tone, self.length, self.mass) if tone > 0.0 else 0.0
        name = f"belt_{self.belt}"
        old: Belt = machine.value(name)
        toe = self.tension / 2.0
        ea = max(old.ea, self.ea) if old.pretension < toe <= tension else old.ea
        return machine.set(name, dataclasses.replace(old, pretension=tension, ea=ea))

    def room(self, nominal: Machine, sense: float) -> tuple[float, float]:
        """Hz short and beyond: within the likely ratio of both tensions."""
        tone = self.stands(nominal)
        low, high = (tone * abs(math.sqrt(part) - 1.0) for part in TENSION_ROOM)
        return (low, high) if sense > 0.0 else (high, low)

    def reads(self, machine: Machine) -> float:
        """Tension of the belt, N."""
        return float(machine.value(f"belt_{self.belt}").pretension)

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


def belt_label(belt: str) -> str:
    """How a belt is called in words."""
    return "X" if belt == "x" else f"{belt} Y"
