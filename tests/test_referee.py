"""The mechanics against MuJoCo, a general-purpose dynamics engine that shares nothing with ours.

MuJoCo integrates masses in time and makes dry friction from soft constraints.  With its default
settings a contact creeps at mm/s below its limit and 90 % of the windup is lost at a reversal;
the settings below slow the creep to (1 - d) / d * F / m * h, about 0.1 um/s (its documentation:
solver parameters, `solref` and `solimp`).

Slow limit: the command is a slow sine and the masses are light, so that inertia (m A w^2 / k),
damping (c A w / k) and the swing after break-away (v sqrt(m / k)) stay below one per cent of the
windup.  Dynamics: 40 mm/s and masses of a real machine, where they are 10 to 50 % of it.
Run with ``-s`` for the table of differences.
"""

from __future__ import annotations

from types import ModuleType

import numpy as np
import pytest
from reduced import along_y, lay, reduced
from swinging import times as grid
from swinging import undamped

from gantrysim.machine import Machine
from gantrysim.mechanics.assembly import x_block, y_block
from gantrysim.mechanics.dynamics import march_in_time
from gantrysim.mechanics.planner import sampled

STEP = 5e-5  # s
HERTZ = 0.1
AMPLITUDE = 1.0  # mm, half the stroke
CYCLES = 1.3
MASS, DAMPING = 0.16, 5.0  # kg, N s/m: light, so that break-away excites little ringing

SOFT = f'solreffriction="{2 * STEP} 1" solimpfriction="0.9999 0.9999 0.001 0.5 2"'
HARD_STOP = f'solreflimit="{2 * STEP} 1" solimplimit="0.999 0.9999 0.000001 0.5 2"'


@pytest.fixture(scope="module")
def mujoco() -> ModuleType:
    return pytest.importorskip(
        "mujoco", reason="MuJoCo is not installed; it is only needed to referee the mechanics."
    )


def times() -> np.ndarray:
    return np.arange(round(CYCLES / HERTZ / STEP) + 1) * STEP


def command() -> tuple[np.ndarray, np.ndarray]:
    """Place (m) and speed (m/s) of the drive at each time step: A (1 - cos), from rest."""
    turn = 2.0 * np.pi * HERTZ
    place = AMPLITUDE * 1e-3 * (1.0 - np.cos(turn * times()))
    return place, AMPLITUDE * 1e-3 * turn * np.sin(turn * times())


def scene(bodies: str, tendons: str) -> str:
    return f"""
    <mujoco>
      <option timestep="{STEP}" gravity="0 0 0" integrator="implicitfast" solver="Newton"
              tolerance="1e-12" iterations="100"><flag contact="disable"/></option>
      <worldbody>
        <body name="drive"><joint name="u" type="slide" axis="0 1 0"/>
          <inertial pos="0 0 0" mass="1" diaginertia="1 1 1"/></body>
        {bodies}
      </worldbody>
      <tendon>{tendons}</tendon>
    </mujoco>"""


def fixed(name: str, stiffness: float, friction: float, **levers: float) -> str:
    """A tendon whose length is a sum of joint places: a spring (N/m) or a dry friction (N)."""
    parts = "".join(f'<joint joint="{j}" coef="{c}"/>' for j, c in levers.items())
    return (
        f'<fixed name="{name}" stiffness="{stiffness}" springlength="0" '
        f'frictionloss="{friction}" {SOFT}>{parts}</fixed>'
    )


def run(mujoco: ModuleType, xml: str, drive: tuple[np.ndarray, ...] = ()) -> np.ndarray:
    """Drive the first joints along commands; places of all joints, shape (times, joints), m.

    The command is a place (m) and a speed (m/s) at each time, with a column for each joint.
    """
    model = mujoco.MjModel.from_xml_string(xml)
    data = mujoco.MjData(model)
    places, speeds = (np.reshape(d, (len(d), -1)) for d in drive or command())
    driven = places.shape[1]
    out = np.empty((len(places), model.nq))
    qpos, qvel, step = data.qpos, data.qvel, mujoco.mj_step
    for n in range(len(places)):
        qpos[:driven], qvel[:driven] = places[n], speeds[n]
        out[n] = qpos
        step(model, data)
    return out


