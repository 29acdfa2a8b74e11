"""Photographs made flat, against sheets drawn by Pillow and a camera written down in the test."""

from __future__ import annotations

import dataclasses
import json
import math
import re
from types import SimpleNamespace

import matplotlib as mpl
import matplotlib.pyplot as plt
import numpy as np
import pytest
from photographed import (
    Camera,
    Sheet,
    darkness,
    laid_onto,
    moved,
    photograph,
    saved,
)
from PIL import Image

import gantrysim as gs
from gantrysim.instruments.photo.flatten import too_inaccurate
from gantrysim.instruments.photo.photofind import found_card, found_grid
from gantrysim.instruments.photo.plane import (
    Sightings,
    distorted,
    first_guess,
    fit_plane,
    projective,
    rigid_modes,
    scale_modes,
    undistorted,
    worst,
)
from gantrysim.instruments.scan.reading import _of_doubtful_height

mpl.use("Agg")

CAMERA = Camera()
CARD = gs.instruments.Card(
    height=54.0, uncertainty=(0.01, 0.01), raised=0.0
)  # a whole number of fine pixels
CARD_AT = (12.0, 40.0)
RIGHT = np.array([(x, y) for x in (110, 130, 150, 170, 190) for y in (20, 45, 70, 95, 120)], float)
INSIDE = np.array([(x, y) for x in (55, 75, 95, 115, 145) for y in (35, 55, 75, 95, 115)], float)


def card_corners(at=CARD_AT, w=85.60, h=54.0):
    x, y = at
    return np.array([(x, y), (x + w, y), (x + w, y + h), (x, y + h)])


def around(places, camera=CAMERA, margin=4.0):
    seen = camera.pixels(places)
    return tuple(np.concatenate([seen.min(axis=0) - margin, seen.max(axis=0) + margin]).tolist())


def off_dots(flat: gs.instruments.FlatPicture, dots, origin) -> np.ndarray:
    """How far dots of the flat picture are off, mm, shifted and turned at will, shape (n, 2)."""
    at = flat.places(dots - np.array(origin))
    found = darkness(flat.grey, at, int(1.8 / flat.pitch))
    return laid_onto(found * (1.0, -1.0) * flat.pitch, dots)


@pytest.fixture(scope="module")
def with_card(tmp_path_factory):
    sheet = Sheet()
    for x, y in RIGHT:
        sheet.dot(x, y)
    sheet.card(*CARD_AT)
    grey = photograph(sheet, CAMERA, np.random.default_rng(1))
    return saved(tmp_path_factory.mktemp("photo") / "card.png", grey)


@pytest.fixture(scope="module")
def with_grid(tmp_path_factory):
    sheet = Sheet()
    sheet.grid(10, 10, 10.0, 19, 13)
    for x, y in INSIDE:
        sheet.dot(x, y)
    grey = photograph(sheet, CAMERA, np.random.default_rng(2))
    return saved(tmp_path_factory.mktemp("photo") / "grid.png", grey)


def grid_of(uncertainty=1e-4, shift=3.0, **more):
    outer = CAMERA.pixels([(10, 10), (190, 10), (190, 130), (10, 130)]) + shift
    return gs.instruments.Grid(10.0, 19, 13, outer.tolist(), uncertainty=uncertainty, **more)


# --- formulas -------------------------------------------------------------------------------


@pytest.mark.parametrize("k", [-0.08, -0.01, 0.0, 0.02, 0.1])
def test_the_radial_model_goes_there_and_back(k):
    xy = np.random.default_rng(0).uniform(-0.7, 0.7, (200, 2))
    assert undistorted(distorted(xy, k), k) == pytest.approx(xy, abs=1e-10)
    r = np.hypot(*xy.T)
    assert np.hypot(*distorted(xy, k).T) == pytest.approx(r + k * r**3)


