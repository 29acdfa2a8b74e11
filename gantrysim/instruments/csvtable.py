"""Tables of measured values in CSV files: named columns, comments, complaints by file and line."""

from __future__ import annotations

import csv
import json
import re
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from typing import NoReturn

import numpy as np
from numpy.typing import NDArray

from gantrysim.records import limits
from gantrysim.records.checks import finite_number, shortened
from gantrysim.records.files import AnyPath, opened, read_text

LARGEST = 1e9
#: Every choice is final (possessive), so that no line takes longer than its length.
_OTHER_SIGN = re.compile(
    r"[ \t\"]*+#[ \t#]*+(\w++)(?:[ \t]*+(?::=|=>|==|:|->|~)|[ \t])[ \t]*+[+-]?\.?\d[^,;\"]*+"
)
_NOTE = re.compile(r'[ \t]*#[ \t]*note:[ \t]*(".*")[ \t,;]*$')
#: What separates columns where it is no comma: spreadsheets of countries with a decimal comma.
_SEPARATORS = {";": "semicolons", "\t": "tabs"}
_DECIMAL_COMMA = re.compile(r"[ \t]*[+-]?\d*,\d+(?:[eE][+-]?\d+)?[ \t]*")


@dataclass(frozen=True)
class CsvTable:
    """The rows of a CSV file as text, by column.

    Parameters
    ----------
    path : str
        The file, as complaints name it.
    columns : dict of str to tuple of str
        Cells of each expected column, one for each row.
    line_numbers : tuple of int
        Line of the file on which each row stands, from 1.
    settings : dict of str to float
        What its comment lines state for all rows, or what is usual.
    notes : tuple of str
        What the file remarks, how many rows were left out because nobody filled them in, and what
        separates columns and decimals where that is neither a comma nor a point.
    decimal_comma : bool
        Whether its numbers have a comma where others have a point.
    """

    path: str
    columns: dict[str, tuple[str, ...]]
    line_numbers: tuple[int, ...]
    settings: dict[str, float] = field(default_factory=dict)
    notes: tuple[str, ...] = ()
    decimal_comma: bool = False

    def __len__(self) -> int:
        return len(self.line_numbers)

    def place(self, row: int) -> str:
        """File and line of a row, as a sentence begins with it."""
        return f"{self.path}, line {self.line_numbers[row]}"

    def words(self, name: str) -> list[str]:
        """A column as text without surrounding blanks."""
        return [cell.strip() for cell in self.columns[name]]

    def numbers(self, name: str) -> NDArray[np.float64]:
        """A column of finite numbers; ValueError names the first line that holds none."""
        cells: Sequence[str] = self.columns[name]
        accepted = "a number"
        if self.decimal_comma:  # a point may then part thousands: which of both, nobody can tell
            accepted = "a number with a decimal comma, as the others of this file"
            cells = [c.replace(".", "?").replace(",", ".") for c in cells]
        try:
            values = np.array([_decimal(cell) for cell in cells])
        except ValueError:
            self.refuse(next(i for i, c in enumerate(cells) if not _is_number(c)), name, accepted)
        wild = np.flatnonzero(~(np.abs(values) < LARGEST))
        if len(wild):
            self.refuse(int(wild[0]), name, f"a finite number below {LARGEST:g}")
        return values

    def whole_numbers(self, name: str) -> NDArray[np.int64]:
        """A column of whole numbers; ValueError names the first line that holds none."""
        values = self.numbers(name)
        wrong = np.flatnonzero(values != np.round(values))
        if len(wrong):
            self.refuse(int(wrong[0]), name, "a whole number")
        return values.astype(np.int64)

    def refuse(self, row: int, name: str, accepted: str) -> NoReturn:
        """Raise ValueError: this cell must be what is accepted."""
        found = shortened(self.columns[name][row])
        raise ValueError(f"{self.place(row)}: {name} must be {accepted}, found {found}.")


