"""JSON that a person can read, and TOML, checked field by field when read.

Every check takes the value and the place of its field, and refuses in one sentence that names it.
"""

from __future__ import annotations

import json
import math
import re
import tomllib
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from gantrysim.records import limits
from gantrysim.records.checks import cut, finite_number, shortened


def text_of(content: Any) -> str:
    """JSON with one field a line and lists of plain values on one line."""
    return _text(content, 0) + "\n"


def _text(value: Any, depth: int) -> str:
    inner, outer = " " * (depth + 1), " " * depth
    if isinstance(value, dict) and value:
        rows = [f"{inner}{json.dumps(k)}: {_text(v, depth + 1)}" for k, v in value.items()]
        return "{\n" + ",\n".join(rows) + f"\n{outer}}}"
    if isinstance(value, list) and any(isinstance(v, dict | list) for v in value):
        rows = [inner + _text(v, depth + 1) for v in value]
        return "[\n" + ",\n".join(rows) + f"\n{outer}]"
    return json.dumps(value, ensure_ascii=False, allow_nan=False)


def content_of(text: str) -> Any:
    """The content of a text in JSON.

    ValueError if it is no JSON, a field stands twice, a number is none, or it is nested too deeply.
    """
    try:
        content = json.loads(text, object_pairs_hook=_once, parse_constant=_no_number)
    except RecursionError:
        raise _too_deep() from None
    except _Refused:
        raise
    except ValueError as error:
        raise ValueError(f"not readable as JSON ({error}).") from None
    _check_depth(content)
    return content


#: Texts of TOML in quotes, and more names with dots between them than any key has.  Every choice
#: is final (possessive), so that no text takes longer than its length.
_QUOTED = re.compile(r'"(?:[^"\\\n]|\\.)*+"?+|\'[^\'\n]*+\'?+')
_MANY_PARTS = re.compile(rf"(?<![\w-])(?:[\w-]++[ \t]*+\.[ \t]*+){{{limits.KEY_PARTS}}}")


def content_of_toml(text: str) -> dict[str, Any]:
    """The content of a text in TOML; ValueError as of `content_of`."""
    if _MANY_PARTS.search(_QUOTED.sub("q", text)):  # the parser takes the square of their number
        raise ValueError(f"a key of TOML must have at most {limits.KEY_PARTS} parts.")
    try:
        content = tomllib.loads(text)
    except RecursionError:
        raise _too_deep() from None
    except ValueError as error:
        raise ValueError(f"not readable as TOML ({error}).") from None
    _check_depth(content)
    return content


class _Refused(ValueError):
    """What is valid JSON, but not accepted; a sentence."""


def _once(pairs: Sequence[tuple[str, Any]]) -> dict[str, Any]:
    out: dict[str, Any] = {}
    for key, value in pairs:
        if key in out:
            raise _Refused(f"field {shortened(key)} stands twice in one table.")
        out[key] = value
    return out


def _no_number(word: str) -> Any:
    raise _Refused(f"{word} is no number; every number must be finite.")


def _check_depth(content: Any) -> None:
    """Refuse what is nested so deeply that whoever walks through it would fail."""
    level = [content] if isinstance(content, dict | list) else []
    for _ in range(limits.DEPTH):
        level = [
            inner
            for table in level
            for inner in (table.values() if isinstance(table, dict) else table)
            if isinstance(inner, dict | list)
        ]
        if not level:
            return
    raise _too_deep()


def _too_deep() -> ValueError:
    return ValueError(f"tables and lists must be nested at most {limits.DEPTH} deep.")


# Fields


def fields(
    value: Any, where: str, needed: Sequence[str], optional: Sequence[str] = ()
) -> dict[str, Any]:
    """A table with exactly the fields that it must have, and some that it may have."""
    if not isinstance(value, dict):
        raise ValueError(f"field {where!r} must hold named fields, found {shortened(value)}.")
    for key in needed:
        if key not in value:
            raise ValueError(f"field '{where}.{key}' is missing.")
    for key in value:
        if key not in needed and key not in optional:
            accepted = ", ".join((*needed, *optional))
            raise ValueError(f"field '{where}.{cut(key)}' is unknown; accepted are {accepted}.")
    return value


def word(value: Any, where: str) -> str:
    """A text."""
    if not isinstance(value, str):
        raise ValueError(f"field {where!r} must be a text, found {shortened(value)}.")
    return value


def row(value: Any, where: str) -> list[Any]:
    """A list."""
    if not isinstance(value, list):
        raise ValueError(f"field {where!r} must be a list, found {shortened(value)}.")
    return value


def number(value: Any, where: str, *, least: float = -math.inf, most: float = math.inf) -> float:
    """A finite number within limits."""
    found = finite_number(value, f"field {where!r}")
    if not least <= found <= most:
        raise ValueError(f"field {where!r} must be from {least:g} to {most:g}, found {found:g}.")
    return found


def numbers(value: Any, where: str, count: int | None = None) -> list[float]:
    """A list of finite numbers, of a length if it is told."""
    found = [number(v, f"{where}[{k}]") for k, v in enumerate(row(value, where))]
    if count is not None and len(found) != count:
        raise ValueError(f"field {where!r} must have {count} numbers, found {len(found)}.")
    return found


def names(value: Any, where: str) -> tuple[str, ...]:
    """A list of words."""
    return tuple(word(v, f"{where}[{k}]") for k, v in enumerate(row(value, where)))


def flag(value: Any, where: str) -> bool:
    """True or false."""
    if not isinstance(value, bool):
        raise ValueError(f"field {where!r} must be true or false, found {shortened(value)}.")
    return value


def named(value: Any, where: str) -> dict[str, Any]:
    """A table with fields of any name."""
    if not isinstance(value, dict):
        raise ValueError(f"field {where!r} must hold named fields, found {shortened(value)}.")
    return value


def whole(value: Any, where: str, *, least: int = -1) -> int:
    """A whole number, at least so large."""
    if isinstance(value, bool) or not isinstance(value, int) or value < least:
        raise ValueError(
            f"field {where!r} must be a whole number, {least} or more, found {shortened(value)}."
        )
    return value


def plain(value: Any, where: str) -> Any:
    """A value of plain types only, so that it can be written and read without loss."""
    if isinstance(value, Mapping):
        return {word(k, where): plain(v, f"{where}.{k}") for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [plain(v, f"{where}[{k}]") for k, v in enumerate(value)]
    if value is None or isinstance(value, str | bool):
        return value
    if isinstance(value, int | np.integer):
        return int(value)
    return number(value, where)
