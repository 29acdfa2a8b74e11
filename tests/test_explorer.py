"""Sliders over a burn: what is drawn is what the moved machine burns, on one canvas, quickly."""

from __future__ import annotations

import base64
import dataclasses
import io
import re
import statistics
import sys
import time

import numpy as np
import pytest
from PIL import Image

import gantrysim as gs
from gantrysim.burn.magnified import magnified
from gantrysim.plotting.explorer import SETTINGS

pytest.importorskip("ipywidgets", reason="the sliders need ipywidgets, the notebook extra")


@pytest.fixture
def explorer():
    return gs.explore()


def shown(explorer):
    """Its two pictures as a page without sliders shows them, PNG."""
    found = re.findall(r'base64,([^"]+)"', explorer._repr_html_())
    assert len(found) == 2
    return tuple(base64.b64decode(text) for text in found)


def drawn(explorer):
    """Lines read back from the picture, mm."""
    return [np.column_stack(line.get_data()) for line in explorer.lines]


def expected(machine, test, factor):
    burn = gs.simulate(machine, test, feed_forces=True)
    shift = np.concatenate(burn.errors).mean(axis=0)
    return [
        magnified(base, line.xy - shift, factor)
        for line, base in zip(burn.lines, burn.commanded, strict=True)
    ]


def same(explorer, machine, test=None):
    wanted = expected(machine, explorer.test if test is None else test, explorer.magnify)
    return all(np.allclose(a, b, atol=1e-8) for a, b in zip(drawn(explorer), wanted, strict=True))


def test_it_starts_from_the_machine_as_it_is(explorer):
    assert same(explorer, gs.Machine())


@pytest.mark.parametrize(
    ("name", "value", "fault"),
    [
        ("left_nuts", 35.0, gs.faults.TightWheels("left", nut_deg=35.0)),
        ("right_nuts", -4.0, gs.faults.LooseWheels("right", nut_deg=-4.0)),
        ("backlash", 0.4, gs.faults.CouplerBacklash(play=0.4)),
        ("belt_tension", 2.0, gs.faults.SlackBelt("left", stiffness_factor=1.0, pretension=2.0)),
    ],
)
def test_a_slider_moved_by_code_draws_the_machine_with_that_fault(explorer, name, value, fault):
    lines = [line.get_data() for line in explorer.lines]
    figure, canvas = explorer.figure, explorer.figure.canvas
    explorer.sliders[name].value = value
    assert same(explorer, gs.Machine().with_faults(fault))
    assert not same(explorer, gs.Machine())
    # the same lines on the same canvas, with other data
    assert explorer.figure is figure
    assert explorer.figure.canvas is canvas
    moved = [
        np.abs(np.subtract(x.get_data(), old)).max()
        for x, old in zip(explorer.lines, lines, strict=True)
    ]
    assert max(moved) > 0.01


def test_feed_start_and_racking_are_those_of_test_and_plates(explorer):
    explorer.sliders["feed"].value = 120.0
    faster = dataclasses.replace(explorer.test, feed=120.0)
    assert same(explorer, gs.Machine(), faster)
    explorer.reset()
    explorer.sliders["start_turned"].value = 90.0
    circles, squares = explorer.burn.test.nests
    assert (circles.start_deg, squares.start_deg) == (90.0, 135.0)
    explorer.reset()
    explorer.sliders["racking_stiffness"].value = 2.0
    soft = gs.Machine().set_many({"left.rack_stiffness": 2.0, "right.rack_stiffness": 2.0})
    assert same(explorer, soft)


@pytest.mark.parametrize("name", SETTINGS)
def test_every_slider_reaches_both_its_ends_and_changes_the_picture(explorer, name):
    pictures = [shown(explorer)]
    for end in (SETTINGS[name].low, SETTINGS[name].high):
        explorer.sliders[name].value = end
        pictures.append(shown(explorer))
    assert len(set(pictures)) >= 2
    for picture in pictures[-1]:
        assert np.asarray(Image.open(io.BytesIO(picture)).convert("L")).std() > 10.0


