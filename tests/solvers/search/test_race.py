"""The race of starts: who makes way, and who never does."""

import numpy as np
import pytest

from solvers.search.explore import FEWEST, RUNGS, SAME, Life, Race
from solvers.search.state import equal_drives


def _chains(values: list[float], *, age: int = RUNGS[0], grown: bool = False) -> list[Life]:
    start, random = equal_drives(np.array([0, 1])), np.random.default_rng(0)
    return [Life(state=start, random=random, best=value, age=age, grown=grown) for value in values]


@pytest.mark.parametrize("age", RUNGS)
def test_the_better_half_of_those_at_a_rung_goes_on(age: int) -> None:
    values = np.random.default_rng(3).permutation(np.arange(1.0, 11.0)).tolist()
    behind = Race().behind(_chains(values, age=age))
    assert [value for value, late in zip(values, behind, strict=True) if late] == [v for v in values if v > 5.5]


def test_chains_at_the_same_value_all_go_on() -> None:
    """Where every start leads to the same plan nobody is late, or it could never count as found again."""
    values = [2.0] * 6 + [2.0 * (1.0 + 0.9 * SAME)] * 5
    assert not any(Race().behind(_chains(values)))
    assert any(Race().behind(_chains([2.0] * 6 + [2.0 * (1.0 + 2.0 * SAME)] * 5)))


def test_nobody_makes_way_before_enough_were_seen_or_between_rungs() -> None:
    values = np.arange(1.0, FEWEST).tolist()
    race = Race()
    assert not any(race.behind(_chains(values)))
    assert race.behind(_chains([100.0])) == [True]
    assert race.behind(_chains([100.0], age=RUNGS[0] + 6)) == [False]
    assert race.behind(_chains([100.0], age=RUNGS[1])) == [False]


def test_starts_at_random_are_not_held_against_those_grown_from_smaller_plans() -> None:
    race = Race()
    assert not any(race.behind(_chains([1.0] * FEWEST, grown=True)))
    assert race.behind(_chains([3.0], grown=False) + _chains([3.0], grown=True)) == [False, True]
