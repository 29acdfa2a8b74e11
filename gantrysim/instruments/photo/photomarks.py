"""References of known size in a photograph: a card, a printed grid, a steel rule.

Each says which straight lines of it are known, and where, in its own frame (mm); `sight` finds them
in the picture to a fraction of a pixel, on profiles across the lines.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Any, BinaryIO

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d, map_coordinates

from gantrysim.instruments.photo.plane import Plane, Sightings, first_guess, fit_plane
from gantrysim.records.arrays import Array
from gantrysim.records.checks import finite_number, positive, shortened, whole_number
from gantrysim.records.doors import checked
from gantrysim.records.files import AnyPath, write_new_file

#: What an edge or a line is read wrong by, pixels (judgement): the same all along it, as light, ink
#: and blur pull it to one side, and on each profile by itself.
PULL, NOISE = 0.1, 0.05
#: Type hint of about where the corners of a reference are.
Corners = Annotated[Sequence[Sequence[float]], "four places (column, row) in pixels"]
PROFILES = 40  # across each edge of a card
LEAST_PITCH = 6.0  # pixels from one line to the next, that they can be told apart
_SMOOTH = 1.2  # pixels
_STEP = 0.25  # of a pixel along a profile
_LEAN = 0.15  # most by which the near end of a rule may look longer than the far one
#: Looks at the picture, and fits to ever nearer sightings in each; most misfit of the last, in the
#: sightings' own uncertainty; fewest sightings, and part of those there might be.
_TURNS, _TRIMS, _WILD, _LEAST_SEEN, _LEAST_PART = 3, 6, 10.0, 8, 0.15
_PRINTED = 0.4  # mm: width of the lines of a printed grid
_OUTER = 0.6  # part of the lines in a grid's outer cells that must be there, or must not
_STRAY = 4.0  # robust standard deviations

#: Places on known lines, mm, their normals, and the number of the line that each is on.
Known = tuple[Array, Array, NDArray[np.int64]]


@checked
@dataclass(frozen=True)
class Card:
    """A card of the size ID-1 of ISO/IEC 7810, as bank cards are: 85.60 by 53.98 mm.

    Parameters
    ----------
    corners : four (column, row), optional
        About where its corners are in the picture, to a few per cent of its size, in pixels, in
        order round it; the corners of its outline, as if they were not rounded.  Looked for if
        absent: lay it on a ground much lighter or darker than it, clear of everything.
    width, height : float
        Its sides, mm.  Measured by calipers they are surer than by the standard.
    uncertainty : (float, float)
        Standard uncertainty of both, mm; the standard leaves 85.47 to 85.72 and 53.92 to 54.03
        (from memory), rectangular.
    raised : float
        Its face above the burned face, mm: its thickness if it lies on the piece; 0 if it is packed
        up to be level with it.
    beside : bool
        True says that it lies beside the piece, on what the piece lies on: ``raised`` is then its
        own thickness of 0.76 mm less that of the piece.
    thickness : float, optional
        Of the piece, mm; with ``beside`` only.

    Examples
    --------
    >>> import gantrysim as gs
    >>> gs.instruments.Card(raised=0.0)  # packed up to be level with the piece
    Card(corners=None, width=85.6, height=53.98, uncertainty=(0.072, 0.032), raised=0.0)
    >>> round(gs.instruments.Card(beside=True, thickness=3.0).raised, 2)  # on the bench, mm
    -2.24
    >>> gs.read_photo("photo.jpg", "test.json", gs.instruments.Card())  # doctest: +SKIP
    """

    corners: Corners | None = None
    width: float = 85.60
    height: float = 53.98
    uncertainty: Annotated[tuple[float, float], "two lengths in mm"] = (0.072, 0.032)
    raised: float = 0.76
    beside: bool = field(default=False, repr=False, kw_only=True)
    thickness: float | None = field(default=None, repr=False, kw_only=True)

    RADIUS = 3.18  # mm, of the corners
    OWN = 0.76  # mm, its thickness (ISO/IEC 7810, from memory)
    tilt_deg = None
    edge = True

    def __post_init__(self) -> None:
        positive(self.width, "width")
        positive(self.height, "height")
        finite_number(self.raised, "raised")
        if self.beside != (self.thickness is not None):
            raise ValueError(
                "thickness of the piece, mm, must be given with beside=True, and with it only; "
                f"found beside={self.beside} and thickness={self.thickness}."
            )
        if self.thickness is not None:
            if self.raised not in (self.OWN, self.OWN - self.thickness):
                raise ValueError(
                    f"raised follows from thickness where the card lies beside the piece; leave it "
                    f"out, found {self.raised:g}."
                )
            thickness = positive(self.thickness, "thickness")
            object.__setattr__(self, "raised", self.OWN - thickness)
        for part in self.uncertainty:
            positive(part, "uncertainty")
        if self.corners is not None:
            object.__setattr__(self, "corners", _places(self.corners, 4, "corners"))

    @property
    def relative(self) -> tuple[float, float]:
        """Standard uncertainty of its scale along x and y."""
        return self.uncertainty[0] / self.width, self.uncertainty[1] / self.height

    def placed(self, grey: NDArray[Any]) -> Plane:
        """A first guess by the corners: the longer sides lie along x."""
        assert self.corners is not None
        corners = ordered(np.array(self.corners), self.width > self.height)
        return first_guess(corners, _rectangle(self.width, self.height), grey.shape)

    def lines(self) -> Known:
        """Places on its edges, their outward normals, and which edge each is on."""
        clear = self.RADIUS + 1.5
        along, up = (np.linspace(clear, s - clear, PROFILES) for s in (self.width, self.height))
        none = np.zeros(PROFILES)
        edges = ((along, none), (none + self.width, up), (along, none + self.height), (none, up))
        places = np.concatenate([np.column_stack(edge) for edge in edges])
        outward = np.array([(0, -1), (1, 0), (0, 1), (-1, 0)], dtype=float)
        owner = np.repeat(np.arange(4), PROFILES)
        return places, outward[owner], owner

    def reach(self) -> float:
        """How far off its guessed place a line is looked for, mm."""
        return 0.05 * min(self.width, self.height)


@checked
@dataclass(frozen=True)
class Grid:
    """A printed grid of straight dark lines, the piece within or beside it.

    Parameters
    ----------
    pitch : float
        From line to line, mm, along both.
    columns, rows : int
        How many lines across and up.
    corners : four (column, row), optional
        About where its outermost crossings are in the picture, to a third of the pitch, in pixels,
        in order round it, the first two on one row.  Looked for if absent: its outer lines must be
        seen all round, and end near their outermost crossings.
    uncertainty : float
        Standard uncertainty of its pitch, relative, along each way by itself.  A printer's paper
        feed is good to a few parts in a thousand (common practice, no source): measure across the
        whole grid, both ways, with calipers or a rule.
    raised : float
        The grid's face above the burned face, mm; below zero for a piece that lies on it: minus its
        thickness.

    Examples
    --------
    >>> import gantrysim as gs
    >>> grid = gs.instruments.Grid(pitch=10.0, columns=20, rows=15, raised=-3.0)
    >>> grid.relative
    (0.001, 0.001)
    """

    pitch: float
    columns: int
    rows: int
    corners: Corners | None = None
    uncertainty: float = 0.001
    raised: float = 0.0

    tilt_deg = None
    edge = False

    def __post_init__(self) -> None:
        positive(self.pitch, "pitch")
        whole_number(self.columns, "columns", least=2)
        whole_number(self.rows, "rows", least=2)
        positive(self.uncertainty, "uncertainty")
        finite_number(self.raised, "raised")
        if self.corners is not None:
            object.__setattr__(self, "corners", _places(self.corners, 4, "corners"))

    @property
    def relative(self) -> tuple[float, float]:
        """Standard uncertainty of its scale along x and y."""
        return self.uncertainty, self.uncertainty

    def to_svg(self, path: AnyPath, *, overwrite: bool = False) -> Path:
        """Draw it for a printer, true to size in mm; returns the path.

        Print it at 100 per cent, and measure across it both ways: a printer is off by a few parts
        in a thousand.

        Raises
        ------
        FileExistsError
            If the file exists and `overwrite` is false.
        """
        edge = self.pitch  # bare paper round it, by which its outer lines are told
        x = [edge + i * self.pitch for i in range(self.columns)]
        y = [edge + j * self.pitch for j in range(self.rows)]
        across = "".join(f"M{a:g} {y[0]:g}V{y[-1]:g}" for a in x)
        up = "".join(f"M{x[0]:g} {b:g}H{x[-1]:g}" for b in y)
        wide, high = x[-1] + edge, y[-1] + edge
        text = (
            f'<svg xmlns="http://www.w3.org/2000/svg" width="{wide:g}mm" height="{high:g}mm" '
            f'viewBox="0 0 {wide:g} {high:g}"><path d="{across}{up}" fill="none" stroke="black" '
            f'stroke-width="{_PRINTED:g}" stroke-linecap="square"/></svg>\n'
        )

        def write(out: BinaryIO) -> None:
            out.write(text.encode())

        return write_new_file(path, write, overwrite=overwrite)

    def placed(self, grey: NDArray[Any]) -> Plane:
        """A first guess by the corners."""
        assert self.corners is not None
        x, y = (self.columns - 1) * self.pitch, (self.rows - 1) * self.pitch
        corners = np.array(self.corners)
        if not counter_clockwise(corners):  # the same rows, told from the other end
            corners = corners[::-1]
        return first_guess(corners, _rectangle(x, y), grey.shape)

    def lines(self) -> Known:
        """Places half way between crossings, normals of their lines, and which line each is on."""
        i, j = np.arange(self.columns), np.arange(self.rows)
        up = np.stack(np.meshgrid(i, j[:-1] + 0.5, indexing="ij"), -1).reshape(-1, 2)
        along = np.stack(np.meshgrid(i[:-1] + 0.5, j, indexing="ij"), -1).reshape(-1, 2)
        places = self.pitch * np.concatenate([up, along])
        normals = np.repeat([(1.0, 0.0), (0.0, 1.0)], [len(up), len(along)], axis=0)
        owner = np.concatenate([up[:, 0], self.columns + along[:, 1]]).astype(np.int64)
        return places, normals, owner

    def reach(self) -> float:
        """How far off its guessed place a line is looked for, mm."""
        return 0.4 * self.pitch


@checked
@dataclass(frozen=True)
class Rule:
    """A steel rule along or beside the piece.

    A rule lies along one line: across it nothing is known but that the camera was held about
    square, so it is good for far less than a grid or a card.

    Parameters
    ----------
    pitch : float
        From graduation to graduation, mm.
    length : float
        From the first graduation used to the last, mm; a multiple of the pitch.
    ends : two (column, row)
        About where those two are in the picture, to a third of the pitch, in pixels, at half the
        height of the shortest graduations.
    uncertainty : float
        Standard uncertainty of its scale, relative.
    raised : float
        Its face above the burned face, mm: its thickness if it lies on the piece.
    tilt_deg : float
        Standard deviation of how far the camera was off square to the sheet, degrees.

    Examples
    --------
    >>> import gantrysim as gs
    >>> rule = gs.instruments.Rule(pitch=1.0, length=150.0, ends=((420, 2310), (3610, 2290)))
    >>> rule.relative
    (0.0002, 0.0002)
    """

    pitch: float
    length: float
    ends: Annotated[Sequence[Sequence[float]], "two places (column, row) in pixels"]
    uncertainty: float = 2e-4
    raised: float = 0.5
    tilt_deg: float = 3.0

    edge = False

    def __post_init__(self) -> None:
        positive(self.pitch, "pitch")
        positive(self.length, "length")
        positive(self.uncertainty, "uncertainty")
        positive(self.tilt_deg, "tilt_deg")
        finite_number(self.raised, "raised")
        count = self.length / self.pitch
        if count < 2 or abs(count - round(count)) > 1e-6:
            raise ValueError(
                f"length must be a multiple of the pitch of {self.pitch:g} mm, two at least, found "
                f"{self.length:g}."
            )
        object.__setattr__(self, "ends", _places(self.ends, 2, "ends"))

    @property
    def relative(self) -> tuple[float, float]:
        """Standard uncertainty of its scale, along it and (the same scale) across it."""
        return self.uncertainty, self.uncertainty

    def placed(self, grey: NDArray[Any]) -> Plane:
        """A first guess by the ends, and by the leaning of the camera that shows most graduations.

        Along a line a projective map has three numbers, of which the ends tell two: as u runs from
        one to the other, the part w of the length is u / (1 + a - a u).
        """
        part = np.linspace(0.0, 1.0, round(self.length / self.pitch) + 1)
        (first, last), near = np.array(self.ends), 0.33 / (len(part) - 1)
        best = (-1.0, first, last, 0.0)
        for lean in np.linspace(-_LEAN, _LEAN, 121):
            u = part * (1.0 + lean) / (1.0 + lean * part)
            for low in np.linspace(-near, near, 5):
                for high in np.linspace(-near, near, 5):
                    at = first + ((1 - u) * low + u * (1.0 + high))[:, None] * (last - first)
                    score = _contrast(grey, at)
                    if score > best[0]:
                        best = score, at[0], at[-1], lean
        _, first, last, lean = best
        along = last - first
        across = np.array([along[1], -along[0]])  # rows count down
        square = _rectangle(1.0, 1.0)
        pixels = first + square[:, :1] * along + square[:, 1:] * across
        sheet = self.length * square / (1.0 + lean - lean * square[:, :1])
        return first_guess(pixels, sheet, grey.shape)

    def lines(self) -> Known:
        """Middles of the graduations, their normals, and one number each."""
        count = round(self.length / self.pitch) + 1
        places = np.column_stack([self.pitch * np.arange(count), np.zeros(count)])
        return places, np.tile([1.0, 0.0], (count, 1)), np.arange(count)

    def reach(self) -> float:
        """How far off its guessed place a line is looked for, mm."""
        return 0.45 * self.pitch


Reference = Card | Grid | Rule


def _rectangle(width: float, height: float) -> Array:
    """Its corners from the origin, counter-clockwise, shape (4, 2)."""
    return np.array([(0.0, 0.0), (width, 0.0), (width, height), (0.0, height)])


def sight(grey: NDArray[Any], reference: Reference) -> Plane:
    """Find a reference in a picture and fit the plane to it.

    ``grey``: the picture; row 0 is the top; shape (rows, columns).  ``reference``: with its place
    about known.  Returns: its sheet frame is that of the reference: origin at its first corner, x
    along its first side.  ValueError if the lines of the reference are not seen, in one sentence.
    """
    plane = reference.placed(grey)
    known = reference.lines()
    places, normals, _ = known
    name = type(reference).__name__
    if not reference.edge:
        step = getattr(reference, "pitch") / plane.scale  # noqa: B009
        if step < LEAST_PITCH:
            raise ValueError(
                f"the lines of the {name} are {step:.1f} pixels apart in the picture; at least "
                f"{LEAST_PITCH:g} are needed, so come closer or use coarser ones."
            )
    reach = reference.reach()
    for _ in range(_TURNS):
        seen, good = _profiles(grey, plane, places, normals, reach, edge=reference.edge)
        if reference.edge:  # its whole length is to be seen
            good &= _near_neighbours(plane, seen, known, good)
        plane, good = _fitted(plane, seen, known, good, reach, reference)
        reach = max(0.5 * reach, 6.0 * plane.scale)
    if plane.misfit > _WILD:
        raise _unseen(reference)
    if isinstance(reference, Grid):
        _check_count(grey, plane, reference, good)
    return plane


def _check_count(grey: NDArray[Any], plane: Plane, grid: Grid, near: NDArray[np.bool_]) -> None:
    """Refuse a grid with other than its count of lines: by its outer cells, which stay in view."""
    places, normals, _ = grid.lines()
    last = grid.pitch * np.array([grid.columns - 1.0, grid.rows - 1.0])
    across = np.where(normals[:, 0] > 0.0, 1, 0)  # which way the line runs
    rows = np.arange(len(places))
    along = places[rows, across]
    outer = (along < grid.pitch) | (along > last[across] - grid.pitch)
    between = places + 0.5 * grid.pitch * normals
    other = outer & (between[rows, 1 - across] < last[1 - across])
    reach = 0.2 * grid.pitch
    # lines that are there set the measure for those that should not be
    both = np.concatenate([places[outer & near], between[other]])
    turned = np.concatenate([normals[outer & near], normals[other]])
    extra = _profiles(grey, plane, both, turned, reach, edge=False)[1][int((outer & near).sum()) :]
    if near[outer].mean() < _OUTER or extra.mean() > _OUTER:
        fewer = near[outer].mean() < _OUTER
        raise ValueError(
            f"the Grid seems to have {'fewer or other' if fewer else 'more'} lines than "
            f"{grid.columns} by {grid.rows}; count them again."
        )


def _fitted(
    plane: Plane,
    seen: Array,
    known: Known,
    good: NDArray[np.bool_],
    reach: float,
    reference: Reference,
) -> tuple[Plane, NDArray[np.bool_]]:
    """The plane through the sightings that agree, found by leaving out ever smaller misfits."""
    # a piece that lies on a grid hides much of it and shows lines of its own: what is seen there is
    # spread over the whole reach, and what is seen of the grid is not
    places, normals, owner = known
    limit = reach
    for _ in range(_TRIMS):
        off = np.abs(np.sum((plane.to_sheet(seen) - places) * normals, axis=1))
        near = good & (off <= limit)
        count = np.bincount(owner[near], minlength=int(owner.max()) + 1)
        if (
            near.sum() < max(_LEAST_SEEN, _LEAST_PART * len(near))
            or (reference.edge and count.min() < PROFILES // 4)
            or (isinstance(reference, Rule) and near.sum() < 0.7 * len(near))
        ):
            raise _unseen(reference)
        lines = _sightings(seen, known, near, isinstance(reference, Rule))
        plane = fit_plane(plane, lines, tilt_deg=reference.tilt_deg)
        off = np.abs(np.sum((plane.to_sheet(seen) - places) * normals, axis=1))
        usual = 1.4826 * float(np.median(off[near]))
        limit = max(min(0.6 * limit, _STRAY * usual), 0.5 * plane.scale)
    return plane, near


def _unseen(reference: Reference) -> ValueError:
    return ValueError(
        f"the {type(reference).__name__} is not seen where it should be; give its place in the "
        "picture more closely, and keep it clear of shadows and flat on the sheet."
    )


def _sightings(seen: Array, known: Known, good: NDArray[np.bool_], one_line: bool) -> Sightings:
    places, normals, owner = known
    n = int(good.sum())
    offset = np.sum(places * normals, axis=1)[good]
    seen, normals, line = seen[good], normals[good], owner[good]
    noise = np.full(n, NOISE)
    if one_line:  # where its line lies across, so that the sheet has a frame
        seen, noise = np.tile(seen, (2, 1)), np.concatenate([noise, np.full(n, 3.0)])
        normals = np.concatenate([normals, np.tile([0.0, 1.0], (n, 1))])
        offset = np.concatenate([offset, np.zeros(n)])
        line = np.concatenate([line, line + owner.max() + 1])
    return Sightings(seen, normals, offset, noise, line, PULL)


def _profiles(
    grey: NDArray[Any], plane: Plane, places: Array, normals: Array, reach: float, *, edge: bool
) -> tuple[Array, NDArray[np.bool_]]:
    """Where the line or edge stands on the profile across each place; whether one is there."""
    ends = [plane.to_pixels(places + way * reach * normals) for way in (-1.0, 1.0)]
    length = np.hypot(*(ends[1] - ends[0]).T)
    count = max(9, int(float(np.median(length)) / _STEP) | 1)
    t = np.linspace(0.0, 1.0, count)
    at = ends[0][:, None] + t[:, None] * (ends[1] - ends[0])[:, None]
    value = _grey_at(grey, at).astype(float)
    sigma = _SMOOTH * (count - 1) / np.maximum(float(np.median(length)), 1.0)
    signal = gaussian_filter1d(value, sigma, axis=1, order=1 if edge else 0)
    if not edge:
        signal = signal - np.median(signal, axis=1, keepdims=True)
    # the whole reference has one sense: light on dark or dark on light
    strong = np.take_along_axis(signal, np.abs(signal).argmax(axis=1)[:, None], axis=1)[:, 0]
    signal = signal * (1.0 if np.median(strong) > 0.0 else -1.0)
    top = np.clip(signal.argmax(axis=1), 1, count - 2)
    rows = np.arange(len(signal))
    low, mid, high = (signal[rows, top + k] for k in (-1, 0, 1))
    bend = np.minimum(low - 2.0 * mid + high, -1e-12)
    peak = top + np.clip(0.5 * (low - high) / bend, -1.0, 1.0)
    part = peak / (count - 1)
    seen = ends[0] + part[:, None] * (ends[1] - ends[0])
    rows_, columns = plane.shape
    inside = (seen > 1.0).all(axis=1) & (seen[:, 0] < columns - 2) & (seen[:, 1] < rows_ - 2)
    clear = mid > 0.4 * np.quantile(mid, 0.8)  # some may be hidden, and show bare ground
    return seen, inside & clear & (part > 0.02) & (part < 0.98)


def _contrast(grey: NDArray[Any], at: Array) -> float:
    """By how much a row of places differs from the middles between them, grey values."""
    between = 0.5 * (at[1:] + at[:-1])
    return abs(float(_grey_at(grey, at).mean()) - float(_grey_at(grey, between).mean()))


def _grey_at(grey: NDArray[Any], at: Array) -> NDArray[np.float32]:
    """Grey values at places (column, row) between pixels."""
    where = [at[..., 1], at[..., 0]]
    return map_coordinates(grey, where, order=1, mode="nearest", output=np.float32)


def _near_neighbours(
    plane: Plane, seen: Array, known: Known, good: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Which sightings lie near a bent line through the others of their own line."""
    places, normals, owner = known
    off = np.sum((plane.to_sheet(seen) - places) * normals, axis=1)
    along = np.sum(places * np.column_stack([-normals[:, 1], normals[:, 0]]), axis=1)
    if np.bincount(owner).max() < 5:  # graduations: judged along the rule instead
        owner, along = np.zeros_like(owner), np.sum(places * normals, axis=1)
    near = good.copy()
    for k in np.unique(owner):
        for _ in range(3):
            own = np.flatnonzero((owner == k) & near)
            if len(own) < 5:
                break
            t = along[own] - along[own].mean()
            t = t / max(float(np.abs(t).max()), 1e-9)
            left = off[own] - np.polyval(np.polyfit(t, off[own], 2), t)
            size = 1.4826 * float(np.median(np.abs(left)))
            near[own[np.abs(left) > max(_STRAY * size, 0.3 * plane.scale)]] = False
    return near


