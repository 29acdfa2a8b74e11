"""Positioning of one axis in the manner of ISO 230-2: targets approached from both sides.

Symbols of ISO 230-2:2014 clause 3 (from memory).  At target i, x̄↑ and x̄↓ are the mean deviations
of the runs that approach it in the positive and in the negative direction, s↑ and s↓ their standard
deviations (n - 1).  The 2 s are those of the standard and no coverage statement.  Lengths in mm.

A drawn side of a square is the place where the axis stopped coming from inside, so nested squares
give positive targets approached upwards and negative ones downwards: one approach each
(`side_positions`).  Both approaches to one target need lines drawn from outside as well.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike

from gantrysim.metrology.uncertainty import coverage_interval
from gantrysim.records.arrays import Array
from gantrysim.records.checks import finite_number
from gantrysim.records.doors import checked
from gantrysim.records.files import AnyPath, write_new_text
from gantrysim.records.table import Table

if TYPE_CHECKING:
    from matplotlib.axes import Axes


LEAST_TARGETS = 2
LEAST_RUNS = 2
TRIALS = 4000
DEFINITIONS = {
    "B": "reversal value: largest |x̄↑ - x̄↓| over the targets",
    "B_mean": "mean reversal value: mean of x̄↑ - x̄↓, signed",
    "R_up": "unidirectional repeatability upwards: largest 4 s↑",
    "R_down": "unidirectional repeatability downwards: largest 4 s↓",
    "R": "bi-directional repeatability: largest of 2 s↑ + 2 s↓ + |x̄↑ - x̄↓|, 4 s↑ and 4 s↓",
    "E_up": "unidirectional systematic deviation upwards: range of x̄↑",
    "E_down": "unidirectional systematic deviation downwards: range of x̄↓",
    "E": "bi-directional systematic deviation: range of all x̄↑ and x̄↓",
    "M": "mean bi-directional deviation: range of (x̄↑ + x̄↓)/2",
    "A_up": "unidirectional accuracy upwards: largest x̄↑ + 2 s↑ less smallest x̄↑ - 2 s↑",
    "A_down": "unidirectional accuracy downwards: largest x̄↓ + 2 s↓ less smallest x̄↓ - 2 s↓",
    "A": "bi-directional accuracy: largest x̄ + 2 s less smallest x̄ - 2 s over both approaches",
}
BIASED = ("B", "R_up", "R_down", "R", "E_up", "E_down", "E", "M", "A_up", "A_down", "A")


@checked
@dataclass(frozen=True, eq=False)
class Positioning:
    """Deviations of an axis from its targets, and the numbers of ISO 230-2:2014 clause 3.

    All of them but `B_mean` are largest values or ranges over targets, so noise of the reading only
    makes them larger.

    Parameters
    ----------
    targets : ndarray, shape (m,)
        Target positions, mm, ascending.
    up, down : ndarray, shape (m, n), or None
        Actual less target position of each run, mm, approached in the positive and the negative
        direction; None for an approach that was not measured.
    reading : float
        Standard uncertainty of one reading by the instrument, mm, the same and independent for all.
    """

    targets: Array
    up: Array | None
    down: Array | None
    reading: float = 0.0

    @property
    def mean_up(self) -> Array:
        """Mean unidirectional deviations x̄↑, mm, shape (m,)."""
        return np.asarray(self._needed("up").mean(axis=-1))

    @property
    def mean_down(self) -> Array:
        """Mean unidirectional deviations x̄↓, mm, shape (m,)."""
        return np.asarray(self._needed("down").mean(axis=-1))

    @property
    def reversal(self) -> Array:
        """Reversal values x̄↑ - x̄↓ at the targets, mm, signed, shape (m,)."""
        return self.mean_up - self.mean_down

    @property
    def both(self) -> bool:
        """Whether both approaches were measured."""
        return self.up is not None and self.down is not None

    def __getitem__(self, name: str) -> float:
        """One number by its name in `DEFINITIONS`, mm; KeyError where it was not measured."""
        if name in self.values:
            return self.values[name]
        raise KeyError(f"{name!r} is not among the numbers measured: {', '.join(self.values)}.")

    @cached_property
    def values(self) -> dict[str, float]:
        """Every number of `DEFINITIONS` that the measured approaches allow, mm."""
        drawn = _numbers(*(None if runs is None else runs[None] for runs in (self.up, self.down)))
        return {name: float(value[0]) for name, value in drawn.items()}

    def uncertainty(
        self, rng: np.random.Generator | int = 0, trials: int = TRIALS
    ) -> dict[str, tuple[float, float, float]]:
        """Standard uncertainty and 95 % interval of each number, bias taken off, by Monte Carlo.

        Fresh runs are drawn about the means found, with the standard deviations found (each with
        its n - 1 degrees of freedom) and the uncertainty of the reading; what they give on average
        beyond the numbers without it is the bias.

        Parameters
        ----------
        rng : Generator or int
            Generator, or the seed of a new one.
        trials : int
            Sets of runs drawn.

        Returns
        -------
        dict
            By name (u, low, high), mm.  The interval is about the value less the bias, not below
            zero for what cannot be negative.

        References
        ----------
        JCGM 101:2008 clause 7; ISO/TR 230-9 treats the budget of such tests (both from memory).
        """
        generator = np.random.default_rng(rng)
        fresh = [
            None if runs is None else _fresh(runs, self.reading, generator, trials)
            for runs in (self.up, self.down)
        ]
        drawn = _numbers(*fresh)
        found = {}
        for name, value in self.values.items():
            low, high = coverage_interval(drawn[name] - value)
            least = 0.0 if name in BIASED else -math.inf
            u = float(drawn[name].std(ddof=1))
            found[name] = (u, max(value - high, least), max(value - low, least))
        return found

    def to_dict(self) -> dict[str, Any]:
        """Plain numbers, mm."""
        content: dict[str, Any] = {"targets_mm": self.targets.tolist()}
        for name in ("up", "down"):
            runs = getattr(self, name)
            content[f"{name}_mm"] = None if runs is None else runs.tolist()
        return content | {f"{name}_mm": value for name, value in self.values.items()}

    def to_csv(self, path: AnyPath, overwrite: bool = False) -> Path:
        """Write one line a number: name, value, u, interval, definition.

        Raises
        ------
        FileExistsError
            If the file exists and `overwrite` is false.
        """
        heads = ("name", "value_mm", "u_mm", "low_mm", "high_mm", "definition")
        spread = self.uncertainty()
        rows = [(name, v, *spread[name], DEFINITIONS[name]) for name, v in self.values.items()]
        return write_new_text(path, Table(heads, rows).csv(), overwrite=overwrite)

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw the mean deviations of both approaches with their 2 s over the targets."""
        from gantrysim.plotting.measures import plot_positioning

        return plot_positioning(self, ax)

    def __repr__(self) -> str:
        runs = self.up if self.up is not None else self.down
        count = 0 if runs is None else runs.shape[1]
        each = ", ".join(
            f"{name} {1e3 * self.values[name]:.1f}"
            for name in ("A", "R", "E", "B", "M", "A_up", "A_down")
            if name in self.values and (self.both == (not name.endswith(("up", "down"))))
        )
        return f"Positioning({len(self.targets)} targets, {count} runs: {each} µm)"

    def _repr_html_(self) -> str:
        spread = self.uncertainty()
        rows = []
        for name, value in self.values.items():
            u, low, high = (f"{1e3 * v:.2f}" for v in spread[name])
            words = (name.replace("_", " "), DEFINITIONS[name])
            rows.append((words[0], f"{1e3 * value:.2f}", u, f"{low} to {high}", words[1]))
        caption = "Positioning, ISO 230-2 (definitions from memory), µm"
        return Table(("", "value", "u", "95 %", "definition"), rows, caption).html()

    def _needed(self, name: str) -> Array:
        runs: Array | None = getattr(self, name)
        if runs is None:
            raise ValueError(f"the targets were not approached {name}wards.")
        return runs


