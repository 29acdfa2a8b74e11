"""A measured piece made ready for fitting: points in bins, noise, and what its lines know.

Residuals are whitened (`gantrysim.inference.noise`) and the shared discrepancy
(`gantrysim.inference.discrepancy`), which is linear, is integrated out exactly.  A piece brings
six unknowns of its own: how it was placed, and the scanner's errors.
"""

from __future__ import annotations

import dataclasses
import functools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

import numpy as np
from numpy.typing import NDArray

from gantrysim.inference.assumptions import USUAL, Assumptions, Scales
from gantrysim.inference.discrepancy import Discrepancy, Passage
from gantrysim.inference.noise import Bins, Noise, make_bins, outliers
from gantrysim.inference.terms import Overlay
from gantrysim.inference.whitening import Fitted, Metric
from gantrysim.instruments.forward import Forward, finely_planned, forward_of
from gantrysim.instruments.residual import Matched, Traces, first_placement, match
from gantrysim.instruments.scanner import ScannerError
from gantrysim.machine import Machine
from gantrysim.records.arrays import Array

if TYPE_CHECKING:
    from gantrysim.instruments.points import Piece


#: Least noise of single points that count as measured, mm.
_LEAST_POINT = 3e-3
#: Step of the unknowns of the placement for derivatives; lengths change by a hundredth of it.
_NUDGE = 1e-4
#: A piece measured at more of a turn than this was laid down anyhow: then nothing says which of its
#: sides was up when it was burned, rad (judgement; by eye it lies within a few degrees).
_LAID = math.radians(20.0)


