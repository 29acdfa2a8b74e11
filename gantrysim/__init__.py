"""Predict what a two-sided belt-driven gantry draws, and find from a test burn what to adjust.

The main road stands here: `Machine` and `ring_test` go into `simulate`, which gives a `Burn`;
`read_points` or `read_scan` gives the `Piece` that was measured; `diagnose` finds what is wrong,
`advise` says what to turn.  The rest is reached through its package, as in
`gantrysim.faults.TightWheels`; each package lists its public names.
Lengths are mm, forces N, speeds mm/s, masses kg; a name or docstring with another unit says so.
"""

from __future__ import annotations

from importlib import import_module
from typing import Any

from gantrysim.acceptance import Tolerance, accept, will_hold
from gantrysim.burn import Burn, simulate, simulate_many
from gantrysim.decisions import (
    Finding,
    advise,
    diagnose,
    next_test,
    read_finding,
    what_can_be_told,
)
from gantrysim.formats import read_motion_code, read_svg, write_motion_code
from gantrysim.inference import fit
from gantrysim.instruments import (
    Piece,
    read_calipers,
    read_photo,
    read_points,
    read_push,
    read_scan,
    read_tones,
)
from gantrysim.log import MachineLog, new_log, open_log
from gantrysim.machine import Machine, read_machine, save_machine
from gantrysim.mechanics import push
from gantrysim.metrology import measure
from gantrysim.pattern import RingTest, Toolpath, read_test, ring_test
from gantrysim.report import write_report

__version__ = "0.2.0"

__all__ = [
    "Machine",
    "read_machine",
    "save_machine",
    "RingTest",
    "ring_test",
    "read_test",
    "Toolpath",
    "read_svg",
    "read_motion_code",
    "write_motion_code",
    "simulate",
    "simulate_many",
    "Burn",
    "push",
    "Piece",
    "read_points",
    "read_scan",
    "read_photo",
    "read_calipers",
    "read_push",
    "read_tones",
    "measure",
    "fit",
    "diagnose",
    "Finding",
    "read_finding",
    "what_can_be_told",
    "next_test",
    "advise",
    "accept",
    "will_hold",
    "Tolerance",
    "new_log",
    "open_log",
    "MachineLog",
    "write_report",
]

#: Pictures of the main road; found at first use, so that `import gantrysim` loads no matplotlib.
_PICTURES = ("plot_test", "plot_burn", "compare_burns", "plot_piece", "explore")
#: Packages by the way of the work; the last two load matplotlib and sympy.
_PACKAGES = (
    "machine",
    "pattern",
    "mechanics",
    "burn",
    "formats",
    "faults",
    "instruments",
    "metrology",
    "inference",
    "decisions",
    "part",
    "acceptance",
    "log",
    "report",
    "plotting",
    "theory",
)


def __getattr__(name: str) -> Any:
    """Find the pictures and the packages; say where a name lives that is none of the main road."""
    if name in _PICTURES:
        return getattr(import_module("gantrysim.plotting"), name)
    if name in _PACKAGES:
        return import_module(f"gantrysim.{name}")
    for home in _PACKAGES[:-1]:
        if name in import_module(f"gantrysim.{home}").__all__:
            raise AttributeError(f"{name} is reached as gantrysim.{home}.{name}.", name=name)
    raise AttributeError(f"module 'gantrysim' has no attribute {name!r}")


def __dir__() -> list[str]:
    """Public names, pictures and packages included."""
    return sorted([*__all__, *_PICTURES, *_PACKAGES, "__version__"])
