"""Wheels one by one: the balance of a plate, nuts, and faults said in three ways."""

from __future__ import annotations

import dataclasses
import itertools
import json
import math

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from shared_data import PRACTICE, beside

from gantrysim.burn.simulation import simulate
from gantrysim.faults import LooseWheels, TightWheels
from gantrysim.machine import (
    Beam,
    Belt,
    Carriage,
    CrossShaft,
    EndPlate,
    Machine,
    Motor,
    Wheel,
    four_wheels,
)
from gantrysim.machine.components import plate_loads
from gantrysim.machine.plates import turn_nut
from gantrysim.pattern.ringtest import ring_test

NOMINAL = PRACTICE / "nominal.json"
SPAN = 430.0
few = settings(max_examples=100, deadline=None, derandomize=True)

SQUARE = ([-37.5, 37.5, -37.5, 37.5], [1, 1, -1, -1], [600.0] * 4)


# ---- the balance of a plate -----------------------------------------------------------------


def test_a_pinch_is_shared_in_series_with_the_partner_across_the_rail():
    balance = plate_loads(*SQUARE, [0.0, 0.0, 0.2, 0.1])
    assert balance.loads == pytest.approx([60.0, 30.0, 60.0, 30.0])  # k u / 2, pair by pair
    assert balance.yaw_play == 0.0
    assert balance.yaw_stiffness == pytest.approx(4 * 600.0 * 37.5**2, rel=1e-9)


def test_unlike_partners_share_as_springs_in_series():
    along, faces, _ = SQUARE
    balance = plate_loads(along, faces, [200.0, 200.0, 600.0, 600.0], [0.0, 0.0, 0.2, 0.2])
    assert balance.loads == pytest.approx([30.0] * 4)  # 200 * 600 / 800 * 0.2


def test_three_wheels_balance_like_a_beam_on_two_supports():
    balance = plate_loads([-30.0, 60.0, 0.0], [1, 1, -1], [500.0] * 3, [0.0, 0.0, 0.3])
    first, second, middle = balance.loads
    assert (first, second) == pytest.approx((middle * 2 / 3, middle / 3))


def test_loose_nuts_leave_their_gaps_over_the_wheel_base_as_yaw():
    for front, back in [(0.1, 0.1), (0.05, 0.2)]:
        balance = plate_loads(*SQUARE, [0.0, 0.0, -back, -front])
        assert balance.loads == (0.0,) * 4
        assert balance.yaw_play == pytest.approx((front + back) / 75.0)
        # beyond the play two wheels carry, cornerwise: half the stiffness
        assert balance.yaw_stiffness == pytest.approx(2 * 600.0 * 37.5**2, rel=1e-9)


def test_one_loose_nut_lets_the_plate_turn_about_the_pinched_pair():
    balance = plate_loads(*SQUARE, [0.0, 0.0, 0.2, -0.1])
    assert balance.loads == pytest.approx([60.0, 0.0, 60.0, 0.0])
    assert balance.yaw_play == pytest.approx(0.1 / 75.0)
    assert balance.rooms == pytest.approx([0.0, 0.05, 0.0, 0.05])


def test_wheels_on_one_face_hold_nothing():
    assert math.isinf(plate_loads([-30.0, 30.0], [1, 1], [500.0] * 2, [0.0, 0.0]).yaw_play)
    assert math.isinf(plate_loads([-30.0, 30.0], [1, -1], [500.0] * 2, [0.0, 0.1]).yaw_play)


places = st.lists(st.floats(-60, 60), min_size=2, max_size=4, unique_by=lambda a: round(a / 5))


@few
@given(places, places, st.data())
def test_a_settled_plate_is_in_balance(fixed, eccentric, data):
    """Sums of forces and moments are zero and some pose gives exactly these loads: the minimum."""
    along = np.array([*fixed, *eccentric])
    faces = np.array([1] * len(fixed) + [-1] * len(eccentric))
    numbers = lambda low, high: st.lists(  # noqa: E731
        st.floats(low, high), min_size=along.size, max_size=along.size
    )
    k = np.array(data.draw(numbers(100.0, 2000.0)))
    u = np.where(faces < 0, data.draw(numbers(-0.8, 0.8)), 0.0)
    balance = plate_loads(along, faces, k, u)
    loads = np.array(balance.loads)
    scale = 1.0 + loads.max()
    assert abs(faces @ loads) < 1e-7 * scale
    assert abs((faces * along) @ loads) < 1e-5 * scale
    if math.isinf(balance.yaw_play):
        return  # nothing holds it straight: the sums above are all there is
    assert balance.yaw_play >= 0.0
    assert balance.yaw_stiffness > 0.0
    press = loads / k - np.array(balance.rooms)
    pose = np.linalg.lstsq(np.column_stack([faces, faces * along]), press - u, rcond=None)[0]
    assert u + faces * (pose[0] + along * pose[1]) == pytest.approx(press, abs=1e-7)