def read_table(
    path: AnyPath,
    columns: Sequence[str],
    what: str,
    *,
    most: int,
    optional: Sequence[str] = (),
    by_hand: Sequence[str] = (),
    settings: Mapping[str, float] | None = None,
    signed: Collection[str] = (),
    hints: Mapping[str, str] | None = None,
) -> CsvTable:
    """Read the named columns of a CSV file.

    Blank lines and lines that begin with # are skipped; the first other line is the header.  The
    columns may stand in any order among others, which are ignored.  Remarks that `note_line` wrote
    come back in `CsvTable.notes`.  Where the header names its columns between semicolons or tabs,
    these separate them, and numbers may have a decimal comma; the notes say so.

    ``path``: the file.  ``columns``: names of the columns that must be there; a name that ends in
    _mm demands that unit.  ``what``: the expected content, for the sentence of an error.  ``most``:
    lines of the file.
    ``optional``: columns that are read where they stand in the header.  ``by_hand``: the columns
    that somebody fills in: rows where all are empty are left out and counted.  ``settings``: what a
    comment line `# name = number` may state for all rows, and what holds without it.  ``signed``:
    settings that may be below zero.  ``hints``: what may be given in a column that is missing.
    FileNotFoundError if there is no
    such file.  ValueError with one sentence naming the file and the line.
    """
    what = f"{what} with columns {','.join(columns)}"
    _check_bounds(path, what, most)
    text = read_text(path, what, most=limits.TABLE_BYTES)
    separator = _separator(text)
    rows = _rows(path, text, separator)
    if not rows:
        raise ValueError(f"{path}: holds only comments; {what} is expected.")
    number, header = rows[0]
    places = _column_places(f"{path}, line {number}", header, columns, optional, hints or {})
    if len(rows) == 1:
        raise ValueError(f"{path}: holds no rows after the header; {what} is expected.")
    for number, cells in rows[1:]:
        if len(cells) != len(header):
            raise ValueError(
                f"{path}, line {number}: {len(cells)} values found, "
                f"but the header names {len(header)} columns."
            )
    kept, notes = _filled(path, rows[1:], places, by_hand)
    numbers, body = zip(*kept, strict=True)
    by_column = list(zip(*body, strict=True))
    table = {name: by_column[i] for name, i in places.items()}
    comma = separator in _SEPARATORS and any(
        "," in cell and _DECIMAL_COMMA.fullmatch(cell)
        for column in table.values()
        for cell in column
    )
    if separator in _SEPARATORS:
        tail = ", numbers with a decimal comma" if comma else ""
        notes = (*notes, f"Read with {_SEPARATORS[separator]} between the columns{tail}.")
    return CsvTable(
        str(path),
        table,
        numbers,
        _stated(path, text, settings or {}, signed, comma=separator in _SEPARATORS),
        tuple(dict.fromkeys((*_noted(text), *notes))),
        comma,
    )


def _separator(text: str) -> str:
    """What separates the columns, as the first line that is no comment has it."""
    lines = (line for line in text.splitlines() if line.strip(" \t,;") and not _is_remark(line))
    header = next(lines, "")
    return next((mark for mark in _SEPARATORS if mark in header and "," not in header), ",")


def _filled(
    path: AnyPath,
    rows: list[tuple[int, list[str]]],
    places: Mapping[str, int],
    names: Sequence[str],
) -> tuple[list[tuple[int, list[str]]], tuple[str, ...]]:
    """Rows with something in the columns that a hand fills in, and a sentence about the others."""
    kept = [row for row in rows if not names or any(row[1][places[n]].strip() for n in names)]
    if not kept:
        raise ValueError(
            f"{path}: none of the {len(rows)} rows holds a {names[0]}; fill in at least one."
        )
    empty = len(rows) - len(kept)
    return kept, (f"{empty} of {len(rows)} rows hold no {names[0]} and were left out.",) * bool(
        empty
    )


