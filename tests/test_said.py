"""What is said of a finding does not contradict itself, over findings made at random.

One sorting decides what is found, what is not told and what is to be turned
(`gantrysim.decisions.standing`): here the sentences themselves are read, as a person reads them.
"""

from __future__ import annotations

import dataclasses
import functools
import re

import numpy as np
import pytest
from onefinding import Told

import gantrysim as gs
from gantrysim.decisions.adjustment import CHECK, DO, LEADS, LEAVE
from gantrysim.decisions.advice import Advice
from gantrysim.decisions.diagnosis import Hypothesis
from gantrysim.decisions.nexttest import Proposals
from gantrysim.decisions.reasons import why_alike
from gantrysim.decisions.standing import MOST
from gantrysim.decisions.words import SOUND
from gantrysim.faults import Fault
from gantrysim.inference.assumptions import USUAL
from gantrysim.inference.fitting import Estimate, Fit
from gantrysim.inference.parameters import Belief, values_at
from gantrysim.inference.problem import Problem
from gantrysim.inference.solver import Mode
from gantrysim.machine.handbook import Handbook
from gantrysim.records.amounts import STEPS, about, between, in_words, probability, with_interval

MACHINE = gs.Machine()
CATALOGUE = MACHINE.catalogue()
FAULTS = CATALOGUE.modelled + CATALOGUE.sought
DRAWS = 60


def explanation(
    rng: np.random.Generator, faults: tuple[Fault, ...], names: tuple[str, ...], p: float
) -> Hypothesis:
    """An explanation whose unknowns stand anywhere, and are known anyhow."""
    problem = Problem(MACHINE, (), Belief.fresh(CATALOGUE.scatter))
    u = problem.start(faults)
    n = len(CATALOGUE.scatter)
    u[n:] = rng.uniform(-1.5, 2.0, u.size - n)
    deviation = np.where(rng.random(u.size) < 0.4, 0.3, 1.0)
    deviation[n:] = rng.choice([1e-6, 0.02, 0.2, 1.0])
    mode = Mode(faults, u, np.diag(deviation**2), 0.0, 0.0, (), (), bool(rng.random() < 0.8))
    fit = Fit(problem, mode, problem.machine(faults, u))
    draws = u + deviation * rng.standard_normal((DRAWS, u.size))
    fit.__dict__["draws"] = draws
    sizes = {}
    for fault, cut in zip(faults, problem.fault_cuts(faults), strict=True):
        drawn = [fault.magnitude(*values_at(fault.parameters, x)) for x in draws[:, cut]]
        ends = np.quantile(drawn, [0.5, 0.025, 0.975])
        told = bool(rng.random() < 0.7)
        sizes[fault.name] = Estimate(fault.name, fault.unit, *map(float, ends), told)
    words = " and ".join(CATALOGUE.named(name).words for name in names) or SOUND
    return Hypothesis(names, p, sizes, (), 0.0, words, "", fit)


@functools.cache
def finding(seed: int) -> Told:
    """A finding of up to twenty explanations of any probability."""
    rng = np.random.default_rng(seed)
    sets: dict[tuple[str, ...], tuple[Fault, ...]] = {(): ()}
    for _ in range(int(rng.integers(1, 20))):
        pair = [FAULTS[k] for k in rng.choice(len(FAULTS), size=rng.integers(1, 3), replace=False)]
        names = tuple(sorted({f.name for f in pair}))
        if len(names) == len(pair) and not any(f.sought for f in pair):
            sets[names] = tuple(sorted(pair, key=lambda f: f.name))
    sets |= {(f.name,): () for f in CATALOGUE.unmodelled[: int(rng.integers(0, 3))]}
    chances = np.sort(rng.dirichlet(np.full(len(sets), rng.choice([0.02, 0.02, 0.2, 1.0, 5.0]))))[
        ::-1
    ]
    order = [list(sets)[k] for k in rng.permutation(len(sets))]
    if seed % 8 == 0:  # a sound machine
        order.sort(key=len)
        chances = 0.03 * chances
        chances[0] += 0.97
    if seed % 8 == 1:  # as believed before
        order.sort(key=lambda names: -CATALOGUE.prior(names))
        chances = np.array([CATALOGUE.prior(names) for names in order])
        chances /= chances.sum()
    ranked = [
        explanation(rng, sets[names], names, float(p))
        for names, p in zip(order, chances, strict=True)
    ]
    count = int(np.searchsorted(np.cumsum(chances), USUAL.together)) + 1
    group = [h.faults for h in ranked[:count]]
    ranked = [
        dataclasses.replace(h, indistinguishable_from=tuple(f for f in group if f != h.faults))
        if h.faults in group
        else h
        for h in ranked
    ]
    return Told((), MACHINE, tuple(ranked), few=seed % 5 == 4)


