"""How the burned path answers to small changes of the machine, along a run already made.

At a settled step the gradient of the block's energy vanishes; differentiating that equation
with the contacts held in their state of stick or slip gives one small linear system a step,
shared by all changes (implicit function theorem).  Where a contact changes state the path has
a kink but no jump, so the derivative exists everywhere else.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from gantrysim.machine import Machine
from gantrysim.mechanics import BELT, Block, kernel, spring_law
from gantrysim.planner import Motion


def _flat(block: Block) -> dict[str, np.ndarray]:
    """The numbers of a block on which its steps depend smoothly, as arrays."""
    height, phase = block.runout[:, :, 0], block.runout[:, :, 1]
    return {
        "laws": block.laws,
        "rest": block.rest,
        "follow": block.follow,
        "friction": block.friction,
        "give": block.give,
        "viscous": block.viscous,
        "mass": block.mass,
        "carried": block.carried,
        "break_away": block.break_away,
        "wave": np.stack([height * np.cos(phase), height * np.sin(phase)], axis=2),
        "weigh": block.weigh,
        "pace": np.array([block.stribeck_speed, block.swing]),
    }


_NAMES = (
    "laws", "rest", "follow", "friction", "give", "viscous", "mass", "carried", "break_away",
    "wave", "weigh", "pace",
)  # fmt: skip


@kernel
def _posed(
    kind: int, laws: np.ndarray, m: int, command: float
) -> tuple[float, float, float, float, float]:
    """Parameters of `spring_law` at a command."""
    if kind == BELT:
        first = laws[m, 1] + command
        a, b = laws[m, 0] / first, laws[m, 0] / (laws[m, 2] - first)
        return a, b, laws[m, 3], laws[m, 4], laws[m, 5]
    return laws[m, 0], laws[m, 1], laws[m, 2], 0.0, 0.0


@kernel
def _factor(h: np.ndarray, n: int) -> None:
    """LDL' of a tiny symmetric positive definite matrix, in place (lower half)."""
    for j in range(n):
        d = h[j, j]
        for k in range(j):
            d -= h[j, k] * h[j, k] * h[k, k]
        h[j, j] = d
        for i in range(j + 1, n):
            v = h[i, j]
            for k in range(j):
                v -= h[i, k] * h[j, k] * h[k, k]
            h[i, j] = v / d


@kernel
def _back(h: np.ndarray, x: np.ndarray, n: int) -> None:
    """Solve with the factor of `_factor`, in place."""
    for i in range(n):
        for k in range(i):
            x[i] -= h[i, k] * x[k]
    for i in range(n):
        x[i] /= h[i, i]
    for i in range(n - 1, -1, -1):
        for k in range(i + 1, n):
            x[i] -= h[k, i] * x[k]


