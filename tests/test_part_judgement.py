"""Machine or drawing: shares, verdicts, clearances after a turn, acceptance of parts."""

from __future__ import annotations

import dataclasses
import re

import matplotlib as mpl
import numpy as np
import pytest
from cutparts import measured, path_of, rectangle, tab_and_slot, true_errors
from lifted import lift

import gantrysim as gs
from gantrysim.part import Mating, PartSheet, drawing_of, judge_part, predict_part
from gantrysim.part.judgement import Share

mpl.use("Agg")
DRAWING = drawing_of(tab_and_slot())
TIGHT = gs.Machine().with_faults(gs.faults.TightCarriage(9.5))
#: What the shop wanted, the width of the cut allowed for: sizes of the finished part.
WANTED = {"S2": 3.10, "S1": 3.10, "S3": 3.10, "W2": 12.0, "H1x": 30.10, "H1y": 30.10}
NO_CUT = (0.0, 0.005)


@pytest.fixture(scope="module")
def fit():
    test = gs.ring_test(spacing=8.0, largest=24.0, centre=(170.0, 160.0), passes=1)
    return gs.fit(lift(TIGHT, test, every=2, noise=0.01, seed=4), gs.Machine(), ["tight_carriage"])


@pytest.fixture(scope="module")
def sheet():
    rng = np.random.default_rng(8)
    return measured(DRAWING, true_errors(TIGHT, DRAWING), 0.0, rng, permissible=0.02)


def test_the_table_of_the_tab_and_slot_part(fit, sheet):
    judged = judge_part(fit, DRAWING, sheet, intended=WANTED, limit=0.1, kerf=NO_CUT, draws=60)
    verdicts = {name: judged[name].verdict for name in WANTED}
    assert verdicts["S2"] == "fits"
    assert verdicts["S1"] == "drawing"
    assert judged["S1"].drawing == pytest.approx(0.25)
    for name in ("S3", "W2", "H1x"):
        assert verdicts[name] == "machine", name
    assert judged["S3"].healthy == pytest.approx(-0.05, abs=0.03)
    assert "First draw S1 at 3.10 mm" in judged.summary
    assert "S1 (slot), drawn 3.35 mm for 3.10" in judged.report()
    assert all(abs(j.left.value) < 0.12 for j in judged.features)


def test_shares_add_up_to_what_was_measured(fit, sheet):
    judged = judge_part(fit, DRAWING, sheet, intended=WANTED, kerf=(0.05, 0.05), draws=60)
    for name in WANTED:
        j = judged[name]
        total = WANTED[name] + j.drawing + j.machine.value + j.kerf.value
        assert j.measured.value == pytest.approx(total, abs=0.09)


def test_nothing_is_blamed_on_a_drawing_that_nobody_said_is_wrong(fit, sheet):
    judged = judge_part(fit, DRAWING, sheet, kerf=NO_CUT, draws=60)
    assert not {"drawing", "both"} & {j.verdict for j in judged.features}
    assert "it is the odd one" in judged["S1"].words


def test_without_a_part_test_burn_and_drawing_speak(fit):
    judged = judge_part(fit, DRAWING, intended=WANTED, kerf=NO_CUT, draws=60)
    assert judged["S3"].verdict == "machine"
    assert judged["S3"].measured is None
    assert judged["S1"].verdict == "drawing"


@pytest.mark.parametrize("cut", [0.05, 0.25])
def test_the_width_of_the_cut_is_told_by_holes_and_outsides(cut):
    """Holes grow and outsides shrink by it: the caliper's zero does not look like it."""
    errors = true_errors(gs.Machine(), DRAWING)
    sheet = measured(DRAWING, errors, cut, np.random.default_rng(2))
    judged = judge_part(gs.Machine(), DRAWING, sheet, healthy=gs.Machine())
    assert judged.kerf.width == pytest.approx(cut, abs=0.03)
    assert judged.kerf.uncertainty < 0.03
    assert (judged["S2"].verdict == "kerf or material") == (cut > 0.2)
    assert not {"drawing", "both", "neither"} & {j.verdict for j in judged.features}


def test_a_reading_that_the_others_speak_against_is_to_be_measured_again(sheet):
    readings = tuple(
        dataclasses.replace(r, value=r.value + 0.5) if r.name == "W1" else r for r in sheet.readings
    )
    odd = PartSheet(DRAWING, readings, "bench")
    judged = judge_part(TIGHT, DRAWING, odd, kerf=NO_CUT, healthy=gs.Machine())
    assert judged["W1"].verdict == "neither"
    assert "measure it again" in judged["W1"].words
    assert judged.summary.endswith("First measure W1 again.")
    assert judged["S3"].verdict == "machine", "one slip spoils no other verdict"


