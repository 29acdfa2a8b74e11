"""Imports run one way, and importing the package stays light."""

import ast
import graphlib
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]


def test_imports_run_one_way():
    lint = pytest.importorskip("importlinter.cli", reason="import-linter is not installed.")
    assert lint.lint_imports(config_filename=str(ROOT / "pyproject.toml"), no_cache=True) == 0


def modules(root):
    """Every module below a package's folder by its name."""
    return {
        ".".join(path.relative_to(root.parent).with_suffix("").parts).removesuffix(
            ".__init__"
        ): path
        for path in root.rglob("*.py")
    }


def imported_at_once(root):
    """What each module imports as it loads, packages that are loaded on the way included."""
    known = modules(root)
    graph = {}
    for name, path in known.items():
        graph[name] = set()
        for node in ast.parse(path.read_text(encoding="utf-8")).body:
            if isinstance(node, ast.Import):
                taken = [alias.name for alias in node.names]
            elif isinstance(node, ast.ImportFrom):
                taken = [f"{node.module}.{alias.name}" for alias in node.names]
            else:
                continue
            for target in taken:
                parts = target.split(".")
                on_the_way = {".".join(parts[:n]) for n in range(1, len(parts) + 1)}
                above = {name, *(name[:n] for n, letter in enumerate(name) if letter == ".")}
                graph[name] |= on_the_way & known.keys() - above
    return graph


def test_no_module_imports_itself_by_way_of_others():
    graphlib.TopologicalSorter(imported_at_once(ROOT / "gantrysim")).prepare()


def test_a_circle_of_imports_is_seen(tmp_path):
    package = tmp_path / "shop"
    package.mkdir()
    (package / "__init__.py").write_text("from shop.bench import vice\n")
    (package / "bench.py").write_text("from shop.tool import file\nvice = 1\n")
    (package / "tool.py").write_text("file = 1\n")
    graphlib.TopologicalSorter(imported_at_once(package)).prepare()
    (package / "tool.py").write_text("from shop.bench import vice\nfile = 1\n")
    with pytest.raises(graphlib.CycleError):
        graphlib.TopologicalSorter(imported_at_once(package)).prepare()


def test_import_loads_neither_pictures_nor_algebra():
    code = (
        "import sys, gantrysim; "
        "print(*[m for m in ('matplotlib', 'sympy', 'pandas', 'PIL') if m in sys.modules])"
    )
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert out.stdout.split() == []


def test_a_picture_is_found_on_demand():
    import gantrysim

    assert callable(gantrysim.plot_burn)
    assert "compare_burns" in dir(gantrysim)
    with pytest.raises(AttributeError, match="no attribute 'plot_nothing'"):
        _ = gantrysim.plot_nothing
