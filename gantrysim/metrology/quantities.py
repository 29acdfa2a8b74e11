"""Every measure as value, unit, standard uncertainty or 95 % interval, and definition.

Linear measures carry a standard uncertainty by linear propagation of the correlated noise of their
points and of the reader's scale (JCGM 100:2008, 5.2.2, from memory); peak-to-valley measures, which
noise only makes larger, a 95 % interval with that taken off (`gantrysim.metrology.peaks`).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from gantrysim.inference.noise import Noise
from gantrysim.metrology.passes import PassScatter
from gantrysim.metrology.peaks import (
    PeakToValley,
    ring_extremes,
    ring_widths,
    shape_of_ring,
    shape_of_side,
    side_widths,
    under_noise,
)
from gantrysim.metrology.pointnoise import PointNoise
from gantrysim.metrology.repeats import PassDrift
from gantrysim.metrology.rows import ORDERS, CircleRow, Spacing, SquareRow
from gantrysim.metrology.sensitivity import (
    circle_sensitivities,
    errors_of_circle,
    errors_of_square,
    harmonic_sensitivities,
    reversal_sensitivity,
    square_sensitivities,
)
from gantrysim.metrology.sizes import SizeFit
from gantrysim.metrology.squares import outline_position
from gantrysim.metrology.uncertainty import concise, propagated
from gantrysim.metrology.zones import least_zone_widths
from gantrysim.pattern.ringtest import Line
from gantrysim.records.arrays import Array, gathered
from gantrysim.records.doors import checked

TABLE_TRIALS = 200
_LARGER = "noise only makes it larger, the interval has that taken off"

#: Unit and definition by field; standards are cited from memory.
DEFINITIONS: dict[str, tuple[str, str]] = {
    "radius_mm": ("mm", "radius of the least-squares circle (ISO 12181-1:2011, 3, LSCI)"),
    "RONt_ls_mm": ("mm", f"peak-to-valley about the LSCI (ISO 12181-1:2011, 3); not filtered; "
                   f"{_LARGER}"),
    "RONt_mz_mm": ("mm", f"peak-to-valley in the minimum zone (ISO 12181-1:2011, 3; G of ISO "
                   f"230-4:2005); not filtered; {_LARGER}"),
    "RONp_mm": ("mm", f"peak to LSCI (ISO 12181-1:2011, 3); {_LARGER}"),
    "RONv_mm": ("mm", f"LSCI to valley (ISO 12181-1:2011, 3); {_LARGER}"),
    "RONq_mm": ("mm", f"root mean square about the LSCI (ISO 12181-1:2011, 3); {_LARGER}"),
    "F_max_mm": ("mm", f"largest radial deviation from the nominal circle (ISO 230-4:2005, 3); "
                 f"{_LARGER}"),
    "F_min_mm": ("mm", "smallest radial deviation from the nominal circle (ISO 230-4:2005, 3); "
                 "noise only makes it smaller, the interval has that taken off"),
    "D_mm": ("mm", "LSCI radius less nominal radius, of this sense of travel (after ISO "
             "230-4:2005, 3)"),
    "ovality_mm": ("mm", "largest less smallest diameter of the two-lobed part, four amplitudes of "
                   "harmonic 2 (common practice); too large where not well above its u"),
    "long_axis_deg": ("°", "direction of the largest diameter of the two-lobed part"),
    "diameter_x_mm": ("mm", "diameter along x between approaches to its reversals (own measure)"),
    "diameter_y_mm": ("mm", "diameter along y between approaches to its reversals (own measure)"),
    "gap_x_mm": ("mm", "last drawn point less first, along x"),
    "gap_y_mm": ("mm", "last drawn point less first, along y"),
    "gap_mm": ("mm", "distance from first to last drawn point; noise only makes it larger"),
    "width_mm": ("mm", "between mid-points of left and right LS sides"),
    "height_mm": ("mm", "between mid-points of bottom and top LS sides"),
    "diagonal_up_mm": ("mm", "lower left to upper right corner of the LS sides"),
    "diagonal_down_mm": ("mm", "upper left to lower right corner of the LS sides"),
    "squareness_mrad": ("mrad", "mean of the corners' angles between LS lines less 90° (ISO "
                        "230-1:2012, squareness); y leaning to +x is positive"),
    "straightness_mm": ("mm", f"worst side, minimum zone (ISO 230-1:2012, 3); {_LARGER}"),
    "straightness_ls_mm": ("mm", f"worst side, about its LS line (ISO 230-1:2012, 3); {_LARGER}"),
    "straightness_ends_mm": ("mm", f"worst side, about its end points (ISO 230-1:2012, 3); "
                             f"{_LARGER}"),
    "spacing_error_mm": ("mm", "distance to the next smaller ring less commanded (own measure)"),
    "pass_scatter_mm": ("mm", "rms distance between passes across the line (own measure); noise "
                        "only makes it larger"),
    "drift_x_mm": ("mm", "centre of the last pass less that of the first, along x (own measure)"),
    "drift_y_mm": ("mm", "centre of the last pass less that of the first, along y (own measure)"),
    "drift_size_mm": ("mm", "size of the last pass less that of the first (own measure)"),
    "scale_error": ("1", "slope of measured over nominal size less one (JCGM 100:2008, H.3)"),
    "lost_motion_mm": ("mm", "minus the intercept of measured over nominal size (JCGM 100:2008, "
                       "H.3)"),
}  # fmt: skip
DEFINITIONS |= {
    f"harmonic_{n}_mm": (
        "mm",
        f"amplitude of {n} undulations per revolution; too large where not well above its u",
    )
    for n in ORDERS
}
Key = tuple[str, int, int, str]
Row = CircleRow | SquareRow
Outlines = Mapping[tuple[str, int, int], Line]
Spread = dict[str, float | PeakToValley]


@checked
@dataclass(frozen=True)
class Quantity:
    """One measure of one ring.

    Parameters
    ----------
    shape : str
        "circle" or "square"; for a fit over rings what was fitted.
    ring, pass_index : int
        Ring from 0 = innermost, -1 for all; pass from 0, -1 where it is not of one pass.
    name : str
        Field of the table of measures.
    value : float
        In `unit`.
    unit : str
        "mm", "mrad", "°" or "1".
    u : float or None
        Standard uncertainty, in `unit`; None for measures with an interval, and where the noise of
        the points is not known.
    low, high : float or None
        95 % interval, in `unit`, of peak-to-valley measures.
    definition : str
        What it is, with the clause of the standard (cited from memory).
    """

    shape: str
    ring: int
    pass_index: int
    name: str
    value: float
    unit: str
    u: float | None
    low: float | None
    high: float | None
    definition: str

    @property
    def key(self) -> Key:
        """Shape, ring, pass and name."""
        return self.shape, self.ring, self.pass_index, self.name

    def to_dict(self) -> dict[str, Any]:
        """Plain values."""
        return asdict(self)

    def __repr__(self) -> str:
        place = f"{self.shape} ring {self.ring}" if self.ring >= 0 else self.shape
        spread = f", 95 % {self.low:.4f} to {self.high:.4f}" if self.low is not None else ""
        return f"Quantity({place}: {self.name} {concise(self.value, self.u)}{spread} {self.unit})"


def quantities_of_rows(
    rows: Sequence[Row], outlines: Outlines, noise: PointNoise | None, seed: int
) -> Iterator[Quantity]:
    """Every number of the rows, with its uncertainty where the noise of the points is known."""
    rng = np.random.default_rng(seed)
    for row in rows:
        spread: Spread = {}
        place = row.place
        if noise is not None and place in outlines:
            xy = outlines[place].xy
            if isinstance(row, CircleRow):
                spread = _circle(row, xy, noise, rng)
            else:
                spread = _square(row, xy, noise, rng)
        for name, value in row.to_dict().items():
            if name in DEFINITIONS and value is not None:
                yield _quantity(place, name, value, spread.get(name))


def quantities_of_spacings(
    spacings: Sequence[Spacing], rows: Sequence[Row], outlines: Outlines, noise: PointNoise | None
) -> Iterator[Quantity]:
    """Spacing errors; both rings' own noise, and the reader's scale over their distance."""
    there = [row for row in rows if row.place in outlines] if noise is not None else []
    sizes = gathered(
        (row.place[:2], size_noise(row, outlines[row.place].xy, noise.noise_only()))
        for row in there
        if noise is not None
    )
    for s in spacings:
        u = None
        if noise is not None:  # passes share their grain and smooth error, so they do not average
            inner, outer = (max(sizes.get((s.shape, r), [0.0])) for r in (s.ring - 1, s.ring))
            u = math.sqrt(inner**2 + outer**2 + (s.commanded * noise.scale) ** 2)
        yield _quantity((s.shape, s.ring, -1), "spacing_error_mm", s.error, u)


def quantities_of_passes(
    scatters: Sequence[PassScatter],
    drifts: Sequence[PassDrift],
    rows: Sequence[Row],
    outlines: Outlines,
    noise: PointNoise | None,
) -> Iterator[Quantity]:
    """Scatter and drift of passes.

    Passes lie on each other, so they share grain, smooth error and reader: only the white noise of
    the points enters.
    """
    for s in scatters:
        u = None
        if noise is not None and s.rms > 0:
            # d = true + e with var e = v: var of mean d² is 4 mean(d²) v / n less what is noise
            v, n = 2 * noise.point**2, max(s.places, 1)
            u = math.sqrt(v / n * max(s.rms**2 - v / 2, v / 2)) / s.rms
        yield _quantity((s.shape, s.ring, -1), "pass_scatter_mm", s.rms, u)
    by_place = {row.place: row for row in rows}
    for d in drifts:
        spread = None
        ends = [(d.shape, d.ring, k) for k in (d.passes[0], d.passes[-1])]
        if noise is not None and all(place in outlines for place in ends):
            white = PointNoise(noise.point, 0.0, 0.0, scale=0.0, scale_difference=0.0, skew=0.0)
            each = [_placing_noise(by_place[place], outlines[place].xy, white) for place in ends]
            spread = np.hypot(*np.array(each)).tolist()
        names = ("drift_x_mm", "drift_y_mm", "drift_size_mm")
        for k, (name, value) in enumerate(zip(names, (*d.shift, d.growth), strict=True)):
            yield _quantity((d.shape, d.ring, -1), name, value, spread[k] if spread else None)


def quantities_of_fits(fits: Sequence[SizeFit], noise: PointNoise | None) -> Iterator[Quantity]:
    """Scale errors and lost motions: standard errors of the line, and the reader's scale."""
    for fit in fits:
        # along x half the difference adds to the common scale, along y it is taken off
        half = 0.5 if fit.what.endswith(("along x", "width")) else -0.5
        reader = propagated((1.0, half, 0.0), noise.reader_covariance) if noise else 0.0
        place = (fit.what, -1, -1)
        slope = math.hypot(fit.slope_error, reader)
        yield _quantity(place, "scale_error", fit.scale_error, slope)
        yield _quantity(place, "lost_motion_mm", fit.lost_motion, fit.intercept_error)


