"""Paths that are no ring tests, and what a machine makes of them."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection
from matplotlib.lines import Line2D

from gantrysim.burn import PathBurn
from gantrysim.pattern.toolpath import Toolpath
from gantrysim.plotting.look import (
    BLUE,
    COMMANDED,
    FAINT,
    INK,
    VERMILION,
    bounds_of,
    frame,
    height_for,
    legend,
    nice_magnification,
    ready_axes,
    write_below,
)
from gantrysim.records.checks import positive
from gantrysim.records.doors import checked

_PATH_ROOM = 0.06  # of the extent of a path: what a ring spacing would be


@checked
def plot_toolpath(path: Toolpath, ax: Axes | None = None) -> Axes:
    """Draw a commanded path: lines, travel moves and where it starts.

    Parameters
    ----------
    path : Toolpath
        What to draw.
    ax : Axes, optional
        Where to draw; a new figure if absent.

    Returns
    -------
    Axes
        Commanded carriage positions, mm.
    """
    strokes = path.strokes()
    drawn = [s for s in strokes if s.shape != "travel"]
    bounds = bounds_of([s.xy for s in drawn])
    ax = ready_axes(ax, height_for(bounds))
    ax.add_collection(LineCollection([s.xy for s in drawn], colors=BLUE, linewidths=1.1))
    travels = [s.xy for s in strokes if s.shape == "travel"]
    ax.add_collection(LineCollection(travels, colors=FAINT, linewidths=0.7, linestyles=(0, (4, 3))))
    ax.plot(*drawn[0].xy[0], "o", color=INK, markersize=4)
    frame(ax, bounds, names=("x of the carriage", "y of the carriage"))
    notes = [f"{path.length:.0f} mm drawn"]
    write_below(ax, bounds, 1.0, notes=notes, bar=False, words="as commanded (×1)")
    handles = [
        Line2D([], [], color=BLUE, label="drawn"),
        Line2D([], [], color=FAINT, dashes=(4, 3), linewidth=0.9, label="travel, beam off"),
        Line2D([], [], color=INK, marker="o", markersize=4, linestyle="", label="start"),
    ]
    legend(ax, handles)
    return ax


@checked
def plot_path_burn(burn: PathBurn, ax: Axes | None = None, *, magnify: float | None = None) -> Axes:
    """Draw a burned path over the commanded one, with the error magnified.

    The mean shift of the whole path is left out, because a lifted piece cannot show it.

    Parameters
    ----------
    burn : PathBurn
        What to draw.
    ax : Axes, optional
        Where to draw; a new figure if absent.
    magnify : float, optional
        How many times larger than it is the error is drawn.

    Returns
    -------
    Axes
        Places of the spot, mm.

    Raises
    ------
    ValueError
        If `magnify` is not above zero.
    """
    shift = np.concatenate(burn.errors).mean(axis=0)
    errors = [error - shift for error in burn.errors]
    bounds = bounds_of(burn.commanded)
    largest = float(np.hypot(*np.concatenate(errors).T).max())
    room = _PATH_ROOM * float((bounds[1] - bounds[0]).max())
    factor = nice_magnification(largest, room) if magnify is None else positive(magnify, "magnify")
    predicted = [c + factor * e for c, e in zip(burn.commanded, errors, strict=True)]
    ax = ready_axes(ax, height_for(bounds))
    ax.add_collection(LineCollection(burn.commanded, colors=COMMANDED, linewidths=0.6))
    ax.add_collection(LineCollection(predicted, colors=VERMILION, linewidths=1.1))
    frame(ax, bounds_of([*burn.commanded, *predicted]), names=("x of the spot", "y of the spot"))
    write_below(ax, bounds, factor, notes=[f"largest error {largest * 1e3:.0f} µm"])
    handles = [
        Line2D([], [], color=COMMANDED, linewidth=1.0, label="commanded"),
        Line2D([], [], color=VERMILION, label="predicted"),
    ]
    legend(ax, handles)
    return ax
