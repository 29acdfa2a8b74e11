"""Sampled outlines of nested circles and squares: plain geometry, mm and degrees.

The motion is exact between reversals only if the points where x or y turns back are samples, so
every outline holds them exactly: the four axis extremes of a circle, the corners of a square.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from gantrysim.records.arrays import Array

MIN_CIRCLE_STEPS = 48


_AXES = np.array(((1.0, 0.0), (0.0, 1.0), (-1.0, 0.0), (0.0, -1.0)))


def straight(start: Array, end: Array, step: float) -> Array:
    """Points from `start` to `end` at equal steps of at most `step` mm, shape (n, 2), mm."""
    return straights(start[None], end[None], step)[0]


def straights(starts: Array, ends: Array, step: float) -> list[Array]:
    """As `straight`, from each start to its end, shape (m, 2) both."""
    counts = _step_counts(np.hypot(*(ends - starts).T), step)
    cut = np.cumsum(counts + 1)
    points = _fill(
        np.stack([starts, ends], axis=1).reshape(-1, 2),
        np.repeat(ends, 2, axis=0),
        np.column_stack([counts, np.ones_like(counts)]).ravel(),
    )
    return np.split(points, cut[:-1])


def circles_about_origin(
    radii: Array, start_deg: float, sign: float, step: float
) -> tuple[Array, NDArray[np.int64]]:
    """All rings about the origin, one after the other, and their counts of samples by span."""
    # in quarter turns the axis extremes are whole numbers
    knots = _knots(_snapped(start_deg / 90.0), sign, turn=4.0, first=0.0, every=1.0)
    arc = np.abs(np.diff(knots)) * (math.pi / 2)
    counts = _step_counts(
        arc * np.ones((len(radii), 1)), np.minimum(math.tau / MIN_CIRCLE_STEPS, step / radii)
    )
    counts[:, -1] = 1
    begin = np.tile(knots[:-1], len(radii))
    quarters = _fill(begin[:, None], np.tile(knots[1:], len(radii))[:, None], counts.ravel())[:, 0]
    angle = quarters * (math.pi / 2)
    unit = np.column_stack((np.cos(angle), np.sin(angle)))
    at = np.cumsum(counts) - counts.ravel()
    exact = begin == np.round(begin)
    unit[at[exact]] = _AXES[np.round(begin[exact]).astype(int) % 4]
    return unit * np.repeat(radii, counts.sum(axis=1))[:, None], counts


def squares_about_origin(
    halves: Array, start_deg: float, sign: float, step: float
) -> tuple[Array, NDArray[np.int64]]:
    """As `circles_about_origin`, for squares."""
    # perimeter coordinate in half sides: 0 is the middle of the right side, corners are 1, 3, 5, 7
    turned = _snapped(start_deg / 45.0) / 2.0
    side = math.floor(turned + 0.5)
    off = turned - side
    start = 2.0 * side + (-1.0 if off == -0.5 else math.tan(off * math.pi / 2))
    knots = _knots(start, sign, turn=8.0, first=1.0, every=2.0)
    sides = np.floor((knots + 1.0) / 2.0)
    along = (knots - 2.0 * sides)[:, None]
    axis = _AXES[sides.astype(int) % 4]
    corners = axis + along * np.column_stack((-axis[:, 1], axis[:, 0]))
    counts = _step_counts(np.abs(np.diff(knots)) * halves[:, None], step)
    counts[:, -1] = 1
    scaled = corners * halves[:, None, None]
    begin, end = scaled[:, :-1].reshape(-1, 2), scaled[:, 1:].reshape(-1, 2)
    return _fill(begin, end, counts.ravel()), counts


def _snapped(value: float) -> float:
    """`value` less whole turns; made a whole number where it is within rounding of one."""
    value = math.fmod(value, 8.0)
    whole = round(value)
    return float(whole) if abs(value - whole) < 1e-11 else value


def _knots(start: float, sign: float, *, turn: float, first: float, every: float) -> Array:
    """Start, the marks first + k*every passed in one turn, and the start after the turn, twice.

    So the last span has no length, and its one sample closes the outline.
    """
    ahead = sign * start
    mark = sign * first + (math.floor((ahead - sign * first) / every) + 1) * every
    marks = mark + every * np.arange(round(turn / every))
    marks = marks[marks < ahead + turn]
    closed = start + sign * turn
    return np.concatenate(([start], sign * marks, [closed, closed]))


def _step_counts(lengths: Array, step: Array | float) -> NDArray[np.int64]:
    """Equal steps in each length, at least one, each at most `step` long but for rounding.

    A step for each row of lengths may be given, shape (rows,).
    """
    largest = np.asarray(step)[..., None]
    counts: NDArray[np.int64] = np.ceil(lengths / largest * (1 - 1e-12)).astype(np.int64)
    return np.maximum(1, counts)


def _fill(begin: Array, end: Array, counts: NDArray[np.int64]) -> Array:
    """Cut each span (m, d) into its count of equal steps; begins stay exact, ends are left out."""
    first = np.cumsum(counts) - counts
    part = (np.arange(counts.sum()) - np.repeat(first, counts)) / np.repeat(counts, counts)
    points: Array = np.repeat(begin, counts, axis=0)
    points += part[:, None] * np.repeat(end - begin, counts, axis=0)
    return points
