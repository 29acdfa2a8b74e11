"""Lost steps: errors larger than a drive can bend before its motor lets go.

A motor holds its rotor to within one cycle of four full steps; pulled harder than it holds, the
rotor falls into another cycle and everything after that stands apart.  Inside the model of a
drive that holds, an error is at most what friction or stop can bend it: hold force over
stiffness.  Errors beyond that are steps lost (or a tooth jumped), whatever made the pull.
"""

from __future__ import annotations

import numpy as np

from gantrysim.inference.problem import Problem
from gantrysim.inference.solver import Mode
from gantrysim.machine import Machine

LOST = "lost_steps"
WORDS = (
    "a motor lost steps: parts of the figure stand apart by more than the drive can bend; look "
    "first for what held it back (wheels far too tight, a jam), then at its current and the speed"
)
CHECK = (
    "with the power off and the laser disconnected push the beam and the carriage through their "
    "whole travel: no stop, cable or chip on a rail may jam them; mark each motor pulley and its "
    "shaft with one pencil line and see that its grub screws are tight (one on the flat); press "
    "each belt at its pulley: no tooth may climb or jump; then compare the motor currents with the "
    "maker's manual, and the feed and acceleration of the test with what it allows"
)
#: What the check shows with lost steps, and without (common practice, no source).
EXPECT = (
    "a place where it jams, a pencil line that parts at a motor pulley, a belt tooth that jumps, a "
    "motor current below the manual's, or a figure that closes when drawn at half the feed and "
    "acceleration if this is it; none of these if it is not"
)
#: Part of the line that must stand apart before steps count as lost: a few bad points do not.
_SHARE = 0.02


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


def steps_lost(problem: Problem, healthy: Mode) -> bool:
    """Whether a good part of a piece lies further off a healthy machine than a drive can bend."""
    limit = most_bend(problem.nominal)
    return any(
        float(np.mean(np.abs(healthy.residuals[i]) > limit)) > _SHARE for i, _ in problem.burned
    )
