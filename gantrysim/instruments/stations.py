"""Stations along the commanded rings of a test, where a measured line is looked for.

Rings are cut into runs: a circle is one closed run, each side of a square an open one.  Stations
stand in the middle of equal steps along a run.  All lengths are mm, in the frame of the test less
its pivot (the middle of its nests).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from gantrysim.pattern.ringtest import RingTest, drawn_passes
from gantrysim.pattern.shapes import shape_of
from gantrysim.records.arrays import Array


@dataclass(frozen=True, eq=False)
class Run:
    """One smooth stretch of a ring: a whole circle, or one side of a square.

    Parameters
    ----------
    shape : str
        "circle" or "square".
    ring, side : int
        Ring of its nest; side of a square counter-clockwise from the right one, 0 for a circle.
    size : float
        Commanded radius or half side, mm.
    passes : int
        How often it was drawn.
    place, normal : ndarray, shape (n, 2)
        Stations and outward normals there; stations go counter-clockwise.
    step : float
        Distance of stations, mm.
    bend : float
        Curvature, 1/mm; 0 for a side.
    part : bool
        Only a stretch of a circle or side.
    """

    shape: str
    ring: int
    side: int
    size: float
    passes: int
    place: Array
    normal: Array
    step: float
    bend: float
    part: bool = False

    @property
    def closed(self) -> bool:
        """Whether the last station is followed by the first."""
        return not shape_of(self.shape).has_corners and not self.part

    @property
    def key(self) -> tuple[str, int]:
        """Shape and ring."""
        return self.shape, self.ring


def pivot_of(test: RingTest) -> Array:
    """Middle of the commanded centres, mm, shape (2,)."""
    return np.mean([nest.centre for nest in test.nests], axis=0)


def runs_of(test: RingTest, step: float, clear: float = 0.0, parts: int = 1) -> list[Run]:
    """All runs that the test draws.

    ``test``: what was commanded.  ``step``: about the distance of stations, mm.  ``clear``: what is
    left out at either end of a side, mm.  ``parts``: the number of stations of each run is a
    multiple of it.
    """
    middle = pivot_of(test)
    found = []
    for (shape, ring), passes in drawn_passes(test).items():
        nest = test.nest(shape)
        size = nest.sizes[ring]
        centre = np.asarray(nest.centre) - middle
        if not shape_of(shape).has_corners:
            n = parts * max(8, round(2.0 * math.pi * size / (step * parts)))
            angle = (np.arange(n) + 0.5) * (2.0 * math.pi / n)
            normal = np.column_stack((np.cos(angle), np.sin(angle)))
            place, apart = centre + size * normal, 2.0 * math.pi * size / n
            found.append(Run(shape, ring, 0, size, passes, place, normal, apart, 1.0 / size))
            continue
        half = size - min(clear, 0.5 * size)
        n = parts * max(2, round(2.0 * half / (step * parts)))
        along = (np.arange(n) + 0.5) * (2.0 * half / n) - half
        for side in range(4):
            c, s = ((1.0, 0.0), (0.0, 1.0), (-1.0, 0.0), (0.0, -1.0))[side]
            normal = np.tile((c, s), (n, 1))
            place = centre + size * normal + along[:, None] * np.array((-s, c))
            found.append(Run(shape, ring, side, size, passes, place, normal, 2.0 * half / n, 0.0))
    return found


def least_gap(test: RingTest) -> float:
    """Least distance between neighbouring rings of one shape, or across the innermost, mm."""
    gaps = [float(np.diff(nest.sizes).min()) for nest in test.nests if len(nest.sizes) > 1]
    smallest = [2.0 * nest.sizes[0] for nest in test.nests]
    return min(gaps + smallest)
