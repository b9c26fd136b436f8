"""Free weights at a plan's positions: exact where they can be, never worse than the plan, against plainer means."""

from itertools import pairwise

import numpy as np
import pytest
from scipy.optimize import differential_evolution, minimize

from roommodes.arrays import Complexes, Floats
from roommodes.responses.metrics import level_db, seat_pressure, variation_db
from solvers.choice.free_weights import FreeWeights, best_weights, best_weights_each, free_weights_of
from solvers.search.problem import Problem
from solvers.search.search import search


def noise(random: np.random.Generator, *shape: int) -> Complexes:
    return np.asarray(random.normal(size=shape) + 1j * random.normal(size=shape))


def best_at(transfer: Complexes, weight: Floats, weights: Complexes | None = None, *, boxes: int = 0) -> FreeWeights:
    ones = np.ones((transfer.shape[0], transfer.shape[2]), dtype=np.complex128)
    return best_weights(transfer, weight, ones if weights is None else weights, boxes=boxes)


def spread(h: Complexes, w: Complexes, a: Floats) -> float:
    """Standard deviation over the seats at one frequency [dB]."""
    return variation_db(level_db(seat_pressure(h[None], w[None])), a)


@pytest.mark.parametrize(("n_seat", "n_sub"), [(1, 1), (2, 2), (3, 3), (3, 5), (6, 6), (6, 8)])
def test_as_many_subs_as_seats_can_make_all_alike(n_seat: int, n_sub: int) -> None:
    random = np.random.default_rng(n_seat)
    best = best_at(noise(random, 9, n_seat, n_sub), random.uniform(0.2, 2.0, n_seat))
    assert best.variation_db == 0.0


def test_one_sub_has_nothing_to_choose(close) -> None:
    random = np.random.default_rng(1)
    h, a = noise(random, 11, 5, 1), random.uniform(0.5, 2.0, 5)
    best = best_at(h, a, noise(random, 11, 1))
    close(best.variation_db, variation_db(level_db(h[:, :, 0]), a), rtol=1e-9)
    close(best_at(h, a, noise(random, 11, 1), boxes=10).least_db, best.variation_db, rtol=1e-9)


@pytest.mark.parametrize("seed", range(4))
def test_never_above_the_plan(seed: int) -> None:
    random = np.random.default_rng(seed)
    n_sub, n_seat = int(random.integers(2, 5)), int(random.integers(9, 12))
    h, a, w = noise(random, 8, n_seat, n_sub), random.uniform(0.1, 3.0, n_seat), noise(random, 8, n_sub)
    best = best_at(h, a, w)
    own = np.array([spread(h[f], w[f], a) for f in range(8)])
    assert np.all(best.spread_db <= own * (1.0 + 1e-9))
    assert best.variation_db < 0.9 * variation_db(level_db(seat_pressure(h, w)), a)
    assert best.least_db == 0.0  # nothing was proven


def test_one_start_alone_still_holds_the_plans_own_value(close) -> None:
    """A plan that stands at its bound already: nothing may be lost by looking for better."""
    random = np.random.default_rng(7)
    h, a = noise(random, 6, 7, 2), np.ones(7)
    w = np.empty((6, 2), dtype=np.complex128)
    for f in range(6):
        fit = minimize(lambda x, f=f: spread(h[f], np.array([1.0 + 0j, x[0] + 1j * x[1]]), a), [1.0, 0.0], tol=1e-12)
        w[f] = 1.0, fit.x[0] + 1j * fit.x[1]
    few = best_weights(h, a, w, starts=3)
    assert np.all(few.spread_db <= np.array([spread(h[f], w[f], a) for f in range(6)]) * (1.0 + 1e-9))
    assert np.all(few.spread_db > 0.5)  # seven seats, two subs: nothing makes them alike


@pytest.mark.parametrize("seed", range(3))
def test_two_subs_against_a_fine_grid(seed: int) -> None:
    """With two subs only their ratio counts: a grid over its size and phase, then scipy's simplex from the best."""
    random = np.random.default_rng(seed)
    h, a = noise(random, 4, 5, 2), random.uniform(0.3, 2.0, 5)
    best = best_at(h, a)
    angle, phase = np.meshgrid(np.linspace(0.0, np.pi / 2, 181), np.linspace(0.0, 2 * np.pi, 361), indexing="ij")
    w = np.stack([np.cos(angle) + 0j, np.sin(angle) * np.exp(1j * phase)])
    for f in range(4):
        level = 20.0 * np.log10(np.abs(np.tensordot(h[f], w, axes=1)))
        mean = np.tensordot(a / a.sum(), level, axes=1)
        value = np.sqrt(np.tensordot(a / a.sum(), (level - mean) ** 2, axes=1))
        at = np.unravel_index(int(np.argmin(value)), value.shape)

        def miss(x: Floats, f: int = f) -> float:
            return spread(h[f], np.array([np.cos(x[0]), np.sin(x[0]) * np.exp(1j * x[1])]), a)

        fine = minimize(miss, [angle[at], phase[at]], method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-10})
        assert best.spread_db[f] == pytest.approx(fine.fun, rel=1e-5)


