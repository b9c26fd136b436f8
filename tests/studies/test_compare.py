"""Comparing strategies: differences, intervals and effects, held against known answers and another implementation."""

import numpy as np
import pytest
from scipy import stats

from roommodes.studies.reading import parse_study
from roommodes.studies.results import FINISHED, StudyResults
from solvers.study.compare import PROPERTIES, Pair, StudyComparison, compare
from tests.conftest import Close
from tests.studies.texts import tiny

ARMS = 'name = "{}"\nsubs = {}\npositions = "free"\n'


def invented(variation: np.ndarray, *, subs: tuple[int, ...], rooms: int, resamples: int = 2000) -> StudyResults:
    """Results with given variation (room, strategy); volume, aspect and decay vary independently."""
    text = tiny(1)
    start, end = text.index("[[strategies]]"), text.index("[search]")
    names = tuple(f"arm {k}" for k in range(len(subs)))
    arms = "".join("[[strategies]]\n" + ARMS.format(name, n) for name, n in zip(names, subs, strict=True))
    text = text[:start] + arms + text[end:].replace("resamples = 200", f"resamples = {resamples}")
    parse_study(text, source="study.toml")
    random = np.random.default_rng(4)
    length, width = random.uniform(4, 8, rooms), random.uniform(3, 6, rooms)
    height = random.uniform(2.2, 3.2, rooms)
    return StudyResults(
        study_toml=text,
        table_text="",
        study_sha256="0" * 64,
        seed=5,
        software_version="test",
        created_utc="",
        frequency_hz=np.array([20.0, 40.0]),
        strategies=names,
        subs=np.array(subs),
        rooms={
            "length_m": length,
            "width_m": width,
            "height_m": height,
            "volume_m3": length * width * height,
            "decay_s": random.uniform(0.3, 2.0, rooms),
            "build": tuple("ab"[k % 2] for k in range(rooms)),
            "seating": ("one",) * rooms,
            "status": (FINISHED,) * rooms,
            "label": ("",) * rooms,
        },
        arrays={"variation_db": variation, "output_db": -variation},
    )


def only(compared: StudyComparison) -> Pair:
    (pair,) = compared.pairs
    return pair


@pytest.fixture
def values() -> np.ndarray:
    return np.random.default_rng(9).gamma(3.0, 0.4, 60)


def test_differences_are_paired_room_by_room(close: Close, values: np.ndarray) -> None:
    """What all strategies of a room share drops out: a common part a hundred times the difference changes nothing."""
    common = np.random.default_rng(2).uniform(0, 100, 60)
    variation = np.column_stack([common + values, common])
    pair = only(compare(invented(variation, subs=(2, 4), rooms=60)))
    close(pair.mean_db.value, values.mean(), rtol=1e-9)
    close(pair.median_db.value, np.median(values), rtol=1e-9)
    close(pair.output_mean_db, -values.mean(), rtol=1e-9)
    close(pair.within_share.value, np.mean(values <= 0.5), rtol=1e-9)


def test_intervals_are_those_of_another_bootstrap(close: Close, values: np.ndarray) -> None:
    variation = np.column_stack([values, np.zeros(60)])
    pair = only(compare(invented(variation, subs=(2, 4), rooms=60, resamples=20_000)))
    # a median of 60 rooms takes few values, so its percentiles jump
    for interval, statistic, near in ((pair.mean_db, np.mean, 0.05), (pair.median_db, np.median, 0.15)):
        other = stats.bootstrap(
            (values,), statistic, n_resamples=20_000, method="percentile", rng=np.random.default_rng(1)
        ).confidence_interval
        spread = other.high - other.low
        assert abs(interval.low - other.low) < near * spread
        assert abs(interval.high - other.high) < near * spread
    sigma = values.std() / np.sqrt(60)  # the normal law
    close(pair.mean_db.high - pair.mean_db.low, 2 * 1.96 * sigma, rtol=0.06)


def test_intervals_cover_as_often_as_they_say() -> None:
    """95 % intervals of the mean of 40 rooms miss the true mean in about one of twenty families."""
    random = np.random.default_rng(3)
    missed = 0
    for _ in range(150):
        drawn = random.normal(1.0, 0.7, 40)
        pair = only(compare(invented(np.column_stack([drawn, 0 * drawn]), subs=(2, 4), rooms=40, resamples=400)))
        missed += not pair.mean_db.low <= 1.0 <= pair.mean_db.high
    assert 2 <= missed <= 18  # binomial, 150 times 0.05 to 0.06: outside in under 1 % of seeds


def test_the_cheaper_comes_first_and_the_same_results_give_the_same_figures(values: np.ndarray) -> None:
    variation = np.column_stack([np.zeros(60), values, values + 1])
    results = invented(variation, subs=(4, 2, 1), rooms=60)
    compared = compare(results)
    assert [(pair.cheaper, pair.dearer) for pair in compared.pairs] == [(2, 1), (2, 0), (1, 0)]
    again = compare(results)
    assert [pair.mean_db for pair in again.pairs] == [pair.mean_db for pair in compared.pairs]


def test_rooms_without_a_layout_are_left_out_of_their_pairs(values: np.ndarray) -> None:
    variation = np.column_stack([values, np.zeros(60)])
    variation[7:, 1] = np.nan
    pair = only(compare(invented(variation, subs=(2, 4), rooms=60)))
    assert pair.rooms == 7
    assert np.isnan(pair.difference_db[7:]).all()
    variation[:, 1] = np.nan
    assert compare(invented(variation, subs=(2, 4), rooms=60)).pairs == ()


def test_a_slope_is_found_where_there_is_one_and_only_there(close: Close) -> None:
    """0.8 dB more for each doubling of the volume, and nothing else but chance."""
    results = invented(np.zeros((80, 2)), subs=(2, 4), rooms=80)
    noise = np.random.default_rng(8).normal(0.0, 0.05, 80)
    results.arrays["variation_db"][:, 0] = 3.0 + 0.8 * np.log2(results.rooms["volume_m3"]) + noise
    compared = compare(results)
    slopes = {slope.property: slope.per_doubling_db for slope in compared.slopes}
    assert list(slopes) == list(PROPERTIES)
    close(slopes["volume [m3]"].value, 0.8, rtol=0.05)
    assert slopes["volume [m3]"].low < 0.8 < slopes["volume [m3]"].high
    for name in PROPERTIES[1:]:
        assert abs(slopes[name].value) < 0.06
    thirds = [effect.mean_db.value for effect in compared.effects if effect.property == "volume [m3]"]
    assert thirds == sorted(thirds)
    assert thirds[2] - thirds[0] > 0.5
    assert sum(effect.rooms for effect in compared.effects if effect.property == "volume [m3]") == 80
    assert [effect.rooms_with for effect in compared.effects if effect.property == "build"] == ["a", "b"]


def test_few_rooms_are_not_parted(values: np.ndarray) -> None:
    results = invented(np.column_stack([values[:8], np.zeros(8)]), subs=(2, 4), rooms=8)
    compared = compare(results)
    assert not compared.slopes
    assert {effect.property for effect in compared.effects} == {"build"}
