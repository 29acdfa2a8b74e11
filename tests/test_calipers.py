"""Caliper sheets: reading, what they would read on drawn lines, the practice sheets."""

from __future__ import annotations

import dataclasses
import json
import math
from pathlib import Path

import matplotlib as mpl
import matplotlib.pyplot as plt
import numpy as np
import pytest
from shapely.affinity import rotate
from shapely.geometry import MultiLineString
from shared_data import PRACTICE, beside

import gantrysim as gs
from gantrysim.inference.problem import prepare
from gantrysim.inference.solver import Evaluator
from gantrysim.instruments.calipers import CaliperReading, CaliperSheet
from gantrysim.instruments.forward import Forward
from gantrysim.instruments.jaws import JAWS, caliper_jacobian, caliper_values, turn_jacobian
from gantrysim.pattern.ringtest import Line

mpl.use("Agg")

TEST = gs.ring_test(spacing=10.0, largest=40.0, passes=2)
HEADER = "shape,ring,size_mm,what,value_mm\n"
MIDDLE = np.array([215.0, 200.0])
CIRCLES, SQUARES = TEST.nest("circle").sizes, TEST.nest("square").sizes


def sheet_of(*wanted: tuple[str, int, str]) -> CaliperSheet:
    """A sheet of such readings; their values are the commanded sizes."""
    readings = []
    for shape, ring, what in wanted:
        size = TEST.nest(shape).sizes[ring]
        bare = CaliperReading(shape, ring, size, what, 1.0)
        readings.append(CaliperReading(shape, ring, size, what, bare.nominal))
    return CaliperSheet(TEST, tuple(readings), "drawn")


def circle(xy: np.ndarray, pass_index: int = 0, ring: int = -1) -> Line:
    ring = ring % len(CIRCLES)
    return Line("circle", ring, CIRCLES[ring], pass_index, xy)


def ellipse(a: float, b: float, n: int, start: float = 0.3) -> np.ndarray:
    t = start + np.linspace(0.0, 2.0 * np.pi, n)
    return np.column_stack([a * np.cos(t), b * np.sin(t)]) + MIDDLE


LARGE = len(CIRCLES) - 1
ANGLES = (0.0, 17.5, 45.0, 90.0, 135.0, 171.0)
ALL_ROUND = sheet_of(*[("circle", LARGE, f"diameter_{a:g}") for a in ANGLES])


# --- what calipers read on lines ------------------------------------------------------------


@pytest.mark.parametrize("n", [60, 251, 2001])
@pytest.mark.parametrize("turn", [0.0, 0.02])
def test_width_of_an_ellipse(n, turn):
    """2 sqrt(a^2 cos^2 + b^2 sin^2) between parallel tangents: standard geometry."""
    a, b = CIRCLES[-1] + 0.1, CIRCLES[-1] - 0.1
    found = caliper_values(ALL_ROUND, [circle(ellipse(a, b, n))], 0.13, turn=turn)
    angle = np.radians(ANGLES) + turn
    width = 2.0 * np.sqrt((a * np.cos(angle)) ** 2 + (b * np.sin(angle)) ** 2)
    sagitta = a * (1.0 - math.cos(math.pi / n))  # what is lost where the line is not bent
    assert found == pytest.approx(width + 0.13, abs=0.02 * sagitta + 1e-9)


def test_any_outline_against_shapely():
    """Feret diameter of several passes: bounds of the turned geometry (shapely 2)."""
    rng = np.random.default_rng(4)
    ring = len(SQUARES) - 1
    size = SQUARES[ring]
    lines = []
    for k in range(2):
        corners = size * np.array([(1, 0), (1, 1), (-1, 1), (-1, -1), (1, -1), (1, 0)])
        lines.append(Line("square", ring, size, k, corners + 0.3 * rng.standard_normal((6, 2))))
    found = caliper_values(
        sheet_of(("square", ring, "diagonal_up"), ("square", ring, "diagonal_down")), lines, 0.1
    )
    drawn = MultiLineString([line.xy for line in lines])
    for value, angle in zip(found, (45.0, 135.0), strict=True):
        low, _, high, _ = rotate(drawn, -angle, origin=(0, 0)).bounds
        assert value == pytest.approx(high - low + 0.1, abs=1e-9)


