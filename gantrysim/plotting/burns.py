"""Pictures of burns: the lines with their error magnified, two burns compared, the mark.

The mean shift of the whole pattern is left out, because a lifted piece cannot show it.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
from matplotlib import colormaps
from matplotlib.axes import Axes
from numpy.typing import NDArray

from gantrysim.burn import Burn
from gantrysim.burn.image import BurnImage
from gantrysim.burn.magnified import counterparts, magnified
from gantrysim.pattern.ringtest import Line, RingTest
from gantrysim.pattern.shapes import SHAPES
from gantrysim.plotting import look
from gantrysim.plotting.unrolled import mean_shift
from gantrysim.records.arrays import Array
from gantrysim.records.doors import checked

#: A nest of more rings than this is drawn thinned, to about `_SHOWN`: more run together at the
#: width of a telephone, where several passes make a moiré (judgement, by eye at 390 pixels).
_MANY, _SHOWN = 12, 8
_ORDINALS = {2: "second", 3: "third", 4: "fourth", 5: "fifth"}


@checked
def plot_burn(burn: Burn, ax: Axes | None = None, *, magnify: float | None = None) -> Axes:
    """Draw burned lines over the commanded ones, with the error magnified.

    The mean shift of the whole pattern is left out, because a lifted piece cannot show it; where
    it is worth a word it is written on the picture.  Of more than twelve rings about one centre
    every second or third is drawn, the largest among them, and the picture says so.

    Parameters
    ----------
    burn : Burn
        What to draw.
    ax : Axes, optional
        Where to draw; a new figure if absent.
    magnify : float, optional
        How many times larger than it is the error is drawn; see `nice_magnification`.

    Returns
    -------
    Axes
        Axis labels in mm, machine frame.

    Raises
    ------
    ValueError
        If `magnify` is not above zero.

    Examples
    --------
    >>> import gantrysim as gs
    >>> burn = gs.simulate(gs.Machine(), gs.ring_test(spacing=6.0, largest=30.0))
    >>> axes = gs.plot_burn(burn, magnify=10)
    >>> axes.figure.savefig("burn.png")
    """
    factor = _magnification([burn], magnify)
    ax = look.map_axes(ax, look.bounds_of(burn.commanded))
    draw_burn(ax, burn, factor)
    return ax


@checked
def compare_burns(
    before: Burn,
    after: Burn,
    axes: Sequence[Axes] | NDArray[Any] | None = None,
    *,
    magnify: float | None = None,
) -> NDArray[Any]:
    """Draw two burns below each other with the same magnification and the same scale.

    Parameters
    ----------
    before, after : Burn
        For example before and after an adjustment.
    axes : two Axes, optional
        Where to draw; a new figure if absent.
    magnify : float, optional
        How many times larger the errors are drawn in both panels; chosen for the larger one if
        absent.

    Returns
    -------
    ndarray of Axes, shape (2,)

    Raises
    ------
    ValueError
        If `axes` are not two, or `magnify` is not above zero.

    Examples
    --------
    >>> import gantrysim as gs
    >>> test = gs.ring_test(("circle",), spacing=10.0, largest=20.0)
    >>> tight = gs.Machine().with_faults(gs.faults.TightWheels("left", extra_force=12.0))
    >>> axes = gs.compare_burns(gs.simulate(tight, test), gs.simulate(gs.Machine(), test))
    >>> axes.shape
    (2,)
    """
    factor = _magnification([before, after], magnify)
    pair = look.two_axes(axes, look.bounds_of([*before.commanded, *after.commanded]), "burn")
    for ax, burn, when in zip(pair, (before, after), ("before", "after"), strict=True):
        look.dress(ax)
        draw_burn(ax, burn, factor)
        title = f"{when}: error {look.rms_um(shape_errors(burn)[0]):.0f} µm rms"
        look.heading(ax, title, look.NORMAL + 1)
    limits = np.array([[*ax.get_xlim(), *ax.get_ylim()] for ax in pair])
    for ax in pair:
        ax.set_xlim(limits[:, 0].min(), limits[:, 1].max())
        ax.set_ylim(limits[:, 2].min(), limits[:, 3].max())
    return pair


@checked
def plot_before_after(
    before: Burn, after: Burn, ax: Axes | None = None, *, magnify: float | None = None
) -> Axes:
    """Draw the last pass of two burns of one test over each other, errors magnified alike.

    Parameters
    ----------
    before, after : Burn
        Before and after an adjustment.
    ax : Axes, optional
        Where to draw; a new figure if absent.
    magnify : float, optional
        How many times larger the errors are drawn; chosen for the larger one if absent.

    Returns
    -------
    Axes
        Machine frame, mm; the magnification is written on it.

    Raises
    ------
    ValueError
        If `magnify` is not above zero.
    """
    factor = _magnification([before, after], magnify)
    ax = look.map_axes(ax, look.bounds_of(before.commanded))
    shown = _shown(before.test)
    commanded = [c for x, c in zip(before.lines, before.commanded, strict=True) if _of(x) in shown]
    look.draw_lines(ax, commanded, look.COMMANDED, 0.6)
    handles = [look.commanded()]
    drawn: list[Array] = list(commanded)
    rms = []
    for burn, when, colour, width in (
        (before, "before", look.VERMILION, 1.0),
        (after, "after", look.BLUE, 1.3),
    ):
        rms.append(look.rms_um(shape_errors(burn)[0]))
        own = last_pass(burn, factor, shown)
        look.draw_lines(ax, own, colour, width)
        handles.append(look.stroke(colour, when, width))
        drawn += own
    bounds = look.bounds_of(drawn)
    look.frame(ax, bounds)
    look.write_below(ax, bounds, factor, notes=_thinned(before.test))
    title = f"error {rms[0]:.0f} µm rms before, {rms[1]:.0f} µm after"
    look.heading(ax, title, look.NORMAL)
    look.legend(ax, handles)
    return ax


@checked
def plot_mark(image: BurnImage, ax: Axes | None = None) -> Axes:
    """Draw the mark of a burn on light wood, true to size, in mm of the bed.

    Parameters
    ----------
    image : BurnImage
        From `Burn.image`.
    ax : Axes, optional
        Where to draw; a new figure if absent.

    Returns
    -------
    Axes
    """
    left, right, low, high = image.extent
    ax = look.ready_axes(ax, (look.WIDTH - 0.7) * (high - low) / (right - left) + 0.7)
    ax.imshow(image.rgb(), extent=image.extent, origin="upper", interpolation="antialiased")
    look.label(ax, "x along the beam, mm", "y along the rails, mm")
    spot = f"{image.power:g} W, spot {2e3 * image.spot_radius:.0f} µm"
    look.heading(ax, f"{spot}, true to size (×1)")
    return ax


def draw_burn(ax: Axes, burn: Burn, factor: float) -> None:
    """Burned over commanded lines, later passes thinner, the error magnified by a factor."""
    shift, shown = mean_shift(burn), _shown(burn.test)
    every = zip(burn.lines, burn.commanded, magnified_lines(burn, factor), strict=True)
    rows = [(x, c, xy) for x, c, xy in every if _of(x) in shown]
    once = {_of(x): c for x, c, _ in rows}
    look.draw_lines(ax, list(once.values()), look.COMMANDED, 0.6)
    handles = [look.commanded()]
    passes = sorted({x.pass_index for x in burn.lines})
    by_pass = len(passes) > 1
    for key in passes if by_pass else _shapes(burn.lines):
        own = [xy for x, _, xy in rows if key == (x.pass_index if by_pass else x.shape)]
        if isinstance(key, str):
            colour: Any = look.SHAPE_COLOURS[key]
            width, label = 1.1, look.plural(key)
        else:
            # later passes are thinner and darker, so one that lies on an earlier one hides nothing
            part, label = key / (len(passes) - 1), f"pass {key + 1}"
            colour, width = colormaps["cividis"](0.9 * (1.0 - part)), 3.2 - 2.4 * part
        look.draw_lines(ax, own, colour, width)
        handles.append(look.stroke(colour, label, width))
    bounds = look.bounds_of([xy for _, *both in rows for xy in both])
    look.frame(ax, bounds)
    notes = _thinned(burn.test)
    if math.hypot(*shift) > 0.02:
        notes.append(f"shift of {_moved(shift)} not drawn")
    look.write_below(ax, bounds, factor, notes=notes)
    look.legend(ax, handles)


def _of(line: Line) -> tuple[str, int]:
    return line.shape, line.ring


def _step(test: RingTest) -> int:
    """Of so many rings one is drawn."""
    most = max(len(nest.sizes) for nest in test.nests)
    return 1 if most <= _MANY else math.ceil(most / _SHOWN)


def _shown(test: RingTest) -> set[tuple[str, int]]:
    """Shape and ring of what is drawn, the largest of each nest among them."""
    step = _step(test)
    return {(n.shape, k) for n in test.nests for k in range(len(n.sizes))[::-1][::step]}


def _thinned(test: RingTest) -> list[str]:
    """What a picture says of rings that it leaves out."""
    step = _step(test)
    return [] if step == 1 else [f"every {_ORDINALS.get(step, f'{step}th')} ring drawn"]


def shape_errors(burn: Burn) -> tuple[list[Array], Array]:
    """Errors less the mean shift of the pattern, mm, and that shift, mm."""
    shift = mean_shift(burn)
    return [e - shift for e in burn.errors], shift


def magnified_lines(burn: Burn, factor: float) -> list[Array]:
    """Lines of a burn less their mean shift, with their error magnified, mm."""
    shift = mean_shift(burn)
    return [
        magnified(c, line.xy - shift, factor)
        for line, c in zip(burn.lines, burn.commanded, strict=True)
    ]


def last_pass(burn: Burn, factor: float, shown: set[tuple[str, int]] | None = None) -> list[Array]:
    """Lines of the last pass (of ``shown`` rings) with their error magnified, mm."""
    last = max(x.pass_index for x in burn.lines)
    lines = zip(burn.lines, magnified_lines(burn, factor), strict=True)
    return [xy for x, xy in lines if x.pass_index == last and (shown is None or _of(x) in shown)]


def largest_error(burns: Iterable[Burn]) -> float:
    """Largest error that a picture of any of these burns magnifies, mm."""
    return max(
        float(np.hypot(*(xy - counterparts(c, xy)).T).max())
        for burn in burns
        for c, xy in zip(burn.commanded, magnified_lines(burn, 1.0), strict=True)
    )


def _magnification(burns: Sequence[Burn], magnify: float | None) -> float:
    spacing = min(_step(burn.test) * burn.test.spacing for burn in burns)
    return look.magnification(magnify, largest_error(burns), spacing)


def _shapes(lines: Iterable[Line]) -> list[str]:
    found = {line.shape for line in lines}
    return [shape for shape in SHAPES if shape in found]


def _moved(shift: Array) -> str:
    words = (("right", "left"), ("from home", "to home"))
    parts = [
        f"{abs(v):.2f} mm {more if v > 0 else less}"
        for v, (more, less) in zip(shift, words, strict=True)
        if abs(v) >= 0.005
    ]
    return " and ".join(parts)
