"""The README's table of what is seen and what it may be: made from the model, and only that."""

from __future__ import annotations

import importlib
import sys
from itertools import combinations
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

import gantrysim as gs

EXAMPLES = Path(__file__).resolve().parents[1] / "examples"
README = EXAMPLES.parent / "README.md"


@pytest.fixture(scope="module")
def gallery():
    sys.path.insert(0, str(EXAMPLES))
    try:
        yield importlib.import_module("make_gallery")
    finally:
        sys.path.remove(str(EXAMPLES))


def test_the_table_in_the_readme_is_what_the_model_makes_now(gallery):
    text = README.read_text(encoding="utf-8")
    shown = text.split(gallery.BEGIN)[1].split(gallery.END)[0].strip()
    assert shown == gallery.table(), "run python examples/make_gallery.py"


def test_every_fault_stands_in_one_row(gallery):
    names = [name for own in gallery.groups() for name in own]
    assert sorted(names) == sorted(gallery.FAULTS)
    kinds = {type(fault) for fault in gallery.FAULTS.values()}
    catalogue = gs.Machine().catalogue()
    drawn = [f for f in catalogue.modelled if catalogue.predicts((f.name,))]
    assert kinds == {type(fault) for fault in drawn}


def test_groups_do_not_hang_on_the_limit_chosen(gallery):
    row = {name: k for k, own in enumerate(gallery.groups()) for name in own}
    inside = [gallery.agreement(a, b) for a, b in combinations(row, 2) if row[a] == row[b]]
    outside = [gallery.agreement(a, b) for a, b in combinations(row, 2) if row[a] != row[b]]
    assert min(inside) > gallery.ALIKE + 0.03
    assert max(outside) < gallery.ALIKE - 0.1


def test_the_size_of_a_fault_hardly_changes_what_it_looks_like(gallery, monkeypatch):
    # a group is no accident of the sizes simulated: half the drag, half the play draw the same
    halves = {
        "half the drag": gs.faults.TightWheels("left", extra_force=6.0),
        "half the play": gs.faults.CouplerBacklash(play=0.2),
    }
    monkeypatch.setattr(gallery, "FAULTS", gallery.FAULTS | halves)
    assert gallery.agreement("half the drag", "tight left wheels") > 0.97
    assert gallery.agreement("half the play", "coupler backlash") > 0.97
    assert gallery.agreement("half the drag", "half the play") > gallery.ALIKE


@pytest.mark.parametrize(
    ("name", "look", "sense"),
    [
        # statics: what drags more on an axis loses more motion there, so that axis draws shorter
        ("tight left wheels", "height", -1),
        ("tight right wheels", "height", -1),
        ("tight carriage", "width", -1),
        ("loose carriage", "width", +1),
        ("soft X belt", "width", -1),
        # geometry: a side of 70 mm at 1.004 times its size; a beam that yaws left leans right
        ("scale of X", "width", +1),
        ("scale of Y", "height", +1),
        ("out of square", "lean", +1),
    ],
)
def test_looks_point_the_way_that_statics_and_geometry_say(gallery, name, look, sense):
    found = gallery.looks_of(name)
    assert sense * found[look] > gallery.TOLD
    other = "width" if look == "height" else "height"
    assert abs(found[other]) < 0.2 * abs(found[look])


def test_sizes_in_the_table_are_those_of_geometry(gallery):
    # 0.4 % of 70 mm; a beam of 3 mrad yaw draws 3 mrad off square
    assert gallery.looks_of("scale of X")["width"] * gallery.SEEN == pytest.approx(0.28, abs=1e-3)
    lean = gallery.looks_of("out of square")["lean"] * gallery.LEANS
    assert lean == pytest.approx(3.0, abs=0.05)


def test_play_and_drag_of_the_far_side_draw_the_same(gallery):
    # statics: either keeps the far side where it is until the near side has moved so far
    assert gallery.agreement("coupler backlash", "tight right wheels") > 0.99
    assert gallery.agreement("coupler backlash", "tight left wheels") < 0.97


def test_a_push_tells_apart_what_stands_in_one_row(gallery):
    for own in gallery.groups():
        if len(own) > 1:
            assert not any("no push tells" in words for words in gallery.told_apart(own))


def test_nothing_of_the_readme_but_the_table_is_written(gallery):
    text = f"before\n{gallery.BEGIN}\nSTALE\n{gallery.END}\nafter\n"
    made = gallery.with_table(text)
    assert made.startswith(f"before\n{gallery.BEGIN}\n")
    assert made.endswith(f"{gallery.END}\nafter\n")
    assert "STALE" not in made
    assert gallery.with_table(made) == made
    for spoiled in ("no marks", f"{gallery.END}\n{gallery.BEGIN}", text + gallery.BEGIN):
        with pytest.raises(ValueError, match="once each"):
            gallery.with_table(spoiled)


def test_pictures_are_small_and_those_of_the_readme(gallery):
    text = README.read_text(encoding="utf-8")
    drawn = gallery.pictures()
    assert len(drawn) == 3
    for name, figure in drawn.items():
        assert f"(examples/{name})" in text
        file = EXAMPLES / name
        assert file.stat().st_size < 150_000
        size = np.round(figure.get_size_inches() * figure.dpi)
        with Image.open(file) as image:
            assert image.size == tuple(size)
