"""Comparing strategies: differences and effects against known answers; see also `test_intervals`, `test_regression`."""

from dataclasses import replace

import numpy as np
import pytest

from cli.words.study import sample_lines
from roommodes.errors import ProjectInvalid
from roommodes.storage.stamp import Made
from roommodes.studies.reading import parse_study
from roommodes.studies.results import FINISHED, KnownOfRooms, StudyResults
from solvers.study.compare import Pair, StudyComparison, compare
from solvers.study.intervals import mean_interval
from tests.conftest import Close
from tests.studies.texts import tiny

ARMS = 'name = "{}"\nsubs = {}\npositions = "free"\n'


def invented(variation: np.ndarray, *, subs: tuple[int, ...], rooms: int, more: str = "") -> StudyResults:
    """Results with given variation (room, strategy); volume, aspect and decay vary independently."""
    text = tiny(1)
    start, end = text.index("[[strategies]]"), text.index("[search]")
    names = tuple(f"arm {k}" for k in range(len(subs)))
    arms = "".join("[[strategies]]\n" + ARMS.format(name, n) for name, n in zip(names, subs, strict=True))
    text = text[:start] + arms + text[end:] + more
    parse_study(text, source="study.toml")
    random = np.random.default_rng(4)
    length, width = random.uniform(4, 8, rooms), random.uniform(3, 6, rooms)
    height = random.uniform(2.2, 3.2, rooms)
    return StudyResults(
        study_toml=text,
        table_text="",
        study_sha256="0" * 64,
        made=Made(seed=5, software_version="test", created_utc=""),
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
        known=KnownOfRooms(
            properties={"loss_factor": random.uniform(0.005, 0.04, rooms), "glass_m2": random.uniform(0, 6, rooms)},
            units={"loss_factor": "1", "glass_m2": "m2"},
        ),
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


def test_the_margin_is_told_for_both_sides(close: Close, values: np.ndarray) -> None:
    """As well: at most half a decibel less even. Alike: within half a decibel, whichever is better."""
    values = values - 1.0
    pair = only(compare(invented(np.column_stack([values, np.zeros(60)]), subs=(2, 4), rooms=60)))
    close(pair.within_share.value, np.mean(values <= 0.5), rtol=1e-9)
    close(pair.alike_share.value, np.mean(np.abs(values) <= 0.5), rtol=1e-9)
    assert pair.alike_share.value < pair.within_share.value
    assert pair.within_share.low < pair.within_share.value < pair.within_share.high


def test_one_room_has_figures_and_no_interval() -> None:
    compared = compare(invented(np.array([[2.0, 1.0]]), subs=(2, 4), rooms=1))
    pair = only(compared)
    assert pair.mean_db.value == pair.median_db.value == 1.0
    assert pair.within_share.value == 0.0
    assert not any(one.known for one in (pair.mean_db, pair.median_db, pair.within_share, pair.alike_share))
    assert pair.explanation is None
    study = parse_study(tiny(1), source="study")
    assert sample_lines(study, compared) == []  # of intervals that are not there
    more = compare(invented(np.array([[2.0, 1.0], [2.5, 1.2], [2.2, 1.4]]), subs=(2, 4), rooms=3))
    assert "one sobol design" in sample_lines(study, more)[0]


def test_designs_that_were_replicated_give_the_interval_of_their_means(values: np.ndarray) -> None:
    results = invented(np.column_stack([values, np.zeros(60)]), subs=(2, 4), rooms=60)
    replicate = 1 + np.arange(60) % 6
    compared = compare(replace(results, rooms={**results.rooms, "replicate": replicate}))
    assert compared.replicates == 6
    assert only(compared).mean_db == mean_interval(values, 0.95, replicate)
    assert only(compared).mean_db != mean_interval(values, 0.95)
    build = next(effect for effect in compared.effects if effect.property == "build")  # every second room
    assert build.mean_db == mean_interval(values[::2], 0.95)  # half of the designs have none in it


def test_only_the_pairs_that_were_chosen_are_compared(values: np.ndarray) -> None:
    variation = np.column_stack([np.zeros(60), values, values + 1])
    more = 'pairs = [["arm 0", "arm 1"], ["arm 2", "arm 0"]]\n'
    compared = compare(invented(variation, subs=(4, 2, 1), rooms=60, more=more))
    assert compared.chosen
    assert [(pair.cheaper, pair.dearer) for pair in compared.pairs] == [(1, 0), (2, 0)]
    assert compared.together_confidence == pytest.approx(0.975)
    assert compare(invented(variation, subs=(4, 2, 1), rooms=60)).together_confidence == pytest.approx(1 - 0.05 / 3)


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ('pairs = [["arm 0", "arm 3"]]', 'compare.pairs[0]: there is no strategy "arm 3". Did you mean arm'),
        ('pairs = [["arm 0", "arm 0"]]', "allowed: the names of two strategies"),
        ('pairs = [["arm 0"]]', "allowed: the names of two strategies"),
        ('pairs = [["arm 0", "arm 1"], ["arm 1", "arm 0"]]', "compare.pairs[1]: this pair is named twice"),
        ('covariates = ["volume_m3", "weather"]', 'compare.covariates[1]: the rooms have no "weather". Allowed: build'),
    ],
)
def test_what_cannot_be_compared_is_named(more: str, said: str) -> None:
    with pytest.raises(ProjectInvalid) as caught:
        invented(np.zeros((1, 2)), subs=(2, 4), rooms=1, more=more)
    assert any(said in line for line in caught.value.lines()), caught.value.lines()


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


