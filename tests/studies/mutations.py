"""Small errors put into the core one at a time: do the tests notice?

    python tests/studies/mutations.py [--count N] [--seed S] [--limit SECONDS] [--out FILE]

A mutation swaps an operator or a sign, doubles a number, drops a term, moves an index by one, takes
< for <=, or a least for a most.  The seed chooses them from all that the modules of `TARGETS`
allow; bodies of compiled kernels, annotations and pictures are left out.  Everything runs on a
temporary copy of the tree.  There the test files that import one of these modules run once as they
are, and it is noted which test runs which function (failing tests count for nothing); then each
mutant meets, quickest first, the tests that run its function, as many as fit into the limit, until
one fails.  A mutant on which they use up their processor time counts as noticed.

The output file holds a row a mutant and the notes of the tests; what stands there of the same code
is not done again, so that an interrupted study goes on where it stopped.  A survivor is a gap in
the tests, or an equivalent mutant: whoever reads the list decides.

After R. A. DeMillo, R. J. Lipton and F. G. Sayward, Hints on test data selection: help for the
practicing programmer, Computer 11(4), 1978 (from memory).
"""

from __future__ import annotations

import argparse
import ast
import copy
import hashlib
import itertools
import json
import math
import multiprocessing
import os
import random
import resource
import shutil
import signal
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numba
import pytest
import scipy.interpolate
import scipy.linalg
import scipy.stats  # noqa: F401 - see `run_tests`

ROOT = Path(__file__).resolve().parents[2]
#: Packages and modules that are mutated.
TARGETS = (
    "gantrysim/inference", "gantrysim/decisions", "gantrysim/faults",
    "gantrysim/instruments/residual.py", "gantrysim/instruments/burnedpiece.py",
)  # fmt: skip
#: Functions that only show what others have found.
SHOWN = {"__repr__", "_repr_html_", "plot"}
#: Where the tests write what they run, and of which tree.
NOTES, OF = "GANTRYSIM_MUTATION_NOTES", "GANTRYSIM_MUTATION_TREE"
#: Exit code of a run that imported another tree than the copy.
ELSEWHERE = 99
COPIED = ("gantrysim", "tests", "examples", "pyproject.toml", "README.md", "DEVELOPERS.md")


# Mutations


@dataclass(frozen=True)
class Mutant:
    """One small change of one file."""

    path: str
    function: str
    line: int
    column: int
    span: tuple[int, int]  # bytes of the file that are replaced
    old: str
    new: str

    @property
    def key(self) -> str:
        """Says the change whatever stands around it."""
        return f"{self.path}:{self.line}:{self.column} {self.function}: {self.old} -> {self.new}"

    def applied(self, source: bytes) -> bytes:
        """The source of the file with the change."""
        return source[: self.span[0]] + self.new.encode() + source[self.span[1] :]


SWAPS: dict[type[ast.AST], type[ast.AST]] = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult,
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt,
    ast.Eq: ast.NotEq, ast.NotEq: ast.Eq, ast.And: ast.Or, ast.Or: ast.And,
}  # fmt: skip
OTHERS = {"min": "max", "max": "min", "minimum": "maximum", "maximum": "minimum"}


def changes(node: ast.AST) -> Iterator[ast.AST]:
    """What a node may become."""
    if isinstance(node, ast.BinOp | ast.BoolOp) and type(node.op) in SWAPS:
        yield _with(node, op=SWAPS[type(node.op)]())
    if isinstance(node, ast.BinOp) and isinstance(node.op, ast.Add | ast.Sub | ast.Mult):
        yield node.left
    if isinstance(node, ast.Compare) and len(node.ops) == 1 and type(node.ops[0]) in SWAPS:
        yield _with(node, ops=[SWAPS[type(node.ops[0])]()])
    if isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.USub | ast.Not):
        yield node.operand
    if isinstance(node, ast.Constant) and type(node.value) in (int, float):
        yield ast.Constant(2 * node.value if node.value else type(node.value)(1))
    if isinstance(node, ast.Subscript) and isinstance(node.slice, ast.Constant):
        if type(node.slice.value) is int:
            yield _with(node, slice=ast.Constant(node.slice.value + 1))
    if isinstance(node, ast.Name) and isinstance(node.ctx, ast.Load) and node.id in OTHERS:
        yield _with(node, id=OTHERS[node.id])
    if isinstance(node, ast.Attribute) and node.attr in OTHERS:
        yield _with(node, attr=OTHERS[node.attr])


