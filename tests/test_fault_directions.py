"""What each fault does to circles, squares, passes and a push, checked against the physics.

Signs and sizes come from lever arms, belts in parallel and lost motion 2 F / k, not from earlier
output.  Drawing is counter-clockwise unless said: the right half of a circle is drawn away from
home, the left half towards home.
"""

import dataclasses
import importlib.util
import sys
from pathlib import Path

import matplotlib as mpl
import numpy as np
import pytest

import gantrysim as gs

mpl.use("Agg")

SOURCE = Path(__file__).resolve().parents[1] / "examples" / "fault_gallery.py"


def _gallery():
    spec = importlib.util.spec_from_file_location("fault_gallery", SOURCE)
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module  # dataclasses look their module up
    spec.loader.exec_module(module)
    return module


gallery = _gallery()
HEALTHY = gs.Machine()
SIZE = 2.0 * gallery.HALF  # mm


def change(fault):
    """Figures of the machine with a fault less those of the healthy one."""
    return gallery.figures(HEALTHY.with_faults(fault)) - gallery.figures(HEALTHY)


def pushed(fault, at, motor="off"):
    """The push test before and after."""
    return gallery.pushes(HEALTHY)[at, motor], gallery.pushes(HEALTHY.with_faults(fault))[at, motor]


def y_compliance(at):
    """Travel of the middle of the beam for a force at one plate, mm/N: from the held machine."""
    r = gallery.pushes(HEALTHY)[at, "holding"]
    late = (r.leg == 2) & (r.travel > 0.5 * r.travel.max())
    follows = 1.0 - np.polyfit(r.travel[late], r.lag[late], 1)[0]
    return 0.5 * (1.0 + follows) / r.stiffness


def x_stiffness(machine, place=215.0):
    """X belt and motor in series, N/mm."""
    belt, motor = machine.belt_x.stiffness(place), machine.motor_x.stiffness
    return belt * motor / (belt + motor)


def y_error_over_y(fault):
    """Change of the error along y over the place along y, on the last pass of the circle, mm."""
    faulty = gallery.burn_of(HEALTHY.with_faults(fault), "circle")
    healthy = gallery.burn_of(HEALTHY, "circle")
    return faulty.commanded[-1], faulty.errors[-1] - healthy.errors[-1]


# --- drag -----------------------------------------------------------------------------------


@pytest.mark.parametrize("side", ["left", "right"])
def test_tight_wheels_cost_height_by_twice_force_over_stiffness(side):
    """Lost motion 2 F / k, 1/k the travel of the beam's middle for a force at that plate."""
    force = 12.0
    c = change(gs.faults.TightWheels(side, force))
    want = -2.0 * force * y_compliance(side)
    assert c.square_height == pytest.approx(want, rel=0.15)
    assert c.circle_height == pytest.approx(want, rel=0.15)
    assert abs(c.square_width) < 0.15 * abs(want)


@pytest.mark.parametrize(("side", "sign"), [("left", 1.0), ("right", -1.0)])
def test_the_tight_side_loses_more_and_top_and_bottom_tilt_apart(side, sign):
    """The tight plate stays behind on the way up and on the way down: the top tilts to it, the
    bottom away from it, so a square becomes a trapezoid, not a parallelogram."""
    c = change(gs.faults.TightWheels(side, 12.0))
    assert sign * (c.square_left - c.square_right) < -0.03
    assert sign * c.top > 0.2
    assert sign * c.bottom < -0.2
    assert abs(c.lean) < 0.1
    assert abs(c.lean_other_way) < 0.1


@pytest.mark.parametrize(("side", "sign"), [("left", 1.0), ("right", -1.0)])
def test_tight_wheels_shift_the_halves_of_a_circle_against_each_other(side, sign):
    """A half drawn towards home stays up, one drawn away from home stays down, the half at the
    tight plate by more; drawn clockwise it is the other way round."""
    c = change(gs.faults.TightWheels(side, 12.0))
    assert c.left_up > 0.05
    assert c.right_up < -0.05
    assert sign * (abs(c.left_up) - abs(c.right_up)) > 0.01
    assert c.left_up_other_way == pytest.approx(-c.left_up, rel=0.15)
    assert c.right_up_other_way == pytest.approx(-c.right_up, rel=0.15)


