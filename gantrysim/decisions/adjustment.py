"""One thing to turn, set or replace, and the hand check before it."""

from __future__ import annotations

import dataclasses
import html
import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.special import ndtri

from gantrysim.decisions.step import Costs, Step, choose_step
from gantrysim.faults.adjusting import AdjustingPoint
from gantrysim.inference.fitting import Estimate
from gantrysim.machine import Machine
from gantrysim.records.amounts import (
    STEPS,
    about,
    between,
    in_words,
    probability,
    signed,
    with_interval,
)
from gantrysim.records.checks import require
from gantrysim.records.doors import checked
from gantrysim.records.table import fields_of

_STEP = ("full", "low", "high", "fraction", "short", "overshoot", "overshoot_full")
DO, CHECK, LEAVE = "do", "check first", "leave"
#: How a step of each kind begins.
LEADS = {DO: "Do now", CHECK: "Once the check agrees", LEAVE: "Not worth a turn yet"}
_NO_GUESS = "how far is not to be guessed, too little is known of it"
_EVEN = ndtri((np.arange(400) + 0.5) / 400)  # a standard normal number at even probabilities


@dataclass(frozen=True)
class HandCheck:
    """A check by hand that confirms or rules out an explanation.

    Parameters
    ----------
    fault : str
        Name of the fault for which it speaks.
    words : str
        What to do.
    expect : str
        What it shows with the fault and without.
    minutes : float
        What it takes, minutes (judgement).
    splits : bool
        Whether it tells members of the group apart; otherwise it confirms.
    """

    fault: str
    words: str
    expect: str
    minutes: float
    splits: bool


