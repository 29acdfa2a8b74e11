"""Play on a circle and on a square: where an axis sticks and where it follows.

A mass with Coulomb friction, pulled slowly through a spring, stands still until the spring pulls
as hard as the friction holds, then follows at that distance: the play operator.  A gantry axis is
just that, so a drawn circle or square is two play operators, one for each axis.
"""

from __future__ import annotations

from functools import cache

import sympy as sp

from gantrysim.records.doors import checked
from gantrysim.theory.derivation import Derivation, Step, equation, named
from gantrysim.theory.quantities import (
    ALONG,
    BACKLASH,
    COMMAND,
    DRAWN,
    FRICTION,
    HALF,
    PHASE,
    PLACE,
    RADIUS,
    SPEED,
    START,
    START_ALONG,
    STIFFNESS,
    TURNED,
    WINDUP,
    Expr,
)

#: Where the play operator is published.
_PLAY = (
    "play: M. A. Krasnosel'skii and A. V. Pokrovskii, Systems with Hysteresis, Springer 1989 "
    "(year from memory)"
)

#: What makes an axis a play operator.
SLOW = (
    Step("Slow motion: only which way the command last moved matters, not how fast."),
    Step(
        "Friction is Coulomb's: one force, whatever the speed, and before it gives nothing moves."
    ),
)
_CONSTANT = Step("Stiffness and friction are the same everywhere on the line.")


#: What each result of `play_element` is.
_OF_ELEMENT = {
    "windup": ("how far the place stays behind the command", "mm"),
    "lost_motion": ("travel of the command that a full reversal swallows", "mm"),
    "loop_energy": (
        "work lost in one cycle of a command between $-R$ and $R$, without backlash",
        "N mm",
    ),
}


@checked
@cache
def play_element() -> Derivation:
    """Derive the windup of an axis: friction F (N) against stiffness k (N/mm), backlash b (mm).

    Returns
    -------
    Derivation
        windup, lost_motion, loop_energy.
    """
    gap = sp.Symbol("x", positive=True)
    behind = sp.solve(sp.Eq(STIFFNESS * gap, FRICTION), gap)[0]
    windup = behind + BACKLASH / 2
    # one cycle: 2 (R - r) forth and as much back, against F all the way
    path = 2 * sp.integrate(1, (PLACE, -(RADIUS - behind), RADIUS - behind))
    return Derivation(
        title="Windup of one axis",
        source=f"energetic form: A. Mielke and F. Theil, On rate-independent hysteresis models, "
        f"NoDEA Nonlinear Differential Equations and Applications 11 (2004) 151-189; {_PLAY}; "
        "solved here",
        assumptions=(
            *SLOW,
            Step("The mass is small enough to be left out, and the spring obeys Hooke's law."),
            Step("For the energy, that the command moves the place at all",
                 sp.StrictLessThan(behind, RADIUS)),
        ),
        steps=(
            Step(
                r"Energy of the spring; a move of $dq$ costs $F\left|dq\right|$ beside it.",
                sp.Eq(sp.Function("E")(COMMAND, PLACE), STIFFNESS * (COMMAND - PLACE) ** 2 / 2),
            ),
            Step(
                "Standing still is stable as long as no small move pays for its friction.",
                sp.Le(sp.Abs(STIFFNESS * (COMMAND - PLACE)), FRICTION),
            ),
            Step("So the place follows at this distance.", equation(WINDUP, behind)),
            Step("Backlash adds half its width: both ends of it are reached by turns.",
                 equation(WINDUP, windup)),
            Step("One cycle pays $F$ over the way of the place.", equation("A", FRICTION * path)),
        ),
        results=named(
            _OF_ELEMENT,
            windup=windup,
            lost_motion=sp.expand(2 * windup),
            loop_energy=sp.factor(FRICTION * path),
        ),
    )  # fmt: skip


#: What each result of `play_on_circle` is.
_OF_CIRCLE = {
    "stuck_angle": ("turn over which the axis stands after each reversal", "rad"),
    "reach": ("furthest place", "mm"),
    "flat": ("length of the flat that the other axis draws", "mm"),
    "steady": (r"place in the steady state over the phase $\varphi$", "mm"),
    "first_slip": (r"turn from a relaxed start at $\alpha_0$ to the first movement", "rad"),
    "first_turn": ("place over the turn $t$ of the first round from there", "mm"),
    "closure_gap": ("end less start of that first round", "mm"),
    "describing_real": (
        r"first harmonic of the place over that of a command $R \sin$, in phase",
        "dimensionless",
    ),
    "describing_imaginary": ("the same, a quarter turn on", "dimensionless"),
}


