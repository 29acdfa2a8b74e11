"""What a test can tell, before anything is burned.

The piece that the healthy machine would burn is taken as measured, the model is made linear
there and at every fault of its usual size, and the inverse of the Hessian gives the interval to
expect of every parameter.  What stays at its prior, the test does not see.
"""

from __future__ import annotations

import dataclasses
import functools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from gantrysim.decisions.blinddirections import blind_directions
from gantrysim.decisions.identifiable import Identifiability, Power, Row
from gantrysim.decisions.information import log_densities, predictive
from gantrysim.faults import Fault
from gantrysim.inference.fitting import Estimate, FaultNames, magnitudes, sized
from gantrysim.inference.parameters import values_at
from gantrysim.inference.problem import Problem
from gantrysim.inference.sampling import COUNT, SEED
from gantrysim.inference.solver import Evaluator, Mode
from gantrysim.instruments.burning import burned_length, planned_piece
from gantrysim.machine import Machine
from gantrysim.pattern.ringtest import Nest, RingTest
from gantrysim.pattern.shapes import shape_of
from gantrysim.records.crew import crew
from gantrysim.records.doors import checked

_DRAWS, _SEED = 400, 5  # of the pieces behind the power to name


@checked
def what_can_be_told(
    test: RingTest, machine: Machine | None = None, *, faults: FaultNames | None = None
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
    Linear in every unknown about the healthy machine and about each fault at its usual size
    (the median of its prior): intervals are those to expect when nothing surprises.  Points
    every millimetre with the noise of a common scan on wood, every pass told apart, and the
    discrepancy of `gantrysim.inference.discrepancy`.

    Examples
    --------
    >>> import gantrysim as gs
    >>> test = gs.ring_test(("circle",), spacing=10.0, largest=20.0)
    >>> told = gs.what_can_be_told(test, faults=["tight_wheels_left"])
    >>> told
    Identifiability(3 of 23 parameters identifiable, 1 of 1 faults told from healthy, 20 blind
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
    whole = _tell(test, machine, assumed)
    circles, squares = (_tell(part, machine, assumed) for part in shapes_apart(test))
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


def _tell(test: RingTest, machine: Machine, faults: tuple[Fault, ...]) -> Identifiability:
    problem = Problem(machine, (planned_piece(test, machine),))
    sets: list[tuple[Fault, ...]] = [(), *((fault,) for fault in faults)]
    with crew() as run:
        views = list(run(lambda k: _view(problem, k), sets))
        rows = list(run(lambda view: _fault_row(problem, view), views[1:]))
        return Identifiability(
            test=test, machine=machine, rows=(*_healthy_rows(problem, views[0]), *rows),
            blind=_blind(problem, views), power=_powers(problem, views),
            length=burned_length(test),
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
    names = [scatter.parameter.name for scatter in problem.scatter]
    names += [v.faults[0].noun for v in single]
    return blind_directions(covariance[np.ix_(chosen, chosen)], names)


def _powers(problem: Problem, views: Sequence[_View]) -> tuple[Power, ...]:
    n, own = len(problem.scatter), problem.n_nuisance
    ((_, piece),) = problem.burned
    metric = piece.without(views[0].jacobian[:, -own:])
    roots = [v.jacobian[:, :-own] for v in views]
    # under a hypothesis its fault is as uncertain as its prior, which is centred on zero
    means = [v.residual - root @ v.u[:-own] for v, root in zip(views, roots, strict=True)]
    truths = [v.residual for v in views]
    data = predictive(metric, [*means, *truths], roots)
    count = len(views)
    factors = [np.linalg.cholesky(np.eye(len(r)) + r @ r.T) for r in data.roots]
    rng = np.random.default_rng(_SEED)
    draws = rng.standard_normal((_DRAWS, data.means.shape[1] + n))
    out = []
    for k in range(1, count):
        scatter = data.roots[k][:, :n]
        sample = data.means[count + k] + draws[:, n:] + draws[:, :n] @ scatter.T
        log = log_densities(sample, data.means[:count], factors)
        ahead = log[:, k : k + 1] - log
        (fault,) = views[k].faults
        confused = [
            problem.catalogue.label(other.faults[0])
            for j, other in enumerate(views)
            if j not in (0, k)
            and other.faults[0].name != fault.name
            and ahead[:, j].mean() < problem.assumptions.alike
        ]
        seen = float(np.mean(ahead[:, 0] > problem.assumptions.alike))
        values = values_at(fault.parameters, fault.usual_numbers)
        size = float(fault.magnitude(*values))
        label = problem.catalogue.label(fault)
        out.append(Power(label, fault.words, fault.unit, size, seen, tuple(confused)))
    return tuple(out)
