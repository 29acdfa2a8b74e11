"""The same piece on the scanner again, turned by a quarter: what that would tell.

Nothing new is burned: the second scan reads the scanner's own scale difference and skew, which stay
with the glass while the piece turns (`gantrysim.instruments.scanner`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from gantrysim.inference.terms import LikelihoodTerm
from gantrysim.instruments.base import Candidate
from gantrysim.instruments.burnedpiece import BurnedPiece
from gantrysim.instruments.scanner import unevenness
from gantrysim.pattern.ringtest import RingTest
from gantrysim.records.arrays import Array

#: Lay a piece on the glass, scan it and read its points, minutes (common practice, no source).
SCANNING = 6.0
#: What reading the lines of both scans leaves unknown of scale difference and skew (rad), standard
#: deviation: 15 um over some hundred points that count, rings of 40 mm.
READ = 5e-5


@dataclass(frozen=True, eq=False)
class SecondScan(Candidate):
    """A piece that is there, scanned again after a quarter turn.

    Parameters
    ----------
    scanned : RingTest
        The test that was burned on it.
    """

    scanned: RingTest | None = None

    @property
    def care(self) -> str:
        """What to mind."""
        return "The machine is not touched."

    def again(self, term: LikelihoodTerm) -> Array | None:
        """Scale difference and skew of the scanner of that piece, in what two scans leave of them.

        See `Candidate.again`; unevenness of the glass bounds it (`scanner.unevenness`).
        """
        if not isinstance(term, BurnedPiece) or term.piece.test != self.scanned:
            return None
        places = term.matched.points
        uneven = unevenness(float(np.sqrt(np.mean(np.var(places, axis=0)))))
        rows = np.zeros((2, term.n_nuisance))
        rows[:, 3:] = term.piece.scanner.root[1:] / math.hypot(uneven, READ)
        return rows
