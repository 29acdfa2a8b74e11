"""What the model lacks, as explicit unknowns with a size of their own.

A real machine adds smooth errors that belong to places on the machine, not to rings: pulley
run-out and rail form (the same whichever way the axis moves), dirt and ripple of the wheels'
drag, once per turn of a wheel (they turn over with the direction of motion).  Each is a random
function of the position of one axis; being the same for every ring that passes the place, it does
not average out over thousands of points.  A rail that is not straight sets its axis off sideways.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from gantrysim.inference.assumptions import USUAL, Assumptions, Scales
from gantrysim.machine import Machine

#: Kinds of columns: once per pulley turn, corners of squares, even in direction, straightness of
#: the rails; of carriage, left and right plate, odd in the direction and about a reversal; and, on
#: circles, bound to the direction of motion, which is how a loose carriage lies.
PULLEY, CORNER, EVEN, STRAIGHT = range(4)
ODD, ABOUT, RATTLE = (4, 5, 6), (7, 8, 9), 10
#: Ways of an axis from a reversal at which its error there is an unknown, mm: between what
#: presliding and what the windup of a very tight axis take.
_WAYS = (0.03, 0.08, 0.2, 0.5, 1.3)
#: Directions round a circle at which what a loose carriage adds is an unknown.
_DIRECTIONS = 24
#: Size of that where nothing is loose, mm.
_NOTHING = 1e-6


@dataclass(frozen=True, eq=False)
class Discrepancy:
    """Effects on the residual of each unknown of the discrepancy.

    Parameters
    ----------
    columns : ndarray, shape (m, k)
        Effect of 1 mm of each.
    owner : ndarray of int, shape (k,)
        Kind of each.
    """

    columns: np.ndarray
    owner: np.ndarray

    def sizes(self, machine: Machine, scales: Scales, assumptions: Assumptions) -> np.ndarray:
        """Prior standard deviation of each on a machine, mm, shape (k,).

        What turns over with the direction of motion and how an axis stops and starts again at a
        reversal grow with the lag of the part, so with its fault; how a loose carriage lies with
        its gap.
        """
        rattle = assumptions.rattle_share * machine.carriage.gap
        odd = [max(assumptions.odd_share * lag, assumptions.odd_least) for lag in lags(machine)]
        each = [
            assumptions.pulley_turn * scales.place,
            np.hypot(assumptions.corner_rest, rattle) * scales.corner,
            assumptions.even * scales.place,
            assumptions.straight * scales.place,
            *(scales.direction * size for size in odd),
            *(scales.corner * size for size in odd),
            max(rattle, _NOTHING) * scales.corner,
        ]
        return np.asarray(each)[self.owner]


def _hats(position: np.ndarray, length: float) -> np.ndarray:
    """Piecewise-linear interpolation weights of positions over knots, shape (n, knots)."""
    low, high = float(position.min()), float(position.max())
    count = max(2, int(np.ceil((high - low) / length)) + 1)
    knots = np.linspace(low, high, count)
    spacing = max(knots[1] - knots[0], 1e-9)
    return np.clip(1.0 - np.abs(position[:, None] - knots) / spacing, 0.0, 1.0)


def _near(way: np.ndarray) -> np.ndarray:
    """Piecewise-linear weights over the logarithm of the way to a reversal; none far from it."""
    knots = np.log(_WAYS)
    at = np.log(np.maximum(way, _WAYS[0]))[:, None]
    spacing = np.diff(knots).mean()
    return np.clip(1.0 - np.abs(at - knots[:-1]) / spacing, 0.0, 1.0)


def _round(normal: np.ndarray) -> np.ndarray:
    """Piecewise-linear weights over the direction of a normal, shape (n, directions)."""
    turn = np.arctan2(normal[:, 1], normal[:, 0])[:, None] * _DIRECTIONS / (2.0 * np.pi)
    apart = np.mod(turn - np.arange(_DIRECTIONS), _DIRECTIONS)
    return np.clip(1.0 - np.minimum(apart, _DIRECTIONS - apart), 0.0, 1.0)


def basis(
    machine: Machine,
    points: np.ndarray,
    normal: np.ndarray,
    moving: np.ndarray,
    since: np.ndarray,
    until: np.ndarray,
    square: np.ndarray,
    assumptions: Assumptions = USUAL,
) -> Discrepancy:
    """Columns of the shared discrepancy.

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
    since, until : ndarray, shape (n, 2)
        Way of each axis on a circle since it reversed, and until it will, mm.
    square : ndarray, shape (n,)
        1 on squares, 0 on circles.
    assumptions : Assumptions
        Lengths of the terms.
    """
    share = (points[:, 0] / machine.span)[:, None]
    x, y = normal[:, :1], normal[:, 1:]
    yaw = -machine.head.beyond / machine.span  # the head lever turns yaw into x
    effect_x = x
    effect_left = (1.0 - share) * y - yaw * x
    effect_right = share * y + yaw * x
    effects = (effect_x, effect_left, effect_right)
    parts: list[tuple[int, np.ndarray]] = []
    turn = 2.0 * np.pi / machine.belt_left.pulley_circumference
    for wave in (np.sin, np.cos):
        for effect, axis in zip(effects, (0, 1, 1), strict=True):
            parts.append((PULLEY, wave(turn * points[:, axis])[:, None] * effect))
    for effect, outward in zip(effects, (x, y, y), strict=True):
        for side in (1.0, -1.0):
            parts.append((CORNER, square[:, None] * effect * (side * outward > 0.5)))
    near = [
        np.hstack((_near(since[:, axis]), _near(until[:, axis]))) * (1.0 - square[:, None])
        for axis in (0, 1)
    ]
    rolling = (machine.carriage, machine.left, machine.right)
    for part, effect, axis, odd, about in zip(rolling, effects, (0, 1, 1), ODD, ABOUT, strict=True):
        place, turned = points[:, axis], moving[:, axis : axis + 1]
        parts.append((EVEN, _hats(place, assumptions.even_length) * effect))
        parts.append((odd, _hats(place, assumptions.odd_length) * effect * turned))
        wheel = (place / part.wheels[0].radius)[:, None]
        parts += [(odd, wave(wheel) * effect * turned) for wave in (np.sin, np.cos)]
        for way in (1.0, -1.0):
            parts.append((about, near[axis] * effect * (way * turned > 0.0)))
    for effect, axis in ((x, 1), (y, 0)):  # across the way of an axis, where it goes along
        parts.append((STRAIGHT, _hats(points[:, axis], assumptions.straight_length) * effect))
    parts.append((RATTLE, _round(normal) * (1.0 - square[:, None])))
    owner = np.concatenate([np.full(part.shape[1], kind) for kind, part in parts])
    return Discrepancy(np.concatenate([part for _, part in parts], axis=1), owner)


def lags(machine: Machine) -> tuple[float, float, float]:
    """Drag over stiffness of carriage, left and right plate in the middle of the travel, mm.

    An end plate without a belt is held by what keeps the beam square.
    """
    x, y = 0.5 * machine.span, 0.5 * machine.travel_y
    racking = machine.left.rack_stiffness + machine.right.rack_stiffness

    def held(belt: str) -> float:
        return racking if belt in machine.absent else machine.value(belt).stiffness(y)

    return (
        machine.carriage.friction / machine.belt_x.stiffness(x),
        machine.left.friction / held("belt_left"),
        machine.right.friction / held("belt_right"),
    )
