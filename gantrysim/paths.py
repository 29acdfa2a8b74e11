"""Ring tests: what the operator commanded, and the strokes that draw it.

A ring test is one or two nests of closed shapes (circles, squares) about a centre, drawn in a
stated order.  All lengths are commanded carriage positions in mm in the machine frame (x along the
beam, y along the rails, home at the origin), speeds mm/s, accelerations mm/s^2, angles degrees
counter-clockwise from +x.  Nothing here knows the machine: the spot lies a fixed head offset away
from these positions.
"""

from __future__ import annotations

import html
import json
import math
import os
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from gantrysim.inputs import (
    finite_number,
    listed,
    one_of,
    point,
    positive,
    shortened,
    whole_number,
    write_new_text,
)
from gantrysim.outlines import MIN_CIRCLE_STEPS, Array, ring_outlines, straight
from gantrysim.testfile import checked_fields, read_content

SHAPES = ("circle", "square")
DIRECTIONS = ("ccw", "cw")
LAYOUTS = ("concentric", "side_by_side", "circles", "squares")
ORDERS = ("inside_out", "outside_in")
SEQUENCE_MODES = ("shape_by_shape", "interleaved")
MAX_RINGS = 1000  # a nest; more is a slip of the decimal point in the spacing
MAX_POINTS = 20_000_000  # of all strokes together; more is a slip in the step
TRAVEL_STEPS = 4  # travel moves burn nothing, so they may be sampled this much coarser


@dataclass(frozen=True, eq=False)
class Line:
    """One drawn line: a burned stroke, or the measured points of one.

    Parameters
    ----------
    shape : str
        "circle" or "square".
    ring : int
        0 is the innermost ring of its nest.
    size : float
        Commanded circle radius or half side of the square, mm.
    pass_index : int
        0 is the first pass; -1 where passes cannot be told apart.
    xy : ndarray, shape (n, 2)
        Positions, mm; in drawing order for burns.  Kept as a read-only view.

    Raises
    ------
    ValueError
        If `xy` is not a finite (n, 2) array.
    """

    shape: str
    ring: int
    size: float
    pass_index: int
    xy: Array

    def __post_init__(self) -> None:
        object.__setattr__(self, "xy", _read_only_points(self.xy, f"{self.shape} ring {self.ring}"))

    def __repr__(self) -> str:
        which = "any pass" if self.pass_index < 0 else f"pass {self.pass_index}"
        return (
            f"Line({self.shape} ring {self.ring}, {self.size:g} mm, {which}, {len(self.xy)} points)"
        )


@dataclass(frozen=True, eq=False)
class Stroke:
    """One commanded move: a pass round a ring, or a travel move with the beam off.

    Parameters
    ----------
    shape : str
        "circle", "square" or "travel".
    ring, size, pass_index : int, float, int
        As in `Line`, size in mm; a travel move has -1, 0.0, -1.
    xy : ndarray, shape (n, 2)
        Commanded carriage positions, mm, from the start point to the end point.  Kept read-only.
    speed : float
        Commanded feed or travel speed, mm/s.

    Raises
    ------
    ValueError
        If `xy` is not a finite (n, 2) array.
    """

    shape: str
    ring: int
    size: float
    pass_index: int
    xy: Array
    speed: float

    def __post_init__(self) -> None:
        object.__setattr__(self, "xy", _read_only_points(self.xy, f"stroke {self.shape}"))

    def __repr__(self) -> str:
        if self.shape == "travel":
            return f"Stroke(travel, {len(self.xy)} points, {self.speed:g} mm/s)"
        return (
            f"Stroke({self.shape} ring {self.ring}, {self.size:g} mm, pass {self.pass_index}, "
            f"{len(self.xy)} points, {self.speed:g} mm/s)"
        )


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
        one_of(self.shape, SHAPES, "shape")
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


