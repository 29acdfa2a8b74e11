"""Handbook formulas against published tables, worked examples and independent solutions."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.linalg import eigh_tridiagonal
from scipy.optimize import brentq

import gantrysim as gs
from gantrysim.machine import components as c
from gantrysim.mechanics.springs import BELT, spring_law

LBF = 4.4482216152605  # N
INCH = 25.4  # mm
PSI = LBF / INCH**2  # N/mm^2


# Pulleys: a maker's table of 3 mm pitch curvilinear pulleys (teeth, pitch and outside diameter).
@pytest.mark.parametrize(
    "teeth, pitch_diameter, outside",
    [(16, 15.28, 14.52), (18, 17.19, 16.43), (20, 19.10, 18.34), (24, 22.92, 22.16)],
)
def test_pulley_diameters_as_tabulated(teeth, pitch_diameter, outside):
    belt = c.BELTS["3 mm steel"]
    assert c.pitch_diameter(teeth, belt.pitch) == pytest.approx(pitch_diameter, abs=0.0051)
    found = c.outside_diameter(teeth, belt.pitch, belt.tooth_to_cord)
    assert found == pytest.approx(outside, abs=0.0051)


@pytest.mark.parametrize(
    "pitch, teeth, steps", [(2, 20, 80.0), (2, 16, 100.0), (2, 18, 88.889), (3, 16, 66.667)]
)
def test_steps_per_mm(pitch, teeth, steps):  # common practice: 200 steps, 16 microsteps
    assert c.steps_per_mm(teeth, pitch) == pytest.approx(steps, abs=5e-4)


# Belts: allowable load (N) of open belts, which their makers set at 0.40 % of strain; polyurethane
# timing-belt catalogue of 2012, sheets T5, AT5, ATL5, and the later leaflet of the 3 mm curvilinear
# belt.  Their other column, the specific spring rate, is what the library holds.
CATALOGUE = [
    ("3 mm steel", 10, 320),
    ("3 mm steel", 15, 510),
    ("5 mm trapezoid", 10, 360),
    ("5 mm wide tooth", 10, 560),
    ("5 mm wide tooth", 16, 1120),
    ("5 mm linear drive", 10, 1100),
]


@pytest.mark.parametrize("name, width, allowable", CATALOGUE)
def test_belt_stiffness_carries_the_allowable_load_at_its_strain(name, width, allowable):
    assert 0.004 * c.belt_ea(name, width) == pytest.approx(allowable, rel=2e-3)


@pytest.mark.parametrize("name", c.BELTS)
def test_stiffness_of_a_mm_of_width_is_straight_between_the_widths_and_level_beyond(name):
    def of_a_mm(width: float) -> float:
        return c.belt_ea(name, width) / width

    widths = [width for width, _ in c.belt_type(name).stiffness]
    assert of_a_mm(0.6 * widths[0]) == pytest.approx(of_a_mm(widths[0]))
    assert of_a_mm(2.0 * widths[-1]) == pytest.approx(of_a_mm(widths[-1]))
    for one, two in itertools.pairwise(widths):
        between = of_a_mm(one + 0.25 * (two - one))
        assert between == pytest.approx(0.75 * of_a_mm(one) + 0.25 * of_a_mm(two))
        assert of_a_mm(one) < between < of_a_mm(two)  # cords near the edges carry less


def test_a_glass_belt_may_be_as_soft_and_as_stiff_as_is_likely():
    low, high = (factor * c.belt_ea("2 mm glass", 6) for factor in c.BELTS["2 mm glass"].ea_spread)
    assert low == pytest.approx(6_000, rel=0.05)  # likely range, no published number
    assert high == pytest.approx(20_000, rel=0.05)


# Installation tension in N: table in the manual of an acoustic tension meter, section 10.
@pytest.mark.parametrize(
    "name, width, tension",
    [("2 mm glass", 4, 9.4), ("2 mm glass", 6, 15.8), ("3 mm steel", 9, 44.0)],
)
def test_installation_tension_as_tabulated(name, width, tension):
    assert c.installation_tension(name, width) == pytest.approx(tension, rel=1e-12)


def test_no_tension_is_made_up_where_none_is_printed():
    with pytest.raises(ValueError, match="name must be '2 mm glass' or '3 mm steel'"):
        c.installation_tension("5 mm trapezoid", 10)


def test_loop_stiffness():
    # k = EA (1/L1 + 1/L2), timing-belt theory; figures worked by hand for EA = 12 kN
    found = [c.loop_stiffness(12e3, near, 900 - near) for near in (50, 100, 450)]
    assert found == pytest.approx([254.1, 135.0, 53.3], abs=0.05)
    assert c.loop_stiffness(12e3, 225, 225) == pytest.approx(106.7, abs=0.05)
    assert c.loop_stiffness(12e3, 450, 450) == pytest.approx(4 * 12e3 / 900)
    assert c.loop_stiffness(12e3, 300, 600) == pytest.approx(
        c.span_stiffness(12e3, 300) + c.span_stiffness(12e3, 600)
    )


@pytest.mark.parametrize("drag", [5.0, 25.0, 40.0])
def test_a_clamp_lags_by_what_the_law_of_its_belt_makes_of_the_drag(drag):
    """The law has the spans as springs that cannot push; 25 N empty one of them one way only."""
    belt, place = gs.machine.Belt(sag=1e-6), 150.0
    first, second = (belt.ea / span for span in belt.spans(place))

    def missing(lag: float, sign: float) -> float:
        law = spring_law(BELT, first, second, belt.pretension, belt.sag, sign * lag)
        return sign * law[0] - drag

    behind = [brentq(missing, 0.0, 10.0, args=(sign,)) for sign in (1.0, -1.0)]
    assert belt.lag(place, drag) == pytest.approx(sum(behind) / 2.0, rel=1e-5)


def test_pretension_at_which_a_span_empties():
    assert c.least_pretension(4.0) == pytest.approx(2.0)
    first, second, force, tension = 100.0, 500.0, 6.0, c.least_pretension(6.0, 100.0, 500.0)
    stretch = force / c.loop_stiffness(9e3, first, second)
    assert tension - stretch * c.span_stiffness(9e3, second) == pytest.approx(0.0, abs=1e-12)


def stiff_string(tension: float, length: float, mass: float, bending: float) -> float:
    """Lowest tone of a hinged string that resists bending, Hz, by finite differences.

    Units N, m, kg/m, N m^2.
    """
    n = 1500
    h = length / (n + 1)
    # hinged ends: the bending operator is the square of the tension operator
    string = eigh_tridiagonal(np.full(n, 2.0), np.full(n - 1, -1.0), select="i",
                              select_range=(0, 0), eigvals_only=True)[0] / h**2  # fmt: skip
    return math.sqrt((tension * string + bending * string**2) / mass) / (2 * math.pi)


@pytest.mark.parametrize(
    "tension, length", [(15.8, 400.0), (26.2, 400.0), (40.0, 400.0), (15.8, 200.0)]
)
@pytest.mark.parametrize("mass", [8.4e-3, 18e-3])
def test_tone_of_a_span_is_the_eigenvalue_of_a_string(tension, length, mass):
    tone = stiff_string(tension, length * 1e-3, mass, 0.0)
    assert c.span_frequency(tension, length, mass) == pytest.approx(tone, rel=1e-6)
    assert c.span_tension(tone, length, mass) == pytest.approx(tension, rel=2e-6)


def test_mass_of_a_span_is_that_of_its_length_and_width():
    # the manuals print T = 4 M W S^2 f^2 1e-9 with M in g/m per mm of width, W and S in mm
    unit = c.BELTS["2 mm glass"].unit_mass
    mass = c.span_mass("2 mm glass", 6)
    assert c.span_tension(70, 400, mass) == pytest.approx(4 * unit * 6 * 400**2 * 70**2 * 1e-9)


def test_a_belt_that_resists_bending_reads_high_as_the_manuals_warn():
    tension, length, mass = 15.8, 400.0, 8.4e-3
    tone = stiff_string(tension, length * 1e-3, mass, 2e-3)
    assert c.span_tension(tone, length, mass) > 1.005 * tension  # reads high
    short = stiff_string(tension, 0.2, mass, 2e-3)
    assert c.span_tension(short, 200.0, mass) > c.span_tension(tone, length, mass)  # and more so


# Torsion: worked examples of two mechanics-of-materials texts (a text's examples M6.18 and M6.21
# and a solution set, chapter 12, example 1): torque, length, section, modulus, twist in rad.
@pytest.mark.parametrize(
    "torque, length, section, modulus, twist, digits",
    [
        (43.768 * 12 * LBF * INCH, 36 * INCH, 0.031063 * INCH**4, 12e6 * PSI, 0.050724, 1e-6),
        (131.303 * 12 * LBF * INCH, 96 * INCH, 0.239684 * INCH**4, 12e6 * PSI, 0.052590, 1e-6),
        (4_253_921, 4_000, 2_268_758, 76e3, 0.09868, 6e-6),
    ],
)
def test_torsion_examples(torque, length, section, modulus, twist, digits):
    stiffness = c.torsion_stiffness(section, length, shear_modulus=modulus)
    assert torque / (stiffness * 1e3) == pytest.approx(twist, abs=digits)


def test_torsion_of_a_transmission_shaft():
    # 120 hp at 180 rpm through 25 ft of 3 in shaft, G = 12e6 psi: 7.57 degrees (same set)
    torque = 120 * 6600 / (2 * math.pi * 180 / 60) * LBF * INCH
    stiffness = c.torsion_stiffness(c.round_shaft(3 * INCH), 300 * INCH, shear_modulus=12e6 * PSI)
    assert math.degrees(torque / (stiffness * 1e3)) == pytest.approx(7.57, abs=0.005)


@pytest.mark.parametrize(
    "diameter, section, torsion, belt",
    [(5, 61.36, 12.164, 300.2), (6, 127.23, 25.224, 622.4), (8, 402.12, 79.721, 1967.2)],
)
def test_cross_shafts_of_400_mm(diameter, section, torsion, belt):
    # worked by hand: steel, 20 teeth of 2 mm, so 6.366 mm
    assert c.round_shaft(diameter) == pytest.approx(section, abs=0.006)
    found = c.torsion_stiffness(c.round_shaft(diameter), 400.0)
    assert found == pytest.approx(torsion, abs=6e-4)
    assert c.at_belt(found, 6.366) == pytest.approx(belt, abs=0.06)


def test_square_shaft_against_the_series_of_saint_venant():
    # s^4 (1/3 - 64/pi^5 sum tanh(n pi/2)/n^5), n odd (Timoshenko & Goodier, Theory of Elasticity)
    odd = np.arange(1, 200, 2)
    exact = 1 / 3 - 64 / math.pi**5 * float(np.sum(np.tanh(odd * math.pi / 2) / odd**5))
    assert c.square_shaft(5.0) == pytest.approx(5.0**4 * exact, rel=5e-4)


def test_springs_in_series():
    assert c.in_series(30.0, 60.0) == pytest.approx(20.0)
    # far side of one end motor: 53.3 N/mm of belt behind a 5 mm shaft of 300.2 N/mm
    assert c.in_series(53.3, 300.2) == pytest.approx(45.3, abs=0.05)


def test_play_of_a_coupling_at_the_belt():
    radius = c.pitch_diameter(20, 2.0) / 2
    assert c.coupling_play_at_belt(1.0, radius) == pytest.approx(0.111, abs=5e-4)
    assert c.coupling_play_at_belt(0.25, radius) == pytest.approx(0.028, abs=5e-4)


# Set screws: a maker's table lists axial holding power (lbf) and torsional (lb in) on a shaft of
# 3/32 in for sizes 0, 1 and 2.
@pytest.mark.parametrize(
    "size, pounds, pound_inches", [("size 0", 50, 2.3), ("size 1", 65, 3.0), ("size 2", 85, 4.0)]
)
def test_set_screws_as_tabulated(size, pounds, pound_inches):
    assert c.SET_SCREW_HOLDING[size] == pytest.approx(pounds * LBF, abs=0.05)
    torque = c.set_screw_torque(c.SET_SCREW_HOLDING[size], 3 / 32 * INCH)
    assert torque / (LBF * INCH * 1e-3) == pytest.approx(pound_inches, abs=0.051)


def test_force_at_which_a_pulley_slips():
    torque = c.set_screw_torque(c.SET_SCREW_HOLDING["size 4"], 5.0)
    assert torque == pytest.approx(1.78, abs=0.005)
    assert c.slip_force(torque, 6.366) == pytest.approx(279, abs=1)


def test_magnetic_stiffness_is_the_slope_of_the_motor_law():
    radius, torque = c.pitch_diameter(20, 2.0) / 2, 0.4
    found = c.motor_stiffness(torque, radius)
    assert found == pytest.approx(494, abs=1)
    x = 1e-6  # mm at the belt
    force = torque * math.sin(50 * x / radius) / (radius * 1e-3)
    assert force / x == pytest.approx(found, rel=1e-9)


# Contact of an acetal cylinder (R 10.5 mm, L 2 mm) on aluminium, from Hertz's formulas by hand:
# load N, half width mm, peak pressure N/mm^2, approach um.
@pytest.mark.parametrize(
    "load, half_width, pressure, approach",
    [(5, 0.104, 15.2, 2.85), (10, 0.148, 21.6, 5.35), (30, 0.256, 37.3, 14.33),
     (60, 0.362, 52.8, 26.50)],
)  # fmt: skip
def test_hertz_contact(load, half_width, pressure, approach):
    modulus = c.contact_modulus(c.MATERIALS["acetal"], c.MATERIALS["aluminium"])
    assert modulus == pytest.approx(3066, abs=1)
    found = c.line_contact(load, radius=10.5, length=2.0, modulus=modulus)
    assert found.half_width == pytest.approx(half_width, abs=6e-4)
    assert found.pressure == pytest.approx(pressure, abs=0.06)
    assert found.approach * 1e3 == pytest.approx(approach, abs=0.006)
    # the pressure, half an ellipse, carries the load
    x = np.linspace(-1, 1, 200_001)
    carried = np.trapezoid(np.sqrt(1 - x * x), x) * found.pressure * found.half_width * 2.0
    assert carried == pytest.approx(load, rel=1e-6)


def test_scrub_of_a_groove_against_its_integral():
    # sliding speed over rolling speed along a flank at 45 degrees is s cos 45 / R
    s = np.linspace(-1.0, 1.0, 20_001)
    slide = np.trapezoid(np.abs(s), s) / 2.0 * math.cos(math.pi / 4) / 10.5
    pressed = 2 * 1.0 / (2 * math.cos(math.pi / 4))  # both flanks, per N of radial load
    found = c.groove_scrub(1.0, friction=0.25, flank=2.0, radius=10.5)
    assert found == pytest.approx(0.0119, abs=5e-5)
    assert found == pytest.approx(0.25 * pressed * slide, rel=1e-6)


@pytest.mark.parametrize("name", [None, *c.WHEELS])
def test_rolling_coefficient_doubles_as_published(name):
    # hard acetal rolls, study of 2021: the coefficient doubles from 150 to 350 N; so it does on
    # every wheel, that of the nominal machine (None) too, once the drag of its bearings is off
    machine = gs.Machine() if name is None else gs.machine.Handbook(wheel=name).machine()
    wheel = machine.left.wheels[0]
    a, b = ((wheel.drag_under(p) - wheel.drag_under(0.0)) / p for p in (150.0, 350.0))
    assert b / a == pytest.approx(2.0, rel=0.03)


@given(st.floats(0.01, 500), st.floats(0, 1), st.floats(0.01, 2), st.floats(0.8, 2.5))
def test_load_and_drag_say_the_same(load, bearing, scrub, exponent):
    law = {"bearing": bearing, "scrub": scrub, "exponent": exponent}
    drag = c.wheel_drag(load, **law)
    assert c.wheel_load(drag, **law) == pytest.approx(load, rel=1e-6, abs=1e-6)
    assert c.wheel_drag(load * 1.1, **law) >= drag


@given(st.floats(0.1, 2), st.floats(-89, 89))
def test_angle_and_approach_of_a_nut_say_the_same(offset, angle):
    approach = c.nut_approach(offset, angle)
    assert approach == pytest.approx(offset * math.sin(math.radians(angle)), rel=1e-12, abs=1e-15)
    assert c.nut_angle(offset, approach) == pytest.approx(angle, abs=1e-6)


def test_fifteen_degrees_of_a_usual_nut():
    assert c.nut_approach(0.79, 15.0) == pytest.approx(0.20, abs=0.005)
    with pytest.raises(ValueError, match=r"at most the nut's offset of 0\.79 mm"):
        c.nut_angle(0.79, 0.8)


@pytest.mark.parametrize("bad", [0.0, -1.0, math.nan, math.inf])
@pytest.mark.parametrize(
    "call, name",
    [
        (lambda x: c.pitch_diameter(20, x), "pitch"),
        (lambda x: c.belt_ea("2 mm glass", x), "width"),
        (lambda x: c.span_stiffness(1e4, x), "length"),
        (lambda x: c.loop_stiffness(1e4, 100.0, x), "second"),
        (lambda x: c.span_tension(70.0, x, 0.008), "length"),
        (lambda x: c.torsion_stiffness(61.0, x), "length"),
        (lambda x: c.at_belt(10.0, x), "radius"),
        (lambda x: c.in_series(10.0, x), r"spring 2|stiffnesses\[1\]"),
        (lambda x: c.set_screw_torque(x, 5.0), "holding"),
        (lambda x: c.line_contact(x, radius=10.0, length=2.0, modulus=3e3), "load"),
        (lambda x: c.plate_loads([0, 1, 0], [1, 1, -1], [1, 1, x], [0] * 3), "number|stiffness"),
    ],
)  # fmt: skip
def test_absurd_figures_are_refused_by_name(call, name, bad):
    with pytest.raises(ValueError, match=name):
        call(bad)


def test_unknown_kinds_are_refused_with_a_list():
    with pytest.raises(ValueError, match="'2 mm glass', '3 mm steel'"):
        c.belt_ea("4 mm rope", 6.0)
    with pytest.raises(ValueError, match="'acetal sealed'"):
        c.wheel_type("wood")
