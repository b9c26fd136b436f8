"""What is proven of free weights: below everything that anybody finds, and close to it."""

from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest
from scipy.optimize import differential_evolution, lsq_linear, minimize

from roommodes.arrays import Complexes, Floats
from roommodes.responses.metrics import level_db, variation_db
from roommodes.running import Running
from solvers.choice.free_weights import best_weights
from solvers.proof.free_weights import DB_PER_NEPER, GAP_DB, PART, Proven, proven_spread
from solvers.search.kernels.free_weights import expand, interval_bound, residual, series_bound, spread2

MANY = 1_000_000


def noise(random: np.random.Generator, *shape: int) -> Complexes:
    return np.asarray(random.normal(size=shape) + 1j * random.normal(size=shape))


def proven(h: Complexes, a: Floats, known_db: Floats, boxes: int = MANY) -> Proven:
    basis, _, _ = np.linalg.svd(h, full_matrices=False)
    with ThreadPoolExecutor(1) as pool:
        return proven_spread(basis, a / a.sum(), known_db, boxes=boxes, pool=pool, running=Running())


def spread(h: Complexes, w: Complexes, a: Floats) -> float:
    return variation_db(level_db((h @ w)[None]), a)


def closeness(known: float) -> float:
    """The least bound that a whole proof of a known spread may end with [dB]."""
    return known - max(PART * known, GAP_DB) - 1e-6


@pytest.mark.parametrize("seed", range(3))
def test_two_subs_against_a_fine_grid(seed: int) -> None:
    """Only the weights' ratio counts: a grid over its size and phase, then scipy's simplex from the best."""
    random = np.random.default_rng(seed)
    h, a = noise(random, 3, 6, 2), random.uniform(0.3, 2.0, 6)
    angle, phase = np.meshgrid(np.linspace(0.0, np.pi / 2, 181), np.linspace(0.0, 2 * np.pi, 361), indexing="ij")
    w = np.stack([np.cos(angle) + 0j, np.sin(angle) * np.exp(1j * phase)])
    known = np.empty(3)
    for f in range(3):
        level = 20.0 * np.log10(np.abs(np.tensordot(h[f], w, axes=1)))
        value = np.tensordot(a / a.sum(), (level - np.tensordot(a / a.sum(), level, axes=1)) ** 2, axes=1)
        at = np.unravel_index(int(np.argmin(value)), value.shape)

        def miss(x: Floats, f: int = f) -> float:
            return spread(h[f], np.array([np.cos(x[0]), np.sin(x[0]) * np.exp(1j * x[1])]), a)

        known[f] = minimize(miss, [angle[at], phase[at]], method="Nelder-Mead", options={"fatol": 1e-10}).fun
    found = proven(h, a, known + 2.0).spread_db  # without the answer
    assert np.all(found <= known + 1e-9)
    assert np.all(found >= [closeness(one) for one in known])


def test_three_subs_against_a_search_of_another_kind() -> None:
    random = np.random.default_rng(5)
    h, a = noise(random, 2, 8, 3), random.uniform(0.3, 2.0, 8)
    found = best_weights(h, a, np.ones((2, 3), dtype=np.complex128), boxes=MANY)
    for f in range(2):

        def miss(x: Floats, f: int = f) -> float:
            return spread(h[f], np.array([1.0 + 0j, x[0] + 1j * x[1], x[2] + 1j * x[3]]), a)

        other = differential_evolution(miss, [(-5.0, 5.0)] * 4, seed=1, tol=1e-8, maxiter=400)
        assert found.spread_db[f] <= other.fun * (1.0 + 1e-6)
    assert found.variation_db * (1.0 - 2.0 * PART) < found.least_db <= found.variation_db


@pytest.mark.parametrize("n", [2, 3])
def test_seats_in_proportion_have_a_least_spread_that_is_known(n: int, close) -> None:
    """Seat pairs p and 2 p, p' and 3 p', ...: the pairs can be levelled, what is within them stays."""
    random = np.random.default_rng(n)
    rows, factor = noise(random, n, n), 2.0 + np.arange(n)
    h = np.concatenate([rows, factor[:, None] * rows])[None]
    want = np.sqrt(np.mean((10.0 * np.log10(factor)) ** 2))
    found = proven(h, np.ones(2 * n), np.array([want + 1.0]))
    assert closeness(want) <= found.spread_db[0] <= want + 1e-9
    assert np.isfinite(found.better).all()
    basis = np.linalg.svd(h, full_matrices=False)[0][0]
    level = level_db((basis @ found.better[0])[None])
    close(variation_db(level, np.ones(2 * n)), want, rtol=0.05)


