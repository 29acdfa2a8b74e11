"""A customer's part: its features, what the machine makes of them, and whose the error is.

A drawing (`outlines`, `recognition`, `drawing`) has features, each with a gauge (`gauges`) that
reads it on burned paths; machines as they are believed to be (`believed`) run the path
(`prediction`); sizes measured by hand (`sheet`) or on a scan (`scan`) are shared out over machine,
drawing and cut (`judgement`), and pairs of features are held against the clearance that is wanted
(`mating`).
"""

from gantrysim.part.drawing import Drawing, drawing_of, read_drawing, read_features
from gantrysim.part.feature import Feature
from gantrysim.part.judgement import JudgedFeature, PartJudgement, judge_part
from gantrysim.part.kerf import Kerf
from gantrysim.part.mating import MatedPair, Mating, Matings, predict_matings
from gantrysim.part.prediction import PredictedSize, Prediction, predict_part
from gantrysim.part.scan import ScannedPart, ScannedSize, read_part_scan
from gantrysim.part.sheet import (
    PartReading,
    PartSheet,
    PartSizes,
    read_part_sheet,
    write_part_sheet,
)

__all__ = [
    "Drawing",
    "Feature",
    "JudgedFeature",
    "Kerf",
    "MatedPair",
    "Mating",
    "Matings",
    "PartJudgement",
    "PartReading",
    "PartSheet",
    "PartSizes",
    "PredictedSize",
    "Prediction",
    "ScannedPart",
    "ScannedSize",
    "drawing_of",
    "judge_part",
    "predict_matings",
    "predict_part",
    "read_drawing",
    "read_features",
    "read_part_scan",
    "read_part_sheet",
    "write_part_sheet",
]
