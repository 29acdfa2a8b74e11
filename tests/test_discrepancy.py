"""What the model lacks, against the kinematics of a beam on two plates and the size of a lag."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from lifted import lift

import gantrysim as gs
from gantrysim.inference.assumptions import USUAL, Scales
from gantrysim.inference.discrepancy import (
    ABOUT,
    CORNER,
    EVEN,
    ODD,
    PULLEY,
    RATTLE,
    STRAIGHT,
    Discrepancy,
    Passage,
    lags,
    windups,
)
from gantrysim.inference.problem import prepare

MACHINE = gs.Machine()
PLACES = np.column_stack([np.linspace(40.0, 380.0, 60), np.linspace(90.0, 350.0, 60)])


FAR = 50.0  # mm since a reversal: nothing is left of it


def columns(
    normal: tuple[float, float],
    *,
    moving: float = 1.0,
    since: float = FAR,
    square: float = 0.0,
    places: np.ndarray = PLACES,
) -> Discrepancy:
    """Columns for places that all have one normal and move one way."""
    count = len(places)
    same = np.tile(normal, (count, 1))
    way, apart = np.full((count, 2), moving), np.full((count, 2), since)
    passed = Passage(places, same, way, apart, apart, np.full(count, square), MACHINE)
    return passed.lacking(MACHINE)


def spread(
    found: Discrepancy, kinds: tuple[int, ...], machine: gs.Machine = MACHINE, **scales: float
) -> np.ndarray:
    """Prior standard deviation at each place of what some kinds add, mm."""
    own = np.isin(found.owner, kinds)
    sizes = found.sizes(machine, Scales(**scales), USUAL)[own]
    return np.sqrt(np.sum((found.columns[:, own] * sizes) ** 2, axis=1))


@pytest.mark.parametrize("normal", [(1.0, 0.0), (0.0, 1.0), (0.6, -0.8)])
@pytest.mark.parametrize("side", ["left", "right"])
def test_an_error_of_one_plate_turns_the_beam_as_a_rigid_body(
    side: str, normal: tuple[float, float]
) -> None:
    """Run-out of one pulley lifts its end of the beam: the spot moves up and aside."""
    span, beyond = MACHINE.span, MACHINE.head.beyond
    size = 1e-3
    own = dataclasses.replace(USUAL, pulley_turn=size)
    found = columns(normal)
    pulley = found.columns * found.sizes(MACHINE, Scales(), own)
    assert set(found.owner[:6]) == {PULLEY}
    turn = 2.0 * math.pi * PLACES[:, 1] / MACHINE.belt_left.pulley_circumference
    k = {"left": 1, "right": 2}[side]
    for wave, column in ((np.sin, k), (np.cos, 3 + k)):
        lift = size * wave(turn)
        left, right = (lift, 0.0 * lift) if side == "left" else (0.0 * lift, lift)
        yaw = np.arctan2(right - left, span)
        # the spot lies beyond the beam, square to it
        moved = np.column_stack(
            [
                -beyond * np.sin(yaw),
                left + PLACES[:, 0] * np.tan(yaw) + beyond * (np.cos(yaw) - 1.0),
            ]
        )
        assert pulley[:, column] == pytest.approx(moved @ np.array(normal), abs=2e-8)


def test_what_turns_over_with_the_motion_is_a_few_per_cent_of_the_lag() -> None:
    """The lag is that of the carriage's drag on two belt spans, k = EA (1/L1 + 1/L2), by hand."""
    drag = 20.0
    tight = MACHINE.set("carriage.friction", drag)
    first = tight.belt_x.near + 0.5 * tight.span
    stiffness = tight.belt_x.ea * (1.0 / first + 1.0 / (tight.belt_x.loop - first))
    assert lags(tight)[0] == pytest.approx(drag / stiffness)
    forth, back = columns((1.0, 0.0)), columns((1.0, 0.0), moving=-1.0)
    carriage = np.isin(forth.owner, ODD[:1])
    assert np.abs(forth.columns[:, carriage]).max() > 0.9  # else nothing is shown
    assert np.array_equal(forth.columns[:, carriage], -back.columns[:, carriage])
    share = spread(forth, ODD[:1], tight).max() / (drag / stiffness)
    assert share == pytest.approx(math.sqrt(2.0) * USUAL.odd_share, rel=1e-3)  # dirt and ripple
    assert 0.02 < share < 0.08  # ripple and dirt, a few per cent each (common practice, no source)
    easy = MACHINE.set_many({f"{part}.friction": 0.01 for part in ("carriage", "left", "right")})
    least = spread(forth, ODD[:1], easy).max()
    assert least == pytest.approx(math.sqrt(2.0) * USUAL.odd_least, rel=1e-3)


