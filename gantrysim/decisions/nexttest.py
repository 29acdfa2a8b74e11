"""Which measurement to make next: the one expected to tell most about the open question.

The open question is which explanation of a `Finding` is the right one.  Every explanation that
is still alive predicts every candidate measurement as a Gaussian: its mean from the mode, its
covariance from what is still uncertain of the machine (shared with what was measured before),
from the placement and the scanner, the noise, and what the model lacks.  The mutual information
of explanation and data follows (`gantrysim.decisions.information`).
"""

from __future__ import annotations

import dataclasses
import html
import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.linalg import block_diag

from gantrysim.decisions.diagnosis import Finding, Hypothesis
from gantrysim.decisions.information import (
    Expected,
    Predictive,
    expected_of_draws,
    expected_of_outcomes,
    predictive,
)
from gantrysim.decisions.words import REPAIRED, SOUND
from gantrysim.faults import Fault
from gantrysim.faults.adjusting import AdjustingPoint
from gantrysim.inference.problem import Problem
from gantrysim.inference.solver import Evaluator
from gantrysim.inference.whitening import Metric
from gantrysim.instruments import INSTRUMENTS
from gantrysim.instruments.base import Candidate, Instrument
from gantrysim.instruments.burning import PointsOfPiece
from gantrysim.machine import Machine
from gantrysim.machine.handbook import Handbook
from gantrysim.pattern.ringtest import RingTest
from gantrysim.records.amounts import probability
from gantrysim.records.checks import positive, whole_number
from gantrysim.records.crew import crew
from gantrysim.records.doors import checked
from gantrysim.records.progress import telling

#: An explanation less probable than this is dead, and at most so many are kept.
ALIVE, MOST_ALIVE = 0.01, 6
#: Weight of the information about the size of the leading fault beside that about the question.
SIZE_WEIGHT = 0.1
_LITTLE = 0.02  # nats; less than this settles nothing


@checked
@dataclass(frozen=True)
class Look:
    """A check by hand of one fault, with two outcomes.

    Parameters
    ----------
    fault, words : str
        The fault and what to do.
    minutes, found, false_alarm : float
        What it costs, how often it finds a fault that is there and one that is not: those of the
        fault's `AdjustingPoint`.  One too small for a hand is found as seldom as one that is not.
    """

    fault: str
    words: str
    minutes: float = AdjustingPoint.minutes
    found: float = AdjustingPoint.found
    false_alarm: float = AdjustingPoint.false_alarm

    #: What to mind.
    care = "By hand: no job loaded, laser disconnected; re-home afterwards."
    #: No test is burned for it.
    test = None

    @classmethod
    def of(cls, fault: Fault, machine: Machine) -> Look:
        """The check that confirms a fault of a machine as described."""
        point = fault.adjusting_point(machine, Handbook())
        return cls(fault.name, fault.check, point.minutes, point.found, point.false_alarm)


@checked
@dataclass(frozen=True, eq=False)
class Proposal:
    """One measurement that might be made next, and what it is expected to settle.

    Parameters
    ----------
    candidate : Candidate or Look
        What would be measured, with which instrument; or a check by hand of one fault.
    words : str
        What to do.
    settles : str
        What it would settle, in words.
    minutes : float
        What it costs, burn and handling, minutes.
    gain : float
        Expected gain in the log probability of the right explanation, nats.
    size_gain : float
        Expected information about the size of the leading fault, nats.
    right : (float, float)
        Expected probability of the right explanation, before and after.
    pairs : tuple of (str, str, float, float)
        Two explanations, and the expected probability of the right one of the two, before and
        after; the best split pair first.
    """

    candidate: Candidate | Look
    words: str
    settles: str
    minutes: float
    gain: float
    size_gain: float
    right: tuple[float, float]
    pairs: tuple[tuple[str, str, float, float], ...]

    @property
    def test(self) -> RingTest | None:
        """The test to burn; None for a check by hand."""
        return self.candidate.test

    @property
    def worth(self) -> float:
        """Gain about the question and a tenth of that about the size, nats."""
        return self.gain + SIZE_WEIGHT * self.size_gain

    @property
    def worth_per_minute(self) -> float:
        """`worth` over `minutes`, nats per minute."""
        return self.worth / self.minutes

    def report(self) -> str:
        """Return what to do, what it would settle, what it costs, and what to mind."""
        return "\n".join(
            [
                f"{self.words[0].upper()}{self.words[1:]}.",
                f"It {self.settles}.",
                f"It costs about {self.minutes:.0f} minutes.",
                self.candidate.care,
            ]
        )

    def to_dict(self) -> dict[str, Any]:
        """Return everything as plain Python types."""
        return {
            "words": self.words,
            "settles": self.settles,
            "minutes": self.minutes,
            "gain_nats": self.gain,
            "size_gain_nats": self.size_gain,
            "worth_nats_per_minute": self.worth_per_minute,
            "right_before": self.right[0],
            "right_after": self.right[1],
            "pairs": [list(pair) for pair in self.pairs],
            "test": None if self.test is None else self.test.to_dict(),
        }

    def __repr__(self) -> str:
        before, after = self.right
        told = f"right explanation from {before:.2f} to {after:.2f} in {self.minutes:.0f} min"
        return f"Proposal({told}: {self.words})"

    def _repr_html_(self) -> str:
        lines = "<br>".join(html.escape(line) for line in self.report().splitlines())
        return f"<p>{lines}</p>"


