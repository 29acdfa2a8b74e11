"""Build the site: README, notebooks, slides, derivations and reference; it needs nothing else.

.venv/bin/pip install -q -e '.[docs,test]' && .venv/bin/python examples/make_site.py

It runs every notebook, which takes minutes; `--executed FOLDER` takes copies that a test run left
(`python -m pytest -m slow tests/test_notebooks.py --keep-notebooks FOLDER`).
"""

from __future__ import annotations

import argparse
import re
import shutil
import sys
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import make_reference
import nbformat
import slides
import webpage
from nbclient import NotebookClient
from nbformat import NotebookNode

from gantrysim import theory

ROOT = Path(__file__).resolve().parents[1]
WHERE = ROOT / "build" / "site"
NOTEBOOKS = sorted((ROOT / "notebooks").glob("*.ipynb"))
LECTURES = [path for path in NOTEBOOKS if slides.has_slides(nbformat.read(path, as_version=4))]
LONGEST = 600  # s that one cell may take

#: Which sections of the README make which page; "" is what stands before the first of them.
SECTIONS = {
    "index.html": (
        "Start",
        ["", "The first minute", "Two commands", "Safety", "Ten lines", "Notebooks"],
    ),
    "tasks.html": ("By task", ["By task"]),
    "what_you_see.html": ("What you see", ["What you see, and what it may be"]),
    "what_it_does.html": ("What it does", ["What it does, and what not yet"]),
}
FOOT = (
    '<p>A laser of this class hurts eyes and skin and starts fires: <a href="index.html#safety">'
    "safety comes first</a>, and every test can be drawn with a pen instead. MIT licence.</p>"
)


class Site:
    """The pages by their files, and where in them the files of the repository have gone."""

    def __init__(self, where: Path) -> None:
        self.where = where
        self.readme = _sections((ROOT / "README.md").read_text(encoding="utf-8"))
        told = [title for _, titles in SECTIONS.values() for title in titles]
        if sorted(told) != sorted(self.readme):
            raise ValueError(f"SECTIONS must name each of {list(self.readme)} once, found {told}.")
        self.homes = {path: f"{path.stem}.html" for path in NOTEBOOKS}
        self.homes[ROOT / "DEVELOPERS.md"] = "developers.html"
        self.homes[ROOT / "README.md"] = "index.html"
        self.sections = {
            name: file for file, (_, titles) in SECTIONS.items() for name in self._names(titles)
        }
        self.menu = [
            ("gantrysim", [(file, words) for file, (words, _) in SECTIONS.items()]),
            ("Notebooks", [(self.homes[path], _title(path)) for path in NOTEBOOKS]),
            ("Slides for a lecture", [(_slides(path), _title(path)) for path in LECTURES]),
            (
                "More",
                [
                    ("derivations.html", "Derivations"),
                    ("reference/index.html", "Reference"),
                    ("developers.html", "For developers"),
                ],
            ),
        ]

    def _names(self, titles: list[str]) -> list[str]:
        """Names of all headings in these sections of the README."""
        headings = re.findall(r"^#+ (.+)$", "\n".join(self.readme[t] for t in titles), re.M)
        return [webpage.name_of(heading) for heading in headings]

    def write(self, file: str, title: str, body: str, beside: Path) -> None:
        """Write a page whose links start from a folder of the repository."""
        body = webpage.put_right(body, lambda link: self.link(link, beside, file))
        whole = webpage.page(title, body, self.menu, file, FOOT)
        (self.where / file).write_text(whole, encoding="utf-8")

    def notebook_pages(self, path: Path, notebook: NotebookNode) -> None:
        """Write an executed notebook, and its slides if it has any."""
        self.write(self.homes[path], _title(path), webpage.from_notebook(notebook), path.parent)
        if path in LECTURES:
            file = _slides(path)
            body = slides.from_notebook(notebook)
            body = webpage.put_right(body, lambda link: self.link(link, path.parent, file))
            (self.where / file).write_text(slides.page(_title(path), body), encoding="utf-8")

    def readme_page(self, file: str) -> None:
        """Write a page of sections of the README."""
        title, parts = SECTIONS[file]
        text = "\n".join(self.readme[part] for part in parts)
        if parts[0]:  # the first heading of a page is of the first rank
            text = re.sub(r"^#(#+ )", r"\1", text, flags=re.M)
        self.write(file, title, webpage.from_markdown(text), ROOT)

    def link(self, link: str, beside: Path, file: str) -> str:
        """Where a link leads to in the site; a file of the repository comes along."""
        if re.match(r"[a-z]+:", link) or link in {"index.html#safety"}:
            return link
        path, _, fragment = link.partition("#")
        if not path and beside == ROOT and file in SECTIONS:
            return f"{self.sections[fragment]}#{fragment}"
        if not path:
            return link
        source = (beside / path).resolve()
        if source in self.homes:
            return self.homes[source] + (f"#{fragment}" if fragment else "")
        if not source.is_file():
            raise FileNotFoundError(f"{file} links to {link}, which is not in the repository.")
        copy = self.where / "files" / source.relative_to(ROOT)
        copy.parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(source, copy)
        return copy.relative_to(self.where).as_posix()


