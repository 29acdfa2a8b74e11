"""The slow limit and the planner against closed forms, worked out by hand or published.

Where a test says 1e-9 mm, what separates the machine from the textbook (a belt 200 m long whose
stiffness still changes a little, a drive of 1e12 N/mm) is in the expected value.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from reduced import (
    HALF_LOOP,
    RIGID,
    along_x,
    along_y,
    circle,
    drawn,
    lay,
    reduced,
    straight_pieces,
    turns,
)
from scipy.optimize import least_squares

from gantrysim.burn.simulation import simulate
from gantrysim.machine import Belt, Motor
from gantrysim.mechanics.planner import corner_speed, plan, segment_time
from gantrysim.pattern.ringtest import Stroke, ring_test
from gantrysim.pattern.shapes import SQUARE

R, PLAY = 20.0, 0.1  # mm
K, F = 20.0, 2.0  # N/mm, N: a play of 0.1 mm


def belt_at(place):
    """Stiffness of a `constant_belt` this far from its middle over that in its middle."""
    return 1.0 / (1.0 - (np.asarray(place) / HALF_LOOP) ** 2)


def play_operator(u: np.ndarray, half_width: np.ndarray) -> np.ndarray:
    """y_n = max(u_n - r, min(u_n + r, y_{n-1})) (Krasnosel'skii and Pokrovskii; any hysteresis
    text), from rest at u_0."""
    y = np.empty_like(u)
    y[0] = u[0]
    for n in range(1, u.size):
        y[n] = max(u[n] - half_width[n], min(u[n] + half_width[n], y[n - 1]))
    return y


def least_squares_roundness(xy: np.ndarray) -> float:
    """Roundness (peak to valley) about the least-squares circle, as ISO 12181-1 defines it."""

    def deviation(c):
        return np.hypot(*(xy - c[:2]).T) - c[2]

    best = least_squares(deviation, [0.0, 0.0, R], xtol=1e-15, ftol=1e-15, gtol=1e-15).x
    return float(np.ptp(deviation(best)))


def with_break_away(radius: float, play: float, count: int) -> np.ndarray:
    """Angles of two turns that hold the four reversals and the four break-aways after them."""
    stuck = math.acos(1.0 - 2.0 * play / radius)
    quarter = np.arange(8) * (math.pi / 2.0)
    return np.unique(np.concatenate([turns(2, count), quarter + stuck]))


# --- one axis -------------------------------------------------------------------------------


@pytest.mark.parametrize("axis", [0, 1])
def test_a_driven_mass_with_friction_is_the_play_operator(axis):
    """Mass behind a spring with Coulomb friction, slow motion: play of half width F / k."""
    places = straight_pieces([0, 5, -3, 4, 3.95, 4, -6, 2], 0.17)
    command = (along_x, along_y)[axis](places)
    xy = drawn(reduced((F, F, F), (K, K, K)), command)
    lag = F / (K * belt_at(places)) + (F if axis == 0 else 2 * F) / RIGID
    assert np.abs(xy[:, axis] - play_operator(places, lag)).max() < 1e-9
    assert np.abs(xy[:, 1 - axis]).max() < 1e-12


def test_backlash_in_the_shaft_adds_half_its_width_to_the_play_of_the_far_side():
    """Lost motion on reversal: 2 F / k near the motor, 2 F / k + b beyond the shaft."""
    backlash = 0.3
    places = straight_pieces([0, 5, -5, 5], 0.05)
    _, q = lay(reduced((F, F, F), (K, K, K), backlash=backlash), along_y(places))
    near = F / (K * belt_at(places)) + 2 * F / RIGID
    assert np.abs(q[:, 0] - play_operator(places, near)).max() < 1e-9
    far = near + backlash / 2.0 + F / RIGID
    assert np.abs(q[:, 1] - play_operator(places, far)).max() < 1e-9
    assert np.ptp(places - q[:, 1]) == pytest.approx(2 * F / K + backlash, abs=1e-9)


def test_a_contact_with_a_presliding_distance_is_a_stop_element():
    """Prandtl's element in series with the belt: after a reversal the plate follows by the share
    k / (k + F / d) over 2 (d + F / k) of drive, then slides with the old lag the other way."""
    force, d = 2.0, 0.015
    machine = reduced((0.0, 0.0, force), (K, K, K)).set("contact.presliding_distance", d)
    turn = 2.0 * (d + force / K)
    places = np.array([0.0, 0.05, 1.0, 1.0 - turn / 3.0, 1.0 - turn, 0.0])
    x = drawn(machine, along_x(places))[:, 0]
    share = K / (K + force / d)
    play = force / K
    want = [0.0, 0.05 * share, 1.0 - play, 1.0 - play - turn / 3.0 * share,
            1.0 - play - 2.0 * d, play]  # fmt: skip
    assert share * turn == pytest.approx(2.0 * d, rel=1e-12)
    assert np.abs(x - want).max() < 1e-9


def test_loop_area_and_dissipated_energy():
    """Play: area 4 r (A - r).  Stop: energy 4 F (A - F / k); k = 20, F = 4, A = 1 gives 12.8."""
    amplitude, force = 1.0, 4.0
    r = force / K
    places = straight_pieces([0, 1, 1 - 2 * r, -1, -1 + 2 * r, 1, 1 - 2 * r, -1, -1 + 2 * r, 1], 9)
    xy = drawn(reduced((0, 0, force), (K, K, K)), along_x(places))
    u, y = places[-5:], xy[-5:, 0]
    area = 0.5 * abs(float(np.sum(u[:-1] * y[1:] - u[1:] * y[:-1])))
    assert area == pytest.approx(4 * r * (amplitude - r), abs=1e-9)
    drive = K * belt_at(u) * (u - y)
    work = float(np.sum(0.5 * (drive[1:] + drive[:-1]) * np.diff(u)))
    assert work == pytest.approx(12.8, abs=1e-8)
    travelled = float(np.abs(np.diff(y)).sum())
    assert work == pytest.approx(force * travelled, abs=1e-8)


def test_describing_function_of_play():
    """N(r / A = 0.2) = 0.857622 - 0.203718 j (classical describing function of play)."""
    n = 20000
    phase = 2.0 * math.pi * np.arange(2 * n + 1) / n
    places = R * np.sin(phase)
    xy = drawn(reduced((0, 0, 0.2 * R * K), (K, K, K)), along_x(places))
    wave = xy[n:-1, 0] * np.exp(-1j * phase[n:-1])
    got = 2j * wave.mean() / R
    rho = 0.2
    real = math.pi / 2 + math.asin(1 - 2 * rho) + 2 * (1 - 2 * rho) * math.sqrt(rho * (1 - rho))
    formula = real / math.pi - 1j * 4 * rho / math.pi * (1 - rho)
    assert abs(formula - (0.857622 - 0.203718j)) < 1e-6
    assert abs(got - formula) < 2e-7  # sampling of the kinks, (2 pi / 20000)^2


# --- circles and squares --------------------------------------------------------------------


def test_steady_circle_is_four_arcs_with_flats():
    """Box 2 (R - r), flats 2 sqrt(r (R - r)); R = 20, r = 0.1: flat 2.8213 mm."""
    angles = with_break_away(R, PLAY, 400)
    command = circle(R, angles)
    xy = drawn(reduced((F, F, F)), command)
    lag = F / (K * belt_at(command)) + np.array([F, 2 * F]) / RIGID
    for axis in (0, 1):
        want = play_operator(command[:, axis], lag[:, axis])
        assert np.abs(xy[:, axis] - want).max() < 1e-9
    turn = angles > math.pi - 1e-9
    belt = F / K * (1.0 / belt_at(R) - 1.0)  # how much less the play is at the extremes
    assert np.abs(np.ptp(xy[turn], axis=0) - 2 * (R - PLAY - belt)).max() < 1e-9
    top = (angles > 2 * math.pi - 1e-9) & (angles < 2 * math.pi + 0.5)
    # the belts are 4e-8 stiffer at the extreme, so break-away comes 8e-9 mm of play early
    stuck = top & (np.abs(xy[:, 0] - xy[top, 0].max()) < 2e-8)
    assert np.ptp(angles[stuck]) == pytest.approx(math.acos(1 - 2 * PLAY / R), abs=1e-12)
    flat = 2 * math.sqrt(PLAY * (R - PLAY))
    assert round(flat, 4) == 2.8213
    assert np.ptp(xy[stuck, 1]) == pytest.approx(flat, abs=1e-8)


@pytest.mark.parametrize(
    "friction, rounded",
    [((F, F, F), 0.1852), ((0.0, 0.0, F), 0.1990), ((F, F, 0.0), 0.1990)],
)
def test_roundness_of_the_steady_circle(friction, rounded):
    """A saw-tooth: lowest, -r, on the flat, highest where an axis breaks away.

    The steady path looks the same from both ends, so its least-squares centre is the commanded
    one, and the roundness is the largest less the smallest distance from there.
    """
    angles = with_break_away(R, PLAY, 40000)
    xy = drawn(reduced(friction), circle(R, angles))
    steady = xy[angles > 3 * math.pi - 1e-9]
    got = np.ptp(np.hypot(*steady.T))
    other = PLAY if min(friction) > 0.0 else 0.0
    high = math.hypot(R - PLAY, 2 * math.sqrt(PLAY * (R - PLAY)) - other)
    # lowest where the flat crosses the axis; the nearest sample is half a step away or less
    low = (R - PLAY) + 0.5 * (math.pi / 40000 * R) ** 2 / R
    assert high - low - 1e-8 <= got <= high - (R - PLAY) + 1e-8
    turn = angles >= 2 * math.pi
    assert least_squares_roundness(xy[turn][:-1]) == pytest.approx(got, abs=1e-6)
    assert got == pytest.approx(rounded, abs=5e-5)


def test_unequal_play_makes_an_oval():
    """R = 10, r_x = 0.05, r_y = 0.2: box 19.900 x 19.600, flats 1.4107 and 2.8000 mm."""
    x, y = 0.05, 0.2
    angles = np.unique(np.concatenate([with_break_away(10, x, 400), with_break_away(10, y, 400)]))
    xy = drawn(reduced((y * K, y * K, x * K)), circle(10.0, angles))[angles >= 2 * math.pi]
    assert np.ptp(xy, axis=0) == pytest.approx([19.9, 19.6], abs=1e-8)
    for axis, flat in ((0, 1.4107), (1, 2.8)):
        still = np.abs(xy[:, axis] - xy[:, axis].max()) < 1e-8
        # a flat is drawn in one go; at x = max also the closing sample of the turn lies on it
        rest = xy[still, 1 - axis]
        assert np.ptp(rest) == pytest.approx(flat, abs=5e-5)


def test_closure_gap_of_a_circle_started_at_rest():
    """Started relaxed at (R, 0) counter-clockwise, the end misses the start by (-r_x, -r_y)."""
    n = 400
    xy = drawn(reduced((0.15 * K, 0.15 * K, PLAY * K)), circle(R, turns(1, n)))
    want = -np.array([PLAY, 0.15]) / belt_at([R, 0.0])
    assert np.abs((xy[-1] - xy[0]) - want).max() < 1e-9


def test_square_side_is_shorter_by_twice_the_play():
    """Side S - 2 r, repeated; through the public `simulate`, in the middle of the bed."""
    centre, half = (215.0, 200.0), 15.0
    test = ring_test(("square",), largest=half, smallest=half, centre=centre, passes=3)
    burn = simulate(reduced((F, F, F), middle=centre, span=430.0), test)
    for line in burn.lines[1:]:
        play = F / (K * belt_at(half))
        assert np.ptp(line.xy, axis=0) == pytest.approx(2 * (half - play), abs=1e-9)


def test_a_square_smaller_than_the_play_moves_nothing():
    places = np.concatenate(
        SQUARE.outlines((0, 0), [0.09], start_deg=45, direction="ccw", step=0.01)
    )
    xy = drawn(reduced((F, F, F)), np.concatenate([places, places]))
    # started at a corner, 0.09 mm from the middle: it moves away by less than the play
    still = xy[len(places) :]
    assert np.ptp(still, axis=0).max() < 1e-12


# --- two sides ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "friction, stiffness, racking, lags",
    [
        ((2.0, 8.0), (20.0, 20.0), 2000.0, (0.1833, 0.3167)),
        ((2.0, 8.0), (20.0, 20.0), 200.0, (0.1167, 0.3833)),
        ((2.0, 8.0), (20.0, 15.0), 2000.0, (0.2102, 0.3864)),
        ((5.0, 5.0), (20.0, 20.0), 2000.0, (0.25, 0.25)),
        ((5.0, 5.0), (20.0, 20.0), 200.0, (0.25, 0.25)),
    ],
)
def test_lags_of_two_coupled_sides(friction, stiffness, racking, lags):
    """[k_L + c, -c; -c, k_R + c] l = F with c = K / W^2, W = 0.4 m (statics of two springs)."""
    reach = 10.0
    machine = reduced((*friction, 1.0), (*stiffness, 20.0), racking=racking)
    _, q = lay(machine, along_y(np.linspace(0.0, reach, 41)))
    coupling = racking * 1e3 / 400.0**2
    k = np.array(stiffness) * belt_at(reach)
    matrix = np.diag(k) + coupling * np.array([[1.0, -1.0], [-1.0, 1.0]])
    want = np.linalg.solve(matrix, friction) + sum(friction) / RIGID
    got = reach - q[-1, :2]
    assert np.abs(got - want).max() < 1e-9
    plain = np.diag(stiffness) + coupling * np.array([[1.0, -1.0], [-1.0, 1.0]])
    assert np.abs(got - np.linalg.solve(plain, friction)).max() < 1e-6
    assert got == pytest.approx(lags, abs=5.1e-5)
    if stiffness[0] == stiffness[1]:
        skew = (friction[1] - friction[0]) / (stiffness[0] + 2.0 * coupling)
        assert got[1] - got[0] == pytest.approx(skew, abs=1e-6)


# --- parts ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "ea, first, loop, stiffness",
    [
        (12e3, 50.0, 900.0, 254.1),
        (12e3, 100.0, 900.0, 135.0),
        (12e3, 225.0, 450.0, 106.7),
        (12e3, 450.0, 900.0, 53.3),
        (48e3, 50.0, 900.0, 1016.5),
        (48e3, 100.0, 900.0, 540.0),
        (48e3, 225.0, 450.0, 426.7),
        (48e3, 450.0, 900.0, 213.3),
    ],
)
def test_belt_stiffness(ea, first, loop, stiffness):
    """k = EA (1/L1 + 1/L2), form in the belt makers' theory pages; numbers worked by hand."""
    near = 10.0
    belt = Belt(ea=ea, near=near, loop=loop)
    assert belt.stiffness(first - near) == pytest.approx(stiffness, abs=0.051)
    assert belt.stiffness(loop / 2 - near) == pytest.approx(4 * ea / loop, rel=1e-12)