@dataclass(frozen=True, eq=False)
class BurnedPiece:
    """A measured piece made ready for fitting.

    Parameters
    ----------
    piece : Piece
        The measured piece.
    nominal : Machine
        The machine as described.
    forward : Forward
        The planned test.
    matched : Matched
        Points matched to strokes.
    bins : Bins
        Their grouping.
    noise : Noise
        Noise of the bins.
    passage : Passage
        How the lines passed over the bins.
    discrepancy : Discrepancy
        Shared discrepancy over the bins, unit columns.
    sizes : ndarray, shape (k,)
        Their prior standard deviations, mm.
    weight : ndarray, shape (m,)
        Weight of each bin, 1 for a good one, less for one that stands off (robust loss).
    origin : ndarray, shape (6,)
        Placement about which the unknown placement is taken.
    assumptions : Assumptions
        The judgement that noise, discrepancy and placement rest on.
    """

    piece: Piece
    nominal: Machine
    forward: Forward
    matched: Matched
    bins: Bins
    noise: Noise
    passage: Passage
    discrepancy: Discrepancy
    sizes: Array
    weight: Array
    origin: Array
    assumptions: Assumptions = USUAL

    #: Unknowns of the placement.
    n_nuisance: ClassVar[int] = 6
    #: Size of the moves that derivatives need: only machines are differenced, not burns.
    amount: ClassVar[float] = 1e-5

    @property
    def source(self) -> str:
        """That of the piece."""
        return self.piece.source

    @property
    def drawn(self) -> BurnedPiece:
        """Itself: its residuals stand on drawn lines."""
        return self

    def with_noise(self, noise: Noise) -> BurnedPiece:
        """The piece with another noise."""
        return dataclasses.replace(self, noise=noise)

    def widths(self, scales: Scales) -> Array:
        """Prior standard deviations of the placement: what nobody checked varies.

        The blank counts to that: along one axis alone it moves like a scale difference.
        """
        if self.piece.scanner.exact:
            return np.ones(6)
        scale, shape = self.piece.scanner.unchecked
        common = scales.reader if scale else scales.shape
        return np.array([1.0, 1.0, 1.0, common, scales.shape, scales.skew if shape else 1.0])

    def discrepancy_sizes(self, machine: Machine, scales: Scales) -> Array:
        """Prior standard deviation of each column of the discrepancy on a machine, mm."""
        return self.discrepancy.sizes(machine, scales, self.assumptions)

    def assuming(self, assumptions: Assumptions) -> BurnedPiece:
        """The piece under another judgement; bins and discrepancy stay."""
        return dataclasses.replace(self, assumptions=assumptions)

    def with_discrepancy(self, machine: Machine, scales: Scales) -> BurnedPiece:
        """The piece with the discrepancy of a machine at other sizes."""
        own = self.lacking(machine)
        return dataclasses.replace(own, sizes=own.discrepancy_sizes(machine, scales))

    def lacking(self, machine: Machine) -> BurnedPiece:
        """The piece with the discrepancy of a machine."""
        own, beside = self.passage.lacking(machine), self._beside
        if own not in beside:  # machines alike share what is whitened
            beside.setdefault(own, dataclasses.replace(self, discrepancy=own))
        return beside[own]

    @functools.cached_property
    def _beside(self) -> dict[Discrepancy, BurnedPiece]:
        """The same with other discrepancies, as they are asked for."""
        return {}

    @property
    def shared(self) -> Array:
        """Shared discrepancy over the bins at one prior standard deviation, mm, shape (m, k)."""
        return self.discrepancy.columns * self.sizes

    def whiten(self, table: Array) -> Array:
        """Columns over the bins with independent unit noise, nothing integrated out."""
        white, _ = self.noise.whiten(table, self.bins)
        return np.asarray((white.T * self.weight).T)

    @functools.cached_property
    def white_discrepancy(self) -> Array:
        """Whitened unit discrepancy, shape (m, k)."""
        return self.whiten(self.discrepancy.columns)

    @functools.cached_property
    def discrepancy_gram(self) -> Array:
        """Its products with itself, shape (k, k)."""
        return np.asarray(self.white_discrepancy.T @ self.white_discrepancy)

    @functools.cached_property
    def noise_log_det(self) -> float:
        """Log determinant of the covariance of the noise alone."""
        return self.noise.whiten(np.zeros(self.bins.count.size), self.bins)[1] + self._paid

    def placement(self, v: Array) -> Array:
        """The placement at its six standard normal unknowns."""
        return placement(self.origin, v, self._reader, self.assumptions)

    @functools.cached_property
    def _reader(self) -> ScannerError:
        """What is believed of the scanner and the blank together."""
        return self.piece.scanner.on_blank(self.assumptions.blank)

    @functools.cached_property
    def metric(self) -> Metric:
        """Whitening of columns over the bins, the shared discrepancy integrated out."""
        return self.without(np.empty((self.bins.count.size, 0)))

    def without(self, terms: Array) -> Metric:
        """As `metric`, with further linear terms integrated out, such as the placement.

        Parameters
        ----------
        terms : ndarray, shape (m, k)
            Each at one prior standard deviation over the bins, mm.
        """
        shared = np.hstack([self.shared, terms])
        metric = self.noise.metric(self.bins, shared, self.weight)
        return dataclasses.replace(metric, log_det=metric.log_det + self._paid)

    @property
    def _paid(self) -> float:
        """What bins of less weight add to the log determinant of the noise."""
        return -2.0 * float(np.sum(np.log(self.weight[self.weight > 0.0])))

    def residual(self, machine: Machine, v: Array) -> Array:
        """Distances of the bins from the predicted lines, outward positive, mm.

        As they are on the piece as read: there the noise stands, whatever the reader's scale.
        """
        return self.bins.mean(self._off(self._traces(machine), self.placement(v)))

    def _traces(self, machine: Machine) -> Traces:
        """Traces of the lines that a machine draws."""
        return self.matched.traces(self.forward.places(self.forward.run(machine)))

    def _off(self, traces: Traces, place: Array) -> Array:
        """Distances of the points from traces of lines, mm on the piece as read."""
        return self.matched.against(traces, place) * _stretch(place)

    def linearise(
        self,
        machine: Machine,
        moved: Sequence[Machine],
        axes: Sequence[str],
        amount: float,
        v: Array,
    ) -> tuple[Array, Array]:
        """Residual and its Jacobian, see `LikelihoodTerm.linearise`; the placement comes last."""
        forward, matched = self.forward, self.matched
        run = forward.run(machine)
        traces = matched.traces(forward.places(run))
        place = self.placement(v)
        off, stretch = matched.against(traces, place), _stretch(place)
        moves = forward.jacobian(run, moved, axes, amount)
        columns = [matched.columns(traces, moves, place) * stretch]
        points = matched.carried(place)
        slope = matched.gradient(traces, points, off)
        for step in _NUDGE * np.eye(self.n_nuisance):
            other = self.placement(v + step)
            change = np.sum(slope * (matched.carried(other) - points), axis=1) * stretch
            change += off * (_stretch(other) - stretch)
            columns.append((change / _NUDGE)[:, None])
        table = self.bins.mean_columns(np.concatenate(columns, axis=1))
        return self.bins.mean(off * stretch), table

    def doubts(self, machine: Machine, v: Array) -> tuple[str, ...]:
        """What scanner or wood would have to do that neither does, and a turn that nobody chose."""
        turn, test = float(self.placement(v)[0]), self.piece.test
        told = test.orientation_mark or test.told_by_place
        if abs(turn) > _LAID and not told:
            return (
                f"{self.source} lies turned by {math.degrees(turn):.0f} degrees, and nothing on it "
                "says which way up it was burned",
            )
        if self.piece.scanner.exact:
            return ()
        off = np.abs(self._reader.root @ v[3:])
        named = ("reader", "shape", "skew")
        widest = Scales(**{name: max(self.assumptions.factors(name)) for name in named})
        most = np.array(self._reader.deviations) * self.widths(widest)[3:]
        common, difference, skew = np.where(off > most, off, 0.0).tolist()
        said = (
            common and f"{100.0 * common:.2g} % too large or too small",
            difference and f"{100.0 * difference:.2g} % longer one way than the other",
            skew and f"{1e3 * skew:.2g} mrad out of square",
        )
        return tuple(
            f"{self.source} would have to be read {what}, more than a scanner or wood explains: "
            "look at how it was read, and whether all is of one machine in one state"
            for what in said
            if what
        )

    def learned(
        self, machine: Machine, v: Array, fitted: Fitted, *, believable: bool = True
    ) -> BurnedPiece:
        """Take the noise from a good fit.

        The noise is that of the residuals before anything was fitted to them, with all that the
        fit can take up integrated out.  It is held to what a measurement can be blamed for: a
        ``believable`` one of a usual piece, else the roughest.  Weights are those of an explanation
        under another noise: all bins count in full again.
        """
        assumed, before, free = self.assumptions, fitted.before, fitted.free
        start = assumed.noise.of_points(self.noise.point)
        terms = np.hstack([self.shared, free])
        bounds = {"most": assumed.most_noise(believable=believable), "least": assumed.least_noise}
        noise = start.learned(before, self.bins, terms, near=self.noise, **bounds)
        return dataclasses.replace(self, noise=noise, weight=np.sign(self.weight))

    def robust(self, left: Array) -> BurnedPiece:
        """The piece with less weight for bins that an explanation leaves far off.

        A bin that stands off by more than three standard deviations weighs less (Huber's weights).
        Every explanation has weights of its own, and pays for them in the likelihood, so that none
        is judged by what another could not explain.

        Parameters
        ----------
        left : ndarray, shape (m,)
            Whitened residuals of the bins with the discrepancy taken off.
        """
        weight = np.sqrt(np.minimum(1.0, self.assumptions.huber / np.maximum(np.abs(left), 1e-12)))
        return dataclasses.replace(self, weight=weight * (self.weight > 0.0))

    def sifted(self, explained: Sequence[tuple[Machine, Array]]) -> BurnedPiece:
        """The piece with the points put back that some explanation does not find far off.

        What stands off its neighbours on a healthy machine may be the step of a faulty one.

        Parameters
        ----------
        explained : sequence of (Machine, ndarray)
            Machines and placements that may be the real ones.
        """
        out = self.bins.owner < 0
        bad = out
        for machine, v in explained:
            if not bad.any():
                break
            off = self._off(self._traces(machine), self.placement(v))
            bad = bad & outliers(off, self.matched.group, self.assumptions.outlier)
        return self if np.array_equal(bad, out) else self.without_points(bad)

    def without_points(self, bad: NDArray[np.bool_]) -> BurnedPiece:
        """The piece with other points left out, and all bins of full weight again."""
        bins = binned(self.matched, self.origin, bad, self.assumptions.bin_length)
        passed = passage(self.matched, bins, self.origin, self.nominal, self.assumptions)
        shared = passed.lacking(self.nominal)
        each = dict(zip(self.discrepancy.owner.tolist(), self.sizes.tolist(), strict=True))
        sizes = np.array([each[kind] for kind in shared.owner.tolist()])
        return dataclasses.replace(
            self,
            bins=bins,
            passage=passed,
            discrepancy=shared,
            sizes=sizes,
            weight=np.ones(bins.count.size),
        )

    @property
    def rings(self) -> Array:
        """Number of the ring, of one shape, that each bin lies on, shape (m,)."""
        known: dict[tuple[str, int], int] = {}
        of_line = [known.setdefault((x.shape, x.ring), len(known)) for x in self.piece.lines]
        return np.array(of_line)[self.bins.line]

    def where(self, v: Array) -> tuple[Array, Array]:
        """Spot place and outward normal of the commanded line at each bin, shape (m, 2)."""
        about = self.matched.about(self.placement(v))
        place = about + self.matched.rings.centre[self.matched.group]
        normal = outward_normals(self.matched, about)
        mean = self.bins.mean_columns
        return mean(place), mean(normal)

    def overlay(self, machine: Machine, v: Array) -> Overlay:
        """Measured points beside the lines of a machine, at the unknowns of the placement."""
        matched, place = self.matched, self.placement(v)
        fine = finely_planned(self.piece.test, self.nominal)
        drawn = fine.lines(fine.run(machine))
        about = matched.about(place)
        centre = matched.rings.centre[matched.group]
        measured = about + centre
        size = matched.rings.size[matched.group][:, None]
        radial = about / np.maximum(np.hypot(*about.T), 1e-9)[:, None] * size
        side, _ = sides_of(about[:, 0], about[:, 1])
        flat = np.clip(about, -size, size)
        flat[np.arange(len(flat)), side % 2] = np.where(side < 2, 1.0, -1.0) * size[:, 0]
        base = np.where(matched.rings.square[matched.group][:, None], flat, radial) + centre
        residual = matched.against(self._traces(machine), place)
        good = self.bins.owner >= 0
        groups = [
            np.flatnonzero((matched.group == k) & good) for k in range(matched.rings.size.size)
        ]
        return Overlay(
            commanded=tuple(fine.motion.xy[cut] + fine.offset for cut in fine.cuts),
            predicted=tuple(line.xy for line in drawn),
            measured=tuple(measured[g] for g in groups),
            base=tuple(base[g] for g in groups),
            angles_deg=tuple(np.degrees(np.arctan2(about[g, 1], about[g, 0])) for g in groups),
            residuals=tuple(residual[g] for g in groups),
            labels=tuple(
                f"{'square' if sq else 'circle'} {r:g}"
                for sq, r in zip(matched.rings.square, matched.rings.size, strict=True)
            ),
            strays=measured[~good],
            rings=tuple(f"{line.shape} {line.size:g}" for line in drawn),
        )


