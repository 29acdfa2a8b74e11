"""From a measured piece to a named fault: compare healthy, every fault, and "none of these"."""

from __future__ import annotations

import dataclasses
import functools
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from gantrysim.burn import Burn
from gantrysim.decisions import words as findingwords
from gantrysim.decisions.misstatements import Misstatement, screened
from gantrysim.decisions.restatements import LIKE_A_MACHINE
from gantrysim.decisions.standing import Standing, standing_of
from gantrysim.decisions.statements import Statement, statements
from gantrysim.faults import Catalogue
from gantrysim.inference.assumptions import Assumptions
from gantrysim.inference.exploration import Explored, explore
from gantrysim.inference.fitting import Estimate, Fit, magnitudes, rough_draws
from gantrysim.inference.parameters import Belief, Parameter
from gantrysim.inference.problem import Problem, prepare
from gantrysim.inference.solver import Mode, solve
from gantrysim.instruments.base import Measurement
from gantrysim.instruments.points import Piece, as_measurements
from gantrysim.machine import Machine
from gantrysim.records.crew import Run, crew
from gantrysim.records.doors import checked
from gantrysim.records.files import AnyPath
from gantrysim.records.progress import telling
from gantrysim.records.table import fields_of

#: So many standard deviations off its label a healthy machine is believed to be, and no more.
_HEALTHY = 2.0
#: Explanations that a slip is held against.
_BESIDE_SLIPS = 2

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from gantrysim.decisions.advice import Advice


@checked
@dataclass(frozen=True, eq=False)
class Hypothesis:
    """One explanation of a piece.

    Parameters
    ----------
    faults : tuple of str
        Names of the faults; empty for healthy, ``("unlisted",)`` for none of the list.
    probability : float
        Posterior probability.
    magnitudes : dict
        By fault name: estimate, low, high (95 %), unit.
    indistinguishable_from : tuple of tuple of str
        The others of the finding's group, if it belongs to that.
    log_evidence : float
        Relative to the best.
    words : str
        The finding in plain words.
    check : str
        The hand check that confirms it.
    fit : Fit
        The fitted posterior.

    Examples
    --------
    >>> import gantrysim as gs
    >>> from gantrysim.instruments import ToneReading, ToneSheet
    >>> low = ToneReading("left", span=270.0, mass=8.4, tone=28.6, uncertainty=0.5)
    >>> finding = gs.diagnose(ToneSheet((low,), "by ear"))
    >>> finding.best.words
    'the left Y belt is soft and gives too much'
    >>> finding.best.faults, finding.best.probability < 0.5  # one tone alone may be misread
    (('slack_belt_left',), True)
    >>> finding.best.check
    'with the power off pluck the left Y belt: it should give a clear low tone'
    """

    faults: tuple[str, ...]
    probability: float
    magnitudes: dict[str, Estimate]
    indistinguishable_from: tuple[tuple[str, ...], ...]
    log_evidence: float
    words: str
    check: str
    fit: Fit

    @property
    def name(self) -> str:
        """Short name: the faults, or ``healthy``."""
        return " + ".join(self.faults) or "healthy"

    def __repr__(self) -> str:
        sizes = "; ".join(
            f"{m.estimate:.3g} [{m.low:.3g}, {m.high:.3g}] {m.unit}"
            for m in self.magnitudes.values()
        )
        return f"Hypothesis({self.name}, {self.probability:.3f}{', ' + sizes if sizes else ''})"


