"""What every instrument and every measurement has in common.

An `Instrument` says what it costs, what it would be asked for next, and writes the empty sheet; a
`Measurement` is the record read from it.  The record writes and shows itself, says what a machine
would give (`expected`) and gives its likelihood term.  Diagnosis, planning and pictures use nothing
else, so that an instrument of one's own is two or three classes in one file: the reading, its
`ReadingSheet` and the `Instrument`.
"""

from __future__ import annotations

import dataclasses
import functools
import html
import itertools
import math
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, ClassVar, Self, get_args, get_type_hints

import numpy as np

from gantrysim.inference.assumptions import USUAL, Assumptions
from gantrysim.inference.terms import LikelihoodTerm
from gantrysim.instruments.csvtable import CsvTable, csv_text, read_table
from gantrysim.instruments.readingterm import Misreading, ReadingTerm
from gantrysim.machine import Machine
from gantrysim.pattern.ringtest import RingTest
from gantrysim.records import limits
from gantrysim.records.arrays import Array
from gantrysim.records.checks import all_of, of_kind, one_of_many, positive
from gantrysim.records.doors import checked
from gantrysim.records.files import AnyPath, placed, write_new_text
from gantrysim.records.table import Table

#: What opens a template for work on the machine.
CAUTIONS = (
    "CAUTION: switch off at the mains and unplug; disconnect the laser so that it cannot fire.",
    "Keep fingers out of belts, pulleys and wheels (pinch points); push gently; wait until hot",
    "parts are cold. The maker's manual comes first.",
)
_UNITS = {"mm": "mm", "n": "N", "hz": "Hz", "deg": "°"}


@checked
class Measurement(ABC):
    """Something measured on one machine; `fit` and `diagnose` take any, or several.

    Measurements are frozen dataclasses, such as `Piece`, `CaliperSheet` or `PushSheet`.

    Attributes
    ----------
    test : RingTest or None
        What was commanded; None where no test was burned.
    source : str
        Where the readings came from, for captions and reports.
    notes : tuple of str
        What is to be remarked, a sentence each, as of rows left empty.

    Examples
    --------
    >>> import gantrysim as gs
    >>> test = gs.ring_test(("circle",), spacing=10.0, largest=20.0)
    >>> path = gs.simulate(gs.Machine(), test).to_csv("points.csv")
    >>> piece = gs.read_points("points.csv", test)
    >>> isinstance(piece, gs.instruments.Measurement), piece.source, piece.n_readings
    (True, 'points.csv', 382)
    """

    test: RingTest | None
    source: str
    notes: tuple[str, ...]

    #: What was measured, as a caption says it.
    what: ClassVar[str]
    #: Header of the CSV file, its opening remarks, and the columns that a hand fills in.
    columns: ClassVar[tuple[str, ...]]
    remarks: ClassVar[tuple[str, ...]]
    by_hand: ClassVar[tuple[str, ...]]
    #: Opening remarks of the empty sheet; those of the file if empty.
    instructions: ClassVar[tuple[str, ...]] = ()

    @property
    @abstractmethod
    def n_readings(self) -> int:
        """How many readings or points it holds."""

    @abstractmethod
    def rows(self) -> list[tuple[Any, ...]]:
        """Rows of the CSV file, in the order of its header."""

    @abstractmethod
    def expected(self, machine: Machine) -> Self:
        """The same measurement with what a machine would give, read without error."""

    @abstractmethod
    def likelihood_term(self, nominal: Machine, assumptions: Assumptions = USUAL) -> LikelihoodTerm:
        """The measurement made ready for fitting to a machine as described.

        Raises
        ------
        ValueError
            If its test leaves the travel of this machine, or it shows what that does not draw.
        """

    @classmethod
    @abstractmethod
    def from_file(cls, path: AnyPath, test: RingTest | None = None) -> Self:
        """Read the CSV file that `to_csv` or the filled-in template is; `test` where it has one."""

    @abstractmethod
    def to_dict(self) -> dict[str, Any]:
        """Plain numbers, strings and lists; the name of each carries its unit."""

    @abstractmethod
    def plot(self, ax: Any = None) -> Any:
        """Draw it; takes and returns matplotlib Axes."""

    def to_csv(self, path: AnyPath, *, overwrite: bool = False) -> Path:
        """Write the file that its reader reads; returns the path.

        Readings, what is believed of the instrument and `notes` come back as they were; the test
        stands in its own file, and the new `source` is the path.

        Raises
        ------
        FileExistsError
            If the file exists and `overwrite` is false.
        """
        text = csv_text(self.remarks, self.stated(), self._header(), self.rows(), self.notes)
        return write_new_text(path, text, overwrite=overwrite)

    def template_rows(self) -> list[dict[str, Any]]:
        """Cells of the empty sheet by column, what a hand fills in left empty."""
        blank = dict.fromkeys(self.by_hand, "")
        return [dict(zip(self._header(), row, strict=True)) | blank for row in self.rows()]

    def stated(self) -> dict[str, float]:
        """What holds for all rows of the CSV file, by the name that carries its unit."""
        return {}

    def __repr__(self) -> str:
        notes = "".join(f"; {note}" for note in self.notes)
        return f"{type(self).__name__}({self.source!r}, {self._in_short()}{notes})"

    def _repr_html_(self) -> str:
        title = f"<p><b>{self.what}</b>: {html.escape(self.source)}{self._caption()}</p>"
        notes = "".join(f"<p>{html.escape(note)}</p>" for note in self.notes)
        return f"{title}{notes}{Table(*self._html_rows()).html()}"

    def _in_short(self) -> str:
        """What `repr` says after the source."""
        return f"{self.n_readings} readings"

    def _html_rows(self) -> tuple[Sequence[str], list[Sequence[Any]]]:
        """Heading and rows of the table that a notebook shows."""
        return self._header(), list(self.rows())

    def _header(self) -> Sequence[str]:
        """Header of the CSV file."""
        return self.columns

    def _caption(self) -> str:
        """What the title of the notebook's table adds to the source."""
        return ""


