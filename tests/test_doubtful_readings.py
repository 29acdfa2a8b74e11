"""Readings by hand that are wrong: misread by an octave, in another unit, of another piece."""

from __future__ import annotations

import dataclasses
import functools
import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from lifted import lift

import gantrysim as gs
from gantrysim.instruments.push import OTHER_UNITS
from gantrysim.instruments.readingterm import CORE, DISAGREES, WRONG
from gantrysim.instruments.tones import OCTAVE

HEALTHY = gs.Machine()
TEST = gs.ring_test(spacing=10.0, largest=30.0, centre=(215.0, 200.0))
Sheet = gs.instruments.ReadingSheet


def changed(sheet: Any, factor: float, which: Callable[[int, Any], bool]) -> Any:
    """The sheet with some readings times a factor."""
    name = sheet._value_field()
    readings = (
        dataclasses.replace(r, **{name: factor * getattr(r, name)}) if which(k, r) else r
        for k, r in enumerate(sheet.readings)
    )
    return dataclasses.replace(sheet, readings=tuple(readings))


def tones(machine: gs.Machine = HEALTHY) -> gs.instruments.ToneSheet:
    sheets = gs.instruments.BeltTones().sheets(machine, None)
    read = [r for s in sheets for r in s.expected(machine).readings]
    return gs.instruments.ToneSheet(tuple(read), "tones.csv")


def pushes(machine: gs.Machine = HEALTHY) -> gs.instruments.PushSheet:
    sheets = list(gs.instruments.PushByHand().sheets(machine, None))[:2]
    read = [r for s in sheets for r in s.expected(machine).readings]
    return gs.instruments.PushSheet(tuple(read), "push.csv")


@functools.cache
def piece() -> gs.Piece:
    return lift(HEALTHY, TEST, noise=0.012, seed=5)


def misfit(sheet: Any, machine: gs.Machine) -> float:
    """Of a sheet on a machine with nothing shared, nats."""
    term = sheet.likelihood_term(HEALTHY)
    return float(term.metric.half_square(term.residual(machine, np.zeros(term.n_nuisance))))


def alone(sheet: Any) -> np.ndarray:
    return np.hypot(sheet.uncertainty, sheet.model_error)


def test_a_reading_costs_a_normal_core_then_a_logarithm_then_a_mistake():
    """The closed form: half the square, then the tails of a Cauchy density, then one in fifty."""
    sheet = pushes()
    (one,) = [r for r in sheet.readings if (r.at, r.what) == ("left", "keep_forward_n")]
    right = dataclasses.replace(sheet, readings=(one,))
    for z in (0.5, -1.7, 3.0, -3.4):
        # what is read changes what a reading of it is good for: fixed point in three rounds
        value = one.value
        for _ in range(40):
            now = dataclasses.replace(right, readings=(dataclasses.replace(one, value=value),))
            value = one.value + z * float(alone(now)[0])
        size = abs(z)
        tail = 1.5 * (1.0 + 2.0 * math.log(size / CORE)) if size > CORE else 0.5 * size**2
        assert misfit(now, HEALTHY) == pytest.approx(tail, rel=1e-6)
    wild = changed(right, 12.0, lambda k, r: True)
    (u,) = alone(wild)
    broad = 0.5 * ((wild.values[0] - one.value) / wild.values[0]) ** 2
    assert misfit(wild, HEALTHY) == pytest.approx(
        math.log(wild.values[0] / u) - math.log(WRONG) + broad
    )


@pytest.mark.parametrize("factor", [1.05, 1.2, 1.6, 3.0])
def test_slopes_hold_in_the_core_in_the_tail_and_beyond(factor):
    sheet = changed(tones(), factor, lambda k, r: k == 0)
    term = sheet.likelihood_term(HEALTHY)
    v = np.linspace(-0.3, 0.4, term.n_nuisance)

    def there(h: float) -> gs.Machine:
        return HEALTHY.set("belt_left.pretension", HEALTHY.belt_left.pretension * (1.0 + h))

    h = 1e-6
    _, slopes = term.linearise(there(0.0), [there(h)], ["y"], h, v)
    wide = (term.residual(there(h), v) - term.residual(there(-h), v)) / (2.0 * h)
    assert slopes[:, 0] == pytest.approx(wide, rel=1e-4, abs=1e-5)
    for k in range(v.size):
        step = h * np.eye(v.size)[k]
        both = [term.residual(HEALTHY, v + sign * step) for sign in (1.0, -1.0)]
        assert slopes[:, 1 + k] == pytest.approx((both[0] - both[1]) / (2.0 * h), abs=1e-5)


