"""A customer's path, read from RS-274 motion code.

Read are G0 to G3 (arcs by their centre I, J or by their radius R), G17, G20/G21, G40, G49, G80,
G90/G91, G94, F, S, M2/M3/M4/M5/M30, N, comments and block delete.  Other words are refused by
name: a path that is read in part would be a wrong path.  Rules of NISTIR 6556 (clauses from
memory): one word of a modal group to a line (3.4), feed before spindle before motion within a line
(3.8), radii at both ends of an arc within 0.002 mm or 0.0002 inch (3.5.3.2).
"""

from __future__ import annotations

import math
import os
from collections import Counter
from dataclasses import dataclass, field, replace
from pathlib import Path

from gantrysim.formats.wordreader import words_of
from gantrysim.pattern.toolpath import Move, Toolpath
from gantrysim.records import limits
from gantrysim.records.checks import positive, trusted
from gantrysim.records.doors import checked
from gantrysim.records.files import placed, read_text

SAME_PLACE = 1e-9  # mm: increments add up to their start but for rounding
MAX_PLACE = 1e5  # mm; further is a slip
INCH = 25.4
RADIUS_TOLERANCE = {1.0: 0.002, INCH: 0.0002 * INCH}  # mm, by the unit in use
GROUPS = {
    "motion": ("G0", "G1", "G2", "G3", "G80"),
    "plane": ("G17",),
    "distance": ("G90", "G91"),
    "feed mode": ("G94",),
    "units": ("G20", "G21"),
    "cutter compensation": ("G40",),
    "tool length": ("G49",),
    "stopping": ("M2", "M30"),
    "spindle": ("M3", "M4", "M5"),
}
_GROUP_OF = {word: group for group, words in GROUPS.items() for word in words}
OFTEN = ("G", "M")  # letters that a line may hold more than once


@checked
def read_motion_code(
    path: str | os.PathLike[str],
    *,
    travel_speed: float = 100.0,
    acceleration: float = 800.0,
    centripetal: float = 800.0,
    corner_speed_change: float = 8.0,
    block_delete: bool = True,
) -> Toolpath:
    """Read a path from motion code.

    A move is drawn where the beam is on (M3 or M4 and a power S above 0) and it is no G0.  A
    program that never turns it on is taken to be drawn with a pen: there every G1, G2 and G3 is.

    Parameters
    ----------
    path : path
        Of the file, up to 20 MB.
    travel_speed : float
        Of G0, which names none, mm/s.
    acceleration, centripetal, corner_speed_change : float
        Limits of the machine that will draw it, mm/s^2, mm/s^2, mm/s.
    block_delete : bool
        Whether lines that begin with "/" are left out.

    Returns
    -------
    Toolpath
        Its moves begin at home.

    Raises
    ------
    FileNotFoundError
        If there is no such file.
    ValueError
        With one sentence naming the file and the line.

    Examples
    --------
    >>> import gantrysim as gs
    >>> test = gs.ring_test(spacing=6.0, largest=30.0)
    >>> path = test.to_motion_code("rings.nc", power=0.2, s_max=1000.0)
    >>> gs.read_motion_code("rings.nc")
    Toolpath(30 moves, 21 drawn, 1141.5 mm)
    """
    speed = positive(travel_speed, "travel_speed")
    lines = read_text(path, "motion code", most=limits.DRAWING_BYTES).splitlines()
    if len(lines) > limits.PROGRAM_LINES:
        raise ValueError(f"{path}: has {len(lines)} lines, {limits.PROGRAM_LINES} are accepted.")
    state = _State(speed)
    for number, line in enumerate(lines, start=1):
        block = line.strip()
        if block == "%" or (block_delete and block.startswith("/")):
            continue
        with placed(f"{path}, line {number}"):
            _take(state, words_of(block.removeprefix("/")))
        if state.ended:
            break
    moves = state.moves
    if not any(lit for _, lit in moves):
        moves = [(move, move.burned) for move, _ in moves]
    with placed(path):
        return Toolpath(
            tuple(_lit(move, lit) for move, lit in moves),
            acceleration, centripetal, corner_speed_change, source=Path(path).name,
        )  # fmt: skip


@dataclass
class _State:
    """What earlier lines have set; places in mm."""

    travel_speed: float
    place: tuple[float, float] = (0.0, 0.0)
    unit: float = 1.0
    absolute: bool = True
    motion: str | None = None
    feed: float | None = None  # mm/s
    power: float = 0.0
    beam: bool = False
    ended: bool = False
    moves: list[tuple[Move, bool]] = field(default_factory=list)  # and whether the beam was on


def _take(state: _State, words: list[tuple[str, float]]) -> None:
    """Carry out one line."""
    codes, values = _sorted_words(words)
    feed, power = values.get("F"), values.get("S")
    if "units" in codes:
        state.unit = INCH if codes["units"] == "G20" else 1.0
    if feed is not None:
        if feed < 0.0:
            raise ValueError(f"feed F must not be negative, found {feed:g}")
        state.feed = feed * state.unit / 60.0
    if power is not None:
        if power < 0.0:
            raise ValueError(f"power S must not be negative, found {power:g}")
        state.power = power
    if "spindle" in codes:
        state.beam = codes["spindle"] != "M5"
    if "distance" in codes:
        state.absolute = codes["distance"] == "G90"
    if "motion" in codes:
        state.motion = None if codes["motion"] == "G80" else codes["motion"]
    if any(letter in values for letter in "XYIJR"):
        if state.motion is None:
            raise ValueError("a place is given, but no G0, G1, G2 or G3 is in force")
        _move(state, values)
    elif codes.get("motion") in ("G2", "G3"):
        raise ValueError(f"{codes['motion']} needs X or Y, and I, J or R")
    state.ended = "stopping" in codes


