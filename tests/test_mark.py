"""The mark against the closed forms of a Gaussian spot, and what its picture shows."""

import math
import tracemalloc

import numpy as np
import pytest
from matplotlib.figure import Figure
from PIL import Image
from reduced import reduced
from scipy.special import gamma

import gantrysim as gs
from gantrysim.burn.image import MAX_PIXELS, BurnImage, mark_image
from gantrysim.burn.mark import Exposure, dose_map, exposure, line_dose, marked_width
from gantrysim.mechanics.planner import plan

W = 0.06  # mm
P = 5.0  # W
RATE = 800.0  # mm/s^2


def straight(x0, x1, speeds, *, y=0.0, rate=RATE, feed=40.0):
    """One straight segment along x with speeds at its start, on the way and at its end."""
    v1, vp, v2 = speeds
    length = abs(x1 - x0)
    ramps = (2.0 * vp**2 - v1**2 - v2**2) / (2.0 * rate)
    time = (2.0 * vp - v1 - v2) / rate + (length - ramps) / vp
    return Exposure(
        ends=np.array([[x0, y, x1, y]]),
        length=np.array([length]),
        speed=np.array([[v1, vp, v2]], float),
        time=np.array([time]),
        acceleration=rate,
        feed=feed,
    )


def grid(path, *, power=P, radius=W, step=0.01, margin=0.5, scaled=False):
    """Dose round a path, and the x and y of its points."""
    x, y = path.ends[:, ::2], path.ends[:, 1::2]
    left, top = x.min() - margin, y.max() + margin
    columns = math.ceil((x.max() + margin - left) / step)
    rows = math.ceil((top - y.min() + margin) / step)
    dose = dose_map(
        path, left=left, top=top, step=step, shape=(rows, columns), power=power, radius=radius,
        scaled=scaled,
    )  # fmt: skip
    return dose, left + (np.arange(columns) + 0.5) * step, top - (np.arange(rows) + 0.5) * step


@pytest.fixture(scope="module")
def small():
    return gs.ring_test(("square",), spacing=6.0, largest=6.0, smallest=6.0)


@pytest.fixture(scope="module")
def burn(small):
    return gs.simulate(gs.Machine(), small)


def path_of(burn):
    return exposure(burn.test, burn.lines, burn.commanded)


# --- closed forms ---------------------------------------------------------------------------


@pytest.mark.parametrize(("ratio", "widths"), [(2, 1.177), (5, 1.794), (10, 2.146)])
def test_marked_width_over_spot_radius(ratio, widths):
    """w sqrt(2 ln(H0 / Hth)) of the Gaussian line (any text on laser marking; numbers computed)."""
    assert marked_width(ratio, 1.0, W) / W == pytest.approx(widths, abs=5e-4)


@pytest.mark.parametrize(("ratio", "widths", "growth"), [(2, 1.665, 0.41), (5, 2.146, 0.20)])
def test_half_the_speed_widens_the_line(ratio, widths, growth):
    """Half the speed doubles the dose: from a ratio of 2, +41 % to 1.665 w; from 5, +20 %."""
    speed = math.sqrt(2.0 / math.pi) * P / (W * ratio)  # peak dose of `ratio` J/mm^2
    before = marked_width(line_dose(P, speed, W), 1.0, W)
    after = marked_width(line_dose(P, speed / 2.0, W), 1.0, W)
    assert after / W == pytest.approx(widths, abs=5e-4)
    assert after / before - 1.0 == pytest.approx(growth, abs=5e-3)


def test_a_dose_below_the_threshold_leaves_no_mark():
    assert marked_width(0.99, 1.0, W) == 0.0


def test_mean_dose_over_the_width_is_power_over_speed_and_width():
    """Energy a mm of line is P / v: 5 W at 50 mm/s over 0.1 mm is 1 J/mm^2."""
    y = np.linspace(-1.0, 1.0, 4001)
    per_length = np.trapezoid([line_dose(P, 50.0, W, v) for v in y], y)
    assert per_length == pytest.approx(P / 50.0, rel=1e-9)
    assert per_length / 0.1 == pytest.approx(1.0, rel=1e-9)


