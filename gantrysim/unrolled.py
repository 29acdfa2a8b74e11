"""Rings unrolled over the angle: the outward error of every point, about the ring's centre."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import NDArray

from gantrysim.burn import Burn
from gantrysim.inverse.residual import first_placement
from gantrysim.measured.points import Piece
from gantrysim.paths import Line, Nest

Array = NDArray[np.float64]

MAX_UNROLLED = 5  # rings in one picture; more hide each other


def mean_shift(burn: Burn) -> Array:
    """Mean error of the whole pattern, mm, shape (2,): what a lifted piece cannot show."""
    shift: Array = np.concatenate(burn.errors).mean(axis=0)
    return shift


def centred(source: Burn | Piece | Iterable[Line], shape: str) -> list[Line]:
    """Lines of one shape with their coordinates about the centre of the ring, mm.

    A burn is taken less its mean shift; a piece is turned and shifted onto its test; plain lines
    are taken about their common middle.

    Raises
    ------
    ValueError
        If plain lines hold none of this shape.
    """
    if isinstance(source, Burn):
        offset = np.array([source.machine.head.along, source.machine.head.beyond])
        shift = mean_shift(source)
        return _about(source.lines, shape, source.test.nests, offset + shift)
    if isinstance(source, Piece):
        pivot = np.mean([n.centre for n in source.test.nests], axis=0)
        place = first_placement(source, pivot, np.zeros(2))
        c, s = math.cos(place[0]), math.sin(place[0])
        back = np.array([[c, -s], [s, c]])
        placed = [
            Line(x.shape, x.ring, x.size, x.pass_index, (x.xy - place[1:3]) @ back + pivot)
            for x in source.lines
        ]
        return _about(placed, shape, source.test.nests, np.zeros(2))
    own = [x for x in source if x.shape == shape]
    if not own:
        raise ValueError(f"there is no {shape} among these lines.")
    middle = np.mean([(x.xy.min(axis=0) + x.xy.max(axis=0)) / 2 for x in own], axis=0)
    return [Line(x.shape, x.ring, x.size, x.pass_index, x.xy - middle) for x in own]


def _about(lines: Iterable[Line], shape: str, nests: Sequence[Nest], offset: Array) -> list[Line]:
    centres = {nest.shape: np.asarray(nest.centre) + offset for nest in nests}
    return [
        Line(x.shape, x.ring, x.size, x.pass_index, x.xy - centres[shape])
        for x in lines
        if x.shape == shape
    ]


def chosen_rings(lines: list[Line], shape: str, rings: Sequence[int] | None) -> list[int]:
    """Rings to draw: those asked for, or at most `MAX_UNROLLED` from innermost to outermost.

    Raises
    ------
    ValueError
        If there is none, or one asked for is not here.
    """
    have = sorted({line.ring for line in lines if len(line.xy)})
    if not have:
        raise ValueError(f"there is no {shape} to unroll here.")
    if rings is None:
        count = min(MAX_UNROLLED, len(have))
        return [have[round(k)] for k in np.linspace(0, len(have) - 1, count)]
    for ring in rings:
        if ring not in have:
            raise ValueError(
                f"rings must be among the {shape}s here, {have[0]} to {have[-1]}, found {ring!r}."
            )
    return list(rings)


def unroll(line: Line) -> tuple[Array, Array]:
    """Angle, degrees from 0 to 360 ascending, and outward error, um."""
    x, y = line.xy.T
    reach = np.hypot(x, y) if line.shape == "circle" else np.maximum(np.abs(x), np.abs(y))
    angle = np.mod(np.degrees(np.arctan2(y, x)), 360.0)
    order = np.argsort(angle, kind="stable")
    return angle[order], 1e3 * (reach - line.size)[order]
