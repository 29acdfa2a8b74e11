"""A test as exact geometry, not as samples: circles as circles, straight lines by their corners."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

import numpy as np

from gantrysim.pattern.beside import BESIDE
from gantrysim.pattern.ringtest import RingTest
from gantrysim.pattern.shapes import SHAPES, shape_of
from gantrysim.records.arrays import Array


@dataclass(frozen=True, eq=False)
class Drawn:
    """One ring on one visit to it, or one stroke beside the rings.

    Parameters
    ----------
    shape : str
        "circle", "square", "mark", "scale" or "caption".
    number : int
        Of the ring, 0 innermost, or of the stroke.
    size : float
        Radius or half side, mm; 0 beside the rings.
    first_pass, passes : int
        Number of the first pass of this visit, and how many follow each other.
    corners : ndarray, shape (n, 2)
        From the start to the end, mm; for a circle its start alone.
    centre : (float, float) or None
        Of a circle, mm.
    ccw : bool
        Whether a circle turns counter-clockwise.
    """

    shape: str
    number: int
    size: float
    first_pass: int
    passes: int
    corners: Array
    centre: tuple[float, float] | None = None
    ccw: bool = True


def drawing_of(test: RingTest) -> tuple[Drawn, ...]:
    """All that a test draws, in drawing order; commanded carriage positions, mm."""
    seen: Counter[tuple[str, int]] = Counter()
    found = []
    for shape, ring, passes in test.sequence:
        nest = test.nest(shape)
        size = nest.sizes[ring]
        # so coarse a step leaves the start and the points where x or y turns back
        xy = nest.outline(ring, 16.0 * size)
        circle = not shape_of(shape).has_corners
        corners = xy[:1] if circle else _without_repeats(xy)
        how = (corners, nest.centre if circle else None, nest.direction == "ccw")
        found.append(Drawn(shape, ring, size, seen[shape, ring], passes, *how))
        seen[shape, ring] += passes
    beside = test.beside()
    for shape in BESIDE:
        strokes = getattr(beside, shape)
        found.extend(Drawn(shape, k, 0.0, 0, 1, xy) for k, xy in enumerate(strokes))
    return tuple(found)


def name_of(drawn: Drawn) -> str:
    """What a stroke is, in words: "circle 3, radius 10 mm"."""
    if drawn.shape in SHAPES:
        size = f"{shape_of(drawn.shape).size_name} {drawn.size:g} mm"
        return f"{drawn.shape} {drawn.number + 1}, {size}"
    words = {"mark": "orientation mark", "scale": "scale reference", "caption": "caption"}
    return f"{words[drawn.shape]}, stroke {drawn.number + 1}"


def reach_of(drawing: tuple[Drawn, ...]) -> Array:
    """Lower left and upper right of a drawing, mm."""
    ends = []
    for drawn in drawing:
        if drawn.centre:
            ends += [np.subtract(drawn.centre, drawn.size), np.add(drawn.centre, drawn.size)]
        else:
            ends += [drawn.corners.min(axis=0), drawn.corners.max(axis=0)]
    both = np.array(ends)
    return np.array([both.min(axis=0), both.max(axis=0)])


def _without_repeats(xy: Array) -> Array:
    """Corners less those that repeat the one before."""
    moved = np.r_[True, (np.diff(xy, axis=0) != 0.0).any(axis=1)]
    return xy[moved]


def decimal(value: float, digits: int) -> str:
    """A number with at most so many digits, no exponent and no needless noughts."""
    text = f"{value:.{digits}f}".rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text
