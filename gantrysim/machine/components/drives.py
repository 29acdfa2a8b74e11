"""Pulleys, motors, shafts, couplings and set screws: formulas and handbook figures."""

from __future__ import annotations

import math

from gantrysim.records.checks import above_zero, not_negative
from gantrysim.records.doors import checked

#: Shear modulus of steel, N/mm^2 (11.5e6 psi, the figure of most machine-design tables).
STEEL_SHEAR_MODULUS = 79_300.0

#: Teeth of the rotor of a stepping motor with 1.8 degrees a step: 360 / (4 * 1.8).
ROTOR_TEETH = 50


@checked
def in_series(*stiffnesses: float) -> float:
    """Stiffness of springs one after the other, 1 / sum(1 / k), in their common unit."""
    above_zero("in_series", **{f"spring {n}": k for n, k in enumerate(stiffnesses, 1)})
    return 1.0 / sum(1.0 / k for k in stiffnesses)


@checked
def pitch_diameter(teeth: int, pitch: float) -> float:
    """Pitch diameter of a toothed pulley, d = p z / pi, mm.

    Parameters
    ----------
    teeth : int
        Teeth on the pulley.
    pitch : float
        Tooth pitch, mm.

    Notes
    -----
    Geometry; tabulated in makers' pulley sheets (3 mm pitch: 16 teeth 15.28, 20 teeth 19.10).
    """
    above_zero("pitch_diameter", teeth=teeth, pitch=pitch)
    return pitch * teeth / math.pi


@checked
def outside_diameter(teeth: int, pitch: float, tooth_to_cord: float) -> float:
    """Outside diameter of a toothed pulley, the pitch diameter less twice the cord height, mm.

    Parameters
    ----------
    teeth : int
        Teeth on the pulley.
    pitch : float
        Tooth pitch, mm.
    tooth_to_cord : float
        Height of the cord over the tips of the pulley teeth, mm; `BELTS` has it.
    """
    not_negative("outside_diameter", tooth_to_cord=tooth_to_cord)
    return pitch_diameter(teeth, pitch) - 2.0 * tooth_to_cord


@checked
def travel_per_turn(teeth: int, pitch: float) -> float:
    """Travel of the belt in one turn of its pulley, p z, mm."""
    above_zero("travel_per_turn", teeth=teeth, pitch=pitch)
    return pitch * teeth


@checked
def steps_per_mm(teeth: int, pitch: float, *, steps: int = 200, microsteps: int = 16) -> float:
    """Steps per mm of a belt axis, steps * microsteps / (p z), 1/mm.

    Parameters
    ----------
    teeth : int
        Teeth on the motor pulley.
    pitch : float
        Tooth pitch, mm.
    steps : int
        Full steps in one turn of the motor.
    microsteps : int
        Microsteps to a full step.
    """
    above_zero("steps_per_mm", steps=steps, microsteps=microsteps)
    return steps * microsteps / travel_per_turn(teeth, pitch)


@checked
def motor_stiffness(torque: float, radius: float, *, rotor_teeth: int = ROTOR_TEETH) -> float:
    """Magnetic stiffness of a stepping motor at the belt, k = N T / r^2, N/mm.

    Parameters
    ----------
    torque : float
        Holding torque T, N m.
    radius : float
        Pitch radius of its pulley, mm.
    rotor_teeth : int
        Rotor teeth N: the torque is T sin(N angle), whose slope at rest is N T.

    Notes
    -----
    Textbook law of the hybrid stepping motor (from memory).
    """
    above_zero("motor_stiffness", torque=torque, radius=radius, rotor_teeth=rotor_teeth)
    return at_belt(rotor_teeth * torque, radius)


@checked
def round_shaft(diameter: float) -> float:
    """Polar moment of area of a solid round bar, J = pi d^4 / 32, mm^4."""
    above_zero("round_shaft", diameter=diameter)
    return math.pi * diameter**4 / 32.0


@checked
def square_shaft(side: float) -> float:
    """Torsion constant of a solid square bar, 0.1406 s^4, mm^4.

    Notes
    -----
    Roark's Formulas for Stress and Strain gives 2.25 (s/2)^4 = 0.1406 s^4.
    """
    above_zero("square_shaft", side=side)
    return 2.25 * (side / 2.0) ** 4


@checked
def torsion_stiffness(
    section: float, length: float, *, shear_modulus: float = STEEL_SHEAR_MODULUS
) -> float:
    """Torsional stiffness of a bar, k = G J / L, N m/rad.

    Parameters
    ----------
    section : float
        Polar moment or torsion constant, mm^4: `round_shaft`, `square_shaft`.
    length : float
        Length between the parts it turns, mm.
    shear_modulus : float
        Shear modulus, N/mm^2.
    """
    above_zero("torsion_stiffness", section=section, length=length, shear_modulus=shear_modulus)
    return shear_modulus * section / length * 1e-3


@checked
def at_belt(torsion: float, radius: float) -> float:
    """Torsional stiffness seen at the belt, k / r^2, N/mm.

    Parameters
    ----------
    torsion : float
        Torsional stiffness, N m/rad.
    radius : float
        Pitch radius of the pulley, mm.
    """
    above_zero("at_belt", torsion=torsion, radius=radius)
    return torsion * 1e3 / radius**2


@checked
def coupling_play_at_belt(play_deg: float, radius: float) -> float:
    """Angular play of a coupling as play of the far belt, r beta, mm (degrees and mm in)."""
    not_negative("coupling_play_at_belt", play_deg=play_deg)
    above_zero("coupling_play_at_belt", radius=radius)
    return radius * math.radians(play_deg)


#: Axial holding power of a cup-point set screw seated at its full torque, N, by nominal size.
#: Sizes 0 to 2: a maker's holding-power table (50, 65 and 85 lbf); size 4, about M3: 160 lbf,
#: from memory.  A more cautious chart gives a third of that; slip means 0.010 in, one screw, a
#: soft shaft.
SET_SCREW_HOLDING: dict[str, float] = {
    "size 0": 222.4,
    "size 1": 289.1,
    "size 2": 378.1,
    "size 4": 711.7,
}


@checked
def set_screw_torque(holding: float, shaft_diameter: float) -> float:
    """Torque that a set screw passes before it slips, T = F d / 2, N m.

    Parameters
    ----------
    holding : float
        Axial holding power, N; see `SET_SCREW_HOLDING`.
    shaft_diameter : float
        Diameter of the shaft, mm.

    Notes
    -----
    A maker's table lists both columns and follows this exactly.  Divide by 1.5 to 2 for steady
    and 4 to 8 for changing load (same tables); the holding power goes with the seating torque,
    so a screw that was never tightened holds almost nothing.
    """
    above_zero("set_screw_torque", holding=holding, shaft_diameter=shaft_diameter)
    return holding * shaft_diameter / 2.0 * 1e-3


@checked
def slip_force(torque: float, radius: float) -> float:
    """Belt force at which a torque (N m) is reached on a pulley of a pitch radius (mm), N."""
    above_zero("slip_force", torque=torque, radius=radius)
    return torque * 1e3 / radius
