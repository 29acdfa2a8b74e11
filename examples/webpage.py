"""One page of the site: its frame, and what is put right in HTML of whatever origin.

Mathematics between dollars becomes MathML, which browsers typeset by themselves; tables and long
lines scroll in their own place; pictures have words; nothing is loaded from elsewhere.
"""

from __future__ import annotations

import base64
import html
import re
from collections.abc import Callable, Iterable
from pathlib import Path
from urllib.parse import unquote, urlsplit

from bs4 import BeautifulSoup, NavigableString, Tag
from latex2mathml.converter import convert
from nbconvert.filters import Highlight2HTML, markdown2html
from nbformat import NotebookNode

STYLE = Path(__file__).parent / "site" / "page.css"
#: Nothing of a page comes from another place than the page and its neighbours.
POLICY = (
    "default-src 'none'; img-src 'self' data:; style-src 'self' 'unsafe-inline'; "
    "script-src 'unsafe-inline'"
)
#: Pages of another tool: it links to inherited members by names that it gives to no place.
MADE_ELSEWHERE = "reference/"
IN_BROWSER = "in-browser-"
_MATHS = re.compile(r"\$\$(.+?)\$\$|\$([^$]+?)\$", re.S)
_NO_MATHS = {"code", "pre", "script", "style", "textarea", "math", "title"}
_LONG = 60  # characters of LaTeX that a phone may not show in one line
_LARGE = 700  # pixels across of a picture whose writing a phone would make too small to read
_HEAD = 32  # characters of a PNG in base64 that hold its size (ISO/IEC 15948, IHDR)
#: What stands on the buttons of a film, by the name of the icon that a web font would bring.
_ICONS = {
    "fa-minus": "−", "fa-plus": "+", "fa-pause": "❚❚", "fa-flip-horizontal": "◀", "fa-play": "▶",
    "fa-fast-backward": "|◀", "fa-step-backward": "◁", "fa-step-forward": "▷",
    "fa-fast-forward": "▶|",
}  # fmt: skip

Menu = Iterable[tuple[str, Iterable[tuple[str, str]]]]  # heading, (file, words) of its links


def name_of(heading: str) -> str:
    """Name by which a heading is linked to, as the hosts of repositories make it."""
    return re.sub(r"[^\w\- ]", "", heading.strip().lower()).replace(" ", "-")


def page(title: str, body: str, menu: Menu, here: str, foot: str) -> str:
    """A whole page; ``here`` is the file that it becomes, ``foot`` HTML of its last lines."""
    lists = []
    for heading, links in menu:
        items = "".join(
            f'<li><a href="{file}"{" aria-current=page" if file == here else ""}>'
            f"{html.escape(words)}</a></li>"
            for file, words in links
        )
        lists.append(f"<b>{html.escape(heading)}</b><ul>{items}</ul>")
    return frame(
        title,
        '<div class="site"><header class="to-pages"><a href="#pages">All pages</a></header>'
        f'<main id="main">{body}<footer>{foot}</footer></main>'
        f'<nav class="menu" id="pages" aria-label="Pages">{"".join(lists)}</nav></div>',
    )


def frame(title: str, inside: str) -> str:
    """What stands round the inside of every page."""
    return (
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f'<meta http-equiv="Content-Security-Policy" content="{POLICY}">'
        f"<title>{html.escape(title)} · gantrysim</title>"
        f'<link rel="stylesheet" href="page.css"></head><body>{inside}</body></html>\n'
    )


def from_markdown(text: str) -> str:
    """HTML of Markdown, code in colours, headings named as links in the repository name them."""
    soup = BeautifulSoup(str(markdown2html(text)), "html.parser")
    for heading in soup.find_all(re.compile("^h[1-6]$")):
        for link in heading.find_all("a", class_="anchor-link"):
            link.decompose()
        heading["id"] = name_of(heading.get_text())
    return str(soup)


