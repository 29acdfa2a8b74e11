"""Another machine architecture in one class: a one-sided gantry.

Only the left belt drives.  The right end of the beam rolls along on its rail, without belt, pulley
or cross shaft; what holds the beam square is the left end plate.
"""

from __future__ import annotations

import dataclasses
import json
from dataclasses import dataclass, field
from pathlib import Path

import matplotlib as mpl
import matplotlib.pyplot as plt
import numpy as np
import pytest
from lifted import lift

import gantrysim as gs
from gantrysim.faults import Catalogue, Fault
from gantrysim.inference.discrepancy import lags
from gantrysim.inference.parameters import Parameter
from gantrysim.machine import Belt, Contact, CrossShaft, EndPlate

mpl.use("Agg")


@dataclass(frozen=True)
class TiredPlate(Fault):
    """The left end plate holds the beam less square: its wheels stand on worn axles."""

    part: float

    name = "tired_plate"
    words = "the left end plate holds the beam less square than it should"
    unit = "of nominal"
    block = "y"
    sense = -1
    parameters = (Parameter("part", "-", 0.5, 0.3, ratio=True, faint=2.0),)

    def apply(self, machine: gs.Machine) -> gs.Machine:
        held = machine.left.rack_stiffness * self.part
        return machine.set("left.rack_stiffness", held)


@dataclass(frozen=True)
class OneSided(gs.Machine):
    """A gantry with one Y belt, at the left."""

    left: EndPlate = field(default_factory=lambda: EndPlate(rack_stiffness=25.0))
    belt_right: Belt = field(default_factory=lambda: Belt(ea=1.0, pretension=0.0))
    shaft: CrossShaft = field(default_factory=lambda: CrossShaft(stiffness=1e-3, drag=0.0))

    absent = frozenset({"belt_right", "shaft"})

    def catalogue(self) -> Catalogue:
        return super().catalogue().extended(TiredPlate(0.5))


MACHINE = OneSided()
TEST = gs.ring_test(spacing=8.0, largest=24.0, centre=(150.0, 200.0), passes=1, feed=30.0)
FAULT = gs.faults.TightWheels("right", extra_force=9.0)
#: Nothing of what it says may name these.
NOT_THERE = ("coupl", "right belt", "right Y belt", "cross shaft", "right pulley", "belt right EA")


def said(thing: object) -> str:
    text = str(thing)
    for words in NOT_THERE:
        assert words not in text, f"{words} in {text}"
    return text


@pytest.fixture(scope="module")
def piece() -> gs.Piece:
    return lift(MACHINE.with_faults(FAULT), TEST, noise=0.01, seed=3)


@pytest.fixture(scope="module")
def finding(piece: gs.Piece) -> gs.Finding:
    return gs.diagnose(piece, MACHINE)


def test_the_free_end_lags_by_its_drag_over_what_holds_the_beam_square() -> None:
    """Statics: the beam turns about the driven end until the plates hold it against the drag."""
    plain = MACHINE.replace(contact=Contact.ideal())
    held = plain.left.rack_stiffness + plain.right.rack_stiffness
    for extra in (0.0, 6.0):
        machine = plain.set("right.friction", 3.0 + extra)
        felt = gs.push(machine, "left")
        assert felt.lag_mean == pytest.approx((3.0 + extra) / held, rel=0.02)


def test_what_the_model_lacks_is_judged_by_what_holds_the_free_end() -> None:
    """A missing belt is no soft belt: its stiffness would make any error of the end believable."""
    held = MACHINE.left.rack_stiffness + MACHINE.right.rack_stiffness
    *_, right = lags(MACHINE)
    assert right == pytest.approx(MACHINE.right.friction / held)


def test_the_missing_belt_and_shaft_do_nothing() -> None:
    line = gs.simulate(MACHINE, TEST).lines[0].xy
    other = MACHINE.set_many({"belt_right.runout": 0.5, "shaft.slip": 2.0, "shaft.backlash": 0.5})
    np.testing.assert_allclose(gs.simulate(other, TEST).lines[0].xy, line, atol=1e-3)
    driven = gs.Machine().set_many({"belt_right.runout": 0.5, "shaft.slip": 2.0})
    apart = gs.simulate(driven, TEST).lines[0].xy - gs.simulate(gs.Machine(), TEST).lines[0].xy
    assert np.abs(apart).max() > 0.1


