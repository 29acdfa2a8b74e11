"""SVG files read back by svgpathtools and by the XML parser of Python, against the geometry meant.

Arc flags and the reach of `A` are those of SVG 1.1, W3C Recommendation, clause 8.3.8 and appendix
F.6 (from memory); svgpathtools, a general-purpose reader, works them out here.
"""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import LineString

import gantrysim as gs
from gantrysim.burn.magnified import magnified
from gantrysim.formats import svg
from gantrysim.formats.svg import MARGIN

svgpathtools = pytest.importorskip("svgpathtools", reason="svgpathtools is not installed.")
SVG = "{http://www.w3.org/2000/svg}"
FULL = {"orientation_mark": True, "scale_reference": 40.0, "caption": "ALDER 3\nTEST=1/2"}


def read(path):
    """Frame of the page (left, top), and paths by the id of their group, in document order."""
    root = ET.parse(path).getroot()
    found = re.search(
        r"plus (-?[\d.]+), machine y is (-?[\d.]+) less", root.find(f"{SVG}desc").text
    )
    paths = {}
    for group in root.iter(f"{SVG}g"):
        for child in group.findall(f"{SVG}path"):
            paths[group.get("id")] = svgpathtools.parse_path(child.get("d"))
    return root, np.array([float(found[1]), float(found[2])]), paths


def places(path, frame, count=201):
    """Points along a path, back in the machine frame, mm.

    The ends of a segment are those written: the reader finds an arc's from an arc cosine, which
    near 1 keeps half of the digits.
    """
    within = np.linspace(0, 1, count)[1:-1]
    at = np.array([z for s in path for z in (s.start, *(s.point(t) for t in within), s.end)])
    return np.column_stack([frame[0] + at.real, frame[1] - at.imag])


@st.composite
def any_test(draw):
    largest = draw(st.floats(2.0, 90.0))
    return gs.ring_test(
        largest=largest,
        spacing=draw(st.floats(0.2, 0.5)) * largest,
        layout=draw(st.sampled_from(["concentric", "side_by_side"])),
        centre=(draw(st.floats(100.0, 300.0)), draw(st.floats(100.0, 300.0))),
        start_deg=draw(st.floats(-400.0, 400.0)),
        direction=draw(st.sampled_from(["ccw", "cw"])),
        sequence_mode=draw(st.sampled_from(["shape_by_shape", "interleaved"])),
        order=draw(st.sampled_from(["inside_out", "outside_in"])),
        orientation_mark=draw(st.booleans()),
        caption=draw(st.sampled_from(["", "A1"])),
    )


@settings(max_examples=60, deadline=None)
@given(test=any_test())
def test_an_outside_reader_finds_the_rings_that_were_meant(test, tmp_path_factory):
    file = test.to_svg(tmp_path_factory.mktemp("svg") / "test.svg")
    _, frame, paths = read(file)
    drawn = iter(paths.values())
    for shape, ring, _ in test.sequence:
        xy = places(next(drawn), frame)
        nest = test.nest(shape)
        size, away = nest.sizes[ring], xy - nest.centre
        reach = np.hypot(*away.T) if shape == "circle" else np.abs(away).max(axis=1)
        assert np.abs(reach - size).max() < 1e-6
        # start point and direction, from the definition of the test
        ray = np.radians(nest.start_deg)
        assert abs(away[0] @ (-np.sin(ray), np.cos(ray))) < 1e-6
        assert away[0] @ (np.cos(ray), np.sin(ray)) > 0.0
        area = 0.5 * np.sum(xy[:-1, 0] * xy[1:, 1] - xy[1:, 0] * xy[:-1, 1])
        assert (area > 0.0) == (nest.direction == "ccw")
        whole = np.pi * size**2 if shape == "circle" else 4.0 * size**2
        assert abs(area) == pytest.approx(whole, rel=1e-3)
        assert np.abs(xy[0] - xy[-1]).max() < 1e-6
    for stroke in (*test.extras(), *test.caption_strokes()):
        assert LineString(places(next(drawn), frame)).hausdorff_distance(LineString(stroke)) < 1e-6
    assert next(drawn, None) is None


def test_circles_are_true_arcs_of_their_radius(tmp_path):
    test = gs.ring_test(("circle",), spacing=10.0, largest=50.0, start_deg=17.0)
    _, frame, paths = read(test.to_svg(tmp_path / "test.svg"))
    assert list(paths) == [f"circle-{k}" for k in range(5)]
    for k, path in enumerate(paths.values()):
        arcs = [segment for segment in path if isinstance(segment, svgpathtools.Arc)]
        assert len(arcs) == 4
        for arc in arcs:
            assert arc.radius == pytest.approx(complex(10 * (k + 1), 10 * (k + 1)), abs=1e-6)
            centre = (frame[0] + arc.center.real, frame[1] - arc.center.imag)
            assert centre == pytest.approx((215.0, 200.0), abs=1e-6)


