"""Circular tests of two linear axes in the manner of ISO 230-4.

Symbols of ISO 230-4:1996 and 2005, clause 3 (from memory): G circular deviation of one path, G(b)
of the clockwise and counter-clockwise paths together, H circular hysteresis, F radial deviation
from the nominal path, D mean bi-directional radial deviation.  G and H are shape
only; F and D need a measurement whose scale is true.  G and G(b) are both the least radial distance
of two concentric circles (minimum zone), so neither G can exceed G(b); H, F and D are seen from the
least-squares centre.  Lengths in mm.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from gantrysim.metrology.roundness import (
    ReferenceCircle,
    checked_points,
    least_squares_circle,
    minimum_zone_circle,
)
from gantrysim.records.arrays import Array
from gantrysim.records.checks import positive
from gantrysim.records.doors import checked
from gantrysim.records.table import fields_of


@checked
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


@checked
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
        """Circular deviation, mm: least radial distance of two concentric circles round the path.

        ISO 230-4:2005 clause 3 (from memory).  Noise only makes it larger
        (`gantrysim.metrology.peaks` takes that off).
        """
        return self.minimum_zone.RONt

    @property
    def G_least_squares(self) -> float:
        """The same about the least-squares centre, mm: no smaller than G, and F_max - F_min."""
        return self.least_squares.RONt

    @property
    def F_max(self) -> float:
        """Largest radial deviation from the nominal circle about the LS centre, mm, outward +.

        ISO 230-4:2005 clause 3, radial deviation F (from memory).  Noise only makes it larger.
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
        names = "nominal_radius_mm G_mm G_least_squares_mm F_max_mm F_min_mm D_mm"
        gap = list(self.gap.vector) if self.gap else None
        return fields_of(self, names) | {"gap_mm": gap}

    def __repr__(self) -> str:
        gap = f", gap {self.gap.length * 1e3:.1f} µm" if self.gap else ""
        return (
            f"CircularDeviation(radius {self.nominal_radius:g} mm: G {self.G * 1e3:.1f}, "
            f"F {self.F_min * 1e3:+.1f} to {self.F_max * 1e3:+.1f}, D {self.D * 1e3:+.1f} µm{gap})"
        )


@checked
@dataclass(frozen=True)
class BothWays:
    """What the two senses of travel round one circle say together.

    Parameters
    ----------
    nominal_radius : float
        Commanded radius, mm.
    circle : ReferenceCircle
        LSCI of all paths of both senses together.
    ccw, cw : ReferenceCircle
        LSCI of the paths of one sense.
    zone_ccw, zone_cw : ReferenceCircle
        MZCI of the paths of one sense.
    outer, inner : float
        Radii of the least zone round all paths of both senses, mm.
    apart : float
        Mean path counter-clockwise less mean path clockwise where they lie furthest apart, along
        the radius about the centre of `circle`, mm, signed.
    apart_deg : float
        Polar angle of that place, degrees, 0 to 360.
    """

    nominal_radius: float
    circle: ReferenceCircle
    ccw: ReferenceCircle
    cw: ReferenceCircle
    zone_ccw: ReferenceCircle
    zone_cw: ReferenceCircle
    outer: float
    inner: float
    apart: float
    apart_deg: float

    @property
    def G_ccw(self) -> float:
        """Circular deviation G of the counter-clockwise paths, mm; see `CircularDeviation.G`."""
        return self.zone_ccw.RONt

    @property
    def G_cw(self) -> float:
        """Circular deviation G of the clockwise paths, mm; see `CircularDeviation.G`."""
        return self.zone_cw.RONt

    @property
    def G_b(self) -> float:
        """Bi-directional circular deviation G(b), mm.

        Radial distance of the two concentric circles, the least apart, that hold the paths of both
        senses.  ISO 230-4:2005 clause 3 (from memory).  Noise only makes it larger.
        """
        return self.outer - self.inner

    @property
    def H(self) -> float:
        """Circular hysteresis, mm: most by which the two senses differ at one polar angle.

        About the LS centre of both.  ISO 230-4:1996 clause 3 (from memory); later editions leave it
        out.  Noise only makes it larger.
        """
        return abs(self.apart)

    @property
    def D(self) -> float:
        """Mean bi-directional radial deviation, mm: LS radius of all paths less the nominal.

        ISO 230-4:2005 clause 3 (from memory).  Noise does not bias it.
        """
        return self.circle.radius - self.nominal_radius

    @property
    def F_max(self) -> float:
        """Largest radial deviation of either sense from the nominal circle, mm, outward positive.

        About the LS centre of both.  ISO 230-4:2005 clause 3, radial deviation F (from memory).
        Noise only makes it larger.
        """
        return self.circle.outer - self.nominal_radius

    @property
    def F_min(self) -> float:
        """Smallest (most inward) radial deviation of either sense, mm; see `F_max`."""
        return self.circle.inner - self.nominal_radius

    def to_dict(self) -> dict[str, Any]:
        """Plain numbers, mm and degrees."""
        return {
            **fields_of(self, "nominal_radius_mm G_ccw_mm G_cw_mm"),
            "G_least_squares_ccw_mm": self.ccw.RONt,
            "G_least_squares_cw_mm": self.cw.RONt,
            **fields_of(self, "G_b_mm H_mm"),
            "H_at_deg": self.apart_deg,
            **fields_of(self, "D_mm F_max_mm F_min_mm"),
        }

    def __repr__(self) -> str:
        um = 1e3
        return (
            f"BothWays(radius {self.nominal_radius:g} mm: G ccw {self.G_ccw * um:.1f}, "
            f"cw {self.G_cw * um:.1f}, G(b) {self.G_b * um:.1f}, H {self.H * um:.1f} at "
            f"{self.apart_deg:.0f}°, D {self.D * um:+.1f}, "
            f"F {self.F_min * um:+.1f} to {self.F_max * um:+.1f} µm)"
        )