@checked
@dataclass(frozen=True)
class Adjustment:
    """One thing to turn, set or replace, with how far and what it risks.

    Parameters
    ----------
    fault : str
        Name of the fault it cures.
    of : tuple of str
        The explanation to which that fault belongs.
    point : AdjustingPoint
        Where it is turned; says the unit of every amount here.
    step : Step
        Full and advised amount, 95 % interval, probabilities of going too far.
    target : float
        Where the point stands on the machine as described, in its unit.
    expected : Estimate or None
        What is read off the machine after the advised step, with its 95 % interval.
    probability : float
        That the fault is there: the sum over all explanations with it.
    action : str
        ``"do"``, ``"check first"`` or ``"leave"``.
    check : HandCheck, optional
        What is looked at by hand before it is turned.
    sized : bool
        Whether it is known how far to turn: the finding tells how big the fault is, or a reading
        when it is right.  Without that no amount is said.
    healthy : float
        What is read off the machine as described, in the unit of ``expected``.
    first : str
        What else may be behind it and is looked at before it is turned; empty for nothing.

    Examples
    --------
    >>> import gantrysim as gs
    >>> from gantrysim.instruments import ToneReading, ToneSheet
    >>> low = ToneReading("left", span=270.0, mass=8.4, tone=28.6, uncertainty=0.5)
    >>> finding = gs.diagnose(ToneSheet((low,), "by ear"))
    >>> turn = finding.adjustments().adjustments[0]
    >>> turn.place, turn.action
    ('belt left', 'check first')
    >>> turn.safety
    "Maker's manual and local rules first. Power off and laser disconnected before a hand goes in;
    mind pinch points at belts, pulleys and wheels; re-home before anything is burned."
    """

    fault: str
    of: tuple[str, ...]
    point: AdjustingPoint
    step: Step
    target: float
    expected: Estimate | None
    probability: float
    action: str
    check: HandCheck | None = None
    sized: bool = True
    healthy: float = math.nan
    first: str = ""

    @property
    def says_how_far(self) -> bool:
        """Whether an amount is advised."""
        return self.step.fraction > 0.0 and self.sized

    @property
    def place(self) -> str:
        """The point of adjustment, such as ``"nut left"``."""
        return self.point.place

    @property
    def unit(self) -> str:
        """Unit of the amounts."""
        return self.point.unit

    @property
    def amount(self) -> float:
        """The advised amount, signed, in its unit: nuts tighten and the right side moves ahead."""
        return self.step.amount

    @property
    def way(self) -> str:
        """Which way, in words."""
        return self.point.way(self.step.full)

    @property
    def confirm(self) -> str:
        """The hand check afterwards."""
        return self.point.confirm

    @property
    def safety(self) -> str:
        """Cautions."""
        return self.point.safety

    @property
    def words(self) -> str:
        """The step in plain words."""
        if not self.point.result[0]:
            return self.way
        roughly = about(abs(self.amount), self.unit)
        guess = _NO_GUESS
        if not self.sized and self.step.low * self.step.high < 0.0:
            guess += ", and which way is not told"
        if self.point.by_feel:
            guess = f"{roughly} on a usual nut" if self.says_how_far else guess
            return f"{self.way}, until {self.point.by_feel} ({guess})"
        if not self.says_how_far:
            return f"{self.way}: {guess}"
        if self.point.by_reading:
            if not self.target:
                return f"{self.way}, until next to no {self.point.result[0]} is left"
            more = "more" if self.amount > 0.0 else "less"
            return f"{self.way}: {in_words(self.target, self.unit)}, {roughly} {more}"
        return f"{self.way}, by {in_words(abs(self.amount), self.unit)}"

    def apply(
        self, machine: Machine, *, full: bool = False, rng: np.random.Generator | None = None
    ) -> Machine:
        """Return a machine, whatever is really wrong with it, after this step.

        Parameters
        ----------
        machine : Machine
            Any machine.  Nuts turned back on a plate that was not tight leave its wheels loose.
        full : bool
            The full step instead of the advised one.
        rng : Generator, optional
            Draws the error of the hand that turns; without it the amount is met exactly.

        Notes
        -----
        What is set by a reading (a belt by its tone) ends at the reading on this machine.
        """
        fraction = 1.0 if full else self.step.fraction
        here = self.step.full
        if self.point.by_reading:
            here = self.target - self.point.stands(machine)
        amount = fraction * here
        if rng is not None and fraction > 0.0:
            amount += self.point.hand / 1.96 * float(rng.standard_normal())
        return self.point.turn(machine, amount)

    def after_check(
        self, needed: float, *, error: float, nominal: Machine, costs: Costs | None = None
    ) -> Adjustment:
        """Return the step anew when a hand check has said how much is needed.

        Parameters
        ----------
        needed : float
            Signed amount that the check says is needed, in ``unit``: what was read, with the
            sign that takes it away.
        error : float
            How well the check reads it, 95 %, same unit.
        nominal : Machine
            The machine as described.
        costs : Costs, optional
            Of another round and of an overshoot, minutes.

        Raises
        ------
        ValueError
            If the amount is no number or the error not above zero.

        Notes
        -----
        What the piece said (its 95 % interval) and what the check said are both taken as normal
        and weighed by their precision.  A place that is set by a reading keeps its step.  What
        is expected afterwards is left out: the check has overtaken it.
        """
        require(bool(np.isfinite(needed)), "after_check", "needed", needed, "a finite number")
        ok = bool(np.isfinite(error)) and error > 0.0
        require(ok, "after_check", "error", error, "a finite number above 0")
        if self.point.by_reading:
            return self
        costs = costs if costs is not None else Costs()
        if self.point.forgiving:
            costs = dataclasses.replace(costs, overshoot=min(costs.round, costs.overshoot))
        own, read = max(abs(self.step.high - self.step.low) / 3.92, 1e-12), error / 1.96
        weight = own**2 / (own**2 + read**2)  # of the check
        middle = weight * needed + (1.0 - weight) * self.step.full
        lacking, over = self.point.room(nominal, 1.0 if middle >= 0.0 else -1.0)
        draws = middle + read * weight**0.5 * _EVEN
        step = choose_step(draws, hand=self.point.hand, lacking=lacking, over=over, costs=costs)
        return dataclasses.replace(self, step=step, expected=None, sized=True)

    def to_dict(self) -> dict[str, Any]:
        """Return the step as plain Python types; amounts in ``unit``."""
        return {
            "fault": self.fault,
            "explanation": list(self.of),
            **fields_of(self, "probability", "action"),
            **fields_of(self, "place", "way", "amount", "unit"),
            **fields_of(self.step, *_STEP),
            **fields_of(self, "expected", "confirm", "safety"),
            **fields_of(self, "sized", "first"),
            "note": self.point.note,
        }

    def __repr__(self) -> str:
        told = self.point.result[0] and self.says_how_far
        size = f", {self.amount:+.3g} {self.unit}" if told else ""
        return f"Adjustment({self.place}{size}, {self.action})"

    def _repr_html_(self) -> str:
        rows = (*rows_of(self), self.safety)
        return "".join(f"<p>{html.escape(row.strip())}</p>" for row in rows)


# Words


#: Chances below this are not said.
_SAID = 0.01


