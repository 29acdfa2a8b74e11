"""Burns that a machine may draw next, as far as a finding knows the machine and the model.

An explanation is fitted with the march, which does not ring, and with unknowns for what the march
lacks (`gantrysim.inference.discrepancy`).  A burn predicted from it carries both: the dynamics of a
machine from the posterior, which rings, and a draw of the discrepancy, at the sizes of the
explanation, on the lines to be burned; and the signature of what the march lacks altogether, such
as a flat, where that was found.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.random import Generator

from gantrysim.burn import Burn
from gantrysim.burn.simulation import simulate
from gantrysim.inference.assumptions import USUAL, Assumptions
from gantrysim.inference.discrepancy import CORNER, RATTLE, Discrepancy, Passage
from gantrysim.inference.fitting import Fit
from gantrysim.inference.problem import Problem
from gantrysim.machine import Machine
from gantrysim.pattern.ringtest import Line, RingTest
from gantrysim.pattern.shapes import shape_of
from gantrysim.records.arrays import Array
from gantrysim.records.checks import trusted

#: Sampling of predicted lines, mm.  What rings at 30 to 100 Hz leaves waves of half a millimetre
#: and more at 40 mm/s; samples 1 mm apart folded them into the form (roundness .405 for .360 mm).
STEP = 0.25
#: Draws of the discrepancy to each machine: its dynamics takes three times as long as all else.
SHARED = 2


def predicted_burns(fit: Fit, test: RingTest, count: int, rng: Generator) -> Iterator[Burn]:
    """Draw burns of a test from the posterior of an explanation.

    Parameters
    ----------
    fit : Fit
        The explanation.
    test : RingTest
        What will be commanded.
    count : int
        How many burns.
    rng : Generator
        Of machines and discrepancy.

    Raises
    ------
    ValueError
        If the test leaves the travel of the machine.
    """
    if not count:
        return
    own = _on_lines(test, fit.problem.nominal, fit.problem.assumptions)
    lacked = _Lacked.of(fit.problem, own, fit.machine)
    bumps = _bumps(fit, own)
    machines = fit.draw_machines(-(-count // SHARED), rng)
    for number in range(count):
        machine = machines[number // SHARED]
        if number % SHARED == 0:
            burn = simulate(machine, test, step=STEP, inertia=True)
            ends = np.cumsum([len(line.xy) for line in burn.lines])
        moves = np.split(lacked.draw(machine, rng) + bumps(rng), ends[:-1])
        lines = tuple(
            trusted(Line, line.shape, line.ring, line.size, line.pass_index, line.xy + move)
            for line, move in zip(burn.lines, moves, strict=True)
        )
        yield trusted(Burn, machine, test, lines, burn.commanded, (), ())


def _bumps(fit: Fit, own: Passage) -> Callable[[Generator], Array]:
    """What its faults that the march lacks add to samples of the lines, drawn, mm."""
    places, normal = own.points, own.normal
    pairs = zip(fit.mode.faults, fit.problem.fault_cuts(fit.mode.faults), strict=True)
    found = [
        (fault, cut, fault.signature(fit.problem.nominal, places, normal))
        for fault, cut in pairs
        if fault.sought
    ]

    def drawn(rng: Generator) -> Array:
        height = np.zeros(len(places))
        for fault, cut, each in found:
            u = fit.draws[rng.integers(len(fit.draws)), cut]
            height += each @ np.asarray(fault.coefficients(*fit.problem.values(fault, u)))
        return height[:, None] * normal

    return drawn


@dataclass(frozen=True, eq=False)
class _Lacked:
    """The discrepancy of an explanation on the lines of a test to be burned.

    Parameters
    ----------
    problem : Problem
        Holds its sizes.
    moves : Discrepancy
        Moves of the n samples of the lines along x, then along y; shape (2 n, k).
    """

    problem: Problem
    moves: Discrepancy

    @classmethod
    def of(cls, problem: Problem, own: Passage, machine: Machine) -> _Lacked:
        across = own.lacking(machine)
        # what is bound to the side drawn lies across the line; all else moves the spot in x and y
        bound = np.isin(across.owner, (CORNER, RATTLE))
        columns = []
        for axis in (0, 1):
            normal = np.tile(np.eye(2)[axis], (len(own.normal), 1))
            free = dataclasses.replace(own, normal=normal).lacking(machine).columns
            columns.append(np.where(bound, across.columns * own.normal[:, [axis]], free))
        return cls(problem, Discrepancy(np.concatenate(columns), across.owner))

    def draw(self, machine: Machine, rng: Generator) -> Array:
        """Moves of the samples of the lines of a machine, shape (n, 2), mm."""
        sizes = self.moves.sizes(machine, self.problem.scales, self.problem.assumptions)
        amounts = sizes * rng.standard_normal(sizes.size)
        return (self.moves.columns @ amounts).reshape(2, -1).T


def _on_lines(test: RingTest, machine: Machine, assumptions: Assumptions = USUAL) -> Passage:
    """Samples of the lines as a machine passes them.

    How each axis moves is that of the whole way, travel moves too: a ring begins as the move
    that leads to it left the machine, which is what opens or closes its ends.
    """
    strokes = test.strokes(STEP)
    moving, since, until = _motion(np.concatenate([stroke.xy for stroke in strokes]))
    burned = np.concatenate([np.full(len(s.xy), s.shape != "travel") for s in strokes])
    places, normals, square = [], [], []
    for stroke in (s for s in strokes if s.shape != "travel"):
        shape = shape_of(stroke.shape)
        places.append(stroke.xy + np.array([machine.head.along, machine.head.beyond]))
        normals.append(shape.normal(stroke.xy - np.asarray(test.nest(stroke.shape).centre)))
        square.append(np.full(len(stroke.xy), float(shape.has_corners)))
    moved = (moving[burned], since[burned], until[burned])
    points, normal, corners = (np.concatenate(each) for each in (places, normals, square))
    return Passage(points, normal, *moved, corners, machine, assumptions)


def _motion(xy: Array) -> tuple[Array, Array, Array]:
    """Sign of the last motion of each axis on a way, and its way since and until a reversal, mm."""
    steps = np.diff(xy, axis=0, prepend=xy[:1])
    number = np.arange(len(xy))[:, None]
    last = np.maximum.accumulate(np.where(steps != 0.0, number, 0), axis=0)
    moving = np.sign(np.take_along_axis(steps, last, axis=0))
    way = np.cumsum(np.abs(steps), axis=0)
    turned = np.diff(moving, axis=0, prepend=moving[:1]) != 0.0
    start = np.maximum.accumulate(np.where(turned, number - 1, 0), axis=0)
    here = np.roll(turned, -1, axis=0)  # where the step from here turns; the last turns nowhere
    here[-1] = True
    stop = np.minimum.accumulate(np.where(here, number, len(xy))[::-1], axis=0)[::-1]
    at = np.take_along_axis
    return moving, way - at(way, start, axis=0), at(way, stop, axis=0) - way
