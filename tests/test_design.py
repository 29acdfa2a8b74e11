"""What a test can tell and which to make next: closed forms, real fits, limits."""

from __future__ import annotations

import dataclasses
import itertools
import math
import re

import matplotlib as mpl
import numpy as np
import pytest
from lifted import lift
from reduced import reduced
from scipy.integrate import quad
from scipy.stats import norm

import gantrysim as gs
from gantrysim.burn.simulation import check_travel
from gantrysim.decisions.blinddirections import blind_directions
from gantrysim.decisions.identifiability import shapes_apart
from gantrysim.decisions.information import (
    Predictive,
    expected_of_draws,
    expected_of_outcomes,
    predictive,
)
from gantrysim.decisions.nexttest import Look
from gantrysim.inference.noise import Noise
from gantrysim.inference.problem import Problem
from gantrysim.inference.search import extend
from gantrysim.inference.solver import Evaluator, solve
from gantrysim.instruments import BeltTones, Calipers, PushByHand
from gantrysim.instruments.base import Candidate, Instrument
from gantrysim.instruments.burning import (
    PointsOfPiece,
    burn_tests,
    burned_length,
    planned_piece,
)

TEST = gs.ring_test(spacing=7.0, largest=28.0, centre=(150.0, 140.0), feed=30.0)
SMALL = gs.ring_test(spacing=7.0, largest=21.0, centre=(215.0, 200.0), feed=30.0)


# Expected information


def _binary(prior: float, densities: tuple) -> float:
    """Expected gain of a binary question by quadrature over one-dimensional data, nats."""
    p = np.array([prior, 1.0 - prior])

    def inside(y: float) -> float:
        f = np.array([d.pdf(y) for d in densities])
        if f.min() < 1e-300:
            return 0.0
        return float(np.sum(p * f * np.log(f / (p @ f))))

    return quad(inside, -40.0, 40.0, limit=400, points=[-5.0, 0.0, 5.0])[0]


@pytest.mark.parametrize(
    ("apart", "spread", "prior"),
    [(0.5, 0.0, 0.5), (1.0, 0.0, 0.5), (3.0, 0.0, 0.2), (2.0, 1.5, 0.6)],
)
def test_gain_is_the_integral_over_two_gaussians(apart, spread, prior):
    """Mutual information (Lindley 1956) against an outside quadrature; Monte Carlo error 3 %."""
    data = Predictive(np.array([[0.0], [apart]]), (np.zeros((1, 1)), np.array([[spread]])))
    chances = np.array([prior, 1.0 - prior])
    found = [expected_of_draws(chances, data, seed).gain for seed in range(8)]
    exact = _binary(prior, (norm(0.0, 1.0), norm(apart, math.hypot(1.0, spread))))
    assert np.mean(found) == pytest.approx(exact, rel=0.05, abs=0.004)
    assert np.std(found) < 0.03


def test_what_is_foretold_of_the_right_one_is_the_mean_of_its_probability():
    """Expected probability of the truth, E[p(truth | y)], by quadrature for two Gaussians."""
    prior, apart = 0.3, 2.0

    def inside(y: float) -> float:
        f = np.array([prior, 1.0 - prior]) * norm.pdf(y, [0.0, apart])
        return float(f @ f / f.sum())

    exact = quad(inside, -12.0, 14.0)[0]
    data = Predictive(np.array([[0.0], [apart]]), (np.zeros((1, 1)),) * 2)
    found = [expected_of_draws(np.array([prior, 1.0 - prior]), data, k).right for k in range(8)]
    before, after = np.mean(found, axis=0)
    assert before == pytest.approx(prior**2 + (1.0 - prior) ** 2)
    assert after == pytest.approx(exact, abs=0.02)


