"""Bins, outliers and correlated noise: what thousands of points along a line really know.

Points of a line are averaged over short bins; bins of one line are correlated (wood grain,
scanner, and whatever smooth error the model lacks), modelled as white noise plus an
Ornstein-Uhlenbeck process along the line, and each side of a square as a whole is off by an amount
of its own: an axis comes to rest after a corner where dirt, and how it swung, let it.
`Noise.whiten` turns any column over the bins into one with independent unit noise, exactly, by a
Kalman filter along each line.
"""

from __future__ import annotations

import dataclasses
import functools
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import ClassVar, Self

import numpy as np
from numpy.typing import ArrayLike
from scipy.linalg import solve_triangular
from scipy.ndimage import median_filter

from gantrysim.inference.whitening import Metric
from gantrysim.records.checks import must_be, positive, whole_number
from gantrysim.records.compiled import kernel
from gantrysim.records.doors import checked

#: Length of line that one bin averages, mm: several grain lengths, a fraction of any feature.
BIN_LENGTH = 2.5
#: A learned field stays between these, mm; no line was ever read so well or so badly.
_FAINTEST, _LARGEST = 1e-5, 1e3
#: Step of the logarithms for slopes, the slope (nats) and the relative gain that end the search:
#: a few hundredths of a nat.
_STEP, _FLAT, _ENOUGH = 1e-4, 0.05, 1e-6


@dataclass(frozen=True, eq=False)
class Bins:
    """Grouping of the points of all lines into bins.

    Parameters
    ----------
    owner : ndarray of int, shape (n,)
        Cell of each point, -1 for an outlier.
    count : ndarray, shape (m,)
        Points in each bin.
    line : ndarray of int, shape (m,)
        Line of each bin; bins of a line stand together, in order along it.
    gap : ndarray, shape (m,)
        Distance along the line from the bin before, mm; infinite at the first of a line.
    side : ndarray of int, shape (m,), optional
        Side of a square that each bin lies on, -1 on other lines; absent where there is no square.
    """

    owner: np.ndarray
    count: np.ndarray
    line: np.ndarray
    gap: np.ndarray
    side: np.ndarray | None = None

    @functools.cached_property
    def sides(self) -> np.ndarray:
        """1 where a side of a square begins, 0 where another line does, else -1; shape (m,)."""
        own = np.full(self.count.size, -1) if self.side is None else self.side
        key = np.stack([self.line, own], axis=1)
        begins = np.concatenate([[True], np.any(key[1:] != key[:-1], axis=1)])
        return np.where(begins, np.where(own >= 0, 1.0, 0.0), -1.0)

    def mean(self, values: np.ndarray) -> np.ndarray:
        """Average point values over the bins, shape (m,)."""
        kept = self.owner >= 0
        total = np.bincount(self.owner[kept], values[kept], minlength=self.count.size)
        return np.asarray(total / self.count)

    def mean_columns(self, table: np.ndarray) -> np.ndarray:
        """Average the rows of a table over the bins, shape (m, k)."""
        kept = self.owner >= 0
        first = np.searchsorted(self.owner[kept], np.arange(self.count.size))
        return np.asarray(np.add.reduceat(table[kept], first, axis=0) / self.count[:, None])


def outliers(residual: np.ndarray, line: np.ndarray, sigmas: float) -> np.ndarray:
    """Points that stand off the median of their neighbours on the same line.

    Parameters
    ----------
    residual : ndarray, shape (n,)
        Residuals against any smooth prediction, mm, in order along each line.
    line : ndarray of int, shape (n,)
        Line of each point.
    sigmas : float
        So many robust standard deviations off its neighbours a point is an outlier.

    Returns
    -------
    ndarray of bool, shape (n,)
        True for an outlier.  No model enters: a line that is wrong as a whole is kept.
    """
    middle = np.empty_like(residual)
    for k in np.unique(line):
        on = line == k
        middle[on] = median_filter(residual[on], size=9, mode="mirror")
    off = np.abs(residual - middle)
    return np.asarray(off > sigmas * 1.4826 * np.median(off) / 0.85)


