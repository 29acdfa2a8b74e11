"""Advice after a finding: what to turn and its risk, on machines of known fault."""

from __future__ import annotations

import csv
import dataclasses
import json
import math
import re

import matplotlib as mpl
import numpy as np
import pytest
from handchecks import point_of
from lifted import lift
from onefinding import Told
from scipy.integrate import quad
from scipy.stats import norm
from test_diagnose import TEST

import gantrysim as gs
from gantrysim.decisions.adjustment import _risks, _rounds, rows_of
from gantrysim.decisions.advice import CHECK, DO, LEAVE, Advice, advise
from gantrysim.decisions.diagnosis import Hypothesis
from gantrysim.decisions.nexttest import Look
from gantrysim.decisions.statements import sizes_drawn
from gantrysim.decisions.step import ALIKE_MINUTES, Costs, choose_step
from gantrysim.faults import Fault
from gantrysim.faults.adjusting import AdjustingPoint
from gantrysim.faults.belts import TONE_READING, BeltTension
from gantrysim.faults.healthy import HEALTHY_SCATTER
from gantrysim.faults.nuts import NUT_BY_HAND, Nuts
from gantrysim.faults.square import Square
from gantrysim.inference.assumptions import USUAL
from gantrysim.inference.fitting import Estimate, Fit
from gantrysim.inference.problem import Problem
from gantrysim.inference.solver import Mode
from gantrysim.machine.handbook import Handbook
from gantrysim.records.amounts import in_words

mpl.use("Agg")

HB = Handbook()


def hypothesis(
    *kinds: Fault,
    faults: tuple[str, ...] | None = None,
    p: float = 1.0,
    at: float = 0.5,
    sd: float = 0.1,
    identifiable: bool = True,
    converged: bool = True,
) -> Hypothesis:
    """An explanation whose faults' unknowns stand at `at`, all else at its nominal value."""
    problem = Problem(gs.Machine(), ())
    u = problem.start(kinds)
    u[len(HEALTHY_SCATTER) :] = at
    mode = Mode(kinds, u, sd**2 * np.eye(u.size), 0.0, 0.0, (), (), converged)
    names = tuple(k.name for k in kinds) if faults is None else faults
    return Hypothesis(
        faults=names,
        probability=p,
        magnitudes={k.name: Estimate(k.name, k.unit, 1.0, 0.9, 1.1, identifiable) for k in kinds},
        indistinguishable_from=(),
        log_evidence=0.0,
        words=" and ".join(k.words for k in kinds) or "something else",
        check="; ".join(k.check for k in kinds),
        fit=Fit(problem, mode, problem.machine(kinds, u)),
    )


@dataclasses.dataclass(frozen=True, eq=False)
class Stated(Told):
    """It is certain if it stands alone, whatever it was fitted to."""

    @property
    def certain(self) -> bool:
        return not self.best.indistinguishable_from and not self.few


def finding(*ranked: Hypothesis, group: int = 1, thin: bool = False) -> gs.Finding:
    others = tuple(h.faults for h in ranked[1:group])
    best = dataclasses.replace(ranked[0], indistinguishable_from=others)
    return Stated((), gs.Machine(), (best, *ranked[1:]), few=thin)


def kind(name: str) -> Fault:
    return next(k for k in gs.Machine().catalogue().faults if k.name == name)


@pytest.fixture(scope="module")
def found() -> gs.Finding:
    """A real finding: a piece of our own with its right plate 11 N too tight."""
    return gs.diagnose(lift(gs.Machine().with_faults(gs.faults.TightWheels("right", 11.0)), TEST))


# Words


def test_no_turn_is_told_where_no_size_is():
    loose = kind("loose_wheels_left")
    told = finding(hypothesis(loose)).adjustments(draws=20).adjustments[0]
    vague = finding(hypothesis(loose, identifiable=False)).adjustments(draws=20)
    assert re.search(r"Needed: .* degrees \(95 %\)", "\n".join(rows_of(told)))
    said = vague.report()
    assert not re.search(r"Needed|Afterwards|\d degrees|goes too far", said), said
    assert "how far is not to be guessed" in said
    assert "; this is for about the usual size, how big it is was not told" in said
    assert "For the log: what it really was, in degrees with a plus if it went this way" in said
    assert "degrees" not in repr(vague)
    (step,) = vague.adjustments
    assert (step.sized, step.expected) == (False, None)


def test_what_is_replaced_is_not_turned_by_an_amount():
    step = finding(hypothesis(kind("wheel_flat_left"))).adjustments(draws=20).adjustments[0]
    log = gs.new_log(None, gs.Machine(), name="Alder")
    silent, unknown = log.adjusted(step), log.adjusted(step, turned="unknown")
    assert unknown.report() == silent.report()
    row = silent.report().splitlines()[1]
    assert re.fullmatch(r"Turned at [^:]*: [^,]*, for flat on a wheel of the left plate\.", row), (
        row
    )
    assert unknown.belief.weights == silent.belief.weights


