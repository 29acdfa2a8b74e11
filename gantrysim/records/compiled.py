"""How the numerical kernels are compiled, and when what is kept of that on disk is out of date."""

from __future__ import annotations

import functools
import hashlib
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from numba import njit, types


def _symbol_of_record(record: types.Record) -> tuple[str, tuple[str, ...]]:
    """Name and parameters of a record's type in the symbols of compiled code."""
    return "Record", (hashlib.sha256(record.name.encode()).hexdigest()[:16],)


# Numba names compiled code for records by the order in which a process met their types.  Kept on
# disk, such code is linked in a later process with that of another type of the same number, and
# computes nonsense: here the name follows what the record holds.
types.Record.mangling_args = property(_symbol_of_record)  # type: ignore[assignment, method-assign]


def kernel(function: Callable[..., Any], *, inlined: bool = True) -> Any:
    """Compile a function, keep the code on disk, and let other threads run beside it.

    It is compiled into the kernels that call it, which makes these a fifth faster; but not if it is
    large and called in several places (`large_kernel`), which would take long to compile.

    Numba compiles what a kernel calls into the kernel, but makes it anew only when the kernel's
    own file changes.  Here a change of any file of the package that holds kernels counts.  Where
    nothing can be kept, or what is kept is spoiled, that is said once and costs time only.  Where
    numba keeps its code in another way than it does today, its own rules hold.
    """
    compiled = njit(nogil=True, error_model="numpy", forceinline=inlined)(function)
    if not hasattr(compiled, "enable_caching"):
        return compiled  # numba is turned off
    try:
        compiled.enable_caching()
    except RuntimeError:  # neither the folder of the package nor that of the user can be written
        _say_compiled_anew("no folder for it can be written")
        return compiled
    cache: Any = getattr(compiled, "_cache", None)
    if hasattr(cache, "_guard_against_spurious_io_errors"):
        cache._guard_against_spurious_io_errors = _compiled_anew_at_worst
    kept: Any = getattr(cache, "_cache_file", None)
    if hasattr(kept, "_source_stamp"):
        kept._source_stamp = _Stamp(kept._source_stamp)
    return compiled


large_kernel = functools.partial(kernel, inlined=False)


@contextmanager
def _compiled_anew_at_worst() -> Iterator[None]:
    """Go on without what cannot be read or kept."""
    try:
        yield
    except Exception as error:  # a spoiled file may raise anything
        _say_compiled_anew(str(getattr(error, "strerror", None) or type(error).__name__).lower())


@functools.lru_cache
def _say_compiled_anew(why: str) -> None:
    """Warn, once for each reason, however many kernels there are."""
    warnings.warn(
        f"compiled code cannot be kept ({why}): every new Python compiles it again, about 20 s "
        "for a diagnosis; name a folder that can be written in NUMBA_CACHE_DIR.",
        RuntimeWarning,
        stacklevel=3,
    )


class _Stamp:
    """Numba's stamp of a kernel's own file with that of all: read when first asked for.

    Kept on disk, and compared with what is kept there, as a plain tuple.
    """

    def __init__(self, own: Any) -> None:
        self.own = own

    def __eq__(self, other: object) -> bool:
        return other == (self.own, _sources())

    def __reduce__(self) -> tuple[Any, ...]:
        return tuple, ([self.own, _sources()],)


@functools.lru_cache
def _sources() -> str:
    """Digest of the files of the package that hold kernels: they name this module."""
    texts = [file.read_bytes() for file in sorted(Path(__file__).parents[1].rglob("*.py"))]
    return hashlib.sha256(b"".join(t for t in texts if b"records.compiled" in t)).hexdigest()
