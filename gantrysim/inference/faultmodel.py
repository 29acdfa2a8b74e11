"""What inference needs of a fault; the faults themselves stand above, in `gantrysim.faults`."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Protocol

import numpy as np

from gantrysim.inference.parameters import Parameter
from gantrysim.inference.terms import DrawnLines
from gantrysim.machine import Machine

if TYPE_CHECKING:
    from gantrysim.inference.problem import Problem
    from gantrysim.inference.solver import Mode


class FaultModel(Protocol):
    """One fault as a hypothesis: unknowns with priors, and the machine or pattern they make.

    `gantrysim.faults.base.Fault` says what each member means.
    """

    @property
    def name(self) -> str: ...  # noqa: D102
    @property
    def variant(self) -> str: ...  # noqa: D102
    @property
    def key(self) -> str: ...  # noqa: D102
    @property
    def words(self) -> str: ...  # noqa: D102
    @property
    def noun(self) -> str: ...  # noqa: D102
    @property
    def check(self) -> str: ...  # noqa: D102
    @property
    def unit(self) -> str: ...  # noqa: D102
    @property
    def block(self) -> str: ...  # noqa: D102
    @property
    def parameters(self) -> tuple[Parameter, ...]: ...  # noqa: D102
    @property
    def rugged(self) -> bool: ...  # noqa: D102
    @property
    def model_error(self) -> float: ...  # noqa: D102
    @property
    def exact(self) -> bool: ...  # noqa: D102
    @property
    def sought(self) -> bool: ...  # noqa: D102
    @property
    def pattern(self) -> Mapping[int, np.ndarray] | None: ...  # noqa: D102
    def at(self, *values: float) -> FaultModel: ...  # noqa: D102
    def apply(self, machine: Machine) -> Machine: ...  # noqa: D102
    def magnitude(self, *values: float) -> float: ...  # noqa: D102
    def coefficients(self, *values: float) -> Sequence[float]: ...  # noqa: D102
    @property
    def seen_as(self) -> str: ...  # noqa: D102
    @property
    def found_at(self) -> float | None: ...  # noqa: D102
    def placed(self, problem: Problem, mode: Mode) -> tuple[FaultModel, float]: ...  # noqa: D102
    def shown_on(self, piece: DrawnLines | None) -> FaultModel: ...  # noqa: D102
    def signature(  # noqa: D102
        self, machine: Machine, spot: np.ndarray, normal: np.ndarray
    ) -> np.ndarray: ...
