"""Integrals of polynomials in sines and cosines, quickly."""

from __future__ import annotations

import sympy as sp

from gantrysim.theory.quantities import Expr

_Z = sp.Symbol("Z")  # exp(i x)


def wave_integral(expr: Expr, variable: Expr, low: Expr, high: Expr) -> Expr:
    """Integral of a polynomial in sines and cosines of whole multiples of a variable.

    ``expr``: such a polynomial.  ``variable``: the angle, rad.  ``low``, ``high``: between these
    angles, rad.

    With Z = exp(i x) the polynomial is a sum of powers of Z, each of which integrates at once
    (Euler's formulas).  The general integrator of the algebra package finds the same, far
    more slowly.
    """
    turned = expr.replace(sp.sin, lambda arg: _euler(arg / variable, -sp.I, -1))
    turned = turned.replace(sp.cos, lambda arg: _euler(arg / variable, sp.Integer(1), 1))
    total = sp.Integer(0)
    for power, factor in sp.collect(sp.expand(turned), _Z, evaluate=False).items():
        k = power.as_base_exp()[1] if power != 1 else 0
        if k == 0:
            total += factor * (high - low)
        else:
            total += factor * (sp.exp(sp.I * k * high) - sp.exp(sp.I * k * low)) / (sp.I * k)
    return sp.expand(total)


def _euler(multiple: Expr, factor: Expr, sign: int) -> Expr:
    return factor * (_Z**multiple + sign * _Z ** (-multiple)) / 2
