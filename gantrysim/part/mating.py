"""Parts that go together: a tab in a slot, a disc in a hole, and the clearance they keep.

Both halves are cut by one machine, so what it does to one it does to the other: a disc and its hole
that are oval alike still fit as drawn.  Clearance is therefore reckoned draw by draw, at the
tightest of the stations along a slot and of the directions across a circle.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Any

import numpy as np
from numpy.typing import NDArray

from gantrysim.decisions.diagnosis import Finding
from gantrysim.inference.fitting import Fit
from gantrysim.instruments.points import Piece
from gantrysim.machine import Machine
from gantrysim.part.believed import SEED, Believed, believed, healthy_machines
from gantrysim.part.drawing import Drawing, drawing_of
from gantrysim.part.gauges import DIRECTIONS
from gantrysim.part.kerf import Kerf, kerf_of
from gantrysim.part.prediction import HEALTHY_DRAWS, MOTIONS, Prediction, predicted
from gantrysim.part.shares import PROVEN
from gantrysim.pattern.toolpath import Toolpath
from gantrysim.records.amounts import probability
from gantrysim.records.arrays import Array
from gantrysim.records.checks import must_be, point, whole_number
from gantrysim.records.doors import checked
from gantrysim.records.table import Table, fields_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from gantrysim.log import MachineLog


@checked
@dataclass(frozen=True)
class Mating:
    """A pair of features that are to go together (ISO 286-1: a fit).

    Parameters
    ----------
    internal : str
        Name of the slot or hole.
    external : str, or (float, float)
        Name of the tab or disc, or the thickness of the sheet and its standard uncertainty, mm.
    clearance : (float, float)
        Least and greatest that is wanted, mm: below it does not go together, above it is loose.
    name : str
        What to call it.

    Raises
    ------
    ValueError
        If the least clearance is not below the greatest, or the sheet has no thickness.

    Examples
    --------
    >>> from gantrysim.part import Mating
    >>> Mating("S1", (3.0, 0.05), (0.0, 0.2))
    Mating(sheet of 3 mm in S1, 0 to 0.2 mm)
    """

    internal: str
    external: Annotated[
        str | tuple[float, float], "a name or a thickness and its standard uncertainty in mm"
    ]
    clearance: tuple[float, float]
    name: str = ""

    def __post_init__(self) -> None:
        least, most = point(self.clearance, "clearance")
        if least >= most:
            raise ValueError(f"clearance must be a least and a greatest, found {self.clearance}.")
        if not isinstance(self.external, str):
            thick, doubt = point(self.external, "external")
            if thick <= 0.0 or doubt < 0.0:
                raise ValueError(must_be("external", "a thickness above zero", self.external))

    @property
    def words(self) -> str:
        """What goes into what."""
        if self.name:
            return self.name
        if isinstance(self.external, str):
            return f"{self.external} in {self.internal}"
        return f"sheet of {self.external[0]:g} mm in {self.internal}"

    def __repr__(self) -> str:
        return f"Mating({self.words}, {self.clearance[0]:g} to {self.clearance[1]:g} mm)"


@dataclass(frozen=True)
class Clearance:
    """What clearance a pair will have.

    Parameters
    ----------
    middle, low, high : float
        Median and 95 % interval, mm.
    goes, snug : float
        Probability that it goes together, and that it is not loose.
    good : float
        Probability of both.
    turned : float or None
        Of a disc in a hole: probability that it goes together turned by any angle as well.
    """

    middle: float
    low: float
    high: float
    goes: float
    snug: float
    good: float
    turned: float | None = None

    @property
    def hampered(self) -> bool:
        """Whether a disc goes into its hole as drawn sooner than turned."""
        return self.turned is not None and self.turned < self.goes - 0.05

    @property
    def outlook(self) -> str:
        """What is to be expected, in words."""
        if self.good >= PROVEN:
            as_drawn = " only as drawn, not turned," if self.hampered else ""
            return f"goes together{as_drawn} and is not loose"
        if self.goes <= 1.0 - PROVEN:
            return "does not go together"
        if self.snug <= 1.0 - PROVEN:
            return "is loose"
        return "may not go together" if self.goes < self.snug else "may be loose"

    def __str__(self) -> str:
        return (
            f"clearance {self.middle:.2f} mm, 95 % {self.low:.2f} to {self.high:.2f}; probability "
            f"that it is not loose {probability(self.snug)}, that it goes together "
            f"{probability(self.goes)}"
        )


@checked
@dataclass(frozen=True, eq=False)
class MatedPair:
    """A pair with the clearance to expect, now and after the advised adjustment.

    Parameters
    ----------
    mating : Mating
        What is wanted, mm.
    now : Clearance
        As the machine is.
    after : Clearance or None
        After what the finding advises.
    healthy : Clearance or None
        On healthy machines as described; None where nobody said how it is without its faults.
    """

    mating: Mating
    now: Clearance
    after: Clearance | None
    healthy: Clearance | None

    @property
    def words(self) -> str:
        """One or two sentences."""
        least, most = self.mating.clearance
        said = f"{self.mating.words} ({least:.2f} to {most:.2f} mm wanted): now {self.now}"
        if self.now.turned is not None and self.now.hampered:
            said += f" as drawn and {probability(self.now.turned)} turned by any angle"
        if self.after is not None:
            said += f"; after the advised adjustment {self.after}"
        return f"{said}; on a healthy machine {self.healthy}." if self.healthy else f"{said}."

    def to_dict(self) -> dict[str, Any]:
        """Plain Python types, mm."""
        return {"pair": self.mating.words, **fields_of(self, "now", "after", "healthy")}

    def __repr__(self) -> str:
        return f"MatedPair({self.mating.words}: good {self.now.good:.2f})"


@checked
@dataclass(frozen=True, eq=False)
class Matings:
    """Pairs of a part with the clearances to expect.

    Parameters
    ----------
    pairs : tuple of MatedPair
        Pair by pair, mm.
    source : str
        The drawing.
    words : str
        On what it rests.
    """

    pairs: tuple[MatedPair, ...]
    source: str
    words: str

    def __getitem__(self, index: int) -> MatedPair:
        """A pair by its place."""
        return self.pairs[index]

    def __len__(self) -> int:
        return len(self.pairs)

    @property
    def summary(self) -> str:
        """One sentence: what to expect of each pair, now and after what is advised."""
        said = []
        for pair in self.pairs:
            then = "" if pair.after is None else f", after the adjustment {pair.after.outlook}"
            said.append(f"{pair.mating.words} {pair.now.outlook}{then}")
        return f"{self.source}: {'; '.join(said)}."

    def report(self) -> str:
        """All of them in plain words."""
        return "\n".join([f"{self.source}, from {self.words}:", *(p.words for p in self.pairs)])

    def to_dict(self) -> dict[str, Any]:
        """Plain Python types, mm."""
        return {"source": self.source, "pairs": [pair.to_dict() for pair in self.pairs]}

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw the clearances with their 95 % intervals beside what is wanted, mm."""
        from gantrysim.plotting.parts import plot_matings

        return plot_matings(self, ax)

    def __repr__(self) -> str:
        good = ", ".join(f"{p.mating.words} {p.now.good:.2f}" for p in self.pairs)
        return f"Matings({self.source!r}, good: {good})"

    def _repr_html_(self) -> str:
        rows = (
            (p.mating.words, str(p.now), str(p.after or ""), str(p.healthy or ""))
            for p in self.pairs
        )
        heads = ("pair", "now", "after the adjustment", "healthy machine")
        return Table(heads, rows, self.source).html()


