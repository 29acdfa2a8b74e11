"""Scans and photographs of a burned piece read into measured points.

Nothing has to be marked by hand: the rings of the test are looked for at any turn, dark on light or
light on dark, traced to a small part of a pixel, and named by shape, ring and, where they part,
pass.  The points stand upright in the frame of the test, about the middle of its rings.
"""

from __future__ import annotations

import dataclasses
import functools
import math
import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Annotated

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.spatial import cKDTree

from gantrysim.instruments.photo.flatten import (
    Area,
    FlatPicture,
    flattened,
    judged,
    too_inaccurate,
)
from gantrysim.instruments.photo.photomarks import Reference
from gantrysim.instruments.picture import Picture, open_picture
from gantrysim.instruments.points import Piece, test_of
from gantrysim.instruments.scan.crosses import middle_of_cross
from gantrysim.instruments.scan.nestfind import Found, find_pattern
from gantrysim.instruments.scan.passlabels import Reading, readings_of
from gantrysim.instruments.scan.reference import POSSIBLE, Length, feature, told_by_length
from gantrysim.instruments.scan.traced import Traced, all_points, trace
from gantrysim.instruments.scan.upright import upright as set_upright
from gantrysim.instruments.scanner import COMMON, ScannerError, Separated, separate
from gantrysim.instruments.scanrecord import ScanRecord
from gantrysim.instruments.stations import runs_of
from gantrysim.pattern.ringtest import RingTest
from gantrysim.records.arrays import Array, gathered, rotation
from gantrysim.records.checks import finite_number, positive, shortened
from gantrysim.records.doors import checked
from gantrysim.records.files import AnyPath
from gantrysim.records.progress import telling

#: Type hints of what is read, and of an orientation mark.
Scans = Annotated[
    AnyPath | Sequence[AnyPath], "the path of one scan, or of two of the same piece in a list"
]
Polylines = Annotated[Sequence[ArrayLike], "a list of polylines in mm, each of shape (n, 2)"]

LEAST_SPACING = 0.5  # mm: shorter stretches hold too few pixels
_QUARTER = math.radians(25.0)  # how far from a quarter turn the second scan may lie
_WHOLE = 0.9  # part of a ring that must be read, or a note says how much was
_CROSSING = 1.0  # mm: how near another ring hinders reading
_LEAST_READ = 0.5  # part of the rings within the picture; less is another test (judgement)
_ALIKE = 1e-3  # relative: two resolutions that are the same but for rounding
_OTHER = 0.1  # relative: a file's mark further off than this is a program's, not the scanner's
_CLEAR = 2.0  # standard uncertainties of the scale by which a photograph's rings may be off
_LARGE = 0.2  # mm at the outermost ring: less is what a machine makes


