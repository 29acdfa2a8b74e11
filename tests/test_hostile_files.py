"""Files made to take all time or memory: every reader refuses or reads them soon, in one sentence.

Each text is some ten thousand characters long where a reader in linear time needs milliseconds; one
that takes the square of its length, or worse, misses the bound by far.
"""

from __future__ import annotations

import os
import struct
import time
import zlib
from pathlib import Path

import pytest

import gantrysim as gs
from gantrysim.instruments.dial import read_dial
from gantrysim.instruments.picture import open_picture
from gantrysim.part import read_drawing, read_features
from gantrysim.records import limits

TEST = gs.ring_test(("circle",), spacing=10.0, largest=20.0)
#: Seconds of processor time; what is refused in time takes a few hundredths.
SOON = 1.0

READERS = {
    "test.json": gs.read_test,
    "machine.toml": gs.read_machine,
    "log.json": gs.open_log,
    "finding.json": gs.read_finding,
    "drawing.svg": gs.read_svg,
    "part.svg": read_drawing,
    "program.nc": gs.read_motion_code,
    "points.csv": lambda path: gs.read_points(path, TEST),
    "calipers.csv": lambda path: gs.read_calipers(path, TEST),
    "push.csv": gs.read_push,
    "tones.csv": gs.read_tones,
    "dial.csv": read_dial,
    "scan.png": lambda path: gs.read_scan(path, TEST),
}


def refused(name: str, path: Path, words: str) -> None:
    """The reader of that name refuses the file soon, in one sentence about it."""
    begin = time.process_time()
    with pytest.raises(ValueError, match=words) as caught:
        READERS[name](path)
    assert time.process_time() - begin < SOON
    sentence = str(caught.value)
    assert sentence.startswith(str(path))
    assert sentence.endswith(".")
    assert len(sentence) < 500 + len(str(path))
    assert "\n" not in sentence


@pytest.mark.parametrize("name", READERS)
def test_what_is_no_file_of_a_size_that_is_read_is_refused_before_it_is_read(name, tmp_path):
    ending = Path(name).suffix
    pipe, hole, bare = (tmp_path / f"{word}{ending}" for word in ("pipe", "hole", "bare"))
    os.mkfifo(pipe)
    with hole.open("wb") as stream:
        stream.truncate(3_000_000_000)  # takes no room
    bare.touch()
    refused(name, tmp_path, "this is a folder; .* expected")
    refused(name, pipe, "this is no plain file; .* expected")
    refused(name, hole, r"3000 MB are too much; .*, at most \d+ MB, is expected")
    refused(name, bare, "the file is empty; .* expected")


def test_a_file_of_the_system_that_says_it_is_empty_is_not_waited_for():
    path = Path("/proc/self/mounts")  # as the kernel's own log is, which never ends
    if not path.exists():
        pytest.skip("this system has no such file")
    refused("test.json", path, "the file is empty")


PAGE = '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 200 200">{}</svg>'
DISC = '<circle cx="90" cy="90" r="50"/>'


@pytest.mark.parametrize(
    "body, words",
    [
        (f'<polyline points="{"1 " * 40}x"/>', "points must be numbers with blanks"),
        (f'<polyline points="{"1 " * 40_000}x"/>', "points must be numbers with blanks"),
        (f'<circle r="{"1" * 40_000}x9"/>', "r must be a length"),
        (f'<circle r="1{" " * 40_000}9"/>', "r must be a length"),
        (f'<g transform="rotate({"1 " * 40_000}x)"/>', "rotate must be numbers"),
        (f"<style>{'/*a' * 40_000}</style>", "must draw something"),
        (f'<g style="{"/*a" * 40_000}"/>', "must draw something"),
        (f"<style>{'{ ' * 40_000}</style>", "must draw something"),
    ],
)
def test_no_text_in_a_drawing_takes_longer_than_its_length(body, words, tmp_path):
    path = tmp_path / "a.svg"
    path.write_text(PAGE.format(body))
    refused("drawing.svg", path, words)


@pytest.mark.parametrize(
    "body",
    [
        DISC * 501,
        '<circle visibility="hidden" r="5"/>' * 1001,
        f'<g transform="{"scale(1)" * 1000}">{DISC}</g>',
        f'<path d="M0 0{"L0 0" * 1000}L5 5"/>',
        f'<polyline points="{"1 1 2 2 " * 500}"/>',
        "<g/>" * 1001,
    ],
)
def test_all_that_takes_time_in_a_drawing_is_counted(body, tmp_path, monkeypatch):
    path = tmp_path / "a.svg"
    path.write_text(PAGE.format(body + DISC))
    assert gs.read_svg(path).length > 0.0
    monkeypatch.setattr(limits, "DRAWING_PARTS", 1000)
    refused("drawing.svg", path, "more than 1000 elements")


