"""Ring tests: what the operator commanded, and the strokes that draw it.

A ring test is one or two nests of closed shapes (circles, squares) about a centre, drawn in a
stated order.  All lengths are commanded carriage positions in mm in the machine frame (x along the
beam, y along the rails, home at the origin), speeds mm/s, accelerations mm/s^2, angles degrees
counter-clockwise from +x.  Nothing here knows the machine: the spot lies a fixed head offset away
from these positions.

A mark, a scale reference and a caption may be burned beside the rings.  They are commanded after
the last ring, from a standstill, so that no ring is drawn otherwise than without them.
"""

from __future__ import annotations

import json
import math
import os
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any

import numpy as np

from gantrysim.pattern.beside import (
    BESIDE,
    Beside,
    Box,
    ScaleReference,
    checked_caption,
    checked_scale,
    placed_beside,
)
from gantrysim.pattern.file import NUMBERS, checked_fields, content_of, read_content
from gantrysim.pattern.layout import (
    DIRECTIONS,
    LAYOUTS,
    ORDERS,
    SEQUENCE_MODES,
    chosen_shapes,
    drawing_order,
    ring_sizes,
    start_angles,
)
from gantrysim.pattern.nests import Nest, checked_nests
from gantrysim.pattern.outlines import MIN_CIRCLE_STEPS, straight, straights
from gantrysim.pattern.shapes import CIRCLE, SHAPES, SQUARE
from gantrysim.pattern.strokes import Line, Stroke
from gantrysim.pattern.words import sentence_of, table_of
from gantrysim.records import limits
from gantrysim.records.arrays import Array
from gantrysim.records.checks import (
    finite_number,
    listed,
    one_of,
    point,
    positive,
    trusted,
    whole_number,
)
from gantrysim.records.doors import Count, Place, checked
from gantrysim.records.files import placed, write_new_text

__all__ = [
    "DIRECTIONS",
    "LAYOUTS",
    "ORDERS",
    "SEQUENCE_MODES",
    "SHAPES",
    "Line",
    "Nest",
    "RingTest",
    "Stroke",
    "read_test",
    "ring_test",
    "ring_test_of",
]

#: A ring and how often it is gone round.
Visit = Annotated[tuple[str, int, int], "(shape, ring, passes)"]
#: What a start direction may be.
START = "an angle in degrees, or one for each shape"
TRAVEL_STEPS = 4  # travel moves burn nothing, so they may be sampled this much coarser


