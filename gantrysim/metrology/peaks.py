"""Peak-to-valley measures under noise: how much of them the noise may have made.

RONt, G, F, H and straightness take the furthest point on either side, so noise only makes them
larger: white noise s alone gives 1000 points of a perfect circle an RONt of 6.5 s.  No linear
propagation shows that.  Here noise is drawn (JCGM 101:2008 clause 7, from memory) and taken off:

- The lower end of the interval is the value less what noise alone would show in 97.5 % of draws.
  Such measures obey the triangle inequality, T(shape + noise) <= T(shape) + T(noise), so this holds
  whatever the shape; for a shape with few peaks it is cautious.
- The upper end is the value less what the noise adds, in all but 2.5 % of draws, to the shape that
  the points show.  Noise adds least to few sharp peaks.

Where the true deviation is small beside the noise the interval reaches down to zero: then only its
upper end says anything.  Lengths in mm.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from gantrysim.metrology.filtered import waves_of
from gantrysim.metrology.harmonics import waves
from gantrysim.metrology.uncertainty import LEVEL, coverage_interval
from gantrysim.records.arrays import Array
from gantrysim.records.doors import checked
from gantrysim.records.table import fields_of

HIGHEST = 15  # waves of the smooth shape of a ring
POINTS_PER_WAVE = 4
GOLDEN = 0.45  # of the interval of slopes that each comparison cuts off, a little less than half
ZONE_STEPS = 18
TRIALS = 400
SEED = 0


@checked
@dataclass(frozen=True)
class PeakToValley:
    """A peak-to-valley measure and what noise may have made of it.

    Parameters
    ----------
    value : float
        As found, mm.
    alone : float
        What noise alone would show on average, mm.
    u : float
        Standard deviation under the noise, mm.
    low, high : float
        95 % interval of the deviation without noise, mm; not below zero where it cannot be.
    cutoff : float or None
        Of the filter before it, undulations per revolution; None where nothing was filtered.
    """

    value: float
    alone: float
    u: float
    low: float
    high: float
    cutoff: float | None = None

    def mirrored(self) -> PeakToValley:
        """The same for minus the measure: of a smallest instead of a largest deviation."""
        return PeakToValley(-self.value, -self.alone, self.u, -self.high, -self.low, self.cutoff)

    def to_dict(self) -> dict[str, Any]:
        """Plain numbers, mm."""
        return fields_of(self, "value_mm alone_mm u_mm low_mm high_mm cutoff_upr")

    def __repr__(self) -> str:
        um = 1e3
        return (
            f"PeakToValley({self.value * um:.1f} µm, noise alone {self.alone * um:.1f}; "
            f"95 % {self.low * um:.1f} to {self.high * um:.1f} µm)"
        )


def under_noise(
    value: float,
    measure: Callable[[Array], Array],
    shape: Array,
    errors: Array,
    *,
    least: float = 0.0,
) -> PeakToValley:
    """Interval of a measure that noise only makes larger; see the module.

    ``value``: as found, mm.  ``measure``: takes profiles of shape (trials, n) and gives measures of
    shape (trials,), mm.  ``shape``: the shape that the points show, mm; shape (n,).  ``errors``:
    drawn noise, mm; shape (trials, n).  ``least``: what the measure cannot fall below.
    """
    nothing, smooth = measure(np.stack((np.zeros_like(shape), shape))).tolist()
    alone, added = measure(errors) - nothing, measure(shape + errors) - smooth
    return interval_of(value, alone, added, least=least)


def interval_of(value: float, alone: Array, added: Array, *, least: float = 0.0) -> PeakToValley:
    """Interval of a value from draws of what noise shows alone, and adds to the shape, mm."""
    _, most = coverage_interval(alone, LEVEL)
    fewest, _ = coverage_interval(added, LEVEL)
    low = max(value - most, least)
    return PeakToValley(
        value, float(alone.mean()), float(added.std(ddof=1)), low, max(value - fewest, low)
    )


def shape_of_ring(angle: Array, deviation: Array) -> Array:
    """The shape that the points of a ring show: its waves up to an order, mm, shape (n,)."""
    return waves_of(angle, deviation, max(2, min(HIGHEST, (len(angle) - 1) // POINTS_PER_WAVE)))


def shape_of_side(along: Array, across: Array) -> Array:
    """The shape that the points of a side show: bow and twist, mm, shape (n,).

    Legendre polynomials of orders 2 to 5 made orthogonal on the points.
    """
    highest = min(5, max(1, len(along) // POINTS_PER_WAVE))
    scaled = 2 * (along - along.min()) / np.ptp(along) - 1
    waves, _ = np.linalg.qr(np.polynomial.legendre.legvander(scaled, highest))
    waves = waves[:, 2:]
    return np.asarray(waves @ (waves.T @ across))


def ring_widths(angle: Array, deviations: Array) -> Array:
    """RONt about the LS circle for many profiles at once, mm; deviations of shape (trials, n)."""
    design = waves(angle, 1)
    left = deviations - (deviations @ np.linalg.pinv(design).T) @ design.T
    return np.asarray(np.ptp(left, axis=1))


def ring_extremes(angle: Array, deviations: Array) -> tuple[Array, Array]:
    """Largest and smallest deviation seen from each profile's own LS centre, mm."""
    design = waves(angle, 1)
    centre = (deviations @ np.linalg.pinv(design).T)[:, 1:]
    left = deviations - centre @ design[:, 1:].T
    return np.asarray(left.max(axis=1)), np.asarray(left.min(axis=1))


def side_widths(along: Array, across: Array, reference: str) -> Array:
    """Straightness of many sides at once, mm; `across` has shape (trials, n).

    `reference` is "zone" (minimum zone), "line" (least squares) or "ends" (end points).  The zone
    is the least range over slopes, which is convex: its minimum is narrowed down step by step.
    """
    t = along - along.mean()
    slope = across @ t / (t @ t)
    if reference == "ends":
        first, last = int(np.argmin(t)), int(np.argmax(t))
        slope = (across[:, last] - across[:, first]) / (t[last] - t[first])
    width = np.asarray(np.ptp(across - slope[:, None] * t, axis=1))
    if reference != "zone":
        return width
    reach = 2 * width / np.ptp(t)
    low, high = slope - reach, slope + reach
    for _ in range(ZONE_STEPS):
        one, other = low + GOLDEN * (high - low), high - GOLDEN * (high - low)
        better = np.ptp(across - one[:, None] * t, axis=1) < np.ptp(
            across - other[:, None] * t, axis=1
        )
        low, high = np.where(better, low, one), np.where(better, other, high)
    middle = (low + high) / 2
    return np.asarray(np.ptp(across - middle[:, None] * t, axis=1))