def test_elements_are_counted_before_they_are_made(tmp_path, monkeypatch):
    path = tmp_path / "a.svg"
    path.write_text(PAGE.format(DISC * 100))
    monkeypatch.setattr(limits, "DRAWING_PARTS", 50)
    refused("drawing.svg", path, "more than 50 elements; split the drawing")


@pytest.mark.parametrize(
    "text", ["<svg" * 40_000, f"<svg width='1{' ' * 40_000}", "<!--a" * 40_000]
)
def test_the_unit_of_a_drawing_is_looked_for_in_linear_time(text, tmp_path):
    path = tmp_path / "a.svg"
    path.write_text(text)
    refused("part.svg", path, "not readable as XML")


@pytest.mark.parametrize(
    "line", ["(" * 40_000, ";" * 40_000, "G" + "0" * 40_000, "G1" + " " * 40_000]
)
def test_the_unit_of_a_program_is_looked_for_in_linear_time(line, tmp_path):
    path = tmp_path / "a.nc"
    path.write_text(line)
    begin = time.process_time()
    with pytest.raises(ValueError, match="unit of the drawing must be stated"):
        read_drawing(path)
    assert time.process_time() - begin < SOON


COMMENTS = {
    "blanks after a word": "# a" + " " * 9_900,
    "blanks after a setting": "# common_error" + " " * 9_900,
    "blanks before": "#" + " " * 9_900 + ".",
    "signs": "#" * 9_900,
    "quotes": '"' * 9_900 + "#",
    "a note without end": '# note: "' + '" ' * 4_900,
    "digits": "# a 1" + "1" * 9_900,
}


@pytest.mark.parametrize("what", COMMENTS)
def test_no_comment_takes_longer_than_its_length(what, tmp_path):
    path = tmp_path / "a.csv"
    table = "belt,span_mm,mass_g_m,tone_hz,uncertainty_hz\nleft,400,8.4,54.2,1\n"
    path.write_text(COMMENTS[what] + "\n" + table)
    begin = time.process_time()
    assert gs.read_tones(path).n_readings == 1
    assert time.process_time() - begin < SOON


def test_readings_by_hand_are_as_many_as_hands_make(tmp_path, monkeypatch):
    monkeypatch.setattr(limits, "HAND_ROWS", 5)
    path = tmp_path / "a.csv"
    head = "belt,span_mm,mass_g_m,tone_hz,uncertainty_hz\n"
    path.write_text(head + "left,400,8.4,54.2,1\n" * 4)
    assert gs.read_tones(path).n_readings == 4
    path.write_text(head + "left,400,8.4,54.2,1\n" * 5)
    refused("tones.csv", path, "more than 5 lines; thin the readings out")


DOTTED = {
    "bare": ".".join("a" * 17) + " = 1",
    "spread": " . ".join("a" * 17) + " = 1",
    "quoted": ".".join(['"a b"'] * 17) + " = 1",
    "quoted dots": ".".join(['"."'] * 17) + " = 1",
    "a table": "[" + ".".join("a" * 17) + "]",
    "with signs": ".".join([r'"\""', "a"] * 9) + " = 1",
    "inside": "a = {" + ".".join("b" * 17) + " = 1}",
}


@pytest.mark.parametrize("how", DOTTED)
@pytest.mark.parametrize("read", [gs.read_machine, gs.read_test])
def test_keys_of_many_parts_are_refused(how, read, tmp_path):
    path = tmp_path / "a.toml"
    path.write_text("# a machine\n" + DOTTED[how])
    with pytest.raises(ValueError, match=r"a\.toml: a key of TOML must have at most 16 parts\."):
        read(path)


@pytest.mark.parametrize(
    "text",
    [
        ".".join("a" * 50_000) + "=1",
        "a" * 200_000,
        '"' + r"\"" * 100_000,
        "'" * 100_001,
        "a = " + "1.5 " * 50_000,
        "a" + " " * 100_000 + "b",
        "a = " + "[" * 50_000,
    ],
)
def test_no_toml_takes_longer_than_its_length(text, tmp_path):
    path = tmp_path / "a.toml"
    path.write_text(text)
    refused("machine.toml", path, "TOML|nested at most 64 deep")


def test_words_and_numbers_with_points_are_no_keys(tmp_path):
    path = tmp_path / "a.toml"
    gs.save_machine(gs.Machine(), path)
    remark = "# " + "a. " * 5 + "\n"
    path.write_text(remark + path.read_text())
    assert gs.read_machine(path) == gs.Machine()
    path.write_text(f"span = [{', '.join(['1.5'] * 50)}]")
    refused("machine.toml", path, "span must be a finite number")


@pytest.mark.parametrize("name", ["test.json", "log.json", "finding.json", "machine.toml"])
@pytest.mark.parametrize("deep", [65, 990, 5_000, 100_000])
def test_what_is_nested_deeply_is_refused(name, deep, tmp_path):
    path = tmp_path / name
    start, end = ("a = ", "") if name.endswith("toml") else ('{"a": ', "}")
    path.write_text(start + "[" * deep + "]" * deep + end)
    refused(name, path, "tables and lists must be nested at most 64 deep")


