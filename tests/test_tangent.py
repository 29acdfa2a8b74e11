"""Derivatives along a run against central differences of whole runs."""

from __future__ import annotations

import numpy as np
import pytest

import gantrysim as gs
from gantrysim.faults import LooseCarriage, SlackBelt, TightWheels
from gantrysim.mechanics.assembly import x_block, y_block
from gantrysim.mechanics.derivatives import replay, spot_changes
from gantrysim.mechanics.planner import Motion, plan
from gantrysim.mechanics.quasistatic import march, spot

TEST = gs.ring_test(spacing=6.0, largest=24.0, centre=(140.0, 120.0), feed=40.0)
FAULTY = gs.Machine().with_faults(
    TightWheels("left", 8.0), LooseCarriage(0.1, rub=6.0), SlackBelt("right", 0.5, 3.0)
).set_many(
    {
        "belt_left.pitch_error": 5e-4, "belt_left.tooth_backlash": 0.02,
        "belt_left.tooth_error": 0.004, "motor_x.step_error": 0.003, "contact.weight_drag": 0.03,
    }
)  # fmt: skip
STEP = 1e-6

#: Fields moved one by one: (place, size of a unit change).
PLACES = (
    ("left.friction", 1.0), ("right.friction", 1.0), ("carriage.friction", 1.0),
    ("belt_left.ea", 1000.0), ("belt_right.pretension", 1.0), ("belt_x.ea", 1000.0),
    ("motor_y.hold_force", 10.0), ("shaft.stiffness", 50.0), ("shaft.slip", 0.1),
    ("left.rack_stiffness", 1.0), ("carriage.gap", 0.05), ("contact.viscous", 2.0),
    ("contact.break_away", 0.05), ("contact.overshoot", 0.2),
    ("contact.presliding_distance", 0.005),
    ("square", 0.5), ("scale_x", 1e-3), ("scale_y", 1e-3), ("belt_left.runout", 0.02),
    ("carriage.mass", 0.05), ("contact.weight_drag", 0.01), ("belt_left.tooth_error", 0.002),
    ("belt_left.tooth_backlash", 0.01), ("motor_x.step_error", 0.002), ("belt_right.runout", 0.02),
    ("belt_left.pitch_error", 1e-4), ("contact.load_drag", 0.005), ("belt_x.near", 5.0),
    ("belt_inset", 2.0), ("head.beyond", 1.0), ("carriage.rub", 1.0),
    ("carriage.yaw_stiffness", 50.0),
)  # fmt: skip


def _run(machine: gs.Machine, motion: Motion) -> tuple[np.ndarray, ...]:
    return *march(y_block(machine), motion, 1), *march(x_block(machine), motion, 0)


def _slopes(machine: gs.Machine, moved: list[gs.Machine], motion: Motion) -> np.ndarray:
    q_y, status_y, q_x, status_x = _run(machine, motion)
    y = replay(y_block(machine), [y_block(m) for m in moved], motion, 1, q_y, status_y)
    x = replay(x_block(machine), [x_block(m) for m in moved], motion, 0, q_x, status_x)
    every = range(len(moved))
    return spot_changes(machine, moved, q_y, q_x, y, every, x, every) / STEP


def _central(machine: gs.Machine, place: str, unit: float, motion: Motion) -> np.ndarray:
    small = 1e-4
    ends = []
    for sign in (1.0, -1.0):
        moved = machine.set(place, machine.value(place) + sign * small * unit)
        q_y, _, q_x, _ = _run(moved, motion)
        ends.append(spot(moved, q_y, q_x))
    return (ends[0] - ends[1]) / (2.0 * small)


@pytest.fixture(scope="module")
def slopes() -> tuple[object, np.ndarray]:
    motion = plan(TEST, TEST.strokes(1.0))
    moved = [FAULTY.set(p, FAULTY.value(p) + STEP * unit) for p, unit in PLACES]
    return motion, _slopes(FAULTY, moved, motion)


@pytest.mark.parametrize("index", range(len(PLACES)), ids=[p for p, _ in PLACES])
def test_slopes_equal_central_differences(slopes: tuple, index: int) -> None:
    motion, found = slopes
    place, unit = PLACES[index]
    wanted = _central(FAULTY, place, unit, motion)
    error = np.abs(found[:, index] - wanted)
    size = np.abs(wanted).max()
    assert size > 1e-5, "this change must be seen in the burn, or the test says nothing"
    # at the few samples where a contact changes state within the difference the slope jumps
    assert np.quantile(error, 0.99) < 1e-4 * size
    assert np.sqrt(np.mean(error**2)) < 3e-3 * size


def test_slopes_hold_where_a_set_screw_slips() -> None:
    motion = plan(TEST, TEST.strokes(1.0))
    machine = FAULTY.set("shaft.hold_force", 1.0)
    held, slipping = (_run(m, motion)[0] for m in (FAULTY, machine))
    assert np.abs(held - slipping).max() > 0.05, "the screw must slip, or the test says nothing"
    for place, unit in (("left.friction", 1.0), ("shaft.hold_force", 0.1), ("belt_right.ea", 1e3)):
        moved = machine.set(place, machine.value(place) + STEP * unit)
        found = _slopes(machine, [moved], motion)[:, 0]
        wanted = _central(machine, place, unit, motion)
        size = np.abs(wanted).max()
        assert size > 1e-4
        assert np.quantile(np.abs(found - wanted), 0.99) < 1e-3 * size, place


def test_a_replay_of_the_same_machine_does_not_stray() -> None:
    motion = plan(TEST, TEST.strokes(1.0))
    assert np.abs(_slopes(FAULTY, [FAULTY], motion)).max() == 0.0
