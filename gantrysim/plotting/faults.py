"""What a fault does, on one sheet: circle, square, push by hand, and words."""

from __future__ import annotations

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

_PATTERN, _PUSH = 6.0, 3.4  # inches
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
        Written below the push test.
    magnify : float, optional
        How many times larger errors are drawn; chosen for a readable picture if absent.

    Returns
    -------
    Figure
        The same magnification holds for circle and square.
    """
    burns = [*circle, *square]
    room = _FAULT_ROOM * min(burn.lines[0].size for burn in burns)
    factor = look.magnification(magnify, largest_error(burns), room)
    text = look.in_rows("\n".join(sentences))
    below = 0.2 * (text.count("\n") + 1)
    *shapes, pushed, words = look.new_axes(_PATTERN, _PATTERN, _PUSH, below)
    for ax, (healthy, faulty) in zip(shapes, (circle, square), strict=True):
        look.dress(ax)
        draw_burn(ax, faulty, factor)
        _add_healthy(ax, healthy, factor)
    style = {"ha": "left", "fontsize": look.NORMAL, "color": look.INK}
    pushed.figure.suptitle(look.in_rows(title, look.NORMAL), x=0.02, **style)
    plot_push(pushes[0], pushed, what=what, label="healthy", colour=look.FAINT)
    plot_push(pushes[1], pushed, what=what, label="faulty", colour=look.VERMILION)
    look.heading(pushed, f"motor {pushes[0].motor}")
    words.axis("off")
    look.write(words, 0.0, 1.0, text, ha="left", va="top")
    return pushed.figure


def _add_healthy(ax: Axes, burn: Burn, factor: float) -> None:
    """The last pass of a healthy machine, dotted, over a burn that is drawn already."""
    style = (0, (1.0, 1.6))
    look.draw_lines(ax, last_pass(burn, factor), look.VERMILION, 1.1, linestyles=style)
    drawn = ax.get_legend()
    before = [h for h in drawn.legend_handles if isinstance(h, Line2D)] if drawn else []
    look.legend(ax, [*before, look.stroke(look.VERMILION, "healthy", 1.1, linestyle=style)])
