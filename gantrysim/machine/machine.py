"""The two-sided belt-driven gantry as data: rails, wheels, belts, shaft, carriage, motors.

Frame: x to the right along the beam, y along the rails away from home.  The left rail is
the line x = 0, the right rail x = ``span``.  A command moves the carriage wheel centre to
(X, Y); the spot burns ``head`` beyond it.  Lengths are mm, forces N, stiffness N/mm, masses
kg; a field in another unit says so.

`Machine()` is the nominal bench machine.  Its values lie inside the believable ranges that
the engineering handbooks and maker's tables give for small gantries (2 mm pitch glass-cord
belts, polymer V-wheels, a 5 to 8 mm cross shaft); the sources of single figures stand in
`gantrysim.machine.components`.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Annotated, Any, ClassVar, Protocol

from gantrysim.machine.components import loop_stiffness
from gantrysim.machine.plates import (
    Carriage,
    EndPlate,
    Wheel,
    Wheeled,
    WhichWheel,
    four_wheels,
    turn_nut,
)
from gantrysim.records.checks import Limited, field_names, number, renewed, require, word
from gantrysim.records.doors import behind, checked
from gantrysim.records.table import Table

if TYPE_CHECKING:
    from gantrysim.faults.catalogue import Catalogue

__all__ = [
    "Beam",
    "Belt",
    "Carriage",
    "Contact",
    "CrossShaft",
    "EndPlate",
    "Head",
    "Machine",
    "Motor",
    "Wheel",
    "four_wheels",
]

SIDES = ("left", "right")
MOTOR_PLACES = ("left", "middle", "both")


class Change(Protocol):
    """Anything that turns one machine into another: see `gantrysim.faults`."""

    def apply(self, machine: Machine) -> Machine:
        """Return the machine with this fault."""


@checked
@dataclass(frozen=True)
class Belt(Limited):
    """A toothed belt that runs from its motor pulley to the clamp and back over an idler.

    Parameters
    ----------
    ea : float
        Tensile stiffness of the cord, EA, N.
    near : float
        Open span from the motor pulley to the clamp at position 0, mm (it grows with travel).
    loop : float
        Both open spans together, mm.
    pretension : float
        Tension of each span at rest, N.
    sag : float
        Tension over which a span softens as it empties, N.
    runout : float
        Once-per-turn payout error of its motor-side pulley, amplitude, mm.
    runout_phase : float
        Phase of that error at position 0, rad.
    pulley_circumference : float
        Pitch circumference of the pulley (teeth times pitch), mm.
    damping : float
        Damping of the belt between its pulley and the clamp, N s/m.
    pitch_error : float
        How much longer its pitch is than its label says, relative; belts of unlike pitch let
        the two sides drift apart with the travel, which racks the beam.
    pitch : float
        Tooth pitch, mm.
    tooth_backlash : float
        Play of the teeth in the pulley grooves, full width at the belt, mm.
    tooth_error : float
        Payout error once per tooth, amplitude, mm.
    tooth_phase : float
        Phase of that error at position 0, rad.
    """

    ea: float = number(9500.0, 1.0, 1e8)
    near: float = number(70.0, 1.0, 1e5)
    loop: float = number(980.0, 2.0, 1e6)
    pretension: float = number(20.0, 0.0, 1e4)
    sag: float = number(0.6, 1e-6, 100.0)
    runout: float = number(0.0, -10.0, 10.0)
    runout_phase: float = number(0.0, -1e3, 1e3)
    pulley_circumference: float = number(40.0, 1.0, 1e4)
    damping: float = number(20.0, 0.0, 1e6)
    pitch_error: float = number(0.0, -0.1, 0.1)
    pitch: float = number(2.0, 0.1, 100.0)
    tooth_backlash: float = number(0.0, 0.0, 10.0)
    tooth_error: float = number(0.0, 0.0, 10.0)
    tooth_phase: float = number(0.0, -1e3, 1e3)

    def __post_init__(self) -> None:
        super().__post_init__()
        if not self.loop > self.near:
            require(False, "Belt", "loop", self.loop, f"more than near = {self.near}")

    def spans(self, position: float) -> tuple[float, float]:
        """Open spans on both sides of the clamp at a position along the travel, mm."""
        return _spans(self, position)

    def stiffness(self, position: float) -> float:
        """Stiffness at the clamp with both spans taut, k = EA (1/L1 + 1/L2), N/mm.

        Parameters
        ----------
        position : float
            Place of the clamp along the travel, mm.

        Raises
        ------
        ValueError
            If a span has no length left there.
        """
        return _loop_stiffness(self.ea, *_spans(self, position))

    def lag(self, position: float, drag: float) -> float:
        """How far the clamp lags behind the pulley against a drag, mean of both ways, mm.

        Parameters
        ----------
        position : float
            Place of the clamp along the travel, mm.
        drag : float
            What holds the clamp back, N: beyond what empties one span the other alone pulls.

        Raises
        ------
        ValueError
            If a span has no length left there.
        """
        stiffness = self.stiffness(position)
        first, second = (self.ea / span for span in _spans(self, position))
        behind = [
            (drag - self.pretension) / pulls
            if drag * empties > self.pretension * stiffness
            else drag / stiffness
            for pulls, empties in ((first, second), (second, first))
        ]
        return sum(behind) / 2.0


#: Behind its door: a diagnosis asks for stiffness by the ten thousand.
_loop_stiffness = behind(loop_stiffness)


def _spans(belt: Belt, position: float) -> tuple[float, float]:
    first = belt.near + position
    return first, belt.loop - first


@checked
@dataclass(frozen=True)
class CrossShaft(Limited):
    """The shaft and couplings that carry the drive of the Y motor from side to side.

    Parameters
    ----------
    stiffness : float
        Torsion of shaft and couplings as stiffness at the belt, N/mm.
    drag : float
        Dry drag of its far bearing at the belt, N.
    backlash : float
        Play in the couplings, full width at the belt, mm.
    slip : float
        How far the right side is set ahead (+y) of the left, at the belt, mm.
    pulley_mass : float
        Far pulley with half the shaft, as mass at the belt, kg.
    damping : float
        Damping of shaft and couplings at the belt, N s/m.
    hold_force : float
        Force at the belt up to which its set screws hold, N; beyond it the right pulley slips
        on the shaft and stays where it came to.
    motor_place : str
        Where the Y motor turns it: ``"left"`` at the left pulley, ``"middle"``, or ``"both"``
        for one motor on each side and no shaft between.
    """

    stiffness: float = number(450.0, 1e-3, 1e12)
    drag: float = number(0.3, 0.0, 1000.0)
    backlash: float = number(0.0, 0.0, 50.0)
    slip: float = number(0.0, -100.0, 100.0)
    pulley_mass: float = number(0.055, 0.0, 1e3)
    damping: float = number(15.0, 0.0, 1e6)
    hold_force: float = number(280.0, 1e-6, 1e9)
    motor_place: str = word(*MOTOR_PLACES, default="left")

    @property
    def reaches(self) -> tuple[float, float]:
        """Part of its length between the Y motor and the left and the right pulley; 0 for none."""
        return {"left": (0.0, 1.0), "middle": (0.5, 0.5), "both": (0.0, 0.0)}[self.motor_place]


@checked
@dataclass(frozen=True)
class Motor(Limited):
    """A stepping motor seen at the belt.

    Parameters
    ----------
    hold_force : float
        Pull-out force at the belt, N.
    full_step : float
        One full step at the belt, mm; the force repeats every four of them.
    rotor_mass : float
        Rotor and pulley as mass at the belt, kg.
    damping : float
        Damping of the rotor against its turning field, N s/m at the belt.
    detent : float
        Ripple of its force once per full step, amplitude at the belt, N.
    step_error : float
        Error of where it stands once per four full steps, amplitude at the belt, mm.
    step_phase : float
        Phase of that error at position 0, rad.
    """

    hold_force: float = number(60.0, 1e-3, 1e9)
    full_step: float = number(0.2, 1e-6, 100.0)
    rotor_mass: float = number(0.16, 0.0, 1e3)
    damping: float = number(60.0, 0.0, 1e6)
    detent: float = number(1.2, 0.0, 1e9)
    step_error: float = number(0.0, 0.0, 10.0)
    step_phase: float = number(0.0, -1e3, 1e3)

    @property
    def stiffness(self) -> float:
        """Magnetic stiffness around rest, N/mm: slope of F sin(2 pi x / (4 steps)) at 0."""
        return self.hold_force * 2.0 * math.pi / (4.0 * self.full_step)


@checked
@dataclass(frozen=True)
class Contact(Limited):
    """How a rolling wheel resists, the same for every wheel of the machine.

    Parameters
    ----------
    presliding_distance : float
        Travel over which the contact gives elastically before it rolls, mm; 0 for a
        rigid-plastic contact.
    load_drag : float
        Extra drag per N of racking wheel load (dimensionless).
    viscous : float
        Drag in proportion to speed, of each plate and of the carriage, N s/m.
    break_away : float
        Break-away force over rolling drag (dimensionless).
    stribeck_speed : float
        Speed over which the extra break-away force dies, mm/s.
    overshoot : float
        Part of its undamped swing, jump of speed / natural frequency, by which an axis runs
        on when its command stops at a corner (dimensionless): damping takes some of the rest, and
        how it swings already from braking adds to it or takes from it.
    weight_drag : float
        Extra drag of a plate per N of carriage weight that it carries (dimensionless); the
        weight moves from plate to plate with the carriage.
    """

    presliding_distance: float = number(0.015, 0.0, 1.0)
    load_drag: float = number(0.02, 0.0, 1.0)
    viscous: float = number(8.0, 0.0, 1e5)
    break_away: float = number(1.08, 1.0, 10.0)
    stribeck_speed: float = number(8.0, 1e-3, 1e4)
    overshoot: float = number(0.5, 0.0, 5.0)
    weight_drag: float = number(0.0, 0.0, 1.0)

    @classmethod
    def ideal(cls) -> Contact:
        """Rigid-plastic contact with one constant force: Coulomb's law of the textbooks."""
        return cls(presliding_distance=0.0, load_drag=0.0, viscous=0.0, break_away=1.0)


