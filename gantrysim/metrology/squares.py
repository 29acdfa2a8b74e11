"""Geometry of a drawn square: sides, straightness, squareness, widths and diagonals.

Sides are named as seen in the square's own frame: bottom, right, top, left.  The frame's x axis is
the mean direction of the bottom and top sides; it is found within 45 degrees of the x axis of the
points.  Squareness follows ISO 230-1:2012 (from memory): the angle between two reference straight
lines minus 90 degrees, the reference being the least-squares line of each side.  Lengths in mm.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.spatial import ConvexHull

from gantrysim.metrology.outliers import near_neighbours
from gantrysim.metrology.roundness import checked_points
from gantrysim.records.arrays import Array
from gantrysim.records.checks import finite_number, positive
from gantrysim.records.doors import Unbounded, checked
from gantrysim.records.table import fields_of

SIDES = ("bottom", "right", "top", "left")
CORNERS = ("lower_right", "upper_right", "upper_left", "lower_left")
LEAST_ON_SIDE = 3
SIZE_TOLERANCE = 0.25  # of the half side; points further off belong to another square
END_MARGIN = 0.05


@checked
@dataclass(frozen=True)
class Side:
    """One side of a square and its reference line.

    Parameters
    ----------
    name : str
        One of `SIDES`.
    n_points, n_rejected : int
        Points used, and points left out as stray.
    middle : (float, float)
        Centroid of the points, through which the line runs, mm.
    direction : (float, float)
        Unit vector of the line, counter-clockwise round the square.
    straightness : float
        Least distance of two parallel lines that hold the points, mm.
    straightness_ls : float
        Range of the distances from the least-squares line, mm.
    straightness_ends : float
        Range of the distances from the line through the first and the last point along the side,
        mm.

    Notes
    -----
    All three are straightness deviations of ISO 230-1:2012, clause 3 (from memory), about the
    minimum zone, the mean (least-squares) and the end-point reference line; the first is never the
    larger.  Noise only makes them larger (`gantrysim.metrology.peaks` takes that off), the
    end-point one most, as it hangs on two points.
    """

    name: str
    n_points: int
    n_rejected: int
    middle: tuple[float, float]
    direction: tuple[float, float]
    straightness: float
    straightness_ls: float
    straightness_ends: float


@checked
@dataclass(frozen=True)
class SquareGeometry:
    """What the four sides of a drawn square say.

    Parameters
    ----------
    half_side : float
        Commanded half side, mm.
    sides : tuple of Side
        Bottom, right, top, left.
    corners : tuple of (float, float)
        Where neighbouring reference lines meet, in the order of `CORNERS`, mm.
    """

    half_side: float
    sides: tuple[Side, ...]
    corners: tuple[tuple[float, float], ...]

    @property
    def n_points(self) -> int:
        """Points used on all sides."""
        return sum(side.n_points for side in self.sides)

    @property
    def n_rejected(self) -> int:
        """Points left out as stray."""
        return sum(side.n_rejected for side in self.sides)

    @property
    def centre(self) -> tuple[float, float]:
        """Mean of the four corners, mm."""
        x, y = np.mean(self.corners, axis=0).tolist()
        return x, y

    @property
    def rotation_deg(self) -> float:
        """Direction of the square's x axis (mean of bottom and top) in the frame of the points."""
        (ux, uy), (vx, vy) = self.sides[0].direction, self.sides[2].direction
        return math.degrees(math.atan2(uy - vy, ux - vx))

    @property
    def width(self) -> float:
        """Distance between the mid-points of the left and right sides, mm."""
        right, _, left, _ = self.mid_sides
        return float(np.hypot(*(right - left)))

    @property
    def height(self) -> float:
        """Distance between the mid-points of the bottom and top sides, mm."""
        _, top, _, bottom = self.mid_sides
        return float(np.hypot(*(top - bottom)))

    @property
    def diagonal_up(self) -> float:
        """Distance from the lower left to the upper right corner, mm."""
        return float(math.dist(self.corners[3], self.corners[1]))

    @property
    def diagonal_down(self) -> float:
        """Distance from the upper left to the lower right corner, mm."""
        return float(math.dist(self.corners[2], self.corners[0]))

    @property
    def corner_squareness_mrad(self) -> dict[str, float]:
        """Inside angle minus 90 degrees at each corner, mrad: positive where the corner is obtuse.

        ISO 230-1:2012, squareness of two reference straight lines (from memory).
        """
        directions = [complex(*side.direction) for side in self.sides]
        turns = [
            math.atan2((b / a).imag, (b / a).real)
            for a, b in pairwise((*directions, directions[0]))
        ]
        return {name: 1e3 * (math.pi / 2 - turn) for name, turn in zip(CORNERS, turns, strict=True)}

    @property
    def squareness_mrad(self) -> float:
        """Mean squareness of the four corners, mrad: positive where the y axis leans towards +x.

        Then the upper right and lower left corners are acute and the rising diagonal is longer.
        """
        lower_right, upper_right, upper_left, lower_left = self.corner_squareness_mrad.values()
        return (lower_right + upper_left - upper_right - lower_left) / 4

    @property
    def diagonal_squareness_mrad(self) -> float:
        """Squareness from the diagonals, mrad, same sign: sin a = (d1^2 - d2^2) / (4 w h).

        Exact for a sheared rectangle; the check that a caliper can make.
        """
        sine = (self.diagonal_up**2 - self.diagonal_down**2) / (4 * self.width * self.height)
        return 1e3 * math.asin(sine)

    @property
    def straightness(self) -> float:
        """Largest minimum-zone straightness of the four sides, mm."""
        return max(side.straightness for side in self.sides)

    @property
    def straightness_ls(self) -> float:
        """Largest straightness of the four sides about their least-squares lines, mm."""
        return max(side.straightness_ls for side in self.sides)

    @property
    def straightness_ends(self) -> float:
        """Largest straightness of the four sides about their end points, mm."""
        return max(side.straightness_ends for side in self.sides)

    @property
    def mid_sides(self) -> list[Array]:
        """Mid-points of the right, top, left and bottom sides between their corners, mm."""
        corners = np.array(self.corners)
        return list((corners + np.roll(corners, -1, axis=0)) / 2)

    def to_dict(self) -> dict[str, Any]:
        """Plain numbers, mm, mrad and degrees."""
        sizes = "half_side_mm centre_mm rotation_deg width_mm height_mm diagonal_up_mm"
        angles = "diagonal_down_mm squareness_mrad corner_squareness_mrad"
        content = fields_of(self, f"{sizes} {angles}")
        for name in ("straightness", "straightness_ls", "straightness_ends"):
            content[f"{name}_mm"] = {side.name: getattr(side, name) for side in self.sides}
        return content

    def __repr__(self) -> str:
        return (
            f"SquareGeometry({self.width:.3f} x {self.height:.3f} mm, "
            f"diagonals {self.diagonal_up:.3f} and {self.diagonal_down:.3f} mm, "
            f"squareness {self.squareness_mrad:+.3f} mrad)"
        )


