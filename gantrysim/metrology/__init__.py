"""Measuring drawn circles and squares: roundness, circular tests, squareness, size, passes."""

from gantrysim.metrology.burns import Measures, measure
from gantrysim.metrology.calipered import CaliperMeasures, CaliperRow
from gantrysim.metrology.circular import (
    BothWays,
    CircularDeviation,
    Gap,
    both_ways,
    circular_deviation,
)
from gantrysim.metrology.harmonics import (
    Harmonic,
    Harmonics,
    gaussian_transmission,
    harmonics,
    ovality,
)
from gantrysim.metrology.passes import PassScatter
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
    "Gap",
    "Harmonic",
    "Harmonics",
    "Measures",
    "PassScatter",
    "ReferenceCircle",
    "Roundness",
    "Side",
    "SizeFit",
    "Spacing",
    "SquareGeometry",
    "SquareRow",
    "both_ways",
    "circular_deviation",
    "gaussian_transmission",
    "harmonics",
    "least_squares_circle",
    "maximum_inscribed_circle",
    "measure",
    "minimum_circumscribed_circle",
    "minimum_zone_circle",
    "ovality",
    "roundness",
    "square_geometry",
]