def test_ripple_comes_once_a_turn_of_the_wheel_of_its_part() -> None:
    """A wheel of radius r rolls 2 pi r a turn; plates and carriage have wheels of their own."""
    own = MACHINE
    radii = {"carriage": 6.0, "left": 8.0, "right": 9.0}
    for name, radius in radii.items():
        part = own.value(name)
        wheels = tuple(dataclasses.replace(x, radius=radius) for x in part.wheels)
        own = own.set(name, dataclasses.replace(part, wheels=wheels))
    ones = np.ones((len(PLACES), 2))
    for axis, kind, radius in zip((0, 1, 1), ODD, radii.values(), strict=True):
        normal = np.eye(2)[np.full(len(PLACES), axis)]
        table = []
        for shift in (0.0, 2.0 * math.pi * radius):
            places = PLACES.copy()
            places[:, axis] += shift
            far = FAR * ones
            passed = Passage(places, normal, ones, far, far, np.zeros(len(PLACES)), own)
            found = passed.lacking(own)
            table.append(found.columns[:, found.owner == kind][:, -2:])
        assert np.abs(table[0]).max() > 0.4  # else nothing is shown
        assert table[1] == pytest.approx(table[0], abs=1e-9)


@pytest.mark.parametrize(
    ("fault", "part"),
    [
        (gs.faults.TightCarriage(30.0), 0),
        (gs.faults.TightWheels("left", 30.0), 1),
        (gs.faults.TightWheels("right", 30.0), 2),
        (gs.faults.SlackBelt("left", 0.1), 1),
    ],
)
def test_what_the_model_lacks_grows_with_the_lag_of_the_part_that_is_at_fault(
    fault: gs.faults.Fault, part: int
) -> None:
    """Ripple and dirt are parts of drag, and what drag moves goes by the stiffness behind it."""
    found = columns((0.6, 0.8), since=0.1)
    worse = fault.apply(MACHINE)
    ratio = found.sizes(worse, Scales(), USUAL) / found.sizes(MACHINE, Scales(), USUAL)
    grown = lags(worse)[part] / lags(MACHINE)[part]
    assert grown > 2.0
    own = np.isin(found.owner, (ODD[part], ABOUT[part]))
    assert ratio[own] == pytest.approx(grown)
    assert ratio[~own] == pytest.approx(1.0)


def test_each_factor_moves_its_own_kinds_and_no_other() -> None:
    found = columns((0.6, 0.8), since=0.1, square=1.0)
    usual = found.sizes(MACHINE, Scales(), USUAL)
    moved = {
        "place": (PULLEY, EVEN, STRAIGHT),
        "direction": ODD,
        "corner": (CORNER, *ABOUT, RATTLE),
        "scatter": (),
        "reader": (),
        "shape": (),
        "skew": (),
    }
    assert set(moved) == {field.name for field in dataclasses.fields(Scales)}
    for name, kinds in moved.items():
        ratio = found.sizes(MACHINE, Scales(**{name: 3.0}), USUAL) / usual
        assert ratio == pytest.approx(np.where(np.isin(found.owner, kinds), 3.0, 1.0))


def test_a_rail_that_is_not_straight_sets_its_axis_off_sideways() -> None:
    """A bend of the left-right rail shows across it, over its place, and not along it."""
    up = columns((0.0, 1.0))
    bent = np.flatnonzero(up.owner == STRAIGHT)
    seen = [k for k in bent if np.any(up.columns[:, k])]
    places, (x, y) = PLACES[:, 0], PLACES.T
    # hats that add up to one everywhere: a shift of the whole rail is a shift of the whole line
    assert up.columns[:, seen].sum(axis=1) == pytest.approx(np.ones(len(PLACES)))
    aside = columns((1.0, 0.0))
    along_y = [k for k in bent if np.any(aside.columns[:, k])]
    assert not set(seen) & set(along_y)
    # two places with the same x and another y have the same error of the rail along x
    moved = columns((0.0, 1.0), places=np.column_stack([x, y[::-1]]))
    assert moved.columns[:, seen] == pytest.approx(up.columns[:, seen])
    assert spread(up, (STRAIGHT,)).max() == pytest.approx(USUAL.straight)
    assert len(seen) == math.ceil((places.max() - places.min()) / USUAL.straight_length) + 1


def test_an_axis_starts_again_after_a_reversal_and_forgets_it() -> None:
    """What is left of a reversal shows over a way of a millimetre; each way round has its own."""
    near, far = columns((1.0, 0.0), since=0.08), columns((1.0, 0.0), since=5.0)
    assert spread(near, ABOUT).max() > 0.5 * USUAL.odd_least
    assert spread(far, ABOUT).max() == 0.0
    assert spread(columns((1.0, 0.0), since=0.08, square=1.0), ABOUT).max() == 0.0
    back = columns((1.0, 0.0), since=0.08, moving=-1.0)
    own = np.isin(near.owner, ABOUT)
    both = np.any(near.columns[:, own], axis=0) & np.any(back.columns[:, own], axis=0)
    assert not both.any()


