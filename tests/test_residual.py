"""Residuals of measured points: derivatives against differences, passes that look alike."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from lifted import lift

import gantrysim as gs
from gantrysim.instruments.burnedpiece import prepare_piece
from gantrysim.pattern.ringtest import Line


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
    lines = tuple(
        dataclasses.replace(line, xy=line.xy + 2.0 * np.sin(0.05 * line.xy[:, ::-1]))
        for line in burned.forward.lines(burned.forward.run(gs.Machine()))
    )

    def moves(line: Line) -> np.ndarray:
        one, x = np.ones(len(line.xy)), 0.05 * (line.xy[:, 0] - 150.0)
        return np.stack([np.column_stack(m) for m in ((one, 0 * x), (0 * x, one), (0 * x, x))], 1)

    table = matched.columns(lines, matched.traces(lines), [moves(x) for x in lines], place)
    small = 1e-4
    for k in range(3):
        high, low = (
            matched.residuals(
                tuple(dataclasses.replace(x, xy=x.xy + s * moves(x)[:, k]) for x in lines), place
            )
            for s in (small, -small)
        )
        off = table[:, k] - (high - low) / (2.0 * small)
        # samples lie up to 4 mm apart; a wrong sign of the slope is five times as much
        assert np.sqrt(np.mean(off**2)) < 0.02 * np.abs(table[:, k]).max()


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
        lines = tuple(
            dataclasses.replace(x, xy=middle + (x.xy - middle) * (1.0 + 0.3 / x.size))
            if x.pass_index == 0
            else x
            for x in burned.forward.lines(burned.forward.run(machine))
        )
        return burned.matched.residuals(lines, place)

    first, second, third, alike = (residual(label) for label in (0, 1, 2, -1))
    assert first - second == pytest.approx(-0.3, abs=0.01)
    assert alike == pytest.approx((first + second + third) / 3.0, abs=1e-9)
