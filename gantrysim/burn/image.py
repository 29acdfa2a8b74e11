"""How a burn looks: doses turned into darkness, and the picture of it on light wood.

The doses come from `gantrysim.burn.mark`.  Doses are J/mm^2, power W, lengths mm.
"""

from __future__ import annotations

import base64
import html
import io
import math
import os
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from gantrysim.burn.mark import Exposure, dose_map
from gantrysim.records.checks import must_be, positive
from gantrysim.records.compiled import kernel
from gantrysim.records.doors import checked
from gantrysim.records.files import write_new_file

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from PIL.Image import Image

MAX_PIXELS = 100_000_000  # of one image, 100 MB; more is a slip in the dpi
MAX_SPOT = 5.0  # mm; a beam so wide burns no line
FORMATS = (".png", ".tif", ".tiff")  # they keep every grey level, and the dpi

_FINEST = 1.4  # spot radii hold this many sampling steps, or the sum over them ripples
_BAND = 512  # sampling rows that are exposed at a time
_MARGIN = 4.0  # mm of bare wood round the pattern


@checked
@dataclass(frozen=True)
class Wood:
    """How a light wood answers to a dose.

    Between the two doses the mark darkens with the logarithm of the dose, as the characteristic
    curve of a photographic plate does; published burns of beech and maple darken with the
    logarithm of the speed too.  The two doses are believable for light plywood (common practice,
    no source): they vary with species, moisture and grain, so fit them to a burn of your own.

    Parameters
    ----------
    threshold : float
        Least dose that leaves a visible mark, J/mm^2.
    black : float
        Dose beyond which it becomes no darker, J/mm^2.
    ground, brown, char : (float, float, float)
        Colours of the bare wood, of the half dark and of the darkest mark: red, green and blue
        as a part of full, 0 to 1.
    """

    threshold: float = 0.25
    black: float = 4.0
    ground: tuple[float, float, float] = (0.90, 0.80, 0.63)
    brown: tuple[float, float, float] = (0.47, 0.29, 0.15)
    char: tuple[float, float, float] = (0.11, 0.08, 0.06)

    def __post_init__(self) -> None:
        positive(self.threshold, "threshold of the wood")
        if positive(self.black, "black of the wood") <= self.threshold:
            raise ValueError(
                f"black of the wood must be above its threshold of {self.threshold:g} J/mm^2, "
                f"found {self.black:g} J/mm^2."
            )
        for name in ("ground", "brown", "char"):
            colour = getattr(self, name)
            if len(colour) != 3 or not all(0.0 <= part <= 1.0 for part in colour):
                raise ValueError(f"{name} must be three numbers from 0 to 1, found {colour!r}.")


