"""Positive definite matrices, factored by LAPACK itself.

They are small and there are thousands of them: what a general library looks at before it factors
one, such as whether every entry is finite, takes longer than the factor.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from scipy.linalg.lapack import dpotrf, dpotrs, dtrtrs

from gantrysim.records.arrays import Array


def with_unit(matrix: Array, first: int = 0) -> Array:
    """Add the unit matrix, from a row on, to a contiguous matrix: changed in place, returned."""
    matrix.ravel(order="K")[first * (len(matrix) + 1) :: len(matrix) + 1] += 1.0
    return matrix


class Definite(NamedTuple):
    """A positive definite matrix by its Cholesky factor.

    ``factor``: in one half, shape (n, n); what the other holds means nothing.  ``lower``: whether
    that is the lower half.
    """

    factor: Array
    lower: bool

    @classmethod
    def of(cls, matrix: Array, *, lower: bool = False, spent: bool = False) -> Definite:
        """Factor a matrix; LinAlgError if it is not positive definite.

        ``lower``: whether its lower half is read.  ``spent``: whether it may be overwritten, which
        saves a copy if it is in Fortran's order.
        """
        factor, failed = dpotrf(matrix, lower=lower, overwrite_a=spent, clean=False)
        if failed:
            raise np.linalg.LinAlgError("the matrix is not positive definite")
        return cls(factor, lower)

    def solve(self, column: Array) -> Array:
        """Solve for a column, shape (n,), or a table, shape (n, k)."""
        if not column.size:  # LAPACK takes no empty one
            return column
        return np.asarray(dpotrs(self.factor, column, lower=self.lower)[0])

    def halfway(self, table: Array) -> Array:
        """Solve for the factor alone, shape (n, k): the squares of what comes out are a' M^-1 a."""
        if not table.size:
            return table
        return np.asarray(dtrtrs(self.factor, table, lower=self.lower, trans=not self.lower)[0])

    @property
    def log_det(self) -> float:
        """Log determinant of the matrix."""
        return 2.0 * float(np.sum(np.log(self.factor.diagonal())))