def _stretch(place: Array) -> float:
    """By how much a reader stretches lengths at a placement, in the mean of all directions."""
    return math.sqrt((1.0 + place[3]) * (1.0 + place[4]))


def placement(
    origin: Array, v: Array, scanner: ScannerError | None = None, assumptions: Assumptions = USUAL
) -> Array:
    """Placement about an origin at six standard normal numbers, see `residual._carry_back`.

    The last three are the scanner's: an unchecked one if absent.
    """
    scanner = scanner if scanner is not None else ScannerError()
    common, difference, skew = scanner.mean + scanner.root @ v[3:]
    turn, shift = assumptions.placement_turn, assumptions.placement_shift
    scales = (common + 0.5 * difference, common - 0.5 * difference, skew)
    return np.concatenate([origin[:3] + np.array([turn, shift, shift]) * v[:3], scales])


def prepare_piece(piece: Piece, nominal: Machine, assumptions: Assumptions = USUAL) -> BurnedPiece:
    """Make a measured piece ready for fitting.

    Parameters
    ----------
    piece : Piece
        The measured piece.
    nominal : Machine
        The machine as described.
    assumptions : Assumptions
        The judgement that noise, discrepancy and placement rest on.

    Returns
    -------
    BurnedPiece
        With first guesses of the noise; `BurnedPiece.learned` improves them.

    Raises
    ------
    ValueError
        If the test leaves the travel of this machine, or the piece shows what it does not draw.
    """
    forward = forward_of(piece.test, nominal)
    origin = first_placement(piece)
    matched = match(_thinned(piece, assumptions.point_spacing), forward, origin)
    residual = matched.residuals(forward.places(forward.run(nominal)), origin)
    bad = outliers(residual, matched.group, assumptions.outlier)
    bins = binned(matched, origin, bad, assumptions.bin_length)
    spread = residual - bins.mean(residual)[np.maximum(bins.owner, 0)]
    # a scan reads lines to a micrometre, far better than any model predicts single points of them:
    # points whose own uncertainty is known count for no less noise than usual points have
    usual = assumptions.noise
    passed = passage(matched, bins, origin, nominal, assumptions)
    shared = passed.lacking(nominal)
    inside = (bins.owner >= 0) & (bins.count[np.maximum(bins.owner, 0)] > 1)
    point = (
        1.4826 * float(np.median(np.abs(spread[inside]))) * 1.3
        if inside.sum() > 20
        else usual.point
    )
    return BurnedPiece(
        piece=piece,
        nominal=nominal,
        forward=forward,
        matched=matched,
        bins=bins,
        noise=usual.of_points(max(point, usual.point if piece.uncertainty else _LEAST_POINT)),
        passage=passed,
        discrepancy=shared,
        sizes=shared.sizes(nominal, Scales(), assumptions),
        weight=np.ones(bins.count.size),
        origin=origin,
        assumptions=assumptions,
    )