@checked
def square_geometry(
    xy: ArrayLike,
    half_side: float,
    *,
    end_margin: float = END_MARGIN,
    outlier_sigmas: Unbounded | None = None,
) -> SquareGeometry:
    """Fit the four sides of a drawn square.

    Parameters
    ----------
    xy : array_like, shape (n, 2)
        Points in any order, mm.
    half_side : float
        Commanded half side, mm.
    end_margin : float
        Part of the half side left out at both ends of every side (0 to 0.5), where it is not clear
        to which side a point belongs and where corners are rounded.
    outlier_sigmas : float, optional
        Leave out points further than this many robust standard deviations from their neighbours
        (`gantrysim.metrology.outliers`); None keeps all.

    Returns
    -------
    SquareGeometry

    Raises
    ------
    ValueError
        If the points are no square of about that size, or a side has fewer than three points.
    """
    points = checked_points(xy, 4 * LEAST_ON_SIDE)
    half = positive(half_side, "half_side")
    margin = finite_number(end_margin, "end_margin")
    if not 0 <= margin <= 0.5:
        raise ValueError(f"end_margin must be 0 to 0.5 of the half side, found {margin:g}.")
    centre, angle = _rough_frame(points, half)
    for _ in range(6):
        reach = half * (1 - margin)
        kept, rejected = _points_of_sides(points, centre, angle, reach, outlier_sigmas)
        lines = [_total_least_squares(side, angle + k * np.pi / 2) for k, side in enumerate(kept)]
        corners = [_meeting(a, b) for a, b in pairwise((*lines, lines[0]))]
        turn = float(np.arctan2(*(lines[0][1] - lines[2][1])[::-1]))
        moved = np.mean(corners, axis=0)
        settled = abs(turn - angle) < 1e-12 and np.hypot(*(moved - centre)) < 1e-9 * half
        centre, angle = moved, (turn + np.pi / 4) % (np.pi / 2) - np.pi / 4
        if settled:
            break
    sides = tuple(
        _side(name, side, line, lost)
        for name, side, line, lost in zip(SIDES, kept, lines, rejected, strict=True)
    )
    return SquareGeometry(half, sides, tuple((float(x), float(y)) for x, y in corners))


def outline_position(xy: Array, geometry: SquareGeometry) -> tuple[Array, Array, NDArray[np.bool_]]:
    """Where points lie along and across a fitted square.

    Returns along: counter-clockwise way round the square from its lower left corner, mm, 0 to 8
    half sides; shape (n,).  Returns across: distance from the reference line of the nearest side,
    mm, outward positive; shape (n,).  Returns clear: false within the end margin of a corner, where
    the side is in doubt; shape (n,).
    """
    half = geometry.half_side
    angle = math.radians(geometry.rotation_deg)
    side, t = _side_and_position(xy, np.array(geometry.centre), angle)
    middles = np.array([s.middle for s in geometry.sides])[side]
    ux, uy = np.array([s.direction for s in geometry.sides])[side].T
    dx, dy = (xy - middles).T
    along = side * 2 * half + np.clip(t + half, 0.0, 2 * half)
    across: Array = np.asarray(dx * uy - dy * ux)
    return np.asarray(along), across, np.abs(t) <= half * (1 - END_MARGIN)


