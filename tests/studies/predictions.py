"""Hold what `will_hold` states of a job to come against what the swinging machine then burns.

    python tests/studies/predictions.py [--seed 401] [--machines 24] [--draws 200]

Machine k is that of the workshop (`tests/workshop.py`): healthy scatter and one fault, dynamic
model.  Its piece is burned, measured and diagnosed; then it burns a job that is drawn at random
elsewhere on the bed (place, size, spacing, feed, direction, passes).  The truth is the worst value
of the exact lines of that burn.  A stated interval covers 95 %; each characteristic is also decided
on alone, and wrong decisions are counted.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
import workshop
from scipy.stats import binom

import gantrysim as gs
from gantrysim.acceptance.drawn import worst_of_lines
from gantrysim.acceptance.predicted import STEP
from gantrysim.acceptance.tolerance import decide

#: Limits about what these machines do, so that verdicts of every kind are met.
ASKED = gs.Tolerance(
    roundness=0.3, size=0.35, squareness=1.0, closure=0.2, spacing=0.02, overlay=0.03
)


def job_of(seed: int, k: int) -> gs.RingTest:
    """A job for machine k, elsewhere on the bed."""
    rng = np.random.default_rng([seed, k, 7])
    return gs.ring_test(
        spacing=float(rng.uniform(4.0, 8.0)),
        largest=float(rng.uniform(16.0, 40.0)),
        centre=(float(rng.uniform(90.0, 330.0)), float(rng.uniform(90.0, 300.0))),
        feed=float(rng.uniform(20.0, 60.0)),
        passes=int(rng.integers(1, 3)),
        direction=str(rng.choice(["ccw", "cw"])),
    )


def main() -> None:
    """Run the study and print for each characteristic how many intervals hold."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=401)
    parser.add_argument("--machines", type=int, default=24)
    parser.add_argument("--draws", type=int, default=200)
    options = parser.parse_args()
    rows: dict[str, list[tuple[float, float, float, float]]] = {}
    said: list[tuple[str, bool]] = []
    spent, judged = 0.0, 0
    for k in range(options.machines):
        case = workshop.draw_case(k, options.seed)
        noise = workshop.noise_of(case, options.seed, 1)
        finding = gs.diagnose(workshop.burn_and_measure(case.real, noise))
        job = job_of(options.seed, k)
        burn = gs.simulate(case.real, job, step=STEP, inertia=True)
        true = worst_of_lines(burn.lines, burn.commanded, job, ASKED)
        started = time.process_time()
        try:
            verdict = gs.will_hold(finding, job, ASKED, draws=options.draws)
        except ValueError as nothing:
            print(f"   {k} {case.fault}: {nothing}", flush=True)
            continue
        spent, judged = spent + time.process_time() - started, judged + 1
        for r in verdict.requirements:
            if r.name not in true or r.estimate is None or r.probability is None:
                continue
            reach = abs(true[r.name])  # the worst of a verdict has no sign
            rows.setdefault(r.name, []).append((reach, r.low, r.estimate, r.high))
            least = r.probability * (1.0 - verdict.unknown)
            alone = decide(least, least + verdict.unknown, confidence=verdict.confidence)
            said.append((alone, reach <= r.limit))
            held = r.low <= reach <= r.high
            print(
                f"{'  ' if held else 'X '}{k} {case.fault}: {true[r.name]:.4f}; {r.words}",
                flush=True,
            )
    for name, table in rows.items():
        true, low, middle, high = np.array(table).T
        inside = int(np.sum((low <= true) & (true <= high)))
        least, most = binom.ppf([0.005, 0.995], len(table), 0.95)
        print(
            f"{name}: {inside} of {len(table)} hold (99 % of samples: {least:.0f} to {most:.0f}), "
            f"{np.sum(true < low)} below, {np.sum(true > high)} above; median error "
            f"{np.median(middle - true):+.4f}, width {np.median(high - low):.4f}"
        )
    for decision, right in (("pass", True), ("not yet", False)):
        kept = [kept for words, kept in said if words == decision]
        print(f"{decision}: said {len(kept)} times, wrong in {sum(k != right for k in kept)}")
    print(f"{spent / judged:.1f} s of computing a verdict")


if __name__ == "__main__":
    main()
