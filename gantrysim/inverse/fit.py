"""Fit of one hypothesis to a measured piece: posterior mode, covariance and evidence.

Unknowns are standard normal numbers u: the healthy scatter of the machine, the quantities of
the faults, and the placement of the piece with the scanner's errors.  Residuals are whitened
(`gantrysim.inverse.noise`) and the shared discrepancy (`gantrysim.inverse.discrepancy`), which
is linear, is integrated out exactly.  The mode is found by damped Gauss-Newton; the evidence
is Laplace's.
"""

from __future__ import annotations

import dataclasses
import functools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.linalg import cho_factor, cho_solve

from gantrysim.inverse.discrepancy import basis
from gantrysim.inverse.forward import Forward
from gantrysim.inverse.hypotheses import FaultKind, of_name
from gantrysim.inverse.noise import Cells, Noise, estimate, make_cells, outliers
from gantrysim.inverse.prior import HEALTHY_SCATTER, Scatter
from gantrysim.inverse.residual import Matched, _carry_back, first_placement, match
from gantrysim.machine import Machine
from gantrysim.measured.points import Piece

#: Sampling of the forward runs, mm.
STEP = 1.0
#: Prior standard deviations of the placement: turn (rad), shift (mm), the scanner's common
#: scale, its scale difference x - y, and its skew (rad).  A flatbed scanner is good to
#: 0.1..0.3 mm over A4 (judgement on published scanner tests).
TURN, SHIFT, COMMON, DIFFERENCE, SKEW = math.radians(3.0), 10.0, 1.0e-3, 4.0e-4, 3.0e-4
_PLACE = 6
_DIFFERENTIAL = 1e-5  # of a prior standard deviation: only machines are differenced, not burns
_MOST_STEPS = 25
_PROMISE = 0.02  # a step that promises less than this in the log posterior ends the search


@dataclass(frozen=True, eq=False)
class Problem:
    """A measured piece made ready for fitting.

    Parameters
    ----------
    piece : Piece
        The measured piece.
    nominal : Machine
        The machine as described.
    forward : Forward
        The planned test.
    matched : Matched
        Points matched to strokes.
    cells : Cells
        Their grouping.
    noise : Noise
        Noise of the cells.
    shared : ndarray, shape (m, k)
        Shared discrepancy over the cells at one prior standard deviation, mm.
    weight : ndarray, shape (m,)
        Weight of each cell, 1 for a good one, less for one that stands off (robust loss).
    origin : ndarray, shape (6,)
        Placement about which the unknown placement is taken.
    scatter : tuple of Scatter
        Healthy scatter.
    """

    piece: Piece
    nominal: Machine
    forward: Forward
    matched: Matched
    cells: Cells
    noise: Noise
    shared: np.ndarray
    weight: np.ndarray
    origin: np.ndarray
    scatter: tuple[Scatter, ...] = HEALTHY_SCATTER

    def machine(self, kinds: Sequence[FaultKind], u: np.ndarray) -> Machine:
        """The machine at the unknowns u."""
        changes: dict[str, float] = {}
        for scatter, number in zip(self.scatter, u, strict=False):
            changes.update(scatter.changes(self.nominal, float(number)))
        machine = self.nominal.set_many(changes)
        first = len(self.scatter)
        for kind in kinds:
            last = first + len(kind.quantities)
            machine = kind.apply(machine, _values(kind, u[first:last]))
            first = last
        return machine

    def placement(self, u: np.ndarray) -> np.ndarray:
        """The placement at the unknowns u (their last six)."""
        v = u[-_PLACE:]
        return np.array(
            [
                TURN * v[0],
                self.origin[1] + SHIFT * v[1],
                self.origin[2] + SHIFT * v[2],
                COMMON * v[3] + 0.5 * DIFFERENCE * v[4],
                COMMON * v[3] - 0.5 * DIFFERENCE * v[4],
                SKEW * v[5],
            ]
        )

    @functools.cached_property
    def metric(self) -> _Metric:
        """Whitening of columns over the cells, the shared discrepancy integrated out."""
        return _Metric.of(self)

    def start(self, kinds: Sequence[FaultKind]) -> np.ndarray:
        """Unknowns at the middle of their priors, the piece placed by its rings."""
        u = np.zeros(len(self.scatter) + sum(len(k.quantities) for k in kinds) + _PLACE)
        u[-_PLACE] = self.origin[0] / TURN
        return u


