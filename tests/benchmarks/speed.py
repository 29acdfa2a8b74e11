"""How long a full test takes, and how long the first call of a session takes.

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

from gantrysim.burn.simulation import simulate
from gantrysim.machine import Machine
from gantrysim.mechanics.assembly import x_block, y_block
from gantrysim.mechanics.planner import plan, slow
from gantrysim.mechanics.quasistatic import march, spot
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
    cold()
