"""How long a diagnosis takes: one piece of about 3000 points, and four pieces together.

Run ``python tests/benchmarks/diagnosis.py`` from the repository.  The pieces are burned by the
library's own model with two faults and noise of fixed seeds; a first, small diagnosis compiles
and warms everything.
"""

from __future__ import annotations

import dataclasses
import time

import numpy as np

import gantrysim as gs

ONE, FOUR = 10.0, 60.0  # bars, s, on two cores
PLACES = ((215.0, 200.0), (120.0, 120.0), (310.0, 280.0), (120.0, 280.0))


def piece(machine: gs.Machine, test: gs.RingTest, seed: int) -> gs.Piece:
    """Burn, lift and measure: white noise of 12 um, a point about every 0.7 mm."""
    rng = np.random.default_rng(seed)
    burn = gs.simulate(machine, test, step=0.7, feed_forces=True)
    lines = [
        gs.pattern.Line(x.shape, x.ring, x.size, -1, x.xy + rng.normal(0.0, 0.012, x.xy.shape))
        for x in burn.lines
        if x.pass_index == 0
    ]
    return gs.Piece(test, tuple(lines), f"invented piece {seed}")


def main() -> None:
    """Print times and what was found."""
    machine = gs.Machine().with_faults(
        gs.faults.TightWheels("left", extra_force=8.0), gs.faults.ScaleError("x", 0.004)
    )
    test = gs.ring_test(
        shapes=("circle", "square"), spacing=5.0, largest=40.0, centre=PLACES[0], passes=2
    )
    small = dataclasses.replace(test, sequence=test.sequence[:4])
    lines = [x for x in piece(machine, test, 0).lines if (x.shape, x.ring, 2) in small.sequence]
    gs.diagnose(gs.Piece(small, tuple(lines), "warm-up"))
    tests = [
        gs.ring_test(shapes=("circle", "square"), spacing=5.0, largest=40.0, centre=place, passes=2)
        for place in PLACES
    ]
    pieces = [piece(machine, each, seed) for seed, each in enumerate(tests)]
    for measured, bar in ((pieces[:1], ONE), (pieces, FOUR)):
        points = sum(len(line.xy) for each in measured for line in each.lines)
        begin = time.perf_counter()
        finding = gs.diagnose(measured)
        seconds = time.perf_counter() - begin
        print(
            f"{len(measured)} piece(s), {points} points: {seconds:.1f} s "
            f"({seconds / bar:.2f} of the bar), {finding!r}",
            flush=True,
        )


if __name__ == "__main__":
    main()
