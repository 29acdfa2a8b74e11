"""Predicted burns against the dynamics, and the discrepancy on them against that of a fit."""

from __future__ import annotations

import numpy as np
import pytest
from lifted import lift

import gantrysim as gs
from gantrysim.acceptance.drawn import worst_of_lines
from gantrysim.acceptance.predicted import STEP, _Lacked, _motion, _on_lines, predicted_burns
from gantrysim.inference.assumptions import Scales
from gantrysim.inference.fitting import Fit
from gantrysim.inference.problem import prepare
from gantrysim.instruments.burnedpiece import BurnedPiece

TEST = gs.ring_test(spacing=8.0, largest=24.0, centre=(180.0, 150.0), feed=30.0, passes=2)
JOB = gs.ring_test(spacing=6.0, largest=18.0, centre=(300.0, 280.0), feed=50.0, passes=2)
ALL = gs.Tolerance(roundness=0.3, size=0.3, squareness=1.0, closure=0.2, spacing=0.02, overlay=0.03)
TIGHT = gs.Machine().with_faults(gs.faults.TightWheels("left", 6.0))


@pytest.fixture(scope="module")
def fit() -> Fit:
    return gs.fit(lift(TIGHT, TEST, noise=0.015), gs.Machine(), ("tight_wheels_left",))


def worst(burn: gs.Burn) -> dict[str, float]:
    return worst_of_lines(burn.lines, burn.commanded, burn.test, ALL)


def test_the_last_motion_of_a_way_worked_by_hand() -> None:
    xy = np.array([[0.0, 0], [2, 0], [3, 1], [3, 3], [2, 3], [2, 2], [2, 5], [4, 5]])
    moving, since, until = _motion(xy)
    assert moving[1:].tolist() == [[1, 0], [1, 1], [1, 1], [-1, 1], [-1, -1], [-1, 1], [1, 1]]
    assert since[1:, 0].tolist() == [2, 3, 3, 1, 1, 1, 2]
    assert since[2:, 1].tolist() == [1, 3, 3, 1, 3, 3]
    assert until[1:, 0].tolist() == [1, 0, 0, 0, 0, 0, 0]
    assert until[2:, 1].tolist() == [2, 0, 0, 0, 0, 0]
    on_ring = np.array([[1.0, 0], [0, 1], [-2, 3], [-5, 0], [-2, -3], [1, 0], [0, 1]])
    assert _motion(on_ring)[2][1:, 0].tolist() == [5, 3, 0, 3, 0, 0]


def test_a_burn_is_the_dynamics_of_its_machine_and_a_discrepancy_of_its_own(fit: Fit) -> None:
    """Two draws to a machine; the bare dynamics where the explanation lacks nothing."""
    drawn = list(predicted_burns(fit, JOB, 3, np.random.default_rng(3)))
    assert drawn[0].machine is drawn[1].machine is not drawn[2].machine
    for burn in drawn:
        exact = gs.simulate(burn.machine, JOB, step=STEP, inertia=True)
        moves = [line.xy - own.xy for line, own in zip(burn.lines, exact.lines, strict=True)]
        assert 0.003 < np.concatenate(moves).std() < 0.05
    first, second = (worst(burn) for burn in drawn[:2])
    assert abs(first["size"] - second["size"]) > 1e-4


def test_the_march_alone_is_off_the_dynamics_where_a_plate_is_very_tight() -> None:
    """Its largest size error by 22 um at 20 N, its roundness by less than 1 um."""
    tight = gs.Machine().with_faults(gs.faults.TightWheels("left", 20.0))
    marched = worst(gs.simulate(tight, JOB, step=STEP, feed_forces=True))
    exact = worst(gs.simulate(tight, JOB, step=STEP, inertia=True))
    assert exact["size"] - marched["size"] == pytest.approx(-0.0225, abs=0.004)
    assert exact["roundness"] == pytest.approx(marched["roundness"], abs=0.002)


def test_the_discrepancy_drawn_is_that_which_the_fit_allowed_for() -> None:
    """On the test that was burned: across the line the same deviation at every bin of the piece."""
    scales = Scales(place=2.0, direction=0.5, corner=1.0)
    problem = prepare(lift(TIGHT, TEST), gs.Machine()).on(TIGHT, scales)
    ((_, piece),) = problem.burned
    assert isinstance(piece, BurnedPiece)
    lacked = _Lacked.of(problem, _on_lines(TEST, problem.nominal), TIGHT)
    rng = np.random.default_rng(4)
    moves = np.array([lacked.draw(TIGHT, rng) for _ in range(800)])
    burn = gs.simulate(gs.Machine(), TEST, step=STEP)
    at = np.concatenate(burn.commanded)
    place, normal = piece.where(np.zeros(piece.n_nuisance))
    apart = np.hypot(*(place[:, None] - at[None]).transpose(2, 0, 1))
    nearest = apart.argmin(axis=1)
    close = apart.min(axis=1) < 0.3
    assert close.sum() > 100
    across = np.einsum("tni,ni->tn", moves[:, nearest], normal)
    expected = np.hypot.reduce(piece.shared, axis=1)
    ratio = across.std(axis=0)[close] / expected[close]
    # 800 draws: a deviation is good to 2.5 %; a bin averages 2.5 mm of line
    assert np.median(ratio) == pytest.approx(1.0, abs=0.02)
    assert np.mean(np.abs(ratio - 1.0) < 0.15) > 0.9
