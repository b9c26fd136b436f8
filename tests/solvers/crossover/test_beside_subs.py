"""Mains that always play beside the subs: laws, a brute force over a grid of settings, and the whole way of a plan."""

from collections.abc import Iterator
from dataclasses import replace
from itertools import product
from pathlib import Path

import numpy as np
import pytest

from roommodes.errors import ProjectInvalid
from roommodes.filters.crossovers import Crossover
from roommodes.plan.file import read_results, write_results
from roommodes.plan.plan import Results
from roommodes.project.reading import parse_project
from solvers.crossover.beside_subs import Mains, plan_beside_mains, set_with_mains
from solvers.plans.solve import solve
from solvers.search.columns import columns_of
from solvers.search.polish import value_and_slope
from solvers.search.problem import DriveRange, Problem
from solvers.search.state import State, plan_of
from tests.rooms import SMALL

MAINS = """\
[mains]
positions_m = [[0.4, 0.8, 1.0], [0.4, 2.4, 1.0]]
lowest_hz = 40
frequency_hz = 50
"""
HZ = np.geomspace(30.0, 120.0, 13)


def field(count: int, seed: int) -> np.ndarray:
    """Waves from `count` sources at three seats with a few reflections: (n_freq, 3, count)."""
    random = np.random.default_rng(seed)
    path = random.uniform(1.0, 9.0, (3, count, 6))
    return np.sum(np.exp(-2j * np.pi * HZ[:, None, None, None] * path / 343.0) / path, axis=3)


def mains_of(pressure: np.ndarray) -> Mains:
    return Mains(
        crossover=Crossover(kind="linkwitz-riley", order=4, frequency_hz=60.0),
        frequency_hz=HZ,
        pressure=pressure,
        own=np.ones(len(HZ), dtype=np.complex128),
        seat_weight=np.ones(3),
        near_hz=(30.0, 120.0),
        delay_s=(-0.01, 0.01),
    )


@pytest.fixture(scope="module")
def problem() -> Problem:
    drives = DriveRange(delay_s=(0.0, 0.008), gain_db=(-6.0, 0.0))
    return Problem(frequency_hz=HZ, transfer=field(2, 3), seat_weight=np.ones(3), drives=drives)


def test_slopes_with_a_pressure_beside_are_those_of_small_steps() -> None:
    random = np.random.default_rng(5)
    transfer, beside = field(2, 1), field(1, 2)[:, :, 0]
    weight, polarity = np.array([0.5, 0.3, 0.2]), np.array([1.0, -1.0])
    x = random.uniform([-6.0, -6.0, 0.0, 0.0], [0.0, 0.0, 8.0, 8.0])

    def value(at: np.ndarray) -> float:
        return value_and_slope(transfer, HZ, weight, polarity, at, reward=0.0, beside=beside)[0]

    driven = polarity * 10.0 ** (x[:2] / 20.0) * np.exp(-2e-3j * np.pi * HZ[:, None] * x[2:])
    level = 20.0 * np.log10(np.abs(np.einsum("fsc,fc->fs", transfer, driven) + beside))
    mean = level @ weight
    assert value(x) == pytest.approx(np.mean(((level - mean[:, None]) ** 2) @ weight), rel=1e-12)
    slope = value_and_slope(transfer, HZ, weight, polarity, x, reward=0.0, beside=beside)[1]
    steps = 1e-6 * np.eye(4)
    assert slope == pytest.approx([(value(x + step) - value(x - step)) / 2e-6 for step in steps], rel=1e-5, abs=1e-5)


def test_mains_that_sound_as_the_subs_leave_their_variation(problem: Problem) -> None:
    """Both halves of a Linkwitz-Riley crossover add up to an all-pass, alike at every seat."""
    plan = plan_of(problem, columns_of(problem), State(column=np.arange(2), **equal(2)))
    subs = problem.transfer.sum(axis=2)
    mains = mains_of(subs[:, :, None])
    same = replace(mains.meeting(subs), delay_s=0.0, polarity=1, gain_db=0.0)
    met = mains.meeting(subs, same)
    assert met.merit.variation_db == pytest.approx(plan.variation_db, rel=1e-9)
    assert np.abs(met.total[:, :, 0]) == pytest.approx(np.abs(subs), rel=1e-9)
    late = mains.meeting(subs, replace(same, delay_s=0.004))
    assert late.merit.variation_db == pytest.approx(plan.variation_db, rel=1e-9)  # alike at every seat again
    assert not np.allclose(np.abs(late.total[:, :, 0]), np.abs(subs))


