"""Whitening against dense linear algebra, bins, outliers, and learning the noise."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from lifted import lift
from scipy.linalg import cholesky, solve_triangular

import gantrysim as gs
from gantrysim.inference.assumptions import USUAL
from gantrysim.inference.noise import Bins, Noise, make_bins, outliers
from gantrysim.inference.parameters import Belief
from gantrysim.inference.problem import Problem, prepare
from gantrysim.inference.solver import learn_noise, solve

RNG_SEED = 7


def _line(n: int, spacing: float = 2.5) -> Bins:
    gap = np.full(n, spacing)
    gap[0] = math.inf
    return Bins(np.arange(n), np.ones(n), np.zeros(n, dtype=int), gap)


def _dense(noise: Noise, n: int, spacing: float = 2.5) -> np.ndarray:
    place = spacing * np.arange(n)
    apart = np.abs(place[:, None] - place)
    white = (noise.point**2 + noise.grain**2) * np.eye(n)
    return white + noise.smooth**2 * np.exp(-apart / noise.length)


def test_whitening_equals_dense_cholesky() -> None:
    n, noise = 40, Noise(0.01, 0.004, 0.008, 6.0)
    columns = np.random.default_rng(RNG_SEED).standard_normal((n, 3))
    white, log_det = noise.whiten(columns, _line(n))
    lower = cholesky(_dense(noise, n), lower=True)
    np.testing.assert_allclose(white, solve_triangular(lower, columns, lower=True), rtol=1e-10)
    assert abs(log_det - 2.0 * np.log(np.diag(lower)).sum()) < 1e-9


SIDES = np.array([2, 2, 2, 2, 2, 0, 0, 0, 1, 1, 1, 1, -1, -1, -1, -1])


def _square_and_circle() -> Bins:
    """Three sides of a square, and a circle."""
    n, gap = SIDES.size, np.full(SIDES.size, 2.5)
    gap[[0, 12]] = math.inf
    return Bins(np.arange(n), np.ones(n), np.repeat([0, 1], [12, 4]), gap, SIDES)


def test_each_side_of_a_square_rests_by_itself() -> None:
    """Against dense algebra: a side shares one number more, a circle does not."""
    bins, noise = _square_and_circle(), Noise(0.01, 0.004, 0.008, 6.0, rest=0.02)
    dense = _dense(noise, SIDES.size)
    dense[:12, 12:] = dense[12:, :12] = 0.0
    dense += noise.rest**2 * ((SIDES[:, None] == SIDES) & (SIDES >= 0))
    columns = np.random.default_rng(RNG_SEED).standard_normal((SIDES.size, 3))
    white, log_det = noise.whiten(columns, bins)
    lower = cholesky(dense, lower=True)
    np.testing.assert_allclose(white, solve_triangular(lower, columns, lower=True), rtol=1e-9)
    assert abs(log_det - 2.0 * np.log(np.diag(lower)).sum()) < 1e-9


def test_what_sides_rest_by_is_learned_and_nothing_where_there_are_none() -> None:
    true = Noise(0.010, 0.003, 0.006, 5.0, rest=0.012)
    sides, long = 200, 20
    n = sides * long
    rng = np.random.default_rng(RNG_SEED)
    gap = np.full(n, 2.5)
    gap[:: 4 * long] = math.inf
    own = np.repeat(np.arange(sides) % 4, long)
    bins = Bins(np.arange(n), np.ones(n), np.repeat(np.arange(sides // 4), 4 * long), gap, own)
    lower = cholesky(_dense(true, 4 * long), lower=True)
    drawn = (lower @ rng.standard_normal((4 * long, sides // 4))).T.ravel()
    drawn += true.rest * np.repeat(rng.standard_normal(sides), long)
    found = Noise(true.point).learned(drawn, bins, np.zeros((n, 0)))
    assert found.rest == pytest.approx(true.rest, rel=0.2)  # 200 sides: 5 % of one deviation
    assert found.smooth == pytest.approx(true.smooth, rel=0.2)
    round_ = dataclasses.replace(bins, side=None)
    assert Noise(true.point).learned(drawn, round_, np.zeros((n, 0))).rest == Noise().rest


def test_lines_are_independent() -> None:
    one, noise = _line(20), Noise()
    gap = np.concatenate([one.gap, one.gap])
    two = Bins(np.arange(40), np.ones(40), np.repeat([0, 1], 20), gap)
    values = np.random.default_rng(RNG_SEED).standard_normal(40)
    together, _ = noise.whiten(values, two)
    apart = [noise.whiten(part, one)[0] for part in np.split(values, 2)]
    np.testing.assert_allclose(together, np.concatenate(apart), rtol=1e-12)


def test_noise_is_learned_back_within_its_sampling_error() -> None:
    true = Noise(0.010, 0.003, 0.012, 5.0)
    n = 1500
    rng = np.random.default_rng(RNG_SEED)
    drawn = cholesky(_dense(true, n), lower=True) @ rng.standard_normal(n)
    found = Noise(true.point).learned(drawn, _line(n), np.zeros((n, 0)))
    assert abs(found.smooth / true.smooth - 1.0) < 0.2
    assert abs(found.length / true.length - 1.0) < 0.5


def test_what_a_fit_has_swallowed_of_the_noise_is_counted() -> None:
    true = Noise(0.010, 0.003, 0.012, 5.0)
    n = 1500
    rng = np.random.default_rng(RNG_SEED)
    drawn = cholesky(_dense(true, n), lower=True) @ rng.standard_normal(n)
    line = _line(n)
    # a free function of the place, as fine as the noise is long, and much larger than it
    swallow = np.repeat(np.eye(n // 5), 5, axis=0)
    shared, start = swallow, Noise(true.point)
    measured = drawn + 0.1 * swallow @ rng.standard_normal(n // 5)
    fitted, *_ = np.linalg.lstsq(swallow, measured, rcond=None)
    left = measured - swallow @ fitted
    blind = start.learned(left, line, np.zeros((n, 0)))
    counted = start.learned(measured, line, shared)
    assert blind.smooth < 0.6 * true.smooth  # else nothing is shown
    assert abs(counted.smooth / true.smooth - 1.0) < 0.25


def test_a_machine_that_is_known_takes_up_nothing_of_the_noise() -> None:
    """A belief without doubt leaves the noise of a machine that has nothing unknown about it."""
    test = gs.ring_test(spacing=7.0, largest=28.0, centre=(150.0, 140.0), passes=1)
    machine = gs.Machine()
    changes = {
        s.places[0]: s.changes(machine, 2.0)[s.places[0]] for s in machine.catalogue().scatter
    }
    own = dataclasses.replace(USUAL, least_smooth=0.0)  # else that is what is learned
    fresh = prepare(lift(machine.set_many(changes), test, noise=0.004), machine, assumptions=own)
    (_, source), *_ = fresh.burned
    source = dataclasses.replace(source, sizes=1e-3 * source.sizes)
    fresh = dataclasses.replace(fresh, sources=(source,))
    n = len(fresh.scatter)
    sure = dataclasses.replace(fresh, belief=Belief(np.zeros(n), 1e8 * np.eye(n)))
    middle = fresh.machine((), np.zeros(n))  # load drag lies on one side of the description
    nothing = Belief(np.zeros(0), np.eye(0))
    fixed = dataclasses.replace(fresh, nominal=middle, scatter=(), belief=nothing)

    def learned(problem: Problem) -> Noise:
        mode = solve(problem, (), problem.start(()))
        (_, source), *_ = learn_noise(problem, mode, believable=False).burned
        return source.noise

    doubtful, known, exact = map(learned, (fresh, sure, fixed))
    for name in ("grain", "smooth", "length"):
        assert getattr(known, name) == pytest.approx(getattr(exact, name), rel=0.02, abs=1e-5)
    assert known.smooth > 2.0 * doubtful.smooth  # else nothing is shown


def test_outliers_are_found_and_a_line_that_is_wrong_as_a_whole_is_kept() -> None:
    rng = np.random.default_rng(RNG_SEED)
    residual = 0.012 * rng.standard_normal(400)
    line = np.repeat([0, 1], 200)
    residual[200:] += 0.3
    planted = [0, 57, 199, 310, 399]
    residual[planted] += 0.25
    bad = outliers(residual, line, USUAL.outlier)
    assert bad[planted].all()
    assert bad.sum() <= len(planted) + 2


def test_cells_average_neighbours_of_one_line_only() -> None:
    along = np.concatenate([np.arange(0.0, 20.0), np.arange(0.0, 20.0)])
    line = np.repeat([0, 1], 20)
    bad = np.zeros(40, dtype=bool)
    bad[5] = True
    bins = make_bins(along, line, bad)
    assert bins.count.sum() == 39
    assert bins.owner[5] == -1
    assert np.isinf(bins.gap).sum() == 2
    table = np.column_stack([along, line])
    np.testing.assert_allclose(bins.mean_columns(table)[:, 0], bins.mean(along))
    np.testing.assert_allclose(bins.mean(line.astype(float)), bins.line)
