"""Masses that swing: one block carried along a timeline by implicit steps in time.

With inertia the minimum of `gantrysim.mechanics.equilibrium` is Moreau's time stepping: H gains M /
h^2 about the place that the masses would reach freely, and C / h from the dashpots beside the
springs (Moreau, in Nonsmooth Mechanics and Applications, CISM 302 (1988) 1; from memory).  One such
step of length h is first order; two of them, each of 0.293 h, make the second-order L-stable method
of Alexander (SIAM J. Numer. Anal. 14 (1977) 1006; from memory), which neither damps ringing visibly
nor minds parts that are stiff and light.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from gantrysim.machine import Machine
from gantrysim.mechanics.assembly import Block, x_block, y_block
from gantrysim.mechanics.contact import load_contact, stribeck
from gantrysim.mechanics.equilibrium import FORCE_TOLERANCE, Record, elongation, settle
from gantrysim.mechanics.planner import Timeline, piece_at, place_at
from gantrysim.mechanics.springs import BELT
from gantrysim.mechanics.state import pose, record, slip_screws
from gantrysim.records.checks import must_be
from gantrysim.records.compiled import kernel

_TWO_STAGES = 1.0 - math.sqrt(0.5)  # part of the step that each stage of Alexander's takes


@kernel
def _elongations(b: Record) -> None:
    """Note the elongation of every spring as the block stands."""
    for m in range(b.k.size):
        b.elongation[m] = elongation(b, m)


@kernel
def _live_damping(b: Record, m: int) -> float:
    """Dashpot beside a spring, N s/mm: the part of it that its spring has of its stiffness.

    An emptied span or a coupling within its play passes on no force.  Judged by the stage
    before, which keeps the step convex.
    """
    if b.cycle[m] > 0.0:
        return float(b.damping[m])
    whole = b.laws[m, 0]
    if b.kinds[m] == BELT:
        whole += b.laws[m, 1]
    return float(b.damping[m] * (b.k[m] / whole if whole > 0.0 else 1.0))


@kernel
def _detent(b: Record, i: int, start: float, ahead: float) -> float:
    """Force of a rotor's full steps on it, N, where it will stand a time from the step's start.

    That place is foreseen, to the second order, because the ripple's energy is not convex.
    """
    if b.detent[i, 0] == 0.0:
        return 0.0
    place = b.old_q[i] + start + 0.5 * ahead * (b.old_v[i] + b.foreseen[i])
    return float(-b.detent[i, 0] * math.sin(2.0 * math.pi * b.detent[i, 1] * place))


@kernel
def _stage(
    b: Record, start: float, command: float, other: float, rush: float, tau: float, reach: float
) -> bool:
    """One implicit Euler step of length tau to a command, from the step's start or beyond it.

    ``start`` is the command at the step's start, ``reach`` how far beyond it the stage before
    has carried the base, in lengths of that stage.  ``other`` and ``rush``: where the other axis is
    commanded, and how what this one rides on accelerates.
    """
    n = b.q.size
    pose(b, command)
    for i in range(n):
        behind = b.ride[i] * (command - start)
        b.origin[i] = b.old_q[i] - behind + reach * (b.q[i] - b.old_q[i] + behind)
        b.z[i] = b.old_z[i] - behind if b.presliding[i] > 0.0 else b.origin[i]
    for i in range(n):
        raised = stribeck(b, b.foreseen[i]) if b.break_away[i] > 1.0 else 0.0
        load_contact(b, i, other, 1.0 / tau, b.origin[i], raised)
        b.pull[i] += _detent(b, i, start, tau * (1.0 + reach)) - b.driven[i] * rush
        for j in range(n):
            mass = b.inertia[0, i, j] + other * (b.inertia[1, i, j] + other * b.inertia[2, i, j])
            mass /= tau * tau
            b.held[i, j] = mass
            b.pull[i] += mass * (b.origin[j] + tau * (b.old_v[j] + reach * (b.v[j] - b.old_v[j])))
    for m in range(b.k.size):
        if b.damping[m] == 0.0:
            continue
        c = _live_damping(b, m) / tau
        before = b.old_elongation[m] + reach * (b.elongation[m] - b.old_elongation[m])
        for i in range(n):
            part = c * b.levers[m, i]
            b.pull[i] += part * (b.rest[m] + before)
            for j in range(n):
                b.held[i, j] += part * b.levers[m, j]
    if not settle(b):
        return False
    for i in range(n):
        b.v[i] = (b.q[i] - b.origin[i]) / tau
    _elongations(b)
    return True


@kernel
def _lose_cycles(b: Record) -> None:
    """Let a motor that is torn half a cycle off fall into the next hold of its field.

    The sine law of a stepping motor changes sign there; what it pulls until then is held at
    what it can hold.
    """
    for m in range(b.k.size):
        if b.cycle[m] > 0.0 and abs(b.elongation[m]) > 0.5 * b.cycle[m]:
            cycles = math.floor(b.elongation[m] / b.cycle[m] + 0.5)
            b.rest0[m] += cycles * b.cycle[m]
            b.elongation[m] -= cycles * b.cycle[m]
            b.lost[0] += abs(cycles)
            b.lost[1] += cycles


@kernel
def _ridden(b: Record, other: float) -> float:
    """Speed of what rides on a block, with the other axis at a command, mm/s."""
    speed = 0.0
    for i in range(b.q.size):
        speed += (b.carries[i, 0] + b.carries[i, 1] * other) * b.v[i]
    return speed


@kernel
def _swing(
    box: np.ndarray, pieces: np.ndarray, arrival: np.ndarray, axis: int, h: float, gamma: float,
    ridden: np.ndarray, out_q: np.ndarray, out_v: np.ndarray, out_ridden: np.ndarray,
) -> int:  # fmt: skip
    """Carry one block along a timeline; return the first step that did not settle, or -1."""
    b = box[0]
    n = b.q.size
    _elongations(b)
    piece = done = step = 0
    speed = 0.0
    while done < arrival.size:
        time = step * h
        start, before = b.command, speed
        for i in range(n):
            b.foreseen[i] = b.v[i] + (gamma * (b.v[i] - b.old_v[i]) if gamma < 1.0 else 0.0)
            b.old_q[i], b.old_z[i], b.old_v[i] = b.q[i], b.z[i], b.v[i]
        for m in range(b.k.size):
            b.old_elongation[m] = b.elongation[m]
        if gamma < 1.0:
            piece = piece_at(pieces, piece, time + gamma * h)
            here = place_at(pieces, piece, time + gamma * h, axis)
            other = place_at(pieces, piece, time + gamma * h, 1 - axis)
            rush = (ridden[step, 0] - before) / (gamma * h)
            if not _stage(b, start, here, other, rush, gamma * h, 0.0):
                return step
            out_ridden[step, 0] = _ridden(b, other)
            before += (1.0 / gamma - 1.0) * (ridden[step, 0] - before)
            for i in range(n):
                b.foreseen[i] = b.old_v[i] + (b.v[i] - b.old_v[i]) / gamma
        piece = piece_at(pieces, piece, time + h)
        here = place_at(pieces, piece, time + h, axis)
        other = place_at(pieces, piece, time + h, 1 - axis)
        speed = ridden[step, 1]
        rush = (speed - before) / (gamma * h)
        if not _stage(b, start, here, other, rush, gamma * h, 1.0 / gamma - 1.0):
            return step
        out_ridden[step, 1] = _ridden(b, other)
        _lose_cycles(b)
        slip_screws(b)
        while done < arrival.size and arrival[done] <= time + h:
            w = (arrival[done] - time) / h
            for i in range(n):
                begin, end = b.old_q[i] + b.ride[i] * start, b.q[i] + b.ride[i] * b.command
                rise = end - begin
                bow = (
                    w
                    * (1.0 - w)
                    * (  # cubic through both ends with both velocities
                        (1.0 - w) * (h * b.old_v[i] - rise) - w * (h * b.v[i] - rise)
                    )
                )
                out_q[done, i] = begin + w * rise + bow
                out_v[done, i] = (1.0 - w) * b.old_v[i] + w * b.v[i]
            done += 1
        step += 1
    return -1


@dataclass(frozen=True, eq=False)
class Swing:
    """How a block moved in time.

    Parameters
    ----------
    q : ndarray, shape (n, coordinates)
        Coordinates at each sample of the timeline, mm (rad for the carriage's yaw).
    v : ndarray, shape (n, coordinates)
        Their velocities, mm/s (rad/s).
    ridden : ndarray, shape (steps, 2)
        Speed of the place where the carriage rides, at both stages of every time step, mm/s.
    lost_cycles : int
        Cycles of four full steps that its motors have lost, in either direction.
    shift : float
        Where they have left the axis, mm; with two motors the mean of both sides.
    """

    q: np.ndarray
    v: np.ndarray
    ridden: np.ndarray
    lost_cycles: int
    shift: float


def march_in_time(
    block: Block, timeline: Timeline, axis: int, *, time_step: float, order: int = 2,
    ridden: np.ndarray | None = None,
) -> Swing:  # fmt: skip
    """Carry one block with its masses along a timeline, from rest at its start.

    Parameters
    ----------
    block : Block
        From `y_block` or `x_block`.
    timeline : Timeline
        Commanded motion.
    axis : int
        0 for the X block, 1 for the Y block.
    time_step : float
        s.
    order : int
        1 for Moreau's step; 2 for two stages of it a step, second order while no contact
        changes between stick and slip.
    ridden : ndarray, shape (steps, 2), optional
        From the run of the Y block with the same steps, for the X block, whose loose carriage it
        throws across the beam; absent, the beam stands still.

    Returns
    -------
    Swing
        Coordinates and velocities at the samples, and what the motor lost.

    Raises
    ------
    ValueError
        If the time step, the order or what is ridden on is not usable.
    ArithmeticError
        If a step does not settle (no machine that passes its checks should do this).

    Notes
    -----
    Friction with a break-away or from racking takes speed and load from the stage before; both
    are then first order.
    """
    if not (math.isfinite(time_step) and time_step > 0.0):
        raise ValueError(f"time_step must be a positive number of seconds, found {time_step!r}.")
    if order not in (1, 2):
        raise ValueError(f"order must be 1 or 2, found {order!r}.")
    box = record(block, float(timeline.pieces[0, 1 + axis]))
    b = box[0]
    b.coupled = 1.0
    _grip_with_motor(b, block)
    out_q = np.empty((timeline.arrival.size, block.friction.size))
    out_v = np.empty_like(out_q)
    gamma = 1.0 if order == 1 else _TWO_STAGES
    shape = (math.ceil(float(timeline.arrival.max(initial=0.0)) / time_step) + 2, 2)
    under = np.zeros(shape) if ridden is None else ridden
    if under.shape != shape:
        raise ValueError(must_be("ridden", f"an array of shape {shape}", under.shape))
    own = np.zeros(shape)
    failed = _swing(
        box, timeline.pieces, timeline.arrival, axis, time_step, gamma, under, out_q, out_v, own
    )
    if failed >= 0:
        raise ArithmeticError(
            f"the step at {failed * time_step:.4f} s did not settle to {FORCE_TOLERANCE:g} N; "
            "please report the machine description"
        )
    motors = block.cycle[block.cycle > 0.0]
    shift = float(b["lost"][1] * motors.mean() / motors.size)
    return Swing(out_q, out_v, own, int(b["lost"][0]), shift)


def swung(machine: Machine, timeline: Timeline, time_step: float) -> tuple[Swing, Swing]:
    """Carry both blocks of a machine with their masses along a timeline, see `march_in_time`.

    ``machine``: the machine.  ``timeline``: commanded motion.  ``time_step``: s.  Returns: the runs
    of the X and of the Y block.
    """
    y = march_in_time(y_block(machine), timeline, 1, time_step=time_step)
    x = march_in_time(x_block(machine), timeline, 0, time_step=time_step, ridden=y.ridden)
    return x, y


def _grip_with_motor(b: Record, block: Block) -> None:
    """Let the motors of a record pull no harder than they can hold."""
    for m in np.flatnonzero(block.cycle > 0.0):
        b["laws"][m, 2] = block.hold[m] / block.laws[m, 0]


def natural_frequencies(block: Block, command: float, other: float) -> np.ndarray:
    """Natural frequencies of a block with every contact gripped and every play taken up.

    ``block``: from `y_block` or `x_block`.  ``command``, ``other``: where its own and the other
    axis stand, mm.  Returns: ascending, Hz; parts without mass have none.

    omega^2 M x = K x; parts without mass are condensed out.  Contacts with a presliding distance
    count with their stiffness; rigid ones, which would hold their coordinate fast, with none.
    """
    b = record(block, command)[0]
    full = b["laws"][:, 0] + np.where(block.kinds == BELT, b["laws"][:, 1], 0.0)
    grip = np.where(
        block.presliding > 0.0, block.friction / np.maximum(block.presliding, 1e-300), 0.0
    )
    stiffness = block.levers.T @ (full[:, None] * block.levers) + np.diag(grip)
    masses, modes = np.linalg.eigh(block.mass_matrix(other))
    heavy = masses > 1e-12 * masses[-1]
    stiffness = modes.T @ stiffness @ modes
    light = stiffness[np.ix_(~heavy, ~heavy)]
    across = stiffness[np.ix_(~heavy, heavy)]
    stiffness = stiffness[np.ix_(heavy, heavy)] - across.T @ np.linalg.pinv(light) @ across
    scale = 1.0 / np.sqrt(masses[heavy])
    squares = np.linalg.eigvalsh(scale[:, None] * stiffness * scale)
    return np.asarray(np.sqrt(np.maximum(squares, 0.0)) / (2.0 * math.pi))