def _thinned(piece: Piece, spacing: float) -> Piece:
    """The piece with so many of the points of each line that they lie this far apart, mm."""
    lines = []
    for line in piece.lines:
        way = np.hypot(*np.diff(line.xy, axis=0).T)
        near = float(np.median(way)) if way.size else spacing
        step = max(1, int(spacing / max(near, 1e-9)))
        lines.append(dataclasses.replace(line, xy=line.xy[::step]))
    return dataclasses.replace(piece, lines=tuple(lines), uncertainty=())


def binned(matched: Matched, placement: Array, bad: NDArray[np.bool_], length: float) -> Bins:
    """Bins of so many mm of the points that are not left out, each side of a square by itself."""
    along, side = along_lines(matched, placement)
    return make_bins(along, matched.group, bad, length, side)


def along_lines(matched: Matched, placement: Array) -> tuple[Array, NDArray[np.int64]]:
    """Distance of each point along its line, mm, sides of a square apart; and side, -1 for none."""
    about = matched.about(placement)
    size = matched.rings.size[matched.group]
    square = matched.rings.square[matched.group]
    x, y = about[:, 0], about[:, 1]
    side, along = sides_of(x, y)
    arc = (np.arctan2(y, x) + np.pi) * size
    line = np.where(square, side * 4.0 * size + along + 2.0 * size, arc)
    return line, np.where(square, side, -1)


