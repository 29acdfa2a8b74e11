"""The step kernel: one convex minimisation a step, carried along the whole drawing.

Coordinates of the slow limit, in two blocks that share no spring:

====================  =======================================================
Y block               ``y_left``, ``y_right`` (plates, mm), ``shaft`` (right
                      pulley, mm at the belt), ``rotor_y`` (left pulley, mm)
X block               ``s`` (carriage along the beam, mm), ``rock`` (carriage
                      turned on the beam, rad), ``rotor_x`` (mm)
====================  =======================================================

A step minimises, over the block's coordinates q,

    sum of spring energies(A q - rest)  +  sum_j psi_j(q_j - z_j)  +  q'Hq/2 - g'q

where psi_j is the dissipation of a wheel contact: F |x| for a rigid contact, and with a yield
distance d its Moreau envelope (a spring F/d that slips at F; the Prandtl stop element).
z_j is where the contact last gripped.  This is the energetic scheme for rate-independent
systems (Mielke & Theil, NoDEA 11 (2004) 151): with a uniformly convex energy the minimiser is
unique, and for quadratic energy and commands that are monotone between samples the scheme is
exact whatever the step.  H and g carry whatever is quadratic in the step itself: viscous drag
and inertia forces.

With inertia the same minimum is Moreau's time stepping: H gains M / h^2 about the place that the
masses would reach freely, and C / h from the dashpots beside the springs (Moreau, in Nonsmooth
Mechanics and Applications, CISM 302 (1988) 1; from memory).  One such step of length h is first
order; two of them, each of 0.293 h, make the second-order L-stable method of Alexander (SIAM J.
Numer. Anal. 14 (1977) 1006; from memory), which neither damps ringing visibly nor minds parts
that are stiff and light.

The minimiser is found by Newton's method on the springs for a given set of sliding contacts,
inside an active-set search over stick and slip that falls back to Murty's least-index rule
(finite for P-matrices), so that a step cannot cycle.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numba import njit

from gantrysim.machine import Belt, Machine
from gantrysim.planner import Motion, Timeline, piece_at, place_at

Y_NAMES = ("y_left", "y_right", "shaft", "rotor_y")
X_NAMES = ("s", "rock", "rotor_x")
NAMES = Y_NAMES + X_NAMES
N_Y = len(Y_NAMES)
N_X = len(X_NAMES)

#: A free coordinate is settled when the force left on it is below this, N.
FORCE_TOLERANCE = 1e-9

#: ... or when that force would move it by less than this part of 1 mm plus its lag.
PLACE_TOLERANCE = 1e-14

Record = Any  # a row of an array with the fields of `_layout`

_kernel = njit(cache=True, nogil=True, error_model="numpy")

# The one place where masses and damping change units: kg mm/s^2 and N s/m into N and N s/mm.
_N_PER_KG_MM_S2 = 1e-3
_N_S_PER_M = 1e-3
_N_MM_S2_PER_KG_M2 = 1e3

_CLEARANCE = 0  # spring with a dead zone: stiffness, half width
_BELT = 1  # two open spans that cannot push: EA, near span, loop, pretension, sag
_MOTOR = 2  # spring that pulls no harder than the motor holds: stiffness, yield elongation
_CREEP = 1e-9  # N/mm: places a part that lies free inside its play, and nothing else
_EDGE = 1e-12  # mm: a contact this close to slipping back has not
_PIVOT = 1e-15  # of a diagonal entry: what rounding leaves of it
_ROCK_CREEP = 1.0  # N mm/rad: 0.005 N mm over a play of 5 mrad
_TWO_STAGES = 1.0 - math.sqrt(0.5)  # part of the step that each stage of Alexander's takes
_TAUT = 24.0  # beyond this many sag tensions a span is straight to 4e-11 of its sag


@_kernel
def _span(tension: float, sag: float) -> tuple[float, float]:
    """Tension a span carries and its slope, given what a rod in its place would carry."""
    x = tension / sag
    if x > _TAUT:
        return tension, 1.0
    if x < -_TAUT:
        return 0.0, 0.0
    grown = math.exp(-abs(x))
    carried = sag * (max(x, 0.0) + math.log1p(grown))
    return carried, (1.0 if x > 0.0 else grown) / (1.0 + grown)


@_kernel
def spring_law(
    kind: int, a: float, b: float, c: float, sag: float, e: float
) -> tuple[float, float]:
    """Force and stiffness of one elastic part at an elongation.

    Parameters
    ----------
    kind : int
        0 for a spring with a dead zone, 1 for a belt of two spans, 2 for a motor.
    a, b, c, sag : float
        Dead-zone spring: stiffness, half width of the dead zone, unused, unused.  Belt:
        stiffness of the first and of the second span (N/mm), pretension (N), sag (N).  Motor:
        stiffness, elongation at which it pulls as hard as it can (mm), unused, unused.
    e : float
        Elongation, mm (rad for a turning spring).

    Returns
    -------
    force, stiffness : float
        In N and N/mm (N mm and N mm/rad for a turning spring).
    """
    if kind == _CLEARANCE:
        if e >= b:  # at the edge it is stiff: with no play there is nothing but the edge
            return a * (e - b), a
        if e <= -b:
            return a * (e + b), a
        return 0.0, 0.0
    if kind == _MOTOR:
        if e > b:
            return a * b, 0.0
        if e < -b:
            return -a * b, 0.0
        return a * e, a
    t1, s1 = _span(c + a * e, sag)
    t2, s2 = _span(c - b * e, sag)
    return t1 - t2, a * s1 + b * s2


@_kernel
def _bends(kind: int, a: float, b: float, c: float) -> tuple[float, float]:
    """Elongations at which a spring's law bends: edges of a play or pull, or an empty span."""
    if kind == _BELT:
        return -c / a, c / b
    return -b, b


