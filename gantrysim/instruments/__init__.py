"""What is measured, and how it is read: points, scans, photographs, calipers, pushes, tones."""

from gantrysim.instruments.calipers import CaliperReading, CaliperSheet, read_calipers
from gantrysim.instruments.measurement import Measurement
from gantrysim.instruments.photo.flatten import FlatPicture, flatten_photo
from gantrysim.instruments.photo.photomarks import Card, Grid, Rule
from gantrysim.instruments.points import Piece, read_points
from gantrysim.instruments.push import PushReading, PushSheet, read_push
from gantrysim.instruments.scan.reading import read_photo, read_scan
from gantrysim.instruments.scanner import ScannerError
from gantrysim.instruments.scanrecord import ScanRecord
from gantrysim.instruments.templates import write_caliper_sheet, write_push_sheet, write_tone_sheet
from gantrysim.instruments.tones import ToneReading, ToneSheet, read_tones

__all__ = [
    "CaliperReading",
    "CaliperSheet",
    "Card",
    "FlatPicture",
    "Grid",
    "Measurement",
    "Piece",
    "PushReading",
    "PushSheet",
    "Rule",
    "ScanRecord",
    "ScannerError",
    "ToneReading",
    "ToneSheet",
    "flatten_photo",
    "read_calipers",
    "read_photo",
    "read_points",
    "read_push",
    "read_scan",
    "read_tones",
    "write_caliper_sheet",
    "write_push_sheet",
    "write_tone_sheet",
]