def test_a_vague_share_is_blamed_on_nobody():
    assert Share(0.06, 0.05).beyond(0.05) == pytest.approx(0.0139 + 0.5793, abs=1e-4)  # tables
    how = {"kerf": (0.1, 0.1), "kerf_allowed": 0.1}
    wide = judge_part(gs.Machine(), DRAWING, healthy=gs.Machine(), **how)
    assert wide["S2"].verdict == "cannot tell"
    with pytest.raises(ValueError, match="healthy must be the same machine without its faults"):
        judge_part(gs.Machine(), DRAWING)


def test_an_angle_that_cannot_be_told_says_how_long_its_arms_must_be():
    plate = drawing_of(path_of([rectangle(100.0, 100.0, 20.0, 12.0)]))
    angle = judge_part(gs.Machine(), plate, healthy=gs.Machine(), kerf=NO_CUT, draws=20)["A1"]
    open_ = dataclasses.replace(angle, machine=Share(0.05, 0.1), limit=0.1, verdict="cannot tell")
    # proven from 0.1 + 1.645 * 0.1 degrees on 12 mm, and both shrink as arms grow
    assert "; arms of 12 mm tell 0.26 deg or more, for 0.17 deg they must have about 19 mm." in (
        open_.words
    )
    least = 0.1 + 1.6449 * 0.1  # tables: Share is proven there, and not before
    assert Share(least + 1e-3, 0.1).beyond(0.1) > 0.95 > Share(least - 1e-3, 0.1).beyond(0.1)
    assert "arms of" not in dataclasses.replace(open_, feature=plate["W1"]).words


def cut_otherwise(cut, names=None, slip=0.0):
    """The part of a healthy machine, some of its sizes, the first of them misread."""
    errors = true_errors(gs.Machine(), DRAWING)
    whole = measured(DRAWING, errors, cut, np.random.default_rng(2))
    readings = [r for r in whole.readings if names is None or r.name in names]
    readings[0] = dataclasses.replace(readings[0], value=readings[0].value + slip)
    return PartSheet(DRAWING, tuple(readings), "bench")


def stated(sheet, kerf=0.12, **how):
    how = {"kerf_allowed": 0.12, "motion": "slow", "healthy": gs.Machine()} | how
    return judge_part(gs.Machine(), DRAWING, sheet, kerf=kerf, **how)


@pytest.mark.parametrize("kerf", [0.12, (0.12, 0.02)])
def test_a_stated_cut_that_the_part_contradicts_is_asked_about_first(kerf):
    """Holes all too small and outsides all too big are no slips: the control does it too."""
    judged = stated(cut_otherwise(0.0), kerf)
    assert judged.kerf.width == pytest.approx(0.0, abs=0.02)
    assert judged.summary.startswith(
        f"tab and slot: the sizes look as if cut with {judged.kerf.width:.2f} mm, 0.12 was stated: "
        "was it compensated twice, in the drawing and by the control? That comes first."
    )
    assert judged.to_dict()["kerf_doubt"] == judged.doubt
    assert not {"neither", "machine", "drawing"} & {j.verdict for j in judged.features}
    assert "as the part tells it; 0.12 mm as stated" in judged.report()
    for name in ("S2", "W2", "D1"):
        assert judged[name].measured.value == pytest.approx(judged[name].expected, abs=0.07), name


@pytest.mark.parametrize(
    ("cut", "words"),
    [(0.12, ""), (0.24, "compensated to the wrong side?"), (0.18, "measure a cut")],
)
def test_what_a_cut_looks_like_that_is_not_as_stated(cut, words):
    judged = stated(cut_otherwise(cut))
    assert words in judged.doubt
    assert bool(words) == bool(judged.doubt)


def test_one_slip_is_no_other_cut_and_holes_alone_tell_none():
    assert stated(cut_otherwise(0.12, {"S2", "W2"}, slip=0.4)).doubt == ""
    assert stated(cut_otherwise(0.12, slip=0.4)).doubt == ""
    holes = stated(cut_otherwise(0.0, {"S1", "S2", "S3", "H1", "H1x"}))
    assert holes.doubt.endswith("measure outsides too, for holes alone look so with a caliper "
                                "that is off")  # fmt: skip


def test_a_wide_cut_that_nobody_measured_says_how_to_draw():
    judged = stated(cut_otherwise(0.32), None, limit=0.16)
    off = judged.kerf.width - 0.12
    assert off == pytest.approx(0.2, abs=0.04)
    assert judged.doubt == ""
    assert judged.summary.endswith(
        f"First draw holes {off:.2f} mm smaller and outsides as much larger."
    )


