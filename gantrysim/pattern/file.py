"""The fields of a test description file (JSON or TOML) as plain values, checked by name."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from gantrysim.records import limits
from gantrysim.records.checks import point, positive, shortened, whole_number
from gantrysim.records.files import placed, read_text
from gantrysim.records.jsontext import content_of as content_of_json
from gantrysim.records.jsontext import content_of_toml

if TYPE_CHECKING:
    from gantrysim.pattern.ringtest import RingTest

# argument of RingTest: name in the file, which carries the unit
NUMBERS = {
    "spacing": "spacing_mm",
    "feed": "feed_mm_s",
    "travel_speed": "travel_mm_s",
    "acceleration": "accel_mm_s2",
    "centripetal": "centripetal_mm_s2",
    "corner_speed_change": "corner_speed_change_mm_s",
}
LINE_WIDTH = "burn_width_nominal_mm"
NEST = {
    "centre": "centre_mm",
    "sizes": "sizes_mm",
    "start_deg": "start_deg",
    "direction": "direction",
}
ENTRY = ("shape", "ring", "passes")
# what is burned beside the rings; a plain test leaves these out
BESIDE = {
    "orientation_mark": "orientation_mark",
    "scale_reference": "scale_reference_mm",
    "caption": "caption",
}


def read_content(path: str | os.PathLike[str]) -> Any:
    """The content of a file: TOML where the name ends in .toml, else JSON.

    FileNotFoundError if there is no such file.  ValueError if it cannot be read; the sentence names
    the file.
    """
    toml = Path(path).suffix.lower() == ".toml"
    text = read_text(path, "a test description", most=limits.SETTINGS_BYTES)
    with placed(path):
        return content_of_toml(text) if toml else content_of_json(text)


def checked_fields(content: Any) -> dict[str, Any]:
    """Arguments of a `RingTest`: numbers checked, `nests` as arguments of `Nest`.

    `line_width`, `sequence` and what is burned beside the rings are left out where the file
    leaves them out; unknown fields are ignored.

    ValueError with one sentence naming the field.
    """
    table = _table(content, "the file")
    fields: dict[str, Any] = {"nests": _nests(_field(table, "shapes"))}
    for name, key in NUMBERS.items():
        fields[name] = positive(_field(table, key), f"field {key!r}")
    if LINE_WIDTH in table:
        fields["line_width"] = positive(table[LINE_WIDTH], f"field {LINE_WIDTH!r}")
    for key in ("layout", "order", "sequence_mode"):
        fields[key] = _field(table, key)
    fields["passes"] = whole_number(_field(table, "passes"), "field 'passes'", least=1)
    fields["start_from"] = point(_field(table, "start_from_mm"), "field 'start_from_mm'")
    fields.update((name, table[key]) for name, key in BESIDE.items() if key in table)
    if "sequence" in table:
        fields["sequence"] = _sequence(table["sequence"])
    return fields


def content_of(test: RingTest) -> dict[str, Any]:
    """Content of a test file: plain numbers, strings, lists; field names carry the units."""
    beside = {key: getattr(test, name) for name, key in BESIDE.items() if getattr(test, name)}
    return {
        "layout": test.layout,
        "spacing_mm": test.spacing,
        "order": test.order,
        "sequence_mode": test.sequence_mode,
        "passes": test.passes,
        "feed_mm_s": test.feed,
        "travel_mm_s": test.travel_speed,
        "accel_mm_s2": test.acceleration,
        "centripetal_mm_s2": test.centripetal,
        "corner_speed_change_mm_s": test.corner_speed_change,
        "start_from_mm": list(test.start_from),
        "burn_width_nominal_mm": test.line_width,
        "shapes": {
            nest.shape: {
                "shape": nest.shape,
                "centre_mm": list(nest.centre),
                "sizes_mm": list(nest.sizes),
                "start_deg": nest.start_deg,
                "direction": nest.direction,
            }
            for nest in test.nests
        },
        "sequence": [{"shape": s, "ring": r, "passes": p} for s, r, p in test.sequence],
        **beside,
    }


def _nests(value: Any) -> list[dict[str, Any]]:
    nests = []
    for shape, content in _table(value, "field 'shapes'").items():
        where = f"shapes.{shape}"
        nest = _table(content, f"field {where!r}")
        if nest.get("shape", shape) != shape:
            found = shortened(nest["shape"])
            raise ValueError(f"field '{where}.shape' must be {shape!r}, found {found}.")
        parts = {name: _field(nest, key, f"{where}.") for name, key in NEST.items()}
        nests.append({"shape": shape, **parts})
    return nests


def _sequence(value: Any) -> list[tuple[Any, ...]]:
    if not isinstance(value, list):
        raise ValueError(f"field 'sequence' must be a list of tables, found {shortened(value)}.")
    entries = []
    for number, content in enumerate(value):
        entry = _table(content, f"field 'sequence[{number}]'")
        entries.append(tuple(_field(entry, key, f"sequence[{number}].") for key in ENTRY))
    return entries


def _field(table: Mapping[str, Any], key: str, where: str = "") -> Any:
    if key not in table:
        raise ValueError(f"field '{where}{key}' is missing.")
    return table[key]


def _table(value: Any, name: str) -> dict[str, Any]:
    if not isinstance(value, dict) or not value:
        raise ValueError(f"{name} must hold named fields, found {shortened(value)}.")
    return value