@pytest.mark.parametrize("speed", [10.0, 40.0])
def test_a_line_at_one_speed_has_the_gaussian_dose(speed):
    dose, x, y = grid(straight(0.0, 4.0, (speed, speed, speed)))
    middle = np.abs(x - 2.0).argmin()
    want = np.array([line_dose(P, speed, W, v) for v in y])
    near = np.abs(y) < 2.0 * W
    assert dose[near, middle] == pytest.approx(want[near], rel=1e-6)


def test_a_spot_that_stands_still_burns_a_gaussian_dot():
    """The command runs 0.2 mm at 10 mm/s, the spot does not: 2 E / (pi w^2) exp(-2 r^2 / w^2)."""
    path = straight(0.0, 0.2, (10.0, 10.0, 10.0))
    path.ends[0, 2] = 0.0
    dose, x, y = grid(path)
    r2 = x[None, :] ** 2 + y[:, None] ** 2
    want = 2.0 * P * 0.02 / (math.pi * W**2) * np.exp(-2.0 * r2 / W**2)
    near = r2 < (2.0 * W) ** 2
    assert dose[near] == pytest.approx(want[near], rel=1e-9)


def test_dose_where_the_spot_starts_from_rest():
    """At the start, int 2P/(pi w^2) exp(-2 (a t^2/2)^2 / w^2) dt = 2P/(pi w^2) Gamma(5/4) c^-1/4,
    c = a^2 / (2 w^2): the power and the acceleration alone decide how dark the dot is."""
    path = straight(0.0, 1.0, (0.0, 40.0, 40.0))
    want = 2.0 * P / (math.pi * W**2) * gamma(1.25) * (RATE**2 / (2.0 * W**2)) ** -0.25
    at = dose_map(path, left=-5e-5, top=5e-5, step=1e-4, shape=(1, 1), power=P, radius=W)
    assert at[0, 0] == pytest.approx(want, rel=0.01)
    assert at[0, 0] > 2.0 * line_dose(P, 40.0, W)


def test_starting_and_stopping_are_mirror_images():
    go, x, _ = grid(straight(0.0, 1.0, (0.0, 20.0, 20.0)))
    stop, _, _ = grid(straight(0.0, 1.0, (20.0, 20.0, 0.0)))
    assert go == pytest.approx(stop[:, ::-1], abs=1e-9 * go.max())
    assert go.max() > 1.5 * go[:, np.abs(x - 0.9).argmin()].max()


# --- whole burns ----------------------------------------------------------------------------


@pytest.mark.parametrize("scaled", [False, True])
def test_all_energy_ends_on_the_wood(burn, scaled):
    """Sum over the wood = power times the planned time with the beam on (or length over feed)."""
    path = path_of(burn)
    dose, _, _ = grid(path, step=0.02, scaled=scaled)
    strokes = burn.test.strokes()
    motion = plan(burn.test, strokes)
    travel = len(strokes[0].xy)
    time = motion.dt[travel:].sum()
    assert path.time.sum() == pytest.approx(time, rel=1e-9)
    want = P * (path.length.sum() / burn.test.feed if scaled else time)
    assert dose.sum() * 0.02**2 == pytest.approx(want, rel=2e-4)


def test_highest_speed_on_the_way_is_found_from_the_time():
    """A long side reaches the feed between two samples; a short one only what a allows."""
    test = gs.ring_test(("square",), spacing=6.0, largest=6.0, smallest=6.0)
    free = gs.simulate(reduced(), test, step=12.0)
    path = path_of(free)
    corner = test.corner_speed_change / math.sqrt(2.0)
    inner = path.speed[path.length > 11.0]
    assert inner[:, 1].max() == pytest.approx(test.feed, rel=1e-6)
    short = gs.ring_test(("square",), spacing=0.5, largest=0.5, smallest=0.5)
    path = path_of(gs.simulate(reduced(), short, step=12.0))
    between = (path.speed[:, 0] > 0.0) & (path.speed[:, 2] > 0.0) & (path.length > 0.9)
    assert between.any()
    want = math.sqrt(corner**2 + short.acceleration * 1.0)  # half the side up, half down
    assert path.speed[between, 1] == pytest.approx(want, rel=1e-6)


