"""What a test can tell, before anything is burned.

The piece that the healthy machine would burn is taken as measured, the model is made linear
there and at every fault of its usual size, and the inverse of the Hessian gives the interval to
expect of every parameter.  What stays at its prior, the test does not see.
"""

from __future__ import annotations

import dataclasses
import functools
import os
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from threadpoolctl import threadpool_limits

from gantrysim.decisions.blinddirections import blind_directions, noun
from gantrysim.decisions.diagnosis import ALIKE, alike_within
from gantrysim.decisions.identifiable import Power, Row, Telling
from gantrysim.decisions.information import log_densities, predictive
from gantrysim.inference.fitting import Estimate, magnitudes, sized
from gantrysim.inference.hypotheses import KINDS, FaultKind, of_name
from gantrysim.inference.problem import Problem
from gantrysim.inference.sampling import COUNT, SEED
from gantrysim.inference.solver import Evaluator, Mode
from gantrysim.instruments.burning import burned_length, planned_piece
from gantrysim.machine import Machine
from gantrysim.pattern.ringtest import Nest, RingTest
from gantrysim.pattern.shapes import shape_of
from gantrysim.records.checks import names_of, of_kind
from gantrysim.records.doors import checked

#: Median of the size of one, and of a pair of, standard normal numbers (per component): the
#: usual size of a fault whose prior has either sign.
_ONE, _PAIR = 0.6745, 0.8326
_DRAWS, _SEED = 400, 5  # of the pieces behind the power to name


@checked
def what_can_be_told(
    test: RingTest, machine: Machine | None = None, *, faults: Sequence[str] | None = None
) -> Telling:
    """Say before anything is burned what a test would tell of a machine.

    Parameters
    ----------
    test : RingTest
        What is to be commanded, mm.
    machine : Machine, optional
        The machine as described; the nominal bench machine if absent.
    faults : sequence of str, optional
        Names of the faults of interest, none for the healthy parameters alone; all that a diagnosis
        compares if absent.

    Returns
    -------
    Telling
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
    """
    machine = Machine() if machine is None else machine
    of_kind(test, RingTest, "test")
    of_kind(machine, Machine, "machine")
    usually = dict.fromkeys(k.name for k in KINDS)
    names = list(usually) if faults is None else names_of(faults, "faults")
    kinds = tuple(kind for name in names for kind in of_name(name))
    whole = _tell(test, machine, kinds)
    circles, squares = (_tell(part, machine, kinds) for part in shapes_apart(test))
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
        nest = Nest(shape, other.centre, other.sizes, shape_of(shape).start_deg,
                    other.direction)  # fmt: skip
    from_shape = shape if own else test.nests[0].shape
    sequence = tuple((shape, ring, n) for s, ring, n in test.sequence if s == from_shape)
    return dataclasses.replace(
        test, nests=(nest,), sequence=sequence, layout=f"{shape}s",
        passes=max(n for _, _, n in sequence),
    )  # fmt: skip


def _scaled(test: RingTest, factor: float) -> RingTest:
    (nest,) = test.nests
    nest = dataclasses.replace(nest, sizes=tuple(size * factor for size in nest.sizes))
    return dataclasses.replace(test, nests=(nest,), spacing=test.spacing * factor)


@dataclass(frozen=True, eq=False)
class _View:
    """The linear model about the healthy machine or about one fault of usual size."""

    kinds: tuple[FaultKind, ...]
    u: np.ndarray
    residual: np.ndarray
    jacobian: np.ndarray
    covariance: np.ndarray


def usual(kind: FaultKind) -> np.ndarray:
    """Unknowns of a fault at its usual size: the median of its prior."""
    either = sum(not q.ratio for q in kind.parameters)
    centre = kind.parameters[0].centre
    if kind.parameters[0].ratio or centre:
        return np.zeros(len(kind.parameters))
    return np.full(len(kind.parameters), _ONE if either == 1 else _PAIR)


def _view(problem: Problem, kinds: tuple[FaultKind, ...]) -> _View:
    u = problem.start(kinds)
    for kind, cut in zip(kinds, problem.fault_cuts(kinds), strict=True):
        u[cut] = usual(kind)
    evaluator = Evaluator(problem, kinds)
    residuals, jacobian = evaluator.linearise(u)
    hessian, _ = evaluator.quadratic(u, residuals, jacobian)
    return _View(kinds, u, residuals[0], jacobian[0], np.linalg.inv(hessian))


def _tell(test: RingTest, machine: Machine, kinds: tuple[FaultKind, ...]) -> Telling:
    problem = Problem(machine, (planned_piece(test, machine),))
    sets: list[tuple[FaultKind, ...]] = [(), *((kind,) for kind in kinds)]
    # small matrices in many threads: the linear algebra library must not start its own on top
    with threadpool_limits(1), ThreadPoolExecutor(os.cpu_count() or 1) as pool:
        views = list(pool.map(lambda k: _view(problem, k), sets))
        faults = list(pool.map(lambda view: _fault_row(problem, view), views[1:]))
        return Telling(
            test=test, machine=machine, rows=(*_healthy_rows(problem, views[0]), *faults),
            blind=_blind(problem, views), power=_powers(problem, views),
            length=burned_length(test),
        )  # fmt: skip


def _label(kind: FaultKind) -> str:
    """Name of a fault, with its variant where a kind has several."""
    several = sum(k.name == kind.name for k in KINDS) > 1
    return f"{kind.name} ({kind.variant})" if several else kind.name


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
    (kind,) = view.kinds
    mode = Mode(view.kinds, view.u, view.covariance, 0.0, 0.0, (), (), True)
    after = magnitudes(problem, mode)[kind.name]
    before = _believed(kind)
    return Row(
        _label(kind), kind.unit, True, after.estimate,
        after.low, after.high, before.low, before.high,
    )  # fmt: skip


@functools.cache
def _believed(kind: FaultKind) -> Estimate:
    """Magnitude of a fault under its prior alone."""
    size = len(kind.parameters)
    draws = np.random.default_rng(SEED).standard_normal((COUNT, size))
    return sized(kind, np.zeros(size), draws)


def _blind(problem: Problem, views: Sequence[_View]) -> tuple[str, ...]:
    """Directions over healthy parameters and fault amounts together that nothing narrows."""
    healthy = views[0]
    single = [v for v in views[1:] if " and " not in v.kinds[0].variant]
    # a fault counts as a vector of its whole effect: in the slope at zero it would be absent
    effects = [v.residual - healthy.residual for v in single]
    table = np.column_stack([healthy.jacobian, *effects])
    (source,) = problem.sources
    white = source.metric.columns(table)
    covariance = np.linalg.inv(np.eye(table.shape[1]) + source.metric.product(white, white))
    n = len(problem.scatter)
    chosen = [*range(n), *range(healthy.jacobian.shape[1], table.shape[1])]
    names = [scatter.parameter.name for scatter in problem.scatter]
    names += [noun(v.kinds[0]) for v in single]
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
        (kind,) = views[k].kinds
        confused = [
            _label(other.kinds[0])
            for j, other in enumerate(views)
            if j not in (0, k)
            and other.kinds[0].name != kind.name
            and ahead[:, j].mean() < alike_within((kind.name,), (other.kinds[0].name,))
        ]
        seen = float(np.mean(ahead[:, 0] > ALIKE))
        values = [q.value(float(x)) for q, x in zip(kind.parameters, usual(kind), strict=True)]
        size = float(kind.magnitude(*values))
        label = _label(kind)
        out.append(Power(label, kind.words, kind.unit, size, seen, tuple(confused)))
    return tuple(out)
