"""Tones of plucked belts: the frequency tells the tension.

Pluck a span with the machine off and the carriage clear of it, and read the lowest tone.  What
friction or a racked beam leaves in a belt at rest adds to one span what it takes from the other:
pluck both, and their mean tells the pretension.  A belt resists bending, so its tone is a little
high, and its mass per length is known to some per cent only; both are the same in all tones of a
sheet (`ToneSheet.nuisances`) and cancel where left and right are compared over equal spans.

Switch the machine off at the mains before reaching for a belt, and follow the maker's manual.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import product
from pathlib import Path
from typing import Annotated, Any, ClassVar

import numpy as np

from gantrysim.instruments.base import CAUTIONS, Instrument, MachineSheet, Measurement
from gantrysim.instruments.readingterm import Misreading
from gantrysim.machine import Machine
from gantrysim.machine.components import span_frequency, span_mass, span_tension
from gantrysim.pattern.ringtest import RingTest
from gantrysim.records.arrays import Array
from gantrysim.records.checks import one_of_many, positive
from gantrysim.records.doors import checked
from gantrysim.records.files import AnyPath

BELTS = ("left", "right", "x")
HIGHEST = 5000.0  # Hz; a belt sounds from tens to some hundreds
#: Bounds that only a slip of the unit leaves: m for mm, kg/m for g/m (our judgement).
SPANS, MASSES = (20.0, 5000.0), (0.5, 200.0)  # mm, g/m
#: What a hand adds to one tone, and how far the tension of a sound belt may differ from its
#: description, which the healthy scatter leaves out: relative (common practice, no source).
BY_HAND, TENSION = 0.015, 0.25
#: How often an ear or a tuner takes the octave of a tone, for one span or for both of a belt, up or
#: down (common practice, no source: the second partial of a plucked belt is often the louder one).
OCTAVE = 0.02
#: A belt of which nothing is said, and the tension below which it gives no tone, N.
USUAL_BELT, USUAL_WIDTH, LEAST_TENSION = "2 mm glass", 6.0, 0.2


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

    Examples
    --------
    >>> import gantrysim as gs
    >>> low = gs.instruments.ToneReading("left", span=270.0, mass=8.4, tone=28.6, uncertainty=0.5)
    >>> round(low.tension, 1)  # N
    2.0
    """

    belt: Annotated[str, BELTS]
    span: float
    mass: float
    tone: float
    uncertainty: float

    def __post_init__(self) -> None:
        numbers = (self.span, self.mass, self.tone, self.uncertainty)
        for value, name in zip(numbers, ToneSheet.columns[1:], strict=True):
            positive(value, name)
        spans = ("span_mm", self.span, SPANS, "mm")
        for name, value, (least, most), unit in (spans, ("mass_g_m", self.mass, MASSES, "g/m")):
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
class ToneSheet(MachineSheet):
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

    Examples
    --------
    >>> import gantrysim as gs
    >>> from gantrysim.instruments import ToneReading, ToneSheet
    >>> low = ToneReading("left", span=270.0, mass=8.4, tone=28.6, uncertainty=0.5)
    >>> sheet = ToneSheet((low,), "by ear")
    >>> sheet
    ToneSheet('by ear', 1 tones of 1 belts)
    >>> sheet.expected(gs.Machine()).values.round(1)  # Hz
    array([90.4])
    """

    readings: tuple[ToneReading, ...]
    source: str
    common_error: float = 0.05
    notes: tuple[str, ...] = ()

    what = "Tones of plucked belts"
    contents = "belt tones"
    reading = ToneReading
    columns = ("belt", "span_mm", "mass_g_m", "tone_hz", "uncertainty_hz")
    by_hand = ("tone_hz",)
    settings: ClassVar[dict[str, tuple[str, ...]]] = {"common_error": ("common_error",)}
    remarks = ("tones of plucked belts: free span, mass per length, lowest tone",)
    instructions = (
        *CAUTIONS,
        "tones of plucked belts: fill in tone_hz, leave empty what was not read",
        "Carriage in mid travel, which gives the spans below: measure them and correct.",
        "Pluck each span in its middle, clear of the carriage, and read the lowest tone.",
        "uncertainty_hz: standard uncertainty of one tone. All tones share (relative):",
    )

    def __post_init__(self) -> None:
        super().__post_init__()
        positive(self.common_error, "common_error")

    @property
    def nuisances(self) -> Array:
        """What all tones share, at one prior standard deviation, Hz, shape (n, 1)."""
        return self.common_error * self.values[:, None]

    @property
    def model_terms(self) -> Array:
        """What the tension of each sound belt may differ from its description, Hz, shape (n, b).

        A tone goes with the root of the tension: half as much of it.
        """
        own = np.array([[r.belt == belt for belt in BELTS] for r in self.readings])
        return 0.5 * TENSION * self.values[:, None] * own

    @property
    def misreadings(self) -> tuple[Misreading, ...]:
        """The octave taken for the tone: of single spans, and of all spans of a belt."""
        found = []
        for belt in BELTS:
            own = [k for k, r in enumerate(self.readings) if r.belt == belt]
            sets = [[k] for k in own] + ([own] if len(own) > 1 else [])
            for spans, (factor, way) in product(sets, ((2.0, "high"), (0.5, "low"))):
                tones = " and ".join(f"{self.readings[k].tone:.4g}" for k in spans)
                words = (
                    f"{tones} Hz of the {belt.replace('x', 'X')} belt look read an octave too "
                    f"{way}: pluck it again, and listen for the lowest tone"
                )
                each = np.ones(self.n_readings)
                each[spans] = factor
                found.append(Misreading(words, OCTAVE, each))
        return tuple(found)

    @property
    def axes(self) -> str:
        """Blocks of the mechanism whose belts were plucked."""
        return "".join(sorted({"x" if r.belt == "x" else "y" for r in self.readings}))

    def predict(self, machine: Machine) -> Array:
        """Tones of limp strings at the pretension of their belts, Hz; 0 of a belt that hangs."""
        for belt in sorted({reading.belt for reading in self.readings}):
            if f"belt_{belt}" in machine.absent:
                raise ValueError(
                    f"{self.source}: belt must be one that the machine has, found {belt!r}."
                )
        tension = {belt: machine.value(f"belt_{belt}").pretension for belt in BELTS}
        tones = [
            span_frequency(tension[r.belt], r.span, r.mass * 1e-3) if tension[r.belt] else 0.0
            for r in self.readings
        ]
        return np.array(tones)

    def expected(self, machine: Machine) -> ToneSheet:
        """The same sheet with the tones of a machine, each belt tight enough to sound."""
        names = [f"belt_{belt}.pretension" for belt in BELTS]
        sounding = {name: max(machine.value(name), LEAST_TENSION) for name in names}
        return super().expected(machine.set_many(sounding))

    def named(self, k: int) -> str:
        """Belt, span and tone."""
        r = self.readings[one_of_many(k, self.readings, "k")]
        return f"{r.belt} belt, {r.span:g} mm at {r.tone:.4g} Hz"

    def _drawn(self) -> tuple[list[str], list[float], list[float]]:
        names = [self.named(k) for k in range(self.n_readings)]
        spread = [2.0 * r.tension * r.uncertainty / r.tone for r in self.readings]
        return names, [r.tension for r in self.readings], spread

    def plot(self, ax: Any = None) -> Any:
        """Draw the tension that each tone tells, N; takes and returns Axes."""
        from gantrysim.plotting.readings import plot_rows

        return plot_rows(*self._drawn(), "tension of a limp string, N", ax)

    def _in_short(self) -> str:
        belts = len({r.belt for r in self.readings})
        return f"{self.n_readings} tones of {belts} belts"

    def _html_rows(self) -> tuple[Sequence[str], list[Sequence[Any]]]:
        head = ("belt", "span, mm", "tone, Hz", "tension, N")
        return head, [
            (r.belt, f"{r.span:g}", f"{r.tone:.4g} ± {r.uncertainty:.2g}", f"{r.tension:.3g}")
            for r in self.readings
        ]


@checked
@dataclass(frozen=True)
class BeltTones(Instrument):
    """A finger that plucks, and something that tells a frequency.

    Parameters
    ----------
    minutes : float
        Pluck both spans of a belt and read them, minutes (common practice, no source).
    mass : float
        Mass per length of the belts, g/m; a belt of 2 mm pitch and 6 mm width if absent.

    Examples
    --------
    >>> import gantrysim as gs
    >>> left, right, x = gs.instruments.BeltTones().sheets(gs.Machine(), None)
    >>> left.expected(gs.Machine()).values.round(1)  # Hz
    array([90.4, 34.4])
    """

    minutes: float = 3.0
    mass: float = 1e3 * span_mass(USUAL_BELT, USUAL_WIDTH)

    name = "belt tones"
    care = "By hand: no job loaded, laser disconnected; re-home afterwards."
    measurement = ToneSheet

    def sheets(self, machine: Machine, test: RingTest | None) -> Iterator[ToneSheet]:
        """Both open spans of each belt there is, carriage in mid travel, a sheet a belt."""
        mass = positive(self.mass, "mass")
        x, y = machine.middle
        for belt, at in (("left", y), ("right", y), ("x", x)):
            if f"belt_{belt}" in machine.absent:
                continue
            parts = getattr(machine, f"belt_{belt}")
            tension = max(parts.pretension, LEAST_TENSION)
            tones = {span: span_frequency(tension, span, mass * 1e-3) for span in parts.spans(at)}
            readings = [ToneReading(belt, s, mass, f, BY_HAND * f) for s, f in tones.items()]
            yield ToneSheet(tuple(readings), f"{belt} belt")

    def words_of(self, sheet: Measurement) -> str:
        """Which belt to pluck."""
        assert isinstance(sheet, ToneSheet)
        belt = sheet.readings[0].belt.replace("x", "X")
        return (
            f"pluck both spans of the {belt} belt, carriage in mid travel, and read their tones "
            "(power off and unplugged, hands clear of belts and pulleys)"
        )


@checked
def read_tones(path: AnyPath, *, common_error: float | None = None) -> ToneSheet:
    """Read tones of plucked belts from a CSV file.

    Parameters
    ----------
    path : path
        The file; its header names `belt,span_mm,mass_g_m,tone_hz,uncertainty_hz` in any order, as
        in `ToneReading` (mm, g/m, Hz).  Rows whose tone is empty are left out and counted.
    common_error : float, optional
        Of all tones, relative; what a line `# common_error = 0.05` says, or 0.05.

    Raises
    ------
    FileNotFoundError
        If there is no such file.
    ValueError
        With one sentence naming the file and the line, what was found and what is accepted.

    Examples
    --------
    >>> import gantrysim as gs
    >>> from gantrysim.instruments import ToneReading, ToneSheet
    >>> low = ToneReading("left", span=270.0, mass=8.4, tone=28.6, uncertainty=0.5)
    >>> path = ToneSheet((low,), "by ear").to_csv("tones.csv")  # or filled in by hand
    >>> gs.read_tones("tones.csv")
    ToneSheet('tones.csv', 1 tones of 1 belts)
    """
    return ToneSheet.from_file(path, common_error=common_error)


@checked
def write_tone_sheet(
    path: AnyPath, machine: Machine, *, mass: float | None = None, overwrite: bool = False
) -> Path:
    """Write an empty sheet for tones of plucked belts; `read_tones` reads it filled in.

    Both open spans, mm, of each belt with the carriage in mid travel.

    Parameters
    ----------
    path, machine, overwrite
        As in `Instrument.write_template`, which says what is refused.
    mass : float, optional
        As in `BeltTones`, g/m.

    Examples
    --------
    >>> import gantrysim as gs
    >>> path = gs.instruments.write_tone_sheet("tones.csv", gs.Machine())
    >>> path.read_text().splitlines()[-1]
    'x,680,8.4,,0.53818'
    """
    tones = BeltTones() if mass is None else BeltTones(mass=mass)
    return tones.write_template(path, machine, overwrite=overwrite)
