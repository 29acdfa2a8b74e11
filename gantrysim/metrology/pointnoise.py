"""How well the points of a line are known: noise correlated along it, and the scale of the reader.

Lengths in mm.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import ArrayLike

from gantrysim.inference.noise import Noise
from gantrysim.records.arrays import Array
from gantrysim.records.checks import finite_number, must_be, positive
from gantrysim.records.doors import checked

ROBUST = 1.4826  # standard deviation of a normal sample in units of its median absolute deviation


@checked
@dataclass(frozen=True)
class PointNoise(Noise):
    """Standard uncertainties of the points of a line, across it, and of what reads them.

    Replace the defaults by what your own reader shows; what it says of the points (mm) is explained
    at `gantrysim.inference.noise.Noise`.

    Parameters
    ----------
    scale : float
        Standard uncertainty of the reader's common scale, relative: sizes share it.
    scale_difference : float
        Of the scale along x less that along y, relative: ovals share it.
    skew : float
        Of the reader's right angle, rad: squareness shares it.
    correlation : (float, float, float)
        Of scale and difference, scale and skew, difference and skew, -1 to 1.

    Raises
    ------
    ValueError
        If a number is out of range, or no three errors can be correlated so.
    """

    scale: float = 1.0e-3
    scale_difference: float = 4.0e-4
    skew: float = 3.0e-4
    correlation: tuple[float, float, float] = (0.0, 0.0, 0.0)

    def __post_init__(self) -> None:
        for name in (field.name for field in fields(self) if field.name != "correlation"):
            value = getattr(self, name)
            if name in ("length", "cell"):
                positive(value, name)
            elif finite_number(value, name) < 0:
                raise ValueError(f"{name} must be zero or more, found {value!r}.")
        if len(self.correlation) != 3:
            raise ValueError(f"correlation must be three numbers, found {self.correlation!r}.")
        for value in self.correlation:
            finite_number(value, "correlation")
        if np.linalg.eigvalsh(self._correlations).min() < -1e-9:
            raise ValueError(
                "correlation must be that of three errors (no eigenvalue below zero), found "
                f"{self.correlation!r}."
            )

    def with_reader(self, covariance: ArrayLike) -> PointNoise:
        """The same noise of the points, read by a reader of which this is known.

        Parameters
        ----------
        covariance : array_like, shape (3, 3)
            Of common scale, scale difference and skew (rad).

        Raises
        ------
        ValueError
            If it is no covariance of three errors.
        """
        table = np.asarray(covariance, dtype=np.float64)
        if table.shape != (3, 3) or not (np.isfinite(table).all() and (np.diag(table) >= 0).all()):
            raise ValueError(must_be("covariance", "that of three errors", covariance))
        spread = np.sqrt(np.diag(table))
        size = np.where(spread > 0.0, spread, 1.0)
        related = np.clip(table / np.outer(size, size), -1.0, 1.0)
        scale, difference, skew = spread.tolist()
        a, b, c = related[np.triu_indices(3, 1)].tolist()
        return replace(
            self, scale=scale, scale_difference=difference, skew=skew, correlation=(a, b, c)
        )

    @property
    def _correlations(self) -> Array:
        a, b, c = self.correlation
        return np.array(((1.0, a, b), (a, 1.0, c), (b, c, 1.0)))

    @property
    def reader_covariance(self) -> Array:
        """Covariance of common scale, scale difference and skew (rad), shape (3, 3)."""
        spread = np.array((self.scale, self.scale_difference, self.skew))
        return np.asarray(np.outer(spread, spread) * self._correlations)

    @property
    def reader_root(self) -> Array:
        """A root of `reader_covariance`: root @ v for standard normal v, shape (3, 3)."""
        values, vectors = np.linalg.eigh(self._correlations)
        spread = np.array((self.scale, self.scale_difference, self.skew))
        root = vectors * np.sqrt(np.maximum(values, 0.0)) @ vectors.T
        return np.asarray(spread[:, None] * root)

    def __repr__(self) -> str:
        um = 1e3
        return (
            f"PointNoise(point {self.point * um:.1f}, grain {self.grain * um:.1f}, smooth "
            f"{self.smooth * um:.1f} µm over {self.length:g} mm; scale {self.scale * um:.2f} ‰, "
            f"x to y {self.scale_difference * um:.2f} ‰, skew {self.skew * um:.2f} mrad)"
        )

    def noise_only(self) -> PointNoise:
        """The same noise of the points, with a reader whose scale and right angle are true."""
        return replace(self, scale=0.0, scale_difference=0.0, skew=0.0)


def white_noise_of(along: ArrayLike, deviation: ArrayLike) -> float:
    """Standard deviation of the white noise of points, from neighbours on a closed line.

    Each point is compared with the straight line between its two neighbours; a smooth shape drops
    out, and so does what neighbours share.  Robust against single strays.

    ``along``: position along the line, any unit, any order; shape (n,).  ``deviation``: deviation
    across the line, mm; shape (n,).  Returns: mm; 0 with fewer than 8 points.

    For white noise s the difference from a share a of one neighbour and 1 - a of the other has
    variance s² (1 + a² + (1 - a)²).
    """
    order = np.argsort(np.asarray(along, dtype=np.float64), kind="stable")
    x = np.asarray(along, dtype=np.float64)[order]
    d = np.asarray(deviation, dtype=np.float64)[order]
    if len(x) < 8:
        return 0.0
    step = x[2:] - x[:-2]
    share = np.where(step > 0, (x[1:-1] - x[:-2]) / np.where(step > 0, step, 1.0), 0.5)
    off = d[1:-1] - (1 - share) * d[:-2] - share * d[2:]
    unit = off / np.sqrt(1 + share**2 + (1 - share) ** 2)
    return float(ROBUST * np.median(np.abs(unit)))
