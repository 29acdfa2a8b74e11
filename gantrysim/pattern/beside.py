"""What is burned beside the rings: an orientation mark, a scale reference, a caption.

A lifted piece does not say which way up it lay, nor how large its scanner's millimetre is.  The
mark is an upright L with its foot to the right, right of the rings and a little above their
middle: it lies off every axis in which circles and squares look the same, and an L with one long
leg stays a mirror image however it is turned, so that it also tells a piece scanned from its back.
The scale reference is three crosses at the corners of a right angle, the stated length apart
along x and along y.  It is drawn by the same machine as the rings: measure its true length on the
piece (calipers) before taking it for a standard of length.

All places are commanded carriage positions in mm, as those of the rings.  Nothing comes nearer to
the rings than `CLEAR`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from gantrysim.pattern.letters import checked_text, letter_strokes, text_width
from gantrysim.records.arrays import Array
from gantrysim.records.checks import finite_number
from gantrysim.records.doors import checked

CLEAR = 5.0  # between the rings and anything beside them, mm
ARM = 1.5  # of a cross, from its middle, mm
LETTER_HEIGHT = 3.0  # mm
LINE_STEP = 5.0  # from one line of a caption to the next, mm
MAX_LINES = 3
LEAST_WIDTH = 60.0  # a caption may be as wide as the rings, or as this, mm
SCALE_RANGE = (5.0, 1000.0)  # of the scale reference, mm

BESIDE = ("mark", "scale", "caption")  # shapes of the strokes, in drawing order

Box = tuple[float, float, float, float]  # left, bottom, right, top, mm


@checked
@dataclass(frozen=True)
class ScaleReference:
    """Two crosses a commanded distance apart.

    Parameters
    ----------
    start, end : (float, float)
        Commanded carriage positions of the middles of the crosses, mm.
    length : float
        Distance between them, mm.
    """

    start: tuple[float, float]
    end: tuple[float, float]
    length: float


@dataclass(frozen=True, eq=False)
class Beside:
    """What is burned beside the rings, as corners of strokes in mm.

    Parameters
    ----------
    mark, scale, caption : tuple of ndarray, shape (n, 2)
        Strokes of each, in drawing order; empty for what was not asked for.
    references : tuple of ScaleReference
        The distance along x and the one along y, or none.
    """

    mark: tuple[Array, ...] = ()
    scale: tuple[Array, ...] = ()
    caption: tuple[Array, ...] = ()
    references: tuple[ScaleReference, ...] = ()


def checked_scale(length: object) -> float | None:
    """Length of a scale reference, mm, or None for none.

    ValueError if it is no number within `SCALE_RANGE`.
    """
    if length is None:
        return None
    found = finite_number(length, "scale_reference")
    least, most = SCALE_RANGE
    if not least <= found <= most:
        raise ValueError(
            f"scale_reference must be {least:g} to {most:g} mm, or None, found {found:g} mm."
        )
    return found


def checked_caption(text: object, box: Box) -> str:
    """A caption in capitals.

    ValueError if it has a letter that is not in the table, too many lines, or a line too long to
    stand beside rings in this box.
    """
    caption = checked_text(text, "caption")
    if not caption.strip():
        return ""
    lines = caption.split("\n")
    if len(lines) > MAX_LINES:
        raise ValueError(f"caption may have {MAX_LINES} lines at most, found {len(lines)}.")
    room = max(box[2] - box[0], LEAST_WIDTH)
    for line in lines:
        wide = text_width(line, LETTER_HEIGHT)
        if wide > room:
            raise ValueError(
                f"caption: a line of {len(line)} letters is {wide:g} mm long, but beside these "
                f"rings it may be {room:g} mm at most; break it with a line feed or shorten it."
            )
    return caption


def placed_beside(box: Box, *, mark: bool, scale: float | None, caption: str) -> Beside:
    """Place mark, scale reference and caption round the box of the rings.

    Crosses and caption stand below the rings and left of them; where that side has no room before
    home, above and right of them.

    ``box``: of the rings, mm.  ``mark``: whether an orientation mark is wanted.  ``scale``: length
    of the scale reference, mm.  ``caption``: as `checked_caption` returns it.
    """
    left, bottom, right, top = box
    lines = caption.split("\n") if caption else []
    cross = 2.0 * ARM + CLEAR if scale else 0.0
    written = CLEAR + LETTER_HEIGHT + LINE_STEP * (len(lines) - 1) if lines else 0.0
    below, beside = bottom >= cross + written, left >= cross
    references: tuple[ScaleReference, ...] = ()
    crosses: list[Array] = []
    if scale:
        x, along = (left - CLEAR - ARM, scale) if beside else (right + CLEAR + ARM, -scale)
        y, up = (bottom - CLEAR - ARM, scale) if below else (top + CLEAR + ARM, -scale)
        corner, far, high = (x, y), (x + along, y), (x, y + up)
        references = (ScaleReference(corner, far, scale), ScaleReference(corner, high, scale))
        crosses = [stroke for at in (far, corner, high) for stroke in _cross(at)]
    foot = bottom - cross - CLEAR - LETTER_HEIGHT
    if not below:
        foot = top + cross + CLEAR + LINE_STEP * (len(lines) - 1)
    letters = [
        stroke
        for k, line in enumerate(lines)
        for stroke in letter_strokes(line, (left, foot - k * LINE_STEP), LETTER_HEIGHT)
    ]
    right_of = right + CLEAR + (0.0 if beside else cross)
    marks = (_orientation_mark(right_of, 0.5 * (bottom + top), 0.5 * (top - bottom)),)
    return Beside(marks if mark else (), tuple(crosses), tuple(letters), references)


def _orientation_mark(x: float, middle: float, half: float) -> Array:
    """An L right of x and above the middle of rings half as high as this, mm."""
    leg = min(max(0.5 * half, 3.0), 10.0)
    y = middle + 0.2 * half
    return np.array(((x, y + leg), (x, y), (x + 0.5 * leg, y)))


def _cross(at: tuple[float, float]) -> list[Array]:
    x, y = at
    return [np.array(((x - ARM, y), (x + ARM, y))), np.array(((x, y + ARM), (x, y - ARM)))]
