"""Posterior profiles: exact where the model is linear, against an outside root finder where not.

The interval of a normal posterior is the square root of the chi-square quantile with one degree
of freedom (S. S. Wilks, Ann. Math. Statist. 9 (1938) 60; quantiles by `scipy.stats`).
"""

from __future__ import annotations

import dataclasses
import json
import math
from collections.abc import Mapping
from dataclasses import dataclass

import matplotlib as mpl
import numpy as np
import pytest
from lifted import lift
from scipy import optimize, stats
from test_diagnose import TEST

import gantrysim as gs
from gantrysim.faults import Fault
from gantrysim.inference.fitting import Fit, magnitudes
from gantrysim.inference.parameters import Belief, Parameter
from gantrysim.inference.problem import Problem
from gantrysim.inference.profile import profile
from gantrysim.inference.solver import solve
from gantrysim.inference.whitening import Metric

mpl.use("Agg")
ROWS, SEED = 40, 5


@dataclass(frozen=True, eq=False)
class Straight:
    """A source that is a straight line: readings less the sum of two columns of its own."""

    readings: np.ndarray
    columns: np.ndarray
    sigma: float

    n_nuisance = 2
    drawn = None
    amount = 1e-5

    @property
    def metric(self) -> Metric:
        log_det = 2.0 * self.readings.size * math.log(self.sigma)
        return Metric.of(lambda t: t / self.sigma, np.zeros((self.readings.size, 1)), log_det)

    def residual(self, machine, v):
        return self.readings - self.columns @ v

    def linearise(self, machine, moved, axes, amount, v):
        slopes = np.zeros((self.readings.size, len(moved)))
        return self.residual(machine, v), np.hstack([slopes, -self.columns])

    def widths(self, scales):
        return np.ones(self.n_nuisance)

    def learned(self, machine, v, residual, *, believable=True):
        return self


@dataclasses.dataclass(frozen=True, eq=False)
class Toy(Fault):
    """A fault that the forward model lacks, given as a pattern."""

    parameters: tuple[Parameter, ...] = ()
    pattern: Mapping[int, np.ndarray] | None = None

    name = "toy"
    words = "a toy"
    unit = "mm"
    sought = True

    def at(self, *values: float) -> Toy:
        return self


def straight_fit(parameter: Parameter, size: float) -> tuple[Fit, np.ndarray]:
    """Fit of a toy with one fault of a size, and the column that the fault adds."""
    rng = np.random.default_rng(SEED)
    table = rng.standard_normal((ROWS, 3))
    column, own = table[:, 0], table[:, 1:]
    readings = column * size + own @ [0.3, -0.8] + 0.5 * rng.standard_normal(ROWS)
    kind = Toy((parameter,), {0: column[:, None]})
    problem = Problem(gs.Machine(), (Straight(readings, own, 0.5),), Belief.fresh(()), ())
    mode = solve(problem, (kind,), problem.start((kind,)))
    return Fit(problem, mode, gs.Machine()), column


@pytest.mark.parametrize("level", [0.6827, 0.95, 0.99])
def test_profile_of_a_straight_line_is_that_of_the_normal_posterior(level: float) -> None:
    parameter = Parameter("size", "mm", 1.0, 2.0)
    fit, column = straight_fit(parameter, 1.7)
    source = fit.problem.sources[0]
    # the exact posterior of (u, v1, v2): unit normal priors, noise 0.5 mm
    table = np.column_stack([parameter.spread * column, source.columns]) / source.sigma
    target = (source.readings - parameter.centre * column) / source.sigma
    covariance = np.linalg.inv(np.eye(3) + table.T @ table)
    mean = parameter.value((covariance @ table.T @ target)[0])
    deviation = parameter.spread * math.sqrt(covariance[0, 0])
    far = math.sqrt(stats.chi2.ppf(level, 1)) * deviation
    found = fit.profile("toy")
    assert found.estimate == pytest.approx(mean, abs=1e-9)
    assert found.interval(level) == pytest.approx((mean - far, mean + far), abs=1e-6 * far)
    exact = 0.5 * ((found.values - mean) / deviation) ** 2
    assert found.drop == pytest.approx(exact, abs=1e-6)
    assert found.converged.all()
    assert found.root == pytest.approx((found.values - mean) / deviation, abs=1e-4)
    assert np.abs(found.root).max() >= 3.0


