"""What the model lacks, as explicit unknowns with a size of their own.

A real machine adds smooth errors that belong to places on the machine, not to rings: pulley
run-out and rail form (the same whichever way the axis moves), dirt and ripple of the wheels'
drag (they turn over with the direction of motion).  Each is a random function of the position
of one axis; being the same for every ring that passes the place, it does not average out over
thousands of points.
"""

from __future__ import annotations

import numpy as np

from gantrysim.inference.assumptions import USUAL, Assumptions
from gantrysim.machine import Machine


def _hats(position: np.ndarray, length: float) -> np.ndarray:
    """Piecewise-linear interpolation weights of positions over knots, shape (n, knots)."""
    low, high = float(position.min()), float(position.max())
    count = max(2, int(np.ceil((high - low) / length)) + 1)
    knots = np.linspace(low, high, count)
    spacing = max(knots[1] - knots[0], 1e-9)
    return np.clip(1.0 - np.abs(position[:, None] - knots) / spacing, 0.0, 1.0)


def basis(
    machine: Machine,
    points: np.ndarray,
    normal: np.ndarray,
    moving: np.ndarray,
    square: np.ndarray,
    assumptions: Assumptions = USUAL,
) -> np.ndarray:
    """Columns of the shared discrepancy, scaled to unit prior.

    Parameters
    ----------
    machine : Machine
        For span and head offset.
    points : ndarray, shape (n, 2)
        Places in the machine frame, mm.
    normal : ndarray, shape (n, 2)
        Outward normals of the commanded line there.
    moving : ndarray, shape (n, 2)
        Sign of the last commanded motion of each axis there.
    square : ndarray, shape (n,)
        1 on squares, 0 on circles.
    assumptions : Assumptions
        Sizes and lengths of the terms.

    Returns
    -------
    ndarray, shape (n, k)
        Effect on the residual of each unknown at one prior standard deviation, mm.
    """
    share = (points[:, 0] / machine.span)[:, None]
    x, y = normal[:, :1], normal[:, 1:]
    yaw = -machine.head.beyond / machine.span  # the head lever turns yaw into x
    effect_x = x
    effect_left = (1.0 - share) * y - yaw * x
    effect_right = share * y + yaw * x
    columns = []
    turn = 2.0 * np.pi / machine.belt_left.pulley_circumference
    for wave in (np.sin, np.cos):
        y_wave = assumptions.pulley_turn * wave(turn * points[:, 1])[:, None]
        x_wave = assumptions.pulley_turn * wave(turn * points[:, 0])[:, None]
        columns += [x_wave * effect_x, y_wave * effect_left, y_wave * effect_right]
    for effect, outward in ((effect_x, x), (effect_left, y), (effect_right, y)):
        for side in (1.0, -1.0):
            columns += [assumptions.corner_rest * square[:, None] * effect * (side * outward > 0.5)]
    held = lags(machine, np.mean(points, axis=0))
    effects = (effect_x, effect_left, effect_right)
    for effect, axis, lag in zip(effects, (0, 1, 1), held, strict=True):
        place, turned = points[:, axis], moving[:, axis : axis + 1]
        odd = max(assumptions.odd_share * lag, assumptions.odd_least)
        columns += [assumptions.even * _hats(place, assumptions.even_length) * effect]
        columns += [odd * _hats(place, assumptions.odd_length) * effect * turned]
    return np.concatenate(columns, axis=1)


def lags(machine: Machine, place: np.ndarray) -> tuple[float, float, float]:
    """Drag over stiffness of carriage, left and right plate at a place, mm.

    An end plate without a belt is held by what keeps the beam square.
    """
    x, y = float(place[0]), float(place[1])
    racking = machine.left.rack_stiffness + machine.right.rack_stiffness

    def held(belt: str) -> float:
        return racking if belt in machine.absent else machine.value(belt).stiffness(y)

    return (
        machine.carriage.friction / machine.belt_x.stiffness(x),
        machine.left.friction / held("belt_left"),
        machine.right.friction / held("belt_right"),
    )