def test_a_step_says_the_amount_with_the_sign_that_a_log_takes(found):
    step = found.adjustments(draws=40).advised[0]
    said = "\n".join(rows_of(step))
    assert f"For the log: {step.amount:.0f} degrees, or what it really was" in said
    assert "; a healthy one has 3.0 N." in said
    assert step.amount < 0.0


def test_a_hand_is_not_asked_what_it_cannot_feel():
    healthy = gs.Machine()
    for fault, small, large, said in (
        (gs.faults.LooseWheels, 0.25, 1.2, "too small to be felt"),
        (gs.faults.TightWheels, 1.6, 12.0, "push the plate with a spring scale"),
    ):
        for size, asked in ((small, True), (large, False)):
            faulty = healthy.with_faults(fault("left", size))
            point = point_of(fault("left", size).name, healthy, HB)
            assert (said in point.expect(healthy, faulty)) == asked
            assert point.felt(healthy, faulty) != asked


def test_a_check_that_no_finger_feels_settles_nothing():
    for at, felt in ((0.0, False), (3.0, True)):
        loose = hypothesis(kind("loose_wheels_left"), p=0.6, at=at)
        told = finding(loose, hypothesis(kind("out_of_square"), p=0.4), group=2)
        look = Look.of(kind("loose_wheels_left"), gs.Machine())
        (proposal,) = gs.next_test(told, candidates=[look])
        assert (proposal.gain > 0.1) == felt
        assert ("next to nothing" in proposal.settles) != felt


def test_a_step_that_is_short_on_purpose_says_so():
    needed = np.random.default_rng(1).normal(-50.0, 12.0, 4000)
    step = choose_step(needed, hand=3.0, lacking=3.0, over=3.0)
    assert step.fraction < 1.0
    assert step.short > step.short_full > 0.25
    said = " ".join(_risks(step))
    assert "short on purpose, because going too far costs more: another round" in said
    # rounds of independent chances: their mean is 1 / (1 - p)
    assert [_rounds(p) for p in (0.3, 0.59, 0.7, 0.9)] == [
        "expect about 2 in all", "expect about 2 in all", "expect about 3 in all",
        "expect several in all",
    ]  # fmt: skip


def test_the_scanner_is_looked_at_before_the_machine_is_turned(found):
    square, scale = hypothesis(kind("out_of_square"), p=0.3), hypothesis(kind("scale_x"), p=0.6)
    bare = finding(scale, square, group=2)
    assert all(not a.first for a in bare.adjustments(draws=20).adjustments)
    piece = dataclasses.replace(found.pieces[0], scanner=gs.instruments.ScannerError())
    scanned = dataclasses.replace(bare, measured=(piece,))
    advice = scanned.adjustments(draws=20)
    for step in advice.adjustments:
        rows = rows_of(step)
        first = next(k for k, row in enumerate(rows) if row.startswith("Before it is turned: this"))
        assert "the scanner, which nobody checked: the piece scanned again" in rows[first]
        assert rows[first + 1].startswith("Once the check agrees")


# Points of adjustment


@pytest.mark.parametrize("part", ["left", "right", "carriage"])
@pytest.mark.parametrize("extra", [2.0, 7.0, 12.0])
def test_full_turn_brings_drag_back_to_nominal(part, extra):
    healthy = gs.Machine()
    tight = healthy.set(f"{part}.friction", healthy.value(part).friction + extra)
    nuts = point_of("tight_carriage" if part == "carriage" else f"tight_wheels_{part}", healthy, HB)
    amount = nuts.needed(tight, healthy)
    assert amount < -5.0
    after = nuts.turn(tight, amount)
    assert after.value(part).friction == pytest.approx(healthy.value(part).friction, rel=1e-9)
    assert nuts.reads(after) == after.value(part).friction
    others = {"left", "right", "carriage"} - {part}
    assert all(after.value(other) == healthy.value(other) for other in others)


def test_turn_is_that_of_the_nut_geometry():
    """Approach of a wheel on an eccentric is e sin(phi): worked by hand, no library call.

    The nominal wheel: 60 N on 600 N/mm, twice because its partner gives way alike, so 0.2 mm.
    An offset of 0.79 mm gives 0.20 mm at 15 degrees (facts of the trade, from memory).
    """
    healthy = gs.Machine()
    nuts = point_of("tight_wheels_left", healthy, HB)
    assert nuts.stands(healthy) == pytest.approx(math.degrees(math.asin(0.2 / 0.79)), rel=1e-9)
    assert nuts.stands(healthy) == pytest.approx(15.0, abs=0.5)
    tight = nuts.turn(healthy, 30.0)
    phi = math.asin(0.2 / 0.79) + math.radians(30.0)
    load = 600.0 * 0.79 * math.sin(phi) / 2.0
    assert tight.left.friction == pytest.approx(4 * (0.375 + 0.375 * (load / 60.0) ** 1.8))


def test_drag_falls_without_a_jump_as_a_nut_is_turned_back_also_beyond_its_reach():
    healthy = gs.Machine()
    nuts = point_of("tight_wheels_left", healthy, HB)
    stiff = healthy.set("left.friction", 24.0)  # more than these wheels pinch at 90 degrees
    assert nuts.stands(stiff) == pytest.approx(90.0)
    drags = [nuts.turn(stiff, -a).left.friction for a in np.linspace(0.0, 90.0, 91)]
    steps = np.diff(drags)
    assert drags[0] == 24.0
    assert (steps < 0.0).all()
    assert abs(steps).max() < 0.5
    assert drags[-1] == pytest.approx(1.5)  # four bearings of 0.375 N