def _rough_frame(points: Array, half: float) -> tuple[Array, float]:
    """Middle and rotation (radians, within 45 degrees) of a square outline, for a start."""
    middle = (points.min(axis=0) + points.max(axis=0)) / 2
    angles = np.radians(np.arange(-45.0, 45.0, 3.0))
    c, s = np.cos(angles)[:, None], np.sin(angles)[:, None]
    dx, dy = (points - middle).T
    reach = np.maximum(np.abs(c * dx + s * dy), np.abs(c * dy - s * dx))
    spread = np.mean(np.abs(reach - np.median(reach, axis=1)[:, None]), axis=1)
    best = int(np.argmin(spread))
    size = float(np.median(reach[best]))
    if abs(size / half - 1) > SIZE_TOLERANCE:
        raise ValueError(
            f"the points lie about {size:.3g} mm from their middle, but a square of half side "
            f"{half:g} mm is expected."
        )
    return middle, float(angles[best])


def _side_and_position(
    points: Array, centre: Array, angle: float
) -> tuple[NDArray[np.int64], Array]:
    """Side number of every point, and its position along that side from the middle, mm."""
    c, s = math.cos(angle), math.sin(angle)
    dx, dy = (points - centre).T
    x, y = c * dx + s * dy, c * dy - s * dx
    upright = np.abs(x) > np.abs(y)
    side = np.where(upright, np.where(x > 0, 1, 3), np.where(y > 0, 2, 0))
    position = np.choose(side, (x, y, -x, -y))
    return side, position


def _points_of_sides(
    points: Array, centre: Array, angle: float, reach: float, sigmas: float | None
) -> tuple[list[Array], list[int]]:
    """Points of each side without its ends and without stray points, and how many were stray."""
    side, position = _side_and_position(points, centre, angle)
    kept, rejected = [], []
    for k, name in enumerate(SIDES):
        own = (side == k) & (np.abs(position) <= reach)
        if own.sum() < LEAST_ON_SIDE:
            raise ValueError(
                f"the {name} side has {own.sum()} points clear of its corners; "
                f"at least {LEAST_ON_SIDE} are needed."
            )
        outward = angle + (k - 1) * math.pi / 2
        across = points[own] @ (math.cos(outward), math.sin(outward))
        keep = near_neighbours(position[own], across, sigmas=sigmas, closed=False)
        kept.append(points[own][keep])
        rejected.append(int((~keep).sum()))
    return kept, rejected


def _total_least_squares(points: Array, angle: float) -> tuple[Array, Array]:
    """Centroid and unit direction (the sense nearest to `angle`) of the line of least squares."""
    middle = points.mean(axis=0)
    _, _, axes = np.linalg.svd(points - middle, full_matrices=False)
    direction: Array = axes[0]
    if direction @ (math.cos(angle), math.sin(angle)) < 0:
        direction = -direction
    return middle, direction


def _meeting(one: tuple[Array, Array], other: tuple[Array, Array]) -> Array:
    """Where two lines meet."""
    (p, u), (q, v) = one, other
    along = np.linalg.solve(np.column_stack((u, -v)), q - p)
    point: Array = p + along[0] * u
    return point


def _side(name: str, points: Array, line: tuple[Array, Array], rejected: int) -> Side:
    middle, direction = line
    arm = points - middle
    along = arm @ direction
    across = arm @ (direction[1], -direction[0])
    mx, my = middle.tolist()
    ux, uy = direction.tolist()
    straightness = (_least_zone(along, across), float(np.ptp(across)), _from_ends(along, across))
    return Side(name, len(points), rejected, (mx, my), (ux, uy), *straightness)


def _from_ends(along: Array, across: Array) -> float:
    """Range of distances from the line through the outermost two points along a side, mm."""
    first, last = int(np.argmin(along)), int(np.argmax(along))
    slope = (across[last] - across[first]) / (along[last] - along[first])
    return float(np.ptp(across - slope * along) / np.hypot(1.0, slope))


def _least_zone(along: Array, across: Array) -> float:
    """Least distance of two parallel lines, nearly along the first axis, that hold all points."""
    # one of the two lines holds an edge of the convex hull, so its edges are tried in turn
    height, length = float(np.ptp(across)), float(np.ptp(along))
    if height <= 1e-12 * length:
        return height
    scaled = np.column_stack((along / length, across / height))
    hull = ConvexHull(scaled, qhull_options="QJ Pp" if len(scaled) < 4 else "").vertices
    t, d = along[hull], across[hull]
    run, rise = np.roll(t, -1) - t, np.roll(d, -1) - d
    steep = np.abs(run) < 1e-9 * length
    slope = np.where(steep, 0.0, rise / np.where(steep, 1.0, run))
    off = d - slope[:, None] * t
    return float(np.min(np.ptp(off, axis=1) / np.hypot(1.0, slope)))
