"""Caliper readings of a burned piece: outside sizes of single rings, from a CSV file.

Outside jaws bear on the outer edges of the line, so that every reading holds one width of the
burned line.  Directions are those of the piece's X, which is the machine's x as it was burned: read
the piece the right way up, its squares standing straight.  Lengths are mm.

Zero and scale of one caliper, and the width of the line, are the same in all its readings and do
not average out; `CaliperSheet.nuisances` says how they enter.
"""

from __future__ import annotations

import math
import os
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np

from gantrysim.inference.terms import LikelihoodTerm
from gantrysim.instruments.csvtable import read_table
from gantrysim.instruments.measurement import ReadingSheet
from gantrysim.instruments.points import check_ring, check_size, drawn_passes, test_of
from gantrysim.machine import Machine
from gantrysim.pattern.ringtest import RingTest
from gantrysim.records.arrays import Array
from gantrysim.records.checks import all_of, finite_number, point, positive, shortened
from gantrysim.records.doors import checked

COLUMNS = ("shape", "ring", "size_mm", "what", "value_mm")
#: What a file may state for all its readings, in a comment line "# resolution_mm = 0.01".
SETTINGS = {
    "resolution_mm": 0.01,
    "permissible_error_mm": 0.03,
    "repeatability_mm": 0.02,
    "line_width_mm": 0.12,
    "line_width_spread_mm": 0.05,
    "turn_deg": 1.5,
}
ACROSS = {"width": 0.0, "height": 90.0, "diagonal_up": 45.0, "diagonal_down": 135.0}
_ACCEPTED = {
    "circle": "'diameter_' and the direction from 0 to below 180 degrees, as in 'diameter_45'",
    "square": "'width', 'height', 'diagonal_up' or 'diagonal_down'",
}

#: A reading may be this much times its commanded size, and one of a sheet must reach the lesser
#: part of it: an axis that sticks makes readings small, but not all.
MOST, LEAST = 1.2, 0.5
RANGE = 150.0  # mm: range of the usual caliper, over which its permissible error is stated


@checked
@dataclass(frozen=True)
class CaliperReading:
    """One outside size of one ring.

    Parameters
    ----------
    shape : str
        "circle" or "square".
    ring : int
        0 is the innermost ring of its nest.
    size : float
        Commanded radius or half side, mm.
    what : str
        For a circle "diameter_A", across it in the direction A, in degrees from the piece's X
        toward its Y; for a square "width" (along X) and "height" (along Y) at the middle of the
        sides, "diagonal_up" (low left to up right corner) and "diagonal_down".
    value : float
        The reading, mm; it holds one width of the burned line.

    Raises
    ------
    ValueError
        If the shape has no such size, or the value is not a finite number above zero.
    """

    shape: str
    ring: int
    size: float
    what: str
    value: float

    def __post_init__(self) -> None:
        if self.shape not in _ACCEPTED or _angle(self.shape, self.what) is None:
            raise ValueError(
                f"what must be {_ACCEPTED.get(self.shape, 'a size of a circle or square')} "
                f"for a {self.shape}, found {shortened(self.what)}."
            )
        positive(self.value, "value")

    @property
    def angle(self) -> float:
        """Direction in which the caliper measures, degrees from X toward Y, 0 to below 180."""
        found = _angle(self.shape, self.what)
        assert found is not None
        return found

    @property
    def nominal(self) -> float:
        """Commanded size in that direction, without a line width, mm."""
        corner = math.sqrt(2.0) if self.what.startswith("diagonal") else 1.0
        return 2.0 * self.size * corner


