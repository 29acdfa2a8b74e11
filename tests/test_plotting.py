"""Pictures: what is drawn is what was simulated or measured, and the picture says so."""

import dataclasses
import math
import re
from itertools import combinations

import matplotlib as mpl
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from lifted import laid
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection
from matplotlib.colors import to_rgb
from matplotlib.figure import Figure
from matplotlib.text import Text
from matplotlib.textpath import TextPath
from onefinding import finding_of

import gantrysim as gs
from gantrysim.burn.magnified import counterparts, magnified
from gantrysim.decisions.identifiable import Power, Row
from gantrysim.plotting import findings, look

mpl.use("Agg")

CENTRE = np.array((215.0, 200.0))


@pytest.fixture(autouse=True)
def _no_state_left():
    """Every test ends with matplotlib's settings untouched; its figures are closed here."""
    import matplotlib.pyplot as plt

    before = dict(mpl.rcParams)
    yield
    plt.close("all")
    assert dict(mpl.rcParams) == before


@pytest.fixture
def ax():
    return Figure(layout="constrained").subplots()


@pytest.fixture(scope="module")
def test():
    return gs.ring_test(spacing=10.0, largest=40.0)


@pytest.fixture(scope="module")
def healthy(test):
    return gs.simulate(gs.Machine(), test)


@pytest.fixture(scope="module")
def tight(test):
    return gs.simulate(
        gs.Machine().with_faults(gs.faults.TightWheels("left", extra_force=12.0)), test
    )


def words(ax):
    """All words on the picture."""
    legend = ax.get_legend()
    return " | ".join(
        [t.get_text() for t in ax.texts]
        + [ax.get_title(loc) for loc in ("left", "center", "right")]
        + ([t.get_text() for t in legend.get_texts()] if legend else [])
    )


def magnification(ax):
    """The factor written on the picture."""
    found = re.search(r"errors drawn ×([\d.]+)|true to size \(×(1)\)", words(ax))
    assert found, words(ax)
    return float(found[1] or found[2])


def segments(ax):
    """Every line of every collection, in drawing order."""
    return [
        np.asarray(s)
        for c in ax.collections
        if isinstance(c, LineCollection)
        for s in c.get_segments()
    ]


def drawn(ax, xy):
    """Whether a path is among the lines drawn."""
    return any(s.shape == xy.shape and np.allclose(s, xy, atol=1e-9) for s in segments(ax))


FAULTS = {
    "healthy": (),
    "tight wheels": (gs.faults.TightWheels("left", 12.0),),
    "backlash": (gs.faults.CouplerBacklash(0.3),),
    "scale": (gs.faults.ScaleError("y", 0.004),),
    "slip": (gs.faults.CouplerSlip(1.0),),
}


@pytest.mark.parametrize("name", FAULTS)
def test_burn_is_drawn_about_its_command_with_the_factor_written_on_it(ax, test, name):
    burn = gs.simulate(gs.Machine().with_faults(*FAULTS[name]), test)
    assert gs.plot_burn(burn, ax) is ax
    shift = np.concatenate(burn.errors).mean(axis=0)
    factor = magnification(ax)
    for line, command in zip(burn.lines, burn.commanded, strict=True):
        assert drawn(ax, command)
        if line.shape == "circle":
            assert drawn(ax, command + factor * (line.xy - command - shift))
        assert drawn(ax, magnified(command, line.xy - shift, factor))
    answered = [
        counterparts(c, x.xy - shift) for x, c in zip(burn.lines, burn.commanded, strict=True)
    ]
    left = [x.xy - shift - c for x, c in zip(burn.lines, answered, strict=True)]
    largest = max(np.linalg.norm(e, axis=1).max() for e in left)
    assert 0.25 <= factor * largest / test.spacing <= 0.64
    assert ax.get_xlabel() == "x along the beam, mm"
    assert ax.get_ylabel() == "y along the rails, mm"
    assert ax.get_aspect() == 1.0
    assert "circles" in words(ax)
    assert "squares" in words(ax)


