"""Looking for a card or a grid in a photograph.

A card: the picture is cut at several levels of grey; of each, the largest patches that touch no
border are taken for a card if four straight sides hold them and stand in the card's proportion.
A grid: its dark lines all hang together, and four straight sides hold the largest such net.
"""

from __future__ import annotations

import dataclasses
import math
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter, label
from scipy.spatial import ConvexHull

from gantrysim.instruments.photo.photomarks import Card, Grid, counter_clockwise, ordered
from gantrysim.records.arrays import Array

#: Side of the reduced picture, pixels; least and most of it that a card may take up.
_SMALL, _LEAST, _MOST = 800, 0.003, 0.6
_LEVELS = 19
#: For a grid: side of the reduced picture, and the blur whose grey is the ground, pixels.
_FINE, _GROUND = 1600, 6.0
#: How far the proportion of the sides as seen may be off (logarithm: a tilt shortens one), and how
#: much of its four-sided outline a patch fills: rounded corners leave 0.998.
_SQUEEZED, _FILLED = 0.2, 0.998
_ALIKE, _ANOTHER = math.radians(6.0), math.radians(25.0)  # directions of one side, of another


def found_card(grey: NDArray[Any], card: Card) -> Card:
    """The card with its corners found.

    ``grey``: the picture; shape (rows, columns).  ``card``: its sizes, mm.  ValueError if nothing
    in the picture looks like a card, in one sentence.
    """
    step = max(1, max(grey.shape) // _SMALL)
    rows, columns = (n // step * step for n in grey.shape)
    small = grey[:rows, :columns].reshape(rows // step, step, -1, step).mean(axis=(1, 3))
    wanted = math.log(max(card.width, card.height) / min(card.width, card.height))
    best: tuple[float, Array] | None = None
    for level in np.quantile(small, np.linspace(0.05, 0.95, _LEVELS)):
        for mask in (small > level, small < level):
            for patch in _patches(mask):
                corners = _four_corners(patch[ConvexHull(patch).vertices])
                if corners is None:
                    continue
                fill = len(patch) / _area(corners)
                sides = np.hypot(*(np.roll(corners, -1, axis=0) - corners).T)
                proportion = abs(math.log((sides[0] + sides[2]) / (sides[1] + sides[3])))
                squeezed = abs(proportion - wanted)
                score = abs(fill - _FILLED) + 0.3 * squeezed
                fits = squeezed < _SQUEEZED and 0.96 < fill < 1.04
                if fits and (best is None or score < best[0]):
                    best = score, corners
    if best is None:
        raise ValueError(
            "no card stands out from its ground in the picture; lay it on a much lighter or darker "
            "ground, or give corners=((column, row), ...) of it."
        )
    corners = best[1] * step + 0.5 * (step - 1)
    return dataclasses.replace(card, corners=corners.tolist())


def found_grid(grey: NDArray[Any], grid: Grid) -> Grid:
    """The grid with its corners found.

    ``grey``: the picture; shape (rows, columns).  ``grid``: its pitch, mm, and counts.  ValueError
    if no net of dark lines with such sides is seen, in one sentence.
    """
    step = max(1, max(grey.shape) // _FINE)
    rows, columns = (n // step * step for n in grey.shape)
    small = grey[:rows, :columns].reshape(rows // step, step, -1, step).mean(axis=(1, 3))
    dark = gaussian_filter(small, _GROUND) - gaussian_filter(small, 0.7)
    wanted = math.log((grid.columns - 1) / (grid.rows - 1))
    for part in (0.5, 0.35, 0.2):
        nets, _ = label(dark > part * np.quantile(dark, 0.985), structure=np.ones((3, 3)))
        sizes = np.bincount(nets.ravel())
        sizes[0] = 0
        net = np.argwhere(nets == int(sizes.argmax()))[:, ::-1].astype(float)
        if len(net) < 100:
            continue
        corners = _four_corners(net[ConvexHull(net).vertices])
        if corners is None or _area(corners) < _LEAST * small.size:
            continue
        corners = ordered(corners, grid.columns >= grid.rows)
        sides = np.hypot(*(np.roll(corners, -1, axis=0) - corners).T)
        squeezed = abs(math.log((sides[0] + sides[2]) / (sides[1] + sides[3])) - wanted)
        if squeezed < _SQUEEZED and counter_clockwise(corners):
            corners = corners * step + 0.5 * (step - 1)
            return dataclasses.replace(grid, corners=corners.tolist())
    raise ValueError(
        f"no net of {grid.columns} by {grid.rows} dark lines stands out in the picture; show its "
        "outer lines all round, or give corners=((column, row), ...) of it."
    )


def _patches(mask: NDArray[np.bool_]) -> list[Array]:
    """Places (column, row) of the largest patches that touch no border, shape (n, 2) each."""
    parts, _ = label(mask)
    sizes = np.bincount(parts.ravel())
    sizes[0] = 0
    border = np.unique(np.concatenate([parts[0], parts[-1], parts[:, 0], parts[:, -1]]))
    sizes[border] = 0
    large = [k for k in np.argsort(sizes)[-3:] if _LEAST < sizes[k] / mask.size < _MOST]
    return [np.argwhere(parts == k)[:, ::-1].astype(float) for k in large]


def _four_corners(hull: Array) -> Array | None:
    """Corners of the quadrilateral whose sides are the four longest stretches of an outline."""
    n = len(hull)
    if n < 4:
        return None
    # sides: directions of the outline, gathered where they agree to a few degrees
    edge = np.roll(hull, -1, axis=0) - hull
    length = np.hypot(*edge.T)
    angle = np.unwrap(np.arctan2(edge[:, 1], edge[:, 0]))
    lines: list[tuple[Array, Array]] = []
    free = np.ones(n, dtype=bool)
    for _ in range(4):
        if not free.any():
            return None
        turn = np.abs((angle[:, None] - angle[None] + math.pi) % (2 * math.pi) - math.pi)
        weight = ((turn < _ALIKE) & free[None]) @ length
        lead = int(np.argmax(np.where(free, weight, -1.0)))
        own = free & (turn[lead] < _ALIKE)
        way = edge[own].sum(axis=0)
        middle = ((hull[own] + 0.5 * edge[own]) * length[own, None]).sum(axis=0) / length[own].sum()
        lines.append((middle, way / max(float(np.hypot(*way)), 1e-9)))
        free &= turn[lead] > _ANOTHER
    lines.sort(key=lambda line: math.atan2(line[1][1], line[1][0]))
    corners = []
    for k in range(4):
        (p, v), (q, w) = lines[k - 1], lines[k]
        det = v[0] * -w[1] + w[0] * v[1]
        if abs(det) < 0.3:
            return None
        t = ((q[0] - p[0]) * -w[1] + w[0] * (q[1] - p[1])) / det
        corners.append(p + t * v)
    return np.array(corners)


def _area(corners: Array) -> float:
    x, y = corners.T
    return 0.5 * abs(float(x @ np.roll(y, -1) - y @ np.roll(x, -1)))
