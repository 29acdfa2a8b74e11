"""The push test: a hand with a spring scale moves one part of the machine and reads the force.

The hand is one more spring in the energy that `gantrysim.mechanics.equilibrium` minimises, tied to
the part that is pushed; all else (wheels, belts, shaft, racking, plays) is the same as in a burn.
It pushes slowly forward, back (to where it began; with motors holding as far to the other side),
and forward again, so that the last two legs are the closed loop that friction and play leave.

A test by hand needs a machine that cannot start: switched off at the mains and unplugged, the
beam source made safe, or, with motors holding, no job loaded.  Keep fingers out of belts, pulleys
and wheels, push gently, and follow the maker's manual.
"""

from __future__ import annotations

import math
import os
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import numpy as np

from gantrysim.machine import Machine
from gantrysim.mechanics.assembly import x_block, y_block
from gantrysim.mechanics.contact import load_contact
from gantrysim.mechanics.equilibrium import Record, settle
from gantrysim.mechanics.state import record, slip_screws
from gantrysim.records.arrays import Array
from gantrysim.records.checks import positive
from gantrysim.records.compiled import kernel
from gantrysim.records.doors import Place, checked
from gantrysim.records.files import write_new_text
from gantrysim.records.table import Table, fields_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes

PLACES = ("left", "right", "carriage")
MOTORS = ("off", "holding")

#: Which way the hand goes on each leg: first forward, back, forward again.
_WAYS = np.array([1.0, -1.0, 1.0])

_PUSHED = {"left": "y_left", "right": "y_right", "carriage": "s"}
_BEHIND = {"left": "y_right", "right": "y_left", "carriage": "rotor_x"}
_WORDS = {"left": "right side", "right": "left side", "carriage": "motor pulley"}

#: What is told of a push, by unit.
_UNITS = {
    "mm": ("place", "stroke", "lag_forward", "lag_back", "lag_mean", "loop_travel"),
    "n": ("limit", "start_forward", "start_back", "keep_forward", "keep_back", "loop_force"),
    "n_mm": ("stiffness",),
}
_SETTLED = 1e-4  # N: a detent is settled when its force is known to this
_TRIES = 5000  # of placing the rotor in its detents; each is one settling of the machine


