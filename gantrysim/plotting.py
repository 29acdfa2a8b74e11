"""Every picture of the library.

All functions draw into the Axes they are given, or into a new figure, and return the Axes.
They never call ``show`` and never touch matplotlib's global settings.  Paths are drawn with
equal aspect in mm; an error is a hair's width beside a ring, so it is drawn magnified about the
commanded line, and the factor is written on every picture with paths.
Axes of your own should come from a figure with ``layout="constrained"``, which makes room for the
legend below the picture.
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib import colormaps
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection
from matplotlib.lines import Line2D
from matplotlib.ticker import MultipleLocator
from numpy.typing import ArrayLike, NDArray

from gantrysim.burn import Burn
from gantrysim.burnimage import BurnImage
from gantrysim.inputs import one_of, positive
from gantrysim.inverse.log import Adjusted, Burned, MachineLog
from gantrysim.look import (
    BLUE,
    COMMANDED,
    FAINT,
    INK,
    NORMAL,
    SHAPE_COLOURS,
    SMALL,
    VERMILION,
    WIDTH,
    Array,
    bounds_of,
    dots,
    dress,
    frame,
    height_for,
    legend,
    nearest_nice,
    new_axes,
    ready_axes,
    write_below,
)
from gantrysim.measured.points import Piece
from gantrysim.paths import SHAPES, Line, Nest, RingTest
from gantrysim.push import PushResult
from gantrysim.unrolled import centred, chosen_rings, mean_shift, unroll

_BARS = "#c9c9c9"  # quiet bars behind markers

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from gantrysim.inverse.diagnose import Finding
    from gantrysim.inverse.profile import Profile
    from gantrysim.inverse.telling import Telling
    from gantrysim.inverse.tolerance import Verdict

DRAWN_ERROR = 0.4  # the largest error drawn, as part of the ring spacing
_FAULT_ROOM = 0.35  # of the size of a lone ring: what a ring spacing would be


def nice_magnification(largest_error: float, spacing: float) -> float:
    """Round factor (1, 2, 5, 10, 20, ...) that makes errors visible and keeps rings apart.

    Parameters
    ----------
    largest_error : float
        Largest error to be drawn, mm.
    spacing : float
        Step from ring to ring, mm.

    Returns
    -------
    float
        The round number nearest (in ratio) to the factor that draws the largest error as 40 %
        of the spacing; never below 1.

    Examples
    --------
    >>> nice_magnification(0.1, 2.5)
    10.0
    """
    if largest_error <= 0.0:
        return 1.0
    return nearest_nice(max(DRAWN_ERROR * spacing / largest_error, 1.0))


def plot_burn(burn: Burn, ax: Axes | None = None, *, magnify: float | None = None) -> Axes:
    """Draw burned lines over the commanded ones, with the error magnified.

    The mean shift of the whole pattern is left out, because a lifted piece cannot show it; where
    it is worth a word it is written on the picture.

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
    """
    factor = _magnification([burn], magnify)
    ax = ready_axes(ax, height_for(bounds_of(burn.commanded)))
    _draw_burn(ax, burn, factor)
    return ax


def compare_burns(
    before: Burn,
    after: Burn,
    axes: Sequence[Axes] | NDArray[Any] | None = None,
    *,
    magnify: float | None = None,
) -> NDArray[Any]:
    """Draw two burns side by side with the same magnification and the same scale.

    Parameters
    ----------
    before, after : Burn
        For example before and after an adjustment.
    axes : two Axes, optional
        Where to draw; a new figure if absent.
    magnify : float, optional
        Of the error in both panels; chosen for the larger error if absent.

    Returns
    -------
    ndarray of Axes, shape (2,)

    Raises
    ------
    ValueError
        If `axes` are not two, or `magnify` is not above zero.
    """
    factor = _magnification([before, after], magnify)
    if axes is None:
        height = height_for(bounds_of([*before.commanded, *after.commanded]))
        axes = new_axes(1.75 * WIDTH, 0.88 * height, columns=2)
    pair = np.asarray(axes, dtype=object).ravel()
    if len(pair) != 2:
        raise ValueError(f"axes must be two Axes, one for each burn, found {len(pair)}.")
    for ax, burn, when in zip(pair, (before, after), ("before", "after"), strict=True):
        dress(ax)
        error = np.concatenate(_shape_errors(burn)[0])
        rms = float(np.sqrt(np.mean(np.sum(error**2, axis=1))))
        _draw_burn(ax, burn, factor)
        title = f"{when}: error {rms * 1e3:.0f} µm rms"
        ax.set_title(title, loc="left", fontsize=NORMAL + 1, color=INK)
    limits = np.array([[*ax.get_xlim(), *ax.get_ylim()] for ax in pair])
    for ax in pair:
        ax.set_xlim(limits[:, 0].min(), limits[:, 1].max())
        ax.set_ylim(limits[:, 2].min(), limits[:, 3].max())
    return pair


def plot_test(test: RingTest, ax: Axes | None = None) -> Axes:
    """Draw a commanded test: rings and what is burned beside them, travel moves, start points.

    Rings run from light (drawn first) to dark (drawn last).  A dot marks each start point, an
    arrow the direction, and numbers count the rings in drawing order.

    Parameters
    ----------
    test : RingTest
        What to draw.
    ax : Axes, optional
        Where to draw; a new figure if absent.

    Returns
    -------
    Axes
        Commanded carriage positions, mm.
    """
    strokes = test.strokes()
    drawn = [s for s in strokes if s.shape != "travel"]
    beside = [s.xy for s in test.beside_strokes() if s.shape != "travel"]
    bounds = bounds_of([s.xy for s in drawn] + beside)
    ax = ready_axes(ax, height_for(bounds))
    ax.add_collection(LineCollection(beside, colors=INK, linewidths=0.9))
    for shape in dict.fromkeys(s.shape for s in drawn):
        own = [(k, s.xy) for k, s in enumerate(drawn) if s.shape == shape]
        shades = [_shade(SHAPE_COLOURS[shape], k / max(len(drawn) - 1, 1)) for k, _ in own]
        ax.add_collection(LineCollection([xy for _, xy in own], colors=shades, linewidths=1.1))
    travels = [s.xy for s in strokes if s.shape == "travel"]
    ax.add_collection(LineCollection(travels, colors=FAINT, linewidths=0.7, linestyles=(0, (4, 3))))
    for number, (shape, ring, _) in enumerate(test.sequence, start=1):
        _mark_start(ax, test, shape, ring, number)
    frame(ax, bounds, names=("x of the carriage", "y of the carriage"))
    write_below(
        ax, bounds, 1.0, notes=[_order_sentence(test)], bar=False, words="as commanded (×1)"
    )
    handles = [
        *(Line2D([], [], color=SHAPE_COLOURS[n.shape], label=_plural(n.shape)) for n in test.nests),
        Line2D([], [], color=FAINT, dashes=(4, 3), linewidth=0.9, label="travel, beam off"),
        Line2D([], [], color=INK, marker="o", markersize=4, linestyle="", label="start"),
    ]
    legend(ax, handles)
    return ax


def plot_piece(piece: Piece, ax: Axes | None = None) -> Axes:
    """Draw the measured points of a lifted piece, in the piece's own frame.

    Parameters
    ----------
    piece : Piece
        What to draw.
    ax : Axes, optional
        Where to draw; a new figure if absent.

    Returns
    -------
    Axes
        Positions on the piece, mm, true to size.
    """
    bounds = bounds_of([line.xy for line in piece.lines])
    ax = ready_axes(ax, height_for(bounds))
    for shape in (n.shape for n in piece.test.nests):
        own = [line.xy for line in piece.lines if line.shape == shape and len(line.xy)]
        if own:
            ax.plot(
                *np.concatenate(own).T, linestyle="", marker=".", markersize=2.2,
                markeredgewidth=0, color=SHAPE_COLOURS[shape],
            )  # fmt: skip
    frame(ax, bounds, names=("x on the piece", "y on the piece"))
    lost = len(piece.missing)
    notes = [f"{piece.n_points} measured points"]
    notes += [f"{lost} ring{'s' * (lost > 1)} without points"] if lost else []
    write_below(ax, bounds, 1.0, notes=notes, bar=False)
    legend(ax, [dots(SHAPE_COLOURS[n.shape], _plural(n.shape)) for n in piece.test.nests])
    return ax


def plot_unrolled(
    burn_or_lines: Burn | Piece | Iterable[Line],
    ax: Axes | None = None,
    *,
    shape: str = "circle",
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
    one_of(shape, SHAPES, "shape")
    own = centred(burn_or_lines, shape)
    chosen = chosen_rings(own, shape, rings)
    measured = isinstance(burn_or_lines, Piece)
    several = not measured and any(line.pass_index > 0 for line in own)
    ax = ready_axes(ax, 0.62 * WIDTH, equal=False)
    colours = _ring_colours(len(chosen))
    for colour, ring in zip(colours, chosen, strict=True):
        for line in (x for x in own if x.ring == ring):
            angle, error = unroll(line)
            if measured:
                ax.plot(angle, error, "o", color=colour, markersize=2.4, markeredgewidth=0)
            else:
                wide = several and line.pass_index <= 0
                width, alpha = (3.4, 0.4) if wide else (1.0 if several else 1.5, 1.0)
                ax.plot(angle, error, color=colour, linewidth=width, alpha=alpha)
    _unrolled_axes(ax, "outward error, µm", shape)
    size = {line.ring: line.size for line in own}
    handles = [
        dots(c, f"{size[r]:g}") if measured else Line2D([], [], color=c, label=f"{size[r]:g}")
        for c, r in zip(colours, chosen, strict=True)
    ]
    what = "radius, mm" if shape == "circle" else "half side, mm"
    if several:  # thin on wide, so that a pass which repeats the first hides nothing
        what += " (wide: 1st pass, thin: later)"
    legend(ax, handles, title=what)
    return ax


def plot_measured_over_predicted(
    ax: Axes | None = None,
    *,
    commanded: Sequence[ArrayLike],
    predicted: Sequence[ArrayLike],
    measured: Sequence[ArrayLike],
    measured_base: Sequence[ArrayLike],
    magnify: float,
) -> Axes:
    """Draw measured points over predicted rings, both with the error magnified alike.

    Parameters
    ----------
    ax : Axes, optional
        Where to draw; a new figure if absent.
    commanded, predicted : sequence of array_like, shape (n, 2)
        Commanded and predicted places of the spot, sample by sample, machine frame, mm.
    measured, measured_base : sequence of array_like, shape (m, 2)
        Measured points carried into the machine frame, and the commanded point nearest to each,
        mm.
    magnify : float
        How many times larger the errors are drawn; see `nice_magnification`.

    Returns
    -------
    Axes

    Raises
    ------
    ValueError
        If two lists do not match, or `magnify` is not above zero.
    """
    factor = positive(magnify, "magnify")
    base = [np.asarray(xy, dtype=float) for xy in commanded]
    rings = _magnified(base, predicted, factor, "predicted")
    near = [np.asarray(xy, dtype=float) for xy in measured_base]
    points = _magnified(near, measured, factor, "measured")
    bounds = bounds_of([*base, *rings])
    ax = ready_axes(ax, height_for(bounds))
    ax.add_collection(LineCollection(base, colors=COMMANDED, linewidths=0.6))
    if points:
        ax.plot(
            *np.concatenate(points).T, linestyle="", marker="o", markersize=2.2,
            markeredgewidth=0, color=VERMILION, alpha=0.6,
        )  # fmt: skip
    ax.add_collection(LineCollection(rings, colors=BLUE, linewidths=0.7, zorder=3))
    frame(ax, bounds)
    write_below(ax, bounds, factor)
    handles = [
        Line2D([], [], color=COMMANDED, linewidth=1.0, label="commanded"),
        Line2D([], [], color=BLUE, label="predicted"),
        dots(VERMILION, "measured"),
    ]
    legend(ax, handles)
    return ax


def plot_residuals(
    ax: Axes | None = None,
    *,
    angles_deg: Sequence[ArrayLike],
    residuals: Sequence[ArrayLike],
    labels: Sequence[str],
    title: str = "",
) -> Axes:
    """Draw what a prediction leaves unexplained, measured minus predicted, over the angle.

    Parameters
    ----------
    ax : Axes, optional
        Where to draw; a new figure if absent.
    angles_deg : sequence of array_like, shape (n,)
        Angle of each point from the centre of its ring, degrees counter-clockwise from +x.
    residuals : sequence of array_like, shape (n,)
        Measured minus predicted, outward positive, mm.
    labels : sequence of str
        Name of each ring.
    title : str
        Title of the legend.

    Returns
    -------
    Axes
        Residual in micrometres against degrees, with its root mean square written on it.

    Raises
    ------
    ValueError
        If the three lists differ in length or hold no point.
    """
    if not len(angles_deg) == len(residuals) == len(labels):
        raise ValueError(
            "angles_deg, residuals and labels must have one entry for each ring, found "
            f"{len(angles_deg)}, {len(residuals)} and {len(labels)}."
        )
    values = [np.asarray(r, dtype=float) * 1e3 for r in residuals]
    if not sum(v.size for v in values):
        raise ValueError("residuals must hold at least one point, found none.")
    ax = ready_axes(ax, 0.62 * WIDTH, equal=False)
    colours = _ring_colours(len(values))
    for colour, angle, value in zip(colours, angles_deg, values, strict=True):
        turned = np.mod(np.asarray(angle, dtype=float), 360.0)
        ax.plot(turned, value, "o", color=colour, markersize=2.4, markeredgewidth=0)
    _unrolled_axes(ax, "measured - predicted, µm", "circle")
    together = np.concatenate(values)
    rms = float(np.sqrt(np.mean(together**2)))
    ax.set_title(f"{rms:.0f} µm rms", loc="right", fontsize=SMALL, color=INK)
    legend(ax, [dots(c, name) for c, name in zip(colours, labels, strict=True)], title=title)
    return ax


def plot_probabilities(
    ax: Axes | None = None,
    names: Sequence[str] = (),
    probabilities: Sequence[float] = (),
) -> Axes:
    """Draw how probable each hypothesis is, as horizontal bars in the order given.

    Parameters
    ----------
    ax : Axes, optional
        Where to draw; a new figure if absent.
    names : sequence of str
        Hypotheses, best first; underscores are drawn as blanks, " + " breaks the line.
    probabilities : sequence of float
        From 0 to 1, one for each name.

    Returns
    -------
    Axes
        Probability in per cent.

    Raises
    ------
    ValueError
        If the lists differ in length, are empty, or a probability is outside 0 to 1.
    """
    if not names or len(names) != len(probabilities):
        raise ValueError(
            "names and probabilities must have one entry for each hypothesis, "
            f"found {len(names)} and {len(probabilities)}."
        )
    shares = np.asarray(probabilities, dtype=float)
    if not np.all((shares >= 0.0) & (shares <= 1.0 + 1e-9)):
        raise ValueError(f"probabilities must lie from 0 to 1, found {list(probabilities)}.")
    ax = ready_axes(ax, 1.4 + 0.42 * len(names), equal=False)
    rows = np.arange(len(names))
    colours = [BLUE, *[COMMANDED] * (len(names) - 1)]
    ax.barh(rows, 100.0 * shares, height=0.62, color=colours)
    for row, share in enumerate(shares.tolist()):
        ax.text(
            100.0 * share + 1.5, row, _per_cent(share), va="center", ha="left",
            fontsize=SMALL, color=INK,
        )  # fmt: skip
    words = [name.replace("_", " ").replace(" + ", "\n+ ") for name in names]
    ax.set_yticks(rows, words, fontsize=SMALL)
    ax.tick_params(axis="y", length=0)
    ax.set_ylim(len(names) - 0.4, -0.6)
    ax.set_xlim(0.0, 116.0)
    ax.set_xticks([0, 25, 50, 75, 100])
    ax.set_xlabel("probability, %", fontsize=NORMAL)
    ax.spines["left"].set_visible(False)
    return ax


def finding_axes() -> NDArray[Any]:
    """Three panels for a diagnosis: rings above; residual and probabilities side by side below.

    Returns
    -------
    ndarray of Axes, shape (3,)
        For `plot_measured_over_predicted`, `plot_residuals` and `plot_probabilities`.
    """
    import matplotlib.pyplot as plt

    figure = plt.figure(figsize=(1.7 * WIDTH, 1.75 * WIDTH), layout="constrained")
    grid = figure.add_gridspec(2, 2, height_ratios=(1.9, 1.0), width_ratios=(1.25, 1.0))
    places = (grid[0, :], grid[1, 0], grid[1, 1])
    axes = np.empty(3, dtype=object)
    axes[:] = [figure.add_subplot(place) for place in places]
    return axes


def plot_finding(finding: Finding) -> Figure:
    """Draw a diagnosis: measured over predicted rings, what is left, and what is believed.

    Parameters
    ----------
    finding : Finding
        From `gantrysim.diagnose`.

    Returns
    -------
    Figure
        Three panels: measured points over the rings predicted by the best explanation, both
        with the error magnified alike; measured minus predicted of up to four rings (µm); the
        probabilities of the explanations.

    Raises
    ------
    ValueError
        If it rests on hand readings alone.
    """
    if not finding.pieces:
        raise ValueError("this finding has no measured piece to draw; its report() has the words")
    fit = finding.best.fit
    overlay = fit.overlay()
    axes = finding_axes()
    errors = np.concatenate(
        [np.hypot(*(p - c).T) for p, c in zip(overlay.predicted, overlay.commanded, strict=True)]
    )
    factor = nice_magnification(float(errors.max()), finding.pieces[0].test.spacing)
    plot_measured_over_predicted(
        axes[0], commanded=overlay.commanded, predicted=overlay.predicted,
        measured=overlay.measured, measured_base=overlay.base, magnify=factor,
    )  # fmt: skip
    axes[0].set_title(textwrap.fill(f"Best explanation: {finding.best.words}", 90), color=INK)
    filled = [i for i, r in enumerate(overlay.residuals) if r.size]
    shown = [filled[i] for i in np.linspace(0, len(filled) - 1, min(4, len(filled))).astype(int)]
    plot_residuals(
        axes[1],
        angles_deg=[overlay.angles_deg[i] for i in shown],
        residuals=[overlay.residuals[i] for i in shown],
        labels=[overlay.labels[i] for i in shown],
    )
    likely = finding.ranked[:5]
    plot_probabilities(axes[2], [h.name for h in likely], [h.probability for h in likely])
    return axes[0].figure


def plot_profile(profile: Profile, ax: Axes | None = None, *, level: float = 0.95) -> Axes:
    """Draw how the log posterior falls away from the most probable size of a fault.

    Parameters
    ----------
    profile : Profile
        From `Fit.profile`.
    ax : Axes, optional
        Where to draw; a new figure if absent.
    level : float
        Probability of the interval that is marked.

    Returns
    -------
    Axes
        Drop of the log posterior (dimensionless) over the size in the unit of the fault; the
        interval as a bar at the drop that bounds it, and dotted the parabola that the normal
        approximation has, as wide as its own 95 % interval.

    Raises
    ------
    ValueError
        If the sizes tried end inside the interval.
    """
    low, high = profile.interval(level)
    ax = ready_axes(ax, 0.62 * WIDTH, equal=False)
    best = int(np.argmin(profile.drop))
    numbers = np.linspace(profile.numbers[0], profile.numbers[-1], 201)
    sizes = np.interp(numbers, profile.numbers, profile.values)
    ends = np.interp(profile.laplace, profile.values, profile.numbers)
    normal = 0.5 * ((numbers - profile.numbers[best]) * 2.0 * 1.96 / (ends[1] - ends[0])) ** 2
    smooth = 0.5 * np.interp(numbers, profile.numbers, profile.root) ** 2
    ax.plot(sizes, smooth, color=BLUE, linewidth=1.4, label="profile")
    ax.plot(profile.values, profile.drop, "o", color=BLUE, markersize=3.0)
    ax.plot(sizes, normal, color=FAINT, linewidth=1.2, linestyle=":", label="normal")
    at = float(np.interp(high, profile.values, profile.root)) ** 2 / 2.0
    bar = f"{100.0 * level:g} % interval"
    ax.plot([low, high], [at, at], color=VERMILION, linewidth=2.0, label=bar)
    title = f"{profile.estimate:.3g} {profile.unit}, {100.0 * level:g} % {low:.3g} to {high:.3g}"
    ax.set_title(title, loc="left", fontsize=SMALL, color=INK)
    ax.set_ylim(0.0, 1.15 * float(profile.drop.max()))
    ax.set_xlabel(f"{profile.fault.replace('_', ' ')}, {profile.unit}", fontsize=NORMAL)
    ax.set_ylabel("drop of the log posterior", fontsize=NORMAL)
    legend(ax, [h for h in ax.lines if not str(h.get_label()).startswith("_")])
    return ax


# Burns


def _draw_burn(ax: Axes, burn: Burn, factor: float) -> None:
    errors, shift = _shape_errors(burn)
    lines = [c + factor * e for c, e in zip(burn.commanded, errors, strict=True)]
    once = {(x.shape, x.ring): c for x, c in zip(burn.lines, burn.commanded, strict=True)}
    ax.add_collection(LineCollection(list(once.values()), colors=COMMANDED, linewidths=0.6))
    handles = [Line2D([], [], color=COMMANDED, linewidth=1.0, label="commanded")]
    passes = sorted({x.pass_index for x in burn.lines})
    by_pass = len(passes) > 1
    for key in passes if by_pass else _shapes(burn.lines):
        own = [
            xy
            for x, xy in zip(burn.lines, lines, strict=True)
            if key == (x.pass_index if by_pass else x.shape)
        ]
        if isinstance(key, str):
            colour: Any = SHAPE_COLOURS[key]
            width, label = 1.1, _plural(key)
        else:
            # later passes are thinner and darker, so one that lies on an earlier one hides nothing
            part, label = key / (len(passes) - 1), f"pass {key + 1}"
            colour, width = colormaps["cividis"](0.9 * (1.0 - part)), 3.2 - 2.4 * part
        ax.add_collection(LineCollection(own, colors=colour, linewidths=width))
        handles.append(Line2D([], [], color=colour, linewidth=width, label=label))
    bounds = bounds_of([*burn.commanded, *lines])
    frame(ax, bounds)
    moved = math.hypot(*shift) > 0.02
    notes = [f"shift of {_moved(shift)} not drawn"] if moved else []
    write_below(ax, bounds, factor, notes=notes)
    legend(ax, handles)


def _shape_errors(burn: Burn) -> tuple[list[Array], Array]:
    """Errors less the mean shift of the pattern, mm, and that shift, mm."""
    shift = mean_shift(burn)
    return [e - shift for e in burn.errors], shift


def _magnification(burns: Sequence[Burn], magnify: float | None) -> float:
    if magnify is not None:
        return positive(magnify, "magnify")
    largest = max(
        float(np.linalg.norm(e, axis=1).max()) for burn in burns for e in _shape_errors(burn)[0]
    )
    return nice_magnification(largest, min(burn.test.spacing for burn in burns))


def _magnified(
    base: list[Array], drawn: Sequence[ArrayLike], factor: float, name: str
) -> list[Array]:
    places = [np.asarray(xy, dtype=float) for xy in drawn]
    if [xy.shape for xy in places] != [xy.shape for xy in base]:
        raise ValueError(f"{name} must match its commanded points one by one, shape (n, 2) each.")
    return [b + factor * (xy - b) for b, xy in zip(base, places, strict=True)]


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


# Unrolled rings


def _unrolled_axes(ax: Axes, label: str, shape: str) -> None:
    ax.axhline(0.0, color=INK, linewidth=0.8, zorder=1)
    turns = range(0, 361, 90) if shape == "circle" else range(45, 361, 90)
    for angle in turns:
        ax.axvline(angle, color=COMMANDED, linewidth=0.6, linestyle=(0, (1, 2)), zorder=0)
    ax.set_xlim(0.0, 360.0)
    ax.xaxis.set_major_locator(MultipleLocator(45))
    ax.grid(axis="y", color="#e4e4e4", linewidth=0.6)
    ax.set_axisbelow(True)
    ax.set_xlabel("angle from +x, counter-clockwise, degrees", fontsize=NORMAL)
    ax.set_ylabel(label, fontsize=NORMAL)


def _ring_colours(count: int) -> list[Any]:
    """From dark (innermost) to yellow-grey (outermost); the pale end of the map is left out."""
    return list(colormaps["cividis"](np.linspace(0.0, 0.86, count)))


# Tests


def _mark_start(ax: Axes, test: RingTest, shape: str, ring: int, number: int) -> None:
    """Dot at the start point, an arrow on the way, and the drawing number where there is room."""
    nest = test.nest(shape)
    size, last = nest.sizes[ring], len(nest.sizes) - 1
    start = _on_ring(nest, size, nest.start_deg)
    colour = SHAPE_COLOURS[shape]
    ax.plot(*start, "o", color=INK, markersize=2.4, markeredgewidth=0, zorder=4)
    if ring not in {0, last // 2, last}:
        return
    sense = 1.0 if nest.direction == "ccw" else -1.0
    if ring:
        at = nest.start_deg + sense * 30.0
        tail, head = (_on_ring(nest, size, a) for a in (at - sense, at + sense))
        arrow = {"arrowstyle": "-|>", "color": colour, "linewidth": 0.0, "mutation_scale": 16}
        ax.annotate("", head, tail, arrowprops=arrow, zorder=3)
    place = _on_ring(nest, size, nest.start_deg - sense * 9.0)
    box = {"boxstyle": "circle,pad=0.15", "facecolor": "white", "edgecolor": colour, "lw": 0.8}
    ax.text(
        *place, str(number), fontsize=SMALL - 1, color=INK, ha="center", va="center", bbox=box,
        zorder=5,
    )  # fmt: skip


def _on_ring(nest: Nest, size: float, angle_deg: float) -> tuple[float, float]:
    c, s = math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))
    reach = size if nest.shape == "circle" else size / max(abs(c), abs(s))
    return nest.centre[0] + reach * c, nest.centre[1] + reach * s


def _order_sentence(test: RingTest) -> str:
    passes = "1 pass" if test.passes == 1 else f"{test.passes} passes"
    return f"{test.order.replace('_', ' ')}, {passes}, {test.feed:g} mm/s"


def _shade(colour: str, dark: float) -> tuple[float, float, float]:
    """A colour lightened for 0 up to itself for 1."""
    rgb = [int(colour[k : k + 2], 16) / 255.0 for k in (1, 3, 5)]
    keep = 0.35 + 0.65 * dark
    red, green, blue = (1.0 - keep * (1.0 - part) for part in rgb)
    return red, green, blue


def _plural(shape: str) -> str:
    return f"{shape}s"


def _per_cent(share: float) -> str:
    return "< 1 %" if 0.0 < share < 0.01 else f"{100.0 * share:.0f} %"


# Marks


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
    ax = ready_axes(ax, (WIDTH - 0.7) * (high - low) / (right - left) + 0.7)
    ax.imshow(image.rgb(), extent=image.extent, origin="upper", interpolation="antialiased")
    ax.set_xlabel("x along the beam, mm", fontsize=NORMAL)
    ax.set_ylabel("y along the rails, mm", fontsize=NORMAL)
    ax.set_title(
        f"{image.power:g} W, spot {2e3 * image.spot_radius:.0f} µm, true to size (×1)",
        loc="left", fontsize=SMALL, color=INK,
    )  # fmt: skip
    return ax


# Push tests


def plot_push(
    result: PushResult, ax: Axes | None = None, *, what: str = "force", label: str = "",
    colour: str = BLUE,
) -> Axes:  # fmt: skip
    """Draw a push test: what the scale reads, or how far the other part stays behind.

    Parameters
    ----------
    result : PushResult
        From `gantrysim.push`.
    ax : Axes, optional
        Where to draw; a new figure if absent.  Several pushes may share one.
    what : str
        "force" or "lag".
    label : str
        Name of this push in the legend; its own words if absent.
    colour : str
        Of its line.

    Returns
    -------
    Axes
        Force in N or lag in mm, over the travel of the pushed part in mm.  The first leg, from
        rest, is thin; the loop that follows is wide, with arrows the way it is gone through.

    Raises
    ------
    ValueError
        If `what` is neither.
    """
    one_of(what, ("force", "lag"), "what")
    fresh = ax is None
    ax = ready_axes(ax, 0.62 * WIDTH, equal=False)
    values = result.force if what == "force" else result.lag
    if fresh or not ax.lines:
        ax.axhline(0.0, color=FAINT, linewidth=0.6)
    for leg, width in ((0, 0.7), (1, 1.8), (2, 1.8)):
        own = result.leg == leg
        x, y = result.travel[own], values[own]
        ax.plot(x, y, color=colour, linewidth=width, solid_capstyle="round")
        if leg:
            _arrow_on(ax, x, y, colour)
    name = "carriage" if result.at == "carriage" else f"{result.at} plate"
    ax.set_xlabel(f"travel of the {name}, mm", fontsize=NORMAL)
    words = "push by hand, N" if what == "force" else f"{result.behind} stays behind, mm"
    ax.set_ylabel(words, fontsize=NORMAL)
    shown = label or f"pushed at the {name}, motor {result.motor}"
    handle = Line2D([], [], color=colour, linewidth=1.8, label=shown)
    ax.add_line(handle)  # an empty line: the legend finds it again when another push is drawn
    legend(ax, [h for h in ax.lines if not str(h.get_label()).startswith("_")])
    return ax


def _arrow_on(ax: Axes, x: Array, y: Array, colour: str) -> None:
    """An arrow head on the middle of the way along a leg."""
    k = int(np.searchsorted(np.abs(x - x[0]), 0.5 * abs(x[-1] - x[0])))
    k = min(max(k, 1), len(x) - 1)
    way = math.copysign(1e-6 * max(abs(x[-1] - x[0]), 1e-9), x[-1] - x[0])
    arrow = {"arrowstyle": "-|>", "color": colour, "linewidth": 0.0, "mutation_scale": 15}
    ax.annotate("", (x[k] + way, y[k]), (x[k] - way, y[k]), arrowprops=arrow, zorder=4)


# Faults


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
        largest = max(
            float(np.linalg.norm(e, axis=1).max()) for b in burns for e in _shape_errors(b)[0]
        )
        magnify = nice_magnification(largest, _FAULT_ROOM * room)
    figure = plt.figure(figsize=(2.1 * WIDTH, 1.95 * WIDTH), layout="constrained")
    grid = figure.add_gridspec(2, 2, height_ratios=(1.75, 1.0))
    for column, (healthy, faulty) in enumerate((circle, square)):
        ax = figure.add_subplot(grid[0, column])
        dress(ax)
        _draw_burn(ax, faulty, positive(magnify, "magnify"))
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
    errors, _ = _shape_errors(burn)
    last = max(x.pass_index for x in burn.lines)
    own = [
        c + factor * e
        for x, c, e in zip(burn.lines, burn.commanded, errors, strict=True)
        if x.pass_index == last
    ]
    style: tuple[int, tuple[float, float]] = (0, (1.0, 1.6))
    ax.add_collection(LineCollection(own, colors=VERMILION, linewidths=1.1, linestyles=style))
    drawn = ax.get_legend()
    before = [h for h in drawn.legend_handles if isinstance(h, Line2D)] if drawn else []
    healthy = Line2D([], [], color=VERMILION, linewidth=1.1, linestyle=style, label="healthy")
    legend(ax, [*before, healthy])


# Adjustments


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
    ax = ready_axes(ax, height_for(bounds_of(before.commanded)))
    ax.add_collection(LineCollection(before.commanded, colors=COMMANDED, linewidths=0.6))
    handles = [Line2D([], [], color=COMMANDED, linewidth=1.0, label="commanded")]
    drawn: list[Array] = list(before.commanded)
    rms = []
    for burn, when, colour, width in (
        (before, "before", VERMILION, 1.0),
        (after, "after", BLUE, 1.3),
    ):
        errors, _ = _shape_errors(burn)
        together = np.concatenate(errors)
        rms.append(float(np.sqrt(np.mean(np.sum(together**2, axis=1)))) * 1e3)
        last = max(x.pass_index for x in burn.lines)
        own = [
            c + factor * e
            for x, c, e in zip(burn.lines, burn.commanded, errors, strict=True)
            if x.pass_index == last
        ]
        ax.add_collection(LineCollection(own, colors=colour, linewidths=width))
        handles.append(Line2D([], [], color=colour, linewidth=width, label=when))
        drawn += own
    bounds = bounds_of(drawn)
    frame(ax, bounds)
    write_below(ax, bounds, factor)
    title = f"error {rms[0]:.0f} µm rms before, {rms[1]:.0f} µm after"
    ax.set_title(title, loc="left", fontsize=NORMAL, color=INK)
    legend(ax, handles)
    return ax


# What a test can tell


def plot_telling(telling: Telling, ax: Axes | None = None) -> Axes:
    """Draw how much of what was believed a test would leave open, quantity by quantity.

    Parameters
    ----------
    telling : Telling
        From `gantrysim.what_can_be_told`.
    ax : Axes, optional
        Where to draw; a new figure if absent.

    Returns
    -------
    Axes
        Width of the expected 95 % interval as a part of the prior's (relative), the healthy
        machine's quantities above, faults below; circles alone and squares alone beside it.
    """
    rows = telling.rows
    height = 1.2 + 0.21 * len(rows)
    ax = ready_axes(new_axes(1.4 * WIDTH, height)[0] if ax is None else ax, height, equal=False)
    y = np.arange(len(rows))[::-1]
    ax.barh(y, [row.left for row in rows], height=0.62, color=_BARS)
    handles = [Line2D([], [], color=_BARS, linewidth=6, label="this test")]
    parts = (("circle", telling.circles, "o"), ("square", telling.squares, "s"))
    for shape, part, marker in parts:
        if part is not None:
            left, colour = [row.left for row in part.rows], SHAPE_COLOURS[shape]
            ax.plot(left, y, color=colour, marker=marker, linestyle="", markersize=5)
            handle = dots(colour, f"{shape}s alone")
            handle.set_marker(marker)
            handles.append(handle)
    ax.axvline(1.0, color=FAINT, linewidth=0.8)
    faults = sum(row.fault for row in rows)
    if 0 < faults < len(rows):
        ax.axhline(faults - 0.5, color=FAINT, linewidth=0.6)
    ax.set_yticks(y, [row.name for row in rows], fontsize=SMALL)
    ax.set_xlim(0.0, 1.05 * max(1.0, *(row.left for row in rows)))
    ax.set_ylim(-0.7, len(rows) - 0.3)
    ax.set_xlabel("95 % interval left, part of the one believed before", fontsize=NORMAL)
    legend(ax, handles)
    return ax


# Logs and verdicts


def before_after(
    before: MachineLog | Piece,
    after: Piece | None = None,
    axes: Sequence[Axes] | NDArray[Any] | None = None,
    *,
    magnify: float | None = None,
) -> NDArray[Any]:
    """Draw two measured pieces side by side with the same magnification, written on both.

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
        Each piece is turned and shifted onto its test; mm, from the middle of the test.

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
    if magnify is None:
        far = [np.quantile(np.hypot(*e.T), 0.99) for rings in placed for _, _, e in rings]
        spacing = min(piece.test.spacing for piece in pieces)
        factor = nice_magnification(float(max(far)), spacing)
    else:
        factor = positive(magnify, "magnify")
    if axes is None:
        height = height_for(bounds_of([base for rings in placed for _, base, _ in rings]))
        axes = new_axes(1.75 * WIDTH, 0.88 * height, columns=2)
    pair = np.asarray(axes, dtype=object).ravel()
    if len(pair) != 2:
        raise ValueError(f"axes must be two Axes, one for each piece, found {len(pair)}.")
    bounds = bounds_of([base + factor * e for rings in placed for _, base, e in rings])
    for ax, piece, rings, when in zip(pair, pieces, placed, ("before", "after"), strict=True):
        dress(ax)
        for outline in _outlines(piece.test):
            ax.plot(*outline.T, color=COMMANDED, linewidth=0.6)
        for shape, base, error in rings:
            ax.plot(
                *(base + factor * error).T, linestyle="", marker=".", markersize=2.2,
                markeredgewidth=0, color=SHAPE_COLOURS[shape],
            )  # fmt: skip
        frame(ax, bounds, names=("x from the middle of the test", "y from the middle of the test"))
        write_below(ax, bounds, factor)
        together = np.concatenate([e for _, _, e in rings])
        rms = float(np.sqrt(np.mean(np.sum(together**2, axis=1))))
        title = f"{when}: error {rms * 1e3:.0f} µm rms"
        ax.set_title(title, loc="left", fontsize=NORMAL + 1, color=INK)
        shapes = [nest.shape for nest in piece.test.nests]
        commanded = Line2D([], [], color=COMMANDED, linewidth=1.0, label="commanded")
        legend(ax, [commanded, *(dots(SHAPE_COLOURS[s], _plural(s)) for s in shapes)])
    return pair


