"""What is measured, and with what.

One file an instrument: `points` and `burning` (points of a burned piece), `calipers`, `push`,
`tones`, `dial`; what all have in common stands in `base`.  Points come from scans
(`gantrysim.instruments.scan`) and photographs (`gantrysim.instruments.photo`).
"""

from gantrysim.instruments.base import Instrument, MachineSheet, Measurement, ReadingSheet
from gantrysim.instruments.burning import PointsOfPiece
from gantrysim.instruments.calipers import (
    CaliperReading,
    Calipers,
    CaliperSheet,
    read_calipers,
    write_caliper_sheet,
)
from gantrysim.instruments.dial import (
    DialIndicator,
    DialReading,
    DialSheet,
    read_dial,
    write_dial_sheet,
)
from gantrysim.instruments.photo.flatten import FlatPicture, flatten_photo
from gantrysim.instruments.photo.photomarks import Card, Grid, Rule
from gantrysim.instruments.points import Piece, read_points
from gantrysim.instruments.push import (
    PushByHand,
    PushReading,
    PushSheet,
    read_push,
    write_push_sheet,
)
from gantrysim.instruments.scan.reading import read_photo, read_scan
from gantrysim.instruments.scanner import ScannerError
from gantrysim.instruments.scanrecord import ScanRecord
from gantrysim.instruments.tones import (
    BeltTones,
    ToneReading,
    ToneSheet,
    read_tones,
    write_tone_sheet,
)

#: Every instrument that is built in, at its usual cost.
INSTRUMENTS: tuple[Instrument, ...] = (
    PointsOfPiece(), PushByHand(), BeltTones(), DialIndicator(), Calipers(),
)  # fmt: skip

__all__ = [
    "BeltTones",
    "CaliperReading",
    "CaliperSheet",
    "Calipers",
    "Card",
    "DialIndicator",
    "DialReading",
    "DialSheet",
    "FlatPicture",
    "Grid",
    "INSTRUMENTS",
    "Instrument",
    "MachineSheet",
    "Measurement",
    "Piece",
    "PointsOfPiece",
    "PushByHand",
    "PushReading",
    "PushSheet",
    "ReadingSheet",
    "Rule",
    "ScanRecord",
    "ScannerError",
    "ToneReading",
    "ToneSheet",
    "flatten_photo",
    "read_calipers",
    "read_dial",
    "read_photo",
    "read_points",
    "read_push",
    "read_scan",
    "read_tones",
    "write_caliper_sheet",
    "write_dial_sheet",
    "write_push_sheet",
    "write_tone_sheet",
]