def make_bins(
    along: np.ndarray,
    line: np.ndarray,
    bad: np.ndarray,
    length: float = BIN_LENGTH,
    side: np.ndarray | None = None,
) -> Bins:
    """Group points into bins.

    Parameters
    ----------
    along : ndarray, shape (n,)
        Distance of each point along its line, mm, rising within a line.
    line : ndarray of int, shape (n,)
        Line of each point, points of a line standing together.
    bad : ndarray of bool, shape (n,)
        Outliers to leave out.
    length : float
        Of a bin along the line, mm.
    side : ndarray of int, shape (n,), optional
        Side of a square that each point lies on, -1 on other lines; absent if there is no square.
    """
    key = np.stack([line, np.floor(along / length).astype(np.int64)], axis=1)[~bad]
    new = np.concatenate([[True], np.any(key[1:] != key[:-1], axis=1)])
    owner = np.full(len(line), -1)
    owner[~bad] = np.cumsum(new) - 1
    count = np.bincount(owner[~bad])
    centre = np.bincount(owner[~bad], along[~bad]) / count
    cell_line = key[new, 0]
    gap = np.diff(centre, prepend=0.0)
    gap[np.concatenate([[True], cell_line[1:] != cell_line[:-1]])] = math.inf
    own = None if side is None else side[~bad][new]
    return Bins(owner=owner, count=count, line=cell_line, gap=gap, side=own)


@kernel
def _whiten(
    columns: np.ndarray, count: np.ndarray, gap: np.ndarray, sides: np.ndarray,
    point_variance: float, cell_variance: float, smooth_variance: float, length: float,
    rest_variance: float, out: np.ndarray,
) -> float:  # fmt: skip
    """Innovations over their standard deviation for every column; returns log det of it."""
    m, k = columns.shape
    smooth, rest = np.zeros(k), np.zeros(k)
    spread, apart, both = smooth_variance, 0.0, 0.0  # covariance of the two
    log_det = 0.0
    for i in range(m):
        if math.isinf(gap[i]):
            decay = 0.0
        else:
            decay = math.exp(-gap[i] / length)
        spread = decay * decay * spread + smooth_variance * (1.0 - decay * decay)
        both *= decay
        begins = sides[i] >= 0.0
        if begins:
            apart, both = sides[i] * rest_variance, 0.0
        noise = cell_variance + point_variance / count[i]
        total = spread + apart + 2.0 * both + noise
        gain, gain_rest = (spread + both) / total, (apart + both) / total
        root = 1.0 / math.sqrt(total)
        for j in range(k):
            smooth[j] *= decay
            if begins:
                rest[j] = 0.0
            step = columns[i, j] - smooth[j] - rest[j]
            out[i, j] = step * root
            smooth[j] += gain * step
            rest[j] += gain_rest * step
        spread -= gain * gain * total
        apart -= gain_rest * gain_rest * total
        both -= gain * gain_rest * total
        log_det += math.log(total)
    return log_det


