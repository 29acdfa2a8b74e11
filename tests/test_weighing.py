"""Evidence with sizes that nobody knows marginalised, against dense linear algebra."""

from __future__ import annotations

import dataclasses
import itertools
import math

import numpy as np
import pytest
from lifted import lift
from scipy.integrate import quad
from scipy.optimize import minimize
from scipy.special import logsumexp
from scipy.stats import multivariate_normal, norm

import gantrysim as gs
from gantrysim.faults.healthy import HEALTHY_SCATTER
from gantrysim.inference.assumptions import USUAL, Assumptions, Scales
from gantrysim.inference.exploration import _carried
from gantrysim.inference.noise import Bins, Noise
from gantrysim.inference.parameters import Belief
from gantrysim.inference.problem import Problem, prepare
from gantrysim.inference.search import _look, extend, promised_gain, search
from gantrysim.inference.solver import (
    _LONGEST,
    Evaluator,
    Mode,
    _newton_step,
    learn_noise,
    log_posterior,
    solve,
)
from gantrysim.inference.weighing import Weighed, held_out, lead_of_all, log_weight, weigh
from gantrysim.instruments.burnedpiece import BurnedPiece, binned, passage

MACHINE = gs.Machine()
SMALL = gs.ring_test(("circle", "square"), spacing=12.0, largest=24.0, centre=(150.0, 140.0))
TEST = gs.ring_test(spacing=7.0, largest=35.0, centre=(150.0, 140.0), feed=30.0)
#: No factor but the usual one.
FIXED = dict.fromkeys(
    ("scatter_factors", "reader_factors", "shape_factors", "skew_factors", "discrepancy_factors"),
    (1.0,),
)
KEPT = ("drag left", "drag carriage", "squareness", "scale x")


def problem_of(
    piece: gs.Piece, names: tuple[str, ...] = KEPT, assumptions: Assumptions = USUAL
) -> Problem:
    """A piece of the nominal machine of which only some of the healthy scatter is unknown."""
    kept = tuple(s for s in HEALTHY_SCATTER if s.parameter.name in names)
    full = prepare(piece, MACHINE, assumptions=assumptions)
    return dataclasses.replace(full, scatter=kept, belief=Belief.fresh(kept))


@pytest.fixture(scope="module")
def spoiled() -> gs.Piece:
    """A burn with tight left wheels, three places of which carry soot."""
    tight = MACHINE.with_faults(gs.faults.TightWheels("left", 5.0))
    piece = lift(tight, SMALL, noise=0.012)
    line = piece.lines[2]
    xy = line.xy.copy()
    for first in (20, 60, 90):  # over several bins: no single point stands off its neighbours
        xy[first : first + 12, 0] += 0.12
    return dataclasses.replace(
        piece, lines=(*piece.lines[:2], dataclasses.replace(line, xy=xy), *piece.lines[3:])
    )


def noise_covariance(noise: Noise, bins: Bins) -> np.ndarray:
    """White noise of the points, grain of the bins, what is smooth along each line, and sides."""
    place = np.zeros(bins.count.size)
    for k in range(1, place.size):
        place[k] = 0.0 if math.isinf(bins.gap[k]) else place[k - 1] + bins.gap[k]
    apart = np.abs(place[:, None] - place)
    same = bins.line[:, None] == bins.line
    smooth = noise.smooth**2 * np.exp(-apart / noise.length) * same
    assert bins.side is not None
    sides = same & (bins.side[:, None] == bins.side) & (bins.side >= 0)
    white = np.diag(noise.point**2 / bins.count + noise.grain**2)
    return smooth + white + noise.rest**2 * sides


