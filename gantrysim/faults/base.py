"""What every fault says of itself: one class a family, one file a family.

A fault is at once what is done to a machine (`Fault.apply`), what may be wrong with it (name,
words, prior), and what is done about it (hand check, adjusting point, what is left after a turn).
The catalogue of a machine (`gantrysim.faults.catalogue`) holds each at its usual size;
``fault.at(...)`` is the same fault of another size.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, ClassVar, Self

import numpy as np

from gantrysim.faults.adjusting import AdjustingPoint, Documented
from gantrysim.inference.parameters import Parameter, values_at
from gantrysim.inference.terms import DrawnLines
from gantrysim.machine import Machine
from gantrysim.machine.handbook import Handbook
from gantrysim.mechanics.assembly import x_block, y_block
from gantrysim.records.checks import Limited, must_be, one_of
from gantrysim.records.doors import checked

if TYPE_CHECKING:
    from gantrysim.inference.problem import Problem
    from gantrysim.inference.solver import Mode

#: Median of the size of one, and of a pair of, standard normal numbers (per component): the
#: usual size of a fault whose prior has either sign.
_ONE, _PAIR = 0.6745, 0.8326
#: Part of its usual size that a fault may keep and count as cured, where its class says nothing
#: better (judgement).
_KEPT = 0.1

#: What a fault does: it drags, gives way, loses motion in the drive, lets a part rattle on its
#: rail, sets off, scales.
DRAG, GIVE, PLAY, RATTLE = "drag", "give", "play", "rattle"
OFFSET, SCALE = "offset", "scale"

#: No fault, and no turn, is so large in its unit.
LARGEST = 1e6

#: Blocks of the mechanism that a fault may act on; none for one that only shows as a pattern.
BLOCKS = ("x", "y", "xy", "")
#: Faults by class, key and block whose block was found right: assembling machines takes long.
_COMPARED: set[tuple[type, str, str]] = set()


@checked
class Fault(Limited, Documented):
    """One way in which a machine can be wrong; subclass it as a frozen dataclass.

    Attributes
    ----------
    unit : str
        Unit of its size.
    rugged : bool
        Whether its cost jumps with its size and has many valleys: a search looks for the best.
    effect : str
        What it does: `DRAG`, `GIVE`, `PLAY`, `RATTLE`, `OFFSET`, `SCALE`, or empty.
    sense : int
        +1 where more of it is worse, -1 where less is worse, 0 where it has either sign.
    ways : tuple of str
        What sizes above and below zero are called where a report says them.
    twins : mapping of str to str
        Faults of which a burn sees the sum only, by name, with the reason.
    kept : float, optional
        Size up to which a machine counts as healthy, in its unit.
    model_error : float
        Part of its size by which its own model may be off, standard deviation; widens what is
        stated of it.
    sought : bool
        Whether the forward model lacks it: its place is sought on the residuals of a fit
        (`placed`) and it shows as a pattern there.

    Notes
    -----
    A subclass must give `name`, `words`, ``unit``, `parameters`, and `apply` or `place`.  The rest
    has defaults: without `place` its size cannot be read off a machine, and what is replaced or
    cleaned counts as cured with the probability that `gantrysim.decisions.afterturn` states.

    Examples
    --------
    >>> import gantrysim as gs
    >>> from dataclasses import dataclass
    >>> from gantrysim.inference.parameters import Parameter
    >>> @dataclass(frozen=True)
    ... class SeizingBearing(gs.faults.Fault):
    ...     extra_drag: float
    ...     name, unit, block, place = "seizing_bearing", "N", "y", "shaft.drag"
    ...     words = "the far bearing of the cross shaft is seizing"
    ...     parameters = (Parameter("extra drag", "N", 8.0, 0.6, ratio=True),)
    >>> gs.Machine().with_faults(SeizingBearing(8.0)).shaft.drag
    8.3
    """

    unit: ClassVar[str] = ""
    rugged: ClassVar[bool] = False
    effect: ClassVar[str] = ""
    sense: ClassVar[int] = 1
    ways: ClassVar[tuple[str, str]] = ("", "")
    twins: ClassVar[Mapping[str, str]] = {}
    kept: ClassVar[float | None] = None
    model_error: ClassVar[float] = 0.0
    sought: ClassVar[bool] = False

    # What it is called

    @property
    def name(self) -> str:
        """Its name, for example ``"tight_wheels_left"``."""
        raise _not_given(self, "name")

    @property
    def variant(self) -> str:
        """Which of several ways to have it (which pulley), empty where there is one."""
        return ""

    @property
    def compound(self) -> bool:
        """Whether it is several variants at once."""
        return False

    @property
    def key(self) -> str:
        """Name and variant."""
        return f"{self.name} ({self.variant})" if self.variant else self.name

    @property
    def exact(self) -> bool:
        """Whether the forward model has what it does exactly, as it has a scale."""
        return self.effect == SCALE

    @property
    def words(self) -> str:
        """The finding in plain words, a clause without its full stop."""
        raise _not_given(self, "words")

    @property
    def noun(self) -> str:
        """What it is an amount of, for example "stiffness left to the left belt"."""
        return self.name.replace("_", " ")

    @property
    def check(self) -> str:
        """The hand check that confirms it."""
        return "with the power off look for dirt, a bent rail, a loose head or frame, a worn belt"

    # What it does

    @property
    def block(self) -> str:
        """Block of the mechanism that it acts on: ``"x"``, ``"y"``, or ``"xy"`` for both."""
        return "xy"

    @property
    def drive(self) -> str:
        """Which drive feels it: ``"left"``, ``"right"`` (the far one), ``"x"``, or empty."""
        return ""

    @property
    def place(self) -> str:
        """Dotted field of the machine to which its size adds; empty if it is none."""
        return ""

    def apply(self, machine: Machine) -> Machine:
        """Return the machine with this fault."""
        if not self.place:
            raise _not_given(self, "place or apply")
        size = getattr(self, self._sizes[0])
        return machine.set(self.place, machine.value(self.place) + size)

    # How big it is

    @property
    def parameters(self) -> tuple[Parameter, ...]:
        """Its unknowns with their priors, once it is there."""
        raise _not_given(self, "parameters")

    def at(self, *values: float) -> Self:
        """Return the same fault with other values of its parameters, in their units."""
        return dataclasses.replace(self, **dict(zip(self._sizes, values, strict=False)))  # type: ignore[type-var]

    def magnitude(self, *values: float) -> float:
        """Its size at values of its parameters, in its unit."""
        return values[0]

    @property
    def usual_numbers(self) -> np.ndarray:
        """Standard normal numbers of its parameters at its usual size: the median of its prior."""
        first, count = self.parameters[0], len(self.parameters)
        if first.ratio or first.centre:
            return np.zeros(count)
        either = sum(not q.ratio for q in self.parameters)
        return np.full(count, _ONE if either == 1 else _PAIR)

    @property
    def usual(self) -> Self:
        """The same fault at its usual size: the median of its prior."""
        return self.at(*values_at(self.parameters, self.usual_numbers))

    # Where the forward model lacks it

    @property
    def pattern(self) -> Mapping[int, np.ndarray] | None:
        """By source, change of its residuals per unit of each coefficient, mm, shape (m, k)."""
        return None

    def coefficients(self, *values: float) -> Sequence[float]:
        """The k coefficients of its pattern at values of its parameters."""
        return values

    def placed(self, problem: Problem, mode: Mode) -> tuple[Fault, float]:
        """Return it at its best place beside a fit, and its log evidence there above the mean."""
        return self, 0.0

    @property
    def found_at(self) -> float | None:
        """The place at which it was found, where one number says it: what a kept finding keeps."""
        return None

    def placed_at(self, place: float, problem: Problem, u: np.ndarray) -> Fault:
        """Return it at a place that was found before, as it shows at the unknowns of a problem."""
        return self

    @property
    def seen_as(self) -> str:
        """What lines show of it: the same text where no burn tells one from another."""
        return self.key

    def seen_like(self, other: Fault) -> Fault:
        """Return it where another that shows the same was found."""
        return self

    def shown_on(self, piece: DrawnLines | None) -> Fault:
        """Return it as it shows on other lines, the only source; None: there are none."""
        return self

    def signature(self, machine: Machine, spot: np.ndarray, normal: np.ndarray) -> np.ndarray:
        """Heights of its pattern on any lines per unit of each coefficient, shape (n, k): none.

        Parameters
        ----------
        machine : Machine
            The machine as described.
        spot, normal : ndarray, shape (n, 2)
            Places on the bed, mm, and the unit normal of the line there.
        """
        count = len(self.coefficients(*values_at(self.parameters, self.usual_numbers)))
        return np.zeros((len(spot), count))

    # What goes with it

    @property
    def opposite(self) -> str:
        """Name of what too far a turn leaves; no machine has both.  Empty for none."""
        return ""

    # What is done about it

    def adjusting_point(self, machine: Machine, handbook: Handbook) -> AdjustingPoint:
        """Where it is put right on a machine as described, with its hand checks."""
        return AdjustingPoint(
            "whole machine",
            "look the machine over before anything is turned: clean rails, wheels and belts, "
            "tighten the frame and the head, replace what is worn, burn again",
            self.check,
            "burn the same test again and compare",
            15.0,
        )

    @property
    def readable(self) -> bool:
        """Whether its size can be read off a machine, so that it is known what a turn leaves."""
        return bool(self.place)

    def size_on(self, machine: Machine, nominal: Machine) -> float:
        """Its size read off a machine, in its unit."""
        return float(machine.value(self.place) - nominal.value(self.place))

    def healthy_limit(self, nominal: Machine) -> float:
        """Size up to which a machine counts as healthy, in its unit: `kept` where it is given."""
        if self.kept is not None:
            return self.kept
        return _KEPT * self.magnitude(*values_at(self.parameters, self.usual_numbers))

    def overshot(self, nominal: Machine) -> float:
        """Size below which a turn went too far, into the opposite fault."""
        return -math.inf

    @property
    def own_scatter(self) -> str:
        """Healthy parameter in the unit of its size, which a turn widens by the hand."""
        return ""

    @property
    def fresh_scatter(self) -> tuple[str, ...]:
        """Healthy parameters that a turn leaves as on a machine that nobody has measured."""
        return ()

    def look_over(self) -> None:
        """Refuse a class that does not say of itself what every fault must say.

        Raises
        ------
        TypeError
            Naming the class and what is missing or of another kind.
        ValueError
            Naming the class and what no machine has.
        """
        own = type(self).__name__
        for field in ("name", "words", "unit", "variant", "place"):
            value = getattr(self, field)
            if not isinstance(value, str):
                raise TypeError(f"{own}: {must_be(field, 'a text', value)}")
        one_of(self.block, BLOCKS, f"{own}: block")
        parameters = self.parameters
        if not parameters or not all(isinstance(p, Parameter) for p in parameters):
            what = "a tuple of Parameter, one or more"
            raise TypeError(f"{own}: {must_be('parameters', what, parameters)}")
        if self.place and not has_field(self.place):
            raise ValueError(f"{own}: {must_be('place', 'a dotted field of Machine', self.place)}")
        if self.sought:
            return
        if not self.place and type(self).apply is Fault.apply:
            raise _not_given(self, "place or apply")
        self._look_at_block(own)

    def _look_at_block(self, own: str) -> None:
        """Refuse a block that leaves out one which the fault changes: derivatives would be 0."""
        this = type(self), self.key, self.block
        if this in _COMPARED:
            return
        before = Machine()
        try:
            after = self.usual.apply(before)
        except AttributeError:  # a part of another architecture
            return
        for block, assembled in (("x", x_block), ("y", y_block)):
            if block not in self.block and assembled(before) != assembled(after):
                what = f"one that holds {block!r}, where it changes a part"
                raise ValueError(f"{own}: {must_be('block', what, self.block)}")
        _COMPARED.add(this)

    @property
    def _sizes(self) -> list[str]:
        """Names of its fields but for those that hold a word, such as which side."""
        return [f.name for f in dataclasses.fields(self) if "words" not in f.metadata]  # type: ignore[arg-type]


def _not_given(fault: Fault, field: str) -> TypeError:
    return TypeError(f"{type(fault).__name__}: a fault must give its {field}, found nothing.")


def has_field(place: str) -> bool:
    """Whether machines, of one architecture at least, have a field of this dotted place."""
    kinds: list[type] = [Machine]
    for kind in kinds:
        kinds += kind.__subclasses__()
    head = place.partition(".")[0]
    if head not in Machine.__dataclass_fields__:
        return any(head in vars(kind).get("__dataclass_fields__", ()) for kind in kinds)
    try:
        Machine().value(place)
    except ValueError:
        return False
    return True


def below_one(x: float) -> float:
    """A factor that leaves small values alone and levels out smoothly at 1."""
    return float(x / (1.0 + x**8) ** 0.125)
