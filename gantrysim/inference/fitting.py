"""Fit of one hypothesis to a measured piece, with everything said in its unit."""

from __future__ import annotations

import functools
import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Annotated, Any

import numpy as np

from gantrysim.inference.assumptions import USUAL, Assumptions
from gantrysim.inference.faultmodel import FaultModel
from gantrysim.inference.parameters import Parameter, each_drawn, values_at
from gantrysim.inference.problem import Problem, prepare
from gantrysim.inference.profile import Profile
from gantrysim.inference.profile import profile as profile_of
from gantrysim.inference.sampling import COUNT, SEED, posterior_draws
from gantrysim.inference.search import extend, search
from gantrysim.inference.solver import Mode, learn_noise
from gantrysim.inference.terms import Measured, Overlay
from gantrysim.machine import Machine
from gantrysim.records.doors import behind, checked
from gantrysim.records.table import Table, fields_of

#: Type hint of the faults of a hypothesis.
FaultNames = Annotated[Sequence[str], "a list of names of faults"]


@dataclass(frozen=True)
class Estimate:
    """One fitted number.

    Parameters
    ----------
    name, unit : str
        What it is.
    estimate, low, high : float
        Posterior mode and 95 % interval.
    identifiable : bool
        Whether the measurement narrowed it to less than 0.8 of its prior width.
    """

    name: str
    unit: str
    estimate: float
    low: float
    high: float
    identifiable: bool

    def __str__(self) -> str:
        note = "" if self.identifiable else "  (dominated by the prior)"
        return (
            f"{self.name}: {self.estimate:.4g} [{self.low:.4g}, {self.high:.4g}] {self.unit}{note}"
        )


def sized(
    fault: FaultModel,
    parameters: Sequence[Parameter],
    u: np.ndarray,
    draws: np.ndarray,
    assumptions: Assumptions = USUAL,
) -> Estimate:
    """Magnitude of a fault at its unknowns, with the 95 % interval of draws of them.

    Parameters
    ----------
    fault : FaultModel
        The fault.
    parameters : sequence of Parameter
        What is believed of its parameters.
    u : ndarray, shape (q,)
        Its unknowns, standard normal numbers.
    draws : ndarray, shape (n, q)
        Draws of them.
    assumptions : Assumptions
        How much narrowing counts as identifiable.
    """
    magnitude = behind(fault.magnitude)
    sizes = each_drawn(magnitude, parameters, draws)
    low, high = np.quantile(sizes, [0.025, 0.975])
    least, most = _prior_range(magnitude, tuple(parameters), len(draws))
    identifiable = bool(high - low < assumptions.identifiable * (most - least))
    estimate = float(magnitude(*values_at(parameters, u)))
    if not low <= estimate <= high:  # the length of a vector about zero has no size at its mode
        estimate = float(np.median(sizes))
    return Estimate(fault.name, fault.unit, estimate, float(low), float(high), identifiable)


@functools.lru_cache(maxsize=256)
def _prior_range(
    magnitude: Callable[..., float], parameters: tuple[Parameter, ...], count: int
) -> tuple[float, float]:
    """95 % interval of a magnitude under its prior alone."""
    blank = np.random.default_rng(SEED).standard_normal((count, len(parameters)))
    low, high = np.quantile(each_drawn(magnitude, parameters, blank), [0.025, 0.975])
    return float(low), float(high)


def _widened(problem: Problem, mode: Mode, draws: np.ndarray) -> np.ndarray:
    """Draws with what the models of the faults themselves may be off (`Fault.model_error`)."""
    for fault, cut in zip(mode.faults, problem.fault_cuts(mode.faults), strict=True):
        if fault.model_error > 0.0:
            first, *_ = problem.parameters(fault)
            off = np.random.default_rng(SEED + 1).standard_normal(len(draws))
            draws[:, cut.start] += fault.model_error / first.spread * off
    return draws


def rough_draws(mode: Mode) -> np.ndarray:
    """Draws from Laplace's normal: enough for an explanation that nobody will act on."""
    normal = np.random.default_rng(SEED).standard_normal((COUNT, mode.u.size))
    return mode.u + normal @ np.linalg.cholesky(mode.covariance).T


