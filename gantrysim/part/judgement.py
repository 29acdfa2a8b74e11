"""Machine or drawing: whose is the error of each feature of a part.

What a size is off what was intended is the sum of four shares: the drawing's (drawn less intended),
the machine's (what it makes of what is drawn), the cut's (its width, outward in holes and inward
on outsides), and what is left; what was measured holds the instrument's besides.  The drawing's is
known.  The others are told by all sizes at once (`gantrysim.part.shares`), so that holes and
outsides tell the width of the cut, and what the machine does to one slot says something of the
next.  A reading that the others speak against is to be measured again, and a width of the cut that
they speak against is asked about first.
"""

from __future__ import annotations

import math
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import numpy as np
from scipy.special import ndtri

from gantrysim.decisions.adjustment import CHECK
from gantrysim.decisions.advice import Advice
from gantrysim.decisions.diagnosis import Finding
from gantrysim.inference.fitting import Fit
from gantrysim.instruments.points import Piece
from gantrysim.machine import Machine
from gantrysim.part.believed import SEED
from gantrysim.part.drawing import Drawing, drawing_of
from gantrysim.part.feature import Feature
from gantrysim.part.gauges import Corner
from gantrysim.part.kerf import Kerf, kerf_of
from gantrysim.part.prediction import (
    LEAST,
    MOTIONS,
    Prediction,
    healthy_errors,
    least_of,
    predict_part,
    reach_of,
)
from gantrysim.part.shares import NONE, PROVEN, STRAY, Share, Shares
from gantrysim.part.sheet import PartSizes
from gantrysim.pattern.toolpath import Toolpath
from gantrysim.records.checks import finite_number, positive
from gantrysim.records.doors import checked
from gantrysim.records.files import write_new_text
from gantrysim.records.table import Table

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from gantrysim.log import MachineLog

FITS, MACHINE, DRAWING, BOTH = "fits", "machine", "drawing", "both"
KERF, AGAIN, CANNOT_TELL = "kerf or material", "neither", "cannot tell"
#: How many standard uncertainties beyond its limit a share is proven.
SURE = float(ndtri(PROVEN))

#: Where limits come from, as sentences say it.
STATED, REACHED, TOLD = "as stated", "which healthy machines keep to", "the least calipers tell"
#: Names in the headline; of more the first are named.
NAMED = 12

#: Of an angle, what a fitter sees, degrees: 3 mm in a metre (judgement).
ANGLE = 0.17

#: What no words are lost on, for it is rounded to nothing, mm or degrees.
UNSAID = 0.005


