"""A burn: the lines a machine drew, by shape, ring and pass, beside what was commanded."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from gantrysim.burn.image import BurnImage, Wood, mark_image
from gantrysim.burn.mark import exposure
from gantrysim.machine import Machine
from gantrysim.pattern.ringtest import Line, RingTest
from gantrysim.pattern.toolpath import Toolpath
from gantrysim.records.doors import checked
from gantrysim.records.files import write_new_text
from gantrysim.records.table import Table

if TYPE_CHECKING:
    from matplotlib.axes import Axes


@checked
class Drawn:
    """What a burn of rings and one of a path have in common: lines beside those commanded."""

    lines: tuple[Line, ...]
    commanded: tuple[np.ndarray, ...]

    @property
    def errors(self) -> tuple[np.ndarray, ...]:
        """Burned minus commanded place of every sample, mm; one (n, 2) array a line."""
        return tuple(x.xy - c for x, c in zip(self.lines, self.commanded, strict=True))

    def rms_error(self) -> float:
        """Root mean square distance between burned and commanded places, mm."""
        return float(np.sqrt(np.mean(np.sum(np.concatenate(self.errors) ** 2, axis=1))))

    def largest_error(self) -> float:
        """Largest distance between burned and commanded places, mm."""
        return float(np.hypot(*np.concatenate(self.errors).T).max())

    def to_csv(self, path: str | Path, *, overwrite: bool = False) -> Path:
        """Write the burned points as CSV, mm, in the columns that `read_points` reads.

        Passes count from 1; of a path the chain stands for the ring.

        FileExistsError if the file exists and ``overwrite`` is false.
        """
        rows = (
            (x.shape, x.ring, x.size, x.pass_index + 1, f"{px:.4f}", f"{py:.4f}")
            for x in self.lines
            for px, py in x.xy
        )
        table = Table(("shape", "ring", "size_mm", "pass", "x_mm", "y_mm"), rows)
        remark = "predicted points on the burned lines, one line a point; lengths in mm"
        return write_new_text(path, table.csv(remark), overwrite=overwrite)


@checked
@dataclass(frozen=True, eq=False)
class Burn(Drawn):
    """What a machine burns when a test is commanded.

    Parameters
    ----------
    machine : Machine
        The machine that drew it.
    test : RingTest
        What was commanded.
    lines : tuple of Line
        Burned lines in drawing order: places of the spot on the bed, mm.
    commanded : tuple of ndarray, shape (n, 2) each
        Where the same samples would lie on a faultless machine, mm.
    beside : tuple of Line
        Mark, scale reference and caption as burned beside the rings after the last of them, mm;
        no measure takes them in.
    beside_commanded : tuple of ndarray, shape (n, 2) each
        Where a faultless machine would burn those, mm.

    See Also
    --------
    gantrysim.burn.simulation : makes one.
    gantrysim.measure : the table of measures.

    Examples
    --------
    >>> import gantrysim as gs
    >>> test = gs.ring_test(("circle",), spacing=10.0, largest=20.0)
    >>> burn = gs.simulate(gs.Machine(), test)
    >>> burn.line("circle", 1).xy.shape
    (253, 2)
    >>> round(burn.rms_error(), 2)  # mm
    0.09
    >>> path = burn.to_csv("points.csv")
    """

    machine: Machine
    test: RingTest
    lines: tuple[Line, ...]
    commanded: tuple[np.ndarray, ...]
    beside: tuple[Line, ...] = ()
    beside_commanded: tuple[np.ndarray, ...] = ()

    def __setstate__(self, state: dict[str, Any]) -> None:
        """Take over what another process burned; its points are read-only here too."""
        self.__dict__.update(state)
        for line in (*self.lines, *self.beside):
            line.xy.flags.writeable = False

    def line(self, shape: str, ring: int, pass_index: int = 0) -> Line:
        """Return the burned line of one shape, ring and pass.

        Raises
        ------
        ValueError
            If this burn has no such line.
        """
        for line in self.lines:
            if (line.shape, line.ring, line.pass_index) == (shape, ring, pass_index):
                return line
        raise ValueError(
            f"the burn has no {shape} ring {ring} pass {pass_index}; "
            f"it has {', '.join(sorted({f'{x.shape} 0..{x.ring}' for x in self.lines}))}"
        )

    def to_dict(self) -> dict[str, Any]:
        """Return test and lines as plain Python types (mm)."""
        found = {
            "test": self.test.to_dict(),
            "machine": self.machine.to_dict(),
            "lines": [_plain(line) for line in self.lines],
        }
        return {**found, "beside": [_plain(x) for x in self.beside]} if self.beside else found

    def to_svg(self, path: str | Path, *, magnify: float = 1.0, overwrite: bool = False) -> Path:
        """Write predicted lines over commanded ones as SVG in mm; returns its path.

        Parameters
        ----------
        path : path
            Of the file.
        magnify : float
            How many times larger than it is the error is drawn; written on the drawing.
        overwrite : bool
            Whether a file of that name may be replaced.

        Raises
        ------
        ValueError
            If `magnify` is not above zero.
        FileExistsError
            If the file exists and ``overwrite`` is false.
        """
        from gantrysim.formats.svg import write_burn_svg

        return write_burn_svg(self, path, magnify=magnify, overwrite=overwrite)

    def plot(self, ax: Axes | None = None, *, magnify: float | None = None) -> Axes:
        """Draw the burned lines over the commanded ones with the error magnified.

        Parameters
        ----------
        ax : Axes, optional
            Where to draw; a new figure if absent.
        magnify : float, optional
            How many times larger the error is drawn; chosen for a readable picture if absent.
        """
        from gantrysim.plotting.burns import plot_burn

        return plot_burn(self, ax, magnify=magnify)

    def image(
        self,
        dpi: float = 600.0,
        *,
        power: float = 5.0,
        spot_radius: float = 0.06,
        scaled: bool = False,
        wood: Wood | None = None,
    ) -> BurnImage:
        """Show the burn as it would look on light wood.

        Speeds are those that the test plans, also where the places come from the slow limit.

        Parameters
        ----------
        dpi : float
            Pixels per inch of 25.4 mm.
        power : float
            Of the beam, W.
        spot_radius : float
            Of its spot at 1/e^2 of the peak intensity, mm.
        scaled : bool
            False for a beam of one power, which chars starts, stops, corners and reversals; true
            for one whose power follows the commanded speed.
        wood : Wood, optional
            Doses and colours; a light plywood if absent.

        Raises
        ------
        ValueError
            If a number is not above zero, or the image would be too large.

        See Also
        --------
        gantrysim.burn.mark : dose and marked width.
        """
        lines, commanded = self.lines + self.beside, self.commanded + self.beside_commanded
        path = exposure(self.test, lines, commanded)
        return mark_image(
            path, dpi=dpi, power=power, spot_radius=spot_radius, scaled=scaled, wood=wood
        )

    def __repr__(self) -> str:
        points = sum(len(x.xy) for x in self.lines)
        return (
            f"Burn({len(self.lines)} lines, {points} points, "
            f"error {self.rms_error() * 1e3:.0f} µm rms)"
        )

    def _repr_html_(self) -> str:
        rms = (f"{np.sqrt(np.mean(np.sum(e**2, axis=1))) * 1e3:.0f}" for e in self.errors)
        rows = (
            (x.shape, x.ring, x.pass_index, f"{x.size:g}", error)
            for x, error in zip(self.lines, rms, strict=True)
        )
        heads = ("shape", "ring", "pass", "size, mm", "error, µm rms")
        return Table(heads, rows, "Burn").html(most=40)


@checked
@dataclass(frozen=True, eq=False)
class PathBurn(Drawn):
    """What a machine makes of a path that is no ring test, such as a customer's job.

    Parameters
    ----------
    machine : Machine
        The machine that drew it.
    path : Toolpath
        What was commanded.
    lines : tuple of Line
        Burned lines in drawing order: places of the spot on the bed, mm; their ring is the number
        of the chain drawn without lifting.
    commanded : tuple of ndarray, shape (n, 2) each
        Where the same samples would lie on a faultless machine, mm.
    duration : float
        Of the whole drawing, s; 0 in the slow limit, in which no time passes.
    lost_cycles : (int, int)
        Cycles of four full steps that the X and the Y motor have lost; with inertia only.
    """

    machine: Machine
    path: Toolpath
    lines: tuple[Line, ...]
    commanded: tuple[np.ndarray, ...]
    duration: float = 0.0
    lost_cycles: tuple[int, int] = (0, 0)

    def to_dict(self) -> dict[str, Any]:
        """Return machine and lines as plain Python types (mm)."""
        return {
            "source": self.path.source,
            "machine": self.machine.to_dict(),
            "rms_error_mm": self.rms_error(),
            "largest_error_mm": self.largest_error(),
            "lines": [_plain(line) for line in self.lines],
        }

    def plot(self, ax: Axes | None = None, *, magnify: float | None = None) -> Axes:
        """Draw the burned path over the commanded one with the error magnified.

        Parameters
        ----------
        ax : Axes, optional
            Where to draw; a new figure if absent.
        magnify : float, optional
            How many times larger the error is drawn; chosen for a readable picture if absent.
        """
        from gantrysim.plotting.paths import plot_path_burn

        return plot_path_burn(self, ax, magnify=magnify)

    def __repr__(self) -> str:
        return (
            f"PathBurn({len(self.lines)} lines, {self.path.length:.0f} mm, "
            f"error {self.rms_error() * 1e3:.0f} µm rms, {self.largest_error() * 1e3:.0f} µm most)"
        )

    def _repr_html_(self) -> str:
        rows = [
            ("drawn", f"{self.path.length:.1f} mm"),
            ("error, rms", f"{self.rms_error() * 1e3:.0f} µm"),
            ("error, most", f"{self.largest_error() * 1e3:.0f} µm"),
        ]
        return Table((), rows, "Burn of a path").html()


def _plain(line: Line) -> dict[str, Any]:
    return {
        "shape": line.shape,
        "ring": line.ring,
        "size_mm": line.size,
        "pass": line.pass_index,
        "xy_mm": line.xy.tolist(),
    }
