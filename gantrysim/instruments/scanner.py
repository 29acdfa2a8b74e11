"""What a scanner does to lengths, its scale, scale difference and skew, and how well it is known.

To first order a flatbed scanner shows a place p of the piece at S p with
S = [[1 + common + difference/2, skew], [0, 1 + common - difference/2]].  One scan cannot tell S
from the piece; a second one after a quarter turn tells the difference and the skew, for they stay
with the scanner while the piece turns, and a known length tells the common scale (self-calibration
of two-dimensional stages; a turn of 180 degrees tells neither).  Errors that are not even over the
glass stay, and bound what two scans tell: see `unevenness`.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass, field

import numpy as np

from gantrysim.records.arrays import Array
from gantrysim.records.checks import require
from gantrysim.records.doors import checked

#: Standard deviations of a scanner nobody has checked: common scale, scale difference x - y, skew
#: (rad).  A flatbed scanner is good to 0.1..0.3 mm over A4 (judgement on published scanner tests).
COMMON, DIFFERENCE, SKEW = 1.0e-3, 4.0e-4, 3.0e-4

#: A scanner known better than this part of an unchecked one's was checked (judgement).
_CHECKED = 0.8

#: How well lines are known that nothing has read; no scanner is, however it was checked.
EXACT = 1e-5

#: What is uneven over the glass once scale, difference and skew are taken out: its standard
#: deviation, mm, and the length over which it stays alike, mm.  20..50 um are left after
#: calibration (judgement on published scanner tests); smooth over the length of a hand.
UNEVEN, ALIKE = 0.02, 100.0


def _unchecked() -> Array:
    return np.diag([COMMON**2, DIFFERENCE**2, SKEW**2])


@checked
@dataclass(frozen=True, eq=False)
class ScannerError:
    """What is believed of a scanner's errors in the frame of the piece.

    Parameters
    ----------
    mean : (float, float, float)
        Common scale, scale difference x - y, skew (rad) that the measured points still hold.
    covariance : ndarray, shape (3, 3)
        Of the three; that of an unchecked flatbed scanner if absent.

    Raises
    ------
    ValueError
        If the covariance is not a positive definite 3 by 3 matrix.

    Examples
    --------
    >>> import gantrysim as gs
    >>> import numpy as np
    >>> gs.instruments.ScannerError()  # of a flatbed that nobody has checked
    ScannerError(mean=(0.0, 0.0, 0.0), covariance=array([[1.0e-06, 0.0e+00, 0.0e+00],
           [0.0e+00, 1.6e-07, 0.0e+00],
           [0.0e+00, 0.0e+00, 9.0e-08]]))
    >>> known = gs.instruments.ScannerError(covariance=np.diag([1e-4, 2e-4, 2e-4]) ** 2)
    """

    mean: tuple[float, float, float] = (0.0, 0.0, 0.0)
    covariance: Array = field(default_factory=_unchecked)

    def __post_init__(self) -> None:
        table = np.array(self.covariance, dtype=float)
        mean = tuple(float(x) for x in self.mean)
        if len(mean) != 3 or not np.isfinite(mean).all():
            raise ValueError(f"mean must be three finite numbers, found {self.mean!r}.")
        if table.shape != (3, 3) or not np.isfinite(table).all() or np.any(table != table.T):
            raise ValueError("covariance must be a symmetric 3 by 3 matrix of finite numbers.")
        if np.linalg.eigvalsh(table).min() <= 0.0:
            raise ValueError("covariance must be positive definite.")
        table.flags.writeable = False
        object.__setattr__(self, "covariance", table)
        object.__setattr__(self, "mean", mean)

    @functools.cached_property
    def root(self) -> Array:
        """Lower triangular root of the covariance: mean + root @ v for standard normal v."""
        return np.asarray(np.linalg.cholesky(self.covariance))

    @property
    def deviations(self) -> tuple[float, float, float]:
        """Standard deviations of common scale, scale difference and skew (rad)."""
        a, b, c = np.sqrt(np.diag(self.covariance)).tolist()
        return a, b, c

    @property
    def unchecked(self) -> tuple[bool, bool]:
        """Whether nobody measured its common scale, and its scale difference and skew."""
        common, difference, skew = self.deviations
        return common > _CHECKED * COMMON, min(difference, skew) > _CHECKED * SKEW

    @property
    def exact(self) -> bool:
        """Whether nothing was read: lines as a simulation has them."""
        return max(self.deviations) < 1.01 * EXACT

    def told(self, rows: Array, values: Array, variance: Array) -> ScannerError:
        """What is believed after something linear in the three was observed.

        Parameters
        ----------
        rows : ndarray, shape (k, 3)
            What each observation sees of the three.
        values : ndarray, shape (k,)
            Observed.
        variance : ndarray, shape (k, k)
            Covariance of the observations.
        """
        rows = np.atleast_2d(rows)
        spread = self.covariance
        gain = spread @ rows.T @ np.linalg.inv(rows @ spread @ rows.T + variance)
        mean = np.array(self.mean) + gain @ (values - rows @ np.array(self.mean))
        left = np.eye(3) - gain @ rows
        after = left @ spread @ left.T + gain @ np.atleast_2d(variance) @ gain.T  # Joseph's form
        a, b, c = mean.tolist()
        return ScannerError((a, b, c), 0.5 * (after + after.T))

    def on_blank(self, strain: float) -> ScannerError:
        """The same scanner over a blank that may have moved since it was burned.

        No check of a scanner tells how wood moves: ``strain`` is the standard deviation of that
        along each axis, one without the other.  A simulated burn is on no blank.
        """
        if self.exact:
            return self
        require(abs(strain) < 1.0, "on_blank", "strain", strain, "a part of the length, below 1")
        moved = np.diag((0.5 * strain**2, 2.0 * strain**2, 0.0))
        return ScannerError(self.mean, self.covariance + moved)

    def turned(self, turn: float) -> ScannerError:
        """The same scanner seen in a frame that is turned by an angle (rad) against its glass.

        Difference and skew turn twice as fast as the frame; the turn that a skew contains is a
        matter of how the piece lies.
        """
        c, s = math.cos(2.0 * turn), math.sin(2.0 * turn)
        turner = np.array(((1.0, 0.0, 0.0), (0.0, c, s), (0.0, -s, c)))
        mean = turner @ np.array(self.mean)
        table = turner @ self.covariance @ turner.T
        return ScannerError(tuple(mean.tolist()), 0.5 * (table + table.T))

    def taken_out(self) -> ScannerError:
        """The same belief once the mean has been taken out of the points."""
        return ScannerError((0.0, 0.0, 0.0), self.covariance)

    @property
    def matrix(self) -> Array:
        """S at the mean, shape (2, 2)."""
        common, difference, skew = self.mean
        return np.array(
            ((1.0 + common + 0.5 * difference, skew), (0.0, 1.0 + common - 0.5 * difference))
        )


def unevenness(spread: float) -> float:
    """What an uneven scanner leaves unknown of scale difference and skew after a quarter turn.

    Parameters
    ----------
    spread : float
        Standard deviation of the points of the piece along x or y, mm.

    Returns
    -------
    float
        Standard deviation, of the difference and of the skew (rad) alike.

    Notes
    -----
    Let e, the uneven error along one axis, have standard deviation s and correlation
    exp(-d^2 / (2 L^2)).  Its least-squares slope a over points spread normally with standard
    deviation w has variance (s / L)^2 (1 + 2 w^2 / L^2)^(-3/2), as E[x x' exp(-(x - x')^2 / 2L^2)]
    is w^4 k^3 / L^2 with k = (1 + 2 w^2 / L^2)^(-1/2).  A piece sees the difference of two such
    slopes, 2 var a; the second scan lies elsewhere on the glass, nobody says where, and sees
    others.  The mean of both is what can be told, and the first is off it by half the difference
    of the two: (2 + 2) var a / 4 = var a.  The same holds for the skew.
    """
    return UNEVEN / ALIKE * (1.0 + 2.0 * (spread / ALIKE) ** 2) ** -0.75


@dataclass(frozen=True, eq=False)
class Separated:
    """What two scans of one piece, turned between them, say of the scanner.

    Parameters
    ----------
    values : ndarray, shape (2,)
        Scale difference and skew (rad) in the frame of the piece as it lay in the first scan.
    covariance : ndarray, shape (2, 2)
        Of both, from reading alone.
    uneven : float
        Standard deviation that unevenness over the glass adds to each, see `unevenness`.
    turn : float
        Turn of the second scan's piece frame against the first's, rad.
    shift : ndarray, shape (2,)
        Its shift, mm.
    rms : float
        What is left between the scans across the lines, mm.
    """

    values: Array
    covariance: Array
    uneven: float
    turn: float
    shift: Array
    rms: float

    def told(self, before: ScannerError) -> ScannerError:
        """What is believed of the scanner after the two scans.

        The first scan's own error scatters about what both share, not the other way round:
        unevenness widens what is believed, and does not draw the estimate back to the prior.
        """
        after = before.told(np.eye(3)[1:], self.values, self.covariance)
        wider = after.covariance + np.diag((0.0, self.uneven**2, self.uneven**2))
        return ScannerError(after.mean, wider)


def separate(
    places: Array, normals: Array, first: Array, second: Array, quarter: float
) -> Separated:
    """Separate the scanner from the piece by two scans.

    Parameters
    ----------
    places, normals : ndarray, shape (n, 2)
        Stations on the piece about its pivot, mm, and unit normals of the lines there.
    first, second : ndarray, shape (n, 2)
        The line at each station in both scans, each turned back upright, mm.
    quarter : float
        Turn of the piece on the glass from the first to the second scan, rad.

    Notes
    -----
    Linear least squares across the lines: difference and skew in the first scan's frame, and the
    turn and shift left between the scans, with Huber weights.  A scanner error E shows as
    R(-t) E R(t) in the frame of a piece that lies at t.
    """
    c, s = math.cos(2.0 * quarter), math.sin(2.0 * quarter)
    stretch = np.column_stack((0.5 * places[:, 0], -0.5 * places[:, 1]))
    shear = 0.5 * places[:, ::-1]  # the even part of a skew; the rest is a turn
    spun = np.column_stack((-places[:, 1], places[:, 0]))
    moves = ((c - 1.0) * stretch - s * shear, s * stretch + (c - 1.0) * shear, spun)
    columns = np.column_stack([np.sum(normals * move, axis=1) for move in moves])
    # difference d and skew k seen in a frame turned by t: d cos 2t + k sin 2t, k cos 2t - d sin 2t
    table = np.column_stack((columns, normals))
    apart = np.sum(normals * (second - first), axis=1)
    weight = np.ones(len(apart))
    for _ in range(8):
        found = np.linalg.lstsq(table * weight[:, None], apart * weight, rcond=None)[0]
        left = apart - table @ found
        scale = 1.4826 * float(np.median(np.abs(left))) + 1e-9
        weight = np.sqrt(np.minimum(1.0, 2.0 * scale / np.maximum(np.abs(left), 1e-12)))
    normal = (table * weight[:, None]).T @ (table * weight[:, None])
    # neighbours along a line share their error: as if every eighth point counted
    spread = 8.0 * scale**2 * np.asarray(np.linalg.inv(normal)[:2, :2], dtype=np.float64)
    uneven = unevenness(float(np.sqrt(np.mean(np.var(places, axis=0)))))
    return Separated(found[:2], spread, uneven, float(found[2]), found[3:], scale)
