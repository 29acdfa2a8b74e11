"""How often findings are right on machines of an independent simulator, world by world.

    python tests/studies/worlds.py [world ...] [--cases N] [--out worlds.jsonl]
    python tests/studies/worlds.py standard --ideal --out ideal.jsonl

Diagnoses every measured case of each world (processes on all cores; what stands in the output
file already is not done again) and prints the table of rates with its counts and the reliability of
what is stated of each adjusting point.  The truth is read only to judge.  Needs the shared worlds
beside the repository; says so and stops where they are absent.

With ``--ideal`` the same faults, on machines drawn from the scatter that the library believes in,
are burned by its own model with what it believes that this lacks, and as many points of as many
lines measured with the same noise and scanner: what is missed then is not for want of physics.
Machines with a flat, which that model cannot burn, are left out.
"""

from __future__ import annotations

import argparse
import itertools
import json
import math
import os
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from scipy.spatial import cKDTree
from scipy.stats import beta, binom

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from lifted import lacked, placed  # beside the tests
from slips import healthy_machine
from workshop import noise_along

import gantrysim as gs
from gantrysim.faults import Fault
from gantrysim.inference.parameters import values_at
from gantrysim.instruments.burnedpiece import outward_normals
from gantrysim.instruments.forward import forward_of
from gantrysim.instruments.residual import match

SHARED = Path(__file__).resolve().parents[3] / "shared"
#: Below this rms distance between the burn and that of the machine without the fault a fault is
#: hard or hopeless to see; above the second it should never be missed, um.
VISIBLE, PLAIN = 10.0, 30.0
#: The cases were labelled by their own simulator; its names for faults that we name otherwise.
NAMES = {"frame_out_of_square": "out_of_square", "coupler_backlash_right": "coupler_backlash"}
#: The machine of the world ``other`` as its owner would describe it.
OTHER: dict[str, float] = {
    "span": 520.0, "travel_y": 420.0, "head.beyond": 30.0, "belt_x_offset": 0.0,
    "beam.mass": 1.8, "beam.inertia": 0.07, "carriage.mass": 0.6,
    "belt_left.ea": 15000.0, "belt_right.ea": 15000.0, "belt_x.ea": 15000.0,
    "belt_left.pretension": 35.0, "belt_right.pretension": 35.0, "belt_x.pretension": 35.0,
    "belt_left.near": 60.0, "belt_right.near": 60.0, "belt_left.loop": 1100.0,
    "belt_right.loop": 1100.0, "belt_x.loop": 1160.0, "shaft.stiffness": 300.0,
    "left.rack_stiffness": 14.0, "right.rack_stiffness": 14.0, "left.friction": 5.0,
    "right.friction": 5.0, "carriage.friction": 3.5, "motor_y.hold_force": 90.0,
    "motor_x.hold_force": 80.0, "contact.viscous": 12.0,
}  # fmt: skip
#: Seed of the machines and the noise of ideal pieces, and what their worlds are called.
IDEAL_SEED, IDEAL = 5, "{}, ideal"
BINS = (0.0, 0.05, 0.2, 0.5, 0.8, 0.95, 1.0001)


def machine_of(world: str) -> gs.Machine:
    """The machine that is handed to the library in a world."""
    return gs.Machine().set_many(OTHER) if world == "other" else gs.Machine()


def points_of(finding: gs.Finding) -> dict[str, dict[str, Any]]:
    """What is stated of each adjusting point: probability and size."""
    found: dict[str, dict[str, Any]] = {}
    for point in finding.points:
        found[point.name] = {"p": point.probability}
        if point.size is not None:
            size = point.size
            found[point.name] |= {"estimate": size.estimate, "low": size.low, "high": size.high}
    return found


def _of_size(kind: Fault, size: float) -> Fault:
    """A fault of a size, the rest of it as usual."""
    usual = np.zeros(len(kind.parameters))
    tried = [values_at(kind.parameters, [z, *usual[1:]]) for z in np.arange(-4.0, 4.0, 0.005)]
    return kind.at(*min(tried, key=lambda values: abs(kind.magnitude(*values) - size)))


