"""Paths that are no ring tests, and what a machine makes of them."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes

from gantrysim.burn import PathBurn
from gantrysim.burn.magnified import magnified
from gantrysim.pattern.toolpath import Toolpath
from gantrysim.plotting import look
from gantrysim.records.doors import checked

_PATH_ROOM = 0.06  # of the extent of a path: what a ring spacing would be


@checked
def plot_toolpath(path: Toolpath, ax: Axes | None = None) -> Axes:
    """Draw a commanded path: lines, travel moves and where it starts."""
    strokes = path.strokes()
    drawn = [s for s in strokes if s.shape != "travel"]
    bounds = look.bounds_of([s.xy for s in drawn])
    ax = look.map_axes(ax, bounds)
    look.draw_lines(ax, [s.xy for s in drawn], look.BLUE, 1.1)
    look.draw_travel(ax, [s.xy for s in strokes if s.shape == "travel"])
    ax.plot(*drawn[0].xy[0], "o", color=look.INK, markersize=4)
    look.frame(ax, bounds, names=("x of the carriage", "y of the carriage"))
    notes = [f"{path.length:.0f} mm drawn"]
    look.write_below(ax, bounds, 1.0, notes=notes, bar=False, words="as commanded (×1)")
    look.legend(ax, [look.stroke(look.BLUE, "drawn"), *look.travel_and_start()])
    return ax


@checked
def plot_path_burn(burn: PathBurn, ax: Axes | None = None, *, magnify: float | None = None) -> Axes:
    """Draw a burned path over the commanded one, with the error magnified.

    The mean shift of the whole path is left out, because a lifted piece cannot show it.

    ``magnify``: how many times larger than it is the error is drawn.  ValueError if `magnify` is
    not above zero.
    """
    shift = np.concatenate(burn.errors).mean(axis=0)
    errors = [error - shift for error in burn.errors]
    bounds = look.bounds_of(burn.commanded)
    largest = float(np.hypot(*np.concatenate(errors).T).max())
    room = _PATH_ROOM * float((bounds[1] - bounds[0]).max())
    factor = look.magnification(magnify, largest, room)
    predicted = [magnified(c, c + e, factor) for c, e in zip(burn.commanded, errors, strict=True)]
    ax = look.map_axes(ax, bounds)
    look.draw_lines(ax, burn.commanded, look.COMMANDED, 0.6)
    look.draw_lines(ax, predicted, look.VERMILION, 1.1)
    drawn = look.bounds_of([*burn.commanded, *predicted])
    look.frame(ax, drawn, names=("x of the spot", "y of the spot"))
    notes = [f"largest error {1e3 * burn.largest_error():.0f} µm"]
    moved = 1e3 * float(np.hypot(*shift))
    if moved > 20.0:
        notes.append(f"shift of {moved:.0f} µm not drawn")
    look.write_below(ax, drawn, factor, notes=notes)
    look.legend(ax, [look.commanded(), look.stroke(look.VERMILION, "predicted")])
    return ax
