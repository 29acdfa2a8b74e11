"""Features of drawings, what machines make of them, and bad input."""

from __future__ import annotations

import dataclasses
import math

import matplotlib as mpl
import numpy as np
import pytest
from cutparts import Ring, path_of, rectangle, tab_and_slot
from hypothesis import given
from hypothesis import strategies as st
from reduced import reduced
from shapely.geometry import LineString, Polygon
from shapely.geometry import box as sbox
from shapely.ops import polygonize, unary_union

import gantrysim as gs
from gantrysim.inference.parameters import Belief
from gantrysim.part import (
    Kerf,
    Mating,
    PartReading,
    PartSheet,
    drawing_of,
    predict_matings,
    predict_part,
    read_drawing,
    read_features,
    read_part_sheet,
    write_part_sheet,
)
from gantrysim.part.believed import MET, of_belief
from gantrysim.part.kerf import kerf_of
from gantrysim.part.prediction import predicted
from gantrysim.pattern import Move
from gantrysim.records import limits

mpl.use("Agg")
TABBED = drawing_of(tab_and_slot())


# Features


def test_the_features_of_a_part_are_found_by_kind():
    drawn = {f.name: (f.kind, round(f.drawn, 2), f.side) for f in TABBED.features}
    assert drawn["S1"] == ("slot", 3.35, 1)
    assert drawn["S2"] == ("slot", 3.1, 1)
    assert drawn["S3"] == ("slot", 3.1, 1)
    assert drawn["S3l"] == ("slot, length", 20.0, 1)
    assert drawn["H1"] == ("hole, mean diameter", 30.1, 1)
    assert drawn["D1x"] == ("disc, diameter along x", 30.0, -1)
    assert drawn["W1"] == ("width", 100.0, -1)
    assert drawn["W2"] == ("width", 12.0, -1)
    assert drawn["A1"] == ("angle", 90.0, 0)
    assert TABBED.odd == {"S1": pytest.approx(3.10)}


@pytest.mark.parametrize(("other", "odd"), [(3.3, True), (3.1, True), (3.01, False), (5.0, False)])
def test_one_slot_of_three_that_is_drawn_otherwise_is_pointed_out(other, odd):
    """A tenth is still near, whichever way its digits round."""
    slots = [rectangle(110 + 10 * k, 110, w, 20) for k, w in enumerate((3.0, 3.0, other))]
    found = drawing_of(path_of([*slots, rectangle(100, 100, 60, 40)])).odd
    assert list(found.values()) == ([pytest.approx(3.0)] if odd else [])


def test_names_do_not_depend_on_order_direction_and_start():
    one = path_of([rectangle(100, 100, 60, 40), rectangle(110, 110, 20, 3), Ring((145, 120), 5)])
    other = path_of(
        [
            Ring((145, 120), 5, 77.0, -math.tau),
            rectangle(110, 110, 20, 3, start=2, cw=True),
            rectangle(100, 100, 60, 40, start=3),
        ]
    )
    told = [[(f.name, round(f.drawn, 6)) for f in drawing_of(p).features] for p in (one, other)]
    assert sorted(told[0]) == sorted(told[1])


