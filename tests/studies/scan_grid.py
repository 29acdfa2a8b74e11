"""Read a seeded grid of simulated scans and hold every point against the true lines.

    python tests/studies/scan_grid.py [--dpi 150 300 600 1200] [--seeds 1] [--say]

Circles alone, squares alone, both about one centre and side by side; upright to a few degrees and
turned by a quarter; on clean wood, in noise, on grey wood with grain, under light that falls off,
with edges of the piece in view, and all of it at once.  Machines are healthy or have a fault.
"""

from __future__ import annotations

import argparse
import itertools
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from scannedburns import Glass, off_truth, save_scan, scanned

import gantrysim as gs

LAYOUTS = {
    "circles": (["circle"], "concentric"),
    "squares": (["square"], "concentric"),
    "both": (["circle", "square"], "concentric"),
    "beside": (["circle", "square"], "side_by_side"),
}
LOOKS = {
    "clean": {},
    "noise": {"noise": 6.0},
    "grey": {"ground": 130.0, "grain": 8.0, "noise": 2.5},
    "light": {"light": 90.0, "noise": 2.0},
    "edge": {"lid": 245.0, "noise": 2.0},
    "dark lid": {"lid": 25.0, "noise": 2.0},
    "all": {"ground": 160.0, "grain": 8.0, "noise": 4.0, "light": 50.0, "lid": 235.0},
}
FAULTS = (
    lambda rng: (),
    lambda rng: (gs.faults.TightWheels("left", extra_force=rng.uniform(4.0, 15.0)),),
    lambda rng: (gs.faults.OutOfSquare(rng.uniform(1.0, 4.0)),),
    lambda rng: (gs.faults.ScaleError("x", rng.uniform(0.002, 0.006)),),
    lambda rng: (gs.faults.PulleyRunout("left", rng.uniform(0.05, 0.15), 1.0),),
)
LARGEST = {150.0: 40.0, 300.0: 30.0, 600.0: 20.0, 1200.0: 12.0}  # mm: pictures of alike size


@dataclass(frozen=True)
class Read:
    """What became of one scan.

    Parameters
    ----------
    off, u : ndarray, shape (n,)
        Distance of every point from the true line of its ring and what it states, mm; empty if
        the scan was refused.
    said : str
        Why it was refused, or what of it was wrong; empty if all is well.
    seconds : float
        Of reading.
    """

    off: np.ndarray
    u: np.ndarray
    said: str
    seconds: float


def read(layout: str, turned: str, look: str, dpi: float, seed: int, folder: Path) -> Read:
    """Make, scan and read one piece."""
    place = (list(LAYOUTS).index(layout), turned == "quarter", list(LOOKS).index(look), int(dpi))
    rng = np.random.default_rng([12, seed, *place])
    shapes, how = LAYOUTS[layout]
    marked = bool(rng.random() < 0.5)
    test = gs.ring_test(
        shapes,
        layout=how,
        spacing=float(rng.choice([2.5, 3.0, 4.0, 5.0])),
        largest=LARGEST[dpi] * (0.6 if layout == "beside" else 1.0),
        orientation_mark=marked,
    )
    machine = gs.Machine().with_faults(*FAULTS[rng.integers(len(FAULTS))](rng))
    turn = float(rng.uniform(-5.0, 5.0)) + (90.0 if turned == "quarter" else 0.0)
    scan = scanned(machine, test, Glass(dpi, turn, **LOOKS[look]), seed=int(rng.integers(1000)))
    path = save_scan(scan, folder, dpi)
    began = time.perf_counter()
    try:
        piece = gs.read_scan(path, test)
    except ValueError as error:
        return Read(np.empty(0), np.empty(0), str(error), time.perf_counter() - began)
    seconds = time.perf_counter() - began
    said = []
    if piece.missing:
        said.append(f"missing {piece.missing}")
    apart = (piece.record.turn_deg - turn + 180.0) % 360.0 - 180.0
    if piece.quarter_known and abs(apart) > 1.5:
        said.append(f"WRONG TURN {piece.record.turn_deg:.1f} for {turn:.1f}")
    if marked and not piece.quarter_known:
        said.append("mark not told")
    said += [note for note in piece.notes if "size" in note]
    off = off_truth(piece, scan)
    return Read(off, np.concatenate(piece.uncertainty), "; ".join(said), seconds)


def main() -> None:
    """Print how many were read, and how far their points lie from the truth."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--dpi", type=float, nargs="+", default=list(LARGEST))
    parser.add_argument("--layouts", nargs="+", choices=LAYOUTS, default=list(LAYOUTS))
    parser.add_argument("--seeds", type=int, default=1)
    options = parser.parse_args()
    print("  dpi  layout   read   um: rms  99 %  most  > 0.2 mm  68 % of off / u  s a scan")
    with tempfile.TemporaryDirectory() as folder:
        for dpi, layout in itertools.product(options.dpi, options.layouts):
            done = []
            for turned, look in itertools.product(("upright", "quarter"), LOOKS):
                for seed in range(options.seeds):
                    done.append(read(layout, turned, look, dpi, seed, Path(folder)))
                    if done[-1].said:
                        print(f"       {layout} {turned} {look}: {done[-1].said}")
            off = 1e3 * np.abs(np.concatenate([each.off for each in done]))
            u = 1e3 * np.concatenate([each.u for each in done])
            print(
                f"{dpi:5.0f}  {layout:7s} {sum(len(x.off) > 0 for x in done):3d}/{len(done):2d}"
                f" {np.sqrt(np.mean(off**2)):9.1f} {np.quantile(off, 0.99):5.1f} {off.max():5.0f}"
                f" {(off > 200.0).sum():4d}/{len(off):6d} {np.quantile(off / u, 0.68):12.2f}"
                f" {np.median([each.seconds for each in done]):13.2f}",
                flush=True,
            )


if __name__ == "__main__":
    main()
