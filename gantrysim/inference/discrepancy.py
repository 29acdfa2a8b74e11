"""What the model lacks, as explicit unknowns with a size of their own.

A real machine adds smooth errors that belong to places on the machine, not to rings: pulley
run-out and rail form (the same whichever way the axis moves), dirt and ripple of the wheels'
drag, once per turn of a wheel (they turn over with the direction of motion).  Each is a random
function of the position of one axis; being the same for every ring that passes the place, it does
not average out over thousands of points.  A rail that is not straight sets its axis off sideways.

What drag does to an axis it does where the axis rolls: after a reversal the axis stands still until
its drive has wound up the other way, where and as the drag at the reversal left it.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Callable
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
#: An axis stands still after a reversal until its drive has moved on by so many times its windup:
#: twice, from first to last, for presliding, and what else gives, blur it.
_STANDS = (1.5, 2.5)
#: Steps of the logarithm in which windups count, so that machines alike share what is worked out,
#: and the least that counts, mm.
_WINDUP_STEP, _SHORTEST = 0.2, 1e-3
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


def _knots(position: np.ndarray, length: float) -> np.ndarray:
    """Places over which positions are interpolated, mm."""
    low, high = float(position.min()), float(position.max())
    return np.linspace(low, high, max(2, int(np.ceil((high - low) / length)) + 1))


def _hats(position: np.ndarray, knots: np.ndarray) -> np.ndarray:
    """Piecewise-linear interpolation weights of positions over knots, shape (n, knots)."""
    spacing = max(knots[1] - knots[0], 1e-9)
    off = np.clip(position, knots[0], knots[-1])[:, None] - knots
    return np.clip(1.0 - np.abs(off) / spacing, 0.0, 1.0)


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


@dataclass(frozen=True, eq=False)
class Passage:
    """How places of a piece were passed.

    Parameters
    ----------
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
    nominal : Machine
        The machine as described: for span, head offset, pulleys and wheels.
    assumptions : Assumptions
        Lengths over which the machine's errors vary.
    """

    points: np.ndarray
    normal: np.ndarray
    moving: np.ndarray
    since: np.ndarray
    until: np.ndarray
    square: np.ndarray
    nominal: Machine
    assumptions: Assumptions = USUAL

    def lacking(self, machine: Machine) -> Discrepancy:
        """What the model lacks there of a machine, whose axes stand still while it winds up."""
        ways = (max(way, _SHORTEST) for way in windups(machine))
        steps = tuple(round(math.log(way) / _WINDUP_STEP) for way in ways)
        known = self._known
        if steps not in known:
            carriage, left, right = (math.exp(_WINDUP_STEP * step) for step in steps)
            known.setdefault(steps, self.wound((carriage, left, right)))
        return known[steps]

    @functools.cached_property
    def _known(self) -> dict[tuple[int, ...], Discrepancy]:
        """Those that were asked for, by steps of the windups."""
        return {}

    def wound(self, windup: tuple[float, float, float]) -> Discrepancy:
        """The same by the windups of carriage, left and right plate, mm (`windups`)."""
        parts = list(self._common)
        machine = self.nominal
        radii = (x.wheels[0].radius for x in (machine.carriage, machine.left, machine.right))
        each = zip((0, 1, 1), windup, self._effects, ODD, radii, strict=True)
        for axis, own, effect, kind, radius in each:
            waves = self._waves(axis, radius)
            parts.append((kind, self._rolled(axis, own, waves) * effect))
        owner = np.concatenate([np.full(part.shape[1], kind) for kind, part in parts])
        return Discrepancy(np.concatenate([part for _, part in parts], axis=1), owner)

    @functools.cached_property
    def _effects(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """What 1 mm of carriage, left and right plate moves the line outward, shape (n, 1) each."""
        machine = self.nominal
        share = (self.points[:, 0] / machine.span)[:, None]
        x, y = self.normal[:, :1], self.normal[:, 1:]
        yaw = -machine.head.beyond / machine.span  # the head lever turns yaw into x
        return x, (1.0 - share) * y - yaw * x, share * y + yaw * x

    @functools.cached_property
    def _common(self) -> tuple[tuple[int, np.ndarray], ...]:
        """Kinds and columns of all that hangs on no windup."""
        points, square, assumptions = self.points, self.square[:, None], self.assumptions
        x, y = self.normal[:, :1], self.normal[:, 1:]
        parts: list[tuple[int, np.ndarray]] = []
        turn = 2.0 * np.pi / self.nominal.belt_left.pulley_circumference
        for wave in (np.sin, np.cos):
            for effect, axis in zip(self._effects, (0, 1, 1), strict=True):
                parts.append((PULLEY, wave(turn * points[:, axis])[:, None] * effect))
        for effect, outward in zip(self._effects, (x, y, y), strict=True):
            for side in (1.0, -1.0):
                parts.append((CORNER, square * effect * (side * outward > 0.5)))
        near = [
            np.hstack((_near(self.since[:, axis]), _near(self.until[:, axis]))) * (1.0 - square)
            for axis in (0, 1)
        ]
        for effect, axis, about in zip(self._effects, (0, 1, 1), ABOUT, strict=True):
            even = _knots(points[:, axis], assumptions.even_length)
            parts.append((EVEN, _hats(points[:, axis], even) * effect))
            for way in (1.0, -1.0):
                moving = way * self.moving[:, axis : axis + 1] > 0.0
                parts.append((about, near[axis] * effect * moving))
        for effect, axis in ((x, 1), (y, 0)):  # across the way of an axis, where it goes along
            knots = _knots(points[:, axis], assumptions.straight_length)
            parts.append((STRAIGHT, _hats(points[:, axis], knots) * effect))
        parts.append((RATTLE, _round(self.normal) * (1.0 - square)))
        return tuple(parts)

    def _waves(self, axis: int, radius: float) -> Callable[[np.ndarray], np.ndarray]:
        """What dirt of an axis and its wheels, whose radius is given, do at places of it."""
        dirt = _knots(self.points[:, axis], self.assumptions.odd_length)

        def waves(place: np.ndarray) -> np.ndarray:
            turns = (place / radius)[:, None]
            return np.hstack((_hats(place, dirt), np.sin(turns), np.cos(turns)))

        return waves

    def _rolled(
        self, axis: int, windup: float, waves: Callable[[np.ndarray], np.ndarray]
    ) -> np.ndarray:
        """What errors of drag do where an axis rolls, and after a reversal until it rolls again.

        ``windup``: by which its drive winds up either way, mm.  ``waves``: the errors at places of
        the axis, shape (n, k).
        """
        place, turned, since = (x[:, axis] for x in (self.points, self.moving, self.since))
        first, last = (part * max(windup, 1e-9) for part in _STANDS)
        rolls = np.clip((since - first) / (last - first), 0.0, 1.0)
        rolls = np.where(self.square > 0.0, 1.0, rolls)[:, None]
        stood = waves(place - turned * since)
        return (rolls * waves(place) - (1.0 - rolls) * stood) * turned[:, None]


def lags(machine: Machine) -> tuple[float, float, float]:
    """Lag of carriage, left and right plate by their drag in the middle of the travel, mm.

    An end plate without a belt is held by what keeps the beam square; that also holds one whose
    belt has an empty span, about as well as that span did.
    """
    x, y = 0.5 * machine.span, 0.5 * machine.travel_y
    racking = machine.left.rack_stiffness + machine.right.rack_stiffness

    def held(belt: str) -> float:
        return racking if belt in machine.absent else machine.value(belt).stiffness(y)

    return (
        machine.belt_x.lag(x, machine.carriage.friction),
        machine.left.friction / held("belt_left"),
        machine.right.friction / held("belt_right"),
    )


def windups(machine: Machine) -> tuple[float, float, float]:
    """How far the drive of carriage, left and right plate winds up either way, mm: lag and play."""
    belts = machine.belt_x, machine.belt_left, machine.belt_right
    coupling = 0.0, *(part * machine.shaft.backlash for part in machine.shaft.reaches)
    each = zip(lags(machine), belts, coupling, strict=True)
    carriage, left, right = (lag + 0.5 * (belt.tooth_backlash + play) for lag, belt, play in each)
    return carriage, left, right
