"""Reduced machines with masses: one on one belt, or a beam and carriage on three."""

from __future__ import annotations

import numpy as np
from reduced import reduced

from gantrysim.machine import Machine
from gantrysim.mechanics.assembly import x_block
from gantrysim.mechanics.dynamics import march_in_time
from gantrysim.mechanics.planner import sampled


def times(end: float, step: float) -> np.ndarray:
    """From 0 to the end in steps, s."""
    return np.arange(round(end / step) + 1) * step


def undamped(machine: Machine) -> Machine:
    """The machine without dashpots, and with its carriage's mass on the wheel line."""
    places = [f"{b}.damping" for b in ("belt_left", "belt_right", "belt_x", "shaft")]
    places += ["motor_x.damping", "motor_y.damping", "carriage.yaw_damping"]
    places += ["left.rack_damping", "right.rack_damping"]
    places += ["carriage.centre_of_mass", "carriage.inertia", "shaft.pulley_mass"]
    return machine.set_many(dict.fromkeys(places, 0.0))


def mass_on_spring(
    mass: float,
    stiffness: float,
    friction: float = 0.0,
    *,
    ground: float = 0.0,
    belt: float = 0.0,
) -> Machine:
    """A carriage on its belt: kg, N/mm, N; dashpots to the beam and beside the belt, N s/m."""
    machine = undamped(reduced((0.0, 0.0, friction), (stiffness,) * 3))
    changes = {"carriage.mass": mass, "contact.viscous": ground, "belt_x.damping": belt}
    return machine.set_many(changes)


def two_sides(
    mass: float,
    stiffness: float,
    friction: tuple[float, float, float] = (0.0, 0.0, 0.0),
    *,
    ground: float = 0.0,
    belt: float = 0.0,
    racking: float = 0.0,
    span: float = 430.0,
    beam: float | None = None,
    carriage: float | None = None,
    yaw: float = 0.02,
    backlash: float = 0.0,
) -> Machine:
    """A beam on two belts with a carriage on a third, all equally stiff.

    Unless said otherwise beam and carriage have the same mass, so that with the carriage in the
    middle Y has twice the mass of X on twice the stiffness.
    """
    machine = undamped(
        reduced(
            friction, (stiffness,) * 3, racking=racking, span=span, backlash=backlash,
            middle=(span / 2.0, 200.0),
        )
    )  # fmt: skip
    changes = {
        "beam.mass": mass if beam is None else beam,
        "beam.centre": 0.0,
        "beam.inertia": yaw,
        "carriage.mass": mass if carriage is None else carriage,
        "contact.viscous": ground,
        **{f"belt_{b}.damping": belt for b in ("left", "right", "x")},
    }
    return machine.set_many(changes)


def swing(
    machine: Machine,
    t: np.ndarray,
    command: np.ndarray,
    *,
    step: float | None = None,
    order: int = 2,
    speed: float = 0.0,
) -> tuple[np.ndarray, np.ndarray]:
    """Place and speed of the carriage along an x command (mm) at the times t (s).

    ``speed`` is that of a frame in which everything starts at rest, mm/s.
    """
    still = command - speed * t
    run = march_in_time(
        x_block(machine),
        sampled(t, np.column_stack([still, np.zeros_like(t)])),
        0,
        time_step=float(t[1]) if step is None else step,
        order=order,
    )
    return run.q[:, 0] + speed * t, run.v[:, 0] + speed
