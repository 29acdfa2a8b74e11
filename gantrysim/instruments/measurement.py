"""What every measurement has in common: where it came from, its rows, its table, its file.

A burned piece, a caliper sheet, a push by hand and the tones of the belts are all measurements of
one machine.  Each says what it measured, of which test or of none, how many readings it holds and
what is to be remarked about them; it writes the CSV file that its reader reads, and shows itself.
"""

from __future__ import annotations

import html
import os
from abc import ABC, abstractmethod
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any, ClassVar, NoReturn

import numpy as np

from gantrysim.inference.terms import LikelihoodTerm
from gantrysim.instruments.csvtable import note_line
from gantrysim.machine import Machine
from gantrysim.pattern.ringtest import RingTest
from gantrysim.records.arrays import Array
from gantrysim.records.doors import checked
from gantrysim.records.files import write_new_text


@checked
class Measurement(ABC):
    """Something measured on one machine; `fit` and `diagnose` take any, or several.

    Measurements are frozen dataclasses: `Piece`, `CaliperSheet`, `PushSheet` and `ToneSheet`.

    Attributes
    ----------
    test : RingTest or None
        What was commanded; None where no test was burned.
    source : str
        Where the readings came from, for captions and reports.
    notes : tuple of str
        What is to be remarked, a sentence each, as of rows left empty.
    """

    test: RingTest | None
    source: str
    notes: tuple[str, ...]

    #: What was measured, as a caption says it.
    what: ClassVar[str]
    #: Header of the CSV file, and its opening remarks.
    columns: ClassVar[tuple[str, ...]]
    remarks: ClassVar[tuple[str, ...]]

    @property
    @abstractmethod
    def n_readings(self) -> int:
        """How many readings or points it holds."""

    @abstractmethod
    def to_dict(self) -> dict[str, Any]:
        """Plain numbers, strings and lists; the name of each carries its unit."""

    @abstractmethod
    def likelihood_term(self, nominal: Machine) -> LikelihoodTerm:
        """The measurement made ready for fitting to a machine as described.

        Raises
        ------
        ValueError
            If its test leaves the travel of this machine, or it shows what that does not draw.
        """

    @abstractmethod
    def plot(self, ax: Any = None) -> Any:
        """Draw it; takes and returns matplotlib Axes."""

    def to_csv(self, path: str | os.PathLike[str], *, overwrite: bool = False) -> Path:
        """Write the file that its reader reads; returns the path.

        Readings, what is believed of the instrument and `notes` come back as they were; the test
        stands in its own file, and the new `source` is the path.

        Raises
        ------
        FileExistsError
            If the file exists and `overwrite` is false.
        """
        text = csv_text(self.remarks, self._settings(), self._csv_columns(), self._csv_rows(),
                        self.notes)  # fmt: skip
        return write_new_text(path, text, overwrite=overwrite)

    def __repr__(self) -> str:
        notes = "".join(f"; {note}" for note in self.notes)
        return f"{type(self).__name__}({self.source!r}, {self._in_short()}{notes})"

    def _repr_html_(self) -> str:
        title = f"<p><b>{self.what}</b>: {html.escape(self.source)}{self._caption()}</p>"
        notes = "".join(f"<p>{html.escape(note)}</p>" for note in self.notes)
        return f"{title}{notes}{html_table(*self._html_rows())}"

    @abstractmethod
    def _in_short(self) -> str:
        """What `repr` says after the source."""

    @abstractmethod
    def _csv_rows(self) -> Iterable[Sequence[Any]]:
        """Rows of the CSV file, in the order of its header."""

    @abstractmethod
    def _html_rows(self) -> tuple[Sequence[str], list[Sequence[Any]]]:
        """Heading and rows of the table that a notebook shows."""

    def _csv_columns(self) -> Sequence[str]:
        """Header of the CSV file."""
        return self.columns

    def _settings(self) -> dict[str, float]:
        """What holds for all rows of the CSV file, by the name that carries its unit."""
        return {}

    def _caption(self) -> str:
        """What the title of the notebook's table adds to the source."""
        return ""


class ReadingSheet(Measurement):
    """Single readings by hand, each with its own uncertainty, and what they share.

    Attributes
    ----------
    readings : tuple
        One object a reading, with its `value`.
    """

    readings: tuple[Any, ...]

    @property
    def n_readings(self) -> int:
        """How many readings the sheet holds."""
        return len(self.readings)

    @property
    def values(self) -> Array:
        """The readings in the units of the sheet, shape (n,)."""
        return np.array([reading.value for reading in self.readings])

    @property
    @abstractmethod
    def uncertainty(self) -> Array:
        """Standard uncertainty of each reading alone, in the units of the sheet, shape (n,)."""

    @property
    @abstractmethod
    def nuisances(self) -> Array:
        """What readings share, each at one prior standard deviation, shape (n, k)."""

    @property
    def covariance(self) -> Array:
        """Covariance of the readings, in the squared units of the sheet, shape (n, n).

        What each has alone stands on the diagonal; what they share (`nuisances`) does not average
        out however many there are (GUM F.1.2.3).
        """
        shared = self.nuisances
        return np.diag(self.uncertainty**2) + shared @ shared.T

    def to_dict(self) -> dict[str, Any]:
        """Plain numbers, strings and lists; the name of each carries its unit."""
        content: dict[str, Any] = {"source": self.source, "notes": list(self.notes)}
        content.update(self._settings())
        if self.test is not None:
            content["test"] = self.test.to_dict()
        rows = [dict(zip(self.columns, row, strict=True)) for row in self._csv_rows()]
        return {**content, "readings": rows}


def refuse_other(thing: Any, wanted: str, accepted: str) -> NoReturn:
    """Raise ValueError, in one sentence, for what is not the measurement that is wanted."""
    raise ValueError(f"{type(thing).__name__} {wanted}; accepted are {accepted}.")


def html_table(head: Sequence[str], rows: Iterable[Sequence[Any]]) -> str:
    """A table for a notebook; cells are escaped."""
    lines = ["".join(f"<th>{html.escape(name)}</th>" for name in head)]
    lines += ["".join(f"<td>{html.escape(str(cell))}</td>" for cell in row) for row in rows]
    return f"<table>{''.join(f'<tr>{line}</tr>' for line in lines)}</table>"


def csv_text(
    remarks: Iterable[str],
    settings: dict[str, float],
    columns: Sequence[str],
    rows: Iterable[Sequence[Any]],
    notes: Iterable[str] = (),
) -> str:
    """A CSV file as `read_table` reads it: remarks, settings, rows."""
    lines = [f"# {remark}" for remark in remarks]
    lines += [f"# {name} = {value!r}" for name, value in settings.items()]
    lines += [note_line(note) for note in notes]
    lines.append(",".join(columns))
    lines += [",".join(str(cell) for cell in row) for row in rows]
    return "\n".join(lines) + "\n"
