"""Checks of what users hand in: one sentence for whatever is not usable.

A wrong kind of object raises TypeError, a wrong value ValueError, and the sentence has one form:
``NAME must be WHAT, found X.``  Every check returns the value in its plain type.
"""

from __future__ import annotations

import dataclasses
import functools
import math
import operator
import reprlib
import types
from collections.abc import Sequence, Sized
from typing import Any, TypeVar, cast

import numpy as np

#: Longest text of what was found that a sentence holds, characters.
LONGEST = 60


def one_of(value: Any, accepted: Sequence[str], name: str) -> None:
    """Refuse anything but one of the accepted words."""
    if not isinstance(value, str):
        raise TypeError(must_be(name, listed(accepted), value))
    if value not in accepted:
        raise ValueError(must_be(name, listed(accepted), value))


def a_number(value: Any) -> bool:
    """Whether a value is of the kind of a number; truth values, texts and arrays are not."""
    if value.__class__ is float or value.__class__ is int:
        return True
    if isinstance(value, np.generic | np.ndarray):  # dates become numbers without complaint
        return value.ndim == 0 and value.dtype.kind in "iuf"
    return (hasattr(value, "__float__") or hasattr(value, "__index__")) and not (
        isinstance(value, bool) or getattr(value, "ndim", 0) > 0
    )


def finite_number(value: Any, name: str, what: str = "a finite number") -> float:
    """`value` as a float; texts, truth values, NaN and infinity are refused."""
    if not a_number(value):
        raise TypeError(must_be(name, what, value))
    try:
        found = float(value)
    except (TypeError, ValueError, OverflowError):
        found = math.nan
    if not math.isfinite(found):
        raise ValueError(must_be(name, what, value))
    return found


#: No length, time or force has a number beyond these in any unit; squares and ratios of what lies
#: within overflow nowhere.
_LEAST, _MOST = 1e-100, 1e100


def positive(value: Any, name: str) -> float:
    """As `finite_number`, and above zero; next to nothing is nothing."""
    found = finite_number(value, name)
    if found < _LEAST:
        raise ValueError(must_be(name, "above zero", value))
    if found > _MOST:
        raise ValueError(must_be(name, f"at most {_MOST:g}", value))
    return found


def whole_number(value: Any, name: str, *, least: int) -> int:
    """`value` as an int of at least `least`; fractions and truth values are refused."""
    what = f"a whole number, {least} or more"
    if not a_number(value):
        raise TypeError(must_be(name, what, value))
    try:
        found = operator.index(value)
    except TypeError:
        found = least - 1
    if found < least:
        raise ValueError(must_be(name, what, value))
    return found


def one_of_many(value: int, things: Sized, name: str) -> int:
    """The number of one of several things; negative ones count from the end, as in Python."""
    if not -len(things) <= value < len(things):
        raise ValueError(must_be(name, f"a whole number from 0 to {len(things) - 1}", value))
    return value


def of_kind(value: Any, kind: type | tuple[type, ...], name: str) -> None:
    """Refuse anything but an object of a kind, or of one of several."""
    if not isinstance(value, kind):
        kinds = kind if isinstance(kind, tuple) else (kind,)
        raise TypeError(must_be(name, with_article(" or ".join(k.__name__ for k in kinds)), value))


def confidence_level(value: Any, name: str = "confidence") -> float:
    """`value` as a probability that proves something: above a half and below one."""
    found = finite_number(value, name)
    if not 0.5 < found < 1.0:
        what = "a probability above 0.5 and below 1, such as 0.95 for 95 %"
        raise ValueError(must_be(name, what, value))
    return found


def all_of(values: Any, kind: type, source: str) -> tuple[Any, ...]:
    """Readings as a tuple of at least one, all of a kind."""
    what = f"a tuple of {kind.__name__}"
    try:
        found = tuple(values)
    except TypeError:
        raise TypeError(must_be("readings", what, values)) from None
    if not found:
        raise ValueError(f"{source}: holds no readings; at least one is needed.")
    for value in found:
        if not isinstance(value, kind):
            raise TypeError(must_be("readings", what, value))
    return found


def point(value: Any, name: str) -> tuple[float, float]:
    """`value` as a pair (x, y), mm."""
    what = "two numbers (x, y) in mm"
    if not isinstance(value, Sequence | np.ndarray) or isinstance(value, str):
        raise TypeError(must_be(name, what, value))
    if len(value) != 2:
        raise ValueError(must_be(name, what, value))
    return finite_number(value[0], f"{name} x"), finite_number(value[1], f"{name} y")


def require(condition: bool, owner: str, name: str, value: object, accepted: str) -> None:
    """Raise ValueError, with the owner first, unless a field holds an accepted value."""
    if not condition:
        raise ValueError(f"{owner}: {must_be(name, accepted, value)}")


def number(default: float, low: float, high: float) -> Any:
    """A field of a dataclass that holds a number of a closed interval, see `Limited`."""
    return dataclasses.field(default=default, metadata={"limits": (low, high)})


def within(low: float, high: float) -> Any:
    """As `number`, without a default."""
    return dataclasses.field(metadata={"limits": (low, high)})


