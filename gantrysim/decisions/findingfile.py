"""A finding as a file: everything that was searched for and fitted, so that nothing is done again.

Kept are what was measured, the machine as described, what was believed of it, and of each
explanation its probability, sizes and words, its unknowns with their covariance, and the noise,
weights and sizes that its fit had learned.  Likelihood terms are made from the measurements again;
residuals and derivatives only when a picture asks for them.
"""

from __future__ import annotations

import dataclasses
import functools
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from gantrysim.decisions.belieffile import (
    belief_from,
    belief_table,
    machine_from,
    scatter_names,
)
from gantrysim.decisions.diagnosis import Finding, Hypothesis
from gantrysim.decisions.misstatements import Misstatement
from gantrysim.faults import Fault
from gantrysim.faults.base import LARGEST
from gantrysim.inference.assumptions import USUAL, Assumptions, Scales
from gantrysim.inference.faultmodel import FaultModel
from gantrysim.inference.fitting import Estimate, Fit
from gantrysim.inference.parameters import Belief
from gantrysim.inference.problem import Problem
from gantrysim.inference.recalled import RecalledMode
from gantrysim.inference.solver import Mode
from gantrysim.inference.terms import LikelihoodTerm
from gantrysim.instruments import INSTRUMENTS
from gantrysim.instruments.base import Instrument, Measurement
from gantrysim.instruments.burnedpiece import BurnedPiece
from gantrysim.instruments.measurementfile import (
    measurement_from,
    measurement_table,
    piece_from,
    piece_table,
)
from gantrysim.instruments.points import Piece
from gantrysim.machine import Machine
from gantrysim.records import limits
from gantrysim.records.checks import shortened
from gantrysim.records.doors import checked
from gantrysim.records.files import AnyPath, placed, read_text, write_new_text
from gantrysim.records.jsontext import (
    content_of,
    fields,
    flag,
    named,
    names,
    number,
    numbers,
    plain,
    row,
    text_of,
    whole,
    word,
)
from gantrysim.records.table import fields_of

FORMAT, VERSION = "gantrysim finding", 1
#: No fit goes so many standard deviations away.
_FAR = 100.0


def save_finding(finding: Finding, path: AnyPath, *, overwrite: bool) -> Path:
    """Write a finding whole or not at all, see `Finding.save`."""
    head = {"format": FORMAT, "version": VERSION}
    text = text_of(head | finding_table(finding))
    return write_new_text(path, text, overwrite=overwrite, most=limits.FINDING_BYTES)


@checked
def read_finding(
    path: AnyPath,
    *,
    architecture: type[Machine] = Machine,
    instruments: Sequence[Instrument] = INSTRUMENTS,
) -> Finding:
    """Read a finding that `Finding.save` wrote: it says, draws and advises the same.

    Nothing is searched or fitted again.  How the points of a piece were read from a scan
    (`Piece.record`) is not part of the file.

    Parameters
    ----------
    path : path
        Its file (JSON).
    architecture : type
        The class of the machine: `Machine` or a subclass of it, with its own catalogue.
    instruments : sequence of Instrument
        Those that it was measured with; all built-in ones if absent.

    Raises
    ------
    FileNotFoundError
        If there is no such file.
    ValueError
        With one sentence that names the file and the field.

    Examples
    --------
    >>> import gantrysim as gs
    >>> from gantrysim.instruments import ToneReading, ToneSheet
    >>> low = ToneReading("left", span=270.0, mass=8.4, tone=28.6, uncertainty=0.5)
    >>> finding = gs.diagnose(ToneSheet((low,), "by ear"))
    >>> path = finding.save("slack.json")
    >>> gs.read_finding("slack.json").report() == finding.report()
    True
    """
    text = read_text(path, "a finding", most=limits.FINDING_BYTES)
    with placed(path):
        content = content_of(text)
        if not isinstance(content, dict) or content.get("format") != FORMAT:
            raise ValueError(f"field 'format' must be {FORMAT!r}: this is no finding.")
        version = content.pop("version", None)
        if isinstance(version, bool) or version != VERSION:
            raise ValueError(f"field 'version' must be {VERSION}, found {shortened(version)}.")
        del content["format"]
        return finding_from(content, "finding", architecture, instruments)


