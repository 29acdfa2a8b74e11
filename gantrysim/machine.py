"""The two-sided belt-driven gantry as data: rails, wheels, belts, shaft, carriage, motors.

Frame: x to the right along the beam, y along the rails away from home.  The left rail is
the line x = 0, the right rail x = ``span``.  A command moves the carriage wheel centre to
(X, Y); the spot burns ``head`` beyond it.  Lengths are mm, forces N, stiffness N/mm, masses
kg; a field in another unit says so.

`Machine()` is the nominal bench machine.  Its values lie inside the believable ranges that
the engineering handbooks and maker's tables give for small gantries (2 mm pitch glass-cord
belts, polymer V-wheels, a 5 to 8 mm cross shaft); the sources of single figures stand in
`gantrysim.components`.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, Protocol

SIDES = ("left", "right")


class Fault(Protocol):
    """Anything that turns one machine into another: see `gantrysim.faults`."""

    def apply(self, machine: Machine) -> Machine:
        """Return the machine with this fault."""


def require(condition: bool, owner: str, name: str, value: object, accepted: str) -> None:
    """Raise one clear sentence unless a field holds an accepted value.

    Raises
    ------
    ValueError
        Naming the owner, the field, what was found and what is accepted.
    """
    if not condition:
        raise ValueError(f"{owner}: {name} = {value!r} is not usable; accepted is {accepted}")


def _finite(owner: object, **limits: tuple[float, float]) -> None:
    """Check numeric fields of a dataclass against closed intervals."""
    kind = type(owner).__name__
    for name, (low, high) in limits.items():
        value = getattr(owner, name)
        ok = isinstance(value, int | float) and not isinstance(value, bool)
        ok = ok and math.isfinite(value) and low <= value <= high
        require(ok, kind, name, value, f"a finite number from {low:g} to {high:g}")


@dataclass(frozen=True)
class Wheel:
    """One wheel of an end plate or of the carriage.

    Parameters
    ----------
    along : float
        Place along the rail from the middle of its plate, mm (positive: away from home on an
        end plate, to the right on the carriage).
    row : str
        ``"fixed"`` for a wheel on a plain spacer, ``"eccentric"`` for one on an eccentric nut.
    drag : float
        Rolling drag under its present load, N.
    """

    along: float
    row: str
    drag: float

    def __post_init__(self) -> None:
        _finite(self, along=(-1000.0, 1000.0), drag=(0.0, 1000.0))
        require(
            self.row in ("fixed", "eccentric"), "Wheel", "row", self.row, "'fixed' or 'eccentric'"
        )


def four_wheels(base: float, drag: float) -> tuple[Wheel, ...]:
    """Four wheels at the corners of a plate that share a drag evenly.

    Parameters
    ----------
    base : float
        Distance between the wheels along the rail, mm.
    drag : float
        Rolling drag of the plate, N, shared by the four.

    Returns
    -------
    tuple of Wheel
        Two fixed wheels, then the two on eccentric nuts.
    """
    return tuple(
        Wheel(along=along, row=row, drag=drag / 4.0)
        for row in ("fixed", "eccentric")
        for along in (-base / 2.0, base / 2.0)
    )


class _Wheeled:
    """What an end plate and a carriage have in common: they roll on wheels."""

    wheels: tuple[Wheel, ...]

    @property
    def friction(self) -> float:
        """Rolling drag, N: the sum over the wheels."""
        return sum(wheel.drag for wheel in self.wheels)

    @property
    def wheel_base(self) -> float:
        """Distance between the outermost wheels along the rail, mm."""
        return max(w.along for w in self.wheels) - min(w.along for w in self.wheels)

    def with_friction(self, friction: float) -> Any:
        """Return a copy whose wheels share another rolling drag, N, in their old proportion."""
        require(
            math.isfinite(friction) and friction >= 0.0,
            type(self).__name__,
            "friction",
            friction,
            "a finite force of 0 N or more",
        )
        old = self.friction
        share = [w.drag / old if old > 0.0 else 1.0 / len(self.wheels) for w in self.wheels]
        wheels = tuple(
            dataclasses.replace(w, drag=friction * part)
            for w, part in zip(self.wheels, share, strict=True)
        )
        return dataclasses.replace(self, wheels=wheels)  # type: ignore[type-var]


def _check_wheels(owner: object, wheels: tuple[Wheel, ...]) -> None:
    kind = type(owner).__name__
    ok = len(wheels) >= 2 and all(isinstance(w, Wheel) for w in wheels)
    require(ok, kind, "wheels", wheels, "two or more Wheel objects")
    base = max(w.along for w in wheels) - min(w.along for w in wheels)
    require(base > 0.0, kind, "wheels", wheels, "wheels at two or more places along the rail")


@dataclass(frozen=True)
class EndPlate(_Wheeled):
    """One end of the beam with the wheels that run on its rail.

    Parameters
    ----------
    wheels : tuple of Wheel
        The wheels; the plate's rolling drag is the sum over them.
    rack_stiffness : float
        Share of this plate's wheels in the stiffness against y_right - y_left, N/mm.
    rack_clearance : float
        Free play of the plate on its rail, full width as y_right - y_left, mm.
    """

    wheels: tuple[Wheel, ...] = field(default_factory=lambda: four_wheels(75.0, 3.0))
    rack_stiffness: float = 8.0
    rack_clearance: float = 0.0

    def __post_init__(self) -> None:
        _check_wheels(self, self.wheels)
        _finite(self, rack_stiffness=(0.0, 1e5), rack_clearance=(0.0, 50.0))


@dataclass(frozen=True)
class Carriage(_Wheeled):
    """The carriage that rolls along the beam and carries the burning head.

    Parameters
    ----------
    wheels : tuple of Wheel
        Its wheels; ``along`` is measured along the beam.
    rock_stiffness : float
        Stiffness against turning on the beam, N m/rad.
    gap : float
        Free play of its wheels across the beam, full width, mm.
    rub : float
        Dry rub of the wheels sideways, N.
    mass : float
        Mass with the head, kg.
    centre_of_mass : float
        Its centre of mass beyond the wheel centre line, toward +y, mm.
    """

    wheels: tuple[Wheel, ...] = field(default_factory=lambda: four_wheels(60.0, 2.2))
    rock_stiffness: float = 400.0
    gap: float = 0.0
    rub: float = 0.5
    mass: float = 0.35
    centre_of_mass: float = 18.0

    def __post_init__(self) -> None:
        _check_wheels(self, self.wheels)
        _finite(
            self,
            rock_stiffness=(1e-3, 1e12),
            gap=(0.0, 20.0),
            rub=(0.0, 1000.0),
            mass=(0.0, 1000.0),
            centre_of_mass=(-1000.0, 1000.0),
        )


@dataclass(frozen=True)
class Belt:
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
    """

    ea: float = 9500.0
    near: float = 70.0
    loop: float = 980.0
    pretension: float = 20.0
    sag: float = 0.6
    runout: float = 0.0
    runout_phase: float = 0.0
    pulley_circumference: float = 40.0

    def __post_init__(self) -> None:
        _finite(
            self,
            runout=(-10.0, 10.0),
            runout_phase=(-1e3, 1e3),
            pulley_circumference=(1.0, 1e4),
            ea=(1.0, 1e8),
            near=(1.0, 1e5),
            loop=(2.0, 1e6),
            pretension=(0.0, 1e4),
            sag=(1e-6, 100.0),
        )
        require(self.loop > self.near, "Belt", "loop", self.loop, f"more than near = {self.near}")

    def spans(self, position: float) -> tuple[float, float]:
        """Open spans on both sides of the clamp at a position along the travel, mm."""
        first = self.near + position
        return first, self.loop - first

    def stiffness(self, position: float) -> float:
        """Stiffness at the clamp with both spans taut, k = EA (1/L1 + 1/L2), N/mm.

        Parameters
        ----------
        position : float
            Place of the clamp along the travel, mm.

        Notes
        -----
        Two springs in parallel; the minimum 4 EA/(L1 + L2) lies in the middle of the loop.
        """
        first, second = self.spans(position)
        return self.ea * (1.0 / first + 1.0 / second)


