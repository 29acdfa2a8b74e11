"""From measurements to parameters: priors, noise, the fit and its posterior."""

from gantrysim.inference.assumptions import Assumptions
from gantrysim.inference.fitting import Fit, fit
from gantrysim.inference.parameters import Belief
from gantrysim.inference.profile import Profile

__all__ = ["Assumptions", "Belief", "Fit", "Profile", "fit"]
