"""The circle that two axes with play draw: four arcs, four flats, and what is measured on them.

The path looks the same after half a turn, so its least-squares circle has its centre at the
commanded centre and no odd harmonics.  Deviations are taken over the angle seen from the centre,
as ISO 12181 takes a profile.  All expansions are in the root of windup over radius,
p = sqrt(r_x / R) and w = sqrt(r_y / R): the flats are about 2 p and 2 w long, as angles.
"""

from __future__ import annotations

from functools import cache

import sympy as sp

from gantrysim.records.doors import checked
from gantrysim.theory.derivation import Derivation, Result, Step, equation, named
from gantrysim.theory.play import SLOW
from gantrysim.theory.quantities import (
    ANGLE,
    PHASE,
    RADIUS,
    ROOT_X,
    ROOT_Y,
    WINDUP_X,
    WINDUP_Y,
    Expr,
)
from gantrysim.theory.waves import wave_integral

_T = sp.Symbol("T", positive=True)  # counts powers of p and w together


#: What each result of `circle_path` is.
_OF_PATH = {
    "flat_x": ("length of the flats at the extremes of x", "mm"),
    "flat_y": ("length of the flats at the extremes of y", "mm"),
    "box_x": ("width of the bounding box", "mm"),
    "box_y": ("its height", "mm"),
    "radius": (r"distance from the centre over the angle $\theta$", "mm"),
    "deviation": ("that distance less $R$", "mm"),
    "peak_x": ("distance of the point where x breaks away", "mm"),
    "peak_y": ("distance of the point where y breaks away", "mm"),
    "roundness": ("furthest less nearest point, RONt about the least-squares circle", "mm"),
    "roundness_one_axis": ("the same with play on x only", "mm"),
    "mean_radius": (
        "radius of the least-squares circle of a profile even in the angle seen from the centre",
        "mm",
    ),
}


@checked
@cache
def circle_path() -> Derivation:
    """Derive the steady circle of radius R (mm) drawn with windups r_x, r_y (mm).

    Exact for windups below half the radius.  A clockwise circle is its mirror image.

    Returns
    -------
    Derivation
        flat_x, flat_y, box_x, box_y, radius, deviation, peak_x, peak_y, roundness,
        roundness_one_axis, mean_radius.
    """
    R, x, y = RADIUS, WINDUP_X, WINDUP_Y
    flat_x, flat_y = 2 * sp.sqrt(x * (R - x)), 2 * sp.sqrt(y * (R - y))
    # each flat from where the other axis reverses (beyond it by that windup) to break-away
    before_x, after_x = sp.atan(y / (R - x)), sp.atan((flat_x - y) / (R - x))
    before_y, after_y = sp.atan(x / (R - y)), sp.atan((flat_y - x) / (R - y))
    turn = sp.Mod(ANGLE + before_x, sp.pi) - before_x
    radius = sp.Piecewise(
        ((R - x) / sp.cos(turn), turn < after_x),
        (_arc(turn, x, -y), turn < sp.pi / 2 - before_y),
        ((R - y) / sp.sin(turn), turn < sp.pi / 2 + after_y),
        (_arc(turn, x, y), True),
    )
    peak_x = sp.sqrt((R - x) ** 2 + (flat_x - y) ** 2)
    peak_y = sp.sqrt((R - y) ** 2 + (flat_y - x) ** 2)
    one_axis = sp.sqrt(sp.factor(sp.expand(peak_x.subs(y, 0) ** 2))) - (R - x)
    mean = (_quarter_integral(R, x, y) + _quarter_integral(R, y, x)) / sp.pi
    return Derivation(
        title="Circle drawn with play on both axes",
        source="four arcs: derived here from the play operator; roundness about the least-squares "
        "circle, RONt: ISO 12181-1:2011; elliptic integrals: NIST Digital Library of Mathematical "
        "Functions, section 19.2",
        assumptions=(
            *SLOW,
            Step("Windup and radius are the same all round; the second round and all after it."),
            Step("The windups are below half the radius",
                 sp.And(sp.StrictLessThan(x, R / 2), sp.StrictLessThan(y, R / 2))),
            Step("For the roundness, that the flats cross their axes",
                 sp.And(sp.StrictLessThan(y, flat_x), sp.StrictLessThan(x, flat_y))),
        ),
        steps=(
            Step("While both axes follow, each stays its windup behind, so the spot draws an arc "
                 "of the commanded radius about a shifted centre; first quadrant:",
                 sp.Eq(sp.Matrix([sp.Symbol("x"), sp.Symbol("y")]),
                       sp.Matrix([R * sp.cos(PHASE) + x, R * sp.sin(PHASE) - y]))),
            Step("While x stands at $R - r_x$, y draws a flat up to where x breaks away.",
                 equation("L_x", flat_x)),
            Step("The flat begins $r_y$ before the axis, where y was left behind. It is lowest on "
                 "the axis and ends in the furthest point.", equation("rho_max", peak_x)),
            Step("Seen from the centre a shifted arc lies at this distance; its integral is "
                 r"elliptic, that of a flat is the inverse hyperbolic sine of $\tan\theta$.",
                 equation("rho", _arc(ANGLE, x, -y))),
            Step("A second quadrant is the first with the axes exchanged; the other half turn "
                 "repeats this one. So the mean is that of two quarters."),
        ),
        results=named(
            _OF_PATH,
            flat_x=flat_x,
            flat_y=flat_y,
            box_x=2 * (R - x),
            box_y=2 * (R - y),
            radius=radius,
            deviation=radius - R,
            peak_x=peak_x,
            peak_y=peak_y,
            roundness=sp.Max(peak_x, peak_y) - (R - sp.Max(x, y)),
            roundness_one_axis=one_axis,
            mean_radius=mean,
        ),
    )  # fmt: skip


