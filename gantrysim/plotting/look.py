"""The common look of all pictures: colours, type, axes, scale bars and legends.

The colours are from the set of Okabe and Ito ("Color universal design", 2008), which stays apart
in the common forms of colour blindness; ring sizes and passes follow matplotlib's ``cividis``,
made for the same purpose (Nunez, Anderton and Renslow, PLoS ONE 13 (2018) e0199239).  Both are
cited from memory.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.ticker import MaxNLocator
from matplotlib.transforms import offset_copy
from numpy.typing import NDArray

from gantrysim.records.arrays import Array

INK = "#222222"
FAINT = "#767676"
COMMANDED = "#8f8f8f"
BLUE, VERMILION = "#0072B2", "#D55E00"
SHAPE_COLOURS = {"circle": BLUE, "square": VERMILION}
SHAPE_MARKS = {"circle": "o", "square": "s"}

WIDTH = 5.6  # inches of a new one-panel figure
SMALL, NORMAL = 10.0, 11.5  # points; still legible when the figure shrinks to a phone

DRAWN_ERROR = 0.4  # the largest error drawn, as part of the ring spacing

_STEPS = (1.0, 2.0, 5.0, 10.0)
_ROW = 0.075  # from the pattern down to the words below it, as part of its width
_LEGEND_DROP = 44.0  # points from the axis down to the legend


def ready_axes(ax: Axes | None, height: float, *, equal: bool = True) -> Axes:
    """Axes in the library's look: those given, or a new figure of a height in inches."""
    ready: Axes = new_axes(WIDTH, height)[0] if ax is None else ax
    dress(ready)
    if equal:
        ready.set_aspect("equal", adjustable="box")
    return ready


def new_axes(width: float, height: float, columns: int = 1) -> NDArray[Any]:
    """Make a figure, sizes in inches; pyplot knows it, so that notebooks display it."""
    import matplotlib.pyplot as plt

    _, axes = plt.subplots(1, columns, figsize=(width, height), layout="constrained", squeeze=False)
    row: NDArray[Any] = axes[0]
    return row


def two_axes(axes: Sequence[Axes] | NDArray[Any] | None, bounds: Array, each: str) -> NDArray[Any]:
    """Two Axes side by side: those given, or a new figure for a pattern within bounds, mm.

    Raises
    ------
    ValueError
        If those given are not two, one for each of what is compared.
    """
    if axes is None:
        return new_axes(1.75 * WIDTH, 0.88 * height_for(bounds), columns=2)
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


def write_below(
    ax: Axes, bounds: Array, factor: float, *, notes: Sequence[str] = (), bar: bool = True,
    words: str = "",
) -> None:  # fmt: skip
    """Write the magnification, a scale bar of the error, and notes below the pattern."""
    (left, bottom), (right, _) = bounds
    wide = right - left
    row = bottom - _ROW * wide
    if bar:
        error = nearest_nice(0.035 * wide / factor)
        y = row + 0.004 * wide
        ax.plot(
            [left, left + factor * error], [y, y], color=INK, linewidth=1.6,
            marker="|", markersize=7, markeredgewidth=1.6,
        )  # fmt: skip
        ax.text(
            left + factor * error + 0.025 * wide, row, f"{error:g} mm error", va="center",
            ha="left", fontsize=SMALL, color=INK,
        )  # fmt: skip
    ax.text(
        right, row, words or magnification_words(factor), va="center", ha="right",
        fontsize=NORMAL, color=INK, fontweight="bold",
    )  # fmt: skip
    if notes:
        below = row - _ROW * wide
        ax.text(right, below, "; ".join(notes), va="center", ha="right", fontsize=SMALL, color=INK)
        ax.set_ylim(bottom=below - 0.055 * wide)


def magnification_words(factor: float) -> str:
    """How a picture says by how much its errors are magnified."""
    if factor == 1.0:
        return "errors true to size (×1)"
    return f"errors drawn ×{factor:g}"


def legend(ax: Axes, handles: Sequence[Line2D], title: str = "") -> None:
    """One row below the picture, where it hides nothing."""
    below = offset_copy(ax.transAxes, ax.get_figure(root=True), 0.0, -_LEGEND_DROP, units="points")
    ax.legend(
        handles=handles, loc="upper center", bbox_to_anchor=(0.5, 0.0), bbox_transform=below,
        ncols=min(len(handles), 6), frameon=False, borderaxespad=0.0,
        fontsize=SMALL, title=title or None, title_fontsize=SMALL, handlelength=1.6,
        columnspacing=1.4,
    )  # fmt: skip


def dots(colour: Any, label: str) -> Line2D:
    """Legend entry of points."""
    return Line2D([], [], color=colour, marker="o", markersize=4, linestyle="", label=label)


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
    >>> nice_magnification(0.1, 2.5)
    10.0
    """
    if largest_error <= 0.0:
        return 1.0
    return nearest_nice(max(DRAWN_ERROR * spacing / largest_error, 1.0))


def rms_um(errors: Sequence[Array]) -> float:
    """Root mean square length of errors in mm, shape (n, 2) each, as µm."""
    return 1e3 * float(np.sqrt(np.mean(np.sum(np.concatenate(errors) ** 2, axis=1))))


def plural(shape: str) -> str:
    """Name of a shape where there are several."""
    return f"{shape}s"
