"""The symbols in numbers for one machine: what the derivations are worked out with."""

from __future__ import annotations

import math
from functools import cache

import sympy as sp

from gantrysim.machine import EndPlate, Machine
from gantrysim.machine.components import REFERENCE_LOAD, nut_angle
from gantrysim.records.doors import checked
from gantrysim.theory import quantities as of
from gantrysim.theory.quantities import Expr
from gantrysim.theory.racking import racking_lag

#: What no machine says: the test that is burned, how its lines are read, a nut that stands badly.
#: Chosen for a lesson: rings as large as those of the pictures, points as a scan gives them, a nut
#: that first touches a third of its way to the dead point.
EXAMPLE: dict[Expr, float] = {
    of.RADIUS: 20.0, of.HALF: 20.0, of.SPEED: 40.0, of.SENSE: 1.0, of.RATIO: 2.0, of.RINGS: 6,
    of.SPACING: 5.0, of.DENSITY: 1.0 / 0.3 / 0.02**2, of.MEASURED: 0.95,
    of.CLEARANCE: 0.1, of.CONTACT: math.radians(30.0),
}  # fmt: skip


@checked
def bench_values(machine: Machine | None = None) -> dict[Expr, float]:
    """Values of the symbols for a machine in the middle of its travel, and of an example test.

    Belts alone give: motors and cross shaft are taken as rigid.  Where a formula speaks of one axis
    or of equal belts, it is the left side.  A symbol that runs along a curve has no value.

    Parameters
    ----------
    machine : Machine, optional
        The nominal bench machine if absent.

    Returns
    -------
    dict
        Symbol to its value in its unit, see `QUANTITIES`.

    Examples
    --------
    >>> import gantrysim as gs
    >>> from gantrysim import theory
    >>> tight = gs.Machine().with_faults(gs.faults.TightWheels("left", extra_force=12.0))
    >>> theory.play_element().worked(theory.bench_values(tight))["lost_motion"]  # mm
    0.617...
    """
    return dict(_nominal()) if machine is None else _values(machine)


@cache
def _nominal() -> dict[Expr, float]:
    return _values(Machine())


def _values(machine: Machine) -> dict[Expr, float]:
    left, right, x = (
        belt.stiffness(place)
        for belt, place in zip(
            machine.belts,
            (machine.travel_y / 2, machine.travel_y / 2, machine.span / 2),
            strict=True,
        )
    )
    drag_left, drag_right, drag_x = (part.friction for part in machine.plates)
    radius = EXAMPLE[of.RADIUS]
    viscous = 1e-3 * machine.contact.viscous  # N s/m to N s/mm
    windup_x, windup_y = drag_x / x, (drag_left + drag_right) / (left + right)
    lags = {
        of.STIFFNESS: left,
        of.RACKING: machine.left.rack_stiffness + machine.right.rack_stiffness,
        of.SPAN: machine.span,
    }
    return {
        **EXAMPLE,
        **lags,
        of.FRICTION: drag_left,
        of.FRICTION_L: drag_left,
        of.FRICTION_R: drag_right,
        of.STIFFNESS_L: left,
        of.STIFFNESS_R: right,
        of.BACKLASH: machine.shaft.backlash,
        of.WINDUP: drag_left / left + machine.shaft.backlash / 2,
        of.WINDUP_X: windup_x,
        of.WINDUP_Y: windup_y,
        of.ROOT_X: math.sqrt(windup_x / radius),
        of.ROOT_Y: math.sqrt(windup_y / radius),
        of.SCALE_X: machine.scale_x,
        of.SCALE_Y: machine.scale_y,
        of.LEAN: 1e-3 * machine.square,
        of.LAG_X: viscous / x,
        of.LAG_Y: 2 * viscous / (left + right),
        of.LAG: 2 * viscous / (left + right),
        of.MEAN_LAG: float(sp.diff(racking_lag().lag_mean, of.FRICTION_L).subs(lags)),
        of.LAG_SLOPE: float((sp.diff(racking_lag().skew, of.FRICTION_L) / of.SPAN).subs(lags)),
        **_nut(machine.left),
    }


def _nut(plate: EndPlate) -> dict[Expr, float]:
    """One nut of a plate; its turn is left out where nuts cannot press as the drag says."""
    if not plate.nuts:
        return {}
    wheel = plate.wheels[plate.nuts[0]]
    values = {
        of.OFFSET: wheel.nut_offset,
        of.WHEEL: wheel.stiffness,
        of.BEARING: wheel.bearing_drag,
        of.SCRUB: wheel.scrub,
        of.REFERENCE: REFERENCE_LOAD,
        of.EXPONENT: wheel.scrub_exponent,
        of.BASE: plate.wheel_base,
    }
    approach = 2.0 * wheel.load / wheel.stiffness  # the wheel across the rail takes half
    if approach <= wheel.nut_offset:
        values[of.NUT] = math.radians(nut_angle(wheel.nut_offset, approach))
    return values
