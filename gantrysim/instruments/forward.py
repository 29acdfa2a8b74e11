"""Many burns of one test, quickly: what the inverse asks of the forward model.

The commanded motion is planned once; passes beyond the second repeat it (a ring is in its
steady state after one pass) and are not run again; and derivatives come from one replay
along the path, not from a run for every unknown.
"""

from __future__ import annotations

import dataclasses
import functools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from gantrysim.burn.simulation import check_travel
from gantrysim.instruments.stations import pivot_of
from gantrysim.machine import Machine
from gantrysim.mechanics.assembly import Block, x_block, y_block
from gantrysim.mechanics.derivatives import replay, spot_changes
from gantrysim.mechanics.planner import ARCS, Motion, plan
from gantrysim.mechanics.quasistatic import march, spot
from gantrysim.pattern.ringtest import Line, RingTest, Stroke
from gantrysim.records.checks import trusted

#: Sampling of the forward runs, mm: fine where an axis starts again after a reversal, as long as
#: it has gone no further than `_STARTING`, and where it brakes or gathers speed, over `_BRAKING`
#: at most; coarse elsewhere; on a circle at least `_FINE_ROUND` and `_ROUND` samples to the radius.
#: All are coarser where a test would need more samples.  Bins of lines then stand 0.3 to 0.9 um
#: rms off those of samples every 0.1 mm (healthy, tight, loose carriage; rings of 2.5 to 40 mm);
#: single points, where a loose carriage tips or slides over between two samples, up to its play.
FINE, COARSE, _STARTING, _BRAKING, _ROUND, _FINE_ROUND = 0.5, 4.0, 1.0, 5.0, 6, 20
MOST_SAMPLES = 12000
#: Runs of a block that are kept, the last ones: a search comes back to them, and a fault of one
#: block leaves the other as it was (up to 45 bytes a sample each).
_KEPT = 32


@dataclass(frozen=True, eq=False)
class Run:
    """One machine's run of both blocks: at every sample coordinates, and how contacts slip."""

    machine: Machine
    x: Block
    y: Block
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
    inked : ndarray, shape (samples,)
        Part of all burned line that each sample of the motion stands for.

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
    def of(
        cls, test: RingTest, fine: float, offset: np.ndarray, *, coarse: float = COARSE
    ) -> Forward:
        """Plan a test once, for a head at an offset, mm.

        It is sampled every ``fine`` mm where that matters, every ``coarse`` mm elsewhere, which is
        enough for lines that are read off by cubics.
        """
        short = dataclasses.replace(
            test,
            passes=min(test.passes, 2),
            sequence=tuple((shape, ring, min(n, 2)) for shape, ring, n in test.sequence),
        )
        strokes = tuple(
            _thinned(stroke, short, fine, coarse) for stroke in short.strokes(0.5 * fine)
        )
        motion = plan(short, strokes)
        labels, cuts = [], []
        first = 0
        inked = np.zeros(len(motion.xy))
        for stroke in strokes:
            cut = slice(first, first + len(stroke.xy))
            if stroke.shape != "travel":
                labels.append((stroke.shape, stroke.ring, stroke.size, stroke.pass_index))
                cuts.append(cut)
                way = np.hypot(*np.diff(stroke.xy, axis=0, prepend=np.nan, append=np.nan).T)
                inked[cut] = np.nansum(sliding_window_view(way, 2), axis=1)
            first = cut.stop
        return cls(short, motion, tuple(labels), tuple(cuts), offset, inked / inked.sum())

    @functools.cached_property
    def pivot(self) -> np.ndarray:
        """Middle of the burned centres, mm, shape (2,): about it a piece is placed."""
        return pivot_of(self.test) + self.offset

    def run(self, machine: Machine) -> Run:
        """Run a machine through the test."""
        x, y = x_block(machine), y_block(machine)
        return Run(machine, x, y, *self._march(x, 0), *self._march(y, 1))

    @functools.cached_property
    def _march(self) -> Callable[[Block, int], tuple[np.ndarray, np.ndarray]]:
        """March along the motion, see `march`; the last runs are kept."""
        return functools.lru_cache(_KEPT)(lambda block, axis: march(block, self.motion, axis))

    def lines(self, run: Run) -> tuple[Line, ...]:
        """Burned lines of a run, mm."""
        xy = self.places(run)
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
        x, y = ([k for k, axis in enumerate(axes) if own in axis] for own in ("x", "y"))
        beside_x, beside_y = [x_block(moved[k]) for k in x], [y_block(moved[k]) for k in y]
        d_x = replay(run.x, beside_x, self.motion, 0, run.q_x, run.status_x)
        d_y = replay(run.y, beside_y, self.motion, 1, run.q_y, run.status_y)
        out = spot_changes(run.machine, moved, run.q_y, run.q_x, d_y, y, d_x, x)
        out -= np.tensordot(self.inked, out, axes=1)  # their mean
        out /= amount
        return out

    def places(self, run: Run) -> np.ndarray:
        """Places of the spot along a run with the mean shift taken out, mm, shape (samples, 2)."""
        place = spot(run.machine, run.q_y, run.q_x)
        shift = self.inked @ (place - self.motion.xy)
        return np.asarray(place - shift + self.offset)


