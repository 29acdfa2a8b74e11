"""A customer's path from SVG, against svgpathtools, a general-purpose reader of path data."""

from __future__ import annotations

import math
import re

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from shapely.geometry import LineString, MultiLineString, Point

import gantrysim as gs
from gantrysim.formats.pathdata import Affine, Allowance, segments_of

svgpathtools = pytest.importorskip("svgpathtools", reason="svgpathtools is not installed.")
TOLERANCE = 0.002


def drawing(tmp_path, body, page='width="200mm" height="100mm" viewBox="0 0 200 100"', **how):
    path = tmp_path / "job.svg"
    path.write_text(f'<svg xmlns="http://www.w3.org/2000/svg" {page}>{body}</svg>')
    return gs.read_svg(path, **how)


def drawn(path, step=0.2):
    return MultiLineString([s.xy for s in path.strokes(step) if s.shape != "travel"])


number = st.floats(-40.0, 40.0).map(lambda v: round(v, 3))
COMMANDS = {"L": 2, "H": 1, "V": 1, "C": 6, "S": 4, "Q": 4, "T": 2, "A": 7, "M": 2, "Z": 0}


@st.composite
def path_data(draw):
    parts = [f"M {draw(number)} {draw(number)}"]
    for _ in range(draw(st.integers(1, 7))):
        letter = draw(st.sampled_from("LHVCSQTAZM"))
        written = draw(st.sampled_from([letter, letter.lower()]))
        values = [str(draw(number)) for _ in range(COMMANDS[letter])]
        if letter == "A":
            values[0] = str(round(draw(st.floats(2.0, 40.0)), 3))
            values[1] = draw(st.sampled_from([values[0], "7.5"]))
            values[3], values[4] = draw(st.sampled_from("01")), draw(st.sampled_from("01"))
        parts.append(written + draw(st.sampled_from([" ", ","])).join(values))
        if letter == "Z":
            parts.append(f"L {draw(number)} {draw(number)}")
    return " ".join(parts)


def points_of(segments):
    lines = []
    for s in segments:
        ends = (s.start.real, s.start.imag), (s.end.real, s.end.imag)
        centre = None if s.centre is None else (s.centre.real, s.centre.imag)
        lines.append(gs.pattern.Move(*ends, True, 1.0, centre, s.turn).points(0.02))
    return lines


@settings(max_examples=200, deadline=None)
@given(data=path_data())
def test_path_data_reads_as_an_outside_reader_reads_it(data):
    try:
        parsed = svgpathtools.parse_path(data)
    except AssertionError:  # it knows no arc that ends where it starts
        assume(False)
    # a line that ends where it starts draws nothing
    theirs = [s for s in parsed if s.start != s.end or not isinstance(s, svgpathtools.Line)]
    mine = points_of(segments_of(data, Affine(), TOLERANCE, Allowance()))
    if not mine:
        assert all(abs(s.start - s.end) < 1e-9 for s in theirs)
        return
    shape = MultiLineString(mine)
    for segment in theirs:
        for t in np.linspace(0.0, 1.0, 23):
            z = segment.point(t)
            assert shape.distance(Point(z.real, z.imag)) < 2 * TOLERANCE
    many = np.linspace(0.0, 1.0, 401)
    wanted = sum(abs(np.diff([segment.point(t) for t in many])).sum() for segment in theirs)
    assert shape.length == pytest.approx(wanted, rel=2e-3, abs=0.02)
    assert mine[0][0] == pytest.approx((theirs[0].start.real, theirs[0].start.imag))
    assert mine[-1][-1] == pytest.approx((theirs[-1].end.real, theirs[-1].end.imag), abs=1e-9)


def test_numbers_may_run_together():
    # SVG 1.1 clause 8.3.9 (from memory): blanks may go where the numbers can still be told apart,
    # and arc flags are single digits
    one = segments_of("M10-20L.5.5a5 5 0 0110 0", Affine(), TOLERANCE, Allowance())
    other = segments_of("M 10 -20 L 0.5 0.5 a 5 5 0 0 1 10 0", Affine(), TOLERANCE, Allowance())
    assert one == other
    assert other[1].centre == pytest.approx(5.5 + 0.5j)