@checked
def read_scan(
    path: Scans,
    test: RingTest | AnyPath,
    *,
    dpi: float | tuple[float, float] | None = None,
    mark: Polylines | None = None,
    spacing: float = 1.0,
    length: Annotated[tuple[float, float], "a length and its standard uncertainty in mm"]
    | None = None,
    between: Annotated[tuple[str, str], "two lines such as 'square 18 left'"] | None = None,
    upright: bool = False,
    progress: Callable[[str], None] | None = None,
) -> Piece:
    """Read measured points from a flatbed scan of a burned piece.

    Parameters
    ----------
    path : path, or two paths
        PNG, JPEG or TIFF, grey or colour.  Of two scans of one piece, turned on the glass by a
        quarter between them, scale difference and skew of the scanner are told and taken out.
    test : RingTest or path
        What was commanded, or its file for `read_test`.
    dpi : float or (float, float), optional
        Resolution of the scan along x and y; what the file states if absent.
    mark : sequence of array_like, shape (n, 2), optional
        Polylines of the orientation mark, mm, in the frame of the test; those that the test draws
        (`RingTest.extras`) if absent.
    spacing : float
        About the distance of points along a line, mm; each averages the line over it.
    length : (float, float), optional
        A length on the piece, measured otherwise, and its standard uncertainty, mm: from middle to
        middle of the two lines that `between` names.  It settles the common scale.
    between : (str, str), optional
        Two lines such as ("square 18 left", "square 18 right"): shape, ring, and left, right, top
        or bottom as the upright piece shows them; or two crosses of the scale reference, ("cross
        left", "cross right") or ("cross bottom", "cross top"), from middle to middle.  Left and
        right of the largest ring if absent.
    upright : bool
        True says that the piece lies within 45 degrees of upright on the (first) scan.  Without it,
        and without a mark that can be told, left and right, x and y may be exchanged: the piece
        says so (`Piece.quarter_known`) and a diagnosis of it is never certain.
    progress : callable, optional
        Called with a line of text before each step; if absent, a terminal or a notebook shows it.

    Returns
    -------
    Piece
        With `uncertainty` of the points, what is left unknown of the scanner in `scanner`, and
        how it was read in `record`; `notes` say so where a turn could not be told, and how much
        was read of rings of which less than nine tenths were.

    Raises
    ------
    FileNotFoundError
        If there is no such file.
    ValueError
        With one sentence: no such picture, no resolution, no such rings in it, a `dpi` that the
        file and the rings contradict, a `length` that disagrees with the scan by more than an
        unchecked scanner and the reading can make.

    Notes
    -----
    A note says so where the rings are off their commanded size alike in all directions, as a wrong
    resolution would show them, and where `dpi` is not what the file states.

    The stated uncertainty of a point is that of reading the line; it grows for lines about as
    narrow as a pixel that run along its rows, as at 150 dpi.  Grain and frayed edges of the
    burn itself, which are alike over a millimetre or two, come on top.

    Examples
    --------
    >>> import gantrysim as gs
    >>> test = gs.ring_test(("circle",), spacing=8.0, largest=24.0, orientation_mark=True)
    >>> picture = gs.simulate(gs.Machine(), test).image(dpi=300)  # stands in for a scanner
    >>> path = picture.save("scan.png")
    >>> gs.read_scan("scan.png", test)
    Piece('scan.png', 285 points on 3 of 3 rings)
    """
    test = test_of(test)
    paths = _scans(path)
    spacing = _checked_spacing(spacing)
    known = None
    if length is not None or between is not None:
        known = _known_length(length, between)
    strokes = _polylines(test.extras() if mark is None else mark)
    with telling("read scan", progress) as say:
        views = []
        for i, each in enumerate(paths):
            say(f"reading {each}")
            picture = open_picture(each, dpi)
            views.append(_traced(picture, test, strokes, spacing, say, vouched=upright and i == 0))
        told = ScannerError().turned(views[0].turn)
        noted = _resolution(views[0], test, settled=known is not None)
        views[0] = dataclasses.replace(views[0], notes=(*views[0].notes, *noted))
        if len(views) == 2:
            say("comparing the two scans")
            views[1], pair = _paired(views[0], views[1])
            told = pair.told(told)
            readings = _mean(test, views[0], views[1], told, pair)
        else:
            readings = readings_of(test, views[0].traced, views[0].xy, views[0].normals)
    return _piece(test, readings, views, told, known)