def _with(node: ast.AST, **fields: Any) -> ast.AST:
    changed = copy.copy(node)
    for name, value in fields.items():
        setattr(changed, name, value)
    return changed


def mutants_of(path: str, source: str) -> list[Mutant]:
    """All mutants of one file."""
    starts = [0, *itertools.accumulate(len(x.encode()) for x in source.splitlines(keepends=True))]
    found: list[Mutant] = []

    def visit(node: ast.AST, function: str) -> None:
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef):
            compiled = any(
                isinstance(d, ast.Name) and d.id == "kernel" for d in node.decorator_list
            )
            if compiled or node.name in SHOWN:
                return
            function = f"{function}.{node.name}".lstrip(".")
        for change in changes(node):
            ends = node.lineno, node.col_offset, node.end_lineno, node.end_col_offset  # type: ignore[attr-defined]
            span = starts[ends[0] - 1] + ends[1], starts[ends[2] - 1] + ends[3]
            old = source.encode()[slice(*span)].decode()
            new = f"({ast.unparse(change)})"
            found.append(Mutant(path, function, *ends[:2], span, old, new))
        for name, value in ast.iter_fields(node):
            if name in ("annotation", "returns", "decorator_list") or isinstance(
                node, ast.JoinedStr
            ):
                continue
            for child in value if isinstance(value, list) else [value]:
                if isinstance(child, ast.AST):
                    visit(child, function)

    visit(ast.parse(source), "")
    return found


def targets(tree: Path) -> list[str]:
    """Files that are mutated."""
    files = itertools.chain.from_iterable(
        (tree / t).rglob("*.py") if (tree / t).is_dir() else [tree / t] for t in TARGETS
    )
    return sorted(file.relative_to(tree).as_posix() for file in files)


# Which test runs which function; this part is a plug-in of pytest


class Notes:
    """Notes the functions of the mutated files that each test runs, with its fixtures."""

    def __init__(self, tree: str, out: str) -> None:
        self.tree, self.out = tree + os.sep, out
        self.files = set(targets(Path(tree)))
        self.running: set[str] = set()
        self.shared: dict[str, set[str]] = {}
        self.costs: dict[str, float] = {}  # seconds of each shared fixture
        self.paid = 0.0  # for shared fixtures, within one test
        self.names: dict[Any, str | None] = {}
        self.failed: set[str] = set()

    def trace(self, frame: Any, *_: Any) -> None:
        code = frame.f_code
        if code not in self.names:
            path = code.co_filename.removeprefix(self.tree)
            name = code.co_qualname.replace(".<locals>", "")
            self.names[code] = f"{path}:{name}" if path in self.files else None
        if name := self.names[code]:
            self.running.add(name)

    @pytest.hookimpl(wrapper=True)
    def pytest_fixture_setup(self, fixturedef: Any, request: Any) -> Any:
        outer, self.running = self.running, set()
        began, before = time.process_time(), self.paid
        try:
            return (yield)
        finally:
            if fixturedef.scope != "function":
                own = time.process_time() - began - (self.paid - before)
                self.shared[fixturedef.argname] = self.running
                self.costs[fixturedef.argname] = own
                self.paid += own
            self.running = outer | self.running

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item: Any, nextitem: Any) -> Any:
        self.running, self.paid = set(), 0.0
        began = time.process_time()
        threading.settrace(self.trace)
        sys.settrace(self.trace)
        done = yield
        sys.settrace(None)
        threading.settrace(None)  # type: ignore[arg-type]
        seconds = time.process_time() - began - self.paid
        for name in item.fixturenames:
            self.running |= self.shared.get(name, set())
        if item.nodeid not in self.failed:
            row = {"test": item.nodeid, "seconds": seconds, "runs": sorted(self.running)}
            row["shared"] = {n: self.costs[n] for n in item.fixturenames if n in self.costs}
            with Path(self.out).open("a") as file:
                file.write(json.dumps(row) + "\n")
        return done

    def pytest_runtest_logreport(self, report: Any) -> None:
        if not report.passed:
            self.failed.add(report.nodeid)


