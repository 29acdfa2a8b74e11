"""The sections of a report for whoever adjusts, each in the words that its result says itself."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import PurePath
from typing import TYPE_CHECKING

from gantrysim.decisions import words
from gantrysim.decisions.diagnosis import Finding
from gantrysim.log.machinelog import Accepted, Adjusted, Burned, MachineLog
from gantrysim.metrology import measure
from gantrysim.part import PartJudgement
from gantrysim.records.amounts import probability
from gantrysim.records.table import Table
from gantrysim.report import page, pictures

if TYPE_CHECKING:
    from gantrysim.report.writing import Judged


def about(finding: Finding) -> list[str]:
    """What was measured, and what was commanded."""
    sources = ", ".join(_name(thing.source) for thing in finding.measured)
    tests = dict.fromkeys(piece.test.summary() for piece in finding.pieces)
    return [f"Measured: {sources}.", *tests]


def found(finding: Finding) -> list[str]:
    """What is to be read first, the finding, and each adjusting point."""
    catalogue = finding.best.fit.problem.catalogue
    points = [
        (
            point.words,
            probability(point.probability),
            words.sized_words(point, catalogue) if point.sized else "not told",
        )
        for point in finding.standing.named
    ]
    table = Table(("adjusting point", "probability", "how big"), points).html()
    explained = page.wide(words.table(finding), "Explanations")
    return [
        page.section("Look at this first", page.sentences(words.warnings(finding)), kind="warning"),
        page.section("Finding", page.sentences(words.headline(finding), lead=True)),
        page.section(
            "Adjusting points",
            page.wide(table, "How likely each is, and how big") if points else "",
            pictures.at_fault(finding),
            page.folded(
                "More about this finding", page.sentences(words.remarks(finding)), explained
            ),
        ),
    ]


def advised(finding: Finding, turned: Sequence[Adjusted]) -> str:
    """What to do, the cautions first; nothing where something was ``turned`` since the burn."""
    if turned:
        what = ", ".join(entry.place or entry.fault for entry in turned)
        since = f"Turned since this was burned: {what}. Burn again before anything more is turned."
        return page.section("What to do", page.cautions([words.CAUTION]), page.sentences([since]))
    advice = finding.adjustments()
    rows = [row for row in advice.report().splitlines() if row not in advice.cautions]
    safe = page.cautions(advice.cautions or (words.CAUTION,))
    told = page.sentences(rows)
    return page.section("What to do", safe, told, pictures.expected(advice, finding))


def measured(finding: Finding) -> str:
    """The measured lines, and the measures by the standards, folded."""
    tables = []
    for piece in finding.pieces:
        named = replace(piece, source=_name(piece.source))
        title = f"Measures of {named.source}"
        tables.append(page.folded(title, page.wide(measure(named)._repr_html_(), title)))
    return page.section("What was measured", pictures.measured(finding), *tables)


def _name(source: str) -> str:
    """A file by its name: in which folder it lies is nobody's business."""
    return PurePath(source).name or source


def judged(results: Sequence[Judged], log: MachineLog | None) -> str:
    """Verdicts and what was said of parts, those of the log first."""
    told = []
    for entry in verdicts(log):
        first, *rows = _rows(entry.verdict)
        told += [
            page.sentences([f"{entry.date or 'Undated'}: {first}", *rows]),
            _table(entry.verdict),
        ]
    for k, result in enumerate(results):
        told += [page.sentences(_rows(result)), _table(result)]
        told += [pictures.part(result, k)] if isinstance(result, PartJudgement) else []
    return page.section("Verdicts", *told)


def _rows(result: Judged) -> list[str]:
    return result.report().splitlines()


def _table(result: Judged) -> str:
    return page.folded("As a table", page.wide(result._repr_html_(), result.summary))


def verdicts(log: MachineLog | None) -> list[Accepted]:
    """The verdicts that stand in a log."""
    return [e for e in log.entries if isinstance(e, Accepted)] if log is not None else []


def history(log: MachineLog) -> str:
    """Burns, turns and verdicts in their order, the first burn beside the last."""
    shown = [row for row in log.report().splitlines() if row != words.CAUTION]
    return page.section(
        "History", pictures.before_after(log), pictures.history(log), page.sentences(shown)
    )


def turned_since(log: MachineLog) -> list[Adjusted]:
    """What was turned after the last burn."""
    last = max((k for k, e in enumerate(log.entries) if isinstance(e, Burned)), default=-1)
    return [e for e in log.entries[last + 1 :] if isinstance(e, Adjusted)]
