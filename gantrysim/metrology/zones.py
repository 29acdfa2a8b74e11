"""The minimum zone of points seen from a centre, found from the four points that hold it.

Plain geometry on points of any unit; best conditioned when they are of size one about the origin.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gantrysim.metrology.contacts import ROUNDING
from gantrysim.records.arrays import Array

Integers = NDArray[np.int64]

FURTHEST = 1e4  # of the length: a centre further off fits a straight line, not an arc
MOST_STEPS = 200


def seen_from(centre: Array, points: Array) -> tuple[Array, Array]:
    """Distances and unit vectors from a centre; a point on the centre counts as just beside it."""
    arm = points - centre
    distance = np.maximum(np.hypot(arm[:, 0], arm[:, 1]), 1e-300)
    return distance, arm / distance[:, None]


def zone_from(points: Array, centre: Array) -> tuple[float, Array, tuple[int, ...]]:
    """Width, centre and contacts of the minimum zone near a start."""
    _, u = seen_from(centre, points)
    basis = _spread_contacts(u)
    for _ in range(MOST_STEPS):
        distance, u = seen_from(centre, points)
        width = float(np.ptp(distance))
        basis, step, promised = _exchange(distance, u, basis)
        if width - promised <= ROUNDING * float(distance.max()):
            break
        step *= min(1.0, 0.5 * float(distance.min()) / max(float(np.hypot(*step)), 1e-300))
        shrink = 1.0
        while shrink > 1e-9:
            trial, _ = seen_from(centre + shrink * step, points)
            if np.ptp(trial) < width:
                break
            shrink /= 2
        else:  # nothing below this in floating point
            break
        centre = centre + shrink * step
        if np.hypot(*centre) > FURTHEST:
            raise ValueError(
                "the points are too short an arc or too flat for a minimum zone; "
                "measure all the way round."
            )
    return width, centre, tuple(int(i) for i in basis)


def least_zone_widths(angle: Array, deviations: Array) -> Array:
    """Width of the minimum zone of many nearly round profiles on the same angles.

    ``angle``: polar angles, radians; shape (n,).  ``deviations``: radial deviations, small beside
    the radius, mm; shape (trials, n).  Returns: mm, to first order in deviation over radius: the
    linearised problem, solved exactly, each from the contacts of the one before; shape (trials,).
    """
    u = np.column_stack((np.cos(angle), np.sin(angle)))
    basis = _spread_contacts(u)
    widths = np.empty(len(deviations))
    for k, deviation in enumerate(deviations):
        raised = deviation - deviation.min() + float(np.ptp(deviation)) + 1e-300
        basis, _, widths[k] = _exchange(raised, u, basis)
    return widths


def _exchange(distance: Array, u: Array, basis: Integers) -> tuple[Integers, Array, float]:
    """Least a - b with b <= distance - u.step <= a, by exchange of contacts.

    `basis` holds four rows, outer, inner, outer, inner in turn round the centre.  Returns the
    best basis, the step of the centre, and the width a - b promised by the linearised problem.
    """
    if not _alternates(u, basis):
        basis = _spread_contacts(u)
    rows = basis.copy()
    kinds = np.array((1.0, -1.0, 1.0, -1.0))  # outer +1, inner -1
    for turn in range(MOST_STEPS):
        matrix = np.column_stack((kinds > 0, kinds < 0, u[rows])).astype(np.float64)
        inverse = np.linalg.inv(matrix)
        a, b, *step = inverse @ distance[rows]
        reach = distance - u @ step
        beyond = reach - a
        within = b - reach
        outer = bool(beyond.max() >= within.max())
        excess = beyond if outer else within
        enters = int(np.argmax(excess))
        if excess[enters] <= ROUNDING * distance[enters]:
            break
        if turn > MOST_STEPS // 2:  # the first rather than the worst cannot go in circles
            enters = int(np.argmax(excess > ROUNDING * distance[enters]))
        sign = 1.0 if outer else -1.0
        weights = np.array((float(outer), float(not outer), *u[enters])) @ inverse
        load = kinds * (np.array((1.0, -1.0, 0.0, 0.0)) @ inverse)
        pull = sign * kinds * weights
        ratio = np.where(pull > 1e-12, np.maximum(load, 0.0) / np.maximum(pull, 1e-12), np.inf)
        leaves = int(np.argmin(ratio))
        rows[leaves], kinds[leaves] = enters, sign
    return _in_turn(rows, kinds, u), np.array(step), float(a - b)


def _spread_contacts(u: Array) -> Integers:
    """Four points a quarter of the directions apart: any such four are a start."""
    _, first = np.unique(np.round(np.arctan2(u[:, 1], u[:, 0]), 12), return_index=True)
    n = len(first)
    if n < 4:
        raise ValueError("at least 4 points in different directions are needed for a minimum zone.")
    rows: Integers = first[[0, n // 4, n // 2, 3 * n // 4]]
    return rows


def _in_turn(rows: Integers, kinds: Array, u: Array) -> Integers:
    """Contacts ordered by angle, starting with an outer one."""
    angles = np.arctan2(u[rows, 1], u[rows, 0])
    order = np.argsort(angles)
    first = int(np.argmax(kinds[order] > 0))
    ordered: Integers = rows[np.roll(order, -first)]
    return ordered


def _alternates(u: Array, rows: Integers) -> bool:
    angles = np.arctan2(u[rows, 1], u[rows, 0])
    turns = np.mod(np.diff(angles, append=angles[:1]), 2 * np.pi)
    return bool(abs(turns.sum() - 2 * np.pi) < 1e-6 and turns.min() > 1e-9)
