"""A nominal plate for the derivation of its eccentric nuts: values of its symbols."""

from __future__ import annotations

import math

from gantrysim import theory as th

NUT = {th.OFFSET: 0.79, th.WHEEL: 600.0, th.BEARING: 0.375, th.SCRUB: 0.375,
       th.REFERENCE: 60.0, th.EXPONENT: 1.8, th.BASE: 75.0, th.SPAN: 430.0}  # fmt: skip


def at_degrees(name: str, degrees: float) -> float:
    """A result of the derivation for this plate with the nut so many degrees past contact."""
    expr = th.eccentric_nut().expressions[name].subs(NUT)
    return float(expr.subs(th.NUT, math.radians(degrees)))