def magnitudes(
    problem: Problem, mode: Mode, draws: np.ndarray | None = None
) -> dict[str, Estimate]:
    """Magnitudes of the faults of a mode with their 95 % intervals.

    Parameters
    ----------
    problem : Problem
        The problem that the mode belongs to.
    mode : Mode
        The mode.
    draws : ndarray, shape (n, size), optional
        Draws of its unknowns; those of `posterior_draws` if absent (0.1 s).
    """
    if not mode.faults:
        return {}
    draws = posterior_draws(problem, mode) if draws is None else draws
    cuts = zip(mode.faults, problem.fault_cuts(mode.faults), strict=True)
    return {
        fault.name: sized(fault, problem.parameters(fault), mode.u[cut], draws[:, cut])
        for fault, cut in cuts
    }


@checked
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

    @functools.cached_property
    def draws(self) -> np.ndarray:
        """Posterior draws of the unknowns, shape (n, size), behind all that is said of the fit.

        Made once (0.1 s), always with the same seed: `gantrysim.inference.sampling.SEED`.
        """
        return _widened(self.problem, self.mode, posterior_draws(self.problem, self.mode))

    def draw_machines(self, count: int, rng: np.random.Generator) -> list[Machine]:
        """Machines from the posterior: `count` of `draws`, picked at random.

        Parameters
        ----------
        count : int
            How many; up to the number of draws no draw is picked twice.
        rng : Generator
            Picks them.
        """
        chosen = rng.choice(len(self.draws), size=count, replace=count > len(self.draws))
        return [self.problem.machine(self.mode.faults, self.draws[k]) for k in chosen]

    @property
    def magnitudes(self) -> dict[str, Estimate]:
        """Fault magnitudes by name."""
        return magnitudes(self.problem, self.mode, self.draws) if self.mode.faults else {}

    @property
    def parameters(self) -> tuple[Estimate, ...]:
        """Every machine parameter with its 95 % interval.

        ``identifiable`` is false where the prior dominates.
        """
        sd = np.sqrt(np.diag(self.mode.covariance))
        parameters = [s.parameter for s in self.problem.scatter]
        parameters += [q for fault in self.mode.faults for q in self.problem.parameters(fault)]
        out = []
        enough = self.problem.assumptions.identifiable
        for q, u, s in zip(parameters, self.mode.u, sd, strict=False):
            low, high = sorted((q.value(u - 1.96 * s), q.value(u + 1.96 * s)))
            out.append(
                Estimate(q.name, q.unit, q.value(u), low, high, identifiable=bool(s < enough))
            )
        return tuple(out)

    def overlay(self, piece: int = 0) -> Overlay:
        """Measured points of a piece beside predicted and commanded lines, machine frame."""
        source, term = self.problem.burned[piece]
        own = self.problem.nuisance_cuts(self.mode.u.size)[source]
        return term.overlay(self.machine, self.mode.u[own])

    @property
    def doubts(self) -> tuple[str, ...]:
        """What of the readings cannot be right on its machine, a sentence each, no full stop."""
        cuts = self.problem.nuisance_cuts(self.mode.u.size)
        owned = zip(self.problem.sources, cuts, strict=True)
        found = [source.doubts(self.machine, self.mode.u[cut]) for source, cut in owned]
        return tuple(sentence for sentences in found for sentence in sentences)

    @property
    def rms(self) -> float:
        """Root mean square residual of the bins of all pieces, mm; nan where there is none."""
        bins = [self.mode.residuals[i] for i, _ in self.problem.burned]
        return float(np.sqrt(np.mean(np.concatenate(bins) ** 2))) if bins else math.nan

    def profile(
        self, fault: str, values: Sequence[float] | None = None, *, points: int = 13
    ) -> Profile:
        """Profile the posterior of a fault's size, see `gantrysim.inference.profile.profile`.

        Parameters
        ----------
        fault : str
            Name of a fault that this fit assumes.
        values : sequence of float, optional
            Sizes to try, in its unit; if absent, steps that reach a little beyond the 99 %
            interval.
        points : int
            About how many of those steps.
        """
        return profile_of(self, fault, values, points=points)

    def to_dict(self) -> dict[str, Any]:
        """Return magnitudes and parameters as plain Python types."""
        return {
            "faults": [fault.name for fault in self.mode.faults],
            "converged": self.mode.converged,
            "rms_mm": self.rms if self.problem.burned else None,
            **fields_of(self, "magnitudes", "parameters"),
        }

    def report(self) -> str:
        """Return the fit as a table of text."""
        faults = ", ".join(fault.name for fault in self.mode.faults) or "healthy"
        state = "converged" if self.mode.converged else "NOT converged"
        residual = f", residual {self.rms * 1e3:.1f} µm rms" if self.problem.burned else ""
        rows = [f"Fit of {faults}: {state}{residual}"]
        rows += [f"  {m}" for m in self.magnitudes.values()]
        rows += [f"    {p}" for p in self.parameters]
        return "\n".join(rows)

    def __repr__(self) -> str:
        return self.report().splitlines()[0].replace("Fit of ", "Fit(") + ")"

    def _repr_html_(self) -> str:
        told = (*self.magnitudes.values(), *self.parameters)
        sizes = ([f"{v:.4g}" for v in (p.estimate, p.low, p.high)] for p in told)
        notes = ((p.unit, "" if p.identifiable else "prior") for p in told)
        rows = ((p.name, *s, *n) for p, s, n in zip(told, sizes, notes, strict=True))
        heads = ("parameter", "estimate", "low", "high", "unit", "")
        return Table(heads, rows, repr(self)).html()