@pytest.mark.parametrize(("side", "sign"), [("left", -1.0), ("right", 1.0)])
def test_a_lagging_side_turns_the_beam_and_the_head_offset_shows_it_in_width(side, sign):
    """The head lies beyond the beam: with the left side behind on the way up it swings left, so
    a circle becomes narrower counter-clockwise and wider clockwise; mirrored for the right."""
    c = change(gs.faults.TightWheels(side, 12.0))
    assert sign * c.circle_width > 0.01
    assert sign * c.width_other_way < -0.01


def test_tight_wheels_are_felt_where_they_are():
    """Both pushes must move them; pushed from the far side they stay behind it by F / k more."""
    for side, other in (("left", "right"), ("right", "left")):
        fault = gs.faults.TightWheels(side, 12.0)
        before, after = pushed(fault, side)
        assert after.keep_forward - before.keep_forward == pytest.approx(12.0, rel=0.02)
        assert after.lag_mean == pytest.approx(before.lag_mean, abs=0.01)
        before, after = pushed(fault, other)
        assert after.keep_forward - before.keep_forward == pytest.approx(12.0, rel=0.12)
        assert after.lag_mean > before.lag_mean + 0.2


def test_a_tight_carriage_costs_width_and_nothing_else():
    c = change(gs.faults.TightCarriage(8.0))
    want = -2.0 * 8.0 / x_stiffness(HEALTHY)
    assert c.square_width == pytest.approx(want, rel=0.1)
    assert c.circle_width == pytest.approx(want, rel=0.1)
    assert abs(c.square_height) < 0.005
    assert abs(c.circle_height) < 0.005
    before, after = pushed(gs.faults.TightCarriage(8.0), "carriage")
    assert after.keep_forward - before.keep_forward == pytest.approx(8.0, rel=0.01)
    for at in ("left", "right"):
        before, after = pushed(gs.faults.TightCarriage(8.0), at)
        assert after.keep_forward == pytest.approx(before.keep_forward, abs=1e-6)


# --- belts ----------------------------------------------------------------------------------


def test_a_slack_x_belt_makes_everything_narrower():
    """2 F (1/k' - 1/k) from the softer belt; the other axis does not know of it."""
    fault = gs.faults.SlackBelt("x", stiffness_factor=0.35, pretension=20.0)
    soft = HEALTHY.with_faults(fault)
    want = -2.0 * HEALTHY.carriage.friction * (1 / x_stiffness(soft) - 1 / x_stiffness(HEALTHY))
    c = change(fault)
    assert want < -0.1
    assert c.square_width == pytest.approx(want, rel=0.1)
    assert c.circle_width == pytest.approx(want, rel=0.1)
    assert abs(c.square_height) < 0.005
    before, after = pushed(fault, "carriage", "holding")
    assert after.stiffness / before.stiffness == pytest.approx(
        x_stiffness(soft) / x_stiffness(HEALTHY), rel=0.05
    )


@pytest.mark.parametrize(("side", "sign"), [("left", 1.0), ("right", -1.0)])
def test_a_slack_y_belt_lets_its_side_lag(side, sign):
    """As tight wheels there, but the drag felt with motors off stays what it was."""
    fault = gs.faults.SlackBelt(side, stiffness_factor=0.35)
    c = change(fault)
    assert c.square_height < -0.05
    assert sign * (c.square_left - c.square_right) < -0.01
    assert sign * c.top > 0.05
    assert sign * c.bottom < -0.05
    for at in ("left", "right"):
        before, after = pushed(fault, at)
        assert after.keep_forward == pytest.approx(before.keep_forward, abs=0.3)
        before, after = pushed(fault, at, "holding")
        ratio = after.stiffness / before.stiffness
        assert ratio < 0.65 if at == side else ratio > 0.9