@functools.cache
def advised(seed: int) -> Advice:
    return finding(seed).adjustments(draws=20)


SEEDS = range(16)

#: What nobody at a machine calls anything.
CODE = {f.name for f in (*FAULTS, *CATALOGUE.unmodelled) if "_" in f.name}
CODE |= {s.parameter.name for s in CATALOGUE.scatter} - {"squareness", "scale x", "scale y"}
CODE |= {"EA", "nats", "relative", "converged", "prior", "posterior"}


def everything(seed: int) -> str:
    """All that is said of a finding, in sentences and on pages."""
    found, advice = finding(seed), advised(seed)
    pages = [found._repr_html_(), advice._repr_html_()]
    pages += [adjustment._repr_html_() for adjustment in advice.adjustments]
    plain = [re.sub(r"<[^>]*>", "\n", page).replace("&#x27;", "'") for page in pages]
    return "\n".join([found.report(), advice.report(), *plain])


def set_at(name: str) -> str:
    return CATALOGUE.named(name).adjusting_point(MACHINE, Handbook()).place


def test_the_findings_are_of_every_kind() -> None:
    """Else the rest of this file would hold of nothing."""
    reports = [finding(seed).report() for seed in SEEDS]
    for words in (
        "Finding: ", "Most likely: ", "Less likely, but not ruled out:", "does not tell which",
        "Nothing was learned", "would not show: ", f"Finding: {SOUND}", "a hint, not",
    ):  # fmt: skip
        assert sum(words in report for report in reports) >= 1, words
    actions = [a.action for seed in SEEDS for a in advised(seed).adjustments]
    assert min(actions.count(action) for action in (DO, CHECK, LEAVE)) >= 1
    assert any(len(finding(seed).group) > MOST for seed in SEEDS)


@pytest.mark.parametrize("seed", SEEDS)
def test_no_point_stands_in_two_places(seed: int) -> None:
    found = finding(seed)
    standing, report = found.standing, found.report()
    names = [point.name for point in standing.named]
    assert len(set(names)) == len(names) <= MOST
    line = next((row for row in report.splitlines() if " would not show: " in row), "")
    untold = line.partition(" would not show: ")[2].rstrip(".").split(", ")
    nouns = {f.noun: set_at(f.name) for f in FAULTS}
    assert not {nouns[noun] for noun in untold if noun} & {set_at(name) for name in names}
    for point in standing.named:
        assert report.count(f"{point.words} (") == 1  # said once, with one probability
    said = [float(p) for p in re.findall(r"\(probability (0\.\d\d)\)", report)]
    if "does not tell which" in report and not standing.settled:
        assert not said or max(said) < 0.76
    if "Nothing was learned" in report:
        assert "Finding: " not in report
    assert report.count(SOUND) <= 1


@pytest.mark.parametrize("seed", SEEDS)
def test_every_member_of_a_group_has_its_reason_said(seed: int) -> None:
    found = finding(seed)
    _, why, said = found.report().partition("Why: ")
    reasons = {why_alike(CATALOGUE, found.best.faults, other) for other in found.group[1:]}
    assert not why or all(reason in said for reason in reasons)