@checked
@cache
def play_on_circle() -> Derivation:
    """Derive one axis of a circle of radius R (mm) drawn with a windup r (mm), 0 < r < R.

    The command of the axis is R cos(varphi): for x of a circle started at the angle a (rad) and
    drawn with sense s, varphi = s a + t; for y it is s (a - pi/2) + t.

    Returns
    -------
    Derivation
        stuck_angle, reach, flat, steady, first_slip, first_turn, closure_gap, describing_real,
        describing_imaginary.
    """
    R, r = RADIUS, WINDUP
    released = sp.solve(sp.Eq(R * sp.cos(PHASE), R - 2 * r), PHASE)
    stuck = next(root for root in released if root.subs({R: 10, r: 1}) < sp.pi)
    turn = sp.Mod(PHASE, 2 * sp.pi)
    steady = sp.Piecewise(
        (R - r, turn < stuck),
        (R * sp.cos(PHASE) + r, turn < sp.pi),
        (r - R, turn < sp.pi + stuck),
        (R * sp.cos(PHASE) - r, True),
    )
    half = sp.Mod(START, sp.pi)
    cosine = sp.cos(half)
    slip = sp.Piecewise(
        (sp.acos(cosine - r / R) - half, cosine >= r / R - 1),
        (2 * sp.pi - sp.acos(cosine + r / R) - half, True),
    )
    now = START + TURNED
    falling = sp.Piecewise((1, sp.Mod(now, 2 * sp.pi) < sp.pi), (-1, True))
    reversal = sp.pi * (sp.floor((START + slip) / sp.pi) + 1)
    first_turn = sp.Piecewise(
        (R * sp.cos(START), slip > TURNED),
        (R * sp.cos(now) + falling * r, now < reversal),
        (steady.subs(PHASE, now), True),
    )
    began_falling = sp.Piecewise((1, sp.Mod(START, 2 * sp.pi) < sp.pi), (-1, True))
    gap = began_falling * sp.Piecewise((R - r - R * cosine, half < stuck), (r, True))
    real, imaginary = _describing(stuck)
    return Derivation(
        title="One axis of a circle drawn with play",
        source=f"{_PLAY}; describing function: classical, A. Gelb and W. E. Vander Velde, "
        "Multiple-Input Describing Functions and Nonlinear System Design, McGraw-Hill 1968 (from "
        "memory), integrated here; starts and gaps derived here",
        assumptions=(*SLOW, _CONSTANT, Step("The axis moves at all", sp.StrictLessThan(r, R))),
        steps=(
            Step("The axis is commanded along a cosine.", sp.Eq(COMMAND, R * sp.cos(PHASE))),
            Step("At the top it is at $R - r$, pulled forward; it stands until the command has "
                 "come back by $2r$.", sp.Eq(R * sp.cos(PHASE), R - 2 * r)),
            Step("That takes this turn.", equation("delta", stuck)),
            Step(r"While it stands the other axis draws a flat of $R \sin\delta$.",
                 equation("L", sp.simplify(R * sp.sin(stuck)))),
            Step("From a relaxed start it moves when the command has gone $r$ from there: before "
                 "the next reversal, or behind it.", equation("t_1", slip)),
            Step("From the next reversal on the round is steady; so the first round misses its "
                 "start by what steady and relaxed differ there."),
            Step("First harmonic of the place, twice its mean with the sine and the cosine of the "
                 "command.", equation("N", real + sp.I * imaginary)),
        ),
        results=named(
            _OF_CIRCLE,
            stuck_angle=stuck,
            reach=R - r,
            flat=2 * sp.sqrt(r * (R - r)),
            steady=steady,
            first_slip=slip,
            first_turn=first_turn,
            closure_gap=gap,
            describing_real=real,
            describing_imaginary=imaginary,
        ),
    )  # fmt: skip


def _describing(stuck: Expr) -> tuple[Expr, Expr]:
    """First harmonic of the play of a sine over the sine, by integrals over half a turn.

    With varphi = t - pi/2 the command R cos(varphi) is R sin(t): the sine's harmonic is the one
    of cos(varphi), and the cosine's is the one of -sin(varphi).
    """
    R, r, d = RADIUS, WINDUP, sp.Symbol("delta", positive=True)
    half_turn = ((R - r, (PHASE, 0, d)), (R * sp.cos(PHASE) + r, (PHASE, d, sp.pi)))

    def harmonic(wave: Expr) -> Expr:
        total = sum(sp.integrate(place * wave, over) for place, over in half_turn)
        return sp.simplify((2 / (sp.pi * R) * total).subs(d, stuck))

    return harmonic(sp.cos(PHASE)), harmonic(-sp.sin(PHASE))


