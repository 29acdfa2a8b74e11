"""V-wheels, their drag under load and their eccentric nuts: formulas and handbook figures."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from gantrysim.records.checks import above_zero, listed, not_negative, require
from gantrysim.records.doors import checked

#: Load at which the scrub of a wheel is quoted, N.
REFERENCE_LOAD = 60.0


@checked
def wheel_drag(load: float, *, bearing: float, scrub: float, exponent: float) -> float:
    """Rolling drag of a V-wheel under a load, N.

    Parameters
    ----------
    load : float
        Radial load, N.
    bearing : float
        Drag of its bearings and seals at no load, N at the rail.
    scrub : float
        Drag of the scrubbing flanks at `REFERENCE_LOAD`, N.
    exponent : float
        Power of the load with which the scrub grows (dimensionless).

    Notes
    -----
    bearing + scrub (P / P0)^n.  For hard polymer (POM) rolls the coefficient of rolling
    resistance doubled between 150 and 350 N ("Surface Roughness and Normal Force Effects on the
    Sliding and Rolling Behavior of POM-H Rolls", 2021; abstract read), so F ~ P^1.8: more than in
    proportion.  Rough size of the scrub: see `groove_scrub`.
    """
    not_negative("wheel_drag", load=load, bearing=bearing, scrub=scrub)
    above_zero("wheel_drag", exponent=exponent)
    return bearing + scrub * (load / REFERENCE_LOAD) ** exponent


@checked
def wheel_load(drag: float, *, bearing: float, scrub: float, exponent: float) -> float:
    """Radial load under which a V-wheel has a rolling drag, N: the reverse of `wheel_drag`.

    A drag of no more than the bearings' own gives 0.
    """
    not_negative("wheel_load", drag=drag, bearing=bearing)
    above_zero("wheel_load", scrub=scrub, exponent=exponent)
    if drag <= bearing:
        return 0.0
    return REFERENCE_LOAD * ((drag - bearing) / scrub) ** (1.0 / exponent)


@checked
def groove_scrub(load: float, *, friction: float, flank: float, radius: float) -> float:
    """Drag of two flanks at 45 degrees that slide as they roll, N.

    Parameters
    ----------
    load : float
        Radial load, N.
    friction : float
        Coefficient of friction of wheel on rail (dimensionless).
    flank : float
        Length of contact on each flank, mm.
    radius : float
        Mean contact radius, mm.

    Notes
    -----
    Each flank carries P / (2 cos 45) and rolls true only at its middle: away from it the
    radius, so the speed, is off by the distance cos 45 / R, on average a quarter of the
    flank.  F/P = friction sqrt(2) (0.7071 flank / 4) / R; own derivation.
    """
    not_negative("groove_scrub", load=load, friction=friction)
    above_zero("groove_scrub", flank=flank, radius=radius)
    off_true = flank / 4.0 * math.sqrt(0.5) / radius
    return load * friction * math.sqrt(2.0) * off_true


@checked
def contact_modulus(first: tuple[float, float], second: tuple[float, float]) -> float:
    """Contact modulus of two materials, N/mm^2.

    Parameters
    ----------
    first, second : tuple of (float, float)
        Young's modulus (N/mm^2) and Poisson's ratio of each.

    Notes
    -----
    1/E* = (1 - nu1^2)/E1 + (1 - nu2^2)/E2 (Hertz; Johnson, Contact Mechanics, 1985).
    """
    for modulus, _ in (first, second):
        above_zero("contact_modulus", modulus=modulus)
    return 1.0 / sum((1.0 - nu**2) / e for e, nu in (first, second))


#: Young's modulus (N/mm^2) and Poisson's ratio by wheel or rail material: usual figures of
#: material tables, from memory.
MATERIALS: dict[str, tuple[float, float]] = {
    "acetal": (2_800.0, 0.35),
    "polycarbonate": (2_350.0, 0.37),
    "aluminium": (70_000.0, 0.33),
    "steel": (210_000.0, 0.30),
}


@checked
@dataclass(frozen=True)
class LineContact:
    """A cylinder pressed on a flat: half width (mm), peak pressure (N/mm^2), approach (mm)."""

    half_width: float
    pressure: float
    approach: float


@checked
def line_contact(load: float, *, radius: float, length: float, modulus: float) -> LineContact:
    """Hertz contact of a cylinder on a flat.

    Parameters
    ----------
    load : float
        Load, N.
    radius : float
        Radius of the cylinder, mm.
    length : float
        Length of contact, mm.
    modulus : float
        Contact modulus, N/mm^2; see `contact_modulus`.

    Notes
    -----
    a^2 = 4 F R / (pi L E*), p0 = 2 F / (pi a L), approach F / (pi L E*) (2 ln(4R/a) - 1)
    (Hertz; Johnson, Contact Mechanics, 1985).
    """
    above_zero("line_contact", load=load, radius=radius, length=length, modulus=modulus)
    soft = load / (math.pi * length * modulus)
    half_width = math.sqrt(4.0 * soft * radius)
    return LineContact(
        half_width=half_width,
        pressure=2.0 * load / (math.pi * half_width * length),
        approach=soft * (2.0 * math.log(4.0 * radius / half_width) - 1.0),
    )


@checked
@dataclass(frozen=True)
class WheelType:
    """Handbook figures of one kind of V-wheel.

    Parameters
    ----------
    radius : float
        Contact radius on its flanks, mm.
    stiffness : float
        Radial stiffness with bearings, bolt and plate, N/mm.
    bearing_drag : float
        Drag of its bearings at no load, N at the rail.
    scrub : float
        Scrub at `REFERENCE_LOAD`, N.
    scrub_exponent : float
        Power of the load with which the scrub grows (dimensionless).
    source : str
        Where the figures come from.
    """

    radius: float
    stiffness: float
    bearing_drag: float
    scrub: float
    scrub_exponent: float
    source: str


_SEALED = WheelType(
    radius=11.94,
    stiffness=600.0,
    bearing_drag=0.375,
    scrub=0.375,
    scrub_exponent=1.8,
    source=(
        "radius for a rolling circumference of 75 mm and the drag of two lightly sealed bearings "
        "from memory; stiffness (100 to 600 N/mm) and scrub likely values, no published number; "
        "exponent: see `wheel_drag`"
    ),
)
_SHIELDED = "as 'acetal sealed', with two shielded bearings, 0.04 to 0.2 N a wheel (memory)"
_SOFTER = "as 'acetal sealed', softer by the ratio of the moduli (0.84), more scrub: likely"
#: Kinds of wheel by name.
WHEELS: dict[str, WheelType] = {
    "acetal sealed": _SEALED,
    "acetal shielded": replace(_SEALED, bearing_drag=0.1, source=_SHIELDED),
    "polycarbonate sealed": replace(_SEALED, stiffness=500.0, scrub=0.45, source=_SOFTER),
}


@checked
def wheel_type(name: str) -> WheelType:
    """Figures of a kind of wheel by its name in `WHEELS`.

    Raises
    ------
    ValueError
        If there is no such kind; the sentence lists those there are.
    """
    require(name in WHEELS, "wheel_type", "name", name, listed(list(WHEELS)))
    return WHEELS[name]


@checked
def nut_approach(offset: float, angle_deg: float) -> float:
    """Way of a wheel on an eccentric nut from first contact toward the rail, e sin(phi), mm.

    Parameters
    ----------
    offset : float
        Eccentric offset e, mm.
    angle_deg : float
        Turn from first contact, degrees; negative stands off the rail.
    """
    above_zero("nut_approach", offset=offset)
    ok = -90.0 <= angle_deg <= 90.0
    require(ok, "nut_approach", "angle_deg", angle_deg, "from -90 to 90 degrees")
    return offset * math.sin(math.radians(angle_deg))


@checked
def nut_angle(offset: float, approach: float) -> float:
    """Turn of an eccentric nut from first contact, degrees: the reverse of `nut_approach`.

    Raises
    ------
    ValueError
        If the nut cannot reach that far; past its offset it comes back.
    """
    above_zero("nut_angle", offset=offset)
    ok = abs(approach) <= offset
    require(ok, "nut_angle", "approach", approach, f"at most the nut's offset of {offset:g} mm")
    return math.degrees(math.asin(approach / offset))