@pytest.mark.parametrize("k", [-0.05, 0.03])
def test_the_formulas_against_a_general_vision_library(k):
    """cv2.projectPoints and undistortPoints (k1 only), findHomography: an outside referee."""
    cv2 = pytest.importorskip("cv2", reason="opencv-python-headless is not installed")
    rng = np.random.default_rng(3)
    xy = rng.uniform(-0.6, 0.6, (50, 2))
    seen, _ = cv2.projectPoints(
        np.column_stack([xy, np.ones(50)]), np.zeros(3), np.zeros(3), np.eye(3),
        np.array([k, 0.0, 0.0, 0.0]),
    )  # fmt: skip
    assert distorted(xy, k) == pytest.approx(seen[:, 0], abs=1e-12)
    back = cv2.undistortPoints(seen, np.eye(3), np.array([k, 0.0, 0.0, 0.0]))
    assert undistorted(seen[:, 0], k) == pytest.approx(back[:, 0], abs=2e-5)
    four = np.array([(-0.5, -0.4), (0.6, -0.5), (0.55, 0.4), (-0.45, 0.5)])
    sheet = np.array([(0.0, 0.0), (86.0, 1.0), (85.0, 54.0), (-1.0, 53.0)])
    theirs, _ = cv2.findHomography(four, sheet)
    assert projective(four, sheet) == pytest.approx(theirs.ravel()[:8], rel=1e-6)
    # the camera of these tests is that of the library
    camera = moved(CAMERA, radial=k)
    places = rng.uniform(0.0, 140.0, (30, 3)) * (1.0, 1.0, 0.02)
    turn = camera.rotation
    eye = turn @ -np.array([*camera.middle, 0.0]) - (0.0, 0.0, camera.distance)
    f = camera.focal * camera.unit
    columns, rows = camera.size
    flip = np.diag([1.0, -1.0, -1.0])
    theirs, _ = cv2.projectPoints(
        places, cv2.Rodrigues(flip @ turn)[0], flip @ eye,
        np.array([[f, 0, (columns - 1) / 2], [0, f, (rows - 1) / 2], [0, 0, 1.0]]),
        np.array([k * camera.focal**2, 0.0, 0.0, 0.0]),  # its radius is in focal lengths
    )  # fmt: skip
    ours = np.array([camera.pixels(p[:2], float(p[2])) for p in places])
    assert ours == pytest.approx(theirs[:, 0], abs=1e-6)


def exact_sightings(camera: Camera, rng=None, spread=0.05, pull=0.1, part=1.0):
    """Sightings of grid lines 10 mm apart as the camera of these tests has them, in pixels."""
    places, normals, line = [], [], []
    for k in range(13):
        t = np.linspace(0.0, 120.0 * part, 25)
        places += [np.column_stack([np.full(25, 40.0 + 10 * k * part), 10.0 + t])]
        places += [np.column_stack([40.0 + t, np.full(25, 10.0 + 10 * k * part)])]
        normals += [np.tile([1.0, 0.0], (25, 1)), np.tile([0.0, 1.0], (25, 1))]
        line += [np.full(25, 2 * k), np.full(25, 2 * k + 1)]
    xy, n, owner = np.concatenate(places), np.concatenate(normals), np.concatenate(line)
    seen = camera.pixels(xy)
    if rng is not None:
        across = camera.pixels(xy + 1e-3 * n) - seen
        across /= np.hypot(*across.T)[:, None]
        error = spread * rng.standard_normal(len(xy)) + pull * rng.standard_normal(26)[owner]
        seen = seen + error[:, None] * across
    offset = np.sum(xy * n, axis=1)
    sightings = Sightings(seen, n, offset, np.full(len(xy), spread), owner, pull)
    corners = np.array([(40, 10), (160, 10), (160, 130), (40, 130)], float)
    start = first_guess(camera.pixels(corners), corners, (camera.size[1], camera.size[0]))
    return start, sightings


def test_an_exact_view_gives_the_plane_back():
    camera = moved(CAMERA, tilt=(8.0, -6.0), radial=0.04, turn=-20.0)
    plane = fit_plane(*exact_sightings(camera))
    xy = np.random.default_rng(1).uniform((0, 0), (200, 140), (60, 2))
    assert plane.to_sheet(camera.pixels(xy)) == pytest.approx(xy, abs=2e-3)
    assert plane.to_pixels(xy) == pytest.approx(camera.pixels(xy), abs=0.02)
    assert plane.to_pixels(plane.to_sheet(camera.pixels(xy))) == pytest.approx(camera.pixels(xy))
    assert plane.radial == pytest.approx(0.04, abs=1e-3)
    assert plane.misfit < 0.05
    assert plane.distance == pytest.approx(260.0, rel=0.03)  # the usual focal length is this one


