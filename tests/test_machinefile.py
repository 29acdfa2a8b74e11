"""Machine files: nothing is lost, everything is explained, mistakes get one sentence."""

from __future__ import annotations

import dataclasses
import re
import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from gantrysim.faults import LooseWheels, TightWheels
from gantrysim.machine import Machine, Wheel
from gantrysim.machine.file import FIELDS, read_machine, save_machine, unlikely
from gantrysim.machine.handbook import Handbook

EXAMPLE = Path(__file__).resolve().parents[1] / "examples" / "bench_machine.toml"


def parts(machine: Machine) -> dict[str, Any]:
    """One part of each kind, by its class."""
    found = [machine, machine.left.wheels[0], *(
        value for f in dataclasses.fields(machine)
        if dataclasses.is_dataclass(value := getattr(machine, f.name))
    )]  # fmt: skip
    return {type(part).__name__: part for part in found}


def plain(part: Any) -> list[str]:
    values = {f.name: getattr(part, f.name) for f in dataclasses.fields(part)}
    return [name for name, value in values.items() if isinstance(value, float | str)]


# ---- the table of fields --------------------------------------------------------------------


def test_every_field_is_explained_and_no_other():
    assert set(FIELDS) == set(parts(Machine()))
    for kind, part in parts(Machine()).items():
        assert set(FIELDS[kind]) == set(plain(part)), kind


def test_plausible_ranges_hold_the_nominal_machine_and_are_legal():
    assert unlikely(Machine()) == ()
    for kind, part in parts(Machine()).items():
        stated = {field.name: field.metadata for field in dataclasses.fields(part)}
        for name, note in FIELDS[kind].items():
            assert note.meaning
            if note.likely:
                low, high = stated[name]["limits"]
                assert low <= note.likely[0] < note.likely[1] <= high, (kind, name)


def test_what_is_unusual_is_said():
    machine = Machine().set("belt_left.pretension", 1.0).set("beam.mass", 90.0)
    belt, beam = unlikely(machine)
    assert belt.startswith("belt_left.pretension = 1 is unusual; likely is 5 to 80 N")
    assert beam.startswith("beam.mass = 90 is unusual; likely is 0.3 to 5 kg")


# ---- saved and loaded -----------------------------------------------------------------------

BELTS = ("belt_left", "belt_right", "belt_x")
PARTS = ("left", "right", "carriage", *BELTS, "shaft", "motor_y", "motor_x", "head", "contact",
         "beam")  # fmt: skip


@st.composite
def drawn(draw: Any, part: Any, skip: tuple[str, ...] = ()) -> Any:
    """A part with some of its fields anywhere in their plausible ranges."""
    notes = FIELDS[type(part).__name__]
    numbers = [name for name in notes if notes[name].likely and name not in skip]
    chosen = draw(st.lists(st.sampled_from(numbers), unique=True, max_size=6))
    new = {name: draw(st.floats(*notes[name].likely)) for name in chosen}
    return dataclasses.replace(part, **new)


@st.composite
def machines(draw: Any) -> Machine:
    machine = Machine()
    new: dict[str, Any] = {}
    for name in PARTS:
        part = draw(drawn(getattr(machine, name), skip=("length", "near", "loop")))
        if name in ("left", "right", "carriage"):
            wheels = tuple(draw(drawn(w, skip=("along",))) for w in part.wheels)
            part = dataclasses.replace(part, wheels=wheels)
        new[name] = part
    new["shaft"] = dataclasses.replace(
        new["shaft"], motor_place=draw(st.sampled_from(["left", "middle", "both"]))
    )
    return machine.replace(**new, square=draw(st.floats(-10, 10)))


