"""What all measurements share, empty sheets to fill in, and what a caliper sheet measures."""

from __future__ import annotations

import dataclasses
import json
import math
import re

import matplotlib as mpl
import matplotlib.pyplot as plt
import numpy as np
import pytest

import gantrysim as gs
from gantrysim.instruments.base import MachineSheet, Measurement, ReadingSheet
from gantrysim.instruments.calipers import CaliperReading
from gantrysim.instruments.dial import DialReading, DialSheet, write_dial_sheet

mpl.use("Agg")

TEST = gs.ring_test(spacing=5.0, largest=40.0, passes=2)
R = TEST.nest("circle").sizes[-1]
HALF = TEST.nest("square").sizes[-1]


def filled(path, give, column=-1):
    """Fill in an empty sheet as a hand would: `give(row)` is what goes into the column."""
    lines = path.read_text().splitlines()
    first = next(i for i, line in enumerate(lines) if not line.startswith("#"))
    names = lines[first].split(",")
    for i in range(first + 1, len(lines)):
        cells = dict(zip(names, lines[i].split(","), strict=True))
        cells[names[column]] = give(cells)
        lines[i] = ",".join(cells.values())
    path.write_text("\n".join(lines) + "\n")
    return path


def pieces() -> list[Measurement]:
    readings = [CaliperReading("circle", 7, R, f"diameter_{a}", 2 * R) for a in (0, 60, 120)]
    lines = [
        gs.pattern.Line(s.shape, s.ring, s.size, 0, s.xy)
        for s in TEST.strokes(2.0)
        if s.shape != "travel"
    ]
    return [
        gs.Piece(TEST, tuple(lines), "a piece & <b>"),
        gs.instruments.CaliperSheet(TEST, tuple(readings), "a sheet & <b>"),
        gs.instruments.PushSheet(
            (
                gs.instruments.PushReading(
                    "left", "off", (1.0, 2.0), "keep_forward_n", 9.0, 0.3, 3.0
                ),
            ),
            "p & <b>",
        ),
        gs.instruments.ToneSheet(
            (gs.instruments.ToneReading("x", 300.0, 8.4, 60.0, 1.0),), "t & <b>"
        ),
        DialSheet((DialReading("left", "lag", (200.0, 200.0), 3.0, 0.21),), "d & <b>"),
    ]


# --- one kind of thing ----------------------------------------------------------------------


@pytest.mark.parametrize("thing", pieces(), ids=lambda t: type(t).__name__)
def test_every_measurement_says_the_same_things(thing, tmp_path):
    assert isinstance(thing, gs.instruments.Measurement)
    with pytest.raises(dataclasses.FrozenInstanceError):
        thing.source = "another"
    assert thing.test is (None if isinstance(thing, MachineSheet) else TEST)
    assert thing.n_readings > 0
    assert thing.notes == ()
    assert repr(thing).startswith(f"{type(thing).__name__}({thing.source!r}, {thing.n_readings} ")
    noted = dataclasses.replace(thing, notes=("2 < 3 rows.",))
    page = noted._repr_html_()
    assert page.startswith(f"<p><b>{thing.what}</b>: ")
    assert "&amp; &lt;b&gt;" in page
    assert "<p>2 &lt; 3 rows.</p>" in page
    assert page.count("<table>") == 1
    content = json.loads(json.dumps(noted.to_dict()))
    assert (content["source"], content["notes"]) == (thing.source, ["2 < 3 rows."])
    path = thing.to_csv(tmp_path / "a.csv")
    assert ",".join(thing.columns) in path.read_text().splitlines()
    with pytest.raises(FileExistsError):
        thing.to_csv(path)
    assert thing.plot() is not None
    plt.close("all")
    if isinstance(thing, ReadingSheet):
        n = len(thing.readings)
        assert thing.covariance.shape == (n, n)
        assert thing.covariance == pytest.approx(
            np.diag(thing.uncertainty**2) + thing.nuisances @ thing.nuisances.T
        )


