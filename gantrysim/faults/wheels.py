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
from gantrysim.machine.plates import EndPlate, WhichWheel
from gantrysim.records.checks import check_number, listed, require, word
from gantrysim.records.doors import checked

#: Extra drag of a tight plate: 6 to 20 N (common practice, no source).
EXTRA_DRAG = Parameter("extra drag", "N", 9.0, 0.6, ratio=True)
#: Play of a loose plate: gaps of 0.05 to 0.3 mm at its wheels (common practice, no source).
_PLAY = (
    Parameter("clearance", "mm", 0.25, 0.6, ratio=True),
    Parameter("drag factor", "-", 0.5, 0.25, ratio=True, faint=2.0),
)


@checked
class _PlateWheels(Fault):
    """What both faults of the wheels of a plate share: said in one of three ways at a time.

    By the effect that is read off the plate, by where the nuts stand (degrees), by how far they
    have moved their wheels from first contact (mm): `_ways`, in this order, each with its limits.
    """

    side: str
    nut_deg: float | None
    wheel: WhichWheel | None

    _ways: ClassVar[Mapping[str, tuple[float, float]]]
    _toward: ClassVar[float]  # 1 where the nuts are turned toward the rail, -1 away from it
    _read: ClassVar[str]  # what the effect adds to
    _more: ClassVar[str]  # how the plate has more of it
    _does: ClassVar[str]  # what nuts do that make it

    block = "y"
    drive = said("{self.side}")

    def __post_init__(self) -> None:
        super().__post_init__()
        way, value = self._way
        check_number(type(self).__name__, way, value, *self._ways[way])

    @property
    def _way(self) -> tuple[str, float]:
        """How it is said: the name of the field and its value."""
        told = {way: getattr(self, way) for way in self._ways}
        told = {way: value for way, value in told.items() if value is not None}
        kind, found = type(self).__name__, " and ".join(map(repr, told)) or "none"
        if len(told) != 1:
            raise ValueError(f"{kind}: one of {listed(list(self._ways))} is needed, found {found}")
        return next(iter(told.items()))

    def apply(self, machine: Machine) -> Machine:
        """Return the machine with this fault.

        Raises
        ------
        ValueError
            If the nuts already stand tighter, or looser, or cannot go that far.
        """
        moved = _set_nuts(machine, self.side, self.wheel, self._toward * self._travel(machine))
        had: float = getattr(machine.value(self.side), self._read)
        ok = getattr(moved, self._read) >= had * (1.0 - 1e-9)
        what = "drag" if self._read == "friction" else "play"
        accepted = f"{self._more} than the plate is now, with {had:.3g} {self.unit} of {what}"
        require(ok, type(self).__name__, *self._way, accepted)
        return machine.set(self.side, moved)

    def _travel(self, machine: Machine) -> float:
        """Way of the nuts from first contact, mm."""
        offset = _offset(machine, self.side, self.wheel)
        name, value = self._way
        effect, _, travel = self._ways
        if name == "nut_deg":
            return self._toward * nut_approach(offset, value)
        if name == travel:
            accepted = f"at most the nut's offset of {offset:g} mm"
            require(value <= offset, type(self).__name__, name, value, accepted)
            return value
        wanted = getattr(machine.value(self.side), self._read) + value

        def short(way: float) -> float:
            plate = _set_nuts(machine, self.side, self.wheel, self._toward * way)
            return float(getattr(plate, self._read) - wanted)

        most = short(offset)
        accepted = f"at most {most + value:.3g} {self.unit}, which these nuts can {self._does}"
        require(most >= 0.0, type(self).__name__, effect, value, accepted)
        return 0.0 if short(0.0) >= 0.0 else _root(short, 0.0, offset)

    def _effect(self, machine: Machine) -> float:
        """What it adds to what is read off a machine."""
        after = self.apply(machine).value(self.side)
        return max(getattr(after, self._read) - getattr(machine.value(self.side), self._read), 0.0)

    def _degrees(self, machine: Machine) -> float:
        """Where its nuts stand on a machine."""
        offset = _offset(machine, self.side, self.wheel)
        angle = nut_angle(offset, self._toward * self._travel(machine))
        return self._toward * max(self._toward * angle, 0.0)

    def adjusting_point(self, machine: Machine, handbook: Handbook) -> AdjustingPoint:
        """The eccentric nuts of its plate."""
        return nuts_of(machine, self.side, self.check, loose=self.effect == RATTLE)

    def __repr__(self) -> str:
        """Only what is said."""
        told = [(f.name, getattr(self, f.name)) for f in dataclasses.fields(self)]  # type: ignore[arg-type]
        text = ", ".join(f"{name}={value!r}" for name, value in told if value is not None)
        return f"{type(self).__name__}({text})"