@checked
def read_photo(
    path: AnyPath,
    test: RingTest | AnyPath,
    reference: Reference,
    *,
    accuracy: float = 0.1,
    area: Area | None = None,
    mark: Polylines | None = None,
    spacing: float = 1.0,
    upright: bool = False,
    progress: Callable[[str], None] | None = None,
) -> Piece:
    """Read measured points from a photograph of a burned piece with a reference in the frame.

    Parameters
    ----------
    path : path
        PNG, JPEG or TIFF, as the camera wrote it: not cropped, for the lens stands in its middle.
    test : RingTest or path
        What was commanded, or its file for `read_test`.
    reference : Card, Grid or Rule
        What is known in the picture, and about where.
    accuracy : float
        Accuracy asked of the form of the rings, mm (about 95 %); the photograph is refused if the
        reference cannot give it.  Where only lengths are less accurate, a note says so, and
        ``scanner`` carries it into what is made of the piece.
    area : (left, top, right, bottom), optional
        Where the piece is in the photograph, pixels; the rings are looked for all over it if
        absent.  Accuracy is judged where they are.
    mark : sequence of array_like, shape (n, 2), optional
        As for `read_scan`.
    spacing : float
        About the distance of points along a line, mm.
    upright : bool
        As for `read_scan`.
    progress : callable, optional
        Called with a line of text before each step; if absent, a terminal or a notebook shows it.

    Returns
    -------
    Piece
        As from `read_scan`; `scanner` holds what the reference leaves unknown of scale, scale
        difference and skew, and a note says how accurate lengths are.

    Raises
    ------
    FileNotFoundError
        If there is no such file.
    ValueError
        In one sentence: as `flatten_photo` and `read_scan`.

    Examples
    --------
    >>> import gantrysim as gs
    >>> piece = gs.read_photo("photo.jpg", "test.json", gs.instruments.Card())  # doctest: +SKIP
    """
    test = test_of(test)
    spacing = _checked_spacing(spacing)
    strokes = _polylines(test.extras() if mark is None else mark)
    with telling("read photo", progress) as say:
        say(f"making {path} flat")
        asked = positive(accuracy, "accuracy")
        flat, reference, _ = flattened(path, reference, pitch=None, area=area)
        picture = Picture(flat.grey, (flat.dpi, flat.dpi), flat.source)
        view = _traced(picture, test, strokes, spacing, say, vouched=upright)
    had, warp, covariance, why = judged(flat.plane, reference, _seen_in(flat, view, test))
    if warp > asked:
        raise ValueError(too_inaccurate(path, asked, had, why, whole=area is None))
    accurate = f"lengths are accurate to {had:.2g} mm (95 %)"
    if had > asked:
        accurate = (
            f"lengths are accurate to {had:.3g} mm (95 %), not to the {asked:g} mm asked: {why}; "
            f"the form of the rings is read to {asked:g} mm, only scale and squareness are less "
            "well known"
        )
    covariance, doubted = _of_doubtful_height(view, flat, covariance)
    view = dataclasses.replace(view, notes=(*view.notes, accurate, *doubted))
    told = ScannerError(covariance=covariance).turned(view.turn)
    readings = readings_of(test, view.traced, view.xy, view.normals)
    return _piece(test, readings, [view], told, None, flat=True)


def _seen_in(flat: FlatPicture, view: _View, test: RingTest) -> Array:
    """Left, top, right and bottom of the rings in the photograph, pixels."""
    at = np.concatenate([view.found.carry(run.place) for run in runs_of(test, _CROSSING)])
    # places on a picture count from the corner of its pixels, origins from the middle of one
    face = (at - 0.5 * flat.pitch + flat.origin) / flat.raise_scale
    pixels = flat.plane.to_pixels(face)
    rows, columns = flat.plane.shape
    low = np.maximum(pixels.min(axis=0), 0.0)
    high = np.minimum(pixels.max(axis=0), (columns - 1.0, rows - 1.0))
    return np.concatenate([low, high])


def _of_doubtful_height(
    view: _View, flat: FlatPicture, covariance: Array
) -> tuple[Array, tuple[str, ...]]:
    """What is known of the scale where rings are off alike, as a wrong height makes them.

    A reference of which it is not said right how high it lies makes all lengths wrong alike, by its
    height over the distance of the camera: nothing in the photograph tells that from the machine.
    """
    scales = np.linalg.svd(view.found.matrix, compute_uv=False) - 1.0
    size, apart = float(scales.mean()), float(np.ptp(scales))
    if abs(size) < _CLEAR * math.sqrt(covariance[0, 0]) or apart > abs(size):
        return covariance, ()
    doubt = covariance.copy()
    doubt[0, 0] += size**2
    height = abs(size) * flat.plane.distance
    return doubt, (
        f"the rings are {size:+.1%} off their commanded size alike in all directions: a reference "
        f"that lies {height:.1f} mm {'lower' if size > 0.0 else 'higher'} than was said looks like "
        "that, so the scale counts as unknown; say how high it lies, as in "
        "Card(beside=True, thickness=3)",
    )


def _scans(path: AnyPath | Sequence[AnyPath]) -> list[AnyPath]:
    """One scan, or two."""
    paths = [path] if isinstance(path, str | os.PathLike) else path
    if len(paths) not in (1, 2):
        raise ValueError(f"path must be one scan or two of the same piece, found {len(paths)}.")
    return list(paths)