def test_far_apart_settles_the_whole_entropy():
    chances = np.array([0.5, 0.3, 0.2])
    means = np.array([[0.0, 0.0], [60.0, 0.0], [0.0, 60.0]])
    data = Predictive(means, tuple(np.zeros((2, 1)) for _ in means))
    found = expected_of_draws(chances, data, 0)
    assert found.gain == pytest.approx(-np.sum(chances * np.log(chances)), abs=1e-9)
    assert found.right == pytest.approx((0.38, 1.0))
    assert found.pairs[0, 1] == pytest.approx(((0.25 + 0.09) / 0.64, 1.0))


def test_what_all_foretell_alike_tells_nothing():
    rng = np.random.default_rng(3)
    root = rng.standard_normal((3, 2))
    data = Predictive(np.tile(rng.standard_normal(3), (2, 1)), (root, root))
    found = expected_of_draws(np.array([0.7, 0.3]), data, 0)
    assert found.gain == pytest.approx(0.0, abs=1e-12)
    assert found.right[0] == pytest.approx(found.right[1])


def test_a_check_with_two_outcomes_is_exact():
    """Binary symmetric channel: ln 2 - H(e) (Cover and Thomas, from memory)."""
    error = 0.1
    chance = np.array([[1.0 - error, error], [error, 1.0 - error]])
    found = expected_of_outcomes(np.array([0.5, 0.5]), chance)
    own = -error * math.log(error) - (1.0 - error) * math.log(1.0 - error)
    assert found.gain == pytest.approx(math.log(2.0) - own)
    assert found.right == pytest.approx((0.5, 0.82))


def _gain(test: gs.RingTest, noise: Noise, fault: object | None = None) -> float:
    """Gain about healthy against one known faint fault, from a planned burn."""
    machine = gs.Machine()
    faulty = machine.with_faults(fault) if fault is not None else machine
    piece = planned_piece(test, machine, noise=noise)
    (r, slopes), (r1, _) = (
        piece.linearise(m, [m], ["y"], 1e-5, np.zeros(piece.n_nuisance)) for m in (machine, faulty)
    )
    metric = piece.without(slopes[:, -piece.n_nuisance :])
    none = np.zeros((r.size, 1))
    data = predictive(metric, [r, r1], [none, none])
    return expected_of_draws(np.array([0.5, 0.5]), data, 1).gain


def test_more_noise_tells_less_and_more_passes_tell_more():
    faint = gs.faults.TightWheels("left", 0.4)
    noise = Noise()
    scaled = [
        dataclasses.replace(noise, point=k * 0.012, grain=k * 0.005, smooth=k * 0.006)
        for k in (0.5, 1.0, 2.0, 4.0)
    ]
    by_noise = [_gain(SMALL, n, faint) for n in scaled]
    assert all(a > b + 1e-3 for a, b in itertools.pairwise(by_noise))
    by_passes = [_gain(dataclasses.replace(
        SMALL, passes=n, sequence=tuple((s, r, n) for s, r, _ in SMALL.sequence)
    ), noise, faint) for n in (1, 2, 4)]  # fmt: skip
    assert all(b > a + 1e-3 for a, b in itertools.pairwise(by_passes))
    assert _gain(SMALL, noise) == pytest.approx(0.0, abs=1e-9)


# What a test can tell


@pytest.mark.parametrize(
    ("fault", "name"),
    [
        (gs.faults.TightWheels("left", 9.0), "tight_wheels_left"),
        (gs.faults.TightCarriage(7.0), "tight_carriage"),
        (gs.faults.CouplerBacklash(0.2), "coupler_backlash"),
        (gs.faults.ScaleError("x", 0.006745), "scale_x"),
    ],
)
def test_expected_interval_is_that_of_a_fit(fault, name):
    told = gs.what_can_be_told(TEST, faults=[name]).row(name)
    fit = gs.fit(lift(gs.Machine().with_faults(fault), TEST, noise=0.012), gs.Machine(), [name])
    found = fit.magnitudes[name]
    assert told.high - told.low == pytest.approx(found.high - found.low, rel=0.25)
    rows = gs.what_can_be_told(TEST, faults=[]).rows
    both = list(zip(rows, fit.parameters, strict=False))
    expected, fitted = np.array([(r.high - r.low, p.high - p.low) for r, p in both]).T
    assert np.median(np.abs(expected / fitted - 1.0)) < 0.25
    # a scale that is off like a fault is told, one within the spread of healthy machines is not
    assert told.identifiable
    assert found.identifiable
    scales = [(r.identifiable, p.identifiable) for r, p in both if r.name.startswith("scale ")]
    assert scales == [(False, False), (False, False)]


