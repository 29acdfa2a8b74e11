"""What is believed of a machine after something was turned, set or replaced on it."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import ndtr

from gantrysim.decisions.adjustment import Adjustment
from gantrysim.decisions.diagnosis import prior_probability
from gantrysim.faults import Catalogue, Fault
from gantrysim.faults.adjusting import AdjustingPoint
from gantrysim.faults.base import LARGEST
from gantrysim.inference.assumptions import USUAL, Assumptions
from gantrysim.inference.parameters import Belief, Parameter
from gantrysim.machine import Machine
from gantrysim.machine.handbook import Handbook
from gantrysim.records.amounts import signed
from gantrysim.records.arrays import Array
from gantrysim.records.checks import finite_number, must_be, positive
from gantrysim.records.doors import checked

_RANGE, _DENSE = 4.5, 1801  # of the standard normal number of a size
_TURNS = 37  # sizes for which a turn is made on a machine
#: What is said of a turn where nobody knows how far it went.
UNKNOWN = "unknown"


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
        If a number is no number, or the amount beyond any turn.
    """

    fault: str
    amount: float
    place: str = ""
    way: str = ""
    hand: float | None = None

    def __post_init__(self) -> None:
        object.__setattr__(self, "amount", turned_by(self.amount, "amount"))
        if self.hand is not None:
            object.__setattr__(self, "hand", positive(self.hand, "hand"))


def turned_by(value: float, name: str) -> float:
    """An amount that something may have been turned by, in any unit."""
    amount = finite_number(value, name)
    if abs(amount) > LARGEST:
        raise ValueError(must_be(name, f"from {-LARGEST:g} to {LARGEST:g}", value))
    return amount


def amount_turned(
    turn: Adjustment | Change, turned: float | str | None = None, *, other_way: bool = False
) -> float | None:
    """How far something was really turned, in the unit of the turn; None where nobody knows.

    Parameters
    ----------
    turn : Adjustment or Change
        What was turned.
    turned : float or str, optional
        What was really turned, signed, in the unit of the turn, or ``"unknown"``; what was
        advised if absent, which nobody knows where the advice says no amount.  Without meaning
        for what is cleaned or replaced.
    other_way : bool
        Whether it was turned against the advice.

    Raises
    ------
    ValueError
        If it is another word, or goes against the advice and nobody says so: a sign is easily
        lost, and the other way is seldom meant.
    """
    if isinstance(turned, str) and turned != UNKNOWN:
        raise ValueError(must_be("turned", f"a number or {UNKNOWN!r}", turned))
    if isinstance(turn, Adjustment) and not turn.point.result[0]:
        return turn.amount  # what is cleaned or replaced is not turned by an amount
    if turned is None:
        return turn.amount if isinstance(turn, Change) or turn.says_how_far else None
    if isinstance(turned, str):
        return None
    amount = turned_by(turned, "turned")
    if isinstance(turn, Change) or amount * turn.step.full == 0.0:
        return amount
    if (amount * turn.step.full < 0.0) != other_way:
        said, asked = (signed(v, turn.unit) for v in (amount, -amount))
        if other_way:
            raise ValueError(f"other_way=True must be left out: {said} goes the way advised.")
        raise ValueError(
            f"turned must have the sign of the advice: {said} would mean {turn.point.way(amount)}; "
            f"advised was to {turn.way}, which is {asked}. Give {asked}, or say other_way=True if "
            "it really was turned the other way."
        )
    return amount


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


