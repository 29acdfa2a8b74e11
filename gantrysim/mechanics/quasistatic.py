"""The mechanics: one convex minimisation a step, carried along the whole drawing.

This is the energetic scheme for rate-independent systems (Mielke & Theil, NoDEA 11 (2004) 151):
with a uniformly convex energy the minimiser is unique, and for quadratic energy and commands that
are monotone between samples the scheme is exact whatever the step.  What is quadratic in the step
itself, viscous drag and inertia forces, goes in as H and g.

The parts of it: elastic laws in `gantrysim.mechanics.springs`, the minimiser in
`gantrysim.mechanics.equilibrium`, the machine as two blocks in `gantrysim.mechanics.assembly`,
their state in `gantrysim.mechanics.state`, masses that swing in `gantrysim.mechanics.dynamics`.
Here are the slow march and the place of the spot, and the names that the rest of the library uses.
"""

from __future__ import annotations

import math

import numpy as np

from gantrysim.machine import Machine
from gantrysim.mechanics.assembly import N_X, N_Y, NAMES, X_NAMES, Y_NAMES, Block, x_block, y_block
from gantrysim.mechanics.dynamics import Swing, march_in_time, natural_frequencies
from gantrysim.mechanics.equilibrium import FORCE_TOLERANCE, PLACE_TOLERANCE, settle, spring_at
from gantrysim.mechanics.planner import Motion
from gantrysim.mechanics.springs import BELT, kernel, spring_law
from gantrysim.mechanics.state import pose, record, rolling_drag, slip_screws

__all__ = [
    "BELT",
    "FORCE_TOLERANCE",
    "NAMES",
    "N_X",
    "N_Y",
    "PLACE_TOLERANCE",
    "X_NAMES",
    "Y_NAMES",
    "Block",
    "Swing",
    "kernel",
    "march",
    "march_in_time",
    "natural_frequencies",
    "record",
    "relaxed",
    "rolling_drag",
    "settle",
    "slip_screws",
    "spot",
    "spring_at",
    "spring_law",
    "x_block",
    "y_block",
]


@kernel
def _march(
    box: np.ndarray,
    command: np.ndarray,
    other: np.ndarray,
    dt: np.ndarray,
    velocity: np.ndarray,
    acceleration: np.ndarray,
    jump: np.ndarray,
    out_q: np.ndarray,
    out_z: np.ndarray,
) -> int:
    """Carry one block along a command; return the first step that did not settle, or -1."""
    b = box[0]
    n = b.q.size
    for t in range(command.size):
        pose(b, command[t])
        for i in range(n):
            resist = b.creep[i]
            b.pull[i] = 0.0
            b.friction[i] = rolling_drag(b, i, other[t])
            if dt[t] > 0.0:
                resist += b.viscous[i] / dt[t]
                rush = acceleration[t]
                if jump[t] * velocity[t] < 0.0:
                    rush += b.swing * jump[t]  # peak force of the free swing after a stop
                b.pull[i] = -(b.mass[i] + b.carried[i] * other[t]) * rush
                speed = velocity[t] / b.stribeck_speed
                b.friction[i] *= 1.0 + (b.break_away[i] - 1.0) * math.exp(-speed * speed)
            if b.rack[i, 1] > 0.0:
                # load of a racked plate, taken from the step before: keeps the step convex
                force, _ = spring_at(b, int(b.rack[i, 0]))
                b.friction[i] += b.rack[i, 1] * abs(force)
            b.held[i, i] = resist
            b.pull[i] += resist * b.q[i]
        if not settle(b):
            return t
        slip_screws(b)
        for i in range(n):
            out_q[t, i] = b.q[i] + b.ride[i] * b.command
            out_z[t, i] = b.z[i] + b.ride[i] * b.command
    return -1


def relaxed(block: Block, command: float) -> np.ndarray:
    """Coordinates of a block at rest with every contact let go, mm (rad for rock).

    This is the state that homing leaves: no contact carries a force.

    Parameters
    ----------
    block : Block
        From `y_block` or `x_block`.
    command : float
        Where the block is homed, mm.

    Returns
    -------
    ndarray, shape (coordinates,)
        The coordinates at rest.
    """
    b = record(block, command)[0]
    return np.asarray(b["q"] + b["ride"] * command)


def march(block: Block, motion: Motion, axis: int) -> tuple[np.ndarray, np.ndarray]:
    """Carry one block along a commanded motion from its relaxed state at the first sample.

    Parameters
    ----------
    block : Block
        From `y_block` or `x_block`.
    motion : Motion
        Commanded motion.  Where its time steps are zero the step is rate-independent: the
        slow limit.  Elsewhere viscous drag, the Stribeck fall of the friction and the forces
        of inertia along the commanded acceleration act as well.
    axis : int
        0 for the X block, 1 for the Y block.

    Returns
    -------
    q, z : ndarray, shape (n, coordinates)
        Coordinates, and where each contact last gripped.

    Raises
    ------
    ArithmeticError
        If a step does not settle (no machine that passes its checks should do this).
    """
    command = np.ascontiguousarray(motion.xy[:, axis])
    box = record(block, command[0])
    out_q = np.empty((command.size, block.friction.size))
    out_z = np.empty_like(out_q)
    failed = _march(
        box, command, np.ascontiguousarray(motion.xy[:, 1 - axis]), motion.dt,
        np.ascontiguousarray(motion.velocity[:, axis]),
        np.ascontiguousarray(motion.acceleration[:, axis]),
        np.ascontiguousarray(motion.jump[:, axis]), out_q, out_z,
    )  # fmt: skip
    if failed >= 0:
        raise ArithmeticError(
            f"the step at command {command[failed]:.4f} mm did not settle to "
            f"{FORCE_TOLERANCE:g} N; please report the machine description"
        )
    return out_q, out_z


def spot(machine: Machine, q_y: np.ndarray, q_x: np.ndarray) -> np.ndarray:
    """Return the place of the burning spot, exact rigid-body position.

    Parameters
    ----------
    machine : Machine
        For span and head offset.
    q_y, q_x : ndarray, shape (n, 4) and (n, 4)
        Coordinates of the two blocks.

    Returns
    -------
    ndarray, shape (n, 2)
        x and y on the bed, mm.

    Raises
    ------
    ValueError
        If one side runs ahead of the other by more than the span.

    Notes
    -----
    The beam line runs from (0, y_left) at the yaw angle psi, sin psi = (y_right - y_left) /
    span; the carriage sits s along it and turns by ``rock`` against it; the whole beam floats
    sideways.
    """
    left, right = q_y[:, 0], q_y[:, 1]
    s, rock = q_x[:, 0], q_x[:, 1]
    sine = (right - left) / machine.span
    if np.abs(sine).max(initial=0.0) >= 1.0:
        raise ValueError(
            f"the sides of the beam come to stand {np.abs(right - left).max():.0f} mm apart, but "
            f"the span is only {machine.span:g} mm; check slip, racking stiffness and belts"
        )
    cosine = np.sqrt(1.0 - sine * sine)
    along, beyond = machine.head.along, machine.head.beyond
    cos_rock, sin_rock = np.cos(rock), np.sin(rock)
    forward = s + along * cos_rock - beyond * sin_rock  # seen along the beam, and across it
    across = along * sin_rock + beyond * cos_rock
    place = np.empty((left.size, 2))
    place[:, 0] = forward * cosine - across * sine + q_x[:, 3]
    place[:, 1] = left + forward * sine + across * cosine
    return place