def test_its_catalogue_names_only_what_it_has() -> None:
    catalogue = MACHINE.catalogue()
    lost = set(gs.Machine().catalogue().names) - set(catalogue.names)
    assert lost == {"slack_belt_right", "coupler_backlash", "coupler_slip"}
    assert "tired_plate" in catalogue.names
    assert {f.variant for f in catalogue.of_name("pulley_runout_y")} == {"left"}
    scatter = {s.parameter.name for s in catalogue.scatter}
    assert "racking stiffness" in scatter
    assert not scatter & {"belt right EA", "shaft stiffness"}
    for fault in catalogue.faults:
        for text in (fault.words, fault.check, fault.noun):
            said(text)


def test_what_it_says_of_itself_names_only_what_it_has() -> None:
    @dataclass(frozen=True)
    class OneLegged(OneSided):
        absent = frozenset({"belt_right", "shaft", "right"})

    assert "right" not in repr(OneLegged())
    table = OneLegged()._repr_html_()
    assert "drag left / carriage" in table
    assert "oupler" not in table
    assert "drag left 3.00 N, right 3.00 N" in repr(MACHINE)


def test_a_piece_of_it_is_diagnosed(finding: gs.Finding) -> None:
    assert finding.best.faults == (FAULT.name,)
    size = finding.best.magnitudes[FAULT.name]
    assert size.low < FAULT.extra_force < size.high
    said(finding.report())
    said(json.dumps(finding.to_dict()))
    finding.plot()
    plt.close("all")


def test_what_a_test_tells_advice_and_next_test(finding: gs.Finding) -> None:
    told = gs.what_can_be_told(TEST, MACHINE, faults=[FAULT.name, "tired_plate"])
    assert {power.fault for power in told.power} == {FAULT.name, "tired_plate"}
    said(told.report())
    with pytest.raises(ValueError, match="coupler_slip"):
        gs.what_can_be_told(TEST, MACHINE, faults=["coupler_slip"])
    advice = finding.adjustments(draws=40)
    assert advice.adjustments[0].fault == FAULT.name
    said(advice.report())
    proposals = gs.next_test(finding)
    assert any("left belt" in p.words for p in proposals)
    for proposal in proposals:
        said(proposal.words)


def test_hand_instruments_ask_only_for_what_it_has(tmp_path: Path) -> None:
    tones = gs.instruments.BeltTones()
    sheets = tones.asked(MACHINE, None)
    assert [sheet.source for sheet in sheets] == ["left belt", "x belt"]
    assert "right" not in tones.write_template(tmp_path / "tones.csv", MACHINE).read_text()
    _, right, _ = tones.sheets(gs.Machine(), None)
    with pytest.raises(ValueError, match="belt must be one that the machine has, found 'right'"):
        gs.diagnose(right, MACHINE)
    slack = MACHINE.with_faults(gs.faults.SlackBelt("left", 0.4))
    finding = gs.diagnose(sheets[0].expected(slack), MACHINE)
    assert finding.best.faults == ("slack_belt_left",)


def test_sliders_turn_only_what_it_has() -> None:
    sliders = gs.explore(MACHINE, TEST).sliders
    assert {"belt_tension", "right_nuts"} <= set(sliders)
    assert "backlash" not in sliders


def test_its_log_and_its_file_are_opened_as_such(
    piece: gs.Piece, finding: gs.Finding, tmp_path: Path
) -> None:
    path = tmp_path / "one.json"
    log = gs.new_log(path, MACHINE, name="One").burned(piece, finding)
    log = log.adjusted(finding.adjustments(draws=40).adjustments[0])
    again = gs.open_log(path, architecture=OneSided)
    assert again.machine == MACHINE
    assert again.to_dict() == log.to_dict()
    said(again.report())
    with pytest.raises(ValueError, match="another architecture"):
        gs.open_log(path)
    wide = dataclasses.replace(MACHINE, span=500.0)
    file = gs.save_machine(wide, tmp_path / "one.toml")
    assert gs.read_machine(file, architecture=OneSided) == wide
    said(file.read_text())
    (tmp_path / "label.toml").write_text('[handbook]\nbelt = "2 mm glass"\n')
    labelled = gs.read_machine(tmp_path / "label.toml", architecture=OneSided)
    assert labelled.belt_left.ea > 1000.0
    assert labelled.belt_right == MACHINE.belt_right
    assert labelled.shaft == MACHINE.shaft
    said(repr(wide) + wide._repr_html_())
    file.write_text(file.read_text() + "\n[belt_right]\nea = 9000.0\n")
    with pytest.raises(ValueError, match="unknown key 'belt_right'"):
        gs.read_machine(file, architecture=OneSided)