# --- play and offsets -----------------------------------------------------------------------


def test_backlash_costs_the_far_side_most():
    """The motor sits at the left: the right belt waits for the play, the left does not."""
    fault = gs.faults.CouplerBacklash(0.4)
    c = change(fault)
    assert c.square_right < c.square_left < -0.05
    assert -0.4 < c.square_right
    assert c.top < -0.1
    assert c.bottom > 0.1
    assert abs(c.circle_width) < 0.1 * 0.4
    before, after = pushed(fault, "right", "holding")
    assert after.loop_travel > before.loop_travel + 0.1
    before, after = pushed(fault, "left")
    assert 0.05 < after.lag_mean - before.lag_mean <= 0.2 + 1e-6  # half the play at most
    assert after.keep_forward == pytest.approx(before.keep_forward, rel=0.08)


@pytest.mark.parametrize("fault", [gs.faults.CouplerSlip(1.0), gs.faults.OutOfSquare(3.0)])
def test_a_set_skew_leans_alike_whichever_way_it_is_drawn(fault):
    """A geometric error does not flip with the direction; one from friction does."""
    c = change(fault)
    assert c.lean > 1.0
    assert c.lean_other_way == pytest.approx(c.lean, abs=0.05)
    assert c.top == pytest.approx(c.bottom, abs=0.1)  # a parallelogram, not a trapezoid
    assert c.top > 1.0  # the right side ahead
    opposite = change(type(fault)(-next(iter(vars(fault).values()))))
    assert opposite.lean == pytest.approx(-c.lean, rel=0.1)


def test_out_of_square_leans_by_its_own_angle_and_cannot_be_felt():
    c = change(gs.faults.OutOfSquare(3.0))
    assert c.lean == pytest.approx(3.0, abs=0.05)
    assert abs(c.square_width) < 0.005
    assert abs(c.square_height) < 0.005
    for key, before in gallery.pushes(HEALTHY).items():
        after = gallery.pushes(HEALTHY.with_faults(gs.faults.OutOfSquare(3.0)))[key]
        assert after.loop_force == pytest.approx(before.loop_force, rel=0.01)


def test_slip_leans_by_less_than_offset_over_span():
    """Racking stiffness holds the beam back: the belts take up the rest of the offset."""
    c = change(gs.faults.CouplerSlip(1.0))
    assert 0.3 * 1e3 / HEALTHY.span < c.lean < 1e3 / HEALTHY.span


@pytest.mark.parametrize("axis", ["x", "y"])
def test_scale_stretches_its_axis_in_proportion(axis):
    c = change(gs.faults.ScaleError(axis, 0.004))
    want = 0.004 * SIZE
    along, across = (
        ((c.square_width, c.circle_width), (c.square_height, c.circle_height))
        if axis == "x"
        else ((c.square_height, c.circle_height), (c.square_width, c.circle_width))
    )
    assert along == pytest.approx((want, want), rel=0.05)
    assert across == pytest.approx((0.0, 0.0), abs=0.01)  # a stretched arc is no longer round
    assert max(abs(c.apart_circle), abs(c.apart_square)) < 0.005


# --- looseness ------------------------------------------------------------------------------


@pytest.mark.parametrize("side", ["left", "right"])
def test_loose_wheels_drag_less_and_brace_less(side):
    """Half the drag of that plate is gone from the push, height comes back by 2 F / k of it, and
    inside its play only the other plate holds the beam square."""
    fault = gs.faults.LooseWheels(side, clearance=0.6, drag_factor=0.5)
    lost = 0.5 * getattr(HEALTHY, side).friction
    c = change(fault)
    assert c.square_height == pytest.approx(2.0 * lost * y_compliance(side), rel=0.25)
    for at in ("left", "right"):
        before, after = pushed(fault, at)
        assert before.keep_forward - after.keep_forward == pytest.approx(lost, rel=0.2)
        before, after = pushed(fault, at, "holding")
        assert after.stiffness < 0.95 * before.stiffness