@checked
@dataclass(frozen=True, eq=False)
class PushResult:
    """What a hand with a spring scale feels; `push` makes one.

    Parameters
    ----------
    at : str
        What was pushed: "left", "right" (end plate along its rail) or "carriage" (along the beam).
    motor : str
        "off" (rotors free to turn) or "holding".
    place : (float, float)
        Where the carriage stood, mm.
    stroke, limit : float
        How far the part was to move, mm, and the reading at which the hand turned back, N.
    leg : ndarray of int, shape (n,)
        0 first forward, 1 back, 2 forward again.
    travel : ndarray, shape (n,)
        How far the pushed part has moved from rest, mm.
    force : ndarray, shape (n,)
        Reading of the scale, N; negative when it pulls back.
    lag : ndarray, shape (n,)
        How far the other part stays behind it, mm: the other end plate, or the motor pulley of
        the carriage's belt.
    """

    at: str
    motor: str
    place: tuple[float, float]
    stroke: float
    limit: float
    leg: np.ndarray
    travel: np.ndarray
    force: np.ndarray
    lag: np.ndarray

    @property
    def behind(self) -> str:
        """The part whose lag is given."""
        return _WORDS[self.at]

    @property
    def moved_freely(self) -> bool:
        """Whether the part moved over the whole stroke before the scale read the limit."""
        return bool(np.abs(self.force).max() < self.limit)

    @property
    def start_forward(self) -> float | None:
        """Force to start it forward, N; None with motors holding, or if the limit was not enough.

        The largest reading on the first half of the stroke, after it last moved back.
        """
        return self._start(2)

    @property
    def start_back(self) -> float | None:
        """Force to start it back, N, as `start_forward`."""
        return self._start(1)

    @property
    def keep_forward(self) -> float | None:
        """Force to keep it moving forward, N: mean reading over the last half of the stroke."""
        return self._keep(2)

    @property
    def keep_back(self) -> float | None:
        """Force to keep it moving back, N, as `keep_forward`."""
        return self._keep(1)

    @property
    def lag_forward(self) -> float:
        """How far the other part stays behind at the end of the push forward, mm.

        With motors off the mean over the last half of the stroke, with motors holding the last
        reading: there it grows all the way.
        """
        return self._lag(2)

    @property
    def lag_back(self) -> float:
        """As `lag_forward`, on the way back; negative when it stays behind there too, mm."""
        return self._lag(1)

    @property
    def lag_mean(self) -> float:
        """Half the difference of both lags, mm: what friction and play cost the other part."""
        return 0.5 * (self.lag_forward - self.lag_back)

    @property
    def loop_force(self) -> float:
        """Width of the closed loop in force, N: mean over the middle half of its travel."""
        low, high = self._common()
        at = np.linspace(low + 0.25 * (high - low), high - 0.25 * (high - low), 201)
        return float(np.mean(self._reading(2, at) - self._reading(1, at)))

    @property
    def loop_travel(self) -> float | None:
        """Width of the loop at no force, mm: it may rest anywhere within this when let go.

        None with motors off: it then stays wherever it was pushed.
        """
        if self.motor == "off":
            return None
        zero = [
            np.interp(0.0, np.maximum.accumulate(force), np.maximum.accumulate(travel))
            for travel, force in (self._leg(2), self._leg(1))
        ]
        return float(abs(zero[1] - zero[0]))

    @property
    def stiffness(self) -> float | None:
        """Slope of the reading over the last half of the push forward, N/mm; None with motors off.

        Drive, belt and whatever else must give before it follows.
        """
        if self.motor == "off":
            return None
        travel, force = self._leg(2)
        late = travel >= 0.5 * (travel[0] + travel[-1])
        return float(np.polyfit(travel[late], force[late], 1)[0])

    def _leg(self, leg: int) -> tuple[np.ndarray, np.ndarray]:
        """Travel and force of a leg in the order of rising travel."""
        own = self.leg == leg
        order = slice(None, None, 1 if _WAYS[leg] > 0.0 else -1)
        return self.travel[own][order], self.force[own][order]

    def _free(self) -> bool:
        return self.motor == "off" and self.moved_freely

    def _start(self, leg: int) -> float | None:
        if not self._free():
            return None
        own = self.leg == leg
        early = np.abs(self.travel[own] - self.travel[own][0]) <= 0.5 * self.stroke
        return float((_WAYS[leg] * self.force[own][early]).max())

    def _keep(self, leg: int) -> float | None:
        return float(_WAYS[leg]) * self._late(leg, self.force) if self._free() else None

    def _lag(self, leg: int) -> float:
        if self.motor == "off":
            return self._late(leg, self.lag)
        return float(self.lag[self.leg == leg][-1])

    def _late(self, leg: int, values: np.ndarray) -> float:
        """Mean over the last half of a leg, by the way gone: jumps have few samples."""
        own = self.leg == leg
        gone = np.maximum.accumulate(_WAYS[leg] * (self.travel[own] - self.travel[own][0]))
        at = np.linspace(0.5 * gone[-1], gone[-1], 401)
        return float(np.mean(np.interp(at, gone, values[own])))

    def _common(self) -> tuple[float, float]:
        back, forward = self._leg(1)[0], self._leg(2)[0]
        return max(back.min(), forward.min()), min(back.max(), forward.max())

    def _reading(self, leg: int, at: np.ndarray) -> np.ndarray:
        travel, force = self._leg(leg)
        return np.interp(at, np.maximum.accumulate(travel), force)

    def sentence(self) -> str:
        """What the hand feels, in plain words."""
        what = "carriage" if self.at == "carriage" else f"{self.at} side"
        if not self._free():
            if self.motor == "off":
                return f"The {what} does not move freely: the scale reads {self.limit:g} N."
            return (
                f"The {what} pushes back with {self.stiffness:.0f} N/mm and, let go, rests "
                f"anywhere within {self.loop_travel:.2f} mm; pushed {self.travel.max():.2f} mm, "
                f"it leaves the {self.behind} {self.lag_forward:.2f} mm behind."
            )
        return (
            f"The {what} starts at {self.start_forward:.1f} N, keeps moving at "
            f"{self.keep_forward:.1f} N, and the {self.behind} stays "
            f"{self.lag_mean:.2f} mm behind."
        )

    def to_dict(self) -> dict[str, Any]:
        """Readings as plain types; the name of each carries its unit."""
        told = fields_of(self, "at", "motor", "moved_freely")
        for unit, names in _UNITS.items():
            told |= {f"{name}_{unit}": value for name, value in fields_of(self, *names).items()}
        return told

    def to_csv(self, path: str | os.PathLike[str], *, overwrite: bool = False) -> Path:
        """Write the record: leg, travel, force, lag, one line a reading (mm, N).

        Raises
        ------
        FileExistsError
            If the file exists and ``overwrite`` is false.
        """
        rows = (
            (int(leg), *(f"{value:.5f}" for value in row))
            for leg, *row in zip(self.leg, self.travel, self.force, self.lag, strict=True)
        )
        remark = f"push at {self.at}, motor {self.motor}; leg 0 is the first, from rest"
        text = Table(("leg", "travel_mm", "force_n", "lag_mm"), rows).csv(remark)
        return write_new_text(path, text, overwrite=overwrite)

    def plot(self, ax: Axes | None = None, *, what: str = "force") -> Axes:
        """Draw "force" (N) or "lag" (mm) over travel; takes and returns Axes."""
        from gantrysim.plotting.readings import plot_push

        return plot_push(self, ax, what=what)

    def __repr__(self) -> str:
        return f"PushResult({self.at}, motor {self.motor}: {self.sentence()})"

    def _repr_html_(self) -> str:
        numbers = ((k, f"{v:.3f}") for k, v in self.to_dict().items() if isinstance(v, float))
        return Table((), numbers, f"Push test: {self.sentence()}").html()


