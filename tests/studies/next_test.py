"""Does the proposed next test settle more than the same test again?

    python tests/studies/next_test.py [cases] [minutes] [number of the first case drawn]

Draws machines with one faint fault and healthy scatter (fixed seed), burns a small centred test,
and keeps the cases that the first piece leaves open.  Then measures each machine once more: with
the proposed burn, held to the cost and the length of line of the repeat, and with the repeat; both
are fused with the first piece.  Prints one row a case and the means with their standard errors.
The pieces are our own model's with white noise: what the model lacks is not in them.
"""

from __future__ import annotations

import math
import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from lifted import lift

import gantrysim as gs
from gantrysim.faults.healthy import HEALTHY_SCATTER
from gantrysim.instruments.burning import PointsOfPiece, burn_tests, burned_length

SEED = 2027
NOISE = 0.012  # mm, of one point
TEST = gs.ring_test(spacing=7.0, largest=21.0, centre=(215.0, 200.0), feed=30.0)
#: A case is open if the best explanation is less probable than this, and the truth alive.
OPEN, ALIVE = 0.8, 0.02
_SLACK_MINUTES = 0.5  # the way from home may be longer elsewhere


def faulty_machine(rng: np.random.Generator) -> tuple[gs.Machine, str]:
    """A machine with healthy scatter and one fault, fainter than usual."""
    machine = gs.Machine()
    for scatter in HEALTHY_SCATTER:
        machine = machine.set_many(scatter.changes(gs.Machine(), float(rng.standard_normal())))
    faults = machine.catalogue().modelled
    kind = faults[int(rng.integers(len(faults)))]
    numbers = [
        (-1.0 if q.ratio else 0.0) + 0.5 * float(rng.standard_normal()) for q in kind.parameters
    ]
    values = [q.value(u) for q, u in zip(kind.parameters, numbers, strict=True)]
    return kind.at(*values).apply(machine), kind.name


def measure(machine: gs.Machine, test: gs.RingTest, rng: np.random.Generator) -> gs.Piece:
    """Burn, lift, turn, shift and measure with white noise."""
    turn = math.radians(float(rng.uniform(-3.0, 3.0)))
    x, y = rng.uniform(-5.0, 5.0, 2)
    return lift(machine, test, turn=turn, shift=(x, y), noise=NOISE, seed=rng)


def entropy(finding: gs.Finding) -> float:
    """Entropy over the explanations, nats."""
    p = np.array([h.probability for h in finding.ranked])
    p = p[p > 0.0]
    return float(-np.sum(p * np.log(p)))


def of_truth(finding: gs.Finding, truth: str) -> float:
    """Probability given to the fault that is there, alone."""
    return sum(h.probability for h in finding.ranked if h.faults == (truth,))


def propose(first: gs.Finding) -> gs.decisions.Proposal:
    """The burn of most gain that costs and burns no more than the repeat."""
    most = PointsOfPiece().cost(TEST) + _SLACK_MINUTES
    near = [
        test
        for test in burn_tests(TEST, first.machine)
        if burned_length(test) <= 1.05 * burned_length(TEST)
    ]
    return gs.next_test(first, candidates=near, minutes=most)[0]


def study(cases: int, seconds: float, first_number: int) -> list[tuple[float, ...]]:
    """Rows of entropy (first, proposed, repeat), probability of the truth, and expected gain."""
    rows: list[tuple[float, ...]] = []
    began, number = time.perf_counter(), first_number - 1
    while len(rows) < cases and time.perf_counter() - began < seconds:
        number += 1
        rng = np.random.default_rng([SEED, number])
        machine, truth = faulty_machine(rng)
        piece = measure(machine, TEST, rng)
        first = gs.diagnose(piece)
        if first.best.probability > OPEN or of_truth(first, truth) < ALIVE:
            continue
        proposal = propose(first)
        assert proposal.test is not None
        found = [first]
        for test in (proposal.test, TEST):
            found.append(gs.diagnose([piece, measure(machine, test, rng)]))
        row = (*map(entropy, found), *(of_truth(f, truth) for f in found), proposal.gain)
        rows.append(row)
        print(
            f"{number:3d} {truth:20s} entropy {row[0]:.2f} -> {row[1]:.2f} | {row[2]:.2f}   "
            f"truth {row[3]:.2f} -> {row[4]:.2f} | {row[5]:.2f}   gain {proposal.gain:.2f}   "
            f"{proposal.words[5:90]}",
            flush=True,
        )
    drawn, took = number - first_number + 1, time.perf_counter() - began
    print(f"\n{len(rows)} open cases of {drawn} drawn, {took:.0f} s")
    return rows


def main() -> int:
    """Print the table and the summary."""
    cases = int(sys.argv[1]) if len(sys.argv) > 1 else 50
    minutes = float(sys.argv[2]) if len(sys.argv) > 2 else 60.0
    first_number = int(sys.argv[3]) if len(sys.argv) > 3 else 1
    rows = np.array(study(cases, 60.0 * minutes, first_number))
    if not len(rows):
        print("no open case was drawn")
        return 1
    names = ("entropy, nats", "probability of the truth")
    for name, part in zip(names, (rows[:, :3], rows[:, 3:6]), strict=True):
        better = part[:, 1] - part[:, 2]
        error = float(np.std(better)) / math.sqrt(len(rows))
        first, proposed, repeat = part.mean(axis=0)
        print(
            f"{name}: first {first:.3f}, with the proposal {proposed:.3f}, with the repeat "
            f"{repeat:.3f}; difference {better.mean():+.3f} +- {error:.3f}"
        )
    log = np.log(np.maximum(rows[:, 3:6], 1e-6)).mean(axis=0)
    print(f"mean log probability of the truth: {log[0]:.3f}, {log[1]:.3f}, {log[2]:.3f}")
    print(f"mean gain expected of the proposal {rows[:, 6].mean():.3f} nats")
    won = int(np.sum(rows[:, 4] > rows[:, 5]))
    print(f"the proposal gives the truth more in {won} of {len(rows)}")
    return 0 if rows[:, 1].mean() < rows[:, 2].mean() else 1


if __name__ == "__main__":
    raise SystemExit(main())