@pytest.mark.parametrize("part", ["left", "right", "carriage"])
def test_turning_back_what_was_not_tight_leaves_it_loose(part):
    healthy = gs.Machine()
    nuts = point_of("tight_carriage" if part == "carriage" else f"tight_wheels_{part}", healthy, HB)
    wrong = nuts.turn(healthy, -30.0)
    back = 0.79 * math.sin(math.radians(30.0) - math.asin(0.2 / 0.79))
    if part == "carriage":
        load = 60.0 * ((2.2 / 4 - 0.375) / 0.375) ** (1 / 1.8)
        back = 0.79 * math.sin(math.radians(30.0) - math.asin(2 * load / 600 / 0.79))
        assert wrong.carriage.gap == pytest.approx(back)
    else:
        # nuts that leave a gap g at a wheel base of 75 mm: span 2 g / 75
        assert wrong.value(part).rack_clearance == pytest.approx(430.0 * 2.0 * back / 75.0)
    assert wrong.value(part).friction == pytest.approx(1.5)
    again = nuts.turn(wrong, 30.0)
    assert again.value(part).friction == pytest.approx(healthy.value(part).friction)
    assert nuts.reads(again) == pytest.approx(nuts.reads(healthy))


@pytest.mark.parametrize("part", ["left", "carriage"])
def test_full_turn_closes_a_play_that_was_told_as_an_effect(part):
    healthy = gs.Machine()
    fault = (
        gs.faults.LooseCarriage(0.15)
        if part == "carriage"
        else gs.faults.LooseWheels("left", 0.4, 0.5)
    )
    loose = healthy.with_faults(fault)
    name = "loose_carriage" if part == "carriage" else "loose_wheels_left"
    nuts = point_of(name, healthy, HB)
    amount = nuts.needed(loose, healthy)
    assert amount > 0.0
    after = nuts.turn(loose, amount)
    assert nuts.reads(loose) > 0.1
    assert nuts.reads(after) == pytest.approx(0.0, abs=1e-9)
    assert after.value(part).friction == pytest.approx(healthy.value(part).friction)


def test_belt_tone_is_that_of_the_string():
    """f = sqrt(T / m) / (2 L): form printed in the manuals of acoustic tension meters.

    Values worked by hand for a belt of 8.4 g/m (2 mm pitch, 6 mm wide, 1.4 g/m per mm): a span
    of 400 mm at 15.8 N, the makers' installation tension, sounds at 54.21 Hz, at 26.2 N at
    69.81 Hz; of 200 mm at 15.8 N at 108.42 Hz.
    """
    for length, tension, tone in ((400, 15.8, 54.21), (400, 26.2, 69.81), (200, 15.8, 108.42)):
        point = BeltTension("belt left", belt="left", length=length, mass=8.4e-3)
        machine = gs.Machine().set("belt_left.pretension", tension)
        assert point.stands(machine) == pytest.approx(tone, abs=0.01)
        slack = gs.Machine().with_faults(gs.faults.SlackBelt("left", 0.4, 1.5))
        tuned = point.turn(slack, tone - point.stands(slack))
        assert tuned.belt_left.pretension == pytest.approx(tension, rel=1e-3)
        assert tuned.belt_left.ea == gs.machine.Belt.ea  # off the toe of its curve again
        assert point.turn(slack, -2.0 * point.stands(slack)).belt_left.pretension == 0.0


def test_advice_has_the_belt_plucked_where_the_tone_sheet_has_it():
    for machine in (gs.Machine(), gs.Machine(travel_y=100.0)):
        sheets = {s.readings[0].belt: s for s in gs.instruments.BeltTones().sheets(machine, None)}
        for belt in ("left", "right", "x"):
            point = point_of(f"slack_belt_{belt}", machine, HB)
            assert isinstance(point, BeltTension)
            assert point.length == sheets[belt].readings[0].span
            assert point.position == machine.middle[belt != "x"]
            assert point.mass == pytest.approx(8.4e-3)


def test_diagonals_by_the_corners_of_the_sheared_rectangle():
    square = Square("square", span=430.0, travel=400.0)
    angle = 3.0e-3
    corners = [(0.0, 0.0), (430.0, 430.0 * angle), (0.0, 400.0), (430.0, 400.0 + 430.0 * angle)]
    a, b, c, d = (np.array(corner) for corner in corners)
    exact = np.linalg.norm(d - a) - np.linalg.norm(c - b)
    assert square.diagonals(3.0) == pytest.approx(exact, rel=1e-3)
    # the right end moved by 430 mm times 3 mrad, 1.29 mm, changes them by as much
    said = square.confirmed_by(430.0 * angle)
    assert "1.29 mm at the right end" in said
    assert f"is {in_words(abs(exact), 'mm')} of difference with marks 400 mm back" in said


