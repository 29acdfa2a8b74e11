"""Eccentric nuts of plates and carriage: where they stand, and what turning them does."""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass

from gantrysim.faults.adjusting import AdjustingPoint
from gantrysim.faults.healthy import HEALTHY_PART
from gantrysim.machine import Machine
from gantrysim.machine.components import nut_approach
from gantrysim.machine.plates import EndPlate, Wheel
from gantrysim.records.amounts import about, in_words

#: A nut can be turned to about this by hand, degrees (95 %; common practice, no source).
NUT_BY_HAND = 3.0
#: Relative doubt about a turn worked out with wheels and nuts that nobody described (standard
#: deviation of its logarithm; judgement: stiffness and offset of such wheels vary more, but
#: softer wheels only make the turn too small).
NUT_DOUBT = 0.1
#: Play below this is not felt as a click when a part is rocked by hand, mm (common practice, no
#: source).
FELT_CLICK = 0.03
#: Forces at the rims of wheels, turned one after the other, that differ by less than this are not
#: told apart by a finger, N (common practice, no source).
FELT_DRAG = 1.0


@dataclass(frozen=True)
class Nuts(AdjustingPoint):
    """The eccentric nuts of one plate or of the carriage, all turned alike, degrees.

    Parameters
    ----------
    part : str
        ``"left"``, ``"right"`` or ``"carriage"``.
    loose : bool
        Whether play is read afterwards, mm, and not drag, N.
    count : int
        How many nuts there are.
    stock : bool
        Whether wheels and nuts are the default ones, which nobody described.
    offset : float
        Eccentric offset of the nuts, mm.

    Notes
    -----
    Positive tightens.  A drag that these nuts cannot pinch says that the wheels are stiffer
    than described, with the nut on its highest point: so drag falls without a jump as it is
    turned back.
    """

    part: str = "left"
    loose: bool = False
    count: int = 2
    stock: bool = True
    offset: float = Wheel.nut_offset

    unit = "degrees"
    hand = NUT_BY_HAND
    result = property(lambda self: ("play", "mm") if self.loose else ("drag", "N"))
    doubt = property(lambda self: NUT_DOUBT if self.stock else 0.0)

    @property
    def by_feel(self) -> str:
        """What the wheels feel like, where nobody measured the nut."""
        if not self.stock:
            return ""
        if self.loose:
            return "nothing clicks when it is rocked and each wheel still slips under a finger"
        return "each wheel slips under a finger with light effort and still touches"

    @property
    def note(self) -> str:
        """Which nut the degrees are for."""
        told = f"The degrees are for an eccentric nut of {self.offset:g} mm offset"
        if not self.stock:
            return f"{told}, as described."
        return (
            f"{told} and usual wheels, because nobody described this machine's: compare with your "
            "nut (half the difference between its thickest and thinnest wall)."
        )

    def stands(self, machine: Machine) -> float:
        """Turn of the nuts from first contact, their mean, degrees."""
        angles = _angles(*_rolling(machine, self.part)).values()
        return sum(angles) / len(angles)

    def turn(self, machine: Machine, amount: float) -> Machine:
        """Return the machine with every nut turned by an amount, degrees; 90 is the end."""
        if amount == 0.0:
            return machine
        plate, span = _rolling(machine, self.part)
        approach: dict[str | int, float] = {}
        for i, angle in _angles(plate, span).items():
            turned = min(max(angle + amount, -90.0), 90.0)
            approach[i] = nut_approach(plate.wheels[i].nut_offset, turned)
        plate = plate.at_approach(approach, span=span)
        if self.part != "carriage":
            return machine.set(self.part, plate)
        car = dataclasses.replace(machine.carriage, wheels=plate.wheels, gap=plate.rack_clearance)
        return machine.set("carriage", car)

    def room(self, nominal: Machine, sense: float) -> tuple[float, float]:
        """Degrees short and beyond: to drag that is still healthy, and to the loss of contact."""
        here = self.stands(nominal)
        place = f"{self.part}.friction"
        tighter = nominal.set(place, nominal.value(place) * (1.0 + HEALTHY_PART))
        drag, contact = max(self.stands(tighter) - here, 0.0), max(here, 0.0)
        return (drag, contact) if sense < 0.0 else (contact, drag)

    def reads(self, machine: Machine) -> float:
        """Drag, N, or free play, mm."""
        part = machine.value(self.part)
        if not self.loose:
            return float(part.friction)
        return float(part.gap if self.part == "carriage" else part.rack_clearance)

    def way(self, amount: float) -> str:
        """Which way in words."""
        each = f"each of the {self.count} eccentric nuts" if self.count > 1 else "the eccentric nut"
        if amount > 0.0:
            return f"turn {each} tighter, the way in which its wheel gets harder to hold"
        return f"turn {each} back, the way in which its wheel gets easier to turn by finger"

    def felt(self, healthy: Machine, faulty: Machine) -> bool:
        """Whether play clicks, or a finger tells drags apart; a carriage is pushed by a scale."""
        if self.loose:
            return _play_at_wheel(faulty, self.part) >= FELT_CLICK
        if self.part == "carriage":
            return True
        plates = [machine.value(self.part) for machine in (healthy, faulty)]
        more = float(plates[1].friction - plates[0].friction)
        return more >= FELT_DRAG * len(plates[0].wheels)

    def expect(self, healthy: Machine, faulty: Machine) -> str:
        """Drag of a wheel, or play, on both machines."""
        if self.loose:
            play = _play_at_wheel(faulty, self.part)
            said = f"{about(play, 'mm')} of click at the wheels if this is it, none if not"
            if self.felt(healthy, faulty):
                return said
            return (
                f"{said}: too small to be felt for sure, so that none rules nothing out: burn again"
            )
        wheels = len(healthy.value(self.part).wheels)
        drags = [m.value(f"{self.part}.friction") for m in (healthy, faulty)]
        if self.part == "carriage":  # is pushed as a whole; of a plate each wheel is turned
            return (
                f"{about(drags[1], 'N')} on a spring scale with the belt off if this is it, "
                f"{in_words(drags[0], 'N')} if it is not"
            )
        said = (
            f"{about(drags[1] / wheels, 'N')} at the rim of each wheel if this is it, "
            f"{in_words(drags[0] / wheels, 'N')} if it is not"
        )
        if self.felt(healthy, faulty):
            return said
        return (
            f"{said}: no finger tells these apart, so push the plate with a spring scale (sheet of "
            "pushes) or burn another test"
        )


