"""Machine descriptions as TOML files: read, saved without loss, every field explained.

`FIELDS` is the one place that says unit, plausible range and meaning of every field; the comments
of a saved file are made from it.
"""

from __future__ import annotations

import dataclasses
import difflib
import json
import os
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from gantrysim.machine.handbook import Handbook
from gantrysim.machine.machine import Machine
from gantrysim.machine.plates import Wheel, Wheeled
from gantrysim.records import limits
from gantrysim.records.checks import cut, finite_number, listed, shortened
from gantrysim.records.doors import checked
from gantrysim.records.files import placed, read_text, write_new_text
from gantrysim.records.jsontext import content_of_toml


@dataclass(frozen=True)
class FieldNote:
    """Unit, plausible range and meaning of a field; a range of None is for a word."""

    unit: str
    likely: tuple[float, float] | None
    meaning: str

    @property
    def comment(self) -> str:
        """The note in one line."""
        if self.likely is None:
            return self.meaning
        low, high = self.likely
        unit = "" if self.unit == "-" else f" {self.unit}"
        return f"{low:g} to {high:g}{unit}: {self.meaning}"


def _notes(**lines: tuple[str, float, float, str] | str) -> dict[str, FieldNote]:
    """Notes from unit, plausible range and meaning, or for a word from its meaning alone."""
    return {
        name: FieldNote("-", None, of) if isinstance(of, str) else FieldNote(of[0], of[1:3], of[3])
        for name, of in lines.items()
    }


