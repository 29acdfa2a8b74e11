"""Every fault, and two defined here as a user would, goes through all doors of the library.

Burn, fit, diagnosis, what a test can tell, the next test, advice, the log and the pictures ask
nothing of a fault but what `gantrysim.faults.base.Fault` names.
"""

from __future__ import annotations

import dataclasses
import html
import json
import math
import re
from dataclasses import dataclass
from pathlib import Path

import matplotlib as mpl
import matplotlib.pyplot as plt
import numpy as np
import pytest
from lifted import laid, lift

import gantrysim as gs
from gantrysim.decisions.diagnosis import Hypothesis
from gantrysim.decisions.nexttest import Look
from gantrysim.faults import Catalogue, Fault, WheelFlat
from gantrysim.faults.flat import SHIFT_PER_DEPTH, WHEEL_TURN
from gantrysim.inference.parameters import Parameter, values_at
from gantrysim.inference.problem import prepare
from gantrysim.inference.search import search

mpl.use("Agg")

TEST = gs.ring_test(spacing=8.0, largest=24.0, centre=(215.0, 200.0), passes=1, feed=30.0)
ELSEWHERE = gs.ring_test(spacing=8.0, largest=24.0, centre=(120.0, 90.0), passes=1, feed=30.0)
NOISE = 0.01
#: Probability from which on a fault of its usual size counts as seen by this small test, and
#: those that are not.
SEEN = 0.4
FAINT = {"loose_wheels_left", "loose_wheels_right", "coupler_slip", "weak_motor", "seizing_bearing"}


# Faults of the user's own


@dataclass(frozen=True)
class SeizingBearing(Fault):
    """The far bearing of the cross shaft drags: the right side lags."""

    extra_drag: float

    name = "seizing_bearing"
    words = "the far bearing of the cross shaft is seizing"
    unit = "N"
    block = "y"
    place = "shaft.drag"
    parameters = (Parameter("extra drag", "N", 8.0, 0.6, ratio=True),)


@dataclass(frozen=True)
class WeakMotor(Fault):
    """The least that a class must say: no place, no adjusting point, no hand check of its own."""

    part: float

    name = "weak_motor"
    words = "the Y motor holds less than it should"
    unit = "of nominal"
    parameters = (Parameter("part", "-", 0.4, 0.4, ratio=True, faint=2.0),)

    def apply(self, machine: gs.Machine) -> gs.Machine:
        return machine.set("motor_y.hold_force", machine.motor_y.hold_force * self.part)


class OwnGantry(gs.Machine):
    """Another architecture, with a catalogue of its own."""

    def catalogue(self) -> Catalogue:
        return super().catalogue().extended(SeizingBearing(1.0), WeakMotor(0.4))


FAULTS = {fault.key: fault for fault in OwnGantry().catalogue().faults}


def gantry_of(fault: Fault) -> gs.Machine:
    """A machine that knows the family of a fault, what looks like it, and two faults beside.

    The whole list is compared in `test_diagnose`; here a short one keeps the walk quick.
    """
    whole = OwnGantry().catalogue()
    near = {fault.name, fault.opposite, *fault.twins, "tight_carriage", "coupler_slip"}
    few = dataclasses.replace(whole, faults=tuple(f for f in whole.faults if f.name in near))

    class Few(OwnGantry):
        def catalogue(self) -> Catalogue:
            return few

    return Few()


def strong(fault: Fault) -> tuple[Fault, float]:
    """The fault well beyond its usual size, so that a burn shows it, and that size."""
    worse = -1.0 if fault.parameters[0].faint > 0.0 else 1.0
    numbers = np.array(fault.usual_numbers)
    numbers[0] += worse
    values = values_at(fault.parameters, numbers)
    fault = fault.at(*values)
    if isinstance(fault, WheelFlat):
        fault = dataclasses.replace(fault, place_mm=TEST.nests[0].centre[1] % WHEEL_TURN)
    return fault, fault.magnitude(*values)


def burned(fault: Fault, machine: gs.Machine) -> gs.Piece:
    """A piece of a machine with the fault; what the forward model lacks is added to its lines."""
    if not fault.sought:
        return lift(machine.with_faults(fault), TEST, noise=NOISE, seed=3)
    assert isinstance(fault, WheelFlat)
    lines = []
    for line in gs.simulate(machine, TEST, step=0.5, feed_forces=True).lines:
        along = np.gradient(line.xy, axis=0)
        along /= np.hypot(*along.T)[:, None]
        normal = along @ [[0.0, -1.0], [1.0, 0.0]]
        normal *= np.sign(np.sum(normal * (line.xy - line.xy.mean(axis=0)), axis=1))[:, None]
        amounts = fault.coefficients(fault.depth, fault.shift_per_depth, fault.yaw_per_depth)
        height = fault.signature(machine, line.xy, normal) @ amounts
        lines.append(dataclasses.replace(line, xy=line.xy + height[:, None] * normal))
    return laid(lines, TEST, every=1, noise=NOISE, seed=3)


