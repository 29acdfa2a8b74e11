"""How long a full test, a large part, and the first call of a session take.

Run ``python tests/benchmarks/speed.py`` from the repository.  Times are medians of warm calls;
where the machine is busy the least of them says more.
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from cutparts import path_of

from gantrysim.burn.simulation import simulate
from gantrysim.machine import Machine
from gantrysim.mechanics.assembly import x_block, y_block
from gantrysim.mechanics.planner import plan, slow
from gantrysim.mechanics.quasistatic import march, spot
from gantrysim.part import Drawing, Kerf, drawing_of
from gantrysim.part.believed import Believed, healthy_machines
from gantrysim.part.prediction import predicted
from gantrysim.pattern.ringtest import ring_test

ROOT = Path(__file__).resolve().parents[2]
BAR = 10.0  # ms, for a full test in the slow limit

IMPORT = "import gantrysim"
FIRST = """
import time
from gantrysim.machine import Machine
from gantrysim.pattern.ringtest import ring_test
from gantrysim.burn.simulation import simulate
begin = time.perf_counter()
simulate(Machine(), ring_test())
print(time.perf_counter() - begin)
"""


def milliseconds(call: Callable[[], object], repeats: int = 31) -> tuple[float, float]:
    """Median and least time of a warm call, ms."""
    call()
    taken = []
    for _ in range(repeats):
        begin = time.perf_counter()
        call()
        taken.append(1e3 * (time.perf_counter() - begin))
    return statistics.median(taken), min(taken)


def fresh(code: str, cache: str) -> tuple[float, str]:
    """Time for a new Python to run some code, s, and what it printed."""
    path = os.pathsep.join(filter(None, (str(ROOT), os.environ.get("PYTHONPATH"))))
    settings = {**os.environ, "NUMBA_CACHE_DIR": cache, "PYTHONPATH": path}
    begin = time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-c", code], env=settings, check=True, capture_output=True, text=True
    )
    return time.perf_counter() - begin, done.stdout


def warm() -> None:
    """Times of warm calls and of their parts."""
    machine, test = Machine(), ring_test()
    strokes = test.strokes()
    command = np.concatenate([stroke.xy for stroke in strokes])
    motion = slow(command)
    x, y = x_block(machine), y_block(machine)
    q_x, q_y = march(x, motion, 0)[0], march(y, motion, 1)[0]
    rows = {
        "full test, slow limit": lambda: simulate(machine, test),
        "  strokes": test.strokes,
        "  X block": lambda: march(x, motion, 0),
        "  Y block": lambda: march(y, motion, 1),
        "  spot": lambda: spot(machine, q_y, q_x),
        "full test, with feed forces": lambda: simulate(machine, test, feed_forces=True),
        "  speed along the path": lambda: plan(test, strokes),
    }
    rings = " and ".join(f"{len(nest.sizes)} {nest.shape}s" for nest in test.nests)
    print(f"{rings}, {len(command)} samples; warm calls, ms: median (least)")
    taken = {name: milliseconds(call) for name, call in rows.items()}
    for name, (middle, least) in taken.items():
        print(f"{name:<36}{middle:8.2f} ({least:.2f})")
    slow_limit, forces = (taken[name][0] for name in list(rows) if name.startswith("full"))
    steps = taken["  X block"][0] + taken["  Y block"][0]
    print(f"{'one step of both blocks':<36}{1e6 * steps / len(command):8.0f} ns")
    print(f"{'slow limit over its bar of 10 ms':<36}{slow_limit / BAR:8.2f}")
    print(f"{'feed forces over slow limit':<36}{forces / slow_limit:8.2f}")


def calibration() -> float:
    """Processor time of plain linear algebra, s: what other times are put beside."""
    table = np.random.default_rng(0).standard_normal((400, 400))
    begin = time.process_time()
    for _ in range(20):
        table = np.tanh(table @ table / 20.0)
    return time.process_time() - begin


def large_part() -> Drawing:
    """A part of 200 outlines and some 20,000 segments: combs and wavy discs."""

    def wavy(x: float, y: float) -> list[tuple[float, float]]:
        at = np.arange(100) * np.pi / 50.0
        radius = 8.0 * (1.0 + 0.15 * np.sin(5.0 * at))
        return list(zip(x + radius * np.cos(at), y + radius * np.sin(at), strict=True))

    def comb(x: float, y: float) -> list[tuple[float, float]]:
        teeth = [(x - 18.0, y - 8.0), (x + 18.0, y - 8.0)]
        for left in x + 16.5 - 1.5 * np.arange(24):
            rise = ((1.5, 8.0), (0.75, 8.0), (0.75, 5.0), (0.0, 5.0))
            teeth += [(left + across, y + up) for across, up in rise]
        return teeth

    places = [(20.0 + 40.0 * i, 20.0 + 19.0 * j) for i in range(10) for j in range(20)]
    kinds = (wavy, comb)
    return drawing_of(path_of([kinds[k % 2](*place) for k, place in enumerate(places)]))


def part() -> None:
    """Processor time of a large part: its features, and its sizes from 200 draws."""
    machines = tuple(healthy_machines(Machine(), 200))
    source = Believed(machines, Machine(), None, 0.0, "healthy machines")
    small = drawing_of(path_of([[(50.0, 50.0), (90.0, 50.0), (90.0, 80.0)]]))
    predicted(source, small, Kerf(0.15), "dynamics")  # compiles
    unit = min(calibration() for _ in range(5))
    taken = {}
    begin = time.process_time()
    drawing = large_part()
    taken["features"] = time.process_time() - begin
    for motion in ("feed", "dynamics"):
        begin = time.process_time()
        predicted(source, drawing, Kerf(0.15), motion)
        taken[f"200 draws, {motion}"] = time.process_time() - begin
    moves = len(drawing.path.moves)
    print(f"{drawing!r}, {moves} moves; processor s, and over {unit:.3f} s of linear algebra")
    for name, seconds in taken.items():
        print(f"{name:<36}{seconds:8.2f}{seconds / unit:8.0f}")


def cold() -> None:
    """Times of the first calls of a session, with and without compiled code on disk."""
    with tempfile.TemporaryDirectory() as cache:
        bare = min(fresh("pass", cache)[0] for _ in range(3))
        loaded = min(fresh(IMPORT, cache)[0] for _ in range(3))
        empty = float(fresh(FIRST, cache)[1])
        kept = min(float(fresh(FIRST, cache)[1]) for _ in range(3))
    print("new session, s")
    print(f"{'import gantrysim':<36}{loaded - bare:8.2f}")
    print(f"{'first call, nothing compiled yet':<36}{empty:8.2f}")
    print(f"{'first call, compiled code on disk':<36}{kept:8.2f}")
    print(f"{'ratio of the two':<36}{empty / kept:8.0f}")


if __name__ == "__main__":
    warm()
    part()
    cold()
