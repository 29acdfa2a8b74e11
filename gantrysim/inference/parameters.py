"""What is believed before the burn is measured: how a healthy machine scatters.

Every unknown is carried as a standard normal number u; a `Parameter` says what u means on the
machine.  So the prior of the whole problem is |u|^2 / 2, whatever the units.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
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
        Standard deviation: of the logarithm if ``ratio``, else of the value; half the width
        of the interval if ``bounded``.
    ratio : bool
        Whether the value is centre * exp(spread * u) (always one sign) or
        centre + spread * u.
    bounded : bool
        Whether the value is spread evenly over centre * (1 +- spread) and never leaves it:
        centre * (1 + spread (2 Phi(u) - 1)).
    faint : float
        For a ratio: u at which the fault that it belongs to is hardly there (a play is small
        then, the stiffness left to a slack belt is large).
    """

    name: str
    unit: str
    centre: float
    spread: float
    ratio: bool = False
    bounded: bool = False
    faint: float = -2.0

    def value(self, u: float) -> float:
        """Value at a standard normal number."""
        if self.bounded:
            return self.centre * (1.0 + self.spread * math.erf(u / math.sqrt(2.0)))
        if self.ratio:
            return self.centre * math.exp(self.spread * u)
        return self.centre + self.spread * u

    def narrowed(self, mean: float, deviation: float) -> Parameter:
        """The parameter when u is believed to be normal with this mean and deviation."""
        if self.bounded:
            raise ValueError(f"{self.name} is bounded: a normal belief of it cannot be given anew")
        return replace(self, centre=self.value(mean), spread=self.spread * deviation)


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


#: Stiffness and drag of a healthy machine lie within this part of their nominal value: the
#: nominal description of the bench machine says a quarter; a little more is allowed.
_QUARTER = 0.27


def _ratio(name: str, axis: str, *places: str, spread: float = _QUARTER) -> Scatter:
    return Scatter(Parameter(name, "of nominal", 1.0, spread, bounded=True), places, axis)


def _shift(
    name: str, unit: str, axis: str, place: str, spread: float, least: float = -math.inf
) -> Scatter:
    return Scatter(Parameter(name, unit, 0.0, spread), (place,), axis, least)


#: How a healthy machine scatters about its nominal description.  Stiffness and drag by up to
#: a quarter of their value; squareness, set-up offsets, pulley run-out and scale by what a
#: careful assembly leaves (belt length tolerance +-0.05 %: polyurethane belt catalogues;
#: run-out of a machined pulley of the order of 0.01 mm: common practice, no source).
HEALTHY_SCATTER: tuple[Scatter, ...] = (
    _ratio("drag left", "y", "left.friction"),
    _ratio("drag right", "y", "right.friction"),
    _ratio("drag carriage", "x", "carriage.friction"),
    _ratio("belt left EA", "y", "belt_left.ea"),
    _ratio("belt right EA", "y", "belt_right.ea"),
    _ratio("belt x EA", "x", "belt_x.ea"),
    _ratio("motor y hold", "y", "motor_y.hold_force", spread=0.17),
    _ratio("motor x hold", "x", "motor_x.hold_force", spread=0.17),
    _ratio("shaft stiffness", "y", "shaft.stiffness"),
    _ratio("racking stiffness", "y", "left.rack_stiffness", "right.rack_stiffness", spread=0.22),
    _ratio("rock stiffness", "x", "carriage.rock_stiffness"),
    _ratio("moving mass", "xy", "beam.mass", "carriage.mass", spread=0.1),
    _ratio("viscous drag", "xy", "contact.viscous"),
    _shift("break-away", "-", "xy", "contact.break_away", 0.03, 1.0),
    _shift("overshoot", "-", "xy", "contact.overshoot", 0.35, 0.0),
    _shift("head beyond", "mm", "spot", "head.beyond", 0.6),
    _shift("squareness", "mrad", "y", "square", 0.12),
    _shift("scale x", "-", "x", "scale_x", 2.5e-4),
    _shift("scale y", "-", "y", "scale_y", 2.5e-4),
)


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
        By `FaultKind.key`, what is believed of a fault's parameters where that is not the usual.
    machine : Machine, optional
        The machine as described that it is about; none where nothing was learned yet.
    """

    mean: np.ndarray
    precision: np.ndarray
    weights: Mapping[tuple[str, ...], float] = field(default_factory=dict)
    sizes: Mapping[str, tuple[Parameter, ...]] = field(default_factory=dict)
    machine: Machine | None = None

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
    def fresh(cls, scatter: tuple[Scatter, ...] = HEALTHY_SCATTER) -> Belief:
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
