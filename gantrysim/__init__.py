"""Predict what a two-sided belt-driven gantry draws, and find from a test burn what to adjust.

The way through the library: `Machine` and `ring_test` go into `simulate`, which gives a `Burn`;
`read_points` or `read_scan` gives the `Piece` that was measured.  All public names stand here.
Lengths are mm, forces N, speeds mm/s, masses kg; a name or docstring with another unit says so.
"""

from __future__ import annotations

from typing import Any

from gantrysim.burn import Burn
from gantrysim.burnimage import BurnImage, Wood
from gantrysim.faults import (
    CouplerBacklash,
    CouplerSlip,
    LooseCarriage,
    LooseWheels,
    OutOfSquare,
    PulleyRunout,
    ScaleError,
    SlackBelt,
    TightCarriage,
    TightWheels,
)
from gantrysim.handbook import Handbook
from gantrysim.inverse.accept import accept, will_hold
from gantrysim.inverse.adjust import Advice, advise
from gantrysim.inverse.adjustment import Adjustment
from gantrysim.inverse.design import Proposal, next_test
from gantrysim.inverse.diagnose import Finding, Hypothesis, diagnose
from gantrysim.inverse.fit import Fit, fit
from gantrysim.inverse.log import MachineLog, new_log, open_log
from gantrysim.inverse.prior import Belief
from gantrysim.inverse.profile import Profile
from gantrysim.inverse.step import Costs
from gantrysim.inverse.telling import Telling
from gantrysim.inverse.told import what_can_be_told
from gantrysim.inverse.tolerance import Tolerance, Verdict
from gantrysim.inverse.turned import Change
from gantrysim.machine import (
    Beam,
    Belt,
    Carriage,
    Contact,
    CrossShaft,
    EndPlate,
    Head,
    Machine,
    Motor,
    Wheel,
)
from gantrysim.machinefile import read_machine, save_machine
from gantrysim.many import Failure, ManyBurns, simulate_many
from gantrysim.measured.calipers import CaliperReading, CaliperSheet, read_calipers
from gantrysim.measured.points import Piece, read_points
from gantrysim.measured.push import PushReading, PushSheet, read_push
from gantrysim.measured.scan import read_scan
from gantrysim.measured.scanner import ScannerError
from gantrysim.measured.scanrecord import ScanRecord
from gantrysim.measured.tones import ToneReading, ToneSheet, read_tones
from gantrysim.metrology import Measures, measure
from gantrysim.paths import Line, Nest, RingTest, read_test, ring_test
from gantrysim.push import PushResult, push
from gantrysim.simulate import TimedBurn, simulate

__version__ = "0.1.0"

__all__ = [
    "Machine",
    "EndPlate",
    "Carriage",
    "Wheel",
    "Belt",
    "CrossShaft",
    "Motor",
    "Head",
    "Beam",
    "Contact",
    "Handbook",
    "read_machine",
    "save_machine",
    "TightWheels",
    "TightCarriage",
    "LooseWheels",
    "LooseCarriage",
    "SlackBelt",
    "CouplerBacklash",
    "CouplerSlip",
    "OutOfSquare",
    "ScaleError",
    "PulleyRunout",
    "RingTest",
    "Nest",
    "Line",
    "ring_test",
    "read_test",
    "simulate",
    "Burn",
    "TimedBurn",
    "BurnImage",
    "Wood",
    "simulate_many",
    "ManyBurns",
    "Failure",
    "push",
    "PushResult",
    "Piece",
    "read_points",
    "read_scan",
    "ScannerError",
    "ScanRecord",
    "CaliperSheet",
    "CaliperReading",
    "read_calipers",
    "PushSheet",
    "PushReading",
    "read_push",
    "ToneSheet",
    "ToneReading",
    "read_tones",
    "measure",
    "Measures",
    "fit",
    "Fit",
    "Profile",
    "diagnose",
    "Finding",
    "Hypothesis",
    "advise",
    "Advice",
    "Adjustment",
    "Costs",
    "what_can_be_told",
    "Telling",
    "next_test",
    "Proposal",
    "accept",
    "will_hold",
    "Tolerance",
    "Verdict",
    "new_log",
    "open_log",
    "MachineLog",
    "Change",
    "Belief",
]

#: Pictures, loaded at first use so that `import gantrysim` does not load matplotlib.
_PICTURES = (
    "plot_burn",
    "compare_burns",
    "plot_test",
    "plot_piece",
    "plot_unrolled",
    "plot_mark",
    "plot_push",
    "plot_fault",
    "plot_telling",
    "plot_before_after",
    "before_after",
    "plot_log",
    "plot_verdict",
    "plot_scan",
)


def __getattr__(name: str) -> Any:
    """Find the picture functions of `gantrysim.plotting` and `gantrysim.scanplots`."""
    if name in _PICTURES:
        from gantrysim import plotting, scanplots

        return getattr(scanplots if name == "plot_scan" else plotting, name)
    raise AttributeError(f"module 'gantrysim' has no attribute {name!r}")


def __dir__() -> list[str]:
    """Public names, pictures included."""
    return sorted([*__all__, *_PICTURES, "__version__"])
