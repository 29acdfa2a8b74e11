"""How a piece was read from scans: files, turn, widths of lines."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from gantrysim.instruments.picture import Picture
from gantrysim.records.arrays import Array
from gantrysim.records.doors import checked


@checked
@dataclass(frozen=True, eq=False)
class ScanRecord:
    """How a piece was read from one scan, or from two.

    Parameters
    ----------
    files : tuple of str
        The scans.
    dpi : (float, float)
        Of the first scan, along x and y.
    rows : int
        Rows of its picture.
    turn_deg : float
        How far the piece lay turned on it, degrees counter-clockwise.
    dark : bool
        Lines darker than the ground.
    matrix, shift : ndarray, shape (2, 2) and (2,)
        A point p of the piece stands at matrix @ p + shift on the first picture, mm from its lower
        left corner.
    widths : dict of (str, int) to float
        Width of the burned line at half its darkness, by shape and ring, mm.
    picture : Picture, optional
        What was traced, where that is no scan: a photograph made flat.
    taken_out : (float, float, float)
        Common scale, scale difference x - y and skew (rad) of the scanner, along its own axes, that
        were found and taken out of the points.

    Examples
    --------
    >>> import gantrysim as gs
    >>> test = gs.ring_test(("circle",), spacing=8.0, largest=24.0, orientation_mark=True)
    >>> path = gs.simulate(gs.Machine(), test).image(dpi=300).save("scan.png")
    >>> record = gs.read_scan("scan.png", test).record
    >>> record.dark, round(record.widths["circle", 2], 1)  # mm
    (True, 0.1)
    """

    files: tuple[str, ...]
    dpi: tuple[float, float]
    rows: int
    turn_deg: float
    dark: bool
    matrix: Array
    shift: Array
    widths: dict[tuple[str, int], float]
    picture: Picture | None = None
    taken_out: tuple[float, float, float] = (0.0, 0.0, 0.0)

    def to_pixels(self, xy: Array) -> Array:
        """Column and row of points of the piece on the first picture, shape (n, 2)."""
        out = (xy @ self.matrix.T + self.shift) * np.array(self.dpi) / 25.4 - 0.5
        out[:, 1] = self.rows - 1.0 - out[:, 1]
        return np.asarray(out)
