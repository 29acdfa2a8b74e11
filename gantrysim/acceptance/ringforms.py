"""What noisy points know of the form of the circles of one piece: draws of their true lines.

A measured form is always too large: noise adds to the range of the deviations.  A smoothed one is
always too small.  So the true lines are drawn from their posterior, form and noise together: what
the passes of a ring share is form, and so is what its neighbours share; the rest is noise.
Lengths in mm, orders in undulations per revolution.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import block_diag, cho_solve, cholesky, solve_triangular
from scipy.special import expit

from gantrysim.acceptance.lineforms import Ring, waves
from gantrysim.inference.noise import MOST_SMOOTH, Bins, Noise
from gantrysim.records.arrays import Array

Integers = NDArray[np.int64]

#: Waves up to this many cut-offs are drawn; the filter lets through 0.21 of the last.
REACH = 1.5
#: Degrees of freedom of a variance about its size: of a bend of the common form, and of a band of
#: waves that a ring has of its own.  Few: most are small, some are large.
_BEND, _BAND = 1.0, 4.0
_BANDS = (2, 3, 4, 6, 8, 12, 16, 24, 32, 40, 48, 60)  # lowest order of each band
_SMALLEST, _LARGEST = 1e-6, 2.0  # mm, between which the logarithm of a size has an even prior
_LEAST = 1e-4  # ratio of a part of the common form to the first, at least
_HELD = 1e16  # 1/mm^2: precision of what the points of a ring cannot show
_START = 1e-3  # mm, where sizes start
_SETTLING, _ROUNDS = 50, 150  # rounds of the sampler before the first draw, and with draws
_STEPS = (0.1, 1.0, 3.0) * 2  # of the logarithm of a size, tried in each round
_MOVES, _EVERY = 4, 2  # steps of the noise at a time, and after how many rounds
_NOISE, _FACTOR = Noise(0.012, 1e-6, 0.006, 3.0), 3.0  # the noise is believed within a factor
_STRAY, _STRAY_SIZE = 0.005, 0.2  # share and size (mm) of strays that the outlier test left
_BINS = 4  # bins to a wave of the highest order, where points are dense


def draw_rings(
    rings: Sequence[Ring], cutoff: float, draws: int, rng: np.random.Generator
) -> tuple[Array, Array]:
    """Draw the true forms of the rings of one piece.

    Parameters
    ----------
    rings : sequence of Ring
        Circles of one piece; passes of one ring have the same commanded radius.
    cutoff : float
        Of the filter that will judge them, undulations per revolution.
    draws : int
        How many.
    rng : Generator
        Of the draws.

    Returns
    -------
    sizes : ndarray, shape (k,)
        Commanded radii, mm, rising.
    forms : ndarray, shape (k, draws, 2 order + 1)
        Coefficients of `waves` of each, mm, up to `REACH` cut-offs; size and centre are zero.

    Notes
    -----
    One machine draws all rings.  Their common form has a part that all have alike, one that goes
    with 1/r (what friction leaves at a reversal is an arc of so many mm) and one that goes with r.
    It is smooth but for sharp turns at a few places, and there it changes with the radius: the
    bends (second differences between nodes) have a variance of their own at every place, scaled
    inverse gamma about a common size (a Student t prior), the same for all parts but for a ratio.
    What is alike and what is opposite at opposite places has a size of its own, because drag
    draws both halves of a circle alike.  Beside it each ring has a form of its own (ringing), with
    a variance for each band of the orders that its points can show.  Noise of the points is
    white plus an Ornstein-Uhlenbeck process along each line, but for a few strays; it is learned
    with all else, up to what a measurement can be blamed for.

    Gibbs sampling (A. Gelman et al., Bayesian Data Analysis, 3rd ed. 2013, chapters 11 and 12;
    from memory): all forms together given the sizes and the noise, the sizes given the forms, the
    noise by Metropolis and Hastings given what the forms leave.
    """
    highest = max(4, math.ceil(REACH * cutoff))
    points = _Points.of(rings, highest)
    sizes, ring_of = np.unique([round(ring.size, 6) for ring in rings], return_inverse=True)
    trend = _trend(sizes)
    order = np.repeat(np.arange(2, highest + 1), 2)
    odd = order % 2
    shown = points.shown(ring_of)
    common = _bends(highest, trend.shape[1])
    own = _bands(order, shown)
    noise = _NOISE
    forms = np.zeros((len(sizes), draws, order.size + 3))
    rounds = np.array_split(np.arange(draws), min(draws, _ROUNDS))
    for k in range(_SETTLING + len(rounds)):
        if k % _EVERY == 0:
            squares, right = points.squares(noise, ring_of)
        chosen = rounds[k - _SETTLING] if k >= _SETTLING else np.arange(1)
        parts, alone = _drawn(squares, right, trend, common.precision, own.weight, len(chosen), rng)
        drawn = alone + np.einsum("rt,dtc->rdc", trend, parts)
        if k >= _SETTLING:
            forms[:, chosen, 3:] = drawn
        form = drawn[:, -1]
        pull = right - np.einsum("rij,rj->ri", squares, form)
        part, factors = parts[-1], np.ones((trend.shape[1], 2))
        for t, half in np.ndindex(factors.shape):
            piece = trend[:, t, None] * np.where(odd == half, part[t], 0.0)
            size = common.ratio[t, half] if t else common.size[half] / _SMALLEST * _LEAST
            factors[t, half], pull = _rescaled(piece, pull, squares, float(size), _LEAST, rng)
            form = form + (factors[t, half] - 1.0) * piece
        common = common.scaled(factors[0]).turned(factors).after(part * factors[:, odd], rng)
        factor, pull = _rescaled(alone[:, -1], pull, squares, own.size[0], _SMALLEST, rng)
        form = form + (factor - 1.0) * alone[:, -1]
        own = own.scaled(np.array([factor])).after(factor * alone[:, -1], rng)
        if (k + 1) % _EVERY == 0:
            at_points = form[ring_of[points.bins.line]]
            left = points.value - np.einsum("nc,nc->n", points.form, at_points)
            points = points.sorted_out(noise, left, rng)
            noise = _moved(noise, points, left, rng)
    return sizes, forms


def _trend(sizes: Array) -> Array:
    """How much of each part of the common form rings of these radii have, shape (rings, parts)."""
    table = np.column_stack((np.ones_like(sizes), 1.0 / sizes, sizes))[:, : len(sizes)]
    orthonormal, _ = np.linalg.qr(table)
    return np.asarray(orthonormal * math.sqrt(len(sizes)))


@dataclass(frozen=True, eq=False)
class _Points:
    """Points of all circles: waves at each, and how they hang together along the lines."""

    free: Array  # size and centre of each line
    form: Array
    value: Array
    bins: Bins  # count reduced for strays
    first: Integers  # of each line
    count: Array  # of points in each bin

    @classmethod
    def of(cls, rings: Sequence[Ring], highest: int) -> _Points:
        tables, values, counts, gaps = [], [], [], []
        most = _BINS * highest
        for ring in rings:
            angle = np.mod(ring.angle, 2.0 * np.pi)
            order = np.argsort(angle, kind="stable")
            angle, value = angle[order], ring.deviation[order]
            bin_ = np.floor(angle / (2.0 * np.pi) * most).astype(np.int64)
            each = np.arange(angle.size) if angle.size < most else bin_
            start = np.flatnonzero(np.diff(each, prepend=-1))
            count = np.diff(start, append=angle.size).astype(float)
            along = ring.radius * np.add.reduceat(angle, start) / count
            tables.append(np.add.reduceat(waves(angle, highest), start) / count[:, None])
            values.append(np.add.reduceat(value, start) / count)
            counts.append(count)
            gaps.append(np.diff(along, prepend=-math.inf))
        sizes = [len(value) for value in values]
        line = np.repeat(np.arange(len(rings)), sizes)
        table, count = np.concatenate(tables), np.concatenate(counts)
        bins = Bins(np.arange(count.size), count, line, np.concatenate(gaps))
        first = np.concatenate([[0], np.cumsum(sizes)[:-1]])
        return cls(
            table[:, :3].copy(), table[:, 3:].copy(), np.concatenate(values), bins, first, count
        )

    def shown(self, ring_of: Integers) -> Integers:
        """Highest order that the points of a ring can show: two to a wave."""
        highest = self.form.shape[1] // 2 + 1
        count = np.bincount(self.bins.line)
        best = np.array([count[ring_of == ring].max() for ring in np.unique(ring_of)])
        return np.asarray(np.clip(best // 2, 4, highest))

    def squares(self, noise: Noise, ring_of: Integers) -> tuple[Array, Array]:
        """Normal equations of each ring's form, size and centre of its lines integrated out."""
        white, _ = noise.whiten(np.column_stack((self.free, self.form, self.value)), self.bins)
        many, rings = self.form.shape[1], int(ring_of.max()) + 1
        squares, right = np.zeros((rings, many, many)), np.zeros((rings, many))
        for ring, part in zip(ring_of, np.split(white, self.first[1:]), strict=True):
            basis, _ = np.linalg.qr(part[:, :3])
            clear = part[:, 3:] - basis @ (basis.T @ part[:, 3:])
            both = clear[:, :-1].T @ clear
            squares[ring] += both[:, :-1]
            right[ring] += both[:, -1]
        return squares, right

    def sorted_out(self, noise: Noise, left: Array, rng: np.random.Generator) -> _Points:
        """Strays drawn anew, given what the form left; they count as nearly nothing.

        A point stands off by its innovation along the line; its standard deviation is taken as
        that of white and smooth noise together.
        """
        count = self.bins.count
        smooth, white = noise.smooth**2, noise.point**2
        step, _ = noise.whiten(left, self.bins)
        square = step**2 * (smooth + white / count)
        usual = smooth + white / self.count
        wide = usual + _STRAY_SIZE**2
        odds = 0.5 * (square / usual - square / wide - np.log(wide / usual))
        odds += math.log(_STRAY / (1.0 - _STRAY))
        stray = rng.random(left.size) < expit(odds)
        weight = np.where(stray, white / _STRAY_SIZE**2, 1.0)
        bins = dataclasses.replace(self.bins, count=self.count * weight)
        return dataclasses.replace(self, bins=bins)

    def log_likelihood(self, noise: Noise, left: Array) -> float:
        """Of what the form left, size and centre of each line integrated out."""
        white, log_det = noise.whiten(np.column_stack((self.free, left)), self.bins)
        square = np.add.reduceat(white[:, :, None] * white[:, None, :], self.first)
        free, cross = square[:, :3, :3], square[:, :3, 3:]
        taken = cross.transpose(0, 2, 1) @ np.linalg.solve(free, cross)
        log_det += float(np.linalg.slogdet(free)[1].sum())
        return -0.5 * (log_det + float(square[:, 3, 3].sum() - taken.sum()))