def test_what_is_said_adds_up_to_what_was_measured(fit, sheet):
    """Also where a size is off by itself, was measured twice, or read by calipers that are off."""
    off = {"W1": 0.5}
    readings = [
        dataclasses.replace(r, value=r.value + off.get(r.name, 0.0) - 0.05) for r in sheet.readings
    ]
    odd = PartSheet(DRAWING, (*readings, readings[2]), "bench", permissible_error=0.1)
    judged = judge_part(fit, DRAWING, odd, intended=WANTED, kerf=0.0, kerf_allowed=0.02, draws=60)
    for j in judged.features:
        if j.measured is not None:
            shares = (
                j.drawing or 0.0,
                *(s.value for s in (j.machine, j.kerf, j.instrument, j.left)),
            )
            assert j.measured.value - j.meant == pytest.approx(sum(shares), abs=1e-9)
    j = judged["W1"]
    assert j.verdict == "neither"
    said = re.search(
        r"expected ([\d.]+), measured ([\d.]+): neither; the calipers read ([\d.]+) mm too little, "
        r"\+([\d.]+) .* is left",
        j.words,
    )
    expected, value, low, left = map(float, said.groups())
    assert low == pytest.approx(0.05, abs=0.04)
    assert re.search(r"as stated; the calipers read 0\.0\d mm too little\.", judged.report())
    assert value == pytest.approx(expected - low + left, abs=0.016), "three roundings"


def test_a_size_that_is_good_is_not_the_fault_of_the_machine():
    """What the machine takes off D1y the cut leaves on: it was narrower than allowed for."""
    sheet = cut_otherwise(0.0)
    judged = stated(sheet, NO_CUT, limit=0.1)
    good = judged["D1y"]
    assert abs(good.measured.value - good.meant) < 0.1 < abs(good.machine.value)
    assert good.verdict == "fits"
    assert "it is within 0.10, as stated, though the machine makes it -0.1" in good.words
    assert "and the cut makes it +0.1" in good.words
    assert "D1y" not in judged.summary
    # as it was drawn, it is as far off as the machine makes it
    plain = stated(sheet, NO_CUT, limit=0.1, kerf_allowed=0.0)
    assert plain["D1y"].verdict == "machine"
    assert "D1y" in plain.summary


def test_the_legend_names_what_is_drawn_and_no_more():
    def named(**how):
        judged = stated(cut_otherwise(0.0), 0.0, **how)
        judged = dataclasses.replace(judged, features=judged.features[:4])  # a small picture
        names = [text.get_text() for text in judged.plot().get_legend().get_texts()]
        mpl.pyplot.close("all")
        return names[:-1]

    rest = ["calipers", "left over: none of these explains it"]
    assert named(kerf_allowed=0.0) == ["machine", *rest]
    assert named(intended=WANTED) == ["drawing", "machine", "cut", *rest]


def test_an_angle_that_nobody_asked_for_is_one_quiet_line():
    judged = stated(cut_otherwise(0.12))
    vague = {"machine": Share(0.05, 0.1), "limit": 0.1, "verdict": "cannot tell"}

    def report(**own):
        angle = dataclasses.replace(judged["A1"], **vague, **own)
        rest = [j for j in judged.features if j.feature.name != "A1"]
        return dataclasses.replace(judged, features=(*rest, angle)).report()

    assert "  Not asked for, not measured and not told: A1." in report()
    assert "A1 (angle)" not in report()
    asked = report(intended=90.0)
    assert "  A1 (angle), drawn 90.00 deg" in asked
    assert "arms of" in asked
    assert "Not asked for" not in asked


@pytest.mark.slow
def test_an_advised_turn_makes_the_slot_wide_enough():
    finding = gs.diagnose(gs.simulate(TIGHT, gs.ring_test(spacing=8.0, largest=24.0)))
    assert finding.best.faults == ("tight_carriage",)
    mating = Mating("S3", (3.0, 0.02), (-0.05, 0.2))
    pairs = gs.part.predict_matings(finding, DRAWING, [mating], kerf=NO_CUT, draws=40)
    assert pairs[0].now.goes < 0.05
    assert pairs[0].after is not None
    assert pairs[0].after.middle > pairs[0].now.middle + 0.15
    assert "after the advised adjustment" in pairs[0].words
    assert "sheet of 3 mm in S3 does not go together, after the adjustment" in pairs.summary
    held = gs.will_hold(
        finding, DRAWING, gs.Tolerance(size=0.15), matings=[mating], kerf=NO_CUT, draws=40
    )
    assert held.decision == "not yet"
    slot = next(r for r in held.requirements if r.name == "S3")
    assert "a healthy machine reaches" in slot.note
    usual = gs.will_hold(finding, tab_and_slot(), kerf=NO_CUT, draws=40)
    assert usual.decision == "not yet"
    assert usual.plot() is not None
    mpl.pyplot.close("all")


