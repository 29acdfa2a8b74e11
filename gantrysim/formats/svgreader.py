"""A customer's path, read from an SVG drawing.

Read are path, line, polyline, polygon, rect, circle and ellipse, in groups with transforms.  What
would draw something else (text, images, copies by `use`) is refused by name: a drawing that is
read in part would be a wrong path.  Fills, strokes and colours mean nothing here: every outline is
drawn once, in document order.  What `display` or `visibility` hides (attribute or style; SVG 1.1,
11.5, from memory) is left out.  A style that would move or reshape an outline is refused, and so is
a style sheet that would, or would hide one: those are not read.
"""

from __future__ import annotations

import math
import os
import re
import xml.etree.ElementTree as ET
from itertools import pairwise
from pathlib import Path

from gantrysim.formats.pathdata import NUMBER, Affine, Allowance, Segment, ellipse, segments_of
from gantrysim.pattern.toolpath import Move, Toolpath
from gantrysim.records import limits
from gantrysim.records.checks import point, positive, shortened, trusted
from gantrysim.records.doors import Place, checked
from gantrysim.records.files import placed, read_text

MAX_PLACE = 1e5  # mm; further is a slip
UNITS = {"mm": 1.0, "cm": 10.0, "in": 25.4, "px": 25.4 / 96, "": 25.4 / 96, "pt": 25.4 / 72}
GROUPS = ("svg", "g", "a")
UNSEEN = (
    "title desc defs metadata style clipPath mask marker pattern symbol linearGradient "
    "radialGradient filter script"
).split()
SHAPES = ("path", "line", "polyline", "polygon", "rect", "circle", "ellipse")
_LENGTH = re.compile(rf"\s*+({NUMBER})\s*+([a-z]*+)\s*+")
_NUMBER = re.compile(NUMBER)
_COMMENT = re.compile(r"/\*.*?(?:\*/|\Z)", re.DOTALL)  # one that is not closed goes to the end
_LIST = re.compile(rf"\s*+(?:{NUMBER}(?:\s*+,?+\s*+{NUMBER})*+\s*+)?+")
#: What moves or reshapes an outline when it stands in a style (SVG 2, geometry properties; CSS
#: Transforms, from memory).
MOVING = (
    "transform transform-origin transform-box translate rotate scale zoom offset offset-path d x y "
    "cx cy r rx ry width height"
).split()
HIDING = ("display", "visibility")
_CHANGING = re.compile(rf"[{{;]\s*+({'|'.join((*MOVING, *HIDING))})\s*+:", re.IGNORECASE)
#: Ids that are kept: words that a sentence and a table can hold.
_ID = re.compile(r"\w[\w.:-]{0,39}")
_TRANSFORM = re.compile(r"[\s,]*(matrix|translate|scale|rotate|skewX|skewY)\s*\(([^()]*)\)[\s,]*")


@checked
def read_svg(
    path: str | os.PathLike[str],
    *,
    corner: Place = (0.0, 0.0),
    feed: float = 40.0,
    travel_speed: float = 100.0,
    tolerance: float = 0.002,
    acceleration: float = 800.0,
    centripetal: float = 800.0,
    corner_speed_change: float = 8.0,
) -> Toolpath:
    """Read a path from an SVG drawing.

    Parameters
    ----------
    path : path
        Of the file, up to 20 MB.
    corner : (float, float)
        Where the lower left corner of the page lies, as a commanded carriage position, mm.
    feed, travel_speed : float
        Along what is drawn and between it, mm/s.
    tolerance : float
        How far chords may leave a curve that is no circle, mm.
    acceleration, centripetal, corner_speed_change : float
        Limits of the machine that will draw it, mm/s^2, mm/s^2, mm/s.

    Returns
    -------
    Toolpath
        Right way up: y of the page is turned over.  It begins at home.

    Raises
    ------
    FileNotFoundError
        If there is no such file.
    ValueError
        With one sentence naming the file and the element.

    Examples
    --------
    >>> import gantrysim as gs
    >>> path = gs.ring_test(spacing=6.0, largest=30.0).to_svg("rings.svg")
    >>> gs.read_svg("rings.svg", corner=(100.0, 100.0), feed=30.0)
    Toolpath(45 moves, 36 drawn, 1141.5 mm)
    """
    x, y = point(corner, "corner")
    feed, travel = positive(feed, "feed"), positive(travel_speed, "travel_speed")
    tolerance = positive(tolerance, "tolerance")
    text = read_text(path, "an SVG drawing", most=limits.DRAWING_BYTES)
    with placed(path):
        root = root_of(text)
        _check_sheets(root)
        to = _page(root, x, y)
        segments, names = _walk(root, to, tolerance)
        motion = (acceleration, centripetal, corner_speed_change)
        moves, called = _moves(segments, names, feed, travel)
        return Toolpath(moves, *motion, source=Path(path).name, names=called)


