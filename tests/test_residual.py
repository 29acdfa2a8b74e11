"""Residuals of measured points: derivatives against differences, passes that look alike."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from lifted import lift

import gantrysim as gs
from gantrysim.instruments.burnedpiece import prepare_piece
from gantrysim.instruments.forward import forward_of
from gantrysim.instruments.residual import _weights


@pytest.mark.parametrize("direction", ["ccw", "cw"])
@pytest.mark.parametrize("shape", ["circle", "square"])
def test_derivatives_with_moves_along_a_steep_line_match_differences(
    shape: str, direction: str
) -> None:
    """Rigid moves and a shear of lines that run up to 0.1 mm a mm across the commanded shape.

    A residual is read at a fixed station: a move along such a line changes it by the slope.
    """
    test = gs.ring_test(
        (shape,), spacing=10.0, largest=20.0, centre=(150.0, 140.0), passes=1, direction=direction
    )
    piece = lift(gs.Machine(), test, every=3)
    burned = prepare_piece(piece, gs.Machine())
    matched, place = burned.matched, burned.origin
    straight = burned.forward.places(burned.forward.run(gs.Machine()))
    places = straight + 2.0 * np.sin(0.05 * straight[:, ::-1])
    one, x = np.ones(len(places)), 0.05 * (places[:, 0] - 150.0)
    moves = np.stack([np.column_stack(m) for m in ((one, 0 * x), (0 * x, one), (0 * x, x))], 1)
    table = matched.columns(matched.traces(places), moves, place)
    small = 1e-4
    for k in range(3):
        high, low = (matched.residuals(places + s * moves[:, k], place) for s in (small, -small))
        off = table[:, k] - (high - low) / (2.0 * small)
        # samples lie up to 4 mm apart; a wrong sign of the slope is five times as much
        assert np.sqrt(np.mean(off**2)) < 0.02 * np.abs(table[:, k]).max()


@pytest.mark.parametrize("k", range(6))
def test_derivatives_with_the_placement_match_central_differences(k: int) -> None:
    """Turn, shifts, and the reader's scale, scale difference and skew, far from where all is 0."""
    machine = gs.Machine().set("square", 4.0).set("left.friction", 9.0)
    test = gs.ring_test(spacing=10.0, largest=30.0, centre=(150.0, 140.0))
    burned = prepare_piece(lift(machine, test, every=3, noise=0.01), gs.Machine())
    v = np.array([0.3, 0.02, -0.04, 0.5, -0.3, 0.8])
    small = 1e-3 * np.eye(6)[k]
    _, table = burned.linearise(machine, [], [], burned.amount, v)
    there = burned.residual(machine, v + small) - burned.residual(machine, v - small)
    scale = float(np.abs(there).max()) / 2e-3
    assert scale > 0.0
    assert table[:, k] == pytest.approx(there / 2e-3, abs=1e-3 * scale)


def test_passes_that_are_not_told_apart_are_read_as_their_mean() -> None:
    """Of three passes the first starts from rest; here it runs 0.3 mm further out."""
    test = gs.ring_test(("circle",), spacing=10.0, largest=20.0, centre=(150.0, 140.0), passes=3)
    machine = gs.Machine()
    piece = lift(machine, test, every=3)
    own = tuple(line for line in piece.lines if line.pass_index == 0)
    place = prepare_piece(dataclasses.replace(piece, lines=own), machine).origin

    def residual(label: int) -> np.ndarray:
        said = tuple(dataclasses.replace(line, pass_index=label) for line in own)
        burned = prepare_piece(dataclasses.replace(piece, lines=said), machine)
        middle = np.array(test.nest("circle").centre) + burned.forward.offset
        places = burned.forward.places(burned.forward.run(machine))
        for (_, _, size, pass_index), cut in zip(
            burned.forward.labels, burned.forward.cuts, strict=True
        ):
            if pass_index == 0:
                places[cut] = middle + (places[cut] - middle) * (1.0 + 0.3 / size)
        return burned.matched.residuals(places, place)

    first, second, third, alike = (residual(label) for label in (0, 1, 2, -1))
    assert first - second == pytest.approx(-0.3, abs=0.01)
    assert alike == pytest.approx((first + second + third) / 3.0, abs=1e-9)


def test_weights_draw_a_parabola_over_uneven_stations_and_never_cross_a_corner() -> None:
    station = np.array([0.0, 0.5, 1.0, 2.5, 6.0, 6.5, 8.0, 12.0])
    parabola = 3.0 - 2.0 * station + 0.7 * station**2
    one_side, out = np.zeros(8, dtype=np.int64), np.empty(4)
    for low in range(1, 6):  # at the ends there are too few neighbours: straight
        for t in (0.1, 0.5, 0.9):
            first = _weights(station, one_side, low, t, out)
            place = station[low] + t * (station[low + 1] - station[low])
            told = out @ parabola[first : first + 4]
            assert told == pytest.approx(3.0 - 2.0 * place + 0.7 * place**2)
    corner = np.repeat([0, 1], 4)
    for low, t in ((2, 0.7), (3, 0.3), (4, 0.5)):
        first = _weights(station, corner, low, t, out)
        used = corner[first : first + 4][out != 0.0]
        assert np.all(used == (0 if low == 2 else 1))
        assert out.sum() == pytest.approx(1.0)
    for low, t in ((0, 0.5), (6, 1.0)):
        first = _weights(station, one_side, low, t, out)
        assert 0 <= first <= 4
        assert out.sum() == pytest.approx(1.0)


@pytest.mark.parametrize("shape", ["circle", "square"])
@pytest.mark.parametrize("start", [0.0, 20.0])
def test_a_forward_run_keeps_ends_and_turning_points(shape: str, start: float) -> None:
    """Where x or y turns back the march is exact only if that place is a sample."""
    test = gs.ring_test(
        (shape,), spacing=15.0, largest=30.0, centre=(150.0, 140.0), passes=1, start_deg=start
    )
    forward = forward_of(test, gs.Machine())
    whole = [x for x in test.strokes(0.25) if x.shape != "travel"]
    for cut, stroke in zip(forward.cuts, whole, strict=True):
        xy = forward.motion.xy[cut]
        assert len(xy) < 0.7 * len(stroke.xy)
        assert (xy[0] == stroke.xy[0]).all()
        assert (xy[-1] == stroke.xy[-1]).all()
        for axis in (0, 1):
            for extreme in (stroke.xy[:, axis].min(), stroke.xy[:, axis].max()):
                assert extreme in xy[:, axis]
        step = np.hypot(*np.diff(xy, axis=0).T)
        assert step.max() <= 4.0
        assert step.min() <= 0.5
