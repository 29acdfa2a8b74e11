"""Findings that are kept: the same after reading, nothing done again, bad files refused."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import lifted
import matplotlib as mpl
import matplotlib.pyplot as plt
import numpy as np
import pytest

import gantrysim as gs
from gantrysim.decisions import diagnosis, findingfile
from gantrysim.decisions.diagnosis import Finding, Hypothesis
from gantrysim.inference import fitting, solver
from gantrysim.inference.assumptions import Assumptions
from gantrysim.instruments import INSTRUMENTS, ToneReading, ToneSheet
from gantrysim.instruments.measurementfile import measurement_from, measurement_table
from gantrysim.records import limits
from gantrysim.records.jsontext import content_of, text_of

mpl.use("Agg")
TEST = gs.ring_test(spacing=8.0, largest=24.0)


@pytest.fixture(scope="module")
def finding() -> Finding:
    """A diagnosis of a noisy piece with a stray point, and a belt tone, under own assumptions."""
    tight = gs.Machine().with_faults(gs.faults.TightWheels("left", extra_force=12.0))
    piece = lifted.lift(tight, test=TEST, turn=0.03, shift=(1.0, -2.0), noise=0.02, seed=1)
    stray = piece.lines[0].xy.copy()
    stray[5] += 0.8
    lines = (dataclasses.replace(piece.lines[0], xy=stray), *piece.lines[1:])
    piece = dataclasses.replace(piece, lines=lines, notes=("read by Wren",))
    tone = ToneReading("left", span=270.0, mass=8.4, tone=96.0, uncertainty=1.0)
    assumed = Assumptions(corner_rest=0.006)
    return gs.diagnose([piece, ToneSheet((tone,), "by ear")], assumptions=assumed)


@pytest.fixture(scope="module")
def path(finding: Finding, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return finding.save(tmp_path_factory.mktemp("kept") / "finding.json")


@pytest.fixture(scope="module")
def again(path: Path) -> Finding:
    return gs.read_finding(path)


# --- the same after reading ----------------------------------------------------------------------


def test_it_says_the_same(finding: Finding, again: Finding) -> None:
    assert again.report() == finding.report()
    assert again.to_dict() == finding.to_dict()
    assert repr(again) == repr(finding)
    assert again._repr_html_() == finding._repr_html_()
    assert again.assumptions == finding.assumptions != Assumptions()
    assert again.machine == finding.machine
    assert again.settled == finding.settled


def test_it_states_the_same_of_each_point(finding: Finding, again: Finding) -> None:
    assert [dataclasses.astuple(p) for p in again.points] == [
        dataclasses.astuple(p) for p in finding.points
    ]


def test_what_was_measured_comes_back(finding: Finding, again: Finding) -> None:
    piece, sheet = finding.measured
    there, told = again.measured
    assert there.check_sum == piece.check_sum
    assert there.test == piece.test
    assert there.notes == ("read by Wren",)
    assert told.to_dict() == sheet.to_dict()


def test_it_believes_the_same(finding: Finding, again: Finding) -> None:
    mine, theirs = finding.belief(), again.belief()
    np.testing.assert_array_equal(theirs.mean, mine.mean)
    np.testing.assert_array_equal(theirs.precision, mine.precision)
    assert theirs.weights == mine.weights
    assert theirs.sizes == mine.sizes


def test_what_its_fits_learned_comes_back(finding: Finding, again: Finding) -> None:
    assert any((h.fit.problem.sources[0].weight < 1.0).any() for h in finding.ranked)
    assert (finding.best.fit.problem.sources[0].bins.owner < 0).any()
    for a, b in zip(finding.ranked, again.ranked, strict=True):
        mine, theirs = a.fit.problem.sources[0], b.fit.problem.sources[0]
        assert theirs.noise == mine.noise
        assert b.fit.problem.scales == a.fit.problem.scales
        np.testing.assert_array_equal(theirs.bins.owner, mine.bins.owner)
        np.testing.assert_array_equal(theirs.weight, mine.weight)
        np.testing.assert_array_equal(theirs.sizes, mine.sizes)
        np.testing.assert_array_equal(b.fit.mode.covariance, a.fit.mode.covariance)
        assert b.fit.machine == a.fit.machine
        left = np.abs(b.fit.mode.residuals[0] - a.fit.mode.residuals[0]).max()
        flat = any(fault.sought for fault in a.fit.mode.faults)
        # mm; a flat is drawn where the fit with it has the piece, found where the one without had
        assert left <= (1e-4 if flat else 0.0)
    np.testing.assert_array_equal(again.best.fit.draws, finding.best.fit.draws)


def test_it_advises_the_same(finding: Finding, again: Finding) -> None:
    assert again.adjustments().report() == finding.adjustments().report()


def test_the_next_test_is_the_same(finding: Finding, again: Finding) -> None:
    ask = {"candidates": [TEST, gs.decisions.Look("tight_wheels_left", "turn each by finger")]}
    mine, theirs = (gs.next_test(f, **ask) for f in (finding, again))
    assert [p.to_dict() for p in theirs] == [p.to_dict() for p in mine]


def test_the_same_will_hold(finding: Finding, again: Finding) -> None:
    ask = (TEST, gs.Tolerance(roundness=0.3))
    mine, theirs = (gs.will_hold(f, *ask, draws=20) for f in (finding, again))
    assert theirs.to_dict() == mine.to_dict()


def test_it_draws_the_same(finding: Finding, again: Finding) -> None:
    drawn = []
    for each in (finding, again):
        figure = each.plot()
        lines = [line.get_xydata() for ax in figure.axes for line in ax.lines]
        texts = [text.get_text() for ax in figure.axes for text in ax.texts]
        drawn.append((lines, texts))
        plt.close(figure)
    for a, b in zip(drawn[0][0], drawn[1][0], strict=True):
        np.testing.assert_allclose(b, a, atol=1e-9)
    assert drawn[0][1] == drawn[1][1]


def test_slips_come_back(finding: Finding, again: Finding) -> None:
    def told(of: Finding) -> list[Any]:
        names = ("kind", "words", "log_gain", "log_prior")
        return [
            (
                *(getattr(slip, name) for name in names),
                chance,
                [(k, p.check_sum, p.test) for k, p in slip.restated.items()],
                [fault.key for fault in slip.faults],
            )
            for slip, chance in of.slips
        ]

    assert told(again) == told(finding)


def test_nothing_is_done_again(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: Any, **__: Any) -> None:
        raise AssertionError("searched or fitted anew")

    for module, names in (
        (solver, ("solve",)),
        (fitting, ("search", "extend", "learn_noise")),
        (diagnosis, ("solve", "explore")),
    ):
        for name in names:
            monkeypatch.setattr(module, name, refuse)
    monkeypatch.setattr(solver.Evaluator, "linearise", refuse)
    again = gs.read_finding(path)
    again.report()
    again.to_dict()
    again.belief()
    again.adjustments()
    plt.close(again.plot())


def test_saved_again_it_is_the_same_file(again: Finding, path: Path, tmp_path: Path) -> None:
    copy = again.save(tmp_path / "copy.json")
    assert copy.read_bytes() == path.read_bytes()


def test_a_restored_explanation_goes_on(again: Finding) -> None:
    mode = dataclasses.replace(again.best.fit.mode, paid=0.5)
    assert mode.paid == 0.5
    solved = solver.solve(again.best.fit.problem, mode.faults, mode)
    np.testing.assert_allclose(solved.u, mode.u, atol=0.3)  # standard deviations


def test_a_flat_is_found_where_it_was() -> None:
    piece = lifted.lift(gs.Machine(), test=TEST, turn=0.0, shift=(0.0, 0.0), noise=0.02, seed=3)
    fit = gs.fit(piece, gs.Machine(), ["wheel_flat_left"])
    ranked = (Hypothesis(("wheel_flat_left",), 1.0, fit.magnitudes, (), 0.0, "flat", "look", fit),)
    finding = Finding((piece,), gs.Machine(), ranked)
    table = json.loads(text_of(findingfile.finding_table(finding)))
    again = findingfile.finding_from(table, "finding")
    (mine,), (theirs,) = fit.mode.faults, again.best.fit.mode.faults
    assert (theirs.key, theirs.place_mm) == (mine.key, mine.place_mm)
    scale = np.abs(mine.pattern[0]).max()
    np.testing.assert_allclose(theirs.pattern[0], mine.pattern[0], atol=1e-3 * scale)


def test_a_belief_that_was_held_before_comes_back(finding: Finding, tmp_path: Path) -> None:
    tone = ToneReading("right", span=270.0, mass=8.4, tone=96.0, uncertainty=1.0)
    later = gs.diagnose(ToneSheet((tone,), "later"), belief=finding.belief())
    again = gs.read_finding(later.save(tmp_path / "later.json"))
    assert again.report() == later.report()
    assert again.gains == later.gains
    assert again.best.fit.problem.belief.sizes == finding.belief().sizes


@pytest.mark.parametrize("instrument", INSTRUMENTS, ids=lambda i: i.name)
def test_every_sheet_comes_back(instrument: Any) -> None:
    for sheet in instrument.asked(gs.Machine(), TEST):
        table = json.loads(text_of(measurement_table(sheet)))
        again = measurement_from(table, "sheet", [type(sheet)])
        assert again.to_dict() == sheet.to_dict()
        assert type(again) is type(sheet)


def test_a_piece_comes_back_with_what_is_believed_of_its_reader(finding: Finding) -> None:
    piece = finding.pieces[0]
    known = gs.instruments.ScannerError((1e-3, 2e-4, 0.0), np.diag((1e-8, 2e-8, 3e-8)))
    u = tuple(np.full(len(line.xy), 0.004) for line in piece.lines)
    piece = dataclasses.replace(piece, scanner=known, uncertainty=u, quarter_known=False)
    again = measurement_from(content_of(text_of(measurement_table(piece))), "piece", [gs.Piece])
    assert again.to_dict() == piece.to_dict()


# --- files ---------------------------------------------------------------------------------------


def test_no_file_is_replaced_unasked(finding: Finding, path: Path) -> None:
    before = path.read_bytes()
    with pytest.raises(FileExistsError, match="overwrite=True"):
        finding.save(path)
    finding.save(path, overwrite=True)
    assert path.read_bytes() == before


def put(*keys: Any, value: Any) -> Callable[[Any], None]:
    def change(content: Any) -> None:
        for key in keys[:-1]:
            content = content[key]
        content[keys[-1]] = value

    return change


BEST = ("explanations", 0)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (put("format", value="gantrysim machine log"), "this is no finding"),
        (put("version", value=2), "'version' must be 1, found 2"),
        (put("version", value=True), "'version' must be 1, found True"),
        (put("extra", value=1), "'finding.extra' is unknown"),
        (put("machine", "span", value="wide"), "span must be a finite number"),
        (put("scatter", 0, value="drag"), "'finding.scatter' must name"),
        (put("belief", value=3), "'finding.belief' must hold named fields"),
        (put("assumptions", value={"huger": 1.0}), "an assumption must be"),
        (put("assumptions", value={"noise": {"grain": "x"}}), "'finding.assumptions'"),
        (put("settled", value=1), "'finding.settled' must be true or false"),
        (put("measured", value=[]), "must hold what was measured"),
        (put("measured", value=[None]), "must hold what was measured"),
        (put("measured", 0, "kind", value="Photo"), r"measured\[0\].kind' must be"),
        (put("measured", 0, "lines", 0, "x_mm", 0, value=1.0), "they were changed"),
        (put("measured", 0, "scanner", "scanner_scale", value=None), "scanner_scale' must be"),
        (put("measured", 0, "scanner", "scanner_scale", value=-1e300), "must be from -1 to 1"),
        (put("measured", 1, "rows", 0, 0, value=5), r"rows\[0\]\[0\]' must be a text"),
        (put("measured", 1, "rows", 0, value=[]), r"rows\[0\]' must have"),
        (put("explanations", value=[]), "must name an explanation"),
        (put("explanations", value={}), "'finding.explanations' must be a list"),
        (put(*BEST, "probability", value=1.5), "probability' must be from 0 to 1"),
        (put(*BEST, "faults", value=["coupler_slip"]), "faults' must name what was fitted"),
        (put(*BEST, "words", value=None), "words' must be a text"),
        (put(*BEST, "fitted", value=["x"]), r"fitted\[0\]' must hold named fields"),
        (put(*BEST, "fitted", 0, "name", value="tight"), "no fault named 'tight'"),
        (put(*BEST, "fitted", 0, "variant", value="odd"), "variant' is none of"),
        (put(*BEST, "fitted", 0, "place", value="here"), "place' must be a finite number"),
        (put(*BEST, "unknowns", value=[0.0]), "unknowns' must have"),
        (put(*BEST, "unknowns", 0, value=1e9), "unknowns' must be numbers of at most"),
        (put(*BEST, "terms", 0, "left_out", value=list(range(500))), "at least half"),
        (put(*BEST, "unknowns", 0, value=1e999), "must be finite|finite number"),
        (put(*BEST, "covariance", value=[]), "covariance' must have"),
        (put(*BEST, "covariance", 0, 0, value=-1.0), "must be positive definite"),
        (put(*BEST, "covariance", 0, 0, value=1e30), "covariance' must hold numbers of at most"),
        (put(*BEST, "covariance", 1, value=[1.0]), r"covariance\[1\]' must have 2 numbers"),
        (put(*BEST, "scales", "reader", value=0.0), "scales.reader' must be from"),
        (put(*BEST, "magnitudes", "tight_wheels_left", "low", value=[]), "low' must be"),
        (put(*BEST, "terms", value=[]), "terms' must have one entry"),
        (put(*BEST, "terms", 1, value={}), r"terms\[1\]' must be null"),
        (put(*BEST, "terms", 0, value=None), r"terms\[0\]' must hold named fields"),
        (put(*BEST, "terms", 0, "left_out", value=[10**9]), "rising whole numbers below"),
        (put(*BEST, "terms", 0, "left_out", value=[5, 5]), "rising whole numbers below"),
        (put(*BEST, "terms", 0, "lighter", value=[0.5]), r"lighter\[0\]' must be a whole"),
        (put(*BEST, "terms", 0, "weights", value=[2.0]), "weights' must"),
        (put(*BEST, "terms", 0, "sizes_mm", value=[]), "sizes_mm' must have"),
        (put(*BEST, "terms", 0, "noise", "point", value=-1.0), "noise"),
        (put(*BEST, "terms", 0, "noise", "model", value="Grain"), "a model that is imported"),
        (put("slips", value=[{}]), r"slips\[0\].probability' is missing"),
    ],
)
def test_a_spoiled_file_is_refused_in_one_sentence(
    change: Callable[[Any], None], words: str, path: Path, tmp_path: Path
) -> None:
    content = json.loads(path.read_text(encoding="utf-8"))
    change(content)
    spoiled = tmp_path / "spoiled.json"
    spoiled.write_text(json.dumps(content), encoding="utf-8")
    with pytest.raises(ValueError, match=words) as refused:
        gs.read_finding(spoiled)
    assert str(refused.value).startswith(str(spoiled))
    assert "\n" not in str(refused.value)


@pytest.mark.parametrize("part", [0.0, 0.1, 0.5, 0.999])
def test_a_truncated_file_is_refused(part: float, path: Path, tmp_path: Path) -> None:
    whole = path.read_bytes()
    cut = tmp_path / "cut.json"
    cut.write_bytes(whole[: int(part * len(whole))])
    with pytest.raises(ValueError, match=r"cut\.json: (not readable as JSON|the file is empty)"):
        gs.read_finding(cut)


def test_a_huge_file_is_refused_unread(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(limits, "FINDING_BYTES", 1000)
    monkeypatch.setattr(Path, "open", lambda *_: pytest.fail("it was read"))
    with pytest.raises(ValueError, match=r"finding\.json: .* MB are too much"):
        gs.read_finding(path)


def test_there_must_be_a_file(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError, match="no such file"):
        gs.read_finding(tmp_path / "none.json")
