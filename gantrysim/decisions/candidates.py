"""What might be measured next: burns, pushes, tones, calipers, checks by hand, and their minutes.

A push or a look needs a machine that cannot start: switched off at the mains and unplugged, the
beam source made safe.  A burn needs somebody beside it all the time.  Follow the maker's manual.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np

from gantrysim.burn.simulation import check_travel
from gantrysim.decisions.planned import burned_length
from gantrysim.inference.hypotheses import KINDS, FaultKind
from gantrysim.machine import Machine
from gantrysim.machine.components import span_frequency, span_mass
from gantrysim.mechanics.handpush import push
from gantrysim.mechanics.planner import plan
from gantrysim.pattern.ringtest import RingTest, ring_test

_EDGE = 6.0  # mm that a test keeps from the ends of the travel
_RINGS_LARGE = 3  # of the large tests
_CAREFUL = "power off and unplugged, hands clear of belts and pulleys"


@dataclass(frozen=True)
class Minutes:
    """What the work about a measurement takes, minutes (common practice, no source).

    Parameters
    ----------
    set_up : float
        Fix a piece of wood, home, focus.
    lift_and_scan : float
        Lift the piece and scan it.
    read : float
        Read the points off the scan.
    push : float
        One push with a spring scale, forward and back, both readings of the other part.
    tone : float
        Pluck a belt and read its tone.
    calipers : float
        Read sizes of the piece that is there.
    look : float
        One check by hand.
    """

    set_up: float = 2.0
    lift_and_scan: float = 4.0
    read: float = 2.0
    push: float = 4.0
    tone: float = 3.0
    calipers: float = 4.0
    look: float = 3.0

    def of_burn(self, test: RingTest) -> float:
        """Minutes for a test burn from set-up to points."""
        seconds = plan(test, test.strokes(1.0)).duration
        return seconds / 60.0 + self.set_up + self.lift_and_scan + self.read


@dataclass(frozen=True)
class PushTest:
    """A push by hand: which part, and whether the motors hold.

    Parameters
    ----------
    at, motor : str
        As in `gantrysim.mechanics.handpush`.
    """

    at: str
    motor: str

    #: Errors (one standard deviation): of the scale, N; of a lag or a movement, mm; and of any
    #: reading as a part of it, for what drag does along a rail (common practice, no source).
    SCALE, LAG, PART = 0.3, 0.1, 0.08
    #: Where the hand stops with motors off and with motors holding, N.
    LIMIT, GENTLE = 60.0, 20.0

    @property
    def words(self) -> str:
        """What to do."""
        part = "carriage" if self.at == "carriage" else f"{self.at} end plate"
        motors = "motors off" if self.motor == "off" else "motors holding"
        rest = "how far the other side lags" if self.at != "carriage" else "how far it gives"
        return f"push the {part} with a spring scale in mid travel, {motors}: read force and {rest}"

    @property
    def axis(self) -> str:
        """Block of the mechanism that it feels."""
        return "x" if self.at == "carriage" else "y"

    def readings(self, machine: Machine) -> np.ndarray:
        """Readings that a machine gives: forces N, lags and movements mm."""
        if self.motor == "off":
            felt = push(machine, self.at, "off", limit=self.LIMIT)
            keep = (felt.keep_forward, felt.keep_back)
            return np.array([*(self.LIMIT if k is None else k for k in keep), felt.lag_mean])
        felt = push(machine, self.at, "holding", limit=self.GENTLE)
        end = np.flatnonzero(felt.leg == 2)[-1]
        return np.array([felt.force[end], felt.travel[end], felt.loop_travel, felt.lag_forward])

    def errors(self, readings: np.ndarray) -> np.ndarray:
        """Standard deviations of readings, in their units."""
        forces = 2 if self.motor == "off" else 1
        own = np.where(np.arange(readings.size) < forces, self.SCALE, self.LAG)
        return np.asarray(np.hypot(own, self.PART * readings))


@dataclass(frozen=True)
class ToneTest:
    """The tone of a plucked belt.

    Parameters
    ----------
    belt : str
        "belt_left", "belt_right" or "belt_x".
    """

    belt: str

    #: Errors of the logarithm: of reading a tone, and what a sound belt's tension may differ
    #: from its description, which the healthy scatter leaves out (common practice, no source).
    TONE, TENSION = 0.03, 0.25
    #: Kind and width (mm) of the belt: its mass; an error in it moves all explanations alike.
    KIND, WIDTH = "2 mm glass", 6.0
    #: Below this tension, N, a belt gives no tone.
    LEAST = 0.2

    @property
    def words(self) -> str:
        """What to do."""
        name = {"belt_x": "X"}.get(self.belt, self.belt.removeprefix("belt_"))
        return f"pluck the {name} belt, carriage in mid travel, and read its tone ({_CAREFUL})"

    @property
    def axis(self) -> str:
        """Block of the mechanism that it belongs to."""
        return "x" if self.belt == "belt_x" else "y"

    def readings(self, machine: Machine) -> np.ndarray:
        """Logarithm of the tone of the longer span, in Hz, with the carriage in mid travel."""
        belt = machine.value(self.belt)
        middle = 0.5 * (machine.span if self.belt == "belt_x" else machine.travel_y)
        tension = max(belt.pretension, self.LEAST)
        mass = span_mass(self.KIND, self.WIDTH)
        return np.array([math.log(span_frequency(tension, max(belt.spans(middle)), mass))])

    def errors(self, readings: np.ndarray) -> np.ndarray:
        """Standard deviation of the logarithm (relative)."""
        return np.full(readings.size, math.hypot(self.TONE, 0.5 * self.TENSION))


@dataclass(frozen=True)
class CaliperTest:
    """Outside sizes of the largest ring of each shape on a piece that is already burned.

    Parameters
    ----------
    test : RingTest
        What was burned.
    """

    test: RingTest

    #: Repeatability of a reading and the error of calipers, together, mm (ISO 13385-1 allows
    #: 0.02 mm maximum permissible error at this size for a resolution of 0.01 mm: from memory).
    ERROR = 0.03

    @property
    def words(self) -> str:
        """What to do."""
        return (
            "measure the largest ring of each shape on the piece with calipers, along X, along Y "
            "and both ways between"
        )

    def readings(self, lines: dict[tuple[str, int], np.ndarray]) -> np.ndarray:
        """Sizes, mm, of burned lines by shape and ring; calipers read between flat jaws."""
        found = []
        for nest in self.test.nests:
            xy = lines[nest.shape, len(nest.sizes) - 1]
            for degrees in (0.0, 45.0, 90.0, 135.0):
                along = xy @ (math.cos(math.radians(degrees)), math.sin(math.radians(degrees)))
                found.append(float(np.ptp(along)))
        return np.array(found)

    def errors(self, readings: np.ndarray) -> np.ndarray:
        """Standard deviations, mm."""
        return np.full(readings.size, self.ERROR)


@dataclass(frozen=True)
class Look:
    """A check by hand of one fault, with two outcomes.

    Parameters
    ----------
    fault, words : str
        The fault and what to do.
    """

    fault: str
    words: str

    #: How often it finds a fault of usual size, and a fault that is not there (judgement:
    #: common practice, no source).
    FOUND, FALSE_ALARM = 0.8, 0.1

    @classmethod
    def of(cls, kind: FaultKind) -> Look:
        """The check that confirms a kind of fault."""
        return cls(kind.name, kind.check)


Measurement = RingTest | PushTest | ToneTest | CaliperTest
Candidate = Measurement | Look


def hand_tests(test: RingTest, names: set[str]) -> tuple[Candidate, ...]:
    """Measurements without another burn: pushes, tones, calipers, checks of named faults."""
    pushes = [PushTest(at, m) for at in ("left", "right", "carriage") for m in ("off", "holding")]
    tones = [ToneTest(belt) for belt in ("belt_left", "belt_right", "belt_x")]
    kinds = {kind.name: kind for kind in KINDS if kind.name in names}
    looks = [Look.of(kind) for kind in kinds.values()]
    return (*pushes, *tones, CaliperTest(test), *looks)


def burn_tests(test: RingTest, machine: Machine) -> tuple[RingTest, ...]:
    """Burns to consider after a test: the same again, elsewhere, other shapes, sizes and feeds.

    Parameters
    ----------
    test : RingTest
        The test burned last; its sizes, feed and limits are the starting point.
    machine : Machine
        For the travel, mm.

    Returns
    -------
    tuple of RingTest
        About forty, the repeat first, all within the travel.  Most burn about the same length.
    """
    unique: dict[str, RingTest] = {}
    for candidate in _burns(test, machine):
        try:
            check_travel(machine, np.concatenate([s.xy for s in candidate.strokes(10.0)]))
        except ValueError:
            continue
        unique.setdefault(candidate.summary() + candidate.layout, candidate)
    return tuple(unique.values())


def _burns(test: RingTest, machine: Machine) -> Iterator[RingTest]:
    yield test
    middle = (0.5 * machine.span, 0.5 * machine.travel_y)
    largest = max(nest.sizes[-1] for nest in test.nests)
    spacing = min(max(test.spacing, largest / 8.0), largest / 2.0)
    limits = ("travel_speed", "acceleration", "centripetal", "corner_speed_change", "line_width")
    common = {name: getattr(test, name) for name in limits}

    def burn(shapes: tuple[str, ...], **how: Any) -> RingTest:
        given = {"spacing": spacing, "largest": largest, "feed": test.feed, **common, **how}
        return ring_test(shapes, **given)

    both, circle, square = ("circle", "square"), ("circle",), ("square",)
    spots = _spots(machine, largest)
    for spot in spots:
        yield burn(both, centre=spot)
        yield burn(circle, centre=spot, spacing=0.55 * spacing)
    for spot in spots[:5]:
        yield burn(both, centre=spot, direction="cw")
    for spot in spots[:3]:
        yield burn(square, centre=spot, spacing=0.6 * spacing)
    for start in (90.0, 225.0):
        yield burn(both, centre=middle, start_deg={"circle": start, "square": start})
    for spot in spots[:2]:
        for factor in (0.25, 2.0):
            yield burn(both, centre=spot, feed=factor * test.feed)
    yield burn(both, centre=middle, passes=3)
    room = min(middle) - _EDGE
    for part in (0.4, 0.9):
        size = room * part
        yield burn(both, centre=middle, largest=size, spacing=size / _RINGS_LARGE)
        yield burn(circle, centre=middle, largest=size, spacing=size / _RINGS_LARGE)
    gap = machine.span - 2.0 * _EDGE - 4.0 * largest
    if gap > 0.0:
        for y in (largest + _EDGE, machine.travel_y - largest - _EDGE):
            yield burn(both, centre=(middle[0], y), layout="side_by_side", gap=gap)


def _spots(machine: Machine, reach: float) -> list[tuple[float, float]]:
    """Middle of the travel, its four corners, then its four edges, mm."""
    keep = min(reach + _EDGE, 0.5 * machine.span, 0.5 * machine.travel_y)
    xs = (keep, 0.5 * machine.span, machine.span - keep)
    ys = (keep, 0.5 * machine.travel_y, machine.travel_y - keep)
    order = ((1, 1), (0, 0), (2, 2), (2, 0), (0, 2), (0, 1), (2, 1), (1, 0), (1, 2))
    return [(round(xs[i], 1), round(ys[j], 1)) for i, j in order]


def minutes_of(candidate: Candidate, minutes: Minutes) -> float:
    """What a candidate costs, minutes."""
    if isinstance(candidate, RingTest):
        return minutes.of_burn(candidate)
    if isinstance(candidate, PushTest):
        return minutes.push
    if isinstance(candidate, ToneTest):
        return minutes.tone
    return minutes.calipers if isinstance(candidate, CaliperTest) else minutes.look


def describe(candidate: Candidate) -> str:
    """What to do, in words."""
    if not isinstance(candidate, RingTest):
        return candidate.words
    return f"burn {candidate.summary().rstrip('.')} ({burned_length(candidate):.0f} mm of line)"