@checked
@dataclass(frozen=True)
class Noise:
    """Noise of the points of a line, across it: white, grain, and smooth along the line.

    The defaults are those of a good scan of a line burned in wood; they are a judgement, no
    standard gives them.

    A model of one's own is a frozen dataclass that subclasses this one: it says its further fields,
    `covariance`, `whiten` and `learnable`, and goes into `Assumptions.noise`.

    Parameters
    ----------
    point : float
        White noise of one point, mm.
    grain : float
        Noise that the points within one `cell` share, mm; correlation 1 - distance/cell.  Averaging
        over a bin does not reduce it, and bins do not share it.
    smooth : float
        Error that is smooth along the line, mm; correlation exp(-distance/length).
    length : float
        Its correlation length, mm.
    cell : float
        Length of line that shares its grain, mm.
    rest : float
        What the model lacks of where a side of a square as a whole lies, mm; sides do not share it.
        No part of `covariance`, which is that of points of one line.
    """

    point: float = 0.012
    grain: float = 0.005
    smooth: float = 0.006
    length: float = 8.0
    cell: float = BIN_LENGTH
    rest: float = 0.003

    #: Fields that the residuals of a fit teach; a scan teaches `point`.
    learnable: ClassVar[tuple[str, ...]] = ("grain", "smooth", "length", "rest")

    @property
    def total(self) -> float:
        """Standard deviation of one point across the line, mm."""
        return math.sqrt(self.point**2 + self.grain**2 + self.smooth**2)

    def covariance(self, along: ArrayLike, turn: float | None = None) -> np.ndarray:
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

        Raises
        ------
        ValueError
            If `along` is no row of finite numbers, or `turn` is not above zero.
        """
        places = np.asarray(along, dtype=np.float64)
        if places.ndim != 1 or not np.all(np.isfinite(places)):
            raise ValueError(must_be("along", "a list of finite positions in mm", along))
        apart = np.abs(places[:, None] - places)
        if turn is not None:
            apart = np.mod(apart, positive(turn, "turn"))
            apart = np.minimum(apart, turn - apart)
        shared = self.smooth**2 * np.exp(-apart / self.length)
        shared += self.grain**2 * np.maximum(0.0, 1.0 - apart / self.cell)
        shared[np.diag_indices(len(places))] += self.point**2
        return np.asarray(shared)

    def draws(
        self, along: ArrayLike, trials: int, rng: np.random.Generator, turn: float | None = None
    ) -> np.ndarray:
        """Noise drawn at points of a line, mm, shape (trials, n); see `covariance`.

        ValueError if there is not one trial, and as there.
        """
        whole_number(trials, "trials", least=1)
        covariance = self.covariance(along, turn)
        size = float(np.trace(covariance)) / max(len(covariance), 1)
        if size == 0.0:
            return np.zeros((trials, len(covariance)))
        # equal places make the matrix singular: a millionth of the noise keeps its root
        covariance[np.diag_indices(len(covariance))] += 1e-12 * size
        root = np.linalg.cholesky(covariance)
        return np.asarray(rng.standard_normal((trials, len(root))) @ root.T)

    @property
    def reader_root(self) -> np.ndarray:
        """Root of the covariance of a reader's scale, scale difference and skew: none here."""
        return np.zeros((3, 3))

    def of_points(self, point: float) -> Self:
        """The same noise with another white noise of single points, mm."""
        return dataclasses.replace(self, point=point)

    def whiten(self, columns: np.ndarray, bins: Bins) -> tuple[np.ndarray, float]:
        """Whiten columns over the bins.

        Parameters
        ----------
        columns : ndarray, shape (m,) or (m, k)
            Values over the bins, mm.

        Returns
        -------
        ndarray, ndarray
            Columns with independent unit noise, and the log determinant of the covariance.
        """
        table = np.ascontiguousarray(columns.reshape(len(columns), -1))
        out = np.empty_like(table)
        noise = (self.point**2, self.grain**2, self.smooth**2, self.length, self.rest**2)
        log_det = _whiten(table, bins.count.astype(float), bins.gap, bins.sides, *noise, out)
        return out.reshape(columns.shape), log_det

    def metric(self, bins: Bins, shared: np.ndarray, weight: np.ndarray | float = 1.0) -> Metric:
        """Whitening over the bins with shared terms integrated out.

        Parameters
        ----------
        bins : Bins
            The bins.
        shared : ndarray, shape (m, k)
            Shared terms at one prior standard deviation, mm.
        weight : ndarray, shape (m,), optional
            Weight of each bin, see `BurnedPiece`.
        """
        _, log_det = self.whiten(np.zeros(bins.count.size), bins)

        def columns(table: np.ndarray) -> np.ndarray:
            white, _ = self.whiten(table, bins)
            return np.asarray((white.T * weight).T)

        return Metric.of(columns, shared, log_det)

    def learned(
        self,
        residual: np.ndarray,
        bins: Bins,
        shared: np.ndarray,
        *,
        near: Noise | None = None,
        most: Mapping[str, float] | None = None,
        least: Mapping[str, float] | None = None,
    ) -> Self:
        """Fit the noise to residuals of the bins by restricted maximum likelihood.

        Parameters
        ----------
        residual : ndarray, shape (m,)
            Residuals of the bins, mm, with nothing of the shared terms taken off.
        bins : Bins
            Their grouping.
        shared : ndarray, shape (m, k)
            Linear terms that the residuals may hold beside the noise, each at one prior standard
            deviation, mm.  They are integrated out: what a fit has swallowed of the noise is
            counted.
        near : Noise, optional
            Where to begin; this noise, about which the priors stand, if absent.
        most : mapping of str to float, optional
            Most of a field that a measurement can be blamed for, in its unit: what exceeds it is
            the machine's.
        least : mapping of str to float, optional
            Least of a field, in its unit: no model predicts better.

        Notes
        -----
        Restricted likelihood: Patterson and Thompson, Biometrika 58 (1971) 545, with a normal
        prior on the linear terms.  Weak log-normal priors about this noise (factor 2) keep the
        answer sane on small pieces.
        """

        def misfit(noise: Noise) -> float:
            metric = noise.metric(bins, shared)
            return metric.half_square(residual) + 0.5 * metric.log_det

        return self._fitted(misfit, bins, near or self, most or {}, least or {})

    def learned_by_line(
        self,
        residual: np.ndarray,
        bins: Bins,
        own: np.ndarray,
        *,
        most: Mapping[str, float] | None = None,
    ) -> Self:
        """As `learned`, with linear terms of which every line has its own amounts.

        Parameters
        ----------
        residual : ndarray, shape (m,)
            Residuals of the bins, mm, with nothing of the terms taken off.
        bins : Bins
            Their grouping; the noise of a line is independent of that of others.
        own : ndarray, shape (m, k)
            The terms, each at one prior standard deviation, mm.
        most : mapping of str to float, optional
            As in `learned`.
        """
        first = np.flatnonzero(np.isinf(bins.gap))
        unit = np.eye(own.shape[1])

        def misfit(noise: Noise) -> float:
            white, log_det = noise.whiten(np.column_stack((own, residual)), bins)
            square = 0.0
            for part in np.split(white, first[1:]):
                columns, y = part[:, :-1], part[:, -1]
                factor = np.linalg.cholesky(columns.T @ columns + unit)
                taken = solve_triangular(factor, columns.T @ y, lower=True)
                log_det += 2.0 * float(np.sum(np.log(np.diag(factor))))
                square += float(y @ y - taken @ taken)
            return 0.5 * (square + log_det)

        return self._fitted(misfit, bins, self, most or {}, {})

    def _fitted(
        self,
        misfit: Callable[[Noise], float],
        bins: Bins,
        near: Noise,
        most: Mapping[str, float],
        least: Mapping[str, float],
    ) -> Self:
        """Noise of least misfit, with the weak priors about this one."""
        from scipy.optimize import minimize

        squares = bool(np.any(bins.sides > 0.0))  # circles teach nothing of how sides rest
        names = [name for name in self.learnable if squares or name != "rest"]
        if not names:
            return self
        centre, begin = (np.log([getattr(x, name) for name in names]) for x in (self, near))
        low = np.log([max(least.get(name, 0.0), _FAINTEST) for name in names])
        high = np.log([max(most.get(name, _LARGEST), _FAINTEST) for name in names])

        def cost(v: np.ndarray) -> float:
            prior = float(np.sum(((v - centre) / np.log(2.0)) ** 2))
            return misfit(self._at(names, v)) + 0.5 * prior

        best = minimize(
            cost,
            np.clip(begin, low, high),
            method="L-BFGS-B",
            bounds=list(zip(low, high, strict=True)),
            options={"eps": _STEP, "ftol": _ENOUGH, "gtol": _FLAT},
        )
        return self._at(names, best.x)

    def _at(self, names: Sequence[str], logarithms: np.ndarray) -> Self:
        """The same noise at other logarithms of what is learned."""
        values = np.exp(logarithms).tolist()
        return dataclasses.replace(self, **dict(zip(names, values, strict=True)))
