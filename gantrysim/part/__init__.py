"""A customer's part: its features, what the machine makes of them, and whose the error is."""

from gantrysim.part.drawing import Drawing, drawing_of, read_drawing, read_features
from gantrysim.part.feature import Feature
from gantrysim.part.kerf import Kerf
from gantrysim.part.prediction import PredictedSize, Prediction, predict_part

__all__ = [
    "Drawing",
    "Feature",
    "Kerf",
    "PredictedSize",
    "Prediction",
    "drawing_of",
    "predict_part",
    "read_drawing",
    "read_features",
]