def dense_evidence(
    problem: Problem, mode: Mode, piece: BurnedPiece, scales: Scales, on: np.ndarray | None = None
) -> float:
    """Log density of the residuals of the linear model at no unknown, all of them or some."""
    u, n = mode.u, len(problem.scatter)
    machine = problem.machine(mode.faults, u)
    (residual,), (jacobian,) = mode.residuals, mode.jacobian
    width = np.ones(u.size)
    width[:n] = [scales.scatter if s.parameter.ratio else 1.0 for s in problem.scatter]
    width[-3:] = scales.reader, scales.shape, scales.skew
    root = np.linalg.cholesky(noise_covariance(piece.noise, piece.bins)) / piece.weight
    sizes = piece.discrepancy.sizes(machine, scales, problem.assumptions)
    covariance = root @ root.T
    covariance += (piece.discrepancy.columns * sizes**2) @ piece.discrepancy.columns.T
    covariance += (jacobian * width**2) @ jacobian.T
    on = np.ones(residual.size, dtype=bool) if on is None else on
    residual, jacobian, covariance = residual[on], jacobian[on], covariance[np.ix_(on, on)]
    own = multivariate_normal(cov=covariance).logpdf(residual - jacobian @ u)
    return own + 0.5 * residual.size * math.log(2.0 * math.pi)


def weighed_piece(weighed: Weighed) -> BurnedPiece:
    (_, piece), *_ = weighed.problem.burned
    assert isinstance(piece, BurnedPiece)
    return piece


@pytest.fixture(scope="module")
def modes(spoiled: gs.Piece) -> tuple[Problem, tuple[Mode, ...]]:
    """A healthy machine and the right explanation, under the usual noise."""
    problem = problem_of(spoiled)
    healthy = solve(problem, (), problem.start(()))
    return problem, (healthy, search(problem, MACHINE.catalogue().of_name("tight_wheels_left")))


@pytest.mark.parametrize("which", [0, 1], ids=["healthy", "tight"])
def test_evidence_is_the_density_of_what_was_measured(
    modes: tuple[Problem, tuple[Mode, ...]], which: int
) -> None:
    """Of the linear Gaussian model: every unknown and every size in one dense covariance."""
    problem, found = modes
    mode = found[which]
    fixed = dataclasses.replace(problem, assumptions=dataclasses.replace(USUAL, **FIXED))
    weighed = weigh(fixed, mode)
    piece = weighed_piece(weighed)
    assert weighed.scales == Scales()
    assert 3 <= np.sum(piece.weight < 1.0) < 0.2 * piece.weight.size  # else nothing is shown
    assert weighed.evidence == pytest.approx(dense_evidence(fixed, mode, piece, Scales()), abs=1e-5)


@pytest.mark.parametrize(
    ("factors", "name"),
    [
        ("scatter_factors", "scatter"),
        ("reader_factors", "reader"),
        ("shape_factors", "shape"),
        ("skew_factors", "skew"),
    ],
)
def test_a_factor_is_summed_over_with_its_prior(
    modes: tuple[Problem, tuple[Mode, ...]], factors: str, name: str
) -> None:
    problem, (_, mode) = modes
    own = dataclasses.replace(USUAL, **(FIXED | {factors: (1.0, 2.0, 5.0)}))
    weighed = weigh(dataclasses.replace(problem, assumptions=own), mode)
    piece = weighed_piece(weighed)
    parts = {x: math.exp(-own.tail(name) * math.log(x)) for x in (1.0, 2.0, 5.0)}
    lines = {
        x: math.log(share / sum(parts.values()))
        + dense_evidence(problem, mode, piece, Scales(**{name: x}))
        for x, share in parts.items()
    }
    assert max(lines.values()) - min(lines.values()) > 0.1  # else nothing is shown
    assert weighed.evidence == pytest.approx(np.logaddexp.reduce(list(lines.values())), abs=1e-5)
    assert getattr(weighed.scales, name) == max(lines, key=lambda x: lines[x])


def test_the_product_of_sums_is_near_the_sum_over_all_factors(
    modes: tuple[Problem, tuple[Mode, ...]],
) -> None:
    """Place, direction and corner together: 4 x 4 x 4 sizes, each by dense linear algebra."""
    problem, (_, mode) = modes
    own = dataclasses.replace(USUAL, **(FIXED | {"discrepancy_factors": (0.5, 1.0, 2.0, 4.0)}))
    weighed = weigh(dataclasses.replace(problem, assumptions=own), mode)
    piece, grid = weighed_piece(weighed), own.discrepancy_factors
    scores = [
        dense_evidence(problem, mode, piece, Scales(place=a, direction=b, corner=c))
        + sum(log_weight(x, grid, own.tail("place")) for x in (a, b, c))
        for a, b, c in itertools.product(grid, repeat=3)
    ]
    assert weighed.evidence == pytest.approx(np.logaddexp.reduce(scores), abs=0.3)
    assert weighed.evidence > max(scores)


