"""Paths of straight moves and arcs, and what a machine makes of them."""

from __future__ import annotations

import math
import re
from dataclasses import replace

import matplotlib as mpl
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import gantrysim as gs
from gantrysim.mechanics.planner import plan
from gantrysim.pattern import Move

mpl.use("Agg")
FAULTY = gs.Machine().with_faults(gs.faults.TightWheels("left", extra_force=8.0))


@given(
    radius=st.floats(0.05, 200.0),
    begin=st.floats(-7.0, 7.0),
    turn=st.floats(0.01, math.tau) | st.floats(-math.tau, -0.01),
    step=st.floats(0.05, 20.0),
)
def test_arcs_lie_on_their_circle_and_hold_the_points_where_x_or_y_turns(radius, begin, turn, step):
    centre = np.array((30.0, -20.0))
    start = centre + radius * np.array((math.cos(begin), math.sin(begin)))
    end = centre + radius * np.array((math.cos(begin + turn), math.sin(begin + turn)))
    xy = Move(tuple(start), tuple(end), True, 40.0, tuple(centre), turn).points(step)
    assert np.abs(np.hypot(*(xy - centre).T) - radius).max() < 1e-9
    assert tuple(xy[0]) == tuple(start)
    assert tuple(xy[-1]) == tuple(end)
    # an arc of angle t has the chord 2 r sin(t/2)
    arcs = 2 * np.arcsin(np.minimum(np.hypot(*np.diff(xy, axis=0).T) / (2 * radius), 1.0))
    assert arcs.sum() == pytest.approx(abs(turn), abs=1e-6)
    assert arcs.max() <= min(step / radius, math.tau / 48) * (1 + 1e-6) + 1e-9
    low, high = sorted((begin, begin + turn))
    for k in range(-12, 13):
        angle = k * math.pi / 2
        if low + 1e-9 < angle < high - 1e-9:
            extreme = centre + radius * np.array((math.cos(angle), math.sin(angle)))
            assert np.hypot(*(xy - extreme).T).min() < 1e-9


def read_back(test, tmp_path):
    path = test.to_motion_code(tmp_path / "test.nc", power=0.5, s_max=255.0)
    return gs.read_motion_code(
        path,
        travel_speed=test.travel_speed, acceleration=test.acceleration,
        centripetal=test.centripetal, corner_speed_change=test.corner_speed_change,
    )  # fmt: skip


@pytest.mark.parametrize("direction", ["ccw", "cw"])
@pytest.mark.parametrize(
    "how", [{}, {"feed_forces": True}, {"inertia": True}], ids=["slow", "feed", "inertia"]
)
def test_a_test_read_back_as_a_path_is_burned_alike(direction, how, tmp_path):
    test = gs.ring_test(
        largest=20.0, spacing=10.0, passes=2, direction=direction, orientation_mark=True
    )
    path = read_back(test, tmp_path)
    ring_burn, path_burn = (gs.simulate(FAULTY, x, step=0.5, **how) for x in (test, path))
    assert isinstance(path_burn, gs.burn.PathBurn)
    rings = np.concatenate([line.xy for line in ring_burn.lines + ring_burn.beside])
    lines = np.concatenate([line.xy for line in path_burn.lines])
    # a path draws the passes of a square as one line, whose corner is no sample twice
    far = max(np.hypot(*(rings - xy).T).min() for xy in lines[::7])
    assert far < 1e-5
    circles = [x.xy for x in path_burn.lines if x.shape == "arc"]
    for one, other in zip(circles, ring_burn.lines, strict=False):
        assert one.shape == other.xy.shape
        assert np.abs(one - other.xy).max() < 1e-5
    if "inertia" in how:
        assert path_burn.duration == pytest.approx(ring_burn.duration, rel=1e-6)


def test_a_path_takes_the_time_of_the_test_it_was_written_from(tmp_path):
    test = gs.ring_test(spacing=10.0, passes=2, start_deg=20.0)
    path = read_back(test, tmp_path)
    wanted = plan(test, test.strokes(0.5)).duration
    assert plan(path, path.strokes(0.5)).duration == pytest.approx(wanted, rel=1e-4)
    assert gs.simulate(FAULTY, path, feed_forces=True).duration == pytest.approx(wanted, rel=1e-4)
    assert gs.simulate(FAULTY, path).duration == 0.0


def test_acceleration_across_an_arc_points_to_its_centre():
    # v^2 / r towards the centre: the definition of centripetal acceleration
    arc = Move((100.0, 50.0), (50.0, 100.0), True, 20.0, (50.0, 50.0), math.pi / 2)
    there = Move((0.0, 0.0), (100.0, 50.0), False, 100.0)
    path = gs.Toolpath((there, arc))
    strokes = path.strokes(0.5)
    motion = plan(path, strokes)
    cruising = np.flatnonzero(np.isclose(motion.speed, 20.0, atol=1e-12))[5:-5]
    assert len(cruising) > 50
    inward = np.array((50.0, 50.0)) - motion.xy[cruising]
    assert motion.acceleration[cruising] == pytest.approx(inward / 50.0 * 20.0**2 / 50.0, rel=1e-6)
    length = 20.0 * math.pi * 50 / 40.0
    assert strokes[1].shape == "arc"
    assert path.length == pytest.approx(length)


