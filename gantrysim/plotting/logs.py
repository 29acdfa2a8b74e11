"""The history of a machine: error of every burn with the turns between, two pieces compared."""

from __future__ import annotations

import textwrap
from collections import Counter
from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import MultipleLocator
from numpy.typing import NDArray

from gantrysim.burn.magnified import point_counterparts
from gantrysim.burn.simulation import simulate
from gantrysim.instruments.points import Piece
from gantrysim.log.machinelog import Adjusted, Burned, MachineLog
from gantrysim.pattern.ringtest import RingTest
from gantrysim.plotting import look
from gantrysim.plotting.unrolled import centred
from gantrysim.records.amounts import signed
from gantrysim.records.arrays import Array
from gantrysim.records.doors import checked

_GAP = 4.0  # usual distances between points: across more no line joins them (judgement)


@checked
def plot_log(log: MachineLog, ax: Axes | None = None) -> Axes:
    """Draw the error of every burn of a machine, and the turns between them.

    Parameters
    ----------
    log : MachineLog
        The history.
    ax : Axes, optional
        Where to draw; a new figure if absent.

    Returns
    -------
    Axes
        Root mean square error, µm, over the number of the burn.

    Raises
    ------
    ValueError
        If the log has no burn.
    """
    if not log.burns:
        raise ValueError(f"the log of {log.name!r} has no burn to draw.")
    ax = look.chart_axes(ax, 0.8 * look.WIDTH, "burn", "error, µm rms")
    errors = [1e3 * burn.error for burn in log.burns]
    ax.plot(range(1, len(errors) + 1), errors, "o-", color=look.BLUE, linewidth=1.5, markersize=5)
    after = np.cumsum([isinstance(entry, Burned) for entry in log.entries]).tolist()
    turned = [k for k, e in zip(after, log.entries, strict=True) if isinstance(e, Adjusted)]
    together = Counter(turned)
    number, turns = 0, 0
    for entry in log.entries:
        if isinstance(entry, Burned):
            number, turns = number + 1, 0
        elif isinstance(entry, Adjusted):
            place = number + (turns + 1.0) / (together[number] + 1.0)
            ax.axvline(place, color=look.VERMILION, linewidth=0.9, linestyle=(0, (4, 3)))
            words = entry.place or entry.fault
            if entry.amount is None:
                words = f"{words}, nobody knows how far"
            elif entry.unit:
                amount = signed(entry.amount, entry.unit).replace(" ", "\N{NO-BREAK SPACE}")
                words = f"{words} {amount}{entry.known}"
            words = textwrap.fill(words.replace("_", " "), 22)
            style: dict[str, Any] = {"rotation": 90.0, "va": "top", "ha": "right"}
            style |= {"xycoords": ax.get_xaxis_transform(), "textcoords": "offset points"}
            style |= {"fontsize": look.SMALL, "color": look.INK}
            ax.annotate(words, (place, 0.98), (-3.0, 0.0), **style)
            turns += 1
    # words of the turns stand in the upper half, which the curve leaves free
    ax.set_ylim(bottom=0.0, top=(2.1 if turned else 1.15) * max(*errors, 1.0))
    ax.set_xlim(0.5, max(len(errors), number + 0.5 * bool(turns)) + 0.5)
    ax.xaxis.set_major_locator(MultipleLocator(1))
    handles = [look.stroke(look.BLUE, "measured", marker="o", markersize=5)]
    if turned:
        handles.append(look.stroke(look.VERMILION, "turned", linestyle=(0, (4.0, 3.0))))
    look.legend(ax, handles)
    return ax


