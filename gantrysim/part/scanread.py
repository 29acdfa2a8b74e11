"""The sizes that a picture of a part shows: outlines found and traced, features measured.

Outlines that lie to one another as drawn make a group: all of an uncut plate, those of each piece
where it is cut.  A group that looks the same at several turns is read at each of them, and what
does not read alike is left out.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d
from scipy.spatial import cKDTree

from gantrysim.instruments.picture import Picture
from gantrysim.instruments.scan.inkmap import InkMap
from gantrysim.instruments.scanner import ALIKE, UNEVEN, ScannerError
from gantrysim.part.drawing import Drawing
from gantrysim.part.feature import Feature
from gantrysim.part.gauges import Extent, Samples
from gantrysim.part.kerf import TEST
from gantrysim.part.loops import FINE, Loop
from gantrysim.part.recognition import circle_of
from gantrysim.part.scanfind import STRONG, THERE, Sighted, sight, steep_map
from gantrysim.part.scantrace import (
    FAINT,
    SIDES,
    TracedLoop,
    levels_beside,
    roughness,
    trace_edges,
    trace_lines,
)
from gantrysim.records.arrays import Array, gathered

PIECES, LINES = "pieces", "lines"
SHOWN = (PIECES, LINES)
#: Where the edge of a piece seems to lie on a scan, standard deviation, mm, the same all round: the
#: lamp stands to one side, the sheet is thick, the edge is charred (judgement).
EDGE = 0.03
#: A size on the picture off by more than this part of it and mm is another resolution: machine and
#: cut may take half a millimetre of a small piece.
OFF_SCALE, OFF_SIZE = 0.02, 0.6
_READ = 0.5  # part of an outline that must be read
_DRAWS = 60  # of what reading leaves unknown
_NARROW = 0.5  # of a pixel that the width of a line of less than two pixels may be off (measured)
_FRAYED = 1.0  # mm along an outline over which fraying is alike
_LOOKS = 0.5  # mm: parts whose sizes differ by less cannot be told apart by looks
_UPRIGHT = math.radians(45.0)
_AGREE = 3.0  # standard uncertainties within which readings at two turns are one


class Size(NamedTuple):
    """One feature as it was read; ``shared`` as `ScannedPart.instrument` has it."""

    feature: Feature
    value: float
    uncertainty: float
    shared: tuple[float, float, float, float]


@dataclass(frozen=True, eq=False)
class Sizes:
    """What a picture shows of a part.

    Parameters
    ----------
    sizes : tuple of Size
        Features in the order of the drawing.
    width, width_doubt : float
        Of the lines of a plate, and its standard uncertainty as the width of a cut, mm, else 0.
    notes : tuple of str
        What was left out, and why.
    """

    sizes: tuple[Size, ...]
    width: float
    width_doubt: float
    notes: tuple[str, ...]


def sizes_on(
    picture: Picture,
    drawing: Drawing,
    names: Sequence[str],
    shown: str,
    say: Callable[[str], None],
    *,
    upright: bool,
) -> Sizes:
    """Find, trace and measure the named features; arguments and errors as of `read_part_scan`."""
    samples = Samples.of(drawing.path, FINE)
    say("looking for the outlines")
    placed = _placed(picture, drawing, _groups(drawing, names, shown), samples, upright)
    sizes: dict[str, Size] = {}
    notes: list[str] = []
    widths = [0.0]
    for group in placed:
        say(f"tracing {len(group.loops)} outlines")
        own = {loop.outline for loop in group.loops}
        chosen = [drawing[name] for name in names if set(drawing[name].gauge.outlines) <= own]
        turnless = [f for f in chosen if group.ways[0].free and _needs_turn(f)]
        chosen = [f for f in chosen if f not in turnless]
        each = []
        for way in group.ways:
            traced, width = _traced(picture, group, way, drawing, shown)
            widths.append(width)
            each.append(_measured(chosen, samples, way, traced, width))
        agreed = [_agreed(ways) for ways in zip(*each, strict=True)]
        sizes |= {size.feature.name: size for size in agreed if size is not None}
        turnless += [f for f, size in zip(chosen, agreed, strict=True) if size is None]
        if turnless and (len(group.ways) > 1 or group.ways[0].free):
            notes.append(f"how the part lies cannot be told: {_listed(turnless)} left out")
    left = [drawing[name] for name in names if name not in sizes]
    if not sizes:
        raise ValueError(
            f"{picture.source}: at least one feature must be read, found none"
            f"{', for ' + notes[0] if notes else ''}."
        )
    said = " ".join(notes)
    rest = [f for f in left if f.name not in said]
    notes += [f"not read: {_listed(rest)}"] if rest else []
    order = [sizes[name] for name in drawing.names if name in sizes]
    return Sizes(tuple(order), widths[-1], _width_doubt(picture, widths[-1]), tuple(notes))


def _listed(features: Sequence[Feature]) -> str:
    return ", ".join(feature.name for feature in features)


def _width_doubt(picture: Picture, width: float) -> float:
    """How well the width of lines is known as that of a cut, mm; 0 where there are none."""
    pitch = float(picture.pitch.mean())
    narrow = _NARROW * pitch if width < 2.0 * pitch else 0.0
    return math.hypot(TEST, narrow) if width else 0.0


def _agreed(ways: Sequence[Size | None]) -> Size | None:
    """One size of those read at each turn at which the part may lie; None if they differ."""
    found = [size for size in ways if size is not None]
    if len(found) < len(ways):
        return None
    values = [size.value for size in found]
    half = 0.5 * (max(values) - min(values))
    if 2.0 * half > _AGREE * max(size.uncertainty for size in found):
        return None
    return found[0]._replace(uncertainty=math.hypot(found[0].uncertainty, half))


def _groups(drawing: Drawing, names: Sequence[str], shown: str) -> list[list[int]]:
    """Numbers of the outlines that lie to one another as drawn, the largest group first."""
    number = {outline: k for k, outline in enumerate(drawing.outlines)}
    used = {number[o] for name in names for o in drawing[name].gauge.outlines}
    if shown == LINES:
        return [sorted(used)]
    used |= {drawing.outlines[k].part for k in used}
    groups = list(gathered((drawing.outlines[k].part, k) for k in sorted(used)).values())
    looks = [_looks(drawing, group) for group in groups]
    for i, one in enumerate(looks):
        for j, other in enumerate(looks[:i]):
            if [kind for kind, _ in one] == [kind for kind, _ in other] and all(
                abs(a - b) < _LOOKS for (_, a), (_, b) in zip(one, other, strict=True)
            ):
                both = " and ".join(_name(drawing, groups[k][0]) for k in (j, i))
                raise ValueError(
                    f"the pieces of {drawing.source} must differ in their looks, found those of "
                    f"{both} alike: scan them one at a time, and say with features= which."
                )
    return sorted(groups, key=lambda group: -_size(drawing, group))


def _size(drawing: Drawing, group: Sequence[int]) -> float:
    return max(float(np.ptp(drawing.outlines[k].bounds, axis=0).sum()) for k in group)


def _looks(drawing: Drawing, group: Sequence[int]) -> list[tuple[str, float]]:
    """Kinds and sizes of the features of a group of outlines, in one order."""
    own = {drawing.outlines[k] for k in group}
    return sorted((f.kind, f.drawn) for f in drawing.features if set(f.gauge.outlines) <= own)


def _name(drawing: Drawing, number: int) -> str:
    """What an outline is called in a sentence: by its first feature."""
    outline = drawing.outlines[number]
    own = (f.name for f in drawing.features if outline in f.gauge.outlines)
    x, y = outline.middle
    return next(own, f"the outline about ({x:.0f}, {y:.0f})")


@dataclass(frozen=True, eq=False)
class _Placed:
    """A group of outlines and the ways in which it may lie."""

    numbers: tuple[int, ...]
    loops: tuple[Loop, ...]
    ways: tuple[Sighted, ...]


def _placed(
    picture: Picture,
    drawing: Drawing,
    groups: Sequence[Sequence[int]],
    samples: Samples,
    upright: bool,
) -> list[_Placed]:
    """Find each group in what the ones before it left of the picture."""
    steep = steep_map(picture)
    found, missing = [], []
    for group in groups:
        loops = tuple(Loop.of(drawing.outlines[k], samples) for k in group)
        sighted = sight(steep, loops)
        seen = np.zeros(len(loops)) if sighted is None else sighted.seen
        missing += [k for k, part in zip(group, seen, strict=True) if part < THERE]
        if sighted is not None and not missing:
            ways = _told(sighted, picture, drawing, upright, 0.5 * _size(drawing, group))
            found.append(_Placed(tuple(group), loops, ways))
            steep = _without(steep, found[-1]) if group is not groups[-1] else steep
    _refuse_missing(picture, drawing, missing)
    return found


def _refuse_missing(picture: Picture, drawing: Drawing, missing: Sequence[int]) -> None:
    if missing:
        raise ValueError(
            f"{picture.source}: every outline of {drawing.source} must be in the picture at the "
            f"{picture.dpi[0]:g} dpi taken, found none of {_some(drawing, missing)}."
        )


def _some(drawing: Drawing, numbers: Sequence[int]) -> str:
    names = [_name(drawing, k) for k in numbers]
    return ", ".join(names[:6]) + (f" and {len(names) - 6} more" if len(names) > 6 else "")


def _told(
    sighted: Sighted, picture: Picture, drawing: Drawing, upright: bool, size: float
) -> tuple[Sighted, ...]:
    """The ways in which a group of a size, mm, may lie."""
    if sighted.mirrored:
        raise ValueError(
            f"{picture.source}: the face that was burned must lie on the glass, found "
            f"{drawing.source} seen from behind."
        )
    off = abs(sighted.scale - 1.0)
    if off > OFF_SCALE and off * size > OFF_SIZE:
        raise ValueError(
            f"{picture.source}: the part must be as large as it is drawn, found {sighted.scale:.3f}"
            f" times that at the {picture.dpi[0]:g} dpi taken; is it scanned at "
            f"{picture.dpi[0] * sighted.scale:.0f} dpi?"
        )
    ways = (sighted, *sighted.rivals)
    near = tuple(each for each in ways if abs(each.turn) < _UPRIGHT)
    return near if upright and near else ways


def _without(steep: InkMap, placed: _Placed) -> InkMap:
    """The map without what has been found."""
    strength = steep.strength.copy()
    rows, columns = np.nonzero(strength > 0.5 * STRONG)
    xy = (np.column_stack((columns, rows)) + 0.5) * steep.pitch
    lines = np.concatenate([placed.ways[0].found.carry(loop.place) for loop in placed.loops])
    near, _ = cKDTree(lines).query(xy, distance_upper_bound=1.5)
    taken = np.isfinite(near)
    strength[rows[taken], columns[taken]] = 0.0
    return dataclasses.replace(steep, strength=strength)


def _traced(
    picture: Picture, group: _Placed, way: Sighted, drawing: Drawing, shown: str
) -> tuple[list[TracedLoop], float]:
    """Outlines of a group as they were read, and the width of their lines, mm; 0 of pieces."""
    material, void, dark, light = levels_beside(picture, way.found, group.loops)
    stands = max(min(material, void) - dark, light - max(material, void))
    step = abs(material - void)
    if max(stands, step) < FAINT or (step > SIDES * stands) != (shown == PIECES):
        other = LINES if shown == PIECES else PIECES
        raise ValueError(
            f"{picture.source}: shown must say what the picture shows, found {shown!r} and grey "
            f"{material:.0f} and {void:.0f} on both sides of the outlines, {dark:.0f} to "
            f"{light:.0f} on them; is it {other!r}?"
        )
    if shown == PIECES:
        found, width = trace_edges(picture, way.found, group.loops), 0.0
    else:
        dark_line = min(material, void) - dark >= light - max(material, void)
        found, width = trace_lines(picture, way.found, group.loops, dark=dark_line)
    unread = [k for k, loop in zip(group.numbers, found, strict=True) if loop.read < _READ]
    if unread:
        raise ValueError(
            f"{picture.source}: outlines must show clearly, found less than half of "
            f"{_some(drawing, unread)} to read; scan in even light, on a ground that stands out."
        )
    return found, width


def _needs_turn(feature: Feature) -> bool:
    """Whether a feature of outlines that look alike at any turn depends on their turn."""
    gauge = feature.gauge
    if not isinstance(gauge, Extent):
        return False
    return circle_of(gauge.outline) is None or len(gauge.directions) == 1


def _measured(
    chosen: Sequence[Feature],
    samples: Samples,
    way: Sighted,
    traced: Sequence[TracedLoop],
    width: float,
) -> list[Size | None]:
    """Features of one group; None where a side was not read."""
    readers = [feature.gauge.reader(samples) for feature in chosen]
    base = [reader(samples.command[None]) for reader in readers]
    places = (_places(samples, way.scale, traced), _scanned_wrong(samples.command, way.turn))
    out: list[Size | None] = []
    for feature, reader, nominal in zip(chosen, readers, base, strict=True):
        off, wrong = (feature.gauge.size(reader(xy) - nominal) for xy in places)
        if not np.isfinite(off).all():
            out.append(None)
            continue
        uneven = UNEVEN * math.sqrt(-2.0 * math.expm1(-0.5 * (feature.reach / ALIKE) ** 2))
        u = math.hypot(float(off[1:].std()), feature.in_unit(uneven))
        value = float(feature.drawn + off[0] + feature.kerf * width)
        edge = 0.0 if width else 2.0 * EDGE * feature.kerf
        scale, stretch, skew = wrong.tolist()
        out.append(Size(feature, value, u, (scale, stretch, skew, edge)))
    return out


def _places(samples: Samples, scale: float, loops: Sequence[TracedLoop]) -> Array:
    """Samples where the outlines were read, and drawn within what reading leaves unknown.

    Returns: mm, shape (1 + draws, samples, 2); samples that belong to no outline as commanded.
    """
    rng = np.random.default_rng(0)
    frayed = roughness(loops)
    out = np.repeat(samples.command[None], 1 + _DRAWS, axis=0)
    for traced in loops:
        loop = traced.loop
        n = len(traced.off)
        along = _FRAYED / float(np.median(loop.length))
        noise = traced.u * rng.standard_normal((_DRAWS, n))
        fray = gaussian_filter1d(rng.standard_normal((_DRAWS, n)), along, axis=1, mode="wrap")
        fray *= math.sqrt(2.0 * math.sqrt(math.pi) * along) * frayed
        off = traced.off + np.vstack([np.zeros(n), noise + fray])
        xy = scale * samples.command[loop.rows] + loop.moved(off)
        out[:, loop.rows] = xy
        for again in loop.outline.passes[1:]:
            rows: NDArray[np.int64] = samples.of_moves(again)
            _, nearest = cKDTree(samples.command[loop.rows]).query(samples.command[rows])
            out[:, rows] = samples.command[rows] + (
                xy[:, nearest] - samples.command[loop.rows][nearest]
            )
    return out


def _scanned_wrong(command: Array, turn: float) -> Array:
    """Places as each error of an unchecked scanner would show them, mm, shape (3, n, 2)."""
    unknown = ScannerError()
    out = []
    for k, size in enumerate(unknown.deviations):
        mean = [0.0, 0.0, 0.0]
        mean[k] = size
        error = ScannerError((mean[0], mean[1], mean[2])).turned(turn)
        out.append(command @ error.matrix.T)
    return np.array(out)
