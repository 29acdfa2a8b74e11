"""Circle and square drawn by two axes that lose motion at each reversal, true to size.

The fault is drawn large, not the error: nothing here is magnified.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from numpy.typing import NDArray

from gantrysim.pattern.shapes import SHAPES
from gantrysim.plotting import look
from gantrysim.records.arrays import Array
from gantrysim.records.checks import finite_number, must_be
from gantrysim.records.doors import checked

_APART = 1.25  # sizes from the middle of a panel to that of each shape
_WIDE = 2.1  # inches of a panel; all of them fit a slide below a heading
_STEP = 0.002  # of the size, along the commanded line
_STANDS = 1e-9  # of the size: a shorter step is none


def follow(command: Array, loss: float) -> Array:
    """Where a thing with friction comes to stand that a spring pulls slowly after a command.

    ``command``: places, shape (n,); the thing starts at the first.  ``loss``: how far the spring
    gives before the thing moves, above or equal to zero, in the unit of the command.  Returns: its
    places, shape (n,).
    """
    place, out = float(command[0]), np.empty(len(command))
    for i, hand in enumerate(command):
        place = min(max(place, hand - loss), hand + loss)
        out[i] = place
    return out


@checked
def plot_lost_motion(
    losses: Sequence[float] = (0.0, 0.1),
    axes: Sequence[Axes] | NDArray[Any] | None = None,
    *,
    answer: bool = True,
) -> NDArray[Any]:
    """Draw a circle and a square by machines whose axes stay this far behind, true to size.

    Both axes of a machine follow their commands at this distance, the play of a belt that winds up
    under drag, and lose twice as much at each reversal; see `gantrysim.theory.play_on_circle` and
    ``play_on_square``.  The second time round is drawn.

    Parameters
    ----------
    losses : sequence of float
        How far each axis of each machine stays behind, as part of the radius and of the half side;
        from 0 to below 0.5.
    axes : Axes, optional
        One for each machine; a new figure if absent.
    answer : bool
        Whether to show what was commanded, and where the spot went on while one of its axes stood
        still; without it only what stands on the wood.

    Returns
    -------
    ndarray of Axes
        One for each machine.

    Raises
    ------
    ValueError
        If a loss is out of range, or there is not one of the Axes for each.

    Examples
    --------
    >>> from gantrysim.plotting import plot_lost_motion
    >>> axes = plot_lost_motion([0.0, 0.1], answer=False)  # which drawing tells you?
    """
    given = [finite_number(loss, "losses", "numbers from 0 to below 0.5") for loss in losses]
    if not given or not 0.0 <= min(given) <= max(given) < 0.5:
        raise ValueError(must_be("losses", "one or more numbers from 0 to below 0.5", losses))
    if axes is None:
        width = _WIDE * max(len(given), 1.3)
        axes = look.new_axes(2.15 * _WIDE, columns=len(given), width=width)
    panels = np.asarray(axes, dtype=object).ravel()
    if len(panels) != len(given):
        raise ValueError(f"axes must be {len(given)}, one for each machine, found {len(panels)}.")
    for number, (ax, loss) in enumerate(zip(panels, given, strict=True)):
        _draw(ax, float(loss), answer)
        if len(given) > 1:
            look.heading(ax, f"machine {chr(ord('A') + number)}", look.NORMAL)
    if answer:
        handles = [look.commanded(), look.stroke(look.INK, "drawn", 1.6)]
        if max(given) > 0.0:
            handles.append(look.stroke(look.VERMILION, "while one axis stands", 3.0))
        panels[0].get_figure(root=True).legend(
            handles=handles,
            loc="outside lower center",
            ncols=min(len(given), 3),
            frameon=False,
            fontsize=look.SMALL,
        )
    return panels


def _draw(ax: Axes, loss: float, answer: bool) -> None:
    """A circle above a square."""
    for name, shape in SHAPES.items():
        centre = np.array([0.0, _APART if name == "circle" else -_APART])
        once = shape.outlines((0.0, 0.0), [1.0], start_deg=225.0, direction="ccw", step=_STEP)[0]
        twice = np.concatenate([once, once[1:]])
        drawn = np.stack([follow(axis, loss) for axis in twice.T], axis=1)[len(once) - 1 :]
        if answer:
            ax.plot(*(once + centre).T, color=look.COMMANDED, linewidth=0.9)
        ax.plot(*(drawn + centre).T, color=look.INK, linewidth=1.6)
        stands = np.abs(np.diff(drawn, axis=0, prepend=drawn[:1])) < _STANDS
        one = np.count_nonzero(stands, axis=1) == 1
        if answer and loss > 0.0 and not shape.has_corners:
            marked = np.where(one[:, None], drawn + centre, np.nan)
            ax.plot(*marked.T, color=look.VERMILION, linewidth=3.0)
    ax.set_aspect("equal")
    ax.set_xlim(-1.1, 1.1)
    ax.set_ylim(-_APART - 1.1, _APART + 1.1)
    ax.axis("off")
