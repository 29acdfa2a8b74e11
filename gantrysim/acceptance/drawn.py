"""Worst values of a burn whose lines are known exactly, quickly: for many predicted burns."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from gantrysim.acceptance.tolerance import Tolerance
from gantrysim.metrology.noisyrings import exact_roundness
from gantrysim.metrology.squares import END_MARGIN
from gantrysim.pattern.ringtest import Line, RingTest
from gantrysim.pattern.shapes import shape_of
from gantrysim.records.arrays import Array


def worst_of_lines(
    lines: Sequence[Line], commanded: Sequence[Array], test: RingTest, tolerance: Tolerance
) -> dict[str, float]:
    """Worst value of each tolerated characteristic over all rings and passes of a burn.

    ``lines``: burned lines in drawing order, mm.  ``commanded``: where their samples would lie on a
    faultless machine, mm; shape (n, 2).  ``test``: what was commanded.  ``tolerance``: what is
    asked for.  Returns: by characteristic, in its unit; size and squareness signed.  What the burn
    does not have is left out.
    """
    limits = tolerance.limits
    chosen = [
        (line, np.asarray(base))
        for line, base in zip(lines, commanded, strict=True)
        if line.size >= tolerance.least_size
    ]
    values: dict[str, list[float]] = {name: [] for name in limits}
    radii: dict[tuple[str, int], list[float]] = {}
    passes: dict[tuple[str, int], list[Array]] = {}
    form = {"roundness", "size", "spacing", "squareness"} & set(limits)
    for line, base in chosen:
        if "closure" in limits:
            values["closure"].append(float(np.hypot(*(line.xy[-1] - line.xy[0]))))
        if "overlay" in limits:
            passes.setdefault((line.shape, line.ring), []).append(_outward(line, base))
        if not form:
            continue
        if line.shape == "circle":
            radius, roundness = exact_roundness(
                line.xy, line.size, tolerance.cutoff, tolerance.reference
            )
            values.get("roundness", []).append(roundness)
            values.get("size", []).append(2.0 * (radius - line.size))
        else:
            width, height, square = _square(line, base)
            radius = 0.25 * (width + height)
            values.get("size", []).extend((width - 2.0 * line.size, height - 2.0 * line.size))
            values.get("squareness", []).append(square)
        radii.setdefault((line.shape, line.ring), []).append(radius)
    if "spacing" in limits:
        values["spacing"] = _spacing(radii, test)
    if "overlay" in limits:
        values["overlay"] = [_apart(each) for each in passes.values() if len(each) > 1]
    return {name: max(found, key=abs) for name, found in values.items() if found}


def _square(line: Line, base: Array) -> tuple[float, float, float]:
    """Width and height (mm) between mid-sides, and squareness (mrad)."""
    half = line.size
    centre = 0.5 * (base.min(axis=0) + base.max(axis=0))
    at, error = base - centre, line.xy - base
    lines = []
    for axis, sign in ((0, 1.0), (1, 1.0), (0, -1.0), (1, -1.0)):
        along = at[:, 1 - axis]
        on = np.abs(at[:, axis] - sign * half) < 1e-6 * half
        on &= np.abs(along) <= half * (1.0 - END_MARGIN)
        columns = np.column_stack((np.ones(int(on.sum())), along[on]))
        lines.append(np.linalg.lstsq(columns, error[on, axis], rcond=None)[0])
    (right, right_turn), (top, top_turn), (left, left_turn), (bottom, bottom_turn) = lines
    width, height = 2.0 * half + right - left, 2.0 * half + top - bottom
    lean = 0.5 * (right_turn + left_turn) + 0.5 * (top_turn + bottom_turn)
    return float(width), float(height), 1e3 * float(lean)


def _spacing(radii: dict[tuple[str, int], list[float]], test: RingTest) -> list[float]:
    """Standard deviation of the spacing of neighbouring rings, by shape, mm."""
    out = []
    for nest in test.nests:
        rings = sorted(ring for shape, ring in radii if shape == nest.shape)
        if len(rings) < 3 or any(np.diff(rings) != 1):
            continue
        error = [float(np.mean(radii[nest.shape, r])) - nest.sizes[r] for r in rings]
        out.append(float(np.std(np.diff(error), ddof=1)))
    return out


def _outward(line: Line, base: Array) -> Array:
    """Error along the outward normal of every sample clear of corners, mm."""
    at = base - 0.5 * (base.min(axis=0) + base.max(axis=0))
    shape = shape_of(line.shape)
    across = np.sum((line.xy - base) * shape.normal(at), axis=1)
    clear = np.abs(at).min(axis=1) <= line.size * (1.0 - END_MARGIN)
    return np.asarray(across[clear] if shape.has_corners else across)


def _apart(passes: list[Array]) -> float:
    """Root mean square distance across the line over all pairs of passes, mm."""
    n = min(map(len, passes))
    table = np.array([each[:n] for each in passes])
    count = len(table)
    return float(np.sqrt(np.mean(table.var(axis=0)) * 2.0 * count / (count - 1)))