def _middle(test: RingTest) -> Array:
    return np.asarray(np.mean([nest.centre for nest in test.nests], axis=0))


def _placed(piece: Piece) -> list[tuple[str, Array, Array]]:
    """Shape, nearest commanded points, and errors of each measured line, mm."""
    out = []
    for nest in piece.test.nests:
        centre = np.asarray(nest.centre) - _middle(piece.test)
        if not any(line.shape == nest.shape for line in piece.lines):
            continue
        for line in centred(piece, nest.shape):
            if not len(line.xy):
                continue
            if line.shape == "circle":
                near = line.xy * (line.size / np.hypot(*line.xy.T))[:, None]
            else:
                near = np.clip(line.xy, -line.size, line.size)
                rows, side = np.arange(len(near)), np.argmax(np.abs(line.xy), axis=1)
                near[rows, side] = np.sign(line.xy[rows, side]) * line.size
            out.append((line.shape, near + centre, line.xy - near))
    return out


def _outlines(test: RingTest) -> list[Array]:
    """Commanded rings from the middle of the test, mm."""
    found = {(s.shape, s.ring): s.xy for s in test.strokes() if s.shape != "travel"}
    return [xy - _middle(test) for xy in found.values()]


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
    ax = ready_axes(ax, 0.62 * WIDTH, equal=False)
    errors = [1e3 * burn.error for burn in log.burns]
    ax.plot(range(1, len(errors) + 1), errors, "o-", color=BLUE, linewidth=1.5, markersize=5)
    number, turns = 0, 0
    for entry in log.entries:
        if isinstance(entry, Burned):
            number, turns = number + 1, 0
        elif isinstance(entry, Adjusted):
            place = number + 0.5 + 0.06 * turns
            ax.axvline(place, color=VERMILION, linewidth=0.9, linestyle=(0, (4, 3)))
            words = f"{entry.place or entry.fault} {entry.amount:+.3g} {entry.unit}"
            ax.annotate(
                words, (place, 0.98), (-3.0, 0.0), xycoords=ax.get_xaxis_transform(),
                textcoords="offset points", rotation=90.0, va="top", ha="right",
                fontsize=SMALL - 1, color=INK,
            )  # fmt: skip
            turns += 1
    ax.set_ylim(bottom=0.0, top=1.15 * max(*errors, 1.0))
    ax.set_xlim(0.5, max(len(errors), number + 0.5 * bool(turns)) + 0.5)
    ax.xaxis.set_major_locator(MultipleLocator(1))
    ax.set_xlabel("burn", fontsize=NORMAL)
    ax.set_ylabel("error, µm rms", fontsize=NORMAL)
    handles = [Line2D([], [], color=BLUE, marker="o", markersize=5, label="measured")]
    if any(isinstance(entry, Adjusted) for entry in log.entries):
        style: tuple[int, tuple[float, float]] = (0, (4.0, 3.0))
        handles.append(Line2D([], [], color=VERMILION, linestyle=style, label="turned"))
    legend(ax, handles)
    return ax


