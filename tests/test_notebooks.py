"""The notebooks run from top to bottom, show no warning, stay small, and type no measured number.

Numbers in the prose of a notebook must come from the page itself: printed, or put into Markdown by
an f-string.  What may be typed is a value that the notebook's own code sets, such as a radius.
"""

from __future__ import annotations

import re
from pathlib import Path

import nbformat
import pytest
from nbclient import NotebookClient

ROOT = Path(__file__).resolve().parents[1]
FOLDER = ROOT / "notebooks"
NOTEBOOKS = sorted(FOLDER.glob("*.ipynb"))

TIMEOUT = 120  # s for a cell
LARGEST = 2_000_000  # characters of all outputs of a notebook
STORED = 20_000  # of the outputs that a notebook brings along

NUMBER = r"(?<![\w.])[-−+±]?\d+(?:[.,]\d+)?"
MEASURED = re.compile(rf"({NUMBER})\s*(?:µm|um|mm/s|mm|N/mm|N|mrad|%|per cent)(?![\w%])")
LITERAL = re.compile(r"(?<![\w.])\d+(?:\.\d*)?(?:e-?\d+)?")
LINK = re.compile(r"\]\(([^)\s]+)\)")
NAMED = re.compile(
    r"`((?:examples|tests|notebooks|gantrysim|\.ci)/[\w./-]+)`|(?<=python )(\S+\.py)"
)

each = pytest.mark.parametrize("path", NOTEBOOKS, ids=[path.stem for path in NOTEBOOKS])


def read(path: Path) -> nbformat.NotebookNode:
    return nbformat.read(path, as_version=4)


def prose(notebook: nbformat.NotebookNode) -> list[str]:
    return [cell.source for cell in notebook.cells if cell.cell_type == "markdown"]


def code(notebook: nbformat.NotebookNode) -> str:
    return "\n".join(cell.source for cell in notebook.cells if cell.cell_type == "code")


def typed_measurements(texts: list[str], source: str) -> list[str]:
    """Numbers with a unit in the prose that no code sets."""
    code_of_it = re.sub(r"#.*|(\"\"\").*?\1", "", source)
    set_up = {float(word) for word in LITERAL.findall(code_of_it)}
    found = []
    for text in texts:
        for hit in MEASURED.finditer(re.sub(r"`[^`]*`", "", text)):
            value = abs(float(re.sub(r"[-−+±]", "", hit[1]).replace(",", ".")))
            if value not in set_up:
                found.append(hit[0])
    return found


def missing_files(text: str, beside: Path) -> list[str]:
    """Relative links, and files named in code spans, that do not exist."""
    links = [x for x in LINK.findall(text) if not re.match(r"[a-z]+:|#", x)]
    gone = [x for x in links if not (beside / x.split("#")[0]).exists()]
    named = [a or b for a, b in NAMED.findall(text)]
    return gone + [x for x in named if not (ROOT / x).exists()]


def test_there_are_notebooks():
    assert NOTEBOOKS


@each
def test_is_stored_clean(path):
    notebook = read(path)
    nbformat.validate(notebook)
    for cell in notebook.cells:
        if cell.cell_type == "code":
            assert cell.execution_count is None
    outputs = [cell.outputs for cell in notebook.cells if cell.cell_type == "code"]
    assert len(str(outputs)) < STORED


@each
def test_name_is_a_number_and_plain_words(path):
    assert re.fullmatch(r"\d+_[a-z0-9_]+", path.stem)


@each
def test_begins_with_a_title_in_prose(path):
    first = read(path).cells[0]
    assert first.cell_type == "markdown"
    assert first.source.startswith("# ")


@each
def test_no_measured_number_is_typed(path):
    notebook = read(path)
    words = [told for cell in notebook.cells for told in words_of_pictures(cell)]
    found = typed_measurements(prose(notebook) + words, code(notebook))
    assert not found, (
        f"{path.name} types {', '.join(found)} into its prose; compute the number in the notebook "
        "and show it by Markdown(f'...'), or name a value that its code sets"
    )


@each
def test_files_it_names_exist(path):
    assert missing_files("\n".join(prose(read(path))), FOLDER) == []


def test_files_that_the_readme_names_exist():
    assert missing_files((ROOT / "README.md").read_text(encoding="utf-8"), ROOT) == []


def test_readme_names_every_notebook():
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    assert [path.name for path in NOTEBOOKS if path.name not in text] == []


