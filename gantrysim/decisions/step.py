"""How far to turn at once: the step that is expected to cost the fewest minutes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from gantrysim.records.checks import above_zero, require
from gantrysim.records.doors import checked

_FRACTIONS = np.linspace(0.0, 1.0, 101)
#: Expected losses closer than this are alike, minutes: then the longer step is taken.
ALIKE_MINUTES = 0.5


@checked
@dataclass(frozen=True)
class Costs:
    """What going wrong costs, minutes.

    Parameters
    ----------
    round : float
        Another round where the step fell short: burn a test, measure it, adjust again, minutes.
    overshoot : float
        A step that went too far (a wheel that lost contact, an end past the square, a belt that
        loads its bearings): it is found only by a further round, and then searched and turned
        back, minutes.

    Notes
    -----
    The defaults are judgement: a quarter of an hour of burning and about as much again to scan
    and fit; an overshoot costs two rounds and the search.
    """

    round: float = 40.0
    overshoot: float = 90.0

    def __post_init__(self) -> None:
        above_zero("Costs", round=self.round, overshoot=self.overshoot)


@dataclass(frozen=True)
class Step:
    """A step with what it risks.

    Parameters
    ----------
    full : float
        Median of the amount needed.
    low, high : float
        95 % interval of the amount needed, signed like it.
    fraction : float
        Part of the full step that is advised, 0 to 1.
    overshoot, overshoot_full : float
        Probability that the advised and the full step go too far.
    short, short_full : float
        Probability that another round follows because they fall short.
    minutes, minutes_full : float
        Expected loss of both, minutes.
    """

    full: float
    low: float
    high: float
    fraction: float
    overshoot: float
    overshoot_full: float
    short: float
    short_full: float
    minutes: float
    minutes_full: float

    @property
    def amount(self) -> float:
        """The advised amount."""
        return self.fraction * self.full


def choose_step(
    needed: np.ndarray,
    *,
    hand: float = 0.0,
    lacking: float,
    over: float,
    effect: np.ndarray | None = None,
    by_reading: bool = False,
    costs: Costs | None = None,
) -> Step:
    """Choose the part of the full step that is expected to cost least.

    Parameters
    ----------
    needed : ndarray
        Draws of the signed amount needed, in the unit of the point.
    hand : float
        How well an amount can be set (95 %), same unit.
    lacking, over : float
        How far short of and beyond the amount needed does no harm, same unit.
    effect : ndarray, optional
        Draws of what an amount does, as part of what it is thought to do (dimensionless).
    by_reading : bool
        Whether it is turned until a reading is right: then what is needed need not be known.
    costs : Costs, optional
        Of another round and of an overshoot, minutes.

    Returns
    -------
    Step
        The full step is the median of the draws.

    Notes
    -----
    Loss of a step a: ``round * P(needed - a > lacking) + overshoot * P(a - needed > over)``,
    both counted along the way the step goes, with the workmanship as a normal error of ``hand /
    1.96``.  Of the parts 0, 0.01, ... 1 whose loss lies within half a minute of the least the
    largest is taken.
    """
    costs = costs if costs is not None else Costs()
    needed = np.asarray(needed, dtype=float)
    ok = needed.ndim == 1 and needed.size > 0 and bool(np.all(np.isfinite(needed)))
    require(ok, "choose_step", "needed", needed, "a row of one or more finite numbers")
    full = float(np.median(needed))
    sense = 1.0 if full >= 0.0 else -1.0
    effect = np.ones_like(needed) if effect is None else np.asarray(effect, dtype=float)
    made = needed if by_reading else full * effect
    left = sense * (needed[None, :] - _FRACTIONS[:, None] * made[None, :])
    sd = max(hand / 1.96, 1e-12)
    short = ndtr((left - lacking) / sd).mean(axis=1)
    too_far = ndtr((-left - over) / sd).mean(axis=1)
    minutes = costs.round * short + costs.overshoot * too_far
    best = int(np.flatnonzero(minutes <= minutes.min() + ALIKE_MINUTES)[-1])
    low, high = np.quantile(needed / effect, [0.025, 0.975])
    return Step(
        full=full, low=float(low), high=float(high), fraction=float(_FRACTIONS[best]),
        overshoot=float(too_far[best]), overshoot_full=float(too_far[-1]),
        short=float(short[best]), short_full=float(short[-1]),
        minutes=float(minutes[best]), minutes_full=float(minutes[-1]),
    )  # fmt: skip
