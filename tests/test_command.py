"""The command: its files, its exit codes, and that it replaces nothing unasked."""

from __future__ import annotations

import csv
import json
import subprocess
import sys
import tomllib
from pathlib import Path

import matplotlib as mpl
import pytest
from onefinding import finding_of

import gantrysim as gs
from gantrysim.command import main
from gantrysim.command.main import DONE, EXISTS, REFUSED, STOPPED, parser
from gantrysim.log import machinelog
from gantrysim.log.machinelog import Adjusted

mpl.use("Agg")
ROOT = Path(__file__).resolve().parents[1]
SHEETS = ("calipers", "pushes", "tones", "dial")
PART = ["part", str(ROOT / "examples/data/tab_and_slot.svg"), "--corner", "100", "100"]
LOG = ["--known", "log.json"]


def words() -> dict[str, object]:
    return next(a for a in parser()._actions if a.dest == "==SUPPRESS==" and a.choices).choices


@pytest.fixture
def shop(tmp_path, monkeypatch):
    """A folder to work in."""
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.fixture
def tones(shop):
    """A filled-in sheet of belt tones: the left belt is slack."""
    gs.instruments.write_tone_sheet("tones.csv", gs.Machine())
    rows = Path("tones.csv").read_text().splitlines()
    head = next(k for k, row in enumerate(rows) if not row.startswith("#"))
    table = list(csv.DictReader(rows[head:]))
    for row in table:
        row["tone_hz"] = "28.6" if row["belt"] == "left" else ""
    with Path("tones.csv").open("w", newline="") as file:
        file.write("\n".join(rows[:head]) + "\n")
        writer = csv.DictWriter(file, table[0].keys(), lineterminator="\n")
        writer.writeheader()
        writer.writerows(table)
    return "tones.csv"


@pytest.fixture
def piece(shop, monkeypatch):
    """A piece of a machine with tight wheels, which is recognised at once; how to diagnose it."""
    test = gs.ring_test(spacing=8.0, largest=24.0)
    tight = gs.Machine().with_faults(gs.faults.TightWheels("left", extra_force=12.0))
    gs.simulate(tight, test, feed_forces=True).to_csv("points.csv")
    test.save("test.json")

    def at_once(measured, *_, **__):
        (read,) = measured
        return finding_of(read)

    monkeypatch.setattr(gs, "diagnose", at_once)
    monkeypatch.setattr(machinelog, "diagnose", at_once)
    return ["diagnose", "--test", "test.json", "--points", "points.csv"]


def test_it_is_installed_by_its_name():
    scripts = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]["scripts"]
    assert scripts == {"gantrysim": "gantrysim.command:main"}


def test_every_word_has_an_example_and_says_its_exit_codes(capsys):
    for word in words():
        with pytest.raises(SystemExit) as left:
            main([word, "--help"])
        assert left.value.code == DONE
        shown = capsys.readouterr().out
        assert shown.count(f"example:\n  gantrysim {word} ") == 1
        assert "exit codes: 0 done; 2 an option" in shown
    assert len(words()) == 7


def test_the_examples_are_understood():
    import shlex

    for word, own in words().items():
        line = own.epilog.splitlines()[1]
        _, first, *rest = shlex.split(line)
        assert first == word
        assert parser().parse_args([first, *rest]).task is not None


@pytest.mark.parametrize("line", [["nothing"], [], ["diagnose", "--colour"]])
def test_what_is_not_understood_is_refused(line, capsys):
    with pytest.raises(SystemExit) as left:
        main(line)
    assert left.value.code == REFUSED
    assert "usage: gantrysim" in capsys.readouterr().err


def test_a_test_becomes_files_and_empty_sheets(shop, capsys):
    asked = ["test", "alder", "--spacing", "8", "--largest", "24", "--passes", "2"]
    assert main(asked) == DONE
    made = [f"alder{e}" for e in (".json", ".svg", ".nc", *(f"-{s}.csv" for s in SHEETS))]
    assert sorted(p.name for p in shop.iterdir()) == sorted(made)
    assert [f"Wrote {name}" in capsys.readouterr().out for name in made[:1]] == [True]
    test = gs.read_test("alder.json")
    assert (test.spacing, test.passes, test.orientation_mark) == (8.0, 2, True)
    assert not any(line.startswith("M3") for line in Path("alder.nc").read_text().splitlines())
    # every sheet is read back, and refused only for holding no reading yet
    read = (lambda p: gs.read_calipers(p, test), gs.read_push, gs.read_tones)
    for reader, sheet in zip(read, SHEETS, strict=False):
        with pytest.raises(ValueError, match=f"alder-{sheet}.csv"):
            reader(f"alder-{sheet}.csv")