def test_factors_are_the_same_from_wherever_they_are_sought(
    modes: tuple[Problem, tuple[Mode, ...]],
) -> None:
    problem, (healthy, _) = modes
    from_usual = weigh(problem, healthy)
    far = Scales(scatter=1.5, reader=10.0, skew=3.0, place=4.0, direction=0.5)
    from_far = weigh(problem, healthy, far)
    assert from_far.scales == from_usual.scales != far
    assert from_far.evidence == pytest.approx(from_usual.evidence, abs=1e-9)


def test_prior_of_a_factor_sums_to_one_and_falls_off_either_way() -> None:
    for grid in ((1.0,), (0.5, 1.0, 2.0, 4.0), (1.0, 3.0, 10.0)):
        for tail in (1.0, 2.0):
            chances = [math.exp(log_weight(x, grid, tail)) for x in grid]
            assert sum(chances) == pytest.approx(1.0)
    grid = (0.5, 1.0, 2.0, 4.0)
    half, one, two, four = (math.exp(log_weight(x, grid, 2.0)) for x in grid)
    assert half == pytest.approx(two)
    assert one / two == pytest.approx(4.0)
    assert two / four == pytest.approx(4.0)


def test_what_a_search_paid_comes_off_the_evidence(
    modes: tuple[Problem, tuple[Mode, ...]],
) -> None:
    problem, (healthy, _) = modes
    dear = dataclasses.replace(healthy, paid=2.5)
    assert weigh(problem, dear).evidence == pytest.approx(weigh(problem, healthy).evidence - 2.5)


def test_robust_weights_are_paid_for() -> None:
    """A bin of less weight is one of a wider density: over all that it may read that is one."""
    piece = lift(MACHINE, SMALL, noise=0.012)
    problem = problem_of(piece)
    (_, term), *_ = problem.burned
    assert isinstance(term, BurnedPiece)

    def density(off: float) -> float:
        left = np.zeros(term.bins.count.size)
        left[0] = off
        robust = term.robust(left)
        log_det = robust.noise_log_det - term.noise_log_det
        return math.exp(-0.5 * ((robust.weight[0] * off) ** 2 + log_det)) / math.sqrt(2 * math.pi)

    inside, tail = quad(density, -3.0, 3.0)[0], quad(density, 3.0, 300.0)[0]
    assert inside + 2.0 * tail == pytest.approx(1.0, abs=0.01)
    assert tail > 1.5 * norm.sf(3.0)  # heavier than the normal tail
    assert density(9.0) > 1e4 * norm.pdf(9.0)


def test_a_ring_is_foretold_from_all_the_others(
    modes: tuple[Problem, tuple[Mode, ...]],
) -> None:
    """Density of all that was measured over that of all but one ring, in dense linear algebra.

    What is left of the noise of that ring alone is the same for every explanation.
    """
    problem, found = modes
    differ = []
    for mode in found:
        piece = weighed_piece(weigh(problem, mode))
        scales = Scales(direction=2.0, scatter=1.4)
        told = held_out(problem, mode, scales)
        rings = piece.rings
        assert (
            told.size
            == np.unique(rings).size
            == len({(x.shape, x.ring) for x in piece.piece.lines})
        )
        whole = dense_evidence(problem, mode, piece, scales)
        rest = [dense_evidence(problem, mode, piece, scales, rings != k) for k in np.unique(rings)]
        differ.append(told - (whole - np.array(rest)))
    healthy, tight = differ
    assert np.ptp(healthy) > 1.0  # the noise of a ring is in it
    assert tight == pytest.approx(healthy, abs=1e-4)