def _stated(
    path: AnyPath, text: str, usual: Mapping[str, float], signed: Collection[str], *, comma: bool
) -> dict[str, float]:
    """What comment lines `# name = number` state, over what is usual; with a `comma` or a point.

    Other comments mean nothing; a name without its unit or with another case is refused, and so is
    another sign than = between a name and a number.
    """
    found = dict(usual)
    without_unit = {name.removesuffix(end): name for name in usual for end in ("_mm", "_n", "_deg")}
    for number, line in enumerate(text.splitlines(), 1):
        if not _is_remark(line):
            continue
        other = _OTHER_SIGN.match(line)
        if other and other[1].lower() in {*usual, *without_unit}:
            raise ValueError(
                f"{path}, line {number}: a setting must be written with a single = as in "
                f"'# {next(iter(usual))} = 0.01', found {shortened(other[0].strip())}."
            )
        if "=" not in line:
            continue
        # a spreadsheet fills up a comment with commas, and may put quotes around it
        name, _, value = (part.strip(" \t,;#\"'") for part in line.partition("="))
        place = f"{path}, line {number}"
        if name in usual:
            if comma and _DECIMAL_COMMA.fullmatch(value):
                value = value.replace(",", ".")
            if not _is_number(value):
                raise ValueError(f"{place}: {name} must be a number, found {shortened(value)}.")
            found[name] = finite_number(_decimal(value), f"{place}: {name}")
            if abs(found[name]) >= LARGEST:
                raise ValueError(f"{place}: {name} must be below {LARGEST:g}, found {value}.")
            if name in signed:
                continue
            if found[name] < 0.0 or (found[name] == 0.0 and usual[name] > 0.0):
                raise ValueError(f"{place}: {name} must be above zero, found {value}.")
        elif name in without_unit:
            raise ValueError(f"{place}: {name!r} states no unit; call it {without_unit[name]!r}.")
        elif name.lower() in usual:
            raise ValueError(f"{place}: {name!r} must be written {name.lower()!r}.")
    return found


def csv_text(
    remarks: Iterable[str],
    settings: Mapping[str, float],
    columns: Sequence[str],
    rows: Iterable[Sequence[object]],
    notes: Iterable[str] = (),
) -> str:
    """A CSV file as `read_table` reads it: remarks, settings, rows."""
    lines = [f"# {remark}" for remark in remarks]
    lines += [f"# {name} = {value!r}" for name, value in settings.items()]
    lines += [note_line(note) for note in notes]
    lines.append(",".join(columns))
    lines += [",".join(str(cell) for cell in row) for row in rows]
    return "\n".join(lines) + "\n"


def note_line(note: str) -> str:
    """A remark about the readings as a comment line that `read_table` reads back."""
    quoted = json.dumps(note, ensure_ascii=False)
    for mark in "\x7f\x85\u2028\u2029":  # some of these end a line, too
        quoted = quoted.replace(mark, f"\\u{ord(mark):04x}")
    return f"# note: {quoted}"


def _noted(text: str) -> Iterator[str]:
    """Remarks that `note_line` wrote; a spreadsheet may have put the line in quotes."""
    for line in text.splitlines():
        if not _is_remark(line):
            continue
        if line.startswith('"'):
            line = next(csv.reader([line]))[0]
        found = _NOTE.match(line)
        if found:
            with suppress(ValueError):
                yield str(json.loads(found[1]))


def _check_bounds(path: AnyPath, what: str, most: int) -> None:
    """Refuse a table of too many or too long lines before it is read into memory."""
    lines, since = 0, 0
    with opened(path, what, most=limits.TABLE_BYTES) as stream:
        while chunk := stream.read(1 << 20):
            codes = np.frombuffer(chunk, dtype=np.uint8)
            ends = np.flatnonzero((codes == 10) | (codes == 13))
            gaps = np.diff(np.concatenate([[-since], ends + 1]))
            long = np.flatnonzero(gaps > limits.TABLE_LINE)
            since = len(chunk) - int(ends[-1]) - 1 if len(ends) else since + len(chunk)
            if len(long) or since > limits.TABLE_LINE:
                raise ValueError(
                    f"{path}: a line of more than {limits.TABLE_LINE} characters is no row of a "
                    f"table; {what} is expected."
                )
            lines += int(np.count_nonzero(codes == 10)) or len(ends)
            if lines > most:
                raise ValueError(f"{path}: more than {most} lines; thin the readings out.")