def size_noise(row: Row, xy: Array, noise: Noise) -> float:
    """Standard uncertainty of the measured size of a row (radius or half side), mm."""
    return _placing_noise(row, xy, noise)[2]


def _placing_noise(row: Row, xy: Array, noise: Noise) -> tuple[float, float, float]:
    """Standard uncertainty of centre x, centre y and size, mm."""
    if isinstance(row, CircleRow):
        circle = row.path.least_squares
        angle = circle.angles(xy)
        covariance = errors_of_circle(noise, circle, angle).covariance()
        x, y, size = (propagated(r, covariance) for r in circle_sensitivities(angle))
        return x, y, size
    rows = square_sensitivities(xy, row.geometry)
    covariance = errors_of_square(noise, row.geometry, xy).covariance()
    x, y = propagated(rows.centre_x, covariance), propagated(rows.centre_y, covariance)
    return x, y, propagated((rows.width + rows.height) / 4, covariance)


def _quantity(
    place: tuple[str, int, int], name: str, value: float, spread: float | PeakToValley | None
) -> Quantity:
    unit, definition = DEFINITIONS[name]
    u = low = high = None
    if isinstance(spread, PeakToValley):
        low, high = spread.low, spread.high
    else:
        u = spread
    return Quantity(*place, name, float(value), unit, u, low, high, definition)