def test_circle_tells_friction_by_the_closed_form_and_square_does_not():
    """One play r in x on a circle: radial deviation r |cos| with a sign, mean square r^2 / 2.

    The deviation is r sgn(sin) cos (first order in r / R, play on a circle: closed form of an
    ideal play operator), orthogonal to scale and shift; steady squares only shrink by r, which
    an unknown scale explains as well (Fisher information, nuisances projected out).
    """
    ideal = reduced((5.0, 5.0, 3.0), (50.0, 50.0, 50.0), racking=2000.0, middle=(215.0, 200.0))
    point = 0.012
    told = {}
    for shape in ("circle", "square"):
        test = gs.ring_test(
            (shape,), largest=60.0, smallest=60.0, centre=(215.0, 200.0), start_deg=45.0, passes=2
        )
        piece = planned_piece(test, ideal, noise=Noise(point, 1e-6, 1e-6, 1.0))
        keep = piece.piece.lines[1:]  # the second pass: steady
        weight = np.where(piece.bins.line == 1, 1.0, 1e-9)
        piece = dataclasses.replace(piece, weight=weight, sizes=1e-9 * piece.sizes)
        moved = [ideal.set(f, ideal.value(f) + d) for f, d in
                 (("carriage.friction", 1e-4), ("scale_x", 1e-4), ("scale_y", 1e-4))]  # fmt: skip
        _, slopes = piece.linearise(ideal, moved, ["x", "x", "y"], 1e-4, np.zeros(piece.n_nuisance))
        scale = np.array([1.0, *[1e5] * 2])  # scales as good as unknown
        white = piece.metric.columns(slopes[:, :3] * scale)
        placed = piece.without(np.hstack([slopes[:, 1:3] * 1e2, slopes[:, 3:6]]))
        told[shape] = float(placed.product(white[:, 0], white[:, 0]))
        points = len(keep[0].xy)
        if shape == "circle":
            closed = 0.5 * points / (50.0 * point) ** 2  # r = F / k: dr/dF = 1/50 mm/N
            assert told[shape] == pytest.approx(closed, rel=0.1)
    assert told["circle"] > 100.0 * told["square"]


@pytest.mark.slow
def test_a_slow_single_circle_is_blind_to_what_needs_speed_and_to_drag_over_stiffness():
    slow = gs.ring_test(("circle",), largest=20.0, smallest=20.0, spacing=5.0, feed=3.0)
    telling = gs.what_can_be_told(slow)
    assert {"viscous drag", "moving mass"} <= set(telling.blind)
    assert not re.search(r"[a-z]_[a-z]|\bEA\b|\bhold\b", "".join(telling.blind))
    # a slack belt and play at the far end both add to what a reversal loses
    assert any(
        "stiffness left to the left belt" in words and "play of the coupling" in words
        for words in telling.blind
    )
    assert not any("steps per mm" in words for words in telling.blind)
    assert "blind to" in telling.report(tables=True)
    healthy = gs.what_can_be_told(slow, faults=["tight_carriage"])
    # more drag on a stiffer belt bends the circle as before: F / k stays
    assert any(
        w.count(" with ") == 1 and "drag of the carriage" in w and "X belt" in w
        for w in healthy.blind
    )


def test_blind_direction_of_a_sum_that_alone_is_measured():
    """Only a + b is measured: a - b stays at the prior, a + b and c do not."""
    slopes = np.array([[30.0, 30.0, 0.0], [0.0, 0.0, 30.0]])
    covariance = np.linalg.inv(np.eye(3) + slopes.T @ slopes)
    words = blind_directions(covariance, ["drag", "slack", "scale"])
    assert words in (("drag against slack",), ("slack against drag",))


