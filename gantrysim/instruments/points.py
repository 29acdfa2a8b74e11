"""Measured points on the burned lines of a lifted piece, from a CSV file or from arrays.

The piece lies anyhow on the scanner: its points carry an unknown rotation of a few degrees and an
unknown shift.  Lengths are mm.  In files passes count from 1, in the library (`Line.pass_index`)
from 0; both write -1 where the passes of a ring cannot be told apart.
"""

from __future__ import annotations

import dataclasses
import functools
import hashlib
import os
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from gantrysim.burn.burn import Burn
from gantrysim.inference.assumptions import USUAL, Assumptions
from gantrysim.inference.problem import listed as listed_of
from gantrysim.inference.terms import LikelihoodTerm
from gantrysim.instruments import scannerlines
from gantrysim.instruments.base import Measurement
from gantrysim.instruments.burnedpiece import prepare_piece
from gantrysim.instruments.csvtable import CsvTable, read_table
from gantrysim.instruments.forward import finely_planned
from gantrysim.instruments.scanner import EXACT, ScannerError
from gantrysim.instruments.scanrecord import ScanRecord
from gantrysim.machine import Machine
from gantrysim.pattern.ringtest import Line, RingTest, drawn_passes, read_test
from gantrysim.pattern.shapes import SHAPES, algebraic_circle, shape_of
from gantrysim.records import limits
from gantrysim.records.arrays import Array, gathered, points_along, way_along
from gantrysim.records.checks import listed, must_be, shortened
from gantrysim.records.doors import checked
from gantrysim.records.files import AnyPath
from gantrysim.records.table import fields_of

#: What is believed of the scale and skew of lines that nobody had to read: standard deviations
#: of 0.01 µm over 1 mm, far below what any model predicts.
_EXACT = EXACT**2 * np.eye(3)

_FROM_0 = "rings count from 0, the innermost"
#: What a table without passes is told.
_PASSES = "pass counts from 1 and may be -1 where the passes cannot be told apart"
COLUMNS = ("shape", "ring", "size_mm", "pass", "x_mm", "y_mm")
UNCERTAINTY = "u_mm"
_QUARTER = "quarter_turn_known"  # 0 in the file where it is not
LEAST_POINTS = 10
SIZE_TOLERANCE = 0.005  # mm; sizes may be written to 0.01 mm
SCALE_TOLERANCE = 0.2  # no working machine is this far off; a wrong unit is further off still

_UNITS = {"inches": 1 / 25.4, "cm": 0.1, "m": 1e-3, "µm": 1e3, "1/1000 inch": 1e3 / 25.4}