@dataclass(frozen=True, eq=False)
class _Sizes:
    """Variances of the pieces of a form, scaled inverse gamma about the size of their group.

    Parameters
    ----------
    variance : ndarray, shape (k,)
        mm^2.
    size : ndarray, shape (groups,)
        mm; even prior in its logarithm.
    group : ndarray of int, shape (k,)
        Of each variance.
    freedom : float
        Degrees of freedom about the size.
    """

    variance: Array
    size: Array
    group: Integers
    freedom: float

    def scaled(self, factor: Array) -> Any:
        """All sizes times a factor by group."""
        return dataclasses.replace(
            self, size=self.size * factor, variance=self.variance * factor[self.group] ** 2
        )

    def _after(self, energy: Any, count: Any, rng: np.random.Generator) -> Any:
        """Drawn anew, given the sum of squares and the number of the pieces of each variance."""
        scale = 0.5 * (self.freedom * self.size[self.group] ** 2 + energy)
        variance = scale / rng.gamma(0.5 * (self.freedom + count))
        rate = 0.5 * self.freedom * np.bincount(self.group, 1.0 / variance)
        size = np.sqrt(rng.gamma(0.5 * self.freedom * np.bincount(self.group)) / rate)
        size = np.clip(size, _SMALLEST, _LARGEST)
        return dataclasses.replace(self, variance=variance, size=size)