@pytest.mark.parametrize(
    ("place", "fault", "part"),
    [
        ("carriage", None, 0.3),
        ("left", None, 0.6),
        ("carriage", gs.faults.TightCarriage(10.0), 0.4),
        ("left", gs.faults.TightWheels("left", 15.0), 0.4),
        ("right", gs.faults.TightWheels("right", 12.0), 0.4),
        ("right", gs.faults.CouplerBacklash(0.3), 0.8),
        ("left", gs.faults.SlackBelt("left", 0.45, 1.8), 1.2),  # an emptied span: no better
        ("carriage", gs.faults.SlackBelt("x", 0.3, 0.5), 0.4),
    ],
)
def test_more_drag_moves_a_circle_as_its_columns_say(
    place: str, fault: gs.faults.Fault | None, part: float
) -> None:
    """The march goes by the laws of friction and springs; the columns know lag and play alone.

    A twentieth more drag everywhere is dirt that is the same everywhere: its columns add up.  An
    axis that stands still after a reversal keeps what the drag before it did; ``part``: of what is
    left unexplained where it is thought to roll at once.
    """
    machine = MACHINE if fault is None else fault.apply(MACHINE)
    test = gs.ring_test(shapes=("circle",), spacing=6.0, largest=30.0)
    ((_, piece),) = prepare(lift(machine, test), MACHINE).burned
    field, where = f"{place}.friction", np.zeros(piece.n_nuisance)
    more = machine.set(field, 1.05 * machine.value(field))
    moved = piece.residual(machine, where) - piece.residual(more, where)

    def unexplained(windup: tuple[float, float, float]) -> float:
        found = piece.passage.wound(windup)
        own = found.owner == ODD[("carriage", "left", "right").index(place)]
        dirt = found.columns[:, own][:, :-2].sum(axis=1)
        amount = dirt @ moved / (dirt @ dirt)
        assert amount < 0.0  # more drag: further behind
        return float(np.linalg.norm(moved - amount * dirt) / np.linalg.norm(moved))

    assert unexplained(windups(machine)) < 0.3
    assert unexplained(windups(machine)) < part * unexplained((1e-6, 1e-6, 1e-6))


def test_play_of_a_drive_belongs_to_its_windup() -> None:
    """A side lags by F / k + b / 2 forward and leads by as much backward (`test_drive`)."""
    loose = MACHINE.set("shaft.backlash", 0.2).set("belt_left.tooth_backlash", 0.06)
    ways = np.subtract(windups(loose), lags(loose))
    assert ways == pytest.approx([0.0, 0.03, 0.1])
    middle = loose.set("shaft.motor_place", "middle")
    assert np.subtract(windups(middle), lags(middle)) == pytest.approx([0.0, 0.08, 0.05])
    both = loose.set("shaft.motor_place", "both")
    assert np.subtract(windups(both), lags(both)) == pytest.approx([0.0, 0.03, 0.0])


def test_corners_belong_to_squares() -> None:
    """Each side of a square comes to rest by itself; a circle has no corner."""
    assert spread(columns((1.0, 0.0)), (CORNER,)).max() == 0.0
    right, left = columns((1.0, 0.0), square=1.0), columns((-1.0, 0.0), square=1.0)
    for side in (right, left):
        assert spread(side, (CORNER,)) == pytest.approx(USUAL.corner_rest)
    own = right.owner == CORNER
    assert not np.any(right.columns[:, own] * left.columns[:, own])


def test_how_a_loose_carriage_lies_is_bound_to_the_direction_of_its_motion() -> None:
    """It grows with the gap, is there on circles only, and is nothing where nothing is loose."""
    loose = gs.faults.LooseCarriage(0.3).apply(MACHINE)
    circle, square = columns((0.6, 0.8)), columns((0.6, 0.8), square=1.0)
    tight_fit = spread(circle, (RATTLE,)).max()
    assert tight_fit < 1e-5
    assert spread(square, (RATTLE,), loose).max() == 0.0
    size = USUAL.rattle_share * loose.carriage.gap
    assert 0.3 * size < spread(circle, (RATTLE,), loose).max() < 1.001 * size
    looser = gs.faults.LooseCarriage(0.6).apply(MACHINE)
    ratio = spread(circle, (RATTLE,), looser).max() / spread(circle, (RATTLE,), loose).max()
    assert ratio == pytest.approx(looser.carriage.gap / loose.carriage.gap)
    # another direction of motion is another unknown
    aside = columns((-0.8, 0.6))
    own = circle.owner == RATTLE
    assert np.abs(circle.columns[:, own] * aside.columns[:, own]).max() < 1e-9
