"""From a finding to the screwdriver: what to turn, which way, how far, and what to check first."""

from __future__ import annotations

import dataclasses
import html
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from gantrysim.burn import Burn
from gantrysim.burn.simulation import simulate
from gantrysim.decisions.adjustment import (
    CHECK,
    DO,
    LEAVE,
    Adjustment,
    HandCheck,
    cells_of,
    rows_of,
)
from gantrysim.decisions.diagnosis import Finding, Hypothesis
from gantrysim.decisions.standing import fault_of, worth_a_check
from gantrysim.decisions.statements import sizes_drawn
from gantrysim.decisions.step import Costs, choose_step
from gantrysim.decisions.words import UNCHECKED, scanner_tells
from gantrysim.faults.adjusting import AdjustingPoint
from gantrysim.inference.fitting import Estimate
from gantrysim.instruments.tones import ToneSheet
from gantrysim.machine import Machine
from gantrysim.machine.handbook import Handbook
from gantrysim.pattern.ringtest import RingTest, ring_test
from gantrysim.records.checks import whole_number
from gantrysim.records.doors import checked
from gantrysim.records.files import write_new_text
from gantrysim.records.table import Table, fields_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes


@checked
@dataclass(frozen=True, eq=False)
class Advice:
    """What to do about a finding: hand checks, then adjustments, then what to expect.

    Parameters
    ----------
    machine : Machine
        The machine as the best explanation has it.
    explanations : tuple of (tuple of str, str, float)
        Faults, words and probability of the best explanation and of all that the piece cannot
        tell from it.
    checks : tuple of HandCheck
        Those of the adjustments, in their order.
    adjustments : tuple of Adjustment
        In the order in which they are made: what is sure, then what is to be checked before, the
        likeliest for its minutes first, then what is not worth a turn yet.
    certain : bool
        Whether the best explanation stands alone.
    costs : Costs
        On which the steps were chosen, minutes.

    Examples
    --------
    >>> import gantrysim as gs
    >>> from gantrysim.instruments import ToneReading, ToneSheet
    >>> low = ToneReading("left", span=270.0, mass=8.4, tone=28.6, uncertainty=0.5)
    >>> finding = gs.diagnose(ToneSheet((low,), "by ear"))
    >>> advice = finding.adjustments()
    >>> advice
    Advice(Adjustment(belt left, +6... Hz, check first) and 1 more, 2 checks)
    >>> advice.predict(gs.ring_test(("circle",), spacing=10.0, largest=20.0))
    Burn(2 lines, 382 points, error ... µm rms)
    """

    machine: Machine
    explanations: tuple[tuple[tuple[str, ...], str, float], ...]
    checks: tuple[HandCheck, ...]
    adjustments: tuple[Adjustment, ...]
    certain: bool
    costs: Costs

    @property
    def advised(self) -> tuple[Adjustment, ...]:
        """The adjustments of the best explanation that are worth making."""
        best = self.explanations[0][0]
        return tuple(a for a in self.adjustments if a.of == best and a.action != LEAVE)

    @property
    def cautions(self) -> tuple[str, ...]:
        """What keeps the hands whole, each once; the last lines of the report."""
        return tuple(dict.fromkeys(adjustment.safety for adjustment in self.adjustments))

    def machine_after(
        self,
        machine: Machine | None = None,
        *,
        full: bool = False,
        rng: np.random.Generator | None = None,
    ) -> Machine:
        """Return a machine after the advised steps of the best explanation.

        Parameters
        ----------
        machine : Machine, optional
            Any machine; the one of the best explanation if absent.
        full : bool
            The full steps instead of the advised ones.
        rng : Generator, optional
            Draws the error of the hand that turns.
        """
        machine = machine if machine is not None else self.machine
        for adjustment in self.advised:
            machine = adjustment.apply(machine, full=full, rng=rng)
        return machine

    def predict(self, test: RingTest, *, full: bool = False) -> Burn:
        """Predict the burn of a test after the advised (or the full) steps."""
        return simulate(self.machine_after(full=full), test, feed_forces=True)

    def plot(self, test: RingTest | None = None, ax: Axes | None = None) -> Axes:
        """Draw a test before and after the advised steps, the error magnified.

        Parameters
        ----------
        test : RingTest, optional
            What is drawn; a few circles and squares in the middle of the bed if absent.
        ax : Axes, optional
            Where to draw; a new figure if absent.
        """
        from gantrysim.plotting.burns import plot_before_after

        test = test if test is not None else _middle_test(self.machine)
        before = simulate(self.machine, test, feed_forces=True)
        return plot_before_after(before, self.predict(test), ax)

    def report(self) -> str:
        """Return the advice in plain words, numbers behind."""
        return "\n".join(_report(self))

    def to_dict(self) -> dict[str, Any]:
        """Return the advice as plain Python types."""
        return {
            "certain": self.certain,
            "explanations": [
                {"faults": list(f), "words": w, "probability": p} for f, w, p in self.explanations
            ],
            **fields_of(self, "checks", "adjustments"),
            "round_minutes": self.costs.round,
            "overshoot_minutes": self.costs.overshoot,
        }

    def to_csv(self, path: str | Path, *, overwrite: bool = False) -> Path:
        """Write one line an adjustment.

        Raises
        ------
        FileExistsError
            If the file exists and ``overwrite`` is false.
        """
        rows = []
        for adjustment in self.adjustments:
            row = adjustment.to_dict() | {"explanation": " + ".join(adjustment.of)}
            told = row["expected"] or {}
            cells = [row[name] for name in _COLUMNS]
            cells += [told.get(name, "") for name in ("estimate", "low", "high", "unit")]
            rows.append([f"{v:.6g}" if isinstance(v, float) else v for v in cells])
        heads = (*_COLUMNS, "expected", "expected_low", "expected_high", "expected_unit")
        remark = "advice after a finding, one line an adjustment; amounts in the unit column"
        return write_new_text(path, Table(heads, rows).csv(remark), overwrite=overwrite)

    def __repr__(self) -> str:
        if not self.adjustments:
            return "Advice(nothing to adjust)"
        first = self.adjustments[0]
        more = len(self.adjustments) - 1
        return f"Advice({first!r}{f' and {more} more' if more else ''}, {len(self.checks)} checks)"

    def _repr_html_(self) -> str:
        checks = "".join(
            f"<li>{html.escape(check.words)}: {html.escape(check.expect)}</li>"
            for check in self.checks
        )
        table = Table(_HEADS, map(cells_of, self.adjustments), "Advice")
        cautions = "".join(f"<p>{html.escape(text)}</p>" for text in self.cautions)
        return f"<p>Hand checks, in this order:</p><ol>{checks}</ol>{table.html()}{cautions}"


