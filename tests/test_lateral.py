"""The gantry displaced sideways on its rails: statics of one mass on two springs with play."""

from __future__ import annotations

import numpy as np
import pytest

import gantrysim as gs
from gantrysim.mechanics.assembly import X_NAMES, x_block
from gantrysim.mechanics.planner import Motion
from gantrysim.mechanics.quasistatic import march, spot

ACCELERATION = 800.0  # mm/s^2


def _accelerated(machine: gs.Machine, sign: float) -> float:
    """Lateral displacement of the beam while the carriage accelerates evenly along +x or -x, mm."""
    n = 50
    xy = np.column_stack([200.0 + sign * np.linspace(0.0, 5.0, n), np.full(n, 200.0)])
    pull = np.column_stack([np.full(n, sign * ACCELERATION), np.zeros(n)])
    still = np.zeros_like(xy)
    motion = Motion(
        xy=xy, dt=np.full(n, 1e-3), speed=np.zeros(n), velocity=still, acceleration=pull, jump=still
    )
    q, _ = march(x_block(machine), motion, 0)
    return float(q[-1, X_NAMES.index("lateral")])


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
    q_y = np.tile([100.0, 100.0, 100.0, 100.0], (2, 1))
    q_x = np.array([[50.0, 0.0, 50.0, 0.0], [50.0, 0.0, 50.0, 0.02]])
    moved = np.diff(spot(machine, q_y, q_x), axis=0)[0]
    np.testing.assert_allclose(moved, [0.02, 0.0], atol=1e-12)
