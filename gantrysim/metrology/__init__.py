"""Measuring drawn circles and squares: roundness, circular tests, squareness, size, passes."""

from gantrysim.metrology.burns import measure, measure_both_ways
from gantrysim.metrology.calipered import CaliperMeasures, CaliperRow
from gantrysim.metrology.circular import (
    BothWays,
    CircularDeviation,
    Gap,
    both_ways,
    circular_deviation,
)
from gantrysim.metrology.directions import DirectionTest
from gantrysim.metrology.filtered import FilteredProfile, filtered_profile
from gantrysim.metrology.harmonics import (
    Harmonic,
    Harmonics,
    gaussian_transmission,
    harmonics,
    ovality,
)
from gantrysim.metrology.measures import Measures
from gantrysim.metrology.noisyrings import roundness_interval
from gantrysim.metrology.passes import PassScatter
from gantrysim.metrology.peaks import PeakToValley
from gantrysim.metrology.pointnoise import PointNoise
from gantrysim.metrology.positioning import Positioning, positioning
from gantrysim.metrology.quantities import Quantity
from gantrysim.metrology.repeats import PassDrift
from gantrysim.metrology.roundness import (
    ReferenceCircle,
    Roundness,
    least_squares_circle,
    maximum_inscribed_circle,
    minimum_circumscribed_circle,
    minimum_zone_circle,
    roundness,
)
from gantrysim.metrology.rows import CircleRow, Spacing, SquareRow
from gantrysim.metrology.sizes import SizeFit
from gantrysim.metrology.squares import Side, SquareGeometry, square_geometry

__all__ = [
    "BothWays",
    "CaliperMeasures",
    "CaliperRow",
    "CircleRow",
    "CircularDeviation",
    "DirectionTest",
    "FilteredProfile",
    "Gap",
    "Harmonic",
    "Harmonics",
    "Measures",
    "PassDrift",
    "PassScatter",
    "PeakToValley",
    "PointNoise",
    "Positioning",
    "Quantity",
    "ReferenceCircle",
    "Roundness",
    "Side",
    "SizeFit",
    "Spacing",
    "SquareGeometry",
    "SquareRow",
    "both_ways",
    "circular_deviation",
    "filtered_profile",
    "gaussian_transmission",
    "harmonics",
    "least_squares_circle",
    "maximum_inscribed_circle",
    "measure",
    "measure_both_ways",
    "minimum_circumscribed_circle",
    "minimum_zone_circle",
    "ovality",
    "positioning",
    "roundness",
    "roundness_interval",
    "square_geometry",
]
