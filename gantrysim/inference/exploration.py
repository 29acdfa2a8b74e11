"""Which sets of faults explain what was measured: a bounded best-first search over sets.

Every fault of the catalogue is tried alone; then the best sets are extended by whatever promises
most beside them, as long as that may still change what is believed, and in what leads each fault is
exchanged for what it may be taken for.  At last every pair with what leads is glanced at, for a
fault may be there and leave no trace.  The noise is learned from the best explanation found so far,
so that all are compared on the same data.
"""

from __future__ import annotations

import dataclasses
import functools
import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, cast

import numpy as np

from gantrysim.inference.assumptions import Scales
from gantrysim.inference.problem import Problem
from gantrysim.inference.search import extend, glance, promised_gain, search
from gantrysim.inference.solver import Mode, learn_noise, solve
from gantrysim.inference.weighing import Weighed, held_out, lead_of_all, weigh
from gantrysim.records.crew import Run

if TYPE_CHECKING:
    from gantrysim.faults.base import Fault

#: Single faults tried at once: a later wave is given up by what earlier ones have reached, so the
#: answer does not depend on the number of threads.
_WAVE = 6
#: Scales to begin with, wide enough that a search is not led astray by a reader.
_FIRST = Scales(reader=3.0, shape=3.0, skew=1.5)
#: Noise that something which is not in the list may look like, mm: any.
_ANY = 10.0
#: So many of the likeliest single faults may put points back.
_SIFTED = 6
#: How often the noise is learned anew from what has become the best explanation.
_RELEARN = 3


@dataclass(frozen=True, eq=False)
class Explored:
    """What a search found.

    Parameters
    ----------
    problem : Problem
        With the noise as learned.
    modes : tuple of Mode
        One a set of faults and places of them.
    weights : tuple of Weighed
        Evidence and likeliest factors of each.
    scores : tuple of float
        Log evidence and prior of each, every ring counting in full.
    unlisted : Weighed
        The same of "something that is not in the list".
    unlisted_mode : Mode
        Its mode: a healthy machine with much larger discrepancy.
    settled : bool
        Whether no set that might matter was left unexplored.
    """

    problem: Problem
    modes: tuple[Mode, ...]
    weights: tuple[Weighed, ...]
    scores: tuple[float, ...]
    unlisted: Weighed
    unlisted_mode: Mode
    settled: bool


