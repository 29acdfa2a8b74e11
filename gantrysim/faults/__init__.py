"""What can be wrong with a gantry: one class a family, one file a family, and its catalogue."""

from gantrysim.faults.base import Fault
from gantrysim.faults.belts import SlackBelt
from gantrysim.faults.carriage import LooseCarriage, TightCarriage
from gantrysim.faults.catalogue import Catalogue
from gantrysim.faults.coupling import CouplerBacklash, CouplerSlip
from gantrysim.faults.flat import WheelFlat
from gantrysim.faults.pulley import PulleyRunout
from gantrysim.faults.scale import ScaleError
from gantrysim.faults.square import OutOfSquare
from gantrysim.faults.unmodelled import LostSteps, Unlisted
from gantrysim.faults.wheels import LooseWheels, TightWheels

__all__ = [
    "Catalogue",
    "CouplerBacklash",
    "CouplerSlip",
    "Fault",
    "LooseCarriage",
    "LooseWheels",
    "LostSteps",
    "OutOfSquare",
    "PulleyRunout",
    "ScaleError",
    "SlackBelt",
    "TightCarriage",
    "TightWheels",
    "Unlisted",
    "WheelFlat",
]
