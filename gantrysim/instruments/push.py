"""Measured push tests: what a hand with a spring scale and a rule read, from a CSV file.

Each row is one number of a push by hand as `gantrysim.mechanics.handpush` describes it: where, with
the motor off or holding, with the carriage where, what was read and how uncertain it is.  Forces
are N, lengths mm, stiffness N/mm; the name of each number carries its unit.

A test by hand needs a machine that cannot start: switched off at the mains and unplugged, the
beam source made safe, or, with motors holding, no job loaded.  Keep fingers out of belts, pulleys
and wheels, push gently, and follow the maker's manual.
"""

from __future__ import annotations

import math
import os
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any, ClassVar

import numpy as np

from gantrysim.inference.terms import LikelihoodTerm
from gantrysim.instruments.csvtable import Table, read_table
from gantrysim.instruments.measurement import ReadingSheet
from gantrysim.machine import Machine
from gantrysim.mechanics.handpush import MOTORS, PLACES, PushResult
from gantrysim.records.arrays import Array
from gantrysim.records.checks import (
    all_of,
    finite_number,
    listed,
    one_of,
    point,
    positive,
    shortened,
)
from gantrysim.records.doors import checked
from gantrysim.records.files import placed

COLUMNS = ("at", "motor", "x_mm", "y_mm", "what", "value", "uncertainty")
#: May be left out: how far the part was pushed.
STROKE = "stroke_mm"
#: What a file may state for all its readings, in a comment line "# scale_error = 0.02": relative,
#: and the maximum permissible error of the spring scale's zero, N.
SETTINGS = {"scale_error": 0.02, "permissible_error_n": 0.0}
#: How far a hand pushes if the sheet does not say, mm: with motors off, and holding.
USUAL_STROKE = {"off": 3.0, "holding": 0.4}

#: Numbers of a push by name, and the motor state in which each exists.
QUANTITIES: dict[str, tuple[str, ...]] = {
    "start_forward_n": ("off",),
    "start_back_n": ("off",),
    "keep_forward_n": ("off",),
    "keep_back_n": ("off",),
    "lag_forward_mm": MOTORS,
    "lag_back_mm": MOTORS,
    "lag_mean_mm": MOTORS,
    "loop_force_n": MOTORS,
    "loop_travel_mm": ("holding",),
    "stiffness_n_mm": ("holding",),
}
UNITS = {"_n": "N", "_mm": "mm", "_n_mm": "N/mm"}
#: Back is the other way: only these may be below zero.
_SIGNED = ("lag_forward_mm", "lag_back_mm", "lag_mean_mm")

MOST_FORCE = 1000.0  # N; no hand pushes harder with a spring scale: gram-force taken for N


@checked
@dataclass(frozen=True)
class PushReading:
    """One number read in a push by hand.

    Parameters
    ----------
    at : str
        What was pushed: "left", "right" (end plate along its rail) or "carriage" (along the beam).
    motor : str
        "off" (rotors free to turn) or "holding".
    place : (float, float)
        Where the carriage stood, mm.
    what : str
        Name of the number, as in `PushResult.to_dict`: "start_forward_n", "start_back_n",
        "keep_forward_n", "keep_back_n" (motor off, N), "lag_forward_mm", "lag_back_mm",
        "lag_mean_mm" (mm), "loop_force_n" (N), "loop_travel_mm" (mm) and "stiffness_n_mm"
        (motor holding, N/mm).
    value, uncertainty : float
        The reading and its standard uncertainty, in the unit that `what` names.
    stroke : float
        How far the part was pushed, mm.

    Raises
    ------
    ValueError
        If a field is not accepted, in one sentence.
    """

    at: str
    motor: str
    place: tuple[float, float]
    what: str
    value: float
    uncertainty: float
    stroke: float

    def __post_init__(self) -> None:
        one_of(self.at, PLACES, "at")
        one_of(self.motor, MOTORS, "motor")
        object.__setattr__(self, "place", point(self.place, "place"))
        _check_name(self.what, self.motor)
        value = finite_number(self.value, "value")
        if value < 0.0 and self.what not in _SIGNED:
            raise ValueError(f"value must not be below zero for {self.what}, found {value:g}.")
        if self.unit == "N" and value > MOST_FORCE:
            raise ValueError(
                f"value must be at most {MOST_FORCE:g} N for {self.what}, found {value:g}."
            )
        positive(self.uncertainty, "uncertainty")
        positive(self.stroke, "stroke")

    @property
    def unit(self) -> str:
        """Unit of the value: "N", "mm" or "N/mm"."""
        return unit_of(self.what)