@checked
def predict_matings(
    known: Machine | Fit | Finding | MachineLog,
    drawing: Drawing | Toolpath,
    matings: Sequence[Mating],
    *,
    kerf: Kerf | Piece | float | Sequence[float] | None = None,
    healthy: Machine | None = None,
    motion: Annotated[str, MOTIONS] = "dynamics",
    draws: int = 200,
    seed: int = SEED,
) -> Matings:
    """Predict whether pairs of features go together and are not loose.

    Parameters
    ----------
    known : Machine, Fit, Finding or MachineLog
        What is known of the machine; a finding also says what to turn.
    drawing : Drawing or Toolpath
        What is commanded.
    matings : sequence of Mating
        The pairs, with the clearance that is wanted, mm.
    kerf : float, (float, float), Kerf or Piece, optional
        Width of the cut and its standard uncertainty, mm; both halves of a pair get it.
    healthy : Machine, optional
        The machine without its faults; as it was described if absent.
    motion, draws, seed
        As for `predict_part`.

    Raises
    ------
    ValueError
        If a feature does not exist or is not of its kind, or as `predict_part` says.

    Examples
    --------
    >>> import gantrysim as gs
    >>> from gantrysim.part import Mating, predict_matings, read_drawing
    >>> path = gs.ring_test(("square",), spacing=20.0, largest=40.0).to_svg("p4.svg")
    >>> drawing = read_drawing("p4.svg", corner=(100.0, 100.0))
    >>> wanted = Mating("S1", (39.8, 0.02), (0.0, 0.4))
    >>> predict_matings(gs.Machine(), drawing, [wanted], kerf=0.1)
    Matings('p4.svg', good: sheet of 39.8 mm in S1 ...)
    """
    draws, seed = whole_number(draws, "draws", least=1), whole_number(seed, "seed", least=0)
    found = drawing_of(drawing) if isinstance(drawing, Toolpath) else drawing
    check_matings(found, matings)
    width = kerf_of(kerf)
    source = believed(known, draws, seed)
    now = predicted(source, found, width, motion)
    after = None
    if isinstance(known, Finding) and known.adjustments().advised:
        after = predicted(adjusted(known, source, seed), found, width, motion)
    described = healthy if healthy is not None else source.described
    sound = None
    if described is not None:
        machines = tuple(healthy_machines(described, min(draws, HEALTHY_DRAWS), seed))
        usual = Believed(machines, described, described, 0.0, "healthy machines")
        sound = predicted(usual, found, width, motion)
    pairs = tuple(
        MatedPair(
            mating, clearance(now, mating), clearance(after, mating) if after else None,
            clearance(sound, mating) if sound else None,
        )
        for mating in matings
    )  # fmt: skip
    return Matings(pairs, found.source, source.words)