def plot_verdict(verdict: Verdict, ax: Axes | None = None) -> Axes:
    """Draw each value of a verdict with its 95 % interval as part of its limit.

    Parameters
    ----------
    verdict : Verdict
        From `accept` or `will_hold`.
    ax : Axes, optional
        Where to draw; a new figure if absent.

    Returns
    -------
    Axes
        Value over limit (dimensionless), the limit at 1.
    """
    ax = ready_axes(ax, 1.0 + 0.45 * len(verdict.requirements) + 0.6, equal=False)
    ax.axvline(1.0, color=VERMILION, linewidth=1.4)
    for row, r in enumerate(verdict.requirements):
        if r.estimate is None or r.low is None or r.high is None:
            ax.text(0.02, row, "does not show", va="center", fontsize=SMALL, color=FAINT)
            continue
        ends = [abs(v) / r.limit for v in (r.low, r.high)]
        low = 0.0 if r.low * r.high < 0.0 else min(ends)
        ax.plot([low, max(ends)], [row, row], color=BLUE, linewidth=2.2)
        ax.plot(abs(r.estimate) / r.limit, row, "o", color=BLUE, markersize=6)
    names = [f"{r.name}, {r.limit:g} {r.unit}" for r in verdict.requirements]
    ax.set_yticks(range(len(names)), names)
    ax.set_ylim(len(names) - 0.4, -0.6)
    ax.set_xlim(left=0.0, right=max(1.4, ax.get_xlim()[1]))
    ax.set_xlabel("part of the limit, 95 % interval", fontsize=NORMAL)
    ax.set_title(f"{verdict.decision}", loc="left", fontsize=NORMAL + 1, color=INK)
    return ax