@dataclass(frozen=True, eq=False)
class _Known:
    """Sets of faults explored so far, weighed under one noise."""

    problem: Problem
    modes: tuple[Mode, ...]
    weights: tuple[Weighed, ...]
    log_prior: Callable[[Sequence[str]], float]
    run: Run

    @classmethod
    def of(
        cls,
        problem: Problem,
        modes: Sequence[Mode],
        near: Sequence[Scales | None],
        log_prior: Any,
        run: Run,
    ) -> _Known:
        """Weighed from factors that are near each."""
        weights = run(lambda pair: weigh(problem, *pair), list(zip(modes, near, strict=True)))
        return cls(problem, tuple(modes), tuple(weights), log_prior, run)

    @functools.cached_property
    def scores(self) -> tuple[float, ...]:
        """Log evidence and prior of each."""
        pairs = zip(self.modes, self.weights, strict=True)
        return tuple(w.evidence + self.log_prior([f.name for f in m.faults]) for m, w in pairs)

    @functools.cached_property
    def order(self) -> list[int]:
        """Likeliest first."""
        return sorted(range(len(self.modes)), key=lambda k: -self.scores[k])

    def place_of(self, faults: Sequence[Any]) -> int | None:
        """The likeliest with these faults; None if there is none."""
        return next(
            (k for k in self.order if _set_of(self.modes[k].faults) == _set_of(faults)), None
        )

    @property
    def healthy(self) -> Mode:
        """Mode of the healthy machine."""
        return next(mode for mode in self.modes if not mode.faults)

    def joined(self, modes: Iterable[Mode]) -> _Known:
        """With further modes."""
        modes = tuple(modes)
        near = [self.weights[self.order[0]].scales] * len(modes)
        more = _Known.of(self.problem, modes, near, self.log_prior, self.run)
        return dataclasses.replace(
            self, modes=self.modes + more.modes, weights=self.weights + more.weights
        )

    def relearned(self, *, believable: bool) -> _Known:
        """Under the noise that the likeliest leaves."""
        k = self.order[0]
        there, mode = self.solved(k)
        learned = learn_noise(there, mode, believable=believable)
        modes = (*self.modes[:k], mode, *self.modes[k + 1 :])
        near = [weighed.scales for weighed in self.weights]
        return _Known.of(learned, modes, near, self.log_prior, self.run)

    def solved(self, k: int) -> tuple[Problem, Mode]:
        """The problem at the likeliest factors of one, and its mode there."""
        mode, there = self.modes[k], self.weights[k].problem
        return there, dataclasses.replace(solve(there, mode.faults, mode), paid=mode.paid)

    def refined(self) -> _Known:
        """With the likeliest solved at their own factors and weighed again."""
        order = self.order
        least = self.scores[order[0]] + self.problem.assumptions.unlikely
        near = [k for k in order if self.scores[k] > least]
        modes, weights = list(self.modes), list(self.weights)
        found = [mode for _, mode in self.run(self.solved, near)]
        begin = [weights[k].scales for k in near]
        again = _Known.of(self.problem, found, begin, self.log_prior, self.run).weights
        for k, mode, weighed in zip(near, found, again, strict=True):
            modes[k], weights[k] = mode, weighed
        return dataclasses.replace(self, modes=tuple(modes), weights=tuple(weights))

    @property
    def near(self) -> list[int]:
        """The likeliest and those that rings which are held out may bring near it."""
        best, *order = self.order
        least = self._least
        return [best, *(k for k in order if self.scores[k] > least)]

    @property
    def _least(self) -> float:
        return self.scores[self.order[0]] - 2.0 * self.problem.assumptions.close

    def held_out(self, foretold: Sequence[np.ndarray]) -> _Known:
        """With the leads that all rings give, see `lead_of_all`.

        ``foretold``: what each of `near` foretells.
        """
        near, least, assumed = self.near, self._least, self.problem.assumptions
        best = near[0]
        weights = list(self.weights)
        for k, own in zip(near, foretold, strict=True):
            ahead = weights[best].evidence - weights[k].evidence
            given = ahead - lead_of_all(ahead, foretold[0] - own, assumed)
            given *= min(1.0, (self.scores[k] - least) / assumed.close)  # no edge where it ends
            weights[k] = dataclasses.replace(weights[k], evidence=weights[k].evidence + given)
        return dataclasses.replace(self, weights=tuple(weights))


def _foretold(known: _Known, k: int) -> np.ndarray:
    """What one explanation foretells of each ring."""
    return held_out(known.problem, known.modes[k], known.weights[k].scales)


def explore(
    problem: Problem,
    log_prior: Callable[[Sequence[str]], float],
    say: Callable[[str], None],
    run: Run,
) -> Explored:
    """Search the sets of faults that explain what was measured.

    Parameters
    ----------
    problem : Problem
        Everything measured, with first guesses of the noise.
    log_prior : callable
        Log prior probability of a set of faults, by their names.
    say : callable
        Called with a line of text as each step begins.
    run : callable
        Like `map`; may work in several threads.
    """
    assumed = problem.assumptions
    problem = dataclasses.replace(problem, scales=_FIRST)
    say("healthy machine")
    healthy = solve(problem, (), problem.start(()), most_steps=assumed.first_steps)
    problem = learn_noise(problem, healthy)
    healthy = solve(problem, (), healthy)
    modes = [healthy, *_singles(problem, healthy, say, run)]
    say("noise")
    problem, modes = _sifted(problem, modes, run)
    unknown: list[Scales | None] = [None] * len(modes)
    known = _Known.of(problem, modes, unknown, log_prior, run).relearned(believable=True)
    say("what the forward model lacks")
    lacking = [(known.problem, known.healthy, fault) for fault in _lacking(known.problem)]
    known = known.joined(_further(lacking, run))
    known, expanded = _extended(known, say)
    known = _swapped(known)
    say("noise")
    for _ in range(_RELEARN):
        best = known.order[0]
        known = _swapped(known.relearned(believable=False))
        if known.order[0] == best:
            break
    known = _swapped(known.joined(_glanced(known))).refined()
    scores = known.scores
    say(problem.catalogue.unmodelled[0].name)
    tasks: list[Callable[[], Any]] = [functools.partial(_unlisted, known.problem, known.healthy)]
    tasks += [functools.partial(_foretold, known, k) for k in known.near]
    (mode, unlisted), *foretold = run(lambda task: task(), tasks)
    known = known.held_out(foretold)
    level = known.scores[known.order[0]] - assumed.alike
    settled = not any(known.scores[k] > level for k in _left(known, expanded))
    return Explored(known.problem, known.modes, known.weights, scores, unlisted, mode, settled)


