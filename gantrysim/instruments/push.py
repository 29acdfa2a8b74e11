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
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import product
from pathlib import Path
from typing import Annotated, Any, ClassVar

import numpy as np

from gantrysim.instruments.base import (
    CAUTIONS,
    Instrument,
    MachineSheet,
    Measurement,
    hand_uncertainty,
)
from gantrysim.instruments.readingterm import Misreading
from gantrysim.machine import Machine
from gantrysim.mechanics.handpush import MOTORS, PLACES, PushResult, push
from gantrysim.pattern.ringtest import RingTest
from gantrysim.records.arrays import Array, gathered
from gantrysim.records.checks import (
    finite_number,
    listed,
    one_of,
    one_of_many,
    point,
    positive,
    shortened,
)
from gantrysim.records.doors import Place, checked
from gantrysim.records.files import AnyPath

#: How far a hand pushes if the sheet does not say, mm: with motors off, and holding.
USUAL_STROKE = {"off": 3.0, "holding": 0.4}
#: Reading at which a push ends, N.  Off, whatever the scale of the hand ends at: a part that needs
#: more reads as this.  Holding, before the motors lose steps.
FIRM, GENTLE = 200.0, 40.0
#: What a hand adds to the step of its instrument, standard deviations (judgement): of a force, N,
#: of a length by a rule or feeler, mm, and of a stiffness, N/mm.
FORCE_BY_HAND, LENGTH_BY_HAND, STIFFNESS_BY_HAND = 0.3, 0.05, 4.0

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
_AXES = {"N": "force, N", "mm": "length, mm", "N/mm": "stiffness, N/mm"}
#: Unit by the end of a name, the longest end first.
UNITS = {"_n_mm": "N/mm", "_mm": "mm", "_n": "N"}
#: What is asked of one push.
_FORCES = ("start_forward_n", "keep_forward_n", "start_back_n", "keep_back_n")
_ASKED = {
    "off": (*_FORCES, "lag_forward_mm", "lag_back_mm"),
    "holding": ("stiffness_n_mm", "loop_travel_mm", "lag_forward_mm"),
}
#: Back is the other way: only these may be below zero.
_SIGNED = ("lag_forward_mm", "lag_back_mm", "lag_mean_mm")

