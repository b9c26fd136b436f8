"""Usual layouts and the comparison with them, against the model asked directly and against known facts."""

from dataclasses import replace

import numpy as np
import pytest

from roommodes.acoustics.transfer import transfer_function
from roommodes.plan.choices import Choices, UsualTable
from roommodes.project.reading import parse_project
from roommodes.responses.metrics import drive_weights, level_db, seat_pressure, variation_db
from solvers.choice.usual_layouts import USUAL, usual_layouts
from solvers.listening.before_after import before_after
from solvers.listening.near_field import APART_M
from solvers.listening.plane import listening_plane
from solvers.plans.basis import Basis
from solvers.plans.by_hand import judge_layout
from solvers.plans.solve import results_from
from solvers.project_transfer import QUICK
from solvers.search.problem import FoundPlan, Outcome, Problem, Stop
from tests.rooms import SMALL

TEXT = SMALL[: SMALL.index("[layout]")] + "[subwoofer]\ncabinet_m = [0.4, 0.3, 0.5]\n"


def solved(text: str = TEXT):
    """Project and results with one plan that was not searched for."""
    project = parse_project(text, source="t")
    hz = np.geomspace(25, 80, 8)
    transfer = transfer_function(
        project.room,
        project.surfaces(),
        frequency_hz=hz,
        seat_m=project.seats.position_m,
        source_m=project.candidates.position_m,
    )
    plan = FoundPlan(
        candidate_index=np.array([0, 2]),
        gain_db=np.array([0.0, -3.0]),
        delay_s=np.array([0.0, 0.004]),
        polarity=np.array([1, -1]),
        variation_db=2.0,
        output_db=0.0,
        level_db=np.zeros((8, 3)),
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
    problem = Problem(frequency_hz=hz, transfer=transfer, seat_weight=project.seats.weight)
    basis = Basis(project=project, problem=problem, seats=project.seats, candidates=project.candidates)
    return project, results_from(basis, (outcome,))


def test_usual_layouts_stand_against_the_walls() -> None:
    project = parse_project(TEXT, source="t")
    seats = project.seats.position_m.tolist()
    corners = next(one for one in usual_layouts(project, 4, seats) if "corners" in one.name)
    np.testing.assert_allclose(
        corners.positions_m, ((0.2, 0.15, 0.25), (0.2, 3.05, 0.25), (3.9, 0.15, 0.25), (3.9, 3.05, 0.25))
    )
    middles = next(one for one in usual_layouts(project, 4, seats) if "middles" in one.name)
    np.testing.assert_allclose(
        middles.positions_m, ((0.2, 1.6, 0.25), (3.9, 1.6, 0.25), (2.05, 0.2, 0.25), (2.05, 3.0, 0.25))
    )
    aired = parse_project(TEXT.replace("cabinet_m", "ventilation_clearance_m = 0.1\ncabinet_m"), source="t")
    middles = next(one for one in usual_layouts(aired, 4, seats) if "middles" in one.name)
    np.testing.assert_allclose(
        middles.positions_m, ((0.3, 1.6, 0.25), (3.8, 1.6, 0.25), (2.05, 0.3, 0.25), (2.05, 2.9, 0.25))
    )
    assert all(len(chosen) == len(set(chosen)) for _, chosen in USUAL)
    assert {len(chosen) for _, chosen in USUAL} == set(range(1, 9))


def test_four_corners_drive_no_odd_mode() -> None:
    """Exact in a rigid room: from four corners the modes 100, 010 and 110 are not driven, from one they are."""
    project = parse_project(TEXT, source="t")
    length, width, _ = project.room.size_m
    layouts = {
        len(one.positions_m): one for one in usual_layouts(project, 4, [[2.0, 1.6, 1.1]]) if "corners" in one.name
    }
    x, y = np.array(layouts[4].positions_m)[:, :2].T
    for n, m in ((1, 0), (0, 1), (1, 1)):
        driven = np.cos(n * np.pi * x / length) * np.cos(m * np.pi * y / width)
        assert abs(driven.sum()) < 1e-12
        assert abs(driven[0]) > 0.9


def test_levels_are_the_models_own(close) -> None:
    """The usual layout, the file's own and the map, against one plain call of the model each."""
    project, results = solved(TEXT + "[layout]\npositions_m = [[3.5, 1.0, 0.3]]\ngain_db = [-4]\n")
    found = before_after(results.plan(2, 1))
    hz, room = results.frequency_hz, project.room
    for one in (found.rival, found.own):
        transfer = transfer_function(
            room, project.surfaces(), frequency_hz=hz, seat_m=results.seats.position_m, source_m=one.positions_m
        )
        level = level_db(transfer.sum(axis=2))
        np.testing.assert_allclose(one.level_db, level, atol=0.03)
        close(one.variation_db, variation_db(level, results.seats.weight), 2e-3)
    plane = found.plane
    places = [(3, 4), (20, 9), (len(plane.x_m) - 1, 0)]
    points = [[plane.x_m[i], plane.y_m[j], plane.height_m] for i, j in places]
    subs = results.candidates.position_m[results.plans[2].candidate_index[0]]
    transfer = transfer_function(room, project.surfaces(), frequency_hz=hz, seat_m=points, source_m=subs)
    weights = drive_weights(hz, gain_db=[0.0, -3.0], delay_s=[0.0, 0.004], polarity=[1, -1])
    expected = level_db(seat_pressure(transfer, weights))
    got = np.stack([found.plan_map_db[:, i, j] for i, j in places], axis=1)
    np.testing.assert_allclose(got, expected, atol=0.2)


def test_the_rival_is_the_most_even_usual_layout_driven_alike() -> None:
    """Found by asking all of them; where the file knows the variations, that layout alone is asked."""
    project, results = solved()
    seats = results.seats
    variations = {}
    for one in usual_layouts(project, 2, seats.position_m.tolist()):
        transfer = transfer_function(
            project.room,
            project.surfaces(),
            frequency_hz=results.frequency_hz,
            seat_m=seats.position_m,
            source_m=one.positions_m,
        )
        variations[one.name] = variation_db(level_db(transfer.sum(axis=2)), seats.weight)
    assert len(variations) == 3
    assert before_after(results.plan(2, 1)).rival.name == min(variations, key=variations.get)
    names = tuple(variations)
    numbers = dict.fromkeys(("alike_output_db", "driven_variation_db", "driven_output_db"), np.zeros(3))
    for wanted in names:  # whatever the file says counts
        alike = np.array([1.0 if name == wanted else 2.0 for name in names])
        usual = UsualTable(
            name=names, subs=np.full(3, 2), stands_free=np.ones(3, dtype=int), alike_variation_db=alike, **numbers
        )
        assert before_after(replace(results, choices=Choices(usual=usual)).plan(2, 1)).rival.name == wanted


def test_the_plane_covers_the_room_at_ear_height() -> None:
    room = parse_project(TEXT, source="t").room
    plane = listening_plane(room, ear_height_m=1.1, highest_hz=80.0, sub_m=np.array([[0.3, 0.3, 0.3]]))
    assert (plane.x_m[0], plane.x_m[-1], plane.y_m[0], plane.y_m[-1]) == (0.0, 4.1, 0.0, 3.2)
    assert plane.height_m == 1.1
    assert 600 < len(plane.x_m) * len(plane.y_m) < 950
    assert len(plane.nodes_m()) < 150


def test_the_plane_follows_a_standing_wave_and_its_poles() -> None:
    """Known fields, not the model's: a mode between hard walls, a sub's e^{-jkr} / r, and 1 / r of its images."""
    room = parse_project(TEXT, source="t").room
    sub = np.array([[0.3, 1.5, 1.15]])
    plane = listening_plane(room, ear_height_m=1.2, highest_hz=120.0, sub_m=sub)
    nodes = plane.nodes_m()
    k = 2.0 * np.pi * 120.0 / room.air.speed_of_sound_m_s

    def field(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        images = [(a, b, h) for a in (0.3, -0.3, 7.9) for b in (1.5, -1.5, 4.9) for h in (1.15, -1.15, 3.65)]
        apart = [np.sqrt((x - a) ** 2 + (y - b) ** 2 + (1.2 - h) ** 2) for a, b, h in images]
        poles = np.exp(-1j * k * apart[0]) / apart[0] + sum(1.0 / r for r in apart[1:])
        return np.cos(2 * np.pi * x / 4.1) * np.cos(np.pi * y / 3.2) + poles

    at_nodes = field(nodes[:, 0], nodes[:, 1])[None, :, None]
    weights = np.full((1, 1), 1j)
    got = plane.pressure(at_nodes, weights, sub, room, frequency_hz=np.array([120.0]))[0]
    expected = 1j * field(*np.meshgrid(plane.x_m, plane.y_m, indexing="ij"))
    np.testing.assert_allclose(got, expected, atol=1e-4 * np.median(np.abs(expected)), rtol=1e-4)


@pytest.mark.parametrize("ear_m", [1.1, 1.13])
@pytest.mark.parametrize(
    "subs", [[[0.3, 0.9, 0.3], [3.8, 0.9, 0.3]], [[1.9, 1.3, 1.1]], [[0.3, 0.3, 1.1], [2.6, 0.25, 1.1]]]
)
def test_the_map_is_the_models_own_off_the_walls(subs: list[list[float]], ear_m: float) -> None:
    """Places drawn by lot and all beside a sub, against the model asked there; subs at ear height too, beside glass."""
    pane = '[[regions]]\nwall = "left"\nfrom_m = [1.2, 0.4]\nto_m = [3.0, 2.0]\nconstruction = "glass pane 6 mm"\n'
    project = parse_project(TEXT.replace("[[rows]]", f"{pane}[[rows]]"), source="t")
    room, hz, sub_m = project.room, np.geomspace(25, 80, 6), np.array(subs)
    plane = listening_plane(room, ear_height_m=ear_m, highest_hz=80.0, sub_m=sub_m)
    grid = np.stack(np.meshgrid(plane.x_m, plane.y_m, indexing="ij"), axis=-1).reshape(-1, 2)
    edge = np.minimum(grid, np.array([4.1, 3.2]) - grid).min(axis=1)
    near = np.sqrt(((grid[:, None] - sub_m[None, :, :2]) ** 2).sum(axis=2)).min(axis=1)
    chosen = np.random.default_rng(4).permutation(np.flatnonzero((edge > 0.25) & (near > APART_M)))[:60]
    chosen = np.union1d(chosen, np.flatnonzero((edge > 0.25) & (near > APART_M) & (near < 0.2)))  # all beside a sub
    weights = np.exp(-2j * np.pi * hz[:, None] * 0.004 * np.arange(len(subs)))

    def asked(points_m: np.ndarray, **precision: object) -> np.ndarray:
        return transfer_function(
            room, project.surfaces(), frequency_hz=hz, seat_m=sub_m, source_m=points_m, **precision
        ).transpose(0, 2, 1)

    points = np.column_stack([grid[chosen], np.full(len(chosen), plane.height_m)])
    expected = level_db(seat_pressure(asked(points), weights))
    at_nodes = asked(plane.nodes_m(), precision=QUICK)
    pressure = plane.pressure(at_nodes, weights, sub_m, room, frequency_hz=hz).reshape(len(hz), -1)
    mean = 10.0 * np.log10(np.mean(np.abs(pressure) ** 2, axis=1))[:, None]
    heard = expected > mean - 20.0
    assert heard.mean() > 0.9
    off = np.abs(level_db(pressure[:, chosen]) - expected)
    assert off[heard].max() < 0.3
    assert np.median(off) < 0.01


def test_a_sub_at_ear_height_on_a_node_of_the_plane() -> None:
    """The level there has no end; the plane is moved a little and nothing fails."""
    project, results = solved()
    room = project.room
    plane = listening_plane(room, ear_height_m=1.1, highest_hz=80.0, sub_m=np.empty((0, 3)))
    node = plane.nodes_m()[30]
    for beside_m in (0.0, 0.04):  # nearer than its field is taken at
        moved = listening_plane(room, ear_height_m=1.1, highest_hz=80.0, sub_m=node[None] + [0.0, beside_m, 0.0])
        assert moved.height_m != 1.1
    found = before_after(judge_layout(project, [[0.5, 1.6, 1.1], node], results.plan(2, 1).drives))
    assert np.isfinite(found.plan_map_db).all()
    assert found.plan_map_db.max() < 40.0
