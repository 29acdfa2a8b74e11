"""The push test against closed forms on reduced machines, and against itself."""

import csv
import math

import numpy as np
import pytest
from matplotlib.figure import Figure
from reduced import HALF_LOOP, reduced

import gantrysim as gs
from gantrysim.machine import Contact, Machine

F_L, F_R = 2.0, 8.0  # N
K = 20.0  # N/mm
MIDDLE = (200.0, 200.0)
BELT = 900.0  # N/mm: a stiff belt between the hand and the detents


def loose(machine: Machine) -> Machine:
    """The same machine with motors that have no detents."""
    return machine.set_many({"motor_y.detent": 0.0, "motor_x.detent": 0.0})


def two_sided(kappa: float, *, friction=(F_L, F_R, 3.0), **more) -> Machine:
    """Reduced machine whose racking stiffness is kappa N/mm of y_right - y_left."""
    racking = kappa * 400.0**2 / 1e3
    return loose(reduced(friction, (K, K, K), racking=racking, middle=MIDDLE, **more))


# --- motors off -----------------------------------------------------------------------------


@pytest.mark.parametrize("at", ["left", "right"])
@pytest.mark.parametrize("kappa", [0.5, 20.0, 1e5])
def test_both_plates_must_be_moved_however_stiff_the_beam(at, kappa):
    """Sliding at last, the hand carries F_L + F_R, whatever joins the sides."""
    r = gs.push(two_sided(kappa), at, stroke=12.0, limit=100.0)
    assert r.keep_forward == pytest.approx(F_L + F_R, abs=2e-5)
    assert r.keep_back == pytest.approx(F_L + F_R, abs=2e-5)
    assert r.loop_force == pytest.approx(2.0 * (F_L + F_R), abs=1e-4)
    assert r.moved_freely


@pytest.mark.parametrize(("at", "far"), [("left", F_R), ("right", F_L)])
@pytest.mark.parametrize("kappa", [0.5, 5.0, 100.0])
def test_far_side_lags_by_its_friction_over_what_joins_the_sides(at, far, kappa):
    """Lag = F_far / (kappa + k), k = the two belts in series through the free cross shaft."""
    lag = far / (kappa + K / 2.0)
    r = gs.push(two_sided(kappa), at, stroke=3.0 + 4.0 * lag)
    assert r.lag_forward == pytest.approx(lag, rel=1e-6)
    assert r.lag_back == pytest.approx(-lag, rel=1e-6)
    assert r.lag_mean == pytest.approx(lag, rel=1e-6)


def test_soft_racking_alone_leaves_f_over_kappa():
    """With a cross shaft that carries nothing the far side lags F_R / kappa."""
    machine = two_sided(5.0).set("shaft.stiffness", 1e-3)
    r = gs.push(machine, "left", stroke=8.0)
    assert r.lag_mean == pytest.approx(F_R / 5.0, rel=1e-3)


def test_backlash_in_the_shaft_lets_the_far_side_lag_more():
    """kappa l + T = F_R and l = T (1/k + 1/k) + b / 2 for the force T in the shaft."""
    kappa, b = 2.0, 0.4
    force = (F_R - kappa * b / 2.0) / (1.0 + 2.0 * kappa / K)
    r = gs.push(two_sided(kappa, backlash=b), "left", stroke=8.0)
    assert r.lag_mean == pytest.approx(2.0 * force / K + b / 2.0, rel=1e-6)
    assert r.keep_forward == pytest.approx(F_L + F_R, abs=2e-5)


def test_drag_of_the_shaft_is_felt_as_well():
    """Its drag D loads the near belt on top of T: l = T/k + (T + D)/k, kappa l + T = F_R."""
    kappa, drag = 5.0, 1.5
    force = (F_R - kappa * drag / K) / (1.0 + 2.0 * kappa / K)
    r = gs.push(two_sided(kappa).set("shaft.drag", drag), "left", stroke=6.0)
    assert r.keep_forward == pytest.approx(F_L + F_R + drag, abs=2e-5)
    assert r.lag_mean == pytest.approx((2.0 * force + drag) / K, rel=1e-6)


@pytest.mark.parametrize(
    ("kappa", "presliding", "start"),
    [
        (2.0, 0.0, F_L + 1.5 * F_R),  # the far side breaks away last, when the near one slides
        (1e5, 0.0, F_L + 1.5 * F_R),  # so it does, if only by a hair, behind any beam
        (1e5, 0.015, 1.5 * (F_L + F_R)),  # contacts that give first let go together
    ],
)
def test_force_to_start(kappa, presliding, start):
    """Break-away 1.5 times the drag, and what the two sides need at the same time."""
    contact = Contact(
        presliding_distance=presliding,
        load_drag=0.0,
        viscous=0.0,
        break_away=1.5,
        stribeck_speed=1.0,
    )
    machine = two_sided(kappa).replace(contact=contact)
    r = gs.push(machine, "left", stroke=10.0, step=0.002, limit=100.0)
    assert r.start_forward == pytest.approx(start, rel=0.01)
    assert r.start_back == pytest.approx(start, rel=0.01)
    assert r.keep_forward == pytest.approx(F_L + F_R, abs=1e-4)