def test_a_half_circle_of_the_arc_command():
    # from (0, 0) to (10, 0), sweep 1 is the way of growing angles: by way of (5, -5)
    (arc,) = segments_of("M0 0 A5 5 0 0 1 10 0", Affine(), TOLERANCE, Allowance())
    assert arc.centre == pytest.approx(5 + 0j)
    assert arc.turn == pytest.approx(math.pi)
    # radii too small grow until the ends are reached (appendix F.6.6, from memory)
    (grown,) = segments_of("M0 0 A1 1 0 0 1 10 0", Affine(), TOLERANCE, Allowance())
    assert grown.centre == pytest.approx(5 + 0j)


@pytest.mark.parametrize("direction", ["ccw", "cw"])
def test_a_test_written_and_read_is_burned_as_itself(direction, tmp_path):
    test = gs.ring_test(
        largest=20.0, spacing=10.0, direction=direction, start_deg=30.0,
        orientation_mark=True, caption="A1",
    )  # fmt: skip
    file = test.to_svg(tmp_path / "test.svg")
    low = np.array(test.beside().caption[0]).min()  # any place: only the shape counts
    assert low > 0.0
    root = re.search(r'height="([\d.]+)mm".*?plus ([\d.]+), machine y is ([\d.]+) less',
                     file.read_text(), re.DOTALL)  # fmt: skip
    high, left, top = (float(v) for v in root.groups())
    path = gs.read_svg(file, corner=(left, top - high), travel_speed=test.travel_speed)
    rings = [s.xy for s in (*test.strokes(), *test.beside_strokes()) if s.shape != "travel"]
    assert drawn(path).hausdorff_distance(MultiLineString(rings)) < 0.02  # sampled alike, mm
    machine = gs.Machine().with_faults(gs.faults.TightWheels("left", extra_force=8.0))
    burned = gs.simulate(machine, path)
    ring_burn = gs.simulate(machine, test)
    assert burned.rms_error() == pytest.approx(ring_burn.rms_error(), rel=0.1)
    arcs = [m for m in path.moves if m.centre is not None]
    assert all((m.turn > 0) == (direction == "ccw") for m in arcs)
    assert {round(m.radius, 6) for m in arcs} == {10.0, 20.0}


def test_shapes_stand_where_the_page_says(tmp_path):
    path = drawing(
        tmp_path,
        '<rect x="10" y="10" width="20" height="5"/><circle cx="100" cy="50" r="30"/>'
        '<line x1="0" y1="0" x2="5" y2="0"/><polyline points="1,1 2,1 2 2"/>'
        '<polygon points="50,90 60,90 60,80"/><ellipse cx="150" cy="50" rx="20" ry="10"/>',
        corner=(20.0, 30.0),
    )
    shape = drawn(path)
    expected = MultiLineString(
        [
            [(30, 120), (50, 120), (50, 115), (30, 115), (30, 120)],
            LineString(Point(120, 80).buffer(30, 512).exterior.coords).coords,
            [(20, 130), (25, 130)],
            [(21, 129), (22, 129), (22, 128)],
            [(70, 40), (80, 40), (80, 50), (70, 40)],
            [
                (170 + 20 * math.cos(t), 80 + 10 * math.sin(t))
                for t in np.linspace(0, math.tau, 999)
            ],
        ]
    )
    assert shape.hausdorff_distance(expected) < 0.2
    assert shape.length == pytest.approx(expected.length, rel=1e-4)
    (arc,) = [m for m in path.moves if m.centre is not None]
    assert arc.centre == pytest.approx((120.0, 80.0))
    # SVG 1.1 clause 9.3 (from memory): a circle runs by way of growing angles from its right; on
    # a page whose y runs down that is clockwise to the eye
    assert arc.turn == pytest.approx(-math.tau)


def test_transforms_nest(tmp_path):
    # a square of 1 turned by 45 degrees about (100, 50), then four times larger about that point
    path = drawing(
        tmp_path,
        '<g transform="translate(100 50) scale(4)"><g transform="rotate(45)">'
        '<rect x="-1" y="-1" width="2" height="2"/></g></g>',
    )
    half = 4.0 * math.sqrt(2.0)
    corners = [(100, 50 - half), (100 + half, 50), (100, 50 + half), (100 - half, 50)]
    assert drawn(path).hausdorff_distance(LineString([*corners, corners[0]])) < 1e-9
    about = drawing(tmp_path, '<path transform="rotate(90 10 10)" d="M10 10 L20 10"/>')
    assert about.moves[-1].end == pytest.approx((10.0, 80.0))
    skewed = drawing(tmp_path, '<path transform="skewX(45)" d="M0 10 L0 20"/>')
    assert skewed.moves[-1].start == pytest.approx((10.0, 90.0))
    over = drawing(
        tmp_path, '<g transform="matrix(-1 0 0 1 100 0)"><circle cx="50" cy="50" r="5"/></g>'
    )
    assert over.moves[-1].turn == pytest.approx(math.tau)


