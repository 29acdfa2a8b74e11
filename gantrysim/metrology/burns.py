"""Measures of a whole burn or measured piece: every ring, spacing, passes, size against nominal."""

from __future__ import annotations

import math
import os
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any, Protocol, overload

import numpy as np
from numpy.typing import NDArray

from gantrysim.inputs import write_new_text
from gantrysim.measured.calipers import CaliperSheet
from gantrysim.measured.measurement import refuse_other
from gantrysim.measured.points import Piece, drawn_passes
from gantrysim.metrology.calipered import CaliperMeasures, measure_calipers
from gantrysim.metrology.circular import CircularDeviation, circular_deviation, closing_gap
from gantrysim.metrology.harmonics import Harmonics, harmonics
from gantrysim.metrology.passes import (
    PassScatter,
    figure_of,
    outlines_of_ring,
    pass_scatter,
    without_strays,
)
from gantrysim.metrology.rows import ORDERS, CircleRow, Spacing, SquareRow
from gantrysim.metrology.sizes import SizeFit, fit_sizes, reversal_diameter
from gantrysim.metrology.squares import SIZE_TOLERANCE, square_geometry
from gantrysim.metrology.tables import csv_text, html_page, text_page
from gantrysim.paths import Line, RingTest

Array = NDArray[np.float64]

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


@dataclass(frozen=True, eq=False)
class Measures:
    """The table of measures; make one with `measure`.

    Parameters
    ----------
    source : str
        What was measured.
    rotation_deg : float or None
        Rotation of the machine's x axis in the frame of the points; None where it is unknown, and
        then directions are those of the points.
    n_rejected : int
        Stray points left out.
    circles, squares : tuple
        `CircleRow` and `SquareRow`, inner rings first.
    spacings : tuple of Spacing
        Between neighbouring rings.
    scatters : tuple of PassScatter
        Of rings with passes that are told apart.
    size_fits : tuple of SizeFit
        Size against nominal: circle diameter along x and y, square width and height.
    skipped : tuple of str
        One sentence for each ring that could not be measured.
    """

    source: str
    rotation_deg: float | None
    n_rejected: int
    circles: tuple[CircleRow, ...]
    squares: tuple[SquareRow, ...]
    spacings: tuple[Spacing, ...]
    scatters: tuple[PassScatter, ...]
    size_fits: tuple[SizeFit, ...]
    skipped: tuple[str, ...]

    @property
    def rows(self) -> tuple[CircleRow | SquareRow, ...]:
        """All rows, circles first."""
        return (*self.circles, *self.squares)

    def size_fit(self, what: str) -> SizeFit:
        """The fit of one size, such as "square width".

        Raises
        ------
        ValueError
            If there is none of that name.
        """
        for fit in self.size_fits:
            if fit.what == what:
                return fit
        names = ", ".join(repr(fit.what) for fit in self.size_fits) or "none"
        raise ValueError(f"there is no size fit {what!r} here; there is {names}.")

    def flat_rows(self) -> list[dict[str, Any]]:
        """One dict a row, with the ring's spacing error and pass scatter beside its measures."""
        spacing = {(s.shape, s.ring): s.error for s in self.spacings}
        scatter = {(s.shape, s.ring): s for s in self.scatters}
        flat = []
        for row in (r.to_dict() for r in self.rows):
            ring = (row["shape"], row["ring"])
            apart = scatter.get(ring)
            row["spacing_error_mm"] = spacing.get(ring)
            row["pass_scatter_mm"] = apart.rms if apart else None
            row["pass_share"] = apart.share if apart else None
            flat.append(row)
        return flat

    def to_dict(self) -> dict[str, Any]:
        """Everything in plain Python types."""
        return {
            "source": self.source,
            "rotation_deg": self.rotation_deg,
            "n_rejected": self.n_rejected,
            "rings": self.flat_rows(),
            "spacings": [
                {
                    "shape": s.shape,
                    "ring": s.ring,
                    "commanded_mm": s.commanded,
                    "measured_mm": s.measured,
                }
                for s in self.spacings
            ],
            "pass_scatters": [
                {
                    "shape": s.shape,
                    "ring": s.ring,
                    "rms_mm": s.rms,
                    "largest_mm": s.largest,
                    "share": s.share,
                }
                for s in self.scatters
            ],
            "size_fits": [fit.to_dict() for fit in self.size_fits],
            "skipped": list(self.skipped),
        }

    def to_csv(self, path: str | os.PathLike[str], overwrite: bool = False) -> Path:
        """Write one line a ring and pass; size fits stand in comment lines that begin with #.

        Raises
        ------
        FileExistsError
            If the file exists and `overwrite` is false.
        """
        return write_new_text(path, csv_text(self), overwrite=overwrite)

    def table(self) -> str:
        """The measures as aligned text, errors in µm."""
        return text_page(self)

    def __repr__(self) -> str:
        worst = max((row.path.G for row in self.circles), default=None)
        parts = [f"{len(self.circles)} circles", f"{len(self.squares)} squares"]
        if worst is not None:
            parts.append(f"RONt up to {worst * 1e3:.0f} µm")
        if self.squares:
            parts.append(f"squareness {self.squares[-1].geometry.squareness_mrad:+.2f} mrad")
        return f"Measures({self.source}: {', '.join(parts)})"

    def _repr_html_(self) -> str:
        return html_page(self)


@overload
def measure(
    thing: CaliperSheet, *, lifted: bool | None = None, outlier_sigmas: float | None = None
) -> CaliperMeasures: ...


@overload
def measure(
    thing: Lines, *, lifted: bool | None = None, outlier_sigmas: float | None = None
) -> Measures: ...


