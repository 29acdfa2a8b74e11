"""A machine taken apart for the kernel: two blocks that share no spring, as plain arrays.

====================  =======================================================
Y block               ``y_left``, ``y_right`` (plates, mm), ``shaft`` (right
                      pulley, mm at the belt), ``rotor_y`` (left pulley, mm)
X block               ``s`` (carriage along the beam, mm), ``carriage_yaw``
                      (carriage turned on the beam, rad), ``rotor_x`` (mm),
                      ``lateral`` (the gantry displaced sideways on its rails, mm),
                      ``across`` (the carriage displaced across the beam, mm)
====================  =======================================================

With a motor on each side ``shaft`` is the right rotor and there is no shaft; with the motor in
the middle the left pulley is a fifth coordinate of the Y block, ``pulley_left``.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from gantrysim.machine import Belt, Carriage, Contact, EndPlate, Machine, Motor
from gantrysim.mechanics.springs import BELT, SPRING
from gantrysim.records.arrays import Array
from gantrysim.records.doors import behind

Y_NAMES = ("y_left", "y_right", "shaft", "rotor_y")
X_NAMES = ("s", "carriage_yaw", "rotor_x", "lateral", "across")
NAMES = Y_NAMES + X_NAMES

#: Coordinates that do not follow the command.
_STAYING = ("carriage_yaw", "lateral", "across")

Errors = tuple[tuple[float, float, float], tuple[float, float, float]]

# The one place where masses and damping change units: kg mm/s^2 and N s/m into N and N s/mm.
_N_PER_KG_MM_S2 = 1e-3
_N_S_PER_M = 1e-3
_N_MM_S2_PER_KG_M2 = 1e3

_TRUE: Errors = ((0.0, 0.0, 0.0), (0.0, 0.0, 0.0))
_GRAVITY = 9.81  # N/kg
_REGULARISATION = 1e-9  # N/mm: places a part that lies free inside its play, and nothing else
_YAW_PRESLIDING = 2e-5  # rad: below 1 um at the wheels
_YAW_REGULARISATION = 1.0  # N mm/rad: 0.005 N mm over a play of 5 mrad
#: Where the flanks that rub against rocking touch, as part of half the wheel base (judgement; what
#: an independent simulator's carriages do would follow from 0.7 to 0.9).
_RUB_ARM = 0.85


@dataclass(frozen=True, eq=False)
class Block:
    """One block of the mechanism as plain arrays for the kernel.

    Parameters
    ----------
    names : tuple of str
        Names of the n coordinates.
    levers : ndarray, shape (m, n)
        Elongation of each spring per unit of each coordinate.
    kinds : ndarray of int, shape (m,)
        Law of each spring, see `spring_law`.
    laws : ndarray, shape (m, 6)
        Its parameters.
    rest, follow : ndarray, shape (m,)
        Rest elongation = rest + follow * command, mm.
    friction, presliding : ndarray, shape (n,)
        Friction (N) and presliding distance (mm) of each coordinate; friction 0 means none.
    regularisation : ndarray, shape (n,)
        A very small resistance to each step, N/mm: it keeps the answer unique where a part
        lies free inside its play (the least motion is taken).
    racking : ndarray, shape (n, 2)
        Rows (spring, factor): each coordinate's friction grows by factor times the force of
        that spring.
    viscous : ndarray, shape (n,)
        Drag in proportion to speed, N s/mm.
    inertia : ndarray, shape (3, n, n)
        Mass matrix = the three of them times 1, o and o^2, o the command of the other axis (mm):
        N s^2/mm (N s^2 and N mm s^2 where a coordinate turns).
    driven : ndarray, shape (n,)
        Mass of each coordinate that the other block accelerates, on which it rides, N s^2/mm.
    carries : ndarray, shape (n, 2)
        How what rides on a block follows each coordinate: the part of it, and what is added to that
        part per mm of the other axis' command.
    damping : ndarray, shape (m,)
        Dashpot beside each spring, N s/mm (N mm s for a turning spring).
    hold, cycle : ndarray, shape (m,)
        What a motor or a set screw can hold, N, and the cycle after which a motor's field pulls
        alike, mm; 0 for what holds anything, and for every spring that is no motor.
    break_away : ndarray, shape (n,)
        Break-away force over rolling drag of each contact.
    stribeck_speed : float
        Speed over which the extra break-away force dies, mm/s.
    swing : float
        Natural angular frequency times the overshoot that damping leaves, 1/s.
    runout : ndarray, shape (m, 2, 3)
        Periodic errors of each spring's rest, such as once per turn and once per tooth:
        amplitude (mm), phase (rad), periods per mm of command.
    weigh : ndarray, shape (n, 2)
        What carried weight adds to each friction: N, and N per mm of the other axis' command.
    detent : ndarray, shape (n, 2)
        Force ripple that holds a rotor in its full steps: amplitude (N), steps per mm.
    """

    names: tuple[str, ...]
    levers: np.ndarray
    kinds: np.ndarray
    laws: np.ndarray
    rest: np.ndarray
    follow: np.ndarray
    friction: np.ndarray
    presliding: np.ndarray
    regularisation: np.ndarray
    racking: np.ndarray
    viscous: np.ndarray
    inertia: np.ndarray
    driven: np.ndarray
    carries: np.ndarray
    damping: np.ndarray
    hold: np.ndarray
    cycle: np.ndarray
    break_away: np.ndarray
    stribeck_speed: float
    swing: float
    runout: np.ndarray
    weigh: np.ndarray
    detent: np.ndarray

    @property
    def ride(self) -> np.ndarray:
        """1 for the coordinates that follow the command, 0 for those that do not; shape (n,)."""
        return np.array([float(name not in _STAYING) for name in self.names])

    def __eq__(self, other: object) -> bool:
        """Whether another block of such a machine holds the same numbers."""
        return isinstance(other, Block) and self._bits == other._bits

    def __hash__(self) -> int:
        return hash(self._bits)

    @functools.cached_property
    def _bits(self) -> bytes:
        return b"".join([np.asarray(value).tobytes() for value in vars(self).values()])

    @property
    def screws(self) -> np.ndarray:
        """1 for the springs that set screws hold, so that they can slip; shape (m,)."""
        return np.asarray((self.hold > 0.0) & (self.cycle == 0.0), dtype=float)

    def mass_matrix(self, other: float) -> np.ndarray:
        """Mass matrix with the other axis at a command, mm; shape (n, n), N s^2/mm."""
        return np.asarray(self.inertia[0] + other * (self.inertia[1] + other * self.inertia[2]))


def _spring(stiffness: float, half: float = 0.0, hold: float = 0.0) -> list[float]:
    return [stiffness, half, hold / stiffness if hold else 0.0, 0.0, 0.0, 0.0]


def _belt(belt: Belt) -> list[float]:
    return [belt.ea, belt.near, belt.loop, belt.pretension, belt.sag, belt.tooth_backlash / 2.0]


def _payout(belt: Belt) -> Errors:
    once_a_turn = belt.runout, belt.runout_phase, 1.0 / belt.pulley_circumference
    return once_a_turn, (belt.tooth_error, belt.tooth_phase, 1.0 / belt.pitch)


def _cycle(motor: Motor) -> Errors:
    once_a_cycle = motor.step_error, motor.step_phase, 1.0 / (4.0 * motor.full_step)
    return once_a_cycle, (0.0, 0.0, 0.0)


def _detent(motor: Motor) -> tuple[float, float]:
    return motor.detent, 1.0 / motor.full_step


def _natural(belts: tuple[Belt, ...], place: float, motor: float, mass: float) -> float:
    """Natural angular frequency of an axis on its belts and motor in series, 1/s."""
    k = sum(behind(belt.stiffness)(place) for belt in belts)
    k = k * motor / (k + motor)
    return math.sqrt(k / max(mass * _N_PER_KG_MM_S2, 1e-12))


class _Part(NamedTuple):
    """One elastic part: what it joins, its law and the rest of its numbers."""

    levers: dict[str, float]
    law: list[float]
    damping: float  # N s/m
    rest: float = 0.0
    follow: float = 0.0
    hold: float = 0.0
    cycle: float = 0.0
    errors: Errors = _TRUE
    kind: int = SPRING


class _Held(NamedTuple):
    """What holds one coordinate back, and what it moves; the names are those of `Block`."""

    friction: float = 0.0
    presliding: float = 0.0
    regularisation: float = _REGULARISATION
    racking: tuple[float, float] = (0.0, 0.0)
    viscous: float = 0.0
    break_away: float = 1.0
    weigh: tuple[float, float] = (0.0, 0.0)
    detent: tuple[float, float] = (0.0, 0.0)
    driven: float = 0.0
    carries: tuple[float, float] = (0.0, 0.0)


def _rolling(
    contact: Contact, friction: float, weigh: tuple[float, float] = (0.0, 0.0),
    racking: tuple[float, float] = (0.0, 0.0),
) -> _Held:  # fmt: skip
    """What the wheels of a plate or of the carriage hold back."""
    drag = (_REGULARISATION, racking, contact.viscous * _N_S_PER_M, contact.break_away)
    return _Held(friction, contact.presliding_distance, *drag, weigh)


def _rocking(carriage: Carriage) -> _Held:
    """What rubs against the rocking of a carriage within its play, N mm and rad."""
    return _Held(_rub(carriage), _YAW_PRESLIDING, _YAW_REGULARISATION)


def _sliding(carriage: Carriage) -> _Held:
    """What rubs against its sliding across the beam within its play, N and mm."""
    arm = _RUB_ARM * carriage.wheel_base / 2.0
    mass = carriage.mass * _N_PER_KG_MM_S2
    return _Held(_rub(carriage) / arm, _YAW_PRESLIDING * arm, driven=mass)


def _rub(carriage: Carriage) -> float:
    """Moment that rubs against its rocking, N mm: none where its wheels leave it no play."""
    return carriage.rub if carriage.gap > 0.0 else 0.0


def _block(
    parts: list[_Part], held: dict[str, _Held], inertia: Array, contact: Contact, natural: float
) -> Block:
    """Lay parts and contacts out as arrays; ``natural`` is the axis' angular frequency, 1/s."""
    levers, laws, damping, rest, follow, hold, cycle, errors, kinds = zip(*parts, strict=True)
    contacts = dict(
        zip(_Held._fields, map(np.array, zip(*held.values(), strict=True)), strict=True)
    )
    return Block(
        names=tuple(held),
        levers=np.array([[each.get(name, 0.0) for name in held] for each in levers]),
        kinds=np.array(kinds),
        laws=np.array(laws),
        rest=np.array(rest),
        follow=np.array(follow),
        inertia=inertia,
        damping=_N_S_PER_M * np.array(damping),
        hold=np.array(hold),
        cycle=np.array(cycle),
        stribeck_speed=contact.stribeck_speed,
        swing=contact.overshoot * natural,
        runout=np.array(errors),
        **contacts,
    )


