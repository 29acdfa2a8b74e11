"""What is stated of each adjusting point: sums over explanations, and the interval of a mixture."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.stats import norm

import gantrysim as gs
from gantrysim.decisions.diagnosis import Hypothesis
from gantrysim.decisions.statements import Statement, statements
from gantrysim.faults import Fault
from gantrysim.inference.fitting import Estimate, Fit, sized
from gantrysim.inference.problem import Problem
from gantrysim.inference.solver import Mode

MACHINE = gs.Machine()
LEFT, RIGHT, SLIP, SQUARE = (
    next(fault for fault in MACHINE.catalogue().faults if fault.name == name)
    for name in ("tight_wheels_left", "tight_wheels_right", "coupler_slip", "out_of_square")
)
COUNT = 40_000


def explanation(
    p: float, *faults: Fault, at: float = 0.0, sd: float = 0.1, named: tuple[str, ...] = ()
) -> Hypothesis:
    """An explanation in which the unknowns of each fault are normal about ``at``."""
    problem = Problem(MACHINE, (), scatter=())
    u = np.full(sum(len(fault.parameters) for fault in faults), at)
    mode = Mode(faults, u, sd**2 * np.eye(u.size), 0.0, 0.0, (), (), True)
    fit = Fit(problem, mode, MACHINE)
    draws = at + sd * np.random.default_rng(4).standard_normal((COUNT, u.size))
    fit.__dict__["draws"] = draws
    sizes = {
        fault.name: Estimate(fault.name, fault.unit, *_quantiles(fault, at, sd), True)
        for fault in faults
    }
    return Hypothesis(
        faults=named or tuple(fault.name for fault in faults),
        probability=p,
        magnitudes=sizes,
        indistinguishable_from=(),
        log_evidence=0.0,
        words="",
        check="",
        fit=fit,
    )


def _quantiles(fault: Fault, at: float, sd: float) -> tuple[float, float, float]:
    q = fault.parameters[0]
    low, middle, high = sorted(q.value(at + z * sd) for z in (-1.96, 0.0, 1.96))
    return middle, low, high


def stated(ranked: list[Hypothesis], group: int = 1) -> dict[str, Statement]:
    found = statements(ranked, [h.faults for h in ranked[:group]])
    assert [s.probability for s in found] == sorted((s.probability for s in found), reverse=True)
    return {s.name: s for s in found}


def test_probability_of_a_point_is_that_of_all_explanations_that_contain_it() -> None:
    ranked = [
        explanation(0.5, LEFT),
        explanation(0.3, LEFT, SQUARE),
        explanation(0.15, SLIP),
        explanation(0.05),
    ]
    found = stated(ranked)
    assert found["tight_wheels_left"].probability == pytest.approx(0.8)
    assert found["out_of_square"].probability == pytest.approx(0.3)
    assert found["coupler_slip"].probability == pytest.approx(0.15)
    assert set(found) == {"tight_wheels_left", "out_of_square", "coupler_slip"}
    assert found["tight_wheels_left"].words == LEFT.words


def test_another_point_is_alike_where_it_may_be_at_fault_in_its_stead() -> None:
    ranked = [
        explanation(0.5, LEFT, SQUARE),
        explanation(0.3, LEFT, SLIP),
        explanation(0.2, RIGHT),
    ]
    found = stated(ranked, group=2)
    assert found["out_of_square"].alike == ("coupler_slip",)
    assert found["coupler_slip"].alike == ("out_of_square",)
    assert found["tight_wheels_left"].alike == ()  # every explanation of the group has it
    assert "tight_wheels_right" in stated(ranked, group=3)["tight_wheels_left"].alike


def test_interval_of_a_size_is_that_of_the_mixture_of_its_explanations() -> None:
    """Two log-normals, 7 : 3, against the quantiles of their sum of distribution functions."""
    apart = 1.5
    ranked = [
        explanation(0.7, LEFT, at=0.0, sd=0.2),
        explanation(0.3, LEFT, SQUARE, at=apart, sd=0.1),
    ]
    size = stated(ranked)["tight_wheels_left"].size
    assert size is not None
    value = LEFT.parameters[0].value

    def below(u: float, share: float) -> float:
        return 0.7 * norm.cdf(u / 0.2) + 0.3 * norm.cdf((u - apart) / 0.1) - share

    low, high = (value(brentq(below, -2.0, 4.0, args=(share,))) for share in (0.025, 0.975))
    assert (size.low, size.high) == pytest.approx((low, high), rel=0.01)
    assert size.estimate == pytest.approx(value(0.0))
    assert size.unit == "N"
    # wider than either alone
    assert size.high > 1.3 * ranked[0].magnitudes["tight_wheels_left"].high


def test_an_explanation_that_hardly_counts_moves_no_interval() -> None:
    ranked = [
        explanation(0.99, LEFT, at=0.0, sd=0.2),
        explanation(0.01, LEFT, SQUARE, at=3.0, sd=0.1),
    ]
    found = stated(ranked)["tight_wheels_left"]
    assert found.probability == pytest.approx(1.0)
    assert found.size == ranked[0].magnitudes["tight_wheels_left"]


def test_something_unlisted_has_no_size() -> None:
    found = stated([explanation(0.6, named=("unlisted",)), explanation(0.4, LEFT)])
    assert found["unlisted"].size is None
    assert found["unlisted"].probability == pytest.approx(0.6)
    assert repr(found["unlisted"]) == "Statement(unlisted, 0.600)"


def test_a_finding_states_its_points_and_writes_them() -> None:
    ranked = (explanation(0.6, LEFT, SLIP), explanation(0.35, LEFT, SQUARE), explanation(0.05))
    finding = gs.Finding((), MACHINE, ranked)
    points = {s.name: s.probability for s in finding.points}
    assert points == pytest.approx(
        {"tight_wheels_left": 0.95, "coupler_slip": 0.6, "out_of_square": 0.35}
    )
    own = finding.points[0].size
    assert own is not None
    assert math.isfinite(own.low)
    assert own.low < own.high


@pytest.mark.parametrize(("narrowed", "told"), [(0.77, True), (0.83, False)])
def test_a_size_is_told_where_it_has_less_than_four_fifths_of_its_prior_width(narrowed, told):
    """Of a normal prior the 95 % interval is 2 x 1.96 standard deviations; so is that of draws."""
    draws = narrowed * np.random.default_rng(8).standard_normal((COUNT, len(SQUARE.parameters)))
    size = sized(SQUARE, SQUARE.parameters, np.zeros(draws.shape[1]), draws)
    assert size.identifiable is told
    width = 2.0 * 1.96 * narrowed * SQUARE.parameters[0].spread
    assert size.high - size.low == pytest.approx(width, rel=0.02)
