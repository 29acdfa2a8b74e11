"""The picture of a scan with the traced lines on top."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Annotated

import numpy as np

from gantrysim.instruments.picture import open_picture
from gantrysim.instruments.points import Piece
from gantrysim.plotting import look
from gantrysim.records.doors import checked

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_WIDEST = 1600  # pixels of the drawn picture, so that a large page stays quick
_MARGIN = 4.0  # mm of wood round the pattern
#: Type hint of the part of a picture that is shown.
Window = Annotated[tuple[float, float, float, float], "(left, right, bottom, top) in mm"]


@checked
def plot_scan(piece: Piece, ax: Axes | None = None, *, window: Window | None = None) -> Axes:
    """Draw a scan with the points that were read from it.

    Parameters
    ----------
    piece : Piece
        From `read_scan` (of two scans the first is shown) or `read_photo` (made flat).
    ax : Axes, optional
        Where to draw; a new figure if absent.
    window : (float, float, float, float), optional
        Left, right, bottom and top of what is shown, mm from the lower left corner of the
        picture; the pattern with a margin if absent.

    Returns
    -------
    Axes
        In mm from the lower left corner of the picture, true to size.

    Raises
    ------
    ValueError
        If the piece was not read from a scan, or the scan is no longer there.
    """
    record = piece.record
    if record is None:
        raise ValueError(f"{piece.source}: was not read from a scan, so there is none to show.")
    picture = record.picture or open_picture(record.files[0], record.dpi)
    rows, columns = picture.grey.shape
    width, height = columns * picture.pitch[0], rows * picture.pitch[1]
    places = [line.xy @ record.matrix.T + record.shift for line in piece.lines]
    every = np.concatenate(places)
    if window is None:
        low, high = every.min(axis=0) - _MARGIN, every.max(axis=0) + _MARGIN
        window = (low[0], high[0], low[1], high[1])
    left, right = max(window[0], 0.0), min(window[1], width)
    bottom, top = max(window[2], 0.0), min(window[3], height)
    if left >= right or bottom >= top:
        raise ValueError(
            f"window must lie within the picture of {width:.4g} x {height:.4g} mm, found {window}."
        )
    i, j = int(left / picture.pitch[0]), math.ceil(right / picture.pitch[0])
    k, m = int((height - top) / picture.pitch[1]), math.ceil((height - bottom) / picture.pitch[1])
    shown = picture.grey[k:m, i:j]
    factor = max(1, math.ceil(max(shown.shape) / _WIDEST))
    if factor > 1:
        r, c = (n // factor for n in shown.shape)
        shown = shown[: r * factor, : c * factor].reshape(r, factor, c, factor).mean(axis=(1, 3))
        m, j = k + r * factor, i + c * factor
    wide, high = picture.pitch
    extent = (i * wide, j * wide, height - m * high, height - k * high)
    ax = look.map_axes(ax, np.array(((left, bottom), (right, top))))
    ax.imshow(shown, cmap="gray", vmin=0, vmax=255, extent=extent, interpolation="antialiased")
    close = right - left < 30.0
    for shape, colour in look.SHAPE_COLOURS.items():
        for known in (False, True):
            own = [
                xy
                for line, xy in zip(piece.lines, places, strict=True)
                if line.shape == shape and known == (line.pass_index >= 0 and piece.test.passes > 1)
            ]
            if own:
                mark = {"marker": "x", "markeredgewidth": 0.8} if known else {}
                look.draw_points(ax, own, colour, 6.0 if close else 2.6, **mark)
    ax.set_xlim(left, right)
    ax.set_ylim(bottom, top)
    ax.set_xlabel("x on the scan, mm")
    ax.set_ylabel("y on the scan, mm")
    notes = [f"{piece.n_points} points, turned by {record.turn_deg:.2f} degrees", *piece.notes]
    look.heading(ax, "\n".join(notes))
    look.legend(ax, look.shape_dots(nest.shape for nest in piece.test.nests))
    return ax
