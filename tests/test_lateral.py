"""Sideways float of the gantry on its rails and of a loose carriage across the beam.

Statics of one mass on springs with play, and a mass that slides against friction.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

import gantrysim as gs
from gantrysim.mechanics.assembly import X_NAMES, x_block, y_block
from gantrysim.mechanics.dynamics import march_in_time, swung
from gantrysim.mechanics.planner import Motion, timeline
from gantrysim.mechanics.quasistatic import march, spot

ACCELERATION = 800.0  # mm/s^2


def _accelerated(machine: gs.Machine, sign: float) -> float:
    """Lateral displacement of the beam while the carriage accelerates evenly along +x or -x, mm."""
    return float(_pulled(machine, 0, np.full(50, sign * ACCELERATION), "lateral")[-1])


def _pulled(machine: gs.Machine, axis: int, pull: np.ndarray, part: str) -> np.ndarray:
    """A coordinate of the X block while one axis is accelerated, mm/s^2 at each sample; mm."""
    along, none = np.zeros((2, len(pull), 2))
    along[:, axis] = pull
    motion = Motion(
        xy=np.full_like(none, 200.0), dt=np.full(len(pull), 1e-3), speed=none[:, 0],
        velocity=none, acceleration=along, jump=none,
    )  # fmt: skip
    q, _ = march(x_block(machine), motion, 0)
    return q[:, X_NAMES.index(part)]


def test_reaction_of_the_carriage_presses_the_beam_back() -> None:
    machine = gs.Machine()
    force = machine.carriage.mass * ACCELERATION * 1e-3  # N
    both = machine.left.side_stiffness + machine.right.side_stiffness
    assert _accelerated(machine, 1.0) == pytest.approx(-force / both, rel=1e-9)
    assert _accelerated(machine, -1.0) == pytest.approx(force / both, rel=1e-9)


def test_play_is_used_up_first() -> None:
    loose = gs.Machine().set_many({"left.side_gap": 0.06, "right.side_gap": 0.06})
    firm, free = _accelerated(gs.Machine(), 1.0), _accelerated(loose, 1.0)
    assert free == pytest.approx(firm - 0.03, rel=1e-6)


def test_one_tight_plate_holds_the_other() -> None:
    one = gs.Machine().set("right.side_gap", 5.0)
    assert _accelerated(one, 1.0) == pytest.approx(2.0 * _accelerated(gs.Machine(), 1.0), rel=1e-9)


def test_nothing_moves_sideways_in_the_slow_limit() -> None:
    test = gs.ring_test(spacing=10.0, largest=30.0)
    loose = gs.Machine().set_many({"left.side_gap": 0.1, "right.side_gap": 0.1})
    for a, b in zip(
        gs.simulate(loose, test).lines, gs.simulate(gs.Machine(), test).lines, strict=True
    ):
        np.testing.assert_allclose(a.xy, b.xy, atol=1e-12)


def test_lateral_displacement_moves_the_spot_by_itself() -> None:
    machine = gs.Machine()
    q_y = np.full((3, 4), 100.0)
    q_x = np.tile([50.0, 0.0, 50.0, 0.0, 0.0], (3, 1))
    q_x[1:, X_NAMES.index("lateral")] = 0.02
    q_x[2, X_NAMES.index("across")] = 0.03
    moved = np.diff(spot(machine, q_y, q_x), axis=0)
    np.testing.assert_allclose(moved, [[0.02, 0.0], [0.0, 0.03]], atol=1e-12)


GAP, RUB = 0.16, 12.0
LOOSE = gs.Machine().with_faults(gs.faults.LooseCarriage(GAP, rub=RUB))
#: What rubs against its sliding across, N: flanks that touch 0.85 of half the base off its middle.
HELD = RUB / (0.85 * 30.0)


def test_a_loose_carriage_is_thrown_across_once_its_rub_gives() -> None:
    car = LOOSE.carriage
    assert car.wheel_base == 60.0
    stiffness = car.yaw_stiffness * 1e3 / 30.0**2  # of the wheels at both ends, N/mm
    for sign in (1.0, -1.0):
        held, thrown = 0.9 * HELD / car.mass * 1e3, 1.5 * HELD / car.mass * 1e3  # mm/s^2
        pull = sign * np.repeat([held, thrown, 0.0, -held, -thrown], 10)
        across = _pulled(LOOSE, 1, pull, "across")[9::10]
        assert abs(across[0]) < 1e-3  # held by what rubs
        far = GAP / 2.0 + 0.5 * HELD / stiffness  # to the end of its play, against its wheels
        assert across[1] == pytest.approx(-sign * far, rel=1e-4)
        assert across[2:4] == pytest.approx([-sign * far] * 2, abs=2e-3)  # and stays there
        assert across[4] == pytest.approx(sign * far, rel=1e-4)
    assert np.abs(_pulled(gs.Machine(), 1, np.full(20, 3000.0), "across")).max() < 3e-3


def test_a_swinging_carriage_slides_across_as_its_force_less_friction_lets_it() -> None:
    h, acceleration = 1e-4, 2.0 * HELD / LOOSE.carriage.mass * 1e3
    test = gs.ring_test(("circle",), spacing=10.0, largest=10.0)
    course = replace(timeline(test, test.strokes(1.0)), arrival=np.linspace(0.0, 0.1, 101))
    block = x_block(LOOSE)
    stage = 1.0 - math.sqrt(0.5)
    steps = np.arange(math.ceil(course.arrival.max() / h) + 2)[:, None]
    speeds = np.minimum(acceleration * h * (steps + np.array([stage, 1.0])), acceleration * 0.012)
    run = march_in_time(block, course, 0, time_step=h, ridden=speeds)
    k = X_NAMES.index("across")
    across, speed = run.q[:, k], run.v[:, k]
    pushed = (course.arrival > 0.002) & (course.arrival < 0.011)
    assert -GAP / 2.0 < across[pushed].min() < -0.06
    # thrown with 2 R it keeps R w as energy, and R delta / 2 from before friction was whole
    kept = HELD * (0.5 * block.presliding[k] - across[pushed])
    energy = 0.5e-3 * LOOSE.carriage.mass * speed[pushed] ** 2
    np.testing.assert_allclose(energy, kept, rtol=0.02)
    assert np.abs(across).max() < 1.2 * GAP / 2.0
    still = march_in_time(block, course, 0, time_step=h).q[:, k]
    assert np.abs(still).max() < 2e-3  # nothing throws it on a beam that stands still
    with pytest.raises(ValueError, match="ridden must be an array of shape"):
        march_in_time(block, course, 0, time_step=h, ridden=speeds[:-1])


def test_the_swinging_beam_throws_its_carriage() -> None:
    test = gs.ring_test(("square",), spacing=10.0, largest=20.0, centre=(100.0, 150.0))
    loose = gs.Machine().with_faults(gs.faults.LooseCarriage(GAP, rub=6.0))
    x, _ = swung(loose, timeline(test, test.strokes(0.5)), 5e-4)
    across = x.q[:, X_NAMES.index("across")]
    assert across.min() < -0.9 * GAP / 2.0
    assert across.max() > 0.9 * GAP / 2.0


def test_the_carriage_rides_where_it_is_commanded_on_the_beam() -> None:
    test = gs.ring_test(("square",), spacing=10.0, largest=20.0, centre=(100.0, 150.0))
    course = timeline(test, test.strokes(0.5))
    h, machine = 5e-4, gs.Machine().with_faults(gs.faults.TightWheels("right", 10.0))
    run = march_in_time(y_block(machine), course, 1, time_step=h)
    part = course.places(course.arrival)[:, 0] / machine.span
    want = (1.0 - part) * run.v[:, 0] + part * run.v[:, 1]
    times = h * np.arange(len(run.ridden) + 1)
    ridden = np.interp(course.arrival, times, np.append(0.0, run.ridden[:, 1]))
    assert np.abs(want).max() > 50.0
    np.testing.assert_allclose(ridden, want, atol=0.01)


def test_squares_of_a_loose_carriage_are_drawn_too_high() -> None:
    """Braked at every corner it comes to rest outward, by half its play, on sides along x."""
    test = gs.ring_test(
        ("square",), spacing=20.0, largest=40.0, acceleration=800.0, centre=(150.0, 140.0)
    )
    firm = gs.Machine().set_many({"belt_x_offset": 0.0, "carriage.mass": 0.6})
    loose = firm.with_faults(gs.faults.LooseCarriage(GAP, rub=6.0))
    burns = [gs.simulate(machine, test, feed_forces=True).lines for machine in (loose, firm)]
    for a, b in zip(*burns, strict=True):
        y = b.xy[:, 1] - b.xy[:, 1].mean()
        along_x = np.abs(b.xy[:, 0] - b.xy[:, 0].mean()) < 0.6 * a.size
        moved = (a.xy - b.xy)[along_x, 1] * np.sign(y[along_x])
        assert np.median(moved) == pytest.approx(GAP / 2.0, abs=0.015)
