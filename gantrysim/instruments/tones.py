"""Tones of plucked belts, from a CSV file: the frequency tells the tension.

Pluck a span with the machine off and the carriage clear of it, and read the lowest tone.  What
friction or a racked beam leaves in a belt at rest adds to one span what it takes from the other:
pluck both, and their mean tells the pretension.  A belt resists bending, so its tone is a little
high, and its mass per length is known to some per cent only; both are the same in all tones of a
sheet (`ToneSheet.nuisances`) and cancel where left and right are compared over equal spans.

Switch the machine off at the mains before reaching for a belt, and follow the maker's manual.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, ClassVar

import numpy as np

from gantrysim.inference.terms import LikelihoodTerm
from gantrysim.instruments.csvtable import read_table
from gantrysim.instruments.measurement import ReadingSheet
from gantrysim.machine import Machine
from gantrysim.machine.components import span_tension
from gantrysim.records.arrays import Array
from gantrysim.records.checks import all_of, one_of, positive
from gantrysim.records.doors import checked
from gantrysim.records.files import placed

COLUMNS = ("belt", "span_mm", "mass_g_m", "tone_hz", "uncertainty_hz")
BELTS = ("left", "right", "x")
#: What a file may state for all its tones, in a comment line "# common_error = 0.05": relative.
SETTINGS = {"common_error": 0.05}
HIGHEST = 5000.0  # Hz; a belt sounds from tens to some hundreds
#: Bounds that only a slip of the unit leaves: m for mm, kg/m for g/m (our judgement).
SPANS, MASSES = (20.0, 5000.0), (0.5, 200.0)  # mm, g/m


@checked
@dataclass(frozen=True)
class ToneReading:
    """The tone of one plucked span.

    Parameters
    ----------
    belt : str
        "left", "right" or "x".
    span : float
        Free length that sounds, mm.
    mass : float
        Mass per length of the belt, g/m; see `gantrysim.machine.components.span_mass`.
    tone : float
        Lowest tone, Hz.
    uncertainty : float
        Its standard uncertainty, Hz.

    Raises
    ------
    ValueError
        If the belt is unknown, a number is not above zero, the tone is beyond 5000 Hz, the span
        is not 20 to 5000 mm, or the mass not 0.5 to 200 g/m.
    """

    belt: str
    span: float
    mass: float
    tone: float
    uncertainty: float

    def __post_init__(self) -> None:
        one_of(self.belt, BELTS, "belt")
        for value, name in zip(_row(self)[1:], COLUMNS[1:], strict=True):
            positive(value, name)
        for name, value, (least, most), unit in (
            ("span_mm", self.span, SPANS, "mm"),
            ("mass_g_m", self.mass, MASSES, "g/m"),
        ):
            if not least <= value <= most:
                raise ValueError(f"{name} must be {least:g} to {most:g} {unit}, found {value:g}.")
        if self.tone > HIGHEST:
            raise ValueError(f"tone_hz must be at most {HIGHEST:g} Hz, found {self.tone:g}.")

    @property
    def tension(self) -> float:
        """Tension of a limp string with this tone, N; see `components.span_tension`."""
        return span_tension(self.tone, self.span, self.mass * 1e-3)


@checked
@dataclass(frozen=True, eq=False, repr=False)
class ToneSheet(ReadingSheet):
    """Tones of plucked belts of one machine.

    Parameters
    ----------
    readings : tuple of ToneReading
        At least one.
    source : str
        Where they came from, for captions and reports.
    common_error : float
        Standard deviation, relative, of what all tones share: half the error of the mass per
        length, and bending.  5 per cent is judgement, no source.
    notes : tuple of str
        What is to be remarked, as of rows left empty.

    Raises
    ------
    ValueError
        If there is no reading.
    """

    readings: tuple[ToneReading, ...]
    source: str
    common_error: float = 0.05
    notes: tuple[str, ...] = ()
    test: None = field(default=None, init=False)

    what: ClassVar[str] = "Tones of plucked belts"
    columns: ClassVar[tuple[str, ...]] = COLUMNS
    remarks: ClassVar[tuple[str, ...]] = (
        "tones of plucked belts: free span, mass per length, lowest tone",
    )

    def __post_init__(self) -> None:
        object.__setattr__(self, "readings", all_of(self.readings, ToneReading, self.source))
        positive(self.common_error, "common_error")

    @property
    def uncertainty(self) -> Array:
        """Standard uncertainty of each tone alone, Hz, shape (n,)."""
        return np.array([reading.uncertainty for reading in self.readings])

    @property
    def nuisances(self) -> Array:
        """What all tones share, at one prior standard deviation, Hz, shape (n, 1)."""
        return self.common_error * self.values[:, None]

    @property
    def values(self) -> Array:
        """The tones, Hz, shape (n,)."""
        return np.array([reading.tone for reading in self.readings])

    def _settings(self) -> dict[str, float]:
        return {"common_error": self.common_error}

    def likelihood_term(self, nominal: Machine) -> LikelihoodTerm:
        """The measurement made ready for fitting, see `Measurement.likelihood_term`."""
        from gantrysim.instruments.handread import HandSource

        return HandSource(self)

    def plot(self, ax: Any = None) -> Any:
        """Draw the tension that each tone tells; takes and returns Axes."""
        from gantrysim.plotting.readings import plot_tones

        return plot_tones(self, ax=ax)

    def _in_short(self) -> str:
        belts = len({r.belt for r in self.readings})
        return f"{self.n_readings} tones of {belts} belts"

    def _csv_rows(self) -> list[tuple[Any, ...]]:
        return [_row(reading) for reading in self.readings]

    def _html_rows(self) -> tuple[Sequence[str], list[Sequence[Any]]]:
        head = ("belt", "span, mm", "tone, Hz", "tension, N")
        rows: list[Sequence[Any]] = []
        for r in self.readings:
            tone = f"{r.tone:.4g} ± {r.uncertainty:.2g}"
            rows.append((r.belt, f"{r.span:g}", tone, f"{r.tension:.3g}"))
        return head, rows


@checked
def read_tones(path: str | os.PathLike[str], *, common_error: float | None = None) -> ToneSheet:
    """Read tones of plucked belts from a CSV file.

    Lines that begin with # are comments.  The header names the columns
    `belt,span_mm,mass_g_m,tone_hz,uncertainty_hz` in any order; other columns are ignored.  A
    row whose tone is empty is left out, and `ToneSheet.notes` says how many were.

    Parameters
    ----------
    path : path
        The CSV file; see `ToneReading` for the columns (mm, g/m, Hz).
    common_error : float, optional
        Standard deviation of what all tones share, relative; what a line `# common_error = 0.05`
        of the file says, or 0.05.

    Returns
    -------
    ToneSheet

    Raises
    ------
    FileNotFoundError
        If there is no such file.
    ValueError
        With one sentence naming the file and the line, what was found and what is accepted.
    """
    table = read_table(
        path, COLUMNS, "a CSV file of belt tones", by_hand="tone_hz", settings=SETTINGS
    )
    belts = table.words("belt")
    numbers = np.column_stack([table.numbers(name) for name in COLUMNS[1:]]).tolist()
    readings = []
    for i, (belt, row) in enumerate(zip(belts, numbers, strict=True)):
        with placed(table.place(i)):
            readings.append(ToneReading(belt, *row))
    common = table.settings["common_error"] if common_error is None else common_error
    return ToneSheet(tuple(readings), str(path), common, table.notes)


def _row(reading: ToneReading) -> tuple[Any, ...]:
    return reading.belt, reading.span, reading.mass, reading.tone, reading.uncertainty
