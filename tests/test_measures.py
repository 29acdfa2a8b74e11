"""Measures of whole burns and pieces: rows, spacing, passes, sizes, frames, tables."""

from __future__ import annotations

import csv
import dataclasses
import math
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st
from hysteron import with_play
from lifted import laid
from shared_data import PRACTICE, beside

from gantrysim.instruments.points import Piece, read_points
from gantrysim.metrology.burns import measure
from gantrysim.metrology.sizes import fit_sizes
from gantrysim.pattern.ringtest import Line, ring_test


def drawn(test, *, ex=0.0, ey=0.0, alpha=0.0, play_x=0.0, play_y=0.0, step=0.25):
    """What a machine with these errors and no others burns, the play carried from line to line."""
    strokes = test.strokes(step)
    command = np.concatenate([s.xy for s in strokes])
    x, y = with_play(command[:, 0], play_x), with_play(command[:, 1], play_y)
    places = np.column_stack(((1 + ex) * x + alpha * y, (1 + ey) * y))
    ends = np.cumsum([len(s.xy) for s in strokes])
    lines = tuple(
        Line(s.shape, s.ring, s.size, s.pass_index, places[end - len(s.xy) : end])
        for s, end in zip(strokes, ends, strict=True)
        if s.shape != "travel"
    )
    return SimpleNamespace(lines=lines, test=test)


def lifted(burn, degrees=3.0, noise=0.0, strays=0, seed=0) -> Piece:
    """The burn as a turned, shifted piece with points in no order, a few of them strays."""
    rng = np.random.default_rng(seed)
    turn = math.radians(degrees)
    piece = laid(burn.lines, burn.test, turn=turn, every=4, noise=noise, seed=rng)
    places = [rng.permutation(line.xy) for line in piece.lines]
    for k in range(strays):
        places[-1 - k % len(places)][3] += (0.9, -0.7)
    lines = [dataclasses.replace(x, xy=xy) for x, xy in zip(piece.lines, places, strict=True)]
    return Piece(burn.test, tuple(lines), "piece")


TEST = ring_test(spacing=5.0, largest=50.0)


def test_a_faultless_burn_measures_as_commanded():
    m = measure(drawn(TEST))
    assert (len(m.circles), len(m.squares), m.skipped, m.n_rejected) == (10, 9, (), 0)
    for row in m.rows:
        assert row.measured_size == pytest.approx(row.size, abs=1e-9)
        assert row.gap is not None
        assert row.gap.length < 1e-9
    assert all(row.path.minimum_zone.RONt < 1e-9 for row in m.circles)
    assert [s.commanded for s in m.spacings] == pytest.approx([5.0] * 17)
    assert all(abs(s.error) < 1e-9 for s in m.spacings)
    assert [fit.what for fit in m.size_fits] == [
        "circle diameter along x", "circle diameter along y", "square width", "square height",
    ]  # fmt: skip
    for fit in m.size_fits:
        assert fit.scale_error == pytest.approx(0, abs=1e-9)
        assert fit.lost_motion == pytest.approx(0, abs=1e-7)
    assert m.rotation_deg == 0.0


def test_scale_and_play_come_apart():
    # sides a (1 + e) - B: slope 1 + e, intercept -B (plain geometry); circle diameters likewise
    m = measure(drawn(TEST, ex=2e-3, ey=-1e-3, play_x=0.10, play_y=0.06))
    width, height = m.size_fit("square width"), m.size_fit("square height")
    assert width.scale_error == pytest.approx(2e-3, abs=1e-8)
    assert width.lost_motion == pytest.approx(0.10 * 1.002, abs=1e-6)
    assert height.scale_error == pytest.approx(-1e-3, abs=1e-8)
    assert height.lost_motion == pytest.approx(0.06 * 0.999, abs=1e-6)
    across = m.size_fit("circle diameter along x"), m.size_fit("circle diameter along y")
    assert across[0].scale_error == pytest.approx(2e-3, abs=1e-4)
    assert across[0].lost_motion == pytest.approx(0.10, abs=2e-3)
    assert across[1].scale_error == pytest.approx(-1e-3, abs=1e-4)
    assert across[1].lost_motion == pytest.approx(0.06, abs=2e-3)
    with pytest.raises(ValueError, match="no size fit 'square depth'"):
        m.size_fit("square depth")