@checked
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


@checked
def both_ways(
    ccw: ArrayLike | Sequence[ArrayLike], cw: ArrayLike | Sequence[ArrayLike], nominal_radius: float
) -> BothWays:
    """Compare the counter-clockwise and the clockwise paths of one commanded circle.

    Parameters
    ----------
    ccw, cw : array_like, shape (n, 2), or a sequence of such
        Full turns of the same circle in one frame, mm, any order; several passes as a sequence.
    nominal_radius : float
        Commanded radius, mm.

    Returns
    -------
    BothWays
        G(b), D and F hold every pass; H compares the mean of the passes of one sense with the mean
        of those of the other.

    Raises
    ------
    ValueError
        If the radius is not above zero or a path makes no circle.
    """
    one, other = _passes(ccw), _passes(cw)
    both = np.concatenate((*one, *other))
    circle = least_squares_circle(both)
    zone = minimum_zone_circle(both)
    ccw_paths, cw_paths = np.concatenate(one), np.concatenate(other)
    at = np.unique(np.concatenate([circle.angles(path) for path in (*one, *other)]))
    apart = _mean_path(circle, one, at) - _mean_path(circle, other, at)
    worst = int(np.argmax(np.abs(apart)))
    means = (least_squares_circle(ccw_paths), least_squares_circle(cw_paths))
    zones = (minimum_zone_circle(ccw_paths), minimum_zone_circle(cw_paths))
    furthest = (float(apart[worst]), float(np.degrees(at[worst]) % 360.0))
    radius = positive(nominal_radius, "nominal_radius")
    return BothWays(radius, circle, *means, *zones, zone.outer, zone.inner, *furthest)


def _passes(paths: ArrayLike | Sequence[ArrayLike]) -> list[Array]:
    """The passes of one sense; one path alone may stand for itself."""
    first: Any = paths[0] if isinstance(paths, list | tuple) and len(paths) else None
    several = first is not None and np.ndim(first) == 2
    each: Any = paths if several else [paths]
    return [checked_points(path, 4) for path in each]


def _mean_path(circle: ReferenceCircle, paths: Sequence[Array], at: Array) -> Array:
    """Mean radial deviation of some passes at angles (radians)."""
    each = [interpolated_round(at, circle.angles(p), circle.deviations(p)) for p in paths]
    return np.asarray(np.mean(each, axis=0))


def interpolated_round(angle: Array, known: Array, values: Array) -> Array:
    """Values at angles, linear between known angles, closed after one turn; radians."""
    return np.interp(angle, known, values, period=2 * np.pi)
