"""A coarse map of thin lines in a picture, for finding a pattern before it is traced.

The map is the ridge strength at the scale of the burned line: the second derivative of the smoothed
picture across the line (Steger, IEEE PAMI 20 (1998) 113-125), which a slope of the light, a broad
smudge or the edge of the wood hardly stir.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter, map_coordinates

from gantrysim.instruments.picture import Picture
from gantrysim.records.arrays import Array

COARSE = 0.085  # mm: about the side of a pixel of the map
_LEAST_PART = 0.3  # of the strongest lines counts as a clear line
_FAINTEST = 0.3  # grey levels a squared pixel of the map: a line of one or two grey levels
_BAND = 1024  # rows of the picture that are averaged at a time


@dataclass(frozen=True, eq=False)
class InkMap:
    """Ridge strength of a picture, 0 on bare ground to 1 on clear lines.

    Parameters
    ----------
    strength : ndarray of float32, shape (rows, columns)
        Row 0 is the bottom: rows count along y.
    angle : ndarray of float32, shape (rows, columns)
        Direction across the line, radians from x toward y, modulo pi.
    pitch : ndarray, shape (2,)
        Sides of a pixel along x and y, mm.
    dark : bool
        Lines darker than the ground.
    top : float
        What counts as a clear line, grey levels a squared pixel of the map.
    raw : ndarray of float32, shape (rows, columns)
        The strength before it was scaled and cut at the top.
    """

    strength: NDArray[np.float32]
    angle: NDArray[np.float32]
    pitch: Array
    dark: bool
    top: float
    raw: NDArray[np.float32]

    def at(self, xy: Array, *, raw: bool = False) -> Array:
        """Strength at places on the picture, mm from its lower left corner, shape (..., 2)."""
        rows = xy[..., 1] / self.pitch[1] - 0.5
        columns = xy[..., 0] / self.pitch[0] - 0.5
        table = self.raw if raw else self.strength
        return map_coordinates(table, [rows, columns], order=1, mode="constant")

    def agreement(self, xy: Array, across: Array) -> Array:
        """How well ink near places runs as a line would: 1 along it, 0 from 45 degrees on.

        ``xy``: places on the picture, mm; shape (n, m, 2).  ``across``: directions across the line,
        unit vectors; shape (n, 2).
        """
        wanted = np.arctan2(across[:, 1], across[:, 0])[:, None]
        return np.maximum(np.cos(2.0 * (self.angle[self.cells(xy)] - wanted)), 0.0)

    def cells(self, xy: Array) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Row and column of the pixels in which places lie, the nearest where they lie outside."""
        rows, columns = self.strength.shape
        i = np.clip((xy[..., 1] / self.pitch[1]).astype(np.int64), 0, rows - 1)
        j = np.clip((xy[..., 0] / self.pitch[0]).astype(np.int64), 0, columns - 1)
        return i, j


def ink_maps(picture: Picture, line_width: float) -> tuple[InkMap, InkMap]:
    """Maps of dark and of light lines.

    ``picture``: the scan.  ``line_width``: expected width of the lines, mm.
    """
    small, pitch = reduced(picture)
    small -= np.float32(small.mean())  # a sampled second derivative leaves a trace of the mean
    size = max(float(pitch.mean()), 1e-9)
    sigma = max(line_width / math.sqrt(12.0), 0.75 * size) / size  # width/2/sqrt(3): strongest
    xx = gaussian_filter(small, sigma, order=(0, 2))
    yy = gaussian_filter(small, sigma, order=(2, 0))
    xy = gaussian_filter(small, sigma, order=(1, 1))
    mean, half = 0.5 * (xx + yy), 0.5 * (xx - yy)
    spread = np.hypot(half, xy)
    angle = 0.5 * np.arctan2(xy, half)  # of the larger eigenvalue: across a dark line
    edge = math.ceil(3.0 * sigma)
    maps = []
    for dark in (True, False):
        strength = np.maximum((mean if dark else -mean) + spread, 0.0)
        strength[:edge] = strength[-edge:] = 0.0
        strength[:, :edge] = strength[:, -edge:] = 0.0
        usual, most = np.quantile(strength[:: max(1, strength.shape[0] // 1500)], (0.985, 0.9995))
        # a small pattern on a large page must not be measured against bare ground
        top = max(float(usual), _LEAST_PART * float(most), _FAINTEST)
        across = angle if dark else angle + 0.5 * math.pi
        scaled = np.minimum(strength / top, 1.0).astype(np.float32)
        way = (across % math.pi).astype(np.float32)
        maps.append(InkMap(scaled, way, pitch, dark, top, strength))
    return maps[0], maps[1]


def reduced(picture: Picture) -> tuple[NDArray[np.float32], Array]:
    """The picture averaged over whole pixels to about `COARSE`, bottom row first; its pitch, mm."""
    fx, fy = (max(1, round(COARSE / side)) for side in picture.pitch)
    rows, columns = (picture.grey.shape[0] // fy, picture.grey.shape[1] // fx)
    # whole pixels are dropped at the top and right, so that the lower left corner stays
    grey = picture.grey[picture.grey.shape[0] - rows * fy :, : columns * fx]
    out = np.empty((rows, columns), np.float32)
    for first in range(0, rows, _BAND):
        band = grey[first * fy : min(first + _BAND, rows) * fy]
        shaped = band.reshape(-1, fy, columns, fx)
        out[first : first + len(shaped)] = shaped.mean(axis=(1, 3), dtype=np.float32)
    return np.ascontiguousarray(out[::-1]), picture.pitch * np.array((fx, fy))
