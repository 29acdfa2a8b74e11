"""The point of adjustment that belongs to a named fault."""

from __future__ import annotations

import dataclasses

from gantrysim.decisions.knobs.base import Knob
from gantrysim.decisions.knobs.belts import PLUCKED, BeltTension, belt_label
from gantrysim.decisions.knobs.drive import (
    Coupling,
    Holding,
    Pulley,
    SetScrew,
    Square,
    Steps,
)
from gantrysim.decisions.knobs.wheels import NewWheel, Nuts
from gantrysim.inference.lost import CHECK as LOST_CHECK
from gantrysim.inference.lost import LOST
from gantrysim.machine import SIDES, Belt, Machine
from gantrysim.machine.components import span_mass, steps_per_mm
from gantrysim.machine.handbook import Handbook
from gantrysim.machine.plates import Wheel


def knob_for(
    name: str, machine: Machine, handbook: Handbook, *, variant: str = "", check: str = ""
) -> Knob:
    """The point of adjustment of a named fault.

    Parameters
    ----------
    name : str
        Name of the fault.
    machine : Machine
        The machine as described.
    handbook : Handbook
        Belt, pulley and motor, for tones (Hz) and steps per mm.
    variant : str
        Which of several parts has it, ``"left and right"``.
    check : str
        The hand check of the fault.

    Returns
    -------
    Knob
        For a fault of no known adjustment one that says where to look.
    """
    kind, _, where = name.rpartition("_")
    if kind in ("tight_wheels", "loose_wheels", "tight", "loose"):
        return _nuts(machine, where, check, loose=kind.startswith("loose"))
    if kind == "slack_belt":
        return _belt(machine, where, handbook, check)
    if kind == "scale":
        now = steps_per_mm(
            handbook.pulley_teeth,
            machine.value("belt_x" if where == "x" else "belt_left").pitch,
            steps=handbook.motor_steps,
        )
        after = f"command 200 mm along {where.upper()} again: a rule should read 200.0 mm"
        return Steps(f"scale {where}", look=check, confirm=after, axis=where, now=now)
    if kind == "pulley_runout":
        return _pulley(where, variant, check)
    if kind == "wheel_flat":
        return NewWheel(
            f"wheel {where}",
            f"replace the wheel of the {where} end plate that has the flat",
            check or f"roll the {where} plate slowly by hand and feel for one bump a wheel turn",
            "roll the plate slowly by hand: it runs without a bump over a whole wheel turn",
            5.0,
            where,
        )
    return _of_drive(name, machine, check)


def _nuts(machine: Machine, part: str, check: str, *, loose: bool) -> Knob:
    label = "carriage" if part == "carriage" else f"{part} end plate"
    rolling = machine.value(part)
    wheels = [w for w in rolling.wheels if w.row == "eccentric"]
    feel = (
        f"turn each wheel of the {label} by finger: all touch, all slip with light effort, and "
        "nothing clicks when it is rocked"
    )
    if not wheels:
        words = f"shim the wheels of the {label}: no eccentric nut is described for them"
        return Knob(f"wheels {part}", words, check, feel, 2.0)
    data = ("radius", "stiffness", "bearing_drag", "scrub", "scrub_exponent", "nut_offset")
    stock = all(getattr(w, f) == getattr(Wheel, f) for w in rolling.wheels for f in data)
    return Nuts(
        f"nut {part}", look=check, confirm=feel, minutes=2.0, part=part, loose=loose,
        count=len(wheels), stock=stock, offset=min(w.nut_offset for w in wheels),
    )  # fmt: skip


def _belt(machine: Machine, belt: str, handbook: Handbook, check: str) -> BeltTension:
    own: Belt = machine.value(f"belt_{belt}")
    room = machine.span if belt == "x" else machine.travel_y
    position = min(max(PLUCKED - own.near, 0.0), room)
    knob = BeltTension(
        f"belt {belt}", look=check, minutes=3.0, belt=belt, length=own.near + position,
        mass=span_mass(handbook.belt, handbook.belt_width), position=position,
        tension=own.pretension, ea=own.ea,
    )  # fmt: skip
    other = {"left": "the right Y belt", "right": "the left Y belt"}.get(belt, "")
    after = f"pluck it again: {knob.stands(machine):.0f} Hz"
    same = f", and the same as {other} at the same length" if other else ""
    return dataclasses.replace(knob, confirm=after + same)


def _pulley(axis: str, variant: str, check: str) -> Pulley:
    belts = tuple(variant.split(" and ")) if variant else (("x",) if axis == "x" else SIDES)
    which = " and the ".join(belt_label(b) for b in belts)
    words = f"true the {which} motor-side pulley up on its shaft, or replace it"
    after = "turn the pulley by hand: its rim runs true"
    return Pulley(f"pulley {axis}", words, check, after, 5.0, belts)


def _of_drive(name: str, machine: Machine, check: str) -> Knob:
    """Points of adjustment of which a machine has one."""
    if name == "coupler_backlash":
        words = "tighten the clamp screws of the cross shaft's couplings, replace worn inserts"
        after = "hold the motor end and turn the far pulley by hand: it follows at once"
        return Coupling("coupling", words, check, after, 3.0)
    if name == "coupler_slip":
        after = "measure both end plates from the frame at home: both read the same"
        return SetScrew("set screw", look=check, confirm=after, minutes=5.0)
    if name == "out_of_square":
        after = "measure both diagonals again: they are equal"
        span, travel = machine.span, machine.travel_y
        return Square(
            "square", look=check, confirm=after, minutes=10.0, span=span, travel=travel
        )  # fmt: skip
    if name == LOST:
        return Holding(
            "drive",
            "free what jams; tighten the grub screws of the motor pulleys on the flats of their "
            "shafts; tighten or replace a belt whose teeth jump; set the motor currents to the "
            "maker's manual; then draw with less feed and acceleration until the pattern closes",
            check or LOST_CHECK,
            "draw the same test again at half the feed and acceleration, then as before: the head "
            "comes back to the same mark both times",
            15.0,
        )
    return Knob(
        "whole machine",
        "look the machine over before anything is turned: clean rails, wheels and belts, tighten "
        "the frame and the head, replace what is worn, burn again",
        check
        or "with the power off look for dirt, a bent rail, a loose head or frame, a worn belt",
        "burn the same test again and compare",
        15.0,
    )
