"""Speed of the mechanics beside general-purpose integrators, and how it grows.

One command, from the repository: ``python -m pytest tests/benchmarks/bench_mechanics.py -s``.
The file is not collected by the normal run.  Each comparison is made in one run at the same
accuracy: the error against a solution with steps of 10 us stands beside each time.
"""

from __future__ import annotations

import sys
import tracemalloc
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from numba import njit
from scipy.integrate import solve_ivp

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import test_referee as referee
from equations import at_rest, command, make_rates, numbers, without_rigid_contacts
from reduced import reduced

from gantrysim.burn.simulation import simulate
from gantrysim.machine import Machine
from gantrysim.mechanics.assembly import x_block, y_block
from gantrysim.mechanics.dynamics import march_in_time
from gantrysim.mechanics.planner import Timeline, sampled, timeline
from gantrysim.pattern.ringtest import ring_test

SECONDS = 4.0
STEP = 5e-4  # s, the default of `simulate` on the nominal machine
SEEN = 0.01  # s between compared places
SIDES = [0, 1, 4]  # left and right plate, carriage

TAKEN: dict[str, float] = {}


def clocked(benchmark, name: str, call: Callable[[], object], rounds: int = 5) -> object:
    """Median time of a warm call, kept for the ratios."""
    call()
    out = benchmark.pedantic(call, rounds=rounds, iterations=1)
    TAKEN[name] = benchmark.stats.stats.median
    return out


def note(text: str) -> None:
    print(f"\n    {text}", end="")


# --- the whole machine on a circle of 20 mm at 40 mm/s ---------------------------------------


@pytest.fixture(scope="module")
def whole() -> tuple[Machine, Timeline]:
    machine = without_rigid_contacts(Machine())
    t = np.arange(round(SECONDS / 1e-4) + 1) * 1e-4
    pieces = sampled(t, np.array([command(x)[:2] for x in t])).pieces
    return machine, Timeline(pieces, np.arange(round(SECONDS / SEEN) + 1) * SEEN)


def march_both(machine: Machine, course: Timeline, step: float) -> np.ndarray:
    runs = [
        march_in_time(make(machine), course, axis, time_step=step).q
        for make, axis in ((y_block, 1), (x_block, 0))
    ]
    return np.hstack(runs)


@pytest.fixture(scope="module")
def truth(whole) -> np.ndarray:
    return march_both(*whole, 1e-5)


def error_um(places: np.ndarray, truth: np.ndarray) -> float:
    return float(1e3 * np.abs(places - truth)[:, SIDES].max())


def test_dynamics(benchmark, whole, truth):
    places = clocked(benchmark, "dynamics", lambda: march_both(*whole, STEP), 15)
    off = error_um(places, truth)
    note(f"error {off:.2f} um, {SECONDS / TAKEN['dynamics']:.0f} times real time (bar 200)")
    assert off < 1.0


@pytest.mark.parametrize("right_side", ["python", "compiled"])
@pytest.mark.parametrize("method, rtol", [("RK45", 1e-3), ("LSODA", 1e-4)])
def test_solve_ivp(benchmark, whole, truth, right_side, method, rtol):
    """The same equations; the loosest tolerance whose error comes near ours."""
    rates = make_rates(command, njit if right_side == "compiled" else lambda f: f)
    p = numbers(whole[0])
    rates(0.0, at_rest(), p)

    def solve() -> np.ndarray:
        return solve_ivp(
            rates, (0.0, SECONDS), at_rest(), method, whole[1].arrival, rtol=rtol, atol=rtol,
            args=(p,),
        ).y.T[:, :7]  # fmt: skip

    name = f"solve_ivp {method}, {right_side} equations"
    places = clocked(benchmark, name, solve, 3)
    ratio = TAKEN[name] / TAKEN["dynamics"]
    note(f"error {error_um(places, truth):.2f} um, ours is {ratio:.0f} times faster (bar 100)")
    assert error_um(places, truth) < 1.0


# --- one mass on one belt, the reduced machine ----------------------------------------------


@pytest.fixture(scope="module")
def one_mass() -> tuple[Machine, Timeline, np.ndarray]:
    t, place, speed = referee.reciprocation()
    machine = reduced((0.0, 4.0, 0.0), (20.0,) * 3, span=400.0)
    machine = referee.heavy(machine, mass=referee.HEAVY, centre=200.0)
    course = sampled(t, np.column_stack([np.zeros_like(t), 1e3 * place]))
    return machine, Timeline(course.pieces, t[::50]), np.column_stack([place, speed])