def _arc(theta: Expr, x: Expr, y: Expr) -> Expr:
    """Distance of a circle of radius R about (x, y), seen from the origin."""
    across = x * sp.sin(theta) - y * sp.cos(theta)
    return x * sp.cos(theta) + y * sp.sin(theta) + sp.sqrt(RADIUS**2 - across**2)


def _quarter_integral(R: Expr, x: Expr, y: Expr) -> Expr:
    """Integral of the distance over the flat of x and the arc behind it."""
    flat = 2 * sp.sqrt(x * (R - x))
    low, high = y / (R - x), (flat - y) / (R - x)  # tangents at the ends of the flat
    begin, end = sp.atan(high), sp.pi / 2 - sp.atan(x / (R - y))
    turned, m = sp.atan2(y, x), (x**2 + y**2) / R**2

    def arc(theta: Expr) -> Expr:
        shift = x * sp.sin(theta) + y * sp.cos(theta)
        return shift + R * sp.elliptic_e(theta + turned, m)

    return (R - x) * (sp.asinh(high) + sp.asinh(low)) + arc(end) - arc(begin)


@checked
@cache
def circle_series(order: int = 6) -> Derivation:
    """Expand radius, ovality and harmonics of the drawn circle in p and w.

    Parameters
    ----------
    order : int
        Of the first term left out, 3 to 7.  The windups themselves are of order 2.

    With p = sqrt(r_x / R), w = sqrt(r_y / R).  The first term left out is of `order` in p and w.

    Returns
    -------
    Derivation
        mean, mean_in_time, cosine_2, sine_2, cosine_4, sine_4, roundness_one_axis,
        roundness_equal, ovality.

    Raises
    ------
    ValueError
        If the order is not one of 3 to 7.
    """
    if order not in range(3, 8):
        raise ValueError(f"order must be a whole number from 3 to 7, found {order!r}.")
    (mean, _), (c2, s2), (c4, s4) = (_harmonic(n, order) for n in (0, 2, 4))
    in_time = _mean_in_time(order)
    path, small = circle_path(), {WINDUP_X: _T**2 * RADIUS, WINDUP_Y: _T**2 * RADIUS}
    highest = path.peak_x - (RADIUS - WINDUP_X)
    one, equal = (
        _series(sp.simplify(rounded.subs(small) / RADIUS), order).subs(_T, ROOT_X)
        for rounded in (path.roundness_one_axis, highest)
    )
    found = dict(
        mean=(mean / 2, "radius of the least-squares circle less $R$, over $R$, of a profile even "
              "in the angle seen from the centre"),
        mean_in_time=(in_time, "the same of a profile even in the commanded angle, as samples at "
                      "equal times give it"),
        cosine_2=(c2, r"coefficient of $\cos 2\theta$ in the radial error over $R$"),
        sine_2=(s2, r"coefficient of $\sin 2\theta$"),
        cosine_4=(c4, r"coefficient of $\cos 4\theta$"),
        sine_4=(s4, r"coefficient of $\sin 4\theta$"),
        roundness_one_axis=(one, "RONt over $R$ with play on x only"),
        roundness_equal=(equal, "RONt over $R$ with the play of x on both axes"),
        ovality=(4 * sp.sqrt(c2**2 + s2**2), "largest less smallest diameter of the two-lobed "
                 "part, over $R$: four times the amplitude of the second harmonic"),
    )  # fmt: skip
    return Derivation(
        title=f"Small play on a circle, below order {order} in the roots of windup over radius",
        source="derived here; the causes: ISO 230-4:2022, annex on typical machine errors (the "
        "annex from memory)",
        assumptions=(
            *circle_path().assumptions,
            Step("The windups are small: the first term left out is of order "
                 f"{order} in $p$ and $w$."),
        ),
        steps=(
            Step(r"Measured in $R$, the windups are $p^2 = r_x / R$ and $w^2 = r_y / R$, and the "
                 "flats reach to about $2p$ and $2w$; count their powers together."),
            Step("On the arc behind the flat of x the error is the shift of the centre, to the "
                 "second order in the windups.",
                 sp.Eq(sp.Symbol("rho") / RADIUS - 1, _arc_error(ANGLE, 8).subs(_T, 1))),
            Step("On the flat it is that of a straight line; the angle is of first order.",
                 equation(sp.Symbol("rho") / RADIUS - 1,
                       (1 - ROOT_X**2) / sp.cos(ANGLE) - 1)),
            Step(r"Integrated over both with $\cos n\theta$ and $\sin n\theta$; exchanging $p$ and "
                 "$w$ gives the next quarter. The mean is the radius of the least-squares circle."),
            Step("To the lowest order the mean vanishes: what the arcs before and behind an axis "
                 "add cancels. Equal play leaves no second harmonic at all."),
        ),
        results={
            name: Result(expression, words, "dimensionless", f"below order {order} in $p$ and $w$")
            for name, (expression, words) in found.items()
        },
    )  # fmt: skip