def measure(
    thing: Lines | CaliperSheet,
    *,
    lifted: bool | None = None,
    outlier_sigmas: float | None = None,
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

    Returns
    -------
    Measures
        For every ring and pass: circles by ISO 12181-1 roundness about LSCI and MZCI, ISO 230-4
        radial deviations, harmonics; squares by ISO 230-1 straightness and squareness.  The
        classes of the rows say which clause defines what.  Rings that make no closed figure of
        about their size are named in `skipped`, with the reason.
        Of a caliper sheet `CaliperMeasures`: size, ovality and squareness, no roundness.

    Raises
    ------
    ValueError
        If the outlier limit is not above zero, or nothing burned was measured.

    Notes
    -----
    Roundness is not filtered: noise of standard deviation s in 100 to 360 points alone makes
    an RONt of 5 to 6 s, but adds only s sqrt(2/n) to a harmonic.  Size against nominal uses one
    value for each ring, the mean over its passes; circle diameters along x and y are those of
    `gantrysim.metrology.sizes.reversal_diameter`.
    """
    if isinstance(thing, CaliperSheet):
        return measure_calipers(thing)
    if not (hasattr(thing, "lines") and isinstance(getattr(thing, "test", None), RingTest)):
        refuse_other(
            thing,
            "has no lines to measure",
            "Burn, Piece and CaliperSheet; `diagnose` takes others",
        )
    if lifted is None:
        lifted = isinstance(thing, Piece)
    if outlier_sigmas is None and lifted:
        outlier_sigmas = OUTLIER_SIGMAS
    drawn = drawn_passes(thing.test)
    skipped: Skipped = {}
    rings, rejected = _rings(thing, outlier_sigmas, skipped)
    squares = tuple(_square_rows(rings, lifted, skipped))
    rotation = _rotation(squares) if lifted else 0.0
    circles = tuple(_circle_rows(rings, thing.test, lifted, rotation or 0.0, skipped))
    return Measures(
        source=str(getattr(thing, "source", "burn")),
        rotation_deg=rotation,
        n_rejected=rejected,
        circles=circles,
        squares=squares,
        spacings=(*_spacings("circle", circles), *_spacings("square", squares)),
        scatters=tuple(_scatters(rings, drawn)),
        size_fits=tuple(_size_fits(circles, squares)),
        skipped=tuple(skipped.values()),
    )


def whole_outlines(thing: Lines, outlier_sigmas: float | None) -> tuple[Line, ...]:
    """The outlines behind the rows of `measure`: shape, ring and pass say which."""
    rings, _ = _rings(thing, outlier_sigmas, {})
    return tuple(line for _, outlines in rings for line in outlines)


def _rings(
    thing: Lines, outlier_sigmas: float | None, skipped: Skipped
) -> tuple[list[tuple[tuple[Line, ...], list[Line]]], int]:
    """Lines of every ring without strays, its whole outlines, and how many points were stray."""
    drawn = drawn_passes(thing.test)
    rejected = 0
    rings: list[tuple[tuple[Line, ...], list[Line]]] = []
    for (shape, ring), lines in _by_ring(thing.lines):
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


def _by_ring(lines: Iterable[Line]) -> list[tuple[tuple[str, int], list[Line]]]:
    rings: dict[tuple[str, int], list[Line]] = {}
    for line in lines:
        rings.setdefault((line.shape, line.ring), []).append(line)
    return sorted(rings.items())


def _square_rows(
    rings: Sequence[tuple[tuple[Line, ...], list[Line]]], lifted: bool, skipped: Skipped
) -> Iterable[SquareRow]:
    for _, outlines in rings:
        for line in outlines:
            if line.shape != "square":
                continue
            try:
                geometry = square_geometry(line.xy, line.size)
            except ValueError as error:
                _skip(skipped, [line], str(error))
                continue
            gap = None if lifted else closing_gap(line.xy)
            yield SquareRow(line.ring, line.pass_index, geometry, gap)


def _circle_rows(
    rings: Sequence[tuple[tuple[Line, ...], list[Line]]],
    test: RingTest,
    lifted: bool,
    rotation: float,
    skipped: Skipped,
) -> Iterable[CircleRow]:
    for _, outlines in rings:
        for line in outlines:
            if line.shape != "circle":
                continue
            try:
                path = circular_deviation(line.xy, line.size, in_drawing_order=not lifted)
            except ValueError as error:
                _skip(skipped, [line], str(error))
                continue
            ccw = test.nest("circle").direction == "ccw"
            along_x, along_y = (
                reversal_diameter(line.xy, path.least_squares, rotation + axis, ccw=ccw)
                for axis in (0.0, 90.0)
            )
            yield CircleRow(
                line.ring, line.pass_index, len(line.xy), path, _lobes(line, path),
                along_x, along_y, rotation,
            )  # fmt: skip


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
    most = 2**0.5 if line.shape == "square" else 1.0  # a square may lie on its corner
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
    by_ring: dict[tuple[int, float], list[float]] = {}
    for row, value in zip(rows, values, strict=True):
        if value is not None:
            by_ring.setdefault((row.ring, row.size), []).append(value)
    means = [(ring, size, float(np.mean(each))) for (ring, size), each in sorted(by_ring.items())]
    return np.array(means, dtype=np.float64).reshape(-1, 3)


def _spacings(shape: str, rows: Sequence[CircleRow | SquareRow]) -> Iterable[Spacing]:
    means = _means(rows, [row.measured_size for row in rows]).tolist()
    for (inner, small, lower), (outer, large, upper) in pairwise(means):
        if outer == inner + 1:
            yield Spacing(shape, int(outer), large - small, upper - lower)


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
