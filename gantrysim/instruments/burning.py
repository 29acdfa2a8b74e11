"""Burn a test and read its points: which tests to consider, and what one would tell.

The predicted lines of a test, read every millimetre as a scanner would, stand in for a
measurement: how far it can tell machines apart follows from the derivatives alone.  A burn needs
somebody beside it all the time.  Follow the maker's manual.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from gantrysim.burn.simulation import check_travel
from gantrysim.inference.assumptions import USUAL, Scales
from gantrysim.inference.noise import Noise
from gantrysim.inference.terms import LikelihoodTerm
from gantrysim.instruments.base import Candidate, Instrument, Measurement
from gantrysim.instruments.burnedpiece import BurnedPiece, binned, passage
from gantrysim.instruments.forward import finely_planned, forward_of
from gantrysim.instruments.points import Piece, spread_along
from gantrysim.instruments.residual import match
from gantrysim.instruments.secondscan import SCANNING, SecondScan
from gantrysim.instruments.stations import pivot_of
from gantrysim.machine import Machine
from gantrysim.mechanics.planner import plan
from gantrysim.pattern.ringtest import Line, RingTest, ring_test
from gantrysim.pattern.shapes import shape_of
from gantrysim.records.arrays import Array, points_along, way_along
from gantrysim.records.doors import checked

#: Distance between the points that a scanner gives along a line, mm.
SPACING = 1.0
#: Points of a ring that a hand is asked for.
BY_HAND = 24
_EDGE = 6.0  # mm that a test keeps from the ends of the travel
_RINGS_LARGE = 3  # of the large tests


@dataclass(frozen=True, eq=False)
class Burning(Candidate):
    """A test that might be burned next.

    Parameters
    ----------
    commanded : RingTest
        The test.
    """

    commanded: RingTest | None = None

    @property
    def test(self) -> RingTest | None:
        """The test to burn."""
        return self.commanded

    def term(
        self, nominal: Machine, machine: Machine, measured: Sequence[tuple[LikelihoodTerm, Array]]
    ) -> LikelihoodTerm:
        """The piece that a machine would burn; its noise is that of the piece burned last."""
        assert self.commanded is not None
        noise = None
        for piece, _ in measured:
            if isinstance(piece, BurnedPiece):
                noise = piece.noise
        return planned_piece(self.commanded, nominal, machine, noise=noise)


@checked
@dataclass(frozen=True)
class PointsOfPiece(Instrument):
    """Wood to burn on, and a scanner or a measuring table that reads points of its lines.

    Parameters
    ----------
    minutes : float
        What a burn costs beside the motion itself: fix a piece of wood, home, focus 2; lift the
        piece and scan it 4; read the points off the scan 2 (common practice, no source).

    Examples
    --------
    >>> import gantrysim as gs
    >>> test = gs.ring_test(spacing=6.0, largest=30.0)
    >>> points = gs.instruments.PointsOfPiece()
    >>> round(points.cost(test), 1)  # minutes
    8.6
    """

    minutes: float = 8.0

    name = "points of a piece"
    care = (
        "Burning: never leave it alone; enclosure or eyewear for this wavelength, "
        "extraction and extinguisher at hand, as the maker's manual says."
    )
    measurement = Piece

    def sheets(self, machine: Machine, test: RingTest | None) -> Iterator[Piece]:
        """Points all round each ring of the test whose piece is there."""
        if test is not None:
            middle = pivot_of(test)
            found = {(s.shape, s.ring): s for s in test.strokes(1.0) if s.shape != "travel"}
            lines = [
                Line(s.shape, s.ring, s.size, -1, spread_along(s.xy, BY_HAND) - middle)
                for s in found.values()
            ]
            yield Piece(test, tuple(lines), "points to be read")

    def words_of(self, sheet: Measurement) -> str:
        """Which piece to read."""
        return "read points all round each ring of the piece with a scanner or a measuring table"

    def candidates(self, machine: Machine, tests: Sequence[RingTest]) -> Iterator[Candidate]:
        """Burns to consider after the last of some tests, or after none; its piece read again."""
        last = tests[-1] if tests else ring_test(centre=machine.middle)
        yield from map(self.burning, burn_tests(last, machine))
        if tests:
            words = (
                "scan the same piece again, turned by a quarter on the glass, and read both scans "
                "together: what turns with it is the machine's, what stays is the scanner's"
            )
            yield SecondScan(self, words, min(SCANNING, self.minutes), scanned=last)

    def burning(self, test: RingTest) -> Burning:
        """A test as a candidate."""
        words = f"burn {test.summary().rstrip('.')} ({burned_length(test):.0f} mm of line)"
        return Burning(self, words, self.cost(test), commanded=test)

    def cost(self, test: RingTest) -> float:
        """Minutes for a test burn from set-up to points."""
        return plan(test, test.strokes(1.0)).duration / 60.0 + self.minutes


def planned_piece(
    test: RingTest,
    nominal: Machine,
    machine: Machine | None = None,
    *,
    noise: Noise | None = None,
) -> BurnedPiece:
    """The piece that a machine would burn, read without error, ready to be fitted.

    ``test``: what is to be commanded.  ``nominal``: the machine as described.  ``machine``: the
    machine that burns it; the nominal one if absent.  ``noise``: noise to expect of the
    measurement; that of a common scan on wood if absent.  Returns: with a point every `SPACING`
    mm of every line.  All passes of a ring count as told apart; a scan that shows them as one line
    tells less.  ValueError if the test leaves the travel of this machine.

    Points lie on chords, inside a circle by up to 0.02 mm; that moves what all explanations
    predict alike, and only differences count.
    """
    machine = nominal if machine is None else machine
    forward, fine = forward_of(test, nominal), finely_planned(test, nominal)
    burned = {(x.shape, x.ring, x.pass_index): x for x in fine.lines(fine.run(machine))}
    lines = []
    drawn: dict[tuple[str, int], int] = {}
    for shape, ring, passes in test.sequence:
        first = drawn.get((shape, ring), 0)
        drawn[shape, ring] = first + passes
        for k in range(first, first + passes):
            line = burned[shape, ring, min(k, 1)]
            at = np.arange(0.0, way_along(line.xy)[-1] - 0.5 * SPACING, SPACING)
            lines.append(Line(shape, ring, line.size, k, points_along(line.xy, at) - forward.pivot))
    piece = Piece(test, tuple(lines), "predictive")
    origin = np.zeros(BurnedPiece.n_nuisance)
    matched = match(piece, forward, origin)
    good = np.zeros(len(matched.points), dtype=bool)
    bins = binned(matched, origin, good, USUAL.bin_length)
    passed = passage(matched, bins, origin, nominal)
    shared = passed.lacking(machine)
    return BurnedPiece(
        piece=piece,
        nominal=nominal,
        forward=forward,
        matched=matched,
        bins=bins,
        noise=USUAL.noise if noise is None else noise,
        passage=passed,
        discrepancy=shared,
        sizes=shared.sizes(machine, Scales(), USUAL),
        weight=np.ones(bins.count.size),
        origin=origin,
    )


def burned_length(test: RingTest) -> float:
    """Length of all burned lines of a test, mm."""
    return sum(
        shape_of(shape).perimeter(test.nest(shape).sizes[ring]) * passes
        for shape, ring, passes in test.sequence
    )


def burn_tests(test: RingTest, machine: Machine) -> tuple[RingTest, ...]:
    """Burns to consider after a test: the same again, elsewhere, other shapes, sizes and feeds.

    ``test``: the test burned last; its sizes, feed and limits are the starting point.  ``machine``:
    for the travel, mm.  Returns: about forty, the repeat first, all within the travel.  Most burn
    about the same length.
    """
    unique: dict[str, RingTest] = {}
    for candidate in _burns(test, machine):
        try:
            check_travel(machine, np.concatenate([s.xy for s in candidate.strokes(10.0)]))
        except ValueError:
            continue
        unique.setdefault(candidate.summary() + candidate.layout, candidate)
    return tuple(unique.values())


def _burns(test: RingTest, machine: Machine) -> Iterator[RingTest]:
    yield test
    middle = machine.middle
    largest = max(nest.sizes[-1] for nest in test.nests)
    spacing = min(max(test.spacing, largest / 8.0), largest / 2.0)
    limits = ("travel_speed", "acceleration", "centripetal", "corner_speed_change", "line_width")
    common = {name: getattr(test, name) for name in limits}

    def burn(shapes: tuple[str, ...], **how: Any) -> RingTest:
        given = {"spacing": spacing, "largest": largest, "feed": test.feed, **common, **how}
        return ring_test(shapes, **given)

    both, circle, square = ("circle", "square"), ("circle",), ("square",)
    spots = _spots(machine, largest)
    for spot in spots:
        yield burn(both, centre=spot)
        yield burn(circle, centre=spot, spacing=0.55 * spacing)
    for spot in spots[:5]:
        yield burn(both, centre=spot, direction="cw")
    for spot in spots[:3]:
        yield burn(square, centre=spot, spacing=0.6 * spacing)
    for start in (90.0, 225.0):
        yield burn(both, centre=middle, start_deg={"circle": start, "square": start})
    for spot in spots[:2]:
        for factor in (0.25, 2.0):
            yield burn(both, centre=spot, feed=factor * test.feed)
    yield burn(both, centre=middle, passes=3)
    room = min(middle) - _EDGE
    for part in (0.4, 0.9):
        size = room * part
        yield burn(both, centre=middle, largest=size, spacing=size / _RINGS_LARGE)
        yield burn(circle, centre=middle, largest=size, spacing=size / _RINGS_LARGE)
    gap = machine.span - 2.0 * _EDGE - 4.0 * largest
    if gap > 0.0:
        for y in (largest + _EDGE, machine.travel_y - largest - _EDGE):
            yield burn(both, centre=(middle[0], y), layout="side_by_side", gap=gap)


def _spots(machine: Machine, reach: float) -> list[tuple[float, float]]:
    """Middle of the travel, its four corners, then its four edges, mm."""
    keep = min(reach + _EDGE, 0.5 * machine.span, 0.5 * machine.travel_y)
    xs = (keep, 0.5 * machine.span, machine.span - keep)
    ys = (keep, 0.5 * machine.travel_y, machine.travel_y - keep)
    order = ((1, 1), (0, 0), (2, 2), (2, 0), (0, 2), (0, 1), (2, 1), (1, 0), (1, 2))
    return [(round(xs[i], 1), round(ys[j], 1)) for i, j in order]
