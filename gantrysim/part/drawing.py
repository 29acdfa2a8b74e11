"""The features of a drawing: what a path cuts, named so that a hand can measure it.

A drawing is any path: a customer's motion code or SVG, or moves made by code.  Features are found
(`gantrysim.part.recognition`) and may be renamed, added or left out by a file:

    [rename]
    S1 = "slot A"

    [[add]]
    name = "wall"
    from_mm = [12.0, 20.0]
    to_mm = [18.0, 20.0]

    [[add]]
    name = "pitch"
    between = ["H1", "H3"]

    leave_out = ["R1"]

`from_mm` and `to_mm` lie on (or beside) the two sides between which is measured: where these are
parallel it is their distance, else the angle between them.
"""

from __future__ import annotations

import dataclasses
import math
import os
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import numpy as np

from gantrysim.formats import read_motion_code, read_svg
from gantrysim.formats.svgreader import root_of
from gantrysim.part import recognition
from gantrysim.part.feature import Feature
from gantrysim.part.gauges import Extent, common
from gantrysim.part.outlines import Open, Outline, outlines_of
from gantrysim.pattern.file import read_content
from gantrysim.pattern.toolpath import Move, Toolpath
from gantrysim.records import jsontext, limits
from gantrysim.records.checks import finite_number, listed, positive, shortened
from gantrysim.records.doors import checked
from gantrysim.records.files import placed, read_text, write_new_text
from gantrysim.records.table import Table

if TYPE_CHECKING:
    from matplotlib.axes import Axes

#: How far from a side a place may lie that names it, mm.
BESIDE = 2.0
#: What one unit of a drawing may be, mm.
UNITS = {"mm": 1.0, "cm": 10.0, "inch": 25.4, "pt": 25.4 / 72, "px": 25.4 / 96}
UNIT_NAMES = tuple(UNITS)


