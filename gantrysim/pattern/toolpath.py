"""A path of straight moves and arcs, such as a customer's job: what to draw beside ring tests.

Lengths are commanded carriage positions in mm in the machine frame, as in
`gantrysim.pattern.ringtest`.
"""

from __future__ import annotations

import html
import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gantrysim.pattern.outlines import MIN_CIRCLE_STEPS, straight, straights
from gantrysim.pattern.strokes import Stroke
from gantrysim.records import limits
from gantrysim.records.arrays import Array
from gantrysim.records.checks import finite_number, point, positive
from gantrysim.records.doors import checked

TRAVEL_STEPS = 4  # travel moves burn nothing, so they may be sampled this much coarser


@checked
@dataclass(frozen=True)
class Move:
    """One straight move or arc.

    Parameters
    ----------
    start, end : (float, float)
        mm.
    burned : bool
        Whether the beam is on, or the pen down.
    speed : float
        mm/s.
    centre : (float, float), optional
        Of an arc, mm; a straight move has none.
    turn : float
        Angle of an arc, rad, counter-clockwise positive, up to one whole turn.

    Raises
    ------
    ValueError
        If a number is not finite, the speed is not positive, or an arc has no turn or no radius.
    """

    start: tuple[float, float]
    end: tuple[float, float]
    burned: bool
    speed: float
    centre: tuple[float, float] | None = None
    turn: float = 0.0

    def __post_init__(self) -> None:
        put = object.__setattr__
        put(self, "start", point(self.start, "start of a move"))
        put(self, "end", point(self.end, "end of a move"))
        put(self, "speed", positive(self.speed, "speed of a move"))
        if self.centre is None:
            return
        put(self, "centre", point(self.centre, "centre of an arc"))
        put(self, "turn", finite_number(self.turn, "turn of an arc"))
        if not 0.0 < abs(self.turn) <= math.tau * (1 + 1e-12):
            raise ValueError(f"turn of an arc must be above 0, up to 2 pi, found {self.turn:g}.")
        if self.radius == 0.0:
            raise ValueError("an arc must have a radius, found its start at its centre.")

    @property
    def radius(self) -> float:
        """Of an arc, from its centre to its start, mm; 0 for a straight move."""
        return 0.0 if self.centre is None else math.dist(self.start, self.centre)

    @property
    def length(self) -> float:
        """Along the move, mm."""
        if self.centre is None:
            return math.dist(self.start, self.end)
        return self.radius * abs(self.turn)

    def points(self, step: float) -> Array:
        """Samples from start to end, at most `step` mm apart, shape (n, 2), mm.

        Arcs hold the points where x or y turns back, as the motion is exact only if those are
        samples.  Where the end lies off the circle by a rounding, the radius changes evenly.
        """
        start, end = np.asarray(self.start), np.asarray(self.end)
        if self.centre is None:
            return straight(start, end, step)
        centre = np.asarray(self.centre)
        sign = math.copysign(1.0, self.turn)
        begin = math.atan2(*(start - centre)[::-1]) / (math.pi / 2)  # in quarter turns
        quarters = abs(self.turn) / (math.pi / 2)
        ahead = np.arange(math.floor(sign * begin) + 1, math.ceil(sign * begin + quarters))
        knots = np.concatenate([[0.0], ahead - sign * begin, [quarters]])
        knots = knots[np.r_[True, np.diff(knots) > 1e-12]]
        largest = min(step / self.radius, math.tau / MIN_CIRCLE_STEPS) / (math.pi / 2)
        parts = [
            a + (b - a) * np.arange(n) / n
            for a, b in pairwise(knots)
            for n in [max(2, math.ceil((b - a) / largest * (1 - 1e-12)))]
        ]
        along = np.concatenate([*parts, [quarters]])
        angle = sign * along * (math.pi / 2)
        unit = (start - centre) / self.radius
        cos, sin = np.cos(angle), np.sin(angle)
        radius = self.radius + (math.dist(end, centre) - self.radius) * along / quarters
        xy = centre + radius[:, None] * np.column_stack(
            [unit[0] * cos - unit[1] * sin, unit[1] * cos + unit[0] * sin]
        )
        xy[0], xy[-1] = start, end
        return xy


