"""The shapes of rings, circle and square: everything in which one differs from the other.

A `Shape` is asked by the name that a line, a nest or a file carries (``shape_of("circle")``), so
that nobody else compares names.  Sides of squares lie along the axes.  Lengths in mm; places are
seen from the centre of the ring; sizes are radii or half sides.
"""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated

import numpy as np
from numpy.typing import NDArray

from gantrysim.pattern.outlines import circles_about_origin, squares_about_origin
from gantrysim.records.arrays import Array


@dataclass(frozen=True)
class Shape(ABC):
    """A shape that rings of a test may have.

    Parameters
    ----------
    name : str
        As lines, nests and files name it.
    size_name : str
        What its size is called.
    turn : float
        Length of the outline in sizes.
    corner_reach : float
        Furthest place of the outline from the centre, in sizes.
    start_deg : float
        Usual direction of the start point from the centre, degrees.
    """

    name: str
    size_name: str
    turn: float
    corner_reach: float
    start_deg: float

    @property
    def plural(self) -> str:
        """Several of them."""
        return f"{self.name}s"

    @property
    def has_corners(self) -> bool:
        """Whether the outline has corners, and straight sides between them."""
        return self.corner_reach > 1.0

    def perimeter(self, size: float) -> float:
        """Length of the outline, mm."""
        return self.turn * size

    def bend(self, size: float) -> float:
        """Curvature of the outline between corners, 1/mm."""
        return 0.0 if self.has_corners else 1.0 / size

    @abstractmethod
    def reach(self, xy: Array) -> Array:
        """Size of the ring on which each place lies, mm, shape (n,)."""

    @abstractmethod
    def normal(self, xy: Array) -> Array:
        """Outward normal of the nearest piece of the outline, shape (n, 2)."""

    def nearest(self, xy: Array, size: float) -> Array:
        """Nearest place of the outline to places clear of the corners, mm, shape (n, 2)."""
        return np.asarray(xy - (self.reach(xy) - size)[:, None] * self.normal(xy))

    @abstractmethod
    def _about_origin(
        self, sizes: Array, start_deg: float, sign: float, step: float
    ) -> tuple[Array, NDArray[np.int64]]:
        """All rings about the origin, one after the other, and their counts of samples by span."""

    def outlines(
        self,
        centre: tuple[float, float],
        sizes: Sequence[float],
        *,
        start_deg: float,
        direction: str,
        step: float,
    ) -> list[Array]:
        """Once round each ring, from its start point and back to it.

        ``centre``: centre, mm.  ``sizes``: radii or half sides, mm.  ``start_deg``: the start point
        lies in this direction from the centre, degrees counter-clockwise from +x.  ``direction``:
        "ccw" or "cw".  ``step``: largest step along the outline, mm; circles have at least 48 steps
        whatever their size.  Returns: shape (n, 2); One for each size, mm; the last point equals
        the first.  Circles are uniform in angle, and squares along their sides, between knots: the
        start point and the points where x or y turns back.
        """
        sign = 1.0 if direction == "ccw" else -1.0
        xy, counts = self._about_origin(np.asarray(sizes, dtype=float), start_deg, sign, step)
        xy += np.asarray(centre)
        lengths = counts.sum(axis=1)
        ends = np.cumsum(lengths)
        xy[ends - 1] = xy[ends - lengths]
        return [xy[end - length : end] for end, length in zip(ends, lengths, strict=True)]


class Circle(Shape):
    """A circle."""

    def reach(self, xy: Array) -> Array:
        """Size of the ring on which each place lies, mm, shape (n,)."""
        return np.asarray(np.hypot(*xy.T))

    def normal(self, xy: Array) -> Array:
        """Outward normal of the nearest piece of the outline, shape (n, 2)."""
        return np.asarray(xy / np.maximum(self.reach(xy), 1e-9)[:, None])

    def _about_origin(
        self, sizes: Array, start_deg: float, sign: float, step: float
    ) -> tuple[Array, NDArray[np.int64]]:
        return circles_about_origin(sizes, start_deg, sign, step)


class Square(Shape):
    """A square, its sides along the axes."""

    def reach(self, xy: Array) -> Array:
        """Size of the ring on which each place lies, mm, shape (n,)."""
        return np.asarray(np.abs(xy).max(axis=1))

    def normal(self, xy: Array) -> Array:
        """Outward normal of the nearest piece of the outline, shape (n, 2)."""
        upright = np.abs(xy[:, 0]) >= np.abs(xy[:, 1])
        return np.asarray(np.sign(xy) * np.column_stack((upright, ~upright)))

    def _about_origin(
        self, sizes: Array, start_deg: float, sign: float, step: float
    ) -> tuple[Array, NDArray[np.int64]]:
        return squares_about_origin(sizes, start_deg, sign, step)


CIRCLE = Circle("circle", "radius", 2.0 * math.pi, 1.0, 0.0)
SQUARE = Square("square", "half side", 8.0, math.sqrt(2.0), 45.0)
#: Shapes by name, circles first.
SHAPES: dict[str, Shape] = {shape.name: shape for shape in (CIRCLE, SQUARE)}
#: Type hint of a shape's name.
ShapeName = Annotated[str, tuple(SHAPES)]


def algebraic_circle(xy: Array) -> tuple[Array, float]:
    """Centre and radius (mm) of the circle of least squared algebraic distance.

    ``xy``: shape (n, 2); places, mm.  All on one spot they give radius 0, on a straight line the
    least norm.

    Least x² + y² - 2 a x - 2 b y - c over a, b, c (I. Kasa, IEEE Trans. Instrum. Meas. 25 (1976) 8;
    from memory): no start needed; of a short arc with noise the circle comes out too small.
    """
    middle = 0.5 * (xy.min(axis=0) + xy.max(axis=0))
    local = xy - middle
    unit = float(np.abs(local).max())
    if unit == 0.0:
        return middle, 0.0
    local = local / unit
    design = np.column_stack((2.0 * local, np.ones(len(local))))
    a, b, c = np.linalg.lstsq(design, (local**2).sum(axis=1), rcond=None)[0]
    return middle + unit * np.array((a, b)), unit * math.sqrt(max(c + a * a + b * b, 0.0))


def shape_of(name: str) -> Shape:
    """The shape of that name.

    KeyError if it is not the name of a ring's shape.
    """
    return SHAPES[name]
