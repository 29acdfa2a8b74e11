"""Residuals, fits and findings: on known placements, on our own burns, on the shipped piece."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest
from lifted import lift
from shared_data import PRACTICE, beside

import gantrysim as gs
from gantrysim.inference.problem import prepare
from gantrysim.inference.search import search
from gantrysim.inference.solver import Evaluator, solve
from gantrysim.instruments.forward import Forward
from gantrysim.instruments.residual import first_placement, match

DATA = Path(__file__).resolve().parents[1] / "examples" / "data"
TEST = gs.ring_test(spacing=7.0, largest=35.0, centre=(150.0, 140.0), feed=30.0)


def test_known_placement_leaves_no_residual() -> None:
    machine = gs.Machine().with_faults(gs.faults.TightWheels("left", 10.0))
    piece = lift(machine, TEST)
    forward = Forward.of(TEST, 0.5, np.array([0.0, 45.0]))
    place = np.array([math.radians(2.0), 4.0, -3.0, 0.0, 0.0, 0.0])
    matched = match(piece, forward, place)
    run = forward.run(machine)
    burn = gs.simulate(machine, TEST, step=0.5, feed_forces=True)
    shift = np.mean(np.concatenate(burn.errors), axis=0)
    c, s = math.cos(place[0]), math.sin(place[0])
    place[1:3] += np.array([[c, -s], [s, c]]) @ shift  # the mean shift counts as placement
    left = matched.residuals(forward.places(run), place)
    # the piece has a sample every 0.5 mm, the prediction fewer where that is enough
    assert np.abs(left).max() < 0.005
    assert np.sqrt(np.mean(left**2)) < 0.001
    assert 0 < matched.dropped < 0.2 * sum(len(x.xy) for x in piece.lines)
    wrong = matched.residuals(forward.places(forward.run(gs.Machine())), place)
    assert np.sqrt(np.mean(wrong**2)) > 0.02


def test_first_placement_is_good_to_the_distortion() -> None:
    piece = lift(gs.Machine(), TEST)
    place = first_placement(piece)
    assert abs(place[0] - math.radians(2.0)) < math.radians(0.1)
    assert np.abs(place[1:3] - [4.0, -3.0]).max() < 0.1


@pytest.mark.parametrize("turn", [-44.0, -38.0, -20.0, 9.0, 33.0, 43.0, 44.9])
def test_first_placement_finds_every_turn_that_squares_show(turn: float) -> None:
    """Squares show a turn up to a quarter turn; beside 45 degrees some rings may show the other."""
    test = gs.ring_test(("square",), spacing=6.0, largest=36.0, centre=(150.0, 140.0))
    piece = lift(gs.Machine(), test, turn=math.radians(turn), noise=0.02)
    place = first_placement(piece)
    off = (math.degrees(place[0]) - turn + 45.0) % 90.0 - 45.0
    assert abs(off) < 0.2


@pytest.mark.parametrize(
    ("fault", "name", "size"),
    [
        (gs.faults.TightWheels("right", 11.0), "tight_wheels_right", 11.0),
        (gs.faults.TightCarriage(7.0), "tight_carriage", 7.0),
        (gs.faults.CouplerBacklash(0.3), "coupler_backlash", 0.3),
        (gs.faults.CouplerSlip(-0.9), "coupler_slip", -0.9),
        (gs.faults.ScaleError("x", 0.006), "scale_x", 0.006),
        (gs.faults.LooseCarriage(0.12), "loose_carriage", 0.12),
        (gs.faults.LooseCarriage(0.12, rub=18.0), "loose_carriage", 0.12),
        (gs.faults.LooseCarriage(0.15, drag_factor=0.45, rub=16.0), "loose_carriage", 0.15),
        (gs.faults.LooseCarriage(0.064, drag_factor=0.55, rub=16.0), "loose_carriage", 0.064),
    ],
)
def test_fit_brackets_a_fault_of_our_own_model(fault: object, name: str, size: float) -> None:
    piece = lift(gs.Machine().with_faults(fault), TEST, noise=0.01)
    fit = gs.fit(piece, gs.Machine(), faults=[name])
    found = fit.magnitudes[name]
    assert fit.mode.converged
    assert found.low <= size <= found.high
    assert found.high - found.low < 1.2 * abs(size)


def test_healthy_piece_blames_nobody() -> None:
    finding = gs.diagnose(lift(gs.Machine(), TEST, noise=0.01))
    assert finding.best.faults == ()
    assert not finding.best.magnitudes
    assert "nothing is wrong" in finding.report()


def test_shipped_piece_names_the_tight_left_wheels() -> None:
    # made by an independent dynamic simulator: truth 7.44 N of extra drag, left
    test = gs.read_test(DATA / "bench_test.json")
    finding = gs.diagnose(gs.read_points(DATA / "bench_piece.csv", test))
    assert finding.best.faults == ("tight_wheels_left",)
    assert finding.best.probability > 0.9
    assert finding.certain
    size = finding.best.magnitudes["tight_wheels_left"]
    assert size.low <= 7.44 <= size.high
    assert size.unit == "N"
    assert sum(h.probability for h in finding.ranked) == pytest.approx(1.0)
    # what promises nothing beside them may be there and leave no trace: it keeps a chance
    catalogue, (found,) = finding.machine.catalogue(), finding.best.faults
    weighed = {h.faults for h in finding.ranked}
    for fault in catalogue.modelled:
        if fault.name != found and catalogue.plausible(found, fault.name):
            assert tuple(sorted((found, fault.name))) in weighed
    again = json.loads(json.dumps(finding.to_dict()))
    assert again["ranked"][0]["faults"] == ["tight_wheels_left"]
    for words in ("left end plate", "To confirm it by hand", "power off", "re-home"):
        assert words in finding.report()
    assert "<table>" in finding._repr_html_()
    assert "tight_wheels_left" in repr(finding)


@pytest.mark.slow
def test_pair_of_faults_is_named_as_a_pair() -> None:
    machine = gs.Machine().with_faults(gs.faults.TightCarriage(9.0), gs.faults.OutOfSquare(3.0))
    finding = gs.diagnose(lift(machine, TEST, noise=0.01))
    # out of square and a slipped coupling are nearly the same thing on a burn: one group
    pair = ("out_of_square", "tight_carriage")
    assert pair in finding.group
    assert all("tight_carriage" in faults for faults in finding.group)
    # what drags may be taken for what gives: that was weighed beside the other in its stead
    assert ("out_of_square", "slack_belt_x") in {h.faults for h in finding.ranked}
    sizes = next(h for h in finding.ranked if h.faults == pair).magnitudes
    assert sizes["tight_carriage"].low <= 9.0 <= sizes["tight_carriage"].high
    assert sizes["out_of_square"].low <= 3.0 <= sizes["out_of_square"].high


@pytest.mark.parametrize("side", ["left", "right"])
def test_flat_on_a_wheel_is_found_by_its_local_kick(side: str) -> None:
    piece = lift(gs.Machine(), TEST, turn=0.0, shift=(0.0, 0.0), noise=0.01)
    toward = -1.0 if side == "left" else 1.0
    lines = []
    for line in piece.lines:
        xy = line.xy.copy()
        xy[:, 0] += toward * 0.04 * np.exp(-0.5 * ((xy[:, 1] - 11.0) / 2.0) ** 2)
        lines.append(gs.pattern.Line(line.shape, line.ring, line.size, line.pass_index, xy))
    finding = gs.diagnose(gs.Piece(TEST, tuple(lines), "kicked by the test"))
    (flat,) = finding.best.faults
    assert flat in ("wheel_flat_left", "wheel_flat_right")  # either flank pushes either way
    stated = {point.name: point.probability for point in finding.points}
    assert stated["wheel_flat_left"] == pytest.approx(stated["wheel_flat_right"], abs=0.1)
    depth = finding.best.magnitudes[flat]
    assert depth.low < 0.04 * 8.0 < depth.high  # one wheel of eight lets go: shift = depth / 8


def test_a_piece_unlike_any_listed_fault_is_said_to_be_so() -> None:
    piece = lift(gs.Machine(), TEST, noise=0.01)
    lines = []
    for line in piece.lines:
        about = line.xy - line.xy.mean(axis=0)
        angle = np.arctan2(about[:, 1], about[:, 0])
        swell = 1.0 + 0.15 * np.sin(5.0 * angle + line.ring)[:, None] / line.size
        xy = line.xy.mean(axis=0) + about * swell
        lines.append(gs.pattern.Line(line.shape, line.ring, line.size, line.pass_index, xy))
    finding = gs.diagnose(gs.Piece(TEST, tuple(lines), "lobed by the test"))
    assert finding.best.faults == ("unlisted",)


def test_points_of_one_ring_give_no_confident_blame() -> None:
    piece = lift(gs.Machine(), TEST, noise=0.01)
    one = gs.Piece(piece.test, piece.lines[2:3], "one ring")
    finding = gs.diagnose(one)
    assert not (finding.certain and finding.best.faults)
    assert any(not p.identifiable for p in finding.best.fit.parameters)


@pytest.mark.slow
def test_one_ring_of_a_faulty_piece_is_a_hint_and_keeps_the_truth_in_its_group() -> None:
    test = gs.read_test(DATA / "bench_test.json")
    piece = gs.read_points(DATA / "bench_piece.csv", test)
    one = [line for line in piece.lines if (line.shape, line.ring) == ("circle", 15)]
    finding = gs.diagnose(gs.Piece(test, tuple(one), "one circle"))
    assert not finding.certain
    assert ("tight_wheels_left",) in finding.group
    assert "hint, not a finding" in finding.report()
    assert finding.learned  # few rings, but they speak for the left side
    assert "Nothing was learned" not in finding.report()
    for point in finding.points[:3]:
        told = f"(probability {point.probability:.2f}): {point.noun} " in finding.report()
        assert told == (point.sized and point.probability >= 0.05)


def _two_pushes(uncertainty: float) -> gs.instruments.PushSheet:
    """What a healthy machine's left plate takes to keep moving, forward and back, N."""
    place = (215.0, 200.0)
    push = gs.push(gs.Machine(), "left", "off", place=place).to_dict()
    return gs.instruments.PushSheet(
        tuple(
            gs.instruments.PushReading("left", "off", place, what, push[what], uncertainty, 8.0)
            for what in ("keep_forward_n", "keep_back_n")
        ),
        "two pushes",
    )


