"""What may be wrong: the kinds of fault, what each adds to the unknowns, and their priors."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from gantrysim.faults.changes import (
    CouplerBacklash,
    CouplerSlip,
    LooseCarriage,
    LooseWheels,
    OutOfSquare,
    PulleyRunout,
    ScaleError,
    SlackBelt,
    TightCarriage,
    TightWheels,
)
from gantrysim.inference.parameters import Belief, Parameter
from gantrysim.machine import Fault, Machine


@dataclass(frozen=True)
class FaultKind:
    """One kind of fault as the inverse sees it.

    Parameters
    ----------
    name : str
        Name, for example ``"tight_wheels_left"``.
    words : str
        The finding in plain words.
    unit : str
        Unit of the magnitude.
    parameters : tuple of Parameter
        Its unknowns, with what is believed of them when the fault is present.
    build : callable
        Values of the unknowns -> fault; None for a fault given as a pattern.
    axis : str
        Block of the mechanism it acts on, ``"x"``, ``"y"`` or both.
    check : str
        The hand check that confirms it.
    variant : str
        Which of several ways to have the fault (which pulley), empty where there is one.
    starts : tuple of float
        Where the search begins, in prior standard deviations of the first parameter: several
        where the cost has a kink between them.
    pattern : dict of int to ndarray, optional
        For a fault that the forward model lacks: by source, the change of its residuals per
        unit of each of k coefficients, mm, shape (m, k); the machine is left as it is.
    pattern_on : callable, optional
        For such a fault: another burned piece -> its pattern there.
    coefficients : callable
        Values of the unknowns -> the k coefficients of the pattern; the values if absent.
    magnitude : callable
        Values of the unknowns -> magnitude; the first value if absent.
    """

    name: str
    words: str
    unit: str
    parameters: tuple[Parameter, ...]
    build: Callable[..., Fault] | None
    axis: str
    check: str
    variant: str = ""
    starts: tuple[float, ...] = (0.0,)
    pattern: Mapping[int, np.ndarray] | None = None
    pattern_on: Callable[[Any], np.ndarray] | None = None
    coefficients: Callable[..., Sequence[float]] = lambda *values: values
    magnitude: Callable[..., float] = lambda *values: values[0]

    @property
    def key(self) -> str:
        """Name and variant."""
        return f"{self.name} ({self.variant})" if self.variant else self.name

    @property
    def magnitude_is_first(self) -> bool:
        """Whether its magnitude goes with its first parameter (not with length of a phasor)."""
        return not self.name.startswith("pulley_runout")

    def apply(self, machine: Machine, values: Sequence[float]) -> Machine:
        """Return the machine with this fault at these values."""
        if self.build is None:
            return machine
        return self.build(*values).apply(machine)


def _below_one(x: float) -> float:
    """A factor that leaves small values alone and levels out smoothly at 1."""
    return x / (1.0 + x**8) ** 0.125


def _extra_drag(centre: float) -> tuple[Parameter, ...]:
    return (Parameter("extra drag", "N", centre, 0.6, ratio=True),)


def _tight(side: str) -> FaultKind:
    return FaultKind(
        name=f"tight_wheels_{side}",
        words=f"the {side} end plate's wheels are too tight on their rail",
        unit="N",
        parameters=_extra_drag(9.0),
        build=lambda force: TightWheels(side, extra_force=force),
        axis="y",
        check=(
            f"with the power off turn each {side} plate wheel by finger: "
            "it should slip on the rail with light effort"
        ),
    )


def _slack(side: str, axis: str) -> FaultKind:
    label = "X" if side == "x" else f"{side} Y"
    return FaultKind(
        name=f"slack_belt_{side}",
        words=f"the {label} belt is slack",
        unit="of healthy stiffness",
        parameters=(
            Parameter("stiffness factor", "-", 0.45, 0.35, ratio=True, faint=2.0),
            Parameter("pretension", "N", 1.8, 0.6, ratio=True, faint=2.0),
        ),
        build=lambda factor, tension: SlackBelt(
            side, stiffness_factor=_below_one(factor), pretension=tension
        ),
        magnitude=lambda factor, tension: _below_one(factor),
        axis=axis,
        check=f"with the power off pluck the {label} belt: it should give a clear low tone",
    )


def _loose(side: str) -> FaultKind:
    return FaultKind(
        name=f"loose_wheels_{side}",
        words=f"the {side} end plate's wheels are loose on their rail",
        unit="mm",
        parameters=(
            Parameter("clearance", "mm", 0.25, 0.6, ratio=True),
            Parameter("drag factor", "-", 0.5, 0.25, ratio=True, faint=2.0),
        ),
        build=lambda play, factor: LooseWheels(
            side, clearance=play, drag_factor=_below_one(factor)
        ),
        axis="y",
        check=f"with the power off rock the {side} end of the beam: it should not click",
    )


def _runout(axis: str, *pulleys: str) -> FaultKind:
    parts = tuple(
        Parameter(f"{pulley} {part} part", "mm", 0.0, 0.06)
        for pulley in pulleys
        for part in ("cosine", "sine")
    )

    def build(*values: float) -> _Several:
        pairs = zip(pulleys, values[::2], values[1::2], strict=True)
        return _Several(
            tuple(PulleyRunout(p, math.hypot(c, s), math.atan2(s, c)) for p, c, s in pairs)
        )

    return FaultKind(
        name=f"pulley_runout_{axis}",
        words=f"a pulley of the {axis.upper()} drive runs out of true ({' and '.join(pulleys)})",
        unit="mm",
        parameters=parts,
        build=build,
        axis=axis,
        check=f"with the power off turn the {' and the '.join(pulleys)} pulley: watch its rim",
        variant=" and ".join(pulleys),
        magnitude=lambda *v: max(math.hypot(c, s) for c, s in zip(v[::2], v[1::2], strict=True)),
    )


@dataclass(frozen=True)
class _Several:
    """Several faults that count as one."""

    faults: tuple[Fault, ...]

    def apply(self, machine: Machine) -> Machine:
        """Return the machine with all of them."""
        return machine.with_faults(*self.faults)


def _scale(axis: str) -> FaultKind:
    return FaultKind(
        name=f"scale_{axis}",
        words=f"the steps per mm of {axis.upper()} are wrong",
        unit="relative",
        parameters=(Parameter("scale error", "-", 0.0, 0.01),),
        build=lambda error: ScaleError(axis, error),
        axis=axis,
        check=(
            f"with the laser disconnected and hands clear command 200 mm along {axis.upper()} "
            "and measure the way with a rule"
        ),
    )


#: The faults that the diagnosis compares, in the order in which they are named to a person.
#: Ranges: drag 6..20 N on a plate and 4..15 N on the carriage, pretension 0..5 N and belt
#: stiffness under half, coupler play 0.5..5 degrees, set-screw slip 0.1..2 mm, pulley
#: run-out 0.05..0.15 mm, wheel gaps 0.05..0.3 mm (handbook and trade figures; most are
#: common practice, no source).
KINDS: tuple[FaultKind, ...] = (
    _tight("left"),
    _tight("right"),
    FaultKind(
        name="tight_carriage",
        words="the carriage wheels are too tight on the beam",
        unit="N",
        parameters=_extra_drag(7.0),
        build=lambda force: TightCarriage(extra_force=force),
        axis="x",
        check="with the power off push the carriage along the beam: it should glide evenly",
    ),
    _slack("left", "y"),
    _slack("right", "y"),
    _slack("x", "x"),
    FaultKind(
        name="coupler_backlash",
        words="the coupling of the cross shaft has play",
        unit="mm",
        parameters=(Parameter("play", "mm", 0.2, 0.6, ratio=True),),
        build=lambda play: CouplerBacklash(play),
        axis="y",
        check=(
            "with the power off hold the motor end and turn the far pulley by hand: it should "
            "follow at once"
        ),
    ),
    FaultKind(
        name="coupler_slip",
        words="a set screw let the cross shaft slip: one side stands ahead of the other",
        unit="mm",
        parameters=(Parameter("offset", "mm", 0.0, 0.8),),
        build=lambda offset: CouplerSlip(offset),
        axis="y",
        check=(
            "at home, with the power off, measure both end plates from the frame: both should "
            "read the same"
        ),
        starts=(0.5, -0.5),  # either sign racks the beam and loads the wheels
    ),
    FaultKind(
        name="out_of_square",
        words="the beam is not square to its rails",
        unit="mrad",
        parameters=(Parameter("angle", "mrad", 0.0, 4.0),),
        build=lambda angle: OutOfSquare(angle),
        axis="y",
        check="with the power off measure both diagonals of the frame: they should be equal",
    ),
    _scale("x"),
    _scale("y"),
    _loose("left"),
    _loose("right"),
    FaultKind(
        name="loose_carriage",
        words="the carriage wheels are loose on the beam",
        unit="mm",
        parameters=(
            Parameter("gap", "mm", 0.12, 0.6, ratio=True),
            Parameter("drag factor", "-", 0.6, 0.25, ratio=True, faint=2.0),
        ),
        build=lambda gap, factor: LooseCarriage(gap, drag_factor=_below_one(factor)),
        axis="x",
        check="with the power off rock the head: it should not click",
        starts=(-1.0, 1.0),  # the play is taken up at one angle or another of a ring
    ),
    _runout("y", "left"),
    _runout("y", "right"),
    _runout("y", "left", "right"),
    _runout("x", "x"),
)


#: Pairs that no machine has (what is too tight is not loose), or of which a burn sees the sum
#: only (slip and squareness are all but the same thing).
_NEVER = (
    *({f"tight_{part}", f"loose_{part}"} for part in ("wheels_left", "wheels_right", "carriage")),
    {"coupler_slip", "out_of_square"},
)


def plausible(one: FaultKind, other: FaultKind) -> bool:
    """Whether a machine may have both faults, and a burn tell one from the other."""
    return one.name != other.name and {one.name, other.name} not in _NEVER


def of_name(name: str) -> tuple[FaultKind, ...]:
    """Every variant of a named kind of fault.

    Raises
    ------
    ValueError
        If there is no such kind.
    """
    found = tuple(kind for kind in KINDS if kind.name == name)
    if not found:
        known = ", ".join(dict.fromkeys(kind.name for kind in KINDS))
        raise ValueError(f"there is no fault named {name!r}; accepted are {known}")
    return found


def believed(belief: Belief) -> tuple[FaultKind, ...]:
    """`KINDS` with what is believed of their sizes."""
    return tuple(
        replace(kind, parameters=belief.sizes.get(kind.key, kind.parameters)) for kind in KINDS
    )
