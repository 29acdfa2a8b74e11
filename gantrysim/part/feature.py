"""One feature of a drawing: its name, kind and drawn size, and how it is measured."""

from __future__ import annotations

import math
from copy import copy
from dataclasses import dataclass
from typing import Any

from gantrysim.part.gauges import Gauge
from gantrysim.records.doors import checked

Place = tuple[float, float]


@checked
@dataclass(frozen=True, eq=False)
class Feature:
    """A feature of a drawing.

    Parameters
    ----------
    name : str
        Short, such as "S1" for the first slot, "H2x" for the diameter of the second hole along x.
    kind : str
        What it is, in words.
    drawn : float
        As drawn, mm or degrees.
    side : int
        +1 for an internal feature, which the width of the cut makes larger (a slot, a hole), -1 for
        an external one (a tab, a disc), 0 where it makes no difference (centre distances, angles).
    place : (float, float)
        Where its name is written, mm.
    ends : pair of (float, float)
        Of its dimension line, mm.
    gauge : Gauge
        How it is measured on a burned path.
    unit : str
        "mm" or "deg".
    outline : str
        What the drawing calls the outline on which it lies, where it does.
    """

    name: str
    kind: str
    drawn: float
    side: int
    place: Place
    ends: tuple[Place, Place]
    gauge: Gauge
    unit: str = "mm"
    outline: str = ""

    @property
    def words(self) -> str:
        """What it is, behind what its drawing calls the outline: '"slot-A", slot'."""
        return f'"{self.outline}", {self.kind}' if self.outline else self.kind

    @property
    def kerf(self) -> float:
        """How much one width of the cut adds to it: of a radius half as much as of a diameter."""
        return 0.5 * self.side if self.kind == "radius" else float(self.side)

    @property
    def reach(self) -> float:
        """Length of its dimension line, mm: of an angle from arm to arm."""
        return math.dist(*self.ends)

    def in_unit(self, off: float) -> float:
        """What a side that is off by so many mm makes of it, in its unit.

        An angle is told by its arms: from the middle of one to that of the other.
        """
        return off if self.unit == "mm" else math.degrees(off / max(self.reach, 1.0))

    def renamed(self, name: str) -> Feature:
        """The feature under another name."""
        return self._with("name", name)

    def of_kind(self, kind: str) -> Feature:
        """The feature said to be of another kind."""
        return self._with("kind", kind)

    def on_outline(self, outline: str) -> Feature:
        """The feature on an outline of a name."""
        return self._with("outline", outline)

    def _with(self, field: str, word: str) -> Feature:
        """A copy whose fields are not looked at again: drawings have thousands of features."""
        new = copy(self)
        object.__setattr__(new, field, word)
        return new

    def to_dict(self) -> dict[str, Any]:
        """Plain Python types; the unit of the size stands beside it."""
        return {
            "name": self.name, "kind": self.kind, "outline": self.outline, "drawn": self.drawn,
            "unit": self.unit, "side": self.side, "place_mm": list(self.place),
            "ends_mm": [list(end) for end in self.ends],
        }  # fmt: skip

    def __repr__(self) -> str:
        return f"Feature({self.name}: {self.kind}, {self.drawn:.2f} {self.unit})"