def ideal(piece: gs.Piece, world: str, truth: dict[str, Any]) -> gs.Piece:
    """The piece of a case if the model of the library were its machine; the seed is the case."""
    rng = np.random.default_rng([IDEAL_SEED, truth["case"]])
    nominal = machine_of(world)
    catalogue, machine = nominal.catalogue(), healthy_machine(rng, nominal)
    for fault in truth["faults"]:
        kind = catalogue.of_name(NAMES.get(fault["kind"], fault["kind"]))[0]
        machine = _of_size(kind, fault["magnitude"]).apply(machine)
    burn = gs.simulate(machine, piece.test, step=0.25, feed_forces=True)
    read = truth["measurement"]
    scanner = np.array([[read["scale_x"], read["skew"]], [0.0, read["scale_y"]]])
    turn, origin = math.radians(read["rotation_deg"]), read["origin_mm"]
    forward, lies = forward_of(piece.test, nominal), np.zeros(6)
    lines = []
    for line in piece.lines:
        there = np.linalg.solve(scanner, (line.xy - read["shift_mm"]).T).T
        there = placed(there, turn=-turn, about=(0.0, 0.0), shift=origin)
        lines.append(replace(line, xy=_burned(burn, line, there) - forward.pivot))
    drawn = match(gs.Piece(piece.test, tuple(lines), "drawn"), forward, lies)
    normal = outward_normals(drawn, drawn.about(lies))
    places = drawn.points + forward.pivot
    places += lacked(machine, nominal, drawn, lies, rng)[:, None] * normal
    made = []
    for k, line in enumerate(lines):
        xy = places[drawn.group == k]
        if len(xy) < 2:  # all of it lies where points are left out anyhow
            continue
        xy = xy + noise_along(
            xy, rng, white=read["white_noise_mm"], grain=read["grain_noise_mm"],
            grain_length=read["grain_corr_mm"], outliers=read["outlier_share"],
        )  # fmt: skip
        xy = placed(xy, turn=turn, about=origin, shift=(0.0, 0.0)) @ scanner.T + read["shift_mm"]
        made.append(replace(line, xy=xy))
    return gs.Piece(piece.test, tuple(made), "ideal")


def _burned(burn: gs.Burn, line: gs.pattern.Line, there: np.ndarray) -> np.ndarray:
    """Where the points of a measured line, mm, were burned; of passes not told apart the middle."""
    own = [x.xy for x in burn.lines if (x.shape, x.ring) == (line.shape, line.ring)
           and line.pass_index in (-1, x.pass_index)]  # fmt: skip
    return np.asarray(np.mean([xy[cKDTree(xy).query(there)[1]] for xy in own], axis=0))


def judge(folder: Path, world: str, *, as_modelled: bool = False) -> dict[str, Any]:
    """Diagnose one case and put what is needed for every rate into one row."""
    truth = json.loads((folder / "truth.json").read_text())
    test = gs.read_test(folder / "test.json")
    piece = gs.read_points(folder / "points.csv", test)
    if as_modelled:
        piece = ideal(piece, world, truth)
    began = time.perf_counter()
    finding = gs.diagnose(piece, machine_of(world))
    seconds = time.perf_counter() - began
    return {
        "world": IDEAL.format(world) if as_modelled else world,
        "case": folder.name,
        "real": {NAMES.get(f["kind"], f["kind"]): f["magnitude"] for f in truth["faults"]},
        "seen": {NAMES.get(k, k): v["rms_um"] for k, v in truth["visible"].items()},
        "best": sorted(finding.best.faults),
        "best_p": finding.best.probability,
        "group": [sorted(f) for f in finding.group],
        "certain": finding.certain,
        "ranked": [[sorted(h.faults), h.probability, h.log_evidence] for h in finding.ranked[:8]],
        "points": points_of(finding),
        "slips": [[slip.kind, chance] for slip, chance in finding.slips],
        "n": piece.n_points,
        "seconds": seconds,
    }


def _one(task: tuple[str, str, bool]) -> dict[str, Any]:
    folder, world, as_modelled = task
    return judge(Path(folder), world, as_modelled=as_modelled)


def _burnable(folder: Path) -> bool:
    """Whether the model of the library can burn what is wrong in a case."""
    sought = {fault.name for fault in gs.Machine().catalogue().sought}
    faults = json.loads((folder / "truth.json").read_text())["faults"]
    return not any(fault["kind"] in sought for fault in faults)