@checked
@dataclass(frozen=True, eq=False, repr=False)
class PushSheet(ReadingSheet):
    """Readings of pushes by hand on one machine.

    Parameters
    ----------
    readings : tuple of PushReading
        At least one.
    source : str
        Where they came from, for captions and reports.
    scale_error : float
        Standard deviation of the spring scale's own scale, relative: it is the same in all forces
        of a sheet.  2 per cent is common practice, no source; hang a known weight on it to know.
    permissible_error : float
        Greatest error of the spring scale's zero, N, 0 if it was set before each push; the same in
        all forces of a sheet, as a rectangular distribution (GUM 4.3.7).
    notes : tuple of str
        What is to be remarked, as of rows left empty.

    Raises
    ------
    ValueError
        If there is no reading, or an error is negative.
    """

    readings: tuple[PushReading, ...]
    source: str
    scale_error: float = 0.02
    permissible_error: float = 0.0
    notes: tuple[str, ...] = ()
    test: None = field(default=None, init=False)

    what: ClassVar[str] = "Pushes by hand"
    columns: ClassVar[tuple[str, ...]] = (*COLUMNS, STROKE)
    remarks: ClassVar[tuple[str, ...]] = (
        "push by hand: what was read where, with the motor off or holding",
        "value and uncertainty in the unit that the name ends in: n, mm, n_mm",
    )

    def __post_init__(self) -> None:
        object.__setattr__(self, "readings", all_of(self.readings, PushReading, self.source))
        positive(self.scale_error, "scale_error")
        if finite_number(self.permissible_error, "permissible_error") < 0.0:
            raise ValueError(
                f"permissible_error must not be below zero, found {self.permissible_error:g}."
            )

    @classmethod
    def of(
        cls,
        results: PushResult | Iterable[PushResult],
        rng: np.random.Generator,
        *,
        force: float = 0.3,
        length: float = 0.05,
        stiffness: float = 4.0,
        source: str = "invented readings",
    ) -> PushSheet:
        """Invent the sheet that a hand would write for simulated pushes.

        Parameters
        ----------
        results : PushResult, or several
            From `gantrysim.mechanics.handpush`.
        rng : numpy.random.Generator
            Makes the errors of the hand, normally distributed.
        force, length, stiffness : float
            Their standard deviations: of forces, N, of lengths, mm, of stiffness, N/mm.
        source : str
            Caption.

        Returns
        -------
        PushSheet
            With every number that the pushes have.
        """
        spread = {
            "N": positive(force, "force"),
            "mm": positive(length, "length"),
            "N/mm": positive(stiffness, "stiffness"),
        }
        readings = []
        for result in [results] if isinstance(results, PushResult) else results:
            numbers = result.to_dict()
            for what in QUANTITIES:
                if numbers[what] is None:
                    continue
                u = spread[unit_of(what)]
                value = float(numbers[what] + u * rng.standard_normal())
                if what not in _SIGNED:
                    value = max(value, 0.0)
                readings.append(
                    PushReading(
                        result.at, result.motor, result.place, what, value, u, result.stroke
                    )
                )
        return cls(tuple(readings), source)

    @property
    def uncertainty(self) -> Array:
        """Standard uncertainty of each reading alone, in the same units, shape (n,)."""
        return np.array([reading.uncertainty for reading in self.readings])

    @property
    def nuisances(self) -> Array:
        """What all readings share, each at one prior standard deviation, shape (n, 2).

        The spring scale's own scale, which all forces (and stiffness) carry, and its zero, which
        cancels in the width of a loop and in a stiffness; lengths carry neither.
        """
        scale = [0.0 if r.unit == "mm" else self.scale_error * r.value for r in self.readings]
        bound = self.permissible_error / math.sqrt(3.0)
        zero = [bound if r.unit == "N" and r.what != "loop_force_n" else 0.0 for r in self.readings]
        return np.column_stack([scale, zero])

    def _settings(self) -> dict[str, float]:
        return dict(zip(SETTINGS, (self.scale_error, self.permissible_error), strict=True))

    def likelihood_term(self, nominal: Machine) -> LikelihoodTerm:
        """The measurement made ready for fitting, see `Measurement.likelihood_term`."""
        from gantrysim.instruments.handread import HandSource

        return HandSource(self)

    def plot(self, ax: Any = None, *, unit: str | None = None) -> Any:
        """Draw the readings of one unit, the commonest if absent; takes and returns Axes."""
        from gantrysim.plotting.readings import plot_push_sheet

        return plot_push_sheet(self, ax=ax, unit=unit)

    def _in_short(self) -> str:
        pushes = len({(r.at, r.motor, r.place, r.stroke) for r in self.readings})
        return f"{self.n_readings} readings of {pushes} pushes"

    def _csv_rows(self) -> list[tuple[Any, ...]]:
        return [
            (r.at, r.motor, *r.place, r.what, r.value, r.uncertainty, r.stroke)
            for r in self.readings
        ]

    def _html_rows(self) -> tuple[Sequence[str], list[Sequence[Any]]]:
        head = ("at", "motor", "carriage at, mm", "what", "reading")
        rows: list[Sequence[Any]] = []
        for r in self.readings:
            place = f"({r.place[0]:g}, {r.place[1]:g})"
            reading = f"{r.value:.3g} ± {r.uncertainty:.2g} {r.unit}"
            rows.append((r.at, r.motor, place, words_of(r.what), reading))
        return head, rows


