"""The motion between the samples, against kinematics.

Trapezoid, corner and centripetal limits at the samples stand in `test_closed_forms`.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from gantrysim.mechanics.planner import PIECE, Timeline, junction_speed, plan, sampled, timeline
from gantrysim.pattern.ringtest import Stroke, ring_test

MIXED = ring_test(spacing=5.0, largest=15.0, passes=2, direction="cw")


def course(test=MIXED, step: float = 0.5) -> tuple[Timeline, np.ndarray]:
    strokes = test.strokes(step)
    return timeline(test, strokes), np.concatenate([s.xy for s in strokes])


@pytest.mark.parametrize("direction", ["ccw", "cw"])
def test_every_sample_is_passed_when_the_plan_says(direction):
    test = ring_test(spacing=5.0, largest=15.0, passes=2, direction=direction)
    line, xy = course(test)
    assert np.abs(line.places(line.arrival) - xy).max() < 1e-9
    motion = plan(test, test.strokes())
    assert line.arrival == pytest.approx(np.cumsum(motion.dt), rel=1e-12)
    assert line.duration == pytest.approx(motion.duration, rel=1e-12)
    assert line.pieces.shape[1] == len(PIECE)


def test_speed_and_acceleration_keep_their_limits():
    """Between the corners; tangential and centripetal parts are both limited by 800 mm/s^2."""
    line, _ = course()
    h = 1e-4
    t = np.arange(0.0, line.duration, h)
    v = np.diff(line.places(t), axis=0) / h
    speed = np.hypot(*v.T)
    assert speed.max() < 100.0 * (1.0 + 1e-6)  # travel moves
    jump = np.hypot(*np.diff(v, axis=0).T)
    limit = math.hypot(800.0, 800.0) * h
    corners = jump > 1.01 * limit
    assert jump[corners].max() <= MIXED.corner_speed_change + limit
    assert corners.sum() < 200  # the rest of 200 000 steps is smooth: no chords to stumble over
    assert corners.sum() >= 6  # two squares, two passes, three corners or more in the run


def test_circles_are_true_arcs_at_constant_speed():
    test = ring_test(("circle",), largest=20.0, smallest=20.0, passes=3, feed=40.0)
    line, _ = course(test, step=3.0)
    begin, end = line.duration - 8.0, line.duration - 1.0  # three turns take 9.4 s
    t = np.linspace(begin, end, 5001)
    xy = line.places(t) - test.nest("circle").centre
    assert np.hypot(*xy.T) == pytest.approx(20.0, abs=1e-9)
    angle = np.unwrap(np.arctan2(xy[:, 1], xy[:, 0]))
    assert np.diff(angle) / np.diff(t) == pytest.approx(40.0 / 20.0, rel=1e-8)


def test_passes_of_a_circle_run_on():
    """Two passes take one turn more at the feed, without a stop between them."""
    one, two = (
        course(ring_test(("circle",), largest=20.0, smallest=20.0, passes=n))[0] for n in (1, 2)
    )
    assert two.duration - one.duration == pytest.approx(2.0 * math.pi * 20.0 / 40.0, rel=1e-9)


@pytest.mark.parametrize("length, top", [(30.0, 50.0), (1.0, 50.0)])
def test_a_straight_move_is_a_trapezoid_or_a_triangle(length, top):
    """x = a t^2 / 2 while it speeds up, whatever the sampling."""
    a = 1000.0
    test = ring_test(acceleration=a)
    xy = np.column_stack([np.linspace(0.0, length, 4), np.zeros(4)])
    line = timeline(test, (Stroke("travel", -1, 0.0, -1, xy, top),))
    peak = min(top, math.sqrt(a * length))
    t = np.linspace(0.0, peak / a, 50)
    assert line.places(t)[:, 0] == pytest.approx(0.5 * a * t**2, abs=1e-10)
    assert line.places(line.duration - t[::-1])[::-1, 0] == pytest.approx(
        length - 0.5 * a * t**2, abs=1e-9
    )


def test_unevenly_sampled_braking_keeps_the_closed_form():
    """v^2 = 2 a s from the start and to the stop, wherever the samples happen to lie."""
    a, top = 1000.0, 50.0
    x = np.array([0.0, 0.1, 0.5, 0.6, 1.4, 20.0, 29.0, 29.1, 29.8, 29.95, 30.0])
    xy = np.column_stack([x, np.zeros(x.size)])
    motion = plan(ring_test(acceleration=a), (Stroke("travel", -1, 0.0, -1, xy, top),))
    free = np.sqrt(2.0 * a * np.minimum(x, 30.0 - x))
    assert motion.speed == pytest.approx(np.minimum(free, top), rel=1e-12)
    assert motion.duration == pytest.approx(30.0 / top + top / a, rel=1e-12)


def test_a_sampled_motion_is_linear_between_its_samples_and_may_jump():
    line = sampled(np.array([0.0, 0.0, 1.0, 3.0]), np.array([[0, 0], [1, 0], [2, 4], [2, 4]]))
    got = line.places(np.array([0.0, 0.5, 1.0, 2.0, 3.0, 9.0]))
    assert got == pytest.approx(np.array([[1, 0], [1.5, 2], [2, 4], [2, 4], [2, 4], [2, 4]]))
    assert line.pieces[0, 1] == 0.0  # where it stood before the jump
    assert line.duration == 3.0


@pytest.mark.parametrize(
    "times, places, sentence",
    [
        ([0.0, 1.0], [[0.0, 0.0]], r"found \(2,\) and \(1, 2\)"),
        ([0.0], [[0.0, 0.0]], r"two samples or more"),
        ([1.0, 2.0], [[0.0, 0.0]] * 2, r"times must ascend from 0 s"),
        ([0.0, 2.0, 1.0], [[0.0, 0.0]] * 3, r"times must ascend from 0 s"),
        ([0.0, math.nan], [[0.0, 0.0]] * 2, r"times must ascend from 0 s"),
    ],
)
def test_unusable_samples_are_refused(times, places, sentence):
    with pytest.raises(ValueError, match=sentence):
        sampled(np.array(times), np.array(places))


@pytest.mark.parametrize(
    ("deviation", "interior_deg", "speed"),
    [(0.01, 90.0, 3.474), (0.02, 90.0, 4.913), (0.05, 90.0, 7.769), (0.02, 135.0, 11.017)],
)
def test_junction_speed_of_the_cut_corner(
    deviation: float, interior_deg: float, speed: float
) -> None:
    """Table computed from the plane geometry of the touching circle at 500 mm/s^2."""
    turn = math.radians(180.0 - interior_deg)
    assert junction_speed(deviation, turn, 500.0) == pytest.approx(speed, abs=5e-4)
    # the circle itself: it touches both segments and passes at the deviation from the corner
    radius = junction_speed(deviation, turn, 1.0) ** 2
    half = math.radians(interior_deg) / 2.0
    assert radius / math.sin(half) - radius == pytest.approx(deviation, rel=1e-12)
