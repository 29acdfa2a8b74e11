"""Scans of simulated burns: every layout, turn and resolution; lengths and dpi that disagree."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest
from drawnscans import save
from scannedburns import Glass, Scanned, off_truth, save_scan, scanned
from shared_data import SHARED, beside

import gantrysim as gs
from gantrysim.instruments.scan.traced import _islands
from gantrysim.instruments.stations import runs_of

SLANTED = gs.Machine().with_faults(gs.faults.OutOfSquare(3.0))
CIRCLES = gs.ring_test(["circle"], spacing=4.0, largest=12.0)
EDGE = {"lid": 245.0, "noise": 2.0, "light": 30.0}


def rms_um(off: np.ndarray) -> float:
    return 1e3 * float(np.sqrt(np.mean(off**2)))


# rms of the points off the true lines: of pixels of 169 and 85 um what their rows hide, else what
# starts and reversals bend within the millimetre that a point averages over
@pytest.mark.parametrize(
    ("shapes", "layout", "dpi", "turn", "within"),
    [
        (["circle"], "concentric", 150.0, 3.0, 20.0),
        (["circle"], "concentric", 300.0, 92.0, 5.0),
        (["square"], "concentric", 150.0, 94.0, 45.0),
        (["square"], "concentric", 300.0, -3.0, 5.0),
        (["circle", "square"], "concentric", 300.0, 2.0, 5.0),
        (["circle", "square"], "side_by_side", 300.0, 87.0, 5.0),
        (["circle"], "concentric", 600.0, -4.0, 5.0),
        (["circle"], "concentric", 1200.0, 1.0, 8.0),
    ],
)
def test_every_layout_is_read_at_every_resolution(tmp_path, shapes, layout, dpi, turn, within):
    largest = 8.0 if dpi > 600.0 else 12.0
    test = gs.ring_test(shapes, spacing=4.0, largest=largest, layout=layout)
    scan = scanned(SLANTED, test, Glass(dpi, turn, **EDGE), seed=3)
    piece = gs.read_scan(save_scan(scan, tmp_path, dpi), test)
    off = off_truth(piece, scan)
    assert piece.missing == ()
    assert rms_um(off) < within
    assert np.abs(off).max() < 0.15
    # what is stated of a point holds for two in three, and is no excuse
    assert 0.2 < np.quantile(np.abs(off) / np.concatenate(piece.uncertainty), 0.68) < 2.5
    assert not any("size" in note for note in piece.notes)
    if layout == "side_by_side":
        assert piece.quarter_known
        assert piece.record.turn_deg == pytest.approx(turn, abs=0.5)


def test_the_edge_of_a_piece_is_no_line_of_it(tmp_path):
    # one ring: nothing near says how far off a line may lie; the edge is 3 mm beside the square
    test = gs.ring_test(["circle", "square"], layout="side_by_side", spacing=5.0, largest=7.2)
    scan = scanned(gs.Machine(), test, Glass(300.0, -2.0, lid=25.0, noise=2.0), seed=3)
    piece = gs.read_scan(save_scan(scan, tmp_path, 300.0), test)
    assert np.abs(off_truth(piece, scan)).max() < 0.15
    assert any("was read of square 0 (" in note for note in piece.notes)


@pytest.mark.parametrize("case", ["case-000", "case-001", "case-003"])
def test_circles_alone_of_an_independent_simulator_are_read(case):
    folder = beside(SHARED / "scans-circles" / case)
    test = gs.read_test(folder / "test.json")
    scan = gs.read_scan(folder / "scan.png", test)
    points = gs.read_points(folder / "points.csv", test)
    assert scan.missing == ()
    assert "the turn is ambiguous" in scan.notes[0]
    # both have a scale of their own: radii of the rings agree but for one common factor
    ours, theirs = (radii(piece) for piece in (scan, points))
    apart = np.abs(ours - theirs * np.median(ours / theirs))
    assert np.median(apart) < 0.005
    assert apart.max() < 0.03  # the points of a ring of 3 mm are few, and noisier


def radii(piece: gs.Piece) -> np.ndarray:
    """Least-squares mean radius of each ring, mm."""
    rings = sorted({line.ring for line in piece.lines})
    found = []
    for ring in rings:
        xy = np.concatenate([line.xy for line in piece.lines if line.ring == ring])
        centre = xy.mean(axis=0)
        for _ in range(10):
            out = xy - centre
            r = np.hypot(*out.T)
            table = np.column_stack((out / r[:, None], np.ones(len(r))))
            fit = np.linalg.lstsq(table, r, rcond=None)[0]
            centre = centre + fit[:2]
        found.append(fit[2])
    return np.array(found)


def test_grain_that_looks_like_a_line_is_not_followed(tmp_path):
    test = gs.ring_test(["circle"], spacing=5.0, largest=15.0)
    look = {"ground": 130.0, "grain": 8.0, "noise": 2.5}
    scan = scanned(gs.Machine(), test, Glass(200.0, 3.0, **look), seed=5)
    piece = gs.read_scan(save_scan(scan, tmp_path, 200.0), test)
    assert np.abs(off_truth(piece, scan)).max() < 0.2
    assert piece.n_points > 0.6 * 2.0 * np.pi * (5.0 + 10.0 + 15.0)


def test_a_short_stretch_off_both_neighbours_is_no_line_and_a_lasting_step_is_one():
    ring, *_, side = runs_of(gs.ring_test(spacing=10.0, largest=20.0), 0.25)
    good = np.ones(len(ring.place), dtype=bool)
    way = np.zeros(len(good))
    way[40:50] = 0.6
    assert np.flatnonzero(_islands(way, good, ring)).tolist() == list(range(40, 50))
    assert not _islands(np.roll(way, 60) * 0.3, good, ring).any()  # 0.18 mm is no jump
    way[40:90] = 0.6  # of 12 mm
    assert not _islands(way, good, ring).any()
    way = np.where(np.arange(len(side.place)) < 60, 0.0, 0.5)  # a step was lost
    assert not _islands(way, np.ones(len(way), dtype=bool), side).any()


def test_another_test_is_refused(tmp_path):
    scan = circles(300.0)
    path = save_scan(scan, tmp_path, 300.0)
    for shapes, spacing in ((["square"], 4.0), (["circle"], 3.1), (["circle", "square"], 4.0)):
        other = gs.ring_test(shapes, spacing=spacing, largest=12.5)
        with pytest.raises(ValueError, match=r"of the test (were not found|would)"):
            gs.read_scan(path, other)


# Lengths and resolutions that disagree


@lru_cache(maxsize=2)
def circles(dpi: float) -> Scanned:
    return scanned(gs.Machine(), CIRCLES, Glass(dpi, 2.0), seed=4)


def across(scan: Scanned) -> float:
    """True diameter of the largest circle along x of the upright piece, mm."""
    xy = scan.lines["circle", 2]
    t = np.radians(2.0)
    x = xy @ (np.cos(t), np.sin(t))
    return float(np.ptp(x))


@pytest.mark.parametrize("wrong", [0.04, -0.04, 0.012, -0.012])
def test_a_length_beyond_scanner_and_reading_is_refused_by_name(tmp_path, wrong):
    scan = circles(300.0)
    path = save_scan(scan, tmp_path, 300.0)
    value = across(scan) * (1.0 + wrong)
    with pytest.raises(ValueError, match=r"^length is .* mm, but these lines stand") as refused:
        gs.read_scan(path, CIRCLES, length=(value, 0.02))
    assert f"{-wrong / (1.0 + wrong):+.1%}"[:3] in str(refused.value)
    assert "can be scanner and reading" in str(refused.value)


def test_a_length_within_them_settles_the_scale(tmp_path):
    scan = circles(300.0)
    path = save_scan(scan, tmp_path, 300.0)
    plain = gs.read_scan(path, CIRCLES)
    piece = gs.read_scan(path, CIRCLES, length=(across(scan) * 0.998, 0.01))
    assert radii(piece)[2] / radii(plain)[2] == pytest.approx(0.998, abs=8e-4)
    assert piece.scanner.deviations[0] < plain.scanner.deviations[0]


def test_a_resolution_that_file_and_rings_contradict_is_refused(tmp_path):
    test = gs.ring_test(["circle"], spacing=10.0, largest=30.0)
    scan = scanned(gs.Machine(), test, Glass(300.0, 2.0), seed=4)
    path = save_scan(scan, tmp_path, 300.0)
    with pytest.raises(ValueError, match=r"dpi is given as 303, but the file states 300") as error:
        gs.read_scan(path, test, dpi=303.0)
    assert "leave dpi out" in str(error.value)
    assert gs.read_scan(path, test, dpi=300.0).notes == gs.read_scan(path, test).notes
    near = gs.read_scan(path, test, dpi=301.0)  # 0.3 % may be the scanner
    assert "dpi was given as 301, the file states 300" in near.notes
    # a file that states nothing, or what a program put there, is no witness; the rings are
    for marked in (None, 72.0):
        other = marked_as(scan, tmp_path, marked)
        assert not any("dpi" in note for note in gs.read_scan(other, test, dpi=300.0).notes)
        (said,) = (x for x in gs.read_scan(other, test, dpi=306.0).notes if "dpi" in x)
        assert "off their commanded size in all directions" in said
        assert "a scan of 300 dpi" in said


def marked_as(scan: Scanned, folder: Path, dpi: float | None) -> Path:
    path = folder / f"marked-{dpi}.png"
    save(scan.grey, path, dpi)
    return path
