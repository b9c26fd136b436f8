"""The front of subs that stand already: against every setting of a grid, no plan of it is missed."""

import numpy as np
import pytest

from roommodes.project.reading import parse_project
from roommodes.responses.metrics import level_db
from solvers.choice.front import front_of, plans_met
from solvers.choice.front_filled import STANDING
from solvers.plans.basis import build_problem
from solvers.search.polish import value_and_slope
from solvers.search.problem import DriveRange, FoundPlan, Problem
from solvers.search.search import search
from tests.solvers.choice.choosing import TEXT

DRIVES = DriveRange(delay_s=(0.0, 0.012), gain_db=(-8.0, 0.0))


@pytest.fixture(scope="module")
def standing() -> Problem:
    """Two subs that stand already."""
    whole = build_problem(parse_project(TEXT, source="choosing.toml"))
    return Problem(
        frequency_hz=whole.frequency_hz,
        transfer=whole.transfer[:, :, [0, whole.transfer.shape[2] - 1]],
        seat_weight=whole.seat_weight,
        drives=DRIVES,
    )


def every_setting(problem: Problem) -> tuple[np.ndarray, np.ndarray]:
    """Variation and output of both subs at every step of 0.2 ms and 0.5 dB: (n,) each, worked out here."""
    weight = problem.seat_weight / problem.seat_weight.sum()
    gain = np.arange(-8.0, 8.01, 0.5)
    delay = np.arange(-0.012, 0.01201, 0.0002)
    found, other = [], problem.transfer[None, :, :, 1]
    for sign in (1.0, -1.0):
        turn = sign * np.exp(-2j * np.pi * np.outer(delay, problem.frequency_hz))
        for db in gain:
            first, second = 10 ** (min(0.0, -db) / 20), 10 ** (min(0.0, db) / 20)
            pressure = first * problem.transfer[None, :, :, 0] + second * turn[:, :, None] * other
            level = level_db(pressure)
            mean = level @ weight
            variation = np.sqrt((((level - mean[..., None]) ** 2) @ weight).mean(axis=1))
            found.append(np.stack([variation, mean.mean(axis=1) - 20 * np.log10(2.0)]))
    return tuple(np.concatenate(found, axis=1))


def most_even(plans: tuple[FoundPlan, ...], output: float) -> float:
    """Variation of the most even plan that is at least so loud."""
    return min(plan.variation_db for plan in plans if plan.output_db >= output - 0.21)  # thinned out by 0.2 dB


def test_a_filled_front_misses_no_setting_of_a_grid(standing: Problem) -> None:
    outcomes = search(standing, counts=(2,), seed=4)
    front = front_of(plans_met(standing, outcomes, seed=4, filling=STANDING)[2])
    variation, output = every_setting(standing)
    for asked in np.linspace(front[0].output_db, front[-1].output_db, 12)[1:-1]:
        assert most_even(front, asked) <= variation[output >= asked].min() + 0.03, asked
    assert front[-1].output_db >= output.max() - 0.05
    assert front[0].variation_db <= variation.min() + 0.02


def test_what_is_minimised_has_the_slope_that_is_given(standing: Problem) -> None:
    random = np.random.default_rng(0)
    weight = standing.seat_weight / standing.seat_weight.sum()
    x = np.concatenate([random.uniform(-6.0, -1.0, 2), random.uniform(1.0, 9.0, 2)])

    def value(at: np.ndarray) -> float:
        return value_and_slope(
            standing.transfer, standing.frequency_hz, weight, np.array([1.0, -1.0]), at, reward=0.3, least_db=9.0
        )[0]

    slope = value_and_slope(
        standing.transfer, standing.frequency_hz, weight, np.array([1.0, -1.0]), x, reward=0.3, least_db=9.0
    )[1]
    step = 1e-5 * np.eye(4)
    numeric = [(value(x + one) - value(x - one)) / 2e-5 for one in step]
    np.testing.assert_allclose(slope, numeric, rtol=1e-5)