def test_power_names_twins_and_misses_what_does_not_show():
    names = ("tight_wheels_right", "coupler_backlash", "scale_y")
    few = gs.ring_test(("circle",), spacing=10.0, largest=40.0, smallest=20.0)
    telling = gs.what_can_be_told(few, faults=names)
    power = {p.fault: p for p in telling.power}
    assert power["tight_wheels_right"].seen > 0.95
    assert power["tight_wheels_right"].size == pytest.approx(9.0)
    # far from its usual size play draws what tight wheels draw: a line through that size misses it
    assert power["tight_wheels_right"].confused_with == ("coupler_backlash",)
    assert power["scale_y"].confused_with == ()
    telling = gs.what_can_be_told(TEST, faults=["loose_wheels_left", "out_of_square"])
    assert telling.power[0].seen < 0.5
    assert telling.row("loose_wheels_left").left == pytest.approx(1.0, abs=0.15)


def test_circles_and_squares_are_compared_at_equal_length():
    for test in (TEST, gs.ring_test(("circle",), largest=20.0), gs.ring_test(("square",))):
        circles, squares = shapes_apart(test)
        assert burned_length(circles) == pytest.approx(burned_length(squares))
        assert {n.shape for n in circles.nests} == {"circle"}
        assert {n.shape for n in squares.nests} == {"square"}
    burned = [s for s in SMALL.strokes(0.1) if s.shape != "travel"]
    drawn = sum(float(np.hypot(*np.diff(s.xy, axis=0).T).sum()) for s in burned)
    assert burned_length(SMALL) == pytest.approx(drawn, rel=1e-4)


def test_telling_shows_itself():
    mpl.use("Agg")
    said: list[str] = []
    names = ["coupler_backlash", "slack_belt_x"]
    telling = gs.what_can_be_told(SMALL, faults=names, progress=said.append)
    assert len(said) == 6  # two faults of the whole, of circles and of squares
    assert "Identifiability(" in repr(telling)
    assert "<table>" in telling._repr_html_()
    short, long = telling.report().splitlines(), telling.report(tables=True).splitlines()
    assert len(short) <= 10 < len(long)
    assert short[:-1] == long[: len(short) - 1]
    assert not re.search(r"[a-z]_[a-z]|\bEA\b|relative", telling.report())
    assert telling.to_dict()["circles"]["rows"][-1]["name"] == "slack_belt_x"
    seen = {p.fault: p.seen for p in telling.power}
    for name, noun in (("coupler_backlash", "play of the coupling"), ("slack_belt_x", "X belt")):
        (row,) = [r for r in short if noun in r and not r.startswith(("Within", "Hard", "Circles"))]
        assert row.startswith("Faults") == (seen[name] >= 0.95)
    ax = telling.plot()
    assert len(ax.get_yticks()) == len(telling.rows)
    assert telling.plot(ax) is ax
    other = gs.what_can_be_told(TEST, faults=["coupler_backlash"])
    assert "play of the coupling" in telling.compare(other, ("small", "large"))
    assert other.row("coupler_backlash").left < 1.05 * telling.row("coupler_backlash").left
    mpl.pyplot.close("all")


def test_bad_requests_get_a_sentence():
    with pytest.raises(ValueError, match="tight_wheels_left"):
        gs.what_can_be_told(TEST, faults=["tight_whels"])
    with pytest.raises(ValueError, match="travels from 0 to 430"):
        gs.what_can_be_told(gs.ring_test(centre=(10.0, 200.0)))
    with pytest.raises(ValueError, match="accepted are"):
        gs.what_can_be_told(SMALL, faults=[]).row("colour")


