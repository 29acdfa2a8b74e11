"""A test as plain RS-274 motion code.

Only words of the published description are used: T. R. Kramer, F. M. Proctor, E. R. Messina, The
NIST RS274/NGC Interpreter - Version 3, NISTIR 6556, National Institute of Standards and Technology,
2000 (clauses from memory).  Straight moves G0 and G1, arcs G2 and G3 by their centre (I, J from
the start point, 3.5.3.2), plane G17, millimetres G21, absolute places G90, feed per minute G94,
power as a spindle word (S with M3, M5), end M2.  A full circle is one arc that ends where it
starts.  Comments stand in parentheses, without parentheses inside, and no line is longer than 256
characters (3.3).

The power is nought unless the user says otherwise: the program then never turns the beam on, and
the test is drawn with a pen or as a dry run.
"""

from __future__ import annotations

import os
import textwrap
from pathlib import Path

import numpy as np

from gantrysim.burn.simulation import check_travel
from gantrysim.formats.geometry import Drawn, decimal, drawing_of, name_of, reach_of
from gantrysim.machine import Machine
from gantrysim.pattern.ringtest import RingTest
from gantrysim.records.arrays import Array
from gantrysim.records.checks import finite_number, positive
from gantrysim.records.doors import checked
from gantrysim.records.files import write_new_text

DIGITS = 4  # behind the point, mm: a tenth of a micrometre
MOST_S = 1e6  # of the S word; more is a slip
MOST_FEED = 1000.0  # mm/s; no belt-driven gantry burns faster: mm/min taken for mm/s
CAUTIONS = (
    "CAUTION. The maker's manual and the local codes come first.",
    "An open beam harms eyes and skin and starts fires: wear eyewear rated for its wavelength and "
    "power, and keep everybody without it out.",
    "Never unattended. Fire watch during the burn and after it, extinguisher at hand.",
    "Extract or ventilate the fumes. Never burn PVC or anything else with halogens.",
    "Run it with the beam off first. Fingers away from rails, wheels, belts and pulleys.",
)


@checked
def write_motion_code(
    test: RingTest,
    path: str | os.PathLike[str],
    *,
    machine: Machine | None = None,
    power: float = 0.0,
    s_max: float | None = None,
    overwrite: bool = False,
) -> Path:
    """Write a test as motion code; returns its path.

    Parameters
    ----------
    test : RingTest
        What to draw; its places are those of the carriage from home, mm.
    path : path
        Of the file.
    machine : Machine, optional
        Whose travel, mm, must hold the test; the nominal machine if absent.
    power : float
        Of the beam, as part of its full power, 0 to 1.  At 0, the default, the program never
        turns the beam on.
    s_max : float, optional
        S word that means full power on this machine, dimensionless; its maker says which.
        Needed where the power is above 0.
    overwrite : bool
        Whether a file of that name may be replaced.

    Raises
    ------
    ValueError
        If the test leaves the machine's travel, its feed is above 1000 mm/s, the power is not
        within 0 to 1, or `s_max` is missing or out of range.
    FileExistsError
        If the file exists and ``overwrite`` is false.
    FileNotFoundError
        If its folder does not exist.

    Examples
    --------
    >>> import gantrysim as gs
    >>> test = gs.ring_test(("square",), spacing=10.0, largest=20.0)
    >>> path = gs.write_motion_code(test, "squares.nc")  # the beam stays off
    >>> [line for line in path.read_text().splitlines() if line.startswith("G1 ")][:2]
    ['G1 X205 Y210 F2400', 'G1 X205 Y190']
    """
    strength = _s_word(power, s_max)
    if test.feed > MOST_FEED:
        raise ValueError(
            f"feed must be at most {MOST_FEED:g} mm/s in motion code, found {test.feed:g} "
            "(a test states its feed in mm/s, not mm/min)."
        )
    machine = Machine() if machine is None else machine
    drawing = drawing_of(test)
    check_travel(machine, np.vstack([reach_of(drawing), test.start_from]))
    lines = [*_head(test, machine, power, strength), "G17 G21 G90 G94"]
    here = None
    for drawn in drawing:
        lines += _comments(_words_of(drawn))
        start = _rounded(drawn.corners[0])
        if here is None or (start != here).any():
            lines += ["M5", f"G0 {_place(start)}"]
            lines += [] if strength is None else [f"M3 S{strength}"]
        lines += _moves(drawn, start, f"F{_number(60.0 * test.feed)}")
        here = _rounded(drawn.corners[-1])
    return write_new_text(path, "\n".join([*lines, "M5", "M2", ""]), overwrite=overwrite)