#: Units that a spring scale may show and a hand may write as N, in N, and how often all forces of a
#: sheet are (judgement, no source).
OTHER_UNITS = {"kgf": 9.80665, "lbf": 4.44822}
OTHER_UNIT = 0.02

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

    Examples
    --------
    >>> import gantrysim as gs
    >>> middle = (215.0, 200.0)
    >>> gs.instruments.PushReading("left", "off", middle, "keep_forward_n", 19.5, 0.5, 3.0).unit
    'N'
    """

    at: Annotated[str, PLACES]
    motor: Annotated[str, MOTORS]
    place: Place
    what: str
    value: float
    uncertainty: float
    stroke: float

    def __post_init__(self) -> None:
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

    @property
    def spot(self) -> str:
        """Where the carriage stood, mm, as a caption says it."""
        return f"({self.place[0]:g}, {self.place[1]:g})"


@checked
@dataclass(frozen=True, eq=False, repr=False)
class PushSheet(MachineSheet):
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

    Examples
    --------
    >>> import gantrysim as gs
    >>> from gantrysim.instruments import PushReading, PushSheet
    >>> felt = PushReading("left", "off", (215.0, 200.0), "keep_forward_n", 19.5, 0.5, 3.0)
    >>> sheet = PushSheet((felt,), "bench")
    >>> sheet
    PushSheet('bench', 1 readings of 1 pushes)
    >>> sheet.expected(gs.Machine()).values.round(1)  # N
    array([7.5])
    """

    readings: tuple[PushReading, ...]
    source: str
    scale_error: float = 0.02
    permissible_error: float = 0.0
    notes: tuple[str, ...] = ()

    what = "Pushes by hand"
    contents = "push readings"
    reading = PushReading
    columns = ("at", "motor", "x_mm", "y_mm", "what", "value", "uncertainty", "stroke_mm")
    by_hand = ("value",)
    settings: ClassVar[dict[str, tuple[str, ...]]] = {
        "scale_error": ("scale_error",),
        "permissible_error": ("permissible_error_n",),
    }
    absent: ClassVar[dict[str, Any]] = {
        "stroke_mm": lambda row: USUAL_STROKE.get(row["motor"], math.nan)
    }
    remarks = (
        "push by hand: what was read where, with the motor off or holding",
        "value and uncertainty in the unit that the name ends in: n, mm, n_mm",
    )
    instructions = (
        *CAUTIONS,
        "push by hand, motors off: fill in value (N or mm), leave empty what was not read",
        "Carriage at x_mm, y_mm. Push by stroke_mm forward (away from home; the carriage: to the",
        "right), back to where it began, and forward again; read the second forward and the back.",
        "start: largest reading as it begins to move; keep: steady reading while it moves slowly",
        "lag: how far the other side has moved less than the pushed one since the start, by marks",
        "on both rails; after the push back, write it below zero where the other side stays behind",
        "uncertainty: standard uncertainty of one reading; stroke_mm: how far you pushed",
        "The spring scale: relative error of its scale, and greatest error of its zero, N:",
    )

    def __post_init__(self) -> None:
        super().__post_init__()
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
        force: float = FORCE_BY_HAND,
        length: float = LENGTH_BY_HAND,
        stiffness: float = STIFFNESS_BY_HAND,
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
                where = (result.at, result.motor, result.place)
                readings.append(PushReading(*where, what, value, u, result.stroke))
        return cls(tuple(readings), source)

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

    @property
    def misreadings(self) -> tuple[Misreading, ...]:
        """Forces that were not written in N, with or without the stiffness that goes with them."""
        found = []
        for (unit, newtons), kinds in product(OTHER_UNITS.items(), (("N",), ("N", "N/mm"))):
            own = [r.unit in kinds for r in self.readings]
            if any(own):
                words = (
                    f"the forces of {self.source} look written in {unit}, not in N: hang a known "
                    "weight on the spring scale, and write newtons"
                )
                found.append(Misreading(words, OTHER_UNIT, np.where(own, 1.0 / newtons, 1.0)))
        return tuple(found)

    def named(self, k: int) -> str:
        """What was pushed and read."""
        r = self.readings[one_of_many(k, self.readings, "k")]
        return f"{r.at}, motor {r.motor}: {words_of(r.what)} {r.value:.3g} {r.unit}"

    @property
    def axes(self) -> str:
        """Blocks of the mechanism that the pushes feel."""
        return "".join(sorted({"x" if r.at == "carriage" else "y" for r in self.readings}))

    def predict(self, machine: Machine) -> Array:
        """Readings that a machine would give: N, mm, N/mm.

        One simulated push, a few ms, serves all readings of a place.

        Raises
        ------
        ValueError
            If a place lies off the travel, or a push asks more of a holding motor than it has.
        """
        pushed: dict[tuple[object, ...], dict[str, float | None]] = {}
        out = np.empty(len(self.readings))
        for i, r in enumerate(self.readings):
            key = (r.at, r.motor, r.place, r.stroke)
            if key not in pushed:
                pushed[key] = _push(machine, r).to_dict()
            found = pushed[key][r.what]
            out[i] = FIRM if found is None else found
        return out

    @classmethod
    def remarked(cls, readings: Sequence[PushReading]) -> Sequence[str]:
        """Sentences about forces to keep moving that are above those to start."""
        return _contradictions(readings)

    def plot(self, ax: Any = None, *, unit: str | None = None) -> Any:
        """Draw the readings of one unit, the commonest if absent; takes and returns Axes."""
        from gantrysim.plotting.readings import plot_rows

        count = Counter(r.unit for r in self.readings)
        unit = count.most_common(1)[0][0] if unit is None else unit
        one_of(unit, sorted(count), "unit")
        own = [r for r in self.readings if r.unit == unit]
        names = [f"{r.at}, motor {r.motor}, {r.spot}: {words_of(r.what)}" for r in own]
        values, spread = [r.value for r in own], [r.uncertainty for r in own]
        holding = [r.motor == "holding" for r in own]
        return plot_rows(names, values, spread, _AXES[unit], ax, marked=holding)

    def _in_short(self) -> str:
        pushes = len({(r.at, r.motor, r.place, r.stroke) for r in self.readings})
        return f"{self.n_readings} readings of {pushes} pushes"

    def _html_rows(self) -> tuple[Sequence[str], list[Sequence[Any]]]:
        head = ("at", "motor", "carriage at, mm", "what", "reading")
        rows: list[Sequence[Any]] = []
        for r in self.readings:
            value = f"{r.value:.3g} ± {r.uncertainty:.2g} {r.unit}"
            rows.append((r.at, r.motor, r.spot, words_of(r.what), value))
        return head, rows


