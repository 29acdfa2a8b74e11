"""Circular tests: signatures of play, scale, squareness and lag against their closed forms.

Numbers are those of 7200 uniform time samples, play as a hysteron in the periodic steady state;
they were computed once by other code from the same definitions.  ISO 230-4 Annex B treats the same
causes (from memory).
"""

from __future__ import annotations

import numpy as np
import pytest
from hysteron import circle, leaning

from gantrysim.metrology.circular import both_ways, circular_deviation
from gantrysim.metrology.harmonics import harmonics
from gantrysim.metrology.roundness import least_squares_circle, minimum_zone_circle

UM = 1e3
SAMPLING = 0.03  # µm; corners of the outline fall between samples, differently in other code


def assert_same_zone(xy):
    """An outline that is its own mirror through the centre has the centre for both circles."""
    least_squares, zone = least_squares_circle(xy), minimum_zone_circle(xy)
    assert zone.centre == pytest.approx(least_squares.centre, abs=1e-9)
    assert zone.RONt == pytest.approx(least_squares.RONt, abs=1e-9)


def cosine(xy, order):
    return UM * harmonics(xy, 8)[order].cosine


def sine(xy, order):
    return UM * harmonics(xy, 8)[order].sine


def test_scale_difference():
    xy = circle(50.0, ex=1e-3)
    c = least_squares_circle(xy)
    assert UM * c.RONt == pytest.approx(50.0, abs=6e-5)  # R (ex - ey), exact
    assert c.radius == pytest.approx(50.0250031, abs=6e-8)
    assert UM * c.RONq == pytest.approx(17.6777, abs=6e-5)
    assert cosine(xy, 2) == pytest.approx(25.0, abs=6e-4)


def test_squareness():
    # R (sqrt(1 + sin a) - sqrt(1 - sin a)) and 45 degrees - a/2 for an axis that leans by a and
    # keeps its scale; the samples miss the peaks by up to 2e-5 µm
    xy = leaning(circle(50.0), 1e-3)
    c = least_squares_circle(xy)
    assert UM * c.RONt == pytest.approx(49.99999792, abs=2e-5)
    assert sine(xy, 2) == pytest.approx(25.0, abs=6e-4)
    assert harmonics(xy, 4).long_axis_deg == pytest.approx(44.97135, abs=6e-6)


@pytest.mark.parametrize(
    ("radius", "ront", "s2", "s4", "c2", "ls_radius"),
    [
        (50.0, 99.9001, 42.314, 16.723, -2.666, 49.9986708),
        (10.0, 99.5006, 41.811, 15.732, -5.877, 9.9970659),
    ],
)
def test_play_of_x(radius, ront, s2, s4, c2, ls_radius):
    xy = circle(radius, play_x=0.1)
    c = least_squares_circle(xy)
    assert UM * c.RONt == pytest.approx(ront, abs=6e-3)
    assert c.radius == pytest.approx(ls_radius, abs=2e-6)
    assert sine(xy, 2) == pytest.approx(s2, abs=0.04)  # the table takes the commanded angle
    assert sine(xy, 4) == pytest.approx(s4, abs=0.06)
    assert cosine(xy, 2) == pytest.approx(c2, abs=0.04)
    # first order: b_m = (B/2)(4/pi) m/(m^2 - 1); take-up makes it a little less
    assert sine(xy, 2) == pytest.approx(UM * 4 * 0.1 / (3 * np.pi), rel=0.02)
    # B (1 + cos theta*) / 2, theta* = acos(1 - B/R), where take-up ends; samples miss the corner
    assert c.RONt == pytest.approx(0.1 * (1 + (1 - 0.1 / radius)) / 2, abs=4e-6)


def test_play_changes_sign_with_the_sense_and_squareness_does_not():
    ccw = circle(50.0, play_x=0.1, alpha=1e-3)
    cw = circle(50.0, play_x=0.1, alpha=1e-3, ccw=False)
    assert UM * least_squares_circle(ccw).RONt == pytest.approx(129.904, abs=6e-3)
    assert UM * least_squares_circle(cw).RONt == pytest.approx(96.772, abs=SAMPLING)
    assert_same_zone(cw)
    even, odd = (sine(ccw, 2) + sine(cw, 2)) / 2, (sine(ccw, 2) - sine(cw, 2)) / 2
    assert even == pytest.approx(25.0, abs=0.03)
    assert odd == pytest.approx(42.314, abs=0.05)


def test_equal_play_has_no_oval():
    xy = circle(50.0, play_x=0.1, play_y=0.1)
    assert abs(sine(xy, 2)) < 0.01
    assert sine(xy, 4) == pytest.approx(33.467, abs=0.05)
    assert UM * least_squares_circle(xy).RONt == pytest.approx(96.769, abs=SAMPLING)
    assert_same_zone(xy)


def test_lag_of_both_axes_only_shrinks():
    xy = circle(25.0, lag=0.01, speed=50.0)
    found = circular_deviation(xy, 25.0, in_drawing_order=False)
    assert found.least_squares.radius == pytest.approx(24.9950015, abs=6e-8)
    assert UM * found.D == pytest.approx(-4.99850, abs=6e-5)
    assert found.G < 1e-9


def test_hysteresis_of_play():
    ccw, cw = circle(50.0, play_x=0.1), circle(50.0, play_x=0.1, ccw=False)
    both = both_ways(ccw, cw, 50.0)
    assert UM * both.H == pytest.approx(99.798, abs=0.02)  # B cos(acos(1 - B/R))
    assert UM * both.G_b == pytest.approx(99.900, abs=6e-3)