def _values(kind: FaultKind, u: np.ndarray) -> list[float]:
    return [q.value(float(v)) for q, v in zip(kind.quantities, u, strict=True)]


def prepare(piece: Piece, nominal: Machine) -> Problem:
    """Make a measured piece ready for fitting.

    Parameters
    ----------
    piece : Piece
        The measured piece.
    nominal : Machine
        The machine as described.

    Returns
    -------
    Problem
        With first guesses of the noise; `learn_noise` improves them.
    """
    offset = np.array([nominal.head.along, nominal.head.beyond])
    forward = Forward.of(piece.test, STEP, offset)
    pivot = np.mean([nest.centre for nest in piece.test.nests], axis=0) + offset
    origin = first_placement(piece, pivot, offset)
    matched = match(piece, forward, origin)
    lines = forward.lines(forward.run(nominal))
    residual = matched.residuals(lines, origin)
    bad = outliers(residual, matched.group)
    cells = make_cells(_along(matched, origin), matched.group, bad)
    spread = residual - cells.mean(residual)[np.maximum(cells.owner, 0)]
    inside = (cells.owner >= 0) & (cells.count[np.maximum(cells.owner, 0)] > 1)
    point = 1.4826 * float(np.median(np.abs(spread[inside]))) * 1.3 if inside.sum() > 20 else 0.012
    return Problem(
        piece=piece,
        nominal=nominal,
        forward=forward,
        matched=matched,
        cells=cells,
        noise=Noise(point=max(point, 1e-3)),
        shared=_shared(nominal, matched, cells, origin),
        weight=np.ones(cells.count.size),
        origin=origin,
    )


def _machine_points(matched: Matched, placement: np.ndarray) -> np.ndarray:
    out = np.empty_like(matched.points)
    _carry_back(matched.points, placement, matched.pivot, out)
    return out - matched.centre[matched.group]


def _along(matched: Matched, placement: np.ndarray) -> np.ndarray:
    """Distance of each point along its line, mm; the sides of a square are kept apart."""
    about = _machine_points(matched, placement)
    size = matched.size[matched.group]
    square = matched.square[matched.group]
    x, y = about[:, 0], about[:, 1]
    side, along = _sides(x, y)
    arc = (np.arctan2(y, x) + np.pi) * size
    return np.where(square, side * 4.0 * size + along + 2.0 * size, arc)


