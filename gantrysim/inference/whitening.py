"""Whitening of what was measured, with the linear terms that nobody asks about integrated out."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from gantrysim.inference.definite import Definite, with_unit


@dataclass(frozen=True, eq=False)
class Metric:
    """Whitens columns over what was measured; shared linear terms are integrated out exactly.

    Parameters
    ----------
    columns : callable
        Column or table over the measured values -> the same with independent unit noise.
    white : ndarray, shape (m, k)
        Whitened shared terms, each at one prior standard deviation.
    known : Definite
        1 + white' white, shape (k, k).
    log_det : float
        Log determinant of the covariance of noise and shared terms together.
    """

    columns: Callable[[np.ndarray], np.ndarray]
    white: np.ndarray
    known: Definite
    log_det: float

    @classmethod
    def of(
        cls, columns: Callable[[np.ndarray], np.ndarray], shared: np.ndarray, log_det: float
    ) -> Metric:
        """Make the metric of a noise (its whitening, its log determinant) and shared terms."""
        white = columns(shared)
        known = Definite.of(with_unit(white.T @ white))
        return cls(columns, white, known, log_det + known.log_det)

    @classmethod
    def independent(cls, uncertainty: np.ndarray, shared: np.ndarray) -> Metric:
        """Make the metric of readings with a standard uncertainty each, and shared terms."""

        def columns(table: np.ndarray) -> np.ndarray:
            return table / (uncertainty if table.ndim == 1 else uncertainty[:, None])

        return cls.of(columns, shared, 2.0 * float(np.sum(np.log(uncertainty))))

    def _shadow(self, a: np.ndarray) -> np.ndarray:
        """The part of whitened columns that the shared terms take up, shape (k,) or (k, n)."""
        return self.known.halfway(self.white.T @ a)

    def product(self, a: np.ndarray, b: np.ndarray) -> Any:
        """Inner product a' P b, the shared terms integrated out; a and b are whitened."""
        taken = self._shadow(a)
        return a.T @ b - taken.T @ (taken if b is a else self._shadow(b))

    def normal(self, table: np.ndarray, residual: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Normal equations of columns and a residual, before whitening: a' P a and a' P r."""
        a, r = self.columns(table), self.columns(residual)
        taken = self._shadow(a)
        return a.T @ a - taken.T @ taken, a.T @ r - taken.T @ self._shadow(r)

    def half_square(self, residual: np.ndarray) -> Any:
        """Half the whitened sum of squares of a residual, or of each column of a table."""
        w = self.columns(residual)
        return 0.5 * (np.sum(w**2, axis=0) - np.sum(self._shadow(w) ** 2, axis=0))

    def taken_up(self, residual: np.ndarray) -> np.ndarray:
        """Most probable amounts of the shared terms in a residual, in standard deviations."""
        return self.known.solve(self.white.T @ self.columns(residual))


@dataclass(frozen=True, eq=False)
class Fitted:
    """What a fit left of one source, and how much of it the fit could have taken up.

    Parameters
    ----------
    residual : ndarray, shape (m,)
        Residuals at the fit.
    free : ndarray, shape (m, n)
        What the unknowns change about them, each at one prior standard deviation.
    taken : ndarray, shape (n,)
        Where the fit stands, in these standard deviations.
    """

    residual: np.ndarray
    free: np.ndarray
    taken: np.ndarray

    @property
    def before(self) -> np.ndarray:
        """Residuals as they would be with every unknown as believed, linearly."""
        return np.asarray(self.residual - self.free @ self.taken)