def test_right_step_of_every_other_point_of_adjustment():
    healthy = gs.Machine()
    for fault, name, read in (
        (gs.faults.CouplerBacklash(0.3), "coupler_backlash", lambda m: m.shaft.backlash),
        (gs.faults.CouplerSlip(-0.9), "coupler_slip", lambda m: m.shaft.slip),
        (gs.faults.OutOfSquare(2.0), "out_of_square", lambda m: m.square),
        (gs.faults.ScaleError("x", 0.006), "scale_x", lambda m: m.scale_x),
        (gs.faults.ScaleError("y", -0.006), "scale_y", lambda m: m.scale_y),
        (gs.faults.PulleyRunout("left", 0.1), "pulley_runout_y", lambda m: m.belt_left.runout),
        (gs.faults.PulleyRunout("x", 0.1), "pulley_runout_x", lambda m: m.belt_x.runout),
    ):
        machine = healthy.with_faults(fault)
        point = point_of(name, healthy, HB)
        after = point.turn(machine, point.needed(machine, healthy))
        assert abs(read(machine)) > 1e-3
        assert read(after) == pytest.approx(0.0, abs=1e-12), name
        assert point.reads(after) == pytest.approx(0.0, abs=1e-9)


def test_steps_per_mm_count_from_the_motor_and_the_pulley():
    """200 full steps, 16 microsteps, 20 teeth of 2 mm: 80 a mm (arithmetic).

    A machine that covers 200.6 mm for 200 needs 80 * 200 / 200.6 = 79.761 steps per mm.
    """
    machine = gs.Machine().with_faults(gs.faults.ScaleError("y", 0.003))
    point = point_of("scale_y", gs.Machine(), HB)
    assert 80.0 + point.needed(machine, gs.Machine()) == pytest.approx(80.0 * 200.0 / 200.6)


def test_a_fault_without_a_known_adjustment_says_where_to_look():
    class SomethingNew(Fault):
        name = "something_new"
        check = "with the power off look at it"

    point = SomethingNew().adjusting_point(gs.Machine(), HB)
    assert type(point) is AdjustingPoint
    assert (point.place, point.look) == ("whole machine", "with the power off look at it")
    assert "before anything is turned" in point.way(0.0)


def test_a_plate_without_nuts_is_shimmed():
    plate = gs.machine.EndPlate(
        wheels=tuple(dataclasses.replace(w, row="fixed") for w in gs.machine.EndPlate().wheels)
    )
    point = point_of("tight_wheels_left", gs.Machine(left=plate), HB)
    assert "shim" in point.way(0.0)
    assert point.turn(gs.Machine(), -10.0) == gs.Machine()


# How far


def test_risk_of_a_step_is_that_of_the_integral():
    """Against adaptive quadrature of the normal densities (scipy), no draws."""
    mean, sd, hand, lacking, over = 30.0, 8.0, 3.0, 4.0, 6.0
    needed = mean + sd * np.random.default_rng(3).standard_normal(200_000)
    step = choose_step(needed, hand=hand, lacking=lacking, over=over)
    for fraction, too_far, short in (
        (step.fraction, step.overshoot, step.short),
        (1.0, step.overshoot_full, step.short_full),
    ):
        made = fraction * mean

        def beyond(x, made=made):
            return norm.pdf(x, mean, sd) * norm.sf(x + over, made, hand / 1.96)

        def below(x, made=made):
            return norm.pdf(x, mean, sd) * norm.cdf(x - lacking, made, hand / 1.96)

        wide = (mean - 9 * sd, mean + 9 * sd)
        assert too_far == pytest.approx(quad(beyond, *wide, limit=200)[0], abs=4e-3)
        assert short == pytest.approx(quad(below, *wide, limit=200)[0], abs=4e-3)
    assert 0.0 < step.fraction < 1.0
    assert step.overshoot < step.overshoot_full


def test_advised_part_has_the_least_expected_loss():
    mean, sd, hand, lacking, over = 20.0, 6.0, 3.0, 3.0, 4.0
    costs = Costs(round=30.0, overshoot=120.0)
    needed = norm.ppf((np.arange(4000) + 0.5) / 4000, mean, sd)
    step = choose_step(needed, hand=hand, lacking=lacking, over=over, costs=costs)
    both = math.hypot(sd, hand / 1.96)

    def loss(fraction):
        left = mean - fraction * mean
        return 30.0 * norm.sf(lacking, left, both) + 120.0 * norm.cdf(-over, left, both)

    grid = np.linspace(0.0, 1.0, 101)
    least = min(loss(f) for f in grid)
    assert loss(step.fraction) <= least + ALIKE_MINUTES + 0.05
    assert loss(min(step.fraction + 0.03, 1.0)) > least + ALIKE_MINUTES
    assert step.minutes == pytest.approx(loss(step.fraction), abs=0.05)


