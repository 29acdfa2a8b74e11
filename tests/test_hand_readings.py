"""Measured pushes and belt tones: reading, and what a machine would give."""

from __future__ import annotations

import json
import math
import time

import matplotlib as mpl
import matplotlib.pyplot as plt
import numpy as np
import pytest
from reduced import reduced

import gantrysim as gs
from gantrysim.instruments import DialReading, DialSheet, read_dial
from gantrysim.instruments.push import FIRM, QUANTITIES, PushReading

mpl.use("Agg")

F_L, F_R, F_C, K, KAPPA = 2.0, 8.0, 3.0, 20.0, 5.0  # N, N/mm
HEADER = "at,motor,x_mm,y_mm,what,value,uncertainty\n"
GOOD = "left,off,200,200,keep_forward_n,10.2,0.3"
TONE_HEADER = "belt,span_mm,mass_g_m,tone_hz,uncertainty_hz\n"
TONE = "left,400,8.4,54.2,1"


def block() -> gs.Machine:
    """Coulomb friction at three places, constant belts, no detents."""
    machine = reduced(
        (F_L, F_R, F_C), (K, K, K), racking=KAPPA * 400.0**2 / 1e3, middle=(200.0, 200.0)
    )
    return machine.set_many({"motor_y.detent": 0.0, "motor_x.detent": 0.0})


def reading(at: str, motor: str, what: str, stroke: float) -> PushReading:
    return PushReading(at, motor, (200.0, 200.0), what, 1.0, 0.1, stroke)


# --- predictions ----------------------------------------------------------------------------


def test_pushes_against_closed_forms_of_a_friction_block():
    """Free: the sum of the frictions; the far side lags F / (kappa + K/2).  Holding: belt rates.

    Slow Coulomb friction on springs, from statics; the belts join the free sides through the
    cross shaft in series.
    """
    lag = F_R / (KAPPA + K / 2.0)
    rows = [
        (reading("left", "off", "keep_forward_n", 8.0), F_L + F_R),
        (reading("left", "off", "keep_back_n", 8.0), F_L + F_R),
        (reading("left", "off", "start_forward_n", 8.0), F_L + F_R),
        (reading("left", "off", "loop_force_n", 8.0), 2 * (F_L + F_R)),
        (reading("left", "off", "lag_forward_mm", 8.0), lag),
        (reading("left", "off", "lag_back_mm", 8.0), -lag),
        (reading("left", "off", "lag_mean_mm", 8.0), lag),
        (reading("right", "off", "lag_mean_mm", 8.0), F_L / (KAPPA + K / 2.0)),
        (reading("carriage", "off", "keep_forward_n", 3.0), F_C),
        (reading("carriage", "holding", "stiffness_n_mm", 0.8), K),
        (reading("carriage", "holding", "loop_force_n", 0.8), 2 * F_C),
        (reading("carriage", "holding", "loop_travel_mm", 0.8), 2 * F_C / K),
    ]
    sheet = gs.instruments.PushSheet(tuple(row for row, _ in rows), "block")
    assert sheet.predict(block()) == pytest.approx([value for _, value in rows], rel=2e-3)


def test_one_push_serves_all_readings_of_a_place(monkeypatch):
    results = [
        gs.push(gs.Machine(), at, m) for at in ("left", "carriage") for m in ("off", "holding")
    ]
    sheet = gs.instruments.PushSheet.of(results, np.random.default_rng(1))
    assert {r.what for r in sheet.readings} == set(QUANTITIES)
    import gantrysim.instruments.push as module

    calls = []

    def counted(*args, **options):
        calls.append(args)
        return gs.push(*args, **options)

    monkeypatch.setattr(module, "push", counted)
    found = sheet.predict(gs.Machine())
    assert len(calls) == 4
    expected = [r.to_dict()[q] for r in results for q in QUANTITIES if r.to_dict()[q] is not None]
    assert found == pytest.approx(expected, rel=2e-3)
    begin = time.process_time()
    sheet.predict(gs.Machine())
    assert time.process_time() - begin < 4 * 0.05  # a few ms a push where this was written


