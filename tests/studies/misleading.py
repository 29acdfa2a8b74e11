"""Pieces that mislead: measured, laid down or stated wrongly.  No innocent part may be blamed.

    python tests/studies/misleading.py [case ...] [--out misleading.jsonl]

Each shared practice case is handed in in some twenty-five wrong ways, diagnosed and advised on
(processes on all cores; what stands in the output file already is not done again).  Printed for
each way: how many were refused, how many named a part that is not at fault above one half and .8,
how many were certain of one, and how often the advice was to turn one at once.  Seeds are fixed.
Needs the shared practice burns beside the repository; says so and stops where they are absent.
"""

from __future__ import annotations

import argparse
import dataclasses
import json
import math
import os
import sys
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import numpy as np
from practice_cases import NAMES, PRACTICE

import gantrysim as gs
from gantrysim.decisions.adjustment import DO

#: Cases of few lines, healthy and of every common fault.
CASES = (2, 3, 4, 6, 12, 15, 19, 23, 25)
ANOTHER = 28  # the case whose piece, sheet and readings are mixed in
Made = Callable[[gs.Piece], Any]


def _points(change: Callable[[np.ndarray], np.ndarray]) -> Made:
    """Every point moved."""

    def made(piece: gs.Piece) -> gs.Piece:
        lines = tuple(dataclasses.replace(x, xy=change(x.xy)) for x in piece.lines)
        return dataclasses.replace(piece, lines=lines)

    return made


def _linear(table: Any) -> Made:
    return _points(lambda xy: xy @ np.asarray(table, dtype=float).T)


def _turned(degrees: float, *, mirrored: bool = False) -> Made:
    c, s = math.cos(math.radians(degrees)), math.sin(math.radians(degrees))
    return _linear(np.array([[c, -s], [s, c]]) @ np.diag([-1.0 if mirrored else 1.0, 1.0]))


def _stated(change: Callable[[gs.RingTest], gs.RingTest]) -> Made:
    """Points kept, another test stated, whose sizes the lines are given by their ring."""

    def made(piece: gs.Piece) -> gs.Piece:
        test = change(piece.test)
        lines = tuple(
            dataclasses.replace(x, size=test.nest(x.shape).sizes[x.ring]) for x in piece.lines
        )
        return dataclasses.replace(piece, test=test, lines=lines)

    return made


def _nests(**changes: Any) -> Made:
    def each(nest: gs.pattern.Nest) -> gs.pattern.Nest:
        new = {k: v(getattr(nest, k)) if callable(v) else v for k, v in changes.items()}
        return dataclasses.replace(nest, **new)

    return _stated(lambda t: dataclasses.replace(t, nests=tuple(map(each, t.nests))))


def _grain(size: float, length: float) -> Made:
    """Noise that is smooth along the line."""

    def made(piece: gs.Piece) -> gs.Piece:
        rng, lines = np.random.default_rng(7), []
        for line in piece.lines:
            middle = line.xy.mean(axis=0)
            away = np.linalg.norm(line.xy - middle, axis=1)[:, None]
            out = (line.xy - middle) / np.where(away > 0.0, away, 1.0)  # one point has no outside
            step = np.linalg.norm(np.diff(line.xy, axis=0, prepend=line.xy[:1]), axis=1)
            along = np.cumsum(np.minimum(step, 5.0))
            error = np.empty(len(along))
            for k, fresh in enumerate(rng.standard_normal(len(along))):
                keep = math.exp(-(along[k] - along[k - 1]) / length) if k else 0.0
                error[k] = (keep * error[k - 1] if k else 0.0) + math.sqrt(1.0 - keep**2) * fresh
            lines.append(dataclasses.replace(line, xy=line.xy + size * error[:, None] * out))
        return dataclasses.replace(piece, lines=tuple(lines))

    return made


def _ring_moved(piece: gs.Piece) -> gs.Piece:
    """One ring in the middle of the figure read a third of a millimetre aside."""
    at = len(piece.lines) // 2
    lines = list(piece.lines)
    lines[at] = dataclasses.replace(lines[at], xy=lines[at].xy + np.array((0.3, 0.0)))
    return dataclasses.replace(piece, lines=tuple(lines))


def _case(number: int) -> gs.Piece:
    folder = PRACTICE / f"case-{number:03d}"
    return gs.read_points(folder / "points.csv", folder / "test.json")


def _twice(piece: gs.Piece) -> Any:
    """The same piece as if there were two."""
    again = _points(lambda xy: xy + 1e-3 * np.random.default_rng(3).standard_normal(xy.shape))
    return (piece, dataclasses.replace(again(piece), source="again"))


def _tones(factor: float, which: Callable[[Any], bool]) -> Made:
    """Tones of a healthy machine beside the piece, some of them misread."""

    def made(piece: gs.Piece) -> Any:
        healthy = gs.Machine()
        sheets = gs.instruments.BeltTones().sheets(healthy, None)
        read = [r for s in sheets for r in s.expected(healthy).readings]
        read = [dataclasses.replace(r, tone=r.tone * factor) if which(r) else r for r in read]
        return (piece, gs.instruments.ToneSheet(tuple(read), "tones"))

    return made


def _forces(factor: float) -> Made:
    """Pushes on a healthy machine beside the piece, their forces in another unit."""

    def made(piece: gs.Piece) -> Any:
        healthy = gs.Machine()
        sheets = list(gs.instruments.PushByHand().sheets(healthy, None))[:2]
        read = [r for s in sheets for r in s.expected(healthy).readings]
        read = [
            dataclasses.replace(r, value=r.value * factor) if r.unit == "N" else r for r in read
        ]
        return (piece, gs.instruments.PushSheet(tuple(read), "pushes"))

    return made