def test_three_subs_against_a_search_of_another_kind() -> None:
    random = np.random.default_rng(5)
    h, a = noise(random, 2, 7, 3), random.uniform(0.3, 2.0, 7)
    best = best_at(h, a)
    for f in range(2):

        def miss(x: Floats, f: int = f) -> float:
            return spread(h[f], np.array([1.0 + 0j, x[0] + 1j * x[1], x[2] + 1j * x[3]]), a)

        other = differential_evolution(miss, [(-4.0, 4.0)] * 4, seed=1, tol=1e-8, maxiter=400)
        assert best.spread_db[f] <= other.fun * (1.0 + 1e-6)
        assert best.spread_db[f] > 0.5 * other.fun


def test_a_common_factor_and_the_order_of_things_change_nothing(close) -> None:
    random = np.random.default_rng(2)
    h, a = noise(random, 7, 6, 3), random.uniform(0.3, 2.0, 6)
    plain = best_at(h, a)
    factor = 10.0 ** random.uniform(-6, 6, (7, 1, 1)) * np.exp(2j * np.pi * random.random((7, 1, 1)))
    close(best_at(h * factor, 5.0 * a).spread_db, plain.spread_db, rtol=1e-5)
    seats, subs = random.permutation(6), random.permutation(3)
    close(best_at(h[:, seats][:, :, subs], a[seats]).spread_db, plain.spread_db, rtol=1e-5)


def test_a_further_sub_never_raises_it_and_a_copy_of_one_changes_nothing(close) -> None:
    random = np.random.default_rng(3)
    h, a = noise(random, 9, 7, 4), np.ones(7)
    falling = [best_at(h[:, :, : n + 1], a).spread_db for n in range(4)]
    for fewer, more in pairwise(falling):
        assert np.all(more <= fewer + 1e-6)
    doubled = np.concatenate([h[:, :, :2], h[:, :, :1]], axis=2)
    close(best_at(doubled, a).spread_db, falling[1], rtol=1e-5)


def test_a_seat_without_weight_is_not_heard(close) -> None:
    random = np.random.default_rng(4)
    h = noise(random, 5, 5, 2)
    close(
        best_at(h, np.array([1.0, 2.0, 0.0, 1.0, 1.0])).spread_db,
        best_at(h[:, [0, 1, 3, 4]], np.array([1.0, 2.0, 1.0, 1.0])).spread_db,
        rtol=1e-6,
    )


def test_no_plan_of_a_search_is_below_its_bound() -> None:
    random = np.random.default_rng(6)
    problem = Problem(
        frequency_hz=np.geomspace(20.0, 120.0, 17), transfer=noise(random, 17, 5, 7), seat_weight=np.ones(5)
    )
    (outcome,) = search(problem, counts=[2], seed=1, keep=4)
    for plan, best in zip(outcome.plans, free_weights_of(problem, outcome.plans), strict=True):
        assert 0.0 < best.variation_db < plan.variation_db


def test_plans_side_by_side_have_the_weights_of_each_by_itself(close) -> None:
    """Neighbouring frequencies are those of one plan, and the proof is of the first."""
    random = np.random.default_rng(8)
    h, w, a = noise(random, 5, 6, 7, 2), noise(random, 5, 6, 2), random.uniform(0.3, 2.0, 7)
    each = best_weights_each(h, a, w, boxes=300)
    for k, best in enumerate(each):
        alone = best_weights(h[k], a, w[k], boxes=0 if k else 300)
        close(best.spread_db, alone.spread_db, rtol=1e-9)
        close(best.variation_db, alone.variation_db, rtol=1e-9)
        close(best.output_db, alone.output_db, rtol=1e-7)
        assert best.least_db == pytest.approx(alone.least_db, rel=1e-9)
    assert each[0].least_db > 0.0
    assert each[1].least_db == 0.0
