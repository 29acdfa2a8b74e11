"""How a ring test is laid out: which shapes, sizes, start angles, and in which order."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from gantrysim.pattern.shapes import SHAPES
from gantrysim.records.checks import finite_number, one_of, positive

DIRECTIONS = ("ccw", "cw")
LAYOUTS = ("concentric", "side_by_side", "circles", "squares")
ORDERS = ("inside_out", "outside_in")
SEQUENCE_MODES = ("shape_by_shape", "interleaved")
MAX_RINGS = 1000  # a nest; more is a slip of the decimal point in the spacing


def chosen_shapes(shapes: Sequence[str]) -> tuple[str, ...]:
    """The shapes asked for, circles first."""
    named = (shapes,) if isinstance(shapes, str) else tuple(shapes)
    for shape in named:
        one_of(shape, tuple(SHAPES), "shapes")
    if not named or len(set(named)) != len(named):
        raise ValueError(f"shapes must name circle, square or both once, found {shapes!r}.")
    return tuple(shape for shape in SHAPES if shape in named)


def ring_sizes(spacing: float, largest: float, smallest: float | None) -> tuple[float, ...]:
    """Sizes from `largest` down in steps of `spacing`, ascending, mm."""
    spacing, largest = positive(spacing, "spacing"), positive(largest, "largest")
    least = spacing if smallest is None else positive(smallest, "smallest")
    if least > largest:
        name = "spacing" if smallest is None else "smallest"
        raise ValueError(f"largest must be at least {name} ({least:g} mm), found {largest:g} mm.")
    steps = (largest - least) / spacing
    if steps >= MAX_RINGS:
        raise ValueError(
            f"spacing {spacing:g} mm gives {steps:.3g} rings up to {largest:g} mm; "
            f"at most {MAX_RINGS} are accepted."
        )
    # decimal sizes such as 0.3 = 0.4 - 0.1 are meant exactly: rounding takes the float noise off
    return tuple(round(largest - k * spacing, 9) for k in range(math.floor(steps + 1e-9), -1, -1))


def start_angles(start_deg: float | Mapping[str, float] | None) -> dict[str, float]:
    """Start direction of each shape, degrees; a corner for squares unless said otherwise."""
    starts = {name: shape.start_deg for name, shape in SHAPES.items()}
    if start_deg is None:
        return starts
    if not isinstance(start_deg, Mapping):
        return dict.fromkeys(starts, finite_number(start_deg, "start_deg"))
    for shape, value in start_deg.items():
        one_of(shape, tuple(SHAPES), "shape in start_deg")
        starts[shape] = finite_number(value, f"start_deg of the {shape}s")
    return starts


def drawing_order(
    sizes: Mapping[str, Sequence[float]], order: str, sequence_mode: str, passes: int
) -> tuple[tuple[str, int, int], ...]:
    """(shape, ring, passes) in drawing order, for the sizes of each shape, mm."""
    turned = order == "outside_in"
    if sequence_mode == "interleaved":
        rings = sorted((size, shape, k) for shape in sizes for k, size in enumerate(sizes[shape]))
        return tuple((shape, k, passes) for _, shape, k in (reversed(rings) if turned else rings))
    return tuple(
        (shape, k, passes)
        for shape, own in sizes.items()
        for k in (reversed(range(len(own))) if turned else range(len(own)))
    )