def _singles(problem: Problem, healthy: Mode, say: Callable[[str], None], run: Run) -> list[Mode]:
    """Modes of every fault alone."""
    faults, modes = problem.catalogue.modelled, [healthy]
    for first in range(0, len(faults), _WAVE):
        # what takes longest begins first, beside the others
        wave = sorted(faults[first : first + _WAVE], key=lambda fault: not fault.rugged)
        say(", ".join(fault.key for fault in wave))
        bound = min(mode.cost for mode in modes) + 2.0 * problem.assumptions.hopeless
        one = functools.partial(search, problem, healthy=healthy, give_up=bound)
        modes += run(one, [(fault,) for fault in wave])
    return modes[1:]


def _sifted(problem: Problem, modes: list[Mode], run: Run) -> tuple[Problem, list[Mode]]:
    """Put back what only a healthy machine finds far off, and carry all modes over."""
    likeliest = sorted(modes, key=lambda mode: -mode.evidence)[:_SIFTED]
    sources = list(problem.sources)
    for i, piece in problem.burned:
        cuts = [problem.nuisance_cuts(mode.u.size)[i] for mode in likeliest]
        explained = [
            (problem.machine(mode.faults, mode.u), mode.u[cut])
            for mode, cut in zip(likeliest, cuts, strict=True)
        ]
        sources[i] = piece.sifted(explained)
    same = all(new is old for new, old in zip(sources, problem.sources, strict=True))
    if same and problem.burned:  # readings by hand bend: there derivatives must be of the place
        return problem, modes
    sifted = dataclasses.replace(problem, sources=tuple(sources))
    return sifted, list(run(functools.partial(_carried, sifted), modes))


def _carried(problem: Problem, mode: Mode) -> Mode:
    """A mode among other points, as it stands, with derivatives of its own place."""
    new = solve(problem, mode.faults, mode.u, most_steps=0)
    return dataclasses.replace(new, paid=mode.paid)


#: A fault to be tried beside those of a mode of a problem.
_Task = tuple[Problem, Mode, "Fault"]


def _lacking(problem: Problem) -> list[Fault]:
    """Faults that the forward model lacks, one of those that show alike: a line is needed."""
    if not problem.burned:
        return []
    return list({fault.seen_as: fault for fault in problem.catalogue.sought}.values())


def _further(tasks: Sequence[_Task], run: Run) -> list[Mode]:
    """Modes with a further fault each, and with each that shows the same in its place."""
    found = zip(tasks, run(_with_further, tasks), strict=True)
    return [mode for (problem, *_), new in found for mode in _alike(problem, new)]


def _with_further(task: _Task) -> Mode:
    """A mode with a further fault, which is sought on its residuals if the model lacks it."""
    problem, mode, fault = task
    paid = mode.paid - _paid(problem, mode.faults) + _paid(problem, (*mode.faults, fault))
    if fault.sought:
        placed, chosen = fault.placed(problem, mode)
        return dataclasses.replace(extend(problem, mode, placed), paid=chosen + paid)
    found = extend(problem, mode, fault, give_up=mode.cost + problem.assumptions.hopeless)
    return dataclasses.replace(found, paid=found.paid + paid)


