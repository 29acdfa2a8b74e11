"""What the notebooks state in numbers, worked out again without the library's formulas.

Closed forms of play (a spring that pulls a thing with friction), least squares over sines and
straight lines, plane geometry and symbols; nothing here calls the code that the notebooks call to
make the number, except to compare with it.
"""

from __future__ import annotations

import math
from functools import cache
from pathlib import Path

import numpy as np
import pytest
import sympy as sp
from scipy.optimize import brentq

import gantrysim as gs
from gantrysim.instruments.jaws import caliper_values
from gantrysim.plotting.lostmotion import follow

BENCH = Path(__file__).resolve().parents[1] / "examples" / "data"
RADIUS = 20.0  # mm: the circle of notebook 1
WINDUP = 0.228  # mm, of the machine there


def axis(angle: np.ndarray, radius: float, windup: float) -> np.ndarray:
    """Place of an axis with play whose command is R cos t, in the steady state."""
    t = np.mod(angle, 2.0 * np.pi)
    stuck = math.acos(1.0 - 2.0 * windup / radius)
    return np.select(
        [t < stuck, t < np.pi, t < np.pi + stuck],
        [
            np.full_like(t, radius - windup),
            radius * np.cos(t) + windup,
            np.full_like(t, windup - radius),
        ],
        radius * np.cos(t) - windup,
    )


def outward(r_x: float, r_y: float, lean: float = 0.0, sense: int = 1) -> np.ndarray:
    """Outward error evenly over the polar angle of a circle drawn with play, mm."""
    t = np.linspace(0.0, 2.0 * np.pi, 80_001)
    x, y = axis(t, RADIUS, r_x), sense * axis(t - np.pi / 2.0, RADIUS, r_y)
    x = x + lean * y
    polar = np.mod(np.arctan2(y, x), 2.0 * np.pi)
    order = np.argsort(polar)
    return np.interp(EVEN, polar[order], (np.hypot(x, y) - RADIUS)[order], period=2.0 * np.pi)


EVEN = np.linspace(0.0, 2.0 * np.pi, 4000, endpoint=False)
COS, SIN = np.cos(EVEN), np.sin(EVEN)


def left(signature: np.ndarray, *others: np.ndarray) -> float:
    """Square of a signature that others do not explain."""
    matrix = np.column_stack(others)
    rest = signature - matrix @ np.linalg.lstsq(matrix, signature, rcond=None)[0]
    return float(rest @ rest)


# --- 1: why circles reveal what squares hide ----------------------------------------------------


@pytest.mark.parametrize("loss", [0.025, 0.1])
def test_a_flat_is_twice_the_root_of_loss_times_what_is_left(loss):
    t = np.linspace(0.0, 2.0 * np.pi, 400_001)
    still = np.abs(np.diff(axis(t, 1.0, loss))) < 1e-12
    first = t[:-1][still & (t[:-1] < np.pi)]
    y = axis(first - np.pi / 2.0, 1.0, 0.0)  # where the other axis was commanded meanwhile
    assert np.ptp(y) == pytest.approx(2.0 * math.sqrt(loss * (1.0 - loss)), abs=1e-4)


def test_the_play_that_notebooks_step_through_is_that_closed_form():
    t = np.linspace(0.0, 4.0 * np.pi, 40_001)
    assert np.abs(
        follow(RADIUS * np.cos(t), WINDUP)[20_000:] - axis(t[20_000:], RADIUS, WINDUP)
    ).max() == pytest.approx(0.0, abs=1e-9)


def test_a_circle_keeps_four_fifths_of_what_it_says_about_drag_where_scales_are_unknown():
    step = 0.01 * WINDUP
    learned = outward(WINDUP + step, WINDUP + step) - outward(WINDUP - step, WINDUP - step)
    kept = left(learned, COS, SIN, COS**2, SIN**2) / (learned @ learned)
    assert kept == pytest.approx(0.82, abs=0.02)
    # the share of the signature itself is another number, and larger
    whole = outward(WINDUP, WINDUP)
    assert left(whole, COS, SIN, COS**2, SIN**2) / (whole @ whole) > kept + 0.05


