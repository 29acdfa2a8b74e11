"""Empty sheets to fill in by hand: calipers on a test, pushes and belt tones of a machine.

Each is a CSV file that its reader reads once somebody has filled in the empty column; rows left
empty are left out, and the sheet that was read says how many.  Opening remarks say what to read and
how; lines such as `# resolution_mm = 0.01` state the instrument and are read too.
"""

from __future__ import annotations

import math
import os
from collections.abc import Mapping, Sequence
from pathlib import Path

from gantrysim.instruments import calipers, push, tones
from gantrysim.instruments.calipers import CaliperReading, check_caliper
from gantrysim.instruments.measurement import csv_text
from gantrysim.instruments.points import check_ring, drawn_passes, test_of
from gantrysim.machine import Machine
from gantrysim.machine.components import span_frequency, span_mass
from gantrysim.mechanics.handpush import PLACES
from gantrysim.pattern.ringtest import RingTest
from gantrysim.records.checks import finite_number, positive, shortened, whole_number
from gantrysim.records.doors import checked
from gantrysim.records.files import write_new_text

#: Rings that a hand measures if none are named, as parts of the outermost: outermost, one in the
#: middle, one well inside, where play and friction weigh more than scale does.
PARTS = (1.0, 0.6, 0.3)
SMALLEST = 5.0  # mm, radius or half side: below it jaws find no even hold on a burned line
#: What a hand adds to the step of its instrument, standard deviations (judgement): of a force, N,
#: of a length by a rule or feeler, mm, and of a tone, relative.
FORCE_BY_HAND, LENGTH_BY_HAND, TONE_BY_HAND = 0.3, 0.05, 0.015
#: A belt of which nothing is said, and the tension below which it gives no tone, N.
USUAL_BELT, USUAL_WIDTH, LEAST_TENSION = "2 mm glass", 6.0, 0.2

_CAUTIONS = (
    "CAUTION: switch off at the mains and unplug; disconnect the laser so that it cannot fire.",
    "Keep fingers out of belts, pulleys and wheels (pinch points); push gently; wait until hot",
    "parts are cold. The maker's manual comes first.",
)


@checked
def write_caliper_sheet(
    path: str | os.PathLike[str],
    test: RingTest | str | os.PathLike[str],
    *,
    rings: Mapping[str, Sequence[int]] | None = None,
    angles_deg: Sequence[float] = (0.0, 45.0, 90.0, 135.0),
    resolution: float = calipers.SETTINGS["resolution_mm"],
    permissible_error: float = calipers.SETTINGS["permissible_error_mm"],
    overwrite: bool = False,
) -> Path:
    """Write an empty caliper sheet for a burned test; `read_calipers` reads it filled in.

    Parameters
    ----------
    path : path
        The CSV file to write.
    test : RingTest or path
        What was commanded, or its file for `read_test`.
    rings : mapping of str to sequence of int, optional
        Which rings of "circle" and "square" to measure, 0 the innermost; if absent the outermost of
        each shape, one of 0.6 and one of 0.3 times its size.
    angles_deg : sequence of float
        Directions across circles, degrees from the piece's X toward its Y, 0 to below 180; squares
        are measured across their sides and both diagonals.  Ovality takes three directions or more.
    resolution : float
        Step of the caliper's display, mm.
    permissible_error : float
        Maximum permissible error of the caliper as its maker states it, mm (ISO 13385-1).
    overwrite : bool
        Whether a file that exists may be replaced.

    Returns
    -------
    Path

    Raises
    ------
    FileExistsError
        If the file exists and `overwrite` is false.
    ValueError
        If a ring is not drawn or a direction is out of range, in one sentence.
    """
    test = test_of(test)
    check_caliper(resolution, permissible_error)
    wanted = _usual_rings(test) if rings is None else _named_rings(test, rings)
    across = [f"diameter_{finite_number(a, 'angles_deg') + 0.0:g}" for a in angles_deg]
    rows = []
    for shape, ring in wanted:
        size = test.nest(shape).sizes[ring]
        for what in across if shape == "circle" else calipers.ACROSS:
            nominal = CaliperReading(shape, ring, size, what, 1.0).nominal
            rows.append((shape, ring, size, what, f"{nominal:.2f}", ""))
    if not rows:
        raise ValueError("angles_deg and rings name nothing to measure; name at least one.")
    settings = {
        **calipers.SETTINGS, "resolution_mm": resolution, "permissible_error_mm": permissible_error,
    }  # fmt: skip
    remarks = (
        "caliper readings of the burned piece, mm: fill in value_mm, leave empty what was not read",
        "Measure cold, jaws square to the sheet, over the outer edges of the line (outside sizes).",
        "diameter_A: across the circle in the direction A degrees from the piece's X toward its Y",
        "width along X, height along Y at the middle of the sides; diagonal_up: low left corner to",
        "upper right. commanded_mm only helps to find the ring: a reading holds a line width more.",
        "What your caliper is (permissible error: as its maker states it) and how your hand is:",
    )
    columns = (*calipers.COLUMNS[:-1], "commanded_mm", calipers.COLUMNS[-1])
    return write_new_text(path, csv_text(remarks, settings, columns, rows), overwrite=overwrite)