@pytest.mark.parametrize("taut, slack", [(10.0, 60.0), (5.0, 75.0)])
def test_a_belt_softens_when_one_span_has_emptied(taut, slack):
    """Beyond the force that empties a span only the other carries: slope EA / L of that span."""
    from gantrysim.mechanics.springs import spring_law

    a, b, pretension = 40.0, 25.0, 8.0
    edge = pretension / b
    force, k = spring_law(1, a, b, pretension, 1e-4, edge - taut / 100.0)
    assert k == pytest.approx(a + b, rel=1e-9)
    assert force == pytest.approx((a + b) * (edge - taut / 100.0), rel=1e-9)
    force, k = spring_law(1, a, b, pretension, 1e-4, edge + slack / 100.0)
    assert k == pytest.approx(a, rel=1e-9)
    assert force == pytest.approx(pretension + a * (edge + slack / 100.0), rel=1e-9)


def test_magnetic_stiffness_of_a_motor():
    """T = T_h sin(50 theta), 0.4 N m on a pitch radius of 6.366 mm: 494 N/mm, 5 N pull 10.1 um."""
    radius = 6.366
    motor = Motor(hold_force=400.0 / radius, full_step=2.0 * math.pi * radius / 200.0)
    assert motor.stiffness == pytest.approx(494.0, abs=0.5)
    assert 5.0 / motor.stiffness == pytest.approx(0.0101, abs=5e-5)