def test_a_fault_that_one_ring_alone_speaks_for_is_not_believed() -> None:
    """One ring of a healthy machine drawn as a tight one would; and all of them."""
    tight = lift(MACHINE.with_faults(gs.faults.TightWheels("left", 8.0)), SMALL, noise=0.008)
    sound = lift(MACHINE, SMALL, noise=0.008)
    chances = {}
    for name, of_tight in {"one": [1], "all": range(len(sound.lines))}.items():
        lines = [tight.lines[k] if k in of_tight else x for k, x in enumerate(sound.lines)]
        finding = gs.diagnose(dataclasses.replace(sound, lines=tuple(lines)))
        stated = {point.name: point.probability for point in finding.points}
        chances[name] = max(stated.get(f"tight_wheels_{side}", 0.0) for side in ("left", "right"))
    assert chances["one"] < 0.5
    assert chances["all"] > 0.8


def test_noise_learned_anew_takes_no_explanations_weights_along(
    modes: tuple[Problem, tuple[Mode, ...]],
) -> None:
    """What the likeliest explanation leaves far off must not count less for all others."""
    problem, (healthy, tight) = modes
    weighed = weigh(problem, healthy)
    assert weighed_piece(weighed).weight.min() < 0.9  # else nothing is shown
    again = dataclasses.replace(learn_noise(weighed.problem, healthy), scales=problem.scales)
    (_, piece), *_ = again.burned
    assert np.all(piece.weight == 1.0)
    (_, fresh), *_ = problem.burned
    source = fresh.with_noise(piece.noise)
    alone = weigh(dataclasses.replace(problem, sources=(source,)), tight)
    assert weigh(again, tight).evidence == pytest.approx(alone.evidence, abs=0.01)


def test_the_loudest_ring_counts_half_and_for_no_more_than_all_the_others() -> None:
    def left(ahead: float, *foretold: float) -> float:
        return lead_of_all(ahead, np.array(foretold), USUAL)

    assert left(25.5, 20.0, 5.0, 1.0, -0.5) == pytest.approx(5.5 + 5.5)
    assert left(12.0, 4.0, 5.0, 3.0) == pytest.approx(7.0 + 2.5)
    assert left(3.0, 9.0, -8.0) == pytest.approx(1.5)  # the others speak against it
    assert left(30.0, 40.0, -8.0) == pytest.approx(2.0)
    assert left(8.0, 7.0, 1.0) == pytest.approx(1.0 + 2.0)
    assert left(-2.0, 1.0, -3.0) == -2.0  # it does not lead
    assert left(7.0, 7.0) == 7.0  # one ring alone has no others


def test_bins_that_are_held_out_stay_out(modes: tuple[Problem, tuple[Mode, ...]]) -> None:
    problem, (healthy, _) = modes
    (_, term), *_ = problem.burned
    weight = np.ones(term.bins.count.size)
    weight[::7] = 0.0
    held = dataclasses.replace(problem, sources=(dataclasses.replace(term, weight=weight),))
    (_, learned), *_ = learn_noise(held, healthy).burned
    assert np.array_equal(learned.weight, weight)
    weighed = weigh(held, healthy)
    assert np.all(weighed_piece(weighed).weight[::7] == 0.0)


# Points put back


def test_sifting_puts_back_the_steps_of_a_tight_machine() -> None:
    """A carriage that lets go with a jump stands off a healthy machine, not off a tight one."""
    tight = MACHINE.with_faults(gs.faults.TightCarriage(60.0))
    piece = lift(tight, TEST, noise=0.001, turn=0.0, shift=(0.0, 0.0))
    (term,) = prepare(piece, MACHINE).sources
    assert isinstance(term, BurnedPiece)
    stray = int(np.sum(term.bins.owner < 0))
    assert stray > 10  # else nothing is shown
    problem = problem_of(piece)
    mode = search(problem, MACHINE.catalogue().of_name("tight_carriage"))
    own = problem.nuisance_cuts(mode.u.size)[0]
    explained = (problem.machine(mode.faults, mode.u), mode.u[own])
    sifted = term.sifted([explained])
    assert np.sum(sifted.bins.owner < 0) < 0.5 * stray
    assert sifted.discrepancy.columns.shape[0] == sifted.bins.count.size == sifted.weight.size
    assert sifted.shared.shape == sifted.discrepancy.columns.shape
    usual = sifted.discrepancy.sizes(MACHINE, Scales(), USUAL)
    assert sifted.sizes == pytest.approx(usual)
    # nothing is thrown out that a healthy machine kept
    assert not np.any((term.bins.owner >= 0) & (sifted.bins.owner < 0))