NOTHING, UNLESS = "Nothing to adjust.", "Turn nothing unless a check says otherwise."
#: Where several points may be at fault, and where a pair is.
ONE_BY_ONE = "Check in this order until one agrees; turn that, then burn the test again."
BOTH = "Make these steps in this order; one test afterwards shows both."

_HEADS = (
    *("place", "at fault", "when", "what to do", "amount [95 %]", "goes too far", "afterwards"),
)
_COLUMNS = (
    *("fault", "explanation", "probability", "action", "place", "way", "amount", "unit"),
    *("full", "low", "high", "fraction", "short", "overshoot", "overshoot_full"),
    *("confirm", "safety", "note"),
)


@checked
def advise(
    finding: Finding,
    *,
    handbook: Handbook | None = None,
    costs: Costs | None = None,
    draws: int = 300,
    seed: int = 20,
) -> Advice:
    """Work out what to adjust after a finding.

    Parameters
    ----------
    finding : Finding
        From `gantrysim.diagnose`.
    handbook : Handbook, optional
        Belt, pulley and motor, for belt tones (Hz) and steps per mm; the default parts if absent.
    costs : Costs, optional
        Minutes that another round and an overshoot cost.
    draws : int
        Machines taken, evenly in the size of the fault, from the posterior draws of the intervals
        (`gantrysim.inference.fitting.Fit.draws`), behind every amount.
    seed : int
        Of what is picked, and of the hand's errors.

    Returns
    -------
    Advice
        Hand checks and one adjustment for each adjusting point that may be at fault, in the order
        in which they are made.

    Raises
    ------
    ValueError
        If it is no finding, or another argument is of a wrong kind or size.

    Notes
    -----
    A fault of probability p is turned at once if turning in vain costs less than the hand check,
    ``(1 - p) overshoot <= minutes of the check``, if p reaches `Assumptions.credible`, if its
    search settled, and if the finding is more than a hint (`Finding.firm`).
    What is set by a reading cannot be set wrong in vain, and an exact setting is turned back at
    the cost of a round.  It is left where curing it gains less than the check costs,
    ``p round < minutes``.

    Examples
    --------
    >>> import gantrysim as gs
    >>> from gantrysim.instruments import ToneReading, ToneSheet
    >>> low = ToneReading("left", span=270.0, mass=8.4, tone=28.6, uncertainty=0.5)
    >>> finding = gs.diagnose(ToneSheet((low,), "by ear"))
    >>> advice = gs.advise(finding)
    >>> advice.checks[0].words
    'with the power off pluck the left Y belt: it should give a clear low tone'
    >>> advice.adjustments[0].words
    "draw the left Y belt's tensioner tighter until the tone is right: 90 Hz, about 6... Hz more"
    """
    costs = costs if costs is not None else Costs()
    handbook = handbook if handbook is not None else Handbook()
    draws, seed = whole_number(draws, "draws", least=20), whole_number(seed, "seed", least=0)
    group = [h for faults in finding.group for h in finding.ranked if h.faults == faults]
    adjustments = []
    for name in (point.name for point in finding.standing.named):
        hypothesis = next(h for h in finding.ranked if name in h.faults)
        made = _spread_out(hypothesis, name, draws)
        point = fault_of(finding, name).adjusting_point(finding.machine, handbook)
        rng = np.random.default_rng(seed + 1)
        adjustment = _adjustment(finding, hypothesis, name, point, made, costs, rng)
        expect = point.expect(finding.machine, hypothesis.fit.machine) + _heard(finding, point)
        if point.result[0] and not adjustment.sized:
            expect += "; this is for about the usual size, how big it is was not told"
        open_ = adjustment.probability < finding.assumptions.credible
        check = HandCheck(name, point.look, expect, point.minutes, splits=open_)
        first = _scanner_first(finding, name)
        adjustments.append(dataclasses.replace(adjustment, check=check, first=first))
    adjustments.sort(key=_turn)
    return Advice(
        machine=group[0].fit.machine,
        explanations=tuple((h.faults, h.words, h.probability) for h in group),
        checks=tuple(a.check for a in adjustments if a.check is not None),
        adjustments=tuple(adjustments),
        certain=finding.certain,
        costs=costs,
    )


