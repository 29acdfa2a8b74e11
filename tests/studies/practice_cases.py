"""Diagnose every measured practice burn and hold the findings against the known truth.

    python tests/studies/practice_cases.py [case ...]

Prints one row a case (truth, finding, probability, magnitude with 95 % interval, what it cannot
be told from) and a summary.  The truth is read only to judge.  Needs the shared practice burns
beside the repository; says so and stops where they are absent.
"""

from __future__ import annotations

import json
import sys
import time
from pathlib import Path

import gantrysim as gs

PRACTICE = Path(__file__).resolve().parents[3] / "shared" / "practice"
#: Below this rms distance between the burn and that of the healthy machine, mm, a fault is
#: hard or hopeless to see.
VISIBLE = 10.0e-3
#: The burns were labelled by their own simulator; its names for faults that we name otherwise.
NAMES = {"frame_out_of_square": "out_of_square", "coupler_backlash_right": "coupler_backlash"}


def judge(folder: Path) -> dict[str, object]:
    """Diagnose one case and compare it with its truth."""
    truth = json.loads((folder / "truth.json").read_text())
    test = gs.read_test(folder / "test.json")
    began = time.perf_counter()
    finding = gs.diagnose(gs.read_points(folder / "points.csv", test))
    seconds = time.perf_counter() - began
    real = {NAMES.get(f["kind"], f["kind"]): f["magnitude"] for f in truth["faults"]}
    seen = {NAMES.get(k, k): v["rms_um"] * 1e-3 for k, v in truth["visible"].items()}
    faults = tuple(sorted(real))
    best = finding.best
    covered = {
        name: m.low <= real[name] <= m.high for name, m in best.magnitudes.items() if name in real
    }
    return {
        "case": folder.name[-3:],
        "truth": ", ".join(f"{k} {v:.3g} ({seen[k] * 1e3:.0f} um)" for k, v in real.items())
        or "healthy",
        "finding": best,
        "exact": tuple(sorted(best.faults)) == faults,
        "grouped": faults in [tuple(sorted(f)) for f in finding.group],
        "partly": bool(set(best.faults) & set(faults)) if faults else False,
        "healthy": not faults,
        "single": len(faults) == 1,
        "visible": any(v >= VISIBLE for v in seen.values()),
        "size": len(finding.group),
        "confident": finding.certain,
        "covered": covered,
        "seconds": seconds,
        "rank": finding,
    }


def main() -> int:
    """Print the table and the summary."""
    if not PRACTICE.exists():
        print(f"no practice burns at {PRACTICE}: nothing to study")
        return 0
    chosen = [f"{int(a):03d}" for a in sys.argv[1:]]
    folders = [f for f in sorted(PRACTICE.glob("case-*")) if not chosen or f.name[-3:] in chosen]
    rows = []
    for folder in folders:
        row = judge(folder)
        rows.append(row)
        mark = "exact" if row["exact"] else "group" if row["grouped"] else "WRONG"
        finding = row["rank"]
        others = ", ".join(" + ".join(f) or "healthy" for f in finding.best.indistinguishable_from)
        print(
            f"{row['case']} {mark:5s} truth {row['truth']} | found {row['finding']!r}"
            f"{' | or ' + others if others else ''} | {row['seconds']:.1f} s",
            flush=True,
        )
    single = [r for r in rows if r["single"] and r["visible"]]
    healthy = [r for r in rows if r["healthy"]]
    covered = [c for r in rows for c in r["covered"].values()]
    print(f"\nvisible single faults: {len(single)}")
    if single:
        print(f"  exactly right {sum(r['exact'] for r in single)}")
        print(f"  right or in the group {sum(r['grouped'] for r in single)}")
        print(f"  mean group size {sum(r['size'] for r in single) / len(single):.2f}")
    blamed = sum(bool(r["finding"].faults) and r["confident"] for r in healthy)
    print(f"healthy: {len(healthy)}, confidently blamed {blamed}, ", end="")
    print(f"healthy in the group {sum(r['grouped'] for r in healthy)}")
    wrong = [r["case"] for r in rows if r["confident"] and not r["exact"]]
    print(f"confident and not exactly right: {', '.join(wrong) or 'none'}")
    if covered:
        print(f"magnitudes of rightly named faults inside 95 %: {sum(covered)} of {len(covered)}")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