@pytest.mark.slow
@pytest.mark.parametrize(
    ("uncertainty", "sentence"),
    [
        (1e4, "Nothing was learned from this: every explanation is about as likely as before."),
        (0.3, "Nothing was learned from this"),
    ],
)
def test_readings_that_tell_nothing_are_said_to(uncertainty: float, sentence: str) -> None:
    finding = gs.diagnose(_two_pushes(uncertainty))
    report = finding.report()
    assert len(finding.group) > 10
    assert not finding.learned
    assert report.count(sentence) == 1
    assert "How big:" not in report
    assert len(report.splitlines()) < 10
    page = finding._repr_html_()
    assert "Nothing was learned" in page
    against = {f for names in finding.spoken_against for f in names}
    if uncertainty > 1.0:  # no reading at all: every probability stays, by Bayes' rule
        assert max(map(abs, finding.gains.values())) < 0.05
        assert "it narrows" not in report
    else:
        assert against <= {"tight_wheels_left", "tight_wheels_right"}
        assert finding.gains[("tight_wheels_left",)] < -1.0
        narrows = "differ by: tightness of the left wheels, tightness of the right wheels."
        assert narrows in report


@pytest.mark.parametrize("turn_deg", [40.0, 90.0, 180.0])
def test_a_piece_laid_down_anyhow_is_fitted_all_the_same(turn_deg: float) -> None:
    test = gs.ring_test(
        layout="side_by_side", spacing=7.0, largest=28.0, centre=(150.0, 140.0), feed=30.0
    )
    machine = gs.Machine().with_faults(gs.faults.TightWheels("left", 9.0))
    piece = lift(machine, test, turn=math.radians(turn_deg), noise=0.01)
    fit = gs.fit(piece, gs.Machine(), faults=["tight_wheels_left"])
    assert fit.mode.converged
    assert fit.rms < 0.015
    assert (
        fit.magnitudes["tight_wheels_left"].low <= 9.0 <= fit.magnitudes["tight_wheels_left"].high
    )


