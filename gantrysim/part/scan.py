"""Sizes of a flat part read from a flatbed scan, all outlines at once, as a sheet to judge by.

Two kinds of picture are read: cut pieces, dark or light against what lies behind them, by their
edges; and an uncut plate, by the lines burned on it.  Every feature of the drawing is then measured
on the outlines as they were read, angles, radii and centre distances too, just as it is predicted
on the paths of a machine.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Annotated, ClassVar

import numpy as np

from gantrysim.instruments.picture import open_picture
from gantrysim.instruments.points import Piece
from gantrysim.part.drawing import Drawing
from gantrysim.part.kerf import Kerf, kerf_of
from gantrysim.part.scanread import SHOWN, sizes_on
from gantrysim.part.sheet import PartSizes
from gantrysim.records.arrays import Array
from gantrysim.records.checks import finite_number, positive
from gantrysim.records.doors import checked
from gantrysim.records.files import AnyPath
from gantrysim.records.progress import telling


@checked
@dataclass(frozen=True)
class ScannedSize:
    """One size read from a scan.

    Parameters
    ----------
    name : str
        Of the feature.
    drawn : float
        As drawn, mm or degrees.
    value : float
        As read.
    uncertainty : float
        Its standard uncertainty alone.
    scale, stretch, skew, edge : float
        What one standard deviation of the scanner's common scale, of its scale difference, of its
        skew, and of where edges seem to lie adds to it.

    Raises
    ------
    ValueError
        If the value is not a finite number above zero, or the uncertainty is not above zero.
    """

    name: str
    drawn: float
    value: float
    uncertainty: float
    scale: float
    stretch: float
    skew: float
    edge: float

    def __post_init__(self) -> None:
        positive(self.value, "value")
        positive(self.uncertainty, "uncertainty")


@checked
@dataclass(frozen=True, eq=False, repr=False)
class ScannedPart(PartSizes):
    """Sizes of a part read from a flatbed scan; `read_part_scan` reads one.

    Parameters
    ----------
    drawing : Drawing
        What was commanded.
    readings : tuple of ScannedSize
        At least one.
    source : str
        The scan.
    line_width, width_doubt : float
        Of the lines on an uncut plate, and its standard uncertainty as the width of a cut, mm; 0
        where cut pieces were scanned.
    kerf : Kerf
        What is believed of the cut where the sizes enter a diagnosis.
    notes : tuple of str
        What is to be remarked, as of features that were not read.
    test : None
        A part is no ring test.

    Raises
    ------
    ValueError
        If a feature does not exist or is drawn otherwise (a sheet of another part).
    """

    drawing: Drawing
    readings: tuple[ScannedSize, ...]
    source: str
    line_width: float = 0.0
    width_doubt: float = 0.0
    kerf: Kerf = field(default_factory=lambda: kerf_of(None))
    notes: tuple[str, ...] = ()
    test: None = None

    reading = ScannedSize
    columns = ("name", "drawn", "value", "uncertainty", "scale", "stretch", "skew", "edge")
    by_hand = ("value",)
    tool = "scanner"
    settings: ClassVar[dict[str, tuple[str, ...]]] = {
        "line_width": ("line_width_mm",),
        "width_doubt": ("width_doubt_mm",),
    }
    remarks = (
        "sizes of a part read from a scan, mm, angles in degrees; scale, stretch, skew, edge: what",
        "one standard deviation of the scanner's errors and of the place of edges adds to each",
    )

    @property
    def instrument(self) -> Array:
        """What scanner and edges add to all sizes, at one standard deviation, shape (n, 4)."""
        return np.array([(r.scale, r.stretch, r.skew, r.edge) for r in self.readings])

    @property
    def cut(self) -> Kerf | None:
        """The width that all sizes hold: that of the lines of an uncut plate."""
        if not self.line_width:
            return None
        return Kerf(self.line_width, self.width_doubt, f"as the lines of {self.source}")

    def __getitem__(self, name: str) -> ScannedSize:
        """The reading of a feature; ValueError if it was not read."""
        known = self.drawing[name].name
        found = next((each for each in self.readings if each.name == known), None)
        if found is None:
            names = ", ".join(each.name for each in self.readings[:12])
            raise ValueError(f"{self.source}: name must be one of {names}, found {name!r}.")
        return found


@checked
def read_part_scan(
    path: AnyPath,
    drawing: Drawing,
    shown: Annotated[str, SHOWN],
    *,
    dpi: float | tuple[float, float] | None = None,
    features: Sequence[str] | None = None,
    upright: bool = False,
    length: Annotated[tuple[str, float, float], "a feature, its size in mm and its uncertainty"]
    | None = None,
    kerf: Kerf | Piece | float | Sequence[float] | None = None,
    progress: Callable[[str], None] | None = None,
) -> ScannedPart:
    """Read the sizes of a part from a flatbed scan of it.

    Lay it with the face that was burned on the glass, at any turn.

    Parameters
    ----------
    path : path
        PNG, JPEG or TIFF, grey or colour.
    drawing : Drawing
        What was commanded.
    shown : str
        "pieces": the cut piece, or all pieces of the drawing beside each other in any way, dark on
        a light ground or light on a dark one; read by their edges.  "lines": a plate that was not
        cut through, with the lines burned on it; read by their middles.
    dpi : float or (float, float), optional
        Resolution along x and y; what the file states if absent.
    features : sequence of str, optional
        Which features to read; all if absent.
    upright : bool
        True says that what looks the same after some turn lies within 45 degrees of how it is
        drawn.
    length : (str, float, float), optional
        A feature measured otherwise, its size and standard uncertainty, mm (of a plate from middle
        to middle of its lines).  It settles the scale of the scanner.
    kerf : optional
        Width of the cut, as for `predict_part`, for a diagnosis from the part.
    progress : callable, optional
        Called with a line of text before each step; if absent, a terminal or a notebook shows it.

    Returns
    -------
    ScannedPart
        For `judge_part` and `accept`, mm and degrees; `notes` name what could not be read.

    Raises
    ------
    FileNotFoundError
        If there is no such file.
    ValueError
        With one sentence naming the file: an outline is not in the picture, the part lies on its
        face, looks the same at another turn or like another one, or the resolution is wrong.

    Notes
    -----
    Sizes of pieces hold the cut as it is, outward in holes and inward on outsides.  Those of a
    plate are between the middles of its lines with the width of the line added as it would be if it
    were cut.  That width tells the cut only as well as a burned line does.

    Examples
    --------
    >>> import gantrysim as gs
    >>> from gantrysim.part import drawing_of, read_part_scan
    >>> test = gs.ring_test(("square",), spacing=10.0, largest=10.0, centre=(60.0, 60.0))
    >>> path = gs.simulate(gs.Machine(), test).image(dpi=200).save("sq.png")  # for a scanner
    >>> code = test.to_motion_code("sq.nc", power=0.5, s_max=255.0)
    >>> drawing = drawing_of(gs.read_motion_code(code))
    >>> sheet = read_part_scan("sq.png", drawing, "lines", upright=True)
    >>> round(sheet["W1"].value, 1), sheet.cut
    (19.8, Kerf(0.1... ± 0.08... mm))
    """
    names = _asked(drawing, features)
    with telling("read part", progress) as say:
        say(f"reading {path}")
        picture = open_picture(path, dpi)
        found = sizes_on(picture, drawing, names, shown, say, upright=upright)
    readings = tuple(
        ScannedSize(
            size.feature.name, size.feature.drawn, size.value, size.uncertainty, *size.shared
        )
        for size in found.sizes
    )
    told = (found.width, found.width_doubt, kerf_of(kerf), found.notes)
    sheet = ScannedPart(drawing, readings, picture.source, *told)
    return sheet if length is None else _settled(sheet, length)


def _asked(drawing: Drawing, features: Sequence[str] | None) -> tuple[str, ...]:
    """Names of the features to read."""
    names = drawing.names
    if features is not None:
        names = tuple(dict.fromkeys(drawing[name].name for name in features))
    if not names:
        raise ValueError("features must name at least one feature, found none.")
    return names


def _settled(sheet: ScannedPart, length: tuple[str, float, float]) -> ScannedPart:
    """The sheet after one of its sizes was measured otherwise."""
    name, value, doubt = length
    known = sheet[name]
    positive(value, "length")
    positive(finite_number(doubt, "the uncertainty of length"), "the uncertainty of length")
    rows = sheet.instrument
    row = rows[[reading.name for reading in sheet.readings].index(known.name)]
    wide = sheet.line_width * sheet.drawing[name].kerf
    off = known.value - wide - value
    variance = float(row @ row) + known.uncertainty**2 + doubt**2
    if abs(off) > 4.0 * math.sqrt(variance):
        raise ValueError(
            f"{sheet.source}: the length of {name} must agree with the scan within "
            f"{4.0 * math.sqrt(variance):.2f} mm, found {value:g} against {known.value - wide:.2f}."
        )
    gain = row / variance
    left = np.linalg.cholesky(np.eye(4) - np.outer(gain, row) + 1e-12 * np.eye(4))
    values = sheet.values - rows @ gain * off
    readings = tuple(
        dataclasses.replace(r, value=v, scale=a, stretch=b, skew=c, edge=d)
        for r, v, (a, b, c, d) in zip(
            sheet.readings, values.tolist(), (rows @ left).tolist(), strict=True
        )
    )
    return dataclasses.replace(sheet, readings=readings)
