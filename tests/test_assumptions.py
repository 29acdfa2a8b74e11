"""The judgement of the inverse: one place, a reason each, passed in, written to report and log."""

import dataclasses

import pytest
from lifted import lift

import gantrysim as gs
from gantrysim.inference.assumptions import USUAL, Assumptions, Scales
from gantrysim.inference.problem import prepare


def test_every_assumption_has_a_unit_a_reason_and_a_line_in_the_docstring():
    for name, _, unit, reason in USUAL.rows():
        assert unit
        assert reason
        assert name in (Assumptions.__doc__ or "")


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ({"alike": -1.0}, "alike must not be negative"),
        ({"huber": float("nan")}, "huber must be a finite number"),
        ({"few_rings": 2.5}, "few_rings must be a whole number"),
        ({"discrepancy_factors": ()}, "discrepancy_factors must hold a number"),
        ({"reader_factors": (1.0, -3.0)}, "reader_factors must"),
        ({"doubt": 1.0}, "an assumption must be"),
    ],
)
def test_a_wrong_one_is_refused_in_a_sentence(change, sentence):
    with pytest.raises(ValueError, match=sentence):
        Assumptions.of_changes(change)


def test_only_what_is_not_usual_is_written():
    assert USUAL.changed() == {}
    other = dataclasses.replace(USUAL, alike=4.0, discrepancy_factors=(1.0, 2.0))
    assert other.changed() == {"alike": 4.0, "discrepancy_factors": (1.0, 2.0)}
    assert Assumptions.of_changes({"alike": 4.0, "discrepancy_factors": [1.0, 2.0]}) == other


def test_the_log_keeps_them(tmp_path):
    other = Assumptions(given_back=0.2, noise=dataclasses.replace(USUAL.noise, grain=0.01))
    gs.new_log(tmp_path / "alder.json", gs.Machine(), name="Alder", assumptions=other)
    assert gs.open_log(tmp_path / "alder.json").assumptions == other
    usual = gs.new_log(tmp_path / "rowan.json", gs.Machine(), name="Rowan")
    assert "assumptions" not in usual.to_dict()


def test_they_reach_noise_discrepancy_and_placement():
    """Each number moves what it is about: none is left in a module beside the place."""
    test = gs.ring_test(("circle", "square"), spacing=10.0, largest=30.0)
    piece = lift(gs.Machine(), test)
    machine = gs.Machine()
    (usual,) = prepare(piece, machine).sources
    other = Assumptions(
        bin_length=5.0, pulley_turn=0.008, placement_shift=20.0,
        noise=dataclasses.replace(USUAL.noise, smooth=0.02),
    )  # fmt: skip
    (moved,) = prepare(piece, machine, assumptions=other).sources
    assert moved.bins.count.size < 0.7 * usual.bins.count.size
    assert moved.noise.smooth == 0.02
    v = [0.0, 1.0, 0.0, 0.0, 0.0, 0.0]
    shift = moved.placement(v)[1] - moved.origin[1]
    assert shift == pytest.approx(20.0)
    turn = dataclasses.replace(USUAL, pulley_turn=0.008)
    (twice,) = prepare(piece, machine, assumptions=turn).sources
    assert twice.shared[:, :6] == pytest.approx(2.0 * usual.shared[:, :6])
    assert twice.shared[:, 6:] == pytest.approx(usual.shared[:, 6:])


def test_every_factor_has_its_grid_with_the_usual_in_it():
    """The factor one must be on every grid: a search for the likeliest begins there."""
    for field in dataclasses.fields(Scales):
        grid = USUAL.factors(field.name)
        assert 1.0 in grid
        assert list(grid) == sorted(grid)
    own = dataclasses.replace(USUAL, scatter_factors=(1.0, 5.0), discrepancy_factors=(1.0, 7.0))
    assert own.factors("scatter") == (1.0, 5.0)
    assert own.factors("place") == own.factors("corner") == (1.0, 7.0)
    assert own.factors("skew") == USUAL.skew_factors