@dataclass(frozen=True, eq=False)
class Walk:
    """One fault with what was made of it once for all doors."""

    fault: Fault
    size: float
    machine: gs.Machine
    piece: gs.Piece
    finding: gs.Finding
    told: gs.decisions.Identifiability

    @property
    def explanation(self) -> Hypothesis:
        return next(h for h in self.finding.ranked if h.faults == (self.fault.name,))

    @property
    def about(self) -> gs.Finding:
        """The finding with the fault in front, whatever else this small test leaves open."""
        own = dataclasses.replace(self.explanation, probability=0.9)
        others = (h for h in self.finding.ranked if h is not self.explanation)
        weak = (dataclasses.replace(h, probability=0.1 * h.probability) for h in others)
        return dataclasses.replace(self.finding, ranked=(own, *weak))


@pytest.fixture(scope="module", params=FAULTS, ids=str)
def walk(request: pytest.FixtureRequest) -> Walk:
    fault, size = strong(FAULTS[request.param])
    machine = gantry_of(fault)
    piece = burned(fault, machine)
    told = gs.what_can_be_told(TEST, machine, faults=[fault.name])
    return Walk(fault, size, machine, piece, gs.diagnose(piece, machine), told)


def test_it_says_what_it_is(walk: Walk) -> None:
    fault = FAULTS[walk.fault.key]
    assert fault.usual == fault  # the catalogue holds each at its usual size
    assert walk.fault != fault
    for words in (fault.name, fault.words, fault.noun, fault.unit, fault.check):
        assert words
        assert not words.endswith(".")
    assert "power off" in fault.check or "laser disconnected" in fault.check
    sizes = [q.value(1.0) for q in fault.parameters]
    assert math.isfinite(fault.magnitude(*sizes))
    point = fault.adjusting_point(walk.machine, gs.machine.Handbook())
    assert point.look == fault.check
    assert point.confirm
    own = {s.parameter.name for s in walk.machine.catalogue().scatter}
    assert {*fault.fresh_scatter, *filter(None, [fault.own_scatter])} <= own


def test_it_changes_a_machine_and_its_burn(walk: Walk) -> None:
    if walk.fault.sought:
        with pytest.raises(ValueError, match="forward model"):
            walk.machine.with_faults(walk.fault)
        return
    faulty = walk.machine.with_faults(walk.fault)
    assert type(faulty) is type(walk.machine)
    assert faulty != walk.machine
    if walk.fault.readable:
        read = walk.fault.size_on(faulty, walk.machine)
        assert read == pytest.approx(walk.size, rel=1e-6)
        wrong = abs(read) if walk.fault.sense == 0 else walk.fault.sense * read
        assert wrong > walk.fault.healthy_limit(walk.machine) * (walk.fault.sense or 1)
    lines = [gs.simulate(m, TEST).lines for m in (walk.machine, faulty)]
    apart = max(np.abs(a.xy - b.xy).max() for a, b in zip(*lines, strict=True))
    assert apart > 5e-3  # mm


def test_fit_finds_its_size(walk: Walk) -> None:
    found = gs.fit(walk.piece, walk.machine, [walk.fault.name])
    size = found.magnitudes[walk.fault.name]
    spread = size.high - size.low
    assert size.unit == walk.fault.unit
    assert size.low - 0.5 * spread < walk.size < size.high + 0.5 * spread
    assert walk.fault.name in found.report()


def test_diagnosis_prefers_it_to_a_healthy_machine(walk: Walk) -> None:
    gain = walk.finding.gains
    seen = max(power.seen for power in walk.told.power)
    assert (seen < SEEN) == (walk.fault.name in FAINT)  # as was said before anything was burned
    if seen > SEEN:
        assert gain[(walk.fault.name,)] > gain[()] + 1.0
    json.dumps(walk.finding.to_dict(), allow_nan=False)
    assert walk.fault.words in walk.about.report()
    assert walk.fault.words in html.unescape(walk.about._repr_html_())


def test_what_a_test_tells_of_it(walk: Walk) -> None:
    told = walk.told
    labels = {
        walk.machine.catalogue().label(f) for f in FAULTS.values() if f.name == walk.fault.name
    }
    assert {row.name for row in told.rows if row.fault} == labels
    assert {power.fault for power in told.power} == labels
    assert walk.fault.noun in told.report()
    assert walk.fault.noun in told.report(tables=True)
    assert walk.fault.noun in html.unescape(told._repr_html_())
    told.plot()
    plt.close("all")


