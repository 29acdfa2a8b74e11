"""Three ways to bring a machine in, on the same machines and with the same noise.

`advised` follows `gantrysim.advise` and its hand checks; `full_steps` turns the likeliest
explanation all the way and checks nothing; `ten_degrees` turns nuts by ten degrees where the
circle looks worst, goes on while it gets better and changes place when it does not.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from handchecks import Reading, checked, feel, point_of, read
from workshop import LIMITS, Case, burn_and_measure, look_at, noise_of

import gantrysim as gs
from gantrysim.decisions.advice import DO, Adjustment, advise
from gantrysim.decisions.afterturn import after_turn
from gantrysim.decisions.diagnosis import Finding
from gantrysim.decisions.step import Costs
from gantrysim.faults.adjusting import AdjustingPoint
from gantrysim.faults.belts import BeltTension
from gantrysim.faults.coupling import Coupling, SetScrew
from gantrysim.faults.nuts import NUT_BY_HAND, Nuts
from gantrysim.faults.scale import Steps
from gantrysim.faults.square import Square
from gantrysim.inference.parameters import Belief
from gantrysim.machine.handbook import Handbook

#: Rounds after which a machine is given up.
ROUNDS = 8
#: To turn, set or tighten one place, minutes (judgement).
MINUTES_TO_TURN = 5.0
#: Turn of the habit, degrees, and part of the roundness that must go for a turn to count as better.
HABIT, BETTER = 10.0, 0.05
COSTS = Costs()
NOMINAL = gs.Machine()


@dataclass
class Work:
    """What was done to one machine.

    Parameters
    ----------
    machine : Machine
        As it is now.
    belief : Belief
        What is believed of it.
    rounds : int
        Rounds of turning, until it was accepted or given up.
    minutes : float
        Of burning, checking and turning.
    cured : bool
        Whether the place at fault stands within healthy in the end, seen or not.
    turns, innocent : int
        Places turned, and those of them that were not the one at fault.
    overshoots : int
        Turns that took the place at fault beyond healthy on the other side.
    spoiled : int
        Turns that took a healthy place beyond healthy.
    idle : int
        Rounds in which nothing was turned.
    """

    machine: gs.Machine
    belief: Belief = field(default_factory=lambda: Belief.fresh(NOMINAL.catalogue().scatter))
    rounds: int = 0
    minutes: float = 0.0
    accepted: bool = False
    cured: bool = False
    turns: int = 0
    innocent: int = 0
    overshoots: int = 0
    spoiled: int = 0
    idle: int = 0
    habit: dict[str, Any] = field(default_factory=dict)
    story: list[str] = field(default_factory=list)


@dataclass(frozen=True)
class Round:
    """One round of work: the machine's case, its piece and what was seen on it."""

    case: Case
    piece: gs.Piece
    seen: dict[str, float]
    number: int
    seed: int

    def hand(self) -> np.random.Generator:
        """Errors of the hand that checks and turns in this round."""
        return noise_of(self.case, self.seed, self.number, 1)

    def finding(self, belief: Belief) -> Finding:
        """Diagnose the piece; the first of a machine is the same whoever works on it."""
        key = (self.case.number, self.seed)
        if self.number == 0 and key in _FIRST:
            return _FIRST[key]
        finding = gs.diagnose(self.piece, belief=belief)
        if self.number == 0:
            _FIRST.clear()
            _FIRST[key] = finding
        return finding


_FIRST: dict[tuple[int, int], Finding] = {}


Way = Callable[[Work, Round], None]


def bring_in(case: Case, way: Way, seed: int, rounds: int = ROUNDS) -> Work:
    """Work on a machine until its piece keeps the limits, or for so many rounds."""
    work = Work(case.real)
    for number in range(rounds + 1):
        piece = burn_and_measure(work.machine, noise_of(case, seed, number))
        work.minutes += COSTS.round
        seen = look_at(piece)
        failed = LIMITS.failed(seen)
        if not failed:
            work.accepted = True
            break
        if number == rounds:
            break
        work.story.append(f"[{', '.join(failed)}]")
        work.rounds += 1
        before = work.turns
        way(work, Round(case, piece, seen, number, seed))
        work.idle += work.turns == before
    own = point_of(case.fault, NOMINAL, Handbook())
    work.cured = side(own, work.machine, case.healthy) == 0
    return work


# Turning


def turn(
    work: Work,
    case: Case,
    point: AdjustingPoint,
    fault: str,
    change: Callable[[gs.Machine], gs.Machine],
) -> None:
    """Turn a place of the real machine and note what that did."""
    before, after = work.machine, change(work.machine)
    own = point.place == point_of(case.fault, NOMINAL, Handbook()).place
    sides = [side(point, machine, case.healthy) for machine in (before, after)]
    work.turns += 1
    work.innocent += not own
    work.overshoots += own and sides[0] * sides[1] < 0
    work.spoiled += sides[0] == 0 and sides[1] != 0
    work.minutes += MINUTES_TO_TURN
    moved = point.needed(before, NOMINAL) - point.needed(after, NOMINAL)
    work.story.append(f"{point.place} {moved:+.3g} {point.unit} for {fault}")
    work.machine = after


def side(point: AdjustingPoint, machine: gs.Machine, healthy: gs.Machine) -> int:
    """On which side of healthy a place stands: 0 within, +1 too tight or too far, -1 other."""
    if isinstance(point, Nuts):
        return {"tight": 1, "loose": -1, "normal": 0}[feel(machine, point.part)]
    if isinstance(point, Steps):
        off = machine.value(f"scale_{point.axis}") - NOMINAL.value(f"scale_{point.axis}")
        return _beyond(off, -1e-3, 1e-3)
    here = point.stands(machine)
    if isinstance(point, BeltTension):
        return _beyond(here / point.stands(healthy), 0.8, 1.25)
    if isinstance(point, Coupling):
        return _beyond(here, -1.0, 0.06)
    if isinstance(point, SetScrew):
        return _beyond(here, -0.15, 0.15)
    return _beyond(here, -0.25, 0.25) if isinstance(point, Square) else 0


