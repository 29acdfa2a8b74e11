"""The text of a machine log: JSON that a person can read, checked field by field when read."""

from __future__ import annotations

import dataclasses
import datetime
import hashlib
import json
import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from gantrysim.faults.healthy import FORMER, LATER
from gantrysim.inference.parameters import Belief, Parameter
from gantrysim.instruments.points import Piece
from gantrysim.machine import Machine
from gantrysim.machine.file import machine_of
from gantrysim.pattern.ringtest import Line, ring_test_of
from gantrysim.records.checks import finite_number, shortened
from gantrysim.records.files import placed

FORMAT = "gantrysim machine log"
#: Version 1 did not say which machine its belief is about: it is that of the log.
VERSION, VERSIONS = 2, (1, 2)
KINDS = ("burned", "adjusted", "accepted")


def text_of(content: Any) -> str:
    """JSON with one field a line and lists of plain values on one line."""
    return _text(content, 0) + "\n"


def _text(value: Any, depth: int) -> str:
    inner, outer = " " * (depth + 1), " " * depth
    if isinstance(value, dict) and value:
        rows = [f"{inner}{json.dumps(k)}: {_text(v, depth + 1)}" for k, v in value.items()]
        return "{\n" + ",\n".join(rows) + f"\n{outer}}}"
    if isinstance(value, list) and any(isinstance(v, dict | list) for v in value):
        rows = [inner + _text(v, depth + 1) for v in value]
        return "[\n" + ",\n".join(rows) + f"\n{outer}]"
    return json.dumps(value, ensure_ascii=False, allow_nan=False)


def content_of(text: str) -> Any:
    """The content of a log's text.

    ValueError if it is no JSON, a field stands twice, or a number is none.
    """
    try:
        return json.loads(text, object_pairs_hook=_once, parse_constant=_no_number)
    except RecursionError:
        raise ValueError("not readable as JSON (nested too deeply).") from None
    except json.JSONDecodeError as error:
        raise ValueError(f"not readable as JSON ({error}).") from None


def _once(pairs: Sequence[tuple[str, Any]]) -> dict[str, Any]:
    out: dict[str, Any] = {}
    for key, value in pairs:
        if key in out:
            raise ValueError(f"field {key!r} stands twice in one table.")
        out[key] = value
    return out


def _no_number(word: str) -> Any:
    raise ValueError(f"{word} is no number; every number must be finite.")


# Fields


def fields(value: Any, where: str, needed: Sequence[str]) -> dict[str, Any]:
    """A table with exactly the fields that it must have."""
    if not isinstance(value, dict):
        raise ValueError(f"field {where!r} must hold named fields, found {shortened(value)}.")
    for key in needed:
        if key not in value:
            raise ValueError(f"field '{where}.{key}' is missing.")
    for key in value:
        if key not in needed:
            accepted = ", ".join(needed)
            raise ValueError(f"field '{where}.{key}' is unknown; accepted are {accepted}.")
    return value


def word(value: Any, where: str) -> str:
    """A text."""
    if not isinstance(value, str):
        raise ValueError(f"field {where!r} must be a text, found {shortened(value)}.")
    return value


def row(value: Any, where: str) -> list[Any]:
    """A list."""
    if not isinstance(value, list):
        raise ValueError(f"field {where!r} must be a list, found {shortened(value)}.")
    return value


def number(value: Any, where: str, *, least: float = -math.inf, most: float = math.inf) -> float:
    """A finite number within limits."""
    found = finite_number(value, f"field {where!r}")
    if not least <= found <= most:
        raise ValueError(f"field {where!r} must be from {least:g} to {most:g}, found {found:g}.")
    return found


def numbers(value: Any, where: str, count: int | None = None) -> list[float]:
    """A list of finite numbers, of a length if it is told."""
    found = [number(v, f"{where}[{k}]") for k, v in enumerate(row(value, where))]
    if count is not None and len(found) != count:
        raise ValueError(f"field {where!r} must have {count} numbers, found {len(found)}.")
    return found


def names(value: Any, where: str) -> tuple[str, ...]:
    """A list of words."""
    return tuple(word(v, f"{where}[{k}]") for k, v in enumerate(row(value, where)))