def test_dynamics_of_one_mass(benchmark, one_mass):
    machine, course, _ = one_mass

    def march_one(step: float = STEP) -> np.ndarray:
        return march_in_time(y_block(machine), course, 1, time_step=step).q[:, 1]

    places = clocked(benchmark, "one mass", march_one, 15)
    note(f"error {1e3 * np.abs(places - march_one(1e-5)).max():.3f} um")


def test_mujoco_on_one_mass(benchmark, one_mass):
    mujoco = pytest.importorskip("mujoco", reason="MuJoCo is not installed.")
    machine, course, drive = one_mass
    xml = referee.one_axis(4.0, 20.0, 0.0, referee.HEAVY, referee.DRAG)
    places = clocked(
        benchmark, "mujoco", lambda: referee.run(mujoco, xml, (drive[:, 0], drive[:, 1])), 3
    )
    truth = march_in_time(y_block(machine), course, 1, time_step=1e-5).q[:, 1]
    ratio = TAKEN["mujoco"] / TAKEN["one mass"]
    off = np.abs(1e3 * places[::50, -1] - truth).max()
    note(f"error {1e3 * off:.3f} um at {referee.STEP:g} s, ours is {ratio:.0f} times faster")


# --- full tests, and how they grow ----------------------------------------------------------


def test_full_test_slow_limit(benchmark):
    machine, test = Machine(), ring_test()
    clocked(benchmark, "slow limit", lambda: simulate(machine, test), 31)
    note(f"{1e3 * TAKEN['slow limit']:.1f} ms (bar 10)")


def test_full_test_dynamics(benchmark):
    machine, test = Machine(), ring_test()
    burn = clocked(benchmark, "full test", lambda: simulate(machine, test, inertia=True))
    note(f"{burn.duration:.0f} s drawn, {burn.duration / TAKEN['full test']:.0f} times real time")


def growth(name: str, counts: list[int]) -> None:
    """Print times per count; grown faster than in proportion they would rise."""
    each = [1e3 * TAKEN[f"{name} {n}"] / n for n in counts]
    note(
        f"{name}: "
        + ", ".join(f"{n}: {ms:.2f} ms each" for n, ms in zip(counts, each, strict=True))
    )


@pytest.mark.parametrize("inertia", [False, True], ids=["slow limit", "dynamics"])
@pytest.mark.parametrize("passes", [1, 2, 4, 8])
def test_growth_with_passes(benchmark, passes, inertia):
    test = ring_test(spacing=10.0, largest=40.0, passes=passes)
    name = f"passes, {'dynamics' if inertia else 'slow limit'}"
    call = lambda: simulate(Machine(), test, inertia=inertia)  # noqa: E731
    clocked(benchmark, f"{name} {passes}", call)
    if passes == 8:
        growth(name, [1, 2, 4, 8])


@pytest.mark.parametrize("rings", [2, 5, 10, 20])
def test_growth_with_rings(benchmark, rings):
    """Rings of one size range: their mean length, and so the work for each, stays the same."""
    test = ring_test(("circle",), spacing=20.0 / rings, largest=40.0, smallest=20.1)
    clocked(benchmark, f"rings {rings}", lambda: simulate(Machine(), test, inertia=True))
    assert len(test.nests[0].sizes) == rings
    if rings == 20:
        growth("rings", [2, 5, 10, 20])


@pytest.mark.parametrize("count", [1, 4, 16])
def test_growth_with_machines(benchmark, count):
    """One after the other, none kept: time in proportion, memory flat."""
    test = ring_test(spacing=10.0, largest=40.0)
    machines = [Machine().set("left.friction", 2.0 + 0.1 * k) for k in range(count)]

    def all_of_them() -> None:
        for machine in machines:
            simulate(machine, test, inertia=True)

    clocked(benchmark, f"machines {count}", all_of_them, 3)
    tracemalloc.start()
    all_of_them()
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    note(f"peak memory {peak / 1e6:.2f} MB")
    if count == 16:
        growth("machines", [1, 4, 16])


def test_memory_does_not_grow_with_the_duration():
    """The march keeps samples, not time steps: ten times finer steps need no more."""
    test = ring_test(spacing=10.0, largest=20.0)
    course = timeline(test, test.strokes())
    peaks = []
    for step in (1e-3, 1e-4):
        block = y_block(Machine())
        tracemalloc.start()
        march_in_time(block, course, 1, time_step=step)
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    note(f"peak memory {peaks[0] / 1e6:.2f} and {peaks[1] / 1e6:.2f} MB")
    assert peaks[1] < 1.05 * peaks[0]