@pytest.mark.parametrize("seed", SEEDS)
def test_nothing_is_advised_before_its_check_and_nothing_that_was_not_named(seed: int) -> None:
    found, advice = finding(seed), advised(seed)
    report, chances = advice.report(), {p.name: p.probability for p in found.standing.named}
    assert set(chances) == {a.fault for a in advice.adjustments}
    steps = [a.action for a in advice.adjustments]
    assert steps == sorted(steps, key=[DO, CHECK, LEAVE].index)
    end = 0
    for a in advice.adjustments:
        said = f"{a.place}, at fault with probability {probability(chances[a.fault])}"
        at = report.index(f"{said}): {a.words}." if a.action != LEAVE else f"{said}.", end)
        if a.action == CHECK:
            assert a.check is not None
            assert end <= report.index(a.check.words, end) < at
            assert f"{LEADS[CHECK]} (" in report[end : at + 1] or end == 0
        elif a.action == DO:
            assert "Check (" not in report[:at]
            assert a.probability >= USUAL.credible
        end = at
    # what the finding says is to be looked at is what the advice has before its steps
    checked = {a.fault for a in advice.adjustments if a.action != LEAVE}
    looked = {p for p in chances if CATALOGUE.predicts((p,)) and p in checked}
    rows = re.findall("^(?:Check|To confirm it) by hand: ", found.report(), re.MULTILINE)
    assert len(rows) == len(looked)


def test_nothing_is_to_be_burned_before_what_is_found_is_mended() -> None:
    """The next test begins with whether one is needed at all, as report and advice have it."""
    said = {seed: Proposals.about(finding(seed), ()).report() for seed in SEEDS}
    kinds = set()
    for seed, words in said.items():
        standing = finding(seed).standing
        needless = words.startswith(f"No further burn is needed: {SOUND} (probability ")
        assert needless == (f"Finding: {SOUND}" in finding(seed).report())
        first = words.startswith("Nothing need be burned before the repair: ")
        assert first == (bool(standing.found) and not needless)
        for point in standing.found:
            assert f"{point.words} (probability {probability(point.probability)})" in words
        kinds.add((needless, first))
        assert "likeliest" not in words
    assert kinds == {(True, False), (False, True), (False, False)}


@pytest.mark.parametrize("seed", SEEDS)
def test_only_words_of_the_trade_and_numbers_that_can_be_read(seed: int) -> None:
    text = everything(seed)
    for word in CODE:
        assert not re.search(rf"\b{re.escape(word)}\b", text), word
    assert "_" not in text
    assert not re.search(r"\d[eE][+-]?\d|\bnan\b|\binf\b|probability (0|0\.00|1\.00)\b(?!\.)", text)
    assert not re.search(r"between (-?[\d.]+) and \1\b(?!\.)", text)
    assert "about under" not in text
    for unit, step in STEPS.items():
        digits = len(f"{step:g}".partition(".")[2])
        for number in re.findall(rf"(-?\d[\d.]*) {re.escape(unit)}\b", text):
            assert len(number.partition(".")[2]) <= max(digits, 1), (number, unit)
    zero = re.search(r"(?<![\d.])0(\.0+)? (mm|N|Hz|degrees)\b", text)
    assert not zero, text[zero.start() - 60 : zero.end() + 60].replace("\n", "|")


@pytest.mark.parametrize("seed", SEEDS)
def test_at_most_seven_explanations_and_none_of_nothing(seed: int) -> None:
    found = finding(seed)
    listed = [row for row in found.report().splitlines() if row.startswith("  - ")]
    assert len(listed) <= MOST + 1  # and that nothing is wrong
    page = found._repr_html_()
    assert 1 <= page.count("<tr>") - 1 <= MOST + 1  # and all others
    assert page.index(found.report().splitlines()[0][:20].replace("'", "&#x27;")) < page.index(
        "<table>"
    )
    assert page.count("below 0.01") <= 1


