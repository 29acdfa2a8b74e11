"""Machine and test in, burn out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, TypedDict, Unpack, overload

import numpy as np

from gantrysim.burn.burn import Burn, PathBurn
from gantrysim.machine import Machine
from gantrysim.mechanics.assembly import x_block, y_block
from gantrysim.mechanics.dynamics import natural_frequencies, swung
from gantrysim.mechanics.planner import plan, slow, timeline
from gantrysim.mechanics.quasistatic import march, spot
from gantrysim.pattern.beside import BESIDE
from gantrysim.pattern.ringtest import Line, RingTest, Stroke
from gantrysim.pattern.toolpath import Toolpath
from gantrysim.records.checks import must_be, trusted
from gantrysim.records.doors import checked

#: Time steps to a period of the fastest part, and the shortest and longest step, s.
STEPS_PER_PERIOD = 20.0
SHORTEST_STEP, LONGEST_STEP = 5e-4, 1e-3
#: Longest time step that may be asked for, s: rings of the nominal machine are then 1 µm rms off
#: those of short steps, at 0.01 s 10 um, at 0.1 s a third of their error, at 1 s they are nonsense.
COARSEST_STEP = 2e-3
#: Most time steps of one drawing: half a minute that nothing can interrupt.
MOST_STEPS = 20_000_000


@checked
@dataclass(frozen=True, eq=False, repr=False, kw_only=True)
class TimedBurn(Burn):
    """What a machine burns when its masses swing.

    Parameters
    ----------
    time_step : float
        Of the simulation, s.
    duration : float
        Of the whole drawing, s.
    lost_cycles : (int, int)
        Cycles of four full steps that the X and the Y motor have lost, in either direction.
    shift : (float, float)
        Where they have left x and y at the end, mm.
    """

    time_step: float
    duration: float
    lost_cycles: tuple[int, int]
    shift: tuple[float, float]

    def __repr__(self) -> str:
        x, y = (4 * n for n in self.lost_cycles)
        return f"{super().__repr__()[:-1]}, {self.duration:.0f} s, lost steps x {x}, y {y})"


class _How(TypedDict, total=False):
    """Options of `simulate`."""

    step: float
    feed_forces: bool
    inertia: bool
    time_step: float | None


@overload
def simulate(machine: Machine, test: RingTest, **how: Unpack[_How]) -> Burn: ...


@overload
def simulate(machine: Machine, test: Toolpath, **how: Unpack[_How]) -> PathBurn: ...


@checked
def simulate(
    machine: Machine,
    test: RingTest | Toolpath,
    *,
    step: float = 0.5,
    feed_forces: bool = False,
    inertia: bool = False,
    time_step: Annotated[float, "a positive number of seconds"] | None = None,
) -> Burn | PathBurn:
    """Predict the lines that a machine burns.

    Parameters
    ----------
    machine : Machine
        The machine.
    test : RingTest or Toolpath
        What is commanded.
    step : float
        Largest distance between samples along a burned line, mm.  Between reversals the
        positions at the samples do not depend on it; it sets how finely the line is drawn.
    feed_forces : bool
        False gives the slow limit: a drawing so slow that only which way each part last
        moved matters.  True adds what follows the commanded feed and acceleration without
        ringing: inertia of the moving masses, viscous drag, the Stribeck fall.
    inertia : bool
        True lets the masses swing: everything that `feed_forces` adds, by the motion that the
        parts really make, with ringing, dashpots, and motors that lose steps when torn beyond
        what they hold.
    time_step : float, optional
        With inertia only, s, up to 0.002.  If absent it is `default_time_step`.

    Returns
    -------
    Burn or PathBurn
        The burned lines of a ring test, with inertia a `TimedBurn`; a `PathBurn` for a path.  The
        machine starts homed, at rest, at ``test.start_from``, a path at home; what every contact
        remembers is carried through travel moves, rings and passes.  What is burned beside the
        rings follows the last of them from a standstill, so the rings are those of the plain test.

    Raises
    ------
    ValueError
        If the test or path leaves the machine's travel, or a time step is given without inertia,
        is not a positive number up to 0.002 s, or would need over 20 million steps.

    Notes
    -----
    Energetic (rate-independent) evolution and Moreau's time stepping, see
    `gantrysim.mechanics.quasistatic`.

    Examples
    --------
    >>> import gantrysim as gs
    >>> test = gs.ring_test(("circle",), spacing=10.0, largest=20.0)
    >>> tight = gs.Machine().with_faults(gs.faults.TightWheels("left", extra_force=12.0))
    >>> gs.simulate(tight, test)
    Burn(2 lines, 382 points, error 236 µm rms)
    >>> gs.simulate(tight, test, feed_forces=True)
    Burn(2 lines, 382 points, error 243 µm rms)
    """
    if time_step is not None and not inertia:
        raise ValueError(
            f"time_step = {time_step!r} needs inertia=True: otherwise no time passes in a step"
        )
    rings = test.strokes(step)
    strokes = (*rings, *test.beside_strokes(step))
    command = np.concatenate([stroke.xy for stroke in strokes])
    check_travel(machine, command, what="path" if isinstance(test, Toolpath) else "test")
    if inertia:
        h = time_step
        if h is None:
            h = default_time_step(machine, np.concatenate([stroke.xy for stroke in rings]))
        return _in_time(machine, test, strokes, command, h)
    motion = plan(test, strokes) if feed_forces else slow(command)
    q_x, _ = march(x_block(machine), motion, 0)
    q_y, _ = march(y_block(machine), motion, 1)
    drawn = _burned(machine, strokes, command, spot(machine, q_y, q_x))
    if isinstance(test, Toolpath):
        return _path_burn(machine, test, drawn, duration=float(motion.dt.sum()))
    return trusted(Burn, machine, test, *drawn.values())


def _path_burn(
    machine: Machine,
    path: Toolpath,
    drawn: _Lines,
    *,
    duration: float,
    lost: tuple[int, int] = (0, 0),
) -> PathBurn:
    return PathBurn(machine, path, drawn["lines"], drawn["commanded"], duration, lost)


def _in_time(
    machine: Machine,
    test: RingTest | Toolpath,
    strokes: tuple[Stroke, ...],
    command: np.ndarray,
    h: float,
) -> TimedBurn | PathBurn:
    """Burn with masses that swing: march in time, read off where the samples are reached."""
    course = timeline(test, strokes)
    if not 0.0 < h <= COARSEST_STEP:
        raise ValueError(
            must_be("time_step", f"a positive number of seconds up to {COARSEST_STEP:g}", h)
        )
    if course.duration > MOST_STEPS * h:
        raise ValueError(
            f"time_step {h:g} s would need {course.duration / h:.2g} steps for "
            f"{course.duration:.0f} s of drawing, over the {MOST_STEPS:.0e} accepted; take a "
            "longer step or a shorter path."
        )
    x, y = swung(machine, course, h)
    drawn = _burned(machine, strokes, command, spot(machine, y.q, x.q))
    lost = (x.lost_cycles, y.lost_cycles)
    if isinstance(test, Toolpath):
        return _path_burn(machine, test, drawn, duration=course.duration, lost=lost)
    return TimedBurn(
        machine=machine, test=test, time_step=h, duration=course.duration,
        lost_cycles=lost, shift=(x.shift, y.shift), **drawn,
    )  # fmt: skip


def default_time_step(machine: Machine, command: np.ndarray) -> float:
    """Time step that follows the ringing of a machine, s.

    ``command``: where it is sent, mm; its frequencies are taken in the middle of this; shape (n,
    2).  Returns: the period of the fastest part over `STEPS_PER_PERIOD`, but no shorter than
    `SHORTEST_STEP`: what swings faster than that gets no energy from a commanded motion, and the
    method (L-stable) carries it in balance.
    """
    x, y = 0.5 * (command.min(axis=0) + command.max(axis=0))
    fastest = max(
        float(natural_frequencies(x_block(machine), x, y).max(initial=0.0)),
        float(natural_frequencies(y_block(machine), y, x).max(initial=0.0)),
    )
    period = 1.0 / max(fastest, 1e-12)
    return min(max(period / STEPS_PER_PERIOD, SHORTEST_STEP), LONGEST_STEP)


class _Lines(TypedDict):
    """Fields of a `Burn` that hold lines, mm."""

    lines: tuple[Line, ...]
    commanded: tuple[np.ndarray, ...]
    beside: tuple[Line, ...]
    beside_commanded: tuple[np.ndarray, ...]


def _burned(
    machine: Machine, strokes: tuple[Stroke, ...], command: np.ndarray, burned: np.ndarray
) -> _Lines:
    """Burned lines and where a faultless machine would draw them, mm."""
    faultless = command + np.array([machine.head.along, machine.head.beyond])
    burned.flags.writeable = False
    lines: list[Line] = []
    wanted: list[np.ndarray] = []
    first = 0
    for stroke in strokes:
        last = first + len(stroke.xy)
        if stroke.shape != "travel":
            label = (stroke.shape, stroke.ring, stroke.size, stroke.pass_index)
            lines.append(trusted(Line, *label, burned[first:last]))
            wanted.append(faultless[first:last])
        first = last
    rings = sum(line.shape not in BESIDE for line in lines)
    return _Lines(
        lines=tuple(lines[:rings]), commanded=tuple(wanted[:rings]),
        beside=tuple(lines[rings:]), beside_commanded=tuple(wanted[rings:]),
    )  # fmt: skip


def check_travel(machine: Machine, command: np.ndarray, *, what: str = "test") -> None:
    """Refuse a command, called `what` in the sentence, that leaves the machine's travel.

    ValueError naming the axis, the furthest command and the travel, mm.
    """
    for axis, name, room in ((0, "x", machine.span), (1, "y", machine.travel_y)):
        low, high = float(command[:, axis].min()), float(command[:, axis].max())
        if low < 0.0 or high > room:
            raise ValueError(
                f"the {what} goes from {low:.1f} to {high:.1f} mm in {name}, but the machine "
                f"travels from 0 to {room:g} mm; move its centre or make it smaller"
            )