def _circle(row: CircleRow, xy: Array, noise: PointNoise, rng: np.random.Generator) -> Spread:
    """Uncertainties of one circle by field."""
    circle = row.path.least_squares
    angle, deviation = circle.angles(xy), circle.deviations(xy)
    source = errors_of_circle(noise, circle, angle)
    covariance = source.covariance()
    size = propagated(circle_sensitivities(angle)[2], covariance)
    found: Spread = {"radius_mm": size, "D_mm": size}
    if row.lobes is not None:
        cosines, sines = harmonic_sensitivities(angle, row.lobes.terms[-1].order)
        for n in ORDERS:
            term = row.lobes[n]
            c, s = cosines[n - 2], sines[n - 2]
            amplitude = max(term.amplitude, 1e-300)
            along = (term.cosine * c + term.sine * s) / amplitude
            found[f"harmonic_{n}_mm"] = propagated(along, covariance)
            if n == 2:
                found["ovality_mm"] = 4 * propagated(along, covariance)
                across = (term.cosine * s - term.sine * c) / amplitude
                turned = propagated(across, covariance) / (2 * amplitude)
                # a direction that is not known at all has the sd of a rectangle 180° wide
                found["long_axis_deg"] = min(math.degrees(turned), 180.0 / math.sqrt(12.0))
    for name, end in (("diameter_x_mm", 0.0), ("diameter_y_mm", 90.0)):
        if getattr(row, name.removesuffix("_mm")) is not None:
            sensitive = reversal_sensitivity(angle, row.rotation_deg + end, ccw=row.ccw)
            found[name] = propagated(sensitive, covariance)
    found |= _gap(row, noise)
    errors = source.draws(TABLE_TRIALS, rng)
    shape = shape_of_ring(angle, deviation)
    offset = circle.radius - row.size

    def peak(value: float, measure: Callable[[Array], Array], least: float = 0.0) -> PeakToValley:
        return under_noise(value, measure, shape, errors, least=least)

    path = row.path
    inward = peak(-path.F_min, lambda d: -offset - ring_extremes(angle, d)[1], -math.inf)
    return found | {
        "RONt_ls_mm": peak(circle.RONt, lambda d: ring_widths(angle, d)),
        "RONt_mz_mm": peak(path.minimum_zone.RONt, lambda d: least_zone_widths(angle, d)),
        "RONp_mm": peak(circle.RONp, lambda d: ring_extremes(angle, d - _mean(d))[0]),
        "RONv_mm": peak(circle.RONv, lambda d: -ring_extremes(angle, d - _mean(d))[1]),
        "RONq_mm": peak(circle.RONq, lambda d: np.asarray(np.std(d, axis=1))),
        "F_max_mm": peak(path.F_max, lambda d: offset + ring_extremes(angle, d)[0], -math.inf),
        "F_min_mm": inward.mirrored(),
    }


