"""The kernels give the same numbers uncompiled, and are compiled anew when one of them changes."""

from __future__ import annotations

import ast
import dis
import importlib
import inspect
import os
import shutil
import subprocess
import sys
from pathlib import Path

import numba
import numpy as np
import pytest
from littleroom import little_room
from numba.core.caching import CacheImpl

import gantrysim as gs
from gantrysim.records import compiled

ROOT = Path(__file__).resolve().parents[1]

CIRCLE = """
import numpy as np
import gantrysim as gs
machine = gs.Machine().set("contact.presliding_distance", 0.01).set("shaft.backlash", 0.05)
test = gs.ring_test(shapes=("circle",), spacing=4.0, largest=4.0, passes=1, centre=(40.0, 40.0))
line = gs.simulate(machine, test, step=2.0, feed_forces=True).line("circle", 0)
"""

SPRING = """
import numpy as np
from gantrysim.mechanics.equilibrium import spring_at
from gantrysim.mechanics.state import layout
b = np.zeros(1, layout(1, 1))[0]
b.levers[0, 0] = 1.0
b.laws[0, 0] = 20.0
b.q[0] = 0.25
print(spring_at(b, 0)[0])
"""


def _python(code: str, root: Path = ROOT, **settings: str) -> str:
    """What a new Python prints that imports the library from a folder."""
    path = os.pathsep.join(filter(None, (str(root), os.environ.get("PYTHONPATH"))))
    done = subprocess.run(
        [sys.executable, "-c", code],
        env={**os.environ, "PYTHONPATH": path, **settings},
        cwd=root, check=True, capture_output=True, text=True,
    )  # fmt: skip
    return done.stdout


def test_a_small_circle_is_the_same_uncompiled():
    here: dict[str, object] = {}
    exec(CIRCLE, here)  # the same lines, compiled
    line = here["line"]
    assert isinstance(line, gs.pattern.Line)
    told = _python(CIRCLE + "print(repr(line.xy.tolist()))", NUMBA_DISABLE_JIT="1")
    np.testing.assert_allclose(np.array(eval(told)), line.xy, rtol=0.0, atol=1e-12)


def test_a_changed_law_is_seen_by_kernels_of_other_files(tmp_path):
    shutil.copytree(
        ROOT / "gantrysim", tmp_path / "gantrysim", ignore=shutil.ignore_patterns("__pycache__")
    )
    before = float(_python(SPRING, tmp_path, NUMBA_CACHE_DIR=str(tmp_path / "cache")))
    laws = tmp_path / "gantrysim" / "mechanics" / "springs.py"
    text = laws.read_text()
    assert "return a * (e - b), a" in text
    laws.write_text(text.replace("return a * (e - b), a", "return 2.0 * a * (e - b), a"))
    after = float(_python(SPRING, tmp_path, NUMBA_CACHE_DIR=str(tmp_path / "cache")))
    assert (before, after) == (5.0, 10.0)


def test_compiled_code_on_disk_is_used_again(tmp_path):
    cache = tmp_path / "cache"
    counts = [
        _python(
            SPRING + "print(sum(spring_at.stats.cache_hits.values()))", NUMBA_CACHE_DIR=str(cache)
        ).split()[-1]
        for _ in range(2)
    ]
    assert counts == ["0", "1"]


def test_every_kernel_is_compiled_in_one_way():
    """A kernel that numba alone keeps would run old code after a change in another file."""
    for file in (ROOT / "gantrysim").rglob("*.py"):
        if file.name != "compiled.py":
            assert "njit" not in file.read_text(encoding="utf-8"), file.name


def test_kernels_rest_on_files_that_hold_kernels():
    """A constant from elsewhere would be compiled into code that does not notice its change."""
    files = [f for f in (ROOT / "gantrysim").rglob("*.py") if "records.compiled" in f.read_text()]
    homes = {".".join(f.relative_to(ROOT).with_suffix("").parts) for f in files}
    looked_at = 0
    for home in sorted(homes):
        module = importlib.import_module(home)
        tree = ast.parse(inspect.getsource(module))
        foreign, made_of = set(), {}
        for node in ast.walk(tree):
            if isinstance(node, ast.ImportFrom) and str(node.module).startswith("gantrysim"):
                if node.module not in homes:
                    foreign |= {name.asname or name.name for name in node.names}
            elif isinstance(node, ast.Assign) and isinstance(node.targets[0], ast.Name):
                names = {n.id for n in ast.walk(node.value) if isinstance(n, ast.Name)}
                made_of[node.targets[0].id] = names
        for thing in vars(module).values():
            own = getattr(thing, "py_func", None)
            if own is not None:
                used = {i.argval for i in dis.get_instructions(own) if i.opname == "LOAD_GLOBAL"}
                used |= set().union(*(made_of.get(name, set()) for name in used))
                assert not used & foreign, (home, own.__name__, used & foreign)
                looked_at += 1
    assert looked_at > 50


# --- where nothing can be kept -------------------------------------------------------------------


def twice(x):
    return 2.0 * x


def test_without_a_folder_for_compiled_code_it_is_compiled_each_time(monkeypatch):
    monkeypatch.setattr(CacheImpl, "_locator_classes", [])
    compiled._say_compiled_anew.cache_clear()
    with pytest.warns(
        RuntimeWarning, match=r"cannot be kept \(no folder .* NUMBA_CACHE_DIR"
    ) as told:
        kernels = [compiled.kernel(twice) for _ in range(3)]
    assert [kernel(1.5) for kernel in kernels] == [3.0] * 3
    assert len(told) == 1


def test_a_full_disk_stops_no_kernel(monkeypatch, tmp_path):
    monkeypatch.setattr(numba.config, "CACHE_DIR", str(tmp_path))
    compiled._say_compiled_anew.cache_clear()
    kernel = compiled.kernel(twice)
    with little_room(10), pytest.warns(RuntimeWarning, match=r"cannot be kept \(file too large\)"):
        assert kernel(1.5) == 3.0
    assert not list(tmp_path.rglob("*.nb?"))


def test_spoiled_code_on_disk_is_not_used(monkeypatch, tmp_path):
    monkeypatch.setattr(numba.config, "CACHE_DIR", str(tmp_path))
    compiled._say_compiled_anew.cache_clear()
    compiled.kernel(twice)(1.5)
    (index,) = tmp_path.rglob("*.nbi")
    index.write_bytes(b"")
    with pytest.warns(RuntimeWarning, match=r"cannot be kept \(eoferror\)"):
        assert compiled.kernel(twice)(1.5) == 3.0


def test_one_process_can_use_what_another_compiled(tmp_path):
    """Blocks of different sizes are records of different types, met in another order each time.

    The push by hand knows a spring more than the march; kept on disk, code for the one was linked
    into the other and burned 200 mm off.
    """
    cache = {"NUMBA_CACHE_DIR": str(tmp_path / "cache")}
    _python("import gantrysim as gs\ngs.push(gs.Machine(), 'left')", **cache)
    told = _python(CIRCLE + "print(repr(line.xy.tolist()))", **cache)
    here: dict[str, object] = {}
    exec(CIRCLE, here)
    np.testing.assert_allclose(np.array(eval(told)), here["line"].xy, rtol=0.0, atol=1e-12)