@checked
@dataclass(frozen=True, eq=False, repr=False)
class Piece(Measurement):
    """The measured points of one burned and lifted piece.

    Parameters
    ----------
    test : RingTest
        What was commanded.
    lines : tuple of Line
        One for each shape, ring and pass that has points; `xy` in mm in the frame of the lifted
        piece (x right, y up), which is turned by a few degrees and shifted against the machine.
    source : str
        Where the points came from, for captions and reports.
    notes : tuple of str
        What is to be remarked, a sentence each.
    scanner : ScannerError
        What is believed of the scale and skew of the scanner; an unchecked one if absent.
    uncertainty : tuple of ndarray
        Standard uncertainty of reading each point of each line, mm; empty where not known.
    record : ScanRecord, optional
        How the points were read from a scan.
    quarter_known : bool
        False if left and right, x and y may be exchanged: the quarter turn at which the piece was
        read (of circles alone, its turn) could not be told.  A diagnosis of it is never certain.

    Raises
    ------
    ValueError
        If a line belongs to no ring of the test, there are fewer than 10 points in all, or the
        uncertainties do not fit the points.

    Examples
    --------
    >>> import gantrysim as gs
    >>> test = gs.ring_test(("circle",), spacing=10.0, largest=20.0)
    >>> path = gs.simulate(gs.Machine(), test).to_csv("points.csv")
    >>> piece = gs.read_points("points.csv", test)
    >>> piece
    Piece('points.csv', 382 points on 2 of 2 rings)
    >>> len(piece.lines)
    2
    >>> piece.lines[0].xy.shape
    (129, 2)
    """

    test: RingTest
    lines: tuple[Line, ...]
    source: str
    notes: tuple[str, ...] = field(default=(), kw_only=True)
    scanner: ScannerError = field(default_factory=ScannerError, kw_only=True)
    uncertainty: tuple[Array, ...] = field(default=(), kw_only=True)
    record: ScanRecord | None = field(default=None, kw_only=True)
    quarter_known: bool = field(default=True, kw_only=True)

    what = "Measured piece"
    columns = COLUMNS
    by_hand = ("x_mm", "y_mm")
    remarks = (
        "measured points on the burned lines, frame of the lifted piece; lengths in mm",
        "pass counts from 1; -1 where the passes of a ring cannot be told apart",
        "scanner_...: errors believed of the scanner, their variances and covariances",
    )
    instructions = (
        "points of the burned lines by a measuring table or microscope: fill in x_mm and y_mm,",
        "leave empty what was not read. Clamp the piece once; any turn or shift of it is found.",
        "Measure the middle of the line, all round each ring, clear of corners and starts.",
        "pass counts from 1; -1 where the passes of a ring cannot be told apart",
        "scanner_...: scale, difference and skew of the table, their variances and covariances",
    )

    def __post_init__(self) -> None:
        object.__setattr__(self, "lines", tuple(self.lines))
        drawn = drawn_passes(self.test)
        for line in self.lines:
            if (line.shape, line.ring) not in drawn:
                raise ValueError(f"the test draws no {line.shape} ring {shortened(line.ring)}.")
        object.__setattr__(self, "uncertainty", _checked_uncertainty(self))
        if self.n_points < LEAST_POINTS:
            raise ValueError(
                f"{self.source}: only {self.n_points} points in all; "
                f"at least {LEAST_POINTS} are needed."
            )

    @classmethod
    def from_arrays(
        cls,
        test: RingTest,
        shape: str | Sequence[str] | NDArray[np.str_],
        ring: ArrayLike,
        pass_index: ArrayLike,
        xy: ArrayLike,
        *,
        source: str = "arrays",
    ) -> Piece:
        """Sort points into the lines of a test.

        Parameters
        ----------
        test : RingTest
            What was commanded.
        shape, ring, pass_index : array_like, shape (n,), or one value for all points
            As in `Line`: passes count from 0 here, -1 where they cannot be told apart.
        xy : array_like, shape (n, 2)
            Measured points, mm.
        source : str
            Caption.

        Raises
        ------
        ValueError
            Naming the first point that is not accepted, and why.
        """
        points = _points_array(xy, source)
        columns = (np.asarray(shape, dtype=object), np.asarray(ring), np.asarray(pass_index))
        try:
            shapes, rings, passes = (np.broadcast_to(column, len(points)) for column in columns)
        except ValueError:
            raise ValueError(
                f"{source}: shape, ring and pass_index must be one value or one for each of the "
                f"{len(points)} points, found shapes {listed([str(c.shape) for c in columns])}."
            ) from None
        for name, column in (("ring", rings), ("pass_index", passes)):
            if column.dtype.kind not in "iu":
                raise ValueError(f"{source}: {name} must be whole numbers, found {column.dtype}.")
        keys = zip(list(shapes), rings.tolist(), passes.tolist(), strict=True)
        piece = _sorted_piece(test, keys, None, points, source, lambda i: f"{source}, point {i}")
        _check_scale(piece)
        return piece

    @classmethod
    def of_burn(cls, burn: Burn, *, source: str = "simulated burn") -> Piece:
        """The lines of a simulated burn as a piece read without error, where it lies on the bed.

        Parameters
        ----------
        burn : Burn
            From `gantrysim.simulate`.
        source : str
            Caption.
        """
        lines = tuple(line for line in burn.lines if len(line.xy))
        return cls(burn.test, lines, source, scanner=ScannerError(covariance=_EXACT))

    @property
    def n_points(self) -> int:
        """Number of points on all lines together."""
        return sum(len(line.xy) for line in self.lines)

    @property
    def n_readings(self) -> int:
        """Number of points, as `n_points`."""
        return self.n_points

    @functools.cached_property
    def check_sum(self) -> str:
        """SHA-256 over what was measured: shape, ring, size, pass and points of every line."""
        found = hashlib.sha256()
        for line in self.lines:
            head = f"{line.shape},{line.ring},{line.size!r},{line.pass_index}\n"
            body = "".join(f"{x!r},{y!r}\n" for x, y in line.xy.tolist())
            found.update((head + body).encode())
        return found.hexdigest()

    @property
    def missing(self) -> tuple[tuple[str, int], ...]:
        """The (shape, ring) that the test draws and that have no points."""
        found = {(line.shape, line.ring) for line in self.lines if len(line.xy)}
        return tuple(ring for ring in drawn_passes(self.test) if ring not in found)

    def to_dict(self) -> dict[str, Any]:
        """Plain numbers, strings and lists; `pass_index` counts from 0."""
        return {
            "source": self.source,
            "notes": list(self.notes),
            "scanner": scannerlines.lines_of(self.scanner),
            "quarter_known": self.quarter_known,
            "test": self.test.to_dict(),
            "lines": [
                fields_of(line, "shape ring size_mm pass_index xy_mm")
                | ({"u_mm": self.uncertainty[i].tolist()} if self.uncertainty else {})
                for i, line in enumerate(self.lines)
            ],
        }

    @classmethod
    def from_file(cls, path: AnyPath, test: RingTest | None = None) -> Piece:
        """Read a CSV file of points, see `read_points`."""
        return read_points(path, test_of(test))

    def expected(self, machine: Machine) -> Piece:
        """As many points evenly along the lines that a machine burns, without turn or shift."""
        forward = finely_planned(self.test, machine)
        burned = {(x.shape, x.ring, x.pass_index): x for x in forward.lines(forward.run(machine))}
        drawn = drawn_passes(self.test)
        lines = []
        for x in self.lines:
            last = min(drawn[x.shape, x.ring] - 1, 1)  # where passes are one line, the steady one
            found = burned[x.shape, x.ring, min(x.pass_index, 1) if x.pass_index >= 0 else last]
            xy = spread_along(found.xy, len(x.xy)) - forward.pivot
            lines.append(dataclasses.replace(x, xy=xy))
        return dataclasses.replace(self, lines=tuple(lines))

    def likelihood_term(self, nominal: Machine, assumptions: Assumptions = USUAL) -> LikelihoodTerm:
        """The piece made ready for fitting, see `burnedpiece.prepare_piece`."""
        return prepare_piece(self, nominal, assumptions)

    def plot(self, ax: Any = None, *, magnify: float | None = None) -> Any:
        """Draw the measured points, on the scan where they were read from one.

        Takes and returns matplotlib Axes.  With `magnify` over the commanded rings, with the
        outward error so many times larger.
        """
        from gantrysim.plotting import patterns, readings, scans

        record = self.record
        if magnify is None and record is not None:
            if record.picture is not None or Path(record.files[0]).is_file():
                return scans.plot_scan(self, ax=ax)

        if magnify is None:
            return patterns.plot_piece(self, ax=ax)
        return readings.plot_piece_errors(self, ax=ax, magnify=magnify)

    def plot_unrolled(self, ax: Any = None, **which: Any) -> Any:
        """Draw the error of each ring over the angle; `which` as in `plot_unrolled`."""
        from gantrysim.plotting import unrolled

        return unrolled.plot_unrolled(self, ax=ax, **which)

    def stated(self) -> dict[str, float]:
        """What is believed of the scanner, and whether the quarter turn is known."""
        return scannerlines.lines_of(self.scanner) | {_QUARTER: float(self.quarter_known)}

    def _in_short(self) -> str:
        drawn = len(drawn_passes(self.test))
        return f"{self.n_points} points on {drawn - len(self.missing)} of {drawn} rings"

    def rows(self) -> list[tuple[Any, ...]]:
        """Rows of the CSV file: ring, size and pass of each point, and its place, mm."""
        out: list[tuple[Any, ...]] = []
        for i, line in enumerate(self.lines):
            number = line.pass_index + 1 if line.pass_index >= 0 else -1
            start = (line.shape, line.ring, f"{line.size:.9g}", number)
            known = (self.uncertainty[i],) if self.uncertainty else ()
            out += [(*start, *row) for row in np.column_stack((line.xy, *known)).tolist()]
        return out

    def _header(self) -> tuple[str, ...]:
        return (*COLUMNS, UNCERTAINTY) if self.uncertainty else COLUMNS

    def _html_rows(self) -> tuple[Sequence[str], list[Sequence[Any]]]:
        head = ("shape", "rings", "points", "points of a known pass", "rings without points")
        rows: list[Sequence[Any]] = []
        for nest in self.test.nests:
            lines = [line for line in self.lines if line.shape == nest.shape]
            points = sum(len(line.xy) for line in lines)
            known = sum(len(line.xy) for line in lines if line.pass_index >= 0)
            missing = ", ".join(str(k) for shape, k in self.missing if shape == nest.shape)
            rings = len({line.ring for line in lines})
            rows.append((nest.shape, rings, points, known, missing or "none"))
        return head, rows


