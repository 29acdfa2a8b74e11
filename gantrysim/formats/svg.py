"""Tests and burns as SVG drawings.

Plain paths of SVG 1.1 (W3C Recommendation), which SVG 2 reads alike: width and height in mm, one
user unit to the millimetre, no transforms and no style sheet.  SVG counts y downwards, so y is
turned over about the top of the page and the drawing stands the right way up.  Circles are four
arcs of a quarter turn each (a half turn would leave the centre to the rounding of its ends), from
the start point and in the direction of the test; document order is drawing order.
"""

from __future__ import annotations

import os
from collections import Counter
from itertools import count, groupby
from pathlib import Path
from xml.sax.saxutils import escape, quoteattr

import numpy as np

from gantrysim.burn import Burn
from gantrysim.burn.magnified import magnified
from gantrysim.formats.geometry import Drawn, decimal, drawing_of, name_of, reach_of
from gantrysim.pattern.ringtest import RingTest
from gantrysim.pattern.shapes import SHAPES
from gantrysim.records.arrays import Array
from gantrysim.records.checks import positive
from gantrysim.records.files import write_new_text

MARGIN = 5.0  # round everything drawn, mm
HAIRLINE = 0.1  # mm
DIGITS = 7  # behind the point: 0.1 nm, far below what a test asks of a path
COLOURS = {
    **dict.fromkeys(SHAPES, "#000000"),
    "mark": "#0072b2",
    "scale": "#0072b2",
    "caption": "#d55e00",
}
GROUPS = {
    **{name: (shape.plural, shape.plural.capitalize()) for name, shape in SHAPES.items()},
    "mark": ("orientation-mark", "Orientation mark"),
    "scale": ("scale-reference", "Scale reference"),
    "caption": ("caption", "Caption"),
}
FAINT = "#b0b0b0"


def write_test_svg(
    test: RingTest, path: str | os.PathLike[str], *, overwrite: bool = False
) -> Path:
    """Write what a test commands as an SVG drawing; returns its path.

    ``test``: what to draw; commanded carriage positions, mm.  ``path``: of the file.
    ``overwrite``: whether a file of that name may be replaced.  FileExistsError if the file exists
    and ``overwrite`` is false.  FileNotFoundError if its folder does not exist.
    """
    drawing = drawing_of(test)
    page = _Page(reach_of(drawing))
    body = []
    used: Counter[str] = Counter()
    place = count(1)
    for shape, strokes in groupby(drawing, key=lambda drawn: drawn.shape):
        own = list(strokes)
        name, title = GROUPS[shape]
        body.append(f"<g id={_once(name, used)} stroke={quoteattr(COLOURS[shape])}>")
        title = f"Caption: {test.caption}" if shape == "caption" else title
        body.append(f" <title>{escape(title)}</title>")
        for drawn in own:
            turn = f"{next(place)} of {len(drawing)}"
            body += _stroke(drawn, page, _once(f"{shape}-{drawn.number}", used), turn)
        body.append("</g>")
    text = page.whole("Ring test", f"{test.summary()} {_order(drawing)}", body)
    return write_new_text(path, text, overwrite=overwrite)


def write_burn_svg(
    burn: Burn, path: str | os.PathLike[str], *, magnify: float = 1.0, overwrite: bool = False
) -> Path:
    """Write predicted lines over commanded ones as an SVG drawing; returns its path.

    ``burn``: what to draw; places of the spot, mm.  ``path``: of the file.  ``magnify``: how many
    times larger than it is the error is drawn; it is written on the drawing.  ``overwrite``:
    whether a file of that name may be replaced.  ValueError if `magnify` is not above zero.
    FileExistsError if the file exists and ``overwrite`` is false.  FileNotFoundError if its folder
    does not exist.
    """
    magnify = positive(magnify, "magnify")
    lines = burn.lines + burn.beside
    commanded = burn.commanded + burn.beside_commanded
    predicted = [magnified(c, x.xy, magnify) for x, c in zip(lines, commanded, strict=True)]
    both = np.concatenate([*predicted, *commanded])
    page = _Page(np.array([both.min(axis=0), both.max(axis=0)]), foot=8.0)
    body = [
        f"<g id={quoteattr('commanded')} stroke={quoteattr(FAINT)}>",
        " <title>Commanded</title>",
    ]
    once = {(x.shape, x.ring): c for x, c in zip(lines, commanded, strict=True)}
    body += [f" <path d={quoteattr(page.polyline(xy))}/>" for xy in once.values()]
    body += ["</g>"]
    note = f"errors drawn {magnify:g} times larger" if magnify != 1.0 else "errors true to size"
    body += ['<g id="predicted">', f" <title>Predicted, {note}</title>"]
    used: Counter[str] = Counter()
    for line, xy in zip(lines, predicted, strict=True):
        title = f"{line.shape} ring {line.ring}, {line.size:g} mm, pass {line.pass_index + 1}"
        body += [
            f" <path id={_once(f'{line.shape}-{line.ring}-pass-{line.pass_index + 1}', used)} "
            f"stroke={quoteattr(COLOURS[line.shape])} d={quoteattr(page.polyline(xy))}>",
            f"  <title>{escape(title)}</title>",
            " </path>",
        ]
    body += ["</g>", page.note(note)]
    text = page.whole("Predicted burn", f"{burn.test.summary()} Predicted lines, {note}.", body)
    return write_new_text(path, text, overwrite=overwrite)


