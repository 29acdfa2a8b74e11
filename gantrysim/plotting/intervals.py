"""Pictures of intervals: of one size, of what a test can tell, of a verdict beside its limits."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.axes import Axes

from gantrysim.acceptance.tolerance import Verdict
from gantrysim.decisions.identifiable import Identifiability
from gantrysim.inference.profile import Profile
from gantrysim.plotting import look
from gantrysim.records.amounts import probability
from gantrysim.records.doors import checked

_BARS = "#c9c9c9"  # quiet bars behind markers


@checked
def plot_profile(profile: Profile, ax: Axes | None = None, *, level: float = 0.95) -> Axes:
    """Draw how the log posterior falls away from the most probable size of a fault.

    ``profile``: from `Fit.profile`.  ``level``: probability of the interval that is marked.  Axes:
    drop of the log posterior (dimensionless) over the size in the unit of the fault; the interval
    as a bar at the drop that bounds it, and dotted the parabola that the normal approximation has,
    as wide as its own 95 % interval.  ValueError if the sizes tried end inside the interval.
    """
    low, high = profile.interval(level)
    size = f"{profile.fault.replace('_', ' ')}, {profile.unit}"
    ax = look.chart_axes(ax, 0.62 * look.WIDTH, size, "drop of the log posterior")
    best = int(np.argmin(profile.drop))
    numbers = np.linspace(profile.numbers[0], profile.numbers[-1], 201)
    sizes = np.interp(numbers, profile.numbers, profile.values)
    ends = np.interp(profile.laplace, profile.values, profile.numbers)
    normal = 0.5 * ((numbers - profile.numbers[best]) * 2.0 * 1.96 / (ends[1] - ends[0])) ** 2
    smooth = 0.5 * np.interp(numbers, profile.numbers, profile.root) ** 2
    ax.plot(sizes, smooth, color=look.BLUE, linewidth=1.4, label="profile")
    ax.plot(profile.values, profile.drop, "o", color=look.BLUE, markersize=3.0)
    ax.plot(sizes, normal, color=look.FAINT, linewidth=1.2, linestyle=":", label="normal")
    at = float(np.interp(high, profile.values, profile.root)) ** 2 / 2.0
    bar = f"{100.0 * level:g} % interval"
    ax.plot([low, high], [at, at], color=look.VERMILION, linewidth=2.0, label=bar)
    title = f"{profile.estimate:.3g} {profile.unit}, {100.0 * level:g} % {low:.3g} to {high:.3g}"
    look.heading(ax, title)
    ax.set_ylim(0.0, 1.15 * float(profile.drop.max()))
    look.drawn_legend(ax)
    return ax


@checked
def plot_identifiability(identifiability: Identifiability, ax: Axes | None = None) -> Axes:
    """Draw how much of what was believed a test would leave open, parameter by parameter.

    Parameters
    ----------
    identifiability : Identifiability
        From `gantrysim.what_can_be_told`.
    ax : Axes, optional
        Where to draw; a new figure if absent.

    Returns
    -------
    Axes
        Width of the expected 95 % interval as a part of the prior's (relative), the healthy
        machine's parameters above, faults below; circles alone and squares alone beside it.
    """
    rows = identifiability.rows
    ax = look.chart_axes(ax, 1.9 + 0.21 * len(rows), "part of the interval left")
    y = np.arange(len(rows))[::-1]
    most = max(1.0, *(row.left for row in rows))
    ax.barh(y, [row.left for row in rows], height=0.62, color=_BARS)
    handles = [look.stroke(_BARS, "this test", 6)]
    # one above the other, so that neither hides the other where both tell the same
    parts = (("circle", identifiability.circles, 0.2), ("square", identifiability.squares, -0.2))
    for shape, part, above in parts:
        if part is not None:
            left = [row.left for row in part.rows]
            colour, mark = look.SHAPE_COLOURS[shape], look.SHAPE_MARKS[shape]
            ax.plot(left, y + above, mark, color=colour, markersize=4)
            handles.append(look.dots(colour, f"{look.plural(shape)} alone", mark))
            most = max(most, *left)
    ax.axvline(1.0, color=look.FAINT, linewidth=0.8)
    faults = sum(row.fault for row in rows)
    if 0 < faults < len(rows):
        ax.axhline(faults - 0.5, color=look.FAINT, linewidth=0.6)
    ax.set_yticks(y, [identifiability.words_of(row.name) for row in rows], fontsize=look.SMALL)
    title = "95 % interval that the test leaves, as part of the one believed before:\n"
    title += "short bars are known well, at 1 nothing was learned"
    if most > 1.05:
        title += ";\nabove 1 another size of the fault is known less well than before"
    look.heading(ax, title, side="right")
    ax.set_xlim(0.0, 1.05 * most)
    ax.set_ylim(-0.7, len(rows) - 0.3)
    look.legend(ax, handles, columns=1)
    return ax


@checked
def plot_verdict(verdict: Verdict, ax: Axes | None = None) -> Axes:
    """Draw each value of a verdict with its 95 % interval as part of its limit.

    Parameters
    ----------
    verdict : Verdict
        From `accept` or `will_hold`.
    ax : Axes, optional
        Where to draw; a new figure if absent.

    Returns
    -------
    Axes
        Value over limit (dimensionless), the limit at 1.
    """
    height = 1.9 + 0.45 * len(verdict.requirements)
    ax = look.chart_axes(ax, height, "value as part of its limit")
    ax.axvline(1.0, color=look.VERMILION, linewidth=1.4)
    for row, r in enumerate(verdict.requirements):
        if r.estimate is None or r.low is None or r.high is None:
            ground = {"facecolor": "white", "edgecolor": "none", "pad": 1.5}
            words: dict[str, Any] = {
                "va": "center",
                "fontsize": look.SMALL,
                "color": look.FAINT,
                "bbox": ground,
            }
            ax.text(0.02, row, "cannot be judged here", **words)
            continue
        ends = [abs(v) / r.limit for v in (r.low, r.high)]
        low = 0.0 if r.low * r.high < 0.0 else min(ends)
        ax.plot([low, max(ends)], [row, row], color=look.BLUE, linewidth=2.2)
        ax.plot(abs(r.estimate) / r.limit, row, "o", color=look.BLUE, markersize=6, clip_on=False)
    names = [f"{r.name}, {r.limit:g} {r.unit}" for r in verdict.requirements]
    ax.set_yticks(range(len(names)), names)
    ax.set_ylim(len(names) - 0.4, -0.6)
    ax.set_xlim(left=0.0, right=max(1.4, ax.get_xlim()[1]))
    chance = f"probability of keeping all: {probability(verdict.probability)}"
    look.heading(ax, f"{verdict.summary}\n{chance}", look.NORMAL)
    value = look.stroke(look.BLUE, "estimated, 95 % interval", 2.2, marker="o", markersize=6)
    look.legend(ax, [value, look.stroke(look.VERMILION, "limit", 1.4)])
    return ax