def _alike(problem: Problem, mode: Mode) -> list[Mode]:
    """A mode, with each fault that shows the same in place of one that was sought."""
    for k, fault in enumerate(mode.faults):
        if fault.sought:
            same = [x for x in problem.catalogue.sought if x.seen_as == fault.seen_as]
            rest = mode.faults[:k], mode.faults[k + 1 :]
            own = cast("Fault", fault)
            like = [own if x.key == own.key else x.seen_like(own) for x in same]
            sets = [(*rest[0], other, *rest[1]) for other in like]
            return [dataclasses.replace(mode, faults=faults) for faults in sets]
    return [mode]


def _left(known: _Known, expanded: set[frozenset[str]]) -> list[int]:
    """Sets that a further fault was not tried beside yet, likeliest first."""
    most = known.problem.assumptions.most_faults
    order = [k for k in known.order if len(known.modes[k].faults) < most]
    return [k for k in order if _kind_of(known.modes[k].faults) not in expanded]


def _extended(known: _Known, say: Callable[[str], None]) -> tuple[_Known, set[frozenset[str]]]:
    """Extend the likeliest sets by what promises most beside them, until that settles."""
    assumed = known.problem.assumptions
    tried = {_set_of(mode.faults) for mode in known.modes}
    expanded: set[frozenset[str]] = {frozenset()}
    turn = 0
    while True:
        least = known.scores[known.order[0]] - assumed.close
        left = [k for k in _left(known, expanded) if known.scores[k] > least]
        if not left or turn == assumed.expansions:
            return known, expanded
        there, mode = known.solved(left[0])
        say(f"beside {' and '.join(fault.name for fault in mode.faults)}")
        expanded.add(_kind_of(mode.faults))
        tasks = _tasks(known, there, mode, _promising(there, mode, known.run, tried))
        if turn == 0 and not any(fault.sought for fault in mode.faults):
            tasks += [(there, mode, fault) for fault in _lacking(there)]
        found = [new for new in _further(tasks, known.run) if _set_of(new.faults) not in tried]
        tried |= {_set_of(new.faults) for new in found}
        known = known.joined(found)
        turn += 1


def _beside(there: Problem, mode: Mode, tried: set[frozenset[str]]) -> list[Fault]:
    """Faults that a machine may have beside those of a mode, and that were not tried there."""
    catalogue, names = there.catalogue, [fault.name for fault in mode.faults]
    return [
        fault
        for fault in catalogue.modelled
        if all(catalogue.plausible(name, fault.name) for name in names)
        and _set_of((*mode.faults, fault)) not in tried
    ]


def _promising(there: Problem, mode: Mode, run: Run, tried: set[frozenset[str]]) -> list[Fault]:
    """Faults that promise most beside a mode, best first."""
    assumed, beside = there.assumptions, _beside(there, mode, tried)
    # with narrow scatter: a wide one has taken up what a further fault would explain
    narrow = there.scaled(dataclasses.replace(there.scales, scatter=1.0))
    gains = list(run(functools.partial(promised_gain, narrow, mode), beside))
    worth = [k for k in np.argsort(gains)[::-1] if gains[k] > assumed.worth]
    return [beside[k] for k in worth[: assumed.most_beside]]


def _tasks(known: _Known, there: Problem, mode: Mode, chosen: Sequence[Fault]) -> list[_Task]:
    """To try each chosen fault beside those of a mode.

    What the forward model lacks is sought anew beside the chosen one: its place hangs on that.
    """
    lacking = [fault for fault in mode.faults if fault.sought]
    if not lacking:
        return [(there, mode, fault) for fault in chosen]
    rest = [fault for fault in mode.faults if not fault.sought]
    bases = [k for fault in chosen if (k := known.place_of((*rest, fault))) is not None]
    solved = known.run(known.solved, bases)
    return [(*each, fault) for each in solved for fault in _lacking(there)]


