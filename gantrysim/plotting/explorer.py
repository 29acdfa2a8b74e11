"""Sliders over a burn that is drawn again as they move, on one canvas.

The only module that needs ipywidgets (the `notebook` extra), loaded at first use.  Nothing here
knows of a screen: a slider that is moved by code redraws just as one moved by hand.
"""

from __future__ import annotations

import base64
import dataclasses
import io
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, cast

import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from PIL import Image

from gantrysim.burn import Burn
from gantrysim.burn.simulation import simulate
from gantrysim.machine import Machine
from gantrysim.machine.components import nut_approach
from gantrysim.pattern.ringtest import RingTest, ring_test
from gantrysim.plotting import look
from gantrysim.plotting.burns import magnified_lines, shape_errors
from gantrysim.plotting.unrolled import centred, unroll, unrolled_axes
from gantrysim.records.checks import positive
from gantrysim.records.doors import checked

#: Inches and dots per inch of the one canvas.
_SIZE, _DPI = (9.6, 4.3), 90
#: How a first and a later pass are drawn: width and opacity; thin lies on wide.
_STYLES = ((3.6, 0.35), (1.2, 1.0))
_FITS = {"max_width": "100%"}
#: A picture is shown at least so large, as part of its size, beside the other.
_LEAST = 0.6
#: Beside each other where there is room, below each other on a phone.
_WRAPS = {"display": "flex", "flex_flow": "row wrap", "align_items": "flex-end"}
_LIMIT = 450.0  # µm: axis of the errors round the circle, the same whatever is turned


@dataclass(frozen=True)
class Setting:
    """One thing that can be turned.

    Parameters
    ----------
    words, unit : str
        What stands beside its slider, and the unit of its values.
    low, high, step : float
        Its range and the least move of the slider.
    start : callable
        Where it stands, from machine and test.
    turn : callable
        Machine and test with it turned, from machine, test and value.
    part : str
        Part of the machine without which there is nothing to turn.
    """

    words: str
    unit: str
    low: float
    high: float
    step: float
    start: Callable[[Machine, RingTest], float]
    turn: Callable[[Machine, RingTest, float], tuple[Machine, RingTest]]
    part: str = ""

    def nearest(self, value: float) -> float:
        """The step of the slider nearest to a value."""
        return round(self.low + round((value - self.low) / self.step) * self.step, 9)


def _nuts(side: str) -> Setting:
    def start(machine: Machine, test: RingTest) -> float:
        nuts = machine.value(side).nuts
        return float(np.mean([machine.value(side).nut_degrees(i, span=machine.span) for i in nuts]))

    def turn(machine: Machine, test: RingTest, degrees: float) -> tuple[Machine, RingTest]:
        plate = machine.value(side)
        approach = {i: nut_approach(plate.wheels[i].nut_offset, degrees) for i in plate.nuts}
        return machine.set(side, plate.at_approach(approach, span=machine.span)), test

    words = f"{side} wheel nuts past contact"
    return Setting(words, "degrees", -5.0, 50.0, 1.0, start, turn)


def _field(words: str, unit: str, low: float, high: float, step: float, *places: str) -> Setting:
    """A number of the machine, the same in every one of the places."""

    def start(machine: Machine, test: RingTest) -> float:
        return float(machine.value(places[0]))

    def turn(machine: Machine, test: RingTest, value: float) -> tuple[Machine, RingTest]:
        return machine.set_many(dict.fromkeys(places, value)), test

    return Setting(words, unit, low, high, step, start, turn, places[0].partition(".")[0])


def _turned_start(machine: Machine, test: RingTest, by: float) -> tuple[Machine, RingTest]:
    nests = [dataclasses.replace(n, start_deg=(n.start_deg + by) % 360.0) for n in test.nests]
    return machine, dataclasses.replace(test, nests=tuple(nests))


