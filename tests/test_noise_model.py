"""A noise model of one's own, defined here as a user would, goes through all doors."""

from __future__ import annotations

import dataclasses
import json
import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from lifted import lift

import gantrysim as gs
from gantrysim.inference.assumptions import Assumptions
from gantrysim.inference.noise import Bins, Noise

FADES = 20.0  # mm
TEST = gs.ring_test(spacing=8.0, largest=24.0, centre=(215.0, 200.0), passes=1, feed=30.0)
FAULT = gs.faults.TightWheels("left", extra_force=12.0)


@dataclass(frozen=True)
class GrowthRings(Noise):
    """Growth rings of the wood cross the line: an error that comes again every so many mm.

    Parameters
    ----------
    wave : float
        Its standard deviation, mm.
    pitch : float
        From ring to ring, mm.
    """

    wave: float = 0.01
    pitch: float = 9.0

    learnable = ("grain", "smooth", "length", "wave")

    def covariance(self, along: np.ndarray, turn: float | None = None) -> np.ndarray:
        return super().covariance(along, turn) + self._waves(np.asarray(along))

    def whiten(self, columns: np.ndarray, bins: Bins) -> tuple[np.ndarray, float]:
        out, log_det = np.empty_like(columns), 0.0
        for on in np.split(np.arange(bins.line.size), np.flatnonzero(np.isinf(bins.gap))[1:]):
            place = np.concatenate([[0.0], np.cumsum(bins.gap[on][1:])])
            apart = np.abs(place[:, None] - place)
            table = self.smooth**2 * np.exp(-apart / self.length) + self._waves(place)
            table += np.diag(self.grain**2 + self.point**2 / bins.count[on])
            root = np.linalg.cholesky(table)
            out[on] = np.linalg.solve(root, columns[on])
            log_det += 2.0 * float(np.sum(np.log(np.diag(root))))
        return out, log_det

    def _waves(self, place: np.ndarray) -> np.ndarray:
        apart = np.abs(place[:, None] - place)
        return self.wave**2 * np.exp(-apart / FADES) * np.cos(2.0 * np.pi * apart / self.pitch)


@dataclass(frozen=True)
class OnlyWhite(Noise):
    """Nothing but the scatter of single points, and nothing of it to be learned from a fit."""

    learnable = ()

    def covariance(self, along: np.ndarray, turn: float | None = None) -> np.ndarray:
        return self.point**2 * np.eye(len(along))

    def whiten(self, columns: np.ndarray, bins: Bins) -> tuple[np.ndarray, float]:
        spread = self.point / np.sqrt(bins.count)
        return (columns.T / spread).T, 2.0 * float(np.sum(np.log(spread)))


OWN = GrowthRings()


@pytest.fixture(scope="module")
def piece() -> gs.Piece:
    """A piece of a machine with a fault, on wood with growth rings."""
    drawn = lift(gs.Machine().with_faults(FAULT), TEST, noise=OWN.point, seed=3)
    rng = np.random.default_rng(4)
    rings = dataclasses.replace(OWN, point=0.0)
    lines = []
    for line in drawn.lines:
        steps = np.hypot(*np.diff(line.xy, axis=0).T)
        along = np.concatenate([[0.0], np.cumsum(steps)])
        outward = line.xy - line.xy.mean(axis=0)
        outward /= np.hypot(*outward.T)[:, None]
        lines.append(dataclasses.replace(line, xy=line.xy + rings.draws(along, 1, rng).T * outward))
    return dataclasses.replace(drawn, lines=tuple(lines))


@pytest.fixture(scope="module")
def finding(piece: gs.Piece) -> gs.Finding:
    return gs.diagnose(piece, assumptions=Assumptions(noise=OWN))


def test_without_rings_it_is_the_noise_that_is_built_in() -> None:
    """Dense linear algebra here, a filter along the line there."""
    gap = np.array([math.inf, 2.5, 2.0, 3.0, math.inf, 2.5, 2.5])
    bins = Bins(np.arange(7), np.arange(2.0, 9.0), np.array([0, 0, 0, 0, 1, 1, 1]), gap)
    table = np.random.default_rng(1).standard_normal((7, 3))
    own, log_det = dataclasses.replace(OWN, wave=0.0).whiten(table, bins)
    usual, usual_det = Noise().whiten(table, bins)
    np.testing.assert_allclose(own, usual, rtol=1e-9)
    assert log_det == pytest.approx(usual_det)


def test_it_is_learned_from_the_piece(finding: gs.Finding) -> None:
    noise = finding.best.fit.problem.sources[0].noise  # type: ignore[attr-defined]
    assert type(noise) is GrowthRings
    assert noise != OWN.of_points(noise.point)
    assert noise.wave == pytest.approx(OWN.wave, rel=0.5)
    assert noise.pitch == OWN.pitch


def test_the_finding_names_the_fault_and_explains_the_piece_better(
    finding: gs.Finding, piece: gs.Piece
) -> None:
    assert finding.best.faults == (FAULT.name,)
    size = finding.best.magnitudes[FAULT.name]
    assert size.low < FAULT.extra_force < size.high
    usual = gs.diagnose(piece)
    assert finding.best.fit.mode.evidence > usual.best.fit.mode.evidence + 5.0


def test_planning_and_acceptance_go_by_it(finding: gs.Finding, piece: gs.Piece) -> None:
    (proposal,) = gs.next_test(finding, candidates=[TEST])
    assert math.isfinite(proposal.worth)
    even, waving = (
        gs.accept(piece, gs.Tolerance(size=0.4), finding=knowing(finding, wave), draws=200)
        for wave in (0.0, 0.2)
    )
    narrow, wide = (v.requirements[0].high - v.requirements[0].low for v in (even, waving))
    assert wide > 3.0 * narrow


def knowing(finding: gs.Finding, wave: float) -> gs.Finding:
    """The finding with waves so long that a whole ring takes part: no form, but a size."""
    fit, noise = finding.best.fit, dataclasses.replace(OWN, wave=wave, pitch=1e4)
    source = fit.problem.burned[0][1].with_noise(noise)
    problem = dataclasses.replace(fit.problem, sources=(source,))
    best = dataclasses.replace(finding.best, fit=dataclasses.replace(fit, problem=problem))
    return dataclasses.replace(finding, ranked=(best, *finding.ranked[1:]))


def test_nothing_is_learned_that_a_model_leaves_open(piece: gs.Piece) -> None:
    start = OnlyWhite(point=0.03)
    bins = Bins(np.arange(4), np.ones(4), np.zeros(4, int), np.array([math.inf, 2.0, 2.0, 2.0]))
    assert start.learned(np.ones(4), bins, np.empty((4, 0))) is start
    found = gs.diagnose(piece, assumptions=Assumptions(noise=start))
    noise = found.best.fit.problem.sources[0].noise  # type: ignore[attr-defined]
    assert type(noise) is OnlyWhite
    assert noise == start.of_points(noise.point)


def test_a_log_says_which_model_and_reads_it_back(finding: gs.Finding, tmp_path: Path) -> None:
    path = tmp_path / "alder.json"
    log = gs.new_log(path, gs.Machine(), name="Alder", assumptions=finding.assumptions)
    assert gs.open_log(path).assumptions == log.assumptions
    assert json.loads(path.read_text())["assumptions"]["noise"]["model"] == "GrowthRings"
    path.write_text(path.read_text().replace("GrowthRings", "Unheard"))
    with pytest.raises(ValueError, match=r"alder\.json: .*'Unheard'"):
        gs.open_log(path)
