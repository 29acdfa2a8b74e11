"""Uncertainty of measures: examples of the guides, Monte Carlo beside linear, coverage."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hysteron import square
from published_circles import S5
from scipy.stats import binom, t

from gantrysim.metrology.harmonics import harmonics
from gantrysim.metrology.noisyrings import roundness_interval
from gantrysim.metrology.peaks import ring_widths, side_widths
from gantrysim.metrology.pointnoise import PointNoise, white_noise_of
from gantrysim.metrology.roundness import (
    least_squares_circle,
    minimum_zone_circle,
)
from gantrysim.metrology.sensitivity import (
    circle_sensitivities,
    errors_of_circle,
    errors_of_square,
    harmonic_sensitivities,
    reversal_sensitivity,
    square_sensitivities,
)
from gantrysim.metrology.sizes import reversal_diameter
from gantrysim.metrology.squares import square_geometry
from gantrysim.metrology.uncertainty import (
    NORMAL_95,
    concise,
    coverage_interval,
    effective_freedom,
    monte_carlo,
    numerical_tolerance,
    propagated,
)
from gantrysim.metrology.zones import least_zone_widths

WHITE = PointNoise(0.01, 0.0, 0.0, scale=0.0, scale_difference=0.0, skew=0.0)
USUAL = PointNoise()


def ring(angle, radius, deviation, centre=(215.0, 200.0)):
    r = radius + deviation
    return np.array(centre) + np.column_stack((r * np.cos(angle), r * np.sin(angle)))


def binomial_band(count, level=0.95):
    """Exact 99 % band of how many of `count` intervals of that level hold the truth."""
    low, high = binom.ppf((0.005, 0.995), count, level)
    return int(low), int(high)


# --- examples of the guides ----------------------------------------------------------------------


def test_gauge_block_of_the_guide():
    # JCGM 100:2008, H.1 (inputs from memory): 25, 9.7, 2.9, 16.6 nm with 18, 25.6, 50, 2 degrees of
    # freedom give 32 nm, 16 degrees of freedom, U99 = 93 nm
    parts, freedom = (25.0, 9.7, 2.9, 16.6), (18.0, 25.6, 50.0, 2.0)
    u = propagated(np.ones(4), np.square(parts))
    assert u == pytest.approx(31.67, abs=0.006)
    assert math.floor(effective_freedom(parts, freedom)) == 16
    assert t.ppf(0.995, 16) * u == pytest.approx(93, abs=0.8)
    assert effective_freedom((1.0,), (math.inf,)) == math.inf


def rectangles(widths):
    """Rectangular inputs of given standard uncertainties."""
    half = np.sqrt(3) * np.array(widths)
    return lambda rng, trials: rng.uniform(-half, half, (trials, len(half)))


@pytest.mark.parametrize(
    ("inputs", "u", "interval", "digits"),
    # JCGM 101:2008, 9.2.3 and 9.2.4 (from memory): sums of four rectangular quantities
    [((1, 1, 1, 1), 2.0, 3.8794, 0.02), ((1, 1, 1, 10), 10.1489, 17.0, 0.06)],
)
def test_sums_of_rectangles(inputs, u, interval, digits):
    mean, found, (low, high) = monte_carlo(
        lambda x: x.sum(axis=1), rectangles(inputs), 200_000, rng=4
    )
    assert mean == pytest.approx(0, abs=0.01 * u)
    assert found == pytest.approx(u, rel=0.01)
    assert (-low, high) == pytest.approx((interval, interval), abs=digits)
    # not the Gaussian 3.9199 and 19.89 that linear propagation would give
    assert abs(NORMAL_95 * u - interval) > digits


def test_numerical_tolerance():
    # JCGM 101:2008, 7.9.2 (from memory): u = 0.35 to two digits is 35 x 10^-2, delta 0.005
    assert numerical_tolerance(0.35) == pytest.approx(0.005)
    assert numerical_tolerance(0.35, 1) == pytest.approx(0.05)
    assert numerical_tolerance(0.0996) == pytest.approx(0.005)
    with pytest.raises(ValueError, match="u must be above zero"):
        numerical_tolerance(0.0)


def test_how_uncertainty_is_written():
    # JCGM 100:2008, 7.2.2 (from memory): 100.021 47(35)
    assert concise(100.02147, 0.00035) == "100.02147(35)"
    assert concise(-1.23456, 0.123) == "-1.23(12)"
    assert concise(1372.4, 16.4) == "1372(16)"
    assert concise(1372.4, 164.0) == "1370(160)"
    assert concise(12.345, 2.61) == "12.3(2.6)"
    assert concise(3.5, None) == "3.5"


def test_intervals_of_draws():
    low, high = coverage_interval(np.arange(1001.0))
    assert (low, high) == pytest.approx((25, 975))
    with pytest.raises(ValueError, match="30 draws are too few"):
        coverage_interval(np.zeros(30))
    with pytest.raises(ValueError, match="between 0 and 1"):
        coverage_interval(np.zeros(100), 1.5)


# --- noise of points -----------------------------------------------------------------------------


def test_drawn_noise_has_the_covariance_it_says():
    noise = PointNoise(0.01, 0.006, 0.008, length=5.0, cell=2.0)
    along = np.array([0.0, 0.7, 3.0, 29.5])
    covariance = noise.covariance(along, 30.0)
    assert np.diag(covariance) == pytest.approx(noise.total**2)
    # neighbours across the seam: half a millimetre apart on a line of 30 mm
    wanted = 0.008**2 * math.exp(-0.5 / 5) + 0.006**2 * (1 - 0.5 / 2)
    assert covariance[0, 3] == pytest.approx(wanted)
    assert covariance[0, 2] == pytest.approx(0.008**2 * math.exp(-3 / 5))
    drawn = noise.draws(along, 40_000, np.random.default_rng(2), 30.0)
    assert np.cov(drawn.T) == pytest.approx(covariance, abs=5 * 0.014**2 / 200)
    assert not noise.draws(along, 3, np.random.default_rng(0)).shape[0] - 3
    assert not PointNoise(0, 0, 0).draws(along, 2, np.random.default_rng(0)).any()


@settings(deadline=None, max_examples=25)
@given(st.integers(0, 10**6), st.floats(1.0, 60.0), st.integers(3, 80))
def test_covariance_is_one(seed, radius, n):
    # positive semidefinite however the points lie round a ring, equal places included
    rng = np.random.default_rng(seed)
    along = radius * np.append(rng.uniform(0, 2 * np.pi, n), 0.3)
    covariance = USUAL.covariance(np.append(along, along[:1]), 2 * np.pi * radius)
    assert np.linalg.eigvalsh(covariance).min() > -1e-12


def test_white_noise_found_from_neighbours():
    rng = np.random.default_rng(7)
    angle = np.sort(rng.uniform(0, 2 * np.pi, 600))
    d = 0.2 * np.cos(2 * angle) + rng.normal(0, 0.012, 600)
    d[50] += 3.0
    assert white_noise_of(angle, d) == pytest.approx(0.012, rel=0.1)
    assert white_noise_of(angle[:5], d[:5]) == 0.0


def test_noise_is_checked():
    with pytest.raises(ValueError, match="smooth must be zero or more"):
        PointNoise(smooth=-0.1)
    with pytest.raises(ValueError, match="length must be above zero"):
        PointNoise(length=0.0)
    assert "skew 0.30 mrad" in repr(USUAL)
    assert USUAL.noise_only().scale == 0.0


# --- sensitivities against central differences ---------------------------------------------------


def differences(measure, n, step=1e-5):
    return np.array([(measure(step * v) - measure(-step * v)) / (2 * step) for v in np.eye(n)]).T


def test_sensitivities_of_a_circle():
    rng = np.random.default_rng(0)
    n = 60
    angle = 2 * np.pi * (np.arange(n) + rng.uniform(-0.3, 0.3, n)) / n
    shape = 0.02 * np.cos(2 * angle + 0.3)

    def measures(error):
        xy = ring(angle, 20.0, shape + error)
        c = least_squares_circle(xy)
        h = harmonics(xy, 4, circle=c)
        across = (
            reversal_diameter(xy, c, 5.0, ccw=True), reversal_diameter(xy, c, 95.0, ccw=False),
        )  # fmt: skip
        return np.array(
            [*c.centre, c.radius, *(h[k].cosine for k in (2, 3, 4)),
             *(h[k].sine for k in (2, 3, 4)), *across]
        )  # fmt: skip

    seen = least_squares_circle(ring(angle, 20.0, shape)).angles(ring(angle, 20.0, shape))
    found = np.vstack(
        [circle_sensitivities(seen), *harmonic_sensitivities(seen, 4),
         reversal_sensitivity(seen, 5.0, ccw=True), reversal_sensitivity(seen, 95.0, ccw=False)]
    )  # fmt: skip
    exact = differences(measures, n)
    # to first order: what is left is of the order of the deviation over the radius, 0.02 / 20
    assert (np.abs(found - exact).max(axis=1) <= 2e-3 * np.abs(exact).max(axis=1)).all()


def test_sensitivities_of_a_square():
    t0 = np.arange(-19.5, 20.0)
    out = np.full_like(t0, 20.0)
    flat = np.concatenate(
        [np.column_stack(v) for v in ((t0, -out), (out, t0), (-t0, out), (-out, -t0))]
    )
    normal = np.repeat([(0, -1), (1, 0), (0, 1), (-1, 0)], 40, axis=0)
    turn = np.array(((np.cos(0.03), np.sin(0.03)), (-np.sin(0.03), np.cos(0.03))))

    def points(error):
        return (flat + normal * (error + 0.01 * np.sin(np.arange(160)))[:, None]) @ turn + (5, 3)

    def measures(error):
        g = square_geometry(points(error), 20.0)
        return np.array(
            [g.width, g.height, g.diagonal_up, g.diagonal_down, g.squareness_mrad,
             *(turn @ np.array(g.centre))]
        )  # fmt: skip

    g = square_geometry(points(np.zeros(160)), 20.0)
    s = square_sensitivities(points(np.zeros(160)), g)
    found = np.array(
        [s.width, s.height, s.diagonal_up, s.diagonal_down, s.squareness_mrad, s.centre_x,
         s.centre_y]
    )  # fmt: skip
    exact = differences(measures, 160)
    assert (np.abs(found - exact).max(axis=1) <= 1e-3 * np.abs(exact).max(axis=1)).all()


def test_reader_shapes_are_what_a_scaled_and_skewed_reader_sees():
    # x' = (1 + e + d/2) x + k y, y' = (1 + e - d/2) y moves points across the line by the shapes
    e, d, k = 1e-3, 4e-4, 3e-4
    reader = np.array(((1 + e + d / 2, 0.0), (k, 1 + e - d / 2)))
    noise = PointNoise(0, 0, 0, scale=e, scale_difference=d, skew=k)
    angle = np.radians(np.arange(0.0, 360.0, 5.0))
    xy = ring(angle, 20.0, 0 * angle, centre=(0.0, 0.0))
    circle = least_squares_circle(xy)
    moved = np.hypot(*(xy @ reader).T) - 20.0
    assert errors_of_circle(noise, circle, angle).shapes.sum(axis=0) == pytest.approx(
        moved, abs=1e-5
    )
    sides = square(40.0, step=1.0)[:-1]
    g = square_geometry(sides, 20.0)
    seen = errors_of_square(noise, g, sides).shapes.sum(axis=0)
    inside = np.abs(np.abs(sides) - 20).min(axis=1) < 1e-9
    clear = inside & (np.abs(sides).min(axis=1) < 19)
    side = np.where(np.abs(sides[:, 0]) > np.abs(sides[:, 1]), 0, 1)
    across = ((sides @ reader - sides) * np.sign(sides))[np.arange(len(sides)), side]
    assert seen[clear] == pytest.approx(across[clear], abs=1e-5)


def test_published_covariance_of_a_centre():
    # Apache Commons Math test of five points: with unit variance the covariance of the centre is
    # 1.839, 0.731, 0.786 (of the full least-squares matrix, three digits printed)
    circle = least_squares_circle(S5)
    angle = circle.angles(S5)
    rows = circle_sensitivities(angle)[:2]
    xx, xy, yy = (rows @ rows.T)[np.triu_indices(2)]
    assert (xx, xy, yy) == pytest.approx((1.839, 0.731, 0.786), abs=6e-4)


@pytest.mark.parametrize("n", [24, 100, 360])
def test_white_noise_in_closed_form(n):
    # u(centre) = s sqrt(2/N), u(radius) = s / sqrt N, harmonic coefficients s sqrt(2/N)
    angle = 2 * np.pi * np.arange(n) / n
    covariance = WHITE.covariance(30 * angle, 60 * np.pi)
    x, y, r = (propagated(row, covariance) for row in circle_sensitivities(angle))
    assert (x, y, r) == pytest.approx(
        (0.01 * (2 / n) ** 0.5, 0.01 * (2 / n) ** 0.5, 0.01 / n**0.5), rel=1e-9
    )
    for row in np.concatenate(harmonic_sensitivities(angle, 4)):
        assert propagated(row, covariance) == pytest.approx(0.01 * (2 / n) ** 0.5, rel=1e-9)


def test_white_noise_on_a_square_in_closed_form():
    # JCGM 100:2008, H.3 (from memory): offset s / sqrt(n) and slope s / sqrt(sum x²) of each side;
    # width joins two offsets, the angle at the corners the mean slopes of two pairs of sides
    xy = square(40.0, step=0.5)[:-1]
    g = square_geometry(xy, 20.0)
    rows = square_sensitivities(xy, g)
    covariance = errors_of_square(WHITE, g, xy).covariance()
    x = xy[rows.side == 0][:, 0]
    assert propagated(rows.width, covariance) == pytest.approx(0.01 * (2 / len(x)) ** 0.5, rel=1e-6)
    slope = 0.01 / np.sum((x - x.mean()) ** 2) ** 0.5
    assert propagated(rows.squareness_mrad, covariance) == pytest.approx(1e3 * slope, rel=1e-6)


def test_correlated_noise_does_not_average_down():
    # white noise falls with the number of points, a smooth error does not
    for noise, share in ((WHITE, 0.5), (PointNoise(0, 0, 0.01, length=20.0), 0.98)):
        u = []
        for n in (60, 240):
            angle = 2 * np.pi * np.arange(n) / n
            covariance = noise.covariance(30 * angle, 60 * np.pi)
            u.append(propagated(circle_sensitivities(angle)[2], covariance))
        assert u[1] / u[0] == pytest.approx(share, abs=0.02)


# --- Monte Carlo beside linear propagation (JCGM 101:2008 clause 8, from memory) ------------------


def circles_at_once(angle, r):
    """LSCI of many profiles by Gauss and Newton on all of them together: centre x, y, radius."""
    x, y = r * np.cos(angle), r * np.sin(angle)
    a, b = x.mean(axis=1), y.mean(axis=1)
    size = r.mean(axis=1)
    for _ in range(4):
        dx, dy = x - a[:, None], y - b[:, None]
        far = np.hypot(dx, dy)
        design = np.stack((dx / far, dy / far, np.ones_like(far)), axis=2)
        step = np.linalg.solve(
            np.einsum("tni,tnj->tij", design, design),
            np.einsum("tni,tn->ti", design, far - size[:, None])[..., None],
        )[..., 0]
        a, b, size = a + step[:, 0], b + step[:, 1], size + step[:, 2]
    return a, b, size


def assert_validated(draws, estimate, u):
    """Both ends of the 95 % interval agree within the tolerance for two digits of u."""
    low, high = coverage_interval(draws)
    delta = numerical_tolerance(u, 2)
    assert abs(estimate - NORMAL_95 * u - low) <= delta
    assert abs(estimate + NORMAL_95 * u - high) <= delta


@pytest.mark.slow
@pytest.mark.parametrize("noise", [WHITE, USUAL.noise_only(), USUAL])
def test_linear_propagation_is_validated_on_a_circle(noise):
    n, radius = 24, 30.0
    angle = 2 * np.pi * np.arange(n) / n
    shape = 0.05 * np.cos(2 * angle)
    xy = ring(angle, radius, shape, centre=(0.0, 0.0))
    circle = least_squares_circle(xy)
    source = errors_of_circle(noise, circle, circle.angles(xy))
    covariance = source.covariance()
    rng = np.random.default_rng(31)
    # five batches of 1e5: the ends are then known to a third of the tolerance
    batches = [
        circles_at_once(angle, radius + shape + source.draws(100_000, rng)) for _ in range(5)
    ]
    found = [np.concatenate(parts) for parts in zip(*batches, strict=True)]
    estimates = (*circle.centre, circle.radius)
    for value, draws, row in zip(estimates, found, circle_sensitivities(angle), strict=True):
        assert_validated(draws, value, propagated(row, covariance))


def test_linear_propagation_is_validated_on_a_square():
    half, step = 20.0, 4.0
    xy = square(2 * half, step=step)[:-1]
    g = square_geometry(xy, half)
    rows = square_sensitivities(xy, g)
    source = errors_of_square(USUAL, g, xy)
    drawn = source.draws(400_000, np.random.default_rng(32))
    covariance = source.covariance()
    slope, middle = {}, {}
    for k in range(4):  # each side alone: a straight line by numpy's polynomial fit
        own = rows.side == k
        t0 = (xy[own] - g.sides[k].middle) @ np.array(g.sides[k].direction)
        slope[k], middle[k] = np.polyfit(t0, drawn[:, own].T, 1)
    # bottom, right, top, left: outward slopes turn a side clockwise
    turned = [-np.arctan(slope[k]) for k in range(4)]
    squareness = 500 * (turned[0] + turned[2] - turned[1] - turned[3])
    assert_validated(squareness, 0.0, propagated(rows.squareness_mrad, covariance))
    width = 2 * half + middle[1] + middle[3]
    assert_validated(width, 2 * half, propagated(rows.width, covariance))


# --- coverage ------------------------------------------------------------------------------------


def test_standard_uncertainties_cover_on_circles():
    rng = np.random.default_rng(17)
    n, radius, runs = 80, 20.0, 300
    angle = 2 * np.pi * (np.arange(n) + rng.uniform(-0.3, 0.3, n)) / n
    shape = 0.08 * np.cos(2 * (angle - 0.4)) + 0.03 * np.cos(3 * angle)
    truth = {"x": 215.0, "y": 200.0, "radius": radius, "harmonic 2": 0.08, "harmonic 3": 0.03,
             "axis": math.degrees(0.4)}  # fmt: skip
    inside = dict.fromkeys(truth, 0)
    pulls = []
    noise = USUAL.noise_only()
    for _ in range(runs):
        drawn = noise.draws(radius * angle, 1, rng, 2 * np.pi * radius)[0]
        xy = ring(angle, radius, shape + drawn)
        circle = least_squares_circle(xy)
        seen = circle.angles(xy)
        covariance = errors_of_circle(noise, circle, seen).covariance()
        lobes = harmonics(xy, 8, circle=circle)
        cosine, sine = harmonic_sensitivities(seen, 8)
        u = [propagated(row, covariance) for row in circle_sensitivities(seen)]
        found = {"x": (circle.centre[0], u[0]), "y": (circle.centre[1], u[1]),
                 "radius": (circle.radius, u[2])}  # fmt: skip
        for order in (2, 3):
            term, c, s = lobes[order], cosine[order - 2], sine[order - 2]
            row = (term.cosine * c + term.sine * s) / term.amplitude
            found[f"harmonic {order}"] = term.amplitude, propagated(row, covariance)
        two = lobes[2]
        row = (two.cosine * sine[0] - two.sine * cosine[0]) / (2 * two.amplitude**2)
        found["axis"] = two.phase_deg, math.degrees(propagated(row, covariance))
        for name, (value, spread) in found.items():
            inside[name] += abs(value - truth[name]) <= NORMAL_95 * spread
        pulls.append((circle.radius - radius) / u[2])
    low, high = binomial_band(runs)
    assert all(low <= count <= high for count in inside.values()), inside
    # pulls have mean 0 and standard deviation 1 (99 % bands of 300)
    assert abs(np.mean(pulls)) < 2.58 / runs**0.5
    assert np.std(pulls) == pytest.approx(1.0, abs=2.58 / (2 * runs) ** 0.5)


@pytest.mark.slow
def test_standard_uncertainties_cover_on_squares():
    rng = np.random.default_rng(18)
    half, runs = 20.0, 250
    flat = square(2 * half, step=2.0, alpha=1e-3)[:-1]
    g = square_geometry(flat, half)
    normal = np.where(
        (np.abs(flat[:, 1]) < half - 1e-9)[:, None],
        np.column_stack((np.sign(flat[:, 0]), 0 * flat[:, 0])),
        np.column_stack((0 * flat[:, 1], np.sign(flat[:, 1]))),
    )
    noise = USUAL.noise_only()
    inside = dict.fromkeys(("width", "height", "diagonal_up", "squareness_mrad"), 0)
    along = errors_of_square(noise, g, flat).along
    for _ in range(runs):
        xy = flat + normal * noise.draws(along, 1, rng, 8 * half)[0][:, None]
        found = square_geometry(xy, half)
        rows = square_sensitivities(xy, found)
        covariance = errors_of_square(noise, found, xy).covariance()
        for name in inside:
            u = propagated(getattr(rows, name), covariance)
            inside[name] += abs(getattr(found, name) - getattr(g, name)) <= NORMAL_95 * u
    low, high = binomial_band(runs)
    assert all(low <= count <= high for count in inside.values()), inside


LOBES = {"round": 0.0, "oval": 0.05, "small oval": 0.015, "steps": 0.05}


@pytest.mark.slow
@pytest.mark.parametrize("name", LOBES)
def test_intervals_of_roundness_cover_at_least_as_often_as_they_say(name):
    # 200 profiles: no fewer than the lower end of the exact 99 % binomial band of 95 %.  The value
    # as found lies above the truth nearly always.
    rng = np.random.default_rng(41)
    n, radius, runs = 90, 20.0, 200
    angle = 2 * np.pi * np.arange(n) / n
    shape = LOBES[name] * (np.cos(2 * angle) + 0.4 * np.cos(5 * angle + 1))
    if name == "steps":  # play on one axis: two jumps in a turn
        shape = LOBES[name] * np.sign(np.sin(angle + 0.01)) * np.cos(angle)
    truth = float(ring_widths(angle, shape[None])[0])
    noise = USUAL.noise_only()
    drawn = noise.draws(radius * angle, runs, rng, 2 * np.pi * radius)
    inside = above = 0
    for k in range(runs):
        found = roundness_interval(ring(angle, radius, shape + drawn[k]), noise, k, trials=200)
        inside += found.low <= truth + 1e-9 and truth <= found.high
        above += found.value > truth
    assert inside >= binomial_band(runs)[0]
    assert above > 0.9 * runs


@pytest.mark.parametrize(("n", "factor"), [(24, 3.895), (100, 5.015), (360, 5.871), (1000, 6.483)])
def test_what_noise_alone_makes_of_a_circle(n, factor):
    # mean range of N normal deviates in units of s (the d2 of control charts); the reference circle
    # takes three degrees of freedom out of it
    rng = np.random.default_rng(5)
    ranges = np.ptp(rng.standard_normal((4000, n)), axis=1)
    assert ranges.mean() == pytest.approx(factor, abs=4 * 0.8 / 4000**0.5)
    angle = 2 * np.pi * np.arange(n) / n
    found = roundness_interval(ring(angle, 30.0, 0 * angle), WHITE, 3, trials=2000)
    assert found.alone / 0.01 == pytest.approx(factor * (1 - 3 / n) ** 0.5, rel=0.015)
    assert found.low == 0.0


def test_filter_takes_most_of_the_noise_off():
    rng = np.random.default_rng(6)
    angle = 2 * np.pi * np.arange(360) / 360
    xy = ring(angle, 30.0, 0.05 * np.cos(2 * angle) + rng.normal(0, 0.01, 360))
    raw = roundness_interval(xy, WHITE)
    calm = roundness_interval(xy, WHITE, cutoff=15)
    assert calm.alone < 0.4 * raw.alone
    # to one, an oval of 0.05 has RONt 0.1; the filter lets 0.987753 of it through
    assert calm.low < 0.0987753 < calm.high
    assert raw.low < 0.1 < raw.high
    zone = roundness_interval(xy, WHITE, reference="MZ", trials=100)
    # to first order in the deviation over the radius: 0.07² / (2 * 30)
    assert zone.value == pytest.approx(minimum_zone_circle(xy).RONt, abs=8e-5)
    assert zone.value <= raw.value


def test_few_points_lower_the_cut_off_and_say_so():
    # 65 points bear waves of four points each; a wave of ten lobes passes in 2^-(10/16.25)²
    # (ISO 16610-21:2011, 5.3, from memory)
    rng = np.random.default_rng(12)
    angle = 2 * np.pi * np.arange(65) / 65
    xy = ring(angle, 40.0, 0.05 * np.cos(10 * angle) + rng.normal(0, 0.002, 65))
    noise = PointNoise(0.002, 0.0, 0.0, scale=0.0, scale_difference=0.0, skew=0.0)
    found = roundness_interval(xy, noise, cutoff=50)
    assert found.cutoff == pytest.approx(16.25)
    assert found.low < 0.1 * 2 ** -((10 / 16.25) ** 2) < found.high
    assert found.high - found.low < 0.02
    assert roundness_interval(xy, noise).cutoff is None
    with pytest.raises(ValueError, match="cutoff must be 1 to 500"):
        roundness_interval(xy, noise, cutoff=0.5)


def test_seed_and_generator():
    angle = 2 * np.pi * np.arange(90) / 90
    xy = ring(angle, 30.0, 0.05 * np.cos(2 * angle))
    one, same = roundness_interval(xy, USUAL, 5), roundness_interval(xy, USUAL, 5)
    assert one == same
    assert one == roundness_interval(xy, USUAL, np.random.default_rng(5))
    assert one != roundness_interval(xy, USUAL, 6)
    assert one.to_dict()["low_mm"] == one.low
    assert "noise alone" in repr(one)
    assert one.mirrored().mirrored() == one
    with pytest.raises(ValueError, match="reference must be 'LS' or 'MZ'"):
        roundness_interval(xy, USUAL, reference="LSCI")


def test_many_zones_at_once():
    # against the circles and the sides one by one
    rng = np.random.default_rng(3)
    angle = 2 * np.pi * np.arange(60) / 60
    drawn = rng.normal(0, 0.01, (20, 60))
    one = [minimum_zone_circle(ring(angle, 50.0, d)).RONt for d in drawn]
    assert least_zone_widths(angle, drawn) == pytest.approx(one, abs=2e-6)  # 0.03² / 50
    ls = [least_squares_circle(ring(angle, 50.0, d)).RONt for d in drawn]
    assert ring_widths(angle, drawn) == pytest.approx(ls, abs=2e-5)
    from gantrysim.metrology.squares import _from_ends, _least_zone

    along = np.sort(rng.uniform(-20, 20, 40))
    sides = rng.normal(0, 0.01, (20, 40))
    zone = [_least_zone(along, s) for s in sides]
    assert side_widths(along, sides, "zone") == pytest.approx(zone, rel=1e-3)
    ends = [_from_ends(along, s) for s in sides]
    assert side_widths(along, sides, "ends") == pytest.approx(ends, rel=1e-6)
    assert (side_widths(along, sides, "line") >= np.array(zone) - 1e-12).all()