#: What can be turned, in the order in which it is: racking stiffness before the nuts, because
#: nuts that let their wheels stand off change it.
SETTINGS: dict[str, Setting] = {
    "racking_stiffness": _field(
        "racking stiffness of each end plate", "N/mm", 1.0, 30.0, 0.5,
        "left.rack_stiffness", "right.rack_stiffness",
    ),
    "left_nuts": _nuts("left"),
    "right_nuts": _nuts("right"),
    "belt_tension": _field(
        "tension of the left belt", "N", 0.5, 40.0, 0.5, "belt_left.pretension"
    ),
    "backlash": _field("play in the coupling, at the belt", "mm", 0.0, 1.0, 0.02, "shaft.backlash"),
    "feed": Setting(
        "feed", "mm/s", 5.0, 200.0, 5.0,
        lambda machine, test: test.feed,
        lambda machine, test, value: (machine, dataclasses.replace(test, feed=value)),
    ),
    "start_turned": Setting(
        "start of every ring, turned by", "degrees", 0.0, 355.0, 5.0,
        lambda machine, test: 0.0, _turned_start,
    ),
}  # fmt: skip


class Explorer:
    """Sliders and the burn that they make; made by `gantrysim.explore`.

    Shows itself in a notebook; where a notebook shows no sliders, as a picture.

    Parameters
    ----------
    machine : Machine
        Where the sliders start from.
    test : RingTest
        What is burned.
    magnify : float
        How many times larger the errors are drawn.

    Attributes
    ----------
    sliders : dict
        Slider by name of its setting; ``sliders["backlash"].value = 0.4`` (mm) moves one.
    burn : Burn
        What is drawn now.
    lines : tuple of Line2D
        The drawn rings in the order of ``burn.lines``.
    figure : Figure
        The one figure, never made anew.
    seconds : list of float
        What each redrawing took, s, from the moved slider to the finished picture.
    panel : widget
        Sliders and picture together.
    """

    def __init__(self, machine: Machine, test: RingTest, magnify: float) -> None:
        widgets = _widgets()
        self.machine, self.test, self.magnify = machine, test, magnify
        self.seconds: list[float] = []
        self.sliders = {
            name: _slider(widgets, setting, setting.start(machine, test))
            for name, setting in SETTINGS.items()
            if setting.part not in machine.absent
        }
        # the machine is left as it is where a slider stands at its start
        self._start = {name: slider.value for name, slider in self.sliders.items()}
        reset = widgets.Button(description="back to the start")
        reset.on_click(lambda button: self.reset())
        self._panels = [widgets.Image(format="png") for _ in range(2)]
        turned = widgets.Box([*_with_words(widgets, self.sliders), reset], layout=_WRAPS)
        self.panel = widgets.VBox([turned, widgets.Box(self._panels, layout=_WRAPS)])
        self.burn = self._simulated()
        self._draw_first()
        for slider in self.sliders.values():
            slider.observe(self._moved, names="value")

    def reset(self) -> None:
        """Move every slider back to where it started, and draw once."""
        for slider in self.sliders.values():
            slider.unobserve(self._moved, names="value")
        for name, slider in self.sliders.items():
            slider.value = self._start[name]
        for slider in self.sliders.values():
            slider.observe(self._moved, names="value")
        self._moved(None)

    def _moved(self, change: Any) -> None:
        began = time.perf_counter()
        self.burn = self._simulated()
        self._redraw()
        self.seconds.append(time.perf_counter() - began)

    def _simulated(self) -> Burn:
        machine, test = self.machine, self.test
        for name, slider in self.sliders.items():
            if slider.value != self._start[name]:
                machine, test = SETTINGS[name].turn(machine, test, slider.value)
        return simulate(machine, test, feed_forces=True)

    def _draw_first(self) -> None:
        """Axes, commanded rings and one line a ring; later only the data of the lines change."""
        self.figure = Figure(figsize=_SIZE, dpi=_DPI)
        self._canvas = cast(Any, FigureCanvasAgg(self.figure))  # its methods have no types
        plan, round_ = self.figure.subplots(1, 2, width_ratios=(1.45, 1.0))
        self.figure.subplots_adjust(left=0.075, right=0.98, top=0.92, bottom=0.145, wspace=0.27)
        look.dress(plan)
        look.dress(round_)
        for outline in {(x.shape, x.ring): x.xy for x in _commanded(self.burn)}.values():
            plan.plot(*outline.T, color=look.COMMANDED, linewidth=0.6)
        self.lines = tuple(_to_be_drawn(plan, line) for line in self.burn.lines)
        outlines = [x.xy for x in _commanded(self.burn)]
        room = look.bounds_of(outlines) + np.array([[-1.0], [1.0]]) * self.test.spacing
        look.frame(plan, room)
        look.write_below(plan, room, self.magnify)
        self._title = plan.set_title("", loc="left", fontsize=look.NORMAL, color=look.INK)
        shape = self.test.nests[0].shape
        unrolled_axes(round_, "outward error, µm (beyond the axis: cut off)", shape)
        round_.set_ylim(-_LIMIT, _LIMIT)
        round_.tick_params(axis="x", labelsize=look.SMALL - 1)
        self._round = tuple(_to_be_drawn(round_, line) for line in self._outermost())
        several = ", wide: 1st pass" if self.test.passes > 1 else ""
        look.heading(round_, f"outermost {shape} unrolled{several}", look.NORMAL)
        moving: tuple[Artist, ...] = (*self.lines, *self._round, self._title)
        for artist in moving:
            artist.set_animated(True)
        self._moving = moving
        self._canvas.draw()
        box = round_.get_tightbbox()
        whole = int(self.figure.bbox.width)
        self._cut = round(box.x0) - 4 if box else whole // 2
        for panel, wide in zip(self._panels, (self._cut, whole - self._cut), strict=True):
            flex = f"{wide} 1 {_LEAST * wide:.0f}px"
            panel.layout = {"flex": flex, "min_width": "0", "max_width": f"{wide}px"}
        self._ground = self._canvas.copy_from_bbox(self.figure.bbox)
        self._redraw()

    def _outermost(self) -> list[Any]:
        """Lines of the outermost ring of the first shape, about its centre."""
        own = centred(self.burn, self.test.nests[0].shape)
        last = max(line.ring for line in own)
        return [line for line in own if line.ring == last]

    def _redraw(self) -> None:
        errors, _ = shape_errors(self.burn)
        for drawn, xy in zip(self.lines, magnified_lines(self.burn, self.magnify), strict=True):
            drawn.set_data(*xy.T)
        for drawn, line in zip(self._round, self._outermost(), strict=True):
            drawn.set_data(*unroll(line))
        names = " and ".join(look.plural(nest.shape) for nest in self.test.nests)
        self._title.set_text(f"{names}: error {look.rms_um(errors):.0f} µm rms")
        # only what moves is drawn anew, on the ground that was drawn once: a third of the time
        self._canvas.restore_region(self._ground)
        for artist in self._moving:
            self.figure.draw_artist(artist)
        pixels = np.asarray(self._canvas.buffer_rgba())[..., :3]
        for shown, part in zip(self._panels, np.split(pixels, [self._cut], axis=1), strict=True):
            shown.value = _png(part)

    def _repr_mimebundle_(self, **options: Any) -> Any:
        bundle = self.panel._repr_mimebundle_(**options)
        if isinstance(bundle, dict):
            bundle["text/plain"] = repr(self)
        return bundle

    def _repr_html_(self) -> str:
        """Both pictures, with words: beside each other where there is room, as the sliders."""
        shape = self.test.nests[0].shape
        errors = np.concatenate([line.get_ydata() for line in self._round])
        words = (
            f"{self._title.get_text()}, {look.magnification_words(self.magnify)}",
            f"outermost {shape} unrolled: outward error from {errors.min():.0f} "
            f"to {errors.max():.0f} µm round it",
        )
        pictures = "".join(
            f'<img alt="{told}" style="flex:{panel.layout.flex};min-width:0;'
            f'max-width:{panel.layout.max_width}" '
            f'src="data:image/png;base64,{base64.b64encode(panel.value).decode()}">'
            for told, panel in zip(words, self._panels, strict=True)
        )
        return f'<div style="display:flex;flex-wrap:wrap;align-items:flex-end">{pictures}</div>'

    def __repr__(self) -> str:
        told = ", ".join(
            f"{name} {slider.value:g} {SETTINGS[name].unit}"
            for name, slider in self.sliders.items()
            if slider.value != self._start[name]
        )
        return f"Explorer({told or 'as it started'})"


