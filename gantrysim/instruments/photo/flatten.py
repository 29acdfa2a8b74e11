"""A photograph of a piece made flat: a grey picture of known scale, as if it had been scanned.

The steps: open the picture, find in it a reference of known size, fit the plane, say how accurate
lengths in it are, refuse if that is not what was asked, and draw the picture anew on an even grid
of the sheet.  What then traces scanned lines traces these; `FlatPicture` holds what it needs.

Lengths carry the errors of the reference (its own size, its height over the burned face, how well
its edges are seen) and of the camera (tilt, lens); `FlatPicture.scanner_covariance` gives them as
scale, scale difference and skew, in the terms in which the errors of a scanner are given.
"""

from __future__ import annotations

import html
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, BinaryIO

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.ndimage import map_coordinates, spline_filter

from gantrysim.instruments.photo.photofind import found_card, found_grid
from gantrysim.instruments.photo.photomarks import Card, Grid, Reference, sight
from gantrysim.instruments.photo.plane import FOCAL_SPREAD, Plane, rigid_modes, scale_modes, worst
from gantrysim.instruments.picture import open_picture
from gantrysim.records import limits
from gantrysim.records.arrays import Array
from gantrysim.records.checks import finite_number, positive, shortened
from gantrysim.records.doors import checked
from gantrysim.records.files import AnyPath, placed, write_new_file
from gantrysim.records.table import Table, fields_of

#: Type hint of the part of a photograph where the piece is.
Area = Annotated[tuple[float, float, float, float], "(left, top, right, bottom) in pixels"]
_ANY_DPI = 1000.0  # what the file says of itself means nothing in a photograph
#: Where a traced line is misread from place to place, pixels (judgement).
READING = 0.1
COVERAGE = 2.0  # coverage factor of a stated accuracy, about 95 %
_LOOKED = 6  # places along and up the area at which accuracy is judged
_BAND = 512  # rows of the flat picture that are drawn at a time


@checked
@dataclass(frozen=True, eq=False)
class FlatPicture:
    """A photograph drawn anew on the plane of the piece; `flatten_photo` makes one.

    Parameters
    ----------
    grey : ndarray of uint8, shape (rows, columns)
        Row 0 is the top, columns to the right; 255 where the photograph shows nothing.
    pitch : float
        Side of a pixel on the piece, mm.
    origin : (float, float)
        Place of the middle of the lowest left pixel in the frame of the reference, mm.
    plane : Plane
        The map from the photograph to the face of the reference.
    raise_scale : float
        Times by which lengths on the burned face exceed those on the face of the reference.
    accuracy : float
        Largest error of a length or place over the area, piece shifted and turned at will, mm, with
        a coverage factor of 2 (about 95 %).
    warp : float
        What of it is neither scale, scale difference nor skew, mm, coverage factor 2.
    scanner_covariance : ndarray, shape (3, 3)
        Of common scale, scale difference x - y and skew (rad) over the area.
    source : str
        The file.

    Examples
    --------
    >>> import gantrysim as gs
    >>> flat = gs.instruments.flatten_photo("photo.jpg", gs.instruments.Card())  # doctest: +SKIP
    >>> flat.accuracy  # doctest: +SKIP
    """

    grey: NDArray[np.uint8]
    pitch: float
    origin: tuple[float, float]
    plane: Plane
    raise_scale: float
    accuracy: float
    warp: float
    scanner_covariance: Array
    source: str

    @property
    def dpi(self) -> float:
        """Pixels an inch of 25.4 mm."""
        return 25.4 / self.pitch

    def places(self, xy: ArrayLike) -> Array:
        """Column and row in the flat picture of places in the frame of the reference, mm.

        Parameters
        ----------
        xy : array_like, shape (..., 2)
            Places on the face of the reference, mm.
        """
        off = np.asarray(xy, dtype=float) * self.raise_scale - self.origin
        column, up = off[..., 0] / self.pitch, off[..., 1] / self.pitch
        return np.stack([column, self.grey.shape[0] - 1.0 - up], axis=-1)

    def save(self, path: AnyPath, *, overwrite: bool = False) -> Path:
        """Write it as a PNG file that states its resolution, as a scan does; returns the path.

        Raises
        ------
        FileExistsError
            If the file exists and `overwrite` is false.
        FileNotFoundError
            If its folder does not exist.
        ValueError
            If the name does not end in .png.
        """
        from PIL import Image

        file = Path(path)
        if file.suffix.lower() != ".png":
            raise ValueError(f"{path}: a flat picture is written as PNG; end the name in .png.")

        def write(out: BinaryIO) -> None:
            Image.fromarray(self.grey).save(out, format="PNG", dpi=(self.dpi, self.dpi))

        return write_new_file(path, write, overwrite=overwrite)

    def to_dict(self) -> dict[str, Any]:
        """Plain numbers, strings and lists; the name of each carries its unit."""
        names = ("u_scale", "u_scale_difference", "u_skew_rad")
        u = np.sqrt(np.diag(self.scanner_covariance)).tolist()
        return {
            "source": self.source,
            "rows": self.grey.shape[0],
            "columns": self.grey.shape[1],
            **fields_of(self, "pitch_mm accuracy_mm warp_mm"),
            **dict(zip(names, u, strict=True)),
            **fields_of(self.plane, "radial misfit"),
            "photo_pixel_mm": self.plane.scale,
            "camera_distance_mm": self.plane.distance,
        }

    def plot(self, ax: Any = None) -> Any:
        """Draw it, in mm; takes and returns matplotlib Axes."""
        from gantrysim.plotting.readings import plot_flat_picture

        return plot_flat_picture(self, ax=ax)

    def __repr__(self) -> str:
        rows, columns = self.grey.shape
        return (
            f"FlatPicture({self.source!r}, {columns} x {rows} pixels of {self.pitch:.3g} mm, "
            f"accurate to {self.accuracy:.2g} mm)"
        )

    def _repr_html_(self) -> str:
        u = np.sqrt(np.diag(self.scanner_covariance))
        rows = [
            ("accuracy of lengths and places (95 %)", f"{self.accuracy:.2g} mm"),
            ("of it neither scale nor skew", f"{self.warp:.2g} mm"),
            ("standard uncertainty of scale", f"{1e3 * u[0]:.2g} mm/m"),
            ("of scale x less y", f"{1e3 * u[1]:.2g} mm/m"),
            ("of skew", f"{1e3 * u[2]:.2g} mrad"),
            ("pixel", f"{self.pitch:.3g} mm"),
            ("camera about", f"{self.plane.distance:.0f} mm away"),
        ]
        title = f"<p><b>Photograph made flat</b>: {html.escape(self.source)}</p>"
        return f"{title}{Table(('what', 'how much'), rows).html()}"