def sides_of(x: Array, y: Array) -> tuple[NDArray[np.int64], Array]:
    """Side of a square (0 right, counter-clockwise) and place along it."""
    across = np.abs(x) >= np.abs(y)
    side = np.where(across, np.where(x > 0, 0, 2), np.where(y > 0, 1, 3))
    along = np.choose(side, [y, -x, -y, x])
    return side, along


def outward_normals(matched: Matched, about: Array) -> Array:
    """Outward normals of the commanded lines at points about their centres, shape (n, 2)."""
    side, _ = sides_of(about[:, 0], about[:, 1])
    flat = np.array([[1.0, 0.0], [0.0, 1.0], [-1.0, 0.0], [0.0, -1.0]])[side]
    round_ = about / np.maximum(np.hypot(*about.T), 1e-9)[:, None]
    return np.where(matched.rings.square[matched.group][:, None], flat, round_)


def passage(
    matched: Matched,
    bins: Bins,
    placement: Array,
    nominal: Machine,
    assumptions: Assumptions = USUAL,
) -> Passage:
    """How the lines passed over the bins on a machine as described."""
    about = matched.about(placement)
    sense = matched.rings.sense[matched.group]
    normal = outward_normals(matched, about)
    square = matched.rings.square[matched.group][:, None]
    along = np.column_stack([-normal[:, 1], normal[:, 0]]) * sense[:, None]
    moving = np.where(square, along + normal, np.sign(along))  # a side is reached moving outward
    place = about + matched.rings.centre[matched.group]
    size = matched.rings.size[matched.group][:, None]
    mean = bins.mean_columns
    return Passage(
        points=mean(place),
        normal=mean(normal),
        moving=mean(moving),
        since=mean(size + about * moving),
        until=mean(size - about * moving),
        square=bins.mean(square[:, 0].astype(float)),
        nominal=nominal,
        assumptions=assumptions,
    )
