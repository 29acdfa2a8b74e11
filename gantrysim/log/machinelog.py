"""The log of one machine: every burn, finding, turn and verdict, and what is now believed.

One file a machine, readable by a person and complete by itself.  A log is never changed in
place: each call returns a new one and, where it has a path, saves it whole or not at all.
"""

from __future__ import annotations

import datetime
import hashlib
import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

import numpy as np

from gantrysim.acceptance.tolerance import Verdict
from gantrysim.burn import Burn
from gantrysim.decisions import belieffile
from gantrysim.decisions.adjustment import Adjustment
from gantrysim.decisions.afterturn import Change, after_turn, amount_turned
from gantrysim.decisions.diagnosis import Finding, diagnose
from gantrysim.decisions.findingfile import finding_from, finding_table, magnitudes_from
from gantrysim.decisions.words import CAUTION, SOUND
from gantrysim.faults import Fault
from gantrysim.faults.base import LARGEST
from gantrysim.inference.assumptions import USUAL, Assumptions
from gantrysim.inference.parameters import Belief
from gantrysim.inference.problem import listed
from gantrysim.instruments import INSTRUMENTS, measurementfile
from gantrysim.instruments.base import Instrument, Measurement
from gantrysim.instruments.points import Piece
from gantrysim.log import file as logfile
from gantrysim.log.turncheck import disagreements
from gantrysim.machine import Machine
from gantrysim.records import jsontext, limits
from gantrysim.records.amounts import in_words, probability, with_interval
from gantrysim.records.checks import must_be, shortened
from gantrysim.records.doors import checked
from gantrysim.records.files import AnyPath, placed, read_text, write_new_text
from gantrysim.records.table import Table

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from numpy.typing import NDArray

Date = str | datetime.date
_LEAST_KEPT = 1e-3  # explanations below this probability are not written down
_BELIEVED = 3  # explanations of what is believed now that are said


@dataclass(frozen=True, eq=False)
class Burned:
    """A burn with what was found.

    Parameters
    ----------
    date, note : str
        When (ISO 8601, empty where nobody said), and anything worth a word.
    pieces : tuple of Piece
        What was measured.
    error : float
        Root mean square distance of the measured lines from the commanded ones, mm, as the
        finding places them.
    finding : mapping
        ``ranked`` explanations with probability, magnitudes and the group each belongs to,
        ``certain``, and the ``words`` of the report.
    readings : tuple of str
        Sheets of readings by hand that entered the finding beside the pieces: kind, source and
        number of readings.  What they taught is in the belief.
    whole : mapping or None
        The whole finding but for its pieces, as `MachineLog.finding` restores it; None where the
        log is older, or something measured cannot be kept.
    """

    date: str
    note: str
    pieces: tuple[Piece, ...]
    error: float
    finding: Mapping[str, Any]
    readings: tuple[str, ...] = ()
    whole: Mapping[str, Any] | None = None


@dataclass(frozen=True)
class Adjusted:
    """A turn.

    Parameters
    ----------
    date, note : str
        When, and who did it or why.
    fault, place, way : str
        What it was to cure, where, and which way.
    amount : float or None
        How far, in ``unit``; of a `Change` what it added to the fault, so negative where it was
        taken off.  None where nobody knows.
    unit : str
        Unit of the amount; empty where nothing is turned by one.
    as_advised : bool
        Whether nobody said how far it was really turned, so that this is what was advised.
    """

    date: str
    note: str
    fault: str
    place: str
    way: str
    amount: float | None
    unit: str
    as_advised: bool = False

    @property
    def known(self) -> str:
        """What is to be said of the amount beside it."""
        return " as advised" if self.as_advised else ""


@dataclass(frozen=True, eq=False)
class Accepted:
    """A verdict.

    Parameters
    ----------
    date, note : str
        When, and anything worth a word.
    verdict : Verdict
        Probabilities, and limits in their units.
    """

    date: str
    note: str
    verdict: Verdict

    @property
    def summary(self) -> str:
        """The decision in one clause, without numbers."""
        return self.verdict.summary


