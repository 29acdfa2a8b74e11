"""The common look of all pictures: colours, type, axes, scale bars and legends.

The colours are from the set of Okabe and Ito ("Color universal design", 2008), which stays apart
in the common forms of colour blindness; ring sizes and passes follow matplotlib's ``cividis``,
made for the same purpose (Nunez, Anderton and Renslow, PLoS ONE 13 (2018) e0199239).  Both are
cited from memory.
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection
from matplotlib.lines import Line2D
from matplotlib.ticker import MaxNLocator
from matplotlib.transforms import offset_copy
from numpy.typing import NDArray

from gantrysim.records.arrays import Array
from gantrysim.records.checks import positive

INK = "#222222"
FAINT = "#767676"
COMMANDED = "#8f8f8f"
BLUE, VERMILION = "#0072B2", "#D55E00"
SHAPE_COLOURS = {"circle": BLUE, "square": VERMILION}
SHAPE_MARKS = {"circle": "o", "square": "s"}

#: Inches of a new figure, however many panels it has: they stand below each other.  On a phone 390
#: pixels wide the capitals of its smallest words are then 7 pixels high; they were 4 in figures of
#: two columns (judgement, by eye).
WIDTH = 5.6
SMALL, NORMAL = 10.0, 11.5  # points
_LETTER = 0.52  # of its size, the width of a letter in a row of words (DejaVu Sans, measured: 0.5)

DRAWN_ERROR = 0.4  # the largest error drawn, as part of the ring spacing

_STEPS = (1.0, 2.0, 5.0, 10.0)
_ROW = 0.075  # from the pattern down to the words below it, as part of its width
_LEGEND_DROP = 44.0  # points from the axis down to the legend
#: Of the size of its letters: a line in a legend, from there to its words, and between columns.
_HANDLE, _TO_WORDS, _BETWEEN = 1.6, 0.8, 1.4
_MARGIN, _EDGE = 0.8, 0.15  # inches that an axis takes on the left, and that stay free beside none


def ready_axes(ax: Axes | None, height: float, *, equal: bool = True) -> Axes:
    """Axes in the library's look: those given, or a new figure of a height in inches."""
    ready: Axes = new_axes(height)[0] if ax is None else ax
    dress(ready)
    if equal:
        ready.set_aspect("equal", adjustable="box")
    return ready


def map_axes(ax: Axes | None, bounds: Array) -> Axes:
    """Axes for a pattern within bounds, mm: those given, or a new figure that it fits."""
    return ready_axes(ax, height_for(bounds))


def chart_axes(ax: Axes | None, height: float, x: str = "", y: str = "") -> Axes:
    """Axes for a chart with what its axes show: those given, or a new figure, height in inches."""
    ready = ready_axes(ax, height, equal=False)
    label(ready, x, y)
    return ready


def label(ax: Axes, x: str, y: str) -> None:
    """Say what the axes show, with the unit."""
    ax.set_xlabel(x, fontsize=NORMAL)
    ax.set_ylabel(y, fontsize=NORMAL)


def new_axes(*heights: float, columns: int = 1, width: float = WIDTH) -> NDArray[Any]:
    """Rows of panels of these heights in a new figure, inches, never wider than the usual width.

    Pyplot knows the figure, so that notebooks display it.
    """
    import matplotlib.pyplot as plt

    size, ratios = (min(width, WIDTH), sum(heights)), {"height_ratios": heights}
    figure = plt.figure(figsize=size, layout="constrained")
    axes: NDArray[Any] = figure.subplots(len(heights), columns, squeeze=False, gridspec_kw=ratios)
    return axes.ravel()


def two_axes(axes: Sequence[Axes] | NDArray[Any] | None, bounds: Array, each: str) -> NDArray[Any]:
    """Two Axes: those given, or below each other in a new figure for a pattern within bounds, mm.

    ValueError if those given are not two, one for each of what is compared.
    """
    if axes is None:
        return new_axes(*2 * [height_for(bounds) + 0.2])
    pair = np.asarray(axes, dtype=object).ravel()
    if len(pair) != 2:
        raise ValueError(f"axes must be two Axes, one for each {each}, found {len(pair)}.")
    return pair


def dress(ax: Axes) -> None:
    """Light ground, two quiet spines, ticks that can be read in print."""
    ax.set_facecolor("white")
    for side in ("top", "right"):
        ax.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        ax.spines[side].set_color(FAINT)
    ax.tick_params(colors=INK, labelsize=SMALL, width=0.8)