def root_of(text: str) -> ET.Element:
    """The svg element of a drawing; ValueError if there is none."""
    if "<!ENTITY" in text:
        raise ValueError("entities are not read; save the drawing as plain SVG")
    if text.count("<") > 2 * limits.DRAWING_PARTS:  # each element has one or two
        raise ValueError(f"more than {limits.DRAWING_PARTS} elements; split the drawing")
    try:
        root = ET.fromstring(re.sub(r"^\s*<\?xml[^>]*\?>", "", text))
    except ET.ParseError as error:
        raise ValueError(f"not readable as XML ({error})") from None
    if _name(root) != "svg":
        raise ValueError(f"an svg element is expected, found {shortened(_name(root))}")
    return root


def _name(element: ET.Element) -> str:
    """Name of an element without its namespace; empty for what is no element."""
    return element.tag.rpartition("}")[2] if isinstance(element.tag, str) else ""


def _page(root: ET.Element, x: float, y: float) -> Affine:
    """From the user units of the page to mm of the machine, y turned over."""
    wide, high = root.get("width"), root.get("height")
    box = root.get("viewBox")
    numbers = _numbers(box, "viewBox") if box else []
    if box and (len(numbers) != 4 or not min(numbers[2:]) > 0.0):
        raise ValueError(
            f"viewBox must be four numbers with a width and a height, found {shortened(box)}"
        )
    if wide is None or high is None:
        if not numbers:
            raise ValueError("the page needs width and height, or a viewBox")
        unit = UNITS["px"]
        top = y + unit * (numbers[1] + numbers[3])
        return Affine(unit, 0.0, 0.0, -unit, x - unit * numbers[0], top)
    across, up = _length(wide, "width of the page"), _length(high, "height of the page")
    if not (across > 0.0 and up > 0.0):
        raise ValueError("the page must have a width and a height above 0")
    left, top, units, tall = numbers or (0.0, 0.0, across / UNITS["px"], up / UNITS["px"])
    scale = across / units
    if abs(up / tall - scale) > 1e-4 * scale:
        raise ValueError(
            f"width and height of the page must stand in the ratio of its viewBox, found {scale:g} "
            f"mm a unit across and {up / tall:g} mm up"
        )
    return Affine(scale, 0.0, 0.0, -scale, x - scale * left, y + up + scale * top)


def _length(text: str, what: str) -> float:
    """A length with its unit, mm."""
    found = _LENGTH.fullmatch(text)
    if found is None or found[2] not in UNITS:
        raise ValueError(f"{what} must be a length in mm, cm, in, pt or px, found {text[:30]!r}")
    return float(found[1]) * UNITS[found[2]]


def _numbers(text: str, what: str) -> list[float]:
    """Numbers with blanks or single commas between them; they may run together."""
    if not _LIST.fullmatch(text):
        raise ValueError(
            f"{what} must be numbers with blanks or commas between them, found {text[:30]!r}"
        )
    return [float(n) for n in _NUMBER.findall(text)]


def _style(element: ET.Element) -> dict[str, str]:
    """What the attribute `style` declares, by property; refuses what moves or reshapes."""
    found = {}
    for part in _COMMENT.sub("", element.get("style", "")).split(";"):
        name, _, value = part.partition(":")
        found[name.strip().lower()] = value.lower().removesuffix("!important").strip()
    for name in MOVING:
        if name in found:
            raise ValueError(f"{name} in a style is not read; write it as an attribute")
    return found


def _check_sheets(root: ET.Element) -> None:
    """Refuse style sheets that would move, reshape or hide outlines."""
    for element in root.iter():
        if _name(element) == "style":
            found = _CHANGING.search(_COMMENT.sub("", "".join(element.itertext())))
            if found:
                raise ValueError(
                    f"{found[1].lower()} in a style sheet is not read; write it as an attribute of "
                    "the outline"
                )


def _shown(element: ET.Element, outer: bool) -> tuple[bool, bool]:
    """Whether an element is drawn with what it holds, and whether it is itself visible.

    `display` none takes everything inside with it; `visibility` is passed on, and what is inside
    may be visible again.
    """
    style = _style(element)
    display, visibility = (
        style.get(name, element.get(name, "").strip().lower()) for name in HIDING
    )
    if visibility in ("hidden", "collapse"):
        outer = False
    elif visibility in ("visible", "initial"):
        outer = True
    return display != "none", outer


def _walk(root: ET.Element, to: Affine, tolerance: float) -> tuple[list[Segment], list[str]]:
    """Segments of everything below the root, in document order, and what each is called.

    That is the id of its shape, or of the nearest group about it that has one.
    """
    segments: list[Segment] = []
    names: list[str] = []
    allowed = Allowance()
    waiting = [(root, to, True, 0, "")]
    while waiting:
        element, outer, visible, depth, called = waiting.pop()
        allowed.spend()
        name = _name(element)
        if not name or name in UNSEEN or (":" in name):
            continue
        where = f"element {shortened(name)}"
        if element.get("id"):
            where += f" {shortened(element.get('id'))}"
        if depth > limits.GROUPS:
            raise ValueError(f"{where} lies in more than {limits.GROUPS} groups")
        foreign = "}" in element.tag and "www.w3.org/2000/svg" not in element.tag
        if foreign:
            continue
        with placed(f"{where}"):
            drawn, visible = _shown(element, visible)
        if not drawn:
            continue
        if name not in (*GROUPS, *SHAPES) or (name == "svg" and depth):
            raise ValueError(
                f"{where} is not read; accepted are {', '.join(SHAPES)} in groups, so turn it "
                "into paths first"
            )
        try:
            if element.get("transform-origin") is not None:
                raise ValueError("transform-origin is not read; write it into the transform")
            inner = outer.after(_transform(element.get("transform", ""), allowed))
            if depth and _ID.fullmatch(own := element.get("id", "")):
                called = own  # that of the page names no part of it
            if name in SHAPES and visible:
                segments += _shape(name, element, inner, tolerance, allowed)
                names += [called] * (len(segments) - len(names))
        except (ValueError, OverflowError) as error:
            raise ValueError(f"{where}: {error}") from None
        waiting += [(child, inner, visible, depth + 1, called) for child in reversed(element)]
    return segments, names