def _spread_out(hypothesis: Hypothesis, name: str, count: int) -> list[Machine]:
    """Machines of draws evenly spaced in the size of a fault.

    Their quantiles are those of all draws: what is needed has the interval that the finding says.
    """
    fit = hypothesis.fit
    sized = any(fault.name == name for fault in fit.mode.faults)  # not what is not in this list
    order = np.argsort(sizes_drawn(hypothesis, name)) if sized else np.arange(len(fit.draws))
    chosen = order[np.linspace(0, order.size - 1, count).round().astype(int)]
    return [fit.problem.machine(fit.mode.faults, fit.draws[k]) for k in chosen]


def _heard(finding: Finding, point: AdjustingPoint) -> str:
    """What was read of a belt already, of which the check would be another reading."""
    heard = [
        f"{r.tone:.4g} Hz over {r.span:.0f} mm"
        for sheet in finding.measured
        if isinstance(sheet, ToneSheet)
        for r in sheet.readings
        if point.place == f"belt {r.belt}"
    ]
    said = f"; you have read {' and '.join(heard)}, which this probability counts already"
    return said if heard else ""


def _scanner_first(finding: Finding, name: str) -> str:
    """What tells a fault from a scanner that nobody checked, before the machine is turned."""
    if all(point.name != name for point in finding.standing.found):
        told = scanner_tells(finding, {fault_of(finding, name).effect})
        return f"{UNCHECKED}: {'; '.join(told)}" if told else ""
    return ""


