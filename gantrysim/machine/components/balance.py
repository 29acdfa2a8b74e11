"""How the wheels of a plate share the pinch of its eccentric nuts: loads, play, stiffness.

A plate is a rigid body that can shift by w across its rail and yaw by theta.  A wheel at
``along`` presses on the rail by ``approach + face (w + along theta)``, where ``face`` is +1 for
the wheels on one face of the rail and -1 for those on the other, and carries its radial stiffness
times that, or nothing where it stands off.  The plate settles where the elastic energy is least:
there the sums of forces and of moments are zero, so what an eccentric nut pinches is shared, as
springs in series, with the partners across the rail.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import nnls

from gantrysim.records.checks import above_zero, require
from gantrysim.records.doors import checked

_YAW_STEP = 1e-6  # rad: the yaw over which a stiffness is taken; the law is straight in pieces
_SAME_PLACE = 1e-9  # mm: wheels this close along the rail do not hold a yaw
_LOADED = 1e-9  # part of the largest possible load that counts as none


@checked
@dataclass(frozen=True)
class PlateBalance:
    """Where a plate settles on its rail.

    Parameters
    ----------
    loads : tuple of float
        Load of each wheel, N.
    rooms : tuple of float
        How far each wheel stands off its rail with the plate in the middle of its play, mm;
        0 where it is loaded.
    yaw_play : float
        Free yaw, full width, rad; infinite where nothing holds the plate straight.
    yaw_stiffness : float
        Stiffness against yaw at the ends of that play, N mm/rad.
    """

    loads: tuple[float, ...]
    rooms: tuple[float, ...]
    yaw_play: float
    yaw_stiffness: float


@checked
def plate_loads(
    along: Sequence[float],
    faces: Sequence[int],
    stiffness: Sequence[float],
    approach: Sequence[float],
) -> PlateBalance:
    """Settle a plate on its rail, with the sums of forces and of moments zero.

    Parameters
    ----------
    along : sequence of float
        Place of each wheel along the rail, mm.
    faces : sequence of int
        +1 or -1: the face of the rail on which each wheel runs.
    stiffness : sequence of float
        Radial stiffness of each wheel, N/mm.
    approach : sequence of float
        How far each wheel has been set toward the rail from first contact, mm; negative
        stands off; 0 for wheels on plain spacers.

    Raises
    ------
    ValueError
        If the sequences differ in length, a stiffness is not above 0, or a number is NaN.

    Notes
    -----
    min over (w, theta, s >= 0) of sum k (approach + face (w + along theta) + s)^2: the room s
    makes a wheel that stands off carry nothing.  A non-negative least-squares problem (Lawson
    & Hanson, 1974), finite and exact.
    """
    a, f, k, u = (np.asarray(v, dtype=float) for v in (along, faces, stiffness, approach))
    same = a.ndim == 1 and a.shape == f.shape == k.shape == u.shape
    require(same, "plate_loads", "along", along, "as many places as faces, stiffness, approach")
    finite = bool(np.all(np.isfinite([a, f, k, u])))
    require(finite, "plate_loads", "approach", approach, "finite numbers only, here and elsewhere")
    for value in k:
        above_zero("plate_loads", stiffness=float(value))
    plate = _Plate(a, f, k, u)
    loads = plate.loads()
    low, high = plate.yaw_range(loads)
    if not math.isfinite(high - low):
        return PlateBalance(tuple(loads.tolist()), (0.0,) * a.size, math.inf, 0.0)
    middle = 0.5 * (low + high)
    rooms = np.where(loads > 0.0, 0.0, np.maximum(-plate.press(plate.shift(middle), middle), 0.0))
    moments = [plate.moment(yaw) for yaw in (low - _YAW_STEP, high + _YAW_STEP)]
    return PlateBalance(
        loads=tuple(loads.tolist()),
        rooms=tuple(rooms.tolist()),
        yaw_play=float(high - low),
        yaw_stiffness=(moments[1] - moments[0]) / (2.0 * _YAW_STEP),
    )


@dataclass(frozen=True)
class _Plate:
    """Arrays of a plate: places (mm), faces, stiffness (N/mm), approach (mm)."""

    a: np.ndarray
    f: np.ndarray
    k: np.ndarray
    u: np.ndarray

    def press(self, shift: float, yaw: float) -> np.ndarray:
        """How far each wheel presses on the rail, mm; negative stands off."""
        return self.u + self.f * (shift + self.a * yaw)

    def loads(self) -> np.ndarray:
        """Load of each wheel in balance, N."""
        root = np.sqrt(self.k)
        arm = max(float(np.abs(self.a).max()), 1.0)
        shift, yaw = (root * self.f)[:, None], (root * self.f * self.a / arm)[:, None]
        columns = np.hstack([shift, -shift, yaw, -yaw, np.diag(root)])
        free, _ = nnls(columns, -root * self.u)
        loads = root * (columns @ free + root * self.u)
        least = _LOADED * float((self.k * np.abs(self.u)).max(initial=0.0))
        return np.where(loads > least, loads, 0.0)

    def yaw_range(self, loads: np.ndarray) -> tuple[float, float]:
        """Yaws between which the plate moves without changing a load, rad."""
        held = loads > 0.0
        if held.any() and np.ptp(self.a[held]) > _SAME_PLACE:
            design = np.column_stack([np.ones(held.sum()), self.a[held]])
            lift = self.f[held] * (loads[held] / self.k[held] - self.u[held])
            yaw = float(np.linalg.lstsq(design, lift, rcond=None)[0][1])
            return yaw, yaw
        low, high = -math.inf, math.inf
        for arm, room in self._stops(held, loads):
            if arm > _SAME_PLACE:
                high = min(high, room / arm)
            elif arm < -_SAME_PLACE:
                low = max(low, room / arm)
        return low, max(low, high)

    def _stops(self, held: np.ndarray, loads: np.ndarray) -> list[tuple[float, float]]:
        """Limits on the yaw of a plate that turns freely: arm * yaw <= room."""
        if held.any():  # it turns about the one place at which it is pinched
            one = int(np.argmax(held))
            pinned = self.f[one] * (loads[one] / self.k[one] - self.u[one])
            return [
                (self.f[i] * (self.a[i] - self.a[one]), -self.u[i] - self.f[i] * pinned)
                for i in np.flatnonzero(~held)
            ]
        return [
            (self.a[i] - self.a[j], -self.u[i] - self.u[j])
            for i in np.flatnonzero(self.f > 0.0)
            for j in np.flatnonzero(self.f < 0.0)
        ]

    def shift(self, yaw: float) -> float:
        """Shift at which the forces across the rail balance at a yaw, mm.

        The net force rises with the shift in straight pieces: walk along its bends.  Where it
        is zero over a whole piece, the plate floats; the middle of that piece.
        """
        bends = np.sort(-self.f * self.u - self.a * yaw)
        net = np.array([self._net(w, yaw) for w in bends])
        floor = 1e-12 * float(self.k.max()) * (float(np.abs(bends).max()) + 1e-3)
        flat = bends[np.abs(net) <= floor]
        if flat.size:
            return float(0.5 * (flat[0] + flat[-1]))
        return float(np.interp(0.0, net, bends))

    def _net(self, shift: float, yaw: float) -> float:
        return float(np.sum(self.f * self.k * np.maximum(self.press(shift, yaw), 0.0)))

    def moment(self, yaw: float) -> float:
        """Moment that holds the plate at a yaw, N mm."""
        press = np.maximum(self.press(self.shift(yaw), yaw), 0.0)
        return float(np.sum(self.f * self.k * self.a * press))
