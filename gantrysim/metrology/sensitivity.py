"""How measures of a ring answer to errors of its points, and what those errors are together.

Every row of a sensitivity is the derivative of a measure by the error of each point across the line
(mm, outward positive), so a standard uncertainty is the square root of c' C c (JCGM 100:2008,
5.2.2, from memory).  To first order in the error over the size of the ring.  Lengths in mm.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gantrysim.inference.noise import Noise
from gantrysim.metrology.harmonics import waves
from gantrysim.metrology.roundness import ReferenceCircle
from gantrysim.metrology.sizes import before_reversal
from gantrysim.metrology.squares import SquareGeometry, outline_position
from gantrysim.records.arrays import Array


@dataclass(frozen=True, eq=False)
class PointErrors:
    """Errors of the points of one ring: correlated noise, and shapes that the reader adds.

    Parameters
    ----------
    noise : Noise
        Levels and correlation.
    along : ndarray, shape (n,)
        Position of each point along the ring, mm.
    turn : float
        Length of the ring, mm.
    shapes : ndarray, shape (3, n)
        What the reader adds across the line, mm, for each of three independent standard normal
        numbers: its scale, scale difference and skew where these are not correlated.
    """

    noise: Noise
    along: Array
    turn: float
    shapes: Array

    def covariance(self) -> Array:
        """Covariance of the errors, mm², shape (n, n)."""
        return np.asarray(
            self.noise.covariance(self.along, self.turn) + self.shapes.T @ self.shapes
        )

    def draws(self, trials: int, rng: np.random.Generator) -> Array:
        """Errors drawn, mm, shape (trials, n)."""
        drawn = self.noise.draws(self.along, trials, rng, self.turn)
        return np.asarray(drawn + rng.standard_normal((trials, len(self.shapes))) @ self.shapes)


def reader_shapes(angle: Array, radius: float) -> Array:
    """What scale, scale difference and skew of 1 add across a circle, mm, shape (3, n).

    `angle` are polar angles (radians) in the axes of the reader, `radius` is in mm.
    """
    return np.asarray(
        radius * np.stack((np.ones(len(angle)), 0.5 * np.cos(2 * angle), 0.5 * np.sin(2 * angle)))
    )


def errors_of_circle(noise: Noise, circle: ReferenceCircle, angle: Array) -> PointErrors:
    """Errors of points of a circle at polar angles (radians); the reader's axes are those of 0°."""
    radius = circle.radius
    shapes = np.asarray(noise.reader_root.T @ reader_shapes(angle, radius))
    return PointErrors(noise, radius * angle, 2 * np.pi * radius, shapes)


def errors_of_square(noise: Noise, square: SquareGeometry, xy: Array) -> PointErrors:
    """Errors of points of a square; the reader's axes are taken along its sides."""
    along, _, _ = outline_position(xy, square)
    side = _side_of(along, square)
    half = square.half_side
    outward = np.where(side % 2 == 1, 1.0, -1.0)  # right and left, bottom and top
    position = along - (2 * side + 1) * half  # along each side from its middle, counter-clockwise
    of_each = np.stack(
        (np.full(len(xy), half), 0.5 * half * outward, np.where(outward > 0, position, 0.0))
    )
    shapes = np.asarray(noise.reader_root.T @ of_each)
    return PointErrors(noise, along, 8 * half, shapes)


def circle_sensitivities(angle: Array) -> Array:
    """Rows for centre x, centre y and radius of the LSCI, shape (3, n)."""
    design = np.column_stack((np.cos(angle), np.sin(angle), np.ones(len(angle))))
    return np.asarray(np.linalg.pinv(design))


def harmonic_sensitivities(angle: Array, highest: int) -> tuple[Array, Array]:
    """Rows for the cosine and the sine of orders 2 to `highest`, each shape (highest - 1, n)."""
    rows = np.linalg.pinv(waves(angle, highest))
    return np.asarray(rows[2 : highest + 1]), np.asarray(rows[highest + 2 :])


