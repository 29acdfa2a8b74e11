"""Acceptance of a part, feature by feature and pair by pair, as ISO 14253-1 has it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from gantrysim.acceptance.tolerance import Requirement, Tolerance, Verdict, decide
from gantrysim.decisions.diagnosis import Finding
from gantrysim.instruments.points import Piece
from gantrysim.machine import Machine
from gantrysim.part import Drawing, Kerf, Mating, PartSizes
from gantrysim.part.believed import believed
from gantrysim.part.kerf import kerf_of
from gantrysim.part.mating import check_matings, gaps
from gantrysim.part.prediction import Prediction, healthy_errors, predicted, reach_of
from gantrysim.records.arrays import Array

_MRAD = np.radians(1.0) * 1e3  # in a degree
_COUNT = 4000  # draws of cut, model and caliper

#: What each requirement is about, its unit, limit and draws: met where none is beyond the limit.
_Asked = list[tuple[str, str, str, float, Array]]


def part_will_hold(
    finding: Finding,
    drawing: Drawing,
    tolerance: Tolerance | None,
    matings: Sequence[Mating],
    *,
    kerf: Kerf | Piece | float | Sequence[float] | None,
    confidence: float,
    draws: int,
    seed: int,
) -> Verdict:
    """Judge whether a machine will keep sizes, angles and clearances of a drawing.

    Sizes are held against what is drawn and the width of the cut, for which a drawing allows.
    """
    if matings:
        check_matings(drawing, matings)
    source = believed(finding, draws, seed)
    found = predicted(source, drawing, kerf_of(kerf), "dynamics")
    rng = np.random.default_rng(seed)
    count = max(_COUNT, draws)
    chosen = rng.integers(len(found.errors), size=count)
    cut = found.kerf.uncertainty * rng.standard_normal(count)
    off = found.errors[chosen] + found.model * rng.standard_normal((count, len(found.model)))
    off += np.outer(cut, found.added)
    reach = reach_of(drawing, healthy_errors(found))
    asked = _of_features(found, tolerance, reach, dict(zip(drawing.names, off.T, strict=True)))
    asked += _of_pairs(matings, {m: gaps(found, m, chosen, cut, rng) for m in matings})
    told = (confidence, source.unknown, f"prediction of {drawing.source}")
    return _verdict(asked, tolerance, dict(zip(drawing.names, reach, strict=True)), *told)


def part_accepted(
    sheet: PartSizes,
    tolerance: Tolerance | None,
    matings: Sequence[Mating],
    *,
    machine: Machine | None,
    intended: Mapping[str, float] | None,
    confidence: float,
    seed: int,
) -> Verdict:
    """Judge whether measured sizes of a part keep what is asked.

    Sizes are held against what was intended; where nobody said, what is drawn and the width of the
    cut that the sheet believes.
    """
    drawing = sheet.drawing
    wanted = drawing.sizes_of(intended or {})
    rng = np.random.default_rng(seed)
    noise = rng.standard_normal((_COUNT, len(sheet.readings))) * sheet.uncertainty
    noise += rng.standard_normal((_COUNT, sheet.instrument.shape[1])) @ sheet.instrument.T
    values: dict[str, list[Array]] = {}
    for k, reading in enumerate(sheet.readings):
        values.setdefault(reading.name, []).append(reading.value + noise[:, k])
    sizes = {name: np.mean(each, axis=0) for name, each in values.items()}
    described = machine if machine is not None else Machine()
    found = predicted(believed(described, 1), drawing, sheet.kerf, "feed")
    reach = reach_of(drawing, healthy_errors(found, described))
    width = (sheet.cut or sheet.kerf).width
    drawn = {f.name: f.drawn + f.kerf * width for f in drawing.features}
    off = {name: size - wanted.get(name, drawn[name]) for name, size in sizes.items()}
    asked = _of_features(found, tolerance, reach, off)
    both = {}
    for mating in matings:
        check_matings(drawing, [mating])
        both_halves = (mating.internal, mating.external)
        names = [drawing[n].name for n in both_halves if isinstance(n, str)]
        missing = next((name for name in names if name not in sizes), None)
        if missing is not None:
            raise ValueError(f"{sheet.source}: {missing} must be measured to judge {mating.words}.")
        outer: Any = mating.external
        if not isinstance(outer, str):
            both[mating] = sizes[names[0]] - outer[0] - outer[1] * rng.standard_normal(_COUNT)
        else:
            both[mating] = sizes[names[0]] - sizes[names[1]]
    asked += _of_pairs(matings, both)
    reaches = dict(zip(drawing.names, reach, strict=True))
    return _verdict(asked, tolerance, reaches, confidence, 0.0, sheet.source)


def _of_features(
    found: Prediction, tolerance: Tolerance | None, reach: Array, off: Mapping[str, Array]
) -> _Asked:
    """What is asked of sizes and angles; what healthy machines reach where nobody says."""
    asked: _Asked = []
    for feature, usual in zip(found.drawing.features, reach.tolist(), strict=True):
        if feature.name not in off:
            continue
        angle = feature.unit == "deg"
        limit = usual * (_MRAD if angle else 1.0)
        if tolerance is not None:
            stated = tolerance.squareness if angle else tolerance.size
            if stated is None or (not angle and feature.drawn < 2.0 * tolerance.least_size):
                continue
            limit = stated
        values = off[feature.name] * (_MRAD if angle else 1.0)
        unit = "mrad" if angle else "mm"
        asked.append((feature.name, f"{feature.name}, {feature.kind}", unit, limit, values))
    return asked


def _of_pairs(matings: Sequence[Mating], clearances: Mapping[Mating, Array]) -> _Asked:
    """What is asked of clearances: how far each is off the middle of what is wanted."""
    asked: _Asked = []
    for mating in matings:
        least, most = mating.clearance
        middle, half = 0.5 * (least + most), 0.5 * (most - least)
        what = f"{mating.words}, clearance off the middle of {least:g} to {most:g} mm"
        asked.append((mating.words, what, "mm", half, clearances[mating] - middle))
    return asked


def _verdict(
    asked: _Asked,
    tolerance: Tolerance | None,
    reach: Mapping[str, float],
    confidence: float,
    unknown: float,
    source: str,
) -> Verdict:
    if not asked:
        raise ValueError(f"{source}: the tolerance must ask something of the part, found nothing.")
    requirements, within = [], np.ones(len(asked[0][4]), dtype=bool)
    for name, what, unit, limit, values in asked:
        good = np.abs(values) <= limit
        within &= good
        chance = float(good.mean())
        low, middle, high = np.quantile(values, [0.025, 0.5, 0.975]).tolist()
        note = ""
        if name in reach and chance < confidence:
            usual = reach[name] * (_MRAD if unit == "mrad" else 1.0)
            note = f"a healthy machine reaches {usual:.2g} {unit}"
        told = (None, middle, low, high, chance, note, what)
        requirements.append(Requirement(name, unit, limit, *told))
    chance = float(within.mean())
    decision = decide(chance * (1.0 - unknown), chance + unknown, confidence=confidence)
    return Verdict(decision, chance, unknown, confidence, tolerance, tuple(requirements), source)