@kernel
def _tangents(
    q: np.ndarray, z: np.ndarray, q0: np.ndarray,
    command: np.ndarray, other: np.ndarray, dt: np.ndarray, velocity: np.ndarray,
    acceleration: np.ndarray, jump: np.ndarray,
    levers: np.ndarray, kinds: np.ndarray, creep: np.ndarray, rack: np.ndarray,
    turns: np.ndarray,
    laws: np.ndarray, rest: np.ndarray, follow: np.ndarray, friction: np.ndarray,
    give: np.ndarray, viscous: np.ndarray, mass: np.ndarray, carried: np.ndarray,
    break_away: np.ndarray, wave: np.ndarray, weigh: np.ndarray, pace: np.ndarray,
    d_laws: np.ndarray, d_rest: np.ndarray, d_follow: np.ndarray, d_friction: np.ndarray,
    d_give: np.ndarray, d_viscous: np.ndarray, d_mass: np.ndarray, d_carried: np.ndarray,
    d_break_away: np.ndarray, d_wave: np.ndarray, d_weigh: np.ndarray, d_pace: np.ndarray,
    touched: np.ndarray, start: np.ndarray, out: np.ndarray,
) -> None:  # fmt: skip
    """Fill derivatives of the coordinates at every step, shape (steps, changes, n)."""
    steps, n = q.shape
    p, m_all = d_laws.shape[0], rest.size
    dq = start.copy()
    dz = start.copy()
    h = np.zeros((n, n))
    x = np.zeros(n)
    force = np.zeros(m_all)
    stiff = np.zeros(m_all)
    at_rest = np.zeros(m_all)
    drag = np.zeros(n)
    before = q0.copy()
    z_before = q0.copy()
    load = np.zeros(n)
    d_load = np.zeros((p, n))
    status = np.zeros(n, dtype=np.int64)
    for t in range(steps):
        c, h_t = command[t], dt[t]
        angle_sin, angle_cos = np.sin(turns * c), np.cos(turns * c)
        rush, fall, speed = 0.0, 0.0, 0.0
        stopping = jump[t] * velocity[t] < 0.0
        if h_t > 0.0:
            rush = acceleration[t] + (pace[1] * jump[t] if stopping else 0.0)
            speed = velocity[t] / pace[0]
            fall = np.exp(-speed * speed)
        for i in range(n):
            drag[i] = friction[i] + weigh[i, 0] + weigh[i, 1] * other[t]
        # the load of a racked plate comes from the step before, at this step's command
        for i in range(n):
            load[i] = 0.0
            if rack[i, 1] > 0.0:
                m = int(rack[i, 0])
                e = -(rest[m] + follow[m] * c)
                for j in range(n):
                    e += levers[m, j] * before[j]
                a0, a1, a2, a3, play = _posed(kinds[m], laws, m, c)
                f, k = spring_law(kinds[m], a0, a1, a2, a3, e, play)
                load[i] = rack[i, 1] * abs(f)
                sign = 1.0 if f > 0.0 else (-1.0 if f < 0.0 else 0.0)
                for w in range(p):
                    de = -(d_rest[w, m] + d_follow[w, m] * c)
                    for j in range(n):
                        de += levers[m, j] * dq[w, j]
                    df = k * de
                    if k != 0.0:
                        df += d_laws[w, m, 0] * f / k
                    d_load[w, i] = rack[i, 1] * sign * df
        for i in range(n):
            for j in range(n):
                h[i, j] = 0.0
        for m in range(m_all):
            at_rest[m] = rest[m] + follow[m] * c
            for k in range(wave.shape[1]):
                at_rest[m] += wave[m, k, 0] * angle_sin[m, k] + wave[m, k, 1] * angle_cos[m, k]
            e = -at_rest[m]
            for j in range(n):
                e += levers[m, j] * q[t, j]
            a0, a1, a2, a3, play = _posed(kinds[m], laws, m, c)
            force[m], stiff[m] = spring_law(kinds[m], a0, a1, a2, a3, e, play)
            for i in range(n):
                for j in range(i + 1):
                    h[i, j] += levers[m, i] * stiff[m] * levers[m, j]
        for i in range(n):
            resist = creep[i]
            if h_t > 0.0:
                resist += viscous[i] / h_t
            h[i, i] += resist
            status[i] = 0
            if drag[i] > 0.0:
                if give[i] > 0.0:
                    gap = q[t, i] - z[t, i]
                    if abs(gap) >= give[i] * (1.0 - 1e-7):
                        status[i] = 1 if gap > 0.0 else -1
                    else:
                        full = drag[i] * (1.0 + (break_away[i] - 1.0) * fall) + load[i]
                        h[i, i] += full / give[i]
                else:
                    moved = z[t, i] - z_before[i]
                    if abs(moved) > 1e-11:
                        status[i] = 1 if moved > 0.0 else -1
                    else:
                        status[i] = 2  # clamped
        for i in range(n):
            if status[i] == 2:
                for j in range(i):
                    h[i, j] = 0.0
                for j in range(i + 1, n):
                    h[j, i] = 0.0
                h[i, i] = 1.0
        _factor(h, n)
        for w in range(p):
            for i in range(n):
                x[i] = 0.0
            for m in range(m_all):
                if not touched[w, m]:
                    continue
                slope = d_rest[w, m] + d_follow[w, m] * c
                for k in range(wave.shape[1]):
                    slope += d_wave[w, m, k, 0] * angle_sin[m, k]
                    slope += d_wave[w, m, k, 1] * angle_cos[m, k]
                change = -stiff[m] * slope
                if d_laws[w, m, 0] != 0.0:
                    if kinds[m] == BELT:
                        change += _belt_change(
                            laws, m, c, d_laws[w, m, 0], d_laws[w, m, 3], force[m], q[t], levers[m],
                            at_rest[m],
                        )  # fmt: skip
                    elif stiff[m] != 0.0:
                        change += d_laws[w, m, 0] * force[m] / stiff[m]
                elif kinds[m] == BELT and d_laws[w, m, 3] != 0.0:
                    change += _belt_change(
                        laws, m, c, 0.0, d_laws[w, m, 3], force[m], q[t], levers[m],
                        at_rest[m],
                    )  # fmt: skip
                d_play = d_laws[w, m, 5 if kinds[m] == BELT else 1]
                if d_play != 0.0 and force[m] != 0.0:
                    change -= stiff[m] * d_play * (1.0 if force[m] > 0.0 else -1.0)
                if change != 0.0:
                    for i in range(n):
                        x[i] -= levers[m, i] * change
            for i in range(n):
                if status[i] == 2:
                    x[i] = dz[w, i]
                    continue
                resist = creep[i]
                if h_t > 0.0:
                    resist += viscous[i] / h_t
                    x[i] -= d_viscous[w, i] / h_t * (q[t, i] - before[i])
                    inertia = d_mass[w, i] + d_carried[w, i] * other[t]
                    x[i] -= inertia * rush
                    if stopping:
                        x[i] -= (mass[i] + carried[i] * other[t]) * d_pace[w, 1] * jump[t]
                x[i] += resist * dq[w, i]
                if drag[i] > 0.0:
                    d_drag = d_friction[w, i] + d_weigh[w, i, 0] + d_weigh[w, i, 1] * other[t]
                    raised = 1.0 + (break_away[i] - 1.0) * fall
                    d_full = d_drag * raised + d_load[w, i]
                    d_full += drag[i] * d_break_away[w, i] * fall
                    if status[i] != 0:
                        x[i] -= status[i] * d_full
                    else:
                        full = drag[i] * raised + load[i]
                        gap = q[t, i] - z[t, i]
                        x[i] += full / give[i] * dz[w, i]
                        x[i] -= (d_full - full * d_give[w, i] / give[i]) / give[i] * gap
            # clamped coordinates are known: carry them to the right-hand side
            for i in range(n):
                if status[i] == 2:
                    for m in range(m_all):
                        if levers[m, i] != 0.0 and stiff[m] != 0.0:
                            for j in range(n):
                                if status[j] != 2:
                                    x[j] -= levers[m, j] * stiff[m] * levers[m, i] * dz[w, i]
            _back(h, x, n)
            for i in range(n):
                dq[w, i] = x[i]
                out[t, w, i] = x[i]
                if drag[i] > 0.0 and (status[i] == 1 or status[i] == -1):
                    dz[w, i] = x[i] - status[i] * d_give[w, i]
        for i in range(n):
            before[i] = q[t, i]
            z_before[i] = z[t, i]