@checked
def positioning(
    targets: ArrayLike, up: ArrayLike | None, down: ArrayLike | None, *, reading: float = 0.0
) -> Positioning:
    """Evaluate a positioning test.

    Parameters
    ----------
    targets : array_like, shape (m,)
        Target positions, mm, in any order.
    up, down : array_like, shape (m, n), or None
        Actual less target position of each run (columns) at each target (rows), mm, approached in
        the positive and the negative direction.  The standard asks for five runs and at least five
        targets a metre (from memory); two of each are the least that give every number.
    reading : float
        Standard uncertainty of one reading, mm.

    Raises
    ------
    ValueError
        If shapes do not fit, a number is not finite, targets repeat, or no approach is given.
    """
    places = np.asarray(targets, dtype=np.float64)
    if places.ndim != 1 or len(places) < LEAST_TARGETS or not np.isfinite(places).all():
        raise ValueError(
            f"targets must be {LEAST_TARGETS} or more finite positions in mm, "
            f"found shape {places.shape}."
        )
    if len(np.unique(places)) < len(places):
        raise ValueError("targets must differ; put repeated approaches into runs (columns).")
    if finite_number(reading, "reading") < 0:
        raise ValueError(f"reading must be zero or more, found {reading!r}.")
    if up is None and down is None:
        raise ValueError("up or down must be given: deviations of runs at the targets, mm.")
    order = np.argsort(places)
    checked = [
        None if runs is None else _checked_runs(runs, len(places), name)[order]
        for name, runs in (("up", up), ("down", down))
    ]
    return Positioning(places[order], checked[0], checked[1], float(reading))


