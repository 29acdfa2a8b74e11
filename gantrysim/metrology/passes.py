"""Outlines of rings from the lines of a burn or piece, and how far passes lie apart.

On a measured piece the passes of a ring can often be told apart only where they part: points of
`pass_index` -1 belong to every pass that has no points of its own there.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from gantrysim.metrology.outliers import near_neighbours
from gantrysim.metrology.roundness import ReferenceCircle, least_squares_circle
from gantrysim.metrology.squares import SquareGeometry, outline_position, square_geometry
from gantrysim.pattern.ringtest import Line
from gantrysim.records.arrays import Array
from gantrysim.records.doors import checked

Figure = ReferenceCircle | SquareGeometry

LEAST_POINTS = 8
WIDEST_GAP = 60.0  # degrees, of an outline that counts as going all the way round
TOLD_APART = 0.1  # of its outline; below it a pass gets no row of its own
REACH = 2.5  # typical distances between points; a wider bracket is not interpolated across


@checked
@dataclass(frozen=True)
class PassScatter:
    """How far the passes of one ring lie apart.

    Parameters
    ----------
    shape : str
        "circle" or "square".
    ring : int
        0 is the innermost.
    rms, largest : float
        Root mean square and largest distance of two passes across the line, mm, over all pairs of
        passes and all places where both are known.
    share : float
        Part of the outline on which passes were told apart; on a burn 1, on a piece usually far
        less, and `rms` then speaks of those stretches only.
    places : int
        How many places along the outline that is.
    """

    shape: str
    ring: int
    rms: float
    largest: float
    share: float
    places: int


def widest_gap_deg(xy: Array) -> float:
    """Widest angle between neighbouring points seen from the middle of their extent, degrees."""
    if len(xy) < 2:
        return 360.0
    middle = (xy.min(axis=0) + xy.max(axis=0)) / 2
    angle = np.sort(np.arctan2(*(xy - middle).T[::-1]))
    return float(np.degrees(np.diff(angle, append=angle[0] + 2 * np.pi).max()))


def goes_round(xy: Array) -> bool:
    """Whether points make a whole outline: 8 or more, no gap wider than 60 degrees."""
    return len(xy) >= LEAST_POINTS and widest_gap_deg(xy) <= WIDEST_GAP


def outlines_of_ring(lines: Sequence[Line], passes: int) -> list[Line]:
    """Whole outlines that the lines of one ring give, at most one a pass.

    ``lines``: all lines of one shape and ring.  ``passes``: how many passes were drawn.  Returns: a
    pass told apart on at least a tenth of its outline comes completed with the points that belong
    to every pass; pass -1 stands for the passes that are not told apart.  Empty if the points do
    not go round.
    """
    shared = [line.xy for line in lines if line.pass_index < 0]
    common = np.concatenate(shared) if shared else np.empty((0, 2))
    found = []
    for line in sorted(lines, key=lambda line: line.pass_index):
        if line.pass_index < 0:
            continue
        whole = np.concatenate((line.xy, _away_from(common, line.xy))) if len(common) else line.xy
        if goes_round(whole) and len(line.xy) >= TOLD_APART * len(whole):
            found.append(replace(line, xy=whole))
    if len(found) < passes and goes_round(common):
        found.append(replace(lines[0], pass_index=-1, xy=common))
    pooled = np.concatenate([line.xy for line in lines])
    if not found and goes_round(pooled):
        found.append(replace(lines[0], pass_index=-1, xy=pooled))
    return found


def _away_from(points: Array, own: Array) -> Array:
    """Those points in whose direction, seen from the middle of all, there are no own points."""
    everything = np.concatenate((points, own))
    middle = (everything.min(axis=0) + everything.max(axis=0)) / 2
    angle = np.arctan2(*(points - middle).T[::-1])
    taken = np.sort(np.arctan2(*(own - middle).T[::-1]))
    around = np.concatenate((taken[-1:] - 2 * np.pi, taken, taken[:1] + 2 * np.pi))
    after = np.searchsorted(around, angle)
    distance = np.minimum(around[after] - angle, angle - around[after - 1])
    step = 2 * np.pi / max(len(everything), 1)
    left: Array = points[distance > step / 2]
    return left


def without_strays(lines: Sequence[Line], sigmas: float | None) -> tuple[tuple[Line, ...], int]:
    """Lines of one ring without the points that stand alone, and how many those were.

    Deviations are taken from the circle or square through all points of the ring, see
    `gantrysim.metrology.outliers`.  Lines that make no such figure are returned as they are.
    """
    if sigmas is None:
        return tuple(lines), 0
    pooled = np.concatenate([line.xy for line in lines])
    try:
        figure = figure_of(replace(lines[0], xy=pooled))
    except ValueError:
        return tuple(lines), 0
    kept = []
    for line in lines:
        along, across, _ = _place(line.xy, figure)
        keep = near_neighbours(along, across, sigmas=sigmas, closed=True)
        kept.append(replace(line, xy=line.xy[keep]))
    return tuple(kept), len(pooled) - sum(len(line.xy) for line in kept)


def figure_of(outline: Line) -> Figure:
    """The least-squares circle or square of an outline; ValueError if there is none."""
    if outline.shape == "circle":
        return least_squares_circle(outline.xy)
    return square_geometry(outline.xy, outline.size)


def pass_scatter(
    lines: Sequence[Line], outline: Line, figure: Figure, passes: int
) -> PassScatter | None:
    """How far the passes of one ring lie apart; None where no two are known at one place.

    ``lines``: all lines of one shape and ring, stray points removed.  ``outline``: a whole outline
    of that ring.  ``figure``: its circle or square, from which deviations are taken.  ``passes``:
    how many passes were drawn.

    Passes are compared across the line at equal polar angle (circles) or equal position along
    the side (squares, clear of the corners), linearly between neighbouring points.  Our own
    measure: no standard defines it.
    """
    own = [line for line in lines if line.pass_index >= 0 and len(line.xy)]
    if len({line.pass_index for line in own}) < passes:  # then -1 stands for the other passes
        own += [line for line in lines if line.pass_index < 0 and len(line.xy)]
    turn = 2 * np.pi if isinstance(figure, ReferenceCircle) else 8 * outline.size
    reach = REACH * turn / len(outline.xy)
    places = [_ordered_place(line.xy, figure) for line in own]
    differences = []
    for one, other in combinations(range(len(own)), 2):
        if own[one].pass_index != own[other].pass_index:
            fewer, more = sorted((places[one], places[other]), key=lambda place: len(place[0]))
            differences.append(_difference(fewer, more, turn, reach))
    apart = np.concatenate(differences) if differences else np.empty(0)
    if not len(apart):
        return None
    share = max(map(len, differences)) / len(_ordered_place(outline.xy, figure)[0])
    rms, largest = float(np.sqrt(np.mean(apart**2))), float(np.abs(apart).max())
    return PassScatter(outline.shape, outline.ring, rms, largest, min(1.0, share), len(apart))


def _place(xy: Array, figure: Figure) -> tuple[Array, Array, NDArray[np.bool_]]:
    """Positions along an outline, deviations across it, and whether they are clear of corners."""
    if isinstance(figure, SquareGeometry):
        return outline_position(xy, figure)
    return figure.angles(xy), figure.deviations(xy), np.ones(len(xy), dtype=bool)


def _ordered_place(xy: Array, figure: Figure) -> tuple[Array, Array]:
    along, across, clear = _place(xy, figure)
    along, across = along[clear], across[clear]
    order = np.argsort(along, kind="stable")
    return along[order], across[order]


def _difference(
    at: tuple[Array, Array], known: tuple[Array, Array], turn: float, reach: float
) -> Array:
    """Deviation minus known deviation, where known places are near on both sides."""
    (along, across), (known_along, known_across) = at, known
    if not len(known_along):
        return np.empty(0)
    around = np.concatenate((known_along[-1:] - turn, known_along, known_along[:1] + turn))
    after = np.clip(np.searchsorted(around, along), 1, len(around) - 1)
    near = around[after] - around[after - 1] <= reach
    difference: Array = across - np.interp(along, known_along, known_across, period=turn)
    return difference[near]
