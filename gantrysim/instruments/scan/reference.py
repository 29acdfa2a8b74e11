"""A known length on a piece, between two traced lines, for the scale of a scanner."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from gantrysim.instruments.scan.passlabels import Reading
from gantrysim.instruments.scanner import ScannerError
from gantrysim.instruments.stations import pivot_of
from gantrysim.pattern.ringtest import RingTest
from gantrysim.pattern.shapes import SHAPES, shape_of
from gantrysim.records.arrays import Array
from gantrysim.records.checks import listed, shortened

PLACES = {"right": (1.0, 0.0), "top": (0.0, 1.0), "left": (-1.0, 0.0), "bottom": (0.0, -1.0)}
#: Standard deviations of scanner and reading that a known length may lie off: of the errors of an
#: unchecked scanner this allows half a per cent, as cheap ones have (judgement).
POSSIBLE = 5.0
_READING = 0.002  # mm: standard uncertainty of a distance between two traced lines at best
_STRAIGHT = 0.005  # mm: how straight a few millimetres of a line are
_NEAR = 0.15  # of the size to either side of the middle of a side, or as an angle on a circle


#: Name of a cross of the scale reference among the lines.
CROSS = "cross"


@dataclass(frozen=True)
class Feature:
    """A line of a piece where it crosses an axis of its ring.

    Parameters
    ----------
    shape : str
        "circle" or "square", or `CROSS`.
    ring : int
        0 is the innermost; none of a cross.
    place : str
        "left", "right", "top" or "bottom" of the upright piece.
    """

    shape: str
    ring: int
    place: str


#: A known length, its standard uncertainty, mm, and the lines between which it was measured.
Length = tuple[float, float, tuple[Feature, Feature] | None]


def feature(words: str) -> Feature:
    """The feature that words such as "square 18 left" or "cross left" name.

    ValueError for other words.
    """
    parts = words.split() if isinstance(words, str) else []
    if len(parts) == 2 and parts[0] == CROSS and parts[1] in PLACES:
        return Feature(CROSS, 0, parts[1])
    shape, ring, place = parts if len(parts) == 3 else ("", "", "")
    if shape not in SHAPES or not ring.isdigit() or place not in PLACES:
        raise ValueError(
            f"between must name lines as shape, ring and {listed(list(PLACES))}, as in "
            f"'square 18 left', or a cross of the scale reference as in 'cross left', found "
            f"{shortened(words)}."
        )
    return Feature(shape, int(ring), place)


#: Gives the middle of a cross by its side of the upright piece, mm, and its uncertainty.
Crosses = Callable[[str], tuple[Array, float]]


def told_by_length(
    told: ScannerError,
    test: RingTest,
    readings: Sequence[Reading],
    known: Length,
    crosses: Crosses,
) -> ScannerError:
    """What is believed of a scanner once a length on the piece is known.

    ``told``: what was believed before, its mean taken out of the points.  ``test``: what was
    commanded.  ``readings``: points of the upright piece, mm.  ``known``: the length, its standard
    uncertainty, mm, and its ends; left and right of the largest ring if None.  ``crosses``: middles
    of the crosses in the frame of the readings, mm.  ValueError if the
    ends do not lie across from each other, one was not traced, or the length disagrees with the
    scan by more than scanner and reading can make.
    """
    value, u, ends = known
    if ends is None:
        largest = max((reading.line for reading in readings), key=lambda line: line.size)
        left, right = (Feature(largest.shape, largest.ring, p) for p in ("left", "right"))
        ends = (left, right)
    upright = [abs(PLACES[end.place][1]) for end in ends]
    if upright[0] != upright[1] or ends[0] == ends[1]:
        raise ValueError(
            "between must name two lines that lie across from each other, both left or right or "
            f"both top or bottom, found {ends[0].place!r} and {ends[1].place!r}."
        )
    row = np.array([[1.0, 0.5 if upright[0] == 0.0 else -0.5, 0.0]])
    (first, rough), (second, rougher) = (_height(test, readings, end, crosses) for end in ends)
    seen = abs(first - second)
    off = seen / value - 1.0
    variance = (u**2 + max(_READING**2, rough**2 + rougher**2)) / value**2
    possible = POSSIBLE * math.sqrt((row @ told.covariance @ row.T).item() + variance)
    if abs(off) > possible:
        raise ValueError(
            f"length is {value:g} mm, but these lines stand {seen:.2f} mm apart in the scan, "
            f"{off:+.1%} off, and up to {possible:.1%} can be scanner and reading; give the length "
            "from middle to middle of the lines that between names, in mm, and the right dpi."
        )
    return told.told(row, np.array([off]), np.array([[variance]]))


def _height(
    test: RingTest, readings: Sequence[Reading], end: Feature, crosses: Crosses
) -> tuple[float, float]:
    """Coordinate of a line where it crosses the axis of its ring, and its uncertainty, mm."""
    way = np.array(PLACES[end.place])
    if end.shape == CROSS:
        place, rough = crosses(end.place)
        return float(place @ np.abs(way)), rough
    own = [r.line for r in readings if (r.line.shape, r.line.ring) == (end.shape, end.ring)]
    if own:
        centre = np.asarray(test.nest(end.shape).centre) - pivot_of(test)
        local = np.concatenate([line.xy for line in own]) - centre
        size = own[0].size
        along = local @ np.array((-way[1], way[0]))
        out = local @ way
        near = (out > 0.5 * size) & (np.abs(along) < max(_NEAR * size, 1.5))
        if near.sum() >= 3:
            rise = 0.0 if shape_of(end.shape).has_corners else size - np.sqrt(size**2 - along**2)
            height, rough = _at_middle(along[near], (out + rise)[near])
            return float((height * way + centre) @ np.abs(way)), rough
    raise ValueError(f"{end.shape} ring {end.ring} was not traced at its {end.place} side.")


def _at_middle(along: Array, out: Array) -> tuple[float, float]:
    """Height of a line through points where it crosses the axis, strays left out, mm.

    Its uncertainty is the scatter of the points: what bends the line nearby is not averaged out.
    """
    keep = np.ones(len(out), dtype=bool)
    fit = np.zeros(2)
    for _ in range(3):
        fit = np.polyfit(along[keep], out[keep], 1)
        off = np.abs(out - np.polyval(fit, along))
        keep = off <= max(4.0 * float(np.median(off)), 2.0 * _STRAIGHT)
    return float(fit[1]), float(np.std(off[keep]))
