"""What is burned beside the rings: mark, scale reference, caption.

Plane geometry is checked by shapely, a general-purpose geometry library.
"""

from __future__ import annotations

import json
import math
import re
from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import hausdorff_distance
from shapely.geometry import LineString, MultiLineString

import gantrysim as gs
from gantrysim.pattern.beside import ARM, CLEAR, LEAST_WIDTH, LETTER_HEIGHT
from gantrysim.pattern.letters import ADVANCE, HIGH, LETTERS, WIDE, letter_strokes, text_width

ALL = {"orientation_mark": True, "scale_reference": 50.0, "caption": "TEST 7\nBED=A-2/3.5"}


@st.composite
def any_test(draw):
    largest = draw(st.floats(1.0, 90.0))
    return gs.ring_test(
        shapes=draw(st.sampled_from([("circle",), ("square",), ("circle", "square")])),
        layout="side_by_side",
        largest=largest,
        spacing=draw(st.floats(0.2, 0.5)) * largest,
        centre=(draw(st.floats(0.0, 400.0)), draw(st.floats(0.0, 400.0))),
        orientation_mark=draw(st.booleans()),
        scale_reference=draw(st.none() | st.floats(5.0, 200.0)),
        caption=draw(st.sampled_from(["", "A", "AB 12\nC", "ONE\nTWO\nTHREE", "X" * 20])),
        order=draw(st.sampled_from(["inside_out", "outside_in"])),
    )


def ring_lines(test):
    return MultiLineString([s.xy for s in test.strokes(1.0) if s.shape != "travel"])


@settings(max_examples=150, deadline=None)
@given(any_test())
def test_nothing_comes_near_the_rings_or_to_each_other(test):
    rings = ring_lines(test)
    beside = test.beside()
    groups = [MultiLineString(list(g)) for g in (beside.mark, beside.scale, beside.caption) if g]
    for group in groups:
        assert rings.distance(group) >= CLEAR - 1e-9
    for one, other in combinations(groups, 2):
        assert one.distance(other) > 1.0


def test_nothing_leaves_home_where_the_rings_leave_a_hand_of_room():
    # rings in every corner of the bed that leave room on one side only
    for centre in ((51.0, 51.0), (215.0, 51.0), (51.0, 200.0)):
        test = gs.ring_test(centre=centre, **ALL)
        places = np.concatenate([s.xy for s in test.beside_strokes()])
        assert places.min() >= 0.0
        assert ring_lines(test).distance(MultiLineString(list(test.beside().caption))) >= CLEAR


def symmetries(test):
    """All turns and reflections that carry the rings onto themselves, about their centre."""
    turns = [k * math.pi / 2 for k in range(4)]
    for turn in turns:
        cos, sin = math.cos(turn), math.sin(turn)
        rotation = np.array(((cos, -sin), (sin, cos)))
        yield rotation, turn == 0.0
        yield rotation @ np.diag((1.0, -1.0)), False


@pytest.mark.parametrize("largest", [4.0, 10.0, 25.0, 50.0, 120.0])
def test_the_mark_tells_every_turn_and_mirror_image_of_circles_and_squares(largest):
    test = gs.ring_test(largest=largest, spacing=largest / 4, orientation_mark=True)
    (mark,) = test.extras()
    centre = np.array(test.nests[0].centre)
    here = LineString(mark - centre)
    leg = here.length
    for move, same in symmetries(test):
        there = LineString((mark - centre) @ move.T)
        away = hausdorff_distance(here, there, densify=0.05)
        assert away < 1e-9 if same else away > 0.3 * leg


def test_the_mark_alone_tells_a_mirror_image():
    # no turn and shift lays the mirrored mark onto the mark: its corner turns the other way from
    # the long leg to the short one
    (mark,) = gs.ring_test(orientation_mark=True).extras()
    long, short = mark[1] - mark[0], mark[2] - mark[1]
    assert np.hypot(*long) == pytest.approx(2 * np.hypot(*short))
    assert long[0] * short[1] - long[1] * short[0] > 0.0