@_kernel
def _gradient(b: Record) -> None:
    """Fill the gradient of a block's energy, and the stiffness of each spring."""
    n = b.q.size
    for i in range(n):
        total = -b.pull[i]
        for j in range(n):
            total += b.held[i, j] * b.q[j]
        if b.friction[i] > 0.0:
            if b.status[i] != 0:
                total += b.status[i] * b.friction[i]
            elif b.give[i] > 0.0:
                total += b.friction[i] / b.give[i] * (b.q[i] - b.z[i])
        b.g[i] = total
    for m in range(b.k.size):
        force, b.k[m] = _spring_at(b, m)
        for i in range(n):
            b.g[i] += b.levers[m, i] * force


@_kernel
def _spring_at(b: Record, m: int) -> tuple[float, float]:
    """Force and stiffness of one spring of a block as it stands."""
    e = -b.rest[m]
    for i in range(b.q.size):
        e += b.levers[m, i] * b.q[i]
    return spring_law(b.kinds[m], b.laws[m, 0], b.laws[m, 1], b.laws[m, 2], b.laws[m, 3], e)


@_kernel
def _hessian(b: Record) -> None:
    """Fill the lower half of a block's Hessian and the stiffness of each coordinate.

    A clamped coordinate gets a unit row.
    """
    n = b.q.size
    for i in range(n):
        for j in range(i + 1):
            b.hess[i, j] = b.held[i, j]
    for m in range(b.k.size):
        for i in range(n):
            a = b.levers[m, i] * b.k[m]
            for j in range(i + 1):
                b.hess[i, j] += a * b.levers[m, j]
    for i in range(n):
        b.stiff[i] = b.hess[i, i]
        if _clamped(b, i):
            for j in range(i):
                b.hess[i, j] = 0.0
            for j in range(i + 1, n):
                b.hess[j, i] = 0.0
            b.hess[i, i] = 1.0
        elif b.friction[i] > 0.0 and b.status[i] == 0:
            b.hess[i, i] += b.friction[i] / b.give[i]
            b.stiff[i] = b.hess[i, i]


@_kernel
def _clamped(b: Record, i: int) -> bool:
    """Whether a coordinate is held fast by a rigid contact."""
    return bool(b.friction[i] > 0.0 and b.status[i] == 0 and b.give[i] == 0.0)


@_kernel
def _solve(b: Record) -> None:
    """Solve hess step = -g by LDL' in place (symmetric positive definite, tiny).

    L ends up below the diagonal, DL' above it and 1/D on it.
    """
    n = b.q.size
    for j in range(n):
        d = b.hess[j, j]
        least = _PIVOT * d
        for k in range(j):
            d -= b.hess[j, k] * b.hess[k, j]
        # below that it is the rounding of stiffer neighbours
        b.hess[j, j] = 1.0 / (d if d > least else least)  # max() costs more
        for i in range(j + 1, n):
            v = b.hess[i, j]
            for k in range(j):
                v -= b.hess[i, k] * b.hess[k, j]
            b.hess[j, i] = v
            b.hess[i, j] = v * b.hess[j, j]
    for i in range(n):
        total = -b.g[i]
        for k in range(i):
            total -= b.hess[i, k] * b.step[k]
        b.step[i] = total
    for i in range(n - 1, -1, -1):
        total = b.step[i] * b.hess[i, i]
        for k in range(i + 1, n):
            total -= b.hess[k, i] * b.step[k]
        b.step[i] = total


@_kernel
def _slope(b: Record) -> float:
    """Slope of the energy along the step, for the coordinates that are free to move."""
    slope = 0.0
    for i in range(b.q.size):
        if not _clamped(b, i):
            slope += b.g[i] * b.step[i]
    return slope


@_kernel
def _balanced(b: Record) -> bool:
    """Whether the force left on every free coordinate is below the tolerances."""
    balanced = True
    for i in range(b.q.size):
        if abs(b.g[i]) > _slack(b, i) and not _clamped(b, i):
            balanced = False
    return balanced


@_kernel
def _slack(b: Record, i: int) -> float:
    """Force on a coordinate that counts as none, N: a stiff part's rounding is large."""
    return FORCE_TOLERANCE + PLACE_TOLERANCE * (1.0 + abs(b.q[i])) * b.stiff[i]


@_kernel
def _minimise(b: Record) -> bool:
    """Newton's method on the springs for the contacts as they stand; True when balanced."""
    n = b.q.size
    for i in range(n):
        if _clamped(b, i):
            b.q[i] = b.z[i]
    slope0 = 0.0
    for turn in range(60):
        _gradient(b)
        if _balanced(b):
            return True
        if turn > 0:
            slope = _slope(b)
            if slope > 0.5 * abs(slope0):
                _search(b, slope0, slope)
        _hessian(b)
        for i in range(n):
            if _clamped(b, i):
                b.g[i] = 0.0
            b.start[i] = b.q[i]
        _solve(b)
        slope0 = _slope(b)
        for i in range(n):
            b.q[i] += b.step[i]
    return False


