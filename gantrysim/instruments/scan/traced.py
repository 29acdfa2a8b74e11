"""Tracing every ring of a found pattern: ways, profile, and one point a millimetre or so.

The rings are followed on the coarse map, each line marks the pixels that its ink covers, and the
fit to the raw pixels then leaves out what other lines touch.  Profile and places are found in turn.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from gantrysim.instruments.picture import Picture
from gantrysim.instruments.scan.doubled import Double, suspected, together, two_lines
from gantrysim.instruments.scan.follow import follow_all
from gantrysim.instruments.scan.nestfind import Found
from gantrysim.instruments.scan.ridges import (
    FLANK,
    Fitted,
    Profile,
    Strip,
    fit_strip,
    profile_of,
    strip_of,
)
from gantrysim.instruments.stations import Run, least_gap, runs_of
from gantrysim.pattern.ringtest import RingTest
from gantrysim.records.arrays import Array

FINE = 0.25  # mm: about the length of line of one fit
_WIDEST = 3.0  # mm: most that a line is looked for off its place
_EDGE = 0.9  # of that: a whole run that far off is an edge of the piece, or another line
_CORNER = 0.25  # mm of a side left out at its ends, beside what the crossing side covers
OPTICS = 0.035  # mm: blur of the scanner's optics to begin with, a standard deviation
_SLACK = 1.5  # pixels beside a line that its ink may still touch
_LEAST = 20  # places of all rings that must have been fitted
_STRAY = 6.0  # robust standard deviations off the neighbours
_LEAST_STRAY = 0.02  # mm; steps of a sticking axis are real
_BROAD = 2.0  # times the usual misfit: the line may be two
_JUMP = 0.25  # mm from one fit to the next good one: no burned line goes on like that
_ISLAND = 6.0  # mm: a shorter stretch off both of its neighbours is grain that looks like a line
_SYSTEMATIC = 0.01  # of a pixel: what an even profile and exact pixels still leave
# Lines about as narrow as a pixel that run along its rows seem to jump from row to row: so many
# pixels (rms) off for lines of so many pixels, measured on drawn lines of 0.08 to 0.22 mm at 120
# to 600 dpi within 1.1 degrees of the rows; less in between.
_ROWS = ((1.3, 0.15), (2.5, 0.01))


@dataclass(frozen=True, eq=False)
class Traced:
    """A traced run: points at the middle of equal steps along it.

    Parameters
    ----------
    run : Run
        Stations of the points.
    off : ndarray, shape (n,)
        Distance of the line from each station along its normal, mm; nan where nothing was read.
    u : ndarray, shape (n,)
        Standard uncertainty of it, mm.
    doubles : dict of int to Double
        Stations at which two lines were read.
    width : float
        Usual width of the line, mm.
    """

    run: Run
    off: Array
    u: Array
    doubles: dict[int, Double]
    width: float


@dataclass(frozen=True, eq=False)
class LineFits:
    """Lines fitted to the raw pixels, with what was learned of them together.

    Parameters
    ----------
    fits : list of Fitted
        One a run.
    profile : Profile
        Of a line.
    usual : float
        Usual height of it, grey levels.
    owners : Owners
        Which pixels the ink of each line covers.
    """

    fits: list[Fitted]
    profile: Profile
    usual: float
    owners: Owners


def fit_lines(
    picture: Picture,
    found: Found,
    runs: Sequence[Run],
    ways: Sequence[Array],
    width: float,
    *,
    least: int = 0,
) -> LineFits:
    """Fit burned lines that were followed; profile and places are found in turn.

    ``runs``, ``ways``: stations of each line, and how far off them it was followed, mm.  ``width``:
    of a line to begin with, mm.  ``least``: ValueError where fewer places than this were fitted.
    """
    pitch = float(picture.pitch.mean())
    blur = float(np.hypot(OPTICS, pitch / np.sqrt(12.0)))  # a pixel averages over its own side
    profile = Profile.bar(width, blur, 3.0 * width, 0.005)
    usual = 0.0
    for rounds in (2, 1, 2):
        near = 0.5 * profile.width + max(FLANK, 3.0 * pitch)
        strips = [
            strip_of(picture, found, run, way, near) for run, way in zip(runs, ways, strict=True)
        ]
        owners = Owners.of(picture, strips, ways, 0.5 * profile.width + _SLACK * pitch)
        masks = [owners.free(strip, way) for strip, way in zip(strips, ways, strict=True)]
        fits = [
            fit_strip(strip, way, profile, mine, usual, rounds)
            for strip, way, mine in zip(strips, ways, masks, strict=True)
        ]
        ways = [fit.way for fit in fits]
        heights = [fit.height[fit.good] for fit in fits]
        fitted = sum(map(len, heights))
        if fitted < least:
            raise ValueError(f"{picture.source}: too little of the rings could be traced.")
        usual = float(np.median(np.concatenate(heights))) if fitted else 0.0
        if rounds == 2:
            profile = profile_of(strips, fits, masks, 0.25 * pitch, near) or profile
    return LineFits(fits, profile, usual, owners)


def trace(
    picture: Picture, test: RingTest, found: Found, spacing: float, say: Callable[[str], None]
) -> list[Traced]:
    """Trace all rings of a pattern.

    ``picture``, ``test``, ``found``: the scan, what was commanded, and where it lies.  ``spacing``:
    about the distance of points, mm.  ``say``: called with a line of text before each step.
    """
    parts = max(1, round(spacing / FINE))
    runs = runs_of(test, spacing / parts, clear=_CORNER, parts=parts)
    gap = least_gap(test)
    reach = min(0.5 * gap, _WIDEST)
    say("following the rings")
    ways = follow_all(found, runs, reach)
    pitch = float(picture.pitch.mean())
    say("fitting the lines")
    lines = fit_lines(picture, found, runs, ways, test.line_width, least=_LEAST)
    fits, profile, usual, owners = lines.fits, lines.profile, lines.usual, lines.owners
    fits = [fit if np.median(np.abs(fit.way)) < _EDGE * reach else fit.unread for fit in fits]
    say("sorting the points")
    rough = float(np.median(np.concatenate([fit.rough[fit.good] for fit in fits])))
    apart = min(0.8, 0.4 * gap)
    traced = []
    for run, fit in zip(runs, fits, strict=True):
        doubles: dict[int, Double] = {}
        if run.passes > 1:
            suspects = suspected(fit, parts, _BROAD * rough)
            for k in suspects:
                cut = slice(k * parts, (k + 1) * parts)
                stretch = replace(run, place=run.place[cut], normal=run.normal[cut], part=True)
                way, reach = fit.way[cut], 0.5 * profile.width + apart
                strip = strip_of(picture, found, stretch, way, reach)
                double = two_lines(strip, way, owners.free(strip, way), profile, usual, apart)
                if double is not None:
                    doubles[k] = double
        rows = _along_rows(found.across(run.normal), spacing, profile.width, pitch)
        traced.append(_grouped(run, fit, parts, together(doubles), profile.width, rows))
    return traced


def _along_rows(across: Array, spacing: float, width: float, pitch: float) -> Array:
    """What the rows of pixels leave unknown of fits averaged over a spacing, mm, shape (n,)."""
    (narrow, most), (wide, least) = _ROWS
    part = float(np.clip((width / pitch - narrow) / (wide - narrow), 0.0, 1.0))
    off = most ** (1.0 - part) * least**part
    # rows that a point crosses average out: the envelope of a sinc
    lean = np.abs(across).min(axis=1) / np.abs(across).max(axis=1)
    left = off / np.hypot(1.0, np.pi * lean * spacing / pitch)
    return np.asarray(pitch * np.maximum(left, _SYSTEMATIC))


@dataclass(frozen=True, eq=False)
class Owners:
    """How many lines cover each pixel of the picture with their ink.

    Parameters
    ----------
    count : ndarray of uint8, shape (pixels,)
        Lines on each pixel.
    margin : float
        Half the width that a line covers, mm.
    """

    count: NDArray[np.uint8]
    margin: float

    @classmethod
    def of(
        cls, picture: Picture, strips: Sequence[Strip], ways: Sequence[Array], margin: float
    ) -> Owners:
        """Count the lines."""
        count = np.zeros(picture.grey.size, np.uint8)
        for strip, way in zip(strips, ways, strict=True):
            own = np.unique(strip.where[np.abs(strip.off(way)) < margin])
            count[own] += count[own] < 255
        return cls(count, margin)

    def free(self, strip: Strip, way: Array) -> NDArray[np.bool_]:
        """Which pixels of a strip no other line covers."""
        return np.asarray(self.count[strip.where] <= (np.abs(strip.off(way)) < self.margin))


def _grouped(
    run: Run, fit: Fitted, parts: int, doubles: dict[int, Double], width: float, rows: Array
) -> Traced:
    """Average fits over the stations of a point; strays are left out."""
    good = fit.good & ~_strays(fit.way, fit.good, run.closed)
    good &= ~_islands(fit.way, good, run)
    ratio = _excess(fit, good)
    weight = np.where(good, 1.0 / np.maximum(fit.u, 1e-6) ** 2, 0.0).reshape(-1, parts)
    # a step between the parts is real: parts count alike unless they were read far worse
    best = weight.max(axis=1, keepdims=True)
    even = np.where(weight > 0.1 * best, 1.0, 0.0) * (weight > 0)
    along = (np.arange(parts) - 0.5 * (parts - 1)) * run.step
    count = even.sum(axis=1)
    lean = (even * along).sum(axis=1) / np.maximum(count, 1)
    off = (even * fit.way.reshape(-1, parts)).sum(axis=1) / np.maximum(count, 1)
    # what is missing at one end of a step shifts the mean along the line: taken back by the slope
    slope = np.gradient(fit.way, run.step).reshape(-1, parts).mean(axis=1)
    off = off - slope * lean
    variance = (even / np.maximum(weight, 1e-12)).sum(axis=1) / np.maximum(count, 1) ** 2
    u = np.sqrt(variance * ratio + np.square(rows).reshape(-1, parts).mean(axis=1))
    off[count < 0.5 * parts] = np.nan
    place, normal = _middles(run, parts)
    merged = replace(run, place=place, normal=normal, step=run.step * parts)
    return Traced(merged, off, u, doubles, width)


def _middles(run: Run, parts: int) -> tuple[Array, Array]:
    """Places and normals in the middle of each group of stations."""
    shape = (-1, parts, 2)
    normal = run.normal.reshape(shape).mean(axis=1)
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    place = run.place.reshape(shape).mean(axis=1)
    if run.bend > 0.0:  # the mean of places on an arc lies inside it
        half = 0.5 * (parts - 1) * run.step * run.bend
        inside = np.mean(1.0 - np.cos(np.linspace(-half, half, parts))) / run.bend
        place = place + inside * normal
    return place, normal


def _strays(way: Array, good: NDArray[np.bool_], closed: bool) -> NDArray[np.bool_]:
    """Stations that stand off the median of their neighbours."""
    if good.sum() < 9:
        return np.zeros(len(way), dtype=bool)
    off = np.abs(way - median_filter(way, 9, mode="wrap" if closed else "nearest"))
    scale = 1.4826 * float(np.median(off[good]))
    return off > max(_STRAY * scale, _LEAST_STRAY)


def _islands(way: Array, good: NDArray[np.bool_], run: Run) -> NDArray[np.bool_]:
    """Stations of short stretches that stand off what goes on before and after them."""
    out = np.zeros(len(way), dtype=bool)
    at = np.flatnonzero(good)
    pieces = np.split(at, np.flatnonzero(np.abs(np.diff(way[at])) > _JUMP) + 1)
    if run.closed and len(pieces) > 1 and abs(way[at[0]] - way[at[-1]]) <= _JUMP:
        pieces[0] = np.concatenate((pieces.pop(), pieces[0]))
    if len(pieces) < 2:
        return out
    for k, piece in enumerate(pieces):
        ends = []  # how far it stands off what comes before and after
        if k > 0 or run.closed:
            ends.append(way[piece[0]] - way[pieces[k - 1][-1]])
        if k < len(pieces) - 1 or run.closed:
            ends.append(way[piece[-1]] - way[pieces[(k + 1) % len(pieces)][0]])
        same = min(ends) > 0.0 or max(ends) < 0.0
        # at the end of a side only one neighbour says so: half as long
        out[piece] = same and len(piece) * run.step < _ISLAND * len(ends) / 2.0
    return out


def _excess(fit: Fitted, good: NDArray[np.bool_]) -> float:
    """Variance of neighbouring fits over what the noise of their pixels explains, 1 or more."""
    both = good[:-2] & good[1:-1] & good[2:]
    if both.sum() < 10:
        return 1.0
    second = (fit.way[:-2] - 2.0 * fit.way[1:-1] + fit.way[2:])[both]
    stated = (fit.u[:-2] ** 2 + 4.0 * fit.u[1:-1] ** 2 + fit.u[2:] ** 2)[both]
    return max(1.0, float(np.median(second**2 / stated)) / 0.455)


def all_points(found: Found, traced: Traced) -> Array:
    """Points of a traced run on the picture, mm, shape (n, 2); nan where nothing was read."""
    run = traced.run
    return found.carry(run.place) + traced.off[:, None] * found.across(run.normal)
