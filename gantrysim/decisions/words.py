"""A finding put into words: the report in sentences, the table for notebooks."""

from __future__ import annotations

import html
from collections.abc import Sequence
from typing import TYPE_CHECKING

from gantrysim.decisions.reasons import why_alike
from gantrysim.faults.base import OFFSET, SCALE
from gantrysim.instruments.calipers import Calipers
from gantrysim.instruments.secondscan import SCANNING

if TYPE_CHECKING:
    from gantrysim.decisions.diagnosis import Finding, Hypothesis
    from gantrysim.decisions.statements import Statement

#: Only what is believed at least this much is worth a line.
_WORTH_A_LINE = 0.05
#: Where it is not known which way up a piece was burned.
QUARTER = (
    "the quarter turn of the piece is not known: left and right, x and y may be exchanged; "
    "burn the mark or say which way up"
)
CAUTION = "Before touching the machine: power off, laser disconnected; re-home afterwards."
#: Points in the report and explanations in the table, at most.
_ROWS = 7
#: Points that are named where nothing was learned.
_STILL = 3


def report(finding: Finding) -> list[str]:
    """Compose the report, words first and numbers behind, one sentence an entry."""
    return [*warnings(finding), *headline(finding), *remarks(finding)]


def warnings(finding: Finding, *, numbers: bool = True) -> list[str]:
    """What is to be read before the finding is believed; without `numbers` for a customer."""
    rows = []
    if finding.thin:
        seen = f"Only {finding.rings} ring(s)" if finding.pieces else "No piece"
        rows.append(f"{seen} measured: what follows is a hint, not a finding.")
    if not finding.quarter_known:
        rows.append(f"{QUARTER[0].upper()}{QUARTER[1:]}.")
    rows += [
        f"Look at this before anything is turned: {slip.words}{_chance(chance, numbers)}."
        for slip, chance in finding.slips
        if chance >= _WORTH_A_LINE
    ]
    return rows + [f"{doubt[0].upper()}{doubt[1:]}." for doubt in finding.doubts]


def headline(finding: Finding, *, numbers: bool = True) -> list[str]:
    """What is at fault, how sure, how big; items of a list begin with two blanks."""
    best, shown = finding.best, worth_a_line(finding)
    if not finding.learned:
        rows = [_nothing(finding)] if numbers or not finding.spoken_against else []
        if not best.faults:
            rows.append(f"Likeliest: {best.words}{_chance(best.probability, numbers)}.")
        if best.faults or numbers:  # without numbers nobody could tell which is likelier
            rows += [f"Still likeliest: {_stated(point, numbers)}." for point in shown[:_STILL]]
        shown = []  # nothing more is to be said of any
    elif finding.certain or not best.faults:
        lead = "Finding" if finding.certain else "Cannot tell for sure; most likely"
        settled = "" if best.fit.mode.converged else ", search not settled"
        rows = [f"{lead}: {best.words}{_chance(best.probability, numbers, settled)}."]
        others = [p for p in shown if p.name not in best.faults and numbers]
        rows += [f"  - {_stated(point, numbers)}" for point in others]
        sized = (point for point in shown if point.name in best.faults and point.sized)
        rows += [f"How big: {sized_words(point)}." for point in sized if numbers]
    else:
        rows = _points(finding, shown, numbers)
    vague = [point.noun for point in shown if point.size is not None and not point.sized]
    if vague and numbers:
        rows.append(f"How big cannot be told from this: {', '.join(vague)}.")
    return rows + _scanner(finding, shown)


def remarks(finding: Finding) -> list[str]:
    """What else there is to say, and the cautions, behind the headline."""
    shown = worth_a_line(finding) if finding.learned else []
    rows = [f"Check by hand: {check}." for check in _checks(finding, shown)]
    rows += _quantities(finding)
    if finding.pieces:
        rows.append(
            f"Measured and predicted lines differ by {finding.best.fit.rms * 1e3:.0f} um rms "
            f"over {sum(len(p.lines) for p in finding.pieces)} lines."
        )
    if finding.assumptions.changed():
        said = (f"{name} {value}" for name, value in finding.assumptions.changed().items())
        rows.append(f"Assumed otherwise than usual: {'; '.join(said)}.")
    return [*rows, CAUTION]


def worth_a_line(finding: Finding) -> list[Statement]:
    """The adjusting points that are likely enough to be named, likeliest at fault first."""
    return [point for point in finding.points if point.probability >= _WORTH_A_LINE][:_ROWS]