@checked
def read_push(
    path: str | os.PathLike[str],
    *,
    scale_error: float | None = None,
    permissible_error: float | None = None,
) -> PushSheet:
    """Read measured push tests from a CSV file.

    Lines that begin with # are comments.  The header names the columns
    `at,motor,x_mm,y_mm,what,value,uncertainty` in any order, and `stroke_mm` where the part was not
    pushed the usual 3 mm (motor off) or 0.4 mm (holding); other columns are ignored.  A row whose
    value is empty is left out, and `PushSheet.notes` says how many were; it also says where a
    reading contradicts another.

    What is not given here is taken from lines such as `# scale_error = 0.02`, as `write_push_sheet`
    and `PushSheet.to_csv` write them: scale_error, permissible_error_n.

    Parameters
    ----------
    path : path
        The CSV file; see `PushReading` for the columns.  `uncertainty` is a standard uncertainty.
    scale_error : float, optional
        Standard deviation of the spring scale's own scale, relative; 0.02.
    permissible_error : float, optional
        Greatest error of the spring scale's zero, N; 0.

    Returns
    -------
    PushSheet

    Raises
    ------
    FileNotFoundError
        If there is no such file.
    ValueError
        With one sentence naming the file and the line, what was found and what is accepted.
    """
    table = read_table(
        path, COLUMNS, "a CSV file of push readings",
        optional=(STROKE,), by_hand="value", settings=SETTINGS,
    )  # fmt: skip
    at, motor, what = (table.words(name) for name in ("at", "motor", "what"))
    x, y = table.numbers("x_mm").tolist(), table.numbers("y_mm").tolist()
    value, spread = table.numbers("value").tolist(), table.numbers("uncertainty").tolist()
    stroke = _strokes(table, motor)
    readings = []
    for i in range(len(table)):
        with placed(table.place(i)):
            reading = PushReading(
                at[i], motor[i], (x[i], y[i]), what[i], value[i], spread[i], stroke[i]
            )
        readings.append(reading)
    stated = table.settings
    return PushSheet(
        tuple(readings),
        str(path),
        stated["scale_error"] if scale_error is None else scale_error,
        stated["permissible_error_n"] if permissible_error is None else permissible_error,
        (*table.notes, *_contradictions(readings)),
    )


def unit_of(what: str) -> str:
    """Unit of a number by its name: "N", "mm" or "N/mm"."""
    return next(UNITS[end] for end in ("_n_mm", "_mm", "_n") if what.endswith(end))


def words_of(what: str) -> str:
    """A number's name without its unit, as a caption says it."""
    end = next(end for end in ("_n_mm", "_mm", "_n") if what.endswith(end))
    return what.removesuffix(end).replace("_", " ")


def _contradictions(readings: list[PushReading]) -> list[str]:
    """Sentences about forces to keep moving that are above those to start, beyond their errors."""
    by_push: dict[tuple[Any, ...], dict[str, list[PushReading]]] = {}
    for r in readings:
        by_push.setdefault((r.at, r.motor, r.place), {}).setdefault(r.what, []).append(r)
    out = []
    for (at, _, place), found in by_push.items():
        for way in ("forward", "back"):
            pairs = [
                (start, keep)
                for start in found.get(f"start_{way}_n", [])
                for keep in found.get(f"keep_{way}_n", [])
                if keep.value - start.value > 3.0 * math.hypot(start.uncertainty, keep.uncertainty)
            ]
            if pairs:
                start, keep = pairs[0]
                out.append(
                    f"{at} at ({place[0]:g}, {place[1]:g}): {keep.value:g} N to keep moving {way} "
                    f"is above {start.value:g} N to start; read again."
                )
    return out


def _strokes(table: Table, motor: list[str]) -> list[float]:
    if STROKE in table.columns:
        return table.numbers(STROKE).tolist()
    return [USUAL_STROKE.get(word, math.nan) for word in motor]


def _check_name(what: str, motor: str) -> None:
    if not isinstance(what, str) or what not in QUANTITIES:
        bare = [name for name in QUANTITIES if words_of(name).replace(" ", "_") == what]
        if bare:
            raise ValueError(
                f"what states no unit; give {what!r} in {unit_of(bare[0])} and call it {bare[0]!r}."
            )
        raise ValueError(f"what must be {listed(list(QUANTITIES))}, found {shortened(what)}.")
    if motor not in QUANTITIES[what]:
        raise ValueError(
            f"{what} can be read with motor {listed(QUANTITIES[what])}, found {motor!r}."
        )