@settings(
    max_examples=60,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(machine=machines())
def test_a_saved_machine_comes_back_without_loss(machine, tmp_path):
    path = save_machine(machine, tmp_path / "machine.toml", overwrite=True)
    assert read_machine(path) == machine


@pytest.mark.parametrize(
    "fault",
    [TightWheels("left", 12.0), TightWheels("right", nut_deg=50.0, wheel="front"),
     LooseWheels("left", gap=0.07), LooseWheels("right", 0.3, 0.4)],
)  # fmt: skip
def test_faulty_machines_come_back_too(fault, tmp_path):
    machine = Machine().with_faults(fault)
    assert read_machine(save_machine(machine, tmp_path / "m.toml")) == machine


def test_every_line_has_its_comment(tmp_path):
    machine = Machine()
    text = save_machine(machine, tmp_path / "m.toml").read_text()
    lines = [line for line in text.splitlines() if re.match(r"\w+ = ", line)]
    wheels = sum(len(p.wheels) for p in machine.plates)
    assert len(lines) == sum(
        len(FIELDS[type(getattr(machine, name)).__name__]) for name in PARTS
    ) + len(FIELDS["Machine"]) + wheels * len(FIELDS["Wheel"])
    notes = {note.comment for kind in FIELDS.values() for note in kind.values()}
    for line in lines:
        assert line.split("  # ", 1)[1] in notes
    assert "ea = 9500.0  # 3000 to 100000 N: tensile stiffness EA" in text


def test_saving_never_replaces_a_file_unasked(tmp_path):
    path = save_machine(Machine(), tmp_path / "m.toml")
    before = path.read_bytes()
    with pytest.raises(FileExistsError, match="overwrite=True"):
        save_machine(Machine().set("span", 431.0), path)
    assert path.read_bytes() == before
    save_machine(Machine().set("span", 431.0), path, overwrite=True)
    assert read_machine(path).span == 431.0
    with pytest.raises(FileNotFoundError, match="does not exist"):
        save_machine(Machine(), tmp_path / "nowhere" / "m.toml")
    assert [p.name for p in tmp_path.iterdir()] == ["m.toml"]


# ---- short files and handbook data ----------------------------------------------------------


def read(tmp_path: Path, text: str) -> Machine:
    path = tmp_path / "machine.toml"
    path.write_text(text)
    return read_machine(path)


def test_what_a_file_leaves_out_is_nominal(tmp_path):
    machine = read(tmp_path, "span = 500\n[belt_x]\nloop = 1100\n[left]\nfriction = 4.2\n")
    expected = Machine().set_many({"span": 500.0, "belt_x.loop": 1100.0, "left.friction": 4.2})
    assert machine == expected
    assert isinstance(machine.span, float)


def test_the_example_can_be_filled_in_with_ruler_scale_and_label():
    machine = read_machine(EXAMPLE)
    assert unlikely(machine) == ()
    assert [b.ea for b in machine.belts] == pytest.approx([12_000.0] * 3)
    assert machine.belt_left.pretension == pytest.approx(15.8)
    assert machine.shaft.stiffness == pytest.approx(300.2, abs=0.06)
    assert machine.motor_y.stiffness == pytest.approx(494, abs=1)
    drags = [p.friction for p in machine.plates]
    assert drags == pytest.approx([3.2, 2.9, 2.3])
    given = tomllib.loads(EXAMPLE.read_text(encoding="utf-8"))
    assert set(given["handbook"]) <= {f.name for f in dataclasses.fields(Handbook)}


def test_tables_win_over_the_handbook(tmp_path):
    text = "[handbook]\nbelt = '3 mm steel'\npulley_teeth = 16\n[belt_left]\nea = 45000\n"
    machine = read(tmp_path, text)
    assert [b.ea for b in machine.belts] == pytest.approx([45_000.0, 48_000.0, 48_000.0])
    assert [b.pulley_circumference for b in machine.belts] == pytest.approx([48.0] * 3)
    assert machine.motor_x.full_step == pytest.approx(0.24)


def test_handbook_figures_name_their_sources():
    book = Handbook(couplings=2, coupling=60.0)
    figures = {f.place: f for f in book.figures()}
    assert all(f.source for f in figures.values())
    # 12.164 N m/rad of shaft in series with two couplings of 60, over 6.366 mm squared
    by_hand = 1 / (1 / 12.164 + 2 / 60.0) * 1e3 / 6.3662**2
    assert figures["shaft.stiffness"].value == pytest.approx(by_hand, rel=1e-4)
    assert "2 couplings" in str(figures["shaft.stiffness"])
    machine = book.machine()
    for place, figure in figures.items():
        if not place.startswith("wheels."):
            assert machine.value(place) == figure.value
    for plate in machine.plates:
        assert [w.load for w in plate.wheels] == pytest.approx([figures["wheels.load"].value] * 4)


def test_the_handbook_accepts_wide_plates_and_square_shafts():
    machine = Handbook(plate_base=200.0, carriage_base=150.0, shaft="square").machine()
    assert machine.left.wheel_base == 200.0
    square = 0.1406 * 5.0**4 * 79_300 / 400 / 6.3662**2
    assert machine.shaft.stiffness == pytest.approx(square, rel=1e-3)
    wide = machine.left.rack_stiffness
    assert wide > Handbook(plate_base=100.0).machine().left.rack_stiffness


# ---- mistakes -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "text, sentence",
    [
        ("spann = 3", "unknown key 'spann'; did you mean 'span'?"),
        ("[left]\nrack_stifness = 3", "'left.rack_stifness'; did you mean 'left.rack_stiffness'?"),
        ("[belt_lefft]\nea = 3", "unknown key 'belt_lefft'; did you mean 'belt_left'?"),
        ("[handbook]\nbelt_widht = 3", "did you mean 'handbook.belt_width'?"),
        ("[shaft]\nfriction = 3", "unknown key 'shaft.friction'"),
        ("zzz = 1", "unknown key 'zzz'; accepted is 'span', "),
        ("[shaft]\nmotor_place = 3", "shaft.motor_place must be a word in quotes, found 3."),
        (
            "[shaft]\nmotor_place = 'top'",
            "motor_place must be 'left', 'middle' or 'both'",
        ),
        ("[belt_x]\nea = nan", "belt_x.ea must be a finite number, found nan."),
        ("[belt_x]\nea = '9500'", "belt_x.ea must be a finite number, found '9500'."),
        ("span = true", "span must be a finite number, found True."),
        ("span = 1" + "0" * 400, "span must be a finite number"),
        (
            "[belt_x]\nea = 0",
            "[belt_x] Belt: ea must be a finite number from 1 to 1e+08",
        ),
        (
            "[beam]\nmass = -1",
            "[beam] Beam: mass must be a finite number from 0 to 10000",
        ),
        ("left = 3", "left must be a table of fields, found 3."),
        ("[left]\nwheels = 3", "left.wheels must be a list of tables, found 3."),
        ("[[left.wheels]]\nalong = 3", "left.wheels[0].row is missing."),
        (
            "[left]\nfriction = -1",
            "EndPlate: friction must be a finite force of 0 N or more",
        ),
        ("[handbook]\nbelt = 'rope'", "belt must be '2 mm glass', '3 mm steel'"),
        ("[handbook]\npulley_teeth = 20.5", "pulley_teeth must be a whole number, found 20.5."),
        ("[handbook]\npulley_teeth = inf", "pulley_teeth must be a finite number, found inf."),
        ("span = ", "not readable as TOML"),
        ("span = 1\nspan = 2", "not readable as TOML"),
        ("\n", "the file is empty"),
    ],
)
def test_mistakes_get_one_sentence(text, sentence, tmp_path):
    with pytest.raises(ValueError, match=r"machine\.toml") as error:
        read(tmp_path, text)
    said = str(error.value)
    assert sentence in said
    assert "\n" not in said
    assert said[-1] in ".?"