# Writing


def finding_table(finding: Finding, *, pieces: bool = True) -> dict[str, Any]:
    """A finding as a table of plain values.

    ``pieces``: whether the measured pieces stand in it; else they are kept elsewhere, in order.
    ValueError if something measured is of a kind that cannot be kept, or an explanation is of
    other measurements than the finding.
    """
    problem = finding.best.fit.problem
    for h in finding.ranked:
        if len(h.fit.problem.sources) != len(finding.measured):
            raise ValueError(f"the explanation {h.name} does not rest on what was measured.")
    belief = problem.belief
    learned = belief.machine is not None or belief.weights or belief.sizes
    content = {
        "machine": finding.machine.to_dict(),
        "scatter": [s.parameter.name for s in problem.scatter],
        "belief": belief_table(belief, finding.machine) if learned else None,
        "assumptions": finding.assumptions.changed(),
        "settled": finding.settled,
        "explanations": [_explanation_table(h) for h in finding.ranked],
        "slips": [_slip_table(slip, chance) for slip, chance in finding.slips],
    }
    kept = [m for m in finding.measured if pieces or not isinstance(m, Piece)]
    tables = {id(m): measurement_table(m) for m in kept}
    measured = [tables.get(id(m)) for m in finding.measured]
    return {"measured": measured, **plain(content, "finding")}


def _explanation_table(h: Hypothesis) -> dict[str, Any]:
    fit = h.fit
    mode = fit.mode
    n = mode.u.size
    return {
        **fields_of(h, "faults", "probability", "log_evidence", "indistinguishable_from"),
        **fields_of(h, "words", "check"),
        "magnitudes": {name: dataclasses.asdict(m) for name, m in h.magnitudes.items()},
        "fitted": [_fault_table(fault) for fault in mode.faults],
        "unknowns": mode.u.tolist(),
        "covariance": [mode.covariance[i, : i + 1].tolist() for i in range(n)],
        **fields_of(mode, "evidence", "cost", "paid", "converged"),
        "scales": dataclasses.asdict(fit.problem.scales),
        "terms": [_term_table(source) for source in fit.problem.sources],
    }


def _fault_table(fault: FaultModel) -> dict[str, Any]:
    """Name and variant, and where it was found if its place was sought."""
    return {"name": fault.name, "variant": fault.variant, "place": fault.found_at}


def _term_table(term: LikelihoodTerm) -> dict[str, Any] | None:
    """What a fit has learned of a term; None for one that learns nothing."""
    if not isinstance(term, BurnedPiece):
        return None
    lighter = np.flatnonzero(term.weight != 1.0)
    return {
        "noise": dataclasses.replace(USUAL, noise=term.noise).to_dict()["noise"],
        "left_out": np.flatnonzero(term.bins.owner < 0).tolist(),
        "lighter": lighter.tolist(),
        "weights": term.weight[lighter].tolist(),
        "sizes_mm": term.sizes.tolist(),
    }


def _slip_table(slip: Misstatement, chance: float) -> dict[str, Any]:
    return {
        "probability": chance,
        **fields_of(slip, "kind", "words", "log_gain", "log_prior"),
        "restated": {str(place): piece_table(piece) for place, piece in slip.restated.items()},
        "faults": [_fault_table(fault) for fault in slip.faults],
    }


# Reading


_FINDING = (
    "measured", "machine", "scatter", "belief", "assumptions", "settled", "explanations", "slips",
)  # fmt: skip
_EXPLANATION = (
    "faults", "probability", "log_evidence", "indistinguishable_from", "words", "check",
    "magnitudes", "fitted", "unknowns", "covariance", "evidence", "cost", "paid", "converged",
    "scales", "terms",
)  # fmt: skip
_SLIP = ("probability", "kind", "words", "log_gain", "log_prior", "restated", "faults")
_TERM = ("noise", "left_out", "lighter", "weights", "sizes_mm")