@pytest.mark.slow
@pytest.mark.filterwarnings("default")  # those of the kernel's client are not ours
@each
def test_runs_from_top_to_bottom(path, tmp_path, monkeypatch, request):
    monkeypatch.setenv("IPYTHONDIR", str(tmp_path))  # no settings of whoever runs this
    notebook = read(path)
    here = {"metadata": {"path": str(FOLDER)}}
    before = sorted(FOLDER.iterdir())
    NotebookClient(notebook, timeout=TIMEOUT, kernel_name="python3", resources=here).execute()
    assert sorted(FOLDER.iterdir()) == before, "a notebook writes nothing beside itself"
    cells = [cell for cell in notebook.cells if cell.cell_type == "code"]
    assert [cell.execution_count for cell in cells] == list(range(1, len(cells) + 1))
    outputs = [output for cell in cells for output in cell.outputs]
    size = sum(
        len(output.get("text", "")) + sum(len(str(x)) for x in output.get("data", {}).values())
        for output in outputs
    )
    assert size < LARGEST, f"{path.name} shows {size / 1e6:.1f} MB"
    warned = [x.text for x in outputs if x.get("name") == "stderr" and "Warning" in x.text]
    assert not warned, warned[0]
    assert any("image/png" in output.get("data", {}) for output in outputs), "no picture"
    for cell in cells:
        pictures = [x for x in cell.outputs if "image/png" in x.get("data", {})]
        assert len(pictures) == len(words_of_pictures(cell)), cell.source[:60]
    kept = request.config.getoption("--keep-notebooks")
    if kept:
        Path(kept).mkdir(parents=True, exist_ok=True)
        nbformat.write(notebook, Path(kept) / path.name)


# --- a course ---------------------------------------------------------------------------------


@each
def test_says_for_whom_it_is_what_one_can_do_afterwards_and_how_long_it_takes(path):
    head = read(path).cells[0].source
    for words in ("**For whom**", "**Afterwards you can**", "**Time**"):
        assert words in head
    assert re.search(r"\*\*Time\*\* \| \d+ minutes", head)


@each
def test_asks_before_it_shows_and_lets_the_reader_work(path):
    notebook = read(path)
    text = "\n".join(prose(notebook))
    assert text.count("**Predict.**") >= 3
    numbers = [int(n) for n in re.findall(r"^\*\*(\d+)\. ", text.split("## Exercises")[1], re.M)]
    assert numbers == list(range(1, len(numbers) + 1))
    assert 4 <= len(numbers) <= 6


@each
def test_solutions_are_folded_and_check_themselves(path):
    own = [cell for cell in read(path).cells if "solution" in cell.metadata.get("tags", [])]
    assert len(own) >= 3
    for cell in own:
        assert cell.cell_type == "code"
        assert cell.metadata["jupyter"]["source_hidden"]
        assert "assert " in cell.source, cell.source[:60]
        assert re.search(r"^(solution|folded)\(", cell.source, re.M)


def words_of_pictures(cell: nbformat.NotebookNode) -> list[str]:
    """What is seen on each picture of a cell, for whoever does not see it."""
    told = cell.metadata.get("alt", [])
    return [told] if isinstance(told, str) else list(told)


@each
def test_pictures_are_told_in_words(path):
    """As many as there are is checked where they run."""
    told = [words for cell in read(path).cells for words in words_of_pictures(cell)]
    assert told
    assert len(set(told)) == len(told)
    for words in told:
        assert len(words.split()) >= 8, words
        assert len(words) <= 350, words


def kind_of_slide(cell: nbformat.NotebookNode) -> str:
    return str(cell.metadata.get("slideshow", {}).get("slide_type", ""))


def test_the_first_notebook_makes_slides_for_one_lecture():
    """About two minutes a slide; no picture is left out, and no slide is a page of text."""
    cells = read(NOTEBOOKS[0]).cells
    kinds = [kind_of_slide(cell) for cell in cells]
    assert set(kinds) <= {"", "slide", "subslide", "fragment", "notes", "skip"}
    assert 15 <= kinds.count("slide") + kinds.count("subslide") <= 25
    for cell, kind in zip(cells, kinds, strict=True):
        if cell.cell_type == "markdown" and kind not in ("notes", "skip"):
            assert len(cell.source) < 1000, cell.source[:60]
        if "plt.show()" in cell.source or "animate_burn" in cell.source:
            assert kind != "skip", cell.source[:60]
    first = next(
        cell
        for cell in cells
        if "plot_lost_motion" in cell.source and "answer=False" in cell.source
    )
    question = cells[cells.index(first) - 1]
    assert "Which drawing tells you?" in question.source


# --- the rules themselves ---------------------------------------------------------------------


@pytest.mark.parametrize(
    "text", ["It is 0.35 mm too small.", "a lag of 120 µm", "by 3.5 mrad", "12 N more", "±0,2 mm"]
)
def test_a_typed_measurement_is_found(text):
    assert typed_measurements([text], "radius = 20.0  # mm, not 0.35") != []


@pytest.mark.parametrize(
    "text",
    ["a radius of 20 mm", "12 N", "`x = 0.35 mm`", "2 passes", "ISO 230-4", "3 Newtons' laws"],
)
def test_a_value_that_the_code_sets_may_be_typed(text):
    assert typed_measurements([text], "RADIUS = 20.0; extra_force=12.0") == []


def test_a_missing_file_is_found(tmp_path):
    (tmp_path / "there.ipynb").touch()
    text = "[a](there.ipynb#top) [b](gone.ipynb) [c](https://example.org/x) `examples/gone.py`"
    assert missing_files(text, tmp_path) == ["gone.ipynb", "examples/gone.py"]
