"""Slips in how a piece was stated: named where they show, silent where all is as stated."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from slips import HOW, TEST, explained, handed_in, healthy_machine

import gantrysim as gs
from gantrysim.decisions.misstatements import screened
from gantrysim.decisions.restatements import ODDS, RingSeen, restatements
from gantrysim.instruments.scanner import ScannerError

TIGHT_LEFT = (gs.faults.TightWheels("left", 10.0),)
TIGHT = gs.Machine().with_faults(*TIGHT_LEFT)
#: The rings of `TEST` exactly as commanded.
AS_SAID = {
    (nest.shape, k): RingSeen(size, 0.0) for nest in TEST.nests for k, size in enumerate(nest.sizes)
}


def points(xy: np.ndarray) -> gs.Piece:
    """The same points on the outermost square and circle."""
    lines = [
        gs.pattern.Line(nest.shape, len(nest.sizes) - 1, nest.sizes[-1], -1, xy)
        for nest in TEST.nests
    ]
    return gs.Piece(TEST, tuple(lines), "made by the test")


PIECE = points(np.random.default_rng(1).uniform(-30.0, 30.0, (12, 2)))


@pytest.mark.parametrize(
    ("kind", "burned"),
    [
        ("direction", {"direction": "cw"}),
        ("order", {"order": "outside_in"}),
        ("sizes", {"spacing": 7.35, "largest": 36.75}),
        ("centre", {"centre": (210.0, 200.0)}),
    ],
)
def test_the_test_that_was_burned_is_among_the_restatements(
    kind: str, burned: dict[str, object]
) -> None:
    test = gs.ring_test(**{**HOW, **burned})
    seen = {
        (nest.shape, k): RingSeen(size, 0.0)
        for nest in test.nests
        for k, size in enumerate(nest.sizes)
    }
    found = {slip.piece.test: slip for slip in restatements(PIECE, seen)}
    assert found[test].kind == kind
    assert all(line.size == test.nest(line.shape).sizes[-1] for line in found[test].piece.lines)


def test_each_kind_keeps_its_odds_however_many_ways_it_has() -> None:
    found = restatements(PIECE, AS_SAID)
    for kind in ("start", "direction", "order", "centre", "turned", "mirrored"):
        ways = [slip for slip in found if slip.kind == kind]
        assert sum(math.exp(slip.log_odds) for slip in ways) == pytest.approx(ODDS[kind])
        assert len({slip.words for slip in ways}) == len(ways)
    assert not [slip for slip in found if slip.kind == "sizes"]  # they are as the test says


def test_a_slip_says_once_what_is_the_same_of_both_shapes() -> None:
    said = {slip.kind: slip.words for slip in restatements(PIECE, AS_SAID)}
    alike = "it looks burned clockwise; the test says counter-clockwise"
    words = {slip.words for slip in restatements(PIECE, AS_SAID) if slip.kind == "direction"}
    assert alike in words
    one = "it looks burned clockwise (circles) and counter-clockwise (squares); the test says"
    assert any(each.startswith(one) for each in words)
    assert "degrees (circles) and" in said["start"]


def test_sizes_that_follow_no_spacing_are_no_other_test() -> None:
    seen = {k: RingSeen(1.05 * ring.size, 0.0) for k, ring in AS_SAID.items()}
    assert [slip.kind for slip in restatements(PIECE, seen)].count("sizes") == 1
    seen["circle", 2] = RingSeen(seen["circle", 2].size + 1.0, 0.0)
    assert [slip.kind for slip in restatements(PIECE, seen)].count("sizes") == 0


def test_a_turned_or_mirrored_piece_is_put_right() -> None:
    xy = PIECE.lines[0].xy
    turn = np.array([[0.0, -1.0], [1.0, 0.0]])  # a quarter counter-clockwise
    done = {
        "turned by 90 degrees counter-clockwise": xy @ turn.T,
        "upside down": -xy,
        "mirrored left to right": xy * [-1.0, 1.0],
        "mirrored about a diagonal": xy[:, ::-1],
    }
    for words, moved in done.items():
        slips = [slip for slip in restatements(points(moved), AS_SAID) if words in slip.words]
        assert len(slips) == 1
        np.testing.assert_allclose(slips[0].piece.lines[0].xy, xy, atol=1e-12)


def test_the_scanner_turns_with_the_points() -> None:
    # S of the scanner moves a point p to S p; put right by T it must still be T S T' up to a turn
    scanner = ScannerError((1e-3, 4e-4, 3e-4), np.diag([1e-6, 4e-8, 9e-8]))
    piece = dataclasses.replace(PIECE, scanner=scanner)
    for slip in restatements(piece, AS_SAID):
        seen = slip.piece.scanner.matrix
        right = slip.turn @ scanner.matrix @ slip.turn.T
        np.testing.assert_allclose(seen.T @ seen, right.T @ right, atol=1e-6)


def test_an_unknown_quarter_turn_costs_nothing() -> None:
    lost = dataclasses.replace(PIECE, quarter_known=False)
    turned = [slip.log_odds for slip in restatements(lost, AS_SAID) if slip.kind == "turned"]
    assert turned == [0.0, 0.0, 0.0]


def alarms(piece: gs.Piece) -> dict[str, float]:
    """Gains of more than 3 nats over a piece as stated, by their words."""
    found = screened(*explained(piece))
    return {slip.words: slip.log_gain for slip in found if slip.log_gain > 3.0}


def recognised(kind: str, piece: gs.Piece) -> bool:
    """Whether the likeliest slip is of a kind and names what holds the left side of `TIGHT`."""
    best = screened(*explained(piece))[0]
    named = {fault.name for fault in best.faults}
    left = {"tight_wheels_left", "slack_belt_left"}  # one lag, more drag or less stiffness
    return best.kind == kind and best.log_gain > 10.0 and named <= left and bool(named)


def test_a_test_burned_clockwise_is_recognised() -> None:
    assert recognised("direction", handed_in(TIGHT, gs.ring_test(**{**HOW, "direction": "cw"})))


def test_a_piece_turned_by_a_quarter_is_recognised() -> None:
    assert recognised("turned", handed_in(TIGHT, turn_deg=92.0))


def test_a_piece_that_lies_on_its_corner_is_taken_for_no_fault() -> None:
    assert recognised("turned", handed_in(TIGHT, turn_deg=137.0))


@pytest.mark.study
@pytest.mark.parametrize(
    ("kind", "burned"),
    [
        ("order", {"order": "outside_in"}),
        ("sizes", {"spacing": 7.35, "largest": 36.75}),
    ],
)
def test_another_test_is_recognised(kind: str, burned: dict[str, object]) -> None:
    """Where a ring starts shows too little to be named; it blames nobody else either."""
    assert recognised(kind, handed_in(TIGHT, gs.ring_test(**{**HOW, **burned})))


@pytest.mark.slow
def test_other_sizes_are_recognised_though_rings_foretell_each_other_a_little_worse() -> None:
    """A thousand nats gained are not struck out by ten lost in foretelling one ring from others."""
    larger = gs.ring_test(**{**HOW, "spacing": 7.35, "largest": 36.75})
    best = screened(*explained(handed_in(gs.Machine(), larger)))[0]
    assert best.kind == "sizes"
    assert best.log_gain > 500.0


def test_a_piece_as_stated_raises_no_alarm() -> None:
    assert alarms(handed_in(TIGHT)) == {}


def test_a_fault_that_was_not_tried_as_stated_makes_no_slip() -> None:
    problem, modes = explained(handed_in(TIGHT))
    healthy = [mode for mode in modes if not mode.faults]
    assert [slip.words for slip in screened(problem, healthy) if slip.log_gain > 3.0] == []


@pytest.mark.study
@pytest.mark.parametrize("seed", range(6))
def test_machines_drawn_from_the_healthy_scatter_raise_no_alarm(seed: int) -> None:
    faults = ((), TIGHT_LEFT, (gs.faults.SlackBelt("right", 0.5),))[seed % 3]
    assert alarms(handed_in(healthy_machine(seed).with_faults(*faults), seed=seed)) == {}


@pytest.mark.slow
def test_a_torn_figure_is_torn_however_it_is_stated() -> None:
    whole = handed_in(TIGHT)
    torn = [
        dataclasses.replace(line, xy=line.xy + np.array([4.0, 1.0])) if line.ring > 1 else line
        for line in whole.lines
    ]
    slips = screened(*explained(dataclasses.replace(whole, lines=tuple(torn))))
    assert slips[0].kind == "turned"  # so it looks; taken at its word it gains hundreds of nats
    assert all(slip.log_gain <= 0.0 for slip in slips)


@pytest.mark.study
def test_pieces_of_two_machines_are_told_apart() -> None:
    other = gs.Machine().with_faults(gs.faults.TightWheels("right", 10.0))
    slips = screened(*explained(handed_in(TIGHT, seed=1), handed_in(other, seed=2)))
    assert slips[0].kind == "machine"
    assert slips[0].log_gain > 20.0
    same = screened(*explained(handed_in(TIGHT, seed=1), handed_in(TIGHT, seed=2)))
    assert not [slip for slip in same if slip.log_gain > 3.0]


def test_the_same_piece_is_refused_when_handed_in_twice() -> None:
    again = dataclasses.replace(PIECE, source="a copy")
    for twice in ((PIECE, PIECE), (PIECE, again)):
        with pytest.raises(ValueError, match="is handed in twice; the same readings count once"):
            gs.diagnose(twice)