def test_dearer_overshoot_makes_a_shorter_step_and_a_sure_one_is_made_in_full():
    needed = np.random.default_rng(1).normal(-20.0, 8.0, 4000)
    parts = [
        choose_step(needed, hand=3.0, lacking=3.0, over=3.0, costs=Costs(40.0, c)).fraction
        for c in (20.0, 60.0, 200.0, 1000.0)
    ]
    assert parts == sorted(parts, reverse=True)
    assert parts[-1] < 0.7 * parts[0]
    sure = choose_step(np.full(50, -20.0), hand=1.0, lacking=3.0, over=3.0)
    assert (sure.fraction, sure.full) == (1.0, -20.0)
    assert max(sure.overshoot, sure.short) < 1e-3


def test_what_is_set_by_a_reading_needs_no_knowledge_of_the_fault():
    needed = np.random.default_rng(1).normal(50.0, 20.0, 500)
    step = choose_step(needed, hand=3.0, lacking=9.0, over=11.0, by_reading=True)
    assert step.fraction == 1.0
    assert step.overshoot < 1e-6


def test_wrong_costs_and_draws_are_refused():
    with pytest.raises(ValueError, match="round must be a finite number above 0"):
        Costs(round=0.0)
    with pytest.raises(ValueError, match="finite numbers"):
        choose_step(np.array([1.0, np.nan]), lacking=1.0, over=1.0)
    with pytest.raises(ValueError, match="draws"):
        advise(finding(hypothesis(kind("scale_x"))), draws=3)


def test_a_setting_that_can_be_set_back_is_made_in_full():
    """As far too much as too little costs one round: the median is the best there is."""
    scale = advise(finding(hypothesis(kind("scale_x")))).adjustments[0]
    assert scale.step.fraction > 0.95
    assert scale.step.overshoot == pytest.approx(scale.step.short, abs=0.1)


# Advice


NAMES = [
    *dict.fromkeys(k.name for k in gs.Machine().catalogue().faults),
    "lost_steps",
    "unlisted",
]


@pytest.mark.parametrize("name", NAMES)
def test_every_fault_has_a_way_a_unit_a_check_and_a_caution(name):
    kinds = [k for k in gs.Machine().catalogue().faults if k.name == name][:1]
    advice = advise(finding(hypothesis(*kinds, faults=(name,))), draws=40)
    (adjustment,) = advice.adjustments
    assert adjustment.fault == name
    for text in (adjustment.way, adjustment.unit, adjustment.confirm, adjustment.place):
        assert text
    assert "disconnected" in adjustment.safety
    assert "re-home" in adjustment.safety
    assert "manual" in adjustment.safety
    (check,) = advice.checks
    assert "power off" in check.words or "laser disconnected" in check.words
    assert check.expect
    assert math.isfinite(adjustment.amount)
    after = adjustment.apply(advice.machine, full=True)
    if adjustment.expected is not None:
        assert adjustment.expected.low <= adjustment.expected.high
        assert after != advice.machine
        here = adjustment.point.stands(after)
        assert here == pytest.approx(adjustment.target, abs=0.05 * abs(adjustment.amount) + 0.06)
    else:
        assert after == advice.machine
        assert name.startswith("wheel_flat") or name in ("lost_steps", "unlisted")
    assert adjustment.words in advice.report()
    json.dumps(advice.to_dict(), allow_nan=False)


def test_signs_of_the_ways():
    def way(name, at=0.5):
        return advise(finding(hypothesis(kind(name), at=at)), draws=40).adjustments[0]

    assert "turn each of the 2 eccentric nuts back" in way("tight_wheels_left").way
    assert way("tight_wheels_left").amount < 0.0
    assert "tighter" in way("loose_wheels_right").way
    assert way("loose_wheels_right").amount > 0.0
    assert way("loose_carriage").place == "nut carriage"
    assert way("slack_belt_x").amount > 0.0
    assert "fewer steps per mm for X" in way("scale_x").way  # it moves too far
    assert "more steps per mm for Y" in way("scale_y", at=-0.5).way
    assert "toward home" in way("coupler_slip").way  # the right side is ahead
    assert "away from home" in way("coupler_slip", at=-0.5).way
    assert "toward home" in way("out_of_square").way


def test_a_pair_gets_both_steps_and_a_variant_names_its_pulleys():
    both = hypothesis(kind("tight_carriage"), kind("out_of_square"))
    advice = advise(finding(both), draws=40)
    assert [a.place for a in advice.advised] == ["nut carriage", "square"]
    after = advice.machine_after(full=True)
    assert after.carriage.friction == pytest.approx(2.2, abs=0.4)
    assert after.square == pytest.approx(0.0, abs=0.1)
    assert "one test afterwards shows both" in advice.report()
    two = next(k for k in gs.Machine().catalogue().modelled if k.variant == "left and right")
    told = advise(finding(hypothesis(two)))
    assert "both Y motor-side pulleys up on their shafts" in told.adjustments[0].way
    # a dial indicator reads twice the eccentricity: who repairs must know which of both is said
    report = told.report()
    assert "until next to no eccentricity is left" in report
    (least,) = re.findall(r"dial indicator on it reads about ([\d.]+) mm less", report)
    assert float(least) == pytest.approx(-2.0 * told.adjustments[0].amount, abs=0.005)
    assert two.words == "the Y pulleys run out of true, most likely both"
    assert "by twice the eccentricity" in two.check
    assert "most likely the left one" in kind("pulley_runout_y").words


