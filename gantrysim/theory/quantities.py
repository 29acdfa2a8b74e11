"""The symbols of the derivations, with what they mean and their units.

One name, one meaning, in every derivation.  A symbol says here whether it is positive, so that
sympy may simplify roots and signs.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import sympy as sp

from gantrysim.records.doors import checked

Expr = Any  # a sympy expression: sympy has no types


@checked
class Quantity(NamedTuple):
    """What a symbol stands for, and its unit ("dimensionless" where it has none)."""

    meaning: str
    unit: str


#: Every symbol of the derivations.
QUANTITIES: dict[Expr, Quantity] = {}


def _positive(name: str, meaning: str, unit: str) -> Expr:
    return _known(sp.Symbol(name, positive=True), meaning, unit)


def _real(name: str, meaning: str, unit: str) -> Expr:
    return _known(sp.Symbol(name, real=True), meaning, unit)


def _known(symbol: Expr, meaning: str, unit: str) -> Expr:
    QUANTITIES[symbol] = Quantity(meaning, unit)
    return symbol


# --- play -------------------------------------------------------------------------------------

FRICTION = _positive("F", "friction of what is pulled", "N")
STIFFNESS = _positive("k", "stiffness it is pulled through", "N/mm")
BACKLASH = _real("b", "backlash in the drive, full width", "mm")
WINDUP = _positive("r", "windup, half the lost motion", "mm")
WINDUP_X = _positive("r_x", "windup of the x axis", "mm")
WINDUP_Y = _positive("r_y", "windup of the y axis", "mm")
COMMAND = _real("u", "commanded place", "mm")
PLACE = _real("q", "place of what is pulled", "mm")
SPEED = _positive("v", "speed along the line", "mm/s")

# --- circle and square ------------------------------------------------------------------------

RADIUS = _positive("R", "commanded radius", "mm")
HALF = _positive("h", "commanded half side", "mm")
PHASE = _real("varphi", "turn of the command past the top of the axis", "rad")
START = _real("alpha_0", "phase at which the line begins, the axis at rest", "rad")
TURNED = _real("t", "turn of the command since the line began", "rad")
ALONG = _real("l", "way along the square since the axis last began to rise", "mm")
START_ALONG = _real("l_0", "way along the square at which the line begins", "mm")
DRAWN = _real("d", "way along the square since the line began", "mm")
ANGLE = _real("theta", "angle seen from the centre, from +x", "rad")
SENSE = _real("s", "+1 counter-clockwise, -1 clockwise", "dimensionless")
ROOT_X = _positive("p", r"$\sqrt{r_x / R}$", "dimensionless")
ROOT_Y = _positive("w", r"$\sqrt{r_y / R}$", "dimensionless")

# --- the other faults -------------------------------------------------------------------------

SCALE_X = _real("e_x", "scale error of x", "dimensionless")
SCALE_Y = _real("e_y", "scale error of y", "dimensionless")
SCALE = _real("e", "scale error of both axes", "dimensionless")
LEAN = _real("alpha", "squareness error: +y leans toward +x", "rad")
LAG_X = _real("tau_x", "velocity lag of x", "s")
LAG_Y = _real("tau_y", "velocity lag of y", "s")
ORDER = sp.Symbol("m", integer=True, positive=True, even=True)
QUANTITIES[ORDER] = Quantity("order of a harmonic, even", "dimensionless")
LAG = _positive("tau", "velocity lag of both axes", "s")

# --- two sides --------------------------------------------------------------------------------

SPAN = _positive("W", "distance between the rails", "mm")
RACKING = _positive("kappa", "racking stiffness of y_right - y_left, $K / W^2$", "N/mm")
FRICTION_L = _positive("F_L", "friction of the left side", "N")
FRICTION_R = _positive("F_R", "friction of the right side", "N")
STIFFNESS_L = _positive("k_L", "stiffness of the left belt", "N/mm")
STIFFNESS_R = _positive("k_R", "stiffness of the right belt", "N/mm")

# --- information ------------------------------------------------------------------------------

MEAN_LAG = _real("a", "lag in the middle of the pattern for each newton of friction", "mm/N")
LAG_SLOPE = _real("g", "how that lag grows along the beam for each newton", "1/N")
DENSITY = _positive("nu", "measured points for each mm of line, over their variance", "1/mm³")
MEASURED = _positive("c_s", "part of each side of the square that is measured", "dimensionless")
RINGS = sp.Symbol("N", positive=True, integer=True)
SPACING = _positive("Delta", "step in half side from ring to ring", "mm")
RATIO = _positive("c", "size of a second square over that of the first", "dimensionless")
QUANTITIES[RINGS] = Quantity("number of nested rings, the smallest of one step", "dimensionless")

# --- eccentric nut ----------------------------------------------------------------------------

OFFSET = _positive("epsilon", "eccentric offset of the nut", "mm")
NUT = _real("phi", "turn of the nut from first contact", "rad")
CONTACT = _real("phi_c", "turn past the steepest point at which a nut first touches", "rad")
WHEEL = _positive("k_w", "radial stiffness of one wheel", "N/mm")
BEARING = _positive("D_0", "drag of one wheel's bearings at no load", "N")
SCRUB = _positive("D_1", "scrub of one wheel under the reference load", "N")
REFERENCE = _positive("P_0", "reference load of the scrub", "N")
EXPONENT = _positive("n", "power of the load with which the scrub grows", "dimensionless")
CLEARANCE = _positive("c_0", "clearance between wheel and rail", "mm")
BASE = _positive("B", "wheel base along the rail", "mm")

__all__ = ["QUANTITIES", "Quantity"]
__all__ += [name for name, value in list(globals().items()) if isinstance(value, sp.Symbol)]