@checked
class ReadingSheet(Measurement):
    """Single readings by hand, each with its own uncertainty, and what they share.

    A sheet is a frozen dataclass whose fields are `readings`, `source`, what holds for all of them
    (`settings`) and `notes`.  The fields of a reading, a pair counting as two, are the columns of
    the file in the same order; `float` fields are numbers, `int` whole numbers, `str` words.

    Attributes
    ----------
    readings : tuple
        One object a reading.

    Examples
    --------
    >>> import gantrysim as gs
    >>> left, *_ = gs.instruments.BeltTones().sheets(gs.Machine(), None)
    >>> left.values.round(1), left.uncertainty.round(1)  # Hz
    (array([90.4, 34.4]), array([1.4, 0.5]))
    """

    readings: tuple[Any, ...]

    #: Class of one reading, and what the sentence of an error calls a file of them.
    reading: ClassVar[type]
    contents: ClassVar[str] = "readings"
    #: Fields that hold for all readings, and the names under which a file states them.
    settings: ClassVar[Mapping[str, tuple[str, ...]]] = {}
    #: Columns that may be left out, and what then holds for the cells of a row.
    absent: ClassVar[Mapping[str, Callable[[dict[str, Any]], Any]]] = {}
    #: Move of the machine's unknowns for differences, standard deviations.  Detents make a push
    #: jump from one to the next as the machine changes by little: it spans some of them.
    amount: ClassVar[float] = 0.3
    #: How far a predicted reading is off what a hand reads on a real machine, relative: a hand
    #: pushes unevenly (judgement).
    MODEL: ClassVar[float] = 0.05

    def __post_init__(self) -> None:
        object.__setattr__(self, "readings", all_of(self.readings, self.reading, self.source))

    @abstractmethod
    def predict(self, machine: Machine) -> Array:
        """Readings that a machine would give, in the units of the sheet, shape (n,)."""

    @property
    def uncertainty(self) -> Array:
        """Standard uncertainty of each reading alone, in the units of the sheet, shape (n,).

        What each reading says of itself, unless a sheet knows better.
        """
        return np.array([reading.uncertainty for reading in self.readings])

    @property
    def nuisances(self) -> Array:
        """What readings share, each at one prior standard deviation, shape (n, k)."""
        return np.empty((self.n_readings, 0))

    @property
    def axes(self) -> str:
        """Blocks of the mechanism that the readings feel: "x", "y" or "xy"."""
        return "xy"

    @property
    def model_error(self) -> Array:
        """How far each predicted reading may be off, standard deviation, shape (n,)."""
        return self.MODEL * np.abs(self.values)

    @property
    def model_terms(self) -> Array:
        """What the model lacks and readings share, each at one standard deviation, shape (n, k)."""
        return np.empty((self.n_readings, 0))

    @property
    def gross(self) -> Array:
        """By how much a reading that is simply wrong is off, in the units of the sheet, shape (n,).

        Its own size: a digit or the unit is wrong; what reads about nothing is off by ten of its
        standard uncertainties (judgement).
        """
        return np.maximum(np.abs(self.values), 10.0 * self.uncertainty)

    @property
    def misreadings(self) -> Sequence[Misreading]:
        """Ways in which readings of this sheet are typically misread."""
        return ()

    @property
    def n_readings(self) -> int:
        """How many readings the sheet holds."""
        return len(self.readings)

    def named(self, k: int) -> str:
        """One reading, as a sentence about it says it."""
        cells = self.rows()[one_of_many(k, self.readings, "k")]
        return " ".join(f"{c:g}" if isinstance(c, float) else str(c) for c in cells)

    @property
    def values(self) -> Array:
        """The readings in the units of the sheet, shape (n,)."""
        name = self._value_field()
        return np.array([getattr(reading, name) for reading in self.readings])

    @property
    def covariance(self) -> Array:
        """Covariance of the readings, in the squared units of the sheet, shape (n, n).

        What each has alone stands on the diagonal; what they share (`nuisances`) does not average
        out however many there are (GUM F.1.2.3).
        """
        shared = self.nuisances
        return np.diag(self.uncertainty**2) + shared @ shared.T

    def expected(self, machine: Machine) -> Self:
        """The same sheet with the readings that a machine would give."""
        name, values = self._value_field(), self.predict(machine).tolist()
        pairs = zip(self.readings, values, strict=True)
        readings = tuple(dataclasses.replace(r, **{name: v}) for r, v in pairs)
        return dataclasses.replace(self, readings=readings)  # type: ignore[type-var]

    def likelihood_term(self, nominal: Machine, assumptions: Assumptions = USUAL) -> LikelihoodTerm:
        """The sheet made ready for fitting."""
        return ReadingTerm(self)

    def rows(self) -> list[tuple[Any, ...]]:
        """Rows of the CSV file: the fields of each reading, a pair as two cells."""
        names = [name for name, _ in _fields(self.reading)]
        return [_flat(getattr(reading, name) for name in names) for reading in self.readings]

    def stated(self) -> dict[str, float]:
        """What holds for all readings, by the name that carries its unit."""
        names = [name for own in self.settings.values() for name in own]
        return dict(zip(names, _flat(getattr(self, f) for f in self.settings), strict=True))

    def to_dict(self) -> dict[str, Any]:
        """Plain numbers, strings and lists; the name of each carries its unit."""
        content: dict[str, Any] = {"source": self.source, "notes": list(self.notes)}
        content.update(self.stated())
        if self.test is not None:
            content["test"] = self.test.to_dict()
        rows = [dict(zip(self.columns, row, strict=True)) for row in self.rows()]
        return {**content, "readings": rows}

    def plot(self, ax: Any = None) -> Any:
        """Draw the readings with their uncertainty, one row each; takes and returns Axes."""
        from gantrysim.plotting.readings import plot_rows

        stem, _, unit = self.by_hand[0].rpartition("_")
        return plot_rows(*self._drawn(), f"{stem}, {_UNITS.get(unit, unit)}", ax)

    @classmethod
    def from_file(cls, path: AnyPath, test: RingTest | None = None, **given: Any) -> Self:
        """Read a CSV file of readings; what is given goes before what the file states.

        Raises
        ------
        FileNotFoundError
            If there is no such file.
        ValueError
            With one sentence naming the file and the line, what was found and what is accepted.
        """
        usual = {field.name: field.default for field in dataclasses.fields(cls)}  # type: ignore[arg-type]
        parts = {field: len(names) for field, names in cls.settings.items()}
        names = [name for own in cls.settings.values() for name in own]
        defaults = dict(zip(names, _flat(usual[field] for field in cls.settings), strict=True))
        wanted = [c for c in cls.columns if c not in cls.absent]
        what = f"a CSV file of {cls.contents}"
        table = read_table(
            path, wanted, what, most=limits.HAND_ROWS, optional=tuple(cls.absent),
            by_hand=cls.by_hand, settings=defaults,
        )  # fmt: skip
        readings = tuple(cls._readings(table, test))
        numbers = _grouped([table.settings[name] for name in names], parts.values())
        stated = dict(zip(parts, numbers, strict=True))
        own = stated | {name: value for name, value in given.items() if value is not None}
        if "test" in usual:
            own["test"] = test
        notes = (*table.notes, *cls.remarked(readings))
        return cls(readings=readings, source=str(path), notes=notes, **own)  # type: ignore[call-arg]

    @classmethod
    def _readings(cls, table: CsvTable, test: RingTest | None) -> Iterator[Any]:
        """The rows of a table as readings; ValueError names the line of one that is refused."""
        read = {str: table.words, int: table.whole_numbers, float: table.numbers}
        fields = _fields(cls.reading)
        there = [(name, kind) for name, kind in cls.kinds().items() if name in table.columns]
        cells = {name: np.asarray(read[kind](name)).tolist() for name, kind in there}
        for i in range(len(table)):
            row = {name: column[i] for name, column in cells.items()}
            row |= {name: usual(row) for name, usual in cls.absent.items() if name not in row}
            flat = [row[name] for name in cls.columns]
            with placed(table.place(i)):
                reading = cls.reading(*_grouped(flat, [len(own) for _, own in fields]))
            yield cls.accepted(reading, test, table.place(i))

    @classmethod
    def kinds(cls) -> dict[str, type]:
        """Kind of the cells of each column: `str`, `int` or `float`."""
        flat = (kind for _, own in _fields(cls.reading) for kind in own)
        return dict(zip(cls.columns, flat, strict=True))

    @classmethod
    def of_rows(
        cls, rows: Iterable[Sequence[Any]], stated: Mapping[str, float], **own: Any
    ) -> Self:
        """The sheet whose `rows` and `stated` these are; `own` are its other fields."""
        sizes = [len(kinds) for _, kinds in _fields(cls.reading)]
        readings = tuple(cls.reading(*_grouped(row, sizes)) for row in rows)
        flat = [stated[name] for names in cls.settings.values() for name in names]
        parts = _grouped(flat, (len(names) for names in cls.settings.values()))
        stated_fields = dict(zip(cls.settings, parts, strict=True))
        return cls(readings=readings, **stated_fields, **own)  # type: ignore[call-arg]

    @classmethod
    def accepted(cls, reading: Any, test: RingTest | None, place: str) -> Any:
        """A reading as it enters the sheet; ValueError, begun by `place`, for one that cannot."""
        return reading

    @classmethod
    def remarked(cls, readings: Sequence[Any]) -> Sequence[str]:
        """Sentences about readings that contradict one another."""
        return ()

    def _drawn(self) -> tuple[list[str], list[float], list[float]]:
        """Names, values and uncertainties of the rows of the picture."""
        k = self.columns.index(self.by_hand[0])
        cells = [[f"{c:g}" if isinstance(c, float) else str(c) for c in r[:k]] for r in self.rows()]
        names = [" ".join(row) for row in cells]
        return names, self.values.tolist(), self.uncertainty.tolist()

    @classmethod
    def _value_field(cls) -> str:
        """Field of a reading that holds what a hand fills in."""
        flat = [name for name, own in _fields(cls.reading) for _ in own]
        return flat[cls.columns.index(cls.by_hand[0])]


