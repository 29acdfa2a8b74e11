"""Every group comes with the reason why a burn cannot split it."""

from __future__ import annotations

import itertools

import pytest

import gantrysim as gs
from gantrysim.decisions import reasons

CATALOGUE = gs.Machine().catalogue()
NAMES = list(dict.fromkeys(fault.name for fault in CATALOGUE.modelled))
TWINS = next(iter(gs.faults.CouplerSlip(1.0).twins.values()))


@pytest.mark.parametrize(
    ("one", "other", "why"),
    [
        (("tight_wheels_left",), ("slack_belt_left",), reasons.FRICTION),
        (("tight_carriage",), ("slack_belt_x",), reasons.FRICTION),
        (("coupler_slip",), ("out_of_square",), TWINS),
        (("slack_belt_left",), ("slack_belt_right",), reasons.SIDES),
        (("tight_wheels_left",), ("slack_belt_right",), reasons.SIDES),
        (("loose_wheels_left",), ("loose_wheels_right",), reasons.SIDES),
        (("coupler_backlash",), ("slack_belt_right",), reasons.FAR),
        (("scale_x",), ("scale_y",), reasons.SCANNER),
        ((), ("loose_wheels_left",), reasons.FAINT),
        (("scale_x",), ("scale_x", "wheel_flat_left"), reasons.FURTHER),
        (("scale_x", "tight_carriage"), ("scale_x", "slack_belt_x"), reasons.FRICTION),
        (("loose_carriage",), ("coupler_slip",), reasons.ALIKE),
        ((), ("scale_x",), reasons.FAINT),
        (("lost_steps",), ("unlisted",), reasons.TORN),
    ],
)
def test_reason_names_the_mechanism(one: tuple[str, ...], other: tuple[str, ...], why: str) -> None:
    assert reasons.why_alike(CATALOGUE, one, other) == why
    assert reasons.why_alike(CATALOGUE, other, one) == why


#: Of all pairs of single faults, those with a mechanism of their own; the others just draw alike.
OWN = {
    reasons.FRICTION: "tight_wheels_left/slack_belt_left tight_wheels_right/slack_belt_right "
    "tight_carriage/slack_belt_x",
    reasons.SIDES: "tight_wheels_left/tight_wheels_right tight_wheels_left/slack_belt_right "
    "slack_belt_left/tight_wheels_right slack_belt_left/slack_belt_right "
    "loose_wheels_left/loose_wheels_right",
    reasons.FAR: "coupler_backlash/tight_wheels_right coupler_backlash/slack_belt_right",
    TWINS: "coupler_slip/out_of_square",
    reasons.SCANNER: "scale_x/scale_y",
}


def test_every_pair_of_faults_has_its_own_sentence() -> None:
    expected = {
        frozenset(pair.split("/")): why for why, pairs in OWN.items() for pair in pairs.split()
    }
    pairs = [frozenset(pair) for pair in itertools.combinations(NAMES, 2)]
    assert set(expected) < set(pairs)
    for pair in pairs:
        one, other = pair
        assert reasons.why_alike(CATALOGUE, (one,), (other,)) == expected.get(
            pair, reasons.ALIKE
        ), pair


@pytest.mark.parametrize("name", NAMES)
def test_one_fault_beside_none_two_or_torn(name: str) -> None:
    assert reasons.why_alike(CATALOGUE, (), (name,)) == reasons.FAINT
    assert reasons.why_alike(CATALOGUE, (name,), (name, "wheel_flat_left")) == reasons.FURTHER
    assert reasons.why_alike(CATALOGUE, (name,), ("unlisted",)) == reasons.TORN
    assert reasons.why_alike(CATALOGUE, (name,), ("lost_steps",)) == reasons.TORN


def test_sentences_are_clauses_that_differ() -> None:
    told = [*OWN, reasons.FAINT, reasons.FURTHER, reasons.TORN, reasons.ALIKE]
    assert len(set(told)) == len(told)
    assert not any(sentence.endswith(".") for sentence in told)