def nuts_of(machine: Machine, part: str, check: str, *, loose: bool) -> AdjustingPoint:
    """The nuts of a plate or of the carriage; without any, its wheels are shimmed.

    Parameters
    ----------
    machine : Machine
        The machine as described.
    part : str
        ``"left"``, ``"right"`` or ``"carriage"``.
    check : str
        The hand check before.
    loose : bool
        Whether they are turned for play, mm, and not for drag, N.
    """
    label = "carriage" if part == "carriage" else f"{part} end plate"
    rolling = machine.value(part)
    wheels = [w for w in rolling.wheels if w.row == "eccentric"]
    feel = (
        f"turn each wheel of the {label} by finger: all touch, all slip with light effort, and "
        "nothing clicks when it is rocked"
    )
    if not wheels:
        words = f"shim the wheels of the {label}: no eccentric nut is described for them"
        return AdjustingPoint(f"wheels {part}", words, check, feel, 2.0)
    data = ("radius", "stiffness", "bearing_drag", "scrub", "scrub_exponent", "nut_offset")
    stock = all(getattr(w, f) == getattr(Wheel, f) for w in rolling.wheels for f in data)
    count, offset = len(wheels), min(w.nut_offset for w in wheels)
    return Nuts(f"nut {part}", "", check, feel, 2.0, part, loose, count, stock, offset)


def _rolling(machine: Machine, part: str) -> tuple[EndPlate, float]:
    """A plate, or the carriage as one, within reach of its nuts; and its span, mm.

    Nuts backed off by b leave a gap b across the beam; at a wheel base B they leave a plate
    2 b / B of yaw: so B / 2 takes the place of the span for the carriage.
    """
    if part == "carriage":
        car = machine.carriage
        plate = EndPlate(wheels=car.wheels, rack_clearance=car.gap, length=car.length)
        span = car.wheel_base / 2.0
    else:
        plate, span = machine.value(part), machine.span
    approach = plate.approach(span=span)
    over = max(approach[i] / plate.wheels[i].nut_offset for i in plate.nuts)
    if over > 1.0:
        stiffer = [dataclasses.replace(w, stiffness=w.stiffness * over) for w in plate.wheels]
        plate = dataclasses.replace(plate, wheels=tuple(stiffer))
    return plate, span


def _angles(plate: EndPlate, span: float) -> dict[int, float]:
    """Turn of each nut from first contact, degrees, at most 90 either way."""
    approach = plate.approach(span=span)
    ratios = {i: approach[i] / plate.wheels[i].nut_offset for i in plate.nuts}
    return {i: math.degrees(math.asin(min(max(r, -1.0), 1.0))) for i, r in ratios.items()}


def _play_at_wheel(machine: Machine, part: str) -> float:
    """Free play across the rail at the wheels of a part, mm."""
    if part == "carriage":
        return machine.carriage.gap
    plate: EndPlate = machine.value(part)
    return plate.rack_clearance / machine.span * plate.wheel_base / 2.0


def lost_contact(nominal: Machine, part: str) -> float:
    """Drag below the nominal at which wheels bear next to nothing, N; negative.

    All but a twentieth of what scrubs is gone, and the bearings are left.
    """
    rolling = nominal.value(part)
    bearings = sum(wheel.bearing_drag for wheel in rolling.wheels)
    return -0.95 * max(float(rolling.friction) - bearings, 0.0)