def finding_from(
    value: Any,
    where: str,
    architecture: type[Machine] = Machine,
    instruments: Sequence[Instrument] = INSTRUMENTS,
    pieces: Sequence[Piece] = (),
) -> Finding:
    """The finding of a table as `finding_table` gives it.

    ``pieces``: those that were kept elsewhere, in order.  ValueError, in one sentence that names
    the field.
    """
    table = fields(value, where, _FINDING)
    machine = machine_from(table["machine"], f"{where}.machine", architecture)
    order = scatter_names(table["scatter"], f"{where}.scatter", machine)
    if len(order) != len(machine.catalogue().scatter):
        raise ValueError(f"field '{where}.scatter' lacks some: the finding is of another version.")
    measured = _measured(table["measured"], f"{where}.measured", instruments, pieces)
    assumptions = _assumptions(table["assumptions"], f"{where}.assumptions")
    belief = None
    if table["belief"] is not None:
        belief = belief_from(table["belief"], f"{where}.belief", machine, VERSION_OF_BELIEF)
    reader = _Reader.of(machine, measured, belief, assumptions, f"{where}.measured")
    at = f"{where}.explanations"
    told = enumerate(row(table["explanations"], at))
    ranked = [reader.hypothesis(x, f"{at}[{k}]") for k, x in told]
    if not ranked:
        raise ValueError(f"field {at!r} must name an explanation, found none.")
    at = f"{where}.slips"
    slips = [reader.slip(x, f"{at}[{k}]") for k, x in enumerate(row(table["slips"], at))]
    settled = flag(table["settled"], f"{where}.settled")
    return Finding(measured, machine, tuple(ranked), tuple(slips), settled)


#: The belief says which machine it is about, as in logs from version 2 on.
VERSION_OF_BELIEF = 2


def _measured(
    value: Any, where: str, instruments: Sequence[Instrument], pieces: Sequence[Piece]
) -> tuple[Measurement, ...]:
    kinds = [instrument.measurement for instrument in instruments]
    elsewhere = iter(pieces)
    found: list[Measurement | None] = []
    for k, entry in enumerate(row(value, where)):
        if entry is None:
            found.append(next(elsewhere, None))
        else:
            found.append(measurement_from(entry, f"{where}[{k}]", (Piece, *kinds)))
    if not found or None in found:
        raise ValueError(f"field {where!r} must hold what was measured, a table each.")
    return tuple(m for m in found if m is not None)


def _assumptions(value: Any, where: str) -> Assumptions:
    with placed(f"field {where!r}"):
        return Assumptions.of_changes(named(value, where))