def test_chosen_magnification_wins(ax, tight):
    assert magnification(gs.plot_burn(tight, ax, magnify=3.5)) == 3.5
    command, line = tight.commanded[0], tight.lines[0]
    shift = np.concatenate(tight.errors).mean(axis=0)
    assert drawn(ax, command + 3.5 * (line.xy - command - shift))


@pytest.mark.parametrize("factor", [0, -1, math.nan])
def test_magnification_must_be_above_zero(ax, tight, factor):
    with pytest.raises(ValueError, match="magnify must be"):
        gs.plot_burn(tight, ax, magnify=factor)


@pytest.mark.parametrize("magnify", [1.0, 5.0, 20.0, 500.0])
def test_scale_bar_is_as_long_as_it_says(ax, tight, magnify):
    gs.plot_burn(tight, ax, magnify=magnify)
    said = float(re.search(r"([\d.e-]+) mm error", words(ax))[1])
    (bar,) = [line for line in ax.lines if line.get_marker() == "|"]
    assert np.ptp(bar.get_xdata()) == pytest.approx(magnify * said)


def test_shift_of_the_pattern_is_said_and_not_drawn(ax, test):
    # a y scale 0.4 % long moves the middle of the pattern, 200 mm from home, 0.80 mm away
    burn = gs.simulate(gs.Machine().with_faults(gs.faults.ScaleError("y", 0.004)), test)
    assert "shift of 0.80 mm from home not drawn" in words(gs.plot_burn(burn, ax))


def test_no_shift_is_said_of_a_healthy_machine(ax, healthy):
    assert "shift" not in words(gs.plot_burn(healthy, ax))


def test_passes_can_be_told_apart(ax):
    test = gs.ring_test("circle", spacing=10.0, largest=20.0, passes=3)
    gs.plot_burn(gs.simulate(gs.Machine(), test), ax)
    assert all(f"pass {k}" in words(ax) for k in (1, 2, 3))
    sets = ax.collections[1:]
    widths = [c.get_linewidths()[0] for c in sets]
    assert widths == sorted(widths, reverse=True)
    assert len({tuple(c.get_colors()[0]) for c in sets}) == 3


def test_compared_burns_share_factor_and_scale(tight, healthy):
    pair = gs.compare_burns(tight, healthy)
    assert magnification(pair[0]) == magnification(pair[1])
    assert pair[0].get_xlim() == pair[1].get_xlim()
    assert pair[0].get_ylim() == pair[1].get_ylim()
    assert pair[0].get_title("left").startswith("before: error ")
    assert pair[1].get_title("left").startswith("after: error ")
    alone = Figure().subplots()
    assert magnification(gs.plot_burn(healthy, alone)) > magnification(pair[1])


def test_compare_needs_two_axes(tight, healthy):
    with pytest.raises(ValueError, match="axes must be two"):
        gs.compare_burns(tight, healthy, Figure().subplots(1, 3))


@given(error=st.floats(1e-6, 100.0), spacing=st.floats(0.1, 50.0))
def test_magnification_is_round_and_near_forty_per_cent(error, spacing):
    factor = look.nice_magnification(error, spacing)
    assert factor >= 1.0
    assert f"{factor:.0e}"[0] in "125"
    if factor > 1.0:
        # half a step of the 1-2-5 series is at most a factor sqrt(2.5)
        assert abs(math.log(factor * error / (0.4 * spacing))) <= math.log(2.5) / 2 + 1e-6


def test_nothing_to_magnify():
    assert look.nice_magnification(0.0, 2.5) == 1.0


