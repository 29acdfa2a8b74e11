"""Belts, teeth, steps, set screws and motors of the drive, against closed forms.

The closed forms follow from the balance of one or two springs and are worked out beside each
test; that belts run long or short, teeth have play and set screws slip is common practice, no
source.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from reduced import along_x, along_y, drawn, lay, reduced

from gantrysim.machine import Belt, Machine, Motor
from gantrysim.mechanics.assembly import x_block, y_block
from gantrysim.mechanics.dynamics import march_in_time
from gantrysim.mechanics.handpush import push
from gantrysim.mechanics.planner import sampled, slow
from gantrysim.mechanics.quasistatic import march

K = 20.0  # N/mm, each belt
RAMP = np.linspace(0.0, 30.0, 61)


def stiff_motor(**changes: float) -> Motor:
    """A motor with full steps of 0.2 mm that nothing here moves from its place."""
    return Motor(hold_force=1e9, full_step=0.2, rotor_mass=0.0, **changes)


# --- belts of unlike pitch --------------------------------------------------------------------


def test_a_belt_with_a_longer_pitch_carries_its_side_further():
    eps = 2e-3
    machine = reduced().set("belt_left.pitch_error", eps)
    q_y = lay(machine, along_y(RAMP))[1]
    assert q_y[:, 0] == pytest.approx((1.0 + eps) * RAMP, abs=1e-9)
    assert q_y[:, 1] == pytest.approx(RAMP, abs=1e-9)


@pytest.mark.parametrize("racking", [100.0, 3000.0])
def test_unlike_pitches_rack_the_beam_more_and_more(racking):
    """Belts k and racking stiffness K: K d = -k (eps Y + d) / 2, so d = -eps Y k / (k + 2 K)."""
    eps, span = 2e-3, 400.0
    kappa = racking * 1e3 / span**2
    machine = reduced(racking=racking, span=span, stiffness=(K, K, K))
    q_y = lay(machine.set("belt_left.pitch_error", eps), along_y(RAMP))[1]
    wanted = -eps * RAMP * K / (K + 2.0 * kappa)
    # the belts are as stiff as asked to a few parts in 1e7 over this travel
    assert q_y[:, 1] - q_y[:, 0] == pytest.approx(wanted, rel=1e-5, abs=1e-9)


def test_the_pitch_of_the_carriage_belt_is_a_scale():
    eps = -1e-3
    burned = drawn(reduced().set("belt_x.pitch_error", eps), along_x(RAMP))
    assert burned[:, 0] == pytest.approx((1.0 + eps) * RAMP, abs=1e-9)


def test_like_pitches_are_a_scale_and_rack_nothing():
    eps = 1e-3
    machine = reduced((2.0, 3.0, 0.0), racking=500.0)
    long = machine.set_many({"belt_left.pitch_error": eps, "belt_right.pitch_error": eps})
    scaled = machine.set("scale_y", eps)
    assert drawn(long, along_y(RAMP)) == pytest.approx(drawn(scaled, along_y(RAMP)), abs=1e-9)


# --- weight on the plates ---------------------------------------------------------------------


@pytest.mark.parametrize("x", [0.0, 100.0, 200.0, 390.0])
def test_the_plate_nearer_the_carriage_drags_more(x):
    """Lag = drag / k; the beam on two supports: left (1 - x / span), right x / span."""
    machine = reduced(stiffness=(K, K, K)).set("contact.weight_drag", 0.5)
    whole = 0.5 * machine.carriage.mass * 9.81
    command = np.column_stack([np.full(RAMP.size, x), RAMP])
    lag = RAMP[-1] - lay(machine, command)[1][-1, :2]
    share = x / machine.span
    assert lag * K == pytest.approx([whole * (1.0 - share), whole * share], rel=1e-5, abs=1e-8)
    assert lag.sum() * K == pytest.approx(whole, rel=1e-6)


# --- errors of teeth and steps ----------------------------------------------------------------


def test_errors_once_per_turn_and_once_per_tooth_add_up():
    fine = np.linspace(0.0, 50.0, 2001)
    machine = reduced().set_many(
        {
            "belt_left.runout": 0.03, "belt_left.runout_phase": 0.4,
            "belt_left.tooth_error": 0.01, "belt_left.tooth_phase": 1.1,
        }
    )  # fmt: skip
    q_y = lay(machine, along_y(fine))[1]
    # a longer rest elongation of the belt sets the clamp ahead of its pulley
    turn = 0.03 * np.sin(2.0 * math.pi * fine / 40.0 + 0.4)
    tooth = 0.01 * np.sin(2.0 * math.pi * fine / 2.0 + 1.1)
    assert q_y[:, 0] - fine == pytest.approx(turn + tooth, abs=1e-9)
    assert q_y[:, 1] - fine == pytest.approx(0.0, abs=1e-9)


def test_a_step_error_moves_both_sides_once_in_four_full_steps():
    fine = np.linspace(0.0, 4.0, 401)
    machine = reduced().replace(motor_y=stiff_motor(step_error=0.012, step_phase=-0.3))
    q_y = lay(machine, along_y(fine))[1]
    wanted = 0.012 * np.sin(2.0 * math.pi * fine / 0.8 - 0.3)
    for side in (0, 1):
        assert q_y[:, side] - fine == pytest.approx(wanted, abs=1e-9)


# --- play of the teeth ------------------------------------------------------------------------


@pytest.mark.parametrize("play", [0.0, 0.08])
@pytest.mark.parametrize("belt, side", [("belt_left", 0), ("belt_right", 1)])
def test_teeth_add_half_their_play_to_the_windup_of_their_belt(play, belt, side):
    """Forward each side lags F / k + b / 2, backward it leads by as much."""
    force = 3.0
    machine = reduced((force, force, 0.0), (K, K, K)).set(f"{belt}.tooth_backlash", play)
    there = lay(machine, along_y(np.concatenate([RAMP, RAMP[-2::-1]])))[1]
    behind = RAMP[-1] - there[RAMP.size - 1, :2]
    ahead = there[-1, :2]
    wanted = np.full(2, force / K)
    wanted[side] += play / 2.0
    assert behind == pytest.approx(wanted, rel=1e-5)
    assert ahead == pytest.approx(wanted, rel=1e-5)


def test_teeth_with_play_on_the_carriage_belt():
    machine = reduced((0.0, 0.0, 2.0), (K, K, K)).set("belt_x.tooth_backlash", 0.1)
    burned = drawn(machine, along_x(RAMP))
    assert RAMP[-1] - burned[-1, 0] == pytest.approx(2.0 / K + 0.05, rel=1e-5)


# --- set screws -------------------------------------------------------------------------------


def slipping(hold: float) -> Machine:
    """The right plate is stuck harder (30 N) than a set screw holds; the shaft is elastic."""
    machine = reduced((0.0, 30.0, 0.0), (K, K, K))
    return machine.set_many({"shaft.hold_force": hold, "shaft.stiffness": 400.0})


def test_a_set_screw_slips_by_the_excess_and_stays_there():
    """Stuck right plate: its pulley stops at H / k = 1 mm, the shaft twists by H / 400 = 0.05.

    The rest of 5 mm, 3.95, is slip.  On the way back that stays: with the rotor at 3.95 mm the
    right belt is at rest.  It slips back when the pull has turned round: pulley at -1 mm.
    """
    hold = 20.0
    way = np.concatenate([np.linspace(0.0, 5.0, 101), np.linspace(4.95, 0.0, 100)])
    machine = slipping(hold)
    q_y = lay(machine, along_y(way))[1]
    right, shaft, rotor = q_y[:, 1], q_y[:, 2], q_y[:, 3]
    assert right == pytest.approx(0.0, abs=1e-12)
    assert shaft[100] == pytest.approx(hold / K, rel=1e-5)
    at = 100 + 21  # 1.05 mm back: pull and twist have gone
    assert rotor[at] == pytest.approx(3.95, abs=1e-9)
    assert shaft[at] == pytest.approx(0.0, abs=1e-5)
    assert shaft[-1] == pytest.approx(-hold / K, rel=1e-5)


def test_a_set_screw_that_holds_gives_only_elastically():
    """30 N break the plate loose first: it lags by 30 / k and 30 / 400, and comes back."""
    way = np.concatenate([np.linspace(0.0, 5.0, 101), np.linspace(4.95, 0.0, 100)])
    q_y = lay(slipping(31.0), along_y(way))[1]
    lag = 30.0 / K + 30.0 / 400.0
    assert 5.0 - q_y[100, 1] == pytest.approx(lag, rel=1e-5)
    assert q_y[-1, 1] == pytest.approx(lag, rel=1e-5)


# --- detents under current --------------------------------------------------------------------


@pytest.mark.parametrize("speed", [1.0, 20.0, 50.0, 90.0])
def test_detents_shake_a_rotor_once_per_full_step(speed):
    """D / sqrt((k - m w^2)^2 + (c w)^2), w = 2 pi v / full step: any vibration text."""
    motor = Motor(detent=0.02, damping=60.0)
    limp = Belt(ea=1.0, near=1e5, loop=2e5, damping=0.0)
    machine = reduced().replace(belt_x=limp, motor_x=motor)
    t = np.arange(round(0.6 / 5e-5) + 1) * 5e-5
    runup = np.minimum(t, 0.1)
    course = speed * (0.5 * runup**2 / 0.1 + np.maximum(t - 0.1, 0.0))
    course = 100.0 + course
    timeline = sampled(t, np.column_stack([course, np.zeros_like(course)]))
    q = march_in_time(x_block(machine), timeline, 0, time_step=5e-5).q[:, 2]
    late = t > 0.3
    w = 2.0 * math.pi * speed / motor.full_step
    waves = np.column_stack([np.sin(w * t), np.cos(w * t), np.ones_like(t)])[late]
    shake = np.hypot(*np.linalg.lstsq(waves, (q - course)[late], rcond=None)[0][:2])
    k, c, m = motor.stiffness, motor.damping * 1e-3, motor.rotor_mass * 1e-3
    assert shake == pytest.approx(0.02 / math.hypot(k - m * w * w, c * w), rel=0.01)


# --- where the motor sits ---------------------------------------------------------------------


def placed(place: str, friction: tuple[float, float], **changes: float) -> Machine:
    """Two sides that share no racking stiffness, on a motor and a shaft that yield."""
    machine = reduced((*friction, 0.0), (K, K, K))
    machine = machine.replace(motor_y=Motor(hold_force=60.0, full_step=0.2))
    shaft = {"stiffness": 300.0, "motor_place": place, **changes}
    return machine.set_many({f"shaft.{name}": value for name, value in shaft.items()})


@pytest.mark.parametrize("friction", [(2.0, 5.0), (4.0, 0.0), (3.0, 3.0)])
def test_two_motors_twist_no_shaft(friction):
    """Each side lags by its own F / k + F / motor stiffness, whatever the other drags."""
    machine = placed("both", friction)
    q_y = lay(machine, along_y(RAMP))[1]
    motor = machine.motor_y.stiffness
    wanted = [f / K + f / motor for f in friction]
    assert RAMP[-1] - q_y[-1, :2] == pytest.approx(wanted, rel=1e-5, abs=1e-8)
    assert RAMP[-1] - q_y[-1, [3, 2]] == pytest.approx([f / motor for f in friction], abs=1e-5)


@pytest.mark.parametrize("play", [0.0, 0.2])
def test_a_motor_in_the_middle_twists_half_the_shaft_on_each_side(play):
    """Each side: F / k + F / (2 shaft) + b / 4; the motor carries both."""
    left, right = 2.0, 5.0
    machine = placed("middle", (left, right), backlash=play)
    q_y = lay(machine, along_y(RAMP))[1]
    motor = (left + right) / machine.motor_y.stiffness
    wanted = [f / K + f / 600.0 + motor + play / 4.0 for f in (left, right)]
    assert RAMP[-1] - q_y[-1, :2] == pytest.approx(wanted, rel=1e-5)


def test_a_motor_at_the_left_twists_the_whole_shaft():
    left, right = 2.0, 5.0
    machine = placed("left", (left, right), backlash=0.2)
    q_y = lay(machine, along_y(RAMP))[1]
    motor = (left + right) / machine.motor_y.stiffness
    wanted = [left / K + motor, right / K + right / 300.0 + motor + 0.1]
    assert RAMP[-1] - q_y[-1, :2] == pytest.approx(wanted, rel=1e-5)


@pytest.mark.parametrize("place", ["left", "middle", "both"])
def test_the_right_side_is_set_ahead_by_the_slip(place):
    """Nothing drags and nothing racks: what the screw was set to is what the sides show."""
    q_y = lay(placed(place, (0.0, 0.0), slip=0.7), along_y(RAMP))[1]
    assert q_y[:, 1] - q_y[:, 0] == pytest.approx(0.7, abs=1e-6)


@pytest.mark.parametrize("place", ["middle", "both"])
def test_masses_on_other_motor_places_settle_where_the_slow_limit_does(place):
    """Ridden slowly to a stop, the swinging machine stands where the slow one does."""
    machine = Machine().set_many(
        {"shaft.motor_place": place, "motor_y.detent": 0.0, "contact.break_away": 1.0}
    )
    t = np.arange(2001) * 1e-3
    course = 100.0 + 1.0 * (1.0 - np.cos(math.pi * np.minimum(t / 1.6, 1.0)))
    xy = np.column_stack([np.full(t.size, 215.0), course])
    q = march_in_time(y_block(machine), sampled(t, xy), 1, time_step=5e-4).q[-1]
    assert q == pytest.approx(march(y_block(machine), slow(xy), 1)[0][-1], abs=2e-3)


@pytest.mark.parametrize("place", ["middle", "both"])
@pytest.mark.parametrize("motor", ["off", "holding"])
def test_a_push_finds_the_drag_of_both_sides(place, motor):
    machine = placed(place, (3.0, 3.0)).set("motor_y.detent", 0.0)
    felt = push(machine, "left", motor, stroke=0.3 if motor == "holding" else 3.0)
    if motor == "off" and place == "both":  # nothing ties the sides together
        assert felt.keep_forward == pytest.approx(3.0, rel=1e-6)
    elif motor == "off":
        assert felt.keep_forward == pytest.approx(6.0, rel=1e-6)
    else:
        assert felt.loop_travel == pytest.approx(6.0 / felt.stiffness, rel=0.05)


def test_a_set_screw_slips_alike_when_masses_swing():
    """The ride of the slow case in time: 3.95 mm of slip and 0.05 of twist."""
    machine = slipping(20.0).set("motor_y.rotor_mass", 0.0)
    t = np.arange(3001) * 1e-3
    course = 2.5 * (1.0 - np.cos(math.pi * np.minimum(t / 2.5, 1.0)))
    timeline = sampled(t, np.column_stack([np.full(t.size, 200.0), course]))
    q = march_in_time(y_block(machine), timeline, 1, time_step=5e-4).q[-1]
    assert q == pytest.approx([5.0, 0.0, 1.0, 5.0], abs=1e-5)
