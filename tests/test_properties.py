"""What must hold for every machine, whatever its numbers."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from reduced import circle, lay, reduced, rigid_motor, straight_pieces, turns

from gantrysim.burn.simulation import simulate
from gantrysim.machine import (
    Belt,
    Carriage,
    Contact,
    CrossShaft,
    EndPlate,
    Machine,
    Motor,
    four_wheels,
)
from gantrysim.mechanics.assembly import NAMES, x_block, y_block
from gantrysim.mechanics.planner import slow
from gantrysim.mechanics.quasistatic import march, spot
from gantrysim.mechanics.springs import spring_law
from gantrysim.pattern.ringtest import ring_test

few = settings(
    max_examples=150, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow]
)


def spread(low: float, high: float, *, or_zero: bool = False) -> st.SearchStrategy[float]:
    """Numbers over decades; or_zero adds 0 itself."""
    decades = st.floats(math.log10(low), math.log10(high)).map(lambda p: 10.0**p)
    return st.one_of(st.just(0.0), decades) if or_zero else decades


def build(kind: Any, **fields: st.SearchStrategy) -> st.SearchStrategy:
    return st.fixed_dictionaries(fields).map(lambda values: kind(**values))


def wheels(high: float) -> st.SearchStrategy:
    return spread(0.01, high, or_zero=True).map(lambda drag: four_wheels(70.0, drag))


belts = build(
    Belt,
    ea=spread(300.0, 1e6),
    near=st.floats(1.0, 400.0),
    loop=st.just(980.0),
    pretension=spread(0.1, 300.0, or_zero=True),
    sag=spread(0.01, 10.0),
)
plates = build(
    EndPlate,
    wheels=wheels(60.0),
    rack_stiffness=spread(0.5, 500.0),
    rack_clearance=spread(0.01, 3.0, or_zero=True),
)
machines = build(
    Machine,
    left=plates,
    right=plates,
    carriage=build(
        Carriage,
        wheels=wheels(60.0),
        gap=spread(0.01, 2.0, or_zero=True),
        yaw_stiffness=spread(1.0, 1e5),
    ),
    belt_left=belts,
    belt_right=belts,
    belt_x=belts,
    shaft=build(
        CrossShaft,
        stiffness=spread(5.0, 1e6),
        drag=spread(0.01, 10.0, or_zero=True),
        backlash=spread(0.01, 5.0, or_zero=True),
        slip=st.floats(-5.0, 5.0),
    ),
    motor_y=build(Motor, hold_force=spread(5.0, 1e4)),
    motor_x=build(Motor, hold_force=spread(5.0, 1e4)),
    contact=build(
        Contact,
        presliding_distance=spread(1e-4, 0.1, or_zero=True),
        load_drag=spread(1e-3, 0.1, or_zero=True),
    ),
    square=st.floats(-20.0, 20.0),
)
believable = build(
    Machine,
    left=build(EndPlate, wheels=wheels(15.0)),
    right=build(EndPlate, wheels=wheels(15.0)),
    carriage=build(Carriage, wheels=wheels(15.0)),
    contact=build(
        Contact, load_drag=st.just(0.0), presliding_distance=spread(1e-3, 0.03, or_zero=True)
    ),
    shaft=build(CrossShaft, backlash=spread(0.01, 0.5, or_zero=True)),
)

EDGES = {
    "nothing tight": {"left.friction": 0.0, "right.friction": 0.0, "carriage.friction": 0.0},
    "all jammed": {"left.friction": 300.0, "right.friction": 300.0, "carriage.friction": 300.0},
    "belts without tension": {f"belt_{b}.pretension": 0.0 for b in ("left", "right", "x")},
    "no tension, hardly any sag": {"belt_x.pretension": 0.0, "belt_x.sag": 1e-6},
    "coupler gone": {"shaft.backlash": 10.0, "right.friction": 0.0, "shaft.drag": 0.0},
    "beam loose": {"left.rack_clearance": 5.0, "right.rack_clearance": 5.0},
    "carriage loose": {"carriage.gap": 10.0},
    "plates do not resist racking": {"left.rack_stiffness": 0.0, "right.rack_stiffness": 0.0},
    "a drive that cannot yield": {"shaft.stiffness": 1e12, "shaft.backlash": 0.2},
    "belts like wire": {"belt_left.ea": 1e8, "belt_right.ea": 1e8, "belt_x.ea": 1e8},
}


@few
@given(machine=machines, feed_forces=st.booleans())
def test_any_legal_machine_draws_something_finite(machine, feed_forces):
    test = ring_test(spacing=8.0, largest=16.0, passes=2)
    burn = simulate(machine, test, step=2.0, feed_forces=feed_forces)
    assert all(np.isfinite(line.xy).all() for line in burn.lines)


@pytest.mark.parametrize("changes", EDGES.values(), ids=EDGES.keys())
@pytest.mark.parametrize("feed_forces", [False, True])
def test_machines_at_the_edge_of_the_legal_range(changes, feed_forces):
    machine = Machine()
    for place, value in changes.items():
        machine = machine.set(place, value)
    burn = simulate(machine, ring_test(spacing=8.0, largest=16.0), feed_forces=feed_forces)
    assert all(np.isfinite(line.xy).all() for line in burn.lines)


def test_a_beam_turned_beyond_its_span_is_refused():
    machine = Machine().set("span", 80.0).set("shaft.slip", 100.0).set("left.rack_stiffness", 0.0)
    machine = machine.set("right.rack_stiffness", 0.0)
    with pytest.raises(ValueError, match=r"the sides of the beam come to stand \d+ mm apart"):
        simulate(machine, ring_test(largest=5.0, centre=(40.0, 100.0)))


@few
@given(machine=believable)
def test_the_second_pass_is_the_steady_one(machine):
    """One turn and its lead-in visit every reversal: the play operator forgets the rest."""
    test = ring_test(("circle",), largest=20, smallest=20, passes=4)
    lines = [line.xy for line in simulate(machine, test, step=1.0).lines]
    assert np.abs(lines[2] - lines[1]).max() < 1e-9
    assert np.abs(lines[3] - lines[1]).max() < 1e-9


@few
@given(machine=believable, coarse=st.sampled_from([2, 3, 8]))
def test_positions_at_shared_samples_do_not_depend_on_the_step(machine, coarse):
    """Exact between reversals: the reversals are samples of both.

    But for the regularisation of 1 N mm/rad that places a carriage lying free in its wheels:
    against their stiffness of 4e5 N mm/rad it shifts a sample by some 1e-8 mm.
    """
    fine = circle(20.0, turns(2, 24 * 16), (215.0, 200.0))
    every = 16 // 2 if coarse == 8 else coarse * 4
    got = [np.column_stack(lay(machine, part)) for part in (fine, fine[::every])]
    assert np.abs(got[0][::every] - got[1]).max() < 5e-8


def test_what_a_straight_line_between_samples_misses():
    """Samples are exact; a circle drawn through them cuts the kink where an axis breaks away.

    There the slope of the error changes by about 2 sqrt(r / R), which a chord of length h misses
    by a quarter of h times that: at most 20 um at the default step on the nominal machine, in
    four short places, and a few um as a mean over the ring.  Sides of squares have no kinks.
    """
    machine, test = Machine(), ring_test(spacing=10.0)
    usual, fine = simulate(machine, test), simulate(machine, test, step=0.1)
    for a, b, wanted, finer in zip(
        usual.lines, fine.lines, usual.commanded, fine.commanded, strict=True
    ):
        along = [
            np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(path, axis=0).T))])
            for path in (wanted, finer)
        ]
        along[0] *= along[1][-1] / along[0][-1]  # chords of a circle are shorter than its arc
        missed = np.column_stack(
            [np.interp(along[1], along[0], (a.xy - wanted)[:, k]) for k in (0, 1)]
        ) - (b.xy - finer)
        outward = finer - test.nest(a.shape).centre - (machine.head.along, machine.head.beyond)
        if a.shape == "square":
            # a side is straight: look across it, clear of the corners
            axis = np.argmax(np.abs(outward), axis=1)
            inside = np.abs(np.take_along_axis(outward, 1 - axis[:, None], 1)[:, 0]) < a.size - 1.0
            across = np.take_along_axis(missed, axis[:, None], 1)[inside, 0]
            assert np.abs(across).max() < 1e-3
        else:
            across = np.sum(missed * outward, axis=1) / a.size
            assert np.abs(across).max() < 0.020
            assert np.sqrt(np.mean(across**2)) < 0.003


forces = st.tuples(*[st.floats(0.1, 12.0)] * 3)
stiffnesses = st.tuples(*[st.floats(15.0, 90.0)] * 3)


@few
@given(friction=forces, stiffness=stiffnesses, racking=spread(20.0, 5000.0))
def test_a_mirrored_machine_draws_the_mirrored_line(friction, stiffness, racking):
    """Left and right swapped, x turned over about the middle of the beam.

    Only with a drive that cannot yield: the motor sits on the left and turns the right belt
    through the shaft, so a real machine is not symmetric.
    """
    middle = (200.0, 200.0)
    left, right, x = friction
    k_left, k_right, k_x = stiffness
    angles = turns(2, 96, start=0.7)
    path = circle(20.0, angles, middle)
    path = np.concatenate([path, circle(20.0, angles[::-1], (middle[0] - 5.0, middle[1]))])
    options = {"racking": racking, "middle": middle}
    one = reduced(friction, stiffness, **options)
    two = reduced((right, left, x), (k_right, k_left, k_x), **options)
    turned = np.column_stack([400.0 - path[:, 0], path[:, 1]])
    (q_x, q_y), (p_x, p_y) = lay(one, path), lay(two, turned)
    a, b = spot(one, q_y, q_x), spot(two, p_y, p_x)
    # the carriage is measured along the beam from the left end, so yaw shortens x from there
    shortened = 400.0 * (1.0 - np.sqrt(1.0 - ((q_y[:, 1] - q_y[:, 0]) / 400.0) ** 2))
    assert np.abs(a[:, 1] - b[:, 1]).max() < 1e-9
    assert np.abs(400.0 - a[:, 0] - b[:, 0] - shortened).max() < 1e-9


@few
@given(friction=forces, stiffness=stiffnesses)
def test_clockwise_is_the_mirror_image_of_counter_clockwise(friction, stiffness):
    """With equal sides and constant belts up and down, left and right are alike."""
    machine = reduced((friction[0], friction[0], friction[2]), (stiffness[0],) * 3)
    angles = turns(2, 96)
    ccw, cw = (circle(20.0, sign * angles) for sign in (1.0, -1.0))
    a, b = (spot(machine, *reversed(lay(machine, path))) for path in (ccw, cw))
    assert np.abs(a * (1.0, -1.0) - b).max() < 1e-9


@few
@given(machine=believable, place=st.sampled_from(["left", "right", "carriage"]))
def test_more_friction_never_makes_a_ring_larger(machine, place):
    test = ring_test(("circle",), largest=20, smallest=20, passes=2)
    name = f"{place}.friction"
    wide = [
        np.ptp(simulate(m, test, step=2.0).lines[-1].xy, axis=0)
        for m in (machine, machine.set(name, machine.value(name) + 3.0))
    ]
    axis = 0 if place == "carriage" else 1
    assert wide[1][axis] <= wide[0][axis] + 1e-9


# --- energy ---------------------------------------------------------------------------------


def spring_energy(e: np.ndarray, stiffness: float, play: float) -> np.ndarray:
    """k (|e| - b)^2 / 2 beyond the play."""
    return 0.5 * stiffness * np.maximum(np.abs(e) - play, 0.0) ** 2


def balance(machine: Machine, places: np.ndarray) -> tuple[float, float, float]:
    """Work of the turning field, energy stored and energy lost in the Y block, N mm.

    Written from the machine's description: springs, and Coulomb friction of the plates.
    """
    command = np.column_stack([np.full_like(places, 200.0), places])
    q, _ = march(y_block(machine), slow(command), 1)
    left, right, shaft, rotor = q.T
    a = machine.belt_inset / machine.span
    stored = spring_energy(rotor - places, machine.motor_y.stiffness, 0.0)
    stored += spring_energy(shaft - rotor, machine.shaft.stiffness, machine.shaft.backlash / 2.0)
    for plate in (machine.left, machine.right):
        stored += spring_energy(right - left, plate.rack_stiffness, plate.rack_clearance / 2.0)
    for belt, clamp, pulley in (
        (machine.belt_left, left + a * (right - left), rotor),
        (machine.belt_right, right - a * (right - left), shaft),
    ):
        stored += 0.5 * belt.stiffness(0.0) * (clamp - pulley) ** 2
    field = machine.motor_y.stiffness * (places - rotor)
    work = float(np.sum(0.5 * (field[1:] + field[:-1]) * np.diff(places)))
    drags = (machine.left.friction, machine.right.friction, machine.shaft.drag)
    steps = np.abs(np.diff(q[:, :3], axis=0))
    lost = sum(f * float(d.sum()) for f, d in zip(drags, steps.T, strict=True))
    return work, float(stored[-1] - stored[0]), lost


def energetic(friction: tuple[float, float, float], backlash: float) -> Machine:
    """The nominal machine with Coulomb friction and with belts too long to change."""
    belt = reduced(stiffness=(50.0, 40.0, 50.0))
    return replace(
        Machine(),
        belt_left=belt.belt_left,
        belt_right=belt.belt_right,
        contact=Contact.ideal(),
        left=EndPlate(wheels=four_wheels(75.0, friction[0])),
        right=EndPlate(wheels=four_wheels(75.0, friction[1]), rack_clearance=backlash / 4.0),
        shaft=CrossShaft(backlash=backlash, drag=friction[2]),
    )


@few
@given(friction=st.tuples(*[st.floats(0.1, 10.0)] * 3), backlash=st.floats(0.0, 0.4))
def test_work_goes_into_springs_and_friction_and_none_is_made(friction, backlash):
    machine = energetic(friction, backlash)
    corners = [0.0, 3.0, -2.0, 2.5, 2.2, 2.6, -1.0]
    gaps = []
    for step in (0.01, 0.001):
        work, stored, lost = balance(machine, straight_pieces(corners, step))
        assert lost >= 0.0
        assert work >= stored - 1e-9
        gaps.append(abs(work - stored - lost))
    # only the trapezoid's share at the kinks is left, and it shrinks with the step
    assert gaps[1] < 1e-3 * lost
    assert gaps[1] < 0.3 * gaps[0] + 1e-4 * lost


def test_the_energy_function_agrees_with_the_law_of_the_kernel():
    """The derivative of the energy written here is the kernel's force."""
    e = np.linspace(-0.5, 0.5, 21)
    slope = (spring_energy(e + 1e-6, 30.0, 0.13) - spring_energy(e - 1e-6, 30.0, 0.13)) / 2e-6
    law = [spring_law(0, 30.0, 0.13, 0.0, 0.0, x)[0] for x in e]
    assert slope == pytest.approx(law, abs=1e-4)


def test_a_held_motor_holds_every_part_at_rest():
    machine = replace(Machine(), motor_y=rigid_motor(), motor_x=rigid_motor())
    still = np.full((20, 2), 150.0)
    q = np.column_stack([march(y_block(machine), slow(still), 1)[0],
                         march(x_block(machine), slow(still), 0)[0]])  # fmt: skip
    assert q.shape[1] == len(NAMES)
    assert np.abs(q - q[0]).max() == 0.0
