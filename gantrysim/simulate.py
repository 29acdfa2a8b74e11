"""Machine and test in, burn out."""

from __future__ import annotations

import numpy as np

from gantrysim.burn import Burn
from gantrysim.machine import Machine
from gantrysim.mechanics import march, spot, x_block, y_block
from gantrysim.paths import Line, RingTest
from gantrysim.planner import plan, slow


def simulate(
    machine: Machine, test: RingTest, *, step: float = 0.5, feed_forces: bool = False
) -> Burn:
    """Predict the lines that a machine burns.

    Parameters
    ----------
    machine : Machine
        The machine.
    test : RingTest
        What is commanded.
    step : float
        Largest distance between samples along a burned line, mm.  Between reversals the
        positions at the samples do not depend on it; it sets how finely the line is drawn.
    feed_forces : bool
        False gives the slow limit: a drawing so slow that only which way each part last
        moved matters.  True adds what follows the commanded feed and acceleration without
        ringing: inertia of the moving masses, viscous drag, the Stribeck fall.

    Returns
    -------
    Burn
        The burned lines.  The machine starts homed, at rest, at ``test.start_from``; what
        every contact remembers is carried through travel moves, rings and passes.

    Raises
    ------
    ValueError
        If the test leaves the machine's travel.

    Notes
    -----
    Energetic (rate-independent) evolution, see `gantrysim.mechanics`.
    """
    strokes = test.strokes(step)
    command = np.concatenate([stroke.xy for stroke in strokes])
    check_travel(machine, command)
    motion = plan(test, strokes) if feed_forces else slow(command)
    q_x, _ = march(x_block(machine), motion, 0)
    q_y, _ = march(y_block(machine), motion, 1)
    burned = spot(machine, q_y, q_x)
    offset = np.array([machine.head.along, machine.head.beyond])
    lines, wanted = [], []
    first = 0
    for stroke in strokes:
        last = first + len(stroke.xy)
        if stroke.shape != "travel":
            label = (stroke.shape, stroke.ring, stroke.size, stroke.pass_index)
            lines.append(Line(*label, burned[first:last]))
            wanted.append(stroke.xy + offset)
        first = last
    return Burn(machine=machine, test=test, lines=tuple(lines), commanded=tuple(wanted))


def check_travel(machine: Machine, command: np.ndarray) -> None:
    """Refuse a command that leaves the machine's travel.

    Raises
    ------
    ValueError
        Naming the axis, the furthest command and the travel, mm.
    """
    for axis, name, room in ((0, "x", machine.span), (1, "y", machine.travel_y)):
        low, high = float(command[:, axis].min()), float(command[:, axis].max())
        if low < 0.0 or high > room:
            raise ValueError(
                f"the test goes from {low:.1f} to {high:.1f} mm in {name}, but the machine "
                f"travels from 0 to {room:g} mm; move its centre or make it smaller"
            )
