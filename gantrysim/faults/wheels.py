"""Wheels of an end plate too tight or too loose on their rail."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import ClassVar

from scipy.optimize import brentq

from gantrysim.faults.adjusting import AdjustingPoint, said
from gantrysim.faults.base import DRAG, RATTLE, Fault, below_one
from gantrysim.faults.healthy import healthy_drag
from gantrysim.faults.nuts import lost_contact, nuts_of
from gantrysim.inference.parameters import Parameter
from gantrysim.machine import SIDES, Machine
from gantrysim.machine.components import nut_angle, nut_approach
from gantrysim.machine.handbook import Handbook
from gantrysim.machine.plates import EndPlate
from gantrysim.records.checks import check_number, listed, require, word
from gantrysim.records.doors import checked

#: Extra drag of a tight plate: 6 to 20 N (common practice, no source).
EXTRA_DRAG = Parameter("extra drag", "N", 9.0, 0.6, ratio=True)
#: Play of a loose plate: gaps of 0.05 to 0.3 mm at its wheels (common practice, no source).
_PLAY = (
    Parameter("clearance", "mm", 0.25, 0.6, ratio=True),
    Parameter("drag factor", "-", 0.5, 0.25, ratio=True, faint=2.0),
)


class _OneWay:
    """A fault that can be said in several ways, one at a time."""

    _ways: ClassVar[Mapping[str, tuple[float, float]]]

    @property
    def _way(self) -> tuple[str, float]:
        """How it is said: the name of the field and its value."""
        told = {way: getattr(self, way) for way in self._ways}
        told = {way: value for way, value in told.items() if value is not None}
        kind, found = type(self).__name__, " and ".join(map(repr, told)) or "none"
        if len(told) != 1:
            raise ValueError(f"{kind}: one of {listed(list(self._ways))} is needed, found {found}")
        return next(iter(told.items()))

    def __repr__(self) -> str:
        """Only what is said."""
        told = [(f.name, getattr(self, f.name)) for f in dataclasses.fields(self)]  # type: ignore[arg-type]
        text = ", ".join(f"{name}={value!r}" for name, value in told if value is not None)
        return f"{type(self).__name__}({text})"


class _PlateWheels(Fault):
    """What both faults of the wheels of a plate share."""

    side: str

    block = "y"

    drive = said("{self.side}")

    def adjusting_point(self, machine: Machine, handbook: Handbook) -> AdjustingPoint:
        """The eccentric nuts of its plate."""
        return nuts_of(machine, self.side, self.check, loose=self.effect == RATTLE)


@checked
@dataclass(frozen=True, repr=False)
class TightWheels(_OneWay, _PlateWheels):
    """Wheels of one end plate pinched on their rail: extra rolling drag.

    Said in one of three ways, which `in_force`, `in_degrees` and `in_interference` turn into
    each other.

    Parameters
    ----------
    side : str
        ``"left"`` or ``"right"``.
    extra_force : float
        Drag on top of what the plate has, N.
    nut_deg : float
        Where the eccentric nuts stand, degrees past first contact.
    interference : float
        How far the nuts have moved their wheels past first contact, mm.
    wheel : str or int
        Only the nut of this wheel: ``"front"`` (away from home), ``"back"``, ``"middle"`` or its
        number among the wheels; without it all nuts of the plate, alike.

    Examples
    --------
    >>> import gantrysim as gs
    >>> gs.faults.TightWheels("left", nut_deg=40.0).in_force(gs.Machine())
    TightWheels(side='left', extra_force=6.5...)
    """

    side: str = word(*SIDES)
    extra_force: float | None = None
    nut_deg: float | None = field(default=None, kw_only=True)
    interference: float | None = field(default=None, kw_only=True)
    wheel: str | int | None = field(default=None, kw_only=True)

    _ways: ClassVar[Mapping[str, tuple[float, float]]] = {
        "extra_force": (0.0, 1000.0),
        "nut_deg": (0.0, 90.0),
        "interference": (0.0, 100.0),
    }

    def __post_init__(self) -> None:
        super().__post_init__()
        way, value = self._way
        check_number("TightWheels", way, value, *self._ways[way])

    def apply(self, machine: Machine) -> Machine:
        """Return the machine with this fault.

        Raises
        ------
        ValueError
            If the nuts already stand tighter, or cannot pinch that hard.
        """
        plate: EndPlate = machine.value(self.side)
        if self.extra_force is not None and self.wheel is None:
            return machine.set(f"{self.side}.friction", plate.friction + self.extra_force)
        tight = _set_nuts(machine, self.side, self.wheel, self._approach(machine))
        way, value = self._way
        accepted = f"tighter than the plate is now, with {plate.friction:.3g} N of drag"
        ok = tight.friction >= plate.friction * (1.0 - 1e-9)
        require(ok, "TightWheels", way, value, accepted)
        return machine.set(self.side, tight)

    def in_force(self, machine: Machine) -> TightWheels:
        """Return the same fault of a machine said as extra drag, N."""
        extra = self.apply(machine).value(self.side).friction - machine.value(self.side).friction
        return TightWheels(self.side, extra_force=max(extra, 0.0), wheel=self.wheel)

    def in_degrees(self, machine: Machine) -> TightWheels:
        """Return the same fault of a machine said as where the nuts stand, degrees."""
        offset = _offset(machine, self.side, self.wheel)
        angle = nut_angle(offset, self._approach(machine))
        return TightWheels(self.side, nut_deg=angle, wheel=self.wheel)

    def in_interference(self, machine: Machine) -> TightWheels:
        """Return the same fault of a machine said as interference, mm."""
        approach = self._approach(machine)
        return TightWheels(self.side, interference=approach, wheel=self.wheel)

    def _approach(self, machine: Machine) -> float:
        """Way of the nuts past first contact, mm."""
        offset = _offset(machine, self.side, self.wheel)
        if self.nut_deg is not None:
            return nut_approach(offset, self.nut_deg)
        if self.interference is not None:
            accepted = f"at most the nut's offset of {offset:g} mm"
            ok = self.interference <= offset
            require(ok, "TightWheels", "interference", self.interference, accepted)
            return self.interference
        wanted = machine.value(self.side).friction + self.extra_force

        def short(approach: float) -> float:
            return _set_nuts(machine, self.side, self.wheel, approach).friction - wanted

        most = short(offset)
        accepted = f"at most {most + (self.extra_force or 0.0):.3g} N, which these nuts can pinch"
        require(most >= 0.0, "TightWheels", "extra_force", self.extra_force, accepted)
        return 0.0 if short(0.0) >= 0.0 else _root(short, 0.0, offset)

    unit = "N"
    effect = DRAG

    name = said("tight_wheels_{self.side}")
    words = said("the {self.side} end plate's wheels are too tight on their rail")
    noun = said("tightness of the {self.side} wheels")
    check = said(
        "with the power off turn each {self.side} plate wheel by finger: "
        "it should slip on the rail with light effort"
    )

    parameters = (EXTRA_DRAG,)

    def at(self, *values: float) -> TightWheels:
        """Return the same fault with another extra drag, N."""
        return TightWheels(self.side, extra_force=values[0])

    opposite = said("loose_wheels_{self.side}")
    place = said("{self.side}.friction")

    def healthy_limit(self, nominal: Machine) -> float:
        """Drag above the nominal that a healthy plate may have, N."""
        return healthy_drag(nominal, self.side)

    def overshot(self, nominal: Machine) -> float:
        """Drag below the nominal at which the wheels are all but out of contact, N."""
        return lost_contact(nominal, self.side)

    own_scatter = said("drag {self.side}")

    fresh_scatter = ("racking stiffness",)


@checked
@dataclass(frozen=True, repr=False)
class LooseWheels(_OneWay, _PlateWheels):
    """Wheels of one end plate that stand off their rail: yaw play and little drag.

    Said in one of three ways, which `in_clearance`, `in_degrees` and `in_gap` turn into each
    other.

    Parameters
    ----------
    side : str
        ``"left"`` or ``"right"``.
    clearance : float
        Free play of the plate on top of what it has, full width as y_right - y_left, mm.  Nuts
        that each leave a gap g at a wheel base B give span * 2 g / B; one alone, half of that.
    drag_factor : float
        Remaining part of the rolling drag (dimensionless) where that was observed, with
        ``clearance``: then drag and play are as told and the stiffness beyond the play is left
        alone.  Without it all follow from the loads of the wheels.
    nut_deg : float
        Where the eccentric nuts stand, degrees from first contact; negative: before it.
    gap : float
        Gap that the nuts leave at their wheels with the plate pushed away from them, mm.
    wheel : str or int
        Only the nut of this wheel: ``"front"`` (away from home), ``"back"``, ``"middle"`` or its
        number among the wheels; without it all nuts of the plate, alike.

    Examples
    --------
    >>> import gantrysim as gs
    >>> gs.faults.LooseWheels("left", gap=0.05).in_clearance(gs.Machine())
    LooseWheels(side='left', clearance=0.57...)
    """

    side: str = word(*SIDES)
    clearance: float | None = None
    drag_factor: float | None = None
    nut_deg: float | None = field(default=None, kw_only=True)
    gap: float | None = field(default=None, kw_only=True)
    wheel: str | int | None = field(default=None, kw_only=True)

    _ways: ClassVar[Mapping[str, tuple[float, float]]] = {
        "clearance": (0.0, 50.0),
        "nut_deg": (-90.0, 0.0),
        "gap": (0.0, 50.0),
    }

    def __post_init__(self) -> None:
        super().__post_init__()
        way, value = self._way
        check_number("LooseWheels", way, value, *self._ways[way])
        if self.drag_factor is not None:
            check_number("LooseWheels", "drag_factor", self.drag_factor, 0.0, 1.0)
            ok = way == "clearance" and self.wheel is None
            accepted = "no drag factor with a nut angle, a gap or a single wheel: it follows"
            require(ok, "LooseWheels", "drag_factor", self.drag_factor, accepted)

    def apply(self, machine: Machine) -> Machine:
        """Return the machine with this fault.

        Raises
        ------
        ValueError
            If the nuts already stand looser, or cannot back off that far.
        """
        plate: EndPlate = machine.value(self.side)
        if self.drag_factor is not None and self.clearance is not None:
            told = plate.with_friction(plate.friction * self.drag_factor)
            clearance = plate.rack_clearance + self.clearance
            return machine.set(self.side, dataclasses.replace(told, rack_clearance=clearance))
        loose = _set_nuts(machine, self.side, self.wheel, -self._backing(machine))
        way, value = self._way
        accepted = f"looser than the plate is now, with {plate.rack_clearance:.3g} mm of play"
        ok = loose.rack_clearance >= plate.rack_clearance * (1.0 - 1e-9)
        require(ok, "LooseWheels", way, value, accepted)
        return machine.set(self.side, loose)

    def in_clearance(self, machine: Machine) -> LooseWheels:
        """Return the same fault of a machine said as play of y_right - y_left, mm."""
        before = machine.value(self.side).rack_clearance
        play = self.apply(machine).value(self.side).rack_clearance - before
        return LooseWheels(self.side, clearance=max(play, 0.0), wheel=self.wheel)

    def in_degrees(self, machine: Machine) -> LooseWheels:
        """Return the same fault of a machine said as where the nuts stand, degrees."""
        offset = _offset(machine, self.side, self.wheel)
        angle = nut_angle(offset, -self._backing(machine))
        return LooseWheels(self.side, nut_deg=min(angle, 0.0), wheel=self.wheel)

    def in_gap(self, machine: Machine) -> LooseWheels:
        """Return the same fault of a machine said as gap at the wheels, mm."""
        return LooseWheels(self.side, gap=self._backing(machine), wheel=self.wheel)

    def _backing(self, machine: Machine) -> float:
        """Way of the nuts back from first contact, mm."""
        offset = _offset(machine, self.side, self.wheel)
        if self.nut_deg is not None:
            return -nut_approach(offset, self.nut_deg)
        if self.gap is not None:
            accepted = f"at most the nut's offset of {offset:g} mm"
            require(self.gap <= offset, "LooseWheels", "gap", self.gap, accepted)
            return self.gap
        before = machine.value(self.side).rack_clearance
        wanted = before + self.clearance

        def short(backing: float) -> float:
            return _set_nuts(machine, self.side, self.wheel, -backing).rack_clearance - wanted

        most = short(offset)
        accepted = f"at most {most + (self.clearance or 0.0):.3g} mm, which these nuts can leave"
        require(most >= 0.0, "LooseWheels", "clearance", self.clearance, accepted)
        return 0.0 if short(0.0) >= 0.0 else _root(short, 0.0, offset)

    unit = "mm"
    effect = RATTLE

    name = said("loose_wheels_{self.side}")
    words = said("the {self.side} end plate's wheels are loose on their rail")
    noun = said("looseness of the {self.side} wheels")
    check = said("with the power off rock the {self.side} end of the beam: it should not click")

    parameters = _PLAY

    def at(self, *values: float) -> LooseWheels:
        """Return the same fault with another play, mm, and drag factor."""
        play, factor = values
        return LooseWheels(self.side, clearance=play, drag_factor=below_one(factor))

    opposite = said("tight_wheels_{self.side}")
    place = said("{self.side}.rack_clearance")

    def healthy_limit(self, nominal: Machine) -> float:
        """Play that a careful assembly leaves, mm (judgement)."""
        return 0.03

    fresh_scatter = property(lambda self: (f"drag {self.side}", "racking stiffness"))


def _root(function: Callable[[float], float], low: float, high: float) -> float:
    return float(brentq(function, low, high, xtol=1e-14, rtol=1e-14))


def _nuts(plate: EndPlate, wheel: str | int | None) -> tuple[int, ...]:
    """Numbers of the wheels whose nuts are meant: one by its place, or all."""
    nuts = plate.nuts if wheel is None else (plate.nut(wheel),)
    require(bool(nuts), "EndPlate", "wheels", plate.wheels, "wheels on eccentric nuts")
    return nuts


def _offset(machine: Machine, side: str, wheel: str | int | None) -> float:
    """Eccentric offset of the nuts that are meant, mm: the least where they differ."""
    plate: EndPlate = machine.value(side)
    return min(plate.wheels[i].nut_offset for i in _nuts(plate, wheel))


def _set_nuts(machine: Machine, side: str, wheel: str | int | None, approach: float) -> EndPlate:
    """Return a plate with one nut or all nuts at an approach, mm."""
    plate: EndPlate = machine.value(side)
    return plate.at_approach(dict.fromkeys(_nuts(plate, wheel), approach), span=machine.span)