def from_notebook(notebook: NotebookNode) -> str:
    """HTML of an executed notebook: prose, folded code, what each cell shows."""
    coloured = Highlight2HTML(pygments_lexer="ipython3")
    parts = []
    for cell in notebook.cells:
        if cell.cell_type == "code":
            parts.append(
                f"<details class=code><summary>code</summary>{coloured(cell.source)}</details>"
            )
        parts.append(seen(cell))
    return "\n".join(parts)


def seen(cell: NotebookNode) -> str:
    """HTML of a cell without its code.

    The words of its pictures, in their order, are `alt` of its metadata.  With the tag
    `in-browser-NAME` it shows what stands in `site/NAME.html`, too.
    """
    if cell.cell_type == "markdown":
        return from_markdown(cell.source)
    if cell.cell_type != "code":
        return ""
    pictures = [output for output in cell.outputs if _is_picture(output)]
    told = cell.metadata.get("alt", [])
    words = [told] if isinstance(told, str) else list(told)
    if pictures and len(words) != len(pictures):
        first = cell.source.splitlines()[0]
        raise ValueError(
            f"the cell that begins with {first!r} shows {len(pictures)} pictures and has words "
            f"for {len(words)}: `alt` of its metadata must say what is seen on each."
        )
    of_picture = iter(words)
    shown = [_shown(o, next(of_picture) if _is_picture(o) else "") for o in cell.outputs]
    own = [tag for tag in cell.metadata.get("tags", ()) if tag.startswith(IN_BROWSER)]
    for tag in own:
        page_of_it = STYLE.parent / f"{tag.removeprefix(IN_BROWSER)}.html"
        shown.append(page_of_it.read_text(encoding="utf-8"))
    return "".join(shown)


def _is_picture(output: NotebookNode) -> bool:
    data = output.get("data", {})
    return "image/png" in data and "text/html" not in data


def _shown(output: NotebookNode, words: str) -> str:
    """HTML of what a cell shows; nothing of bars that told how far it was."""
    if output.output_type == "error":
        raise ValueError(f"a cell of the notebook failed: {output.ename}: {output.evalue}")
    if output.output_type == "stream":
        return _printed(output.text) if output.name == "stdout" else ""
    data = output.data
    if "text/html" in data:
        return f'<div class="shown">{data["text/html"]}</div>'
    if "image/png" in data:
        return f'<div class="picture">{_picture(data["image/png"], words)}</div>'
    if "text/markdown" in data:
        return from_markdown(data["text/markdown"])
    if "application/vnd.jupyter.widget-view+json" in data:
        return ""
    return _printed(data.get("text/plain", ""))


def _printed(text: str) -> str:
    """What a cell printed: sentences, which a phone may break."""
    return f'<pre class="printed">{html.escape(text)}</pre>'


def _picture(base64_png: str, words: str) -> str:
    """An image with its words, and with its size, so that nothing moves while a page loads."""
    png = base64_png.replace("\n", "")
    head = base64.b64decode(png[:_HEAD])
    width, height = (int.from_bytes(head[i : i + 4], "big") for i in (16, 20))
    return (
        f'<img src="data:image/png;base64,{png}" alt="{html.escape(words, quote=True)}" '
        f'width="{width}" height="{height}"{" class=large" if width > _LARGE else ""}>'
    )


def put_right(body: str, link: Callable[[str], str]) -> str:
    """The body of a page with mathematics, links, tables, films and pictures put right.

    ``link``: what becomes of a link, or of the source of a picture.
    """
    soup = BeautifulSoup(body, "html.parser")
    for outside in soup.find_all("link"):
        outside.decompose()
    _typeset(soup)
    for tag, attribute in (("a", "href"), ("img", "src")):
        for found in soup.find_all(tag, attrs={attribute: True}):
            if not str(found[attribute]).startswith("data:"):
                found[attribute] = link(str(found[attribute]))
    for table in soup.find_all("table"):
        if table.thead is not None:  # a cell without words heads nothing
            for cell in table.thead.find_all("th"):
                if not cell.get_text(strip=True):
                    cell.name = "td"
        _scrolling(soup, table, "table")
    for picture in soup.find_all("img", class_="large"):
        _scrolling(soup, picture, "picture")
    for text in soup.find_all("pre"):
        text["tabindex"] = "0"
    for details in soup.find_all("details", class_=False):
        details["class"] = "fold"
    for icon in soup.find_all("i", class_="fa"):
        known = [sign for name, sign in _ICONS.items() if name in icon["class"]]
        icon.replace_with(known[0] if known else "?")
    for slider in soup.find_all("input", class_="anim-slider"):
        slider["aria-label"] = "picture of the film"
    return str(soup)