def _checked_spacing(spacing: float) -> float:
    found = positive(spacing, "spacing")
    if not LEAST_SPACING <= found <= 10.0:
        raise ValueError(f"spacing must be {LEAST_SPACING:g} to 10 mm, found {found:g} mm.")
    return found


@dataclass(frozen=True, eq=False)
class _View:
    """One scan, found and traced; its picture's pixels are no longer needed."""

    picture: Picture
    found: Found
    traced: list[Traced]
    known: bool
    notes: tuple[str, ...]

    @property
    def turn(self) -> float:
        return self.found.turn

    def lifted(self, places: Array) -> Array:
        """Places on the picture turned back upright about the middle of the rings, mm."""
        return np.asarray((places - self.found.shift) @ rotation(self.turn))

    @property
    def xy(self) -> list[Array]:
        """Points of each run, upright, mm; nan where nothing was read."""
        return [self.lifted(all_points(self.found, each)) for each in self.traced]

    @property
    def normals(self) -> list[Array]:
        """Directions in which they were read, upright."""
        turn = rotation(self.turn)
        return [self.found.across(each.run.normal) @ turn for each in self.traced]


def _piece(
    test: RingTest,
    readings: list[Reading],
    views: Sequence[_View],
    told: ScannerError,
    known: Length | None,
    *,
    flat: bool = False,
) -> Piece:
    """Take out what is known of the scanner, and say what is left unknown."""
    readings = _corrected(readings, told.matrix)
    scale, out = told.matrix, np.array(told.mean)
    told = told.taken_out()
    if known is not None:
        crosses = functools.partial(_cross, test, views, scale)
        told = told_by_length(told, test, readings, known, crosses)
        readings = _corrected(readings, told.matrix)
        scale, out = scale @ told.matrix, out + told.mean
        told = told.taken_out()
    first = views[0]
    record = ScanRecord(
        files=tuple(dict.fromkeys(view.picture.source for view in views)),
        dpi=first.picture.dpi,
        rows=first.picture.grey.shape[0],
        turn_deg=math.degrees(first.turn),
        dark=first.found.ink.dark,
        matrix=rotation(first.turn) @ scale,
        shift=first.found.shift,
        widths=_widths(first.traced),
        picture=first.picture if flat else None,
        taken_out=ScannerError(tuple(out.tolist())).turned(-first.turn).mean,
    )
    return Piece(
        test,
        tuple(reading.line for reading in readings),
        " and ".join(record.files),
        scanner=told,
        uncertainty=tuple(reading.u for reading in readings),
        record=record,
        # the second scan's quarter turn was settled by the first
        notes=(*first.notes, *_unread(test, views)),
        quarter_known=first.known,
    )


def _unread(test: RingTest, views: Sequence[_View]) -> tuple[str, ...]:
    """A sentence that names the rings of which a good part was not read."""
    # where another ring passes near, neither is read: that does not count
    every = runs_of(test, 0.5 * _CROSSING)
    read: dict[tuple[str, int], list[NDArray[np.bool_]]] = {}
    for each in zip(*(view.traced for view in views), strict=True):
        run = each[0].run
        seen = np.any([np.isfinite(traced.off) for traced in each], axis=0)
        others = [other.place for other in every if other.key != run.key]
        if others:
            apart, _ = cKDTree(np.concatenate(others)).query(run.place)
            seen = seen[apart > _CROSSING]
        read.setdefault(run.key, []).append(seen)
    parts = {key: np.concatenate(seen) for key, seen in read.items()}
    few = [
        f"{shape} {ring} ({100 * seen.mean():.0f} %)"
        for (shape, ring), seen in parts.items()
        if len(seen) and seen.mean() < _WHOLE
    ]
    return (f"less than {_WHOLE:.0%} was read of {', '.join(few)}",) if few else ()


def _traced(
    picture: Picture,
    test: RingTest,
    mark: Sequence[Array],
    spacing: float,
    say: Callable[[str], None],
    *,
    vouched: bool,
) -> _View:
    found = find_pattern(picture, test, say)
    placed = set_upright(found, test, mark, picture.source, vouched=vouched)
    traced = trace(picture, test, placed.found, spacing, say)
    _check_read(picture, placed.found, traced)
    return _View(picture, placed.found, traced, placed.known, placed.notes)


