"""What is stated of each adjusting point: people turn points, not explanations."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from gantrysim.inference.fitting import Estimate
from gantrysim.inference.parameters import each_drawn
from gantrysim.records.doors import behind

if TYPE_CHECKING:
    from gantrysim.decisions.diagnosis import Hypothesis


@dataclass(frozen=True, eq=False)
class Statement:
    """What is stated of one adjusting point.

    Parameters
    ----------
    name : str
        Name of its fault, for example ``"tight_wheels_left"``.
    words : str
        The fault in plain words.
    noun : str
        What it is an amount of.
    probability : float
        Probability that it is at fault: of all explanations that contain it together.
    size : Estimate or None
        How big it is if it is at fault, with its 95 % interval over these explanations; None where
        an explanation has no size.
    alike : tuple of str
        Other points, one of which may be at fault in its stead.
    """

    name: str
    words: str
    noun: str
    probability: float
    size: Estimate | None
    alike: tuple[str, ...]

    @property
    def sized(self) -> bool:
        """Whether its size was told."""
        return self.size is not None and self.size.identifiable

    def __repr__(self) -> str:
        size = self.size
        told = (
            f", {size.estimate:.3g} [{size.low:.3g}, {size.high:.3g}] {size.unit}" if size else ""
        )
        return f"Statement({self.name}, {self.probability:.3f}{told})"


def statements(
    ranked: Sequence[Hypothesis], group: Sequence[tuple[str, ...]]
) -> tuple[Statement, ...]:
    """Statements of every adjusting point that an explanation names, likeliest first."""
    names = dict.fromkeys(name for h in ranked for name in h.faults)
    made = [_statement(name, [h for h in ranked if name in h.faults], group) for name in names]
    return tuple(sorted(made, key=lambda s: -s.probability))


def _statement(
    name: str, with_it: Sequence[Hypothesis], group: Sequence[tuple[str, ...]]
) -> Statement:
    best = with_it[0]
    fault = next((f for f in best.fit.mode.faults if f.name == name), None)
    if fault is None:
        fault = best.fit.problem.catalogue.named(name)
    instead = {
        other
        for here in group
        if name in here
        for there in group
        if name not in there
        for other in set(there) - set(here)
    }
    return Statement(
        name=name,
        words=fault.words,
        noun=fault.noun,
        probability=min(sum(h.probability for h in with_it), 1.0),
        size=_size(name, with_it),
        alike=tuple(sorted(instead)),
    )


def _size(name: str, with_it: Sequence[Hypothesis]) -> Estimate | None:
    """Size over all explanations that have the fault, each by its probability."""
    best = with_it[0].magnitudes.get(name)
    shares = [h.probability for h in with_it if h.probability > _MATTERS * with_it[0].probability]
    if best is None or len(shares) <= 1:  # none where all of them are impossible
        return best
    sizes, weights = [], []
    for h, share in zip(with_it, shares, strict=False):
        drawn = sizes_drawn(h, name)
        sizes.append(drawn)
        weights.append(np.full(drawn.size, share / drawn.size))
    values, weight = np.concatenate(sizes), np.concatenate(weights)
    order = np.argsort(values)
    covered = np.cumsum(weight[order]) / weight.sum()
    low, high = (float(values[order][np.searchsorted(covered, q)]) for q in (0.025, 0.975))
    estimate = min(max(best.estimate, low), high)
    return Estimate(best.name, best.unit, estimate, low, high, best.identifiable)


#: Explanations that are so many times rarer than the likeliest do not move an interval.
_MATTERS = 0.02


def sizes_drawn(hypothesis: Hypothesis, name: str) -> np.ndarray:
    """Draws of the size of a fault in an explanation, in its unit."""
    problem, faults = hypothesis.fit.problem, hypothesis.fit.mode.faults
    for fault, cut in zip(faults, problem.fault_cuts(faults), strict=True):
        if fault.name == name:
            draws = hypothesis.fit.draws[:, cut]
            return each_drawn(behind(fault.magnitude), problem.parameters(fault), draws)
    raise ValueError(f"the explanation {hypothesis.name} does not have {name!r}")
