"""A measured piece made ready for fitting: points in cells, noise, unknowns and their meaning.

Unknowns are standard normal numbers u: the healthy scatter of the machine, the quantities of
the faults, and the placement of the piece with the scanner's errors.  Residuals are whitened
(`gantrysim.inverse.noise`) and the shared discrepancy (`gantrysim.inverse.discrepancy`), which
is linear, is integrated out exactly.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.linalg import cho_factor, cho_solve

from gantrysim.inverse.discrepancy import basis
from gantrysim.inverse.forward import Forward
from gantrysim.inverse.hypotheses import FaultKind
from gantrysim.inverse.noise import Cells, Noise, make_cells, outliers
from gantrysim.inverse.prior import HEALTHY_SCATTER, Scatter
from gantrysim.inverse.residual import Matched, first_placement, match, pivot_of
from gantrysim.machine import Machine
from gantrysim.measured.points import Piece
from gantrysim.simulate import check_travel


@dataclass(frozen=True, eq=False)
class Metric:
    """Whitening with the shared discrepancy integrated out."""

    noise: Noise
    cells: Cells
    weight: np.ndarray
    white: np.ndarray
    factor: Any
    log_det: float

    @classmethod
    def of(cls, problem: Problem) -> Metric:
        """Whiten the shared discrepancy of a problem once."""
        white, log_det = problem.noise.whiten(problem.shared, problem.cells)
        white = white * problem.weight[:, None]
        inner = white.T @ white + np.eye(white.shape[1])
        factor = cho_factor(inner)
        log_det += 2.0 * float(np.sum(np.log(np.diag(factor[0]))))
        return cls(problem.noise, problem.cells, problem.weight, white, factor, log_det)

    def columns(self, table: np.ndarray) -> np.ndarray:
        """Whitened columns."""
        white, _ = self.noise.whiten(table, self.cells)
        return white * (self.weight if white.ndim == 1 else self.weight[:, None])

    def product(self, a: np.ndarray, b: np.ndarray) -> Any:
        """Inner product a' P b, the discrepancy integrated out; a and b are whitened."""
        return a.T @ b - (self.white.T @ a).T @ cho_solve(self.factor, self.white.T @ b)

    def half_square(self, residual: np.ndarray) -> float:
        """Half the whitened sum of squares of a residual."""
        w = self.columns(residual)
        return 0.5 * float(self.product(w, w))


#: Sampling of the forward runs, mm; coarser where the whole test would need more samples.
STEP, MOST_SAMPLES = 1.0, 8000
#: Prior standard deviations of the placement: turn (rad), shift (mm), the scanner's common
#: scale, its scale difference x - y, and its skew (rad).  A flatbed scanner is good to
#: 0.1..0.3 mm over A4 (judgement on published scanner tests).
TURN, SHIFT, COMMON, DIFFERENCE, SKEW = math.radians(3.0), 10.0, 1.0e-3, 4.0e-4, 3.0e-4
#: Unknowns of the placement, the last of every vector of unknowns.
PLACE = 6


@dataclass(frozen=True, eq=False)
class Problem:
    """A measured piece made ready for fitting.

    Parameters
    ----------
    piece : Piece
        The measured piece.
    nominal : Machine
        The machine as described.
    forward : Forward
        The planned test.
    matched : Matched
        Points matched to strokes.
    cells : Cells
        Their grouping.
    noise : Noise
        Noise of the cells.
    shared : ndarray, shape (m, k)
        Shared discrepancy over the cells at one prior standard deviation, mm.
    weight : ndarray, shape (m,)
        Weight of each cell, 1 for a good one, less for one that stands off (robust loss).
    origin : ndarray, shape (6,)
        Placement about which the unknown placement is taken.
    scatter : tuple of Scatter
        Healthy scatter.
    """

    piece: Piece
    nominal: Machine
    forward: Forward
    matched: Matched
    cells: Cells
    noise: Noise
    shared: np.ndarray
    weight: np.ndarray
    origin: np.ndarray
    scatter: tuple[Scatter, ...] = HEALTHY_SCATTER

    def machine(self, kinds: Sequence[FaultKind], u: np.ndarray) -> Machine:
        """The machine at the unknowns u."""
        changes: dict[str, float] = {}
        for scatter, number in zip(self.scatter, u, strict=False):
            changes.update(scatter.changes(self.nominal, float(number)))
        machine = self.nominal.set_many(changes)
        first = len(self.scatter)
        for kind in kinds:
            last = first + len(kind.quantities)
            machine = kind.apply(machine, values_of(kind, u[first:last]))
            first = last
        return machine

    def placement(self, u: np.ndarray) -> np.ndarray:
        """The placement at the unknowns u (their last six)."""
        v = u[-PLACE:]
        return np.array(
            [
                self.origin[0] + TURN * v[0],
                self.origin[1] + SHIFT * v[1],
                self.origin[2] + SHIFT * v[2],
                COMMON * v[3] + 0.5 * DIFFERENCE * v[4],
                COMMON * v[3] - 0.5 * DIFFERENCE * v[4],
                SKEW * v[5],
            ]
        )

    @functools.cached_property
    def metric(self) -> Metric:
        """Whitening of columns over the cells, the shared discrepancy integrated out."""
        return Metric.of(self)

    def start(self, kinds: Sequence[FaultKind]) -> np.ndarray:
        """Unknowns at the middle of their priors, the piece placed by its rings."""
        return np.zeros(len(self.scatter) + sum(len(k.quantities) for k in kinds) + PLACE)