@checked
def read_points(
    path: AnyPath,
    test: RingTest | AnyPath,
    *,
    scanner: ScannerError | None = None,
    quarter_known: bool | None = None,
) -> Piece:
    """Read measured points from a CSV file.

    Lines that begin with # are comments.  The header names the columns
    `shape,ring,pass,x_mm,y_mm` in any order (`pass` may be left out where the test draws each ring
    once), and may name `size_mm`, which must be the commanded size of that ring and guards against
    points of another test, and `u_mm`, the standard uncertainty of each point; other columns are
    ignored.  Rings count from 0, the innermost.  Passes count from 1; those of a file that has each
    number from 0 to one less than the passes of the test are taken to count from 0, and the notes
    say so.  x and y may have any origin, such as the bed's or the middle of the test, and be turned
    by a few degrees: both are found.  What is believed of the scanner and what is remarked is read
    from the lines in which `Piece.to_csv` writes them; how the points were read from a scan
    (`Piece.record`) is not part of the file.

    Parameters
    ----------
    path : path
        The CSV file; lengths in mm, passes from 1, -1 where they cannot be told apart.
    test : RingTest or path
        What was commanded, or its file for `read_test`.
    scanner : ScannerError, optional
        What is believed of the scanner; what the file states, or an unchecked one, if absent.
    quarter_known : bool, optional
        False if left and right, x and y may be exchanged, as in `Piece`; what the file states, or
        true, if absent.

    Returns
    -------
    Piece
        `Piece.missing` lists the rings without points.

    Raises
    ------
    FileNotFoundError
        If there is no such file.
    ValueError
        With one sentence naming the file and the line, what was found and what is accepted.

    Examples
    --------
    >>> import gantrysim as gs
    >>> test = gs.ring_test(("circle",), spacing=10.0, largest=20.0)
    >>> path = gs.simulate(gs.Machine(), test).to_csv("points.csv")
    >>> piece = gs.read_points("points.csv", test)
    >>> piece
    Piece('points.csv', 382 points on 2 of 2 rings)
    """
    test = test_of(test)
    what = "a CSV file of measured points"
    usual, signed = scannerlines.SETTINGS | {_QUARTER: 1.0}, (*scannerlines.SIGNED, _QUARTER)
    once = set(drawn_passes(test).values()) == {1}
    optional = ("pass",) * once + ("size_mm", UNCERTAINTY)
    columns = tuple(name for name in COLUMNS if name not in optional)
    table = read_table(
        path, columns, what, most=limits.TABLE_ROWS, optional=optional, by_hand=Piece.by_hand,
        settings=usual, signed=signed, hints={"pass": _PASSES},
    )  # fmt: skip
    u = table.numbers(UNCERTAINTY) if UNCERTAINTY in table.columns else None
    if u is not None and (u <= 0.0).any():
        table.refuse(int(np.flatnonzero(u <= 0.0)[0]), UNCERTAINTY, "above zero")
    passes, said = _passes_of(table, max(drawn_passes(test).values()))
    rings = table.whole_numbers("ring").tolist()
    sizes = table.numbers("size_mm") if "size_mm" in table.columns else None
    piece = _sorted_piece(
        test,
        zip(table.words("shape"), rings, passes.tolist(), strict=True),
        sizes,
        np.column_stack((table.numbers("x_mm"), table.numbers("y_mm"))),
        str(path),
        table.place,
        u=u,
        scanner=scanner or scannerlines.scanner_of(table.settings, path),
        notes=(*table.notes, *said),
        quarter_known=table.settings[_QUARTER] != 0.0 if quarter_known is None else quarter_known,
    )
    if sizes is None:
        _check_rings(piece)
    _check_scale(piece)
    return piece