def test_measurement_cannot_stand_alone():
    with pytest.raises(TypeError, match="abstract"):
        gs.instruments.Measurement()


@pytest.mark.parametrize("wrong", ["points.csv", 3.0, TEST, gs.Machine()])
def test_other_things_end_in_one_sentence(wrong):
    for of in (gs.diagnose, lambda t: gs.fit(t, gs.Machine())):
        with pytest.raises(
            TypeError, match=r"must be a [Mm]easurement( or a Burn)? or a list of .*, found"
        ):
            of(wrong)
    with pytest.raises(TypeError, match="must be anything with lines and the test that commanded"):
        gs.measure(wrong)


def test_readings_of_the_machine_have_nothing_to_measure():
    for sheet in pieces()[2:]:
        with pytest.raises(TypeError, match=r"must be anything with lines .* or a CaliperSheet"):
            gs.measure(sheet)


def test_a_piece_draws_its_error_both_ways():
    piece = pieces()[0]
    grown = [
        gs.pattern.Line(x.shape, x.ring, x.size, x.pass_index, x.xy + 0.0) for x in piece.lines
    ]
    centre = np.array(TEST.nest("circle").centre)
    for k, line in enumerate(grown):
        if line.shape == "circle":
            xy = centre + (line.xy - centre) * (1.0 + 0.1 / line.size)
            grown[k] = gs.pattern.Line(line.shape, line.ring, line.size, line.pass_index, xy)
    piece = gs.Piece(TEST, tuple(grown), "grown by 0.1 mm")
    ax = piece.plot(magnify=10)
    drawn = next(li for li in ax.lines if li.get_marker() == "." and len(li.get_xdata()) > 50)
    reach = np.hypot(*(drawn.get_xydata() - centre).T)
    assert reach.max() == pytest.approx(R + 1.0, abs=0.02)
    assert any("×10" in text.get_text() for text in ax.texts)
    ax = piece.plot_unrolled(rings=[7])
    assert np.concatenate(
        [li.get_ydata() for li in ax.lines if len(li.get_xdata()) > 5]
    ).mean() == (pytest.approx(100.0, abs=2.0))
    with pytest.raises(ValueError, match="magnify must be above zero"):
        piece.plot(magnify=0)
    plt.close("all")


# --- empty sheets ---------------------------------------------------------------------------


def test_an_empty_caliper_sheet_names_a_handful_of_rings(tmp_path):
    path = gs.instruments.write_caliper_sheet(tmp_path / "c.csv", TEST)
    with pytest.raises(ValueError, match=r"none of the 24 rows holds a value_mm; fill in at least"):
        gs.read_calipers(path, TEST)
    filled(path, lambda row: f"{float(row['commanded_mm']) + 0.12:.2f}")
    sheet = gs.read_calipers(path, TEST)
    assert sheet.notes == ()
    rings = {(r.shape, r.ring) for r in sheet.readings}
    assert rings == {
        (shape, TEST.nest(shape).sizes.index(size))
        for shape in ("circle", "square")
        for aim in (1.0, 0.6, 0.3)
        for size in [
            min(TEST.nest(shape).sizes, key=lambda s: abs(s - aim * TEST.nest(shape).sizes[-1]))
        ]
    }
    assert {r.what for r in sheet.readings if r.shape == "circle"} == {
        f"diameter_{a}" for a in (0, 45, 90, 135)
    }
    assert len({r.what for r in sheet.readings if r.shape == "square"}) == 4
    assert sheet.values == pytest.approx([r.nominal + 0.12 for r in sheet.readings], abs=0.006)