# ---- the nominal plate ----------------------------------------------------------------------


def test_the_nominal_plate_is_the_one_its_nuts_make():
    nominal = EndPlate()
    angle = nominal.nut_degrees("front", span=SPAN)
    assert angle == pytest.approx(14.665, abs=0.001)
    made = EndPlate.from_nuts(four_wheels(75.0, 0.0), {"front": angle, "back": angle}, span=SPAN)
    assert [w.load for w in made.wheels] == pytest.approx([60.0] * 4)
    assert made.friction == pytest.approx(3.0, rel=1e-12)
    assert made.rack_stiffness == pytest.approx(8.0, rel=2e-6)
    assert made.rack_clearance == 0.0


def test_the_nominal_machine_is_the_described_one():
    told = {k: v["value"] for k, v in json.loads(beside(NOMINAL).read_text())["parameters"].items()}
    machine = Machine()
    for wheel in machine.left.wheels:
        assert wheel.load == pytest.approx(told["wheel_preload"])
        assert 2 * math.pi * wheel.radius == pytest.approx(told["wheel_circ"], rel=5e-4)
    found = {
        "fric_left": machine.left.friction,
        "fric_carriage": machine.carriage.friction,
        "rack_k_left": machine.left.rack_stiffness,
        "rack_damping": machine.left.rack_damping,
        "beam_inertia": machine.beam.inertia,
        "carriage_inertia": machine.carriage.inertia,
        "car_c_yaw": machine.carriage.yaw_damping,
        "belt_damping": machine.belt_left.damping,
        "motor_damping": machine.motor_y.damping,
        "detent_force": machine.motor_y.detent,
        "shaft_damping": machine.shaft.damping,
    }
    assert found == pytest.approx({name: told[name] for name in found})


# ---- turning nuts ---------------------------------------------------------------------------

angles = st.floats(-60.0, 75.0)


def plate(front: float, back: float) -> EndPlate:
    return EndPlate.from_nuts(four_wheels(75.0, 0.0), {"front": front, "back": back}, span=SPAN)


@few
@given(angles, angles)
def test_a_plate_knows_where_its_nuts_stand(front, back):
    made = plate(front, back)
    assert made.nut_degrees("front", span=SPAN) == pytest.approx(front, abs=1e-5)
    assert made.nut_degrees("back", span=SPAN) == pytest.approx(back, abs=1e-5)


@few
@given(angles, angles, st.floats(-30, 15))
def test_turning_a_nut_there_and_back_changes_nothing(front, back, turn):
    # within 1e-5 degrees of first contact a load of less than 1e-4 N counts as none
    assume(min(abs(front), abs(back), abs(front + turn)) > 0.01)
    before = plate(front, back)
    there = turn_nut(before, "front", turn, span=SPAN)
    after = turn_nut(there, "front", -turn, span=SPAN)
    assert after.friction == pytest.approx(before.friction, rel=1e-6)
    assert after.rack_clearance == pytest.approx(before.rack_clearance, abs=1e-6)
    assert after.rack_stiffness == pytest.approx(before.rack_stiffness, rel=1e-6)


@few
@given(angles, angles, st.floats(0.1, 14.0))
def test_tightening_never_frees_and_loosening_never_binds(front, back, turn):
    before, after = plate(front, back), plate(front + turn, back)
    assert after.friction >= before.friction - 1e-9
    assert after.rack_clearance <= before.rack_clearance + 1e-9
    assert before.friction >= 4 * 0.375 - 1e-12  # the bearings' own


def test_a_turned_nut_pinches_its_pair_and_leaves_the_other_alone():
    tight = Machine().turn_nut("left", "front", 30.0).left
    loads = [w.load for w in tight.wheels]
    pinch = 600.0 * 0.79 * math.sin(math.radians(14.6649 + 30.0)) / 2
    assert loads == pytest.approx([60.0, pinch, 60.0, pinch], rel=1e-4)
    assert tight.friction == pytest.approx(
        4 * 0.375 + 2 * 0.375 * (1 + (pinch / 60.0) ** 1.8), rel=1e-4
    )


