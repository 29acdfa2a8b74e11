"""Whether a piece keeps its tolerance, and whether a machine will."""

from gantrysim.acceptance.judging import accept, will_hold
from gantrysim.acceptance.tolerance import Tolerance, Verdict

__all__ = ["Tolerance", "Verdict", "accept", "will_hold"]
