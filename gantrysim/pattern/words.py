"""A ring test in words: one sentence, and a table for notebooks."""

from __future__ import annotations

import html
from typing import TYPE_CHECKING

from gantrysim.pattern.shapes import shape_of
from gantrysim.records.table import Table

if TYPE_CHECKING:
    from gantrysim.pattern.ringtest import Nest, RingTest


def sentence_of(test: RingTest) -> str:
    """The test in one plain sentence; lengths in mm, speed in mm/s."""
    nests = " and ".join(_nest(nest) for nest in test.nests)
    how = "" if len(test.nests) == 1 else f", {test.sequence_mode.replace('_', ' ')}"
    passes = "1 pass" if test.passes == 1 else f"{test.passes} passes"
    drawn = f"drawn {test.order.replace('_', ' ')}{how}, {passes} at {test.feed:g} mm/s"
    beside = _beside(test)
    return f"{nests}, {drawn}{f', then beside them {beside}' if beside else ''}."


def table_of(test: RingTest) -> str:
    """The test as HTML."""
    rows = [
        ("layout", f"{test.layout}, {test.order}, {test.sequence_mode}"),
        ("spacing", f"{test.spacing:g} mm"),
        ("passes", str(test.passes)),
        ("feed, travel", f"{test.feed:g}, {test.travel_speed:g} mm/s"),
        ("acceleration, centripetal", f"{test.acceleration:g}, {test.centripetal:g} mm/s²"),
        ("corner speed change", f"{test.corner_speed_change:g} mm/s"),
        ("starts from", f"({test.start_from[0]:g}, {test.start_from[1]:g}) mm"),
    ]
    if beside := _beside(test):
        rows.append(("beside the rings", beside))
    return f"<p><b>Ring test</b>: {html.escape(sentence_of(test))}</p>{Table((), rows).html()}"


def _nest(nest: Nest) -> str:
    what = shape_of(nest.shape).size_name
    span = f"{nest.sizes[0]:g}" + (f" to {nest.sizes[-1]:g}" if len(nest.sizes) > 1 else "")
    turn = "counter-clockwise" if nest.direction == "ccw" else "clockwise"
    return (
        f"{len(nest.sizes)} {nest.shape}{'s' * (len(nest.sizes) > 1)} ({span} mm {what}) "
        f"about ({nest.centre[0]:g}, {nest.centre[1]:g}) mm {turn} from {nest.start_deg:g} degrees"
    )


def _beside(test: RingTest) -> str:
    """What is burned beside the rings, listed; empty for a plain test."""
    found = ["an orientation mark"] if test.orientation_mark else []
    if test.scale_reference:
        found.append(f"crosses {test.scale_reference:g} mm apart")
    if test.caption:
        found.append("the caption " + repr(test.caption.replace("\n", " / ")))
    return ", ".join(found)
