"""Scans drawn by the tests: known lines through matplotlib's Agg rasteriser, then optics and noise.

Agg paints each pixel by the exact area that a line covers of it (to 1/256); four by four of its
pixels make one of the scan.  Of the library only the commanded outlines of the test take part.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from matplotlib.backends.backend_agg import RendererAgg
from matplotlib.path import Path as Outline
from matplotlib.transforms import IdentityTransform
from PIL import Image
from scipy.ndimage import gaussian_filter
from scipy.spatial import cKDTree

import gantrysim as gs

FINER = 4
#: Noise of the practice scans, as measured on their bare wood: grey levels of 255.
PIXEL_NOISE, GRAIN = 2.5, 4.0


@dataclass(frozen=True)
class Sheet:
    """How a piece lies on the glass, and the scanner."""

    dpi: float = 600.0
    turn_deg: float = 0.0
    size: float = 50.0  # mm: side of the square picture
    width: float = 0.14  # mm
    ground: float = 190.0
    ink: float = 60.0
    scanner: tuple[float, float, float] = (0.0, 0.0, 0.0)  # x scale, y scale, skew
    centre: tuple[float, float] | None = None  # mm from the lower left corner

    def place(self, xy: np.ndarray) -> np.ndarray:
        """Places about the middle of the pattern, on the picture, mm from its lower left."""
        t = math.radians(self.turn_deg)
        turn = np.array(((math.cos(t), -math.sin(t)), (math.sin(t), math.cos(t))))
        sx, sy, k = self.scanner
        scan = np.array(((1.0 + sx, k), (0.0, 1.0 + sy)))
        centre = self.centre or (0.5 * self.size + 0.3, 0.5 * self.size - 0.2)
        return xy @ (scan @ turn).T + centre


def lines_of(
    test: gs.RingTest, bend: Callable[[np.ndarray], np.ndarray] = lambda xy: xy
) -> dict[tuple[str, int], np.ndarray]:
    """Closed outlines of all rings about the middle of the test, bent as a machine might."""
    middle = np.mean([nest.centre for nest in test.nests], axis=0)
    found = {}
    for stroke in test.strokes(0.02):
        if stroke.shape != "travel" and stroke.pass_index == 0:
            found[stroke.shape, stroke.ring] = bend(stroke.xy - middle)
    return found


def coverage(lines: Sequence[np.ndarray], sheet: Sheet) -> np.ndarray:
    """Part of each pixel that is inked, row 0 at the top."""
    side = round(sheet.size * sheet.dpi / 25.4)
    finer = side * FINER
    scale = sheet.dpi / 25.4 * FINER
    painter = RendererAgg(finer, finer, 72.0)
    pen = painter.new_gc()
    pen.set_linewidth(sheet.width * scale)  # at 72 dpi a point is a pixel
    pen.set_antialiased(True)
    pen.set_snap(False)
    pen.set_joinstyle("round")
    pen.set_capstyle("butt")
    pen.set_foreground((0.0, 0.0, 0.0, 1.0), isRGBA=True)
    for xy in lines:
        outline = Outline(sheet.place(xy) * scale)
        outline.should_simplify = False
        painter.draw_path(pen, outline, IdentityTransform())
    alpha = np.asarray(painter.buffer_rgba())[..., 3]
    rows = sum(alpha[k::FINER].astype(np.uint16) for k in range(FINER))  # whole numbers: exact
    return sum(rows[:, k::FINER] for k in range(FINER)) / (255.0 * FINER**2)


@lru_cache(maxsize=2)
def wood_and_noise(side: int, dpi: float, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Grain along the rows, and pixel noise, each of unit deviation."""
    rng = np.random.default_rng(seed)
    across, along = 0.12 * dpi / 25.4, 2.0 * dpi / 25.4
    wood = gaussian_filter(rng.standard_normal((side, side)), (across, along))
    return wood / wood.std(), rng.standard_normal((side, side))


def scan_of(
    lines: Sequence[np.ndarray],
    sheet: Sheet,
    *,
    blur: float = 0.03,
    noise: float = PIXEL_NOISE,
    grain: float = GRAIN,
    light: float = 15.0,
    seed: int = 1,
) -> np.ndarray:
    """Grey values of a scan: optics (mm), pixel noise, grain and uneven light in grey levels."""
    inked = gaussian_filter(coverage(lines, sheet), blur * sheet.dpi / 25.4)
    side = len(inked)
    wood, pixels = wood_and_noise(side, sheet.dpi, seed)
    ramp = np.linspace(-0.5, 0.5, side)
    ground = sheet.ground + grain * wood + light * (ramp[:, None] + ramp[None, :] ** 2)
    return ground + (sheet.ink - ground) * inked + noise * pixels


def save(grey: np.ndarray, path, dpi: float | None = 600.0, **options) -> None:
    """Write grey values as an 8-bit picture."""
    image = Image.fromarray(np.clip(np.rint(grey), 0, 255).astype(np.uint8))
    if dpi is not None:
        options["dpi"] = (dpi, dpi)
    image.save(path, **{"compress_level": 1, **options})  # quick: read once and thrown away


def off_lines(
    piece: gs.Piece, lines: dict[tuple[str, int], np.ndarray], sheet: Sheet
) -> dict[tuple[str, int], np.ndarray]:
    """Signed distance, outward, of each read point from the true line of its ring, mm."""
    assert piece.record is not None
    found: dict[tuple[str, int], list[np.ndarray]] = {}
    for line in piece.lines:
        true = sheet.place(lines[line.shape, line.ring])
        at = line.xy @ piece.record.matrix.T + piece.record.shift
        _, near = cKDTree(true).query(at)
        near = np.clip(near, 1, len(true) - 2)
        way = true[near + 1] - true[near - 1]
        normal = np.column_stack((way[:, 1], -way[:, 0])) / np.hypot(*way.T)[:, None]
        outward = np.sign(np.sum(normal * (true[near] - true.mean(axis=0)), axis=1))
        off = np.sum((at - true[near]) * normal, axis=1) * outward
        found.setdefault((line.shape, line.ring), []).append(off)
    return {ring: np.concatenate(parts) for ring, parts in found.items()}
