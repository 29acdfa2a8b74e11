"""Opening a scanned picture safely: any usual PNG, JPEG or TIFF becomes one grey array.

A file from anywhere may be cut short, hold nonsense, or claim to be enormous.  Its size is looked
at before anything is unpacked, and whatever the decoder dislikes ends in one sentence.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from gantrysim.records import limits
from gantrysim.records.checks import positive, shortened
from gantrysim.records.files import AnyPath, opened

if TYPE_CHECKING:
    from PIL.Image import Image

FORMATS = ("PNG", "JPEG", "TIFF")
LEAST_SIDE = 32  # pixels; nothing can be traced in less
LEAST_DPI, MOST_DPI = 40.0, 10_000.0
_BAND = 512  # rows converted at a time
_PER_METRE = 0.5 * 0.0254  # dpi; PNG keeps whole pixels a metre, so that 600 dpi reads 599.9988

_ORIENTATION = 0x0112  # tag of TIFF and Exif; 5 to 8 lay the picture on its side


@dataclass(frozen=True, eq=False)
class Picture:
    """A scanned picture in grey.

    Parameters
    ----------
    grey : ndarray of uint8, shape (rows, columns)
        Row 0 is the top, columns to the right.
    dpi : (float, float)
        Pixels an inch of 25.4 mm along columns (x) and rows (y).
    source : str
        The file.
    marked : (float, float), optional
        What the file states of its resolution, where it states any.
    """

    grey: NDArray[np.uint8]
    dpi: tuple[float, float]
    source: str
    marked: tuple[float, float] | None = None

    @property
    def pitch(self) -> NDArray[np.float64]:
        """Sides of a pixel along x and y, mm, shape (2,)."""
        return 25.4 / np.array(self.dpi)

    def to_pixels(self, xy: NDArray[np.float64]) -> NDArray[np.float64]:
        """Column and row of places on the picture; pixel centres are whole numbers.

        ``xy``: places, mm from the lower left corner of the picture, x right and y up; shape (...,
        2).
        """
        out = np.asarray(xy) / self.pitch - 0.5
        out[..., 1] = self.grey.shape[0] - 1.0 - out[..., 1]
        return out


def open_picture(
    path: AnyPath, dpi: float | tuple[float, float] | None = None, *, what: str = "a scan"
) -> Picture:
    """Read a picture as grey, with its resolution.

    ``path``: a PNG, JPEG or TIFF file within `gantrysim.records.limits`; grey or colour, 8 or 16
    bits.  ``dpi``: pixels an inch, along x and y; what the file says if absent.  ``what``: what is
    expected, for the sentences.  FileNotFoundError if there is no such file.  ValueError with one
    sentence, for a file that is no such picture or states no resolution.
    """
    from PIL import Image, UnidentifiedImageError

    expected = f"{what} as PNG, JPEG or TIFF"
    given = _given_dpi(dpi)
    with opened(path, expected, most=limits.PICTURE_BYTES) as stream, warnings.catch_warnings():
        warnings.simplefilter("ignore")  # large pages, and tags that we do not read
        try:
            image = Image.open(stream, formats=FORMATS)
        except UnidentifiedImageError:
            raise ValueError(
                f"{path}: not a picture that can be read; {expected} is expected."
            ) from None
        except Image.DecompressionBombError:
            raise ValueError(_too_large(path, "far too many")) from None
        except Exception as error:  # decoders raise whatever they trip over
            raise ValueError(f"{path}: {expected} is expected ({_words(error)}).") from None
        with image:
            _check_size(path, image)
            marked = _marked_dpi(image)
            _check_reach(path, image.size, given or marked)
            try:
                turned = image.getexif().get(_ORIENTATION, 1) in (5, 6, 7, 8)
                grey = _grey(_upright(image))
            except Exception as error:
                raise ValueError(
                    f"{path}: the picture is damaged or cut short ({_words(error)}); save it anew."
                ) from None
    if turned and marked is not None:
        marked = marked[::-1]
    found = given or marked
    if found is None:
        raise ValueError(
            f"{path}: the file does not state the resolution of the scan; give it, as in dpi=600."
        )
    return Picture(grey, found, str(path), marked)


def _check_size(path: AnyPath, image: Image) -> None:
    width, height = image.size
    if width * height > limits.PIXELS:
        raise ValueError(_too_large(path, f"{width} x {height}"))
    if min(width, height) < LEAST_SIDE:
        raise ValueError(
            f"{path}: the picture has {width} x {height} pixels; at least "
            f"{LEAST_SIDE} x {LEAST_SIDE} are needed to trace lines."
        )
    try:
        image.seek(1)
    except Exception:  # the usual end of a single picture, or a broken second one: not ours
        image.seek(0)
        return
    raise ValueError(f"{path}: the file holds several pictures; save the scan as a single one.")


def _check_reach(path: AnyPath, size: tuple[int, int], dpi: tuple[float, float] | None) -> None:
    """Refuse a picture that would show more than any scanner sees."""
    if dpi is None:
        return  # refused by the caller
    wide, high = (25.4 * pixels / each for pixels, each in zip(size, dpi, strict=True))
    if max(wide, high) > limits.SCAN_SIDE or wide * high > limits.SCAN_AREA:
        raise ValueError(
            f"{path}: {size[0]} x {size[1]} pixels at {dpi[0]:g} dpi would be {wide:.0f} x "
            f"{high:.0f} mm, over the {limits.SCAN_AREA:g} mm2 and {limits.SCAN_SIDE:g} mm "
            "accepted; crop it to the piece, or give the right dpi."
        )


def _upright(image: Image) -> Image:
    """Turned as its file says a viewer must turn it."""
    from PIL import ImageOps

    image.load()
    ImageOps.exif_transpose(image, in_place=True)
    return image


def _grey(image: Image) -> NDArray[np.uint8]:
    """Grey values, in bands of rows, so that no second picture of full depth is needed.

    Deeper pictures are spread over 8 bits between their own extremes.
    """
    width, height = image.size
    deep = image.mode.startswith(("I", "F"))
    clear = "transparency" in image.info or image.mode in ("LA", "PA", "RGBA", "La", "RGBa")
    low, high = _extremes(image) if deep else (0.0, 255.0)
    step = max(high - low, 1e-6) / 255.0
    out = np.empty((height, width), np.uint8)
    for top in range(0, height, _BAND):
        band = image.crop((0, top, width, min(top + _BAND, height)))
        if deep:
            values = np.nan_to_num(np.asarray(band, dtype=np.float32), posinf=high, neginf=low)
            out[top : top + _BAND] = np.clip((values - low) / step + 0.5, 0.0, 255.0)
        elif clear:  # what is clear shows white
            grey, alpha = np.moveaxis(np.asarray(band.convert("RGBA").convert("LA")), -1, 0)
            lit = 255.0 - (255.0 - grey) * (alpha / np.float32(255.0))
            out[top : top + _BAND] = lit + 0.5
        else:
            out[top : top + _BAND] = np.asarray(band.convert("L"))
    return out


def _extremes(image: Image) -> tuple[float, float]:
    """Darkest and lightest value of a deep picture, but for one in a thousand."""
    width, height = image.size
    rows = range(0, height, max(1, height // 400))
    lines = [image.crop((0, row, width, row + 1)) for row in rows]
    values = np.concatenate([np.asarray(line, dtype=np.float32).ravel() for line in lines])
    values = values[np.isfinite(values)]
    if not len(values):
        return 0.0, 1.0
    low, high = np.percentile(values, (0.1, 99.9)).tolist()
    return low, high


def _given_dpi(dpi: Any) -> tuple[float, float] | None:
    if dpi is None:
        return None
    pair = tuple(dpi) if isinstance(dpi, tuple | list) else (dpi, dpi)
    if len(pair) != 2:
        raise ValueError(f"dpi must be one number or two (x, y), found {shortened(dpi)}.")
    found = positive(pair[0], "dpi"), positive(pair[1], "dpi")
    if not all(LEAST_DPI <= value <= MOST_DPI for value in found):
        raise ValueError(
            f"dpi must be {LEAST_DPI:g} to {MOST_DPI:g} pixels an inch, found {shortened(dpi)}."
        )
    return found


def _marked_dpi(image: Image) -> tuple[float, float] | None:
    try:
        x, y = (float(value) for value in image.info.get("dpi", (0.0, 0.0)))
    except (TypeError, ValueError, ZeroDivisionError):
        return None
    if not (LEAST_DPI <= x <= MOST_DPI and LEAST_DPI <= y <= MOST_DPI):
        return None
    return _rounded(x), _rounded(y)


def _rounded(dpi: float) -> float:
    return float(round(dpi)) if abs(dpi - round(dpi)) <= _PER_METRE else dpi


def _too_large(path: AnyPath, size: str) -> str:
    return (
        f"{path}: the picture has {size} pixels, over the {limits.PIXELS:.3g} accepted; "
        "crop it to the piece, or scan at a lower resolution."
    )


def _words(error: Exception) -> str:
    """What a decoder complained of, in one line."""
    text = " ".join(str(error).split()) or type(error).__name__
    return shortened(text).strip("'\"")
