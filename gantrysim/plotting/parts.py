"""Parts: a drawing with its features, sizes to expect, whose the errors are, clearances."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.lines import Line2D

from gantrysim.plotting import look
from gantrysim.records.arrays import Array
from gantrysim.records.doors import checked

if TYPE_CHECKING:
    from gantrysim.part import Drawing, Feature, Matings, PartJudgement, Prediction

#: Names stand in a type in which the l of a length is no 1.
_NAMES = "monospace"
#: Colours of the shares of an error, apart in the common forms of colour blindness.
_SHARES = {
    "drawing": "#CC79A7", "machine": look.VERMILION, "cut": look.BLUE, "tool": "#F0E442",
    "left over: none of these explains it": look.COMMANDED,
}  # fmt: skip
#: How the sum of the shares is drawn.
_SUM: dict[str, Any] = {
    "marker": "D", "markersize": 5, "color": "white", "markeredgecolor": look.INK, "linestyle": "",
}  # fmt: skip
_SEEN = 0.005  # mm; shorter bars are no thicker than a line
_ROW = 0.26  # inches a feature
_MOST = 60  # features in a chart; the rest is said in words
#: Where on its line a name may stand, the best place first.
ON_LINE = (0.25, 0.75, 0.5)
#: Half a name, wide and high, and the steps beside its feature at which it may stand, the nearest
#: first, in heights of a row: a row is this part of the drawing.
_HALF = np.array((1.85, 0.45))
_BESIDE = sorted(
    ((x, y) for x in (0.0, 3.0, -3.0, 6.0, -6.0) for y in (1.3, -1.3, 0.0, 2.6, -2.6) if x or y),
    key=lambda step: np.hypot(step[0] / 2.3, step[1] / 1.3),
)
_ROOM = 0.035


@checked
def plot_drawing(drawing: Drawing, ax: Axes | None = None) -> Axes:
    """Draw outlines with the name and dimension line of each feature; odd ones in vermilion.

    Diameters along x and y are left to the name of the circle.
    """
    outlines = [np.vstack([o.polygon, o.polygon[:1]]) for o in drawing.outlines]
    bounds = look.bounds_of(outlines)
    ax = look.map_axes(ax, bounds)
    look.draw_lines(ax, outlines, look.INK, 1.2)
    shown = [f for f in drawing.features if not f.name.endswith(("x", "y"))][:_MOST]
    spots = _Spots(outlines)
    for feature in sorted(shown, key=lambda f: (f.unit == "deg", -f.reach)):  # room on long lines
        colour = look.VERMILION if feature.name in drawing.odd else look.BLUE
        _dimension(ax, feature, colour, spots)
    look.frame(ax, bounds, names=("x of the carriage", "y of the carriage"))
    notes = [f"{drawing.source}: {len(drawing.features)} features"]
    if len(shown) < len([f for f in drawing.features if not f.name.endswith(("x", "y"))]):
        notes.append(f"the first {_MOST} are shown")
    look.write_below(ax, bounds, 1.0, notes=notes, bar=False, words="as drawn (×1)")
    if drawing.odd:
        names = "odd among those like it"
        look.legend(
            ax, [look.stroke(look.BLUE, "measured here"), look.stroke(look.VERMILION, names)]
        )
    return ax


class _Spots:
    """Where names may stand: off each other, and inside and off outlines where there is room."""

    def __init__(self, outlines: list[Array]) -> None:
        places = np.concatenate(outlines)
        self.room = _ROOM * float(np.ptp(places, axis=0).max())
        self._half = self.room * _HALF
        self._inside = places[:, 0].min() + self._half[0], places[:, 0].max() - self._half[0]
        self._taken: list[Array] = []
        self._drawn = np.concatenate([_dotted(line, self._half[1]) for line in outlines])

    def choose(self, places: list[Array]) -> Array:
        """The first of some places that is free, or failing that inside and off other names."""
        clear = [at for at in places if not self._covers(self._taken, at, 2.0)]
        left, right = self._inside  # of the drawing: on the left stands the axis
        inside = [at for at in clear if left <= at[0] <= right]
        free = (at for at in inside if not self._covers(self._drawn, at, 1.0))
        chosen = next(free, (inside or clear or places)[0])
        self._taken.append(chosen)
        return chosen

    def _covers(self, points: Array | list[Array], at: Array, times: float) -> bool:
        off = np.abs(np.reshape(points, (-1, 2)) - at)
        return bool((off < times * self._half).all(axis=1).any())


def _dotted(line: Array, step: float) -> Array:
    """Points along a line, no further apart than a step."""
    parts = []
    for start, end in pairwise(line):
        count = int(np.hypot(*(end - start)) / step) + 1
        parts.append(start + np.arange(count)[:, None] / count * (end - start))
    return np.concatenate(parts)


def _dimension(ax: Axes, feature: Feature, colour: str, spots: _Spots) -> None:
    """A dimension line with the name and size of a feature, clear of outlines and other names.

    The name stands on its line where there is room, else beside it with a thin line to it.
    """
    (x0, y0), (x1, y1) = feature.ends
    if feature.unit == "mm":
        ends: dict[str, Any] = {"marker": ".", "markersize": 4}
        ax.plot([x0, x1], [y0, y1], color=colour, linewidth=0.8, **ends)
    at, start, along = np.array(feature.place), np.array((x0, y0)), np.array((x1 - x0, y1 - y0))
    covered = abs(along[0]) < 5.0 * spots.room and abs(along[1]) < 3.0 * spots.room
    own = [] if covered or feature.unit == "deg" else [start + k * along for k in ON_LINE]
    at = own[0] if own else at
    spot = spots.choose([*own, *(at + spots.room * np.array(step) for step in _BESIDE)])
    sign = "°" if feature.unit == "deg" else ""
    box = {"facecolor": "white", "edgecolor": "none", "alpha": 0.75, "pad": 0.6}
    if not any(spot is place for place in own):
        ax.plot([at[0], spot[0]], [at[1], spot[1]], color=colour, linewidth=0.4, linestyle=":")
    ax.annotate(
        f"{feature.name} {feature.drawn:.2f}{sign}", tuple(spot), ha="center", va="center",
        color=colour, fontsize=look.SMALL - 2.0, family=_NAMES, bbox=box, annotation_clip=False,
    )  # fmt: skip


@checked
def plot_prediction(prediction: Prediction, ax: Axes | None = None) -> Axes:
    """Draw how far each size is off as drawn, with its 95 % interval, mm; angles are left out."""
    sizes = [s for s in prediction.sizes if s.feature.unit == "mm"]
    ax = _rows(ax, [s.feature.name for s in sizes], "to be expected less drawn, mm")
    for row, size in enumerate(sizes[:_MOST]):
        low, high = size.low - size.feature.drawn, size.high - size.feature.drawn
        ax.plot([low, high], [row, row], color=look.BLUE, linewidth=2.0)
        ax.plot(size.predicted - size.feature.drawn, row, "o", color=look.BLUE, markersize=5)
    look.heading(ax, f"{prediction.drawing.source}, {prediction.kerf.words}; bars 95 %")
    return ax


@checked
def plot_judgement(judged: PartJudgement, ax: Axes | None = None) -> Axes:
    """Draw the shares of the error of each feature, their sum, the limits and the verdict; mm.

    Shares that make it larger lie end to end on the right, those that make it smaller on the left;
    the diamond is their sum.  The legend names what is long enough to be seen.
    """
    rows = [j for j in judged.features if j.feature.unit == "mm"]
    ax = _rows(ax, [j.feature.name for j in rows], "off what is meant, mm")
    drawn: dict[str, str] = {}
    for row, j in enumerate(rows[:_MOST]):
        shares = (j.drawing or 0.0, j.machine.value, j.kerf.value, j.instrument.value, j.left.value)
        up = down = 0.0
        for (name, colour), value in zip(_SHARES.items(), shares, strict=True):
            if abs(value) >= _SEEN:
                drawn[j.tool if name == "tool" else name] = colour
            start = up if value > 0.0 else down
            ax.barh(row, value, left=start, height=0.62, color=colour)
            up, down = up + max(value, 0.0), down + min(value, 0.0)
        for edge in (-j.limit, j.limit):
            ax.plot([edge, edge], [row - 0.42, row + 0.42], color=look.INK, linewidth=1.0)
        ax.plot(sum(shares), row, **_SUM)
        beside: dict[str, Any] = {"transform": ax.get_yaxis_transform(), "va": "center"}
        ax.text(1.02, row, j.verdict, fontsize=look.SMALL, **beside)
    measured = any(j.measured is not None for j in rows)
    whole = "sum: measured less meant" if measured else "sum: expected less meant"
    look.heading(ax, f"{judged.drawing.source}; upright strokes are the limits")
    order = list(_SHARES.values())
    shown = sorted(drawn.items(), key=lambda item: order.index(item[1]))
    handles = [look.stroke(colour, name, 6) for name, colour in shown]
    look.legend(ax, [*handles, Line2D([], [], label=whole, **_SUM)], columns=2)
    return ax


@checked
def plot_matings(pairs: Matings, ax: Axes | None = None) -> Axes:
    """Draw the clearance of each pair with its 95 % interval over what is wanted, mm."""
    ax = _rows(ax, [pair.mating.words for pair in pairs.pairs], "clearance, mm", room=0.55)
    ax.tick_params("y", labelfontfamily="sans-serif")  # sentences, no names
    marks = {"now": look.VERMILION, "after": look.BLUE, "healthy": look.COMMANDED}
    drawn = set()
    for row, pair in enumerate(pairs.pairs):
        least, most = pair.mating.clearance
        ax.barh(row, most - least, left=least, height=0.8, color="#e6e6e6")
        for place, (name, colour) in zip((-0.25, 0.0, 0.25), marks.items(), strict=True):
            found = getattr(pair, name)
            if found is None:
                continue
            drawn.add(name)
            ax.plot([found.low, found.high], [row + place] * 2, color=colour, linewidth=2.0)
            ax.plot(found.middle, row + place, "o", color=colour, markersize=5)
    words = {"now": "now", "after": "after the adjustment", "healthy": "healthy"}
    handles = [look.stroke(marks[name], words[name], 3) for name in marks if name in drawn]
    look.legend(ax, [look.stroke("#e6e6e6", "wanted", 6), *handles], columns=2)
    look.heading(ax, f"{pairs.source}; bars 95 %")
    return ax


def _rows(ax: Axes | None, names: list[str], label: str, *, room: float = _ROW) -> Axes:
    """A chart with a row for each name, the first on top."""
    shown = names[:_MOST]
    ax = look.chart_axes(ax, 1.5 + room * len(shown), label)
    ax.axvline(0.0, color=look.FAINT, linewidth=0.8)
    ax.set_yticks(range(len(shown)), shown, family=_NAMES)
    ax.set_ylim(len(shown) - 0.4, -0.6)
    if len(names) > len(shown):
        look.write(ax, 1.0, 1.0, f"and {len(names) - len(shown)} more", transform=ax.transAxes)
    return ax
