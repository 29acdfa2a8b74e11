"""Checks of what users hand in, and safe reading and writing of text files.

Every check returns the value in its plain type or raises ValueError with one sentence that names
the field, what is accepted and what was found.
"""

from __future__ import annotations

import math
import operator
import os
from collections.abc import Callable, Sequence
from pathlib import Path
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


def read_text(path: str | os.PathLike[str], what: str) -> str:
    """The text of a UTF-8 file; `what` names the expected content in the sentence of an error.

    Raises
    ------
    FileNotFoundError
        If there is no such file.
    ValueError
        If it is a folder, is empty, or holds no text.
    """
    file = Path(path)
    if not file.exists():
        raise FileNotFoundError(f"{path}: no such file; {what} is expected.")
    if file.is_dir():
        raise ValueError(f"{path}: this is a folder; {what} is expected.")
    if not file.is_file():  # a pipe or a device might never end
        raise ValueError(f"{path}: this is no plain file; {what} is expected.")
    try:
        text = file.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = error.object[: error.start].count(b"\n") + 1
        raise ValueError(f"{path}, line {line}: not UTF-8 text; {what} is expected.") from None
    if "\0" in text:
        line = text[: text.index("\0")].count("\n") + 1
        raise ValueError(
            f"{path}, line {line}: holds zero bytes, so it is no text; {what} is expected."
        )
    if not text.strip():
        raise ValueError(f"{path}: the file is empty; {what} is expected.")
    return text


def write_new_text(path: str | os.PathLike[str], text: str, *, overwrite: bool) -> Path:
    """Write a text file whole or not at all, see `write_new_file`; returns its path."""

    def write(part: Path) -> None:
        part.write_text(text, encoding="utf-8", newline="\n")

    return write_new_file(path, write, overwrite=overwrite)


def write_new_file(
    path: str | os.PathLike[str], write: Callable[[Path], None], *, overwrite: bool
) -> Path:
    """Write a file whole or not at all; returns its path.

    Parameters
    ----------
    path : path
        Of the file.
    write : callable
        Called with the path of a file beside it, which takes its name once it is whole.
    overwrite : bool
        Whether a file that exists may be replaced.

    Raises
    ------
    FileExistsError
        If the file exists and `overwrite` is false.
    FileNotFoundError
        If its folder does not exist.
    """
    file = Path(path)
    if file.exists() and not overwrite:
        raise FileExistsError(f"{path}: the file exists; pass overwrite=True to replace it.")
    if not file.parent.is_dir():
        raise FileNotFoundError(f"{path}: the folder {file.parent} does not exist.")
    part = file.with_name(f".{file.name}.{os.getpid()}.part")
    try:
        write(part)
        part.replace(file)
    finally:
        part.unlink(missing_ok=True)
    return file
