"""What a finding is worth: diagnosis, identifiability, the next test, what to turn."""

from gantrysim.decisions.adjustment import Adjustment
from gantrysim.decisions.advice import Advice, advise
from gantrysim.decisions.afterturn import Change
from gantrysim.decisions.diagnosis import Finding, Hypothesis, diagnose
from gantrysim.decisions.findingfile import read_finding
from gantrysim.decisions.identifiability import what_can_be_told
from gantrysim.decisions.identifiable import Identifiability
from gantrysim.decisions.nexttest import Look, Proposal, next_test
from gantrysim.decisions.step import Costs

__all__ = [
    "Adjustment",
    "Advice",
    "Change",
    "Costs",
    "Finding",
    "Hypothesis",
    "Identifiability",
    "Look",
    "Proposal",
    "advise",
    "diagnose",
    "next_test",
    "read_finding",
    "what_can_be_told",
]