def _arc_error(theta: Expr, order: int) -> Expr:
    """Error of the first arc over R below an order in T (8 at most)."""
    p, w = ROOT_X, ROOT_Y
    along = p**2 * sp.cos(theta) - w**2 * sp.sin(theta)
    across = p**2 * sp.sin(theta) + w**2 * sp.cos(theta)
    root = sp.Symbol("m")
    bent = sp.series(sp.sqrt(1 - root), root, 0, 2).removeO().subs(root, _T**4 * across**2)
    return _below(sp.expand(_T**2 * along + bent - 1), order)


def _below(expr: Expr, order: int) -> Expr:
    """The terms of a polynomial in T below an order."""
    expr = sp.expand(expr)
    return sum(expr.coeff(_T, n) * _T**n for n in range(order))


def _series(expr: Expr, order: int) -> Expr:
    return sp.expand(sp.series(expr, _T, 0, order).removeO())


@cache
def _ends(order: int) -> tuple[Expr, Expr, Expr]:
    """How far the flat of x reaches before and behind the axis, and that of y before its own."""
    x, y = (ROOT_X * _T) ** 2, (ROOT_Y * _T) ** 2
    flat = 2 * ROOT_X * _T * sp.sqrt(1 - x)
    return (
        _series(sp.atan(y / (1 - x)), order),
        _series(sp.atan((flat - y) / (1 - x)), order),
        _series(sp.atan(x / (1 - y)), order),
    )