@checked
@dataclass(frozen=True, eq=False)
class BurnImage:
    """A burn as it would look on light wood; `Burn.image` makes one.

    Parameters
    ----------
    darkness : ndarray of uint8, shape (rows, columns)
        0 is bare wood, 255 the darkest mark; row 0 is the far edge (largest y).
    dpi : float
        Pixels per inch of 25.4 mm.
    origin : (float, float)
        x and y of the lower left corner of the image on the bed, mm.
    power : float
        Of the beam, W.
    spot_radius : float
        At 1/e^2, mm.
    wood : Wood
        Doses and colours.
    scale_bar : float
        Length of the bar drawn in the lower left corner, mm.
    """

    darkness: NDArray[np.uint8]
    dpi: float
    origin: tuple[float, float]
    power: float
    spot_radius: float
    wood: Wood
    scale_bar: float

    @property
    def pixel(self) -> float:
        """Side of a pixel, mm."""
        return 25.4 / self.dpi

    @property
    def extent(self) -> tuple[float, float, float, float]:
        """Left, right, lower and upper edge on the bed, mm."""
        rows, columns = self.darkness.shape
        left, low = self.origin
        return left, left + columns * self.pixel, low, low + rows * self.pixel

    def rgb(self) -> NDArray[np.uint8]:
        """The picture in colour, scale bar included, shape (rows, columns, 3)."""
        out = np.empty((*self.darkness.shape, 3), np.uint8)
        colours = np.array([self.wood.ground, self.wood.brown, self.wood.char])
        left, _, _, top = self.extent
        _paint(self.darkness, colours, left, top, self.pixel, out)
        self._draw_bar(out)
        return out

    def _draw_bar(self, out: NDArray[np.uint8]) -> None:
        from PIL import Image, ImageDraw, ImageFont

        px = 1.0 / self.pixel
        left, base = round(_MARGIN * px), out.shape[0] - round(0.45 * _MARGIN * px)
        right = left + round(self.scale_bar * px)
        thick = max(1, round(0.12 * px))
        picture = Image.fromarray(out)
        draw = ImageDraw.Draw(picture)
        ink = (30, 30, 30)
        tick = round(0.7 * px)
        draw.rectangle([left, base, right, base + thick], fill=ink)
        for x in (left, right):
            draw.rectangle([x, base - tick, x + thick, base + thick], fill=ink)
        size = max(8.0, 2.4 * px)
        where, font = (right + 1.2 * px, base), ImageFont.load_default(size)
        draw.text(where, f"{self.scale_bar:g} mm", fill=ink, anchor="ls", font=font)
        out[:] = np.asarray(picture)

    def _picture(self, widest: int | None = None) -> Image:
        from PIL import Image

        picture = Image.fromarray(self.rgb())
        if widest is not None and picture.width > widest:
            picture.thumbnail((widest, 10 * widest))
        return picture

    def save(self, path: str | os.PathLike[str], *, overwrite: bool = False) -> Path:
        """Write the picture whole or not at all, with its dpi; returns its path.

        Parameters
        ----------
        path : path
            Ending in .png, .tif or .tiff.
        overwrite : bool
            Replace a file that exists.

        Raises
        ------
        ValueError
            If the name has another ending.
        FileExistsError
            If the file exists and ``overwrite`` is false.
        FileNotFoundError
            If its folder does not exist.
        """
        file = Path(path)
        kind = file.suffix.lower()
        if kind not in FORMATS:
            raise ValueError(
                f"{path}: pictures of a burn are saved as {', '.join(FORMATS)}, found {kind!r}."
            )

        def write(out: BinaryIO) -> None:
            form = "PNG" if kind == ".png" else "TIFF"
            self._picture().save(out, format=form, dpi=(self.dpi, self.dpi))

        return write_new_file(path, write, overwrite=overwrite)

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw the picture into Axes in mm of the bed; a new figure if absent."""
        from gantrysim.plotting.burns import plot_mark

        return plot_mark(self, ax)

    def to_dict(self) -> dict[str, Any]:
        """What the picture shows and where it lies, as plain types (mm, W, J/mm^2)."""
        return {
            "dpi": self.dpi,
            "origin_mm": list(self.origin),
            "power_w": self.power,
            "spot_radius_mm": self.spot_radius,
            "threshold_j_mm2": self.wood.threshold,
            "black_j_mm2": self.wood.black,
            "darkness": self.darkness.tolist(),
        }

    def __repr__(self) -> str:
        left, right, low, high = self.extent
        rows, columns = self.darkness.shape
        return (
            f"BurnImage({right - left:.0f} x {high - low:.0f} mm, {columns} x {rows} pixels at "
            f"{self.dpi:g} dpi, {self.power:g} W)"
        )

    def _repr_html_(self) -> str:
        png = io.BytesIO()
        self._picture(widest=800).save(png, format="PNG")
        data = base64.b64encode(png.getvalue()).decode("ascii")
        words = html.escape(repr(self))
        return f'<img alt="{words}" src="data:image/png;base64,{data}"/><p>{words}</p>'


def mark_image(
    path: Exposure,
    *,
    dpi: float = 600.0,
    power: float = 5.0,
    spot_radius: float = 0.06,
    scaled: bool = False,
    wood: Wood | None = None,
) -> BurnImage:
    """Expose the wood along a path of the spot.

    ``path``: from `exposure`.  ``dpi``: pixels per inch of 25.4 mm.  ``power``: of the beam, W.
    ``spot_radius``: of the spot at 1/e^2, mm.  ``scaled``: false for a beam of one power, which
    chars starts, stops and corners; true for one whose power follows the commanded speed, full at
    the feed.  ``wood``: doses and colours; a light plywood if absent.  ValueError if a number is
    not above zero, or the image would have over `MAX_PIXELS` pixels.
    """
    dpi, power = positive(dpi, "dpi"), positive(power, "power")
    radius = positive(spot_radius, "spot_radius")
    if radius > MAX_SPOT:
        raise ValueError(must_be("spot_radius", f"at most {MAX_SPOT:g} mm", spot_radius))
    wood = wood or Wood()
    pixel = 25.4 / dpi
    corners = path.ends.reshape(-1, 2)
    low = corners.min(axis=0) - [_MARGIN, 2.0 * _MARGIN]
    high = corners.max(axis=0) + _MARGIN
    columns, rows = (math.ceil(side / pixel) for side in (high - low).tolist())
    if columns * rows > MAX_PIXELS:
        raise ValueError(
            f"dpi {dpi:g} would make an image of {columns} x {rows} pixels, over the "
            f"{MAX_PIXELS:.0e} accepted; take a lower dpi or a smaller pattern."
        )
    darkness = np.empty((rows, columns), np.uint8)
    finer = max(1, math.ceil(_FINEST * pixel / radius))
    top = float(low[1]) + rows * pixel
    band = max(1, _BAND // finer)
    for first in range(0, rows, band):
        own = darkness[first : first + band]
        _develop(  # a dose is not kept: one band at a time is enough
            dose_map(
                path, left=float(low[0]), top=top - first * pixel, step=pixel / finer,
                shape=(len(own) * finer, columns * finer), power=power, radius=radius,
                scaled=scaled,
            ),
            math.log(wood.threshold), math.log(wood.black), finer, own,
        )  # fmt: skip
    darkness.flags.writeable = False
    bar = _bar_length(float(high[0] - low[0]))
    return BurnImage(darkness, dpi, (float(low[0]), float(low[1])), power, radius, wood, bar)


@kernel
def _develop(
    dose: np.ndarray, log_threshold: float, log_black: float, finer: int, out: np.ndarray
) -> None:
    """Turn doses into darkness, averaged over the points of each pixel as a scanner would."""
    rows, columns = out.shape
    scale = 255.0 / (finer * finer)
    for r in range(rows):
        for c in range(columns):
            total = 0.0
            for i in range(finer):
                for j in range(finer):
                    h = dose[r * finer + i, c * finer + j]
                    if h > 0.0:
                        dark = (math.log(h) - log_threshold) / (log_black - log_threshold)
                        total += min(max(dark, 0.0), 1.0)
            out[r, c] = np.uint8(scale * total + 0.5)


@kernel
def _paint(
    darkness: np.ndarray, colours: np.ndarray, left: float, top: float, pixel: float,
    out: np.ndarray,
) -> None:  # fmt: skip
    """Mix wood and mark; the wood has a faint grain along x that belongs to no real board."""
    rows, columns = darkness.shape
    for c in range(columns):
        x = left + c * pixel
        sway = 0.9 * math.sin(x / 23.0 + 0.4) + 0.35 * math.sin(x / 7.3 + 1.9)
        for r in range(rows):
            y = top - r * pixel + sway
            grain = (
                math.sin(y / 1.31) + 0.7 * math.sin(y / 0.57 + 0.8) + 0.5 * math.sin(y / 0.23 + 2.0)
            )
            light = 1.0 + 0.012 * grain
            d = darkness[r, c] / 255.0
            low, part = (0, 2.0 * d) if d < 0.5 else (1, 2.0 * d - 1.0)
            for k in range(3):
                mixed = (1.0 - part) * colours[low, k] + part * colours[low + 1, k]
                if d < 0.5:
                    mixed *= 1.0 + (light - 1.0) * (1.0 - 2.0 * d)
                out[r, c, k] = np.uint8(255.0 * min(mixed, 1.0) + 0.5)


def _bar_length(width: float) -> float:
    """A round length near a seventh of the picture, mm."""
    power = 10.0 ** math.floor(math.log10(width / 7.0))
    nearest = min((1.0, 2.0, 5.0, 10.0), key=lambda n: abs(math.log(7.0 * n * power / width)))
    return nearest * power
