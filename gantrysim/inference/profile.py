"""How well a fault's size is known without the normal approximation: its posterior profile.

The size is held at one value after the other, and everything else is fitted anew at each.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.optimize import brentq
from scipy.special import ndtri

from gantrysim.inference.faultmodel import FaultModel
from gantrysim.inference.problem import Problem
from gantrysim.inference.solver import Mode, solve
from gantrysim.records.doors import checked
from gantrysim.records.table import Table, fields_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from gantrysim.inference.fitting import Fit

#: How far a profile goes on either side: three standard deviations of a normal posterior.
REACH = 3.0
#: A size is looked for within so many prior standard deviations.
_WIDEST = 8.0
#: The walk begins anew where it comes upon a log posterior that is higher than at the mode by
#: more than searches leave.
_HIGHER = 0.1
#: Steps of a walk are at most so many times longer or shorter than the normal approximation's.
_STRETCH = 3.0


@checked
@dataclass(frozen=True, eq=False)
class Profile:
    """Posterior of a fault's size with everything else fitted anew at each value.

    Parameters
    ----------
    fault : str
        Name of the fault.
    unit : str
        Unit of its size.
    estimate : float
        Most probable size, in that unit.
    values : ndarray, shape (n,)
        Sizes tried, in that unit, rising.
    numbers : ndarray, shape (n,)
        The same as standard normal numbers of the prior (dimensionless).
    drop : ndarray, shape (n,)
        By how much the log posterior falls below its highest, 0 or more (dimensionless).
    converged : ndarray of bool, shape (n,)
        Whether the fit of everything else settled.
    laplace : (float, float)
        95 % interval by the normal approximation at the mode, in the unit of the size.

    Notes
    -----
    The prior counts: with little told by the piece the profile is that of the prior.  Densities
    are per prior standard deviation, so that the estimate is that of the fit.  What the model of
    the fault itself may be off (`Fault.model_error`) widens the interval of a fit, not a profile.
    """

    fault: str
    unit: str
    estimate: float
    values: np.ndarray
    numbers: np.ndarray
    drop: np.ndarray
    converged: np.ndarray
    laplace: tuple[float, float]

    @property
    def root(self) -> np.ndarray:
        """Signed square root of twice the drop: a straight line where the posterior is normal."""
        best = self.numbers[int(np.argmin(self.drop))]
        return np.asarray(np.sign(self.numbers - best) * np.sqrt(2.0 * self.drop))

    def interval(self, level: float = 0.95) -> tuple[float, float]:
        """Sizes at which the log posterior has fallen by what the level allows.

        Parameters
        ----------
        level : float
            Probability, above 0 and below 1.

        Returns
        -------
        (float, float)
            Lower and upper size, in `unit`.

        Raises
        ------
        ValueError
            For another level, or where the sizes tried do not reach so far.

        Notes
        -----
        Twice the drop is held against the quantile of the chi-square distribution with one degree
        of freedom (S. S. Wilks, Ann. Math. Statist. 9 (1938) 60), between the sizes tried by a
        straight line in the signed root.
        """
        if not 0.0 < level < 1.0:
            raise ValueError(f"level must lie above 0 and below 1, found {level!r}")
        need = float(ndtri(0.5 + 0.5 * level))
        low, high = (self._crossing(side, need, level) for side in (-1, 1))
        return min(low, high), max(low, high)

    def _crossing(self, side: int, need: float, level: float) -> float:
        """Size beyond which, on one side, the root stays above what is needed."""
        root, values = side * self.root[::side], self.values[::side]
        if root[-1] < need:
            raise ValueError(
                f"the profile of {self.fault} ends at {values[-1]:.4g} {self.unit}, inside its "
                f"{100.0 * level:g} % interval; give values that reach further"
            )
        k = int(np.flatnonzero(root < need)[-1])
        share = (need - root[k]) / (root[k + 1] - root[k])
        return float(values[k] + share * (values[k + 1] - values[k]))

    def plot(self, ax: Axes | None = None, *, level: float = 0.95) -> Axes:
        """Draw the drop over the size, with its interval and the normal approximation's."""
        from gantrysim.plotting.intervals import plot_profile

        return plot_profile(self, ax, level=level)

    def to_dict(self) -> dict[str, Any]:
        """Return the profile as plain Python types."""
        names = ("fault", "unit", "estimate", "values", "drop", "converged", "laplace")
        return fields_of(self, *names)

    def _words(self) -> str:
        try:
            low, high = self.interval()
        except ValueError:
            return f"{self.estimate:.4g} {self.unit}, sizes tried end inside the 95 % interval"
        return f"{self.estimate:.4g} [{low:.4g}, {high:.4g}] {self.unit}"

    def __repr__(self) -> str:
        return f"Profile({self.fault}: {self._words()}; {self.values.size} sizes tried)"

    def _repr_html_(self) -> str:
        rows = (
            (f"{v:.4g}", f"{d:.3f}", "" if ok else "not settled")
            for v, d, ok in zip(self.values, self.drop, self.converged, strict=True)
        )
        heads = (self.unit, "drop of log posterior", "")
        return Table(heads, rows, f"{self.fault}: {self._words()}").html()