def beam(friction, stiffness, racking, span=0.4, mass=MASS, damping=DAMPING):
    """Two plates as one rigid beam with a yaw joint: friction and belts act at its ends."""
    half = span / 2.0
    inertia = mass * span**2 / 12.0
    bodies = f"""
      <body name="beam">
        <joint name="y" type="slide" axis="0 1 0" damping="{damping}"/>
        <joint name="yaw" type="hinge" axis="0 0 1" stiffness="{racking}"
               damping="{damping * half**2}"/>
        <inertial pos="0 0 0" mass="{mass}" diaginertia="{inertia} {inertia} {inertia}"/>
      </body>"""
    tendons = "".join(
        fixed(f"rail_{side}", 0.0, f, y=1.0, yaw=sign * half)
        + fixed(f"belt_{side}", k * 1e3, 0.0, y=1.0, yaw=sign * half, u=-1.0)
        for side, sign, f, k in zip(("left", "right"), (-1, 1), friction, stiffness, strict=True)
    )
    return scene(bodies, tendons), half


def one_axis(
    friction: float, stiffness: float, backlash: float, mass: float = MASS, damping: float = DAMPING
) -> str:
    gap = ""
    levers = {"y": 1.0, "u": -1.0}
    if backlash > 0.0:
        gap = f"""
          <body name="gap"><joint name="g" type="slide" axis="0 1 0" limited="true"
              range="{-backlash / 2e3} {backlash / 2e3}" damping="0.5" {HARD_STOP}/>
            <inertial pos="0 0 0" mass="0.005" diaginertia="1 1 1"/></body>"""
        levers["g"] = -1.0
    bodies = (
        gap
        + f"""
      <body name="plate">
        <joint name="y" type="slide" axis="0 1 0" damping="{damping}" frictionloss="{friction}"
               {SOFT}/>
        <inertial pos="0 0 0" mass="{mass}" diaginertia="1 1 1"/></body>"""
    )
    return scene(bodies, fixed("belt", stiffness * 1e3, 0.0, **levers))


def compare(
    name: str, referee: np.ndarray, ours: np.ndarray, windup: float, part: float = 0.01
) -> None:
    """Assert that two paths differ by 1 % of the windup at most, mm; print the row in um."""
    off = float(np.abs(referee - ours).max())
    print(  # noqa: T201
        f"{name:>44}: windup {windup * 1e3:6.1f} um, largest difference {off * 1e3:6.3f} um"
        f" = {100.0 * off / windup:.3f} %"
    )
    assert off < part * windup


@pytest.mark.slow
@pytest.mark.parametrize(
    "name, friction, stiffness, racking",
    [
        ("tight right side, stiff beam", (2.0, 8.0), (20.0, 20.0), 2000.0),
        ("tight right side, limp beam", (2.0, 8.0), (20.0, 20.0), 200.0),
        ("and a softer right belt", (2.0, 8.0), (20.0, 15.0), 2000.0),
    ],
)
def test_two_sides(mujoco, name, friction, stiffness, racking):
    xml, half = beam(friction, stiffness, racking)
    places = run(mujoco, xml)[::200] * 1e3
    ours = lay(
        reduced((*friction, 0.0), (*stiffness, 20.0), racking=racking), along_y(places[:, 0])
    )[1]
    for side, sign in ((0, -1.0), (1, 1.0)):
        end = places[:, 1] + sign * half * places[:, 2]
        windup = float(np.abs(places[:, 0] - ours[:, side]).max())
        compare(f"{name}, {('left', 'right')[side]}", end, ours[:, side], windup)


@pytest.mark.slow
@pytest.mark.parametrize("backlash", [0.0, 0.1, 0.3])
def test_one_side_with_backlash_in_its_drive(mujoco, backlash):
    friction, stiffness = 4.0, 20.0
    places = run(mujoco, one_axis(friction, stiffness, backlash))[::200] * 1e3
    machine = reduced((0.0, friction, 0.0), (20.0, stiffness, 20.0), backlash=backlash)
    ours = lay(machine, along_y(places[:, 0]))[1][:, 1]
    windup = friction / stiffness + backlash / 2.0
    compare(f"windup and {backlash:g} mm of backlash", places[:, -1], ours, windup)


