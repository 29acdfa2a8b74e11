"""The points of adjustment of a gantry: where each stands, and what turning it does.

A point acts on any machine, also on one that does not have the fault for which it is turned: the
nuts of a plate that was not tight come loose when they are turned back.  Amounts are signed and
in the unit of the point.
"""

from __future__ import annotations

import inspect
import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, ClassVar

from gantrysim.machine import Machine

SAFETY = (
    "Maker's manual and local rules first. Power off and laser disconnected before a hand goes "
    "in; mind pinch points at belts, pulleys and wheels; re-home before anything is burned."
)
SAFETY_POWERED = (
    "Maker's manual and local rules first. Laser disconnected and hands clear while the axis "
    "moves; write the old setting down; re-home before anything is burned."
)


def said(text: str) -> Any:
    """A property of text with the fields of its object in it: ``said("drag {self.side}")``."""
    return property(lambda self: text.format(self=self))


class Documented:
    """A class whose subclasses' properties mean what those of their bases say they mean."""

    def __init_subclass__(cls) -> None:
        super().__init_subclass__()
        for name, member in vars(cls).items():
            if isinstance(member, property) and not member.__doc__:
                member.__doc__ = inspect.getdoc(getattr(super(cls, cls), name, None))


@dataclass(frozen=True)
class AdjustingPoint(Documented):
    """A point of adjustment where nothing is turned by an amount: look, clean, replace.

    Parameters
    ----------
    place : str
        Where it is.
    words : str
        What is done there.
    look : str
        The hand check before.
    confirm : str
        The hand check after.
    minutes : float
        What the hand check before takes, minutes (judgement).

    Notes
    -----
    Subclasses say how far: `stands` in their unit, `turn` by an amount.  ``hand`` is how well an
    amount can be set (95 %, in the unit); ``by_reading`` says that it is set until a reading is
    right, so that what was believed before does not matter; ``forgiving`` that going too far
    costs no more than falling short.
    """

    place: str
    words: str = ""
    look: str = ""
    confirm: str = ""
    minutes: float = 10.0

    #: How often the hand check before finds a fault that a hand can feel, and one that is not there
    #: (judgement: common practice, no source).
    found: ClassVar[float] = 0.8
    false_alarm: ClassVar[float] = 0.1

    unit: ClassVar[str] = "none"
    by_reading: ClassVar[bool] = False
    forgiving: ClassVar[bool] = False
    safety: ClassVar[str] = SAFETY

    @property
    def result(self) -> tuple[str, str]:
        """Name and unit of what is read off a machine afterwards; empty for nothing."""
        return "", ""

    @property
    def hand(self) -> float:
        """How well an amount can be set, 95 %, in the unit."""
        return 0.0

    @property
    def doubt(self) -> float:
        """Relative doubt about the effect of an amount, standard deviation of its logarithm."""
        return 0.0

    @property
    def by_feel(self) -> str:
        """What is felt once it stands right, where that goes before an amount; else empty."""
        return ""

    @property
    def note(self) -> str:
        """What the amount takes for granted."""
        return ""

    def stands(self, machine: Machine) -> float:
        """Where it stands on a machine, in the unit."""
        return 0.0

    def needed(self, machine: Machine, nominal: Machine) -> float:
        """Signed amount that sets a machine to where the nominal one stands, in the unit."""
        return self.stands(nominal) - self.stands(machine)

    def turn(self, machine: Machine, amount: float) -> Machine:
        """Return the machine with this turned by a signed amount, in the unit."""
        return machine

    def room(self, nominal: Machine, sense: float) -> tuple[float, float]:
        """How far short of and beyond the amount needed does no harm, in the unit.

        Parameters
        ----------
        nominal : Machine
            The machine as described.
        sense : float
            Sign of the amount.
        """
        return math.inf, math.inf

    def reads(self, machine: Machine) -> float:
        """What is read off a machine afterwards; `result` has its name and unit."""
        return self.stands(machine)

    def way(self, amount: float) -> str:
        """Which way a signed amount goes, in words."""
        return self.words

    def felt(self, healthy: Machine, faulty: Machine) -> bool:
        """Whether a hand can tell both machines apart by the check before."""
        return True

    def expect(self, healthy: Machine, faulty: Machine) -> str:
        """What the hand check before shows on both machines, in words."""
        return "worn, loose, dirty or out of true if this is it; nothing to see if it is not"

    def confirmed_by(self, amount: float) -> str:
        """What an amount is in what the check after it reads, in words; empty where the same."""
        return ""

    def hand_in(self, read: Callable[[Machine], float], machine: Machine) -> float:
        """How well a size that is read off a machine can be set by turning here, 95 %, its unit."""
        ends = [read(self.turn(machine, way * self.hand)) for way in (-1.0, 1.0)]
        return 0.5 * abs(ends[1] - ends[0])


#: A rule, or a square with feelers, sets to this, mm (95 %; common practice, no source).
RULE = 0.1


@dataclass(frozen=True)
class SetByRule(AdjustingPoint):
    """A part moved along the rails and held there, by a rule or a square with feelers, mm.

    Notes
    -----
    A subclass names the ``field`` of the machine that says where it stands, and `lever`.
    """

    field: ClassVar[str] = ""
    unit = "mm"
    note = "Where the hand check reads another figure, go by the check: it reads this directly."
    hand = RULE

    def lever(self, machine: Machine) -> float:
        """How far the part moves for one unit of the field, mm."""
        return 1.0

    def stands(self, machine: Machine) -> float:
        """How far the part is set ahead (+y), mm."""
        return machine.value(self.field) * self.lever(machine)

    def turn(self, machine: Machine, amount: float) -> Machine:
        """Return the machine with the part set ahead (+y) by an amount, mm."""
        moved = machine.value(self.field) + amount / self.lever(machine)
        return machine.set(self.field, moved)

    def room(self, nominal: Machine, sense: float) -> tuple[float, float]:
        """As `AdjustingPoint.room`, mm."""
        return RULE, RULE

    def reads(self, machine: Machine) -> float:
        """The field, in its unit."""
        return float(machine.value(self.field))


@dataclass(frozen=True)
class TakenOut(AdjustingPoint):
    """Play or run-out that is taken out until next to none is read; it cannot be added, mm."""

    unit = "mm"
    by_reading = True

    def room(self, nominal: Machine, sense: float) -> tuple[float, float]:
        """As `AdjustingPoint.room`, mm."""
        return 2.0 * self.hand, math.inf