@dataclass(frozen=True)
class CrossShaft:
    """The shaft and couplings that drive the right belt from the motor on the left.

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
    """

    stiffness: float = 450.0
    drag: float = 0.3
    backlash: float = 0.0
    slip: float = 0.0
    pulley_mass: float = 0.055

    def __post_init__(self) -> None:
        _finite(
            self,
            stiffness=(1e-3, 1e12),
            drag=(0.0, 1000.0),
            backlash=(0.0, 50.0),
            slip=(-100.0, 100.0),
            pulley_mass=(0.0, 1e3),
        )


@dataclass(frozen=True)
class Motor:
    """A stepping motor seen at the belt.

    Parameters
    ----------
    hold_force : float
        Pull-out force at the belt, N.
    full_step : float
        One full step at the belt, mm; the force repeats every four of them.
    rotor_mass : float
        Rotor and pulley as mass at the belt, kg.
    """

    hold_force: float = 60.0
    full_step: float = 0.2
    rotor_mass: float = 0.16

    def __post_init__(self) -> None:
        _finite(self, hold_force=(1e-3, 1e9), full_step=(1e-6, 100.0), rotor_mass=(0.0, 1e3))

    @property
    def stiffness(self) -> float:
        """Magnetic stiffness around rest, N/mm: slope of F sin(2 pi x / (4 steps)) at 0."""
        return self.hold_force * 2.0 * math.pi / (4.0 * self.full_step)


