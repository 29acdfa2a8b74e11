"""How the burned path answers to small changes of the machine, along a run already made.

The run is replayed with every contact held in its state of stick or slip, once on its own machine
and beside it on every changed one; from the place of the first a single Newton step of the same
assembly, with the same Hessian, leads to each of the others, and their distance over the size of
the change is the derivative.  At a settled step the gradient vanishes, so this is the implicit
function theorem by differences.  The step leaves out what is of second order in the change: for
changes of 1e-5 of a standard deviation about 1e-5 of the derivative.  Where a contact changes state
the path has a kink but no jump, so the derivative exists everywhere else.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import lru_cache

import numpy as np

from gantrysim.machine import Machine
from gantrysim.mechanics.assembly import Block
from gantrysim.mechanics.equilibrium import (
    Record,
    clamped,
    factor,
    gradient,
    grip,
    held_gradient,
    hessian,
    newton_step,
    spring_at,
)
from gantrysim.mechanics.planner import Motion
from gantrysim.mechanics.quasistatic import (
    ask,
    beam_yaw,
    load,
    spot,
    spot_geometry,
    spot_yawed,
    still_raised,
)
from gantrysim.mechanics.springs import BELT
from gantrysim.mechanics.state import fall_behind, follow, mark_slipping, records, slip
from gantrysim.records.arrays import Array
from gantrysim.records.compiled import kernel

_SMALL = 1e-6  # mm or rad: moves a coordinate to see how the spot answers
_STEPS = 64  # steps that a block is carried on before the next one: what is kept of them stays near


@lru_cache
def _kept(n: int, m: int) -> np.dtype[np.void]:
    """What a changed block needs of a settled step of the first, see `state.layout`."""
    each, every = (n,), (m,)
    fields: dict[str, tuple[int, ...]] = {
        "q": each, "g": each, "hess": (n, n), "force": every, "slips": every,
        "rest": every, "laws": (m, 2), "raised": (), "stribeck_speed": (),
    }  # fmt: skip
    return np.dtype((np.record, [(name, np.float64, shape) for name, shape in fields.items()]))


@kernel
def _replay(box: Array, kept: Array, command: Array, q: Array, status: Array, out: Array) -> None:
    """Fill how far each changed block strays from the first along its run."""
    b = box[0]
    n = b.q.size
    for first in range(0, command.shape[0], kept.size):
        last = min(first + kept.size, command.shape[0])
        for t in range(first, last):
            ask(b, command, t)
            for i in range(n):
                b.q[i] = q[t, i] - b.ride[i] * b.command
                b.status[i] = status[t, i]
            gradient(b)
            held_gradient(b)
            hessian(b)
            factor(b)
            mark_slipping(b)
            _keep(b, kept[t - first])
            kept[t - first].raised = still_raised(b, command, t)
            grip(b)
            slip(b, b)
        for w in range(out.shape[0]):
            c = box[w + 1]
            for t in range(first, last):
                a = kept[t - first]
                _ask_beside(a, c, command, t)
                for i in range(n):
                    c.status[i] = status[t, i]
                _stray(a, b, c)
                for i in range(n):
                    out[w, t, i] = c.q[i] - a.q[i]
                grip(c)
                slip(c, a)


@kernel
def _keep(b: Record, a: Record) -> None:
    """Keep what the changed blocks need of a settled step."""
    n = b.q.size
    for i in range(n):
        a.q[i], a.g[i] = b.q[i], b.g[i]
        for j in range(n):
            a.hess[i, j] = b.hess[i, j]
    for m in range(b.k.size):
        a.force[m], a.slips[m], a.rest[m] = b.force[m], b.slips[m], b.rest[m]
        a.laws[m, 0], a.laws[m, 1] = b.laws[m, 0], b.laws[m, 1]
    a.stribeck_speed = b.stribeck_speed


@kernel
def _ask_beside(a: Record, c: Record, command: Array, t: int) -> None:
    """Put a step to a changed block; what is alike in it is taken over from the first."""
    fall_behind(c, command[t, 0])
    for m in range(c.k.size):
        if c.alike[m] > 0.0:
            c.rest[m] = a.rest[m]
            if c.kinds[m] == BELT:
                c.laws[m, 0], c.laws[m, 1] = a.laws[m, 0], a.laws[m, 1]
        else:
            follow(c, m)
    same = c.stribeck_speed == a.stribeck_speed
    load(c, command, t, a.raised if same else still_raised(c, command, t))


@kernel
def _stray(a: Record, b: Record, c: Record) -> None:
    """Take a changed block from where the first has settled to where it would."""
    n = c.q.size
    together = True
    for i in range(n):
        c.q[i] = c.z[i] if clamped(c, i) else a.q[i]
        together = together and c.q[i] == a.q[i]
    held_gradient(c)
    for i in range(n):
        c.g[i] -= a.g[i]
    for m in range(c.k.size):  # the laws of belts take long: only those that can differ
        differs = c.alike[m] == 0.0
        if not together:
            for i in range(n):
                differs = differs or (c.levers[m, i] != 0.0 and c.q[i] != a.q[i])
        if differs:
            force, _ = spring_at(c, m)
            for i in range(n):
                c.g[i] += c.levers[m, i] * force - b.levers[m, i] * a.force[m]
    for i in range(n):
        if clamped(c, i):
            c.g[i] = 0.0
    newton_step(a, c)
    for i in range(n):
        c.q[i] += c.step[i]


def replay(
    block: Block,
    changed: Sequence[Block],
    motion: Motion,
    axis: int,
    q: np.ndarray,
    status: np.ndarray,
) -> np.ndarray:
    """How far slightly changed blocks stray from a run.

    Parameters
    ----------
    block : Block
        The block that made the run.
    changed : sequence of Block
        The same block with one number each, or several, moved a little.
    motion, axis, q, status : Motion, int, ndarray, ndarray
        The run: as given to and returned by `gantrysim.mechanics.quasistatic.march`.

    Returns
    -------
    ndarray, shape (len(changed), steps, coordinates)
        What is added to each coordinate, mm (rad for the carriage's yaw).
    """
    command = motion.asked[axis]
    out = np.empty((len(changed), *q.shape))
    if changed:
        box = records([block, *changed], command[0, 0])
        box["alike"] = 1.0
        for name in ("levers", "laws0", "rest0", "follow", "runout"):
            same = (box[name] == box[name][0]).reshape(*box["alike"].shape, -1)
            box["alike"] *= same.all(axis=2)
        kept = np.zeros(_STEPS, _kept(*box[0].levers.shape[::-1]))
        _replay(box, kept, command, q, status, out)
    return out


@kernel
def _slopes(
    geometry: Array, q_y: Array, q_x: Array, d_y: Array, of_y: Array, d_x: Array, of_x: Array,
    out: Array,
) -> None:  # fmt: skip
    """Add how the spot answers to changes of the coordinates."""
    slope = np.empty((6, 2))
    for t in range(q_y.shape[0]):
        left, right, s, yaw = q_y[t, 0], q_y[t, 1], q_x[t, 0], q_x[t, 1]
        lateral, across = q_x[t, 3], q_x[t, 4]
        beam, carriage = beam_yaw(geometry, left, right), (math.sin(yaw), math.cos(yaw))
        x, y = spot_yawed(geometry, left, beam, s, carriage, lateral, across)
        by = _SMALL
        for k in range(6):
            if k == 0:
                turned = beam_yaw(geometry, left + by, right)
                there = spot_yawed(geometry, left + by, turned, s, carriage, lateral, across)
            elif k == 1:
                turned = beam_yaw(geometry, left, right + by)
                there = spot_yawed(geometry, left, turned, s, carriage, lateral, across)
            elif k == 2:
                there = spot_yawed(geometry, left, beam, s + by, carriage, lateral, across)
            elif k == 3:
                turned = math.sin(yaw + by), math.cos(yaw + by)
                there = spot_yawed(geometry, left, beam, s, turned, lateral, across)
            elif k == 4:
                there = spot_yawed(geometry, left, beam, s, carriage, lateral + by, across)
            else:
                there = spot_yawed(geometry, left, beam, s, carriage, lateral, across + by)
            slope[k, 0], slope[k, 1] = (there[0] - x) / by, (there[1] - y) / by
        for w in range(of_y.size):
            for i in range(2):
                moved = slope[0, i] * d_y[w, t, 0] + slope[1, i] * d_y[w, t, 1]
                out[t, of_y[w], i] += moved
        for w in range(of_x.size):
            for i in range(2):
                moved = slope[2, i] * d_x[w, t, 0] + slope[3, i] * d_x[w, t, 1]
                moved += slope[4, i] * d_x[w, t, 3] + slope[5, i] * d_x[w, t, 4]
                out[t, of_x[w], i] += moved


def spot_changes(
    machine: Machine,
    changed: Sequence[Machine],
    q_y: np.ndarray,
    q_x: np.ndarray,
    d_y: np.ndarray,
    of_y: Sequence[int],
    d_x: np.ndarray,
    of_x: Sequence[int],
) -> np.ndarray:
    """How far the burning spot of slightly changed machines strays from that of a run.

    ``machine``: the machine that made the run.  ``changed``: the changed ones.  ``q_y``, ``q_x``:
    coordinates of the run, mm (rad for the carriage's yaw); shapes (n, 4) and (n, 5).  ``d_y``,
    ``d_x``: what `replay` adds to them; ``of_y``, ``of_x``: by which of the changed machines.
    Returns: what is added to x and y, mm; shape (n, len(changed), 2).
    """
    out = np.zeros((len(q_y), len(changed), 2))
    by_y, by_x = (np.array(of, dtype=np.int64) for of in (of_y, of_x))
    _slopes(np.array(spot_geometry(machine)), q_y, q_x, d_y, by_y, d_x, by_x, out)
    for k, each in enumerate(changed):
        if spot_geometry(each) != spot_geometry(machine):
            out[:, k] += spot(each, q_y, q_x) - spot(machine, q_y, q_x)
    return out
