"""A small interpreter of RS-274 motion code, written from the published description alone.

T. R. Kramer, F. M. Proctor, E. R. Messina, The NIST RS274/NGC Interpreter - Version 3, NISTIR 6556,
NIST 2000.  The clauses below are from memory:

- 3.3 lines of up to 256 characters; 3.3.1 line numbers of up to five digits; 3.3.2 words;
  3.3.2.1 numbers without exponents; 3.3.4 comments; blanks and case mean nothing;
- 3.4 modal groups (table 4): one word of a group to a line, at most four M words;
- 3.5.1 G0, 3.5.2 G1, 3.5.3.2 G2 and G3 in centre format: I and J from the current point whatever
  the distance mode; with the ends the same the arc is a full circle; the radii at both ends agree
  within 0.002 mm or 0.0002 inch;
- 3.8 order within a line (table 8): comment, feed, spindle speed, spindle on or off, plane, units,
  distance mode, motion, stop.

It knows nothing of the package's own reader and refuses all that it does not know.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

TABLE_4 = (
    {"G0", "G1", "G2", "G3", "G80"},
    {"G17", "G18", "G19"},
    {"G90", "G91"},
    {"G93", "G94"},
    {"G20", "G21"},
    {"M0", "M1", "M2", "M30", "M60"},
    {"M3", "M4", "M5"},
)
SAME = 1e-9  # mm: increments add up to their start but for rounding
LETTER = re.compile(r"([a-z])([-+]?[0-9]*\.?[0-9]*)")


@dataclass
class Piece:
    """One stretch of the tool: straight, or an arc about a centre; mm, mm/min."""

    code: str
    start: complex
    end: complex
    beam: bool
    power: float
    feed: float | None
    centre: complex | None = None
    sweep: float = 0.0

    def at(self, t: float) -> complex:
        """Place at a part 0 to 1 of the way."""
        if self.centre is None:
            return self.start + t * (self.end - self.start)
        turned = complex(math.cos(t * self.sweep), math.sin(t * self.sweep))
        return self.centre + (self.start - self.centre) * turned


class Refused(Exception):
    """The description calls this an error."""


def interpret(text: str) -> list[Piece]:
    """All moves of a program; Refused for what the description calls an error."""
    here, unit, motion, feed = 0j, 1.0, None, None
    absolute, beam, power = True, False, 0.0
    pieces: list[Piece] = []
    ended = False
    for line in text.split("\n"):
        if not line.strip():
            continue
        if ended:
            raise Refused("words after the end of the program")
        if len(line) > 256:
            raise Refused("longer than 256 characters")
        if not line.isascii():
            raise Refused("not ASCII")
        if line.startswith("/") or line.strip() == "%":
            continue
        bare = _strip_comments(line)
        compact = re.sub(r"[ \t]", "", bare).lower()
        words = LETTER.findall(compact)
        if "".join(a + b for a, b in words) != compact:
            raise Refused(f"no words: {line}")
        seen: dict[str, float] = {}
        codes: list[str] = []
        for letter, number in words:
            value = float(number)  # an empty or doubled number fails here
            if letter in "gm":
                codes.append(f"{letter.upper()}{value:g}")
            elif letter in seen:
                raise Refused(f"{letter} twice")
            else:
                seen[letter] = value
        for group in TABLE_4:
            if sum(code in group for code in codes) > 1:
                raise Refused("two words of one modal group")
        if sum(code[0] == "M" for code in codes) > 4:
            raise Refused("more than four M words")
        unknown = set(codes) - set().union(*TABLE_4)
        if unknown or set(seen) - set("nfsxyijr"):
            raise Refused(f"unknown words {unknown} {seen}")
        if "f" in seen:
            feed = seen["f"]
        if "s" in seen:
            if seen["s"] < 0:
                raise Refused("negative spindle speed")
            power = seen["s"]
        for code in codes:
            beam = {"M3": True, "M4": True, "M5": False}.get(code, beam)
            unit = {"G20": 25.4, "G21": 1.0}.get(code, unit)
            absolute = {"G90": True, "G91": False}.get(code, absolute)
            motion = code if code in TABLE_4[0] else motion
        if {"G18", "G19", "G93"} & set(codes):
            raise Refused("not for a flat drawing")
        if set("xyij") & set(seen):
            if motion in (None, "G80"):
                raise Refused("a place without a motion")
            base = 0j if absolute else here
            x = base.real + unit * seen["x"] if "x" in seen else here.real
            y = base.imag + unit * seen["y"] if "y" in seen else here.imag
            end = complex(x, y)
            if motion != "G0" and not feed:
                raise Refused("no feed")
            scaled = None if feed is None else feed * unit
            piece = Piece(motion, here, end, beam, power, scaled)
            if motion in ("G2", "G3"):
                _bend(piece, seen, unit)
            pieces.append(piece)
            here = end
        ended = bool({"M2", "M30"} & set(codes))
    if not ended:
        raise Refused("the program does not end")
    return pieces


def _bend(piece: Piece, seen: dict[str, float], unit: float) -> None:
    if not {"x", "y"} & set(seen) or not {"i", "j"} & set(seen):
        raise Refused("an arc needs its end and its centre")
    centre = piece.start + unit * complex(seen.get("i", 0.0), seen.get("j", 0.0))
    first, last = abs(piece.start - centre), abs(piece.end - centre)
    if abs(first - last) > (0.002 if unit == 1.0 else 0.0002 * 25.4):
        raise Refused("radii differ")
    ratio = (piece.end - centre) / (piece.start - centre)
    angle = math.atan2(ratio.imag, ratio.real) % math.tau
    if abs(piece.end - piece.start) < SAME:
        angle = 0.0
    piece.centre = centre
    piece.sweep = (angle or math.tau) if piece.code == "G3" else angle - math.tau


def _strip_comments(line: str) -> str:
    out, depth = "", 0
    for letter in line:
        depth += letter == "("
        if depth > 1:
            raise Refused("a comment within a comment")
        out += "" if depth else letter
        depth -= letter == ")"
        if depth < 0:
            raise Refused("a comment ends that did not begin")
    if depth:
        raise Refused("an open comment")
    return out