@checked
@dataclass(frozen=True, eq=False)
class Finding:
    """What a piece says about its machine.

    Parameters
    ----------
    measured : tuple of Piece, CaliperSheet, PushSheet or ToneSheet
        What was measured.
    machine : Machine
        The machine as described.
    ranked : tuple of Hypothesis
        Explanations, most probable first.
    slips : tuple of (Misstatement, float)
        Slips in how the pieces were stated that may be behind it, each with its probability; what
        they leave is shared by the explanations.
    settled : bool
        Whether every set of faults that may matter was tried with a further one beside it.

    Examples
    --------
    >>> import gantrysim as gs
    >>> from gantrysim.instruments import ToneReading, ToneSheet
    >>> low = ToneReading("left", span=270.0, mass=8.4, tone=28.6, uncertainty=0.5)
    >>> finding = gs.diagnose(ToneSheet((low,), "by ear"))
    >>> finding
    Finding(best alone: Hypothesis(slack_belt_left, 0.2..., 0.4... [...] of healthy stiffness),
    cannot be told from ... other(s))
    >>> finding.certain
    False
    >>> print(finding.report())
    No scan or points of a piece measured: what follows is a hint, not a finding.
    What was measured does not tell which of these it is:
      - the left Y belt is soft and gives too much (probability 0.2...)
    ...
    """

    measured: tuple[Measurement, ...]
    machine: Machine
    ranked: tuple[Hypothesis, ...]
    slips: tuple[tuple[Misstatement, float], ...] = ()
    settled: bool = True

    @property
    def assumptions(self) -> Assumptions:
        """The judgement that it rests on."""
        return self.best.fit.problem.assumptions

    @property
    def pieces(self) -> tuple[Piece, ...]:
        """The measured pieces among it."""
        return tuple(thing for thing in self.measured if isinstance(thing, Piece))

    @property
    def best(self) -> Hypothesis:
        """The most probable explanation."""
        return self.ranked[0]

    @property
    def group(self) -> tuple[tuple[str, ...], ...]:
        """The fewest explanations that hold the truth with `Assumptions.together`, best first.

        A set counts as the one without a fault that nothing measured speaks for.
        """
        return (self.best.faults, *self.best.indistinguishable_from)

    @functools.cached_property
    def points(self) -> tuple[Statement, ...]:
        """What is stated of each adjusting point, likeliest at fault first."""
        return statements(self.ranked, self.group)

    @functools.cached_property
    def standing(self) -> Standing:
        """Where each adjusting point stands: found, likely, possible, or not told."""
        return standing_of(self)

    @property
    def certain(self) -> bool:
        """Whether one explanation stands alone.

        It has the probability of `Assumptions.credible` by itself, its magnitude is identifiable,
        its search settled, the piece shows enough rings, it is known which way up it was burned,
        no slip in how it was stated explains as much, and nothing measured disagrees with it.
        """
        best = self.best
        alone = best.probability >= self.assumptions.credible
        sized = all(m.identifiable for m in best.magnitudes.values()) and best.fit.mode.converged
        return alone and sized and self.settled and self.firm

    @property
    def firm(self) -> bool:
        """Whether it is more than a hint, whatever it says.

        Pieces show enough rings, it is known which way up they were burned, and nothing measured
        disagrees with the best explanation.
        """
        return not self.thin and self.quarter_known and not self.doubts

    @functools.cached_property
    def doubts(self) -> tuple[str, ...]:
        """What of the measurements cannot be right, if the best explanation is; a sentence each."""
        return self.best.fit.doubts

    @property
    def thin(self) -> bool:
        """Whether the pieces show too few rings for more than a hint."""
        return self.rings < self.assumptions.few_rings

    @property
    def quarter_known(self) -> bool:
        """Whether the quarter turn of every piece is known (`Piece.quarter_known`)."""
        return all(piece.quarter_known for piece in self.pieces)

    @property
    def rings(self) -> int:
        """How many rings the pieces show together."""
        return rings_of(self.measured)

    @property
    def gains(self) -> dict[tuple[str, ...], float]:
        """Change of the log probability of each explanation by what was measured, nats."""
        problem = self.best.fit.problem
        before = np.array([_prior(h.faults, problem) for h in self.ranked])
        after = np.array([max(h.probability, 1e-300) for h in self.ranked])
        gains = np.log(after / (before / before.sum()))
        return {h.faults: float(g) for h, g in zip(self.ranked, gains, strict=True)}

    @property
    def learned(self) -> bool:
        """Whether one explanation stands alone, or any became twice as likely as before."""
        return (
            not self.best.indistinguishable_from
            or max(self.gains.values()) > self.assumptions.likelier
        )

    @property
    def spoken_against(self) -> tuple[tuple[str, ...], ...]:
        """Explanations that became much less likely, by `Assumptions.alike` or more."""
        alike = self.assumptions.alike
        return tuple(faults for faults, gain in self.gains.items() if gain < -alike)

    def belief(self) -> Belief:
        """Return what is now believed, to diagnose the next burn of the unchanged machine with.

        The healthy scatter is the mixture of all explanations, matched in mean and covariance;
        each explanation keeps nine tenths of its probability, and the size of a fault is that
        of the likeliest explanation which has it.  The tenth that is given back counts as a
        machine of which nothing is known, in the healthy scatter too: what a wrong explanation
        pressed into it can be undone.
        """
        likely = [h for h in self.ranked if h.probability > 1e-3]
        n = len(self.best.fit.problem.scatter)
        share = np.array([h.probability for h in likely])
        share /= share.sum()
        # what lies beyond is no healthy machine's: a fault that nobody named yet
        means = np.array([np.clip(h.fit.mode.u[:n], -_HEALTHY, _HEALTHY) for h in likely])
        mean = share @ means
        spread = means - mean
        covariance = (spread.T * share) @ spread
        for p, h in zip(share, likely, strict=True):
            covariance += p * h.fit.mode.covariance[:n, :n]
        back = self.assumptions.given_back
        covariance = (1.0 - back) * (covariance + back * np.outer(mean, mean))
        covariance += back * np.eye(n)
        mean = (1.0 - back) * mean
        sizes: dict[str, tuple[Parameter, ...]] = {}
        solved = [h for h in likely if h.probability > math.exp(self.assumptions.unlikely)]
        for h in reversed(solved):
            mode = h.fit.mode
            deviation = np.sqrt(np.diag(mode.covariance))
            problem = h.fit.problem
            for fault, cut in zip(mode.faults, problem.fault_cuts(mode.faults), strict=True):
                told = zip(problem.parameters(fault), mode.u[cut], deviation[cut], strict=True)
                sizes[fault.key] = tuple(q.narrowed(float(u), float(s)) for q, u, s in told)
        catalogue = self.best.fit.problem.catalogue
        weights = {
            h.faults: (1.0 - back) * h.probability + back * catalogue.prior(h.faults)
            for h in likely
        }
        return Belief(mean, np.linalg.inv(covariance), weights, sizes, self.machine)

    def adjustments(self, **options: Any) -> Advice:
        """Return what to turn, which way and how far, and what to check by hand first.

        Options are those of `gantrysim.advise`.
        """
        from gantrysim.decisions.advice import advise  # advice is built upon findings

        return advise(self, **options)

    def report(self) -> str:
        """Return the finding in plain words: what, how sure, how big, what to check by hand."""
        return "\n".join(findingwords.report(self))

    def to_dict(self) -> dict[str, Any]:
        """Return the ranking as plain Python types."""
        return {
            "sources": [thing.source for thing in self.measured],
            "certain": self.certain,
            "quarter_known": self.quarter_known,
            "doubts": list(self.doubts),
            "assumptions": self.assumptions.to_dict(),
            "points": [
                {**fields_of(point, "name", "probability", "size", "alike")}
                for point in self.points
            ],
            "ranked": [
                {
                    **fields_of(h, "faults", "probability", "log_evidence"),
                    "converged": h.fit.mode.converged,
                    **fields_of(h, "magnitudes", "indistinguishable_from"),
                }
                for h in self.ranked
            ],
        }

    def save(self, path: AnyPath, *, overwrite: bool = False) -> Path:
        """Save everything that was found (JSON), for `gantrysim.read_finding`; returns the path.

        Parameters
        ----------
        path : path
            Where to.
        overwrite : bool
            Whether an existing file may be replaced.

        Raises
        ------
        FileExistsError
            If the file exists and ``overwrite`` is false.
        FileNotFoundError
            If its folder does not exist.
        ValueError
            If something measured is neither a piece nor a sheet of readings.
        """
        from gantrysim.decisions.findingfile import save_finding  # it is built upon findings

        return save_finding(self, path, overwrite=overwrite)

    def plot(self) -> Figure:
        """Draw measured and predicted rings, residuals and probabilities in one figure."""
        from gantrysim.plotting.findings import plot_finding

        return plot_finding(self)

    def __repr__(self) -> str:
        others = len(self.best.indistinguishable_from)
        tail = f", cannot be told from {others} other(s)" if others else ""
        tail += "" if others or self.certain else ", not certain"
        tail += "" if self.quarter_known else f"; {findingwords.QUARTER}"
        return f"Finding(best alone: {self.best!r}{tail})"

    def _repr_html_(self) -> str:
        return findingwords.page(self)


