"""Size against nominal over nested rings: scale error apart from lost motion.

A scale error grows with the size, lost motion (play, or friction against a soft drive) does not: a
ring of nominal size L measures L (1 + e) - B.  So the straight line through measured over
nominal sizes has slope 1 + e and intercept -B.  Lengths in mm, directions in degrees.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from gantrysim.metrology.roundness import ReferenceCircle
from gantrysim.records.arrays import Array
from gantrysim.records.doors import checked
from gantrysim.records.table import fields_of

APPROACH_DEG = 25.0  # of travel before a reversal, where lost motion is taken up
LEAST_ON_APPROACH = 4
LEAST_RINGS = 3


@checked
@dataclass(frozen=True)
class SizeFit:
    """Straight line of measured over nominal size, by ordinary least squares.

    Parameters
    ----------
    what : str
        Which size, in words.
    n_rings : int
        Rings used.
    slope, slope_error : float
        Slope and its standard error.
    intercept, intercept_error : float
        Intercept and its standard error, mm.
    scatter : float
        Standard deviation of the residuals, mm (n - 2 degrees of freedom).
    """

    what: str
    n_rings: int
    slope: float
    slope_error: float
    intercept: float
    intercept_error: float
    scatter: float

    @property
    def scale_error(self) -> float:
        """Slope minus one: relative error of the scale."""
        return self.slope - 1.0

    @property
    def lost_motion(self) -> float:
        """Minus the intercept, mm: full play, or the equal of friction against a soft drive."""
        return -self.intercept

    def to_dict(self) -> dict[str, Any]:
        """Plain numbers, mm."""
        return {
            **fields_of(self, "what n_rings scale_error"),
            "scale_error_standard_error": self.slope_error,
            "lost_motion_mm": self.lost_motion,
            "lost_motion_standard_error_mm": self.intercept_error,
            "scatter_mm": self.scatter,
        }

    def __repr__(self) -> str:
        return (
            f"SizeFit({self.what}, {self.n_rings} rings: scale error "
            f"{self.scale_error * 1e3:+.3f} ± {self.slope_error * 1e3:.3f} per mille, lost motion "
            f"{self.lost_motion * 1e3:+.1f} ± {self.intercept_error * 1e3:.1f} µm)"
        )


def fit_sizes(what: str, nominal: ArrayLike, measured: ArrayLike) -> SizeFit | None:
    """Fit measured over nominal sizes; None with fewer than three different nominal sizes.

    ``what``: which size, in words.  ``nominal``, ``measured``: full sizes (diameters, widths), mm;
    shape (n,).

    Ordinary least squares with independent errors of one size (JCGM 100:2008, H.3).
    """
    x, y = np.asarray(nominal, dtype=np.float64), np.asarray(measured, dtype=np.float64)
    if len(np.unique(x)) < LEAST_RINGS:
        return None
    middle = float(x.mean())
    spread = float(np.sum((x - middle) ** 2))
    slope = float(np.sum((x - middle) * y)) / spread
    intercept = float(y.mean()) - slope * middle
    scatter = float(np.sqrt(np.sum((y - intercept - slope * x) ** 2) / (len(x) - 2)))
    slope_error = scatter / spread**0.5
    intercept_error = scatter * (1 / len(x) + middle**2 / spread) ** 0.5
    return SizeFit(what, len(x), slope, slope_error, intercept, intercept_error, scatter)


def reversal_diameter(
    xy: Array, circle: ReferenceCircle, direction_deg: float, *, ccw: bool
) -> float | None:
    """Diameter of a ring across two reversals of one axis, as flat caliper jaws would find it.

    At each end the radius is carried forward to the reversal from the 25 degrees before it, where
    the lost motion of this travel is taken up, by least squares of A cos + T sin of the angle
    from the reversal (T holds squareness and the other axis).  Behind a reversal the line is
    flat and then displaced the other way, so points there are left out; a fit of two lobes to the
    whole ring would not see the lost motion at all.  Carrying forward adds about 2 % of the
    difference of the two axes' scale errors to the scale error found from such diameters.

    ``xy``: points all the way round, mm; shape (n, 2).  ``circle``: their LSCI.  ``direction_deg``:
    direction of the axis in the frame of the points, degrees.  ``ccw``: sense in which the ring was
    drawn.  Returns: mm; None with fewer than four points before either reversal.
    """
    angle, deviation = circle.angles(xy), circle.deviations(xy)
    diameter = 2 * circle.radius
    for end in (0.0, np.pi):
        near, before = before_reversal(angle, direction_deg, end, ccw=ccw)
        if len(np.unique(before[near])) < LEAST_ON_APPROACH:
            return None
        design = np.column_stack((np.cos(before[near]), np.sin(before[near])))
        diameter += float(np.linalg.lstsq(design, deviation[near], rcond=None)[0][0])
    return diameter


def before_reversal(
    angle: Array, direction_deg: float, end: float, *, ccw: bool
) -> tuple[NDArray[np.bool_], Array]:
    """Which points lie on the approach to a reversal, and the angle of all from it, radians.

    ``angle``: polar angles of the points, radians; shape (n,).  ``direction_deg``: direction of the
    axis, degrees.  ``end``: 0 for the end in that direction, pi for the opposite one.  ``ccw``:
    sense in which the ring was drawn.
    """
    ahead = np.mod(np.radians(direction_deg) + end - angle, 2 * np.pi)
    before = ahead if ccw else np.mod(-ahead, 2 * np.pi)
    before = np.where(before > 2 * np.pi - 1e-9, 0.0, before)
    return before <= np.radians(APPROACH_DEG), before