def _passes_of(table: CsvTable, drawn: int) -> tuple[NDArray[np.int64], tuple[str, ...]]:
    """Passes from 0, -1 where they cannot be told apart, and what is to be said of them.

    ``drawn``: how many passes of a ring the test draws at most.
    """
    if "pass" not in table.columns:
        return np.zeros(len(table), dtype=np.int64), ()
    passes = table.whole_numbers("pass")
    zeros, known = np.count_nonzero(passes == 0), np.count_nonzero(passes >= 0)
    # half of an even share: fewer are slips of the pen
    if zeros and 2 * zeros * drawn >= known and -1 <= passes.min() <= passes.max() == drawn - 1:
        return passes, ("Passes count from 0 in this file, and are read so.",)
    wrong = np.flatnonzero((passes < -1) | (passes == 0))
    if len(wrong):
        told = "-1 where passes cannot be told apart, 1 more where the file counts from 0"
        table.refuse(int(wrong[0]), "pass", f"1 or more ({told})")
    return np.where(passes > 0, passes - 1, -1), ()


def as_measurements(
    measured: Measurement | Burn | Sequence[Measurement | Burn],
) -> tuple[Measurement, ...]:
    """One or several measurements as a tuple; burns as pieces, see `Piece.of_burn`.

    Raises
    ------
    ValueError
        If there is none.
    """
    things = (measured,) if isinstance(measured, Burn | Measurement) else measured
    return listed_of(tuple(Piece.of_burn(x) if isinstance(x, Burn) else x for x in things))