def test_passes_add_up(small):
    once = gs.simulate(reduced(), small)
    twice = gs.simulate(reduced(), gs.ring_test(("square",), spacing=6.0, largest=6.0, smallest=6.0,
                                                passes=2))  # fmt: skip
    one, x, y = grid(path_of(once))
    two, _, _ = grid(path_of(twice))
    column = np.abs(x - 215.0).argmin()
    assert two[:, column].max() == pytest.approx(2.0 * one[:, column].max(), rel=1e-6)
    assert y.size == two.shape[0]


def test_a_head_that_sticks_at_a_reversal_burns_a_darker_corner(small):
    """The command leaves the corner while the plate still sticks: 2 r / v of standing still."""
    doses = []
    for force in (0.0, 4.0):
        machine = reduced((force, force, force), (20.0, 20.0, 20.0))
        path = path_of(gs.simulate(machine, small, step=0.05))
        dose, x, y = grid(path)
        lower_left = dose[np.ix_(y < 196.0, x < 211.0)]
        doses.append(lower_left.max())
    assert doses[1] > 1.3 * doses[0]


def test_a_picture_needs_no_time_in_the_burn(small):
    slow = gs.simulate(gs.Machine(), small).image(dpi=300)
    fed = gs.simulate(gs.Machine(), small, feed_forces=True).image(dpi=300)
    assert abs(int(slow.darkness.sum()) - int(fed.darkness.sum())) < 0.05 * slow.darkness.sum()


# --- the picture ----------------------------------------------------------------------------


