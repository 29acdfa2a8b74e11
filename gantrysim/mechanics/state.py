"""The state of one block on its way: one record of all its numbers, posed at a command."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np

from gantrysim.mechanics.assembly import Block
from gantrysim.mechanics.equilibrium import Record, settle
from gantrysim.mechanics.springs import BELT, kernel


@lru_cache
def _layout(n: int, m: int) -> np.dtype[np.void]:
    """Fields of the record of a block with n coordinates and m springs."""
    each, every = (n,), (m,)
    fields: dict[str, tuple[int, ...]] = {
        # what the machine is: see `Block`
        "levers": (m, n), "laws0": (m, 6), "rest0": every, "follow": every,
        "runout": (m, 2, 3), "wavy": (), "friction0": each, "weigh": (n, 2), "give": each,
        "creep": each, "rack": (n, 2),
        "viscous": each, "mass": each, "carried": each, "break_away": each,
        "stribeck_speed": (), "swing": (),
        "inertia": (3, n, n), "detent": (n, 2), "damping": every, "cycle": every, "screw": every,
        # what this step asks: springs by `spring_law`, quadratic and linear terms
        "laws": (m, 5), "rest": every, "friction": each, "held": (n, n), "pull": each,
        # where it stands: lags behind the command, and which coordinates follow it
        "q": each, "z": each, "ride": each, "command": (),
        # and how it moves: velocities; the step's start; cycles that a motor has lost, and net
        "v": each, "elongation": every, "old_q": each, "old_z": each, "old_v": each,
        "old_elongation": every, "base": each, "foreseen": each,
        "lost": (2,),
        # work space: gradient, Newton step and its start, stiffness of each coordinate and
        # of each spring, Hessian
        "g": each, "step": each, "start": each, "stiff": each, "k": every, "hess": (n, n),
    }  # fmt: skip
    floats = [(name, np.float64, shape) for name, shape in fields.items()]
    return np.dtype([*floats, ("kinds", np.int64, every), ("status", np.int64, each)])


def record(block: Block, command: float) -> np.ndarray:
    """Lay a block out as one record, at rest at a command with every contact let go.

    A record instead of two dozen arrays: its sizes are known to the compiler, and handing it
    on counts no references, which would take longer than the sums.  It keeps lags behind the
    command, not places: a lag of 0.1 mm has a thousand times finer rounding than a place at
    200 mm, and near-rigid parts turn rounding into force.
    """
    box = np.zeros(1, _layout(block.friction.size, block.kinds.size))
    b = box[0]
    for name in (
        "levers", "kinds", "runout", "give", "creep", "rack", "viscous", "mass", "weigh", "detent",
        "carried", "break_away", "stribeck_speed", "swing", "ride", "inertia", "damping", "cycle",
    ):  # fmt: skip
        b[name] = getattr(block, name)
    b["wavy"] = float(np.any(block.runout[:, :, 0] != 0.0))
    b["screw"] = block.screws
    b["laws"][:, :3] = block.laws[:, :3]
    b["laws"][:, 4] = np.where(block.kinds == BELT, block.laws[:, 5], 0.0)
    b["laws0"], b["rest0"], b["friction0"] = block.laws, block.rest, block.friction
    b["follow"] = block.follow - block.levers @ b["ride"]
    np.fill_diagonal(b["held"], block.creep)
    _relax(box, command)
    return box


@kernel
def _relax(box: np.ndarray, command: float) -> None:
    """Settle a block whose contacts carry no force, and let them grip there."""
    b = box[0]
    b.command = command
    pose(b, command)
    settle(b)
    slip_screws(b)
    for i in range(b.q.size):
        b.z[i] = b.q[i]


@kernel
def pose(b: Record, command: float) -> None:
    """Move the command on: what lags falls behind, belt spans and rest elongations follow."""
    for i in range(b.q.size):
        behind = b.ride[i] * (command - b.command)
        b.q[i] -= behind
        b.z[i] -= behind
    b.command = command
    for m in range(b.k.size):
        b.rest[m] = b.rest0[m] + b.follow[m] * command
        if b.wavy > 0.0:
            for k in range(b.runout.shape[1]):
                turn = 2.0 * math.pi * b.runout[m, k, 2] * command
                b.rest[m] += b.runout[m, k, 0] * math.sin(turn + b.runout[m, k, 1])
        if b.kinds[m] == BELT:
            first = b.laws0[m, 1] + command
            b.laws[m, 0] = b.laws0[m, 0] / first
            b.laws[m, 1] = b.laws0[m, 0] / (b.laws0[m, 2] - first)
            b.laws[m, 2] = b.laws0[m, 3]
            b.laws[m, 3] = b.laws0[m, 4]


@kernel
def rolling_drag(b: Record, i: int, other: float) -> float:
    """Drag of a contact that rolls slowly, with the other axis at a command, N."""
    return float(b.friction0[i] + b.weigh[i, 0] + b.weigh[i, 1] * other)


@kernel
def slip_screws(b: Record) -> None:
    """Let set screws that pull as hard as they hold slip as far as they have been pulled."""
    for m in range(b.k.size):
        if b.screw[m] > 0.0 and b.k[m] == 0.0:
            e = -b.rest[m]
            for i in range(b.q.size):
                e += b.levers[m, i] * b.q[i]
            beyond = abs(e) - b.laws[m, 1] - b.laws[m, 2]
            if beyond > 0.0:
                slipped = beyond if e > 0.0 else -beyond
                b.rest0[m] += slipped
                b.rest[m] += slipped
                b.elongation[m] -= slipped
