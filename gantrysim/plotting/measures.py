"""Pictures of measures: values with their intervals by ring, positioning of an axis."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from gantrysim.metrology.measures import Measures
from gantrysim.metrology.positioning import Positioning
from gantrysim.metrology.quantities import DEFINITIONS, Quantity
from gantrysim.metrology.uncertainty import NORMAL_95
from gantrysim.plotting import look
from gantrysim.records.arrays import Array
from gantrysim.records.doors import checked

if TYPE_CHECKING:
    from matplotlib.axes import Axes


_SIGNED = ("F_", "D_mm", "squareness", "spacing", "gap_x", "gap_y", "drift")
_BESIDE = 0.006  # of the range of sizes: shapes and passes of one size stand beside each other


@checked
def plot_measures(measures: Measures, name: str = "RONt_ls_mm", ax: Axes | None = None) -> Axes:
    """Draw one measure of every ring over its commanded size, with its 95 % interval.

    ``name``: field of the table of measures, such as "RONt_ls_mm" or "squareness_mrad".  Axes: open
    marks are values as found; bars are 95 % intervals (1.96 u, or what is left of a peak-to-valley
    measure without its noise, which may lie below its mark).  Lengths other than sizes in µm.
    ValueError if no ring has a measure of that name.
    """
    shown = [q for q in measures.quantities if q.name == name and q.ring >= 0]
    if not shown:
        there = sorted({q.name for q in measures.quantities if q.ring >= 0})
        raise ValueError(
            f"name must be a measure of these rings, found {name!r}; there are {', '.join(there)}."
        )
    sizes = {(row.shape, row.ring): row.size for row in measures.rows}
    unit = DEFINITIONS[name][0]
    whole = name in ("radius_mm", "width_mm", "height_mm") or name.startswith(("dia", "diag"))
    factor, label = (1e3, "µm") if unit == "mm" and not whole else (1.0, unit)
    passes = sorted({q.pass_index for q in shown})
    shapes = [s for s in look.SHAPE_COLOURS if any(q.shape == s for q in shown)]
    width = max(sizes.values()) * _BESIDE
    handles = []
    words = name.removesuffix("_mm").removesuffix("_mrad").removesuffix("_deg").replace("_", " ")
    height, over = 0.75 * look.WIDTH, "commanded radius or half side, mm"
    ax = look.chart_axes(ax, height, over, f"{words}, {label}")
    if name.startswith(_SIGNED):
        ax.axhline(0.0, color=look.FAINT, linewidth=0.6)
    for k, shape in enumerate(shapes):
        own = [q for q in shown if q.shape == shape]
        beside = np.array([passes.index(q.pass_index) for q in own]) - (len(passes) - 1) / 2
        at = np.array([sizes[q.shape, q.ring] for q in own]) + width * (
            beside + (k - (len(shapes) - 1) / 2) * len(passes)
        )
        low, high = factor * _interval(own)
        colour = look.SHAPE_COLOURS[shape]
        ax.vlines(at, low, high, color=colour, linewidth=1.6)
        value = factor * np.array([q.value for q in own])
        (mark,) = ax.plot(at, value, look.SHAPE_MARKS[shape], label=look.plural(shape))
        mark.set(markerfacecolor="white", markeredgecolor=colour, markersize=4.0)
        handles.append(mark)
    if measures.noise is None:
        title = "as found; the lines are taken as exact"
    elif shown[0].low is None:
        title = "marks: as found; bars: 95 %"
    else:
        title = "marks: as found; bars: 95 %, what the noise adds taken off"
    look.heading(ax, title)
    look.legend(ax, handles)
    return ax


def _interval(shown: list[Quantity]) -> Array:
    """Lower and upper ends of 95 % intervals, shape (2, n)."""
    ends = []
    for q in shown:
        if q.low is not None and q.high is not None:
            ends.append((q.low, q.high))
        else:
            half = NORMAL_95 * (q.u or 0.0)
            ends.append((q.value - half, q.value + half))
    return np.array(ends).T


@checked
def plot_positioning(test: Positioning, ax: Axes | None = None) -> Axes:
    """Draw mean deviations of both approaches over the targets, with their 2 s.

    Axes: deviation (µm) over target (mm): lines join the means of each approach, the bands are 2 s
    on either side as ISO 230-2 takes them, dots the runs.
    """
    ax = look.chart_axes(ax, 0.75 * look.WIDTH, "target position, mm", "actual less target, µm")
    ax.axhline(0.0, color=look.FAINT, linewidth=0.6)
    handles = []
    up = (test.up, "upwards", look.BLUE, "^")
    for runs, word, colour, mark in (up, (test.down, "downwards", look.VERMILION, "v")):
        if runs is None:
            continue
        mean, s = 1e3 * runs.mean(axis=1), 1e3 * runs.std(axis=1, ddof=1)
        ax.fill_between(
            test.targets, mean - 2 * s, mean + 2 * s, color=colour, alpha=0.18, linewidth=0
        )
        at = np.repeat(test.targets, runs.shape[1])
        ax.plot(at, 1e3 * runs.ravel(), ".", color=colour, markersize=2.5)
        (line,) = ax.plot(test.targets, mean, color=colour, label=f"mean {word}, ± 2 s")
        line.set(marker=mark, markersize=5, linewidth=1.0)
        handles.append(line)
    names = ("A", "R", "B", "E", "M") if test.both else tuple(test.values)
    numbers = [f"{n.replace('_', ' ')} {1e3 * test.values[n]:.1f}" for n in names]
    look.heading(ax, ", ".join(numbers) + " µm")
    look.legend(ax, handles)
    return ax
