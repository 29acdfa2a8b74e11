"""Harmonics of the radial error: what play, scale, squareness and velocity lag leave in a circle.

Each cause moves the point at the angle theta by a small vector; its outward part is the radial
error, and the Fourier series of that is what a circle can tell of the cause.  Causes that share a
harmonic cannot be told apart by it.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import sympy as sp

from gantrysim.records.doors import checked
from gantrysim.theory.derivation import Derivation, Step, equation, named
from gantrysim.theory.play import SLOW
from gantrysim.theory.quantities import (
    ANGLE,
    LAG,
    LAG_X,
    LAG_Y,
    LEAN,
    ORDER,
    RADIUS,
    SCALE_X,
    SCALE_Y,
    SENSE,
    SPEED,
    WINDUP_X,
    WINDUP_Y,
    Expr,
)
from gantrysim.theory.waves import wave_integral

#: The orders of the table; the mean is order 0.
ORDERS = (0, 2, 4, 6, 8)

#: What each cause is called.
CAUSES: dict[Expr, str] = {
    SCALE_X: "scale of x",
    SCALE_Y: "scale of y",
    LEAN: "squareness",
    WINDUP_X: "play of x",
    WINDUP_Y: "play of y",
    LAG_X: "velocity lag of x",
    LAG_Y: "velocity lag of y",
}

_FIRST = "first order in every cause"


@checked
@dataclass(frozen=True, eq=False, repr=False, kw_only=True)
class FaultHarmonics(Derivation):
    """First-order harmonics of the radial error of a circle; from `fault_harmonics`.

    Parameters
    ----------
    table : dict
        Cause (symbol) to {(order, "cos" or "sin"): coefficient, mm for each unit of the cause},
        for the orders of `ORDERS`; zero coefficients are left out.
    """

    table: dict[Expr, dict[tuple[int, str], Expr]]

    def shared(self) -> dict[tuple[int, str], tuple[str, ...]]:
        """Which causes share a harmonic: names by (order, "cos" or "sin")."""
        found: dict[tuple[int, str], tuple[str, ...]] = {}
        for cause, row in self.table.items():
            for key in row:
                found[key] = (*found.get(key, ()), CAUSES[cause])
        return dict(sorted(found.items()))

    def rank(self, orders: tuple[int, ...], *, both_senses: bool = False) -> int:
        """How many combinations of the causes these harmonics of one circle can tell.

        Parameters
        ----------
        orders : tuple of int
            Orders that are measured, from `ORDERS`.
        both_senses : bool
            True where a clockwise circle is measured beside the counter-clockwise one.
        """
        rows = []
        for sense in (1, -1) if both_senses else (1,):
            for n in orders:
                for wave in ("cos", "sin"):
                    rows.append(
                        [row.get((n, wave), sp.Integer(0)).subs(SENSE, sense)
                         for row in self.table.values()]
                    )  # fmt: skip
        return int(sp.Matrix(rows).rank())

    def _repr_markdown_(self) -> str:
        return super()._repr_markdown_() + "\n" + self.markdown_table()

    def markdown_table(self) -> str:
        """The table of harmonics as Markdown, one row a cause."""
        columns = sorted({key for row in self.table.values() for key in row})
        head = ["cause"] + ["mean" if n == 0 else rf"$\{wave} {n}\theta$" for n, wave in columns]
        lines = [head, ["---"] * len(head)]
        for cause, row in self.table.items():
            cells = [f"${sp.latex(row[key])}$" if key in row else "" for key in columns]
            lines.append([f"{CAUSES[cause]}, per ${sp.latex(cause)}$", *cells])
        return "\n".join("| " + " | ".join(line) + " |" for line in lines) + "\n"


#: What `fault_harmonics` takes for granted.
_ASSUMED_HARMONICS = (
    *SLOW[1:],
    Step("Every cause is small: products of two causes are left out, and the flats of play "
         "count as points."),
    Step("Velocity lag obeys one time constant an axis, and the speed is constant."),
)  # fmt: skip

#: What each result of `fault_harmonics` is.
_MEANINGS = {
    "radial_error": (r"over the angle $\theta$", "mm", _FIRST),
    "cosine_0": ("mean of all causes together", "mm", _FIRST),
    "cosine_2": (r"coefficient of $\cos 2\theta$", "mm", _FIRST),
    "sine_2": (r"coefficient of $\sin 2\theta$", "mm", _FIRST),
    "sine_4": (r"coefficient of $\sin 4\theta$", "mm", _FIRST),
    "sine_6": (r"coefficient of $\sin 6\theta$", "mm", _FIRST),
    "sine_8": (r"coefficient of $\sin 8\theta$", "mm", _FIRST),
    "play_harmonic_x": (
        r"coefficient of $\sin m\theta$ for each mm of windup of x",
        "dimensionless",
        _FIRST,
    ),
    "play_harmonic_y": ("the same for each mm of windup of y", "dimensionless", _FIRST),
    "apparent_lean": (
        "squareness error that the second harmonic of one circle shows",
        "rad",
        _FIRST,
    ),
    "radius_with_lag": ("radius of a circle drawn with one velocity lag on both axes", "mm"),
}


@checked
@cache
def fault_harmonics() -> FaultHarmonics:
    """Derive the harmonics of a circle of radius R (mm) drawn at a speed v (mm/s), sense s.

    Signs: x' = (1 + e_x) x + alpha y, y' = (1 + e_y) y; a windup and a lag hold back against the
    way the axis moves.

    Returns
    -------
    FaultHarmonics
        radial_error, cosine_0, cosine_2, sine_2, sine_4, sine_6, sine_8, play_harmonic_x,
        play_harmonic_y, apparent_lean, radius_with_lag.
    """
    R, s = RADIUS, SENSE
    cos, sin = sp.cos(ANGLE), sp.sin(ANGLE)
    moves: dict[Expr, tuple[Expr, Expr]] = {
        SCALE_X: (R * cos, 0),
        SCALE_Y: (0, R * sin),
        LEAN: (R * sin, 0),
        WINDUP_X: (s * sp.sign(sin), 0),  # x goes as -s sin(theta) and is held back
        WINDUP_Y: (0, -s * sp.sign(cos)),
        LAG_X: (s * SPEED * sin, 0),
        LAG_Y: (0, -s * SPEED * cos),
    }
    table = {cause: _row(move) for cause, move in moves.items()}
    radial = sum(c * (dx * cos + dy * sin) for c, (dx, dy) in moves.items())
    m = ORDER
    play_x, play_y = _play(m)

    def together(n: int, wave: str) -> Expr:
        total = sum(c * row.get((n, wave), 0) for c, row in table.items())
        return sp.factor(total) if n > 2 else sp.expand(total)

    second = together(2, "sin")
    lean = sp.Symbol("alpha_seen")
    apparent = sp.solve(sp.Eq(table[LEAN][2, "sin"] * lean, second), lean)[0]
    radius, lag_steps = _lagged()
    return FaultHarmonics(
        title="Harmonics of the radial error of a circle",
        source="the causes: ISO 230-4:2022, annex on typical machine errors (the annex from "
        "memory); integrated here",
        assumptions=_ASSUMED_HARMONICS,
        steps=(
            Step(r"Each cause moves the point at $\theta$ by a small vector: its outward part.",
                 sp.Eq(sp.Symbol("delta_r"), sp.Symbol("d_x") * cos + sp.Symbol("d_y") * sin)),
            Step("All causes together, to first order:", equation("delta_r", radial)),
            Step(r"Coefficient of $\sin m\theta$ of the play of x, in quarters where the sign "
                 "holds; y is the same a quarter turn on, so its sign alternates.",
                 equation("b_m", play_x)),
            Step("Second harmonic: scale stands in the cosine; squareness, the difference of the "
                 "plays and of the lags all stand in the sine.", equation("b_2", second)),
            Step("So one circle shows this squareness. The sense of travel turns the sign of play "
                 "and lag, the radius divides the play, the speed multiplies the lag; the sixth "
                 "harmonic holds the difference of the plays alone.", equation(lean, apparent)),
            *lag_steps,
        ),
        table=table,
        results=named(
            _MEANINGS,
            radial_error=radial,
            cosine_0=together(0, "cos"),
            cosine_2=together(2, "cos"),
            sine_2=second,
            sine_4=together(4, "sin"),
            sine_6=together(6, "sin"),
            sine_8=together(8, "sin"),
            play_harmonic_x=play_x,
            play_harmonic_y=play_y,
            apparent_lean=sp.expand(apparent),
            radius_with_lag=radius,
        ),
    )  # fmt: skip


def _row(move: tuple[Expr, Expr]) -> dict[tuple[int, str], Expr]:
    """Fourier coefficients of the outward part of a displacement, quarter by quarter."""
    outward = move[0] * sp.cos(ANGLE) + move[1] * sp.sin(ANGLE)
    row: dict[tuple[int, str], Expr] = {}
    for n in ORDERS:
        for wave, name in ((sp.cos, "cos"), (sp.sin, "sin")):
            share = sp.Rational(1, 2) if n == 0 else 1
            value = share / sp.pi * _round(outward * wave(n * ANGLE))
            if value != 0:
                row[n, name] = value
    return row


#: sign(sin theta) and sign(cos theta) in the four quarters.
_SIGNS = ((1, 1), (1, -1), (-1, -1), (-1, 1))


def _round(expr: Expr) -> Expr:
    """Integral over one turn of an expression with sign(sin theta) and sign(cos theta)."""
    of_sin, of_cos = sp.sign(sp.sin(ANGLE)), sp.sign(sp.cos(ANGLE))
    if not expr.has(of_sin, of_cos):
        return wave_integral(expr, ANGLE, 0, 2 * sp.pi)
    total = sp.Integer(0)
    for i, signs in enumerate(_SIGNS):
        smooth = expr.subs({of_sin: signs[0], of_cos: signs[1]})
        total += wave_integral(smooth, ANGLE, i * sp.pi / 2, (i + 1) * sp.pi / 2)
    return total


def _play(m: Expr) -> tuple[Expr, Expr]:
    """Coefficient of sin(m theta) of the play of x and of y, m even.

    sign(sin) cos sin(m theta) has the same integral over each half turn; products of sine and
    cosine go into sums before integrating.
    """
    product = (sp.sin((m + 1) * ANGLE) + sp.sin((m - 1) * ANGLE)) / 2
    half = sp.integrate(product, (ANGLE, 0, sp.pi), conds="none")
    x = sp.factor(sp.simplify(2 / sp.pi * half))
    return SENSE * x, SENSE * x * sp.cos(m * sp.pi / 2)  # y is x a quarter turn on


def _lagged() -> tuple[Expr, tuple[Step, ...]]:
    """Radius of a circle drawn by two axes that follow with tau q' + q = u."""
    a, b, w = sp.symbols("A B omega", real=True)
    t = sp.Symbol("t", real=True)
    place = a * sp.cos(w * t) + b * sp.sin(w * t)
    left = sp.expand(LAG * sp.diff(place, t) + place - RADIUS * sp.cos(w * t))
    found = sp.solve([left.coeff(sp.cos(w * t)), left.coeff(sp.sin(w * t))], [a, b], dict=True)[0]
    reach = sp.sqrt(sp.factor(sp.simplify(found[a] ** 2 + found[b] ** 2)))
    radius = sp.simplify(reach.subs(w, SPEED / RADIUS))
    return radius, (
        Step("A velocity lag (viscous drag over stiffness is one) obeys this.",
             sp.Eq(LAG * sp.Symbol("q'") + sp.Symbol("q"), sp.Symbol("u"))),
        Step("On a circle both axes shrink alike and trail by one angle: a smaller circle, of "
             "second order in the lag, in no harmonic but the mean.", equation("rho", radius)),
    )  # fmt: skip
