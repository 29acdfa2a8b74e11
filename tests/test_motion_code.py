"""Motion code, written and read, against the published words, modal groups and arc rules.

Source: T. R. Kramer, F. M. Proctor, E. R. Messina, The NIST RS274/NGC Interpreter - Version 3,
NISTIR 6556, NIST 2000; clauses and worked examples are from memory.  `interpreter.py` is written
from them, apart from the package's own reader.
"""

from __future__ import annotations

import math
import re
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from interpreter import Refused, interpret

import gantrysim as gs
from gantrysim.formats.wordreader import words_of

FULL = {"orientation_mark": True, "scale_reference": 40.0, "caption": "ALDER 3\nTEST=1/2"}
LIT = {"power": 0.25, "s_max": 1000.0}
DIGIT = 5e-5  # half of the last digit written, mm
#: How far a whole circle may reach off: start and way to its centre are rounded along both axes,
#: which moves the centre by two and its radius by the square root of two of them.
REACH = (2.0 + math.sqrt(2.0)) * DIGIT


@st.composite
def any_test(draw):
    largest = draw(st.floats(2.0, 80.0))
    test = gs.ring_test(
        shapes=draw(st.sampled_from([("circle",), ("square",), ("circle", "square")])),
        largest=largest,
        spacing=draw(st.floats(0.2, 0.5)) * largest,
        centre=(draw(st.floats(120.0, 300.0)), draw(st.floats(120.0, 280.0))),
        start_deg=draw(st.floats(-400.0, 400.0)),
        direction=draw(st.sampled_from(["ccw", "cw"])),
        sequence_mode=draw(st.sampled_from(["shape_by_shape", "interleaved"])),
        passes=draw(st.integers(1, 3)),
        feed=draw(st.floats(1.0, 100.0)),
        orientation_mark=draw(st.booleans()),
        scale_reference=draw(st.none() | st.just(20.0)),
        caption=draw(st.sampled_from(["", "A1\nB=2"])),
    )
    if draw(st.booleans()):  # the last ring once more, without travel before it
        shape, ring, _ = test.sequence[-1]
        test = replace(test, sequence=(*test.sequence, (shape, ring, 1)))
    return test


def strokes_of(test, step=0.5):
    return [s for s in (*test.strokes(step), *test.beside_strokes(step)) if s.shape != "travel"]


@settings(max_examples=80, deadline=None)
@given(test=any_test())
def test_the_beam_is_on_along_the_lines_and_nowhere_else(test, tmp_path_factory):
    path = test.to_motion_code(tmp_path_factory.mktemp("nc") / "test.nc", **LIT)
    pieces = interpret(path.read_text())
    place = 0
    for stroke in strokes_of(test):
        while pieces[place].code == "G0":
            assert not pieces[place].beam
            place += 1
        # walk the stroke: pieces with the beam on, from its start to its end
        went = [pieces[place].start]
        length, far = exact_length(stroke), 0.0
        while place < len(pieces) and pieces[place].code != "G0" and far < length - 1e-3:
            piece = pieces[place]
            assert piece.beam
            assert piece.power == 250.0
            assert piece.feed == pytest.approx(60.0 * test.feed, abs=1e-4)
            along = [piece.at(t) for t in np.linspace(0.0, 1.0, 65)]
            went += along[1:]
            far += abs(piece.end - piece.start) or abs(piece.start - piece.centre) * math.tau
            if piece.centre is not None:
                nest = test.nest("circle")
                assert abs(piece.centre - complex(*nest.centre)) < 4 * DIGIT
                assert (piece.sweep > 0) == (nest.direction == "ccw")
                assert abs(piece.sweep) == math.tau
                assert abs(piece.start - piece.centre) == pytest.approx(stroke.size, abs=4 * DIGIT)
            place += 1
        xy = np.array([[p.real, p.imag] for p in went])
        assert np.abs(xy[0] - stroke.xy[0]).max() <= DIGIT * 1.01
        assert np.abs(xy[-1] - stroke.xy[-1]).max() <= DIGIT * 1.01
        if stroke.shape == "square":
            away = np.abs(xy - test.nest("square").centre).max(axis=1)
            assert np.abs(away - stroke.size).max() < 2 * DIGIT
    assert place == len(pieces)