def test_a_measured_stiffness_stays_when_a_nut_is_turned_back_in():
    loose = Machine().set("left.rack_stiffness", 6.5).turn_nut("left", "front", -30.0)
    assert loose.left.rack_clearance > 0.5
    assert loose.left.rack_stiffness < 6.5
    back = loose.turn_nut("left", "front", 30.0).left
    assert (back.rack_stiffness, back.rack_clearance) == pytest.approx((6.5, 0.0), rel=1e-6)


def test_nuts_go_no_further_than_they_can():
    with pytest.raises(ValueError, match="within 90 degrees of first contact"):
        Machine().turn_nut("left", "front", 80.0)
    with pytest.raises(ValueError, match="'front' or 'back'"):
        Machine().turn_nut("left", "top", 10.0)
    with pytest.raises(ValueError, match="one angle for each of the 2 wheels on nuts"):
        EndPlate.from_nuts(four_wheels(75.0, 0.0), {"front": 10.0}, span=SPAN)
    two = (Wheel(-30.0, "fixed", 0.1), Wheel(30.0, "eccentric", 0.1))
    with pytest.raises(ValueError, match="hold the plate straight"):
        EndPlate.from_nuts(two, {"middle": 10.0}, span=SPAN)


# ---- faults said three ways -----------------------------------------------------------------

wheel = st.sampled_from([None, "front", "back"])


@few
@given(st.floats(16.0, 89.0), wheel)
def test_tight_wheels_three_ways(angle, place):
    machine = Machine()
    fault = TightWheels("right", nut_deg=angle, wheel=place)
    mm = fault.in_interference(machine)
    assert mm.interference == pytest.approx(0.79 * math.sin(math.radians(angle)))
    force = mm.in_force(machine)
    assert force.in_degrees(machine).nut_deg == pytest.approx(angle, abs=1e-4)
    drags = [f.apply(machine).right.friction for f in (fault, mm, force)]
    assert drags == pytest.approx([3.0 + force.extra_force] * 3)
    harder = TightWheels("right", nut_deg=min(angle + 0.5, 90.0), wheel=place)
    assert harder.in_force(machine).extra_force > force.extra_force


@few
@given(st.floats(-80.0, -0.05), wheel)
def test_loose_wheels_three_ways(angle, place):
    machine = Machine()
    fault = LooseWheels("right", nut_deg=angle, wheel=place)
    gap = fault.in_gap(machine)
    assert gap.gap == pytest.approx(0.79 * math.sin(math.radians(-angle)))
    play = gap.in_clearance(machine)
    nuts = 1 if place else 2
    assert play.clearance == pytest.approx(SPAN * nuts * gap.gap / 75.0)
    assert play.in_degrees(machine).nut_deg == pytest.approx(angle, abs=1e-4)
    plates = [f.apply(machine).right for f in (fault, gap, play)]
    assert [p.friction for p in plates] == pytest.approx([plates[0].friction] * 3)
    assert [p.rack_clearance for p in plates] == pytest.approx([play.clearance] * 3)
    assert [p.rack_stiffness for p in plates] == pytest.approx([plates[0].rack_stiffness] * 3)


def test_effects_as_told_are_taken_as_told():
    tight = TightWheels("left", 12.0).apply(Machine())
    assert tight.left.friction == pytest.approx(15.0)
    assert tight.left.rack_stiffness == 8.0
    loose = LooseWheels("left", clearance=0.3, drag_factor=0.4).apply(Machine()).left
    assert (loose.friction, loose.rack_clearance, loose.rack_stiffness) == pytest.approx(
        (1.2, 0.3, 8.0)
    )
    # ... and turning the nuts back in undoes them
    back = loose.at_approach({"front": 0.2, "back": 0.2}, span=SPAN)
    assert (back.friction, back.rack_clearance, back.rack_stiffness) == pytest.approx(
        (3.0, 0.0, 8.0)
    )


def test_how_far_to_back_off_an_overtight_plate():
    tight = TightWheels("left", extra_force=9.0).apply(Machine())
    stands = tight.left.nut_degrees("front", span=SPAN)
    healthy = Machine().left.nut_degrees("front", span=SPAN)
    for place in ("front", "back"):
        tight = tight.turn_nut("left", place, healthy - stands)
    assert tight.left.friction == pytest.approx(3.0, rel=1e-6)


