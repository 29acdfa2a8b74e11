"""A finding put into words: the report in sentences, the table for notebooks."""

from __future__ import annotations

import html
from typing import TYPE_CHECKING

from gantrysim.decisions.reasons import why_alike

if TYPE_CHECKING:
    from gantrysim.decisions.diagnosis import Finding, Hypothesis

#: Where nothing was learned, only what is believed at least this much is worth a line.
_WORTH_A_LINE = 0.1
#: Where it is not known which way up a piece was burned.
QUARTER = (
    "the quarter turn of the piece is not known: left and right, x and y may be exchanged; "
    "burn the mark or say which way up"
)
#: Explanations in the table.
_ROWS = 8


def report(finding: Finding) -> list[str]:
    """Compose the report, words first and numbers behind, one sentence an entry."""
    best = finding.best
    rows = []
    if finding.thin:
        seen = f"Only {finding.rings} ring(s)" if finding.pieces else "No piece"
        rows.append(f"{seen} measured: what follows is a hint, not a finding.")
    if not finding.quarter_known:
        rows.append(f"{QUARTER[0].upper()}{QUARTER[1:]}.")
    shown = [h for h in finding.ranked if h.faults in finding.group]
    if not finding.learned:
        shown = [h for h in shown if h.probability >= _WORTH_A_LINE]
        rows.append(_nothing(finding))
        rows += [f"Still likeliest: {h.words} (probability {_probability(h)})." for h in shown]
    elif not best.indistinguishable_from:
        lead = "Finding" if finding.certain else "Cannot tell for sure; most likely"
        rows.append(f"{lead}: {best.words} (probability {_probability(best)}).")
    else:
        rows.append("Finding: this piece cannot tell which of these it is:")
        for faults in finding.group:
            h = next(x for x in shown if x.faults == faults)
            rows.append(f"  - {h.words} (probability {_probability(h)})")
        catalogue = best.fit.problem.catalogue
        reasons = dict.fromkeys(
            why_alike(catalogue, best.faults, f) for f in best.indistinguishable_from
        )
        rows.append(f"Why: {'; '.join(reasons)}.")
    sizes = [m for h in shown for m in h.magnitudes.values()]
    rows += [
        f"How big: {m.name} {m.estimate:.3g} {m.unit}, 95 % between {m.low:.3g} and {m.high:.3g}."
        for m in sizes
        if m.identifiable
    ]
    vague = dict.fromkeys(m.name for m in sizes if not m.identifiable)
    if vague:
        rows.append(f"How big cannot be told from this: {', '.join(vague)}.")
    rows += [f"Check by hand: {h.check}." for h in shown if h.magnitudes]
    rows += _quantities(finding)
    if finding.pieces:
        rows.append(
            f"Measured and predicted lines differ by {best.fit.rms * 1e3:.0f} um rms "
            f"over {sum(len(p.lines) for p in finding.pieces)} lines."
        )
    if finding.assumptions.changed():
        said = (f"{name} {value}" for name, value in finding.assumptions.changed().items())
        rows.append(f"Assumed otherwise than usual: {'; '.join(said)}.")
    rows.append("Before touching the machine: power off, laser disconnected; re-home afterwards.")
    return rows


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


def _probability(hypothesis: Hypothesis) -> str:
    text = said_probability(hypothesis.probability)
    return text if hypothesis.fit.mode.converged else f"{text}, search not settled"
