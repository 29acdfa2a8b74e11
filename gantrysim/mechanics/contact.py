"""What the contacts of a block resist in one step: wheels that roll, dry bearings, racked plates.

The slow march, the dynamics, the push by hand and the derivatives all take their drag from here.
"""

from __future__ import annotations

import math

from gantrysim.mechanics.equilibrium import Record, elongation
from gantrysim.mechanics.springs import play_law
from gantrysim.records.compiled import kernel


@kernel
def stribeck(b: Record, speed: float) -> float:
    """Part of the extra break-away force that a contact has at a speed, mm/s: 1 at rest, then less.

    The Gaussian form of the Stribeck curve (Armstrong-Helouvry, Dupont and Canudas de Wit,
    Automatica 30 (1994) 1083; from memory).
    """
    part = speed / b.stribeck_speed
    return math.exp(-part * part)


@kernel
def load_contact(
    b: Record, i: int, other: float, rate: float, origin: float, raised: float
) -> None:
    """Set the drag of one contact, and its quadratic and linear terms of a step.

    ``b``: a block posed at its command.  Set are ``friction``, ``resist`` and ``pull``.  ``i``: of
    the contact.  ``other``: command of the other axis, mm: the carriage's weight moves with it.
    ``rate``: 1 over the length of the step, 1/s; 0 where no time passes.  ``origin``: from where
    its viscous drag and regularisation count, mm.  ``raised``: what part of its extra break-away
    force it still has, see `stribeck`.

    Break-away and racking load are those before the step, which keeps it convex.
    """
    drag = b.friction0[i] + b.weigh[i, 0] + b.weigh[i, 1] * other
    drag *= 1.0 + (b.break_away[i] - 1.0) * raised
    if b.racking[i, 1] > 0.0:
        m = int(b.racking[i, 0])
        force, _ = play_law(b.laws[m, 0], b.laws[m, 1], b.laws[m, 2], elongation(b, m))
        drag += b.racking[i, 1] * abs(force)
    b.friction[i] = drag
    b.resist[i] = b.regularisation[i] + b.viscous[i] * rate
    b.pull[i] = b.resist[i] * origin