@pytest.mark.parametrize("direction", ["ccw", "cw"])
def test_commanded_test_shows_starts_order_and_rings(ax, direction):
    test = gs.ring_test(spacing=10.0, largest=40.0, direction=direction, order="outside_in")
    assert gs.plot_test(test, ax) is ax
    strokes = [s for s in test.strokes() if s.shape != "travel"]
    dots = [line.get_xydata()[0] for line in ax.lines]
    for stroke in strokes:
        assert drawn(ax, stroke.xy)
        assert min(np.linalg.norm(dot - stroke.xy[0]) for dot in dots) < 1e-9
    numbers = {t.get_text() for t in ax.texts if t.get_text().isdigit()}
    assert {"1", str(len(strokes))} <= numbers
    assert "outside in, 1 pass, 40 mm/s" in words(ax)
    assert "as commanded (×1)" in words(ax)
    assert ax.get_xlabel() == "x of the carriage, mm"
    arrow = next(t for t in ax.texts if getattr(t, "arrow_patch", None))
    tail, head = np.array(arrow.xyann) - CENTRE, np.array(arrow.xy) - CENTRE
    turn = tail[0] * head[1] - tail[1] * head[0]
    assert (turn > 0) == (direction == "ccw")


@pytest.fixture
def piece(tight):
    """The tight burn lifted, turned by 2 degrees and shifted."""
    return laid(tight.lines, tight.test, shift=(7.0, -3.0), told_apart=False)


def test_piece_shows_every_point_true_to_size(ax, piece):
    assert gs.plot_piece(piece, ax) is ax
    points = np.concatenate([line.get_xydata() for line in ax.lines])
    assert len(points) == piece.n_points
    assert magnification(ax) == 1.0
    assert f"{piece.n_points} measured points" in words(ax)
    assert ax.get_xlabel() == "x on the piece, mm"


@pytest.mark.parametrize("stretch", [0.002, -0.001])
def test_unrolled_ellipse_follows_its_formula(ax, stretch):
    # polar form of the ellipse with half axes a and b: a b / sqrt(b^2 cos^2 + a^2 sin^2)
    angle = np.linspace(0.0, math.tau, 721)
    xy = 50.0 * np.column_stack([np.cos(angle), (1.0 + stretch) * np.sin(angle)]) + CENTRE
    gs.plotting.plot_unrolled([gs.pattern.Line("circle", 0, 50.0, 0, xy)], ax)
    degrees, error = ax.lines[0].get_data()
    b = 50.0 * (1.0 + stretch)
    turn = np.radians(degrees)
    reach = 50.0 * b / np.hypot(b * np.cos(turn), 50.0 * np.sin(turn))
    np.testing.assert_allclose(error, 1e3 * (reach - 50.0), atol=1e-6)
    assert np.all(np.diff(degrees) >= 0.0)
    assert ax.get_ylabel() == "outward error, µm"
    assert ax.get_xlabel().endswith("degrees")


def test_unrolled_square_shows_each_side(ax):
    # sides at +31, +29.9, -30.1 and -29 about the middle of the sides (0.45, 0.45)
    xy = np.array([(31, 0), (31, 29.9), (-30.1, 29.9), (-30.1, -29), (31, -29), (31, 0)], float)
    along = np.linspace(0, 5, 501)
    xy = np.column_stack([np.interp(along, range(6), xy[:, k]) for k in (0, 1)])
    gs.plotting.plot_unrolled([gs.pattern.Line("square", 0, 30.0, 0, xy)], ax, shape="square")
    degrees, error = ax.lines[0].get_data()
    half_x, half_y = 61.1 / 2, 58.9 / 2
    for angle, half in ((20, half_x), (90, half_y), (180, half_x), (270, half_y)):
        at = int(np.argmin(np.abs(degrees - angle)))
        assert error[at] == pytest.approx(1e3 * (half - 30.0), abs=1e-6)


def test_piece_and_burn_unroll_alike(piece, tight):
    ours, theirs = (Figure().subplots() for _ in range(2))
    gs.plotting.plot_unrolled(piece, ours, rings=[3])
    gs.plotting.plot_unrolled(tight, theirs, rings=[3])
    (measured, errors), (predicted, expected) = ours.lines[0].get_data(), theirs.lines[0].get_data()
    inside = (measured > 100) & (measured < 170)  # between reversals, away from jumps
    # placed by circle centres and square sides alone, good to a part of the distortion
    difference = errors[inside] - np.interp(measured[inside], predicted, expected)
    assert np.abs(difference - difference.mean()).max() < 30.0
    assert np.ptp(expected) > 400.0


