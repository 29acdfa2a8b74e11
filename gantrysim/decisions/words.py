"""A finding put into words: the report in sentences, the page for notebooks."""

from __future__ import annotations

import html
from collections.abc import Collection
from typing import TYPE_CHECKING

from gantrysim.decisions.reasons import why_alike
from gantrysim.decisions.standing import MOST, POSSIBLE, UNLIKELY, narrowed, to_check
from gantrysim.faults.base import OFFSET, SCALE
from gantrysim.instruments.calipers import Calipers
from gantrysim.instruments.secondscan import SCANNING
from gantrysim.records.amounts import probability, with_interval
from gantrysim.records.table import Table

if TYPE_CHECKING:
    from gantrysim.decisions.diagnosis import Finding, Hypothesis
    from gantrysim.decisions.statements import Statement
    from gantrysim.faults import Catalogue

#: Where it is not known which way up a piece was burned.
QUARTER = (
    "the quarter turn of the piece is not known: left and right, x and y may be exchanged; "
    "burn the mark or say which way up"
)
CAUTION = "Before touching the machine: power off, laser disconnected; re-home afterwards."
SOUND = "nothing is wrong with this machine"
#: Where something was turned and nothing is wrong any more.
REPAIRED = "nothing wrong is seen any more"
#: Where something may be the scanner's and not the machine's.
UNCHECKED = "this may be the scanner, which nobody checked"
#: Where the search ended before everything was tried.
ROUGH = (
    "Not every set of faults that may matter was tried, so that probabilities are rough: burn "
    "another test, or check by hand, before anything is turned."
)
#: Explanations that round to nothing are no rows of a table.
_LEAST_ROW = 0.01


def report(finding: Finding) -> list[str]:
    """Compose the report, words first and numbers behind, one sentence an entry."""
    return [*warnings(finding), *headline(finding), *remarks(finding)]


def warnings(finding: Finding, *, numbers: bool = True) -> list[str]:
    """What is to be read before the finding is believed; without `numbers` for a customer."""
    rows = []
    if finding.thin:
        seen = f"Only {finding.rings} ring(s)" if finding.pieces else "No scan or points of a piece"
        rows.append(f"{seen} measured: what follows is a hint, not a finding.")
    if not finding.quarter_known:
        rows.append(f"{QUARTER[0].upper()}{QUARTER[1:]}.")
    rows += [
        f"Look at this before anything is turned: {slip.words}{_chance(chance, numbers)}."
        for slip, chance in finding.slips
        if chance >= POSSIBLE
    ]
    return rows + [f"{doubt[0].upper()}{doubt[1:]}." for doubt in finding.doubts]


def headline(finding: Finding, *, numbers: bool = True) -> list[str]:
    """What is at fault, how sure, how big; items of a list begin with two blanks."""
    standing = finding.standing
    rows = _sound(finding, numbers)
    if not finding.learned and not rows:
        return _unlearned(finding, numbers)
    rows += [f"Finding: {_stated(finding, point, numbers)}." for point in standing.found]
    rows += [f"Most likely: {_stated(finding, point, numbers)}." for point in standing.likely]
    rows += _open(finding, numbers)
    vague = [p.noun for p in standing.named if p.size is not None and not p.sized]
    if vague and numbers:
        rows.append(f"How big cannot be told from this: {', '.join(vague)}.")
    if not (finding.best.fit.mode.converged and finding.settled):
        rows.append(ROUGH)
    return rows + _scanner(finding)


def remarks(finding: Finding) -> list[str]:
    """What else there is to say, and the cautions, behind the headline."""
    found = {point.name for point in finding.standing.found}
    catalogue = finding.best.fit.problem.catalogue
    rows = [
        f"{'To confirm it' if fault.name in found else 'Check'} by hand: {fault.check}."
        for fault in to_check(finding)
        if catalogue.predicts((fault.name,))
    ]
    if not finding.learned and (told := narrowed(finding, told=True)):
        rows.append(f"Told more closely than healthy machines differ by: {', '.join(told)}.")
    if untold := finding.standing.untold:
        rows.append(f"Small faults here would not show: {', '.join(untold)}.")
    if finding.pieces:
        rows.append(
            f"Measured and predicted lines differ by {finding.best.fit.rms * 1e3:.0f} µm rms "
            f"over {sum(len(p.lines) for p in finding.pieces)} lines."
        )
    if changed := finding.assumptions.changed():
        units = {name: unit for name, _, unit, _ in finding.assumptions.rows()}
        said = (f"{n.replace('_', ' ')} {_setting(v)}, {units[n]}" for n, v in changed.items())
        rows.append(f"Assumed otherwise than usual: {'; '.join(said)}.")
    return [*rows, CAUTION]