@checked
class MachineSheet(ReadingSheet):
    """Readings of the machine itself: no test was burned for them.

    Examples
    --------
    >>> import gantrysim as gs
    >>> sheet = next(iter(gs.instruments.BeltTones().sheets(gs.Machine(), None)))
    >>> isinstance(sheet, gs.instruments.MachineSheet), sheet.test
    (True, None)
    """

    test: RingTest | None = None


@checked
@dataclass(frozen=True, eq=False)
class Candidate:
    """Something that might be measured next.

    Parameters
    ----------
    instrument : Instrument
        With what.
    words : str
        What to do.
    minutes : float
        What it costs.
    sheet : Measurement, optional
        What would be read, its readings still unknown.
    """

    instrument: Instrument
    words: str
    minutes: float
    sheet: Measurement | None = None

    @property
    def test(self) -> RingTest | None:
        """The test to burn, if one is."""
        return None

    @property
    def care(self) -> str:
        """What to mind."""
        return self.instrument.care

    def again(self, term: LikelihoodTerm) -> Array | None:
        """What it reads again of the own unknowns of something that was measured before.

        Rows over these unknowns, shape (k, n_nuisance), in standard deviations of what is read;
        None of what it says nothing about.  What reads nothing again makes a `term` of its own.
        """
        return None

    def term(
        self, nominal: Machine, machine: Machine, measured: Sequence[tuple[LikelihoodTerm, Array]]
    ) -> LikelihoodTerm:
        """Likelihood term of the measurement, read without error on a machine.

        ``nominal``, ``machine``: the machine as described, and as it is thought to be.
        ``measured``: what was measured before, with its own unknowns: its noise may be that of the
        next.
        """
        assert self.sheet is not None
        return self.sheet.expected(machine).likelihood_term(nominal)