@checked
@dataclass(frozen=True)
class PushByHand(Instrument):
    """A spring scale, and marks or a rule on both rails.

    Parameters
    ----------
    minutes : float
        One push, forward and back, with all its readings, minutes (common practice, no source).
    resolution, length_resolution : float
        Step of the spring scale, N, and of what reads a lag, mm.
    permissible_error : float
        Greatest error of the scale's zero, N, 0 if it is set before each push.

    Examples
    --------
    >>> import gantrysim as gs
    >>> hand = gs.instruments.PushByHand()
    >>> sheets = hand.asked(gs.Machine(), None)
    >>> hand.words_of(sheets[0])
    'push the left end plate with a spring scale in mid travel, motors off: read force and how far
    the other side lags'
    """

    minutes: float = 4.0
    resolution: float = 0.1
    length_resolution: float = 0.1
    permissible_error: float = 0.0

    name = "push by hand"
    care = "By hand: no job loaded, laser disconnected; re-home afterwards."
    measurement = PushSheet

    def sheets(self, machine: Machine, test: RingTest | None) -> Iterator[PushSheet]:
        """Pushes of both plates and the carriage in mid travel, motors off and motors holding."""
        spread = {
            "N": hand_uncertainty(FORCE_BY_HAND, self.resolution),
            "mm": hand_uncertainty(LENGTH_BY_HAND, self.length_resolution, "length_resolution"),
            "N/mm": STIFFNESS_BY_HAND,
        }
        for motor in MOTORS:
            for at in PLACES:
                where, stroke = (at, motor, machine.middle), USUAL_STROKE[motor]
                readings = tuple(
                    PushReading(*where, what, 1.0, spread[unit_of(what)], stroke)
                    for what in _ASKED[motor]
                    if motor == "holding" or at != "carriage" or not what.startswith("lag")
                )
                source, error = f"{at}, motor {motor}", self.permissible_error
                yield PushSheet(readings, source, permissible_error=error)

    def asked(self, machine: Machine, test: RingTest | None) -> tuple[PushSheet, ...]:
        """Pushes with the motors off."""
        return tuple(s for s in self.sheets(machine, test) if s.readings[0].motor == "off")

    def words_of(self, sheet: Measurement) -> str:
        """Which part to push, and how."""
        assert isinstance(sheet, PushSheet)
        at, motor = sheet.readings[0].at, sheet.readings[0].motor
        part = "carriage" if at == "carriage" else f"{at} end plate"
        rest = "how far the other side lags" if at != "carriage" else "how far it gives"
        return (
            f"push the {part} with a spring scale in mid travel, motors {motor}: read force "
            f"and {rest}"
        )


