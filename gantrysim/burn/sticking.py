"""Which parts of a machine stick, follow or rest at every sample of a burned line.

A part sticks while it is commanded to move and its wheels hold it back: the belt winds up, or
unwinds and winds up the other way after a reversal.  It follows once the belt pulls as hard as the
wheels hold.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gantrysim.burn.burn import Burn
from gantrysim.burn.simulation import TimedBurn
from gantrysim.mechanics.assembly import x_block, y_block
from gantrysim.mechanics.dynamics import swung
from gantrysim.mechanics.planner import plan, slow, timeline
from gantrysim.mechanics.quasistatic import march, spot
from gantrysim.pattern.ringtest import Stroke
from gantrysim.records.arrays import Array

#: The parts, in the order of the columns of a `Course`.
PARTS = ("left side", "right side", "carriage")
#: What a part may do, by its number in `Course.doing`.
DOING = ("rests", "sticks", "follows")
RESTS, STICKS, FOLLOWS = range(3)

#: A part that moves by less than this part of what it is commanded to move sticks: one that sticks
#: creeps by a few hundredths of it, one that follows moves by all of it.
HALF = 0.5

_STILL = 1e-9  # mm; a command that moves by less rests
_SAME = 1e-6  # mm: rounding of a path worked out a second time


@dataclass(frozen=True, eq=False)
class Course:
    """How the parts of a machine went while one line was drawn.

    Parameters
    ----------
    commanded : ndarray, shape (n, 2)
        Where the spot of a faultless machine would be, mm.
    spot : ndarray, shape (n, 2)
        Where the spot was, mm.
    ahead : ndarray, shape (n, 3)
        How far the command was ahead of the left side, the right side (along y) and the carriage
        (along x), mm.  Times the stiffness it is pulled through, this is the pull on a part.
    doing : ndarray of int, shape (n, 3)
        Index into `DOING` of what each of them did on the way to the sample; at the first, on the
        way to the second.
    """

    commanded: Array
    spot: Array
    ahead: Array
    doing: NDArray[np.int64]


def course(burn: Burn, shape: str, ring: int, pass_index: int, *, step: float = 0.2) -> Course:
    """Work out how the parts of a machine went while it drew one line of a burn.

    ``burn``: from `simulate`, with or without the forces of the feed, with or without inertia.
    ``shape``, ``ring``, ``pass_index``: which line.  ``step``: largest distance between samples,
    mm.  ValueError if the burn has no such line.

    A burn holds where the spot went, not how the parts moved, so that motion is worked out again,
    in the way that ends where the burn's own line ends.
    """
    line = burn.line(shape, ring, pass_index)
    strokes = burn.test.strokes(step)
    labels = [(stroke.shape, stroke.ring, stroke.pass_index) for stroke in strokes]
    at = labels.index((shape, ring, pass_index))
    first = sum(len(stroke.xy) for stroke in strokes[:at])
    here = slice(first, first + len(strokes[at].xy))
    q_x, q_y = _moved(burn, strokes, first + len(strokes[at].xy) - 1, line.xy[-1])
    command = np.concatenate([stroke.xy for stroke in strokes])
    wanted = np.stack([command[:, 1], command[:, 1], command[:, 0]], axis=1)
    place = np.stack([q_y[:, 0], q_y[:, 1], q_x[:, 0]], axis=1)
    to_go, gone = np.abs(_steps(wanted)), np.abs(_steps(place))
    doing = np.where(gone < HALF * to_go, STICKS, FOLLOWS)
    doing[to_go < _STILL] = RESTS
    doing[first] = doing[first + 1]  # a line begins where the move to it has ended
    head = np.array([burn.machine.head.along, burn.machine.head.beyond])
    drawn = spot(burn.machine, q_y, q_x)
    return Course(command[here] + head, drawn[here], (wanted - place)[here], doing[here])


def _steps(values: Array) -> Array:
    """Change to each sample from the one before; the first has none before."""
    return np.diff(values, axis=0, prepend=values[:1])


def _moved(burn: Burn, strokes: tuple[Stroke, ...], end: int, place: Array) -> tuple[Array, Array]:
    """Coordinates of both blocks at every sample, that reach a place at the sample `end`."""
    machine = burn.machine
    if isinstance(burn, TimedBurn):
        x, y = swung(machine, timeline(burn.test, strokes), burn.time_step)
        return x.q, y.q
    motion = slow(np.concatenate([stroke.xy for stroke in strokes]))
    for again in (False, True):
        if again:  # not in the slow limit, so with the forces of the feed
            motion = plan(burn.test, strokes)
        q_x, _ = march(x_block(machine), motion, 0)
        q_y, _ = march(y_block(machine), motion, 1)
        if np.abs(spot(machine, q_y[end : end + 1], q_x[end : end + 1]) - place).max() < _SAME:
            break
    return q_x, q_y
