"""Two coupled sides: how far each stays behind, and what a full reversal looks like.

Each side is pulled by its belt against its friction; the racking stiffness ties them together.
"""

from __future__ import annotations

from functools import cache

import sympy as sp

from gantrysim.records.doors import checked
from gantrysim.theory.derivation import Derivation, Step, equation, named
from gantrysim.theory.play import SLOW
from gantrysim.theory.quantities import (
    FRICTION_L,
    FRICTION_R,
    RACKING,
    SPAN,
    STIFFNESS,
    STIFFNESS_L,
    STIFFNESS_R,
)

#: What each result of `racking_lag` is.
_MEANINGS = {
    "lag_left": ("how far the left side stays behind while both slide", "mm"),
    "lag_right": ("how far the right side does", "mm"),
    "lag_mean": ("mean of the two for equal belts", "mm"),
    "skew": ("lag of the right side less that of the left, equal belts", "mm"),
    "skew_loose": ("the same without racking stiffness", "mm"),
    "skew_stiff": ("the same with a rigid beam", "mm"),
    "first_slip": ("travel of the command after a reversal at which the left side moves", "mm"),
    "second_slip": ("travel at which the right side moves", "mm"),
    "left_when_right_slips": ("how far the left side has come by then", "mm"),
    "tilt": (
        "difference in tilt of two lines along the beam, one drawn after moving up and one after "
        "moving down, equal belts",
        "rad",
        "first order in the yaw",
    ),
}


@checked
@cache
def racking_lag() -> Derivation:
    """Derive the lags of two sides: frictions (N), belts (N/mm), racking stiffness (N/mm).

    The reversal is written for the left side slipping first, that is for
    F_L / k_L <= F_R / k_R; exchange the sides otherwise.

    Returns
    -------
    Derivation
        lag_left, lag_right, lag_mean, skew, skew_loose, skew_stiff, first_slip, second_slip,
        left_when_right_slips, tilt.
    """
    kl, kr, c, fl, fr = STIFFNESS_L, STIFFNESS_R, RACKING, FRICTION_L, FRICTION_R
    ql, qr, u, w = sp.symbols("q_L q_R u w", real=True)
    energy = (kl * (u - ql) ** 2 + kr * (u - qr) ** 2 + c * (qr - ql) ** 2) / 2
    pull_l, pull_r = -sp.diff(energy, ql), -sp.diff(energy, qr)
    sliding = sp.solve([pull_l - fl, pull_r - fr], [ql, qr], dict=True)[0]
    lag_l, lag_r = (sp.factor(sp.simplify(u - sliding[q])) for q in (ql, qr))
    alike = {kl: STIFFNESS, kr: STIFFNESS}
    mean = sp.simplify((lag_l + lag_r).subs(alike) / 2)
    skew = sp.factor(sp.simplify((lag_r - lag_l).subs(alike)))

    # reversal: the command comes back by w from where both slid up
    top = {u: -w, ql: -lag_l, qr: -lag_r}
    first = sp.solve(sp.Eq(pull_l.subs(top), -fl), w)[0]
    follows = sp.solve(sp.Eq(pull_l.subs({u: -w, qr: -lag_r}), -fl), ql)[0]
    held = pull_r.subs({u: -w, ql: follows, qr: -lag_r})
    second = sp.factor(sp.simplify(sp.solve(sp.Eq(held, -fr), w)[0]))
    moved = sp.factor(sp.simplify(-lag_l - follows.subs(w, second)))
    return Derivation(
        title="Lag of two coupled sides",
        source="statics of two springs and a coupling, derived here; lumped models of dual-drive "
        "gantries: C. S. Teo, K. K. Tan and others, Dynamic modeling and adaptive control of a "
        "H-type gantry stage, Mechatronics 17 (2007) 361-367 (from memory)",
        assumptions=(
            *SLOW,
            Step("Both belts have one drive that does not yield, and stay taut."),
            Step("For the reversal, that the left side slips first",
                 sp.LessThan(fl / kl, fr / kr)),
        ),
        steps=(
            Step("Energy of the two belts and of racking.", sp.Eq(sp.Symbol("E"), energy)),
            Step("While both slide up, each belt with the coupling balances a friction.",
                 sp.Eq(sp.Matrix([pull_l, pull_r]), sp.Matrix([fl, fr]))),
            Step("Left side:", equation("l_L", lag_l)),
            Step("Right side:", equation("l_R", lag_r)),
            Step("With equal belts the mean knows only the sum of the frictions, the skew only "
                 "their difference.", equation("Delta", skew)),
            Step("After a reversal both stand; the coupling does not change until one moves. The "
                 "left one does when its belt has changed by twice its friction.",
                 equation("w_1", first)),
            Step("From there it drags at the right one through the coupling, which gives way "
                 "here: at twice the lag of the right side.", equation("w_2", second)),
            Step("Then both slide down with the same lags, negative: a line along the beam tilts "
                 "the other way. A squareness error does not change sign.",
                 equation("psi", 2 * skew / SPAN)),
        ),
        results=named(
            _MEANINGS,
            lag_left=lag_l,
            lag_right=lag_r,
            lag_mean=mean,
            skew=skew,
            skew_loose=sp.limit(skew, c, 0),
            skew_stiff=sp.limit(skew, c, sp.oo),
            first_slip=sp.simplify(first),
            second_slip=second,
            left_when_right_slips=moved,
            tilt=2 * skew / SPAN,
        ),
    )  # fmt: skip