@kernel
def _belt_change(
    laws: np.ndarray, m: int, command: float, d_ea: float, d_tension: float, force: float,
    q: np.ndarray, lever: np.ndarray, rest: float,
) -> float:  # fmt: skip
    """Change of a belt's force with its EA and pretension at a fixed elongation."""
    e = -rest
    for j in range(q.size):
        e += lever[j] * q[j]
    a, b, tension, sag, play = _posed(BELT, laws, m, command)
    change = 0.0
    if d_ea != 0.0:
        tiny = 1e-6 * laws[m, 0]
        factor = 1.0 + 1e-6
        moved, _ = spring_law(BELT, a * factor, b * factor, tension, sag, e, play)
        change += d_ea * (moved - force) / tiny
    if d_tension != 0.0:
        moved, _ = spring_law(BELT, a, b, tension + 1e-6, sag, e, play)
        change += d_tension * (moved - force) / 1e-6
    return change


def tangents(
    block: Block,
    changed: Sequence[Block],
    amount: float,
    motion: Motion,
    axis: int,
    q: np.ndarray,
    z: np.ndarray,
    home: np.ndarray,
    home_changed: Sequence[np.ndarray],
) -> np.ndarray:
    """Derivatives of a block's coordinates along a run.

    Parameters
    ----------
    block : Block
        The block that made the run.
    changed : sequence of Block
        The same block with each unknown moved by ``amount``.
    amount : float
        Size of that move.
    motion, axis : Motion, int
        As given to `gantrysim.mechanics.march`.
    q, z : ndarray, shape (steps, n)
        The run.
    home : ndarray, shape (n,)
        Relaxed coordinates before the first step.
    home_changed : sequence of ndarray, shape (n,)
        The same for each changed block.

    Returns
    -------
    ndarray, shape (steps, len(changed), n)
        Change of each coordinate per unit of each unknown.

    Raises
    ------
    ValueError
        If a set screw slips on the run, or an unknown moves what has no derivative here.
    """
    _check_covered(block, changed)
    _check_screws(block, motion.xy[:, axis], q, home)
    base = _flat(block)
    moved = [_flat(other) for other in changed]
    slopes = [
        np.ascontiguousarray(np.stack([(other[name] - base[name]) / amount for other in moved]))
        for name in _NAMES
    ]
    start = np.stack([(h - home) / amount for h in home_changed])
    d_laws, d_rest, d_follow, d_wave = (
        slopes[_NAMES.index(name)] for name in ("laws", "rest", "follow", "wave")
    )
    touched = np.any(d_laws != 0.0, axis=2) | (d_rest != 0.0) | (d_follow != 0.0)
    touched |= np.any(d_wave != 0.0, axis=(2, 3))
    out = np.empty((len(q), len(changed), q.shape[1]))
    along = [motion.velocity[:, axis], motion.acceleration[:, axis], motion.jump[:, axis]]
    commands = [motion.xy[:, axis], motion.xy[:, 1 - axis], motion.dt, *along]
    still = [
        block.levers,
        block.kinds,
        block.creep,
        block.rack,
        2.0 * np.pi * block.runout[:, :, 2],
    ]
    numbers = [base[name] for name in _NAMES]
    arguments = [q, z, home, *map(np.ascontiguousarray, commands), *still, *numbers, *slopes]
    _tangents(*arguments, touched, start, out)  # type: ignore[call-arg]
    return out