@pytest.mark.parametrize("direction", ["ccw", "cw"])
def test_reversal_diameter_in_both_senses(direction):
    test = ring_test(("circle",), spacing=5.0, largest=50.0, direction=direction)
    m = measure(drawn(test, play_x=0.1, alpha=1e-3))
    fit = m.size_fit("circle diameter along x")
    assert fit.lost_motion == pytest.approx(0.1, abs=2e-3)
    assert fit.scale_error == pytest.approx(0, abs=6e-5)
    # squareness stays out of it, but turns the oval: play adds to it ccw and takes from it cw
    last = m.circles[-1]
    assert last.lobes is not None
    s2 = 4 * 0.1 / (3 * math.pi) * (1 if direction == "ccw" else -1) + 50 * 1e-3 / 2
    assert last.lobes[2].sine == pytest.approx(s2, abs=4e-4)


def test_line_fit_of_the_guide_to_uncertainty():
    # JCGM 100:2008, H.3 (data from memory): y1 -0.1712, s 0.0029; y2 0.00218, s 0.00067
    t = (21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511)
    b = (-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160)
    fit = fit_sizes("correction", np.array(t) - 20, b)
    assert fit is not None
    assert fit.intercept == pytest.approx(-0.17120, abs=6e-6)
    assert fit.intercept_error == pytest.approx(0.0028776, abs=6e-8)
    assert fit.slope == pytest.approx(0.0021827, abs=6e-8)
    assert fit.slope_error == pytest.approx(0.00066794, abs=6e-9)
    assert fit.scatter == pytest.approx(0.0034976, abs=6e-8)
    assert fit_sizes("two rings", (10, 20), (10, 20)) is None


def test_standard_errors_cover():
    # 95 % Student interval of the lost motion; 99 % of binomial counts of 400 lie in 0.920 to 0.975
    from scipy.stats import t

    rng = np.random.default_rng(11)
    nominal = np.arange(10.0, 101.0, 10.0)
    limit = t.ppf(0.975, len(nominal) - 2)
    inside = 0
    for _ in range(400):
        fit = fit_sizes("width", nominal, 1.001 * nominal - 0.05 + rng.normal(0, 0.01, 10))
        assert fit is not None
        inside += abs(fit.lost_motion - 0.05) <= limit * fit.intercept_error
    assert 0.920 <= inside / 400 <= 0.975


@settings(deadline=None, max_examples=6, phases=[Phase.explicit, Phase.generate])
@given(st.floats(-8, 8), st.integers(0, 10**6))
def test_a_lifted_piece_measures_as_the_burn(degrees, seed):
    burn = drawn(TEST, ex=1e-3, play_x=0.08)
    flat, piece = measure(burn), measure(lifted(burn, degrees, seed=seed))
    assert piece.rotation_deg == pytest.approx(degrees, abs=1e-6)
    for one, other in zip(flat.rows, piece.rows, strict=True):
        assert other.measured_size == pytest.approx(one.measured_size, abs=3e-3)
        assert other.gap is None
    for one, other in zip(flat.size_fits, piece.size_fits, strict=True):
        assert other.scale_error == pytest.approx(one.scale_error, abs=2e-4)
        assert other.lost_motion == pytest.approx(one.lost_motion, abs=8e-3)


def test_noise_and_strays_of_a_piece():
    burn = drawn(TEST, alpha=2e-3)
    noisy = lifted(burn, noise=0.012, strays=6)
    m = measure(noisy)
    assert 6 <= m.n_rejected <= 10
    assert m.squares[-1].geometry.squareness_mrad == pytest.approx(2.0, abs=0.2)
    kept = measure(noisy, outlier_sigmas=math.inf)
    assert kept.n_rejected == 0
    assert kept.squares[-1].geometry.straightness > 0.5 > m.squares[-1].geometry.straightness
    assert measure(burn).n_rejected == 0


def test_without_squares_the_rotation_is_unknown():
    test = ring_test(("circle",), spacing=10.0, largest=50.0)
    m = measure(lifted(drawn(test, ex=2e-3), 20.0))
    assert m.rotation_deg is None
    assert m.circles[-1].long_axis_deg == pytest.approx(20.0, abs=0.1)  # in the piece frame
    assert "rotation of the piece is unknown" in m.table()
    both = measure(lifted(drawn(TEST, ex=2e-3), 20.0))
    long_axis = both.circles[-1].long_axis_deg
    assert long_axis is not None
    assert min(long_axis, 180 - long_axis) < 0.1  # in the machine frame