def test_stated_spread_is_the_spread_of_many_fits():
    """Covariance of the sheet's places against 40 fits: chi-squared of 40 to within 99.9 %."""
    rng = np.random.default_rng(7)
    pixels = CAMERA.pixels([(20.0, 20.0), (100.0, 70.0), (185.0, 125.0)])
    found, plane = [], None
    for _ in range(40):
        plane = fit_plane(*exact_sightings(CAMERA, rng))
        found.append(plane.to_sheet(pixels).ravel())
    stated = np.sqrt(np.diag(plane.spread(pixels)))
    ratio = np.std(found, axis=0, ddof=1) / stated
    # the priors of the lens are wider than what these fits scatter: below one is allowed
    assert ratio.max() < 1.5  # sqrt(chi2(39, 0.9995) / 39)
    assert ratio.mean() > 0.4
    off = np.mean(found, axis=0) - CAMERA_PLACES
    assert np.abs(off / stated).max() < 3.0


CAMERA_PLACES = np.array([20.0, 20.0, 100.0, 70.0, 185.0, 125.0])


def test_what_a_line_shares_does_not_average():
    """Exact whitening: W'W is the inverse of s^2 I + p^2 1 1' (Sherman-Morrison)."""
    n, s, p = 7, 0.05, 0.1
    seen = Sightings(
        np.zeros((n, 2)), np.zeros((n, 2)), np.zeros(n), np.full(n, s), np.zeros(n, int), p
    )
    w = np.array([seen.whitened(row) for row in np.eye(n)]).T
    covariance = s * s * np.eye(n) + p * p * np.ones((n, n))
    assert w.T @ w @ covariance == pytest.approx(np.eye(n), abs=1e-10)


def test_modes_of_a_sheet():
    xy = np.random.default_rng(2).uniform(0, 100, (30, 2))
    rigid, scales = rigid_modes(xy), scale_modes(xy)
    turned = 1e-3 * rigid[:, 2] + 2.0 * rigid[:, 0]
    assert worst(np.outer(turned, turned), xy, rigid) < 1e-6
    grown = (1.002 * (xy - xy.mean(axis=0)) - (xy - xy.mean(axis=0))).ravel()
    assert grown == pytest.approx(0.002 * scales[:, 0])
    reach = np.hypot(*(xy - xy.mean(axis=0)).T).max()
    assert worst(np.outer(grown, grown), xy, rigid) == pytest.approx(0.002 * reach, rel=0.02)
    assert worst(np.outer(grown, grown), xy, rigid, scales) < 1e-6


# --- references -----------------------------------------------------------------------------


def test_a_card_that_lies_level(with_card):
    """25 dots beside the card, 8 to 100 mm from it, within what is stated, from 0.21 mm pixels."""
    flat = gs.instruments.flatten_photo(with_card, CARD, accuracy=0.4, area=around(RIGHT))
    off = off_dots(flat, RIGHT, CARD_AT)
    assert np.hypot(*off.T).max() < flat.accuracy
    assert np.hypot(*off.T).max() < 0.1
    assert flat.plane.radial == pytest.approx(0.02, abs=0.01)
    assert flat.plane.misfit < 2.0
    assert flat.warp < flat.accuracy


def test_the_card_is_found_by_itself(with_card):
    grey = np.asarray(Image.open(with_card))
    corners = np.array(found_card(grey, CARD).corners)
    true = CAMERA.pixels(card_corners())
    nearest = np.hypot(*(corners[:, None] - true[None]).T).min(axis=0)
    assert nearest.max() < 6.0  # a hundredth of its length; sighting does the rest
    # told its place, in any order and a little wrong, it gives the same plane
    told = gs.instruments.Card((true[[2, 3, 0, 1]] + 4.0).tolist(), 85.60, 54.0, (0.01, 0.01), 0.0)
    pair = [gs.instruments.flatten_photo(with_card, c, accuracy=5.0).plane for c in (CARD, told)]
    at = CAMERA.pixels(RIGHT)
    assert laid_onto(pair[0].to_sheet(at), pair[1].to_sheet(at)) == pytest.approx(0.0, abs=0.02)


