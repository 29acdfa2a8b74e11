"""Where each adjusting point stands after a finding: at fault, likely, possible, or not told.

Report, advice, pages and tables all go by this one sorting: so no point is both found and not
told, none is to be turned that was not named, and none stands in two lists.
"""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import dataclass
from typing import TYPE_CHECKING

from gantrysim.decisions.step import Costs
from gantrysim.faults import Catalogue, Fault
from gantrysim.machine.handbook import Handbook

if TYPE_CHECKING:
    from gantrysim.decisions.diagnosis import Finding
    from gantrysim.decisions.statements import Statement

#: A point, or a sound machine, is likely from three to one on, or where it is likelier than not and
#: `AHEAD` times as likely as whatever else may be; what is less likely than `UNLIKELY` beside it is
#: called so; what is below `POSSIBLE` is not worth a word (judgement).
LIKELY, UNLIKELY, POSSIBLE, AHEAD = 0.75, 0.25, 0.05, 3.0
#: Points that are named, at most; fewer where nothing was learned.
MOST, MOST_UNLEARNED = 7, 3


@dataclass(frozen=True)
class Standing:
    """The adjusting points of a finding, each in one place.

    Parameters
    ----------
    found : tuple of Statement
        At fault, with `Assumptions.credible`.
    likely : tuple of Statement
        Far likelier at fault than whatever else it may be.
    possible : tuple of Statement
        Worth a word, likeliest first.
    untold : tuple of str
        What stands as on a healthy machine, as far as this tells, and is not told more closely.
    sound : float
        Probability that nothing is wrong.
    sure, leads : bool
        Whether it is as good as certain, or likely, that nothing is wrong.
    turned : bool
        Whether something was turned since the last burn, so that a sound machine was repaired.
    """

    found: tuple[Statement, ...]
    likely: tuple[Statement, ...]
    possible: tuple[Statement, ...]
    untold: tuple[str, ...]
    sound: float
    sure: bool
    leads: bool
    turned: bool

    @property
    def named(self) -> tuple[Statement, ...]:
        """All that are named, in the order in which they are."""
        return (*self.found, *self.likely, *self.possible)

    @property
    def settled(self) -> bool:
        """Whether something, be it that nothing is wrong, is likely enough to lead."""
        return bool(self.found or self.likely) or self.leads


def standing_of(finding: Finding) -> Standing:
    """Sort the adjusting points of a finding."""
    most = MOST if finding.learned else MOST_UNLEARNED
    credible = finding.assumptions.credible
    named = [point for point in finding.points if point.probability >= POSSIBLE][:most]
    sound = sum(h.probability for h in finding.ranked if not h.faults)
    least = credible if finding.firm else 2.0  # a hint finds nothing
    found = tuple(p for p in named if p.probability >= least)
    chances = sorted((sound, *(p.probability for p in named if p not in found)), reverse=True)

    def leads(chance: float) -> bool:
        beside = chances[1] if chance == chances[0] and len(chances) > 1 else chances[0]
        return chance >= LIKELY or (chance >= 0.5 and chance >= AHEAD * beside)

    likely = tuple(p for p in named if p not in found and leads(p.probability))
    rest = tuple(p for p in named if p not in found and p not in likely)
    untold = narrowed(finding, told=False, but=[p.name for p in named]) if finding.learned else ()
    turned = bool(finding.best.fit.problem.belief.turned)
    return Standing(found, likely, rest, untold, sound, sound >= least, leads(sound), turned)


def narrowed(finding: Finding, *, told: bool, but: Collection[str] = ()) -> tuple[str, ...]:
    """What of a healthy machine's own scatter was narrowed or not, by the points that set it.

    ``told``: whether what was narrowed is wanted.  ``but``: names of faults whose adjusting points
    are left out.
    """
    fit, catalogue = finding.best.fit, finding.best.fit.problem.catalogue
    scatter = zip(fit.problem.scatter, fit.parameters, strict=False)
    places = {place for s, q in scatter if q.identifiable is told for place in s.places}

    def set_at(fault: Fault) -> str:
        return fault.adjusting_point(finding.machine, Handbook()).place

    taken = {set_at(fault_of(finding, name)) for name in but}
    return nouns_of(catalogue, places, lambda fault: set_at(fault) not in taken)


def nouns_of(
    catalogue: Catalogue, places: Collection[str], wanted: Callable[[Fault], bool] = lambda _: True
) -> tuple[str, ...]:
    """What the faults that act on some fields of a machine are an amount of."""
    own = (fault for fault in catalogue.modelled if fault.place in places and wanted(fault))
    return tuple(dict.fromkeys(fault.noun for fault in own))


def fault_of(finding: Finding, name: str) -> Fault:
    """A named fault, of the variant that its likeliest explanation has."""
    best = next(h for h in finding.ranked if name in h.faults)
    variants = {fault.name: fault.variant for fault in best.fit.mode.faults}
    return best.fit.problem.catalogue.named(name, variants.get(name, ""))


def worth_a_check(probability: float, minutes: float, costs: Costs) -> bool:
    """Whether curing a fault of some probability gains more than its hand check costs."""
    return probability * costs.round >= minutes


def to_check(finding: Finding, costs: Costs | None = None) -> tuple[Fault, ...]:
    """Faults worth a check by hand, what is likeliest for its minutes first."""
    costs = costs if costs is not None else Costs()
    worth: list[tuple[float, Fault]] = []
    for point in finding.standing.named:
        fault = fault_of(finding, point.name)
        minutes = fault.adjusting_point(finding.machine, Handbook()).minutes
        if worth_a_check(point.probability, minutes, costs):
            worth.append((point.probability / minutes, fault))
    return tuple(fault for _, fault in sorted(worth, key=lambda pair: -pair[0]))
