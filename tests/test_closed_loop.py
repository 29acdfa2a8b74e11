"""Burn, diagnose, check by hand, turn, burn again: a few machines of the closed loop.

The whole study is `tests/studies/closed_loop.py`.
"""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from handchecks import FINGER_WRONG, Reading, checked, feel, point_of, read
from ways import NOMINAL, Work, advised, bring_in, side, ten_degrees, turn
from workshop import (
    LIMITS,
    Case,
    burn_and_measure,
    draw_case,
    healthy_machine,
    kinds_of,
    look_at,
    noise_of,
)

import gantrysim as gs
from gantrysim.decisions.diagnosis import Finding, Hypothesis
from gantrysim.inference.fitting import Fit
from gantrysim.inference.problem import Problem
from gantrysim.inference.solver import Mode
from gantrysim.machine.handbook import Handbook

SEED = 5


def point(fault: str):
    return point_of(fault, NOMINAL, Handbook())


def case_of(fault: str, size: float, *more: float) -> Case:
    real = kinds_of(fault).at(size, *more).apply(NOMINAL)
    return Case(0, fault, size, NOMINAL, real)


def explanation(machine: gs.Machine, p: float, *faults: str) -> Hypothesis:
    problem = Problem(NOMINAL, ())
    u = problem.start(())
    mode = Mode((), u, np.eye(u.size), 0.0, 0.0, (), (), True)
    return Hypothesis(faults, p, {}, (), 0.0, "", "", Fit(problem, mode, machine))


@pytest.mark.slow
def test_tight_wheels_are_brought_in_within_three_rounds_and_nothing_else_is_turned():
    case = draw_case(0, SEED)
    assert case.fault == "tight_wheels_left"
    work = bring_in(case, advised, SEED, rounds=3)
    assert work.accepted
    assert work.cured
    assert work.rounds <= 3
    assert work.innocent == work.overshoots == work.spoiled == 0


@pytest.mark.slow
def test_no_nut_is_turned_for_a_coupling_with_play():
    case = draw_case(9, SEED)
    assert case.fault == "coupler_backlash"
    work = bring_in(case, advised, SEED, rounds=2)
    assert work.accepted
    assert work.cured
    assert work.innocent == 0


def test_a_healthy_machine_is_let_go_and_a_faulty_one_is_not():
    for k in range(3):
        rng = np.random.default_rng([SEED, k])
        assert not LIMITS.failed(look_at(burn_and_measure(healthy_machine(rng), rng)))
    faulty = case_of("out_of_square", 6.0)
    seen = look_at(burn_and_measure(faulty.real, noise_of(faulty, SEED, 0)))
    assert "squareness" in LIMITS.failed(seen)
    # 6 mrad out of square, within five standard deviations of the scanner's skew and the points
    assert seen["squareness"] == pytest.approx(6.0, abs=1.7)


def test_noise_is_the_same_whoever_works_on_the_machine():
    case = case_of("tight_wheels_left", 9.0)
    one, other = (burn_and_measure(case.real, noise_of(case, SEED, 0)) for _ in range(2))
    assert all(np.array_equal(a.xy, b.xy) for a, b in zip(one.lines, other.lines, strict=True))
    later = burn_and_measure(case.real, noise_of(case, SEED, 1))
    assert not np.array_equal(one.lines[0].xy, later.lines[0].xy)


def test_turns_are_counted_by_what_they_do():
    case = case_of("tight_wheels_left", 9.0)
    left, right = point("tight_wheels_left"), point("tight_wheels_right")
    assert [side(k, case.real, NOMINAL) for k in (left, right)] == [1, 0]
    work = Work(case.real)
    turn(work, case, left, "test", lambda m: left.turn(m, -80.0))
    assert (work.overshoots, work.innocent, work.spoiled) == (1, 0, 0)
    turn(work, case, right, "test", lambda m: right.turn(m, -60.0))
    assert (work.overshoots, work.innocent, work.spoiled, work.turns) == (1, 1, 1, 2)


def test_habit_takes_back_what_did_not_help_and_changes_place():
    case = case_of("coupler_backlash", 0.5)
    work = Work(case.real)
    seen = {"roundness": 0.4, "lost_x": 0.1, "lost_y": 0.3}
    for number in range(2):
        now = SimpleNamespace(case=case, seen=seen, hand=lambda: np.random.default_rng(3))
        ten_degrees(work, now)
        assert work.turns == (1, 3)[number]
    places = [s.split(" for ")[0].rsplit(" ", 2)[0] for s in work.story]
    assert places[0] == places[1] != places[2]
    assert "carriage" not in " ".join(places)


def test_a_finger_check_weighs_explanations_by_bayes():
    tight = kinds_of("tight_wheels_left").at(9.0).apply(NOMINAL)
    ranked = (explanation(NOMINAL, 0.5), explanation(tight, 0.5, "tight_wheels_left"))
    finding = Finding((), NOMINAL, ranked)
    felt = Reading(0.0, 0.0, feel(tight, "left"))
    assert felt.felt == "tight"
    after = checked(finding, point("tight_wheels_left"), "tight_wheels_left", felt)
    wrong = FINGER_WRONG / 2.0
    assert after.best.faults == ("tight_wheels_left",)
    assert after.best.probability == pytest.approx((1 - FINGER_WRONG) / (1 - FINGER_WRONG + wrong))


@pytest.mark.parametrize(
    ("fault", "size", "error"),
    [("coupler_slip", 0.8, 0.1), ("scale_x", 0.004, 0.05), ("coupler_backlash", 0.3, 0.04)],
)
def test_readings_are_as_good_as_said(fault, size, error):
    case = case_of(fault, size)
    rng = np.random.default_rng(SEED)
    read_off = [read(point(fault), case.real, rng).value for _ in range(200)]
    truth = size * (80.0 if fault == "scale_x" else 1.0)
    assert np.mean(read_off) == pytest.approx(truth, abs=4.0 * error / 1.96 / np.sqrt(200.0))
    assert np.std(read_off) == pytest.approx(error / 1.96, rel=0.3)
