"""Newton's equations of the whole machine as an ordinary differential equation.

Written out by hand for the machine as it stands (belts taut, no play, no run-out, no detents,
square), with nothing of the kernel: a second opinion, and what a general-purpose integrator has
to chew on.
Friction acts through the elastic contact, whose state is an unknown of its own: it moves with its
wheel until it has given all it can.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from gantrysim.machine import Belt, Machine

RADIUS, FEED, RUN_UP = 20.0, 40.0, 0.2  # mm, mm/s, s
CENTRE = (215.0, 200.0)  # mm
#: Places, then speeds, of y_left, y_right, far pulley, Y rotor, carriage and its yaw, X rotor; then
#: how far the contacts of left plate, right plate and carriage have given.
SIZE = 17


class Numbers(NamedTuple):
    """Everything the equations need; mm, N, s."""

    belt_left: tuple[float, float, float, float]  # EA, near, loop, damping
    belt_right: tuple[float, float, float, float]
    belt_x: tuple[float, float, float, float]
    shaft: tuple[float, float]  # stiffness, damping
    motor_y: tuple[float, float]
    motor_x: tuple[float, float]
    rack: tuple[float, float]
    carriage_yaw: tuple[float, float]
    friction: tuple[float, float, float]
    load: tuple[float, float, float, float]  # rack stiffness and friction per N of it, by side
    contact: tuple[float, float, float, float]  # yield, viscous, break-away ratio less 1, speed
    beam: tuple[float, float, float]  # mass, yaw inertia with the carriage's, place over span
    car: tuple[float, float, float]  # mass, inertia about the wheel line, moment of its mass
    small: tuple[float, float, float]  # far pulley, Y rotor, X rotor
    size: tuple[float, float, float]  # span, belt inset over span, X belt offset


def without_rigid_contacts(machine: Machine) -> Machine:
    """The machine without rigid contacts, which an ODE cannot hold, and without detents.

    Its rails hold it sideways, for the equations here know no float.
    """
    firm = {"left.side_stiffness": 1e12, "right.side_stiffness": 1e12}
    return without_detents(machine.set_many({"shaft.drag": 0.0, **firm}))


def without_detents(machine: Machine) -> Machine:
    """The machine with motors that have no detents."""
    return machine.set_many({"motor_x.detent": 0.0, "motor_y.detent": 0.0})


def numbers(machine: Machine) -> Numbers:
    """Collect a machine's numbers; kg and N s/m become N s^2/mm and N s/mm here."""

    def belt(b: Belt) -> tuple[float, float, float, float]:
        return b.ea, b.near, b.loop, b.damping * 1e-3

    m, car, span, contact = machine, machine.carriage, machine.span, machine.contact
    moment = car.mass * 1e-3 * car.centre_of_mass
    own = car.inertia * 1e3 + moment * car.centre_of_mass
    racks = [p.rack_stiffness for p in (m.left, m.right)]
    return Numbers(
        belt(m.belt_left), belt(m.belt_right), belt(m.belt_x),
        (m.shaft.stiffness, m.shaft.damping * 1e-3),
        (m.motor_y.stiffness, m.motor_y.damping * 1e-3),
        (m.motor_x.stiffness, m.motor_x.damping * 1e-3),
        (sum(racks), (m.left.rack_damping + m.right.rack_damping) * 1e3 / span**2),
        (car.yaw_stiffness * 1e3, car.yaw_damping * 1e3),
        (m.left.friction, m.right.friction, car.friction),
        (racks[0], 2.0 * contact.load_drag * span / m.left.wheel_base,
         racks[1], 2.0 * contact.load_drag * span / m.right.wheel_base),
        (contact.presliding_distance, contact.viscous * 1e-3, contact.break_away - 1.0,
         contact.stribeck_speed),
        (m.beam.mass * 1e-3, m.beam.inertia * 1e3 + own, 0.5 + m.beam.centre / span),
        (car.mass * 1e-3, own, moment),
        (m.shaft.pulley_mass * 1e-3, m.motor_y.rotor_mass * 1e-3, m.motor_x.rotor_mass * 1e-3),
        (span, m.belt_inset / span, m.belt_x_offset),
    )  # fmt: skip


def command(t: float) -> tuple[float, float, float, float]:
    """Place and speed of the command, x, y, vx, vy: a circle run up to its feed."""
    rate = FEED / RADIUS
    if t < RUN_UP:
        angle, rate = rate * 0.5 * t * t / RUN_UP, rate * t / RUN_UP
    else:
        angle = rate * (t - 0.5 * RUN_UP)
    cos, sin = RADIUS * math.cos(angle), RADIUS * math.sin(angle)
    return CENTRE[0] + cos - RADIUS, CENTRE[1] + sin, -rate * sin, rate * cos


