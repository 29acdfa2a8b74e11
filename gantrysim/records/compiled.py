"""How the numerical kernels are compiled, and when what is kept of that on disk is out of date."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from functools import lru_cache
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


def kernel(function: Callable[..., Any]) -> Any:
    """Compile a function, keep the code on disk, and let other threads run beside it.

    Numba compiles what a kernel calls into the kernel, but makes it anew only when the kernel's
    own file changes.  Here a change of any file of the package that holds kernels counts.  Where
    numba keeps its code in another way than it does today, its own rule holds.
    """
    compiled = njit(cache=True, nogil=True, error_model="numpy")(function)
    kept: Any = getattr(getattr(compiled, "_cache", None), "_cache_file", None)
    if hasattr(kept, "_source_stamp"):
        kept._source_stamp = _Stamp(kept._source_stamp)
    return compiled


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


@lru_cache
def _sources() -> str:
    """Digest of the files of the package that hold kernels: they name this module."""
    texts = [file.read_bytes() for file in sorted(Path(__file__).parents[1].rglob("*.py"))]
    return hashlib.sha256(b"".join(t for t in texts if b"records.compiled" in t)).hexdigest()
