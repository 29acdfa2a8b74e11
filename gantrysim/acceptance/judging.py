"""Acceptance: whether a piece keeps a tolerance, and whether a machine will keep it elsewhere.

Form is judged on the true line, not on noisy points: the noise is that which the fit of the
piece left (`gantrysim.inference.noise`), the scanner is good to its prior
(`gantrysim.instruments.burnedpiece`).  Decided as ISO 14253-1 has it.
"""

from __future__ import annotations

import dataclasses
import functools
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray
from threadpoolctl import threadpool_limits

from gantrysim.acceptance.alike import draw_alike, effective_number
from gantrysim.acceptance.cut import part_accepted, part_will_hold
from gantrysim.acceptance.drawn import worst_of_lines
from gantrysim.acceptance.predicted import predicted_burns
from gantrysim.acceptance.tolerance import (
    CANNOT_TELL,
    CHARACTERISTICS,
    CONFIDENCE,
    NOT_YET,
    PASS,
    Requirement,
    Tolerance,
    Verdict,
    decide,
)
from gantrysim.burn import Burn
from gantrysim.burn.simulation import simulate
from gantrysim.decisions.diagnosis import Finding, Hypothesis
from gantrysim.inference.noise import Noise
from gantrysim.instruments.burnedpiece import BurnedPiece, prepare_piece
from gantrysim.instruments.points import Piece
from gantrysim.machine import Machine
from gantrysim.metrology.burns import measure
from gantrysim.metrology.harmonics import waves
from gantrysim.metrology.measures import Measures
from gantrysim.metrology.noisyrings import (
    NoisyRing,
    carried_cutoff,
    carries_form,
    worst_roundness,
)
from gantrysim.metrology.quantities import size_noise
from gantrysim.metrology.rows import CircleRow, SquareRow
from gantrysim.metrology.sensitivity import errors_of_square, square_sensitivities
from gantrysim.metrology.uncertainty import propagated
from gantrysim.part import Drawing, Kerf, Mating, PartSizes, drawing_of
from gantrysim.part.believed import NOTHING, healthy_machines, predictive, shared_out
from gantrysim.pattern.ringtest import RingTest, drawn_passes
from gantrysim.pattern.shapes import CIRCLE, shape_of
from gantrysim.pattern.toolpath import Toolpath
from gantrysim.records.arrays import Array
from gantrysim.records.checks import confidence_level, finite_number, whole_number
from gantrysim.records.doors import checked

_LOW_ORDER = 30  # harmonics of a line that count as its form, not as noise
_NOISE_DOUBT = 0.06  # relative doubt about the variance of a point (3 % of its deviation: measured)
_LEAST_CUTOFF = (
    15.0  # UPR: the lowest usual one (ISO 12181-2, from memory); less shows no roundness
)
#: Beyond what noise (so many deviations of a point) and the filter (that part) take off a roundness
#: as measured, single points make it (judgement; on sound pieces 7 and a tenth were seen).
_FAR, _FILTERED = 10.0, 0.25
_HEALTHY = 16  # healthy machines drawn to say what such a machine reaches


