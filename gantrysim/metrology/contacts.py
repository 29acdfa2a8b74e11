"""The smallest circle round points and the largest inside them, found from the points they touch.

Plain geometry on points of any unit; best conditioned when they are of size one about the origin.
"""

from __future__ import annotations

from itertools import combinations

import numpy as np
from scipy.optimize import linprog
from scipy.spatial import ConvexHull, QhullError, Voronoi, cKDTree

from gantrysim.records.arrays import Array

EQUAL = 1e-10  # circles of radii as near as this are equal, and points as near touch
ROUNDING = 1e-14  # of the radius: smaller differences of distances are rounding


def smallest_circle_round(points: Array) -> tuple[Array, tuple[int, ...]]:
    """Centre of the smallest circle round all points, and the two or three that hold it.

    Exchange on the convex hull: the furthest point outside joins the support, and the smallest
    circle round the (at most four) support points is taken by trying their pairs and triples.
    The radius grows at every exchange, so the search ends, and ends at the one answer.

    ValueError if the points lie on a straight line.
    """
    try:
        hull = ConvexHull(points).vertices
    except QhullError:
        raise ValueError("the points lie on a straight line; a circle is expected.") from None
    corners = points[hull]
    support: tuple[int, ...] = (0, int(np.argmax(np.hypot(*(corners - corners[0]).T))))
    centre = corners[list(support)].mean(axis=0)
    radius = 0.0
    while True:
        distance = np.hypot(*(corners - centre).T)
        furthest = int(np.argmax(distance))
        grown = float(distance[list(support)].max())
        if distance[furthest] <= grown * (1 + ROUNDING) or grown <= radius:
            break
        radius = grown
        centre, support = _smallest_round(corners, (*support, furthest))
    return centre, tuple(int(hull[i]) for i in support)


def _smallest_round(points: Array, support: tuple[int, ...]) -> tuple[Array, tuple[int, ...]]:
    """Smallest circle round at most four points, and the two or three that hold it."""
    best: tuple[float, Array, tuple[int, ...]] | None = None
    around = points[list(support)]
    for count in (2, 3):
        for chosen in combinations(support, count):
            corners = points[list(chosen)]
            centre = corners.mean(axis=0) if count == 2 else _circumcentre(corners)
            radius = float(np.hypot(*(corners - centre).T).max())
            holds = np.hypot(*(around - centre).T).max() <= radius * (1 + 1e-13)
            if holds and (best is None or radius < best[0] * (1 - 1e-14)):
                best = radius, centre, chosen
    if best is None:
        raise ValueError("the points lie too near a straight line for a circle round them.")
    return best[1], best[2]


def _circumcentre(corners: Array) -> Array:
    """Centre at the same distance from all corners, in the least-squares sense; inf on a line."""
    arms = corners[1:] - corners[0]
    solution, _, rank, _ = np.linalg.lstsq(2 * arms, (arms**2).sum(axis=1), rcond=None)
    centre: Array = corners[0] + solution if rank == 2 else np.full(2, np.inf)
    return centre


def _climbed(points: Array, centre: Array) -> Array:
    """Better centre of the largest empty circle: the linearised problem, solved exactly.

    Maximise t with t <= |p - c| - u.(step) over all points, within a small square about c.  All is
    taken in parts of the range of distances: the solver keeps absolute tolerances.
    """
    away = points - centre
    distance = np.hypot(*away.T)
    reach = float(np.ptp(distance)) + EQUAL
    rows = np.column_stack([away / distance[:, None], np.ones(len(points))])
    room = (distance - distance.min()) / reach
    bounds = [(-1.0, 1.0), (-1.0, 1.0), (None, None)]
    found = linprog([0.0, 0.0, -1.0], A_ub=rows, b_ub=room, bounds=bounds, method="highs")
    return np.asarray(centre + reach * found.x[:2]) if found.success else centre


def largest_circle_inside(points: Array, near: Array) -> tuple[Array, tuple[int, ...]]:
    """Centre of the largest circle that holds no point, inside the hull, and the points it touches.

    The centre is the vertex of the Voronoi diagram inside the convex hull that is furthest from all
    points; of equal ones, the nearest to the place `near`.

    ValueError if the points leave a gap through which the circle grows without limit.
    """
    gap = ValueError(
        "the points leave a gap through which an inscribed circle grows without limit; "
        "measure all the way round."
    )
    different, rows = np.unique(points, axis=0, return_index=True)
    try:
        hull = ConvexHull(different)
        vertices = Voronoi(different).vertices
    except QhullError:
        raise gap from None
    inside = (vertices @ hull.equations[:, :2].T + hull.equations[:, 2]).max(axis=1) < 0
    if not inside.any():
        raise gap
    tree = cKDTree(different)
    vertices = vertices[inside]
    radius, _ = tree.query(vertices)
    equal = vertices[radius >= radius.max() - EQUAL]
    centre = equal[np.argmin(np.hypot(*(equal - near).T))]
    for _ in range(5):
        touching = np.array(tree.query_ball_point(centre, tree.query(centre)[0] + EQUAL))
        found = _circumcentre(different[touching])
        centre = found if np.isfinite(found).all() else centre  # one that two points hold rolls on
        angles = np.sort(np.arctan2(*(different[touching] - centre).T[::-1]))
        if np.diff(angles, append=angles[0] + 2 * np.pi).max() <= np.pi + 1e-9:
            break
        # points all but on one circle: the diagram's vertices are rounded; climb on from here
        centre = _climbed(different, centre)
    else:
        raise gap
    return centre, tuple(int(i) for i in rows[touching])
