"""Rows of the table of measures: one circle or square of one pass, and the spacing of two rings."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar

from gantrysim.metrology.circular import CircularDeviation, Gap
from gantrysim.metrology.harmonics import Harmonics
from gantrysim.metrology.squares import SquareGeometry
from gantrysim.pattern.shapes import CIRCLE, SQUARE
from gantrysim.records.doors import checked
from gantrysim.records.table import fields_of

ORDERS = (2, 3, 4)  # harmonics in the table


@checked
@dataclass(frozen=True, eq=False)
class CircleRow:
    """Measures of one circle, one pass.

    Parameters
    ----------
    ring, pass_index : int
        Ring from 0 = innermost; pass from 0, -1 where passes are not told apart.
    n_points : int
        Points used.
    path : CircularDeviation
        Reference circles, G, F, D and the closing gap.
    lobes : Harmonics or None
        Harmonics of the radial deviation; None with too few points for order 4.
    diameter_x, diameter_y : float or None
        Diameter along the machine's axes where these reverse (`sizes.reversal_diameter`), mm; None
        with too few points there.
    rotation_deg : float
        Rotation taken off directions, degrees.
    ccw : bool
        Whether the circle was drawn counter-clockwise.
    """

    ring: int
    pass_index: int
    n_points: int
    path: CircularDeviation
    lobes: Harmonics | None
    diameter_x: float | None
    diameter_y: float | None
    rotation_deg: float
    ccw: bool

    shape: ClassVar[str] = CIRCLE.name

    @property
    def place(self) -> tuple[str, int, int]:
        """Shape, ring and pass."""
        return self.shape, self.ring, self.pass_index

    @property
    def size(self) -> float:
        """Commanded radius, mm."""
        return self.path.nominal_radius

    @property
    def measured_size(self) -> float:
        """Radius of the least-squares circle, mm."""
        return self.path.least_squares.radius

    @property
    def gap(self) -> Gap | None:
        """From the first drawn point to the last; None on a measured piece."""
        return self.path.gap

    @property
    def long_axis_deg(self) -> float | None:
        """Direction of the largest diameter, degrees from the x axis of the table, 0 to 180."""
        return None if self.lobes is None else (self.lobes.long_axis_deg - self.rotation_deg) % 180

    def to_dict(self) -> dict[str, Any]:
        """Plain numbers; the name of each carries its unit."""
        circle, lobes = self.path.least_squares, self.lobes
        return {
            **_begin(self),
            "n_points": self.n_points,
            "radius_mm": circle.radius,
            "RONt_ls_mm": circle.RONt,
            "RONt_mz_mm": self.path.minimum_zone.RONt,
            **fields_of(circle, "RONp_mm RONv_mm RONq_mm"),
            **fields_of(self.path, "F_max_mm F_min_mm D_mm"),
            "ovality_mm": lobes.ovality if lobes else None,
            "long_axis_deg": self.long_axis_deg,
            **{f"harmonic_{n}_mm": lobes[n].amplitude if lobes else None for n in ORDERS},
            **fields_of(self, "diameter_x_mm diameter_y_mm"),
            **_gap_fields(self.gap),
        }


@checked
@dataclass(frozen=True, eq=False)
class SquareRow:
    """Measures of one square, one pass.

    Parameters
    ----------
    ring, pass_index : int
        Ring from 0 = innermost; pass from 0, -1 where passes are not told apart.
    geometry : SquareGeometry
        Sides, corners, width, height, diagonals, squareness, straightness.
    gap : Gap or None
        From the first drawn point to the last; None on a measured piece.
    reached : (int, int, int, int)
        How the right, top, left and bottom side was reached: 1 from inside, -1 from outside, 0 in
        parts; see `gantrysim.metrology.repeats.side_approaches`.
    """

    ring: int
    pass_index: int
    geometry: SquareGeometry
    gap: Gap | None
    reached: tuple[int, int, int, int] = (1, 1, 1, 1)

    shape: ClassVar[str] = SQUARE.name

    @property
    def place(self) -> tuple[str, int, int]:
        """Shape, ring and pass."""
        return self.shape, self.ring, self.pass_index

    @property
    def size(self) -> float:
        """Commanded half side, mm."""
        return self.geometry.half_side

    @property
    def measured_size(self) -> float:
        """Mean of half the width and half the height, mm."""
        return (self.geometry.width + self.geometry.height) / 4

    def to_dict(self) -> dict[str, Any]:
        """Plain numbers; the name of each carries its unit."""
        sizes = "n_points width_mm height_mm diagonal_up_mm diagonal_down_mm squareness_mrad"
        sides = "straightness_mm straightness_ls_mm straightness_ends_mm"
        measures = fields_of(self.geometry, f"{sizes} {sides}")
        return {**_begin(self), **measures, **_gap_fields(self.gap)}


@checked
@dataclass(frozen=True)
class Spacing:
    """Distance between neighbouring rings of one nest.

    Parameters
    ----------
    shape : str
        "circle" or "square".
    ring : int
        The outer of the two rings.
    commanded, measured : float
        Difference of radii (least-squares circles) or of half sides, mm; mean over passes.
    """

    shape: str
    ring: int
    commanded: float
    measured: float

    @property
    def error(self) -> float:
        """Measured minus commanded, mm."""
        return self.measured - self.commanded


def _begin(row: CircleRow | SquareRow) -> dict[str, Any]:
    """What every row begins with."""
    shape, ring, pass_index = row.place
    return {"shape": shape, "ring": ring, "pass": pass_index, "size_mm": row.size}


def _gap_fields(gap: Gap | None) -> dict[str, float | None]:
    x, y, length = (*gap.vector, gap.length) if gap else (None, None, None)
    return {"gap_x_mm": x, "gap_y_mm": y, "gap_mm": length}