@dataclass(frozen=True)
class Contact:
    """How a rolling wheel resists, the same for every wheel of the machine.

    Parameters
    ----------
    yield_distance : float
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
        on when its command stops at a corner (dimensionless; damping takes the rest).
    """

    yield_distance: float = 0.015
    load_drag: float = 0.02
    viscous: float = 8.0
    break_away: float = 1.08
    stribeck_speed: float = 8.0
    overshoot: float = 0.7

    def __post_init__(self) -> None:
        _finite(
            self,
            yield_distance=(0.0, 1.0),
            load_drag=(0.0, 1.0),
            viscous=(0.0, 1e5),
            break_away=(1.0, 10.0),
            stribeck_speed=(1e-3, 1e4),
            overshoot=(0.0, 5.0),
        )

    @classmethod
    def ideal(cls) -> Contact:
        """Rigid-plastic contact with one constant force: Coulomb's law of the textbooks."""
        return cls(yield_distance=0.0, load_drag=0.0, viscous=0.0, break_away=1.0)


@dataclass(frozen=True)
class Beam:
    """The beam with both plates and the X motor, as one body.

    Parameters
    ----------
    mass : float
        Mass, kg.
    centre : float
        Its centre of mass from the middle of the beam, toward +x, mm.
    """

    mass: float = 0.9
    centre: float = -25.0

    def __post_init__(self) -> None:
        _finite(self, mass=(0.0, 1e4), centre=(-1e4, 1e4))


@dataclass(frozen=True)
class Head:
    """Where the spot burns, measured from the carriage wheel centre: along x and +y, mm."""

    along: float = 0.0
    beyond: float = 45.0

    def __post_init__(self) -> None:
        _finite(self, along=(-1000.0, 1000.0), beyond=(-1000.0, 1000.0))


def _belt_x() -> Belt:
    return Belt(near=45.0, loop=940.0)


def _motor_x() -> Motor:
    return Motor(rotor_mass=0.14)