def test_measured_parts_are_accepted_about_what_was_intended(sheet):
    sound = measured(DRAWING, true_errors(gs.Machine(), DRAWING), 0.0, np.random.default_rng(3))
    sound, tight = (dataclasses.replace(s, kerf=gs.part.Kerf(0.0)) for s in (sound, sheet))
    assert gs.accept(sound, gs.Tolerance(size=0.4)).decision == "pass"
    assert gs.accept(tight, gs.Tolerance(size=0.2)).decision == "not yet"
    edge = gs.accept(sound, gs.Tolerance(size=0.15))
    assert edge.decision != "pass", "a disc is 0.14 mm low on a healthy machine"
    pair = [Mating("H1y", "D1y", (-0.1, 0.3))]
    assert gs.accept(sound, gs.Tolerance(size=0.4), matings=pair).decision == "pass"
    with pytest.raises(ValueError, match="tolerance must be given for rings"):
        gs.accept(gs.simulate(gs.Machine(), gs.ring_test(largest=20.0)))


def test_a_log_predicts_what_it_believes(tmp_path):
    log = gs.new_log(None, gs.Machine(), name="Alder")
    plate = drawing_of(gs.Toolpath(tab_and_slot().moves))
    fresh = predict_part(log, plate, kerf=0.0, motion="slow", draws=40)
    assert 0.0 < fresh.unknown < 1.0
    sure = predict_part(gs.Machine(), plate, kerf=0.0, motion="slow")
    wide = [found["S3"].high - found["S3"].low for found in (fresh, sure)]
    assert wide[0] > 1.5 * wide[1], "the scatter of machines that nobody measured"
    tight = measured(plate, true_errors(TIGHT, plate), 0.0, np.random.default_rng(1))
    judged = gs.part.judge_part(log, plate, tight, kerf=NO_CUT, motion="slow", draws=40)
    assert {j.verdict for j in judged.features} == {"cannot tell"}, "no test was burned yet"
    assert "nothing predicts this machine" in judged.report()
    moved = drawing_of(tab_and_slot())
    wider = tuple(dataclasses.replace(f, drawn=f.drawn + 1.0) for f in moved.features)
    moved = dataclasses.replace(moved, features=wider)
    sheet = measured(DRAWING, np.zeros(len(DRAWING.features)), 0.0, np.random.default_rng(1))
    with pytest.raises(ValueError, match="the sheet must be of"):
        judge_part(gs.Machine(), moved, sheet)


def test_a_drawing_that_allows_for_the_cut_is_told_what_to_draw(fit):
    how = {"kerf": (0.12, 0.01), "kerf_allowed": 0.12, "draws": 20, "motion": "slow"}
    judged = judge_part(fit, DRAWING, intended={"S1": 3.22, "S2": 3.22}, limit=0.1, **how)
    assert judged["S1"].to_draw == pytest.approx(judged["S2"].feature.drawn)
    draw = "3.10 mm (for a slot of 3.22 with a cut of 0.12)"
    assert f"First draw S1 at {draw}. For " in judged.summary
    assert "then burn a test and diagnose the machine" in judged.summary
    assert f"it is drawn +0.25 off {draw}" in judged["S1"].words
    assert judged["D1"].meant == pytest.approx(judged["D1"].feature.drawn - 0.12)
    assert "drawn 100.00 mm for 99.88" in judged["W1"].words
    assert "D1x" in judged.summary
    assert "0.10, as stated" in judged["S2"].words
    assert "width of the cut 0.12 mm (standard uncertainty 0.01)" in judged.report()
    own = {j.limit_from for j in judge_part(fit, DRAWING, **how).features}
    assert own == {"which healthy machines keep to", "the least calipers tell"}


def test_a_mean_diameter_outside_those_along_x_and_y_is_explained(fit):
    """An axis that lags shifts the halves of a circle: it is widest along a diagonal."""
    found = predict_part(fit, DRAWING, kerf=0.0, motion="slow", draws=20)
    x, y, mean = (found[name].predicted for name in ("D1x", "D1y", "D1"))
    assert mean > max(x, y) + 0.05
    each = found.local[found.column("D1")].mean(axis=0)
    assert each.max() > each[[0, 4]].max() + 0.2
    assert any(row.startswith("The mean diameter of D1 ") for row in found.means)