def test_ambiguity_asks_for_the_check_that_is_likeliest_to_agree_for_its_minutes():
    slip = hypothesis(kind("coupler_slip"), p=0.6)
    square = hypothesis(kind("out_of_square"), p=0.4)
    advice = advise(finding(slip, square, group=2), draws=40)
    assert [c.fault for c in advice.checks] == ["coupler_slip", "out_of_square"]
    worth = [a.probability / a.check.minutes for a in advice.adjustments]
    assert worth == sorted(worth, reverse=True)
    assert all(c.splits for c in advice.checks)
    assert {a.action for a in advice.adjustments} == {CHECK}
    report = advice.report()
    assert report.index("Check in this order until one agrees") < report.index("Once the check")
    assert len(advice.advised) == 1


def test_what_is_set_by_a_reading_cannot_be_set_wrong_in_vain():
    """The tone is read while the belt is set: no check is worth its minutes before that."""
    sure = USUAL.credible + 0.01
    slack = advise(finding(hypothesis(kind("slack_belt_left"), p=sure)), draws=40)
    tight = advise(finding(hypothesis(kind("tight_wheels_left"), p=sure)), draws=40)
    assert [a.action for a in slack.adjustments] == [DO]
    assert [a.action for a in tight.adjustments] == [CHECK]
    # but what is not known well enough to act on is looked at first, whatever it costs
    doubtful = hypothesis(kind("slack_belt_left"), p=USUAL.credible - 0.01)
    assert [a.action for a in advise(finding(doubtful), draws=40).adjustments] == [CHECK]


def test_a_check_that_reads_how_far_is_joined_to_what_the_piece_said():
    nominal = gs.Machine()
    (vague,) = advise(finding(hypothesis(kind("coupler_slip"), at=0.9, sd=0.4))).adjustments
    own, read = (vague.step.high - vague.step.low) / 3.92, 0.1 / 1.96
    assert own > 5.0 * read
    better = vague.after_check(-0.6, error=0.1, nominal=nominal)
    middle = (vague.step.full / own**2 - 0.6 / read**2) / (own**-2 + read**-2)
    assert better.step.full == pytest.approx(middle, rel=1e-6)
    sd = (own**-2 + read**-2) ** -0.5
    assert better.step.high - better.step.low == pytest.approx(3.92 * sd, rel=0.02)
    # loss of the full step: both tails beyond the room of 0.1 mm, check and hand together
    tail = float(norm.sf(0.1, scale=math.hypot(sd, 0.1 / 1.96)))
    assert better.step.overshoot_full == pytest.approx(tail, rel=0.05)
    assert better.step.minutes < vague.step.minutes / 2.0


def test_a_vague_check_leaves_the_step_and_a_nonsense_one_is_refused():
    nominal = gs.Machine()
    (step,) = advise(finding(hypothesis(kind("coupler_slip"), at=0.9, sd=0.05))).adjustments
    vague = step.after_check(3.0, error=100.0, nominal=nominal)
    assert vague.step.full == pytest.approx(step.step.full, abs=1e-3)
    with pytest.raises(ValueError, match="above 0"):
        step.after_check(3.0, error=0.0, nominal=nominal)
    with pytest.raises(ValueError, match="finite"):
        step.after_check(math.nan, error=0.1, nominal=nominal)
    (belt,) = advise(finding(hypothesis(kind("slack_belt_left")))).adjustments
    assert belt.after_check(50.0, error=3.0, nominal=nominal) is belt


def test_what_all_explanations_share_need_not_wait_for_the_split():
    tight = kind("tight_carriage")
    one = hypothesis(tight, kind("coupler_slip"), p=0.6)
    two = hypothesis(tight, kind("out_of_square"), p=0.4)
    advice = advise(finding(one, two, group=2), draws=40)
    actions = {a.fault: a.action for a in advice.adjustments}
    assert actions["tight_carriage"] == DO
    assert actions["coupler_slip"] == CHECK
    assert {c.fault: c.splits for c in advice.checks}["tight_carriage"] is False
    assert next(a for a in advice.adjustments if a.fault == "tight_carriage").probability == 1.0


@pytest.mark.parametrize(
    ("p", "told", "thin", "action"),
    [(0.99, True, False, DO), (0.96, True, False, CHECK), (0.99, False, False, CHECK),
     (0.99, True, True, CHECK)],
)  # fmt: skip
def test_an_action_is_weighed(p, told, thin, action):
    """(1 - p) 90 min of a turn in vain against 2 min of finger work; p 40 min of gain."""
    own = hypothesis(kind("tight_wheels_left"), p=p, identifiable=told)
    advice = advise(finding(own, thin=thin), draws=40)
    assert advice.adjustments[0].action == action
    assert (advice.advised == ()) == (action == LEAVE)


def test_what_gains_less_than_its_check_costs_is_left():
    """p 40 min of gain against 10 min for the diagonals."""
    for p, action in ((0.2, LEAVE), (0.3, CHECK)):
        own = hypothesis(kind("out_of_square"), p=p)
        assert advise(finding(own), draws=40).adjustments[0].action == action


