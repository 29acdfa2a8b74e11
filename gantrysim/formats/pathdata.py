"""Path data of SVG as straight lines, circular arcs and chords of other curves.

Grammar and arc formulas of SVG 1.1, W3C Recommendation 2011, clause 8.3 and appendix F.6 (from
memory): commands M L H V C S Q T A Z, small letters relative, numbers run together where they can
be told apart, arc flags a single digit.  Curves that are no circles under the transform become
chords that leave them by no more than a tolerance.
"""

from __future__ import annotations

import cmath
import itertools
import math
import re
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from gantrysim.records import limits

#: A number.  Every choice in it is final (possessive): no text takes longer than its length.
NUMBER = r"[+-]?+(?:\d++\.?+\d*+|\.\d++)(?:[eE][+-]?+\d++)?+"
_NUMBER = re.compile(NUMBER)
_FLAG = re.compile(r"[01]")
_BETWEEN = re.compile(r"[\s,]*")
_COUNTS = {"M": 2, "L": 2, "H": 1, "V": 1, "C": 6, "S": 4, "Q": 4, "T": 2, "A": 7, "Z": 0}


class Allowance:
    """How much of a drawing is read: one count for all that takes time."""

    def __init__(self) -> None:
        self._left = limits.DRAWING_PARTS

    def spend(self, parts: int = 1) -> None:
        """Take so many elements, transforms, path commands or chords from what is left."""
        self._left -= parts
        if self._left < 0:
            raise ValueError(
                f"more than {limits.DRAWING_PARTS} elements, transforms, path commands and chords; "
                "split the drawing"
            )


@dataclass(frozen=True)
class Affine:
    """x + iy goes to a x + c y + e + i (b x + d y + f), as `matrix(a b c d e f)` of SVG."""

    a: float = 1.0
    b: float = 0.0
    c: float = 0.0
    d: float = 1.0
    e: float = 0.0
    f: float = 0.0

    def __call__(self, z: complex) -> complex:
        """Where a place goes."""
        return complex(
            self.a * z.real + self.c * z.imag + self.e, self.b * z.real + self.d * z.imag + self.f
        )

    def after(self, first: Affine) -> Affine:
        """Both, another one first."""
        e = self(complex(first.e, first.f))
        one = self(complex(first.a, first.b)) - self(0j)
        two = self(complex(first.c, first.d)) - self(0j)
        return Affine(one.real, one.imag, two.real, two.imag, e.real, e.imag)

    def round_scale(self) -> float | None:
        """How many times larger circles become; None if they do not stay circles."""
        one, two = complex(self.a, self.b), complex(self.c, self.d)
        size = abs(one)
        right = abs(one.real * two.real + one.imag * two.imag) <= 1e-9 * size * size
        return size if size > 0.0 and right and abs(abs(two) - size) <= 1e-9 * size else None

    @property
    def turns_over(self) -> bool:
        """Whether it makes mirror images."""
        return self.a * self.d - self.b * self.c < 0.0


@dataclass(frozen=True)
class Segment:
    """A straight line, or an arc about a centre; `turn` in rad, counter-clockwise positive."""

    start: complex
    end: complex
    centre: complex | None = None
    turn: float = 0.0


def segments_of(data: str, to: Affine, tolerance: float, allowed: Allowance) -> list[Segment]:
    """Segments of path data after a transform.

    ``data``: the attribute `d`.  ``to``: from its units to mm.  ``tolerance``: how far chords may
    leave a curve, mm.  ``allowed``: what is left of the drawing's parts.  ValueError with what is
    wrong in the path data.
    """
    found: list[Segment] = []
    here = begin = control = 0j
    before, drawn = "", 0
    for command, given in _commands(data):
        kind, relative = command.upper(), command.islower()
        base = here if relative else 0j
        pairs = [base + complex(*given[k : k + 2]) for k in range(0, len(given) - 1, 2)]
        if not before and kind != "M":
            raise ValueError(f"path data must begin with M, found {command!r}")
        if kind == "M":
            here = begin = pairs[0]
        elif kind == "Z":
            found += _line(here, begin, to)
            here = begin
        elif kind in "LHV":
            end = pairs[0] if kind == "L" else _along(kind, given[0], here, relative)
            found += _line(here, end, to)
            here = end
        elif kind in "CSQT":
            smooth = 2 * here - control if before in ("CS" if kind in "CS" else "QT") else here
            points = [here, *([smooth] if kind in "ST" else []), *pairs]
            found += _bezier(points, to, tolerance)
            control, here = points[-2], points[-1]
        else:
            end = base + complex(given[5], given[6])
            found += _arc(here, end, given, to, tolerance)
            here = end
        before = kind
        allowed.spend(max(1, len(found) - drawn))  # before the next curve takes more memory still
        drawn = len(found)
    return found


def ellipse(centre: complex, rx: float, ry: float, to: Affine, tolerance: float) -> list[Segment]:
    """Once round a circle or an ellipse along the axes."""
    return _turned(centre, rx, ry, 0.0, 0.0, math.tau, to, tolerance)


