"""The minimiser: bring one block of the mechanism to rest against its springs and contacts.

A step minimises, over the block's coordinates q,

    sum of spring energies(A q - rest)  +  sum_j psi_j(q_j - z_j)  +  q'Hq/2 - g'q

where psi_j is the dissipation of a wheel contact: F |x| for a rigid contact, and with a
presliding distance d its Moreau envelope (a spring F/d that slips at F; the Prandtl stop element).
z_j is where the contact last gripped.

The minimiser is found by Newton's method on the springs for a given set of sliding contacts,
inside an active-set search over stick and slip that falls back to Murty's least-index rule
(finite for P-matrices), so that a step cannot cycle.
"""

from __future__ import annotations

from typing import Any

from gantrysim.mechanics.springs import bending_place, spring_law
from gantrysim.records.compiled import kernel, large_kernel

#: A free coordinate is settled when the force left on it is below this, N.
FORCE_TOLERANCE = 1e-9

#: ... or when that force would move it by less than this part of 1 mm plus its lag.
PLACE_TOLERANCE = 1e-14

Record = Any  # a row of an array as `gantrysim.mechanics.state.record` lays it out

_EDGE = 1e-12  # mm: a contact this close to slipping back has not
_PIVOT = 1e-15  # of a diagonal entry: what rounding leaves of it


@kernel
def gradient(b: Record) -> None:
    """Fill the gradient of a block's energy, and force and stiffness of each spring."""
    held_gradient(b)
    for m in range(b.k.size):
        b.force[m], b.k[m] = spring_at(b, m)
        for i in range(b.q.size):
            b.g[i] += b.levers[m, i] * b.force[m]


@kernel
def held_gradient(b: Record) -> None:
    """Fill the part of the gradient that is not from springs: contacts, drag, inertia."""
    n = b.q.size
    for i in range(n):
        total = b.resist[i] * b.q[i] - b.pull[i]
        if b.coupled > 0.0:
            for j in range(n):
                total += b.held[i, j] * b.q[j]
        if b.friction[i] > 0.0:
            if b.status[i] != 0:
                total += b.status[i] * b.friction[i]
            elif b.presliding[i] > 0.0:
                total += b.friction[i] / b.presliding[i] * (b.q[i] - b.z[i])
        b.g[i] = total


@kernel
def spring_at(b: Record, m: int) -> tuple[float, float]:
    """Force and stiffness of one spring of a block as it stands."""
    e = elongation(b, m)
    return spring_law(
        b.kinds[m], b.laws[m, 0], b.laws[m, 1], b.laws[m, 2], b.laws[m, 3], e, b.laws[m, 4]
    )


@kernel
def elongation(b: Record, m: int) -> float:
    """Elongation of one spring of a block as it stands."""
    e = -b.rest[m]
    for i in range(b.q.size):
        e += b.levers[m, i] * b.q[i]
    return float(e)


@kernel
def hessian(b: Record) -> None:
    """Fill the lower half of a block's Hessian and the stiffness of each coordinate.

    A clamped coordinate gets a unit row.
    """
    n = b.q.size
    for i in range(n):
        for j in range(i + 1):
            b.hess[i, j] = b.held[i, j]
        b.hess[i, i] += b.resist[i]
    for m in range(b.k.size):
        for i in range(n):
            a = b.levers[m, i] * b.k[m]
            for j in range(i + 1):
                b.hess[i, j] += a * b.levers[m, j]
    for i in range(n):
        b.stiff[i] = b.hess[i, i]
        if clamped(b, i):
            for j in range(i):
                b.hess[i, j] = 0.0
            for j in range(i + 1, n):
                b.hess[j, i] = 0.0
            b.hess[i, i] = 1.0
        elif b.friction[i] > 0.0 and b.status[i] == 0:
            b.hess[i, i] += b.friction[i] / b.presliding[i]
            b.stiff[i] = b.hess[i, i]


@kernel
def clamped(b: Record, i: int) -> bool:
    """Whether a coordinate is held fast by a rigid contact."""
    return bool(b.friction[i] > 0.0 and b.status[i] == 0 and b.presliding[i] == 0.0)