@dataclass(frozen=True)
class RingTest:
    """A commanded test burn; build one with `ring_test` or `read_test`.

    Parameters
    ----------
    nests : tuple of Nest
        At most one for each shape.
    sequence : tuple of (shape, ring, passes)
        Drawing order.  A ring may be visited again later; its pass numbers then go on counting.
    layout, order, sequence_mode : str
        How the test was laid out, one of `LAYOUTS`, `ORDERS`, `SEQUENCE_MODES`; `sequence` is what
        is drawn.
    spacing : float
        Step in size from ring to ring, mm.
    passes : int
        Largest number of passes in `sequence`.
    feed, travel_speed : float
        Speed along burned strokes and travel moves, mm/s.
    acceleration, centripetal : float
        Limits along and across the path, mm/s^2.
    corner_speed_change : float
        Largest jump of the velocity vector allowed at a corner, mm/s.
    start_from : (float, float)
        Where the carriage stands before the first travel move, mm; home is (0, 0).
    line_width : float
        Nominal width of the burned line, mm.

    Raises
    ------
    ValueError
        With one sentence naming the field, what was found and what is accepted.
    """

    nests: tuple[Nest, ...]
    sequence: tuple[tuple[str, int, int], ...]
    layout: str
    spacing: float
    order: str
    sequence_mode: str
    passes: int
    feed: float
    travel_speed: float
    acceleration: float
    centripetal: float
    corner_speed_change: float
    start_from: tuple[float, float] = (0.0, 0.0)
    line_width: float = 0.12

    def __post_init__(self) -> None:
        put = object.__setattr__
        put(self, "nests", _checked_nests(self.nests))
        one_of(self.layout, LAYOUTS, "layout")
        one_of(self.order, ORDERS, "order")
        one_of(self.sequence_mode, SEQUENCE_MODES, "sequence_mode")
        for name in ("spacing", "feed", "travel_speed", "acceleration", "centripetal",
                     "corner_speed_change", "line_width"):  # fmt: skip
            put(self, name, positive(getattr(self, name), name))
        put(self, "passes", whole_number(self.passes, "passes", least=1))
        put(self, "start_from", point(self.start_from, "start_from"))
        put(self, "sequence", self._checked_sequence())
        most = max(passes for _, _, passes in self.sequence)
        if most != self.passes:
            raise ValueError(
                f"passes must be the largest number of passes in the sequence ({most}), "
                f"found {self.passes}."
            )

    def _checked_sequence(self) -> tuple[tuple[str, int, int], ...]:
        rings = {nest.shape: len(nest.sizes) for nest in self.nests}
        try:
            entries = [(shape, ring, passes) for shape, ring, passes in self.sequence]
        except (TypeError, ValueError):
            raise ValueError("sequence must be a list of (shape, ring, passes).") from None
        if not entries:
            raise ValueError("sequence must name at least one ring, found none.")
        checked = []
        for number, (shape, ring, passes) in enumerate(entries):
            name = f"sequence entry {number}"
            one_of(shape, tuple(rings), f"shape in {name}")
            ring = whole_number(ring, f"ring in {name}", least=0)
            if ring >= rings[shape]:
                raise ValueError(
                    f"ring in {name} must be one of the {rings[shape]} {shape}s, "
                    f"0 to {rings[shape] - 1}, found {ring}."
                )
            checked.append((shape, ring, whole_number(passes, f"passes in {name}", least=1)))
        return tuple(checked)

    def nest(self, shape: str) -> Nest:
        """The nest of `shape`; ValueError if this test has none."""
        for nest in self.nests:
            if nest.shape == shape:
                return nest
        raise ValueError(
            f"this test has no {shape!r} nest, only {listed([n.shape for n in self.nests])}."
        )

    def extras(self) -> tuple[Array, ...]:
        """Polylines burned beside the rings, mm, each of shape (n, 2); none in a plain test."""
        return ()

    def strokes(self, step: float = 0.5) -> tuple[Stroke, ...]:
        """Travel moves and burned strokes in drawing order.

        The passes of one visit to a ring follow each other without travel; a straight travel move
        leads to every visit that does not start where the one before ended.  Nothing follows the
        last stroke.

        Parameters
        ----------
        step : float
            Largest distance between samples along a burned stroke, mm; travel moves are sampled
            four times coarser.  Circles have at least 48 steps and always hold their four axis
            extremes, squares their corners: there x or y reverses.

        Returns
        -------
        tuple of Stroke

        Raises
        ------
        ValueError
            If the step is not positive, or so small that over `MAX_POINTS` points would be needed.
        """
        step = positive(step, "step")
        self._refuse_too_many_points(step)
        outlines = {
            nest.shape: ring_outlines(
                nest.shape, nest.centre, nest.sizes,
                start_deg=nest.start_deg, direction=nest.direction, step=step,
            )
            for nest in self.nests
        }  # fmt: skip
        drawn: Counter[tuple[str, int]] = Counter()
        strokes: list[Stroke] = []
        here = np.array(self.start_from)
        for shape, ring, passes in self.sequence:
            xy = outlines[shape][ring]
            if here[0] != xy[0, 0] or here[1] != xy[0, 1]:
                travel = straight(here, xy[0], TRAVEL_STEPS * step)
                strokes.append(Stroke("travel", -1, 0.0, -1, travel, self.travel_speed))
            size = self.nest(shape).sizes[ring]
            first = drawn[shape, ring]
            drawn[shape, ring] += passes
            for k in range(first, first + passes):
                strokes.append(Stroke(shape, ring, size, k, xy, self.feed))
            here = xy[-1]
        return tuple(strokes)

    def _refuse_too_many_points(self, step: float) -> None:
        drawn = [(self.nest(shape).sizes[ring], passes) for shape, ring, passes in self.sequence]
        kept = [(size, 1) for nest in self.nests for size in nest.sizes]
        points = sum(n * (8 * size / step + MIN_CIRCLE_STEPS) for size, n in drawn + kept)
        if points > MAX_POINTS:
            raise ValueError(
                f"step {step:g} mm would need about {points:.2g} points for this test, "
                f"over the {MAX_POINTS:.0e} accepted; take a larger step or fewer passes."
            )

    def to_dict(self) -> dict[str, Any]:
        """Content of a test file: plain numbers, strings, lists; field names carry the units."""
        return {
            "layout": self.layout,
            "spacing_mm": self.spacing,
            "order": self.order,
            "sequence_mode": self.sequence_mode,
            "passes": self.passes,
            "feed_mm_s": self.feed,
            "travel_mm_s": self.travel_speed,
            "accel_mm_s2": self.acceleration,
            "centripetal_mm_s2": self.centripetal,
            "corner_speed_change_mm_s": self.corner_speed_change,
            "start_from_mm": list(self.start_from),
            "burn_width_nominal_mm": self.line_width,
            "shapes": {
                nest.shape: {
                    "shape": nest.shape,
                    "centre_mm": list(nest.centre),
                    "sizes_mm": list(nest.sizes),
                    "start_deg": nest.start_deg,
                    "direction": nest.direction,
                }
                for nest in self.nests
            },
            "sequence": [{"shape": s, "ring": r, "passes": p} for s, r, p in self.sequence],
        }

    def save(self, path: str | os.PathLike[str], overwrite: bool = False) -> Path:
        """Write the test as JSON that `read_test` reads back equal; returns the path.

        Raises
        ------
        FileExistsError
            If the file exists and `overwrite` is false.
        ValueError
            If the name ends in .toml, which `read_test` would not read as JSON.
        """
        if Path(path).suffix.lower() == ".toml":
            raise ValueError(f"{path}: tests are saved as JSON; choose a name ending in .json.")
        return write_new_text(
            path, json.dumps(self.to_dict(), indent=1) + "\n", overwrite=overwrite
        )

    def summary(self) -> str:
        """The test in one plain sentence."""
        parts = []
        for nest in self.nests:
            what = "radius" if nest.shape == "circle" else "half side"
            span = f"{nest.sizes[0]:g}" + (f" to {nest.sizes[-1]:g}" if len(nest.sizes) > 1 else "")
            turn = "counter-clockwise" if nest.direction == "ccw" else "clockwise"
            parts.append(
                f"{len(nest.sizes)} {nest.shape}{'s' * (len(nest.sizes) > 1)} ({span} mm {what}) "
                f"about ({nest.centre[0]:g}, {nest.centre[1]:g}) mm {turn} "
                f"from {nest.start_deg:g} degrees"
            )
        how = "" if len(self.nests) == 1 else f", {self.sequence_mode.replace('_', ' ')}"
        passes = "1 pass" if self.passes == 1 else f"{self.passes} passes"
        order = self.order.replace("_", " ")
        return f"{' and '.join(parts)}, drawn {order}{how}, {passes} at {self.feed:g} mm/s."

    def plot(self, ax: Any = None) -> Any:
        """Draw the commanded strokes; takes and returns matplotlib Axes."""
        from gantrysim import plotting

        return plotting.plot_test(self, ax=ax)

    def __repr__(self) -> str:
        nests = " + ".join(f"{len(nest.sizes)} {nest.shape}s" for nest in self.nests)
        how = f"{self.layout}, {self.order}, passes={self.passes}, feed={self.feed:g} mm/s"
        return f"RingTest({nests}, {how})"

    def _repr_html_(self) -> str:
        rows = [
            ("layout", f"{self.layout}, {self.order}, {self.sequence_mode}"),
            ("spacing", f"{self.spacing:g} mm"),
            ("passes", str(self.passes)),
            ("feed, travel", f"{self.feed:g}, {self.travel_speed:g} mm/s"),
            ("acceleration, centripetal", f"{self.acceleration:g}, {self.centripetal:g} mm/s²"),
            ("corner speed change", f"{self.corner_speed_change:g} mm/s"),
            ("starts from", f"({self.start_from[0]:g}, {self.start_from[1]:g}) mm"),
        ]
        body = "".join(
            f"<tr><th>{html.escape(k)}</th><td>{html.escape(v)}</td></tr>" for k, v in rows
        )
        return f"<p><b>Ring test</b>: {html.escape(self.summary())}</p><table>{body}</table>"


