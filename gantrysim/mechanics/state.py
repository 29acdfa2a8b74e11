"""The state of one block on its way: one record of all its numbers, posed at a command."""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import lru_cache

import numpy as np

from gantrysim.mechanics.assembly import Block
from gantrysim.mechanics.equilibrium import Record, elongation, settle
from gantrysim.mechanics.springs import BELT
from gantrysim.records.compiled import kernel


@lru_cache
def layout(n: int, m: int) -> np.dtype[np.void]:
    """Fields of the record of a block with n coordinates and m springs."""
    each, every = (n,), (m,)
    fields: dict[str, tuple[int, ...]] = {
        # what the machine is: see `Block`; the force on each coordinate per acceleration of its
        # axis is mass + carried * command of the other axis
        "levers": (m, n), "laws0": (m, 6), "rest0": every, "follow": every,
        "runout": (m, 2, 3), "wavy": (), "friction0": each, "weigh": (n, 2),
        "presliding": each, "regularisation": each, "racking": (n, 2),
        "viscous": each, "mass": each, "carried": each, "driven": each, "carries": (n, 2),
        "break_away": each,
        "stribeck_speed": (), "swing": (),
        "inertia": (3, n, n), "detent": (n, 2), "damping": every, "cycle": every, "screw": every,
        # what this step asks: springs by `spring_law`, quadratic terms of each
        # coordinate and, for a block whose masses swing, between them; linear terms
        "laws": (m, 5), "rest": every, "friction": each, "resist": each, "held": (n, n),
        "coupled": (), "pull": each,
        # where it stands: lags behind the command, and which coordinates follow it
        "q": each, "z": each, "ride": each, "command": (),
        # and how it moves: velocities; the step's start; where drag and inertia count from; speed
        # foreseen; cycles that a motor has lost, and net; which way set screws slip
        "v": each, "elongation": every, "old_q": each, "old_z": each, "old_v": each,
        "old_elongation": every, "origin": each, "foreseen": each,
        "lost": (2,), "slips": every,
        # work space: gradient, Newton step and its start, stiffness of each coordinate, force and
        # stiffness of each spring, Hessian; springs that are those of the block it is compared to
        "g": each, "step": each, "start": each, "stiff": each,
        "force": every, "k": every, "hess": (n, n), "alike": every,
    }  # fmt: skip
    floats = [(name, np.float64, shape) for name, shape in fields.items()]
    whole = [("kinds", np.int64, every), ("status", np.int64, each)]
    return np.dtype((np.record, [*floats, *whole]))  # read uncompiled too: no `base`, numpy's own


def record(block: Block, command: float) -> np.ndarray:
    """Lay a block out as one record, at rest at a command with every contact let go.

    A record instead of two dozen arrays: its sizes are known to the compiler, and handing it
    on counts no references, which would take longer than the sums.  It keeps lags behind the
    command, not places: a lag of 0.1 mm has a thousand times finer rounding than a place at
    200 mm, and near-rigid parts turn rounding into force.
    """
    return records([block], command)


def records(blocks: Sequence[Block], command: float) -> np.ndarray:
    """Lay blocks with the same coordinates and springs out side by side, see `record`."""
    box = np.zeros(len(blocks), layout(blocks[0].friction.size, blocks[0].kinds.size))
    for name, source in _FROM_BLOCK.items():
        box[name] = [getattr(block, source) for block in blocks]
    ride, belts = blocks[0].ride, blocks[0].kinds == BELT
    box["ride"] = ride
    box["mass"], box["carried"] = (box["inertia"][:, power] @ ride for power in (0, 1))
    box["wavy"] = (box["runout"][..., 0] != 0.0).any(axis=(1, 2))
    box["laws"][:, :, :3] = box["laws0"][:, :, :3]
    box["laws"][:, belts, 2:] = box["laws0"][:, belts, 3:]
    box["follow"] -= box["levers"] @ ride
    _relax(box, command)
    return box


def relaxed(block: Block, command: float) -> np.ndarray:
    """Coordinates of a block homed at a command (mm): no contact carries a force.

    Returns: mm (rad for the carriage's yaw); shape (coordinates,).
    """
    b = record(block, command)[0]
    return np.asarray(b["q"] + b["ride"] * command)


#: Fields of a record that a `Block` gives as they are, and what it calls them.
_AS_THEY_ARE = """
    levers kinds runout presliding regularisation racking viscous weigh detent break_away
    stribeck_speed swing inertia driven carries damping cycle follow
"""
_FROM_BLOCK = {name: name for name in _AS_THEY_ARE.split()} | {
    "laws0": "laws",
    "rest0": "rest",
    "friction0": "friction",
    "resist": "regularisation",
    "screw": "screws",
}


@kernel
def _relax(box: np.ndarray, command: float) -> None:
    """Settle blocks whose contacts carry no force, and let them grip there."""
    for k in range(box.size):
        b = box[k]
        b.command = command
        pose(b, command)
        settle(b)
        slip_screws(b)
        for i in range(b.q.size):
            b.z[i] = b.q[i]


@kernel
def pose(b: Record, command: float) -> None:
    """Move the command on: what lags falls behind, belt spans and rest elongations follow."""
    fall_behind(b, command)
    for m in range(b.k.size):
        follow(b, m)


@kernel
def fall_behind(b: Record, command: float) -> None:
    """Let what lags fall behind a command that moves on."""
    for i in range(b.q.size):
        behind = b.ride[i] * (command - b.command)
        b.q[i] -= behind
        b.z[i] -= behind
    b.command = command


@kernel
def follow(b: Record, m: int) -> None:
    """Set rest elongation and, of a belt, spans of one spring for the command."""
    b.rest[m] = b.rest0[m] + b.follow[m] * b.command
    if b.wavy > 0.0:
        for k in range(b.runout.shape[1]):
            turn = 2.0 * math.pi * b.runout[m, k, 2] * b.command
            b.rest[m] += b.runout[m, k, 0] * math.sin(turn + b.runout[m, k, 1])
    if b.kinds[m] == BELT:
        first = b.laws0[m, 1] + b.command
        b.laws[m, 0] = b.laws0[m, 0] / first
        b.laws[m, 1] = b.laws0[m, 0] / (b.laws0[m, 2] - first)


@kernel
def slip_screws(b: Record) -> None:
    """Let set screws that pull as hard as they hold slip as far as they have been pulled."""
    if mark_slipping(b):
        slip(b, b)


@kernel
def mark_slipping(b: Record) -> bool:
    """Note which way each set screw slips that pulls as hard as it holds; True if one does."""
    any_slips = False
    for m in range(b.k.size):
        b.slips[m] = 0.0
        if b.screw[m] > 0.0 and b.k[m] == 0.0:
            e = elongation(b, m)
            if abs(e) > b.laws[m, 1] + b.laws[m, 2]:
                b.slips[m] = 1.0 if e > 0.0 else -1.0
                any_slips = True
    return any_slips


@kernel
def slip(b: Record, like: Record) -> None:
    """Let those set screws of a block slip that are marked on another: itself, or its like."""
    for m in range(b.k.size):
        if like.slips[m] != 0.0:
            slipped = elongation(b, m) - like.slips[m] * (b.laws[m, 1] + b.laws[m, 2])
            b.rest0[m] += slipped
            b.rest[m] += slipped
            b.elongation[m] -= slipped
            b.alike[m] = 0.0
