"""Positioning of one axis by ISO 230-2: a table by hand, the statistics module, open data."""

from __future__ import annotations

import statistics

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import binom
from shared_data import DATA, beside

from gantrysim.metrology.positioning import DEFINITIONS, positioning

# Made-up table, µm; answers by other code from the definitions of ISO 230-2:2014, 3 (from memory)
UP = [[0, 1, 2, 1, 1], [3, 4, 5, 4, 4], [6, 5, 7, 6, 6], [8, 9, 10, 9, 9], [10, 12, 11, 11, 11]]
DOWN = [
    [-4, -2, -3, -3, -3], [-2, 0, -1, -1, -1], [0, 0, 0, 0, 0], [3, 5, 4, 4, 4], [6, 9, 6, 7, 7],
]  # fmt: skip
TARGETS = [10.0, 60.0, 110.0, 160.0, 210.0]
ANSWERS = {
    "B": 6, "B_mean": 4.8, "R_up": 2.828427, "R_down": 4.898979, "R": 7.863703, "E": 14,
    "E_up": 10, "E_down": 10, "M": 10, "A_up": 12.828427, "A_down": 13.863703, "A": 16.828427,
}  # fmt: skip


def table():
    return positioning(TARGETS, np.array(UP) / 1e3, np.array(DOWN) / 1e3)


def test_table_by_hand():
    found = table()
    assert set(found.values) == set(ANSWERS) == set(DEFINITIONS)
    for name, value in ANSWERS.items():
        assert 1e3 * found[name] == pytest.approx(value, rel=0, abs=6e-7), name
    assert 1e3 * found.reversal == pytest.approx([4, 5, 6, 5, 4])


def by_the_statistics_module(up, down):
    """The same numbers from Python's statistics module, target by target."""
    one = [(statistics.mean(r), statistics.stdev(r)) for r in up]
    two = [(statistics.mean(r), statistics.stdev(r)) for r in down]
    each = [
        max(2 * s + 2 * t + abs(m - n), 4 * s, 4 * t)
        for (m, s), (n, t) in zip(one, two, strict=True)
    ]
    both = one + two
    return {
        "B": max(abs(m - n) for (m, _), (n, _) in zip(one, two, strict=True)),
        "B_mean": statistics.mean(m - n for (m, _), (n, _) in zip(one, two, strict=True)),
        "R_up": max(4 * s for _, s in one),
        "R_down": max(4 * s for _, s in two),
        "R": max(each),
        "E_up": max(m for m, _ in one) - min(m for m, _ in one),
        "E_down": max(m for m, _ in two) - min(m for m, _ in two),
        "E": max(m for m, _ in both) - min(m for m, _ in both),
        "M": np.ptp([(m + n) / 2 for (m, _), (n, _) in zip(one, two, strict=True)]),
        "A_up": max(m + 2 * s for m, s in one) - min(m - 2 * s for m, s in one),
        "A_down": max(m + 2 * s for m, s in two) - min(m - 2 * s for m, s in two),
        "A": max(m + 2 * s for m, s in both) - min(m - 2 * s for m, s in both),
    }


@settings(deadline=None, max_examples=30)
@given(st.integers(0, 10**6), st.integers(2, 12), st.integers(2, 7))
def test_against_the_statistics_module(seed, targets, runs):
    rng = np.random.default_rng(seed)
    up, down = rng.normal(0, 0.01, (2, targets, runs)) + rng.normal(0, 0.02, (2, targets, 1))
    found = positioning(np.arange(targets), up, down)
    for name, value in by_the_statistics_module(up.tolist(), down.tolist()).items():
        assert found[name] == pytest.approx(value, rel=1e-9, abs=1e-12), name


@settings(deadline=None, max_examples=20)
@given(st.floats(-0.5, 0.5), st.floats(0.1, 10))
def test_shift_scale_and_mirror(shift, scale):
    up, down = np.array(UP) / 1e3, np.array(DOWN) / 1e3
    moved = positioning(TARGETS, scale * up + shift, scale * down + shift)
    mirrored = positioning([-t for t in TARGETS], -down, -up)
    for name, value in table().values.items():
        assert moved[name] == pytest.approx(scale * value, abs=1e-9)
        other = name.replace("up", "x").replace("down", "up").replace("x", "down")
        assert mirrored[other] == pytest.approx(value, abs=1e-12)