# --- masses that swing, at 40 mm/s ----------------------------------------------------------

FEED = 40.0  # mm/s
HEAVY, DRAG = 0.8, 20.0  # kg, N s/m
STROKE = 5.0  # mm, half of it
OURS = 2e-4  # s, our time step
CAR = 0.4  # kg


def reciprocation(cycles: float = 2.3) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Times (s), places (m) and speeds (m/s) of A (1 - cos w t) with A w = 40 mm/s."""
    turn = FEED / STROKE
    t = grid(cycles * 2.0 * np.pi / turn, STEP)
    return t, 1e-3 * STROKE * (1.0 - np.cos(turn * t)), 1e-3 * FEED * np.sin(turn * t)


def ours(machine: Machine, t: np.ndarray, xy: np.ndarray, axis: int) -> np.ndarray:
    """Coordinates of one block of our machine at every 50th time, mm."""
    block = (x_block, y_block)[axis](machine)
    run_of_it = march_in_time(block, sampled(t, xy), axis, time_step=OURS)
    return run_of_it.q[::50]


def heavy(machine: Machine, **masses: float) -> Machine:
    """Masses in kg, mm and kg m^2; everything else that swings taken off."""
    names = {"mass": "beam.mass", "centre": "beam.centre", "yaw": "beam.inertia",
             "car": "carriage.mass"}  # fmt: skip
    changes = {place: masses.get(name, 0.0) for name, place in names.items()}
    return undamped(machine).set_many({**changes, "contact.viscous": DRAG})


@pytest.mark.slow
@pytest.mark.parametrize("backlash", [0.0, 0.1, 0.3])
def test_one_heavy_side_with_backlash_at_speed(mujoco, backlash):
    """A plate of 0.8 kg behind 20 N/mm, 4 N and a coupling with play; the other side is alone."""
    friction, stiffness = 4.0, 20.0
    t, place, speed = reciprocation()
    xml = one_axis(friction, stiffness, backlash, HEAVY, DRAG)
    theirs = run(mujoco, xml, (place, speed))[::50, -1] * 1e3
    machine = reduced((0.0, friction, 0.0), (stiffness,) * 3, backlash=backlash, span=400.0)
    # the plate's mass on the right end: a body of that mass there without yaw inertia
    machine = heavy(machine, mass=HEAVY, centre=200.0).set("shaft.pulley_mass", 0.005)
    xy = np.column_stack([np.zeros_like(place), 1e3 * place])
    windup = friction / stiffness + backlash / 2.0
    compare(
        f"0.8 kg at 40 mm/s, {backlash:g} mm play", theirs, ours(machine, t, xy, 1)[:, 1], windup
    )


@pytest.mark.slow
@pytest.mark.parametrize("racking", [200.0, 2000.0])
def test_two_heavy_sides_at_speed(mujoco, racking):
    """A beam of 1.6 kg that yaws, tighter on the right."""
    friction, stiffness, mass = (2.0, 8.0), (20.0, 20.0), 1.6
    t, place, speed = reciprocation()
    xml, half = beam(friction, stiffness, racking, mass=mass, damping=2.0 * DRAG)
    places = run(mujoco, xml, (place, speed))[::50] * 1e3
    machine = reduced((*friction, 0.0), (*stiffness, 20.0), racking=racking)
    machine = heavy(machine, mass=mass, yaw=mass * 0.4**2 / 12.0)
    q = ours(machine, t, np.column_stack([np.zeros_like(place), 1e3 * place]), 1)
    for side, sign in ((0, -1.0), (1, 1.0)):
        end = places[:, 1] + sign * half * places[:, 2]
        compare(
            f"beam at 40 mm/s, {racking:g} N m/rad, {('left', 'right')[side]}",
            end, q[:, side], friction[side] / stiffness[side],
        )  # fmt: skip


def ring(radius: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Times, places and speeds (m, m/s) of 1.6 turns at 40 mm/s, run up over 0.2 s."""
    turn, up = FEED / radius, 0.2
    t = grid(1.6 * 2.0 * np.pi / turn, STEP)
    angle = turn * np.where(t < up, 0.5 * t**2 / up, t - 0.5 * up)
    rate = turn * np.minimum(t / up, 1.0)
    cos, sin = np.cos(angle), np.sin(angle)
    place = 1e-3 * radius * np.column_stack([cos - 1.0, sin])
    return t, place, 1e-3 * radius * rate[:, None] * np.column_stack([-sin, cos])