def test_points_put_back_at_the_edge_bring_their_places_along() -> None:
    """The discrepancy reaches as far as the points do: with unknowns and sizes of its own."""
    (term,) = prepare(lift(MACHINE, SMALL, noise=0.004), MACHINE).sources
    assert isinstance(term, BurnedPiece)
    far = term.matched.about(term.origin)[:, 1] > 8.0
    bins = binned(term.matched, term.origin, far, USUAL.bin_length)
    passed = passage(term.matched, bins, term.origin, MACHINE)
    shared = passed.lacking(MACHINE)
    sizes = shared.sizes(MACHINE, Scales(), USUAL)
    own = {"passage": passed, "discrepancy": shared, "sizes": sizes}
    short = dataclasses.replace(term, bins=bins, weight=np.ones(bins.count.size), **own)
    whole = short.sifted([(MACHINE, np.zeros(term.n_nuisance))])
    assert whole.sizes.size > short.sizes.size  # else nothing is shown
    assert whole.shared == pytest.approx(term.shared)


def test_sifting_keeps_out_what_no_explanation_explains() -> None:
    piece = lift(MACHINE, SMALL, noise=0.012)
    line = piece.lines[0]
    xy = line.xy.copy()
    xy[::12] *= 1.0 + 0.4 / line.size
    spoiled = dataclasses.replace(piece, lines=(dataclasses.replace(line, xy=xy), *piece.lines[1:]))
    (term,) = prepare(spoiled, MACHINE).sources
    stray = term.bins.owner < 0
    assert stray.sum() >= 4
    healthy = (MACHINE, np.zeros(term.n_nuisance))
    tight = (MACHINE.with_faults(gs.faults.TightWheels("left", 9.0)), np.zeros(term.n_nuisance))
    assert np.sum(term.sifted([healthy, tight]).bins.owner < 0) > 0.5 * stray.sum()


# Steps and screens


def test_steps_follow_the_valley_of_healthy_and_faulty_drag() -> None:
    """Only their sum shows: from far off, along the valley, the mode is that from the truth."""
    machine = MACHINE.with_faults(gs.faults.TightWheels("left", 12.0))
    problem = problem_of(lift(machine, TEST, noise=0.01))
    faults = MACHINE.catalogue().of_name("tight_wheels_left")
    (parameter,) = faults[0].parameters
    n = len(problem.scatter)
    drag = [s.parameter.name for s in problem.scatter].index("drag left")
    truth = problem.start(faults)
    truth[n] = math.log(12.0 / parameter.centre) / parameter.spread
    best = solve(problem, faults, truth)
    assert best.converged
    for healthy, faulty in ((0.0, parameter.faint), (3.0, -3.0), (-3.0, 2.5)):
        bad = problem.start(faults)
        bad[drag], bad[n] = healthy, faulty
        found = solve(problem, faults, bad)
        assert found.converged
        assert found.cost == pytest.approx(best.cost, abs=0.05)
        assert found.u[[drag, n]] == pytest.approx(best.u[[drag, n]], abs=0.15)


def test_a_search_is_not_led_astray_by_a_healthy_machine_that_cannot_be() -> None:
    """A healthy mode that puts the drag on the other side lies in another valley than the fault."""
    test = gs.ring_test(spacing=8.0, largest=24.0, centre=(215.0, 200.0), passes=1, feed=30.0)
    machine = MACHINE.with_faults(gs.faults.TightWheels("left", 16.4))
    problem = prepare(lift(machine, test, noise=0.01, seed=3), MACHINE)
    faults = MACHINE.catalogue().of_name("tight_wheels_left")
    healthy = problem.start(())
    healthy[[s.parameter.name for s in problem.scatter].index("drag right")] = 7.6
    astray = solve(problem, (), healthy)
    best = search(problem, faults)
    assert search(problem, faults, astray).evidence > best.evidence - 0.1
    from_there = np.insert(astray.u, len(problem.scatter), faults[0].parameters[0].faint)
    assert solve(problem, faults, from_there).evidence < best.evidence - 20.0  # else no trap
    assert faults[0].parameters[0].value(best.u[len(problem.scatter)]) == pytest.approx(
        16.4, rel=0.1
    )