def _field(rotor: str, motor: Motor, scale: float, rest: float = 0.0) -> _Part:
    """A motor's turning field: what its rotor is held to."""
    return _Part(
        {rotor: 1.0}, _spring(motor.stiffness), motor.damping, rest, 1.0 + scale,
        motor.hold_force, 4.0 * motor.full_step, _cycle(motor),
    )  # fmt: skip


def _drive(machine: Machine) -> list[_Part]:
    """Cross shaft and Y motors: what stands between the two pulleys and the turning fields."""
    shaft = machine.shaft

    def field(rotor: str, rest: float = 0.0) -> _Part:
        return _field(rotor, machine.motor_y, machine.scale_y, rest)

    def length(pulley: str, rest: float, part: float) -> _Part:
        law = _spring(shaft.stiffness / part, shaft.backlash * part / 2.0, shaft.hold_force)
        levers = {pulley: 1.0, "rotor_y": -1.0}
        return _Part(levers, law, shaft.damping / part, rest, hold=shaft.hold_force)

    left, right = shaft.reaches
    far = length("shaft", shaft.slip, right) if right else field("shaft", shaft.slip)
    near = [length("pulley_left", 0.0, left)] if left else []
    return [far, field("rotor_y"), *near]


def _y_parts(machine: Machine) -> list[_Part]:
    """Elastic parts of the Y block: belts, drive, and both plates against racking at the end."""
    a = machine.belt_inset / machine.span
    lead = machine.span * math.sin(machine.square * 1e-3)  # y_right - y_left at rest
    clamp = 0.5 * (1.0 - 2.0 * a) * lead
    left_pulley = "pulley_left" if machine.shaft.motor_place == "middle" else "rotor_y"

    def belt(belt: Belt, ends: tuple[float, float], pulley: str, rest: float) -> _Part:
        levers = {"y_left": ends[0], "y_right": ends[1], pulley: -1.0 - belt.pitch_error}
        return _Part(levers, _belt(belt), belt.damping, rest, errors=_payout(belt), kind=BELT)

    def racking(plate: EndPlate) -> _Part:
        law = _spring(plate.rack_stiffness, plate.rack_clearance / 2.0)
        levers = {"y_left": -1.0, "y_right": 1.0}
        return _Part(levers, law, plate.rack_damping * 1e6 / machine.span**2, lead)

    return [
        belt(machine.belt_left, (1.0 - a, a), left_pulley, -clamp),
        belt(machine.belt_right, (a, 1.0 - a), "shaft", clamp),
        *_drive(machine),
        racking(machine.left),
        racking(machine.right),
    ]