def told_name(walk: Walk) -> str:
    return walk.fault.name


def test_next_test_weighs_it(walk: Walk) -> None:
    candidates = [ELSEWHERE, Look.of(walk.fault, walk.machine)]
    proposals = gs.next_test(walk.about, candidates=candidates)
    assert len(proposals) == 2
    assert all(math.isfinite(p.worth) and p.worth >= -1e-9 for p in proposals)
    assert any(p.words == walk.fault.check for p in proposals)


def test_advice_and_log_take_it_on(walk: Walk, tmp_path: Path) -> None:
    advice = walk.about.adjustments(draws=40)
    turn = next(a for a in advice.adjustments if a.fault == walk.fault.name)
    assert "re-home" in turn.safety
    assert walk.fault.check in advice.report()
    path = tmp_path / "own.json"
    log = gs.new_log(path, walk.machine, name="Own").burned(walk.piece, walk.about)
    names = (walk.fault.name,)
    first = log.belief.weights[names]
    assert first > 0.8
    healthy = 1.0 if walk.fault.sense < 0 else 0.0
    for step in (turn, gs.decisions.Change(walk.fault.name, walk.size - healthy)):
        after = log.adjusted(step)
        assert after.belief.weights.get(names, 0.0) < 0.8 * first  # diagonals are read coarsely
        assert 0.0 < sum(after.belief.weights.values()) <= 1.0 + 1e-9
        assert np.all(np.linalg.eigvalsh(after.belief.precision) > 0.0)
        assert after.entries[-1].fault == walk.fault.name
        log = gs.open_log(path, architecture=type(walk.machine))
        assert log.to_dict() == after.to_dict()
        assert log.belief.sizes == after.belief.sizes
        log = after
    log.plot()
    plt.close("all")
    if not walk.fault.sought:  # the next round begins with what is believed now
        problem = prepare(walk.piece, walk.machine, log.belief)
        fault = next(f for f in FAULTS.values() if f.key == walk.fault.key)
        believed = log.belief.sizes.get(fault.key, fault.parameters)
        assert problem.parameters(fault) == believed
        assert math.isfinite(search(problem, (fault,)).evidence)


def test_a_flat_turns_the_beam_as_the_plates_hold_against_it() -> None:
    """What shifts the beam sideways acts half a wheel base from it: statics of two springs."""
    plate = gs.Machine().left
    along = max(wheel.along for wheel in plate.wheels)
    force = SHIFT_PER_DEPTH * 2.0 * plate.side_stiffness  # N per mm of depth, on both plates
    turn = force * along / (gs.Machine().span * 2.0 * plate.rack_stiffness)
    assert gs.faults.WheelFlat("left").parameters[2].spread == pytest.approx(turn, rel=0.05)


def test_pictures_show_it(walk: Walk) -> None:
    walk.finding.plot()
    if not walk.fault.sought:
        faulty = walk.machine.with_faults(walk.fault)
        ring = {s: gs.ring_test((s,), spacing=10.0, largest=20.0) for s in ("circle", "square")}
        machines = (walk.machine, faulty)
        circle, square = (tuple(gs.simulate(m, t) for m in machines) for t in ring.values())
        pushes = tuple(gs.push(m, "left") for m in machines)
        figure = gs.plotting.plot_fault(
            title=walk.fault.words, circle=circle, square=square, pushes=pushes
        )
        assert figure.axes
    plt.close("all")


# The catalogue of an architecture


def test_a_catalogue_belongs_to_the_machine() -> None:
    own, plain = OwnGantry(), gs.Machine()
    assert set(own.catalogue().names) - set(plain.catalogue().names) == {
        "seizing_bearing",
        "weak_motor",
    }
    changed = own.set("span", 440.0).with_faults(gs.faults.TightWheels("left", 3.0))
    assert type(changed) is OwnGantry
    assert changed.catalogue().names == own.catalogue().names
    total = own.catalogue()
    single = sum(total.prior((name,)) for name in total.names)
    names = total.names
    pairs = sum(total.prior((a, b)) for k, a in enumerate(names) for b in names[k + 1 :])
    whole = total.prior(()) + single + pairs + total.prior(("unlisted",))
    assert whole == pytest.approx(1.0)
    with pytest.raises(ValueError, match="no fault named 'seizing_bearing'"):
        plain.catalogue().named("seizing_bearing")