def values_of(kind: FaultKind, u: np.ndarray) -> list[float]:
    """Values of a fault's quantities at standard normal numbers."""
    return [q.value(float(v)) for q, v in zip(kind.quantities, u, strict=True)]


def prepare(piece: Piece, nominal: Machine) -> Problem:
    """Make a measured piece ready for fitting.

    Parameters
    ----------
    piece : Piece
        The measured piece.
    nominal : Machine
        The machine as described.

    Returns
    -------
    Problem
        With first guesses of the noise; `learn_noise` improves them.

    Raises
    ------
    ValueError
        If the test leaves the travel of this machine, or the piece shows what it does not draw.
    """
    check_travel(nominal, np.concatenate([s.xy for s in piece.test.strokes(10.0)]))
    offset = np.array([nominal.head.along, nominal.head.beyond])
    forward = Forward.of(piece.test, STEP, offset)
    if len(forward.motion.xy) > MOST_SAMPLES:
        step = min(2.0, STEP * len(forward.motion.xy) / MOST_SAMPLES)
        forward = Forward.of(piece.test, step, offset)
    pivot = pivot_of(piece.test) + offset
    origin = first_placement(piece, pivot, offset)
    matched = match(piece, forward, origin)
    lines = forward.lines(forward.run(nominal))
    residual = matched.residuals(lines, origin)
    bad = outliers(residual, matched.group)
    cells = make_cells(_along(matched, origin), matched.group, bad)
    spread = residual - cells.mean(residual)[np.maximum(cells.owner, 0)]
    inside = (cells.owner >= 0) & (cells.count[np.maximum(cells.owner, 0)] > 1)
    point = 1.4826 * float(np.median(np.abs(spread[inside]))) * 1.3 if inside.sum() > 20 else 0.012
    return Problem(
        piece=piece,
        nominal=nominal,
        forward=forward,
        matched=matched,
        cells=cells,
        noise=Noise(point=max(point, 1e-3)),
        shared=shared_discrepancy(nominal, matched, cells, origin),
        weight=np.ones(cells.count.size),
        origin=origin,
    )


def _along(matched: Matched, placement: np.ndarray) -> np.ndarray:
    """Distance of each point along its line, mm; the sides of a square are kept apart."""
    about = matched.about(placement)
    size = matched.size[matched.group]
    square = matched.square[matched.group]
    x, y = about[:, 0], about[:, 1]
    side, along = sides_of(x, y)
    arc = (np.arctan2(y, x) + np.pi) * size
    return np.where(square, side * 4.0 * size + along + 2.0 * size, arc)


def sides_of(x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Side of a square (0 right, counter-clockwise) and place along it."""
    across = np.abs(x) >= np.abs(y)
    side = np.where(across, np.where(x > 0, 0, 2), np.where(y > 0, 1, 3))
    along = np.choose(side, [y, -x, -y, x])
    return side, along


def outward_normals(matched: Matched, about: np.ndarray) -> np.ndarray:
    """Outward normals of the commanded lines at points about their centres, shape (n, 2)."""
    side, _ = sides_of(about[:, 0], about[:, 1])
    flat = np.array([[1.0, 0.0], [0.0, 1.0], [-1.0, 0.0], [0.0, -1.0]])[side]
    round_ = about / np.maximum(np.hypot(*about.T), 1e-9)[:, None]
    return np.where(matched.square[matched.group][:, None], flat, round_)


def shared_discrepancy(
    machine: Machine, matched: Matched, cells: Cells, placement: np.ndarray
) -> np.ndarray:
    """Basis of the shared discrepancy over the cells."""
    about = matched.about(placement)
    sense = matched.sense[matched.group]
    normal = outward_normals(matched, about)
    square = matched.square[matched.group][:, None]
    along = np.column_stack([-normal[:, 1], normal[:, 0]]) * sense[:, None]
    moving = np.where(square, along + normal, np.sign(along))  # a side is reached moving outward
    place = about + matched.centre[matched.group]
    parts = [
        np.column_stack([cells.mean(v[:, i]) for i in (0, 1)]) for v in (place, normal, moving)
    ]
    return basis(machine, *parts)