def test_drag_is_said_once(tmp_path):
    wheel = "[[left.wheels]]\nalong = {}\nrow = 'fixed'\ndrag = 1.0\n"
    with pytest.raises(ValueError, match=r"left\.friction and left\.wheels both give the drag"):
        read(tmp_path, "[left]\nfriction = 3\n" + wheel.format(-10) + wheel.format(10))
    misspelt = wheel.format(-10) + "gapp = 3\n"
    with pytest.raises(ValueError, match=r"did you mean 'left\.wheels\[0\]\.gap'\?"):
        read(tmp_path, misspelt)
    machine = read(tmp_path, wheel.format(-10) + wheel.format(10))
    assert machine.left.wheels == (Wheel(-10.0, "fixed", 1.0), Wheel(10.0, "fixed", 1.0))


def test_a_missing_file_is_named(tmp_path):
    with pytest.raises(FileNotFoundError, match=r"none\.toml: no such file; a machine"):
        read_machine(tmp_path / "none.toml")


# ---- files of version 0.1 -------------------------------------------------------------------


def test_former_names_are_read(tmp_path):
    old = tmp_path / "old.toml"
    old.write_text(
        "[carriage]\nrock_stiffness = 321.0\nrock_damping = 0.2\n[contact]\nyield_distance = 0.02\n"
    )
    machine = read_machine(old)
    assert machine == Machine().set_many(
        {
            "carriage.yaw_stiffness": 321.0,
            "carriage.yaw_damping": 0.2,
            "contact.presliding_distance": 0.02,
        }
    )


def test_a_former_name_beside_the_new_one_is_refused(tmp_path):
    both = tmp_path / "both.toml"
    both.write_text("[carriage]\nrock_stiffness = 321.0\nyaw_stiffness = 320.0\n")
    with pytest.raises(ValueError, match=r"rock_stiffness is the former name of .*yaw_stiffness"):
        read_machine(both)
    both.write_text("[beam]\nrock_stiffness = 321.0\n")
    with pytest.raises(ValueError, match=r"unknown key 'beam\.rock_stiffness'"):
        read_machine(both)


@pytest.mark.parametrize("place", ["motor_y.stiffness", "belt_x.stiffness", "left.wheel_base"])
def test_what_only_follows_from_other_fields_is_not_set(place):
    with pytest.raises(ValueError, match=r"to set: it follows from the fields "):
        Machine().set(place, 10.0)