def test_usual_size_is_the_median_of_the_prior():
    rng = np.random.default_rng(8)
    for kind in gs.Machine().catalogue().modelled:
        if kind.variant == "left and right":
            continue  # the larger of two: said to be that of one
        draws = rng.standard_normal((4001, len(kind.parameters)))
        sizes = [
            abs(kind.magnitude(*(q.value(u) for q, u in zip(kind.parameters, row, strict=True))))
            for row in draws
        ]
        own = [q.value(float(u)) for q, u in zip(kind.parameters, kind.usual_numbers, strict=True)]
        assert abs(kind.magnitude(*own)) == pytest.approx(np.median(sizes), rel=0.06), kind.name


# Next test


def asked(instrument: Instrument, source: str) -> Candidate:
    """The candidate of an instrument whose sheet is of that source."""
    found = instrument.candidates(gs.Machine(), (TEST,))
    return next(c for c in found if c.sheet is not None and c.sheet.source == source)


@pytest.fixture(scope="module")
def finding() -> gs.Finding:
    machine = gs.Machine().with_faults(gs.faults.TightWheels("left", 2.0))
    return gs.diagnose(lift(machine, TEST, noise=0.012))


def test_next_test_prefers_where_the_explanations_differ(finding):
    moved = gs.ring_test(spacing=7.0, largest=28.0, centre=(396.0, 34.0), feed=30.0)
    tones = [asked(BeltTones(), f"{belt} belt") for belt in ("right", "x")]
    choice = [TEST, moved, *tones, asked(Calipers(), "calipers")]
    ranked = gs.next_test(finding, candidates=choice)
    by = {p.words: p for p in ranked}
    again, elsewhere = (
        next(p for p in ranked if p.test is not None and p.test is t) for t in (TEST, moved)
    )
    assert elsewhere.gain > 2.0 * again.gain > 0.0
    assert elsewhere.right[1] > elsewhere.right[0]
    assert elsewhere.right[0] == again.right[0]
    # no explanation that is alive touches the X belt: plucking it tells nothing
    blind = by[tones[1].words]
    assert blind.gain == pytest.approx(0.0, abs=1e-9)
    assert "next to nothing" in blind.settles
    rate = [p.worth_per_minute for p in ranked]
    assert rate == sorted(rate, reverse=True)
    same = gs.next_test(finding, candidates=choice)
    assert [p.gain for p in same] == [p.gain for p in ranked]


def test_next_test_under_a_budget_and_in_words(finding):
    said: list[str] = []
    ranked = gs.next_test(
        finding,
        candidates=[
            TEST,
            asked(BeltTones(), "right belt"),
            asked(PushByHand(), "right, motor holding"),
            Look.of(gs.Machine().catalogue().named("coupler_backlash"), gs.Machine()),
        ],
        minutes=5.0,
        progress=said.append,
    )
    assert len(said) == 3
    assert all(p.test is None and p.minutes <= 5.0 for p in ranked)
    assert [p.worth for p in ranked] == sorted((p.worth for p in ranked), reverse=True)
    tone = next(p for p in ranked if "pluck" in p.words)
    assert "stiffness left to the right belt" in tone.settles
    assert "expected probability of the right one of the two from" in tone.report()
    assert "laser disconnected" in tone.report()
    assert tone.to_dict()["test"] is None
    assert "Proposal(" in repr(tone)
    with pytest.raises(ValueError, match="fits in 1 minutes"):
        gs.next_test(finding, candidates=[TEST], minutes=1.0)


def test_the_default_candidates_fit_the_machine_and_cost_what_they_take():
    machine = gs.Machine()
    tests = burn_tests(TEST, machine)
    assert 30 <= len(tests) <= 50
    assert tests[0] is TEST
    assert {shape for t in tests for shape in (n.shape for n in t.nests)} == {"circle", "square"}
    assert {n.direction for t in tests for n in t.nests} == {"ccw", "cw"}
    for test in tests:
        check_travel(machine, np.concatenate([s.xy for s in test.strokes(5.0)]))
    seconds = gs.simulate(machine, SMALL, inertia=True).duration
    assert 60.0 * PointsOfPiece(minutes=0.0).cost(SMALL) == pytest.approx(seconds, rel=0.02)


