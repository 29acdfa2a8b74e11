"""How the burned path answers to small changes of the machine, along a run already made.

At a settled step the gradient of the block's energy vanishes; differentiating that equation
with the contacts held in their state of stick or slip gives one small linear system a step,
shared by all changes (implicit function theorem).  Where a contact changes state the path has
a kink but no jump, so the derivative exists everywhere else.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from gantrysim.machine import Machine
from gantrysim.mechanics.planner import Motion
from gantrysim.mechanics.quasistatic import BELT, Block, kernel, spring_law


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
    """Solve with the factor of `_factor` for every column of x, in place."""
    p = x.shape[1]
    for i in range(n):
        for k in range(i):
            f = h[i, k]
            for w in range(p):
                x[i, w] -= f * x[k, w]
    for i in range(n):
        f = 1.0 / h[i, i]
        for w in range(p):
            x[i, w] *= f
    for i in range(n - 1, -1, -1):
        for k in range(i + 1, n):
            f = h[k, i]
            for w in range(p):
                x[i, w] -= f * x[k, w]


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
    """Fill derivatives of the coordinates at every step, shape (steps, n, changes).

    The changes stand in the last place of every table (``d_...``: that of the number itself
    with one place more), so that the compiler runs them side by side.
    """
    steps, n = q.shape
    p, m_all = out.shape[2], rest.size
    dq = start.copy()
    dz = start.copy()
    h = np.zeros((n, n))
    x = np.zeros((n, p))
    change = np.zeros(p)
    force = np.zeros(m_all)
    stiff = np.zeros(m_all)
    at_rest = np.zeros(m_all)
    drag = np.zeros(n)
    before = q0.copy()
    z_before = q0.copy()
    load = np.zeros(n)
    d_load = np.zeros((n, p))
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
                grow = rack[i, 1] * (1.0 if f > 0.0 else (-1.0 if f < 0.0 else 0.0))
                stretch = f / k if k != 0.0 else 0.0
                for w in range(p):
                    de = -(d_rest[m, w] + d_follow[m, w] * c)
                    d_load[i, w] = grow * (k * de + d_laws[m, 0, w] * stretch)
                for j in range(n):
                    lever = grow * k * levers[m, j]
                    if lever != 0.0:
                        for w in range(p):
                            d_load[i, w] += lever * dq[j, w]
        for i in range(n):
            for j in range(n):
                h[i, j] = 0.0
            for w in range(p):
                x[i, w] = 0.0
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
            if not touched[m]:
                continue
            # change of the spring's force with each unknown, its ends held
            for w in range(p):
                change[w] = -stiff[m] * (d_rest[m, w] + d_follow[m, w] * c)
            for k in range(wave.shape[1]):
                by_sin, by_cos = stiff[m] * angle_sin[m, k], stiff[m] * angle_cos[m, k]
                for w in range(p):
                    change[w] -= d_wave[m, k, 0, w] * by_sin + d_wave[m, k, 1, w] * by_cos
            side = 0.0 if force[m] == 0.0 else (stiff[m] if force[m] > 0.0 else -stiff[m])
            if kinds[m] == BELT:
                by_ea, by_tension = _belt_slopes(laws, m, c, force[m], q[t], levers[m], at_rest[m])
                for w in range(p):
                    change[w] += d_laws[m, 0, w] * by_ea + d_laws[m, 3, w] * by_tension
                    change[w] -= side * d_laws[m, 5, w]
            else:
                stretch = force[m] / stiff[m] if stiff[m] != 0.0 else 0.0
                for w in range(p):
                    change[w] += d_laws[m, 0, w] * stretch - side * d_laws[m, 1, w]
            for i in range(n):
                lever = levers[m, i]
                if lever != 0.0:
                    for w in range(p):
                        x[i, w] -= lever * change[w]
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
        for i in range(n):
            if status[i] == 2:
                for w in range(p):
                    x[i, w] = dz[i, w]
                continue
            resist = creep[i]
            if h_t > 0.0:
                resist += viscous[i] / h_t
                moved = (q[t, i] - before[i]) / h_t
                bump = (mass[i] + carried[i] * other[t]) * jump[t] if stopping else 0.0
                for w in range(p):
                    x[i, w] -= d_viscous[i, w] * moved
                    x[i, w] -= (d_mass[i, w] + d_carried[i, w] * other[t]) * rush
                    x[i, w] -= d_pace[1, w] * bump
            for w in range(p):
                x[i, w] += resist * dq[i, w]
            if drag[i] > 0.0:
                raised = 1.0 + (break_away[i] - 1.0) * fall
                worse = drag[i] * fall
                if status[i] != 0:
                    by, held, eased = -float(status[i]), 0.0, 0.0
                else:
                    gap = q[t, i] - z[t, i]
                    held = (drag[i] * raised + load[i]) / give[i]
                    by, eased = -gap / give[i], held * gap / give[i]
                for w in range(p):
                    d_full = (d_friction[i, w] + d_weigh[i, 0, w]) * raised + d_load[i, w]
                    d_full += d_weigh[i, 1, w] * other[t] * raised + worse * d_break_away[i, w]
                    x[i, w] += by * d_full + held * dz[i, w] + eased * d_give[i, w]
        # clamped coordinates are known: carry them to the right-hand side
        for i in range(n):
            if status[i] == 2:
                for m in range(m_all):
                    if levers[m, i] != 0.0 and stiff[m] != 0.0:
                        for j in range(n):
                            if status[j] != 2:
                                pull = levers[m, j] * stiff[m] * levers[m, i]
                                for w in range(p):
                                    x[j, w] -= pull * dz[i, w]
        _back(h, x, n)
        for i in range(n):
            slides = drag[i] > 0.0 and (status[i] == 1 or status[i] == -1)
            for w in range(p):
                dq[i, w] = x[i, w]
                out[t, i, w] = x[i, w]
                if slides:
                    dz[i, w] = x[i, w] - status[i] * d_give[i, w]
            before[i] = q[t, i]
            z_before[i] = z[t, i]


@kernel
def _belt_slopes(
    laws: np.ndarray, m: int, command: float, force: float, q: np.ndarray, lever: np.ndarray,
    rest: float,
) -> tuple[float, float]:  # fmt: skip
    """Change of a belt's force with its EA and with its pretension at a fixed elongation."""
    e = -rest
    for j in range(q.size):
        e += lever[j] * q[j]
    a, b, tension, sag, play = _posed(BELT, laws, m, command)
    moved, _ = spring_law(BELT, a * (1.0 + 1e-6), b * (1.0 + 1e-6), tension, sag, e, play)
    tighter, _ = spring_law(BELT, a, b, tension + 1e-6, sag, e, play)
    return (moved - force) / (1e-6 * laws[m, 0]), (tighter - force) / 1e-6


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
        As given to `gantrysim.mechanics.quasistatic.march`.
    q, z : ndarray, shape (steps, n)
        The run.
    home : ndarray, shape (n,)
        Relaxed coordinates before the first step.
    home_changed : sequence of ndarray, shape (n,)
        The same for each changed block.

    Returns
    -------
    ndarray, shape (steps, n, len(changed))
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
        np.stack([(other[name] - base[name]) / amount for other in moved], axis=-1)
        for name in _NAMES
    ]
    start = np.stack([(h - home) / amount for h in home_changed], axis=-1)
    touched = np.zeros(len(base["rest"]), dtype=bool)
    for name in ("laws", "rest", "follow", "wave"):
        change = slopes[_NAMES.index(name)]
        touched |= np.any(change != 0.0, axis=tuple(range(1, change.ndim)))
    out = np.empty((len(q), q.shape[1], len(changed)))
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
    machine: Machine,
    q_y: np.ndarray,
    q_x: np.ndarray,
    d_y: np.ndarray,
    of_y: np.ndarray,
    d_x: np.ndarray,
    of_x: np.ndarray,
    out: np.ndarray,
) -> None:
    """Add derivatives of the spot from those of the coordinates.

    Parameters
    ----------
    machine : Machine
        For span and head offset.
    q_y, q_x : ndarray, shape (n, 4) and (n, 4)
        Coordinates of the two blocks.
    d_y, d_x : ndarray, shape (n, 4, j) and (n, 4, l)
        Their derivatives.
    of_y, of_x : ndarray of int, shape (j,) and (l,)
        Which unknowns those are.
    out : ndarray, shape (n, k, 2)
        Derivatives of the spot's x and y with all unknowns, mm per unit, to add to.
    """
    head = machine.head
    _add_spot(machine.span, head.along, head.beyond, q_y, q_x, d_y, of_y, d_x, of_x, out)