def test_a_half_filled_sheet_reads_with_what_it_holds(tmp_path):
    path = gs.instruments.write_caliper_sheet(tmp_path / "c.csv", TEST, rings={"circle": [7, 1]})
    give = {"diameter_0": "80.2", "diameter_90": "80.0"}
    filled(path, lambda row: give.get(row["what"], "") if row["ring"] == "7" else " ")
    sheet = gs.read_calipers(path, TEST)
    assert sheet.values.tolist() == [80.2, 80.0]
    assert sheet.notes == ("6 of 8 rows hold no value_mm and were left out.",)
    assert "6 of 8 rows" in sheet._repr_html_()
    assert "6 of 8 rows" in str(gs.measure(sheet))


def test_the_caliper_is_read_from_the_sheet(tmp_path):
    path = gs.instruments.write_caliper_sheet(
        tmp_path / "c.csv", TEST, resolution=0.05, permissible_error=0.08, angles_deg=(0, 22.5)
    )
    filled(path, lambda row: row["commanded_mm"])
    sheet = gs.read_calipers(path, TEST)
    assert (sheet.resolution, sheet.permissible_error) == (0.05, 0.08)
    assert "diameter_22.5" in {r.what for r in sheet.readings}
    assert gs.read_calipers(path, TEST, resolution=0.02).resolution == 0.02
    again = gs.read_calipers(
        dataclasses.replace(
            sheet, repeatability=0.033, line_width=(0.2, 0.07), turn_deg=0.4
        ).to_csv(tmp_path / "again.csv"),
        TEST,
    )
    assert (again.repeatability, again.line_width, again.turn_deg) == (0.033, (0.2, 0.07), 0.4)
    assert (again.resolution, again.permissible_error) == (0.05, 0.08)
    # ISO 13385-1: the permissible error is never below the step of the display
    with pytest.raises(ValueError, match=r"must not be below the resolution of 0\.1 mm"):
        gs.read_calipers(path, TEST, resolution=0.1)
    with pytest.raises(ValueError, match="must not be below the resolution"):
        gs.instruments.write_caliper_sheet(tmp_path / "d.csv", TEST, resolution=0.05)
    assert not (tmp_path / "d.csv").exists()


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("# resolution_mm = fine", "line 1: resolution_mm must be a number, found 'fine'"),
        ("# resolution_mm = nan", "line 1: resolution_mm must be a finite number"),
        ("# resolution_mm = -0.01", "line 1: resolution_mm must be above zero"),
        ("# resolution = 0.01", "line 1: 'resolution' states no unit; call it 'resolution_mm'"),
    ],
)
def test_wrong_statements_about_the_instrument(tmp_path, line, words):
    path = tmp_path / "c.csv"
    path.write_text(f"{line}\nshape,ring,size_mm,what,value_mm\ncircle,7,{R},diameter_0,80.1\n")
    with pytest.raises(ValueError, match=words):
        gs.read_calipers(path, TEST)


def test_a_spreadsheet_may_have_saved_the_sheet(tmp_path):
    """Commas fill up short lines, remarks get quotes, line ends change, a mark stands in front."""
    path = tmp_path / "c.csv"
    path.write_text(
        '\ufeff"# a remark, with a comma",,,,\r\n# resolution_mm = 0.02,,,,\r\n,,,,\r\n'
        f"shape,ring,size_mm,what,value_mm\r\ncircle,7,{R},diameter_0,80.1\r\n",
        encoding="utf-8",
        newline="",
    )
    sheet = gs.read_calipers(path, TEST)
    assert (sheet.resolution, sheet.values.tolist()) == (0.02, [80.1])


