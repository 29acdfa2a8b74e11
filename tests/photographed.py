"""A sheet drawn by Pillow, and a camera written down here that photographs it.

The camera is a pinhole at a pose (turn, tilt, distance) with the radial model x (1 + k r^2) as
common calibration software publishes it; places are exact, pixels are means over 3 by 3 rays.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from PIL import Image, ImageDraw
from scipy.ndimage import gaussian_filter, map_coordinates

FINE = 20  # pixels of the drawn sheet for each mm: edges on whole pixels are exact


@dataclass(frozen=True)
class Camera:
    """A pinhole looking down at a sheet; mm, degrees, pixels."""

    middle: tuple[float, float] = (100.0, 70.0)  # where it looks
    distance: float = 260.0
    tilt: tuple[float, float] = (3.0, -2.0)  # about the sheet's x and y
    turn: float = 4.0
    size: tuple[int, int] = (1600, 1200)  # columns, rows
    focal: float = 1.25  # half diagonals
    radial: float = 0.02  # per half diagonal squared
    off_middle: tuple[float, float] = (0.0, 0.0)  # half diagonals

    @property
    def unit(self) -> float:
        return 0.5 * math.hypot(*self.size)

    @property
    def rotation(self) -> np.ndarray:
        a, b = np.radians(self.tilt)
        c = math.radians(self.turn)
        x = np.array([[1, 0, 0], [0, math.cos(a), -math.sin(a)], [0, math.sin(a), math.cos(a)]])
        y = np.array([[math.cos(b), 0, math.sin(b)], [0, 1, 0], [-math.sin(b), 0, math.cos(b)]])
        z = np.array([[math.cos(c), -math.sin(c), 0], [math.sin(c), math.cos(c), 0], [0, 0, 1]])
        return z @ y @ x

    def pixels(self, xy, height: float = 0.0) -> np.ndarray:
        """Columns and rows at which places of a face at a height over the sheet are seen."""
        xy = np.asarray(xy, dtype=float)
        about = np.concatenate(
            [xy - self.middle, np.full((*xy.shape[:-1], 1), height)], axis=-1
        ) @ self.rotation.T  # fmt: skip
        ideal = self.focal * about[..., :2] / (self.distance - about[..., 2:])
        ideal = ideal - self.off_middle
        r2 = np.sum(ideal**2, axis=-1, keepdims=True)
        seen = ideal * (1.0 + self.radial * r2) + self.off_middle
        columns, rows = self.size
        return np.stack(
            [
                seen[..., 0] * self.unit + 0.5 * (columns - 1),
                0.5 * (rows - 1) - seen[..., 1] * self.unit,
            ],
            axis=-1,
        )

    def places(self, pixels, height: float = 0.0) -> np.ndarray:
        """Places on that face along the rays of pixels."""
        columns, rows = self.size
        seen = np.stack(
            [pixels[..., 0] - 0.5 * (columns - 1), 0.5 * (rows - 1) - pixels[..., 1]], axis=-1
        )
        x, y = np.moveaxis(seen / self.unit - self.off_middle, -1, 0)
        swell = np.ones_like(x)
        for _ in range(12):  # repeated substitution, as common calibration software does it
            swell = 1.0 + self.radial * ((x / swell) ** 2 + (y / swell) ** 2)
        ideal = np.stack([x / swell, y / swell], axis=-1)
        ray = (
            np.concatenate(
                [(ideal + self.off_middle) / self.focal, -np.ones((*ideal.shape[:-1], 1))], axis=-1
            )
            @ self.rotation
        )
        eye = np.array([0.0, 0.0, self.distance]) @ self.rotation
        reach = (height - eye[2]) / ray[..., 2:]
        return (eye + reach * ray)[..., :2] + self.middle


class Sheet:
    """A sheet of wood on which Pillow draws rectangles and dots; mm, y up."""

    def __init__(self, width: float = 200.0, height: float = 140.0, ground: int = 170) -> None:
        self.height = height
        self.image = Image.new("L", (round(width * FINE), round(height * FINE)), ground)
        self.draw = ImageDraw.Draw(self.image)

    def _box(self, x0, y0, x1, y1):
        h = self.height
        return [round(x0 * FINE), round((h - y1) * FINE), round(x1 * FINE) - 1,
                round((h - y0) * FINE) - 1]  # fmt: skip

    def box(self, x0, y0, x1, y1, grey=40):
        self.draw.rectangle(self._box(x0, y0, x1, y1), fill=grey)

    def card(self, x0, y0, width=85.60, height=54.0, grey=245):
        box = self._box(x0, y0, x0 + width, y0 + height)
        self.draw.rounded_rectangle(box, radius=3.18 * FINE, fill=grey)

    def dot(self, x, y, radius=1.0, grey=40):
        self.draw.ellipse(self._box(x - radius, y - radius, x + radius, y + radius), fill=grey)

    def ring(self, x, y, half, shape, line=0.3, grey=60, ground=170):
        """A burned circle or square about a place, the outer ones first: its inside is cleared."""
        outer, inner = half + line / 2, half - line / 2
        draw = self.draw.ellipse if shape == "circle" else self.draw.rectangle
        draw(self._box(x - outer, y - outer, x + outer, y + outer), fill=grey)
        draw(self._box(x - inner, y - inner, x + inner, y + inner), fill=ground)

    def grid(self, x0, y0, pitch, columns, rows, line=0.3, grey=50):
        for i in range(columns):
            x = x0 + i * pitch
            self.box(x - line / 2, y0 - 1, x + line / 2, y0 + (rows - 1) * pitch + 1, grey)
        for j in range(rows):
            y = y0 + j * pitch
            self.box(x0 - 1, y - line / 2, x0 + (columns - 1) * pitch + 1, y + line / 2, grey)

    def rule(self, x0, y0, length, pitch=1.0, grey=225):
        self.box(x0 - 5, y0 - 6, x0 + length + 5, y0 + 10, grey)
        for k in range(round(length / pitch) + 1):
            high = 6.0 if k % 10 == 0 else 3.0
            self.box(x0 + k * pitch - 0.1, y0 - high + 1.5, x0 + k * pitch + 0.1, y0 + 1.5, 30)


def photograph(
    sheet: Sheet, camera: Camera, rng: np.random.Generator, noise: float = 2.0,
    raised: tuple[Sheet, float, tuple[float, float, float, float]] | None = None,
) -> np.ndarray:  # fmt: skip
    """What the camera sees; `raised` is another sheet, its height, and its part that is seen."""
    columns, rows = camera.size
    shade = np.zeros((rows, columns))
    faces = [(sheet, _whole(camera), (-np.inf, -np.inf, np.inf, np.inf))]
    if raised is not None:
        top, height, part = raised
        faces.append((top, _whole(camera, height), part))
    for face, place, (x0, y0, x1, y1) in faces:
        down, right = np.gradient(place, axis=(0, 1))
        grey = np.asarray(face.image, dtype=np.float32)
        seen = np.zeros((rows, columns))
        for dx in (-1 / 3, 0.0, 1 / 3):
            for dy in (-1 / 3, 0.0, 1 / 3):
                seen += _shade(face, grey, place + dx * right + dy * down) / 9.0
        on = ((place >= (x0, y0)) & (place <= (x1, y1))).all(axis=-1)
        shade = np.where(on, seen, shade)
    shade = gaussian_filter(shade, 0.6)
    light = np.linspace(0.92, 1.05, columns)[None] * np.linspace(1.03, 0.95, rows)[:, None]
    shade = shade * light + noise * rng.standard_normal(shade.shape)
    return np.clip(shade + 0.5, 0, 255).astype(np.uint8)


@lru_cache(maxsize=1)  # most tests photograph with one camera
def _whole(camera: Camera, height: float = 0.0) -> np.ndarray:
    """Places that all pixels of a camera show, shape (rows, columns, 2)."""
    columns, rows = camera.size
    pixels = np.stack(np.meshgrid(np.arange(columns), np.arange(rows)), axis=-1)
    return camera.places(pixels.astype(float), height)


def _shade(sheet: Sheet, grey: np.ndarray, place: np.ndarray) -> np.ndarray:
    column = place[..., 0] * FINE - 0.5
    row = (sheet.height - place[..., 1]) * FINE - 0.5
    return map_coordinates(grey, [row, column], order=1, mode="nearest").astype(float)


def saved(path, grey: np.ndarray):
    Image.fromarray(grey).save(path)
    return path


def darkness(grey: np.ndarray, at: np.ndarray, reach: int) -> np.ndarray:
    """Centres of mass of dark dots near places (column, row), pixels."""
    out = []
    for column, row in at:
        c, r = round(column), round(row)
        cut = grey[r - reach : r + reach + 1, c - reach : c + reach + 1].astype(float)
        edge = np.concatenate([cut[0], cut[-1], cut[:, 0], cut[:, -1]])
        dark = np.clip(np.median(edge) - 12.0 - cut, 0.0, None)
        rows, columns = np.mgrid[r - reach : r + reach + 1, c - reach : c + reach + 1]
        out.append(((dark * columns).sum() / dark.sum(), (dark * rows).sum() / dark.sum()))
    return np.array(out)


def laid_onto(found: np.ndarray, true: np.ndarray) -> np.ndarray:
    """What is left after shifting and turning, shape (n, 2)."""
    a, b = found - found.mean(axis=0), true - true.mean(axis=0)
    u, _, vt = np.linalg.svd(a.T @ b)
    u[:, -1] *= np.sign(np.linalg.det(u @ vt))  # a turn, no mirror
    return a @ u @ vt - b


def moved(camera: Camera, **changes) -> Camera:
    return replace(camera, **changes)