@settings(max_examples=80, deadline=None)
@given(test=any_test(), lit=st.booleans())
def test_what_was_written_is_read_back(test, lit, tmp_path_factory):
    path = test.to_motion_code(tmp_path_factory.mktemp("nc") / "test.nc", **(LIT if lit else {}))
    read = gs.read_motion_code(path)
    wanted = strokes_of(test)
    found = [s for s in read.strokes(0.5) if s.shape != "travel"]
    drawn = np.concatenate([s.xy for s in wanted])
    back = np.concatenate([s.xy for s in found])
    assert read.length == pytest.approx(sum(exact_length(s) for s in wanted), abs=0.01)
    assert np.abs(back.min(axis=0) - drawn.min(axis=0)).max() < REACH
    assert np.abs(back.max(axis=0) - drawn.max(axis=0)).max() < REACH
    assert np.abs(back[0] - drawn[0]).max() < 2 * DIGIT
    assert np.abs(back[-1] - drawn[-1]).max() < 2 * DIGIT
    circles = [s for s in found if s.shape == "arc"]
    assert len(circles) == sum(s.shape == "circle" for s in wanted)
    for one, other in zip(circles, [s for s in wanted if s.shape == "circle"], strict=True):
        assert one.size == pytest.approx(other.size, abs=4 * DIGIT)
        assert np.abs(one.xy[0] - other.xy[0]).max() < 2 * DIGIT
        assert one.speed == pytest.approx(test.feed, abs=1e-5)


def exact_length(stroke):
    if stroke.shape == "circle":
        return math.tau * stroke.size
    return np.hypot(*np.diff(stroke.xy, axis=0).T).sum()


def test_both_readers_agree_on_every_move(tmp_path):
    test = gs.ring_test(spacing=12.5, start_deg=33.0, direction="cw", passes=2, **FULL)
    path = test.to_motion_code(tmp_path / "test.nc", **LIT)
    mine, theirs = gs.read_motion_code(path).moves, interpret(path.read_text())
    theirs = [piece for piece in theirs if piece.start != piece.end or piece.centre is not None]
    assert len(mine) == len(theirs)
    for move, piece in zip(mine, theirs, strict=True):
        assert complex(*move.start) == piece.start
        assert complex(*move.end) == piece.end
        assert move.burned == (piece.beam and piece.power > 0)
        assert move.turn == pytest.approx(piece.sweep, abs=1e-12)


def test_a_plain_file_never_turns_the_beam_on(tmp_path):
    path = gs.ring_test(spacing=12.5, **FULL).to_motion_code(tmp_path / "test.nc")
    text = path.read_text()
    assert not re.search(r"^[^(]*(M3|M4|S)", text, re.MULTILINE)
    assert not any(piece.beam for piece in interpret(text))
    assert "POWER 0" in text


def test_the_beam_is_off_before_every_travel_move_and_at_the_end(tmp_path):
    path = gs.ring_test(spacing=12.5, **FULL).to_motion_code(tmp_path / "test.nc", **LIT)
    lines = [line for line in path.read_text().splitlines() if not line.startswith("(")]
    assert lines[:2] == ["G17 G21 G90 G94", "M5"]
    for before, line in pairwise(lines):
        if line.startswith("G0"):
            assert before == "M5"
    assert lines[-2:] == ["M5", "M2"]


def test_a_feed_in_mm_a_minute_is_refused(tmp_path):
    path = tmp_path / "test.nc"
    with pytest.raises(ValueError, match="feed must be at most 1000 mm/s in motion code, found 24"):
        gs.ring_test(spacing=25.0, feed=2400.0).to_motion_code(path)
    assert not path.exists()
    gs.ring_test(spacing=25.0, feed=1000.0).to_motion_code(path)
    assert "F60000" in path.read_text()


def test_cautions_stand_in_the_head(tmp_path):
    text = gs.ring_test(spacing=25.0).to_motion_code(tmp_path / "test.nc").read_text()
    head = text[: text.index("G17")]
    for word in (
        "eyewear",
        "fire",
        "ventilate",
        "Never unattended",
        "maker's manual",
        "local codes",
        "clear any work offset",
    ):
        assert re.search(word, head, re.IGNORECASE)
    for line in text.splitlines():
        assert len(line) <= 256
        assert line.isascii()
        assert line.count("(") == line.count(")") <= 1


def test_a_machine_of_another_size_decides_what_fits(tmp_path):
    test = gs.ring_test(spacing=25.0, centre=(600.0, 200.0))
    with pytest.raises(ValueError, match=r"goes from .* to 650.0 mm in x, but the machine travels"):
        test.to_motion_code(tmp_path / "test.nc")
    assert not (tmp_path / "test.nc").exists()
    wide = gs.Machine(span=800.0).set("belt_x.loop", 2000.0)
    test.to_motion_code(tmp_path / "test.nc", machine=wide)
    with pytest.raises(ValueError, match="in y, but the machine travels from 0 to 400 mm"):
        gs.ring_test(centre=(215.0, 390.0)).to_motion_code(tmp_path / "other.nc")
    # the rings fit, the mark beside them does not
    near = gs.ring_test(spacing=25.0, centre=(378.0, 200.0))
    near.to_motion_code(tmp_path / "near.nc")
    with pytest.raises(ValueError, match="in x, but the machine travels"):
        replace(near, orientation_mark=True).to_motion_code(tmp_path / "marked.nc")