@checked
def push(
    machine: Machine,
    at: Annotated[str, PLACES] = "left",
    motor: Annotated[str, MOTORS] = "off",
    *,
    place: Place | None = None,
    stroke: float | None = None,
    limit: float = 40.0,
    scale_stiffness: float = 5.0,
    step: float | None = None,
) -> PushResult:
    """Push one part of the machine slowly by hand, and read force and lag.

    Parameters
    ----------
    machine : Machine
        The machine, at rest with no force in any contact.
    at : str
        "left" or "right" pushes that end plate along its rail, "carriage" the carriage along the
        beam.
    motor : str
        "off" leaves the rotors free to turn, but for their detents; "holding" keeps them at the
        place where they are.
    place : (float, float), optional
        Where the carriage stands, mm; the middle of the travel if absent.
    stroke : float, optional
        How far the part is pushed, mm; 3 with motors off, 0.4 with motors holding.
    limit : float
        Reading of the scale at which the hand turns back, N.
    scale_stiffness : float
        Of the spring scale and the hand behind it, N/mm.
    step : float, optional
        Travel of the hand from reading to reading, mm; a 300th of the stroke if absent.

    Returns
    -------
    PushResult

    Raises
    ------
    ValueError
        If an argument is not usable, or the push asks more of a holding motor than it has.
    ArithmeticError
        If a step does not settle (no machine that passes its checks should do this).

    Notes
    -----
    Slow: no inertia, no viscous drag.  A contact at rest holds `Contact.break_away` times its
    rolling drag.  A free rotor lies in the potential of its detents, which is not convex: each
    step follows the energy downhill from where it was (the difference of convex functions,
    minimised by linearising the concave one), so that a soft spring makes it jump from detent to
    detent as in the model of Prandtl and Tomlinson.  Stiffness of the belts is taken at `place`.

    Examples
    --------
    >>> import gantrysim as gs
    >>> tight = gs.Machine().with_faults(gs.faults.TightWheels("left", extra_force=12.0))
    >>> felt = gs.push(tight, "left")
    >>> felt
    PushResult(left, motor off: The left side starts at 19.9 N, keeps moving at 19.5 N, and the
    right side stays 0.10 mm behind.)
    >>> round(felt.lag_mean, 2)
    0.1
    """
    x, y = _place(machine, place)
    stroke = positive((3.0 if motor == "off" else 0.4) if stroke is None else stroke, "stroke")
    limit, scale = positive(limit, "limit"), positive(scale_stiffness, "scale_stiffness")
    step = positive(stroke / 300.0 if step is None else step, "step")
    most = int(3.0 * (2.0 * stroke + 2.0 * limit / scale) / step) + 100
    if most > 10_000_000:
        raise ValueError(f"step {step:g} mm would need {most:.1e} readings; take a larger one.")
    if at == "carriage":
        block, drive, command, other = x_block(machine), machine.motor_x, x, y
    else:
        block, drive, command, other = y_block(machine), machine.motor_y, y, x
    box = record(block, command)
    fields = np.flatnonzero(block.cycle)  # the springs between rotors and turning fields
    rotors = np.argmax(block.levers[fields] != 0.0, axis=1)
    hand = np.zeros(1, _HAND)
    h = hand[0]
    h.pushed, h.behind = block.names.index(_PUSHED[at]), block.names.index(_BEHIND[at])
    h.scale, h.step, h.limit, h.other = scale, step, limit, other
    h.goal[:] = stroke, 0.0 if motor == "off" else -stroke, stroke
    h.pitch = drive.full_step
    if motor == "off":
        h.detent, h.steepest = drive.detent, 2.0 * math.pi * drive.detent / drive.full_step
        box[0]["laws"][fields, 0] = h.steepest
    out = np.empty((most, 5))
    used = _go(box, hand, fields, rotors, out)
    if used < 0:
        raise ArithmeticError(
            f"reading {-used} of the push did not settle; please report the machine description"
        )
    out = out[:used]
    _refuse_lost_steps(out[:, 4], drive.stiffness, drive.hold_force, motor, stroke)
    return PushResult(
        at, motor, (x, y), stroke, limit, out[:, 0].astype(int), *(out[:, k] for k in (1, 2, 3))
    )