def _typeset(soup: BeautifulSoup) -> None:
    """Turn mathematics between dollars into MathML."""
    for text in soup.find_all(string=_MATHS):
        if any(parent.name in _NO_MATHS for parent in text.parents):
            continue
        done, pieces = 0, []
        for found in _MATHS.finditer(text):
            pieces.append(html.escape(text[done : found.start()]))
            pieces.append(mathml(found[1] or found[2], block=found[1] is not None))
            done = found.end()
        pieces.append(html.escape(text[done:]))
        text.replace_with(BeautifulSoup("".join(pieces), "html.parser"))


def mathml(latex: str, *, block: bool) -> str:
    """MathML of an equation; a long one scrolls in its own place."""
    made = str(convert(latex, display="block" if block else "inline"))
    if not block:
        return made
    focus = ' tabindex="0" role="group" aria-label="equation"' if len(latex) > _LONG else ""
    return f'<div class="equation"{focus}>{made}</div>'


def _scrolling(soup: BeautifulSoup, tag: Tag, words: str) -> None:
    place = soup.new_tag("div", attrs={"class": "wide", "tabindex": "0", "role": "group"})
    place["aria-label"] = words
    tag.wrap(place)


# --- what a site must not have ------------------------------------------------------------------


def faults(folder: Path) -> list[str]:
    """What is wrong with the pages in a folder, one sentence each; none if all is well."""
    soups = {
        path.relative_to(folder).as_posix(): BeautifulSoup(path.read_text("utf-8"), "html.parser")
        for path in sorted(folder.rglob("*.html"))
    }
    names = {file: {tag["id"] for tag in soup.find_all(id=True)} for file, soup in soups.items()}
    return [f for file, soup in soups.items() for f in _faults(folder, file, soup, names)]


def _faults(
    folder: Path, file: str, soup: BeautifulSoup, names: dict[str, set[str]]
) -> Iterable[str]:
    for tag, attribute in (("a", "href"), ("img", "src"), ("script", "src"), ("link", "href")):
        for found in soup.find_all(tag, attrs={attribute: True}):
            to = urlsplit(str(found[attribute]))
            if to.scheme:
                if tag != "a" and to.scheme != "data":
                    yield f"{file} loads {found[attribute]} from elsewhere"
                continue
            target = (folder / file).parent / unquote(to.path) if to.path else folder / file
            if not target.exists():
                yield f"{file} links to {found[attribute]}, which is not there"
            elif to.fragment and not file.startswith(MADE_ELSEWHERE):
                inside = names.get(target.resolve().relative_to(folder.resolve()).as_posix())
                if inside is not None and unquote(to.fragment) not in inside:
                    yield f"{file} links to {found[attribute]}, where nothing has that name"
    if file.startswith(MADE_ELSEWHERE):
        return
    for picture in soup.find_all("img"):
        if not picture.get("alt"):
            yield f"{file} has a picture without words"
    if len(soup.find_all("h1")) != 1:
        yield f"{file} has {len(soup.find_all('h1'))} headings of the first rank"
    for text in soup.find_all(string=_MATHS):
        if isinstance(text, NavigableString) and not any(p.name in _NO_MATHS for p in text.parents):
            yield f"{file} shows mathematics as it is typed: {text.strip()[:60]}"