def date(value: Any, where: str) -> str:
    """A date as ISO 8601 writes it, with or without time of day; empty where nobody gave one."""
    if isinstance(value, datetime.date):
        return value.isoformat()
    try:
        if value:
            datetime.datetime.fromisoformat(value)
        elif value != "":
            raise ValueError
    except (TypeError, ValueError):
        raise ValueError(
            f"field {where!r} must be a date such as '2031-04-05', found {shortened(value)}."
        ) from None
    return str(value)


# Machine, piece, belief


def machine_from(value: Any, where: str, architecture: type[Machine]) -> Machine:
    """The machine of a table as `Machine.to_dict` gives it, of its class."""
    if not isinstance(value, dict):
        raise ValueError(f"field {where!r} must hold named fields, found {shortened(value)}.")
    with placed(f"field {where!r}"):
        return machine_of(value, architecture)


def piece_table(piece: Piece) -> dict[str, Any]:
    """A piece with its test, and a check sum over its points."""
    points = [
        {
            "shape": line.shape,
            "ring": line.ring,
            "size_mm": line.size,
            "pass": line.pass_index + 1 if line.pass_index >= 0 else -1,
            "x_mm": line.xy[:, 0].tolist(),
            "y_mm": line.xy[:, 1].tolist(),
        }
        for line in piece.lines
    ]
    return {
        "source": piece.source,
        "n_points": piece.n_points,
        "sha256": piece.check_sum,
        "test": piece.test.to_dict(),
        "lines": points,
    }


def piece_from(value: Any, where: str) -> Piece:
    """The piece of a table as `piece_table` gives it."""
    table = fields(value, where, ("source", "n_points", "sha256", "test", "lines"))
    with placed(f"field '{where}.test'"):
        test = ring_test_of(table["test"])
    lines = []
    for k, entry in enumerate(row(table["lines"], f"{where}.lines")):
        at = f"{where}.lines[{k}]"
        line = fields(entry, at, ("shape", "ring", "size_mm", "pass", "x_mm", "y_mm"))
        x = numbers(line["x_mm"], f"{at}.x_mm")
        y = numbers(line["y_mm"], f"{at}.y_mm", len(x))
        ring, index = (_whole(line[name], f"{at}.{name}") for name in ("ring", "pass"))
        shape, size = word(line["shape"], f"{at}.shape"), number(line["size_mm"], f"{at}.size_mm")
        xy = np.column_stack((x, y)) if x else np.empty((0, 2))
        lines.append(Line(shape, ring, size, index - 1 if index > 0 else -1, xy))
    source = word(table["source"], f"{where}.source")
    with placed(f"field {where!r}"):
        piece = Piece(test, tuple(lines), source)
    if word(table["sha256"], f"{where}.sha256") != piece.check_sum:
        raise ValueError(f"field '{where}.sha256' does not fit the points: they were changed.")
    if table["n_points"] != piece.n_points:
        raise ValueError(
            f"field '{where}.n_points' must be {piece.n_points}, "
            f"found {shortened(table['n_points'])}."
        )
    return piece


def _whole(value: Any, where: str) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or value < -1:
        raise ValueError(
            f"field {where!r} must be a whole number, -1 or more, found {shortened(value)}."
        )
    return value


def machine_sum(machine: Machine) -> str:
    """SHA-256 over a machine as described, whole numbers and others alike, and its architecture."""
    text = json.dumps(_floats(machine.to_dict()))
    if type(machine) is not Machine:
        text += type(machine).__name__
    return hashlib.sha256(text.encode()).hexdigest()