def _calipers_of_another(piece: gs.Piece) -> Any:
    folder = PRACTICE / f"case-{ANOTHER:03d}"
    return (piece, gs.read_calipers(folder / "calipers.csv", folder / "test.json"))


#: Ways to mislead, by name.  Readings by hand are of a healthy machine: with cases of a fault they
#: contradict the piece, too.
WAYS: dict[str, Made] = {
    "as it is": lambda piece: piece,
    "points 2 % too large": _linear(1.02 * np.eye(2)),
    "points 1 % too large": _linear(1.01 * np.eye(2)),
    "points 1 % too small": _linear(0.99 * np.eye(2)),
    "a scan said to be 606 dpi for 600": _linear(600.0 / 606.0 * np.eye(2)),
    "wood shrank .3 % in x": _linear(np.diag([0.997, 1.0])),
    "wood shrank .3 % in y": _linear(np.diag([1.0, 0.997])),
    "spacing stated 5 % larger": _nests(sizes=lambda s: tuple(1.05 * x for x in s)),
    "turned by 180": _turned(180.0),
    "turned by 90": _turned(90.0),
    "turned by 45": _turned(45.0),
    "mirrored": _turned(0.0, mirrored=True),
    "mirrored and turned by 90": _turned(90.0, mirrored=True),
    "start stated 90 off": _nests(start_deg=lambda a: (a + 90.0) % 360.0),
    "direction stated wrong": _nests(direction=lambda d: "cw" if d == "ccw" else "ccw"),
    "order stated wrong": _stated(lambda t: dataclasses.replace(t, sequence=t.sequence[::-1])),
    "centre stated 60 mm off": _nests(centre=lambda c: (c[0] + (60 if c[0] < 215 else -60), c[1])),
    "grain of 40 um over 6 mm": _grain(0.040, 6.0),
    "grain of 30 um over 15 mm": _grain(0.030, 15.0),
    "one ring moved": _ring_moved,
    "two pieces of different machines": lambda piece: (piece, _case(ANOTHER)),
    "the same piece twice": _twice,
    "left tones doubled": _tones(2.0, lambda r: r.belt == "left"),
    "left tones halved": _tones(0.5, lambda r: r.belt == "left"),
    "pushes in kgf": _forces(1.0 / 9.80665),
    "calipers of another piece": _calipers_of_another,
}


def judge(case: int, way: str) -> dict[str, Any]:
    """Diagnose one case handed in one way."""
    truth = json.loads((PRACTICE / f"case-{case:03d}" / "truth.json").read_text())
    real = {NAMES.get(f["kind"], f["kind"]) for f in truth["faults"]}
    row: dict[str, Any] = {"case": case, "way": way, "real": sorted(real)}
    try:
        finding = gs.diagnose(WAYS[way](_case(case)))
    except ValueError as refused:
        return row | {"refused": str(refused)}
    advice = finding.adjustments(draws=60)
    modelled = set(finding.machine.catalogue().names)
    blamed = {p.name: p.probability for p in finding.points if p.name in modelled - real}
    return row | {
        "best": list(finding.best.faults),
        "probability": finding.best.probability,
        "certain": finding.certain,
        "blamed": {name: p for name, p in blamed.items() if p >= 0.2},
        "certain of": sorted((set(finding.best.faults) & modelled) - real) * finding.certain,
        "do now": [a.fault for a in advice.adjustments if a.action == DO and a.fault not in real],
        "slips": [[slip.kind, chance] for slip, chance in finding.slips],
        "doubts": list(finding.doubts),
    }


def table(rows: list[dict[str, Any]]) -> str:
    """Counts by way."""
    lines = [f"{'':34s}  n  refused  >= .5  >= .8  certain  do now"]
    for way in (*WAYS, "all"):
        here = [r for r in rows if way in (r["way"], "all")]
        told = [max(r.get("blamed", {}).values(), default=0.0) for r in here]
        counts = (
            sum("refused" in r for r in here), sum(p >= 0.5 for p in told),
            sum(p >= 0.8 for p in told), sum(bool(r.get("certain of")) for r in here),
            sum(bool(r.get("do now")) for r in here),
        )  # fmt: skip
        lines.append(f"{way:34s} {len(here):2d} " + " ".join(f"{k:7d}" for k in counts))
    return "\n".join(lines)


def _one(task: tuple[int, str]) -> dict[str, Any]:
    return judge(*task)


def main() -> int:
    """Judge every case in every way and print the table."""
    if not PRACTICE.exists():
        print(f"skipped: {PRACTICE} is not here")
        return 0
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("cases", nargs="*", type=int, default=list(CASES))
    parser.add_argument("--out", type=Path, default=Path("misleading.jsonl"))
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1)
    chosen = parser.parse_args()
    rows = []
    if chosen.out.exists():
        rows = [json.loads(line) for line in chosen.out.read_text().splitlines()]
    done = {(r["case"], r["way"]) for r in rows}
    tasks = [(c, way) for way in WAYS for c in chosen.cases if (c, way) not in done]
    with ProcessPoolExecutor(chosen.jobs) as pool, chosen.out.open("a") as out:
        for row in pool.map(_one, tasks):
            rows.append(row)
            print(json.dumps(row), file=out, flush=True)
            print(row["case"], row["way"], row.get("blamed", "refused"), flush=True)
    print(table(rows))
    for row in rows:
        if row.get("certain of") or row.get("do now"):
            print(row)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
