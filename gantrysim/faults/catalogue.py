"""What a machine can have: its faults at their usual size, its healthy scatter, their prior odds.

The catalogue belongs to the machine (`Machine.catalogue`): another architecture brings its own, by
`Catalogue.extended` or from nothing.
"""

from __future__ import annotations

import dataclasses
import functools
import math
from dataclasses import dataclass

from gantrysim.faults.base import DRAG, GIVE, PLAY, Fault, has_field
from gantrysim.faults.belts import SlackBelt
from gantrysim.faults.carriage import LooseCarriage, TightCarriage
from gantrysim.faults.coupling import CouplerBacklash, CouplerSlip
from gantrysim.faults.flat import FLANKS, WheelFlat
from gantrysim.faults.healthy import HEALTHY_SCATTER
from gantrysim.faults.pulley import PulleyRunout
from gantrysim.faults.scale import ScaleError
from gantrysim.faults.square import OutOfSquare
from gantrysim.faults.unmodelled import LostSteps, Unlisted, Unmodelled
from gantrysim.faults.wheels import LooseWheels, TightWheels
from gantrysim.inference.parameters import Scatter
from gantrysim.machine import SIDES, Machine
from gantrysim.records.checks import must_be
from gantrysim.records.doors import checked


@checked
@dataclass(frozen=True, eq=False)
class Catalogue:
    """What may be wrong with a machine, and how a healthy one scatters.

    Parameters
    ----------
    faults : tuple of Fault
        In the order in which they are named to a person; kept at their usual size.
    scatter : tuple of Scatter
        How a healthy machine scatters about its description.
    unmodelled : tuple of Unmodelled
        Explanations that predict nothing; the first stands for anything not in the list.
    healthy, unlisted, pairs : float
        Prior probability of a healthy machine, of something not in the list, and of all pairs of
        faults together; single faults share the rest evenly.  A piece is measured because
        something looks wrong (judgement).

    Raises
    ------
    TypeError, ValueError
        If a fault does not say of itself what it must (`Fault.look_over`), or two have one name
        and variant.

    Examples
    --------
    >>> import gantrysim as gs
    >>> catalogue = gs.Machine().catalogue()
    >>> catalogue.names[:3]
    ('tight_wheels_left', 'tight_wheels_right', 'tight_carriage')
    >>> catalogue.named("coupler_slip").words
    'a set screw let the cross shaft slip: one side stands ahead of the other'
    >>> round(catalogue.prior(("coupler_slip",)), 3)
    0.036
    """

    faults: tuple[Fault, ...]
    scatter: tuple[Scatter, ...] = HEALTHY_SCATTER
    unmodelled: tuple[Unmodelled, ...] = (Unlisted(), LostSteps())
    healthy: float = 0.15
    unlisted: float = 0.05
    pairs: float = 0.15

    def __post_init__(self) -> None:
        taken = {fault.key: type(fault).__name__ for fault in self.unmodelled}
        for fault in self.faults:
            fault.look_over()
            own = type(fault).__name__
            if fault.key in taken:
                other = f"of its own: {taken[fault.key]} is called so too"
                raise ValueError(f"{own}: {must_be('name and variant', other, fault.key)}")
            taken[fault.key] = own
        object.__setattr__(self, "faults", tuple(fault.usual for fault in self.faults))

    def extended(self, *faults: Fault) -> Catalogue:
        """Return the catalogue with further faults."""
        return dataclasses.replace(self, faults=(*self.faults, *faults))

    def without(self, *absent: str) -> Catalogue:
        """Return the catalogue without what acts on some parts of a two-sided gantry.

        Parameters
        ----------
        *absent : str
            Fields of `Machine`, for example ``"belt_right"``.

        Raises
        ------
        ValueError
            If no machine has such a field.
        """
        for name in absent:
            if not has_field(name):
                raise ValueError(must_be("absent", "fields of Machine", name))
        if not absent:
            return self
        places = (
            tuple(place for place in s.places if place.partition(".")[0] not in absent)
            for s in self.scatter
        )
        return dataclasses.replace(
            self,
            faults=tuple(f for f in self.faults if not _parts_of(f) & set(absent)),
            scatter=tuple(
                dataclasses.replace(s, places=left)
                for s, left in zip(self.scatter, places, strict=True)
                if left
            ),
        )

    @property
    def modelled(self) -> tuple[Fault, ...]:
        """Those that the forward model has."""
        return tuple(fault for fault in self.faults if not fault.sought)

    @property
    def sought(self) -> tuple[Fault, ...]:
        """Those that it lacks: sought on the residuals of a fit."""
        return tuple(fault for fault in self.faults if fault.sought)

    @property
    def names(self) -> tuple[str, ...]:
        """Names of all faults, each once."""
        return tuple(dict.fromkeys(fault.name for fault in self.faults))

    def of_name(self, name: str) -> tuple[Fault, ...]:
        """Every variant of a named fault.

        Raises
        ------
        ValueError
            If there is none.
        """
        found = tuple(fault for fault in self.faults if fault.name == name)
        if not found:
            known = ", ".join(self.names)
            raise ValueError(f"there is no fault named {name!r}; accepted are {known}")
        return found

    def named(self, name: str, variant: str = "") -> Fault:
        """A fault by its name, its first variant if none is given, or one of `unmodelled`.

        Raises
        ------
        ValueError
            If there is none.
        """
        unmodelled = next((f for f in self.unmodelled if f.name == name), None)
        if unmodelled is not None:
            return unmodelled
        found = self.of_name(name)
        return next((fault for fault in found if fault.variant == variant), found[0])

    def label(self, fault: Fault) -> str:
        """Name of a fault, with its variant where it has several."""
        return fault.key if len(self.of_name(fault.name)) > 1 else fault.name

    def predicts(self, names: tuple[str, ...]) -> bool:
        """Whether an explanation, by the names of its faults, predicts anything."""
        return not any(fault.name in names for fault in self.unmodelled)

    def twins(self, names: tuple[str, ...], others: tuple[str, ...]) -> str:
        """Why a burn sees but the sum of two explanations' faults; empty where it sees both."""
        differ = set(names) ^ set(others)
        for fault in self.faults:
            for twin, reason in fault.twins.items():
                if differ == {fault.name, twin}:
                    return reason
        return ""

    def alike(self, name: str) -> tuple[Fault, ...]:
        """Faults for which a burn may take one that drags, gives or has play: of the same drive."""
        lag = [f for f in self.modelled if f.drive and f.effect in (DRAG, GIVE, PLAY)]
        drives = {fault.drive for fault in lag if fault.name == name}
        return tuple(fault for fault in lag if fault.drive in drives and fault.name != name)

    def plausible(self, one: str, other: str) -> bool:
        """Whether a machine may have both of two named faults, and a burn tell them apart."""
        opposite = self.named(one).opposite == other or self.named(other).opposite == one
        return one != other and not opposite and not self.twins((one,), (other,))

    def prior(self, names: tuple[str, ...]) -> float:
        """Probability of an explanation of a machine that nobody has looked at."""
        if not names:
            return self.healthy
        if names == (self.unmodelled[0].name,):
            return self.unlisted
        alone = 1.0 - self.healthy - self.unlisted - self.pairs
        share = alone * (self.pairs / alone) ** (len(names) - 1)  # each further one as rare again
        return share / math.comb(len(self.names), len(names))


