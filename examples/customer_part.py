"""Say whether a customer's part does not fit because of the drawing or of the machine.

Everything here is invented.  A shop called Alder cut a tab-and-slot part from 3 mm sheet; slot C is
too tight and slot B rattles.  The customer sends a scan of a test burn, the drawing, and what his
calipers say of the part.  A simulated machine with a tight carriage stands in for his, a rendered
picture for the scan:

    python examples/customer_part.py --pictures alder

With files of your own the same calls do: `gs.read_scan`, `gs.diagnose`, `gs.part.read_drawing`,
`gs.part.write_part_sheet`, `gs.part.read_part_sheet`, `gs.part.judge_part`.  Lengths are mm.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

import numpy as np

import gantrysim as gs

DATA = Path(__file__).with_name("data")
THEIRS = gs.Machine().with_faults(gs.faults.TightCarriage(extra_force=10.0))
CUT = 0.12  # mm, of the stand-in for their laser


def scanned_test(folder: Path) -> gs.Piece:
    """The test that they burned, as their scanner would see it."""
    test = gs.ring_test(
        spacing=8.0, largest=32.0, centre=(180.0, 170.0), orientation_mark=True, caption="ALDER"
    )
    burn = gs.simulate(THEIRS, test, inertia=True)
    return gs.read_scan(burn.image(dpi=300).save(folder / "scan.png"), test)


def filled_in(folder: Path, drawing: gs.part.Drawing) -> gs.part.PartSheet:
    """The sheet that they filled in: here what their machine would cut, read by hand."""
    cut = gs.part.predict_part(THEIRS, drawing, kerf=CUT)
    sheet = gs.part.write_part_sheet(folder / "sizes.csv", drawing)
    rng = np.random.default_rng(1)
    rows = []
    for row in sheet.read_text().splitlines():
        name = row.split(",")[0]
        if name in drawing.names:
            row += f"{cut[name].predicted + 0.02 * rng.standard_normal():.2f}"
        rows.append(row)
    sheet.write_text("\n".join(rows) + "\n")
    return gs.part.read_part_sheet(sheet, drawing)


def main() -> int:
    """Read what the customer sent, say whose it is, and what a turn would change."""
    parser = argparse.ArgumentParser(description="Machine or drawing?")
    parser.add_argument("--pictures", help="begin of the names of three pictures to write")
    given = parser.parse_args()
    names = [f"{given.pictures}_{what}.png" for what in ("drawing", "shares", "fits")]
    if given.pictures and any(Path(name).exists() for name in names):
        print(f"one of {', '.join(names)} exists; name others with --pictures", file=sys.stderr)
        return 2
    drawing = gs.part.read_drawing(DATA / "tab_and_slot.svg", corner=(100.0, 100.0), feed=20.0)
    print(drawing.report())
    with tempfile.TemporaryDirectory() as folder:
        finding = gs.diagnose(scanned_test(Path(folder)))
        sheet = filled_in(Path(folder), drawing)
    print(f"\n{finding.report()}\n")
    wanted = {"S1": 3.20, "S2": 3.20, "S3": 3.20, "W2": 12.0, "H1": 30.3, "D1": 30.0}
    kerf = (CUT, 0.02)
    judged = gs.part.judge_part(
        finding, drawing, sheet,
        intended=wanted, kerf=kerf, kerf_allowed=CUT,
    )  # fmt: skip
    print(judged.report())
    matings = [
        gs.part.Mating(name, (3.0, 0.03), (0.05, 0.40), name=f"sheet in slot {letter}")
        for name, letter in zip(("S1", "S2", "S3"), "ABC", strict=True)
    ]
    matings.append(gs.part.Mating("H1", "D1", (0.1, 0.6), name="disc in its hole"))
    pairs = gs.part.predict_matings(finding, drawing, matings, kerf=kerf)
    print(f"\n{pairs.report()}")
    tolerance = gs.Tolerance(size=0.15)
    print(f"\n{gs.will_hold(finding, drawing, tolerance, kerf=kerf).report()}")
    if given.pictures:
        for name, thing in zip(names, (drawing, judged, pairs), strict=True):
            thing.plot().figure.savefig(name, dpi=130)
        print(f"\nPictures: {', '.join(names)}")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
