"""The same circles drawn in both senses: ISO 230-4 ring by ring, from two burns or pieces."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gantrysim.metrology.circular import BothWays, both_ways
from gantrysim.paths import Line

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class DirectionTest:
    """Circles drawn counter-clockwise beside the same circles drawn clockwise.

    Parameters
    ----------
    rings : tuple of BothWays
        One for each circle that both hold, inner first; lengths in mm.
    ccw, cw : str
        What was measured in each sense.
    """

    rings: tuple[BothWays, ...]
    ccw: str
    cw: str

    def to_dict(self) -> dict[str, Any]:
        """Plain numbers, mm and degrees."""
        return {"ccw": self.ccw, "cw": self.cw, "rings": [ring.to_dict() for ring in self.rings]}

    def __iter__(self) -> Iterator[BothWays]:
        return iter(self.rings)

    def __len__(self) -> int:
        return len(self.rings)

    def __repr__(self) -> str:
        worst = max(self.rings, key=lambda ring: ring.H)
        return (
            f"DirectionTest({len(self.rings)} circles, {self.ccw} and {self.cw}: "
            f"H up to {worst.H * 1e3:.1f} µm at radius {worst.nominal_radius:g} mm)"
        )

    def _repr_html_(self) -> str:
        rows = "".join(
            f"<tr><td>{b.nominal_radius:g}</td>"
            + "".join(
                f"<td>{1e3 * v:.1f}</td>"
                for v in (b.ccw.RONt, b.cw.RONt, b.G_b, b.H, b.D, b.F_min, b.F_max)
            )
            + "</tr>"
            for b in self.rings
        )
        head = "".join(
            f"<th>{word}</th>"
            for word in ("radius, mm", "G ccw", "G cw", "G(b)", "H", "D", "F min", "F max")
        )
        return (
            "<table><caption>Both senses of travel, ISO 230-4 (from memory), µm</caption>"
            f"<tr>{head}</tr>{rows}</table>"
        )


def match_directions(
    ccw: Sequence[Line], cw: Sequence[Line], names: tuple[str, str],
    frames: tuple[Callable[[Array], Array], Callable[[Array], Array]],
) -> DirectionTest:  # fmt: skip
    """Pair the circles of two sets of outlines by their commanded radius.

    Parameters
    ----------
    ccw, cw : sequence of Line
        Whole outlines of circles, mm, every pass its own.
    names : (str, str)
        What was measured in each sense.
    frames : (callable, callable)
        What brings the points of each set, shape (n, 2), into one frame, mm.

    Raises
    ------
    ValueError
        If no circle is in both.
    """
    by_size: list[dict[float, list[Array]]] = [{}, {}]
    for found, lines, frame in zip(by_size, (ccw, cw), frames, strict=True):
        for line in lines:
            if line.shape == "circle":
                found.setdefault(round(line.size, 6), []).append(frame(line.xy))
    shared = sorted(by_size[0].keys() & by_size[1].keys())
    if not shared:
        raise ValueError(
            f"{names[0]} and {names[1]} have no circle of one commanded radius in common."
        )
    return DirectionTest(tuple(both_ways(by_size[0][r], by_size[1][r], r) for r in shared), *names)


def straightened(rotation_deg: float, centre: Array) -> Callable[[Array], Array]:
    """Turn points back by a rotation (degrees) about a centre (mm) that becomes the origin."""
    c, s = math.cos(math.radians(rotation_deg)), math.sin(math.radians(rotation_deg))
    turn = np.array(((c, -s), (s, c)))
    return lambda xy: np.asarray((xy - centre) @ turn)
