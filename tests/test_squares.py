"""Square geometry: closed forms of shear, scale and play, straightness zones, strays, bad input."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hysteron import leaning, square
from published_circles import T2  # points that make no square

from gantrysim.metrology.outliers import near_neighbours
from gantrysim.metrology.squares import SIDES, square_geometry


def turned(xy: np.ndarray, degrees: float, shift=(4.0, -7.0)) -> np.ndarray:
    t = np.radians(degrees)
    return xy @ np.array(((np.cos(t), np.sin(t)), (-np.sin(t), np.cos(t)))) + shift


def test_sheared_square():
    # a = 100 mm, sides kept, y leaning by 1 mrad: plain geometry
    g = square_geometry(leaning(square(100.0), 1e-3), 50.0)
    assert g.diagonal_up == pytest.approx(141.492049, abs=6e-7)
    assert g.diagonal_down == pytest.approx(141.350628, abs=6e-7)
    assert g.diagonal_up - g.diagonal_down == pytest.approx(0.141421, abs=6e-7)
    assert g.squareness_mrad == pytest.approx(1.0, abs=1e-6)
    assert g.diagonal_squareness_mrad == pytest.approx(1.0, abs=1e-6)
    assert g.corner_squareness_mrad == pytest.approx(
        {"lower_right": 1.0, "upper_right": -1.0, "upper_left": 1.0, "lower_left": -1.0}, abs=1e-6
    )
    assert g.rotation_deg == pytest.approx(0.0, abs=1e-9)
    assert g.straightness < 1e-9


def test_scale():
    g = square_geometry(square(40.0, ex=2e-3, ey=-1e-3), 20.0)
    assert (g.width, g.height) == pytest.approx((40.08, 39.96), abs=1e-9)
    assert g.squareness_mrad == pytest.approx(0.0, abs=1e-9)


def test_play():
    # width = a - Bx, height = a - By, centre unmoved, right angles kept
    g = square_geometry(square(20.0, play_x=0.1, play_y=0.06), 10.0)
    assert (g.width, g.height) == pytest.approx((19.900, 19.940), abs=1e-9)
    assert g.centre == pytest.approx((0.0, 0.0), abs=1e-9)
    assert g.squareness_mrad == pytest.approx(0.0, abs=1e-9)
    first = square(20.0, laps=1, play_x=0.1, play_y=0.06)  # from rest in the middle of the play
    assert np.abs(first[-1] - first[0]) == pytest.approx((0.05, 0.03), abs=1e-9)


@settings(deadline=None, max_examples=40)
@given(
    st.floats(-44.9, 44.9), st.floats(-400, 400), st.floats(-3e-3, 3e-3), st.floats(2, 60),
    st.floats(-5e-3, 5e-3),
)  # fmt: skip
def test_shape_does_not_depend_on_the_place(degrees, shift, alpha, half, ex):
    xy = square(2 * half, step=half / 40, alpha=alpha, ex=ex)
    g = square_geometry(turned(xy, degrees, (shift, -shift)), half)
    assert g.rotation_deg == pytest.approx(degrees, abs=1e-6)
    assert g.width == pytest.approx(2 * half * (1 + ex), abs=1e-8)
    assert g.height == pytest.approx(2 * half * np.hypot(1, alpha), abs=1e-8)
    assert np.tan(1e-3 * g.squareness_mrad) == pytest.approx(alpha, abs=1e-8)
    assert sum(g.corner_squareness_mrad.values()) == pytest.approx(0, abs=1e-8)


def test_straightness_zones():
    # a parabola of sagitta h on one side has a zone h wide, and every side is judged alone
    h, half = 0.05, 25.0
    t = np.linspace(-24, 24, 193)
    bow = h * (1 - (t / 24) ** 2)
    sides = [(t, -half - bow), (half + 0 * t, t), (t, half + 0 * t), (-half + 0 * t, t)]
    xy = np.concatenate([np.column_stack(side) for side in sides])
    bottom, *others = square_geometry(xy, half, end_margin=0.04).sides
    assert [s.name for s in (bottom, *others)] == list(SIDES)
    assert bottom.straightness == pytest.approx(h, rel=1e-9)
    assert bottom.straightness_ends == pytest.approx(h, rel=1e-9)
    assert bottom.straightness_ls == pytest.approx(h, rel=1e-9)
    assert all(s.straightness < 1e-9 for s in others)


def test_end_points_see_a_twist_otherwise():
    # a cubic t^3 - t on -1..1 (plain algebra): ends at zero, extremes 2/(3 sqrt 3) on either side;
    # the least-squares line has slope -2/5, about which the ends stand 2/5 off and rule
    t = np.linspace(-1, 1, 401)
    from gantrysim.metrology.squares import _from_ends, _least_zone

    h = 1e-3 * (t**3 - t)
    assert _from_ends(t, h) == pytest.approx(2e-3 * 2 / (3 * 3**0.5), rel=5e-5)
    about = h - np.polyval(np.polyfit(t, h, 1), t)
    assert np.ptp(about) == pytest.approx(2e-3 * 0.4, rel=0.01)
    # Chebyshev: the zone of t^3 is that of (4 t^3 - 3 t)/4, one half wide
    assert _least_zone(t, h) == pytest.approx(0.5e-3, rel=1e-4)


def test_straightness_order_and_a_tilted_zone():
    # ISO 230-1:2012 (from memory): the minimum zone is never wider than the range about the line
    rng = np.random.default_rng(2)
    wider = 0
    for seed in range(20):
        xy = square(30.0, step=1.0) + rng.normal(0, 0.02, (121, 2))
        g = square_geometry(turned(xy, seed - 10), 15.0)
        for side in g.sides:
            assert side.straightness <= side.straightness_ls + 1e-12
            assert side.straightness <= side.straightness_ends + 1e-12
            wider += side.straightness < side.straightness_ls - 1e-6
    assert wider > 20


def test_least_zone_against_a_fine_search():
    from gantrysim.metrology.squares import _least_zone

    rng = np.random.default_rng(9)
    along, across = np.sort(rng.uniform(-10, 10, 40)), rng.normal(0, 0.03, 40)
    slopes = np.linspace(-0.01, 0.01, 200001)
    widths = np.full(len(slopes), -np.inf)
    lows = np.full(len(slopes), np.inf)
    for t, d in zip(along, across, strict=True):
        off = d - slopes * t
        widths, lows = np.maximum(widths, off), np.minimum(lows, off)
    best = np.min((widths - lows) / np.hypot(1, slopes))
    found = _least_zone(along, across)
    assert found <= best + 1e-12
    assert found == pytest.approx(best, abs=2e-6)
    c, s = np.cos(0.3), np.sin(0.3)  # the same points on a line that climbs
    assert _least_zone(c * along - s * across, s * along + c * across) == pytest.approx(found)


def test_strays_are_left_out_on_demand():
    rng = np.random.default_rng(4)
    xy = square(50.0, step=1.0, alpha=1e-3) + rng.normal(0, 0.01, (201, 2))
    xy[70, 0] += 1.5  # on the right side
    with_all = square_geometry(xy, 25.0)
    clean = square_geometry(xy, 25.0, outlier_sigmas=6)
    assert (with_all.n_rejected, clean.n_rejected) == (0, 1)
    assert clean.sides[1].n_rejected == 1
    assert abs(clean.squareness_mrad - 1.0) < 0.3 < abs(with_all.squareness_mrad - 1.0)
    assert clean.straightness < 0.1 < with_all.straightness


def test_steps_of_the_line_are_no_strays():
    # a line that jumps by 20 sigma and stays there is true; a point that comes back is not
    rng = np.random.default_rng(6)
    along = np.arange(200.0)
    line = np.where(along > 90, 0.2, 0.0) + rng.normal(0, 0.01, 200)
    assert near_neighbours(along, line, sigmas=6, closed=False).all()
    line[[40, 150]] += (0.2, -0.3)
    kept = near_neighbours(along, line, sigmas=6, closed=False)
    assert np.flatnonzero(~kept).tolist() == [40, 150]
    shuffled = rng.permutation(200)
    again = near_neighbours(along[shuffled], line[shuffled], sigmas=6, closed=False)
    assert np.array_equal(again, kept[shuffled])
    assert near_neighbours(along, line, sigmas=None, closed=False).all()
    with pytest.raises(ValueError, match="above zero sigmas"):
        near_neighbours(along, line, sigmas=0.0, closed=False)


def test_false_alarms_of_the_stray_rule():
    # beyond 6 sigma a normal sample has 2e-9 of its points; local medians widen that a little
    rng = np.random.default_rng(8)
    lost = 0
    for _ in range(50):
        kept = near_neighbours(np.arange(400.0), rng.normal(size=400), sigmas=6, closed=True)
        lost += int((~kept).sum())
    assert lost <= 1


@pytest.mark.parametrize(
    ("xy", "half", "sentence"),
    [
        (square(40.0), 30.0, "a square of half side 30 mm is expected"),
        (square(40.0), 0.0, "half_side must be above zero"),
        (square(40.0)[:1500], 20.0, "the .* side has .* points clear of its corners"),
        (square(40.0)[::300], 20.0, "12 different points are needed"),
        (T2, 50.0, "half side 50 mm is expected"),
    ],
)
def test_points_that_make_no_square(xy, half, sentence):
    with pytest.raises(ValueError, match=sentence):
        square_geometry(xy, half)


def test_end_margin_is_checked():
    with pytest.raises(ValueError, match="end_margin must be 0 to"):
        square_geometry(square(40.0), 20.0, end_margin=0.9)


def test_result_shows_itself():
    g = square_geometry(square(40.0, alpha=2e-3), 20.0)
    assert repr(g).endswith("squareness +2.000 mrad)")
    assert g.to_dict()["corner_squareness_mrad"]["lower_left"] == pytest.approx(-2.0, abs=1e-5)
    assert set(g.to_dict()["straightness_mm"]) == set(SIDES)