def _sides(x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Side of a square (0 right, counter-clockwise) and place along it."""
    across = np.abs(x) >= np.abs(y)
    side = np.where(across, np.where(x > 0, 0, 2), np.where(y > 0, 1, 3))
    along = np.choose(side, [y, -x, -y, x])
    return side, along


def _shared(machine: Machine, matched: Matched, cells: Cells, placement: np.ndarray) -> np.ndarray:
    """Basis of the shared discrepancy over the cells."""
    about = _machine_points(matched, placement)
    sense = matched.sense[matched.group]
    x, y = about[:, 0], about[:, 1]
    side, _ = _sides(x, y)
    outward = np.array([[1.0, 0.0], [0.0, 1.0], [-1.0, 0.0], [0.0, -1.0]])[side]
    round_ = about / np.maximum(np.hypot(x, y), 1e-9)[:, None]
    square = matched.square[matched.group][:, None]
    normal = np.where(square, outward, round_)
    tangent = np.sign(np.column_stack([-round_[:, 1], round_[:, 0]])) * sense[:, None]
    forth = np.column_stack([-outward[:, 1], outward[:, 0]]) * sense[:, None]
    moving = np.where(square, forth + outward, tangent)  # a side is reached moving outward
    place = about + matched.centre[matched.group]
    parts = [np.column_stack([cells.mean(v[:, i]) for i in (0, 1)]) for v in (place, normal, moving)]
    return basis(machine, *parts)


@dataclass(frozen=True, eq=False)
class Mode:
    """Posterior mode of one hypothesis.

    Parameters
    ----------
    kinds : tuple of FaultKind
        The faults assumed.
    u : ndarray
        Unknowns at the mode.
    covariance : ndarray
        Posterior covariance of u (Laplace).
    evidence : float
        Log evidence up to a constant common to all hypotheses of one problem and noise.
    cost : float
        Half the whitened sum of squares plus prior at the mode.
    residual : ndarray, shape (m,)
        Residuals of the cells, mm.
    converged : bool
        Whether the last step promised less than 0.02 in the cost.
    """

    kinds: tuple[FaultKind, ...]
    u: np.ndarray
    covariance: np.ndarray
    evidence: float
    cost: float
    residual: np.ndarray
    converged: bool


@dataclass(frozen=True, eq=False)
class _Metric:
    """Whitening with the shared discrepancy integrated out."""

    noise: Noise
    cells: Cells
    weight: np.ndarray
    white: np.ndarray
    factor: Any
    log_det: float

    @classmethod
    def of(cls, problem: Problem) -> _Metric:
        white, log_det = problem.noise.whiten(problem.shared, problem.cells)
        white = white * problem.weight[:, None]
        inner = white.T @ white + np.eye(white.shape[1])
        factor = cho_factor(inner)
        log_det += 2.0 * float(np.sum(np.log(np.diag(factor[0]))))
        return cls(problem.noise, problem.cells, problem.weight, white, factor, log_det)

    def columns(self, table: np.ndarray) -> np.ndarray:
        """Whitened columns."""
        white, _ = self.noise.whiten(table, self.cells)
        return white * (self.weight if white.ndim == 1 else self.weight[:, None])

    def product(self, a: np.ndarray, b: np.ndarray) -> Any:
        """a' P b with the discrepancy integrated out; a and b are whitened."""
        return a.T @ b - (self.white.T @ a).T @ cho_solve(self.factor, self.white.T @ b)

    def half_square(self, residual: np.ndarray) -> float:
        """Half the whitened sum of squares of a residual."""
        w = self.columns(residual)
        return 0.5 * float(self.product(w, w))


class _Evaluator:
    """Residuals and their derivatives for one hypothesis (holds no result between calls)."""

    def __init__(self, problem: Problem, kinds: tuple[FaultKind, ...]) -> None:
        self.problem, self.kinds = problem, kinds
        axes = [s.axis for s in problem.scatter]
        for kind in kinds:
            axes += [kind.axis] * len(kind.quantities)
        self.axes = axes

    def at(self, u: np.ndarray) -> np.ndarray:
        """Residuals of the cells at u, mm."""
        problem = self.problem
        lines = problem.forward.lines(problem.forward.run(problem.machine(self.kinds, u)))
        return problem.cells.mean(problem.matched.residuals(lines, problem.placement(u)))

    def linearise(self, u: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Residuals of the cells and their Jacobian at u."""
        problem, forward, matched = self.problem, self.problem.forward, self.problem.matched
        run = forward.run(problem.machine(self.kinds, u))
        lines = forward.lines(run)
        traces = matched.traces(lines)
        place = problem.placement(u)
        residual = matched.against(*traces, place)
        moved = []
        for k in range(len(self.axes)):
            v = u.copy()
            v[k] += _DIFFERENTIAL
            moved.append(problem.machine(self.kinds, v))
        slopes = forward.slopes(run, moved, self.axes, _DIFFERENTIAL)
        columns = [matched.columns(lines, traces, [slopes[cut] for cut in forward.cuts], place)]
        for k in range(u.size - _PLACE, u.size):
            v = u.copy()
            small = 1e-4 if k in (u.size - _PLACE + 1, u.size - _PLACE + 2) else 1e-2
            v[k] += small
            there = matched.against(*traces, problem.placement(v))
            columns.append(((there - residual) / small)[:, None])
        jacobian = np.concatenate(columns, axis=1)
        return problem.cells.mean(residual), problem.cells.mean_columns(jacobian)


def solve(
    problem: Problem,
    kinds: tuple[FaultKind, ...],
    start: np.ndarray,
    *,
    most_steps: int = _MOST_STEPS,
) -> Mode:
    """Find the posterior mode of one hypothesis from a starting point.

    Parameters
    ----------
    problem : Problem
        The prepared piece.
    kinds : tuple of FaultKind
        The faults assumed; empty for healthy.
    start : ndarray
        Unknowns to start from.
    most_steps : int
        Steps allowed.

    Returns
    -------
    Mode
        The mode with its Laplace covariance and evidence.

    Notes
    -----
    Gauss-Newton with Levenberg's damping (Levenberg, Quart. Appl. Math. 2 (1944) 164) on exact
    derivatives (`gantrysim.tangent`).
    """
    metric = problem.metric
    evaluator = _Evaluator(problem, kinds)
    u = start.copy()
    damping = 0.0
    converged = False
    r, jacobian = evaluator.linearise(u)
    cost = metric.half_square(r) + 0.5 * float(u @ u)
    hessian, gradient = _quadratic(metric, jacobian, r, u)
    for _ in range(most_steps):
        step, promise = _newton_step(hessian, gradient, damping)
        if promise < _PROMISE:
            converged = True
            break
        trial = np.clip(u + step, -8.0, 8.0)
        new_r = evaluator.at(trial)
        new_cost = metric.half_square(new_r) + 0.5 * float(trial @ trial)
        if new_cost < cost:
            damping = 0.0 if damping < 0.1 else damping / 8.0
            u, cost = trial, new_cost
            r, jacobian = evaluator.linearise(u)
            hessian, gradient = _quadratic(metric, jacobian, r, u)
        else:
            damping = max(4.0 * damping, 0.05)
    covariance = np.linalg.inv(hessian)
    evidence = -cost - 0.5 * float(np.linalg.slogdet(hessian)[1]) - 0.5 * metric.log_det
    return Mode(kinds, u, covariance, evidence, cost, r, converged)


def _quadratic(
    metric: _Metric, jacobian: np.ndarray, residual: np.ndarray, u: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Hessian (Gauss-Newton) and gradient of the negative log posterior."""
    white, w = metric.columns(jacobian), metric.columns(residual)
    return metric.product(white, white) + np.eye(u.size), metric.product(white, w) + u


def _newton_step(
    hessian: np.ndarray, gradient: np.ndarray, damping: float
) -> tuple[np.ndarray, float]:
    """Damped step, at most two prior standard deviations long, and the gain it promises."""
    scaled = hessian + damping * np.diag(np.diag(hessian))
    step = -cho_solve(cho_factor(scaled), gradient)
    longest = float(np.abs(step[:-_PLACE]).max(initial=0.0))
    step *= min(1.0, 2.0 / max(longest, 1e-12))
    return step, -float(gradient @ step) - 0.5 * float(step @ hessian @ step)


def learn_noise(problem: Problem, mode: Mode) -> Problem:
    """Take noise, cell weights and size of the shared discrepancy from a good fit.

    A cell that stands off by more than three standard deviations weighs less (Huber's weights,
    frozen so that all hypotheses are compared on the same data).
    """
    metric = problem.metric
    white = metric.columns(mode.residual)
    shared = problem.shared @ cho_solve(metric.factor, metric.white.T @ white)
    left = mode.residual - shared
    noise = estimate(left, problem.cells, problem.noise.point, Noise(problem.noise.point))
    w, _ = noise.whiten(left, problem.cells)
    weight = np.sqrt(np.minimum(1.0, 3.0 / np.maximum(np.abs(w), 1e-12)))
    machine, place = problem.machine(mode.kinds, mode.u), problem.placement(mode.u)
    return dataclasses.replace(
        problem,
        noise=noise,
        weight=weight,
        shared=_shared(machine, problem.matched, problem.cells, place),
    )


def search(problem: Problem, kinds: tuple[FaultKind, ...], healthy: Mode | None = None) -> Mode:
    """Find the mode of one hypothesis from the better of its starting points.

    Parameters
    ----------
    problem : Problem
        The prepared piece.
    kinds : tuple of FaultKind
        The faults assumed.
    healthy : Mode, optional
        Mode of the healthy machine: with a faint fault added it is a starting point too.

    Returns
    -------
    Mode
        The mode; where a fault may have either sign with a kink between, the better of both.
    """
    signs = (1.0, -1.0) if any(kind.two_signs for kind in kinds) else (0.0,)
    modes = []
    for sign in signs:
        starts = [_place_faults(problem, kinds, problem.start(()), sign, faint=False)]
        if healthy is not None:
            starts.append(_place_faults(problem, kinds, healthy.u, sign, faint=True))
        metric, evaluator = problem.metric, _Evaluator(problem, kinds)
        costs = [metric.half_square(evaluator.at(u)) + 0.5 * float(u @ u) for u in starts]
        modes.append(solve(problem, kinds, starts[int(np.argmin(costs))]))
    return max(modes, key=lambda mode: mode.evidence)


def _place_faults(
    problem: Problem, kinds: tuple[FaultKind, ...], u: np.ndarray, sign: float, *, faint: bool
) -> np.ndarray:
    """Put faults, faint or as believed, into the unknowns of a healthy machine."""
    n = len(problem.scatter)
    faults = [
        (-2.0 if faint else 0.0) if q.ratio else 0.5 * sign for kind in kinds for q in kind.quantities
    ]
    return np.concatenate([u[:n], faults, u[n:]])


@dataclass(frozen=True)
class Estimate:
    """One fitted number.

    Parameters
    ----------
    name, unit : str
        What it is.
    estimate, low, high : float
        Posterior mode and 95 % interval.
    told : bool
        Whether the measurement narrowed it to less than 0.8 of its prior width.
    """

    name: str
    unit: str
    estimate: float
    low: float
    high: float
    told: bool

    def __str__(self) -> str:
        note = "" if self.told else "  (left at what was believed before)"
        return (
            f"{self.name}: {self.estimate:.4g} [{self.low:.4g}, {self.high:.4g}] {self.unit}{note}"
        )


_DRAWS = 2000
_SEED = 20  # of the draws that carry intervals through to derived magnitudes


def magnitude(mode: Mode, kind: FaultKind, n_scatter: int) -> Estimate:
    """Magnitude of one fault of a mode with its 95 % interval, from posterior draws."""
    first = n_scatter
    for other in mode.kinds:
        if other is kind:
            break
        first += len(other.quantities)
    cut = slice(first, first + len(kind.quantities))
    root = np.linalg.cholesky(mode.covariance[cut, cut])
    draws = np.random.default_rng(_SEED).standard_normal((_DRAWS, root.shape[0])) @ root.T
    values = [kind.magnitude(*_values(kind, mode.u[cut] + d)) for d in draws]
    low, high = np.quantile(values, [0.025, 0.975])
    told = bool(np.sqrt(mode.covariance[first, first]) < 0.8)
    estimate = float(kind.magnitude(*_values(kind, mode.u[cut])))
    return Estimate(kind.name, kind.unit, estimate, float(low), float(high), told)


@dataclass(frozen=True, eq=False)
class Overlay:
    """Measured points beside predicted lines, machine frame, mm; made for pictures.

    Parameters
    ----------
    commanded, predicted : tuple of ndarray, shape (n, 2)
        One a burned line.
    measured, base : tuple of ndarray, shape (m, 2)
        One a measured line: its points and the commanded point nearest to each.
    angles_deg, residuals : tuple of ndarray, shape (m,)
        Angle about the centre (degrees) and measured minus predicted (mm) of those points.
    labels : tuple of str
        Name of each measured line.
    """

    commanded: tuple[np.ndarray, ...]
    predicted: tuple[np.ndarray, ...]
    measured: tuple[np.ndarray, ...]
    base: tuple[np.ndarray, ...]
    angles_deg: tuple[np.ndarray, ...]
    residuals: tuple[np.ndarray, ...]
    labels: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class Fit:
    """Posterior of one hypothesis for one piece.

    Parameters
    ----------
    problem : Problem
        The prepared piece.
    mode : Mode
        Posterior mode.
    machine : Machine
        The machine at the mode.
    """

    problem: Problem
    mode: Mode
    machine: Machine

    @property
    def magnitudes(self) -> dict[str, Estimate]:
        """Fault magnitudes by name."""
        n = len(self.problem.scatter)
        return {kind.name: magnitude(self.mode, kind, n) for kind in self.mode.kinds}

    @property
    def parameters(self) -> tuple[Estimate, ...]:
        """Every machine quantity with its 95 % interval; ``told`` is false where the data say
        nothing."""
        sd = np.sqrt(np.diag(self.mode.covariance))
        quantities = [s.quantity for s in self.problem.scatter]
        quantities += [q for kind in self.mode.kinds for q in kind.quantities]
        return tuple(
            Estimate(
                q.name, q.unit, q.value(u), *sorted((q.value(u - 1.96 * s), q.value(u + 1.96 * s))),
                told=bool(s < 0.8),
            )  # fmt: skip
            for q, u, s in zip(quantities, self.mode.u, sd, strict=False)
        )

    def overlay(self) -> Overlay:
        """Measured points beside predicted and commanded lines, in the machine frame."""
        problem = self.problem
        forward, matched = problem.forward, problem.matched
        lines = forward.lines(forward.run(self.machine))
        place = problem.placement(self.mode.u)
        good = problem.cells.owner >= 0
        about = _machine_points(matched, place)
        centre = matched.centre[matched.group]
        measured = about + centre
        size = matched.size[matched.group][:, None]
        radial = about / np.maximum(np.hypot(*about.T), 1e-9)[:, None] * size
        side, _ = _sides(about[:, 0], about[:, 1])
        flat = np.clip(about, -size, size)
        rows = np.arange(len(flat))
        flat[rows, side % 2] = np.where(side < 2, 1.0, -1.0) * size[:, 0]
        base = np.where(matched.square[matched.group][:, None], flat, radial) + centre
        residual = matched.residuals(lines, place)
        groups = [np.flatnonzero((matched.group == k) & good) for k in range(matched.size.size)]
        return Overlay(
            commanded=tuple(forward.motion.xy[cut] + forward.offset for cut in forward.cuts),
            predicted=tuple(line.xy for line in lines),
            measured=tuple(measured[g] for g in groups),
            base=tuple(base[g] for g in groups),
            angles_deg=tuple(np.degrees(np.arctan2(about[g, 1], about[g, 0])) for g in groups),
            residuals=tuple(residual[g] for g in groups),
            labels=tuple(
                f"{'square' if sq else 'circle'} {r:g}"
                for sq, r in zip(matched.square, matched.size, strict=True)
            ),
        )

    @property
    def rms(self) -> float:
        """Root mean square residual of the cells, mm."""
        return float(np.sqrt(np.mean(self.mode.residual**2)))

    def to_dict(self) -> dict[str, Any]:
        """Return magnitudes and parameters as plain Python types."""
        return {
            "faults": [kind.name for kind in self.mode.kinds],
            "converged": self.mode.converged,
            "rms_mm": self.rms,
            "magnitudes": {k: dataclasses.asdict(v) for k, v in self.magnitudes.items()},
            "parameters": [dataclasses.asdict(p) for p in self.parameters],
        }

    def report(self) -> str:
        """Return the fit as a table of text."""
        faults = ", ".join(kind.name for kind in self.mode.kinds) or "healthy"
        state = "converged" if self.mode.converged else "NOT converged"
        rows = [f"Fit of {faults}: {state}, residual {self.rms * 1e3:.1f} um rms"]
        rows += [f"  {m}" for m in self.magnitudes.values()]
        rows += [f"    {p}" for p in self.parameters]
        return "\n".join(rows)

    def __repr__(self) -> str:
        return self.report().splitlines()[0].replace("Fit of ", "Fit(") + ")"

    def _repr_html_(self) -> str:
        rows = "".join(
            f"<tr><td>{p.name}</td><td>{p.estimate:.4g}</td><td>{p.low:.4g}</td>"
            f"<td>{p.high:.4g}</td><td>{p.unit}</td><td>{'' if p.told else 'prior'}</td></tr>"
            for p in (*self.magnitudes.values(), *self.parameters)
        )
        head = "<tr><th>quantity</th><th>estimate</th><th>low</th><th>high</th><th>unit</th><th></th></tr>"
        return f"<table><caption>{self!r}</caption>{head}{rows}</table>"


def fit(piece: Piece, machine: Machine, faults: Sequence[str] = ()) -> Fit:
    """Fit one hypothesis to a measured piece.

    Parameters
    ----------
    piece : Piece
        The measured piece.
    machine : Machine
        The machine as described; its healthy scatter is part of the prior.
    faults : sequence of str
        Names of the faults assumed; empty for healthy.

    Returns
    -------
    Fit
        Posterior mode, magnitudes with 95 % intervals (units stated), and which quantities
        the piece could not tell.

    Raises
    ------
    ValueError
        For an unknown fault name.
    """
    kinds = tuple(of_name(name)[0] for name in faults)
    problem = prepare(piece, machine)
    mode = search(problem, kinds)
    problem = learn_noise(problem, mode)
    mode = solve(problem, kinds, mode.u)
    return Fit(problem, mode, problem.machine(kinds, mode.u))
