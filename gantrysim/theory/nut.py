"""The eccentric nut: how far it moves its wheel, what that loads, and what the plate then drags."""

from __future__ import annotations

from functools import cache

import sympy as sp

from gantrysim.records.doors import checked
from gantrysim.theory.derivation import Derivation, Step, equation
from gantrysim.theory.quantities import (
    BASE,
    BEARING,
    CLEARANCE,
    EXPONENT,
    NUT,
    OFFSET,
    REFERENCE,
    SCRUB,
    SPAN,
    STIFFNESS,
    WHEEL,
)


@checked
@cache
def eccentric_nut() -> Derivation:
    """Derive load, drag and play of a plate from the turn of one nut (rad).

    All wheels must carry load; before first contact see `contact_angle`.

    Returns
    -------
    Derivation
        Of these expressions.

        - movement: way of the wheel toward the rail from first contact, mm.
        - pair_load, other_load: load of the wheel on a nut that is turned by phi (rad) and of the
          one across from it, and what that turn changes in the loads of the other pair, N.
        - drag: drag of that pair of wheels, N, exact; phi from 0 to pi/2.
        - drag_first_order: the same for small turns, N; the relative error is of second order in
          phi.
        - sensitivity: growth of the drag with the turn, N/rad.
        - windup_sensitivity: what that adds to the windup of an axis pulled through the stiffness
          k, mm/rad.
        - contact_angle: turn from a clearance c_0 (mm) to first contact, rad: the dead zone of the
          nut.
        - racking_play: free play y_right - y_left of a plate with both nuts turned back to phi < 0,
          mm.
        - load_error: relative error of the load to first order, leading term in phi.
    """
    movement = OFFSET * sp.sin(NUT)

    # the plate shifts by w and yaws by y: each face presses by approach +- (w + a y)
    w, y, x = sp.symbols("w theta x", real=True)
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
    pair = load["nut front"].subs(x, movement)

    drag = 2 * (BEARING + SCRUB * (pair / REFERENCE) ** EXPONENT)
    small = sp.series(movement, NUT, 0, 4).removeO()
    first = drag.subs(movement, small.coeff(NUT, 1) * NUT)
    sensitivity = sp.simplify(sp.diff(drag, NUT))
    contact = sp.solve(sp.Eq(OFFSET * sp.Symbol("z"), CLEARANCE), sp.Symbol("z"))[0]

    # nuts off by c: the plate yaws until opposite corners touch on both faces
    free = sp.solve([sp.Eq(w + arm * y, 0), sp.Eq(movement - (w - arm * y), 0)], [w, y], dict=True)[
        0
    ][y]
    play = sp.simplify(2 * sp.Abs(free).subs(sp.Abs(sp.sin(NUT)), -sp.sin(NUT)) * SPAN)
    return Derivation(
        title="Eccentric nut of an end plate",
        source="geometry and balance derived here; drag over load: power law fitted to a published "
        "study of acetal rolls (2021)",
        steps=(
            Step("The bolt goes round the nut's axis: toward the rail it moves by the sine of the "
                 "turn from first contact.", sp.Eq(x, movement)),
            Step("The plate gives way by a shift and a yaw until the energy of its wheels is "
                 "least.", sp.Eq(sp.Symbol("E"), energy)),
            Step("The wheel across the rail takes half; front and back do not feel each other.",
                 equation("P", pair)),
            Step("Both wheels of the pair drag by what they carry.", equation("D", drag)),
            Step("For small turns the sine is the angle.", equation("D", first)),
            Step("Before contact the drag is that of the bearings, whatever the turn: a dead zone "
                 "as wide as the clearance.", equation("phi_0", sp.asin(contact))),
            Step("Meanwhile the plate rattles: it yaws until opposite corners touch.",
                 equation("Delta_0", play)),
        ),
        expressions=dict(
            movement=movement,
            pair_load=pair,
            other_load=load["nut back"],
            drag=drag,
            drag_first_order=first,
            sensitivity=sensitivity,
            windup_sensitivity=sensitivity / STIFFNESS,
            contact_angle=sp.asin(contact),
            racking_play=play,
            load_error=sp.expand(sp.series(NUT / sp.sin(NUT) - 1, NUT, 0, 4).removeO()),
        ),
    )  # fmt: skip
