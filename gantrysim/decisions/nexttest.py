"""Which measurement to make next: the one expected to tell most about the open question.

The open question is which explanation of a `Finding` is the right one.  Every explanation that
is still alive foretells every candidate measurement as a Gaussian: its mean from the mode, its
covariance from what is still uncertain of the machine (shared with what was measured before),
from the placement and the scanner, the noise, and what the model lacks.  The mutual information
of explanation and data follows (`gantrysim.decisions.information`).
"""

from __future__ import annotations

import dataclasses
import html
import math
import os
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any, get_args

import numpy as np
from threadpoolctl import threadpool_limits

from gantrysim.decisions.blinddirections import noun
from gantrysim.decisions.candidates import (
    CaliperTest,
    Candidate,
    Look,
    Measurement,
    Minutes,
    PushTest,
    ToneTest,
    burn_tests,
    describe,
    hand_tests,
    minutes_of,
)
from gantrysim.decisions.diagnosis import HINT, UNLISTED, Finding, Hypothesis, alike_within
from gantrysim.decisions.information import Expected, expected_of_draws, expected_of_outcomes
from gantrysim.decisions.planned import Predictive, planned_piece, predictive
from gantrysim.inference.hypotheses import FaultKind
from gantrysim.inference.lost import LOST
from gantrysim.inference.problem import Problem
from gantrysim.inference.solver import Evaluator
from gantrysim.inference.whitening import Metric
from gantrysim.instruments.burnedpiece import BurnedPiece, shared_discrepancy
from gantrysim.machine import Machine
from gantrysim.pattern.ringtest import RingTest
from gantrysim.records.checks import of_kind, positive, whole_number
from gantrysim.records.doors import checked

#: An explanation less probable than this is dead, and at most so many are kept.
ALIVE, MOST_ALIVE = 0.01, 6
#: Weight of the information about the size of the leading fault beside that about the question.
SIZE_WEIGHT = 0.1
_LITTLE = 0.02  # nats; less than this settles nothing
_MOVE = 0.2  # prior standard deviations by which readings by hand are differenced


