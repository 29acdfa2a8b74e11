"""Directions in which a measurement leaves belief as it was, put into words."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

#: A direction is blind if more than this part of its prior standard deviation is left.
BLIND = 0.8
#: Quantities with less than this part in a direction are not named, and at most so many are.
_SHARE, _MOST = 0.3, 4
_ROUNDS = 60


def blind_directions(covariance: np.ndarray, names: Sequence[str]) -> tuple[str, ...]:
    """Say which combinations of parameters a measurement leaves at the prior.

    Parameters
    ----------
    covariance : ndarray, shape (n, n)
        Posterior covariance of parameters whose prior is standard normal and independent.
    names : sequence of str
        What they are.

    Returns
    -------
    tuple of str
        The least told first.  "A against B": more of A with less of B leaves the measurement
        as it is; "A with B": more of both does.

    Notes
    -----
    Eigenvectors that keep more than `BLIND` of their prior standard deviation; as those all
    but share one eigenvalue, they are turned among themselves to name few parameters each
    (varimax: Kaiser 1958, from memory).
    """
    value, vector = np.linalg.eigh(covariance)
    kept = vector[:, value > BLIND**2]
    if kept.shape[1] > 1:
        kept = _varimax(kept)
    spread = np.einsum("ij,ik,kj->j", kept, covariance, kept)
    return tuple(_words(kept[:, k], names) for k in np.argsort(-spread))


def _words(direction: np.ndarray, names: Sequence[str]) -> str:
    order = np.argsort(-np.abs(direction))
    direction = direction * np.sign(direction[order[0]])
    named = [k for k in order[:_MOST] if abs(direction[k]) > _SHARE]
    named = named or [order[0]]
    up = " with ".join(names[k] for k in named if direction[k] > 0)
    down = " with ".join(names[k] for k in named if direction[k] < 0)
    return f"{up} against {down}" if down else up


def _varimax(loadings: np.ndarray) -> np.ndarray:
    """Turn columns among themselves so that each has few large entries."""
    turn = np.eye(loadings.shape[1])
    for _ in range(_ROUNDS):
        now = loadings @ turn
        slope = loadings.T @ (now**3 - now * np.mean(now**2, axis=0))
        left, _, right = np.linalg.svd(slope)
        turn = left @ right
    return np.asarray(loadings @ turn)
