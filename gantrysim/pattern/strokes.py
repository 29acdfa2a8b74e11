"""One drawn line and one commanded move: samples in mm with what they belong to."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from gantrysim.records.arrays import Array
from gantrysim.records.doors import checked


@checked
@dataclass(frozen=True, eq=False)
class Line:
    """One drawn line: a burned stroke, or the measured points of one.

    Parameters
    ----------
    shape : str
        "circle" or "square"; "mark", "scale" or "caption" for what is burned beside the rings.
    ring : int
        0 is the innermost ring of its nest.
    size : float
        Commanded circle radius or half side of the square, mm.
    pass_index : int
        0 is the first pass; -1 where passes cannot be told apart.
    xy : ndarray, shape (n, 2)
        Positions, mm; in drawing order for burns.  Kept as a read-only view.

    Raises
    ------
    ValueError
        If `xy` is not a finite (n, 2) array.
    """

    shape: str
    ring: int
    size: float
    pass_index: int
    xy: Array

    def __post_init__(self) -> None:
        object.__setattr__(self, "xy", _read_only_points(self.xy, f"{self.shape} ring {self.ring}"))

    def __repr__(self) -> str:
        which = "any pass" if self.pass_index < 0 else f"pass {self.pass_index}"
        return (
            f"Line({self.shape} ring {self.ring}, {self.size:g} mm, {which}, {len(self.xy)} points)"
        )


@dataclass(frozen=True, eq=False, repr=False)
class Stroke(Line):
    """One commanded move: a pass round a ring, or a travel move with the beam off.

    As a `Line` of commanded carriage positions, mm.  A travel move has the shape "travel" and -1,
    0.0, -1 for ring, size and pass; what is burned beside the rings its number, 0.0, 0.

    Parameters
    ----------
    speed : float
        Commanded feed or travel speed, mm/s.
    """

    speed: float

    def __repr__(self) -> str:
        if self.shape == "travel":
            return f"Stroke(travel, {len(self.xy)} points, {self.speed:g} mm/s)"
        return (
            f"Stroke({self.shape} ring {self.ring}, {self.size:g} mm, pass {self.pass_index}, "
            f"{len(self.xy)} points, {self.speed:g} mm/s)"
        )


def _read_only_points(xy: ArrayLike, name: str) -> Array:
    points = np.asarray(xy, dtype=np.float64).view()
    if points.ndim != 2 or points.shape[1] != 2:
        raise ValueError(f"points of {name} must have shape (n, 2), found {points.shape}.")
    # a finite sum proves finite points at a third of the price
    if not (math.isfinite(points.sum()) or np.isfinite(points).all()):
        raise ValueError(f"points of {name} must be finite numbers in mm, found NaN or infinity.")
    points.flags.writeable = False
    return points
