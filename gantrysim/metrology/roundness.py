"""Roundness of a measured outline: the four reference circles and the deviations from them.

Terms of ISO 12181-1:2011, clause 3 (cited from memory): least-squares (LSCI), minimum-zone (MZCI),
minimum circumscribed (MCCI) and maximum inscribed (MICI) reference circle; RONt is the
peak-to-valley, RONp the peak-to-reference, RONv the reference-to-valley and RONq the root mean
square deviation.  Nothing is filtered here (`gantrysim.metrology.filtered` does
that first); every point has the same weight.  Lengths in mm.

Each circle is found exactly and carries its own proof, `ReferenceCircle.contacts`: four points
alternating outer, inner, outer, inner round an MZCI; two opposite points, or three whose triangle
holds the centre, for an MCCI or MICI.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from gantrysim.metrology.contacts import largest_circle_inside, smallest_circle_round
from gantrysim.metrology.zones import FURTHEST, MOST_STEPS, seen_from, zone_from
from gantrysim.pattern.shapes import algebraic_circle
from gantrysim.records.arrays import Array
from gantrysim.records.doors import checked
from gantrysim.records.table import Table, fields_of

FLATTEST = 1e-9  # of the length: a set of points thinner than this is a straight line


@checked
@dataclass(frozen=True)
class ReferenceCircle:
    """A reference circle and how far the points are from it.

    Parameters
    ----------
    kind : str
        "LSCI", "MZCI", "MCCI" or "MICI".
    centre : (float, float)
        mm.
    radius : float
        mm; for the MZCI the mean of its two radii.
    inner, outer : float
        Distance of the nearest and of the furthest point from the centre, mm.
    rms : float
        Root mean square of distance minus radius, mm.
    contacts : tuple of int
        Rows of the points that hold the circle, see the module; empty for the LSCI.
    """

    kind: str
    centre: tuple[float, float]
    radius: float
    inner: float
    outer: float
    rms: float
    contacts: tuple[int, ...] = ()

    @property
    def RONt(self) -> float:
        """Peak-to-valley roundness deviation, mm: outer minus inner radius.

        ISO 12181-1:2011 clause 3, RONt (from memory).  Noise only makes it larger, and more so with
        more points; `gantrysim.metrology.peaks.roundness_interval` takes that off.
        """
        return self.outer - self.inner

    @property
    def RONp(self) -> float:
        """Peak-to-reference deviation RONp, mm; the standard defines it for the LSCI only.

        ISO 12181-1:2011 clause 3 (from memory).  Noise only makes it larger.
        """
        return self.outer - self.radius

    @property
    def RONv(self) -> float:
        """Reference-to-valley deviation RONv, mm; the standard defines it for the LSCI only.

        ISO 12181-1:2011 clause 3 (from memory).  Noise only makes it larger.
        """
        return self.radius - self.inner

    @property
    def RONq(self) -> float:
        """Root mean square deviation RONq, mm; the standard defines it for the LSCI only.

        ISO 12181-1:2011 clause 3 (from memory).  White noise s adds: RONq² grows by s².
        """
        return self.rms

    def deviations(self, xy: ArrayLike) -> Array:
        """Distance from the centre minus radius, mm, shape (n,); outward positive."""
        points = np.asarray(xy, dtype=np.float64)
        deviations: Array = np.hypot(*(points - self.centre).T) - self.radius
        return deviations

    def angles(self, xy: ArrayLike) -> Array:
        """Polar angle of points seen from the centre, radians, shape (n,), -pi to pi."""
        x, y = (np.asarray(xy, dtype=np.float64) - self.centre).T
        angles: Array = np.arctan2(y, x)
        return angles

    def to_dict(self) -> dict[str, Any]:
        """Plain numbers, mm."""
        return fields_of(self, "kind centre_mm radius_mm RONt_mm RONp_mm RONv_mm RONq_mm")

    def __repr__(self) -> str:
        return (
            f"{self.kind}(centre ({self.centre[0]:.4f}, {self.centre[1]:.4f}), "
            f"radius {self.radius:.4f} mm, RONt {self.RONt * 1e3:.2f} µm)"
        )


@checked
@dataclass(frozen=True)
class Roundness:
    """The four reference circles of one outline.

    Parameters
    ----------
    n_points : int
        Number of points.
    lsci, mzci, mcci, mici : ReferenceCircle
        Least-squares, minimum-zone, minimum circumscribed, maximum inscribed.
    """

    n_points: int
    lsci: ReferenceCircle
    mzci: ReferenceCircle
    mcci: ReferenceCircle
    mici: ReferenceCircle

    @property
    def circles(self) -> tuple[ReferenceCircle, ...]:
        """All four, in the order LSCI, MZCI, MCCI, MICI."""
        return self.lsci, self.mzci, self.mcci, self.mici

    def to_dict(self) -> dict[str, Any]:
        """Plain numbers, mm, by the name of the circle."""
        return {"n_points": self.n_points} | {c.kind: c.to_dict() for c in self.circles}

    def __repr__(self) -> str:
        each = ", ".join(f"{c.kind} {c.RONt * 1e3:.2f}" for c in self.circles)
        return f"Roundness({self.n_points} points, RONt in µm: {each})"

    def _repr_html_(self) -> str:
        rows = (
            (c.kind, *(f"{v:.4f}" for v in (*c.centre, c.radius)), f"{c.RONt * 1e3:.2f}")
            for c in self.circles
        )
        heads = ("circle", "x, mm", "y, mm", "radius, mm", "RONt, µm")
        return Table(heads, rows, "Roundness").html()


@checked
def roundness(xy: ArrayLike) -> Roundness:
    """All four reference circles of a closed outline (ISO 12181-1:2011 clause 3, from memory).

    Parameters
    ----------
    xy : array_like, shape (n, 2)
        Points in any order, mm, all the way round.

    Returns
    -------
    Roundness

    Raises
    ------
    ValueError
        If a circle does not exist: fewer than four different points, a straight line, or an arc.
    """
    points = checked_points(xy, 4)
    return Roundness(
        len(points),
        least_squares_circle(points),
        minimum_zone_circle(points),
        minimum_circumscribed_circle(points),
        maximum_inscribed_circle(points),
    )


@checked
def least_squares_circle(xy: ArrayLike) -> ReferenceCircle:
    """LSCI: the circle with the least sum of squared radial distances.

    Parameters
    ----------
    xy : array_like, shape (n, 2)
        At least three points in any order, mm; an arc will do.

    Returns
    -------
    ReferenceCircle

    Raises
    ------
    ValueError
        If there are too few different points, or they lie on a straight line.

    Notes
    -----
    Geometric, not algebraic.  For a given centre the best radius is the mean distance, which leaves
    two unknowns; they are found by Newton's method, damped (Levenberg) where the curvature
    is not positive, from the algebraic circle of Kasa (1976, from memory).
    """
    points = checked_points(xy, 3)
    local, middle, size = _normalised(points)
    centre = _newton_centre(local)
    if np.hypot(*centre) > FURTHEST:
        raise ValueError(
            "the points are too near a straight line for a circle; measure a longer arc."
        )
    return _circle("LSCI", points, middle + size * centre)


@checked
def minimum_zone_circle(xy: ArrayLike) -> ReferenceCircle:
    """MZCI: two concentric circles that hold all points between them, the least distance apart.

    Parameters
    ----------
    xy : array_like, shape (n, 2)
        At least four points in any order, mm.

    Returns
    -------
    ReferenceCircle
        Radius is the mean of the two radii, `contacts` two outer and two inner points that
        alternate round the centre.

    Raises
    ------
    ValueError
        If there are too few different points, they lie on a straight line, or they are so short
        an arc that no minimum exists.

    Notes
    -----
    At each centre the linearised problem (minimise a - b with every point's distance between b and
    a) is solved exactly by exchange of contact points (dual simplex), and the centre moves
    to its solution; as the solution is a corner, convergence is quadratic.  The end is certified
    by the alternation of the contacts.  Started from the least-squares and from the circumscribed
    centre, the better result is kept.  For outlines that go round and are nearly circular there is
    only one minimum; for ragged points the certificate proves a local one.
    """
    points = checked_points(xy, 4)
    local, middle, size = _normalised(points)
    starts = [_newton_centre(local), smallest_circle_round(local)[0]]
    zones = [zone_from(local, start) for start in starts]
    _, centre, contacts = min(zones, key=lambda zone: zone[0])
    return _circle("MZCI", points, middle + size * centre, contacts)


@checked
def minimum_circumscribed_circle(xy: ArrayLike) -> ReferenceCircle:
    """MCCI: the smallest circle round all points.

    Parameters
    ----------
    xy : array_like, shape (n, 2)
        At least three points in any order, mm.

    Returns
    -------
    ReferenceCircle
        `contacts` are two opposite points, or three of a triangle that holds the centre.

    Raises
    ------
    ValueError
        If there are too few different points, or they lie on a straight line.

    Notes
    -----
    Exchange of support points, see `gantrysim.metrology.contacts`; the answer is unique.
    """
    points = checked_points(xy, 3)
    local, middle, size = _normalised(points)
    centre, contacts = smallest_circle_round(local)
    return _circle("MCCI", points, middle + size * centre, contacts)


@checked
def maximum_inscribed_circle(xy: ArrayLike) -> ReferenceCircle:
    """MICI: the largest circle among the points that holds none of them.

    Parameters
    ----------
    xy : array_like, shape (n, 2)
        At least three points in any order, mm, all the way round.

    Returns
    -------
    ReferenceCircle
        `contacts` are the points it touches.

    Raises
    ------
    ValueError
        If the points lie on a straight line, or leave a gap through which the circle grows
        without limit (an arc).

    Notes
    -----
    The centre is the vertex of the Voronoi diagram inside the convex hull that is furthest from all
    points.  The answer may not be unique: an oval has two mirror circles.  Of equal ones
    (within 1e-10 of the size) the one nearest to the least-squares centre is returned, and if two
    are equally near, either may be: only its radius means something then.
    """
    points = checked_points(xy, 3)
    local, middle, size = _normalised(points)
    centre, contacts = largest_circle_inside(local, _newton_centre(local))
    return _circle("MICI", points, middle + size * centre, contacts)


def checked_points(xy: ArrayLike, least: int) -> Array:
    """The points as an (n, 2) array.

    ValueError if they are not finite pairs, fewer than `least` are different, or they lie on a
    line.
    """
    try:
        points = np.asarray(xy, dtype=np.float64)
    except (TypeError, ValueError):
        raise ValueError("points must be numbers in mm, shape (n, 2).") from None
    if points.ndim != 2 or points.shape[1] != 2:
        raise ValueError(f"points must have shape (n, 2), found {points.shape}.")
    wrong = np.flatnonzero(~np.isfinite(points).all(axis=1))
    if len(wrong):
        raise ValueError(
            f"point {wrong[0]} must be two finite numbers in mm, found {points[wrong[0]]}."
        )
    different = len(np.unique(points[:: max(1, len(points) // 50)], axis=0))
    if different < least:
        different = len(np.unique(points, axis=0))
    if different < least:
        raise ValueError(f"at least {least} different points are needed, found {different}.")
    spread = np.linalg.svd(points - points.mean(axis=0), compute_uv=False)
    if spread[1] <= FLATTEST * spread[0]:
        raise ValueError("the points lie on a straight line; a closed outline is expected.")
    return points


def _normalised(points: Array) -> tuple[Array, Array, float]:
    """Points about their middle in units of half their extent, with that middle and half extent."""
    low, high = points.min(axis=0), points.max(axis=0)
    middle = (low + high) / 2
    size = float((high - low).max() / 2)
    return (points - middle) / size, middle, size


def _circle(
    kind: str, points: Array, centre: Array, contacts: tuple[int, ...] = ()
) -> ReferenceCircle:
    distance = np.hypot(*(points - centre).T)
    inner, outer = float(distance.min()), float(distance.max())
    mean, middle = float(distance.mean()), (inner + outer) / 2
    radius = {"LSCI": mean, "MZCI": middle, "MCCI": outer, "MICI": inner}[kind]
    rms = float(np.sqrt(np.mean((distance - radius) ** 2)))
    x, y = centre.tolist()
    return ReferenceCircle(kind, (x, y), radius, inner, outer, rms, contacts)


def _newton_centre(points: Array) -> Array:
    """Centre of least variance of the distances; see `least_squares_circle`."""
    centre: Any = algebraic_circle(points)[0]
    unit = np.eye(2)
    damping = 0.0
    for _ in range(MOST_STEPS):
        distance, u = seen_from(centre, points)
        off = distance - distance.mean()
        slope = -(off @ u)
        bend = off / distance
        curvature = (u - u.mean(axis=0)).T @ u + bend.sum() * unit - (u * bend[:, None]).T @ u
        step, damping = _downhill(points, centre, slope, curvature, float(off @ off), damping)
        centre = centre + step
        if np.hypot(*step) <= 1e-15 * (1 + np.hypot(*centre)) or np.hypot(*centre) > 2 * FURTHEST:
            break
    found: Array = centre
    return found


def _downhill(
    points: Array, centre: Array, slope: Array, curvature: Array, now: float, damping: float
) -> tuple[Array, float]:
    """A Newton step that does not raise the sum of squares, and the damping to go on with."""
    lowest = float(np.linalg.eigvalsh(curvature)[0])
    least = 1e-6 * float(np.trace(np.abs(curvature)))
    if lowest <= 0:
        damping = max(damping, least - 2 * lowest)
    for _ in range(60):
        step: Any = -np.linalg.solve(curvature + damping * np.eye(2), slope)
        distance, _ = seen_from(centre + step, points)
        if np.sum((distance - distance.mean()) ** 2) <= now * (1 + 1e-14):
            return step, damping / 10 if damping > least else 0.0
        damping = max(10 * damping, least)
    return np.zeros(2), damping