def test_an_empty_push_sheet_asks_for_both_sides_both_ways(tmp_path):
    path = gs.instruments.write_push_sheet(tmp_path / "p.csv", gs.Machine(), permissible_error=0.5)
    text = path.read_text()
    for caution in ("unplug", "disconnect the laser", "pinch points", "maker's manual"):
        assert caution in text
    results = {at: gs.push(gs.Machine(), at).to_dict() for at in ("left", "right", "carriage")}
    filled(path, lambda row: f"{results[row['at']][row['what']]:.6f}", column=5)
    sheet = gs.read_push(path)
    wanted = {
        (at, f"{what}_{way}_{unit}")
        for at in ("left", "right", "carriage")
        for what, unit in (("start", "n"), ("keep", "n"), ("lag", "mm"))
        for way in ("forward", "back")
        if (at, what) != ("carriage", "lag")
    }
    assert {(r.at, r.what) for r in sheet.readings} == wanted
    assert {r.place for r in sheet.readings} == {(215.0, 200.0)}
    assert sheet.notes == ()
    # a hand of 0.3 N with a step of 0.1 N over sqrt(12) (GUM F.2.2.1)
    assert sheet.uncertainty[0] == pytest.approx(math.hypot(0.3, 0.1 / math.sqrt(12)), abs=1e-3)
    scale, zero = sheet.nuisances.T
    force = np.array([r.unit == "N" for r in sheet.readings])
    assert scale[force] == pytest.approx(0.02 * sheet.values[force])
    assert zero[force] == pytest.approx(0.5 / math.sqrt(3))
    assert not sheet.nuisances[~force].any()
    again = gs.read_push(sheet.to_csv(tmp_path / "again.csv"))
    assert (again.permissible_error, again.readings) == (0.5, sheet.readings)


def test_a_zero_of_the_spring_scale_cancels_in_a_loop():
    readings = [
        gs.instruments.PushReading("left", "holding", (1.0, 2.0), what, 5.0, 0.3, 0.4)
        for what in ("loop_force_n", "stiffness_n_mm", "loop_travel_mm")
    ]
    sheet = gs.instruments.PushSheet(tuple(readings), "p", permissible_error=1.0)
    assert not sheet.nuisances[:, 1].any()
    with pytest.raises(ValueError, match="permissible_error must not be below zero"):
        gs.instruments.PushSheet(tuple(readings), "p", permissible_error=-1.0)


def test_a_push_that_keeps_above_its_start_is_remarked(tmp_path):
    path = gs.instruments.write_push_sheet(tmp_path / "p.csv", gs.Machine())
    force = {
        "start_forward_n": "9",
        "keep_forward_n": "19",
        "start_back_n": "9",
        "keep_back_n": "8",
    }
    filled(path, lambda row: force.get(row["what"], "") if row["at"] == "left" else "", column=5)
    notes = gs.read_push(path).notes
    assert notes[0] == "12 of 16 rows hold no value and were left out."
    assert notes[1:] == (
        "left at (215, 200): 19 N to keep moving forward is above 9 N to start; read again.",
    )


def test_an_empty_tone_sheet_asks_for_both_spans_of_each_belt(tmp_path):
    path = gs.instruments.write_tone_sheet(tmp_path / "t.csv", gs.Machine())
    assert "unplug" in path.read_text()
    filled(path, lambda row: "55.5" if row["belt"] != "x" else "", column=3)
    sheet = gs.read_tones(path)
    machine = gs.Machine()
    assert [(r.belt, r.span) for r in sheet.readings] == [
        (side, span) for side in ("left", "right") for span in machine.belt_left.spans(200.0)
    ]
    assert sheet.notes == ("2 of 6 rows hold no tone_hz and were left out.",)
    # 1.4 g/m and mm of width, as makers print it for a 2 mm pitch belt on glass
    assert {r.mass for r in sheet.readings} == {8.4}


