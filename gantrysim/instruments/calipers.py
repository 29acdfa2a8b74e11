"""Caliper readings of a burned piece: outside sizes of single rings, from a CSV file.

Outside jaws bear on the outer edges of the line, so that every reading holds one width of the
burned line.  Directions are those of the piece's X, which is the machine's x as it was burned: read
the piece the right way up, its squares standing straight.  Lengths are mm.

Zero and scale of one caliper, and the width of the line, are the same in all its readings and do
not average out; `CaliperSheet.nuisances` says how they enter.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, ClassVar

import numpy as np

from gantrysim.inference.assumptions import USUAL, Assumptions
from gantrysim.inference.terms import LikelihoodTerm
from gantrysim.instruments.base import (
    Instrument,
    Measurement,
    ReadingSheet,
    hand_uncertainty,
    write_sheets,
)
from gantrysim.instruments.forward import finely_planned
from gantrysim.instruments.jaws import CaliperTerm, caliper_values
from gantrysim.instruments.points import check_ring, check_size, test_of
from gantrysim.machine import Machine
from gantrysim.pattern.ringtest import RingTest, drawn_passes
from gantrysim.pattern.shapes import ShapeName
from gantrysim.records.arrays import Array
from gantrysim.records.checks import (
    finite_number,
    one_of_many,
    point,
    positive,
    shortened,
    whole_number,
)
from gantrysim.records.doors import checked
from gantrysim.records.files import AnyPath

ACROSS = {"width": 0.0, "height": 90.0, "diagonal_up": 45.0, "diagonal_down": 135.0}
_ACCEPTED = {
    "circle": "'diameter_' and the direction from 0 to below 180 degrees, as in 'diameter_45'",
    "square": "'width', 'height', 'diagonal_up' or 'diagonal_down'",
}

#: A reading may be this much times its commanded size, and one of a sheet must reach the lesser
#: part of it: an axis that sticks makes readings small, but not all.
MOST, LEAST = 1.2, 0.5
RANGE = 150.0  # mm: range of the usual caliper, over which its permissible error is stated
#: How far the predicted reading of a perfect caliper on a real ring is off, mm (readings of an
#: independent simulator against its own machines: 0.029 mm rms with 0.02 mm of repeatability).
MODEL = 0.02
#: By how much the width of a burned line along x differs from that along y, standard deviation, mm:
#: spots of laser diodes are longer one way (.06 by .15 mm, from memory), which leaves .05 to .09 mm
#: between the lines, as measured on common machines; which way is longer depends on the mount.
OBLONG = 0.06
#: Rings that a hand measures if none are named, as parts of the outermost: outermost, one in the
#: middle, one well inside, where play and friction weigh more than scale does.
PARTS = (1.0, 0.6, 0.3)
#: Type hint of the width of a burned line.
LineWidth = Annotated[tuple[float, float], "a width and its standard uncertainty in mm"]
#: How far a reading is off where a hand misread it, mm: a division of the scale (judgement).
SLIP = 1.0
#: A circle read to half its diameter, give or take this part of it, was read from its middle.
RADIUS = 0.06
SMALLEST = 5.0  # mm, radius or half side: below it jaws find no even hold on a burned line


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

    Examples
    --------
    >>> import gantrysim as gs
    >>> wide = gs.instruments.CaliperReading("square", 3, 27.0, "width", 54.05)
    >>> wide.nominal
    54.0
    """

    shape: ShapeName
    ring: int
    size: float
    what: str
    value: float

    def __post_init__(self) -> None:
        if _angle(self.shape, self.what) is None:
            raise ValueError(
                f"what must be {_ACCEPTED[self.shape]} for a {self.shape}, "
                f"found {shortened(self.what)}."
            )
        positive(self.value, "value_mm")

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
    oblong : float
        Standard deviation of the difference of the widths of the line measured along x and along y,
        mm: a rectangular spot burns lines of two widths, the same on rings of any size.
    turn_deg : float
        Standard deviation of how far the directions across circles are turned against the
        machine's axes, the same for all of a sheet, degrees.  It cannot stand in `nuisances`: what
        it does depends on the outline (`gantrysim.instruments.jaws.turn_jacobian`).  1.5 degrees
        is what the sheets of an independent simulator show.
    notes : tuple of str
        What is to be remarked, as of rows left empty.

    Raises
    ------
    ValueError
        If a reading belongs to no ring of the test or cannot be in mm, or the caliper is said to be
        better than its display.

    Examples
    --------
    >>> import gantrysim as gs
    >>> from gantrysim.instruments import CaliperReading, CaliperSheet
    >>> test = gs.ring_test(spacing=6.0, largest=30.0)
    >>> wide = CaliperReading("square", 3, 27.0, "width", 54.05)
    >>> sheet = CaliperSheet(test, (wide,), "bench")
    >>> sheet.expected(gs.Machine()).values.round(2)  # mm
    array([54.04])
    """

    test: RingTest
    readings: tuple[CaliperReading, ...]
    source: str
    resolution: float = 0.01
    repeatability: float = 0.02
    permissible_error: float = 0.03
    line_width: LineWidth = (0.12, 0.05)
    oblong: float = OBLONG
    turn_deg: float = 1.5
    notes: tuple[str, ...] = ()

    what = "Caliper readings"
    contents = "caliper readings"
    reading = CaliperReading
    columns = ("shape", "ring", "size_mm", "what", "value_mm")
    by_hand = ("value_mm",)
    settings: ClassVar[dict[str, tuple[str, ...]]] = {
        "resolution": ("resolution_mm",),
        "permissible_error": ("permissible_error_mm",),
        "repeatability": ("repeatability_mm",),
        "line_width": ("line_width_mm", "line_width_spread_mm"),
        "oblong": ("oblong_mm",),
        "turn_deg": ("turn_deg",),
    }
    amount = 1e-5
    remarks = (
        "caliper readings of the burned piece, mm",
        "outside sizes: they hold one width of the burned line",
    )
    instructions = (
        "caliper readings of the burned piece, mm: fill in value_mm, leave empty what was not read",
        "Measure cold, jaws square to the sheet, over the outer edges of the line (outside sizes).",
        "diameter_A: across the circle in the direction A degrees from the piece's X toward its Y",
        "width along X, height along Y at the middle of the sides; diagonal_up: low left corner to",
        "upper right. commanded_mm only helps to find the ring: a reading holds a line width more.",
        "What your caliper is (permissible error: as its maker states it) and how your hand is:",
    )

    def __post_init__(self) -> None:
        if not isinstance(self.test, RingTest):
            raise ValueError(f"test must be a RingTest, found {shortened(self.test)}.")
        super().__post_init__()
        check_caliper(self.resolution, self.permissible_error, f"{self.source}: ")
        positive(self.repeatability, "repeatability")
        positive(self.oblong, "oblong")
        positive(self.turn_deg, "turn_deg")
        width, spread = point(self.line_width, "line_width")
        positive(width, "line_width")
        positive(spread, "the deviation of line_width")
        for i, reading in enumerate(self.readings):
            self.accepted(reading, self.test, f"{self.source}, reading {i + 1}")
        _check_scale(self)

    @property
    def uncertainty(self) -> Array:
        """Standard uncertainty of each reading alone, mm, shape (n,).

        Repeatability with the rounding of the display, resolution / sqrt(12) (rectangular
        distribution, GUM F.2.2.1).  What all readings share is in `nuisances`.
        """
        alone = hand_uncertainty(self.repeatability, self.resolution)
        return np.full(len(self.readings), alone)

    @property
    def nuisances(self) -> Array:
        """What all readings share, each at one prior standard deviation, mm, shape (n, 4).

        Columns: the width of the line about `line_width`; half the difference of the widths along x
        and y, none across a diagonal; the zero of the caliper; its scale.
        Zero and scale each get the permissible error as a rectangular distribution, MPE / sqrt(3),
        the scale over a range of 150 mm.  Unknown multiples of the columns are standard normal.
        """
        bound = self.permissible_error / math.sqrt(3.0)
        one = np.ones(len(self.readings))
        scale = bound / RANGE * np.array([reading.nominal for reading in self.readings])
        across = np.cos(2.0 * np.radians([reading.angle for reading in self.readings]))
        oblong = 0.5 * self.oblong * across
        return np.column_stack([self.line_width[1] * one, oblong, bound * one, scale])

    @property
    def model_error(self) -> Array:
        """How far each predicted reading may be off, mm, shape (n,)."""
        return np.full(len(self.readings), MODEL)

    @property
    def gross(self) -> Array:
        """By how much a wrong reading is off: a line of the rule, or a digit, mm."""
        return np.full(len(self.readings), SLIP)

    def named(self, k: int) -> str:
        """Ring, direction and reading."""
        r = self.readings[one_of_many(k, self.readings, "k")]
        return f"{r.what} of {r.shape} ring {r.ring}, {r.value:g} mm"

    def predict(self, machine: Machine) -> Array:
        """Readings with no turn of the hand on the lines that a machine burns, mm."""
        forward = finely_planned(self.test, machine)
        return caliper_values(self, forward.lines(forward.run(machine)))

    def likelihood_term(self, nominal: Machine, assumptions: Assumptions = USUAL) -> LikelihoodTerm:
        """Plan the test; ValueError if it leaves the travel of the machine."""
        return CaliperTerm(self, finely_planned(self.test, nominal))

    @classmethod
    def accepted(cls, reading: CaliperReading, test: RingTest | None, place: str) -> CaliperReading:
        """A reading of a ring of the test at its commanded size; `place` begins a refusal."""
        assert test is not None
        check_ring(test, drawn_passes(test), reading.shape, reading.ring, -1, place)
        check_size(test, reading.shape, reading.ring, reading.size, place)
        _check_not_larger(reading, place)
        size = test.nest(reading.shape).sizes[reading.ring]
        return dataclasses.replace(reading, size=size)

    def template_rows(self) -> list[dict[str, Any]]:
        """As in every template, with the commanded size, by which a hand finds the ring."""
        rows = zip(super().template_rows(), self.readings, strict=True)
        aside = [(row.pop("value_mm"), row, f"{r.nominal:.2f}") for row, r in rows]
        return [row | {"commanded_mm": size, "value_mm": blank} for blank, row, size in aside]

    def plot(self, ax: Any = None) -> Any:
        """Draw how far each reading is off its commanded size; takes and returns Axes."""
        from gantrysim.plotting.readings import plot_calipers

        return plot_calipers(self, ax=ax)

    def _in_short(self) -> str:
        rings = len({(r.shape, r.ring) for r in self.readings})
        return f"{self.n_readings} readings of {rings} rings"

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
@dataclass(frozen=True)
class Calipers(Instrument):
    """Calipers with outside jaws, on a piece that was burned.

    Parameters
    ----------
    minutes : float
        Read eight sizes of the piece that is there, minutes (common practice, no source).
    resolution, permissible_error : float
        Step of the display, and maximum permissible error as the maker states it (ISO 13385-1), mm.
    angles_deg : sequence of float
        Directions across circles, degrees from the piece's X toward its Y, 0 to below 180.

    Examples
    --------
    >>> import gantrysim as gs
    >>> test = gs.ring_test(spacing=6.0, largest=30.0)
    >>> sheets = list(gs.instruments.Calipers().sheets(gs.Machine(), test))
    >>> sheets[0]
    CaliperSheet('calipers', 8 readings of 2 rings)
    >>> gs.instruments.Calipers().words_of(sheets[0])
    'measure the largest ring of each shape on the piece with calipers, along X, along Y and both
    ways between'
    """

    minutes: float = 4.0
    resolution: float = 0.01
    permissible_error: float = 0.03
    angles_deg: Sequence[float] = (0.0, 45.0, 90.0, 135.0)

    name = "calipers"
    care = "The machine is not touched."
    measurement = CaliperSheet

    def sheets(self, machine: Machine, test: RingTest | None) -> Iterator[CaliperSheet]:
        """The outermost ring of each shape of the test whose piece is there."""
        if test is not None:
            yield self.sheet(test, _usual_rings(test, PARTS[:1]))

    def asked(self, machine: Machine, test: RingTest | None) -> tuple[CaliperSheet, ...]:
        """The outermost ring of each shape, one of 0.6 and one of 0.3 times its size."""
        return () if test is None else (self.sheet(test, _usual_rings(test, PARTS)),)

    def sheet(self, test: RingTest, rings: Sequence[tuple[str, int]]) -> CaliperSheet:
        """Circles in all directions and squares across sides and diagonals, at commanded sizes."""
        across = [f"diameter_{finite_number(a, 'angles_deg') + 0.0:g}" for a in self.angles_deg]
        readings = []
        for shape, ring in rings:
            size = test.nest(shape).sizes[ring]
            for what in across if shape == "circle" else ACROSS:
                blank = CaliperReading(shape, ring, size, what, 1.0)
                readings.append(dataclasses.replace(blank, value=blank.nominal))
        if not readings:
            raise ValueError("angles_deg and rings name nothing to measure; name at least one.")
        error, found = self.permissible_error, tuple(readings)
        return CaliperSheet(test, found, "calipers", self.resolution, permissible_error=error)

    def words_of(self, sheet: Measurement) -> str:
        """Which sizes to read."""
        return (
            "measure the largest ring of each shape on the piece with calipers, along X, along Y "
            "and both ways between"
        )


@checked
def read_calipers(
    path: AnyPath,
    test: RingTest | AnyPath,
    *,
    resolution: float | None = None,
    repeatability: float | None = None,
    permissible_error: float | None = None,
    line_width: LineWidth | None = None,
    oblong: float | None = None,
    turn_deg: float | None = None,
) -> CaliperSheet:
    """Read caliper readings of a burned piece from a CSV file.

    Parameters
    ----------
    path : path
        The file; its header names `shape,ring,size_mm,what,value_mm` in any order, as in
        `CaliperReading` (mm).  A size measured more than once may stand in it as often; rows whose
        reading is empty are left out and counted.
    test : RingTest or path
        What was commanded, or its file for `read_test`.
    resolution, repeatability, permissible_error, line_width, oblong, turn_deg : optional
        As in `CaliperSheet`, mm and degrees; what lines such as `# resolution_mm = 0.01` say if
        absent.  Repeatability on a drawn line is up to 0.05 mm (judgement); ISO 13385-1 says how
        the permissible error is tested and leaves the figure to the maker; 0.03 mm up to 200 mm
        is usual (from memory).

    Raises
    ------
    FileNotFoundError
        If there is no such file.
    ValueError
        With one sentence naming the file and the line, what was found and what is accepted.

    Examples
    --------
    >>> import gantrysim as gs
    >>> from gantrysim.instruments import CaliperReading, CaliperSheet
    >>> test = gs.ring_test(spacing=6.0, largest=30.0)
    >>> wide = CaliperReading("square", 3, 27.0, "width", 54.05)
    >>> path = CaliperSheet(test, (wide,), "bench").to_csv("calipers.csv")  # or filled in by hand
    >>> gs.read_calipers("calipers.csv", test)
    CaliperSheet('calipers.csv', 1 readings of 1 rings)
    """
    caliper = {"resolution": resolution, "permissible_error": permissible_error}
    hand = {"repeatability": repeatability, "oblong": oblong, "turn_deg": turn_deg}
    return CaliperSheet.from_file(path, test_of(test), line_width=line_width, **caliper, **hand)


@checked
def write_caliper_sheet(
    path: AnyPath,
    test: RingTest | AnyPath,
    *,
    rings: Mapping[str, Sequence[int]] | None = None,
    angles_deg: Sequence[float] = Calipers.angles_deg,
    resolution: float = Calipers.resolution,
    permissible_error: float = Calipers.permissible_error,
    overwrite: bool = False,
) -> Path:
    """Write an empty caliper sheet for a burned test; `read_calipers` reads it filled in.

    Parameters
    ----------
    path : path
        The CSV file to write.
    test : RingTest or path
        What was commanded, or its file for `read_test`.
    rings : mapping of str to sequence of int, optional
        Which rings of "circle" and "square" to measure, 0 the innermost; if absent the outermost of
        each shape, one of 0.6 and one of 0.3 times its size.
    angles_deg, resolution, permissible_error
        As in `Calipers`, degrees and mm.  Ovality takes three directions or more.
    overwrite : bool
        Whether a file that exists may be replaced; else FileExistsError.

    Examples
    --------
    >>> import gantrysim as gs
    >>> test = gs.ring_test(spacing=6.0, largest=30.0)
    >>> path = gs.instruments.write_caliper_sheet("calipers.csv", test)
    >>> path.read_text().splitlines()[-1]
    'square,0,9,diagonal_down,25.46,'
    """
    test = test_of(test)
    check_caliper(resolution, permissible_error)
    calipers = Calipers(
        resolution=resolution, permissible_error=permissible_error, angles_deg=angles_deg
    )
    wanted = _usual_rings(test, PARTS) if rings is None else _named_rings(test, rings)
    return write_sheets(path, [calipers.sheet(test, wanted)], overwrite=overwrite)


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
    for k, reading in enumerate(sheet.readings):
        part = (reading.value - sheet.line_width[0]) / reading.nominal
        if reading.shape == "circle" and abs(part - 0.5) < RADIUS:
            raise ValueError(
                f"{sheet.source}: the {sheet.named(k)}, is half of the {reading.nominal:g} mm that "
                "were commanded: a radius? Fill in the diameter, right across the circle."
            )


def _usual_rings(test: RingTest, parts: Sequence[float]) -> list[tuple[str, int]]:
    """Of each shape the rings nearest to these parts of the outermost, of those the test draws."""
    drawn = drawn_passes(test)
    out: list[tuple[str, int]] = []
    for nest in test.nests:
        own = [ring for shape, ring in drawn if shape == nest.shape]
        if not own:
            continue
        largest = max(own, key=lambda ring: nest.sizes[ring])
        hold = [ring for ring in own if nest.sizes[ring] >= SMALLEST] or [largest]
        aims = [part * nest.sizes[largest] for part in parts]
        near = [min(hold, key=lambda ring, aim=aim: abs(nest.sizes[ring] - aim)) for aim in aims]  # type: ignore[misc]
        out += [(nest.shape, ring) for ring in dict.fromkeys(near)]
    return out


def _named_rings(test: RingTest, rings: Mapping[str, Sequence[int]]) -> list[tuple[str, int]]:
    named = [(shape, number) for shape, numbers in rings.items() for number in numbers]
    for shape, number in named:
        ring = whole_number(number, f"rings of {shape!r}", least=0)
        check_ring(test, drawn_passes(test), shape, ring, -1, "rings")
    return named