def test_no_card_is_said(with_grid):
    with pytest.raises(ValueError, match=r"grid\.png: no card stands out from its ground"):
        gs.instruments.flatten_photo(with_grid, gs.instruments.Card(), accuracy=5.0)
    far = gs.instruments.Card([(100.0, 900.0), (300.0, 900.0), (300.0, 760.0), (100.0, 760.0)])
    with pytest.raises(ValueError, match="the Card is not seen where it should be"):
        gs.instruments.flatten_photo(with_grid, far, accuracy=5.0)


def test_a_grid_round_the_piece(with_grid):
    flat = gs.instruments.flatten_photo(with_grid, grid_of(), accuracy=0.1, area=around(INSIDE))
    off = off_dots(flat, INSIDE, (10.0, 10.0))
    assert np.hypot(*off.T).max() < 0.02  # a tenth of a pixel of 0.21 mm
    assert flat.accuracy < 0.1
    assert flat.plane.radial == pytest.approx(0.02, abs=0.003)
    ax = flat.plot()
    assert ax.get_xlabel().endswith("mm")
    plt.close("all")


@pytest.mark.parametrize("turn", [4.0, -35.0, 100.0])
def test_the_grid_is_found_by_itself(turn, tmp_path):
    camera = moved(CAMERA, turn=turn, distance=330.0)
    sheet = Sheet(ground=235)
    sheet.grid(10, 10, 10.0, 19, 13)
    sheet.box(42, 27, 158, 123, 170)
    sheet.draw.ellipse(sheet._box(60, 35, 140, 115), outline=50, width=4)
    grey = photograph(sheet, camera, np.random.default_rng(6))
    grid = gs.instruments.Grid(10.0, 19, 13, uncertainty=1e-4)
    corners = np.array(found_grid(grey, grid).corners)
    true = camera.pixels([(10, 10), (190, 10), (190, 130), (10, 130)])
    nearest = np.hypot(*(corners[:, None] - true[None]).T).min(axis=0)
    assert nearest.max() < 0.3 * 10.0 / 0.26  # a third of the pitch, pixels of 0.26 mm
    path = saved(tmp_path / "a.png", grey)
    flat = gs.instruments.flatten_photo(path, grid, accuracy=0.3, area=around(INSIDE, camera))
    left = laid_onto(flat.plane.to_sheet(camera.pixels(INSIDE)), INSIDE)
    assert np.hypot(*left.T).max() < 0.03
    with pytest.raises(ValueError, match=r"no net of 9 by 19 dark lines stands out"):
        gs.instruments.flatten_photo(path, gs.instruments.Grid(10.0, 9, 19), accuracy=9.0)


@pytest.mark.parametrize("count", [(18, 13), (20, 13), (19, 12), (13, 9), (10, 7), (37, 25)])
def test_a_miscounted_grid_is_no_wrong_scale(with_grid, count):
    told = CAMERA.pixels([(10, 10), (190, 10), (190, 130), (10, 130)])
    with pytest.raises(ValueError, match=r"count them again|is not seen where|pixels apart"):
        gs.instruments.flatten_photo(
            with_grid, gs.instruments.Grid(10.0, *count, told.tolist()), accuracy=9.0
        )


def test_a_grid_told_the_other_way_round_is_not_mirrored(with_grid):
    told = CAMERA.pixels([(10, 10), (190, 10), (190, 130), (10, 130)])
    for order in ([0, 1, 2, 3], [3, 2, 1, 0], [2, 3, 0, 1], [1, 0, 3, 2]):
        grid = gs.instruments.Grid(10.0, 19, 13, told[order].tolist(), uncertainty=1e-4)
        plane = gs.instruments.flatten_photo(with_grid, grid, accuracy=0.3).plane
        left = laid_onto(plane.to_sheet(CAMERA.pixels(INSIDE)), INSIDE)
        assert np.hypot(*left.T).max() < 0.02
        a, b, c = plane.to_sheet(CAMERA.pixels([(50, 50), (90, 50), (50, 90)]))
        assert (b - a)[0] * (c - a)[1] - (b - a)[1] * (c - a)[0] > 0.0