@pytest.mark.parametrize(
    ("top", "seen"),
    [(0.0, 0.5), (0.15, 0.5), (0.5, 0.5 * (1 - (0.5 - JAWS) / 0.4)), (0.6, 0.0), (-0.6, 0.0)],
)
def test_sides_are_measured_at_their_middle(top, seen):
    """A tent of 0.5 mm on the right side, 0.8 half sides wide, counts where the jaws reach it."""
    ring = len(SQUARES) - 1
    s = SQUARES[ring]
    sheet = sheet_of(("square", ring, "width"), ("square", ring, "height"))
    tent = [(1.0, top - 0.4), (1.0 + 0.5 / s, top), (1.0, top + 0.4)]
    corners = [(1, 1), (-1, 1), (-1, -1), (1, -1)]
    line = Line("square", ring, s, 0, s * np.array([(1, -1), *tent, *corners]))
    found = caliper_values(sheet, [line], 0.12)
    assert found == pytest.approx([2 * s + 0.12 + seen, 2 * s + 0.12], abs=1e-9)


def test_all_passes_count_and_shift_does_not():
    r = CIRCLES[-1]
    first = circle(ellipse(r, r, 400))
    second = circle(first.xy + np.array([0.2, 0.0]), 1)
    one = caliper_values(ALL_ROUND, [first], 0.12)
    moved = circle(first.xy + MIDDLE)
    assert caliper_values(ALL_ROUND, [moved], 0.12) == pytest.approx(one)
    both = caliper_values(ALL_ROUND, [first, second], 0.12)
    assert both - one == pytest.approx(0.2 * np.abs(np.cos(np.radians(ANGLES))), abs=1e-4)


@pytest.fixture(scope="module")
def burned():
    """Lines of a machine that sticks, and of the same machine moved a little."""
    forward = Forward.of(TEST, 1.0, np.array([0.0, 45.0]))
    machine = gs.Machine().with_faults(gs.faults.TightWheels("left", extra_force=9.0))
    return forward.lines(forward.run(machine))


WANTED = [("circle", k, f"diameter_{a}") for k in (0, LARGE) for a in (0, 45, 90, 135)]
WANTED += [
    ("square", len(SQUARES) - 1, w) for w in ("width", "height", "diagonal_up", "diagonal_down")
]


@pytest.mark.parametrize("seed", range(6))
def test_slopes_against_differences(burned, seed):
    rng = np.random.default_rng(seed)
    sheet, h = sheet_of(*WANTED), 1e-6
    # passes that lie on one another to the last digit are a kink: rough them up
    lines = [
        Line(x.shape, x.ring, x.size, x.pass_index, x.xy + 0.02 * rng.standard_normal(x.xy.shape))
        for x in burned
    ]
    moves = []
    for line in lines:  # smooth moves, and one that is not
        t = np.linspace(0.0, 1.0, len(line.xy))[:, None, None]
        phase = rng.uniform(0, 6, (1, 4, 2))
        moves.append(np.cos(2 * np.pi * t * np.arange(1, 5)[:, None] + phase))
        moves[-1][:, 3] = rng.standard_normal((len(line.xy), 2))
    slopes = caliper_jacobian(sheet, lines, moves, turn=0.01)
    for k in range(4):
        ends = []
        for way in (h, -h):
            moved = [
                Line(x.shape, x.ring, x.size, x.pass_index, x.xy + way * m[:, k])
                for x, m in zip(lines, moves, strict=True)
            ]
            ends.append(caliper_values(sheet, moved, turn=0.01))
        assert slopes[:, k] == pytest.approx((ends[0] - ends[1]) / (2 * h), abs=2e-4)


def test_slope_with_the_turn_against_differences(burned):
    sheet, h = sheet_of(*WANTED), 1e-6
    ahead, behind = (caliper_values(sheet, burned, turn=0.02 + way) for way in (h, -h))
    found = turn_jacobian(sheet, burned, turn=0.02)
    assert found == pytest.approx((ahead - behind) / (2 * h), abs=1e-5)
    assert np.abs(found[:8]).max() > 0.1
    assert not found[8:].any()


def test_lines_that_lack_a_measured_ring_are_refused(burned):
    sheet = sheet_of(("circle", 0, "diameter_0"))
    with pytest.raises(ValueError, match="circle ring 0, but the lines hold nothing"):
        caliper_values(sheet, [line for line in burned if line.shape == "square"])
    with pytest.raises(ValueError, match="its moves have 3"):
        caliper_jacobian(sheet, burned, [np.zeros((3, 1, 2))] * len(burned))


# --- uncertainty ----------------------------------------------------------------------------


