"""Circles show what squares hide: friction bends a circle, and only shrinks a square."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from reduced import reduced

from gantrysim.burn.simulation import simulate
from gantrysim.faults import TightWheels
from gantrysim.machine import Contact, Machine
from gantrysim.pattern.ringtest import ring_test

CENTRE = (215.0, 200.0)
HALF = 20.0


def steady(machine: Machine, shape: str) -> np.ndarray:
    """The second pass round one ring, closed, mm from its commanded centre."""
    test = ring_test((shape,), largest=HALF, smallest=HALF, centre=CENTRE, passes=2, start_deg=45.0)
    xy = simulate(machine, test, step=0.25).lines[-1].xy
    return xy[:-1] - CENTRE - (machine.head.along, machine.head.beyond)


def roundness(xy: np.ndarray) -> float:
    """Peak to valley about the algebraic least-squares circle, mm (enough for a trend)."""
    a = np.column_stack([2.0 * xy, np.ones(len(xy))])
    x, y, c = np.linalg.lstsq(a, np.sum(xy**2, axis=1), rcond=None)[0]
    return float(np.ptp(np.hypot(*(xy - (x, y)).T) - np.sqrt(c + x * x + y * y)))


def straightness(xy: np.ndarray) -> float:
    """Largest peak to valley of the four sides about their least-squares lines, mm.

    Only the middle of a side: within a few mm of a corner the machine winds up.
    """
    worst = 0.0
    for axis in (0, 1):
        for sign in (-1.0, 1.0):
            on_side = (sign * xy[:, axis] > 0.9 * HALF) & (np.abs(xy[:, 1 - axis]) < 0.75 * HALF)
            u, v = xy[on_side, 1 - axis], xy[on_side, axis]
            worst = max(worst, float(np.ptp(v - np.polyval(np.polyfit(u, v, 1), u))))
    return worst


def test_a_tight_side_spoils_the_circle_and_leaves_the_square_straight():
    healthy = Machine()
    forces = [0.0, 4.0, 8.0, 12.0, 16.0]
    tight = [healthy.with_faults(TightWheels("left", extra_force=f)) for f in forces]
    rounds = [roundness(steady(machine, "circle")) for machine in tight]
    assert all(b > a + 0.01 for a, b in pairwise(rounds))
    straights = [straightness(steady(machine, "square")) for machine in tight]
    # belts stiffer toward home bend a side by a few um; friction does not add to it
    assert max(straights) < 0.05 * max(rounds)
    assert max(straights) < 0.010


def information(machine: Machine, shape: str, *, force: str = "left.friction") -> float:
    """Fisher information about a friction in one ring measured once, unit noise, 1/N^2.

    The measured deviation is normal to the commanded line.  What the scales of both axes and the
    placement (shift, rotation) could explain as well is projected out; what is left of the
    derivative by friction is information (Cramer-Rao with nuisance parameters).
    """
    base = steady(machine, shape)
    normal, spread = normals(shape, base)

    def deviation(place: str, step: float) -> np.ndarray:
        value = machine.value(place)
        up, down = (steady(machine.set(place, value + d), shape) for d in (step, -step))
        return np.sum((up - down) * normal, axis=1) / (2.0 * step)

    wanted = deviation(force, 0.01)
    x, y = base.T
    nuisance = np.column_stack(
        [
            deviation("scale_x", 1e-5),
            deviation("scale_y", 1e-5),
            normal[:, 0],
            normal[:, 1],
            normal[:, 1] * x - normal[:, 0] * y,
        ]
    )
    root = np.sqrt(spread)
    basis, _ = np.linalg.qr(nuisance * root[:, None])
    left = wanted * root
    left = left - basis @ (basis.T @ left)
    return float(left @ left)


def normals(shape: str, xy: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Outward normals of the commanded line, and the length of line each sample stands for.

    Samples in a corner have no normal there and count nothing.
    """
    if shape == "circle":
        normal = xy / np.hypot(*xy.T)[:, None]
        return normal, np.full(len(xy), 0.25)
    normal = np.zeros_like(xy)
    axis = np.argmax(np.abs(xy), axis=1)
    rows = np.arange(len(xy))
    normal[rows, axis] = np.sign(xy[rows, axis])
    inside = np.abs(xy[rows, 1 - axis]) < 0.95 * HALF
    return normal, np.where(inside, 0.25, 0.0)


@pytest.mark.parametrize("racking", [500.0, 2000.0])
def test_a_circle_tells_the_friction_more_than_a_hundred_times_better_than_a_square(racking):
    ideal = reduced((5.0, 5.0, 3.0), (50.0, 50.0, 50.0), racking=racking, middle=CENTRE, span=430.0)
    told = {shape: information(ideal, shape) for shape in ("circle", "square")}
    assert told["circle"] > 100.0 * told["square"]


def test_information_of_the_nominal_machine():
    machine = replace(Machine(), contact=Contact.ideal())
    machine = machine.with_faults(TightWheels("left", extra_force=5.0))
    told = {shape: information(machine, shape) for shape in ("circle", "square")}
    ratio = told["circle"] / told["square"]
    print(f"\ninformation about the tight side, circle : square = {ratio:.0f} : 1")  # noqa: T201
    assert told["circle"] > 100.0 * told["square"]