def _check_read(picture: Picture, found: Found, traced: Sequence[Traced]) -> None:
    """Refuse a scan in which most of the rings within the picture are bare: another test's."""
    at = picture.to_pixels(np.concatenate([found.carry(each.run.place) for each in traced]))
    rows, columns = picture.grey.shape
    inside = ((at >= 0.0) & (at < (columns, rows))).all(axis=1)
    seen = np.isfinite(np.concatenate([each.off for each in traced]))
    if not inside.any() or seen[inside].mean() < _LEAST_READ:
        raise ValueError(
            f"{picture.source}: a line was read at only {100 * seen[inside].mean():.0f} % of the "
            "places where the rings of the test would lie in the picture; give the test that was "
            "burned, and a scan in focus."
        )


def _resolution(view: _View, test: RingTest, *, settled: bool) -> tuple[str, ...]:
    """What the size of the rings and the file's own mark say against the resolution taken.

    ValueError if a resolution was given that the file's mark and the rings both contradict, and no
    known length settles it.
    """
    picture = view.picture
    scales = np.linalg.svd(view.found.matrix, compute_uv=False)
    reach = max(nest.sizes[-1] for nest in test.nests)
    possible = max(POSSIBLE * COMMON, _LARGE / reach)
    large, small = scales.max() - 1.0, scales.min() - 1.0
    taken = float(np.mean(picture.dpi))
    other = float(np.mean(picture.marked)) if picture.marked is not None else taken
    apart = other / taken - 1.0
    size = 0.5 * (large + small)
    alike = min(large, small) > possible or max(large, small) < -possible
    if _ALIKE < abs(apart) < _OTHER:
        # at the file's resolution the rings would be smaller by as much as it is higher
        if alike and not settled and abs((1.0 + size) / (1.0 + apart) - 1.0) < possible:
            raise ValueError(
                f"{picture.source}: dpi is given as {taken:g}, but the file states {other:g}, "
                f"at which the rings have their commanded size, and at {taken:g} they are "
                f"{size:+.1%} off; leave dpi out, or give a length that settles it."
            )
        return (f"dpi was given as {taken:g}, the file states {other:g}",)
    if alike and not settled:
        return (
            f"the rings are {size:+.1%} off their commanded size in all directions at the "
            f"{taken:g} dpi taken: a scan of {taken * (1.0 + size):.0f} dpi would look like that",
        )
    return ()


def _paired(first: _View, second: _View) -> tuple[_View, Separated]:
    """The second scan in the frame of the first, and what both say of the scanner."""
    sure = second.known and first.known
    best: tuple[float, _View, Separated] | None = None
    for quarters in (0,) if sure else range(4):
        view = _relabelled(second, quarters)
        turn = (view.turn - first.turn + math.pi) % (2.0 * math.pi) - math.pi
        if abs(abs(turn) - 0.5 * math.pi) > _QUARTER:
            continue
        places = np.concatenate([each.run.place for each in first.traced])
        normals = np.concatenate(first.normals)
        a, b = np.concatenate(first.xy), np.concatenate(view.xy)
        both = np.isfinite(a[:, 0]) & np.isfinite(b[:, 0])
        if both.sum() < 50:
            continue
        pair = separate(places[both], normals[both], a[both], b[both], turn)
        if best is None or pair.rms < best[0]:
            best = (pair.rms, view, pair)
    if best is None:
        raise ValueError(
            f"{second.picture.source}: the piece must lie turned by about a quarter against "
            f"{first.picture.source}; turns of 0 and 180 degrees do not tell scanner from piece."
        )
    return best[1], best[2]


def _relabelled(view: _View, quarters: int) -> _View:
    """The same scan read a number of quarter turns the other way round, without tracing anew."""
    if quarters % 4 == 0:
        return view
    found = view.found.turned(quarters)
    by_side = {(*t.run.key, t.run.side): t for t in view.traced}
    traced = []
    for each in view.traced:
        run = each.run
        if not run.closed:
            source = by_side[(*run.key, (run.side + quarters) % 4)]
            off, u, doubles = source.off, source.u, source.doubles
        else:
            n = len(each.off)
            at = (np.arange(n) + 0.25 * quarters * n) % n
            low = np.floor(at).astype(int) % n
            part = at - np.floor(at)
            off = (1.0 - part) * each.off[low] + part * each.off[(low + 1) % n]
            u = np.maximum(each.u[low], each.u[(low + 1) % n])
            doubles = {round(k - 0.25 * quarters * n) % n: d for k, d in each.doubles.items()}
        traced.append(Traced(run, off, u, doubles, each.width))
    return dataclasses.replace(view, found=found, traced=traced)