def test_a_jammed_part_reads_the_firm_hand():
    machine = gs.Machine().with_faults(gs.faults.TightWheels("left", 2 * FIRM))
    sheet = gs.instruments.PushSheet((reading("left", "off", "start_forward_n", 3.0),), "jammed")
    assert sheet.predict(machine) == pytest.approx([FIRM])


def test_a_dial_indicator_against_closed_forms_of_a_friction_block():
    """Lost motion is twice the elastic lag: K e + kappa (e - e') = F on either side, from statics.

    The lag of a pushed block's far side is F / (kappa + K/2), as above.
    """
    stiff = np.array([[K + KAPPA, -KAPPA], [-KAPPA, K + KAPPA]])
    left, right = 2.0 * np.linalg.solve(stiff, [F_L, F_R])
    place = (200.0, 200.0)
    rows = [
        (DialReading("left", "lost_motion", place, 5.0, 0.0), left),
        (DialReading("right", "lost_motion", place, 5.0, 0.0), right),
        (DialReading("carriage", "lost_motion", place, 5.0, 0.0), 2.0 * F_C / K),
        (DialReading("right", "lag", place, 8.0, 0.0), F_R / (KAPPA + K / 2.0)),
        (DialReading("left", "lag", place, 8.0, 0.0), F_L / (KAPPA + K / 2.0)),
    ]
    sheet = DialSheet(tuple(row for row, _ in rows), "block")
    assert sheet.predict(block()) == pytest.approx([value for _, value in rows], rel=2e-3)


def test_play_of_the_coupling_shows_at_the_far_side_alone():
    """The dead zone adds its whole width to what the far plate loses, where nothing racks."""
    machine = block()
    free = machine.set_many({"left.rack_stiffness": 1e-6, "right.rack_stiffness": 1e-6})
    played = free.with_faults(gs.faults.CouplerBacklash(0.4))
    sheet = DialSheet(
        tuple(DialReading(at, "lost_motion", (200.0, 200.0), 5.0, 0.0) for at in ("left", "right")),
        "block",
    )
    more = sheet.predict(played) - sheet.predict(free)
    assert more == pytest.approx([0.0, 0.4], abs=1e-3)


def test_hostile_dial_readings_end_in_one_sentence(tmp_path):
    header, good = "at,what,x_mm,y_mm,stroke_mm,value_mm\n", "left,lag,200,200,3,0.2"
    for text, words in (
        (header + good.replace("left", "carriage"), "line 2: what must be 'lost_motion', found"),
        (header + good.replace("0.2", "12"), "line 2: value_mm must be -10 to 10 mm, the range"),
        (header + good.replace("3,", "0,"), "line 2: stroke_mm must be above zero"),
        ("# resolution = 0.01\n" + header + good, "line 1: 'resolution' states no unit"),
    ):
        check_sentence(read_dial, tmp_path / "dial.csv", text, words)
    near = DialSheet((DialReading("left", "lost_motion", (200.0, 2.0), 5.0, 0.0),), "end")
    with pytest.raises(ValueError, match="place y must lie from 5 to 395 mm for a stroke of 5 mm"):
        near.predict(gs.Machine())


def test_tones_against_the_formula_of_a_string():
    """T = 4 M W S^2 f^2 1e-9 as makers of tension meters print it: g/m per mm, mm, mm, Hz."""
    machine = gs.Machine().set_many({"belt_left.pretension": 15.8, "belt_x.pretension": 40.0})
    rows = [("left", 400.0), ("left", 200.0), ("x", 400.0), ("right", 310.0)]
    sheet = gs.instruments.ToneSheet(
        tuple(gs.instruments.ToneReading(b, s, 8.4, 50.0, 1.0) for b, s in rows), "plucked"
    )
    found = sheet.predict(machine)
    assert found[:3] == pytest.approx([54.21, 108.42, 86.26], abs=0.01)
    assert 4 * 1.4 * 6.0 * 310.0**2 * found[3] ** 2 * 1e-9 == pytest.approx(20.0)
    assert gs.instruments.ToneReading("x", 400.0, 8.4, 70.0, 1.0).tension == pytest.approx(
        26.342, abs=0.001
    )
    slack = machine.set("belt_left.pretension", 0.0)
    assert sheet.predict(slack)[:2] == pytest.approx([0.0, 0.0])


