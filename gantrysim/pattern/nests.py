"""A nest: rings of one shape about one centre."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Annotated

from gantrysim.pattern.layout import DIRECTIONS, MAX_RINGS
from gantrysim.pattern.shapes import ShapeName, shape_of
from gantrysim.records import limits
from gantrysim.records.arrays import Array
from gantrysim.records.checks import finite_number, one_of_many, point, positive
from gantrysim.records.doors import Place, checked


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

    shape: ShapeName
    centre: Place
    sizes: Annotated[tuple[float, ...], "a list of numbers in mm"]
    start_deg: float = 0.0
    direction: Annotated[str, DIRECTIONS] = "ccw"

    def __post_init__(self) -> None:
        put = object.__setattr__
        put(self, "centre", point(self.centre, f"centre of the {self.shape}s"))
        put(self, "start_deg", finite_number(self.start_deg, f"start_deg of the {self.shape}s"))
        name = f"sizes of the {self.shape}s"
        if not 1 <= len(self.sizes) <= MAX_RINGS:
            raise ValueError(f"{name} must hold 1 to {MAX_RINGS} values, found {len(self.sizes)}.")
        sizes = tuple(positive(size, name) for size in self.sizes)
        for inner, outer in pairwise(sizes):
            if outer <= inner:
                raise ValueError(f"{name} must ascend, found {outer:g} mm after {inner:g} mm.")
        put(self, "sizes", sizes)

    def outlines(self, step: float) -> list[Array]:
        """Once round each ring, shape (n, 2), mm; see `gantrysim.pattern.shapes.Shape.outlines`."""
        shape = shape_of(self.shape)
        points = sum(shape.perimeter(size) for size in self.sizes) / positive(step, "step")
        if points > limits.POINTS:
            raise ValueError(
                f"step {step:g} mm would need about {points:.2g} points, over the "
                f"{limits.POINTS:.0e} accepted; take a larger step."
            )
        return shape.outlines(
            self.centre, self.sizes, start_deg=self.start_deg, direction=self.direction, step=step
        )

    def outline(self, ring: int, step: float) -> Array:
        """Once round one ring, shape (n, 2), mm."""
        size = self.sizes[one_of_many(ring, self.sizes, "ring")]
        return replace(self, sizes=(size,)).outlines(step)[0]


def checked_nests(nests: Sequence[Nest]) -> tuple[Nest, ...]:
    """One `Nest`, or one of each shape, as a tuple; ValueError otherwise."""
    if not nests or len({nest.shape for nest in nests}) != len(nests):
        raise ValueError("nests must hold one Nest, or one of circles and one of squares.")
    return tuple(nests)
