"""Outlines as closed rows of stations, at which a picture of the part is looked at.

Between two samples of the commanded path lies a station with its outward normal; what is read there
is how far the outline lies off along that normal.  A sample is then moved so that both stations
beside it are satisfied, which at a corner sets both sides.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from gantrysim.instruments.stations import Run
from gantrysim.part.gauges import Samples
from gantrysim.part.outlines import MEETS, Outline
from gantrysim.records.arrays import Array

#: Sampling of the path for pictures, mm: about the length of line of one fit.
FINE = 0.25
#: Outlines turn by more than this at a corner, rad; less is a curve.
CORNER = math.radians(20.0)
_EVEN = 1e-3  # pull of a sample along its outline toward where it was commanded


@dataclass(frozen=True, eq=False)
class Loop:
    """One outline as stations, counter-clockwise.

    Parameters
    ----------
    outline : Outline
        The outline.
    rows : ndarray of int, shape (m,)
        Samples of the path along it, of its first pass.
    corner : ndarray of int, shape (m,)
        Which corner of the loop each sample is.
    xy : ndarray, shape (n + 1, 2)
        Corners of the loop, the first again at the end, mm.
    """

    outline: Outline
    rows: NDArray[np.int64]
    corner: NDArray[np.int64]
    xy: Array

    @classmethod
    def of(cls, outline: Outline, samples: Samples) -> Loop:
        """From the first pass of an outline."""
        parts = []
        for move, (start, end), turn in zip(outline.moves, outline.ends, outline.turn, strict=True):
            first, last = samples.rows[move]
            rows = np.arange(first, last + 1)
            drawn = samples.path.moves[move]
            alike = math.dist(drawn.start, start) <= math.dist(drawn.start, end)
            if drawn.turn:
                alike = (drawn.turn > 0.0) == (turn > 0.0)
            parts.append(rows if alike else rows[::-1])
        rows = np.concatenate(parts)
        xy = samples.command[rows]
        new = np.r_[True, np.hypot(*np.diff(xy, axis=0).T) > 2.0 * MEETS]
        corner = np.cumsum(new) - 1
        kept = xy[new]
        if len(kept) > 1 and math.dist(kept[-1], kept[0]) <= 2.0 * MEETS:
            corner[corner == len(kept) - 1] = 0
            kept = kept[:-1]
        return cls(outline, rows, corner, np.vstack([kept, kept[:1]]))

    @cached_property
    def normal(self) -> Array:
        """Outward unit normals of the stations, shape (n, 2)."""
        way = np.diff(self.xy, axis=0)
        return np.column_stack([way[:, 1], -way[:, 0]]) / self.length[:, None]

    @cached_property
    def length(self) -> Array:
        """From corner to corner, mm, shape (n,)."""
        return np.asarray(np.hypot(*np.diff(self.xy, axis=0).T))

    @cached_property
    def place(self) -> Array:
        """The stations, mm, shape (n, 2)."""
        return np.asarray(0.5 * (self.xy[1:] + self.xy[:-1]))

    @cached_property
    def turn(self) -> Array:
        """How far the loop turns from each station to the next, rad, shape (n,)."""
        one, other = self.normal, np.roll(self.normal, -1, axis=0)
        cross = one[:, 0] * other[:, 1] - one[:, 1] * other[:, 0]
        return np.arctan2(cross, np.sum(one * other, axis=1))

    @cached_property
    def clear(self) -> Array:
        """Distance of each station from the next corner along the loop, mm, shape (n,)."""
        end = np.cumsum(self.length)
        whole = float(end[-1])
        sharp = end[np.abs(self.turn) > CORNER]
        if not len(sharp):
            return np.full(len(end), math.inf)
        around = np.concatenate([sharp - whole, sharp, sharp + whole])
        middle = end - 0.5 * self.length
        return np.abs(middle[:, None] - around).min(axis=1)

    @cached_property
    def side(self) -> NDArray[np.int64]:
        """Which stretch between two corners each station lies on, shape (n,)."""
        number = np.cumsum(np.roll(np.abs(self.turn) > CORNER, 1))
        return np.asarray(np.where(number == number[-1], number[0], number))

    def run(self, ring: int) -> Run:
        """As a closed run, for the tracing of lines."""
        size = 0.5 * float(np.ptp(self.place, axis=0).max())
        step = float(np.median(self.length))
        return Run("circle", ring, 0, size, 1, self.place, self.normal, step, 0.0)

    def moved(self, off: Array) -> Array:
        """How far each sample of `rows` is moved, mm, from what stations read.

        ``off``: along the normals, mm; shape (draws, n).  Returns: shape (draws, m, 2).
        """
        bend = 0.5 * (self.turn + np.roll(self.turn, 1))
        # the mean of an arc lies outside of its chord
        curved = np.abs(bend) < CORNER
        off = off - np.where(curved, self.length * bend / 12.0, 0.0)
        before = np.roll(self.normal, 1, axis=0)  # of the station that ends at each corner
        square = np.einsum("ni,nj->nij", self.normal, self.normal)
        square += np.einsum("ni,nj->nij", before, before) + _EVEN * np.eye(2)
        pull = off[..., None] * self.normal + np.roll(off, 1, axis=1)[..., None] * before
        moved = np.linalg.solve(square, pull[..., None])[..., 0]
        return np.asarray(moved[:, self.corner])


def gaps(loops: Sequence[Loop], most: float) -> list[Array]:
    """How far from each station another outline, or the same one further on, passes.

    ``most``: no more than this, mm.  Returns: mm, one array of shape (n,) a loop.
    """
    place = np.concatenate([loop.place for loop in loops])
    owner = np.repeat(np.arange(len(loops)), [len(loop.place) for loop in loops])
    along = np.concatenate([np.cumsum(loop.length) for loop in loops])
    whole = np.array([loop.length.sum() for loop in loops])[owner]
    thin = np.arange(0, len(place), 2)
    found = np.full(len(place), most)
    tree = cKDTree(place[thin])
    for first in range(0, len(place), 4096):
        rows = np.arange(first, min(first + 4096, len(place)))
        near = tree.query_ball_point(place[rows], most)
        i = np.repeat(rows, [len(each) for each in near])
        j = thin[np.concatenate([np.asarray(each, dtype=np.int64) for each in near])]
        apart = np.hypot(*(place[i] - place[j]).T)
        way = np.abs(along[i] - along[j])
        other = (owner[i] != owner[j]) | (np.minimum(way, whole[i] - way) > 3.0 * apart + 0.5)
        np.minimum.at(found, i[other], apart[other])
    return list(np.split(found, np.cumsum([len(loop.place) for loop in loops])[:-1]))