def ring_test(
    shapes: Sequence[str] = SHAPES,
    *,
    spacing: float = 2.5,
    largest: float = 50.0,
    smallest: float | None = None,
    centre: tuple[float, float] = (215.0, 200.0),
    layout: str = "concentric",
    gap: float = 10.0,
    start_deg: float | Mapping[str, float] | None = None,
    direction: str = "ccw",
    order: str = "inside_out",
    sequence_mode: str = "shape_by_shape",
    passes: int = 1,
    feed: float = 40.0,
    travel_speed: float = 100.0,
    acceleration: float = 800.0,
    centripetal: float = 800.0,
    corner_speed_change: float = 8.0,
    start_from: tuple[float, float] = (0.0, 0.0),
    line_width: float = 0.12,
) -> RingTest:
    """Lay out a test of nested circles, squares or both.

    Parameters
    ----------
    shapes : sequence of str
        "circle", "square" or both (circles are drawn first when shape by shape).
    spacing : float
        Step in radius or half side from ring to ring, mm.
    largest, smallest : float
        Rings step down from `largest` and never below `smallest` (default: one spacing), mm.
    centre : (float, float)
        Commanded centre of the pattern, mm; side by side, the middle between the two nests.
    layout : str
        For two shapes: "concentric" puts every square half a spacing outside a circle, between it
        and the next; "side_by_side" puts equal sizes beside each other, circles on the left.  With
        one shape the layout becomes "circles" or "squares".
    gap : float
        Clear distance between the two nests when side by side, mm.
    start_deg : float or mapping of shape to float, optional
        Start direction from the centre, degrees; default 0 for circles, 45 (a corner) for squares.
    direction, order, sequence_mode : str
        One of `DIRECTIONS`, `ORDERS`, `SEQUENCE_MODES`; interleaved mixes the shapes by size.
    passes : int
        Times round each ring.
    feed, travel_speed : float
        Along burned strokes and travel moves, mm/s.
    acceleration, centripetal, corner_speed_change, start_from, line_width
        As in `RingTest`; mm/s^2, mm/s^2, mm/s, mm, mm.

    Raises
    ------
    ValueError
        With one sentence naming the argument, what was found and what is accepted.
    """
    chosen = _chosen_shapes(shapes)
    if layout not in LAYOUTS[:2] and layout != f"{chosen[0]}s":
        raise ValueError(f"layout must be {listed(LAYOUTS[:2])}, found {layout!r}.")
    sizes = _ring_sizes(spacing, largest, smallest)
    starts = _starts(start_deg)
    x, y = point(centre, "centre")
    size_of, centre_of = dict.fromkeys(chosen, sizes), dict.fromkeys(chosen, (x, y))
    if len(chosen) == 1:
        layout = f"{chosen[0]}s"
    elif layout == "concentric":
        if len(sizes) < 2:
            raise ValueError(
                "a concentric test of both shapes needs two circles or more; "
                f"found one, of {sizes[0]:g} mm."
            )
        size_of["square"] = tuple(round(size + spacing / 2, 9) for size in sizes[:-1])
    else:
        if finite_number(gap, "gap") < 0:
            raise ValueError(f"gap must not be negative, found {gap} mm.")
        apart = sizes[-1] + gap / 2
        centre_of = {"circle": (x - apart, y), "square": (x + apart, y)}
    nests = tuple(Nest(s, centre_of[s], size_of[s], starts[s], direction) for s in chosen)
    return RingTest(
        nests=nests,
        sequence=_drawing_order(nests, order, sequence_mode, passes),
        layout=layout, spacing=spacing, order=order, sequence_mode=sequence_mode, passes=passes,
        feed=feed, travel_speed=travel_speed, acceleration=acceleration, centripetal=centripetal,
        corner_speed_change=corner_speed_change, start_from=start_from, line_width=line_width,
    )  # fmt: skip