def test_unrolled_picks_at_most_five_rings_from_first_to_last(ax):
    test = gs.ring_test("circle", spacing=2.5, largest=50.0)
    gs.plotting.plot_unrolled(gs.simulate(gs.Machine(), test), ax)
    sizes = [float(t.get_text()) for t in ax.get_legend().get_texts()]
    assert len(sizes) == 5
    assert (sizes[0], sizes[-1]) == (2.5, 50.0)
    assert ax.get_legend().get_title().get_text() == "radius, mm"


@pytest.mark.parametrize(
    "wrong, sentence",
    [
        ({"rings": [99]}, "rings must be among the circles here, 0 to 3, found 99"),
        ({"shape": "star"}, "shape must be 'circle' or 'square', found 'star'"),
    ],
)
def test_unrolled_refuses_what_is_not_there(ax, tight, wrong, sentence):
    with pytest.raises(ValueError, match=re.escape(sentence)):
        gs.plotting.plot_unrolled(tight, ax, **wrong)


def test_measured_and_predicted_are_magnified_alike(ax, tight):
    command, predicted = list(tight.commanded), [x.xy for x in tight.lines]
    base, measured = [c[::7] for c in command], [p[::7] + 0.05 for p in predicted]
    findings.plot_measured_over_predicted(
        ax, commanded=command, predicted=predicted, measured=measured, measured_base=base,
        magnify=20, strays=[(215.0, 240.0), (200.0, 210.0)],
    )  # fmt: skip
    assert magnification(ax) == 20
    assert "left out as stray: 2" in [text.get_text() for text in ax.get_legend().get_texts()]
    crosses = next(line for line in ax.lines if line.get_marker() == "x")
    assert crosses.get_xydata().tolist() == [[215.0, 240.0], [200.0, 210.0]]  # where they lie
    assert drawn(ax, command[0] + 20 * (predicted[0] - command[0]))
    points = ax.lines[0].get_xydata()
    expected = np.concatenate([b + 20 * (m - b) for b, m in zip(base, measured, strict=True)])
    np.testing.assert_allclose(points, expected)


def test_points_of_a_finding_answer_to_their_own_ring(piece):
    """Where circles and squares cross the other line may be nearer: points stood off by mm."""
    finding = finding_of(piece)
    overlay = finding.best.fit.overlay()
    assert set(overlay.labels) == set(overlay.rings)
    for label, base in zip(overlay.labels, findings._bases(overlay), strict=True):
        x, y = np.abs(base - (215.0, 245.0)).T  # the spot burns 45 mm beyond the carriage
        size = np.maximum(x, y) if label.startswith("square") else np.hypot(x, y)
        np.testing.assert_allclose(size, float(label.split()[1]), atol=0.02)
    ax = findings.draw_overlay(finding)
    assert "places of the spot: carriage + (0, 45) mm" in words(ax)
    assert "healthy" not in words(ax)
    sound = dataclasses.replace(finding.best, faults=(), words="nothing is wrong")
    said = words(findings.draw_overlay(dataclasses.replace(finding, ranked=(sound,))))
    assert "A healthy machine draws steps in circles, too" in said


def test_measured_must_match_their_base(ax, tight):
    command, predicted = list(tight.commanded), [x.xy for x in tight.lines]
    with pytest.raises(ValueError, match="measured must match its commanded points"):
        findings.plot_measured_over_predicted(
            ax, commanded=command, predicted=predicted, measured=predicted,
            measured_base=command[:-1], magnify=10,
        )  # fmt: skip


