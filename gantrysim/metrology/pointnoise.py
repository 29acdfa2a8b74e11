"""How well the points of a line are known: noise correlated along it, and the scale of the reader.

The noise across a line has three parts: white noise of each point; grain, which points within one
short cell share; and an error that is smooth along the line.  The parts enter as plain numbers, so
this module asks nothing of whoever estimated them.  Lengths in mm.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import ArrayLike

from gantrysim.records.arrays import Array
from gantrysim.records.checks import finite_number, positive
from gantrysim.records.doors import checked

ROBUST = 1.4826  # standard deviation of a normal sample in units of its median absolute deviation


@checked
@dataclass(frozen=True)
class PointNoise:
    """Standard uncertainties of the points of a line, across it.

    The defaults are those of a good scan of a line burned in wood; they are a judgement, no
    standard gives them.  Replace them by what your own reader shows.

    Parameters
    ----------
    point : float
        White noise of one point, mm.
    grain : float
        Noise that the points within one `cell` share, mm; correlation 1 - distance/cell.
    smooth : float
        Error that is smooth along the line, mm; correlation exp(-distance/length).
    length : float
        Correlation length of the smooth error, mm.
    cell : float
        Length of line that shares its grain, mm.
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

    point: float = 0.012
    grain: float = 0.005
    smooth: float = 0.006
    length: float = 8.0
    cell: float = 2.5
    scale: float = 1.0e-3
    scale_difference: float = 4.0e-4
    skew: float = 3.0e-4
    correlation: tuple[float, float, float] = (0.0, 0.0, 0.0)

    def __post_init__(self) -> None:
        for field in fields(self):
            if field.name == "correlation":
                continue
            value = getattr(self, field.name)
            if field.name in ("length", "cell"):
                positive(value, field.name)
            elif finite_number(value, field.name) < 0:
                raise ValueError(f"{field.name} must be zero or more, found {value!r}.")
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
        """
        table = np.asarray(covariance, dtype=np.float64)
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

    @property
    def total(self) -> float:
        """Standard deviation of one point across the line, mm."""
        return math.sqrt(self.point**2 + self.grain**2 + self.smooth**2)

    def noise_only(self) -> PointNoise:
        """The same noise of the points, with a reader whose scale and right angle are true."""
        return replace(self, scale=0.0, scale_difference=0.0, skew=0.0)

    def covariance(self, along: ArrayLike, turn: float | None = None) -> Array:
        """Covariance of the deviations of points across a line.

        Parameters
        ----------
        along : array_like, shape (n,)
            Position along the line, mm, any order.
        turn : float, optional
            Length of a closed line, mm; distances are then the shorter way round.

        Returns
        -------
        ndarray, shape (n, n)
            mm².
        """
        places = np.asarray(along, dtype=np.float64)
        apart = np.abs(places[:, None] - places)
        if turn is not None:
            apart = np.mod(apart, turn)
            apart = np.minimum(apart, turn - apart)
        shared = self.smooth**2 * np.exp(-apart / self.length)
        shared += self.grain**2 * np.maximum(0.0, 1.0 - apart / self.cell)
        shared[np.diag_indices(len(places))] += self.point**2
        return np.asarray(shared)

    def draws(
        self, along: ArrayLike, trials: int, rng: np.random.Generator, turn: float | None = None
    ) -> Array:
        """Noise drawn at points of a line, mm, shape (trials, n); see `covariance`."""
        covariance = self.covariance(along, turn)
        size = float(np.trace(covariance)) / max(len(covariance), 1)
        if size == 0.0:
            return np.zeros((trials, len(covariance)))
        # equal places make the matrix singular: a millionth of the noise keeps its root
        covariance[np.diag_indices(len(covariance))] += 1e-12 * size
        root = np.linalg.cholesky(covariance)
        return np.asarray(rng.standard_normal((trials, len(root))) @ root.T)


def white_noise_of(along: ArrayLike, deviation: ArrayLike) -> float:
    """Standard deviation of the white noise of points, from neighbours on a closed line.

    Each point is compared with the straight line between its two neighbours; a smooth shape drops
    out, and so does what neighbours share.  Robust against single strays.

    Parameters
    ----------
    along : array_like, shape (n,)
        Position along the line, any unit, any order.
    deviation : array_like, shape (n,)
        Deviation across the line, mm.

    Returns
    -------
    float
        mm; 0 with fewer than 8 points.

    Notes
    -----
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
