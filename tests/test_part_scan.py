"""Parts read from scans: pieces by their edges, plates by their lines, and what is refused."""

from __future__ import annotations

import dataclasses
from functools import lru_cache

import numpy as np
import pytest
from cutparts import Ring, path_of, rectangle
from drawnparts import box, ellipse, silhouette
from drawnscans import Sheet, save, scan_of

import gantrysim as gs
from gantrysim.part import ScannedPart, drawing_of, judge_part, read_part_scan
from gantrysim.part.prediction import Course

SHAPES = [
    rectangle(156.0, 144.0, 12.0, 3.1),
    rectangle(176.0, 145.0, 3.1, 10.0, start=1),
    Ring((163.0, 156.0), 4.0, 180.0),
    rectangle(150.0, 140.0, 34.0, 24.0),
]
DRAWING = drawing_of(path_of(SHAPES, source="bracket"))
MIDDLE = np.array((167.0, 152.0))
CUT = 0.14
#: What the drawn pieces are larger than the drawing, the cut apart, mm: as a machine might make it.
OFF = {"S1": 0.12, "S1l": -0.2, "S2": -0.25, "S2l": 0.1, "H1x": -0.22, "H1y": 0.06}
SHEET = Sheet(dpi=300.0, turn_deg=23.0, size=48.0, ground=235.0, ink=150.0)
COARSE = dataclasses.replace(SHEET, dpi=150.0)


def outlines(cut: float, *, mirrored: bool = False) -> list[np.ndarray]:
    """The outlines of the true part about its middle, mm."""

    def sized(name: str, along: str) -> tuple[float, float]:
        own = [DRAWING[n].drawn + OFF[n] + cut for n in (f"{name}l", name)]
        return (own[0], own[1]) if along == "x" else (own[1], own[0])

    hole = [8.0 + OFF[n] + cut for n in ("H1x", "H1y")]
    own = [
        box(0.0, 0.0, 34.0 - cut, 24.0 - cut),
        box(-5.0, -6.45, *sized("S1", "x")),
        box(10.55, -2.0, *sized("S2", "y")),
        ellipse(-4.0, 4.0, *hole),
    ]
    return [xy * ((-1.0, 1.0) if mirrored else (1.0, 1.0)) for xy in own]


@lru_cache(maxsize=1)
def pictured() -> np.ndarray:
    return silhouette([outlines(CUT)], SHEET, char=50.0)


def expected(name: str) -> float:
    feature = DRAWING[name]
    return feature.drawn + OFF.get(name, 0.0) + feature.kerf * CUT


def check(sheet: ScannedPart, most: float) -> None:
    assert {reading.name for reading in sheet.readings} == set(DRAWING.names)
    for reading in sheet.readings:
        if reading.name == "H1":  # the mean of an ellipse's widths is near that of its axes
            assert reading.value == pytest.approx(8.0 - 0.08 + CUT, abs=most)
        else:
            limit = most if DRAWING[reading.name].unit == "mm" else 0.08
            assert reading.value == pytest.approx(expected(reading.name), abs=limit), reading
        assert reading.uncertainty < 0.03


def test_a_piece_is_read_by_its_charred_edges_at_any_turn(tmp_path):
    save(pictured(), tmp_path / "piece.png", 300.0)
    sheet = read_part_scan(tmp_path / "piece.png", DRAWING, "pieces")
    check(sheet, 0.015)
    assert sheet.cut is None
    edges = {reading.name: reading.edge for reading in sheet.readings}
    assert edges["S1"] == -edges["W1"] == pytest.approx(0.06)
    again = ScannedPart.from_file(sheet.to_csv(tmp_path / "sizes.csv"), None, drawing=DRAWING)
    assert [r.name for r in again.readings] == [r.name for r in sheet.readings]
    assert again.values == pytest.approx(sheet.values)