def test_closure_and_spacing_of_a_first_lap():
    # from home the travel leaves x and y at the near end of the play; the first lap does not close
    test = ring_test(("circle",), spacing=10.0, largest=50.0, start_deg=90.0)
    burn = drawn(test, play_x=0.1)
    first = measure(burn).circles[0]
    line = burn.lines[0].xy
    assert first.gap is not None
    assert first.gap.vector == pytest.approx(tuple(line[-1] - line[0]))
    assert first.gap.length == pytest.approx(math.dist(line[0], line[-1]))


def ringed(offsets):
    """One circle and one square ring whose passes lie at given distances outside the nominal."""
    test = ring_test(spacing=5.0, largest=50.0, passes=len(offsets))
    lines = []
    for s in test.strokes(1.0):
        if s.shape == "travel" or s.size not in (50.0, 47.5):
            continue
        scale = (s.size + offsets[s.pass_index]) / s.size
        lines.append(
            Line(s.shape, s.ring, s.size, s.pass_index, (s.xy - (215, 200)) * scale + (215, 200))
        )
    return SimpleNamespace(lines=tuple(lines), test=test)


def test_pass_scatter_in_closed_form():
    # passes 0, 30 and 60 µm outside: pair distances 30, 30, 60 -> rms sqrt(5400/3)
    m = measure(ringed((0.0, 0.03, 0.06)))
    assert len(m.scatters) == 2
    for scatter in m.scatters:
        assert scatter.rms == pytest.approx(0.03 * 2**0.5, abs=1e-6)
        assert scatter.largest == pytest.approx(0.06, abs=1e-6)
        assert scatter.share == 1.0
    assert [row.pass_index for row in m.circles] == [0, 1, 2]


def test_passes_told_apart_in_part():
    # Two passes of one circle: one line on the right half, 80 µm apart on the left half
    test = ring_test(("circle",), spacing=10.0, largest=50.0, passes=2)
    angle = np.radians(np.arange(0.0, 360.0, 1.0))
    unit = np.column_stack((np.cos(angle), np.sin(angle)))
    left = unit[:, 0] < 0
    lines = (
        Line("circle", 4, 50.0, -1, 50.0 * unit[~left]),
        Line("circle", 4, 50.0, 0, 50.04 * unit[left]),
        Line("circle", 4, 50.0, 1, 49.96 * unit[left]),
    )
    m = measure(Piece(test, lines, "two passes"))
    assert [(row.pass_index, row.n_points) for row in m.circles] == [(0, 360), (1, 360)]
    outer, inner = m.circles
    assert outer.measured_size == pytest.approx(50.02, abs=1e-3)
    assert inner.measured_size == pytest.approx(49.98, abs=1e-3)
    (scatter,) = m.scatters
    assert (scatter.rms, scatter.largest) == pytest.approx((0.08, 0.08), abs=1e-6)
    assert scatter.share == pytest.approx(0.5, abs=0.01)


def test_one_pass_told_apart_from_the_others():
    # The first of three passes runs 60 µm inside on a quarter; pass -1 is the other two, all round
    test = ring_test(("circle",), spacing=10.0, largest=50.0, passes=3)
    angle = np.radians(np.arange(0.0, 360.0, 1.0))
    unit = np.column_stack((np.cos(angle), np.sin(angle)))
    lines = (
        Line("circle", 4, 50.0, -1, 50.0 * unit),
        Line("circle", 4, 50.0, 0, 49.94 * unit[:90]),
    )
    m = measure(Piece(test, lines, "three passes"))
    assert [(row.pass_index, row.n_points) for row in m.circles] == [(0, 360), (-1, 360)]
    (scatter,) = m.scatters
    assert scatter.rms == pytest.approx(0.06, abs=1e-6)
    assert scatter.share == pytest.approx(0.25)


def test_large_squares_decide_the_rotation():
    # the direction of a side has a white-noise variance that falls with its cube: weights 1 and 8
    test = ring_test(("square",), spacing=10.0, largest=20.0)
    strokes = [s for s in test.strokes(0.5) if s.shape == "square"]
    lines = []
    for stroke, degrees in zip(strokes, (1.0, 3.0), strict=True):
        t = math.radians(degrees)
        turn = np.array(((math.cos(t), math.sin(t)), (-math.sin(t), math.cos(t))))
        lines.append(Line("square", stroke.ring, stroke.size, 0, (stroke.xy - (215, 200)) @ turn))
    m = measure(Piece(test, tuple(lines), "two squares"))
    assert m.rotation_deg == pytest.approx(25 / 9, abs=1e-4)