#: Proposals that a report has.
_REPORTED = 5


class Proposals(tuple[Proposal, ...]):
    """Proposals, best first, that say themselves."""

    #: What is to be said before any of them.
    opening: str = ""

    @classmethod
    def about(cls, finding: Finding, ranked: Iterable[Proposal]) -> Proposals:
        """Ranked proposals, with what the finding has to say of measuring at all."""
        made = cls(ranked)
        made.opening = _opening(finding)
        return made

    def report(self) -> str:
        """Return the best five in plain words, and what their numbers mean."""
        rows = [self.opening] if self.opening else []
        rows.append(
            f"The best {min(len(self), _REPORTED)} of {len(self)}: what tells most for its time. "
            'Read "from 0.50 to 0.92" so: whatever is really the matter has a probability of 0.50 '
            "in the finding today, and would have 0.92 after that measurement, both on the "
            "average; 1 would settle it."
        )
        for k, proposal in enumerate(self[:_REPORTED], 1):
            rows += ["", f"{k}. {proposal.report()}"]
        return "\n".join(rows)

    def __repr__(self) -> str:
        return self.report()


def _opening(finding: Finding) -> str:
    """Whether anything need be measured before what is to be done."""
    standing = finding.standing
    if standing.sure:
        sound = REPAIRED if standing.turned else SOUND
        return f"No further burn is needed: {sound} (probability {probability(standing.sound)})."
    if not standing.found:
        return ""
    found = " and ".join(
        f"{point.words} (probability {probability(point.probability)})" for point in standing.found
    )
    return (
        f"Nothing need be burned before the repair: {found}. Repair it, then burn the same test "
        "again; what follows tells how big it is, or what else there may be."
    )


@checked
def next_test(
    finding: Finding,
    *,
    candidates: Sequence[Candidate | RingTest | Look] | None = None,
    instruments: Sequence[Instrument] = INSTRUMENTS,
    minutes: float | None = None,
    seed: int = 0,
    progress: Callable[[str], None] | None = None,
) -> Proposals:
    """Rank what might be measured next by what it is expected to settle.

    Parameters
    ----------
    finding : Finding
        What is known so far.
    candidates : sequence, optional
        What to consider: tests to burn (`RingTest`), what an instrument could be asked
        (`Instrument.candidates`), checks by hand (`Look`).  If absent all that the instruments
        propose, with the built-in ones about forty burns (sizes in mm) and a dozen readings by
        hand, and the check by hand of every fault that is in question.
    instruments : sequence of Instrument
        What there is to measure with, each at its cost in minutes; all built-in ones if absent.
    minutes : float, optional
        Budget: only what fits in it is kept, ranked by gain.  If absent the ranking is by gain
        per minute.
    seed : int
        Of the draws; the same for every candidate, so that they are compared on equal luck.
    progress : callable, optional
        Called with a line of text as each candidate is tried; if absent as in `diagnose`.

    Returns
    -------
    Proposals
        A tuple of `Proposal`, best first; printed it is a report of the best five, after whether
        anything need be measured at all before what is found is mended.

    Raises
    ------
    ValueError
        If nothing fits in the budget, or a test leaves the travel of the machine, or an argument
        is of a wrong kind or size.

    Notes
    -----
    The gain is the mutual information between what would be measured and the explanations; what the
    model lacks enters with its usual sizes, as in a diagnosis.  "Something not in this list"
    predicts nothing and is left out of the question.  Checks by hand look at the part itself, with
    stated error rates.  The discrepancy of the next piece counts as independent of the last one's,
    as it does in a diagnosis of both; at the same place on the bed it would be the same, so the
    gain of an exact repeat is rather too high.

    Examples
    --------
    >>> import gantrysim as gs
    >>> from gantrysim.instruments import ToneReading, ToneSheet
    >>> low = ToneReading("left", span=270.0, mass=8.4, tone=28.6, uncertainty=0.5)
    >>> finding = gs.diagnose(ToneSheet((low,), "by ear"))
    >>> gs.next_test(finding, instruments=[gs.instruments.BeltTones()])[0]
    Proposal(right explanation from 0... to 0... in 3 min: pluck both spans of the left belt,
    carriage in mid travel, and read their tones (power off and unplugged, hands clear of
    belts and pulleys))
    """
    for values, name in ((candidates, "candidates"), (instruments, "instruments")):
        if values is not None and not values:
            raise ValueError(f"{name} must hold at least one, found none.")
    minutes = None if minutes is None else positive(minutes, "minutes")
    seed = whole_number(seed, "seed", least=0)
    question = _Question.of(finding)
    if candidates is None:
        listed = question.candidates(instruments)
    else:
        burns = next((i for i in instruments if isinstance(i, PointsOfPiece)), PointsOfPiece())
        listed = [burns.burning(c) if isinstance(c, RingTest) else c for c in candidates]
    fitting = [c for c in listed if minutes is None or c.minutes <= minutes]
    if not fitting and minutes is not None:
        raise ValueError(f"none of {len(listed)} candidates fits in {minutes:g} minutes")

    with telling("next test", progress) as say, crew() as run:

        def judge(candidate: Candidate | Look) -> Proposal:
            say(candidate.words)
            return question.judge(candidate, seed=seed)

        found = list(run(judge, fitting))
    if minutes is None:
        return Proposals.about(finding, sorted(found, key=lambda p: -p.worth_per_minute))
    return Proposals.about(finding, sorted(found, key=lambda p: -p.worth))