@checked
@dataclass(frozen=True)
class Beam(Limited):
    """The beam with both plates and the X motor, as one body.

    Parameters
    ----------
    mass : float
        Mass, kg.
    centre : float
        Its centre of mass from the middle of the beam, toward +x, mm.
    inertia : float
        Yaw inertia about its centre of mass, kg m^2.
    """

    mass: float = number(0.9, 0.0, 1e4)
    centre: float = number(-25.0, -1e4, 1e4)
    inertia: float = number(0.02, 0.0, 1e4)


@checked
@dataclass(frozen=True)
class Head(Limited):
    """Where the spot burns, measured from the carriage wheel centre.

    Parameters
    ----------
    along : float
        Along the beam, +x, mm.
    beyond : float
        Along the rails, +y, mm.
    """

    along: float = number(0.0, -1000.0, 1000.0)
    beyond: float = number(45.0, -1000.0, 1000.0)


def _belt_x() -> Belt:
    return Belt(near=45.0, loop=940.0)


def _motor_x() -> Motor:
    return Motor(rotor_mass=0.14)


@checked
@dataclass(frozen=True)
class Machine(Limited):
    """A two-sided belt-driven gantry; `Machine()` is the nominal bench machine.

    Parameters
    ----------
    span : float
        Distance between the rails, mm.
    travel_y : float
        Usable travel along the rails, mm.
    left, right : EndPlate
        The plates at the two ends of the beam.
    carriage : Carriage
        The carriage on the beam.
    belt_left, belt_right, belt_x : Belt
        The two Y belts and the X belt.
    belt_inset : float
        The Y belts are clamped this far inboard of the rail lines, mm.
    belt_x_offset : float
        The X belt runs this far (+y) from the carriage wheel centre line, mm.
    shaft : CrossShaft
        Cross shaft with its couplings.
    motor_y, motor_x : Motor
        The motors; ``shaft.motor_place`` says where the Y motor sits.
    head : Head
        Offset of the spot.
    square : float
        Built-in yaw of the beam at rest, mrad; positive with the right side ahead.
    scale_x, scale_y : float
        Error of the steps per mm: real move = commanded * (1 + this).
    contact : Contact
        How the wheels resist.
    beam : Beam
        Mass of the beam.

    Examples
    --------
    >>> import gantrysim as gs
    >>> machine = gs.Machine(span=500.0)
    >>> machine.belt_left.stiffness(200.0)  # N/mm, with the clamp 200 mm up the rail
    48.56...
    >>> machine.set("belt_left.pretension", 12.0).belt_left.pretension
    12.0
    >>> machine.with_faults(gs.faults.CouplerBacklash(0.4)).shaft.backlash
    0.4
    """

    span: float = number(430.0, 1.0, 1e5)
    travel_y: float = number(400.0, 1.0, 1e5)
    left: EndPlate = field(default_factory=EndPlate)
    right: EndPlate = field(default_factory=EndPlate)
    carriage: Carriage = field(default_factory=Carriage)
    belt_left: Belt = field(default_factory=Belt)
    belt_right: Belt = field(default_factory=Belt)
    belt_x: Belt = field(default_factory=_belt_x)
    belt_inset: float = number(10.0, 0.0, 1e4)
    belt_x_offset: float = number(12.0, -1e3, 1e3)
    shaft: CrossShaft = field(default_factory=CrossShaft)
    motor_y: Motor = field(default_factory=Motor)
    motor_x: Motor = field(default_factory=_motor_x)
    head: Head = field(default_factory=Head)
    square: float = number(0.0, -100.0, 100.0)
    scale_x: float = number(0.0, -0.5, 0.5)
    scale_y: float = number(0.0, -0.5, 0.5)
    contact: Contact = field(default_factory=Contact)
    beam: Beam = field(default_factory=Beam)

    #: Parts of the above that an architecture does not have: their fields must hold what does
    #: nothing, no fault in the catalogue acts on them, and no instrument asks for them.
    absent: ClassVar[frozenset[str]] = frozenset()

    def __init_subclass__(cls) -> None:
        super().__init_subclass__()
        if "__repr__" not in vars(cls):  # else dataclass makes one of all fields, absent or not
            cls.__repr__ = cls.__repr__  # type: ignore[method-assign]

    def __post_init__(self) -> None:
        super().__post_init__()
        for name in self.absent:
            there = name in self.__dataclass_fields__
            require(there, type(self).__name__, "absent", name, "fields of the machine")
        if not self.belt_inset < self.span / 2.0:
            accepted = f"less than half the span of {self.span:g} mm"
            require(False, "Machine", "belt_inset", self.belt_inset, accepted)
        self._check_loop("belt_left", "travel", self.travel_y)
        self._check_loop("belt_right", "travel", self.travel_y)
        self._check_loop("belt_x", "span", self.span)

    def _check_loop(self, name: str, way: str, length: float) -> None:
        belt: Belt = getattr(self, name)
        if not belt.loop - belt.near > length:
            accepted = f"a loop long enough for the {way} of {length:g} mm"
            require(False, "Machine", name, belt, accepted)

    def with_faults(self, *faults: Change | Iterable[Change]) -> Machine:
        """Return this machine with one or more faults; the original is unchanged.

        Parameters
        ----------
        *faults : Fault or other change of a machine
            Faults such as ``TightWheels("left", extra_force=12.0)``, applied in order.
        """
        machine = self
        for fault in faults:
            if isinstance(fault, Iterable):
                machine = machine.with_faults(*fault)
            else:
                machine = fault.apply(machine)
        return machine

    def catalogue(self) -> Catalogue:
        """Return what may be wrong with such a machine, and how a healthy one scatters.

        Nothing in it acts on a part that is ``absent``.  A subclass brings its own, for example
        ``super().catalogue().extended(MyFault(1.0))``.
        """
        from gantrysim.faults.catalogue import two_sided  # faults are built upon machines

        return two_sided().without(*self.absent)

    def value(self, place: str) -> Any:
        """Read a field by its dotted place, for example ``"belt_left.ea"``."""
        return _value(self, place)

    def replace(self, **changes: Any) -> Machine:
        """Return a copy with other top-level fields."""
        return dataclasses.replace(self, **changes)

    def set(self, place: str, value: Any) -> Machine:
        """Return a copy with one field changed, by its dotted place.

        Parameters
        ----------
        place : str
            For example ``"belt_left.ea"`` or ``"left.friction"`` (the drag of a plate is
            shared out to its wheels).
        value : object
            The new value in the unit of the field.
        """
        return _changed(self, {place: value})

    def set_many(self, changes: Mapping[str, Any]) -> Machine:
        """Return a copy with several fields changed at once, by their dotted places.

        Raises
        ------
        ValueError
            If there is no such place, or what stands there only follows from other fields, as
            the stiffness of a motor from its pull-out force and step.
        """
        return _changed(self, changes)

    def turn_nut(self, side: Annotated[str, SIDES], wheel: WhichWheel, degrees: float) -> Machine:
        """Return a copy with one eccentric nut of an end plate turned.

        Parameters
        ----------
        side : str
            ``"left"`` or ``"right"``.
        wheel : str or int
            Which wheel: ``"front"`` (away from home), ``"back"``, ``"middle"`` or its number.
        degrees : float
            How far from where the nut stands, degrees; positive tightens.
        """
        return self.set(side, turn_nut(self.value(side), wheel, degrees, span=self.span))

    def to_dict(self) -> dict[str, Any]:
        """Return the machine as plain nested dictionaries, without what is absent."""
        parts = dataclasses.asdict(self)
        return {name: part for name, part in parts.items() if name not in self.absent}

    def __repr__(self) -> str:
        drags = ", ".join(f"{name} {p.friction:.2f} N" for name, p in self._rolling.items())
        return (
            f"{type(self).__name__}(span {self.span:g} mm, drag {drags}, "
            f"belts EA {'/'.join(f'{b.ea:g}' for b in self._driving.values())} N)"
        )

    def _repr_html_(self) -> str:
        plates, belts = self._rolling, self._driving
        drags = " / ".join(f"{p.friction:.2f}" for p in plates.values())
        stiffness = " / ".join(f"{b.ea:.0f}" for b in belts.values())
        rows = [
            ("span between rails", f"{self.span:g} mm"),
            (f"drag {' / '.join(plates)}", f"{drags} N"),
            (f"belt EA {' / '.join(belts)}", f"{stiffness} N"),
            ("pretension", " / ".join(f"{b.pretension:.1f}" for b in belts.values()) + " N"),
            ("coupler backlash, slip", f"{self.shaft.backlash:.3f}, {self.shaft.slip:.3f} mm"),
            ("out of square", f"{self.square:.3f} mrad"),
            ("scale error x, y", f"{self.scale_x * 100:.3f}, {self.scale_y * 100:.3f} %"),
        ]
        if "shaft" in self.absent:
            rows = [row for row in rows if not row[0].startswith("coupler")]
        return Table((), rows, type(self).__name__).html()

    @property
    def middle(self) -> tuple[float, float]:
        """Place of the carriage in mid travel, mm: there belts are plucked and plates pushed."""
        return self.span / 2.0, self.travel_y / 2.0

    @property
    def plates(self) -> tuple[EndPlate, EndPlate, Carriage]:
        """Left plate, right plate, carriage."""
        return self.left, self.right, self.carriage

    @property
    def belts(self) -> tuple[Belt, Belt, Belt]:
        """Left, right and X belt."""
        return self.belt_left, self.belt_right, self.belt_x

    @property
    def _rolling(self) -> dict[str, Wheeled]:
        """The plates and the carriage that are there, by name."""
        named = zip(("left", "right", "carriage"), self.plates, strict=True)
        return {name: part for name, part in named if name not in self.absent}

    @property
    def _driving(self) -> dict[str, Belt]:
        """The belts that are there, by name."""
        named = zip(("left", "right", "x"), self.belts, strict=True)
        return {name: belt for name, belt in named if f"belt_{name}" not in self.absent}