def _turn(adjustment: Adjustment) -> tuple[int, float]:
    """When an adjustment has its turn: what is sure, then what is likeliest for its minutes.

    Of checks, one of which will agree, this order takes the fewest minutes on the average.
    """
    rank = (DO, CHECK, LEAVE).index(adjustment.action)
    minutes = 1.0 if adjustment.action == LEAVE else adjustment.point.minutes
    return rank, -adjustment.probability / minutes


def _adjustment(
    finding: Finding,
    hypothesis: Hypothesis,
    name: str,
    point: AdjustingPoint,
    made: Sequence[Machine],
    costs: Costs,
    rng: np.random.Generator,
) -> Adjustment:
    nominal = finding.machine
    needed = np.array([point.needed(machine, nominal) for machine in made])
    sense = 1.0 if np.median(needed) >= 0.0 else -1.0
    lacking, over = point.room(nominal, sense)
    effect = np.exp(point.doubt * rng.standard_normal(needed.size))
    mild = dataclasses.replace(costs, overshoot=min(costs.round, costs.overshoot))
    step = choose_step(
        needed, hand=point.hand, lacking=lacking, over=over, effect=effect,
        by_reading=point.by_reading, costs=mild if point.forgiving else costs,
    )  # fmt: skip
    size = hypothesis.magnitudes.get(name)
    sized = size is not None and size.identifiable
    known, expected = sized or point.by_reading, None
    if point.result[0] and known:
        exact = step.fraction * needed if point.by_reading else step.amount * effect
        error = point.hand / 1.96 * rng.standard_normal(needed.size)
        turned = [point.turn(m, float(a)) for m, a in zip(made, exact + error, strict=True)]
        read = [point.reads(machine) for machine in turned]
        middle, low, high = (float(v) for v in np.quantile(read, [0.5, 0.025, 0.975]))
        expected = Estimate(*point.result, middle, low, high, identifiable=True)
    probability = min(sum(h.probability for h in finding.ranked if name in h.faults), 1.0)
    action = _action(finding, hypothesis, sized, probability, point, costs)
    told = (step, point.stands(nominal), expected, probability, action)
    healthy = point.reads(nominal)
    return Adjustment(name, hypothesis.faults, point, *told, sized=known, healthy=healthy)


def _action(
    finding: Finding,
    hypothesis: Hypothesis,
    sized: bool,
    p: float,
    point: AdjustingPoint,
    costs: Costs,
) -> str:
    """Whether to turn at once, check first, or leave it."""
    minutes = point.minutes
    if not worth_a_check(p, minutes, costs):
        return LEAVE
    settled = hypothesis.fit.mode.converged and finding.firm
    sure = settled and p >= finding.assumptions.credible
    vain = costs.round if point.forgiving else costs.overshoot
    cheap = point.by_reading or (1.0 - p) * vain <= minutes
    return DO if sized and sure and cheap else CHECK


def _middle_test(machine: Machine) -> RingTest:
    middle = machine.middle
    size = min(40.0, 0.4 * min(machine.span, machine.travel_y))
    return ring_test(spacing=size / 4.0, largest=size, centre=middle)


# Words


def _report(advice: Advice) -> list[str]:
    if not advice.adjustments:
        return [NOTHING]
    rows = [] if advice.explanations[0][0] else [UNLESS]
    many, said = len(advice.advised) > 1, set[str]()
    if not many and sum(a.action == CHECK for a in advice.adjustments) > 1:
        rows.append(ONE_BY_ONE)
    for adjustment in advice.adjustments:
        rows += [row for row in rows_of(adjustment) if row.strip() not in said]
        said.add(adjustment.point.note)  # once is enough
    return [*rows, *([BOTH] if many else []), *advice.cautions]
