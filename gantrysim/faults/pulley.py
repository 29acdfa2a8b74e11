"""A pulley that runs out of true."""

from __future__ import annotations

import math
from dataclasses import dataclass

from gantrysim.faults.adjusting import AdjustingPoint, TakenOut, said
from gantrysim.faults.base import Fault
from gantrysim.faults.belts import belt_label
from gantrysim.inference.parameters import Parameter
from gantrysim.machine import SIDES, Machine
from gantrysim.machine.handbook import Handbook
from gantrysim.records.amounts import about
from gantrysim.records.checks import check_number, listed, require
from gantrysim.records.doors import checked

#: Run-out of a bad pulley, 0.05 to 0.15 mm (common practice, no source): prior of each component.
_RUNOUT = 0.06
#: Run-out that a trued pulley keeps, mm (likely).
RUNOUT_LEFT = 0.02
_BELTS = (*SIDES, "x")


@checked
@dataclass(frozen=True)
class PulleyRunout(Fault):
    """One or several pulleys that run out of true: a payout error once per turn.

    Parameters
    ----------
    pulley : str, or tuple of str
        ``"left"``, ``"right"`` (Y pulleys) or ``"x"``; both Y pulleys as a pair.
    amplitude : float, or tuple of float
        Amplitude of the payout error, mm; one a pulley.
    phase : float, or tuple of float
        Its phase at position 0, rad; one a pulley.

    Examples
    --------
    >>> import gantrysim as gs
    >>> fault = gs.faults.PulleyRunout("left", 0.08)
    >>> gs.Machine().with_faults(fault).belt_left.runout
    0.08
    """

    pulley: str | tuple[str, ...]
    amplitude: float | tuple[float, ...]
    phase: float | tuple[float, ...] = 0.0

    unit = "mm"

    def __post_init__(self) -> None:
        for pulley, amplitude, phase in self._each:
            require(pulley in _BELTS, "PulleyRunout", "pulley", pulley, listed(_BELTS))
            check_number("PulleyRunout", "amplitude", amplitude, 0.0, 10.0)
            check_number("PulleyRunout", "phase", phase, -1e3, 1e3)

    @property
    def pulleys(self) -> tuple[str, ...]:
        """Its pulleys by name."""
        return (self.pulley,) if isinstance(self.pulley, str) else tuple(self.pulley)

    @property
    def _each(self) -> list[tuple[str, float, float]]:
        """Pulley, amplitude (mm) and phase (rad) of each."""
        parts = [
            part if isinstance(part, tuple) else (part,) * len(self.pulleys)
            for part in (self.amplitude, self.phase)
        ]
        return list(zip(self.pulleys, *parts, strict=True))

    def apply(self, machine: Machine) -> Machine:
        """Return the machine with this fault."""
        changes: dict[str, float] = {}
        for pulley, amplitude, phase in self._each:
            belt = machine.value(f"belt_{pulley}")
            x = belt.runout * math.cos(belt.runout_phase) + amplitude * math.cos(phase)
            y = belt.runout * math.sin(belt.runout_phase) + amplitude * math.sin(phase)
            changes[f"belt_{pulley}.runout"] = math.hypot(x, y)
            changes[f"belt_{pulley}.runout_phase"] = math.atan2(y, x)
        return machine.set_many(changes)

    block = property(lambda self: "x" if self.pulleys == ("x",) else "y")
    name = said("pulley_runout_{self.block}")

    variant = property(lambda self: " and ".join(self.pulleys))
    compound = property(lambda self: len(self.pulleys) > 1)
    _which = property(lambda self: " and ".join(map(belt_label, self.pulleys)))
    # amplitudes are eccentricities: what a dial calls run-out is twice that
    noun = property(lambda self: f"eccentricity of the {self._called}")
    _called = property(lambda self: "Y pulleys" if self.compound else f"{self._which} pulley")

    @property
    def words(self) -> str:
        """The likeliest of its variants, which one probability counts together."""
        if self.compound:
            return "the Y pulleys run out of true, most likely both"
        if self.block == "x":
            return "the X pulley runs out of true"
        return f"a Y pulley runs out of true, most likely the {self.variant} one"

    check = said(
        "with the power off turn the {self._which} pulley by hand past a fixed pointer or a dial "
        "indicator: its rim should not rise and fall; out of true it does so once a turn, by twice "
        "the eccentricity"
    )

    @property
    def parameters(self) -> tuple[Parameter, ...]:
        """Cosine and sine part of the payout error of each pulley, mm."""
        return tuple(
            Parameter(f"{pulley} {part} part", "mm", 0.0, _RUNOUT)
            for pulley in self.pulleys
            for part in ("cosine", "sine")
        )

    def at(self, *values: float) -> PulleyRunout:
        """Return the same fault with other cosine and sine parts, mm."""
        pairs = list(zip(values[::2], values[1::2], strict=True))
        return PulleyRunout(
            self.pulleys,
            tuple(math.hypot(c, s) for c, s in pairs),
            tuple(math.atan2(s, c) for c, s in pairs),
        )

    def magnitude(self, *values: float) -> float:
        """Largest amplitude, mm."""
        return max(math.hypot(c, s) for c, s in zip(values[::2], values[1::2], strict=True))

    def adjusting_point(self, machine: Machine, handbook: Handbook) -> AdjustingPoint:
        """Its pulleys."""
        which, its, it = f"the {self._which} motor-side pulley", "its shaft", "it"
        if self.compound:
            which, its, it = "both Y motor-side pulleys", "their shafts", "them"
        words = f"true {which} up on {its}, or replace {it}"
        after = "turn by hand: the rim no longer rises and falls"
        place = f"pulley {self.block}"
        return Pulley(place, words, self.check, after, 5.0, self.pulleys)


@dataclass(frozen=True)
class Pulley(TakenOut):
    """Pulleys that run out of true: trued up on their shaft, or replaced; mm of eccentricity.

    Parameters
    ----------
    belts : tuple of str
        Whose pulleys: ``"left"``, ``"right"`` or ``"x"``.
    """

    belts: tuple[str, ...] = ("left",)

    result = ("eccentricity", "mm")
    hand = RUNOUT_LEFT

    def stands(self, machine: Machine) -> float:
        """Largest payout error of these pulleys, amplitude, mm."""
        return float(max(abs(machine.value(f"belt_{b}").runout) for b in self.belts))

    def turn(self, machine: Machine, amount: float) -> Machine:
        """Return the machine with less run-out, mm, on each of these pulleys."""
        most = max(self.stands(machine) + amount, 0.0)
        places = [f"belt_{b}.runout" for b in self.belts]
        return machine.set_many({p: min(abs(machine.value(p)), most) for p in places})

    def expect(self, healthy: Machine, faulty: Machine) -> str:
        """What the rim does on both machines."""
        rise = about(2.0 * self.stands(faulty), "mm")
        return f"a rim that rises and falls by {rise} once a turn if this is it, not at all if not"

    def confirmed_by(self, amount: float) -> str:
        """What a dial indicator reads of it."""
        return f"a dial indicator on it reads {about(2.0 * abs(amount), 'mm')} less"
