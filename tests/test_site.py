"""Pages of the site: equations as MathML, folded code, links that lead somewhere, nothing outside.

The whole site is built, and its links looked at, by `.ci/run`; here are its pieces on small pages.
"""

from __future__ import annotations

import base64
import importlib
import re
import struct
import sys
from pathlib import Path

import nbformat
import pytest
from bs4 import BeautifulSoup
from nbformat.v4 import (
    new_code_cell,
    new_markdown_cell,
    new_notebook,
    new_output,
)

from gantrysim import theory

EXAMPLES = Path(__file__).resolve().parents[1] / "examples"


def example(name: str):
    """A module of the examples, which import each other."""
    if name not in sys.modules:
        sys.path.insert(0, str(EXAMPLES))
        try:
            importlib.import_module(name)
        finally:
            sys.path.remove(str(EXAMPLES))
    return sys.modules[name]


webpage, slides, make_site = example("webpage"), example("slides"), example("make_site")
WIDGET = "application/vnd.jupyter.widget-view+json"


def png(width: int) -> str:
    """The head of a PNG in base64, so many pixels wide; the rest is not looked at."""
    head = b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR"
    return base64.b64encode(head + struct.pack(">II", width, 358) + b"more").decode()


PNG = png(571)


def the_page(body: str) -> str:
    """A page whose body is put right, its links as they are."""
    right = webpage.put_right(body, lambda link: link)
    return webpage.page("Title", right, [("Menu", [("a.html", "A")])], "a.html", "<p>foot</p>")


def written(folder: Path, **bodies: str) -> list[str]:
    """What is wrong with these pages."""
    (folder / "page.css").touch()
    for name, body in bodies.items():
        (folder / f"{name}.html").write_text(the_page(body), encoding="utf-8")
    return webpage.faults(folder)


def test_equations_are_mathml():
    soup = BeautifulSoup(
        the_page(r"<h1>A</h1><p>a $\sqrt{r/R}$ and <code>$x$</code></p>"), "html.parser"
    )
    (equation,) = soup.find_all("math")
    assert equation.find("msqrt") is not None
    assert equation["display"] == "inline"
    assert soup.code.get_text() == "$x$"


def test_a_derivation_is_typeset_whole():
    found = theory.racking_lag()
    text = BeautifulSoup(webpage.put_right(found._repr_html_(), str), "html.parser")
    assert "$" not in text.get_text()
    blocks = text.find_all("math", display="block")
    assert len(blocks) == len(found.results) + sum(s.equation is not None for s in found.steps)
    assert "Bench machine" in text.get_text()


def test_a_notebook_shows_folded_code_and_pictures_with_words():
    shown = [
        new_output("display_data", {"image/png": PNG}),
        new_output("stream", name="stdout", text="told <so>"),
        new_output("stream", name="stderr", text="a bar"),
        new_output("display_data", {WIDGET: {}, "text/plain": "bar"}),
    ]  # fmt: skip
    cells = [
        new_markdown_cell("# Title\n\n## A flat\n\nThe top is flat. It is short."),
        new_code_cell("x = 1", outputs=shown, metadata={"alt": 'A circle "flat" at its top.'}),
    ]
    soup = BeautifulSoup(webpage.from_notebook(new_notebook(cells=cells)), "html.parser")
    (folded,) = soup.find_all("details")
    assert not folded.has_attr("open")
    assert folded.get_text().strip().startswith("code")
    assert soup.img["alt"] == 'A circle "flat" at its top.'
    assert (soup.img["width"], soup.img["height"]) == ("571", "358")
    assert [pre.get_text() for pre in soup.find_all("pre")][-1] == "told <so>"
    assert "bar" not in soup.get_text()
    failed = new_code_cell("", outputs=[new_output("error", ename="E", evalue="why", traceback=[])])
    with pytest.raises(ValueError, match="a cell of the notebook failed: E: why"):
        webpage.from_notebook(new_notebook(cells=[failed]))


@pytest.mark.parametrize("alt", [[], ["one"], ["one", "two", "three"]])
def test_each_picture_has_words_of_its_own(alt):
    two = [new_output("display_data", {"image/png": PNG})] * 2
    cell = new_code_cell("show()", outputs=two, metadata={"alt": alt})
    with pytest.raises(ValueError, match="'show\\(\\)' shows 2 pictures and has words for"):
        webpage.seen(cell)


@pytest.mark.parametrize(("width", "scrolls"), [(571, False), (864, True)])
def test_a_picture_whose_writing_a_phone_would_make_too_small_scrolls(width, scrolls):
    shown = [new_output("display_data", {"image/png": png(width)})]
    cell = new_code_cell("x", outputs=shown, metadata={"alt": "a picture"})
    place = BeautifulSoup(the_page(webpage.seen(cell)), "html.parser").img.parent
    assert place["class"] == (["wide"] if scrolls else ["picture"])
    assert place.has_attr("tabindex") == scrolls


def slide(source, kind, **more):
    """A cell of prose of one of the kinds."""
    return new_markdown_cell(source, metadata={"slideshow": {"slide_type": kind}}, **more)


