"""The pictures of a report, each with its words for whoever does not see it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import PurePath
from typing import TYPE_CHECKING, Any

import numpy as np

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
        "Measured points over predicted lines, errors magnified",
        f"Nested rings. The predicted lines are those of: {finding.best.words}. Measured points "
        f"lie {rms:.0f} µm rms beside them.",
    )


def at_fault(finding: Finding) -> str:
    """How probably each adjusting point is at fault."""
    from gantrysim.plotting.findings import draw_at_fault

    said = "; ".join(f"{p.words}: {probability(p.probability)}" for p in finding.points[:5])
    title = "How probably each adjusting point is at fault"
    words = f"Bars. {said}."
    return _picture(lambda ax: draw_at_fault(finding, ax), "at-fault", title, words, _FLAT)


def expected(advice: Advice) -> str:
    """A test before and after the advised steps."""
    if not advice.advised:
        return ""
    turned = "; ".join(a.way for a in advice.advised)
    return _picture(
        lambda ax: advice.plot(ax=ax),
        "expected",
        "Predicted rings before and after the advised steps, errors magnified",
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
