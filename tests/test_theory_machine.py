"""The derivations against the machine that runs: exact formulas to 1e-9 mm in the slow limit."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from nuts import NUT, at_degrees
from reduced import along_y, lay, reduced
from test_squares_hide import CENTRE, information

import gantrysim as gs
from gantrysim import theory as th
from gantrysim.machine.plates import EndPlate, four_wheels, turn_nut

K = 20.0  # N/mm
EXACT = 1e-9  # mm


def burned(shape: str, size: float, play: tuple[float, float], **how):
    """Commanded and drawn line of two passes from rest at the start point, mm from the centre."""
    test = gs.ring_test((shape,), largest=size, smallest=size, centre=CENTRE, passes=2, **how)
    start = test.strokes(0.1)[-1].xy[0]
    test = dataclasses.replace(test, start_from=tuple(start))
    x, y = play
    machine = reduced((y * K, y * K, x * K), (K, K, K), middle=CENTRE, span=430.0)
    burn = gs.simulate(machine, test, step=0.1)
    commanded = test.strokes(0.1)[-1].xy - CENTRE
    return commanded, [line.xy - CENTRE for line in burn.lines]


# --- play on a circle -----------------------------------------------------------------------


@pytest.mark.parametrize("direction", ["ccw", "cw"])
@pytest.mark.parametrize("start", [0.0, 1.0, 30.0, 90.0, 135.0, 178.0, 200.0, 270.0, 350.0])
def test_circle_from_any_start_in_either_sense(start, direction):
    """First turn, steady turn and closing gap of both axes, as the machine draws them."""
    radius, play, sense = 5.0, (0.05, 0.2), 1 if direction == "ccw" else -1
    commanded, (first, second) = burned(
        "circle", radius, play, start_deg=start, direction=direction
    )
    angle = np.unwrap(np.arctan2(commanded[:, 1], commanded[:, 0]))
    turned = sense * (angle - angle[0])
    axis = th.play_on_circle()
    round_one = axis.numeric("first_turn", th.TURNED, th.START, th.RADIUS, th.WINDUP)
    steady = axis.numeric("steady", th.PHASE, th.RADIUS, th.WINDUP)
    gap = axis.numeric("closure_gap", th.START, th.RADIUS, th.WINDUP)
    for i, along in enumerate((0.0, math.pi / 2)):
        phase = sense * (math.radians(start) - along)
        assert np.abs(first[:, i] - round_one(turned, phase, radius, play[i])).max() < EXACT
        assert np.abs(second[:, i] - steady(phase + turned, radius, play[i])).max() < EXACT
        missed = first[-1, i] - first[0, i]
        assert missed == pytest.approx(gap(phase, radius, play[i]), abs=EXACT)


# --- play on a square -----------------------------------------------------------------------


@pytest.mark.parametrize("direction", ["ccw", "cw"])
@pytest.mark.parametrize("start", [45.0, 0.0, 46.0, 20.0, 44.9, 135.0, 225.0, 300.0])
def test_square_from_any_start_in_either_sense(start, direction):
    half, play = 5.0, (0.05, 0.2)
    commanded, lines = burned("square", half, play, start_deg=start, direction=direction)
    turn = np.array([1.0, 1.0 if direction == "ccw" else -1.0])
    commanded, first, second = (xy * turn for xy in (commanded, *lines))
    drawn = np.concatenate([[0.0], np.cumsum(np.abs(np.diff(commanded, axis=0)).sum(axis=1))])
    x, y = commanded[0]
    # way from the lower right corner to the start, counter-clockwise
    if x >= half and y < half:
        begun = y + half
    elif y >= half:
        begun = 3 * half - x if x > -half else 4 * half
    elif x <= -half:
        begun = 5 * half - y
    else:
        begun = 7 * half + x
    axis = th.play_on_square()
    symbols = (th.START_ALONG, th.HALF, th.WINDUP)
    round_one = axis.numeric("first_turn", th.DRAWN, *symbols)
    steady = axis.numeric("steady", th.ALONG, th.HALF, th.WINDUP)
    told = axis.numeric("commanded", th.ALONG, th.HALF)
    gap = axis.numeric("closure_gap", *symbols)
    for i, shift in enumerate((2 * half, 0.0)):
        at, r = begun + shift, play[i]
        assert np.abs(told(at + drawn, half) - commanded[:, i]).max() < 1e-12
        assert np.abs(first[:, i] - round_one(drawn, at, half, r)).max() < EXACT
        assert np.abs(second[:, i] - steady(at + drawn, half, r)).max() < EXACT
        assert first[-1, i] - first[0, i] == pytest.approx(gap(at, half, r), abs=EXACT)


# --- the drawn circle -----------------------------------------------------------------------


@pytest.mark.parametrize("direction", ["ccw", "cw"])
@pytest.mark.parametrize("play", [(0.05, 0.2), (0.1, 0.1), (0.15, 0.0)])
def test_four_arcs_and_flats(play, direction):
    """Distance from the centre and bounding box of the steady circle."""
    radius = 5.0
    _, (_, xy) = burned("circle", radius, play, direction=direction)
    if direction == "cw":
        xy = xy * (1.0, -1.0)
    path = th.circle_path()
    values = (radius, max(play[0], 1e-300), max(play[1], 1e-300))
    distance = path.numeric("radius", th.ANGLE, th.RADIUS, th.WINDUP_X, th.WINDUP_Y)
    angle = np.arctan2(xy[:, 1], xy[:, 0])
    assert np.abs(np.hypot(*xy.T) - distance(angle, *values)).max() < EXACT
    box = [path.numeric(f"box_{a}", th.RADIUS, w)(radius, r)
           for a, w, r in zip("xy", (th.WINDUP_X, th.WINDUP_Y), play, strict=True)]  # fmt: skip
    assert np.ptp(xy, axis=0) == pytest.approx(box, abs=EXACT)


def test_one_square_with_play_is_a_square_with_a_scale_error():
    half, play = 5.0, 0.1
    found = th.shrink()
    scale = found.numeric("same_scale", th.HALF, th.WINDUP)(half, play)
    assert found.difference_on_square == 0
    _, (_, drawn) = burned("square", half, (play, play))
    healthy = reduced(middle=CENTRE, span=430.0).set("scale_x", scale).set("scale_y", scale)
    test = gs.ring_test(("square",), largest=half, smallest=half, centre=CENTRE)
    scaled = gs.simulate(healthy, test, step=0.1).lines[0].xy - CENTRE
    scaled = scaled - (scaled.max(axis=0) + scaled.min(axis=0)) / 2.0  # scale is about home
    for xy in (drawn, scaled):
        on_a_side = np.abs(xy).max(axis=1)
        assert on_a_side == pytest.approx(half - play, abs=EXACT)
        corners = np.abs(xy).min(axis=1).max()
        assert corners == pytest.approx(half - play, abs=EXACT)
    # twice the size: the same scale takes 0.1 mm too much off
    second = found.numeric("misfit_on_second", th.RATIO, th.WINDUP)(2.0, play)
    _, (_, larger) = burned("square", 2 * half, (play, play))
    miss = 2 * half * (1 + scale) - np.abs(larger).max()
    assert miss == pytest.approx(second, abs=2e-9)  # belts 1e-8 stiffer there


# --- two sides ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "friction, stiffness, racking, lags",
    [
        # physics fact sheet, section 4
        ((2.0, 8.0), (20.0, 20.0), 2000.0, (0.1833, 0.3167)),
        ((2.0, 8.0), (20.0, 20.0), 200.0, (0.1167, 0.3833)),
        ((2.0, 8.0), (20.0, 15.0), 2000.0, (0.2102, 0.3864)),
        ((5.0, 5.0), (20.0, 20.0), 2000.0, (0.25, 0.25)),
    ],
)
def test_full_reversal_of_two_sides(friction, stiffness, racking, lags):
    """The sheet's lags; each side's way through a reversal, as the machine goes it."""
    found = th.racking_lag()
    symbols = (th.FRICTION_L, th.FRICTION_R, th.STIFFNESS_L, th.STIFFNESS_R, th.RACKING)
    kappa = racking * 1e3 / 400.0**2
    values = (*friction, *stiffness, kappa)
    got = [found.numeric(f"lag_{side}", *symbols)(*values) for side in ("left", "right")]
    assert got == pytest.approx(lags, abs=5.1e-5)
    first, second, moved = (
        float(found.numeric(name, *symbols)(*values))
        for name in ("first_slip", "second_slip", "left_when_right_slips")
    )
    top = 2.0
    back = np.array([0.0, first / 2, first, (first + second) / 2, second, second + 0.5])
    _, q = lay(reduced((*friction, 1.0), (*stiffness, 20.0), racking=racking),
               along_y([0.0, top, *(top - back[1:])]))  # fmt: skip
    left, right = (q[1:, 0] - q[1, 0], q[1:, 1] - q[1, 1])
    assert top - q[1, :2] == pytest.approx(got, abs=EXACT)
    assert np.abs(left[:3]).max() < 2e-9  # belts 4e-10 stiffer at the top
    assert np.abs(right[:5]).max() < 2e-9
    assert left[4] == pytest.approx(-moved, abs=2e-9)
    assert q[-1, :2] - (top - back[-1]) == pytest.approx(got, abs=EXACT)


# --- information ----------------------------------------------------------------------------


@pytest.mark.parametrize("racking", [500.0, 2000.0])
def test_information_ratio_of_the_machine(racking):
    """The ratio circle : square that finite differences of whole burns find, corners left out.

    Lowest order in the windup: with a tenth of the friction the two come closer.
    """
    told = th.friction_information().numeric(
        "ratio_of_left_side", th.RADIUS, th.STIFFNESS, th.RACKING, th.SPAN, th.MEASURED
    )(20.0, 50.0, racking * 1e3 / 430.0**2, 430.0, 0.95)
    off = []
    for friction in (5.0, 0.5):
        machine = reduced((friction,) * 3, (50.0,) * 3, racking=racking, middle=CENTRE, span=430.0)
        ratio = information(machine, "circle") / information(machine, "square")
        off.append(abs(ratio / told - 1.0))
    assert told > 100.0
    assert off[0] < 0.06
    assert off[1] < 0.01
    assert off[1] < off[0] / 3.0


# --- eccentric nut --------------------------------------------------------------------------


def plate(front: float, back: float) -> EndPlate:
    """Four equal wheels, the nuts at these turns from first contact, degrees."""
    return EndPlate.from_nuts(
        four_wheels(75.0, 3.0), {"front": front, "back": back}, span=NUT[th.SPAN]
    )


@pytest.mark.parametrize("front, back", [(15.0, 15.0), (20.0, 5.0), (2.0, 40.0)])
def test_nut_against_the_balance_of_the_plate(front, back):
    wheels = sorted(plate(front, back).wheels, key=lambda w: w.along)
    for pair, degrees in ((wheels[:2], back), (wheels[2:], front)):
        for wheel in pair:
            assert wheel.load == pytest.approx(at_degrees("pair_load", degrees), rel=1e-9)
        assert sum(w.drag for w in pair) == pytest.approx(at_degrees("drag", degrees), rel=1e-9)
    turned = turn_nut(plate(front, back), "front", 1e-3, span=NUT[th.SPAN])
    back_again = turn_nut(plate(front, back), "front", -1e-3, span=NUT[th.SPAN])
    rate = (turned.friction - back_again.friction) / math.radians(2e-3)
    assert rate == pytest.approx(at_degrees("sensitivity", front), rel=1e-6)
    assert th.eccentric_nut().other_load == 0


@pytest.mark.parametrize("degrees", [-1.0, -10.0])
def test_dead_zone_before_contact(degrees):
    loose = plate(degrees, degrees)
    assert loose.rack_clearance == pytest.approx(at_degrees("racking_play", degrees), rel=1e-9)
    assert loose.friction == pytest.approx(4 * 0.375)
    assert plate(degrees * 2, degrees * 2).friction == loose.friction
