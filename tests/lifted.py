"""Pieces burned by the library's own model, lifted, turned and measured: the answer is known."""

from __future__ import annotations

import math

import numpy as np

import gantrysim as gs


def lift(machine: gs.Machine, *, test: gs.RingTest, noise: float, seed: int) -> gs.Piece:
    """Burn a test about (180, 150) mm and measure every other point of it."""
    burn = gs.simulate(machine, test, step=0.5, feed_forces=True)
    rng = np.random.default_rng(seed)
    c, s = math.cos(0.03), math.sin(0.03)
    lines = []
    for line in burn.lines:
        xy = (line.xy[::2] - (180.0, 195.0)) @ np.array([[c, s], [-s, c]])
        xy = xy + noise * rng.standard_normal(xy.shape)
        lines.append(gs.Line(line.shape, line.ring, line.size, line.pass_index, xy))
    return gs.Piece(test, tuple(lines), "made by the test")
