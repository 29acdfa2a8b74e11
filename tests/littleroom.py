"""A disk that is all but full."""

from __future__ import annotations

import resource
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def little_room(most: int) -> Iterator[None]:
    """No file may grow beyond so many bytes, as on a disk that is all but full."""
    usual = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (most, usual[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, usual)
