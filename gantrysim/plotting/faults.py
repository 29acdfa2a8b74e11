"""What a fault does, on one sheet: circle, square, push by hand, and words."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from gantrysim.burn import Burn
from gantrysim.mechanics.handpush import PushResult
from gantrysim.plotting import look
from gantrysim.plotting.burns import draw_burn, largest_error, last_pass
from gantrysim.plotting.readings import plot_push
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
    room = _FAULT_ROOM * min(burn.lines[0].size for burn in burns)
    factor = look.magnification(magnify, largest_error(burns), room)
    figure = plt.figure(figsize=(2.1 * look.WIDTH, 1.95 * look.WIDTH), layout="constrained")
    grid = figure.add_gridspec(2, 2, height_ratios=(1.75, 1.0))
    for column, (healthy, faulty) in enumerate((circle, square)):
        ax = figure.add_subplot(grid[0, column])
        look.dress(ax)
        draw_burn(ax, faulty, factor)
        _add_healthy(ax, healthy, factor)
    ax = figure.add_subplot(grid[1, 0])
    look.dress(ax)
    plot_push(pushes[0], ax, what=what, label="healthy", colour=look.FAINT)
    plot_push(pushes[1], ax, what=what, label="faulty", colour=look.VERMILION)
    look.heading(ax, f"motor {pushes[0].motor}")
    words = figure.add_subplot(grid[1, 1])
    words.axis("off")
    text = "\n\n".join(textwrap.fill(sentence, 68) for sentence in sentences)
    words.text(0.0, 1.0, text, va="top", ha="left", fontsize=look.SMALL, color=look.INK)
    figure.suptitle(title, x=0.02, ha="left", fontsize=look.NORMAL + 1.5, color=look.INK)
    return figure


def _add_healthy(ax: Axes, burn: Burn, factor: float) -> None:
    """The last pass of a healthy machine, dotted, over a burn that is drawn already."""
    style = (0, (1.0, 1.6))
    look.draw_lines(ax, last_pass(burn, factor), look.VERMILION, 1.1, linestyles=style)
    drawn = ax.get_legend()
    before = [h for h in drawn.legend_handles if isinstance(h, Line2D)] if drawn else []
    look.legend(ax, [*before, look.stroke(look.VERMILION, "healthy", 1.1, linestyle=style)])