@checked
@dataclass(frozen=True)
class Toolpath:
    """Moves in drawing order; `simulate` predicts what a machine makes of them.

    Parameters
    ----------
    moves : tuple of Move
        Each starts where the one before ended, mm.
    acceleration, centripetal : float
        Limits along and across the path, mm/s^2.
    corner_speed_change : float
        Largest jump of the velocity vector allowed at a corner, mm/s.
    source : str
        Where it came from, for titles.
    names : tuple of str
        What its drawing calls each move, empty where it has no name; none at all if absent.

    Raises
    ------
    ValueError
        If nothing is drawn, names are not one a move, a move does not start where the one before
        ended, or a limit is not positive.

    Examples
    --------
    >>> import gantrysim as gs
    >>> from gantrysim.pattern import Move
    >>> along = Move((20.0, 20.0), (80.0, 20.0), burned=True, speed=40.0)
    >>> up = Move((80.0, 20.0), (80.0, 60.0), burned=True, speed=40.0)
    >>> path = gs.Toolpath((along, up))
    >>> path
    Toolpath(2 moves, 2 drawn, 100.0 mm)
    >>> gs.simulate(gs.Machine(), path)
    PathBurn(1 lines, 100 mm, error 38 µm rms, 58 µm most)
    """

    moves: tuple[Move, ...]
    acceleration: float = 800.0
    centripetal: float = 800.0
    corner_speed_change: float = 8.0
    source: str = ""
    names: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        put = object.__setattr__
        put(self, "moves", tuple(self.moves))
        if self.names and len(self.names) != len(self.moves):
            raise ValueError(
                f"names must be one a move, {len(self.moves)} in all, found {len(self.names)}."
            )
        for name in ("acceleration", "centripetal", "corner_speed_change"):
            put(self, name, positive(getattr(self, name), name))
        if not any(move.burned and move.length > 0.0 for move in self.moves):
            raise ValueError("a path must draw something, found no move with the beam on.")
        for number, (one, other) in enumerate(pairwise(self.moves)):
            if one.end != other.start:
                raise ValueError(
                    f"move {number + 1} must start where the one before ended, {one.end}, "
                    f"found {other.start}."
                )

    @property
    def length(self) -> float:
        """Of all that is drawn, mm."""
        return sum(move.length for move in self.moves if move.burned)

    def strokes(self, step: float = 0.5) -> tuple[Stroke, ...]:
        """Travel moves and burned strokes in drawing order.

        Parameters
        ----------
        step : float
            Largest distance between samples along a burned stroke, mm.

        Returns
        -------
        tuple of Stroke
            With the shapes "straight", "arc" (its size is the radius, mm) and "travel"; `ring`
            counts the chains that are drawn without lifting, from 0.  Straight moves of one
            speed that follow each other are one stroke.

        Raises
        ------
        ValueError
            If the step is not positive, or so small that too many points would be needed.
        """
        return self.sampled(step)[0]

    def sampled(self, step: float = 0.5) -> tuple[tuple[Stroke, ...], NDArray[np.int64]]:
        """`strokes`, and where each move lies among their samples laid end to end.

        Parameters
        ----------
        step : float
            As for `strokes`, mm.

        Returns
        -------
        strokes : tuple of Stroke
            As from `strokes`.
        rows : ndarray of int, shape (moves, 2)
            First and last sample of each move; -1 for a move of no length.
        """
        step = positive(step, "step")
        runs: list[list[int]] = []
        points = 0.0
        for k, move in enumerate(self.moves):
            length = move.length
            points += length / step + MIN_CIRCLE_STEPS
            if length == 0.0:
                continue
            if runs and _one_stroke(self.moves[runs[-1][-1]], move):
                runs[-1].append(k)
            else:
                runs.append([k])
        if points > limits.POINTS:
            raise ValueError(
                f"step {step:g} mm would need about {points:.2g} points for this path, "
                f"over the {limits.POINTS:.0e} accepted; take a larger step."
            )
        strokes: list[Stroke] = []
        rows = np.full((len(self.moves), 2), -1)
        chain, first = -1, 0
        for run in runs:
            move = self.moves[run[0]]
            parts = _points(self.moves, run, step if move.burned else TRAVEL_STEPS * step)
            ends = first + np.cumsum([len(part) - 1 for part in parts])
            rows[run] = np.column_stack([np.r_[first, ends[:-1]], ends])
            xy = np.concatenate([parts[0], *(part[1:] for part in parts[1:])])
            first += len(xy)
            if not move.burned:
                strokes.append(Stroke("travel", -1, 0.0, -1, xy, move.speed))
                continue
            chain += not strokes or strokes[-1].shape == "travel"
            shape = "straight" if move.centre is None else "arc"
            strokes.append(Stroke(shape, chain, move.radius, 0, xy, move.speed))
        return tuple(strokes), rows

    def beside_strokes(self, step: float = 0.5) -> tuple[Stroke, ...]:
        """Nothing: only ring tests have marks beside them."""
        return ()

    def plot(self, ax: Any = None) -> Any:
        """Draw the commanded path; takes and returns matplotlib Axes, mm."""
        from gantrysim.plotting.paths import plot_toolpath

        return plot_toolpath(self, ax=ax)

    def summary(self) -> str:
        """The path in one plain sentence."""
        arcs = sum(move.burned and move.centre is not None for move in self.moves)
        lines = sum(move.burned and move.centre is None for move in self.moves)
        where = f" from {self.source}" if self.source else ""
        return (
            f"A path{where} of {lines} straight moves and {arcs} arcs, {self.length:.1f} mm drawn."
        )

    def __repr__(self) -> str:
        drawn = sum(move.burned for move in self.moves)
        return f"Toolpath({len(self.moves)} moves, {drawn} drawn, {self.length:.1f} mm)"

    def _repr_html_(self) -> str:
        return f"<p><b>Path</b>: {html.escape(self.summary())}</p>"


def _one_stroke(one: Move, other: Move) -> bool:
    """Whether a move goes on in the stroke of the one before it."""
    straight = one.centre is None and other.centre is None
    return one.burned and other.burned and straight and one.speed == other.speed


def _points(moves: Sequence[Move], run: list[int], step: float) -> list[Array]:
    """Samples of each move of a stroke, mm."""
    if moves[run[0]].centre is not None:
        return [moves[run[0]].points(step)]
    starts = np.array([moves[k].start for k in run])
    ends = np.array([moves[k].end for k in run])
    return straights(starts, ends, step)
