"""The table of measures of a burn or piece: what `measure` returns."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import asdict, dataclass
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

from gantrysim.metrology.filtered import FilteredProfile, filtered_profile
from gantrysim.metrology.passes import PassScatter
from gantrysim.metrology.peaks import SEED
from gantrysim.metrology.pointnoise import PointNoise
from gantrysim.metrology.positioning import Positioning
from gantrysim.metrology.quantities import (
    Quantity,
    quantities_of_fits,
    quantities_of_passes,
    quantities_of_rows,
    quantities_of_spacings,
    size_noise,
)
from gantrysim.metrology.repeats import PassDrift, side_positions
from gantrysim.metrology.rows import CircleRow, Spacing, SquareRow
from gantrysim.metrology.sizes import SizeFit
from gantrysim.metrology.tables import csv_text, html_page, long_csv_text, text_page
from gantrysim.pattern.ringtest import Line
from gantrysim.records.doors import checked
from gantrysim.records.files import AnyPath, write_new_text
from gantrysim.records.table import fields_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes


@checked
@dataclass(frozen=True, eq=False)
class Measures:
    """The table of measures; make one with `measure`.

    Parameters
    ----------
    source : str
        What was measured.
    rotation_deg : float or None
        Rotation of the machine's x axis in the frame of the points; None where it is unknown, and
        then directions are those of the points.
    n_rejected : int
        Stray points left out.
    circles, squares : tuple
        `CircleRow` and `SquareRow`, inner rings first.
    spacings : tuple of Spacing
        Between neighbouring rings.
    scatters : tuple of PassScatter
        Of rings with passes that are told apart.
    size_fits : tuple of SizeFit
        Size against nominal: circle diameter along x and y, square width and height.
    skipped : tuple of str
        One sentence for each ring that could not be measured.
    drifts : tuple of PassDrift
        Of rings with passes that are told apart.
    outlines : tuple of Line
        The points behind the rows, mm.
    noise : PointNoise or None
        How well the points are known; None for exact lines, and then nothing is uncertain.
    seed : int
        Of the noise drawn for the intervals of peak-to-valley measures.
    """

    source: str
    rotation_deg: float | None
    n_rejected: int
    circles: tuple[CircleRow, ...]
    squares: tuple[SquareRow, ...]
    spacings: tuple[Spacing, ...]
    scatters: tuple[PassScatter, ...]
    size_fits: tuple[SizeFit, ...]
    skipped: tuple[str, ...]
    drifts: tuple[PassDrift, ...] = ()
    outlines: tuple[Line, ...] = ()
    noise: PointNoise | None = None
    seed: int = SEED

    @property
    def rows(self) -> tuple[CircleRow | SquareRow, ...]:
        """All rows, circles first."""
        return (*self.circles, *self.squares)

    def size_fit(self, what: str) -> SizeFit:
        """The fit of one size, such as "square width".

        Raises
        ------
        ValueError
            If there is none of that name.
        """
        for fit in self.size_fits:
            if fit.what == what:
                return fit
        names = ", ".join(repr(fit.what) for fit in self.size_fits) or "none"
        raise ValueError(f"there is no size fit {what!r} here; there is {names}.")

    @cached_property
    def quantities(self) -> tuple[Quantity, ...]:
        """Every measure with its unit, standard uncertainty or 95 % interval, and definition.

        The intervals are drawn when first asked for; a large piece takes some seconds.
        """
        outlines = {(line.shape, line.ring, line.pass_index): line for line in self.outlines}
        return (
            *quantities_of_rows(self.rows, outlines, self.noise, self.seed),
            *quantities_of_spacings(self.spacings, self.rows, outlines, self.noise),
            *quantities_of_passes(self.scatters, self.drifts, self.rows, outlines, self.noise),
            *quantities_of_fits(self.size_fits, self.noise),
        )

    def filtered(self, cutoff: float = 15.0) -> dict[tuple[int, int], FilteredProfile]:
        """Circles after the Gaussian filter, by ring and pass.

        Parameters
        ----------
        cutoff : float
            Undulations per revolution of which half passes; usually 15, 50, 150 or 500.

        Returns
        -------
        dict
            `FilteredProfile`, its `roundness()` gives the parameters of ISO 12181-1, mm.  Circles
            with too few points or too wide a gap for the cut-off are left out;
            `filtered_profile` says why.
        """
        found = {}
        for line in self.outlines:
            if line.shape == "circle":
                with suppress(ValueError):
                    found[line.ring, line.pass_index] = filtered_profile(line.xy, cutoff)
        return found

    def side_positions(self, axis: Annotated[str, ("x", "y")]) -> tuple[Positioning, Positioning]:
        """Squares as a positioning test of one axis; see `repeats.side_positions`.

        Parameters
        ----------
        axis : str
            "x" or "y".

        Raises
        ------
        ValueError
            If fewer than two squares have passes that are told apart.
        """
        reading = 0.0
        if self.noise is not None and self.squares:
            outlines = {(o.shape, o.ring, o.pass_index): o for o in self.outlines}
            reading = max(
                2 * size_noise(row, outlines[row.place].xy, self.noise) for row in self.squares
            )
        return side_positions(self.squares, axis, self.rotation_deg or 0.0, reading=reading)

    def flat_rows(self) -> list[dict[str, Any]]:
        """One dict a row, with the ring's spacing error and pass scatter beside its measures."""
        spacing = {(s.shape, s.ring): s.error for s in self.spacings}
        scatter = {(s.shape, s.ring): s for s in self.scatters}
        flat = []
        for row in (r.to_dict() for r in self.rows):
            ring = (row["shape"], row["ring"])
            apart = scatter.get(ring)
            row["spacing_error_mm"] = spacing.get(ring)
            row["pass_scatter_mm"] = apart.rms if apart else None
            row["pass_share"] = apart.share if apart else None
            flat.append(row)
        return flat

    def to_dict(self) -> dict[str, Any]:
        """Everything in plain Python types."""
        return {
            **fields_of(self, "source rotation_deg n_rejected"),
            "rings": self.flat_rows(),
            "spacings": [
                fields_of(s, "shape ring commanded_mm measured_mm") for s in self.spacings
            ],
            "pass_scatters": [
                fields_of(s, "shape ring rms_mm largest_mm share") for s in self.scatters
            ],
            "pass_drifts": [drift.to_dict() for drift in self.drifts],
            "size_fits": [fit.to_dict() for fit in self.size_fits],
            "quantities": [quantity.to_dict() for quantity in self.quantities],
            "noise": asdict(self.noise) if self.noise else None,
            "skipped": list(self.skipped),
        }

    def to_csv(self, path: AnyPath, overwrite: bool = False, *, long: bool = False) -> Path:
        """Write the measures.

        Parameters
        ----------
        path : path
            The file.
        overwrite : bool
            Whether an existing file may be replaced.
        long : bool
            False: one line a ring and pass, size fits in comment lines that begin with #; where the
            noise is known, u_..., low_... and high_... stand beside their measures.  True: one line
            a measure, with value, unit, u, 95 % interval and definition.

        Raises
        ------
        FileExistsError
            If the file exists and `overwrite` is false.
        """
        text = long_csv_text(self) if long else csv_text(self)
        return write_new_text(path, text, overwrite=overwrite)

    def table(self) -> str:
        """The measures as aligned text, errors in µm."""
        return text_page(self)

    def plot(self, name: str = "RONt_ls_mm", ax: Axes | None = None) -> Axes:
        """Draw one measure of every ring with its interval; see `gantrysim.plotting.measures`.

        Parameters
        ----------
        name : str
            Field of the table, such as "RONt_ls_mm", "squareness_mrad" or "spacing_error_mm".
        ax : Axes, optional
            Where to draw; a new figure if absent.
        """
        from gantrysim.plotting.measures import plot_measures

        return plot_measures(self, name, ax)

    def __repr__(self) -> str:
        worst = max((row.path.least_squares.RONt for row in self.circles), default=None)
        parts = [f"{len(self.circles)} circles", f"{len(self.squares)} squares"]
        if worst is not None:
            parts.append(f"RONt up to {worst * 1e3:.0f} µm")
        if self.squares:
            parts.append(f"squareness {self.squares[-1].geometry.squareness_mrad:+.2f} mrad")
        return f"Measures({self.source}: {', '.join(parts)})"

    def _repr_html_(self) -> str:
        return html_page(self)
