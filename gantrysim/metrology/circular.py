"""Circular tests of two linear axes in the manner of ISO 230-4.

Symbols of ISO 230-4:1996 and 2005, clause 3 (from memory): G circular deviation of one path, G(b)
of the clockwise and counter-clockwise paths together, H circular hysteresis, F radial deviation
from the nominal path, D deviation of the mean diameter, here of the radius.  G and H are shape
only; F and D need a measurement whose scale is true.  Lengths in mm.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from gantrysim.inputs import positive
from gantrysim.metrology.roundness import (
    ReferenceCircle,
    checked_points,
    least_squares_circle,
    minimum_zone_circle,
)

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Gap:
    """Where a closed line fails to close.

    Parameters
    ----------
    vector : (float, float)
        From the first drawn point to the last, mm.
    """

    vector: tuple[float, float]

    @property
    def length(self) -> float:
        """Distance between the first and the last drawn point, mm."""
        return float(np.hypot(*self.vector))


@dataclass(frozen=True)
class CircularDeviation:
    """What one circular path says of two axes.

    Parameters
    ----------
    nominal_radius : float
        Commanded radius, mm.
    least_squares, minimum_zone : ReferenceCircle
        LSCI and MZCI of the path.
    gap : Gap or None
        Start/stop gap; None where the order of the points is not known.
    """

    nominal_radius: float
    least_squares: ReferenceCircle
    minimum_zone: ReferenceCircle
    gap: Gap | None

    @property
    def G(self) -> float:
        """Circular deviation, mm: radial distance of two concentric circles round the path.

        About the least-squares centre; `minimum_zone.RONt` is the least such distance.
        ISO 230-4:2005 clause 3 (from memory).
        """
        return self.least_squares.RONt

    @property
    def F_max(self) -> float:
        """Largest radial deviation from the nominal circle about the LS centre, mm, outward +.

        ISO 230-4:2005 clause 3, radial deviation F (from memory).
        """
        return self.least_squares.outer - self.nominal_radius

    @property
    def F_min(self) -> float:
        """Smallest (most inward) radial deviation from the nominal circle, mm; see `F_max`."""
        return self.least_squares.inner - self.nominal_radius

    @property
    def D(self) -> float:
        """Radius of the least-squares circle minus the nominal radius, mm.

        ISO 230-4:1996 clause 3 (from memory) takes one circle through both senses of travel.
        """
        return self.least_squares.radius - self.nominal_radius

    def to_dict(self) -> dict[str, Any]:
        """Plain numbers, mm."""
        return {
            "nominal_radius_mm": self.nominal_radius,
            "G_mm": self.G,
            "G_minimum_zone_mm": self.minimum_zone.RONt,
            "F_max_mm": self.F_max,
            "F_min_mm": self.F_min,
            "D_mm": self.D,
            "gap_mm": list(self.gap.vector) if self.gap else None,
        }

    def __repr__(self) -> str:
        gap = f", gap {self.gap.length * 1e3:.1f} µm" if self.gap else ""
        return (
            f"CircularDeviation(radius {self.nominal_radius:g} mm: G {self.G * 1e3:.1f}, "
            f"F {self.F_min * 1e3:+.1f} to {self.F_max * 1e3:+.1f}, D {self.D * 1e3:+.1f} µm{gap})"
        )


@dataclass(frozen=True)
class BothWays:
    """What the two senses of travel round one circle say together.

    Parameters
    ----------
    G_b : float
        Least-zone width of both paths together, mm (bi-directional circular deviation).
    H : float
        Largest radial distance of the two paths at one polar angle about the least-squares centre
        of both, mm (circular hysteresis).
    D : float
        Radius of the least-squares circle of both paths minus the nominal radius, mm.
    """

    G_b: float
    H: float
    D: float


def circular_deviation(
    xy: ArrayLike, nominal_radius: float, *, in_drawing_order: bool
) -> CircularDeviation:
    """Evaluate one circular path.

    Parameters
    ----------
    xy : array_like, shape (n, 2)
        Points of one full turn in one sense, mm.
    nominal_radius : float
        Commanded radius, mm.
    in_drawing_order : bool
        Whether the first row is where drawing began and the last where it ended.

    Raises
    ------
    ValueError
        If the radius is not above zero or the points make no circle.
    """
    points = checked_points(xy, 4)
    return CircularDeviation(
        positive(nominal_radius, "nominal_radius"),
        least_squares_circle(points),
        minimum_zone_circle(points),
        closing_gap(points) if in_drawing_order else None,
    )


def closing_gap(xy: Array) -> Gap:
    """Gap from the first to the last row of a line in drawing order, shape (n, 2), mm."""
    dx, dy = (xy[-1] - xy[0]).tolist()
    return Gap((dx, dy))


def both_ways(ccw: ArrayLike, cw: ArrayLike, nominal_radius: float) -> BothWays:
    """Compare the counter-clockwise and the clockwise path of one commanded circle.

    Parameters
    ----------
    ccw, cw : array_like, shape (n, 2)
        Full turns of the same circle in one frame, mm, any order.
    nominal_radius : float
        Commanded radius, mm.

    Raises
    ------
    ValueError
        If the radius is not above zero or a path makes no circle.
    """
    one, other = checked_points(ccw, 4), checked_points(cw, 4)
    both = np.concatenate((one, other))
    circle = least_squares_circle(both)
    apart = circle.deviations(one) - interpolated_round(
        circle.angles(one), circle.angles(other), circle.deviations(other)
    )
    return BothWays(
        minimum_zone_circle(both).RONt,
        float(np.abs(apart).max()),
        circle.radius - positive(nominal_radius, "nominal_radius"),
    )


def interpolated_round(angle: Array, known: Array, values: Array) -> Array:
    """Values at angles, linear between known angles, closed after one turn; radians."""
    return np.interp(angle, known, values, period=2 * np.pi)
