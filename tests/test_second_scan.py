"""A second scan of the piece, turned by a quarter, as a proposed next measurement."""

from __future__ import annotations

import dataclasses
import math
from types import SimpleNamespace

import numpy as np
import pytest
from lifted import lift

import gantrysim as gs
from gantrysim.decisions.information import expected_of_draws
from gantrysim.decisions.nexttest import _Question
from gantrysim.inference.problem import prepare
from gantrysim.inference.solver import solve
from gantrysim.instruments.scanner import ALIKE, UNEVEN
from gantrysim.instruments.secondscan import READ, SecondScan

TEST = gs.ring_test(("circle",), spacing=15.0, largest=30.0, centre=(215.0, 200.0))
OTHER = gs.ring_test(("circle",), spacing=10.0, largest=20.0, centre=(215.0, 200.0))


@pytest.fixture(scope="module")
def problem():
    return prepare(lift(gs.Machine(), TEST, noise=0.012, seed=5), gs.Machine())


def second(test: gs.RingTest) -> SecondScan:
    found = gs.instruments.PointsOfPiece().candidates(gs.Machine(), (test,))
    (one,) = [c for c in found if isinstance(c, SecondScan)]
    return one


def test_it_reads_difference_and_skew_of_the_same_scanner(problem):
    (term,) = problem.sources
    rows = second(TEST).again(term)
    # circles of 15 and 30 mm with as many points a mm: spread of x is sqrt(1/2 mean of R^3 / R)
    spread = math.sqrt(0.5 * (15.0**3 + 30.0**3) / 45.0)
    uneven = UNEVEN / ALIKE * (1.0 + 2.0 * (spread / ALIKE) ** 2) ** -0.75
    noise = math.hypot(uneven, READ)
    assert rows == pytest.approx(
        np.array([[0, 0, 0, 0, 4e-4, 0], [0, 0, 0, 0, 0, 3e-4]]) / noise, rel=0.02
    )
    assert second(OTHER).again(term) is None
    (tones, *_) = gs.instruments.BeltTones().sheets(gs.Machine(), None)
    assert second(TEST).again(tones.likelihood_term(gs.Machine())) is None
    assert second(TEST).test is None


def test_it_settles_what_the_scanner_must_have_if_the_machine_has_it_not(problem):
    """Two explanations whose scanners differ by k standard deviations of what two scans leave.

    Against the same two Gaussians in one dimension, by quadrature.
    """
    mode = solve(problem, (), problem.start(()))
    own = 4 - 6  # the scale difference among the last six unknowns
    (term,) = problem.sources
    unit = second(TEST).again(term)[0, 4]
    left = math.sqrt(1.0 + unit**2 * mode.covariance[own, own])
    for k in (0.0, 3.0):
        moved = mode.u.copy()
        moved[own] += k * left / unit
        modes = (mode, dataclasses.replace(mode, u=moved))
        alive = tuple(SimpleNamespace(faults=(), fit=SimpleNamespace(mode=m)) for m in modes)
        question = _Question(alive, problem, np.array([0.5, 0.5]), (), None)
        data = question.predict(second(TEST))
        found = expected_of_draws(np.array([0.5, 0.5]), data, 1).gain
        x = np.linspace(-12.0, 15.0, 20001)
        p, q = (np.exp(-0.5 * (x - m) ** 2) / math.sqrt(2.0 * math.pi) for m in (0.0, k))
        both = np.maximum(p * np.log(2.0 * p / (p + q)) + q * np.log(2.0 * q / (p + q)), 0.0)
        assert found == pytest.approx(0.5 * np.trapezoid(both, x), abs=0.03)


@pytest.mark.slow
def test_a_scale_that_may_be_the_scanners_calls_for_a_second_scan():
    steps = gs.Machine().with_faults(gs.faults.ScaleError("y", error=0.003))
    test = gs.ring_test(spacing=10.0, largest=30.0, centre=(215.0, 200.0))
    finding = gs.diagnose(lift(steps, test, noise=0.012, seed=5), gs.Machine())
    assert not finding.certain
    assert "the piece scanned again, turned by a quarter, tells" in finding.report()
    (calipers,) = gs.instruments.Calipers().candidates(gs.Machine(), (test,))
    again = gs.instruments.PointsOfPiece().burning(test)
    ranked = gs.next_test(finding, candidates=[again, calipers, second(test)])
    assert isinstance(ranked[0].candidate, SecondScan)
    assert ranked[0].gain > 0.3
    assert ranked[0].report().endswith("The machine is not touched.")
    one, other, before, after = ranked[0].pairs[0]
    assert {one, other} == {"steps per mm of Y", "a healthy machine"}
    assert after > 0.95 > before
