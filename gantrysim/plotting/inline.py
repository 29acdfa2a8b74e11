"""Pictures as pieces of a page: an SVG element with a name, that shares its page with others."""

from __future__ import annotations

import io
import re
from collections.abc import Callable
from typing import Any
from xml.sax.saxutils import escape, quoteattr

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure

from gantrysim.plotting import look

#: What every picture would say for the whole page; the page says it once for all of them.
SHARED_STYLE = "svg *{stroke-linejoin:round;stroke-linecap:butt}"
_DATED = ("Date", "Creator", "Format", "Type")  # nothing of a page depends on when it was written
_NAMED = re.compile(r'\bid="([^"]+)"|\b(xlink:href|href)="#([^"]+)"|url\(#([^)]+)\)')


def inline_svg(
    draw: Callable[[Axes], Any], mark: str, title: str, words: str, height: float = look.WIDTH
) -> str:
    """Draw a picture into an SVG element for a page, as wide as its place.

    ``draw``: draws into Axes.  ``mark``: opens every id of the element, so that several share a
    page; other on each.  ``title``, ``words``: what the picture is, and what is to be seen in it,
    for whoever does not see it.  ``height``: of the picture before the page scales it, inches.
    """
    written = io.StringIO()
    # names and notes are words, also where they hold a dollar sign
    plain: dict[Any, Any] = {"svg.hashsalt": mark, "svg.fonttype": "path", "text.parse_math": False}
    with mpl.rc_context(plain):
        figure = Figure(figsize=(look.WIDTH, height), layout="constrained")
        FigureCanvasSVG(figure)
        draw(figure.add_subplot())
        # no blank stripes where equal scales leave a figure unfilled, and no word cut off
        cropped: dict[str, Any] = {"bbox_inches": "tight", "pad_inches": 0.05}
        figure.savefig(written, format="svg", metadata=dict.fromkeys(_DATED), **cropped)
    text = written.getvalue()
    text = text[text.index("<svg") :]
    text = re.sub(r"<metadata>.*?</metadata>|<style.*?</style>|<!--.*?-->", "", text, flags=re.S)
    text = _NAMED.sub(lambda found: _renamed(found, mark), text)
    box = re.search(r'viewBox="([^"]+)"', text)
    assert box is not None
    head = (
        f'<svg viewBox="{box[1]}" role="img" aria-labelledby="{mark}-title {mark}-words" '
        f'xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink">'
        f"<title id={quoteattr(mark + '-title')}>{escape(title)}</title>"
        f"<desc id={quoteattr(mark + '-words')}>{escape(words)}</desc>"
    )
    return head + text[text.index(">") + 1 :].strip()


def _renamed(found: re.Match[str], mark: str) -> str:
    """A name or what points to it, with the mark of its picture before it."""
    own, attribute, pointed, used = found.groups()
    if own:
        return f'id="{mark}-{own}"'
    return f'{attribute}="#{mark}-{pointed}"' if pointed else f"url(#{mark}-{used})"