def _check_covered(block: Block, changed: Sequence[Block]) -> None:
    """Refuse unknowns that move what the derivatives take as fixed."""
    base = _fixed(block)
    for other in changed:
        for name, numbers in _fixed(other).items():
            if not np.array_equal(numbers, base[name]):
                raise ValueError(
                    f"an unknown changes the {name} of the machine, of which there is no "
                    "derivative along a run; accepted are unknowns such as drags, stiffnesses, "
                    "plays and tensions."
                )


def _fixed(block: Block) -> dict[str, np.ndarray]:
    """The numbers of a block that the derivatives take as fixed."""
    return {
        "levers": block.levers,
        "kinds of springs": block.kinds,
        "free spans, loops or sag of a belt": block.laws[block.kinds == BELT][:, [1, 2, 4]],
        "periods of an error": block.runout[:, :, 2],
        "load drag": block.rack,
    }


def _check_screws(block: Block, command: np.ndarray, q: np.ndarray, home: np.ndarray) -> None:
    """Refuse a run on which a set screw slips: what it keeps of that has no derivative here."""
    for m in np.flatnonzero(block.screws):
        away = np.append(q @ block.levers[m] - block.follow[m] * command, 0.0)
        away[-1] = home @ block.levers[m] - block.follow[m] * command[0]
        most = float(np.abs(away - block.rest[m]).max())
        if most > (block.laws[m, 1] + block.laws[m, 2]) * (1.0 + 1e-9):
            raise ValueError(
                f"a set screw of the cross shaft that holds {block.hold[m]:g} N slips on this "
                "run, of which there is no derivative; give shaft.hold_force a value that holds."
            )


def spot_tangent(
    machine: Machine, q_y: np.ndarray, q_x: np.ndarray, d_y: np.ndarray, d_x: np.ndarray
) -> np.ndarray:
    """Derivatives of the spot from those of the coordinates.

    Parameters
    ----------
    machine : Machine
        For span and head offset.
    q_y, q_x : ndarray, shape (n, 4) and (n, 4)
        Coordinates of the two blocks.
    d_y, d_x : ndarray, shape (n, k, 4) and (n, k, 3)
        Their derivatives.

    Returns
    -------
    ndarray, shape (n, k, 2)
        Derivative of the spot's x and y, mm per unit.
    """
    sine = ((q_y[:, 1] - q_y[:, 0]) / machine.span)[:, None]
    cosine = np.sqrt(1.0 - sine**2)
    s, rock = q_x[:, 0][:, None], q_x[:, 1][:, None]
    turn = np.arcsin(sine) + rock
    d_sine = (d_y[:, :, 1] - d_y[:, :, 0]) / machine.span
    d_turn = d_sine / cosine + d_x[:, :, 1]
    along, beyond = machine.head.along, machine.head.beyond
    lever_x = -along * np.sin(turn) - beyond * np.cos(turn)
    lever_y = along * np.cos(turn) - beyond * np.sin(turn)
    x = d_x[:, :, 3] + d_x[:, :, 0] * cosine - s * sine / cosine * d_sine + lever_x * d_turn
    y = d_y[:, :, 0] + d_x[:, :, 0] * sine + s * d_sine + lever_y * d_turn
    return np.stack([x, y], axis=2)