def test_the_page_is_in_millimetres_and_holds_everything(tmp_path):
    test = gs.ring_test(spacing=10.0, **FULL)
    root, frame, paths = read(test.to_svg(tmp_path / "test.svg"))
    assert root.tag == f"{SVG}svg"
    wide, high = (float(root.get(name).removesuffix("mm")) for name in ("width", "height"))
    assert root.get("viewBox") == f"0 0 {wide:g} {high:g}"
    at = np.concatenate([places(path, np.zeros(2)) for path in paths.values()]) * (1.0, -1.0)
    assert at.min(axis=0) == pytest.approx((MARGIN, MARGIN), abs=1e-6)
    assert at.max(axis=0) == pytest.approx((wide - MARGIN, high - MARGIN), abs=1e-6)
    assert frame[0] + MARGIN == pytest.approx(165.0 - 8.0, abs=1e-6)  # the left cross
    # right way up: the caption, below the rings in the machine frame, is low on the page
    assert places(paths["caption-0"], np.zeros(2))[0, 1] < -0.8 * high


def test_groups_tell_shape_and_ring_and_colours_tell_rings_mark_and_caption(tmp_path):
    test = gs.ring_test(spacing=25.0, passes=3, **FULL)
    root, _, _ = read(test.to_svg(tmp_path / "test.svg"))
    drawing = root.find(f"{SVG}g")
    groups = {g.get("id"): g for g in drawing.findall(f"{SVG}g")}
    names = ["circles", "squares", "orientation-mark", "scale-reference", "caption"]
    assert list(groups) == names
    colours = [groups[name].get("stroke") for name in names]
    assert colours[0] == colours[1] != colours[2] == colours[3] != colours[4]
    assert colours[0] != colours[4]
    title = groups["circles"].find(f"{SVG}g[@id='circle-1']/{SVG}title").text
    assert title == "2 of 33: circle 2, radius 50 mm, 3 passes"
    ids = [element.get("id") for element in root.iter() if element.get("id")]
    assert len(set(ids)) == len(ids)
    assert float(drawing.get("stroke-width")) <= 0.1
    assert drawing.get("fill") == "none"


def test_a_ring_visited_twice_is_drawn_twice_in_its_place(tmp_path):
    test = gs.ring_test(("circle",), spacing=25.0)
    again = replace(test, sequence=(("circle", 0, 1), ("circle", 1, 1), ("circle", 0, 1)))
    _, _, paths = read(again.to_svg(tmp_path / "test.svg"))
    assert list(paths) == ["circle-0", "circle-1", "circle-0-visit-2"]


def test_it_says_how_often_and_in_which_order_it_must_be_burned(tmp_path):
    again = replace(
        gs.ring_test(("circle",), spacing=25.0),
        passes=2,
        sequence=(("circle", 1, 2), ("circle", 0, 1), ("circle", 1, 1)),
    )
    root, _, _ = read(again.to_svg(tmp_path / "test.svg"))
    words = root.find(f"{SVG}desc").text
    assert "3 paths one after another in the order of this file" in words
    assert "(2 passes at most)" in words
    titles = [g.find(f"{SVG}title").text for g in root.findall(f"{SVG}g/{SVG}g/{SVG}g")]
    assert titles == [
        "1 of 3: circle 2, radius 50 mm, 2 passes",
        "2 of 3: circle 1, radius 25 mm, 1 pass",
        "3 of 3: circle 2, radius 50 mm, 1 pass",
    ]


def test_text_is_escaped():
    page = svg._Page(np.zeros((2, 2)))
    text = page.whole("<t&>", "a < b & c", [page.note("x < & y")])
    root = ET.fromstring(text)
    assert root.find(f"{SVG}title").text == "<t&>"
    assert root.find(f"{SVG}desc").text.startswith("a < b & c")
    assert root.find(f"{SVG}g/{SVG}text").text == "x < & y"


def test_files_are_not_replaced_unasked(tmp_path):
    test = gs.ring_test(spacing=25.0)
    path = test.to_svg(tmp_path / "test.svg")
    with pytest.raises(FileExistsError, match="pass overwrite=True"):
        test.to_svg(path)
    test.to_svg(path, overwrite=True)
    with pytest.raises(FileNotFoundError, match="does not exist"):
        test.to_svg(tmp_path / "nowhere" / "test.svg")


def test_a_burn_is_drawn_with_its_magnification_written_on_it(tmp_path):
    machine = gs.Machine().with_faults(gs.faults.TightWheels("left", extra_force=12.0))
    burn = gs.simulate(machine, gs.ring_test(spacing=25.0, orientation_mark=True), step=2.0)
    path = burn.to_svg(tmp_path / "burn.svg", magnify=20)
    root = ET.parse(path).getroot()
    assert root.find(f".//{SVG}text").text == "errors drawn 20 times larger"
    desc = root.find(f"{SVG}desc").text
    found = re.search(r"plus (-?[\d.]+), machine y is (-?[\d.]+) less", desc)
    frame = np.array([float(found[1]), float(found[2])])
    predicted = root.find(f".//{SVG}g[@id='predicted']").findall(f"{SVG}path")
    assert len(predicted) == len(burn.lines) + len(burn.beside)
    for element, line, wanted in zip(predicted, burn.lines, burn.commanded, strict=False):
        drawn = svgpathtools.parse_path(element.get("d"))
        xy = np.array([[s.start.real, s.start.imag] for s in drawn])
        xy = np.column_stack([frame[0] + xy[:, 0], frame[1] - xy[:, 1]])
        want = magnified(wanted, line.xy, 20.0)
        assert np.abs(xy - want[: len(xy)]).max() < 1e-6
        assert len(xy) >= len(want) - 1
    with pytest.raises(ValueError, match="magnify must be above zero"):
        burn.to_svg(path, magnify=0.0, overwrite=True)