@checked
def fit(piece: Measured | Sequence[Measured], machine: Machine, faults: FaultNames = ()) -> Fit:
    """Fit one hypothesis to what was measured on a machine.

    Parameters
    ----------
    piece : Piece, CaliperSheet, PushSheet, ToneSheet, or a sequence of them
        What was measured of the same machine in the same state.
    machine : Machine
        The machine as described; its healthy scatter is part of the prior.
    faults : sequence of str
        Names of the faults assumed; empty for healthy.

    Returns
    -------
    Fit
        Posterior mode, magnitudes with 95 % intervals (units stated), and which parameters
        the piece could not tell.

    Raises
    ------
    ValueError
        For an unknown fault name, one given twice, or a bare name instead of a list.

    Examples
    --------
    >>> import gantrysim as gs
    >>> test = gs.ring_test(("circle",), spacing=10.0, largest=20.0)
    >>> tight = gs.Machine().with_faults(gs.faults.TightWheels("left", extra_force=12.0))
    >>> path = gs.simulate(tight, test).to_csv("points.csv")
    >>> piece = gs.read_points("points.csv", test)
    >>> found = gs.fit(piece, gs.Machine(), ["tight_wheels_left"])
    >>> round(found.magnitudes["tight_wheels_left"].estimate)  # N
    12
    """
    if isinstance(faults, str) or len(set(faults)) != len(faults):
        raise ValueError(f"faults must be a list of different names, found {faults!r}")
    problem = prepare(piece, machine)
    families = [problem.catalogue.of_name(name) for name in faults]
    mode = _best(problem, families)
    problem = learn_noise(problem, mode)
    mode = _best(problem, families)
    return Fit(problem, mode, problem.machine(mode.faults, mode.u))


def _best(problem: Problem, families: Sequence[Sequence[FaultModel]]) -> Mode:
    """Best mode over the variants of the named faults, with those sought at their best place."""
    modelled = [family for family in families if not family[0].sought]
    modes = [search(problem, faults) for faults in itertools.product(*modelled)]
    mode = max(modes, key=lambda m: m.evidence)
    for family in (family for family in families if family[0].sought):
        found = [extend(problem, mode, fault.placed(problem, mode)[0]) for fault in family]
        mode = max(found, key=lambda m: m.evidence)
    return mode
