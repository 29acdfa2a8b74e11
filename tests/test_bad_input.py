"""Damaged and mistaken files: each gets one sentence that names the file and the place."""

from __future__ import annotations

import json
import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import gantrysim as gs
from gantrysim.decisions.diagnosis import Hypothesis
from gantrysim.instruments.points import Piece, read_points
from gantrysim.pattern.ringtest import Line, read_test, ring_test

TEST = ring_test(spacing=5, largest=20, passes=2)
HEADER = "shape,ring,size_mm,pass,x_mm,y_mm"


def one_sentence(error: pytest.ExceptionInfo[Exception], *, name: str) -> str:
    text = str(error.value)
    assert name in text
    assert text.endswith(".")
    assert "\n" not in text
    assert len(text) < 400
    return text


def good_rows() -> list[str]:
    """Comment on line 1, header on line 2, 40 points of circle ring 3 (20 mm) from line 3 on."""
    angles = np.linspace(0, 2 * np.pi, 40, endpoint=False)
    rows = [f"circle,3,20,1,{20 * np.cos(a):.4f},{20 * np.sin(a):.4f}" for a in angles]
    return ["# a comment", HEADER, *rows]


def edited(line: int, text: str) -> list[str]:
    rows = good_rows()
    rows[line - 1] = text
    return rows


def scaled(factor: float) -> list[str]:
    rows = good_rows()
    for k, row in enumerate(rows[2:], 2):
        *head, x, y = row.split(",")
        rows[k] = ",".join([*head, f"{float(x) * factor:.6f}", f"{float(y) * factor:.6f}"])
    return rows


def test_the_rows_are_good_before_they_are_spoiled(tmp_path):
    path = tmp_path / "points.csv"
    path.write_text("\n".join(good_rows()))
    assert read_points(path, TEST).n_points == 40


