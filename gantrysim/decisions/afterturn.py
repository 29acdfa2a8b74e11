"""What is believed of a machine after something was turned, set or replaced on it."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import ndtr

from gantrysim.decisions.adjustment import Adjustment
from gantrysim.decisions.diagnosis import GIVEN_BACK, UNLISTED, prior_probability
from gantrysim.inference.hypotheses import KINDS, FaultKind
from gantrysim.inference.lost import LOST
from gantrysim.inference.parameters import HEALTHY_SCATTER, Belief, Parameter
from gantrysim.machine import Machine
from gantrysim.machine.components import nut_angle, nut_approach
from gantrysim.records.arrays import Array
from gantrysim.records.checks import finite_number, positive
from gantrysim.records.doors import checked

#: How well a nut is turned, degrees (95 %; common practice, no source).
NUT_BY_HAND = 3.0
#: How well the other faults are set (95 %, in their unit; common practice, no source): a rule
#: reads 0.1 mm, a belt's stiffness follows its tone to a tenth, steps per mm to the belt's length.
BY_HAND = {
    "slack_belt": 0.1,
    "coupler_backlash": 0.03,
    "coupler_slip": 0.1,
    "out_of_square": 0.3,
    "scale": 5e-4,
    "pulley_runout": 0.02,
    "wheel_flat": 0.02,
}
#: Probability that something which was replaced or cleaned is cured (judgement).
REPLACED = 0.8

_OPPOSITE = {"tight": "loose", "loose": "tight"}
_RANGE, _DENSE = 4.5, 1801  # of the standard normal number of a size
_NODES, _TURNS = 201, 37  # sizes for which a change is worked out, and a turn made on a machine


@checked
@dataclass(frozen=True)
class Change:
    """Something turned or set by hand, said in the unit of its fault.

    Parameters
    ----------
    fault : str
        Name of the fault that it was to cure.
    amount : float
        What was taken off the fault, in the unit of the fault (N of extra drag, mm of play,
        relative stiffness; negative where the fault's size grows towards health or is negative).
    place : str
        Where, such as ``"nut left"``.
    way : str
        Which way, in words.
    hand : float, optional
        How well it could be set, 95 %, in the unit of the fault; common practice if absent.

    Raises
    ------
    ValueError
        If there is no such fault, or a number is no number.
    """

    fault: str
    amount: float
    place: str = ""
    way: str = ""
    hand: float | None = None

    def __post_init__(self) -> None:
        _kinds(self.fault)
        object.__setattr__(self, "amount", finite_number(self.amount, "amount"))
        if self.hand is not None:
            object.__setattr__(self, "hand", positive(self.hand, "hand"))

    @property
    def unit(self) -> str:
        """Unit of the fault."""
        return _kinds(self.fault)[0].unit


@dataclass(frozen=True)
class Remaining:
    """What is left of a fault after a turn.

    Parameters
    ----------
    cured, over : float
        Probability that no more is left than a healthy machine has, and (beyond that) that the
        turn went too far into the opposite fault.
    mean, deviation : float
        Of what is left where it is not cured, in the unit of the fault's first parameter.
    hand : float
        How well it was turned, standard deviation, same unit.
    """

    cured: float
    over: float
    mean: float
    deviation: float
    hand: float


@dataclass(frozen=True)
class _Reading:
    """How the size of a fault is read off a machine, and when it counts as healthy."""

    read: Callable[[Machine, Machine], float]
    healthy: Callable[[Machine], float]
    sense: int  # +1: more is worse; -1: less is worse; 0: either sign
    beyond: Callable[[Machine], float] | None = None  # below this a turn went too far


def after_turn(
    belief: Belief,
    machine: Machine,
    turn: Adjustment | Change,
    *,
    turned: float | None = None,
    cured: float | None = None,
) -> Belief:
    """Return what is believed after a turn, given what was believed before.

    Parameters
    ----------
    belief : Belief
        Before the turn.
    machine : Machine
        The machine as described.
    turn : Adjustment or Change
        What was turned.
    turned : float, optional
        What was really turned, in the unit of the turn; what it says if absent.
    cured : float, optional
        Probability that it is cured where somebody knows better than the amount says.

    Returns
    -------
    Belief
        The size of the fault is that which is left, matched in mean and variance; each
        explanation with the fault gives its probability to that without it as far as it is
        cured; a tenth of every probability goes back to that of a machine which nobody has
        looked at, so that a wrong finding can be undone.  The healthy parameters of the place
        that was turned are widened by the hand, all others keep their posterior.

    Raises
    ------
    ValueError
        If the fault has no known kind, a probability is none, or the belief is about another
        machine.
    """
    if cured is not None and not 0.0 <= finite_number(cured, "cured") <= 1.0:
        raise ValueError(f"cured must be a probability from 0 to 1, found {cured:g}.")
    belief.check(machine)
    kinds = _kinds(turn.fault)
    sizes = dict(belief.sizes)
    left: list[Remaining] = []
    for kind in kinds:
        rest = remaining(kind, sizes.get(kind.key, kind.parameters), machine, turn, turned)
        left.append(rest)
        first = _as_parameter(kind.parameters[0], rest)
        if kind.magnitude_is_first:
            sizes[kind.key] = (first, *kind.parameters[1:])
        else:
            sizes.pop(kind.key, None)
    if not kinds:  # a part that is replaced; its place on the rail was found, not believed
        left.append(Remaining(REPLACED, 0.0, 0.0, 0.0, 0.0))
    rest = left[0]
    done, over = rest.cured, rest.over
    if cured is not None:
        done, over = cured, (1.0 - cured) * over / max(1.0 - done, 1e-12)
    weights = _moved(belief, turn.fault, done, min(over, 1.0 - done))
    mean, covariance = _widened(belief, machine, turn.fault, rest.hand)
    return Belief(mean, np.linalg.inv(covariance), weights, sizes, machine)


def remaining(
    kind: FaultKind,
    parameters: Sequence[Parameter],
    machine: Machine,
    turn: Adjustment | Change,
    turned: float | None = None,
) -> Remaining:
    """What a turn leaves of a fault of uncertain size.

    Parameters
    ----------
    kind : FaultKind
        The fault.
    parameters : sequence of Parameter
        What is believed of its size.
    machine : Machine
        The machine as described.
    turn : Adjustment or Change
        What was turned.
    turned : float, optional
        What was really turned, in the unit of the turn.

    Notes
    -----
    For each size the turn is made on the machine, and what is left is read off it; the hand's
    error is normal.  What is then left beyond the healthy limit L has, for normal r with mean m
    and deviation s and a = (L - m) / s, the moments P = Phi(-a), E r = m P + s phi(a), E r^2 =
    (m^2 + s^2) P + s (m + L) phi(a); they are summed over the sizes.
    """
    reading = _reading(kind.name)
    if reading is None or not kind.magnitude_is_first:
        hand = _hand(kind.name, machine, 0.0) / 1.96
        return Remaining(REPLACED, 0.0, 0.0, hand, hand)
    u = np.linspace(-_RANGE, _RANGE, _DENSE)
    share = np.exp(-0.5 * u * u)
    share /= share.sum()
    nodes = _NODES if isinstance(turn, Change) else _TURNS
    coarse = np.linspace(-_RANGE, _RANGE, nodes)
    found = [_left(kind, parameters, float(v), machine, turn, turned, reading) for v in coarse]
    mean, sd = (np.interp(u, coarse, column) for column in np.array(found).T)
    sd = np.maximum(sd, 1e-9)
    limit = reading.healthy(machine)
    hand = float(share @ sd)
    if reading.sense == 0:
        cured = float(share @ (ndtr((limit - mean) / sd) - ndtr((-limit - mean) / sd)))
        middle = float(share @ mean)
        spread = math.sqrt(float(share @ (mean**2 + sd**2)) - middle**2)
        return Remaining(cured, 0.0, middle, spread, hand)
    if reading.sense < 0:
        mean, limit = -mean, -limit
    a = (limit - mean) / sd
    density = np.exp(-0.5 * a * a) / math.sqrt(2.0 * math.pi)
    there = float(share @ ndtr(-a))
    beyond = reading.beyond(machine) if reading.beyond else -math.inf
    over = float(share @ ndtr((beyond - mean) / sd))
    if there < 1e-6:
        return Remaining(1.0 - over, over, math.nan, math.nan, hand)
    first = float(share @ (mean * ndtr(-a) + sd * density)) / there
    second = float(share @ ((mean**2 + sd**2) * ndtr(-a) + sd * (mean + limit) * density)) / there
    spread = math.sqrt(max(second - first**2, 0.0))
    return Remaining(1.0 - there - over, over, reading.sense * first, spread, hand)


def _left(
    kind: FaultKind, parameters: Sequence[Parameter], u: float, machine: Machine,
    turn: Adjustment | Change, turned: float | None, reading: _Reading,
) -> tuple[float, float]:  # fmt: skip
    """What is left of a fault of one size, and the hand's standard deviation."""
    size = parameters[0].value(u)
    if isinstance(turn, Change):
        amount = turn.amount if turned is None else turned
        hand = turn.hand if turn.hand is not None else _hand(kind.name, machine, size)
        return size - amount, hand / 1.96
    values = [size, *(q.value(0.0) for q in parameters[1:])]
    faulty = kind.apply(machine, values)
    after = turn.apply(faulty) if turned is None else turn.knob.turn(faulty, turned)
    hand = turn.knob.hand / 1.96
    both = [reading.read(turn.knob.turn(after, e), machine) for e in (-hand, hand)]
    return reading.read(after, machine), 0.5 * abs(both[1] - both[0])


def _hand(fault: str, machine: Machine, size: float) -> float:
    """How well a fault can be set by hand, 95 %, in its unit."""
    kind, _, where = fault.rpartition("_")
    if kind in ("tight_wheels", "tight", "loose_wheels", "loose"):
        wheels = machine.value(where).wheels
        wheel = next((w for w in wheels if w.row == "eccentric"), wheels[0])
        offset = wheel.nut_offset
        if kind.startswith("loose"):
            return nut_approach(offset, NUT_BY_HAND)
        drag = (machine.value(f"{where}.friction") + max(size, 0.0)) / len(wheels)
        pressed = replace(wheel, drag=drag, gap=0.0)
        # the nut presses its own wheel and the one across the rail alike
        approach = min(2.0 * pressed.load / wheel.stiffness, offset)
        angle = nut_angle(offset, approach)
        less = approach - nut_approach(offset, max(angle - NUT_BY_HAND, 0.0))
        load = max(pressed.load - 0.5 * less * wheel.stiffness, 0.0)
        return len(wheels) * (drag - wheel.drag_under(load))
    return BY_HAND.get(fault, BY_HAND.get(kind, 0.0))


def _drag(part: str) -> _Reading:
    place = f"{part}.friction"

    def out_of_contact(healthy: Machine) -> float:
        bearings = sum(wheel.bearing_drag for wheel in healthy.value(part).wheels)
        return -0.95 * max(float(healthy.value(place)) - bearings, 0.0)

    return _Reading(
        lambda m, healthy: m.value(place) - healthy.value(place),
        lambda healthy: 0.27 * float(healthy.value(place)),
        1,
        out_of_contact,
    )


def _field(place: str, limit: float, sense: int) -> _Reading:
    return _Reading(
        lambda m, healthy: m.value(place) - healthy.value(place), lambda healthy: limit, sense
    )


def _reading(fault: str) -> _Reading | None:
    """How the size of a named fault is read; None where only replacing it helps.

    Healthy are a quarter more drag or less stiffness (nominal description of the bench
    machine), and play, offset, angle and scale that a careful assembly leaves.
    """
    kind, _, where = fault.rpartition("_")
    if kind in ("tight_wheels", "tight"):
        return _drag(where)
    if kind == "loose_wheels":
        return _field(f"{where}.rack_clearance", 0.03, 1)
    if kind == "slack_belt":
        place = f"belt_{where}.ea"
        return _Reading(lambda m, h: m.value(place) / h.value(place), lambda h: 0.73, -1)
    named = {
        "loose_carriage": _field("carriage.gap", 0.02, 1),
        "coupler_backlash": _field("shaft.backlash", 0.04, 1),
        "coupler_slip": _field("shaft.slip", 0.1, 0),
        "out_of_square": _field("square", 0.24, 0),
        "scale_x": _field("scale_x", 5e-4, 0),
        "scale_y": _field("scale_y", 5e-4, 0),
    }
    return named.get(fault)


def _kinds(fault: str) -> tuple[FaultKind, ...]:
    """Every variant of a named fault; none for one that has no kind of its own."""
    if fault in ("wheel_flat_left", "wheel_flat_right", LOST):
        return ()
    found = tuple(kind for kind in KINDS if kind.name == fault)
    if not found:
        known = ", ".join(dict.fromkeys(kind.name for kind in KINDS))
        raise ValueError(f"there is no fault named {fault!r}; accepted are {known}.")
    return found


def _as_parameter(usual: Parameter, rest: Remaining) -> Parameter:
    """The parameter with the mean and deviation of what is left."""
    if not math.isfinite(rest.mean):
        return usual
    if not usual.ratio:
        return replace(usual, centre=rest.mean, spread=max(rest.deviation, rest.hand))
    widened = math.log1p((max(rest.deviation, rest.hand) / rest.mean) ** 2)
    return replace(usual, centre=rest.mean * math.exp(-0.5 * widened), spread=math.sqrt(widened))


def _moved(
    belief: Belief, fault: str, cured: float, over: float
) -> Mapping[tuple[str, ...], float]:
    """Probabilities of the explanations after a turn that was to cure a fault."""
    old = dict(belief.weights)
    old.setdefault((fault,), prior_probability((fault,), belief))
    old.setdefault((), prior_probability((), belief))
    new: dict[tuple[str, ...], float] = {}

    def add(faults: tuple[str, ...], share: float) -> None:
        new[faults] = new.get(faults, 0.0) + share

    first, _, rest = fault.partition("_")
    opposite = f"{_OPPOSITE[first]}_{rest}" if first in _OPPOSITE else None
    for faults, share in old.items():
        if fault not in faults:
            add(faults, share)
            continue
        without = tuple(name for name in faults if name != fault)
        add(without, share * cured)
        add(faults, share * (1.0 - cured - over))
        if over > 0.0:
            beyond = tuple(sorted({*without, opposite})) if opposite else without
            add(beyond, share * over)
    fresh = Belief.fresh()
    return {
        faults: (1.0 - GIVEN_BACK) * share + GIVEN_BACK * prior_probability(faults, fresh)
        for faults, share in new.items()
        if share > 0.0 or faults in ((), (UNLISTED,))
    }


#: Healthy parameters that a turn touches: the one in the unit of the fault, and those that it
#: leaves as on a machine that nobody has measured.
def _touched(fault: str) -> tuple[str, tuple[str, ...]]:
    kind, _, where = fault.rpartition("_")
    label = "carriage" if where == "carriage" else where
    if kind == "tight_wheels":
        return f"drag {label}", ("racking stiffness",)
    if kind == "loose_wheels":
        return "", (f"drag {label}", "racking stiffness")
    if fault == "tight_carriage":
        return "drag carriage", ("rock stiffness",)
    if fault == "loose_carriage":
        return "", ("drag carriage", "rock stiffness")
    if kind == "slack_belt":
        return "", (f"belt {label} EA",)
    if kind == "scale":
        return f"scale {label}", ()
    if kind == "wheel_flat":
        return "", (f"drag {label}", "racking stiffness")
    named: dict[str, tuple[str, tuple[str, ...]]] = {
        "coupler_backlash": ("", ("shaft stiffness",)),
        "coupler_slip": ("", ("squareness",)),
        "out_of_square": ("squareness", ()),
    }
    return named.get(fault, ("", ()))


def _widened(belief: Belief, machine: Machine, fault: str, hand: float) -> tuple[Array, Array]:
    """Mean and covariance of the healthy scatter after a turn."""
    mean = belief.mean.copy()
    covariance = np.linalg.inv(belief.precision)
    covariance = 0.5 * (covariance + covariance.T)
    same, fresh = _touched(fault)
    for k, scatter in enumerate(HEALTHY_SCATTER):
        name = scatter.parameter.name
        if name in fresh:
            covariance[k, :] = covariance[:, k] = 0.0
            covariance[k, k], mean[k] = 1.0, 0.0
        elif name == same:
            place = scatter.places[0]
            ends = [scatter.changes(machine, float(mean[k]) + d)[place] for d in (-0.5, 0.5)]
            slope = max(abs(ends[1] - ends[0]), 1e-12)
            old = float(covariance[k, k])
            covariance[k, k] = max(old, min(old + (hand / slope) ** 2, 1.0))
    return mean, covariance