@checked
def explore(
    machine: Machine | None = None, test: RingTest | None = None, *, magnify: float = 10.0
) -> Explorer:
    """Make sliders for nuts, belt, coupling, racking, feed and start, over the burn they make.

    Parameters
    ----------
    machine : Machine, optional
        Where the sliders start from; the nominal bench machine if absent.
    test : RingTest, optional
        What is burned; four circles beside four squares, twice round, if absent.
    magnify : float
        How many times larger the errors are drawn: the same whatever is turned, so that what
        looks larger is larger.

    Returns
    -------
    Explorer
        Shows itself in a notebook; its sliders can be moved by code, too.

    Raises
    ------
    ImportError
        If ipywidgets is not installed.
    ValueError
        If an argument is of another kind, or the test leaves the travel of the machine.

    Examples
    --------
    >>> import gantrysim as gs
    >>> sliders = gs.explore(magnify=20)
    >>> sliders.burn
    Burn(16 lines, 2888 points, error 94 µm rms)
    """
    machine = Machine() if machine is None else machine
    if test is None:
        centre = machine.middle
        test = ring_test(
            layout="side_by_side", spacing=5.0, largest=20.0, centre=centre, passes=2, feed=40.0
        )
    return Explorer(machine, test, positive(magnify, "magnify"))