@checked
@dataclass(frozen=True, eq=False, repr=False)
class CaliperSheet(ReadingSheet):
    """Caliper readings of one burned piece.

    Parameters
    ----------
    test : RingTest
        What was commanded.
    readings : tuple of CaliperReading
        At least one.
    source : str
        Where they came from, for captions and reports.
    resolution : float
        Step of the display, mm.
    repeatability : float
        Standard deviation of repeated readings of one size by one hand, mm.
    permissible_error : float
        Maximum permissible error of the caliper as its maker states it, mm; not below the
        resolution (ISO 13385-1).
    line_width : (float, float)
        Believed width of the burned line and its standard deviation, mm.
    turn_deg : float
        Standard deviation of how far the directions across circles are turned against the
        machine's axes, the same for all of a sheet, degrees.  It cannot stand in `nuisances`: what
        it does depends on the outline (`gantrysim.instruments.readings.turn_slopes`).  1.5 degrees
        is what the sheets of an independent simulator show.
    notes : tuple of str
        What is to be remarked, as of rows left empty.

    Raises
    ------
    ValueError
        If a reading belongs to no ring of the test or cannot be in mm, or the caliper is said to be
        better than its display.
    """

    test: RingTest
    readings: tuple[CaliperReading, ...]
    source: str
    resolution: float = 0.01
    repeatability: float = 0.02
    permissible_error: float = 0.03
    line_width: tuple[float, float] = (0.12, 0.05)
    turn_deg: float = 1.5
    notes: tuple[str, ...] = ()

    what: ClassVar[str] = "Caliper readings"
    columns: ClassVar[tuple[str, ...]] = COLUMNS
    remarks: ClassVar[tuple[str, ...]] = (
        "caliper readings of the burned piece, mm",
        "outside sizes: they hold one width of the burned line",
    )

    def __post_init__(self) -> None:
        if not isinstance(self.test, RingTest):
            raise ValueError(f"test must be a RingTest, found {shortened(self.test)}.")
        object.__setattr__(self, "readings", all_of(self.readings, CaliperReading, self.source))
        check_caliper(self.resolution, self.permissible_error, f"{self.source}: ")
        positive(self.repeatability, "repeatability")
        positive(self.turn_deg, "turn_deg")
        width, spread = point(self.line_width, "line_width")
        positive(width, "line_width")
        positive(spread, "the deviation of line_width")
        drawn = drawn_passes(self.test)
        for i, reading in enumerate(self.readings):
            place = f"{self.source}, reading {i + 1}"
            check_ring(self.test, drawn, reading.shape, reading.ring, -1, place)
            check_size(self.test, reading.shape, reading.ring, reading.size, place)
            _check_not_larger(reading, place)
        _check_scale(self)

    @property
    def uncertainty(self) -> Array:
        """Standard uncertainty of each reading alone, mm, shape (n,).

        Repeatability with the rounding of the display, resolution / sqrt(12) (rectangular
        distribution, GUM F.2.2.1).  What all readings share is in `nuisances`.
        """
        alone = math.hypot(self.repeatability, self.resolution / math.sqrt(12.0))
        return np.full(len(self.readings), alone)

    @property
    def nuisances(self) -> Array:
        """What all readings share, each at one prior standard deviation, mm, shape (n, 3).

        Columns: the width of the line about `line_width`; the zero of the caliper; its scale.
        Zero and scale each get the permissible error as a rectangular distribution, MPE / sqrt(3),
        the scale over a range of 150 mm.  Unknown multiples of the columns are standard normal.
        """
        bound = self.permissible_error / math.sqrt(3.0)
        one = np.ones(len(self.readings))
        scale = bound / RANGE * np.array([reading.nominal for reading in self.readings])
        return np.column_stack([self.line_width[1] * one, bound * one, scale])

    def _settings(self) -> dict[str, float]:
        caliper = (self.resolution, self.permissible_error, self.repeatability)
        return dict(zip(SETTINGS, (*caliper, *self.line_width, self.turn_deg), strict=True))

    def likelihood_term(self, nominal: Machine) -> LikelihoodTerm:
        """The measurement made ready for fitting, see `Measurement.likelihood_term`."""
        from gantrysim.instruments.handread import CaliperSource

        return CaliperSource.of(self, nominal)

    def plot(self, ax: Any = None) -> Any:
        """Draw how far each reading is off its commanded size; takes and returns Axes."""
        from gantrysim.plotting.readings import plot_calipers

        return plot_calipers(self, ax=ax)

    def _in_short(self) -> str:
        rings = len({(r.shape, r.ring) for r in self.readings})
        return f"{self.n_readings} readings of {rings} rings"

    def _csv_rows(self) -> list[tuple[Any, ...]]:
        return [(r.shape, r.ring, r.size, r.what, r.value) for r in self.readings]

    def _caption(self) -> str:
        return f"; a line width of {self.line_width[0]:g} mm is taken off in the last column"

    def _html_rows(self) -> tuple[Sequence[str], list[Sequence[Any]]]:
        head = ("shape", "ring", "size, mm", "what", "reading, mm", "off its commanded size, mm")
        rows: list[Sequence[Any]] = []
        for r in self.readings:
            off = r.value - r.nominal - self.line_width[0]
            rows.append((r.shape, r.ring, f"{r.size:g}", r.what, f"{r.value:g}", f"{off:+.2f}"))
        return head, rows