def spread_along(xy: Array, count: int) -> Array:
    """So many points evenly along a line, from its start, its end left out, shape (count, 2)."""
    return points_along(xy, np.arange(count) * (way_along(xy)[-1] / count))


def test_of(test: RingTest | AnyPath | None) -> RingTest:
    """A test, or the one in a file; TypeError for anything else."""
    if isinstance(test, str | os.PathLike):
        test = read_test(test)
    if not isinstance(test, RingTest):
        raise TypeError(must_be("test", "a RingTest or the path of one", test))
    return test


def _sorted_piece(
    test: RingTest,
    keys: Iterable[tuple[str, int, int]],
    sizes: Array | None,
    xy: Array,
    source: str,
    place: Callable[[int], str],
    *,
    u: Array | None = None,
    scanner: ScannerError | None = None,
    notes: tuple[str, ...] = (),
    quarter_known: bool = True,
) -> Piece:
    """Check every point against the test and gather lines in order of first appearance."""
    drawn = drawn_passes(test)
    members = gathered((key, i) for i, key in enumerate(keys))
    lines, uncertainty = [], []
    for (shape, ring, pass_index), rows in members.items():
        check_ring(test, drawn, shape, ring, pass_index, place(rows[0]))
        size = test.nest(shape).sizes[ring]
        if sizes is not None:
            wrong = np.flatnonzero(np.abs(sizes[rows] - size) > SIZE_TOLERANCE)
            if len(wrong):
                i = rows[wrong[0]]
                check_size(test, shape, ring, sizes[i], place(i))
        lines.append(Line(shape, ring, size, pass_index, xy[rows]))
        if u is not None:
            uncertainty.append(u[rows])
    return Piece(
        test,
        tuple(lines),
        source,
        scanner=scanner or ScannerError(),
        uncertainty=tuple(uncertainty),
        notes=notes,
        quarter_known=quarter_known,
    )


