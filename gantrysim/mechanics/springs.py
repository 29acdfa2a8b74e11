"""The elastic parts: springs with play, motors that let go, belts of two spans that cannot push."""

from __future__ import annotations

import math

from gantrysim.records.compiled import kernel

SPRING = 0  # stiffness, half width of its play, how far beyond the play it holds
BELT = 1  # two open spans that cannot push: EA, near span, loop, pretension, sag, half play
_TAUT = 24.0  # beyond this many sag tensions a span is straight to 4e-11 of its sag


@kernel
def _span(tension: float, sag: float) -> tuple[float, float]:
    """Tension a span carries and its slope, given what a rod in its place would carry."""
    x = tension / sag
    if x > _TAUT:
        return tension, 1.0
    if x < -_TAUT:
        return 0.0, 0.0
    grown = math.exp(-abs(x))
    carried = sag * (max(x, 0.0) + math.log1p(grown))
    return carried, (1.0 if x > 0.0 else grown) / (1.0 + grown)


@kernel
def spring_law(
    kind: int, a: float, b: float, c: float, sag: float, e: float, play: float = 0.0
) -> tuple[float, float]:
    """Force and stiffness of one elastic part at an elongation.

    Parameters
    ----------
    kind : int
        0 for a spring, 1 for a belt of two spans.
    a, b, c, sag : float
        Spring: stiffness, half width of its dead zone (mm), elongation beyond that from which
        it pulls no harder (mm; 0 if it always does), unused.  Belt: stiffness of the first and
        of the second span (N/mm), pretension (N), sag (N).
    e : float
        Elongation, mm (rad for a turning spring).
    play : float
        Half width of the play between a belt's teeth and their grooves, mm.

    Returns
    -------
    force, stiffness : float
        In N and N/mm (N mm and N mm/rad for a turning spring).
    """
    if kind == SPRING:
        return play_law(a, b, c, e)
    return _belt_law(a, b, c, sag, e, play)


@kernel
def play_law(a: float, b: float, c: float, e: float) -> tuple[float, float]:
    """As `spring_law`, for what is known to be no belt."""
    if e >= b:  # at the edge it is stiff: with no play there is nothing but the edge
        if 0.0 < c < e - b:
            return a * c, 0.0
        return a * (e - b), a
    if e <= -b:
        if 0.0 < c < -e - b:
            return -a * c, 0.0
        return a * (e + b), a
    return 0.0, 0.0


@kernel
def _belt_law(
    a: float, b: float, c: float, sag: float, e: float, play: float
) -> tuple[float, float]:
    if play > 0.0:
        if e > play:
            e -= play
        elif e < -play:
            e += play
        else:
            return 0.0, 0.0
    t1, s1 = _span(c + a * e, sag)
    t2, s2 = _span(c - b * e, sag)
    return t1 - t2, a * s1 + b * s2


@kernel
def bending_place(kind: int, a: float, b: float, c: float, play: float, which: int) -> float:
    """Elongation at one of the four bends of a spring's law.

    They are the edges of its play and the places where it lets go or, for a belt, where a span
    empties.
    """
    sign = 1.0 if which % 2 == 0 else -1.0
    if kind == SPRING:
        return sign * (b if which < 2 else b + c)
    if which < 2:
        return sign * play
    return play + c / b if sign > 0.0 else -play - c / a