def _points(finding: Finding, shown: Sequence[Statement], numbers: bool) -> list[str]:
    """What is at fault for all that is known, and what may be."""
    sure = [p for p in shown if p.probability >= finding.assumptions.credible]
    open_ = [p for p in shown if p not in sure]
    lead = "Finding" if finding.firm else "Cannot tell for sure; most likely"
    rows = [f"{lead}: {_stated(point, numbers)}." for point in sure]
    sound = sum(h.probability for h in finding.ranked if not h.faults)
    if open_:
        lead = "Besides, this piece cannot tell" if sure else "Finding: this piece cannot tell"
        rows.append(f"{lead} which of these is at fault:")
        rows += [f"  - {_stated(point, numbers)}" for point in open_]
    if not sure and sound >= _WORTH_A_LINE:
        chance = f" (probability {sound:.2f})" if numbers else ""
        rows.append(f"  - nothing is wrong with this machine{chance}")
    catalogue, best = finding.best.fit.problem.catalogue, finding.best.faults
    reasons = dict.fromkeys(why_alike(catalogue, best, f) for f in finding.group[1:])
    if reasons and numbers:
        rows.append(f"Why: {'; '.join(reasons)}.")
    if not (finding.best.fit.mode.converged and finding.settled):
        rows.append("Not every set of faults that may matter was tried: probabilities are rough.")
    return rows


def _stated(point: Statement, numbers: bool) -> str:
    """An adjusting point in a clause: what, how sure, how big."""
    told = f"{point.words}{_chance(point.probability, numbers)}"
    return f"{told}: {sized_words(point)}" if point.sized and numbers else told


def _chance(p: float, numbers: bool, more: str = "") -> str:
    """A probability in parentheses, where numbers are wanted."""
    return f" (probability {said_probability(p)}{more})" if numbers else ""


def sized_words(point: Statement) -> str:
    """The size of an adjusting point, that was told."""
    size = point.size
    assert size is not None
    return (
        f"{point.noun} {size.estimate:.3g} {size.unit}, "
        f"95 % between {size.low:.3g} and {size.high:.3g}"
    )


def _scanner(finding: Finding, shown: Sequence[Statement]) -> list[str]:
    """What tells a wrong scale or a square that is off from a scanner that nobody checked."""
    catalogue = finding.best.fit.problem.catalogue
    effects = {catalogue.named(point.name).effect for point in shown}
    unchecked = [piece.scanner.unchecked for piece in finding.pieces]
    scale, rest = (any(told) for told in zip(*unchecked, strict=True)) if unchecked else (0, 0)
    told = []
    if rest and effects & {SCALE, OFFSET}:
        told.append(
            "the piece scanned again, turned by a quarter, tells its scale difference and "
            f"squareness ({SCANNING:.0f} min)"
        )
    if scale and SCALE in effects:
        told.append(f"rings read with calipers tell its scale ({Calipers.minutes:.0f} min)")
    lead = "This may be the scanner, which nobody checked"
    return [f"{lead}: {'; '.join(told)}."] if told and not finding.certain else []


def _checks(finding: Finding, shown: Sequence[Statement]) -> list[str]:
    """Hand checks of what may be at fault, each once."""
    catalogue = finding.best.fit.problem.catalogue
    named = (catalogue.named(point.name) for point in shown)
    return list(dict.fromkeys(fault.check for fault in named if catalogue.predicts((fault.name,))))


def table(finding: Finding) -> str:
    """The likeliest explanations as an HTML table; sizes only where they were told."""
    rows = "".join(
        f"<tr><td>{html.escape(h.name)}</td><td>{h.probability:.3f}</td><td>"
        + "<br>".join(
            f"{m.estimate:.3g} [{m.low:.3g}, {m.high:.3g}] {m.unit}"
            if m.identifiable
            else "not told"
            for m in h.magnitudes.values()
        )
        + f"</td><td>{_others(h)}</td></tr>"
        for h in finding.ranked[:_ROWS]
    )
    caption = "Finding" if finding.learned else html.escape(f"Finding. {_nothing(finding)}")
    if not finding.quarter_known:
        caption += f". {QUARTER[0].upper()}{QUARTER[1:]}." if finding.learned else f" {QUARTER}."
    return (
        f"<table><caption>{caption}</caption><tr><th>explanation</th><th>probability</th>"
        "<th>magnitude [95 %]</th><th>cannot be told from</th></tr>" + rows + "</table>"
    )


def _nothing(finding: Finding) -> str:
    """Say that no explanation gained, and which lost."""
    against = [h.words for h in finding.ranked if h.faults in finding.spoken_against]
    if not against:
        return "Nothing was learned from this: every explanation is about as likely as before."
    return f"Nothing was learned from this but what it speaks against: {'; '.join(against)}."


def _quantities(finding: Finding) -> list[str]:
    """Say which parameters were not narrowed; where nothing was learned, which were."""
    parameters = finding.best.fit.parameters
    if finding.learned:
        vague = [p.name for p in parameters if not p.identifiable]
        return [f"This piece says little or nothing about: {', '.join(vague)}."] if vague else []
    told = [p.name for p in parameters if p.identifiable]
    return [f"It narrows: {', '.join(told)}."] if told else []


def _others(hypothesis: Hypothesis) -> str:
    return html.escape(
        ", ".join(" + ".join(f) or "healthy" for f in hypothesis.indistinguishable_from)
    )


def said_probability(p: float) -> str:
    """Say a probability without claiming more than the model can."""
    return "above 0.99" if p > 0.99 else f"{p:.2f}"