def pytest_configure(config: Any) -> None:
    if NOTES in os.environ:
        config.pluginmanager.register(Notes(os.environ[OF], os.environ[NOTES]))


# The study


def importing(tree: Path) -> list[str]:
    """Test files that import a mutated module, or a package that holds one."""
    wanted = {Path(t).with_suffix("").as_posix().replace("/", ".") for t in TARGETS}
    out = []
    for path in sorted((tree / "tests").glob("test_*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names = [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            if any(n == w or n.startswith(w + ".") for n in names for w in wanted):
                out.append(path.relative_to(tree).as_posix())
                break
    return out


def run_tests(tree: Path, arguments: list[str], limit: float | None, **more: str) -> int | None:
    """Exit code of a run of pytest on the copy; None where it ran out of time."""
    # a forked process has numba and scipy at hand: importing them takes longer than most tests
    child = multiprocessing.get_context("fork").Process(
        target=_run, args=(tree, arguments, limit, more)
    )
    child.start()
    child.join()
    return None if child.exitcode == -signal.SIGXCPU else child.exitcode


def _run(tree: Path, arguments: list[str], limit: float | None, more: dict[str, str]) -> None:
    if limit is not None:  # of the processor: a busy machine notices no mutant
        seconds = math.ceil(limit)
        resource.setrlimit(resource.RLIMIT_CPU, (seconds, seconds + 5))
    nothing = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nothing, 1)
    os.dup2(nothing, 2)
    os.chdir(tree)
    os.environ.update(more)
    numba.config.CACHE_DIR = more.get("NUMBA_CACHE_DIR", "")
    sys.dont_write_bytecode = True  # a mutant may be as long and as old as the one before
    sys.path[:0] = [str(tree), str(tree / "tests" / "studies")]
    code = pytest.main(["-q", "-x", "-n", "0", "-p", "no:cacheprovider", *arguments])
    import gantrysim

    of_the_copy = Path(gantrysim.__file__).is_relative_to(tree)
    os._exit(int(code) if of_the_copy else ELSEWHERE)


def noted(tree: Path, out: Path, files: list[str]) -> list[dict[str, Any]]:
    """What each test of some files runs: from the output file, or from a run now."""
    common = [*tree.glob("gantrysim/**/*.py"), *tree.glob("tests/*.py")]
    digest = _digest(*(p.read_bytes() for p in sorted(common)))
    known = {row["notes"]: row for row in rows(out) if row.get("digest") == digest}
    found: list[dict[str, Any]] = []
    for file in files:
        if file not in known:
            print(f"what {file} runs ...", flush=True)
            fresh = tree / "notes.jsonl"
            fresh.unlink(missing_ok=True)
            more = {NOTES: str(fresh), OF: str(tree)}
            code = run_tests(tree, ["-p", "mutations", "--maxfail=1000", file], None, **more)
            if code not in (0, 1):  # passed, or some failed
                why = (
                    "they imported another tree"
                    if code == ELSEWHERE
                    else f"pytest ended with {code}"
                )
                raise SystemExit(f"{file} cannot be run on the copy: {why}")
            known[file] = {"notes": file, "digest": digest, "tests": rows(fresh)}
            append(out, known[file])
        found += known[file]["tests"]
    return found


def rows(file: Path) -> list[dict[str, Any]]:
    return [json.loads(x) for x in file.read_text().splitlines()] if file.exists() else []


def append(out: Path, row: dict[str, Any]) -> None:
    with out.open("a") as file:
        file.write(json.dumps(row) + "\n")


def _digest(*texts: bytes) -> str:
    return hashlib.sha256(b"\0".join(texts)).hexdigest()[:16]


def chosen_tests(mutant: Mutant, tests: list[dict[str, Any]], limit: float) -> list[str]:
    """The quickest tests that run a mutated function; of what runs on import any of them may."""
    mine = f"{mutant.path}:{mutant.function}"
    runs = [t for t in tests if mine in t["runs"]]
    if not runs:  # the body of a module or a class
        owner = mine if mutant.function else f"{mutant.path}:"
        runs = [t for t in tests if any(name.startswith(owner) for name in t["runs"])]
    left, taken = limit, []
    paid: set[tuple[str, str]] = set()  # shared fixtures that an earlier test has made already
    for test in sorted(runs, key=lambda t: t["seconds"] + sum(t["shared"].values())):
        needed = {(test["test"].partition("::")[0], name) for name in test["shared"]} - paid
        seconds = test["seconds"] + sum(test["shared"][name] for _, name in needed)
        if seconds <= left:
            left -= seconds
            paid |= needed
            taken.append(test["test"])
    return taken


def judge(tree: Path, mutant: Mutant, tests: list[str], limit: float) -> str:
    """Run the tests against a mutant: killed, killed (time), survived or not run."""
    if not tests:
        return "not run"
    file = tree / mutant.path
    before, stamp = file.read_bytes(), file.stat()
    more = {}
    if b"records.compiled" in before:  # every kernel is compiled anew: keep the good ones
        more["NUMBA_CACHE_DIR"] = str(tree / "compiled")
        shutil.rmtree(tree / "compiled", ignore_errors=True)
    file.write_bytes(mutant.applied(before))
    try:
        code = run_tests(tree, tests, 3.0 * limit + 120.0, **more)
        if code == pytest.ExitCode.USAGE_ERROR:  # not found: renamed, or their file failed
            files = dict.fromkeys(test.partition("::")[0] for test in tests)
            code = run_tests(tree, ["--collect-only", *files], limit, **more) or code
    finally:
        file.write_bytes(before)
        os.utime(file, ns=(stamp.st_atime_ns, stamp.st_mtime_ns))
    verdicts = {None: "killed (time)", 0: "survived", 1: "killed", 2: "killed"}
    return verdicts.get(code, "not run")  # a test has another name in this mutant


def report(judged: list[tuple[Mutant, str]]) -> None:
    counts = Counter(verdict for _, verdict in judged)
    killed = sum(n for verdict, n in counts.items() if verdict.startswith("killed"))
    print(f"\n{killed} of {len(judged)} noticed ({dict(counts)})")
    for mutant, verdict in judged:
        if not verdict.startswith("killed"):
            print(f"  {verdict}: {mutant.key}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--count", type=int, default=40, help="how many mutants")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--limit", type=float, default=60.0, help="seconds of tests a mutant")
    parser.add_argument("--tests", nargs="*", help="test files, instead of all that import them")
    parser.add_argument("--out", type=Path, default=Path("mutations.jsonl"))
    given = parser.parse_args()
    out = given.out.resolve()
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    with tempfile.TemporaryDirectory(prefix="mutants") as folder:
        tree = Path(folder).resolve() / "tree"
        tree.mkdir()
        for name in COPIED:  # with what is compiled, which keeps its dates
            own = ROOT / name
            (shutil.copytree if own.is_dir() else shutil.copy2)(own, tree / name)
        if (ROOT.parent / "shared").exists():  # measured data that some tests rest on
            (tree.parent / "shared").symlink_to(ROOT.parent / "shared")
        sources = {p: (tree / p).read_text(encoding="utf-8") for p in targets(tree)}
        every = [m for p, source in sources.items() for m in mutants_of(p, source)]
        random.Random(given.seed).shuffle(every)
        chosen = every[: given.count]
        print(f"{len(chosen)} of {len(every)} mutants of {len(sources)} files", flush=True)
        tests = noted(tree, out, given.tests or importing(tree))
        done = {
            (row["mutant"], row["source"]): row["verdict"] for row in rows(out) if "mutant" in row
        }
        judged: list[tuple[Mutant, str]] = []
        for mutant in chosen:
            mine = chosen_tests(mutant, tests, given.limit)
            own = _digest(sources[mutant.path].encode(), *(t.encode() for t in mine))
            if (mutant.key, own) not in done:
                began = time.perf_counter()
                verdict = judge(tree, mutant, mine, given.limit)
                seconds = round(time.perf_counter() - began, 1)
                append(out, {"mutant": mutant.key, "source": own, "verdict": verdict,
                             "tests": len(mine), "seconds": seconds})  # fmt: skip
                done[mutant.key, own] = verdict
                print(f"{verdict:9} {seconds:6.1f} s  {mutant.key}", flush=True)
            judged.append((mutant, done[mutant.key, own]))
    report(judged)


if __name__ == "__main__":
    main()