def _s_word(power: float, s_max: float | None) -> str | None:
    """The S word of a power, None for a beam that stays off."""
    power = finite_number(power, "power")
    if not 0.0 <= power <= 1.0:
        raise ValueError(
            f"power must be 0 to 1, the part of the beam's full power, found {power:g}."
        )
    if s_max is not None and positive(s_max, "s_max") > MOST_S:
        raise ValueError(f"s_max must be {MOST_S:g} at most, found {s_max:g}.")
    if power == 0.0:
        return None
    if s_max is None:
        raise ValueError(
            f"power {power:g} needs s_max, the S word that means full power on this machine; "
            "its maker's manual says which."
        )
    word = _number(power * s_max)
    if word == "0":
        raise ValueError(f"power {power:g} of s_max {s_max:g} is nought in {DIGITS} digits.")
    return word


def _head(test: RingTest, machine: Machine, power: float, strength: str | None) -> list[str]:
    beam = (
        "POWER 0: this program never turns the beam on. Draw it with a pen, or state a power."
        if strength is None
        else f"POWER {power:g} of full power: S{strength}. THE BEAM IS ON along the lines."
    )
    words = [
        "Ring test as RS-274 motion code, written by gantrysim.",
        test.summary(),
        *CAUTIONS,
        beam,
        "Home the machine first, and clear any work offset: places are those of the carriage from "
        "home, mm, and an offset other than nought shifts everything. Travel "
        f"{machine.span:g} mm in x, {machine.travel_y:g} mm in y.",
        f"The test expects travel at {test.travel_speed:g} mm/s, acceleration "
        f"{test.acceleration:g} mm/s2 along and {test.centripetal:g} mm/s2 across the path, "
        f"corners within {test.corner_speed_change:g} mm/s.",
    ]
    return [line for word in words for line in _comments(word)]


def _words_of(drawn: Drawn) -> str:
    passes = "" if drawn.passes == 1 else f", {drawn.passes} passes"
    return name_of(drawn) + passes


def _comments(words: str) -> list[str]:
    """Words as comment lines: ASCII, no parentheses inside."""
    plain = words.replace("(", "[").replace(")", "]").encode("ascii", "replace").decode()
    return [f"({line})" for line in textwrap.wrap(plain, 90)]


def _moves(drawn: Drawn, start: Array, feed: str) -> list[str]:
    """Blocks that draw a stroke from its start, all passes, the feed in the first."""
    if drawn.centre:
        arc = "G3" if drawn.ccw else "G2"
        i, j = _rounded(np.asarray(drawn.centre) - start)
        once = [f"{arc} {_place(start)} I{_number(i)} J{_number(j)}"]
    else:
        once = [f"G1 {_place(_rounded(corner))}" for corner in drawn.corners[1:]]
    blocks = once * drawn.passes
    return [f"{blocks[0]} {feed}", *blocks[1:]]


def _place(xy: Array) -> str:
    return f"X{_number(xy[0])} Y{_number(xy[1])}"


def _rounded(xy: Array) -> Array:
    return np.round(xy, DIGITS)


def _number(value: float) -> str:
    return decimal(value, DIGITS)  # the description knows no exponents
