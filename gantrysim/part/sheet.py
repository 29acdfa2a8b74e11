"""Sizes of a part measured by hand, from a CSV file, and the empty sheet to fill in.

Outside jaws for tabs, widths and discs, inside jaws for slots and holes, at the middle of the
sides and along the axes of the machine that cut it.  Zero and scale of the caliper are the same in
all readings; the width of the cut is not the caliper's business, for every size holds it as it is.
"""

from __future__ import annotations

import math
from abc import abstractmethod
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, ClassVar

import numpy as np

from gantrysim.instruments.base import ReadingSheet, hand_uncertainty, write_sheets
from gantrysim.instruments.calipers import MODEL, RANGE, check_caliper
from gantrysim.instruments.points import Piece
from gantrysim.machine import Machine
from gantrysim.part.drawing import Drawing
from gantrysim.part.feature import Feature
from gantrysim.part.kerf import Kerf, kerf_of
from gantrysim.part.prediction import predict_part
from gantrysim.pattern.ringtest import RingTest
from gantrysim.records.arrays import Array
from gantrysim.records.checks import positive
from gantrysim.records.doors import checked
from gantrysim.records.files import AnyPath, placed

#: Sizes in a sheet are rounded to this, mm: what differs more is another drawing.
ROUNDED = 0.006
#: No machine makes a feature further off than this and this part of its size, mm: it is a slip.
FAR, FAR_PART = 1.5, 0.05
#: How near a slip's factor must explain a reading, as a part of the size and mm.
NEAR_PART, NEAR = 0.02, 0.3
#: What a reading may be instead of a size in mm, and what it is then multiplied by.
SLIPS = (("inches", 25.4), ("cm", 10.0), ("a radius", 2.0), ("twice the size", 0.5))


@checked
@dataclass(frozen=True)
class PartReading:
    """One measured size.

    Parameters
    ----------
    name : str
        Of the feature, or the id of its shape where that has no other (`Drawing`).
    drawn : float
        As drawn, mm: by it a sheet of another part is noticed; NaN where nobody says.
    value : float
        As measured, mm.

    Raises
    ------
    ValueError
        If the value is not a finite number above zero.
    """

    name: str
    drawn: float
    value: float

    def __post_init__(self) -> None:
        positive(self.value, "value_mm")


@checked
class PartSizes(ReadingSheet):
    """Measured sizes of a part, whatever they were measured with.

    A frozen dataclass whose readings name a feature, its drawn size and the measured one.

    Attributes
    ----------
    drawing : Drawing
        What was commanded.
    kerf : Kerf
        What is believed of the cut where the sizes enter a diagnosis.
    cut : Kerf or None
        The width that all sizes hold for certain, where they are of lines on a plate.

    Examples
    --------
    >>> import gantrysim as gs
    >>> issubclass(gs.part.PartSheet, gs.part.PartSizes)
    True
    """

    drawing: Drawing
    kerf: Kerf

    what = "Sizes of a part"
    contents = "sizes of a part"

    #: What sentences call that with which they were measured.
    tool: ClassVar[str] = "instrument"

    def __post_init__(self) -> None:
        super().__post_init__()
        object.__setattr__(self, "readings", tuple(map(self._named, self.readings)))
        for reading in self.readings:
            self._check(reading)

    def _named(self, reading: Any) -> Any:
        """A reading under the name of its feature, drawn as the drawing says where it does not."""
        with placed(self.source):
            feature = self.drawing[reading.name]
        drawn = feature.drawn if math.isnan(reading.drawn) else reading.drawn
        return replace(reading, name=feature.name, drawn=drawn)

    def _check(self, reading: Any) -> None:
        feature = self.drawing[reading.name]
        if abs(reading.drawn - feature.drawn) > ROUNDED:
            raise ValueError(
                f"{self.source}: the sheet must be of {self.drawing.source}, found {reading.name} "
                f"drawn {reading.drawn:.2f} {feature.unit} in it, {feature.drawn:.2f} there; is it "
                "a sheet of another part?"
            )

    @property
    def features(self) -> tuple[Feature, ...]:
        """The feature of each reading."""
        return tuple(self.drawing[reading.name] for reading in self.readings)

    @property
    @abstractmethod
    def instrument(self) -> Array:
        """What the instrument adds to all readings, at one standard deviation each, shape (n, k).

        In mm or degrees, as the readings.
        """

    @property
    def cut(self) -> Kerf | None:
        """The width that all sizes hold for certain: none, for they are of a cut part."""
        return None

    @property
    def nuisances(self) -> Array:
        """What all readings share, the doubt about the cut included, shape (n, k + 1)."""
        doubt = self.kerf.uncertainty if self.cut is None else 0.0
        cut = doubt * np.array([feature.kerf for feature in self.features])
        return np.column_stack([self.instrument, cut])

    @property
    def model_error(self) -> Array:
        """How far each predicted reading may be off, mm or degrees, shape (n,)."""
        # they are predicted without masses that swing
        return np.array([feature.in_unit(MODEL) for feature in self.features])

    def predict(self, machine: Machine) -> Array:
        """Readings of a perfect instrument on the part that a machine cuts, mm or degrees."""
        width = self.kerf if self.cut is None else self.cut
        found = predict_part(machine, self.drawing, kerf=width, motion="feed")
        columns = [found.column(reading.name) for reading in self.readings]
        drawn = np.array([feature.drawn for feature in self.features])
        return drawn + found.errors[0, columns] + found.added[columns] * width.width

    def plot(self, ax: Any = None) -> Any:
        """Draw how far each size is off as drawn, with its uncertainty; takes and returns Axes."""
        from gantrysim.plotting.readings import plot_rows

        names = [reading.name for reading in self.readings]
        off = [reading.value - reading.drawn for reading in self.readings]
        said = "measured less drawn, mm (angles in degrees)"
        return plot_rows(names, off, self.uncertainty.tolist(), said, ax)


