"""The Gaussian long-wave-pass filter of a closed profile, in undulations per revolution (UPR).

ISO 16610-21:2011 clause 5.3 gives the filter of a closed profile, ISO 12181-2:2011 its usual
cut-offs (15, 50, 150, 500 UPR) and how densely to sample (both from memory).  The standard takes
equally spaced points; points of a drawn line are not.  Here the waves of the profile are found by
least squares on the points as they lie, gaps are bridged by the curve that bends least, and each
wave is then let through in the share that `gaussian_transmission` gives.  For equally spaced points
that is the filter of the standard, to rounding.  A gap wider than half a wave of the cut-off is
refused, as any curve might hide in it.  Lengths in mm, cut-offs in UPR.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from gantrysim.metrology.harmonics import gaussian_transmission, waves
from gantrysim.metrology.roundness import (
    ReferenceCircle,
    Roundness,
    checked_points,
    least_squares_circle,
    roundness,
)
from gantrysim.records.arrays import Array
from gantrysim.records.checks import positive
from gantrysim.records.doors import checked
from gantrysim.records.table import fields_of

SAMPLES_PER_WAVE = 7  # at least, of the cut-off (ISO 12181-2:2011, from memory)
HIGHEST = 3.0  # cut-offs; what lies beyond passes by less than 2^-9
BENDING = 1e-3  # weight of bending against misfit for a wave at the cut-off
LARGEST_CUTOFF = 500.0  # UPR; beyond it the equations outgrow memory
QUARTER = 90.0  # degrees of a wave: wider gaps count as bridged


@checked
@dataclass(frozen=True, eq=False)
class FilteredProfile:
    """A closed profile after the Gaussian filter.

    Parameters
    ----------
    cutoff : float
        UPR; half of a wave at the cut-off passes.
    circle : ReferenceCircle
        LSCI of the points before the filter; deviations are taken from it.
    angle, deviation : ndarray, shape (m,)
        Filtered deviation (mm) at equally spaced polar angles (radians) round the circle's centre.
    n_points : int
        Points measured.
    widest_gap_deg : float
        Widest angle between neighbouring points, degrees.
    bridged_share : float
        Part of the turn that lies in gaps wider than a quarter wave of the cut-off, where the
        profile is a guess of least bending; 0 for dense points.
    """

    cutoff: float
    circle: ReferenceCircle
    angle: Array
    deviation: Array
    n_points: int
    widest_gap_deg: float
    bridged_share: float

    @property
    def xy(self) -> Array:
        """Points of the filtered profile, mm, shape (m, 2)."""
        reach = self.circle.radius + self.deviation
        rays = np.column_stack((np.cos(self.angle), np.sin(self.angle)))
        return np.asarray(np.array(self.circle.centre) + reach[:, None] * rays)

    def roundness(self) -> Roundness:
        """Reference circles and RONt, RONp, RONv, RONq of the filtered profile.

        ISO 12181-1:2011 clause 3 and ISO 12181-2:2011 (from memory): parameters are taken from the
        filtered profile, and the cut-off is stated beside them.
        """
        return roundness(self.xy)

    def to_dict(self) -> dict[str, Any]:
        """Plain numbers, mm, degrees and UPR."""
        numbers = fields_of(self, "cutoff_upr n_points widest_gap_deg bridged_share")
        angles = np.degrees(self.angle).tolist()
        return {**numbers, "angle_deg": angles, "deviation_mm": self.deviation.tolist()}

    def __repr__(self) -> str:
        bridged = f", {self.bridged_share:.0%} of the turn bridged" if self.bridged_share else ""
        return (
            f"FilteredProfile({self.cutoff:g} UPR, {self.n_points} points, widest gap "
            f"{self.widest_gap_deg:.1f}°{bridged}, "
            f"range {np.ptp(self.deviation) * 1e3:.2f} µm)"
        )


@checked
def filtered_profile(xy: ArrayLike, cutoff: float = 15.0) -> FilteredProfile:
    """Filter a closed outline.

    Parameters
    ----------
    xy : array_like, shape (n, 2)
        Points all the way round, any order, any spacing, mm.
    cutoff : float
        UPR, up to 500.

    Raises
    ------
    ValueError
        With fewer than seven points for each wave of the cut-off, or a gap between neighbours
        wider than half such a wave: then ask for a lower cut-off or measure more densely.
    """
    limit = checked_cutoff(cutoff)
    points = checked_points(xy, 4)
    circle = least_squares_circle(points)
    angle = circle.angles(points)
    gaps = gaps_deg(angle)
    least = math.ceil(SAMPLES_PER_WAVE * limit)
    if len(points) < least:
        raise ValueError(
            f"a cut-off of {limit:g} undulations per revolution needs {least} points, "
            f"found {len(points)}; ask for a lower cut-off or measure more densely."
        )
    wave = 360.0 / limit
    if gaps.max() > wave / 2:
        raise ValueError(
            f"the points leave a gap of {gaps.max():.1f} degrees; a cut-off of {limit:g} "
            f"undulations per revolution bridges {wave / 2:.1f} degrees at most."
        )
    at = even_angles(limit)
    deviation = filter_operator(angle, limit, at) @ circle.deviations(points)
    wide = gaps[gaps > QUARTER / limit]
    return FilteredProfile(
        limit, circle, at, deviation, len(points), float(gaps.max()), float(wide.sum() / 360.0)
    )


def even_angles(cutoff: float) -> Array:
    """Equally spaced angles, radians: at least 720, and fourteen to each wave of the cut-off."""
    count = max(720, 2 * math.ceil(SAMPLES_PER_WAVE * cutoff))
    return np.asarray(2 * np.pi * np.arange(count) / count)


def filter_operator(angle: Array, cutoff: float, at: Array, *, highest: int | None = None) -> Array:
    """Matrix that turns deviations at points into filtered deviations, shape (len(at), n).

    ``angle``: polar angles of the points, radians; shape (n,).  ``cutoff``: UPR.  ``at``: where the
    filtered profile is wanted, radians; shape (m,).  ``highest``: highest order fitted, where the
    points bear fewer than three cut-offs.

    Waves up to three cut-offs are fitted by least squares with a bending penalty that takes 0.1 %
    from a wave at the cut-off and is put back exactly where points are equally spaced.
    """
    most = (len(angle) - 1) // 2 if highest is None else highest
    order = np.arange(1, min(math.ceil(HIGHEST * cutoff), most) + 1)
    bending = BENDING * (order / cutoff) ** 4
    passes = gaussian_transmission(order, cutoff) * (1 + bending)
    filled, bridge = _bridged(angle, 2.0 * np.pi / float(order[-1]))
    fit = _fit_of_waves(filled, order, bending) @ bridge
    return np.asarray(_waves(at, order, passes) @ fit)


def _bridged(angle: Array, wave: float) -> tuple[Array, Array]:
    """Angles with no gap of a whole wave, and the matrix from deviations to those at them.

    ``wave``: the shortest that is fitted, radians.  In a gap as wide as itself a wave is free: what
    it makes of a steep flank beside the gap was 0.39 mm on a ring of 0.33 mm.  Gaps are filled by
    the waves that are twice as long as the widest, and by the chord of what these leave.
    """
    n = len(angle)
    by_angle = np.argsort(angle, kind="stable")
    gap = np.radians(gaps_deg(angle))
    more = np.where(gap > wave, np.ceil(2.0 * gap / wave) - 1.0, 0.0).astype(np.int64)
    if not more.any():
        return angle, np.eye(n)
    before = np.repeat(np.arange(n), more)
    number = np.arange(more.sum()) - np.repeat(np.cumsum(more) - more, more) + 1.0
    share = number / (more[before] + 1.0)
    new = angle[by_angle][before] + share * gap[before]
    chord = np.zeros((len(new), n))
    rows = np.arange(len(new))
    chord[rows, by_angle[before]] = 1.0 - share
    chord[rows, by_angle[(before + 1) % n]] += share
    carried = np.arange(1, max(1, int(np.pi / gap.max())) + 1)
    smooth = _fit_of_waves(angle, carried, np.zeros(len(carried)))
    ones = np.ones(len(carried))
    left = np.eye(n) - _waves(angle, carried, ones) @ smooth
    return np.append(angle, new), np.vstack(
        (np.eye(n), _waves(new, carried, ones) @ smooth + chord @ left)
    )


def waves_of(angle: Array, deviation: Array, highest: int) -> Array:
    """The waves of a profile up to an order, at its own points.

    ``angle``, ``deviation``: polar angles (radians) and deviations (mm); shape (n,).  ``highest``:
    highest order kept; up to it waves pass whole.  Returns: mm; shape (n,).
    """
    order = np.arange(1, highest + 1)
    fit = _fit_of_waves(angle, order, BENDING * (order / highest) ** 4)
    return np.asarray(_waves(angle, order, np.ones(highest)) @ (fit @ deviation))


def _waves(angle: Array, order: NDArray[np.int64], share: Array) -> Array:
    """Constant, cosines and sines at angles, each order in a share."""
    return waves(angle, len(order)) * np.concatenate(([1.0], share, share))


def _fit_of_waves(angle: Array, order: NDArray[np.int64], bending: Array) -> Array:
    """Matrix from deviations to constant, cosine and sine coefficients."""
    design = _waves(angle, order, np.ones(len(order)))
    penalty = np.concatenate(([0.0], bending, bending)) / 2
    normal = design.T @ design / len(angle) + np.diag(penalty)
    return np.asarray(np.linalg.solve(normal, design.T / len(angle)))


def checked_cutoff(cutoff: float) -> float:
    """The cut-off as a float; ValueError unless it is 1 to 500 UPR."""
    limit = positive(cutoff, "cutoff")
    if not 1.0 <= limit <= LARGEST_CUTOFF:
        raise ValueError(
            f"cutoff must be 1 to {LARGEST_CUTOFF:g} undulations per revolution, found {limit:g}."
        )
    return limit


def gaps_deg(angle: Array) -> Array:
    """Angles between neighbouring points round a turn, degrees; `angle` in radians."""
    turned = np.sort(angle)
    return np.asarray(np.degrees(np.diff(turned, append=turned[0] + 2 * np.pi)))
