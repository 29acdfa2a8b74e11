"""Checks of the numbers that describe a machine: one sentence for each that is not usable."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from gantrysim.records.inputs import shortened


def require(condition: bool, owner: str, name: str, value: object, accepted: str) -> None:
    """Raise one clear sentence unless a field holds an accepted value.

    Raises
    ------
    ValueError
        Naming the owner, the field, what was found and what is accepted.
    """
    if not condition:
        found = shortened(value)
        raise ValueError(f"{owner}: {name} = {found} is not usable; accepted is {accepted}")


def check_numbers(owner: Any, limits: Mapping[str, tuple[float, float]]) -> None:
    """Check numeric fields of a dataclass against closed intervals; NaN lies in none.

    Raises
    ------
    ValueError
        Naming the class, the field, what was found and the interval.
    """
    for name, (low, high) in limits.items():
        value = getattr(owner, name)
        if value.__class__ is float and low <= value <= high:
            continue  # the usual case, fast: machines are built by the thousand
        ok = isinstance(value, int | float) and not isinstance(value, bool)
        ok = ok and low <= value <= high
        accepted = f"a finite number from {low:g} to {high:g}"
        require(ok, type(owner).__name__, name, value, accepted)


def above_zero(owner: str, **values: float) -> None:
    """Raise one clear sentence unless every named value is finite and above 0."""
    for name, value in values.items():
        if not 0.0 < value < math.inf:
            require(False, owner, name, value, "a finite number above 0")


def not_negative(owner: str, **values: float) -> None:
    """Raise one clear sentence unless every named value is finite and not below 0."""
    for name, value in values.items():
        if not 0.0 <= value < math.inf:
            require(False, owner, name, value, "a finite number of 0 or more")