@checked
def flatten_photo(
    path: AnyPath,
    reference: Reference,
    *,
    accuracy: float = 0.1,
    pitch: float | None = None,
    area: Area | None = None,
) -> FlatPicture:
    """Draw a photograph anew on the plane of the piece, by a reference of known size in it.

    Parameters
    ----------
    path : path
        PNG, JPEG or TIFF, as the camera wrote it: not cropped, for the lens stands in its middle.
    reference : Card, Grid or Rule
        What is known in the picture, and about where.
    accuracy : float
        Accuracy asked of lengths and places over the area, mm (about 95 %); the photograph is
        refused if the reference cannot give it.
    pitch : float, optional
        Side of a pixel of the flat picture, mm; that of the photograph in its middle if absent.
    area : (left, top, right, bottom), optional
        Where the piece is in the photograph, pixels; all of it if absent.

    Returns
    -------
    FlatPicture

    Raises
    ------
    FileNotFoundError
        If there is no such file.
    ValueError
        In one sentence: not a photograph, the reference is not seen, or it is too small, too coarse
        or too uncertain for the accuracy asked, with the accuracy that could be had.

    Examples
    --------
    >>> import gantrysim as gs
    >>> flat = gs.instruments.flatten_photo("photo.jpg", gs.instruments.Card())  # doctest: +SKIP
    """
    asked = positive(accuracy, "accuracy")
    flat, _, why = flattened(path, reference, pitch=pitch, area=area)
    if flat.accuracy > asked:
        raise ValueError(too_inaccurate(path, asked, flat.accuracy, why, whole=area is None))
    return flat


def flattened(
    path: AnyPath, reference: Reference, *, pitch: float | None, area: Area | None
) -> tuple[FlatPicture, Reference, str]:
    """A flat picture of whatever accuracy, the reference where it was found, and what limits it.

    ``path``, ``reference``, ``pitch``, ``area``: as for `flatten_photo`, mm and pixels.  ValueError
    as there, but for the accuracy.
    """
    grey = open_picture(path, _ANY_DPI, what="a photograph").grey
    box = _checked_area(area, (grey.shape[0], grey.shape[1]))
    with placed(path):
        if isinstance(reference, Card) and reference.corners is None:
            reference = found_card(grey, reference)
        elif isinstance(reference, Grid) and reference.corners is None:
            reference = found_grid(grey, reference)
        plane = sight(grey, reference)
    had, warp, scanner, why = judged(plane, reference, box)
    factor = 1.0 + reference.raised / plane.distance
    step = plane.scale * factor if pitch is None else positive(pitch, "pitch")
    flat, origin = _drawn(grey, plane, factor, step, box, path)
    found = FlatPicture(flat, step, origin, plane, factor, had, warp, scanner, str(path))
    return found, reference, why


