"""Hand checks as observations: what a finger, a tone, a rule reads, and how wrong it can be."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from workshop import TENSION

import gantrysim as gs
from gantrysim.decisions.diagnosis import Finding, Hypothesis
from gantrysim.faults.adjusting import AdjustingPoint
from gantrysim.faults.belts import BeltTension
from gantrysim.faults.coupling import Coupling, SetScrew
from gantrysim.faults.nuts import Nuts
from gantrysim.faults.scale import Steps
from gantrysim.faults.square import Square
from gantrysim.machine.handbook import Handbook

#: Hand readings (judgement): how often a finger feels the wrong one of tight, normal and loose;
#: standard deviations of a tone (relative), of play (mm), of the home offset (mm), of the
#: difference of diagonals (mm), and of 200 mm by a rule (relative).
FINGER_WRONG = 0.10
TONE, PLAY, HOME, DIAGONALS, RULED = 0.015, 0.02, 0.05, 0.25, 2.5e-4
#: Wheels feel tight above this part of the drag as described, and click beyond this play, mm.
FEELS_TIGHT, FEELS_LOOSE = 1.5, {"left": 0.03, "right": 0.03, "carriage": 0.02}


def point_of(name: str, machine: gs.Machine, handbook: Handbook) -> AdjustingPoint:
    """Where a named fault is put right."""
    return machine.catalogue().named(name).adjusting_point(machine, handbook)


@dataclass(frozen=True)
class Reading:
    """What a hand check read: a number and its standard deviation, or what a finger felt."""

    value: float
    deviation: float
    felt: str = ""


def feel(machine: gs.Machine, part: str) -> str:
    """What the wheels of a part really are: tight, normal or loose."""
    rolling, nominal = machine.value(part), gs.Machine().value(part)
    play = rolling.gap if part == "carriage" else rolling.rack_clearance
    if play > FEELS_LOOSE[part]:
        return "loose"
    return "tight" if rolling.friction > FEELS_TIGHT * nominal.friction else "normal"


def read(point: AdjustingPoint, machine: gs.Machine, rng: np.random.Generator) -> Reading | None:
    """Check a place by hand; None where there is nothing to read."""
    if isinstance(point, Nuts):
        felt = feel(machine, point.part)
        if rng.random() < FINGER_WRONG:
            felt = str(rng.choice([s for s in ("tight", "normal", "loose") if s != felt]))
        return Reading(math.nan, math.nan, felt)
    told = _told(point, machine)
    if told is None:
        return None
    value, deviation = told
    return Reading(value + deviation * float(rng.standard_normal()), deviation)


def _told(point: AdjustingPoint, machine: gs.Machine) -> tuple[float, float] | None:
    """What a place would read without error, in the point's own unit, and the error."""
    here = point.stands(machine)
    if isinstance(point, BeltTension):
        return here, TONE * here
    if isinstance(point, Coupling):
        return here, PLAY
    if isinstance(point, SetScrew):
        return here, HOME
    if isinstance(point, Square):
        return here, DIAGONALS / abs(point.diagonals(1.0)) * 1e-3 * point.span
    if isinstance(point, Steps):
        return machine.value(f"scale_{point.axis}") * point.now, RULED * point.now
    return None


def likelihood(
    point: AdjustingPoint, fault: str, reading: Reading, explanation: Hypothesis
) -> float:
    """How likely a reading is if an explanation is right (up to a common factor)."""
    machine = explanation.fit.machine
    if isinstance(point, Nuts):
        return 1.0 - FINGER_WRONG if feel(machine, point.part) == reading.felt else FINGER_WRONG / 2
    value, _ = _told(point, machine) or (0.0, 1.0)
    spread = math.hypot(reading.deviation, _spread(point, fault, explanation))
    return math.exp(-0.5 * ((reading.value - value) / spread) ** 2) / spread


#: Unit of the point in that of the fault, and healthy scatter in the unit of the fault.
_UNITS = {
    "out_of_square": (1e-3 * gs.Machine().span, 0.12),
    "scale_x": (80.0, 2.5e-4),
    "scale_y": (80.0, 2.5e-4),
}


def _spread(point: AdjustingPoint, fault: str, explanation: Hypothesis) -> float:
    """What the explanation itself leaves open, in the point's unit."""
    size = explanation.magnitudes.get(fault)
    if isinstance(point, BeltTension):  # a burn says next to nothing about tension
        here = point.stands(explanation.fit.machine)
        return (0.3 if size else TENSION / 2.0) * here
    unit, healthy = _UNITS.get(fault, (1.0, 0.01))
    return unit * ((size.high - size.low) / 3.92 if size else healthy)


def checked(finding: Finding, point: AdjustingPoint, fault: str, reading: Reading) -> Finding:
    """The finding with every explanation weighed anew after a hand check."""
    weight = [h.probability * likelihood(point, fault, reading, h) for h in finding.ranked]
    total = math.fsum(weight)
    if total <= 0.0:
        return finding
    ranked = [
        replace(h, probability=w / total) for h, w in zip(finding.ranked, weight, strict=True)
    ]
    return replace(finding, ranked=tuple(sorted(ranked, key=lambda h: -h.probability)))
