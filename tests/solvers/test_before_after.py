"""Usual layouts and the comparison with them, against the model asked directly and against known facts."""

from dataclasses import replace

import numpy as np
import pytest

from roommodes.metrics import drive_weights, level_db, seat_pressure, variation_db
from roommodes.project_file import parse_project
from roommodes.transfer import transfer_function
from solvers.before_after import before_after, listening_plane, recommended_count
from solvers.job import results_from
from solvers.problem import Outcome, Plan, Problem, Stop
from solvers.usual_layouts import USUAL, usual_layouts

TEXT = """\
format = 1
name = "small"
[room]
length_m = 4.0
width_m = 3.2
height_m = 2.4
loss_factor = 0.03
[[rows]]
name = "front"
x_m = 2.2
y_m = [1.0, 2.5]
ear_height_m = 1.1
[[zones]]
name = "front"
from_m = [0.3, 0.5, 0.3]
to_m = [0.3, 2.5, 0.3]
spacing_m = 1.0
[subwoofer]
cabinet_m = [0.4, 0.3, 0.5]
[search]
counts = [2]
band_hz = [25, 80]
points_per_octave = 4
"""


def solved(text: str = TEXT):
    """Project and results with one plan that was not searched for."""
    project = parse_project(text, source="t")
    hz = np.geomspace(25, 80, 8)
    transfer = transfer_function(
        project.room(),
        project.surfaces(),
        frequency_hz=hz,
        seat_m=project.seats().position_m,
        source_m=project.candidates().position_m,
    )
    plan = Plan(
        candidate_index=np.array([0, 2]),
        gain_db=np.array([0.0, -3.0]),
        delay_s=np.array([0.0, 0.004]),
        polarity=np.array([1, -1]),
        variation_db=2.0,
        output_db=0.0,
        level_db=np.zeros((8, 2)),
    )
    outcome = Outcome(
        count=2,
        plans=(plan,),
        layouts_searched=1,
        layouts_possible=3,
        seconds=0.0,
        exhaustive=False,
        stop=Stop.INTERRUPTED,
    )
    problem = Problem(frequency_hz=hz, transfer=transfer, seat_weight=project.seats().weight)
    return project, results_from(project, problem, (outcome,))


def compare(project, results):
    table = results.plans[2]
    return before_after(
        project,
        results,
        positions_m=results.candidates.position_m[table.candidate_index[0]],
        gain_db=table.gain_db[0].tolist(),
        delay_s=table.delay_s[0].tolist(),
        polarity=table.polarity[0].tolist(),
    )


def test_usual_layouts_stand_against_the_walls() -> None:
    project = parse_project(TEXT, source="t")
    seats = project.seats().position_m.tolist()
    corners = next(one for one in usual_layouts(project, 4, seats) if "corners" in one.name)
    np.testing.assert_allclose(
        corners.positions_m, ((0.2, 0.15, 0.25), (0.2, 3.05, 0.25), (3.8, 0.15, 0.25), (3.8, 3.05, 0.25))
    )
    middles = next(one for one in usual_layouts(project, 4, seats) if "middles" in one.name)
    np.testing.assert_allclose(
        middles.positions_m, ((0.2, 1.6, 0.25), (3.8, 1.6, 0.25), (2.0, 0.2, 0.25), (2.0, 3.0, 0.25))
    )
    assert all(len(chosen) == len(set(chosen)) for _, chosen in USUAL)
    assert {len(chosen) for _, chosen in USUAL} == set(range(1, 9))


def test_four_corners_drive_no_odd_mode() -> None:
    """Exact in a rigid room: from four corners the modes 100, 010 and 110 are not driven, from one they are."""
    project = parse_project(TEXT, source="t")
    length, width, _ = project.room().size_m
    layouts = {
        len(one.positions_m): one for one in usual_layouts(project, 4, [[2.0, 1.6, 1.1]]) if "corners" in one.name
    }
    x, y = np.array(layouts[4].positions_m)[:, :2].T
    for n, m in ((1, 0), (0, 1), (1, 1)):
        driven = np.cos(n * np.pi * x / length) * np.cos(m * np.pi * y / width)
        assert abs(driven.sum()) < 1e-12
        assert abs(driven[0]) > 0.9


def test_levels_are_the_models_own(close) -> None:
    """Every usual layout and the map, against one plain call of the model each."""
    project, results = solved(TEXT + "[layout]\npositions_m = [[3.5, 1.0, 0.3]]\ngain_db = [-4]\n")
    found = compare(project, results)
    hz, room = results.frequency_hz, project.room()
    for one in (*found.usual[2], found.own):
        transfer = transfer_function(
            room, (), frequency_hz=hz, seat_m=results.seats.position_m, source_m=one.positions_m
        )
        level = level_db(transfer.sum(axis=2))
        np.testing.assert_allclose(one.level_db, level, atol=0.01)
        close(one.variation_db, variation_db(level, results.seats.weight), 1e-3)
    assert [one.variation_db for one in found.usual[2]] == sorted(one.variation_db for one in found.usual[2])
    plane = found.plane
    points = plane.points_m()[[40, 200, 333]]
    subs = results.candidates.position_m[results.plans[2].candidate_index[0]]
    transfer = transfer_function(room, (), frequency_hz=hz, seat_m=points, source_m=subs)
    weights = drive_weights(hz, gain_db=[0.0, -3.0], delay_s=[0.0, 0.004], polarity=[1, -1])
    expected = level_db(seat_pressure(transfer, weights))
    got = found.plan_map_db.reshape(len(hz), -1)[:, [40, 200, 333]]
    np.testing.assert_allclose(got, expected, atol=0.2)


def test_the_plane_covers_the_room_at_ear_height() -> None:
    project = parse_project(TEXT, source="t")
    plane = listening_plane(project, project.seats().position_m)
    assert (plane.x_m[0], plane.x_m[-1], plane.y_m[0], plane.y_m[-1]) == (0.0, 4.0, 0.0, 3.2)
    assert plane.height_m == pytest.approx(1.1)
    assert 600 < len(plane.points_m()) < 950


def test_a_sub_at_ear_height_on_a_point_of_the_plane() -> None:
    """The level there has no end; the point is moved aside and nothing fails."""
    project, results = solved()
    plane = listening_plane(project, results.seats.position_m)
    table = results.plans[2]
    found = before_after(
        project,
        results,
        positions_m=np.array([[0.5, 1.6, 1.1], [plane.x_m[5], plane.y_m[5], plane.height_m]]),
        gain_db=table.gain_db[0].tolist(),
        delay_s=table.delay_s[0].tolist(),
        polarity=table.polarity[0].tolist(),
    )
    assert np.isfinite(found.plan_map_db).all()


@pytest.mark.parametrize(
    ("variations", "count"),
    [({1: 5.0, 2: 4.0, 4: 3.9}, 2), ({1: 5.0, 2: 4.9, 4: 2.0}, 4), ({1: 3.0, 2: 3.0}, 1), ({4: 2.0}, 4)],
)
def test_a_further_sub_must_be_worth_it(variations: dict[int, float], count: int) -> None:
    class Table:
        def __init__(self, variation: float) -> None:
            self.variation_db = np.array([variation])

    _, results = solved()
    tables = {number: Table(value) for number, value in variations.items()}
    assert recommended_count(replace(results, plans=tables)) == count