def test_the_crosses_stand_the_stated_length_apart_along_x_and_y():
    test = gs.ring_test(scale_reference=80.0)
    along_x, along_y = test.scale_references()
    assert along_x.start == along_y.start
    assert np.subtract(along_x.end, along_x.start) == pytest.approx((80.0, 0.0))
    assert np.subtract(along_y.end, along_y.start) == pytest.approx((0.0, 80.0))
    middles = {tuple(np.round(stroke.mean(axis=0), 9)) for stroke in test.beside().scale}
    assert middles == {
        tuple(np.round(p, 9)) for p in (along_x.start, along_x.end, along_y.end)
    }  # fmt: skip
    for stroke in test.beside().scale:
        assert np.hypot(*(stroke[1] - stroke[0])) == pytest.approx(2 * ARM)


def test_a_plain_test_has_nothing_beside_it():
    test = gs.ring_test()
    assert test.extras() == ()
    assert test.scale_references() == ()
    assert test.caption_strokes() == ()
    assert test.beside_strokes() == ()


def test_every_letter_lies_on_its_grid_and_differs_from_every_other():
    assert set(LETTERS) == set("ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-./= ")
    drawn = {}
    for letter in LETTERS:
        strokes = letter_strokes(letter, (0.0, 0.0), HIGH)
        for xy in strokes:
            assert len(xy) > 1
            assert xy.min() >= 0.0
            assert (xy.max(axis=0) <= (WIDE, HIGH)).all()
            assert (np.hypot(*np.diff(xy, axis=0).T) > 0.0).all()
        if strokes:
            drawn[letter] = MultiLineString([xy.tolist() for xy in strokes])
    for one, other in combinations(drawn, 2):
        far = hausdorff_distance(drawn[one], drawn[other], densify=0.05)
        assert far >= 0.7, (one, other)


def test_width_of_a_line_is_what_its_letters_take():
    xy = np.concatenate(letter_strokes("HH H", (3.0, 1.0), 3.0))
    assert xy[:, 0].max() - xy[:, 0].min() == pytest.approx(text_width("HH H", 3.0))
    assert xy[:, 0].max() - 3.0 == pytest.approx((3 * ADVANCE + WIDE) * 3.0 / HIGH)
    assert text_width("", 3.0) == 0.0


def test_a_mirrored_letter_would_not_pass_for_itself():
    # F, L, R are not their own mirror images: the table is drawn left to right and foot to top
    for letter, leftmost in (("F", 0.0), ("L", 0.0)):
        strokes = letter_strokes(letter, (0.0, 0.0), HIGH)
        assert strokes[0][:, 0].min() == leftmost
    assert letter_strokes("L", (0.0, 0.0), HIGH)[0].tolist() == [[0, 6], [0, 0], [4, 0]]


@pytest.mark.parametrize(
    "how", [{}, {"feed_forces": True}, {"inertia": True}], ids=["slow", "feed", "inertia"]
)
def test_rings_are_burned_as_without_anything_beside_them(how):
    machine = gs.Machine().with_faults(gs.faults.TightWheels("left", extra_force=8.0))
    plain = gs.ring_test(largest=20.0, spacing=10.0)
    full = replace(plain, **{**ALL, "scale_reference": 20.0, "caption": "A1"})
    before, after = (gs.simulate(machine, test, step=1.0, **how) for test in (plain, full))
    assert before.beside == ()
    assert {line.shape for line in after.beside} == {"mark", "scale", "caption"}
    for one, other in zip(before.lines, after.lines, strict=True):
        assert one.shape == other.shape
        assert np.abs(one.xy - other.xy).max() < 1e-9
    assert len(after.beside) == len(after.beside_commanded)
    error = max(
        np.abs(x.xy - c).max() for x, c in zip(after.beside, after.beside_commanded, strict=True)
    )
    assert 1e-3 < error < 1.0  # the machine draws them with its own faults, mm
    assert len(gs.measure(after).rows) == len(gs.measure(before).rows) == 3


def test_the_machine_must_reach_what_is_beside_the_rings():
    machine = gs.Machine()
    near_the_end = gs.ring_test(centre=(375.0, 200.0))
    gs.simulate(machine, near_the_end)
    with pytest.raises(ValueError, match=r"goes from .* to 435.0 mm in x, but the machine travels"):
        gs.simulate(machine, replace(near_the_end, orientation_mark=True))