def _mean(deviations: Array) -> Array:
    return np.asarray(deviations.mean(axis=1, keepdims=True))


def _square(row: SquareRow, xy: Array, noise: PointNoise, rng: np.random.Generator) -> Spread:
    """Uncertainties of one square by field."""
    square = row.geometry
    rows = square_sensitivities(xy, square)
    source = errors_of_square(noise, square, xy)
    covariance = source.covariance()
    found = _gap(row, noise)
    for name in ("width", "height", "diagonal_up", "diagonal_down"):
        found[f"{name}_mm"] = propagated(getattr(rows, name), covariance)
    found["squareness_mrad"] = propagated(rows.squareness_mrad, covariance)
    along, across, _ = outline_position(xy, square)
    errors = source.draws(TABLE_TRIALS, rng)
    own = [np.flatnonzero(rows.side == k) for k in range(4)]
    shape = np.zeros(len(xy))
    for side in own:
        shape[side] = shape_of_side(along[side], across[side])
    for name, reference in (("", "zone"), ("_ls", "line"), ("_ends", "ends")):

        def worst(profiles: Array, reference: str = reference) -> Array:
            return np.max([side_widths(along[s], profiles[:, s], reference) for s in own], axis=0)

        value = getattr(square, f"straightness{name}")
        found[f"straightness{name}_mm"] = under_noise(value, worst, shape, errors)
    return found


def _gap(row: Row, noise: PointNoise) -> Spread:
    """First and last point lie beside each other and share all but their white noise."""
    u = math.sqrt(2.0) * noise.point
    return {} if row.gap is None else {name: u for name in ("gap_x_mm", "gap_y_mm", "gap_mm")}
