"""Checks of what users hand in.

Every check returns the value in its plain type or raises ValueError with one sentence that names
the field, what is accepted and what was found.
"""

from __future__ import annotations

import math
import operator
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np


def one_of(value: Any, accepted: Sequence[str], name: str) -> None:
    """Raise ValueError unless `value` is one of the accepted words."""
    if not isinstance(value, str) or value not in accepted:
        raise ValueError(f"{name} must be {listed(accepted)}, found {shortened(value)}.")


def finite_number(value: Any, name: str) -> float:
    """`value` as a float; ValueError for text, truth values, NaN and infinity."""
    try:
        found = math.nan if isinstance(value, str | bytes | bool | np.bool_) else float(value)
    except (TypeError, ValueError, OverflowError):
        found = math.nan
    if not math.isfinite(found):
        raise ValueError(f"{name} must be a finite number, found {shortened(value)}.")
    return found


def positive(value: Any, name: str) -> float:
    """As `finite_number`, and above zero."""
    found = finite_number(value, name)
    if found <= 0:
        raise ValueError(f"{name} must be above zero, found {shortened(value)}.")
    return found


def whole_number(value: Any, name: str, *, least: int) -> int:
    """`value` as an int of at least `least`; ValueError for fractions and truth values."""
    try:
        found = operator.index(value)
    except TypeError:
        found = least - 1
    if isinstance(value, bool) or found < least:
        raise ValueError(
            f"{name} must be a whole number, {least} or more, found {shortened(value)}."
        )
    return found


def of_kind(value: Any, kind: type | tuple[type, ...], name: str) -> None:
    """Raise ValueError unless `value` is an object of a kind, or of one of several."""
    if not isinstance(value, kind):
        kinds = kind if isinstance(kind, tuple) else (kind,)
        words = " or ".join(k.__name__ for k in kinds)
        article = "an" if words[0] in "AEIOU" else "a"
        raise ValueError(f"{name} must be {article} {words}, found {shortened(value)}.")


def confidence_level(value: Any, name: str = "confidence") -> float:
    """`value` as a probability that proves something: above a half and below one."""
    found = finite_number(value, name)
    if not 0.5 < found < 1.0:
        raise ValueError(
            f"{name} must be a probability above 0.5 and below 1, such as 0.95 for 95 %, "
            f"found {shortened(value)}."
        )
    return found


def names_of(values: Any, name: str) -> list[str]:
    """`values` as a list of texts; ValueError for a bare text, or anything else in it."""
    if isinstance(values, Sequence) and not isinstance(values, str | bytes):
        found = list(values)
        if all(isinstance(v, str) for v in found):
            return found
    raise ValueError(f"{name} must be a list of names, found {shortened(values)}.")


def true_or_false(value: Any, name: str) -> bool:
    """`value` as a truth value; ValueError for anything else."""
    if not isinstance(value, bool | np.bool_):
        raise ValueError(f"{name} must be true or false, found {shortened(value)}.")
    return bool(value)


def all_of(values: Any, kind: type, source: str) -> tuple[Any, ...]:
    """Readings as a tuple; ValueError if there is none, or one is of another kind."""
    found = tuple(values)
    if not found:
        raise ValueError(f"{source}: holds no readings; at least one is needed.")
    for value in found:
        if not isinstance(value, kind):
            raise ValueError(
                f"readings must be a tuple of {kind.__name__}, found {shortened(value)}."
            )
    return found


def point(value: Any, name: str) -> tuple[float, float]:
    """`value` as a pair (x, y), mm."""
    if not isinstance(value, Sequence | np.ndarray) or isinstance(value, str) or len(value) != 2:
        raise ValueError(f"{name} must be two numbers (x, y) in mm, found {shortened(value)}.")
    return finite_number(value[0], f"{name} x"), finite_number(value[1], f"{name} y")


def listed(words: Sequence[str]) -> str:
    """Accepted words as they read in a sentence: 'a', 'b' or 'c'."""
    quoted = [repr(word) for word in words]
    return " or ".join([", ".join(quoted[:-1]), quoted[-1]] if len(quoted) > 1 else quoted)


def shortened(value: Any) -> str:
    """What was found, quoted and cut to a length that fits a sentence."""
    text = repr(value)
    return text if len(text) <= 60 else text[:57] + "..."


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