@checked
@dataclass(frozen=True, repr=False)
class TightWheels(_PlateWheels):
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
    wheel: WhichWheel | None = field(default=None, kw_only=True)

    _ways: ClassVar[Mapping[str, tuple[float, float]]] = {
        "extra_force": (0.0, 1000.0),
        "nut_deg": (0.0, 90.0),
        "interference": (0.0, 100.0),
    }

    _toward, _read, _more, _does = 1.0, "friction", "tighter", "pinch"

    def apply(self, machine: Machine) -> Machine:
        """As all faults of wheels; a drag of the whole plate needs no nuts that can pinch it."""
        if self.extra_force is not None and self.wheel is None:
            drag = machine.value(self.side).friction + self.extra_force
            return machine.set(f"{self.side}.friction", drag)
        return super().apply(machine)

    def in_force(self, machine: Machine) -> TightWheels:
        """Return the same fault of a machine said as extra drag, N."""
        return TightWheels(self.side, extra_force=self._effect(machine), wheel=self.wheel)

    def in_degrees(self, machine: Machine) -> TightWheels:
        """Return the same fault of a machine said as where the nuts stand, degrees."""
        return TightWheels(self.side, nut_deg=self._degrees(machine), wheel=self.wheel)

    def in_interference(self, machine: Machine) -> TightWheels:
        """Return the same fault of a machine said as interference, mm."""
        return TightWheels(self.side, interference=self._travel(machine), wheel=self.wheel)

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
class LooseWheels(_PlateWheels):
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
    wheel: WhichWheel | None = field(default=None, kw_only=True)

    _ways: ClassVar[Mapping[str, tuple[float, float]]] = {
        "clearance": (0.0, 50.0),
        "nut_deg": (-90.0, 0.0),
        "gap": (0.0, 50.0),
    }

    _toward, _read, _more, _does = -1.0, "rack_clearance", "looser", "leave"

    def __post_init__(self) -> None:
        super().__post_init__()
        if self.drag_factor is not None:
            check_number("LooseWheels", "drag_factor", self.drag_factor, 0.0, 1.0)
            ok = self.clearance is not None and self.wheel is None
            accepted = "no drag factor with a nut angle, a gap or a single wheel: it follows"
            require(ok, "LooseWheels", "drag_factor", self.drag_factor, accepted)

    def apply(self, machine: Machine) -> Machine:
        """As all faults of wheels; drag and play that were told are taken as told."""
        if self.drag_factor is None or self.clearance is None:
            return super().apply(machine)
        plate: EndPlate = machine.value(self.side)
        told = plate.with_friction(plate.friction * self.drag_factor)
        clearance = plate.rack_clearance + self.clearance
        return machine.set(self.side, dataclasses.replace(told, rack_clearance=clearance))

    def in_clearance(self, machine: Machine) -> LooseWheels:
        """Return the same fault of a machine said as play of y_right - y_left, mm."""
        return LooseWheels(self.side, clearance=self._effect(machine), wheel=self.wheel)

    def in_degrees(self, machine: Machine) -> LooseWheels:
        """Return the same fault of a machine said as where the nuts stand, degrees."""
        return LooseWheels(self.side, nut_deg=self._degrees(machine), wheel=self.wheel)

    def in_gap(self, machine: Machine) -> LooseWheels:
        """Return the same fault of a machine said as gap at the wheels, mm."""
        return LooseWheels(self.side, gap=self._travel(machine), wheel=self.wheel)

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

    kept = 0.03  # play that a careful assembly leaves (judgement)
    fresh_scatter = property(lambda self: (f"drag {self.side}", "racking stiffness"))


def _root(function: Callable[[float], float], low: float, high: float) -> float:
    return float(brentq(function, low, high, xtol=1e-14, rtol=1e-14))


def _nuts(plate: EndPlate, wheel: WhichWheel | None) -> tuple[int, ...]:
    """Numbers of the wheels whose nuts are meant: one by its place, or all."""
    nuts = plate.nuts if wheel is None else (plate.nut(wheel),)
    require(bool(nuts), "EndPlate", "wheels", plate.wheels, "wheels on eccentric nuts")
    return nuts


def _offset(machine: Machine, side: str, wheel: WhichWheel | None) -> float:
    """Eccentric offset of the nuts that are meant, mm: the least where they differ."""
    plate: EndPlate = machine.value(side)
    return min(plate.wheels[i].nut_offset for i in _nuts(plate, wheel))


def _set_nuts(machine: Machine, side: str, wheel: WhichWheel | None, approach: float) -> EndPlate:
    """Return a plate with one nut or all nuts at an approach, mm."""
    plate: EndPlate = machine.value(side)
    return plate.at_approach(dict.fromkeys(_nuts(plate, wheel), approach), span=machine.span)
