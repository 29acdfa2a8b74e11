"""Invented parts: outlines made into paths in any order, direction and start; measuring them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

import gantrysim as gs
from gantrysim.part import Drawing, PartReading, PartSheet
from gantrysim.part.prediction import Course
from gantrysim.pattern import Move

Place = tuple[float, float]


@dataclass(frozen=True)
class Ring:
    """A circle from its start point, by a turn in rad."""

    centre: Place
    radius: float
    start_deg: float = 0.0
    turn: float = math.tau


Shape = Ring | Sequence[Place]


def rectangle(x: float, y: float, wide: float, high: float, *, start: int = 0, cw: bool = False):
    """Corners of a rectangle from its lower left, mm."""
    corners = [(x, y), (x + wide, y), (x + wide, y + high), (x, y + high)]
    corners = corners[start:] + corners[:start]
    return [corners[0], *corners[:0:-1]] if cw else corners


def path_of(shapes: Sequence[Shape], *, feed: float = 20.0, source: str = "part") -> gs.Toolpath:
    """A path that cuts closed outlines one after the other, mm and mm/s."""
    moves: list[Move] = []
    here: Place = (0.0, 0.0)
    for shape in shapes:
        if isinstance(shape, Ring):
            arm = math.radians(shape.start_deg)
            x, y = shape.centre
            begin = (x + shape.radius * math.cos(arm), y + shape.radius * math.sin(arm))
            cut = [Move(begin, begin, True, feed, shape.centre, shape.turn)]
        else:
            corners = [(float(x), float(y)) for x, y in shape]
            begin = corners[0]
            pairs = zip(corners, [*corners[1:], begin], strict=True)
            cut = [Move(a, b, True, feed) for a, b in pairs]
        if here != begin:
            moves.append(Move(here, begin, False, 100.0))
        moves += cut
        here = begin
    return gs.Toolpath(tuple(moves), source=source)


def tab_and_slot(x: float = 70.0, y: float = 60.0) -> gs.Toolpath:
    """Slots A and B along y, slot C along x, tab C, and a hole of 30.10 with its disc of 30.00 mm.

    Sheet of 3 mm; slot B is drawn a quarter of a millimetre too wide.  It lies below slot A and is
    cut after it, so that the gantry comes to it from above.
    """
    return path_of(
        [
            rectangle(x + 50, y + 20, 20.0, 3.10),
            rectangle(x + 50, y + 8, 20.0, 3.35),
            rectangle(x + 80, y + 20, 3.10, 20.0),
            Ring((x + 25.0, y + 30.0), 15.05, 180.0),
            rectangle(x, y, 100.0, 60.0),
            rectangle(x + 90, y + 68, 12.0, 20.0),
            Ring((x + 60.0, y + 84.0), 15.0, 180.0),
        ],
        source="tab and slot",
    )


def true_errors(machine: gs.Machine, drawing: Drawing) -> np.ndarray:
    """What a machine whose masses swing makes of each feature, less what is drawn, mm."""
    course = Course.of(drawing, "dynamics", step=0.5)
    local = course.read(course.swung(machine)[None])
    pairs = zip(drawing.features, local, strict=True)
    return np.array([float(f.gauge.size(each)[0]) for f, each in pairs])


def measured(
    drawing: Drawing,
    errors: np.ndarray,
    kerf: float,
    rng: np.random.Generator,
    *,
    permissible: float = 0.03,
    hand: float = 0.02,
) -> PartSheet:
    """Sizes as a caliper with its own zero and scale reads them, mm."""
    zero, scale = permissible / math.sqrt(3.0) * rng.uniform(-1.7, 1.7, 2)
    readings = []
    for f, error in zip(drawing.features, errors, strict=True):
        if f.unit == "mm":
            true = f.drawn + error + f.kerf * kerf
            value = true + zero + scale * true / 150.0 + hand * rng.standard_normal()
            readings.append(PartReading(f.name, f.drawn, round(value, 2)))
    return PartSheet(drawing, tuple(readings), "bench", permissible_error=permissible)
