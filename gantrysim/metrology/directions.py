"""The same circles drawn in both senses: ISO 230-4 ring by ring, from two burns or pieces."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from gantrysim.metrology.circular import BothWays, both_ways
from gantrysim.metrology.peaks import (
    SEED,
    TRIALS,
    PeakToValley,
    ring_extremes,
    shape_of_ring,
    under_noise,
)
from gantrysim.metrology.pointnoise import PointNoise
from gantrysim.metrology.sensitivity import circle_sensitivities, errors_of_circle
from gantrysim.metrology.uncertainty import concise
from gantrysim.metrology.zones import least_zone_widths
from gantrysim.pattern.ringtest import Line
from gantrysim.records.arrays import Array, gathered, rotation
from gantrysim.records.doors import checked
from gantrysim.records.table import Table

Spread = dict[str, float | PeakToValley]

_FIELDS = "G_ccw_mm G_cw_mm G_b_mm H_mm D_mm F_min_mm F_max_mm".split()
_COLUMNS = dict(zip(("G ccw", "G cw", "G(b)", "H", "D", "F min", "F max"), _FIELDS, strict=True))


@dataclass(frozen=True, eq=False)
class Sense:
    """Circles of one sense of travel.

    Parameters
    ----------
    source : str
        What was measured.
    outlines : tuple of Line
        Whole outlines, every pass its own, mm.
    frame : callable
        Brings points, shape (n, 2), into the frame that both senses share, mm.
    noise : PointNoise or None
        How well the points are known; None for exact lines.
    """

    source: str
    outlines: tuple[Line, ...]
    frame: Callable[[Array], Array]
    noise: PointNoise | None

    def by_radius(self) -> dict[float, list[Array]]:
        """Passes of every circle by its commanded radius, mm, in the shared frame."""
        circles = [line for line in self.outlines if line.shape == "circle"]
        return gathered((round(line.size, 6), self.frame(line.xy)) for line in circles)


@checked
@dataclass(frozen=True, eq=False)
class DirectionTest:
    """Circles drawn counter-clockwise beside the same circles drawn clockwise.

    Parameters
    ----------
    rings : tuple of BothWays
        One for each circle that both hold, inner first; lengths in mm.
    spreads : tuple of dict
        For each ring the standard uncertainty of D_mm, and `PeakToValley` of G_b_mm, H_mm, F_max_mm
        and F_min_mm, mm; empty for exact lines.
    ccw, cw : str
        What was measured in each sense.
    """

    rings: tuple[BothWays, ...]
    spreads: tuple[Spread, ...]
    ccw: str
    cw: str

    def to_dict(self) -> dict[str, Any]:
        """Plain numbers, mm and degrees; low_..., high_... and u_... where noise is known."""
        rings = []
        for ring, spread in zip(self.rings, self.spreads, strict=True):
            content = ring.to_dict()
            for name, value in spread.items():
                if isinstance(value, PeakToValley):
                    content |= {f"low_{name}": value.low, f"high_{name}": value.high}
                else:
                    content[f"u_{name}"] = value
            rings.append(content)
        return {"ccw": self.ccw, "cw": self.cw, "rings": rings}

    def __iter__(self) -> Iterator[BothWays]:
        return iter(self.rings)

    def __len__(self) -> int:
        return len(self.rings)

    def __repr__(self) -> str:
        worst = max(self.rings, key=lambda ring: ring.H)
        return (
            f"DirectionTest({len(self.rings)} circles, {self.ccw} and {self.cw}: "
            f"H up to {worst.H * 1e3:.1f} µm at radius {worst.nominal_radius:g} mm)"
        )

    def _repr_html_(self) -> str:
        rows = []
        for ring, spread in zip(self.rings, self.spreads, strict=True):
            values = ring.to_dict()
            cells = (_cell(values[field], spread.get(field)) for field in _COLUMNS.values())
            rows.append((f"{ring.nominal_radius:g}", *cells))
        caption = "Both senses of travel, ISO 230-4 (from memory), µm; (u), [95 %, noise taken off]"
        return Table(("radius, mm", *_COLUMNS), rows, caption).html()


def _cell(value: float, spread: float | PeakToValley | None) -> str:
    if isinstance(spread, PeakToValley):
        return f"{1e3 * value:.1f} [{1e3 * spread.low:.0f}, {1e3 * spread.high:.0f}]"
    return concise(1e3 * value, 1e3 * spread) if spread else f"{1e3 * value:.1f}"


def match_directions(ccw: Sense, cw: Sense, seed: int = SEED) -> DirectionTest:
    """Pair the circles of both senses by their commanded radius.

    ``ccw``, ``cw``: what was measured; lengths in mm.  ``seed``: of the noise drawn for the
    intervals.  ValueError if no circle is in both.
    """
    one, other = ccw.by_radius(), cw.by_radius()
    shared = sorted(one.keys() & other.keys())
    if not shared:
        raise ValueError(
            f"{ccw.source} and {cw.source} have no circle of one commanded radius in common."
        )
    rng = np.random.default_rng(seed)
    rings = tuple(both_ways(one[r], other[r], r) for r in shared)
    spreads: list[Spread] = []
    for ring, r in zip(rings, shared, strict=True):
        if ccw.noise is None or cw.noise is None:
            spreads.append({})
        else:
            paths = [(xy, ccw.noise, 1.0) for xy in one[r]]
            paths += [(xy, cw.noise, -1.0) for xy in other[r]]
            spreads.append(spread_of_both(ring, paths, rng))
    return DirectionTest(rings, tuple(spreads), ccw.source, cw.source)


def spread_of_both(
    ring: BothWays,
    paths: Sequence[tuple[Array, PointNoise, float]],
    rng: np.random.Generator,
    trials: int = TRIALS,
) -> Spread:
    """Uncertainty of D, and intervals of G(b), H and F with what noise adds taken off.

    ``ring``: as found.  ``paths``: points of each path (mm), their noise, and +1 counter-clockwise
    or -1 clockwise.  ``rng``: draws the noise of each path on its own, and the reader's scale for
    all.  ``trials``: draws.
    """
    circle = ring.circle
    angles = [circle.angles(xy) for xy, _, _ in paths]
    reader = rng.standard_normal((trials, 3))
    shapes, errors = [], []
    for (xy, noise, _), angle in zip(paths, angles, strict=True):
        source = errors_of_circle(noise, circle, angle)
        drawn = noise.draws(source.along, trials, rng, source.turn)
        errors.append(drawn + reader @ source.shapes)
        shapes.append(shape_of_ring(angle, circle.deviations(xy)))
    whole = np.concatenate(angles)
    drawn, shape = np.hstack(errors), np.concatenate(shapes)
    at = np.unique(whole)
    signs = [sign for _, _, sign in paths]
    shares = [sign / signs.count(sign) for sign in signs]
    each = zip(shares, angles, strict=True)
    apart = np.hstack([share * _interpolation(at, angle) for share, angle in each])
    offset = circle.radius - ring.nominal_radius

    def both(value: float, measure: Callable[[Array], Array], least: float) -> PeakToValley:
        return under_noise(value, measure, shape, drawn, least=least)

    inward = both(-ring.F_min, lambda d: -offset - ring_extremes(whole, d)[1], -math.inf)
    return {
        "D_mm": float(np.std(drawn @ circle_sensitivities(whole)[2], ddof=1)),
        "G_b_mm": both(ring.G_b, lambda d: least_zone_widths(whole, d), 0.0),
        "H_mm": both(ring.H, lambda d: np.asarray(np.abs(d @ apart.T).max(axis=1)), 0.0),
        "F_max_mm": both(ring.F_max, lambda d: offset + ring_extremes(whole, d)[0], -math.inf),
        "F_min_mm": inward.mirrored(),
    }


def _interpolation(at: Array, known: Array) -> Array:
    """Matrix that interpolates linearly round a turn from known angles, shape (len(at), n)."""
    order = np.argsort(known)
    places = np.concatenate(
        (known[order][-1:] - 2 * np.pi, known[order], known[order][:1] + 2 * np.pi)
    )
    rows = np.concatenate((order[-1:], order, order[:1]))
    after = np.clip(np.searchsorted(places, at), 1, len(places) - 1)
    step = places[after] - places[after - 1]
    share = np.where(step > 0, (at - places[after - 1]) / np.where(step > 0, step, 1.0), 0.0)
    matrix = np.zeros((len(at), len(known)))
    np.add.at(matrix, (np.arange(len(at)), rows[after - 1]), 1 - share)
    np.add.at(matrix, (np.arange(len(at)), rows[after]), share)
    return matrix


def straightened(rotation_deg: float, centre: Array) -> Callable[[Array], Array]:
    """Turn points back by a rotation (degrees) about a centre (mm) that becomes the origin."""
    turn = rotation(math.radians(rotation_deg))
    return lambda xy: np.asarray((xy - centre) @ turn)
