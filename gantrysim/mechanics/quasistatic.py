"""The slow march: one convex minimisation a step, carried along the whole drawing.

This is the energetic scheme for rate-independent systems (Mielke & Theil, NoDEA 11 (2004) 151):
with a uniformly convex energy the minimiser is unique, and for quadratic energy and commands that
are monotone between samples the scheme is exact whatever the step.  What is quadratic in the step
itself, viscous drag and inertia forces, goes in as H and g.

The parts of it: the machine as two blocks in `gantrysim.mechanics.assembly`, their state in
`gantrysim.mechanics.state`, elastic laws in `gantrysim.mechanics.springs`, contacts in
`gantrysim.mechanics.contact`, the minimiser in `gantrysim.mechanics.equilibrium`.  Masses that
swing stand in `gantrysim.mechanics.dynamics`.
"""

from __future__ import annotations

import math

import numpy as np

from gantrysim.machine import Machine
from gantrysim.mechanics.assembly import Block
from gantrysim.mechanics.contact import load_contact, stribeck
from gantrysim.mechanics.equilibrium import FORCE_TOLERANCE, Record, settle
from gantrysim.mechanics.planner import Motion
from gantrysim.mechanics.state import pose, record, slip_screws
from gantrysim.records.compiled import kernel


@kernel
def ask(b: Record, command: np.ndarray, t: int) -> None:
    """Put one step of the slow march to a block: a row of `Motion.asked`."""
    pose(b, command[t, 0])
    load(b, command, t, still_raised(b, command, t))


@kernel
def still_raised(b: Record, command: np.ndarray, t: int) -> float:
    """What part of the extra break-away force contacts still have in a step; see `stribeck`."""
    return stribeck(b, command[t, 3]) if command[t, 2] > 0.0 else 0.0


@kernel
def load(b: Record, command: np.ndarray, t: int, raised: float) -> None:
    """Set drag and inertia of one step of a block that is posed at its command."""
    other, rate, velocity, jump = command[t, 1], command[t, 2], command[t, 3], command[t, 5]
    for i in range(b.q.size):
        load_contact(b, i, other, rate, b.q[i], raised)
    if rate > 0.0:
        rush, beside = command[t, 4], command[t, 6]
        if jump * velocity < 0.0:
            rush += b.swing * jump  # peak force of the free swing after a stop
        # the other axis as commanded: what its ringing throws across, it throws to and fro
        for i in range(b.q.size):
            b.pull[i] -= (b.mass[i] + b.carried[i] * other) * rush + b.driven[i] * beside


@kernel
def _march(box: np.ndarray, command: np.ndarray, out_q: np.ndarray, out_status: np.ndarray) -> int:
    """Carry one block along a command; return the first step that did not settle, or -1."""
    b = box[0]
    for t in range(command.shape[0]):
        ask(b, command, t)
        if not settle(b):
            return t
        slip_screws(b)
        for i in range(b.q.size):
            out_q[t, i] = b.q[i] + b.ride[i] * b.command
            out_status[t, i] = b.status[i]
    return -1


def march(block: Block, motion: Motion, axis: int) -> tuple[np.ndarray, np.ndarray]:
    """Carry one block along a commanded motion from its relaxed state at the first sample.

    Relaxed is the state that homing leaves: no contact carries a force.

    Parameters
    ----------
    block : Block
        From `y_block` or `x_block`.
    motion : Motion
        Commanded motion.  Where its time steps are zero the step is rate-independent: the
        slow limit.  Elsewhere viscous drag, the Stribeck fall of the friction and the forces
        of inertia along the commanded acceleration act as well, those of the other axis on what
        is loose across it.
    axis : int
        0 for the X block, 1 for the Y block.

    Returns
    -------
    q : ndarray, shape (n, coordinates)
        Coordinates, mm (rad for the carriage's yaw).
    status : ndarray of int, shape (n, coordinates)
        -1, 0, +1 where a contact slips backward, sticks, slips forward.

    Raises
    ------
    ArithmeticError
        If a step does not settle (no machine that passes its checks should do this).
    """
    command = motion.asked[axis]
    box = record(block, command[0, 0])
    out_q = np.empty((len(command), block.friction.size))
    out_status = np.empty(out_q.shape, dtype=np.int8)
    failed = _march(box, command, out_q, out_status)
    if failed >= 0:
        raise ArithmeticError(
            f"the step at command {command[failed, 0]:.4f} mm did not settle to "
            f"{FORCE_TOLERANCE:g} N; please report the machine description"
        )
    return out_q, out_status


def spot_geometry(machine: Machine) -> tuple[float, float, float]:
    """What the place of the spot needs of a machine: span, head along and beyond, mm."""
    return machine.span, machine.head.along, machine.head.beyond


@kernel
def spot_at(
    geometry: np.ndarray, left: float, right: float,
    s: float, yaw: float, lateral: float, across: float,
) -> tuple[float, float]:  # fmt: skip
    """Place of the spot at one set of coordinates, mm; nan where there is none."""
    beam, carriage = beam_yaw(geometry, left, right), (math.sin(yaw), math.cos(yaw))
    return spot_yawed(geometry, left, beam, s, carriage, lateral, across)


@kernel
def beam_yaw(geometry: np.ndarray, left: float, right: float) -> tuple[float, float]:
    """Sine and cosine of the yaw of the beam."""
    sine = (right - left) / geometry[0]
    return sine, math.sqrt(1.0 - sine * sine)


@kernel
def spot_yawed(
    geometry: np.ndarray, left: float, beam: tuple[float, float],
    s: float, carriage: tuple[float, float], lateral: float, across: float,
) -> tuple[float, float]:  # fmt: skip
    """As `spot_at`, for yaws of beam and carriage given by their sines and cosines."""
    along = s + geometry[1] * carriage[1] - geometry[2] * carriage[0]
    beyond = across + geometry[1] * carriage[0] + geometry[2] * carriage[1]
    x = along * beam[1] - beyond * beam[0] + lateral
    return x, left + along * beam[0] + beyond * beam[1]


@kernel
def _spots(geometry: np.ndarray, q_y: np.ndarray, q_x: np.ndarray, out: np.ndarray) -> None:
    for t in range(q_y.shape[0]):
        x = q_x[t]
        out[t] = spot_at(geometry, q_y[t, 0], q_y[t, 1], x[0], x[1], x[3], x[4])


def spot(machine: Machine, q_y: np.ndarray, q_x: np.ndarray) -> np.ndarray:
    """Return the place of the burning spot, exact rigid-body position.

    ``machine``: for span and head offset.  ``q_y``, ``q_x``: coordinates of the two blocks; shape
    (n, 4) and (n, 5).  Returns: x and y on the bed, mm; shape (n, 2).  ValueError if one side runs
    ahead of the other by more than the span.  ArithmeticError if a place is not finite (no machine
    that passes its checks should do this).

    The beam line runs from (0, y_left) at the yaw angle psi, sin psi = (y_right - y_left) /
    span; the carriage sits s along it, is displaced across it and turns by its own yaw against it;
    the whole beam is displaced sideways.
    """
    apart = float(np.abs(q_y[:, 1] - q_y[:, 0]).max(initial=0.0))
    if apart >= machine.span:
        raise ValueError(
            f"the sides of the beam come to stand {apart:.0f} mm apart, but the span is only "
            f"{machine.span:g} mm; check slip, racking stiffness and belts"
        )
    place = np.empty((len(q_y), 2))
    _spots(np.array(spot_geometry(machine)), q_y, q_x, place)
    if not np.isfinite(place).all():
        raise ArithmeticError("a step has no finite place; please report the machine description")
    return place
