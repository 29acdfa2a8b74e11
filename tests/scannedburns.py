"""Simulated burns as a scanner would show them, with the true place of every line.

The lines of the burn are turned before they are exposed, so nothing is resampled; what the wood,
the light, the edge of the piece and the scanner add comes on top.
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from drawnscans import save, wood_and_noise
from scipy.ndimage import gaussian_filter
from scipy.spatial import cKDTree

import gantrysim as gs

INK = 45.0  # grey level of the darkest mark
PAD = 4.0  # mm of glass shown beyond the margin of the picture of a burn


@dataclass(frozen=True)
class Glass:
    """How a piece lies on the glass, and what the scan shows beside its lines.

    Parameters
    ----------
    dpi : float
        Pixels an inch.
    turn_deg : float
        Counter-clockwise turn of the piece.
    ground, grain, noise, light : float
        Bare wood, its grain, pixel noise, and how much darker one corner is, grey levels.
    lid : float, optional
        Grey level beyond the edges of the piece, which are in view with the shadow they throw;
        the wood fills the picture if absent.
    """

    dpi: float
    turn_deg: float = 0.0
    ground: float = 200.0
    grain: float = 0.0
    noise: float = 1.0
    light: float = 0.0
    lid: float | None = None


@dataclass(frozen=True, eq=False)
class Scanned:
    """A scan and the lines on it, mm from the lower left corner of the picture."""

    grey: np.ndarray
    lines: dict[tuple[str, int], np.ndarray]


def scanned(machine: gs.Machine, test: gs.RingTest, glass: Glass, seed: int = 1) -> Scanned:
    """Burn a test and lay the piece on the glass."""
    burn = gs.simulate(machine, test, step=0.1)
    t = math.radians(glass.turn_deg)
    turn = np.array(((math.cos(t), -math.sin(t)), (math.sin(t), math.cos(t))))
    centre = np.mean([nest.centre for nest in test.nests], axis=0)

    def turned(xy: np.ndarray) -> np.ndarray:
        return (xy - centre) @ turn.T + centre

    burn = dataclasses.replace(
        burn,
        lines=tuple(dataclasses.replace(x, xy=turned(x.xy)) for x in burn.lines),
        commanded=tuple(turned(xy) for xy in burn.commanded),
        beside=tuple(dataclasses.replace(x, xy=turned(x.xy)) for x in burn.beside),
        beside_commanded=tuple(turned(xy) for xy in burn.beside_commanded),
    )
    image = burn.image(dpi=glass.dpi)
    pad = round(PAD * glass.dpi / 25.4)
    inked = np.pad(image.darkness / 255.0, pad)
    lines = {(x.shape, x.ring): x.xy - image.origin + pad * 25.4 / glass.dpi for x in burn.lines}
    inked = gaussian_filter(inked, 0.02 * glass.dpi / 25.4)  # the scanner's optics
    ground = _ground(inked.shape, glass, seed, np.concatenate(list(lines.values())), turn)
    side = max(inked.shape)
    pixels = wood_and_noise(side, glass.dpi, seed)[1][: inked.shape[0], : inked.shape[1]]
    return Scanned(ground + (INK - ground) * inked + glass.noise * pixels, lines)


def _ground(
    shape: tuple[int, int], glass: Glass, seed: int, drawn: np.ndarray, turn: np.ndarray
) -> np.ndarray:
    """Grey levels of wood and lid without the burn."""
    rows, columns = shape
    wood = wood_and_noise(max(shape), glass.dpi, seed)[0][:rows, :columns]
    down, right = np.linspace(0.0, 1.0, rows)[:, None], np.linspace(0.0, 1.0, columns)
    ground = glass.ground + glass.grain * wood - glass.light * 0.5 * (down + right**2)
    if glass.lid is None:
        return ground
    pixel = 25.4 / glass.dpi
    x = (np.arange(columns) + 0.5) * pixel
    y = (rows - 0.5 - np.arange(rows)[:, None]) * pixel
    spread = drawn @ turn
    right_edge, bottom_edge = spread[:, 0].max() + 3.0, spread[:, 1].min() - 3.5
    along = x * turn[0, 0] + y * turn[1, 0]
    up = x * turn[0, 1] + y * turn[1, 1]
    inside = np.minimum(right_edge - along, up - bottom_edge)  # mm from the nearest edge
    shadow = 60.0 * np.exp(-0.5 * ((inside + 0.4) / 0.25) ** 2)
    return np.where(inside > 0.0, ground, glass.lid) - shadow


def off_truth(piece: gs.Piece, scan: Scanned) -> np.ndarray:
    """Distance of every read point across the true line of the ring it is named, mm."""
    assert piece.record is not None
    found = []
    for line in piece.lines:
        true = scan.lines[line.shape, line.ring]
        at = line.xy @ piece.record.matrix.T + piece.record.shift
        _, near = cKDTree(true).query(at)
        near = np.clip(near, 1, len(true) - 2)
        way = true[near + 1] - true[near - 1]
        length = np.hypot(*way.T)
        # a start or reversal has no direction of its own: the nearest sample has to do
        there = at - true[near]
        across = (there[:, 0] * way[:, 1] - there[:, 1] * way[:, 0]) / np.maximum(length, 1e-9)
        found.append(np.where(length > 1e-6, across, np.hypot(*there.T)))
    return np.concatenate(found)


def save_scan(scan: Scanned, folder: Path, dpi: float | None) -> Path:
    """The scan as a file that states its resolution, unless that is None."""
    path = folder / "scan.png"
    save(scan.grey, path, dpi)
    return path