def test_nothing_is_replaced_unless_asked(shop, capsys):
    Path("alder-tones.csv").write_text("mine")
    assert main(["test", "alder"]) == EXISTS
    said = capsys.readouterr().err
    assert said == "alder-tones.csv: the file exists; give --overwrite to replace it.\n"
    assert [p.name for p in shop.iterdir()] == ["alder-tones.csv"]  # looked before it wrote
    assert main(["test", "alder", "--overwrite"]) == DONE
    assert Path("alder-tones.csv").read_text() != "mine"


def test_a_test_that_leaves_the_bed_leaves_no_file(shop, capsys):
    assert main(["test", "alder", "--centre", "10", "10"]) == REFUSED
    assert capsys.readouterr().err.count("\n") == 1
    assert not list(shop.iterdir())


def test_points_become_finding_advice_and_report(piece, shop, capsys):
    assert main([*piece, "--into", "found"]) == DONE
    said = capsys.readouterr().out
    finding = gs.read_finding("found.json")
    assert finding.report() in said
    assert finding.adjustments().report() in said
    assert finding.best.words in Path("found.html").read_text(encoding="utf-8")
    assert main(["show", "found.json"]) == DONE
    assert capsys.readouterr().out.startswith(finding.report())
    assert main(["report", "found.json", "page.html", "--customer"]) == DONE
    assert "probability" not in Path("page.html").read_text(encoding="utf-8")
    assert main(["report", "found.json", "page.html"]) == EXISTS


def test_a_table_of_another_spreadsheet_is_said_to_be_one(piece, shop, capsys):
    text = Path("points.csv").read_text()
    Path("points.csv").write_text(text.translate(str.maketrans({",": ";", ".": ","})))
    assert main(piece) == DONE
    said = "Note: Read with semicolons between the columns, numbers with a decimal comma.\n"
    assert capsys.readouterr().out.startswith(said)


def test_json_is_read_by_a_machine(piece, shop, capsys):
    assert main([*piece, "--json"]) == DONE
    told = json.loads(capsys.readouterr().out)
    assert set(told) == {"finding", "advice", "files"}
    assert told["finding"]["ranked"][0]["faults"] == ["tight_wheels_left"]
    assert told["advice"]["adjustments"][0]["place"] == "nut left"
    assert sorted(p.name for p in shop.iterdir()) == ["points.csv", "test.json"]


@pytest.mark.slow
def test_readings_by_hand_alone_are_diagnosed(tones, shop, capsys):
    assert main(["diagnose", "--tones", tones, "--into", "found"]) == DONE
    assert "the left Y belt is soft" in capsys.readouterr().out
    assert sorted(p.name for p in shop.iterdir()) == ["found.html", "found.json", tones]


def test_files_that_exist_are_seen_before_the_work(tones, capsys, monkeypatch):
    monkeypatch.setattr(gs, "diagnose", lambda *_: pytest.fail("worked before it looked"))
    Path("found.html").write_text("mine")
    assert main(["diagnose", "--tones", tones, "--into", "found"]) == EXISTS
    assert "found.html: the file exists; give --overwrite" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("line", "words"),
    [
        (["diagnose"], "--points, --scan or --photo must be given for a log or a limit"),
        (["diagnose", "--points", "p.csv"], "--test must be given"),
        (["diagnose", "--tones", "none.csv"], "none.csv: no such file"),
        (["report", "none.json", "a.html"], "none.json: no such file"),
        (["show", "tones.csv"], "tones.csv: not readable as JSON"),
        (["diagnose", "--tones", "tones.csv", "--size", "0.1"], "must be given for a log"),
        (["turned", "log.json", "nut left"], "nothing, for it has no burn; found 'nut left'"),
        (["diagnose", "--log", "log.json", "--machine", "m.toml"], "must be left out beside --log"),
        (["part", "none.svg"], "none.svg: no such file"),
        ([*PART, "--scan", "a.png"], "a finding or a log, must be given beside --scan"),
        ([*PART, *LOG, "--scan", "a.png"], "--shown must be given beside --scan"),
        ([*PART, *LOG, "--scan", "a.png", "--sheet", "b.csv"], "must not stand together"),
        ([*PART, *LOG, "--kerf", "1", "2", "3"], "must be a width and its uncertainty"),
        ([*PART, *LOG, "--intended", "S1:3"], "--intended must be NAME=SIZE in mm"),
        ([*PART, *LOG, "--intended", "S9=3"], "found 'S9'"),
        ([*PART, *LOG, "--pair", "S1", "3", "a", "b"], "the least and the most clearance"),
    ],
)
def test_a_refusal_is_one_sentence(line, words, tones, capsys):
    gs.new_log("log.json", gs.Machine(), name="Alder")
    assert main(line) == REFUSED
    said = capsys.readouterr().err
    assert words in said
    assert said.count("\n") == 1
    assert not Path("a.html").exists()