SPOILED = {
    "empty": ([""], ": the file is empty; a CSV file of measured points with columns"),
    "only comments": (["# nothing"], ": holds only comments;"),
    "header only": (good_rows()[:2], ": holds no rows after the header;"),
    "too few": (good_rows()[:11], ": only 9 points in all; at least 10 are needed."),
    "no header": (
        good_rows()[2:],
        ", line 1: columns 'shape', 'ring', 'pass', 'x_mm' and 'y_mm' are missing; the header must",
    ),
    "column missing": (
        edited(2, "shape,ring,size_mm,x_mm,y_mm"),
        ", line 2: column 'pass' is missing; the header must name shape,ring,pass,x_mm,y_mm, found",
    ),
    "no unit": (
        edited(2, "shape,ring,size_mm,pass,x,y"),
        ", line 2: columns 'x' and 'y' state no unit; give them in mm and call them 'x_mm' and 'y_",
    ),
    "all at once": (
        edited(2, "shape,Ring,size,pass,x,y_in"),
        ", line 2: columns 'x' and 'size' state no unit; give them in mm and call them 'x_mm' and "
        "'size_mm'; column 'y_in' is not accepted; give it in mm and call it 'y_mm'; column 'ring' "
        "is missing; the header",
    ),
    "size without unit": (
        edited(2, "shape,ring,size,pass,x_mm,y_mm"),
        ", line 2: column 'size' states no unit; give it in mm and call it 'size_mm'.",
    ),
    "other unit": (
        edited(2, "shape,ring,size_mm,pass,x_inch,y_inch"),
        ", line 2: columns 'x_inch' and 'y_inch' are not accepted; give them in mm and call them ",
    ),
    "column twice": (
        edited(2, HEADER + ",x_mm"),
        ", line 2: column 'x_mm' appears 2 times.",
    ),
    "both decimal signs": (
        [
            row.replace(",", ";").replace(".", ",") if k != 20 else row.replace(",", ";")
            for k, row in enumerate(good_rows())
        ],
        ", line 21: x_mm must be a number with a decimal comma, as the others of this file, found",
    ),
    "decimal commas": (
        edited(5, "circle,3,20,1,19,5,3,1"),
        ", line 5: 8 values found, but the header names 6 columns.",
    ),
    "cut short": (edited(42, "circle,3,20"), ", line 42: 3 values found, but the header names 6"),
    "text": (
        edited(7, "circle,3,20,1,about 12,3"),
        ", line 7: x_mm must be a number, found 'about 12'.",
    ),
    "underscore": (
        edited(7, "circle,3,20,1,1_0,3"),
        ", line 7: x_mm must be a number, found '1_0'.",
    ),
    "gap": (edited(7, "circle,3,20,1,12,"), ", line 7: y_mm must be a number, found ''."),
    "nan": (
        edited(8, "circle,3,20,1,nan,3"),
        ", line 8: x_mm must be a finite number below 1e+09, found 'nan'.",
    ),
    "inf": (
        edited(9, "circle,3,20,1,1,-inf"),
        ", line 9: y_mm must be a finite number below 1e+09, found '-inf'.",
    ),
    "overflow": (edited(9, "circle,3,20,1,1,1e999"), ", line 9: y_mm must be a finite number"),
    "shape": (
        edited(10, "oval,3,20,1,1,2"),
        ", line 10: shape must be 'circle' or 'square', found 'oval'.",
    ),
    "ring": (
        edited(11, "circle,4,25,1,1,2"),
        ", line 11: ring must be 0 to 3 for the 4 circles of the test, found 4: rings count from 0",
    ),
    "negative ring": (edited(11, "circle,-1,20,1,1,2"), ", line 11: ring must be 0 to 3"),
    "half ring": (
        edited(11, "circle,2.5,20,1,1,2"),
        ", line 11: ring must be a whole number, found '2.5'.",
    ),
    "size": (
        edited(12, "circle,3,25,1,1,2"),
        ", line 12: size_mm is 25, but circle ring 3 of the test has 20 mm (radius).",
    ),
    "rings from one": (
        edited(12, "circle,3,15,1,1,2"),
        "the test has 20 mm (radius): rings count from 0, the innermost.",
    ),
    "full side": (
        edited(12, "square,0,15,1,1,2"),
        ", line 12: size_mm is 15, but square ring 0 of the test has 7.5 mm (half side).",
    ),
    "pass": (
        edited(13, "circle,3,20,3,1,2"),
        ", line 13: the test draws circle ring 3 in 2 passes, found number 3.",
    ),
    "pass zero": (
        edited(13, "circle,3,20,0,1,2"),
        ", line 13: pass must be 1 or more (-1 where passes cannot be told apart, 1 more where",
    ),
    "inches": (
        scaled(1 / 25.4),
        "(these look like inches).",
    ),
    "metres": (scaled(1e-3), "coordinates must be in mm (these look like m)."),
    "centimetres": (scaled(0.1), "coordinates must be in mm (these look like cm)."),
    "a third too small": (scaled(0.66), "(check the unit and the scanner's resolution)."),
    "a third too large": (scaled(1.33), "(check the unit and the scanner's resolution)."),
    "all in one place": (scaled(0.0), "the rings measure 0 times their commanded size"),
    "open quote": (edited(6, '"circle,3,20,1,1,2'), ", line 42: 1 values found, but the header"),
}


@pytest.mark.parametrize("what", SPOILED)
def test_spoiled_points(tmp_path, what):
    rows, sentence = SPOILED[what]
    path = tmp_path / "points.csv"
    path.write_text("\n".join(rows))
    with pytest.raises(ValueError, match=re.escape(sentence)) as error:
        read_points(path, TEST)
    assert one_sentence(error, name="points.csv")


def test_scale_is_judged_at_twenty_per_cent(tmp_path):
    path = tmp_path / "points.csv"
    for factor, good in ((0.85, True), (1.15, True), (0.7, False), (1.3, False)):
        path.write_text("\n".join(scaled(factor)))
        if good:
            assert read_points(path, TEST).n_points == 40
        else:
            with pytest.raises(ValueError, match="times their commanded size"):
                read_points(path, TEST)


