"""Which way up a scanned pattern lies: the mark burned beside its rings decides.

Rings look the same after a quarter turn, and so does a test of both shapes about one centre.  A
machine with a fault burns its mark off its place too, by some tenths of a millimetre against the
rings: the mark is looked for over a common shift, at each turn, and only a clear lead of one turn
over the others counts.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter

from gantrysim.instruments.scan.nestfind import Found
from gantrysim.instruments.stations import pivot_of, runs_of
from gantrysim.pattern.ringtest import RingTest
from gantrysim.pattern.shapes import shape_of
from gantrysim.records.arrays import Array, points_along, rotation, way_along

_STEP = 0.25  # mm between places of the mark that are looked at
_BESIDE = 0.4  # mm: how far off its place the mark's ink may lie when an angle is settled finely
_SHIFT = 2.0  # mm: how far off its place the whole mark may lie, along x and along y
_BENT = 0.2  # mm: how far off its own shape it may be burned
_RINGS = 1.0  # mm about a ring within which ink is the ring's
_SEEN = 0.5  # mean strength of a mark that is there
_AHEAD = 0.15  # by which it must lead the next best turn
_MIRROR = np.diag((-1.0, 1.0))


@dataclass(frozen=True, eq=False)
class Upright:
    """A pattern the right way up, as far as that can be told.

    Parameters
    ----------
    found : Found
        The pattern.
    known : bool
        Whether its turn is known, by the places of its nests, its mark or the user's word.
    notes : tuple of str
        What could not be told, a sentence each.
    """

    found: Found
    known: bool
    notes: tuple[str, ...]


def upright(
    found: Found, test: RingTest, mark: Sequence[Array], source: str, *, vouched: bool = False
) -> Upright:
    """Settle the turn of a pattern.

    ``found``: the pattern, its turn in doubt by quarters (or wholly, for circles alone).  ``test``:
    what was commanded.  ``mark``: polylines of the mark, mm, in the frame of the test; shape (n,
    2).  ``source``: the scan, for the sentence of an error.  ``vouched``: someone has said that the
    pattern lies within 45 degrees of upright: believed where neither nests nor mark tell the turn.
    Of circles alone it does not tell the turn.  Returns: the pattern, and whether its turn is
    known.  ValueError if the mark is there, but mirrored.
    """
    told = test.told_by_place
    nearest = found if told else found.turned(-round(found.turn / (0.5 * math.pi)))
    free = not any(shape_of(nest.shape).has_corners for nest in test.nests)
    sure = told or (vouched and not free)
    if not len(mark):
        return _as_it_lies(nearest, sure, free, "carries no mark")
    places = _sampled(mark) - pivot_of(test)
    angles = np.radians(np.arange(0.0, 360.0, 0.25)) if free else 0.5 * math.pi * np.arange(4)
    # of circles alone the turn takes up what a shift along them would
    shifts = _shifts(_BESIDE if free else _SHIFT)
    beside = _beside_the_rings(nearest, test)
    plain, mirrored = (
        np.array([_seen(beside, nearest, places, angle, each, shifts) for angle in angles])
        for each in (np.eye(2), _MIRROR)
    )
    best = int(np.argmax(plain))
    apart = np.abs((angles - angles[best] + math.pi) % (2.0 * math.pi) - math.pi) > 0.1
    second = float(plain[apart].max())
    if mirrored.max() > max(_SEEN, float(plain[best]) + _AHEAD):
        raise ValueError(
            f"{source}: the mark is mirrored: the piece lay face down or the picture was flipped; "
            "scan the burned side as it is."
        )
    if plain[best] < _SEEN or plain[best] < second + _AHEAD:
        return _as_it_lies(nearest, sure, free, "shows no mark that can be told")
    angle = float(angles[best])
    if free:
        nearby = angle + np.radians(np.arange(-2.0, 2.01, 0.1))
        fine = [_strength(nearest, places, each) for each in nearby]
        angle = float(nearby[int(np.argmax(fine))])
    return Upright(replace(nearest, matrix=nearest.matrix @ rotation(angle)), True, ())


def _as_it_lies(nearest: Found, sure: bool, free: bool, why: str) -> Upright:
    what = "the turn" if free else "the quarter turn"
    ambiguous = (
        f"{what} is ambiguous, as the scan {why}: "
        "taken as it lies nearest to upright in the picture."
    )
    return Upright(nearest, sure, () if sure else (ambiguous,))


def _shifts(most: float) -> Array:
    """Shifts to try, mm, shape (n, 2): a square grid that leaves no gap."""
    n = math.ceil(most / _BENT)
    steps = np.linspace(-most, most, 2 * n + 1)
    return np.stack(np.meshgrid(steps, steps), axis=-1).reshape(-1, 2)


def _beside_the_rings(found: Found, test: RingTest) -> NDArray[np.float32]:
    """Strongest ink near each pixel of the map, with the rings themselves wiped out."""
    ink = found.ink
    on = np.zeros(ink.strength.shape, dtype=np.uint8)
    for run in runs_of(test, _STEP):
        inside = _within(ink.strength.shape, ink.pitch, found.carry(run.place))
        on[ink.cells(found.carry(run.place)[inside])] = 1
    near = maximum_filter(on, [2 * round(_RINGS / p) + 1 for p in ink.pitch[::-1]], mode="constant")
    bare = np.where(near > 0, np.float32(0.0), ink.strength)
    size = [2 * math.ceil(_BENT / p) + 1 for p in ink.pitch[::-1]]
    return np.asarray(maximum_filter(bare, size, mode="constant"))


def _within(shape: tuple[int, ...], pitch: Array, xy: Array) -> NDArray[np.bool_]:
    """Which places lie on the picture."""
    top = np.array(shape[::-1]) * pitch
    return np.asarray(((xy >= 0.0) & (xy < top)).all(axis=-1))


def _seen(
    strongest: NDArray[np.float32],
    found: Found,
    places: Array,
    angle: float,
    mirror: Array,
    shifts: Array,
) -> float:
    """Mean strength of the ink where the mark would lie, at the best common shift."""
    moved = shifts[:, None] + found.carry(places @ rotation(angle).T @ mirror.T)
    inside = _within(strongest.shape, found.ink.pitch, moved)
    strength = np.where(inside, strongest[found.ink.cells(moved)], np.float32(0.0))
    return float(strength.mean(axis=1).max())


def _strength(found: Found, places: Array, angle: float) -> float:
    """Mean strength of the ink where the mark would lie; ink right there counts more."""
    at = found.carry(places @ rotation(angle).T)
    beside = np.arange(-2, 3) * (0.5 * _BESIDE)
    around = np.stack(np.meshgrid(beside, beside), axis=-1).reshape(-1, 2)
    near = 1.0 - 0.25 * np.sum((around / _BESIDE) ** 2, axis=1)
    return float((found.ink.at(at[:, None] + around) * near).max(axis=1).mean())


def _sampled(mark: Sequence[Array]) -> Array:
    """Places at even steps along all polylines, mm."""
    out = []
    for line in mark:
        length = way_along(line)[-1]
        n = max(2, math.ceil(length / _STEP) + 1)
        out.append(points_along(line, np.linspace(0.0, length, n)))
    return np.concatenate(out)