def y_block(machine: Machine) -> Block:
    """Assemble plates, Y belts, cross shaft and Y motors of a machine."""
    shaft, contact, span = machine.shaft, machine.contact, machine.span
    both = shaft.motor_place == "both"
    parts = _y_parts(machine)
    weight = contact.weight_drag * machine.carriage.mass * _GRAVITY
    load = 2.0 * contact.load_drag * span  # the couple presses both wheels of a plate

    def plate(end: EndPlate, spring: int, carries: tuple[float, float]) -> _Held:
        weigh = weight * carries[0], weight * carries[1]
        held = _rolling(contact, end.friction, weigh, (spring, load / end.wheel_base))
        return held._replace(carries=carries)

    rotor = _Held(detent=_detent(machine.motor_y))
    pulley = _Held(friction=shaft.drag)
    held = {
        "y_left": plate(machine.left, len(parts) - 2, (1.0, -1.0 / span)),
        "y_right": plate(machine.right, len(parts) - 1, (0.0, 1.0 / span)),
        "shaft": rotor if both else pulley,
        "rotor_y": rotor,
    }
    if shaft.motor_place == "middle":
        held["pulley_left"] = pulley
    natural = _natural(
        (machine.belt_left, machine.belt_right),
        machine.travel_y / 2.0,
        machine.motor_y.stiffness * (2.0 if both else 1.0),
        machine.beam.mass + machine.carriage.mass,
    )
    return _block(parts, held, _y_inertia(machine, tuple(held)), contact, natural)


