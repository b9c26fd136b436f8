"""Wishes written in a project file hold in every plan, and in every plan on the front."""

import numpy as np
import pytest

from roommodes.errors import ProjectInvalid
from roommodes.project.reading import parse_project
from roommodes.running import Running
from solvers.plans.solve import solve

TEXT = """
format = 1
name = "wishes"
[room]
length_m = 5.0
width_m = 4.0
height_m = 2.5
loss_factor = 0.1
[[rows]]
name = "row"
x_m = 3.2
y_m = [1.4, 2.0, 2.6]
ear_height_m = 1.1
[[zones]]
name = "corner"
from_m = [0.3, 0.3, 0.3]
to_m = [0.3, 0.3, 0.3]
fixed = true
[[zones]]
name = "front"
from_m = [0.3, 0.3, 0.3]
to_m = [0.3, 3.7, 0.3]
spacing_m = 0.5
at_most = 1
[[zones]]
name = "side"
from_m = [0.8, 3.7, 0.3]
to_m = [4.6, 3.7, 0.3]
spacing_m = 0.4
[search]
counts = [3]
band_hz = [25, 80]
points_per_octave = 6
least_distance_m = 1.1
seat_distance_m = 1.45
delay_step_samples = 96
sample_rate_hz = 48000
"""


def test_every_plan_keeps_the_wishes() -> None:
    project = parse_project(TEXT, source="wishes.toml")
    results = solve(project, running=Running(threads=1))
    position, zones = results.candidates.position_m, results.candidates.zone
    gap = np.linalg.norm(position[:, None] - results.seats.position_m[None], axis=2)
    assert gap.min() >= 1.45
    assert sum(outcome.near_seat for outcome in project.zone_yields()) > 0
    assert len(results.plans[3].candidate_index) > 1
    assert len(results.choices.fronts[3].candidate_index) > 0
    for table in (results.plans[3], results.choices.fronts[3]):
        for layout, delays in zip(table.candidate_index, table.delay_s, strict=True):
            names = [zones[c] for c in layout]
            assert "corner" in names
            assert names.count("front") <= 1
            apart = np.linalg.norm(position[layout][:, None] - position[layout][None], axis=2)
            assert apart[np.triu_indices(3, 1)].min() >= 1.1
            steps = delays / (96 / 48000)
            assert np.abs(steps - np.round(steps)).max() < 1e-9


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        (
            "to_m = [0.3, 0.3, 0.3]",
            "to_m = [0.3, 0.9, 0.3]",
            'zone "corner" has 3 positions; a subwoofer can be fixed only',
        ),
        ("counts = [3]", "counts = [0]", "got 0 subwoofers; allowed: 1 to 8"),
        ("seat_distance_m = 1.45", "seat_distance_m = 9", "too near to a seat"),
    ],
)
def test_wishes_that_cannot_be(old: str, new: str, words: str) -> None:
    with pytest.raises(ProjectInvalid) as caught:
        parse_project(TEXT.replace(old, new), source="wishes.toml")
    assert words in str(caught.value)


def test_more_fixed_zones_than_subs() -> None:
    second = TEXT.replace(
        '[[zones]]\nname = "side"',
        '[[zones]]\nname = "other"\nfrom_m = [4.6, 0.3, 0.3]\n'
        'to_m = [4.6, 0.3, 0.3]\nfixed = true\n[[zones]]\nname = "side"',
    )
    with pytest.raises(ProjectInvalid, match="2 zones are fixed, so every layout has at least 2 subwoofers"):
        parse_project(second.replace("counts = [3]", "counts = [1, 3]"), source="wishes.toml")
