"""The width of the cut: what it adds to holes and takes from outsides."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from gantrysim.instruments.points import Piece
from gantrysim.records.checks import finite_number
from gantrysim.records.doors import checked

#: What is believed of a cut that nobody measured: of a diode laser through 3 mm plywood 0.1 to
#: 0.3 mm (common practice, no source).
UNTOLD = (0.15, 0.10)
#: Nobody cuts wider than this with a laser, mm.
MOST = 2.0
#: How far the line of a test, burned at its own power, tells the width of a cut, mm (judgement).
TEST = 0.05


@checked
@dataclass(frozen=True)
class Kerf:
    """Width of the cut.

    Parameters
    ----------
    width, uncertainty : float
        And its standard uncertainty, mm.
    origin : str
        Where it comes from.

    Raises
    ------
    ValueError
        If the width is not 0 to 2 mm or the uncertainty negative.

    Examples
    --------
    >>> from gantrysim.part import Kerf
    >>> Kerf(0.18, 0.02)
    Kerf(0.180 ± 0.020 mm)
    """

    width: float
    uncertainty: float = 0.0
    origin: str = "as stated"

    def __post_init__(self) -> None:
        if not 0.0 <= finite_number(self.width, "kerf") <= MOST:
            raise ValueError(f"kerf must be 0 to {MOST:g} mm, found {self.width:g}.")
        if finite_number(self.uncertainty, "the uncertainty of the kerf") < 0.0:
            raise ValueError(
                f"the uncertainty of the kerf must be 0 mm or more, found {self.uncertainty:g}."
            )

    @property
    def words(self) -> str:
        """In words, with where it comes from."""
        doubt = f" (standard uncertainty {self.uncertainty:.2f})" if self.uncertainty else ""
        return f"width of the cut {self.width:.2f} mm{doubt}, {self.origin}"

    @classmethod
    def of_piece(cls, piece: Piece) -> Kerf:
        """The width of the lines of a scanned test: near that of a cut of the same power.

        Raises
        ------
        ValueError
            If the piece was not scanned.
        """
        widths = list(piece.record.widths.values()) if piece.record is not None else []
        if not widths:
            raise ValueError(f"{piece.source}: a scanned piece must give the width, found none.")
        spread = float(np.std(widths)) if len(widths) > 1 else 0.0
        doubt = math.hypot(TEST, spread)
        return cls(float(np.mean(widths)), doubt, f"as the lines of {piece.source}")

    def to_dict(self) -> dict[str, Any]:
        """Plain Python types, mm."""
        return {"width_mm": self.width, "uncertainty_mm": self.uncertainty, "origin": self.origin}

    def __repr__(self) -> str:
        return f"Kerf({self.width:.3f} ± {self.uncertainty:.3f} mm)"


def kerf_of(given: Kerf | Piece | float | Sequence[float] | None) -> Kerf:
    """The width of a cut from what somebody says of it."""
    if given is None:
        return Kerf(*UNTOLD, "as nobody measured it")
    if isinstance(given, Kerf):
        return given
    if isinstance(given, Piece):
        return Kerf.of_piece(given)
    if isinstance(given, Sequence | np.ndarray):
        if len(given) != 2:
            raise ValueError(f"kerf must be a width and its uncertainty in mm, found {given!r}.")
        return Kerf(float(given[0]), float(given[1]))
    return Kerf(float(given))