def test_what_makes_no_ring_is_named():
    test = ring_test(("circle",), spacing=10.0, largest=50.0)
    angle = np.radians(np.arange(0.0, 360.0, 2.0))
    whole = 50.0 * np.column_stack((np.cos(angle), np.sin(angle)))
    lines = (
        Line("circle", 4, 50.0, 0, whole),
        Line("circle", 3, 40.0, 0, 0.8 * whole[:60]),
        Line("circle", 2, 30.0, 0, 0.6 * whole * (1.0, 0.5)),
    )
    m = measure(Piece(test, lines, "arcs"))
    assert [row.ring for row in m.circles] == [4]
    assert m.spacings == ()
    assert m.size_fits == ()
    assert m.skipped == (
        (
            "circle ring 2, 60.0 mm wide and 30.0 mm high where 60 mm was commanded: "
            "the points make no circle of about that size."
        ),
        (
            "circle ring 3, 58.8 mm wide and 40.0 mm high where 80 mm was commanded: "
            "the points do not go all the way round."
        ),
    )
    assert "Not measured: circle ring 2" in m.table()


def test_tables_and_export(tmp_path):
    m = measure(drawn(TEST, ex=1e-3, play_x=0.05))
    assert repr(m).startswith("Measures(burn: 10 circles, 9 squares, RONt up to ")
    assert len(repr(m)) < 100
    text = m.table()
    assert "square width" in text
    assert "lost motion" in text
    assert all(len(line) < 180 for line in text.splitlines())
    page = m._repr_html_()
    assert page.count("<table>") == 3
    assert "<script" not in page
    file = m.to_csv(tmp_path / "measures.csv")
    rows = list(csv.DictReader(r for r in file.read_text().splitlines() if r[0] != "#"))
    assert len(rows) == 19
    assert float(rows[-1]["width_mm"]) == pytest.approx(m.squares[-1].geometry.width, abs=1e-6)
    assert rows[0]["width_mm"] == ""
    with pytest.raises(FileExistsError, match="overwrite=True"):
        m.to_csv(file)
    m.to_csv(file, overwrite=True)
    content = m.to_dict()
    assert content["rings"][3]["radius_mm"] == m.circles[3].path.least_squares.radius
    assert len(content["size_fits"]) == 4


def test_measures_of_a_piece_carry_their_uncertainty(tmp_path):
    test = ring_test(spacing=10.0, largest=50.0)
    piece = lifted(drawn(test, ex=1e-3, alpha=1e-3, play_x=0.08), noise=0.012, seed=3)
    m = measure(piece)
    assert m.noise is not None
    assert m.noise.point == pytest.approx(0.012, rel=0.1)  # found in the points themselves
    by_key = {q.key: q for q in m.quantities}
    ring = by_key["circle", 4, 0, "radius_mm"]
    assert ring.unit == "mm"
    assert ring.u == pytest.approx(50 * m.noise.scale, rel=0.01)  # the reader's scale rules
    assert "ISO 12181-1:2011" in ring.definition
    peak = by_key["circle", 4, 0, "RONt_ls_mm"]
    assert peak.u is None
    assert peak.low is not None
    assert peak.high is not None
    assert 0 < peak.low < peak.high
    for row in m.rows:  # every number that has a definition is there
        place = ("circle" if row in m.circles else "square", row.ring, row.pass_index)
        for name, value in row.to_dict().items():
            if (*place, name) in by_key:
                quantity = by_key[(*place, name)]
                assert quantity.value == value
                assert quantity.u or quantity.high is not None, name
    squareness = by_key["square", 3, 0, "squareness_mrad"]
    assert squareness.u is not None
    assert abs(squareness.value - 1.0) < 3 * squareness.u
    assert squareness.u >= 1e3 * m.noise.skew
    assert {q.name for q in m.quantities} >= {"scale_error", "lost_motion_mm", "spacing_error_mm"}
    # aligned text, HTML and both CSVs
    text = m.table()
    assert f"({round(1e3 * ring.u)})" in text
    assert "95 % interval" in text
    assert "what the numbers are" in m._repr_html_()
    wide = m.to_csv(tmp_path / "wide.csv")
    rows = list(csv.DictReader(r for r in wide.read_text().splitlines() if r[0] != "#"))
    assert len(rows) == 9
    assert float(rows[4]["u_radius_mm"]) == pytest.approx(ring.u)
    assert float(rows[4]["high_RONt_ls_mm"]) == pytest.approx(peak.high)
    long = m.to_csv(tmp_path / "long.csv", long=True)
    rows = list(csv.DictReader(r for r in long.read_text().splitlines() if r[0] != "#"))
    assert len(rows) == len(m.quantities)
    assert {r["definition"] for r in rows} == {q.definition for q in m.quantities}
    assert m.to_dict()["noise"]["point"] == m.noise.point
    # the same seed draws the same intervals, another other ones
    again, other = measure(piece), measure(piece, seed=1)
    assert again.quantities == m.quantities
    assert other.quantities != m.quantities