#: Notes on every field, by the class that has it.  The ranges are what small machines have,
#: sound or at fault; sources stand in `gantrysim.machine.components`, the rest is common practice.
FIELDS: dict[str, dict[str, FieldNote]] = {
    "Machine": _notes(
        span=("mm", 200, 2000, "distance between the rails"),
        travel_y=("mm", 150, 2000, "usable travel along the rails"),
        belt_inset=("mm", 0, 60, "the Y belts are clamped this far inboard of the rails"),
        belt_x_offset=("mm", -60, 60, "the X belt runs this far (+y) from the carriage wheels"),
        square=("mrad", -10, 10, "built-in yaw of the beam, positive with the right side ahead"),
        scale_x=("-", -0.02, 0.02, "real move along x = commanded * (1 + this)"),
        scale_y=("-", -0.02, 0.02, "real move along y = commanded * (1 + this)"),
    ),
    "EndPlate": _notes(
        rack_stiffness=("N/mm", 0.5, 50, "stiffness against y_right - y_left, wheels and joint"),
        rack_clearance=("mm", 0, 2, "free play as y_right - y_left, full width"),
        rack_damping=("N m s", 0, 5, "damping of its yaw on the rail"),
        side_stiffness=("N/mm", 100, 2400, "stiffness sideways on its rail"),
        side_gap=("mm", 0, 0.3, "free play sideways on its rail, full width"),
        side_damping=("N s/m", 0, 500, "damping sideways on its rail"),
        joint_stiffness=("N m/rad", 200, 20000, "joint of plate and beam against yaw"),
        length=("mm", 60, 300, "length along the rail"),
    ),
    "Wheel": _notes(
        along=("mm", -120, 120, "place along the rail from the middle of its plate"),
        row="'fixed' on a plain spacer or 'eccentric' on a nut",
        drag=("N", 0.02, 5, "rolling drag as it runs now"),
        radius=("mm", 5, 25, "contact radius on its flanks"),
        stiffness=("N/mm", 100, 600, "radial, with bearings, bolt and plate"),
        bearing_drag=("N", 0.02, 1.1, "drag of its bearings without load"),
        scrub=("N", 0.1, 1.5, "what the scrubbing flanks add under 60 N"),
        scrub_exponent=("-", 1, 2.5, "power of the load with which the scrub grows"),
        nut_offset=("mm", 0.5, 1.07, "eccentric offset of its nut"),
        gap=("mm", 0, 0.3, "how far it stands off, plate in the middle of its play"),
    ),
    "Carriage": _notes(
        yaw_stiffness=("N m/rad", 20, 5000, "stiffness against turning on the beam"),
        gap=("mm", 0, 0.5, "free play across the beam, full width"),
        mass=("kg", 0.1, 2, "mass with the head"),
        centre_of_mass=("mm", -60, 100, "centre of mass beyond the wheel centre line, +y"),
        inertia=("kg m2", 1e-5, 0.02, "yaw inertia about its centre of mass"),
        yaw_damping=("N m s", 0, 1, "damping of its turning on the beam"),
        rub=("N mm", 0, 50, "moment that rubs against its rocking and sliding within its play"),
        length=("mm", 40, 300, "length along the beam"),
    ),
    "Belt": _notes(
        ea=("N", 3000, 100000, "tensile stiffness EA; 2 mm glass of 6 mm width 6000 to 20000"),
        near=("mm", 10, 300, "open span from the motor pulley to the clamp at position 0"),
        loop=("mm", 300, 5000, "both open spans together"),
        pretension=("N", 5, 80, "tension of each span at rest"),
        sag=("N", 0.1, 2, "tension over which a span softens as it empties"),
        runout=("mm", 0, 0.15, "payout error once per pulley turn, amplitude"),
        runout_phase=("rad", -7, 7, "its phase at position 0"),
        pulley_circumference=("mm", 20, 120, "teeth times pitch"),
        damping=("N s/m", 2, 200, "damping between pulley and clamp"),
        pitch_error=("-", -0.002, 0.002, "how much longer the pitch is than its label says"),
        pitch=("mm", 2, 5, "tooth pitch"),
        tooth_backlash=("mm", 0, 0.3, "play of the teeth in the grooves, full width"),
        tooth_error=("mm", 0, 0.02, "payout error once per tooth, amplitude"),
        tooth_phase=("rad", -7, 7, "its phase at position 0"),
    ),
    "CrossShaft": _notes(
        stiffness=("N/mm", 50, 3100, "torsion of shaft and couplings at the belt"),
        drag=("N", 0, 3, "dry drag of its far bearing at the belt"),
        backlash=("mm", 0, 0.6, "play of the couplings at the belt, full width"),
        slip=("mm", -4, 4, "the right side is set ahead (+y) of the left by this"),
        pulley_mass=("kg", 0.01, 0.3, "far pulley with half the shaft, as mass at the belt"),
        damping=("N s/m", 0, 100, "damping of shaft and couplings at the belt"),
        hold_force=("N", 5, 300, "force at the belt up to which its set screws hold"),
        motor_place="Y motor at the 'left', in the 'middle' or on 'both'",
    ),
    "Motor": _notes(
        hold_force=("N", 10, 150, "pull-out force at the belt"),
        full_step=("mm", 0.05, 0.4, "one full step at the belt"),
        rotor_mass=("kg", 0.03, 1, "rotor and pulley as mass at the belt"),
        damping=("N s/m", 5, 300, "damping of the rotor against its turning field"),
        detent=("N", 0, 5, "force ripple, once per full step"),
        step_error=("mm", 0, 0.02, "error of its place once per four full steps, amplitude"),
        step_phase=("rad", -7, 7, "phase of that error at position 0"),
    ),
    "Head": _notes(
        along=("mm", -60, 60, "the spot lies this far along x from the carriage wheel centre"),
        beyond=("mm", -100, 100, "the spot lies this far along +y from it"),
    ),
    "Contact": _notes(
        presliding_distance=("mm", 0, 0.06, "travel over which a contact gives before it rolls"),
        load_drag=("-", 0, 0.1, "extra drag per N of racking wheel load"),
        viscous=("N s/m", 5, 200, "drag in proportion to speed, each plate and the carriage"),
        break_away=("-", 1, 2, "break-away force over rolling drag"),
        stribeck_speed=("mm/s", 1, 30, "speed over which the extra break-away force dies"),
        overshoot=("-", 0, 1, "part of its free swing by which an axis runs on at a stop"),
        weight_drag=("-", 0, 0.05, "extra drag of a plate per N of carriage weight on it"),
    ),
    "Beam": _notes(
        mass=("kg", 0.3, 5, "beam with both plates and the X motor"),
        centre=("mm", -200, 200, "its centre of mass from the middle of the beam, +x"),
        inertia=("kg m2", 0.005, 0.5, "yaw inertia about its centre of mass"),
    ),
}


def note_of(part: Any, name: str) -> FieldNote:
    """The note on a field of a part; an empty one where a subclass has a field of its own."""
    for kind in type(part).__mro__:
        if name in FIELDS.get(kind.__name__, {}):
            return FIELDS[kind.__name__][name]
    return FieldNote("-", None, "a field of its own")


