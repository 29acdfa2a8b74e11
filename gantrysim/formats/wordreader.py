"""The words of one line of RS-274 motion code.

Rules of NISTIR 6556 (clauses from memory): a line has at most 256 characters, an optional block
delete "/" first, an optional line number N, then words of one letter and a number (3.3); blanks
outside comments and the case of letters mean nothing; numbers have a sign, digits and a point, but
no exponent (3.3.2.1); comments stand in parentheses, none inside another (3.3.4).  Parameters and
expressions are not read here, and say so.
"""

from __future__ import annotations

import re

MAX_LINE = 256
NAMES = "ABCDFGHIJKLMNPQRSTXYZ"
_WORD = re.compile(r"([A-Z])([+-]?+(?:\d++\.?+\d*+|\.\d++))")


def words_of(line: str) -> list[tuple[str, float]]:
    """Letter and number of each word of a line, in order.

    ValueError with what is wrong with the line; the caller adds which line it is.
    """
    if len(line) > MAX_LINE:
        raise ValueError(f"has {len(line)} characters, {MAX_LINE} are accepted")
    text = "".join(_without_comments(line).split()).upper()
    words = []
    place = 0
    while place < len(text):
        found = _WORD.match(text, place)
        if found is None or found[1] not in NAMES:
            raise ValueError(
                f"a word of one letter and a number is expected, found {_cut(text[place:])!r}"
            )
        words.append((found[1], float(found[2])))
        place = found.end()
    return words


def _without_comments(line: str) -> str:
    """A line less its comments."""
    if "(" not in line and ")" not in line:
        return line
    kept, inside = [], False
    for letter in line:
        if letter == "(":
            if inside:
                raise ValueError("a comment must not hold another comment")
            inside = True
        elif letter == ")":
            if not inside:
                raise ValueError("a comment ends that did not begin")
            inside = False
        elif not inside:
            kept.append(letter)
    if inside:
        raise ValueError("a comment does not end on its line")
    return "".join(kept)


def _cut(text: str) -> str:
    return text if len(text) <= 20 else text[:17] + "..."
