"""One thing to turn, set or replace, and the hand check before it."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.special import ndtri

from gantrysim.decisions.step import Costs, Step, choose_step
from gantrysim.decisions.words import said_probability
from gantrysim.faults.adjusting import AdjustingPoint
from gantrysim.inference.fitting import Estimate
from gantrysim.machine import Machine
from gantrysim.records.checks import require
from gantrysim.records.doors import checked
from gantrysim.records.table import fields_of

_STEP = ("full", "low", "high", "fraction", "short", "overshoot", "overshoot_full")
DO, CHECK, LEAVE = "do", "check first", "leave"
#: How a step of each kind begins.
LEADS = {DO: "Do now", CHECK: "Once the check agrees", LEAVE: "Not worth a turn yet"}
_EVEN = ndtri((np.arange(400) + 0.5) / 400)  # a standard normal number at even probabilities


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
        if self.step.fraction == 0.0:
            return f"{self.way}: not by guess, the piece says too little about how far"
        if self.point.by_reading:
            return f"{self.way}: {self._reading}"
        return f"{self.way}, by {_amount(abs(self.amount), self.unit)}"

    @property
    def _reading(self) -> str:
        change = f"about {_amount(abs(self.amount), self.unit)}"
        if self.unit == "Hz":
            return f"{_amount(self.target, self.unit)}, {change} {_more(self.amount)}"
        return f"down to {_amount(self.target, self.unit)}, {change} {_more(self.amount)}"

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
        return dataclasses.replace(self, step=step, expected=None)

    def to_dict(self) -> dict[str, Any]:
        """Return the step as plain Python types; amounts in ``unit``."""
        return {
            "fault": self.fault,
            "explanation": list(self.of),
            **fields_of(self, "probability", "action"),
            **fields_of(self, "place", "way", "amount", "unit"),
            **fields_of(self.step, *_STEP),
            **fields_of(self, "expected", "confirm", "safety"),
            "note": self.point.note,
        }

    def __repr__(self) -> str:
        size = f", {self.amount:+.3g} {self.unit}" if self.point.result[0] else ""
        return f"Adjustment({self.place}{size}, {self.action})"


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


# Words


#: Chances below this are not said.
_SAID = 0.01


def rows_of(adjustment: Adjustment) -> list[str]:
    """Say a step in lines of text, words first."""
    chance = said_probability(adjustment.probability)
    rows = [
        f"{LEADS[adjustment.action]} ({adjustment.place}, at fault with probability {chance}): "
        f"{adjustment.words}."
    ]
    step, unit, point = adjustment.step, adjustment.unit, adjustment.point
    if point.result[0]:
        if not point.by_reading:
            part = "in one go" if step.fraction == 1.0 else f"{step.fraction:.0%} of the full step"
            low, high = sorted((abs(step.low), abs(step.high)))
            if step.low * step.high < 0.0:
                low, high = step.low, step.high
            rows.append(
                f"  That is {part}: the full step is {_amount(abs(step.full), unit)}, 95 % between "
                f"{_number(low, unit)} and {_amount(high, unit)}."
            )
        if max(step.overshoot, step.overshoot_full, step.short) >= _SAID:
            rows.append(
                f"  It goes too far with probability {step.overshoot:.2f} (the full step "
                f"{step.overshoot_full:.2f}) and leaves another round with {step.short:.2f}."
            )
    if adjustment.expected is not None:
        e = adjustment.expected
        rows.append(
            f"  Afterwards: {e.name} {e.estimate:.2g} {e.unit}, 95 % between {e.low:.2g} and "
            f"{e.high:.2g}."
        )
    rows.append(f"  Confirm: {adjustment.confirm}.")
    if point.note:
        rows.append(f"  {point.note}")
    return rows


def cells_of(adjustment: Adjustment) -> list[str]:
    """Say a step in the bins of a table."""
    step, told = adjustment.step, adjustment.expected
    unit = adjustment.unit
    measured = bool(adjustment.point.result[0])
    size = f"{adjustment.amount:+.3g} [{step.low:+.3g}, {step.high:+.3g}] {unit}"
    after = ""
    if told:
        after = f"{told.name} {told.estimate:.2g} [{told.low:.2g}, {told.high:.2g}] {told.unit}"
    return [
        adjustment.fault,
        adjustment.action,
        adjustment.words,
        size if measured else "",
        f"{step.overshoot:.2f} (full step {step.overshoot_full:.2f})" if measured else "",
        after,
    ]


def _number(value: float, unit: str) -> str:
    return f"{value:.0f}" if unit in ("degrees", "Hz") else f"{value:.3g}"


def _amount(value: float, unit: str) -> str:
    return f"{_number(value, unit)} {unit}"


def _more(amount: float) -> str:
    return "more" if amount > 0.0 else "less"