def _setting(value: object) -> str:
    """A setting, which may be several numbers, some of them with names."""
    if isinstance(value, dict):
        return " ".join(f"{name.replace('_', ' ')} {v}" for name, v in value.items())
    return " ".join(map(str, value)) if isinstance(value, list | tuple) else str(value)


def _sound(finding: Finding, numbers: bool) -> list[str]:
    """That nothing is wrong, where that is likeliest; after a turn, that it was repaired."""
    standing = finding.standing
    if finding.best.faults:
        return []
    chance = _chance(standing.sound, numbers)
    if standing.turned and standing.sound >= 0.5:
        if standing.sure:
            return [f"Repaired: {REPAIRED}{chance}."]
        return [f"Probably nothing is wrong any more{chance}."]
    if not finding.learned:
        return []
    if standing.sure:
        return [f"Finding: {SOUND}{chance}."]
    if standing.leads:
        return [f"Most likely: {SOUND}{chance}."]
    return []


def _unlearned(finding: Finding, numbers: bool) -> list[str]:
    """That nothing was learned, but what it speaks against, and what is likeliest all the same."""
    standing = finding.standing
    rows = [_nothing(finding, numbers)]
    if not finding.best.faults:
        rows.append(f"Likeliest: {SOUND}{_chance(standing.sound, numbers)}.")
    if finding.best.faults or numbers:  # without numbers nobody could tell which is likelier
        named = standing.named
        rows += [f"Still likeliest: {_stated(finding, point, numbers)}." for point in named]
    return rows


def _open(finding: Finding, numbers: bool) -> list[str]:
    """What may be at fault, or at fault too, and why that cannot be told apart."""
    standing = finding.standing
    rows = [f"  - {_stated(finding, point, numbers)}" for point in standing.possible]
    said = bool(_sound(finding, numbers))
    if POSSIBLE <= standing.sound and not said:
        likelier = sum(p.probability > standing.sound for p in standing.possible)
        rows.insert(likelier, f"  - {SOUND}{_chance(standing.sound, numbers)}")
    if not rows or (said and not numbers):
        return []
    largest = max((p.probability for p in standing.possible), default=standing.sound)
    if (standing.settled or said) and largest < UNLIKELY:
        return ["Less likely, but not ruled out:", *rows]
    many = len(rows) > 1
    beside = bool(standing.found or standing.likely)
    if said:
        lead = "Still possible:"
    else:
        what = "which of these it is" if many else "whether this is so"
        lead = f"{'Besides, what' if beside else 'What'} was measured does not tell {what}:"
    catalogue, best = finding.best.fit.problem.catalogue, finding.best.faults
    reasons = dict.fromkeys(why_alike(catalogue, best, f) for f in finding.group[1:])
    why = [f"Why: {'; '.join(reasons)}."] if reasons and many and numbers else []
    if beside and not said and many and numbers:
        return [lead, *rows, *_neither(finding, len(rows)), *why]
    return [lead, *rows, *why, *_rest(finding, numbers)]


def _neither(finding: Finding, listed: int) -> list[str]:
    """That none is at fault of the points that may be so beside what was found."""
    standing = finding.standing
    points = {point.name for point in standing.possible}
    apart = standing.sound if POSSIBLE <= standing.sound else 0.0  # has a row of its own
    left = sum(h.probability for h in finding.ranked if not points & set(h.faults)) - apart
    if left < _LEAST_ROW:
        return []
    return [
        f"  - {'neither' if listed == 2 else 'none'} of these (probability {probability(left)})"
    ]