@dataclass(frozen=True, eq=False)
class _Bends(_Sizes):
    """Sizes of the bends of the common form, ``table`` (bends, coefficients).

    All parts bend at the same places: the variance of a bend of part t is ``ratio`` (parts,
    groups) squared times that of the place.
    """

    table: Array
    ratio: Array

    @property
    def precision(self) -> Array:
        """Of the coefficients, part by part, 1/mm^2."""
        return block_diag(
            *[
                self.table.T @ (self.table / (self.variance * ratio[self.group] ** 2)[:, None])
                for ratio in self.ratio
            ]
        )

    def turned(self, factors: Array) -> _Bends:
        """Ratios of all but the first part times their factor over that of the first."""
        ratio = self.ratio * factors / factors[0]
        return dataclasses.replace(self, ratio=np.clip(ratio, _LEAST, 1.0 / _LEAST))

    def after(self, parts: Array, rng: np.random.Generator) -> _Bends:
        """Drawn anew, given the coefficients of the parts."""
        bent = parts @ self.table.T
        square = (bent / self.ratio[:, self.group]) ** 2
        count = np.full(self.group.size, float(len(parts)))
        drawn: _Bends = self._after(square.sum(axis=0), count, rng)
        ratio = self.ratio.copy()
        for t, each in enumerate(bent[1:], start=1):
            scale = np.bincount(self.group, each**2 / drawn.variance)
            ratio[t] = np.sqrt(scale / (2.0 * rng.gamma(0.5 * np.bincount(self.group))))
        return dataclasses.replace(drawn, ratio=np.clip(ratio, _LEAST, 1.0 / _LEAST))