def test_a_shape_or_ring_the_test_does_not_draw(tmp_path):
    path = tmp_path / "points.csv"
    path.write_text("\n".join(edited(4, "square,0,7.5,1,1,2")))
    circles = ring_test(("circle",), spacing=5, largest=20, passes=2)
    with pytest.raises(ValueError, match=r"line 4: the test has no squares, only 'circles'\."):
        read_points(path, circles)


@pytest.mark.parametrize(
    "content, sentence",
    [
        (b"\x89PNG\r\n\x1a\n\x00\x00\xff\xfe", ", line 1: not UTF-8 text;"),
        (b"shape\x00,ring", ", line 1: holds zero bytes, so it is no text;"),
        ("\n".join(good_rows()).encode("utf-16"), ", line 1: not UTF-8 text;"),
        (b"# caf\xe9\n", ", line 1: not UTF-8 text;"),
        (b"# fine\n# fine\nsh\xe9pe", ", line 3: not UTF-8 text;"),
    ],
)
def test_binary_garbage(tmp_path, content, sentence):
    path = tmp_path / "points.csv"
    path.write_bytes(content)
    with pytest.raises(ValueError, match=re.escape(sentence)) as error:
        read_points(path, TEST)
    one_sentence(error, name="points.csv")


@settings(max_examples=150, deadline=None)
@given(
    content=st.one_of(
        st.binary(max_size=200),
        st.text(max_size=200).map(str.encode),
        st.text(alphabet='circle,3.20-"\n#', max_size=120).map(
            lambda s: "\n".join([*good_rows()[:12], s, *good_rows()[12:]]).encode()
        ),
    )
)
def test_whatever_is_in_the_file_it_is_read_or_refused_in_a_sentence(tmp_path_factory, content):
    path = tmp_path_factory.mktemp("garbage") / "points.csv"
    path.write_bytes(content)
    try:
        piece = read_points(path, TEST)
    except ValueError as error:
        assert "points.csv" in str(error)
        assert str(error).endswith(".")
    else:
        assert piece.n_points >= 10
    try:
        read_test(path)
    except ValueError as error:
        assert "points.csv" in str(error)


@pytest.mark.parametrize("read", [lambda path: read_points(path, TEST), read_test])
def test_missing_files_and_folders(tmp_path, read):
    with pytest.raises(
        FileNotFoundError, match=r"nothing: no such file; a .* is expected\."
    ) as error:
        read(tmp_path / "nothing")
    one_sentence(error, name="nothing")
    with pytest.raises(ValueError, match=r"this is a folder; a .* is expected"):
        read(tmp_path)


def test_a_test_that_is_none():
    with pytest.raises(TypeError, match="test must be a RingTest or the path of a file, found 7"):
        read_points("points.csv", 7)


@pytest.mark.parametrize(
    "arguments, sentence",
    [
        (("circle", 3, 0, np.zeros((20, 3))), "arrays: xy must have shape (n, 2), found (20, 3)."),
        (("circle", 3, 0, [[0, 0]] * 5 + [[0, np.nan]]), "arrays, point 5: xy must be finite"),
        (("circle", [3, 3], 0, np.zeros((20, 2))), "one value or one for each of the 20 points"),
        (
            ("circle", 0.5, 0, np.zeros((20, 2))),
            "arrays: ring must be whole numbers, found float64.",
        ),
        (("circle", 9, 0, np.zeros((20, 2))), "arrays, point 0: ring must be 0 to 3"),
        (("circle", 3, 2, np.zeros((20, 2))), "arrays, point 0: the test draws circle ring 3 in 2"),
        (
            ("circle", 3, -2, np.zeros((20, 2))),
            "arrays, point 0: the test draws circle ring 3 in 2",
        ),
        (("oval", 3, 0, np.zeros((20, 2))), "arrays, point 0: shape must be 'circle' or 'square'"),
        (("circle", 3, 0, np.zeros((0, 2))), "arrays: only 0 points in all"),
    ],
)
def test_wrong_arrays(arguments, sentence):
    with pytest.raises(ValueError, match=re.escape(sentence)):
        Piece.from_arrays(TEST, *arguments)