@pytest.mark.slow
@pytest.mark.parametrize("beside, part", [(0.0, 0.01), (18.0, 0.03)])
def test_a_two_sided_machine_draws_a_circle_at_speed(mujoco, beside, part):
    """Beam, carriage and three belts in the plane: the whole machine at once.

    MuJoCo moves the carriage's mass with the carriage itself, along a beam that yaws, and feels
    its reaction on the beam.  Ours takes its place from the command and leaves out the forces
    between the blocks: nothing to see while the centre of mass lies on the wheel line, and some
    3 um along the beam where it lies 18 mm beside it and the yaw of the beam swings it.
    """
    friction, k, racking, span, mass, yaw = (2.0, 8.0, 2.0), 20.0, 1500.0, 0.4, 1.2, 0.02
    centre, start = -25.0, (150.0, 100.0)
    t, place, speed = ring(20.0)
    half = span / 2.0
    bodies = f"""
      <body name="drive_x"><joint name="ux" type="slide" axis="1 0 0"/>
        <inertial pos="0 0 0" mass="1" diaginertia="1 1 1"/></body>
      <body name="beam">
        <joint name="y" type="slide" axis="0 1 0" damping="{2.0 * DRAG}"/>
        <joint name="yaw" type="hinge" axis="0 0 1" stiffness="{racking}"
               damping="{2.0 * DRAG * half**2}"/>
        <inertial pos="{centre * 1e-3} 0 0" mass="{mass}" diaginertia="{yaw} {yaw} {yaw}"/>
        <body name="carriage" pos="{start[0] * 1e-3 - half} 0 0">
          <joint name="s" type="slide" axis="1 0 0" damping="{DRAG}" frictionloss="{friction[2]}"
                 {SOFT}/>
          <inertial pos="0 {beside * 1e-3} 0" mass="{CAR}" diaginertia="1e-6 1e-6 1e-6"/>
        </body>
      </body>"""
    tendons = fixed("belt_x", k * 1e3, 0.0, s=1.0, ux=-1.0)
    for side, sign, force in (("left", -1.0, friction[0]), ("right", 1.0, friction[1])):
        tendons += fixed(f"rail_{side}", 0.0, force, y=1.0, yaw=sign * half)
        tendons += fixed(f"belt_{side}", k * 1e3, 0.0, y=1.0, yaw=sign * half, u=-1.0)
    # joints: u (along y), ux, y, yaw, s
    seen = run(mujoco, scene(bodies, tendons), (place[:, ::-1], speed[:, ::-1]))[::50] * 1e3
    machine = reduced(friction, (k,) * 3, racking=racking, span=span * 1e3, middle=start)
    machine = heavy(machine, mass=mass, centre=centre, yaw=yaw, car=CAR)
    machine = machine.set("carriage.centre_of_mass", beside)
    xy = 1e3 * place + start
    y, x = ours(machine, t, xy, 1) - start[1], ours(machine, t, xy, 0) - start[0]
    windup = friction[0] / k
    for name, theirs, mine in (
        ("left", seen[:, 2] - half * seen[:, 3], y[:, 0]),
        ("right", seen[:, 2] + half * seen[:, 3], y[:, 1]),
        ("carriage", seen[:, 4], x[:, 0]),
    ):
        compare(f"circle at 40 mm/s, mass {beside:g} mm off, {name}", theirs, mine, windup, part)