def test_no_sheet_overwrites_silently(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text("mine")
    for write, of in (
        (gs.instruments.write_caliper_sheet, TEST),
        (gs.instruments.write_push_sheet, gs.Machine()),
        (gs.instruments.write_tone_sheet, gs.Machine()),
        (write_dial_sheet, gs.Machine()),
    ):
        with pytest.raises(FileExistsError, match="pass overwrite=True"):
            write(path, of)
        assert path.read_text() == "mine"
        write(path, of, overwrite=True)
        assert path.read_text() != "mine"
        path.write_text("mine")


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"rings": {"oval": [1]}}, "rings: shape must be 'circle' or 'square'"),
        ({"rings": {"circle": [77]}}, "rings: ring must be 0 to 7"),
        ({"rings": {"circle": [1.5]}}, "must be a whole number"),
        ({"rings": {}}, "name nothing to measure"),
        ({"angles_deg": (0, 180)}, "the direction from 0 to below 180"),
        ({"angles_deg": (math.nan,)}, r"angles_deg\[0\] must be a finite number"),
        ({"permissible_error": 0.0}, "permissible_error must be above zero"),
    ],
)
def test_wrong_wishes_for_a_caliper_sheet(tmp_path, options, words):
    with pytest.raises(ValueError, match=words) as caught:
        gs.instruments.write_caliper_sheet(tmp_path / "c.csv", TEST, **options)
    assert "\n" not in str(caught.value)
    assert not list(tmp_path.iterdir())


def test_rings_of_a_caliper_sheet_are_named_by_shape(tmp_path):
    with pytest.raises(TypeError, match="rings must be a mapping to lists of whole numbers"):
        gs.instruments.write_caliper_sheet(tmp_path / "c.csv", TEST, rings=[7])


# --- what a caliper measures ----------------------------------------------------------------


def sheet_of(rows, **options) -> gs.instruments.CaliperSheet:
    readings = []
    for shape, ring, what, value in rows:
        size = TEST.nest(shape).sizes[ring]
        readings.append(CaliperReading(shape, ring, size, what, value))
    return gs.instruments.CaliperSheet(TEST, tuple(readings), "made", **options)


def test_the_common_part_does_not_average():
    """n readings of one size: u^2 = u1^2 / n + MPE^2 / 3 + width^2 (GUM F.1.2.3, 4.3.7).

    A calibration error shared by all readings stays however many are taken; the ovality, a
    difference, has none of it and falls with sqrt(2 / n), d = 2 sqrt(C^2 + S^2).
    """
    alone = math.hypot(0.02, 0.01 / math.sqrt(12))
    zero, scale = 0.03 / math.sqrt(3), 0.03 / math.sqrt(3) * 2 * R / 150.0
    floor = math.sqrt(zero**2 + scale**2 + 0.05**2)
    seen = []
    for n in (4, 16, 400):
        angles = np.arange(n) * 180.0 / n
        values = 2 * R + 0.12 + 0.1 * np.cos(2 * np.radians(angles - 30.0))
        rows = [
            ("circle", 7, f"diameter_{a}", v) for a, v in zip(angles, values.tolist(), strict=True)
        ]
        (row,) = gs.measure(sheet_of(rows, turn_deg=1e-9, oblong=1e-9)).rows
        assert row.size[1] == pytest.approx(0.5 * math.hypot(floor, alone / math.sqrt(n)), rel=1e-6)
        assert row.ovality == pytest.approx((0.2, 2 * alone * math.sqrt(2.0 / n)), rel=1e-6)
        assert row.long_axis_deg[0] == pytest.approx(30.0)
        assert row.size_error[0] == pytest.approx(0.0, abs=1e-9)
        seen.append(row.size[1])
    assert seen[-1] > 0.97 * seen[0]  # a hundred times the readings, hardly better


def test_stretch_and_diagonals_of_a_circle_by_its_radius():
    """C = R (ex - ey), S = R alpha for small errors of the axes (ISO 230-4 causes, first order)."""
    ex, ey, lean = 8e-4, -4e-4, 1.5e-3
    angles = (0.0, 45.0, 90.0, 135.0)
    shape = np.array([[1 + ex, lean], [0.0, 1 + ey]])
    width = [  # of the sheared circle between parallel tangents: |A' n|, standard geometry
        2 * R * np.linalg.norm(shape.T @ [math.cos(a), math.sin(a)]) for a in np.radians(angles)
    ]
    rows = [("circle", 7, f"diameter_{a:g}", w + 0.12) for a, w in zip(angles, width, strict=True)]
    (row,) = gs.measure(sheet_of(rows)).rows
    assert row.stretch_mrad[0] == pytest.approx(1e3 * (ex - ey), abs=2e-3)
    assert row.diagonal_mrad[0] == pytest.approx(1e3 * lean, abs=2e-3)
    assert row.squareness_mrad is None  # friction may have drawn it


