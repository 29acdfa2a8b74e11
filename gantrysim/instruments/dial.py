"""Dial indicator: lost motion on reversal, and how far the far side lags, read at a named place.

The stem stands along the rail against an end plate, or along the beam against the carriage.

Lost motion: jog forward past a place by the stroke, back to the place from above, and read; the
same place reached from below reads less by what friction, play and slack leave between motor and
plate.  It is the reversal error of ISO 230-2 at one place, by hand.

Lag: motors off, push the other end plate by the stroke and back; half the difference of what this
side stays behind both ways is what friction and play cost it.

Jogging needs power: laser disconnected, hands clear of belts, pulleys and wheels.  For the push
switch off at the mains and unplug.  Follow the maker's manual.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, ClassVar

import numpy as np

from gantrysim.instruments.base import CAUTIONS, Instrument, MachineSheet, Measurement
from gantrysim.instruments.push import FIRM
from gantrysim.machine import Machine
from gantrysim.mechanics.assembly import x_block, y_block
from gantrysim.mechanics.handpush import PLACES, push
from gantrysim.mechanics.planner import slow
from gantrysim.mechanics.quasistatic import march
from gantrysim.pattern.ringtest import RingTest
from gantrysim.records.arrays import Array
from gantrysim.records.checks import finite_number, one_of, point, positive
from gantrysim.records.doors import Place, checked
from gantrysim.records.files import AnyPath

#: What is read, and the way to jog or push for it if the sheet says nothing else, mm.
STROKES = {"lost_motion": 5.0, "lag": 3.0}
MOST = 10.0  # mm: range of the usual indicator
#: What a hand and the stand add to one reading, mm (judgement).
BY_HAND = 0.01
_STEP = 0.05  # mm between the commands of a jog
_OTHER = {"left": "right", "right": "left"}
_COORDINATE = {"left": "y_left", "right": "y_right", "carriage": "s"}


@checked
@dataclass(frozen=True)
class DialReading:
    """One number read off a dial indicator.

    Parameters
    ----------
    at : str
        What the tip touches: "left", "right" (end plate, along its rail) or "carriage" (along the
        beam).
    what : str
        "lost_motion", or "lag" of an end plate while the other is pushed.
    place : (float, float)
        Where the carriage stands, mm.
    stroke : float
        How far it is jogged past the place, or pushed, mm.
    value : float
        The reading, mm; above zero where the part stays behind.

    Raises
    ------
    ValueError
        If a field is not accepted, in one sentence.

    Examples
    --------
    >>> import gantrysim as gs
    >>> gs.instruments.DialReading("left", "lost_motion", (215.0, 200.0), 5.0, 0.15)
    DialReading(at='left', what='lost_motion', place=(215.0, 200.0), stroke=5.0, value=0.15)
    """

    at: Annotated[str, PLACES]
    what: str
    place: Place
    stroke: float
    value: float

    def __post_init__(self) -> None:
        one_of(self.what, tuple(STROKES) if self.at in _OTHER else ("lost_motion",), "what")
        object.__setattr__(self, "place", point(self.place, "place"))
        positive(self.stroke, "stroke_mm")
        if abs(finite_number(self.value, "value_mm")) > MOST:
            raise ValueError(
                f"value_mm must be -{MOST:g} to {MOST:g} mm, the range of a dial indicator, "
                f"found {self.value:g}."
            )


@checked
@dataclass(frozen=True, eq=False, repr=False)
class DialSheet(MachineSheet):
    """Readings of a dial indicator on one machine.

    Parameters
    ----------
    readings : tuple of DialReading
        At least one.
    source : str
        Where they came from, for captions and reports.
    resolution : float
        Step of the dial, mm.
    permissible_error : float
        Greatest error of the indicator over a turn of its pointer, mm; every reading is the
        difference of two places of the pointer.  0.015 is common practice, no source.
    scale_error : float
        Standard deviation of what all readings share, relative.  A stem 5 degrees off the motion
        reads 0.4 per cent short (cosine); 0.5 per cent is judgement.
    notes : tuple of str
        What is to be remarked, as of rows left empty.

    Raises
    ------
    ValueError
        If there is no reading, or an error is not above zero.

    Examples
    --------
    >>> import gantrysim as gs
    >>> from gantrysim.instruments import DialReading, DialSheet
    >>> sheet = DialSheet((DialReading("left", "lost_motion", (215.0, 200.0), 5.0, 0.40),), "bench")
    >>> sheet
    DialSheet('bench', 1 readings)
    >>> sheet.expected(gs.Machine()).values.round(2)  # mm
    array([0.15])
    """

    readings: tuple[DialReading, ...]
    source: str
    resolution: float = 0.01
    permissible_error: float = 0.015
    scale_error: float = 0.005
    notes: tuple[str, ...] = ()

    what = "Dial indicator"
    contents = "dial indicator readings"
    reading = DialReading
    columns = ("at", "what", "x_mm", "y_mm", "stroke_mm", "value_mm")
    by_hand = ("value_mm",)
    settings: ClassVar[dict[str, tuple[str, ...]]] = {
        "resolution": ("resolution_mm",),
        "permissible_error": ("permissible_error_mm",),
        "scale_error": ("scale_error",),
    }
    remarks = (
        "dial indicator: lost motion on reversal and lag of the far side, mm, carriage at x, y",
    )
    instructions = (
        *CAUTIONS,
        "dial indicator, stem along the rail (carriage: along the beam): fill in value_mm, leave",
        "empty what was not read. For lost_motion the motors need power: laser disconnected, hands",
        "clear. Jog from stroke_mm below the place to it and set the dial to zero; jog on by",
        "stroke_mm and back to the place: the reading is how much further it now stands.",
        "lag (unplugged): push the other end plate forward by stroke_mm and read how far this side",
        "stays behind; push it back to where it began and read again: half the difference.",
        "What the indicator is (step, greatest error over a turn, common relative error):",
    )

    def __post_init__(self) -> None:
        super().__post_init__()
        for name in self.settings:
            positive(getattr(self, name), name)

    @property
    def uncertainty(self) -> Array:
        """Standard uncertainty of each reading alone, mm, shape (n,).

        Hand and stand; the step of the dial and its error at both ends of the reading, each a
        rectangular distribution (GUM 4.3.7, F.2.2.1).
        """
        ends = math.hypot(self.resolution / math.sqrt(12.0), self.permissible_error / math.sqrt(3))
        return np.full(len(self.readings), math.hypot(BY_HAND, math.sqrt(2.0) * ends))

    @property
    def nuisances(self) -> Array:
        """What all readings share, at one prior standard deviation, mm, shape (n, 1)."""
        return self.scale_error * self.values[:, None]

    @property
    def axes(self) -> str:
        """Blocks of the mechanism that the readings feel."""
        return "".join(sorted({"x" if r.at == "carriage" else "y" for r in self.readings}))

    def predict(self, machine: Machine) -> Array:
        """Readings that a machine would give, mm.

        Raises
        ------
        ValueError
            If a place lies off the travel, or less than a stroke from its ends.
        """
        return np.array([_predicted(machine, r) for r in self.readings])


def _predicted(machine: Machine, r: DialReading) -> float | None:
    """What one reading would be, mm."""
    if r.what == "lost_motion":
        return lost_motion(machine, r.at, r.place, r.stroke)
    pushed = push(machine, _OTHER[r.at], "off", place=r.place, stroke=r.stroke, limit=FIRM)
    return pushed.lag_mean


def lost_motion(machine: Machine, at: str, place: tuple[float, float], stroke: float) -> float:
    """How much further a part stands at a place reached from above than from below, mm.

    The slow limit: from rest one stroke below the place to it, on by a stroke, and back.

    ``machine``: the machine, its motors holding.  ``at``: "left", "right" or "carriage".
    ``place``: commanded place of the carriage, mm.  ``stroke``: how far it is passed, mm.
    ValueError if the place lies less than a stroke from the ends of the travel.
    """
    axis = 0 if at == "carriage" else 1
    middle, room = place[axis], (machine.span, machine.travel_y)[axis]
    if not stroke <= middle <= room - stroke:
        raise ValueError(
            f"place {'xy'[axis]} must lie from {stroke:g} to {room - stroke:g} mm for a stroke of "
            f"{stroke:g} mm, found {middle:g} mm."
        )
    n = max(2, math.ceil(stroke / _STEP))
    up = np.linspace(-stroke, stroke, 2 * n + 1)
    xy = np.tile(np.asarray(place, dtype=float), (3 * n + 1, 1))
    xy[:, axis] += np.concatenate([up, up[: n - 1 : -1][1:]])
    block = x_block(machine) if axis == 0 else y_block(machine)
    q, _ = march(block, slow(xy), axis)
    part = q[:, block.names.index(_COORDINATE[at])]
    return float(part[-1] - part[n])


@checked
@dataclass(frozen=True)
class DialIndicator(Instrument):
    """A dial indicator on a stand.

    Parameters
    ----------
    minutes : float
        Set the stand up at one place, jog, push and read, minutes (common practice, no source).
    resolution, permissible_error : float
        Step of the dial, and its greatest error over a turn, mm.

    Examples
    --------
    >>> import gantrysim as gs
    >>> dial = gs.instruments.DialIndicator(resolution=0.01)
    >>> left, *_ = dial.sheets(gs.Machine(), None)
    >>> left.expected(gs.Machine()).values.round(2)  # lost motion and lag, mm
    array([0.15, 0.1 ])
    """

    minutes: float = 6.0
    resolution: float = DialSheet.resolution
    permissible_error: float = DialSheet.permissible_error

    name = "dial indicator"
    care = (
        "Jog with the laser disconnected and hands clear of belts, pulleys and wheels; unplug "
        "before you push; re-home afterwards."
    )
    measurement = DialSheet

    def sheets(self, machine: Machine, test: RingTest | None) -> Iterator[DialSheet]:
        """Lost motion at both end plates and the carriage, lag of both plates, in mid travel."""
        for at in PLACES:
            readings = tuple(
                DialReading(at, what, machine.middle, stroke, 0.0)
                for what, stroke in STROKES.items()
                if at in _OTHER or what == "lost_motion"
            )
            yield DialSheet(readings, f"dial at the {at}", self.resolution, self.permissible_error)

    def words_of(self, sheet: Measurement) -> str:
        """Where to set the indicator, and what to read."""
        assert isinstance(sheet, DialSheet)
        at = sheet.readings[0].at
        part = "carriage, along the beam" if at == "carriage" else f"{at} end plate, along its rail"
        rest = f", and its lag while the {_OTHER[at]} one is pushed" if at in _OTHER else ""
        return (
            f"set a dial indicator against the {part}, in mid travel: read the lost motion when "
            f"the jog turns back{rest}"
        )


@checked
def read_dial(
    path: AnyPath,
    *,
    resolution: float | None = None,
    permissible_error: float | None = None,
    scale_error: float | None = None,
) -> DialSheet:
    """Read dial indicator readings from a CSV file.

    Parameters
    ----------
    path : path
        The file; its header names `at,what,x_mm,y_mm,stroke_mm,value_mm` in any order, as in
        `DialReading`.  Rows whose value is empty are left out and counted.
    resolution, permissible_error, scale_error : float, optional
        As in `DialSheet`, mm, mm, relative; what lines such as `# resolution_mm = 0.01` say if
        absent.

    Raises
    ------
    FileNotFoundError
        If there is no such file.
    ValueError
        With one sentence naming the file and the line, what was found and what is accepted.

    Examples
    --------
    >>> import gantrysim as gs
    >>> from gantrysim.instruments import DialReading, DialSheet
    >>> lost = DialReading("left", "lost_motion", (215.0, 200.0), 5.0, 0.40)
    >>> path = DialSheet((lost,), "bench").to_csv("dial.csv")  # or filled in by hand
    >>> gs.instruments.read_dial("dial.csv")
    DialSheet('dial.csv', 1 readings)
    """
    return DialSheet.from_file(
        path, resolution=resolution, permissible_error=permissible_error, scale_error=scale_error
    )


@checked
def write_dial_sheet(
    path: AnyPath,
    machine: Machine,
    *,
    resolution: float = DialSheet.resolution,
    permissible_error: float = DialSheet.permissible_error,
    overwrite: bool = False,
) -> Path:
    """Write an empty sheet for a dial indicator; `read_dial` reads it filled in.

    Parameters
    ----------
    path, machine, overwrite
        As in `Instrument.write_template`, which says what is refused.
    resolution, permissible_error : float
        As in `DialIndicator`, mm.

    Examples
    --------
    >>> import gantrysim as gs
    >>> path = gs.instruments.write_dial_sheet("dial.csv", gs.Machine())
    >>> path.read_text().splitlines()[-1]
    'carriage,lost_motion,215,200,5,'
    """
    dial = DialIndicator(resolution=resolution, permissible_error=permissible_error)
    return dial.write_template(path, machine, overwrite=overwrite)
