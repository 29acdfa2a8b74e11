"""Every group comes with the reason why a burn cannot split it."""

from __future__ import annotations

import itertools

import pytest

from gantrysim.inverse import reasons
from gantrysim.inverse.hypotheses import KINDS

NAMES = list(dict.fromkeys(kind.name for kind in KINDS))


@pytest.mark.parametrize(
    ("one", "other", "why"),
    [
        (("tight_wheels_left",), ("slack_belt_left",), reasons.FRICTION),
        (("tight_carriage",), ("slack_belt_x",), reasons.FRICTION),
        (("coupler_slip",), ("out_of_square",), reasons.TWINS),
        (("slack_belt_left",), ("slack_belt_right",), reasons.SIDES),
        (("tight_wheels_left",), ("slack_belt_right",), reasons.SIDES),
        (("loose_wheels_left",), ("loose_wheels_right",), reasons.SIDES),
        (("coupler_backlash",), ("slack_belt_right",), reasons.FAR),
        (("scale_x",), ("scale_y",), reasons.SCANNER),
        ((), ("loose_wheels_left",), reasons.FAINT),
        (("scale_x",), ("scale_x", "wheel_flat_left"), reasons.FAINT),
        (("scale_x", "tight_carriage"), ("scale_x", "slack_belt_x"), reasons.FRICTION),
        (("loose_carriage",), ("coupler_slip",), reasons.ALIKE),
        ((), ("scale_x",), reasons.FAINT),
        (("lost_steps",), ("unlisted",), reasons.TORN),
    ],
)
def test_reason_names_the_mechanism(one: tuple[str, ...], other: tuple[str, ...], why: str) -> None:
    assert reasons.why_alike(one, other) == why
    assert reasons.why_alike(other, one) == why


def test_every_pair_of_explanations_has_a_sentence() -> None:
    for a, b in itertools.combinations(NAMES, 2):
        sentence = reasons.why_alike((a,), (b,))
        assert sentence
        assert not sentence.endswith(".")