def reversal_sensitivity(angle: Array, direction_deg: float, *, ccw: bool) -> Array:
    """Row for `gantrysim.metrology.sizes.reversal_diameter`, shape (n,)."""
    centre_x, centre_y, radius = circle_sensitivities(angle)
    row = 2.0 * radius
    c, s = math.cos(math.radians(direction_deg)), math.sin(math.radians(direction_deg))
    for end, sign in ((0.0, 1.0), (np.pi, -1.0)):
        near, before = before_reversal(angle, direction_deg, end, ccw=ccw)
        forward = np.linalg.pinv(np.column_stack((np.cos(before[near]), np.sin(before[near]))))[0]
        row[near] += forward
        # the deviations carried forward are seen from a centre and radius that move too
        a = angle[near]
        row -= (forward @ np.cos(a)) * centre_x + (forward @ np.sin(a)) * centre_y
        row -= forward.sum() * radius
        # ... and a fitted end is the same place whatever centre it is seen from
        row += sign * (c * centre_x + s * centre_y)
    return row


@dataclass(frozen=True, eq=False)
class SquareSensitivities:
    """Rows for the measures of a square, each shape (n,); zero for points near corners.

    Parameters
    ----------
    width, height, diagonal_up, diagonal_down : ndarray
        mm for each mm.
    squareness_mrad : ndarray
        mrad for each mm.
    centre_x, centre_y : ndarray
        mm for each mm, in the frame of the square.
    side : ndarray of int
        Side of each point, 0 to 3 as in `SIDES`, -1 near corners.
    """

    width: Array
    height: Array
    diagonal_up: Array
    diagonal_down: Array
    squareness_mrad: Array
    centre_x: Array
    centre_y: Array
    side: NDArray[np.int64]


def square_sensitivities(xy: Array, square: SquareGeometry) -> SquareSensitivities:
    """How the least-squares lines of the sides, and what hangs on them, answer to the points."""
    along, _, clear = outline_position(xy, square)
    side = np.where(clear, _side_of(along, square), -1)
    corners = np.array(square.corners)  # lower right, upper right, upper left, lower left
    slope = np.zeros((4, len(xy)))
    at_start, at_end, at_middle = np.zeros((3, 4, len(xy)))
    for k, each in enumerate(square.sides):
        own = side == k
        middle, direction = np.array(each.middle), np.array(each.direction)
        t = (xy[own] - middle) @ direction
        t = t - t.mean()
        lever = t / (t @ t)
        slope[k, own] = lever
        start, end = ((corners[j] - middle) @ direction for j in ((k - 1) % 4, k))
        for rows, place in ((at_start, start), (at_end, end), (at_middle, (start + end) / 2)):
            rows[k, own] = 1.0 / len(t) + place * lever
    bottom, right, top, left = range(4)
    root = math.sqrt(0.5)
    return SquareSensitivities(
        width=at_middle[right] + at_middle[left],
        height=at_middle[top] + at_middle[bottom],
        # corners follow both of their sides; diagonals see them at 45 degrees
        diagonal_up=root * (at_end[right] + at_start[top] + at_end[left] + at_start[bottom]),
        diagonal_down=root * (at_end[top] + at_start[left] + at_end[bottom] + at_start[right]),
        # an outward error that grows along a side turns the side clockwise
        squareness_mrad=500.0 * (slope[right] + slope[left] - slope[bottom] - slope[top]),
        centre_x=(at_middle[right] - at_middle[left]) / 2,
        centre_y=(at_middle[top] - at_middle[bottom]) / 2,
        side=side,
    )


def _side_of(along: Array, square: SquareGeometry) -> NDArray[np.int64]:
    """Side of points by their way round the square, 0 to 3."""
    return np.clip((along / (2 * square.half_side)).astype(np.int64), 0, 3)