def test_a_test_that_the_machine_cannot_travel_is_refused() -> None:
    far = gs.ring_test(spacing=7.0, largest=35.0, centre=(620.0, 140.0))
    near = lift(gs.Machine(), TEST)
    piece = gs.Piece(far, near.lines, "too far")
    with pytest.raises(ValueError, match="travels from 0 to 430"):
        gs.diagnose(piece)


def test_slip_and_out_of_square_look_alike() -> None:
    """1 mm of slip looks like 1.5 mrad out of square with 1.2 N more drag a plate, to a few um."""
    slip = gs.simulate(gs.Machine().with_faults(gs.faults.CouplerSlip(1.0)), TEST)
    square = gs.simulate(
        gs.Machine().with_faults(
            gs.faults.OutOfSquare(1.5),
            gs.faults.TightWheels("left", 1.2),
            gs.faults.TightWheels("right", 1.2),
        ),
        TEST,
    )
    apart = np.concatenate([a.xy - b.xy for a, b in zip(slip.lines, square.lines, strict=True)])
    apart -= apart.mean(axis=0)
    assert np.sqrt(np.mean(np.sum(apart**2, axis=1))) < 0.005


def test_every_hand_check_carries_its_caution() -> None:
    for kind in gs.Machine().catalogue().modelled:
        assert "power off" in kind.check or "laser disconnected" in kind.check, kind.name


