"""Following each ring through the coarse map of lines: the best smooth way along its stations.

A line is followed by dynamic programming: of all ways along the stations that move only a little
from one to the next, the one on the most ink.  Lines that cross are told apart by their direction.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter1d

from gantrysim.instruments.scan.nestfind import Found
from gantrysim.instruments.stations import Run
from gantrysim.records.arrays import Array

_SMOOTH = 0.8  # mm along the line over which ink is averaged
_MOVE = 3  # most steps across from one station to the next
_MOVE_COST = 0.06  # of a full line, for each step across
_FAR_COST = 0.15  # at the edge of the reach
_TAKEN = 0.2  # what is left of ink that belongs to another line
_CROSSING = 2.0  # mm: lines that share more than this do not cross but were confused


def follow_all(found: Found, runs: Sequence[Run], reach: float) -> list[Array]:
    """Distance of the line from each station of each run, along the normal, mm.

    ``found``: where the pattern lies.  ``runs``: their stations, about 0.25 mm apart.  ``reach``:
    how far from a station a line may lie, mm.

    Two runs that went the same way are followed again, one after the other, away from ink that is
    taken and near to how far the rings beside them are off.
    """
    taken = Taken.of(found)
    ways = [follow(found, run, reach) for run in runs]
    for run, way in zip(runs, ways, strict=True):
        taken.mark(run, way, 1)
    for _ in range(2):
        shared = [k for k, run in enumerate(runs) if taken.shared(run, ways[k])]
        for k in shared:
            if taken.shared(runs[k], ways[k]):
                taken.mark(runs[k], ways[k], -1)
                wanted = _like_neighbours(runs, ways, k)
                ways[k] = follow(found, runs[k], reach, taken, wanted)
                taken.mark(runs[k], ways[k], 1)
    return ways


def _like_neighbours(runs: Sequence[Run], ways: Sequence[Array], k: int) -> Array:
    """How far the same side or direction of the rings beside a run is off, mm, shape (n,)."""
    own = runs[k]
    part = (np.arange(len(ways[k])) + 0.5) / len(ways[k])
    beside = [
        np.interp(part, (np.arange(len(way)) + 0.5) / len(way), way)
        for run, way in zip(runs, ways, strict=True)
        if run.shape == own.shape and run.side == own.side and 0 < abs(run.ring - own.ring) <= 3
    ]
    return np.median(beside, axis=0) if beside else np.zeros(len(ways[k]))


@dataclass(frozen=True, eq=False)
class Taken:
    """How many runs lie on each pixel of the map.

    Parameters
    ----------
    found : Found
        Where the pattern lies, and its map.
    count : ndarray of int16, shape (rows, columns)
        Runs on each pixel.
    """

    found: Found
    count: NDArray[np.int16]

    @classmethod
    def of(cls, found: Found) -> Taken:
        """Nothing taken yet."""
        return cls(found, np.zeros(found.ink.strength.shape, np.int16))

    def _on(self, run: Run, way: Array, beside: float) -> Array:
        across = self.found.across(run.normal)
        return self.found.carry(run.place) + (way + beside)[:, None] * across

    def mark(self, run: Run, way: Array, number: int) -> None:
        """Add a number to the pixels that a run covers."""
        size = float(self.found.ink.pitch.mean())
        places = np.concatenate([self._on(run, way, b * size) for b in (-1.0, 0.0, 1.0)])
        cells = np.stack(self.found.ink.cells(places), axis=1)
        i, j = np.unique(cells, axis=0).T
        self.count[i, j] += number

    def shared(self, run: Run, way: Array) -> bool:
        """Whether a run shares its way with another for longer than lines cross."""
        both = self.count[self.found.ink.cells(self._on(run, way, 0.0))] > 1
        stretch = max(2, math.ceil(_CROSSING / run.step))
        return bool((uniform_filter1d(both.astype(float), stretch, mode="nearest") > 0.99).any())

    def by_others(self, at: Array) -> NDArray[np.bool_]:
        """Whether places are taken; the run that asks must not be marked."""
        return np.asarray(self.count[self.found.ink.cells(at)] > 0)


def follow(
    found: Found, run: Run, reach: float, taken: Taken | None = None, wanted: Array | None = None
) -> Array:
    """Distance of the line from each station of a run, along the normal, mm, shape (n,).

    ``found``: where the pattern lies.  ``run``: its stations, about 0.25 mm apart.  ``reach``: how
    far from a station the line may lie, mm.  ``taken``: ink of other runs, to be avoided.
    ``wanted``: expected distances, mm; 0 if absent; shape (n,).

    Good to a fraction of a pixel of the map where there is a line, and a smooth bridge where there
    is none.
    """
    ink = found.ink
    step = float(ink.pitch.mean())
    count = max(2, math.ceil(reach / step))
    offsets = np.arange(-count, count + 1) * step
    across = found.across(run.normal)
    at = found.carry(run.place)[:, None] + offsets[:, None] * across[:, None, :]
    strength = ink.at(at) * ink.agreement(at, across)
    mode = "wrap" if run.closed else "nearest"
    if taken is not None:
        strength = np.where(taken.by_others(at), _TAKEN * strength, strength)
    strength = uniform_filter1d(strength, max(1, round(_SMOOTH / run.step)), axis=0, mode=mode)
    far = offsets if wanted is None else offsets - wanted[:, None]
    gain = strength - _FAR_COST * (far / (reach if wanted is None else 0.4 * reach)) ** 2
    if not run.closed:
        return np.asarray(offsets[_best_way(gain)])
    n = len(gain)
    half = n // 2
    way = _best_way(np.concatenate((gain[half:], gain, gain[:half])))
    return np.asarray(offsets[way[n - half : 2 * n - half]])


def _best_way(gain: Array) -> NDArray[np.int64]:
    """Column of the way with the largest sum, moving at most `_MOVE` columns a row."""
    rows, columns = gain.shape
    moves = np.arange(-_MOVE, _MOVE + 1)
    cost = _MOVE_COST * np.abs(moves)[:, None]
    source = np.arange(columns) + moves[:, None]  # column before, for each move
    outside = (source < 0) | (source >= columns)
    source = np.clip(source, 0, columns - 1)
    cost = np.where(outside, np.inf, cost)
    came = np.empty((rows, columns), np.int64)
    total = gain[0].copy()
    every = np.arange(columns)
    for i in range(1, rows):
        options = total[source] - cost
        best = np.argmax(options, axis=0)
        came[i] = source[best, every]
        total = options[best, every] + gain[i]
    way = np.empty(rows, np.int64)
    way[-1] = int(np.argmax(total))
    for i in range(rows - 1, 0, -1):
        way[i - 1] = came[i, way[i]]
    return way