def too_inaccurate(path: AnyPath, asked: float, had: float, why: str, *, whole: bool) -> str:
    """Why a photograph is refused, in one sentence; lengths in mm, ``whole``: no area was said."""
    say = "; say area=(left, top, right, bottom), pixels in which the piece is, to be judged there"
    return (
        f"{path}: accuracy={asked:g} mm cannot be had over this area, only {had:.3g} mm "
        f"(95 %): {why}{say if whole else ''}."
    )


def _checked_area(area: Any, shape: tuple[int, int]) -> Array:
    """Left, top, right and bottom, pixels."""
    rows, columns = shape
    if area is None:
        return np.array([0.0, 0.0, columns - 1.0, rows - 1.0])
    if not isinstance(area, tuple | list) or len(area) != 4:
        raise ValueError(f"area must be (left, top, right, bottom) in pixels, found {area!r}.")
    left, top, right, bottom = (finite_number(value, "area") for value in area)
    if not (0 <= left < right - 20 <= columns - 21 and 0 <= top < bottom - 20 <= rows - 21):
        raise ValueError(
            f"area must lie in the picture of {columns} x {rows} pixels, left before right and top "
            f"before bottom, found {shortened(area)}."
        )
    return np.array([left, top, right, bottom])


def judged(plane: Plane, reference: Reference, box: Array) -> tuple[float, float, Array, str]:
    """Accuracy and warp over the area, mm (coverage factor 2); scanner terms; what limits it.

    ``box``: left, top, right and bottom of the area, pixels.
    """
    side = np.linspace(0.0, 1.0, _LOOKED)
    part = np.stack(np.meshgrid(side, side), axis=-1).reshape(-1, 2)
    pixels = box[:2] + part * (box[2:] - box[:2])
    xy = plane.to_sheet(pixels)
    rigid, scales = rigid_modes(xy), scale_modes(xy)
    seen = plane.spread(pixels)
    about = (xy - xy.mean(axis=0)).ravel()
    along = np.tile([1.0, 0.0], len(xy))
    modes = np.column_stack([about * along, about * (1.0 - along)]) * reference.relative
    own = modes @ modes.T
    lift = reference.raised / plane.distance * FOCAL_SPREAD
    height = np.outer(about, about) * lift * lift
    way = "higher" if reference.raised > 0.0 else "lower"
    reading = (READING * plane.scale) ** 2 * np.eye(len(about))
    parts = {
        "the reference is too small, too far from the piece or too coarsely seen": seen,
        "its own size is too uncertain (measure it with calipers)": own,
        f"it lies {way} than the burned face (pack it up level and say raised=0)": height,
        "the pixels are too coarse (come closer)": reading,
    }
    total = np.asarray(sum(parts.values()))
    why = max(parts, key=lambda name: worst(parts[name], xy, rigid))
    read_off = np.linalg.pinv(np.column_stack([rigid, scales]))[3:]
    scanner = read_off @ total @ read_off.T
    had = COVERAGE * worst(total, xy, rigid)
    return had, COVERAGE * worst(total, xy, rigid, scales), 0.5 * (scanner + scanner.T), why


def _drawn(
    grey: NDArray[np.uint8], plane: Plane, factor: float, step: float, box: Array, path: AnyPath
) -> tuple[NDArray[np.uint8], tuple[float, float]]:
    """The area on an even grid of the burned face, and the place of its lowest left pixel."""
    t = np.linspace(0.0, 1.0, 50)
    left, top, right, bottom = box
    border = np.concatenate(
        [np.column_stack([left + t * (right - left), np.full(50, y)]) for y in (top, bottom)]
        + [np.column_stack([np.full(50, x), top + t * (bottom - top)]) for x in (left, right)]
    )
    reach = factor * plane.to_sheet(border)
    low, high = reach.min(axis=0), reach.max(axis=0)
    columns, rows = (int(n) + 1 for n in np.floor((high - low) / step))
    if columns * rows > limits.PIXELS:
        raise ValueError(
            f"{path}: the flat picture would have {columns} x {rows} pixels; choose a coarser "
            f"pitch than {step:.3g} mm or a smaller area."
        )
    smooth = spline_filter(grey, order=3, output=np.float32)
    out = np.empty((rows, columns), np.uint8)
    x = low[0] + step * np.arange(columns)
    for first in range(0, rows, _BAND):
        y = low[1] + step * (rows - 1 - np.arange(first, min(first + _BAND, rows)))
        at = plane.to_pixels(np.stack(np.meshgrid(x, y), axis=-1) / factor)
        bare = {"mode": "constant", "cval": 255.0, "prefilter": False}
        value = map_coordinates(smooth, [at[..., 1], at[..., 0]], order=3, **bare)
        out[first : first + len(y)] = np.clip(value + 0.5, 0.0, 255.0).astype(np.uint8)
    return out, (float(low[0]), float(low[1]))
