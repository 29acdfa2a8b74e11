"""From a belt's label, a ruler and a parts list to the stiffness and drag of a machine.

`Handbook` holds what can be read off the parts; `Handbook.figures` turns it into fields of the
machine, each with its source; `Handbook.machine` puts them in.
"""

from __future__ import annotations

from dataclasses import dataclass

from gantrysim.machine.components import (
    BELTS,
    SET_SCREW_HOLDING,
    TENSION_SOURCE,
    WHEELS,
    at_belt,
    belt_ea,
    belt_type,
    in_series,
    installation_tension,
    nut_approach,
    pitch_diameter,
    round_shaft,
    set_screw_torque,
    slip_force,
    square_shaft,
    torsion_stiffness,
    travel_per_turn,
    wheel_drag,
    wheel_type,
)
from gantrysim.machine.machine import Machine
from gantrysim.machine.plates import EndPlate, Wheel, four_wheels
from gantrysim.records.checks import Limited, number, word
from gantrysim.records.doors import checked


@dataclass(frozen=True)
class Figure:
    """One figure of a machine: its place in `Machine`, value, unit and source."""

    place: str
    value: float
    unit: str
    source: str

    def __str__(self) -> str:
        unit = f" {self.unit}" if self.unit else ""
        return f"{self.place} = {self.value:.6g}{unit}: {self.source}"