def unlikely(machine: Machine) -> tuple[str, ...]:
    """Sentences on the fields of a machine that lie outside their plausible ranges.

    Such a machine is legal; a slip of the pen in its file is the usual reason.
    """
    found = []
    for place, part, name in _walk(machine, ""):
        note, value = note_of(part, name), getattr(part, name)
        if note.likely and not note.likely[0] <= value <= note.likely[1]:
            found.append(f"{place} = {value:g} is unusual; likely is {note.comment}")
    return tuple(found)


def _walk(part: Any, where: str) -> Iterator[tuple[str, Any, str]]:
    """Every plain field below a part: its place, the part that has it, its name."""
    for field in dataclasses.fields(part):
        value = getattr(part, field.name)
        place = f"{where}{field.name}"
        if dataclasses.is_dataclass(value):
            yield from _walk(value, f"{place}.")
        elif isinstance(value, tuple):
            for number, wheel in enumerate(value):
                yield from _walk(wheel, f"{place}[{number}].")
        else:
            yield place, part, field.name


@checked
def save_machine(
    machine: Machine, path: str | os.PathLike[str], *, overwrite: bool = False
) -> Path:
    """Save a machine as TOML with a comment on every field; returns the path.

    Parameters
    ----------
    machine : Machine
        The machine; `read_machine` gives it back without loss.
    path : path
        Where to.
    overwrite : bool
        Whether an existing file may be replaced.

    Raises
    ------
    FileExistsError
        If the file exists and ``overwrite`` is false.
    FileNotFoundError
        If its folder does not exist.

    Examples
    --------
    >>> import gantrysim as gs
    >>> path = gs.save_machine(gs.Machine(span=500.0), "alder.toml")
    >>> [line for line in path.read_text().splitlines() if line.startswith("span")]
    ['span = 500.0  # 200 to 2000 mm: distance between the rails']
    """
    return write_new_text(path, "\n".join(_lines(machine)) + "\n", overwrite=overwrite)


_TITLE = (
    "# A belt-driven gantry.  Lengths mm, forces N, masses kg; each comment gives the",
    "# plausible range with its unit.  Fields that are left out are those of the nominal machine.",
    "",
)


def _lines(machine: Machine) -> Iterator[str]:
    """Lines of the file: plain fields first, then a table for each part, as TOML asks."""
    yield from _TITLE
    yield from _plain(machine)
    for field in dataclasses.fields(machine):
        part = getattr(machine, field.name)
        if field.name in machine.absent or not dataclasses.is_dataclass(part):
            continue
        yield from ("", f"[{field.name}]")
        yield from _plain(part)
        for wheel in getattr(part, "wheels", ()):
            yield from ("", f"[[{field.name}.wheels]]")
            yield from _plain(wheel)


def _plain(part: Any) -> Iterator[str]:
    for field in dataclasses.fields(part):
        value = getattr(part, field.name)
        if isinstance(value, str):
            text = json.dumps(value)
        elif isinstance(value, int | float):
            text = repr(float(value))
        else:
            continue
        yield f"{field.name} = {text}  # {note_of(part, field.name).comment}"


@checked
def read_machine(path: str | os.PathLike[str], *, architecture: type[Machine] = Machine) -> Machine:
    """Read a machine from a TOML file.

    Parameters
    ----------
    path : path
        A file as `save_machine` writes it, or a shorter one: what it leaves out is nominal.  A
        table ``[handbook]`` with the arguments of `gantrysim.machine.handbook.Handbook` (belt
        label, shaft diameter, wheel kind) fills in stiffness and drag first; the other tables win
        over it.  An end plate or the carriage may give ``friction`` (N, by spring scale) instead of
        the drag of each wheel.
    architecture : type
        The class of the machine: `Machine` or a subclass of it, with its own catalogue.

    Raises
    ------
    FileNotFoundError
        If there is no such file.
    ValueError
        With one sentence that names the file and the key: not TOML, an unknown key (with the
        nearest known one), a wrong type, or a value that no machine has.

    Examples
    --------
    >>> import gantrysim as gs
    >>> path = gs.save_machine(gs.Machine(span=500.0), "alder.toml")
    >>> gs.read_machine("alder.toml").span
    500.0
    """
    text = read_text(path, "a machine description", most=limits.SETTINGS_BYTES)
    with placed(path):
        return machine_of(content_of_toml(text), architecture)