@checked
class Instrument(ABC):
    """One kind of measurement: what it costs, what it can be asked, its empty sheet.

    Instruments are frozen dataclasses; `minutes` is a field of theirs.

    Examples
    --------
    >>> import gantrysim as gs
    >>> for instrument in gs.instruments.INSTRUMENTS:
    ...     print(f"{instrument.name}: {instrument.minutes:g} min")
    points of a piece: 8 min
    push by hand: 4 min
    belt tones: 3 min
    dial indicator: 6 min
    calipers: 4 min
    """

    #: Its name, what to mind while it is used (a sentence), and what is read with it.
    name: ClassVar[str]
    care: ClassVar[str]
    measurement: ClassVar[type[Measurement]]
    #: What one set-up costs, minutes.
    minutes: float

    @abstractmethod
    def sheets(self, machine: Machine, test: RingTest | None) -> Iterable[Measurement]:
        """What it could be asked next, one sheet a set-up, its readings still unknown.

        Parameters
        ----------
        machine : Machine
            The machine as described.
        test : RingTest, optional
            The test whose piece is there; an instrument that needs one has no sheet without.
        """

    @abstractmethod
    def words_of(self, sheet: Measurement) -> str:
        """What to do for one set-up, in words."""

    def asked(self, machine: Machine, test: RingTest | None) -> tuple[Measurement, ...]:
        """The sheets of its template: all of `sheets` if it says nothing else."""
        return tuple(self.sheets(machine, test))

    def candidates(self, machine: Machine, tests: Sequence[RingTest]) -> Iterable[Candidate]:
        """What might be measured next with it, once pieces of some tests are there."""
        for sheet in self.sheets(machine, tests[-1] if tests else None):
            yield Candidate(self, self.words_of(sheet), self.minutes, sheet)

    def read(self, path: AnyPath, test: RingTest | None = None) -> Measurement:
        """Read a file of its readings, see `Measurement.from_file`."""
        return self.measurement.from_file(path, test)

    def write_template(
        self,
        path: AnyPath,
        machine: Machine,
        test: RingTest | None = None,
        *,
        overwrite: bool = False,
    ) -> Path:
        """Write the empty sheet that `read` reads once somebody has filled it in.

        Parameters
        ----------
        path : path
            The CSV file to write.
        machine : Machine
            The machine as described: places and spans come from it, mm.
        test : RingTest, optional
            The test whose piece is there.
        overwrite : bool
            Whether a file that exists may be replaced.

        Raises
        ------
        FileExistsError
            If the file exists and `overwrite` is false.
        ValueError
            If an argument is not accepted, or there is nothing to measure.
        """
        of_kind(machine, Machine, "the machine")
        return write_sheets(path, self.asked(machine, test), overwrite=overwrite)


