"""What the machine draws: simulation, burned lines, the mark on wood."""

from gantrysim.burn.burn import Burn, PathBurn
from gantrysim.burn.image import BurnImage, Wood
from gantrysim.burn.many import Failure, ManyBurns, simulate_many
from gantrysim.burn.simulation import TimedBurn, simulate

__all__ = [
    "Burn",
    "BurnImage",
    "Failure",
    "ManyBurns",
    "PathBurn",
    "TimedBurn",
    "Wood",
    "simulate",
    "simulate_many",
]
