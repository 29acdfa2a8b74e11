"""Hold the roundness that `accept` states against the truth, on machines that scatter and fail.

    python tests/studies/roundness.py [--pieces 112] [--points 3000] [--lines smooth|ringing]

Piece k has the same machine and noise on every run; three in four machines have a fault.  Each is
burned twice: in the slow limit with the forces of the feed (smooth lines) and in time (ringing).
The truth is the roundness of the worst exact line, filtered as `accept` filters.  A stated
interval covers 95 %; the limit of each piece is drawn about what was measured, so that the
probability of keeping it can be held against how often it is kept.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path
from unittest import mock

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
import workshop
from scipy.stats import binom

import gantrysim as gs
from gantrysim.acceptance.drawn import worst_of_lines

ASKED = gs.Tolerance(roundness=0.2)
KINDS = {"smooth": False, "ringing": True}
LIMITS = 0.6, 1.1  # of the measured roundness, between which the limit is drawn


def burned(k: int, *, inertia: bool) -> tuple[gs.Piece, float]:
    """Piece k as the workshop measures it, and its true roundness, mm."""
    rng = np.random.default_rng([77, k])
    machine = workshop.healthy_machine(rng)
    kind = workshop.kinds_of(workshop.ADJUSTABLE[k % len(workshop.ADJUSTABLE)])
    values = [q.value(float(rng.standard_normal())) for q in kind.parameters]
    machine = machine if k % 4 == 3 else kind.at(*values).apply(machine)
    if inertia:
        burn = gs.simulate(machine, workshop.TEST, inertia=True)
    else:
        burn = gs.simulate(machine, workshop.TEST, step=0.25, feed_forces=True)
    with mock.patch.object(gs, "simulate", return_value=burn):
        piece = workshop.burn_and_measure(machine, np.random.default_rng([78, k]))
    true = worst_of_lines(burn.lines, burn.commanded, burn.test, ASKED)["roundness"]
    return piece, true


def main() -> None:
    """Run the study and print what is covered, and which way the rest is missed."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--pieces", type=int, default=112)
    parser.add_argument("--points", type=int, default=3000)
    parser.add_argument("--lines", choices=KINDS, nargs="+", default=list(KINDS))
    options = parser.parse_args()
    workshop.POINTS = options.points
    for words in options.lines:
        rows = []
        for k in range(options.pieces):
            piece, true = burned(k, inertia=KINDS[words])
            found = max(row.path.least_squares.RONt for row in gs.measure(piece).circles)
            limit = found * np.random.default_rng([79, k]).uniform(*LIMITS)
            started = time.process_time()
            (r,) = gs.accept(piece, gs.Tolerance(roundness=limit)).requirements
            spent = time.process_time() - started
            rows.append((true, r.low, r.estimate, r.high, limit, r.probability, spent))
        true, low, middle, high, limit, sure, spent = np.array(rows, dtype=float).T
        inside = int(np.sum((low <= true) & (true <= high)))
        least, most = binom.ppf([0.005, 0.995], len(rows), 0.95)
        print(
            f"{words} lines: {inside} of {len(rows)} covered (99 % of samples: {least:.0f} to "
            f"{most:.0f}), {np.sum(true < low)} stated too large, {np.sum(true > high)} too small; "
            f"median error {1e3 * np.median(middle - true):+.1f} um, width "
            f"{1e3 * np.median(high - low):.1f} um; {np.median(spent):.1f} s of computing each"
        )
        kept = true <= limit
        for name, said, right in (
            ("pass", sure >= 0.95, kept), ("not yet", sure <= 0.05, ~kept)
        ):  # fmt: skip
            print(f"  {name}: said of {said.sum()}, right in {np.sum(said & right)}", flush=True)


if __name__ == "__main__":
    main()
