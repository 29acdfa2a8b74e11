"""The pictures of a report, each with its words for whoever does not see it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import PurePath
from typing import TYPE_CHECKING, Any

import numpy as np

from gantrysim.decisions import words as words_of
from gantrysim.decisions.advice import Advice
from gantrysim.decisions.diagnosis import Finding
from gantrysim.log.machinelog import MachineLog
from gantrysim.part import PartJudgement
from gantrysim.records.amounts import probability
from gantrysim.report import page

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_TALL, _FLAT = 6.4, 3.6  # inches: patterns and charts


def _picture(
    draw: Callable[[Axes], Any], mark: str, title: str, words: str, height: float = _TALL
) -> str:
    from gantrysim.plotting.inline import inline_svg  # matplotlib loads with the first picture

    return page.picture(inline_svg(draw, mark, title, words, height), title)


def style() -> str:
    """What the page says for all its pictures."""
    from gantrysim.plotting.inline import SHARED_STYLE

    return SHARED_STYLE


def measured(finding: Finding) -> str:
    """Measured points over the lines of the best explanation."""
    from gantrysim.plotting.findings import draw_overlay

    if not finding.pieces:
        return ""
    rms = 1e3 * finding.best.fit.rms
    return _picture(
        lambda ax: draw_overlay(finding, ax),
        "measured",
        f"Measured points over predicted lines, errors magnified{_spot(finding)}",
        f"Nested rings. The predicted lines are those of: {finding.best.words}. Measured points "
        f"lie {rms:.0f} µm rms beside them, averaged over "
        f"{finding.assumptions.bin_length:g} mm of line.",
    )


def at_fault(finding: Finding) -> str:
    """How probably each adjusting point is at fault."""
    from gantrysim.plotting.findings import draw_at_fault

    shown = [(point.words, point.probability) for point in finding.points[:5]]
    shown.append((words_of.SOUND, finding.standing.sound))
    said = "; ".join(f"{what}: {probability(chance)}" for what, chance in shown)
    title = "How probably each adjusting point is at fault, and nothing is wrong"
    words = f"Bars. {said}."
    return _picture(lambda ax: draw_at_fault(finding, ax), "at-fault", title, words, _FLAT)


def _spot(finding: Finding) -> str:
    """How far the places in a picture are from those of the carriage, which a test states."""
    head = finding.machine.head
    ways = ((head.beyond, "ahead of", "behind"), (head.along, "right of", "left of"))
    off = [f"{abs(v):g} mm {more if v > 0.0 else less}" for v, more, less in ways if v]
    return f"; the spot burns {' and '.join(off)} the carriage's place" if off else ""


def expected(advice: Advice, finding: Finding) -> str:
    """The burned test before and after the advised steps; some rings in mid bed if none was."""
    if not advice.advised or any(a.point.result[0] and not a.sized for a in advice.advised):
        return ""  # nothing is expected of a turn of which nobody knows how far
    turned = "; ".join(a.way for a in advice.advised)
    test = finding.pieces[-1].test if finding.pieces else None
    what = "The burned test" if test is not None else "Rings of 10 to 40 mm in mid bed"
    return _picture(
        lambda ax: advice.plot(test, ax=ax),
        "expected",
        f"{what} as predicted before and after the advised steps, errors magnified",
        f"Rings as the machine draws them now, and as it is expected to after: {turned}.",
    )


def part(judged: PartJudgement, number: int = 0) -> str:
    """A part with the names by which its features are judged; ``number`` tells several apart."""
    drawing = judged.drawing
    named = ", ".join(f"{f.name} {f.drawn:.2f} {f.unit}" for f in drawing.features[:40])
    title = f"{PurePath(drawing.source).name} as drawn, with the names of its features"
    words = f"Outlines with dimension lines. {named}."
    return _picture(lambda ax: drawing.plot(ax), f"part-{number}", title, words)


def history(log: MachineLog) -> str:
    """The error of every burn, with the turns between."""
    from gantrysim.plotting.logs import plot_log

    if not log.burns:
        return ""
    said = ", ".join(f"{1e3 * burn.error:.0f}" for burn in log.burns)
    title = "Error of each burn, and what was turned between"
    words = f"Error of the burns in their order, µm rms: {said}."
    return _picture(lambda ax: plot_log(log, ax), "history", title, words, _FLAT)


def before_after(log: MachineLog) -> str:
    """The first and the last burn, side by side where there is room."""
    from matplotlib.figure import Figure

    from gantrysim.plotting.logs import before_after as draw_both

    if len(log.burns) < 2:
        return ""
    shown = []
    for k, when in enumerate(("first", "last")):

        def draw(ax: Axes, own: int = k) -> None:
            axes: list[Any] = [Figure().add_subplot(), Figure().add_subplot()]
            axes[own] = ax
            draw_both(log, axes=np.array(axes))

        error = 1e3 * log.burns[-k].error
        words = f"Measured points over the commanded rings; error {error:.0f} µm rms."
        title = f"The {when} burn, errors magnified as in the other"
        shown.append(_picture(draw, f"burn-{when}", title, words))
    return page.pair(*shown)