@_kernel
def _search(b: Record, slope_low: float, slope_high: float) -> None:
    """Shorten an overshooting Newton step to where the energy along it is least.

    The energy is convex, so its slope along the step rises, and it rises in straight pieces
    but for the sag of a belt.  First the places where a spring's law bends close in on the
    root, then false position finds it on the piece between them; every third trial halves,
    in case a sagging belt will not let one end move.
    """
    low, high = 0.0, 1.0
    goal = 0.5 * abs(slope_low)
    bends = 2 * b.k.size
    for turn in range(bends + 60):
        if turn < bends:
            t = _bend_ahead(b, turn // 2, turn % 2)
            if not low < t < high:
                continue
        elif turn % 3 == 2:
            t = 0.5 * (low + high)
        else:
            t = (low * slope_high - high * slope_low) / (slope_high - slope_low)
        for i in range(b.q.size):
            b.q[i] = b.start[i] + t * b.step[i]
        _gradient(b)
        slope = _slope(b)
        if abs(slope) <= goal:
            return
        if slope > 0.0:
            high, slope_high = t, slope
        else:
            low, slope_low = t, slope


@_kernel
def _bend_ahead(b: Record, m: int, edge: int) -> float:
    """Part of the step after which one spring's law bends; negative if it never does."""
    at, rate = -b.rest[m], 0.0
    for i in range(b.q.size):
        at += b.levers[m, i] * b.start[i]
        rate += b.levers[m, i] * b.step[i]
    bends = _bends(b.kinds[m], b.laws[m, 0], b.laws[m, 1], b.laws[m, 2])
    return (bends[edge] - at) / rate if rate != 0.0 else -1.0


@_kernel
def settle(b: Record) -> bool:
    """Bring one block to the minimum of its energy plus dissipation, in place.

    Parameters
    ----------
    b : record
        One block as `_record` lays it out.  Updated are ``q``, the coordinates, ``z``, where
        the contacts last gripped, and ``status``: -1, 0, +1 for a contact that slips
        backward, sticks, slips forward.

    Returns
    -------
    bool
        True when every free coordinate is balanced to `FORCE_TOLERANCE` or placed to
        `PLACE_TOLERANCE`.
    """
    n = b.q.size
    for i in range(n):
        b.stiff[i] = 0.0
    for turn in range(80):
        balanced = _minimise(b)
        changed = False
        for i in range(n):
            new = _status(b, i)
            if new != b.status[i]:
                b.status[i] = new
                changed = True
                if turn > 8:
                    break  # Murty's least-index rule: one change at a time
        if not changed:
            for i in range(n):
                if b.friction[i] > 0.0 and b.status[i] != 0:
                    b.z[i] = b.q[i] - b.status[i] * b.give[i]
            return balanced
    return False


@_kernel
def _status(b: Record, i: int) -> int:
    """What a contact should do, judged by where its coordinate is or what pulls on it."""
    if b.friction[i] <= 0.0:
        return 0
    x = b.q[i] - b.z[i]
    if b.status[i] != 0:
        return 0 if x * b.status[i] < b.give[i] - _EDGE else b.status[i]
    if b.give[i] > 0.0:
        if abs(x) > b.give[i] + _EDGE:
            return 1 if x > 0.0 else -1
    elif abs(b.g[i]) > b.friction[i] + _slack(b, i):
        return -1 if b.g[i] > 0.0 else 1
    return 0


@dataclass(frozen=True)
class Block:
    """One block of the mechanism as plain arrays for the kernel.

    Parameters
    ----------
    levers : ndarray, shape (m, n)
        Elongation of each spring per unit of each coordinate.
    kinds : ndarray of int, shape (m,)
        Law of each spring, see `spring_law`.
    laws : ndarray, shape (m, 5)
        Its parameters.
    rest, follow : ndarray, shape (m,)
        Rest elongation = rest + follow * command, mm.
    friction, give : ndarray, shape (n,)
        Friction (N) and yield distance (mm) of each coordinate; friction 0 means none.
    creep : ndarray, shape (n,)
        A very small resistance to each step, N/mm: it keeps the answer unique where a part
        lies free inside its play (the least motion is taken).
    rack : ndarray, shape (n, 2)
        Rows (spring, factor): each coordinate's friction grows by factor times the force of
        that spring.
    viscous : ndarray, shape (n,)
        Drag in proportion to speed, N s/mm.
    inertia : ndarray, shape (3, n, n)
        Mass matrix = the three of them times 1, o and o^2, o the command of the other axis (mm):
        N s^2/mm (N s^2 and N mm s^2 where a coordinate turns).
    damping : ndarray, shape (m,)
        Dashpot beside each spring, N s/mm (N mm s for a turning spring).
    hold, cycle : ndarray, shape (m,)
        What a motor can hold, N, and the cycle after which its field pulls alike, mm; 0 for
        every other spring.
    break_away : ndarray, shape (n,)
        Break-away force over rolling drag of each contact.
    stribeck_speed : float
        Speed over which the extra break-away force dies, mm/s.
    swing : float
        Natural angular frequency times the overshoot that damping leaves, 1/s.
    runout : ndarray, shape (m, 3)
        Once-per-turn error of each spring's rest: amplitude (mm), phase (rad), turns per mm.
    """

    levers: np.ndarray
    kinds: np.ndarray
    laws: np.ndarray
    rest: np.ndarray
    follow: np.ndarray
    friction: np.ndarray
    give: np.ndarray
    creep: np.ndarray
    rack: np.ndarray
    viscous: np.ndarray
    inertia: np.ndarray
    damping: np.ndarray
    hold: np.ndarray
    cycle: np.ndarray
    break_away: np.ndarray
    stribeck_speed: float
    swing: float
    runout: np.ndarray

    @property
    def ride(self) -> np.ndarray:
        """1 for the coordinates that follow the command, 0 for those that turn; shape (n,)."""
        names = Y_NAMES if self.friction.size == N_Y else X_NAMES
        return np.array([float(name != "rock") for name in names])

    @property
    def mass(self) -> np.ndarray:
        """Force on each coordinate per acceleration of the whole axis, N s^2/mm; shape (n,)."""
        return np.asarray(self.inertia[0] @ self.ride)

    @property
    def carried(self) -> np.ndarray:
        """What is added to `mass` per mm of the other axis' command, N s^2/mm^2; shape (n,)."""
        return np.asarray(self.inertia[1] @ self.ride)

    def mass_matrix(self, other: float) -> np.ndarray:
        """Mass matrix with the other axis at a command, mm; shape (n, n), N s^2/mm."""
        return np.asarray(self.inertia[0] + other * (self.inertia[1] + other * self.inertia[2]))


def _spring(stiffness: float, half: float = 0.0) -> list[float]:
    return [stiffness, half, 0.0, 0.0, 0.0]


def _runout(belt: Belt) -> tuple[float, float, float]:
    return belt.runout, belt.runout_phase, 1.0 / belt.pulley_circumference


def _natural(belts: tuple[Belt, ...], place: float, motor: float, mass: float) -> float:
    """Natural angular frequency of an axis on its belts and motor in series, 1/s."""
    k = sum(belt.stiffness(place) for belt in belts)
    k = k * motor / (k + motor)
    return math.sqrt(k / max(mass * _N_PER_KG_MM_S2, 1e-12))


def y_block(machine: Machine) -> Block:
    """Assemble plates, Y belts, cross shaft and Y motor of a machine."""
    a = machine.belt_inset / machine.span
    lead = machine.span * math.sin(machine.square * 1e-3)  # y_right - y_left at rest
    clamp = 0.5 * (1.0 - 2.0 * a) * lead
    belts = [[b.ea, b.near, b.loop, b.pretension, b.sag] for b in machine.belts[:2]]
    shaft = machine.shaft
    contact = machine.contact
    d, roll = contact.yield_distance, contact.viscous * _N_S_PER_M
    span = machine.span
    return Block(
        levers=np.array(
            [
                [1.0 - a, a, 0.0, -1.0],  # left belt: clamp against left pulley
                [a, 1.0 - a, -1.0, 0.0],  # right belt: clamp against right pulley
                [0.0, 0.0, 1.0, -1.0],  # cross shaft and couplings
                [0.0, 0.0, 0.0, 1.0],  # Y motor against its turning field
                [-1.0, 1.0, 0.0, 0.0],  # left plate against racking
                [-1.0, 1.0, 0.0, 0.0],  # right plate against racking
            ]
        ),
        kinds=np.array([_BELT, _BELT, _CLEARANCE, _CLEARANCE, _CLEARANCE, _CLEARANCE]),
        laws=np.array(
            [
                *belts,
                _spring(shaft.stiffness, shaft.backlash / 2.0),
                _spring(machine.motor_y.stiffness),
                _spring(machine.left.rack_stiffness, machine.left.rack_clearance / 2.0),
                _spring(machine.right.rack_stiffness, machine.right.rack_clearance / 2.0),
            ]
        ),
        rest=np.array([-clamp, clamp, shaft.slip, 0.0, lead, lead]),
        follow=np.array([0.0, 0.0, 0.0, 1.0 + machine.scale_y, 0.0, 0.0]),
        friction=np.array([machine.left.friction, machine.right.friction, shaft.drag, 0.0]),
        give=np.array([d, d, 0.0, 0.0]),
        creep=np.full(4, _CREEP),
        rack=np.array(
            [
                [4, contact.load_drag * span / machine.left.wheel_base],
                [5, contact.load_drag * span / machine.right.wheel_base],
                [0, 0.0],
                [0, 0.0],
            ]
        ),
        viscous=np.array([roll, roll, 0.0, 0.0]),
        inertia=_y_inertia(machine),
        damping=_N_S_PER_M
        * np.array(
            [
                machine.belt_left.damping,
                machine.belt_right.damping,
                shaft.damping,
                machine.motor_y.damping,
                machine.left.rack_damping * 1e6 / span**2,
                machine.right.rack_damping * 1e6 / span**2,
            ]
        ),
        hold=np.array([0.0, 0.0, 0.0, machine.motor_y.hold_force, 0.0, 0.0]),
        cycle=np.array([0.0, 0.0, 0.0, 4.0 * machine.motor_y.full_step, 0.0, 0.0]),
        break_away=np.array([contact.break_away, contact.break_away, 1.0, 1.0]),
        stribeck_speed=contact.stribeck_speed,
        swing=contact.overshoot
        * _natural(
            (machine.belt_left, machine.belt_right),
            machine.travel_y / 2.0,
            machine.motor_y.stiffness,
            machine.beam.mass + machine.carriage.mass,
        ),
        runout=np.array([*map(_runout, machine.belts[:2]), *[(0.0, 0.0, 0.0)] * 4]),
    )


def x_block(machine: Machine) -> Block:
    """Assemble carriage, X belt and X motor of a machine."""
    car, contact = machine.carriage, machine.contact
    belt = machine.belt_x
    return Block(
        levers=np.array(
            [
                [1.0, -machine.belt_x_offset, -1.0],  # X belt: clamp against pulley
                [0.0, 0.0, 1.0],  # X motor against its turning field
                [0.0, 1.0, 0.0],  # carriage wheels against turning
            ]
        ),
        kinds=np.array([_BELT, _CLEARANCE, _CLEARANCE]),
        laws=np.array(
            [
                [belt.ea, belt.near, belt.loop, belt.pretension, belt.sag],
                _spring(machine.motor_x.stiffness),
                _spring(car.rock_stiffness * 1e3, car.gap / car.wheel_base),
            ]
        ),
        rest=np.zeros(3),
        follow=np.array([0.0, 1.0 + machine.scale_x, 0.0]),
        friction=np.array([car.friction, 0.0, 0.0]),
        give=np.array([contact.yield_distance, 0.0, 0.0]),
        creep=np.array([_CREEP, _ROCK_CREEP, _CREEP]),
        rack=np.zeros((3, 2)),
        viscous=np.array([contact.viscous * _N_S_PER_M, 0.0, 0.0]),
        inertia=_x_inertia(machine),
        damping=_N_S_PER_M
        * np.array([belt.damping, machine.motor_x.damping, car.rock_damping * 1e6]),
        hold=np.array([0.0, machine.motor_x.hold_force, 0.0]),
        cycle=np.array([0.0, 4.0 * machine.motor_x.full_step, 0.0]),
        break_away=np.array([contact.break_away, 1.0, 1.0]),
        stribeck_speed=contact.stribeck_speed,
        swing=contact.overshoot
        * _natural((belt,), machine.span / 2.0, machine.motor_x.stiffness, car.mass),
        runout=np.array([_runout(belt), *[(0.0, 0.0, 0.0)] * 2]),
    )


def _y_inertia(machine: Machine) -> np.ndarray:
    """Mass matrix of the Y block in powers of the carriage's place, shape (3, 4, 4).

    Beam and carriage move at y_left (1 - a) + y_right a, a their place over the span, and yaw
    at (y_right - y_left) / span.  Small yaw: the carriage's Coriolis force is left out (for
    yaw of 1 mrad at 40 Hz under 50 mm/s below 0.01 N).
    """
    beam, car, span = machine.beam, machine.carriage, machine.span
    place = 0.5 + beam.centre / span
    yaw = (beam.inertia + car.inertia) * 1e6 + car.mass * car.centre_of_mass**2  # kg mm^2
    masses = np.zeros((3, N_Y, N_Y))
    pair = masses[:, :2, :2]
    pair[0] = beam.mass * np.outer([1.0 - place, place], [1.0 - place, place])
    pair[0] += yaw / span**2 * np.array([[1.0, -1.0], [-1.0, 1.0]])
    pair[0, 0, 0] += car.mass
    pair[1] = car.mass / span * np.array([[-2.0, 1.0], [1.0, 0.0]])
    pair[2] = car.mass / span**2 * np.array([[1.0, -1.0], [-1.0, 1.0]])
    masses[0, 2, 2] = machine.shaft.pulley_mass
    masses[0, 3, 3] = machine.motor_y.rotor_mass
    return masses * _N_PER_KG_MM_S2


def _x_inertia(machine: Machine) -> np.ndarray:
    """Mass matrix of the X block, shape (3, 3, 3): the centre of mass couples s and rock."""
    car = machine.carriage
    moment = -car.mass * car.centre_of_mass * _N_PER_KG_MM_S2
    masses = np.zeros((3, N_X, N_X))
    masses[0, 0, 0] = car.mass * _N_PER_KG_MM_S2
    masses[0, 0, 1] = masses[0, 1, 0] = moment
    masses[0, 1, 1] = car.inertia * _N_MM_S2_PER_KG_M2 - moment * car.centre_of_mass
    masses[0, 2, 2] = machine.motor_x.rotor_mass * _N_PER_KG_MM_S2
    return masses


def _layout(n: int, m: int) -> np.dtype[np.void]:
    """Fields of the record of a block with n coordinates and m springs."""
    each, every = (n,), (m,)
    fields: dict[str, tuple[int, ...]] = {
        # what the machine is: see `Block`
        "levers": (m, n), "laws0": (m, 5), "rest0": every, "follow": every,
        "runout": (m, 3), "friction0": each, "give": each, "creep": each, "rack": (n, 2),
        "viscous": each, "mass": each, "carried": each, "break_away": each,
        "stribeck_speed": (), "swing": (),
        "inertia": (3, n, n), "damping": every, "cycle": every,
        # what this step asks: springs by `spring_law`, quadratic and linear terms
        "laws": (m, 4), "rest": every, "friction": each, "held": (n, n), "pull": each,
        # where it stands: lags behind the command, and which coordinates follow it
        "q": each, "z": each, "ride": each, "command": (),
        # and how it moves: velocities; the step's start; cycles that a motor has lost, and net
        "v": each, "elongation": every, "old_q": each, "old_z": each, "old_v": each,
        "old_elongation": every, "base": each, "foreseen": each,
        "lost": (2,),
        # work space: gradient, Newton step and its start, stiffness of each coordinate and
        # of each spring, Hessian
        "g": each, "step": each, "start": each, "stiff": each, "k": every, "hess": (n, n),
    }  # fmt: skip
    floats = [(name, np.float64, shape) for name, shape in fields.items()]
    return np.dtype([*floats, ("kinds", np.int64, every), ("status", np.int64, each)])


_LAYOUTS = {N_Y: _layout(N_Y, 6), N_X: _layout(N_X, 3)}


def _record(block: Block, command: float) -> np.ndarray:
    """Lay a block out as one record, at rest at a command with every contact let go.

    A record instead of two dozen arrays: its sizes are known to the compiler, and handing it
    on counts no references, which would take longer than the sums.  It keeps lags behind the
    command, not places: a lag of 0.1 mm has a thousand times finer rounding than a place at
    200 mm, and near-rigid parts turn rounding into force.
    """
    box = np.zeros(1, _LAYOUTS[block.friction.size])
    b = box[0]
    for name in (
        "levers", "kinds", "runout", "give", "creep", "rack", "viscous", "mass",
        "carried", "break_away", "stribeck_speed", "swing", "ride", "inertia", "damping", "cycle",
    ):  # fmt: skip
        b[name] = getattr(block, name)
    b["laws0"], b["rest0"], b["friction0"] = block.laws, block.rest, block.friction
    b["follow"] = block.follow - block.levers @ b["ride"]
    np.fill_diagonal(b["held"], block.creep)
    _relax(box, command)
    return box


@_kernel
def _relax(box: np.ndarray, command: float) -> None:
    """Settle a block whose contacts carry no force, and let them grip there."""
    b = box[0]
    b.command = command
    _pose(b, command)
    settle(b)
    for i in range(b.q.size):
        b.z[i] = b.q[i]


@_kernel
def _march(
    box: np.ndarray,
    command: np.ndarray,
    other: np.ndarray,
    dt: np.ndarray,
    velocity: np.ndarray,
    acceleration: np.ndarray,
    jump: np.ndarray,
    out_q: np.ndarray,
    out_z: np.ndarray,
) -> int:
    """Carry one block along a command; return the first step that did not settle, or -1."""
    b = box[0]
    n = b.q.size
    for t in range(command.size):
        _pose(b, command[t])
        for i in range(n):
            resist = b.creep[i]
            b.pull[i] = 0.0
            b.friction[i] = b.friction0[i]
            if dt[t] > 0.0:
                resist += b.viscous[i] / dt[t]
                rush = acceleration[t]
                if jump[t] * velocity[t] < 0.0:
                    rush += b.swing * jump[t]  # peak force of the free swing after a stop
                b.pull[i] = -(b.mass[i] + b.carried[i] * other[t]) * rush
                speed = velocity[t] / b.stribeck_speed
                b.friction[i] *= 1.0 + (b.break_away[i] - 1.0) * math.exp(-speed * speed)
            if b.rack[i, 1] > 0.0:
                # load of a racked plate, taken from the step before: keeps the step convex
                force, _ = _spring_at(b, int(b.rack[i, 0]))
                b.friction[i] += b.rack[i, 1] * abs(force)
            b.held[i, i] = resist
            b.pull[i] += resist * b.q[i]
        if not settle(b):
            return t
        for i in range(n):
            out_q[t, i] = b.q[i] + b.ride[i] * b.command
            out_z[t, i] = b.z[i] + b.ride[i] * b.command
    return -1


@_kernel
def _pose(b: Record, command: float) -> None:
    """Move the command on: what lags falls behind, belt spans and rest elongations follow."""
    for i in range(b.q.size):
        behind = b.ride[i] * (command - b.command)
        b.q[i] -= behind
        b.z[i] -= behind
    b.command = command
    for m in range(b.k.size):
        b.rest[m] = b.rest0[m] + b.follow[m] * command
        if b.runout[m, 0] != 0.0:
            turn = 2.0 * math.pi * b.runout[m, 2] * command
            b.rest[m] += b.runout[m, 0] * math.sin(turn + b.runout[m, 1])
        if b.kinds[m] == _BELT:
            first = b.laws0[m, 1] + command
            b.laws[m, 0] = b.laws0[m, 0] / first
            b.laws[m, 1] = b.laws0[m, 0] / (b.laws0[m, 2] - first)
            b.laws[m, 2] = b.laws0[m, 3]
            b.laws[m, 3] = b.laws0[m, 4]
        else:
            b.laws[m, 0] = b.laws0[m, 0]
            b.laws[m, 1] = b.laws0[m, 1]


def relaxed(block: Block, command: float) -> np.ndarray:
    """Coordinates of a block at rest with every contact let go, mm (rad for rock).

    This is the state that homing leaves: no contact carries a force.

    Parameters
    ----------
    block : Block
        From `y_block` or `x_block`.
    command : float
        Where the block is homed, mm.

    Returns
    -------
    ndarray, shape (coordinates,)
        The coordinates at rest.
    """
    b = _record(block, command)[0]
    return np.asarray(b["q"] + b["ride"] * command)


def march(block: Block, motion: Motion, axis: int) -> tuple[np.ndarray, np.ndarray]:
    """Carry one block along a commanded motion from its relaxed state at the first sample.

    Parameters
    ----------
    block : Block
        From `y_block` or `x_block`.
    motion : Motion
        Commanded motion.  Where its time steps are zero the step is rate-independent: the
        slow limit.  Elsewhere viscous drag, the Stribeck fall of the friction and the forces
        of inertia along the commanded acceleration act as well.
    axis : int
        0 for the X block, 1 for the Y block.

    Returns
    -------
    q, z : ndarray, shape (n, coordinates)
        Coordinates, and where each contact last gripped.

    Raises
    ------
    ArithmeticError
        If a step does not settle (no machine that passes its checks should do this).
    """
    command = np.ascontiguousarray(motion.xy[:, axis])
    box = _record(block, command[0])
    out_q = np.empty((command.size, block.friction.size))
    out_z = np.empty_like(out_q)
    failed = _march(
        box, command, np.ascontiguousarray(motion.xy[:, 1 - axis]), motion.dt,
        np.ascontiguousarray(motion.velocity[:, axis]),
        np.ascontiguousarray(motion.acceleration[:, axis]),
        np.ascontiguousarray(motion.jump[:, axis]), out_q, out_z,
    )  # fmt: skip
    if failed >= 0:
        raise ArithmeticError(
            f"the step at command {command[failed]:.4f} mm did not settle to "
            f"{FORCE_TOLERANCE:g} N; please report the machine description"
        )
    return out_q, out_z


# --- masses that swing ------------------------------------------------------------------------


@_kernel
def _elongations(b: Record) -> None:
    """Note the elongation of every spring as the block stands."""
    for m in range(b.k.size):
        e = -b.rest[m]
        for i in range(b.q.size):
            e += b.levers[m, i] * b.q[i]
        b.elongation[m] = e


@_kernel
def _live_damping(b: Record, m: int) -> float:
    """Dashpot beside a spring, N s/mm: the part of it that its spring has of its stiffness.

    An emptied span or a coupling within its play passes on no force.  Judged by the stage
    before, which keeps the step convex.
    """
    if b.kinds[m] == _MOTOR:
        return float(b.damping[m])
    whole = b.laws[m, 0]
    if b.kinds[m] == _BELT:
        whole += b.laws[m, 1]
    return float(b.damping[m] * (b.k[m] / whole if whole > 0.0 else 1.0))


@_kernel
def _stage(b: Record, start: float, command: float, other: float, tau: float, reach: float) -> bool:
    """One implicit Euler step of length tau to a command, from the step's start or beyond it.

    ``start`` is the command at the step's start, ``reach`` how far beyond it the stage before
    has carried the base, in lengths of that stage.
    """
    n = b.q.size
    _pose(b, command)
    for i in range(n):
        behind = b.ride[i] * (command - start)
        b.base[i] = b.old_q[i] - behind + reach * (b.q[i] - b.old_q[i] + behind)
        b.z[i] = b.old_z[i] - behind if b.give[i] > 0.0 else b.base[i]
        b.friction[i] = b.friction0[i]
        if b.break_away[i] > 1.0:
            speed = b.foreseen[i] / b.stribeck_speed  # known beforehand: the step stays convex
            b.friction[i] *= 1.0 + (b.break_away[i] - 1.0) * math.exp(-speed * speed)
        if b.rack[i, 1] > 0.0:
            force, _ = _spring_at(b, int(b.rack[i, 0]))
            b.friction[i] += b.rack[i, 1] * abs(force)
        b.pull[i] = 0.0
    for i in range(n):
        for j in range(n):
            mass = b.inertia[0, i, j] + other * (b.inertia[1, i, j] + other * b.inertia[2, i, j])
            mass /= tau * tau
            b.held[i, j] = mass
            b.pull[i] += mass * (b.base[j] + tau * (b.old_v[j] + reach * (b.v[j] - b.old_v[j])))
        resist = b.viscous[i] / tau + b.creep[i]
        b.held[i, i] += resist
        b.pull[i] += resist * b.base[i]
    for m in range(b.k.size):
        if b.damping[m] == 0.0:
            continue
        c = _live_damping(b, m) / tau
        before = b.old_elongation[m] + reach * (b.elongation[m] - b.old_elongation[m])
        for i in range(n):
            part = c * b.levers[m, i]
            b.pull[i] += part * (b.rest[m] + before)
            for j in range(n):
                b.held[i, j] += part * b.levers[m, j]
    if not settle(b):
        return False
    for i in range(n):
        b.v[i] = (b.q[i] - b.base[i]) / tau
    _elongations(b)
    return True


@_kernel
def _lose_cycles(b: Record) -> None:
    """Let a motor that is torn half a cycle off fall into the next hold of its field.

    The sine law of a stepping motor changes sign there; what it pulls until then is held at
    what it can hold.
    """
    for m in range(b.k.size):
        if b.cycle[m] > 0.0 and abs(b.elongation[m]) > 0.5 * b.cycle[m]:
            cycles = math.floor(b.elongation[m] / b.cycle[m] + 0.5)
            b.rest0[m] += cycles * b.cycle[m]
            b.elongation[m] -= cycles * b.cycle[m]
            b.lost[0] += abs(cycles)
            b.lost[1] += cycles


@_kernel
def _swing(
    box: np.ndarray, pieces: np.ndarray, arrival: np.ndarray, axis: int, h: float, gamma: float,
    out_q: np.ndarray, out_v: np.ndarray,
) -> int:  # fmt: skip
    """Carry one block along a timeline; return the first step that did not settle, or -1."""
    b = box[0]
    n = b.q.size
    _elongations(b)
    piece = done = step = 0
    while done < arrival.size:
        time = step * h
        start = b.command
        for i in range(n):
            b.foreseen[i] = b.v[i] + (gamma * (b.v[i] - b.old_v[i]) if gamma < 1.0 else 0.0)
            b.old_q[i], b.old_z[i], b.old_v[i] = b.q[i], b.z[i], b.v[i]
        for m in range(b.k.size):
            b.old_elongation[m] = b.elongation[m]
        if gamma < 1.0:
            piece = piece_at(pieces, piece, time + gamma * h)
            here = place_at(pieces, piece, time + gamma * h, axis)
            other = place_at(pieces, piece, time + gamma * h, 1 - axis)
            if not _stage(b, start, here, other, gamma * h, 0.0):
                return step
            for i in range(n):
                b.foreseen[i] = b.old_v[i] + (b.v[i] - b.old_v[i]) / gamma
        piece = piece_at(pieces, piece, time + h)
        here = place_at(pieces, piece, time + h, axis)
        other = place_at(pieces, piece, time + h, 1 - axis)
        if not _stage(b, start, here, other, gamma * h, 1.0 / gamma - 1.0):
            return step
        _lose_cycles(b)
        while done < arrival.size and arrival[done] <= time + h:
            w = (arrival[done] - time) / h
            for i in range(n):
                begin, end = b.old_q[i] + b.ride[i] * start, b.q[i] + b.ride[i] * b.command
                rise = end - begin
                bow = (
                    w
                    * (1.0 - w)
                    * (  # cubic through both ends with both velocities
                        (1.0 - w) * (h * b.old_v[i] - rise) - w * (h * b.v[i] - rise)
                    )
                )
                out_q[done, i] = begin + w * rise + bow
                out_v[done, i] = (1.0 - w) * b.old_v[i] + w * b.v[i]
            done += 1
        step += 1
    return -1


@dataclass(frozen=True, eq=False)
class Swing:
    """How a block moved in time.

    Parameters
    ----------
    q : ndarray, shape (n, coordinates)
        Coordinates at each sample of the timeline, mm (rad for rock).
    v : ndarray, shape (n, coordinates)
        Their velocities, mm/s (rad/s).
    lost_cycles : int
        Cycles of four full steps that the motor has lost, in either direction.
    shift : float
        Where they have left the axis, mm.
    """

    q: np.ndarray
    v: np.ndarray
    lost_cycles: int
    shift: float


def march_in_time(
    block: Block, timeline: Timeline, axis: int, *, time_step: float, order: int = 2
) -> Swing:
    """Carry one block with its masses along a timeline, from rest at its start.

    Parameters
    ----------
    block : Block
        From `y_block` or `x_block`.
    timeline : Timeline
        Commanded motion.
    axis : int
        0 for the X block, 1 for the Y block.
    time_step : float
        s.
    order : int
        1 for Moreau's step; 2 for two stages of it a step, second order while no contact
        changes between stick and slip.

    Returns
    -------
    Swing
        Coordinates and velocities at the samples, and what the motor lost.

    Raises
    ------
    ValueError
        If the time step or the order is not usable.
    ArithmeticError
        If a step does not settle (no machine that passes its checks should do this).

    Notes
    -----
    Friction with a break-away or from racking takes speed and load from the stage before; both
    are then first order.
    """
    if not (math.isfinite(time_step) and time_step > 0.0):
        raise ValueError(f"time_step must be a positive number of seconds, found {time_step!r}.")
    if order not in (1, 2):
        raise ValueError(f"order must be 1 or 2, found {order!r}.")
    box = _record(block, float(timeline.pieces[0, 1 + axis]))
    b = box[0]
    _grip_with_motor(b, block)
    out_q = np.empty((timeline.arrival.size, block.friction.size))
    out_v = np.empty_like(out_q)
    gamma = 1.0 if order == 1 else _TWO_STAGES
    failed = _swing(box, timeline.pieces, timeline.arrival, axis, time_step, gamma, out_q, out_v)
    if failed >= 0:
        raise ArithmeticError(
            f"the step at {failed * time_step:.4f} s did not settle to {FORCE_TOLERANCE:g} N; "
            "please report the machine description"
        )
    return Swing(out_q, out_v, int(b["lost"][0]), float(b["lost"][1] * block.cycle.max()))


def _grip_with_motor(b: Record, block: Block) -> None:
    """Let the motors of a record pull no harder than they can hold."""
    for m in np.flatnonzero(block.hold > 0.0):
        b["kinds"][m] = _MOTOR
        b["laws0"][m, 1] = b["laws"][m, 1] = block.hold[m] / block.laws[m, 0]


def natural_frequencies(block: Block, command: float, other: float) -> np.ndarray:
    """Natural frequencies of a block with every contact gripped and every play taken up.

    Parameters
    ----------
    block : Block
        From `y_block` or `x_block`.
    command, other : float
        Where its own and the other axis stand, mm.

    Returns
    -------
    ndarray
        Ascending, Hz; parts without mass have none.

    Notes
    -----
    omega^2 M x = K x; parts without mass are condensed out.  Contacts with a yield distance
    count with their stiffness; rigid ones, which would hold their coordinate fast, with none.
    """
    b = _record(block, command)[0]
    full = b["laws"][:, 0] + np.where(block.kinds == _BELT, b["laws"][:, 1], 0.0)
    grip = np.where(block.give > 0.0, block.friction / np.maximum(block.give, 1e-300), 0.0)
    stiffness = block.levers.T @ (full[:, None] * block.levers) + np.diag(grip)
    masses, modes = np.linalg.eigh(block.mass_matrix(other))
    heavy = masses > 1e-12 * masses[-1]
    stiffness = modes.T @ stiffness @ modes
    light = stiffness[np.ix_(~heavy, ~heavy)]
    across = stiffness[np.ix_(~heavy, heavy)]
    stiffness = stiffness[np.ix_(heavy, heavy)] - across.T @ np.linalg.pinv(light) @ across
    scale = 1.0 / np.sqrt(masses[heavy])
    squares = np.linalg.eigvalsh(scale[:, None] * stiffness * scale)
    return np.asarray(np.sqrt(np.maximum(squares, 0.0)) / (2.0 * math.pi))


def spot(machine: Machine, q_y: np.ndarray, q_x: np.ndarray) -> np.ndarray:
    """Return the place of the burning spot, exact rigid-body position.

    Parameters
    ----------
    machine : Machine
        For span and head offset.
    q_y, q_x : ndarray, shape (n, 4) and (n, 3)
        Coordinates of the two blocks.

    Returns
    -------
    ndarray, shape (n, 2)
        x and y on the bed, mm.

    Raises
    ------
    ValueError
        If one side runs ahead of the other by more than the span.

    Notes
    -----
    The beam line runs from (0, y_left) at the yaw angle psi, sin psi = (y_right - y_left) /
    span; the carriage sits s along it and turns by ``rock`` against it.
    """
    left, right = q_y[:, 0], q_y[:, 1]
    s, rock = q_x[:, 0], q_x[:, 1]
    sine = (right - left) / machine.span
    if np.abs(sine).max(initial=0.0) >= 1.0:
        raise ValueError(
            f"the sides of the beam come to stand {np.abs(right - left).max():.0f} mm apart, but "
            f"the span is only {machine.span:g} mm; check slip, racking stiffness and belts"
        )
    cosine = np.sqrt(1.0 - sine * sine)
    along, beyond = machine.head.along, machine.head.beyond
    cos_rock, sin_rock = np.cos(rock), np.sin(rock)
    forward = s + along * cos_rock - beyond * sin_rock  # seen along the beam, and across it
    across = along * sin_rock + beyond * cos_rock
    place = np.empty((left.size, 2))
    place[:, 0] = forward * cosine - across * sine
    place[:, 1] = left + forward * sine + across * cosine
    return place