def rates(rows: list[dict[str, Any]]) -> dict[str, tuple[float, float]]:
    """Every rate as (count, of how many)."""
    singles = [r for r in rows if len(r["real"]) == 1 and min(r["seen"].values()) >= VISIBLE]
    healthy = [r for r in rows if not r["real"]]
    pairs = [r for r in rows if len(r["real"]) == 2 and min(r["seen"].values()) >= VISIBLE]
    stated = [
        (p["p"], name in r["real"], r["seen"].get(name, 0.0))
        for r in rows
        for name, p in r["points"].items()
        if name not in ("unlisted", "lost_steps")
    ]
    sure = [real for p, real, _ in stated if p >= 0.95]
    half = [(p, real) for p, real, _ in stated if 0.5 <= p < 0.95]
    plain = [
        r["points"].get(name, {"p": 0.0})["p"]
        for r in rows
        for name, seen in r["seen"].items()
        if seen >= PLAIN
    ]
    held = [
        r["points"][name]["low"] <= size <= r["points"][name]["high"]
        for r in rows
        for name, size in r["real"].items()
        if r["points"].get(name, {"p": 0.0})["p"] >= 0.5 and "low" in r["points"][name]
    ]
    exact = [r["best"] == sorted(r["real"]) for r in singles]
    grouped = [sorted(r["real"]) in r["group"] for r in singles]
    both = [all(r["points"].get(n, {"p": 0.0})["p"] >= 0.5 for n in r["real"]) for r in pairs]
    blamed = [
        any(p["p"] >= 0.5 for n, p in r["points"].items() if n not in ("unlisted", "lost_steps"))
        for r in healthy
    ]
    return {
        "visible singles exactly": (sum(exact), len(exact)),
        "in the group": (sum(grouped), len(grouped)),
        "healthy blamed (a point >= .5)": (sum(blamed), len(blamed)),
        "95 % intervals hold": (sum(held), len(held)),
        "points >= .95 at fault": (sum(sure), len(sure)),
        "points .5-.95 at fault": (sum(real for _, real in half), len(half)),
        "  expected of these": (sum(p for p, _ in half), len(half)),
        "visible >= 30 um, stated < .05": (sum(p < 0.05 for p in plain), len(plain)),
        "visible pairs, both >= .5": (sum(both), len(both)),
        "unlisted or lost >= .5": (
            sum(r["best"] in (["unlisted"], ["lost_steps"]) for r in rows), len(rows)),
    }  # fmt: skip


def table(rows: list[dict[str, Any]]) -> str:
    """The rates of every world as text."""
    worlds = list(dict.fromkeys(r["world"] for r in rows))
    each = {w: rates([r for r in rows if r["world"] == w]) for w in worlds}
    names = list(next(iter(each.values())))
    lines = [f"{'':32s}" + "".join(f"{w:>16s}" for w in worlds)]
    for name in names:
        cells = [
            f"{a:g}/{n:g} = {a / n:.2f}" if n else "-" for a, n in (each[w][name] for w in worlds)
        ]
        lines.append(f"{name:32s}" + "".join(f"{cell:>16s}" for cell in cells))
    groups = {
        w: np.mean([len(r["group"]) for r in rows if r["world"] == w and len(r["real"]) == 1])
        for w in worlds
    }
    seconds = {w: np.median([r["seconds"] for r in rows if r["world"] == w]) for w in worlds}
    lines.append(f"{'mean group':32s}" + "".join(f"{groups[w]:16.2f}" for w in worlds))
    lines.append(f"{'median seconds':32s}" + "".join(f"{seconds[w]:16.1f}" for w in worlds))
    return "\n".join(lines)