@kernel
def factor(b: Record) -> None:
    """Factor the Hessian LDL' in place (symmetric positive definite, tiny).

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


@kernel
def newton_step(b: Record, c: Record) -> None:
    """Newton step of block c down its gradient, with the factored Hessian of block b."""
    n = b.q.size
    for i in range(n):
        total = -c.g[i]
        for k in range(i):
            total -= b.hess[i, k] * c.step[k]
        c.step[i] = total
    for i in range(n - 1, -1, -1):
        total = c.step[i] * b.hess[i, i]
        for k in range(i + 1, n):
            total -= b.hess[k, i] * c.step[k]
        c.step[i] = total


@kernel
def _slope(b: Record) -> float:
    """Slope of the energy along the step, for the coordinates that are free to move."""
    slope = 0.0
    for i in range(b.q.size):
        if not clamped(b, i):
            slope += b.g[i] * b.step[i]
    return slope


@kernel
def _balanced(b: Record) -> bool:
    """Whether the force left on every free coordinate is below the tolerances."""
    balanced = True
    for i in range(b.q.size):
        if abs(b.g[i]) > _slack(b, i) and not clamped(b, i):
            balanced = False
    return balanced


@kernel
def _slack(b: Record, i: int) -> float:
    """Force on a coordinate that counts as none, N: a stiff part's rounding is large."""
    return FORCE_TOLERANCE + PLACE_TOLERANCE * (1.0 + abs(b.q[i])) * b.stiff[i]


@large_kernel
def _minimise(b: Record) -> bool:
    """Newton's method on the springs for the contacts as they stand; True when balanced."""
    n = b.q.size
    for i in range(n):
        if clamped(b, i):
            b.q[i] = b.z[i]
    slope0 = 0.0
    for turn in range(60):
        gradient(b)
        if _balanced(b):
            return True
        if turn > 0:
            slope = _slope(b)
            if slope > 0.5 * abs(slope0):
                _search(b, slope0, slope)
        hessian(b)
        for i in range(n):
            if clamped(b, i):
                b.g[i] = 0.0
            b.start[i] = b.q[i]
        factor(b)
        newton_step(b, b)
        slope0 = _slope(b)
        for i in range(n):
            b.q[i] += b.step[i]
    return False


@large_kernel
def _search(b: Record, slope_low: float, slope_high: float) -> None:
    """Shorten an overshooting Newton step to where the energy along it is least.

    The energy is convex, so its slope along the step rises, and it rises in straight pieces
    but for the sag of a belt.  First the places where a spring's law bends close in on the
    root, then false position finds it on the piece between them; every third trial halves,
    in case a sagging belt will not let one end move.
    """
    low, high = 0.0, 1.0
    goal = 0.5 * abs(slope_low)
    bends = 4 * b.k.size
    for turn in range(bends + 60):
        if turn < bends:
            t = _bend_ahead(b, turn // 4, turn % 4)
            if not low < t < high:
                continue
        elif turn % 3 == 2:
            t = 0.5 * (low + high)
        else:
            t = (low * slope_high - high * slope_low) / (slope_high - slope_low)
        for i in range(b.q.size):
            b.q[i] = b.start[i] + t * b.step[i]
        gradient(b)
        slope = _slope(b)
        if abs(slope) <= goal:
            return
        if slope > 0.0:
            high, slope_high = t, slope
        else:
            low, slope_low = t, slope


@kernel
def _bend_ahead(b: Record, m: int, which: int) -> float:
    """Part of the step after which one spring's law bends; negative if it never does."""
    at, rate = -b.rest[m], 0.0
    for i in range(b.q.size):
        at += b.levers[m, i] * b.start[i]
        rate += b.levers[m, i] * b.step[i]
    if rate == 0.0:
        return -1.0
    law = b.laws[m]
    return (bending_place(b.kinds[m], law[0], law[1], law[2], law[4], which) - at) / rate


@large_kernel
def settle(b: Record) -> bool:
    """Bring one block to the minimum of its energy plus dissipation, in place.

    Parameters
    ----------
    b : record
        One block as `gantrysim.mechanics.state.record` lays it out.  Updated are ``q``, the
        coordinates, ``z``, where the contacts last gripped, and ``status``: -1, 0, +1 for a
        contact that slips backward, sticks, slips forward.

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
            grip(b)
            return balanced
    return False


@kernel
def grip(b: Record) -> None:
    """Let contacts that slip take their grip along, their presliding distance behind."""
    for i in range(b.q.size):
        if b.friction[i] > 0.0 and b.status[i] != 0:
            b.z[i] = b.q[i] - b.status[i] * b.presliding[i]


@kernel
def _status(b: Record, i: int) -> int:
    """What a contact should do, judged by where its coordinate is or what pulls on it."""
    if b.friction[i] <= 0.0:
        return 0
    x = b.q[i] - b.z[i]
    if b.status[i] != 0:
        return 0 if x * b.status[i] < b.presliding[i] - _EDGE else b.status[i]
    if b.presliding[i] > 0.0:
        if abs(x) > b.presliding[i] + _EDGE:
            return 1 if x > 0.0 else -1
    elif abs(b.g[i]) > b.friction[i] + _slack(b, i):
        return -1 if b.g[i] > 0.0 else 1
    return 0