def test_carriage_moves_at_its_own_friction():
    r = gs.push(two_sided(5.0), "carriage")
    assert r.start_forward == pytest.approx(3.0, abs=2e-5)
    assert r.keep_forward == pytest.approx(3.0, abs=2e-5)
    assert r.lag_mean == pytest.approx(0.0, abs=2e-5)  # the rotor carries no friction


# --- detents: Prandtl and Tomlinson ---------------------------------------------------------


def detent_machine(amplitude: float) -> Machine:
    """A free carriage on a stiff belt: nothing but the detents of its motor."""
    return reduced((0.0, 0.0, 0.0), (K, K, BELT), middle=MIDDLE).set_many(
        {"motor_x.detent": amplitude, "motor_x.full_step": 0.2}
    )


@pytest.mark.parametrize("scale", [1.0, 5.0, 20.0])
def test_force_at_which_a_detent_lets_go(scale):
    """The force rises to A, the amplitude, and has fallen to A sqrt(1 - 1/eta^2) where the rotor
    jumps, eta = 2 pi A / (p k): the model of Prandtl and Tomlinson (Popov, Contact Mechanics and
    Friction, chapter on the Tomlinson model; from memory)."""
    amplitude, pitch = 1.2, 0.2
    eta = 2.0 * math.pi * amplitude / (pitch * (scale * BELT / (scale + BELT)))
    assert eta > 1.0
    r = gs.push(
        detent_machine(amplitude), "carriage", scale_stiffness=scale, step=1e-5, stroke=0.2, limit=3
    )  # the force falls ever faster towards the jump: only fine steps come close to it
    assert r.start_forward == pytest.approx(amplitude, rel=1e-4)
    jump = np.flatnonzero(np.diff(r.travel[r.leg == 0]) > 0.02)[0]
    want = amplitude * math.sqrt(1.0 - 1.0 / eta**2)
    assert r.force[jump] == pytest.approx(want, rel=0.02)


def test_soft_detents_cost_nothing():
    """Below eta = 1 the rotor follows smoothly: the loop closes up, though the hand feels them."""
    amplitude, pitch, scale = 0.5, 0.2, 20.0
    assert 2.0 * math.pi * amplitude / (pitch * scale) < 1.0
    r = gs.push(detent_machine(amplitude), "carriage", scale_stiffness=scale, step=1e-3)
    assert abs(r.loop_force) < 0.01 * amplitude
    assert r.force.max() == pytest.approx(amplitude, rel=1e-2)


def test_detents_repeat_every_full_step():
    r = gs.push(detent_machine(1.2), "carriage", scale_stiffness=2.0)
    forward = r.leg == 2
    travel, force = r.travel[forward], r.force[forward]
    jumps = travel[1:][np.diff(force) < -0.1]
    assert np.diff(jumps) == pytest.approx(0.2, abs=0.03)


# --- motors holding -------------------------------------------------------------------------


def test_held_carriage_is_a_spring_with_lost_motion():
    """Slope k, and 2 F / k of travel that stays when the hand lets go."""
    r = gs.push(two_sided(5.0), "carriage", "holding", stroke=1.0, limit=100.0)
    belt = K / (1.0 - ((MIDDLE[0] - 200.0) / HALF_LOOP) ** 2)
    assert r.stiffness == pytest.approx(belt, rel=1e-6)
    assert r.loop_travel == pytest.approx(2.0 * 3.0 / K, rel=1e-3)
    assert r.loop_force == pytest.approx(2.0 * 3.0, rel=1e-3)
    assert r.start_forward is None
    assert r.keep_back is None


@pytest.mark.parametrize("kappa", [0.5, 20.0])
def test_held_side_leans_on_the_other(kappa):
    """No friction: k + kappa k / (kappa + k) at the hand; the far side follows by the share
    kappa / (kappa + k)."""
    machine = two_sided(kappa, friction=(0.0, 0.0, 0.0))
    r = gs.push(machine, "left", "holding", stroke=0.5, limit=100.0)
    assert r.stiffness == pytest.approx(K + kappa * K / (kappa + K), rel=1e-6)
    assert r.lag_forward / r.travel[r.leg == 2][-1] == pytest.approx(K / (kappa + K), rel=1e-6)
    assert r.loop_travel == pytest.approx(0.0, abs=2e-5)


def test_a_holding_motor_is_not_asked_for_more_than_it_has():
    machine = Machine().set("motor_y.hold_force", 8.0)
    with pytest.raises(ValueError, match="would lose steps"):
        gs.push(machine, "left", "holding")
    gs.push(machine, "left", "holding", limit=5.0)
    gs.push(machine, "left", "off")


# --- the whole machine ----------------------------------------------------------------------