def _transform(text: str, allowed: Allowance) -> Affine:
    """The attribute `transform`."""
    place, to = 0, Affine()
    while place < len(text):
        allowed.spend()
        found = _TRANSFORM.match(text, place)
        if found is None:
            raise ValueError(f"transform is not read, found {text[place : place + 30]!r}")
        to = to.after(_one_transform(found[1], _numbers(found[2], f"transform {found[1]}")))
        place = found.end()
    return to


def _one_transform(kind: str, n: list[float]) -> Affine:
    if kind == "matrix" and len(n) == 6:
        return Affine(*n)
    if kind == "translate" and len(n) in (1, 2):
        return Affine(e=n[0], f=n[1] if len(n) == 2 else 0.0)
    if kind == "scale" and len(n) in (1, 2):
        return Affine(a=n[0], d=n[-1])
    if kind == "rotate" and len(n) in (1, 3):
        cos, sin = math.cos(math.radians(n[0])), math.sin(math.radians(n[0]))
        x, y = n[1:] or (0.0, 0.0)
        return Affine(cos, sin, -sin, cos, x - cos * x + sin * y, y - sin * x - cos * y)
    if kind == "skewX" and len(n) == 1:
        return Affine(c=math.tan(math.radians(n[0])))
    if kind == "skewY" and len(n) == 1:
        return Affine(b=math.tan(math.radians(n[0])))
    raise ValueError(f"transform {kind} does not take {len(n)} numbers")


def _shape(
    name: str, element: ET.Element, to: Affine, tolerance: float, allowed: Allowance
) -> list[Segment]:
    """Segments of one shape."""

    def value(key: str) -> float:
        return _length(element.get(key, "0"), key) / UNITS["px"]

    if name == "path":
        return segments_of(element.get("d", ""), to, tolerance, allowed)
    if name in ("circle", "ellipse"):
        rx, ry = (value("r"),) * 2 if name == "circle" else (value("rx"), value("ry"))
        if min(rx, ry) < 0.0:
            raise ValueError("a radius must not be negative")
        centre = complex(value("cx"), value("cy"))
        chords = ellipse(centre, rx, ry, to, tolerance) if min(rx, ry) > 0.0 else []
        allowed.spend(len(chords))
        return chords
    if name == "line":
        corners = [complex(value("x1"), value("y1")), complex(value("x2"), value("y2"))]
    elif name == "rect":
        if value("rx") or value("ry"):
            raise ValueError("rounded corners are not read; turn the rectangle into a path")
        x, y, w, h = (value(key) for key in ("x", "y", "width", "height"))
        corners = [complex(x, y), complex(x + w, y), complex(x + w, y + h), complex(x, y + h)]
    else:
        n = _numbers(element.get("points", ""), "points")
        if len(n) % 2:
            raise ValueError("points must be pairs of numbers")
        corners = [complex(a, b) for a, b in zip(n[::2], n[1::2], strict=True)]
    if name in ("rect", "polygon") and corners:
        corners.append(corners[0])
    allowed.spend(len(corners))
    return [Segment(to(a), to(b)) for a, b in pairwise(corners) if a != b]


def _moves(
    segments: list[Segment], names: list[str], feed: float, travel: float
) -> tuple[tuple[Move, ...], tuple[str, ...]]:
    """Segments with the travel between them, and the name of each move."""
    moves: list[Move] = []
    called: list[str] = []
    here = (0.0, 0.0)
    for segment, name in zip(segments, names, strict=True):
        start, end = ((z.real, z.imag) for z in (segment.start, segment.end))
        if not all(abs(v) <= MAX_PLACE for v in (*start, *end)):
            raise ValueError(f"a place lies beyond {MAX_PLACE:g} mm")
        if math.dist(here, start) > 1e-9:
            moves.append(trusted(Move, here, start, False, travel, None, 0.0))
            called.append("")
        elif here != start:
            start = here
        centre = None if segment.centre is None else (segment.centre.real, segment.centre.imag)
        move = trusted(Move, start, end, True, feed, centre, segment.turn)
        move.__post_init__()  # an arc may be too small to be one
        moves.append(move)
        called.append(name)
        here = end
    return tuple(moves), tuple(called)