def test_everything_at_once():
    cause = {"alpha": 1e-3, "ex": 4e-4, "play_x": 0.08, "play_y": 0.05, "lag": 8e-3, "speed": 50.0}
    ccw, cw = circle(25.0, **cause), circle(25.0, **cause, ccw=False)
    one = circular_deviation(ccw, 25.0, in_drawing_order=False)
    assert UM * one.G == pytest.approx(79.834, abs=SAMPLING)
    assert UM * one.F_max == pytest.approx(46.605, abs=SAMPLING)
    assert UM * one.F_min == pytest.approx(-33.229, abs=SAMPLING)
    assert_same_zone(ccw)
    other = circular_deviation(cw, 25.0, in_drawing_order=False)
    assert UM * other.G == pytest.approx(75.868, abs=SAMPLING)
    assert_same_zone(cw)
    both = both_ways(ccw, cw, 25.0)
    assert UM * both.G_b == pytest.approx(79.836, abs=SAMPLING)
    assert UM * both.H == pytest.approx(75.805, abs=SAMPLING)
    assert UM * both.D == pytest.approx(-0.189, abs=6e-3)


def test_bidirectional_numbers_hang_together():
    # G(b) holds the paths of both senses, so it is no smaller than the zone of either; H needs both
    cause = {"alpha": 1e-3, "play_x": 0.08, "play_y": 0.05, "lag": 8e-3, "speed": 50.0}
    ccw, cw = circle(25.0, n=720, **cause), circle(25.0, n=720, **cause, ccw=False)
    both = both_ways(ccw, cw, 25.0)
    assert both.G_b >= max(minimum_zone_circle(ccw).RONt, minimum_zone_circle(cw).RONt) - 1e-12
    assert both.F_max - both.F_min == pytest.approx(both.circle.RONt)
    assert both.F_min < both.D < both.F_max
    assert both.H == abs(both.apart) <= both.circle.RONt
    turned = both_ways(cw, ccw, 25.0)
    assert turned.apart == pytest.approx(-both.apart, abs=1e-12)
    assert turned.G_b == pytest.approx(both.G_b)
    assert both.to_dict()["G_ccw_mm"] == minimum_zone_circle(ccw).RONt
    assert both.to_dict()["G_least_squares_ccw_mm"] == least_squares_circle(ccw).RONt
    assert "G(b)" in repr(both)


@pytest.mark.parametrize("seed", range(5))
def test_one_sense_is_no_rounder_than_both(seed):
    # G(b) holds both paths, so G of neither can exceed it, whatever their shapes; a bump
    # on one side puts the least-squares centre away from that of the zone
    rng = np.random.default_rng(seed)
    angle = np.linspace(0.0, 2 * np.pi, 360, endpoint=False)
    r = 25.0 + 0.05 * np.exp(-(((angle - 2.0) / 0.15) ** 2)) + 0.02 * rng.random(360)
    one = np.column_stack((r * np.cos(angle), r * np.sin(angle)))
    other = circle(25.02, n=360)
    both = both_ways(one, other, 25.0)
    alone = circular_deviation(one, 25.0, in_drawing_order=False)
    assert max(both.G_ccw, both.G_cw) <= both.G_b + 1e-9
    assert alone.G == pytest.approx(both.G_ccw)
    assert alone.G_least_squares > both.G_b + 1e-4  # what about the LS centre seemed possible


def test_several_passes_of_each_sense():
    # passes 10 µm outside and inside their mean: G(b) and F hold all of them, H and D their means
    ccw, cw = circle(50.0, n=720, play_x=0.1), circle(50.0, n=720, play_x=0.1, ccw=False)
    one = both_ways(ccw, cw, 50.0)
    several = both_ways([ccw * s for s in (1 - 2e-4, 1 + 2e-4)], (cw, cw), 50.0)
    assert several.H == pytest.approx(one.H, abs=1e-5)
    assert several.D == pytest.approx(one.D, abs=1e-6)
    assert several.F_max == pytest.approx(one.F_max + 0.01, abs=1e-4)
    assert several.G_b == pytest.approx(one.G_b + 0.02, abs=1e-3)
    with pytest.raises(ValueError, match=r"must have shape \(n, 2\)"):
        both_ways([np.zeros((4, 3))], cw, 50.0)


def test_start_stop_gap():
    angle = np.linspace(0, 2 * np.pi, 361)
    r = 20.0 + 0.03 * angle / (2 * np.pi)  # a spiral ends 30 µm outside its start
    xy = np.column_stack((r * np.cos(angle), r * np.sin(angle)))
    found = circular_deviation(xy, 20.0, in_drawing_order=True)
    assert found.gap is not None
    assert found.gap.vector == pytest.approx((0.03, 0.0), abs=1e-12)
    assert found.gap.length == pytest.approx(0.03)
    assert circular_deviation(xy, 20.0, in_drawing_order=False).gap is None
    assert found.to_dict()["gap_mm"] == pytest.approx([0.03, 0.0], abs=1e-12)
    assert "gap 30.0 µm" in repr(found)


def test_definitions_hang_together():
    found = circular_deviation(circle(30.0, play_x=0.1, ex=2e-3), 30.0, in_drawing_order=False)
    assert found.F_max - found.F_min == pytest.approx(found.G_least_squares)
    assert found.G <= found.G_least_squares
    assert found.F_min < found.D < found.F_max
    with pytest.raises(ValueError, match="nominal_radius must be above zero"):
        circular_deviation(circle(30.0), -30.0, in_drawing_order=False)