def test_exact_lines_have_no_uncertainty_unless_told():
    from gantrysim.metrology import PointNoise

    burn = drawn(TEST, ex=1e-3)
    assert measure(burn).noise is None
    assert all(q.u is None for q in measure(burn).quantities if q.ring >= 0)
    assert "round brackets" not in measure(burn).table()
    small = drawn(ring_test(spacing=10.0, largest=20.0), ex=1e-3, step=1.0)
    told = measure(small, noise=PointNoise(scale=0.0))
    assert all(q.u or q.high is not None for q in told.quantities if q.name != "gap_mm")


@pytest.mark.slow
def test_squareness_is_known_as_well_as_the_scanner():
    from gantrysim.instruments.scanner import ScannerError

    piece = lifted(drawn(TEST), 1.0, noise=0.002)
    found = []
    for skew in (1e-5, 3e-4, 4e-3):
        scanner = ScannerError(covariance=np.diag((1e-6, 1.6e-7, skew**2)))
        m = measure(dataclasses.replace(piece, scanner=scanner))
        wide = [q.u for q in m.quantities if q.name == "squareness_mrad"][-1]
        found.append(wide)
        assert m.noise.skew == pytest.approx(skew)
    assert found[0] < 0.5 * found[1] < 0.25 * found[2]
    assert found[2] == pytest.approx(4.0, rel=0.02)
    assert found[0] < 0.15


def test_width_and_height_share_what_the_scanner_leaves():
    # var(common + difference/2) and var(common - difference/2) differ by 2 cov (JCGM 100, 5.2.2)
    from gantrysim.instruments.scanner import ScannerError

    table = np.diag((1e-6, 4e-6, 1e-8))
    table[0, 1] = table[1, 0] = 0.99 * 2e-6
    piece = dataclasses.replace(
        lifted(drawn(TEST), 0.0, noise=0.001), scanner=ScannerError(covariance=table)
    )
    m = measure(piece)
    assert m.noise.reader_covariance == pytest.approx(table)
    root = m.noise.reader_root
    assert root @ root.T == pytest.approx(table)
    last = {
        q.name: q.u for q in m.quantities if q.shape == "square" and q.ring == m.squares[-1].ring
    }
    size = 2 * m.squares[-1].size
    along_x, along_y = math.sqrt(2e-6 + 1.98e-6), math.sqrt(2e-6 - 1.98e-6)
    assert last["width_mm"] == pytest.approx(size * along_x, rel=0.02)
    assert last["height_mm"] < 0.02 < 0.2 * last["width_mm"]
    fits = {q.shape: q.u for q in m.quantities if q.name == "scale_error"}
    assert fits["square width"] == pytest.approx(along_x, rel=0.1)
    assert fits["square height"] == pytest.approx(along_y, rel=0.5)


def test_what_the_scanner_is_expected_to_add_is_taken_out():
    from gantrysim.instruments.scanner import ScannerError

    piece = lifted(drawn(TEST), 0.0)
    scanner = ScannerError((2e-3, 1e-3, 4e-4))
    seen = dataclasses.replace(
        piece,
        lines=[dataclasses.replace(x, xy=x.xy @ scanner.matrix.T) for x in piece.lines],
        scanner=scanner,
    )
    for one, other in zip(measure(seen).rows, measure(piece).rows, strict=True):
        assert one.measured_size == pytest.approx(other.measured_size, abs=1e-9)