def test_residuals_are_in_micrometres_with_their_rms(ax):
    angle, residual = np.array([-90.0, 0.0, 90.0]), np.array([0.03, -0.04, 0.0])
    findings.plot_residuals(ax, angles_deg=[angle], residuals=[residual], labels=["50"])
    x, y = ax.lines[0].get_data()
    np.testing.assert_allclose(x, [270.0, 0.0, 90.0])
    np.testing.assert_allclose(y, [30.0, -40.0, 0.0])
    assert "29 µm rms" in words(ax)  # sqrt((30^2 + 40^2)/3) = 28.9
    given = {"angles_deg": [angle], "residuals": [residual], "labels": ["50"]}
    findings.plot_residuals(ax, **given, rms=0.006, averaged=2.5)
    assert "6 µm rms of averages over 2.5 mm, all lines" in words(ax)
    with pytest.raises(ValueError, match="one entry for each ring"):
        findings.plot_residuals(ax, angles_deg=[angle], residuals=[], labels=[])


def test_probabilities_are_bars_in_the_order_given(ax):
    names = ["tight_wheels_left", "slack_belt_left + coupler_backlash", "healthy"]
    findings.plot_probabilities(ax, names, [0.9, 0.097, 0.003])
    assert [bar.get_width() for bar in ax.patches] == pytest.approx([90.0, 9.7, 0.3])
    assert ax.get_ylim()[0] > ax.get_ylim()[1]  # best on top
    shown = ["tight wheels left", "slack belt left + coupler backlash", "healthy"]
    for row, (name, share) in enumerate(zip(shown, ("90 %", "10 %", "< 1 %"), strict=True)):
        (said,) = [t for t in ax.texts if t.get_text() == name]
        assert row - 0.5 < said.get_position()[1] < row  # above its bar
        assert [t.get_position()[1] for t in ax.texts if t.get_text() == share] == [row]
    assert ax.get_xlabel() == "probability, %"


@pytest.mark.parametrize("shares", [[0.5], [0.5, -0.1], [0.5, 1.5], [0.5, math.nan]])
def test_wrong_probabilities_are_refused(ax, shares):
    with pytest.raises(ValueError, match=r"probabilities(\[1\])? must"):
        findings.plot_probabilities(ax, ["a", "b"], shares)


def test_methods_draw_the_same_pictures(test, tight, piece):
    for thing in (test, tight, piece):
        axes = Figure().subplots()
        assert thing.plot(axes) is axes
        assert axes.collections or axes.lines


def test_given_axes_open_no_figure_and_absent_ones_open_one(tight):
    import matplotlib.pyplot as plt

    tight.plot(Figure().subplots())
    assert plt.get_fignums() == []
    assert isinstance(tight.plot(), Axes)
    assert len(plt.get_fignums()) == 1


def told(part, circles=None, squares=None):
    """A test that tells nothing of drag, and leaves a part of what was believed of two faults."""
    left = {"drag left": 1.0, "loose_wheels_left": part, "pulley_runout_x": 0.1}
    rows = [Row(name, "-", "_" in name, 1.0, 0.0, each, 0.0, 1.0) for name, each in left.items()]
    power = tuple(Power(row.name, "", "-", 1.0, 0.9, ()) for row in rows[1:])
    what = (gs.ring_test(), gs.Machine(), tuple(rows), (), power, 1.0)
    return gs.decisions.Identifiability(*what, circles, squares)


def test_what_circles_and_squares_tell_alike_hides_neither(ax):
    told(1.0, told(1.0), told(1.12)).plot(ax)
    circles, squares = [line.get_xydata() for line in ax.lines if line.get_marker() in "os"]
    assert circles[0, 0] == squares[0, 0] == 1.0
    low = np.array([bar.get_y() for bar in ax.patches])
    high = low + [bar.get_height() for bar in ax.patches]
    order = np.array([low, squares[:, 1], circles[:, 1], high])  # all within the bar of their row
    assert np.all(np.diff(order, axis=0) > 0.05)
    assert ax.get_xlim()[1] > squares[:, 0].max() == 1.12
    assert "above 1" in words(ax)
    assert ax.get_yticklabels()[-1].get_text() == "eccentricity of the X pulley"


