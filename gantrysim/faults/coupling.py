"""The couplings of the cross shaft: play, and a set screw that let it slip."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import ClassVar

from gantrysim.faults.adjusting import RULE, AdjustingPoint, SetByRule, TakenOut
from gantrysim.faults.base import OFFSET, PLAY, Fault
from gantrysim.inference.parameters import Parameter
from gantrysim.machine import Machine
from gantrysim.machine.handbook import Handbook
from gantrysim.records.amounts import about, in_words
from gantrysim.records.checks import within
from gantrysim.records.doors import checked

#: Play of worn couplings, 0.5 to 5 degrees, and slip of a set screw, 0.1 to 2 mm (common
#: practice, no source).
_PLAY = Parameter("play", "mm", 0.2, 0.6, ratio=True)
_SLIP = Parameter("offset", "mm", 0.0, 0.8)
#: Play that a tightened coupling keeps, mm (likely).
PLAY_LEFT = 0.03


@checked
@dataclass(frozen=True)
class CouplerBacklash(Fault):
    """Play in the couplings of the cross shaft.

    Parameters
    ----------
    play : float
        Full width of it at the right belt, mm.

    Examples
    --------
    >>> import gantrysim as gs
    >>> fault = gs.faults.CouplerBacklash(0.4)
    >>> gs.Machine().with_faults(fault).shaft.backlash
    0.4
    >>> fault.words
    'the coupling of the cross shaft has play'
    """

    play: float = within(0.0, 50.0)

    name = "coupler_backlash"
    words = "the coupling of the cross shaft has play"
    noun = "play of the coupling"
    check = (
        "with the power off hold the motor end and turn the far pulley by hand: it should follow "
        "at once"
    )
    unit = "mm"
    effect = PLAY
    block = "y"
    drive = "right"
    place = "shaft.backlash"
    kept = 0.04  # play that sound couplings have (judgement)
    parameters = (_PLAY,)
    #: Against an independent simulator one stated to 3 % was 7 off, one to 5 % 13.
    model_error = 0.08
    fresh_scatter = ("shaft stiffness",)

    def adjusting_point(self, machine: Machine, handbook: Handbook) -> AdjustingPoint:
        """The clamp screws of the couplings."""
        words = "tighten the clamp screws of the cross shaft's couplings, replace worn inserts"
        after = "hold the motor end and turn the far pulley by hand: it follows at once"
        return Coupling("coupling", words, self.check, after, 3.0)


@checked
@dataclass(frozen=True)
class CouplerSlip(Fault):
    """A set screw let go: one side stands ahead of the other.

    Parameters
    ----------
    offset : float
        By which the right side stands ahead (+y) of the left, mm.

    Examples
    --------
    >>> import gantrysim as gs
    >>> fault = gs.faults.CouplerSlip(-1.0)
    >>> gs.Machine().with_faults(fault).shaft.slip
    -1.0
    >>> fault.check
    'at home, with the power off, measure both end plates from the frame: both should read the same'
    """

    offset: float = within(-100.0, 100.0)

    name = "coupler_slip"
    words = "a set screw let the cross shaft slip: one side stands ahead of the other"
    noun = "slip of the coupling"
    check = (
        "at home, with the power off, measure both end plates from the frame: both should read "
        "the same"
    )
    unit = "mm"
    effect = OFFSET
    sense = 0
    ways = ("with the right side ahead", "with the right side behind")
    block = "y"
    place = "shaft.slip"
    kept = RULE  # what a careful assembly leaves: a rule reads no more
    parameters = (_SLIP,)
    starts = ((0.5,), (-0.5,))  # either sign racks the beam and loads the wheels
    twins: ClassVar = {
        "out_of_square": (
            "1 mm of slip looks like 1.5 mrad out of square with 1.2 N more drag on each plate"
        )
    }
    fresh_scatter = ("squareness",)

    def adjusting_point(self, machine: Machine, handbook: Handbook) -> AdjustingPoint:
        """The set screws of the right pulley."""
        after = "measure both end plates from the frame at home: both read the same"
        return SetScrew("set screw", look=self.check, confirm=after, minutes=5.0)


@dataclass(frozen=True)
class Coupling(TakenOut):
    """The couplings of the cross shaft: play taken out, mm at the far belt."""

    result = ("play", "mm")
    hand = PLAY_LEFT

    def stands(self, machine: Machine) -> float:
        """Play, mm at the far belt."""
        return machine.shaft.backlash

    def turn(self, machine: Machine, amount: float) -> Machine:
        """Return the machine with less play, mm; none can be added by tightening."""
        left = max(machine.shaft.backlash + min(amount, 0.0), 0.0)
        return machine.set("shaft.backlash", left)

    def expect(self, healthy: Machine, faulty: Machine) -> str:
        """Play on both machines."""
        turn = healthy.belt_right.pulley_circumference
        degrees = 360.0 * faulty.shaft.backlash / turn
        return (
            f"the pulley turns by {about(degrees, 'degrees')} "
            f"({in_words(faulty.shaft.backlash, 'mm')} of belt) before the shaft takes it along if "
            "this is it, at once if it is not"
        )

    def hand_in(self, read: Callable[[Machine], float], machine: Machine) -> float:
        """Play that may stay, mm: no turn of the screws adds any."""
        return PLAY_LEFT


@dataclass(frozen=True)
class SetScrew(SetByRule):
    """The set screw of the right pulley: how far the right side is set ahead, mm."""

    field = "shaft.slip"
    result = ("offset of the right side", "mm")

    def way(self, amount: float) -> str:
        """Which way in words."""
        where = "away from home" if amount > 0.0 else "toward home"
        return f"loosen the right pulley's set screws, move the right plate {where}, tighten them"

    def expect(self, healthy: Machine, faulty: Machine) -> str:
        """Home offset on both machines."""
        off = faulty.shaft.slip - healthy.shaft.slip
        side = "ahead of" if off > 0.0 else "behind"
        return (
            f"the right plate stands up to {in_words(abs(off), 'mm')} {side} the left if this is "
            "it (the beam takes part of it up), both alike if it is not"
        )
