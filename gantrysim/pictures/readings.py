"""Pictures of what hands do: the push, predicted or read, calipers, tones of belts."""

from __future__ import annotations

import math
from collections import Counter

import numpy as np
from matplotlib.axes import Axes
from matplotlib.lines import Line2D

from gantrysim.inputs import one_of
from gantrysim.measured.calipers import CaliperSheet
from gantrysim.measured.push import PushSheet, words_of
from gantrysim.measured.tones import ToneSheet
from gantrysim.pictures.look import (
    BLUE,
    FAINT,
    INK,
    NORMAL,
    SHAPE_COLOURS,
    SMALL,
    VERMILION,
    WIDTH,
    Array,
    legend,
    ready_axes,
)
from gantrysim.push import PushResult

_MARKS = ("o", "s", "^", "v", "D", "P", "X", "*")
_NAMES = {"N": "force, N", "mm": "length, mm", "N/mm": "stiffness, N/mm"}


def plot_calipers(sheet: CaliperSheet, ax: Axes | None = None) -> Axes:
    """Draw how far the readings are off their commanded sizes, with their uncertainty.

    Parameters
    ----------
    sheet : CaliperSheet
        What to draw.
    ax : Axes, optional
        Where to draw; a new figure if absent.

    Returns
    -------
    Axes
        Reading less commanded size and the believed line width, over the commanded size, mm;
        circles by direction, squares by side or diagonal ("up", "down").
    """
    ax = ready_axes(ax, 0.75 * WIDTH, equal=False)
    ax.axhline(0.0, color=FAINT, linewidth=0.6)
    nominal = np.array([r.nominal for r in sheet.readings])
    off = sheet.values - nominal - sheet.line_width[0]
    kinds = list(dict.fromkeys((r.shape, r.what) for r in sheet.readings))
    handles = []
    marks: Counter[str] = Counter()
    for shape, what in kinds:
        mark = _MARKS[marks[shape] % len(_MARKS)]
        marks[shape] += 1
        own = [i for i, r in enumerate(sheet.readings) if (r.shape, r.what) == (shape, what)]
        colour = SHAPE_COLOURS[shape]
        ax.errorbar(
            nominal[own], off[own], yerr=sheet.uncertainty[own], linestyle="", marker=mark,
            markersize=4.5, color=colour, elinewidth=0.8,
        )  # fmt: skip
        words = f"{what.split('_')[1]}°" if shape == "circle" else what.removeprefix("diagonal_")
        handles.append(
            Line2D([], [], color=colour, marker=mark, markersize=4.5, linestyle="", label=words)
        )
    ax.set_xlabel("commanded size, mm", fontsize=NORMAL)
    ax.set_ylabel("off the commanded size, mm", fontsize=NORMAL)
    legend(ax, handles)
    return ax


def plot_push_sheet(sheet: PushSheet, ax: Axes | None = None, *, unit: str | None = None) -> Axes:
    """Draw the readings of pushes by hand that have one unit, with their uncertainty.

    Parameters
    ----------
    sheet : PushSheet
        What to draw.
    ax : Axes, optional
        Where to draw; a new figure if absent.
    unit : str, optional
        "N", "mm" or "N/mm"; the commonest of the sheet if absent.

    Returns
    -------
    Axes
        Readings in that unit, one row each.

    Raises
    ------
    ValueError
        If no reading has that unit.
    """
    count = Counter(r.unit for r in sheet.readings)
    unit = count.most_common(1)[0][0] if unit is None else unit
    one_of(unit, sorted(count), "unit")
    own = [r for r in sheet.readings if r.unit == unit]
    names = [
        f"{r.at}, motor {r.motor}, ({r.place[0]:g}, {r.place[1]:g}): {words_of(r.what)}"
        for r in own
    ]
    return _rows(
        names, [r.value for r in own], [r.uncertainty for r in own],
        [BLUE if r.motor == "off" else VERMILION for r in own], _NAMES[unit], ax,
    )  # fmt: skip


