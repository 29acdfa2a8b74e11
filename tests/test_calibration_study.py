"""The bookkeeping of the calibration study; the study itself has its own command."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

import gantrysim as gs
from gantrysim.inference.problem import prepare
from gantrysim.inference.solver import solve

sys.path.insert(0, str(Path(__file__).resolve().parent / "studies"))

import calibration

SEED = 8


@pytest.mark.parametrize(
    ("n", "low", "high"), [(200, 0.905, 0.985), (400, 0.920, 0.975), (1000, 0.931, 0.967)]
)
def test_bands_are_those_of_the_exact_binomial(n: int, low: float, high: float) -> None:
    """Each tail beyond the band holds less than half a per cent, one count further in more."""
    a, b = calibration.binomial_band(n, 0.95)
    assert (a / n, b / n) == pytest.approx((low, high), abs=0.5 / n + 5e-4)
    tail = stats.binom(n, 0.95)
    assert tail.cdf(a - 1) < 0.005 <= tail.cdf(a)
    assert tail.sf(b) <= 0.005 < tail.sf(b - 1)


def test_ranks_of_a_right_posterior_are_even_and_of_a_narrow_one_are_not() -> None:
    rng = np.random.default_rng(SEED)

    def ranks(width: float) -> list[int]:
        """Normal prior and one reading of unit error: the posterior is N(y / 2, 1 / 2)."""
        out = []
        for _ in range(400):
            truth = rng.standard_normal()
            reading = truth + rng.standard_normal()
            draws = reading / 2 + width * np.sqrt(0.5) * rng.standard_normal(calibration.DRAWS)
            out.append(calibration.rank(truth, draws))
        return out

    assert calibration.rank_test(ranks(1.0))[1] > 0.01
    assert calibration.rank_test(ranks(0.6))[1] < 1e-6
    assert calibration.rank_test(ranks(1.8))[1] < 1e-6


def test_reliability_counts_every_explanation_once() -> None:
    pairs = [(0.9, True), (0.9, False), (0.005, False), (1.0, True)]
    rows = calibration.reliability(pairs)
    assert [(n, m) for _, _, n, m, _ in rows] == [(1, 0), (2, 1), (1, 1)]
    shares = calibration.among_drawn({"healthy": 0.3, "unlisted": 0.4, "scale_x": 0.3})
    assert shares == pytest.approx({"healthy": 0.5, "scale_x": 0.5})


def test_a_table_is_added_to_and_a_row_cut_short_is_left_out(tmp_path: Path) -> None:
    path = tmp_path / "table.csv"
    row = [str(k) for k in range(len(calibration.COLUMNS))]
    calibration.append(path, row)
    with path.open("a") as file:
        file.write("7,heal")
    calibration.append(path, row)
    assert [r["machine"] for r in calibration.read_rows(path)] == ["0", "0"]
    assert path.read_text().splitlines()[2] == "7,heal"
    other = tmp_path / "other.csv"
    other.write_text("a,b\n1,2\n")
    with pytest.raises(ValueError, match="not a table of this study"):
        calibration.read_rows(other)


def test_a_machine_drawn_is_fitted_by_its_own_truth_to_the_noise() -> None:
    """Half the whitened square of the right explanation is half the number of bins, within 4 sd.

    So what is drawn is what the inverse believes, noise and discrepancy included.
    """
    for number in range(3):
        drawn = calibration.draw(number)
        assert drawn.piece.n_points == calibration.draw(number).piece.n_points
        problem = prepare(drawn.piece, gs.Machine())
        mode = solve(problem, drawn.kinds, np.concatenate([drawn.u, np.zeros(6)]))
        bins = problem.burned[0][1].bins.count.size
        assert mode.converged
        assert abs(2.0 * mode.cost - bins) < 4.0 * np.sqrt(2.0 * bins)