def profile(
    fit: Fit, fault: str, values: Sequence[float] | None = None, *, points: int = 13
) -> Profile:
    """Profile the posterior of a fault's size.

    Parameters
    ----------
    fit : Fit
        A fit that assumes the fault.
    fault : str
        Its name.
    values : sequence of float, optional
        Sizes to try, in the unit of the fault (`Fit.magnitudes` says it).  If absent, steps are
        taken either way until the log posterior has fallen by 4.5, as three standard deviations
        of a normal posterior would have it.
    points : int
        About how many of those steps, at least 5.

    Returns
    -------
    Profile
        In the unit of the fault, the most probable size among the sizes.

    Raises
    ------
    ValueError
        If the fit does not assume the fault, its size is not one number (a pulley that runs out:
        a cosine and a sine), or a value is out of its reach.
    """
    problem, mode, model, place = _placed(fit, fault)
    if points < 5:
        raise ValueError(f"points must be 5 or more, found {points!r}")
    given = None if values is None else sorted(_number_of(problem, model, float(v)) for v in values)
    best = mode
    for _ in range(2):
        if given is None:
            found = _walked(problem, best, place, points // 2)
        else:
            found = _visited(problem, best, place, given)
        top = min(found, key=lambda m: m.cost)
        if top.cost > best.cost - _HIGHER:
            break
        best = min((top, solve(problem, mode.faults, top.u)), key=lambda m: m.cost)
    found = sorted([*found, best], key=lambda m: m.u[place])
    numbers = np.array([m.u[place] for m in found])
    costs = np.array([m.cost for m in found])
    centre, deviation = best.u[place], math.sqrt(best.covariance[place, place])
    ends = (
        _size(problem, model, centre - 1.96 * deviation),
        _size(problem, model, centre + 1.96 * deviation),
    )
    return Profile(
        fault=fault,
        unit=model.unit,
        estimate=_size(problem, model, numbers[int(np.argmin(costs))]),
        values=np.array([_size(problem, model, x) for x in numbers]),
        numbers=numbers,
        drop=costs - costs.min(),
        converged=np.array([m.converged for m in found]),
        laplace=ends,
    )


def _placed(fit: Fit, fault: str) -> tuple[Problem, Mode, FaultModel, int]:
    """Problem, mode and fault of a fit, and where the number behind its size stands."""
    problem, mode = fit.problem, fit.mode
    for model, cut in zip(mode.faults, problem.fault_cuts(mode.faults), strict=True):
        if model.name == fault:
            if not _one_number(problem, model):
                raise ValueError(
                    f"the size of {fault} is made of several numbers and cannot be held alone"
                )
            return problem, mode, model, cut.start
    known = ", ".join(model.name for model in mode.faults) or "none: it is of a healthy machine"
    raise ValueError(f"the fit does not assume {fault!r}; it assumes {known}")


def _one_number(problem: Problem, model: FaultModel) -> bool:
    """Whether the size depends on the first parameter alone."""
    others = len(model.parameters) - 1
    sizes = {
        model.magnitude(*problem.values(model, np.array([0.5, *[x] * others]))) for x in (-1.0, 2.0)
    }
    return len(sizes) == 1


def _size(problem: Problem, model: FaultModel, number: float) -> float:
    rest = np.zeros(len(model.parameters) - 1)
    return float(model.magnitude(*problem.values(model, np.concatenate([[number], rest]))))


def _number_of(problem: Problem, model: FaultModel, size: float) -> float:
    """Standard normal number behind a size."""
    least, most = _size(problem, model, -_WIDEST), _size(problem, model, _WIDEST)
    if not least < size < most:
        raise ValueError(
            f"a size of {size!r} {model.unit} is out of reach of {model.name}; accepted are sizes "
            f"between {least:.4g} and {most:.4g}"
        )
    return float(brentq(lambda x: _size(problem, model, x) - size, -_WIDEST, _WIDEST, xtol=1e-10))


def _held(problem: Problem, best: Mode, near: Mode, place: int, number: float) -> Mode:
    """Fit everything else with one unknown held, begun where a nearby fit points to."""
    along = best.covariance[:, place] / best.covariance[place, place]
    u = near.u + along * (number - near.u[place])
    u[place] = number
    return solve(problem, best.faults, u, held=(place,))


def _visited(problem: Problem, best: Mode, place: int, numbers: Sequence[float]) -> list[Mode]:
    """Held fits at given numbers, each begun from the one before on its side."""
    found = []
    for side in (-1.0, 1.0):
        near = best
        away = [x for x in numbers if side * (x - best.u[place]) > 0.0]
        for number in sorted(away, key=lambda x: side * x):
            near = _held(problem, best, near, place, number)
            found.append(near)
    return found or [best]


def _walked(problem: Problem, best: Mode, place: int, steps: int) -> list[Mode]:
    """Held fits outward on both sides until the root of the drop has come to `REACH`."""
    found = []
    rise = REACH / steps
    usual = rise * math.sqrt(best.covariance[place, place])
    for side in (-1.0, 1.0):
        near, root, stride = best, 0.0, usual
        for _ in range(4 * steps):
            number = float(np.clip(near.u[place] + side * stride, -_WIDEST, _WIDEST))
            there = _held(problem, best, near, place, number)
            found.append(there)
            risen = math.sqrt(max(2.0 * (there.cost - best.cost), 0.0))
            if risen - root > 2.0 * rise and stride > usual / _STRETCH:
                stride *= 0.5  # the posterior falls too steeply here: go back, take half the step
                continue
            if risen >= REACH or abs(number) >= _WIDEST:
                break
            wanted = stride * rise / max(risen - root, 1e-9)
            near, root = there, risen
            stride = float(np.clip(wanted, usual / _STRETCH, min(usual * _STRETCH, 1.5 * stride)))
    return found