@pytest.mark.parametrize(
    "body",
    [
        '<path d="M0 0L9 9" display="none"/>',
        '<path d="M0 0L9 9" style="fill:red; display : NONE !important"/>',
        '<path d="M0 0L9 9" style="/* x */display:none" display="inline"/>',
        '<g display="none"><path d="M0 0L9 9" display="inline"/><text>not drawn</text></g>',
        '<path d="M0 0L9 9" visibility="hidden"/>',
        '<g style="visibility:collapse"><path d="M0 0L9 9"/></g>',
    ],
)
def test_what_is_hidden_is_not_drawn(body, tmp_path):
    # SVG 1.1 clause 11.5 (from memory)
    kept = '<path d="M20 20 L30 20"/>'
    assert drawing(tmp_path, body + kept).moves == drawing(tmp_path, kept).moves


def test_what_is_hidden_may_show_again(tmp_path):
    shown = '<g visibility="hidden"><path d="M20 20 L30 20" visibility="visible"/></g>'
    plain = '<path d="M20 20 L30 20"/>'
    assert drawing(tmp_path, shown).moves == drawing(tmp_path, plain).moves
    for style in ("visibility:visible", "fill:none;stroke:#000", "display:inline"):
        assert drawing(tmp_path, f'<g style="{style}">{plain}</g>').moves
    sheet = "<style>/* transform: none */ .a{fill:none} text{font-width:3}</style>"
    assert drawing(tmp_path, sheet + plain).moves


def test_points_may_run_together(tmp_path):
    one = drawing(tmp_path, '<polyline points=" 10-20.5.5 3,4 , 5e1 "/>')
    other = drawing(tmp_path, '<polyline points="10,-20.5 0.5,3 4,50"/>')
    assert one.moves == other.moves


def test_units_of_the_page(tmp_path):
    # 96 px = 1 in = 25.4 mm (CSS units, taken over by SVG)
    plain = drawing(tmp_path, '<path d="M0 0 L96 0"/>', page='width="960" height="480"')
    assert plain.moves[-1].end == pytest.approx((25.4, 127.0))
    inch = drawing(
        tmp_path, '<path d="M0 0 L5 0"/>', page='width="1in" height="1in" viewBox="0 0 10 10"'
    )
    assert inch.moves[-1].length == pytest.approx(12.7)
    boxed = drawing(tmp_path, '<path d="M5 5 L101 5"/>', page='viewBox="5 5 200 100"')
    assert boxed.moves[-1].length == pytest.approx(25.4)


