"""What a test can tell, before anything is burned.

The piece that the healthy machine would burn is taken as measured, the model is made linear
there and at every fault of its usual size, and the inverse of the Hessian gives the interval to
expect of every parameter.  What stays at its prior, the test does not see.  What a fault would be
taken for is found as a diagnosis finds it, by fits of the others to what it would burn.
"""

from __future__ import annotations

import dataclasses
import functools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from scipy.special import ndtr

from gantrysim.decisions.blinddirections import blind_directions
from gantrysim.decisions.identifiable import SEEN, Identifiability, Power, Row
from gantrysim.faults import Fault
from gantrysim.faults.healthy import in_a_sentence
from gantrysim.inference.fitting import Estimate, FaultNames, magnitudes, sized
from gantrysim.inference.parameters import values_at
from gantrysim.inference.problem import Problem
from gantrysim.inference.sampling import COUNT, SEED
from gantrysim.inference.search import promised_gain, search
from gantrysim.inference.solver import Evaluator, Mode, solve
from gantrysim.instruments.burnedpiece import BurnedPiece
from gantrysim.instruments.burning import burned_length, planned_piece
from gantrysim.machine import Machine
from gantrysim.pattern.ringtest import Nest, RingTest
from gantrysim.pattern.shapes import shape_of
from gantrysim.records.crew import crew
from gantrysim.records.doors import checked
from gantrysim.records.progress import telling

#: A fault is fitted to what another would burn if added to a healthy machine it promises so much,
#: nats; and given up where it stays so far behind, nats: then noise does not bring it near.
_PROMISING, _FAR = 0.5, 15.0
_SAME = 1e-6  # squared: the least that a fit of another explanation leaves


@checked
def what_can_be_told(
    test: RingTest,
    machine: Machine | None = None,
    *,
    faults: FaultNames | None = None,
    progress: Callable[[str], None] | None = None,
) -> Identifiability:
    """Say before anything is burned what a test would tell of a machine.

    Parameters
    ----------
    test : RingTest
        What is to be commanded, mm.
    machine : Machine, optional
        The machine as described; the nominal bench machine if absent.
    faults : sequence of str, optional
        Names of the faults of interest, none for the healthy parameters alone; all that the
        forward model has if absent.  A fault that it lacks is taken at one place.
    progress : callable, optional
        Called with a line of text as each fault has been tried, such as `print`; if absent, a
        terminal or a notebook shows the line, and nothing is said elsewhere.

    Returns
    -------
    Identifiability
        Expected 95 % intervals beside those of the priors, blind directions in words, the
        power to name each fault, and circles beside squares of the same burned length.

    Raises
    ------
    ValueError
        If the test leaves the travel of the machine, a fault has no such name, or an argument
        is of a wrong kind.

    Notes
    -----
    Intervals are linear in every unknown about the healthy machine and about each fault at its
    usual size (the median of its prior): those to expect when nothing surprises.  What a fault is
    taken for is not: every other one is fitted to what it would burn, for far from its usual size
    one may draw what another draws.  Points
    every millimetre with the noise of a common scan on wood, every pass told apart, and the
    discrepancy of `gantrysim.inference.discrepancy`.

    Examples
    --------
    >>> import gantrysim as gs
    >>> test = gs.ring_test(("circle",), spacing=10.0, largest=20.0)
    >>> told = gs.what_can_be_told(test, faults=["tight_wheels_left"])
    >>> told
    Identifiability(3 of 23 parameters identifiable, 1 of 1 faults told from healthy, blind in 20
    directions)
    >>> told.power[0]
    Power(fault='tight_wheels_left', words="the left end plate's wheels are too tight on their
    rail", unit='N', size=9.0, seen=..., confused_with=())
    """
    machine = Machine() if machine is None else machine
    catalogue = machine.catalogue()
    assumed = catalogue.modelled
    if faults is not None:
        names = list(faults)
        assumed = tuple(fault for name in names for fault in catalogue.of_name(name))
    with telling("what can be told", progress) as say:
        whole = _tell(test, machine, assumed, say)
        parts = shapes_apart(test)
        circles, squares = (_tell(p, machine, assumed, say, twins=False) for p in parts)
    return dataclasses.replace(whole, circles=circles, squares=squares)


