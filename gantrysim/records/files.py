"""Safe reading and writing of files: whole or not at all, one sentence for what is no text."""

from __future__ import annotations

import math
import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

#: What names a file.
AnyPath = str | os.PathLike[str]


def read_text(path: AnyPath, what: str, *, most: float = math.inf) -> str:
    """The text of a UTF-8 file; `what` names the expected content in the sentence of an error.

    ``most``: bytes; a larger file is refused before it is read.  FileNotFoundError if there is no
    such file.  ValueError if it is a folder, is empty, is too large, or holds no text.
    """
    file = Path(path)
    if not file.exists():
        raise FileNotFoundError(f"{path}: no such file; {what} is expected.")
    if file.is_dir():
        raise ValueError(f"{path}: this is a folder; {what} is expected.")
    if not file.is_file():  # a pipe or a device might never end
        raise ValueError(f"{path}: this is no plain file; {what} is expected.")
    if file.stat().st_size > most:
        raise ValueError(
            f"{path}: {file.stat().st_size / 1e6:.0f} MB are too much; {what}, at most "
            f"{most / 1e6:.0f} MB, is expected."
        )
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


def write_new_text(path: AnyPath, text: str, *, overwrite: bool) -> Path:
    """Write a text file whole or not at all, see `write_new_file`; returns its path."""

    def write(part: Path) -> None:
        part.write_text(text, encoding="utf-8", newline="\n")

    return write_new_file(path, write, overwrite=overwrite)


def write_new_file(path: AnyPath, write: Callable[[Path], None], *, overwrite: bool) -> Path:
    """Write a file whole or not at all; returns its path.

    ``path``: of the file.  ``write``: called with the path of a file beside it, which takes its
    name once it is whole.  ``overwrite``: whether a file that exists may be replaced.
    FileExistsError if the file exists and `overwrite` is false.  FileNotFoundError if its folder
    does not exist.
    """
    file = refuse_existing(path, overwrite=overwrite)
    part = file.with_name(f".{file.name}.{os.getpid()}.part")
    try:
        write(part)
        part.replace(file)
    finally:
        part.unlink(missing_ok=True)
    return file


def refuse_existing(path: AnyPath, *, overwrite: bool) -> Path:
    """The path of a file that may be written, else the errors of `write_new_file`; before work."""
    file = Path(path)
    if file.exists() and not overwrite:
        raise FileExistsError(f"{path}: the file exists; pass overwrite=True to replace it.")
    if not file.parent.is_dir():
        raise FileNotFoundError(f"{path}: the folder {file.parent} does not exist.")
    return file


@contextmanager
def placed(place: AnyPath) -> Iterator[None]:
    """Say where in a file something was found that is refused inside: ``place: sentence``.

    A wrong kind of thing in a file is a wrong value of the file, so it raises ValueError too.
    """
    try:
        yield
    except (TypeError, ValueError) as error:
        sentence = str(error)
        raise ValueError(f"{place}: {sentence}{'' if sentence[-1:] in '.?' else '.'}") from None