def test_an_array_that_is_none():
    with pytest.raises(TypeError, match="xy must be an array of numbers, found 'abc'"):
        Piece.from_arrays(TEST, "circle", 3, 0, "abc")


def test_a_piece_of_lines_from_another_test():
    line = Line("circle", 7, 40.0, -1, np.zeros((20, 2)))
    with pytest.raises(ValueError, match="the test draws no circle ring 7"):
        Piece(TEST, (line,), "bench")
    with pytest.raises(TypeError, match="Piece: test must be a RingTest"):
        Piece("test", (line,), "bench")
    with pytest.raises(ValueError, match=r"must have shape \(n, 2\), found \(4,\)"):
        Line("circle", 0, 5.0, -1, np.zeros(4))
    with pytest.raises(ValueError, match="points of circle ring 0 must be finite"):
        Line("circle", 0, 5.0, -1, np.full((4, 2), np.nan))


def content(**changes) -> dict:
    return {**TEST.to_dict(), **changes}


def without(key: str) -> dict:
    return {name: value for name, value in TEST.to_dict().items() if name != key}


def circles(**changes) -> dict:
    nest = {**TEST.to_dict()["shapes"]["circle"], **changes}
    return content(shapes={"circle": {k: v for k, v in nest.items() if v is not None}}, sequence=[
        {"shape": "circle", "ring": 0, "passes": 2}
    ])  # fmt: skip


REQUIRED = [k for k in TEST.to_dict() if k not in ("sequence", "burn_width_nominal_mm")]
SPOILED_TESTS = [
    *[(without(key), f"field '{key}' is missing.") for key in REQUIRED],
    ([], "the file must hold named fields, found []."),
    (5, "the file must hold named fields, found 5."),
    (content(feed_mm_s=-40), "field 'feed_mm_s' must be above zero, found -40."),
    (content(feed_mm_s="40"), "field 'feed_mm_s' must be a finite number, found '40'."),
    (
        content(accel_mm_s2=float("nan")),
        "burn.json: NaN is no number; every number must be",
    ),
    (
        content(burn_width_nominal_mm=0),
        "field 'burn_width_nominal_mm' must be above zero, found 0.",
    ),
    (content(passes=2.0), "field 'passes' must be a whole number, 1 or more, found 2.0."),
    (
        content(passes=3),
        "passes must be the largest number of passes in the sequence (2), found 3.",
    ),
    (
        content(start_from_mm=[0]),
        "field 'start_from_mm' must be two numbers (x, y) in mm, found [0].",
    ),
    (
        content(start_from_mm=[0, None]),
        "field 'start_from_mm' y must be a finite number, found None.",
    ),
    (content(layout="heap"), "layout must be 'concentric', 'side_by_side', 'circles' or 'squares'"),
    (content(order=1), "order must be 'inside_out' or 'outside_in', found 1."),
    (content(shapes=[]), "field 'shapes' must hold named fields, found []."),
    (
        content(shapes={"oval": circles()["shapes"]["circle"]}),
        "field 'shapes.oval.shape' must be 'oval'",
    ),
    (content(shapes={"circle": 1}), "field 'shapes.circle' must hold named fields, found 1."),
    (circles(sizes_mm=None), "field 'shapes.circle.sizes_mm' is missing."),
    (circles(sizes_mm=[5, 4]), "sizes of the circles must ascend, found 4 mm after 5 mm."),
    (circles(sizes_mm=[5, "x"]), "sizes[1] must be a number, found 'x'."),
    (circles(centre_mm="here"), "centre must be two numbers (x, y) in mm, found 'here'"),
    (circles(direction="up"), "direction must be 'ccw' or 'cw', found 'up'."),
    (content(sequence="all"), "field 'sequence' must be a list of tables, found 'all'."),
    (content(sequence=[{"shape": "circle"}]), "field 'sequence[0].ring' is missing."),
    (
        content(sequence=[{"shape": "circle", "ring": 9, "passes": 2}]),
        "ring in sequence entry 0 must be one of the 4 circles, 0 to 3, found 9.",
    ),
]