@checked
def write_push_sheet(
    path: str | os.PathLike[str],
    machine: Machine,
    *,
    resolution: float = 0.1,
    length_resolution: float = 0.1,
    permissible_error: float = 0.0,
    overwrite: bool = False,
) -> Path:
    """Write an empty sheet for pushes by hand with the motors off; `read_push` reads it filled in.

    Both sides and the carriage, both ways, from the middle of the travel: force to start, force to
    keep moving, and how far the other side lags.

    Parameters
    ----------
    path : path
        The CSV file to write.
    machine : Machine
        The machine as described: it says where the middle of the travel is, mm.
    resolution : float
        Step of the spring scale, N.
    length_resolution : float
        Step of what reads the lag, mm.
    permissible_error : float
        Greatest error of the spring scale's zero, N, 0 if it is set before each push.
    overwrite : bool
        Whether a file that exists may be replaced.

    Returns
    -------
    Path

    Raises
    ------
    FileExistsError
        If the file exists and `overwrite` is false.
    ValueError
        If an argument is not accepted, in one sentence.
    """
    x, y = _middle(machine)
    if finite_number(permissible_error, "permissible_error") < 0.0:
        raise ValueError(f"permissible_error must not be below zero, found {permissible_error:g}.")
    spread = {
        "N": _standard(resolution, "resolution", FORCE_BY_HAND),
        "mm": _standard(length_resolution, "length_resolution", LENGTH_BY_HAND),
    }
    stroke = push.USUAL_STROKE["off"]
    rows = []
    for at in PLACES:
        lags = () if at == "carriage" else ("lag_forward_mm", "lag_back_mm")
        forces = ("start_forward_n", "keep_forward_n", "start_back_n", "keep_back_n")
        for what in (*forces, *lags):
            u = f"{spread[push.unit_of(what)]:.3g}"
            rows.append((at, "off", f"{x:g}", f"{y:g}", what, "", u, f"{stroke:g}"))
    remarks = (
        *_CAUTIONS,
        "push by hand, motors off: fill in value (N or mm), leave empty what was not read",
        f"Carriage at x_mm, y_mm. Push {stroke:g} mm forward (away from home; the carriage: to the",
        "right), back to where it began, and forward again; read the second forward and the back.",
        "start: largest reading as it begins to move; keep: steady reading while it moves slowly",
        "lag: how far the other side has moved less than the pushed one since the start, by marks",
        "on both rails; after the push back, write it below zero where the other side stays behind",
        "uncertainty: standard uncertainty of one reading; stroke_mm: how far you pushed",
        "The spring scale: relative error of its scale, and greatest error of its zero, N:",
    )
    settings = {**push.SETTINGS, "permissible_error_n": permissible_error}
    text = csv_text(remarks, settings, (*push.COLUMNS, push.STROKE), rows)
    return write_new_text(path, text, overwrite=overwrite)


