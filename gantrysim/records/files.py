"""Safe reading and writing of files: whole or not at all, one sentence for what is no text."""

from __future__ import annotations

import os
import secrets
import stat
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import BinaryIO, cast

if sys.platform != "win32":
    import fcntl

#: What names a file.
AnyPath = str | os.PathLike[str]


@contextmanager
def opened(path: AnyPath, what: str, *, most: int) -> Iterator[BinaryIO]:
    """Open a file of a kind and size that are read; every reader comes through here.

    ``what``: the expected content, for the sentence of an error.  ``most``: bytes, see
    `gantrysim.records.limits`; a larger file is refused before it is read.  FileNotFoundError if
    there is no such file.  ValueError if it is a folder, no plain file, empty, or too large.
    OSError that names the file if the system cannot read it.
    """
    file = Path(path)
    with _said(path, "read"):
        if not file.exists():
            raise FileNotFoundError(f"{path}: no such file; {what} is expected.")
        if file.is_dir():
            raise ValueError(f"{path}: this is a folder; {what} is expected.")
        if not file.is_file():  # a pipe or a device might never end
            raise ValueError(f"{path}: this is no plain file; {what} is expected.")
        size = file.stat().st_size
        if size == 0:  # the system's own files say so too, and some never end
            raise ValueError(f"{path}: the file is empty; {what} is expected.")
        if size > most:
            raise ValueError(
                f"{path}: {size / 1e6:.0f} MB are too much; {what}, at most {most / 1e6:g} MB, is "
                "expected."
            )
        with file.open("rb") as stream:
            yield stream


def read_text(path: AnyPath, what: str, *, most: int) -> str:
    """The text of a UTF-8 file; arguments and errors as of `opened`, ValueError if it is no text.

    ``what``: the expected content, for the sentence of an error.  ``most``: bytes.
    """
    with opened(path, what, most=most) as stream:
        content = stream.read(most)  # no more, should it grow meanwhile
    try:
        text = content.decode("utf-8-sig")
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


def write_new_text(
    path: AnyPath,
    text: str,
    *,
    overwrite: bool,
    unchanged: Callable[[], None] | None = None,
    most: int | None = None,
) -> Path:
    """Write a text file whole or not at all, see `write_new_file`; returns its path.

    ``most``: bytes that its reader takes; ValueError where there are more.
    """
    content = text.encode()
    if most is not None and len(content) > most:
        raise ValueError(
            f"{path}: {len(content) / 1e6:.0f} MB would be written, but at most {most / 1e6:g} MB "
            "are read again; keep fewer points."
        )

    def write(out: BinaryIO) -> None:
        out.write(content)

    return write_new_file(path, write, overwrite=overwrite, unchanged=unchanged)


def write_new_file(
    path: AnyPath,
    write: Callable[[BinaryIO], None],
    *,
    overwrite: bool,
    unchanged: Callable[[], None] | None = None,
) -> Path:
    """Write a file whole or not at all; returns its path.

    ``path``: of the file; a link stays, and what it leads to is written.  ``write``: called with a
    new file beside it, opened, which takes its name once it is whole, and the rights of the file
    that it replaces.  ``overwrite``: whether a file that exists may be replaced.  ``unchanged``:
    raises if the file is no longer what this one is made from; between this look and the
    replacement nobody else who looks replaces it.
    FileExistsError if the file exists and `overwrite` is false, even if somebody made it only now.
    FileNotFoundError if its folder does not exist.  PermissionError where nothing may be written.
    ValueError if something else than a file is there.  OSError that names the file if the system
    cannot write it.
    """
    file = refuse_existing(path, overwrite=overwrite)
    with _said(path, "written"):
        place = Path(os.path.realpath(file))
        part = place.with_name(f".{secrets.token_hex(8)}.part")
        try:
            with _created(part, place) as out:
                write(out)
            if not overwrite:
                _name_exclusively(part, place)
            elif unchanged is None:
                part.replace(place)
            else:
                with _locked(place):
                    unchanged()
                    part.replace(place)
        except FileExistsError:
            raise FileExistsError(_EXISTS.format(path)) from None
        finally:
            part.unlink(missing_ok=True)
    return file


def refuse_existing(path: AnyPath, *, overwrite: bool) -> Path:
    """The path of a file that may be written, else the errors of `write_new_file`; before work."""
    file = Path(path)
    with _said(path, "written"):
        if file.is_dir():
            raise ValueError(f"{path}: this is a folder; the name of a file is expected.")
        if file.exists() and not file.is_file():  # a device would become a file
            raise ValueError(f"{path}: this is no plain file; nothing else is replaced.")
        if os.path.lexists(file) and not overwrite:
            raise FileExistsError(_EXISTS.format(path))
        if not file.parent.is_dir():
            raise FileNotFoundError(f"{path}: the folder {file.parent} does not exist.")
        place = Path(os.path.realpath(file))
        if place.exists() and not os.access(file, os.W_OK):  # asked of the link
            raise PermissionError(f"{path}: the file is read-only.")
        if place.parent.is_dir() and not os.access(place.parent, os.W_OK | os.X_OK):
            raise PermissionError(f"{path}: nothing may be written into {place.parent}.")
    return file


_EXISTS = "{}: the file exists; pass overwrite=True to replace it."


def _created(part: Path, place: Path) -> BinaryIO:
    """A file that nobody else has made, with owner and rights of the one at the place, if any."""
    old = place.stat() if place.exists() else None
    rights = 0o666 if old is None else 0o600
    out = cast(BinaryIO, open(part, "x+b", opener=lambda name, how: os.open(name, how, rights)))
    if old is not None:
        if hasattr(os, "chown"):
            with suppress(PermissionError):  # only the system's owner gives files away
                os.chown(part, old.st_uid, old.st_gid)
        part.chmod(stat.S_IMODE(old.st_mode))
    return out


def _name_exclusively(part: Path, place: Path) -> None:
    """Give a whole file its name; FileExistsError if somebody else was there before."""
    try:
        os.link(part, place)
    except FileExistsError:
        raise
    except OSError:  # as on memory cards: taken empty first
        place.touch(exist_ok=False)
        part.replace(place)


@contextmanager
def _locked(place: Path) -> Iterator[None]:
    """Keep a file to oneself among threads and processes; Windows has no such lock."""
    if sys.platform == "win32":
        yield
        return
    while True:
        with place.open("r+b") as held:
            fcntl.flock(held, fcntl.LOCK_EX)
            if os.path.samestat(os.fstat(held.fileno()), place.stat()):
                yield
                return
            # somebody replaced it while this one waited: that is the file to keep


@contextmanager
def _said(path: AnyPath, done: str) -> Iterator[None]:
    """Say what the system refuses in one sentence about the file that was asked for."""
    try:
        yield
    except OSError as error:
        if str(error).startswith(f"{path}: "):
            raise
        why = error.strerror or str(error).rstrip(".")
        said = type(error)(f"{path}: the file cannot be {done} ({why[:1].lower()}{why[1:]}).")
        said.errno = error.errno
        raise said from None


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