def after_turn(
    belief: Belief,
    machine: Machine,
    turn: Adjustment | Change,
    *,
    turned: float | str | None = None,
    other_way: bool = False,
    cured: float | None = None,
    assumptions: Assumptions = USUAL,
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
    turned : float or str, optional
        What was really turned, as `amount_turned` takes it.
    other_way : bool
        Whether it was turned against the advice.
    cured : float, optional
        Probability that it is cured where somebody knows better than the amount says.
    assumptions : Assumptions
        What is given back, and how often new parts are good.

    Returns
    -------
    Belief
        The size of the fault is that which is left, matched in mean and variance; each
        explanation with the fault gives its probability to that without it as far as it is
        cured; a tenth of every probability goes back to that of a machine which nobody has
        looked at, so that a wrong finding can be undone.  The healthy parameters of the place
        that was turned are widened by the hand, all others keep their posterior.  After a turn
        of unknown amount size and chance of the fault and of its opposite are those of such a
        machine, and so are the healthy parameters of that place; the rest is kept.

    Raises
    ------
    ValueError
        If the machine has no such fault, a probability is none, the turn goes against the advice
        and nobody says so, or the belief is about another machine.
    """
    if cured is not None and not 0.0 <= finite_number(cured, "cured") <= 1.0:
        raise ValueError(f"cured must be a probability from 0 to 1, found {cured:g}.")
    belief.check(machine)
    catalogue = machine.catalogue()
    fault = catalogue.named(turn.fault)
    sizes = dict(belief.sizes)
    turned_now = (*belief.turned, fault.name)
    if amount_turned(turn, turned, other_way=other_way) is None:
        for name in _either(fault):
            for variant in [v for v in catalogue.faults if v.name == name]:
                sizes.pop(variant.key, None)
        if cured is None:
            weights = _unseen(belief, catalogue, fault, assumptions)
        else:
            weights = _moved(belief, catalogue, fault, cured, 0.0, assumptions)
        mean, covariance = _widened(belief, machine, fault, math.inf)
        return Belief(mean, np.linalg.inv(covariance), weights, sizes, machine, turned_now)
    left: list[Remaining] = []
    exact = None if isinstance(turned, str) else turned
    for variant in [v for v in catalogue.faults if v.name == fault.name] or [fault]:
        parameters = sizes.pop(variant.key, variant.parameters)
        left.append(remaining(variant, parameters, machine, turn, exact, assumptions=assumptions))
        if variant.readable:
            first = _as_parameter(variant, left[-1])
            sizes[variant.key] = (first, *variant.parameters[1:])
    rest = left[0]
    done, over = rest.cured, rest.over
    if cured is not None:
        done, over = cured, (1.0 - cured) * over / max(1.0 - done, 1e-12)
    weights = _moved(belief, catalogue, fault, done, min(over, 1.0 - done), assumptions)
    mean, covariance = _widened(belief, machine, fault, rest.hand)
    return Belief(mean, np.linalg.inv(covariance), weights, sizes, machine, turned_now)


def remaining(
    fault: Fault,
    parameters: Sequence[Parameter],
    machine: Machine,
    turn: Adjustment | Change,
    turned: float | None = None,
    *,
    assumptions: Assumptions = USUAL,
) -> Remaining:
    """What a turn leaves of a fault of uncertain size.

    Parameters
    ----------
    fault : Fault
        The fault.
    parameters : sequence of Parameter
        What is believed of its size.
    machine : Machine
        The machine as described.
    turn : Adjustment or Change
        What was turned.
    turned : float, optional
        What was really turned, in the unit of the turn.
    assumptions : Assumptions
        How often new parts are good.

    Notes
    -----
    For each size the turn is made on the machine, and what is left is read off it; the hand's
    error is normal.  What is then left beyond the healthy limit L has, for normal r with mean m
    and deviation s and a = (L - m) / s, the moments P = Phi(-a), E r = m P + s phi(a), E r^2 =
    (m^2 + s^2) P + s (m + L) phi(a); they are summed over the sizes.
    """
    point = (
        turn.point if isinstance(turn, Adjustment) else fault.adjusting_point(machine, Handbook())
    )
    if not fault.readable or (isinstance(turn, Adjustment) and not point.result[0]):
        return Remaining(assumptions.replaced, 0.0, math.nan, math.nan, point.hand / 1.96)
    u = np.linspace(-_RANGE, _RANGE, _DENSE)
    share = np.exp(-0.5 * u * u)
    share /= share.sum()
    coarse = np.linspace(-_RANGE, _RANGE, _TURNS)
    found = [_left(fault, parameters, float(v), machine, turn, turned, point) for v in coarse]
    mean, sd = (np.interp(u, coarse, column) for column in np.array(found).T)
    if isinstance(turn, Change):
        amount = turn.amount if turned is None else turned
        mean = np.array([parameters[0].value(float(v)) for v in u]) - amount
    sd = np.maximum(sd, 1e-9)
    limit = fault.healthy_limit(machine)
    hand = float(share @ sd)
    if fault.sense == 0:
        cured = float(share @ (ndtr((limit - mean) / sd) - ndtr((-limit - mean) / sd)))
        middle = float(share @ mean)
        spread = math.sqrt(float(share @ ((mean - middle) ** 2 + sd**2)))
        return Remaining(cured, 0.0, middle, spread, hand)
    if fault.sense < 0:
        mean, limit = -mean, -limit
    a = (limit - mean) / sd
    density = np.exp(-0.5 * a * a) / math.sqrt(2.0 * math.pi)
    there = float(share @ ndtr(-a))
    over = float(share @ ndtr((fault.overshot(machine) - mean) / sd))
    if there < 1e-6:
        return Remaining(1.0 - over, over, math.nan, math.nan, hand)
    first = float(share @ (mean * ndtr(-a) + sd * density)) / there
    second = float(share @ ((mean**2 + sd**2) * ndtr(-a) + sd * (mean + limit) * density)) / there
    spread = math.sqrt(max(second - first**2, 0.0))
    return Remaining(1.0 - there - over, over, fault.sense * first, spread, hand)


def _left(
    fault: Fault,
    parameters: Sequence[Parameter],
    u: float,
    machine: Machine,
    turn: Adjustment | Change,
    turned: float | None,
    point: AdjustingPoint,
) -> tuple[float, float]:
    """What a turn leaves of a fault of one size, and the hand's standard deviation."""
    values = [parameters[0].value(u), *(q.value(0.0) for q in parameters[1:])]
    after = faulty = fault.at(*values).apply(machine)
    if isinstance(turn, Adjustment):
        after = turn.apply(faulty) if turned is None else point.turn(faulty, turned)
    elif turn.hand is not None:
        return math.nan, turn.hand / 1.96

    def read(there: Machine) -> float:
        return fault.size_on(there, machine)

    return read(after), point.hand_in(read, after) / 1.96


def _as_parameter(fault: Fault, rest: Remaining) -> Parameter:
    """The parameter of its size with the mean and deviation of what is left."""
    usual, *others = fault.parameters
    if not math.isfinite(rest.mean) or (usual.ratio and rest.mean <= 0.0):
        return usual  # more was taken off than there was: nothing is known of what is left
    spread = max(rest.deviation, rest.hand)
    found = replace(usual, centre=rest.mean, spread=spread)
    if usual.ratio:
        widened = math.log1p((spread / rest.mean) ** 2)
        centre = rest.mean * math.exp(-0.5 * widened)
        found = replace(usual, centre=centre, spread=math.sqrt(widened))
    try:
        for u in (-_RANGE, _RANGE):
            fault.at(found.value(u), *(q.value(0.0) for q in others))
    except ValueError:
        return usual  # no part is like that: what was said of the turns does not hold
    return found


def _moved(
    belief: Belief,
    catalogue: Catalogue,
    fault: Fault,
    cured: float,
    over: float,
    assumptions: Assumptions,
) -> Mapping[tuple[str, ...], float]:
    """Probabilities of the explanations after a turn that was to cure a fault."""
    old = dict(belief.weights)
    for names in ((fault.name,), ()):
        old.setdefault(names, prior_probability(names, belief, catalogue, assumptions))
    new: dict[tuple[str, ...], float] = {}

    def add(faults: tuple[str, ...], share: float) -> None:
        new[faults] = new.get(faults, 0.0) + share

    for faults, share in old.items():
        if fault.name not in faults:
            add(faults, share)
            continue
        without = tuple(name for name in faults if name != fault.name)
        add(without, share * cured)
        add(faults, share * (1.0 - cured - over))
        if over > 0.0:
            beyond = tuple(sorted({*without, fault.opposite})) if fault.opposite else without
            add(beyond, share * over)
    return _given_back(new, catalogue, assumptions)


def _either(fault: Fault) -> tuple[str, ...]:
    """A fault and what turning too far makes of it."""
    return tuple(name for name in (fault.name, fault.opposite) if name)


def _unseen(
    belief: Belief, catalogue: Catalogue, fault: Fault, assumptions: Assumptions
) -> Mapping[tuple[str, ...], float]:
    """Probabilities after a turn of unknown amount.

    Beside each set of other faults the fault and its opposite are as likely as on a machine that
    nobody has looked at.
    """
    turned, old = _either(fault), dict(belief.weights)
    for names in ((), *((name,) for name in turned)):
        old.setdefault(names, prior_probability(names, belief, catalogue, assumptions))
    beside: dict[tuple[str, ...], float] = {}
    for faults, share in old.items():
        others = tuple(name for name in faults if name not in turned)
        beside[others] = beside.get(others, 0.0) + share
    new: dict[tuple[str, ...], float] = {}
    for others, share in beside.items():
        sets = [others]
        if len(others) < assumptions.most_faults and catalogue.predicts(others):
            sets += [tuple(sorted((*others, name))) for name in turned]
        priors = [catalogue.prior(faults) for faults in sets]
        new |= {f: share * p / sum(priors) for f, p in zip(sets, priors, strict=True)}
    return _given_back(new, catalogue, assumptions)


def _given_back(
    weights: Mapping[tuple[str, ...], float], catalogue: Catalogue, assumptions: Assumptions
) -> Mapping[tuple[str, ...], float]:
    """Probabilities of which a part goes back to those of a machine nobody has looked at."""
    back = assumptions.given_back
    kept = ((), (catalogue.unmodelled[0].name,))
    return {
        faults: (1.0 - back) * share + back * catalogue.prior(faults)
        for faults, share in weights.items()
        if share > 0.0 or faults in kept
    }


def _widened(belief: Belief, machine: Machine, fault: Fault, hand: float) -> tuple[Array, Array]:
    """Mean and covariance of the healthy scatter after a turn, by a hand as good as that."""
    mean = belief.mean.copy()
    covariance = np.linalg.inv(belief.precision)
    covariance = 0.5 * (covariance + covariance.T)
    for k, scatter in enumerate(machine.catalogue().scatter):
        name = scatter.parameter.name
        if name in fault.fresh_scatter or (name == fault.own_scatter and math.isinf(hand)):
            covariance[k, :] = covariance[:, k] = 0.0
            covariance[k, k], mean[k] = 1.0, 0.0
        elif name == fault.own_scatter:
            place = scatter.places[0]
            ends = [scatter.changes(machine, float(mean[k]) + d)[place] for d in (-0.5, 0.5)]
            slope = max(abs(ends[1] - ends[0]), 1e-12)
            old = float(covariance[k, k])
            covariance[k, k] = max(old, min(old + (hand / slope) ** 2, 1.0))
    return mean, covariance