def test_a_hint_is_checked_first_also_where_the_whole_group_shares_it():
    tight = kind("tight_carriage")

    def shared(*, thin=False, converged=True):
        one = hypothesis(tight, kind("coupler_slip"), p=0.6, converged=converged)
        two = hypothesis(tight, kind("out_of_square"), p=0.4)
        advice = advise(finding(one, two, group=2, thin=thin), draws=40)
        return advice.adjustments[0].action

    assert shared() == DO
    assert shared(thin=True) == CHECK
    assert shared(converged=False) == CHECK
    alone = hypothesis(kind("tight_wheels_left"), p=0.99, converged=False)
    assert advise(finding(alone), draws=40).adjustments[0].action == CHECK


def test_amounts_come_from_the_draws_behind_the_stated_interval():
    """Whatever these draws are: a signed amount is exactly as wide as the interval stated."""
    slip = hypothesis(kind("coupler_slip"), at=0.9, sd=0.2)
    rng = np.random.default_rng(6)
    for width in (0.1, 0.4):
        fit = dataclasses.replace(slip.fit)
        draws = np.tile(slip.fit.mode.u, (3000, 1))
        draws[:, -1] += width * rng.exponential(size=3000)  # nothing normal about them
        fit.__dict__["draws"] = draws
        own = dataclasses.replace(slip, fit=fit, magnitudes=fit.magnitudes)
        (screw,) = advise(finding(own), draws=3000).adjustments
        told = fit.magnitudes["coupler_slip"]
        assert screw.step.high - screw.step.low == pytest.approx(told.high - told.low, rel=1e-6)
        # of an exponential: between -ln 0.975 and -ln 0.025
        spread = width * kind("coupler_slip").parameters[0].spread * math.log(0.975 / 0.025)
        assert told.high - told.low == pytest.approx(spread, rel=0.1)


def test_healthy_is_left_alone():
    own = hypothesis(faults=())
    advice = advise(finding(own))
    assert advice.adjustments == ()
    assert "Nothing to adjust" in advice.report()
    assert repr(advice) == "Advice(nothing to adjust)"
    assert advice.machine_after() == own.fit.machine


def test_wide_doubt_makes_a_partial_turn_that_rarely_loses_contact():
    """The advised part loses contact less often than the full step, counted on fresh machines."""
    own = hypothesis(kind("tight_wheels_left"), at=0.0, sd=0.8)
    costs = Costs(round=20.0, overshoot=400.0)
    advice = advise(finding(own), costs=costs, draws=300)
    (nut,) = advice.adjustments
    assert nut.step.fraction < 0.9
    rng = np.random.default_rng(5)
    lost = {False: 0, True: 0}
    for _ in range(300):
        extra = 9.0 * math.exp(0.6 * 0.8 * rng.standard_normal())
        real = gs.Machine().set("left.friction", 3.0 + extra)
        for full in lost:
            lost[full] += nut.apply(real, full=full, rng=rng).left.rack_clearance > 0.0
    assert lost[False] < lost[True]
    # the advice also doubts the scatter of drag and the nut itself: it promises no less
    assert lost[True] / 300 == pytest.approx(nut.step.overshoot_full, abs=0.07)
    assert lost[False] / 300 <= nut.step.overshoot + 0.03


def test_risk_of_a_nut_that_nobody_described_is_that_of_its_doubt():
    """Its effect is lognormal and the hand's error normal: quadrature (scipy), no draws."""
    nut = advise(finding(hypothesis(kind("tight_wheels_left"), sd=1e-6)), draws=1000).adjustments[0]
    full = abs(nut.step.full)
    lacking, over = nut.point.room(gs.Machine(), math.copysign(1.0, nut.step.full))

    def made(x):
        return full * math.exp(nut.point.doubt * x)

    def too_far(x):
        return norm.pdf(x) * norm.sf(full + over, made(x), NUT_BY_HAND / 1.96)

    def short(x):
        return norm.pdf(x) * norm.cdf(full - lacking, made(x), NUT_BY_HAND / 1.96)

    assert nut.step.overshoot_full == pytest.approx(quad(too_far, -8.0, 8.0)[0], abs=0.02)
    assert nut.step.short_full == pytest.approx(quad(short, -8.0, 8.0)[0], abs=0.02)


def test_workmanship_is_that_of_a_hand():
    own = hypothesis(kind("tight_wheels_left"), at=0.0, sd=0.02)
    nut = advise(finding(own), draws=40).adjustments[0]
    real = gs.Machine().with_faults(gs.faults.TightWheels("left", 9.0))
    rng = np.random.default_rng(2)
    assert isinstance(nut.point, Nuts)
    turned = [nut.point.stands(nut.apply(real, rng=rng)) for _ in range(400)]
    assert np.std(turned) == pytest.approx(NUT_BY_HAND / 1.96, rel=0.12)
    exact = nut.apply(real).left.friction
    assert exact == pytest.approx(3.0, abs=0.6)
    belt = advise(finding(hypothesis(kind("slack_belt_left"))), draws=40).adjustments[0]
    tones = [belt.point.stands(belt.apply(gs.Machine(), rng=rng)) for _ in range(400)]
    assert np.std(tones) == pytest.approx(TONE_READING * belt.target / 1.96, rel=0.12)
    assert np.mean(tones) == pytest.approx(belt.target, rel=0.01)  # a healthy belt stays tuned