def _checked_runs(runs: ArrayLike, targets: int, name: str) -> Array:
    table = np.asarray(runs, dtype=np.float64)
    if table.ndim != 2 or table.shape[0] != targets or table.shape[1] < LEAST_RUNS:
        raise ValueError(
            f"{name} must have a row for each of the {targets} targets and {LEAST_RUNS} or more "
            f"columns (runs), found shape {table.shape}."
        )
    wrong = np.argwhere(~np.isfinite(table))
    if len(wrong):
        row, column = wrong[0].tolist()
        raise ValueError(f"{name}, target {row}, run {column}: must be a finite number in mm.")
    return table


def _sd(runs: Array) -> Array:
    return np.asarray(runs.std(axis=-1, ddof=1))


def _fresh(runs: Array, reading: float, rng: np.random.Generator, trials: int) -> Array:
    """Runs drawn anew, shape (trials, m, n)."""
    m, n = runs.shape
    # the spread of the runs holds that of the reading already, so only the larger of both is drawn;
    # each target's standard deviation is itself known from n - 1 degrees of freedom only
    spread = np.maximum(_sd(runs), reading)
    unknown = np.sqrt((n - 1) / rng.chisquare(n - 1, (trials, m)))
    noise = rng.standard_normal((trials, m, n))
    # the mean is uncertain by the unknown spread; the scatter of the runs is drawn about the found
    middle = noise.mean(axis=-1, keepdims=True)
    scatter = (noise - middle) + unknown[:, :, None] * middle
    return np.asarray(runs.mean(axis=-1)[None, :, None] + spread[None, :, None] * scatter)


def _range(values: Array) -> Array:
    return np.asarray(np.ptp(values, axis=-1))


def _numbers(up: Array | None, down: Array | None) -> dict[str, Array]:
    """Every number of `DEFINITIONS`, for many sets of runs at once, shape (trials,)."""
    found: dict[str, Array] = {}
    lows, highs, means = [], [], []
    for name, runs in (("up", up), ("down", down)):
        if runs is None:
            continue
        mean, s = runs.mean(axis=-1), _sd(runs)
        found[f"R_{name}"] = 4 * s.max(axis=-1)
        found[f"E_{name}"] = _range(mean)
        found[f"A_{name}"] = (mean + 2 * s).max(axis=-1) - (mean - 2 * s).min(axis=-1)
        lows.append(mean - 2 * s)
        highs.append(mean + 2 * s)
        means.append(mean)
    if up is not None and down is not None:
        apart = means[0] - means[1]
        found["B"] = np.abs(apart).max(axis=-1)
        found["B_mean"] = apart.mean(axis=-1)
        each = 2 * _sd(up) + 2 * _sd(down) + np.abs(apart)
        found["R"] = np.maximum.reduce([each.max(axis=-1), found["R_up"], found["R_down"]])
        found["E"] = _range(np.concatenate(means, axis=-1))
        found["M"] = _range((means[0] + means[1]) / 2)
        found["A"] = np.concatenate(highs, -1).max(axis=-1) - np.concatenate(lows, -1).min(axis=-1)
    return {name: found[name] for name in DEFINITIONS if name in found}
