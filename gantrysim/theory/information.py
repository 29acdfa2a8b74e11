"""What a circle and a square tell about the friction of one side: Fisher information.

The line is measured with white noise, normal to itself; how the piece was laid down (shift, turn)
is unknown, and the scales of both axes may be.  What those could explain as well is no
information: it is projected out (Cramer-Rao with nuisance parameters).

Friction on a side makes the beam lag in y by a + g x for each newton, x from the middle of the
pattern: the mean lag a, and its slope along the beam g from racking.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from typing import Any

import sympy as sp

from gantrysim.records.doors import checked
from gantrysim.theory.derivation import Derivation, Step, equation, named
from gantrysim.theory.play import SLOW
from gantrysim.theory.quantities import (
    ALONG,
    ANGLE,
    DENSITY,
    FRICTION_L,
    HALF,
    LAG_SLOPE,
    MEAN_LAG,
    MEASURED,
    RADIUS,
    SPAN,
    Expr,
)
from gantrysim.theory.racking import racking_lag
from gantrysim.theory.waves import wave_integral

_ROOT = r"lowest order in $\sqrt{r/R}$"
_YAW = "first order in the yaw"


#: What each result of `friction_information` is.
_MEANINGS = {
    "circle_known": ("information in a circle, the scales of both axes known", "1/N²", _ROOT),
    "circle_unknown": ("the same, the scales unknown", "1/N²", _ROOT),
    "square_known": ("information in a square, the scales known", "1/N²", _YAW),
    "square_unknown": ("the same, the scales unknown", "1/N²", _YAW),
    "ratio_known": ("circle over square of equal width, the scales known", "dimensionless", _ROOT),
    "ratio_unknown": ("the same, unknown", "dimensionless", _ROOT),
    "mean_lag": ("$a$ of friction on the left side of a machine with equal belts", "mm/N"),
    "lag_slope": ("$g$ of the same", "1/N", _YAW),
    "ratio_of_left_side": (
        "circle over square, the scales unknown, for friction on the left side",
        "dimensionless",
        _ROOT,
    ),
}


@checked
@cache
def friction_information() -> Derivation:
    """Derive the information of circle and square about the friction of a side (N).

    Returns
    -------
    Derivation
        circle_known, circle_unknown, square_known, square_unknown, ratio_known, ratio_unknown,
        mean_lag, lag_slope, ratio_of_left_side.
    """
    R, h, a, g = RADIUS, HALF, MEAN_LAG, LAG_SLOPE
    circle = _circle(scales=False), _circle(scales=True)
    square = _square(scales=False), _square(scales=True)
    ratios = tuple(sp.factor(c / s.subs(h, R)) for c, s in zip(circle, square, strict=True))
    projection = sp.Symbol(r"S_{fn} S_{nn}^{-1} S_{nf}")  # matrices: kept in this order
    lag = racking_lag()
    mean = sp.diff(lag.lag_mean, FRICTION_L)
    slope = sp.diff(lag.skew, FRICTION_L) / SPAN
    return Derivation(
        title="What circle and square tell about friction",
        source="Fisher information with nuisance parameters: S. M. Kay, Fundamentals of "
        "Statistical Signal Processing: Estimation Theory, Prentice Hall 1993, chapter 3 (from "
        "memory); derived here",
        assumptions=(
            *SLOW,
            Step("Points lie evenly along the line, with white noise across it."),
            Step("Shift and turn of the piece are unknown; friction of the other side, of the "
                 "carriage and the lean of the axes are known. With more unknown the ratio is "
                 "smaller."),
            Step(r"Of each side of the square the middle part is measured, a share $c_s$ of it; "
                 "the pattern lies in the middle of the beam."),
        ),
        steps=(
            Step("Friction holds the beam back in y, against its way, by this much for each "
                 "newton.", sp.Eq(sp.Symbol("l"), a + g * sp.Symbol("x"))),
            Step("On a circle the outward part of that changes sign where y turns back.",
                 equation("delta_r", _on_circle())),
            Step("On a square only the two sides along the beam move outward or inward, both "
                 "the same way; the other two are displaced along themselves.",
                 equation("delta_n", -(a + g * ALONG))),
            Step("Shift, turn and scales have signatures of their own. Information is the square "
                 "of the friction's over the line, less its projection on those.",
                 sp.Eq(sp.Symbol("I"), DENSITY * (sp.Symbol("S_ff") - projection))),
            Step("Circle, scales unknown: nothing of the mean lag is lost.",
                 equation("I_c", circle[1])),
            Step("Square, scales unknown: the mean lag is a scale error, only the slope is left.",
                 equation("I_s", square[1])),
            Step("With the scales known the square tells the mean lag a little better than the "
                 "circle.", equation("I_s", square[0])),
        ),
        results=named(
            _MEANINGS,
            circle_known=circle[0],
            circle_unknown=circle[1],
            square_known=square[0],
            square_unknown=square[1],
            ratio_known=ratios[0],
            ratio_unknown=ratios[1],
            mean_lag=mean,
            lag_slope=sp.factor(slope),
            ratio_of_left_side=sp.factor(sp.simplify(ratios[1].subs({a: mean, g: slope}))),
        ),
    )  # fmt: skip


def _on_circle() -> Expr:
    """Outward part of the lag on a counter-clockwise circle, for each newton."""
    lag = MEAN_LAG + LAG_SLOPE * RADIUS * sp.cos(ANGLE)
    return -sp.sign(sp.cos(ANGLE)) * sp.sin(ANGLE) * lag


def _circle(*, scales: bool) -> Expr:
    cos, sin = sp.cos(ANGLE), sp.sin(ANGLE)
    unknown = [cos, sin]  # a turn moves no point outward
    if scales:
        unknown += [RADIUS * cos**2, RADIUS * sin**2]
    right, left = (_on_circle().subs(sp.sign(cos), sign) for sign in (1, -1))

    def product(one: tuple[Expr, Expr], other: tuple[Expr, Expr]) -> Expr:
        spans = ((-sp.pi / 2, sp.pi / 2), (sp.pi / 2, 3 * sp.pi / 2))
        return sum(
            wave_integral(f * g * RADIUS, ANGLE, *span)
            for f, g, span in zip(one, other, spans, strict=True)
        )

    return _information((right, left), [(n, n) for n in unknown], product)


def _square(*, scales: bool) -> Expr:
    """Sides in the order right, top, left, bottom; the way along each is x or y, -h to h."""
    lag = -(MEAN_LAG + LAG_SLOPE * ALONG)
    zero, one = sp.Integer(0), sp.Integer(1)
    unknown = [
        (one, zero, -one, zero),
        (zero, one, zero, -one),
        (-ALONG, ALONG, ALONG, -ALONG),
    ]
    if scales:
        unknown += [(HALF, zero, HALF, zero), (zero, HALF, zero, HALF)]

    def product(one: tuple[Expr, ...], other: tuple[Expr, ...]) -> Expr:
        return sum(
            sp.integrate(sp.expand(f * g), (ALONG, -MEASURED * HALF, MEASURED * HALF))
            for f, g in zip(one, other, strict=True)
        )

    return _information((zero, lag, zero, lag), unknown, product)


def _information(wanted: tuple, unknown: list, product: Callable[[Any, Any], Expr]) -> Expr:
    """Square of the wanted signature less its projection on the unknown ones, times nu."""
    gram = sp.Matrix(len(unknown), len(unknown), lambda i, j: product(unknown[i], unknown[j]))
    mixed = sp.Matrix([product(wanted, u) for u in unknown])
    left = product(wanted, wanted) - (mixed.T * gram.LUsolve(mixed))[0]
    return sp.factor(DENSITY * sp.simplify(left))
