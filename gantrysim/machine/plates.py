"""The parts that roll: wheels, end plates and the carriage, and what turning a nut does to them.

A wheel's drag and its load say the same thing twice: ``drag = bearing_drag + scrub (load/60
N)^n``.  The drag is what is kept, because a spring scale reads it; the load follows.  From the
loads follow where the eccentric nuts stand, and from where the nuts stand, by the balance of
`gantrysim.machine.components.plate_loads`, the loads, the drag, the racking stiffness and the play
of a plate.  `turn_nut` goes that whole way round.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, Any

import numpy as np

from gantrysim.machine.components import (
    PlateBalance,
    in_series,
    nut_angle,
    nut_approach,
    plate_loads,
    wheel_drag,
    wheel_load,
)
from gantrysim.records.checks import (
    Limited,
    a_number,
    must_be,
    number,
    positive,
    renewed,
    require,
    within,
    word,
)
from gantrysim.records.doors import checked

#: Type hint of the name of a wheel on an eccentric nut.
WhichWheel = Annotated[str | int, "'front', 'back', 'middle' or the number of a wheel"]


@checked
@dataclass(frozen=True)
class Wheel(Limited):
    """One wheel of an end plate or of the carriage.

    Parameters
    ----------
    along : float
        Place along the rail from the middle of its plate, mm (positive: away from home on an
        end plate, to the right on the carriage).
    row : str
        ``"fixed"`` for a wheel on a plain spacer, ``"eccentric"`` for one on an eccentric nut,
        across the rail from the fixed ones.
    drag : float
        Rolling drag under its present load, N.
    radius : float
        Contact radius on its flanks, mm.
    stiffness : float
        Radial stiffness with bearings, bolt and plate, N/mm.
    bearing_drag : float
        Drag of its bearings at no load, N.
    scrub : float
        What the scrubbing flanks add under 60 N, N.
    scrub_exponent : float
        Power of the load with which the scrub grows (dimensionless).
    nut_offset : float
        Eccentric offset e of its nut, mm; without meaning on a plain spacer.
    gap : float
        How far it stands off its rail with the plate in the middle of its play, mm.

    Notes
    -----
    The nominal wheel drags 0.75 N under 60 N.  Its stiffness is at the upper end of the likely
    100 to 600 N/mm: there the nominal 60 N is 0.2 mm of interference, a nut 15 degrees past
    contact, and an overtight plate of 15 to 20 N is within reach of the nut.
    """

    along: float = within(-1000.0, 1000.0)
    row: str = word("fixed", "eccentric")
    drag: float = within(0.0, 1000.0)
    radius: float = number(11.94, 0.1, 1000.0)
    stiffness: float = number(600.0, 1e-3, 1e9)
    bearing_drag: float = number(0.375, 0.0, 1000.0)
    scrub: float = number(0.375, 1e-9, 1000.0)
    scrub_exponent: float = number(1.8, 0.1, 10.0)
    nut_offset: float = number(0.79, 1e-6, 100.0)
    gap: float = number(0.0, 0.0, 50.0)

    @property
    def load(self) -> float:
        """Load between wheel and rail, N, from its drag; 0 where it stands off."""
        if self.gap > 0.0:
            return 0.0
        return wheel_load(
            self.drag, bearing=self.bearing_drag, scrub=self.scrub, exponent=self.scrub_exponent
        )

    @property
    def press(self) -> float:
        """How far its load flattens it, mm; negative: how far it stands off."""
        return self.load / self.stiffness - self.gap

    def drag_under(self, load: float) -> float:
        """Rolling drag under a load, N (both in N)."""
        return wheel_drag(
            load, bearing=self.bearing_drag, scrub=self.scrub, exponent=self.scrub_exponent
        )


@checked
def four_wheels(base: float, drag: float, **wheel: float) -> tuple[Wheel, ...]:
    """Four wheels at the corners of a plate that share a drag evenly.

    Parameters
    ----------
    base : float
        Distance between the wheels along the rail, mm.
    drag : float
        Rolling drag of the plate, N, shared by the four.
    **wheel : float
        Further fields of `Wheel`, the same for the four.

    Returns
    -------
    tuple of Wheel
        Two fixed wheels, then the two on eccentric nuts.
    """
    return tuple(
        Wheel(along, row, drag / 4.0, **wheel)
        for row in ("fixed", "eccentric")
        for along in (-base / 2.0, base / 2.0)
    )


class Wheeled(Limited):
    """What an end plate and a carriage have in common: they roll on wheels."""

    wheels: tuple[Wheel, ...]
    length: float

    @property
    def friction(self) -> float:
        """Rolling drag, N: the sum over the wheels."""
        return sum([wheel.drag for wheel in self.wheels])

    @property
    def wheel_base(self) -> float:
        """Distance between the outermost wheels along the rail, mm."""
        places = [wheel.along for wheel in self.wheels]
        return max(places) - min(places)

    def with_friction(self, friction: float) -> Any:
        """Return a copy whose wheels share another rolling drag, N, in their old proportion.

        The loads go with the drag; racking stiffness and play stay.
        """
        accepted = "a finite force of 0 N or more"
        if not a_number(friction):
            raise TypeError(must_be("friction", accepted, friction))
        ok = 0.0 <= friction < math.inf
        require(ok, type(self).__name__, "friction", friction, accepted)
        old, even = self.friction, 1.0 / len(self.wheels)
        wheels = tuple(
            [renewed(w, drag=friction * (w.drag / old if old > 0.0 else even)) for w in self.wheels]
        )
        return renewed(self, wheels=wheels)

    def __post_init__(self) -> None:
        super().__post_init__()
        kind = type(self).__name__
        require(len(self.wheels) >= 2, kind, "wheels", self.wheels, "two or more Wheel objects")
        if not self.wheel_base > 0.0:
            accepted = "wheels at two or more places along the rail"
            require(False, kind, "wheels", self.wheels, accepted)
        for wheel in self.wheels:
            if abs(wheel.along) > self.length / 2.0:
                reach = f"-{self.length / 2.0:g} to {self.length / 2.0:g} mm, inside the plate"
                require(False, kind, "wheel along", wheel.along, reach)


_PLATE_WHEELS = four_wheels(75.0, 3.0)
_CARRIAGE_WHEELS = four_wheels(60.0, 2.2)


@checked
@dataclass(frozen=True)
class EndPlate(Wheeled):
    """One end of the beam with the wheels that run on its rail.

    Parameters
    ----------
    wheels : tuple of Wheel
        The wheels; the plate's rolling drag is the sum over them.
    rack_stiffness : float
        Share of this plate's wheels, with its joint to the beam, in the stiffness against
        y_right - y_left, N/mm.
    rack_clearance : float
        Free play of the plate on its rail, full width as y_right - y_left, mm.
    rack_damping : float
        Damping of the plate's yaw on its rail, N m s.
    side_stiffness : float
        Stiffness of the plate sideways on its rail, N/mm.
    side_gap : float
        Free play of the plate sideways on its rail, full width, mm.
    side_damping : float
        Damping of that movement, N s/m.
    joint_stiffness : float
        Stiffness against yaw of the joint between plate and beam, in series with the wheels,
        N m/rad.
    length : float
        Length of the plate along the rail, mm.
    """

    wheels: tuple[Wheel, ...] = _PLATE_WHEELS
    rack_stiffness: float = number(8.0, 0.0, 1e5)
    rack_clearance: float = number(0.0, 0.0, 50.0)
    rack_damping: float = number(0.6, 0.0, 1e6)
    side_stiffness: float = number(600.0, 1e-3, 1e12)
    side_gap: float = number(0.0, 0.0, 20.0)
    side_damping: float = number(60.0, 0.0, 1e6)
    joint_stiffness: float = number(2633.35, 1e-6, 1e12)
    length: float = number(120.0, 1.0, 1e4)

    @classmethod
    def from_nuts(
        cls,
        wheels: tuple[Wheel, ...],
        angles: Mapping[WhichWheel, float],
        *,
        span: float,
        **fields: float,
    ) -> EndPlate:
        """Build a plate from where its eccentric nuts stand.

        Parameters
        ----------
        wheels : tuple of Wheel
            Its wheels; their drag and gap are put in anew.
        angles : mapping
            For each wheel on a nut (``"front"``, ``"back"``, ``"middle"`` or its number among
            the wheels) the turn of the nut from first contact, degrees.
        span : float
            Distance between the rails, mm: turns yaw into y_right - y_left.
        **fields : float
            Further fields, such as ``joint_stiffness`` in N m/rad.

        Raises
        ------
        ValueError
            If a nut is left out or named twice, or if the wheels cannot hold the plate straight.
        """
        touching = tuple(dataclasses.replace(w, drag=w.bearing_drag, gap=0.0) for w in wheels)
        plate = cls(wheels=touching, **fields)
        chosen = {plate.nut(place): angle for place, angle in angles.items()}
        nuts = set(plate.nuts)
        accepted = f"one angle for each of the {len(nuts)} wheels on nuts"
        ok = set(chosen) == nuts and len(angles) == len(nuts)
        require(ok, "EndPlate.from_nuts", "angles", dict(angles), accepted)
        approach = [0.0] * len(touching)
        for i, angle in chosen.items():
            approach[i] = nut_approach(touching[i].nut_offset, angle)
        balance = plate._balance(approach)
        plate = plate._settled(balance, positive(span, "span"))
        return dataclasses.replace(plate, rack_stiffness=plate._racking(balance) / span**2)

    @property
    def nuts(self) -> tuple[int, ...]:
        """Numbers of the wheels on eccentric nuts."""
        return tuple([i for i, w in enumerate(self.wheels) if w.row == "eccentric"])

    def nut(self, place: WhichWheel) -> int:
        """Number of a wheel on an eccentric nut by its place.

        Parameters
        ----------
        place : str or int
            ``"front"`` (away from home), ``"back"``, ``"middle"`` (between those, or the only
            one), or its number among the wheels.
        """
        by_place = sorted(self.nuts, key=lambda i: self.wheels[i].along)
        names: dict[str | int, int] = {i: i for i in by_place}
        if len(by_place) > 1:
            names |= {"front": by_place[-1], "back": by_place[0]}
        if len(by_place) % 2:
            names["middle"] = by_place[len(by_place) // 2]
        accepted = " or ".join(repr(name) for name in names) or "none: no wheel has a nut"
        require(place in names, "EndPlate", "wheel", place, accepted)
        return names[place]

    def approach(self, *, span: float) -> tuple[float, ...]:
        """How far each wheel's nut has moved it from first contact toward the rail, mm.

        Negative before contact; 0 for wheels on plain spacers.

        Parameters
        ----------
        span : float
            Distance between the rails, mm.

        Notes
        -----
        The fixed wheels tell where the plate sits; what a wheel on a nut presses beyond that
        is its nut's doing.  A clearance that was told without gaps counts as all nuts backed
        off alike.
        """
        if self._told:
            unit = self._balance([-1.0 if i in self.nuts else 0.0 for i in range(len(self.wheels))])
            off = self.rack_clearance / span / unit.yaw_play
            return tuple([-off if i in self.nuts else 0.0 for i in range(len(self.wheels))])
        fixed = [w for w in self.wheels if w.row == "fixed"]
        design = np.array([[1.0, w.along] for w in fixed])
        pose = np.linalg.lstsq(design, np.array([w.press for w in fixed]), rcond=None)[0]
        return tuple(
            [
                w.press + float(pose[0] + w.along * pose[1]) if w.row == "eccentric" else 0.0
                for w in self.wheels
            ]
        )

    def nut_degrees(self, place: WhichWheel, *, span: float) -> float:
        """Turn of an eccentric nut from first contact, degrees; negative before contact.

        Parameters
        ----------
        place : str or int
            See `nut`.
        span : float
            Distance between the rails, mm.

        Raises
        ------
        ValueError
            If the drag asks for more than the nut can do: something else drags.
        """
        i = self.nut(place)
        return nut_angle(self.wheels[i].nut_offset, self.approach(span=span)[i])

    def at_approach(self, approach: Mapping[WhichWheel, float], *, span: float) -> EndPlate:
        """Return the plate with some of its wheels on nuts set otherwise.

        Parameters
        ----------
        approach : mapping
            For each wheel to set, by its place, how far its nut has moved it from first contact
            toward the rail, mm; negative stands off.
        span : float
            Distance between the rails, mm.

        Returns
        -------
        EndPlate
            Drag, racking stiffness and play follow from the new loads.

        Raises
        ------
        ValueError
            If a nut cannot reach that far or the wheels cannot hold the plate straight.
        """
        after = list(self.approach(span=span))
        before = [0.0] * len(after) if self._told else list(after)
        for place, value in approach.items():
            i = self.nut(place)
            nut_angle(self.wheels[i].nut_offset, value)  # refuses what it cannot reach
            after[i] = value
        balance = self._balance(after)
        plate = self._settled(balance, span)
        factor = self._racking(balance) / self._racking(self._balance(before))
        return dataclasses.replace(plate, rack_stiffness=self.rack_stiffness * factor)

    @property
    def _told(self) -> bool:
        """Whether its play was told as an effect, without saying which wheels stand off."""
        return self.rack_clearance > 0.0 and not any([w.gap for w in self.wheels])

    def _balance(self, approach: Sequence[float]) -> PlateBalance:
        """Where the plate settles with its nuts at an approach, mm."""
        balance = plate_loads(
            [w.along for w in self.wheels],
            [1 if w.row == "fixed" else -1 for w in self.wheels],
            [w.stiffness for w in self.wheels],
            approach,
        )
        ok = math.isfinite(balance.yaw_play)
        accepted = "wheels on both faces of the rail that hold the plate straight"
        require(ok, "EndPlate", "wheels", [(w.along, w.row) for w in self.wheels], accepted)
        return balance

    def _settled(self, balance: PlateBalance, span: float) -> EndPlate:
        """Return the plate with the loads, gaps and play of a balance."""
        wheels = tuple(
            [
                dataclasses.replace(
                    w,
                    drag=w.drag_under(load) if load > 0.0 else min(w.drag, w.bearing_drag),
                    gap=room,
                )
                for w, load, room in zip(self.wheels, balance.loads, balance.rooms, strict=True)
            ]
        )
        play = span * balance.yaw_play
        return dataclasses.replace(self, wheels=wheels, rack_clearance=play)

    def _racking(self, balance: PlateBalance) -> float:
        """Stiffness of wheels and joint in series against yaw, N mm/rad.

        Wheels that touch without load count as in contact: a hair of pinch makes them so.
        """
        yaw = balance.yaw_stiffness
        if balance.yaw_play < 1e-12 and not any(balance.loads):
            k = np.array([w.stiffness for w in self.wheels])
            a = np.array([w.along for w in self.wheels])
            yaw = float(k @ a**2 - (k @ a) ** 2 / k.sum())
        return in_series(yaw, self.joint_stiffness * 1e3)


def turn_nut(plate: EndPlate, wheel: WhichWheel, degrees: float, *, span: float) -> EndPlate:
    """Turn one eccentric nut of an end plate.

    ``wheel``: which: ``"front"`` (away from home), ``"back"``, ``"middle"`` or its number.
    ``degrees``: how far from where it stands, degrees; positive tightens.  ``span``: distance
    between the rails, mm.  Returns: drag, racking stiffness and play follow from the new loads.
    ValueError if the nut would go past its highest or lowest point, 90 degrees from first contact.
    """
    i = plate.nut(wheel)
    angle = plate.nut_degrees(i, span=span) + degrees
    accepted = "a turn that leaves the nut within 90 degrees of first contact"
    require(-90.0 <= angle <= 90.0, "turn_nut", "degrees", degrees, accepted)
    approach = nut_approach(plate.wheels[i].nut_offset, angle)
    return plate.at_approach({i: approach}, span=span)


@checked
@dataclass(frozen=True)
class Carriage(Wheeled):
    """The carriage that rolls along the beam and carries the burning head.

    Parameters
    ----------
    wheels : tuple of Wheel
        Its wheels; ``along`` is measured along the beam.
    yaw_stiffness : float
        Stiffness against turning on the beam, N m/rad.
    gap : float
        Free play of its wheels across the beam, full width, mm.
    mass : float
        Mass with the head, kg.
    centre_of_mass : float
        Its centre of mass beyond the wheel centre line, toward +y, mm.
    inertia : float
        Yaw inertia about its centre of mass, kg m^2.
    yaw_damping : float
        Damping of its turning on the beam, N m s.
    rub : float
        Moment that rubs against its rocking within its play, N mm; what rubs against its sliding
        across the beam follows from it.
    length : float
        Length along the beam, mm.
    """

    wheels: tuple[Wheel, ...] = _CARRIAGE_WHEELS
    yaw_stiffness: float = number(400.0, 1e-3, 1e12)
    gap: float = number(0.0, 0.0, 20.0)
    mass: float = number(0.35, 0.0, 1000.0)
    centre_of_mass: float = number(18.0, -1000.0, 1000.0)
    inertia: float = number(0.00035, 0.0, 1000.0)
    yaw_damping: float = number(0.08, 0.0, 1e6)
    rub: float = number(0.0, 0.0, 1e4)
    length: float = number(100.0, 1.0, 1e4)
