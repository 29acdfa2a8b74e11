"""Every example in a docstring runs as a reader would type it, by itself, in an empty folder."""

from __future__ import annotations

import ast
import doctest
import inspect
from pathlib import Path

import matplotlib as mpl
import matplotlib.pyplot as plt
import pytest

import gantrysim as gs

HOME = Path(gs.__file__).parent
HOW = doctest.ELLIPSIS | doctest.NORMALIZE_WHITESPACE
#: Examples that need a person's own file.
MOST_SKIPPED = 5


def examples_in(text: str, file: str) -> list[doctest.DocTest]:
    """The docstrings of a source text that hold an example, each with no names but its own."""
    kinds = (ast.Module, ast.ClassDef, ast.FunctionDef)
    found = []
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, kinds) and ">>>" in (doc := ast.get_docstring(node) or ""):
            name, line = getattr(node, "name", file), getattr(node, "lineno", 1)
            found.append(doctest.DocTestParser().get_doctest(doc, {}, name, file, line))
    return found


EXAMPLES = [
    example
    for path in sorted(HOME.rglob("*.py"))
    for example in examples_in(path.read_text(encoding="utf-8"), str(path.relative_to(HOME)))
]
MAIN_ROAD = [
    *(f"gantrysim.{name}" for name in (*gs.__all__, *gs._PICTURES)),
    *(f"gantrysim.faults.{name}" for name in gs.faults.__all__),
    *(f"gantrysim.instruments.{name}" for name in gs.instruments.__all__),
    *(f"gantrysim.decisions.{name}" for name in ("Hypothesis", "Advice", "Adjustment")),
    "gantrysim.inference.Assumptions",
]


def failures(example: doctest.DocTest) -> list[str]:
    """What each statement gave that its docstring does not say."""
    said: list[str] = []
    doctest.DocTestRunner(optionflags=HOW).run(example, out=said.append)
    return said


@pytest.mark.parametrize("example", EXAMPLES, ids=[f"{e.filename}:{e.name}" for e in EXAMPLES])
def test_the_example_runs(example, tmp_path, monkeypatch):
    mpl.use("Agg")
    monkeypatch.chdir(tmp_path)
    said = failures(example)
    assert not said, "".join(said)
    plt.close("all")


@pytest.mark.parametrize("name", MAIN_ROAD)
def test_every_name_of_the_main_road_has_an_example(name):
    package, _, own = name.removeprefix("gantrysim.").rpartition(".")
    thing = getattr(getattr(gs, package) if package else gs, own)
    if not callable(thing):
        pytest.skip("a table")
    assert "\n>>> " in (inspect.getdoc(thing) or "")


def test_few_examples_are_left_out():
    statements = [s for example in EXAMPLES for s in example.examples]
    assert sum(doctest.SKIP in s.options for s in statements) <= MOST_SKIPPED


def test_an_example_that_says_otherwise_is_seen():
    text = 'def f():\n    """Say.\n\n    >>> 1 + 1\n    3\n    >>> Machine()\n    """'
    said = "".join(failures(*examples_in(text, "here")))
    assert "Expected:\n    3\nGot:\n    2" in said
    assert "NameError" in said
