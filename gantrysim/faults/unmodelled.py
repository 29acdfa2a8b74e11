"""Explanations without a model of their own: lost steps, and something that is not in the list.

Both are a healthy machine with a discrepancy much larger than usual.  A motor holds its rotor to
within one cycle of four full steps; pulled harder than it holds, the rotor falls into another cycle
and everything after that stands apart.  Inside the model of a drive that holds, an error is at most
what friction or stop can bend it: hold force over stiffness.  Errors beyond that are steps lost (or
a tooth jumped), whatever made the pull.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

import numpy as np

from gantrysim.faults.adjusting import SAFETY_POWERED, AdjustingPoint
from gantrysim.faults.base import Fault
from gantrysim.machine import Machine
from gantrysim.machine.handbook import Handbook
from gantrysim.records.doors import checked

if TYPE_CHECKING:
    from gantrysim.inference.problem import Problem
    from gantrysim.inference.solver import Mode

_WORDS = (
    "a motor lost steps: parts of the figure stand apart by more than the drive can bend; look "
    "first for what held it back (wheels far too tight, a jam), then at its current and the speed"
)
_CHECK = (
    "with the power off and the laser disconnected push the beam and the carriage through their "
    "whole travel: no stop, cable or chip on a rail may jam them; mark each motor pulley and its "
    "shaft with one pencil line and see that its grub screws are tight (one on the flat); press "
    "each belt at its pulley: no tooth may climb or jump; then compare the motor currents with the "
    "maker's manual, and the feed and acceleration of the test with what it allows"
)
#: What the check shows with lost steps, and without (common practice, no source).
_EXPECT = (
    "a place where it jams, a pencil line that parts at a motor pulley, a belt tooth that jumps, a "
    "motor current below the manual's, or a figure that closes when drawn at half the feed and "
    "acceleration if this is it; none of these if it is not"
)
#: Part of the line that must stand apart before steps count as lost: a few bad points do not.
_SHARE = 0.02


@checked
@dataclass(frozen=True)
class Unmodelled(Fault):
    """An explanation that predicts nothing: it is only weighed against those that do.

    Attributes
    ----------
    odds : float
        How much likelier it is than "something that is not in this list", once it may be there.
    """

    parameters = ()
    odds: ClassVar[float] = 1.0

    def apply(self, machine: Machine) -> Machine:
        """Return the machine unchanged: it is not known what would have to be changed."""
        return machine

    def there(self, problem: Problem, healthy: Mode) -> bool:
        """Whether the residuals of a healthy machine allow it."""
        return True


@checked
@dataclass(frozen=True)
class Unlisted(Unmodelled):
    """Something that is not in the list.

    Examples
    --------
    >>> import gantrysim as gs
    >>> fault = gs.faults.Unlisted()
    >>> fault.words
    'something that is not in this list'
    >>> gs.Machine().catalogue().prior((fault.name,))
    0.05
    """

    name = "unlisted"
    words = "something that is not in this list"
    check = (
        "before the machine is suspected look at what was handed in: is this the test that was "
        "burned (sizes, centre, start, direction, order), does the piece lie face up and the right "
        "way round, are its lengths in mm, and is all of one machine in one state? then, with the "
        "power off, look for dirt, a bent rail, a loose head or frame, a worn belt"
    )

    def adjusting_point(self, machine: Machine, handbook: Handbook) -> AdjustingPoint:
        """What was handed in, then the whole machine."""
        whole = super().adjusting_point(machine, handbook)
        words = f"if test and piece are the right ones, {whole.words}"
        return dataclasses.replace(whole, words=words)


@checked
@dataclass(frozen=True)
class LostSteps(Unmodelled):
    """A motor lost steps.

    Notes
    -----
    Where a figure is torn both this and anything unknown explain it alike; what else tears one is
    rarer by ``odds`` (common practice, no source).

    Examples
    --------
    >>> import gantrysim as gs
    >>> fault = gs.faults.LostSteps()
    >>> fault.words
    'a motor lost steps: parts of the figure stand apart by more than the drive can bend; look first
    for what held it back (wheels far too tight, a jam), then at its current and the speed'
    >>> gs.Machine().catalogue().predicts((fault.name,))
    False
    """

    name = "lost_steps"
    words = _WORDS
    check = _CHECK
    odds = 30.0

    def there(self, problem: Problem, healthy: Mode) -> bool:
        """Whether a good part of a piece lies further off than a drive can bend."""
        limit = most_bend(problem.nominal)
        return any(
            float(np.mean(np.abs(healthy.residuals[i]) > limit)) > _SHARE for i, _ in problem.burned
        )

    def adjusting_point(self, machine: Machine, handbook: Handbook) -> AdjustingPoint:
        """What held the drive or slipped on it."""
        return Holding(
            "drive",
            "free what jams; tighten the grub screws of the motor pulleys on the flats of their "
            "shafts; tighten or replace a belt whose teeth jump; set the motor currents to the "
            "maker's manual; then draw with less feed and acceleration until the pattern closes",
            self.check,
            "draw the same test again at half the feed and acceleration, then as before: the head "
            "comes back to the same mark both times",
            15.0,
        )


@dataclass(frozen=True)
class Holding(AdjustingPoint):
    """A drive that lost steps: nothing to turn by an amount, what held or slipped is found."""

    safety = SAFETY_POWERED + " Power off before a hand goes in."

    def expect(self, healthy: Machine, faulty: Machine) -> str:
        """What the hand checks show."""
        return _EXPECT


def most_bend(machine: Machine) -> float:
    """Largest error that a drive of a machine can hold, mm: hold force over stiffness.

    At the middle of the travel, the softer axis, belts at half their stiffness.
    """
    x, y = 0.5 * machine.span, 0.5 * machine.travel_y
    bends = []
    for motor, belts in (
        (machine.motor_x, machine.belt_x.stiffness(x)),
        (machine.motor_y, machine.belt_left.stiffness(y) + machine.belt_right.stiffness(y)),
    ):
        bends.append(motor.hold_force * (2.0 / belts + 1.0 / motor.stiffness))
    return max(bends)