def _value(part: Any, place: str) -> Any:
    """Follow a dotted place from a part to what stands there."""
    for name in place.split("."):
        if not hasattr(part, name):
            raise ValueError(
                f"place must be a field of the machine, found {place!r}: "
                f"{type(part).__name__} has no field {name!r}."
            )
        part = getattr(part, name)
    return part


def _changed(machine: Machine, changes: Mapping[str, Any]) -> Machine:
    for place in changes:
        _value(machine, place)
    new: Machine = _set_many(machine, changes)
    return new


def _set_many(part: Any, changes: Mapping[str, Any]) -> Any:
    """Rebuild the frozen parts on the way to the changed fields, each once."""
    inner: dict[str, dict[str, Any]] = {}
    new: dict[str, Any] = {}
    for place, value in changes.items():
        name, _, rest = place.partition(".")
        if rest:
            inner.setdefault(name, {})[rest] = value
        else:
            new[name] = value
    for name, deeper in inner.items():
        new[name] = _set_many(getattr(part, name), deeper)
    if "friction" in new:
        part = part.with_friction(new.pop("friction"))
    kind: Any = type(part)
    for name in new.keys() - field_names(kind):
        raise ValueError(
            f"Machine has no {kind.__name__}.{name} to set: it follows from the fields "
            f"{', '.join(field_names(kind))}."
        )
    if all(name in inner or value.__class__ is float for name, value in new.items()):
        return renewed(part, **new) if new else part
    return dataclasses.replace(part, **new)
