"""Whether a turn that was written down goes with what was found before and after it."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from gantrysim.decisions.findingfile import magnitudes_from
from gantrysim.faults import Fault
from gantrysim.faults.adjusting import AdjustingPoint
from gantrysim.inference.fitting import Estimate
from gantrysim.machine import Machine
from gantrysim.machine.handbook import Handbook
from gantrysim.records.amounts import between, in_words, signed, with_interval

if TYPE_CHECKING:
    from gantrysim.log.machinelog import Adjusted, Burned


def disagreements(
    before: Burned, turns: Sequence[Adjusted], after: Burned, machine: Machine
) -> list[str]:
    """Turns of which more or less was left than they leave, each in a sentence.

    Parameters
    ----------
    before, after : Burned
        The burns between which was turned.
    turns : sequence of Adjusted
        What was turned between them.
    machine : Machine
        The machine as described.

    Notes
    -----
    Said only where the 95 % interval of what was found does not touch that of what the turn
    leaves, which takes the ends of the first interval, of how well a hand meets an amount and of
    what an amount does.  The turn that goes with both findings lies between the ends of both
    intervals, which for two normal numbers holds with 95 % and more.
    """
    said = []
    for name in dict.fromkeys(turn.fault for turn in turns):
        made = [turn for turn in turns if turn.fault == name]
        amounts = [turn.amount for turn in made if turn.amount is not None]
        found = [_size(burn.finding["ranked"][0], name) for burn in (before, after)]
        sizes = [size for size in found if size is not None]
        if len(amounts) < len(made) or len(sizes) < len(found):
            continue
        try:
            fault = machine.catalogue().named(name)
            point = fault.adjusting_point(machine, Handbook())
            if all(turn.unit == point.unit for turn in made) and not point.by_reading:
                said += _said(fault, point, machine, math.fsum(amounts), *sizes)
        except ValueError:  # no machine has such a fault, or one of such a size
            continue
    return said


def _size(best: Mapping[str, Any], fault: str) -> Estimate | None:
    """The size of a fault in the likeliest explanation of a burn, where it was told."""
    size = magnitudes_from(best["magnitudes"], "magnitudes").get(fault)
    return size if size is not None and size.identifiable else None


def _said(
    fault: Fault,
    point: AdjustingPoint,
    machine: Machine,
    amount: float,
    before: Estimate,
    after: Estimate,
) -> list[str]:
    """That a turn does not go with the sizes before and after it; nothing where it does."""

    def faulty(size: float) -> Machine:
        return fault.at(size, *(q.value(0.0) for q in fault.parameters[1:])).apply(machine)

    doubt = math.exp(1.96 * point.doubt)
    ends = (before.low, before.high), (amount / doubt, amount * doubt), (-point.hand, point.hand)
    left = [
        fault.size_on(point.turn(faulty(size), turned + hand), machine)
        for size, turned, hand in itertools.product(*ends)
    ]
    if max(left) >= after.low and min(left) <= after.high:
        return []
    from_, to = (
        [point.stands(faulty(v)) for v in (s.estimate, s.low, s.high)] for s in (before, after)
    )
    really = [b - a for a, b in itertools.product(from_, to)]
    least = 0.0 if fault.sense > 0 else -math.inf
    leaves = between(max(min(left), least), max(left), fault.unit)
    sizes = [in_words(size.estimate, fault.unit) for size in (before, after)]
    turned = with_interval(to[0] - from_[0], min(really), max(really), point.unit)
    return [
        f"{signed(amount, point.unit)} at {point.place} do not go with {fault.noun} of {sizes[0]} "
        f"before and {sizes[1]} now: they would leave {leaves}. It seems to have been {turned}, or "
        "something else is at fault."
    ]
