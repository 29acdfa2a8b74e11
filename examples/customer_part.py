"""Say whether a customer's part does not fit because of the drawing or of the machine.

Everything here is invented.  A shop called Alder cut a tab-and-slot part from 3 mm sheet; slot C is
too tight and slot B rattles.  The customer sends a scan of a test burn, the drawing, and a scan of
the cut pieces.  A simulated machine with a tight carriage stands in for his, drawn pictures for the
scans:

    python examples/customer_part.py --pictures alder

With files of your own the same calls do: `gs.read_scan`, `gs.diagnose`, `gs.part.read_drawing`,
`gs.part.read_part_scan`, `gs.part.judge_part`; without a scanner `gs.part.write_part_sheet` makes
a sheet for calipers and `gs.part.read_part_sheet` reads it.  Lengths are mm.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

import numpy as np
from PIL import Image, ImageDraw

import gantrysim as gs

DATA = Path(__file__).with_name("data")
THEIRS = gs.Machine().with_faults(gs.faults.TightCarriage(extra_force=10.0))
CUT, DPI = 0.12, 300  # mm, of the stand-in for their laser, and of their scanner


def scanned_test(folder: Path) -> gs.Piece:
    """The test that they burned, as their scanner would see it."""
    test = gs.ring_test(
        spacing=8.0, largest=32.0, centre=(180.0, 170.0), orientation_mark=True, caption="ALDER"
    )
    burn = gs.simulate(THEIRS, test, inertia=True)
    return gs.read_scan(burn.image(dpi=300).save(folder / "scan.png"), test)


def scanned_pieces(folder: Path, drawing: gs.part.Drawing) -> Path:
    """The pieces that their machine cut, dark on the light lid of their scanner."""
    ground, wood, fine = 235, 150, 4
    outlines = [line.xy for line in gs.simulate(THEIRS, drawing.path, inertia=True).lines]
    corner = np.min([xy.min(axis=0) for xy in outlines], axis=0) - 8.0
    wide, high = np.max([xy.max(axis=0) for xy in outlines], axis=0) - corner + 8.0
    scale = DPI * fine / 25.4
    picture = Image.new("L", (round(scale * wide), round(scale * high)), ground)
    pen = ImageDraw.Draw(picture)
    places = [(xy - corner) * (scale, -scale) + (0.0, picture.height) for xy in outlines]
    for xy in sorted(places, key=lambda xy: -np.ptp(xy, axis=0).prod()):  # holes after their plate
        middle = np.round(0.5 * (xy.min(axis=0) + xy.max(axis=0))).astype(int).tolist()
        inside = ground if picture.getpixel(middle) == wood else wood
        pen.polygon([tuple(at) for at in xy.tolist()], fill=inside)
    for xy in places:  # the beam takes half its width on either side of its way
        way = [tuple(at) for at in (*xy.tolist(), xy[0].tolist())]
        pen.line(way, fill=ground, width=round(CUT * scale), joint="curve")
    scan = picture.reduce(fine).rotate(4.0, expand=True, fillcolor=ground, resample=Image.BICUBIC)
    scan.save(folder / "pieces.png", dpi=(DPI, DPI))
    return folder / "pieces.png"


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
        scan = scanned_pieces(Path(folder), drawing)
        sheet = gs.part.read_part_scan(scan, drawing, "pieces", upright=True)
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
