"""Rings unrolled over the angle: the outward error of every point, about the ring's centre."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from matplotlib import colormaps
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.ticker import MultipleLocator

from gantrysim.burn import Burn
from gantrysim.instruments.points import Piece
from gantrysim.instruments.residual import first_placement
from gantrysim.instruments.stations import pivot_of
from gantrysim.pattern.ringtest import Line, Nest
from gantrysim.pattern.shapes import ShapeName, shape_of
from gantrysim.plotting import look
from gantrysim.records.arrays import Array, rotation
from gantrysim.records.doors import checked

MAX_UNROLLED = 5  # rings in one picture; more hide each other


@checked
def plot_unrolled(
    burn_or_lines: Burn | Piece | Iterable[Line],
    ax: Axes | None = None,
    *,
    shape: ShapeName = "circle",
    rings: Sequence[int] | None = None,
) -> Axes:
    """Draw the error of each ring, outward positive, unrolled over the angle.

    Parameters
    ----------
    burn_or_lines : Burn, Piece or lines
        A burn is taken about its commanded centre, less the mean shift of the whole pattern; a
        piece after turning and shifting it onto its test; plain lines about their own middle.
    ax : Axes, optional
        Where to draw; a new figure if absent.
    shape : str
        "circle" or "square".
    rings : sequence of int, optional
        Which rings, 0 is the innermost; if absent, at most five from the innermost to the
        outermost.

    Returns
    -------
    Axes
        Error in micrometres against the angle in degrees, counter-clockwise from +x.

    Raises
    ------
    ValueError
        If the shape is unknown or has no such ring here.
    """
    own = centred(burn_or_lines, shape)
    chosen = chosen_rings(own, shape, rings)
    measured = isinstance(burn_or_lines, Piece)
    several = not measured and any(line.pass_index > 0 for line in own)
    ax = look.chart_axes(ax, 0.62 * look.WIDTH)
    colours = ring_colours(len(chosen))
    for colour, ring in zip(colours, chosen, strict=True):
        for line in (x for x in own if x.ring == ring):
            angle, error = unroll(line)
            if measured:
                ax.plot(angle, error, "o", color=colour, markersize=2.4, markeredgewidth=0)
            else:
                wide = several and line.pass_index <= 0
                width, alpha = (3.4, 0.4) if wide else (1.0 if several else 1.5, 1.0)
                ax.plot(angle, error, color=colour, linewidth=width, alpha=alpha)
    unrolled_axes(ax, "outward error, µm", shape)
    size = {line.ring: line.size for line in own}
    entry: Callable[..., Line2D] = look.dots if measured else look.stroke
    handles = [entry(c, f"{size[r]:g}") for c, r in zip(colours, chosen, strict=True)]
    what = f"{shape_of(shape).size_name}, mm"
    if several:  # thin on wide, so that a pass which repeats the first hides nothing
        what += " (wide: 1st pass, thin: later)"
    look.legend(ax, handles, title=what)
    return ax


def mean_shift(burn: Burn) -> Array:
    """Mean error of the whole pattern, mm, shape (2,): what a lifted piece cannot show."""
    shift: Array = np.concatenate(burn.errors).mean(axis=0)
    return shift


def centred(source: Burn | Piece | Iterable[Line], shape: str) -> list[Line]:
    """Lines of one shape with their coordinates about the centre of the ring, mm.

    A burn is taken less its mean shift; a piece is turned and shifted onto its test; plain lines
    are taken about their common middle.

    ValueError if plain lines hold none of this shape.
    """
    if isinstance(source, Burn):
        offset = np.array([source.machine.head.along, source.machine.head.beyond])
        shift = mean_shift(source)
        return _about(source.lines, shape, source.test.nests, offset + shift)
    if isinstance(source, Piece):
        place, pivot = first_placement(source), pivot_of(source.test)
        back = rotation(place[0])
        placed = [replace(x, xy=(x.xy - place[1:3]) @ back + pivot) for x in source.lines]
        return _about(placed, shape, source.test.nests, np.zeros(2))
    own = [x for x in source if x.shape == shape]
    if not own:
        raise ValueError(f"there is no {shape} among these lines.")
    middle = np.mean([(x.xy.min(axis=0) + x.xy.max(axis=0)) / 2 for x in own], axis=0)
    return [replace(x, xy=x.xy - middle) for x in own]


def _about(lines: Iterable[Line], shape: str, nests: Sequence[Nest], offset: Array) -> list[Line]:
    centres = {nest.shape: np.asarray(nest.centre) + offset for nest in nests}
    return [replace(x, xy=x.xy - centres[shape]) for x in lines if x.shape == shape]


def chosen_rings(lines: list[Line], shape: str, rings: Sequence[int] | None) -> list[int]:
    """Rings to draw: those asked for, or at most `MAX_UNROLLED` from innermost to outermost.

    ValueError if there is none, or one asked for is not here.
    """
    have = sorted({line.ring for line in lines if len(line.xy)})
    if not have:
        raise ValueError(f"there is no {shape} to unroll here.")
    if rings is None:
        count = min(MAX_UNROLLED, len(have))
        return [have[round(k)] for k in np.linspace(0, len(have) - 1, count)]
    for ring in rings:
        if ring not in have:
            raise ValueError(
                f"rings must be among the {shape}s here, {have[0]} to {have[-1]}, found {ring!r}."
            )
    return list(rings)


def unroll(line: Line) -> tuple[Array, Array]:
    """Angle, degrees from 0 to 360 ascending, and outward error, um."""
    x, y = line.xy.T
    reach = shape_of(line.shape).reach(line.xy)
    angle = np.mod(np.degrees(np.arctan2(y, x)), 360.0)
    order = np.argsort(angle, kind="stable")
    return angle[order], 1e3 * (reach - line.size)[order]


def unrolled_axes(ax: Axes, label: str, shape: str) -> None:
    """Angle in degrees, a line at no error, dotted lines at the quadrants or the corners."""
    ax.axhline(0.0, color=look.INK, linewidth=0.8, zorder=1)
    turns = np.arange(shape_of(shape).start_deg, 361.0, 90.0)
    for angle in turns:
        ax.axvline(angle, color=look.COMMANDED, linewidth=0.6, linestyle=(0, (1, 2)), zorder=0)
    ax.set_xlim(0.0, 360.0)
    ax.xaxis.set_major_locator(MultipleLocator(45))
    ax.grid(axis="y", color="#e4e4e4", linewidth=0.6)
    ax.set_axisbelow(True)
    look.label(ax, "angle from +x, counter-clockwise, degrees", label)


def ring_colours(count: int) -> list[Any]:
    """From dark (innermost) to yellow-grey (outermost); the pale end of the map is left out."""
    return list(colormaps["cividis"](np.linspace(0.0, 0.86, count)))