# --- speed along the path -------------------------------------------------------------------


def run(length: float, top: float, acceleration: float) -> float:
    """Time for one straight travel move from rest to rest, planned, s."""
    test = ring_test(acceleration=acceleration)
    xy = np.column_stack([np.linspace(0.0, length, 401), np.zeros(401)])
    return plan(test, (Stroke("travel", -1, 0.0, -1, xy, top),)).duration


@pytest.mark.parametrize("length", [1.0, 2.4, 2.5, 2.6, 30.0])
def test_trapezoid(length):
    """t = v/a up, v^2/2a long; a move shorter than v^2/a peaks at sqrt(a S) (motion texts)."""
    top, a = 50.0, 1000.0
    ramp = top**2 / (2 * a)
    if length < 2 * ramp:
        want = 2 * math.sqrt(length / a)
    else:
        want = 2 * top / a + (length - 2 * ramp) / top
    zero = np.zeros(1)
    got = segment_time(zero, zero, np.array([length]), np.array([top]), a)[0]
    assert got == pytest.approx(want, rel=1e-12)
    assert run(length, top, a) == pytest.approx(want, rel=1e-9)


def test_circle_speed_limit():
    """v <= sqrt(a R): R = 20 mm, 500 mm/s^2 gives 100 mm/s."""
    test = ring_test(
        ("circle",), largest=20, smallest=20, feed=400, acceleration=1e4, centripetal=500, passes=2
    )
    motion = plan(test, test.strokes())
    assert motion.speed.max() == pytest.approx(100.0, rel=1e-12)
    turning = np.abs(motion.speed - 100.0) < 1e-9
    inward = np.hypot(*motion.acceleration[turning].T)
    assert np.median(inward) == pytest.approx(500.0, rel=1e-9)


@pytest.mark.parametrize("turn, factor", [(math.pi / 2, math.sqrt(2.0)), (math.pi, 2.0)])
def test_corner_speed(turn, factor):
    """The velocity jumps by 2 v sin(turn / 2): v sqrt 2 at a right angle, 2 v at a reversal."""
    assert corner_speed(8.0, turn) * factor == pytest.approx(8.0, rel=1e-12)


def test_a_square_slows_to_its_corner_speed():
    test = ring_test(("square",), largest=20, smallest=20, corner_speed_change=8.0, passes=2)
    motion = plan(test, test.strokes())
    jumps = np.hypot(*motion.jump.T)
    corners = jumps[jumps > 1.0]
    assert len(corners) >= 7  # eight corners, the first and the last at rest
    assert corners == pytest.approx(8.0, rel=1e-9)
