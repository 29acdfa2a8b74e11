"""Toothed belts and their tension: formulas and handbook figures."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

from gantrysim.records.checks import above_zero, listed, not_negative, require
from gantrysim.records.doors import checked


@checked
@dataclass(frozen=True)
class BeltType:
    """Handbook figures of one kind of toothed belt.

    Parameters
    ----------
    pitch : float
        Tooth pitch, mm.
    stiffness : tuple of (float, float)
        Pairs (width mm, EA N); EA per mm of width is interpolated between them.
    ea_spread : tuple of (float, float)
        Factors on EA between which a belt of this kind may lie (dimensionless).
    unit_mass : float
        Mass per length and width, g/(m mm).
    tooth_to_cord : float
        Height of the cord over the tips of the pulley teeth, mm.
    tension : tuple of (float, float)
        Pairs (width mm, usual installation tension N); empty where none was found.
    source : str
        Where EA, unit mass and cord height come from.
    """

    pitch: float
    stiffness: tuple[tuple[float, float], ...]
    ea_spread: tuple[float, float]
    unit_mass: float
    tooth_to_cord: float
    tension: tuple[tuple[float, float], ...]
    source: str


_CATALOGUE = "a polyurethane timing-belt catalogue of 2012, sheet "
#: Where the installation tensions come from.
TENSION_SOURCE = "table of installation tensions in the manual of an acoustic tension meter"

#: Kinds of belt by name.
BELTS: dict[str, BeltType] = {
    "2 mm glass": BeltType(
        pitch=2.0,
        stiffness=((6.0, 12_000.0),),
        ea_spread=(0.5, 1.7),
        unit_mass=1.4,
        tooth_to_cord=0.254,
        tension=((4.0, 9.4), (6.0, 15.8), (9.0, 25.2), (12.0, 34.6), (15.0, 44.1)),
        source=(
            "EA 6 to 20 kN at 6 mm width: likely range, no published number (the force-strain "
            "curve is not straight: Wang et al., Robotics 7(4), 75, 2018); unit mass and cord "
            "height from memory"
        ),
    ),
    "3 mm steel": BeltType(
        pitch=3.0,
        stiffness=((10.0, 80_000.0), (15.0, 127_500.0)),
        ea_spread=(0.9, 1.1),
        unit_mass=2.0,
        tooth_to_cord=0.381,
        tension=((6.0, 29.0), (9.0, 44.0), (12.0, 59.0), (15.0, 74.0), (20.0, 98.0)),
        source=(
            f"{_CATALOGUE}3 mm curvilinear (75 kN at 10 mm) and its later leaflet (80 kN); "
            "cord height from memory"
        ),
    ),
    "5 mm trapezoid": BeltType(
        pitch=5.0,
        stiffness=((10.0, 90_000.0),),
        ea_spread=(0.9, 1.1),
        unit_mass=2.1,
        tooth_to_cord=0.5,
        tension=(),
        source=f"{_CATALOGUE}T5 (DIN 7721 profile); cord height from memory",
    ),
    "5 mm wide tooth": BeltType(
        pitch=5.0,
        stiffness=((10.0, 140_000.0), (16.0, 280_000.0)),
        ea_spread=(0.9, 1.1),
        unit_mass=3.0,
        tooth_to_cord=0.6,
        tension=(),
        source=f"{_CATALOGUE}AT5; cord height from memory",
    ),
    "5 mm linear drive": BeltType(
        pitch=5.0,
        stiffness=((10.0, 275_000.0),),
        ea_spread=(0.9, 1.1),
        unit_mass=4.0,
        tooth_to_cord=0.6,
        tension=(),
        source=f"{_CATALOGUE}ATL5; cord height from memory",
    ),
}


@checked
def belt_type(name: str) -> BeltType:
    """Figures of a kind of belt by its name in `BELTS`.

    Raises
    ------
    ValueError
        If there is no such kind; the sentence lists those there are.
    """
    require(name in BELTS, "belt_type", "name", name, listed(list(BELTS)))
    return BELTS[name]


@checked
def belt_ea(name: str, width: float) -> float:
    """Tensile stiffness EA of a belt from its kind and width, N.

    Parameters
    ----------
    name : str
        A kind of `BELTS`, for example ``"2 mm glass"``.
    width : float
        Width, mm.

    Notes
    -----
    The table's EA per mm of width, straight between its widths and level beyond them.
    """
    above_zero("belt_ea", width=width)
    rows = belt_type(name).stiffness
    return width * _between([(b, ea / b) for b, ea in rows], width)


@checked
def installation_tension(name: str, width: float) -> float:
    """Makers' usual tension of a span of a new belt, N, from its kind and width (mm).

    Raises
    ------
    ValueError
        If no tension was found in print for this kind.
    """
    above_zero("installation_tension", width=width)
    rows = belt_type(name).tension
    usable = listed([kind for kind, figures in BELTS.items() if figures.tension])
    require(bool(rows), "installation_tension", "name", name, usable)
    return width * _between([(b, tension / b) for b, tension in rows], width)


def _between(rows: list[tuple[float, float]], x: float) -> float:
    """Straight between the rows of a table, level beyond its ends."""
    if x <= rows[0][0]:
        return rows[0][1]
    for (x0, y0), (x1, y1) in itertools.pairwise(rows):
        if x <= x1:
            return y0 + (y1 - y0) * (x - x0) / (x1 - x0)
    return rows[-1][1]


@checked
def span_stiffness(ea: float, length: float) -> float:
    """Stiffness of one taut span of belt, k = EA / L, N/mm (EA in N, L in mm)."""
    above_zero("span_stiffness", ea=ea, length=length)
    return ea / length


@checked
def loop_stiffness(ea: float, first: float, second: float) -> float:
    """Stiffness at the clamp of a belt with both spans taut, k = EA (1/L1 + 1/L2), N/mm.

    Parameters
    ----------
    ea : float
        Tensile stiffness EA, N.
    first, second : float
        The two open spans, mm.

    Notes
    -----
    Two springs side by side (timing-belt theory of the makers' handbooks); the minimum
    4 EA / (L1 + L2) lies in the middle.  Once one span is slack, `span_stiffness` of the
    other is left.
    """
    above_zero("loop_stiffness", ea=ea, first=first, second=second)
    return ea * (1.0 / first + 1.0 / second)


@checked
def least_pretension(drive_force: float, first: float = 1.0, second: float = 1.0) -> float:
    """Pretension at which a drive force just empties the slack span, N.

    Parameters
    ----------
    drive_force : float
        Largest force that the belt passes on: friction plus mass times acceleration, N.
    first, second : float
        The span that tightens and the one that empties, mm; half the force for equal spans.

    Notes
    -----
    The force splits as the stiffness of the spans; the slack one loses F L1 / (L1 + L2).
    """
    not_negative("least_pretension", drive_force=drive_force)
    above_zero("least_pretension", first=first, second=second)
    return drive_force * first / (first + second)


@checked
def span_mass(name: str, width: float) -> float:
    """Mass per length of a belt, kg/m, from its kind and width (mm)."""
    above_zero("span_mass", width=width)
    return belt_type(name).unit_mass * width * 1e-3


@checked
def span_tension(frequency: float, length: float, mass: float) -> float:
    """Tension of a plucked span from its tone, T = 4 m L^2 f^2, N.

    Parameters
    ----------
    frequency : float
        Lowest tone of the span, Hz.
    length : float
        Free length, mm.
    mass : float
        Mass per length, kg/m; see `span_mass`.

    Notes
    -----
    The formula of a limp string, as printed in the manuals of acoustic tension meters.  The
    same manuals warn that it reads HIGH: a belt resists bending, which raises its tone, the
    more the shorter and thicker the span.  Compare both sides with the same span length, and
    calibrate with a hung weight where the number itself matters.
    """
    above_zero("span_tension", frequency=frequency, length=length, mass=mass)
    return 4.0 * mass * (length * 1e-3 * frequency) ** 2


@checked
def span_frequency(tension: float, length: float, mass: float) -> float:
    """Lowest tone of a span, f = sqrt(T / m) / (2 L), Hz: the reverse of `span_tension`.

    Parameters
    ----------
    tension : float
        Tension, N.
    length : float
        Free length, mm.
    mass : float
        Mass per length, kg/m.
    """
    above_zero("span_frequency", tension=tension, length=length, mass=mass)
    return math.sqrt(tension / mass) / (2.0 * length * 1e-3)
