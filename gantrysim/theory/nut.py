"""The eccentric nut: how far it moves its wheel, what that loads, and what the plate then drags."""

from __future__ import annotations

from functools import cache

import sympy as sp

from gantrysim.records.doors import checked
from gantrysim.theory.derivation import Derivation, Step, equation, named
from gantrysim.theory.quantities import (
    BASE,
    BEARING,
    CLEARANCE,
    CONTACT,
    EXPONENT,
    NUT,
    OFFSET,
    REFERENCE,
    SCRUB,
    SPAN,
    STIFFNESS,
    WHEEL,
    Expr,
)

_SOURCE = (
    "geometry and balance derived here; drag over load: exponent from Surface Roughness "
    "and Normal Force Effects on the Sliding and Rolling Behavior of POM-H Rolls, 2021 "
    "(abstract read, without authors and journal: the coefficient of rolling resistance doubles "
    "from 150 to 350 N)"
)
_APPROACH = sp.Symbol("x", real=True)

#: What `eccentric_nut` takes for granted.
_ASSUMED_NUT = (
    Step("The nut first touches where it moves its wheel fastest, unless a result says "
         "otherwise; at most a quarter of a turn on", sp.LessThan(NUT, sp.pi / 2)),
    Step("All four wheels are alike and carry load, and give in proportion to it; the "
         "plate between them is rigid."),
    Step("Drag is that of the bearings and a power of the load."),
)  # fmt: skip

#: What each result of `eccentric_nut` is.
_MEANINGS = {
    "movement": ("way of the wheel toward the rail from first contact", "mm"),
    "movement_late": (
        r"the same for a nut that first touches $\phi_c$ past the steepest point",
        "mm",
    ),
    "pair_load": ("load of the wheel on the nut, and of the one across from it", "N"),
    "other_load": ("what the turn changes in the loads of the other pair", "N"),
    "drag": ("drag of that pair of wheels", "N"),
    "drag_first_order": ("the same for small turns", "N", r"first order in $\phi$"),
    "sensitivity": ("growth of the drag with the turn", "N/rad"),
    "windup_sensitivity": (
        "growth of the windup of an axis pulled through the stiffness $k$",
        "mm/rad",
    ),
    "contact_angle": ("turn from a clearance $c_0$ to first contact: dead zone", "rad"),
    "racking_play": (
        r"free play of right less left side with both nuts turned back to $\phi < 0$",
        "mm",
    ),
    "load_error": (
        "relative error of the load where the sine is taken for the angle",
        "dimensionless",
        r"leading term in $\phi$",
    ),
}


@checked
@cache
def eccentric_nut() -> Derivation:
    """Derive load, drag and play of a plate from the turn of one nut (rad).

    Returns
    -------
    Derivation
        movement, movement_late, pair_load, other_load, drag, drag_first_order, sensitivity,
        windup_sensitivity, contact_angle, racking_play, load_error.
    """
    movement = OFFSET * sp.sin(NUT)
    late = OFFSET * (sp.sin(CONTACT + NUT) - sp.sin(CONTACT))

    energy, load, free = _plate(movement)
    x = _APPROACH
    pair = load["nut front"].subs(x, movement)

    drag = 2 * (BEARING + SCRUB * (pair / REFERENCE) ** EXPONENT)
    small = sp.series(movement, NUT, 0, 4).removeO()
    first = drag.subs(movement, small.coeff(NUT, 1) * NUT)
    sensitivity = sp.simplify(sp.diff(drag, NUT))
    contact = sp.asin(CLEARANCE / OFFSET)

    play = sp.simplify(2 * sp.Abs(free).subs(sp.Abs(sp.sin(NUT)), -sp.sin(NUT)) * SPAN)
    return Derivation(
        title="Eccentric nut of an end plate",
        source=_SOURCE,
        assumptions=_ASSUMED_NUT,
        steps=(
            Step("The bolt goes round the nut's axis: toward the rail it moves by the sine of the "
                 "turn from first contact.", sp.Eq(x, movement)),
            Step(r"A nut that first touches $\phi_c$ past there moves its wheel less.",
                 sp.Eq(x, late)),
            Step("The plate gives way by a shift and a yaw until the energy of its wheels is "
                 "least.", sp.Eq(sp.Symbol("E"), energy)),
            Step("The wheel across the rail takes half; front and back do not feel each other.",
                 equation("P", pair)),
            Step("Both wheels of the pair drag by what they carry.", equation("D", drag)),
            Step("For small turns the sine is the angle.", equation("D", first)),
            Step("Before contact the drag is that of the bearings, whatever the turn: a dead zone "
                 "as wide as the clearance.", equation("phi_0", contact)),
            Step("Meanwhile the plate rattles: it yaws until opposite corners touch.",
                 equation("Delta_0", play)),
        ),
        results=named(
            _MEANINGS,
            movement=movement,
            movement_late=late,
            pair_load=pair,
            other_load=load["nut back"],
            drag=drag,
            drag_first_order=first,
            sensitivity=sensitivity,
            windup_sensitivity=sensitivity / STIFFNESS,
            contact_angle=contact,
            racking_play=sp.Piecewise((play, NUT < 0), (0, True)),
            load_error=sp.expand(sp.series(NUT / sp.sin(NUT) - 1, NUT, 0, 4).removeO()),
        ),
    )  # fmt: skip


def _plate(movement: Expr) -> tuple[Expr, dict[str, Expr], Expr]:
    """Energy of its wheels over the approach, their loads, and its free yaw (rad) when loose."""
    x = _APPROACH
    # the plate shifts by w and yaws by y: each face presses by approach +- (w + a y)
    w, y = sp.symbols("w theta", real=True)
    arm = BASE / 2
    press = {
        "fixed front": w + arm * y,
        "fixed back": w - arm * y,
        "nut front": x - (w + arm * y),
        "nut back": -(w - arm * y),
    }
    energy = WHEEL / 2 * sum(p**2 for p in press.values())
    rest = sp.solve([sp.diff(energy, w), sp.diff(energy, y)], [w, y], dict=True)[0]
    load = {name: sp.simplify(WHEEL * p.subs(rest)) for name, p in press.items()}

    # nuts off by c: the plate yaws until opposite corners touch on both faces
    touching = [sp.Eq(w + arm * y, 0), sp.Eq(movement - (w - arm * y), 0)]
    return energy, load, sp.solve(touching, [w, y], dict=True)[0][y]