def test_a_turned_hand_mixes_stretch_into_diagonals():
    """A turn t moves (C, S) by 2 t (S, -C): a plain ellipse looks stretched along a diagonal."""
    angles, turn = (0.0, 45.0, 90.0, 135.0), math.radians(1.5)
    rows = [
        ("circle", 7, f"diameter_{a:g}", 2 * R + 0.5 * math.cos(2 * math.radians(a)) + 0.12)
        for a in angles
    ]
    sure, turned = (gs.measure(sheet_of(rows, turn_deg=t)).rows[0] for t in (1e-9, 1.5))
    grown = math.sqrt(turned.diagonal_mrad[1] ** 2 - sure.diagonal_mrad[1] ** 2)
    assert grown == pytest.approx(1e3 * 2 * turn * 0.5 / R, rel=1e-3)
    assert turned.ovality[1] == pytest.approx(sure.ovality[1], rel=1e-6)


def test_squareness_from_diagonals():
    """Side 100, 1 mrad: d1 141.492049, d2 141.350628 mm (plane geometry, worked by hand)."""
    test = gs.ring_test(("square",), spacing=25.0, largest=50.0)
    ring = len(test.nest("square").sizes) - 1
    assert test.nest("square").sizes[ring] == 50.0
    w = 0.12
    rows = (
        ("width", 100.0), ("height", 100.0), ("diagonal_up", 141.492049),
        ("diagonal_down", 141.350628),
    )  # fmt: skip
    readings = tuple(CaliperReading("square", ring, 50.0, k, v + w) for k, v in rows)
    (row,) = gs.measure(gs.instruments.CaliperSheet(test, readings, "square")).rows
    assert row.squareness_mrad[0] == pytest.approx(1.0, abs=2e-5)
    # both diagonals share zero and scale of the caliper: they leave 2 * slope * own error
    alone = math.hypot(0.02, 0.01 / math.sqrt(12))
    expected = 1e3 * math.sqrt(2) * 141.42 * alone / (2 * 100.0 * 100.0)
    assert row.squareness_mrad[1] == pytest.approx(expected, rel=2e-3)
    assert row.size_error[0] == pytest.approx(0.0, abs=1e-9)
    assert row.stretch_mrad[0] == pytest.approx(0.0, abs=1e-9)
    assert row.ovality is None


def test_too_few_directions_are_said(tmp_path):
    rows = [("circle", 7, "diameter_0", 80.1), ("circle", 7, "diameter_90", 80.2)]
    rows.append(("square", 6, "diagonal_up", 106.1))
    measures = gs.measure(sheet_of(rows))
    assert [r.ovality for r in measures.rows] == [None]
    assert any("fewer than 3 directions" in note for note in measures.notes)
    assert any("neither width nor height" in note for note in measures.notes)
    with pytest.raises(ValueError, match="no ring has readings enough"):
        gs.measure(sheet_of(rows[2:]))
    assert repr(measures) == "CaliperMeasures('made', 1 rings)"
    assert json.loads(json.dumps(measures.to_dict()))["rings"][0]["ovality_mm"] is None
    text = measures.to_csv(tmp_path / "m.csv").read_text()
    assert re.search(
        r"^shape,ring,size_mm,n_readings,measured_size_mm,u_measured_size_mm", text, re.M
    )
    with pytest.raises(FileExistsError):
        measures.to_csv(tmp_path / "m.csv")
    assert "<td>circle</td>" in measures._repr_html_()
    assert measures.plot().get_ylabel() == "error, mm/m"
    plt.close("all")