def _mean(
    test: RingTest, first: _View, second: _View, told: ScannerError, pair: Separated
) -> list[Reading]:
    """Both scans as one measurement that still holds the first one's scanner error."""
    turn = second.turn - first.turn
    # the second shows the scanner turned: its error is replaced by that in the first scan
    other = told.turned(turn).matrix
    own = told.matrix
    carry = own @ np.linalg.inv(other) @ rotation(-pair.turn)
    joined, mixed = [], []
    for a, b, xa, xb in zip(first.traced, second.traced, first.xy, second.xy, strict=True):
        xb = (xb - pair.shift) @ carry.T
        both = np.isfinite(a.off) & np.isfinite(b.off)
        only = ~np.isfinite(a.off) & np.isfinite(b.off)
        joined.append(np.where(both[:, None], 0.5 * (xa + xb), np.where(only[:, None], xb, xa)))
        u = np.where(both, 0.5 * np.hypot(a.u, b.u), np.where(only, b.u, a.u))
        mixed.append(dataclasses.replace(a, off=np.where(only, b.off, a.off), u=u))
    return readings_of(test, mixed, joined, first.normals)


def _corrected(readings: Sequence[Reading], matrix: Array) -> list[Reading]:
    """Points with an error S taken out."""
    back = np.linalg.inv(matrix).T
    return [Reading(dataclasses.replace(r.line, xy=r.line.xy @ back), r.u) for r in readings]


def _widths(traced: Sequence[Traced]) -> dict[tuple[str, int], float]:
    rings = gathered((each.run.key, each.width) for each in traced)
    return {key: float(np.mean(widths)) for key, widths in rings.items()}


def _cross(test: RingTest, views: Sequence[_View], scale: Array, side: str) -> tuple[Array, float]:
    """Middle of a cross of the scale reference as the readings have it, mm, and its uncertainty."""
    first = views[0]
    if len(views) > 1 or not first.known:
        why = "of two scans" if len(views) > 1 else "where the turn of the piece is not known"
        raise ValueError(f"between must name lines of rings {why}, as in 'square 18 left'.")
    place, u = middle_of_cross(first.picture, first.found, test, side)
    return first.lifted(first.found.carry(place)) @ np.linalg.inv(scale).T, u


def _known_length(length: tuple[float, float] | None, between: tuple[str, str] | None) -> Length:
    if length is None:
        raise ValueError(
            "between names two lines, but length, (value, uncertainty) in mm, is absent."
        )
    if not isinstance(length, Sequence) or isinstance(length, str) or len(length) != 2:
        raise ValueError(f"length must be (value, uncertainty) in mm, found {shortened(length)}.")
    value = positive(length[0], "length")
    u = positive(finite_number(length[1], "the uncertainty of length"), "the uncertainty of length")
    if between is None:
        return value, u, None
    if isinstance(between, str) or len(between) != 2:
        raise ValueError(f"between must name two lines, found {shortened(between)}.")
    return value, u, (feature(between[0]), feature(between[1]))


def _polylines(mark: Sequence[ArrayLike]) -> list[Array]:
    wanted = "mark must hold polylines of shape (n, 2), n at least 2, finite, in mm, found "
    if isinstance(mark, str) or not isinstance(mark, Sequence | np.ndarray):
        raise ValueError(f"{wanted}{shortened(mark)}.")
    lines = []
    for each in mark:
        try:
            line = np.asarray(each, dtype=float)
        except (TypeError, ValueError):
            raise ValueError(f"{wanted}{shortened(each)}.") from None
        if line.ndim != 2 or line.shape[1] != 2 or len(line) < 2:
            raise ValueError(f"{wanted}one of shape {line.shape}.")
        if not np.isfinite(line).all():
            raise ValueError(f"{wanted}one that is not finite.")
        lines.append(line)
    return lines