@pytest.mark.parametrize("at", ["left", "right", "carriage"])
@pytest.mark.parametrize("motor", ["off", "holding"])
def test_readings_do_not_depend_on_the_step(at, motor):
    coarse, fine = (gs.push(Machine(), at, motor, step=s) for s in (2e-3, 5e-4))
    assert coarse.loop_force == pytest.approx(fine.loop_force, rel=5e-3)
    assert coarse.lag_forward == pytest.approx(fine.lag_forward, rel=2e-2, abs=1e-3)
    if motor == "off":
        assert coarse.start_forward == pytest.approx(fine.start_forward, rel=1e-2)


def test_a_softer_scale_reads_the_same_to_keep_moving():
    kept = [gs.push(two_sided(5.0), "left", scale_stiffness=s).keep_forward for s in (1.0, 10.0)]
    assert kept[0] == pytest.approx(kept[1], rel=1e-6)


def test_nominal_machine_adds_up():
    """Drags of both plates and the shaft, and detents between none and their full height."""
    machine = Machine()
    drags = machine.left.friction + machine.right.friction + machine.shaft.drag
    r = gs.push(machine, "left")
    load = 4.0 * machine.contact.load_drag * machine.span / machine.left.wheel_base
    racked = load * machine.left.rack_stiffness * r.lag_mean  # wheels that a lag presses on
    assert drags < r.keep_forward < drags + racked + machine.motor_y.detent
    bare = gs.push(loose(machine), "left")
    assert bare.keep_forward == pytest.approx(drags + racked, rel=0.01)


def test_every_leg_goes_its_way_over_the_stroke():
    r = gs.push(Machine(), "right", stroke=2.0)
    held = gs.push(Machine(), "right", "holding", stroke=0.3)
    assert [held.travel.min(), held.travel.max()] == pytest.approx([-0.3, 0.3], abs=0.01)
    for leg, start, end in ((0, 0.0, 2.0), (1, 2.0, 0.0), (2, 0.0, 2.0)):
        travel = r.travel[r.leg == leg]
        assert abs(travel[0] - start) < 0.2
        assert abs(travel[-1] - end) < 0.2
        assert np.all(np.sign(end - start) * np.diff(travel) > -1e-3)


def test_a_jammed_side_turns_the_hand_back_at_the_limit():
    machine = Machine().with_faults(gs.faults.TightWheels("left", 200.0))
    r = gs.push(machine, "left", limit=30.0)
    assert not r.moved_freely
    assert r.force.max() == pytest.approx(30.0, abs=0.2)
    assert r.start_forward is None
    assert "does not move freely" in r.sentence()


def test_place_on_the_bed_matters_where_the_belts_do():
    near = gs.push(Machine(), "left", "holding", place=(215.0, 20.0))
    far = gs.push(Machine(), "left", "holding", place=(215.0, 380.0))
    assert near.stiffness > 1.2 * far.stiffness


# --- what comes out, what is refused --------------------------------------------------------


def test_export_and_pictures(tmp_path):
    r = gs.push(Machine(), "left")
    path = r.to_csv(tmp_path / "push.csv")
    with path.open(encoding="utf-8") as file:
        assert file.readline().startswith("# push at left, motor off")
        rows = list(csv.DictReader(file))
    assert len(rows) == len(r.leg)
    assert [float(row["force_n"]) for row in rows] == pytest.approx(list(r.force), abs=1e-5)
    assert [float(row["lag_mm"]) for row in rows] == pytest.approx(list(r.lag), abs=1e-5)
    with pytest.raises(FileExistsError):
        r.to_csv(path)
    flat = r.to_dict()
    assert flat["keep_forward_n"] == r.keep_forward
    assert flat["stiffness_n_mm"] is None
    assert f"{r.keep_forward:.1f} N" in repr(r)
    assert f"{r.lag_mean:.3f}" not in repr(r)
    assert "<table>" in r._repr_html_()
    for what, values, unit in (("force", r.force, "N"), ("lag", r.lag, "mm")):
        ax = Figure(layout="constrained").subplots()
        assert r.plot(ax, what=what) is ax
        drawn = np.concatenate([line.get_ydata() for line in ax.lines])
        assert np.isin(values, drawn).all()
        assert ax.get_ylabel().endswith(unit)
        assert ax.get_xlabel() == "travel of the left plate, mm"


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"at": "middle"}, "at must be"),
        ({"motor": "on"}, "motor must be"),
        ({"stroke": 0.0}, "stroke must be above zero"),
        ({"limit": math.nan}, "limit must be a finite number"),
        ({"scale_stiffness": -1.0}, "scale_stiffness must be above zero"),
        ({"step": 1e-9}, "take a larger one"),
        ({"place": (500.0, 200.0)}, "place x must lie from 0 to 430 mm"),
        ({"place": (1.0, 2.0, 3.0)}, "place must be two numbers"),
    ],
)
def test_bad_values_are_refused_in_a_sentence(options, words):
    with pytest.raises(ValueError, match=words):
        gs.push(Machine(), **options)