#: What `play_on_square` takes for granted.
_ASSUMED_SQUARE = (
    *SLOW,
    _CONSTANT,
    Step("The square is larger than the play", sp.StrictLessThan(WINDUP, HALF)),
    Step("For the time in a corner, that the command slows down for none."),
)  # fmt: skip

#: What each result of `play_on_square` is.
_OF_SQUARE = {
    "side": ("side of the steady square", "mm"),
    "stands": ("way of the command, from each corner, over which nothing moves", "mm"),
    "dwell": ("time that takes", "s"),
    "commanded": ("commanded place of the axis over $l$", "mm"),
    "steady": ("its place in the steady state over $l$", "mm"),
    "first_slip": ("way from a relaxed start at $l_0$ to the first movement of the axis", "mm"),
    "first_turn": ("place over the way $d$ drawn in the first round from there", "mm"),
    "closure_gap": ("end less start of that first round", "mm"),
}


@checked
@cache
def play_on_square() -> Derivation:
    """Derive one axis of a square of half side h (mm) drawn with a windup r (mm), 0 < r < h.

    The way l (mm) along the square is counted from where the axis begins to rise: it rises over
    2 h, rests at +h over 2 h, falls over 2 h, rests at -h.  Counter-clockwise with p (mm) counted
    from the lower right corner, l is p for y and p + 2 h for x.  A clockwise square is the same
    with y turned over.

    Returns
    -------
    Derivation
        side, stands, dwell, commanded, steady, first_slip, first_turn, closure_gap.
    """
    h, r = HALF, WINDUP
    lap = sp.Mod(ALONG, 8 * h)
    commanded = sp.Piecewise(
        (lap - h, lap < 2 * h), (h, lap < 4 * h), (5 * h - lap, lap < 6 * h), (-h, True)
    )
    step = sp.Symbol("x", positive=True)
    stands = sp.solve(sp.Eq(-h + step - r, r - h), step)[0]
    steady = sp.Piecewise(
        (r - h, lap < stands),
        (lap - h - r, lap < 2 * h),
        (h - r, lap < 4 * h + stands),
        (5 * h - lap + r, lap < 6 * h),
        (r - h, True),
    )
    half = sp.Mod(START_ALONG, 4 * h)  # rising and falling halves mirror each other
    slip = sp.Piecewise(
        (r, half <= 2 * h - r),
        (6 * h - 2 * half + r, half < 2 * h),
        (4 * h - half + r, True),
    )
    now = START_ALONG + DRAWN
    rising = sp.Piecewise((1, sp.Mod(now, 8 * h) < 4 * h), (-1, True))
    reversal = 4 * h * (sp.floor((START_ALONG + slip) / (4 * h)) + 1)
    first_turn = sp.Piecewise(
        (commanded.subs(ALONG, START_ALONG), slip > DRAWN),
        (commanded.subs(ALONG, now) - rising * r, now < reversal),
        (steady.subs(ALONG, now), True),
    )
    began_rising = sp.Piecewise((1, sp.Mod(START_ALONG, 8 * h) < 4 * h), (-1, True))
    gap = began_rising * sp.Piecewise((r - half, half < stands), (-r, True))
    return Derivation(
        title="One axis of a square drawn with play",
        source=f"{_PLAY}; derived here",
        assumptions=_ASSUMED_SQUARE,
        steps=(
            Step("At a corner the axis that now moves was left $r$ short on the other side; it "
                 "stands until the command is $r$ ahead of it.", equation(-h + step - r, r - h)),
            Step("Meanwhile the other axis is not commanded to move: the spot stands still.",
                 equation(step, stands)),
            Step("Each side ends $r$ short of its corner at both ends.",
                 equation("S", 2 * (h - r))),
            Step("From a relaxed start the axis moves when the command has gone $r$ from there.",
                 equation("d_1", slip)),
            Step("From the next reversal on the round is steady."),
        ),
        results=named(
            _OF_SQUARE,
            side=2 * (h - r),
            stands=stands,
            dwell=stands / SPEED,
            commanded=commanded,
            steady=steady,
            first_slip=slip,
            first_turn=first_turn,
            closure_gap=gap,
        ),
    )  # fmt: skip