@checked
@dataclass(frozen=True)
class Handbook(Limited):
    """What a ruler, the labels and the parts list say of a machine.

    Parameters
    ----------
    belt : str
        Kind of the belts, a name of `gantrysim.machine.components.BELTS`, such as ``"2 mm glass"``.
    belt_width : float
        Their width, mm.
    pulley_teeth : int
        Teeth of every pulley.
    shaft : str
        Section of the cross shaft, ``"round"`` or ``"square"``.
    shaft_diameter : float
        Its diameter or side, mm.
    shaft_length : float
        Its free length between the parts it turns, mm.
    coupling : float
        Torsional stiffness of one coupling, N m/rad; small ones have 20 to 150.
    couplings : int
        How many stand in the shaft; 0 for a shaft in one piece.
    set_screw : str
        Size of the pulley's set screws, a name of `gantrysim.machine.components.SET_SCREW_HOLDING`.
    motor_torque : float
        Holding torque of the motors, N m.
    motor_steps : int
        Full steps of a motor to one turn.
    wheel : str
        Kind of the wheels, a name of `gantrysim.machine.components.WHEELS`.
    plate_base, carriage_base : float
        Distance between the wheels of an end plate along the rail, and of the carriage along
        the beam, mm.
    nut_deg : float
        How far all eccentric nuts stand past first contact, degrees.
    """

    belt: str = word(*BELTS, default="2 mm glass")
    belt_width: float = number(6.0, 1.0, 200.0)
    pulley_teeth: int = number(20, 6, 500)
    shaft: str = word("round", "square", default="round")
    shaft_diameter: float = number(5.0, 0.5, 100.0)
    shaft_length: float = number(400.0, 1.0, 1e4)
    coupling: float = number(60.0, 1e-3, 1e6)
    couplings: int = number(0, 0, 10)
    set_screw: str = word(*SET_SCREW_HOLDING, default="size 4")
    motor_torque: float = number(0.4, 1e-3, 1e3)
    motor_steps: int = number(200, 4, 10_000)
    wheel: str = word(*WHEELS, default="acetal sealed")
    plate_base: float = number(75.0, 1.0, 1e4)
    carriage_base: float = number(60.0, 1.0, 1e4)
    nut_deg: float = number(15.0, 0.0, 90.0)

    def figures(self) -> tuple[Figure, ...]:
        """Fields of the machine that follow, each with its source.

        The wheels' fields have the place ``wheels``: they hold for every wheel.
        """
        return (*self._drive_figures(), *self._wheel_figures())

    def _drive_figures(self) -> list[Figure]:
        return [*self._belt_figures(), *self._shaft_figures(), *self._motor_figures()]

    def _wheel_figures(self) -> list[Figure]:
        kind = wheel_type(self.wheel)
        units = {
            "radius": "mm",
            "stiffness": "N/mm",
            "bearing_drag": "N",
            "scrub": "N at 60 N",
            "scrub_exponent": "",
        }
        made = [Figure(f"wheels.{n}", getattr(kind, n), u, kind.source) for n, u in units.items()]
        pinch = "half of what its nut pinches, e sin(phi)"
        made.append(Figure("wheels.load", self._wheel_load, "N", pinch))
        return made

    @property
    def _wheel_load(self) -> float:
        """Load of each wheel of a square of four whose nuts stand alike, N."""
        pinch = nut_approach(Wheel.nut_offset, self.nut_deg)
        return wheel_type(self.wheel).stiffness * pinch / 2.0

    @property
    def pulley_radius(self) -> float:
        """Pitch radius of the pulleys, mm."""
        return pitch_diameter(self.pulley_teeth, belt_type(self.belt).pitch) / 2.0

    def _belt_figures(self) -> list[Figure]:
        kind = belt_type(self.belt)
        turn = travel_per_turn(self.pulley_teeth, kind.pitch)
        made = []
        for belt in ("belt_left", "belt_right", "belt_x"):
            made += [
                Figure(f"{belt}.ea", belt_ea(self.belt, self.belt_width), "N", kind.source),
                Figure(f"{belt}.pitch", kind.pitch, "mm", "the belt's label"),
                Figure(f"{belt}.pulley_circumference", turn, "mm", "pitch times teeth"),
            ]
            if kind.tension:
                tension = installation_tension(self.belt, self.belt_width)
                made.append(Figure(f"{belt}.pretension", tension, "N", TENSION_SOURCE))
        return made

    def _shaft_figures(self) -> list[Figure]:
        section = round_shaft if self.shaft == "round" else square_shaft
        bar = torsion_stiffness(section(self.shaft_diameter), self.shaft_length)
        torsion = in_series(bar, *[self.coupling] * self.couplings)
        holding = SET_SCREW_HOLDING[self.set_screw]
        hold = slip_force(set_screw_torque(holding, self.shaft_diameter), self.pulley_radius)
        bar_text = "G J/L of a steel bar" if self.shaft == "round" else "Roark's square bar"
        with_couplings = f" in series with {self.couplings} couplings" if self.couplings else ""
        stiffness = at_belt(torsion, self.pulley_radius)
        return [
            Figure("shaft.stiffness", stiffness, "N/mm", f"{bar_text}{with_couplings}, over r^2"),
            Figure(
                "shaft.hold_force", hold, "N", "holding power of a cup point at full seating torque"
            ),
        ]

    def _motor_figures(self) -> list[Figure]:
        force = slip_force(self.motor_torque, self.pulley_radius)
        turn = travel_per_turn(self.pulley_teeth, belt_type(self.belt).pitch)
        return [
            figure
            for motor in ("motor_y", "motor_x")
            for figure in (
                Figure(f"{motor}.hold_force", force, "N", "holding torque over the pitch radius"),
                Figure(f"{motor}.full_step", turn / self.motor_steps, "mm", "travel per turn"),
            )
        ]

    def machine(self, base: Machine | None = None) -> Machine:
        """Put the figures and the wheels into a machine.

        Parameters
        ----------
        base : Machine
            Where everything else comes from; the nominal machine if left out.

        Notes
        -----
        The wheels' loads, so their drag and the racking stiffness of the plates, follow from
        where the nuts stand (`gantrysim.machine.components.plate_loads`).
        """
        base = Machine() if base is None else base
        kind = wheel_type(self.wheel)
        fields = {
            "radius": kind.radius,
            "stiffness": kind.stiffness,
            "bearing_drag": kind.bearing_drag,
            "scrub": kind.scrub,
            "scrub_exponent": kind.scrub_exponent,
        }
        plate = EndPlate.from_nuts(
            four_wheels(self.plate_base, 0.0, **fields),
            {"front": self.nut_deg, "back": self.nut_deg},
            span=base.span,
            length=max(base.left.length, self.plate_base + 2.0 * kind.radius),
        )
        changes: dict[str, object] = {"left": plate, "right": plate}
        changes["carriage.wheels"] = self._carriage_wheels(fields)
        length = max(base.carriage.length, self.carriage_base + 2.0 * kind.radius)
        changes["carriage.length"] = length
        there = (f for f in self._drive_figures() if f.place.partition(".")[0] not in base.absent)
        return base.set_many(changes).set_many({f.place: f.value for f in there})

    def _carriage_wheels(self, fields: dict[str, float]) -> tuple[Wheel, ...]:
        drag = wheel_drag(
            self._wheel_load,
            bearing=fields["bearing_drag"],
            scrub=fields["scrub"],
            exponent=fields["scrub_exponent"],
        )
        return four_wheels(self.carriage_base, 4.0 * drag, **fields)
