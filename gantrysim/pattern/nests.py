"""A nest: rings of one shape about one centre."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import numpy as np

from gantrysim.pattern.layout import DIRECTIONS, MAX_RINGS
from gantrysim.pattern.shapes import SHAPES, shape_of
from gantrysim.records.arrays import Array
from gantrysim.records.checks import finite_number, one_of, point, positive, shortened
from gantrysim.records.doors import checked


@checked
@dataclass(frozen=True)
class Nest:
    """One family of nested shapes about a centre.

    Parameters
    ----------
    shape : str
        "circle" or "square" (sides along the axes).
    centre : (float, float)
        Commanded centre, mm.
    sizes : tuple of float
        Radii or half sides, mm, ascending; ring 0 is the innermost.
    start_deg : float
        Every ring starts where the ray in this direction from the centre meets it, degrees.
    direction : str
        "ccw" or "cw".

    Raises
    ------
    ValueError
        If the shape or direction is unknown, a number is not finite, or the sizes do not ascend
        from above zero.
    """

    shape: str
    centre: tuple[float, float]
    sizes: tuple[float, ...]
    start_deg: float = 0.0
    direction: str = "ccw"

    def __post_init__(self) -> None:
        one_of(self.shape, tuple(SHAPES), "shape")
        one_of(self.direction, DIRECTIONS, "direction")
        put = object.__setattr__
        put(self, "centre", point(self.centre, f"centre of the {self.shape}s"))
        put(self, "start_deg", finite_number(self.start_deg, f"start_deg of the {self.shape}s"))
        name = f"sizes of the {self.shape}s"
        if isinstance(self.sizes, str) or not isinstance(self.sizes, Sequence | np.ndarray):
            raise ValueError(f"{name} must be a list of numbers in mm, found {self.sizes!r}.")
        if not 1 <= len(self.sizes) <= MAX_RINGS:
            raise ValueError(f"{name} must hold 1 to {MAX_RINGS} values, found {len(self.sizes)}.")
        sizes = tuple(positive(size, name) for size in self.sizes)
        for inner, outer in pairwise(sizes):
            if outer <= inner:
                raise ValueError(f"{name} must ascend, found {outer:g} mm after {inner:g} mm.")
        put(self, "sizes", sizes)

    def outlines(self, step: float) -> list[Array]:
        """Once round each ring, shape (n, 2), mm; see `gantrysim.pattern.shapes.Shape.outlines`."""
        return shape_of(self.shape).outlines(
            self.centre,
            self.sizes,
            start_deg=self.start_deg,
            direction=self.direction,
            step=step,
        )

    def outline(self, ring: int, step: float) -> Array:
        """Once round one ring, shape (n, 2), mm."""
        return replace(self, sizes=(self.sizes[ring],)).outlines(step)[0]


def checked_nests(nests: Any) -> tuple[Nest, ...]:
    """One `Nest`, or one of each shape, as a tuple; ValueError otherwise."""
    if (
        isinstance(nests, Nest)
        or not isinstance(nests, Sequence)
        or not all(isinstance(n, Nest) for n in nests)
    ):
        raise ValueError(f"nests must be a tuple of Nest, found {shortened(nests)}.")
    if not nests or len({nest.shape for nest in nests}) != len(nests):
        raise ValueError("nests must hold one Nest, or one of circles and one of squares.")
    return tuple(nests)
