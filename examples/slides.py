"""Slides of a notebook: one page of sections as high as the screen, that needs nothing else.

A cell's `slideshow.slide_type` says what becomes of it: `slide` and `subslide` begin a slide,
`fragment` waits until it is asked for, `notes` are the speaker's, `skip` is left out.  What follows
a question (**Predict.**) on its slide waits too.  Without a script the page is scrolled and
unfolded; with it the keys of the arrows do that.
"""

from __future__ import annotations

import html
import re
from collections.abc import Iterable

import webpage
from nbformat import NotebookNode

SCRIPT = webpage.STYLE.parent / "slides.html"
QUESTION = "**Predict.**"
_BEGINS = {"slide", "subslide"}


def kind(cell: NotebookNode) -> str:
    """What becomes of a cell; "" belongs to the slide before it."""
    return str(cell.metadata.get("slideshow", {}).get("slide_type", ""))


def has_slides(notebook: NotebookNode) -> bool:
    """Whether the cells of a notebook say which of them begin a slide."""
    return any(kind(cell) in _BEGINS for cell in notebook.cells)


def from_notebook(notebook: NotebookNode) -> str:
    """HTML of the slides of an executed notebook."""
    slides: list[list[NotebookNode]] = []
    for cell in notebook.cells:
        if kind(cell) in _BEGINS:
            slides.append([])
        if slides and kind(cell) != "skip":
            slides[-1].append(cell)
    heading, sections = "", []
    for number, cells in enumerate(slides, 1):
        own = re.search(r"^#+ (.+)$", cells[0].source, re.M)
        heading = own[1] if own else heading
        running = "" if own else f'<p class="running">{html.escape(heading)}</p>'
        sections.append(
            f'<section class="slide" aria-label="{number} of {len(slides)}: '
            f'{html.escape(heading, quote=True)}">{running}{"".join(_parts(cells))}</section>'
        )
    return "\n".join(sections)


def _parts(cells: Iterable[NotebookNode]) -> Iterable[str]:
    """HTML of the cells of a slide, the speaker's notes last."""
    asked, notes = False, ""
    for cell in cells:
        shown = webpage.seen(cell)
        if kind(cell) == "notes":
            notes += shown
        elif shown and (asked or kind(cell) == "fragment"):
            yield f'<details class="next"><summary>show</summary>{shown}</details>'
        else:
            yield shown
        asked = asked or (cell.cell_type == "markdown" and QUESTION in cell.source)
    if notes:
        yield f'<details class="notes"><summary>speaker\'s notes</summary>{notes}</details>'


def page(title: str, body: str) -> str:
    """The whole page of slides that have been put right."""
    return webpage.frame(
        f"{title}, slides",
        f'<main class="slides">{body}</main>{SCRIPT.read_text(encoding="utf-8")}',
    )
