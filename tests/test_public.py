"""The public face: every name explains itself and says its units."""

import dataclasses
import inspect
import re
from pathlib import Path

import matplotlib as mpl
import pytest

import gantrysim

README = Path(__file__).resolve().parents[1] / "README.md"

UNIT = re.compile(
    r"\bmm\b|\bN\b|\bN/mm\b|\bkg\b|\bs\b|\bmrad\b|\brad\b|degrees|dimensionless|[Rr]elative"
    r"|probabilit|times larger|per cent|minutes|part of|factor"
)


@pytest.fixture(params=gantrysim.__all__)
def public(request):
    return getattr(gantrysim, request.param)


def test_names_are_listed_once():
    assert len(set(gantrysim.__all__)) == len(gantrysim.__all__)


def test_public_names_have_docstrings(public):
    doc = inspect.getdoc(public)
    assert doc
    assert not doc.startswith(f"{public.__name__}("), "that is the one dataclasses make up"


def test_public_methods_have_docstrings(public):
    if not inspect.isclass(public):
        return
    for name, member in vars(public).items():
        if not name.startswith("_") and (
            inspect.isfunction(member) or isinstance(member, property)
        ):
            assert inspect.getdoc(member), f"{public.__name__}.{name}"


def takes_floats(public):
    if dataclasses.is_dataclass(public):
        kinds = [str(f.type) for f in dataclasses.fields(public)]
    else:
        kinds = [str(p.annotation) for p in inspect.signature(public).parameters.values()]
    return any("float" in kind for kind in kinds)


def test_float_arguments_have_units(public):
    if takes_floats(public):
        assert UNIT.search(inspect.getdoc(public)), f"{public.__name__} names no unit"


def test_the_lines_of_use_in_the_readme_run(tmp_path, monkeypatch):
    import matplotlib.pyplot as plt

    mpl.use("Agg")
    monkeypatch.chdir(tmp_path)
    code = re.search(r"```python\n(.*?)```", README.read_text(encoding="utf-8"), re.DOTALL)[1]
    names = {}
    exec(code, names)
    plt.close("all")
    assert names["piece"].n_points == sum(len(line.xy) for line in names["burn"].lines)
    assert {line.pass_index for line in names["piece"].lines} == {0, 1, 2, 3}