@pytest.mark.parametrize(
    "how, sentence",
    [
        ({"power": 1.5, "s_max": 1000.0}, "power must be 0 to 1, the part of the beam's full"),
        ({"power": -0.1, "s_max": 1000.0}, "power must be 0 to 1"),
        ({"power": math.nan, "s_max": 1000.0}, "power must be a finite number"),
        ({"power": 0.5}, "power 0.5 needs s_max, the S word that means full power"),
        ({"power": 0.5, "s_max": 0.0}, "s_max must be above zero"),
        ({"power": 0.5, "s_max": 1e9}, "s_max must be 1e+06 at most"),
        ({"power": 1e-6, "s_max": 1.0}, "is nought in 4 digits"),
    ],
)
def test_wrong_powers_are_refused_in_one_sentence(how, sentence, tmp_path):
    with pytest.raises(ValueError, match=re.escape(sentence)):
        gs.ring_test(spacing=25.0).to_motion_code(tmp_path / "test.nc", **how)
    assert not list(tmp_path.iterdir())


def test_files_are_not_replaced_unasked(tmp_path):
    test = gs.ring_test(spacing=25.0)
    path = test.to_motion_code(tmp_path / "test.nc")
    with pytest.raises(FileExistsError, match="pass overwrite=True"):
        test.to_motion_code(path)
    test.to_motion_code(path, overwrite=True)


# --- the reader, against worked examples of the description ------------------------------------


def program(tmp_path, *lines, **how):
    path = tmp_path / "job.nc"
    path.write_text("\n".join(lines) + "\n")
    return gs.read_motion_code(path, **how)


def test_the_worked_arc_of_the_description(tmp_path):
    # 3.5.3.2 (from memory): G17 G2 x 10 y 16 i 3 j 4 from (7, 7) has its centre at (10, 11) and
    # the radius 5
    lines = ("G1 X7 Y7 F600", "G17 G2 x 10 y 16 i 3 j 4", "M2")
    arc = program(tmp_path, *lines).moves[-1]
    assert arc.centre == pytest.approx((10.0, 11.0))
    assert arc.radius == pytest.approx(5.0)
    # clockwise from (-3, -4) to (0, 5) as seen from the centre: by way of (-5, 0)
    assert arc.turn == pytest.approx(-(math.pi - math.atan2(3.0, 4.0)))
    piece = interpret("\n".join(lines))[-1]
    assert piece.centre == pytest.approx(10 + 11j)
    assert piece.sweep == pytest.approx(arc.turn)
    xy = arc.points(0.1)
    assert np.abs(np.hypot(*(xy - (10.0, 11.0)).T) - 5.0).max() < 1e-12
    assert xy[:, 0].min() == pytest.approx(5.0, abs=1e-12)
    assert tuple(xy[-1]) == (10.0, 16.0)


def test_the_worked_line_of_odd_blanks_of_the_description():
    # 3.3 (from memory): "g0x +0. 12 34y 7" means the same as "g0 x+0.1234 y7"
    assert words_of("g0x +0. 12 34y 7") == words_of("g0 x+0.1234 y7")
    assert words_of("g0x +0. 12 34y 7") == [("G", 0.0), ("X", 0.1234), ("Y", 7.0)]


def test_arcs_by_their_radius(tmp_path):
    # 3.5.3.1 (from memory): a positive radius turns by less than half a turn, a negative by more
    for word, sign, expected in (
        ("G3", "", 0.5),
        ("G2", "", -0.5),
        ("G3", "-", 1.5),
        ("G2", "-", -1.5),
    ):
        path = program(tmp_path, "G0 X10 Y0", f"{word} X0 Y10 R{sign}10 F60", "M2")
        arc = path.moves[-1]
        assert arc.turn == pytest.approx(expected * math.pi)
        assert arc.radius == pytest.approx(10.0)
        assert math.dist(arc.centre, (0.0, 10.0)) == pytest.approx(10.0)


