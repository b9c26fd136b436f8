"""Intervals over rooms: known answers, another implementation, and whether they cover as often as they say."""

import numpy as np
import pytest
from scipy import stats

from roommodes.studies.design import _points  # the designs that studies are drawn by
from roommodes.studies.reading import parse_study
from solvers.study.intervals import mean_interval, median_interval, share_interval
from tests.conftest import Close
from tests.studies.texts import tiny

FAMILIES = 2000


def covered(missed: int, families: int = FAMILIES) -> tuple[float, float]:
    """Coverage, and its standard deviation."""
    share = 1.0 - missed / families
    return share, np.sqrt(max(share * (1.0 - share), 1e-9) / families)


@pytest.mark.parametrize("count", [2, 5, 40])
def test_the_interval_of_a_mean_is_students(close: Close, count: int) -> None:
    values = np.random.default_rng(count).normal(1.0, 0.7, count)
    interval = mean_interval(values, 0.95)
    expected = stats.ttest_1samp(values, 0.0).confidence_interval(0.95)
    close(interval.low, expected.low, rtol=1e-10)
    close(interval.high, expected.high, rtol=1e-10)


@pytest.mark.parametrize("count", [3, 4, 5, 12])
def test_means_of_few_rooms_are_covered_as_often_as_is_said(count: int) -> None:
    """Normal differences, where t is exact; percentile bootstrap covered 64 to 84 % of these with 3 to 5 rooms."""
    random = np.random.default_rng(3)
    missed = 0
    for _ in range(FAMILIES):
        interval = mean_interval(random.normal(1.0, 0.7, count), 0.95)
        missed += not interval.low <= 1.0 <= interval.high
    share, deviation = covered(missed)
    assert abs(share - 0.95) < 4.0 * deviation


@pytest.mark.parametrize(("count", "least"), [(4, 0.91), (12, 0.92), (40, 0.93)])
def test_means_of_skewed_differences_are_covered_nearly_so(count: int, least: float) -> None:
    """Gamma of shape 3, as skewed as variations over rooms are: what the guide says of it."""
    random = np.random.default_rng(4)
    missed = 0
    for _ in range(FAMILIES):
        interval = mean_interval(random.gamma(3.0, 0.4, count), 0.95)
        missed += not interval.low <= 1.2 <= interval.high
    assert least < covered(missed)[0] < 0.96


@pytest.mark.parametrize("count", [6, 9, 30])
def test_medians_are_covered_at_least_as_often_as_is_said(count: int) -> None:
    random = np.random.default_rng(5)
    true = stats.gamma(3.0, scale=0.4).median()
    missed = 0
    for _ in range(FAMILIES // 4):
        interval = median_interval(random.gamma(3.0, 0.4, count), 0.95)
        missed += not interval.low <= true <= interval.high
    share, deviation = covered(missed, FAMILIES // 4)
    assert share > 0.95 - 3.0 * deviation


def test_what_few_rooms_cannot_say_has_no_interval() -> None:
    """Smallest to largest of five values holds the median in 94 % of families; one value says nothing."""
    assert not median_interval(np.arange(5.0), 0.95).known
    assert median_interval(np.arange(5.0), 0.9).known
    assert median_interval(np.arange(6.0), 0.95).parts == (2.5, 0.0, 5.0)
    for interval in (mean_interval(np.ones(1), 0.95), median_interval(np.ones(1), 0.95)):
        assert interval.value == 1.0
        assert not interval.known
    assert not share_interval(np.array([True]), 0.95).known


@pytest.mark.parametrize(
    ("hits", "rooms", "low", "high"),
    # R. G. Newcombe, Statistics in Medicine 17, 1998, table I, score method (from memory)
    [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0.0, 0.1611), (1, 29, 0.0061, 0.1718)],
)
def test_shares_have_wilsons_interval(hits: int, rooms: int, low: float, high: float) -> None:
    interval = share_interval(np.arange(rooms) < hits, 0.95)
    assert interval.low == pytest.approx(low, abs=5e-5)
    assert interval.high == pytest.approx(high, abs=5e-5)


@pytest.mark.parametrize("design", ["sobol", "latin hypercube"])
def test_a_replicated_design_knows_how_far_its_mean_can_be_trusted(design: str) -> None:
    """A smooth difference over a family of four dimensions, 64 rooms in 8 designs.

    As one of independent rooms the interval would be far too wide: it would hardly ever miss.
    """
    text = tiny(64).replace("count = 64", "count = 64\nreplicates = 8").replace('"sobol"', f'"{design}"')
    families, missed, missed_as_chance, narrower = 300, 0, 0, []
    for seed in range(families):
        study = parse_study(text.replace("seed = 5", f"seed = {seed}"), source="study.toml")
        points, replicate = _points(study, 64, 4)
        values = points[:, 0] + points[:, 1] ** 2 + np.sin(3 * points[:, 2]) + 0.5 * points[:, 0] * points[:, 3]
        true = 1 / 2 + 1 / 3 + (1 - np.cos(3)) / 3 + 1 / 8
        own = mean_interval(values, 0.95, np.array(replicate))
        chance = mean_interval(values, 0.95)
        missed += not own.low <= true <= own.high
        missed_as_chance += not chance.low <= true <= chance.high
        narrower.append((chance.high - chance.low) / (own.high - own.low))
    share, deviation = covered(missed, families)
    assert abs(share - 0.95) < 3.0 * deviation + 0.01
    assert missed_as_chance <= 1
    assert np.median(narrower) > 1.5


def test_replicates_are_designs_of_the_same_family_that_grow_without_moving() -> None:
    def points(count: int) -> tuple[np.ndarray, list[int]]:
        text = tiny(count).replace(f"count = {count}", f"count = {count}\nreplicates = 4")
        return _points(parse_study(text, source="study.toml"), count, 3)

    few, many = points(16), points(32)
    assert np.array_equal(few[0], many[0][:16])
    assert few[1] == [1, 2, 3, 4] * 4
    for number in (1, 2, 3, 4):  # eight points of a Sobol sequence: one in each eighth of every axis
        own = many[0][np.array(many[1]) == number]
        assert np.all(np.sort(np.floor(own * 8), axis=0) == np.arange(8)[:, None])
    assert len(np.unique(many[0], axis=0)) == 32