def test_a_trend_is_found_where_there_is_one_and_only_there(close: Close) -> None:
    """0.8 dB more for each doubling of the volume, a decibel for a build, and nothing else but chance."""
    results = invented(np.zeros((80, 2)), subs=(2, 4), rooms=80)
    noise = np.random.default_rng(8).normal(0.0, 0.05, 80)
    glazed = np.array(results.rooms["build"]) == "b"
    results.arrays["variation_db"][:, 0] = 3.0 + 0.8 * np.log2(results.rooms["volume_m3"]) + glazed + noise
    compared = compare(results)
    explanation = only(compared).explanation
    assert explanation is not None
    terms = {(term.property, term.step): term.change_db for term in explanation.terms}
    assert list(terms) == [
        ("build", "b against a"),
        ("volume [m3]", "per doubling"),
        ("length over width", "per doubling"),
        ("height [m]", "per doubling"),
        ("loss factor", "per doubling"),
    ]  # neither decay nor glass, which the build makes
    close(terms["volume [m3]", "per doubling"].value, 0.8, rtol=0.06)
    close(terms["build", "b against a"].value, 1.0, rtol=0.05)
    assert explanation.r_squared > 0.98
    assert all(abs(term.value) < 0.1 for term in list(terms.values())[2:])
    thirds = [effect.mean_db.value for effect in compared.effects if effect.property == "volume [m3]"]
    assert thirds == sorted(thirds)
    assert thirds[2] - thirds[0] > 0.4
    assert sum(effect.rooms for effect in compared.effects if effect.property == "volume [m3]") == 80
    assert [effect.rooms_with for effect in compared.effects if effect.property == "build"] == ["a", "b"]
    assert not {"decay time [s]", "glass [m2]"} & {effect.property for effect in compared.effects}


def test_with_one_build_decay_and_glass_part_the_rooms_and_explain_when_asked() -> None:
    results = invented(np.zeros((80, 2)), subs=(2, 4), rooms=80, more='covariates = ["glass_m2", "decay_s"]\n')
    results.arrays["variation_db"][:, 0] = 0.3 * results.known.properties["glass_m2"]
    compared = compare(replace(results, rooms={**results.rooms, "build": ("a",) * 80}))
    assert {"decay time [s]", "glass [m2]"} <= {effect.property for effect in compared.effects}
    explanation = only(compared).explanation
    assert explanation is not None
    assert [(term.property, term.step) for term in explanation.terms] == [
        ("glass [m2]", "per doubling"),
        ("decay time [s]", "per doubling"),
    ]


def test_few_rooms_are_not_parted(values: np.ndarray) -> None:
    results = invented(np.column_stack([values[:8], np.zeros(8)]), subs=(2, 4), rooms=8)
    compared = compare(results)
    assert only(compared).explanation is None
    assert {effect.property for effect in compared.effects} == {"build"}
