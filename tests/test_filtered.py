"""The Gaussian filter of closed profiles: its published transmission, an independent DFT, gaps."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gantrysim.metrology.filtered import even_angles, filter_operator, filtered_profile
from gantrysim.metrology.harmonics import gaussian_transmission
from gantrysim.metrology.roundness import least_squares_circle, roundness

# ISO 16610-21:2011 clause 5.3 (from memory): transmission at the cut-off is one half
TABLE_15 = {2: 0.987753, 5: 0.925875, 10: 0.734867, 15: 0.5, 20: 0.291632, 30: 0.0625}


def outline(angle, deviation, radius=30.0, centre=(82.0, 97.0)):
    r = radius + deviation
    return np.array(centre) + np.column_stack((r * np.cos(angle), r * np.sin(angle)))


def even(n):
    return 2 * np.pi * np.arange(n) / n


def uneven(n, seed, share=0.45):
    rng = np.random.default_rng(seed)
    return 2 * np.pi * (np.arange(n) + rng.uniform(-share, share, n)) / n


@pytest.mark.parametrize("order", TABLE_15)
@pytest.mark.parametrize("n", [105, 360])
def test_transmission_on_equal_spacing(order, n):
    angle, at = even(n), even_angles(15)
    passed = filter_operator(angle, 15, at) @ np.cos(order * angle + 0.7)
    amplitude = 2 * np.mean(passed * np.cos(order * at + 0.7))
    assert amplitude == pytest.approx(TABLE_15[order], rel=0, abs=6e-7)
    assert passed == pytest.approx(
        gaussian_transmission(order, 15) * np.cos(order * at + 0.7), rel=0, abs=1e-12
    )


@pytest.mark.parametrize("cutoff", [15, 50, 150])
def test_half_passes_at_the_cutoff(cutoff):
    n = 7 * cutoff  # 105, 350, 1050 points: seven to the shortest wave (ISO 12181-2, from memory)
    angle = even(n)
    found = filtered_profile(outline(angle, 0.01 * np.cos(cutoff * angle)), cutoff)
    assert np.ptp(found.deviation) / 2 == pytest.approx(0.005, rel=1e-4)
    assert found.bridged_share == 0.0


def test_against_an_independent_dft():
    # any profile on equal spacing: discrete Fourier transform times 2^-(n/fc)^2; waves beyond three
    # cut-offs, which pass by less than 1/512, are left out here and are there
    rng = np.random.default_rng(3)
    n, cutoff = 1440, 15
    angle, d = even(n), rng.normal(0, 0.01, n)
    waves = np.fft.rfft(d)
    order = np.arange(len(waves))
    smooth = np.fft.irfft(waves * 2.0 ** -((order / cutoff) ** 2), n)
    found = filter_operator(angle, cutoff, angle) @ d
    beyond = np.sqrt(np.sum(np.abs(waves[46:] * 2.0 ** -((order[46:] / 15) ** 2)) ** 2) * 2) / n
    assert np.sqrt(np.mean((found - smooth) ** 2)) < 1.2 * beyond < 1e-5


def test_against_direct_convolution():
    # weighting function of the standard: exp(-pi (x / (alpha wave))^2) / (alpha wave), laid round
    n, cutoff = 3600, 50
    angle = even(n)
    d = 0.01 * np.sign(np.sin(3 * angle))
    width = (np.log(2) / np.pi) ** 0.5 * 2 * np.pi / cutoff
    apart = np.abs(angle - np.pi)
    weight = np.exp(-np.pi * (apart / width) ** 2)
    turned = np.fft.ifft(np.fft.fft(d) * np.fft.fft(np.roll(weight / weight.sum(), n // 2))).real
    found = filter_operator(angle, cutoff, angle) @ d
    assert found == pytest.approx(turned, rel=0, abs=1e-5)


@settings(deadline=None, max_examples=20)
@given(st.integers(0, 10**6), st.integers(105, 300), st.integers(2, 8))
def test_transmission_on_unequal_spacing(seed, n, order):
    angle, at = uneven(n, seed), even_angles(15)
    passed = filter_operator(angle, 15, at) @ np.cos(order * angle)
    wanted = gaussian_transmission(order, 15) * np.cos(order * at)
    assert passed == pytest.approx(wanted, rel=0, abs=1e-3)


@settings(deadline=None, max_examples=15)
@given(
    st.integers(0, 10**6), st.floats(0, 6.3), st.floats(-200, 200), st.floats(0.3, 3),
)  # fmt: skip
def test_turned_moved_and_scaled(seed, turn, shift, scale):
    rng = np.random.default_rng(seed)
    angle = uneven(120, seed)
    d = 0.02 * np.cos(2 * angle + 1) + rng.normal(0, 0.005, 120)
    xy = outline(angle, d, centre=(0.0, 0.0))
    c, s = np.cos(turn), np.sin(turn)
    moved = scale * xy @ np.array(((c, s), (-s, c))) + (shift, -shift)
    one, other = (filtered_profile(p).roundness().lsci for p in (xy, moved))
    assert other.RONt == pytest.approx(scale * one.RONt, rel=3e-3)  # the grid turns with nobody
    assert other.RONq == pytest.approx(scale * one.RONq, rel=1e-5)


def test_short_gaps_are_bridged_and_said():
    # ten degrees are missing; half a wave of 15 undulations is twelve
    degrees = np.arange(360)
    angle = np.radians(degrees[(degrees <= 30) | (degrees >= 40)])
    d = 0.02 * np.cos(2 * angle) + 0.01 * np.sin(3 * angle)
    found = filtered_profile(outline(angle, d))
    assert found.widest_gap_deg == pytest.approx(10.0, abs=0.1)
    assert found.bridged_share == pytest.approx(10 / 360, abs=1e-3)
    assert "3% of the turn bridged" in repr(found)
    whole = even(720)  # the same outline without a gap, seen from the same circle
    xy = outline(whole, 0.02 * np.cos(2 * whole) + 0.01 * np.sin(3 * whole))
    wanted = filter_operator(found.circle.angles(xy), 15, found.angle) @ found.circle.deviations(xy)
    assert found.deviation == pytest.approx(wanted, rel=0, abs=1e-5)


def test_what_is_refused():
    angle = even(104)
    with pytest.raises(ValueError, match="15 undulations per revolution needs 105 points, found"):
        filtered_profile(outline(angle, 0 * angle))
    angle = even(360)[13:]
    with pytest.raises(ValueError, match=r"gap of 14.0 degrees; .* bridges 12.0 degrees at most"):
        filtered_profile(outline(angle, 0 * angle))
    for cutoff in (0.5, 1500):
        with pytest.raises(ValueError, match="cutoff must be 1 to 500 undulations"):
            filtered_profile(outline(angle, 0 * angle), cutoff)


def test_parameters_of_the_filtered_profile():
    # an oval of 20 µm amplitude under noise of 10 µm: the filter keeps one and calms the other
    rng = np.random.default_rng(8)
    angle = even(720)
    xy = outline(angle, 0.02 * np.cos(2 * angle) + rng.normal(0, 0.01, 720))
    found = filtered_profile(xy).roundness()
    raw = roundness(xy)
    assert 0.036 < found.lsci.RONt < 0.052 < 0.075 < raw.lsci.RONt
    assert found.mzci.RONt <= min(c.RONt for c in (found.lsci, found.mcci, found.mici)) + 1e-12
    assert found.lsci.RONp + found.lsci.RONv == pytest.approx(found.lsci.RONt)
    assert found.lsci.RONq == pytest.approx(0.02 / 2**0.5 * 0.987753, rel=0.03)
    assert found.lsci.radius == pytest.approx(least_squares_circle(xy).radius, abs=1e-4)
    content = filtered_profile(xy).to_dict()
    assert content["cutoff_upr"] == 15.0
    assert len(content["deviation_mm"]) == 720