def test_piece_that_the_test_did_not_draw_is_refused() -> None:
    piece = lift(gs.Machine(), TEST)
    line = piece.lines[0]
    extra = gs.pattern.Line(line.shape, line.ring, line.size, 5, line.xy)
    with pytest.raises(ValueError, match=r"pass"):
        gs.diagnose(gs.Piece(TEST, (*piece.lines[1:], extra), "wrong pass"))


def test_unknown_fault_name_lists_the_known_ones() -> None:
    piece = lift(gs.Machine(), TEST)
    with pytest.raises(ValueError, match="tight_wheels_left"):
        gs.fit(piece, gs.Machine(), faults=["tight_whels"])


def test_evidence_is_that_of_the_linear_model() -> None:
    """Laplace's evidence against the exact Gaussian integral of the linearised model."""
    piece = lift(gs.Machine(), TEST, noise=0.01)
    problem = prepare(piece, gs.Machine())
    mode = solve(problem, (), problem.start(()))
    (residual,), (jacobian,) = Evaluator(problem, ()).linearise(mode.u)
    (_, burned), *_ = problem.burned
    noise, _ = burned.noise.whiten(np.eye(len(residual)), burned.bins)
    precision = noise.T @ noise
    covariance = np.linalg.inv(precision) + jacobian @ jacobian.T + burned.shared @ burned.shared.T
    at_zero = residual - jacobian @ mode.u
    _, log_det = np.linalg.slogdet(covariance)
    exact = -0.5 * (at_zero @ np.linalg.solve(covariance, at_zero) + log_det)
    assert mode.evidence == pytest.approx(exact, abs=0.05)


def test_search_finds_either_sign_of_a_slip() -> None:
    kind = gs.Machine().catalogue().of_name("coupler_slip")
    for offset in (0.9, -0.9):
        piece = lift(gs.Machine().with_faults(gs.faults.CouplerSlip(offset)), TEST, noise=0.01)
        problem = prepare(piece, gs.Machine())
        mode = search(problem, kind)
        value = kind[0].parameters[0].value(mode.u[len(problem.scatter)])
        assert math.copysign(1.0, value) == math.copysign(1.0, offset)


def test_every_kind_of_fault_changes_the_machine_it_is_given() -> None:
    for kind in gs.Machine().catalogue().modelled:
        middle = [q.value(1.0) for q in kind.parameters]
        changed = kind.at(*middle).apply(gs.Machine())
        assert changed != gs.Machine(), kind.name
        assert kind.words
        assert kind.check
        assert math.isfinite(kind.magnitude(*middle))


def practice(case: str) -> tuple[gs.Finding, list[dict]]:
    """Finding on a burn of the independent simulator, and what is true of that machine."""
    folder = beside(PRACTICE / f"case-{case}")
    truth = json.loads((folder / "truth.json").read_text())["faults"]
    piece = gs.read_points(folder / "points.csv", gs.read_test(folder / "test.json"))
    return gs.diagnose(piece), truth


def stated(finding: gs.Finding, name: str) -> float:
    """Probability of a fault, over all explanations that hold it."""
    return sum(h.probability for h in finding.ranked if name in h.faults)


@pytest.mark.study
@pytest.mark.parametrize("case", ["003", "022"])
def test_practice_burns_of_the_independent_simulator(case: str) -> None:
    finding, (truth,) = practice(case)
    assert finding.best.faults == (truth["kind"],)
    size = finding.best.magnitudes[truth["kind"]]
    assert size.low <= truth["magnitude"] <= size.high


@pytest.mark.study
@pytest.mark.parametrize("case", ["006", "016"])
def test_practice_burns_that_are_not_easy_keep_the_truth(case: str) -> None:
    """The first of its kind each: a slack belt, a loose carriage.

    A twin may be likely too: the truth is more likely than not and stands in the group, no other
    fault is stated as sure, and its interval, widened from 95 to 99 %, holds the size.
    """
    finding, (truth,) = practice(case)
    kind = truth["kind"]
    assert stated(finding, kind) > 0.5
    assert any(kind in faults for faults in finding.group)
    size = next(h for h in finding.ranked if h.faults == (kind,)).magnitudes[kind]
    wider = (size.high / size.low) ** (0.5 * (2.576 / 1.960 - 1.0))  # the logarithm is normal
    assert size.low / wider <= truth["magnitude"] <= size.high * wider
    names = {name for h in finding.ranked for name in h.faults} - {kind}
    assert all(stated(finding, name) < 0.5 for name in names)


@pytest.mark.slow
@pytest.mark.parametrize("case", ["002", "019"])
def test_a_healthy_practice_burn_blames_nobody(case: str) -> None:
    finding, _ = practice(case)
    names = {name for h in finding.ranked for name in h.faults}
    assert all(stated(finding, name) < 0.5 for name in names)