@pytest.mark.parametrize(
    ("first", "second"),
    [
        (gs.faults.TightCarriage(9.0), gs.faults.OutOfSquare(3.0)),
        (gs.faults.ScaleError("x", 0.006), gs.faults.TightWheels("right", 8.0)),
        (gs.faults.TightWheels("left", 9.0), gs.faults.CouplerBacklash(0.25)),
    ],
)
def test_a_further_fault_that_is_there_promises_most(
    first: gs.faults.Fault, second: gs.faults.Fault
) -> None:
    """Beside the first one, the second promises more than is worth a search; no other as much."""
    piece = lift(MACHINE.with_faults(first, second), TEST, noise=0.01)
    problem = problem_of(piece, (*KEPT, "drag right", "scale y", "belt left EA"))
    catalogue = MACHINE.catalogue()
    mode = search(problem, catalogue.of_name(first.name))
    problem = learn_noise(problem, mode)
    mode = solve(problem, mode.faults, mode)
    gains = {
        fault.key: promised_gain(problem, mode, fault)
        for fault in catalogue.modelled
        if catalogue.plausible(first.name, fault.name)
    }
    assert min(gains.values()) > -1e-6
    there = max(gains[fault.key] for fault in catalogue.of_name(second.name))
    assert there > 2.0 * USUAL.worth
    twins = {second.name, *second.twins, second.opposite}
    unlike = [
        gain for key, gain in gains.items() if not any(t and key.startswith(t) for t in twins)
    ]
    assert there > max(unlike)
    # and the screen is no more than a fraction off what the search then finds
    extra = max(catalogue.of_name(second.name), key=lambda fault: gains[fault.key])
    both = extend(problem, mode, extra)
    assert both.evidence - mode.evidence > 0.5 * there


def test_many_places_are_seen_at_once_as_one_by_one() -> None:
    """The same costs; where the others follow, the least of a quadratic: by a general minimiser."""
    machine = MACHINE.with_faults(gs.faults.LooseCarriage(0.15, rub=12.0))
    problem = problem_of(lift(machine, SMALL, noise=0.01))
    faults = MACHINE.catalogue().of_name("loose_carriage")
    mode = search(problem, faults)
    n = len(problem.scatter)
    rugged = np.arange(n, n + 3)
    others = np.delete(np.arange(mode.u.size), rugged)
    places = np.repeat([mode.u], 4, axis=0)
    places[1:, rugged] += 0.05 * np.random.default_rng(4).standard_normal((3, 3))
    tables = [table[:, others] for table in mode.jacobian]
    evaluator = Evaluator(problem, faults)
    seen = _look(evaluator, places, others, tables)
    (source,) = problem.sources
    for u, cost, promised in zip(places, seen.cost, seen.promised, strict=True):
        assert cost == pytest.approx(evaluator.cost(u, evaluator.at(u)), rel=1e-12)
        (residual,) = evaluator.at(u)

        def linear(step: np.ndarray, u: np.ndarray = u, r: np.ndarray = residual) -> float:
            there = u.copy()
            there[others] += step
            half = source.metric.half_square(r + tables[0] @ step)
            return float(half) + problem.half_prior(there)

        least = minimize(linear, np.zeros(others.size), method="BFGS", options={"gtol": 1e-4})
        assert promised == pytest.approx(least.fun, abs=0.01)
    assert seen.promised[0] == pytest.approx(mode.cost, abs=0.1)  # nothing follows at a mode


