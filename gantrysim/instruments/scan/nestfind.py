"""Finding the rings of a test in a scan: where they lie, how they are turned, dark or light.

Sides of squares give the turn, up to a quarter: many line elements share two directions.  The
place comes from the correlation of the map of lines with the rings as commanded; an affine map is
then fitted to what is found along the stations of all rings, robustly, in steps that look ever
nearer.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.fft import irfft2, next_fast_len, rfft2
from scipy.ndimage import gaussian_filter, gaussian_filter1d, uniform_filter1d, zoom

from gantrysim.instruments.picture import Picture
from gantrysim.instruments.scan.inkmap import InkMap, ink_maps
from gantrysim.instruments.stations import Run, least_gap, runs_of
from gantrysim.pattern.ringtest import RingTest
from gantrysim.pattern.shapes import shape_of
from gantrysim.records.arrays import Array, rotation

COVERED = 0.4  # of the stations must show a line beyond what chance shows
CLEAR = 0.75  # as many leave no doubt
_SPACED = 1.0  # mm: stations of the search
_STRONG = 0.35  # strength that counts as a line
_NEAR = 0.25  # mm: how near a line must lie to a station to count
_GOES_ON = 4.0  # mm along a ring over which a line must go on
_RESOLVED = 6.0  # pixels of the map between rings, or a scale is not tried
_OTHER_SCALES = (0.5, 2.0, 1 / 3, 3.0, 0.25, 4.0, 2 / 3, 1.5, 0.75, 4 / 3, 1 / 6, 6.0)


@dataclass(frozen=True, eq=False)
class Found:
    """Where the pattern of a test lies in a scan.

    Parameters
    ----------
    matrix : ndarray, shape (2, 2)
        A place p of the test, about its pivot, lies at matrix @ p + shift on the picture, mm from
        its lower left corner.
    shift : ndarray, shape (2,)
        See above, mm.
    ink : InkMap
        Map of its lines.
    covered : float
        Part of its stations that show a line, less what chance would show.
    """

    matrix: Array
    shift: Array
    ink: InkMap
    covered: float

    @property
    def turn(self) -> float:
        """Turn of the pattern on the picture, rad counter-clockwise."""
        m = self.matrix
        return math.atan2(m[1, 0] - m[0, 1], m[0, 0] + m[1, 1])

    def carry(self, places: Array) -> Array:
        """Places of the test on the picture, mm."""
        return np.asarray(places @ self.matrix.T + self.shift)

    def across(self, normals: Array) -> Array:
        """Unit normals of the lines on the picture."""
        moved = normals @ np.linalg.inv(self.matrix)
        return np.asarray(moved / np.linalg.norm(moved, axis=-1, keepdims=True))

    def turned(self, quarters: int) -> Found:
        """The same pattern taken as burned a number of quarter turns the other way round."""
        c, s = ((1, 0), (0, 1), (-1, 0), (0, -1))[quarters % 4]
        turn = np.array(((c, -s), (s, c)), dtype=float)
        return replace(self, matrix=self.matrix @ turn)


def find_pattern(
    picture: Picture, test: RingTest, say: Callable[[str], None] | None = None
) -> Found:
    """Find the rings of a test in a scan, at any turn, dark on light or light on dark.

    ``picture``: the scan.  ``test``: what was commanded.  ``say``: called with a line of text
    before each step.  Returns: turned by less than an eighth of a turn where only quarter turns are
    in doubt.  ValueError if there is no such pattern, with a word on the resolution where it has
    another size.
    """
    tell = say or (lambda words: None)
    tell("looking for lines")
    maps = ink_maps(picture, test.line_width)
    tell("looking for the rings")
    turns = [_turns(ink, test) for ink in maps]
    best = _best(maps, test, 1.0, turns)
    if best is not None and best.covered >= COVERED:
        return best
    for scale in _OTHER_SCALES:
        if 2.0 * _reach(test) * scale > 1.5 * math.hypot(*_extent(maps[0])):
            continue
        if least_gap(test) * scale < _RESOLVED * float(maps[0].pitch.max()):
            continue
        tell(f"looking for the rings at {scale:.3g} times their size")
        other = _best(maps, test, scale, [each[: len(each) // 3 or 1] for each in turns])
        if other is not None and other.covered >= CLEAR:
            dpi = picture.dpi[0]
            raise ValueError(
                f"{picture.source}: the rings are there at {scale:.3g} times their commanded size; "
                f"at the {dpi:g} dpi taken, the scan seems to have {dpi * scale:.0f} dpi: "
                "give the right dpi."
            )
    seen = 0.0 if best is None else max(best.covered, 0.0)
    raise ValueError(
        f"{picture.source}: the rings of the test were not found (the best guess shows "
        f"{100 * seen:.0f} % of them); give the scan of this test, whole and in focus."
    )


def _best(
    maps: Sequence[InkMap], test: RingTest, scale: float, turns: Sequence[Sequence[float]]
) -> Found | None:
    """The best place of the pattern over both polarities; None if the picture is too small."""
    runs = runs_of(test, _SPACED)
    every = []
    for ink, own_turns in zip(maps, turns, strict=True):
        own = _best_on(ink, test, runs, scale, own_turns)
        if own is None:
            continue
        if own.covered > CLEAR and _right(own, maps, runs) is ink:
            return own
        every.append(own)
    if not every:
        return None
    found = max(every, key=lambda each: each.covered)
    right = _right(found, maps, runs)
    if right is found.ink:
        return found
    there = replace(found, ink=right)
    again = refined(there, runs, 0.45 * least_gap(test) * scale, scale)
    return max([again, *(o for o in every if o.ink is right)], key=lambda each: each.covered)


def _right(found: Found, maps: Sequence[InkMap], runs: Sequence[Run]) -> InkMap:
    """The map whose lines are the stronger ones: flanks look like faint lines of the other kind."""
    return max(maps, key=lambda ink: _contrast(found, runs, ink))


def _best_on(
    ink: InkMap, test: RingTest, runs: Sequence[Run], scale: float, turns: Sequence[float]
) -> Found | None:
    gap = least_gap(test) * scale
    smooth, step = _lines_only(ink, gap)
    found: Found | None = None
    for turn in turns:
        place = _correlate(smooth, step, runs, turn, scale)
        if place is None:
            continue
        start = Found(scale * rotation(turn), place, ink, 0.0)
        fitted = refined(start, runs, 0.45 * gap, scale)
        for other in _a_ring_off(fitted, test) if fitted.covered > 0.5 * COVERED else ():
            if _covered(other, runs) > fitted.covered + 0.02:
                again = refined(other, runs, 0.45 * gap, scale)
                fitted = again if again.covered > fitted.covered else fitted
        if found is None or fitted.covered > found.covered:
            found = fitted
        if found.covered > CLEAR and not test.told_by_place:
            break
    return found


def _contrast(found: Found, runs: Sequence[Run], ink: InkMap) -> float:
    """Strength of the lines of a kind at the stations of a pattern, unscaled."""
    # the upper quartile: stations off the picture or wiped out do not lower it, a blot here and
    # there does not raise it
    seen = replace(found, ink=ink)
    normals = np.concatenate([run.normal for run in runs])
    off, _, _ = _look(seen, _places(runs), normals, _NEAR)
    at = seen.carry(_places(runs)) + off[:, None] * seen.across(normals)
    return float(np.quantile(ink.at(at, raw=True), 0.75))


def _places(runs: Sequence[Run]) -> Array:
    return np.concatenate([run.place for run in runs])


def _a_ring_off(found: Found, test: RingTest) -> list[Found]:
    """The same pattern shifted by one ring: nested squares nearly repeat themselves there."""
    nests = [nest for nest in test.nests if shape_of(nest.shape).has_corners]
    if not nests or len(nests[0].sizes) < 2:
        return []
    gap = float(np.median(np.diff(nests[0].sizes)))
    steps = [(i, j) for i in (-1, 0, 1) for j in (-1, 0, 1) if i or j]
    shifts = [found.shift + found.matrix @ (gap * np.array(step)) for step in steps]
    return [replace(found, shift=shift, covered=0.0) for shift in shifts]


def _extent(ink: InkMap) -> tuple[float, float]:
    rows, columns = ink.strength.shape
    return columns * float(ink.pitch[0]), rows * float(ink.pitch[1])


def _reach(test: RingTest) -> float:
    """Furthest place of the pattern from its pivot, mm."""
    return float(np.hypot(*_places(runs_of(test, _SPACED)).T).max())


def _turns(ink: InkMap, test: RingTest) -> list[float]:
    """Turns to try, rad: where the sides of squares point; 0 for circles alone."""
    if not any(shape_of(nest.shape).has_corners for nest in test.nests):
        return [0.0]
    rows, columns = np.nonzero(ink.strength > _STRONG)
    if len(rows) < 50:
        return []
    angle = ink.angle[rows, columns].astype(float) % (0.5 * math.pi)
    count, _ = np.histogram(angle, 360, (0.0, 0.5 * math.pi))
    smooth = gaussian_filter1d(count.astype(float), 4.0, mode="wrap")
    xy = np.column_stack((columns, rows)) * ink.pitch
    peaks: list[float] = []
    for k in np.argsort(smooth)[::-1]:
        at = (k + 0.5) * 0.5 * math.pi / 360
        if all(abs(_folded(at - other)) > math.radians(6.0) for other in peaks):
            peaks.append(at)
        if len(peaks) == 3:
            break
    sharp = [_sharpened(xy, angle, peak) for peak in peaks]
    folded = [float(_folded(turn)) for turn in sharp]
    if test.told_by_place:
        return [turn + k * 0.5 * math.pi for turn in folded for k in range(4)]
    return folded


def _folded(angle: ArrayLike) -> Array:
    """An angle modulo a quarter turn, within an eighth of a turn of 0."""
    quarter = 0.5 * math.pi
    return np.asarray((np.asarray(angle) + 0.5 * quarter) % quarter - 0.5 * quarter)


def _sharpened(xy: Array, angle: Array, about: float) -> float:
    """The turn near a first guess that puts the line elements on the sharpest rows."""
    near = np.abs(_folded(angle - about)) < math.radians(8.0)
    if not near.any():
        return about
    places = xy[near] - xy.mean(axis=0)
    if len(places) > 40_000:
        places = places[:: len(places) // 40_000 + 1]
    best = (0.0, about)
    for spread, step in ((3.0, 0.15), (0.15, 0.03)):
        centre = best[1]
        for turn in centre + np.radians(np.arange(-spread, spread + step / 2, step)):
            c, s = math.cos(turn), math.sin(turn)
            sharp = 0.0
            for along in (places @ (c, s), places @ (-s, c)):
                count = np.bincount(((along - along.min()) / 0.12).astype(np.int64))
                sharp += float(np.sum(count.astype(float) ** 2))
            if sharp > best[0]:
                best = (sharp, float(turn))
    return best[1]


def _lines_only(ink: InkMap, gap: float) -> tuple[Array, float]:
    """The map less its own broad mean, at a coarser step (mm) that still parts the rings."""
    step = min(0.25, gap / 6.0)
    factor = max(1, math.floor(step / float(ink.pitch.max())))
    rows, columns = (n // factor for n in ink.strength.shape)
    blocks = ink.strength[: rows * factor, : columns * factor]
    small = blocks.reshape(rows, factor, columns, factor).mean(axis=(1, 3))
    if ink.pitch[0] != ink.pitch[1]:
        size = (1.0, ink.pitch[0] / ink.pitch[1])
        small = zoom(small, size, order=1, grid_mode=True, mode="nearest")
    step = factor * float(ink.pitch[1])
    blur = 0.18 / step
    broad = gaussian_filter(small, max(3.0 * blur, 0.5 * gap / step))
    return gaussian_filter(small, blur) - broad, step


def _correlate(
    shrunk: Array, step: float, runs: Sequence[Run], turn: float, scale: float
) -> Array | None:
    """Where the pattern fits best at one turn: the shift of its pivot, mm."""
    c, s = scale * math.cos(turn), scale * math.sin(turn)
    dense = 0.7 * step / scale
    denser = []
    for run in runs:
        n = max(1, math.ceil(run.step / dense))
        along = np.tile(((np.arange(n) + 0.5) / n - 0.5) * run.step, len(run.place))[:, None]
        tangent = np.column_stack((-run.normal[:, 1], run.normal[:, 0]))
        denser.append(np.repeat(run.place, n, axis=0) + along * np.repeat(tangent, n, axis=0))
    places = np.concatenate(denser)
    cells = np.round(places @ np.array(((c, s), (-s, c))) / step).astype(np.int64)
    low = cells.min(axis=0)
    wide_cells = cells.max(axis=0) - low + 1
    if (wide_cells > 1.5 * np.array(shrunk.shape[::-1]) + 40).any():
        return None
    template = np.zeros(wide_cells[::-1], np.float32)
    np.add.at(template, (cells[:, 1] - low[1], cells[:, 0] - low[0]), 1.0)
    both = zip(shrunk.shape, template.shape, strict=True)
    size = [int(next_fast_len(a + b - 1, real=True)) for a, b in both]
    fit = irfft2(rfft2(shrunk, size) * rfft2(template[::-1, ::-1], size), size)
    row, column = np.unravel_index(int(np.argmax(fit)), fit.shape)
    # the template's cell (0, 0) lies at `low`; full convolution is offset by its size less one
    first = np.array((column, row)) - (np.array(template.shape[::-1]) - 1)
    return np.asarray((first - low + 0.5) * step)


def refined(start: Found, runs: Sequence[Run], reach: float, scale: float = 1.0) -> Found:
    """Fit an affine map to the lines near the stations, looking ever nearer.

    ``start``: where to start.  ``runs``: stations.  ``reach``: how far from a station a line may
    lie at first, mm.  ``scale``: expected scale.
    """
    places, normals = _places(runs), np.concatenate([run.normal for run in runs])
    found = start
    for share in (1.0, 0.7, 0.5, 0.4, 0.4, 0.4):
        off, weight, _ = _look(found, places, normals, max(share * reach, 0.3))
        across = found.across(normals)
        along = np.column_stack((places, np.ones(len(places))))
        columns = np.column_stack((across[:, :1] * along, across[:, 1:] * along))
        # stretch, shear and what a step turns stay small: 1 % at one standard deviation, against
        # 0.1 mm a station; no station of concentric circles sees a turn, and once they are a
        # little oval a turn of half a circle would, to first order, undo their stretch
        prior = _shape_prior(found.matrix, scale) * (0.1 / 0.01)
        wanted = np.array((1.0, 1.0, 0.0, 0.0)) * (0.1 / 0.01)
        goal = np.concatenate((off * weight, wanted - prior @ found.matrix.ravel()))
        table = np.vstack((columns * weight[:, None], np.insert(prior, (2, 4), 0.0, axis=1)))
        a = np.linalg.lstsq(table, goal, rcond=None)[0]
        matrix, shift = a.reshape(2, 3)[:, :2], a[[2, 5]]
        found = replace(found, matrix=found.matrix + matrix, shift=found.shift + shift)
        if not 0.8 * scale < math.sqrt(abs(np.linalg.det(found.matrix))) < 1.25 * scale:
            return replace(start, covered=-1.0)
    return replace(found, covered=_covered(found, runs))


def _covered(found: Found, runs: Sequence[Run]) -> float:
    """Part of the stations that show a line nearby, less what chance shows a little elsewhere."""
    # a line is ink that goes on along the ring and points that way; and it must be there on all
    # sides, for stripes of the wood show half of many patterns
    span = float(np.hypot(*_places(runs).T).max())
    matrix, shift = found.matrix @ rotation(0.12), found.shift + 0.06 * span
    elsewhere = replace(found, matrix=matrix, shift=shift)
    x, y = np.concatenate([run.normal for run in runs]).T
    side = (np.arctan2(y, x) / (0.5 * math.pi) + 4.5).astype(int) % 4
    parts = []
    for each in (found, elsewhere):
        seen = np.concatenate([_goes_on(each, run) for run in runs])
        parts.append([float(seen.mean()), *(float(seen[side == k].mean()) for k in range(4))])
    shown, chance = (min(part[0], 2.0 * min(part[1:])) for part in parts)
    return (shown - chance) / max(1.0 - chance, 0.2)


def _goes_on(found: Found, run: Run) -> NDArray[np.bool_]:
    """Stations near which ink goes on along a run."""
    ink = found.ink
    step = float(ink.pitch.mean())
    count = math.ceil(_NEAR / step)
    offsets = np.arange(-count, count + 1) * step
    across = found.across(run.normal)
    at = found.carry(run.place)[:, None] + offsets[:, None] * across[:, None, :]
    strength = ink.at(at) * ink.agreement(at, across)
    number = max(3, round(_GOES_ON / run.step))
    mode = "wrap" if run.closed else "nearest"
    along = uniform_filter1d(strength, min(number, len(strength)), axis=0, mode=mode)
    return np.asarray(along.max(axis=1) > _STRONG)


def _shape_prior(matrix: Array, scale: float) -> Array:
    """Rows that read stretch, shear and turn off a change of the matrix, in the turned frame."""
    turn = math.atan2(matrix[1, 0] - matrix[0, 1], matrix[0, 0] + matrix[1, 1])
    c, s = math.cos(turn), math.sin(turn)
    # R^T M for M as (m00, m01, m10, m11): its diagonal, the sum off it, the difference off it
    rows = ((c, 0.0, s, 0.0), (0.0, -s, 0.0, c), (-s, c, c, s), (-s, -c, c, -s))
    return np.array(rows) / scale


def _look(found: Found, places: Array, normals: Array, reach: float) -> tuple[Array, Array, Array]:
    """Distance to the line near each station, its weight, and its strength."""
    across = found.across(normals)
    step = 0.5 * float(found.ink.pitch.mean())
    offsets = np.arange(-math.ceil(reach / step), math.ceil(reach / step) + 1) * step
    at = found.carry(places)[:, None] + offsets[:, None] * across[:, None, :]
    strength = found.ink.at(at)
    pull = strength * np.exp(-0.5 * (offsets / (0.6 * reach)) ** 2)
    best = np.argmax(pull, axis=1)
    rows = np.arange(len(places))
    height = strength[rows, best]
    off = offsets[best]
    middle = float(np.median(off[height > _STRONG])) if (height > _STRONG).any() else 0.0
    spread = 1.4826 * float(np.median(np.abs(off - middle))) + 0.02
    weight = np.where(height > _STRONG, np.sqrt(height), 0.0)
    weight = weight / (1.0 + ((off - middle) / (2.0 * spread)) ** 2)
    return off, weight, height