# --- sheets ---------------------------------------------------------------------------------


def test_an_invented_sheet_scatters_as_it_says():
    result = gs.push(gs.Machine(), "left", "holding")
    rng = np.random.default_rng(3)
    sheets = [gs.instruments.PushSheet.of(result, rng, stiffness=4.0) for _ in range(200)]
    what = [r.what for r in sheets[0].readings]
    off = np.array([s.values - [result.to_dict()[w] for w in what] for s in sheets])
    signed = [what.index(w) for w in ("lag_forward_mm", "lag_back_mm", "stiffness_n_mm")]
    ratio = off.std(axis=0)[signed] / sheets[0].uncertainty[signed]
    assert ratio == pytest.approx(1.0, abs=4 / math.sqrt(2 * 200))  # four standard errors
    again = gs.instruments.PushSheet.of(result, np.random.default_rng(3), stiffness=4.0)
    assert np.array_equal(again.values, sheets[0].values)


def test_what_readings_share():
    sheet = gs.instruments.PushSheet.of(gs.push(gs.Machine(), "left"), np.random.default_rng(0))
    lengths = np.array([r.unit == "mm" for r in sheet.readings])
    assert not sheet.nuisances[lengths].any()
    assert sheet.nuisances[~lengths, 0] == pytest.approx(0.02 * sheet.values[~lengths])
    tones = gs.instruments.ToneSheet(
        (gs.instruments.ToneReading("x", 300.0, 8.4, 60.0, 1.0),), "plucked"
    )
    assert tones.nuisances == pytest.approx(np.array([[3.0]]))
    assert tones.uncertainty == pytest.approx([1.0])


def test_sheets_survive_writing_and_show_themselves(tmp_path):
    pushes = [gs.push(gs.Machine(), "right", m, place=(100.0, 50.5)) for m in ("off", "holding")]
    sheet = gs.instruments.PushSheet.of(pushes, np.random.default_rng(9))
    path = sheet.to_csv(tmp_path / "push.csv")
    assert gs.read_push(path).readings == sheet.readings
    tones = gs.instruments.ToneSheet(
        tuple(gs.instruments.ToneReading(b, 310.5, 8.4, 60.1, 1.0) for b in "left right x".split()),
        "t",
    )
    assert gs.read_tones(tones.to_csv(tmp_path / "tones.csv")).readings == tones.readings
    assert (
        repr(sheet) == f"PushSheet('invented readings', {len(sheet.readings)} readings of 2 pushes)"
    )
    assert repr(tones) == "ToneSheet('t', 3 tones of 3 belts)"
    for one in (sheet, tones):
        assert one._repr_html_().count("<tr>") == len(one.readings) + 1
        assert len(json.loads(json.dumps(one.to_dict()))["readings"]) == len(one.readings)
        with pytest.raises(FileExistsError):
            one.to_csv(path)
    for unit, words in (("N", "force, N"), ("mm", "length, mm"), ("N/mm", "stiffness, N/mm")):
        ax = sheet.plot(unit=unit)
        assert ax.get_xlabel() == words
        assert len(ax.get_yticklabels()) == sum(r.unit == unit for r in sheet.readings)
    assert tones.plot().get_xlabel().endswith(", N")
    with pytest.raises(ValueError, match="unit must be"):
        sheet.plot(unit="Hz")
    plt.close("all")