@pytest.mark.parametrize("seed", range(6))
def test_no_point_of_a_box_is_below_its_bound(seed: int) -> None:
    """Boxes of all sizes, each with 400 points in it; bounds that only hold on average would fall."""
    random = np.random.default_rng(seed)
    n_seat, n_term = int(random.integers(3, 9)), int(random.integers(2, 5))
    u, _ = np.linalg.qr(noise(random, n_seat, n_term)) if n_seat > n_term else (noise(random, n_seat, n_term), None)
    a = random.uniform(0.2, 2.0, n_seat)
    a /= a.sum()
    level, low, high, rest, v = np.empty((5, n_seat))
    q = np.empty((2, n_term, n_seat))
    tight = 0
    for _ in range(150):
        box = np.concatenate(
            [random.uniform(-1, 1, (n_term, 2)), 10.0 ** random.uniform(-3, -0.3, (n_term, 2))], axis=1
        )
        expand(u.real.copy(), u.imag.copy(), box, level, low, high, rest, q)
        residual(level, rest, q, box, a, v)
        assert abs(v.sum()) < 1e-12
        bound = max(interval_bound(low, high, a), series_bound(level, rest, q, box, a, v))
        part = random.uniform(-1, 1, (400, n_term, 2)) * random.choice([0.3, 1.0], (400, 1, 1))
        c = box[:, :2] + np.clip(part, -1, 1) * box[:, 2:]
        value = np.log(np.abs((c[..., 0] + 1j * c[..., 1]) @ u.T))
        least = np.min(np.sum(a * (value - (value @ a)[:, None]) ** 2, axis=1))
        assert bound <= least * (1.0 + 1e-9)
        tight += bound > 0.5 * least
    assert tight > 20


def test_levels_between_two_ends(close) -> None:
    """Against bounded least squares of scipy: levels between their ends that differ least from a common one."""
    random = np.random.default_rng(3)
    for _ in range(20):
        low = random.normal(size=6)
        high, a = low + random.uniform(0.0, 0.8, 6), random.dirichlet(np.ones(6))
        root = np.sqrt(a)
        matrix = np.concatenate([np.diag(root), -root[:, None]], axis=1)  # levels, the common one
        ends = np.append(low, -9.0), np.append(high, 9.0)
        want = 2.0 * lsq_linear(matrix, np.zeros(6), bounds=ends, tol=1e-14).cost
        found = interval_bound(low, high, a)
        assert found <= want + 1e-12
        close(found, want, rtol=1e-3, scale=max(want, 1e-3)) if want > 1e-3 else None


def test_fewer_boxes_prove_less_and_still_the_truth() -> None:
    random = np.random.default_rng(8)
    h, a = noise(random, 4, 12, 3), np.ones(12)
    known = best_weights(h, a, np.ones((4, 3), dtype=np.complex128)).spread_db
    bounds = [proven(h, a, known, boxes).variation_db for boxes in (20, 300, 3000, MANY)]
    assert bounds == sorted(bounds)
    assert bounds[0] < 0.5 * bounds[-1]
    assert bounds[-1] <= np.sqrt(np.mean(known**2))


def test_what_needs_no_proof() -> None:
    """One seat, one sub, a silent seat, and as many subs as seats."""
    random = np.random.default_rng(9)
    assert proven(noise(random, 2, 1, 3), np.ones(1), np.zeros(2)).spread_db.tolist() == [0.0, 0.0]
    assert proven(noise(random, 2, 5, 1), np.ones(5), np.array([3.0, 4.0])).spread_db.tolist() == [3.0, 4.0]
    silent = noise(random, 1, 5, 2)
    silent[:, 0] = 0.0
    assert proven(silent, np.ones(5), np.array([900.0])).spread_db.tolist() == [0.0]
    assert proven(noise(random, 1, 3, 3), np.ones(3), np.array([1e-3])).boxes == 0


def test_the_kernels_spread_is_that_of_the_metrics(close) -> None:
    random = np.random.default_rng(2)
    level, a = random.normal(size=7), random.dirichlet(np.ones(7))
    close(DB_PER_NEPER * np.sqrt(spread2(level, a)), variation_db(DB_PER_NEPER * level[None], a), rtol=1e-12)
