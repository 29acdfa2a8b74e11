"""What the inference asks of a measurement, whatever instrument made it.

A measurement gives a likelihood term: residuals for a machine and for unknowns of its own (nuisance
parameters), their Jacobian, and the metric that whitens them.  A term that knows drawn lines can do
more, such as show where on the bed a residual stands; `LikelihoodTerm.drawn` says which can.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np

from gantrysim.inference.assumptions import USUAL, Assumptions, Scales
from gantrysim.inference.discrepancy import Discrepancy
from gantrysim.inference.noise import Bins, Noise
from gantrysim.inference.whitening import Fitted, Metric
from gantrysim.machine import Machine


class LikelihoodTerm(Protocol):
    """Something measured on the machine, made ready for fitting."""

    @property
    def source(self) -> str:
        """Where what was measured comes from, in words."""

    @property
    def n_nuisance(self) -> int:
        """How many unknowns it brings of its own."""

    def widths(self, scales: Scales) -> np.ndarray:
        """Prior standard deviations of its own unknowns at other sizes, usually 1."""

    @property
    def amount(self) -> float:
        """Size of the move of each machine unknown that its derivatives need."""

    @property
    def metric(self) -> Metric:
        """Whitening of its residuals."""

    @property
    def drawn(self) -> DrawnLines | None:
        """Itself where its residuals stand on drawn lines; None where they do not."""

    def without(self, terms: np.ndarray) -> Metric:
        """As `metric`, with further linear terms, shape (m, k), integrated out."""

    def residual(self, machine: Machine, v: np.ndarray) -> np.ndarray:
        """Measurement minus predicted for a machine and its own unknowns, shape (m,)."""

    def linearise(
        self,
        machine: Machine,
        moved: Sequence[Machine],
        axes: Sequence[str],
        amount: float,
        v: np.ndarray,
    ) -> tuple[np.ndarray, np.ndarray]:
        """Residual and its Jacobian with the machine's unknowns and its own.

        Parameters
        ----------
        machine : Machine
            The machine.
        moved : sequence of Machine
            The machine with each unknown moved by `amount`.
        axes : sequence of str
            Blocks of the mechanism that each unknown acts on: "x", "y", "xy"; "spot" where it moves
            the spot alone.
        amount : float
            Size of the move.
        v : ndarray, shape (n_nuisance,)
            Its own unknowns.

        Returns
        -------
        ndarray, ndarray
            Shapes (m,) and (m, len(moved) + n_nuisance).
        """

    def learned(
        self, machine: Machine, v: np.ndarray, fitted: Fitted, *, believable: bool = True
    ) -> LikelihoodTerm:
        """The term with its noise learned from a good fit."""

    def doubts(self, machine: Machine, v: np.ndarray) -> tuple[str, ...]:
        """What of it cannot be right on a machine, a sentence without full stop each."""


class DrawnLines(LikelihoodTerm, Protocol):
    """A term whose residuals stand on drawn lines, in bins."""

    @property
    def piece(self) -> Any:
        """The measurement that it was made from."""

    @property
    def nominal(self) -> Machine:
        """The machine as described."""

    @property
    def noise(self) -> Noise:
        """Noise of the bins."""

    @property
    def bins(self) -> Bins:
        """Grouping of the points."""

    @property
    def rings(self) -> np.ndarray:
        """Number of the ring, of one shape, that each bin lies on, shape (m,)."""

    def where(self, v: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Spot place, mm, and outward normal of the commanded line at each bin, shape (m, 2)."""

    def overlay(self, machine: Machine, v: np.ndarray) -> Overlay:
        """Measured points beside the lines of a machine."""

    def with_noise(self, noise: Noise) -> DrawnLines:
        """The term with another noise."""

    @property
    def discrepancy(self) -> Discrepancy:
        """What the forward model lacks, unit columns."""

    def discrepancy_sizes(self, machine: Machine, scales: Scales) -> np.ndarray:
        """Standard deviation of each column of the discrepancy on a machine, mm."""

    def assuming(self, assumptions: Assumptions) -> DrawnLines:
        """The term under another judgement."""

    def lacking(self, machine: Machine) -> DrawnLines:
        """The term with the discrepancy of a machine, its sizes as they are."""

    def with_discrepancy(self, machine: Machine, scales: Scales) -> DrawnLines:
        """The term with the discrepancy of a machine at other sizes."""

    @property
    def weight(self) -> np.ndarray:
        """Weight of each bin, shape (m,)."""

    def robust(self, left: np.ndarray) -> DrawnLines:
        """The term with less weight for bins that an explanation leaves far off."""

    def sifted(self, explained: Sequence[tuple[Machine, np.ndarray]]) -> DrawnLines:
        """The term with the points put back that some explanation does not find far off."""

    def whiten(self, table: np.ndarray) -> np.ndarray:
        """Columns with independent unit noise, nothing integrated out."""

    @property
    def white_discrepancy(self) -> np.ndarray:
        """Whitened unit discrepancy."""

    @property
    def discrepancy_gram(self) -> np.ndarray:
        """Its products with itself."""

    @property
    def noise_log_det(self) -> float:
        """Log determinant of the covariance of the noise alone."""


class Measured(Protocol):
    """A measurement: what gives a likelihood term."""

    def likelihood_term(self, nominal: Machine, assumptions: Assumptions = USUAL) -> Any:
        """The measurement made ready for fitting, a `LikelihoodTerm`."""


@dataclass(frozen=True, eq=False)
class Overlay:
    """Measured points beside predicted lines, machine frame, mm; made for pictures.

    Parameters
    ----------
    commanded, predicted : tuple of ndarray, shape (n, 2)
        One a burned line.
    measured, base : tuple of ndarray, shape (m, 2)
        One a measured line: its points and the commanded point nearest to each.
    angles_deg, residuals : tuple of ndarray, shape (m,)
        Angle about the centre (degrees) and measured minus predicted (mm) of those points.
    labels : tuple of str
        Name of each measured line.
    strays : ndarray, shape (k, 2)
        Measured points that were left out because they stand off their neighbours.
    rings : tuple of str
        Name of the ring of each burned line, one of ``labels`` where it was measured.
    """

    commanded: tuple[np.ndarray, ...]
    predicted: tuple[np.ndarray, ...]
    measured: tuple[np.ndarray, ...]
    base: tuple[np.ndarray, ...]
    angles_deg: tuple[np.ndarray, ...]
    residuals: tuple[np.ndarray, ...]
    labels: tuple[str, ...]
    strays: np.ndarray
    rings: tuple[str, ...]
