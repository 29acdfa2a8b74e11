"""The machine and its parts as data: what a person with a ruler can say of a gantry."""

from gantrysim.machine.file import read_machine, save_machine
from gantrysim.machine.handbook import Handbook
from gantrysim.machine.machine import (
    SIDES,
    Beam,
    Belt,
    Carriage,
    Contact,
    CrossShaft,
    EndPlate,
    Head,
    Machine,
    Motor,
    Wheel,
    four_wheels,
)

__all__ = [
    "SIDES",
    "Beam",
    "Belt",
    "Carriage",
    "Contact",
    "CrossShaft",
    "EndPlate",
    "Handbook",
    "Head",
    "Machine",
    "Motor",
    "Wheel",
    "four_wheels",
    "read_machine",
    "save_machine",
]