def x_block(machine: Machine) -> Block:
    """Assemble carriage, X belt and X motor of a machine."""
    car, contact, belt, motor = machine.carriage, machine.contact, machine.belt_x, machine.motor_x
    clamp = {"s": 1.0, "carriage_yaw": -machine.belt_x_offset, "rotor_x": -1.0 - belt.pitch_error}
    half = car.wheel_base / 2.0
    yaw = _spring(car.yaw_stiffness * 1e3, car.gap / car.wheel_base)
    across = _spring(car.yaw_stiffness * 1e3 / half**2, car.gap / 2.0)  # the same wheels
    parts = [
        _Part(clamp, _belt(belt), belt.damping, errors=_payout(belt), kind=BELT),
        _field("rotor_x", motor, machine.scale_x),
        _Part({"carriage_yaw": 1.0}, yaw, car.yaw_damping * 1e6),
        _Part({"across": 1.0}, across, car.yaw_damping * 1e6 / half**2),
        *(
            _Part({"lateral": 1.0}, _spring(p.side_stiffness, p.side_gap / 2.0), p.side_damping)
            for p in (machine.left, machine.right)
        ),
    ]
    held = {
        "s": _rolling(contact, car.friction),
        "carriage_yaw": _rocking(car),
        "rotor_x": _Held(detent=_detent(motor)),
        "lateral": _Held(),
        "across": _sliding(car),
    }
    natural = _natural((belt,), machine.span / 2.0, motor.stiffness, car.mass)
    return _block(parts, held, _x_inertia(machine), contact, natural)


