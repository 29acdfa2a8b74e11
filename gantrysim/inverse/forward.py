"""Many burns of one test, quickly: what the inverse asks of the forward model.

The commanded motion is planned once; passes beyond the second repeat it (a ring is in its
steady state after one pass) and are not run again; and a change that acts on one axis reuses
the other axis' run.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

import numpy as np

from gantrysim.machine import Machine
from gantrysim.mechanics import march, spot, x_block, y_block
from gantrysim.paths import Line, RingTest
from gantrysim.planner import Motion, plan


@dataclass(frozen=True, eq=False)
class Run:
    """One machine's run of both blocks: coordinates at every sample."""

    machine: Machine
    q_x: np.ndarray
    q_y: np.ndarray


@dataclass(frozen=True, eq=False)
class Forward:
    """Runs machines through one test.

    Parameters
    ----------
    test : RingTest
        The test with at most two passes a ring.
    motion : Motion
        Its commanded motion.
    labels : tuple
        Shape, ring, size (mm) and pass of each burned line.
    cuts : tuple of slice
        Samples of each burned line.
    step : float
        Sampling, mm.
    """

    test: RingTest
    motion: Motion
    labels: tuple[tuple[str, int, float, int], ...]
    cuts: tuple[slice, ...]
    step: float

    @classmethod
    def of(cls, test: RingTest, step: float) -> Forward:
        """Plan a test once."""
        short = dataclasses.replace(
            test,
            passes=min(test.passes, 2),
            sequence=tuple((shape, ring, min(n, 2)) for shape, ring, n in test.sequence),
        )
        strokes = short.strokes(step)
        motion = plan(short, strokes)
        labels, cuts = [], []
        first = 0
        for stroke in strokes:
            last = first + len(stroke.xy)
            if stroke.shape != "travel":
                labels.append((stroke.shape, stroke.ring, stroke.size, stroke.pass_index))
                cuts.append(slice(first, last))
            first = last
        return cls(short, motion, tuple(labels), tuple(cuts), step)

    def run(self, machine: Machine, *, like: Run | None = None, axis: str = "xy") -> Run:
        """Run a machine; blocks not named in ``axis`` are taken over from ``like``."""
        if like is None or "x" in axis:
            q_x, _ = march(x_block(machine), self.motion, 0)
        else:
            q_x = like.q_x
        if like is None or "y" in axis:
            q_y, _ = march(y_block(machine), self.motion, 1)
        else:
            q_y = like.q_y
        return Run(machine, q_x, q_y)

    def lines(self, run: Run) -> tuple[Line, ...]:
        """Burned lines of a run, mm."""
        xy = spot(run.machine, run.q_y, run.q_x)
        return tuple(
            Line(*label, xy[cut]) for label, cut in zip(self.labels, self.cuts, strict=True)
        )