def _sorted_words(words: list[tuple[str, float]]) -> tuple[dict[str, str], dict[str, float]]:
    """G and M words by modal group, and the number behind each other letter."""
    codes: dict[str, str] = {}
    values: dict[str, float] = {}
    if len({letter for letter, _ in words}) < len(words):
        for letter, count in Counter(letter for letter, _ in words).items():
            if count > 1 and letter not in OFTEN:
                raise ValueError(f"the word {letter} may stand once on a line, found {count}")
    for place, (letter, number) in enumerate(words):
        if letter in OFTEN:
            word = f"{letter}{number:g}"
            group = _GROUP_OF.get(word)
            if group is None:
                raise ValueError(f"{word} is not read; accepted are {', '.join(_GROUP_OF)}")
            if group in codes:
                raise ValueError(f"{codes[group]} and {word} must not stand on one line")
            codes[group] = word
        elif letter == "N":
            if place or number != int(number) or not 0 <= number <= 99999:
                raise ValueError("a line number N of 0 to 99999 may stand first on a line only")
        elif letter in "XYIJRFS":
            values[letter] = number
        else:
            raise ValueError(f"the word {letter} is not read; accepted are F G I J M N R S X Y")
    return codes, values


def _move(state: _State, values: dict[str, float]) -> None:
    """Add the move that a line asks for."""
    end = list(state.place)
    for axis, letter in enumerate("XY"):
        if letter in values:
            given = values[letter] * state.unit
            end[axis] = given if state.absolute else state.place[axis] + given
    for letter, found in zip("XY", end, strict=True):
        if abs(found) > MAX_PLACE:
            raise ValueError(f"{letter} of {found:g} mm is beyond {MAX_PLACE:g} mm")
    start, stop = state.place, (end[0], end[1])
    drawn = state.motion != "G0"
    if drawn and not state.feed:
        raise ValueError(f"{state.motion} needs a feed F above 0")
    speed = state.feed if drawn and state.feed else state.travel_speed
    centre, turn = None, 0.0
    if state.motion in ("G2", "G3"):
        centre, turn = _arc(state, values, stop)
    elif any(letter in values for letter in "IJR"):
        raise ValueError("I, J and R belong to G2 and G3 only")
    move = trusted(Move, start, stop, drawn, speed, centre, turn)
    if move.length > 0.0:
        state.moves.append((move, drawn and state.beam and state.power > 0.0))
    state.place = stop


def _arc(
    state: _State, values: dict[str, float], end: tuple[float, float]
) -> tuple[tuple[float, float], float]:
    """Centre of an arc, mm, and its turn, rad."""
    if "X" not in values and "Y" not in values:
        raise ValueError(f"{state.motion} needs X or Y")
    ccw = state.motion == "G3"
    if "R" in values:
        if "I" in values or "J" in values:
            raise ValueError(f"{state.motion} takes R, or I and J, not both")
        centre = _centre_by_radius(state, values["R"] * state.unit, end, ccw)
    elif "I" in values or "J" in values:
        centre = (
            state.place[0] + values.get("I", 0.0) * state.unit,
            state.place[1] + values.get("J", 0.0) * state.unit,
        )
    else:
        raise ValueError(f"{state.motion} needs a centre I, J or a radius R")
    first, last = math.dist(state.place, centre), math.dist(end, centre)
    if not 0.0 < first <= MAX_PLACE:
        raise ValueError(f"the radius of an arc must be above 0 and up to {MAX_PLACE:g} mm")
    if abs(first - last) > RADIUS_TOLERANCE[state.unit]:
        raise ValueError(
            f"the arc starts {first:.4f} mm from its centre and ends {last:.4f} mm from it; "
            f"{RADIUS_TOLERANCE[state.unit]:g} mm of difference are accepted"
        )
    if math.dist(end, state.place) < SAME_PLACE:
        return centre, math.tau if ccw else -math.tau
    (ax, ay), (bx, by) = ((x - centre[0], y - centre[1]) for x, y in (state.place, end))
    turn = math.atan2(ax * by - ay * bx, ax * bx + ay * by)
    if ccw:
        return centre, turn if turn > 0.0 else turn + math.tau
    return centre, turn if turn < 0.0 else turn - math.tau


def _centre_by_radius(
    state: _State, radius: float, end: tuple[float, float], ccw: bool
) -> tuple[float, float]:
    """Centre of an arc of a radius; negative for more than half a turn."""
    (x, y), (ex, ey) = state.place, end
    dx, dy = ex - x, ey - y
    chord = math.hypot(dx, dy)
    if chord == 0.0:
        raise ValueError("an arc by its radius must end elsewhere than it starts")
    short = abs(radius) - 0.5 * chord
    if short < -0.5 * RADIUS_TOLERANCE[state.unit]:
        raise ValueError(f"radius {abs(radius):g} mm is too small for ends {chord:g} mm apart")
    rise = math.sqrt(max(radius * radius - 0.25 * chord * chord, 0.0))
    side = math.copysign(rise, radius) * (1.0 if ccw else -1.0)
    return x + 0.5 * dx - side * dy / chord, y + 0.5 * dy + side * dx / chord


def _lit(move: Move, lit: bool) -> Move:
    return move if lit == move.burned else replace(move, burned=lit)