@cache
def lags() -> tuple[float, float]:
    """Mean lag, mm/N, and its slope along the beam, 1/N, of drag on the left of two equal sides."""
    machine = gs.Machine()
    k = machine.belt_left.stiffness(200.0)
    racking = machine.left.rack_stiffness + machine.right.rack_stiffness
    stiff = np.array([[k + racking, -racking], [-racking, k + racking]])
    left_lag, right_lag = np.linalg.solve(stiff, [1.0, 0.0])  # statics of two springs, coupled
    return (left_lag + right_lag) / 2.0, (right_lag - left_lag) / machine.span


def told(radius: float, *unknown: str) -> tuple[float, float]:
    """What circle and square tell about drag on the left, shift and turn unknown."""
    mean, slope = lags()
    n = len(EVEN)
    ring = {
        "scales": [COS**2, SIN**2],
        "lean": [COS * SIN],
        "carriage": [np.sign(SIN) * COS],
        "right": [-np.sign(COS) * SIN * (mean - slope * radius * COS)],
    }
    circle = left(
        -np.sign(COS) * SIN * (mean + slope * radius * COS),
        *[COS, SIN, *(column for name in unknown for column in ring[name])],
    )
    u = 2.0 * (np.arange(n // 4) + 0.5) / (n // 4) - 1.0
    none, one = np.zeros_like(u), np.ones_like(u)
    rows = {
        "left": [(none, -mean - slope * radius * u, none, -mean - slope * radius * u)],
        "right": [(none, -mean + slope * radius * u, none, -mean + slope * radius * u)],
        "shift": [(one, none, -one, none), (none, one, none, -one), (-u, u, u, -u)],
        "scales": [(one, none, one, none), (none, one, none, one)],
        "lean": [(u, none, -u, none)],
        "carriage": [(-one, none, -one, none)],
    }
    columns = {name: [np.concatenate(x) for x in own] for name, own in rows.items()}
    others = [*columns["shift"], *(x for name in unknown for x in columns[name])]
    square = left(columns["left"][0], *others)
    return circle * 2.0 * np.pi * radius / n, square * 8.0 * radius / n


def test_a_circle_tells_hundreds_of_times_as_much_about_drag_where_scales_are_unknown():
    circle, square = told(RADIUS, "scales")
    assert circle / square == pytest.approx(749.0, rel=0.01)
    circle, square = told(RADIUS, "scales", "lean")
    assert circle / square == pytest.approx(210.0, rel=0.01)
    circle, square = told(RADIUS)
    assert 0.5 < circle / square < 1.0  # nothing else unknown: a square does not know less


def test_neither_says_much_about_which_side():
    for radius, share in ((20.0, 0.0035), (70.0, 0.041), (100.0, 0.083)):
        known = told(radius, "scales", "lean", "carriage")[0]
        both = told(radius, "scales", "lean", "carriage", "right")
        assert both[0] / known == pytest.approx(share, rel=0.05)
        assert both[1] < 1e-9 * known


@pytest.mark.parametrize(
    ("sizes", "weights", "share"),
    [
        ([1.0, 2.0], [1.0, 2.0], 0.074),
        (range(1, 7), range(1, 7), 0.106),
        (range(1, 4001), range(1, 4001), 1.0 / 9.0),
        ([1.0, 6.0], [1.0, 1.0], 0.338),
    ],
)
def test_squares_of_several_sizes_are_a_partial_cure(sizes, weights, share):
    """Weighted variance of the sizes over their mean square: a line's intercept, slope free."""
    h, w = np.asarray(sizes, dtype=float), np.asarray(weights, dtype=float)
    kept = 1.0 - np.sum(w * h) ** 2 / (np.sum(w) * np.sum(w * h * h))
    assert kept == pytest.approx(share, abs=5e-4)


def test_a_reversal_swallows_more_than_a_belt_shared_and_less_than_a_belt_alone():
    """Statics: 12 N on one of two sides; 2 F / k alone, half of it were both belts to share."""
    low = []
    for faults in ((), (gs.faults.TightWheels("left", extra_force=12.0),)):
        test = gs.ring_test(("square",), spacing=RADIUS, largest=RADIUS, passes=2)
        burn = gs.simulate(gs.Machine().with_faults(*faults), test)
        low.append(2.0 * RADIUS - gs.measure(burn).squares[-1].geometry.height)
    alone = 2.0 * 12.0 / gs.Machine().belt_left.stiffness(200.0)
    assert alone == pytest.approx(0.494, abs=0.001)
    assert low[0] == pytest.approx(0.158, abs=0.002)  # a healthy machine loses too
    assert low[1] - low[0] == pytest.approx(0.316, abs=0.002)
    assert alone / 2.0 < low[1] - low[0] < alone


def lacks(machine: gs.Machine, x: float) -> float:
    """Height that a square of 40 mm lacks about this place in mid travel, mm."""
    test = gs.ring_test(("square",), spacing=RADIUS, largest=RADIUS, centre=(x, 200.0), passes=2)
    return 2.0 * RADIUS - gs.measure(gs.simulate(machine, test)).squares[-1].geometry.height


def test_a_healthy_machine_loses_more_than_its_belts_alone_would():
    """Statics: two drags of 3 N on two belts; motors and shaft that do not give leave just that."""
    machine = gs.Machine()
    belts = 2.0 * 3.0 / machine.belt_left.stiffness(200.0)
    rigid = {"motor_y.hold_force": 1e7, "shaft.stiffness": 1e7, "shaft.drag": 0.0}
    assert belts == pytest.approx(0.1235, abs=1e-4)
    assert lacks(machine.set_many(rigid), 215.0) == pytest.approx(belts, abs=1e-3)
    assert lacks(machine, 215.0) == pytest.approx(0.158, abs=0.002)


def test_a_square_further_from_the_tight_side_lacks_less():
    tight = gs.Machine().with_faults(gs.faults.TightWheels("left", extra_force=12.0))
    assert lacks(tight, 215.0) == pytest.approx(0.474, abs=0.002)
    assert lacks(tight, 240.0) == pytest.approx(0.457, abs=0.002)
    assert lacks(tight, 240.0) < lacks(tight, 215.0)


def test_what_the_bench_piece_lacks_is_read_off_squares_of_all_sizes():
    """Slope and level of a line by sums; two neighbouring sizes alone would double the level."""
    piece = gs.read_points(BENCH / "bench_piece.csv", BENCH / "bench_test.json")
    rows = gs.measure(piece).squares
    size = np.array([2.0 * row.size for row in rows])
    missing = size - np.array([row.geometry.height for row in rows])
    off = size - size.mean()
    slope = float(off @ missing / (off @ off))
    level = float(missing.mean() - slope * size.mean())
    assert len(set(size)) == 16
    assert level == pytest.approx(0.295, abs=0.01)
    assert 1e3 * slope == pytest.approx(-0.9, abs=0.2)


R_X, R_Y = 0.0444, 0.2863  # mm: windups of the machine of section 5


@pytest.mark.parametrize("sense", [1, -1])
def test_unequal_drag_looks_like_a_lean_of_nineteen_milliradians(sense):
    def wave(k: int) -> float:
        return 2.0 * float(np.mean(outward(R_X, R_Y, sense=sense) * np.sin(k * EVEN)))

    assert 1e3 * 2.0 * wave(2) / RADIUS == pytest.approx(-19.4 * sense, abs=0.2)
    # to first order in the windup, integrating sign(sin) cos sin 2t over a turn
    assert 1e3 * 16.0 / (3.0 * math.pi) * (R_X - R_Y) / RADIUS == pytest.approx(-20.5, abs=0.05)
    first = {6: 24.0 / (35.0 * math.pi) * (R_X - R_Y), 8: 32.0 / (63.0 * math.pi) * (R_X + R_Y)}
    assert wave(6) / (sense * first[6]) == pytest.approx(0.47, abs=0.05)
    assert wave(8) / (sense * first[8]) == pytest.approx(0.35, abs=0.06)


def test_the_steps_of_one_circle_part_unequal_drag_from_a_lean():
    columns = []
    for name, step in (("r_x", 1e-3), ("r_y", 1e-3), ("lean", 1e-5)):
        base = {"r_x": R_X, "r_y": R_Y, "lean": 0.0}
        up, down = base | {name: base[name] + step}, base | {name: base[name] - step}
        columns.append((outward(**up) - outward(**down)) / (2.0 * step))
    matrix = np.column_stack([*columns, COS, SIN, COS**2, SIN**2])
    covariance = np.linalg.inv(matrix.T @ matrix * 400 / len(EVEN) / 0.015**2)
    unequal = math.sqrt(covariance[0, 0] + covariance[1, 1] - 2.0 * covariance[0, 1])
    assert 1e3 * unequal == pytest.approx(3.6, abs=0.4)  # µm
    assert 1e3 * math.sqrt(covariance[2, 2]) == pytest.approx(0.32, abs=0.03)  # mrad
    # its oval part alone cannot: one number for two unknowns
    oval = np.column_stack([2.0 * np.mean(c * np.sin(2.0 * EVEN)) for c in columns])
    assert np.linalg.matrix_rank(oval) == 1


# --- 6: ovality alone ---------------------------------------------------------------------------


def test_widths_at_right_angles_add_up_alike_in_any_ellipse():
    d, c, s, phi = sp.symbols("d c s phi", real=True)
    width = d + c * sp.cos(2 * phi) + s * sp.sin(2 * phi)
    at = [width.subs(phi, sp.rad(a)) for a in (0, 45, 90, 135)]
    assert sp.simplify(at[0] + at[2] - at[1] - at[3]) == 0


def test_steps_break_that_rule_and_scale_and_lean_keep_it():
    test = gs.ring_test(("circle",), spacing=40.0, largest=40.0)
    four = tuple(
        gs.instruments.CaliperReading("circle", 0, 40.0, f"diameter_{a}", 80.0)
        for a in (0, 45, 90, 135)
    )
    sheet = gs.instruments.CaliperSheet(test, four, "four directions")

    def unequal(*faults: gs.faults.Fault) -> float:
        lines = gs.simulate(gs.Machine().with_faults(*faults), test).lines
        d = caliper_values(sheet, lines, line_width=0.15)
        return float(d[0] + d[2] - d[1] - d[3])

    healthy = unequal()
    assert unequal(gs.faults.ScaleError("y", error=0.004)) == pytest.approx(healthy, abs=0.005)
    assert unequal(gs.faults.OutOfSquare(angle=3.0)) == pytest.approx(healthy, abs=0.005)
    assert abs(unequal(gs.faults.TightWheels("right", extra_force=10.0)) - healthy) > 0.2


# --- 2 and 3: soft belts and slack ones ---------------------------------------------------------


def test_a_soft_belt_shows_on_a_circle_and_one_that_is_merely_slack_hardly():
    test = gs.ring_test(("circle",), spacing=35.0, largest=35.0, passes=2)

    def roundness(*faults: gs.faults.Fault) -> float:
        """Largest less least distance from the middle of the box, mm."""
        line = gs.simulate(gs.Machine().with_faults(*faults), test).lines[-1].xy
        middle = (line.max(axis=0) + line.min(axis=0)) / 2.0
        return float(np.ptp(np.hypot(*(line - middle).T)))

    soft = roundness(gs.faults.SlackBelt("left", stiffness_factor=0.35)) - roundness()
    slack = gs.faults.SlackBelt("left", stiffness_factor=1.0, pretension=2.0)
    assert soft == pytest.approx(0.11, abs=0.03)
    assert roundness(slack) - roundness() == pytest.approx(0.01, abs=0.01)


# --- 8: the eccentric nut -----------------------------------------------------------------------


@pytest.mark.parametrize(("begin", "less"), [(30.0, 0.24), (60.0, 0.68)])
def test_a_nut_that_touches_late_goes_less_far(begin, less):
    """sin(b + t) - sin b = 2 sin(t / 2) cos(b + t / 2)."""
    t, b = math.radians(24.0), math.radians(begin)
    there = 2.0 * math.sin(t / 2.0) * math.cos(b + t / 2.0)
    assert 1.0 - there / math.sin(t) == pytest.approx(less, abs=0.005)


def test_it_goes_hardly_further_where_it_touches_early():
    """The way of a turn is largest where it lies evenly about the steepest: 1 / cos(t / 2)."""
    t = math.radians(24.0)
    b = np.linspace(-math.pi / 2.0, math.pi / 2.0, 20_001)
    ways = np.sin(b + t) - np.sin(b)
    assert b[np.argmax(ways)] == pytest.approx(-t / 2.0, abs=1e-3)
    assert ways.max() / math.sin(t) - 1.0 == pytest.approx(0.022, abs=0.001)


@pytest.mark.parametrize(("begin", "undone"), [(0.0, 1.0), (15.0, 0.70), (-25.2, 1.13)])
def test_a_turn_back_that_begins_late_leaves_wheels_pinched(begin, undone):
    """Back by 25 degrees from a way of sin 40, which begins at asin(sin b + sin 40)."""
    t = math.radians(25.0)
    tight = math.asin(math.sin(math.radians(begin)) + math.sin(math.radians(40.0)))
    way = 2.0 * math.sin(t / 2.0) * math.cos(tight - t / 2.0)
    too_much = math.sin(math.radians(40.0)) - math.sin(math.radians(15.0))
    assert way / too_much == pytest.approx(undone, abs=0.005)


def test_half_the_way_is_at_fifty_degrees():
    def half(begin: float) -> float:
        way = math.sin(math.radians(begin + 20.0)) - math.sin(math.radians(begin))
        return way - 0.5 * math.sin(math.radians(20.0))

    assert brentq(half, 0.0, 80.0) == pytest.approx(50.5, abs=0.1)


# --- 9: evidence and information ----------------------------------------------------------------


@pytest.mark.parametrize("x", [0.0, 0.6, 3.0, 12.0])
def test_evidence_of_an_unknown_size_is_a_wider_gaussian(x):
    """The average of the likelihood over the prior, as a fine sum."""
    sigma, wide = 0.6, 5.0
    s = np.linspace(-50.0, 50.0, 100_001)

    def gauss(value, spread):
        return np.exp(-0.5 * (value / spread) ** 2) / (spread * math.sqrt(2.0 * math.pi))

    average = np.sum(gauss(x - s, sigma) * gauss(s, wide)) * (s[1] - s[0])
    assert average == pytest.approx(gauss(x, math.hypot(sigma, wide)), rel=1e-6)


def test_expected_information_of_a_reading():
    """Mean log ratio of two Gaussians by a fine sum; small distances go as d squared over eight."""
    x = np.linspace(-12.0, 18.0, 60_001)

    def nats(d: float) -> float:
        one, two = np.exp(-(x**2) / 2.0), np.exp(-((x - d) ** 2) / 2.0)
        mean = (one + two) / 2.0
        terms = [f * np.log(np.maximum(f, 1e-300) / np.maximum(mean, 1e-300)) for f in (one, two)]
        return float(np.sum(terms) / 2.0 * (x[1] - x[0]) / math.sqrt(2.0 * math.pi))

    assert [nats(d) for d in (1.0, 2.0, 3.0)] == pytest.approx([0.11, 0.34, 0.53], abs=0.006)
    assert nats(0.2) == pytest.approx(0.04 / 8.0, rel=0.01)
    assert nats(6.0) < math.log(2.0)


def test_the_right_one_of_two_is_believed_more_after_a_reading():
    """Mean of the posterior of the one that is true, by a fine sum."""
    x = np.linspace(-12.0, 18.0, 60_001)
    step = (x[1] - x[0]) / math.sqrt(2.0 * math.pi)

    def right(d: float) -> float:
        one, two = np.exp(-(x**2) / 2.0), np.exp(-((x - d) ** 2) / 2.0)
        share = one / np.maximum(one + two, 1e-300)
        return float(np.sum(share * one) * step)

    assert right(0.0) == pytest.approx(0.5)
    assert [right(d) for d in (2.1, 3.4)] == pytest.approx([0.79, 0.93], abs=0.01)


def test_a_worst_of_sixteen_is_twice_the_scatter_of_nothing():
    """Expected largest of 16 folded Gaussians: integral of 1 - P(all below)."""
    t = np.linspace(0.0, 8.0, 8001)
    below = np.vectorize(math.erf)(t / math.sqrt(2.0)) ** 16
    assert float(np.sum(1.0 - below) * (t[1] - t[0])) == pytest.approx(2.08, abs=0.02)
