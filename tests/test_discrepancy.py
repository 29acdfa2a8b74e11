"""What the model lacks, against the kinematics of a beam on two plates and the size of a lag."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

import gantrysim as gs
from gantrysim.inference.assumptions import USUAL, Assumptions
from gantrysim.inference.discrepancy import basis

MACHINE = gs.Machine()
PLACES = np.column_stack([np.linspace(40.0, 380.0, 60), np.linspace(90.0, 350.0, 60)])


def table(
    normal: tuple[float, float],
    *,
    machine: gs.Machine = MACHINE,
    moving: float = 1.0,
    assumptions: Assumptions = USUAL,
) -> np.ndarray:
    """Columns on circles for places that all have one normal and move one way."""
    count = len(PLACES)
    same = np.tile(normal, (count, 1))
    way = np.full((count, 2), moving)
    return basis(machine, PLACES, same, way, np.zeros(count), assumptions)


@pytest.mark.parametrize("normal", [(1.0, 0.0), (0.0, 1.0), (0.6, -0.8)])
@pytest.mark.parametrize("side", ["left", "right"])
def test_an_error_of_one_plate_turns_the_beam_as_a_rigid_body(
    side: str, normal: tuple[float, float]
) -> None:
    """Run-out of one pulley lifts its end of the beam: the spot moves up and aside."""
    span, beyond = MACHINE.span, MACHINE.head.beyond
    size = 1e-3
    own = dataclasses.replace(USUAL, pulley_turn=size)
    turn = 2.0 * math.pi * PLACES[:, 1] / MACHINE.belt_left.pulley_circumference
    k = {"left": 1, "right": 2}[side]
    for wave, column in ((np.sin, k), (np.cos, 3 + k)):
        lift = size * wave(turn)
        left, right = (lift, 0.0 * lift) if side == "left" else (0.0 * lift, lift)
        yaw = np.arctan2(right - left, span)
        # the spot lies beyond the beam, square to it
        moved = np.column_stack(
            [
                -beyond * np.sin(yaw),
                left + PLACES[:, 0] * np.tan(yaw) + beyond * (np.cos(yaw) - 1.0),
            ]
        )
        found = table(normal, assumptions=own)[:, column]
        assert found == pytest.approx(moved @ np.array(normal), abs=2e-8)


def odd_sizes(machine: gs.Machine, normal: tuple[float, float]) -> np.ndarray:
    """What turns over with the direction of motion: its standard deviation at each place, mm."""
    forth, back = (table(normal, machine=machine, moving=way) for way in (1.0, -1.0))
    return np.sqrt(np.sum((0.5 * (forth - back)) ** 2, axis=1))


def test_what_turns_over_with_the_motion_is_a_few_per_cent_of_the_lag() -> None:
    """The lag is that of the carriage's drag on two belt spans, k = EA (1/L1 + 1/L2), by hand."""
    drag = 40.0
    machine = MACHINE.set("carriage.friction", drag)
    first = machine.belt_x.near + PLACES[:, 0].mean()
    stiffness = machine.belt_x.ea * (1.0 / first + 1.0 / (machine.belt_x.loop - first))
    share = odd_sizes(machine, (1.0, 0.0)).max() / (drag / stiffness)
    assert share == pytest.approx(USUAL.odd_share, rel=1e-3)  # yaw of the plates adds a little
    assert 0.02 < share < 0.08  # ripple and dirt, a few per cent each (common practice, no source)
    easy = MACHINE.set_many({f"{part}.friction": 0.01 for part in ("carriage", "left", "right")})
    assert odd_sizes(easy, (1.0, 0.0)).max() == pytest.approx(USUAL.odd_least, rel=0.02)