@dataclass(frozen=True)
class Machine:
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
        The motors; the Y motor sits at the left pulley.
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
    >>> Machine().belt_left.stiffness(200.0)
    48.19...
    """

    span: float = 430.0
    travel_y: float = 400.0
    left: EndPlate = field(default_factory=EndPlate)
    right: EndPlate = field(default_factory=EndPlate)
    carriage: Carriage = field(default_factory=Carriage)
    belt_left: Belt = field(default_factory=Belt)
    belt_right: Belt = field(default_factory=Belt)
    belt_x: Belt = field(default_factory=_belt_x)
    belt_inset: float = 10.0
    belt_x_offset: float = 12.0
    shaft: CrossShaft = field(default_factory=CrossShaft)
    motor_y: Motor = field(default_factory=Motor)
    motor_x: Motor = field(default_factory=_motor_x)
    head: Head = field(default_factory=Head)
    square: float = 0.0
    scale_x: float = 0.0
    scale_y: float = 0.0
    contact: Contact = field(default_factory=Contact)
    beam: Beam = field(default_factory=Beam)

    def __post_init__(self) -> None:
        _finite(
            self,
            span=(1.0, 1e5),
            travel_y=(1.0, 1e5),
            belt_inset=(0.0, 1e4),
            belt_x_offset=(-1e3, 1e3),
            square=(-100.0, 100.0),
            scale_x=(-0.5, 0.5),
            scale_y=(-0.5, 0.5),
        )
        require(
            self.belt_inset < self.span / 2.0,
            "Machine",
            "belt_inset",
            self.belt_inset,
            f"less than half the span of {self.span:g} mm",
        )
        for name in ("belt_left", "belt_right"):
            belt = getattr(self, name)
            room = belt.loop - belt.near
            require(
                room > self.travel_y,
                "Machine",
                name,
                belt,
                f"a loop long enough for the travel of {self.travel_y:g} mm",
            )
        room = self.belt_x.loop - self.belt_x.near
        require(
            room > self.span,
            "Machine",
            "belt_x",
            self.belt_x,
            f"a loop long enough for the span of {self.span:g} mm",
        )

    def with_faults(self, *faults: Fault | Iterable[Fault]) -> Machine:
        """Return this machine with one or more faults; the original is unchanged.

        Parameters
        ----------
        *faults : Fault
            Faults such as ``TightWheels("left", extra_force=12.0)``, applied in order.
        """
        machine = self
        for fault in faults:
            if isinstance(fault, Iterable):
                machine = machine.with_faults(*fault)
            elif hasattr(fault, "apply"):
                machine = fault.apply(machine)
            else:
                raise ValueError(
                    f"with_faults: {fault!r} is not a fault; accepted are faults such as "
                    "TightWheels('left', extra_force=12.0)"
                )
        return machine

    def value(self, place: str) -> Any:
        """Read a field by its dotted place, for example ``"belt_left.ea"``."""
        part: Any = self
        for name in place.split("."):
            if not hasattr(part, name):
                raise ValueError(
                    f"Machine has no {place!r}: {type(part).__name__} has no field {name!r}"
                )
            part = getattr(part, name)
        return part

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
        return self.set_many({place: value})

    def set_many(self, changes: Mapping[str, Any]) -> Machine:
        """Return a copy with several fields changed at once, by their dotted places."""
        for place in changes:
            self.value(place)
        machine: Machine = _set_many(self, changes)
        return machine

    def to_dict(self) -> dict[str, Any]:
        """Return the machine as plain nested dictionaries."""
        return dataclasses.asdict(self)

    def __repr__(self) -> str:
        return (
            f"Machine(span {self.span:g} mm, drag left {self.left.friction:.2f} N, "
            f"right {self.right.friction:.2f} N, carriage {self.carriage.friction:.2f} N, "
            f"belts EA {self.belt_left.ea:g}/{self.belt_right.ea:g}/{self.belt_x.ea:g} N)"
        )

    def _repr_html_(self) -> str:
        rows = [
            ("span between rails", f"{self.span:g} mm"),
            ("drag left / right / carriage", " / ".join(f"{p.friction:.2f}" for p in self.plates)),
            ("belt EA left / right / x", " / ".join(f"{b.ea:.0f}" for b in self.belts) + " N"),
            ("pretension", " / ".join(f"{b.pretension:.1f}" for b in self.belts) + " N"),
            ("coupler backlash, slip", f"{self.shaft.backlash:.3f}, {self.shaft.slip:.3f} mm"),
            ("out of square", f"{self.square:.3f} mrad"),
            ("scale error x, y", f"{self.scale_x * 100:.3f}, {self.scale_y * 100:.3f} %"),
        ]
        body = "".join(f"<tr><td>{name}</td><td>{value}</td></tr>" for name, value in rows)
        return f"<table><caption>Machine</caption>{body}</table>"

    @property
    def plates(self) -> tuple[EndPlate, EndPlate, Carriage]:
        """Left plate, right plate, carriage."""
        return self.left, self.right, self.carriage

    @property
    def belts(self) -> tuple[Belt, Belt, Belt]:
        """Left, right and X belt."""
        return self.belt_left, self.belt_right, self.belt_x


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
    return dataclasses.replace(part, **new) if new else part
