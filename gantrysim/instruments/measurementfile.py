"""Measurements as tables of plain values: in logs and findings that are kept."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np

from gantrysim.instruments import scannerlines
from gantrysim.instruments.base import Measurement, ReadingSheet
from gantrysim.instruments.points import Piece
from gantrysim.instruments.scanner import ScannerError
from gantrysim.pattern.ringtest import Line, ring_test_of
from gantrysim.records.checks import listed, shortened
from gantrysim.records.files import placed
from gantrysim.records.jsontext import fields, flag, named, names, number, numbers, row, whole, word


def measurement_table(measurement: Measurement) -> dict[str, Any]:
    """A measurement with its kind, its test and what it states.

    ValueError for one that is neither a piece nor a sheet of readings.
    """
    kind = {"kind": type(measurement).__name__}
    if isinstance(measurement, Piece):
        return kind | piece_table(measurement)
    if not isinstance(measurement, ReadingSheet):
        raise ValueError(
            f"{measurement!r} cannot be kept: it must be a Piece or a subclass of ReadingSheet."
        )
    rows = [list(cells) for cells in measurement.rows()]
    test = None if measurement.test is None else measurement.test.to_dict()
    about = {"source": measurement.source, "notes": list(measurement.notes), "test": test}
    return kind | about | {"stated": measurement.stated(), "rows": rows}


def measurement_from(value: Any, where: str, kinds: Sequence[type[Measurement]]) -> Measurement:
    """The measurement of a table as `measurement_table` gives it, of one of some classes."""
    table = dict(named(value, where))
    name = table.pop("kind", None)
    kind = next((k for k in kinds if k.__name__ == name), None)
    if kind is None:
        accepted = listed(sorted({k.__name__ for k in kinds}))
        raise ValueError(
            f"field '{where}.kind' must be {accepted}, found {shortened(name)}; a sheet of one's "
            "own needs its instrument."
        )
    if issubclass(kind, Piece):
        return piece_from(table, where)
    assert issubclass(kind, ReadingSheet)
    return _sheet_from(table, where, kind)


def _sheet_from(value: Any, where: str, kind: type[ReadingSheet]) -> ReadingSheet:
    table = fields(value, where, ("source", "notes", "test", "stated", "rows"))
    own: dict[str, Any] = {
        "source": word(table["source"], f"{where}.source"),
        "notes": names(table["notes"], f"{where}.notes"),
    }
    if table["test"] is not None:
        with placed(f"field '{where}.test'"):
            own["test"] = ring_test_of(table["test"])
    wanted = [name for settings in kind.settings.values() for name in settings]
    stated = fields(table["stated"], f"{where}.stated", wanted)
    numbers_of = {name: number(stated[name], f"{where}.stated.{name}") for name in wanted}
    cells = list(kind.kinds().values())
    rows = []
    for k, entry in enumerate(row(table["rows"], f"{where}.rows")):
        at = f"{where}.rows[{k}]"
        if len(row(entry, at)) != len(cells):
            raise ValueError(f"field {at!r} must have {len(cells)} cells, found {len(entry)}.")
        read = zip(cells, entry, strict=True)
        rows.append([_READ[cell](x, f"{at}[{n}]") for n, (cell, x) in enumerate(read)])
    with placed(f"field {where!r}"):
        return kind.of_rows(rows, numbers_of, **own)


_READ: dict[type, Callable[[Any, str], Any]] = {str: word, int: whole, float: number}


def piece_table(piece: Piece) -> dict[str, Any]:
    """A piece with its test, what is believed of its reader, and a check sum over its points."""
    points = [
        {
            "shape": line.shape,
            "ring": line.ring,
            "size_mm": line.size,
            "pass": line.pass_index + 1 if line.pass_index >= 0 else -1,
            "x_mm": line.xy[:, 0].tolist(),
            "y_mm": line.xy[:, 1].tolist(),
        }
        | ({"u_mm": piece.uncertainty[k].tolist()} if piece.uncertainty else {})
        for k, line in enumerate(piece.lines)
    ]
    return {
        "source": piece.source,
        "notes": list(piece.notes),
        "scanner": scannerlines.lines_of(piece.scanner),
        "quarter_known": piece.quarter_known,
        "n_points": piece.n_points,
        "sha256": piece.check_sum,
        "test": piece.test.to_dict(),
        "lines": points,
    }


_PIECE = ("source", "n_points", "sha256", "test", "lines")
_READER = ("notes", "scanner", "quarter_known")  # logs up to version 2 left these out
_LINE = ("shape", "ring", "size_mm", "pass", "x_mm", "y_mm")


def piece_from(value: Any, where: str) -> Piece:
    """The piece of a table as `piece_table` gives it."""
    table = fields(value, where, _PIECE, _READER)
    with placed(f"field '{where}.test'"):
        test = ring_test_of(table["test"])
    lines, uncertainty = [], []
    for k, entry in enumerate(row(table["lines"], f"{where}.lines")):
        at = f"{where}.lines[{k}]"
        line = fields(entry, at, _LINE, ("u_mm",))
        x = numbers(line["x_mm"], f"{at}.x_mm")
        y = numbers(line["y_mm"], f"{at}.y_mm", len(x))
        ring, index = (whole(line[name], f"{at}.{name}") for name in ("ring", "pass"))
        shape, size = word(line["shape"], f"{at}.shape"), number(line["size_mm"], f"{at}.size_mm")
        xy = np.column_stack((x, y)) if x else np.empty((0, 2))
        lines.append(Line(shape, ring, size, index - 1 if index > 0 else -1, xy))
        if "u_mm" in line:
            uncertainty.append(np.array(numbers(line["u_mm"], f"{at}.u_mm", len(x))))
    source = word(table["source"], f"{where}.source")
    scanner = _scanner(table["scanner"], f"{where}.scanner") if "scanner" in table else None
    with placed(f"field {where!r}"):
        piece = Piece(
            test,
            tuple(lines),
            source,
            notes=names(table.get("notes", []), "notes"),
            scanner=scanner or ScannerError(),
            uncertainty=tuple(uncertainty),
            quarter_known=flag(table.get("quarter_known", True), "quarter_known"),
        )
    _check_points(piece, table, where)
    return piece


def _scanner(value: Any, where: str) -> ScannerError:
    stated = fields(value, where, tuple(scannerlines.SETTINGS))
    told = {name: number(x, f"{where}.{name}", least=-1.0, most=1.0) for name, x in stated.items()}
    return scannerlines.scanner_of(told, f"field {where!r}")


def _check_points(piece: Piece, table: dict[str, Any], where: str) -> None:
    """Refuse points that somebody changed."""
    if word(table["sha256"], f"{where}.sha256") != piece.check_sum:
        raise ValueError(f"field '{where}.sha256' does not fit the points: they were changed.")
    if table["n_points"] != piece.n_points:
        raise ValueError(
            f"field '{where}.n_points' must be {piece.n_points}, "
            f"found {shortened(table['n_points'])}."
        )
