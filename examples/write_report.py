"""Write the report of an invented machine: two burns, a turn between them, a verdict.

    python examples/write_report.py FOLDER

The folder gets `alder.json` (the log), `alder.html` (the report), `customer.html` (the one page
without numbers) and two scans; it is made, and must not exist.  A minute or two.
"""

from __future__ import annotations

import sys
from pathlib import Path

import gantrysim as gs

TEST = gs.ring_test(spacing=8.0, largest=24.0, orientation_mark=True, caption="ALDER 1")
TIGHT = gs.faults.TightWheels("left", extra_force=12.0)  # N


def burned(machine: gs.Machine, scan: Path) -> gs.Piece:
    """A burn of the machine as a scanner would show it, read."""
    picture = gs.simulate(machine, TEST, feed_forces=True).image(dpi=300)
    return gs.read_scan(picture.save(scan), TEST)


def main(folder: Path) -> None:
    """Burn, diagnose, turn, burn again, judge; write both pages."""
    folder.mkdir(parents=True)
    machine = gs.Machine().with_faults(TIGHT)
    log = gs.new_log(folder / "alder.json", gs.Machine(), name="Alder")
    piece = burned(machine, folder / "scan-1.png")
    finding = log.diagnose(piece)
    log = log.burned(piece, finding, date="2031-04-01")
    for step in finding.adjustments().advised:
        machine = step.apply(machine)
        log = log.adjusted(step, date="2031-04-01", note="by Wren")
    piece = burned(machine, folder / "scan-2.png")
    finding = log.diagnose(piece)
    log = log.burned(piece, finding, date="2031-04-02")
    verdict = gs.accept(piece, gs.Tolerance(roundness=0.4, size=0.3), finding=finding)
    log = log.accepted(verdict, date="2031-04-02")
    print(gs.write_report(log, folder / "alder.html"))
    print(gs.write_report(log, folder / "customer.html", for_customer=True))


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path("alder"))
