"""Imports run one way, and importing the package stays light."""

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]


def test_imports_run_one_way():
    lint = pytest.importorskip("importlinter.cli", reason="import-linter is not installed.")
    assert lint.lint_imports(config_filename=str(ROOT / "pyproject.toml"), no_cache=True) == 0


def test_import_loads_neither_pictures_nor_algebra():
    code = (
        "import sys, gantrysim; "
        "print(*[m for m in ('matplotlib', 'sympy', 'pandas') if m in sys.modules])"
    )
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert out.stdout.split() == []


def test_a_picture_is_found_on_demand():
    import gantrysim

    assert callable(gantrysim.plot_burn)
    assert "compare_burns" in dir(gantrysim)
    with pytest.raises(AttributeError, match="no attribute 'plot_nothing'"):
        _ = gantrysim.plot_nothing
