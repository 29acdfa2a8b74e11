"""How a healthy machine scatters about its description, and what still counts as healthy."""

from __future__ import annotations

import math

from gantrysim.inference.parameters import Parameter, Scatter
from gantrysim.machine import Machine

#: Stiffness and drag of a healthy machine scatter by this part of their nominal value, standard
#: deviation of the logarithm: the nominal description of the bench machine says a quarter either
#: way, which an even spread over it gives.  How far machines of another kind scatter about their
#: label is learned (`gantrysim.inference.weighing`).
_SPREAD = 0.15
#: Up to this part of the nominal more or less still counts as healthy.
HEALTHY_PART = 0.27


def _ratio(name: str, axis: str, *places: str, spread: float = _SPREAD) -> Scatter:
    return Scatter(Parameter(name, "of nominal", 1.0, spread, ratio=True), places, axis)


def _shift(
    name: str, unit: str, axis: str, place: str, spread: float, least: float = -math.inf
) -> Scatter:
    return Scatter(Parameter(name, unit, 0.0, spread), (place,), axis, least)


#: Squareness (mrad) and steps per mm (relative) that a careful assembly leaves, standard
#: deviations; twice that still counts as healthy.
SQUARENESS, STEPS = 0.12, 2.5e-4


#: How a healthy machine scatters about its nominal description.  Stiffness and drag by up to
#: a quarter of their value; squareness, set-up offsets, pulley run-out and scale by what a
#: careful assembly leaves (belt length tolerance +-0.05 %: polyurethane belt catalogues;
#: run-out of a machined pulley of the order of 0.01 mm: common practice, no source).
HEALTHY_SCATTER: tuple[Scatter, ...] = (
    _ratio("drag left", "y", "left.friction"),
    _ratio("drag right", "y", "right.friction"),
    _ratio("drag carriage", "x", "carriage.friction"),
    _ratio("belt left EA", "y", "belt_left.ea"),
    _ratio("belt right EA", "y", "belt_right.ea"),
    _ratio("belt x EA", "x", "belt_x.ea"),
    _ratio("motor y hold", "y", "motor_y.hold_force", spread=0.1),
    _ratio("motor x hold", "x", "motor_x.hold_force", spread=0.1),
    _ratio("shaft stiffness", "y", "shaft.stiffness"),
    _ratio("racking stiffness", "y", "left.rack_stiffness", "right.rack_stiffness", spread=0.13),
    _ratio("carriage yaw stiffness", "x", "carriage.yaw_stiffness"),
    _ratio("moving mass", "xy", "beam.mass", "carriage.mass", spread=0.06),
    _ratio("viscous drag", "xy", "contact.viscous"),
    _ratio("Stribeck speed", "xy", "contact.stribeck_speed"),
    _ratio("presliding distance", "xy", "contact.presliding_distance"),
    # preloaded wheels in contact drag no more for a racking couple, what one gains its partner
    # loses; wheels that it lifts or that scrub do: 0 to 0.03 N per N (mechanics of the load, no
    # measurement known)
    Scatter(Parameter("load drag", "-", -0.005, 0.009), ("contact.load_drag",), "y", 0.0),
    _shift("break-away", "-", "xy", "contact.break_away", 0.03, 1.0),
    # damping and the swing left from braking add to it or take from it: 0 to 1 against dynamics
    _shift("overshoot", "-", "xy", "contact.overshoot", 0.35, 0.0),
    _shift("head beyond", "mm", "spot", "head.beyond", 0.6),
    _shift("squareness", "mrad", "y", "square", SQUARENESS),
    _shift("scale x", "-", "x", "scale_x", STEPS),
    _shift("scale y", "-", "y", "scale_y", STEPS),
)
_WORDS = {
    "drag left": "healthy drag of the left wheels",
    "drag right": "healthy drag of the right wheels",
    "drag carriage": "healthy drag of the carriage",
    "belt left EA": "stiffness of the left belt's cord",
    "belt right EA": "stiffness of the right belt's cord",
    "belt x EA": "stiffness of the X belt's cord",
    "motor y hold": "pull-out force of the Y motor",
    "motor x hold": "pull-out force of the X motor",
    "shaft stiffness": "stiffness of the cross shaft",
    "racking stiffness": "stiffness against racking",
    "carriage yaw stiffness": "stiffness of the carriage against yaw",
    "Stribeck speed": "speed up to which drag falls",
    "presliding distance": "travel over which wheels give before they roll",
    "load drag": "drag that a racking couple adds",
    "break-away": "what breaking away takes beyond rolling",
    "overshoot": "swing at corners",
    "head beyond": "how far the spot lies beyond the carriage",
    "squareness": "squareness within a careful assembly",
    "scale x": "scale of X within a careful assembly",
    "scale y": "scale of Y within a careful assembly",
}


def in_a_sentence(name: str) -> str:
    """What a parameter of a healthy machine is, in words."""
    return _WORDS.get(name, name)


#: What parameters were called up to version 0.1, and what they are called now: old logs still open.
FORMER = {"rock stiffness": "carriage yaw stiffness"}
#: What a log may not know yet.
LATER = ("Stribeck speed", "presliding distance", "load drag")


def healthy_drag(nominal: Machine, part: str) -> float:
    """Drag above the nominal that a healthy plate or carriage may have, N."""
    return HEALTHY_PART * float(nominal.value(part).friction)