def frame(
    ax: Axes, bounds: Array, names: tuple[str, str] = ("x along the beam", "y along the rails")
) -> None:
    """Limits round what is drawn, with room below for words, equal aspect, labels in mm."""
    ax.set_aspect("equal", adjustable="box")
    (left, bottom), (right, top) = bounds
    wide = right - left
    ax.set_xlim(left - 0.03 * wide, right + 0.03 * wide)
    ax.set_ylim(bottom - (_ROW + 0.055) * wide, top + 0.03 * wide)
    for axis, name in zip((ax.xaxis, ax.yaxis), names, strict=True):
        axis.set_major_locator(MaxNLocator(6, steps=[1, 2, 2.5, 5, 10]))
        axis.set_label_text(f"{name}, mm", fontsize=NORMAL)


def heading(ax: Axes, text: str, size: float = SMALL, side: str = "left") -> None:
    """Write what a picture is above it, in rows that fit a figure of the usual width."""
    text = in_rows(text, size, WIDTH - (_MARGIN if side == "left" else _EDGE))
    ax.set_title(text, loc=side, fontsize=size, color=INK)  # type: ignore[arg-type]


def in_rows(text: str, size: float = SMALL, width: float = WIDTH - _MARGIN) -> str:
    """Words of a size in points, in rows not wider than a width in inches."""
    most = int(72.0 * width / (_LETTER * size))
    return "\n".join(textwrap.fill(row, most, break_on_hyphens=False) for row in text.split("\n"))


def draw_lines(ax: Axes, lines: Sequence[Array], colour: Any, width: float, **style: Any) -> None:
    """Draw lines of places, shape (n, 2) each, mm."""
    ax.add_collection(LineCollection(lines, colors=colour, linewidths=width, **style))


def draw_travel(ax: Axes, travels: Sequence[Array]) -> None:
    """Draw moves with the beam off, mm."""
    draw_lines(ax, travels, FAINT, 0.7, linestyles=(0, (4, 3)))


def draw_points(
    ax: Axes, places: Sequence[Array], colour: Any, size: float = 2.2, **style: Any
) -> None:
    """Draw points, shape (n, 2) each, mm."""
    how = {"marker": ".", "markeredgewidth": 0, **style}
    ax.plot(*np.concatenate(places).T, linestyle="", color=colour, markersize=size, **how)


def draw_readings(ax: Axes, x: Any, y: Any, colour: Any, mark: str = "o", **spread: Any) -> None:
    """Draw readings with their uncertainty, `xerr` or `yerr`."""
    ax.errorbar(
        x, y, linestyle="", marker=mark, markersize=4.5, color=colour, elinewidth=0.8, **spread
    )


def write_below(
    ax: Axes,
    bounds: Array,
    factor: float,
    *,
    notes: Sequence[str] = (),
    bar: bool = True,
    words: str = "",
) -> None:
    """Write the magnification, a scale bar of the error, and notes below the pattern."""
    (left, bottom), (right, _) = bounds
    wide = right - left
    row = bottom - _ROW * wide
    if bar:
        error = nearest_nice(0.035 * wide / factor)
        y = row + 0.004 * wide
        end = left + factor * error
        ends = {"marker": "|", "markersize": 7, "markeredgewidth": 1.6}
        ax.plot([left, end], [y, y], color=INK, linewidth=1.6, **ends)  # type: ignore[arg-type]
        write(ax, end + 0.025 * wide, row, f"{error:g} mm error", ha="left")
    bold = {"fontsize": NORMAL, "fontweight": "bold"}
    write(ax, right, row, words or magnification_words(factor), **bold)
    for note in notes:  # a row each: in one row they would run into the axis
        row -= _ROW * wide
        write(ax, right, row, note)
        ax.set_ylim(bottom=row - 0.055 * wide)


def write(ax: Axes, x: float, y: float, text: str, **style: Any) -> None:
    """Write words at a place of the picture."""
    ax.text(x, y, text, **{"va": "center", "ha": "right", "fontsize": SMALL, "color": INK, **style})


def magnification_words(factor: float) -> str:
    """How a picture says by how much its errors are magnified."""
    if factor == 1.0:
        return "errors true to size (×1)"
    return f"errors drawn ×{factor:g}"