def _sections(text: str) -> dict[str, str]:
    """The README by its headings of the second rank."""
    parts = re.split(r"^## (.+)\n", text, flags=re.M)
    return {"": parts[0]} | {
        title: f"## {title}\n{body}" for title, body in zip(parts[1::2], parts[2::2], strict=True)
    }


def _title(path: Path) -> str:
    number, words = path.stem.split("_", 1)
    return f"{number} {words.replace('_', ' ').capitalize()}"


def _slides(path: Path) -> str:
    return f"{path.stem}_slides.html"


def executed(path: Path, kept: Path | None) -> NotebookNode:
    """A notebook with what its cells show: run, or as a test run kept it."""
    notebook = nbformat.read(path, as_version=4)
    if kept is None:
        here = {"metadata": {"path": str(path.parent)}}
        NotebookClient(notebook, timeout=LONGEST, kernel_name="python3", resources=here).execute()
        return notebook
    copy = nbformat.read(kept / path.name, as_version=4)
    if [cell.source for cell in copy.cells] != [cell.source for cell in notebook.cells]:
        raise ValueError(f"{kept / path.name} must be a run of {path}, which has changed since.")
    for cell, run in zip(notebook.cells, copy.cells, strict=True):
        if cell.cell_type == "code":
            cell.outputs = run.outputs
    return notebook


def build(where: Path, kept: Path | None = None) -> list[str]:
    """Write the site into a folder; returns what is wrong with it.

    ``kept``: folder of executed notebooks; they are run if absent.
    """
    where.mkdir(parents=True, exist_ok=True)
    site = Site(where)
    shutil.copyfile(webpage.STYLE, where / "page.css")
    with ProcessPoolExecutor(1) as beside:  # as long as all the rest
        reference = beside.submit(make_reference.write, where / "reference")
        for file in SECTIONS:
            site.readme_page(file)
        developers = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
        site.write("developers.html", "For developers", webpage.from_markdown(developers), ROOT)
        for path in NOTEBOOKS:
            site.notebook_pages(path, executed(path, kept))
        shown = (derive()._repr_html_().replace("h3>", "h2>") for derive in theory.DERIVATIONS)
        body = "<h1>Derivations</h1>" + "".join(shown)
        site.write("derivations.html", "Derivations", body, ROOT)
        reference.result()
    return webpage.faults(where)


def main() -> int:
    """Build the site from the command line; 1 if something is wrong with it."""
    words = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    words.add_argument("where", nargs="?", type=Path, default=WHERE, help="folder of the site")
    words.add_argument("--executed", type=Path, help="folder of executed notebooks")
    asked = words.parse_args()
    wrong = build(asked.where, asked.executed)
    print("\n".join(wrong) or asked.where / "index.html")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