@given(
    wide=st.floats(4.0, 60.0),
    high=st.floats(4.0, 60.0),
    turn=st.floats(-1.5, 1.5),
    hole=st.floats(0.2, 0.6),
)
def test_turned_plates_with_a_hole_against_shapely(wide, high, turn, hole):
    c, s = math.cos(turn), math.sin(turn)

    def turned(corners):
        return [(120 + c * x - s * y, 120 + s * x + c * y) for x, y in corners]

    outer = turned(rectangle(0, 0, wide, high))
    inner = turned(rectangle(0.2 * wide, 0.2 * high, hole * wide, hole * high))
    drawing = drawing_of(path_of([inner, outer]))
    inside, outside = Polygon(inner), Polygon(outer)
    found = sorted(drawing.outlines, key=lambda o: o.depth)
    assert [o.depth for o in found] == [0, 1]
    assert outside.contains(inside)
    assert Polygon(found[0].polygon).equals_exact(outside, 1e-6) or Polygon(
        found[0].polygon
    ).symmetric_difference(outside).area == pytest.approx(0.0, abs=1e-6)
    sizes = {f.name: f.drawn for f in drawing.features}
    box = outside.minimum_rotated_rectangle.exterior.coords
    sides = sorted(math.dist(box[k], box[k + 1]) for k in range(2))
    own = sorted(v for k, v in sizes.items() if k[0] in "WL")
    assert own == pytest.approx(sides, abs=1e-6)
    slots = sorted(v for k, v in sizes.items() if k[0] == "S")
    expected = sorted((hole * wide, hole * high))
    if min(expected) >= 1.0:
        assert slots == pytest.approx(expected, abs=1e-6)


