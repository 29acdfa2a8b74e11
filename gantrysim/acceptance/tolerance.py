"""Tolerances in the trade's terms, and the verdict on whether they are met."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from typing import TYPE_CHECKING, Annotated, Any

from scipy.special import ndtri

from gantrysim.records import jsontext
from gantrysim.records.amounts import probability
from gantrysim.records.checks import finite_number, one_of, positive
from gantrysim.records.doors import checked
from gantrysim.records.table import Table, fields_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes

PASS, NOT_YET, CANNOT_TELL = "pass", "not yet", "cannot tell"
DECIDED = {
    PASS: "Pass: it keeps the tolerance",
    NOT_YET: "Not yet: it does not keep the tolerance",
    CANNOT_TELL: "Cannot tell whether it keeps the tolerance",
}
#: Usual probability with which conformity or its absence is proven (ISO 14253-1:2017: 95 %;
#: from memory).
CONFIDENCE = 0.95

#: Characteristic: its unit, and what it is.
CHARACTERISTICS: dict[str, tuple[str, str]] = {
    "roundness": ("mm", "roundness of the worst circle"),
    "size": ("mm", "largest deviation of a diameter, width or height, either way"),
    "squareness": ("mrad", "largest squareness deviation of a square, either way"),
    "closure": ("mm", "largest gap between start and end of a line"),
    "spacing": ("mm", "scatter of the ring spacing"),
    "overlay": ("mm", "distance between passes of the worst ring, rms"),
}


#: By unit, beyond which a limit is no tolerance of a burn, and the unit it may be meant in: what is
#: as far off needs no measurement (judgement).
_NO_TOLERANCE = {"mm": (10.0, "µm"), "mrad": (200.0, "µrad")}


@checked
@dataclass(frozen=True)
class Tolerance:
    """What a burn must keep to; any subset of it.

    Parameters
    ----------
    roundness : float, optional
        Largest RONt of any circle, mm (ISO 12181-1), after the Gaussian filter of ``cutoff``.
    size : float, optional
        Largest deviation (plus or minus) of any circle's diameter and of any square's width or
        height from what was commanded, mm.
    squareness : float, optional
        Largest deviation (plus or minus) of any square from 90 degrees, mrad (ISO 230-1).
    closure : float, optional
        Largest gap between start and end of any line, mm; shows in a prediction only.
    spacing : float, optional
        Largest standard deviation of the spacing of neighbouring rings of one shape, mm.
    overlay : float, optional
        Largest root mean square distance between the passes of any ring, mm; a scan shows it only
        where passes part by nine tenths of the line's width.
    reference : str
        ``"LS"`` for roundness about the least-squares circle, ``"MZ"`` about the minimum zone.
    cutoff : float
        Undulations per revolution of which the filter of roundness lets half pass (ISO 12181-2,
        whose usual values are 15, 50, 150 and 500; from memory).  Sampled lines of some ten mm
        know nothing beyond 50.
    least_size : float
        Rings smaller than this radius or half side are not judged, mm.

    Raises
    ------
    ValueError
        If nothing is tolerated, a limit is not above zero or so wide that it is in another unit
        (10 mm, 200 mrad), or the cut-off is not 5 to 50.

    Examples
    --------
    >>> import gantrysim as gs
    >>> gs.Tolerance(roundness=0.4, size=0.3)
    Tolerance(roundness 0.4 mm, size 0.3 mm)
    >>> gs.Tolerance(size=0.3).limits
    {'size': 0.3}
    """

    roundness: float | None = None
    size: float | None = None
    squareness: float | None = None
    closure: float | None = None
    spacing: float | None = None
    overlay: float | None = None
    reference: Annotated[str, ("LS", "MZ")] = field(default="LS", kw_only=True)
    cutoff: float = field(default=50.0, kw_only=True)
    least_size: float = field(default=0.0, kw_only=True)

    def __post_init__(self) -> None:
        if finite_number(self.least_size, "least_size") < 0.0:
            raise ValueError(f"least_size must be 0 mm or more, found {self.least_size:g}.")
        if not 5.0 <= finite_number(self.cutoff, "cutoff") <= 50.0:
            raise ValueError(
                f"cutoff must be 5 to 50 undulations per revolution, found {self.cutoff:g}."
            )
        for name in CHARACTERISTICS:
            if getattr(self, name) is not None:
                object.__setattr__(self, name, _limit(name, getattr(self, name)))
        if not self.limits:
            names = ", ".join(CHARACTERISTICS)
            raise ValueError(f"a tolerance needs a limit for at least one of {names}; found none.")

    @property
    def limits(self) -> dict[str, float]:
        """What is tolerated, by characteristic, in the unit of `CHARACTERISTICS`."""
        found = {name: getattr(self, name) for name in CHARACTERISTICS}
        return {name: limit for name, limit in found.items() if limit is not None}

    def to_dict(self) -> dict[str, Any]:
        """Return the limits as plain Python types; each name carries its unit."""
        limits = {f"{name}_{CHARACTERISTICS[name][0]}": v for name, v in self.limits.items()}
        return {
            **limits,
            "reference": self.reference,
            "cutoff_upr": self.cutoff,
            "least_size_mm": self.least_size,
        }

    @classmethod
    def from_dict(cls, content: Mapping[str, Any], where: str = "tolerance") -> Tolerance:
        """The tolerance that `to_dict` wrote; ValueError names a field that it did not."""
        names = {f"{name}_{unit}": name for name, (unit, _) in CHARACTERISTICS.items()}
        others = {"reference": "reference", "cutoff_upr": "cutoff", "least_size_mm": "least_size"}
        table = jsontext.fields(dict(content), where, tuple(others), tuple(names))
        return cls(**{(names | others)[key]: value for key, value in table.items()})

    def __repr__(self) -> str:
        limits = ", ".join(f"{k} {v:g} {CHARACTERISTICS[k][0]}" for k, v in self.limits.items())
        return f"Tolerance({limits})"


def _limit(name: str, value: float) -> float:
    """A limit in its unit; ValueError where it must be meant in another."""
    limit, unit = positive(value, name), CHARACTERISTICS[name][0]
    most, finer = _NO_TOLERANCE[unit]
    if limit > most:
        raise ValueError(
            f"{name} must be at most {most:g} {unit}, found {limit:g}: limits are in {unit}, and "
            f"{limit:g} {finer} are {limit / 1000.0:g} {unit}."
        )
    return limit


def guard_band(standard_uncertainty: float, *, confidence: float = CONFIDENCE) -> float:
    """How far inside its limit a measured value must lie to prove conformity.

    ``standard_uncertainty``: of the measured value, in its unit.  ``confidence``: probability with
    which it must be proven.  Returns: in the same unit: 1.645 standard uncertainties at 95 %, for
    one limit and an uncertainty that is small against the tolerance (ISO 14253-1:2017; from
    memory).
    """
    return float(standard_uncertainty * ndtri(confidence))


def decide(low: float, high: float, *, confidence: float = CONFIDENCE) -> str:
    """Decide from the least and the greatest probability of conformity.

    ``"pass"`` where even the least is ``confidence`` or more, ``"not yet"`` where even the
    greatest is no more than its complement, else ``"cannot tell"`` (ISO 14253-1: conformity and
    its absence are proven only outside the zone of uncertainty about the limit).
    """
    if low >= confidence:
        return PASS
    return NOT_YET if high <= 1.0 - confidence else CANNOT_TELL


@dataclass(frozen=True)
class Requirement:
    """One limit of a tolerance and what is known about keeping to it.

    Parameters
    ----------
    name, unit : str
        Characteristic, see `CHARACTERISTICS`, and unit of the numbers.
    limit : float
        What is tolerated.
    found : float or None
        As measured, noise included and not filtered (a prediction has none).
    estimate, low, high : float or None
        Median and 95 % interval of the true value, what the scatter of points adds taken off; None
        where it cannot be judged.  Those of `CHARACTERISTICS` have no sign, as their limits have
        none; those of a part have.
    probability : float or None
        That the true value is within the limit.
    note : str
        Why it cannot be judged and how it can be, or on what it rests.
    what : str
        What it is about, where that is none of `CHARACTERISTICS`: a feature or pair of a part.
    doubtful : bool
        Whether what the note says speaks against the probability.
    """

    name: str
    unit: str
    limit: float
    found: float | None
    estimate: float | None
    low: float | None
    high: float | None
    probability: float | None
    note: str = ""
    what: str = ""
    doubtful: bool = False

    @classmethod
    def from_dict(cls, content: Any, where: str) -> Requirement:
        """The requirement that `Verdict.to_dict` wrote; ValueError names a field that it did not.

        ``content``: as it stood in a file.  ``where``: its place there, for the sentence.
        """
        words, numbers = ("name", "unit"), ("found", "estimate", "low", "high", "probability")
        notes = ("note", "what")
        optional = (*notes, "doubtful")
        table = jsontext.fields(content, where, (*words, "limit", *numbers), optional)
        read: dict[str, Any] = {"limit": jsontext.number(table["limit"], f"{where}.limit")}
        for key in (*words, *(note for note in notes if note in table)):
            read[key] = jsontext.word(table[key], f"{where}.{key}")
        for key in numbers:
            told = table[key] is not None
            read[key] = jsontext.number(table[key], f"{where}.{key}") if told else None
        if "doubtful" in table:
            read["doubtful"] = jsontext.flag(table["doubtful"], f"{where}.doubtful")
        if not read.get("what"):
            one_of(read["name"], tuple(CHARACTERISTICS), f"'{where}.name'")
        return cls(**read)

    @property
    def title(self) -> str:
        """What it is about, in words."""
        return self.what or CHARACTERISTICS[self.name][1]

    @property
    def guarded_limit(self) -> float | None:
        """What an estimate may be at most to be proven within, at this uncertainty."""
        if self.low is None or self.high is None:
            return None
        return self.limit - guard_band((self.high - self.low) / 3.92)

    @property
    def words(self) -> str:
        """The requirement in one sentence."""
        what = f"{self.title}: limit {self.limit:.3g} {self.unit}"
        if self.estimate is None:
            return f"{what}; cannot be judged here: {self.note}."
        value = f"estimated {self.estimate:.3g} {self.unit}"
        if self.found is not None:  # the worst of many noisy values is too large, a form always
            value = f"measured {self.found:.3g} with the scatter of its points, {value} without it"
        note = f" ({self.note})" if self.note else ""
        return (
            f"{what}; {value}, 95 % between {self.low:.3g} and {self.high:.3g}; within with "
            f"probability {_probability(self.probability)}{note}."
        )


@checked
@dataclass(frozen=True)
class Verdict:
    """Whether a tolerance is met: pass, not yet, or cannot tell.

    Parameters
    ----------
    decision : str
        ``"pass"``, ``"not yet"`` or ``"cannot tell"``.
    probability : float
        That everything which shows is within its limit.
    unknown : float
        Probability of explanations of which nothing can be predicted; 0 for a measured piece
        unless its closing gap is predicted.
    confidence : float
        Probability that proves it.
    tolerance : Tolerance or None
        What was asked; None for what a healthy machine reaches.
    requirements : tuple of Requirement
        Limit by limit; roundness is that of the lines after the filter of the tolerance.
    source : str
        What was judged.
    """

    decision: str
    probability: float
    unknown: float
    confidence: float
    tolerance: Tolerance | None
    requirements: tuple[Requirement, ...]
    source: str

    @property
    def passed(self) -> bool:
        """Whether conformity is proven."""
        return self.decision == PASS

    @property
    def summary(self) -> str:
        """The decision in one clause, without numbers."""
        if self.kept_but:
            unseen = " and ".join(self.kept_but)
            return f"All but {unseen}, which cannot be judged here, keeps its limit"
        return DECIDED[self.decision]

    @property
    def kept_but(self) -> tuple[str, ...]:
        """What cannot be judged, where all else is proven to be kept; empty in any other case."""
        unseen = tuple(r.name for r in self.requirements if r.probability is None)
        proven = self.probability * (1.0 - self.unknown) >= self.confidence
        doubtful = any(r.doubtful for r in self.requirements)
        if self.decision != CANNOT_TELL or doubtful or not proven:
            return ()
        return unseen if len(unseen) < len(self.requirements) else ()

    def report(self) -> str:
        """Return the verdict in plain words."""
        rows = [f"{self.summary} ({self._chance}{self.source})."]
        rows += [f"  {r.words}" for r in self.requirements]
        if self.unknown > 0.005:
            rows.append(
                f"  With probability {self.unknown:.2f} something is the matter of which nothing "
                "can be predicted."
            )
        if 1.0 - self.confidence < self.probability < self.confidence:
            rows.append(
                f"  Proven is what has a probability of {self.confidence:g} or more: measure "
                "better, or come further inside the limit."
            )
        return "\n".join(rows)

    @property
    def _chance(self) -> str:
        """The probability as reports begin with it; nothing where nothing shows."""
        if all(r.probability is None for r in self.requirements):
            return ""
        return f"probability {_probability(self.probability)}; "

    def to_dict(self) -> dict[str, Any]:
        """Return the verdict as plain Python types."""
        return fields_of(self)

    @classmethod
    def from_dict(cls, content: Mapping[str, Any], where: str = "verdict") -> Verdict:
        """The verdict that `to_dict` wrote.

        Parameters
        ----------
        content : mapping
            As it stood in a file.
        where : str
            Its place there, for the sentence of an error.

        Raises
        ------
        ValueError
            If a field is missing, unknown or of a wrong kind, in one sentence that names it.
        """
        names = [each.name for each in fields(cls)]
        table = jsontext.fields(dict(content), where, names)
        one_of(table["decision"], tuple(DECIDED), f"'{where}.decision'")
        chance, unknown, confidence = (
            jsontext.number(table[name], f"{where}.{name}", least=0.0, most=1.0)
            for name in ("probability", "unknown", "confidence")
        )
        tolerance = None
        if table["tolerance"] is not None:
            asked = jsontext.named(table["tolerance"], f"{where}.tolerance")
            tolerance = Tolerance.from_dict(asked, f"{where}.tolerance")
        rows = jsontext.row(table["requirements"], f"{where}.requirements")
        read = (
            Requirement.from_dict(row, f"{where}.requirements[{k}]") for k, row in enumerate(rows)
        )
        source = jsontext.word(table["source"], f"{where}.source")
        told = (chance, unknown, confidence, tolerance)
        return cls(table["decision"], *told, tuple(read), source)

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw every value with its 95 % interval as part of its limit."""
        from gantrysim.plotting.intervals import plot_verdict

        return plot_verdict(self, ax)

    def __repr__(self) -> str:
        unseen = f" of {' and '.join(self.kept_but)}, all else" * bool(self.kept_but)
        return f"Verdict({self.decision}{unseen}, {self._chance.rstrip('; ') or 'nothing shows'})"

    def _repr_html_(self) -> str:
        heads = ("what", "limit", "measured", "estimated without scatter [95 %]", "within", "")
        return Table(heads, map(_cells, self.requirements), repr(self)).html()


def _cells(r: Requirement) -> list[str]:
    true = "" if r.estimate is None else f"{r.estimate:.3g} [{r.low:.3g}, {r.high:.3g}]"
    return [
        r.title,
        f"{r.limit:.3g} {r.unit}",
        "" if r.found is None else f"{r.found:.3g}",
        true,
        "" if r.probability is None else _probability(r.probability),
        r.note,
    ]


def _probability(p: float | None) -> str:
    return "unknown" if p is None else probability(p)
