"""Pieces burned by the library's own model, lifted, turned and measured: the answer is known."""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np

import gantrysim as gs
from gantrysim.inference.assumptions import USUAL, Scales
from gantrysim.inference.discrepancy import windups
from gantrysim.inference.noise import Bins
from gantrysim.instruments.burnedpiece import passage
from gantrysim.instruments.residual import Matched

TURN, SHIFT = math.radians(2.0), (4.0, -3.0)


def placed(
    xy: np.ndarray, *, turn: float = TURN, about: tuple[float, float], shift: tuple[float, float]
) -> np.ndarray:
    """Places, mm, in the frame of a piece turned by ``turn`` (rad) about a point, then shifted."""
    c, s = math.cos(turn), math.sin(turn)
    return (xy - about) @ np.array([[c, s], [-s, c]]) + shift


def laid(
    lines: Iterable[gs.pattern.Line],
    test: gs.RingTest,
    *,
    turn: float = TURN,
    shift: tuple[float, float] = SHIFT,
    about: tuple[float, float] | None = None,
    every: int = 1,
    noise: float = 0.0,
    seed: int | np.random.Generator = 11,
    told_apart: bool = True,
) -> gs.Piece:
    """Lay lines down as a piece, and measure every so many points of them.

    ``about`` is the middle of the spots of a nominal machine if absent; ``noise`` is white, mm;
    passes that are not ``told_apart`` have index -1.
    """
    if about is None:
        head = gs.Machine().head
        x, y = np.mean([nest.centre for nest in test.nests], axis=0)
        about = (x + head.along, y + head.beyond)
    rng = np.random.default_rng(seed)
    made = []
    for line in lines:
        xy = placed(line.xy[::every], turn=turn, about=about, shift=shift)
        xy = xy + noise * rng.standard_normal(xy.shape)
        own = line.pass_index if told_apart else -1
        made.append(gs.pattern.Line(line.shape, line.ring, line.size, own, xy))
    return gs.Piece(test, tuple(made), "made by the test")


def lift(machine: gs.Machine, test: gs.RingTest, *, every: int = 2, **laying) -> gs.Piece:
    """Burn a test with the library's own model and lay it down, see `laid`."""
    burn = gs.simulate(machine, test, step=0.5, feed_forces=True)
    return laid(burn.lines, test, every=every, **laying)


def lacked(
    machine: gs.Machine,
    nominal: gs.Machine,
    matched: Matched,
    place: np.ndarray,
    rng: np.random.Generator,
) -> np.ndarray:
    """What the model lacks of a machine, drawn at its usual sizes: outward at each point, mm."""
    n = len(matched.group)
    each = Bins(np.arange(n), np.ones(n, dtype=int), matched.group, np.ones(n))
    found = passage(matched, each, place, nominal).wound(windups(machine))
    sizes = found.sizes(machine, Scales(), USUAL)
    return found.columns @ (sizes * rng.standard_normal(sizes.size))
