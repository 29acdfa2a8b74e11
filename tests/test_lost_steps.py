"""Lost steps: what a drive cannot bend is not a matter of friction or stiffness."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from lifted import lift
from shared_data import PRACTICE, beside

import gantrysim as gs
from gantrysim.faults.unmodelled import most_bend

TEST = gs.ring_test(
    shapes=("circle", "square"), spacing=6.0, largest=24.0, centre=(215.0, 200.0), passes=1
)


def _piece(jump: float) -> gs.Piece:
    """A healthy burn of which everything after the third ring stands apart in y."""
    whole = lift(gs.Machine(), TEST, turn=0.0, every=1, noise=0.01, told_apart=False)
    lines = [
        dataclasses.replace(x, xy=x.xy + np.array([0.0, jump if k > 2 else 0.0]))
        for k, x in enumerate(whole.lines)
    ]
    return gs.Piece(TEST, tuple(lines), "invented piece")


def test_most_bend_is_hold_force_over_stiffness_of_the_softer_axis() -> None:
    machine = gs.Machine()
    belt = machine.belt_x.stiffness(machine.span / 2.0)  # its softest place
    alone = machine.motor_x.hold_force * (2.0 / belt + 1.0 / machine.motor_x.stiffness)
    assert most_bend(machine) == pytest.approx(alone)
    weaker = machine.set("motor_x.hold_force", 0.5 * machine.motor_x.hold_force)
    assert most_bend(weaker) < most_bend(machine)


def test_rings_that_jumped_by_many_cycles_are_lost_steps() -> None:
    cycle = 4.0 * 0.2  # four full steps of 0.2 mm
    finding = gs.diagnose(_piece(8.0 * cycle))
    assert finding.best.faults == ("lost_steps",)
    assert "lost steps" in finding.report()
    assert "jam" in finding.report()
    with pytest.raises(ValueError, match="lost_steps"):
        gs.next_test(finding)
    assert finding.best.probability > 0.9
    with pytest.raises(ValueError, match="nothing can be predicted"):
        gs.will_hold(finding, TEST, gs.Tolerance(roundness=0.2), draws=20)
    log = gs.new_log(None, gs.Machine(), name="Alder").burned(finding.pieces[0], finding)
    advice = finding.adjustments()
    assert log.adjusted(advice.adjustments[0]).report()
    # common practice, no source: what makes a motor lose its steps, or a belt its teeth
    check = next(c for c in advice.checks if c.fault == "lost_steps")
    for words in ("grub screws", "tooth", "motor current", "rail", "maker's manual"):
        assert words in check.words, words
    for words in ("pencil line", "tooth", "motor current", "half the feed and acceleration"):
        assert words in check.expect, words
    report = advice.report()
    for words in ("power off", "Power off", "laser disconnected", "Laser disconnected", "re-home"):
        assert words in report, words


@pytest.mark.study
def test_a_whole_drive_is_never_said_to_lose_steps() -> None:
    for machine in (gs.Machine(), gs.Machine().with_faults(gs.faults.TightWheels("left", 20.0))):
        piece = lift(machine, TEST, every=1, told_apart=False)
        assert not any("lost_steps" in h.faults for h in gs.diagnose(piece).ranked)


@pytest.mark.study
def test_torn_burn_of_the_independent_simulator() -> None:
    folder = beside(PRACTICE / "case-017")
    piece = gs.read_points(folder / "points.csv", gs.read_test(folder / "test.json"))
    assert gs.diagnose(piece).best.faults == ("lost_steps",)