def test_stroke_is_the_usual_one_unless_given(tmp_path):
    path = tmp_path / "push.csv"
    path.write_text("\ufeff" + HEADER + GOOD + "\nright,holding,1,2,stiffness_n_mm,50,4\n", "utf-8")
    assert [r.stroke for r in gs.read_push(path).readings] == [3.0, 0.4]
    path.write_text("stroke_mm," + HEADER + "2.5," + GOOD)
    assert [r.stroke for r in gs.read_push(path).readings] == [2.5]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "the file is empty; a CSV file of push readings"),
        (HEADER, "holds no rows"),
        (HEADER.replace(",what", ""), "column 'what' is missing"),
        (HEADER.replace("x_mm", "x"), "column 'x' states no unit"),
        (
            HEADER + GOOD.replace("left", "middle"),
            "line 2: PushReading: at must be 'left', 'right' or",
        ),
        (
            HEADER + GOOD.replace("off", "on"),
            "line 2: PushReading: motor must be 'off' or 'holding'",
        ),
        (HEADER + GOOD.replace("10.2", "ten"), "line 2: value must be a number"),
        (HEADER + GOOD.replace("10.2", "inf"), "line 2: value must be a finite number"),
        (HEADER + GOOD.replace("10.2", "-10.2"), "line 2: value must not be below zero"),
        (HEADER + GOOD.replace("0.3", "0"), "line 2: uncertainty must be above zero"),
        (
            HEADER + GOOD.replace("_n,", ","),
            "give 'keep_forward' in N and call it 'keep_forward_n'",
        ),
        (HEADER + GOOD.replace("keep", "hold"), "line 2: what must be 'start_forward_n'"),
        (HEADER + GOOD.replace("off", "holding"), "keep_forward_n can be read with motor 'off'"),
        ("stroke_mm," + HEADER + "nan," + GOOD, "line 2: stroke_mm must be a finite number"),
        (HEADER + GOOD.replace("10.2", "1040"), "line 2: value must be at most 1000 N for"),
        (
            "# scale_error 0.1\n" + HEADER + GOOD,
            "line 1: a setting must be written with a single =",
        ),
        ("stroke_mm," + HEADER + "0," + GOOD, "line 2: stroke must be above zero"),
    ],
)
def test_hostile_push_files_end_in_one_sentence(tmp_path, text, words):
    check_sentence(gs.read_push, tmp_path / "push.csv", text, words)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("# only\n", "holds only comments"),
        (TONE_HEADER.replace("tone_hz", "tone") + TONE, "column 'tone_hz' is missing"),
        (
            TONE_HEADER + TONE.replace("left", "middle"),
            "line 2: ToneReading: belt must be 'left', 'right' or",
        ),
        (TONE_HEADER + TONE.replace("54.2", "low"), "line 2: tone_hz must be a number"),
        (TONE_HEADER + TONE.replace("54.2", "54200"), "line 2: tone_hz must be at most 5000 Hz"),
        (TONE_HEADER + TONE.replace("8.4", "0"), "line 2: mass_g_m must be above zero"),
        (
            TONE_HEADER + TONE.replace("400", "0.2"),
            "line 2: span_mm must be 20 to 5000 mm, found 0",
        ),
        (TONE_HEADER + TONE.replace("8.4", ".008"), "line 2: mass_g_m must be 0.5 to 200 g/m"),
        (TONE_HEADER + TONE.replace("8.4", "201"), "line 2: mass_g_m must be 0.5 to 200 g/m"),
        ("# common_error: 0.1\n" + TONE_HEADER + TONE, "line 1: a setting must be written with a"),
        (TONE_HEADER + TONE.replace("400", "-400"), "line 2: span_mm must be above zero"),
    ],
)
def test_hostile_tone_files_end_in_one_sentence(tmp_path, text, words):
    check_sentence(gs.read_tones, tmp_path / "tones.csv", text, words)


def check_sentence(reader, path, text, words):
    path.write_text(text, encoding="utf-8")
    with pytest.raises(ValueError, match=words) as caught:
        reader(path)
    sentence = str(caught.value)
    assert sentence.startswith(str(path))
    assert sentence.endswith(".")
    assert "\n" not in sentence


def test_missing_files_and_empty_sheets(tmp_path):
    for reader in (gs.read_push, gs.read_tones):
        with pytest.raises(FileNotFoundError, match="no such file"):
            reader(tmp_path / "none.csv")
    for sheet in (gs.instruments.PushSheet, gs.instruments.ToneSheet):
        with pytest.raises(ValueError, match="holds no readings"):
            sheet((), "nothing")


def test_a_fit_of_tones_alone_says_nothing_of_lines() -> None:
    (left, *_) = gs.instruments.BeltTones().sheets(gs.Machine(), None)
    found = gs.fit(left, gs.Machine(), ["slack_belt_left"])
    assert "residual" not in found.report()
    assert found.to_dict()["rms_mm"] is None
    json.dumps(found.to_dict(), allow_nan=False)
