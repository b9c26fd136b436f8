"""The proof on small problems: against plain loops over the same grid."""

from dataclasses import replace
from itertools import combinations, product

import numpy as np
import pytest

from benchmarks.rooms_seeded import seeded_room
from roommodes.errors import ProjectInvalid
from roommodes.responses.metrics import drive_weights, level_db, seat_pressure, variation_db
from roommodes.running import Running
from solvers.search.columns import columns_of
from solvers.search.explore import Effort
from solvers.search.kernels import grid as kernels_grid
from solvers.search.problem import DriveRange, Problem, Stop
from solvers.search.search import search
from solvers.search.sweep import Sweeper, sweeper_of
from solvers.search.workbench import DB2_PER_UNIT

SHORT = DriveRange(delay_s=(0.0, 0.004), gain_db=(-8.0, 0.0), polarity=True)
PROBLEM = seeded_room(5, n_candidate=5, n_seat=3, points_per_octave=5, drives=SHORT)


def _tried(problem: Problem, sweeper: Sweeper, layouts: np.ndarray, limit: float = np.inf) -> list[np.ndarray]:
    cost = np.empty(len(layouts))
    tau, g_db, pol = np.zeros(layouts.shape), np.zeros(layouts.shape), np.ones(layouts.shape)
    kernels_grid.every_drive(sweeper.tables, sweeper.limits, layouts, limit, cost, tau, g_db, pol)
    return [cost, tau, g_db, pol]


def _variation(
    problem: Problem, layout: tuple[int, ...], gain: np.ndarray, delay: np.ndarray, sign: np.ndarray
) -> float:
    weights = drive_weights(problem.frequency_hz, gain_db=gain, delay_s=delay, polarity=sign)
    return variation_db(level_db(seat_pressure(problem.transfer[:, :, list(layout)], weights)), problem.seat_weight)


@pytest.mark.parametrize("count", [1, 2, 3])
def test_the_best_of_the_grid_as_plain_loops_find_it(count: int, close) -> None:
    sweeper = sweeper_of(PROBLEM, columns_of(PROBLEM), at_most=None, reward=0.0)
    step, span = sweeper.limits.delay_step, SHORT.delay_span_s
    delays = np.arange(0, round(span / step) + 1) * step
    gains = -np.arange(0, sweeper.limits.gain_steps + 1) * (SHORT.gain_span_db / sweeper.limits.gain_steps)
    layouts = np.array(list(combinations(range(5), count))[:4], dtype=np.int64)
    cost, tau, g_db, pol = _tried(PROBLEM, sweeper, layouts)
    for k, layout in enumerate(layouts.tolist()):
        best = np.inf
        for delay in product(delays, repeat=count):
            if min(delay) > 0.0:
                continue
            for gain in product(gains, repeat=count):
                if max(gain) < 0.0:
                    continue
                for sign in product((1, -1), repeat=count - 1):
                    v = _variation(PROBLEM, layout, np.array(gain), np.array(delay), np.array((1, *sign)))
                    best = min(best, v)
            if count == 3 and k > 0:
                break
        found = np.sqrt(cost[k] * DB2_PER_UNIT)
        if count < 3 or k == 0:
            close(found, best, 1e-4)
        shift = tau[k] - tau[k].min()
        assert shift.max() <= span + 1e-9
        assert g_db[k].max() - g_db[k].min() <= SHORT.gain_span_db + 1e-9
        close(_variation(PROBLEM, tuple(layout), g_db[k], shift, pol[k].astype(int)), found, 1e-4)


def test_a_limit_skips_the_hopeless_and_never_a_winner() -> None:
    sweeper = sweeper_of(PROBLEM, columns_of(PROBLEM), at_most=None, reward=0.0)
    layouts = np.array(list(combinations(range(5), 2)), dtype=np.int64)
    whole = _tried(PROBLEM, sweeper, layouts)
    limit = float(np.median(whole[0]))
    cut = _tried(PROBLEM, sweeper, layouts, limit)
    below = whole[0] < limit
    assert 0 < below.sum() < len(layouts)
    assert np.array_equal(np.isfinite(cut[0]), below)
    for all_of_it, part in zip(whole, cut, strict=True):
        assert np.array_equal(all_of_it[below], part[below])


def test_a_proof_finds_what_a_short_search_misses_and_says_so() -> None:
    problem = replace(seeded_room(2, n_candidate=8, n_seat=4, points_per_octave=6), drives=SHORT)
    hasty = Effort(hops=1, confirmations=1)
    (proven,) = search(problem, counts=[3], seed=1, effort=hasty, prove=True, running=Running(threads=1))
    (long,) = search(problem, counts=[3], seed=2, running=Running(threads=1))
    assert proven.exhaustive
    assert proven.stop == Stop.EVERY_GRID_DRIVE
    assert proven.layouts_searched == proven.layouts_possible == 56
    assert proven.plans[0].variation_db <= long.plans[0].variation_db + 1e-6
    (two,) = search(problem, counts=[3], seed=1, effort=hasty, prove=True, running=Running(threads=2))
    assert [plan.variation_db for plan in two.plans] == [plan.variation_db for plan in proven.plans]


def test_interrupted_nothing_is_proven() -> None:
    calls = iter(range(10**9))
    (outcome,) = search(
        seeded_room(2, n_candidate=12, n_seat=4, points_per_octave=6),
        counts=[3],
        seed=1,
        prove=True,
        running=Running(threads=1, cancelled=lambda: next(calls) > 40),
    )
    assert not outcome.exhaustive
    assert outcome.stop == Stop.INTERRUPTED


def test_what_would_not_end_is_refused() -> None:
    with pytest.raises(ProjectInvalid) as caught:
        search(seeded_room(1, n_candidate=60, points_per_octave=6), counts=[2, 4, 5], seed=1, prove=True)
    assert [fault.where for fault in caught.value.faults] == ["search.counts"] * 2
    assert "4 subs with every setting of the grid are" in caught.value.faults[0].message