def test_budget_of_a_caliper():
    """GUM F.2.2.1: resolution / sqrt(12), MPE / sqrt(3); 0.01 -> 0.002887, 0.03 -> 0.017321."""
    sheet = sheet_of(("circle", LARGE, "diameter_0"), ("circle", 0, "diameter_90"))
    assert sheet.uncertainty == pytest.approx(math.hypot(0.02, 0.002887), rel=1e-4)
    width, oblong, zero, scale = sheet.nuisances.T
    assert width == pytest.approx(0.05)
    assert oblong == pytest.approx([0.03, -0.03])
    assert zero == pytest.approx(0.017321, rel=1e-4)
    assert scale == pytest.approx(0.017321 * sheet.values / 150.0, rel=1e-4)


# --- the practice sheets --------------------------------------------------------------------


def machine_frame(xy: np.ndarray, placed: dict) -> np.ndarray:
    """Measured points with the known placement and scanner errors undone, up to a shift."""
    t = math.radians(placed["rotation_deg"])
    turn = np.array([[math.cos(t), -math.sin(t)], [math.sin(t), math.cos(t)]])
    scale = np.array([[placed["scale_x"], placed["skew"]], [0.0, placed["scale_y"]]])
    return np.linalg.solve(scale, (xy - placed["shift_mm"]).T).T @ turn


def smooth_line(shape: str, ring: int, size: float, xy: np.ndarray) -> Line:
    """One closed outline through the noisy points of all passes: medians of nine neighbours."""
    about = xy - 0.5 * (np.percentile(xy, 3, axis=0) + np.percentile(xy, 97, axis=0))

    def medians(along: np.ndarray, out: np.ndarray) -> np.ndarray:
        order = np.argsort(along)
        wide = np.pad(out[order], 4, mode="edge" if shape == "square" else "wrap")
        near = np.median(np.lib.stride_tricks.sliding_window_view(wide, 9), axis=1)
        return np.column_stack([along[order], near])

    if shape == "circle":
        angle, radius = medians(np.arctan2(about[:, 1], about[:, 0]), np.hypot(*about.T)).T
        ring_xy = radius[:, None] * np.column_stack([np.cos(angle), np.sin(angle)])
        return Line(shape, ring, size, -1, np.concatenate([ring_xy, ring_xy[:1]]))
    sides = []
    for k in range(4):
        turn = np.linalg.matrix_power(np.array([[0, -1], [1, 0]]), k)
        local = about @ turn  # the side lies at +x
        own = (local[:, 0] > 0.5 * size) & (np.abs(local[:, 1]) < 0.97 * size)
        along, out = medians(local[own, 1], local[own, 0]).T
        sides.append(np.column_stack([out, along]) @ turn.T)
    sides.append(sides[0][:1])
    return Line(shape, ring, size, -1, np.concatenate(sides))


def practice_residuals(case: Path, *, scanner_axes: bool = False, turned: bool = True):
    truth = json.loads((case / "truth.json").read_text())
    test = gs.read_test(case / "test.json")
    sheet = gs.read_calipers(case / "calipers.csv", test)
    piece = gs.read_points(case / "points.csv", test)
    wanted = tuple(r for r in sheet.readings if not r.what.startswith("diagonal") and r.size > 9)
    sheet = CaliperSheet(test, wanted, sheet.source)
    lines = []
    for shape, ring, size in {(r.shape, r.ring, r.size) for r in wanted}:
        own = [x.xy for x in piece.lines if (x.shape, x.ring) == (shape, ring)]
        xy = np.concatenate(own)
        xy = xy if scanner_axes else machine_frame(xy, truth["measurement"])
        lines.append(smooth_line(shape, ring, size, xy))
    width = truth["burn_width_mm"]
    grid = np.radians(np.arange(-4.0, 4.01, 0.5)) if turned else np.zeros(1)
    left = [caliper_values(sheet, lines, width, turn=t) - sheet.values for t in grid]
    return min(left, key=lambda e: np.median(np.abs(e)))


def spread(residuals: list[np.ndarray]) -> float:
    every = np.concatenate(residuals)
    return 1.4826 * float(np.median(np.abs(every - np.median(every))))


def practice_cases() -> list[Path]:
    cases = sorted(beside(PRACTICE).glob("case-*"))
    return [c for c in cases if c.name != "case-017"]  # an axis stuck