def test_what_is_expected_of_a_tuned_belt_is_as_wide_as_an_ear_is_wrong():
    """A tone read to 3 % (95 %) sets the tension, which goes with its square, to 6 %."""
    (belt,) = advise(finding(hypothesis(kind("slack_belt_left"), sd=0.01)), draws=4000).adjustments
    assert belt.expected is not None
    tension = gs.Machine().belt_left.pretension
    assert belt.expected.estimate == pytest.approx(tension, rel=0.005)
    low, high = (tension * (1.0 + sign * TONE_READING) ** 2 for sign in (-1.0, 1.0))
    assert belt.expected.low == pytest.approx(low, rel=0.008)
    assert belt.expected.high == pytest.approx(high, rel=0.008)


def test_room_of_a_belt_is_that_of_its_tension_against_its_partner():
    """Tightened it may stop a fifth short or go a quarter beyond, eased the other way round."""
    point, nominal = point_of("slack_belt_left", gs.Machine(), HB), gs.Machine()
    short, beyond = point.room(nominal, 1.0)
    tension = gs.Machine().belt_left.pretension
    assert point.reads(point.turn(nominal, -short)) == pytest.approx(0.8 * tension)
    assert point.reads(point.turn(nominal, beyond)) == pytest.approx(1.25 * tension)
    assert point.room(nominal, -1.0) == pytest.approx((beyond, short))


def test_default_nuts_are_said_to_be_so_and_described_ones_are_not():
    told = advise(finding(hypothesis(kind("tight_wheels_left"))), draws=40)
    assert "compare with your nut" in told.report()
    plate = gs.machine.EndPlate(
        wheels=tuple(dataclasses.replace(w, nut_offset=0.5) for w in gs.machine.EndPlate().wheels)
    )
    described = point_of("tight_wheels_left", gs.Machine(left=plate), HB)
    assert "0.5 mm offset, as described" in described.note
    assert described.doubt == 0.0


def test_same_seed_same_advice():
    own = finding(hypothesis(kind("tight_wheels_left"), sd=0.5))
    first, again, other = (advise(own, draws=40, seed=s).to_dict() for s in (4, 4, 5))
    assert first == again
    assert first != other


def test_loop_closes_on_a_real_finding(found):
    advice = advise(found)
    nut = advice.adjustments[0]
    assert (nut.fault, nut.place, nut.unit) == ("tight_wheels_right", "nut right", "degrees")
    assert nut.step.low <= nut.step.full <= nut.step.high < 0.0
    real = gs.Machine().with_faults(gs.faults.TightWheels("right", 11.0))
    truth = nut.point.needed(real, gs.Machine())
    assert nut.step.low <= truth <= nut.step.high
    after = advice.machine_after(real)
    assert after.right.friction < 6.0
    assert nut.expected is not None
    assert nut.expected.low <= after.right.friction <= nut.expected.high
    before, mended = (gs.simulate(m, TEST).rms_error() for m in (real, after))
    assert mended < before
    assert advice.predict(TEST).machine == advice.machine_after()


def test_advice_shows_and_exports_itself(found, tmp_path):
    advice = advise(found)
    assert isinstance(advice, Advice)
    assert "nut right" in repr(advice)
    assert "<table>" in advice._repr_html_()
    for words in ("degrees", "95 % between", "Confirm", "another round", "re-home", "finger"):
        assert words in advice.report()
    path = advice.to_csv(tmp_path / "advice.csv")
    lines = path.read_text(encoding="utf-8").splitlines()
    rows = list(csv.DictReader(line for line in lines if not line.startswith("#")))
    assert len(rows) == len(advice.adjustments)
    assert rows[0]["place"] == "nut right"
    assert float(rows[0]["amount"]) == pytest.approx(advice.adjustments[0].amount, rel=1e-5)
    with pytest.raises(FileExistsError):
        advice.to_csv(path)
    assert json.loads(json.dumps(advice.to_dict()))["adjustments"][0]["unit"] == "degrees"


def test_picture_before_and_after_says_its_magnification(found):
    import matplotlib.pyplot as plt

    figure, own = plt.subplots()
    advice = advise(found)
    ax = advice.plot(ax=own)
    assert ax is own
    texts = " ".join(t.get_text() for t in ax.texts)
    assert "errors drawn ×" in texts
    assert "rms before" in ax.get_title(loc="left")
    assert [t.get_text() for t in ax.get_legend().get_texts()] == ["commanded", "before", "after"]
    plt.close(figure)


def test_what_is_needed_has_the_interval_that_the_finding_says():
    own = finding(hypothesis(kind("coupler_slip"), sd=0.5))
    (setting,) = advise(own).adjustments
    low, high = np.quantile(sizes_drawn(own.best, "coupler_slip"), [0.025, 0.975])
    ends = sorted((-setting.step.low, -setting.step.high))
    assert ends == pytest.approx([low, high], abs=0.005)  # mm: half of what is said
