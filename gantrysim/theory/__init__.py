"""Derivations behind the closed forms, as symbolic mathematics that a notebook can show.

Each function derives one piece of the theory and hands back a frozen `Derivation`: what is assumed,
the steps, named results with how far each holds, the source.  `numeric` turns an expression into a
function of numbers; `Derivation.worked` gives the numbers of one machine.  Units are those of
`QUANTITIES`: mm, N, N/mm, s, rad.

    from gantrysim import theory

    theory.play_on_circle()                      # shows itself in a notebook
    path = theory.circle_path()
    rounded = path.numeric("roundness", theory.RADIUS, theory.WINDUP_X, theory.WINDUP_Y)
    rounded(20.0, 0.1, 0.1)                      # mm

Importing this loads sympy; `import gantrysim` alone does not.
"""

from __future__ import annotations

from gantrysim.theory.bench import bench_values
from gantrysim.theory.circlepath import circle_path, circle_series
from gantrysim.theory.derivation import Derivation, Result, Step, numeric
from gantrysim.theory.faultharmonics import CAUSES, ORDERS, FaultHarmonics, fault_harmonics
from gantrysim.theory.information import friction_information
from gantrysim.theory.nut import eccentric_nut
from gantrysim.theory.play import play_element, play_on_circle, play_on_square
from gantrysim.theory.quantities import *  # noqa: F403  (the symbols; their list is there)
from gantrysim.theory.quantities import __all__ as _SYMBOLS
from gantrysim.theory.racking import racking_lag
from gantrysim.theory.shrink import shrink

#: Every derivation, in the order of a lesson.
DERIVATIONS = (
    play_element,
    play_on_circle,
    play_on_square,
    circle_path,
    circle_series,
    fault_harmonics,
    shrink,
    racking_lag,
    friction_information,
    eccentric_nut,
)

__all__ = [
    "DERIVATIONS",
    "Derivation",
    "Result",
    "Step",
    "numeric",
    "bench_values",
    "FaultHarmonics",
    "CAUSES",
    "ORDERS",
    *(derive.__name__ for derive in DERIVATIONS),
    *_SYMBOLS,
]
