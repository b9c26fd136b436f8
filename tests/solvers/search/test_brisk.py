"""Landings that are given up early: what they promise, what they reach, and that they are left when hopeless."""

from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest

from benchmarks.rooms_seeded import seeded_room
from roommodes.running import Running
from solvers.search.hop import BRISK, HOPES
from solvers.search.kernels.brisk import ROUNDS, promised
from solvers.search.polish import value_and_slope
from solvers.search.state import State, random_drives
from solvers.search.workbench import Tools, tools_of


@pytest.fixture(scope="module")
def tools() -> Tools:
    problem = seeded_room(5, n_candidate=14, n_seat=5, points_per_octave=8)
    return tools_of(problem, ThreadPoolExecutor(1), Running(threads=1))


def _value(tools: Tools, state: State) -> float:
    """V^2 in NumPy, on all frequencies [dB^2]."""
    x = np.concatenate([state.gain_db, 1e3 * state.delay_s])
    transfer = tools.columns.transfer[:, :, state.column]
    hz, weight = tools.problem.frequency_hz, tools.columns.seat_weight
    return value_and_slope(transfer, hz, weight, state.polarity, x, reward=0.0)[0]


def test_the_promise_is_the_value_were_the_levels_linear() -> None:
    random = np.random.default_rng(1)
    root, slope, step = random.normal(size=(6, 6)), random.normal(size=6), random.normal(size=6)
    curvature = root @ root.T
    expected = 3.0 + slope @ step + 0.5 * step @ curvature @ step
    assert promised(3.0, slope, curvature, step) == pytest.approx(expected, rel=1e-12)


def test_a_brisk_landing_reaches_what_it_says_and_is_better_than_its_start(tools: Tools) -> None:
    random = np.random.default_rng(2)
    start = random_drives(np.array([0, 4, 7, 11]), tools.problem.drives, random)
    burst = tools.hopper.burst(start, value=np.inf, hops=12, random=random, habits=BRISK, hopes=HOPES)
    assert burst.value < 0.5 * _value(tools, start)
    for value, state in [(burst.value, burst.state), *burst.met]:
        assert _value(tools, state) == pytest.approx(value, rel=1e-3)


def test_a_landing_without_hope_ends_after_half_a_round(tools: Tools) -> None:
    random = np.random.default_rng(3)
    start = random_drives(np.array([1, 5, 8, 12]), tools.problem.drives, random)
    impossible = HOPES._replace(landing=(-1.0,) * 4)
    burst = tools.hopper.burst(start, value=1.0, hops=5, random=random, habits=BRISK, hopes=impossible)
    assert burst.visits == 5 * (ROUNDS[0] * 4 // 2)
    assert burst.value == 1.0
    assert burst.state.column.tolist() == start.column.tolist()
