"""The one page for a customer: what is the matter and what is done about it, in words."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from gantrysim.decisions import words
from gantrysim.decisions.adjustment import CHECK, LEADS
from gantrysim.decisions.advice import NOTHING, UNLESS
from gantrysim.decisions.diagnosis import Finding
from gantrysim.log.machinelog import Adjusted, MachineLog
from gantrysim.part import PartJudgement
from gantrysim.report import page, pictures, sections

if TYPE_CHECKING:
    from gantrysim.report.writing import Judged


#: Where nothing is wrong as far as can be told, and somebody wants to be sure.
NOTHING_NOW = "Nothing is adjusted now. Another test burn would show whether it stays so."


def found(finding: Finding) -> list[str]:
    """What is the matter, without probabilities and sizes."""
    first = page.sentences(words.warnings(finding, numbers=False))
    return [
        page.section("Look at this first", first, kind="warning"),
        page.section("Finding", page.sentences(words.headline(finding, numbers=False), lead=True)),
    ]


def advised(finding: Finding, turned: Sequence[Adjusted]) -> str:
    """What is to be done, without amounts."""
    if turned:
        return sections.advised(finding, turned)
    advice = finding.adjustments()
    rows = []
    for turn in advice.advised:
        if turn.action == CHECK and turn.check is not None:
            rows.append(f"Check: {turn.check.words}.")
        rows.append(f"{LEADS[turn.action]}: {turn.way}.")
    if not rows and not finding.best.faults:
        rows = [NOTHING if finding.standing.sure else NOTHING_NOW]
    rows = rows or [UNLESS if advice.adjustments else NOTHING]
    return page.section("What to do", page.cautions(advice.cautions), page.sentences(rows))


def judged(results: Sequence[Judged], log: MachineLog | None) -> str:
    """Decisions alone."""
    said = [f"{e.date or 'Undated'}: {e.summary}." for e in sections.verdicts(log)]
    said += [result.summary for result in results]
    return page.section("Verdicts", page.sentences(said))


def shown(finding: Finding | None, log: MachineLog | None, judged: Sequence[Judged]) -> str:
    """One picture: a part that is judged, before and after of a log, or what was measured."""
    part = next((result for result in judged if isinstance(result, PartJudgement)), None)
    if part is not None:
        return pictures.part(part)
    both = pictures.before_after(log) if log is not None else ""
    return both or (pictures.measured(finding) if finding is not None else "")