def _powers(rise: Expr, coefficients: list[Expr], order: int) -> Expr:
    """Sum of coefficient times power of a small angle, below an order."""
    total, power = sp.Integer(0), sp.Integer(1)
    for c in coefficients:
        total += c * power
        power = _below(power * rise, order)
    return _below(total, order)


def _taylor(integrand: Expr, at: Expr, order: int) -> list[Expr]:
    """Taylor coefficients of the antiderivative about a place, that is zero there."""
    found, slope = [sp.Integer(0)], integrand
    for n in range(1, order):
        found.append(slope.subs(ANGLE, at) / sp.factorial(n))
        slope = sp.diff(slope, ANGLE)
    return found


@cache
def _quarter(n: int, sine: bool, order: int) -> Expr:
    """Integral of error times wave over the flat of x and the arc behind it, below an order."""
    wave = (sp.sin if sine else sp.cos)(n * ANGLE)
    before, behind, short = _ends(order)
    flat = (1 - (ROOT_X * _T) ** 2) / sp.cos(ANGLE) - 1
    on_flat = _taylor(flat * wave, sp.Integer(0), order)
    error = _arc_error(ANGLE, order) * wave
    whole = wave_integral(error, ANGLE, 0, sp.pi / 2)
    lost = _powers(behind, _taylor(error, sp.Integer(0), order), order)
    # the end is short of pi / 2: over the rest the antiderivative runs backward
    rest = _powers(-short, _taylor(error, sp.pi / 2, order), order)
    straight = _powers(behind, on_flat, order) - _powers(-before, on_flat, order)
    return _below(straight + whole - lost + rest, order)


def _harmonic(n: int, order: int) -> tuple[Expr, Expr]:
    """Coefficients of cos and sin of n theta (n even), 2 / pi times the half turn."""
    swap = {ROOT_X: ROOT_Y, ROOT_Y: ROOT_X}

    def whole(sine: bool) -> Expr:
        first = _quarter(n, sine, order).subs(_T, 1)
        second = first.subs(swap, simultaneous=True) * (-1) ** (n // 2)
        terms = sp.expand(2 / sp.pi * (first + second))
        return sp.collect(terms, sp.pi)

    return whole(False), whole(True)


def _mean_in_time(order: int) -> Expr:
    """Mean of the error over the commanded angle, over R, below an order."""
    p, w = ROOT_X, ROOT_Y
    x, y = (p * _T) ** 2, (w * _T) ** 2
    small = sp.Symbol("z")
    root = sp.series(sp.sqrt(1 + small), small, 0, 4).removeO()
    shift = 2 * (x * sp.cos(ANGLE) - y * sp.sin(ANGLE)) + x**2 + y**2
    on_arc = _below(root.subs(small, shift) - 1, order)
    released = _series(sp.acos(1 - 2 * x), order)
    # on the flat x stands; sin of the commanded angle is of first order there
    rise = _below(sp.series(sp.sin(ANGLE * _T), _T, 0, order + 1).removeO(), order + 1) - y
    out = _below((1 - x) ** 2 + rise**2 - 1, order)
    on_flat = _below(root.subs(small, out) - 1, order).subs(ANGLE, ANGLE / _T)
    straight = _below(sp.integrate(sp.expand(on_flat), ANGLE).subs(ANGLE, released), order)
    whole = wave_integral(on_arc, ANGLE, 0, sp.pi / 2)
    lost = _powers(released, _taylor(on_arc, sp.Integer(0), order), order)
    first = (straight + whole - lost).subs(_T, 1)
    second = first.subs({p: w, w: p}, simultaneous=True)
    return sp.collect(sp.expand((first + second) / sp.pi), sp.pi)
