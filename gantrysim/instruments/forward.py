"""Many burns of one test, quickly: what the inverse asks of the forward model.

The commanded motion is planned once; passes beyond the second repeat it (a ring is in its
steady state after one pass) and are not run again; and derivatives come from one tangent run
along the path, not from a run for every unknown.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from gantrysim.burn.simulation import check_travel
from gantrysim.machine import Machine
from gantrysim.mechanics.derivatives import spot_tangent, tangents
from gantrysim.mechanics.planner import Motion, plan
from gantrysim.mechanics.quasistatic import march, relaxed, spot, x_block, y_block
from gantrysim.pattern.ringtest import Line, RingTest

#: Sampling of the forward runs, mm; coarser where the whole test would need more samples.
STEP, MOST_SAMPLES = 1.0, 8000


@dataclass(frozen=True, eq=False)
class Run:
    """One machine's run of both blocks: coordinates and grips at every sample."""

    machine: Machine
    q_x: np.ndarray
    z_x: np.ndarray
    q_y: np.ndarray
    z_y: np.ndarray


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
        q_x, z_x = march(x_block(machine), self.motion, 0)
        q_y, z_y = march(y_block(machine), self.motion, 1)
        return Run(machine, q_x, z_x, q_y, z_y)

    def lines(self, run: Run) -> tuple[Line, ...]:
        """Burned lines of a run, mm."""
        xy = self._places(run.machine, run)
        return tuple(
            Line(*label, xy[cut]) for label, cut in zip(self.labels, self.cuts, strict=True)
        )

    def jacobian(
        self, run: Run, moved: Sequence[Machine], axes: Sequence[str], amount: float
    ) -> np.ndarray:
        """Derivatives of the burned places of a run.

        Parameters
        ----------
        run : Run
            The run.
        moved : sequence of Machine
            Its machine with each unknown moved by ``amount``.
        axes : sequence of str
            For each, the blocks it acts on: ``"x"``, ``"y"``, ``"xy"``, or ``"spot"`` where it
            moves the spot alone.
        amount : float
            Size of the move.

        Returns
        -------
        ndarray, shape (samples, len(moved), 2)
            Change of the spot's place per unit of each unknown, mm.
        """
        d_y = self._block_slopes(run, moved, [("y" in a) for a in axes], amount, 1)
        d_x = self._block_slopes(run, moved, [("x" in a) for a in axes], amount, 0)
        out = np.zeros((len(run.q_x), len(moved), 2))
        spot_tangent(run.machine, run.q_y, run.q_x, *d_y, *d_x, out)
        for k, axis in enumerate(axes):
            if axis == "spot":
                here = self._places(run.machine, run)
                out[:, k] = (self._places(moved[k], run) - here) / amount
        return np.asarray(out - out[self.inked].mean(axis=0))

    def _places(self, machine: Machine, run: Run) -> np.ndarray:
        """Places of the spot along a run with the mean shift taken out, mm."""
        place = spot(machine, run.q_y, run.q_x)
        shift = np.mean(place[self.inked] - self.motion.xy[self.inked], axis=0)
        return np.asarray(place - shift + self.offset)

    def _block_slopes(
        self, run: Run, moved: Sequence[Machine], acts: Sequence[bool], amount: float, axis: int
    ) -> tuple[np.ndarray, np.ndarray]:
        """Derivatives of one block's coordinates, and the unknowns that they belong to."""
        assemble = (x_block, y_block)[axis]
        q, z = (run.q_x, run.z_x) if axis == 0 else (run.q_y, run.z_y)
        chosen = [k for k, act in enumerate(acts) if act]
        if not chosen:
            return np.zeros((len(q), q.shape[1], 0)), np.zeros(0, dtype=np.int64)
        home = float(self.motion.xy[0, axis])
        base = assemble(run.machine)
        blocks = [assemble(moved[k]) for k in chosen]
        jacobian = tangents(
            base, blocks, amount, self.motion, axis, q, z,
            relaxed(base, home), [relaxed(block, home) for block in blocks],
        )  # fmt: skip
        return jacobian, np.array(chosen)


def forward_of(test: RingTest, nominal: Machine) -> Forward:
    """Plan a test for many runs of machines about a nominal one.

    Raises
    ------
    ValueError
        If the test leaves the travel of this machine.
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