@dataclasses.dataclass(frozen=True, eq=False)
class _Reader:
    """What the explanations of a finding have in common while they are read."""

    base: Problem
    assumptions: Assumptions

    @classmethod
    def of(
        cls,
        machine: Machine,
        measured: Sequence[Measurement],
        belief: Belief | None,
        assumptions: Assumptions,
        where: str,
    ) -> _Reader:
        with placed(f"field {where!r}"):
            terms = tuple(m.likelihood_term(machine, assumptions) for m in measured)
        return cls(Problem(machine, terms, belief, assumptions=assumptions), assumptions)  # type: ignore[arg-type]

    def hypothesis(self, value: Any, where: str) -> Hypothesis:
        table = fields(value, where, _EXPLANATION)
        scales = _scales(table["scales"], f"{where}.scales")
        terms = row(table["terms"], f"{where}.terms")
        if len(terms) != len(self.base.sources):
            raise ValueError(f"field '{where}.terms' must have one entry for each measurement.")
        sources = tuple(self.term(k, x, f"{where}.terms[{k}]") for k, x in enumerate(terms))
        problem = dataclasses.replace(self.base, sources=sources, scales=scales)
        mode = self.mode(problem, table, where)
        faults = names(table["faults"], f"{where}.faults")
        others = [(fault.name,) for fault in self.base.catalogue.unmodelled]
        if sorted(faults) != sorted(f.name for f in mode.faults) and faults not in others:
            raise ValueError(f"field '{where}.faults' must name what was fitted.")
        with placed(f"field '{where}.unknowns'"):
            machine = problem.machine(mode.faults, mode.u)
        at = f"{where}.indistinguishable_from"
        others = row(table["indistinguishable_from"], at)
        return Hypothesis(
            faults=faults,
            probability=number(table["probability"], f"{where}.probability", least=0.0, most=1.0),
            magnitudes=magnitudes_from(table["magnitudes"], f"{where}.magnitudes"),
            indistinguishable_from=tuple(names(x, f"{at}[{k}]") for k, x in enumerate(others)),
            log_evidence=number(table["log_evidence"], f"{where}.log_evidence"),
            words=word(table["words"], f"{where}.words"),
            check=word(table["check"], f"{where}.check"),
            fit=Fit(problem, mode, machine),
        )

    def mode(self, problem: Problem, table: dict[str, Any], where: str) -> Mode:
        at = f"{where}.fitted"
        told = [self.fault(x, f"{at}[{k}]") for k, x in enumerate(row(table["fitted"], at))]
        size = problem.start([fault for fault, _ in told]).size
        u = np.array(numbers(table["unknowns"], f"{where}.unknowns", size))
        if np.abs(u).max(initial=0.0) > _FAR:
            raise ValueError(f"field '{where}.unknowns' must be numbers of at most {_FAR:g}.")
        with placed(f"field {at!r}"):
            faults = tuple(
                fault if place is None else fault.placed_at(place, problem, u)
                for fault, place in told
            )
        return RecalledMode.of(
            problem,
            faults=faults,
            u=u,
            covariance=_covariance(table["covariance"], f"{where}.covariance", size),
            **{k: number(table[k], f"{where}.{k}") for k in ("evidence", "cost", "paid")},
            converged=flag(table["converged"], f"{where}.converged"),
        )

    def fault(self, value: Any, where: str) -> tuple[Fault, float | None]:
        """A fault of the catalogue, and the place at which it was found."""
        table = fields(value, where, ("name", "variant", "place"))
        name, variant = (word(table[k], f"{where}.{k}") for k in ("name", "variant"))
        with placed(f"field '{where}.name'"):
            family = self.base.catalogue.of_name(name)
        found = next((f for f in family if f.variant == variant), None)
        if found is None:
            raise ValueError(f"field '{where}.variant' is none of {name}, found {variant!r}.")
        place = table["place"]
        return found, None if place is None else number(place, f"{where}.place")

    def term(self, k: int, value: Any, where: str) -> LikelihoodTerm:
        """A term as a fit has learned it."""
        term = self.base.sources[k]
        if not isinstance(term, BurnedPiece):
            if value is not None:
                raise ValueError(f"field {where!r} must be null: readings by hand learn nothing.")
            return term
        table = fields(value, where, _TERM)
        with placed(f"field '{where}.noise'"):
            noise = Assumptions.of_changes({"noise": named(table["noise"], where)}).noise
        at = f"{where}.left_out"
        left_out = _places(table["left_out"], at, len(term.bins.owner))
        if 2 * len(left_out) > len(term.bins.owner):
            raise ValueError(f"field {at!r} must leave at least half of the points.")
        binned = self.binned(k, tuple(left_out))
        lighter = _places(table["lighter"], f"{where}.lighter", binned.weight.size)
        weight = np.ones(binned.weight.size)
        weight[lighter] = numbers(table["weights"], f"{where}.weights", len(lighter))
        if not ((weight >= 0.0) & (weight <= 1.0)).all():
            raise ValueError(f"field '{where}.weights' must be numbers from 0 to 1.")
        sizes = np.array(numbers(table["sizes_mm"], f"{where}.sizes_mm", binned.sizes.size))
        if (sizes < 0.0).any():
            raise ValueError(f"field '{where}.sizes_mm' must be numbers of 0 or more.")
        return dataclasses.replace(binned, noise=noise, weight=weight, sizes=sizes)

    @functools.cache  # noqa: B019 - the reader is dropped with its finding
    def binned(self, k: int, left_out: tuple[int, ...]) -> BurnedPiece:
        term = self.base.sources[k]
        assert isinstance(term, BurnedPiece)
        bad = np.zeros(len(term.bins.owner), dtype=bool)
        bad[list(left_out)] = True
        return term.without_points(bad)

    def slip(self, value: Any, where: str) -> tuple[Misstatement, float]:
        table = fields(value, where, _SLIP)
        at = f"{where}.restated"
        restated = {}
        for key, piece in named(table["restated"], at).items():
            if key not in map(str, range(len(self.base.sources))):
                raise ValueError(f"field {at!r} names no measurement by {key!r}.")
            restated[int(key)] = piece_from(piece, f"{at}.{key}")
        faults = row(table["faults"], f"{where}.faults")
        slip = Misstatement(
            word(table["kind"], f"{where}.kind"),
            word(table["words"], f"{where}.words"),
            number(table["log_gain"], f"{where}.log_gain"),
            number(table["log_prior"], f"{where}.log_prior"),
            restated,
            tuple(self.fault(x, f"{where}.faults[{k}]")[0] for k, x in enumerate(faults)),
        )
        return slip, number(table["probability"], f"{where}.probability", least=0.0, most=1.0)


