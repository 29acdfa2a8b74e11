"""Hold sizes read from drawn scans of a part, and what is stated of them, against the truth.

    python tests/studies/part_scans.py [--scans 10] [--seed 5]

Each scan is drawn at a random turn, place and resolution, once as a cut piece with or without
charred edges and once as the lines of a plate (`tests/drawnparts.py`, `tests/drawnscans.py`).  The
scanner is exact, so that what it leaves unknown is not tried here.
"""

from __future__ import annotations

import argparse
import dataclasses
import sys
import tempfile
from collections import defaultdict
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from drawnparts import silhouette
from drawnscans import save, scan_of
from test_part_scan import CUT, DRAWING, SHEET, expected, outlines

from gantrysim.part import read_part_scan

DPI = (150.0, 200.0, 300.0)


def pulls(shown: str, rng: np.random.Generator, path: Path) -> list[tuple[float, float, float]]:
    """Resolution, error (mm) and error over its standard uncertainty of each size of one scan."""
    dpi, turn = float(rng.choice(DPI)), float(rng.uniform(-180.0, 180.0))
    x, y = (24.0 + rng.uniform(-0.5, 0.5, 2)).tolist()
    sheet = dataclasses.replace(SHEET, dpi=dpi, turn_deg=turn, centre=(x, y))
    seed = int(rng.integers(1000))
    if shown == "pieces":
        grey = silhouette([outlines(CUT)], sheet, char=float(rng.choice([0.0, 60.0])), seed=seed)
    else:
        sheet = dataclasses.replace(sheet, width=CUT, ground=190.0, ink=60.0)
        grey = scan_of(outlines(0.0), sheet, seed=seed)
    save(grey, path, dpi)
    found = read_part_scan(path, DRAWING, shown)
    out = []
    for reading in found.readings:
        if reading.name == "H1" or DRAWING[reading.name].unit != "mm":
            continue
        wider = found.line_width - CUT if found.cut is not None else 0.0
        off = reading.value - expected(reading.name) - DRAWING[reading.name].kerf * wider
        out.append((dpi, off, off / reading.uncertainty))
    return out


def main() -> None:
    """Read the scans and print errors by resolution and how many were within what is stated."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--scans", type=int, default=10)
    parser.add_argument("--seed", type=int, default=5)
    options = parser.parse_args()
    rng = np.random.default_rng(options.seed)
    with tempfile.TemporaryDirectory() as folder:
        for shown in ("pieces", "lines"):
            rows = [
                row
                for _ in range(options.scans)
                for row in pulls(shown, rng, Path(folder) / "part.png")
            ]
            off: dict[float, list[float]] = defaultdict(list)
            for dpi, error, _ in rows:
                off[dpi].append(1e3 * error)
            within = sum(abs(pull) < 2.0 for *_, pull in rows)
            rms = ", ".join(
                f"{np.sqrt(np.mean(np.square(own))):.1f} um at {dpi:g} dpi"
                for dpi, own in sorted(off.items())
            )
            print(f"{shown}: {within} of {len(rows)} within two standard uncertainties; rms {rms}")


if __name__ == "__main__":
    main()