def read_test(path: str | os.PathLike[str]) -> RingTest:
    """Read a test description: JSON, or TOML where the name ends in .toml.

    The fields are those of `RingTest.to_dict`.  Fields not known here are ignored;
    `burn_width_nominal_mm` may be left out (0.12 mm), and so may `sequence`, which then follows
    from `order`, `sequence_mode` and `passes`.

    Raises
    ------
    FileNotFoundError
        If there is no such file.
    ValueError
        With one sentence naming the file and the field.
    """
    content = read_content(path)
    try:
        return ring_test_of(content)
    except ValueError as error:
        raise ValueError(f"{path}: {error}") from None


def ring_test_of(content: Any) -> RingTest:
    """The test that the content of a test file describes; see `read_test`.

    Raises
    ------
    ValueError
        With one sentence naming the field.
    """
    fields = checked_fields(content)
    nests = fields["nests"] = tuple(Nest(**nest) for nest in fields["nests"])
    if "sequence" not in fields:
        how = (fields["order"], fields["sequence_mode"], fields["passes"])
        fields["sequence"] = _drawing_order(nests, *how)
    return RingTest(**fields)


def _chosen_shapes(shapes: Sequence[str]) -> tuple[str, ...]:
    named = (shapes,) if isinstance(shapes, str) else tuple(shapes)
    for shape in named:
        one_of(shape, SHAPES, "shapes")
    if not named or len(set(named)) != len(named):
        raise ValueError(f"shapes must name circle, square or both once, found {shapes!r}.")
    return tuple(shape for shape in SHAPES if shape in named)