@pytest.mark.study
def test_uncertainty_of_sizes_covers_whole_pieces():
    # radii, widths and squareness of a piece, with the reader's own errors drawn beside the noise;
    # exact 99 % band of the binomial counts of 60 independent pieces
    from scipy.stats import binom

    from gantrysim.metrology import PointNoise

    test = ring_test(spacing=10.0, largest=20.0)
    burn = drawn(test, ex=1e-3, alpha=1e-3, step=1.0)
    truth = {q.key: q.value for q in measure(burn).quantities}
    noise = PointNoise(0.01, 0.0, 0.0)
    rng = np.random.default_rng(5)
    wanted = ("radius_mm", "width_mm", "squareness_mrad", "harmonic_2_mm")
    inside = dict.fromkeys(wanted, 0)
    for _ in range(60):
        e, d, k = rng.standard_normal(3) * (noise.scale, noise.scale_difference, noise.skew)
        reader = np.array(((1 + e + d / 2, 0.0), (k, 1 + e - d / 2)))
        lines = tuple(
            Line(o.shape, o.ring, o.size, o.pass_index,
                 o.xy @ reader + rng.normal(0, noise.point, o.xy.shape))
            for o in burn.lines
        )  # fmt: skip
        found = measure(SimpleNamespace(lines=lines, test=test), noise=noise)
        by_key = {q.key: q for q in found.quantities}
        for name in wanted:
            key = ("circle" if name[0] in "rh" else "square", 1 if name[0] in "rh" else 0, 0, name)
            u = by_key[key].u
            assert u is not None
            inside[name] += abs(by_key[key].value - truth[key]) <= 1.96 * u
    low, high = binom.ppf((0.005, 0.995), 60, 0.95)
    assert all(low <= count <= high for count in inside.values()), inside


def test_drift_of_passes():
    # passes 0, 30 and 60 µm outside, as one that grows by 30 µm a pass
    m = measure(ringed((0.0, 0.03, 0.06)))
    assert len(m.drifts) == 2
    for drift in m.drifts:
        assert drift.growth == pytest.approx(0.06, abs=1e-9)
        assert drift.shift == pytest.approx((0.0, 0.0), abs=1e-9)
        assert drift.per_pass == pytest.approx((0.0, 0.0, 0.03), abs=1e-9)
        assert drift.to_dict()["growths_mm"] == pytest.approx([0.0, 0.03, 0.06], abs=1e-9)


def test_drift_is_in_the_machine_frame():
    # the second pass lies 50 µm further along x; the piece is turned by 30 degrees
    test = ring_test(("square",), spacing=10.0, largest=20.0, passes=2)
    lines = []
    for s in test.strokes(0.5):
        if s.shape == "square":
            xy = s.xy + np.array((0.05 * s.pass_index, 0.0))
            lines.append(Line(s.shape, s.ring, s.size, s.pass_index, xy))
    m = measure(lifted(SimpleNamespace(lines=tuple(lines), test=test), 30.0))
    assert len(m.drifts) == 2
    for drift in m.drifts:
        assert drift.shift == pytest.approx((0.05, 0.0), abs=1e-6)


def test_squares_as_a_positioning_test():
    # sides of squares scaled by e with half the play on either side, growing by 10 µm from pass to
    # pass: deviations e s - B/2 outward, standard deviation 10 µm over three passes
    test = ring_test(("square",), spacing=10.0, largest=50.0, passes=3)
    lines = []
    for s in test.strokes(0.5):
        if s.shape == "square":
            half = 1.002 * s.size - 0.04 + 0.01 * (s.pass_index - 1)
            xy = (s.xy - (215, 200)) * half / s.size + (215, 200)
            lines.append(Line(s.shape, s.ring, s.size, s.pass_index, xy))
    m = measure(SimpleNamespace(lines=tuple(lines), test=test))
    for axis in ("x", "y"):
        up, down = m.side_positions(axis)
        sizes = up.targets
        assert up.mean_up == pytest.approx(0.002 * sizes - 0.04, abs=1e-9)
        assert down.mean_down == pytest.approx(0.002 * down.targets + 0.04, abs=1e-9)
        assert (up["R_up"], down["R_down"]) == pytest.approx((0.04, 0.04), abs=1e-9)
        assert up["A_up"] == pytest.approx(0.002 * np.ptp(sizes) + 0.04, abs=1e-9)
    with pytest.raises(ValueError, match="two or more squares with passes"):
        measure(drawn(TEST)).side_positions("x")
    with pytest.raises(ValueError, match="axis must be 'x' or 'y'"):
        m.side_positions("z")


