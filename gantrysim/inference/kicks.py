"""A flat on a plate wheel: a local kick once per wheel turn, found by scanning its place.

Where the flat rolls over, the wheel lets go of its load: the plate shifts sideways toward that
rail and the beam yaws a little.  The kick is linear in its size, so each place along the rail
is one small linear problem on the residuals of a fit.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass

import numpy as np

from gantrysim.inference.hypotheses import FaultKind
from gantrysim.inference.noise import BIN_LENGTH
from gantrysim.inference.parameters import Parameter
from gantrysim.inference.problem import Problem
from gantrysim.inference.solver import Mode
from gantrysim.inference.terms import DrawnLines
from gantrysim.machine import Machine

#: Rolling circumference of a plate wheel, mm (24 mm wheels on their flanks: 66..77 mm).
WHEEL_TURN = 75.0
#: A kick along the rail has the profile of what the flat took off the wheel, d (1 - x^2 / w^2)
#: with w half the chord, w^2 = 2 r d (a circle's segment; 2.1 mm at 0.18 mm).  Drawn as a Gaussian
#: of the same variance, w^2 / 5, and area, 4 w d / 3.
KICK_WIDTH = 0.95  # mm
KICK_HEIGHT = 1.18  # of the depth
#: Sideways shift of the beam over the depth of the flat, and the spread of its logarithm: one
#: wheel of the four of one plate lets go, the sideways stiffness of both plates holds against
#: it, which gives 1/8 for eight equal wheels.
SHIFT_PER_DEPTH, SHIFT_SPREAD = 1.0 / 8.0, 0.25
_SCAN = 1.0  # mm between the places tried


@dataclass(frozen=True, eq=False)
class Kick:
    """A kick of the best place: the fault kind to solve, and how many places were tried."""

    kind: FaultKind
    place: float
    tried: int


def wheel_flats(problem: Problem, mode: Mode) -> tuple[Kick, Kick]:
    """Best place of a flat on a wheel of the left and of the right plate.

    Parameters
    ----------
    problem : Problem
        The prepared piece.
    mode : Mode
        A fit without a flat; its residuals are scanned.

    Returns
    -------
    tuple of Kick
        For the left and for the right plate.
    """
    left, right = _scan(problem, mode, "left"), _scan(problem, mode, "right")
    return left, right


def _scan(problem: Problem, mode: Mode, side: str) -> Kick:
    pieces = problem.burned
    cuts = problem.nuisance_cuts(mode.u.size)
    seen = [(i, piece, *piece.where(mode.u[cuts[i]])) for i, piece in pieces]
    white = {i: piece.metric.columns(mode.residuals[i]) for i, piece in pieces}
    places = np.arange(0.0, WHEEL_TURN, _SCAN)
    best, kept = -math.inf, None
    for place in places:
        patterns = {
            i: _pattern(piece.nominal, side, float(place), spot, normal)
            for i, piece, spot, normal in seen
        }
        hessian, slope = np.eye(2), np.zeros(2)
        for i, piece in pieces:
            columns = piece.metric.columns(patterns[i] * np.array([0.02, 0.03]))
            hessian += piece.metric.product(columns, columns)
            slope += piece.metric.product(columns, white[i])
        gain = 0.5 * float(slope @ np.linalg.solve(hessian, slope))
        if kept is None or (slope[0] > 0.0 and gain > best):  # a flat has a depth of one sign
            best = gain if slope[0] > 0.0 else -math.inf
            kept = (float(place), patterns)
    assert kept is not None
    return Kick(_kind(side, kept[0], kept[1]), kept[0], len(places))


def _pattern(
    machine: Machine, side: str, place: float, spot: np.ndarray, normal: np.ndarray
) -> np.ndarray:
    """Heights per mm of sideways and of yaw kick (as y_right - y_left), shape (bins, 2)."""
    travel, share = spot[:, 1] - machine.head.beyond, spot[:, 0] / machine.span
    off = (travel - place + WHEEL_TURN / 2.0) % WHEEL_TURN - WHEEL_TURN / 2.0
    # a bin averages over its length: along the rail where the line runs along it
    seen = np.sqrt(KICK_WIDTH**2 + (BIN_LENGTH * normal[:, 0]) ** 2 / 12.0)
    bump = KICK_HEIGHT * KICK_WIDTH / seen * np.exp(-0.5 * (off / seen) ** 2)
    toward = -1.0 if side == "left" else 1.0
    sideways = toward * normal[:, 0] * bump
    yaw = (share - 0.5) * normal[:, 1] - machine.head.beyond / machine.span * normal[:, 0]
    return np.column_stack([sideways, yaw * bump])


def _pattern_on(side: str, place: float, piece: DrawnLines) -> np.ndarray:
    """Pattern of the same flat on another piece, before that is placed, shape (bins, 2)."""
    return _pattern(piece.nominal, side, place, *piece.where(np.zeros(piece.n_nuisance)))


def _kind(side: str, place: float, pattern: dict[int, np.ndarray]) -> FaultKind:
    return FaultKind(
        name=f"wheel_flat_{side}",
        words=f"a wheel of the {side} end plate has a flat",
        unit="mm",
        parameters=(
            Parameter("depth", "mm", 0.18, 0.5, ratio=True),
            Parameter("shift per depth", "-", SHIFT_PER_DEPTH, SHIFT_SPREAD, ratio=True),
            Parameter("yaw kick", "mm", 0.0, 0.04),
        ),
        build=None,
        axis="",
        check=(
            f"with the power off roll the {side} plate slowly by hand: feel for one bump a "
            "wheel turn, then look at the wheel's flanks"
        ),
        pattern=pattern,
        pattern_on=functools.partial(_pattern_on, side, place),
        coefficients=lambda depth, share, yaw: (depth * share, yaw),
    )