def _commands(data: str) -> Iterator[tuple[str, list[float]]]:
    """Commands with the numbers of one use of each; those after M are L."""
    place, command = 0, ""
    while (place := _skip(data, place)) < len(data):
        letter = data[place]
        if letter.isalpha():
            if letter.upper() not in _COUNTS:
                raise ValueError(f"path data has the unknown command {letter!r}")
            command, place = letter, place + 1
        elif command in ("", "Z", "z"):
            raise ValueError(f"path data needs a command, found {data[place : place + 12]!r}")
        given = []
        for k in range(_COUNTS[command.upper()]):
            place = _skip(data, place)
            flag = command in "Aa" and k in (3, 4)
            number = (_FLAG if flag else _NUMBER).match(data, place)
            value = math.nan if number is None else float(number[0])
            if number is None or not math.isfinite(value):
                found = data[place : place + 12]
                raise ValueError(f"path data needs a number after {command!r}, found {found!r}")
            given.append(value)
            place = number.end()
        yield command, given
        command = {"M": "L", "m": "l"}.get(command, command)


def _skip(data: str, place: int) -> int:
    found = _BETWEEN.match(data, place)
    return found.end() if found else place


def _along(kind: str, value: float, here: complex, relative: bool) -> complex:
    if kind == "H":
        return complex(value + (here.real if relative else 0.0), here.imag)
    return complex(here.real, value + (here.imag if relative else 0.0))


def _line(start: complex, end: complex, to: Affine) -> list[Segment]:
    return [Segment(to(start), to(end))] if start != end else []


def _bezier(points: list[complex], to: Affine, tolerance: float) -> list[Segment]:
    """Chords of a Bezier curve of degree 2 or 3, uniform in its parameter.

    A chord over h of the parameter leaves the curve by at most h^2 / 8 of the second derivative,
    which is n (n - 1) times a second difference of the control points (any text on curves).
    """
    p = np.array([to(z) for z in points])
    degree = len(p) - 1
    bend = degree * (degree - 1) * float(np.abs(np.diff(p, 2)).max())
    count = _chords(math.sqrt(bend / (8.0 * tolerance)))
    t = np.arange(count + 1) / count
    terms = [math.comb(degree, k) * t**k * (1 - t) ** (degree - k) * z for k, z in enumerate(p)]
    return _chain([complex(z) for z in sum(terms[1:], terms[0])])


def _arc(
    start: complex, end: complex, given: list[float], to: Affine, tolerance: float
) -> list[Segment]:
    """An elliptical arc by its ends: centre and angles by appendix F.6.5, radii by F.6.6."""
    rx, ry, tilt = abs(given[0]), abs(given[1]), math.radians(given[2])
    if start == end:
        return []
    if rx == 0.0 or ry == 0.0:
        return _line(start, end, to)
    half = 0.5 * (start - end) * cmath.exp(-1j * tilt)
    one = complex(half.real / rx, half.imag / ry)  # of half the chord on the unit circle
    grow = max(abs(one), 1.0)
    rx, ry, one = rx * grow, ry * grow, one / grow
    rise = math.sqrt(max(1.0 - abs(one) ** 2, 0.0))
    off = 1j * one / abs(one) * rise * (1.0 if given[3] != given[4] else -1.0)
    first = cmath.phase(one + off) if (one + off) else 0.0
    last = cmath.phase(-one + off)
    turn = (last - first) % math.tau if given[4] else -((first - last) % math.tau)
    centre = 0.5 * (start + end) - complex(rx * off.real, ry * off.imag) * cmath.exp(1j * tilt)
    pieces = _turned(centre, rx, ry, tilt, first, turn, to, tolerance)
    return _with_ends(pieces, to(start), to(end))


def _turned(
    centre: complex,
    rx: float,
    ry: float,
    tilt: float,
    first: float,
    turn: float,
    to: Affine,
    tolerance: float,
) -> list[Segment]:
    """An arc about a centre, a true one where it is a circle after the transform."""

    def at(angle: float) -> complex:
        on = complex(rx * math.cos(angle), ry * math.sin(angle))
        return to(centre + on * cmath.exp(1j * tilt))

    scale = to.round_scale()
    if scale is not None and abs(rx - ry) <= 1e-9 * rx:
        end = at(first) if abs(turn) == math.tau else at(first + turn)
        sign = -1.0 if to.turns_over else 1.0
        return [Segment(at(first), end, to(centre), sign * turn)]
    largest = max(rx, ry) * math.hypot(to.a, to.b, to.c, to.d)
    count = _chords(abs(turn) * math.sqrt(largest / (8.0 * tolerance)))
    places = [at(first + turn * k / count) for k in range(count + 1)]
    if abs(turn) == math.tau:
        places[-1] = places[0]
    return _chain(places)


def _chords(wanted: float) -> int:
    if not wanted <= limits.CHORDS:
        raise ValueError(f"a curve would need {wanted:.2g} chords, {limits.CHORDS} are accepted")
    return max(4, math.ceil(wanted))


def _chain(places: list[complex]) -> list[Segment]:
    return [Segment(a, b) for a, b in itertools.pairwise(places) if a != b]


def _with_ends(pieces: list[Segment], start: complex, end: complex) -> list[Segment]:
    """Pieces with the ends that were written, not those that were reckoned."""
    if not pieces:
        return []
    out = list(pieces)
    out[0] = Segment(start, out[0].end, out[0].centre, out[0].turn)
    out[-1] = Segment(out[-1].start, end, out[-1].centre, out[-1].turn)
    return out