@checked
def accept(
    measured: Piece | Burn | PartSizes,
    tolerance: Tolerance | None = None,
    machine: Machine | None = None,
    *,
    finding: Finding | None = None,
    matings: Sequence[Mating] = (),
    intended: Mapping[str, float] | None = None,
    scale_uncertainty: float | None = None,
    confidence: float = CONFIDENCE,
    draws: int = 1000,
    seed: int = 20,
) -> Verdict:
    """Judge whether a burned piece keeps a tolerance: pass, not yet, or cannot tell.

    Parameters
    ----------
    measured : Piece, Burn or PartSizes
        What was burned and measured; a predicted burn is exact.
    tolerance : Tolerance, optional
        What it must keep to; of a part ``size`` for each feature and ``squareness`` for each angle.
        A part must keep what a healthy machine reaches if absent.
    machine : Machine, optional
        The machine as described; the nominal bench machine if absent.
    finding : Finding, optional
        What was found on this piece: predicts the closing gap, which points of a lifted piece do
        not show.
    matings : sequence of Mating
        Pairs of features of a part with the clearance that is wanted, mm.
    intended : mapping, optional
        What features of a part were to be, by name, mm; as drawn and cut if absent.
    scale_uncertainty : float, optional
        Standard uncertainty of the scanner's scale, relative; what the piece says of its scanner
        if absent (`Piece.scanner`).
    confidence : float
        Probability that proves conformity or its absence.
    draws, seed : int
        Of the true lines.

    Returns
    -------
    Verdict
        "pass" if everything is within with a probability of ``confidence`` or more, "not yet" if
        with no more than its complement, else "cannot tell" (ISO 14253-1).  What cannot be judged
        on this piece makes no pass; where all else is kept the report says so, and what it takes.

    Raises
    ------
    ValueError
        If it is neither a piece, a burn nor a part, the piece has no ring that can be measured, or
        another argument is of a wrong kind or size (confidence: above 0.5 and below 1).

    Notes
    -----
    Roundness is that of the lines after the Gaussian filter of ISO 12181-2 (50 undulations per
    revolution unless the tolerance says otherwise, and the fewer that a ring can show, see
    `gantrysim.metrology.noisyrings.carried_cutoff`), of an exact burn as of a measured piece.
    Circles whose points do not show an oval are left out; points that show fewer than 15
    undulations on every circle prove no pass.  What noise adds is drawn and taken off
    (`gantrysim.metrology.noisyrings`), the largest over all rings is judged in each draw.  Passes
    of a ring count as one form: grain that both follow is roundness of the line.  Where the true
    value is far from the measured one nothing is decided, and the requirement says so.  On lines
    that are known exactly, of default tests read as a scanner reads them, the 95 % interval of
    roundness held 37 of 40 with 3000 points and 39 of 40 with 800 (14 of 16 where the lines ring):
    what finer waves than the points show may add counts in it.
    Beside a limit that is not kept stands what 16 healthy machines as described reach.
    Of the distance between passes only the white noise is taken off, because passes that lie on
    each other share grain and scanner errors; what is left is as sure as the effective number of
    independent values allows.

    Examples
    --------
    >>> import gantrysim as gs
    >>> test = gs.ring_test(("circle",), spacing=10.0, largest=20.0)
    >>> tight = gs.Machine().with_faults(gs.faults.TightWheels("left", extra_force=12.0))
    >>> gs.accept(gs.simulate(tight, test), gs.Tolerance(roundness=0.4))
    Verdict(not yet, probability below 0.01)
    >>> gs.accept(gs.simulate(gs.Machine(), test), gs.Tolerance(roundness=0.4))
    Verdict(pass, probability above 0.99)
    """
    confidence = confidence_level(confidence)
    draws, seed = whole_number(draws, "draws", least=100), whole_number(seed, "seed", least=0)
    if isinstance(measured, PartSizes):
        described = machine if machine is not None or finding is None else finding.machine
        return part_accepted(
            measured, tolerance, matings,
            machine=described, intended=intended, confidence=confidence, seed=seed,
        )  # fmt: skip
    tolerance = _stated(tolerance, matings, intended)
    if isinstance(measured, Burn):
        exact = worst_of_lines(measured.lines, measured.commanded, measured.test, tolerance)
        known = {name: np.full(1, value) for name, value in exact.items()}
        verdict = _verdict(tolerance, known, {}, confidence, "predicted burn")
        return verdict if machine is None else _beside_healthy(verdict, machine, measured.test)
    scanner_root = measured.scanner.root
    if scale_uncertainty is not None:
        if not 0.0 < finite_number(scale_uncertainty, "scale_uncertainty") < 0.1:
            raise ValueError(f"scale_uncertainty must be 0 to 0.1, found {scale_uncertainty:g}.")
        scanner_root = np.diag((scale_uncertainty, *measured.scanner.deviations[1:]))
    rng = np.random.default_rng(seed)
    if machine is None:
        machine = finding.machine if finding is not None else Machine()
    looked = _Looked.of(measured, machine, tolerance.least_size, finding)
    # `measure` has taken the mean out of the points
    scanner = rng.standard_normal((draws, 3)) @ scanner_root.T
    with threadpool_limits(1):
        known, found = looked.draws(tolerance, scanner, draws, rng)
    notes, doubted = looked.doubts(tolerance, known, found)
    unknown = 0.0
    if "closure" in tolerance.limits and finding is not None:
        clear, unknown = predictive(finding)
        notes["closure"] = (
            f"as the finding predicts it; it does not show in the points; {_beam(measured.test)}"
        )
        if clear:
            only = Tolerance(closure=tolerance.closure, least_size=tolerance.least_size)
            told = _predicted(clear, measured.test, only, max(50, draws // 20), seed)
            known |= {k: gaps[rng.integers(len(gaps), size=draws)] for k, gaps in told.items()}
        else:
            notes["closure"] = (
                "it does not show in the points, and no explanation of the finding says how the "
                "machine draws"
            )
    verdict = _verdict(
        tolerance, known, found, confidence, measured.source,
        unknown=unknown, predictive=("closure",), notes=notes, doubted=doubted,
    )  # fmt: skip
    return _beside_healthy(verdict, machine, measured.test)


@checked
def will_hold(
    finding: Finding,
    test: RingTest | Toolpath | Drawing,
    tolerance: Tolerance | None = None,
    *,
    matings: Sequence[Mating] = (),
    kerf: Kerf | Piece | float | Sequence[float] | None = None,
    confidence: float = CONFIDENCE,
    draws: int = 200,
    seed: int = 20,
) -> Verdict:
    """Judge whether the machine, as it is now believed to be, will keep a tolerance on a test.

    Parameters
    ----------
    finding : Finding
        What the last burn said.
    test : RingTest, Toolpath or Drawing
        The job: any test, not only the one that was burned, or a customer's path.
    tolerance : Tolerance, optional
        What it must keep to; of a path ``size`` for each feature, about what is drawn and the width
        of the cut, and ``squareness`` for each angle.  A path must keep what a healthy machine
        reaches if absent.
    matings : sequence of Mating
        Pairs of features of a path with the clearance that is wanted, mm.
    kerf : float, (float, float), Kerf or Piece, optional
        Width of the cut of a path, as for `gantrysim.part.predict_part`, mm.
    confidence : float
        Probability that proves it.
    draws, seed : int
        Of machines, from all explanations by their probability and from the posterior draws of
        each that the stated intervals use (`gantrysim.inference.fitting.Fit.draws`).

    Returns
    -------
    Verdict
        Explanations of which nothing can be predicted (something not in the list) and slips in how
        the piece was stated are its ``unknown``: a pass must hold even if all of those fail, a
        "not yet" even if all of those pass.

    Raises
    ------
    ValueError
        If the test leaves the travel of the machine, nothing can be predicted at all, or an
        argument is of a wrong kind or size.

    Notes
    -----
    A predicted burn has the ringing of the dynamics and a draw of what the forward model lacks
    (`gantrysim.acceptance.predicted`).  On 14 machines that swing 75 of 77 intervals of 95 % held
    and none of 68 single decisions was wrong; on 15 others, seen while this was built, 69 of 80 and
    3 of 71 (tests/studies/predictions.py; the intervals of sizes and squareness had a sign then).
    Where wheels are very tight (20 N and more), or the explanation is wrong, sizes hold less often:
    the march fits what the dynamics drew.
    The closing gap is that of a beam which is on in time.

    Examples
    --------
    >>> import gantrysim as gs
    >>> from gantrysim.instruments import ToneReading, ToneSheet
    >>> low = ToneReading("left", span=270.0, mass=8.4, tone=28.6, uncertainty=0.5)
    >>> finding = gs.diagnose(ToneSheet((low,), "by ear"))
    >>> test = gs.ring_test(("circle",), spacing=10.0, largest=20.0)
    >>> gs.will_hold(finding, test, gs.Tolerance(roundness=0.05), draws=40)
    Verdict(cannot tell, probability below 0.01)
    """
    confidence = confidence_level(confidence)
    draws, seed = whole_number(draws, "draws", least=20), whole_number(seed, "seed", least=0)
    if not isinstance(test, RingTest):
        drawing = drawing_of(test) if isinstance(test, Toolpath) else test
        return part_will_hold(
            finding, drawing, tolerance, matings,
            kerf=kerf, confidence=confidence, draws=draws, seed=seed,
        )  # fmt: skip
    tolerance = _stated(tolerance, matings, kerf is not None)
    clear, unknown = predictive(finding)
    if not clear:
        raise ValueError(NOTHING)
    known = _predicted(clear, test, tolerance, draws, seed)
    verdict = _verdict(
        tolerance, known, {}, confidence, "prediction",
        unknown=unknown, predictive=tuple(tolerance.limits), notes={"closure": _beam(test)},
    )  # fmt: skip
    return _beside_healthy(verdict, finding.machine, test)


def _stated(tolerance: Tolerance | None, *only_of_parts: Any) -> Tolerance:
    """The tolerance of rings, which nobody can leave out."""
    if tolerance is None:
        raise ValueError("tolerance must be given for rings, found none.")
    if any(only_of_parts):
        raise ValueError("matings, intended and kerf must be left out for rings: parts have them.")
    return tolerance


# Judging draws


def _verdict(
    tolerance: Tolerance,
    known: Mapping[str, Array],
    found: Mapping[str, float],
    confidence: float,
    source: str,
    *,
    unknown: float = 0.0,
    predictive: Sequence[str] = (),
    notes: Mapping[str, str] | None = None,
    doubted: Sequence[str] = (),
) -> Verdict:
    """Judge draws: `unknown` is the probability that the `predictive` values say nothing.

    ``doubted``: decisions against which what is noted of roundness speaks.
    """
    notes = notes or {}
    count = len(next(iter(known.values()))) if known else 1
    shown = np.ones(count, dtype=bool)  # what does not rest on a prediction is within
    within = np.ones(count, dtype=bool)
    requirements = []
    for name, limit in tolerance.limits.items():
        values = known.get(name)
        unit = CHARACTERISTICS[name][0]
        if values is None:
            note = notes.get(name, _ABSENT[name])
            requirements.append(Requirement(name, unit, limit, None, None, None, None, None, note))
            continue
        reach = np.abs(values)  # limits have no sign
        good = reach <= limit
        within &= good
        if name not in predictive:
            shown &= good
        note = notes.get(name, "")
        if name == "roundness":
            note = note or (
                f"filtered at {tolerance.cutoff:g} undulations per revolution, or at the fewer "
                "that a ring can show"
            )
        if name == "size" and abs(np.mean(np.sign(values))) > 0.95:
            note = note or f"it is too {'large' if np.mean(values) > 0.0 else 'small'}"
        low, middle, high = np.quantile(reach, [0.025, 0.5, 0.975]).tolist()
        seen = abs(found[name]) if name in found else None
        told = (seen, middle, low, high, float(good.mean()))
        doubtful = name == "roundness" and bool(doubted)
        requirements.append(Requirement(name, unit, limit, *told, note, doubtful=doubtful))
    probability = float(within.mean())
    low = probability * (1.0 - unknown)
    decision = CANNOT_TELL
    if known:
        decision = decide(low, low + float(shown.mean()) * unknown, confidence=confidence)
    if decision in doubted or (
        decision == PASS and any(r.probability is None for r in requirements)
    ):
        decision = CANNOT_TELL
    return Verdict(
        decision, probability, unknown, confidence, tolerance, tuple(requirements), source
    )


def _beside_healthy(verdict: Verdict, machine: Machine, test: RingTest) -> Verdict:
    """A "not yet" with what healthy machines make of each limit that is not kept."""
    failed = [
        r.name for r in verdict.requirements
        if r.probability is not None and r.probability < verdict.confidence
    ]  # fmt: skip
    if verdict.decision != NOT_YET or not failed or verdict.tolerance is None:
        return verdict
    worst: dict[str, list[float]] = {name: [] for name in failed}
    for healthy in healthy_machines(machine, _HEALTHY):
        burn = simulate(healthy, test, feed_forces=True)
        values = worst_of_lines(burn.lines, burn.commanded, test, verdict.tolerance)
        for name in failed:
            worst[name].append(abs(values[name]))
    reached = {
        name: (
            f"healthy machines reach {min(each):.2g} to {max(each):.2g} {CHARACTERISTICS[name][0]}"
        )
        for name, each in worst.items()
    }
    rows = tuple(
        dataclasses.replace(r, note="; ".join(filter(None, (reached[r.name], r.note))))
        if r.name in reached else r
        for r in verdict.requirements
    )  # fmt: skip
    return dataclasses.replace(verdict, requirements=rows)


_ABSENT = {
    "roundness": "it takes circles of that size, and none could be measured",
    "size": "it takes rings of that size, and none could be measured",
    "squareness": "it takes squares of that size, and none could be measured",
    "closure": "points of a lifted piece have no order; give a finding to predict it",
    "spacing": "it takes three neighbouring rings of one shape that can be measured",
    "overlay": (
        "no two passes of a ring are told apart; it takes rings drawn twice or more, and on a scan "
        "passes that part by nine tenths of the line's width, so that a finer line shows more of "
        "it; gantrysim.will_hold predicts it from a finding"
    ),
}


# A measured piece


def _noise(piece: Piece, machine: Machine, white: float, finding: Finding | None) -> Noise:
    """Noise of a piece from what its own smooth lines leave, or as a model of its own has it.

    ``white``: that of single points as neighbours show it, mm.  What a fit takes for the noise of
    single points is that of its model, which no scan reaches: taken off a form it makes too little
    of it.  What a ``finding`` learned for another model of noise its lines alone do not tell.
    """
    for _, term in finding.best.fit.problem.burned if finding is not None else ():
        if term.piece is piece and type(term.noise) is not Noise:
            return term.noise.of_points(white)
    burned = prepare_piece(piece, machine)
    nowhere = np.zeros(burned.n_nuisance)
    residual = burned.residual(burned.nominal, nowhere)
    most = burned.assumptions.most_noise()
    start = burned.noise.of_points(white)
    return start.learned_by_line(residual, burned.bins, _smooth_lines(burned), most=most)


def _smooth_lines(burned: BurnedPiece) -> Array:
    """What a smooth line may hold at the bins: low waves of a ring, straight sides of a square.

    Each line has its own amounts, of a prior standard deviation of 1 mm.
    """
    _, normal = burned.where(np.zeros(burned.n_nuisance))
    angle = np.arctan2(normal[:, 1], normal[:, 0])
    line = burned.bins.line
    square = burned.matched.rings.square[line]
    side = np.round(angle / (np.pi / 2)).astype(np.int64) % 4
    along = np.cumsum(np.where(np.isfinite(burned.bins.gap), burned.bins.gap, 0.0))
    table = np.zeros((line.size, 2 * _LOW_ORDER + 1))
    for each in np.unique(line):
        on = np.flatnonzero(line == each)
        if not square[on[0]]:
            order = min(_LOW_ORDER, max(1, on.size // 4))
            table[on, : 2 * order + 1] = waves(angle[on], order)
            continue
        for k in range(4):
            own = on[side[on] == k]
            if own.size > 2:
                at = along[own] - along[own].mean()
                table[own, 2 * k] = 1.0
                table[own, 2 * k + 1] = at / np.abs(at).max()
    return table


@dataclasses.dataclass(frozen=True, eq=False)
class _Looked:
    """A measured piece with its rows, each with the points behind it."""

    measures: Measures
    noise: Noise
    circles: list[tuple[CircleRow, Array]]
    squares: list[tuple[SquareRow, Array]]
    passes: Mapping[tuple[str, int], int]

    @classmethod
    def of(
        cls, piece: Piece, machine: Machine, least_size: float, finding: Finding | None
    ) -> _Looked:
        measures = measure(piece)
        if not measures.rows:
            why = measures.skipped[0] if measures.skipped else "it has no rings."
            raise ValueError(f"{piece.source}: nothing can be judged: {why}")
        assert measures.noise is not None
        noise = _noise(piece, machine, measures.noise.point, finding)
        lines = {(line.shape, line.ring, line.pass_index): line.xy for line in measures.outlines}
        circles = [(r, lines[r.place]) for r in measures.circles if r.size >= least_size]
        squares = [(r, lines[r.place]) for r in measures.squares if r.size >= least_size]
        return cls(measures, noise, circles, squares, drawn_passes(piece.test))

    def draws(
        self, tolerance: Tolerance, scanner: Array, draws: int, rng: Generator
    ) -> tuple[dict[str, Array], dict[str, float]]:
        """Draws of the true worst value of each characteristic, and its measured value."""
        limits = tolerance.limits
        known: dict[str, Array] = {}
        found: dict[str, float] = {}
        if "roundness" in limits and self.rings:
            known["roundness"], found["roundness"] = self._roundness(tolerance, scanner, rng)
        if "size" in limits or "spacing" in limits:
            self._sizes(scanner, known, found, rng)
        if "squareness" in limits and self.squares:
            off = np.array([row.geometry.squareness_mrad for row, _ in self.squares])
            variance = self._square_variances[:, 2]
            true = draw_alike(np.ones((len(off), 1)), off, variance, draws, rng)
            known["squareness"] = _furthest(true - 1e3 * scanner[:, 2:])
            found["squareness"] = float(max(off, key=abs))
        if "overlay" in limits:
            self._overlay(known, found, draws, rng)
        return {name: v for name, v in known.items() if name in limits}, found

    @functools.cached_property
    def rings(self) -> dict[int, NoisyRing]:
        """The circles whose points show a form, by ring, each with all its passes."""
        passes: dict[int, list[Array]] = {}
        for row, xy in self.circles:
            passes.setdefault(row.ring, []).append(xy)
        rings = {ring: NoisyRing.of(each) for ring, each in passes.items()}
        return {number: ring for number, ring in rings.items() if carries_form(ring.angle)}

    def doubts(
        self, tolerance: Tolerance, known: Mapping[str, Array], found: Mapping[str, float]
    ) -> tuple[dict[str, str], tuple[str, ...]]:
        """What speaks against the true roundness, in words, and the decisions it takes away."""
        if "roundness" not in known:
            few = self.circles and "no circle has the eight points round it that show an oval"
            return ({"roundness": few} if few else {}), ()
        true, measured = float(np.median(known["roundness"])), found["roundness"]
        usual = _FAR * self.noise.total + _FILTERED * true
        if not -0.5 * usual <= measured - true <= usual:
            low, high = sorted((true, measured))
            words = (
                f"the measured value is far from the estimated one, {low:.3g} and {high:.3g} mm, "
                "more than noise explains: look for stray points, gaps and rings read for their "
                "neighbours before it is believed"
            )
            return {"roundness": words}, (PASS, NOT_YET)
        rings, cutoff = self.rings.values(), tolerance.cutoff
        asked = max(carried_cutoff(cutoff, ring.radius) for ring in rings)
        shown = max(carried_cutoff(cutoff, ring.radius, ring.angle) for ring in rings)
        if shown >= min(asked, _LEAST_CUTOFF):
            return {}, ()
        words = (
            f"the points show no more than {shown:.2g} undulations per revolution: finer ones may "
            "add to it, and points as close as a scan has them would show those"
        )
        return {"roundness": words}, (PASS,)

    def _roundness(
        self, tolerance: Tolerance, scanner: Array, rng: Generator
    ) -> tuple[Array, float]:
        """Roundness of the worst circle, filtered: draws, and as measured and not filtered."""
        draws = np.empty(len(scanner))
        # what a line leaves beyond its waves and the white noise is grain, or form with corners:
        # nothing tells which, so that it is taken off in every other draw
        for k, noise in enumerate((self.noise, Noise(self.noise.point, 0.0, 0.0))):
            _, draws[k::2] = worst_roundness(
                list(self.rings.values()),
                noise,
                rng,
                reference=tolerance.reference,
                cutoff=tolerance.cutoff,
                trials=len(scanner[k::2]),
                reader=scanner[k::2],
            )
        paths = [row.path for row, _ in self.circles if row.ring in self.rings]
        zone = tolerance.reference == "MZ"
        return draws, max((p.minimum_zone if zone else p.least_squares).RONt for p in paths)

    @functools.cached_property
    def _square_variances(self) -> Array:
        """Variances of width, height (mm²) and squareness (mrad²) of each square."""
        table = []
        for row, xy in self.squares:
            rows = square_sensitivities(xy, row.geometry)
            covariance = errors_of_square(self.noise, row.geometry, xy).covariance()
            each = (rows.width, rows.height, rows.squareness_mrad)
            table.append([propagated(sensitivity, covariance) ** 2 for sensitivity in each])
        return np.array(table)

    def _sizes(
        self, scanner: Array, known: dict[str, Array], found: dict[str, float], rng: Generator
    ) -> None:
        """Sizes and the scatter of their steps; diameters, widths and heights each by themselves.

        A diameter, width or height grows with what the scanner reads too long along it.
        """
        common, difference = scanner[:, :1], scanner[:, 1:2]
        circles = [
            (row, 2 * row.measured_size, (2 * size_noise(row, xy, self.noise)) ** 2)
            for row, xy in self.circles
        ]
        widths, heights = (
            [
                (row, getattr(row.geometry, name), float(v[k]))
                for (row, _), v in zip(self.squares, self._square_variances, strict=True)
            ]
            for k, name in enumerate(("width", "height"))
        )
        kinds: tuple[tuple[Sequence[tuple[CircleRow | SquareRow, float, float]], Array], ...] = (
            (circles, common),
            (widths, common + difference / 2),
            (heights, common - difference / 2),
        )
        true_sizes, measured, steps, spacing = [], [], [], []
        for rows, scale in kinds:
            if not rows:
                continue
            size = np.array([2.0 * row.size for row, _, _ in rows])
            off = np.array([length for _, length, _ in rows]) - size
            columns = np.column_stack((np.ones_like(size), (size - size.mean()) / 100.0))
            variance = np.array([v for _, _, v in rows])
            true = draw_alike(columns, off, variance, len(scanner), rng)
            true_sizes.append(true - size * scale)
            measured.extend(off.tolist())
            rings = np.array([row.ring for row, _, _ in rows])
            table = _by_ring(rings, np.vstack((off, true)))
            if table is not None:  # radius or half side: half of the full size
                scatter = np.std(0.5 * np.diff(table, axis=1), axis=1, ddof=1)
                spacing.append(float(scatter[0]))
                steps.append(scatter[1:])
        if true_sizes:
            known["size"] = _furthest(np.concatenate(true_sizes, axis=1))
            found["size"] = max(measured, key=abs)
        if steps:
            known["spacing"] = np.max(steps, axis=0)
            found["spacing"] = max(spacing)

    def _overlay(
        self, known: dict[str, Array], found: dict[str, float], draws: int, rng: Generator
    ) -> None:
        """Distance between the passes of each ring, white noise taken off."""
        rows = [(row.shape, row.ring, row.size, len(xy)) for row, xy in self.circles]
        rows += [(row.shape, row.ring, row.size, len(xy)) for row, xy in self.squares]
        sizes = {(shape, ring): size for shape, ring, size, _ in rows}
        points_on = {(shape, ring): points for shape, ring, _, points in rows}
        scatters = [s for s in self.measures.scatters if (s.shape, s.ring) in sizes]
        if not scatters:
            return
        squares, variances = [], []
        for scatter in scatters:
            key = (scatter.shape, scatter.ring)
            way = shape_of(scatter.shape).perimeter(sizes[key])
            points = max(3, round(points_on[key] * scatter.share))
            cov = 2.0 * self.noise.covariance(np.linspace(0.0, way * scatter.share, points))
            number = effective_number(cov) * max(1, self.passes[key] - 1)
            noise, true = float(cov[0, 0]), scatter.rms**2 - 2.0 * self.noise.point**2
            squares.append(true)
            variances.append((2.0 * noise**2 + 4.0 * noise * max(true, 0.0)) / number)
        unit = 1e-2  # of a distance, mm: its square is a handy number
        circle = np.array([s.shape == CIRCLE.name for s in scatters], dtype=float)
        values, variance = np.array(squares) / unit**2, np.array(variances) / unit**4
        drawn = draw_alike(np.column_stack((circle, 1.0 - circle)), values, variance, draws, rng)
        doubt = 2.0 * (self.noise.point / unit) ** 2 * _NOISE_DOUBT  # the same for all rings
        drawn += doubt * rng.standard_normal((draws, 1))
        known["overlay"] = unit * np.sqrt(np.maximum(drawn, 0.0)).max(axis=1)
        found["overlay"] = max(s.rms for s in scatters)


def _furthest(values: Array) -> Array:
    """Of each row the value furthest from zero."""
    places = np.argmax(np.abs(values), axis=1)
    return np.asarray(values[np.arange(len(values)), places])


def _by_ring(rings: NDArray[np.int64], table: Array) -> Array | None:
    """Mean over the passes of each ring; None unless three or more follow one another."""
    each = np.unique(rings)
    if len(each) < 3 or np.any(np.diff(each) != 1):
        return None
    return np.column_stack([table[:, rings == ring].mean(axis=1) for ring in each])


# Predictions


def _predicted(
    clear: Mapping[Hypothesis, float], test: RingTest, tolerance: Tolerance, draws: int, seed: int
) -> dict[str, Array]:
    """Draws of the worst values on a test, from explanations by their probability.

    Of burns as `gantrysim.acceptance.predicted` draws them.
    """
    rng = np.random.default_rng(seed)
    found: dict[str, list[float]] = {}
    for hypothesis, count in shared_out(clear, draws, rng):
        for burn in predicted_burns(hypothesis.fit, test, count, rng):
            worst = worst_of_lines(burn.lines, burn.commanded, test, tolerance)
            for name, value in worst.items():
                found.setdefault(name, []).append(value)
    return {name: np.array(values) for name, values in found.items()}


def _beam(test: RingTest) -> str:
    """What a predicted closing gap leaves out: no finding knows how a controller is set."""
    return (
        "for a beam that is on in time: each millisecond that it comes on late opens the gap by "
        f"up to {1e-3 * test.feed:.2g} mm more"
    )