def adjusted(finding: Finding, source: Believed, seed: int) -> Believed:
    """The machines after the steps that a finding advises, turned by a hand."""
    advice = finding.adjustments()
    rng = np.random.default_rng(seed)
    machines = tuple(advice.machine_after(machine, rng=rng) for machine in source.machines)
    likeliest = advice.machine_after(source.likeliest)
    return dataclasses.replace(source, machines=machines, likeliest=likeliest)


def check_matings(drawing: Drawing, matings: Sequence[Mating]) -> None:
    """Refuse pairs of features that are not there, or not of their kind."""
    if not matings:
        raise ValueError("matings must hold at least one pair, found none.")
    for mating in matings:
        names = [(mating.internal, 1, "a slot or hole")]
        if isinstance(mating.external, str):
            names.append((mating.external, -1, "a tab or disc"))
        for name, side, words in names:
            if drawing[name].side != side or drawing[name].unit != "mm":
                raise ValueError(f"{name} must be {words}, found {drawing[name]!r}.")


def clearance(prediction: Prediction, mating: Mating) -> Clearance:
    """Clearance of a pair over the draws of a machine, the cut and the model."""
    rng = np.random.default_rng(SEED)
    least, most = mating.clearance
    count = 4000
    chosen = rng.integers(len(prediction.errors), size=count)
    cut = prediction.kerf.uncertainty * rng.standard_normal(count)
    inner, outer = _halves(prediction, mating, chosen, cut, rng)
    tight = _tightest(inner, outer)
    turned = inner.min(axis=1) - outer.max(axis=1) if _both_round(inner, outer) else None
    goes, snug = tight >= least, tight <= most
    low, middle, high = np.quantile(tight, [0.025, 0.5, 0.975]).tolist()
    any_way = None if turned is None else float((turned >= least).mean())
    told = (float(goes.mean()), float(snug.mean()), float((goes & snug).mean()))
    return Clearance(middle, low, high, *told, any_way)


def gaps(
    prediction: Prediction,
    mating: Mating,
    chosen: NDArray[np.int64],
    cut: Array,
    rng: np.random.Generator,
) -> Array:
    """Tightest clearance of a pair as drawn, mm, in draws of machine and cut.

    ``chosen``: which draw of the machine; shape (n,).  ``cut``: how much wider than believed the
    cut is, mm; shape (n,).  ``rng``: of what the model lacks.
    """
    return _tightest(*_halves(prediction, mating, chosen, cut, rng))


def _halves(
    prediction: Prediction,
    mating: Mating,
    chosen: NDArray[np.int64],
    cut: Array,
    rng: np.random.Generator,
) -> tuple[Array, Array]:
    """Local sizes of both halves of a pair, mm, shape (n, stations)."""
    width = np.maximum(prediction.kerf.width + cut, 0.0)

    def sizes(name: str) -> Array:
        k = prediction.column(name)
        feature = prediction.drawing.features[k]
        shared = prediction.model[k] * rng.standard_normal(len(cut)) + feature.kerf * width
        return np.asarray(feature.drawn + prediction.local[k][chosen] + shared[:, None])

    inner = sizes(mating.internal)
    if isinstance(mating.external, str):
        return inner, sizes(mating.external)
    thick, doubt = mating.external
    return inner, (thick + doubt * rng.standard_normal(len(cut)))[:, None]


def _both_round(inner: Array, outer: Array) -> bool:
    return inner.shape[1] == outer.shape[1] == len(DIRECTIONS)


def _tightest(inner: Array, outer: Array) -> Array:
    """Tightest place; of circles, direction meets direction, as they were drawn."""
    if _both_round(inner, outer):
        return np.asarray((inner - outer).min(axis=1))
    return np.asarray(inner.min(axis=1) - outer.max(axis=1))
