"""Why friction passes as a scale error on one square, not on nested ones, and not on a circle.

Play takes the same off every size; a scale error takes in proportion.  On one square both leave a
smaller square and nothing else, so nothing in it can tell them apart.  A circle turns its axes
round in mid-line, where play leaves steps that no scale error makes.
"""

from __future__ import annotations

from functools import cache

import sympy as sp

from gantrysim.records.doors import checked
from gantrysim.theory.circlepath import circle_series
from gantrysim.theory.derivation import Derivation, Step, equation, named
from gantrysim.theory.play import SLOW, play_on_square
from gantrysim.theory.quantities import (
    ALONG,
    ANGLE,
    DENSITY,
    HALF,
    RADIUS,
    RATIO,
    RINGS,
    ROOT_X,
    ROOT_Y,
    SCALE,
    SPACING,
    WINDUP,
    Expr,
)

_SOURCE = (
    "derived here; the rule of two sizes against nominal is common practice, no source; "
    "information: S. M. Kay, Fundamentals of Statistical Signal Processing: Estimation Theory, "
    "Prentice Hall 1993, chapter 3 (from memory)"
)
#: What `shrink` takes for granted.
_ASSUMED_SHRINK = (
    *SLOW,
    Step("Both axes have the same windup, and it is smaller than what is drawn",
         sp.And(sp.StrictLessThan(WINDUP, HALF), sp.StrictLessThan(WINDUP, RADIUS))),
    Step("Measured points lie evenly along the line, with white noise across it."),
)  # fmt: skip

#: What each result of `shrink` is.
_MEANINGS = {
    "same_scale": ("scale error that draws the square that play draws", "dimensionless"),
    "difference_on_square": ("furthest distance of the two squares then", "mm"),
    "misfit_on_second": (
        "what that scale error leaves wrong in a second square, $c$ times as large",
        "mm",
    ),
    "information_fixed": (
        r"Fisher information about the windup in $N$ nested squares, $\Delta$ apart, the scale "
        "known; shift and turn of the piece unknown",
        "1/mm²",
    ),
    "information_free": ("the same, the scale unknown", "1/mm²"),
    "kept_share": (
        "the second over the first: zero for one square, a ninth for many",
        "dimensionless",
    ),
    "explained_on_square": (
        "share of the play's signature on a square, in the mean square over the line, that the "
        "two scale errors explain",
        "dimensionless",
    ),
    "explained_on_circle": (
        "the same on a circle",
        "dimensionless",
        r"lowest order in $\sqrt{r/R}$",
    ),
    "left_on_circle": (
        "root mean square that no scale error removes from a circle",
        "mm",
        "first order in the windup",
    ),
}


@checked
@cache
def shrink() -> Derivation:
    """Derive what play (windup r on both axes, mm) and scale do to squares and circles.

    Returns
    -------
    Derivation
        same_scale, difference_on_square, misfit_on_second, information_fixed, information_free,
        kept_share, explained_on_square, explained_on_circle, left_on_circle.
    """
    h, r, R = HALF, WINDUP, RADIUS
    square = play_on_square()
    scaled = 2 * h * (1 + SCALE)
    same = sp.solve(sp.Eq(square.side, scaled), SCALE)[0]
    # each corner of one on the same corner of the other: then so are the sides
    apart = [
        sp.simplify(square.steady.subs(ALONG, along) - corner * (1 + same)).subs(r > 2 * h, False)
        for along, corner in ((sp.Integer(0), -h), (4 * h, h))
    ]
    second = sp.factor(sp.simplify((RATIO * h * (1 + same)) - (RATIO * h - r)))

    fixed, free = _nested()
    signature = sp.sign(sp.sin(ANGLE)) * sp.cos(ANGLE) - sp.sign(sp.cos(ANGLE)) * sp.sin(ANGLE)
    quarter = (ANGLE, 0, sp.pi / 2)  # all four are alike: a quarter turn maps x on y
    power = sp.integrate((sp.cos(ANGLE) - sp.sin(ANGLE)) ** 2, quarter) * 2 / sp.pi
    # the scale errors explain what play leaves in the mean and in cos 2 theta
    series = circle_series(6)
    mean, second_harmonic = (
        (R * e).subs({ROOT_X: sp.sqrt(r / R), ROOT_Y: sp.sqrt(r / R)})
        for e in (series.mean, series.cosine_2)
    )
    share = (mean**2 + second_harmonic**2 / 2) / (r**2 * power)
    explained = sp.simplify(_product(-1, h, h) ** 2 / (_product(-1, -1, h) * _product(h, h, h)))
    small = sp.Symbol("epsilon", positive=True)
    share = sp.series(sp.expand(share.subs(r, small**2 * R)), small, 0, 3).removeO()
    return Derivation(
        title="Constant shrink and proportional shrink",
        source=_SOURCE,
        assumptions=_ASSUMED_SHRINK,
        steps=(
            Step("Play on both axes leaves a square with this side, whatever its size.",
                 equation("S", square.side)),
            Step("A scale error leaves this one.", equation("S", scaled)),
            Step("One square: the same line, point for point, for this scale error.",
                 equation(SCALE, same)),
            Step("A second square $c$ times as large then comes out wrong: the size over the "
                 "nominal size is a straight line whose slope is the scale and whose intercept "
                 "is the lost motion.", equation("S", (1 + SCALE) * 2 * h - 2 * r)),
            Step("Information about the windup in $N$ nested squares: the mean square of its "
                 "signature ($1$) over the line of length $8h$, less what the scale's ($h$) "
                 "explains.",
                 equation("I", free)),
            Step("On a circle the signature changes sign at each axis, a scale error's does not: "
                 "their product over a turn is zero.", equation("delta_r", r * signature)),
            Step(r"Only the flats, of order $\sqrt{r/R}$ of the turn, resemble a scale error.",
                 equation("eta", share.subs(small, sp.sqrt(r / R)))),
        ),
        results=named(
            _MEANINGS,
            same_scale=same,
            difference_on_square=sp.Max(*[sp.Abs(a) for a in apart]),
            misfit_on_second=second,
            information_fixed=fixed,
            information_free=free,
            kept_share=sp.factor(sp.simplify(free / fixed)),
            explained_on_square=explained,
            explained_on_circle=sp.simplify(share.subs(small, sp.sqrt(r / R))),
            left_on_circle=r * sp.sqrt(power),
        ),
    )  # fmt: skip


def _product(one: Expr, other: Expr, half: Expr) -> Expr:
    """Integral of the product of two outward errors, even along all sides of a square."""
    return sp.integrate(sp.sympify(one) * other, (ALONG, 0, 8 * half))


def _nested() -> tuple[Expr, Expr]:
    """Information about the windup in nested squares, with the scale known and unknown.

    Both signatures are the same on all sides, so neither resembles a shift or a turn.
    """
    ring = sp.Symbol("i", positive=True, integer=True)
    half = ring * SPACING
    windup, both, scale = (
        sp.factor(sp.summation(_product(a, b, half), (ring, 1, RINGS)))
        for a, b in ((-1, -1), (-1, half), (half, half))
    )
    return DENSITY * windup, sp.factor(sp.simplify(DENSITY * (windup - both**2 / scale)))
