"""What is believed of the scanner, as lines of a CSV file of points: `# scanner_skew_rad = 0.0`."""

from __future__ import annotations

import math

import numpy as np

from gantrysim.instruments.scanner import ScannerError
from gantrysim.records.files import AnyPath, placed

_MEAN = ("scanner_scale", "scanner_difference", "scanner_skew_rad")
_COVARIANCE = {
    (0, 0): "scanner_scale_variance",
    (1, 1): "scanner_difference_variance",
    (2, 2): "scanner_skew_variance",
    (0, 1): "scanner_scale_difference_covariance",
    (0, 2): "scanner_scale_skew_covariance",
    (1, 2): "scanner_difference_skew_covariance",
}
#: Names of the lines, each absent unless the file states it; all but the variances have a sign.
SETTINGS = dict.fromkeys((*_MEAN, *_COVARIANCE.values()), math.nan)
SIGNED = tuple(name for name in SETTINGS if not name.endswith("_variance"))


def lines_of(scanner: ScannerError) -> dict[str, float]:
    """The belief by the name of its lines: relative, relative, rad, and products of these."""
    numbers = dict(zip(_MEAN, scanner.mean, strict=True))
    return numbers | {name: float(scanner.covariance[i]) for i, name in _COVARIANCE.items()}


def scanner_of(stated: dict[str, float], path: AnyPath) -> ScannerError:
    """The belief that the lines of a file state; an unchecked scanner if there are none.

    ValueError naming the file and the first line that is missing, or what cannot be a covariance.
    """
    missing = [name for name in SETTINGS if math.isnan(stated[name])]
    if len(missing) == len(SETTINGS):
        return ScannerError()
    if missing:
        raise ValueError(
            f"{path}: states only part of what is believed of the scanner; {missing[0]!r} is "
            "missing."
        )
    table = np.zeros((3, 3))
    for (i, j), name in _COVARIANCE.items():
        table[i, j] = table[j, i] = stated[name]
    a, b, c = (stated[name] for name in _MEAN)
    with placed(f"{path}: what is stated of the scanner"):
        return ScannerError((a, b, c), table)