def _swapped(known: _Known) -> _Known:
    """With what each fault of the likeliest set may be taken for in its stead, till none is better.

    Beside another fault the search has seen one of them only: the first that promised enough.
    """
    catalogue = known.problem.catalogue
    while True:
        best, tasks = known.modes[known.order[0]], []
        tried = {_set_of(mode.faults) for mode in known.modes}
        for fault in best.faults if len(best.faults) > 1 else ():
            rest = [other for other in best.faults if other is not fault]
            base = known.place_of(rest)
            if base is None:  # of three faults not every two were tried
                continue
            beside = _beside(known.problem, known.modes[base], tried)
            alike = [x for x in catalogue.alike(fault.name) if x in beside]
            tasks += _tasks(known, *known.solved(base), alike) if alike else []
        if not tasks:
            return known
        known = known.joined(_further(tasks, known.run))


def _glanced(known: _Known) -> list[Mode]:
    """Modes of what was not tried beside the likeliest set that leaves room for more.

    What leaves no trace there keeps its chance.
    """
    assumed = known.problem.assumptions
    least = known.scores[known.order[0]] - assumed.close
    room = (k for k in known.order if len(known.modes[k].faults) < assumed.most_faults)
    k = next(room, None)
    if k is None or known.scores[k] < least or not known.problem.burned:  # sheets tell one fault
        return []
    there, mode = known.solved(k)
    tried = {_set_of(other.faults) for other in known.modes}
    before = mode.paid - _paid(there, mode.faults)  # for the place of a flat
    sought = [_set_of((*mode.faults, fault)) for fault in there.catalogue.sought]
    done = any(fault.sought for fault in mode.faults) or tried.issuperset(sought)
    lacking = [] if done else _lacking(there)

    def found(fault: Fault) -> Mode:
        if fault.sought:
            return _with_further((there, mode, fault))
        new = glance(there, mode, fault)
        return dataclasses.replace(new, paid=before + _paid(there, new.faults))

    modes = known.run(found, [*_beside(there, mode, tried), *lacking])
    alike = (like for new in modes for like in _alike(there, new))
    return [new for new in alike if _set_of(new.faults) not in tried]


def _kind_of(faults: Sequence[Any]) -> frozenset[str]:
    """A set, with all that the forward model lacks counted as one: it shows alike."""
    return frozenset("sought" if fault.sought else fault.key for fault in faults)


def _paid(problem: Problem, faults: Sequence[Any]) -> float:
    """What further faults pay: each may be what the model of another one lacks."""
    return problem.assumptions.beside * max(sum(not fault.exact for fault in faults) - 1, 0)


def _set_of(faults: Sequence[Any]) -> frozenset[str]:
    return frozenset(fault.key for fault in faults)


def _unlisted(problem: Problem, healthy: Mode) -> tuple[Mode, Weighed]:
    """Healthy machine with a much larger discrepancy, and the common noise or one of its own."""
    assumed = problem.assumptions
    factors = tuple(assumed.unlisted_factor * x for x in assumed.discrepancy_factors)
    free = dataclasses.replace(assumed, discrepancy_factors=factors, roughest=_ANY)
    sources = list(problem.sources)
    for i, piece in problem.burned:
        sources[i] = piece.assuming(free)
    wide = dataclasses.replace(problem, assumptions=free, sources=tuple(sources))
    common = weigh(wide, healthy)
    machine = problem.machine((), healthy.u)
    mode = solve(common.problem, (), healthy)
    own = learn_noise(wide.on(machine, common.scales), mode, believable=False)
    alone = weigh(own, solve(own, (), mode))
    evidence = float(np.logaddexp(common.evidence, alone.evidence)) - math.log(2.0)
    # wide on purpose here; what a finding rests on is what was assumed
    stated = dataclasses.replace(common.problem, assumptions=assumed)
    return mode, Weighed(evidence, common.scales, stated)
