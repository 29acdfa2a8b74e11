"""Why a burn cannot tell two explanations apart, in a sentence."""

from __future__ import annotations

_DRAG = {"tight_wheels_left": "left", "tight_wheels_right": "right", "tight_carriage": "x"}
_GIVE = {"slack_belt_left": "left", "slack_belt_right": "right", "slack_belt_x": "x"}
_SHAFT = {"coupler_backlash", "slack_belt_right", "tight_wheels_right"}
_SCALES = {"scale_x", "scale_y"}

FRICTION = (
    "a slow burn sees drag over stiffness, so a tight wheel and a slack belt on one axis look alike"
)
TWINS = "1 mm of slip looks like 1.5 mrad out of square with 1.2 N more drag on each plate"
SIDES = "the pattern is small beside the span between the rails, so left and right look alike"
FAR = "play, slack and drag on the far side all make its end of the beam lag alike"
SCANNER = "the scanner's own scales are known no better than this"
FAINT = "its trace is no larger than what healthy machines and the measurement scatter by"
TORN = "what tears a figure leaves nothing to compare"
ALIKE = "on this test they draw the same lines within what is known of the machine"


def why_alike(one: tuple[str, ...], other: tuple[str, ...]) -> str:
    """Say why a burn cannot tell one explanation from another.

    Parameters
    ----------
    one, other : tuple of str
        Names of the faults of each; empty for healthy.

    Returns
    -------
    str
        A sentence without its full stop, in terms of the mechanism.
    """
    differ = set(one) ^ set(other)
    if differ & {"lost_steps", "unlisted"}:
        return TORN
    if differ == {"coupler_slip", "out_of_square"}:
        return TWINS
    if differ and one and other and differ <= _SCALES:
        return SCANNER
    if not one or not other or len(one) != len(other):
        return FAINT
    if len(differ) != 2:
        return ALIKE
    a, b = sorted(differ)
    sides = {_DRAG.get(a) or _GIVE.get(a), _DRAG.get(b) or _GIVE.get(b)}
    if len(sides) == 1 and None not in sides:
        return FRICTION
    if differ <= _SHAFT:
        return FAR
    if a.replace("left", "right") == b.replace("left", "right") or sides == {"left", "right"}:
        return SIDES
    return ALIKE
