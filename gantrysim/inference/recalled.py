"""Modes that were kept: their residuals and derivatives are made when somebody asks for them."""

from __future__ import annotations

import functools
from typing import Any

import numpy as np

from gantrysim.inference.problem import Problem
from gantrysim.inference.solver import Evaluator, Mode


class RecalledMode(Mode):
    """A mode of a problem that was solved before, with nothing solved anew."""

    problem: Problem

    @classmethod
    def of(cls, problem: Problem, **kept: Any) -> RecalledMode:
        """The mode with all its fields but residuals and derivatives.

        Parameters
        ----------
        problem : Problem
            The problem that it belongs to, as it was solved.
        **kept
            The other fields of `Mode`.
        """
        mode = object.__new__(cls)
        vars(mode).update(kept, problem=problem)
        return mode

    @functools.cached_property
    def residuals(self) -> tuple[np.ndarray, ...]:
        """Residuals of each source at the mode."""
        return Evaluator(self.problem, self.faults).at(self.u)

    @functools.cached_property
    def jacobian(self) -> tuple[np.ndarray, ...]:
        """Their derivatives with all unknowns."""
        return Evaluator(self.problem, self.faults).linearise(self.u)[1]
