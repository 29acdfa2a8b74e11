"""Letters of single strokes, for captions burned beside a test.

Each letter is drawn on a grid four squares wide and six high, from straight strokes: the table
below gives their grid points as two digits, across and up.  Round letters have cut corners, so that
a machine with play still draws them legibly; the nought has a bar through it, the O has none.
"""

from __future__ import annotations

import numpy as np

from gantrysim.records.arrays import Array
from gantrysim.records.checks import shortened

LETTERS = {
    "A": "00 04 26 44 40 | 02 42",
    "B": "00 06 36 45 44 33 03 | 33 42 41 30 00",
    "C": "45 36 16 05 01 10 30 41",
    "D": "00 06 26 44 42 20 00",
    "E": "40 00 06 46 | 03 33",
    "F": "00 06 46 | 03 33",
    "G": "45 36 16 05 01 10 30 41 43 23",
    "H": "00 06 | 03 43 | 46 40",
    "I": "10 30 | 20 26 | 16 36",
    "J": "01 10 30 41 46",
    "K": "00 06 | 46 03 40",
    "L": "06 00 40",
    "M": "00 06 23 46 40",
    "N": "00 06 40 46",
    "O": "10 30 41 45 36 16 05 01 10",
    "P": "00 06 36 45 44 33 03",
    "Q": "10 30 41 45 36 16 05 01 10 | 22 40",
    "R": "00 06 36 45 44 33 03 | 23 40",
    "S": "45 36 16 05 04 13 33 42 41 30 10 01",
    "T": "06 46 | 26 20",
    "U": "06 01 10 30 41 46",
    "V": "06 20 46",
    "W": "06 10 23 30 46",
    "X": "00 46 | 06 40",
    "Y": "06 23 46 | 23 20",
    "Z": "06 46 00 40",
    "0": "10 30 41 45 36 16 05 01 10 | 01 45",
    "1": "15 26 20 | 10 30",
    "2": "05 16 36 45 44 00 40",
    "3": "05 16 36 45 44 33 13 | 33 42 41 30 10 01",
    "4": "30 36 02 42",
    "5": "46 06 04 34 43 41 30 10 01",
    "6": "45 36 16 05 01 10 30 41 42 33 13 02",
    "7": "06 46 10",
    "8": "13 04 05 16 36 45 44 33 13 02 01 10 30 41 42 33",
    "9": "01 10 30 41 45 36 16 05 04 13 33 44",
    "-": "13 33",
    ".": "10 11 21 20 10",
    "/": "00 46",
    "=": "02 42 | 04 44",
    " ": "",
}
HIGH = 6  # squares of the grid from foot to top
WIDE = 4  # squares of the widest letters
ADVANCE = 6  # squares from letter to letter


def checked_text(text: object, name: str) -> str:
    """`text` in capitals; ValueError if it has a character that is not in the table."""
    if not isinstance(text, str):
        raise ValueError(f"{name} must be text, found {shortened(text)}.")
    capitals = "".join(c.upper() if "a" <= c <= "z" else c for c in text)
    for letter in capitals:
        if letter not in LETTERS and letter != "\n":
            raise ValueError(
                f"{name} may hold A to Z, 0 to 9, - . / = and spaces, "
                f"found {letter!r} in {shortened(text)}."
            )
    return capitals


def text_width(text: str, height: float) -> float:
    """Width of one line of text in letters `height` mm high, mm."""
    return max(len(text) * ADVANCE - (ADVANCE - WIDE), 0) * height / HIGH


def letter_strokes(text: str, at: tuple[float, float], height: float) -> list[Array]:
    """Strokes that write one line of text.

    ``text``: letters of the table.  ``at``: left end of the foot line, mm.  ``height``: height of
    the letters, mm.  Returns: corners of each stroke, in writing order, mm; shape (n, 2).
    """
    square = height / HIGH
    strokes = []
    for place, letter in enumerate(text):
        for drawn in filter(None, LETTERS[letter].split("|")):
            grid = np.array([(int(p[0]) + ADVANCE * place, int(p[1])) for p in drawn.split()])
            strokes.append(np.asarray(at) + square * grid)
    return strokes