def test_line_in_the_picture_is_as_wide_as_the_formula_says(burn):
    image = burn.image(dpi=5080, power=P, spot_radius=W)
    left, _, _, top = image.extent
    line = burn.line("square", 0)
    right_side = np.abs(line.xy[:, 1] - line.xy[:, 1].mean()).argmin()
    row = round((top - line.xy[right_side, 1]) / image.pixel)
    marked = np.flatnonzero(image.darkness[row, : image.darkness.shape[1] // 2] > 0)
    want = marked_width(line_dose(P, burn.test.feed, W), image.wood.threshold, W)
    assert (marked[-1] - marked[0] + 1) * image.pixel == pytest.approx(want, abs=2.5 * image.pixel)
    x = left + (marked.mean() + 0.5) * image.pixel
    assert x == pytest.approx(line.xy[:, 0].min(), abs=0.03)


def test_picture_lies_where_the_burn_lies_the_right_way_up():
    test = gs.ring_test(layout="side_by_side", spacing=5.0, largest=5.0, smallest=5.0)
    burn = gs.simulate(gs.Machine().with_faults(gs.faults.OutOfSquare(80.0)), test)
    image = burn.image(dpi=200)
    left, right, low, high = image.extent
    everything = np.concatenate([line.xy for line in burn.lines])
    assert np.all(everything > [left, low])
    assert np.all(everything < [right, high])
    rows, columns = np.nonzero(image.darkness)
    x, y = left + (columns + 0.5) * image.pixel, high - (rows + 0.5) * image.pixel
    assert (x.min(), y.min()) == pytest.approx(everything.min(axis=0), abs=0.2)
    assert (x.max(), y.max()) == pytest.approx(everything.max(axis=0), abs=0.2)
    slope = np.polyfit(x, y, 1)[0]  # the right side of the pattern is ahead
    assert slope > 0.04


def test_start_and_corner_are_the_darkest(burn):
    image = burn.image(dpi=600)
    left, _, _, top = image.extent
    centre = np.array([215.0, 245.0])
    rows, columns = np.nonzero(image.darkness == image.darkness.max())
    place = np.column_stack([left + columns * image.pixel, top - rows * image.pixel])
    assert np.all(np.abs(place - centre).min(axis=1) > 5.0)  # near corners, not along sides
    even = burn.image(dpi=600, scaled=True)
    assert even.darkness.max() < image.darkness.max()


def test_more_power_is_darker_and_wider(burn):
    weak, strong = burn.image(dpi=600, power=2.0), burn.image(dpi=600, power=8.0)
    assert (strong.darkness >= weak.darkness).all()
    assert (strong.darkness > 0).sum() > 1.2 * (weak.darkness > 0).sum()
    assert burn.image(dpi=600, power=0.2).darkness.max() < weak.darkness.max()


@pytest.mark.parametrize("dpi", [100, 300])
def test_coarse_pictures_keep_the_mean_darkness(burn, dpi):
    fine = burn.image(dpi=1200)
    coarse = burn.image(dpi=dpi)
    mean = [float(i.darkness.sum()) * i.pixel**2 for i in (coarse, fine)]
    assert mean[0] == pytest.approx(mean[1], rel=0.02)


def test_memory_stays_near_the_picture(burn):
    burn.image(dpi=50)  # compiled
    tracemalloc.start()
    image = burn.image(dpi=3000)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert peak < image.darkness.size + 8 * 512 * image.darkness.shape[1] + 5e6
    assert image.darkness.size > 4e6


def test_save_writes_the_dpi_and_never_over_a_file(burn, tmp_path):
    image = burn.image(dpi=254)
    for name in ("mark.png", "mark.tif"):
        path = image.save(tmp_path / name)
        with Image.open(path) as found:
            assert found.size == image.darkness.shape[::-1]
            assert found.info["dpi"] == pytest.approx((254, 254), rel=1e-4)
            assert np.array_equal(np.asarray(found), image.rgb())
        before = path.read_bytes()
        with pytest.raises(FileExistsError, match="overwrite=True"):
            image.save(path)
        assert path.read_bytes() == before
        image.save(path, overwrite=True)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["mark.png", "mark.tif"]
    with pytest.raises(ValueError, match=r"saved as \.png"):
        image.save(tmp_path / "mark.bmp")
    with pytest.raises(FileNotFoundError, match="does not exist"):
        image.save(tmp_path / "nowhere" / "mark.png")


def test_scale_bar_has_its_length(burn):
    image = burn.image(dpi=508)
    bare = BurnImage(
        np.zeros_like(image.darkness), image.dpi, image.origin, image.power, image.spot_radius,
        image.wood, image.scale_bar,
    )  # fmt: skip
    ink = (bare.rgb() == 30).all(axis=2)
    runs = [max(map(len, bytes(row).split(b"\0"))) for row in ink]  # the longest is the bar
    assert max(runs) * image.pixel == pytest.approx(image.scale_bar, abs=0.2)
    assert image.scale_bar in {1.0, 2.0, 5.0, 10.0}


def test_picture_draws_itself(burn):
    image = burn.image(dpi=200)
    ax = Figure(layout="constrained").subplots()
    assert image.plot(ax) is ax
    assert ax.images[0].get_extent() == list(image.extent)
    assert "true to size" in ax.get_title(loc="left")
    assert image._repr_html_().startswith("<img")
    assert "200 dpi" in repr(image)
    assert not image.darkness.flags.writeable
    assert image.to_dict()["origin_mm"] == list(image.origin)


def test_bad_values_are_refused_in_a_sentence(burn):
    for name in ("dpi", "power", "spot_radius"):
        for value in (0.0, -1.0, math.nan):
            with pytest.raises(ValueError, match=name):
                burn.image(**{name: value})
        with pytest.raises(TypeError, match=name):
            burn.image(**{name: "wide"})
    with pytest.raises(ValueError, match="take a lower dpi"):
        burn.image(dpi=25.4 * math.sqrt(MAX_PIXELS))
    with pytest.raises(ValueError, match="above its threshold"):
        gs.burn.Wood(threshold=1.0, black=1.0)
    with pytest.raises(ValueError, match="brown must be three numbers"):
        gs.burn.Wood(brown=(1.0, 2.0, 0.0))


def test_mark_image_is_what_burn_image_gives(burn):
    assert np.array_equal(mark_image(path_of(burn), dpi=150).darkness, burn.image(150).darkness)