def test_a_loose_carriage_draws_wider_because_the_belt_pulls_beside_the_wheels():
    """The belt turns the carriage through its play, gap / wheel base each way, and carries the
    head, further out than the belt, ahead of it: 2 (head - belt) gap / B wider, and the drag that
    it lost gives 2 F / k back."""
    gap, keep = 0.15, 0.6
    c = change(gs.faults.LooseCarriage(gap, keep))
    car = HEALTHY.carriage
    swing = 2.0 * (HEALTHY.head.beyond - HEALTHY.belt_x_offset) * gap / car.wheel_base
    lost = 2.0 * (1.0 - keep) * car.friction / x_stiffness(HEALTHY)
    assert c.square_width == pytest.approx(swing + lost, rel=0.1)
    assert c.circle_width == pytest.approx(swing + lost, rel=0.1)
    assert abs(c.square_height) < 0.005
    before, after = pushed(gs.faults.LooseCarriage(gap, keep), "carriage")
    assert before.keep_forward - after.keep_forward == pytest.approx(0.4 * car.friction, rel=0.1)


def test_a_loose_carriage_tips_over_only_where_the_belt_pulls_more_than_it_rubs():
    """The belt pulls its drag a lever of the belt's offset beside the wheels: F d turns it."""
    gap, keep = 0.15, 0.6
    moment = keep * HEALTHY.carriage.friction * HEALTHY.belt_x_offset
    held = change(gs.faults.LooseCarriage(gap, keep, rub=3.0 * moment)).square_width
    free = change(gs.faults.LooseCarriage(gap, keep, rub=0.5 * moment)).square_width
    lost = 2.0 * (1.0 - keep) * HEALTHY.carriage.friction / x_stiffness(HEALTHY)
    assert held == pytest.approx(lost, abs=0.01)
    assert free > 5.0 * held
    rubbing = dataclasses.replace(HEALTHY.carriage, rub=3.0 * moment)
    before = gs.simulate(HEALTHY, gs.ring_test(spacing=10.0, largest=20.0), feed_forces=True)
    after = gs.simulate(
        HEALTHY.set("carriage", rubbing),
        gs.ring_test(spacing=10.0, largest=20.0),
        feed_forces=True,
    )
    for a, b in zip(before.lines, after.lines, strict=True):  # without play nothing rubs
        assert np.array_equal(a.xy, b.xy)


# --- run-out --------------------------------------------------------------------------------


@pytest.mark.parametrize(("pulley", "axis"), [("left", 1), ("x", 0)])
def test_run_out_repeats_with_every_turn_of_the_pulley(pulley, axis):
    """The error along an axis is a sine of the place along it, one wave a pulley turn (40 mm)."""
    amplitude = 0.08
    place, error = y_error_over_y(gs.faults.PulleyRunout(pulley, amplitude))
    turn = HEALTHY.belt_x.pulley_circumference

    def wave(period):
        phase = 2.0 * np.pi * place[:, axis] / period
        basis = np.column_stack([np.cos(phase), np.sin(phase), np.ones_like(phase)])
        found, *_ = np.linalg.lstsq(basis, error[:, axis], rcond=None)
        rest = error[:, axis] - basis @ found
        return np.hypot(*found[:2]), float(np.std(rest) / np.std(error[:, axis]))

    height, rest = wave(turn)
    share = 0.5 if pulley == "left" else 1.0  # the middle of the beam follows both sides
    assert height == pytest.approx(share * amplitude, rel=0.25)
    assert rest < 0.35
    for other in (0.6 * turn, 1.6 * turn):
        assert wave(other)[1] > 1.8 * rest


def test_a_size_of_whole_turns_hides_run_out_a_size_of_half_turns_shows_it():
    def width(half, machine):
        test = gs.ring_test(("square",), spacing=half, largest=half, passes=2)
        return gs.measure(gs.simulate(machine, test)).squares[-1].geometry.width

    faulty = HEALTHY.with_faults(gs.faults.PulleyRunout("x", 0.08, phase=np.pi / 8))
    whole, odd = (width(half, faulty) - width(half, HEALTHY) for half in (40.0, 30.0))
    assert abs(whole) < 0.01
    assert abs(odd) > 0.08