@checked
@dataclass(frozen=True, eq=False)
class JudgedFeature:
    """One feature and whose its error is.

    Parameters
    ----------
    feature : Feature
        The feature.
    intended : float or None
        What it was to be, where somebody said, mm or degrees.
    predicted : Share
        Size to expect, before the part was measured, and its standard uncertainty.
    measured : Share or None
        As measured.
    machine, kerf, left : Share
        Shares of the machine, of the cut beyond what the drawing allows for, and what is left.
        With those of drawing and instrument they add up to what was measured less what is meant.
    drawing : float or None
        Share of the drawing; None where nobody said what was intended.
    limit : float
        How far a share may be off before it is somebody's fault.
    limit_from : str
        Where that comes from: it was stated, healthy machines keep to it, or calipers tell no less.
    allowed : float
        How much the drawing allows for the cut: the finished size less the drawn one.
    healthy : float
        What a healthy machine makes of the feature, less what is drawn.
    verdict : str
        "fits", "machine", "drawing", "both", "kerf or material", "neither" or "cannot tell".  What
        is drawn right and comes out within its limit fits, whatever its shares.
    usual : float or None
        What features like it are drawn, where it is the odd one.
    instrument : Share
        What the instrument adds to it as to all that it read: zero and scale of calipers.
    tool : str
        What it was measured with.
    """

    feature: Feature
    intended: float | None
    predicted: Share
    measured: Share | None
    machine: Share
    kerf: Share
    left: Share
    drawing: float | None
    limit: float
    limit_from: str
    allowed: float
    healthy: float
    verdict: str
    usual: float | None = None
    instrument: Share = NONE
    tool: str = ""

    @property
    def meant(self) -> float:
        """Size that the finished part is to have, mm or degrees: as stated, else as drawn.

        Where the drawing allows for a cut that is what it leaves of the drawn size.
        """
        return self.feature.drawn + self.allowed if self.intended is None else self.intended

    @property
    def made(self) -> float:
        """By how much drawing, machine and cut together miss what is meant, mm or degrees."""
        return (self.drawing or 0.0) + self.machine.value + self.kerf.value

    @property
    def expected(self) -> float:
        """Size to expect of machine and cut as the part tells them, mm or degrees."""
        return self.meant + self.made

    @property
    def off(self) -> float:
        """By how much it misses what is meant, as measured, else as expected, mm or degrees."""
        return self.made if self.measured is None else self.measured.value - self.meant

    @property
    def good(self) -> bool:
        """Whether it is within its limit as it was measured, else surely so as expected."""
        if self.measured is not None:
            return abs(self.off) <= self.limit
        doubt = math.hypot(self.machine.uncertainty, self.kerf.uncertainty)
        return Share(self.off, doubt).beyond(self.limit) <= 1.0 - PROVEN

    @property
    def asked(self) -> bool:
        """Whether anybody asks for it: all lengths, and angles that were measured or intended."""
        told = self.intended is not None or self.measured is not None
        return self.feature.unit == "mm" or told

    @property
    def to_draw(self) -> float:
        """What is to be drawn for the size that is meant, mm or degrees."""
        return self.meant - self.allowed

    @property
    def to_draw_words(self) -> str:
        """That in words, with what it becomes."""
        said = f"{self.to_draw:.2f} {self.feature.unit}"
        if abs(self.allowed) <= UNSAID:
            return said
        cut = self.allowed / self.feature.kerf
        what = self.feature.kind.partition(",")[0]
        one = "an" if what[0] in "aeiou" else "a"
        return f"{said} (for {one} {what} of {self.meant:.2f} with a cut of {cut:.2f})"

    @property
    def words(self) -> str:
        """One sentence."""
        f, unit = self.feature, self.feature.unit
        said = f"{f.name} ({f.words}), drawn {f.drawn:.2f} {unit}"
        if abs(self.meant - f.drawn) > UNSAID:
            said += f" for {self.meant:.2f}"
        said += f", to be expected {self.expected:.2f}"
        if self.measured is not None:
            said += f", measured {self.measured.value:.2f}"
        drawn = f"it is drawn {self.drawing or 0.0:+.2f} off {self.to_draw_words}"
        machine, cut = self._also("machine"), self._also("cut")
        usual, common = f"a healthy one {self.healthy:+.2f}", self.common and f"{self.common}, "
        why = {
            FITS: self._good(),
            MACHINE: f"the machine makes it {self.machine} ({usual}){cut}",
            DRAWING: f"{drawn}{machine}{cut}",
            BOTH: f"{drawn}, the machine adds {self.machine}{cut}",
            KERF: f"the cut makes it {self.kerf}{machine}",
            AGAIN: f"{common}{self.left} is left that neither explains: measure it again",
            CANNOT_TELL: self._open(),
        }[self.verdict]
        hint = ""
        if self.usual is not None and self.drawing is None:
            hint = f"; it is the odd one, features like it are drawn {self.usual:.2f}: ask whether "
            hint += "that is meant"
        return f"{said}: {self.verdict}; {why}{hint}."

    @property
    def _limit(self) -> str:
        return f"{self.limit:.2f}, {self.limit_from}"

    @property
    def _told(self) -> dict[str, Share]:
        """Shares of machine and cut that calipers tell, or that may miss the limit."""
        shares, least = {"machine": self.machine, "cut": self.kerf}, self.feature.in_unit(LEAST)
        return {k: s for k, s in shares.items() if abs(s.value) >= least or self._may_miss(s)}

    def _may_miss(self, share: Share) -> bool:
        """Whether a share is not proven to be within the limit."""
        return share.beyond(self.limit) > 1.0 - PROVEN

    def _also(self, who: str) -> str:
        """What another share adds, without which the numbers of a sentence would not add up."""
        return f", the {who} adds {self._told[who]}" if who in self._told else ""

    @property
    def common(self) -> str:
        """What the instrument is taken to add, to this as to other sizes; empty if it is little."""
        off, unit = self.instrument.value, self.feature.unit
        much = "much" if off > 0.0 else "little"
        return (
            f"the {self.tool} read {abs(off):.2f} {unit} too {much}" if abs(off) >= UNSAID else ""
        )

    def _good(self) -> str:
        """Why it fits, although its shares may be off, or miss what is meant together."""
        if self.good and any(map(self._may_miss, self._told.values())):
            off = " and ".join(f"the {who} makes it {share}" for who, share in self._told.items())
            return f"it is within {self._limit}, though {off}"
        all_ = "" if abs(self.off) <= self.limit else f"; together they make {self.off:+.2f}"
        return f"no share of it is more than {self._limit}{all_}"

    def _open(self) -> str:
        shares = {"the share of the machine": self.machine, "the share of the cut": self.kerf}
        open_ = [k for k, s in shares.items() if 1.0 - PROVEN < s.beyond(self.limit) < PROVEN]
        told = " and ".join(f"{k} is {shares[k]}" for k in open_)
        said = f"{told or 'nothing predicts this machine'}, the limit {self._limit}"
        if isinstance(self.feature.gauge, Corner) and open_:
            least = self.limit + SURE * max(shares[k].uncertainty for k in open_)
            arm = min(side.length for side in (self.feature.gauge.one, self.feature.gauge.other))
            said += (
                f"; arms of {arm:.0f} mm tell {least:.2f} deg or more, for {ANGLE:.2f} deg they "
                f"must have about {arm * least / ANGLE:.0f} mm"
            )
        return said

    def to_dict(self) -> dict[str, Any]:
        """Plain Python types, in the unit of the feature."""
        f = self.feature
        found: dict[str, Any] = {
            "name": f.name, "what": f.kind, "outline": f.outline, "unit": f.unit, "drawn": f.drawn,
            "intended": self.intended, "meant": self.meant, "to_draw": self.to_draw,
            "expected": self.expected, "drawing": self.drawing, "healthy": self.healthy,
            "limit": self.limit, "limit_from": self.limit_from, "verdict": self.verdict,
            "usual": self.usual,
        }  # fmt: skip
        for name in ("predicted", "measured", "machine", "kerf", "instrument", "left"):
            share: Share | None = getattr(self, name)
            found[name] = None if share is None else share.value
            found[f"{name}_uncertainty"] = None if share is None else share.uncertainty
        return found

    def __repr__(self) -> str:
        return f"JudgedFeature({self.feature.name}: {self.verdict})"


