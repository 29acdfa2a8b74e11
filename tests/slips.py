"""Pieces burned or laid down otherwise than stated, and how they are explained as stated."""

from __future__ import annotations

import math

import numpy as np
from lifted import laid

import gantrysim as gs
from gantrysim.faults.healthy import HEALTHY_SCATTER
from gantrysim.inference.problem import Problem, prepare
from gantrysim.inference.search import promised_gain, search
from gantrysim.inference.solver import Mode, learn_noise, solve

#: What every test of these burns has unless it is said otherwise.
HOW = {"spacing": 7.0, "largest": 35.0, "centre": (150.0, 140.0), "feed": 30.0}
TEST = gs.ring_test(**HOW)
#: Faults that are searched as stated, the most promising first.
_SEARCHED = 3


def handed_in(
    machine: gs.Machine,
    burned: gs.RingTest = TEST,
    *,
    stated: gs.RingTest = TEST,
    turn_deg: float = 2.0,
    mirrored: bool = False,
    seed: int = 5,
) -> gs.Piece:
    """What a machine burns of one test, measured with noise, said to be another.

    Its passes are not told apart.  The piece lies turned by ``turn_deg``; ``mirrored`` measures it
    from its back.
    """
    burn = gs.simulate(machine, burned, step=0.5, feed_forces=True)
    piece = laid(burn.lines, burned, turn=math.radians(turn_deg), every=2, noise=0.01, seed=seed)
    side = np.array([-1.0, 1.0]) if mirrored else np.ones(2)
    whole: dict[tuple[str, int], list[np.ndarray]] = {}
    for line in piece.lines:
        whole.setdefault((line.shape, line.ring), []).append(line.xy * side)
    lines = [
        gs.pattern.Line(shape, ring, stated.nest(shape).sizes[ring], -1, np.concatenate(xy))
        for (shape, ring), xy in whole.items()
    ]
    return gs.Piece(stated, tuple(lines), "made by the test")


def healthy_machine(
    seed: int | np.random.Generator, nominal: gs.Machine | None = None
) -> gs.Machine:
    """A machine drawn from the healthy scatter about one as described."""
    described = gs.Machine() if nominal is None else nominal
    rng = np.random.default_rng(seed)
    changes: dict[str, float] = {}
    for scatter in HEALTHY_SCATTER:
        changes |= scatter.changes(described, float(rng.standard_normal()))
    return described.set_many(changes)


def explained(*pieces: gs.Piece) -> tuple[Problem, list[Mode]]:
    """The problem as stated with its noise learned, the healthy mode and the best single faults.

    The same as a diagnosis does, with the faults that promise most only.
    """
    problem = prepare(pieces, gs.Machine())
    healthy = solve(problem, (), problem.start(()), most_steps=6)
    problem = learn_noise(problem, healthy)
    healthy = solve(problem, (), healthy)
    faults = problem.catalogue.modelled
    believed = solve(problem, (), problem.start(()), most_steps=0)
    likely = sorted(faults, key=lambda fault: -promised_gain(problem, believed, fault))[:_SEARCHED]
    modes = [healthy, *(search(problem, (fault,), healthy) for fault in likely)]
    best = max(modes, key=lambda mode: mode.evidence)
    problem = learn_noise(problem, best)
    return problem, [solve(problem, m.faults, m) for m in modes]