def machine_of(content: Mapping[str, Any], architecture: type[Machine] = Machine) -> Machine:
    """The machine, of its class, that a machine file's content describes; see `read_machine`.

    `Machine.to_dict` is such content too.

    ValueError with one sentence naming the key.
    """
    content = dict(content)
    machine = architecture()
    names = (field.name for field in dataclasses.fields(architecture))
    known = [name for name in names if name not in architecture.absent]
    handbook = content.pop("handbook", None)
    if handbook is not None:
        first = ("span", "travel_y", "belt_left", "belt_right", "belt_x")  # wheels need the span
        geometry: dict[str, Any] = {key: content[key] for key in first if key in content}
        machine = _changed(machine, geometry, "")
        machine = _part(Handbook(), handbook, "handbook").machine(machine)
    for key in content:
        _known(key, [*known, "handbook"], "")
    return _changed(machine, content, "")


def _part(part: Any, table: Any, where: str) -> Any:
    """Return a part with the fields of its table."""
    if not isinstance(table, dict):
        raise ValueError(f"{where} must be a table of fields, found {shortened(table)}")
    try:
        return _changed(part, table, f"{where}.")
    except (TypeError, ValueError) as error:
        raise ValueError(str(error) if where in str(error) else f"[{where}] {error}") from None


#: What fields were called up to version 0.1, and what they are called now: old files still open.
FORMER = {
    "rock_stiffness": "yaw_stiffness",
    "rock_damping": "yaw_damping",
    "yield_distance": "presliding_distance",
}


def _changed(part: Any, table: Mapping[str, Any], where: str) -> Any:
    names = [field.name for field in dataclasses.fields(part)]
    for old, now in FORMER.items():
        if old in table and now in names:
            if now in table:
                raise ValueError(f"{where}{old} is the former name of {where}{now}; leave one out")
            table = {now if key == old else key: value for key, value in table.items()}
    accepted = [*names, "friction"] if isinstance(part, Wheeled) else names
    new: dict[str, Any] = {}
    for key, value in table.items():
        _known(key, accepted, where)
        place = f"{where}{key}"
        if key == "friction":
            continue
        old = getattr(part, key)
        if key == "wheels":
            new[key] = _wheels(value, place)
        elif dataclasses.is_dataclass(old):
            new[key] = _part(old, value, place)
        else:
            new[key] = _value(old, value, place)
    if "friction" in table and "wheels" in table:
        raise ValueError(f"{where}friction and {where}wheels both give the drag; leave one out")
    changed = dataclasses.replace(part, **new) if new else part
    if "friction" in table:
        changed = changed.with_friction(_value(1.0, table["friction"], f"{where}friction"))
    return changed


def _wheels(value: Any, where: str) -> tuple[Wheel, ...]:
    if not isinstance(value, list):
        raise ValueError(f"{where} must be a list of tables, found {shortened(value)}")
    wheels = []
    for number, table in enumerate(value):
        place = f"{where}[{number}]"
        for key in ("along", "row", "drag"):
            if not isinstance(table, dict) or key not in table:
                raise ValueError(f"{place}.{key} is missing")
        wheels.append(_part(Wheel(0.0, "fixed", 0.0), table, place))
    return tuple(wheels)


def _value(old: Any, value: Any, place: str) -> Any:
    """The value of a plain field in the type of the old one."""
    if isinstance(old, str):
        if not isinstance(value, str):
            raise ValueError(f"{place} must be a word in quotes, found {shortened(value)}")
        return value
    number = finite_number(value, place)
    if not isinstance(old, int):
        return number
    if not number.is_integer():
        raise ValueError(f"{place} must be a whole number, found {shortened(value)}")
    return int(number)


def _known(key: str, accepted: list[str], where: str) -> None:
    if key in accepted:
        return
    near = difflib.get_close_matches(key, accepted, n=1, cutoff=0.5)
    hint = f"did you mean '{where}{near[0]}'?" if near else f"accepted is {listed(accepted)}"
    raise ValueError(f"unknown key '{where}{cut(key)}'; {hint}")
