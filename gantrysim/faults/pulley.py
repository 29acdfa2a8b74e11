"""A pulley that runs out of true."""

from __future__ import annotations

import math
from dataclasses import dataclass

from gantrysim.faults.adjusting import AdjustingPoint, TakenOut, said
from gantrysim.faults.base import Fault
from gantrysim.faults.belts import belt_label, drive_label
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
    _axis = property(lambda self: self.block.upper())
    _which = property(lambda self: " and ".join(map(drive_label, self.pulleys)))
    words = said("a pulley of the {self._axis} drive runs out of true ({self._which})")
    noun = said("run-out of the {self._which} pulley")

    check = said("with the power off turn the {self._which} pulley by hand: watch the rim")

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
        which = " and the ".join(belt_label(pulley) for pulley in self.pulleys)
        words = f"true the {which} motor-side pulley up on its shaft, or replace it"
        after = "turn the pulley by hand: its rim runs true"
        place = f"pulley {self.block}"
        return Pulley(place, words, self.check, after, 5.0, self.pulleys)


@dataclass(frozen=True)
class Pulley(TakenOut):
    """Pulleys that run out of true: trued up on their shaft, or replaced; mm of run-out.

    Parameters
    ----------
    belts : tuple of str
        Whose pulleys: ``"left"``, ``"right"`` or ``"x"``.
    """

    belts: tuple[str, ...] = ("left",)

    result = ("run-out", "mm")
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
        """Wobble of the rim on both machines."""
        wobble = 2.0 * self.stands(faulty)
        return f"a rim that wobbles by {about(wobble, 'mm')} if this is it, none if not"
