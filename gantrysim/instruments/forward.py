"""Many burns of one test, quickly: what the inverse asks of the forward model.

The commanded motion is planned once; passes beyond the second repeat it (a ring is in its
steady state after one pass) and are not run again; and derivatives come from one replay
along the path, not from a run for every unknown.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from gantrysim.burn.simulation import check_travel
from gantrysim.machine import Machine
from gantrysim.mechanics.assembly import x_block, y_block
from gantrysim.mechanics.derivatives import replay, spot_changes
from gantrysim.mechanics.planner import Motion, plan
from gantrysim.mechanics.quasistatic import march, spot
from gantrysim.pattern.ringtest import Line, RingTest
from gantrysim.records.checks import trusted

#: Sampling of the forward runs, mm; coarser where the whole test would need more samples.
STEP, MOST_SAMPLES = 1.0, 8000


@dataclass(frozen=True, eq=False)
class Run:
    """One machine's run of both blocks: at every sample coordinates, and how contacts slip."""

    machine: Machine
    q_x: np.ndarray
    status_x: np.ndarray
    q_y: np.ndarray
    status_y: np.ndarray


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
    offset : ndarray, shape (2,)
        Nominal head offset, mm.
    inked : ndarray of bool, shape (samples,)
        Samples of the motion that lie on a burned line.

    Notes
    -----
    A lifted piece does not know where on the bed it was burned, so a shift of the whole
    pattern (another head offset, a scale error counted from home) says nothing.  Burned places
    are given with their mean shift against the command taken out; the placement's shift is
    counted from there.
    """

    test: RingTest
    motion: Motion
    labels: tuple[tuple[str, int, float, int], ...]
    cuts: tuple[slice, ...]
    offset: np.ndarray
    inked: np.ndarray

    @classmethod
    def of(cls, test: RingTest, step: float, offset: np.ndarray) -> Forward:
        """Plan a test once, sampled at ``step`` mm, for a head at ``offset`` mm."""
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
        inked = np.zeros(len(motion.xy), dtype=bool)
        for cut in cuts:
            inked[cut] = True
        return cls(short, motion, tuple(labels), tuple(cuts), offset, inked)

    def run(self, machine: Machine) -> Run:
        """Run a machine through the test."""
        q_x, status_x = march(x_block(machine), self.motion, 0)
        q_y, status_y = march(y_block(machine), self.motion, 1)
        return Run(machine, q_x, status_x, q_y, status_y)

    def lines(self, run: Run) -> tuple[Line, ...]:
        """Burned lines of a run, mm."""
        xy = self._places(run.machine, run)
        xy.flags.writeable = False
        return tuple(
            trusted(Line, *label, xy[cut])
            for label, cut in zip(self.labels, self.cuts, strict=True)
        )

    def jacobian(
        self, run: Run, moved: Sequence[Machine], axes: Sequence[str], amount: float
    ) -> np.ndarray:
        """Derivatives of the burned places of a run.

        ``moved``: its machine with each unknown moved by ``amount``.  ``axes``: for each, the
        blocks it acts on: ``"x"``, ``"y"``, ``"xy"``, or ``"spot"`` where it moves the spot alone.
        ``amount``: size of the move.  Returns: change of the spot's place per unit of each unknown,
        mm; shape (samples, len(moved), 2).
        """
        acting = list(zip(moved, axes, strict=True))
        x = [x_block(each) if "x" in axis else None for each, axis in acting]
        y = [y_block(each) if "y" in axis else None for each, axis in acting]
        d_x = replay(x_block(run.machine), x, self.motion, 0, run.q_x, run.status_x)
        d_y = replay(y_block(run.machine), y, self.motion, 1, run.q_y, run.status_y)
        out = spot_changes(run.machine, moved, run.q_y, run.q_x, d_y, d_x)
        inked = self.inked / np.count_nonzero(self.inked)
        out -= np.tensordot(inked, out, axes=1)  # their mean
        out /= amount
        return out

    def _places(self, machine: Machine, run: Run) -> np.ndarray:
        """Places of the spot along a run with the mean shift taken out, mm."""
        place = spot(machine, run.q_y, run.q_x)
        shift = np.mean(place[self.inked] - self.motion.xy[self.inked], axis=0)
        return np.asarray(place - shift + self.offset)


def forward_of(test: RingTest, nominal: Machine) -> Forward:
    """Plan a test for many runs of machines about a nominal one.

    ValueError if the test leaves the travel of this machine.
    """
    forward = finely_planned(test, nominal)
    if len(forward.motion.xy) > MOST_SAMPLES:
        step = min(2.0, STEP * len(forward.motion.xy) / MOST_SAMPLES)
        forward = Forward.of(test, step, forward.offset)
    return forward


def finely_planned(test: RingTest, nominal: Machine) -> Forward:
    """As `forward_of`, never coarser than `STEP`."""
    check_travel(nominal, np.concatenate([s.xy for s in test.strokes(10.0)]))
    return Forward.of(test, STEP, np.array([nominal.head.along, nominal.head.beyond]))
