"""Every number of the inverse that is judgement, in one place, each with its reason.

What is measured, published or follows from the geometry stands where it is used; what somebody had
to decide stands here, so that a study can vary it and a log can say what a finding rests on.  What
is believed of a healthy machine, of each fault and of how often they are met stands in the
machine's catalogue; what is believed of an instrument stands with the instrument.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from gantrysim.inference.noise import BIN_LENGTH, Noise
from gantrysim.records.checks import finite_number, not_negative, of_kind, one_of, whole_number
from gantrysim.records.doors import checked


def _assume(value: Any, unit: str, reason: str) -> Any:
    return dataclasses.field(default=value, metadata={"unit": unit, "reason": reason})


_NOISE = Noise()


@dataclass(frozen=True)
class Scales:
    """How many times their usual size things are that nobody knows beforehand (dimensionless).

    Parameters
    ----------
    scatter : float
        Width of the scatter of healthy machines about their label.
    reader : float
        Common scale error of a reader that nobody checked.
    shape : float
        Its scale difference.
    skew : float
        Its skew.
    place : float
        Errors that belong to a place on an axis, and once per turn of its pulley.
    direction : float
        Errors that turn over with the direction of motion.
    corner : float
        Where a side of a square comes to rest, and how an axis starts again after a reversal.
    """

    scatter: float = 1.0
    reader: float = 1.0
    shape: float = 1.0
    skew: float = 1.0
    place: float = 1.0
    direction: float = 1.0
    corner: float = 1.0


@checked
@dataclass(frozen=True, kw_only=True)
class Assumptions:
    """Judgement behind a diagnosis; `Assumptions.rows` lists each with unit and reason.

    Parameters
    ----------
    bin_length : float
        Length of line that one bin averages, mm.
    outlier : float
        A point so many robust standard deviations off its neighbours is left out.
    huber : float
        Standard deviations beyond which a bin weighs less.
    noise : Noise
        Noise of the points to begin with.
    most_grain, most_smooth : float
        Most that a measurement can be blamed for, mm; the second for a side of a square as a whole
        too.
    roughest : float
        Most of each that a measurement can be blamed for once a good explanation is known, mm.
    least_smooth : float
        Least error along a line that stays even where points were read without any, mm.
    point_spacing : float
        Points that lie nearer along a line are left out, mm.
    placement_turn, placement_shift : float
        Prior standard deviations of how a piece lies: radians and mm.
    blank : float
        How much a blank moves along each axis between burn and measuring, standard deviation.
    even, even_length : float
        Smooth error that belongs to a place on an axis: standard deviation and correlation length,
        mm.
    straight, straight_length : float
        Sideways error of an axis that belongs to a place along it, likewise, mm.
    odd_share, odd_least, odd_length : float
        Error that turns over with the direction of motion, and after a reversal: as a part of drag
        over stiffness, at least so much, mm, and its correlation length, mm.
    rattle_share : float
        How a loose carriage lies, bound to the direction of motion: as a part of its gap.
    corner_rest : float
        Where a side of a square comes to rest after its corner, mm.
    pulley_turn : float
        Once-per-turn error that a sound pulley leaves, mm.
    scatter_factors, reader_factors, shape_factors, skew_factors, discrepancy_factors : tuple
        Factors on the scatter of healthy machines, on the common scale of an unchecked reader, on
        its scale difference, on its skew, and on each kind of discrepancy; the residuals
        weigh them.
    usual_tail, reader_tail : float
        A factor that is f times off is so many powers of f rarer; the second for scales of readers.
    unlisted_factor : float
        How much larger they are where something unlisted is at work.
    restated : float
        Log evidence that a slip in how a piece was stated has to overcome on top of its prior.
    least_left : float
        Probability always left for explanations that nobody has named yet.
    given_back : float
        Part of a belief that goes back to what is believed of a fresh machine.
    alike : float
        Log Bayes factor below which two explanations are not told apart before a test is burned.
    few_rings : int
        Fewer rings give hints, not findings.
    hint : float
        Then a difference in log evidence counts for so many times less.
    loudest, loudest_little : float
        Part in which the ring counts that speaks most for a lead, and nats up to which it may count
        for more than all others together.
    likelier : float
        Gain in log probability from which an explanation counts as likelier than before.
    together : float
        Least probability of the group of explanations that are not told apart.
    credible : float
        Probability from which one explanation, or one adjusting point, is sure.
    identifiable : float
        A parameter narrowed to less than this part of its prior width is identifiable.
    beside : float
        Log odds that each further fault of a set, scales aside, has to overcome on top of its
        prior.
    first_steps, most_faults, expansions, most_beside : int
        Steps of the first fit; most faults of one explanation; sets that are extended; faults
        tried beside each.
    close, worth, hopeless, unlikely : float
        Log evidence: within which of the best a leader is extended; which a pair must promise;
        behind which an explanation is not refined; below which its size is stated roughly.
    replaced : float
        Probability that something which was replaced or cleaned is cured.

    Examples
    --------
    >>> import gantrysim as gs
    >>> assumed = gs.inference.Assumptions(placement_shift=20.0)
    >>> assumed.changed()
    {'placement_shift': 20.0}
    >>> next(row for row in assumed.rows() if row[0] == "huber")
    ('huber', 3.0, 'standard deviations', '1 in 400 of normal noise (Huber 1964, from memory)')
    """

    bin_length: float = _assume(
        BIN_LENGTH, "mm", "several grain lengths, a fraction of any feature"
    )
    outlier: float = _assume(5.0, "standard deviations", "1 in 10^6 of normal noise")
    huber: float = _assume(
        3.0, "standard deviations", "1 in 400 of normal noise (Huber 1964, from memory)"
    )
    noise: Noise = _assume(  # noqa: RUF009 - frozen
        _NOISE, "mm", "points of a common scan of a burn on wood: no source"
    )
    most_grain: float = _assume(
        0.015, "mm", "grain and charred edges give 0.02..0.05 mm at single points: no source"
    )
    most_smooth: float = _assume(0.020, "mm", "what exceeds it is the machine's")
    roughest: float = _assume(
        0.06, "mm", "charred edges on rough wood; what is worse is no measurement's: no source"
    )
    least_smooth: float = _assume(0.003, "mm", "no model predicts a burned line better")
    point_spacing: float = _assume(
        0.6, "mm", "nearer points share their grain and teach nothing more"
    )
    placement_turn: float = _assume(math.radians(3.0), "rad", "a piece laid down by eye")
    placement_shift: float = _assume(10.0, "mm", "a piece laid down by eye")
    blank: float = _assume(
        3e-4,
        "-",
        "plywood moves by 0.02..0.04 % a per cent of moisture; solid wood, rarer, by more",
    )
    even: float = _assume(0.003, "mm", "rail form and belt pitch")
    even_length: float = _assume(12.0, "mm", "rail form is long")
    straight: float = _assume(0.004, "mm", "rails bow by about 0.01 mm over their length")
    straight_length: float = _assume(25.0, "mm", "rails are stiff")
    odd_share: float = _assume(0.05, "of the lag", "ripple and dirt, a few per cent of drag each")
    odd_least: float = _assume(0.002, "mm", "the same where drag is small")
    odd_length: float = _assume(6.0, "mm", "dirt on a rail is short")
    rattle_share: float = _assume(
        0.1, "of the gap", "a loose carriage rocks out of the plane, which the model does not have"
    )
    corner_rest: float = _assume(0.005, "mm", "dynamics against the march: 3..10 µm rms")
    pulley_turn: float = _assume(0.004, "mm", "run-out of a machined pulley is of order 0.01 mm")
    scatter_factors: tuple[float, ...] = _assume(
        (1.0, 1.5), "-", "a machine known by its label only may scatter by half and more"
    )
    reader_factors: tuple[float, ...] = _assume(
        (1.0, 3.0, 10.0), "-", "cheap scanners and telephones are off by half a per cent and more"
    )
    shape_factors: tuple[float, ...] = _assume(
        (1.0, 3.0, 8.0), "-", "the same in one direction, and wood that shrank across its grain"
    )
    skew_factors: tuple[float, ...] = _assume(
        (1.0, 3.0), "-", "a carriage that runs out of square by a milliradian"
    )
    usual_tail: float = _assume(2.0, "-", "the tails of a Cauchy density")
    reader_tail: float = _assume(1.0, "-", "few check a scanner, and wood moves by .3 %")
    discrepancy_factors: tuple[float, ...] = _assume(
        (0.5, 1.0, 2.0, 4.0), "-", "the usual sizes are guesses within a factor"
    )
    unlisted_factor: float = _assume(6.0, "-", "an unknown fault shows like a known one")
    restated: float = _assume(
        10.0, "nats", "real slips gain tens to thousands; less can be what the model lacks"
    )
    least_left: float = _assume(0.02, "-", "no belief excludes what it did not name")
    given_back: float = _assume(0.1, "-", "a wrong finding can be undone by the next burn")
    alike: float = _assume(3.0, "nats", "20 : 1; less can come from what the model lacks")
    few_rings: int = _assume(3, "rings", "fewer do not average a local blemish out")
    hint: float = _assume(4.0, "-", "as the above")
    loudest: float = _assume(0.5, "-", "a blemish is on one ring; stated chances hold best so")
    loudest_little: float = _assume(2.0, "nats", "as the above")
    likelier: float = _assume(math.log(2.0), "nats", "2 : 1")
    together: float = _assume(0.9, "-", "groups held 221 of 233 known truths, .95")
    credible: float = _assume(0.95, "-", "1 wrong of 20: what a nut may be turned on")
    identifiable: float = _assume(0.8, "of the prior width", "less narrowing teaches little")
    beside: float = _assume(
        1.5, "nats", "a further fault can be what the model of the first one lacks"
    )
    first_steps: int = _assume(6, "steps", "it only teaches a first noise")
    most_faults: int = _assume(
        2, "faults", "whatever the model of two lacks looks like a third: none found was real"
    )
    expansions: int = _assume(4, "sets", "time")
    most_beside: int = _assume(3, "faults", "time")
    close: float = _assume(8.0, "nats", "a leader further behind is no leader")
    worth: float = _assume(2.0, "nats", "less never makes up for what a pair's prior costs")
    hopeless: float = _assume(25.0, "nats", "no noise learned anew makes that up")
    unlikely: float = _assume(-4.6, "nats", "1 in 100: nobody acts on it")
    replaced: float = _assume(0.8, "-", "new parts are sometimes bad too: judgement")

    def factors(self, name: str) -> tuple[float, ...]:
        """Factors of one field of `Scales`."""
        own = {"scatter", "reader", "shape", "skew"}
        found = getattr(self, f"{name if name in own else 'discrepancy'}_factors")
        return tuple(float(x) for x in found)

    def tail(self, name: str) -> float:
        """How much rarer one field of `Scales` is far off its usual size."""
        return self.reader_tail if name in ("reader", "shape") else self.usual_tail

    @property
    def least_noise(self) -> dict[str, float]:
        """Least of each field of the noise, mm."""
        return {"smooth": self.least_smooth}

    def most_noise(self, *, believable: bool = True) -> dict[str, float]:
        """Most of each field of the noise that a measurement can be blamed for, mm.

        ``believable``: of a usual piece; else of the roughest.
        """
        if not believable:
            return dict.fromkeys(("grain", "smooth", "rest"), self.roughest)
        return {"grain": self.most_grain, "smooth": self.most_smooth, "rest": self.most_smooth}

    def to_dict(self) -> dict[str, Any]:
        """Return every assumption by name; a noise of one's own names its class as its model."""
        own = {} if type(self.noise) is Noise else {"model": type(self.noise).__name__}
        table = dataclasses.asdict(self)
        return table | {"noise": own | table["noise"]}

    def __post_init__(self) -> None:
        for f in dataclasses.fields(self):
            value = getattr(self, f.name)
            if f.name == "noise":
                of_kind(value, Noise, "noise")
                continue
            given = list(value) if isinstance(f.default, tuple) else [value]
            numbers = [finite_number(x, f.name) for x in given]
            if not numbers:
                raise ValueError(f"{f.name} must hold a number or more, found none.")
            if f.name != "unlikely" and min(numbers) < 0.0:
                raise ValueError(f"{f.name} must not be negative, found {value}.")
            if isinstance(f.default, int):
                whole_number(value, f.name, least=1)
            object.__setattr__(self, f.name, tuple(numbers) if len(given) > 1 else value)

    @classmethod
    def of_changes(cls, table: Mapping[str, Any]) -> Assumptions:
        """Return the usual ones but for some; ValueError names an unknown one."""
        known = [f.name for f in dataclasses.fields(cls)]
        for name in table:
            one_of(name, known, "an assumption")
        values: dict[str, Any] = {
            name: tuple(v) if isinstance(v, list) else v for name, v in table.items()
        }
        if "noise" in values:
            fields = dict(values["noise"])
            model = _model_of(fields.pop("model", Noise.__name__))
            not_negative("noise", **fields)
            values["noise"] = model(**fields)
        return cls(**values)

    def rows(self) -> list[tuple[str, Any, str, str]]:
        """Return name, value, unit and reason of each."""
        return [
            (f.name, getattr(self, f.name), f.metadata["unit"], f.metadata["reason"])
            for f in dataclasses.fields(self)
        ]

    def changed(self) -> dict[str, Any]:
        """Return those that are not the usual ones, by name."""
        usual = USUAL.to_dict()
        return {name: value for name, value in self.to_dict().items() if value != usual[name]}


def _model_of(name: str) -> type[Noise]:
    """Noise model by the name of its class; ValueError where no module imported so far has it."""
    known = [Noise]
    for model in known:  # grows while it is walked
        if model.__name__ == name:
            return model
        known += model.__subclasses__()
    raise ValueError(f"noise must be a model that is imported before it is read, found {name!r}.")


#: The judgement behind every finding for which nobody says otherwise.
USUAL = Assumptions()