@dataclass(frozen=True, eq=False)
class _Question:
    """The explanations still alive, with what is known of the machine under each.

    ``chances`` are their probabilities; ``roots`` square roots of the posterior covariance of
    the machine's unknowns; ``size`` which explanation's magnitude is of interest.
    """

    alive: tuple[Hypothesis, ...]
    problem: Problem
    chances: np.ndarray
    roots: tuple[np.ndarray, ...]
    size: int | None

    @classmethod
    def of(cls, finding: Finding) -> _Question:
        catalogue = finding.machine.catalogue()
        if not catalogue.predicts(finding.best.faults):
            raise ValueError(
                f"the finding is {finding.best.name}: no test tells more before its cause is found "
                "and freed; see finding.report()"
            )
        listed = [h for h in finding.ranked if catalogue.predicts(h.faults)]
        # few rings: a log evidence means a fraction of itself, as in the finding's own groups
        power = 1.0 / finding.assumptions.hint if finding.thin else 1.0
        chances = np.array([max(h.probability, 1e-300) for h in listed]) ** power
        chances /= chances.sum()
        kept = [k for k in np.argsort(-chances, kind="stable") if chances[k] > ALIVE][:MOST_ALIVE]
        alive = tuple(listed[k] for k in kept)
        problem = alive[0].fit.problem
        own = problem.n_nuisance
        roots = []
        for h in alive:
            shared = h.fit.mode.u.size - own
            roots.append(np.linalg.cholesky(h.fit.mode.covariance[:shared, :shared]))
        size = next((k for k, h in enumerate(alive) if h.fit.mode.faults), None)
        return cls(alive, problem, chances[kept] / chances[kept].sum(), tuple(roots), size)

    def candidates(self, instruments: Sequence[Instrument]) -> list[Candidate | Look]:
        """What the instruments could be asked, and the checks of what is in question."""
        tests = [term.piece.test for _, term in self.problem.burned]
        names = {name for h in self.alive for name in h.faults}
        catalogue = self.problem.catalogue
        suspects = [catalogue.named(name) for name in catalogue.names if name in names]
        found = [c for i in instruments for c in i.candidates(self.problem.nominal, tests)]
        return [*found, *(Look.of(fault, self.problem.nominal) for fault in suspects)]

    def judge(self, candidate: Candidate | Look, *, seed: int) -> Proposal:
        """What a candidate is expected to settle."""
        if isinstance(candidate, Look):
            hit = np.where(self._shown_by(candidate), candidate.found, candidate.false_alarm)
            found = expected_of_outcomes(self.chances, np.stack([hit, 1.0 - hit]))
            size_gain = 0.0
        else:
            data = self.predict(candidate)
            found = expected_of_draws(self.chances, data, seed)
            size_gain = self._size_gain(data)
        pairs = self._pairs(found)
        return Proposal(
            candidate=candidate, words=candidate.words, settles=self._settles(found, pairs),
            minutes=candidate.minutes, gain=found.gain, size_gain=size_gain, right=found.right,
            pairs=pairs,
        )  # fmt: skip

    def _shown_by(self, look: Look) -> list[bool]:
        """Whether each explanation has the fault of a check, large enough for a hand."""
        nominal = self.problem.nominal
        point = self.problem.catalogue.named(look.fault).adjusting_point(nominal, Handbook())
        return [look.fault in h.faults and point.felt(nominal, h.fit.machine) for h in self.alive]

    def predict(self, candidate: Candidate) -> Predictive:
        """What each explanation predicts of a candidate, from its likelihood term."""
        again = [candidate.again(source) for source in self.problem.sources]
        if any(rows is not None for rows in again):
            return self._read_again(again)
        best, own = self.alive[0].fit, self.problem.nuisance_cuts(self.alive[0].fit.mode.u.size)
        measured = [(s, best.mode.u[c]) for s, c in zip(self.problem.sources, own, strict=True)]
        term = candidate.term(self.problem.nominal, best.machine, measured)
        problem = dataclasses.replace(self.problem, sources=(term,))
        means: list[np.ndarray] = []
        roots, placed = [], np.empty(0)
        for h, root in zip(self.alive, self.roots, strict=True):
            faults = tuple(fault.shown_on(term.drawn) for fault in h.fit.mode.faults)
            u = np.concatenate([h.fit.mode.u[: len(root)], np.zeros(term.n_nuisance)])
            (residual,), (jacobian,) = Evaluator(problem, faults).linearise(u)
            placed = placed if means else jacobian[:, len(root) :]
            means.append(residual)
            roots.append(jacobian[:, : len(root)] @ root)
        return predictive(term.without(placed), means, roots)

    def _read_again(self, again: Sequence[np.ndarray | None]) -> Predictive:
        """What each explanation predicts of unknowns that earlier measurements brought along."""
        counts = [source.n_nuisance for source in self.problem.sources]
        pairs = zip(again, counts, strict=True)
        rows = [np.zeros((0, n)) if own is None else own for own, n in pairs]
        table, own = block_diag(*rows), sum(counts)
        means, roots = [], []
        for h in self.alive:
            mode = h.fit.mode
            means.append(table @ mode.u[-own:])
            roots.append(table @ np.linalg.cholesky(mode.covariance)[-own:])
        unit = Metric.independent(np.ones(len(table)), np.empty((len(table), 0)))
        return predictive(unit, means, roots)

    def _size_gain(self, data: Predictive) -> float:
        """Expected information about the size of the leading fault, nats."""
        if self.size is None:
            return 0.0
        root, effect = self.roots[self.size], data.roots[self.size]
        # row of the fault's first unknown: its variance before and after
        row = np.zeros(effect.shape[1])  # unknowns of earlier measurements, if any, come after
        row[: len(root)] = root[len(self.problem.scatter)]
        after = row @ np.linalg.solve(np.eye(row.size) + effect.T @ effect, row)
        return 0.5 * math.log(float(row @ row) / float(after))

    def _pairs(self, found: Expected) -> tuple[tuple[str, str, float, float], ...]:
        """Pairs of explanations, the ones that matter and are split best first."""

        def told(key: tuple[int, int]) -> float:
            before, after = found.pairs[key]
            return float(self.chances[list(key)].sum() * (after - before))

        order = sorted(found.pairs, key=lambda key: -told(key))
        names = [_noun(h) for h in self.alive]
        return tuple((names[i], names[j], *found.pairs[i, j]) for i, j in order)

    def _settles(self, found: Expected, pairs: Sequence[tuple[str, str, float, float]]) -> str:
        if not pairs:
            return "can settle nothing more: one explanation is left; it may narrow its size"
        if found.gain < _LITTLE:
            return "would settle next to nothing of the open question"
        one, other, before, after = pairs[0]
        words = (
            f"would tell {one} from {other}: expected probability of the right one of the two "
            f"from {before:.2f} to {after:.2f}"
        )
        if len(self.alive) > 2:
            before, after = found.right
            words += f", of all {len(self.alive)} explanations from {before:.2f} to {after:.2f}"
        return words


def _noun(h: Hypothesis) -> str:
    """What an explanation is about: "stiffness left to the left belt"."""
    return " with ".join(fault.noun for fault in h.fit.mode.faults) or "a healthy machine"