def test_nesting_of_many_rings_against_shapely():
    rng = np.random.default_rng(5)
    shapes = []
    for k in range(6):
        middle = (80.0 + 40.0 * (k % 3), 100.0 + 40.0 * (k // 3))
        for radius in np.sort(rng.uniform(2.0, 18.0, 4)) + np.arange(4) * 0.2:
            shapes.append(Ring(middle, float(radius), float(rng.uniform(0, 360))))
    drawing = drawing_of(path_of([shapes[k] for k in rng.permutation(len(shapes))]))
    polygons = [Polygon(o.polygon) for o in drawing.outlines]
    for outline, polygon in zip(drawing.outlines, polygons, strict=True):
        about = sum(other.contains(polygon) for other in polygons if other is not polygon)
        assert outline.depth == about


def test_a_circle_of_many_chords_is_a_circle_and_an_octagon_is_none():
    def ngon(n):
        at = np.arange(n) * math.tau / n
        return [(150 + 10 * math.cos(a), 150 + 10 * math.sin(a)) for a in at]

    assert drawing_of(path_of([ngon(48)])).names == ("D1", "D1x", "D1y")
    assert drawing_of(path_of([ngon(48)]))["D1"].drawn == pytest.approx(20.0, abs=0.02)
    octagon = drawing_of(path_of([ngon(8)]))
    apothem = 20.0 * math.cos(math.pi / 8)
    widths = [f.drawn for f in octagon.features if f.unit == "mm"]
    assert widths == pytest.approx([apothem] * 4, abs=1e-6)


def test_lines_in_any_order_make_outlines_and_what_closes_nothing_is_engraved():
    a, b, c, d = rectangle(100, 100, 30, 20)
    here, moves = (0.0, 0.0), []
    for start, end in ((a, b), (d, c), (b, c), (d, a), ((110, 110), (120, 110))):
        moves.append(Move(here, start, False, 100.0))
        moves.append(Move(start, end, True, 20.0))
        here = end
    drawing = drawing_of(gs.Toolpath(tuple(moves)))
    assert len(drawing.outlines) == 1
    assert len(drawing.open_lines) == 1
    assert drawing["W1"].drawn == pytest.approx(30.0)


def test_an_outline_cut_twice_has_two_passes():
    drawing = drawing_of(path_of([rectangle(100, 100, 30, 20), rectangle(100, 100, 30, 20)]))
    assert len(drawing.outlines) == 1
    assert len(drawing.outlines[0].passes) == 2


def test_features_are_renamed_added_and_left_out(tmp_path):
    path = tmp_path / "names.toml"
    path.write_text(
        'leave_out = ["A1"]\n[rename]\nS2 = "slot A"\n'
        '[[add]]\nname = "wall"\nfrom_mm = [150.0, 85.0]\nto_mm = [140.5, 82.0]\n'
        '[[add]]\nname = "apart"\nbetween = ["H1", "D1"]\n'
    )
    drawing = read_features(path, TABBED)
    assert drawing["slot A"].drawn == pytest.approx(3.10)
    assert "A1" not in drawing.names
    assert drawing["wall"].drawn == pytest.approx(10.0)
    assert drawing["wall"].side == -1
    assert drawing["apart"].drawn == pytest.approx(math.hypot(35.0, 54.0))


def test_svg_and_motion_code_come_back_with_the_same_sizes(tmp_path):
    test = gs.ring_test(spacing=10.0, largest=30.0, layout="side_by_side", centre=(150.0, 150.0))
    svg = test.to_svg(tmp_path / "rings.svg")
    code = test.to_motion_code(tmp_path / "rings.nc", power=0.5, s_max=255.0)
    one, other = read_drawing(svg), read_drawing(code)
    assert [f.name for f in one.features] == [f.name for f in other.features]
    sizes = np.array([[f.drawn for f in d.features] for d in (one, other)])
    assert np.abs(sizes[0] - sizes[1]).max() < 1e-4


# What machines make of them


def lossy(force: float) -> gs.Machine:
    """A machine that loses force / stiffness on each axis and bends nowhere else."""
    return reduced((force, force, force), (50.0,) * 3)


@pytest.mark.parametrize(
    "how, above, lost",
    [
        # counter-clockwise from the lower left, come to from below: bottom and top both going up
        ({}, False, (2.0, 0.0)),
        # come to from above: the bottom is burned going down
        ({}, True, (2.0, 2.0)),
        # begun in the lower right, going up: each side is reached another way than its opposite
        ({"start": 1}, False, (2.0, 2.0)),
        # clockwise from the lower left: the left side is burned first, still going right
        ({"cw": True}, False, (0.0, 2.0)),
        ({"cw": True}, True, (0.0, 2.0)),
    ],
)
def test_lost_motion_of_a_slot_follows_from_order_start_and_direction(how, above, lost):
    """An axis with drag F on stiffness k lags F/k behind the way that it last moved.

    Two sides that are reached the same way are as far apart as drawn, else they lose 2 F/k.
    """
    shapes = [rectangle(150, 150, 20.0, 4.0, **how)]
    shapes.insert(0, rectangle(120, 210 if above else 100, 9.0, 9.0))
    drawing = drawing_of(path_of(shapes))
    machine = lossy(5.0)
    lag = machine.carriage.friction / machine.belt_x.stiffness(160.0)
    found = predict_part(machine, drawing, kerf=0.0, motion="slow")
    size = {round(f.drawn): found[f.name].predicted - f.drawn for f in drawing.features}
    assert size[20] == pytest.approx(-lost[0] * lag, abs=1e-4)
    assert size[4] == pytest.approx(-lost[1] * lag, abs=1e-4)


def test_play_on_a_hole_and_its_disc_is_the_same_and_the_clearance_stays():
    drawing = drawing_of(path_of([Ring((150, 150), 10.1), Ring((200, 150), 10.0),
                                  rectangle(130, 130, 40, 40)]))  # fmt: skip
    tight = gs.Machine().with_faults(gs.faults.TightCarriage(8.0))
    found = predict_part(tight, drawing, kerf=0.0, motion="slow")
    lost = [found[name].predicted - found[name].feature.drawn for name in ("H1x", "D1x")]
    assert lost[0] == pytest.approx(lost[1], abs=0.08)  # belts differ from place to place
    assert max(lost) < -0.25
    pair = predict_matings(tight, drawing, [Mating("H1", "D1", (0.0, 0.4))], kerf=0.0)[0]
    assert pair.now.goes > 0.9
    assert pair.now.turned < 0.1
    assert pair.now.outlook == "goes together only as drawn, not turned, and is not loose"
    assert "(0.00 to 0.40 mm wanted): now clearance" in pair.words
    assert "as drawn and below 0.01 turned by any angle" in pair.words


def test_kerf_opens_what_is_inside_and_shrinks_what_is_outside():
    plain, cut = (predict_part(gs.Machine(), TABBED, kerf=k, motion="slow") for k in (0.0, 0.2))
    for name, by in (("S1", 0.2), ("H1x", 0.2), ("W1", -0.2), ("D1y", -0.2), ("A1", 0.0)):
        assert cut[name].predicted - plain[name].predicted == pytest.approx(by, abs=1e-9)


def test_a_flat_that_may_be_there_widens_a_size_by_its_bump():
    """Half a chance of 0.18 mm off a wheel, of which the beam shifts by an eighth.

    Mean squares of a log-normal shift, exp(2 s^2) times that of its median, in sizes along x, and
    of a yaw of 0.8 of the depth, either way, in those along y: its lever is even over the span.
    """
    machine = gs.Machine()
    drawing = drawing_of(path_of([rectangle(100.0, 100.0, 40.0, 30.0)]))
    belief = Belief.fresh(machine.catalogue().scatter)
    weights = {(): 0.5, ("wheel_flat_left",): 0.5}
    rng = np.random.default_rng(1)
    told = dataclasses.replace(belief, weights=weights)
    flat = of_belief(told, machine, 4, rng, "a belief")
    plain = dataclasses.replace(flat, bump=0.0)
    assert flat.unknown == 0.0
    deep = 0.18**2 * math.exp(2.0 * 0.5**2)
    square = deep * (math.exp(2.0 * 0.25**2) / 64.0 + 0.8**2 / 12.0) / 2.0
    assert flat.bump == pytest.approx(math.sqrt(0.5 * MET * square), rel=0.2)
    fault = machine.catalogue().named("wheel_flat_left")
    depth, *rest = fault.parameters
    deeper = (dataclasses.replace(depth, centre=4.0 * depth.centre), *rest)
    sized = dataclasses.replace(told, sizes={fault.key: deeper})
    assert of_belief(sized, machine, 4, rng, "a belief").bump > 1.5 * flat.bump
    models = [predicted(each, drawing, kerf_of(0.1), "slow").model for each in (flat, plain)]
    assert np.sqrt(models[0] ** 2 - models[1] ** 2)[0] == pytest.approx(flat.bump)


def test_a_perfect_machine_cuts_what_is_drawn():
    found = predict_part(reduced((0.0, 0.0, 0.0), (1e3,) * 3), TABBED, kerf=0.0, motion="slow")
    for size in found.sizes:
        assert size.predicted == pytest.approx(size.feature.drawn, abs=2e-3)


def test_the_tab_and_slot_part_of_a_machine_with_a_tight_carriage():
    """Sizes that a small shop worked out, and an independent simulator found, for such a part.

    The drag is that which makes slot C as narrow; where on the bed the part lay is not known, so
    the other sizes are to agree to 0.06 mm.
    """
    tight = gs.Machine().with_faults(gs.faults.TightCarriage(9.5))
    found = predict_part(tight, TABBED, kerf=0.0)
    healthy = predict_part(gs.Machine(), TABBED, kerf=0.0)
    table = {
        "S2": (3.10, 3.11), "S1": (3.22, 3.27), "S3": (2.69, 2.75), "W2": (11.57, 11.60),
        "H1x": (29.73, 29.72), "H1y": (29.96, 29.98), "D1x": (29.57, 29.58),
        "D1y": (29.86, 29.86),
    }  # fmt: skip
    for name, (shop, simulator) in table.items():
        low, high = min(shop, simulator) - 0.06, max(shop, simulator) + 0.06
        assert low < found[name].predicted < high, name
    assert healthy["S3"].predicted == pytest.approx(3.05, abs=0.03)
    for way in "xy":
        wanted = Mating(f"H1{way}", f"D1{way}", (0.0, 0.3))
        pair = predict_matings(tight, TABBED, [wanted], kerf=0.0)[0]
        assert pair.now.goes > 0.9, "the clearance survives"


# Sheets


def test_a_sheet_goes_round_by_hand(tmp_path):
    path = write_part_sheet(tmp_path / "sizes.csv", TABBED, features=["S2", "H1x"])
    text = path.read_text().replace("slot,3.100,", "slot,3.100,3.07")
    path.write_text(text)
    sheet = read_part_sheet(path, TABBED)
    assert [(r.name, r.value) for r in sheet.readings] == [("S2", 3.07)]
    assert sheet.expected(gs.Machine()).values == pytest.approx([3.25], abs=0.05)
    again = read_part_sheet(sheet.to_csv(tmp_path / "again.csv"), TABBED)
    assert again.readings == sheet.readings


def reading(name, value, drawn=None):
    return PartReading(name, TABBED[name].drawn if drawn is None else drawn, value)


@pytest.mark.parametrize(
    "readings, words",
    [
        ([reading("S2", 0.122)], r"S2 must be near the 3\.10 mm drawn.*looks like inches"),
        ([reading("D1", 15.0)], r"D1 must be near.*looks like a radius"),
        ([reading("W1", 9.98)], r"W1 must be near.*looks like cm"),
        ([reading("S2", 3.1, 3.6)], r"must be of tab and slot.*another part"),
        (
            [PartReading("S9", 3.1, 3.1)],
            r"bench: tab and slot: the name of a feature must be.*found 'S9'",
        ),
        ([PartReading("A1", 90.0, 90.0)], r"A1 must be a length"),
    ],
)
def test_slips_in_a_sheet_are_noticed_and_asked(readings, words):
    with pytest.raises(ValueError, match=words):
        PartSheet(TABBED, tuple(readings), "bench")


NAMED = """<svg xmlns="http://www.w3.org/2000/svg" width="120mm" height="90mm"
 viewBox="0 0 120 90"><rect id="left" x="20" y="40" width="20" height="3.1"/>
 <rect id="right" x="60" y="40" width="20" height="3.3"/><circle id="hole" cx="50" cy="60" r="6"/>
 <rect id="plate" x="10" y="10" width="100" height="70"/></svg>"""


def test_a_sheet_names_shapes_by_their_ids_and_needs_no_drawn_sizes(tmp_path):
    (tmp_path / "part.svg").write_text(NAMED)
    drawing = read_drawing(tmp_path / "part.svg", corner=(100.0, 100.0))
    slot = next(f for f in drawing.features if f.outline == "right" and f.kind == "slot")
    assert drawing["right"] is slot
    sizes = tmp_path / "sizes.csv"
    sizes.write_text(f"name,value_mm\nright,3.27\n{slot.name}l,19.98\n")
    read = read_part_sheet(sizes, drawing).readings
    told = [(slot.name, 3.3, 3.27), (f"{slot.name}l", 20.0, 19.98)]
    assert [(r.name, round(r.drawn, 3), r.value) for r in read] == told
    sizes.write_text("name,drawn_mm,value_mm\nright,3.1,3.27\n")
    with pytest.raises(ValueError, match=r"sheet of another part"):
        read_part_sheet(sizes, drawing)
    for word, names in (("plate", "W1, L1|L1, W1"), ("hole", "H1, H1x, H1y")):
        with pytest.raises(ValueError, match=rf"'{word}' has more than one size.*one of ({names})"):
            _ = drawing[word]
    both = [{"right": 3.3}, {slot.name: 3.3}]
    sound = (gs.Machine(), drawing)
    how = {"healthy": gs.Machine(), "motion": "slow", "kerf": 0.1}
    one, other = (gs.part.judge_part(*sound, intended=size, **how).to_dict() for size in both)
    assert one == other
    with pytest.raises(ValueError, match=rf"intended must name each.*found {slot.name} twice"):
        gs.part.judge_part(*sound, intended=both[0] | both[1], **how)
    sheet = PartSheet(drawing, (PartReading("right", math.nan, 3.27),), "bench")
    pair = {"matings": [Mating("right", (3.0, 0.01), (0.1, 0.4))]}
    asked = gs.Tolerance(size=0.1)
    judged = [gs.accept(sheet, asked, intended=size, **pair).to_dict() for size in both]
    assert judged[0] == judged[1]
    kept = drawing.with_features({"leave_out": ["right"], "rename": {"left": "shelf"}}).names
    assert slot.name not in kept
    assert "shelf" in kept


# Bad input


def test_an_outline_with_a_gap_is_refused():
    corners = rectangle(100, 100, 30, 20)
    moves = [Move((0.0, 0.0), corners[0], False, 100.0)]
    ends = [*corners[1:], (100.0, 100.4)]
    start = corners[0]
    for end in ends:
        moves.append(Move(start, end, True, 20.0))
        start = end
    with pytest.raises(ValueError, match=r"outline must be closed.*gap of 0\.40 mm between"):
        drawing_of(gs.Toolpath(tuple(moves)))


@pytest.mark.parametrize(
    "shapes, words",
    [
        (
            [[(100, 100), (130, 130), (130, 100), (100, 130)]],
            r"crosses itself near \(115\.0, 115\.0\)",
        ),
        ([rectangle(100, 100, 30, 20), rectangle(120, 110, 30, 20)], r"crosses another near"),
    ],
)
def test_crossing_outlines_are_refused(shapes, words):
    with pytest.raises(ValueError, match=words):
        drawing_of(path_of(shapes))
    lines = unary_union([LineString([*s, s[0]]) for s in shapes])
    assert len(list(polygonize(lines))) > len(shapes)


def test_a_side_over_many_small_outlines_is_compared_with_all_of_them():
    # the long sides of the plate lie over more than are compared in step; one hole crosses its top
    plate = rectangle(100.0, 100.0, 200.0, 40.0)
    holes = [rectangle(101.0 + 4.0 * k, 101.0 + 4.0 * (k % 9), 2.0, 2.0) for k in range(49)]
    assert len(drawing_of(path_of([*holes, plate])).outlines) == 50
    with pytest.raises(ValueError, match=r"crosses another near \(29[78]\.\d, 140\.\d\)"):
        drawing_of(path_of([*holes, rectangle(297.0, 139.0, 2.0, 2.0), plate]))


def test_more_outlines_than_a_part_has_are_refused(monkeypatch):
    monkeypatch.setattr(limits, "OUTLINES", 3)
    holes = [rectangle(101.0 + 4.0 * k, 101.0, 2.0, 2.0) for k in range(3)]
    assert len(drawing_of(path_of(holes)).outlines) == 3
    with pytest.raises(ValueError, match=r"up to 3 closed outlines.*found 4; leave out"):
        drawing_of(path_of([*holes, rectangle(100.0, 100.0, 20.0, 9.0)]))


def test_a_drawing_says_its_unit_or_is_asked(tmp_path):
    bare = tmp_path / "bare.svg"
    shape = '<rect x="10" y="10" width="40" height="20"/>'
    bare.write_text(f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 100 100">{shape}</svg>')
    with pytest.raises(ValueError, match=r"unit of the drawing must be stated"):
        read_drawing(bare)
    assert read_drawing(bare, unit="mm")["W1"].drawn == pytest.approx(40.0)
    assert read_drawing(bare, unit="px")["W1"].drawn == pytest.approx(40.0 * 25.4 / 96)
    code = tmp_path / "job.nc"
    body = "G90\nM3 S1\nF600\nG0 X10 Y10\nG1 X50\nG1 Y30\nG1 X10\nG1 Y10\nM2\n"
    code.write_text(body)
    with pytest.raises(ValueError, match=r"unit of the drawing must be stated"):
        read_drawing(code)
    code.write_text(f"G21\n{body}")
    assert read_drawing(code)["W1"].drawn == pytest.approx(40.0)
    with pytest.raises(ValueError, match=r"unit must be 'mm' as the file states"):
        read_drawing(code, unit="inch")


def test_what_is_larger_than_the_travel_or_not_there_is_refused():
    large = drawing_of(path_of([rectangle(10, 10, 900.0, 20.0)]))
    with pytest.raises(ValueError, match=r"the part of part goes from 0\.0 to 910\.0 mm in x"):
        predict_part(gs.Machine(), large)
    with pytest.raises(ValueError, match=r"name of a feature must be one of .*found 'S7'"):
        _ = TABBED["S7"]
    with pytest.raises(ValueError, match=r"W1 must be a slot or hole"):
        predict_matings(gs.Machine(), TABBED, [Mating("W1", (3.0, 0.1), (0.0, 0.1))])
    with pytest.raises(ValueError, match=r"kerf must be 0 to 2 mm"):
        predict_part(gs.Machine(), TABBED, kerf=15.0)


def test_everything_shows_itself(tmp_path):
    found = predict_part(gs.Machine(), TABBED, kerf=Kerf(0.15, 0.02))
    pairs = predict_matings(gs.Machine(), TABBED, [Mating("H1", "D1", (0.0, 0.3))], kerf=0.1)
    for thing in (TABBED, found, pairs):
        assert "tab and slot" in repr(thing)
        assert "<table" in thing._repr_html_()
        assert thing.plot().figure is not None
        assert thing.to_dict()["source"] == "tab and slot"
    assert "S2" in TABBED.to_csv(tmp_path / "a.csv").read_text()
    assert "S2" in found.to_csv(tmp_path / "b.csv").read_text()
    mpl.pyplot.close("all")


def test_names_in_a_picture_cover_neither_outlines_nor_each_other():
    ax = TABBED.plot()
    ax.figure.canvas.draw()
    named = [text for text in ax.texts if text.get_text()[0] in "SWLTH" and text.get_bbox_patch()]
    boxes = [text.get_bbox_patch().get_window_extent() for text in named]
    assert len(boxes) >= 8
    for k, box in enumerate(boxes):
        assert not any(box.overlaps(other) for other in boxes[:k]), named[k]
    place = ax.get_window_extent()
    for text in (text for text in ax.texts if text.get_bbox_patch()):
        shown = text.get_window_extent()
        assert place.x0 < shown.x0 < shown.x1 < place.x1, text
        assert shown.width > 20.0, f"{text} is hidden"
    slots = [Polygon(o.polygon).boundary for o in TABBED.outlines if o.inside]
    back = ax.transData.inverted()
    for text, box in zip(named, boxes, strict=True):
        if text.get_text()[0] == "S":
            corners = back.transform([(box.x0, box.y0), (box.x1, box.y1)])
            assert not any(s.intersects(sbox(*corners.ravel())) for s in slots), text
    mpl.pyplot.close("all")


def test_what_a_drawing_calls_its_outlines_stands_beside_their_features(tmp_path):
    path = tmp_path / "named.svg"
    shapes = (
        '<rect id="plate" x="10" y="10" width="60" height="40"/>'
        '<rect id="slot-A" x="20" y="20" width="20" height="3"/>'
        '<circle id="=x" cx="55" cy="30" r="5"/><g id="pin"><circle cx="20" cy="40" r="4"/></g>'
    )
    page = 'xmlns="http://www.w3.org/2000/svg" width="100mm" height="100mm" viewBox="0 0 100 100"'
    path.write_text(f'<svg id="page" {page}>{shapes}</svg>')
    drawing = read_drawing(path)
    assert {f.name: f.outline for f in drawing.features if f.name[0] in "SWH"} == {
        "S1": "slot-A", "S1l": "slot-A", "W1": "plate", "H1": "pin", "H1x": "pin", "H1y": "pin",
        "H2": "", "H2x": "", "H2y": "",
    }  # fmt: skip
    assert '  S1: "slot-A", slot, 3.00 mm' in drawing.report()
    sheet = write_part_sheet(tmp_path / "sizes.csv", drawing).read_text()
    assert "S1,slot-A slot,3.000," in sheet
    with pytest.raises(ValueError, match="names must be one a move"):
        gs.Toolpath(drawing.path.moves, names=("plate",))