def test_inches_increments_numbers_and_small_letters(tmp_path):
    path = program(
        tmp_path, "%", "N10 g20 g91 (inches, from here)", "n20 g0 x1",
        "N30 m3 s500 g1 x.5y-.25 f60",
        "/ G1 X99", "N40 x.5", "m5", "G21 G90 G1 X0 Y0", "M30", "G1 X500", "%",
    )  # fmt: skip
    assert [m.burned for m in path.moves] == [False, True, True, False]
    assert path.moves[0].end == pytest.approx((25.4, 0.0))
    assert path.moves[1].end == pytest.approx((38.1, -6.35))
    assert path.moves[1].speed == pytest.approx(25.4)  # 60 inches a minute
    assert path.moves[2].end == pytest.approx((50.8, -6.35))
    assert path.moves[3].end == (0.0, 0.0)


def test_deleted_blocks_may_be_kept(tmp_path):
    lines = ("G1 X10 F60", "/ Y10", "M2")
    assert len(program(tmp_path, *lines).moves) == 1
    assert len(program(tmp_path, *lines, block_delete=False).moves) == 2


def test_radii_at_both_ends_agree_within_the_published_tolerance(tmp_path):
    good, bad = "G3 X-10.0019 Y0 I-10 J0 F60", "G3 X-10.0021 Y0 I-10 J0 F60"
    program(tmp_path, "G0 X10", good, "M2")
    interpret(f"G0 X10\n{good}\nM2")
    with pytest.raises(ValueError, match=r"line 2: the arc starts 10\.0000 mm from its centre"):
        program(tmp_path, "G0 X10", bad, "M2")
    with pytest.raises(Refused):
        interpret(f"G0 X10\n{bad}\nM2")
    inch = "G20 G3 X-1.0001 Y0 I-1 J0 F60", "G20 G3 X-1.0003 Y0 I-1 J0 F60"
    program(tmp_path, "G20 G0 X1", inch[0], "M2")
    with pytest.raises(ValueError, match="line 2: the arc starts"):
        program(tmp_path, "G20 G0 X1", inch[1], "M2")


@pytest.mark.parametrize(
    "line, sentence",
    [
        ("G1 X10", "G1 needs a feed F above 0"),
        ("X10 F60", "a place is given, but no G0, G1, G2 or G3 is in force"),
        ("G5 X10", "G5 is not read; accepted are G0, G1"),
        ("G18", "G18 is not read"),
        ("G90.1", "G90.1 is not read"),
        ("M6", "M6 is not read"),
        ("Z5", "the word Z is not read"),
        ("G0 G1 X5", "G0 and G1 must not stand on one line"),
        ("M3 M5", "M3 and M5 must not stand on one line"),
        ("G0 X1 X2", "the word X may stand once on a line, found 2"),
        ("G0 X", "a word of one letter and a number is expected, found 'X'"),
        ("G0 X1e3", "a word of one letter and a number is expected, found 'E3'"),
        ("G0 X#1", "found 'X#1'"),
        ("G0 X[1+2]", "found 'X[1+2]'"),
        ("G0 X1 N5", "a line number N of 0 to 99999 may stand first"),
        ("N123456", "a line number N of 0 to 99999"),
        ("(a (b))", "a comment must not hold another comment"),
        ("(a", "a comment does not end on its line"),
        ("a)", "a comment ends that did not begin"),
        ("G0 X1 (" + "x" * 260 + ")", "has 268 characters, 256 are accepted"),
        ("G1 X5 I2 F60", "I, J and R belong to G2 and G3 only"),
        ("G2 X5 F60", "G2 needs a centre I, J or a radius R"),
        ("G2 F60", "G2 needs X or Y, and I, J or R"),
        ("G2 I5 F60", "G2 needs X or Y"),
        ("G2 X5 I2 R3 F60", "G2 takes R, or I and J, not both"),
        ("G2 X0 Y0 R3 F60", "an arc by its radius must end elsewhere"),
        ("G2 X9 Y0 R3 F60", "radius 3 mm is too small for ends 9 mm apart"),
        ("G2 X0 Y0 I0 J0 F60", "the radius of an arc must be above 0"),
        ("G1 X5 F-1", "feed F must not be negative, found -1"),
        ("M3 S-1", "power S must not be negative, found -1"),
        ("G0 X1000000", "X of 1e+06 mm is beyond 100000 mm"),
    ],
)
def test_wrong_lines_are_named_in_one_sentence(line, sentence, tmp_path):
    with pytest.raises(ValueError, match=re.escape(sentence)) as error:
        program(tmp_path, "(a job)", line, "M2")
    assert str(error.value).startswith(f"{tmp_path / 'job.nc'}, line 2: ")
    assert "\n" not in str(error.value)


