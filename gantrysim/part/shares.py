"""Shares of machine, cut and instrument in the sizes of a part, told by all sizes at once.

The machine's shares are jointly normal by the draws of what is known of it, the cut is so by what
is believed of its width, and the instrument by what its readings share and by what each has alone.
What was measured is conditioned upon; what each reading has alone is what is left of it, so that
the shares of a size add up to it.  A reading that the others speak against is left out, and so is a
width of the cut that was stated, once holes and outsides speak for another one.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, logit, ndtr

from gantrysim.part.kerf import Kerf, kerf_of
from gantrysim.part.prediction import Prediction
from gantrysim.part.sheet import PartSizes
from gantrysim.records.arrays import Array

#: Probability from which a share is proven, and to which it is disproven.
PROVEN = 0.95
#: A reading that lies this many standard uncertainties off what all others say is left out.
STRAY = 3.5
#: Chance that a cut is not as wide as stated: another sheet, another focus, or a control that
#: shifts the path although the drawing allows for the cut (judgement).
MISSTATED = 0.05

#: Places of readings.
Rows = NDArray[np.intp]


@dataclass(frozen=True)
class Share:
    """Part of an error.

    Parameters
    ----------
    value, uncertainty : float
        And its standard uncertainty, mm or degrees.
    """

    value: float
    uncertainty: float

    def beyond(self, limit: float) -> float:
        """Probability that it is further from zero than a limit."""
        if self.uncertainty <= 0.0:
            return float(abs(self.value) > limit)
        off = (np.array([-limit, limit]) - self.value) / self.uncertainty
        return float(ndtr(off[0]) + 1.0 - ndtr(off[1]))

    def __str__(self) -> str:
        return f"{self.value:+.2f} ± {2.0 * self.uncertainty:.2f}"


#: What has no part in an error.
NONE = Share(0.0, 0.0)


class Read(NamedTuple):
    """What was read of one feature, and the shares in it of the instrument and of nobody."""

    measured: Share
    instrument: Share
    left: Share


@dataclass(frozen=True, eq=False)
class Shares:
    """Shares of machine and cut in all features, and readings of those that were measured.

    Parameters
    ----------
    prediction : Prediction
        What was expected, with the cut as it was stated.
    machine, deviation : ndarray, shape (features,)
        What the machine adds, and its standard deviation, mm or degrees.
    cut : Share
        Width of the cut, mm; below zero where the control shifted the path by more than it.
    width : Kerf
        The same, with where it comes from.
    read : dict of int to Read
        By the place of the feature.
    misstated : bool
        Whether the sizes speak against the width that was stated.
    """

    prediction: Prediction
    machine: Array
    deviation: Array
    cut: Share
    width: Kerf
    read: dict[int, Read] = field(default_factory=dict)
    misstated: bool = False

    @classmethod
    def of(cls, prediction: Prediction, sheet: PartSizes | None) -> Shares:
        """Shares as the machine tells them, and the sizes where some were measured."""
        if sheet is not None:
            return _Sizes.of(prediction, sheet).shares()
        kerf = prediction.kerf
        told = (np.sqrt(_spread(prediction)), Share(kerf.width, kerf.uncertainty), kerf)
        return cls(prediction, prediction.errors.mean(axis=0), *told)


def _spread(prediction: Prediction) -> Array:
    """Variance of what the machine adds to each feature, shape (features,)."""
    errors = prediction.errors
    own = errors.var(axis=0, ddof=min(1, len(errors) - 1)) + prediction.model**2
    return np.asarray(own)


@dataclass(frozen=True, eq=False)
class _Sizes:
    """Readings beside what machine and cut make of them.

    Parameters
    ----------
    values : ndarray, shape (n,)
        What was read; lines of a plate as if they were as wide as the cut.
    columns : ndarray, shape (n,)
        Place of the feature of each reading.
    surprise : ndarray, shape (n,)
        What was read less what is drawn and what the machine is expected to add.
    machine : ndarray, shape (features, n)
        How the machine's shares vary with those of what was read.
    shared : ndarray, shape (n, k)
        What the instrument adds to all readings, at one standard deviation each.
    alone : ndarray, shape (n,)
        Variance of what each reading has alone.
    told : bool
        Whether the readings tell the cut: lines of a plate hold their own width for certain.
    """

    prediction: Prediction
    values: Array
    columns: Rows
    surprise: Array
    machine: Array
    shared: Array
    alone: Array
    told: bool

    @classmethod
    def of(cls, prediction: Prediction, sheet: PartSizes) -> _Sizes:
        columns = np.array([prediction.column(reading.name) for reading in sheet.readings])
        mean, model = prediction.errors.mean(axis=0), prediction.model
        off = prediction.errors - mean
        among = off.T @ off[:, columns] / max(len(off) - 1, 1)
        # readings of one feature share its true size, and how far its prediction is off
        among += np.outer(model, model[columns]) * (np.arange(len(mean))[:, None] == columns)
        values, told = sheet.values, sheet.cut is None
        if sheet.cut is not None:
            values = values + prediction.added[columns] * (prediction.kerf.width - sheet.cut.width)
        drawn = np.array([feature.drawn for feature in sheet.features])
        own = (values - drawn - mean[columns], among, sheet.instrument, sheet.uncertainty**2, told)
        return cls(prediction, values, columns, *own)

    def under(self, cut: Kerf) -> tuple[Array, Array]:
        """Covariance of the readings, and their surprise, for what is believed of the cut."""
        added = self.prediction.added[self.columns]
        doubt = added * cut.uncertainty
        real = self.machine[self.columns] + self.shared @ self.shared.T + np.diag(self.alone)
        return real + np.outer(doubt, doubt), self.surprise - added * cut.width

    def shares(self) -> Shares:
        """All shares, given all readings that agree."""
        stated = self.prediction.kerf
        misstated = self.told and self._contradict(stated)
        believed = kerf_of(None) if misstated else stated
        known = _Known.of(*self.under(believed if self.told else replace(stated, uncertainty=0.0)))
        gained, certain = known.tell(self.machine)
        machine = self.prediction.errors.mean(axis=0) + gained
        deviation = np.sqrt(np.maximum(_spread(self.prediction) - certain, 0.0))
        added = self.prediction.added[self.columns]
        shift, certain = known.tell(believed.uncertainty**2 * added * self.told)
        cut = _share(believed.width + float(shift), believed.uncertainty**2 - certain)
        told = cut.uncertainty < 0.9 * believed.uncertainty
        origin = "as the part tells it" if told else stated.origin
        width = Kerf(max(cut.value, 0.0), cut.uncertainty, origin)
        read = {
            k: self._read(np.flatnonzero(self.columns == k), known, machine[k], cut.value)
            for k in dict.fromkeys(self.columns.tolist())
        }
        return Shares(self.prediction, machine, deviation, cut, width, read, misstated)

    def _contradict(self, stated: Kerf) -> bool:
        """Whether the sizes speak for another cut than was stated, whichever of them is left out.

        Both are weighed on the readings that agree with each other whatever the cut.
        """
        wide = kerf_of(None)
        kept = _Known.of(*self.under(wide)).kept
        other, said = (_log_densities(*self.under(cut), kept) for cut in (wide, stated))
        odds = float(logit(MISSTATED)) + float(np.min(other - said))
        return float(expit(odds)) * (1.0 - self.prediction.unknown) >= PROVEN

    def _read(self, rows: Rows, known: _Known, machine: float, cut: float) -> Read:
        """What was read of one feature, and what of it is the instrument's and nobody's."""
        k = self.columns[rows[0]]
        part = np.full(len(rows), 1.0 / len(rows))
        own = part @ self.shared[rows]
        value = float(part @ self.values[rows])
        measured = _share(value, own @ own + part**2 @ self.alone[rows])
        shift, certain = known.tell(own @ self.shared.T)
        instrument = _share(float(shift), own @ own - certain)
        drawn = self.prediction.drawing.features[k].drawn
        left = value - drawn - machine - self.prediction.added[k] * cut - instrument.value
        # the others tell what a reading shares with them, not what it has alone
        total, alone = part @ known.total[rows], np.zeros(len(self.alone))
        alone[rows] = part * self.alone[rows]
        told = (total - alone)[known.kept] @ known.gain @ (total + alone)[known.kept]
        return Read(measured, instrument, _share(left, total[rows] @ part - told))


def _share(value: float, variance: float | Array) -> Share:
    """A share; rounding must not make a variance negative."""
    return Share(value, math.sqrt(max(float(variance), 0.0)))


@dataclass(frozen=True, eq=False)
class _Known:
    """Readings that agree, conditioned upon.

    Parameters
    ----------
    total : ndarray, shape (n, n)
        Covariance of all readings.
    kept : ndarray, shape (m,)
        Places of those that agree.
    gain : ndarray, shape (m, m)
        Inverse of their covariance.
    pull : ndarray, shape (m,)
        That times their surprise.
    """

    total: Array
    kept: Rows
    gain: Array
    pull: Array

    @classmethod
    def of(cls, total: Array, surprise: Array) -> _Known:
        """Leave out, one by one, the reading that the others speak most against."""
        kept = np.arange(len(surprise))
        while True:
            gain = np.asarray(np.linalg.inv(total[np.ix_(kept, kept)]))
            pull = gain @ surprise[kept]
            # what the others leave of each: its own part of the pull over its root precision
            off = np.abs(pull) / np.sqrt(np.diag(gain))
            if len(kept) <= 2 or off.max() <= STRAY:
                return cls(total, kept, gain, pull)
            kept = np.delete(kept, int(np.argmax(off)))

    def tell(self, among: Array) -> tuple[Array, Array]:
        """Expected shift of numbers, and how much less their variance becomes.

        ``among``: their covariance with all readings, shape (..., n).
        """
        own = among[..., self.kept]
        return own @ self.pull, np.sum((own @ self.gain) * own, axis=-1)


def _log_densities(total: Array, surprise: Array, kept: Rows) -> Array:
    """Log density of the readings kept, and of them without each in turn; all but a constant."""
    own = surprise[kept]
    precision = np.linalg.inv(total[np.ix_(kept, kept)])
    pull, sharp = precision @ own, np.diag(precision)
    whole = 0.5 * (np.linalg.slogdet(precision)[1] - own @ pull)
    return np.append(whole - 0.5 * (np.log(sharp) - pull**2 / sharp), whole)