def equal(n: int) -> dict[str, np.ndarray]:
    return {"delay_s": np.zeros(n), "gain_db": np.zeros(n), "polarity": np.ones(n)}


def test_settings_with_mains_are_as_good_as_every_setting_of_a_grid(problem: Problem) -> None:
    mains, columns = mains_of(field(2, 11)), columns_of(problem)
    first = plan_of(problem, columns, State(column=np.arange(2), **equal(2)))
    found = set_with_mains(problem, mains, [first], entropy=[1])[0]
    reached = mains.variation_db(problem, found)
    best = np.inf
    for gain, delay_ms, polarity in product((-6.0, -3.0, 0.0, 3.0, 6.0), range(-8, 9, 2), (1.0, -1.0)):
        state = State(
            column=np.arange(2),
            gain_db=np.array([min(0.0, -gain), min(0.0, gain)]),
            delay_s=1e-3 * np.array([max(0, -delay_ms), max(0, delay_ms)]),
            polarity=np.array([1.0, polarity]),
        )
        best = min(best, mains.variation_db(problem, plan_of(problem, columns, state)))
    assert reached <= best + 0.02
    assert reached < mains.variation_db(problem, first)
    low, high = problem.drives.gain_db
    assert found.gain_db.min() >= low
    assert found.gain_db.max() <= high
    assert np.ptp(found.delay_s) <= problem.drives.delay_span_s + 1e-12


@pytest.fixture(scope="module")
def alone() -> Results:
    return solve(parse_project(SMALL + MAINS, source="mains"), counts=(2,))


@pytest.fixture(scope="module")
def monkey() -> Iterator[pytest.MonkeyPatch]:
    with pytest.MonkeyPatch.context() as patch:
        yield patch


@pytest.fixture(scope="module")
def together(monkey: pytest.MonkeyPatch) -> Results:
    text = SMALL.replace("[layout]", "with_mains = true\n[layout]")
    monkey.setattr("solvers.plans.solve.SET_WITH_MAINS", 2)
    monkey.setattr("solvers.crossover.beside_subs.STARTS", 2)
    monkey.setattr("solvers.crossover.exchange.MOST_SET", 6)
    return solve(parse_project(text + MAINS, source="with mains"), counts=(2,))


def test_mains_in_the_file_move_no_plan(alone: Results) -> None:
    without = solve(parse_project(SMALL, source="no mains"), counts=(2,))
    assert (without.plans[2].candidate_index == alone.plans[2].candidate_index).all()
    assert without.plans[2].variation_db == pytest.approx(alone.plans[2].variation_db, abs=1e-6)
    assert without.further.mains is None
    assert plan_beside_mains(without.plan(2, 1)) is None
    assert alone.plans[2].merits.with_mains_db is None


def test_plans_are_ordered_and_set_for_both_together(alone: Results, together: Results, tmp_path: Path) -> None:
    values = together.plans[2].merits.with_mains_db
    assert values is not None
    assert values[0] == values.min()
    before, after = (plan_beside_mains(one.plan(2, 1)) for one in (alone, together))
    assert before is not None
    assert after is not None
    assert after.merit.variation_db <= before.merit.variation_db + 1e-6
    assert after.merit.variation_db == pytest.approx(values[0], abs=0.1)  # by another common delay, as fine as `meet`
    path = tmp_path / "plan.h5"
    write_results(path, together, force=False)
    again = read_results(path)
    assert (again.plans[2].merits.with_mains_db == values).all()
    assert again.further.mains is not None
    assert together.further.mains is not None
    assert (again.further.mains == together.further.mains).all()


def test_a_search_with_mains_needs_mains_and_their_crossover_in_the_band() -> None:
    text = SMALL.replace("[layout]", "with_mains = true\n[layout]")
    with pytest.raises(ProjectInvalid, match="no main loudspeakers"):
        parse_project(text, source="none")
    with pytest.raises(ProjectInvalid, match="must reach a quarter of an octave beyond"):
        parse_project(text + MAINS.replace("= 50", "= 75"), source="band")