def shapes_apart(test: RingTest) -> tuple[RingTest, RingTest]:
    """Circles alone and squares alone of a test, with equal length of burned lines.

    Parameters
    ----------
    test : RingTest
        A test of either shape or both; the shape that it lacks is made from the other (the
        circles inscribed in its squares, or squares of the same perimeter).

    Returns
    -------
    RingTest, RingTest
        The longer of both shrunk until the lengths agree.
    """
    circles, squares = _only(test, "circle"), _only(test, "square")
    ratio = burned_length(circles) / burned_length(squares)
    if ratio <= 1.0:
        return circles, _scaled(squares, ratio)
    return _scaled(circles, 1.0 / ratio), squares


def _only(test: RingTest, shape: str) -> RingTest:
    own = [nest for nest in test.nests if nest.shape == shape]
    if own:
        nest = own[0]
    else:
        other = test.nests[0]
        nest = Nest(shape, other.centre, other.sizes, shape_of(shape).start_deg, other.direction)
    from_shape = shape if own else test.nests[0].shape
    sequence = tuple((shape, ring, n) for s, ring, n in test.sequence if s == from_shape)
    most = max(n for _, _, n in sequence)
    return dataclasses.replace(
        test, nests=(nest,), sequence=sequence, layout=f"{shape}s", passes=most
    )


def _scaled(test: RingTest, factor: float) -> RingTest:
    (nest,) = test.nests
    nest = dataclasses.replace(nest, sizes=tuple(size * factor for size in nest.sizes))
    return dataclasses.replace(test, nests=(nest,), spacing=test.spacing * factor)


@dataclass(frozen=True, eq=False)
class _View:
    """The linear model about the healthy machine or about one fault of usual size."""

    faults: tuple[Fault, ...]
    u: np.ndarray
    residual: np.ndarray
    jacobian: np.ndarray
    covariance: np.ndarray


def _view(problem: Problem, faults: tuple[Fault, ...]) -> _View:
    ((_, piece),) = problem.burned
    faults = tuple(fault.shown_on(piece) for fault in faults)
    u = problem.start(faults)
    for fault, cut in zip(faults, problem.fault_cuts(faults), strict=True):
        u[cut] = fault.usual_numbers
    evaluator = Evaluator(problem, faults)
    residuals, jacobian = evaluator.linearise(u)
    hessian, _ = evaluator.quadratic(u, residuals, jacobian)
    return _View(faults, u, residuals[0], jacobian[0], np.linalg.inv(hessian))


def _tell(
    test: RingTest,
    machine: Machine,
    faults: tuple[Fault, ...],
    say: Callable[[str], None],
    *,
    twins: bool = True,
) -> Identifiability:
    problem = Problem(machine, (planned_piece(test, machine),))
    sets: list[tuple[Fault, ...]] = [(), *((fault,) for fault in faults)]
    with crew() as run:
        views = list(run(lambda k: _view(problem, k), sets))
        rows = list(run(lambda view: _fault_row(problem, view), views[1:]))

        def power(view: _View) -> Power:
            (own,) = view.faults
            rest = [(f,) for f in faults if twins and f.name != own.name]
            return _power(problem, views[0], view, rest)

        powers = []
        for found in run(power, views[1:]):
            say(f"{test.layout}: {found.words}")
            powers.append(found)
        return Identifiability(
            test=test, machine=machine, rows=(*_healthy_rows(problem, views[0]), *rows),
            blind=_blind(problem, views), power=tuple(powers), length=burned_length(test),
        )  # fmt: skip


def _healthy_rows(problem: Problem, view: _View) -> list[Row]:
    rows = []
    sd = np.sqrt(np.diag(view.covariance))
    for scatter, s in zip(problem.scatter, sd, strict=False):
        q = scatter.parameter
        low, high = q.value(-1.96 * s), q.value(1.96 * s)
        rows.append(
            Row(q.name, q.unit, False, q.value(0.0), low, high, q.value(-1.96), q.value(1.96))
        )
    return rows


