"""Machines as they are believed to be: draws from whatever somebody knows of one.

A machine is taken as it stands; a fit and a finding give draws of their posterior, a finding those
of all its explanations by their probability; a log its last finding, or, where something was turned
since, what it believes now.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from gantrysim.decisions.diagnosis import Finding, Hypothesis
from gantrysim.inference.faultmodel import FaultModel
from gantrysim.inference.fitting import Fit
from gantrysim.inference.parameters import Belief
from gantrysim.inference.problem import Problem
from gantrysim.machine import Machine
from gantrysim.records.arrays import Array
from gantrysim.records.checks import must_be

if TYPE_CHECKING:
    from gantrysim.log import MachineLog

#: Explanations below this probability are not drawn.
LIKELY = 1e-3
#: Why nothing can be predicted from a finding.
NOTHING = "nothing can be predicted: no explanation of this finding says how the machine draws."
#: A flat shows on some 4 of the 75 mm of a wheel turn, and a size has two sides: the part of sizes
#: that meet it.
MET = 0.1
SEED = 20
_DRAWN = 64


@dataclass(frozen=True, eq=False)
class Believed:
    """Draws of a machine.

    Parameters
    ----------
    machines : tuple of Machine
        The draws; one where the machine is known.
    likeliest : Machine
        The best single guess.
    described : Machine or None
        The machine as described, without its faults; None where nobody said which it has.
    unknown : float
        Probability of explanations that predict nothing.
    words : str
        On what it rests.
    bump : float
        Root mean square of what flats of wheels, which the forward model lacks, add to a size, mm.
    """

    machines: tuple[Machine, ...]
    likeliest: Machine
    described: Machine | None
    unknown: float
    words: str
    bump: float = 0.0


def believed(known: Machine | Fit | Finding | MachineLog, draws: int, seed: int = SEED) -> Believed:
    """Draw machines from what is known of one.

    ValueError if nothing can be predicted: no explanation says how the machine draws.
    """
    rng = np.random.default_rng(seed)
    if isinstance(known, Machine):
        return Believed((known,), known, None, 0.0, "a machine taken as it stands")
    if isinstance(known, Fit):
        drawn = tuple(known.draw_machines(draws, rng))
        return Believed(drawn, known.machine, known.problem.nominal, 0.0, "the fit of one piece")
    if isinstance(known, Finding):
        return _of_finding(known, draws, rng)
    return _of_log(known, draws, rng)


def predictive(finding: Finding) -> tuple[dict[Hypothesis, float], float]:
    """Explanations that predict a burn, with their probability; and that of all else.

    To that counts that the piece was stated wrongly: nobody knows then what was explained.
    """
    likely = [h for h in finding.ranked if h.probability > LIKELY]
    predicts = finding.best.fit.problem.catalogue.predicts
    clear = {h: h.probability for h in likely if predicts(h.faults)}
    return clear, max(0.0, 1.0 - sum(clear.values()))


def _square(problem: Problem, fault: FaultModel, u: Array, deviation: Array) -> float:
    """Mean square of what a flat adds to a size, mm^2, for what is believed of its unknowns."""
    draws = u + deviation * np.random.default_rng(SEED).standard_normal((_DRAWN, u.size))
    amounts = [fault.coefficients(*problem.values(fault, x)) for x in draws]
    # sizes both ways, all along the beam, where it rolls over
    machine = problem.nominal
    x = np.linspace(0.0, machine.span, _DRAWN)
    spot = np.column_stack([x, np.full(_DRAWN, machine.head.beyond + (fault.found_at or 0.0))])
    ways = [fault.signature(machine, spot, np.tile(n, (_DRAWN, 1))) for n in np.eye(2)]
    heights = np.concatenate(ways) @ np.transpose(amounts)
    return MET * float(np.mean(heights**2))


def shared_out(
    clear: Mapping[Hypothesis, float], draws: int, rng: np.random.Generator
) -> list[tuple[Hypothesis, int]]:
    """Draws that each explanation gets, by its probability."""
    share = np.array(list(clear.values()))
    counts = rng.multinomial(draws, share / share.sum()).tolist()
    return list(zip(clear, counts, strict=True))


def draw_machines(
    clear: Mapping[Hypothesis, float], draws: int, rng: np.random.Generator
) -> list[Machine]:
    """Machines from explanations by their probability."""
    pairs = shared_out(clear, draws, rng)
    return [machine for h, count in pairs for machine in h.fit.draw_machines(count, rng)]


def _of_finding(finding: Finding, draws: int, rng: np.random.Generator) -> Believed:
    clear, unknown = predictive(finding)
    if not clear:
        raise ValueError(NOTHING)
    square = 0.0
    for h, chance in clear.items():
        problem, mode = h.fit.problem, h.fit.mode
        deviation = np.sqrt(np.diag(mode.covariance))
        for fault, cut in zip(mode.faults, problem.fault_cuts(mode.faults), strict=True):
            if fault.sought:
                square += chance * _square(problem, fault, mode.u[cut], deviation[cut])
    square /= sum(clear.values())
    machines = tuple(draw_machines(clear, draws, rng))
    best = max(clear, key=lambda h: clear[h])
    words = " and ".join(thing.source for thing in finding.measured)
    told = (finding.machine, unknown, f"what {words} says", math.sqrt(square))
    return Believed(machines, best.fit.machine, *told)


def _of_log(log: Any, draws: int, rng: np.random.Generator) -> Believed:
    """The last finding while nothing was turned since, else the belief."""
    if not (hasattr(log, "belief") and hasattr(log, "entries")):
        raise TypeError(must_be("known", "a Machine, a Fit, a Finding or a MachineLog", log))
    last = next((e for e in reversed(log.entries) if not hasattr(e, "verdict")), None)
    if getattr(last, "whole", None) is not None:
        return _of_finding(log.finding(), draws, rng)
    return of_belief(log.belief, log.machine, draws, rng, f"what the log of {log.name} says")


def of_belief(
    belief: Belief, machine: Machine, draws: int, rng: np.random.Generator, words: str
) -> Believed:
    """Machines drawn from a belief."""
    problem = Problem(machine, (), belief)
    catalogue = problem.catalogue
    weights = dict(belief.weights) or {(): catalogue.healthy}
    kinds = {names: [catalogue.named(name) for name in names] for names in weights}
    clear = {names: weight for names, weight in weights.items() if catalogue.predicts(names)}
    if not sum(clear.values()) > 0.0:
        raise ValueError("nothing can be predicted: nothing that is believed says how it draws.")
    share = np.array(list(clear.values())) / sum(clear.values())
    counts = rng.multinomial(draws, share).tolist()
    root = np.linalg.cholesky(np.linalg.inv(belief.precision))
    out = []
    for names, count in zip(clear, counts, strict=True):
        for _ in range(count):
            own = sum(len(kind.parameters) for kind in kinds[names])
            scatter = belief.mean + root @ rng.standard_normal(len(belief.mean))
            u = np.concatenate([scatter, rng.standard_normal(own)])
            out.append(problem.machine(kinds[names], u))
    best = max(clear, key=lambda names: clear[names])
    own = sum(len(kind.parameters) for kind in kinds[best])
    likeliest = problem.machine(kinds[best], np.concatenate([belief.mean, np.zeros(own)]))
    square = 0.0
    for names, chance in zip(clear, share.tolist(), strict=True):
        for kind in (kind for kind in kinds[names] if kind.sought):
            blank = np.zeros(len(kind.parameters))
            square += chance * _square(problem, kind, blank, blank + 1.0)
    # explanations that the belief does not name share what is left
    unknown = max(1.0 - sum(clear.values()), 0.0)
    return Believed(tuple(out), likeliest, machine, unknown, words, math.sqrt(square))


def healthy_machines(described: Machine, draws: int, seed: int = SEED) -> list[Machine]:
    """Machines without a fault that scatter about what is described, as healthy ones do."""
    problem = Problem(described, ())
    rng = np.random.default_rng(seed)
    numbers = rng.standard_normal((draws, len(problem.scatter)))
    return [problem.machine((), u) for u in numbers]
