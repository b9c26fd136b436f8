"""A small study whose strategies are tuned for an objective of somebody's own."""

import numpy as np
import pytest

import roommodes as rm
from roommodes.acoustics.transfer import transfer_function
from roommodes.arrays import Floats
from roommodes.errors import ProjectInvalid
from roommodes.project.project import Project
from roommodes.responses.metrics import drive_weights, level_db, seat_pressure
from roommodes.studies.results import StudyResults

from .texts import tiny

PAIRS = '[[strategies]]\nname = "pairs"\nsubs = 2\npositions = "front-and-rear pairs"\n'
GIVEN, TUNED = (0, 1), (2, 3)  # by number of the strategy


def spread(level: Floats) -> Floats:
    """Loudest less quietest seat, its mean over the frequencies."""
    return np.asarray((level.max(axis=2) - level.min(axis=2)).mean(axis=1))


def even(level: Floats) -> Floats:
    """The seat-to-seat variation, written once more."""
    return np.asarray(np.sqrt((level.std(axis=2) ** 2).mean(axis=1)))


@pytest.fixture(scope="module")
def study() -> rm.Study:
    return rm.study_from(tiny(1, searched=True).replace("[search]", PAIRS + "[search]"))


@pytest.fixture(scope="module")
def plain(study: rm.Study) -> StudyResults:
    return study.here()


def asked_again(results: StudyResults, room: Project, strategy: int) -> float:
    """The spread of a strategy's layout, from the model asked for its settings."""
    settings = {name: results.arrays[name][0, strategy] for name in ("position_m", "gain_db", "delay_s", "polarity")}
    there = np.isfinite(settings["gain_db"])
    hz = np.geomspace(25.0, 80.0, 169)  # on which strategies are judged
    transfer = transfer_function(
        room.room,
        room.surfaces(),
        frequency_hz=hz,
        seat_m=room.seats.position_m,
        source_m=settings["position_m"][there],
    )
    drives = {name: settings[name][there] for name in ("gain_db", "delay_s", "polarity")}
    return float(spread(level_db(seat_pressure(transfer, drive_weights(hz, **drives)))[None])[0])


def test_an_objective_is_what_tuned_strategies_are_best_at(study: rm.Study, plain: StudyResults) -> None:
    results, (room,) = study.here(objective=spread), study.rooms()
    assert plain.objective is None
    assert results.objective is not None
    for strategy, name in enumerate(results.strategies):
        value = asked_again(results, room, strategy)
        assert results.objective[0, strategy] == pytest.approx(value, rel=1e-6), name
        other = asked_again(plain, room, strategy)
        assert value <= 1.002 * other, name
    assert any(asked_again(plain, room, k) > results.objective[0, k] + 0.02 for k in TUNED)
    for name, values in results.arrays.items():
        assert np.array_equal(values[:, GIVEN], plain.arrays[name][:, GIVEN], equal_nan=True), name
    assert results.to_xarray()["objective"].shape == (1, 4)


def test_the_variation_as_an_objective_gives_what_the_search_for_it_gives(study: rm.Study, plain: StudyResults) -> None:
    results = study.here(objective=even)
    assert results.objective is not None
    own, usual = results.arrays["variation_db"], plain.arrays["variation_db"]
    assert results.objective == pytest.approx(own)
    assert own == pytest.approx(usual, abs=0.05)


def test_an_objective_that_gives_no_number_for_each_plan_is_refused(study: rm.Study) -> None:
    with pytest.raises(ProjectInvalid, match="one number for each plan"):
        study.here(objective=lambda level: np.float64(3.0))