def _rows(path: AnyPath, text: str, separator: str) -> list[tuple[int, list[str]]]:
    """Line number and cells of every line that is neither blank nor a comment."""
    kept = [
        (number, line)
        for number, line in enumerate(text.splitlines(), 1)
        if line.strip(" \t,;") and not _is_remark(line)
    ]
    lines = (line for _, line in kept)
    reader = csv.reader(lines, delimiter=separator, skipinitialspace=separator != "\t")
    try:
        return [(kept[reader.line_num - 1][0], row) for row in reader]
    except csv.Error as error:
        number = kept[reader.line_num - 1][0]
        raise ValueError(f"{path}, line {number}: not readable as CSV ({error}).") from None


def _column_places(
    place: str,
    header: list[str],
    columns: Sequence[str],
    optional: Sequence[str],
    hints: Mapping[str, str],
) -> dict[str, int]:
    """Where each column stands; ValueError says all at once what is wrong with the header."""
    names = [name.strip() for name in header]
    wanted = [name for name in (*columns, *optional) if name in names]
    wrong = [f"column {n!r} appears {names.count(n)} times" for n in wanted if names.count(n) > 1]
    # what may be left out is meant, too, where it stands without its unit
    absent = [name for name in (*columns, *optional) if name not in names]
    bare = {n: n.removesuffix("_mm") for n in absent if n.removesuffix("_mm") in names}
    other = {n: _in_other_unit(n, names) for n in columns if n in absent and n not in bare}
    other = {name: found for name, found in other.items() if found}
    wrong += _misnamed(bare, "states no unit", "state no unit")
    wrong += _misnamed(other, "is not accepted", "are not accepted")
    missing = [n for n in columns if n in absent and n not in bare and n not in other]
    if missing:
        are = "columns {} are" if len(missing) > 1 else "column {} is"
        hint = "".join(f"; {hints[name]}" for name in missing if name in hints)
        wrong.append(
            f"{are.format(_and(missing))} missing; the header must name {','.join(columns)}, "
            f"found {shortened(','.join(names))}{hint}"
        )
    if wrong:
        raise ValueError(f"{place}: {'; '.join(wrong)}.")
    return {name: names.index(name) for name in wanted}


def _in_other_unit(name: str, names: Sequence[str]) -> str:
    """The column that may hold this length in another unit, if any."""
    stem = name.removesuffix("_mm")
    found = (other for other in names if stem != name and other.startswith(stem + "_"))
    return next(found, "")


def _misnamed(found: Mapping[str, str], is_so: str, are_so: str) -> list[str]:
    """What to do about columns, by the name they must have, that have another one."""
    if not found:
        return []
    some, are, them = ("columns", are_so, "them") if len(found) > 1 else ("column", is_so, "it")
    named, call = _and(list(found.values())), _and(list(found))
    return [f"{some} {named} {are}; give {them} in mm and call {them} {call}"]


def _and(names: Sequence[str]) -> str:
    """Names as they read in a sentence: 'a', 'b' and 'c'."""
    told = [shortened(name) for name in names]
    return " and ".join(filter(None, (", ".join(told[:-1]), told[-1])))


def _is_remark(line: str) -> bool:
    """Whether a line is a comment; a spreadsheet may have put it in quotes."""
    return line.lstrip(' \t"').startswith("#")


def _decimal(cell: str) -> float:
    if "_" in cell:  # float would take 1_0 for ten
        raise ValueError(cell)
    return float(cell)


def _is_number(cell: str) -> bool:
    try:
        _decimal(cell)
    except ValueError:
        return False
    return True