@pytest.mark.parametrize("spoiled, sentence", SPOILED_TESTS)
def test_spoiled_test_descriptions(tmp_path, spoiled, sentence):
    path = tmp_path / "burn.json"
    path.write_text(json.dumps(spoiled))
    with pytest.raises(ValueError, match=re.escape(sentence)) as error:
        read_test(path)
    one_sentence(error, name="burn.json")


@pytest.mark.parametrize(
    "name, text, sentence",
    [
        ("burn.json", '{"passes": ', "burn.json: not readable as JSON ("),
        ("burn.json", "[" * 100_000, "burn.json: tables and lists must be nested at most 64 deep."),
        ("burn.toml", "passes = = 2", "burn.toml: not readable as TOML ("),
        ("burn.toml", "passes = 2", "burn.toml: field 'shapes' is missing."),
        ("burn.json", "", "burn.json: the file is empty; a test description is expected."),
    ],
)
def test_unreadable_test_descriptions(tmp_path, name, text, sentence):
    path = tmp_path / name
    path.write_text(text)
    with pytest.raises(ValueError, match=re.escape(sentence)):
        read_test(path)


def test_json_is_not_saved_under_a_toml_name(tmp_path):
    with pytest.raises(ValueError, match=r"saved as JSON; choose a name ending in \.json"):
        TEST.save(tmp_path / "burn.toml")
    assert not list(tmp_path.iterdir())


BURN = gs.simulate(gs.Machine(), TEST)
PIECE = Piece(TEST, tuple(Line(x.shape, x.ring, x.size, -1, x.xy) for x in BURN.lines), "bench")
KEPT = gs.Tolerance(roundness=0.2)
NO_FINDING = "finding must be a Finding, found 'finding'."


def refusal(sentence):
    """TypeError where the sentence asks for another kind of object."""
    kind = r"must be (an? (?!whole|text that|probab)|the path|Finding)"
    return TypeError if re.search(kind, sentence) else ValueError


@pytest.mark.parametrize(
    "call, sentence",
    [
        (
            lambda: gs.accept(PIECE, KEPT, confidence=95),
            "confidence must be a probability above 0.5 and below 1, such as 0.95 for 95 %, "
            "found 95.",
        ),
        (lambda: gs.accept(BURN, KEPT, confidence=0.05), "above 0.5 and below 1"),
        (lambda: gs.accept(PIECE, KEPT, confidence="95 %"), "confidence must be a finite number"),
        (lambda: gs.accept(PIECE, 0.2), "tolerance must be a Tolerance or None, found 0.2."),
        (
            lambda: gs.accept(PIECE, KEPT, "bench"),
            "machine must be a Machine or None",
        ),
        (
            lambda: gs.accept(PIECE, KEPT, finding="finding"),
            "finding must be a Finding or None",
        ),
        (lambda: gs.accept(PIECE, KEPT, seed=-1), "seed must be a whole number, 0 or more"),
        (lambda: gs.will_hold("finding", TEST, KEPT), NO_FINDING),
        (lambda: gs.advise("finding"), NO_FINDING),
        (lambda: gs.next_test("finding"), NO_FINDING),
        (lambda: TEST.nests[0].outline(2**63, 1.0), "ring must be a whole number from 0 to"),
        (lambda: gs.what_can_be_told("burn.json"), "test must be a RingTest, found 'burn.json'."),
        (lambda: gs.what_can_be_told(TEST, 7), "machine must be a Machine or None, found 7."),
        (
            lambda: gs.what_can_be_told(TEST, faults="scale_x"),
            "faults must be a list of names of faults or None, found 'scale_x'.",
        ),
        (
            lambda: gs.new_log(5, gs.Machine(), name="Alder"),
            "path must be the path of a file",
        ),
        (lambda: gs.new_log(None, "bench", name="Alder"), "machine must be a Machine"),
        (lambda: gs.new_log(None, gs.Machine(), name=" "), "name must be a text that is not empty"),
    ],
)
def test_every_door_says_in_one_sentence_what_it_takes(call, sentence):
    with pytest.raises(refusal(sentence), match=re.escape(sentence)) as error:
        call()
    one_sentence(error, name="must")


