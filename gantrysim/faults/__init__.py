"""Named changes of a machine."""

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

__all__ = [
    "CouplerBacklash",
    "CouplerSlip",
    "LooseCarriage",
    "LooseWheels",
    "OutOfSquare",
    "PulleyRunout",
    "ScaleError",
    "SlackBelt",
    "TightCarriage",
    "TightWheels",
]
