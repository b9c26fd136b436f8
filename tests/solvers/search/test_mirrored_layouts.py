"""Mirrored layouts in whole steps, end to end, against trying every one of them."""

from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest

from roommodes.errors import ProjectInvalid
from roommodes.project.project import Project
from roommodes.project.reading import parse_project
from roommodes.responses.metrics import level_db, variation_db
from roommodes.running import Running
from solvers.plans.basis import build_problem
from solvers.plans.solve import solve
from solvers.search.search import search

TEXT = """\
format = 1
name = "alike"
[room]
length_m = 5.0
width_m = 4.17
height_m = 2.5
loss_factor = 0.05
[walls]
left = "plasterboard on studs"
[[rows]]
name = "row"
x_m = 3.1
y_m = [1.2, 2.1, 2.8]
ear_height_m = 1.1
[[zones]]
name = "front"
from_m = [0.3, 0.3, 0.0]
to_m = [0.3, 3.87, 0.0]
spacing_m = 0.6
stands = "floor"
[[zones]]
name = "rear"
from_m = [4.7, 0.3, 0.0]
to_m = [4.7, LAST, 0.0]
spacing_m = 0.8
stands = "floor"
[subwoofer]
cabinet_m = [0.4, 0.43, 0.42]
[search]
counts = [2, 3]
band_hz = [25, 80]
points_per_octave = 6
delay_ms = [0, 0]
gain_db = [0, 0]
polarity = false
mirror = true
round_m = 0.1
"""


@pytest.fixture(scope="module")
def project() -> Project:
    return parse_project(TEXT.replace("LAST", "3.87"), source="alike.toml")


def test_the_best_of_every_mirrored_layout_is_found(project: Project) -> None:
    """With one setting for all, each layout has one variation: all of them are tried here by hand."""
    problem, position = build_problem(project), project.candidates.position_m
    units = []
    for one, (x, y, z) in enumerate(position):
        image = [k for k, at in enumerate(position) if np.allclose(at, (x, 4.17 - y, z), atol=1e-9)]
        units += [(one, k) if k != one else (one,) for k in image if k >= one]
    for count in (2, 3):
        tried = {}
        for n in range(1, count + 1):
            for chosen in combinations(units, n):
                layout = tuple(sorted(c for unit in chosen for c in unit))
                apart = all(np.abs(position[a] - position[b]).max() > 0.4 - 1e-9 for a, b in combinations(layout, 2))
                if len(layout) == count and apart:
                    tried[layout] = variation_db(
                        level_db(problem.transfer[:, :, list(layout)].sum(axis=2)), problem.seat_weight
                    )
        (outcome,) = search(problem, counts=[count], seed=1, running=Running(threads=1))
        assert outcome.layouts_possible == len(tried) > 5
        best = min(tried, key=lambda layout: tried[layout])
        assert tuple(outcome.plans[0].candidate_index.tolist()) == best
        assert outcome.plans[0].variation_db == pytest.approx(tried[best], abs=1e-6)


def test_zones_that_span_the_middle_have_a_place_on_it(project: Project) -> None:
    position = project.candidates.position_m
    on = position[np.abs(position[:, 1] - 2.085) < 1e-9]
    assert sorted(on[:, 0]) == [0.3, 4.7]
    assert sum(project.candidates.mirror_of == np.arange(len(position))) == 2


def test_plans_are_mirror_images_in_whole_steps(project: Project) -> None:
    free = replace(project.with_(search={"polarity": True, "delay_ms": [0, 12], "gain_db": [-8, 0]}))
    results = solve(free, running=Running(threads=1))
    for count in (2, 3):
        for rank in range(1, 1 + min(3, len(results.plans[count]))):
            plan = results.plan(count, rank)
            places = {tuple(round(1e6 * value) for value in at) for at in plan.positions_m.tolist()}
            assert {(x, 4170000 - y, z) for x, y, z in places} == places
            assert {z for _, _, z in places} == {210000}
            middle = [y for _, y, _ in places if 2 * y == 4170000]
            assert len(middle) % 2 == count % 2
            for _, y, _ in places:
                if 2 * y != 4170000:
                    assert (min(y, 4170000 - y) - 215000) % 100000 == 0  # its side, from the nearer wall
            for a, at in enumerate(plan.positions_m):
                for b, other in enumerate(plan.positions_m):
                    if np.allclose(at * [1, -1, 1] + [0, 4.17, 0], other, atol=1e-9):
                        assert plan.drives.gain_db[a] == plan.drives.gain_db[b]
                        assert plan.drives.delay_s[a] == plan.drives.delay_s[b]


def test_without_a_mirror_the_search_is_refused_in_one_sentence() -> None:
    one_side = TEXT.replace("LAST", "1.9").replace("[0.3, 3.87, 0.0]", "[0.3, 1.9, 0.0]")
    with pytest.raises(ProjectInvalid) as caught:
        solve(parse_project(one_side, source="alike.toml"), running=Running(threads=1))
    (fault,) = caught.value.faults
    assert fault.where == "search.mirror"
    assert fault.message.startswith("none of the 7 candidates has its mirror image about y = 2.085 m")
