"""Run the library, installed afresh, with the oldest packages it accepts and with the newest.

    python tests/studies/versions.py [lowest newest] [--python python3.13] [--keep folder]

In each environment pip installs the library and what it needs, a plain user runs the main example
of the README and reads the answer, and a few quick tests run; where all is newest, warnings are
errors.  The lowest versions are those that `pyproject.toml` states.  Several pythons: --python once
for each.
"""

from __future__ import annotations

import argparse
import json
import re
import shutil
import subprocess
import sys
import tempfile
import time
import tomllib
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
#: What the example's machine has; an independent simulator burned its piece.
TRUTH = ["tight_wheels_left"]
#: Quick, and between them at everything that comes from outside: arrays, special functions,
#: symbols, pictures, files.
QUICK = ("closed_forms", "table", "roundness", "filtered", "theory", "svg", "files", "plotting")
TEST_WITH = ("pytest", "pytest-xdist", "hypothesis", "shapely", "svgpathtools")


def stated() -> dict[str, str]:
    """The lowest version of each package that the library needs, by name."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    pairs = (re.fullmatch(r"([\w-]+)>=([\d.]+)", each) for each in project["dependencies"])
    return {pair[1]: pair[2] for pair in pairs if pair is not None}


def run(*words: str | Path, within: Path) -> subprocess.CompletedProcess[str]:
    """What a command says; it does not see this repository, but what was installed."""
    return subprocess.run(
        list(map(str, words)), cwd=within, capture_output=True, text=True, check=False
    )


def installed(home: Path, python: str, which: str) -> str:
    """Make an environment; returns what went wrong, if anything."""
    source = home.parent / "source"  # a copy: pip leaves behind what it builds
    aside = shutil.ignore_patterns(".*", "build", "*.egg-info", "__pycache__", "tests", "notebooks")
    shutil.copytree(ROOT, source, ignore=aside, dirs_exist_ok=True)
    pins = [f"{name}=={low}" if which == "lowest" else name for name, low in stated().items()]
    pip = (home / "bin" / "python", "-m", "pip", "install", "-q")
    for step in (
        (python, "-m", "venv", home),
        (*pip, "--upgrade", *pins, *TEST_WITH),
        (*pip, "--no-deps", source),
    ):
        done = run(*step, within=home.parent)
        if done.returncode:
            return f"cannot be had: {done.stderr.strip().splitlines()[-1]}"
    return ""


def versions(home: Path) -> str:
    """Python and packages of an environment."""
    code = (
        "import sys; from importlib.metadata import version as v; "
        f"print(*('%s %s' % (n, v(n)) for n in {list(stated())!r}), sep=', ')"
    )
    told = run(home / "bin" / "python", "-c", code, within=home)
    python = run(home / "bin" / "python", "--version", within=home)
    return f"{python.stdout.strip()}, {told.stdout.strip()}"


def example(home: Path) -> str:
    """What is wrong with the answer of the main example, if anything."""
    data = ROOT / "examples" / "data"
    done = run(
        home / "bin" / "gantrysim", "diagnose", "--test", data / "bench_test.json",
        "--points", data / "bench_piece.csv", "--into", "bench", "--overwrite", "--json",
        within=home,
    )  # fmt: skip
    if done.returncode:
        return f"ends with {done.returncode}: {done.stderr.strip()[-300:]}"
    best = json.loads(done.stdout)["finding"]["ranked"][0]
    written = [(home / f"bench.{kind}").stat().st_size for kind in ("json", "svg", "html")]
    if best["faults"] != TRUTH or best["probability"] < 0.5 or not all(written):
        return f"finds {best['faults']} with {best['probability']:.2f}, writes {written} bytes"
    return ""


def quick(home: Path, which: str) -> str:
    """The last line of the tests."""
    # old packages warn of what newer ones that they rest on have changed since
    warned = ("-o", "filterwarnings=") if which == "lowest" else ()
    files = [ROOT / "tests" / f"test_{name}.py" for name in QUICK]
    done = run(home / "bin" / "pytest", "-q", "-n", "0", *warned, *files, within=home)
    lines = (done.stdout + done.stderr).strip().splitlines()
    failed = [line for line in lines if line.startswith(("FAILED", "ERROR"))]
    return "\n    ".join([*failed[:5], lines[-1]])


def main() -> int:
    """Try each environment; returns 1 if one cannot be had or fails."""
    words = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    words.add_argument("which", nargs="*", choices=["lowest", "newest"])
    words.add_argument("--python", action="append", default=[], help="of each environment")
    words.add_argument("--keep", type=Path, help="make the environments here and leave them")
    given = words.parse_args()
    bad = 0
    with tempfile.TemporaryDirectory() as passing:
        folder = given.keep or Path(passing)
        folder.mkdir(parents=True, exist_ok=True)
        for python in given.python or [sys.executable]:
            for which in given.which or ["lowest", "newest"]:
                home, begun = folder / f"{Path(python).name}-{which}", time.monotonic()
                wrong = installed(home, python, which)
                print(f"{which}: {wrong or versions(home)}", flush=True)
                if not wrong:
                    wrong = example(home)
                    tests = quick(home, which)
                    print(f"  main example: {wrong or 'right'}\n  tests: {tests}")
                    wrong += "failed" if re.search("failed|error", tests) else ""
                print(f"  {time.monotonic() - begun:.0f} s", flush=True)
                bad += bool(wrong)
    return min(bad, 1)


if __name__ == "__main__":
    sys.exit(main())
