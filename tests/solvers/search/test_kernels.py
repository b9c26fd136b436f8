"""Each compiled kernel against its plain NumPy twin, on seeded rooms."""

from itertools import combinations

import numba
import numpy as np
import pytest

from benchmarks.rooms_seeded import seeded_room
from solvers.search import numpy_twins as reference
from solvers.search.columns import LANES, columns_of
from solvers.search.kernels import fixed as kernels_fixed
from solvers.search.kernels import lanes
from solvers.search.kernels import quick as kernels_quick
from solvers.search.kernels import sweep as kernels_sweep
from solvers.search.polish import polisher_of, value_and_slope
from solvers.search.problem import DriveRange, Problem
from solvers.search.state import random_drives
from solvers.search.sweep import Sweeper, sweeper_of
from solvers.search.workbench import DB2_PER_UNIT

ROOMS = [(1, 12, 7), (2, 9, 3), (3, 10, 12)]  # seed, candidates, seats


def _case(seed: int, n_candidate: int, n_seat: int) -> tuple[Problem, Sweeper]:
    problem = seeded_room(seed, n_candidate=n_candidate, n_seat=n_seat, points_per_octave=12)
    return problem, sweeper_of(problem, columns_of(problem), at_most=None, reward=0.0)


def test_fast_logarithm_is_within_its_stated_error() -> None:
    powers = np.concatenate([np.geomspace(1e-20, 1e20, 4001), 1.0 + np.linspace(-1e-3, 1e-3, 101)])
    found = np.array([kernels_sweep.log2_fast(np.float32(p)) for p in powers])
    assert np.abs(found - np.log2(powers.astype(np.float32))).max() < 1.2e-5  # 4e-6, and float32 at values of 66


def test_fast_sine_is_within_float32() -> None:
    turns = np.linspace(-20.0, 20.0, 3001)
    found = np.array([kernels_sweep.sin_turn(np.float32(t)) for t in turns])
    assert np.abs(found - np.sin(2.0 * np.pi * turns.astype(np.float32).astype(np.float64))).max() < 5e-7


@numba.njit
def _on_lanes(x: np.ndarray, found: np.ndarray) -> None:
    for i in range(0, x.shape[1], lanes.WIDTH):
        a, b = lanes.load(x, (0, i)), lanes.load(x, (1, i))
        lanes.store(found, (0, i), kernels_sweep.log2_fast(a) - np.float32(2.0) * b)
        lanes.store(found, (1, i), kernels_sweep.sin_turn(b) / a + lanes.splat(lanes.total(a)))
        lanes.store(found, (2, i), lanes.larger(a, b) * lanes.smaller(a, b) + lanes.floor(b))


def test_lanes_hold_what_single_numbers_do() -> None:
    assert lanes.WIDTH == LANES
    random = np.random.default_rng(0)
    x = np.array([10.0 ** random.uniform(-3.0, 3.0, 48), random.uniform(-5.0, 5.0, 48)], dtype=np.float32)
    found = np.empty((3, 48), dtype=np.float32)
    _on_lanes(x, found)
    a, b = x.astype(np.float64)
    sums = np.repeat(a.reshape(3, 16).sum(axis=1), 16)
    np.testing.assert_allclose(found[0], np.log2(a) - 2.0 * b, atol=2e-5)
    np.testing.assert_allclose(found[1], np.sin(2.0 * np.pi * b) / a + sums, rtol=1e-5)
    np.testing.assert_allclose(found[2], a * b + np.floor(b), rtol=1e-5, atol=1e-5)


@pytest.mark.parametrize("room", ROOMS)
def test_fixed_drive_scores(room: tuple[int, int, int]) -> None:
    problem, sweeper = _case(*room)
    columns = columns_of(problem)
    blocks, points = sweeper.tables.wf.shape
    # the fixed kernel wants (column, seat, point): take the frequencies of the first block, with their own weights
    assert blocks == 1
    layouts = np.array(list(combinations(range(problem.n_candidate), 3)))
    cost = np.empty(len(layouts), dtype=np.float32)
    kernels_fixed.score_layouts(
        sweeper.tables.re[:, 0].copy(),
        sweeper.tables.im[:, 0].copy(),
        sweeper.tables.a,
        sweeper.tables.wf[0].copy(),
        layouts,
        cost,
    )
    expected = reference.score_layouts(columns.transfer, columns.seat_weight, layouts)
    assert points == 32
    np.testing.assert_allclose(cost, expected, rtol=1e-5)


@pytest.mark.parametrize("room", ROOMS)
def test_sweep_of_drives(room: tuple[int, int, int]) -> None:
    problem, sweeper = _case(*room)
    columns = columns_of(problem)
    layouts = np.array([[0, 3], [2, 5], [1, 8]])
    cost, delay, gain, polarity = sweeper.sweep(layouts, max_visits=3)
    for i, layout in enumerate(layouts):
        expected = reference.sweep_layout(
            columns.transfer,
            problem.frequency_hz,
            columns.seat_weight,
            layout.tolist(),
            drives=DriveRange(
                delay_s=(0.0, sweeper.limits.delay_span),
                gain_db=(-sweeper.limits.gain_span, 0.0),
                delay_step_s=sweeper.limits.delay_step,
                gain_step_db=sweeper.limits.gain_span / sweeper.limits.gain_steps,
            ),
            max_visits=3,
        )
        assert cost[i] == pytest.approx(expected[0], rel=1e-5)
        np.testing.assert_allclose(delay[i], expected[1], atol=1e-12)
        np.testing.assert_allclose(gain[i], expected[2], atol=1e-9)
        assert polarity[i].tolist() == expected[3].tolist()


@pytest.mark.parametrize("room", ROOMS)
@pytest.mark.parametrize("reward", [0.0, 0.3])
def test_quick_value_and_slope(room: tuple[int, int, int], reward: float) -> None:
    problem, sweeper = _case(*room)
    columns = columns_of(problem)
    state = random_drives(np.array([0, 4, 7]), problem.drives, np.random.default_rng(room[0]))
    x = np.concatenate([state.gain_db, 1e3 * state.delay_s])
    slope, curvature = np.empty(6), np.empty((6, 6))
    value = kernels_quick.value_quick(
        sweeper.tables,
        state.column,
        state.polarity,
        x,
        reward,
        kernels_quick.scratch_of(sweeper.tables, 3),
        slope,
        curvature,
    )
    expected = value_and_slope(
        columns.transfer[:, :, state.column],
        problem.frequency_hz,
        columns.seat_weight,
        state.polarity,
        x,
        reward=reward,
    )
    assert value == pytest.approx(expected[0], rel=1e-5)
    np.testing.assert_allclose(slope, expected[1], rtol=1e-4, atol=1e-4 * np.abs(expected[1]).max())
    np.testing.assert_allclose(curvature, expected[2], rtol=1e-4, atol=1e-4 * np.abs(expected[2]).max())


def test_units_of_cost_and_variation() -> None:
    problem, sweeper = _case(*ROOMS[0])
    columns = columns_of(problem)
    cost, *_ = sweeper.sweep(np.array([[0, 3]]), max_visits=0)
    value, _, _ = value_and_slope(
        columns.transfer[:, :, [0, 3]],
        problem.frequency_hz,
        columns.seat_weight,
        np.ones(2),
        np.zeros(4),
        reward=0.0,
    )
    assert cost[0] * DB2_PER_UNIT == pytest.approx(value, rel=1e-5)
    assert polisher_of(problem, columns, reward=0.0).transfer.shape == columns.transfer.shape
