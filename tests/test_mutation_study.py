"""The study of small errors makes those it says, of the code it says, and finds their tests."""

from __future__ import annotations

import ast
import importlib.util
import json
import subprocess
import sys
from pathlib import Path

import pytest

STUDY = Path(__file__).parent / "studies" / "mutations.py"
SOURCE = '''"""Words with 1 + 1 are no code."""
LIMIT: int | 3 = 4

@kernel
def compiled(x):
    return x + 1

class Plate:
    def load(self, force, ø=0):
        """2 * force."""
        if force < -LIMIT and not self.off:
            return max(force, self.rows[0])
        return force - ø * self.drag

    def __repr__(self):
        return "plate" * 2
'''


SMALL = "def twice(x):\n    return 2 * x\n"
#: The steps of the study on a tree; a process of its own, for it forks.
RUN = """
import json, sys
from pathlib import Path
sys.path.insert(0, sys.argv[1])
import mutations as study
tree = Path(sys.argv[2])
files = study.importing(tree)
tests = study.noted(tree, tree.parent / "out.jsonl", files)
assert study.noted(tree, tree.parent / "out.jsonl", files) == tests
(path,) = {name.partition(":")[0] for t in tests for name in t["runs"]}
verdicts = {
    m.new: study.judge(tree, m, study.chosen_tests(m, tests, 9.0), 9.0)
    for m in study.mutants_of(path, (tree / path).read_text())
}
runs = {t["test"].partition("::")[2]: t["runs"] for t in tests}
print(json.dumps({"files": files, "runs": runs, "verdicts": verdicts}))
"""


@pytest.fixture(scope="module")
def study():
    spec = importlib.util.spec_from_file_location("mutations_under_test", STUDY)
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


def test_every_small_error_is_made_once_and_nothing_else(study):
    made = study.mutants_of("plate.py", SOURCE)
    assert {(m.function, m.old, m.new) for m in made} == {
        ("", "4", "(8)"),
        ("Plate.load", "0", "(1)"),
        ("Plate.load", "force < -LIMIT and not self.off", "(force < -LIMIT or not self.off)"),
        ("Plate.load", "force < -LIMIT", "(force <= -LIMIT)"),
        ("Plate.load", "-LIMIT", "(LIMIT)"),
        ("Plate.load", "not self.off", "(self.off)"),
        ("Plate.load", "max", "(min)"),
        ("Plate.load", "self.rows[0]", "(self.rows[1])"),
        ("Plate.load", "force - ø * self.drag", "(force + ø * self.drag)"),
        ("Plate.load", "force - ø * self.drag", "(force)"),
        ("Plate.load", "ø * self.drag", "(ø / self.drag)"),
        ("Plate.load", "ø * self.drag", "(ø)"),
    }
    for mutant in made:
        changed = mutant.applied(SOURCE.encode()).decode()
        assert ast.dump(ast.parse(changed)) != ast.dump(ast.parse(SOURCE))
        assert changed.splitlines()[mutant.line - 1] != SOURCE.splitlines()[mutant.line - 1]


def test_a_mutant_meets_the_quickest_tests_that_run_its_function(study):
    made = study.mutants_of("plate.py", SOURCE)
    of_function, of_module = (
        next(m for m in made if m.function == name) for name in ("Plate.load", "")
    )
    tests = [
        {"test": name, "seconds": seconds, "runs": runs, "shared": {}}
        for name, seconds, runs in (
            ("slow", 9.0, ["plate.py:Plate.load"]),
            ("quick", 1.0, ["plate.py:Plate.load", "x.py:other"]),
            ("near", 0.5, ["plate.py:Plate.unload"]),
            ("far", 0.1, ["x.py:other"]),
        )
    ]
    assert study.chosen_tests(of_function, tests, 20.0) == ["quick", "slow"]
    assert study.chosen_tests(of_function, tests, 5.0) == ["quick"]
    assert study.chosen_tests(of_module, tests, 20.0) == ["near", "quick", "slow"]
    # what tests of a file share is paid for once, by the first of them
    burn = [
        {"test": f"a.py::{n}", "seconds": 1.0, "runs": ["plate.py:Plate.load"],
         "shared": {"burn": 6.0}} for n in (1, 2)
    ]  # fmt: skip
    assert study.chosen_tests(of_function, [*tests, *burn], 9.5) == ["quick", "a.py::1", "a.py::2"]
    assert study.chosen_tests(of_function, burn, 6.5) == []


@pytest.mark.slow
def test_what_a_test_runs_is_noted_and_its_verdict_is_that_of_the_tests(tmp_path):
    """A tree of one file and its tests, run as the study runs the library's."""
    tree = tmp_path / "tree"
    home = tree / "gantrysim" / "inference"
    home.mkdir(parents=True)
    (tree / "gantrysim" / "__init__.py").write_text("")
    (home / "__init__.py").write_text(SMALL)
    for name in ("decisions", "faults", "instruments"):
        (tree / "gantrysim" / name).mkdir()
    (tree / "tests" / "studies").mkdir(parents=True)
    (tree / "tests" / "studies" / "mutations.py").write_bytes(STUDY.read_bytes())
    for name in ("residual.py", "burnedpiece.py"):
        (tree / "gantrysim" / "instruments" / name).write_text("")
    (tree / "pyproject.toml").write_text("[tool.pytest.ini_options]\n")
    (tree / "tests" / "test_twice.py").write_text(
        "from gantrysim.inference import twice\n\n"
        "def test_three():\n    assert twice(3) > 5\n\n"
        "def test_nothing():\n    assert True\n"
    )
    told = subprocess.run(
        [sys.executable, "-c", RUN, str(STUDY.parent), str(tree)],
        capture_output=True, text=True, check=True, cwd=tmp_path,
    )  # fmt: skip
    found = json.loads(told.stdout.splitlines()[-1])
    assert found["files"] == ["tests/test_twice.py"]
    mine = "gantrysim/inference/__init__.py:twice"
    assert found["runs"] == {"test_three": [mine], "test_nothing": []}
    assert found["verdicts"] == {"(2 / x)": "killed", "(2)": "killed", "(4)": "survived"}
    assert (home / "__init__.py").read_text() == SMALL