def test_a_piece_lies_on_the_grid(tmp_path):
    """Wood with rings of its own hides the middle two thirds of the grid."""
    sheet = Sheet(ground=235)
    sheet.grid(10, 10, 10.0, 19, 13)
    sheet.box(42, 27, 158, 123, 170)
    for r in range(4, 40, 5):
        sheet.draw.ellipse(sheet._box(100 - r, 75 - r, 100 + r, 75 + r), outline=50, width=4)
        sheet.draw.rectangle(sheet._box(100 - r, 75 - r, 100 + r, 75 + r), outline=50, width=4)
    path = saved(tmp_path / "on.png", photograph(sheet, CAMERA, np.random.default_rng(5)))
    flat = gs.instruments.flatten_photo(path, grid_of(), accuracy=0.2, area=around(INSIDE))
    plane, at = flat.plane, CAMERA.pixels(INSIDE)
    left = np.hypot(*laid_onto(plane.to_sheet(at), INSIDE).T)
    assert left.max() < 0.02  # a tenth of a pixel of 0.21 mm
    assert left.max() < flat.accuracy
    assert abs(plane.radial - 0.02) < 3.0 * math.sqrt(plane.covariance[8, 8])
    # laid on it, 3 mm thick, the burned face is nearer: its lengths are smaller by 3 / 260
    under = gs.instruments.flatten_photo(
        path, grid_of(raised=-3.0), accuracy=2.0, area=around(INSIDE)
    )
    assert under.raise_scale == pytest.approx(1.0 - 3.0 / 260.0, abs=1e-4)
    assert under.scanner_covariance[0, 0] > 100.0 * flat.scanner_covariance[0, 0]


def test_a_rule_tells_its_own_line_and_little_else(tmp_path):
    sheet = Sheet()
    for x, y in RIGHT:
        sheet.dot(x, y)
    sheet.rule(15, 130, 180, 2.0)
    path = saved(tmp_path / "rule.png", photograph(sheet, CAMERA, np.random.default_rng(3)))
    ends = CAMERA.pixels([(15, 130), (195, 130)]) + np.array([1.0, -1.0])
    rule = gs.instruments.Rule(2.0, 180.0, ends.tolist(), raised=0.0)
    flat = gs.instruments.flatten_photo(path, rule, accuracy=20.0, area=around(RIGHT))
    along = np.array([(x, 128.5) for x in range(15, 196, 20)], float)
    near = flat.plane.to_sheet(CAMERA.pixels(along))
    assert np.diff(near[:, 0]) == pytest.approx(20.0, abs=0.05)
    off = off_dots(flat, RIGHT, (15.0, 130.0))
    assert 0.2 < np.hypot(*off.T).max() < flat.accuracy  # 3 degrees of tilt that it cannot see
    with pytest.raises(ValueError, match=r"accuracy=0\.05 mm cannot be had .* the reference is"):
        gs.instruments.flatten_photo(path, rule, accuracy=0.05, area=around(RIGHT))
    fine = gs.instruments.Rule(1.0, 180.0, ends.tolist())
    with pytest.raises(ValueError, match=r"lines of the Rule are 4\.\d pixels apart"):
        gs.instruments.flatten_photo(path, fine, accuracy=20.0)


def test_a_card_on_the_piece_stands_nearer_to_the_camera(tmp_path):
    """A face raised by h at a camera distance D looks D / (D - h) times as large (pinhole)."""
    camera = moved(CAMERA, tilt=(0.0, 0.0), radial=0.0)
    sheet, top, height = Sheet(), Sheet(), 3.0
    for x, y in RIGHT:
        sheet.dot(x, y)
    top.card(*CARD_AT)
    part = (CARD_AT[0], CARD_AT[1], CARD_AT[0] + 85.6, CARD_AT[1] + 54.0)
    grey = photograph(sheet, camera, np.random.default_rng(4), raised=(top, height, part))
    path = saved(tmp_path / "raised.png", grey)
    corners = camera.pixels(card_corners(), height)
    sizes = {}
    for raised in (0.0, height):
        card = gs.instruments.Card(corners.tolist(), 85.60, 54.0, (0.01, 0.01), raised)
        flat = gs.instruments.flatten_photo(path, card, accuracy=5.0, area=around(RIGHT, camera))
        at = flat.places(camera.places(camera.pixels(RIGHT), height) - CARD_AT)
        found = darkness(flat.grey, at, int(1.8 / flat.pitch)) * flat.pitch
        sizes[raised] = np.hypot(*(found[-1] - found[0])) / np.hypot(*(RIGHT[-1] - RIGHT[0]))
        if raised:
            assert flat.scanner_covariance[0, 0] > (0.25 * height / 260.0) ** 2
    assert sizes[0.0] == pytest.approx((camera.distance - height) / camera.distance, abs=1e-3)
    assert sizes[height] == pytest.approx(1.0, abs=1.5e-3)