def _ring_sizes(spacing: float, largest: float, smallest: float | None) -> tuple[float, ...]:
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


def _starts(start_deg: float | Mapping[str, float] | None) -> dict[str, float]:
    starts = {"circle": 0.0, "square": 45.0}
    if start_deg is None:
        return starts
    if not isinstance(start_deg, Mapping):
        return dict.fromkeys(starts, finite_number(start_deg, "start_deg"))
    for shape, value in start_deg.items():
        one_of(shape, SHAPES, "shape in start_deg")
        starts[shape] = finite_number(value, f"start_deg of the {shape}s")
    return starts


def _drawing_order(
    nests: tuple[Nest, ...], order: str, sequence_mode: str, passes: int
) -> tuple[tuple[str, int, int], ...]:
    one_of(order, ORDERS, "order")
    one_of(sequence_mode, SEQUENCE_MODES, "sequence_mode")
    turned = order == "outside_in"
    if sequence_mode == "interleaved":
        rings = sorted((size, nest.shape, k) for nest in nests for k, size in enumerate(nest.sizes))
        return tuple((shape, k, passes) for _, shape, k in (reversed(rings) if turned else rings))
    return tuple(
        (nest.shape, k, passes)
        for nest in nests
        for k in (reversed(range(len(nest.sizes))) if turned else range(len(nest.sizes)))
    )


def _checked_nests(nests: Any) -> tuple[Nest, ...]:
    if (
        isinstance(nests, Nest)
        or not isinstance(nests, Sequence)
        or not all(isinstance(n, Nest) for n in nests)
    ):
        raise ValueError(f"nests must be a tuple of Nest, found {shortened(nests)}.")
    if not nests or len({nest.shape for nest in nests}) != len(nests):
        raise ValueError("nests must hold one Nest, or one of circles and one of squares.")
    return tuple(nests)


def _read_only_points(xy: ArrayLike, name: str) -> Array:
    points = np.asarray(xy, dtype=np.float64).view()
    if points.ndim != 2 or points.shape[1] != 2:
        raise ValueError(f"points of {name} must have shape (n, 2), found {points.shape}.")
    # a finite sum proves finite points at a third of the price
    if not (math.isfinite(points.sum()) or np.isfinite(points).all()):
        raise ValueError(f"points of {name} must be finite numbers in mm, found NaN or infinity.")
    points.flags.writeable = False
    return points