def test_files_keep_what_is_beside_the_rings(tmp_path):
    test = gs.ring_test(**ALL)
    path = test.save(tmp_path / "test.json")
    assert gs.read_test(path) == test
    content = json.loads(path.read_text())
    assert content["orientation_mark"] is True
    assert content["scale_reference_mm"] == 50.0
    assert content["caption"] == ALL["caption"]
    toml = tmp_path / "test.toml"
    toml.write_text(
        "\n".join(
            f"{key} = {json.dumps(value)}"
            for key, value in content.items()
            if key not in ("shapes", "sequence")
        )
        + "".join(
            f"\n[shapes.{shape}]\n" + "\n".join(f"{k} = {json.dumps(v)}" for k, v in nest.items())
            for shape, nest in content["shapes"].items()
        )
    )
    assert gs.read_test(toml) == test


def test_plain_tests_are_saved_as_before():
    assert not {"orientation_mark", "scale_reference_mm", "caption"} & set(gs.ring_test().to_dict())


def test_small_letters_become_capitals_and_blanks_nothing():
    assert gs.ring_test(caption="Alder 3").caption == "ALDER 3"
    assert gs.ring_test(caption=" \n ").caption == ""


@pytest.mark.parametrize(
    "wrong, sentence",
    [
        ({"caption": "A+B"}, "caption may hold A to Z, 0 to 9, - . / = and spaces, found '+'"),
        ({"caption": "Größe"}, "found 'ö'"),
        ({"caption": "A\nB\nC\nD"}, "caption may have 3 lines at most, found 4."),
        ({"caption": "X" * 40}, "caption: a line of 40 letters is 119 mm long, but beside these"),
        ({"scale_reference": 2.0}, "scale_reference must be 5 to 1000 mm, or None, found 2 mm."),
    ],
)
def test_wrong_wishes_are_refused_in_one_sentence(wrong, sentence):
    with pytest.raises(ValueError, match=re.escape(sentence)) as error:
        gs.ring_test(**wrong)
    assert "\n" not in str(error.value)


@pytest.mark.parametrize(
    "wrong, sentence",
    [
        ({"caption": 7}, "caption must be a text, found 7."),
        ({"scale_reference": True}, "scale_reference must be a finite number or None, found True."),
        ({"orientation_mark": "yes"}, "orientation_mark must be true or false, found 'yes'."),
        ({"orientation_mark": 1}, "orientation_mark must be true or false, found 1."),
    ],
)
def test_wishes_of_another_kind_are_refused_in_one_sentence(wrong, sentence):
    with pytest.raises(TypeError) as error:
        gs.ring_test(**wrong)
    assert str(error.value) == sentence


def test_small_rings_still_take_a_caption():
    test = gs.ring_test(largest=5.0, spacing=2.5, caption="A" * 20)
    xy = np.concatenate(test.caption_strokes())
    assert xy[:, 0].max() - xy[:, 0].min() == pytest.approx(text_width("A" * 20, LETTER_HEIGHT))
    assert text_width("A" * 20, LETTER_HEIGHT) <= LEAST_WIDTH


def test_it_says_what_is_beside_the_rings():
    test = gs.ring_test(**ALL)
    assert test.summary().endswith(
        "then beside them an orientation mark, crosses 50 mm apart, the caption "
        "'TEST 7 / BED=A-2/3.5'."
    )
    assert "beside the rings" in test._repr_html_()


def test_the_picture_shows_every_stroke():
    import matplotlib as mpl

    mpl.use("Agg")
    import matplotlib.pyplot as plt

    test = gs.ring_test(**ALL)
    ax = test.plot()
    drawn = [
        path.vertices
        for collection in ax.collections
        if hasattr(collection, "get_segments")
        for path in collection.get_paths()
    ]
    for stroke in (s for s in test.beside_strokes() if s.shape != "travel"):
        assert any(len(d) == len(stroke.xy) and np.allclose(d, stroke.xy) for d in drawn)
    low, high = ax.get_xlim()
    assert low < np.concatenate(test.extras())[:, 0].max() < high
    plt.close("all")
