"""Frequencies that are weighted by the crossover, against weighted means worked out plainly."""

import numpy as np
import pytest

from roommodes.errors import ProjectInvalid
from roommodes.project.bands.search_grid import search_grid_hz
from roommodes.project.project import Project
from roommodes.project.reading import parse_project
from roommodes.responses.frequency_grid import log_grid
from tests.rooms import SMALL

MAINS = "[mains]\npositions_m = [[0.4, 0.9, 1.0], [0.4, 2.3, 1.0]]\nfrequency_hz = 60\n"
ALONE = "[mains]\nfrequency_hz = 60\n"
COURSES = {
    "falling": lambda octave: 8.0 - 3.0 * octave,
    "swinging": lambda octave: 4.0 + 3.0 * np.sin(9.0 * octave),
    "a peak where the mains play": lambda octave: 30.0 / (1.0 + (40.0 * (octave - 1.9)) ** 2),
}


def project_of(mains: str, key: str = "weighted_by_crossover = true\n", points: int = 24) -> Project:
    text = SMALL.replace("points_per_octave = 6", f"points_per_octave = {points}").replace("[25, 80]", "[25, 120]")
    return parse_project(text.replace("[layout]", f"{key}[layout]") + mains, source="")


def share(hz: np.ndarray, *, mains: bool) -> np.ndarray:
    """Linkwitz-Riley of the fourth order in power, 1 / (1 + x^4)^2 and x^8 / (1 + x^4)^2, by its definition."""
    x4 = (hz / 60.0) ** 4
    return np.maximum(1.0 / (1.0 + x4**2) if mains else 1.0 / (1.0 + x4) ** 2, 0.25)


@pytest.mark.parametrize("mains", [MAINS, ALONE])
@pytest.mark.parametrize("points", [3, 12, 24])
def test_a_plain_mean_is_a_weighted_mean(mains: str, points: int) -> None:
    """Within the total variation over the number of frequencies (Koksma's inequality, from memory)."""
    hz = search_grid_hz((project := project_of(mains, points=points)).search, project.mains)
    fine = np.geomspace(25.0, 120.0, 20_001)
    weight = share(fine, mains=mains is MAINS)
    for name, course in COURSES.items():
        value = course(np.log2(fine / 25.0))
        want = np.trapezoid(weight * value) / np.trapezoid(weight)
        got = float(np.mean(course(np.log2(hz / 25.0))))
        assert abs(got - want) <= 1.02 * np.abs(np.diff(value)).sum() / len(hz), name
        even = np.trapezoid(value) / len(fine)
        if points == 24 and name == "falling":  # which an unweighted mean misses
            assert abs(got - want) < 0.1 * abs(even - want)


@pytest.mark.parametrize("points", [3, 12, 24])
def test_nowhere_are_frequencies_further_apart_than_without(points: int) -> None:
    hz = search_grid_hz((project := project_of(MAINS, points=points)).search, project.mains)
    even = log_grid(25.0, 120.0, points)
    assert (hz[0], hz[-1]) == (even[0], even[-1])
    assert np.diff(np.log(hz)).min() > 0.0
    assert np.diff(np.log(hz)).max() <= np.log(even[1] / even[0]) * (1.0 + 1e-9)
    assert len(even) < len(hz) <= 4 * len(even)


def test_without_the_key_the_grid_is_that_of_before_to_the_bit() -> None:
    for mains in ("", MAINS):
        project = project_of(mains, key="")
        np.testing.assert_array_equal(search_grid_hz(project.search, project.mains), log_grid(25.0, 120.0, 24))


def test_a_crossover_far_above_the_band_weights_nothing() -> None:
    project = project_of(MAINS.replace("= 60", "= 200").replace("frequency_hz", "order = 8\nfrequency_hz"))
    hz = search_grid_hz(project.search, project.mains)
    assert len(hz) - len(log_grid(25.0, 120.0, 24)) in {0, 1}
    np.testing.assert_allclose(hz, np.geomspace(25.0, 120.0, len(hz)), rtol=1e-3)


def test_a_weighted_search_needs_a_crossover() -> None:
    with pytest.raises(ProjectInvalid, match=r"search\.weighted_by_crossover: there is no \[mains\]"):
        project_of("")
