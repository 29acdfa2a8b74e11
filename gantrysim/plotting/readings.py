"""What was measured: a piece with its error magnified, calipers, pushes, tones of belts."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from typing import Annotated

import numpy as np
from matplotlib.axes import Axes

from gantrysim.burn.magnified import magnified_points
from gantrysim.instruments.calipers import CaliperSheet
from gantrysim.instruments.photo.flatten import FlatPicture
from gantrysim.instruments.points import Piece
from gantrysim.mechanics.handpush import PushResult
from gantrysim.metrology.calipered import CaliperMeasures
from gantrysim.plotting import look
from gantrysim.plotting.unrolled import centred
from gantrysim.records.arrays import Array
from gantrysim.records.checks import positive
from gantrysim.records.doors import checked

_MARKS = ("o", "s", "^", "v", "D", "P", "X", "*")
_TURN = np.linspace(0.0, 2.0 * np.pi, 181)
_UNIT = {
    "circle": np.column_stack([np.cos(_TURN), np.sin(_TURN)]),
    "square": np.array([(1, -1), (1, 1), (-1, 1), (-1, -1), (1, -1)], dtype=float),
}
#: Mark of each error of a ring, how far beside its ring it is drawn, mm, and its name.
_ERRORS = {
    "stretch_mrad": ("o", -0.25, "x less y"),
    "diagonal_mrad": ("v", 0.25, "diagonals of circles"),
    "squareness_mrad": ("^", 0.25, "squareness of squares"),
}


@checked
def plot_piece_errors(piece: Piece, ax: Axes | None = None, *, magnify: float) -> Axes:
    """Draw the points of a piece over the commanded rings, their outward error magnified.

    ``piece``: what to draw; it is turned and shifted onto its test.  ``magnify``: how many times
    larger than it is the error is drawn.  Axes: machine frame without the offset of the head, mm.
    ValueError if `magnify` is not above zero.
    """
    factor = positive(magnify, "magnify")
    have = [n for n in piece.test.nests if any(x.shape == n.shape for x in piece.lines)]
    drawn = {
        n.shape: np.concatenate([magnified_points(x, factor) for x in centred(piece, n.shape)])
        + n.centre
        for n in have
    }
    ends = np.array([[-1, -1], [1, 1]])
    bounds = look.bounds_of([np.array(n.centre) + n.sizes[-1] * ends for n in have])
    ax = look.map_axes(ax, bounds)
    for nest in have:
        for size in {x.size for x in piece.lines if x.shape == nest.shape}:
            outline = size * _UNIT[nest.shape] + nest.centre
            ax.plot(*outline.T, color=look.COMMANDED, linewidth=0.6)
        look.draw_points(ax, [drawn[nest.shape]], look.SHAPE_COLOURS[nest.shape])
    look.frame(ax, look.bounds_of([bounds, *drawn.values()]))
    look.write_below(ax, bounds, factor, notes=["fitted onto its test"], bar=True)
    look.legend(ax, look.shape_dots(n.shape for n in have))
    return ax


@checked
def plot_flat_picture(picture: FlatPicture, ax: Axes | None = None) -> Axes:
    """Draw a photograph made flat, its scale in mm."""
    rows, columns = picture.grey.shape
    half, size = 0.5 * picture.pitch, picture.pitch * np.array([columns, rows])
    low = np.array(picture.origin) - half
    bounds = np.array([low, low + size])
    ax = look.map_axes(ax, bounds)
    step = max(1, max(rows, columns) // 1600)  # as fine as a page shows
    (left, bottom), (right, top) = bounds
    shown, extent = picture.grey[::step, ::step], (left, right, bottom, top)
    ax.imshow(shown, cmap="gray", vmin=0, vmax=255, origin="upper", extent=extent)
    look.frame(ax, bounds, names=("x along the reference", "y"))
    words = f"accurate to {picture.accuracy:.2g} mm (95 %)"
    look.write_below(ax, bounds, 1.0, bar=False, words=words)
    return ax


@checked
def plot_calipers(sheet: CaliperSheet, ax: Axes | None = None) -> Axes:
    """Draw how far the readings are off their commanded sizes, with their uncertainty.

    Axes: reading less commanded size and the believed line width, over the commanded size, mm;
    circles by direction, squares by side or diagonal ("up", "down").
    """
    height, off_size = 0.75 * look.WIDTH, "off the commanded size, mm"
    ax = look.chart_axes(ax, height, "commanded size, mm", off_size)
    ax.axhline(0.0, color=look.FAINT, linewidth=0.6)
    nominal = np.array([r.nominal for r in sheet.readings])
    off = sheet.values - nominal - sheet.line_width[0]
    kinds = list(dict.fromkeys((r.shape, r.what) for r in sheet.readings))
    handles = []
    marks: Counter[str] = Counter()
    for shape, what in kinds:
        mark = _MARKS[marks[shape] % len(_MARKS)]
        marks[shape] += 1
        own = [i for i, r in enumerate(sheet.readings) if (r.shape, r.what) == (shape, what)]
        colour = look.SHAPE_COLOURS[shape]
        spread = sheet.uncertainty[own]
        look.draw_readings(ax, nominal[own], off[own], colour, mark, yerr=spread)
        words = f"{what.split('_')[1]}°" if shape == "circle" else what.removeprefix("diagonal_")
        handles.append(look.dots(colour, words, mark, 4.5))
    look.legend(ax, handles)
    return ax


@checked
def plot_caliper_measures(measures: CaliperMeasures, ax: Axes | None = None) -> Axes:
    """Draw stretch, and diagonals or squareness, of each ring, with their standard uncertainty.

    Axes: stretch along x less that along y (dots), along one diagonal less the other (triangles
    down) and lean of the y axis of squares (triangles up), mm/m, over the commanded size, mm;
    circles and squares by colour.
    """
    ax = look.chart_axes(ax, 0.75 * look.WIDTH, "commanded radius or half side, mm", "error, mm/m")
    ax.axhline(0.0, color=look.FAINT, linewidth=0.6)
    handles = []
    for shape in dict.fromkeys(r.shape for r in measures.rows):
        handles.append(look.stroke(look.SHAPE_COLOURS[shape], look.plural(shape), 4))
        for name, (mark, aside, _) in _ERRORS.items():
            own = [r for r in measures.rows if r.shape == shape and getattr(r, name) is not None]
            if not own:
                continue
            value, spread = zip(*(getattr(r, name) for r in own), strict=True)
            at = [r.commanded + aside for r in own]
            look.draw_readings(ax, at, value, look.SHAPE_COLOURS[shape], mark, yerr=spread)
    handles += [look.dots(look.INK, words, mark, 4.5) for mark, _, words in _ERRORS.values()]
    look.legend(ax, handles)
    return ax


@checked
def plot_push(
    result: PushResult,
    ax: Axes | None = None,
    *,
    what: Annotated[str, ("force", "lag")] = "force",
    label: str = "",
    colour: str = look.BLUE,
) -> Axes:
    """Draw a push test: what the scale reads, or how far the other part stays behind.

    Parameters
    ----------
    result : PushResult
        From `gantrysim.mechanics.handpush`.
    ax : Axes, optional
        Where to draw; a new figure if absent.  Several pushes may share one.
    what : str
        "force" or "lag".
    label : str
        Name of this push in the legend; its own words if absent.
    colour : str
        Of its line.

    Returns
    -------
    Axes
        Force in N or lag in mm, over the travel of the pushed part in mm.  The first leg, from
        rest, is thin; the loop that follows is wide, with arrows the way it is gone through.

    Raises
    ------
    ValueError
        If `what` is neither.
    """
    fresh = ax is None
    words = "push by hand, N" if what == "force" else f"{result.behind} stays behind, mm"
    name = "carriage" if result.at == "carriage" else f"{result.at} plate"
    ax = look.chart_axes(ax, 0.62 * look.WIDTH, f"travel of the {name}, mm", words)
    values = result.force if what == "force" else result.lag
    if fresh or not ax.lines:
        ax.axhline(0.0, color=look.FAINT, linewidth=0.6)
    for leg, width in ((0, 0.7), (1, 1.8), (2, 1.8)):
        own = result.leg == leg
        x, y = result.travel[own], values[own]
        ax.plot(x, y, color=colour, linewidth=width, solid_capstyle="round")
        if leg:
            _arrow_on(ax, x, y, colour)
    shown = label or f"pushed at the {name}, motor {result.motor}"
    # an empty line: the legend finds it again when another push is drawn
    ax.add_line(look.stroke(colour, shown, 1.8))
    look.drawn_legend(ax)
    return ax


@checked
def plot_rows(
    names: Sequence[str],
    values: Sequence[float],
    spread: Sequence[float],
    label: str,
    ax: Axes | None = None,
    *,
    marked: Sequence[bool] | None = None,
) -> Axes:
    """Draw readings with their uncertainty, one row each from the top down.

    ``names``: name of each row.  ``values``, ``spread``: readings and their standard uncertainties,
    in one unit.  ``label``: what is read, with its unit.  ``marked``: rows in the second colour;
    none if absent.
    """
    colours = [look.VERMILION if mark else look.BLUE for mark in marked or [False] * len(names)]
    ax = look.chart_axes(ax, 1.0 + 0.26 * len(names), label)
    for row, (value, error, colour) in enumerate(zip(values, spread, colours, strict=True)):
        look.draw_readings(ax, [value], [row], colour, xerr=[error])
    ax.set_yticks(range(len(names)), names, fontsize=look.SMALL, color=look.INK)
    ax.set_ylim(len(names) - 0.5, -0.5)
    return ax


def _arrow_on(ax: Axes, x: Array, y: Array, colour: str) -> None:
    """An arrow head on the middle of the way along a leg."""
    k = int(np.searchsorted(np.abs(x - x[0]), 0.5 * abs(x[-1] - x[0])))
    k = min(max(k, 1), len(x) - 1)
    way = math.copysign(1e-6 * max(abs(x[-1] - x[0]), 1e-9), x[-1] - x[0])
    arrow = {"arrowstyle": "-|>", "color": colour, "linewidth": 0.0, "mutation_scale": 15}
    ax.annotate("", (x[k] + way, y[k]), (x[k] - way, y[k]), arrowprops=arrow, zorder=4)