def test_a_repaired_machine_is_said_to_be_repaired() -> None:
    """The belief of a log knows that something was turned; a sound machine was repaired then."""
    rng = np.random.default_rng(1)
    for p, said in (
        (0.97, "Repaired: nothing wrong is seen any more"),
        (0.6, "Probably nothing is wrong any more (probability 0.60)"),
    ):
        sound = explanation(rng, (), (), p)
        belief = dataclasses.replace(sound.fit.problem.belief, turned=("tight_wheels_left",))
        problem = dataclasses.replace(sound.fit.problem, belief=belief)
        sound = dataclasses.replace(sound, fit=dataclasses.replace(sound.fit, problem=problem))
        left = explanation(rng, (FAULTS[0],), (FAULTS[0].name,), 1.0 - p)
        report = Told((), MACHINE, (sound, left)).report()
        assert report.startswith(said)
        assert "Nothing was learned" not in report
        assert "does not tell" not in report  # which would take the first sentence back
        assert ("Still possible:" in report) == (p == 0.6)


def test_what_is_open_beside_a_finding_adds_up_to_one() -> None:
    """Found A with B, with C, or alone: the last has a row too."""
    rng = np.random.default_rng(2)
    a, b, c = (CATALOGUE.named(n) for n in ("tight_wheels_left", "scale_x", "tight_carriage"))
    made = [
        explanation(rng, (a, *more), tuple(sorted(f.name for f in (a, *more))), p)
        for more, p in (((b,), 0.45), ((), 0.46), ((c,), 0.09))
    ]
    report = Told((), MACHINE, tuple(made)).report()
    listed = re.findall(r"  - (.*) \(probability (0\.\d\d)\)", report)
    assert [words for words, _ in listed][-1] == "neither of these"
    assert sum(float(p) for _, p in listed) == pytest.approx(1.0)


def test_a_search_that_ended_early_says_what_to_do() -> None:
    rough = next(f for f in map(finding, SEEDS) if not f.best.fit.mode.converged and f.learned)
    row = next(row for row in rough.report().splitlines() if "probabilities are rough" in row)
    assert row.endswith("burn another test, or check by hand, before anything is turned.")


@pytest.mark.parametrize(
    ("said", "expected"),
    [
        (with_interval(-0.0101, -0.0104, -0.0098, "relative", ways=("too long", "too short")),
         "10.1 mm in a metre too short, 95 % between 9.8 and 10.4"),
        (with_interval(0.167, -0.242, 0.594, "mm", ways=("to the left", "to the right")),
         "0.17 mm to the left, 95 % from 0.24 right to 0.59 left"),
        (with_interval(0.0, 0.0, 0.0, "mm"), "under 0.01 mm"),
        (between(0.82, 1.65, "mm"), "between 0.82 and 1.65 mm (95 %)"),
        (between(0.0, 0.5, "mm"), "below 0.50 mm (95 %)"),
        (between(17.1, 17.2, "degrees"), "17 degrees"),
        (with_interval(0.0029, 0.0, 0.029, "mm", finest=0.03), "under 0.03 mm"),
        (with_interval(0.0, 0.0, 0.38, "mm"), "under 0.01 mm, 95 % below 0.38"),
        (with_interval(0.2, 0.001, 0.38, "mm"), "0.20 mm, 95 % below 0.38"),
        (with_interval(2.8e-12, -0.15, 0.14, "per cent"),
         "between -0.15 and 0.14 per cent (95 %)"),
        (with_interval(-41.0, -29.0, -55.0, "degrees"), "-41 degrees, 95 % between -55 and -29"),
        (in_words(0.448, "of healthy stiffness"), "45 % of healthy stiffness"),
        (in_words(0.0003, "mm"), "under 0.01 mm"),
        (in_words(1234.5, "mm"), "1234 mm"),
        (about(1.2, "degrees"), "about 1 degree"),
        (about(0.001, "mm"), "under 0.01 mm"),
        (probability(0.004), "below 0.01"),
        (probability(0.996), "above 0.99"),
    ],
)  # fmt: skip
def test_a_number_is_said_to_what_can_be_read(said: str, expected: str) -> None:
    assert said == expected