def test_hand_readings_follow_the_machine():
    machine = gs.Machine()
    slack = machine.with_faults(gs.faults.SlackBelt("left", stiffness_factor=0.5, pretension=5.0))
    tones = asked(BeltTones(), "left belt").sheet
    # a quarter of the tension gives half the tone (string formula of the tension meters)
    assert tones.predict(machine) / tones.predict(slack) == pytest.approx([2.0, 2.0])
    tight = machine.with_faults(gs.faults.TightWheels("left", 6.0))
    push = asked(PushByHand(), "left, motor off").sheet
    keep = [r.what for r in push.readings].index("keep_forward_n")
    more = push.predict(tight) - push.predict(machine)
    assert more[keep] == pytest.approx(6.0, rel=0.05)
    assert np.all(push.expected(tight).uncertainty > 0.0)
    wide = machine.with_faults(gs.faults.ScaleError("x", 0.01))
    caliper = asked(Calipers(), "calipers").sheet
    wider = caliper.predict(wide) - caliper.predict(machine)
    assert wider[0] == pytest.approx(0.56, abs=0.02)  # 1 % of 56 mm along X
    assert wider[2] == pytest.approx(0.0, abs=0.02)  # none along Y


def test_diagnosis_and_planning_read_the_same_calipers():
    """One square between jaws, whoever asks: the candidate's sheet and the reader's agree."""
    machine = gs.Machine().with_faults(gs.faults.TightWheels("left", 9.0))
    planned = asked(Calipers(), "calipers").sheet.expected(machine)
    term = planned.likelihood_term(gs.Machine())
    assert term.residual(machine, np.zeros(term.n_nuisance)) == pytest.approx(0.0, abs=1e-6)


def test_a_flat_is_carried_to_another_piece():
    machine = gs.Machine()
    problem = Problem(machine, (planned_piece(TEST, machine),))
    mode = solve(problem, (), problem.start(()))
    (_, piece), *_ = problem.burned
    flats = machine.catalogue().sought
    assert {flat.name for flat in flats} == {"wheel_flat_left", "wheel_flat_right"}
    for flat in flats:
        placed, _ = flat.placed(problem, mode)
        again = placed.shown_on(piece)
        assert placed.pattern is not None
        assert again.pattern is not None
        assert np.abs(again.pattern[0] - placed.pattern[0]).max() < 0.02
        other = planned_piece(SMALL, machine)
        shown = placed.shown_on(other).pattern
        assert shown is not None
        assert shown[0].shape == (other.bins.count.size, 2)


def test_a_flat_that_cannot_show_is_as_likely_as_before():
    """Nothing is left over of an exact piece: no place along the rail is better than the mean."""
    machine = gs.Machine()
    problem = Problem(machine, (planned_piece(SMALL, machine),))
    mode = solve(problem, (), problem.start(()))
    for flat in machine.catalogue().sought:
        placed, paid = flat.placed(problem, mode)
        # log 75 = 4.3 would be the price of a place chosen among all
        found = extend(problem, mode, placed).evidence - paid
        assert found == pytest.approx(mode.evidence, abs=0.7)


def test_a_planned_piece_is_its_own_prediction():
    machine = gs.Machine().with_faults(gs.faults.TightWheels("left", 9.0))
    piece = planned_piece(SMALL, gs.Machine(), machine)
    problem = Problem(gs.Machine(), (piece,))
    kinds = gs.Machine().catalogue().of_name("tight_wheels_left")
    u = problem.start(kinds)  # 9 N is the median of its prior
    (residual,) = Evaluator(problem, kinds).at(u)
    # points lie on chords of at most 1 mm: inside the smallest circle by s^2 / (8 R)
    assert np.abs(residual).max() < 1.0 / (8.0 * SMALL.nests[0].sizes[0])
    assert np.abs(residual).mean() < 3e-3
    assert piece.piece.n_points == pytest.approx(burned_length(SMALL), rel=0.02)