def _place(machine: Machine, place: tuple[float, float] | None) -> tuple[float, float]:
    if place is None:
        return machine.middle
    x, y = place
    for value, room, name in ((x, machine.span, "x"), (y, machine.travel_y, "y")):
        if not 0.0 <= value <= room:
            raise ValueError(f"place {name} must lie from 0 to {room:g} mm, found {value:g} mm.")
    return x, y


def _refuse_lost_steps(
    twist: Array, stiffness: float, hold: float, motor: str, stroke: float
) -> None:
    most = stiffness * float(twist.max())
    if motor == "holding" and most > hold:
        raise ValueError(
            f"a push of {stroke:g} mm asks {most:.0f} N of a motor that holds {hold:g} N, which "
            "would lose steps; make stroke or limit smaller."
        )


#: What the hand does, and the detents of the rotors that it turns.
_HAND = np.dtype(
    (
        np.record,
        [
            ("pushed", np.int64), ("behind", np.int64),  # coordinates
            ("goal", np.float64, (3,)),  # travel at which it turns back on each leg, mm
            ("scale", np.float64), ("step", np.float64), ("limit", np.float64),  # N/mm, mm, N
            ("other", np.float64),  # command of the other axis, mm
            ("detent", np.float64), ("pitch", np.float64),  # N, mm
            ("steepest", np.float64),  # slope of a detent where it is largest, N/mm
        ],
    )
)  # fmt: skip


@kernel
def _go(box: Array, hand: Array, fields: Array, rotors: Array, out: Array) -> int:
    """Carry the machine through the legs; return the number of readings, or minus the bad one."""
    b, h = box[0], hand[0]
    start, rest, presliding = b.q.copy(), b.rest.copy(), b.presliding.copy()
    pulled, count = 0.0, 0
    for leg in range(_WAYS.size):
        way = _WAYS[leg]
        while count < out.shape[0]:
            _pull(b, h, start[h.pushed] + pulled, presliding)
            if not _settle_in_detents(b, h, fields, rotors, start):
                return -count - 1
            slip_screws(b)
            gone = b.q[h.pushed] - start[h.pushed]
            force = h.scale * (pulled - gone)
            out[count, 0] = leg
            out[count, 1] = gone
            out[count, 2] = force
            out[count, 3] = gone - (b.q[h.behind] - start[h.behind])
            out[count, 4] = 0.0
            for k in range(fields.size):
                out[count, 4] = max(out[count, 4], abs(b.q[rotors[k]] - rest[fields[k]]))
            count += 1
            if way * (gone - h.goal[leg]) >= 0.0 or way * force >= h.limit:
                break
            pulled += way * h.step
    return count


@kernel
def _pull(b: Record, h: Record, place: float, presliding: np.ndarray) -> None:
    """Ask the block for a step with the far end of the scale at a place, mm.

    A contact at rest holds more; its slope before it slips stays the same.
    """
    for i in range(b.q.size):
        at_rest = b.status[i] == 0
        b.presliding[i] = presliding[i] * (b.break_away[i] if at_rest else 1.0)
        load_contact(b, i, h.other, 0.0, b.q[i], 1.0 if at_rest else 0.0)
    b.resist[h.pushed] += h.scale
    b.pull[h.pushed] += h.scale * place


@kernel
def _settle_in_detents(b: Record, h: Record, fields: Array, rotors: Array, start: Array) -> bool:
    """Settle a block whose free rotors lie in their detents; False if it does not."""
    grip = b.z.copy()
    before = b.q.copy()
    for _ in range(_TRIES):
        for i in range(b.q.size):
            before[i] = b.q[i]
        if h.detent > 0.0:
            for i in range(b.q.size):
                b.z[i] = grip[i]
            for k in range(fields.size):
                place = b.q[rotors[k]]
                phase = 2.0 * math.pi * (place - start[rotors[k]]) / h.pitch
                b.rest[fields[k]] = place - h.detent * math.sin(phase) / h.steepest
        if not settle(b):
            return False
        moved = 0.0
        for k in range(fields.size):
            moved = max(moved, abs(b.q[rotors[k]] - before[rotors[k]]))
        if 2.0 * h.steepest * moved < _SETTLED:
            break
    return True