# --- honesty --------------------------------------------------------------------------------


def test_accuracy_that_cannot_be_had_is_refused_with_what_could(with_card, with_grid):
    with pytest.raises(ValueError, match=r"only (\S+) mm \(95 %\)") as caught:
        gs.instruments.flatten_photo(with_card, CARD, accuracy=0.05, area=around(RIGHT))
    sentence = str(caught.value)
    assert sentence.startswith(str(with_card))
    assert sentence.endswith(".")
    assert "\n" not in sentence
    had = float(sentence.split("only ")[1].split(" mm")[0])
    gs.instruments.flatten_photo(with_card, CARD, accuracy=had * 1.06, area=around(RIGHT))
    # a card by the standard alone, its size not measured: lengths no better than its own
    loose = gs.instruments.Card(height=54.0, raised=0.0, uncertainty=(0.5, 0.5))
    with pytest.raises(ValueError, match="its own size is too uncertain"):
        gs.instruments.flatten_photo(with_card, loose, accuracy=0.05, area=around(RIGHT))
    lifted = gs.instruments.Card(height=54.0, raised=8.0, uncertainty=(0.01, 0.01))
    with pytest.raises(ValueError, match="it lies higher than the burned face"):
        gs.instruments.flatten_photo(with_card, lifted, accuracy=0.05, area=around(RIGHT))
    with pytest.raises(ValueError, match=r"its own size is too uncertain"):
        gs.instruments.flatten_photo(with_grid, grid_of(0.01), accuracy=0.05, area=around(INSIDE))


@pytest.mark.study
def test_stated_accuracy_holds_over_cameras(tmp_path):
    """Ten cameras, tilted, turned, near and far, of several lenses: no dot is off by more."""
    rng = np.random.default_rng(11)
    sheet = Sheet()
    for x, y in RIGHT:
        sheet.dot(x, y)
    sheet.card(*CARD_AT)
    part = []
    for _ in range(10):
        camera = moved(
            CAMERA,
            tilt=tuple(rng.normal(0.0, 4.0, 2)),
            turn=float(rng.uniform(-30, 30)),
            distance=float(rng.uniform(270, 330)),
            radial=float(rng.normal(0.0, 0.03)),
            off_middle=tuple(rng.normal(0.0, 0.01, 2)),
        )
        path = saved(tmp_path / "a.png", photograph(sheet, camera, rng))
        corners = camera.pixels(card_corners()) + rng.normal(0.0, 3.0, (4, 2))
        card = gs.instruments.Card(corners.tolist(), 85.60, 54.0, (1e-3, 1e-3), 0.0)
        flat = gs.instruments.flatten_photo(path, card, accuracy=9.0, area=around(RIGHT, camera))
        part.append(float(np.hypot(*off_dots(flat, RIGHT, CARD_AT).T).max()) / flat.accuracy)
    assert max(part) < 1.0  # 0.13 to 0.49 where this was written
    assert np.median(part) > 0.08  # not so wide that it says nothing


# --- files and arguments --------------------------------------------------------------------