def counter_clockwise(corners: Array) -> bool:
    """Whether corners (column, row) run counter-clockwise as seen."""
    x, y = corners[:, 0], -corners[:, 1]
    return bool(x @ np.roll(y, -1) > y @ np.roll(x, -1))


def ordered(corners: Array, wide: bool) -> Array:
    """Corners counter-clockwise as seen, the first side a long one if the card is wide."""
    middle = corners.mean(axis=0)
    turn = np.arctan2(middle[1] - corners[:, 1], corners[:, 0] - middle[0])
    round_ = corners[np.argsort(turn)]  # from the lower left, rows counting down
    sides = np.hypot(*(np.roll(round_, -1, axis=0) - round_).T)
    first_long = sides[0] + sides[2] >= sides[1] + sides[3]
    return round_ if first_long == wide else np.roll(round_, -1, axis=0)


def _places(value: Any, count: int, name: str) -> tuple[tuple[float, float], ...]:
    try:
        found = np.asarray(value, dtype=float)
    except (TypeError, ValueError):
        found = np.empty(0)
    if found.shape != (count, 2) or not np.isfinite(found).all():
        raise ValueError(
            f"{name} must be {count} places (column, row) in pixels, found {shortened(value)}."
        )
    apart = np.hypot(*(found[:, None] - found[None]).T)[np.triu_indices(count, 1)]
    if apart.min() < 4.0:
        raise ValueError(f"{name} must be {count} places apart, found {shortened(value)}.")
    return tuple((float(x), float(y)) for x, y in found)
