"""Was it this test?  Whether a piece is explained better by a slip in how it was stated.

A test burned otherwise than stated, or a piece measured the wrong way round, looks like faults of
the machine.  Each plausible slip (`gantrysim.decisions.restatements`) makes the same points a
piece of another statement.  The two statements are compared on the same bins with the same noise,
each with its best explanation by the machine.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from gantrysim.decisions.restatements import ODDS, Restatement, RingSeen, restatements
from gantrysim.inference.assumptions import Scales
from gantrysim.inference.definite import Definite
from gantrysim.inference.faultmodel import FaultModel
from gantrysim.inference.parameters import Belief
from gantrysim.inference.problem import Problem
from gantrysim.inference.search import promised_gain, search
from gantrysim.inference.solver import Evaluator, Mode, learn_noise, solve
from gantrysim.inference.terms import LikelihoodTerm
from gantrysim.inference.weighing import held_out, lead_of_all
from gantrysim.instruments.burnedpiece import BurnedPiece, passage
from gantrysim.instruments.forward import forward_of
from gantrysim.instruments.points import Piece
from gantrysim.instruments.residual import clear_of_ends, first_placement, rematched
from gantrysim.machine import Machine
from gantrysim.pattern.ringtest import RingTest
from gantrysim.pattern.shapes import shape_of
from gantrysim.records.arrays import Array
from gantrysim.records.checks import listed
from gantrysim.records.crew import crew

#: A slip that promises less than this over the test as stated, nats, is not looked into: its own
#: odds cost more.
_WORTH = 3.0
#: One that loses more than this where effects are linear, nats, is not tried at the machine of the
#: best explanation: large faults are not linear, but not by so much.
_LOST = 100.0
#: Size of a fault, in those usual for it, where its effect is taken as linear: standard deviation.
_SIZES = 2.0
_FIRST_STEPS = 2  # at the machine of the best explanation
_MOST = 3  # slips looked into, the most promising first
_EXPLANATIONS = 2  # faults tried for each, the most promising first


@dataclass(frozen=True, eq=False)
class Misstatement:
    """A slip in how pieces were stated, weighed against the statement being right.

    Parameters
    ----------
    kind : str
        The slip, one of `gantrysim.decisions.restatements.ODDS`.
    words : str
        What it looks like and what was said instead, a clause without its full stop.
    log_gain : float
        Log evidence, with the log prior of its faults, of the best explanation of the pieces as
        restated over that of the pieces as stated, nats.
    log_prior : float
        Prior log odds of the slip against none.
    restated : dict of int to Piece
        By their place among the sources of the problem, the pieces as they must be stated if the
        slip was made: ``piece.test`` is the test then, and its points may be turned; empty where
        nothing can be restated, because pieces are of different machines.
    faults : tuple of FaultModel
        The best explanation then.
    """

    kind: str
    words: str
    log_gain: float
    log_prior: float
    restated: dict[int, Piece]
    faults: tuple[FaultModel, ...]


def screened(problem: Problem, modes: Sequence[Mode]) -> tuple[Misstatement, ...]:
    """Slips that may explain pieces better than they are explained as stated.

    Parameters
    ----------
    problem : Problem
        The pieces as stated, with the noise learned.
    modes : sequence of Mode
        Explanations of it: the healthy one and the best few.

    Returns
    -------
    tuple of Misstatement
        Those that were looked into, likeliest first; empty where none promises anything.

    Notes
    -----
    Each slip is tried in two ways: with every single fault of any size where its effect is taken as
    linear, and, where that is not hopeless, at the machine of the best explanation with its
    unknowns free.  The few that gain are solved, with the faults that promise most there; the noise
    is then learned from the better statement, and both are compared on it.  Bins, and points left
    out, are the same for both.  The statement is then explained from where the slip stands, and the
    ring that says most for the slip counts less (`lead_of_all`).
    """
    with crew() as run:
        said = _Stated.of(problem, modes)
        trials = list(run(lambda slips: _trial(said, slips), _slips(problem)))
        promising = [trial for trial in trials if trial is not None and trial.promise > _WORTH]
        promising.sort(key=lambda trial: -trial.promise)
        least = promising[0].promise - problem.assumptions.hopeless if promising else 0.0
        near = [trial for trial in promising[:_MOST] if trial.promise > least]
        found = list(run(lambda trial: _looked_into(said, trial), near))
        found += run(lambda places: _of_another(said, places), _parted(problem))
    return tuple(sorted(found, key=lambda slip: -(slip.log_gain + slip.log_prior)))


#: Slips by the place of the piece among the sources.
Slips = dict[int, Restatement]


def _slips(problem: Problem) -> list[Slips]:
    """Slips about each piece alone, and about all that state the same test."""
    found: list[Slips] = []
    by_test: dict[RingTest, list[dict[str, Slips]]] = {}
    for place, term in problem.burned:
        if isinstance(term, BurnedPiece):
            own = restatements(term.piece, _rings(term))
            found += [{place: slip} for slip in own]
            shared = {slip.words: {place: slip} for slip in own if slip.of_test}
            by_test.setdefault(term.piece.test, []).append(shared)
    for pieces in by_test.values():
        if len(pieces) > 1:
            for words in pieces[0]:
                if all(words in piece for piece in pieces):
                    found.append({k: v for piece in pieces for k, v in piece[words].items()})
    return found


def _parted(problem: Problem) -> list[tuple[int, ...]]:
    """Places of the sources that may be of a machine of their own: each, beside a piece."""
    burned = dict(problem.burned)
    places = sorted(range(len(problem.sources)), key=lambda place: place in burned)
    if len(places) < 2 or not burned:
        return []
    # of two things measured either one is the other's stranger
    return [(place,) for place in places[: 1 if len(places) == 2 else None]]


#: Faults and unknowns to look from.
Start = tuple[tuple[FaultModel, ...], Array]


@dataclass(frozen=True, eq=False)
class _Responses:
    """What the residuals of a problem know, linearly, about the healthy scatter and every fault.

    Parameters
    ----------
    faults : tuple of FaultModel
        The single faults.
    tables : tuple of ndarray, shape (m, n + k + 1)
        Of each source: derivatives with the n unknowns of the healthy machine, what each of the k
        faults of its usual size adds, and the residual of the machine as believed.
    """

    faults: tuple[FaultModel, ...]
    tables: tuple[Array, ...]

    @classmethod
    def of(cls, problem: Problem) -> _Responses:
        """Run the machine as believed, and with each fault."""
        u = problem.start(())
        n = len(problem.scatter)
        residuals, jacobians = Evaluator(problem, ()).linearise(u)
        faults = tuple(f for f in problem.catalogue.modelled if not f.compound)
        added = []
        for fault in faults:
            usual = np.concatenate((u[:n], np.zeros(len(fault.parameters)), u[n:]))
            added.append(Evaluator(problem, (fault,)).at(usual))
        tables = tuple(
            np.column_stack((jacobian, *(each[k] - r for each in added), r))
            for k, (jacobian, r) in enumerate(zip(jacobians, residuals, strict=True))
        )
        return cls(faults, tables)

    def score(self, problem: Problem) -> float:
        """Score of the best single fault, or of none, each of any size and taken as linear."""
        k = len(self.faults)
        n = self.tables[0].shape[1] - k - 1
        gram = np.zeros((n + k + 1, n + k + 1))
        for source, table in zip(problem.sources, self.tables, strict=True):
            white = source.metric.columns(table)
            gram += source.metric.product(white, white)
        gram[:n, :n] += problem.prior(problem.start(()))[0]
        gram[range(n, n + k), range(n, n + k)] += _SIZES**-2.0
        log_det = sum(source.metric.log_det for source in problem.sources)
        scores = []
        for fault, own in ((None, []), *((f, [n + i]) for i, f in enumerate(self.faults))):
            free = [*range(n), *own]
            known = Definite.of(gram[np.ix_(free, free)])
            pull = gram[free, -1]
            cost = 0.5 * float(gram[-1, -1] - pull @ known.solve(pull))
            half = 0.5 * known.log_det + len(own) * math.log(_SIZES)
            named = () if fault is None else (fault,)
            scores.append(_log_prior(problem, named) - cost - half - 0.5 * log_det)
        return max(scores)


def _promised(problem: Problem, mode: Mode) -> float:
    """Score of the best explanation kept under other weights, with one full step promised."""
    evaluator = Evaluator(problem, mode.faults)
    cost = evaluator.cost(mode.u, mode.residuals)
    hessian, gradient = evaluator.quadratic(mode.u, mode.residuals, mode.jacobian)
    known = Definite.of(hessian)
    cost -= 0.5 * float(gradient @ known.solve(gradient))
    log_det = sum(source.metric.log_det for source in problem.sources)
    return _log_prior(problem, mode.faults) - cost - 0.5 * known.log_det - 0.5 * log_det


@dataclass(frozen=True, eq=False)
class _Stated:
    """The pieces as stated, and how well they are explained.

    Parameters
    ----------
    problem : Problem
        The pieces.
    modes : tuple of Mode
        Explanations that predict burned lines, the best first, the healthy one among them.
    ahead : float
        How far a signature sought on the residuals, which belongs to this statement alone, stands
        above it, nats.
    responses : _Responses
        What its residuals know linearly.
    """

    problem: Problem
    modes: tuple[Mode, ...]
    ahead: float
    responses: _Responses

    @classmethod
    def of(cls, problem: Problem, modes: Sequence[Mode]) -> _Stated:
        """The best of some explanations."""
        predicting = [mode for mode in modes if not any(fault.sought for fault in mode.faults)]
        predicting.sort(key=lambda mode: -_score(problem, mode))
        ahead = max(_score(problem, mode) for mode in modes) - _score(problem, predicting[0])
        return cls(problem, tuple(predicting), ahead, _Responses.of(problem))

    @property
    def best(self) -> Mode:
        """The best explanation that predicts burned lines."""
        return self.modes[0]


@dataclass(frozen=True, eq=False)
class _Trial:
    """Slips beside the statement, on the same bins."""

    slips: Slips
    stated: Problem
    restated: Problem
    starts: tuple[Start, ...]
    promise: float


def _trial(said: _Stated, slips: Slips) -> _Trial | None:
    """What slips promise at the best machine or the one believed; None if they cannot be."""
    problem, best = said.problem, said.best
    machine = problem.machine(best.faults, best.u)
    cuts = problem.nuisance_cuts(best.u.size)
    stated, restated = {}, {}
    for place, slip in slips.items():
        term = problem.sources[place]
        assert isinstance(term, BurnedPiece)
        try:
            pair = _paired(term, slip, machine, best.u[cuts[place]], problem.scales)
        except ValueError:
            return None  # the test would leave the travel
        stated[place], restated[place] = pair
    here = _laid_otherwise(problem, best.u, slips)
    old, new = _with(problem, stated), _with(problem, restated)
    starts: tuple[Start, ...] = ((best.faults, here), ((), problem.start(())))
    linear = _Responses.of(new)
    corner = any(slip.on_corner for slip in slips.values())
    before = _Responses.of(old) if corner else said.responses
    promise = linear.score(new) - before.score(old)
    if not corner and -_LOST < promise < _WORTH:
        kept = solve(new, best.faults, here, most_steps=_FIRST_STEPS)
        promise = max(promise, _score(new, kept) - _promised(old, best))
    return _Trial(slips, old, new, starts, promise)


def _laid_otherwise(problem: Problem, u: Array, slips: Slips) -> Array:
    """Unknowns with nothing known of how the pieces of a slip lie."""
    here = u.copy()
    for place in slips:
        here[problem.nuisance_cuts(u.size)[place]] = 0.0
    return here


def _with(problem: Problem, terms: Mapping[int, LikelihoodTerm]) -> Problem:
    """The problem with other terms in some places."""
    sources = (terms.get(k, source) for k, source in enumerate(problem.sources))
    return replace(problem, sources=tuple(sources))


def _paired(
    term: BurnedPiece, slip: Restatement, machine: Machine, v: Array, scales: Scales
) -> tuple[BurnedPiece, BurnedPiece]:
    """The piece as stated and as restated, on the same points in the same bins."""
    piece = slip.piece
    if slip.on_corner:
        new = piece.likelihood_term(term.nominal, term.assumptions)
        assert isinstance(new, BurnedPiece)
        points = new.matched.points @ slip.turn  # turned back
        matched = rematched(new.matched, points, term.piece, term.forward)
        old = replace(term, matched=matched, bins=new.bins, weight=new.weight)
        new = replace(new, noise=term.noise)
    else:
        same = piece.test == term.piece.test
        forward = term.forward if same else forward_of(piece.test, term.nominal)
        points = np.ascontiguousarray(term.matched.points @ slip.turn.T)
        matched = rematched(term.matched, points, piece, forward)
        origin = _origin(term, slip)
        new = replace(term, piece=piece, forward=forward, matched=matched, origin=origin)
        clear = clear_of_ends(matched, forward, new.placement(np.zeros(new.n_nuisance)))
        weight = term.weight * (term.bins.mean(~clear * 1.0) == 0.0)
        old, new = replace(term, weight=weight), replace(new, weight=weight)
    return _lacking(old, machine, v, scales), _lacking(new, machine, 0.0 * v, scales)


def _origin(term: BurnedPiece, slip: Restatement) -> Array:
    """Placement of the restated piece: rings about one centre keep it, turned or mirrored."""
    nests = slip.piece.test.nests
    if len({nest.centre for nest in nests}) > 1:
        return first_placement(slip.piece)
    turn, shift = term.origin[:1], term.origin[1:3]
    return np.concatenate((np.linalg.det(slip.turn) * turn, slip.turn @ shift, term.origin[3:]))


def _lacking(term: BurnedPiece, machine: Machine, v: Array, scales: Scales) -> BurnedPiece:
    """The piece with what the model of a machine lacks along its lines."""
    place = term.placement(v)
    passed = passage(term.matched, term.bins, place, term.nominal, term.assumptions)
    return replace(term, passage=passed).with_discrepancy(machine, scales)


def _rings(term: BurnedPiece) -> dict[tuple[str, int], RingSeen]:
    """What the points of a piece show of the sizes of its rings."""
    about = term.matched.about(term.placement(np.zeros(term.n_nuisance)))
    good = term.bins.owner >= 0
    found = {}
    for k, line in enumerate(term.piece.lines):
        own = about[(term.matched.group == k) & good]
        if len(own):
            reach = shape_of(line.shape).reach(own)
            found[line.shape, line.ring] = RingSeen(float(np.median(reach)), float(np.std(reach)))
    return found


def _score(problem: Problem, mode: Mode) -> float:
    """Log evidence and log prior of an explanation."""
    return mode.evidence - mode.paid + _log_prior(problem, mode.faults)


def _log_prior(problem: Problem, faults: Sequence[FaultModel]) -> float:
    from gantrysim.decisions.diagnosis import prior_probability  # it stands on this module

    names = tuple(sorted(fault.name for fault in faults))
    prior = prior_probability(names, problem.belief, problem.catalogue, problem.assumptions)
    return math.log(prior)


def _looked_into(said: _Stated, trial: _Trial) -> Misstatement:
    """Solve for the best explanation of restated pieces, and compare it with the stated one."""
    old, new = trial.stated, trial.restated
    mode = _explained(new, trial.starts)
    gain = _gain(said, old, (new, mode))
    if gain > 0.0:
        old, new = _relearned(trial, mode)
        # what the first noise swallowed may be a fault's under this one
        mode = _explained(new, ((mode.faults, mode.u), ((), new.start(()))))
        gain = max(gain, _gain(said, old, (new, mode)))
    if gain > _WORTH:
        gain = min(gain, _borne_out(said, trial, (old, new), mode))
    torn = said.problem.catalogue.unmodelled[1:]
    if any(fault.there(trial.restated, mode) for fault in torn):
        gain = min(gain, 0.0)  # the figure is torn however it is stated
    first = next(iter(trial.slips.values()))
    several = f"of {len(trial.slips)} pieces each: " if len(trial.slips) > 1 else ""
    restated = {place: slip.piece for place, slip in trial.slips.items()}
    return Misstatement(
        first.kind, several + first.words, gain, first.log_odds, restated, mode.faults
    )


def _gain(said: _Stated, stated: Problem, *explained: tuple[Problem, Mode]) -> float:
    """Score of explanations together over that of the best one as stated."""
    best = solve(stated, said.best.faults, said.best.u)
    ahead = _score(stated, best) + said.ahead
    return sum(_score(problem, mode) for problem, mode in explained) - ahead


def _borne_out(
    said: _Stated, trial: _Trial, problems: tuple[Problem, Problem], mode: Mode
) -> float:
    """What is left of a gain where nothing flatters it.

    What explains the pieces as restated may explain them as stated too, from where it stands.  And
    one ring alone tells little: what is loose may lie otherwise there than the model has it.  A
    slip with which the rings foretell each other worse gains so much less.
    """
    stated, restated = problems
    own = [solve(stated, each.faults, each.u) for each in said.modes]
    if all(each.faults != mode.faults for each in own):
        healthy = next(each for each in own if not each.faults)
        own.append(search(stated, mode.faults, healthy))
    own.append(solve(stated, mode.faults, _laid_otherwise(stated, mode.u, trial.slips)))
    best = max(own, key=lambda each: _score(stated, each))
    scales = said.problem.scales
    foretold = held_out(restated, mode, scales) - held_out(stated, best, scales)
    # what the rings foretell worse counts against what the whole gains
    ahead = _score(restated, mode) - _score(stated, best) + min(0.0, float(foretold.sum()))
    return lead_of_all(ahead, foretold, stated.assumptions) - said.ahead


def _relearned(trial: _Trial, mode: Mode) -> tuple[Problem, Problem]:
    """The stated and the restated problem with the noise that the restated one teaches.

    What the stated one taught holds the misfit of a wrong statement.
    """
    learned = learn_noise(trial.restated, mode)
    stated = dict(enumerate(learned.sources))
    restated = dict(stated)
    for place in trial.slips:
        before, after = trial.restated.sources[place], learned.sources[place]
        term = trial.stated.sources[place]
        assert isinstance(before, BurnedPiece)
        assert isinstance(after, BurnedPiece)
        assert isinstance(term, BurnedPiece)
        weight = np.where(before.weight > 0.0, after.weight, 0.0)
        restated[place] = replace(after, weight=weight)
        stated[place] = replace(term, noise=after.noise, weight=weight)
    return _with(learned, stated), _with(learned, restated)


def _of_another(said: _Stated, places: tuple[int, ...]) -> Misstatement:
    """Sources in some places explained by a machine of their own, beside all by one machine."""
    problem, best = said.problem, said.best
    cuts = problem.nuisance_cuts(best.u.size)
    others = tuple(k for k in range(len(problem.sources)) if k not in places)
    explained = []
    for part, belief in ((others, problem.belief), (places, Belief.fresh(problem.scatter))):
        own = replace(problem, sources=tuple(problem.sources[k] for k in part), belief=belief)
        left_out = [
            k
            for n, cut in enumerate(cuts)
            if n not in part
            for k in range(*cut.indices(best.u.size))
        ]
        mode = _explained(own, [(best.faults, np.delete(best.u, left_out)), ((), own.start(()))])
        learned = learn_noise(own, mode)
        explained.append((learned, solve(learned, mode.faults, mode)))
    terms: dict[int, LikelihoodTerm] = {}
    for part, (own, _) in zip((others, places), explained, strict=True):
        terms |= dict(zip(part, own.sources, strict=True))
    gain = _gain(said, _with(problem, terms), *explained)
    drawn = dict(problem.burned)
    pieces = {k: drawn[k].piece for k in places if k in drawn}
    named = listed([problem.sources[k].source for k in places])
    what = (
        f"the piece {named} looks burned by another machine"
        if len(pieces) == len(places)
        else f"the readings {named} disagree with the piece: they look taken on another machine"
    )
    return Misstatement(
        "machine",
        f"{what}, or in another state of it, than what was handed in with it",
        gain,
        math.log(ODDS["machine"] / len(problem.sources)),
        pieces,
        explained[1][1].faults,
    )


def _explained(problem: Problem, starts: Sequence[Start]) -> Mode:
    """The best explanation: from where to start, and the healthy one with the likeliest faults."""
    modes = [solve(problem, *start) for start in dict((f, (f, u)) for f, u in starts).values()]
    healthy = next(mode for mode in modes if not mode.faults)
    faults = problem.catalogue.modelled
    # from what is believed: the healthy mode has taken up what a fault would explain
    believed = solve(problem, (), problem.start(()), most_steps=0)
    gains = [promised_gain(problem, believed, fault) for fault in faults]
    for k in sorted(range(len(faults)), key=lambda k: -gains[k])[:_EXPLANATIONS]:
        bound = min(mode.cost for mode in modes) + problem.assumptions.hopeless
        modes.append(search(problem, (faults[k],), healthy, give_up=bound))
    return max(modes, key=lambda mode: _score(problem, mode))