@checked
@dataclass(frozen=True, eq=False, repr=False)
class PartSheet(PartSizes):
    """Sizes of a part measured with calipers.

    Parameters
    ----------
    drawing : Drawing
        What was commanded.
    readings : tuple of PartReading
        At least one; a size measured again stands in it again.
    source : str
        Where they came from.
    resolution : float
        Step of the display, mm.
    repeatability : float
        Standard deviation of repeated readings of one size by one hand, mm.
    permissible_error : float
        Maximum permissible error of the caliper as its maker states it, mm (ISO 13385-1).
    kerf : Kerf
        What is believed of the cut where the sheet enters a diagnosis.
    notes : tuple of str
        What is to be remarked, as of rows left empty.
    test : None
        A part is no ring test.

    Raises
    ------
    ValueError
        If a feature does not exist, is drawn otherwise (a sheet of another part), or a reading
        looks like inches, centimetres or a radius.

    Examples
    --------
    >>> import gantrysim as gs
    >>> from gantrysim.part import PartReading, PartSheet, read_drawing
    >>> path = gs.ring_test(("square",), spacing=20.0, largest=20.0).to_svg("p.svg")
    >>> drawing = read_drawing("p.svg")
    >>> PartSheet(drawing, (PartReading("W1", 40.0, 39.82),), "bench")
    PartSheet('bench', 1 readings)
    """

    drawing: Drawing
    readings: tuple[PartReading, ...]
    source: str
    resolution: float = 0.01
    repeatability: float = 0.02
    permissible_error: float = 0.03
    kerf: Kerf = field(default_factory=lambda: kerf_of(None))
    notes: tuple[str, ...] = ()
    test: RingTest | None = None

    reading = PartReading
    columns = ("name", "drawn_mm", "value_mm")
    by_hand = ("value_mm",)
    absent: ClassVar[dict[str, Any]] = {"drawn_mm": lambda row: math.nan}
    tool = "calipers"
    settings: ClassVar[dict[str, tuple[str, ...]]] = {
        "resolution": ("resolution_mm",),
        "permissible_error": ("permissible_error_mm",),
        "repeatability": ("repeatability_mm",),
    }
    remarks = ("measured sizes of a part, mm",)
    instructions = (
        "measured sizes of a part, mm: fill in value_mm, leave empty what was not measured",
        "Measure cold, at the middle of the sides: tabs, widths and discs with the outside jaws,",
        "slots and holes with the inside jaws (diameters, never radii). x runs along the beam of",
        "the machine, y along its rails, as the part lay when it was cut.",
        "A mean diameter is the mean of eight readings, every 22.5 degrees round from x; leave it",
        "empty if you take fewer: the mean of x and y is another number, for lost motion makes",
        "circles widest and narrowest between them.",
        "What your caliper is (permissible error: as its maker states it) and how your hand is:",
    )

    def __post_init__(self) -> None:
        super().__post_init__()
        check_caliper(self.resolution, self.permissible_error, f"{self.source}: ")
        positive(self.repeatability, "repeatability")

    def _check(self, reading: PartReading) -> None:
        super()._check(reading)
        feature = self.drawing[reading.name]
        if feature.unit != "mm":
            raise ValueError(f"{self.source}: {reading.name} must be a length, found an angle.")
        off = abs(reading.value - feature.drawn)
        if off > FAR + FAR_PART * feature.drawn or off > 0.4 * feature.drawn:
            slip = next((f" looks like {w}" for w, k in SLIPS if _near(reading, k)), "")
            raise ValueError(
                f"{self.source}: value_mm of {reading.name} must be near the "
                f"{feature.drawn:.2f} mm drawn, found {reading.value:g}"
                f"{f', which{slip}: state the size in mm' if slip else ''}."
            )

    @property
    def uncertainty(self) -> Array:
        """Standard uncertainty of each reading alone, mm, shape (n,)."""
        alone = hand_uncertainty(self.repeatability, self.resolution)
        return np.full(len(self.readings), alone)

    @property
    def instrument(self) -> Array:
        """What the caliper adds to all readings, at one standard deviation, mm, shape (n, 2).

        Zero and scale, as in `gantrysim.instruments.CaliperSheet.nuisances`.
        """
        bound = self.permissible_error / math.sqrt(3.0)
        drawn = np.array([reading.drawn for reading in self.readings])
        return np.column_stack([np.full(len(drawn), bound), bound / RANGE * drawn])

    def template_rows(self) -> list[dict[str, Any]]:
        """As in every template, with what the feature is, by which a hand finds it."""
        return [
            {"name": row["name"], "what": f"{f.outline} {f.kind}".strip().replace(",", ""),
             "drawn_mm": f"{f.drawn:.3f}", "value_mm": ""}
            for row, f in zip(super().template_rows(), self.features, strict=True)
        ]  # fmt: skip


