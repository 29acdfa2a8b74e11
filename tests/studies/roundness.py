"""Hold the roundness that `accept` states against the truth, on machines that scatter and fail.

    python tests/studies/roundness.py [--pieces 56] [--points 3000]

Piece k has the same machine and noise on every run; three in four machines have a fault.  Each is
burned twice: in the slow limit with the forces of the feed (smooth lines) and in time (ringing).
The truth is the roundness of the worst exact line, unfiltered.  A stated interval covers 95 %.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from unittest import mock

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
import workshop

import gantrysim as gs
from gantrysim.inverse.drawn import worst_of_lines

ASKED = gs.Tolerance(roundness=0.2)


def burned(k: int, *, inertia: bool) -> tuple[gs.Piece, float]:
    """Piece k as the workshop measures it, and its true roundness, mm."""
    rng = np.random.default_rng([77, k])
    machine = workshop.healthy_machine(rng)
    kind = workshop.kinds_of(workshop.ADJUSTABLE[k % len(workshop.ADJUSTABLE)])
    values = [q.value(float(rng.standard_normal())) for q in kind.quantities]
    machine = machine if k % 4 == 3 else kind.apply(machine, values)
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
    parser.add_argument("--pieces", type=int, default=56)
    parser.add_argument("--points", type=int, default=3000)
    options = parser.parse_args()
    workshop.POINTS = options.points
    for words, inertia in (("smooth lines", False), ("ringing lines", True)):
        rows = []
        for k in range(options.pieces):
            piece, true = burned(k, inertia=inertia)
            (r,) = gs.accept(piece, ASKED).requirements
            rows.append((true, r.low, r.estimate, r.high))
        true, low, middle, high = np.array(rows, dtype=float).T
        inside = int(np.sum((low <= true) & (true <= high)))
        print(
            f"{words}: {inside} of {len(rows)} covered, {np.sum(true < low)} stated too large, "
            f"{np.sum(true > high)} too small; median error {1e3 * np.median(middle - true):+.1f} "
            f"um, width {1e3 * np.median(high - low):.1f} um",
            flush=True,
        )


if __name__ == "__main__":
    main()