# --- sentences and pictures -----------------------------------------------------------------


@pytest.mark.parametrize("name", gallery.FAULTS)
def test_sentences_are_whole_and_agree_with_the_figures(name):
    fault = gallery.FAULTS[name]
    c, said = change(fault), gallery.sentences(fault)
    assert list(said) == ["circles", "squares", "passes", "push"]
    assert all(s[0].isupper() and s.endswith(".") and "nan" not in s for s in said.values())
    for height, width, words in (
        (c.circle_height, c.circle_width, said["circles"]),
        (c.square_height, c.square_width, said["squares"]),
    ):
        plain = words.split(" (drawn clockwise")[0]
        assert ("lower" in plain) == (height <= -gallery.SEEN)
        assert ("higher" in plain) == (height >= gallery.SEEN)
        assert ("narrower" in plain) == (width <= -gallery.SEEN)
        assert ("wider" in plain) == (width >= gallery.SEEN)
    assert ("leans" in said["squares"]) == (
        max(abs(c.lean), abs(c.lean_other_way)) >= gallery.LEANS
    )


def test_no_fault_no_news():
    """A fault of no size: nothing is changed, and every sentence says so."""
    said = gallery.sentences(gs.faults.TightWheels("left", 0.0))
    size = 2 * gallery.HALF
    same = "height as ever, width as ever."
    assert said["circles"] == f"A circle of {size:g} mm, drawn counter-clockwise: {same}"
    assert said["squares"] == f"A square of {size:g} mm: {same}"
    assert said["passes"].startswith("Passes: the second lies on the first as well as")
    assert said["push"] == "A push by hand feels nothing unusual."


def test_passes_differ_where_the_machine_came_from_the_other_way():
    """From home the first pass begins lagging the other way; more drag, more between them."""
    assert gallery.figures(HEALTHY).apart_square > 0.05
    c = change(gs.faults.TightWheels("left", 12.0))
    assert c.apart_square == pytest.approx(-c.square_height, rel=0.25)
    assert abs(change(gs.faults.OutOfSquare(3.0)).apart_square) < 0.01


def test_a_sheet_says_its_magnification_and_its_sentences(tmp_path):
    import matplotlib.pyplot as plt

    path = tmp_path / "sheet.png"
    gallery.picture("coupler backlash", gallery.FAULTS["coupler backlash"], path)
    figure = plt.gcf()
    circle, square, push, words = figure.axes
    for ax in (circle, square):
        text = " ".join(t.get_text() for t in ax.texts)
        assert "errors drawn ×" in text
        labels = [t.get_text() for t in ax.get_legend().get_texts()]
        assert labels == ["commanded", "pass 1", "pass 2", "healthy"]
    assert [t.get_text() for t in push.get_legend().get_texts()] == ["healthy", "faulty"]
    shown = words.texts[0].get_text().replace("\n", " ")
    assert "A circle of 70 mm" in shown
    assert "Pushed by hand" in shown
    plt.close("all")
    assert path.stat().st_size > 10_000


def test_the_script_refuses_to_overwrite(tmp_path, monkeypatch, capsys):
    import matplotlib.pyplot as plt

    monkeypatch.setattr(
        sys, "argv", ["fault_gallery.py", "--folder", str(tmp_path), "out of square"]
    )
    assert gallery.main() == 0
    table = (tmp_path / "faults.csv").read_text(encoding="utf-8")
    assert "out of square,OutOfSquare(angle=3.0)" in table
    assert gallery.main() == 2
    assert "exists; pass --overwrite" in capsys.readouterr().err
    monkeypatch.setattr(sys, "argv", ["fault_gallery.py", "bent beam"])
    assert gallery.main() == 2
    assert "unknown: bent beam" in capsys.readouterr().err
    plt.close("all")
