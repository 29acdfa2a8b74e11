"""Results of a derivation over one of its symbols."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np
from sympy import latex

from gantrysim.plotting import look
from gantrysim.records.doors import checked
from gantrysim.theory.derivation import Derivation
from gantrysim.theory.quantities import QUANTITIES, Expr

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_POINTS = 1441


@checked
def plot_derivation(
    found: Derivation,
    name: str,
    over: Expr,
    low: float,
    high: float,
    *,
    at: Mapping[Expr, float],
    label: str | None = None,
    ax: Axes | None = None,
) -> Axes:
    """Draw one result of a derivation over one of its symbols.

    ``found``: what was derived.  ``name``: which result.  ``over``: along the axis; angles are
    drawn in degrees.  ``low``, ``high``: from where to where, in the unit of the symbol (angles in
    rad).  ``at``: values of the other symbols, in their units.  ``label``: what is drawn, with its
    unit; the name of the result if absent.  ValueError if there is no such result, or a symbol of
    it has no value.
    """
    values = np.linspace(low, high, _POINTS)
    drawn = found.numeric(name, over, *at)(values, *at.values())
    meaning, unit = QUANTITIES[over]
    if unit == "rad":
        values, unit = np.degrees(values), "degrees"
    y = label or name.replace("_", " ")
    ax = look.chart_axes(ax, 0.62 * look.WIDTH, f"{meaning}, {unit}", y)
    if drawn.min() <= 0.0 <= drawn.max():
        ax.axhline(0.0, color=look.FAINT, linewidth=0.6)
    ax.plot(values, drawn, color=look.BLUE, linewidth=1.6)
    words = ", ".join(
        f"${latex(s)}$ = {v:g} {QUANTITIES[s].unit}".removesuffix(" dimensionless")
        for s, v in at.items()
    )
    look.heading(ax, words, side="right")
    return ax