@pytest.mark.parametrize(
    "body, page, sentence",
    [
        ("<text>hi</text>", None, "element 'text' is not read; accepted are path"),
        ('<use href="#a" id="copy"/>', None, "element 'use' 'copy' is not read"),
        ("<image/>", None, "element 'image' is not read"),
        ('<rect width="5" height="5" rx="1"/>', None, "rounded corners are not read"),
        ('<path d="L 5 5"/>', None, "element 'path': path data must begin with M, found 'L'"),
        ('<path d="M 5"/>', None, "path data needs a number after 'M', found ''"),
        ('<path d="M 5 5 X 3"/>', None, "path data has the unknown command 'X'"),
        ('<path d="M 5 5 A 5 5 0 2 1 9 9"/>', None, "path data needs a number after 'A'"),
        ('<path d="M0 0 Z 5"/>', None, "path data needs a command, found '5'"),
        ('<path d="M0 0 L1e7 0"/>', None, "a place lies beyond 100000 mm"),
        ('<path d="M0 0 C1e9 0 0 1e9 1e9 1e9"/>', None, "a curve would need"),
        (
            '<path d="M0 0' + "C0 8e4 8e4 0 9 9" * 60 + '"/>', None,
            "more than 300000 elements, transforms, path commands and chords; split the drawing",
        ),
        ('<g transform="spin(3)"/>', None, "transform is not read, found 'spin(3)'"),
        ('<g transform="scale()"/>', None, "transform scale does not take 0 numbers"),
        ('<circle r="-3"/>', None, "a radius must not be negative"),
        ('<circle r="5%"/>', None, "r must be a length in mm, cm, in, pt or px, found '5%'"),
        ('<polygon points="1 2 3"/>', None, "points must be pairs of numbers"),
        ('<path d="M0 0L1 1"/>', 'width="100%" height="5"', "width of the page must be a length"),
        ('<path d="M0 0L1 1"/>', "", "the page needs width and height, or a viewBox"),
        ('<path d="M0 0L1 1"/>', 'viewBox="0 0 5"', "viewBox must be four numbers"),
        (
            '<path d="M0 0L1 1"/>', 'width="5mm" height="5mm" viewBox="0 0 5 9"',
            "width and height of the page must stand in the ratio",
        ),
        ("", None, "a path must draw something"),
        ('<g transform="rotate(1.57rad)"/>', None, "transform rotate must be numbers with blanks"),
        ('<g transform="translate(10px)"/>', None, "transform translate must be numbers"),
        ('<g transform="translate(1,,2)"/>', None, "transform translate must be numbers"),
        ('<g style="transform:scale(3)"/>', None, "transform in a style is not read; write it"),
        ('<circle r="5" style="fill:red; R : 9"/>', None, "r in a style is not read"),
        ('<g transform-origin="5 5"/>', None, "transform-origin is not read"),
        ('<polyline points="0,0 foo 10,10"/>', None, "points must be numbers with blanks"),
        ('<polygon points="0,0 1,1 2"/>', None, "points must be pairs of numbers"),
        ("<style>.a{fill:red; transform:scale(3)}</style>", None, "transform in a style sheet"),
        ("<defs><style>.a{display:none}</style></defs>", None, "display in a style sheet"),
        ('<path d="M0 0L1 1"/>', 'viewBox="0 0 5 x 9 9"', "viewBox must be numbers with blanks"),
        ("<g>" * 150 + "</g>" * 150, None, "lies in more than 100 groups"),
        ("<g>", None, "not readable as XML"),
    ],
)  # fmt: skip
def test_wrong_drawings_are_refused_in_one_sentence(body, page, sentence, tmp_path):
    how = {} if page is None else {"page": page}
    with pytest.raises(ValueError, match=re.escape(sentence)) as error:
        drawing(tmp_path, body, **how)
    assert str(error.value).startswith(str(tmp_path / "job.svg"))
    assert "\n" not in str(error.value)


def test_entities_and_other_documents_are_refused(tmp_path):
    path = tmp_path / "job.svg"
    path.write_text('<!DOCTYPE svg [<!ENTITY a "b">]><svg>&a;</svg>')
    with pytest.raises(ValueError, match="entities are not read"):
        gs.read_svg(path)
    path.write_text("<html/>")
    with pytest.raises(ValueError, match="an svg element is expected, found 'html'"):
        gs.read_svg(path)
    path.write_bytes(b"x" * 21_000_000)
    with pytest.raises(ValueError, match="21 MB are too much; an SVG drawing, at most 20 MB"):
        gs.read_svg(path)
    with pytest.raises(FileNotFoundError, match="an SVG drawing is expected"):
        gs.read_svg(tmp_path / "none.svg")


BODY = st.one_of(
    st.text(alphabet="MLHVCSQTAZmlhvcsqtaz0123456789.-+ ,e", max_size=80).map(
        lambda d: f'<path d="{d}"/>'
    ),
    st.text(alphabet="matrixscletonskwXY()0123456789.-, ", max_size=60).map(
        lambda t: f'<path transform="{t}" d="M0 0L5 5"/>'
    ),
    st.text(alphabet="<>/=\"' gcirclepathd&;0123", max_size=60),
)


@settings(max_examples=400, deadline=None)
@given(body=BODY)
def test_whatever_stands_in_a_drawing_is_read_or_refused_in_one_sentence(body, tmp_path_factory):
    folder = tmp_path_factory.mktemp("fuzz")
    try:
        path = drawing(folder, body)
    except ValueError as error:
        assert str(folder) in str(error)
        assert len(str(error)) < 400 + len(str(folder))
    else:
        for stroke in path.strokes(50.0):
            assert np.isfinite(stroke.xy).all()