def test_the_first_side_after_a_larger_square_is_reached_from_outside():
    # play B, as a hysteron: a side stands B/2 short on the side that it was reached from
    from gantrysim.metrology.repeats import side_approaches

    test = ring_test(("square",), spacing=10.0, largest=30.0, passes=3, order="outside_in")
    reached = side_approaches(test)
    # drawing begins at the upper right corner with the top side; the largest comes from home
    assert reached[2, 0] == (1, 1, 1, 1)
    assert reached[0, 0] == reached[1, 0] == (1, -1, 1, 1)
    assert reached[0, 1] == reached[1, 2] == (1, 1, 1, 1)
    inward = ring_test(("square",), spacing=10.0, largest=30.0, passes=3)
    assert set(side_approaches(inward).values()) == {(1, 1, 1, 1)}

    m = measure(drawn(test, play_y=0.08))
    above, below = m.side_positions("y")
    assert above.up.shape == (3, 2)  # the two later passes, which all squares reach from inside
    assert np.ptp(above.mean_up) == pytest.approx(0.0, abs=1e-9)
    assert above["R_up"] == pytest.approx(0.0, abs=1e-9)
    assert below.mean_down is not None

    fewer = ring_test(("square",), spacing=10.0, largest=30.0, passes=2, order="outside_in")
    with pytest.raises(ValueError, match="top sides are reached from inside in some passes"):
        measure(drawn(fewer)).side_positions("y")


def test_a_side_begun_in_its_middle_is_reached_in_parts():
    from gantrysim.metrology.repeats import side_approaches

    test = ring_test(("square",), spacing=10.0, largest=30.0, start_deg=20.0, order="outside_in")
    assert side_approaches(test)[0, 0] == (0, 1, 1, 1)


@pytest.mark.parametrize("degrees", [None, 7.0])
def test_both_senses_ring_by_ring(degrees):
    # play B: H = B cos(acos(1 - B/R)) (closed form); as burns, and as pieces turned differently
    from gantrysim.metrology import PointNoise, measure_both_ways

    things = []
    for k, direction in enumerate(("ccw", "cw")):
        test = ring_test(spacing=10.0, largest=50.0, direction=direction, passes=2)
        burn = drawn(test, play_x=0.1, step=0.1 if degrees is None else 0.3)
        things.append(
            burn if degrees is None else lifted(burn, degrees - 4 * k, noise=0.004, seed=k)
        )
    noise = None if degrees is None else PointNoise(0.004, 0.0, 0.0)
    found = measure_both_ways(*things, noise=noise)
    assert [ring.nominal_radius for ring in found] == [10.0, 20.0, 30.0, 40.0, 50.0]
    for ring in found:
        wanted = 0.1 * (1 - 0.1 / ring.nominal_radius)
        assert ring.H == pytest.approx(wanted, abs=1.5e-3 if degrees is None else 0.02)
        assert ring.G_b >= ring.H - 1e-3
    assert len(found) == 5
    assert "5 circles" in repr(found)
    assert found._repr_html_().count("<tr>") == 6
    content = found.to_dict()["rings"][4]
    assert content["H_mm"] == found.rings[4].H
    if degrees is None:
        assert found.spreads == ({},) * 5
    else:
        assert 0 < content["low_H_mm"] < 0.0998 < content["high_H_mm"]
        assert content["u_D_mm"] == pytest.approx(50 * 1e-3, rel=0.1)  # the reader's scale
        assert content["low_G_b_mm"] < content["high_G_b_mm"]
    with pytest.raises(ValueError, match="ccw must be circles drawn ccw, found a test drawn cw"):
        measure_both_ways(things[1], things[0])


@pytest.mark.study
def test_intervals_of_hysteresis_cover():
    # play of 0.1 on a ring of 20 mm: H = B (1 - B/R); noise makes it larger nearly always, the
    # interval holds it no less often than the 99 % binomial band of 95 % allows (60 pairs)
    from hysteron import circle
    from scipy.stats import binom

    from gantrysim.metrology import PointNoise, both_ways
    from gantrysim.metrology.directions import spread_of_both

    noise = PointNoise().noise_only()
    rng = np.random.default_rng(9)
    clean = [circle(20.0, n=60, play_x=0.1, ccw=ccw) for ccw in (True, False)]
    truth = both_ways(*clean, 20.0)
    inside = dict.fromkeys(("G_b_mm", "H_mm", "F_max_mm", "F_min_mm"), 0)
    wanted = truth.to_dict()
    larger = 0
    for _ in range(60):
        paths = []
        for xy, sign in zip(clean, (1.0, -1.0), strict=True):
            angle = np.arctan2(xy[:, 1], xy[:, 0])
            e = noise.draws(20.0 * angle, 1, rng, 40 * np.pi)[0]
            paths.append((xy + e[:, None] * xy / 20.0, noise, sign))
        found = both_ways(paths[0][0], paths[1][0], 20.0)
        spread = spread_of_both(found, paths, rng, trials=100)
        larger += found.H > truth.H
        for name in inside:
            peak = spread[name]
            assert not isinstance(peak, float)
            inside[name] += peak.low <= wanted[name] <= peak.high
    assert larger > 55
    assert all(count >= binom.ppf(0.005, 60, 0.95) for count in inside.values()), inside