def test_an_uncut_plate_is_read_by_its_lines_and_tells_its_own_cut(tmp_path):
    sheet = dataclasses.replace(SHEET, width=CUT, ground=190.0, ink=60.0, turn_deg=-71.0)
    save(scan_of(outlines(0.0), sheet), tmp_path / "plate.png", 300.0)
    found = read_part_scan(tmp_path / "plate.png", DRAWING, "lines")
    assert found.cut is not None
    assert found.cut.width == pytest.approx(CUT, abs=0.02)
    widened = dataclasses.replace(found, line_width=CUT, readings=tuple(
        dataclasses.replace(r, value=r.value + DRAWING[r.name].kerf * (CUT - found.line_width))
        for r in found.readings
    ))  # fmt: skip
    check(widened, 0.012)


@pytest.mark.parametrize(
    "outlined, shown, words",
    [
        (lambda: outlines(CUT)[:2] + outlines(CUT)[3:], "pieces", r"found none of S2\.$"),
        (lambda: outlines(CUT, mirrored=True), "pieces", r"bracket seen from behind"),
        (lambda: outlines(CUT), "lines", r"found 'lines' and grey .* is it 'pieces'\?"),
        (lambda: [1.05 * xy for xy in outlines(CUT)], "pieces", r"is it scanned at 157 dpi\?"),
    ],
)
def test_what_is_not_the_part_as_it_was_said_is_refused(tmp_path, outlined, shown, words):
    save(silhouette([outlined()], COARSE), tmp_path / "piece.png", 150.0)
    with pytest.raises(ValueError, match=words):
        read_part_scan(tmp_path / "piece.png", DRAWING, shown)


def test_what_turns_leave_open_is_left_out_and_a_word_settles_it(tmp_path):
    plate = drawing_of(
        path_of([rectangle(153, 150, 10.0, 3.0), rectangle(171, 150, 10.0, 3.4),
                 rectangle(150, 145, 34.0, 13.0), Ring((200.0, 150.0), 6.0)])
    )  # fmt: skip
    pieces = [
        [box(0, 0, 34.0, 13.0), box(-9.0, 0.0, 10.0, 3.0), box(9.0, 0.2, 10.0, 3.4)],
        [ellipse(2.0, 15.0, 12.0, 12.1)],
    ]
    sheet = dataclasses.replace(COARSE, turn_deg=8.0)
    save(silhouette(pieces, sheet), tmp_path / "both.png", 150.0)
    open_ = read_part_scan(tmp_path / "both.png", plate, "pieces")
    assert {"W1", "L1", "D1"} <= {reading.name for reading in open_.readings}
    assert not {"S1", "S2", "D1x"} & {reading.name for reading in open_.readings}
    assert any(
        "how the part lies cannot be told: " in note and "S1" in note for note in open_.notes
    )
    told = read_part_scan(tmp_path / "both.png", plate, "pieces", upright=True)
    assert told["S1"].value == pytest.approx(3.0, abs=0.02)
    assert told["S2"].value == pytest.approx(3.4, abs=0.02)
    with pytest.raises(ValueError, match=r"name must be one of .*found 'D1x'"):
        _ = told["D1x"]


def test_one_small_hole_tells_how_a_plate_lies(tmp_path):
    slots = [rectangle(155, 150, 9, 3), rectangle(170, 159, 9, 3)]
    hole, outside = Ring((154.0, 160.0), 1.0), rectangle(150, 145, 34.0, 22.0)
    plate = drawing_of(path_of([slots[0], hole, slots[1], outside]))
    own = [box(0, 0, 34, 22), box(-7.5, -4.5, 9, 3), box(7.5, 4.5, 9, 3.1), ellipse(-13, 4, 2, 2)]
    upside = dataclasses.replace(COARSE, turn_deg=181.0)
    save(silhouette([own], upside), tmp_path / "plate.png", 150.0)
    read = read_part_scan(tmp_path / "plate.png", plate, "pieces")
    assert read.notes == ()
    assert read["S1"].value == pytest.approx(3.0, abs=0.02)
    assert read["S2"].value == pytest.approx(3.1, abs=0.02)


