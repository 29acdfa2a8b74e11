"""Random, cut and hostile CSV files: every reader ends in a result or one sentence, soon."""

from __future__ import annotations

import math
import os
import time
import tracemalloc

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import gantrysim as gs
from gantrysim.instruments.dial import read_dial
from gantrysim.records import limits

TEST = gs.ring_test(spacing=10.0, largest=40.0)
R = TEST.nest("circle").sizes[3]
ROUND = [(math.cos(0.4 * k), math.sin(0.4 * k)) for k in range(16)]

#: A file that each reader accepts.
GOOD = {
    "points": "shape,ring,size_mm,pass,x_mm,y_mm\n"
    + "".join(f"circle,3,{R},-1,{R * c:.4f},{R * s:.4f}\n" for c, s in ROUND),
    "calipers": "# resolution_mm = 0.01\nshape,ring,size_mm,what,value_mm\n"
    f"circle,3,{R},diameter_0,{2 * R}\ncircle,3,{R},diameter_90,\n",
    "push": "at,motor,x_mm,y_mm,what,value,uncertainty,stroke_mm\n"
    "left,off,200,200,keep_forward_n,10.2,0.3,3\nright,off,200,200,keep_back_n,,0.3,3\n",
    "tones": "# common_error = 0.05\nbelt,span_mm,mass_g_m,tone_hz,uncertainty_hz\n"
    "left,400,8.4,54.2,1\nx,400,8.4,,1\n",
    "dial": "# resolution_mm = 0.01\nat,what,x_mm,y_mm,stroke_mm,value_mm\n"
    "left,lag,200,200,3,0.21\nright,lost_motion,200,200,5,\n",
}
READERS = {
    "points": lambda path: gs.read_points(path, TEST),
    "calipers": lambda path: gs.read_calipers(path, TEST),
    "push": gs.read_push,
    "tones": gs.read_tones,
    "dial": read_dial,
}

#: What a mutation puts in the place of a cell.
CELLS = st.sampled_from(
    [
        "", " ", "nan", "inf", "-inf", "1e999", "-1", "0", "1e308",
        "1_0", "0x10", "1,5", "1;5", "٣",
        "\u2028", "\x0b", "\x00", "'", '"', '""', '"\n', "#", "=", "-0.0", "9" * 40, "diameter_",
        "diameter_-0", "diameter_1e400", "circle", "left", "None", "true", "½", "\ufeff", "a" * 300,
    ]
)  # fmt: skip
FUZZ = settings(
    max_examples=150, deadline=None, derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)  # fmt: skip


def judged(name: str, content: bytes, path) -> None:
    """A measurement, or a ValueError of one sentence that begins with the file."""
    path.write_bytes(content)
    try:
        found = READERS[name](path)
    except ValueError as error:
        sentence = str(error)
        assert sentence.startswith(str(path)), sentence
        assert sentence.endswith("."), sentence
        assert len(sentence.splitlines()) == 1, sentence
        assert len(sentence) < 700, sentence
    else:
        assert isinstance(found, gs.instruments.Measurement)
        assert found.n_readings > 0


@pytest.mark.parametrize("name", READERS)
def test_the_good_files_are_good(name, tmp_path):
    path = tmp_path / "a.csv"
    path.write_text(GOOD[name])
    assert READERS[name](path).n_readings >= 1


@pytest.mark.parametrize("name", READERS)
@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({",": ";", ".": ","}, "semicolons between the columns, numbers with a decimal comma."),
        ({",": ";"}, "semicolons between the columns."),
        ({",": "\t"}, "tabs between the columns."),
    ],
)
def test_tables_of_other_spreadsheets_say_the_same_and_that_they_are_such(
    name, change, said, tmp_path
):
    path = tmp_path / "a.csv"
    path.write_text(GOOD[name])
    usual = READERS[name](path)
    path.write_text(GOOD[name].translate(str.maketrans(change)))
    other = READERS[name](path)
    assert other.notes == (*usual.notes, f"Read with {said}")
    assert said in repr(other)
    assert other.to_dict() | {"notes": []} == usual.to_dict() | {"notes": []}


@pytest.mark.parametrize("name", READERS)
@FUZZ
@given(content=st.binary(max_size=400))
def test_any_bytes(name, content, tmp_path):
    judged(name, content, tmp_path / "a.csv")


@pytest.mark.parametrize("name", READERS)
@FUZZ
@given(text=st.text(alphabet="shapering,_m0123456789.-+e\"'#=\n\r\t;\x00\u2028é", max_size=300))
def test_any_text_after_a_good_header(name, text, tmp_path):
    head = next(line for line in GOOD[name].splitlines() if not line.startswith("#"))
    judged(name, f"{head}\n{text}".encode(), tmp_path / "a.csv")


