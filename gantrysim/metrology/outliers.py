"""Stray points on a measured outline: found by how far they are from their neighbours."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from gantrysim.records.arrays import Array

NEIGHBOURS = 4  # on each side; their medians follow kinks and steps of the line itself
LEAST_SIGMA = 0.005  # mm; points of almost no noise must not lose every small feature of the line
ROBUST = 1.4826  # standard deviation of a normal sample in units of its median absolute deviation


def near_neighbours(
    along: Array, deviation: Array, *, sigmas: float | None, closed: bool
) -> NDArray[np.bool_]:
    """Which points lie within so many robust standard deviations of their neighbours.

    The local residual is the deviation minus the median of the four neighbours on each side; its
    robust standard deviation is 1.4826 times the median of its absolute value, at least 5 µm.  A
    point is refused if it is that far from the median of all eight neighbours, of the four before
    and of the four behind: so the true shape of a line, steps included, is kept, and only points
    that stand alone go.

    ``along``: position along the outline, any unit, any order; shape (n,).  ``deviation``:
    deviation across the line, mm; shape (n,).  ``sigmas``: limit; None keeps every point.
    ``closed``: whether the last position has the first for neighbour.  Returns: shape (n,); True
    for points to keep.  All are kept where there are 2 * 4 points or fewer.  ValueError if `sigmas`
    is not above zero.
    """
    if sigmas is None:
        return np.ones(len(along), dtype=bool)
    if not sigmas > 0 or math.isnan(sigmas):
        raise ValueError(f"the outlier limit must be above zero sigmas, found {sigmas}.")
    if len(along) <= 2 * NEIGHBOURS:
        return np.ones(len(along), dtype=bool)
    order = np.argsort(along, kind="stable")
    ordered = deviation[order]
    if closed:
        padded = np.pad(ordered, NEIGHBOURS, mode="wrap")
    else:  # carry the trend on past the ends
        padded = np.pad(ordered, NEIGHBOURS, mode="reflect", reflect_type="odd")
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * NEIGHBOURS + 1)
    sides = (
        np.delete(windows, NEIGHBOURS, axis=1),
        windows[:, :NEIGHBOURS],
        windows[:, NEIGHBOURS + 1 :],
    )
    residuals = np.abs([ordered - np.median(side, axis=1) for side in sides])
    sigma = max(ROBUST * float(np.median(residuals[0])), LEAST_SIGMA)
    keep = np.empty(len(along), dtype=bool)
    keep[order] = residuals.min(axis=0) <= sigmas * sigma
    return keep