@checked
@dataclass(frozen=True, eq=False)
class Drawing:
    """A path with its features.

    ``drawing["S1"]`` is one; the id of a shape stands for its only size, of a slot for the width.

    Parameters
    ----------
    path : Toolpath
        What is commanded, mm.
    outlines : tuple of Outline
        Its closed outlines from the lower left.
    features : tuple of Feature
        What can be measured, sizes in mm, angles in degrees.
    open_lines : tuple of Open
        Lines that close nothing: engraved, not cut.

    Examples
    --------
    >>> import gantrysim as gs
    >>> from gantrysim.part import drawing_of
    >>> test = gs.ring_test(("square",), spacing=20.0, largest=20.0)
    >>> path = test.to_motion_code("plate.nc", power=0.5, s_max=255.0)
    >>> drawing = drawing_of(gs.read_motion_code("plate.nc"))
    >>> drawing
    Drawing('plate.nc', 1 outlines, 3 features)
    >>> drawing["W1"]
    Feature(W1: width, 40.00 mm)
    """

    path: Toolpath
    outlines: tuple[Outline, ...]
    features: tuple[Feature, ...]
    open_lines: tuple[Open, ...] = ()

    @property
    def source(self) -> str:
        """Where it came from."""
        return self.path.source or "drawing"

    @cached_property
    def _by_name(self) -> dict[str, Feature]:
        return {feature.name: feature for feature in self.features}

    @property
    def names(self) -> tuple[str, ...]:
        """Of all features."""
        return tuple(self._by_name)

    def __getitem__(self, name: str) -> Feature:
        """The feature of a name, or of the id of a shape; ValueError if there is none.

        An id stands for the only size of its shape, and of a slot for the width.
        """
        if name in self._by_name:
            return self._by_name[name]
        own = [f for f in self.features if f.outline == name and f.unit == "mm"]
        if not own:
            raise ValueError(
                f"{self.source}: the name of a feature must be {_some(self.names)}, "
                f"found {shortened(name)}."
            )
        chief = [f for f in own if "," not in f.kind]  # that of a slot, not "slot, length"
        shapes = {outline for f in own for outline in f.gauge.outlines}
        if len(chief) != 1 or len(shapes) > 1:
            raise ValueError(
                f"{self.source}: {shortened(name)} has more than one size; the name must be "
                f"{_some([f.name for f in own])}."
            )
        return chief[0]

    def sizes_of(self, intended: Mapping[str, float]) -> dict[str, float]:
        """What features were to be, by their names.

        Parameters
        ----------
        intended : mapping
            Sizes by name, or by the id of a shape, mm or degrees.

        Raises
        ------
        ValueError
            If a feature does not exist or is named twice, or a size is no finite number.
        """
        found: dict[str, float] = {}
        for word, size in intended.items():
            name = self[word].name
            if name in found:
                raise ValueError(f"intended must name each feature once, found {name} twice.")
            found[name] = finite_number(size, f"intended[{word!r}]")
        return found

    @cached_property
    def repeated(self) -> tuple[tuple[tuple[str, ...], tuple[str, ...]], ...]:
        """Families of features that repeat, by name: all of each, and the odd ones among them."""
        found = recognition.families([f for f in self.features if f.unit == "mm"])
        return tuple((tuple(f.name for f in own), tuple(f.name for f in odd)) for own, odd in found)

    @cached_property
    def odd(self) -> dict[str, float]:
        """What each odd one among repeated features would be if it were like the others, mm."""
        out = {}
        for own, odd in self.repeated:
            if odd:
                usual = [self[name].drawn for name in own if name not in odd]
                out.update(dict.fromkeys(odd, float(np.median(usual))))
        return out

    def with_features(self, content: Mapping[str, Any]) -> Drawing:
        """The drawing with features renamed, added and left out.

        Parameters
        ----------
        content : mapping
            As the file of `read_features` holds it; places in mm.

        Raises
        ------
        ValueError
            If a feature does not exist, a name is taken, or a place lies on no side.
        """
        table = jsontext.fields(dict(content), "features", (), ("rename", "add", "leave_out"))
        left_out = jsontext.names(table.get("leave_out", []), "leave_out")
        gone = {self[name].name for name in left_out}
        kept = [feature for feature in self.features if feature.name not in gone]
        renames = jsontext.named(table.get("rename", {}), "rename")
        for old, new in renames.items():
            jsontext.word(new, f"rename.{old}")
        renames = {self[old].name: new for old, new in renames.items()}
        features = [feature.renamed(renames.get(feature.name, feature.name)) for feature in kept]
        for number, each in enumerate(jsontext.row(table.get("add", []), "add")):
            features.append(self._added(each, f"add[{number}]"))
        names = [feature.name for feature in features]
        twice = next((name for name in names if names.count(name) > 1), None)
        if twice is not None:
            raise ValueError(f"the name of each feature must stand once, found {twice!r} twice.")
        return dataclasses.replace(self, features=tuple(features))

    def _added(self, content: Any, where: str) -> Feature:
        """A feature of somebody's own."""
        table = jsontext.fields(content, where, ("name",), ("from_mm", "to_mm", "between"))
        name = jsontext.word(table["name"], f"{where}.name")
        if "between" in table:
            names = jsontext.names(table["between"], f"{where}.between")
            if len(names) != 2:
                raise ValueError(f"field '{where}.between' must name two circles, found {names}.")
            one, other = (self._circle(each) for each in names)
            return recognition.distance(one, other).renamed(name)
        places = []
        for key in ("from_mm", "to_mm"):
            if key not in table:
                raise ValueError(f"field '{where}.{key}' is missing.")
            places.append(np.array(jsontext.numbers(table[key], f"{where}.{key}", 2)))
        return self._between(places[0], places[1], where).renamed(name)

    def _circle(self, name: str) -> Outline:
        gauge = self[name].gauge
        if not isinstance(gauge, Extent) or recognition.circle_of(gauge.outline) is None:
            raise ValueError(f"a centre distance must name holes or discs, found {name!r}.")
        return gauge.outline

    def _between(self, start: np.ndarray, end: np.ndarray, where: str) -> Feature:
        """Distance or angle between the sides nearest to two places."""
        sides = [side for outline in self.outlines for side in recognition.sides_of(outline)]
        found = []
        for key, place in (("from_mm", start), ("to_mm", end)):
            side, far = recognition.nearest_side(sides, place) if sides else (None, math.inf)
            if side is None or far > BESIDE:
                raise ValueError(
                    f"field '{where}.{key}' must lie within {BESIDE:g} mm of a straight side, found"
                    f" ({place[0]:g}, {place[1]:g})."
                )
            found.append(side)
        one, other = found
        turn = float(one.inward @ other.inward)
        if abs(turn) < math.cos(recognition.PARALLEL):
            return recognition.corner(one, other)
        low, high = common(one, other)
        if one is other or high - low < recognition.LEAST_SIDE:
            raise ValueError(f"field '{where}' must name two sides that lie beside each other.")
        internal = 0 if turn > 0.0 else (1 if (other.middle - one.middle) @ one.inward < 0 else -1)
        return recognition.across(one, other, internal)

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw outlines and the name and dimension line of each feature; mm."""
        from gantrysim.plotting.parts import plot_drawing

        return plot_drawing(self, ax)

    def to_dict(self) -> dict[str, Any]:
        """Source and features as plain Python types."""
        return {
            "source": self.source,
            "features": [feature.to_dict() for feature in self.features],
            "odd": self.odd,
            "open_lines": len(self.open_lines),
        }

    def to_csv(self, path: str | os.PathLike[str], *, overwrite: bool = False) -> Path:
        """Write one line a feature.

        Raises
        ------
        FileExistsError
            If the file exists and ``overwrite`` is false.
        """
        heads = ("name", "what", "outline", "drawn", "unit", "side", "x_mm", "y_mm")
        rows = (
            (f.name, f.kind, f.outline, f.drawn, f.unit, f.side, *f.place) for f in self.features
        )
        remark = "features of a drawing; side: +1 internal, -1 external, 0 neither"
        return write_new_text(path, Table(heads, rows).csv(remark), overwrite=overwrite)

    def report(self) -> str:
        """The features in plain words, and what is odd among them."""
        rows = [f"{self.source}: {len(self.outlines)} outlines, {len(self.features)} features."]
        rows += [f"  {f.name}: {f.words}, {f.drawn:.2f} {f.unit}" for f in self.features]
        rows += [
            f"Odd: {name} is drawn {self[name].drawn:.2f} mm, the others like it {usual:.2f} mm."
            for name, usual in self.odd.items()
        ]
        if self.open_lines:
            rows.append(f"{len(self.open_lines)} open lines close nothing: taken as engraved.")
        return "\n".join(rows)

    def __repr__(self) -> str:
        return (
            f"Drawing({self.source!r}, {len(self.outlines)} outlines, {len(self.features)} features"
            f"{', odd: ' + ', '.join(self.odd) if self.odd else ''})"
        )

    def _repr_html_(self) -> str:
        rows = (
            (f.name, f.words, f"{f.drawn:.2f} {f.unit}", "odd" if f.name in self.odd else "")
            for f in self.features
        )
        return Table(("feature", "what", "drawn", ""), rows, repr(self)).html(most=100)


@checked
def drawing_of(path: Toolpath) -> Drawing:
    """Find the features of a path.

    Parameters
    ----------
    path : Toolpath
        A customer's job, or moves of one's own, mm.

    Returns
    -------
    Drawing
        Slots (S), tabs (T), widths (W) and heights (L), holes (H) and discs (D) with their
        diameters along x and y, extents (E) of outlines without any of these, centre distances
        (C), angles (A) and radii (R), numbered from the lower left.

    Raises
    ------
    ValueError
        If no outline closes, one nearly does, or one crosses itself or another.

    Examples
    --------
    >>> import gantrysim as gs
    >>> from gantrysim.part import drawing_of
    >>> test = gs.ring_test(("circle",), spacing=20.0, largest=20.0)
    >>> path = test.to_motion_code("disc.nc", power=0.5, s_max=255.0)
    >>> drawing_of(gs.read_motion_code("disc.nc")).names
    ('D1', 'D1x', 'D1y')
    """
    outlines, left = outlines_of(path)
    return Drawing(path, outlines, tuple(recognition.features_on(outlines)), left)


@checked
def read_drawing(
    path: str | os.PathLike[str],
    *,
    unit: Annotated[str, UNIT_NAMES] | None = None,
    features: str | os.PathLike[str] | None = None,
    **how: Any,
) -> Drawing:
    """Read a drawing and find its features; asks where it does not state its unit.

    Parameters
    ----------
    path : path
        SVG where the name ends in .svg, else motion code.
    unit : str, optional
        What one unit of the drawing is: "mm", "cm", "inch", "pt" or "px".  Needed where the file
        does not say; refused where it says otherwise.
    features : path, optional
        File with features renamed, added and left out, see `read_features`.
    **how
        Passed on to `read_svg` or `read_motion_code`, such as ``feed`` in mm/s.

    Raises
    ------
    FileNotFoundError
        If there is no such file.
    ValueError
        With one sentence naming the file: no unit, no closed outline, or as the reader says.

    Examples
    --------
    >>> import gantrysim as gs
    >>> from gantrysim.part import read_drawing
    >>> test = gs.ring_test(("circle",), spacing=20.0, largest=20.0)
    >>> path = test.to_svg("disc.svg")
    >>> read_drawing("disc.svg", corner=(100.0, 100.0))["D1"]
    Feature(D1: disc, mean diameter, 40.00 mm)
    """
    svg = Path(path).suffix.lower() == ".svg"
    text = read_text(path, "an SVG drawing" if svg else "motion code", most=limits.DRAWING_BYTES)
    with placed(path):
        stated = _stated_in_svg(text) if svg else _stated_in_code(text)
    if unit is None and stated is None:
        raise ValueError(
            f"{path}: the unit of the drawing must be stated: say unit={listed(UNIT_NAMES)}."
        )
    if unit is not None and stated not in (None, unit):
        raise ValueError(f"{path}: unit must be {stated!r} as the file states, found {unit!r}.")
    read: Any = read_svg if svg else read_motion_code
    found = read(path, **how)
    if stated is None and unit is not None:
        usual = UNITS["px"] if svg else 1.0
        corner = how.get("corner", (0.0, 0.0)) if svg else (0.0, 0.0)
        found = _scaled(found, UNITS[unit] / usual, corner)
    drawing = drawing_of(found)
    return drawing if features is None else read_features(features, drawing)


@checked
def read_features(path: str | os.PathLike[str], drawing: Drawing) -> Drawing:
    """Rename, add and leave out features of a drawing as a file says (JSON or TOML).

    Parameters
    ----------
    path : path
        With the fields ``rename`` (old name to new), ``add`` (a list with a ``name`` and either
        ``from_mm`` and ``to_mm``, places on two straight sides, or ``between``, two circles) and
        ``leave_out`` (names).
    drawing : Drawing
        The drawing.

    Raises
    ------
    FileNotFoundError
        If there is no such file.
    ValueError
        With one sentence naming the file and the field.

    Examples
    --------
    >>> import gantrysim as gs
    >>> from pathlib import Path
    >>> from gantrysim.part import read_drawing, read_features
    >>> test = gs.ring_test(("square",), spacing=20.0, largest=20.0)
    >>> path = test.to_svg("plate.svg")
    >>> content = Path("names.json").write_text('{"leave_out": ["A1"], "rename": {"W1": "plate"}}')
    >>> sorted(read_features("names.json", read_drawing("plate.svg")).names)
    ['L1', 'plate']
    """
    content = read_content(path)
    with placed(path):
        return drawing.with_features(jsontext.named(content, "the file"))


def _some(names: Sequence[str]) -> str:
    """Names of features as they stand in a sentence."""
    shown = ", ".join(names[:12])
    return f"one of {shown}{f' and {len(names) - 12} more' if len(names) > 12 else ''}"


_UNIT = re.compile(r"[-+.\deE\s]*+([a-z]*)\s*+")


def _stated_in_svg(text: str) -> str | None:
    """Unit of the page of an SVG drawing; pixels say nothing about a size on wood."""
    found = _UNIT.fullmatch(root_of(text).get("width", ""))
    word = {"in": "inch"}.get(found[1], found[1]) if found else ""
    return word if word in UNITS and word != "px" else None


def _stated_in_code(text: str) -> str | None:
    """Unit that motion code sets."""
    found = re.search(r"(?i)\bG0*+2([01])(?!\d|\.)", re.sub(r"\([^)]*+\)?+|;.*", " ", text))
    return None if found is None else "inch" if found[1] == "0" else "mm"


def _scaled(path: Toolpath, factor: float, corner: Sequence[float]) -> Toolpath:
    """A path read in the wrong unit, made larger about a corner; speeds stay."""
    positive(factor, "unit")

    def to(place: tuple[float, float]) -> tuple[float, float]:
        x, y = (c + factor * (p - c) for p, c in zip(place, corner, strict=True))
        return x, y

    moves: list[Move] = []
    for k, move in enumerate(path.moves):
        start = moves[-1].end if k else move.start
        centre = None if move.centre is None else to(move.centre)
        moves.append(Move(start, to(move.end), move.burned, move.speed, centre, move.turn))
    return dataclasses.replace(path, moves=tuple(moves))
