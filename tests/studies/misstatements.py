"""Burn tests otherwise than stated, and see whether the slip is recognised.

    python tests/studies/misstatements.py [machine ...]   # every slip on each machine
    python tests/studies/misstatements.py --stated 12     # machines burned as stated: false alarms
    python tests/studies/misstatements.py --practice      # the same of shared practice burns

Prints a row a piece: what was done, the best explanation as stated, what the slips cost in
processor seconds, and under it those that were looked into: gain over the statement and prior log
odds (nats), words, best explanation.  A slip is recognised where the likeliest of them is of its
kind and outweighs its odds; an alarm is a gain of more than 3 nats.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from practice_cases import PRACTICE
from slips import HOW, explained, handed_in, healthy_machine  # beside the tests

import gantrysim as gs
from gantrysim.decisions.misstatements import screened

ALARM = 3.0
MACHINES = {
    "healthy": (),
    "tight_left": (gs.faults.TightWheels("left", 10.0),),
    "slack_right": (gs.faults.SlackBelt("right", 0.5),),
}
#: What was burned instead, by kind of slip.
BURNED = {
    "start": (
        {"start_deg": {"circle": 90.0, "square": 135.0}},
        {"start_deg": {"circle": 180.0, "square": 225.0}},
    ),
    "direction": ({"direction": "cw"},),
    "order": ({"order": "outside_in"},),
    "sizes": ({"spacing": 7.35, "largest": 36.75}, {"spacing": 6.8, "largest": 35.0}),
    "centre": ({"centre": (90.0, 200.0)}, {"centre": (210.0, 140.0)}),
}
#: How the piece was laid down otherwise: a turn, degrees, and whether its points are mirrored.
LAID = {
    "turned": ((90.0, False), (180.0, False), (45.0, False)),
    "mirrored": ((0.0, True), (90.0, True)),
}


def pieces(machine: gs.Machine) -> Iterator[tuple[str, str, gs.Piece]]:
    """Kind of slip, what was done, and the piece as it is handed in."""
    for kind, burned in BURNED.items():
        for how in burned:
            yield kind, str(how), handed_in(machine, gs.ring_test(**{**HOW, **how}))
    for kind, ways in LAID.items():
        for turn, mirrored in ways:
            piece = handed_in(machine, turn_deg=turn + 2.0, mirrored=mirrored)
            yield kind, f"turned {turn:g} degrees{', mirrored' * mirrored}", piece


def row(kind: str, how: str, piece: gs.Piece) -> tuple[bool, bool]:
    """Print one row; whether the slip is recognised, and whether any gains."""
    problem, modes = explained(piece)
    best = max(modes, key=lambda mode: mode.evidence)
    began = time.process_time()
    slips = screened(problem, modes)
    seconds = time.process_time() - began
    first = slips[0] if slips else None
    right = first is not None and first.kind == kind and first.log_gain + first.log_prior > 0.0
    named = " + ".join(fault.name for fault in best.faults) or "healthy"
    print(f"{'right' if right else '-----'} {kind:9s} {how} | {named} | {seconds:.1f} s")
    for slip in slips:
        named = " + ".join(fault.name for fault in slip.faults) or "healthy"
        print(f"      {slip.log_gain:8.1f} {slip.log_prior:5.1f} {slip.words} ({named})")
    sys.stdout.flush()
    return right, any(slip.log_gain > ALARM for slip in slips)


def main() -> int:
    """Print the table that was asked for."""
    chosen = sys.argv[1:]
    rows: Iterator[tuple[str, str, gs.Piece]]
    if "--practice" in chosen:
        folders = sorted(PRACTICE.glob("case-*"))[:16]
        rows = (("", f.name, gs.read_points(f / "points.csv", f / "test.json")) for f in folders)
    elif "--stated" in chosen:
        names = [tuple(MACHINES)[seed % len(MACHINES)] for seed in range(int(chosen[-1]))]
        rows = (
            ("", f"{name}, seed {k}, as stated",
             handed_in(healthy_machine(k).with_faults(*MACHINES[name]), seed=k))
            for k, name in enumerate(names)
        )  # fmt: skip
    else:
        rows = (
            (kind, f"{name}: {how}", piece)
            for name in chosen or MACHINES
            for kind, how, piece in pieces(gs.Machine().with_faults(*MACHINES[name]))
        )
    counts: dict[str, list[tuple[bool, bool]]] = {}
    for kind, how, piece in rows:
        counts.setdefault(kind, []).append(row(kind, how, piece))
    for kind, found in counts.items():
        if kind:
            print(f"{kind}: recognised {sum(right for right, _ in found)} of {len(found)}")
        else:
            print(f"alarms: {sum(alarm for _, alarm in found)} of {len(found)}")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