def test_profile_of_a_ratio_is_lopsided_as_an_outside_root_finder_says() -> None:
    parameter = Parameter("size", "mm", 0.3, 0.8, ratio=True)
    fit, column = straight_fit(parameter, 0.25)
    source = fit.problem.sources[0]
    spread = source.columns / source.sigma
    # the two straight unknowns taken out by hand: covariance of the readings without the fault
    precision = np.linalg.inv(np.eye(ROWS) + spread @ spread.T)

    def cost(u: float) -> float:
        left = (source.readings - column * parameter.value(u)) / source.sigma
        return 0.5 * float(left @ precision @ left + u * u)

    best = optimize.minimize_scalar(cost, bounds=(-4.0, 4.0), method="bounded")
    need = stats.chi2.ppf(0.95, 1) / 2.0
    ends = [
        optimize.brentq(lambda u: cost(u) - best.fun - need, *bracket)
        for bracket in ((-8.0, best.x), (best.x, 8.0))
    ]
    found = fit.profile("toy", points=41)
    low, high = found.interval()
    assert [low, high] == pytest.approx([parameter.value(u) for u in ends], rel=0.01)
    assert found.estimate == pytest.approx(parameter.value(best.x), rel=0.03)
    # the readings' own error is even in the size, so over its logarithm the small side is longer
    assert math.log(found.estimate / low) > 1.2 * math.log(high / found.estimate)
    assert found.laplace[0] > 1.05 * low


@pytest.fixture(scope="module")
def fitted() -> gs.inference.Fit:
    piece = lift(gs.Machine().with_faults(gs.faults.CouplerBacklash(0.4)), TEST, noise=0.004)
    return gs.fit(piece, gs.Machine(), faults=["coupler_backlash"])


@pytest.fixture(scope="module")
def profiled(fitted: gs.inference.Fit) -> gs.inference.Profile:
    return fitted.profile("coupler_backlash")


def test_profile_of_a_well_told_size_is_the_normal_one(fitted, profiled) -> None:
    low, high = profiled.interval()
    told = magnitudes(fitted.problem, fitted.mode)["coupler_backlash"]
    assert profiled.converged.all()
    assert profiled.estimate == pytest.approx(told.estimate, rel=0.005)
    assert high - low == pytest.approx(told.high - told.low, rel=0.08)
    assert profiled.laplace == pytest.approx((told.low, told.high), rel=0.02)
    # what the model of the fault may be off counts in the interval of the fit alone
    wide = fitted.magnitudes["coupler_backlash"]
    lacking = 2.0 * 1.96 * gs.faults.CouplerBacklash.model_error * told.estimate
    assert wide.high - wide.low == pytest.approx(
        math.hypot(told.high - told.low, lacking), rel=0.08
    )


def test_profile_shows_itself(profiled) -> None:
    low, high = profiled.interval()
    ax = profiled.plot()
    assert "coupler backlash, mm" in ax.get_xlabel()
    assert f"{low:.3g} to {high:.3g}" in ax.get_title(loc="left")
    bar = next(x for x in ax.lines if x.get_label() == "95 % interval")
    assert bar.get_xdata() == pytest.approx([low, high])
    assert bar.get_ydata() == pytest.approx(2 * [stats.chi2.ppf(0.95, 1) / 2.0])
    mpl.pyplot.close(ax.figure)
    plain = json.loads(json.dumps(profiled.to_dict()))
    assert plain["values"] == sorted(plain["values"])
    assert min(plain["drop"]) == 0.0
    assert "mm" in repr(profiled)
    assert "<table>" in profiled._repr_html_()


def test_sizes_of_ones_own_are_tried_and_a_narrow_choice_is_said_to_be_so(fitted) -> None:
    found = fitted.profile("coupler_backlash", values=[0.118, 0.112])
    assert {0.112, 0.118} <= {round(v, 9) for v in found.values}
    assert "inside" in repr(found)
    with pytest.raises(ValueError, match="inside its 95 % interval; give values"):
        found.interval()
    with pytest.raises(ValueError, match="above 0 and below 1"):
        found.interval(95.0)


def test_what_cannot_be_profiled_is_refused(fitted) -> None:
    with pytest.raises(ValueError, match="assumes coupler_backlash"):
        fitted.profile("tight_carriage")
    with pytest.raises(ValueError, match=r"-0.1 mm is out of reach of coupler_backlash"):
        fitted.profile("coupler_backlash", values=[-0.1])
    with pytest.raises(ValueError, match="points must be 5 or more"):
        fitted.profile("coupler_backlash", points=2)
    kind = gs.Machine().catalogue().of_name("pulley_runout_x")
    start = fitted.problem.start(kind)
    mode = solve(fitted.problem, kind, start, most_steps=0)
    with pytest.raises(ValueError, match="made of several numbers"):
        profile(Fit(fitted.problem, mode, fitted.machine), "pulley_runout_x")
