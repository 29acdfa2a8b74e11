"""What else a piece may be: the same points of a test that was burned otherwise, or turned over.

A test file is edited after the burn, a piece is laid down the wrong way up, a design is moved on
the bed.  Each such slip is a `Restatement`: the piece as it would have to be stated then, how
likely the slip is, and words for the person who may have made it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace

import numpy as np

from gantrysim.instruments.points import Piece
from gantrysim.instruments.scanner import ScannerError
from gantrysim.pattern.nests import Nest
from gantrysim.pattern.ringtest import RingTest
from gantrysim.pattern.shapes import shape_of
from gantrysim.records.arrays import Array, rotation

#: How often each slip is met, as odds against the statement being right.  What hardly shows in a
#: burn when it happens (the order of the shapes, the number of passes) is not looked for: it could
#: only be found where it is not.  All are judgement: about one piece in ten is handed in with
#: something of this kind wrong, no source.
ODDS = {
    "start": 0.01,  # another start point: drawing programs choose it
    "direction": 0.01,  # the same, and a mirrored drawing turns it over
    "order": 0.01,  # a path optimiser sorted the rings
    "sizes": 0.02,  # another version of the file, or a wrong resolution of the scan
    "centre": 0.02,  # the design was moved to fit the blank
    "turned": 0.03,  # laid on the scanner as it came, no mark to see it by
    "mirrored": 0.01,  # laid on its face, or points noted from the back
    "machine": 0.01,  # pieces were confused, or a nut was turned between the burns
}
#: What a slip must gain beyond others before it is believed, nats: a moved centre changes belts by
#: some per cent, and so may what the model of a large fault lacks (51 nats were seen of a piece
#: that was stated right; judgement).
LIKE_A_MACHINE = {"centre": 60.0}
#: Of a slip in how the piece lay, where a mark burned beside the rings was read: so much of it.
MARK_READ = 0.1
#: How far a moved centre is looked for, mm: nearer the machine hardly differs (belts by some per
#: cent), and a design moved on the bed is moved by the size of a hand.
MOVED = 60.0
#: Sizes off by less than this part, or by less than so much, mm, are the machine's or the
#: scanner's; a common factor is believed to lie within a tenth, of which one in so many is told.
RESIZED, LEAST, CHOICES = 0.005, 0.3, 40.0
#: Sizes that follow no common spacing to this are no other test, mm: faults shift mean sizes less.
SPACED = 0.1
#: Measured size of a square that stands on a corner spreads by a fifth of it; upright by no more
#: than faults bend its sides.
ON_CORNER = 0.1


@dataclass(frozen=True)
class RingSeen:
    """What the points of a ring show of its size, in the piece as it was placed.

    Parameters
    ----------
    size : float
        Middle measured radius or half side, mm.
    spread : float
        Standard deviation of it along the ring, mm.
    """

    size: float
    spread: float


@dataclass(frozen=True, eq=False)
class Restatement:
    """A piece as it must be stated if a slip was made.

    Parameters
    ----------
    kind : str
        The slip, one of `ODDS`.
    words : str
        What it looks like and what was said instead, a clause without its full stop.
    log_odds : float
        Prior log odds of this slip against none.
    piece : Piece
        The piece restated: its lines stand in the same order.
    turn : ndarray, shape (2, 2)
        Orthogonal matrix that takes the stated points, mm, to the restated ones.
    """

    kind: str
    words: str
    log_odds: float
    piece: Piece
    turn: Array

    @property
    def of_test(self) -> bool:
        """Whether the test is restated, and not how the points lie."""
        return bool(np.array_equal(self.turn, np.eye(2)))

    @property
    def on_corner(self) -> bool:
        """Whether its squares stood on a corner: then no point keeps its side."""
        return _has_squares(self.piece.test) and 0.1 < abs(self.turn[0, 0]) < 0.9


Rings = Mapping[tuple[str, int], RingSeen]


def restatements(piece: Piece, rings: Rings) -> list[Restatement]:
    """All plausible slips about one piece.

    Parameters
    ----------
    piece : Piece
        The piece as stated.
    rings : dict of (shape, ring) to RingSeen
        What its rings show.
    """
    found: list[Restatement] = []
    for kind, tests in (
        ("start", _starts(piece.test)),
        ("direction", _directions(piece.test)),
        ("order", _orders(piece.test)),
        ("sizes", _sizes(piece.test, rings)),
        ("centre", _centres(piece.test)),
    ):
        every = list(tests)
        odds = math.log(ODDS[kind] / max(len(every), 1))
        odds -= math.log(CHOICES) if kind == "sizes" else 0.0
        for test, words in every:
            found.append(Restatement(kind, words, odds, _of_test(piece, test), np.eye(2)))
    for kind, ways in (("turned", list(_turns(piece, rings))), ("mirrored", list(_mirrors(piece)))):
        seen = MARK_READ if piece.test.orientation_mark and piece.record is not None else 1.0
        odds = math.log(seen * ODDS[kind] / max(len(ways), 1))
        if kind == "turned" and not piece.quarter_known:
            odds = 0.0  # nobody knows how it lay: each way is as likely as the one stated
        for turn, words in ways:
            found.append(Restatement(kind, words, odds, _laid(piece, turn), turn))
    return found


def _of_test(piece: Piece, test: RingTest) -> Piece:
    """The piece with another test."""
    lines = tuple(
        replace(line, size=test.nest(line.shape).sizes[line.ring]) for line in piece.lines
    )
    return replace(piece, test=test, lines=lines)


# Another test

Restated = Iterator[tuple[RingTest, str]]


def _starts(test: RingTest) -> Restated:
    def said(nest: Nest) -> str:
        return f"{nest.start_deg:g} degrees"

    for turn in (90.0, 180.0, 270.0):
        nests = tuple(replace(n, start_deg=(n.start_deg + turn) % 360.0) for n in test.nests)
        here, there = _by_shape(nests, said), _by_shape(test.nests, said)
        words = f"it looks burned from {here}; the test says from {there}"
        yield replace(test, nests=nests), words


def _directions(test: RingTest) -> Restated:
    other = {"ccw": "cw", "cw": "ccw"}

    def said(nest: Nest) -> str:
        return {"ccw": "counter-clockwise", "cw": "clockwise"}[nest.direction]

    shapes = tuple(nest.shape for nest in test.nests)
    for turned in dict.fromkeys((shapes, *((shape,) for shape in shapes))):
        nests = tuple(
            replace(n, direction=other[n.direction]) if n.shape in turned else n for n in test.nests
        )
        here, there = _by_shape(nests, said), _by_shape(test.nests, said)
        yield replace(test, nests=nests), f"it looks burned {here}; the test says {there}"


def _by_shape(nests: Iterable[Nest], said: Callable[[Nest], str]) -> str:
    """What is said of each nest; once where it is the same of all."""
    ways = {shape_of(nest.shape).plural: said(nest) for nest in nests}
    if len(set(ways.values())) == 1:
        return next(iter(ways.values()))
    return " and ".join(f"{way} ({shapes})" for shapes, way in ways.items())


def _orders(test: RingTest) -> Restated:
    turned = _resequenced(test, lambda own: list(reversed(own)))
    if turned == test.sequence:
        return
    inward = test.order == "inside_out"
    order = "outside_in" if inward else "inside_out"
    here, there = ("outside in", "inside out") if inward else ("inside out", "outside in")
    words = f"its rings look burned from the {here}; the test says from the {there}"
    yield replace(test, sequence=turned, order=order), words


def _resequenced(
    test: RingTest, change: Callable[[list[int]], list[int]]
) -> tuple[tuple[str, int, int], ...]:
    """The sequence with the visits to each shape in another order, in the same slots."""
    own = {
        nest.shape: [k for k, visit in enumerate(test.sequence) if visit[0] == nest.shape]
        for nest in test.nests
    }
    sequence = list(test.sequence)
    for slots in own.values():
        for slot, taken in zip(slots, change(slots), strict=True):
            sequence[slot] = test.sequence[taken]
    return tuple(sequence)


def _sizes(test: RingTest, rings: Rings) -> Restated:
    """The test whose sizes the measured ones are, where they follow a common spacing."""
    if _on_corner(rings):
        return
    nests = [_resized(nest, rings) for nest in test.nests]
    new = tuple(nest for nest in nests if nest is not None)
    if len(new) < len(nests):
        return
    pairs = list(zip(new, test.nests, strict=True))
    sizes = [(x, y) for a, b in pairs for x, y in zip(a.sizes, b.sizes, strict=True)]
    if all(abs(x - y) < max(RESIZED * y, LEAST) for x, y in sizes):
        return
    steps = [_span(a) / _span(b) for a, b in pairs if len(b.sizes) > 1]
    spacing = round(test.spacing * (steps[0] if steps else sizes[0][0] / sizes[0][1]), 3)
    words = (
        f"its rings measure {spacing:.4g} mm from one to the next, the largest "
        f"{new[0].sizes[-1]:.4g} mm; the test says {test.spacing:g} and "
        f"{test.nests[0].sizes[-1]:g} mm: other sizes were burned, or the unit or the resolution "
        "of the scan is wrong"
    )
    yield replace(test, nests=new, spacing=spacing), words


def _span(nest: Nest) -> float:
    """From the innermost to the outermost ring, mm."""
    return nest.sizes[-1] - nest.sizes[0]


def _resized(nest: Nest, rings: Rings) -> Nest | None:
    """The nest of the sizes that its rings show; None where they follow no common spacing."""
    shown = [k for k in range(len(nest.sizes)) if (nest.shape, k) in rings]
    said = np.array([nest.sizes[k] for k in shown])
    seen = np.array([rings[nest.shape, k].size for k in shown])
    if not shown:
        return None
    if len(shown) > 2:
        slope, rest = np.polyfit(said, seen, 1)
    else:
        slope, rest = float(said @ seen / (said @ said)), 0.0
    sizes = tuple(round(float(slope * size + rest), 3) for size in nest.sizes)
    off = float(np.sqrt(np.mean((slope * said + rest - seen) ** 2)))
    return replace(nest, sizes=sizes) if off < SPACED and sizes[0] > 0.0 and slope > 0.0 else None


def _centres(test: RingTest) -> Restated:
    for dx, dy in ((1, 1), (1, -1), (-1, 1), (-1, -1)):
        nests = tuple(
            replace(n, centre=(n.centre[0] + MOVED * dx, n.centre[1] + MOVED * dy))
            for n in test.nests
        )
        x, y = np.mean([nest.centre for nest in nests], axis=0)
        a, b = np.mean([nest.centre for nest in test.nests], axis=0)
        words = (
            f"it looks burned elsewhere on the bed, nearer ({x:.0f}, {y:.0f}) mm; "
            f"the test says about ({a:.0f}, {b:.0f}) mm"
        )
        yield replace(test, nests=nests), words


# The piece laid down otherwise

Moved = Iterator[tuple[Array, str]]


def _turns(piece: Piece, rings: Rings) -> Moved:
    """Turns of which the placement of the piece does not find out by itself."""
    if not _about_one_centre(piece.test):
        return
    degrees = [90, 180, 270]
    if not _has_squares(piece.test) or _on_corner(rings):
        degrees += [45, 135, 225, 315]
    for turn in degrees:
        if turn == 180:
            words = "the piece looks measured upside down"
        else:
            less = f"{turn} degrees counter-" if turn < 180 else f"{360 - turn} degrees "
            words = f"the piece looks turned by {less}clockwise where it was measured"
        yield rotation(-math.radians(turn)), words


def _mirrors(piece: Piece) -> Moved:
    """Mirrorings; where nests lie beside each other they tell the turn, and one stands for all."""
    ways = {
        "left to right": ((-1.0, 0.0), (0.0, 1.0)),
        "top to bottom": ((1.0, 0.0), (0.0, -1.0)),
        "about a diagonal": ((0.0, 1.0), (1.0, 0.0)),
        "about the other diagonal": ((0.0, -1.0), (-1.0, 0.0)),
    }
    for how, matrix in ways.items() if _about_one_centre(piece.test) else list(ways.items())[:1]:
        yield (
            np.array(matrix),
            f"the piece looks measured from its back, or its points mirrored {how}",
        )


def _about_one_centre(test: RingTest) -> bool:
    return len({nest.centre for nest in test.nests}) == 1


def _has_squares(test: RingTest) -> bool:
    return any(shape_of(nest.shape).has_corners for nest in test.nests)


def _on_corner(rings: Rings) -> bool:
    """Whether squares stand on a corner: then the middle of a side is 0.7 times as far as meant."""
    squares = [r.spread / r.size for (shape, _), r in rings.items() if shape_of(shape).has_corners]
    return bool(squares) and float(np.median(squares)) > ON_CORNER


def _laid(piece: Piece, turn: Array) -> Piece:
    """The piece with its points turned or mirrored, and the scanner's errors with them."""
    lines = tuple(replace(line, xy=line.xy @ turn.T) for line in piece.lines)
    return replace(piece, lines=lines, scanner=_scanner_seen(piece.scanner, turn))


def _scanner_seen(scanner: ScannerError, turn: Array) -> ScannerError:
    """A scanner's errors in a frame turned or mirrored against its own."""
    if np.linalg.det(turn) < 0.0:  # left to right, then a turn: a skew changes its sign
        sign = np.array([1.0, 1.0, -1.0])
        common, difference, skew = scanner.mean
        scanner = ScannerError(
            (common, difference, -skew), scanner.covariance * np.outer(sign, sign)
        )
        turn = turn @ np.diag([-1.0, 1.0])
    angle = math.atan2(turn[1, 0], turn[0, 0])
    return scanner.turned(-angle)
