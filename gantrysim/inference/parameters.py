"""Parameters with their priors, and what is believed of a machine before it is measured.

Every unknown is carried as a standard normal number u; a `Parameter` says what u means on the
machine.  So the prior of the whole problem is |u|^2 / 2, whatever the units.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from gantrysim.machine import Machine
from gantrysim.records.doors import checked


@dataclass(frozen=True)
class Parameter:
    """One unknown number with its prior.

    Parameters
    ----------
    name : str
        Short name.
    unit : str
        Unit of its value.
    centre : float
        Median of the prior.
    spread : float
        Standard deviation: of the logarithm if ``ratio``, else of the value.
    ratio : bool
        Whether the value is centre * exp(spread * u) (always one sign) or
        centre + spread * u.
    faint : float
        For a ratio: u at which the fault that it belongs to is hardly there (a play is small
        then, the stiffness left to a slack belt is large).
    """

    name: str
    unit: str
    centre: float
    spread: float
    ratio: bool = False
    faint: float = -2.0

    def value(self, u: float) -> float:
        """Value at a standard normal number."""
        if self.ratio:
            return self.centre * math.exp(self.spread * u)
        return self.centre + self.spread * u

    @property
    def rate(self) -> float:
        """Rate of the exponential in u of what acts on a burn; 0 where that is linear in u.

        A burn sees drag and play, and one over what is left of a stiffness or a pretension.
        """
        if not self.ratio:
            return 0.0
        return -self.spread if self.faint > 0.0 else self.spread

    def narrowed(self, mean: float, deviation: float) -> Parameter:
        """The parameter when u is believed to be normal with this mean and deviation."""
        return replace(self, centre=self.value(mean), spread=self.spread * deviation)


def values_at(parameters: Sequence[Parameter], u: Sequence[float] | np.ndarray) -> list[float]:
    """Values of parameters, in their units, at standard normal numbers."""
    return [q.value(float(v)) for q, v in zip(parameters, u, strict=True)]


def each_drawn(
    size: Callable[..., float], parameters: Sequence[Parameter], draws: np.ndarray
) -> np.ndarray:
    """Return a size of the values of parameters at each of many draws of them, shape (n, q)."""
    values = (map(q.value, u.tolist()) for q, u in zip(parameters, draws.T, strict=True))
    return np.array(list(map(size, *values)))


@dataclass(frozen=True)
class Scatter:
    """A parameter of a healthy machine and the fields that it scales or shifts.

    Parameters
    ----------
    parameter : Parameter
        A ratio to the nominal value (centre 1) or a shift from it (centre 0).
    places : tuple of str
        Dotted fields of `Machine`, see `Machine.set`.
    axis : str
        ``"x"`` or ``"y"``: the block of the mechanism it acts on, or ``"spot"`` where it
        moves the spot alone; lets a forward run reuse the other block.
    least : float
        Least value that the field may take.
    """

    parameter: Parameter
    places: tuple[str, ...]
    axis: str
    least: float = -math.inf

    def changes(self, machine: Machine, u: float) -> dict[str, float]:
        """Fields, by dotted place, of a nominal machine at a standard normal number."""
        value = self.parameter.value(u)
        out = {}
        for place in self.places:
            old = machine.value(place)
            new = old * value if self.parameter.centre == 1.0 else old + value
            out[place] = max(new, self.least)
        return out


@checked
@dataclass(frozen=True, eq=False)
class Belief:
    """What is believed of the unknowns of the healthy scatter before a measurement.

    Parameters
    ----------
    mean : ndarray, shape (n,)
        Their mean, in standard deviations of the healthy scatter.
    precision : ndarray, shape (n, n)
        Inverse of their covariance.
    weights : mapping
        Prior probability of each explanation, by its sorted fault names; those not named share
        what is left in the usual proportions.
    sizes : mapping
        By the key of a fault (name and variant), what is believed of its parameters where that
        is not the usual.
    machine : Machine, optional
        The machine as described that it is about; none where nothing was learned yet.
    turned : tuple of str
        Names of the faults for which something was turned since the machine was last measured.
    """

    mean: np.ndarray
    precision: np.ndarray
    weights: Mapping[tuple[str, ...], float] = field(default_factory=dict)
    sizes: Mapping[str, tuple[Parameter, ...]] = field(default_factory=dict)
    machine: Machine | None = None
    turned: tuple[str, ...] = ()

    def check(self, machine: Machine) -> None:
        """Raise ValueError unless it is about this machine, as described, or about none."""
        if self.machine is None or self.machine == machine:
            return
        own, other = _flat(self.machine.to_dict()), _flat(machine.to_dict())
        places = [place for place in own if own[place] != other.get(place)]
        told = f"its {places[0]} is {own[places[0]]}, here {other.get(places[0])}" if places else ""
        raise ValueError(
            f"belief is about another machine ({told or 'it has other parts'}); give the machine "
            "that it was learned on, or no belief."
        )

    @classmethod
    def fresh(cls, scatter: Sequence[Scatter]) -> Belief:
        """Nothing is known but the description of the machine."""
        return cls(np.zeros(len(scatter)), np.eye(len(scatter)))


def _flat(value: Any, place: str = "") -> dict[str, Any]:
    """Nested fields by their dotted place."""
    if isinstance(value, Mapping):
        items = [(str(k), v) for k, v in value.items()]
    elif isinstance(value, list | tuple):
        items = [(str(k), v) for k, v in enumerate(value)]
    else:
        return {place: value}
    out: dict[str, Any] = {}
    for key, entry in items:
        out |= _flat(entry, f"{place}.{key}" if place else key)
    return out