def plot_tones(sheet: ToneSheet, ax: Axes | None = None) -> Axes:
    """Draw the tension that each tone tells, with the uncertainty of the tone.

    Parameters
    ----------
    sheet : ToneSheet
        What to draw.
    ax : Axes, optional
        Where to draw; a new figure if absent.

    Returns
    -------
    Axes
        Tension in N, one row a tone.
    """
    names = [f"{r.belt} belt, {r.span:g} mm at {r.tone:.4g} Hz" for r in sheet.readings]
    tension = [r.tension for r in sheet.readings]
    spread = [2.0 * r.tension * r.uncertainty / r.tone for r in sheet.readings]
    colours = [BLUE] * len(names)
    return _rows(names, tension, spread, colours, "tension of a limp string, N", ax)


def plot_push(
    result: PushResult, ax: Axes | None = None, *, what: str = "force", label: str = "",
    colour: str = BLUE,
) -> Axes:  # fmt: skip
    """Draw a push test: what the scale reads, or how far the other part stays behind.

    Parameters
    ----------
    result : PushResult
        From `gantrysim.push`.
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
    one_of(what, ("force", "lag"), "what")
    fresh = ax is None
    ax = ready_axes(ax, 0.62 * WIDTH, equal=False)
    values = result.force if what == "force" else result.lag
    if fresh or not ax.lines:
        ax.axhline(0.0, color=FAINT, linewidth=0.6)
    for leg, width in ((0, 0.7), (1, 1.8), (2, 1.8)):
        own = result.leg == leg
        x, y = result.travel[own], values[own]
        ax.plot(x, y, color=colour, linewidth=width, solid_capstyle="round")
        if leg:
            _arrow_on(ax, x, y, colour)
    name = "carriage" if result.at == "carriage" else f"{result.at} plate"
    ax.set_xlabel(f"travel of the {name}, mm", fontsize=NORMAL)
    words = "push by hand, N" if what == "force" else f"{result.behind} stays behind, mm"
    ax.set_ylabel(words, fontsize=NORMAL)
    shown = label or f"pushed at the {name}, motor {result.motor}"
    handle = Line2D([], [], color=colour, linewidth=1.8, label=shown)
    ax.add_line(handle)  # an empty line: the legend finds it again when another push is drawn
    legend(ax, [h for h in ax.lines if not str(h.get_label()).startswith("_")])
    return ax


def _rows(
    names: list[str], values: list[float], spread: list[float], colours: list[str], label: str,
    ax: Axes | None,
) -> Axes:  # fmt: skip
    """One row a reading, from the top down."""
    ax = ready_axes(ax, 1.0 + 0.26 * len(names), equal=False)
    for row, (value, error, colour) in enumerate(zip(values, spread, colours, strict=True)):
        ax.errorbar(
            [value], [row], xerr=[error], linestyle="", marker="o", markersize=4.5, color=colour,
            elinewidth=0.8,
        )  # fmt: skip
    ax.set_yticks(range(len(names)), names, fontsize=SMALL, color=INK)
    ax.set_ylim(len(names) - 0.5, -0.5)
    ax.set_xlabel(label, fontsize=NORMAL)
    return ax


def _arrow_on(ax: Axes, x: Array, y: Array, colour: str) -> None:
    """An arrow head on the middle of the way along a leg."""
    k = int(np.searchsorted(np.abs(x - x[0]), 0.5 * abs(x[-1] - x[0])))
    k = min(max(k, 1), len(x) - 1)
    way = math.copysign(1e-6 * max(abs(x[-1] - x[0]), 1e-9), x[-1] - x[0])
    arrow = {"arrowstyle": "-|>", "color": colour, "linewidth": 0.0, "mutation_scale": 15}
    ax.annotate("", (x[k] + way, y[k]), (x[k] - way, y[k]), arrowprops=arrow, zorder=4)
