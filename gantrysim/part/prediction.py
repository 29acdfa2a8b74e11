"""What a machine makes of a drawing: the size of each feature to expect, with 95 % interval."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import numpy as np

from gantrysim.burn.simulation import check_travel, default_time_step
from gantrysim.decisions.diagnosis import Finding
from gantrysim.inference.assumptions import USUAL
from gantrysim.inference.discrepancy import lags
from gantrysim.inference.fitting import Fit
from gantrysim.instruments.points import Piece
from gantrysim.machine import Machine
from gantrysim.mechanics.assembly import x_block, y_block
from gantrysim.mechanics.dynamics import swung
from gantrysim.mechanics.planner import Motion, plan, slow, timeline
from gantrysim.mechanics.quasistatic import march, spot
from gantrysim.part.believed import SEED, Believed, believed, healthy_machines
from gantrysim.part.drawing import Drawing, drawing_of
from gantrysim.part.feature import Feature
from gantrysim.part.gauges import (
    ALONG_X,
    ALONG_Y,
    DIRECTIONS,
    Across,
    Extent,
    Reader,
    Samples,
)
from gantrysim.part.kerf import Kerf, kerf_of
from gantrysim.pattern.toolpath import Toolpath
from gantrysim.records.arrays import Array
from gantrysim.records.checks import whole_number
from gantrysim.records.crew import crew
from gantrysim.records.doors import checked
from gantrysim.records.files import write_new_text
from gantrysim.records.table import Table

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from gantrysim.log import MachineLog

#: How the motion is reckoned: so slow that only which way each part last moved matters, with the
#: forces of feed and acceleration, or with masses that swing.
MOTIONS = ("slow", "feed", "dynamics")
STEP = 1.0  # mm, sampling of the path
#: How far the place of one burned side is off the model's, standard deviation, mm.  Where the fault
#: was told, 0.005 held 98 % of 1408 sizes of 64 dynamic machines; where it was searched, 133 of 143
#: (tests/studies/parts.py): hence a little more.  That model stands for the machine: what a real
#: one adds nobody has measured, and it shows as what is left (`judge_part`).
SIDE = 0.007
#: Of a straight side, further off as a part of the lag of its axis: where it comes to rest after a
#: corner is dynamics (40 of these machines: sizes 0.012 mm rms off at a lag of 0.06 to 0.1 mm,
#: where fits of test burns leave 0.010 mm open, 0.027 at 0.1 to 0.2 mm, where they leave 0.017).
CORNER = 0.07
HEALTHY_DRAWS = 40
#: Part of healthy machines that counts as what they reach, and the least that counts as off, mm, of
#: angles over their arms: calipers tell no less (judgement).
REACH, LEAST = 0.95, 0.05
_DRAWN, _COLUMNS = 4000, 256  # draws of cut and model for an interval, features at a time
_AT_ONCE = 2_000_000  # places held in memory at a time, all draws together


@dataclass(frozen=True, eq=False)
class Course:
    """A path made ready to be run by many machines, with the gauges set on it.

    Parameters
    ----------
    samples : Samples
        The commanded path.
    motion : Motion
        In time, or in the slow limit.
    readers : tuple of Reader
        One for each feature.
    nominal : tuple of ndarray
        What each reads on the commanded path.
    """

    samples: Samples
    motion: Motion
    readers: tuple[Reader, ...]
    nominal: tuple[Array, ...]

    @classmethod
    def of(cls, drawing: Drawing, motion: str, step: float = STEP) -> Course:
        """Sample and plan the path of a drawing."""
        samples = Samples.of(drawing.path, step)
        planned = slow(samples.command) if motion == "slow" else plan(drawing.path, samples.strokes)
        readers = tuple(f.gauge.reader(samples) for f in drawing.features)
        return cls(samples, planned, readers, tuple(r(samples.command[None]) for r in readers))

    def burned(self, machine: Machine) -> Array:
        """Places of the spot at every sample less the head's offset, mm."""
        q_x, _ = march(x_block(machine), self.motion, 0)
        q_y, _ = march(y_block(machine), self.motion, 1)
        return spot(machine, q_y, q_x)

    def swung(self, machine: Machine) -> Array:
        """As `burned`, with masses that swing."""
        course = timeline(self.samples.path, self.samples.strokes)
        x, y = swung(machine, course, default_time_step(machine, self.samples.command))
        return spot(machine, y.q, x.q)

    def read(self, xy: Array) -> list[Array]:
        """How far each local size is off as drawn, mm, from places of shape (draws, samples, 2)."""
        pairs = zip(self.readers, self.nominal, strict=True)
        return [reader(xy) - base for reader, base in pairs]

    def errors(self, machines: Sequence[Machine]) -> list[Array]:
        """What machines make of each local size, mm; shape (machines, stations) a feature."""
        block = max(1, min(32, _AT_ONCE // len(self.samples.command)))
        parts = []
        with crew() as run:
            for first in range(0, len(machines), block):
                own = machines[first : first + block]
                parts.append(self.read(np.array(list(run(self.burned, own)))))
        return [np.concatenate(each) for each in zip(*parts, strict=True)]


@checked
@dataclass(frozen=True, eq=False)
class Prediction:
    """Sizes of a part to expect from a machine.

    Parameters
    ----------
    drawing : Drawing
        What is commanded.
    local : tuple of ndarray, shape (draws, stations)
        What the machine adds to the local sizes of each feature, mm or degrees.
    model : ndarray, shape (features,)
        How far a prediction is off a real machine, standard deviation, mm or degrees.
    kerf : Kerf
        Width of the cut.
    unknown : float
        Probability of explanations that predict nothing.
    words : str
        On what it rests.
    likeliest : Machine
        The best single guess.
    described : Machine or None
        The machine as described, without its faults; None where nobody said which it has.

    Examples
    --------
    >>> import gantrysim as gs
    >>> from gantrysim.part import predict_part, read_drawing
    >>> test = gs.ring_test(("square",), spacing=20.0, largest=20.0)
    >>> path = test.to_svg("plate.svg", overwrite=True)
    >>> drawing = read_drawing("plate.svg", corner=(100.0, 100.0))
    >>> tight = gs.Machine().with_faults(gs.faults.TightCarriage(8.0))
    >>> sizes = predict_part(tight, drawing, kerf=0.0)
    >>> sizes["W1"]
    PredictedSize(W1: drawn 40.00, predicted 39... mm)
    """

    drawing: Drawing
    local: tuple[np.ndarray, ...]
    model: np.ndarray
    kerf: Kerf
    unknown: float
    words: str
    likeliest: Machine
    described: Machine | None

    @cached_property
    def errors(self) -> Array:
        """What the machine adds to each feature as a hand measures it, shape (draws, features)."""
        return _measured(self.drawing, self.local)

    @cached_property
    def added(self) -> Array:
        """How much one width of the cut adds to each feature, shape (features,)."""
        return np.array([feature.kerf for feature in self.drawing.features])

    @cached_property
    def sizes(self) -> tuple[PredictedSize, ...]:
        """Each feature with what is to be expected of it."""
        drawn = np.array([feature.drawn for feature in self.drawing.features])
        middle = drawn + np.median(self.errors, axis=0) + self.added * self.kerf.width
        rng = np.random.default_rng(SEED)
        cut = self.kerf.width + self.kerf.uncertainty * rng.standard_normal(_DRAWN)
        chosen = rng.integers(len(self.errors), size=_DRAWN)
        ends = []
        for own in np.split(np.arange(len(drawn)), range(_COLUMNS, len(drawn), _COLUMNS)):
            noise = self.model[own] * rng.standard_normal((_DRAWN, len(own)))
            values = self.errors[np.ix_(chosen, own)] + np.outer(cut, self.added[own]) + noise
            ends.append(drawn[own] + np.quantile(values, [0.025, 0.975], axis=0))
        low, high = np.concatenate(ends, axis=1)
        rows = zip(self.drawing.features, middle, low, high, strict=True)
        return tuple(PredictedSize(f, float(m), float(a), float(b)) for f, m, a, b in rows)

    def __getitem__(self, name: str) -> PredictedSize:
        """What is to be expected of a feature."""
        return self.sizes[self.drawing.features.index(self.drawing[name])]

    def column(self, name: str) -> int:
        """Place of a feature among the columns of `errors`."""
        return self.drawing.features.index(self.drawing[name])

    @property
    def means(self) -> list[str]:
        """Of each circle whose mean diameter lies outside those along x and y: why it does."""
        rows = []
        for k, (feature, local) in enumerate(zip(self.drawing.features, self.local, strict=True)):
            gauge = feature.gauge
            if not isinstance(gauge, Extent) or len(gauge.directions) != len(DIRECTIONS):
                continue
            each = feature.drawn + local.mean(axis=0) + self.added[k] * self.kerf.width
            along = each[[ALONG_X, ALONG_Y]]
            if along.min() - LEAST <= each.mean() <= along.max() + LEAST:
                continue
            wide, narrow = int(each.argmax()), int(each.argmin())
            rows.append(
                f"The mean diameter of {feature.name} is that of {len(each)} directions; it lies "
                "outside those along x and y because the machine draws it wide or narrow between "
                f"them: {each[wide]:.2f} mm at {gauge.directions[wide]:g} degrees from x, "
                f"{each[narrow]:.2f} at {gauge.directions[narrow]:g}."
            )
        return rows

    def report(self) -> str:
        """The sizes in plain words."""
        rows = [f"{self.drawing.source}, predicted from {self.words}; {self.kerf.words}."]
        rows += [*(f"  {size.words}" for size in self.sizes), *self.means]
        if self.unknown > 0.005:
            rows.append(f"With probability {self.unknown:.2f} none of this can be predicted.")
        return "\n".join(rows)

    def to_dict(self) -> dict[str, Any]:
        """Plain Python types."""
        return {
            "source": self.drawing.source, "rests_on": self.words, "unknown": self.unknown,
            "kerf": self.kerf.to_dict(), "sizes": [size.to_dict() for size in self.sizes],
        }  # fmt: skip

    def to_csv(self, path: str | os.PathLike[str], *, overwrite: bool = False) -> Path:
        """Write one line a feature.

        Raises
        ------
        FileExistsError
            If the file exists and ``overwrite`` is false.
        """
        heads = ("name", "what", "drawn", "predicted", "low", "high", "unit")
        rows = (
            (s.feature.name, s.feature.kind, s.feature.drawn, s.predicted, s.low, s.high,
             s.feature.unit) for s in self.sizes
        )  # fmt: skip
        remark = "predicted sizes with 95 % interval"
        return write_new_text(path, Table(heads, rows).csv(remark), overwrite=overwrite)

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw how far each size is off as drawn, with its 95 % interval."""
        from gantrysim.plotting.parts import plot_prediction

        return plot_prediction(self, ax)

    def __repr__(self) -> str:
        return (
            f"Prediction({self.drawing.source!r}, {len(self.sizes)} features, "
            f"{len(self.errors)} draws, {self.kerf.words})"
        )

    def _repr_html_(self) -> str:
        rows = (
            (s.feature.name, s.feature.words, f"{s.feature.drawn:.2f}", f"{s.predicted:.2f}",
             f"{s.low:.2f} to {s.high:.2f}", s.feature.unit) for s in self.sizes
        )  # fmt: skip
        heads = ("feature", "what", "drawn", "predicted", "95 %", "")
        return Table(heads, rows, repr(self)).html(most=100)


@checked
@dataclass(frozen=True, eq=False)
class PredictedSize:
    """What is to be expected of one feature.

    Parameters
    ----------
    feature : Feature
        The feature.
    predicted, low, high : float
        Median and 95 % interval, in its unit (mm or degrees).
    """

    feature: Feature
    predicted: float
    low: float
    high: float

    @property
    def words(self) -> str:
        """One sentence."""
        f = self.feature
        return (
            f"{f.name} ({f.words}): drawn {f.drawn:.2f}, to be expected {self.predicted:.2f} "
            f"{f.unit}, 95 % between {self.low:.2f} and {self.high:.2f}."
        )

    def to_dict(self) -> dict[str, Any]:
        """Plain Python types, in the unit that stands beside them."""
        f = self.feature
        return {
            "name": f.name, "what": f.kind, "drawn": f.drawn, "predicted": self.predicted,
            "low": self.low, "high": self.high, "unit": f.unit,
        }  # fmt: skip

    def __repr__(self) -> str:
        return (
            f"PredictedSize({self.feature.name}: drawn {self.feature.drawn:.2f}, predicted "
            f"{self.predicted:.2f} [{self.low:.2f}, {self.high:.2f}] {self.feature.unit})"
        )


@checked
def predict_part(
    known: Machine | Fit | Finding | MachineLog,
    drawing: Drawing | Toolpath,
    *,
    kerf: Kerf | Piece | float | Sequence[float] | None = None,
    motion: Annotated[str, MOTIONS] = "dynamics",
    draws: int = 200,
    seed: int = SEED,
) -> Prediction:
    """Predict the size of each feature of a drawing.

    Parameters
    ----------
    known : Machine, Fit, Finding or MachineLog
        What is known of the machine; all but a machine give draws of their posterior.
    drawing : Drawing or Toolpath
        What is commanded.
    kerf : float, (float, float) or Kerf, optional
        Width of the cut, and its standard uncertainty, mm; 0.15 with 0.1 if absent.
    motion : str
        "slow" for the slow limit, "feed" for the forces of feed and acceleration, "dynamics" for
        masses that swing as well: of a posterior as its likeliest machine swings.
    draws, seed : int
        Of machines.

    Returns
    -------
    Prediction
        Size by feature, mm and degrees, in the order, direction and start of the path.

    Raises
    ------
    ValueError
        If the drawing leaves the travel of the machine, or nothing can be predicted.

    Notes
    -----
    The interval covers what is not known of machine and cut, and how far the model is off a real
    machine (`SIDE` and a share of the lag of each axis).  On parts of 32 machines of the dynamic
    model with their fault told, intervals of 95 % held 753 of 758 sizes, the width of the cut
    known; of 34 machines whose fault `diagnose` had to find 805 of 809 (tests/studies/parts.py).
    """
    draws, seed = whole_number(draws, "draws", least=1), whole_number(seed, "seed", least=0)
    found = drawing_of(drawing) if isinstance(drawing, Toolpath) else drawing
    return predicted(believed(known, draws, seed), found, kerf_of(kerf), motion)


def predicted(source: Believed, drawing: Drawing, kerf: Kerf, motion: str) -> Prediction:
    """Predict from draws of a machine."""
    course = Course.of(drawing, motion)
    check_travel(source.likeliest, course.samples.command, what=f"part of {drawing.source}")
    if motion == "dynamics" and len(source.machines) == 1:
        local = course.read(course.swung(source.machines[0])[None])
    else:
        local = course.errors(source.machines)
        if motion == "dynamics":  # as the likeliest machine swings, so does each draw
            both = [np.array([go(source.likeliest)]) for go in (course.swung, course.burned)]
            swung, calm = (course.read(xy) for xy in both)
            local = [x + (a - b) for x, a, b in zip(local, swung, calm, strict=True)]
    each = ((model_error(f, source.likeliest), f.in_unit(source.bump)) for f in drawing.features)
    model = np.array([np.hypot(*both) for both in each])
    told = (source.unknown, source.words, source.likeliest, source.described)
    return Prediction(drawing, tuple(local), model, kerf, *told)


def model_error(feature: Feature, machine: Machine) -> float:
    """How far a predicted size is off a real machine, standard deviation, mm or degrees.

    Two sides, each off by `SIDE` and by a share of its axis' lag: `CORNER` where it is straight, on
    circles what the inference allows for (`Assumptions.odd_share`).
    """
    x, left, right = lags(machine)
    (x0, y0), (x1, y1) = feature.ends
    far = max(float(np.hypot(x1 - x0, y1 - y0)), 1e-9)
    part = min(max(feature.place[0] / machine.span, 0.0), 1.0)
    y = (1.0 - part) * left + part * right
    lag = float(np.hypot((x1 - x0) / far * x, (y1 - y0) / far * y))
    share = CORNER if isinstance(feature.gauge, Across) else USUAL.odd_share
    off = float(np.hypot(SIDE, share * lag) * np.sqrt(2.0))
    return 0.5 * off if feature.kind == "radius" else feature.in_unit(off)


def healthy_errors(prediction: Prediction, described: Machine | None = None) -> Array:
    """What healthy machines as described make of each feature, shape (draws, features)."""
    machine = described if described is not None else prediction.described
    if machine is None:
        raise ValueError(
            "healthy must be the same machine without its faults where a machine is taken as it "
            "stands, found none."
        )
    local = Course.of(prediction.drawing, "feed").errors(healthy_machines(machine, HEALTHY_DRAWS))
    return _measured(prediction.drawing, local)


def reach_of(drawing: Drawing, healthy: Array) -> Array:
    """How far off nearly all healthy machines keep each feature, mm or degrees.

    ``healthy``: as from `healthy_errors`.
    """
    return np.maximum(np.quantile(np.abs(healthy), REACH, axis=0), least_of(drawing))


def least_of(drawing: Drawing) -> Array:
    """The least that counts as off at each feature, mm or degrees."""
    return np.array([feature.in_unit(LEAST) for feature in drawing.features])


def _measured(drawing: Drawing, local: Sequence[Array]) -> Array:
    """Local sizes as a hand measures them, shape (draws, features)."""
    pairs = zip(drawing.features, local, strict=True)
    return np.column_stack([feature.gauge.size(each) for feature, each in pairs])
