"""Predict what a two-sided belt-driven gantry draws, and find from a test burn what to adjust.

The way through the library: `Machine` and `ring_test` go into `simulate`, which gives a `Burn`;
`read_points` or `read_scan` gives the `Piece` that was measured.  All public names stand here.
Lengths are mm, forces N, speeds mm/s, masses kg; a name or docstring with another unit says so.
"""

from __future__ import annotations

from importlib import import_module
from typing import Any

from gantrysim.beside import ScaleReference
from gantrysim.burn import Burn, PathBurn
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
from gantrysim.formats.motioncode import write_motion_code
from gantrysim.formats.motionreader import read_motion_code
from gantrysim.formats.svgreader import read_svg
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
from gantrysim.measured.blank import write_caliper_sheet, write_push_sheet, write_tone_sheet
from gantrysim.measured.calipers import CaliperReading, CaliperSheet, read_calipers
from gantrysim.measured.measurement import Measurement
from gantrysim.measured.photo import FlatPicture, flatten_photo
from gantrysim.measured.photomarks import Card, Grid, Rule
from gantrysim.measured.points import Piece, read_points
from gantrysim.measured.push import PushReading, PushSheet, read_push
from gantrysim.measured.scan import read_photo, read_scan
from gantrysim.measured.scanner import ScannerError
from gantrysim.measured.scanrecord import ScanRecord
from gantrysim.measured.tones import ToneReading, ToneSheet, read_tones
from gantrysim.metrology import (
    CaliperMeasures,
    DirectionTest,
    FilteredProfile,
    Measures,
    PeakToValley,
    PointNoise,
    Positioning,
    Quantity,
    filtered_profile,
    measure,
    measure_both_ways,
    positioning,
    roundness_interval,
)
from gantrysim.paths import Line, Nest, RingTest, read_test, ring_test
from gantrysim.push import PushResult, push
from gantrysim.simulate import TimedBurn, simulate
from gantrysim.toolpath import Move, Toolpath

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
    "ScaleReference",
    "Toolpath",
    "Move",
    "read_motion_code",
    "read_svg",
    "write_motion_code",
    "simulate",
    "Burn",
    "PathBurn",
    "TimedBurn",
    "BurnImage",
    "Wood",
    "simulate_many",
    "ManyBurns",
    "Failure",
    "push",
    "PushResult",
    "Measurement",
    "Piece",
    "read_points",
    "read_scan",
    "ScannerError",
    "ScanRecord",
    "read_photo",
    "flatten_photo",
    "FlatPicture",
    "Card",
    "Grid",
    "Rule",
    "CaliperSheet",
    "CaliperReading",
    "read_calipers",
    "write_caliper_sheet",
    "PushSheet",
    "PushReading",
    "read_push",
    "write_push_sheet",
    "ToneSheet",
    "ToneReading",
    "read_tones",
    "write_tone_sheet",
    "measure",
    "Measures",
    "CaliperMeasures",
    "Quantity",
    "PointNoise",
    "measure_both_ways",
    "DirectionTest",
    "filtered_profile",
    "FilteredProfile",
    "roundness_interval",
    "PeakToValley",
    "positioning",
    "Positioning",
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

#: Pictures and the module of `gantrysim.pictures` that draws each; loaded at first use, so that
#: `import gantrysim` does not load matplotlib.
_PICTURES = {
    "plot_burn": "burns",
    "compare_burns": "burns",
    "animate_burn": "animation",
    "plot_test": "patterns",
    "plot_piece": "patterns",
    "plot_unrolled": "unrolled",
    "plot_mark": "burns",
    "plot_push": "readings",
    "plot_fault": "faults",
    "plot_telling": "intervals",
    "plot_before_after": "burns",
    "before_after": "logs",
    "plot_log": "logs",
    "plot_verdict": "intervals",
    "plot_scan": "scans",
    "explore": "explorer",
}


def __getattr__(name: str) -> Any:
    """Find the picture functions of `gantrysim.pictures`, and the derivations."""
    if name in _PICTURES:
        return getattr(import_module(f"gantrysim.pictures.{_PICTURES[name]}"), name)
    if name == "theory":  # loads sympy
        return import_module("gantrysim.theory")
    raise AttributeError(f"module 'gantrysim' has no attribute {name!r}")


def __dir__() -> list[str]:
    """Public names, pictures and derivations included."""
    return sorted([*__all__, *_PICTURES, "theory", "__version__"])
