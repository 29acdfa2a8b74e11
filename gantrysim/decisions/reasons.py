"""Why a burn cannot tell two explanations apart, in a sentence."""

from __future__ import annotations

from gantrysim.faults import Catalogue, Fault
from gantrysim.faults.base import DRAG, GIVE, PLAY, SCALE

FRICTION = (
    "what a belt pulls lags by its drag over the stiffness of the belt, so a tight wheel and a "
    "soft belt on one axis look alike"
)
SIDES = "the pattern is small beside the span between the rails, so left and right look alike"
FAR = "play, a soft belt and drag on the far side all make its end of the beam lag alike"
SCANNER = "the scanner's own scales are known no better than this"
FAINT = "a fault as small as this changes the lines no more than healthy machines differ by"
FURTHER = "one more fault beside it would change the lines no more than healthy machines differ by"
TORN = "what lost steps or something not in the list draws cannot be foretold, so not compared"
ALIKE = "on this test they draw the same lines within what is known of the machine"


def why_alike(catalogue: Catalogue, one: tuple[str, ...], other: tuple[str, ...]) -> str:
    """Say why a burn cannot tell one explanation from another.

    Parameters
    ----------
    catalogue : Catalogue
        What the machine may have.
    one, other : tuple of str
        Names of the faults of each; empty for healthy.

    Returns
    -------
    str
        A sentence without its full stop, in terms of the mechanism.
    """
    if not (catalogue.predicts(one) and catalogue.predicts(other)):
        return TORN
    if twins := catalogue.twins(one, other):
        return twins
    differ = [catalogue.named(name) for name in set(one) ^ set(other)]
    if differ and one and other and all(fault.effect == SCALE for fault in differ):
        return SCANNER
    if not one or not other:
        return FAINT
    if len(one) != len(other):
        return FURTHER if set(one) <= set(other) or set(other) <= set(one) else ALIKE
    return _of_two(*differ) if len(differ) == 2 else ALIKE


def _of_two(a: Fault, b: Fault) -> str:
    """Why one fault looks like another, by what they do and which drive feels it."""
    drives, effects = {a.drive, b.drive}, {a.effect, b.effect}
    lag = effects <= {DRAG, GIVE}  # both make the drive of their side lag
    if lag and a.drive == b.drive:
        return FRICTION
    if drives == {"right"} and effects <= {DRAG, GIVE, PLAY}:
        return FAR
    if drives == {"left", "right"} and (lag or type(a) is type(b)):
        return SIDES
    return ALIKE