@checked
@dataclass(frozen=True, eq=False)
class Proposal:
    """One measurement that might be made next, and what it is expected to settle.

    Parameters
    ----------
    candidate : RingTest or a check by hand
        What would be measured.
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

    candidate: Candidate
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
        return self.candidate if isinstance(self.candidate, RingTest) else None

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
        if self.test is not None:
            care = (
                "Burning: never leave it alone; enclosure or eyewear for this wavelength, "
                "extraction and extinguisher at hand, as the maker's manual says."
            )
        elif isinstance(self.candidate, CaliperTest):
            care = "The machine is not touched."
        else:
            care = "By hand: no job loaded, laser disconnected; re-home afterwards."
        return "\n".join(
            [
                f"{self.words[0].upper()}{self.words[1:]}.",
                f"It {self.settles}.",
                f"It costs about {self.minutes:.0f} minutes: {self.gain:.2f} nats expected, "
                f"{self.worth_per_minute:.3f} nats a minute.",
                care,
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
        return f"Proposal({self.gain:.2f} nats in {self.minutes:.0f} min: {self.words})"

    def _repr_html_(self) -> str:
        lines = "<br>".join(html.escape(line) for line in self.report().splitlines())
        return f"<p>{lines}</p>"


@checked
def next_test(
    finding: Finding,
    *,
    candidates: Sequence[Candidate] | None = None,
    minutes: float | None = None,
    costs: Minutes | None = None,
    seed: int = 0,
    progress: Callable[[str], None] | None = None,
) -> tuple[Proposal, ...]:
    """Rank what might be measured next by what it is expected to settle.

    Parameters
    ----------
    finding : Finding
        What is known so far.
    candidates : sequence, optional
        Tests to burn (`RingTest`) and checks by hand (`gantrysim.decisions.candidates`); about
        forty burns (sizes in mm) and a dozen checks by hand if absent.
    minutes : float, optional
        Budget: only what fits in it is kept, ranked by gain.  If absent the ranking is by gain
        per minute.
    costs : Minutes, optional
        Handling times, minutes.
    seed : int
        Of the draws; the same for every candidate, so that they are compared on equal luck.
    progress : callable, optional
        Called with a line of text as each candidate is tried.

    Returns
    -------
    tuple of Proposal
        Best first.

    Raises
    ------
    ValueError
        If nothing fits in the budget, nothing was burned and no candidates are given, or a test
        leaves the travel of the machine, or an argument is of a wrong kind or size.

    Notes
    -----
    A difference in log evidence of less than 3 nats (8 between twins) can come from what the
    model lacks; in every log density ratio that much counts as nothing.  This makes gains
    smaller than the mutual information, and zero where two explanations foretell nearly the
    same.  "Something not in this list" foretells nothing and is left out of the question.
    Checks by hand look at the part itself: their ratio counts in full, with stated error rates.
    The discrepancy of the next piece counts as independent of the last one's, as it does in a
    diagnosis of both; at the same place on the bed it would be the same, so the gain of an exact
    repeat is rather too high.
    """
    of_kind(finding, Finding, "finding")
    costs = Minutes() if costs is None else costs
    of_kind(costs, Minutes, "costs")
    minutes = None if minutes is None else positive(minutes, "minutes")
    seed = whole_number(seed, "seed", least=0)
    if candidates is not None:
        of_kind(candidates, (list, tuple), "candidates")
        if not candidates:
            raise ValueError("candidates must hold at least one test or check by hand, found none.")
        for k, candidate in enumerate(candidates):
            of_kind(candidate, get_args(Candidate), f"candidates[{k}]")
    question = _Question.of(finding)
    if candidates is None:
        names = {name for h in question.alive for name in h.faults}
        last = question.last
        if last is None:
            raise ValueError("nothing was burned yet: give candidates, for example a ring_test")
        test = last[1].piece.test
        candidates = (*burn_tests(test, finding.machine), *hand_tests(test, names))
    priced = [(c, minutes_of(c, costs)) for c in candidates]
    if minutes is not None:
        priced = [(c, price) for c, price in priced if price <= minutes]
        if not priced:
            raise ValueError(f"none of {len(candidates)} candidates fits in {minutes:g} minutes")

    def judge(item: tuple[Candidate, float]) -> Proposal:
        if progress is not None:
            progress(describe(item[0]))
        return question.judge(*item, seed=seed)

    # numba kernels run in parallel; the linear algebra library must not start threads on top
    with threadpool_limits(1), ThreadPoolExecutor(os.cpu_count() or 1) as pool:
        found = list(pool.map(judge, priced))
    if minutes is None:
        return tuple(sorted(found, key=lambda p: -p.worth_per_minute))
    return tuple(sorted(found, key=lambda p: -p.worth))


@dataclass(frozen=True, eq=False)
class _Question:
    """The explanations still alive, with what is known of the machine under each.

    ``chances`` are their probabilities; ``roots`` square roots of the posterior covariance of
    the machine's unknowns; ``slack`` what counts as nothing between two of them, nats; ``size``
    which explanation's magnitude is of interest.
    """

    alive: tuple[Hypothesis, ...]
    problem: Problem
    chances: np.ndarray
    roots: tuple[np.ndarray, ...]
    slack: np.ndarray
    size: int | None

    @classmethod
    def of(cls, finding: Finding) -> _Question:
        if finding.best.faults in ((UNLISTED,), (LOST,)):
            raise ValueError(
                f"the finding is {finding.best.name}: no test tells more before its cause is found "
                "and freed; see finding.report()"
            )
        listed = [h for h in finding.ranked if h.faults not in ((UNLISTED,), (LOST,))]
        # few rings: a log evidence means a fraction of itself, as in the finding's own groups
        power = 1.0 / HINT if finding.thin else 1.0
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
        slack = np.array([[alike_within(a.faults, b.faults) for b in alive] for a in alive])
        size = next((k for k, h in enumerate(alive) if h.fit.mode.kinds), None)
        return cls(alive, problem, chances[kept] / chances[kept].sum(), tuple(roots), slack, size)

    @property
    def last(self) -> tuple[int, Any] | None:
        """The piece burned last, with its place among the sources."""
        return self.problem.burned[-1] if self.problem.burned else None

    def judge(self, candidate: Candidate, price: float, *, seed: int) -> Proposal:
        if isinstance(candidate, Look):
            hit = np.array([
                candidate.FOUND if candidate.fault in h.faults else candidate.FALSE_ALARM
                for h in self.alive
            ])  # fmt: skip
            none = np.zeros_like(self.slack)
            found = expected_of_outcomes(self.chances, np.stack([hit, 1.0 - hit]), none)
            size_gain = 0.0
        else:
            data = self.foretell(candidate)
            found = expected_of_draws(self.chances, data, self.slack, seed)
            size_gain = self._size_gain(data)
        pairs = self._pairs(found)
        return Proposal(
            candidate=candidate, words=describe(candidate), settles=self._settles(found, pairs),
            minutes=price, gain=found.gain, size_gain=size_gain, right=found.right, pairs=pairs,
        )  # fmt: skip

    def foretell(self, candidate: Measurement) -> Predictive:
        """What each explanation foretells of a candidate."""
        if isinstance(candidate, RingTest):
            return self._burn(candidate)
        means, jacobian = zip(*(self._readings(candidate, h) for h in self.alive), strict=True)
        errors = np.sqrt(np.mean([candidate.errors(m) ** 2 for m in means], axis=0))

        metric = Metric.independent(errors, np.zeros((errors.size, 1)))
        return predictive(metric, means, [s @ r for s, r in zip(jacobian, self.roots, strict=True)])

    def _burn(self, test: RingTest) -> Predictive:
        best = self.alive[0].fit
        noise, size = None, 1.0
        if self.last is not None:  # what the last piece taught of its reading, the next will have
            source, piece = self.last
            noise = piece.noise
            size = _discrepancy(piece, best.machine, best.mode.u, self.problem, source)
        piece = planned_piece(
            test, self.problem.nominal, best.machine, noise=noise, discrepancy=size
        )
        problem = dataclasses.replace(self.problem, sources=(piece,))
        means, roots, placed = [], [], None
        for h, root in zip(self.alive, self.roots, strict=True):
            kinds = tuple(_carried(kind, piece) for kind in h.fit.mode.kinds)
            u = np.concatenate([h.fit.mode.u[: len(root)], np.zeros(piece.n_nuisance)])
            (residual,), (jacobian,) = Evaluator(problem, kinds).linearise(u)
            means.append(residual)
            roots.append(jacobian[:, : len(root)] @ root)
            placed = jacobian[:, len(root) :] if placed is None else placed
        assert placed is not None
        return predictive(piece.without(placed), means, roots)

    def _readings(
        self, candidate: PushTest | ToneTest | CaliperTest, h: Hypothesis
    ) -> tuple[np.ndarray, np.ndarray]:
        """Readings at the mode of an explanation and their derivatives with its unknowns."""
        mode, problem = h.fit.mode, self.problem
        read: Callable[[Machine], np.ndarray]
        if isinstance(candidate, CaliperTest):
            burned: list[Any] = [p for _, p in problem.burned if p.piece.test == candidate.test]
            if not burned:
                raise ValueError("calipers need a piece that is there: no such test was burned")
            read, felt = _calipers(candidate, burned[-1]), "xy"
        else:
            read, felt = candidate.readings, candidate.axis
        axes = problem.axes(mode.kinds)
        here = read(problem.machine(mode.kinds, mode.u))
        jacobian = np.zeros((here.size, len(axes)))
        for k, axis in enumerate(axes):
            if any(block in axis for block in felt):
                u = mode.u.copy()
                u[k] += _MOVE
                jacobian[:, k] = (read(problem.machine(mode.kinds, u)) - here) / _MOVE
        return here, jacobian

    def _size_gain(self, data: Predictive) -> float:
        """Expected information about the size of the leading fault, nats."""
        if self.size is None:
            return 0.0
        root, effect = self.roots[self.size], data.roots[self.size]
        # row of the fault's first unknown: its variance before and after
        row = root[len(self.problem.scatter)]
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
            return "would settle no question: one explanation is left; it may narrow its size"
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


def _carried(kind: FaultKind, piece: BurnedPiece) -> FaultKind:
    """A fault as it shows on another piece: one given as a pattern has it made anew."""
    if kind.pattern_on is None:
        return kind
    return dataclasses.replace(kind, pattern={0: kind.pattern_on(piece)})


def _noun(h: Hypothesis) -> str:
    """What an explanation is about: "slackness of the left belt"."""
    return " with ".join(noun(kind) for kind in h.fit.mode.kinds) or "a healthy machine"


def _calipers(test: CaliperTest, piece: BurnedPiece) -> Callable[[Machine], np.ndarray]:
    forward = piece.forward

    def read(machine: Machine) -> np.ndarray:
        lines = forward.lines(forward.run(machine))
        return test.readings({(line.shape, line.ring): line.xy for line in lines})

    return read


def _discrepancy(
    piece: BurnedPiece, machine: Machine, u: np.ndarray, problem: Problem, source: int
) -> float:
    """Size of the shared discrepancy that a measured piece taught, as a factor."""
    place = piece.placement(u[problem.nuisance_cuts(u.size)[source]])
    unit = shared_discrepancy(machine, piece.matched, piece.bins, place)
    return float(np.linalg.norm(piece.shared) / np.linalg.norm(unit))
