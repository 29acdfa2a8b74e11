"""A piece that nobody has burned yet, and what several explanations foretell of it.

The predicted lines of a test, read every millimetre as a scanner would, stand in for a
measurement: how far it can tell machines apart follows from the derivatives alone.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from gantrysim.inference.noise import Noise, make_bins
from gantrysim.inference.whitening import Metric
from gantrysim.instruments.burnedpiece import (
    BurnedPiece,
    along_lines,
    forward_of,
    shared_discrepancy,
)
from gantrysim.instruments.points import Piece
from gantrysim.instruments.residual import match
from gantrysim.instruments.stations import pivot_of
from gantrysim.machine import Machine
from gantrysim.pattern.ringtest import Line, RingTest
from gantrysim.pattern.shapes import shape_of

#: Distance between the points that a scanner gives along a line, mm.
SPACING = 1.0
#: Directions in which all explanations together move a measurement by less than this, in
#: standard deviations of its noise, are left out.
_FAINT = 0.01


def planned_piece(
    test: RingTest,
    nominal: Machine,
    machine: Machine | None = None,
    *,
    noise: Noise | None = None,
    discrepancy: float = 1.0,
) -> BurnedPiece:
    """The piece that a machine would burn, read without error, ready to be fitted.

    Parameters
    ----------
    test : RingTest
        What is to be commanded.
    nominal : Machine
        The machine as described.
    machine : Machine, optional
        The machine that burns it; the nominal one if absent.
    noise : Noise, optional
        Noise to expect of the measurement; that of a common scan on wood if absent.
    discrepancy : float
        Size of what the model lacks, as a factor on `gantrysim.inference.discrepancy`.

    Returns
    -------
    BurnedPiece
        With a point every `SPACING` mm of every line.  All passes of a ring count as told
        apart; a scan that shows them as one line tells less.

    Raises
    ------
    ValueError
        If the test leaves the travel of this machine.
    """
    machine = nominal if machine is None else machine
    forward = forward_of(test, nominal)
    burned = {(x.shape, x.ring, x.pass_index): x for x in forward.lines(forward.run(machine))}
    pivot = pivot_of(test) + forward.offset
    lines = []
    drawn: dict[tuple[str, int], int] = {}
    for shape, ring, passes in test.sequence:
        first = drawn.get((shape, ring), 0)
        drawn[shape, ring] = first + passes
        for k in range(first, first + passes):
            line = burned[shape, ring, min(k, 1)]
            lines.append(Line(shape, ring, line.size, k, _every(line.xy, SPACING) - pivot))
    piece = Piece(test, tuple(lines), "predictive")
    origin = np.zeros(BurnedPiece.n_nuisance)
    matched = match(piece, forward, origin)
    good = np.zeros(len(matched.points), dtype=bool)
    bins = make_bins(along_lines(matched, origin), matched.group, good)
    return BurnedPiece(
        piece=piece,
        nominal=nominal,
        forward=forward,
        matched=matched,
        bins=bins,
        noise=Noise() if noise is None else noise,
        shared=discrepancy * shared_discrepancy(machine, matched, bins, origin),
        weight=np.ones(bins.count.size),
        origin=origin,
    )


def _every(xy: np.ndarray, spacing: float) -> np.ndarray:
    """Points along a line at a spacing, mm, on its chords, its end left out.

    A chord lies inside a circle by up to 0.02 mm; that moves what all explanations foretell
    alike, and only differences count.
    """
    way = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T))])
    at = np.arange(0.0, way[-1] - 0.5 * spacing, spacing)
    return np.column_stack([np.interp(at, way, xy[:, k]) for k in (0, 1)])


def burned_length(test: RingTest) -> float:
    """Length of all burned lines of a test, mm."""
    return sum(
        shape_of(shape).perimeter(test.nest(shape).sizes[ring]) * passes
        for shape, ring, passes in test.sequence
    )


@dataclass(frozen=True, eq=False)
class Predictive:
    """What each explanation foretells of one measurement, in units of its noise.

    Parameters
    ----------
    means : ndarray, shape (h, d)
        Expected values.
    roots : tuple of ndarray, shape (d, k)
        Of each explanation, the effect of its unknowns, each at one standard deviation of what
        is believed of it; with the unit noise they make the covariance 1 + root root'.
    """

    means: np.ndarray
    roots: tuple[np.ndarray, ...]


def predictive(
    metric: Metric, means: Sequence[np.ndarray], roots: Sequence[np.ndarray]
) -> Predictive:
    """Put what explanations foretell into the few directions in which they differ at all.

    Parameters
    ----------
    metric : Metric
        Whitening of the measurement.
    means : sequence of ndarray, shape (m,)
        Expected measurement of each explanation.
    roots : sequence of ndarray, shape (m, k)
        Effect of its unknowns on the measurement, each at one standard deviation.

    Notes
    -----
    The directions are those of the Gram matrix of all differences and effects under the
    metric; nothing outside them depends on the explanation, so no information is lost.
    """
    columns = np.column_stack([mean - means[0] for mean in means] + list(roots))
    white = metric.columns(columns)
    gram = metric.product(white, white)
    value, vector = np.linalg.eigh(0.5 * (gram + gram.T))
    kept = value > _FAINT**2
    if not kept.any():
        kept[-1] = True
    places = vector[:, kept] * np.sqrt(np.maximum(value[kept], 0.0))
    cuts = np.cumsum([len(means), *(root.shape[1] for root in roots)])
    parts = [places[a:b].T for a, b in itertools.pairwise(cuts)]
    return Predictive(places[: len(means)], tuple(parts))