@checked
def before_after(
    before: MachineLog | Piece,
    after: Piece | None = None,
    axes: Sequence[Axes] | NDArray[Any] | None = None,
    *,
    magnify: float | None = None,
) -> NDArray[Any]:
    """Draw two measured pieces below each other with the same magnification, written on both.

    Parameters
    ----------
    before : MachineLog or Piece
        A log, of which the first and the last burn are drawn; or a piece.
    after : Piece, optional
        The piece to compare it with; without meaning for a log.
    axes : two Axes, optional
        Where to draw; a new figure if absent.
    magnify : float, optional
        How many times larger the errors are drawn; chosen for the larger error if absent.

    Returns
    -------
    ndarray of Axes, shape (2,)
        Each piece is turned and shifted onto its test; mm, from the middle of the test.  Of a log
        the second says how much a healthy machine as described errs.

    Raises
    ------
    ValueError
        If there are not two pieces, `axes` are not two, or `magnify` is not above zero.
    """
    pieces = [p for p in (before, after) if isinstance(p, Piece)]
    if not isinstance(before, Piece):
        pieces = [before.pieces[0], before.pieces[-1]] if len(before.pieces) > 1 else []
    if len(pieces) != 2:
        raise ValueError("before_after needs a log with two or more burns, or two pieces.")
    placed = [_placed(piece) for piece in pieces]
    if isinstance(before, Piece):
        sizes = [look.rms_um([error for _, _, error in rings]) for rings in placed]
    else:  # as the log says it everywhere: strays left out, placed by the finding
        sizes = [1e3 * burn.error for burn in (before.burns[0], before.burns[-1])]
    far = [np.quantile(np.hypot(*e.T), 0.99) for rings in placed for _, _, e in rings]
    spacing = min(piece.test.spacing for piece in pieces)
    factor = look.magnification(magnify, float(max(far)), spacing)
    bounds = look.bounds_of([base for rings in placed for _, base, _ in rings])
    pair = look.two_axes(axes, bounds, "piece")
    bounds = look.bounds_of([base + factor * e for rings in placed for _, base, e in rings])
    titles = [f"{w}: error {r:.0f} µm rms" for w, r in zip(("before", "after"), sizes, strict=True)]
    if not isinstance(before, Piece):
        healthy = simulate(before.machine, pieces[-1].test, feed_forces=True)
        reached = look.rms_um([error for _, _, error in _placed(Piece.of_burn(healthy))])
        titles[1] += f"; a healthy machine as described about {reached:.0f}"
    for ax, piece, rings, title in zip(pair, pieces, placed, titles, strict=True):
        look.dress(ax)
        for outline in _outlines(piece.test):
            ax.plot(*outline.T, color=look.COMMANDED, linewidth=0.6)
        for shape, base, error in rings:
            _draw_joined(ax, base, base + factor * error, look.SHAPE_COLOURS[shape])
        names = ("x from the middle of the test", "y from the middle of the test")
        look.frame(ax, bounds, names)
        look.write_below(ax, bounds, factor)
        look.heading(ax, title, look.NORMAL + 1)
        entries = look.shape_dots(n.shape for n in piece.test.nests)
        look.legend(ax, [look.commanded(), *entries])
    return pair


def _draw_joined(ax: Axes, base: Array, places: Array, colour: str) -> None:
    """Points of one ring, joined in their order round it where no gap lies between them."""
    about = base - base.mean(axis=0)
    order = np.argsort(np.arctan2(about[:, 1], about[:, 0]))
    round_it = np.append(order, order[:1])
    step = np.hypot(*np.diff(base[round_it], axis=0).T)
    breaks = np.flatnonzero(step > _GAP * np.median(step)) + 1
    look.draw_lines(ax, np.split(places[round_it], breaks), colour, 0.7, alpha=0.7)
    look.draw_points(ax, [places], colour)


def _middle(test: RingTest) -> Array:
    return np.asarray(np.mean([nest.centre for nest in test.nests], axis=0))


def _placed(piece: Piece) -> list[tuple[str, Array, Array]]:
    """Shape, commanded places answered to, and errors of each measured line, mm."""
    out = []
    for nest in piece.test.nests:
        centre = np.asarray(nest.centre) - _middle(piece.test)
        if not any(line.shape == nest.shape for line in piece.lines):
            continue
        for line in centred(piece, nest.shape):
            if not len(line.xy):
                continue
            base = point_counterparts(line)
            out.append((line.shape, base + centre, line.xy - base))
    return out


def _outlines(test: RingTest) -> list[Array]:
    """Commanded rings from the middle of the test, mm."""
    found = {(s.shape, s.ring): s.xy for s in test.strokes() if s.shape != "travel"}
    return [xy - _middle(test) for xy in found.values()]