@kernel
def _add_spot(
    span: float, along: float, beyond: float, q_y: np.ndarray, q_x: np.ndarray,
    d_y: np.ndarray, of_y: np.ndarray, d_x: np.ndarray, of_x: np.ndarray, out: np.ndarray,
) -> None:  # fmt: skip
    for t in range(q_y.shape[0]):
        sine = (q_y[t, 1] - q_y[t, 0]) / span
        cosine = math.sqrt(1.0 - sine * sine)
        turn = math.asin(sine) + q_x[t, 1]
        lever_x = -along * math.sin(turn) - beyond * math.cos(turn)
        lever_y = along * math.cos(turn) - beyond * math.sin(turn)
        for j in range(of_y.size):
            d_sine = (d_y[t, 1, j] - d_y[t, 0, j]) / span
            d_turn = d_sine / cosine
            out[t, of_y[j], 0] += lever_x * d_turn - q_x[t, 0] * sine / cosine * d_sine
            out[t, of_y[j], 1] += d_y[t, 0, j] + q_x[t, 0] * d_sine + lever_y * d_turn
        for j in range(of_x.size):
            out[t, of_x[j], 0] += d_x[t, 3, j] + d_x[t, 0, j] * cosine + lever_x * d_x[t, 1, j]
            out[t, of_x[j], 1] += d_x[t, 0, j] * sine + lever_y * d_x[t, 1, j]