@pytest.mark.study
def test_practice_sheets_against_the_points_of_the_same_pieces():
    # repeatability of the readings is 0.02 mm; the points add their own noise of 0.01 to 0.02 mm
    cases = practice_cases()
    left = [practice_residuals(case) for case in cases]
    assert spread(left) < 0.035
    assert abs(np.median(np.concatenate(left))) < 0.015
    # the axes of the scanner, turned by up to 4 degrees, are not those of the hand
    assert spread([practice_residuals(c, scanner_axes=True, turned=False) for c in cases]) > 1.4 * (
        spread([practice_residuals(c, turned=False) for c in cases])
    )


# --- files ----------------------------------------------------------------------------------


def test_practice_sheets_survive_reading_and_writing(tmp_path):
    cases = [*practice_cases(), PRACTICE / "case-017"]
    for case in cases:
        test = gs.read_test(case / "test.json")
        sheet = gs.read_calipers(case / "calipers.csv", test)
        # NumPy's own reader is the referee; four comments and the header come first
        values = np.loadtxt(case / "calipers.csv", delimiter=",", skiprows=5, usecols=4)
        assert np.array_equal(sheet.values, values)
        again = gs.read_calipers(sheet.to_csv(tmp_path / f"{case.name}.csv"), test)
        assert again.readings == sheet.readings


def test_columns_in_any_order_with_a_byte_order_mark(tmp_path):
    path = tmp_path / "calipers.csv"
    head = "\ufeff# by hand\r\nvalue_mm,who,what,size_mm,ring,shape\r\n"
    row = f"80.21,A,diameter_22.5,{CIRCLES[-1]},{LARGE},circle\r\n"
    path.write_text(head + row, encoding="utf-8")
    (reading,) = gs.read_calipers(path, TEST).readings
    assert reading == CaliperReading("circle", LARGE, CIRCLES[-1], "diameter_22.5", 80.21)
    assert reading.angle == 22.5


GOOD = f"circle,{LARGE},{CIRCLES[-1]},diameter_0,80.1"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "the file is empty; a CSV file of caliper readings"),
        ("# nothing\n", "holds only comments"),
        (HEADER, "holds no rows after the header"),
        ("shape,ring,what,value_mm\n" + GOOD, "line 1: column 'size_mm' is missing"),
        ("shape,ring,size_mm,what,value\n" + GOOD, "line 1: column 'value' states no unit"),
        ("shape,ring,size_mm,what,value_in\n" + GOOD, "give it in mm and call it 'value_mm'"),
        (HEADER + GOOD.replace("80.1", "eighty"), "line 2: value_mm must be a number"),
        (HEADER + GOOD.replace("80.1", "nan"), "line 2: value_mm must be a finite number"),
        (HEADER + GOOD.replace("80.1", "80,1"), "line 2: 6 values found"),
        (HEADER + GOOD.replace("80.1", "-80.1"), "line 2: value_mm must be above zero"),
        (HEADER + GOOD + "\n" + GOOD.replace("80.1", "801"), "line 3: value_mm must be at most 97"),
        (HEADER + GOOD.replace("80.1", "3.154"), r"no reading reaches half.*look like inches"),
        (HEADER + GOOD.replace("80.1", "8.01"), r"look like cm"),
        (HEADER + GOOD.replace("80.1", "40.2"), r"40.2 mm, is half of the 80 mm .* a radius\?"),
        (
            HEADER + GOOD + "\n" + GOOD.replace("80.1", "40.2").replace("diameter_0", "diameter_9"),
            r"diameter_9 of circle ring .* a radius\?",
        ),
        (
            HEADER + GOOD.replace("circle", "oval"),
            "line 2: CaliperReading: shape must be 'circle' or 'square'",
        ),
        (HEADER + GOOD.replace(f",{LARGE},", ",77,"), "line 2: ring must be 0 to "),
        (HEADER + GOOD.replace(f",{LARGE},", ",1.5,"), "line 2: ring must be a whole number"),
        (HEADER + GOOD.replace(str(CIRCLES[-1]), "33"), "line 2: size_mm is 33, but circle ring"),
        (HEADER + GOOD.replace("diameter_0", "width"), "line 2: what must be 'diameter_'"),
        (HEADER + GOOD.replace("diameter_0", "diameter_180"), "line 2: what must be 'diameter_'"),
        (HEADER + GOOD.replace("diameter_0", "diameter_nan"), "line 2: what must be 'diameter_'"),
        ("# resolution_mm: 0.05\n" + HEADER + GOOD, "line 1: a setting must be written with"),
        (
            '"# resolution_mm : 0.05",,,,\n' + HEADER + GOOD,
            "line 1: a setting must be written with",
        ),
        ("# resolution -> 0.05\n" + HEADER + GOOD, "line 1: a setting must be written with"),
        ("# resolution_mm == 0.05\n" + HEADER + GOOD, "line 1: a setting must be written with"),
        ("# Resolution_mm = 0.05\n" + HEADER + GOOD, "line 1: 'Resolution_mm' must be written"),
        ("# resolution_mm = 0.05\n" + HEADER + GOOD, "calipers.csv: permissible_error must not be"),
        (HEADER + f"square,0,{SQUARES[0]},diameter_0,9", "line 2: what must be 'width', 'height'"),
    ],
)
def test_hostile_files_end_in_one_sentence(tmp_path, text, words):
    path = tmp_path / "calipers.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(ValueError, match=words) as caught:
        gs.read_calipers(path, TEST)
    sentence = str(caught.value)
    assert sentence.startswith(str(path))
    assert sentence.endswith(".")
    assert "\n" not in sentence


