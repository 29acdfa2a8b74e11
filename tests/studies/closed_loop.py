"""Bring random faulty machines in, round by round, by the advice and by two habits.

    python tests/studies/closed_loop.py [--machines 200] [--seed 7] [--minutes M] [--table FILE]
    python tests/studies/closed_loop.py --healthy 60

One fault a machine, drawn evenly over those that can be adjusted, its size from what is believed
before a burn, redrawn while the first piece keeps the limits (how often is in the table).  Every
way works on the same machines with the same noise.  Two processes; each machine done is a line of
the table, and a second start goes on where the first stopped.  ``--healthy`` shows what pieces of
healthy machines measure: the limits of `workshop.Accepted` come from it.
"""

from __future__ import annotations

import argparse
import csv
import sys
import time
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from multiprocessing import get_context
from pathlib import Path

import numpy as np

HERE = Path(__file__).resolve()
sys.path.insert(0, str(HERE.parents[1]))

from ways import ROUNDS, WAYS, bring_in  # noqa: E402
from workshop import burn_and_measure, draw_case, healthy_machine, look_at  # noqa: E402

COUNTS = (
    "rounds", "minutes", "accepted", "cured", "turns", "innocent", "overshoots", "spoiled", "idle",
)  # fmt: skip
COLUMNS = ("seed", "machine", "fault", "size", "passed_over", "way", *COUNTS, "seconds", "story")


def work_on(number: int, seed: int) -> list[dict[str, object]]:
    """Bring one machine in by every way."""
    case = draw_case(number, seed)
    rows = []
    for name, way in WAYS.items():
        began = time.perf_counter()
        work = bring_in(case, way, seed)
        row: dict[str, object] = {
            "seed": seed, "machine": number, "fault": case.fault, "size": f"{case.size:.4g}",
            "passed_over": case.passed_over, "way": name,
        }  # fmt: skip
        row.update({count: f"{float(getattr(work, count)):g}" for count in COUNTS})
        row["seconds"] = f"{time.perf_counter() - began:.1f}"
        row["story"] = "; ".join(work.story)
        rows.append(row)
    return rows


def read_table(path: Path, seed: int) -> list[dict[str, str]]:
    """Whole machines of this seed that are already in the table."""
    if not path.exists():
        return []
    with path.open(newline="", encoding="utf-8") as file:
        return [row for row in csv.DictReader(file) if row["seed"] == str(seed)]


def study(machines: int, seed: int, minutes: float, path: Path) -> None:
    """Work on the machines that are not yet in the table, two at a time."""
    done = {int(row["machine"]) for row in read_table(path, seed)}
    left = [k for k in range(machines) if k not in done]
    new = not path.exists()
    began = time.monotonic()
    with (
        path.open("a", newline="", encoding="utf-8") as file,
        ProcessPoolExecutor(2, mp_context=get_context("spawn")) as pool,
    ):
        writer = csv.DictWriter(file, COLUMNS, lineterminator="\n")
        if new:
            writer.writeheader()
        running: dict[Future[list[dict[str, object]]], int] = {}
        while left or running:
            while left and len(running) < 2 and time.monotonic() - began < 60.0 * minutes:
                number = left.pop(0)
                running[pool.submit(work_on, number, seed)] = number
            if not running:
                break
            for task in wait(running, return_when=FIRST_COMPLETED).done:
                number = running.pop(task)
                if (error := task.exception()) is not None:
                    print(f"machine {number} failed and is left out: {error!r}", flush=True)
                    continue
                rows = task.result()
                writer.writerows(rows)
                file.flush()
                done.add(number)
                told = ", ".join(
                    f"{r['way']} {r['rounds']}{'' if r['accepted'] == '1' else ' given up'}"
                    for r in rows
                )
                spent = (time.monotonic() - began) / 60.0
                print(f"{len(done)} of {machines}, {spent:.1f} min: {rows[0]['fault']} "
                      f"{rows[0]['size']}: {told}", flush=True)  # fmt: skip


def summary(rows: list[dict[str, str]]) -> None:
    """Print what every way came to, over all machines and by kind of fault."""
    if not rows:
        print("no machine done yet")
        return
    first = [row for row in rows if row["way"] == next(iter(WAYS))]
    over = sum(int(row["passed_over"]) for row in first)
    at_once = [row["fault"] for row in first if row["rounds"] == "0"]
    print(f"\n{len(first)} machines; {over} faults passed over, too small to fail the limits; "
          f"{len(at_once)} let go after their first burn and left out: "
          f"{', '.join(at_once) or 'none'}")  # fmt: skip
    rows = [row for row in rows if row["rounds"] != "0"]
    families = {
        "all": "", "tight": "tight", "loose": "loose", "slack belt": "slack",
        "coupler": "coupler", "out of square": "out_of", "scale": "scale",
    }  # fmt: skip
    print("rounds and minutes: mean / 90 %; given up: never accepted; still: fault there in the "
          "end;\nspoiled: turns that took a healthy place beyond healthy")  # fmt: skip
    for family, begin in families.items():
        mine = [r for r in rows if r["fault"].startswith(begin)]
        if mine:
            print(f"\n{family:13s} machines  rounds    minutes  given up  still  overshoots  "
                  "innocent  spoiled  turns  idle")  # fmt: skip
        for way in WAYS:
            table = [r for r in mine if r["way"] == way]
            if table:
                print(_row(way, {c: np.array([float(r[c]) for r in table]) for c in COUNTS}))
    print(f"\nA machine never accepted counts {ROUNDS} rounds and the minutes of all of them.")


def _row(way: str, column: dict[str, np.ndarray]) -> str:
    rounds, minutes = column["rounds"], column["minutes"]
    counts = [
        (column["accepted"] == 0).sum(), (column["cured"] == 0).sum(),
        *(column[c].sum() for c in ("overshoots", "innocent", "spoiled", "turns", "idle")),
    ]  # fmt: skip
    widths = (9, 7, 12, 10, 9, 7, 6)
    told = "".join(f"{int(n):{width}d}" for n, width in zip(counts, widths, strict=True))
    return (
        f"  {way:12s} {len(rounds):7d}  {rounds.mean():4.1f} / {_most(rounds):1.0f}  "
        f"{minutes.mean():4.0f} / {_most(minutes):3.0f} {told}"
    )


def _most(values: np.ndarray) -> float:
    return float(np.quantile(values, 0.9, method="higher"))


def healthy(count: int, seed: int) -> None:
    """Print what pieces of healthy machines measure."""
    seen = []
    for k in range(count):
        rng = np.random.default_rng([seed, 10**6 + k])
        seen.append(look_at(burn_and_measure(healthy_machine(rng), rng)))
    print(f"{count} healthy machines: median, 95 %, largest")
    for name in seen[0]:
        values = np.array([s[name] for s in seen])
        print(f"  {name:10s} {np.median(values):.3f} {_most(values):.3f} {values.max():.3f}")


def main() -> int:
    """Run the study or show the healthy machines."""
    parser = argparse.ArgumentParser(description="closed loop of burn, diagnosis and adjustment")
    parser.add_argument("--machines", type=int, default=200)
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--minutes", type=float, default=float("inf"))
    parser.add_argument("--table", type=Path, default=Path("closed_loop.csv"))
    parser.add_argument("--healthy", type=int, default=0)
    chosen = parser.parse_args()
    if chosen.healthy:
        healthy(chosen.healthy, chosen.seed)
        return 0
    study(chosen.machines, chosen.seed, chosen.minutes, chosen.table)
    summary(read_table(chosen.table, chosen.seed))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