def legend(ax: Axes, handles: Sequence[Line2D], title: str = "", columns: int = 6) -> None:
    """Rows below the picture, where they hide nothing: of so many columns, or what has room."""
    letters = [len(str(handle.get_label())) for handle in handles]
    even = (math.ceil(len(letters) / rows) for rows in range(1, len(letters)))
    fits = (n for n in even if n <= columns and _legend_width(letters, n) < WIDTH - _MARGIN)
    below = offset_copy(ax.transAxes, ax.get_figure(root=True), 0.0, -_LEGEND_DROP, units="points")
    style: dict[str, Any] = {"frameon": False, "fontsize": SMALL, "title_fontsize": SMALL}
    style |= {"bbox_to_anchor": (0.5, 0.0), "bbox_transform": below, "borderaxespad": 0.0}
    style |= {"ncols": next(fits, 1), "columnspacing": _BETWEEN}
    style |= {"handlelength": _HANDLE, "handletextpad": _TO_WORDS}
    ax.legend(handles=handles, loc="upper center", title=title or None, **style)


def _legend_width(letters: Sequence[int], columns: int) -> float:
    """Inches of a legend with words of so many letters, which fills its columns one by one."""
    parts = np.array_split(letters, columns)
    words = sum(_LETTER * part.max() + _HANDLE + _TO_WORDS for part in parts)
    return float(SMALL / 72.0 * (words + _BETWEEN * (columns - 1)))


def drawn_legend(ax: Axes) -> None:
    """A legend of the lines that were drawn with a name."""
    legend(ax, [h for h in ax.lines if not str(h.get_label()).startswith("_")])


def stroke(colour: Any, label: str, width: float | None = None, **style: Any) -> Line2D:
    """Legend entry of a line."""
    return Line2D([], [], color=colour, label=label, linewidth=width, **style)


def dots(colour: Any, label: str, mark: str = "o", size: float = 4) -> Line2D:
    """Legend entry of points."""
    return stroke(colour, label, linestyle="", marker=mark, markersize=size)


def commanded() -> Line2D:
    """Legend entry of the commanded lines."""
    return stroke(COMMANDED, "commanded", 1.0)


def travel_and_start() -> list[Line2D]:
    """Legend entries of a commanded path beside its lines."""
    travel = stroke(FAINT, "travel, beam off", 0.9, dashes=(4, 3))
    return [travel, dots(INK, "start")]


def shape_dots(shapes: Iterable[str]) -> list[Line2D]:
    """Legend entries of measured points by shape."""
    return [dots(SHAPE_COLOURS[shape], plural(shape)) for shape in shapes]


def bounds_of(places: Sequence[Array]) -> Array:
    """Lower left and upper right corner, shape (2, 2), mm."""
    both = np.concatenate([xy for xy in places if len(xy)])
    return np.array([both.min(axis=0), both.max(axis=0)])


def height_for(bounds: Array) -> float:
    """Inches that a pattern needs at the usual width, with labels, strip and legend."""
    wide, high = bounds[1] - bounds[0]
    return float(np.clip((WIDTH - 0.7) * (high / wide + 0.16) + 1.1, 2.5, 9.0))


def nearest_nice(value: float) -> float:
    """The number 1, 2 or 5 times a power of ten that is nearest in ratio."""
    power = 10.0 ** math.floor(math.log10(value))
    near = min(_STEPS, key=lambda step: abs(math.log(step * power / value)))
    return float(f"{near * power:.6g}")


def nice_magnification(largest_error: float, spacing: float) -> float:
    """Round factor (1, 2, 5, 10, 20, ...) that makes errors visible and keeps rings apart.

    Parameters
    ----------
    largest_error : float
        Largest error to be drawn, mm.
    spacing : float
        Step from ring to ring, mm.

    Returns
    -------
    float
        The round number nearest (in ratio) to the factor that draws the largest error as 40 %
        of the spacing; never below 1.

    Examples
    --------
    >>> from gantrysim.plotting.look import nice_magnification
    >>> nice_magnification(0.1, 2.5)
    10.0
    """
    if largest_error <= 0.0:
        return 1.0
    return nearest_nice(max(DRAWN_ERROR * spacing / largest_error, 1.0))


def magnification(magnify: float | None, largest_error: float, spacing: float) -> float:
    """The factor that was asked for, above zero, or else that of `nice_magnification`."""
    if magnify is None:
        return nice_magnification(largest_error, spacing)
    return positive(magnify, "magnify")


def rms_um(errors: Sequence[Array]) -> float:
    """Root mean square length of errors in mm, shape (n, 2) each, as µm."""
    return 1e3 * float(np.sqrt(np.mean(np.sum(np.concatenate(errors) ** 2, axis=1))))


def plural(shape: str) -> str:
    """Name of a shape where there are several."""
    return f"{shape}s"