@checked
def diagnose(
    measured: Measurement | Burn | Sequence[Measurement | Burn],
    machine: Machine | None = None,
    *,
    belief: Belief | None = None,
    assumptions: Assumptions | None = None,
    progress: Callable[[str], None] | None = None,
) -> Finding:
    """Compare healthy, every fault, likely pairs and "something not in this list" on one piece.

    Parameters
    ----------
    measured : Piece, CaliperSheet, PushSheet, ToneSheet, Burn, or a sequence of them
        What was measured of the same machine in the same state; all of it enters one posterior.  A
        simulated burn counts as a piece read without error (`Piece.of_burn`).
    machine : Machine, optional
        The machine as described; the nominal bench machine if absent.
    belief : Belief, optional
        What earlier burns of this machine taught (`Finding.belief`); a healthy machine's scatter
        and the usual faults if absent.
    assumptions : Assumptions, optional
        The judgement that the inference rests on; the usual one if absent.
    progress : callable, optional
        Called with a line of text as each explanation is tried, such as `print`; if absent, a
        terminal or a notebook shows the line, and nothing is said elsewhere.

    Returns
    -------
    Finding
        Explanations ranked by posterior probability, with magnitudes, 95 % intervals, and the
        groups that this piece cannot tell apart.

    Raises
    ------
    KeyboardInterrupt
        When interrupted: the work in all threads stops within a second or two.
    ValueError
        If something handed in is of another kind, a piece is handed in twice, or the belief is
        about another machine.

    Notes
    -----
    Evidence by Laplace's method on a common noise model that is learned from the residuals of
    the best explanation, so that no explanation is punished for another's misfit; sizes that nobody
    knows beforehand are marginalised for each (`gantrysim.inference.weighing`).

    Examples
    --------
    >>> import gantrysim as gs
    >>> test = gs.ring_test(spacing=8.0, largest=24.0, orientation_mark=True)
    >>> tight = gs.Machine().with_faults(gs.faults.TightWheels("left", extra_force=12.0))
    >>> burn = gs.simulate(tight, test, feed_forces=True)
    >>> path = burn.image(dpi=300).save("scan.png")  # stands in for a scanner
    >>> finding = gs.diagnose(gs.read_scan("scan.png", test))
    >>> finding.best.words
    "the left end plate's wheels are too tight on their rail"
    >>> finding, finding.certain
    (Finding(best alone: Hypothesis(tight_wheels_left, 0.98..., 11... [8..., 15...] N)), True)
    """
    machine = machine if machine is not None else Machine()
    things = as_measurements(measured)
    _refuse_twice(things)
    with telling("diagnose", progress) as say, crew() as run:
        problem = prepare(things, machine, belief, assumptions)
        found = explore(problem, functools.partial(_log_prior, problem), say, run)
        say("how it was stated")
        slips = _slips(found)
        few = rings_of(things) < problem.assumptions.few_rings
        slack = problem.assumptions.hint if few else 1.0
        left = 1.0 - sum(chance for _, chance in slips)
        return Finding(things, machine, _rank(found, slack, left, run), slips, found.settled)