def test_chains_and_speeds_part_the_strokes():
    corners = [(0.0, 0.0), (10.0, 0.0), (10.0, 10.0), (0.0, 10.0), (5.0, 20.0), (9.0, 20.0)]
    speeds = [100.0, 20.0, 20.0, 30.0, 30.0]
    burned = [False, True, True, True, False]
    moves = [
        Move(a, b, lit, v)
        for a, b, lit, v in zip(corners, corners[1:], burned, speeds, strict=False)
    ]
    strokes = gs.Toolpath(tuple(moves)).strokes(1.0)
    assert [s.shape for s in strokes] == ["travel", "straight", "straight", "travel"]
    assert [s.ring for s in strokes] == [-1, 0, 0, -1]
    assert [len(s.xy) for s in strokes[1:3]] == [21, 13]  # the last is 11.18 mm long
    assert [s.speed for s in strokes[1:3]] == [20.0, 30.0]


def test_a_path_burn_reports_itself(tmp_path):
    path = read_back(gs.ring_test(largest=20.0, spacing=10.0, caption="JOB 7"), tmp_path)
    burn = gs.simulate(FAULTY, path)
    assert 0.0 < burn.rms_error() < burn.largest_error() < 1.0
    found = burn.to_dict()
    assert found["largest_error_mm"] == burn.largest_error()
    assert len(found["lines"]) == len(burn.lines)
    assert re.fullmatch(r"PathBurn\(\d+ lines, \d+ mm, error \d+ µm rms, \d+ µm most\)", repr(burn))
    assert repr(path).startswith("Toolpath(")
    assert f"{burn.rms_error() * 1e3:.0f} µm" in burn._repr_html_()
    assert "test.nc" in path._repr_html_()
    rows = burn.to_csv(tmp_path / "job.csv").read_text().splitlines()
    assert rows[1] == "shape,ring,size_mm,pass,x_mm,y_mm"
    assert len(rows) == 2 + sum(len(line.xy) for line in burn.lines)
    assert path.summary().startswith("A path from test.nc of")


def test_pictures_show_the_path_and_the_factor(tmp_path):
    import matplotlib.pyplot as plt

    path = read_back(gs.ring_test(largest=20.0, spacing=10.0, caption="JOB 7"), tmp_path)
    ax = path.plot()
    drawn = np.concatenate([p.vertices for p in ax.collections[0].get_paths()])
    wanted = np.concatenate([s.xy for s in path.strokes() if s.shape != "travel"])
    assert np.allclose(drawn, wanted)
    ax = gs.simulate(FAULTY, path).plot(magnify=15)
    texts = [t.get_text() for t in ax.texts] + [t.get_text() for t in ax.figure.texts]
    assert any("15" in text for text in texts)
    plt.close("all")


def test_the_machine_must_reach_the_path():
    away = gs.Toolpath((Move((0.0, 0.0), (500.0, 10.0), True, 40.0),))
    with pytest.raises(ValueError, match=r"the path goes from 0.0 to 500.0 mm in x"):
        gs.simulate(gs.Machine(), away)


@pytest.mark.parametrize(
    "make, sentence",
    [
        (lambda: gs.Toolpath(()), "must draw something"),
        (lambda: gs.Toolpath((Move((0, 0), (1, 1), False, 5.0),)), "must draw something"),
        (
            lambda: gs.Toolpath(
                (Move((0, 0), (1, 1), True, 5.0), Move((2, 1), (3, 1), True, 5.0))
            ),
            "move 1 must start where the one before ended, (1.0, 1.0), found (2.0, 1.0)",
        ),
        (lambda: Move((0, 0), (1, 1), True, 0.0), "speed of a move must be above zero"),
        (lambda: Move((0, 0), (0, 0), True, 5.0, (0, 0), 1.0), "an arc must have a radius"),
        (lambda: Move((0, 0), (0, 0), True, 5.0, (1, 0), 9.0), "turn of an arc must be above 0"),
        (lambda: Move((0, math.nan), (0, 0), True, 5.0), "start of a move y must be a finite"),
        (
            lambda: replace(
                gs.Toolpath((Move((0, 0), (1, 1), True, 5.0),)), acceleration=-1.0
            ),
            "acceleration must be above zero, found -1.0",
        ),
        (
            lambda: gs.Toolpath((Move((0, 0), (1, 1), True, 5.0),)).strokes(1e-9),
            "step 1e-09 mm would need about",
        ),
    ],
)  # fmt: skip
def test_wrong_paths_are_refused_in_one_sentence(make, sentence):
    with pytest.raises(ValueError, match=re.escape(sentence)):
        make()


def test_a_path_of_other_things_is_refused_in_one_sentence():
    with pytest.raises(TypeError, match=r"moves\[0\] must be a Move, found 1\."):
        gs.Toolpath((1, 2))