def make_rates(command, compile_=lambda f: f):
    """Rates of change of the state; give `numba.njit` to have them compiled."""
    command = compile_(command)

    @compile_
    def grip(given, speed, friction, contact):
        """Force of one contact, and how fast it gives."""
        give, viscous, extra, stribeck = contact
        full = friction * (1.0 + extra * math.exp(-((speed / stribeck) ** 2)))
        part = min(max(given / give, -1.0), 1.0)
        moving = speed if abs(given) < give or given * speed < 0.0 else 0.0
        return full * part + viscous * speed, moving

    @compile_
    def belt_force(belt, at, e, rate):
        ea, near, loop, damping = belt
        first = near + at
        return ea * (1.0 / first + 1.0 / (loop - first)) * e + damping * rate

    @compile_
    def rates(t, z, p):
        x, y, vx, vy = command(t)
        left, right, pulley, rotor, s, carriage_yaw, rotor_x = (
            z[0],
            z[1],
            z[2],
            z[3],
            z[4],
            z[5],
            z[6],
        )
        v_left, v_right, v_pulley, v_rotor = z[7], z[8], z[9], z[10]
        v_s, v_carriage_yaw, v_rotor_x = z[11], z[12], z[13]
        span, a, offset = p.size
        yaw, v_yaw = right - left, v_right - v_left
        pull_left = belt_force(p.belt_left, y, left + a * yaw - rotor, v_left + a * v_yaw - v_rotor)
        pull_right = belt_force(
            p.belt_right, y, right - a * yaw - pulley, v_right - a * v_yaw - v_pulley
        )
        twist = p.shaft[0] * (pulley - rotor) + p.shaft[1] * (v_pulley - v_rotor)
        field = p.motor_y[0] * (rotor - y) + p.motor_y[1] * (v_rotor - vy)
        rack = p.rack[0] * yaw + p.rack[1] * v_yaw
        k_left, per_left, k_right, per_right = p.load
        give = p.contact
        drag_left, g_left = grip(z[14], v_left, p.friction[0], give)
        drag_right, g_right = grip(z[15], v_right, p.friction[1], give)
        # the load of racking adds friction that does not fall with speed
        drag_left += per_left * k_left * abs(yaw) * min(max(z[14] / give[0], -1.0), 1.0)
        drag_right += per_right * k_right * abs(yaw) * min(max(z[15] / give[0], -1.0), 1.0)
        f_left = -(1.0 - a) * pull_left - a * pull_right + rack - drag_left
        f_right = -a * pull_left - (1.0 - a) * pull_right - rack - drag_right
        mass, inertia, place = p.beam
        at = x / span
        turn = inertia / (span * span)
        m11 = mass * (1.0 - place) ** 2 + p.car[0] * (1.0 - at) ** 2 + turn
        m22 = mass * place**2 + p.car[0] * at**2 + turn
        m12 = mass * place * (1.0 - place) + p.car[0] * at * (1.0 - at) - turn
        det = m11 * m22 - m12 * m12
        pull_x = belt_force(
            p.belt_x,
            x,
            s - offset * carriage_yaw - rotor_x,
            v_s - offset * v_carriage_yaw - v_rotor_x,
        )
        field_x = p.motor_x[0] * (rotor_x - x) + p.motor_x[1] * (v_rotor_x - vx)
        drag_x, g_x = grip(z[16], v_s, p.friction[2], give)
        f_s = -pull_x - drag_x
        f_carriage_yaw = (
            offset * pull_x - p.carriage_yaw[0] * carriage_yaw - p.carriage_yaw[1] * v_carriage_yaw
        )
        m_s, m_carriage_yaw, m_both = p.car[0], p.car[1], -p.car[2]
        det_x = m_s * m_carriage_yaw - m_both * m_both
        out = np.empty(17)
        for i in range(7):
            out[i] = z[7 + i]
        out[7] = (m22 * f_left - m12 * f_right) / det
        out[8] = (m11 * f_right - m12 * f_left) / det
        out[9] = (pull_right - twist) / p.small[0]
        out[10] = (pull_left + twist - field) / p.small[1]
        out[11] = (m_carriage_yaw * f_s - m_both * f_carriage_yaw) / det_x
        out[12] = (m_s * f_carriage_yaw - m_both * f_s) / det_x
        out[13] = (pull_x - field_x) / p.small[2]
        out[14], out[15], out[16] = g_left, g_right, g_x
        return out

    return rates


def at_rest() -> np.ndarray:
    """State of the machine at rest at the start of the command."""
    state = np.zeros(SIZE)
    state[:4], state[4], state[6] = CENTRE[1], CENTRE[0], CENTRE[0]
    return state
