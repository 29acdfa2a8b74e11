"""Errors drawn larger: closed forms of play, and no line that nobody burned."""

from __future__ import annotations

import numpy as np
import pytest

import gantrysim as gs
from gantrysim.burn.magnified import counterparts, magnified, magnified_points
from gantrysim.pattern.ringtest import Line
from gantrysim.plotting.burns import magnified_lines
from gantrysim.plotting.lostmotion import follow

HALF, LOSS = 20.0, 0.3  # mm


def square(step: float = 0.1) -> np.ndarray:
    """Commanded square, counter-clockwise from its low left corner, mm."""
    side = np.arange(0.0, 2.0 * HALF, step)
    ends = np.full_like(side, HALF)
    x = np.concatenate([side - HALF, ends, HALF - side, -ends, [-HALF]])
    y = np.concatenate([-ends, side - HALF, ends, HALF - side, [-HALF]])
    return np.column_stack([x, y])


def with_play(line: np.ndarray) -> np.ndarray:
    """What two axes with play draw of a closed line, the second time round."""
    twice = np.concatenate([line, line[1:]])
    return np.stack([follow(axis, LOSS) for axis in twice.T], axis=1)[len(line) - 1 :]


@pytest.mark.parametrize("factor", [1.0, 3.0, 10.0, 30.0])
def test_a_sticky_square_is_a_square_at_every_magnification(factor):
    """Play leaves a square of half side h - r; its error is r on every side and nothing else."""
    drawn = magnified(square(), with_play(square()), factor)
    assert np.abs(np.abs(drawn).max(axis=1) - (HALF - factor * LOSS)).max() < 1e-9


def test_the_moment_itself_would_draw_spikes():
    """Why the error of a moment is not magnified: it leaves that square by more than its error."""
    commanded, burned = square(), with_play(square())
    naive = commanded + 10.0 * (burned - commanded)
    assert np.abs(naive).max() > HALF + 5.0 * LOSS


def test_where_nothing_is_wrong_nothing_moves():
    assert np.abs(magnified(square(), square(), 10.0) - square()).max() < 1e-9


def test_on_a_curve_a_place_answers_to_its_own_moment():
    angle = np.linspace(0.0, 2.0 * np.pi, 400)
    circle = HALF * np.column_stack([np.cos(angle), np.sin(angle)])
    assert np.array_equal(counterparts(circle, with_play(circle)), circle)


def test_a_side_that_was_never_drawn_keeps_its_moments():
    line = np.column_stack([np.linspace(0.0, 1.0, 11), np.zeros(11)])
    assert np.array_equal(counterparts(line, np.zeros((11, 2))), line)


@pytest.mark.parametrize("start", [45.0, 180.0, 225.0])
@pytest.mark.parametrize("forces", [False, True])
def test_no_corner_of_a_burned_square_has_a_spike(start, forces):
    """Magnified, it leaves the box of its own sides by no more than the yaw of the beam."""
    machine = gs.Machine().with_faults(gs.faults.TightWheels("left", extra_force=12.0))
    test = gs.ring_test(
        ("square",), spacing=HALF, largest=HALF, passes=2, start_deg={"square": start}
    )
    burn = gs.simulate(machine, test, feed_forces=forces)
    x, y = (magnified_lines(burn, 10.0)[-1] - burn.commanded[-1].mean(axis=0)).T
    for along, across in ((x, y), (y, x)):
        low, high = np.quantile(along, 0.02), np.quantile(along, 0.98)
        clear = np.abs(across) < 0.5 * HALF
        assert along.max() - high < 0.6 + np.ptp(along[clear & (along > 0.0)])
        assert low - along.min() < 0.6 + np.ptp(along[clear & (along < 0.0)])


def test_measured_points_of_a_square_end_at_its_corners():
    points = with_play(square())
    drawn = magnified_points(Line("square", 0, HALF, 0, points), 10.0)
    assert np.abs(np.abs(drawn).max(axis=1) - (HALF - 10.0 * LOSS)).max() < 1e-9


def test_measured_points_of_a_circle_move_outward_by_their_error():
    angle = np.linspace(0.0, 6.0, 50)
    ring = 1.01 * HALF * np.column_stack([np.cos(angle), np.sin(angle)])
    drawn = magnified_points(Line("circle", 0, HALF, 0, ring), 10.0)
    assert np.hypot(*drawn.T) == pytest.approx(1.1 * HALF)


def test_play_follows_at_its_distance_and_stands_for_twice_that():
    command = np.array([0.0, 1.0, 2.0, 1.9, 1.4, 0.0])
    assert follow(command, LOSS).tolist() == pytest.approx([0.0, 0.7, 1.7, 1.7, 1.7, 0.3])


@pytest.mark.parametrize("losses", [[], [0.5], [-0.1], [0.1, float("nan")]])
def test_losses_out_of_range_are_refused(losses):
    with pytest.raises(ValueError, match=r"losses(\[1\])? must be"):
        gs.plotting.plot_lost_motion(losses)


def test_lost_motion_draws_what_the_closed_form_says():
    """Four flats of twice the root of r (R - r), as long as x goes while y stands."""
    (ax,) = gs.plotting.plot_lost_motion([0.1])
    marked = ax.lines[2].get_xydata()
    stretches = np.ma.clump_unmasked(np.ma.masked_invalid(marked[:, 0]))
    lengths = [np.ptp(marked[s], axis=0).max() for s in stretches if s.stop - s.start > 2]
    assert len(lengths) == 4
    assert lengths == pytest.approx([2.0 * np.sqrt(0.1 * 0.9)] * 4, abs=0.01)