def test_a_valley_with_walls_pays_for_what_its_curvature_overstates() -> None:
    """Against importance sampling of the exact posterior over all unknowns, seed 5."""
    loose = gs.faults.LooseCarriage(0.05, rub=12.0)
    problem = problem_of(lift(MACHINE.with_faults(loose), TEST, noise=0.01))
    faults = MACHINE.catalogue().of_name("loose_carriage")
    problem = learn_noise(problem, search(problem, faults))
    mode = search(problem, faults)
    root = np.linalg.cholesky(mode.covariance)
    z = np.random.default_rng(5).standard_normal((1000, mode.u.size))
    there = np.array([log_posterior(problem, faults, u) for u in mode.u + z @ root.T])
    weight = there - log_posterior(problem, faults, mode.u) + 0.5 * np.sum(z**2, axis=1)
    exact = math.log(len(z)) - logsumexp(weight)
    assert exact > 0.5  # else there are no walls
    assert mode.paid == pytest.approx(exact, abs=0.4)
    assert _carried(problem, mode).paid == mode.paid
    smooth = search(problem, MACHINE.catalogue().of_name("tight_carriage"))
    assert smooth.paid == 0.0


def test_a_fault_far_behind_another_is_not_looked_around(monkeypatch: pytest.MonkeyPatch) -> None:
    """What looks around a mode pays for its walls; beyond all hope nobody asks."""
    problem = problem_of(lift(MACHINE.set("scale_x", 0.004), TEST, noise=0.01))
    faults = MACHINE.catalogue().of_name("loose_carriage")
    looked: list[Mode] = []

    def seen(evaluator: Evaluator, mode: Mode, *rest: object) -> Mode:
        looked.append(mode)
        return mode

    monkeypatch.setattr("gantrysim.inference.search._looked_around", seen)
    mode = search(problem, faults)
    assert len(looked) == 1  # the best so far of its own
    assert search(problem, faults, give_up=mode.cost - 1.0).paid == 0.0
    assert len(looked) == 1
    search(problem, faults, give_up=mode.cost + 1.0)
    assert len(looked) == 2


def test_a_step_is_cut_where_the_farthest_unknown_of_the_machine_goes_too_far() -> None:
    """Of a unit quadratic the whole step is minus the gradient; a placement may go any way."""
    gradient = np.array([-8.0, -1.0, -100.0])
    step, gain = _newton_step(np.eye(3), gradient, 0.0, 1, np.arange(3))
    assert step == pytest.approx(-gradient * _LONGEST / 8.0)
    assert gain == pytest.approx(float(-gradient @ step - 0.5 * step @ step))
    whole, _ = _newton_step(np.eye(3), gradient / 8.0, 0.0, 1, np.arange(3))
    assert whole == pytest.approx(-gradient / 8.0)  # which is short enough


@pytest.mark.parametrize(("left", "settled"), [(1.3, True), (1.7, False)])
def test_a_mode_is_settled_if_a_step_promises_less_than_a_nat_and_a_half(
    modes: tuple[Problem, tuple[Mode, ...]], left: float, settled: bool
) -> None:
    """Along a placement, in which all is linear, so many standard deviations off are t^2 / 2."""
    problem, (healthy, _) = modes
    way = healthy.covariance[:, -6] / math.sqrt(healthy.covariance[-6, -6])
    off = solve(problem, (), healthy.u + math.sqrt(2.0 * left) * way, most_steps=0)
    assert off.cost - healthy.cost == pytest.approx(left, abs=0.1)
    assert off.converged is settled


# A blank that moved


@pytest.mark.parametrize(("strain", "named"), [(0.003, False), (0.012, True)])
def test_a_checked_scanner_does_not_vouch_for_the_wood(strain: float, named: bool) -> None:
    """What 0.3 % in one direction is may be the blank's; 1.2 % is no wood's.

    Plywood moves by 0.02 to 0.04 % along the board for a per cent of moisture, solid wood by 0.13
    to 0.27 % across its grain (common practice, no source).
    """
    piece = lift(MACHINE, SMALL, noise=0.012, turn=0.0)
    lines = tuple(
        dataclasses.replace(line, xy=line.xy * (1.0, 1.0 + strain)) for line in piece.lines
    )
    known = gs.instruments.ScannerError(covariance=np.diag([1e-4, 1e-4, 1e-4]) ** 2)
    finding = gs.diagnose(dataclasses.replace(piece, lines=lines, scanner=known))
    stated = {point.name: point.probability for point in finding.points}
    assert (stated["scale_y"] > 0.95) is named, stated
