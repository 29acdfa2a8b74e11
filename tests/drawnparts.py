"""Scans of parts drawn by the tests: filled pieces with holes through matplotlib's Agg rasteriser.

Agg paints each pixel by the area that a piece covers of it, as for the lines of `drawnscans`.  Of
the library nothing takes part: the outlines are made here from plain numbers.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from drawnscans import FINER, PIXEL_NOISE, Sheet, wood_and_noise
from matplotlib.backends.backend_agg import RendererAgg
from matplotlib.path import Path as Outline
from matplotlib.transforms import IdentityTransform
from scipy.ndimage import gaussian_filter


def ellipse(x: float, y: float, wide: float, high: float) -> np.ndarray:
    """A closed outline of an ellipse by its diameters, mm."""
    at = np.linspace(0.0, math.tau, 721)
    return np.column_stack((x + 0.5 * wide * np.cos(at), y + 0.5 * high * np.sin(at)))


def box(x: float, y: float, wide: float, high: float) -> np.ndarray:
    """A closed rectangle about a middle, mm."""
    ways = np.array(((-1, -1), (1, -1), (1, 1), (-1, 1), (-1, -1)))
    return (x, y) + 0.5 * ways * (wide, high)


def filled(pieces: Sequence[Sequence[np.ndarray]], sheet: Sheet) -> np.ndarray:
    """Part of each pixel that pieces cover, row 0 at the top; the first outline of each is outside.

    Places are those of `Sheet.place`.
    """
    side = round(sheet.size * sheet.dpi / 25.4)
    finer, scale = side * FINER, sheet.dpi / 25.4 * FINER
    painter = RendererAgg(finer, finer, 72.0)
    pen = painter.new_gc()
    pen.set_linewidth(0.0)
    pen.set_antialiased(True)
    pen.set_snap(False)
    for outlines in pieces:
        corners, codes = [], []
        for k, xy in enumerate(outlines):
            area = np.sum(xy[:-1, 0] * xy[1:, 1] - xy[1:, 0] * xy[:-1, 1])
            way = xy if (area > 0.0) == (k == 0) else xy[::-1]  # holes turn the other way
            corners.append(sheet.place(way) * scale)
            codes.append([Outline.MOVETO, *[Outline.LINETO] * (len(way) - 2), Outline.CLOSEPOLY])
        shape = Outline(np.concatenate(corners), np.concatenate(codes))
        shape.should_simplify = False
        painter.draw_path(pen, shape, IdentityTransform(), (0.0, 0.0, 0.0))
    alpha = np.asarray(painter.buffer_rgba())[..., 3]
    rows = sum(alpha[k::FINER].astype(np.uint16) for k in range(FINER))
    return sum(rows[:, k::FINER] for k in range(FINER)) / (255.0 * FINER**2)


def silhouette(
    pieces: Sequence[Sequence[np.ndarray]],
    sheet: Sheet,
    *,
    blur: float = 0.04,
    char: float = 0.0,
    seed: int = 1,
) -> np.ndarray:
    """Grey values of a scan of pieces; ``char``: darkness of their edges, fading over 0.3 mm."""
    covered = filled(pieces, sheet)
    scale = sheet.dpi / 25.4
    wood, pixels = wood_and_noise(len(covered), sheet.dpi, seed)
    face = sheet.ink + 4.0 * wood
    if char:
        inside = gaussian_filter(covered, 0.25 * scale)
        face = face - char * np.clip(2.0 - 2.0 * inside, 0.0, 1.0)
    grey = sheet.ground + (face - sheet.ground) * covered
    return gaussian_filter(grey, blur * scale) + PIXEL_NOISE * pixels
