"""Pictures of a diagnosis: measured over predicted, what is left, what is believed."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import ArrayLike
from scipy.spatial import cKDTree

from gantrysim.burn.magnified import counterparts, magnified
from gantrysim.decisions.diagnosis import Finding
from gantrysim.inference.terms import Overlay
from gantrysim.plotting import look
from gantrysim.plotting.unrolled import ring_colours, unrolled_axes
from gantrysim.records.arrays import Array
from gantrysim.records.checks import positive
from gantrysim.records.doors import checked

#: Adjusting points in the picture.
_POINTS = 5
#: Inches of the panels below the rings.
_LEFT_OVER, _AT_FAULT = 0.62 * look.WIDTH, 3.6


@checked
def plot_finding(finding: Finding) -> Figure:
    """Draw a diagnosis: measured over predicted rings, what is left, and what is believed.

    ``finding``: from `gantrysim.diagnose`.  Returns: three panels: measured points over the rings
    predicted by the best explanation, both with the error magnified alike; measured minus predicted
    of up to four rings (µm); how probably each adjusting point is at fault.  ValueError if it rests
    on hand readings alone.
    """
    if not finding.pieces:
        raise ValueError("this finding has no measured piece to draw; its report() has the words")
    high = look.height_for(look.bounds_of(finding.best.fit.overlay().commanded))
    rings, left_over, at_fault = look.new_axes(high + 0.4, _LEFT_OVER + 0.5, _AT_FAULT)
    draw_overlay(finding, rings)
    draw_left_over(finding, left_over)
    draw_at_fault(finding, at_fault)
    look.heading(at_fault, "What it may be", look.NORMAL)
    return rings.figure


def draw_overlay(finding: Finding, ax: Axes | None = None) -> Axes:
    """Draw measured points over the rings that the best explanation predicts, errors magnified."""
    overlay = finding.best.fit.overlay()
    errors = np.concatenate(
        [np.hypot(*(p - c).T) for p, c in zip(overlay.predicted, overlay.commanded, strict=True)]
    )
    factor = look.nice_magnification(float(errors.max()), finding.pieces[0].test.spacing)
    drawn = {"commanded": overlay.commanded, "predicted": overlay.predicted}
    points = {"measured": overlay.measured, "measured_base": _bases(overlay)}
    head = finding.machine.head
    of_spot = f"places of the spot: carriage + ({head.along:g}, {head.beyond:g}) mm"
    ax = plot_measured_over_predicted(
        ax, **drawn, **points, magnify=factor, strays=overlay.strays, notes=(of_spot,)
    )
    words = f"Best explanation: {finding.best.words}"
    if not finding.best.faults:  # magnified, the windup of any machine looks like damage
        words += "\nA healthy machine draws steps in circles, too; errors are magnified"
    look.heading(ax, words, look.NORMAL)
    return ax


def draw_left_over(finding: Finding, ax: Axes | None = None) -> Axes:
    """Draw measured minus predicted of up to four rings, µm."""
    overlay = finding.best.fit.overlay()
    filled = [i for i, r in enumerate(overlay.residuals) if r.size]
    shown = [filled[i] for i in np.linspace(0, len(filled) - 1, min(4, len(filled))).astype(int)]
    return plot_residuals(
        ax,
        angles_deg=[overlay.angles_deg[i] for i in shown],
        residuals=[overlay.residuals[i] for i in shown],
        labels=[overlay.labels[i] for i in shown],
        title=f"{len(shown)} of {len(filled)} lines" if len(shown) < len(filled) else "",
        rms=finding.best.fit.rms,
        averaged=finding.assumptions.bin_length,
    )


def draw_at_fault(finding: Finding, ax: Axes | None = None) -> Axes:
    """Draw how probably each adjusting point is at fault, and how probably nothing is wrong."""
    # what comes behind a colon only explains
    stated = [
        (point.words.partition(":")[0], point.probability) for point in finding.points[:_POINTS]
    ]
    stated.append(("nothing is wrong", sum(h.probability for h in finding.ranked if not h.faults)))
    stated.sort(key=lambda row: -row[1])
    return plot_probabilities(ax, *zip(*stated, strict=True))


@checked
def plot_measured_over_predicted(
    ax: Axes | None = None,
    *,
    commanded: Sequence[ArrayLike],
    predicted: Sequence[ArrayLike],
    measured: Sequence[ArrayLike],
    measured_base: Sequence[ArrayLike],
    magnify: float,
    strays: ArrayLike | None = None,
    notes: Sequence[str] = (),
) -> Axes:
    """Draw measured points over predicted rings, both with the error magnified alike.

    ``commanded``, ``predicted``: commanded and predicted places of the spot, sample by sample,
    machine frame, mm; shape (n, 2).  ``measured``, ``measured_base``: measured points carried into
    the machine frame, and the commanded place that each answers to, mm; shape (m, 2).  ``magnify``:
    how many times larger the errors are drawn; see `nice_magnification`.  ``strays``:
    points that were left out, mm; shape (k, 2); marked where they lie, for magnified they would
    leave the picture.  ``notes``: what is written below, a row each.  ValueError if two lists do
    not match, or `magnify` is not above zero.
    """
    factor = positive(magnify, "magnify")
    base = [np.asarray(xy, dtype=float) for xy in commanded]
    pairs = _pairs(base, predicted, "predicted")
    rings = [magnified(c, xy, factor) for c, xy in pairs]
    near = [np.asarray(xy, dtype=float) for xy in measured_base]
    points = [b + factor * (xy - b) for b, xy in _pairs(near, measured, "measured")]
    bounds = look.bounds_of([*base, *rings])
    ax = look.map_axes(ax, bounds)
    look.draw_lines(ax, base, look.COMMANDED, 0.6)
    look.draw_lines(ax, rings, look.BLUE, 1.6, alpha=0.55)
    if points:  # above the lines, which would hide those that lie on them
        look.draw_points(ax, points, look.VERMILION, marker="o", zorder=4)
    look.frame(ax, bounds)
    look.write_below(ax, bounds, factor, notes=notes)
    entries = [look.commanded(), look.stroke(look.BLUE, "predicted")]
    entries.append(look.dots(look.VERMILION, "measured"))
    if strays is not None and np.size(strays):
        crosses = np.asarray(strays, dtype=float)
        style = {"marker": "x", "markeredgewidth": 0.9, "zorder": 5}
        look.draw_points(ax, [crosses], look.INK, 4.0, **style)
        entries.append(look.dots(look.INK, f"left out as stray: {len(crosses)}", "x"))
    look.legend(ax, entries)
    return ax


@checked
def plot_residuals(
    ax: Axes | None = None,
    *,
    angles_deg: Sequence[ArrayLike],
    residuals: Sequence[ArrayLike],
    labels: Sequence[str],
    title: str = "",
    rms: float | None = None,
    averaged: float | None = None,
) -> Axes:
    """Draw what a prediction leaves unexplained, measured minus predicted, over the angle.

    ``angles_deg``: angle of each point from the centre of its ring, degrees counter-clockwise from
    +x; shape (n,).  ``residuals``: measured minus predicted, outward positive, mm; shape (n,).
    ``labels``: name of each ring.  ``title``: title of the legend.  ``rms``: root mean square of
    all lines, mm, where these are some of them.  ``averaged``: length of line that each residual of
    ``rms`` is the average over, mm, where it is not that of single points.  Axes: residual in
    micrometres against degrees, with its root mean square written on it.  ValueError if the three
    lists differ in length or hold no point.
    """
    if not len(angles_deg) == len(residuals) == len(labels):
        raise ValueError(
            "angles_deg, residuals and labels must have one entry for each ring, found "
            f"{len(angles_deg)}, {len(residuals)} and {len(labels)}."
        )
    values = [np.asarray(r, dtype=float) * 1e3 for r in residuals]
    if not sum(v.size for v in values):
        raise ValueError("residuals must hold at least one point, found none.")
    ax = look.chart_axes(ax, _LEFT_OVER)
    colours = ring_colours(len(values))
    for colour, angle, value in zip(colours, angles_deg, values, strict=True):
        turned = np.mod(np.asarray(angle, dtype=float), 360.0)
        ax.plot(turned, value, "o", color=colour, markersize=2.4, markeredgewidth=0)
    unrolled_axes(ax, "measured - predicted, µm", "circle")
    together = np.concatenate(values)
    overall = 1e3 * rms if rms is not None else float(np.sqrt(np.mean(together**2)))
    over = f" of averages over {averaged:g} mm" if averaged is not None else ""
    whole = ", all lines" if rms is not None else ""
    look.heading(ax, f"{overall:.0f} µm rms{over}{whole}", side="right")
    entries = [look.dots(c, name) for c, name in zip(colours, labels, strict=True)]
    look.legend(ax, entries, title=title)
    return ax


@checked
def plot_probabilities(
    ax: Axes | None = None, names: Sequence[str] = (), probabilities: Sequence[float] = ()
) -> Axes:
    """Draw how probable each hypothesis is, as horizontal bars below their names.

    ``names``: hypotheses, best first; underscores are drawn as blanks.
    ``probabilities``: from 0 to 1, one for each name.  ValueError if the lists differ in length,
    are empty, or a probability is outside 0 to 1.
    """
    if not names or len(names) != len(probabilities):
        raise ValueError(
            "names and probabilities must have one entry for each hypothesis, "
            f"found {len(names)} and {len(probabilities)}."
        )
    shares = np.asarray(probabilities, dtype=float)
    if not np.all((shares >= 0.0) & (shares <= 1.0 + 1e-9)):
        raise ValueError(f"probabilities must lie from 0 to 1, found {list(probabilities)}.")
    ax = look.chart_axes(ax, 1.0 + 0.45 * len(names), "probability, %")
    colours = [look.BLUE, *[look.COMMANDED] * (len(names) - 1)]
    ax.barh(np.arange(len(names)), 100.0 * shares, height=0.4, color=colours)
    for row, (name, share) in enumerate(zip(names, shares.tolist(), strict=True)):
        look.write(ax, 100.0 * share + 1.5, row, _per_cent(share), ha="left")
        look.write(ax, 0.0, row - 0.27, name.replace("_", " "), ha="left", va="bottom")
    ax.set_yticks([])
    ax.set_ylim(len(names) - 0.6, -0.75)
    ax.set_xlim(0.0, 113.0)
    ax.set_xticks([0, 25, 50, 75, 100])
    ax.spines["left"].set_visible(False)
    return ax


def _pairs(base: list[Array], drawn: Sequence[ArrayLike], name: str) -> list[tuple[Array, Array]]:
    places = [np.asarray(xy, dtype=float) for xy in drawn]
    if [xy.shape for xy in places] != [xy.shape for xy in base]:
        raise ValueError(f"{name} must match its commanded points one by one, shape (n, 2) each.")
    return list(zip(base, places, strict=True))


def _bases(overlay: Overlay) -> list[Array]:
    """Commanded places that measured points answer to: as the predicted places beside them do.

    Beside them on their own ring: where circles and squares cross another line may be nearer.
    """
    return [
        _beside(points, [k for k, ring in enumerate(overlay.rings) if ring == label], overlay)
        for points, label in zip(overlay.measured, overlay.labels, strict=True)
    ]


def _beside(points: Array, own: Sequence[int], overlay: Overlay) -> Array:
    """Commanded places that points of one ring answer to; ``own``: its burned lines."""
    pairs = [(overlay.commanded[k], overlay.predicted[k]) for k in own]
    # middles of steps: each has one way to go on, a corner has two
    line = np.concatenate([_middles(xy) for _, xy in pairs])
    base = np.concatenate([_middles(counterparts(c, xy)) for c, xy in pairs])
    way = np.concatenate([np.diff(c, axis=0) for c, _ in pairs])
    way /= np.maximum(np.hypot(*way.T), 1e-9)[:, None]
    near = cKDTree(line).query(points)[1]
    along = np.sum((points - line[near]) * way[near], axis=1)
    return np.asarray(base[near] + along[:, None] * way[near])


def _middles(xy: Array) -> Array:
    return np.asarray((xy[:-1] + xy[1:]) / 2.0)


def _per_cent(share: float) -> str:
    return "< 1 %" if 0.0 < share < 0.01 else f"{100.0 * share:.0f} %"