def test_a_flat_picture_is_a_scan(with_grid, tmp_path):
    flat = gs.instruments.flatten_photo(
        with_grid, grid_of(), accuracy=0.2, pitch=0.1, area=around(INSIDE)
    )
    assert flat.pitch == 0.1
    assert flat.dpi == pytest.approx(254.0)
    path = flat.save(tmp_path / "flat.png")
    with Image.open(path) as image:
        assert image.info["dpi"] == pytest.approx((254.0, 254.0), abs=0.02)
        assert np.array_equal(np.asarray(image), flat.grey)
    with pytest.raises(FileExistsError):
        flat.save(path)
    with pytest.raises(ValueError, match=r"end the name in \.png"):
        flat.save(tmp_path / "flat.jpg")
    content = json.loads(json.dumps(flat.to_dict()))
    assert content["pitch_mm"] == 0.1
    assert content["u_scale"] == pytest.approx(math.sqrt(flat.scanner_covariance[0, 0]))
    assert np.linalg.eigvalsh(flat.scanner_covariance).min() > 0.0
    assert repr(flat).startswith("FlatPicture(")
    assert f"{flat.accuracy:.2g} mm" in flat._repr_html_()
    # the corner of the lowest left pixel is where it says
    x, y = flat.origin
    low = flat.places(np.array([(x, y)]) / flat.raise_scale)
    assert low[0] == pytest.approx((0.0, flat.grey.shape[0] - 1.0))


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda: gs.instruments.Card(width=0.0), "width must be above zero"),
        (lambda: gs.instruments.Card([(0, 0), (1, 1)]), "corners must be 4 places"),
        (
            lambda: gs.instruments.Card([(0, 0), (0, 0), (9, 9), (0, 9)]),
            "corners must be 4 places apart",
        ),
        (
            lambda: gs.instruments.Grid(10.0, 1, 5, [(0, 0)] * 4),
            "columns must be a whole number, 2 or more",
        ),
        (lambda: gs.instruments.Grid(-1.0, 3, 5, [(0, 0)] * 4), "pitch must be above zero"),
        (
            lambda: gs.instruments.Rule(1.0, 10.5, [(0, 0), (9, 9)]),
            "length must be a multiple of the pitch",
        ),
        (lambda: gs.instruments.Rule(1.0, 10.0, [(0, 0), (math.nan, 9)]), "ends must be 2 places"),
    ],
)
def test_wrong_references_end_in_one_sentence(make, words):
    with pytest.raises(ValueError, match=words):
        make()


def test_references_of_other_things_end_in_one_sentence():
    with pytest.raises(TypeError, match="uncertainty must be two lengths in mm, found"):
        gs.instruments.Card(uncertainty=0.1)
    with pytest.raises(TypeError, match=r"corners must be four places \(column, row\) in pixels"):
        gs.instruments.Card("corner")


def test_wrong_photographs_and_wishes(with_card, tmp_path):
    text = tmp_path / "a.png"
    text.write_text("no picture")
    small = saved(tmp_path / "small.png", np.zeros((20, 50), np.uint8))
    cut = tmp_path / "cut.png"
    cut.write_bytes(with_card.read_bytes()[:20_000])
    cases = [
        (text, {}, "a photograph as PNG, JPEG or TIFF is expected"),
        (cut, {}, "damaged or cut short"),
        (small, {}, "the picture has 50 x 20 pixels"),
        (tmp_path, {}, "this is a folder"),
        (with_card, {"accuracy": 0.0}, "accuracy must be above zero"),
        (with_card, {"accuracy": 9.0, "pitch": -1.0}, "pitch must be above zero"),
        (with_card, {"accuracy": 9.0, "pitch": 1e-3}, "choose a coarser pitch than 0.001 mm"),
        (with_card, {"area": (0, 0, 5)}, "area must be"),
        (with_card, {"area": (0, 0, 5, 5)}, "area must lie in the picture"),
    ]
    for path, options, words in cases:
        with pytest.raises(ValueError, match=words) as caught:
            gs.instruments.flatten_photo(path, CARD, **options)
        assert "\n" not in str(caught.value)
    with pytest.raises(TypeError, match="reference must be a Card or a Grid or a Rule"):
        gs.instruments.flatten_photo(with_card, "card")
    with pytest.raises(FileNotFoundError, match="a photograph"):
        gs.instruments.flatten_photo(tmp_path / "none.png", CARD)


def test_a_card_beside_the_piece_lies_lower_by_its_thickness():
    card = gs.instruments.Card(beside=True, thickness=3.0)
    assert card.raised == pytest.approx(0.76 - 3.0)
    assert dataclasses.replace(card, height=54.0).raised == card.raised
    for wrong in ({"beside": True}, {"thickness": 3.0}):
        with pytest.raises(ValueError, match="must be given with beside=True"):
            gs.instruments.Card(**wrong)
    with pytest.raises(ValueError, match="raised follows from thickness"):
        gs.instruments.Card(raised=0.0, beside=True, thickness=3.0)


