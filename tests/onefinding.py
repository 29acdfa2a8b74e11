"""Findings made without a search: of one explanation that is nearly certain, or as told."""

from __future__ import annotations

import dataclasses

import gantrysim as gs
from gantrysim.decisions.diagnosis import Finding, Hypothesis


def finding_of(piece: gs.Piece) -> Finding:
    """Too tight left wheels, as found on a piece of the nominal machine."""
    fit = gs.fit(piece, gs.Machine(), ["tight_wheels_left"])
    fault = gs.Machine().catalogue().named("tight_wheels_left")
    best = (("tight_wheels_left",), 0.987, fit.magnitudes, (), 0.0, fault.words, fault.check, fit)
    return Finding((piece,), gs.Machine(), (Hypothesis(*best),))


@dataclasses.dataclass(frozen=True, eq=False)
class Told(Finding):
    """A finding of which it is said whether it rests on few rings."""

    few: bool = False

    @property
    def thin(self) -> bool:
        return self.few
