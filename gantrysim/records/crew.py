"""Work in several threads: same answers however many there are, and a quick end when interrupted.

Numba's kernels let other threads run; the matrices are small, so that the linear algebra library
must not start threads of its own on top.
"""

from __future__ import annotations

import functools
import os
import threading
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from typing import Any

from threadpoolctl import threadpool_limits

#: Like `map`; may work in several threads.
Run = Callable[[Callable[..., Any], Iterable[Any]], Iterable[Any]]

_own = threading.local()


class Stopped(Exception):
    """Somebody interrupted the work that this thread does a part of."""


def go_on() -> None:
    """Raise `Stopped` in a thread of a crew that was stopped: long loops call it at each turn."""
    stop = getattr(_own, "stop", None)
    if stop is not None and stop.is_set():
        raise Stopped


@contextmanager
def crew() -> Iterator[Run]:
    """Give a `map` that works in as many threads as there are cores.

    Results come in the order of what was handed in, and no task sees what another has found.  When
    the work ends by an exception, such as `KeyboardInterrupt`, what has not begun is cancelled and
    what is under way stops at its next `go_on`.
    """
    stop = threading.Event()

    def begin() -> None:
        _own.stop = stop

    with threadpool_limits(1), ThreadPoolExecutor(os.cpu_count() or 1, initializer=begin) as pool:
        try:
            yield functools.partial(_each, pool)
        except BaseException:
            stop.set()
            pool.shutdown(wait=False, cancel_futures=True)
            raise


def _each(
    pool: ThreadPoolExecutor, function: Callable[..., Any], items: Iterable[Any]
) -> Iterable[Any]:
    return pool.map(function, items)
