"""Predict what a two-sided belt-driven gantry draws, and find from a test burn what to adjust.

Start here
----------
Every name below has a help of its own with an example: ``help(gantrysim.diagnose)``.

1. Lay out a test and see what it would tell: `ring_test`, `what_can_be_told`; burn or draw it from
   ``test.to_svg("test.svg")`` or ``test.to_motion_code("test.nc")``.  With a laser: eyewear, fire
   watch and fume extraction come first, see Safety in README.
2. Measure the piece: `read_scan` (flatbed scan), `read_photo`, `read_points`, `read_calipers`;
   pushes by hand and belt tones: `read_push`, `read_tones`.
3. Find what is wrong: `diagnose`; what to check and to turn: `advise`; what to measure next:
   `next_test`.
4. Judge it: `accept` (a piece), `will_hold` (a job to come), against a `Tolerance`.
5. Keep it: `new_log`, `open_log`; one page to print or hand over: `write_report`.

To try it without a machine, `Machine` and `simulate` stand in for one:

>>> import gantrysim as gs
>>> test = gs.ring_test(("circle",), spacing=10.0, largest=20.0)  # mm
>>> tight = gs.Machine().with_faults(gs.faults.TightWheels("left", extra_force=12.0))  # N
>>> burn = gs.simulate(tight, test)
>>> burn
Burn(2 lines, 382 points, error ... µm rms)

``finding = gs.diagnose(burn)`` then takes a while, longest the first time, while it compiles;
``print(finding.report())`` says what it found, ``print(gs.advise(finding).report())`` what to do.
In a terminal the command ``gantrysim --help`` does the same without Python.

The rest is reached through its package, as in `gantrysim.faults.TightWheels`; each package lists
its public names.  Lengths are mm, forces N, speeds mm/s, masses kg; a name or docstring with
another unit says so.
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