@checked
def write_part_sheet(
    path: AnyPath,
    drawing: Drawing,
    *,
    features: Sequence[str] | None = None,
    resolution: float = 0.01,
    permissible_error: float = 0.03,
    overwrite: bool = False,
) -> Path:
    """Write an empty sheet for the sizes of a part; `read_part_sheet` reads it filled in.

    Parameters
    ----------
    path : path
        The CSV file to write.
    drawing : Drawing
        The drawing.
    features : sequence of str, optional
        Which features to measure; all lengths if absent.
    resolution, permissible_error : float
        Of the caliper, mm.
    overwrite : bool
        Whether a file that exists may be replaced; else FileExistsError.

    Examples
    --------
    >>> import gantrysim as gs
    >>> from gantrysim.part import read_drawing, write_part_sheet
    >>> path = gs.ring_test(("square",), spacing=20.0, largest=20.0).to_svg("p2.svg")
    >>> sheet = write_part_sheet("sizes.csv", read_drawing("p2.svg"))
    >>> sheet.read_text().splitlines()[-1]
    'L1,square-0 height,40.000,'
    """
    names = features if features is not None else [
        f.name for f in drawing.features if f.unit == "mm"
    ]  # fmt: skip
    found = tuple(PartReading(n, math.nan, drawing[n].drawn) for n in names)
    sheet = PartSheet(drawing, found, "sheet", resolution, permissible_error=permissible_error)
    return write_sheets(path, [sheet], overwrite=overwrite)


@checked
def read_part_sheet(
    path: AnyPath,
    drawing: Drawing,
    *,
    resolution: float | None = None,
    repeatability: float | None = None,
    permissible_error: float | None = None,
    kerf: Kerf | Piece | float | Sequence[float] | None = None,
) -> PartSheet:
    """Read measured sizes of a part from a CSV file.

    Parameters
    ----------
    path : path
        Its header names `name,value_mm` (mm), and `drawn_mm` if it is to be checked; rows without
        a value are left out.
    drawing : Drawing
        What was commanded.
    resolution, repeatability, permissible_error : float, optional
        As in `PartSheet`, mm; what lines such as `# resolution_mm = 0.01` say if absent.
    kerf : optional
        Width of the cut, as for `predict_part`, for a diagnosis from the part.

    Raises
    ------
    FileNotFoundError
        If there is no such file.
    ValueError
        With one sentence naming the file: a feature that does not exist, a sheet of another part,
        inches, or a radius for a diameter.
    """
    caliper = {"resolution": resolution, "permissible_error": permissible_error}
    hand = {"repeatability": repeatability, "kerf": kerf_of(kerf), "drawing": drawing}
    return PartSheet.from_file(path, None, **caliper, **hand)


def _near(reading: PartReading, factor: float) -> bool:
    """Whether a slip by a factor explains a reading."""
    return abs(reading.value * factor - reading.drawn) <= NEAR + NEAR_PART * reading.drawn
