"""Parts: a drawing with its features, sizes to expect, whose the errors are, clearances."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib.axes import Axes

from gantrysim.plotting import look
from gantrysim.records.doors import checked

if TYPE_CHECKING:
    from gantrysim.part import Drawing, Feature, Matings, PartJudgement, Prediction

#: Colours of the shares of an error, apart in the common forms of colour blindness.
_SHARES = {
    "drawing": "#CC79A7", "machine": look.VERMILION, "cut": look.BLUE, "left over": look.COMMANDED,
}  # fmt: skip
_ROW = 0.26  # inches a feature
_MOST = 60  # features in a chart; the rest is said in words
#: Where on its line a name may stand, the best place first.
ON_LINE = (0.25, 0.75, 0.5)
_TAG = 10.0  # points from a dimension line to its name


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
    taken: list[tuple[float, float]] = []
    for feature in shown:
        _dimension(ax, feature, look.VERMILION if feature.name in drawing.odd else look.BLUE, taken)
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


def _dimension(ax: Axes, feature: Feature, colour: str, taken: list[tuple[float, float]]) -> None:
    """A dimension line with the name and size of a feature, clear of those written before.

    The name stands on its line, off the middle where others cross it; beside a line that it covers.
    """
    (x0, y0), (x1, y1) = feature.ends
    if feature.unit == "mm":
        ends: dict[str, Any] = {"marker": ".", "markersize": 4}
        ax.plot([x0, x1], [y0, y1], color=colour, linewidth=0.8, **ends)
    way = np.array((y0 - y1, x1 - x0)) / max(np.hypot(x1 - x0, y1 - y0), 1e-9)
    way = way if way[1] > 1e-9 or (abs(way[1]) <= 1e-9 and way[0] > 0.0) else -way
    room = 0.035 * float(np.ptp(ax.dataLim.get_points(), axis=0).max())
    at, start, along = np.array(feature.place), np.array((x0, y0)), np.array((x1 - x0, y1 - y0))
    beside = [at + np.array((0.0, 1.3 * step * room)) for step in (1.0, -1.0, 2.0, -2.0, 3.0)]
    covered = abs(along[0]) < 5.0 * room and abs(along[1]) < 3.0 * room
    own = [] if covered or feature.unit == "deg" else [start + k * along for k in ON_LINE]
    for x, y in (*own, *beside):
        spot = (float(x), float(y))
        if all(abs(spot[0] - x) > 4.2 * room or abs(spot[1] - y) > 1.2 * room for x, y in taken):
            break
    taken.append(spot)
    sign = "°" if feature.unit == "deg" else ""
    text = f"{feature.name} {feature.drawn:.2f}{sign}"
    offset = tuple(0.5 * _TAG * way) if abs(way[1]) > 0.7 else (0.0, 0.0)
    box = {"facecolor": "white", "edgecolor": "none", "alpha": 0.75, "pad": 0.6}
    ax.annotate(
        text, spot, offset, textcoords="offset points", ha="center", va="center", color=colour,
        fontsize=look.SMALL - 2.0, bbox=box,
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
    """Draw the shares of the error of each feature end to end, the limits and the verdict; mm."""
    rows = [j for j in judged.features if j.feature.unit == "mm"]
    ax = _rows(ax, [j.feature.name for j in rows], "part of the error, mm")
    for row, j in enumerate(rows[:_MOST]):
        left = j.left.value if j.measured is not None else 0.0
        parts = (j.drawing or 0.0, j.machine.value, j.kerf.value, left)
        up = down = 0.0
        for (_, colour), value in zip(_SHARES.items(), parts, strict=True):
            start = up if value > 0.0 else down
            ax.barh(row, value, left=start, height=0.62, color=colour)
            up, down = up + max(value, 0.0), down + min(value, 0.0)
        for edge in (-j.limit, j.limit):
            ax.plot([edge, edge], [row - 0.42, row + 0.42], color=look.INK, linewidth=1.0)
    reach = max(abs(v) for v in ax.get_xlim())
    ax.set_xlim(-reach, 1.75 * reach)
    for row, j in enumerate(rows[:_MOST]):
        ax.text(1.72 * reach, row, j.verdict, ha="right", va="center", fontsize=look.SMALL)
    look.heading(ax, f"{judged.drawing.source}; upright strokes are the limits")
    look.legend(ax, [look.stroke(colour, name, 6) for name, colour in _SHARES.items()])
    return ax


@checked
def plot_matings(pairs: Matings, ax: Axes | None = None) -> Axes:
    """Draw the clearance of each pair with its 95 % interval over what is wanted, mm."""
    ax = _rows(ax, [pair.mating.words for pair in pairs.pairs], "clearance, mm", room=0.55)
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
    look.legend(ax, [look.stroke("#e6e6e6", "wanted", 6), *handles])
    look.heading(ax, f"{pairs.source}; bars 95 %")
    return ax


def _rows(ax: Axes | None, names: list[str], label: str, *, room: float = _ROW) -> Axes:
    """A chart with a row for each name, the first on top."""
    shown = names[:_MOST]
    ax = look.chart_axes(ax, 1.5 + room * len(shown), label)
    ax.axvline(0.0, color=look.FAINT, linewidth=0.8)
    ax.set_yticks(range(len(shown)), shown)
    ax.set_ylim(len(shown) - 0.4, -0.6)
    if len(names) > len(shown):
        look.write(ax, 1.0, 1.0, f"and {len(names) - len(shown)} more", transform=ax.transAxes)
    return ax
