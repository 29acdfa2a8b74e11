"""Hand checks as observations: what a finger, a tone, a rule reads, and how wrong it can be."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from workshop import TENSION

import gantrysim as gs
from gantrysim.decisions.diagnosis import Finding, Hypothesis
from gantrysim.decisions.knobs.base import Knob
from gantrysim.decisions.knobs.belts import BeltTension
from gantrysim.decisions.knobs.drive import Coupling, SetScrew, Square, Steps
from gantrysim.decisions.knobs.wheels import Nuts

#: Hand readings (judgement): how often a finger feels the wrong one of tight, normal and loose;
#: standard deviations of a tone (relative), of play (mm), of the home offset (mm), of the
#: difference of diagonals (mm), and of 200 mm by a rule (relative).
FINGER_WRONG = 0.10
TONE, PLAY, HOME, DIAGONALS, RULED = 0.015, 0.02, 0.05, 0.25, 2.5e-4
#: Wheels feel tight above this part of the drag as described, and click beyond this play, mm.
FEELS_TIGHT, FEELS_LOOSE = 1.5, {"left": 0.03, "right": 0.03, "carriage": 0.02}


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


def read(knob: Knob, machine: gs.Machine, rng: np.random.Generator) -> Reading | None:
    """Check a place by hand; None where there is nothing to read."""
    if isinstance(knob, Nuts):
        felt = feel(machine, knob.part)
        if rng.random() < FINGER_WRONG:
            felt = str(rng.choice([s for s in ("tight", "normal", "loose") if s != felt]))
        return Reading(math.nan, math.nan, felt)
    told = _told(knob, machine)
    if told is None:
        return None
    value, deviation = told
    return Reading(value + deviation * float(rng.standard_normal()), deviation)


def _told(knob: Knob, machine: gs.Machine) -> tuple[float, float] | None:
    """What a place would read without error, in the knob's own unit, and the error."""
    here = knob.stands(machine)
    if isinstance(knob, BeltTension):
        return here, TONE * here
    if isinstance(knob, Coupling):
        return here, PLAY
    if isinstance(knob, SetScrew):
        return here, HOME
    if isinstance(knob, Square):
        return here, DIAGONALS / abs(knob.diagonals(1.0)) * 1e-3 * knob.span
    if isinstance(knob, Steps):
        return machine.value(f"scale_{knob.axis}") * knob.now, RULED * knob.now
    return None


def likelihood(knob: Knob, fault: str, reading: Reading, explanation: Hypothesis) -> float:
    """How likely a reading is if an explanation is right (up to a common factor)."""
    machine = explanation.fit.machine
    if isinstance(knob, Nuts):
        return 1.0 - FINGER_WRONG if feel(machine, knob.part) == reading.felt else FINGER_WRONG / 2
    value, _ = _told(knob, machine) or (0.0, 1.0)
    spread = math.hypot(reading.deviation, _spread(knob, fault, explanation))
    return math.exp(-0.5 * ((reading.value - value) / spread) ** 2) / spread


#: Unit of the knob in that of the fault, and healthy scatter in the unit of the fault.
_UNITS = {
    "out_of_square": (1e-3 * gs.Machine().span, 0.12),
    "scale_x": (80.0, 2.5e-4),
    "scale_y": (80.0, 2.5e-4),
}


def _spread(knob: Knob, fault: str, explanation: Hypothesis) -> float:
    """What the explanation itself leaves open, in the knob's unit."""
    size = explanation.magnitudes.get(fault)
    if isinstance(knob, BeltTension):  # a burn says next to nothing about tension
        here = knob.stands(explanation.fit.machine)
        return (0.3 if size else TENSION / 2.0) * here
    unit, healthy = _UNITS.get(fault, (1.0, 0.01))
    return unit * ((size.high - size.low) / 3.92 if size else healthy)


def checked(finding: Finding, knob: Knob, fault: str, reading: Reading) -> Finding:
    """The finding with every explanation weighed anew after a hand check."""
    weight = [h.probability * likelihood(knob, fault, reading, h) for h in finding.ranked]
    total = math.fsum(weight)
    if total <= 0.0:
        return finding
    ranked = [
        replace(h, probability=w / total) for h, w in zip(finding.ranked, weight, strict=True)
    ]
    return replace(finding, ranked=tuple(sorted(ranked, key=lambda h: -h.probability)))