def test_stopped_by_hand(tones, monkeypatch, capsys):
    def stop(*_, **__):
        raise KeyboardInterrupt

    monkeypatch.setattr(gs, "diagnose", stop)
    assert main(["diagnose", "--tones", tones]) == STOPPED
    assert capsys.readouterr().err == "stopped\n"


def test_a_log_is_begun_filled_and_shown(piece, shop, capsys):
    assert main(["begin", "alder.json", "--name", "Alder"]) == DONE
    assert main(["begin", "alder.json", "--name", "Alder"]) == EXISTS
    asked = [
        *piece,
        "--log",
        "alder.json",
        "--date",
        "2031-04-01",
        "--size",
        "0.1",
        "--into",
        "first",
    ]
    assert main(asked) == DONE
    log = gs.open_log("alder.json")
    assert len(log.burns) == 1
    assert [type(entry).__name__ for entry in log.entries] == ["Burned", "Accepted"]
    assert {"first.json", "first.svg", "first.html"} <= {p.name for p in shop.iterdir()}
    assert "Not yet" in Path("first.html").read_text(encoding="utf-8")
    said = capsys.readouterr().out
    assert "Not yet: it does not keep the tolerance" in said
    assert (
        main(["turned", "alder.json", "Tight wheels left", "--by", "-30", "--note", "by Wren"])
        == DONE
    )
    (turn,) = [e for e in gs.open_log("alder.json").entries if isinstance(e, Adjusted)]
    assert (turn.place, turn.amount, turn.note) == ("nut left", -30.0, "by Wren")
    assert main(["turned", "alder.json", "nut left", "--by", "30"]) == REFUSED
    assert "Give -30 degrees, or say --other-way" in capsys.readouterr().err
    assert main(["turned", "alder.json", "nut left", "--by", "unknown"]) == DONE
    assert main(["turned", "alder.json", "nut left", "--by", "30", "--other-way"]) == DONE
    said = capsys.readouterr().out
    assert "nobody knows how far" in said
    assert "nuts tighter, the way" in said
    assert main(["show", "alder.json", "--json"]) == DONE
    assert "2031-04-01" in capsys.readouterr().out


def test_a_drawing_becomes_features_and_an_empty_sheet(shop, capsys):
    assert main([*PART, "--into", "part"]) == DONE
    said = capsys.readouterr().out
    assert 'S3: "slot-C", slot, 3.08 mm' in said
    assert "Odd: S2" in said
    assert sorted(p.name for p in shop.iterdir()) == ["part-sizes.csv", "part.svg"]
    assert "<svg" in Path("part.svg").read_text(encoding="utf-8")
    assert "S3,slot-C slot,3.080," in Path("part-sizes.csv").read_text(encoding="utf-8")
    assert main([*PART, "--into", "part"]) == EXISTS
    assert main([*PART, "--json"]) == DONE
    assert json.loads(capsys.readouterr().out)["drawing"]["odd"] == {"S2": pytest.approx(3.08)}


@pytest.mark.slow
def test_a_part_is_judged_by_what_its_machine_is(shop, capsys):
    test = gs.ring_test(spacing=8.0, largest=24.0)
    tight = gs.Machine().with_faults(gs.faults.TightWheels("left", extra_force=12.0))
    burn = gs.simulate(tight, test, feed_forces=True)
    finding_of(gs.Piece.of_burn(burn)).save("alder.json")
    main([*PART, "--into", "part"])
    sheet = Path("part-sizes.csv")
    sheet.write_text(sheet.read_text().replace("slot-C slot,3.080,", "slot-C slot,3.080,3.21"))
    asked = [*PART, "--known", "alder.json", "--sheet", "part-sizes.csv", "--kerf", "0.12", "0.02"]
    asked += ["--intended", "S2=3.2", "S3=3.2", "--kerf-allowed", "0.12"]
    asked += ["--pair", "S3", "3", "0.05", "0.4", "--into", "judged"]
    capsys.readouterr()
    assert main(asked) == DONE
    said = capsys.readouterr().out
    assert "First draw S2 at 3.08 mm (for a slot of 3.20 with a cut of 0.12)." in said
    assert "sheet of 3 mm in S3" in said
    assert {"judged.svg", "judged.csv", "judged.html"} <= {p.name for p in shop.iterdir()}
    assert "First draw S2 at 3.08 mm" in Path("judged.html").read_text(encoding="utf-8")
    assert main(asked) == EXISTS
    assert main([*asked[:-2], "--json"]) == DONE
    told = json.loads(capsys.readouterr().out)
    assert set(told) == {"judgement", "pairs", "files"}


def test_the_process_ends_with_the_code(tmp_path):
    code = "import sys; from gantrysim.command import main; sys.exit(main())"
    done = subprocess.run(
        [sys.executable, "-c", code, "show", str(tmp_path / "none.json")],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == REFUSED
    assert "none.json: no such file" in done.stderr
    assert "Traceback" not in done.stderr