def reliability(rows: list[dict[str, Any]]) -> str:
    """Stated probability of adjusting points against how often they were at fault."""
    stated = np.array([
        (p["p"], name in r["real"])
        for r in rows
        for name, p in r["points"].items()
        if name not in ("unlisted", "lost_steps")
    ])  # fmt: skip
    lines = ["stated            n   expected   at fault   99 % band"]
    for low, high in itertools.pairwise(BINS):
        on = stated[(stated[:, 0] >= low) & (stated[:, 0] < high)]
        if len(on):
            expected = on[:, 0].sum()
            band = binom.interval(0.99, len(on), min(max(expected / len(on), 1e-9), 1 - 1e-9))
            lines.append(
                f"{low:.2f} .. {min(high, 1.0):.2f} {len(on):6d} {expected:10.1f} "
                f"{on[:, 1].sum():10.0f}   {band[0]:.0f} .. {band[1]:.0f}"
            )
    return "\n".join(lines)


def draw(rows: list[dict[str, Any]], path: Path) -> None:
    """Draw the reliability diagram: at fault against stated, with 95 % bands and counts."""
    import matplotlib.pyplot as plt

    stated = np.array([
        (p["p"], name in r["real"])
        for r in rows
        for name, p in r["points"].items()
        if name not in ("unlisted", "lost_steps")
    ])  # fmt: skip
    figure, ax = plt.subplots(figsize=(5.2, 4.6), layout="constrained")
    ax.plot((0, 1), (0, 1), color="0.6", lw=1.0, label="as stated")
    for low, high in itertools.pairwise(BINS):
        on = stated[(stated[:, 0] >= low) & (stated[:, 0] < high)]
        if not len(on):
            continue
        k, n = int(on[:, 1].sum()), len(on)
        rate = beta.ppf((0.025, 0.975), (k + 0.5, k + 0.5), (n - k + 0.5, n - k + 0.5))
        x = on[:, 0].mean()
        ax.errorbar(x, k / n, [[max(k / n - rate[0], 0)], [max(rate[1] - k / n, 0)]],
                    fmt="o", color="#0072B2", capsize=3)  # fmt: skip
        ax.annotate(f"{k} of {n}", (x, k / n), xytext=(8, -12), textcoords="offset points")
    worlds = list(dict.fromkeys(r["world"] for r in rows))
    ax.set(
        xlabel="stated probability that an adjusting point is at fault",
        ylabel="part that is at fault",
        title=f"{len(rows)} machines of an independent simulator\n({', '.join(worlds)})",
        xlim=(-0.02, 1.28),
        ylim=(-0.05, 1.05),
    )
    ax.title.set_fontsize(9)
    figure.savefig(path, dpi=110)
    print(f"written {path}")


def main() -> int:
    """Run what is asked and print the tables."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("worlds", nargs="*", help="names of worlds; all and practice if absent")
    parser.add_argument("--cases", type=int, default=1000, help="at most so many of each world")
    parser.add_argument("--out", type=Path, default=Path("worlds.jsonl"))
    parser.add_argument("--picture", type=Path, help="draw the reliability diagram to this file")
    parser.add_argument("--ideal", action="store_true", help="burned by the library's own model")
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1)
    given = parser.parse_args()
    homes = {p.name: p for p in sorted((SHARED / "worlds").glob("*")) if p.is_dir()}
    homes["practice"] = SHARED / "practice"
    if not homes["practice"].exists():
        print(f"no measured worlds at {SHARED}: nothing to study")
        return 0
    chosen = given.worlds or list(homes)
    rows: list[dict[str, Any]] = []
    if given.out.exists():
        rows = [json.loads(line) for line in given.out.read_text().splitlines()]
    done = {(r["world"], r["case"]) for r in rows}
    named = {w: IDEAL.format(w) if given.ideal else w for w in chosen}
    tasks = [
        (str(folder), world, given.ideal)
        for world in chosen
        for folder in sorted(homes[world].glob("case-*"))[: given.cases]
        if (named[world], folder.name) not in done and not (given.ideal and not _burnable(folder))
    ]
    os.environ["OMP_NUM_THREADS"] = "1"
    with ProcessPoolExecutor(given.jobs) as pool, given.out.open("a") as file:
        for row in pool.map(_one, tasks):
            rows.append(row)
            file.write(json.dumps(row) + "\n")
            file.flush()
            print(f"\r{len(rows)} cases", end="", flush=True)
    rows = [r for r in rows if r["world"] in named.values()]
    print(f"\n{table(rows)}\n\n{reliability(rows)}")
    if given.picture is not None:
        draw(rows, given.picture)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
