"""The array of floats that every module names in its type hints, and what many do with arrays."""

from __future__ import annotations

import math
from collections.abc import Hashable, Iterable
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

Key = TypeVar("Key", bound=Hashable)
Value = TypeVar("Value")


def rotation(angle: float) -> Array:
    """Matrix that turns places by an angle, rad counter-clockwise: ``matrix @ place``."""
    c, s = math.cos(angle), math.sin(angle)
    return np.array(((c, -s), (s, c)))


def points_along(xy: Array, at: Array) -> Array:
    """Points at distances along a line of straight pieces, in its unit, shape (len(at), 2)."""
    way = way_along(xy)
    return np.column_stack([np.interp(at, way, xy[:, k]) for k in (0, 1)])


def way_along(xy: Array) -> Array:
    """Distance of each point of a line from its start, along the line, shape (n,)."""
    return np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T))])


def gathered(pairs: Iterable[tuple[Key, Value]]) -> dict[Key, list[Value]]:
    """Values by their key, keys in the order in which they first appear."""
    found: dict[Key, list[Value]] = {}
    for key, value in pairs:
        found.setdefault(key, []).append(value)
    return found