def test_filtered_circles_of_a_piece():
    piece = lifted(drawn(TEST, ex=2e-3), noise=0.012, seed=2)
    m = measure(piece)
    filtered = m.filtered(15)
    assert filtered
    assert (0, 0) not in filtered  # a ring of 5 mm radius has too few points for 15 undulations
    for (ring, _), profile in filtered.items():
        raw = next(row for row in m.circles if row.ring == ring).path.least_squares.RONt
        assert profile.roundness().lsci.RONt < raw


def test_pictures_of_measures():
    import matplotlib.pyplot as plt

    test = ring_test(spacing=10.0, largest=50.0)
    m = measure(lifted(drawn(test, ex=1e-3), noise=0.012, seed=3))
    ax = m.plot("RONt_ls_mm")
    assert ax.get_ylabel() == "RONt ls, µm"
    assert "95 %" in ax.get_title(loc="left")
    marks = ax.get_lines()[0].get_ydata()
    assert np.asarray(marks) == pytest.approx([1e3 * r.path.least_squares.RONt for r in m.circles])
    bars = ax.collections[0].get_segments()
    q = next(q for q in m.quantities if q.key == ("circle", 4, 0, "RONt_ls_mm"))
    assert bars[-1][:, 1] == pytest.approx([1e3 * q.low, 1e3 * q.high])
    assert m.plot("squareness_mrad", ax=plt.figure().add_subplot()).get_ylabel().endswith("mrad")
    assert "exact" in measure(drawn(TEST)).plot().get_title(loc="left")
    with pytest.raises(ValueError, match="name must be a measure of these rings, found 'depth'"):
        m.plot("depth")
    plt.close("all")


def test_outlier_limit_is_checked():
    with pytest.raises(ValueError, match="above zero sigmas"):
        measure(drawn(TEST), outlier_sigmas=-1)


@pytest.mark.parametrize("name", ["case-000", "case-007", "case-017", "case-038"])
def test_practice_pieces(name):
    folder = beside(PRACTICE / name)
    piece = read_points(folder / "points.csv", folder / "test.json")
    m = measure(piece)
    measured = {row.ring for row in m.circles}, {row.ring for row in m.squares}
    named = len(m.skipped)
    assert sum(map(len, measured)) + named == sum(len(n.sizes) for n in piece.test.nests)
    for row in m.rows:
        assert row.measured_size == pytest.approx(
            row.size, rel=0.02, abs=0.3
        )  # the smallest rings lose most
        assert row.gap is None
    assert m.n_rejected <= 0.01 * piece.n_points
    if name == "case-017":  # one axis did not move
        assert not m.rows
    else:
        assert not m.skipped
        assert m.rotation_deg is not None
        assert abs(m.rotation_deg) < 10


def test_practice_piece_against_its_calipers():
    # Calipers on the same piece (resolution 0.01 mm, repeatability 0.02 mm, outside sizes that hold
    # one line width, 0.12 mm by name) must differ by a line width that does not depend on
    # what is measured; with size the difference may grow by the scale error of the scanner.
    folder = beside(PRACTICE / "case-007")
    m = measure(read_points(folder / "points.csv", folder / "test.json"))
    measured = {("square", row.ring, "width"): row.geometry.width for row in m.squares}
    measured |= {("square", row.ring, "height"): row.geometry.height for row in m.squares}
    measured |= {("circle", row.ring, "diameter_0"): row.diameter_x for row in m.circles}
    measured |= {("circle", row.ring, "diameter_90"): row.diameter_y for row in m.circles}
    text = (folder / "calipers.csv").read_text().splitlines()
    off: dict[str, list[tuple[float, float]]] = {}
    for row in csv.DictReader(line for line in text if line[0] != "#"):
        found = measured.get((row["shape"], int(row["ring"]), row["what"]))
        if found is not None:
            off.setdefault(row["what"], []).append((found, float(row["value_mm"]) - found))
    assert set(off) == {"width", "height", "diameter_0", "diameter_90"}
    for pairs in off.values():
        size, difference = np.array(pairs).T
        slope, width = np.polyfit(size, difference, 1)
        assert len(size) == 4
        assert 0.05 < width < 0.24
        assert abs(slope) < 3e-3
        assert np.std(difference - width - slope * size) < 0.04