def test_a_slider_stands_at_its_steps_only(explorer):
    # a value between two steps would come back from the screen as another one
    backlash = explorer.sliders["backlash"]
    for asked, stands in ((0.3749, 0.38), (0.06, 0.06), (7.0, 1.0), (-1.0, 0.0)):
        backlash.value = asked
        assert backlash.value == stands
    assert explorer.sliders["left_nuts"].value == 15.0  # the machine's own stand at 14.66 degrees
    assert explorer.machine.left.nut_degrees("front", span=430.0) == pytest.approx(14.66, abs=0.01)


def test_a_range_takes_in_where_the_machine_stands():
    taut = gs.explore(gs.Machine().set("belt_left.pretension", 64.0))
    assert taut.sliders["belt_tension"].value == taut.sliders["belt_tension"].max == 64.0
    assert taut.burn.machine.belt_left.pretension == 64.0


def test_reset_draws_once_what_it_started_with(explorer):
    first = shown(explorer)
    for name in ("backlash", "left_nuts"):
        explorer.sliders[name].value = SETTINGS[name].high
    assert shown(explorer) != first
    count = len(explorer.seconds)
    explorer.reset()
    assert len(explorer.seconds) == count + 1
    assert shown(explorer) == first
    assert repr(explorer) == "Explorer(as it started)"


def test_a_change_is_drawn_within_a_tenth_of_a_second_of_processor_time(explorer):
    spent = []
    for play in np.linspace(0.1, 0.9, 9):
        began = time.process_time()
        explorer.sliders["backlash"].value = float(play)
        spent.append(time.process_time() - began)
    assert statistics.median(spent) < 0.1


def test_it_shows_itself_with_sliders_and_without(explorer):
    bundle = explorer._repr_mimebundle_()
    assert "application/vnd.jupyter.widget-view+json" in bundle
    assert bundle["text/plain"] == repr(explorer)
    words = re.findall(r'alt="([^"]+)"', explorer._repr_html_())
    assert words[0] == "circles and squares: error 94 µm rms, errors drawn ×10"
    outermost = explorer._outermost()
    away = [np.hypot(*line.xy.T) - line.size for line in outermost]  # circles about their centre
    ends = 1e3 * min(a.min() for a in away), 1e3 * max(a.max() for a in away)
    assert [float(x) for x in re.findall(r"from (-?\d+) to (\d+) µm", words[1])[0]] == [
        pytest.approx(end, abs=1.0) for end in ends
    ]


def test_without_the_sliders_package_one_sentence_says_so(monkeypatch):
    monkeypatch.setitem(sys.modules, "ipywidgets", None)
    with pytest.raises(ImportError, match=r"need ipywidgets.*pip install 'gantrysim\[notebook\]'"):
        gs.explore()


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ({"magnify": 0.0}, "magnify"),
        ({"test": gs.ring_test(spacing=5.0, largest=20.0, centre=(5.0, 200.0))}, "travel"),
    ],
)
def test_wrong_arguments_are_refused_in_one_sentence(arguments, words):
    with pytest.raises(ValueError, match=words) as refused:
        gs.explore(**arguments)
    assert "\n" not in str(refused.value)


def test_arguments_of_another_kind_are_refused_in_one_sentence():
    with pytest.raises(TypeError, match="machine must be a Machine or None, found 'mine'"):
        gs.explore(machine="mine")
    with pytest.raises(TypeError, match="test must be a RingTest or None, found 3"):
        gs.explore(test=3)


@pytest.mark.parametrize(("shapes", "passes"), [(("square",), 1), (("circle",), 4)])
def test_any_ring_test_can_be_explored(shapes, passes):
    test = gs.ring_test(shapes, spacing=8.0, largest=24.0, centre=(120.0, 150.0), passes=passes)
    explorer = gs.explore(test=test, magnify=20.0)
    assert len(explorer.lines) == 3 * passes
    explorer.sliders["backlash"].value = 0.3
    assert same(explorer, gs.Machine().with_faults(gs.faults.CouplerBacklash(play=0.3)))
    assert f"{shapes[0]}s: error" in explorer.figure.axes[0].get_title(loc="left")