@dataclass(frozen=True, eq=False)
class _Bands(_Sizes):
    """Sizes of the waves that each ring has of its own, ``band`` (rings, coefficients)."""

    band: Integers
    shown: NDArray[np.bool_]

    @property
    def weight(self) -> Array:
        """One over the variance of every coefficient, 1/mm^2, shape (rings, coefficients)."""
        return np.where(self.shown, 1.0 / self.variance[self.band], _HELD)

    def after(self, forms: Array, rng: np.random.Generator) -> _Bands:
        """Drawn anew, given the coefficients of each ring."""
        band, many = self.band[self.shown], self.variance.size
        energy = np.bincount(band, forms[self.shown] ** 2, minlength=many)
        drawn: _Bands = self._after(energy, np.bincount(band, minlength=many), rng)
        return drawn


def _bends(highest: int, parts: int) -> _Bends:
    """Bends at two nodes to a wave of the highest order: of what is alike, and what opposite."""
    nodes = np.pi * np.arange(2 * highest) / highest
    values = waves(nodes, highest)[:, 3:]
    bent = np.roll(values, 1, axis=0) - 2.0 * values + np.roll(values, -1, axis=0)
    across = np.roll(bent, highest, axis=0)
    table = np.vstack(((bent + across)[:highest], (bent - across)[:highest])) / math.sqrt(2.0)
    group = np.repeat([0, 1], highest)
    return _Bends(
        np.full(group.size, _START**2), np.full(2, _START), group, _BEND, table, np.ones((parts, 2))
    )


def _bands(order: Integers, shown: Integers) -> _Bands:
    """Bands of orders for each ring, up to the highest order that it shows."""
    edges = np.array([edge for edge in _BANDS if edge <= order[-1]])
    band = np.searchsorted(edges, order, side="right") - 1
    table = band + edges.size * np.arange(shown.size)[:, None]
    many = edges.size * shown.size
    return _Bands(
        np.full(many, _START**2), np.full(1, _START), np.zeros(many, dtype=np.int64), _BAND, table,
        order <= shown[:, None],
    )  # fmt: skip