@checked
def write_tone_sheet(
    path: str | os.PathLike[str],
    machine: Machine,
    *,
    mass: float | None = None,
    overwrite: bool = False,
) -> Path:
    """Write an empty sheet for tones of plucked belts; `read_tones` reads it filled in.

    Parameters
    ----------
    path : path
        The CSV file to write.
    machine : Machine
        The machine as described: both open spans of each belt with the carriage in the middle, mm.
    mass : float, optional
        Mass per length of the belts, g/m; a belt of 2 mm pitch and 6 mm width if absent.
    overwrite : bool
        Whether a file that exists may be replaced.

    Returns
    -------
    Path

    Raises
    ------
    FileExistsError
        If the file exists and `overwrite` is false.
    ValueError
        If an argument is not accepted, in one sentence.
    """
    x, y = _middle(machine)
    mass = 1e3 * span_mass(USUAL_BELT, USUAL_WIDTH) if mass is None else positive(mass, "mass")
    rows = []
    for belt, at in (("left", y), ("right", y), ("x", x)):
        parts = getattr(machine, f"belt_{belt}")
        for span in parts.spans(at):
            expected = span_frequency(max(parts.pretension, LEAST_TENSION), span, mass * 1e-3)
            rows.append((belt, f"{span:.1f}", f"{mass:.4g}", "", f"{TONE_BY_HAND * expected:.2g}"))
    remarks = (
        *_CAUTIONS,
        "tones of plucked belts: fill in tone_hz, leave empty what was not read",
        f"Carriage at ({x:g}, {y:g}) mm, which gives the spans below: measure them and correct.",
        "Pluck each span in its middle, clear of the carriage, and read the lowest tone.",
        "uncertainty_hz: standard uncertainty of one tone. All tones share (relative):",
    )
    text = csv_text(remarks, tones.SETTINGS, tones.COLUMNS, rows)
    return write_new_text(path, text, overwrite=overwrite)


def _usual_rings(test: RingTest) -> list[tuple[str, int]]:
    """Outermost ring of each shape and two inner ones, of those the test draws."""
    drawn = drawn_passes(test)
    out: list[tuple[str, int]] = []
    for nest in test.nests:
        own = [ring for shape, ring in drawn if shape == nest.shape]
        if not own:
            continue
        largest = max(own, key=lambda ring: nest.sizes[ring])
        hold = [ring for ring in own if nest.sizes[ring] >= SMALLEST] or [largest]
        aims = [part * nest.sizes[largest] for part in PARTS]
        near = [min(hold, key=lambda ring, aim=aim: abs(nest.sizes[ring] - aim)) for aim in aims]  # type: ignore[misc]
        out += [(nest.shape, ring) for ring in dict.fromkeys(near)]
    return out


def _named_rings(test: RingTest, rings: Mapping[str, Sequence[int]]) -> list[tuple[str, int]]:
    if not isinstance(rings, Mapping):
        raise ValueError(
            f"rings must name rings by shape, as {{'circle': [7, 3]}}, found {shortened(rings)}."
        )
    drawn = drawn_passes(test)
    out = []
    for shape, numbers in rings.items():
        for number in numbers:
            ring = whole_number(number, f"rings of {shape!r}", least=0)
            check_ring(test, drawn, shape, ring, -1, "rings")
            out.append((shape, ring))
    return out


def _middle(machine: Machine) -> tuple[float, float]:
    if not isinstance(machine, Machine):
        raise ValueError(f"the machine must be a Machine, found {shortened(machine)}.")
    return machine.span / 2.0, machine.travel_y / 2.0


def _standard(resolution: float, name: str, by_hand: float) -> float:
    """Standard uncertainty of one reading: the hand's, and the step over sqrt(12) (GUM F.2.2.1)."""
    return math.hypot(by_hand, positive(resolution, name) / math.sqrt(12.0))