def _checked_uncertainty(piece: Piece) -> tuple[Array, ...]:
    """Uncertainties as read-only arrays, one for each point."""
    found = tuple(np.array(u, dtype=np.float64) for u in piece.uncertainty)
    if found and [u.shape for u in found] != [(len(line.xy),) for line in piece.lines]:
        raise ValueError(
            f"{piece.source}: uncertainty must hold one number for each point of each line."
        )
    for u in found:
        if not (np.isfinite(u) & (u > 0.0)).all():
            raise ValueError(
                f"{piece.source}: uncertainty must be finite numbers above zero, in mm."
            )
        u.flags.writeable = False
    return found


def check_size(test: RingTest, shape: str, ring: int, size: float, place: str) -> None:
    """Refuse a size in a file (mm) that is not the commanded one of its ring."""
    sizes = test.nest(shape).sizes
    if abs(size - sizes[ring]) > SIZE_TOLERANCE:
        shifted = ring > 0 and abs(size - sizes[ring - 1]) <= SIZE_TOLERANCE
        hint = f": {_FROM_0}" if shifted else ""
        raise ValueError(
            f"{place}: size_mm is {size:g}, but {shape} ring {ring} of the test has "
            f"{sizes[ring]:g} mm ({shape_of(shape).size_name}){hint}."
        )


def check_ring(
    test: RingTest,
    drawn: dict[tuple[str, int], int],
    shape: str,
    ring: int,
    pass_index: int,
    place: str,
) -> None:
    """Refuse a line that the test does not draw; `place` begins the sentence."""
    if shape not in SHAPES:
        raise ValueError(
            f"{place}: shape must be {listed(tuple(SHAPES))}, found {shortened(shape)}."
        )
    counts = {nest.shape: len(nest.sizes) for nest in test.nests}
    if shape not in counts:
        raise ValueError(
            f"{place}: the test has no {shape}s, only {listed([f'{s}s' for s in counts])}."
        )
    if not 0 <= ring < counts[shape]:
        raise ValueError(
            f"{place}: ring must be 0 to {counts[shape] - 1} for the {counts[shape]} {shape}s "
            f"of the test, found {ring}: {_FROM_0}."
        )
    if (shape, ring) not in drawn:
        raise ValueError(f"{place}: the test does not draw {shape} ring {ring}.")
    if not -1 <= pass_index < drawn[shape, ring]:
        raise ValueError(
            f"{place}: the test draws {shape} ring {ring} in {drawn[shape, ring]} passes, "
            f"found number {pass_index + 1}."
        )


def _check_scale(piece: Piece) -> None:
    """Refuse points a wrong unit away from the commanded sizes; most of the large rings decide."""
    judged = [line for line in _whole_rings(piece) if len(line.xy) >= LEAST_POINTS]
    if not judged:
        return
    largest = max(line.size for line in judged)
    judged = [line for line in judged if line.size >= largest / 2]
    if 2 * sum(_believable(line) for line in judged) >= len(judged):
        return
    scale = float(np.median([_extent(line) / _full_extent(line) for line in judged]))
    unit = next((u for u, f in _UNITS.items() if abs(scale / f - 1) < SCALE_TOLERANCE), None)
    hint = f"these look like {unit}" if unit else "check the unit and the scanner's resolution"
    raise ValueError(
        f"{piece.source}: the rings measure {scale:.3g} times their commanded size; "
        f"coordinates must be in mm ({hint})."
    )


