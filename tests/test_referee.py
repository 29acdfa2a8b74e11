"""The slow limit against MuJoCo, a general-purpose dynamics engine that shares nothing with ours.

MuJoCo integrates masses in time and makes dry friction from soft constraints.  With its default
settings a contact creeps at mm/s below its limit and 90 % of the windup is lost at a reversal;
the settings below slow the creep to (1 - d) / d * F / m * h, about 0.1 um/s (its documentation:
solver parameters, `solref` and `solimp`).  The command is a slow sine and the masses are light:
inertia (m A w^2 / k), damping (c A w / k) and the swing after break-away (v sqrt(m / k)) stay
below one per cent of the windup.
"""

from __future__ import annotations

from types import ModuleType

import numpy as np
import pytest
from reduced import along_y, lay, reduced

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


def run(mujoco: ModuleType, xml: str) -> np.ndarray:
    """Drive joint 0 along the command; places of all joints, shape (times, joints), m."""
    model = mujoco.MjModel.from_xml_string(xml)
    data = mujoco.MjData(model)
    places, speeds = command()
    out = np.empty((len(places), model.nq))
    qpos, qvel, step = data.qpos, data.qvel, mujoco.mj_step
    for n in range(len(places)):
        qpos[0], qvel[0] = places[n], speeds[n]
        out[n] = qpos
        step(model, data)
    return out


def beam(friction, stiffness, racking, span=0.4):
    """Two plates as one rigid beam with a yaw joint: friction and belts act at its ends."""
    half = span / 2.0
    inertia = MASS * span**2 / 12.0
    bodies = f"""
      <body name="beam">
        <joint name="y" type="slide" axis="0 1 0" damping="{DAMPING}"/>
        <joint name="yaw" type="hinge" axis="0 0 1" stiffness="{racking}"
               damping="{DAMPING * half**2}"/>
        <inertial pos="0 0 0" mass="{MASS}" diaginertia="{inertia} {inertia} {inertia}"/>
      </body>"""
    tendons = "".join(
        fixed(f"rail_{side}", 0.0, f, y=1.0, yaw=sign * half)
        + fixed(f"belt_{side}", k * 1e3, 0.0, y=1.0, yaw=sign * half, u=-1.0)
        for side, sign, f, k in zip(("left", "right"), (-1, 1), friction, stiffness, strict=True)
    )
    return scene(bodies, tendons), half


def one_axis(friction: float, stiffness: float, backlash: float) -> str:
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
        <joint name="y" type="slide" axis="0 1 0" damping="{DAMPING}" frictionloss="{friction}"
               {SOFT}/>
        <inertial pos="0 0 0" mass="{MASS}" diaginertia="1 1 1"/></body>"""
    )
    return scene(bodies, fixed("belt", stiffness * 1e3, 0.0, **levers))


def compare(name: str, referee: np.ndarray, ours: np.ndarray, windup: float) -> None:
    """Assert that two paths differ by 1 % of the windup at most, mm; print the row in um."""
    off = float(np.abs(referee - ours).max())
    print(  # noqa: T201
        f"{name:>34}: windup {windup * 1e3:6.1f} um, largest difference {off * 1e3:6.3f} um"
        f" = {100.0 * off / windup:.3f} %"
    )
    assert off < 0.01 * windup


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
