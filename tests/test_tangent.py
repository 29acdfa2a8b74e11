"""Derivatives along a run against central differences of whole runs."""

from __future__ import annotations

import numpy as np
import pytest

import gantrysim as gs
from gantrysim import mechanics
from gantrysim.faults import LooseCarriage, SlackBelt, TightWheels
from gantrysim.mechanics.derivatives import spot_tangent, tangents
from gantrysim.mechanics.planner import plan

TEST = gs.ring_test(spacing=6.0, largest=24.0, centre=(140.0, 120.0), feed=40.0)
FAULTY = gs.Machine().with_faults(
    TightWheels("left", 8.0), LooseCarriage(0.1), SlackBelt("right", 0.5, 3.0)
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
    ("contact.break_away", 0.05), ("contact.overshoot", 0.2), ("contact.yield_distance", 0.005),
    ("square", 0.5), ("scale_x", 1e-3), ("scale_y", 1e-3), ("belt_left.runout", 0.02),
    ("carriage.mass", 0.05), ("contact.weight_drag", 0.01), ("belt_left.tooth_error", 0.002),
    ("belt_left.tooth_backlash", 0.01), ("motor_x.step_error", 0.002), ("belt_right.runout", 0.02),
)  # fmt: skip


def _run(machine: gs.Machine, motion: object) -> tuple[np.ndarray, ...]:
    q_y, z_y = mechanics.march(mechanics.y_block(machine), motion, 1)
    q_x, z_x = mechanics.march(mechanics.x_block(machine), motion, 0)
    return q_y, z_y, q_x, z_x


def _slopes(machine: gs.Machine, moved: list[gs.Machine], motion, run) -> np.ndarray:
    q_y, z_y, q_x, z_x = run
    parts = []
    for make, axis, q, z in (
        (mechanics.y_block, 1, q_y, z_y),
        (mechanics.x_block, 0, q_x, z_x),
    ):
        home = float(motion.xy[0, axis])
        base, blocks = make(machine), [make(m) for m in moved]
        rest = [mechanics.relaxed(b, home) for b in blocks]
        start = mechanics.relaxed(base, home)
        parts.append(tangents(base, blocks, STEP, motion, axis, q, z, start, rest))
    out = np.zeros((len(q_y), len(moved), 2))
    every = np.arange(len(moved))
    spot_tangent(machine, q_y, q_x, parts[0], every, parts[1], every, out)
    return out


@pytest.fixture(scope="module")
def slopes() -> tuple[object, np.ndarray]:
    motion = plan(TEST, TEST.strokes(1.0))
    moved = [FAULTY.set(p, FAULTY.value(p) + STEP * unit) for p, unit in PLACES]
    return motion, _slopes(FAULTY, moved, motion, _run(FAULTY, motion))


@pytest.mark.parametrize("index", range(len(PLACES)), ids=[p for p, _ in PLACES])
def test_slopes_equal_central_differences(slopes: tuple, index: int) -> None:
    motion, found = slopes
    place, unit = PLACES[index]
    small = 1e-4
    ends = []
    for sign in (1.0, -1.0):
        machine = FAULTY.set(place, FAULTY.value(place) + sign * small * unit)
        q_y, _, q_x, _ = _run(machine, motion)
        ends.append(mechanics.spot(machine, q_y, q_x))
    wanted = (ends[0] - ends[1]) / (2.0 * small)
    error = np.abs(found[:, index] - wanted)
    size = np.abs(wanted).max()
    assert size > 1e-5, "this change must be seen in the burn, or the test says nothing"
    # at the few samples where a contact changes state within the difference the slope jumps
    assert np.quantile(error, 0.99) < 1e-4 * size
    assert np.sqrt(np.mean(error**2)) < 3e-3 * size


def test_slip_of_a_set_screw_has_no_slope() -> None:
    motion = plan(TEST, TEST.strokes(1.0))
    machine = FAULTY.set("shaft.hold_force", 1.0)
    with pytest.raises(ValueError, match=r"set screw .* holds 1 N slips on this run"):
        _slopes(machine, [machine.set("left.friction", 3.5)], motion, _run(machine, motion))


def test_an_unknown_without_slope_is_refused() -> None:
    motion = plan(TEST, TEST.strokes(1.0))
    moved = FAULTY.set("belt_left.pitch_error", 6e-4)
    with pytest.raises(ValueError, match="changes the levers of the machine"):
        _slopes(FAULTY, [moved], motion, _run(FAULTY, motion))