@pytest.mark.parametrize("name", ["test.json", "log.json", "finding.json"])
def test_json_is_as_strict_everywhere(name, tmp_path):
    path = tmp_path / name
    for text, words in (
        ('{"passes": 1, "passes": 2}', "field 'passes' stands twice"),
        (f'{{"{"a" * 9000}": 1, "{"a" * 9000}": 2}}', "field 'aaa.*aaa' stands twice"),
        ('{"passes": NaN}', "NaN is no number"),
        (f'{{"passes": {"9" * 9000}}}', "not readable as JSON"),
    ):
        path.write_text(text)
        refused(name, path, words)


def test_names_of_features_are_read_as_carefully(tmp_path):
    path = tmp_path / "square.svg"
    gs.ring_test(("square",), spacing=10.0, largest=10.0).to_svg(path)
    drawing = read_drawing(path)
    names = tmp_path / "names.json"
    with names.open("wb") as stream:
        stream.truncate(limits.SETTINGS_BYTES + 1)
    with pytest.raises(ValueError, match="2 MB are too much"):
        read_features(names, drawing)


def test_what_would_not_be_read_again_is_not_written(tmp_path, monkeypatch):
    gs.new_log(tmp_path / "log.json", gs.Machine(), name="Alder")
    before = (tmp_path / "log.json").read_bytes()
    monkeypatch.setattr(limits, "LOG_BYTES", len(before))
    assert gs.open_log(tmp_path / "log.json").name == "Alder"
    with pytest.raises(ValueError, match=r"two\.json: .* MB would be written, but at most"):
        gs.new_log(tmp_path / "two.json", gs.Machine(), name="A longer name")
    assert [path.name for path in tmp_path.iterdir()] == ["log.json"]


def picture(path: Path, width: int, height: int, dpi: int) -> Path:
    """A white PNG of one bit a pixel (W3C, Portable Network Graphics, 2003: chunks, clause 5)."""

    def chunk(kind: bytes, content: bytes) -> bytes:
        check = zlib.crc32(kind + content)
        return struct.pack(">I", len(content)) + kind + content + struct.pack(">I", check)

    rows = zlib.compress((b"\0" + b"\xff" * ((width + 7) // 8)) * height, 1)
    head = struct.pack(">IIBBBBB", width, height, 1, 0, 0, 0, 0)
    pitch = struct.pack(">IIB", *(round(dpi / 0.0254),) * 2, 1)
    parts = ((b"IHDR", head), (b"pHYs", pitch), (b"IDAT", rows), (b"IEND", b""))
    path.write_bytes(b"\x89PNG\r\n\x1a\n" + b"".join(chunk(*part) for part in parts))
    return path


@pytest.mark.parametrize(
    "size, words",
    [
        ((13_000, 400, 300), "would be 1101 x 34 mm, over the 180000 mm2 and 1000 mm accepted"),
        ((2_000, 2_000, 100), "would be 508 x 508 mm, over the 180000 mm2"),
        ((2_000_000, 32, 300), "would be 169333 x 3 mm"),
        ((20_000, 9_000, 10_000), "180000000|over the 1.78e"),
    ],
)
def test_scans_are_no_larger_than_a_bed(size, words, tmp_path):
    refused("scan.png", picture(tmp_path / "a.png", *size), words)


def test_a_resolution_that_is_given_makes_a_scan_smaller(tmp_path):
    path = picture(tmp_path / "a.png", 2_000, 2_000, 100)
    assert open_picture(path, 600).grey.shape == (2_000, 2_000)


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("machine.toml", "{} = 1"),
        ("log.json", '{{"format": "gantrysim machine log", "version": 3, "{}": 1}}'),
        ("points.csv", "shape,ring,size_mm,pass,x_{},y_mm\ncircle,0,1,1,1,1"),
        ("points.csv", "{}\n1"),
        ("drawing.svg", "<{}/>"),
        ("drawing.svg", '<svg xmlns="http://www.w3.org/2000/svg" viewBox="{}"/>'),
        ("drawing.svg", PAGE.replace("{}", '<g id="{}"><circle r="-1" id="{}"/></g>')),
        ("drawing.svg", PAGE.replace("{}", '<circle id="{}" r="{}"/>')),
        ("program.nc", "G1 X1 {}1"),
        ("program.nc", "{}"),
    ],
)
def test_long_names_make_no_long_sentences(name, text, tmp_path):
    path = tmp_path / name
    path.write_text(text.replace("{}", "a" * 5_000).replace("{{", "{").replace("}}", "}"))
    refused(name, path, "a")


def test_a_setting_beyond_measure_is_refused_on_its_line(tmp_path):
    path = tmp_path / "a.csv"
    table = "belt,span_mm,mass_g_m,tone_hz,uncertainty_hz\nleft,400,8.4,54.2,1\n"
    path.write_text("# common_error = 1e306\n" + table)
    refused("tones.csv", path, "line 1: common_error must be below 1e")
