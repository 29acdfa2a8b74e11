"""What a fault does, on one sheet: circle, square, push by hand, and words."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

from matplotlib.axes import Axes
from matplotlib.collections import LineCollection
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from gantrysim.burn import Burn
from gantrysim.mechanics.handpush import PushResult
from gantrysim.plotting.burns import draw_burn, largest_error, last_pass
from gantrysim.plotting.look import (
    FAINT,
    INK,
    NORMAL,
    SMALL,
    VERMILION,
    WIDTH,
    dress,
    legend,
    nice_magnification,
)
from gantrysim.plotting.readings import plot_push
from gantrysim.records.checks import positive
from gantrysim.records.doors import checked

_FAULT_ROOM = 0.35  # of the size of a lone ring: what a ring spacing would be


@checked
def plot_fault(
    *,
    title: str,
    circle: tuple[Burn, Burn],
    square: tuple[Burn, Burn],
    pushes: tuple[PushResult, PushResult],
    what: str = "force",
    sentences: Sequence[str] = (),
    magnify: float | None = None,
) -> Figure:
    """Draw what a fault does on one sheet: circle, square, push by hand, and words.

    Parameters
    ----------
    title : str
        Name of the fault.
    circle, square : (Burn, Burn)
        Of a healthy machine, and of the same machine with the fault.
    pushes : (PushResult, PushResult)
        One push test on each of them.
    what : str
        What to draw of it, "force" or "lag"; see `plot_push`.
    sentences : sequence of str
        Written beside the push test.
    magnify : float, optional
        How many times larger errors are drawn; chosen for a readable picture if absent.

    Returns
    -------
    Figure
        The same magnification holds for circle and square.
    """
    import matplotlib.pyplot as plt

    burns = [*circle, *square]
    if magnify is None:
        room = min(burn.lines[0].size for burn in burns)
        magnify = nice_magnification(largest_error(burns), _FAULT_ROOM * room)
    figure = plt.figure(figsize=(2.1 * WIDTH, 1.95 * WIDTH), layout="constrained")
    grid = figure.add_gridspec(2, 2, height_ratios=(1.75, 1.0))
    for column, (healthy, faulty) in enumerate((circle, square)):
        ax = figure.add_subplot(grid[0, column])
        dress(ax)
        draw_burn(ax, faulty, positive(magnify, "magnify"))
        _add_healthy(ax, healthy, magnify)
    ax = figure.add_subplot(grid[1, 0])
    dress(ax)
    for result, label, colour in zip(
        pushes, ("healthy", "faulty"), (FAINT, VERMILION), strict=True
    ):
        plot_push(result, ax, what=what, label=label, colour=colour)
    ax.set_title(f"motor {pushes[0].motor}", loc="left", fontsize=SMALL, color=INK)
    words = figure.add_subplot(grid[1, 1])
    words.axis("off")
    text = "\n\n".join(textwrap.fill(sentence, 68) for sentence in sentences)
    words.text(0.0, 1.0, text, va="top", ha="left", fontsize=SMALL, color=INK)
    figure.suptitle(title, x=0.02, ha="left", fontsize=NORMAL + 1.5, color=INK)
    return figure


def _add_healthy(ax: Axes, burn: Burn, factor: float) -> None:
    """The last pass of a healthy machine, dotted, over a burn that is drawn already."""
    own = last_pass(burn, factor)
    style: tuple[int, tuple[float, float]] = (0, (1.0, 1.6))
    ax.add_collection(LineCollection(own, colors=VERMILION, linewidths=1.1, linestyles=style))
    drawn = ax.get_legend()
    before = [h for h in drawn.legend_handles if isinstance(h, Line2D)] if drawn else []
    healthy = Line2D([], [], color=VERMILION, linewidth=1.1, linestyle=style, label="healthy")
    legend(ax, [*before, healthy])