def _refuse_twice(measured: Sequence[Measurement]) -> None:
    """Raise ValueError if something is handed in twice, a piece also as another copy."""
    seen: set[str | int] = set()
    for thing in measured:
        same = thing.check_sum if isinstance(thing, Piece) else id(thing)
        if same in seen:
            raise ValueError(f"{thing!r} is handed in twice; the same readings count once.")
        seen.add(same)


def rings_of(measured: Sequence[Measurement]) -> int:
    """How many rings the pieces among what was measured show together."""
    pieces = [thing for thing in measured if isinstance(thing, Piece)]
    return sum(len({(line.shape, line.ring) for line in piece.lines}) for piece in pieces)


def _log_prior(problem: Problem, names: Sequence[str]) -> float:
    """Log prior probability of a set of faults, its variants being alike."""
    faults = tuple(sorted(names))
    variants = math.prod(len(problem.catalogue.of_name(name)) for name in faults)
    return math.log(_prior(faults, problem) / variants)


def _slips(found: Explored) -> tuple[tuple[Misstatement, float], ...]:
    """Slips in how pieces were stated, with their probabilities."""
    problem = found.problem
    if not problem.burned:
        return ()
    scores = found.scores
    healthy = next(mode for mode in found.modes if not mode.faults)
    if scores[found.modes.index(healthy)] > max(scores) - problem.assumptions.alike:
        return ()  # a healthy machine drew what was stated: a slip would have shown
    there = found.weights[int(np.argmax(scores))].problem
    ordered = [found.modes[k] for k in np.argsort(scores)[::-1]]
    predicting = [mode for mode in ordered if not any(fault.sought for fault in mode.faults)]
    likeliest = dict.fromkeys((ordered[0], *predicting[:_BESIDE_SLIPS], healthy))
    modes = [
        dataclasses.replace(solve(there, mode.faults, mode), paid=mode.paid) for mode in likeliest
    ]
    slips = screened(there, modes)
    least = problem.assumptions.restated
    needed = [least + LIKE_A_MACHINE.get(slip.kind, 0.0) for slip in slips]
    odds = np.array([s.log_gain + s.log_prior - n for s, n in zip(slips, needed, strict=True)])
    anything = problem.catalogue.unmodelled[0]  # a torn figure is explained better by that
    apart = found.unlisted.evidence + _log_prior_of(problem, (anything.name,)) - max(scores)
    total = float(np.logaddexp.reduce([0.0, apart, *odds]))
    return tuple((s, math.exp(o - total)) for s, o in zip(slips, odds.tolist(), strict=True))