def _scales(value: Any, where: str) -> Scales:
    known = [f.name for f in dataclasses.fields(Scales)]
    table = fields(value, where, known)
    found = {name: number(table[name], f"{where}.{name}", least=1e-6, most=1e6) for name in known}
    return Scales(**found)


def magnitudes_from(value: Any, where: str) -> dict[str, Estimate]:
    """The sizes of an explanation's faults, by name."""
    found = {}
    for name, entry in named(value, where).items():
        at = f"{where}.{name}"
        table = fields(entry, at, [f.name for f in dataclasses.fields(Estimate)])
        low, middle, high = (
            number(table[k], f"{at}.{k}", least=-LARGEST, most=LARGEST)
            for k in ("low", "estimate", "high")
        )
        if low > high:
            raise ValueError(f"field '{at}.low' must not be above '{at}.high'.")
        of, unit = (word(table[k], f"{at}.{k}") for k in ("name", "unit"))
        if of != name:
            raise ValueError(f"field '{at}.name' must be {name!r}, found {shortened(of)}.")
        sure = flag(table["identifiable"], f"{at}.identifiable")
        found[name] = Estimate(of, unit, middle, low, high, sure)
    return found


def _covariance(value: Any, where: str, size: int) -> np.ndarray:
    """A matrix whose lower rows were written."""
    rows = row(value, where)
    if len(rows) != size:
        raise ValueError(f"field {where!r} must have {size} rows, found {len(rows)}.")
    found = np.zeros((size, size))
    for k, entry in enumerate(rows):
        found[k, : k + 1] = found[: k + 1, k] = numbers(entry, f"{where}[{k}]", k + 1)
    if np.abs(found).max(initial=0.0) > _FAR**2:
        raise ValueError(f"field {where!r} must hold numbers of at most {_FAR**2:g}.")
    if not float(np.linalg.eigvalsh(found)[0]) > 0.0:  # nor is NaN
        raise ValueError(f"field {where!r} must be positive definite.")
    return found


def _places(value: Any, where: str, count: int) -> list[int]:
    """Whole numbers that rise, below a count."""
    found = [whole(x, f"{where}[{k}]", least=0) for k, x in enumerate(row(value, where))]
    if found and (max(found) >= count or sorted(set(found)) != found):
        raise ValueError(f"field {where!r} must hold rising whole numbers below {count}.")
    return found
