"""Numbers in sentences: in the words of the trade, and no finer than anybody can know them."""

from __future__ import annotations

import math

#: By unit, the finest step that is worth a word: what a rule, a spring scale, a tuner or a
#: controller tells at best, or what nobody at a machine could act on (judgement).
STEPS = {
    "mm": 0.01,
    "N": 0.1,
    "mrad": 0.1,
    "degrees": 1.0,
    "Hz": 1.0,
    "per cent": 0.01,
    "steps per mm": 0.01,
    "mm in a metre": 0.1,
    "% of healthy stiffness": 1.0,
}
#: Units that nobody says, and how they are said: the words, and the factor.
_SAID = {
    "relative": ("mm in a metre", 1000.0),
    "of healthy stiffness": ("% of healthy stiffness", 100.0),
}
#: Digits of a number that is said without its interval, and of half an interval.
_DIGITS, _OF_INTERVAL = 3, 2
#: A probability nearer to 0 or 1 than this is not told from it.
_SURE = 0.01


def probability(p: float) -> str:
    """Say a probability without claiming more than a model can."""
    if p > 1.0 - _SURE:
        return f"above {1.0 - _SURE:.2f}"
    return f"below {_SURE:.2f}" if p < _SURE else f"{p:.2f}"


def in_words(value: float, unit: str) -> str:
    """Say a number with its unit: to three digits, and no finer than the unit is read."""
    said, factor = _SAID.get(unit, (unit, 1.0))
    value, step = value * factor, STEPS.get(said, 0.0)
    if abs(value) < 0.5 * step:
        return f"under {_number(step, step)} {said}"
    number = _number(value, max(step, min(_place(value, _DIGITS), 1.0)))
    return f"{number} {said[:-1] if number == '1' and said == 'degrees' else said}"


def about(value: float, unit: str) -> str:
    """Say a number that is only roughly known."""
    said = in_words(value, unit)
    return said if said.startswith("under") else f"about {said}"


def signed(value: float, unit: str) -> str:
    """Say an amount with its sign, whichever that is."""
    return f"{'-' if value < 0.0 else '+'}{in_words(abs(value), unit)}"


def with_interval(
    estimate: float,
    low: float,
    high: float,
    unit: str,
    *,
    ways: tuple[str, str] = ("", ""),
    finest: float = 0.0,
) -> str:
    """Say a number with its 95 % interval: two digits of the interval, no finer than is read.

    ``ways``: what numbers above and below zero are called, such as "too long" and "too short".
    ``finest``: what this number, in its unit, can be set or read to, where that is coarser.
    """
    said, factor = _SAID.get(unit, (unit, 1.0))
    least = max(STEPS.get(said, 0.0), finest * factor)
    low, middle, high = (v * factor for v in (low, estimate, high))
    if max(abs(low), abs(high)) < max(0.5 * STEPS.get(said, 0.0), finest * factor):
        return f"under {_number(least, least)} {said}"
    step = max(least, _place(0.5 * (high - low), _OF_INTERVAL))

    def number(value: float) -> str:
        return _number(abs(value) if ways[0] else value, step)

    def way(value: float) -> str:
        return ways[0] if value > 0.0 else ways[1]

    told = f"{number(middle)} {said} {way(middle)}".rstrip()
    near, far = sorted((low, high), key=abs)
    if float(number(near)) == 0.0 and low * high >= 0.0 < step:
        if float(number(middle)) == 0.0:
            told = f"under {_number(step, step)} {said} {way(far)}".rstrip()
        return f"{told}, 95 % below {_number(abs(far), step)}" if far else told
    if number(low) == number(high) and low * high >= 0.0:
        return told
    none = float(number(middle)) == 0.0
    if not ways[0]:
        ends = f"between {number(min(low, high))} and {number(max(low, high))}"
        return f"{ends} {said} (95 %)" if none else f"{told}, 95 % {ends}"
    if low * high < 0.0:
        behind, ahead = (f"{number(end)} {way(end).split()[-1]}" for end in (low, high))
        if none:
            return f"from {number(low)} {said} {way(low)} to {ahead} (95 %)"
        return f"{told}, 95 % from {behind} to {ahead}"
    return f"{told}, 95 % between {number(near)} and {number(far)}"


def between(low: float, high: float, unit: str) -> str:
    """Say a 95 % interval alone, to the digits of `with_interval`."""
    ends = with_interval(0.5 * (low + high), low, high, unit).partition(", 95 % ")
    if not ends[1]:
        return ends[0]
    said, _ = _SAID.get(unit, (unit, 1.0))
    return f"{ends[2]} {said} (95 %)"


def _place(value: float, digits: int) -> float:
    """The place of the last of so many digits of a number; 0 for zero."""
    return 10.0 ** (math.floor(math.log10(abs(value))) + 1 - digits) if value else 0.0


def _number(value: float, step: float) -> str:
    """A number to the decade of a step; to three digits where there is none."""
    if step <= 0.0:
        return f"{value:.{_DIGITS}g}"
    place = math.floor(math.log10(step) + 1e-9)
    shown = round(value / 10.0**place) * 10.0**place
    return f"{shown + 0.0:.{max(-place, 0)}f}"