def _beyond(value: float, low: float, high: float) -> int:
    return (value > high) - (value < low)


# Following the advice


def advised(work: Work, now: Round) -> None:
    """Diagnose with what is believed, check by hand as advised, turn what is worth it."""
    finding = now.finding(work.belief)
    work.story.append(repr(finding))
    advice = advise(finding)
    rng = now.hand()
    readings: dict[str, Reading] = {}
    chosen = [a for a in advice.advised if a.action == DO]
    for check in advice.checks if not chosen else ():
        point = next(a.point for a in advice.adjustments if a.fault == check.fault)
        reading = read(point, work.machine, rng)
        work.minutes += check.minutes
        if reading is None:
            continue
        readings[check.fault] = reading
        finding = checked(finding, point, check.fault, reading)
        work.story.append(f"checked {point.place}: {reading.felt or format(reading.value, '.3g')}")
        steps = [joined(a, readings.get(a.fault)) for a in advice.adjustments]
        chosen = worth(finding, steps)
        if chosen:
            break
    belief = finding.belief()
    for adjustment in chosen:
        belief = follow(work, now, adjustment, belief, rng)
    work.belief = belief


def worth(finding: Finding, adjustments: Sequence[Adjustment]) -> list[Adjustment]:
    """What is now worth turning of the likeliest explanation.

    A fault of probability p is turned where curing it gains more than turning in vain risks:
    p (round - minutes of the step) > (1 - p) overshoot + minutes to turn.  Where a place is set
    by a reading nothing is lost in vain.
    """
    best = finding.best.faults
    out = []
    for adjustment in adjustments:
        if adjustment.of != best:
            continue
        p = sum(h.probability for h in finding.ranked if adjustment.fault in h.faults)
        point = adjustment.point
        vain = 0.0 if point.by_reading else COSTS.round if point.forgiving else COSTS.overshoot
        gain = p * (COSTS.round - adjustment.step.minutes)
        if gain > (1.0 - p) * vain + MINUTES_TO_TURN:
            out.append(adjustment)
    return out


def follow(
    work: Work, now: Round, adjustment: Adjustment, belief: Belief, rng: np.random.Generator
) -> Belief:
    """Make a step on the real machine."""
    step = adjustment.step
    work.story.append(
        f"needs {step.full:.3g} [{step.low:.3g}, {step.high:.3g}], turns {step.fraction:.0%}"
    )
    turn(work, now.case, adjustment.point, adjustment.fault, lambda m: adjustment.apply(m, rng=rng))
    return after_turn(belief, NOMINAL, adjustment)


def joined(adjustment: Adjustment, reading: Reading | None) -> Adjustment:
    """The step with what the check read joined to what the piece said."""
    point = adjustment.point
    if reading is None or reading.felt:
        return adjustment
    target = 0.0 if isinstance(point, Steps) else point.stands(NOMINAL)
    return adjustment.after_check(
        target - reading.value, error=1.96 * reading.deviation, nominal=NOMINAL, costs=COSTS
    )


# Habits


def full_steps(work: Work, now: Round) -> None:
    """Turn the likeliest fault all the way, check nothing."""
    finding = now.finding(work.belief)
    work.story.append(repr(finding))
    work.belief = finding.belief()
    faulty = [h for h in finding.ranked if h.magnitudes]
    first = dataclasses.replace(faulty[0], indistinguishable_from=())
    rest = tuple(h for h in finding.ranked if h is not faulty[0])
    rng = now.hand()
    for adjustment in advise(dataclasses.replace(finding, ranked=(first, *rest))).adjustments:
        turn(
            work, now.case, adjustment.point, adjustment.fault,
            lambda m, a=adjustment: a.apply(m, full=True, rng=rng),
        )  # fmt: skip
        work.belief = after_turn(work.belief, NOMINAL, adjustment)


def ten_degrees(work: Work, now: Round) -> None:
    """Ten degrees at the likeliest-looking nut; on while it gets better, else back and away.

    The axis that lost more motion comes first, its sides by the toss of a coin; all places are
    eased before any is tightened.
    """
    rng = now.hand()
    score, habit = now.seen["roundness"], work.habit
    if not habit:
        sides = ["left", "right"] if rng.random() < 0.5 else ["right", "left"]
        y_first = now.seen["lost_y"] > now.seen["lost_x"]
        parts = [*sides, "carriage"] if y_first else ["carriage", *sides]
        habit.update(places=[(p, way) for way in (-HABIT, HABIT) for p in parts], at=0)
    elif score > habit["score"] * (1.0 - BETTER):
        part, way = habit["places"][habit["at"] % len(habit["places"])]
        _turn_nuts(work, now.case, part, -way, rng)
        habit["at"] += 1
        score = habit["score"]
    habit["score"] = score
    part, way = habit["places"][habit["at"] % len(habit["places"])]
    _turn_nuts(work, now.case, part, way, rng)


def _turn_nuts(work: Work, case: Case, part: str, way: float, rng: np.random.Generator) -> None:
    name = "tight_carriage" if part == "carriage" else f"tight_wheels_{part}"
    point = point_of(name, NOMINAL, Handbook())
    amount = way + NUT_BY_HAND / 1.96 * float(rng.standard_normal())
    turn(work, case, point, "the look of the circle", lambda m: point.turn(m, amount))


WAYS: dict[str, Way] = {
    "advised": advised,
    "full steps": full_steps,
    "ten degrees": ten_degrees,
}