@pytest.mark.parametrize(
    ("changes", "kind", "sentence"),
    [
        ({"name": Fault.name}, TypeError, "Odd: a fault must give its name, found nothing."),
        ({"name": 3}, TypeError, "Odd: name must be a text, found 3."),
        ({"words": None}, TypeError, "Odd: words must be a text, found None."),
        ({"parameters": ()}, TypeError, "Odd: parameters must be a tuple of Parameter, one or"),
        ({"parameters": Fault.parameters}, TypeError, "Odd: a fault must give its parameters,"),
        ({"place": ""}, TypeError, "Odd: a fault must give its place or apply, found nothing."),
        (
            {"place": "shaft.drga"},
            ValueError,
            "Odd: place must be a dotted field of Machine, found",
        ),
        ({"place": "shft.drag"}, ValueError, "Odd: place must be a dotted field of Machine"),
        ({"block": "z"}, ValueError, "Odd: block must be 'x', 'y', 'xy' or '', found 'z'."),
        ({"block": "x"}, ValueError, "Odd: block must be one that holds 'y', where it changes a"),
        ({"name": "tight_carriage"}, ValueError, "of its own: TightCarriage is called so too"),
        ({"name": "unlisted"}, ValueError, "of its own: Unlisted is called so too"),
    ],
)
def test_a_fault_that_does_not_say_what_it_must_enters_no_catalogue(
    changes: dict[str, object], kind: type[Exception], sentence: str
) -> None:
    @dataclass(frozen=True)
    class Odd(Fault):
        drag: float
        name, words, unit, block, place = "odd", "the shaft drags", "N", "y", "shaft.drag"
        parameters = (Parameter("drag", "N", 8.0, 0.6, ratio=True),)

    assert gs.Machine().catalogue().extended(Odd(1.0)).named("odd").words == "the shaft drags"
    for name, value in changes.items():
        setattr(Odd, name, value)
    with pytest.raises(kind, match=re.escape(sentence)):
        gs.Machine().catalogue().extended(Odd(1.0))


def test_a_machine_lacks_only_parts_that_there_are() -> None:
    @dataclass(frozen=True)
    class Odd(gs.Machine):
        absent = frozenset({"belt_rigth"})

    with pytest.raises(ValueError, match="Odd: absent must be fields of the machine, found 'belt"):
        Odd()
    with pytest.raises(ValueError, match="absent must be fields of Machine, found 'belt_rigth'"):
        gs.Machine().catalogue().without("belt_rigth")


def test_a_log_of_another_architecture_is_opened_as_such(tmp_path: Path) -> None:
    path = tmp_path / "own.json"
    log = gs.new_log(path, OwnGantry(), name="Own").adjusted(gs.decisions.Change("weak_motor", 0.1))
    again = gs.open_log(path, architecture=OwnGantry)
    assert type(again.machine) is OwnGantry
    assert again.to_dict() == log.to_dict()
    with pytest.raises(ValueError, match="another architecture"):
        gs.open_log(path)


def test_a_file_of_another_architecture_is_read_as_such(tmp_path: Path) -> None:
    @dataclass(frozen=True)
    class Heavy(OwnGantry):
        ballast: float = 1.0

    path = gs.save_machine(Heavy(ballast=2.5), tmp_path / "heavy.toml")
    again = gs.read_machine(path, architecture=Heavy)
    assert again == Heavy(ballast=2.5)
    with pytest.raises(ValueError, match="unknown key 'ballast'"):
        gs.read_machine(path)


def test_opposites_and_twins_are_mutual_and_never_paired() -> None:
    catalogue = OwnGantry().catalogue()
    for fault in catalogue.faults:
        if fault.opposite:
            assert catalogue.named(fault.opposite).opposite == fault.name
            assert not catalogue.plausible(fault.name, fault.opposite)
        for twin in fault.twins:
            assert catalogue.twins((fault.name,), (twin,)) == catalogue.twins(
                (twin,), (fault.name,)
            )
            assert not catalogue.plausible(twin, fault.name)
        assert not catalogue.plausible(fault.name, fault.name)
    assert catalogue.plausible("seizing_bearing", "weak_motor")


def test_a_burn_takes_what_drags_gives_or_has_play_for_another_of_the_same_drive() -> None:
    catalogue = gs.Machine().catalogue()
    alike = {name: [fault.name for fault in catalogue.alike(name)] for name in catalogue.names}
    assert alike["slack_belt_right"] == ["tight_wheels_right", "coupler_backlash"]
    assert alike["tight_carriage"] == ["slack_belt_x"]
    assert alike["tight_wheels_left"] == ["slack_belt_left"]
    assert not alike["scale_x"] + alike["wheel_flat_left"] + alike["loose_wheels_left"]