def _y_inertia(machine: Machine, names: tuple[str, ...]) -> np.ndarray:
    """Mass matrix of the Y block in powers of the carriage's place, shape (3, n, n).

    Beam and carriage move at y_left (1 - a) + y_right a, a their place over the span, and yaw
    at (y_right - y_left) / span.  Small yaw: the carriage's Coriolis force is left out (for
    yaw of 1 mrad at 40 Hz under 50 mm/s below 0.01 N).
    """
    beam, car, span = machine.beam, machine.carriage, machine.span
    right = 0.5 + beam.centre / span
    left = 1.0 - right
    yaw = (beam.inertia + car.inertia) * 1e6 + car.mass * car.centre_of_mass**2  # kg mm^2
    turn, once, twice = yaw / span**2, car.mass / span, car.mass / span**2
    both = beam.mass * (left * right) - turn
    masses = np.zeros((3, len(names), len(names)))
    masses[:, :2, :2] = (
        (
            (beam.mass * (left * left) + turn + car.mass, both),
            (both, beam.mass * (right * right) + turn),
        ),
        ((-2.0 * once, once), (once, 0.0)),
        ((twice, -twice), (-twice, twice)),
    )
    rotor, pulley = machine.motor_y.rotor_mass, machine.shaft.pulley_mass
    masses[0, 2, 2] = rotor if machine.shaft.motor_place == "both" else pulley
    masses[0, 3, 3] = rotor
    for extra in range(len(Y_NAMES), len(names)):
        masses[0, extra, extra] = pulley
    return masses * _N_PER_KG_MM_S2


def _x_inertia(machine: Machine) -> np.ndarray:
    """Mass matrix of the X block, shape (3, 5, 5).

    The centre of mass couples carriage and its yaw; it rides on the beam that moves sideways.
    """
    car = machine.carriage
    moment = -car.mass * car.centre_of_mass * _N_PER_KG_MM_S2
    masses = np.zeros((3, len(X_NAMES), len(X_NAMES)))
    masses[0, 0, 0] = car.mass * _N_PER_KG_MM_S2
    masses[0, 0, 1] = masses[0, 1, 0] = moment
    masses[0, 1, 1] = car.inertia * _N_MM_S2_PER_KG_M2 - moment * car.centre_of_mass
    masses[0, 2, 2] = machine.motor_x.rotor_mass * _N_PER_KG_MM_S2
    masses[0, 3, 3] = (machine.beam.mass + car.mass) * _N_PER_KG_MM_S2
    masses[0, 0, 3] = masses[0, 3, 0] = car.mass * _N_PER_KG_MM_S2
    masses[0, 1, 3] = masses[0, 3, 1] = moment
    masses[0, 4, 4] = car.mass * _N_PER_KG_MM_S2
    return masses