def test_an_octave_costs_its_price_once_a_belt():
    for which in (lambda k, r: r.belt == "left", lambda k, r: k == 1):
        for factor in (2.0, 0.5):
            assert misfit(changed(tones(), factor, which), HEALTHY) == pytest.approx(
                -math.log(OCTAVE), abs=1e-6
            )
    both = changed(tones(), 2.0, lambda k, r: r.belt in ("left", "x"))
    assert misfit(both, HEALTHY) == pytest.approx(-2.0 * math.log(OCTAVE), abs=1e-6)
    assert misfit(tones(), HEALTHY) == 0.0
    # a factor that is no octave is none
    assert misfit(changed(tones(), 1.5, lambda k, r: r.belt == "left"), HEALTHY) > 6.0


def test_doubts_name_what_is_wrong_and_only_that():
    def said(sheet: Any) -> tuple[str, ...]:
        term = sheet.likelihood_term(HEALTHY)
        return tuple(term.doubts(HEALTHY, np.zeros(term.n_nuisance)))

    assert said(tones()) == said(pushes()) == ()
    (octave,) = said(changed(tones(), 2.0, lambda k, r: r.belt == "left"))
    assert "of the left belt look read an octave too high" in octave
    for unit, newtons in OTHER_UNITS.items():
        (forces,) = said(changed(pushes(), 1.0 / newtons, lambda k, r: r.unit == "N"))
        assert f"written in {unit}, not in N" in forces
    (one,) = said(changed(pushes(), 4.0, lambda k, r: k == 0))
    assert one.startswith("push.csv and what else is known disagree: left, motor off: ")
    assert one.count(";") == 1
    slight = changed(pushes(), 1.0 + 0.9 * DISAGREES * 0.05, lambda k, r: k == 0)
    assert said(slight) == ()


def test_a_piece_doubts_what_neither_scanner_nor_wood_does():
    """One per cent one way is ten times what a cheap scanner does, and thirty what plywood does."""
    term = piece().likelihood_term(HEALTHY)
    v = np.zeros(term.n_nuisance)
    assert term.doubts(HEALTHY, v) == ()
    usual = term._reader.deviations[1]
    v[4] = 0.002 / usual
    assert term.doubts(HEALTHY, v) == ()
    v[4] = 0.01 / usual
    (said,) = term.doubts(HEALTHY, v)
    assert "1 % longer one way than the other" in said


def test_a_piece_that_was_laid_down_anyhow_does_not_say_which_way_up_it_was_burned():
    for turn, doubted in ((8.0, False), (-40.0, True)):
        there = lift(HEALTHY, TEST, turn=math.radians(turn)).likelihood_term(HEALTHY)
        said = there.doubts(HEALTHY, np.zeros(there.n_nuisance))
        assert (f"turned by {turn:.0f} degrees" in "".join(said)) == doubted


def innocent(finding: gs.Finding) -> None:
    """Nobody is told to turn a thing: nothing is certain, and no point is stated at fault."""
    assert not (finding.certain and finding.best.faults), finding.report()
    worst = finding.points[0]
    assert worst.probability < 0.5, finding.report()
    assert all(a.action != "do now" for a in finding.adjustments().adjustments)


MISREAD = {
    "an octave on a belt": lambda: changed(tones(), 2.0, lambda k, r: r.belt == "left"),
    "one tone an octave low": lambda: changed(tones(), 0.5, lambda k, r: k == 0),
    "one tone misread": lambda: changed(tones(), 0.6, lambda k, r: k == 2),
}


@pytest.mark.parametrize("slip", ["an octave on a belt", "one tone an octave low"])
def test_hand_readings_alone_name_nobody_for_a_slip(slip):
    innocent(gs.diagnose(MISREAD[slip](), HEALTHY))


@pytest.mark.slow
@pytest.mark.parametrize("slip", ["an octave on a belt", "one tone misread"])
def test_a_slip_beside_a_healthy_piece_names_nobody(slip):
    finding = gs.diagnose([piece(), MISREAD[slip]()], HEALTHY)
    innocent(finding)
    assert finding.doubts
    assert finding.best.faults == ()
    assert finding.doubts[0][1:] in finding.report()


@pytest.mark.slow
def test_calipers_of_another_piece_are_said_to_disagree():
    other = HEALTHY.with_faults(gs.faults.ScaleError("y", 0.01))
    (sheet,) = gs.instruments.Calipers().sheets(HEALTHY, TEST)
    finding = gs.diagnose([piece(), sheet.expected(other)], HEALTHY)
    assert not finding.certain
    assert "longer one way than the other" in finding.doubts[0]
    assert "machine" in [slip.kind for slip, _ in finding.slips]
    assert all(a.action != "do now" for a in finding.adjustments().adjustments)


@pytest.mark.slow
def test_a_fault_that_readings_and_piece_agree_on_is_found():
    """Heavy tails cost little where nothing is wrong with the readings."""
    slack = HEALTHY.with_faults(gs.faults.SlackBelt("left", stiffness_factor=0.4, pretension=2.0))
    finding = gs.diagnose([lift(slack, TEST, noise=0.012, seed=5), tones(slack)], HEALTHY)
    assert finding.best.faults == ("slack_belt_left",)
    assert finding.best.probability > 0.95
    assert finding.doubts == ()