@checked
@dataclass(frozen=True, eq=False)
class PartJudgement:
    """Whose the errors of a part are.

    Parameters
    ----------
    features : tuple of JudgedFeature
        Feature by feature, mm and degrees.
    prediction : Prediction
        What the machine was expected to make of the drawing.
    kerf : Kerf
        Width of the cut, as the part says if it was measured.
    cut : Share
        The same as a share of sizes, mm; below zero where the control shifted the path too far.
    misstated : bool
        Whether the part contradicts the width that was stated.
    advice : Advice or None
        What to turn, where a finding says.

    Examples
    --------
    >>> import gantrysim as gs
    >>> from gantrysim.part import judge_part, read_drawing
    >>> path = gs.ring_test(("square",), spacing=20.0, largest=20.0).to_svg("p3.svg")
    >>> drawing = read_drawing("p3.svg", corner=(100.0, 100.0))
    >>> tight = gs.Machine().with_faults(gs.faults.TightCarriage(8.0))
    >>> judged = judge_part(tight, drawing, kerf=0.0, healthy=gs.Machine())
    >>> judged["W1"].verdict, judged["L1"].verdict
    ('machine', 'fits')
    """

    features: tuple[JudgedFeature, ...]
    prediction: Prediction
    kerf: Kerf
    cut: Share
    misstated: bool = False
    advice: Advice | None = None

    def __getitem__(self, name: str) -> JudgedFeature:
        """The judgement of a feature."""
        return self.features[self.prediction.column(name)]

    @property
    def drawing(self) -> Drawing:
        """What was commanded."""
        return self.prediction.drawing

    @cached_property
    def _by_verdict(self) -> dict[str, list[JudgedFeature]]:
        found: dict[str, list[JudgedFeature]] = {}
        for judged in self.features:
            if judged.asked or judged.verdict != CANNOT_TELL:
                found.setdefault(judged.verdict, []).append(judged)
        return found

    @property
    def doubt(self) -> str:
        """A sentence about a width of the cut that the part contradicts; empty if it does not."""
        stated, told = self.prediction.kerf.width, round(self.cut.value, 2) + 0.0
        if not self.misstated or abs(told - stated) < LEAST:
            return ""
        said = f"the sizes look as if cut with {told:.2f} mm, {stated:.2f} was stated"
        sides = {j.feature.side for j in self.features if j.measured is not None} - {0}
        if len(sides) < 2:
            kind, other = ("holes", "outsides") if 1 in sides else ("outsides", "holes")
            return (
                f"{said}: measure {other} too, for {kind} alone look so with a caliper that is off"
            )
        near = max(LEAST, 2.0 * self.cut.uncertainty)
        if told < near:
            allowed = any(abs(j.allowed) > UNSAID for j in self.features)
            both = "twice, in the drawing and by the control" if allowed else "by the control"
            return f"{said}: was it compensated {both}?"
        if abs(told - 2.0 * stated) < near:
            return f"{said}: was it compensated to the wrong side?"
        return f"{said}: measure a cut made in this sheet, with its focus, power and feed"

    @property
    def summary(self) -> str:
        """One sentence for the part: whose it is, and what to do first."""
        by = self._by_verdict
        counted = {kind: _named(by[kind]) for kind in by if kind not in (FITS, CANNOT_TELL)}
        if counted:
            said = "; ".join(f"{kind}: {names}" for kind, names in counted.items())
        elif CANNOT_TELL in by:
            said = f"cannot tell of {_named(by[CANNOT_TELL])}; nothing else is off"
        else:
            said = "nothing is off by more than its limit"
        if self.doubt:
            end = "" if self.doubt.endswith("?") else "."
            said = f"{self.doubt}{end} That comes first. Feature by feature, {said}"
        return f"{self.drawing.source}: {said}. {self._to_do()}".rstrip()

    def _to_do(self) -> str:
        """What to do first, or after a doubt about the cut was settled."""
        by, first = self._by_verdict, "Then" if self.doubt else "First"
        if AGAIN in by:
            return f"{first} measure {_named(by[AGAIN])} again."
        drawn = [*by.get(DRAWING, ()), *by.get(BOTH, ())]
        made = [*by.get(MACHINE, ()), *by.get(BOTH, ())]
        if drawn:
            wanted = " and ".join(f"{j.feature.name} at {j.to_draw_words}" for j in drawn[:3])
            more = f" and {len(drawn) - 3} more" if len(drawn) > 3 else ""
            draw = f"{first} draw {wanted}{more}."
            return f"{draw} For {_named(made)} then {self._at_the_machine()}." if made else draw
        if made:
            return f"{first} {self._at_the_machine()}."
        if self.doubt:
            return ""
        if KERF in by:
            off = by[KERF][0].kerf.value / by[KERF][0].feature.kerf
            ways = ("smaller", "larger") if off > 0.0 else ("larger", "smaller")
            return f"First draw holes {abs(off):.2f} mm {ways[0]} and outsides as much {ways[1]}."
        if CANNOT_TELL in by:
            measured = any(j.measured is not None for j in self.features)
            what = "a better test burn" if measured else "the part, holes and outsides"
            return f"First measure {what}."
        return "Nothing needs doing."

    def _at_the_machine(self) -> str:
        """What to do about the machine: the words of its advice."""
        turn = next(iter(self.advice.advised), None) if self.advice is not None else None
        if turn is None:
            return "burn a test and diagnose the machine"
        check = ", once its check agrees" if turn.action == CHECK else ""
        return f"at the {turn.place}{check}: {turn.words}"

    def report(self) -> str:
        """All of it in plain words: the part first, then feature by feature."""
        rests = f"It rests on {self.prediction.words}; {self._kerf_words}{self._tool_words}."
        rows = [self.summary, rests]
        rows[-1] += " Behind ± stands what holds 95 %."
        order = [AGAIN, BOTH, DRAWING, MACHINE, KERF, CANNOT_TELL, FITS]
        rows += [f"  {j.words}" for kind in order for j in self._by_verdict.get(kind, [])]
        quiet = [j for j in self.features if j.verdict == CANNOT_TELL and not j.asked]
        if quiet:
            rows.append(f"  Not asked for, not measured and not told: {_named(quiet)}.")
        rows += replace(self.prediction, kerf=self.kerf).means
        if self.prediction.unknown > 0.005:
            rows.append(
                f"With probability {self.prediction.unknown:.2f} something is the matter of which "
                "nothing can be predicted."
            )
        if self.advice is not None and (MACHINE in self._by_verdict or BOTH in self._by_verdict):
            rows += list(dict.fromkeys(a.safety for a in self.advice.advised))
        return "\n".join(rows)

    @property
    def _kerf_words(self) -> str:
        """Width of the cut, and what was believed of it before the part told it."""
        before = self.prediction.kerf
        said = f"; {before.width:.2f} mm {before.origin}"
        return self.kerf.words + said * (self.kerf.origin != before.origin)

    @property
    def _tool_words(self) -> str:
        """What the instrument is taken to add to sizes, of which one in two is read so far off."""
        read = [j for j in self.features if j.measured is not None and j.feature.unit == "mm"]
        read.sort(key=lambda judged: judged.instrument.value)
        said = read[len(read) // 2].common if read else ""
        return f"; {said}" if said else ""

    def to_dict(self) -> dict[str, Any]:
        """Plain Python types, mm and degrees."""
        return {
            "source": self.drawing.source, "summary": self.summary, "kerf": self.kerf.to_dict(),
            "kerf_before": self.prediction.kerf.to_dict(), "kerf_doubt": self.doubt or None,
            "unknown": self.prediction.unknown, "features": [j.to_dict() for j in self.features],
        }  # fmt: skip

    def to_csv(self, path: str | os.PathLike[str], *, overwrite: bool = False) -> Path:
        """Write one line a feature.

        Raises
        ------
        FileExistsError
            If the file exists and ``overwrite`` is false.
        """
        rows = [judged.to_dict() for judged in self.features]
        table = Table(tuple(rows[0]), (tuple(row.values()) for row in rows))
        remark = "shares of the error of each feature, with standard uncertainties"
        return write_new_text(path, table.csv(remark), overwrite=overwrite)

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw the shares of each feature beside each other, mm."""
        from gantrysim.plotting.parts import plot_judgement

        return plot_judgement(self, ax)

    def __repr__(self) -> str:
        said = ", ".join(f"{len(found)} {kind}" for kind, found in self._by_verdict.items())
        return f"PartJudgement({self.drawing.source!r}, {said})"

    def _repr_html_(self) -> str:
        heads = (
            "feature", "drawn", "intended", "expected", "measured", "machine", "drawing", "cut",
            "instrument", "left", "verdict",
        )  # fmt: skip
        return Table(heads, map(_cells, self.features), self.summary).html(most=100)


def _named(judged: list[JudgedFeature]) -> str:
    names = [j.feature.name for j in judged]
    more = len(names) - NAMED
    return ", ".join(names[:NAMED]) + (f" and {more} more" if more > 0 else "")


def _cells(j: JudgedFeature) -> list[str]:
    return [
        f"{j.feature.name}, {j.feature.words}", f"{j.feature.drawn:.2f}",
        "" if j.intended is None else f"{j.intended:.2f}", f"{j.expected:.2f}",
        "" if j.measured is None else f"{j.measured.value:.2f}", str(j.machine),
        "" if j.drawing is None else f"{j.drawing:+.2f}", str(j.kerf),
        "" if j.measured is None else str(j.instrument),
        "" if j.measured is None else str(j.left), j.verdict,
    ]  # fmt: skip


@checked
def judge_part(
    known: Machine | Fit | Finding | MachineLog,
    drawing: Drawing | Toolpath,
    sheet: PartSizes | None = None,
    *,
    intended: Mapping[str, float] | None = None,
    limit: float | None = None,
    kerf: Kerf | Piece | float | Sequence[float] | None = None,
    kerf_allowed: float = 0.0,
    healthy: Machine | None = None,
    motion: Annotated[str, MOTIONS] = "dynamics",
    draws: int = 200,
    seed: int = SEED,
) -> PartJudgement:
    """Say for each feature of a part whether machine or drawing is off.

    Parameters
    ----------
    known : Machine, Fit, Finding or MachineLog
        What is known of the machine, best from a test burn.
    drawing : Drawing or Toolpath
        What was commanded.
    sheet : PartSizes, optional
        What was measured, by hand (`PartSheet`) or on a scan (`ScannedPart`); without a part the
        prediction alone speaks.
    intended : mapping, optional
        What features of the finished part were to be, mm or degrees, by name or by the id of a
        shape that has no other size; without it nothing is blamed on the drawing.
    limit : float, optional
        How far a size may be off, mm, and an angle over its arms; what healthy machines reach at
        each feature if absent, at least `gantrysim.part.prediction.LEAST`.
    kerf : float, (float, float), Kerf or Piece, optional
        Width of the cut and its standard uncertainty, mm; if absent that of the lines of a scanned
        plate, else 0.15 with 0.1, of which the part tells more.  It counts from the drawn path: of
        a control that shifts the path by the cut, state 0.  A part that contradicts it is asked
        about first, and judged by the width that it tells.
    kerf_allowed : float
        Width of the cut for which the drawing allows, mm: holes are drawn smaller by so much, and
        outsides larger, than the finished part is to have them.
    healthy : Machine, optional
        The machine without its faults, for ``limit``; as it was described if absent, needed where
        ``known`` is a machine.
    motion, draws, seed
        As for `predict_part`.

    Returns
    -------
    PartJudgement
        For each feature what is drawn, intended, to be expected and measured, the shares of
        machine, drawing, cut and instrument, what is left, each with its uncertainty, and a
        verdict.

    Raises
    ------
    ValueError
        If a feature does not exist, the sheet is of another drawing, nobody said how a machine is
        when healthy, or as `predict_part` says.

    Notes
    -----
    On parts of 32 machines of the dynamic model (tests/studies/parts.py, their fault told) verdicts
    were right for 192 of 195 features whose error was beyond the limit by twice the uncertainty and
    that were not within it all the same; of 704 none was blamed wrongly on drawing or machine, and
    57 could not be told.  Where the fault was searched (21 machines) 127 of 137 were right, none of
    462 was blamed wrongly and 56 could not be told.  A width of the cut that was stated to 0.02 mm
    was never asked about (53 parts), one stated 0.12 mm too wide on 52 of them.

    An angle is told by its arms.  Its limit is that of a size over the distance of their middles,
    and it is proven from `SURE` standard uncertainties beyond that; both shrink as arms grow.
    Where it cannot be told, the sentence says how long arms must be for `ANGLE` degrees; with
    the least limit alone, 0.05 mm, two equal arms at a right angle must have 24 mm.
    """
    found = drawing_of(drawing) if isinstance(drawing, Toolpath) else drawing
    wanted = found.sizes_of(intended or {})
    if not 0.0 <= finite_number(kerf_allowed, "kerf_allowed") <= 2.0:
        raise ValueError(f"kerf_allowed must be 0 to 2 mm, found {kerf_allowed:g}.")
    if sheet is not None and sheet.drawing is not found:
        for name in dict.fromkeys(reading.name for reading in sheet.readings):
            if abs(found[name].drawn - sheet.drawing[name].drawn) > 1e-6:
                raise ValueError(
                    f"{sheet.source}: the sheet must be of {found.source}, found one of "
                    f"{sheet.drawing.source}, where {name} is drawn otherwise."
                )
    told = sheet.cut if sheet is not None and kerf is None else None
    width = told or kerf_of(kerf)
    predicted = predict_part(known, found, kerf=width, motion=motion, draws=draws, seed=seed)
    usual = healthy_errors(predicted, healthy)
    limits, least = reach_of(found, usual), least_of(found)
    sources = [TOLD if most <= low else REACHED for most, low in zip(limits, least, strict=True)]
    if limit is not None:
        stated = positive(limit, "limit")
        limits = np.array([feature.in_unit(stated) for feature in found.features])
        sources = [STATED] * len(limits)
    shares = Shares.of(predicted, sheet)
    tool = "" if sheet is None else sheet.tool
    judged = tuple(
        _judged(
            feature, shares, k, wanted.get(feature.name), (float(limits[k]), sources[k]),
            float(np.median(usual[:, k])), kerf_allowed, found.odd.get(feature.name), tool,
        )
        for k, feature in enumerate(found.features)
    )  # fmt: skip
    advice = known.adjustments() if isinstance(known, Finding) else None
    return PartJudgement(
        judged, predicted, shares.width, shares.cut, misstated=shares.misstated, advice=advice
    )


def _judged(
    feature: Feature,
    shares: Shares,
    k: int,
    intended: float | None,
    limit: tuple[float, str],
    healthy: float,
    allowed: float,
    usual: float | None,
    tool: str,
) -> JudgedFeature:
    """Shares and verdict of one feature."""
    prediction = shares.prediction
    added, before = float(prediction.added[k]), prediction.kerf
    machine = Share(float(shares.machine[k]), float(shares.deviation[k]))
    cut = Share(added * (shares.cut.value - allowed), abs(added) * shares.cut.uncertainty)
    drawing = None if intended is None else feature.drawn + added * allowed - intended
    spread = float(np.sqrt(prediction.errors[:, k].var() + prediction.model[k] ** 2))
    expected = Share(
        feature.drawn + float(prediction.errors[:, k].mean()) + added * before.width,
        float(np.hypot(spread, added * before.uncertainty)),
    )
    read = shares.read.get(k)
    measured, instrument, left = read or (None, NONE, NONE)
    told = (measured, machine, cut, left, drawing, *limit, added * allowed, healthy)
    own = (CANNOT_TELL, usual, instrument, tool)  # till all of it is known
    judged = JudgedFeature(feature, intended, expected, *told, *own)
    return replace(judged, verdict=_verdict(judged, prediction.unknown))


def _verdict(judged: JudgedFeature, unknown: float) -> str:
    """Whose it is; what is not proven is blamed on nobody.

    What the machine does is proven only if it holds even where nothing can be predicted; so is that
    a reading is none of its doing.  What is within its limit is nobody's fault.
    """
    machine, cut, left, limit = judged.machine, judged.kerf, judged.left, judged.limit
    stray = abs(left.value) > STRAY * left.uncertainty
    if stray and left.beyond(limit) * (1.0 - unknown) >= PROVEN:
        return AGAIN
    chance = machine.beyond(limit) * (1.0 - unknown)
    off = chance >= PROVEN
    if judged.drawing is not None and abs(judged.drawing) > limit:
        return BOTH if off else DRAWING
    measured = judged.measured is not None and unknown <= 1.0 - PROVEN
    if judged.good and (measured or off or cut.beyond(limit) >= PROVEN):
        return FITS
    if off:
        return MACHINE
    if cut.beyond(limit) >= PROVEN:
        return KERF
    most = max(chance + unknown, cut.beyond(limit))
    return FITS if most <= 1.0 - PROVEN else CANNOT_TELL