@checked
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
    orientation_mark : bool
        Whether an L is burned beside the rings that shows which way up the piece lay.
    scale_reference : float, optional
        Distance of the crosses burned beside the rings, along x and along y, mm.
    caption : str
        Lines of letters burned beside the rings; line feeds part them.

    Raises
    ------
    ValueError
        With one sentence naming the field, what was found and what is accepted.

    Examples
    --------
    >>> import gantrysim as gs
    >>> test = gs.ring_test(spacing=6.0, largest=30.0, passes=2)
    >>> test.nests[0].sizes
    (6.0, 12.0, 18.0, 24.0, 30.0)
    >>> len(test.strokes())
    27
    >>> test.summary()
    '5 circles (6 to 30 mm radius) about (215, 200) mm counter-clockwise from 0 degrees and 4
    squares (9 to 27 mm half side) about (215, 200) mm counter-clockwise from 45 degrees, drawn
    inside out, shape by shape, 2 passes at 40 mm/s.'
    """

    nests: tuple[Nest, ...]
    sequence: tuple[Visit, ...]
    layout: Annotated[str, LAYOUTS]
    spacing: float
    order: Annotated[str, ORDERS]
    sequence_mode: Annotated[str, SEQUENCE_MODES]
    passes: Count
    feed: float
    travel_speed: float
    acceleration: float
    centripetal: float
    corner_speed_change: float
    start_from: Place = (0.0, 0.0)
    line_width: float = 0.12
    orientation_mark: bool = False
    scale_reference: float | None = None
    caption: str = ""

    def __post_init__(self) -> None:
        put = object.__setattr__
        put(self, "nests", checked_nests(self.nests))
        for name in (*NUMBERS, "line_width"):
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
        put(self, "scale_reference", checked_scale(self.scale_reference))
        put(self, "caption", checked_caption(self.caption, self.box()))

    def _checked_sequence(self) -> tuple[tuple[str, int, int], ...]:
        rings = {nest.shape: len(nest.sizes) for nest in self.nests}
        if not len(self.sequence):
            raise ValueError("sequence must name at least one ring, found none.")
        checked = []
        for number, (shape, ring, passes) in enumerate(self.sequence):
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

    @property
    def told_by_place(self) -> bool:
        """Whether the places of the nests tell quarter turns of a piece apart."""
        return len({nest.centre for nest in self.nests}) > 1

    def box(self) -> Box:
        """Left, bottom, right and top of the commanded rings, mm."""
        reach = [(nest.centre, nest.sizes[-1]) for nest in self.nests]
        low = [min(centre[axis] - size for centre, size in reach) for axis in (0, 1)]
        high = [max(centre[axis] + size for centre, size in reach) for axis in (0, 1)]
        return low[0], low[1], high[0], high[1]

    def beside(self) -> Beside:
        """Corners of all that is burned beside the rings, mm; see `gantrysim.pattern.beside`."""
        mark, scale = self.orientation_mark, self.scale_reference
        return placed_beside(self.box(), mark=mark, scale=scale, caption=self.caption)

    def extras(self) -> tuple[Array, ...]:
        """Strokes of the orientation mark, each (n, 2), mm; empty for a plain test."""
        return self.beside().mark

    def scale_references(self) -> tuple[ScaleReference, ...]:
        """The commanded distances along x and along y, mm; empty for a plain test."""
        return self.beside().references

    def caption_strokes(self) -> tuple[Array, ...]:
        """Strokes of the caption, each (n, 2), mm; empty without one."""
        return self.beside().caption

    def strokes(self, step: float = 0.5) -> tuple[Stroke, ...]:
        """Travel moves and burned strokes in drawing order.

        The passes of one visit to a ring follow each other without travel; a straight travel move
        leads to every visit that does not start where the one before ended.  Nothing follows the
        last stroke; what is burned beside the rings comes from `beside_strokes`.

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
            If the step is not positive, or so small that over 20 million points would be needed.
        """
        step = positive(step, "step")
        self._refuse_too_many_points(step)
        sizes = {nest.shape: nest.sizes for nest in self.nests}
        outlines = {nest.shape: nest.outlines(step) for nest in self.nests}
        rings = [outlines[shape][ring] for shape, ring, _ in self.sequence]
        starts = np.array([self.start_from, *(xy[-1] for xy in rings[:-1])])
        ends = np.array([xy[0] for xy in rings])
        travels = straights(starts, ends, TRAVEL_STEPS * step)
        away = (starts != ends).any(axis=1)
        for xy in (*rings, *travels):
            xy.flags.writeable = False
        drawn: Counter[tuple[str, int]] = Counter()
        strokes: list[Stroke] = []
        for (shape, ring, passes), xy, travel, leads in zip(
            self.sequence, rings, travels, away, strict=True
        ):
            if leads:
                strokes.append(trusted(Stroke, "travel", -1, 0.0, -1, travel, self.travel_speed))
            size = sizes[shape][ring]
            first = drawn[shape, ring]
            drawn[shape, ring] += passes
            for k in range(first, first + passes):
                strokes.append(trusted(Stroke, shape, ring, size, k, xy, self.feed))
        return tuple(strokes)

    def beside_strokes(self, step: float = 0.5) -> tuple[Stroke, ...]:
        """Travel moves and burned strokes of mark, scale reference and caption, in drawing order.

        They begin where the last ring ended, and each stroke is drawn once.

        Parameters
        ----------
        step : float
            Largest distance between samples along a burned stroke, mm.

        Returns
        -------
        tuple of Stroke
            With the shapes "mark", "scale" and "caption", numbered within each; empty for a plain
            test.
        """
        step = positive(step, "step")
        if not (self.orientation_mark or self.scale_reference or self.caption):
            return ()
        beside = self.beside()
        strokes: list[Stroke] = []
        here = np.array(self._last_place())
        for shape in BESIDE:
            for number, corners in enumerate(getattr(beside, shape)):
                if math.dist(here, corners[0]) > 0.0:
                    travel = straight(here, corners[0], TRAVEL_STEPS * step)
                    strokes.append(Stroke("travel", -1, 0.0, -1, travel, self.travel_speed))
                sides = straights(corners[:-1], corners[1:], step)
                xy = np.concatenate([sides[0], *(side[1:] for side in sides[1:])])
                strokes.append(Stroke(shape, number, 0.0, 0, xy, self.feed))
                here = corners[-1]
        return tuple(strokes)

    def _last_place(self) -> Array:
        """Where the last ring starts and ends, mm."""
        shape, ring, _ = self.sequence[-1]
        nest = self.nest(shape)
        return nest.outline(ring, nest.sizes[ring])[-1]

    def _refuse_too_many_points(self, step: float) -> None:
        sizes = {nest.shape: nest.sizes for nest in self.nests}
        drawn = [(sizes[shape][ring], passes) for shape, ring, passes in self.sequence]
        kept = [(size, 1) for nest in self.nests for size in nest.sizes]
        points = sum(n * (8 * size / step + MIN_CIRCLE_STEPS) for size, n in drawn + kept)
        if points > limits.POINTS:
            raise ValueError(
                f"step {step:g} mm would need about {points:.2g} points for this test, "
                f"over the {limits.POINTS:.0e} accepted; take a larger step or fewer passes."
            )

    def to_dict(self) -> dict[str, Any]:
        """Content of a test file: plain numbers, strings, lists; field names carry the units."""
        return content_of(self)

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

    def to_svg(self, path: str | os.PathLike[str], overwrite: bool = False) -> Path:
        """Write the drawing as SVG in mm; returns its path.

        Raises
        ------
        FileExistsError
            If the file exists and `overwrite` is false.
        """
        from gantrysim.formats.svg import write_test_svg

        return write_test_svg(self, path, overwrite=overwrite)

    def to_motion_code(self, path: str | os.PathLike[str], **how: Any) -> Path:
        """Write the test as RS-274 motion code, beam off unless a power is stated.

        Parameters
        ----------
        path : path
            Of the file.
        **how
            ``machine``, ``power`` (part of full power), ``s_max``, ``overwrite``: see
            `gantrysim.formats.motioncode.write_motion_code`.

        Raises
        ------
        ValueError
            If the test leaves the machine's travel or the power is out of range.
        FileExistsError
            If the file exists and ``overwrite`` is false.
        """
        from gantrysim.formats.motioncode import write_motion_code

        return write_motion_code(self, path, **how)

    def summary(self) -> str:
        """The test in one plain sentence."""
        return sentence_of(self)

    def plot(self, ax: Any = None) -> Any:
        """Draw the commanded strokes; takes and returns matplotlib Axes."""
        from gantrysim.plotting.patterns import plot_test

        return plot_test(self, ax=ax)

    def __repr__(self) -> str:
        nests = " + ".join(f"{len(nest.sizes)} {nest.shape}s" for nest in self.nests)
        how = f"{self.layout}, {self.order}, passes={self.passes}, feed={self.feed:g} mm/s"
        return f"RingTest({nests}, {how})"

    def _repr_html_(self) -> str:
        return table_of(self)


def drawn_passes(test: RingTest) -> dict[tuple[str, int], int]:
    """How many passes the test draws of each (shape, ring), in drawing order."""
    drawn: Counter[tuple[str, int]] = Counter()
    for shape, ring, passes in test.sequence:
        drawn[shape, ring] += passes
    return dict(drawn)


@checked
def ring_test(
    shapes: Annotated[str | Sequence[str], "'circle', 'square' or a list of both"] = tuple(SHAPES),
    *,
    spacing: float = 2.5,
    largest: float = 50.0,
    smallest: float | None = None,
    centre: Place = (215.0, 200.0),
    layout: Annotated[str, listed(LAYOUTS[:2])] = "concentric",
    gap: float = 10.0,
    start_deg: Annotated[float | Mapping[str, float] | None, START] = None,
    direction: Annotated[str, DIRECTIONS] = "ccw",
    order: Annotated[str, ORDERS] = "inside_out",
    sequence_mode: Annotated[str, SEQUENCE_MODES] = "shape_by_shape",
    passes: Count = 1,
    feed: float = 40.0,
    travel_speed: float = 100.0,
    acceleration: float = 800.0,
    centripetal: float = 800.0,
    corner_speed_change: float = 8.0,
    start_from: Place = (0.0, 0.0),
    line_width: float = 0.12,
    orientation_mark: bool = False,
    scale_reference: float | None = None,
    caption: str = "",
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
    orientation_mark : bool
        Burn an L beside the rings, from which a lifted piece is read the right way up.
    scale_reference : float, optional
        Burn crosses beside the rings this far apart along x and along y, mm.
    caption : str
        Burn this beside the rings: A to Z, 0 to 9, - . / = and spaces, up to three lines.

    Raises
    ------
    ValueError
        With one sentence naming the argument, what was found and what is accepted.

    Examples
    --------
    >>> import gantrysim as gs
    >>> gs.ring_test(spacing=6.0, largest=30.0, passes=2)
    RingTest(5 circles + 4 squares, concentric, inside_out, passes=2, feed=40 mm/s)
    >>> gs.ring_test(("circle",), spacing=12.0, largest=24.0, orientation_mark=True)
    RingTest(2 circles, circles, inside_out, passes=1, feed=40 mm/s)
    """
    chosen = chosen_shapes(shapes)
    if layout not in LAYOUTS[:2] and layout != f"{chosen[0]}s":
        raise ValueError(f"layout must be {listed(LAYOUTS[:2])}, found {layout!r}.")
    sizes = ring_sizes(spacing, largest, smallest)
    starts = start_angles(start_deg)
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
        size_of[SQUARE.name] = tuple(round(size + spacing / 2, 9) for size in sizes[:-1])
    else:
        if finite_number(gap, "gap") < 0:
            raise ValueError(f"gap must not be negative, found {gap} mm.")
        apart = sizes[-1] + gap / 2
        centre_of = {CIRCLE.name: (x - apart, y), SQUARE.name: (x + apart, y)}
    nests = tuple(Nest(s, centre_of[s], size_of[s], starts[s], direction) for s in chosen)
    return RingTest(
        nests=nests,
        sequence=drawing_order(size_of, order, sequence_mode, passes),
        layout=layout, spacing=spacing, order=order, sequence_mode=sequence_mode, passes=passes,
        feed=feed, travel_speed=travel_speed, acceleration=acceleration, centripetal=centripetal,
        corner_speed_change=corner_speed_change, start_from=start_from, line_width=line_width,
        orientation_mark=orientation_mark, scale_reference=scale_reference, caption=caption,
    )  # fmt: skip


