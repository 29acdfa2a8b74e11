"""The forms that a result is shown in: a table as HTML, aligned text, CSV; plain Python types."""

from __future__ import annotations

import csv
import dataclasses
import html
import io
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, NamedTuple

import numpy as np


class Table(NamedTuple):
    """Rows of cells below their heads.

    Parameters
    ----------
    heads : sequence of str
        Head of each column; none for rows of a name and what it is.
    rows : iterable of sequences
        The cells.
    caption : str
        What the table shows.
    """

    heads: Sequence[str]
    rows: Iterable[Sequence[Any]]
    caption: str = ""

    def html(self, most: int | None = None) -> str:
        """For a notebook, at most so many rows; whatever a cell holds is escaped."""
        rows = list(self.rows)
        lines = (
            ["".join(f"<th>{html.escape(head)}</th>" for head in self.heads)] if self.heads else []
        )
        lines += ["".join(f"<td>{html.escape(str(x))}</td>" for x in row) for row in rows[:most]]
        title = f"<caption>{html.escape(self.caption)}</caption>" if self.caption else ""
        more = f"<p>and {len(rows) - most} more</p>" if most and len(rows) > most else ""
        return f"<table>{title}{''.join(f'<tr>{line}</tr>' for line in lines)}</table>{more}"

    def text(self) -> str:
        """Columns of plain text, aligned to the right."""
        rows = [[str(cell) for cell in row] for row in (self.heads, *self.rows)]
        widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
        lines = ("  ".join(c.rjust(w) for c, w in zip(row, widths, strict=True)) for row in rows)
        return "\n".join(lines)

    def csv(self, *remarks: str) -> str:
        """One line a row below the heads; remarks in comment lines above, numbers to 9 digits."""
        out = io.StringIO()
        for remark in remarks:
            out.write(f"# {' '.join(remark.split())}\n")
        writer = csv.writer(out, lineterminator="\n")
        writer.writerow(self.heads)
        writer.writerows([_plain(cell) for cell in row] for row in self.rows)
        return out.getvalue()


def _plain(cell: Any) -> Any:
    return f"{cell:.9g}" if isinstance(cell, float) else "" if cell is None else cell


def as_plain(value: Any) -> Any:
    """A value in plain Python types: results by their fields, arrays and rows as lists."""
    if hasattr(value, "to_dict"):
        return value.to_dict()
    if dataclasses.is_dataclass(value):
        return fields_of(value)
    if isinstance(value, Mapping):
        return {key: as_plain(item) for key, item in value.items()}
    if isinstance(value, np.ndarray | np.generic):
        return value.tolist()
    return [as_plain(item) for item in value] if isinstance(value, list | tuple) else value


#: Units that a name may carry at its end.
_UNITS = ("_mm", "_deg", "_upr")


def fields_of(result: Any, *names: str) -> dict[str, Any]:
    """Named properties of a result in plain Python types; all its fields if none is named.

    A text may name several, with blanks between; a name may end in a unit that the property's own
    name does not state.
    """
    wanted = " ".join(names).split() or [field.name for field in dataclasses.fields(result)]
    return {name: as_plain(getattr(result, _property(result, name))) for name in wanted}


def _property(result: Any, name: str) -> str:
    stems = (name.removesuffix(unit) for unit in _UNITS if name.endswith(unit))
    return name if hasattr(result, name) else next(stems, name)
