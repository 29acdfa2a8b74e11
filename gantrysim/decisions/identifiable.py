"""What a test can tell, as a result that shows itself."""

from __future__ import annotations

import html
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from gantrysim.decisions.standing import nouns_of
from gantrysim.faults.healthy import in_a_sentence
from gantrysim.inference.assumptions import USUAL
from gantrysim.machine import Machine
from gantrysim.pattern.ringtest import RingTest
from gantrysim.records.amounts import in_words
from gantrysim.records.doors import checked
from gantrysim.records.table import Table, fields_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes


#: Probability from which a fault is told from a healthy machine, and below which it hardly is.
SEEN, HARDLY = 0.95, 0.5
#: Circles and squares that differ by less tell alike (a few hundred draws).
_APART = 0.1


@dataclass(frozen=True)
class Row:
    """What a test would tell of one parameter.

    Parameters
    ----------
    name, unit : str
        The parameter.
    fault : bool
        Whether it is the magnitude of a fault, or a parameter of every healthy machine.
    value : float
        Value at which this is predictive.
    low, high : float
        Expected 95 % interval.
    prior_low, prior_high : float
        The interval that is believed without the test.
    """

    name: str
    unit: str
    fault: bool
    value: float
    low: float
    high: float
    prior_low: float
    prior_high: float

    @property
    def left(self) -> float:
        """Part of the prior's interval that is left, relative."""
        return (self.high - self.low) / (self.prior_high - self.prior_low)

    @property
    def identifiable(self) -> bool:
        """Whether the test narrows it enough, see `Assumptions.identifiable`."""
        return self.left < USUAL.identifiable


@dataclass(frozen=True)
class Power:
    """How well a test would name one fault of its usual size.

    Parameters
    ----------
    fault, words, unit : str
        Its name, what it is, and the unit of its size.
    size : float
        Usual size: the median of its prior.
    seen : float
        Probability that its log evidence beats that of a healthy machine by more than 3.
    confused_with : tuple of str
        Faults that explain more than a healthy machine does, and whose log evidence its own beats
        by more than 3 with a probability under 0.95.
    """

    fault: str
    words: str
    unit: str
    size: float
    seen: float
    confused_with: tuple[str, ...]


