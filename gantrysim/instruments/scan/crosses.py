"""The crosses of a scale reference in a scan: where their middles lie."""

from __future__ import annotations

import numpy as np
from scipy.ndimage import map_coordinates

from gantrysim.instruments.picture import Picture
from gantrysim.instruments.scan.nestfind import Found
from gantrysim.instruments.stations import pivot_of
from gantrysim.pattern.beside import ARM
from gantrysim.pattern.ringtest import RingTest
from gantrysim.records.arrays import Array

#: Sides of a piece on which a cross may stand: which of the two distances, and which of its ends.
SIDES = {"left": (0, 0), "right": (0, 1), "bottom": (1, 0), "top": (1, 1)}
_SHIFT, _COARSE = 1.0, 0.1  # mm: how far off its place a cross is looked for, and in which steps
_FROM, _TO, _FINE = (
    0.45,
    0.85 * ARM,
    0.02,
)  # mm: part of an arm that is read, clear of middle and end
_REACH = 0.45  # mm to either side of an arm
_LEAST = 15.0  # grey levels by which an arm must stand out of the sheet about it
_ROUNDS = 3
#: Standard uncertainty of the middle of a cross at best, mm: its arms are burned from one end to
#: the other, and friction lays each a little off (judgement).
_UNCERTAINTY = 0.01


def middle_of_cross(
    picture: Picture, found: Found, test: RingTest, side: str
) -> tuple[Array, float]:
    """Middle of a cross in the frame of the test about its pivot, mm, and its uncertainty.

    ``picture``, ``found``: the scan and where the pattern lies in it, the right way up.  ``test``:
    what was commanded.  ``side``: of the upright piece, a key of `SIDES`.  ValueError if the test
    draws no crosses, or this one does not stand out.
    """
    references = test.scale_references()
    if not references:
        raise ValueError("between names crosses, but the test has no scale reference.")
    which, end = SIDES[side]
    own = references[which]
    ends = sorted((own.start, own.end), key=lambda place: place[which])
    middle = np.array(ends[end]) - pivot_of(test)
    steps = np.arange(-_SHIFT, _SHIFT + 0.5 * _COARSE, _COARSE)
    tries = [middle + np.array((x, y)) for x in steps for y in steps]
    middle = max(tries, key=lambda at: _stands_out(picture, found, at))
    for _ in range(_ROUNDS):
        off = np.array([_beside(picture, found, middle, axis) for axis in (1, 0)])  # x, then y
        middle = middle + off.mean(axis=1)
    if _stands_out(picture, found, middle) < _LEAST:
        raise ValueError(f"no cross stands out at the {side} of the scale reference in the scan.")
    return middle, max(_UNCERTAINTY, float(np.abs(off).max()))


def _grey(picture: Picture, found: Found, places: Array) -> Array:
    """Strength of the ink at places of the test, grey levels."""
    column, row = np.moveaxis(picture.to_pixels(found.carry(places.reshape(-1, 2))), -1, 0)
    grey = map_coordinates(picture.grey.astype(np.float32), [row, column], order=1, mode="nearest")
    ink = 255.0 - grey if found.ink.dark else grey
    return np.asarray(ink.reshape(places.shape[:-1]), dtype=float)


def _arm(middle: Array, axis: int, sign: float, off: Array) -> Array:
    """Places on half an arm that runs along an axis, ``off`` beside it, shape (n, m, 2)."""
    along = sign * np.arange(_FROM, _TO, 2.0 * _FINE)
    places = np.empty((along.size, off.size, 2))
    places[..., axis] = middle[axis] + along[:, None]
    places[..., 1 - axis] = middle[1 - axis] + off
    return places


def _stands_out(picture: Picture, found: Found, middle: Array) -> float:
    """By how much the faintest half of an arm is stronger than the sheet beside it."""
    off = np.array([-3.0 * _REACH, 0.0, 3.0 * _REACH]) / 2.0
    halves = [_arm(middle, axis, sign, off) for axis in (0, 1) for sign in (-1.0, 1.0)]
    inks = [_grey(picture, found, half).mean(axis=0) for half in halves]
    return float(min(ink[1] - max(ink[0], ink[2]) for ink in inks))


def _beside(picture: Picture, found: Found, middle: Array, axis: int) -> tuple[float, float]:
    """How far either half of an arm along an axis lies beside the middle, mm."""
    off = np.arange(-_REACH, _REACH + 0.5 * _FINE, _FINE)
    told = []
    for sign in (-1.0, 1.0):
        ink = _grey(picture, found, _arm(middle, axis, sign, off)).mean(axis=0)
        ink = np.maximum(ink - 0.5 * (ink.max() + ink.min()), 0.0)
        told.append(float(ink @ off / max(float(ink.sum()), 1e-9)))
    return told[0], told[1]