def _parts_of(fault: Fault) -> set[str]:
    """Parts of a machine that a fault changes; none where the forward model lacks it."""
    if fault.sought:
        return set()
    before = Machine()
    after = fault.apply(before)
    names = (field.name for field in dataclasses.fields(before))
    return {name for name in names if getattr(after, name) != getattr(before, name)}


@functools.cache
def two_sided() -> Catalogue:
    """The catalogue of the two-sided belt-driven gantry."""
    return Catalogue(
        (
            TightWheels("left", 1.0),
            TightWheels("right", 1.0),
            TightCarriage(1.0),
            SlackBelt("left", 1.0),
            SlackBelt("right", 1.0),
            SlackBelt("x", 1.0),
            CouplerBacklash(1.0),
            CouplerSlip(1.0),
            OutOfSquare(1.0),
            ScaleError("x", 0.1),
            ScaleError("y", 0.1),
            LooseWheels("left", 1.0),
            LooseWheels("right", 1.0),
            LooseCarriage(1.0),
            PulleyRunout("left", 1.0),
            PulleyRunout("right", 1.0),
            PulleyRunout(("left", "right"), 1.0),
            PulleyRunout("x", 1.0),
            *(WheelFlat(side, flank=flank) for side in SIDES for flank in FLANKS),
        )
    )
