"""Which way up a scanned pattern lies: the mark burned beside its rings decides.

Rings look the same after a quarter turn, and so does a test of both shapes about one centre.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from gantrysim.measured.nestfind import Found, told_by_place
from gantrysim.measured.stations import pivot_of
from gantrysim.paths import RingTest

Array = NDArray[np.float64]

_STEP = 0.25  # mm between places of the mark that are looked at
_BESIDE = 0.4  # mm: how far off its place the mark's ink may lie
_SEEN = 0.5  # mean strength of a mark that is there
_AHEAD = 0.15  # by which it must lead the next best turn
_MIRROR = np.diag((-1.0, 1.0))


def upright(
    found: Found, test: RingTest, mark: Sequence[Array], source: str
) -> tuple[Found, tuple[str, ...]]:
    """Settle the turn of a pattern.

    Parameters
    ----------
    found : Found
        The pattern, its turn in doubt by quarters (or wholly, for circles alone).
    test : RingTest
        What was commanded.
    mark : sequence of ndarray, shape (n, 2)
        Polylines of the mark, mm, in the frame of the test.
    source : str
        The scan, for the sentence of an error.

    Returns
    -------
    Found, tuple of str
        The pattern upright, and what could not be told.

    Raises
    ------
    ValueError
        If the mark is there, but mirrored.
    """
    told = told_by_place(test)
    nearest = found if told else found.turned(-round(found.turn / (0.5 * math.pi)))
    places = _sampled(mark) - pivot_of(test) if len(mark) else np.empty((0, 2))
    free = all(nest.shape == "circle" for nest in test.nests)
    if not len(places):
        return nearest, () if told else (_ambiguous(free, "carries no mark"),)
    angles = np.radians(np.arange(0.0, 360.0, 0.25)) if free else 0.5 * math.pi * np.arange(4)
    plain = np.array([_score(nearest, places, angle, np.eye(2)) for angle in angles])
    mirrored = np.array([_score(nearest, places, angle, _MIRROR) for angle in angles])
    best = int(np.argmax(plain))
    apart = np.abs((angles - angles[best] + math.pi) % (2.0 * math.pi) - math.pi) > 0.1
    second = float(plain[apart].max())
    if mirrored.max() > max(_SEEN, float(plain[best]) + _AHEAD):
        raise ValueError(
            f"{source}: the mark is mirrored: the piece lay face down or the picture was flipped; "
            "scan the burned side as it is."
        )
    if plain[best] < _SEEN or plain[best] < second + _AHEAD:
        return nearest, () if told else (_ambiguous(free, "shows no mark that can be told"),)
    angle = float(angles[best])
    if free:
        nearby = angle + np.radians(np.arange(-2.0, 2.01, 0.1))
        fine = [_score(nearest, places, each, np.eye(2), finely=True) for each in nearby]
        angle = float(nearby[int(np.argmax(fine))])
    turned = nearest.matrix @ _turner(angle)
    return Found(turned, nearest.shift, nearest.ink, nearest.covered), ()


def _ambiguous(free: bool, why: str) -> str:
    what = "the turn" if free else "the quarter turn"
    return (
        f"{what} is ambiguous, as the scan {why}: "
        "taken as it lies nearest to upright in the picture."
    )


def _turner(angle: float) -> Array:
    c, s = math.cos(angle), math.sin(angle)
    return np.array(((c, -s), (s, c)))


def _score(
    found: Found, places: Array, angle: float, mirror: Array, *, finely: bool = False
) -> float:
    """Mean strength of the ink where the mark would lie."""
    at = (places @ _turner(angle).T @ mirror.T) @ found.matrix.T + found.shift
    beside = np.arange(-2, 3) * (0.5 * _BESIDE)
    around = np.stack(np.meshgrid(beside, beside), axis=-1).reshape(-1, 2)
    # to settle an angle finely, ink right there counts more
    near = 1.0 - (0.25 if finely else 0.0) * np.sum((around / _BESIDE) ** 2, axis=1)
    return float((found.ink.at(at[:, None] + around) * near).max(axis=1).mean())


def _sampled(mark: Sequence[Array]) -> Array:
    """Places at even steps along all polylines, mm."""
    out = []
    for line in mark:
        way = np.concatenate(([0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))))
        n = max(2, math.ceil(way[-1] / _STEP) + 1)
        at = np.linspace(0.0, way[-1], n)
        out.append(
            np.column_stack((np.interp(at, way, line[:, 0]), np.interp(at, way, line[:, 1])))
        )
    return np.concatenate(out)