def _thinned(stroke: Stroke, test: RingTest, fine: float, coarse: float) -> Stroke:
    """A finely sampled stroke without the samples that matter little."""
    xy = stroke.xy
    way = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T))])
    ahead = np.sign(np.round(np.diff(xy, axis=0), 9))
    turns = np.flatnonzero(np.any(ahead[1:] != ahead[:-1], axis=1)) + 1
    knots = np.concatenate([[0], turns, [len(xy) - 1]])
    last = np.searchsorted(knots, np.arange(len(xy)), side="right") - 1
    since, left = way - way[knots[last]], way[knots[np.minimum(last + 1, len(knots) - 1)]] - way
    braking = min(stroke.speed**2 / (2.0 * test.acceleration) + fine, _BRAKING)
    if stroke.shape in ARCS:
        fine, coarse = min(fine, stroke.size / _FINE_ROUND), min(coarse, stroke.size / _ROUND)
        matters = since < math.sqrt(2.0 * stroke.size * _STARTING)
        matters |= (way < braking) | (way > way[-1] - braking)
    else:
        matters = (since < braking + _STARTING) | (left < braking)
        matters &= stroke.shape != "travel"
    count = np.arange(len(xy)) - knots[last]
    every, often = (max(1, int(step / way[1] + 0.01)) for step in (coarse, fine))
    keep = (count % every == 0) | (matters & (count % often == 0))
    keep[-1] = True
    kept = xy[keep]
    kept.flags.writeable = False
    return dataclasses.replace(stroke, xy=kept)


def forward_of(test: RingTest, nominal: Machine) -> Forward:
    """Plan a test for many runs of machines about a nominal one; its lines are read off by cubics.

    ValueError if the test leaves the travel of this machine.
    """
    forward = _planned(test, nominal, FINE, COARSE)
    if len(forward.motion.xy) > MOST_SAMPLES:
        times = min(2.0, len(forward.motion.xy) / MOST_SAMPLES)
        forward = Forward.of(test, times * FINE, forward.offset, coarse=times * COARSE)
    return forward


def finely_planned(test: RingTest, nominal: Machine) -> Forward:
    """As `forward_of`, with lines that may be taken as straight between their samples."""
    return _planned(test, nominal, FINE, 2.0 * FINE)


def _planned(test: RingTest, nominal: Machine, fine: float, coarse: float) -> Forward:
    check_travel(nominal, np.concatenate([s.xy for s in test.strokes(10.0)]))
    head = np.array([nominal.head.along, nominal.head.beyond])
    return Forward.of(test, fine, head, coarse=coarse)