def cut_off(figure):
    """Inches that a picture stands beyond the edges of its figure."""
    figure.draw_without_rendering()
    box, size = figure.get_tightbbox(), figure.get_size_inches()
    return max(-box.x0, -box.y0, box.x1 - size[0], box.y1 - size[1])


def running_into_each_other(figure):
    """Pairs of words that cover one another."""
    unseen = set()  # ticks beyond the ends of their axis are not drawn
    for ax in figure.axes:
        for axis in (ax.xaxis, ax.yaxis):
            low, high = sorted(axis.get_view_interval())
            off = [t for t in axis.get_major_ticks() if not low <= t.get_loc() <= high]
            unseen |= {label for tick in off for label in (tick.label1, tick.label2)}
    texts = [t for t in figure.findobj(Text) if t.get_visible() and t.get_text()]
    boxes = [(t.get_text(), t.get_window_extent()) for t in texts if t not in unseen]
    return [(a, b) for (a, one), (b, other) in combinations(boxes, 2) if one.overlaps(other)]


PHONE = 390.0  # pixels


def test_pictures_sent_to_a_phone_can_be_read(test, tight, healthy, piece):
    moved = gs.Machine().with_faults(
        gs.faults.ScaleError("x", 0.002), gs.faults.ScaleError("y", 0.004)
    )
    many = [gs.simulate(m, gs.ring_test("circle", spacing=2.5)) for m in (moved, gs.Machine())]
    pushes = tuple(gs.push(burn.machine, "left") for burn in (healthy, tight))
    sentences = ["A circle of 40 mm is lower by a little, and its left side stands up. " * 2] * 3
    pictures = {
        "compared": gs.compare_burns(*many)[0].figure,
        "before and after": gs.plotting.before_after(piece, piece)[0].figure,
        "finding": finding_of(piece).plot(),
        "told": told(1.1, told(1.0), told(1.12)).plot().figure,
        "fault": gs.plotting.plot_fault(
            title=f"Tight left wheels: {gs.faults.TightWheels('left', 12.0)!r}",
            circle=(healthy, tight), square=(healthy, tight), pushes=pushes,
            sentences=sentences,
        ),
        "four machines": gs.plotting.plot_lost_motion([0.0, 0.1, 0.2, 0.3])[0].figure,
    }  # fmt: skip
    capital = TextPath((0.0, 0.0), "H", size=1.0).get_extents().height
    for name, figure in pictures.items():
        smallest = min(t.get_fontsize() for t in figure.findobj(Text) if t.get_text())
        assert capital * smallest / 72.0 * PHONE / figure.get_size_inches()[0] > 7.0, name
        assert cut_off(figure) < 0.0, name
        assert running_into_each_other(figure) == [], name


def test_every_picture_can_be_written(tmp_path, test, tight, piece):
    axes = [
        gs.plot_test(test),
        gs.plot_burn(tight),
        gs.plot_piece(piece),
        gs.plotting.plot_unrolled(tight),
        gs.plotting.plot_unrolled(piece, shape="square"),
    ]
    for k, ax in enumerate(axes):
        file = tmp_path / f"{k}.png"
        ax.figure.savefig(file)
        assert file.stat().st_size > 5000


def luminance(colour):
    """Relative luminance, W3C Web Content Accessibility Guidelines 2.1, glossary."""
    parts = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in to_rgb(colour)]
    return float(np.dot(parts, (0.2126, 0.7152, 0.0722)))


@pytest.mark.parametrize(
    "colour, least",
    # success criteria 1.4.3 (text, 4.5) and 1.4.11 (graphics, 3) of the same guidelines
    [(look.INK, 4.5), (look.FAINT, 4.5)]
    + [(colour, 3.0) for colour in (look.COMMANDED, look.BLUE, look.VERMILION)],
)
def test_colours_keep_the_contrast_of_the_guidelines(colour, least):
    assert 1.05 / (luminance(colour) + 0.05) >= least