class _Page:
    """A page that holds a box of the machine frame, with y turned over; mm.

    Parameters
    ----------
    box : ndarray, shape (2, 2)
        Lower left and upper right of all that is drawn, machine frame, mm.
    foot : float
        More room below, mm.
    """

    def __init__(self, box: Array, foot: float = 0.0) -> None:
        self.left, self.top = float(box[0, 0]) - MARGIN, float(box[1, 1]) + MARGIN
        self.width = float(box[1, 0] - box[0, 0]) + 2.0 * MARGIN
        self.height = float(box[1, 1] - box[0, 1]) + 2.0 * MARGIN + foot

    def at(self, x: float, y: float) -> str:
        """A place of the machine frame on the page."""
        return f"{_number(x - self.left)} {_number(self.top - y)}"

    def polyline(self, xy: Array) -> str:
        """Path data through points; closed where the last is the first."""
        closed = len(xy) > 2 and (xy[0] == xy[-1]).all()
        places = [self.at(x, y) for x, y in (xy[:-1] if closed else xy)]
        return f"M {' L '.join(places)}{' Z' if closed else ''}"

    def circle(self, drawn: Drawn) -> str:
        """Path data once round a circle from its start."""
        (x, y), (cx, cy) = drawn.corners[0], drawn.centre or (0.0, 0.0)
        dx, dy = x - cx, y - cy
        radius = _number(drawn.size)
        # seen on a page whose y runs down, counter-clockwise is the way of falling angles
        turn, sweep = (1.0, 0) if drawn.ccw else (-1.0, 1)
        parts = [f"M {self.at(x, y)}"]
        for _ in range(3):
            dx, dy = -turn * dy, turn * dx
            parts.append(f"A {radius} {radius} 0 0 {sweep} {self.at(cx + dx, cy + dy)}")
        parts.append(f"A {radius} {radius} 0 0 {sweep} {self.at(x, y)}")
        return f"{' '.join(parts)} Z"

    def note(self, text: str) -> str:
        """A line of text in the foot of the page."""
        high = self.height - 0.6 * MARGIN
        return (
            f'<text x="{_number(MARGIN)}" y="{_number(high)}" font-family="sans-serif" '
            f'font-size="4" fill="#000000" stroke="none">{escape(text)}</text>'
        )

    def whole(self, title: str, words: str, body: list[str]) -> str:
        """The file."""
        frame = (
            f"Lengths in mm. Machine x is the x of this page plus {_number(self.left)}, "
            f"machine y is {_number(self.top)} less its y."
        )
        size = f"{_number(self.width)}", f"{_number(self.height)}"
        return "\n".join(
            [
                '<?xml version="1.0" encoding="UTF-8"?>',
                f'<svg xmlns="http://www.w3.org/2000/svg" version="1.1" width="{size[0]}mm" '
                f'height="{size[1]}mm" viewBox="0 0 {size[0]} {size[1]}">',
                f"<title>{escape(title)}</title>",
                f"<desc>{escape(words)} {escape(frame)}</desc>",
                f'<g id="drawing" fill="none" stroke="#000000" stroke-width="{HAIRLINE:g}">',
                *body,
                "</g>",
                "</svg>",
                "",
            ]
        )


def _order(drawing: tuple[Drawn, ...]) -> str:
    """In which order the paths are to be burned, and how often each."""
    most = max(drawn.passes for drawn in drawing)
    return (
        f"To be burned: {len(drawing)} paths one after another in the order of this file, each "
        "from its first point in its own direction, and as often in a row as its title says "
        f"({_passes(most)} at most) before the next; nothing may sort, join or reverse them."
    )


def _passes(number: int) -> str:
    return "1 pass" if number == 1 else f"{number} passes"


def _stroke(drawn: Drawn, page: _Page, name: str, turn: str) -> list[str]:
    data = page.circle(drawn) if drawn.centre else page.polyline(drawn.corners)
    words = f"{turn}: {name_of(drawn)}, {_passes(drawn.passes)}"
    return [
        f" <g id={name}>",
        f"  <title>{escape(words)}</title>",
        f"  <path d={quoteattr(data)}/>",
        " </g>",
    ]


def _once(name: str, used: Counter[str]) -> str:
    """`name` as a quoted id; the second of its name gets a 2, and so on."""
    used[name] += 1
    return quoteattr(name if used[name] == 1 else f"{name}-visit-{used[name]}")


def _number(value: float) -> str:
    return decimal(value, DIGITS)