Entry = Burned | Adjusted | Accepted


@checked
@dataclass(frozen=True, eq=False)
class MachineLog:
    """The log of one machine; make one with `new_log` or `open_log`.

    Parameters
    ----------
    name : str
        What the machine is called.
    machine : Machine
        The machine as described.
    belief : Belief
        What is believed of it now: the posterior of the last round, changed by what was turned
        since (probabilities, and sizes in the units of the faults).
    entries : tuple of Burned, Adjusted or Accepted
        Its history.
    path : Path or None
        Where it is kept; None for a log in memory only.
    assumptions : Assumptions
        The judgement behind its findings; the file holds those that are not the usual ones.

    Examples
    --------
    >>> import gantrysim as gs
    >>> log = gs.new_log("alder.json", gs.Machine(), name="Alder")
    >>> log = log.adjusted(gs.decisions.Change("slack_belt_left", 0.5))
    >>> log.entries[0].fault
    'slack_belt_left'
    >>> print(log.report())
    Log of Alder: 0 burns.
    Turned: stiffness left to the left belt 50 % of healthy stiffness less.
    Believed now, a tenth given back lest a wrong finding stays: nothing is wrong with this machine
    (0.15); the left Y belt is soft and gives too much (0.04)...
    Before touching the machine: power off, laser disconnected; re-home afterwards.
    """

    name: str
    machine: Machine
    belief: Belief
    entries: tuple[Entry, ...] = ()
    path: Path | None = None
    assumptions: Assumptions = USUAL
    _stamp: str = field(default="", repr=False)

    @property
    def burns(self) -> tuple[Burned, ...]:
        """The burns, in order."""
        return tuple(e for e in self.entries if isinstance(e, Burned))

    @property
    def pieces(self) -> tuple[Piece, ...]:
        """The first measured piece of each burn."""
        return tuple(burn.pieces[0] for burn in self.burns)

    def diagnose(self, measured: Measurement | Burn | Sequence[Measurement | Burn]) -> Finding:
        """Diagnose what was measured on this machine with what is believed of it."""
        return diagnose(measured, self.machine, belief=self.belief, assumptions=self.assumptions)

    def burned(
        self,
        measured: Measurement | Sequence[Measurement],
        finding: Finding,
        *,
        date: Date = "",
        note: str = "",
    ) -> MachineLog:
        """Return the log with a burn and what was found: the finding's posterior is believed.

        Parameters
        ----------
        measured : Piece, CaliperSheet, PushSheet, ToneSheet, or a sequence of them
            What was measured, such as a piece and its caliper sheet; all that the finding was
            made from is kept with it: pieces by their points, sheets by a line of text.
        finding : Finding
            What it says, best from `MachineLog.diagnose`.
        date : str or date
            When, such as ``"2031-04-05"``.
        note : str
            Anything worth a word.

        Raises
        ------
        ValueError
            If the finding is about something else or another machine, no piece was burned for
            it, a piece stands in the log already, or the file was changed by somebody else since
            this log was made.
        """
        things = listed(measured)
        for thing in things:
            if not any(thing is known for known in finding.measured):
                raise ValueError(f"the finding is not about {thing!r} but {finding.measured!r}.")
        if finding.machine != self.machine:
            raise ValueError("the finding is about another machine than the one of this log.")
        if not finding.pieces:
            raise ValueError(
                "a burn needs a Piece among what its finding was made from, found only "
                f"{finding.measured!r}; diagnose the readings together with a piece."
            )
        self._refuse_twice(finding.pieces)
        sheets = tuple(repr(x) for x in finding.measured if not isinstance(x, Piece))
        found = (finding.pieces, _error(finding), _summary(finding), sheets, _whole(finding))
        return self._with(Burned(_date(date), _note(note), *found), finding.belief())

    def finding(
        self, burn: int = -1, *, instruments: Sequence[Instrument] = INSTRUMENTS
    ) -> Finding:
        """Return the whole finding of a burn, as it was; nothing is searched or fitted again.

        Parameters
        ----------
        burn : int
            Which of `burns`; the last one if absent.
        instruments : sequence of Instrument
            Those that it was measured with; all built-in ones if absent.

        Raises
        ------
        ValueError
            If there is no such burn, or the log kept a summary of its finding only.
        """
        if not -len(self.burns) <= burn < len(self.burns):
            raise ValueError(f"burn must be one of {len(self.burns)} burns, found {burn}.")
        kept = self.burns[burn]
        if kept.whole is None:
            raise ValueError("the log kept of this burn only what the report of its finding says.")
        with placed(self.path or self.name):
            return finding_from(kept.whole, "whole", type(self.machine), instruments, kept.pieces)

    def _refuse_twice(self, pieces: Sequence[Piece]) -> None:
        """Raise ValueError if the points of a piece stand in the log: they are believed once."""
        known = {p.check_sum: burn.date for burn in self.burns for p in burn.pieces}
        for piece in pieces:
            points = piece.check_sum
            if points in known:
                when = f" of {known[points]}" if known[points] else ""
                raise ValueError(
                    f"{piece!r} has the points of a burn{when} that stands in this log; each piece "
                    "is believed once."
                )
            known[points] = ""

    def adjusted(
        self,
        adjustment: Adjustment | Change,
        *,
        turned: float | str | None = None,
        other_way: bool = False,
        cured: float | None = None,
        date: Date = "",
        note: str = "",
    ) -> MachineLog:
        """Return the log with something turned, and the belief changed as it changes the machine.

        Parameters
        ----------
        adjustment : Adjustment or Change
            What was turned: advice that was followed, or a change said in the fault's unit.
        turned : float or str, optional
            How far it was really turned, in the adjustment's unit and with its sign; ``"unknown"``
            where nobody knows, and what was advised if absent.
        other_way : bool
            Whether it was turned against the advice; else a sign against it is refused.
        cured : float, optional
            Probability that it is cured, where somebody knows better than the amount says.
        date : str or date
            When.
        note : str
            Who did it, and anything worth a word.

        Raises
        ------
        ValueError
            If it is no adjustment, the machine has no such fault, the sign goes against the
            advice, or the file was changed by somebody else.
        """
        what, amount = adjustment, amount_turned(adjustment, turned, other_way=other_way)
        way, as_advised = what.way, False
        if isinstance(what, Change):
            unit = self.machine.catalogue().named(what.fault).unit
            if amount is not None:
                way = way if amount * what.amount >= 0.0 else ""
                amount = -amount
        else:
            unit = what.unit if what.point.result[0] else ""
            way = what.point.way(amount) if amount else way
            as_advised = turned is None and amount is not None and bool(unit)
        how: dict[str, Any] = {"turned": turned, "other_way": other_way, "cured": cured}
        belief = after_turn(self.belief, self.machine, what, **how, assumptions=self.assumptions)
        told = (what.fault, what.place, way, amount, unit, as_advised)
        return self._with(Adjusted(_date(date), _note(note), *told), belief)

    def accepted(self, verdict: Verdict, *, date: Date = "", note: str = "") -> MachineLog:
        """Return the log with a verdict of `accept` or `will_hold`; the belief stays.

        Raises
        ------
        ValueError
            If it is no verdict, or the file was changed by somebody else.
        """
        return self._with(Accepted(_date(date), _note(note), verdict), self.belief)

    def _with(self, entry: Entry, belief: Belief) -> MachineLog:
        log = replace(self, entries=(*self.entries, entry), belief=belief)
        return log if self.path is None else log._saved(self.path, unchanged=self._look)

    def _look(self) -> None:
        """Refuse to lose what somebody else has written into the file since it was read."""
        if _stamp_of(_text_in(cast(Path, self.path))) != self._stamp:
            raise ValueError(
                f"{self.path}: the log was changed since this one was made; open it again."
            )

    def _saved(self, path: Path, *, unchanged: Callable[[], None] | None = None) -> MachineLog:
        """Kept in its file: a new one, or that which nobody has changed."""
        text = jsontext.text_of(self.to_dict())
        write_new_text(
            path, text, overwrite=unchanged is not None, unchanged=unchanged, most=limits.LOG_BYTES
        )
        return replace(self, path=path, _stamp=_stamp_of(text))

    def to_dict(self) -> dict[str, Any]:
        """Return the whole log as plain Python types: the content of its file."""
        changed = self.assumptions.changed()
        return {
            "format": logfile.FORMAT,
            "version": logfile.VERSION,
            "name": self.name,
            "machine": jsontext.plain(self.machine.to_dict(), "machine"),
            "belief": belieffile.belief_table(self.belief, self.machine),
            "history": [_table(entry) for entry in self.entries],
        } | ({"assumptions": changed} if changed else {})

    def report(self) -> str:
        """Return the history in words, and what is believed now."""
        rows = [f"Log of {self.name}: {len(self.burns)} burns."]
        last: Burned | None = None
        turns: list[Adjusted] = []
        for entry in self.entries:
            when = f"{entry.date}: " if entry.date else ""
            note = f" ({entry.note})" if entry.note else ""
            rows.append(f"{when}{_words(entry, self.machine)}{note}")
            if isinstance(entry, Adjusted):
                turns.append(entry)
            elif isinstance(entry, Burned):
                rows += disagreements(last, turns, entry, self.machine) if last else []
                last, turns = entry, []
        likely = sorted(self.belief.weights.items(), key=lambda item: -item[1])[:_BELIEVED]
        if likely:
            words = "; ".join(f"{_called(f, self.machine)} ({probability(p)})" for f, p in likely)
            lead = "Believed now, a tenth given back lest a wrong finding stays"
            rows.append(f"{lead}: {words}.")
        else:
            rows.append("Believed now: nothing but the description of the machine.")
        rows.append(CAUTION)
        return "\n".join(rows)

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw the error of each burn, with the turns between; µm rms."""
        from gantrysim.plotting.logs import plot_log

        return plot_log(self, ax)

    def before_after(self, axes: Any = None) -> NDArray[Any]:
        """Draw the first and the last burn below each other, errors magnified alike.

        Raises
        ------
        ValueError
            If the log has fewer than two burns.
        """
        from gantrysim.plotting.logs import before_after

        return before_after(self, axes=axes)

    def __repr__(self) -> str:
        kept = f", {str(self.path)!r}" if self.path else ""
        turns = sum(isinstance(e, Adjusted) for e in self.entries)
        return f"MachineLog({self.name!r}{kept}, {len(self.burns)} burns, {turns} turns)"

    def _repr_html_(self) -> str:
        rows = ((e.date, _words(e, self.machine), e.note) for e in self.entries)
        return Table(("when", "what", "note"), rows, repr(self)).html()


@checked
def new_log(
    path: str | os.PathLike[str] | None,
    machine: Machine,
    *,
    name: str,
    assumptions: Assumptions = USUAL,
) -> MachineLog:
    """Begin the log of a machine.

    Parameters
    ----------
    path : path or None
        Where it is kept (JSON); None keeps it in memory only.
    machine : Machine
        The machine as described.
    name : str
        What it is called.
    assumptions : Assumptions
        The judgement that its findings rest on.

    Raises
    ------
    FileExistsError
        If there is such a file: logs are never overwritten.
    FileNotFoundError
        If its folder does not exist.
    ValueError
        If path, machine or name is of another kind.

    Examples
    --------
    >>> import gantrysim as gs
    >>> gs.new_log("alder.json", gs.Machine(), name="Alder")
    MachineLog('Alder', 'alder.json', 0 burns, 0 turns)
    """
    if path is not None and not os.fspath(path):
        raise ValueError(must_be("path", "that of a file, or None to keep the log in memory", path))
    if not isinstance(name, str) or not name.strip():
        raise ValueError(f"name must be a text that is not empty, found {shortened(name)}.")
    belief = replace(Belief.fresh(machine.catalogue().scatter), machine=machine)
    log = MachineLog(name, machine, belief, assumptions=assumptions)
    if path is None:
        return log
    try:
        return log._saved(Path(path))
    except FileExistsError:
        raise FileExistsError(
            f"{path}: the file exists; a log is never overwritten, open it."
        ) from None


@checked
def open_log(path: str | os.PathLike[str], *, architecture: type[Machine] = Machine) -> MachineLog:
    """Open the log of a machine.

    Parameters
    ----------
    path : path
        Its file.
    architecture : type
        The class of the machine: `Machine` or a subclass of it, with its own catalogue.

    Raises
    ------
    FileNotFoundError
        If there is no such file.
    ValueError
        With one sentence that names the file and the field.

    Examples
    --------
    >>> import gantrysim as gs
    >>> log = gs.new_log("alder.json", gs.Machine(), name="Alder")
    >>> gs.open_log("alder.json")
    MachineLog('Alder', 'alder.json', 0 burns, 0 turns)
    """
    text = _text_in(path)
    with placed(path):
        log = _log_of(jsontext.content_of(text), architecture)
    return replace(log, path=Path(path), _stamp=_stamp_of(text))


# Reading


def _log_of(content: Any, architecture: type[Machine]) -> MachineLog:
    if not isinstance(content, dict) or content.get("format") != logfile.FORMAT:
        raise ValueError(f"field 'format' must be {logfile.FORMAT!r}: this is no machine log.")
    version = content.get("version")
    if isinstance(version, bool) or version not in logfile.VERSIONS:
        accepted = " or ".join(map(str, logfile.VERSIONS))
        raise ValueError(f"field 'version' must be {accepted}, found {shortened(version)}.")
    names = ("format", "version", "name", "machine", "belief", "history", "assumptions")
    content = {"assumptions": {}} | content
    table = jsontext.fields(content, "log", names)
    history = jsontext.row(table["history"], "history")
    machine = belieffile.machine_from(table["machine"], "machine", architecture)
    return MachineLog(
        jsontext.word(table["name"], "name"),
        machine,
        belieffile.belief_from(table["belief"], "belief", machine, int(version)),
        tuple(_entry(entry, f"history[{k}]", int(version)) for k, entry in enumerate(history)),
        assumptions=Assumptions.of_changes(table["assumptions"]),
    )


#: Version 1 kept no word of readings by hand, version 2 no whole findings.
_BURNED = {
    1: ("kind", "date", "note", "error_mm", "finding", "pieces"),
    2: ("kind", "date", "note", "error_mm", "finding", "pieces", "readings"),
    3: ("kind", "date", "note", "error_mm", "finding", "pieces", "readings", "whole"),
    4: ("kind", "date", "note", "error_mm", "finding", "pieces", "readings", "whole"),
}
_ADJUSTED = ("kind", "date", "note", "fault", "place", "way", "amount", "unit")
#: Since this version a turn may be of unknown amount, and it is kept whether that was only advised.
_UNKNOWN_SINCE = 4
_ACCEPTED = ("kind", "date", "note", "verdict")
_FINDING = ("words", "certain", "ranked")
_RANKED = ("faults", "probability", "magnitudes", "indistinguishable_from")


def _entry(value: Any, where: str, version: int) -> Entry:
    kind = value.get("kind") if isinstance(value, dict) else None
    if kind not in logfile.KINDS:
        accepted = ", ".join(logfile.KINDS)
        found = shortened(kind)
        raise ValueError(f"field '{where}.kind' must be one of {accepted}, found {found}.")
    adjusted = _ADJUSTED if version < _UNKNOWN_SINCE else (*_ADJUSTED, "as_advised")
    names = {"burned": _BURNED[version], "adjusted": adjusted, "accepted": _ACCEPTED}[kind]
    table = jsontext.fields(value, where, names)
    when = logfile.date(table["date"], f"{where}.date")
    note = jsontext.word(table["note"], f"{where}.note")
    if kind == "adjusted":
        fault, place, way, unit = (
            jsontext.word(table[name], f"{where}.{name}")
            for name in ("fault", "place", "way", "unit")
        )
        amount = table["amount"]
        if amount is not None or version < _UNKNOWN_SINCE:
            amount = jsontext.number(amount, f"{where}.amount", least=-LARGEST, most=LARGEST)
        advised = jsontext.flag(table.get("as_advised", False), f"{where}.as_advised")
        return Adjusted(when, note, fault, place, way, amount, unit, advised)
    if kind == "accepted":
        verdict = jsontext.named(table["verdict"], f"{where}.verdict")
        return Accepted(when, note, Verdict.from_dict(verdict, f"{where}.verdict"))
    finding = _summary_from(table["finding"], f"{where}.finding")
    pieces = jsontext.row(table["pieces"], f"{where}.pieces")
    if not pieces:
        raise ValueError(f"field '{where}.pieces' must hold a piece, found none.")
    read = tuple(
        measurementfile.piece_from(p, f"{where}.pieces[{k}]") for k, p in enumerate(pieces)
    )
    error = jsontext.number(table["error_mm"], f"{where}.error_mm", least=0.0)
    readings = jsontext.names(table.get("readings", []), f"{where}.readings")
    whole = table.get("whole")
    if whole is not None:
        whole = jsontext.named(whole, f"{where}.whole")
    return Burned(when, note, read, error, finding, readings, whole)


def _summary_from(value: Any, where: str) -> dict[str, Any]:
    """What `_summary` wrote of a finding."""
    finding = jsontext.fields(value, where, _FINDING)
    jsontext.word(finding["words"], f"{where}.words")
    jsontext.flag(finding["certain"], f"{where}.certain")
    ranked = jsontext.row(finding["ranked"], f"{where}.ranked")
    if not ranked:
        raise ValueError(f"field '{where}.ranked' must name an explanation, found none.")
    for k, explanation in enumerate(ranked):
        at = f"{where}.ranked[{k}]"
        told = jsontext.fields(explanation, at, _RANKED)
        jsontext.names(told["faults"], f"{at}.faults")
        jsontext.number(told["probability"], f"{at}.probability", least=0.0, most=1.0)
        magnitudes_from(told["magnitudes"], f"{at}.magnitudes")
        others = f"{at}.indistinguishable_from"
        for n, other in enumerate(jsontext.row(told["indistinguishable_from"], others)):
            jsontext.names(other, f"{others}[{n}]")
    return finding


# Writing


def _table(entry: Entry) -> dict[str, Any]:
    if isinstance(entry, Burned):
        return {
            "kind": "burned",
            "date": entry.date,
            "note": entry.note,
            "error_mm": entry.error,
            "finding": dict(entry.finding),
            "pieces": [measurementfile.piece_table(piece) for piece in entry.pieces],
            "readings": list(entry.readings),
            "whole": None if entry.whole is None else dict(entry.whole),
        }
    if isinstance(entry, Adjusted):
        return {"kind": "adjusted", **vars(entry)}
    verdict = jsontext.plain(entry.verdict.to_dict(), "verdict")
    return {"kind": "accepted", **vars(entry), "verdict": verdict}


def _summary(finding: Finding) -> dict[str, Any]:
    """The ranking without what is next to impossible, and the report."""
    told = finding.to_dict()
    ranked = [
        {name: h[name] for name in _RANKED}
        for k, h in enumerate(told["ranked"])
        if k == 0 or h["probability"] > _LEAST_KEPT
    ]
    content = {"words": finding.report(), "certain": finding.certain, "ranked": ranked}
    summary: dict[str, Any] = jsontext.plain(content, "finding")
    return summary


def _whole(finding: Finding) -> dict[str, Any] | None:
    """The whole finding, its pieces kept beside it; None where it cannot be kept."""
    try:
        return finding_table(finding, pieces=False)
    except ValueError:
        return None


def _error(finding: Finding) -> float:
    """Root mean square distance of measured from commanded lines, mm."""
    fit = finding.best.fit
    squares = []
    for k in range(len(fit.problem.burned)):
        drawn = fit.overlay(k)
        for measured, base in zip(drawn.measured, drawn.base, strict=True):
            squares.append(np.sum((measured - base) ** 2, axis=1))
    return float(np.sqrt(np.mean(np.concatenate(squares))))


def _words(entry: Entry, machine: Machine) -> str:
    """What happened, in one sentence."""
    if isinstance(entry, Burned):
        best = entry.finding["ranked"][0]
        sizes = "; ".join(
            _size(name, m, machine) if m["identifiable"] else "how big is not told"
            for name, m in best["magnitudes"].items()
        )
        sure = "" if entry.finding["certain"] else ", not certain"
        size = f", {sizes}" if sizes else ""
        beside = f", with {', '.join(entry.readings)}" if entry.readings else ""
        return (
            f"Burned{beside}, error {entry.error * 1e3:.0f} µm rms; found: "
            f"{_called(best['faults'], machine)}{size} (probability "
            f"{probability(_chance(entry.finding['ranked']))}{sure})."
        )
    if isinstance(entry, Adjusted):
        fault = _fault(entry.fault, machine)
        noun = fault.noun if fault is not None else entry.fault.replace("_", " ")
        where = f" at {entry.place}" if entry.place else ""
        if entry.amount is None:
            how = entry.way or f"{noun} changed"
            return (
                f"Turned{where}: {how}, nobody knows how far{', for ' + noun if entry.way else ''}."
            )
        much = f"{in_words(abs(entry.amount), entry.unit)}{entry.known}"
        if entry.way:
            much = f", {much}" if entry.unit else ""
            return f"Turned{where}: {entry.way}{much}, for {noun}."
        return f"Turned{where}: {noun} {much} {'more' if entry.amount > 0.0 else 'less'}."
    return f"Judged: {entry.summary} (probability {probability(entry.verdict.probability)})."


def _chance(ranked: Sequence[Mapping[str, Any]]) -> float:
    """Probability of what is likeliest, whatever else may be at fault beside it."""
    best = set(ranked[0]["faults"])
    with_it = (h for h in ranked if best <= set(h["faults"]) and (best or not h["faults"]))
    return float(sum(h["probability"] for h in with_it))


def _fault(name: str, machine: Machine) -> Fault | None:
    """A fault of a machine by its name; None for one that its catalogue does not know any more."""
    try:
        return machine.catalogue().named(name)
    except ValueError:
        return None


def _called(names: Sequence[str], machine: Machine) -> str:
    """An explanation in plain words."""
    faults = ((name, _fault(name, machine)) for name in names)
    words = (fault.words if fault else name.replace("_", " ") for name, fault in faults)
    return " and ".join(words) or SOUND


def _size(name: str, size: Mapping[str, Any], machine: Machine) -> str:
    """The size of a fault as it was found."""
    fault = _fault(name, machine)
    ways = fault.ways if fault else ("", "")
    return with_interval(size["estimate"], size["low"], size["high"], size["unit"], ways=ways)


def _date(value: Date) -> str:
    return logfile.date(value, "date")


def _note(value: Any) -> str:
    return jsontext.word(value, "note")


def _text_in(path: AnyPath) -> str:
    return read_text(path, "a machine log", most=limits.LOG_BYTES)


def _stamp_of(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()