def _rank(found: Explored, slack: float, left: float, run: Run) -> tuple[Hypothesis, ...]:
    """Turn modes into ranked hypotheses; variants of one kind are added up."""
    problem, catalogue = found.problem, found.problem.catalogue
    families: dict[tuple[str, ...], list[tuple[float, Mode, Problem]]] = {}
    for mode, weighed in zip(found.modes, found.weights, strict=True):
        faults = tuple(sorted(fault.name for fault in mode.faults))
        score = weighed.evidence / slack + _log_prior(problem, faults)
        families.setdefault(faults, []).append((score, mode, weighed.problem))
    anything = catalogue.unmodelled[0]
    odds = _log_prior_of(problem, (anything.name,))
    healthy = next(m for m in found.modes if not m.faults)
    for fault in catalogue.unmodelled:
        if fault.there(problem, healthy):
            score = found.unlisted.evidence / slack + odds + math.log(fault.odds)
            families[(fault.name,)] = [(score, found.unlisted_mode, found.unlisted.problem)]
    scores = {f: float(np.logaddexp.reduce([s for s, *_ in m])) for f, m in families.items()}
    total = float(np.logaddexp.reduce(list(scores.values()))) - math.log(max(left, 1e-12))
    order = sorted(families, key=lambda f: -scores[f])
    chances = {f: math.exp(scores[f] - total) for f in order}
    evidence = {f: scores[f] - _log_prior_of(problem, f) for f in order}
    told = _told_apart(chances, evidence, problem.assumptions.likelier)
    group = _credible(told, left * problem.assumptions.together)

    def hypothesis(faults: tuple[str, ...]) -> Hypothesis:
        _, mode, own = max(families[faults], key=lambda item: item[0])
        named = mode.faults or tuple(catalogue.named(name) for name in faults)
        likely = scores[faults] - total > problem.assumptions.unlikely
        if likely:
            mode = dataclasses.replace(solve(own, mode.faults, mode), paid=mode.paid)
        fit = Fit(own, mode, own.machine(mode.faults, mode.u))
        return Hypothesis(
            faults=faults,
            probability=chances[faults],
            magnitudes=fit.magnitudes if likely else magnitudes(own, mode, rough_draws(mode)),
            indistinguishable_from=(
                tuple(f for f in group if f != faults) if faults in group else ()
            ),
            log_evidence=evidence[faults] - evidence[order[0]],
            words=" and ".join(f.words for f in named) or findingwords.SOUND,
            check="; ".join(f.check for f in named),
            fit=fit,
        )

    return tuple(run(hypothesis, order))


def _log_prior_of(problem: Problem, faults: tuple[str, ...]) -> float:
    return math.log(_prior(faults, problem))


def _told_apart(
    chances: Mapping[tuple[str, ...], float],
    evidence: Mapping[tuple[str, ...], float],
    likelier: float,
) -> dict[tuple[str, ...], float]:
    """Probabilities of explanations, likeliest first, without those that nothing speaks for.

    Where what was measured does not make a further fault likelier, the set with it counts as the
    one without: that fault is as likely as before, whatever else is wrong.
    """
    told: dict[tuple[str, ...], float] = {}
    for faults, chance in chances.items():
        fewer = [
            rest
            for rest in (tuple(name for name in faults if name != further) for further in faults)
            if rest in told and rest and evidence[faults] - evidence[rest] < likelier
        ]
        counted = max(fewer, key=lambda rest: chances[rest], default=faults)
        told[counted] = told.get(counted, 0.0) + chance
    return told


def _credible(chances: Mapping[tuple[str, ...], float], level: float) -> tuple[Any, ...]:
    """The fewest explanations that hold the truth with a probability, likeliest first."""
    out, covered = [], 0.0
    for faults, chance in chances.items():
        out.append(faults)
        covered += chance
        if covered >= level:
            break
    return tuple(out)


def prior_probability(
    faults: tuple[str, ...], belief: Belief, catalogue: Catalogue, assumptions: Assumptions
) -> float:
    """Probability of an explanation before the burn.

    Those that the belief names have the probability it gives; the others share what is left in
    the proportions of the catalogue (`Catalogue.prior`).
    """
    least = assumptions.least_left
    if faults in belief.weights:
        return belief.weights[faults]
    taken = sum(catalogue.prior(named) for named in belief.weights)
    left = max(1.0 - sum(belief.weights.values()), least)
    return catalogue.prior(faults) * left / max(1.0 - taken, least)


def _prior(faults: tuple[str, ...], problem: Problem) -> float:
    return prior_probability(faults, problem.belief, problem.catalogue, problem.assumptions)