def test_doors_that_take_a_finding_look_at_the_rest_too():
    healthy = gs.fit(PIECE, gs.Machine())
    best = Hypothesis((), 1.0, {}, (), 0.0, "as fitted", "", healthy)
    finding = gs.Finding((PIECE,), gs.Machine(), (best,))
    for call, sentence in (
        (
            lambda: gs.will_hold(finding, "job", KEPT),
            "test must be a RingTest or a Toolpath or a Drawing, found 'job'.",
        ),
        (lambda: gs.will_hold(finding, TEST, "tight"), "tolerance must be a Tolerance"),
        (lambda: gs.will_hold(finding, TEST, KEPT, confidence=1.0), "above 0.5 and below 1"),
        (lambda: gs.will_hold(finding, TEST, KEPT, draws=3), "draws must be a whole number, 20"),
        (
            lambda: gs.advise(finding, handbook="blue"),
            "handbook must be a Handbook or None",
        ),
        (lambda: gs.advise(finding, costs=40.0), "costs must be a Costs or None, found 40.0."),
        (lambda: gs.advise(finding, seed=0.5), "seed must be a whole number, found 0.5"),
        (lambda: gs.next_test(finding, minutes="long"), "minutes must be a finite number or None"),
        (lambda: gs.next_test(finding, minutes=-5.0), "minutes must be above zero, found -5.0."),
        (lambda: gs.next_test(finding, instruments=3), "instruments must be a list of"),
        (
            lambda: gs.next_test(finding, instruments=["push"]),
            "instruments[0] must be an Instrument, found 'push'.",
        ),
        (lambda: gs.next_test(finding, instruments=[]), "instruments must hold at least one"),
        (lambda: gs.next_test(finding, candidates=TEST), "candidates must be a list of"),
        (
            lambda: gs.next_test(finding, candidates=["push"]),
            "candidates[0] must be a Candidate or a RingTest or a Look",
        ),
        (lambda: gs.next_test(finding, candidates=[]), "candidates must hold at least one"),
    ):
        with pytest.raises(refusal(sentence), match=re.escape(sentence)) as error:
            call()
        one_sentence(error, name="must")


@pytest.mark.parametrize(
    ("call", "sentence"),
    [
        (lambda: gs.Machine(span=np.datetime64("2031-01-01")), "span must be a finite number"),
        (lambda: gs.simulate(gs.Machine(), TEST, step=np.timedelta64(1)), "step must be a finite"),
        (lambda: gs.push(gs.Machine(), place=(200.0, 200.0), step=5e-324), "must be above zero"),
        (lambda: BURN.image(dpi=5e-324), "dpi must be above zero, found 5e-324"),
        (lambda: gs.compare_burns(BURN, BURN, magnify=1e308), "magnify must be at most 1e+100"),
        (lambda: gs.plotting.animate_burn(BURN, dpi=1e99), "dpi must be at most 600"),
        (lambda: gs.plotting.animate_burn(BURN, frames=2**63), "frames must be at most 2000"),
        (lambda: BURN.image(spot_radius=1e9), "spot_radius must be at most 5 mm"),
        (lambda: gs.decisions.Costs(round=-(10**30)), "Costs: round must be a finite number above"),
        (lambda: gs.decisions.Costs(overshoot=10**400), "overshoot must be a finite number"),
        (lambda: gs.instruments.ScannerError().on_blank(1e308), "strain must be a part of the"),
        (lambda: TEST.nests[0].outlines(1e-9), "would need about 3.1e+11 points"),
    ],
)
def test_dates_and_numbers_without_measure_are_refused(call, sentence):
    with pytest.raises((TypeError, ValueError), match=re.escape(sentence)) as error:
        call()
    one_sentence(error, name="")