def word(*accepted: str, default: Any = dataclasses.MISSING) -> Any:
    """A field of a dataclass that holds one of some words, see `Limited`."""
    return dataclasses.field(default=default, metadata={"words": accepted})


@functools.cache
def _stated(kind: Any, what: str) -> tuple[tuple[Any, ...], ...]:
    fields = dataclasses.fields(kind)
    return tuple((f.name, *f.metadata[what]) for f in fields if what in f.metadata)


Record = TypeVar("Record", bound="Limited")


class Limited:
    """A dataclass whose fields say what they hold: looked at when it is made; NaN lies nowhere."""

    def __post_init__(self) -> None:
        kind: Any = type(self)
        for name, low, high in _stated(kind, "limits"):
            value = getattr(self, name)
            if value.__class__ is float and low <= value <= high:
                continue  # the usual case, fast: machines are built by the thousand
            check_number(kind.__name__, name, value, low, high)
        for name, *accepted in _stated(kind, "words"):
            value = getattr(self, name)
            if value not in accepted:
                require(False, kind.__name__, name, value, listed(accepted))


def stated_words(kind: Any) -> dict[str, str]:
    """What the fields of a class accept that state it; see `Limited`."""
    if not hasattr(kind, "__dataclass_fields__"):
        return {}
    words = {name: listed(accepted) for name, *accepted in _stated(kind, "words")}
    return words | {name: _from_to(*limits) for name, *limits in _stated(kind, "limits")}


def _from_to(low: float, high: float) -> str:
    return f"a finite number from {low:g} to {high:g}"


@functools.cache
def field_names(kind: Any) -> tuple[str, ...]:
    """Names of the fields of a dataclass."""
    return tuple(f.name for f in dataclasses.fields(kind))


def renewed(record: Record, **changes: Any) -> Record:
    """Return a frozen record with fields changed, their kinds taken for right.

    As `dataclasses.replace` for what the library works out itself, without a look at the kind of
    every field: a diagnosis builds machines by the ten thousand.  Limits are looked at as ever.
    """
    old, new = vars(record), object.__new__(type(record))
    names = field_names(cast(Any, type(record)))
    vars(new).update({name: old[name] for name in names}, **changes)
    new.__post_init__()
    return new


def trusted(kind: Any, *fields: Any) -> Any:
    """Return a frozen record of values that the library works out itself, taken for right.

    In the order of the class's fields; nothing is looked at, neither kinds nor limits: a burn
    makes lines by the hundred.
    """
    new = object.__new__(kind)
    vars(new).update(zip(field_names(kind), fields, strict=True))
    return new


def check_number(owner: str, name: str, value: Any, low: float, high: float) -> None:
    """Refuse a named value that is no number of a closed interval."""
    accepted = _from_to(low, high)
    if not a_number(value):
        raise TypeError(f"{owner}: {must_be(name, accepted, value)}")
    require(low <= value <= high, owner, name, value, accepted)


def above_zero(owner: str, **values: float) -> None:
    """Refuse any named value that is not finite and above 0."""
    for name, value in values.items():
        if value.__class__ is float and 0.0 < value < math.inf:
            continue  # the usual case, fast
        if not 0.0 < finite_number(value, f"{owner}: {name}"):
            require(False, owner, name, value, "a finite number above 0")


def not_negative(owner: str, **values: float) -> None:
    """Refuse any named value that is not finite, or below 0."""
    for name, value in values.items():
        if not 0.0 <= finite_number(value, f"{owner}: {name}"):
            require(False, owner, name, value, "a finite number of 0 or more")


def must_be(name: str, what: str, found: Any) -> str:
    """The sentence of everything refused: what is named so, what is accepted, what was found."""
    return f"{name} must be {what}, found {shortened(found)}."


def with_article(word: str) -> str:
    """'a Machine', 'an Adjustment'."""
    return f"{'an' if word[0] in 'AEIOaeiou' else 'a'} {word}"


def listed(words: Sequence[str]) -> str:
    """Accepted words as they read in a sentence: 'a', 'b' or 'c'."""
    quoted = [repr(word) for word in words]
    return " or ".join([", ".join(quoted[:-1]), quoted[-1]] if len(quoted) > 1 else quoted)


#: Representations that say nothing but an address.
_UNTOLD: tuple[Any, ...] = (object.__repr__, types.FunctionType.__repr__)


class _Short(reprlib.Repr):
    """Texts, numbers and lists as they are written; whatever else by its kind."""

    def __init__(self) -> None:
        super().__init__()
        self.maxstring = self.maxlong = self.maxother = LONGEST
        self.maxlist = self.maxtuple = self.maxdict = 12

    def repr_instance(self, x: Any, level: int) -> str:
        if isinstance(x, np.ndarray) and x.size > 8:
            return f"an array of shape {x.shape}"
        if type(x).__module__.startswith("gantrysim") or type(x).__repr__ in _UNTOLD:
            return with_article(type(x).__name__)
        return " ".join(repr(x).split())


_short = _Short()


def shortened(value: Any) -> str:
    """What was found, quoted and cut to a length that fits a sentence."""
    return cut(_short.repr(value))


def cut(text: str) -> str:
    """A name from a file, cut to a length that fits a sentence."""
    return text if len(text) <= LONGEST else text[: LONGEST - 3] + "..."