def write_sheets(path: AnyPath, sheets: Sequence[Measurement], *, overwrite: bool) -> Path:
    """Write sheets of one kind as one empty sheet to fill in.

    Opening remarks say what to read and how; rows left empty are left out by the reader, and lines
    such as `# resolution_mm = 0.01` state the instrument and are read too.
    """
    if not sheets:
        raise ValueError("there is nothing to measure: name a test whose piece is there.")
    first = sheets[0]
    rows = [row for sheet in sheets for row in sheet.template_rows()]
    cells = [[f"{c:.6g}" if isinstance(c, float) else c for c in row.values()] for row in rows]
    remarks = first.instructions or first.remarks
    text = csv_text(remarks, first.stated(), list(rows[0]), cells)
    return write_new_text(path, text, overwrite=overwrite)


def hand_uncertainty(spread: float, resolution: float, name: str = "resolution") -> float:
    """Standard uncertainty of one reading: the hand's, and the step over sqrt(12) (GUM F.2.2.1)."""
    return math.hypot(spread, positive(resolution, name) / math.sqrt(12.0))


@functools.cache
def _fields(reading: type) -> tuple[tuple[str, tuple[type, ...]], ...]:
    """Fields of a reading, and the kinds of the cells that each fills."""
    hints = get_type_hints(reading)
    return tuple(
        (field.name, get_args(hints[field.name]) or (hints[field.name],))
        for field in dataclasses.fields(reading)
    )


def _flat(values: Iterable[Any]) -> tuple[Any, ...]:
    """Values with pairs laid out one after the other."""
    return tuple(x for value in values for x in (value if isinstance(value, tuple) else (value,)))


def _grouped(flat: Sequence[Any], sizes: Iterable[int]) -> list[Any]:
    """The inverse of `_flat`: values one by one, or in tuples where a size is above one."""
    at = iter(flat)
    return [next(at) if size == 1 else tuple(itertools.islice(at, size)) for size in sizes]