def _floats(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {key: _floats(value[key]) for key in sorted(value)}
    if isinstance(value, list | tuple):
        return [_floats(entry) for entry in value]
    return value if value is None or isinstance(value, str | bool) else float(value)


def belief_table(belief: Belief, machine: Machine) -> dict[str, Any]:
    """What is believed of a machine, with names and units."""
    return {
        "machine_sha256": machine_sum(machine),
        "scatter": [s.parameter.name for s in machine.catalogue().scatter],
        "mean": belief.mean.tolist(),
        "precision": belief.precision.tolist(),
        "weights": [{"faults": list(f), "probability": p} for f, p in belief.weights.items()],
        "sizes": {
            key: [dataclasses.asdict(q) for q in parameters]
            for key, parameters in belief.sizes.items()
        },
    }


def belief_from(value: Any, where: str, machine: Machine, version: int) -> Belief:
    """What is believed of a machine, of a table as `belief_table` gives it."""
    own = ("machine_sha256",) if version > 1 else ()
    table = fields(value, where, (*own, "scatter", "mean", "precision", "weights", "sizes"))
    if own and word(table[own[0]], f"{where}.machine_sha256") != machine_sum(machine):
        raise ValueError(
            f"field '{where}.machine_sha256' does not fit the machine: its description was changed "
            "after this was learned (begin a new log for it), or it is of another "
            "architecture (give its class: open_log(path, architecture=...))."
        )
    usual = tuple(s.parameter.name for s in machine.catalogue().scatter)
    named = [FORMER.get(name, name) for name in names(table["scatter"], f"{where}.scatter")]
    if named != [name for name in usual if name not in LATER or name in named]:
        raise ValueError(
            f"field '{where}.scatter' must name {', '.join(usual)}: the log is of another version."
        )
    n = len(named)
    mean = np.array(numbers(table["mean"], f"{where}.mean", n))
    rows = row(table["precision"], f"{where}.precision")
    if len(rows) != n:
        raise ValueError(f"field '{where}.precision' must have {n} rows, found {len(rows)}.")
    matrix = [numbers(r, f"{where}.precision[{k}]", n) for k, r in enumerate(rows)]
    precision = np.array(matrix)
    largest = float(np.abs(precision).max())
    symmetric = bool(np.abs(precision - precision.T).max() <= 1e-6 * largest)
    if not symmetric or float(np.linalg.eigvalsh(precision)[0]) <= 0.0:
        raise ValueError(f"field '{where}.precision' must be symmetric and positive definite.")
    # an older log says nothing of what it does not name
    place = [usual.index(name) for name in named]
    fresh = Belief.fresh(machine.catalogue().scatter)
    fresh.mean[place], fresh.precision[np.ix_(place, place)] = mean, precision
    weights: dict[tuple[str, ...], float] = {}
    for k, entry in enumerate(row(table["weights"], f"{where}.weights")):
        at = f"{where}.weights[{k}]"
        weight = fields(entry, at, ("faults", "probability"))
        faults = names(weight["faults"], f"{at}.faults")
        weights[faults] = number(weight["probability"], f"{at}.probability", least=0.0, most=1.0)
    if sum(weights.values()) > 1.0 + 1e-6:
        raise ValueError(f"field '{where}.weights' must sum to 1 or less.")
    if not isinstance(table["sizes"], dict):
        found = shortened(table["sizes"])
        raise ValueError(f"field '{where}.sizes' must hold named fields, found {found}.")
    sizes = {
        key: tuple(
            _quantity(q, f"{where}.sizes.{key}[{k}]")
            for k, q in enumerate(row(entry, f"{where}.sizes.{key}"))
        )
        for key, entry in table["sizes"].items()
    }
    return Belief(fresh.mean, fresh.precision, weights, sizes, machine)


def _quantity(value: Any, where: str) -> Parameter:
    own = tuple(f.name for f in dataclasses.fields(Parameter))
    if isinstance(value, dict) and value.get("bounded") is False:  # an older log says so of each
        value = {name: entry for name, entry in value.items() if name != "bounded"}
    table = fields(value, where, own)
    ratio = table["ratio"]
    if not isinstance(ratio, bool):
        raise ValueError(f"field '{where}.ratio' must be true or false, found {shortened(ratio)}.")
    return Parameter(
        word(table["name"], f"{where}.name"),
        word(table["unit"], f"{where}.unit"),
        number(table["centre"], f"{where}.centre", least=1e-300 if ratio else -math.inf),
        number(table["spread"], f"{where}.spread", least=1e-300),
        ratio,
        number(table["faint"], f"{where}.faint"),
    )


def plain(value: Any, where: str) -> Any:
    """A value of plain types only, so that it can be written and read without loss."""
    if isinstance(value, Mapping):
        return {word(k, where): plain(v, f"{where}.{k}") for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [plain(v, f"{where}[{k}]") for k, v in enumerate(value)]
    if value is None or isinstance(value, str | bool):
        return value
    if isinstance(value, int | np.integer):
        return int(value)
    return number(value, where)