@checked
def read_calipers(
    path: str | os.PathLike[str],
    test: RingTest | str | os.PathLike[str],
    *,
    resolution: float | None = None,
    repeatability: float | None = None,
    permissible_error: float | None = None,
    line_width: tuple[float, float] | None = None,
    turn_deg: float | None = None,
) -> CaliperSheet:
    """Read caliper readings of a burned piece from a CSV file.

    Lines that begin with # are comments.  The header names the columns
    `shape,ring,size_mm,what,value_mm` in any order; other columns are ignored.  A size measured
    more than once may stand in the file as often; a row whose reading is empty is left out, and
    `CaliperSheet.notes` says how many were.

    What is not given here is taken from lines such as `# resolution_mm = 0.01`, as
    `write_caliper_sheet` and `CaliperSheet.to_csv` write them: resolution_mm,
    permissible_error_mm, repeatability_mm, line_width_mm, line_width_spread_mm, turn_deg; and
    where there is none, from the values named below.

    Parameters
    ----------
    path : path
        The CSV file; lengths in mm; see `CaliperReading` for `what`.
    test : RingTest or path
        What was commanded, or its file for `read_test`.
    resolution : float, optional
        Step of the display, mm; 0.01.
    repeatability : float, optional
        Standard deviation of repeated readings, mm; 0.02, on a drawn line up to 0.05 (judgement).
    permissible_error : float, optional
        Maximum permissible error of the caliper, mm; 0.03.  ISO 13385-1 says how it is tested and
        leaves the figure to the maker; 0.03 mm up to 200 mm is usual (from memory).
    line_width : (float, float), optional
        Believed width of the burned line and its standard deviation, mm; (0.12, 0.05).
    turn_deg : float, optional
        Standard deviation of the turn of the directions across circles, degrees; 1.5.

    Returns
    -------
    CaliperSheet

    Raises
    ------
    FileNotFoundError
        If there is no such file.
    ValueError
        With one sentence naming the file and the line, what was found and what is accepted.
    """
    test = test_of(test)
    table = read_table(
        path, COLUMNS, "a CSV file of caliper readings", by_hand="value_mm", settings=SETTINGS
    )
    shapes, words = table.words("shape"), table.words("what")
    rings = table.whole_numbers("ring").tolist()
    sizes, values = table.numbers("size_mm").tolist(), table.numbers("value_mm").tolist()
    drawn = drawn_passes(test)
    readings = []
    for i in range(len(table)):
        shape, ring, place = shapes[i], rings[i], table.place(i)
        check_ring(test, drawn, shape, ring, -1, place)
        check_size(test, shape, ring, sizes[i], place)
        if _angle(shape, words[i]) is None:
            table.refuse(i, "what", f"{_ACCEPTED[shape]} for a {shape}")
        if values[i] <= 0.0:
            table.refuse(i, "value_mm", "above zero")
        reading = CaliperReading(shape, ring, test.nest(shape).sizes[ring], words[i], values[i])
        _check_not_larger(reading, place)
        readings.append(reading)
    stated = table.settings
    return CaliperSheet(
        test,
        tuple(readings),
        str(path),
        stated["resolution_mm"] if resolution is None else resolution,
        stated["repeatability_mm"] if repeatability is None else repeatability,
        stated["permissible_error_mm"] if permissible_error is None else permissible_error,
        (stated["line_width_mm"], stated["line_width_spread_mm"])
        if line_width is None
        else line_width,
        stated["turn_deg"] if turn_deg is None else turn_deg,
        table.notes,
    )


def check_caliper(resolution: float, permissible_error: float, place: str = "") -> None:
    """Refuse a caliper that is said to be better than its display (ISO 13385-1); mm.

    `place` begins the sentence, as the name of a file with a colon.
    """
    positive(resolution, "resolution")
    positive(permissible_error, "permissible_error")
    if permissible_error < resolution:
        raise ValueError(
            f"{place}permissible_error must not be below the resolution of {resolution:g} mm "
            f"(ISO 13385-1), found {permissible_error:g}."
        )


def _angle(shape: str, what: str) -> float | None:
    """Direction of a reading, degrees; None where the shape has no such reading."""
    if shape == "square":
        return ACROSS.get(what)
    stem, _, number = what.partition("_")
    if stem != "diameter":
        return None
    try:
        angle = finite_number(float(number), "direction") if "_" not in number else -1.0
    except ValueError:
        return None
    return angle if 0.0 <= angle < 180.0 else None


def _check_not_larger(reading: CaliperReading, place: str) -> None:
    """No fault makes a ring much larger than commanded: a slip of the decimal point does."""
    most = MOST * reading.nominal + 1.0
    if reading.value > most:
        raise ValueError(
            f"{place}: value_mm must be at most {most:.4g} mm, for a {reading.what} of "
            f"{reading.nominal:.4g} mm was commanded, found {reading.value:g}."
        )


def _check_scale(sheet: CaliperSheet) -> None:
    """Refuse a sheet whose readings are all far too small: another unit."""
    largest = max(reading.value / reading.nominal for reading in sheet.readings)
    if largest < LEAST:
        units = {"inches": 25.4, "cm": 10.0, "m": 1000.0}
        unit = next((u for u, f in units.items() if 0.8 < largest * f < MOST), None)
        raise ValueError(
            f"{sheet.source}: no reading reaches half its commanded size (the largest part is "
            f"{largest:.3g}); readings must be in mm"
            f"{f' (these look like {unit})' if unit else ''}."
        )