@checked
def read_push(
    path: AnyPath, *, scale_error: float | None = None, permissible_error: float | None = None
) -> PushSheet:
    """Read measured push tests from a CSV file.

    Parameters
    ----------
    path : path
        The file; its header names `at,motor,x_mm,y_mm,what,value,uncertainty` in any order, as in
        `PushReading`, and `stroke_mm` where the part was not pushed the usual 3 mm (motor off) or
        0.4 mm (holding).  Rows whose value is empty are left out and counted; `PushSheet.notes`
        says also where a reading contradicts another.
    scale_error, permissible_error : float, optional
        As in `PushSheet`, relative, N; what lines such as `# scale_error = 0.02` and
        `# permissible_error_n = 0.0` say if absent.

    Raises
    ------
    FileNotFoundError
        If there is no such file.
    ValueError
        With one sentence naming the file and the line, what was found and what is accepted.

    Examples
    --------
    >>> import gantrysim as gs
    >>> from gantrysim.instruments import PushReading, PushSheet
    >>> felt = PushReading("left", "off", (215.0, 200.0), "keep_forward_n", 19.5, 0.5, 3.0)
    >>> path = PushSheet((felt,), "bench").to_csv("push.csv")  # or filled in by hand
    >>> gs.read_push("push.csv")
    PushSheet('push.csv', 1 readings of 1 pushes)
    """
    return PushSheet.from_file(path, scale_error=scale_error, permissible_error=permissible_error)


@checked
def write_push_sheet(
    path: AnyPath,
    machine: Machine,
    *,
    resolution: float = 0.1,
    length_resolution: float = 0.1,
    permissible_error: float = 0.0,
    overwrite: bool = False,
) -> Path:
    """Write an empty sheet for pushes by hand with the motors off; `read_push` reads it filled in.

    Both sides and the carriage, both ways, from the middle of the travel: force to start, force to
    keep moving, and how far the other side lags.

    Parameters
    ----------
    path, machine, overwrite
        As in `Instrument.write_template`, which says what is refused.
    resolution, length_resolution, permissible_error : float
        As in `PushByHand`: N, mm, N.

    Examples
    --------
    >>> import gantrysim as gs
    >>> path = gs.instruments.write_push_sheet("push.csv", gs.Machine())
    >>> path.read_text().splitlines()[-1]
    'carriage,off,215,200,keep_back_n,,0.301386,3'
    """
    steps = {"resolution": resolution, "length_resolution": length_resolution}
    hand = PushByHand(**steps, permissible_error=permissible_error)
    return hand.write_template(path, machine, overwrite=overwrite)


def _push(machine: Machine, r: PushReading) -> PushResult:
    """The push of a reading; a held motor has no detents, so a third of the steps is enough."""
    limit, steps = (FIRM, 300.0) if r.motor == "off" else (GENTLE, 100.0)
    how = {"limit": limit, "step": r.stroke / steps}
    return push(machine, r.at, r.motor, place=r.place, stroke=r.stroke, **how)


def unit_of(what: str) -> str:
    """Unit of a number by its name: "N", "mm" or "N/mm"."""
    return next(unit for end, unit in UNITS.items() if what.endswith(end))


def words_of(what: str) -> str:
    """A number's name without its unit, as a caption says it."""
    end = next(end for end in UNITS if what.endswith(end))
    return what.removesuffix(end).replace("_", " ")


def _contradictions(readings: Sequence[PushReading]) -> list[str]:
    """Sentences about forces to keep moving that are above those to start, beyond their errors."""
    out = []
    for found in gathered(((r.at, r.motor, r.place), r) for r in readings).values():
        for way in ("forward", "back"):
            starts = [r for r in found if r.what == f"start_{way}_n"]
            for start, keep in product(starts, [r for r in found if r.what == f"keep_{way}_n"]):
                allowed = 3.0 * math.hypot(start.uncertainty, keep.uncertainty)
                if keep.value - start.value > allowed:
                    out.append(
                        f"{start.at} at {start.spot}: {keep.value:g} N to keep moving {way} "
                        f"is above {start.value:g} N to start; read again."
                    )
                    break
    return out


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