@checked
def read_test(path: str | os.PathLike[str]) -> RingTest:
    """Read a test description: JSON, or TOML where the name ends in .toml.

    The fields are those of `RingTest.to_dict`.  Fields not known here are ignored;
    `burn_width_nominal_mm` may be left out (0.12 mm), and so may `sequence`, which then follows
    from `order`, `sequence_mode` and `passes`, and `orientation_mark`, `scale_reference_mm` and
    `caption` (none).

    Raises
    ------
    FileNotFoundError
        If there is no such file.
    ValueError
        With one sentence naming the file and the field.

    Examples
    --------
    >>> import gantrysim as gs
    >>> path = gs.ring_test(spacing=6.0, largest=30.0).save("alder.json")
    >>> gs.read_test("alder.json")
    RingTest(5 circles + 4 squares, concentric, inside_out, passes=1, feed=40 mm/s)
    """
    content = read_content(path)
    with placed(path):
        return ring_test_of(content)


def ring_test_of(content: Any) -> RingTest:
    """The test that the content of a test file describes; see `read_test`.

    ValueError with one sentence naming the field.
    """
    fields = checked_fields(content)
    nests = fields["nests"] = tuple(Nest(**nest) for nest in fields["nests"])
    if "sequence" not in fields:
        how = (fields["order"], fields["sequence_mode"], fields["passes"])
        fields["sequence"] = drawing_order({n.shape: n.sizes for n in nests}, *how)
    return RingTest(**fields)
