"""What the developers' page names exists: packages, files, and names in the code."""

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
HOME = ROOT / "gantrysim"
PAGE = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
FENCE = re.compile(r"```.*?```", re.DOTALL)
ROW = re.compile(r"^\| `(\w+)/` \| (.*) \|$", re.MULTILINE)
SPAN = re.compile(r"`([^`\n]+)`")
COMMAND = re.compile(r"^python (?:-m pytest -n 0 )?([\w./]+\.py)|^(\.[\w./]+)", re.MULTILINE)
NAME = re.compile(r"[A-Za-z_]\w*")


def spans(text):
    return SPAN.findall(FENCE.sub("", text))


def is_path(span):
    return bool(re.fullmatch(r"[\w./]+", span)) and ("/" in span or span.endswith((".py", ".toml")))


def gone(text):
    """Paths in code spans and commands that are neither at the top nor in the library."""
    named = [span for span in spans(text) if is_path(span)]
    named += [one or other for one, other in COMMAND.findall(text)]
    where = (ROOT, HOME, *(path for path in HOME.rglob("*") if path.is_dir()))
    return [name for name in named if not any((home / name).exists() for home in where)]


def unknown(text, code):
    """Names in code spans that no code has."""
    words = set(NAME.findall(code))
    names = {name for span in spans(text) if not is_path(span) for name in NAME.findall(span)}
    return sorted(names - words)


@pytest.fixture(scope="module")
def code():
    files = [path for folder in (HOME, ROOT / "tests") for path in folder.rglob("*.py")]
    texts = [path.read_text(encoding="utf-8") for path in files if path != Path(__file__)]
    return "\n".join([*texts, (ROOT / "pyproject.toml").read_text(encoding="utf-8")])


def test_paths_exist():
    assert gone(PAGE) == []


def test_names_exist(code):
    taken = {"_deg", "MyNoise", "family", "lint", "NUMBA_DISABLE_JIT"}
    assert set(unknown(PAGE, code)) <= taken


def test_the_map_has_every_package_and_its_files_stand_in_their_rows():
    rows = dict(ROW.findall(PAGE))
    packages = {path.parent.name for path in HOME.glob("*/__init__.py")}
    assert packages == set(rows)
    for package, text in rows.items():
        for name in filter(is_path, spans(text)):
            assert (HOME / package / name).exists(), f"{name} is not in {package}/"


def test_what_is_gone_is_found():
    text = "See `faults/knobs.py`, `pyproject.toml`, `Machine` and `inverse.knob_of`.\n"
    assert gone(text) == ["faults/knobs.py"]
    assert unknown(text, "class Machine: pass") == ["inverse", "knob_of"]