@pytest.mark.parametrize(
    "build, sentence",
    [
        (lambda: TightWheels("left"), "is needed, found none"),
        (lambda: TightWheels("left", 3.0, nut_deg=20.0), "found 'extra_force' and 'nut_deg'"),
        (lambda: TightWheels("top", 3.0), "'left' or 'right'"),
        (lambda: TightWheels("left", nut_deg=-5.0), "from 0 to 90"),
        (lambda: TightWheels("left", nut_deg=5.0).apply(Machine()), "tighter than the plate is"),
        (lambda: TightWheels("left", 30.0).in_degrees(Machine()), "at most 16.3 N"),
        (lambda: TightWheels("left", interference=0.9).apply(Machine()), "offset of 0.79 mm"),
        (lambda: LooseWheels("left"), "is needed, found none"),
        (lambda: LooseWheels("left", nut_deg=5.0), "from -90 to 0"),
        (lambda: LooseWheels("left", gap=0.9).apply(Machine()), "offset of 0.79 mm"),
        (lambda: LooseWheels("left", gap=0.1, drag_factor=0.5), "it follows"),
        (lambda: LooseWheels("left", 20.0).apply(Machine()), "at most 9.06 mm"),
    ],
)
def test_what_cannot_be_said(build, sentence):
    with pytest.raises(ValueError, match=sentence):
        build()


def test_repr_says_what_is_said():
    assert repr(TightWheels("left", 12.0)) == "TightWheels(side='left', extra_force=12.0)"
    assert repr(LooseWheels("right", gap=0.1)) == "LooseWheels(side='right', gap=0.1)"


# ---- absurd machines are refused, extreme ones run ------------------------------------------


@pytest.mark.parametrize(
    "build, named",
    [
        (lambda: Belt(ea=0.0), "Belt: ea"),
        (lambda: CrossShaft(stiffness=0.0), "CrossShaft: stiffness"),
        (lambda: Motor(hold_force=0.0), "Motor: hold_force"),
        (lambda: Carriage(yaw_stiffness=0.0), "Carriage: yaw_stiffness"),
        (lambda: Wheel(0.0, "fixed", 1.0, stiffness=0.0), "Wheel: stiffness"),
        (lambda: Wheel(0.0, "loose", 1.0), "Wheel: row"),
        (lambda: Beam(mass=-0.1), "Beam: mass"),
        (lambda: Beam(inertia=-0.1), "Beam: inertia"),
        (lambda: Carriage(mass=-1.0), "Carriage: mass"),
        (lambda: EndPlate(wheels=four_wheels(150.0, 3.0)), "EndPlate: wheel along .* inside the"),
        (lambda: Carriage(wheels=four_wheels(150.0, 3.0)), "Carriage: wheel along"),
        (lambda: EndPlate(wheels=(Wheel(0.0, "fixed", 1.0),) * 4), "two or more places"),
        (lambda: EndPlate(rack_stiffness=-1.0), "EndPlate: rack_stiffness"),
        (lambda: CrossShaft(motor_place="above"), "CrossShaft: motor_place"),
        (lambda: Machine(span=math.nan), "Machine: span .* found nan"),
        (lambda: Machine().set("belt_left.ea", math.nan), "Belt: ea .* found nan"),
        (lambda: Machine().set("left.friction", math.nan), "EndPlate: friction .* found nan"),
        (lambda: Machine().set("left.friction", -1.0), "EndPlate: friction"),
        (lambda: Wheel(math.nan, "fixed", 1.0), "Wheel: along .* found nan"),
        (lambda: Belt(pitch_error=math.inf), "Belt: pitch_error .* found inf"),
    ],
)
def test_absurd_machines_are_refused_by_name(build, named):
    with pytest.raises(ValueError, match=named):
        build()


def test_parts_of_another_kind_are_refused_by_name():
    with pytest.raises(TypeError, match="Machine: left must be an EndPlate, found a Carriage"):
        Machine(left=Carriage())
    with pytest.raises(
        TypeError, match="Belt: tooth_backlash must be a finite number from 0 to 10, found True"
    ):
        Belt(tooth_backlash=True)


def test_every_number_refuses_nan():
    machine = Machine()
    for part in (machine, *machine.plates, machine.left.wheels[0], *machine.belts, machine.shaft,
                 machine.motor_y, machine.head, machine.contact, machine.beam):  # fmt: skip
        for field in dataclasses.fields(part):
            if isinstance(getattr(part, field.name), float):
                with pytest.raises(ValueError, match=rf"{type(part).__name__}: {field.name} must"):
                    dataclasses.replace(part, **{field.name: math.nan})


@pytest.mark.parametrize(
    "left, right", [*itertools.product([(-89.0, -89.0), (-89.0, 89.0), (89.0, 89.0)], repeat=2)]
)
def test_very_tight_and_very_loose_plates_draw_something_finite(left, right):
    test = ring_test(shapes=("circle",), spacing=10.0, largest=20.0, passes=1)
    machine = Machine(left=plate(*left), right=plate(*right))
    for line in simulate(machine, test).lines:
        assert np.all(np.isfinite(line.xy))
