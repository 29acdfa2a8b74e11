"""What is believed of a machine, as a table of plain values: in logs and findings that are kept."""

from __future__ import annotations

import dataclasses
import hashlib
import json
import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from gantrysim.faults.healthy import FORMER, LATER
from gantrysim.inference.parameters import Belief, Parameter
from gantrysim.machine import Machine
from gantrysim.machine.file import machine_of
from gantrysim.records.files import placed
from gantrysim.records.jsontext import fields, flag, named, names, number, numbers, row, word


def machine_from(value: Any, where: str, architecture: type[Machine]) -> Machine:
    """The machine of a table as `Machine.to_dict` gives it, of its class."""
    table = named(value, where)
    with placed(f"field {where!r}"):
        return machine_of(table, architecture)


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
        "turned": list(belief.turned),
    }


def belief_from(value: Any, where: str, machine: Machine, version: int) -> Belief:
    """What is believed of a machine, of a table as `belief_table` gives it."""
    own = ("machine_sha256",) if version > 1 else ()
    needed = (*own, "scatter", "mean", "precision", "weights", "sizes")
    table = fields(value, where, needed, ("turned",))  # which older files do not tell
    if own and word(table[own[0]], f"{where}.machine_sha256") != machine_sum(machine):
        raise ValueError(
            f"field '{where}.machine_sha256' does not fit the machine: its description was changed "
            "after this was learned (begin a new log for it), or it is of another "
            "architecture (give its class: open_log(path, architecture=...))."
        )
    usual = tuple(s.parameter.name for s in machine.catalogue().scatter)
    told = scatter_names(table["scatter"], f"{where}.scatter", machine)
    n = len(told)
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
    place = [usual.index(name) for name in told]
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
    sizes = {
        key: tuple(
            _quantity(q, f"{where}.sizes.{key}[{k}]")
            for k, q in enumerate(row(entry, f"{where}.sizes.{key}"))
        )
        for key, entry in named(table["sizes"], f"{where}.sizes").items()
    }
    # what an older log says of a fault in other terms is not known
    terms = {f.key: [q.name for q in f.parameters] for f in machine.catalogue().faults}
    sizes = {
        key: size
        for key, size in sizes.items()
        if key not in terms or [q.name for q in size] == terms[key]
    }
    turned = names(table.get("turned", []), f"{where}.turned")
    return Belief(fresh.mean, fresh.precision, weights, sizes, machine, turned)


def scatter_names(value: Any, where: str, machine: Machine) -> list[str]:
    """Names of a machine's healthy scatter, by which what is kept of it is ordered."""
    usual = [s.parameter.name for s in machine.catalogue().scatter]
    told = [FORMER.get(name, name) for name in names(value, where)]
    if told != [name for name in usual if name not in LATER or name in told]:
        raise ValueError(f"field {where!r} must name {', '.join(usual)}: it is of another version.")
    return told


def _quantity(value: Any, where: str) -> Parameter:
    own = tuple(f.name for f in dataclasses.fields(Parameter))
    if isinstance(value, dict) and value.get("bounded") is False:  # an older log says so of each
        value = {name: entry for name, entry in value.items() if name != "bounded"}
    table = fields(value, where, own)
    ratio = flag(table["ratio"], f"{where}.ratio")
    return Parameter(
        word(table["name"], f"{where}.name"),
        word(table["unit"], f"{where}.unit"),
        number(table["centre"], f"{where}.centre", least=1e-300 if ratio else -math.inf),
        number(table["spread"], f"{where}.spread", least=1e-300),
        ratio,
        number(table["faint"], f"{where}.faint"),
    )