def test_pieces_that_look_alike_must_be_told_apart(tmp_path):
    save(pictured(), tmp_path / "piece.png", 300.0)
    twins = drawing_of(path_of([rectangle(150, 150, 20, 9), rectangle(150, 170, 20, 9)]))
    with pytest.raises(ValueError, match=r"found those of L1 and L2 alike: scan them one at a"):
        read_part_scan(tmp_path / "piece.png", twins, "pieces")


@pytest.mark.slow
def test_a_known_length_settles_the_scale_of_the_scanner(tmp_path):
    wrong = dataclasses.replace(COARSE, scanner=(2e-3, 2e-3, 0.0))
    save(silhouette([outlines(CUT)], wrong), tmp_path / "piece.png", 150.0)
    names = ["W1", "L1", "S1"]
    plain = read_part_scan(tmp_path / "piece.png", DRAWING, "pieces", features=names)
    known = (34.0 - CUT, 0.005)
    told = read_part_scan(
        tmp_path / "piece.png", DRAWING, "pieces", features=names, length=("W1", *known)
    )
    off = [abs(sheet["W1"].value - known[0]) for sheet in (plain, told)]
    assert off[0] > 0.05
    assert off[1] < 0.012
    assert np.abs(told.instrument).sum() < np.abs(plain.instrument).sum()
    with pytest.raises(ValueError, match=r"length of W1 must agree with the scan within"):
        read_part_scan(
            tmp_path / "piece.png", DRAWING, "pieces", features=names, length=("W1", 33.0, 0.01)
        )


@pytest.mark.slow
def test_a_scanned_plate_says_whose_the_error_is(tmp_path):
    """Lines as a machine with a tight carriage burns them, drawn by another hand, and judged."""
    tight = gs.Machine().with_faults(gs.faults.TightCarriage(9.5))
    course = Course.of(DRAWING, "feed", step=0.25)
    burned = course.burned(tight)
    pairs = zip(DRAWING.features, course.read(burned[None]), strict=True)
    errors = {f.name: float(f.gauge.size(local)[0]) for f, local in pairs}
    burned = burned - MIDDLE - np.mean(burned - course.samples.command, axis=0)
    lines = [burned[np.sort(course.samples.of_moves(np.sort(o.moves)))] for o in DRAWING.outlines]
    sheet = dataclasses.replace(SHEET, width=CUT, ground=190.0, ink=60.0)
    save(scan_of(lines, sheet), tmp_path / "plate.png", 300.0)
    found = read_part_scan(tmp_path / "plate.png", DRAWING, "lines")
    for reading in found.readings:
        cut = found.line_width * DRAWING[reading.name].kerf
        limit = 0.03 if DRAWING[reading.name].unit == "mm" else 0.2
        assert reading.value == pytest.approx(reading.drawn + errors[reading.name] + cut, abs=limit)
    wanted = {name: DRAWING[name].drawn + DRAWING[name].kerf * CUT for name in ("S2", "S1", "W1")}
    wanted["S1"] -= 0.3
    how = {"healthy": gs.Machine(), "limit": 0.1, "motion": "feed"}
    judged = judge_part(tight, DRAWING, found, intended=wanted, kerf_allowed=CUT, **how)
    off = {name: abs(errors[name]) > 0.1 for name in wanted}
    assert off["S2"]
    for name in ("S2", "W1"):
        assert judged[name].verdict == ("machine" if off[name] else "fits")
    assert judged["S1"].verdict == ("both" if off["S1"] else "drawing")
    assert judged["A1"].verdict == "fits"
    assert judged.kerf.origin.startswith("as the lines of")
    assert gs.accept(found, gs.Tolerance(size=0.2)).decision == "not yet"