def test_open_data_of_an_axis_on_the_move():
    """A driven axis that passes targets both ways: Janot, Gautier, Brunot, benchmark data, 2019.

    Passing is not standing, so these are no ISO 230-2 results; the numbers are the same sums, and
    the reversal value is the following error twice.
    """
    file = beside(DATA / "positioning_system" / "DATA_EMPS.mat")
    from scipy.io import loadmat

    raw = loadmat(file)
    wanted, real = 1e3 * raw["qg"].ravel(), 1e3 * raw["qm"].ravel()  # mm
    targets = np.array([60.0, 90.0, 120.0, 150.0, 180.0])
    runs = {"up": [], "down": []}
    for target in targets:
        for name, sign in (("up", 1), ("down", -1)):
            ahead = sign * (wanted - target)
            k = np.flatnonzero((ahead[:-1] < 0) & (ahead[1:] >= 0))
            share = -ahead[k] / (ahead[k + 1] - ahead[k])
            runs[name].append(real[k] + share * (real[k + 1] - real[k]) - target)
    count = min(len(r) for each in runs.values() for r in each)
    up, down = (np.array([r[:count] for r in runs[name]]) for name in ("up", "down"))
    found = positioning(targets, up, down)
    assert count >= 3
    for name, value in by_the_statistics_module(up.tolist(), down.tolist()).items():
        assert found[name] == pytest.approx(value, rel=1e-9), name
    # the axis follows its reference by about 0.8 mm either way and repeats to a few 0.01 mm
    assert -2.0 < found["B_mean"] < -1.2
    assert found["R_up"] < 0.1 < found["B"] < found["R"] < found["A"]


def test_intervals_cover():
    # B_mean is the only number that noise does not bias: its interval holds the truth as often as
    # it says; the others at least as often (99 % band of the binomial count of 200)
    rng = np.random.default_rng(12)
    targets = np.arange(5.0)
    mean_up, mean_down = 0.02 * np.array([0, 1, 3, 2, 1]), np.array([-3, -1, 0, 2, 4]) * 0.01
    truth = {"B_mean": np.mean(mean_up - mean_down), "B": np.max(np.abs(mean_up - mean_down)),
             "M": np.ptp((mean_up + mean_down) / 2)}  # fmt: skip
    inside = dict.fromkeys(truth, 0)
    for k in range(200):
        up, down = (m[:, None] + rng.normal(0, 0.004, (5, 5)) for m in (mean_up, mean_down))
        spread = positioning(targets, up, down).uncertainty(k, 800)
        for name in truth:
            inside[name] += spread[name][1] <= truth[name] <= spread[name][2]
    low, high = binom.ppf((0.005, 0.995), 200, 0.95)
    assert low <= inside["B_mean"] <= high
    assert inside["B"] >= low
    assert inside["M"] >= low


def test_uncertainty_of_the_mean_reversal():
    # u of the mean of m differences of means of n runs: sqrt(2 s² / (n m)), with Student's tails
    rng = np.random.default_rng(1)
    up, down = rng.normal(0, 0.01, (2, 40, 20))
    u = positioning(np.arange(40), up, down).uncertainty(5)["B_mean"][0]
    assert u == pytest.approx(0.01 * (2 / 800) ** 0.5, rel=0.1)


def test_a_coarse_reading_is_the_uncertainty_of_runs_that_agree():
    # as above with s the reading's own: n - 1 degrees of freedom widen it by (n - 1) / (n - 3)
    same = np.zeros((40, 20))
    u = positioning(np.arange(40), same, same, reading=0.01).uncertainty(5)["B_mean"][0]
    assert u == pytest.approx(0.01 * (2 / 800 * 19 / 17) ** 0.5, rel=0.1)
    # runs that scatter more hold the reading's scatter already
    up, down = np.random.default_rng(1).normal(0, 0.01, (2, 40, 20))
    exact, fine = (
        positioning(np.arange(40), up, down, reading=r).uncertainty(5) for r in (0.0, 1e-4)
    )
    assert fine == exact


def test_one_approach_only():
    found = positioning(TARGETS, np.array(UP) / 1e3, None)
    assert set(found.values) == {"R_up", "E_up", "A_up"}
    with pytest.raises(KeyError, match="R_up, E_up, A_up"):
        found["B"]
    with pytest.raises(ValueError, match="not approached downwards"):
        _ = found.reversal
    assert "A_up 12.8" in repr(found)


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (([1.0], [[0, 0]], None), "targets must be 2 or more finite positions"),
        (([1.0, 1.0], [[0, 0], [0, 0]], None), "targets must differ"),
        (([1.0, 2.0], None, None), "up or down must be given"),
        (([1.0, 2.0], [[0, 0]], None), r"up must have a row for each of the 2 targets"),
        (([1.0, 2.0], [[0], [0]], None), r"2 or more columns \(runs\), found shape \(2, 1\)"),
        (([1.0, 2.0], None, [[0, 0], [0, np.nan]]), "down, target 1, run 1: must be a finite"),
    ],
)
def test_bad_input(arguments, sentence):
    with pytest.raises(ValueError, match=sentence):
        positioning(*arguments)
    with pytest.raises(ValueError, match="reading must be zero or more"):
        positioning(TARGETS, UP, DOWN, reading=-1.0)


def test_shows_itself(tmp_path):
    found = table()
    assert repr(found).startswith("Positioning(5 targets, 5 runs: A 16.8, R 7.9, E 14.0, B 6.0")
    assert found._repr_html_().count("<tr>") == 13
    lines = found.to_csv(tmp_path / "axis.csv").read_text().splitlines()
    assert lines[0] == "name,value_mm,u_mm,low_mm,high_mm,definition"
    assert len(lines) == 13
    assert found.to_dict()["A_mm"] == found["A"]
    import matplotlib.pyplot as plt

    ax = found.plot()
    assert "A 16.8, R 7.9" in ax.get_title(loc="left")
    plt.close("all")
