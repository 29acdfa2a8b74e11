"""From a photograph to a plane: projective map, one radial coefficient, and how sure they are.

A camera shows a flat sheet through a projective map; its lens then moves every place outward or
inward along the ray from the middle of the picture, r (1 + k r^2), the first term of Brown's radial
series (D. C. Brown, Photogrammetric Engineering 37 (1971) 855-866; the formula is that of common
calibration software).  Places in the picture are counted in half diagonals from its middle, x right
and y up; places on the sheet in mm.

The map is fitted to lines of the sheet whose places are known: each sighting says that what the
picture shows there lies on such a line.  What sightings leave open, the usual camera settles.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from gantrysim.records.arrays import Array

#: The usual camera (common practice, no source): standard deviations of the radial coefficient and
#: of how far the lens sits off the middle of the picture; focal length in half diagonals, and its
#: standard deviation, relative; how far pixels are from square, relative.
RADIAL, OFF_MIDDLE, FOCAL, FOCAL_SPREAD, PIXEL_SHAPE = 0.03, 0.01, 1.25, 0.3, 5e-4
#: Tilt of a camera that nobody held square on purpose, one standard deviation, degrees.
ANY_TILT_DEG = 30.0

_N = 11  # eight of the projective map, the radial coefficient, the middle of the lens


@dataclass(frozen=True, eq=False)
class Sightings:
    """Places in a picture that are known to lie on straight lines of the sheet.

    Parameters
    ----------
    pixels : ndarray, shape (n, 2)
        Column and row in the picture.
    normal : ndarray, shape (n, 2)
        Unit normal of the line on the sheet.
    offset : ndarray, shape (n,)
        Distance of the line from the origin of the sheet along its normal, mm.
    spread : ndarray, shape (n,)
        Standard uncertainty of the place across the line, of each sighting alone, pixels.
    line : ndarray of int, shape (n,)
        Which line each is on, from 0.
    pull : float
        Standard uncertainty that all sightings of one line share, pixels: it does not average out,
        but it bends no line either.
    """

    pixels: Array
    normal: Array
    offset: Array
    spread: Array
    line: NDArray[np.int64]
    pull: float

    def whitened(self, off: Array) -> Array:
        """Distances from the lines, pixels, as independent unit noise has them.

        With s alone and p shared by n sightings the covariance is s^2 I + p^2 1 1'; taking off the
        part 1 - 1/sqrt(1 + sum p^2/s^2) of the mean of each line whitens it exactly.
        """
        own = off / self.spread
        unit = 1.0 / self.spread  # how the shared part shows in the scaled distances
        weight = np.bincount(self.line, unit * unit)
        mean = np.bincount(self.line, own * unit) / np.maximum(weight, 1e-300)
        part = 1.0 - 1.0 / np.sqrt(1.0 + weight * self.pull**2)
        return np.asarray(own - (part * mean)[self.line] * unit)


@dataclass(frozen=True, eq=False)
class Plane:
    """The map between a picture and the sheet it shows.

    Parameters
    ----------
    unknowns : ndarray, shape (11,)
        Projective map from the ideal picture to the sheet, row by row without its last 1; radial
        coefficient; middle of the lens against the middle of the picture, half diagonals.
    covariance : ndarray, shape (11, 11)
        Of the unknowns.
    shape : (int, int)
        Rows and columns of the picture.
    misfit : float
        Root mean square of the sightings off their lines, in their own standard uncertainties.
    """

    unknowns: Array
    covariance: Array
    shape: tuple[int, int]
    misfit: float

    @property
    def radial(self) -> float:
        """Radial coefficient, per half diagonal squared: above zero a corner is moved outward."""
        return float(self.unknowns[8])

    @property
    def scale(self) -> float:
        """Mean length of a pixel on the sheet at the middle of the picture, mm."""
        return math.sqrt(abs(np.linalg.det(_at_middle(self.unknowns)))) / _unit(self.shape)

    @property
    def distance(self) -> float:
        """About how far the camera is from the sheet, mm: by the usual focal length."""
        return FOCAL * self.scale * _unit(self.shape)

    def to_sheet(self, pixels: Array) -> Array:
        """Places on the sheet, mm, of columns and rows in the picture, shape (..., 2)."""
        return _to_sheet(self.unknowns, pixels, self.shape)

    def to_pixels(self, xy: Array) -> Array:
        """Columns and rows in the picture of places on the sheet, mm, shape (..., 2)."""
        xy = np.asarray(xy, dtype=float)
        back = np.linalg.inv(_matrix(self.unknowns))
        flat = xy @ back[:2, :2].T + back[:2, 2]
        depth = xy @ back[2, :2] + back[2, 2]
        seen = distorted(flat / depth[..., None] - self.unknowns[9:], self.radial)
        return _pixels(seen + self.unknowns[9:], self.shape)

    def spread(self, pixels: Array) -> Array:
        """Covariance of the sheet places of n places in the picture, mm^2, shape (2n, 2n)."""
        slopes = self._slopes(np.asarray(pixels, dtype=float))
        return np.asarray(slopes @ self.covariance @ slopes.T)

    def _slopes(self, pixels: Array) -> Array:
        out = np.empty((2 * len(pixels), _N))
        step = 1e-3 * np.sqrt(np.diag(self.covariance)) + 1e-12
        for k in range(_N):
            ends = []
            for way in (step[k], -step[k]):
                moved = self.unknowns.copy()
                moved[k] += way
                ends.append(_to_sheet(moved, pixels, self.shape).ravel())
            out[:, k] = (ends[0] - ends[1]) / (2.0 * step[k])
        return out


def distorted(xy: Array, radial: float) -> Array:
    """Where a lens shows ideal places: x (1 + k r^2); shape (..., 2)."""
    return np.asarray(xy * (1.0 + radial * np.sum(xy**2, axis=-1, keepdims=True)))


def undistorted(xy: Array, radial: float) -> Array:
    """Ideal places of what a lens shows: r + k r^3 = r' solved by Newton's rule; shape (..., 2)."""
    seen = np.sqrt(np.sum(xy**2, axis=-1, keepdims=True))
    r = seen.copy()
    for _ in range(8):
        slope = np.maximum(1.0 + 3.0 * radial * r * r, 0.05)  # a lens never folds the picture
        r = r - (r + radial * r**3 - seen) / slope
    return np.asarray(np.where(seen > 0.0, xy * r / np.where(seen > 0.0, seen, 1.0), xy))


def projective(ideal: Array, sheet: Array) -> Array:
    """Projective map through four pairs of places, as the eight first unknowns.

    ``ideal``, ``sheet``: places in the picture, half diagonals, and on the sheet, mm; shape (4, 2).
    """
    rows = []
    for (u, v), (x, y) in zip(ideal, sheet, strict=True):
        rows.append([u, v, 1, 0, 0, 0, -u * x, -v * x])
        rows.append([0, 0, 0, u, v, 1, -u * y, -v * y])
    return np.asarray(np.linalg.solve(np.array(rows, dtype=float), np.asarray(sheet).ravel()))


def first_guess(pixels: Array, sheet: Array, shape: tuple[int, ...]) -> Plane:
    """A map through four pairs of places, of a lens that bends nothing.

    ``pixels``, ``sheet``: column and row in the picture, and place on the sheet, mm; shape (4, 2).
    ``shape``: rows and columns of the picture.
    """
    rows, columns = shape
    eight = projective(_ideal(pixels, (rows, columns)), np.asarray(sheet))
    unknowns = np.concatenate([eight, np.zeros(3)])
    return Plane(unknowns, np.zeros((_N, _N)), (rows, columns), math.nan)


def fit_plane(start: Plane, seen: Sightings, *, tilt_deg: float | None = None) -> Plane:
    """Fit the map to sightings of known lines by least squares.

    ``start``: a first guess.  ``tilt_deg``: standard deviation of how far the camera is off square
    to the sheet, degrees.  Given, the map is that of a usual camera at such a tilt, which a
    reference along one line needs.  Returns: with the covariance of its unknowns; the sightings'
    uncertainties are scaled up where they misfit by more than they say.
    """
    shape, unit = start.shape, _unit(start.shape)
    tilt = math.tan(math.radians(ANY_TILT_DEG if tilt_deg is None else tilt_deg))
    per_pixel = start.scale  # mm; the weights need it to a few per cent only

    def off(unknowns: Array) -> Array:
        where = _to_sheet(unknowns, seen.pixels, shape)
        return seen.whitened((np.sum(where * seen.normal, axis=1) - seen.offset) / per_pixel)

    def usual(unknowns: Array) -> Array:
        lean = unknowns[6:8] * FOCAL
        terms = [lean / tilt, unknowns[8:9] / RADIAL, unknowns[9:] / OFF_MIDDLE]
        if tilt_deg is not None:
            # a tilt t squeezes the picture along it by cos t, tan t = f * lean
            way, size = math.atan2(lean[1], lean[0]), math.hypot(*lean)
            squeeze = 0.25 * math.log1p(size * size)
            squeezed = squeeze * np.array([math.cos(2 * way), math.sin(2 * way)])
            stretch = _stretch(unknowns) - squeezed
            terms.append(stretch / math.hypot(PIXEL_SHAPE, FOCAL_SPREAD * 0.5 * tilt * tilt))
        return np.concatenate(terms)

    # all unknowns at a size of about one: the map's own rows are in mm
    size = np.array([per_pixel * unit] * 6 + [1.0] * 5)

    def all_off(z: Array) -> Array:
        return np.concatenate([off(z * size), usual(z * size)])

    found = least_squares(all_off, start.unknowns / size, method="lm", xtol=1e-12, ftol=1e-12)
    unknowns = found.x * size
    freedom = max(len(seen.offset) - 8, 1)
    misfit = float(np.sqrt(np.sum(off(unknowns) ** 2) / freedom))
    rows = found.jac.copy()
    rows[: len(seen.offset)] /= max(misfit, 1.0)
    spread = np.linalg.pinv(rows.T @ rows, rcond=1e-14, hermitian=True)
    return Plane(unknowns, size[:, None] * spread * size, shape, misfit)


def rigid_modes(xy: Array) -> Array:
    """Shifts and turn of n places, shape (2n, 3): what a lifted piece cannot show."""
    about = xy - xy.mean(axis=0)
    one, none = np.ones(len(xy)), np.zeros(len(xy))
    columns = [(one, none), (none, one), (-about[:, 1], about[:, 0])]
    return np.column_stack([np.column_stack(pair).ravel() for pair in columns])


def scale_modes(xy: Array) -> Array:
    """Common scale, scale difference x - y, and skew of n places, shape (2n, 3)."""
    x, y = (xy - xy.mean(axis=0)).T
    none = np.zeros(len(xy))
    columns = [(x, y), (0.5 * x, -0.5 * y), (y, none)]
    return np.column_stack([np.column_stack(pair).ravel() for pair in columns])


def worst(covariance: Array, xy: Array, *modes: Array) -> float:
    """Largest standard uncertainty of a place, mm, once it may move in some modes.

    ``covariance``: of the places, mm^2; shape (2n, 2n).  ``xy``: the places, mm; shape (n, 2).
    ``modes``: what is fitted and taken off; shape (2n, k).
    """
    basis, _ = np.linalg.qr(np.column_stack(modes))
    keep = np.eye(len(covariance)) - basis @ basis.T
    left = keep @ covariance @ keep
    blocks = [left[2 * i : 2 * i + 2, 2 * i : 2 * i + 2] for i in range(len(xy))]
    return math.sqrt(max(float(np.linalg.eigvalsh(block)[-1]) for block in blocks))


def _to_sheet(unknowns: Array, pixels: Array, shape: tuple[int, int]) -> Array:
    middle = unknowns[9:]
    ideal = undistorted(_ideal(pixels, shape) - middle, unknowns[8]) + middle
    m = _matrix(unknowns)
    flat = ideal @ m[:2, :2].T + m[:2, 2]
    return np.asarray(flat / (ideal @ m[2, :2] + 1.0)[..., None])


def _matrix(unknowns: Array) -> Array:
    return np.append(unknowns[:8], 1.0).reshape(3, 3)


def _at_middle(unknowns: Array) -> Array:
    """Derivative of the sheet's place with the ideal picture's, at its middle, mm."""
    m = _matrix(unknowns)
    return m[:2, :2] - np.outer(m[:2, 2], m[2, :2])


def _stretch(unknowns: Array) -> Array:
    """By how much the sheet is stretched against the picture, along x and at 45 degrees."""
    b = _at_middle(unknowns)
    square = b.T @ b / abs(np.linalg.det(b))
    return np.array([square[0, 0] - square[1, 1], 2.0 * square[0, 1]]) / 4.0


def _unit(shape: Sequence[int]) -> float:
    return 0.5 * math.hypot(*shape)


def _ideal(pixels: Array, shape: tuple[int, int]) -> Array:
    rows, columns = shape
    pixels = np.asarray(pixels, dtype=float)
    x, y = pixels[..., 0] - 0.5 * (columns - 1), 0.5 * (rows - 1) - pixels[..., 1]
    return np.stack([x, y], axis=-1) / _unit(shape)


def _pixels(ideal: Array, shape: tuple[int, int]) -> Array:
    rows, columns = shape
    x, y = ideal[..., 0] * _unit(shape), ideal[..., 1] * _unit(shape)
    return np.stack([x + 0.5 * (columns - 1), 0.5 * (rows - 1) - y], axis=-1)