@checked
@dataclass(frozen=True, eq=False)
class Identifiability:
    """What a test can tell; `what_can_be_told` makes one.

    Parameters
    ----------
    test : RingTest
        The test.
    machine : Machine
        The machine as described.
    rows : tuple of Row
        Every parameter of the machine, then the magnitude of every fault.
    blind : tuple of str
        What the test cannot see, in words: directions in which belief stays as it was.
    power : tuple of Power
        For every fault.
    length : float
        Length of the burned lines, mm.
    circles, squares : Identifiability, optional
        The same for circles alone and squares alone, of equal burned length.
    """

    test: RingTest
    machine: Machine
    rows: tuple[Row, ...]
    blind: tuple[str, ...]
    power: tuple[Power, ...]
    length: float
    circles: Identifiability | None = None
    squares: Identifiability | None = None

    def row(self, name: str) -> Row:
        """The row of a parameter or fault.

        Raises
        ------
        ValueError
            If there is none of that name.
        """
        for row in self.rows:
            if row.name == name:
                return row
        known = ", ".join(row.name for row in self.rows)
        raise ValueError(f"nothing is predictive of {name!r}; accepted are {known}")

    def words_of(self, name: str) -> str:
        """What a parameter is, or what a fault is an amount of, in words."""
        if name not in {power.fault for power in self.power}:
            return in_a_sentence(name)
        label, _, variant = name.partition(" (")
        return self.machine.catalogue().named(label, variant.rstrip(")")).noun

    def compare(self, other: Identifiability, names: tuple[str, str] = ("this", "other")) -> str:
        """Both tests side by side: the part of each prior interval that is left, as text."""
        head = (
            f"{'part of the prior interval left':50s}{names[0]:>10s}{names[1]:>10s}\n"
            f"{'  length burned, mm':50s}{self.length:10.0f}{other.length:10.0f}"
        )
        theirs = {row.name: row for row in other.rows}
        lines = [
            f"  {self.words_of(row.name):48s}{row.left:10.2f}{theirs[row.name].left:10.2f}"
            for row in self.rows
            if row.name in theirs
        ]
        seen = {p.fault: p.seen for p in other.power}
        lines.append("probability that a fault of usual size is told from healthy")
        lines += [
            f"  {self.words_of(p.fault):48s}{p.seen:10.2f}{seen[p.fault]:10.2f}"
            for p in self.power
            if p.fault in seen
        ]
        return "\n".join([head, *lines])

    def report(self, *, tables: bool = False) -> str:
        """Return in plain words what the test would tell, what not, and what it confuses.

        Parameters
        ----------
        tables : bool
            Whether every interval, blind direction and probability follows, and circles alone
            beside squares alone.
        """
        out = [f"Test: {self.test.summary()} Burned length {self.length:.0f} mm.", *self._words()]
        if not tables:
            return "\n".join([*out, "Every number: report(tables=True)."])
        out.append("Expected 95 % interval [what is believed without the test]:")
        for r in self.rows:
            note = "" if r.identifiable else "   as believed before"
            out.append(
                f"  {self.words_of(r.name):48s} {r.low:10.4g} to {r.high:.4g} {r.unit} "
                f"[{r.prior_low:.4g} to {r.prior_high:.4g}]{note}"
            )
        if self.blind:
            out.append("Within the spread of healthy machines this test is blind to:")
            out += [f"  - {words}" for words in self.blind]
        out.append("A fault of its usual size, told from a healthy machine with probability:")
        for p in self.power:
            others = ", ".join(map(self.words_of, p.confused_with))
            tail = f"; hard to tell from {others}" if others else ""
            out.append(
                f"  {self.words_of(p.fault)} ({in_words(p.size, p.unit)}): {p.seen:.2f}{tail}"
            )
        if self.circles is not None and self.squares is not None:
            out.append("Circles alone and squares alone, of equal length:")
            out.append(self.circles.compare(self.squares, ("circles", "squares")))
        return "\n".join(out)

    def _words(self) -> list[str]:
        """What it tells and what not, a sentence each; faults by their nouns."""
        sure = [p for p in self.power if p.seen >= SEEN]
        often = [p for p in self.power if HARDLY <= p.seen < SEEN]
        hardly = [p for p in self.power if p.seen < HARDLY]
        size = {p.fault: in_words(p.size, p.unit) for p in self.power}
        vague = [self.words_of(r.name) for r in self.rows if r.fault and not r.identifiable]
        alike = {frozenset((p.fault, other)) for p in self.power for other in p.confused_with}
        pairs = (" and ".join(sorted(map(self.words_of, pair))) for pair in alike)
        better = [
            f"{self.words_of(c.fault)} ({c.seen:.2f} against {s.seen:.2f})"
            for c, s in zip(*(part.power if part else () for part in self._parts), strict=True)
            if abs(c.seen - s.seen) > _APART
        ]
        lists = (
            ("Faults of usual size that it tells from a healthy machine", sure, size),
            ("That it may miss", often, {p.fault: f"{p.seen:.2f}" for p in often}),
            ("That it hardly sees", hardly, {p.fault: f"{p.seen:.2f}" for p in hardly}),
        )
        out = [
            f"{lead}: {'; '.join(f'{self.words_of(p.fault)} ({of[p.fault]})' for p in those)}."
            for lead, those, of in lists
            if those
        ]
        untold = nouns_of(
            self.machine.catalogue(),
            {place for s in self.machine.catalogue().scatter for place in s.places
             if not self.row(s.parameter.name).identifiable},
        )  # fmt: skip
        rest = (
            ("Hard to tell from each other", sorted(pairs)),
            ("How big they are it does not tell", vague),
            ("Within the spread of healthy machines it does not tell", untold),
            ("Circles alone against squares alone of the same length, told from healthy", better),
        )
        return out + [f"{lead}: {'; '.join(those)}." for lead, those in rest if those]

    @property
    def _parts(self) -> tuple[Identifiability | None, Identifiability | None]:
        return self.circles, self.squares

    def to_dict(self) -> dict[str, Any]:
        """Return everything as plain Python types."""
        parts = {"circles": self.circles, "squares": self.squares}
        return {
            "test": self.test.to_dict(),
            "length_mm": self.length,
            "rows": [
                fields_of(r) | {"part_left": r.left, "identifiable": r.identifiable}
                for r in self.rows
            ],
            **fields_of(self, "blind", "power"),
            **{name: part.to_dict() for name, part in parts.items() if part is not None},
        }

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw the part of each prior interval that is left; takes and returns Axes."""
        from gantrysim.plotting.intervals import plot_identifiability

        return plot_identifiability(self, ax)

    def __repr__(self) -> str:
        told = sum(row.identifiable for row in self.rows)
        seen = sum(p.seen >= SEEN for p in self.power)
        return (
            f"Identifiability({told} of {len(self.rows)} parameters identifiable, {seen} of "
            f"{len(self.power)} faults told from healthy, blind in {len(self.blind)} directions)"
        )

    def _repr_html_(self) -> str:
        ends = "{:.4g} to {:.4g}".format
        rows = (
            (
                self.words_of(r.name),
                ends(r.low, r.high),
                ends(r.prior_low, r.prior_high),
                r.unit,
                f"{r.left:.2f}",
            )
            for r in self.rows
        )
        heads = ("parameter", "expected 95 %", "believed before", "unit", "part left")
        said = "".join(f"<p>{html.escape(row)}</p>" for row in self._words())
        return f"{said}{Table(heads, rows, repr(self)).html()}"