def test_a_test_drawn_once_needs_no_column_of_passes(tmp_path):
    test = gs.ring_test(("circle",), spacing=10.0, largest=20.0)
    rows = gs.simulate(gs.Machine(), test).to_csv(tmp_path / "all.csv").read_text().splitlines()
    head = next(k for k, row in enumerate(rows) if row.startswith("shape,"))
    at = rows[head].split(",").index("pass")
    cut = [row.split(",")[:at] + row.split(",")[at + 1 :] for row in rows[head:]]
    (tmp_path / "few.csv").write_text("\n".join(map(",".join, cut)))
    with_it, without = (read_points(tmp_path / name, test) for name in ("all.csv", "few.csv"))
    assert without.check_sum == with_it.check_sum
    both = gs.ring_test(("circle",), spacing=10.0, largest=20.0, passes=2)
    with pytest.raises(ValueError, match=r"column 'pass' is missing; .* may be -1"):
        read_points(tmp_path / "few.csv", both)


def test_sizes_are_those_of_the_test_and_rings_are_known_by_their_points(tmp_path):
    """Nobody need write what the test knows; a wrong count of rings is found out all the same."""
    test = gs.ring_test(spacing=10.0, largest=40.0)
    whole = gs.simulate(gs.Machine(), test).to_csv(tmp_path / "all.csv")
    head, *rows = [x.split(",") for x in whole.read_text().splitlines() if not x.startswith("#")]
    kept = [k for k, name in enumerate(head) if name != "size_mm"]

    def written(of_row) -> gs.Piece:
        lines = [head, *filter(None, map(of_row, rows))]
        path = tmp_path / "few.csv"
        path.write_text("\n".join(",".join(line[k] for k in kept) for line in lines))
        return read_points(path, test)

    assert written(lambda row: row).check_sum == read_points(whole, test).check_sum
    from_1 = lambda row: [row[0], str(int(row[1]) + 1), *row[2:]]  # noqa: E731
    with pytest.raises(ValueError, match=r"found [45]: rings count from 0, the innermost"):
        written(from_1)
    with pytest.raises(ValueError, match=r"5 of 5 rings measure as the next smaller .* count from"):
        written(lambda row: from_1(row) if int(row[1]) < (3 if row[0] == "circle" else 2) else None)
    above = lambda row: [row[0], str(int(row[1]) - 1), *row[2:]]  # noqa: E731
    with pytest.raises(ValueError, match=r"rings measure as the next larger one of the test"):
        written(lambda row: above(row) if int(row[1]) else None)


@pytest.mark.parametrize(("passes", "others"), [(1, ()), (2, (1,)), (2, (1, -1))])
def test_passes_that_can_only_count_from_zero_are_read_so(passes, others, tmp_path):
    test = gs.ring_test(("circle",), spacing=10.0, largest=20.0, passes=passes)
    at = np.linspace(0.0, 2.0 * np.pi, 20, endpoint=False)
    rows = [
        f"circle,1,{number},{20.0 * np.cos(a):.3f},{20.0 * np.sin(a):.3f}"
        for number in (0, *others)
        for a in at
    ]
    path = tmp_path / "points.csv"
    path.write_text("\n".join(["shape,ring,pass,x_mm,y_mm", *rows]))
    piece = read_points(path, test)
    assert [line.pass_index for line in piece.lines] == [0, *others]
    assert piece.notes == ("Passes count from 0 in this file, and are read so.",)
    # 0 may mean that nobody knows, and 0 beside the last number fits no way of counting
    more = gs.ring_test(("circle",), spacing=10.0, largest=20.0, passes=passes + 1)
    with pytest.raises(ValueError, match=r"line 2: pass must be 1 or more .* file counts from 0"):
        read_points(path, more)
