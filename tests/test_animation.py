"""A ring being drawn: what sticks is what theory says sticks, and the pictures show that."""

import base64
import math
import re
from io import BytesIO
from pathlib import Path

import matplotlib as mpl
import numpy as np
import pytest
from matplotlib.animation import PillowWriter
from matplotlib.colors import to_rgb
from PIL import Image

import gantrysim as gs
from gantrysim.burn.sticking import FOLLOWS, RESTS, STICKS, course
from gantrysim.plotting import look
from gantrysim.plotting.animation import _Scene

mpl.use("Agg")

R = 20.0
LEFT, RIGHT, CARRIAGE = range(3)


def ring(shape, passes=2):
    return gs.ring_test((shape,), spacing=R, largest=R, passes=passes)


@pytest.fixture(scope="module")
def tight():
    return gs.Machine().with_faults(gs.faults.TightWheels("left", extra_force=12.0))


@pytest.fixture(scope="module")
def circle(tight):
    return gs.simulate(tight, ring("circle"))


def test_carriage_sticks_over_the_angle_that_play_says():
    # play on a circle: the axis stands over acos(1 - 2 r / R) after each of its two reversals
    # long spans: a belt as stiff at one end as at the other
    belt = {"belt_x.near": 1e5, "belt_x.loop": 2e5, "belt_x.ea": 2e6}
    machine = gs.Machine().set_many({"contact.presliding_distance": 1e-5, **belt})
    machine = machine.with_faults(gs.faults.TightCarriage(extra_force=10.0))
    went = course(gs.simulate(machine, ring("circle")), "circle", 0, 1, step=0.02)
    windup = np.ptp(went.ahead[:, CARRIAGE]) / 2.0
    stuck = (went.doing[1:, CARRIAGE] == STICKS).mean() * math.pi
    assert windup > 0.1
    assert stuck == pytest.approx(math.acos(1.0 - 2.0 * windup / R), rel=0.01)


def test_a_tight_side_sticks_longer_than_the_other(circle):
    doing = course(circle, "circle", 0, 1).doing
    stuck = (doing == STICKS).sum(axis=0)
    assert stuck[LEFT] > stuck[RIGHT] > 0


def test_command_is_ahead_by_the_windup_and_changes_sign(circle):
    ahead = course(circle, "circle", 0, 1).ahead[:, LEFT]
    assert ahead.max() > 0.2
    assert ahead.min() < -0.2


def test_on_a_side_of_a_square_the_other_axis_rests(tight):
    went = course(gs.simulate(tight, ring("square")), "square", 0, 1)
    resting = (went.doing[1:] == RESTS).mean(axis=0)
    assert resting == pytest.approx(0.5, abs=0.01)
    assert not (went.doing[1:, LEFT] != RESTS)[went.doing[1:, CARRIAGE] != RESTS].any()


@pytest.mark.parametrize("way", [{}, {"feed_forces": True}, {"inertia": True}])
def test_path_worked_out_again_is_that_of_the_burn(tight, way):
    burn = gs.simulate(tight, ring("circle"), **way)
    went = course(burn, "circle", 0, 1, step=0.5)
    np.testing.assert_allclose(went.spot, burn.lines[1].xy, atol=1e-9)
    np.testing.assert_allclose(went.commanded, burn.commanded[1], atol=1e-12)
    assert {FOLLOWS, STICKS} <= set(went.doing.ravel())


def test_pictures_show_where_the_spot_is_and_what_sticks(circle):
    went = course(circle, "circle", 0, 1)
    scene = _Scene(went, R, 10.0, 60.0)
    stuck = int(np.flatnonzero(went.doing[:, LEFT] == STICKS)[5])
    scene.draw(stuck)
    middle = (went.commanded.max(axis=0) + went.commanded.min(axis=0)) / 2.0
    wanted = went.commanded - middle
    drawn = wanted + 10.0 * (went.spot - went.commanded)
    assert np.ravel(scene.spot.get_data()) == pytest.approx(drawn[stuck])
    assert len(scene.trail.get_segments()) == stuck
    assert to_rgb(scene.marks[LEFT].get_color()) == to_rgb(look.VERMILION)
    assert scene.marks[LEFT].get_marker() == "s"
    assert scene.says[LEFT].get_text() == "sticks"
    assert scene.bars[LEFT].get_width() == pytest.approx(1e3 * went.ahead[stuck, LEFT])
    moves = int(np.flatnonzero((went.doing == FOLLOWS).all(axis=1))[-1])
    scene.draw(moves)
    assert [mark.get_marker() for mark in scene.marks] == ["o"] * 3
    assert to_rgb(scene.marks[LEFT].get_color()) == to_rgb(look.BLUE)


def test_magnification_and_units_are_written(circle):
    scene = _Scene(course(circle, "circle", 0, 1), R, 10.0, 60.0)
    ring_axes, bars = scene.figure.axes
    assert any(text.get_text() == "errors drawn ×10" for text in ring_axes.texts)
    assert ring_axes.get_xlabel().endswith(", mm")
    assert bars.get_xlabel().endswith(", µm")


def test_html_is_small_and_whole(circle):
    html = gs.plotting.animate_burn(circle, frames=6)._repr_html_()
    assert len(html) < 500_000
    frames = re.findall(r'"data:image/png;base64,([^"]+)"', html.replace("\\\n", ""))
    assert len(frames) == 1 + 6  # the first one is seen where no script runs
    assert frames[0] == frames[1]
    pictures = [Image.open(BytesIO(base64.b64decode(frame))).convert("RGB") for frame in frames]
    sizes = {picture.size for picture in pictures}
    assert len(sizes) == 1
    assert sizes.pop()[0] == 448  # 5.6 inches at 80 dots
    for picture in pictures:  # the legend shows every colour in every picture
        seen = np.unique(np.asarray(picture).reshape(-1, 3), axis=0)
        for colour in (look.VERMILION, look.BLUE, look.FAINT, look.INK):
            assert np.abs(seen - np.round(255 * np.array(to_rgb(colour)))).max(axis=1).min() <= 1


def test_gif_has_every_frame_and_overwrites_nothing(circle, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    before = dict(mpl.rcParams)
    film = gs.plotting.animate_burn(circle, frames=3, dpi=40.0)
    film.to_jshtml()
    assert not list(tmp_path.iterdir())
    path = film.to_gif("ring.gif")
    with Image.open(path) as picture:
        assert picture.n_frames == 3
    with pytest.raises(FileExistsError, match=r"ring\.gif: the file exists"):
        film.to_gif(path)
    film.to_gif(path, overwrite=True)
    assert dict(mpl.rcParams) == before
    whole = path.read_bytes()

    def stopped(writer: PillowWriter) -> None:
        Path(writer.outfile).write_bytes(whole[:100])
        raise KeyboardInterrupt

    monkeypatch.setattr(PillowWriter, "finish", stopped)
    with pytest.raises(KeyboardInterrupt):
        film.to_gif(path, overwrite=True)
    assert path.read_bytes() == whole
    assert list(tmp_path.iterdir()) == [tmp_path / path]


@pytest.mark.parametrize(
    "wrong, words",
    [
        ({"frames": 1}, "frames must be"),
        ({"dpi": 0.0}, "dpi must be"),
        ({"magnify": -1.0}, "magnify must be"),
        ({"ring": 7}, "no circle ring 7"),
        ({"shape": "square"}, "no square ring 0"),
    ],
)
def test_bad_input_is_one_sentence(circle, wrong, words):
    with pytest.raises(ValueError, match=words):
        gs.plotting.animate_burn(circle, **wrong)
