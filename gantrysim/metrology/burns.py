"""Measures of a whole burn or measured piece: every ring, spacing, passes, size against nominal."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import replace
from itertools import pairwise
from typing import Protocol, overload

import numpy as np

from gantrysim.instruments.calipers import CaliperSheet
from gantrysim.instruments.points import Piece
from gantrysim.metrology.calipered import CaliperMeasures, measure_calipers
from gantrysim.metrology.circular import CircularDeviation, circular_deviation, closing_gap
from gantrysim.metrology.directions import DirectionTest, Sense, match_directions, straightened
from gantrysim.metrology.harmonics import Harmonics, harmonics
from gantrysim.metrology.measures import Measures
from gantrysim.metrology.passes import (
    PassScatter,
    figure_of,
    outlines_of_ring,
    pass_scatter,
    without_strays,
)
from gantrysim.metrology.peaks import SEED
from gantrysim.metrology.pointnoise import PointNoise, white_noise_of
from gantrysim.metrology.repeats import pass_drifts, side_approaches
from gantrysim.metrology.rows import ORDERS, CircleRow, Spacing, SquareRow
from gantrysim.metrology.sizes import SizeFit, fit_sizes, reversal_diameter
from gantrysim.metrology.squares import SIZE_TOLERANCE, outline_position, square_geometry
from gantrysim.pattern.ringtest import Line, RingTest, drawn_passes
from gantrysim.pattern.shapes import CIRCLE, SQUARE, shape_of
from gantrysim.records.arrays import Array, gathered
from gantrysim.records.doors import Unbounded, checked

OUTLIER_SIGMAS = 6.0

Skipped = dict[tuple[str, int], str]


class Lines(Protocol):
    """Anything with lines and the test that commanded them: a burn or a measured piece."""

    @property
    def lines(self) -> tuple[Line, ...]:
        """The lines, mm."""
        ...

    @property
    def test(self) -> RingTest:
        """What was commanded."""
        ...


@overload
def measure(
    thing: CaliperSheet,
    *,
    lifted: bool | None = None,
    outlier_sigmas: Unbounded | None = None,
    noise: PointNoise | None = None,
    seed: int = SEED,
) -> CaliperMeasures: ...


@overload
def measure(
    thing: Lines,
    *,
    lifted: bool | None = None,
    outlier_sigmas: Unbounded | None = None,
    noise: PointNoise | None = None,
    seed: int = SEED,
) -> Measures: ...


@checked
def measure(
    thing: Lines | CaliperSheet,
    *,
    lifted: bool | None = None,
    outlier_sigmas: Unbounded | None = None,
    noise: PointNoise | None = None,
    seed: int = SEED,
) -> Measures | CaliperMeasures:
    """Measure every ring of a burn, of a measured piece or of a caliper sheet.

    Parameters
    ----------
    thing : Burn, Piece, or anything with `lines` and `test`; or CaliperSheet
        The lines, mm, or the readings of a caliper.
    lifted : bool, optional
        True for the points of a lifted piece: their order means nothing, so there are no closing
        gaps, and the piece is turned by an unknown angle, which is found from its squares (mean
        direction of bottom and top sides, weighted by the cube of the side as white noise would
        have it).  A piece without squares keeps its own frame.  False for lines in drawing
        order in the machine frame.  By default true for a `Piece` only.
    outlier_sigmas : float, optional
        Points further than this many robust standard deviations from their neighbours on the line
        are left out (`gantrysim.metrology.outliers`).  By default 6 for lifted pieces and none for
        burns; infinity keeps every point.
    noise : PointNoise, optional
        How well the points are known, mm.  By default for lifted pieces that of a usual scan with
        the white noise found in the points themselves, and the reader's scale, difference and skew
        as well known as `Piece.scanner` says; none for burns, which are exact.
    seed : int
        Of the noise drawn for the intervals of peak-to-valley measures.

    Returns
    -------
    Measures
        For every ring and pass: circles by ISO 12181-1 roundness about LSCI and MZCI, ISO 230-4
        radial deviations, harmonics; squares by ISO 230-1 straightness and squareness.
        `Measures.quantities` gives each with its uncertainty and the clause that defines it.  Rings
        that make no closed figure of about their size are named in `skipped`, with the reason.
        Of a caliper sheet `CaliperMeasures`: size, ovality and squareness, no roundness.

    Raises
    ------
    ValueError
        If the outlier limit is not above zero, or nothing burned was measured.

    Notes
    -----
    Roundness is not filtered (`Measures.filtered` does that): noise of standard deviation s in
    100 to 360 points alone makes an RONt of 5 to 6 s, but adds only s sqrt(2/n) to a harmonic.
    What `Piece.scanner` expects of the reader (its mean) is taken out of the points first.
    `Piece.uncertainty` is not asked: what single points are worth shows in the points.
    Size against nominal uses one value for each ring, the mean over its passes; circle diameters
    along x and y are those of `gantrysim.metrology.sizes.reversal_diameter`.

    Examples
    --------
    >>> import gantrysim as gs
    >>> test = gs.ring_test(("circle",), spacing=10.0, largest=20.0)
    >>> path = gs.simulate(gs.Machine(), test).to_csv("points.csv")
    >>> piece = gs.read_points("points.csv", test)
    >>> measures = gs.measure(piece)
    >>> measures
    Measures(points.csv: 2 circles, 0 squares, RONt up to 155 µm)
    >>> round(measures.circles[0].diameter_x, 2)  # mm
    19.91
    """
    if isinstance(thing, CaliperSheet):
        return measure_calipers(thing)
    if lifted is None:
        lifted = isinstance(thing, Piece)
    if outlier_sigmas is None and lifted:
        outlier_sigmas = OUTLIER_SIGMAS
    drawn = drawn_passes(thing.test)
    skipped: Skipped = {}
    rings, rejected = _rings(thing, outlier_sigmas, skipped)
    squares = tuple(_square_rows(rings, thing.test, lifted, skipped))
    rotation = _rotation(squares) if lifted else 0.0
    circles = tuple(_circle_rows(rings, thing.test, lifted, rotation or 0.0, skipped))
    outlines = tuple(line for _, found in rings for line in found)
    if noise is None and lifted:
        noise = _usual_noise(circles, squares, outlines)
        if isinstance(thing, Piece):
            noise = noise.with_reader(thing.scanner.covariance)
    return Measures(
        source=str(getattr(thing, "source", "burn")),
        rotation_deg=rotation,
        n_rejected=rejected,
        circles=circles,
        squares=squares,
        spacings=(*_spacings(circles), *_spacings(squares)),
        scatters=tuple(_scatters(rings, drawn)),
        size_fits=tuple(_size_fits(circles, squares)),
        skipped=tuple(skipped.values()),
        drifts=tuple(d for rows in (circles, squares) for d in pass_drifts(rows, rotation or 0.0)),
        outlines=outlines,
        noise=noise,
        seed=seed,
    )


@checked
def measure_both_ways(
    ccw: Lines,
    cw: Lines,
    *,
    lifted: bool | None = None,
    noise: PointNoise | None = None,
    seed: int = SEED,
) -> DirectionTest:
    """ISO 230-4 tests of circles drawn in both senses, ring by ring (definitions from memory).

    Parameters
    ----------
    ccw, cw : Burn, Piece, or anything with `lines` and `test`
        The same circles commanded counter-clockwise and clockwise; lines, mm.
    lifted : bool, optional
        As in `measure`.  Lifted pieces are turned by the rotation found from their squares, and
        laid on each other by the mean centre of their circles.
    noise, seed
        As in `measure`.

    Returns
    -------
    DirectionTest
        G of each sense, G(b), H, D and F of every circle that both hold, with their uncertainties
        where the noise of the points is known.

    Raises
    ------
    ValueError
        If one of the two was drawn in the other sense, or no circle is in both.
    """
    senses = []
    for thing, sense in ((ccw, "ccw"), (cw, "cw")):
        drawn = thing.test.nest(CIRCLE.name).direction
        if drawn != sense:
            raise ValueError(f"{sense} must be circles drawn {sense}, found a test drawn {drawn}.")
        measures = measure(thing, lifted=lifted, noise=noise)
        centre = np.zeros(2)
        if (isinstance(thing, Piece) if lifted is None else lifted) and measures.circles:
            centre = np.mean([row.path.least_squares.centre for row in measures.circles], axis=0)
        frame = straightened(measures.rotation_deg or 0.0, centre)
        senses.append(Sense(measures.source, measures.outlines, frame, measures.noise))
    return match_directions(senses[0], senses[1], seed)


def _usual_noise(
    circles: Sequence[CircleRow], squares: Sequence[SquareRow], outlines: Sequence[Line]
) -> PointNoise:
    """Noise of a usual scan, its white part the median of what the rings show themselves."""
    by_place = {(line.shape, line.ring, line.pass_index): line.xy for line in outlines}
    found = []
    for row in circles:
        xy = by_place[row.place]
        circle = row.path.least_squares
        found.append(white_noise_of(circle.angles(xy), circle.deviations(xy)))
    for square in squares:
        xy = by_place[square.place]
        along, across, clear = outline_position(xy, square.geometry)
        found.append(white_noise_of(along[clear], across[clear]))
    known = [value for value in found if value > 0]
    return PointNoise(point=float(np.median(known))) if known else PointNoise()


def _rings(
    thing: Lines, outlier_sigmas: float | None, skipped: Skipped
) -> tuple[list[tuple[tuple[Line, ...], list[Line]]], int]:
    """Lines of every ring without strays, its whole outlines, and how many points were stray."""
    drawn = drawn_passes(thing.test)
    rejected = 0
    rings: list[tuple[tuple[Line, ...], list[Line]]] = []
    for (shape, ring), lines in _by_ring(_true_lines(thing)):
        kept, strays = without_strays(lines, outlier_sigmas)
        rejected += strays
        outlines = outlines_of_ring(kept, drawn[shape, ring])
        if not outlines:
            _skip(skipped, lines, "the points do not go all the way round")
        elif not all(_about_its_size(line) for line in outlines):
            _skip(skipped, lines, f"the points make no {shape} of about that size")
        else:
            rings.append((kept, outlines))
    return rings, rejected


def _true_lines(thing: Lines) -> Iterable[Line]:
    """Lines without what the scanner of a piece is expected to have added."""
    if not isinstance(thing, Piece) or not any(thing.scanner.mean):
        return thing.lines
    back = np.linalg.inv(thing.scanner.matrix).T
    return [replace(line, xy=line.xy @ back) for line in thing.lines]


def _by_ring(lines: Iterable[Line]) -> list[tuple[tuple[str, int], list[Line]]]:
    return sorted(gathered(((line.shape, line.ring), line) for line in lines).items())


def _square_rows(
    rings: Sequence[tuple[tuple[Line, ...], list[Line]]],
    test: RingTest,
    lifted: bool,
    skipped: Skipped,
) -> Iterable[SquareRow]:
    reached = side_approaches(test)
    for _, outlines in rings:
        for line in outlines:
            if line.shape != SQUARE.name:
                continue
            try:
                geometry = square_geometry(line.xy, line.size)
            except ValueError as error:
                _skip(skipped, [line], str(error))
                continue
            gap = None if lifted else closing_gap(line.xy)
            how = reached.get((line.ring, line.pass_index), (1, 1, 1, 1))
            yield SquareRow(line.ring, line.pass_index, geometry, gap, how)


def _circle_rows(
    rings: Sequence[tuple[tuple[Line, ...], list[Line]]],
    test: RingTest,
    lifted: bool,
    rotation: float,
    skipped: Skipped,
) -> Iterable[CircleRow]:
    for _, outlines in rings:
        for line in outlines:
            if line.shape != CIRCLE.name:
                continue
            try:
                path = circular_deviation(line.xy, line.size, in_drawing_order=not lifted)
            except ValueError as error:
                _skip(skipped, [line], str(error))
                continue
            ccw = test.nest(CIRCLE.name).direction == "ccw"
            along_x, along_y = (
                reversal_diameter(line.xy, path.least_squares, rotation + axis, ccw=ccw)
                for axis in (0.0, 90.0)
            )
            begin = (line.ring, line.pass_index, len(line.xy), path, _lobes(line, path))
            yield CircleRow(*begin, along_x, along_y, rotation, ccw)


def _lobes(line: Line, path: CircularDeviation) -> Harmonics | None:
    for highest in (8, max(ORDERS)):
        try:
            return harmonics(line.xy, highest, circle=path.least_squares)
        except ValueError:  # too few points or too wide a gap for so many
            continue
    return None


def _about_its_size(line: Line) -> bool:
    """Whether an outline reaches about as far as commanded both ways; a jammed axis squashes it."""
    wide, high = np.ptp(line.xy, axis=0) / (2 * line.size)
    most = shape_of(line.shape).corner_reach  # a square may lie on its corner
    return bool(min(wide, high) > 1 - SIZE_TOLERANCE and max(wide, high) < most + SIZE_TOLERANCE)


def _skip(skipped: Skipped, lines: Sequence[Line], why: str) -> None:
    """Note why a ring cannot be measured, and how large it is; the first reason stands."""
    line = lines[0]
    wide, high = np.ptp(np.concatenate([each.xy for each in lines]), axis=0)
    skipped.setdefault(
        (line.shape, line.ring),
        f"{line.shape} ring {line.ring}, {wide:.1f} mm wide and {high:.1f} mm high where "
        f"{2 * line.size:g} mm was commanded: {why.rstrip('.')}.",
    )


def _rotation(squares: Sequence[SquareRow]) -> float | None:
    if not squares:
        return None
    weights = np.array([row.size**3 for row in squares])
    turns = np.exp(1j * np.radians([row.geometry.rotation_deg for row in squares]))
    return math.degrees(float(np.angle(np.sum(weights * turns))))


def _means(rows: Sequence[CircleRow | SquareRow], values: Sequence[float | None]) -> Array:
    """Ring, nominal size and mean value of every ring with values, shape (rings, 3)."""
    pairs = zip(rows, values, strict=True)
    by_ring = gathered(((r.ring, r.size), value) for r, value in pairs if value is not None)
    means = [(ring, size, float(np.mean(each))) for (ring, size), each in sorted(by_ring.items())]
    return np.array(means, dtype=np.float64).reshape(-1, 3)


def _spacings(rows: Sequence[CircleRow | SquareRow]) -> Iterable[Spacing]:
    means = _means(rows, [row.measured_size for row in rows]).tolist()
    for (inner, small, lower), (outer, large, upper) in pairwise(means):
        if outer == inner + 1:
            yield Spacing(rows[0].shape, int(outer), large - small, upper - lower)


def _scatters(
    rings: Sequence[tuple[tuple[Line, ...], list[Line]]], drawn: dict[tuple[str, int], int]
) -> Iterable[PassScatter]:
    for lines, outlines in rings:
        whole = max(outlines, key=lambda line: len(line.xy))
        passes = drawn[whole.shape, whole.ring]
        if passes < 2 or len(lines) < 2:
            continue
        try:
            found = pass_scatter(lines, whole, figure_of(whole), passes)
        except ValueError:  # no figure: the ring is among the skipped already
            continue
        if found:
            yield found


def _size_fits(circles: Sequence[CircleRow], squares: Sequence[SquareRow]) -> Iterable[SizeFit]:
    sizes: tuple[tuple[str, Sequence[CircleRow | SquareRow], list[float | None]], ...] = (
        ("circle diameter along x", circles, [row.diameter_x for row in circles]),
        ("circle diameter along y", circles, [row.diameter_y for row in circles]),
        ("square width", squares, [row.geometry.width for row in squares]),
        ("square height", squares, [row.geometry.height for row in squares]),
    )
    for what, rows, values in sizes:
        _, nominal, measured = _means(rows, values).T
        fit = fit_sizes(what, 2 * nominal, measured)
        if fit:
            yield fit