def test_slides_keep_answers_and_notes_until_they_are_asked_for(tmp_path):
    picture = new_output("display_data", {"image/png": PNG})
    cells = [
        slide("before", "skip"),
        slide("# Title", "slide"),
        new_code_cell("x", outputs=[picture], metadata={"alt": "seen at once"}),
        slide("told later", "fragment"),
        slide("left out", "skip"),
        slide("## Circles\n\n**Predict.** What now?", "slide"),
        slide("to be said", "notes"),
        new_code_cell("y = 1", outputs=[picture], metadata={"alt": "the answer"}),
        slide("more of it", "subslide"),
    ]
    body = webpage.put_right(slides.from_notebook(new_notebook(cells=cells)), str)
    soup = BeautifulSoup(body, "html.parser")
    one, two, three = soup.find_all("section")
    assert one["aria-label"] == "1 of 3: Title"
    assert one.find("img", alt="seen at once").find_parent("details") is None
    assert "told later" in one.find("details", class_="next").get_text()
    assert two.find("img", alt="the answer").find_parent("details")["class"] == ["next"]
    assert "to be said" in two.find("details", class_="notes").get_text()
    assert three.find(class_="running").get_text() == "Circles"
    assert three["aria-label"] == "3 of 3: Circles"
    assert not re.search("before|left out|y = 1", soup.get_text())
    assert not soup.find("details", open=True)
    (tmp_path / "page.css").touch()
    (tmp_path / "index.html").write_text(the_page("<h1>A</h1>"), encoding="utf-8")
    (tmp_path / "s.html").write_text(slides.page("Title", body), encoding="utf-8")
    (tmp_path / "a.html").write_text(the_page("<h1>A</h1>"), encoding="utf-8")
    assert webpage.faults(tmp_path) == []


def test_only_a_notebook_that_says_where_slides_begin_has_any():
    assert [path.name[0] for path in make_site.LECTURES] == ["1"]
    assert not slides.has_slides(new_notebook(cells=[slide("a", "notes"), new_markdown_cell("b")]))


def test_a_slider_of_the_first_notebook_moves_in_the_page_alone():
    """Its cell says what takes its place; that says so where no script runs."""
    notebook = nbformat.read(make_site.NOTEBOOKS[0], as_version=4)
    soup = BeautifulSoup(webpage.from_notebook(notebook), "html.parser")
    slider = soup.find(id="play-loss")
    assert soup.find("label", attrs={"for": slider["id"]}).get_text()
    assert "needs a browser that runs scripts" in soup.find(id="play-told").get_text()
    assert not soup.script.has_attr("src")


def test_a_film_brings_no_font_from_elsewhere():
    body = (
        '<h1>A</h1><link rel="stylesheet" href="https://example.org/icons.css">'
        '<button aria-label="Play"><i class="fa fa-play"></i></button>'
    )
    text = the_page(body)
    assert "example.org" not in text
    assert "▶" in text


def test_a_sound_site_has_no_faults(tmp_path):
    (tmp_path / "b.png").touch()
    one = '<h1 id="top">A</h1><p><a href="b.html#there">b</a> <a href="https://example.org">out</a></p>'
    assert written(tmp_path, a=one, b='<h1 id="there">B</h1><img src="b.png" alt="b">') == []


@pytest.mark.parametrize(
    "body, fault",
    [
        ('<h1>A</h1><a href="gone.html">x</a>', "a.html links to gone.html, which is not there"),
        ('<h1>A</h1><a href="#gone">x</a>', "where nothing has that name"),
        ('<h1>A</h1><img alt="x" src="https://example.org/x.png">', "from elsewhere"),
        ('<h1>A</h1><img src="page.css">', "a picture without words"),
        ("<h2>A</h2>", "0 headings of the first rank"),
    ],
)
def test_a_fault_of_a_site_is_named(tmp_path, body, fault):
    (found,) = written(tmp_path, a=body)
    assert fault in found


def test_links_of_the_readme_lead_into_the_pages(tmp_path):
    site = make_site.Site(tmp_path)  # refuses a README with a section that no page shows
    for file in make_site.SECTIONS:
        site.readme_page(file)
        text = BeautifulSoup((tmp_path / file).read_text(encoding="utf-8"), "html.parser")
        for link in text.main.find_all("a", href=True):
            path, _, name = link["href"].partition("#")
            assert path in {"", *make_site.SECTIONS, *site.homes.values()} or ":" in path
            if path in make_site.SECTIONS and name:
                assert site.sections[name] == path
        assert all((tmp_path / image["src"]).exists() for image in text.find_all("img"))


def test_a_kept_run_must_be_of_the_notebook_as_it_is(tmp_path):
    path = make_site.NOTEBOOKS[0]
    (tmp_path / path.name).write_bytes(path.read_bytes())
    assert make_site.executed(path, tmp_path).cells
    (tmp_path / path.name).write_text(
        path.read_text(encoding="utf-8").replace("import", "Import", 1)
    )
    with pytest.raises(ValueError, match="which has changed since"):
        make_site.executed(path, tmp_path)


# --- colours ------------------------------------------------------------------------------------


def luminance(colour: str) -> float:
    """Relative luminance, W3C Web Content Accessibility Guidelines 2.1, glossary."""
    digits = colour[1:] if len(colour) == 7 else "".join(2 * c for c in colour[1:])
    parts = [int(digits[i : i + 2], 16) / 255 for i in (0, 2, 4)]
    linear = [c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def test_text_keeps_the_contrast_of_the_guidelines_light_and_dark():
    """4.5 to 1: WCAG 2.1, success criterion 1.4.3."""
    looks = re.findall(r":root\{(.*?)\}", webpage.STYLE.read_text(encoding="utf-8"), re.S)
    assert len(looks) == 2
    for look in looks:
        colours = dict(re.findall(r"--(\w+):(#\w+)", look))
        for ink in ("ink", "soft", "link", "word", "text", "number"):
            for ground in ("paper", "code", "warn"):
                light, dark = sorted(luminance(colours[c]) for c in (ink, ground))[::-1]
                assert (light + 0.05) / (dark + 0.05) >= 4.5, (ink, ground)
