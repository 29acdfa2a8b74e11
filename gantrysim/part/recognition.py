"""Features recognised on outlines: circles, opposing sides, corners, roundings, distances."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.sparse.csgraph import minimum_spanning_tree
from scipy.spatial.distance import cdist

from gantrysim.part.feature import Feature
from gantrysim.part.gauges import (
    ALONG_X,
    ALONG_Y,
    DIRECTIONS,
    Across,
    Centres,
    Corner,
    Extent,
    Rounding,
    Side,
    common,
)
from gantrysim.part.outlines import Outline
from gantrysim.pattern.shapes import algebraic_circle
from gantrysim.records.arrays import Array

#: Sides shorter than this are no features, mm; roundings with less turn, rad, or radius, mm,
#: neither (jaws and eyes find no hold on them; judgement).
LEAST_SIDE, LEAST_TURN, LEAST_RADIUS = 1.0, math.radians(60.0), 1.0
#: Turns within a side, rad, and at the corners of a side that is no chord of a curve, rad.
STRAIGHT, SHARP = 1e-3, math.radians(30.0)
#: A chord is not this many times longer than the one beside it.
CHORDS = 3.0
#: How far corners of a polygon may leave its circle, mm and of the radius, and how far its sides
#: may: a polygon that stands for a circle has sixteen corners or more.
ROUND, ROUND_PART, CHORD_PART = 0.01, 5e-4, 0.02
#: Opposing sides are parallel within this, rad, and share this part of the shorter.
PARALLEL, SHARED = 2e-3, 0.5
#: A width is this part of its outline or more; less is a tab.
WHOLE = 0.6
#: Corners have two arms of this length or more, mm.
ARM = 10.0
_BLOCK = 400  # sides compared with all others at a time


def features_on(outlines: Sequence[Outline]) -> list[Feature]:
    """All features, in reading order, named by kind and number."""
    circles = {k: found for k, o in enumerate(outlines) if (found := circle_of(o)) is not None}
    raw: list[tuple[str, Feature]] = []
    for k, outline in enumerate(outlines):
        if k in circles:
            raw += _of_circle(outline, *circles[k])
        else:
            raw += _of_outline(outline)
    raw += _distances(outlines, circles)
    return [_on_outline(feature) for feature in _named(raw)]


def _on_outline(feature: Feature) -> Feature:
    """A feature with what the drawing calls its outline."""
    names = dict.fromkeys(outline.name for outline in feature.gauge.outlines if outline.name)
    return feature.on_outline(" to ".join(names)) if names else feature


def _named(raw: list[tuple[str, Feature]]) -> list[Feature]:
    """Numbers by kind from the lower left; what begins with a blank belongs to the one before."""
    groups: dict[str, list[list[Feature]]] = {}
    last = ""
    for letter, feature in raw:
        if letter[0] == "+":
            groups[last][-1].append(feature.renamed(letter[1:]))
        else:
            last = letter
            groups.setdefault(letter, []).append([feature])
    out: list[Feature] = []
    for letter, found in groups.items():
        found.sort(key=lambda each: (*np.round(each[0].place[::-1], 1), each[0].drawn))
        for number, (first, *rest) in enumerate(found, start=1):
            name = f"{letter}{number}"
            out.append(first.renamed(name))
            out += [feature.renamed(f"{name}{feature.name}") for feature in rest]
    return out


# Circles


def circle_of(outline: Outline) -> tuple[Array, float] | None:
    """Centre and radius, mm, of an outline that is a circle, or a polygon that stands for one."""
    if np.isfinite(outline.centre).all():
        centre = outline.centre[0]
        radius = np.hypot(*(outline.ends[:, 0] - outline.centre).T)
        apart = np.abs(outline.centre - centre).max()
        alike = max(apart, float(np.ptp(radius))) <= ROUND
        return (centre, float(radius.mean())) if alike else None
    corners = outline.polygon
    if len(corners) < 12:
        return None
    centre, radius_found = algebraic_circle(corners)
    off = np.abs(np.hypot(*(corners - centre).T) - radius_found).max()
    chord = np.hypot(*(np.roll(corners, -1, axis=0) - corners).T).max()
    bulge = radius_found - math.sqrt(max(radius_found**2 - 0.25 * chord**2, 0.0))
    near = off <= max(ROUND, ROUND_PART * radius_found) and bulge <= CHORD_PART * radius_found
    return (centre, radius_found) if near else None


def _of_circle(outline: Outline, centre: Array, radius: float) -> Iterator[tuple[str, Feature]]:
    kind, letter = ("hole", "H") if outline.inside else ("disc", "D")
    side = 1 if outline.inside else -1
    place = (float(centre[0]), float(centre[1]))

    def line(angle: float) -> tuple[tuple[float, float], tuple[float, float]]:
        dx, dy = radius * math.cos(angle), radius * math.sin(angle)
        return (place[0] - dx, place[1] - dy), (place[0] + dx, place[1] + dy)

    for tail, way, angle in (
        (letter, DIRECTIONS, math.pi / 4),
        ("+x", DIRECTIONS[[ALONG_X]], 0.0),
        ("+y", DIRECTIONS[[ALONG_Y]], math.pi / 2),
    ):
        words = {"+x": "diameter along x", "+y": "diameter along y"}.get(tail, "mean diameter")
        gauge = Extent(outline, way)
        yield tail, Feature("", f"{kind}, {words}", 2.0 * radius, side, place, line(angle), gauge)


def _distances(
    outlines: Sequence[Outline], circles: dict[int, tuple[Array, float]]
) -> Iterator[tuple[str, Feature]]:
    """Distances of the circles of a part: the shortest that connect all of them."""
    parts: dict[int, list[int]] = {}
    for k in circles:
        parts.setdefault(outlines[k].part, []).append(k)
    for own in parts.values():
        if len(own) < 2:
            continue
        places = np.array([circles[k][0] for k in own])
        tree = minimum_spanning_tree(cdist(places, places)).tocoo()
        for i, j in zip(tree.row.tolist(), tree.col.tolist(), strict=True):
            yield "C", distance(outlines[own[i]], outlines[own[j]])


def distance(one: Outline, other: Outline) -> Feature:
    """Distance of the centres of two circles."""
    ends = (_pair(one.middle), _pair(other.middle))
    place = _pair(0.5 * (one.middle + other.middle))
    drawn = math.dist(*ends)
    return Feature("", "centre distance", drawn, 0, place, ends, Centres(one, other))


# Straight sides


def sides_of(outline: Outline) -> list[Side]:
    """Straight sides of an outline: segments in one line are one side, chords of curves none."""
    ends, arc = outline.ends, np.isfinite(outline.centre[:, 0])
    step = ends[:, 1] - ends[:, 0]
    angle = np.arctan2(step[:, 1], step[:, 0])
    turned = np.abs(_wrapped(angle - np.roll(angle, 1)))
    begins = (turned > STRAIGHT) | arc | np.roll(arc, 1)
    firsts = np.flatnonzero(begins)
    if len(firsts) < 2:
        return []
    lasts = np.roll(firsts, -1) - 1
    a, b = ends[firsts, 0], ends[lasts, 1]
    length = np.hypot(*(b - a).T)
    straight = ~arc[firsts]
    sharp = turned[firsts] >= SHARP  # at the start of each run
    before, after = np.roll(np.arange(len(firsts)), 1), np.roll(np.arange(len(firsts)), -1)
    chord = np.zeros(len(firsts), dtype=bool)
    for beside, corner in ((before, sharp), (after, sharp[after])):
        chord |= straight[beside] & ~corner & (length < CHORDS * length[beside])
    keep = straight & ~chord & (length >= LEAST_SIDE)
    way = (b - a) / np.maximum(length, 1e-12)[:, None]
    left = np.column_stack([-way[:, 1], way[:, 0]]) * (-1.0 if outline.inside else 1.0)
    return [Side(outline, a[k], b[k], left[k]) for k in np.flatnonzero(keep)]


def _wrapped(angle: Array) -> Array:
    return np.asarray((angle + math.pi) % math.tau - math.pi)


def _of_outline(outline: Outline) -> list[tuple[str, Feature]]:
    sides = sides_of(outline)
    found = [_opposing(outline, one, other) for one, other in facing(sides)]
    found.sort(key=lambda pair: pair[1].drawn)
    if outline.inside:  # a slot by its width, and its length beside it
        found = _with_length(outline, found)
    if not found:
        found = list(_extents(outline))
    return found + list(_corners(outline, sides)) + list(_roundings(outline))


def facing(sides: Sequence[Side]) -> list[tuple[Side, Side]]:
    """Pairs of parallel sides that look at each other with none between, the widest common part."""
    if len(sides) < 2:
        return []
    way = np.array([side.along for side in sides])
    mid = np.array([side.middle for side in sides])
    inward = np.array([side.inward for side in sides])
    half = 0.5 * np.array([side.length for side in sides])
    found = []
    for first in range(0, len(sides), _BLOCK):
        rows = np.arange(first, min(first + _BLOCK, len(sides)))
        away = inward[rows] @ inward.T < -math.cos(PARALLEL)
        depth = inward[rows] @ mid.T - np.sum(inward[rows] * mid[rows], axis=1)[:, None]
        along = way[rows] @ mid.T - np.sum(way[rows] * mid[rows], axis=1)[:, None]
        own = half[rows][:, None]
        width = np.minimum(own, along + half) - np.maximum(-own, along - half)
        looks = away & (width >= SHARED * 2.0 * np.minimum(own, half))
        for sign in (1.0, -1.0):  # across the material, and across the void
            gap = np.where(looks & (sign * depth > 1e-6), sign * depth, np.inf)
            nearest = np.argmin(gap, axis=1)
            there = np.isfinite(gap[np.arange(len(rows)), nearest])
            i, j = rows[there], nearest[there]
            found.append(np.column_stack([i, j, width[i - first, j]]))
    pairs = np.concatenate(found)
    i, j, width = pairs[:, 0].astype(int), pairs[:, 1].astype(int), pairs[:, 2]
    rank = np.argsort(np.lexsort((mid[:, 1], mid[:, 0])))
    i, j = np.where(rank[i] < rank[j], i, j), np.where(rank[i] < rank[j], j, i)
    # of pairs on the same two lines that with the most in common
    lines = [np.sum(mid[k] * inward[i], axis=1) for k in (i, j)]
    turn = np.arctan2(inward[i, 1], inward[i, 0]) / PARALLEL
    keys = np.round(np.column_stack([*(1e3 * line for line in lines), turn])).astype(np.int64)
    order = np.lexsort((-np.round(width, 9), *keys.T))
    kept = order[np.r_[True, (np.diff(keys[order], axis=0) != 0).any(axis=1)]] if len(i) else order
    return [(sides[a], sides[b]) for a, b in zip(i[kept], j[kept], strict=True)]


def _opposing(outline: Outline, one: Side, other: Side) -> tuple[str, Feature]:
    between = float((other.middle - one.middle) @ one.inward)
    internal = 1 if between < 0.0 else -1
    feature = across(one, other, internal)
    angle = math.atan2(abs(one.inward[1]), abs(one.inward[0]))
    extent = np.ptp(outline.polygon @ one.inward)
    if internal > 0:
        return "S", feature
    if not outline.inside and feature.drawn >= WHOLE * extent:
        letter, kind = ("W", "width") if angle < math.pi / 4 else ("L", "height")
        return letter, feature.of_kind(kind)
    return "T", feature


def across(one: Side, other: Side, internal: int) -> Feature:
    """Size between two parallel sides."""
    low, high = common(one, other)
    middle = 0.5 * (low + high) - float(one.middle @ one.along)
    start = one.middle + middle * one.along
    between = float((other.middle - one.middle) @ one.inward)
    end = start + between * one.inward
    kind = {1: "slot", -1: "tab", 0: "step"}[internal]
    ends, place = (_pair(start), _pair(end)), _pair(0.5 * (start + end))
    gauge = Across(one, other, internal)
    return Feature("", kind, abs(between), internal, place, ends, gauge)


def _with_length(outline: Outline, found: list[tuple[str, Feature]]) -> list[tuple[str, Feature]]:
    """The narrowest pair of a hole as a slot, and its length beside it."""
    if len(found) == 2 and all(letter == "S" for letter, _ in found):
        return [found[0], ("+l", found[1][1].of_kind("slot, length"))]
    if len(found) == 1 and found[0][0] == "S":
        gauge = found[0][1].gauge
        assert isinstance(gauge, Across)
        way = gauge.one.along
        length = _extent(outline, math.degrees(math.atan2(way[1], way[0])))
        return [*found, ("+l", length.of_kind("slot, length"))]
    return found


def _extents(outline: Outline) -> Iterator[tuple[str, Feature]]:
    """Width and height of an outline without opposing sides."""
    for letter, angle in (("E", 0.0), ("+y", 90.0)):
        yield letter, _extent(outline, angle)


def _extent(outline: Outline, angle: float) -> Feature:
    way = np.array((math.cos(math.radians(angle)), math.sin(math.radians(angle))))
    reach = outline.polygon @ way
    drawn = float(np.ptp(reach))
    middle = outline.middle + (0.5 * (reach.min() + reach.max()) - outline.middle @ way) * way
    ends = (_pair(middle - 0.5 * drawn * way), _pair(middle + 0.5 * drawn * way))
    kind = "opening" if outline.inside else "extent"
    side = 1 if outline.inside else -1
    return Feature("", kind, drawn, side, _pair(middle), ends, Extent(outline, np.array([angle])))


def _corners(outline: Outline, sides: Sequence[Side]) -> Iterator[tuple[str, Feature]]:
    """Of each angle that the corners of an outline have, the corner with the longest arms."""
    best: dict[int, tuple[float, Side, Side]] = {}
    for one, other in [*pairwise(sides), (sides[-1], sides[0])] if len(sides) > 2 else []:
        arms = min(one.length, other.length)
        if arms < ARM or math.dist(one.b, other.a) > LEAST_SIDE:
            continue
        key = round(corner(one, other).drawn * 10.0)
        if key not in best or best[key][0] < arms - 1e-9:
            best[key] = (arms, one, other)
    for _, one, other in best.values():
        yield "A", corner(one, other)


def corner(one: Side, other: Side) -> Feature:
    """Angle of the material's or the hole's corner between two sides that follow each other."""
    turn = float(_wrapped(np.array(math.atan2(*other.along[::-1]) - math.atan2(*one.along[::-1]))))
    place = _pair(0.5 * (one.b + other.a))
    ends = (_pair(one.middle), _pair(other.middle))
    drawn = 180.0 - math.degrees(turn)
    return Feature("", "angle", drawn, 0, place, ends, Corner(one, other), unit="deg")


def _roundings(outline: Outline) -> Iterator[tuple[str, Feature]]:
    arcs = np.flatnonzero(np.abs(outline.turn) >= LEAST_TURN)
    for k in arcs.tolist():
        centre, start = outline.centre[k], outline.ends[k, 0]
        radius = math.dist(centre, start)
        if radius < LEAST_RADIUS:
            continue
        # counter-clockwise arcs of an outside outline bulge out of the material
        side = -1 if (outline.turn[k] > 0.0) != outline.inside else 1
        half = 0.5 * outline.turn[k]
        arm = start - centre
        c, s = math.cos(half), math.sin(half)
        top = centre + np.array((arm[0] * c - arm[1] * s, arm[0] * s + arm[1] * c))
        ends, place = (_pair(centre), _pair(top)), _pair(top)
        yield "R", Feature("", "radius", radius, side, place, ends, Rounding(outline, k))


def _pair(place: Array) -> tuple[float, float]:
    return float(place[0]), float(place[1])


def nearest_side(sides: Sequence[Side], place: Array) -> tuple[Side, float]:
    """The side nearest to a place, and how far it is, mm."""
    a, b = (np.array([getattr(side, end) for side in sides]) for end in "ab")
    part = np.einsum("ij,ij->i", place - a, b - a) / np.einsum("ij,ij->i", b - a, b - a)
    foot = a + np.clip(part, 0.0, 1.0)[:, None] * (b - a)
    far = np.hypot(*(foot - place).T)
    k = int(np.argmin(far))
    return sides[k], float(far[k])


def families(features: Sequence[Feature]) -> list[tuple[list[Feature], list[Feature]]]:
    """Features that repeat, each family with the odd ones among it.

    Of one kind and nearly one size; odd is what differs from the size that most of them have.
    """
    kinds: dict[str, list[Feature]] = {}
    for feature in features:
        kinds.setdefault(feature.kind, []).append(feature)
    out = []
    for own in kinds.values():
        own.sort(key=lambda feature: feature.drawn)
        sizes = np.array([feature.drawn for feature in own])
        near = np.clip(ODD_PART * sizes[:-1], *ODD_WITHIN) + ALIKE
        cuts = np.flatnonzero(np.diff(sizes) > near) + 1
        for group in np.split(np.arange(len(own)), cuts):
            if len(group) > 1:
                out.append(_family([own[k] for k in group]))
    return out


#: Sizes this near, as a part of them and within these bounds in mm, were meant to be alike if most
#: of them are (judgement).
ODD_PART, ODD_WITHIN = 0.1, (0.15, 0.6)
ALIKE = 0.02  # mm


def _family(own: list[Feature]) -> tuple[list[Feature], list[Feature]]:
    sizes = np.array([feature.drawn for feature in own])
    count = (np.abs(sizes[:, None] - sizes) <= ALIKE).sum(axis=1)
    usual = sizes[int(np.argmax(count))]
    like: NDArray[np.bool_] = np.abs(sizes - usual) <= ALIKE
    odd = [f for f, same in zip(own, like, strict=True) if not same]
    return own, odd if like.sum() >= 2 and like.sum() > len(odd) else []
