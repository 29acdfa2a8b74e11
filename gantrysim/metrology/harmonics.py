"""Undulations per revolution of an outline: amplitude and phase, ovality, filter transmission.

Harmonic n of a radial deviation is amplitude * cos(n (angle - phase)): n = 2 is an oval, n >= 3 are
lobes.  n = 0 (size) and n = 1 (centring) belong to the reference circle.  Noise of standard
deviation s in N points gives an amplitude an error of only s sqrt(2/N), while it inflates RONt by
several s: compare shapes by harmonics, report RONt.  Lengths in mm, directions in degrees
counter-clockwise from +x.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from gantrysim.metrology.roundness import ReferenceCircle, checked_points, least_squares_circle
from gantrysim.records.arrays import Array
from gantrysim.records.doors import checked
from gantrysim.records.table import fields_of

WORST_CONDITION = 30.0  # of the design; beyond it, gaps between points make harmonics trade places


@checked
@dataclass(frozen=True)
class Harmonic:
    """One undulation: deviation = cosine * cos(n angle) + sine * sin(n angle).

    Parameters
    ----------
    order : int
        n, undulations per revolution.
    cosine, sine : float
        Coefficients, mm.
    """

    order: int
    cosine: float
    sine: float

    @property
    def amplitude(self) -> float:
        """Half of peak to valley, mm."""
        return math.hypot(self.cosine, self.sine)

    @property
    def phase_deg(self) -> float:
        """Direction of its first peak, degrees, 0 to 360/n."""
        turn = 360.0 / self.order
        return math.degrees(math.atan2(self.sine, self.cosine)) / self.order % turn

    def __repr__(self) -> str:
        return (
            f"Harmonic({self.order}, {self.amplitude * 1e3:.2f} µm, peak at {self.phase_deg:.2f}°)"
        )


@checked
@dataclass(frozen=True)
class Harmonics:
    """Harmonics of the radial deviation from a least-squares circle.

    Parameters
    ----------
    circle : ReferenceCircle
        The LSCI.
    terms : tuple of Harmonic
        Orders 2 to the highest.
    mean : float
        Order 0 left beside the LSCI by uneven spacing of the points, mm.
    rest_rms : float
        Root mean square of what the harmonics leave, mm.
    """

    circle: ReferenceCircle
    terms: tuple[Harmonic, ...]
    mean: float
    rest_rms: float

    def __getitem__(self, order: int) -> Harmonic:
        """Harmonic of an order; KeyError if it was not fitted."""
        for term in self.terms:
            if term.order == order:
                return term
        raise KeyError(f"harmonic {order} was not fitted, only 2 to {self.terms[-1].order}.")

    @property
    def ovality(self) -> float:
        """Largest minus smallest diameter of the two-lobed part, mm.

        A two-lobed deviation a cos 2(angle - phase) has diameters from 2r - 2a to 2r + 2a, so this
        is four times the amplitude of harmonic 2, and twice the RONt of the two-lobed part.
        Common practice; no clause of ISO 12181 defines it.
        """
        return 4.0 * self[2].amplitude

    @property
    def long_axis_deg(self) -> float:
        """Direction of the largest diameter of the two-lobed part, degrees, 0 to 180."""
        return self[2].phase_deg

    def diameter(self, direction_deg: float) -> float:
        """Diameter of the two-lobed part in a direction: D0 + C cos 2phi + S sin 2phi, mm."""
        phi = math.radians(direction_deg)
        lobes = self[2].cosine * math.cos(2 * phi) + self[2].sine * math.sin(2 * phi)
        return 2.0 * (self.circle.radius + self.mean + lobes)

    def to_dict(self) -> dict[str, Any]:
        """Plain numbers, mm and degrees."""
        terms = [fields_of(term, "order amplitude_mm phase_deg") for term in self.terms]
        return fields_of(self, "ovality_mm long_axis_deg rest_rms_mm") | {"harmonics": terms}


def waves(angle: Array, highest: int) -> Array:
    """Columns 1, cos a .. cos n a, sin a .. sin n a of angles (radians), shape (m, 2 n + 1)."""
    turn = np.outer(angle, np.arange(1, highest + 1))
    return np.hstack((np.ones((len(angle), 1)), np.cos(turn), np.sin(turn)))


@checked
def harmonics(
    xy: ArrayLike, highest: int = 8, *, circle: ReferenceCircle | None = None
) -> Harmonics:
    """Harmonics 2 to `highest` of the radial deviation, by least squares on points as they lie.

    Parameters
    ----------
    xy : array_like, shape (n, 2)
        Points in any order and of any spacing, mm.
    highest : int
        Highest order fitted; orders 0 and 1 are fitted beside it and set aside.
    circle : ReferenceCircle, optional
        The LSCI of the points, if it is known already.

    Returns
    -------
    Harmonics

    Raises
    ------
    ValueError
        If `highest` is below 2, there are fewer than 2 highest + 1 points, or a gap between them
        is so wide that the orders cannot be told apart.
    """
    if highest < 2:
        raise ValueError(f"highest must be 2 or more, found {highest}.")
    points = checked_points(xy, 2 * highest + 1)
    circle = circle or least_squares_circle(points)
    deviation = circle.deviations(points)
    design = waves(circle.angles(points), highest)
    q, r = np.linalg.qr(design)
    singular = np.linalg.svd(r, compute_uv=False)
    if singular[0] > WORST_CONDITION * singular[-1]:
        raise ValueError(
            f"the points leave too wide a gap for harmonics up to {highest}; "
            "measure all the way round or ask for fewer."
        )
    solution = np.linalg.solve(r, q.T @ deviation)
    cosines, sines = solution[1 : highest + 1], solution[highest + 1 :]
    terms = tuple(
        Harmonic(n, float(cosines[n - 1]), float(sines[n - 1])) for n in range(2, highest + 1)
    )
    rest = deviation - design @ solution
    return Harmonics(circle, terms, float(solution[0]), float(np.sqrt(np.mean(rest**2))))


@checked
def ovality(xy: ArrayLike) -> tuple[float, float]:
    """Ovality (mm) and direction of the long axis (degrees, 0 to 180); see `Harmonics.ovality`.

    Parameters
    ----------
    xy : array, shape (n, 2)
        Points around the outline, mm.

    Raises
    ------
    ValueError
        As `harmonics` with orders up to 4.
    """
    found = harmonics(xy, 4)
    return found.ovality, found.long_axis_deg


@checked
def gaussian_transmission(order: ArrayLike, cutoff: float) -> Any:
    """Share of a harmonic's amplitude that the Gaussian long-wave-pass filter lets through.

    Parameters
    ----------
    order : array_like
        Undulations per revolution.
    cutoff : float
        Undulations per revolution of which half passes; usually 15, 50, 150 or 500.

    Returns
    -------
    float or ndarray
        exp(-pi (alpha n / cutoff)^2) with alpha = sqrt(ln 2 / pi), which is 2^-(n/cutoff)^2.

    Raises
    ------
    ValueError
        If the cut-off is not above zero.

    References
    ----------
    ISO 16610-21:2011 clause 5.3 and ISO 12181-2:2011 (both from memory).
    """
    if not cutoff > 0:
        raise ValueError(f"cutoff must be above zero undulations per revolution, found {cutoff}.")
    return np.exp2(-((np.asarray(order, dtype=np.float64) / cutoff) ** 2))[()]