def _rest(finding: Finding, numbers: bool) -> list[str]:
    """What is left of the probability by all that was named."""
    named = {point.name for point in finding.standing.named}
    others = [h for h in finding.ranked if h.faults and not named & set(h.faults)]
    left = sum(h.probability for h in others)
    if not numbers or left < _LEAST_ROW:
        return []
    return [f"The rest, {probability(left)}, is shared by {len(others)} other explanations."]


def _stated(finding: Finding, point: Statement, numbers: bool) -> str:
    """An adjusting point in a clause: what, how sure, how big."""
    told = f"{point.words}{_chance(point.probability, numbers)}"
    if not (point.sized and numbers):
        return told
    return f"{told}: {sized_words(point, finding.best.fit.problem.catalogue)}"


def _chance(p: float, numbers: bool) -> str:
    """A probability in parentheses, where numbers are wanted."""
    return f" (probability {probability(p)})" if numbers else ""


def sized_words(point: Statement, catalogue: Catalogue) -> str:
    """The size of an adjusting point, that was told."""
    size = point.size
    assert size is not None
    ways = catalogue.named(point.name).ways
    told = with_interval(size.estimate, size.low, size.high, size.unit, ways=ways)
    return f"{point.noun} {told}"


def _scanner(finding: Finding) -> list[str]:
    """What tells a wrong scale or a square that is off from a scanner that nobody checked."""
    catalogue = finding.best.fit.problem.catalogue
    standing = finding.standing  # what was found all the same is the machine's
    open_ = (point for point in standing.named if point not in standing.found)
    told = scanner_tells(finding, {catalogue.named(point.name).effect for point in open_})
    return [f"{UNCHECKED[0].upper()}{UNCHECKED[1:]}: {'; '.join(told)}."] if told else []


def scanner_tells(finding: Finding, effects: Collection[str]) -> list[str]:
    """What would tell faults of some effects from a scanner that nobody checked."""
    unchecked = [piece.scanner.unchecked for piece in finding.pieces]
    if not unchecked or finding.certain:
        return []
    scale, rest = (any(told) for told in zip(*unchecked, strict=True))
    told = []
    if rest and {SCALE, OFFSET} & set(effects):
        told.append(
            "the piece scanned again, turned by a quarter, tells its scale difference and "
            f"squareness ({SCANNING:.0f} min)"
        )
    if scale and SCALE in effects:
        told.append(f"rings read with calipers tell its scale ({Calipers.minutes:.0f} min)")
    return told


def page(finding: Finding) -> str:
    """The finding for a notebook: what it says first, then the likeliest explanations."""
    said = "".join(
        f"<p>{html.escape(row.strip())}</p>" for row in (*warnings(finding), *headline(finding))
    )
    return said + table(finding)


def table(finding: Finding) -> str:
    """The likeliest explanations as an HTML table; sizes only where they were told."""
    shown = [h for h in finding.ranked[:MOST] if h.probability >= _LEAST_ROW] or finding.ranked[:1]
    rows = [(h.words, probability(h.probability), _sizes(h), _alike(h)) for h in shown]
    left = sum(h.probability for h in finding.ranked[len(shown) :])
    if left >= _LEAST_ROW:
        rows.append((f"{len(finding.ranked) - len(shown)} others", probability(left), "", ""))
    heads = ("explanation", "probability", "how big [95 %]", "one of those not told apart")
    return Table(heads, rows, "Explanations").html()


def _sizes(hypothesis: Hypothesis) -> str:
    """Sizes of the faults of an explanation."""
    catalogue = hypothesis.fit.problem.catalogue
    return "; ".join(
        with_interval(m.estimate, m.low, m.high, m.unit, ways=catalogue.named(name).ways)
        if m.identifiable
        else "not told"
        for name, m in hypothesis.magnitudes.items()
    )


def _alike(hypothesis: Hypothesis) -> str:
    return "yes" if hypothesis.indistinguishable_from else ""


def _nothing(finding: Finding, numbers: bool) -> str:
    """Say that no explanation gained, and which lost."""
    if not numbers and finding.spoken_against:
        return "What was measured does not tell what is wrong, if anything."
    against = [h.words for h in finding.ranked if h.faults in finding.spoken_against]
    if not against:
        return "Nothing was learned from this: every explanation is about as likely as before."
    return f"Nothing was learned from this but what it speaks against: {'; '.join(against)}."
