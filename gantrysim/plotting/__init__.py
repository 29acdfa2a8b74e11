"""Every picture of the library.

All functions draw into the Axes they are given, or into a new figure, and return the Axes.
They never call ``show`` and never touch matplotlib's global settings.  Paths are drawn with
equal aspect in mm; an error is a hair's width beside a ring, so it is drawn magnified about the
commanded line, and the factor is written on every picture with paths.
Axes of your own should come from a figure with ``layout="constrained"``, which makes room for the
legend below the picture.
"""

from __future__ import annotations

from importlib import import_module
from typing import Any

#: Each picture and the module that draws it; loaded at first use, as sliders and films are heavy.
_HOMES = {
    "plot_burn": "burns",
    "compare_burns": "burns",
    "plot_before_after": "burns",
    "plot_mark": "burns",
    "animate_burn": "animation",
    "plot_lost_motion": "lostmotion",
    "plot_test": "patterns",
    "plot_piece": "patterns",
    "plot_unrolled": "unrolled",
    "plot_push": "readings",
    "plot_scan": "scans",
    "plot_fault": "faults",
    "plot_identifiability": "intervals",
    "plot_verdict": "intervals",
    "plot_log": "logs",
    "before_after": "logs",
    "explore": "explorer",
}

__all__ = list(_HOMES)


def __getattr__(name: str) -> Any:
    """Load the module that draws a picture."""
    if name in _HOMES:
        return getattr(import_module(f"gantrysim.plotting.{_HOMES[name]}"), name)
    raise AttributeError(f"module 'gantrysim.plotting' has no attribute {name!r}")
