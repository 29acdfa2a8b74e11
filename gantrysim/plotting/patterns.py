"""Patterns true to size: a commanded test, and the points of a measured piece."""

from __future__ import annotations

import math

import numpy as np
from matplotlib.axes import Axes

from gantrysim.instruments.points import Piece
from gantrysim.pattern.ringtest import Nest, RingTest
from gantrysim.pattern.shapes import shape_of
from gantrysim.plotting import look
from gantrysim.records.doors import checked


@checked
def plot_test(test: RingTest, ax: Axes | None = None) -> Axes:
    """Draw a commanded test: rings and what is burned beside them, travel moves, start points.

    Rings run from light (drawn first) to dark (drawn last).  A dot marks each start point, an
    arrow the direction, and numbers count the rings in drawing order.

    Parameters
    ----------
    test : RingTest
        What to draw.
    ax : Axes, optional
        Where to draw; a new figure if absent.

    Returns
    -------
    Axes
        Commanded carriage positions, mm.

    Examples
    --------
    >>> import gantrysim as gs
    >>> axes = gs.plot_test(gs.ring_test(spacing=6.0, largest=30.0))
    >>> axes.get_xlabel()
    'x of the carriage, mm'
    """
    strokes = test.strokes()
    drawn = [s for s in strokes if s.shape != "travel"]
    beside = [s.xy for s in test.beside_strokes() if s.shape != "travel"]
    bounds = look.bounds_of([s.xy for s in drawn] + beside)
    ax = look.map_axes(ax, bounds)
    look.draw_lines(ax, beside, look.INK, 0.9)
    for shape in dict.fromkeys(s.shape for s in drawn):
        own = [(k, s.xy) for k, s in enumerate(drawn) if s.shape == shape]
        shades = [_shade(look.SHAPE_COLOURS[shape], k / max(len(drawn) - 1, 1)) for k, _ in own]
        look.draw_lines(ax, [xy for _, xy in own], shades, 1.1)
    look.draw_travel(ax, [s.xy for s in strokes if s.shape == "travel"])
    for number, (shape, ring, _) in enumerate(test.sequence, start=1):
        _mark_start(ax, test, shape, ring, number)
    look.frame(ax, bounds, names=("x of the carriage", "y of the carriage"))
    look.write_below(
        ax, bounds, 1.0, notes=[_order_sentence(test)], bar=False, words="as commanded (×1)"
    )
    shapes = [n.shape for n in test.nests]
    drawn_as = [look.stroke(look.SHAPE_COLOURS[s], look.plural(s)) for s in shapes]
    look.legend(ax, [*drawn_as, *look.travel_and_start()])
    return ax


@checked
def plot_piece(piece: Piece, ax: Axes | None = None) -> Axes:
    """Draw the measured points of a lifted piece, in the piece's own frame.

    Parameters
    ----------
    piece : Piece
        What to draw.
    ax : Axes, optional
        Where to draw; a new figure if absent.

    Returns
    -------
    Axes
        Positions on the piece, mm, true to size.

    Examples
    --------
    >>> import gantrysim as gs
    >>> test = gs.ring_test(("circle",), spacing=10.0, largest=20.0)
    >>> path = gs.simulate(gs.Machine(), test).to_csv("points.csv")
    >>> piece = gs.read_points("points.csv", test)
    >>> axes = gs.plot_piece(piece)
    >>> axes.get_ylabel()
    'y on the piece, mm'
    """
    bounds = look.bounds_of([line.xy for line in piece.lines])
    ax = look.map_axes(ax, bounds)
    for shape in (n.shape for n in piece.test.nests):
        own = [line.xy for line in piece.lines if line.shape == shape and len(line.xy)]
        if own:
            look.draw_points(ax, own, look.SHAPE_COLOURS[shape])
    look.frame(ax, bounds, names=("x on the piece", "y on the piece"))
    lost = len(piece.missing)
    notes = [f"{piece.n_points} measured points"]
    notes += [f"{lost} ring{'s' * (lost > 1)} without points"] if lost else []
    look.write_below(ax, bounds, 1.0, notes=notes, bar=False)
    look.legend(ax, look.shape_dots(n.shape for n in piece.test.nests))
    return ax


def _mark_start(ax: Axes, test: RingTest, shape: str, ring: int, number: int) -> None:
    """Dot at the start point, an arrow on the way, and the drawing number where there is room."""
    nest = test.nest(shape)
    size, last = nest.sizes[ring], len(nest.sizes) - 1
    start = _on_ring(nest, size, nest.start_deg)
    colour = look.SHAPE_COLOURS[shape]
    ax.plot(*start, "o", color=look.INK, markersize=2.4, markeredgewidth=0, zorder=4)
    if ring not in {0, last // 2, last}:
        return
    sense = 1.0 if nest.direction == "ccw" else -1.0
    if ring:
        at = nest.start_deg + sense * 30.0
        tail, head = (_on_ring(nest, size, a) for a in (at - sense, at + sense))
        arrow = {"arrowstyle": "-|>", "color": colour, "linewidth": 0.0, "mutation_scale": 16}
        ax.annotate("", head, tail, arrowprops=arrow, zorder=3)
    place = _on_ring(nest, size, nest.start_deg - sense * 9.0)
    box = {"boxstyle": "circle,pad=0.15", "facecolor": "white", "edgecolor": colour, "lw": 0.8}
    words = {"fontsize": look.SMALL, "color": look.INK, "ha": "center", "va": "center"}
    ax.text(*place, str(number), bbox=box, zorder=5, **words)  # type: ignore[arg-type]


def _on_ring(nest: Nest, size: float, angle_deg: float) -> tuple[float, float]:
    c, s = math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))
    (ray,) = shape_of(nest.shape).reach(np.array([[c, s]]))
    reach = size / ray
    return nest.centre[0] + reach * c, nest.centre[1] + reach * s


def _order_sentence(test: RingTest) -> str:
    passes = "1 pass" if test.passes == 1 else f"{test.passes} passes"
    return f"{test.order.replace('_', ' ')}, {passes}, {test.feed:g} mm/s"


def _shade(colour: str, dark: float) -> tuple[float, float, float]:
    """A colour lightened for 0 up to itself for 1."""
    rgb = [int(colour[k : k + 2], 16) / 255.0 for k in (1, 3, 5)]
    keep = 0.35 + 0.65 * dark
    red, green, blue = (1.0 - keep * (1.0 - part) for part in rgb)
    return red, green, blue