@pytest.mark.parametrize("name", READERS)
@FUZZ
@given(data=st.data())
def test_a_good_file_with_cells_replaced(name, data, tmp_path):
    lines = GOOD[name].splitlines()
    for _ in range(data.draw(st.integers(1, 3))):
        row = data.draw(st.integers(0, len(lines) - 1))
        cells = lines[row].split(",")
        cells[data.draw(st.integers(0, len(cells) - 1))] = data.draw(CELLS)
        lines[row] = ",".join(cells)
    judged(name, "\n".join(lines).encode(), tmp_path / "a.csv")


@pytest.mark.parametrize("name", READERS)
def test_a_good_file_cut_anywhere(name, tmp_path):
    content = GOOD[name].encode()
    for end in range(len(content)):
        judged(name, content[:end], tmp_path / "a.csv")


@pytest.mark.parametrize("name", READERS)
@pytest.mark.parametrize("encoding", ["utf-16", "utf-16-le", "utf-32", "cp037", "utf-7"])
def test_other_encodings(name, encoding, tmp_path):
    path = tmp_path / "a.csv"
    content = GOOD[name].encode(encoding)
    judged(name, content, path)
    if encoding != "utf-7":
        with pytest.raises(ValueError, match=r"not UTF-8|zero bytes|is missing"):
            READERS[name](path)


@pytest.mark.parametrize("name", READERS)
def test_a_line_without_end_is_refused_before_it_is_read(name, tmp_path):
    path = tmp_path / "long.csv"
    with path.open("wb") as stream:
        stream.write(b"shape,ring\n")
        for _ in range(100):
            stream.write(b"1" * 1_000_000)
    refused_early(name, path, "a line of more than 10000 characters is no row")


@pytest.mark.parametrize("name", READERS)
def test_ten_million_rows_are_refused_before_they_are_read(name, tmp_path):
    path = tmp_path / "many.csv"
    with path.open("wb") as stream:
        for _ in range(100):
            stream.write(b"circle,3,4,5\n" * 100_000)
    refused_early(name, path, r"more than (500000|20000) lines")


@pytest.mark.parametrize("name", READERS)
def test_a_file_far_too_large_is_refused_by_its_size(name, tmp_path):
    path = tmp_path / "huge.csv"
    with path.open("wb") as stream:
        stream.truncate(50_000_000_000)  # a hole: it takes no room
    refused_early(name, path, "50000 MB are too much")


def refused_early(name, path, words):
    tracemalloc.start()
    begin = time.process_time()
    try:
        with pytest.raises(ValueError, match=words) as caught:
            READERS[name](path)
        taken, (_, peak) = time.process_time() - begin, tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert str(caught.value).startswith(str(path))
    assert peak < 60e6  # bytes
    assert taken < 5.0  # s; tens of milliseconds where this was written


@pytest.mark.parametrize("spot", ["0,0", "5,7", "1e8,1e8"])
def test_all_points_on_one_spot_are_no_ring(spot, tmp_path):
    content = GOOD["points"].splitlines()[0] + f"\ncircle,3,{R},-1,{spot}" * 16
    judged("points", content.encode(), tmp_path / "a.csv")
    with pytest.raises(ValueError, match="the rings measure 0 times their commanded size"):
        gs.read_points(tmp_path / "a.csv", TEST)


def test_as_many_rows_as_are_allowed_are_read(tmp_path, monkeypatch):
    monkeypatch.setattr(limits, "TABLE_ROWS", 20)
    path = tmp_path / "a.csv"
    for end in ("\n", "\r\n", "\r"):
        path.write_bytes(GOOD["points"].replace("\n", end).encode())
        assert gs.read_points(path, TEST).n_points == 16
    monkeypatch.setattr(limits, "TABLE_ROWS", 16)
    for end in ("\n", "\r\n", "\r"):
        path.write_bytes(GOOD["points"].replace("\n", end).encode())
        with pytest.raises(ValueError, match="more than 16 lines"):
            gs.read_points(path, TEST)


@pytest.mark.parametrize("name", READERS)
def test_what_is_no_file_is_refused(name, tmp_path):
    pipe = tmp_path / "pipe.csv"
    os.mkfifo(pipe)
    for path, words in ((tmp_path, "this is a folder"), (pipe, "this is no plain file")):
        with pytest.raises(ValueError, match=words):
            READERS[name](path)