def _check_rings(piece: Piece) -> None:
    """Refuse rings numbered one too high or too low, by the size that their points have."""
    judged = [line for line in _whole_rings(piece) if len(line.xy) >= LEAST_POINTS]
    for step, next_ in ((-1, "smaller"), (1, "larger")):
        shifted = 0
        for line in judged:
            sizes = piece.test.nest(line.shape).sizes
            if 0 <= line.ring + step < len(sizes):
                size = sizes[line.ring + step]
                shifted += abs(_measured_size(line) - size) < 0.25 * abs(line.size - size)
        if 2 * shifted > len(judged):
            raise ValueError(
                f"{piece.source}: {shifted} of {len(judged)} rings measure as the next {next_} one "
                f"of the test: {_FROM_0}; if the numbers are right, size_mm settles it."
            )


def _measured_size(line: Line) -> float:
    """Radius or half side that points all round a ring have, mm; strays hardly move it."""
    shape, centre = shape_of(line.shape), np.median(line.xy, axis=0)
    usual = np.hypot(1.0, 0.5) if shape.has_corners else 1.0  # halfway from mid-side to corner
    return float(np.median(np.hypot(*(line.xy - centre).T)) / usual)


def _whole_rings(piece: Piece) -> list[Line]:
    """The points of all passes of each ring together; of one pass there may be only a stretch."""
    rings = gathered(((line.shape, line.ring), line) for line in piece.lines)
    return [
        Line(shape, ring, lines[0].size, -1, np.concatenate([line.xy for line in lines]))
        for (shape, ring), lines in rings.items()
    ]


def _full_extent(line: Line) -> float:
    """Commanded diameter or diagonal, mm."""
    return 2 * line.size * shape_of(line.shape).corner_reach


def _extent(line: Line) -> float:
    """Width of the points where they reach furthest, mm, less 2 % of the points at either end."""
    angles = np.arange(0.0, np.pi, np.pi / 16)
    along = line.xy @ np.stack((np.cos(angles), np.sin(angles)))
    low, high = np.percentile(along, (2, 98), axis=0)
    return float((high - low).max())


def _believable(line: Line) -> bool:
    """Whether the points may be the line, in mm, whatever the fault and the rotation."""
    # an axis that sticks squashes a ring, so one commanded width is enough; a circle of which only
    # an arc was measured shows its size by its bend
    most = (1 + SCALE_TOLERANCE) * _full_extent(line)
    least = (1 - SCALE_TOLERANCE) * 2 * line.size
    extent = _extent(line)
    if least <= extent <= most:
        return True
    if shape_of(line.shape).has_corners or extent > most or extent == 0:
        return False
    return abs(_robust_radius(line.xy - line.xy[0]) / line.size - 1) <= SCALE_TOLERANCE


def _robust_radius(xy: Array) -> float:
    """Radius of the algebraic least-squares circle, mm, refitted without points far off it."""
    kept = xy
    radius = 0.0
    for _ in range(2):
        centre, radius = algebraic_circle(kept)
        off = np.abs(np.hypot(*(kept - centre).T) - radius)
        near = off <= 5 * np.median(off)
        if near.sum() < LEAST_POINTS // 2:
            break
        kept = kept[near]
    return radius


def _points_array(xy: ArrayLike, source: str) -> Array:
    try:
        points = np.asarray(xy, dtype=np.float64)
    except (TypeError, ValueError):
        raise ValueError(f"{source}: xy must be numbers in mm, shape (n, 2).") from None
    if points.ndim != 2 or points.shape[1] != 2:
        raise ValueError(f"{source}: xy must have shape (n, 2), found {points.shape}.")
    wrong = np.flatnonzero(~np.isfinite(points).all(axis=1))
    if len(wrong):
        raise ValueError(
            f"{source}, point {wrong[0]}: xy must be finite numbers in mm, "
            f"found {points[wrong[0]]}."
        )
    return points
