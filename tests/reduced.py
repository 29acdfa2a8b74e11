"""Machines reduced to the textbook: constant belts, a drive that cannot yield, Coulomb friction.

Every simplification is a field of the real `Machine`, so that the tests run the code that users
run.  What is left of the drive's compliance (1e12 N/mm) is below 1e-11 mm at the forces used.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from gantrysim.machine import (
    Belt,
    Carriage,
    Contact,
    CrossShaft,
    EndPlate,
    Head,
    Machine,
    Motor,
    four_wheels,
)
from gantrysim.mechanics.assembly import x_block, y_block
from gantrysim.mechanics.planner import slow
from gantrysim.mechanics.quasistatic import march, spot

RIGID = 1e12  # N/mm
HALF_LOOP = 1e5  # mm: two spans this long keep their stiffness to (y / 1e5)^2

Place = tuple[float, float]


def constant_belt(stiffness: float, middle: float) -> Belt:
    """A belt of this stiffness (N/mm) with both spans equal at `middle` (mm), never slack."""
    return Belt(
        ea=stiffness * HALF_LOOP / 2.0,
        near=HALF_LOOP - middle,
        loop=2.0 * HALF_LOOP,
        pretension=1e4,
        sag=1e-6,
    )


def rigid_motor() -> Motor:
    """A motor that holds its place: slope RIGID of its sine law."""
    return Motor(hold_force=RIGID * 4.0 * 1e-4 / (2.0 * np.pi), full_step=1e-4, rotor_mass=0.0)


def reduced(
    friction: tuple[float, float, float] = (0.0, 0.0, 0.0),
    stiffness: tuple[float, float, float] = (20.0, 20.0, 20.0),
    *,
    racking: float = 0.0,
    span: float = 400.0,
    backlash: float = 0.0,
    middle: Place = (0.0, 0.0),
) -> Machine:
    """Two plates and a carriage on three constant belts.

    Parameters
    ----------
    friction, stiffness : tuple of float
        Left, right, x; N and N/mm.
    racking : float
        Stiffness of the beam against yaw, N m/rad, as the sum over both plates.
    span : float
        mm.
    backlash : float
        Play in the cross shaft, full width at the belt, mm.
    middle : (float, float)
        Command at which the belts are exactly as stiff as asked, mm.
    """
    left, right, x = friction
    kappa = racking * 1e3 / span**2  # N mm/rad over span squared: N/mm of y_right - y_left

    def plate(force: float) -> EndPlate:
        return EndPlate(
            wheels=four_wheels(75.0, force), rack_stiffness=kappa / 2.0, side_stiffness=RIGID
        )

    return Machine(
        span=span,
        left=plate(left),
        right=plate(right),
        carriage=Carriage(wheels=four_wheels(60.0, x), yaw_stiffness=1e9),
        belt_left=constant_belt(stiffness[0], middle[1]),
        belt_right=constant_belt(stiffness[1], middle[1]),
        belt_x=constant_belt(stiffness[2], middle[0]),
        belt_inset=0.0,
        belt_x_offset=0.0,
        shaft=CrossShaft(stiffness=RIGID, drag=0.0, backlash=backlash),
        motor_y=rigid_motor(),
        motor_x=rigid_motor(),
        head=Head(along=0.0, beyond=0.0),
        contact=Contact.ideal(),
    )


def drawn(machine: Machine, command: np.ndarray) -> np.ndarray:
    """Spot along a slow command from rest at its first sample, both shape (n, 2), mm."""
    q_x, q_y = lay(machine, command)
    return spot(machine, q_y, q_x)


def lay(machine: Machine, command: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Coordinates of the X and of the Y block along a slow command."""
    motion = slow(np.ascontiguousarray(command, dtype=float))
    return march(x_block(machine), motion, 0)[0], march(y_block(machine), motion, 1)[0]


def circle(
    radius: float, angles: np.ndarray | Sequence[float], centre: Place = (0.0, 0.0)
) -> np.ndarray:
    """Points of a circle; quarter turns are exact so that its extremes are samples."""
    angles = np.asarray(angles, dtype=float)
    unit = np.column_stack([np.cos(angles), np.sin(angles)])
    quarter = angles / (np.pi / 2.0)
    exact = np.abs(quarter - np.round(quarter)) < 1e-12
    unit[exact] = np.round(unit[exact])
    return np.asarray(centre) + radius * unit


def turns(count: float, per_turn: int, start: float = 0.0) -> np.ndarray:
    """Angles of `count` turns with `per_turn` steps each (a multiple of 4), rad."""
    return start + np.arange(round(count * per_turn) + 1) * (2.0 * np.pi / per_turn)


def along_y(places: np.ndarray | Sequence[float]) -> np.ndarray:
    """A command that moves in y only."""
    y = np.asarray(places, dtype=float)
    return np.column_stack([np.zeros_like(y), y])


def along_x(places: np.ndarray | Sequence[float]) -> np.ndarray:
    """A command that moves in x only."""
    return along_y(places)[:, ::-1]


def straight_pieces(corners: Sequence[float], step: float) -> np.ndarray:
    """Places from corner to corner in steps of at most `step` mm."""
    out = [np.array([corners[0]])]
    for a, b in pairwise(corners):
        n = max(1, int(np.ceil(abs(b - a) / step)))
        out.append(np.linspace(a, b, n + 1)[1:])
    return np.concatenate(out)