def test_files_that_are_no_program(tmp_path):
    with pytest.raises(FileNotFoundError, match="motion code is expected"):
        gs.read_motion_code(tmp_path / "none.nc")
    with pytest.raises(ValueError, match="must draw something"):
        program(tmp_path, "G0 X10", "M2")
    (tmp_path / "long.nc").write_text("G0\n" * 300_001)
    with pytest.raises(ValueError, match="has 300001 lines, 300000 are accepted"):
        gs.read_motion_code(tmp_path / "long.nc")
    (tmp_path / "large.nc").write_bytes(b"x" * 21_000_000)
    with pytest.raises(ValueError, match="21 MB are too much; motion code, at most 20 MB"):
        gs.read_motion_code(tmp_path / "large.nc")
    (tmp_path / "raw.nc").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(ValueError, match="not UTF-8 text"):
        gs.read_motion_code(tmp_path / "raw.nc")


LETTERS = st.text(alphabet="GMXYIJRFSNZ0123456789.-+ ()/%#\n", max_size=200)
WORDS = st.lists(
    st.tuples(
        st.sampled_from("GMXYIJRFSN"),
        st.sampled_from("0 1 2 3 5 17 20 21 90 91 -4.5 10 1e9".split()),
    ).map("".join),
    max_size=5,
).map(" ".join)  # fmt: skip


@settings(max_examples=400, deadline=None)
@given(text=st.one_of(LETTERS, st.lists(WORDS, max_size=12).map("\n".join), st.text(max_size=80)))
def test_whatever_stands_in_a_file_is_read_or_refused_in_one_sentence(text, tmp_path_factory):
    path = tmp_path_factory.mktemp("fuzz") / "job.nc"
    path.write_text(text, encoding="utf-8", errors="replace", newline="")
    try:
        read = gs.read_motion_code(path)
    except ValueError as error:
        assert str(path) in str(error)
        assert len(str(error)) < 400 + len(str(path))
    else:
        assert read.length > 0.0
        for stroke in read.strokes(50.0):
            assert np.isfinite(stroke.xy).all()


@st.composite
def any_program(draw):
    """A program that the description allows: moves, arcs, both units, both distance modes."""
    lines, here, unit, absolute = ["F600"], 0j, 1.0, True
    number = st.floats(-50.0, 50.0)
    for _ in range(draw(st.integers(1, 12))):
        words = []
        if draw(st.booleans()):
            unit = draw(st.sampled_from([1.0, 25.4]))
            words.append("G21" if unit == 1.0 else "G20")
        if draw(st.booleans()):
            absolute = draw(st.booleans())
            words.append("G90" if absolute else "G91")
        words += draw(st.sampled_from([[], ["M3", "S5"], ["M4", "S7"], ["M5"], ["S0"]]))
        code = draw(st.sampled_from(["G0", "G1", "G2", "G3"]))
        if code in ("G0", "G1"):
            end, tail = here + complex(draw(number), draw(number)), ""
        else:
            away = complex(draw(st.floats(1.0, 30.0)), draw(number))
            turn = draw(st.floats(0.1, 6.1)) * (1 if code == "G3" else -1)
            whole = draw(st.integers(0, 3)) == 0
            end = here if whole else here + away - away * complex(math.cos(turn), math.sin(turn))
            tail = f" I{away.real / unit:.9f} J{away.imag / unit:.9f}"
        to = end if absolute else end - here
        lines.append(f"{' '.join(words)} {code} X{to.real / unit:.9f} Y{to.imag / unit:.9f}{tail}")
        here = end
    return "\n".join([*lines, "M2"])


@settings(max_examples=200, deadline=None)
@given(text=any_program())
def test_both_readers_agree_on_every_program(text, tmp_path_factory):
    path = tmp_path_factory.mktemp("both") / "job.nc"
    path.write_text(text)
    theirs = interpret(text)
    theirs = [p for p in theirs if p.start != p.end or p.centre is not None]
    lit = [p.beam and p.power > 0 for p in theirs if p.code != "G0"]
    try:
        mine = gs.read_motion_code(path).moves
    except ValueError as error:
        assert "must draw something" in str(error)
        assert not lit
        return
    assert [complex(*m.end) for m in mine] == pytest.approx([p.end for p in theirs])
    assert [m.turn for m in mine] == pytest.approx([p.sweep for p in theirs])
    assert [m.centre is None for m in mine] == [p.centre is None for p in theirs]
    drawn = [p.code != "G0" and (not any(lit) or (p.beam and p.power > 0)) for p in theirs]
    assert [m.burned for m in mine] == drawn
    for move, piece in zip(mine, theirs, strict=True):
        xy = move.points(5.0)
        middle = piece.at(0.5)
        assert np.hypot(*(xy - (middle.real, middle.imag)).T).min() < 3.0