def rows_of(adjustment: Adjustment) -> list[str]:
    """Say a step in lines of text: its check before it, words first, numbers behind."""
    action, check, point = adjustment.action, adjustment.check, adjustment.point
    where = f"{adjustment.place}, at fault with probability {probability(adjustment.probability)}"
    if action == LEAVE:
        return [f"{LEADS[LEAVE]}: {where}."]
    rows = []
    if action == CHECK and check is not None:
        rows.append(f"Check ({check.minutes:.0f} min): {check.words}. Expect {check.expect}.")
    if adjustment.first:
        rows.append(f"Before it is turned: {adjustment.first}.")
    rows.append(f"{LEADS[action]} ({where}): {adjustment.words}.")
    if point.result[0]:
        rows += [f"  {said}." for said in _told(adjustment)]
    read = point.confirmed_by(adjustment.amount) if adjustment.says_how_far else ""
    rows.append(f"  Confirm: {point.confirm}{f' ({read})' if read else ''}.")
    return [*rows, f"  {point.note}"] if point.note else rows


def _told(adjustment: Adjustment) -> list[str]:
    """How far, what that risks, what is read afterwards, and what a log is to be told of it."""
    step, rows = adjustment.step, []
    if adjustment.sized and not adjustment.point.by_reading:
        rows.append(_needed(adjustment))
    if adjustment.sized:
        rows += _risks(step)
    if adjustment.expected is not None:
        rows.append(f"Afterwards: {_afterwards(adjustment)}{_beside(adjustment)}")
    if adjustment.says_how_far:
        advised = signed(adjustment.amount, adjustment.unit)
        return [*rows, f"For the log: {advised}, or what it really was, with its sign; or unknown"]
    sign = "minus" if step.full < 0.0 else "plus"
    log = f"{adjustment.unit} with a {sign} if it went this way, or unknown"
    return [*rows, f"For the log: what it really was, in {log}"]


def _beside(adjustment: Adjustment) -> str:
    """What a healthy machine has in the stead of what is read after the step."""
    e = adjustment.expected
    if e is None or not math.isfinite(adjustment.healthy):
        return ""
    if not adjustment.healthy:
        return "; a healthy one has none"
    return f"; a healthy one has {in_words(adjustment.healthy, e.unit)}"


def _afterwards(adjustment: Adjustment) -> str:
    """What is read off the machine after the step, no finer than it can be set."""
    e, point = adjustment.expected, adjustment.point
    if e is None:
        return ""
    finest = point.hand if e.unit == point.unit else 0.0
    return f"{e.name} {with_interval(e.estimate, e.low, e.high, e.unit, finest=finest)}"


def _needed(adjustment: Adjustment) -> str:
    """How far in all, and which part of it is advised."""
    step, unit = adjustment.step, adjustment.unit
    ends = step.low, step.high
    one_way = step.low * step.high >= 0.0
    low, high = sorted(abs(v) if one_way else v for v in ends)
    needed = f"Needed: {between(low, high, unit)}"  # its middle is not the finding's likeliest
    if step.fraction == 0.0:
        return needed
    short = abs(step.full - step.amount)
    if short < 0.5 * STEPS.get(unit, 0.0) or step.fraction == 1.0:
        return f"{needed}; the step is the middle of that"
    return f"{needed}; the step stops {in_words(short, unit)} short of the middle of that"


def _risks(step: Step) -> list[str]:
    """What may come of a step, where that is worth a word."""
    told = []
    if step.overshoot >= _SAID:
        whole = f" ({probability(step.overshoot_full)} if it did not stop short)"
        told.append(
            f"Probability that it goes too far: {probability(step.overshoot)}"
            f"{whole if step.fraction < 1.0 else ''}"
        )
    if step.short >= _SAID:
        said = (
            f"Probability that it is too little and takes another round: {probability(step.short)}"
        )
        if step.short_full < step.short and step.fraction < 1.0 and step.short >= _SEVERAL:
            said = (
                "The step is short on purpose, because going too far costs more: another round "
                f"follows with probability {probability(step.short)}, {_rounds(step.short)}"
            )
        told.append(said)
    return told


#: From this chance of another round on it is said how many there will be about (judgement).
_SEVERAL = 0.25
#: More rounds than this are not counted (judgement).
_COUNTED = 4


def _rounds(short: float) -> str:
    """How many rounds to expect, each as likely too little as the first: then their mean."""
    rounds = round(1.0 / (1.0 - short)) if short < 1.0 else _COUNTED + 1
    if rounds > _COUNTED:
        return "expect several in all"
    return f"expect about {max(rounds, 2)} in all"


def cells_of(adjustment: Adjustment) -> list[str]:
    """Say a step in the cells of a table."""
    step, size = adjustment.step, ""
    if adjustment.point.result[0] and adjustment.sized:
        size = with_interval(step.amount, step.low, step.high, adjustment.unit)
    sure = step.overshoot >= _SAID and adjustment.sized
    far = probability(step.overshoot) if sure else ""
    return [
        adjustment.place,
        probability(adjustment.probability),
        LEADS[adjustment.action].lower(),
        adjustment.words,
        size,
        far,
        _afterwards(adjustment),
    ]