def _rescaled(
    part: Array, pull: Array, squares: Array, size: float, least: float, rng: np.random.Generator
) -> tuple[float, Array]:
    """Factor of a part of the forms drawn anew, all else given, and what still pulls then.

    The size has an even prior in its logarithm.  Without this move a form that is too small to
    be seen would stay at the size that can just be seen.
    """
    bent = np.einsum("rij,rj->ri", squares, part)
    square = float(np.sum(part * bent))
    linear = float(np.sum(part * pull)) + square
    factor = 1.0
    for step in rng.standard_normal(len(_STEPS)) * _STEPS:
        trial = factor * math.exp(step)
        if not least < size * trial < _LARGEST / _SMALLEST * least:
            continue
        gain = linear * (trial - factor) - 0.5 * square * (trial**2 - factor**2)
        if math.log(rng.random()) < gain:
            factor = trial
    return factor, pull - (factor - 1.0) * bent


def _moved(noise: Noise, points: _Points, left: Array, rng: np.random.Generator) -> Noise:
    """Noise moved by a few steps of Metropolis and Hastings, given what the form left."""
    centre = np.log([_NOISE.point, _NOISE.smooth, _NOISE.length])

    def made(v: Array) -> Noise:
        point, smooth, length = np.exp(v).tolist()
        return Noise(point, _NOISE.grain, smooth, length)

    def score(v: Array) -> float:
        prior = float(np.sum(((v - centre) / math.log(_FACTOR)) ** 2))
        return points.log_likelihood(made(v), left) - 0.5 * prior

    now = np.log([noise.point, noise.smooth, noise.length])
    best = score(now)
    for _ in range(_MOVES):
        then = now + 4.0 / math.sqrt(points.value.size) * rng.standard_t(3, size=3)
        if np.any(then[:2] > math.log(MOST_SMOOTH)):
            continue  # what exceeds it is the machine's
        value = score(then)
        if math.log(rng.random()) < value - best:
            now, best = then, value
    return made(now)


def _drawn(
    squares: Array, right: Array, trend: Array, prior: Array, own: Array, draws: int,
    rng: np.random.Generator,
) -> tuple[Array, Array]:  # fmt: skip
    """Draw the parts of the common form, and what each ring has of its own beside it.

    Parameters
    ----------
    squares, right : ndarray, shape (rings, c, c) and (rings, c)
        Normal equations of each ring.
    trend : ndarray, shape (rings, parts)
        How much of each part a ring has.
    prior : ndarray, shape (parts c, parts c)
        Precision of the coefficients of the parts, 1/mm^2.
    own : ndarray, shape (rings, c)
        The same of a ring's own, on the diagonal.
    draws : int
        How many.
    rng : Generator
        Of the draws.

    Returns
    -------
    ndarray, shape (draws, parts, c); ndarray, shape (rings, draws, c)
        mm.
    """
    shared = right.shape[1]
    precision, product = prior.copy(), np.zeros(len(prior))
    roots = []
    for square, b, terms, alone in zip(squares, right, trend, own, strict=True):
        root = cholesky(square + np.diag(alone), lower=True, check_finite=False)
        half = solve_triangular(root, np.column_stack((square, b)), lower=True, check_finite=False)
        # the ring's own form integrated out
        left = square - half[:, :-1].T @ half[:, :-1]
        precision += np.kron(np.outer(terms, terms), left)
        product += np.kron(terms, b - half[:, :-1].T @ half[:, -1])
        roots.append((root, half))
    factor = cholesky(0.5 * (precision + precision.T), lower=True, check_finite=False)
    mean = cho_solve((factor, True), product)
    normal = rng.standard_normal((len(prior), draws))
    parts = (mean + solve_triangular(factor, normal, lower=True, trans="T").T).reshape(
        draws, trend.shape[1], shared
    )
    alone = np.empty((len(squares), draws, own.shape[1]))
    for k, (root, half) in enumerate(roots):
        form = np.einsum("t,dtc->cd", trend[k], parts)
        around = half[:, -1:] - half[:, :-1] @ form + rng.standard_normal((own.shape[1], draws))
        alone[k] = solve_triangular(root, around, lower=True, trans="T", check_finite=False).T
    return parts, alone
