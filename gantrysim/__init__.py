"""Predict what a two-sided belt-driven gantry draws, and find from a test burn what to adjust.

The way through the library: `Machine` and `ring_test` go into `simulate`, which gives a `Burn`;
`read_points` or `read_scan` gives the `Piece` that was measured.  All public names stand here.
Lengths are mm, forces N, speeds mm/s, masses kg; a name or docstring with another unit says so.
"""

from __future__ import annotations

from importlib import import_module
from typing import Any

from gantrysim.acceptance.judging import accept, will_hold
from gantrysim.acceptance.tolerance import Tolerance, Verdict
from gantrysim.burn import Burn, PathBurn
from gantrysim.burn.image import BurnImage, Wood
from gantrysim.burn.many import Failure, ManyBurns, simulate_many
from gantrysim.burn.simulation import TimedBurn, simulate
from gantrysim.decisions.adjustment import Adjustment
from gantrysim.decisions.advice import Advice, advise
from gantrysim.decisions.afterturn import Change
from gantrysim.decisions.diagnosis import Finding, Hypothesis, diagnose
from gantrysim.decisions.identifiability import what_can_be_told
from gantrysim.decisions.identifiable import Telling
from gantrysim.decisions.nexttest import Proposal, next_test
from gantrysim.decisions.step import Costs
from gantrysim.faults.changes import (
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
from gantrysim.inference.fitting import Fit, fit
from gantrysim.inference.parameters import Belief
from gantrysim.inference.profile import Profile
from gantrysim.instruments.calipers import CaliperReading, CaliperSheet, read_calipers
from gantrysim.instruments.measurement import Measurement
from gantrysim.instruments.photo.flatten import FlatPicture, flatten_photo
from gantrysim.instruments.photo.photomarks import Card, Grid, Rule
from gantrysim.instruments.points import Piece, read_points
from gantrysim.instruments.push import PushReading, PushSheet, read_push
from gantrysim.instruments.scan.reading import read_photo, read_scan
from gantrysim.instruments.scanner import ScannerError
from gantrysim.instruments.scanrecord import ScanRecord
from gantrysim.instruments.templates import write_caliper_sheet, write_push_sheet, write_tone_sheet
from gantrysim.instruments.tones import ToneReading, ToneSheet, read_tones
from gantrysim.log.machinelog import MachineLog, new_log, open_log
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
from gantrysim.machine.file import read_machine, save_machine
from gantrysim.machine.handbook import Handbook
from gantrysim.mechanics.handpush import PushResult, push
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
from gantrysim.pattern.beside import ScaleReference
from gantrysim.pattern.ringtest import Line, Nest, RingTest, read_test, ring_test
from gantrysim.pattern.toolpath import Move, Toolpath

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

#: Pictures and the module of `gantrysim.plotting` that draws each; loaded at first use, so that
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
    """Find the picture functions of `gantrysim.plotting`, and the derivations."""
    if name in _PICTURES:
        return getattr(import_module(f"gantrysim.plotting.{_PICTURES[name]}"), name)
    if name == "theory":  # loads sympy
        return import_module("gantrysim.theory")
    raise AttributeError(f"module 'gantrysim' has no attribute {name!r}")


def __dir__() -> list[str]:
    """Public names, pictures and derivations included."""
    return sorted([*__all__, *_PICTURES, "theory", "__version__"])