def _fault_row(problem: Problem, view: _View) -> Row:
    (fault,) = view.faults
    mode = Mode(view.faults, view.u, view.covariance, 0.0, 0.0, (), (), True)
    after = magnitudes(problem, mode)[fault.name]
    before = _believed(fault)
    ends = (after.low, after.high, before.low, before.high)
    return Row(problem.catalogue.label(fault), fault.unit, True, after.estimate, *ends)


@functools.cache
def _believed(fault: Fault) -> Estimate:
    """Magnitude of a fault under its prior alone."""
    size = len(fault.parameters)
    draws = np.random.default_rng(SEED).standard_normal((COUNT, size))
    return sized(fault, fault.parameters, np.zeros(size), draws)


def _blind(problem: Problem, views: Sequence[_View]) -> tuple[str, ...]:
    """Directions over healthy parameters and fault amounts together that nothing narrows."""
    healthy = views[0]
    single = [v for v in views[1:] if not v.faults[0].compound]
    # a fault counts as a vector of its whole effect: in the slope at zero it would be absent
    effects = [v.residual - healthy.residual for v in single]
    table = np.column_stack([healthy.jacobian, *effects])
    (source,) = problem.sources
    white = source.metric.columns(table)
    covariance = np.linalg.inv(np.eye(table.shape[1]) + source.metric.product(white, white))
    n = len(problem.scatter)
    chosen = [*range(n), *range(healthy.jacobian.shape[1], table.shape[1])]
    names = [in_a_sentence(scatter.parameter.name) for scatter in problem.scatter]
    names += [v.faults[0].noun for v in single]
    return blind_directions(covariance[np.ix_(chosen, chosen)], names)


def _power(
    problem: Problem, healthy: _View, view: _View, others: Sequence[tuple[Fault, ...]]
) -> Power:
    """How well one fault is named, by fits to what it would burn: of itself, healthy, others."""
    (fault,) = view.faults
    ((i, piece),) = problem.burned
    assert isinstance(piece, BurnedPiece)
    of_piece = {f.name: getattr(piece, f.name) for f in dataclasses.fields(piece)}
    sources = list(problem.sources)
    sources[i] = _Instead(**of_piece, instead=view.residual)
    problem = dataclasses.replace(problem, sources=tuple(sources))
    own = solve(problem, view.faults, view.u)
    sound = solve(problem, (), healthy.u)
    give_up = own.cost + _FAR
    confused = []
    for (other,) in others:
        shown = other.shown_on(piece)
        if promised_gain(problem, sound, shown) < _PROMISING:
            continue
        if _ahead(own, search(problem, (shown,), sound, give_up=give_up), problem) < SEEN:
            confused.append(problem.catalogue.label(other))
    size = float(fault.magnitude(*values_at(fault.parameters, fault.usual_numbers)))
    label, seen = problem.catalogue.label(fault), _ahead(own, sound, problem)
    return Power(label, fault.words, fault.unit, size, seen, tuple(confused))


def _ahead(own: Mode, other: Mode, problem: Problem) -> float:
    """Probability that noise leaves the log evidence of the truth clearly ahead of another's.

    Where a fit is best, noise moves its cost only through what the fit leaves (envelope theorem):
    by as many standard deviations as that is long, once whitened.
    """
    fits = zip(problem.sources, other.residuals, strict=True)
    left = 2.0 * sum(source.metric.half_square(r) for source, r in fits)
    ahead = own.evidence - other.evidence - problem.assumptions.alike
    return float(ndtr(ahead / math.sqrt(max(left, _SAME))))


@dataclass(frozen=True, eq=False)
class _Instead(BurnedPiece):
    """A planned piece as another machine would have burned it.

    ``instead``: residual of the planned piece on that machine, mm.
    """

    instead: np.ndarray = field(default_factory=lambda: np.zeros(0))

    def residual(self, machine: Machine, v: np.ndarray) -> np.ndarray:
        """Distances from the lines that the other machine would have burned, mm."""
        return super().residual(machine, v) - self.instead

    def linearise(self, *args: Any) -> tuple[np.ndarray, np.ndarray]:
        """Residual and its Jacobian."""
        residual, jacobian = super().linearise(*args)
        return residual - self.instead, jacobian
