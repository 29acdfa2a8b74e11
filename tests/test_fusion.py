"""Several pieces, calipers, pushes and belt tones in one posterior."""

from __future__ import annotations

import numpy as np
import pytest
from lifted import lift

import gantrysim as gs
from gantrysim.inference.problem import prepare
from gantrysim.inference.solver import Evaluator, solve
from gantrysim.machine.components import span_frequency

TEST = gs.ring_test(shapes=("circle",), spacing=8.0, largest=24.0, centre=(215.0, 200.0), passes=1)
SEED = 7


def _piece(machine: gs.Machine, seed: int) -> gs.Piece:
    return lift(machine, TEST, every=1, noise=0.01, seed=seed, told_apart=False)


def _tones(left: float) -> gs.instruments.ToneSheet:
    """Tones of spans of 300 mm of a belt of 6 g/m at the stated tension of the left belt, N."""
    tensions = (("left", left), ("right", 20.0), ("x", 20.0))
    readings = [
        gs.instruments.ToneReading(belt, 300.0, 6.0, span_frequency(n, 300.0, 6.0e-3), 1.0)
        for belt, n in tensions
    ]
    return gs.instruments.ToneSheet(tuple(readings), "invented tones")


def test_two_pieces_narrow_what_one_leaves() -> None:
    """Fused, each unknown of the machine is known at least as well as from either piece."""
    machine = gs.Machine()
    one, two = _piece(machine, 1), _piece(machine, 2)
    alone = prepare(one, machine)
    both = prepare([one, two], machine)
    n = len(alone.scatter)
    single = solve(alone, (), alone.start(()))
    fused = solve(both, (), both.start(()))
    assert fused.u.size == n + 12  # each piece has its own placement
    before, after = np.diag(single.covariance)[:n], np.diag(fused.covariance)[:n]
    assert np.all(after <= before * 1.05)
    assert after.sum() < 0.98 * before.sum()


def test_precisions_of_independent_pieces_add() -> None:
    """At one point the Hessian of the fused problem is the sum of both less one prior."""
    machine = gs.Machine()
    pieces = [_piece(machine, seed) for seed in (1, 2)]
    both = prepare(pieces, machine)
    n = len(both.scatter)
    u = both.start(())
    evaluator = Evaluator(both, ())
    whole, _ = evaluator.quadratic(u, *evaluator.linearise(u))
    parts = np.zeros((n, n))
    for piece in pieces:
        problem = prepare(piece, machine)
        one = Evaluator(problem, ())
        v = problem.start(())
        hessian, _ = one.quadratic(v, *one.linearise(v))
        parts += hessian[:n, :n] - np.eye(n)
    assert whole[:n, :n] == pytest.approx(parts + np.eye(n), rel=1e-9, abs=1e-9)


@pytest.mark.slow
def test_a_low_tone_tells_a_slack_belt_from_tight_wheels() -> None:
    machine = gs.Machine()
    slack = machine.with_faults(gs.faults.SlackBelt("left", stiffness_factor=0.5, pretension=2.0))
    piece = _piece(slack, SEED)
    alone = gs.diagnose(piece, machine)
    with_tones = gs.diagnose([piece, _tones(2.0)], machine)

    def odds(finding: gs.Finding) -> float:
        by_name = {h.name: h.log_evidence for h in finding.ranked}
        return by_name["slack_belt_left"] - by_name["tight_wheels_left"]

    assert with_tones.best.faults == ("slack_belt_left",)
    assert odds(with_tones) > odds(alone) + 5.0


def test_derivatives_of_hand_readings_match_differences() -> None:
    """Push readings against wide central differences; calipers against narrow ones."""
    machine = gs.Machine().with_faults(gs.faults.TightWheels("left", extra_force=6.0))
    push = gs.instruments.PushSheet.of(gs.push(machine, "left"), np.random.default_rng(SEED))
    burn = gs.simulate(machine, TEST, step=1.0, feed_forces=True)
    across = [
        gs.instruments.CaliperReading("circle", x.ring, x.size, f"diameter_{a}", 2.0 * x.size + 0.1)
        for x in burn.lines
        for a in (0, 45, 90, 135)
    ]
    calipers = gs.instruments.CaliperSheet(TEST, tuple(across), "invented sheet")
    kinds = gs.Machine().catalogue().of_name("tight_wheels_left")
    for sheet, small in ((push, 0.3), (calipers, 1e-3)):
        problem = prepare(sheet, gs.Machine())
        evaluator = Evaluator(problem, kinds)
        u = problem.start(kinds)
        _, (jacobian,) = evaluator.linearise(u)
        scale = np.abs(jacobian).max()
        for k in (0, 3, len(problem.scatter)):
            step = np.zeros(u.size)
            step[k] = small
            (high,), (low,) = evaluator.at(u + step), evaluator.at(u - step)
            assert jacobian[:, k] == pytest.approx((high - low) / (2 * small), abs=0.15 * scale)


def test_a_push_at_the_left_plate_finds_its_extra_drag() -> None:
    machine = gs.Machine().with_faults(gs.faults.TightWheels("left", extra_force=6.0))
    sheet = gs.instruments.PushSheet.of(
        [gs.push(machine, "left"), gs.push(machine, "right")], np.random.default_rng(SEED)
    )
    fit = gs.fit(sheet, gs.Machine(), faults=["tight_wheels_left"])
    size = fit.magnitudes["tight_wheels_left"]
    assert size.low <= 6.0 <= size.high
    assert size.high - size.low < 4.0


def test_nothing_or_a_stranger_is_refused_in_one_sentence() -> None:
    with pytest.raises(ValueError, match="nothing was measured"):
        gs.diagnose([])
    piece = _piece(gs.Machine(), SEED)
    with pytest.raises(TypeError, match="must be a Machine"):
        gs.diagnose(piece, piece)  # type: ignore[arg-type]
    with pytest.raises(TypeError, match="must be a Belief"):
        gs.diagnose(piece, belief={})  # type: ignore[arg-type]
    with pytest.raises(TypeError, match="faults must be a list of names of faults"):
        gs.fit(piece, gs.Machine(), faults="tight_wheels_left")
    with pytest.raises(ValueError, match="list of different names"):
        gs.fit(piece, gs.Machine(), faults=["scale_x", "scale_x"])
    with pytest.raises(TypeError, match="must be a Measurement or a Burn or a list of Meas"):
        gs.diagnose(TEST)  # type: ignore[arg-type]
