"""The kernel against open measured records, read raw.

Both records lie beside the repository and are not part of it; without them these tests are
skipped.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pytest
from reduced import along_x, constant_belt, lay, reduced
from scipy.io import loadmat
from scipy.optimize import least_squares
from scipy.signal import butter, cheby1, filtfilt
from shared_data import DATA, beside
from swinging import mass_on_spring, swing


def per_cent(measured: np.ndarray, simulated: np.ndarray) -> float:
    """Norm of the difference over that of the measurement, %."""
    return float(100.0 * np.linalg.norm(measured - simulated) / np.linalg.norm(measured))


# --- a reciprocating sliding contact with compliance ----------------------------------------


@pytest.fixture(scope="module")
def loop() -> tuple[np.ndarray, np.ndarray]:
    """Place (mm) and friction (N, positive against motion forward) from 12 to 200 s, 200 Hz.

    Source: examples of the open package jchristopherson/FrictionModels.jl, test_data_2.txt (MIT):
    reciprocation of 4 s period under 5 N.  Forces are in uN, and the friction is what the
    sensor feels: its sign is the other way round.
    """
    path = beside(DATA / "friction_loop" / "test_data_2.txt")
    t, _, place, friction = np.loadtxt(path, skiprows=1).T
    loaded = (t >= 12.0) & (t <= 200.0)
    return place[loaded], -1e-6 * friction[loaded]


def stop_force(place: np.ndarray, stiffness: float, limit: float) -> np.ndarray:
    """Force of one stop element along a path: our carriage on its belt, in the slow limit, N."""
    middle = float(place.mean())
    path = place - middle
    machine = reduced((0.0, 0.0, limit)).set("belt_x", constant_belt(stiffness, 0.0))
    return stiffness * (path - lay(machine, along_x(path))[0][:, 0])


LEAD_IN = 8.0 / 188.0  # part of the record: 12 to 20 s, two cycles in which it forgets its start


def left_over(measured: np.ndarray, force: np.ndarray) -> np.ndarray:
    """What the force leaves unexplained after the lead-in, N, with a free zero of the sensor."""
    left = (measured - force)[round(LEAD_IN * measured.size) :]
    return left - left.mean()


def explained(measured: np.ndarray, force: np.ndarray) -> tuple[float, float]:
    """R^2 about the mean, and rms of what is left, N."""
    left = left_over(measured, force)
    return 1.0 - float(left.var() / measured[-left.size :].var()), float(left.std())


def test_one_stop_element_is_the_measured_loop(loop):
    """k 40.4 N/mm and limit 2.364 N explain R^2 = 0.9975 of the force, 0.107 N rms left."""
    place, friction = loop
    r2, rms = explained(friction, stop_force(place, 40.4, 2.364))
    print(f"\nfriction loop: R2 {r2:.4f}, rms {rms:.3f} N")  # noqa: T201
    assert r2 == pytest.approx(0.9975, abs=1e-4)
    assert rms == pytest.approx(0.107, abs=2e-3)


def test_the_loop_gives_back_stiffness_and_limit(loop):
    """Fitted through the kernel from a poor start; a rigid contact (no windup) is far worse."""
    place, friction = loop[0][::4], loop[1][::4]

    def left(guess):
        return left_over(friction, stop_force(place, *guess))

    fit = least_squares(left, [25.0, 1.5], x_scale=[10.0, 1.0])
    k, limit = fit.x
    print(f"\nfitted k {k:.2f} N/mm, limit {limit:.4f} N, windup {1e3 * limit / k:.1f} um")  # noqa: T201
    assert k == pytest.approx(40.4, rel=0.01)
    assert limit == pytest.approx(2.364, rel=0.005)
    assert 1e3 * limit / k == pytest.approx(58.0, abs=1.0)
    assert explained(friction, stop_force(place, 900.0, limit))[0] < 0.9


# --- a positioning axis under its controller ------------------------------------------------


class Axis(NamedTuple):
    """Positioning axis, 24.84 s at 1 kHz."""

    wanted: np.ndarray  # m
    place: np.ndarray  # m
    force: np.ndarray  # N
    gain: tuple[float, float, float]  # N/V, 1/s, V s/m


#: Published for this record: mass kg, viscous N s/m, Coulomb N, offset N.
PUBLISHED = (95.1089, 203.5034, 20.3935, -3.1648)
STEP = 1e-3  # s


@pytest.fixture(scope="module")
def axis() -> Axis:
    """Source: A. Janot, M. Gautier, M. Brunot, data set and reference models of EMPS, workshop on
    nonlinear system identification benchmarks, 2019.

    The controller's output is in volts, although its description calls it a force: N = gtau V.
    """
    raw = loadmat(beside(DATA / "positioning_system" / "DATA_EMPS.mat"))
    gain = tuple(float(raw[name].squeeze()) for name in ("gtau", "kp", "kv"))
    wanted, place, volts = (raw[name].ravel() for name in ("qg", "qm", "vir"))
    assert np.abs(np.diff(raw["t"].ravel()) - STEP).max() < 1e-4
    return Axis(wanted, place, gain[0] * volts, gain)


def smooth(x: np.ndarray) -> np.ndarray:
    """Fourth-order Butterworth at 100 Hz, forward and backward."""
    return filtfilt(*butter(4, 0.2), x, padlen=12)


def test_the_published_parameters_come_out_of_the_record(axis):
    """Inverse dynamics and least squares, decimated by ten: every published digit.

    This proves that the record is read as its authors read it; the kernel takes no part.
    """
    place = smooth(axis.place)
    speed = np.gradient(place, STEP)
    columns = [np.gradient(speed, STEP), speed, np.sign(speed), np.ones_like(speed)]
    rows = np.column_stack([*columns, axis.force])[49:]
    rows = filtfilt(*cheby1(8, 0.05, 0.08), rows, axis=0, padlen=24)[1::10]
    found, *_ = np.linalg.lstsq(rows[:, :4], rows[:, 4], rcond=None)
    assert found == pytest.approx(PUBLISHED, abs=5.1e-5)
    left = rows[:, 4] - rows[:, :4] @ found
    assert np.linalg.norm(left) == pytest.approx(108.7569, abs=5.1e-5)
    assert per_cent(rows[:, 4], rows[:, :4] @ found) == pytest.approx(4.0834, abs=5.1e-5)


def test_the_kernel_simulates_the_axis_as_well_as_published(axis):
    """Published errors of simulation: place 0.013752, speed 0.22911, acceleration 8.6036 and
    force 5.848 %.

    The controller, N/V * kv (kp (wanted - place) - speed), is a spring and a dashpot to the
    ground, so the axis is a carriage on its belt: 95.1 kg on 1371 N/mm with Coulomb friction.
    Whether the force was filtered before it was compared is not published.
    """
    mass, viscous, coulomb, offset = PUBLISHED
    per_volt, kp, kv = axis.gain
    k = per_volt * kv * kp * 1e-3  # N/mm
    machine = mass_on_spring(mass, k, coulomb, ground=viscous + per_volt * kv)
    t = np.arange(axis.place.size) * STEP
    command = 1e3 * axis.wanted - offset / k
    # it starts where it was measured to stand, not where it was wanted
    run = swing(
        machine, np.concatenate([[0.0], t]), np.concatenate([1e3 * axis.place[:1], command]),
        step=STEP,
    )  # fmt: skip
    place, speed = (1e-3 * x[1:] for x in run)
    force = per_volt * kv * (kp * (axis.wanted - place) - speed)
    seen = np.gradient(smooth(axis.place), STEP)
    errors = {
        "place": per_cent(axis.place, place),
        "speed": per_cent(seen, speed),
        "acceleration": per_cent(np.gradient(seen, STEP), np.gradient(speed, STEP)),
        "force": per_cent(axis.force, force),
    }
    print("\n" + ", ".join(f"{name} {value:.5g} %" for name, value in errors.items()))  # noqa: T201
    assert errors["place"] < 0.013752
    assert errors["speed"] < 0.22911
    assert errors["acceleration"] < 8.6036
    assert errors["force"] == pytest.approx(5.848, rel=0.02)
    # without the dry friction the same axis is no such match
    free = mass_on_spring(mass, k, ground=viscous + per_volt * kv)
    command += offset / k
    run = swing(free, t, command - command[0] + 1e3 * axis.place[0], step=STEP)
    place, speed = (1e-3 * x for x in run)
    bare = per_volt * kv * (kp * (axis.wanted - place) - speed)
    assert per_cent(axis.force, bare) > 4.0 * errors["force"]