def test_a_grid_is_printed_true_to_size(tmp_path):
    path = gs.instruments.Grid(pitch=10.0, columns=20, rows=15).to_svg(tmp_path / "grid.svg")
    text = path.read_text(encoding="utf-8")
    size = re.search(r'width="(.+?)mm" height="(.+?)mm" viewBox="0 0 (.+?) (.+?)"', text)
    assert size is not None
    assert size.groups()[:2] == size.groups()[2:]  # a unit of the drawing is a millimetre
    across = [float(x) for x in re.findall(r"M([\d.]+) [\d.]+V", text)]
    up = [float(y) for y in re.findall(r"M[\d.]+ ([\d.]+)H", text)]
    assert np.diff(across) == pytest.approx([10.0] * 19)
    assert np.diff(up) == pytest.approx([10.0] * 14)


def test_a_refusal_says_how_to_name_the_area():
    assert "area=(left, top" in too_inaccurate("a.png", 0.1, 0.4, "too small", whole=True)
    assert "area=" not in too_inaccurate("a.png", 0.1, 0.4, "too small", whole=False)


@pytest.mark.parametrize(("off", "doubted"), [(3.0, "lower"), (-3.0, "higher"), (0.1, None)])
def test_a_wrong_height_makes_the_scale_unknown(off, doubted):
    # at a distance D a face wrong by h looks wrong by h / D (pinhole)
    scale, known = 1.0 + off / 260.0, np.diag([7e-4, 7e-4, 3e-4]) ** 2
    flat = SimpleNamespace(plane=SimpleNamespace(distance=260.0))
    view = SimpleNamespace(found=SimpleNamespace(matrix=scale * np.eye(2)))
    covariance, notes = _of_doubtful_height(view, flat, known)
    assert covariance[1:, 1:] == pytest.approx(known[1:, 1:])
    if doubted is None:
        assert notes == ()
        assert covariance == pytest.approx(known)
        return
    assert f"3.0 mm {doubted} than was said" in notes[0]
    assert covariance[0, 0] ** 0.5 > 0.99 * abs(off) / 260.0
    # one axis alone is no height: it stays the machine's
    view.found.matrix = np.diag([scale, 1.0])
    assert _of_doubtful_height(view, flat, known)[1] == ()


def test_a_photographed_piece_is_read_like_a_scan(tmp_path):
    # drawn by Pillow, seen by the camera written down in `photographed`; card beside the rings
    test = gs.ring_test(spacing=6.0, largest=24.0, smallest=12.0, centre=(200.0, 180.0))
    sheet, middle = Sheet(), np.array([150.0, 70.0])
    sheet.card(12.0, 40.0)
    sizes = [(half, n.shape) for n in test.nests for half in n.sizes]
    for half, shape in sorted(sizes, reverse=True):
        sheet.ring(*middle, half, shape)
    sheet.box(177.0, 72.0, 177.3, 79.0)
    camera = moved(CAMERA, size=(2400, 1800))
    file = saved(tmp_path / "photo.png", photograph(sheet, camera, np.random.default_rng(5)))
    area = around(middle + 31.0 * np.array([(-1, -1), (1, -1), (1, 1), (-1, 1)]), camera)
    mark = [np.array([(227.15, 182.0), (227.15, 189.0)])]
    piece = gs.read_photo(file, test, CARD, accuracy=0.3, area=area, mark=mark)
    assert piece.missing == ()
    assert any("lengths are accurate to" in note for note in piece.notes)
    assert not any("ambiguous" in note for note in piece.notes)
    scale = piece.scanner.deviations[0]
    for row in gs.measure(piece).circles:
        # three standard deviations of the stated scale, and 4 um of reading and drawing
        assert abs(row.measured_size - row.size) < 3.0 * scale * row.size + 0.004
    assert abs(piece.record.turn_deg) < 10.0
    ax = piece.plot()
    ax.figure.savefig(tmp_path / "read.png")
    plt.close(ax.figure)
    with pytest.raises(ValueError, match=r"accuracy=0\.01 mm cannot be had"):
        gs.read_photo(file, test, CARD, accuracy=0.01, area=area)
    with pytest.raises(ValueError, match="spacing must be"):
        gs.read_photo(file, test, CARD, spacing=0.0)