def _widgets() -> Any:
    try:
        import ipywidgets
    except ImportError:
        raise ImportError(
            "the sliders need ipywidgets, which is not installed here: pip install "
            "'gantrysim[notebook]' brings it."
        ) from None
    return ipywidgets


def _slider(widgets: Any, setting: Setting, start: float) -> Any:
    """A slider at the step nearest to a start, which its range takes in.

    It stands at its steps only, however it is moved: what lies between two of them the screen
    would move to the nearer one and send back, late, over whatever was set meanwhile.
    """
    from traitlets import validate  # ipywidgets stands upon it

    class Stepped(widgets.FloatSlider):  # type: ignore[misc]
        @validate("value")
        def _validate_value(self, proposal: Any) -> float:
            value = min(max(float(proposal["value"]), self.min), self.max)
            return setting.nearest(value)

    value = setting.nearest(start)
    ends = {"min": min(setting.low, value), "max": max(setting.high, value), "step": setting.step}
    shown = {"readout_format": ".2f" if setting.step < 0.1 else ".1f"}
    size = {"layout": {"width": "22em", **_FITS}, "tooltip": _words_of(setting)}
    return Stepped(value=value, **ends, **shown, **size)


def _words_of(setting: Setting) -> str:
    return f"{setting.words}, {setting.unit}"


def _with_words(widgets: Any, sliders: dict[str, Any]) -> list[Any]:
    """Sliders below their words, what changes a healthy machine most first."""
    order = sorted(sliders, key=lambda name: name == "racking_stiffness")
    return [
        widgets.VBox([widgets.Label(_words_of(SETTINGS[name])), sliders[name]]) for name in order
    ]


def _png(pixels: Any) -> bytes:
    """Pixels as a picture that is quickly written."""
    png = io.BytesIO()
    Image.fromarray(np.ascontiguousarray(pixels)).save(png, format="png", compress_level=1)
    return png.getvalue()


def _to_be_drawn(ax: Axes, line: Any) -> Line2D:
    """A line as it will look, still without places."""
    width, alpha = _STYLES[min(max(line.pass_index, 0), 1)]
    colour = look.SHAPE_COLOURS[line.shape]
    return ax.plot([], [], color=colour, linewidth=width, alpha=alpha)[0]


def _commanded(burn: Burn) -> list[Any]:
    return [
        dataclasses.replace(line, xy=xy)
        for line, xy in zip(burn.lines, burn.commanded, strict=True)
    ]