def test_missing_file_and_wrong_arguments(tmp_path):
    with pytest.raises(FileNotFoundError, match="no such file; a CSV file of caliper readings"):
        gs.read_calipers(tmp_path / "none.csv", TEST)
    path = tmp_path / "calipers.csv"
    path.write_text(HEADER + GOOD)
    for name in ("resolution", "repeatability", "permissible_error", "turn_deg"):
        with pytest.raises(ValueError, match=f"{name} must be above zero"):
            gs.read_calipers(path, TEST, **{name: 0.0})
    with pytest.raises(TypeError, match="line_width must be a width and its standard uncertainty"):
        gs.read_calipers(path, TEST, line_width=0.12)
    with pytest.raises(TypeError, match="test must be a RingTest"):
        gs.read_calipers(path, None)
    with pytest.raises(ValueError, match="holds no readings"):
        CaliperSheet(TEST, (), "nothing")


def test_a_sheet_shows_itself(tmp_path):
    sheet = sheet_of(*WANTED)
    assert repr(sheet) == "CaliperSheet('drawn', 12 readings of 3 rings)"
    assert sheet._repr_html_().count("<tr>") == 13
    assert json.loads(json.dumps(sheet.to_dict()))["readings"][0]["what"] == "diameter_0"
    with pytest.raises(FileExistsError):
        sheet.to_csv(sheet.to_csv(tmp_path / "a.csv"))
    ax = sheet.plot()
    assert ax.get_xlabel() == "commanded size, mm"
    assert "mm" in ax.get_ylabel()
    drawn = np.concatenate([line.get_ydata() for line in ax.lines[1:]])
    assert np.isclose(drawn, -0.12).sum() >= 12
    plt.close("all")


# --- a rectangular spot ---------------------------------------------------------------------


def test_a_rectangular_spot_is_no_scale_fault():
    """Lines 80 um wider along x than along y, on small rings where that is a third of a per cent.

    A sheet that takes the spot for round reads a scale fault from them.
    """
    test = gs.ring_test(spacing=4.0, largest=12.0, centre=(215.0, 200.0))
    (blank,) = gs.instruments.Calipers().asked(gs.Machine(), test)
    perfect = blank.expected(gs.Machine())
    readings = tuple(
        dataclasses.replace(r, value=r.value + 0.04 * math.cos(2.0 * math.radians(r.angle)))
        for r in perfect.readings
    )
    sheet = dataclasses.replace(perfect, readings=readings)

    def told(one: CaliperSheet, name: str) -> tuple[float, float]:
        """Size of a fault, and standard deviation, in those believed: one step, all but linear."""
        problem = prepare(one, gs.Machine())
        faults = problem.catalogue.of_name(name)
        evaluator, u = Evaluator(problem, faults), problem.start(faults)
        hessian, slope = evaluator.quadratic(u, *evaluator.linearise(u))
        (cut,) = problem.fault_cuts(faults)
        there = u - np.linalg.solve(hessian, slope)
        return float(there[cut][0]), float(np.linalg.inv(hessian)[cut, cut][0, 0]) ** 0.5

    for name in ("scale_x", "scale_y"):
        size, deviation = told(sheet, name)
        assert abs(size) < deviation
        size, deviation = told(dataclasses.replace(sheet, oblong=1e-3), name)
        assert abs(size) > 2.0 * deviation
