"""The field anywhere: between places, with shifted rows, over the plane; and where a sub may not stand."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.polynomial import chebyshev

from roommodes.acoustics.transfer import transfer_function
from roommodes.places.boxes import Box
from roommodes.places.zones import Ground
from roommodes.plan.plan import Results
from roommodes.project.project import Project
from roommodes.project.reading import parse_project
from solvers.listening.anywhere import Anywhere, anywhere, at_candidates, page_lattice, zone_grids
from solvers.listening.near_field import images_of, rough
from tests.given_plans import given_results
from tests.rooms import SMALL

TEXT = SMALL.replace("ear_height_m = 1.1", "ear_height_m = 1.1\nmove_m = [0.2, 0.3]")


@pytest.fixture(scope="module")
def asked() -> tuple[Project, Results, Anywhere]:
    results = given_results(TEXT, {1: ([0.0], [0.0], [1], [0])})
    project = parse_project(TEXT, source="test")
    return project, results, anywhere(results, step_m=0.1)


def model(project: Project, hz: np.ndarray, ears: np.ndarray, subs: np.ndarray) -> np.ndarray:
    return transfer_function(project.room, project.surfaces(), frequency_hz=hz, seat_m=ears, source_m=subs)


def test_the_field_at_the_candidates_is_the_files(asked) -> None:
    project, results, found = asked
    near = rough(results.seats.position_m, found.position_m, project.room, results.frequency_hz)
    at = found.snap[: len(results.candidates)]
    assert np.array_equal(found.position_m[at], results.candidates.position_m)
    assert np.abs((found.smooth + near)[:, :, at] - results.transfer).max() < 1e-12


def test_polynomials_along_a_zone_give_what_the_model_says(asked) -> None:
    project, results, found = asked
    grid = found.grids[0]
    y = grid.axes_m[1]
    at_m = 0.5 * (y[7] + y[8]) + 0.013
    nodes = np.arange(4, 12)
    weight = [np.prod([(at_m - y[j]) / (y[i] - y[j]) for j in nodes if j != i]) for i in nodes]
    place = np.array([[grid.axes_m[0][0], at_m, grid.axes_m[2][0]]])
    seats, hz = results.seats.position_m, results.frequency_hz
    got = found.smooth[:, :, grid.index[0, nodes, 0]] @ weight + rough(seats, place, project.room, hz)[:, :, 0]
    want = model(project, hz, seats, place)[:, :, 0]
    assert np.abs(got - want).max() < 2e-6 * np.sqrt(np.mean(np.abs(want) ** 2))


def test_a_rows_series_gives_what_the_model_says(asked) -> None:
    project, results, found = asked
    (shift,) = found.shifts
    assert (shift.low_m, shift.high_m) == (-0.2, 0.3)
    hz, seats = results.frequency_hz, results.seats.position_m
    for by in (-0.2, 0.07, 0.3):
        places = [np.array([2.0 * (one - 0.05) / 0.5]) for one in (by, 0.0)]
        terms = np.subtract(*(chebyshev.chebvander(t, len(shift.series))[0, 1:] for t in places))
        moved = seats + np.array([by, 0.0, 0.0])
        got = found.smooth + np.tensordot(terms, shift.series, 1) + rough(moved, found.position_m, project.room, hz)
        want = model(project, hz, moved, found.position_m)
        assert np.abs(got - want).max() < 1e-5 * np.sqrt(np.mean(np.abs(want) ** 2))


def test_the_planes_factors_give_its_nodes(asked) -> None:
    project, results, found = asked
    assert found.plane is not None
    hz, nodes = results.frequency_hz, found.plane.plane.nodes_m()
    want = model(project, hz, nodes, found.position_m[:3])
    near = rough(nodes, found.position_m, project.room, hz)
    for f, (left, right) in enumerate(zip(found.plane.left, found.plane.right, strict=True)):
        got = left @ right + near[f]
        error = np.sqrt(np.mean(np.abs(got[:, :3] - want[f]) ** 2) / np.mean(np.abs(want[f]) ** 2))
        assert error < 2e-3
        assert left.shape[1] < len(nodes) / 3, "far fewer than there are nodes"


def test_what_is_taken_off_is_the_same_both_ways() -> None:
    """Reciprocity: images of the sub as the ear sees them are as far as those of the ear as the sub sees them."""
    room = parse_project(SMALL, source="test").room
    a, b, hz = np.array([[0.4, 0.5, 0.6]]), np.array([[3.1, 2.2, 1.9]]), np.array([30.0, 90.0])
    assert rough(a, b, room, hz) == pytest.approx(rough(b, a, room, hz), rel=1e-12)
    assert len(images_of(room)) == 26


def test_a_keep_out_thinner_than_a_step_closes_the_cell_that_it_lies_in() -> None:
    project = parse_project(SMALL, source="test")
    lattice = page_lattice(project, np.array([80.0]), 0.1)
    y = lattice.position_m[lattice.position_m[:, 0] < 1.0, 1]
    gap = np.sort(y)[:2].mean()
    thin = Box(name="pipe", low=(0.2, gap - 0.006, 0.0), high=(0.4, gap + 0.006, 2.0))
    room = project.room.size_m
    open_ground = Ground(keep_outs=(), room_m=room, cabinet=None)
    barred = Ground(keep_outs=(thin,), room_m=room, cabinet=None)
    assert [len(grid.closed) for grid in zone_grids(project.zones, lattice, open_ground)] == [0, 0]
    front, rear = zone_grids(project.zones, lattice, barred)
    assert front.closed.tolist() == [[0, 0, 0]]
    assert len(rear.closed) == 0


def test_another_model_leaves_the_candidates_alone(asked) -> None:
    _, results, _ = asked
    other = replace(results, transfer=results.transfer * 1.001)
    found = anywhere(other, step_m=0.1)
    assert (found.grids, found.shifts, found.plane) == ((), (), None)
    assert "Run optimise again" in found.remarks[0]
    same = at_candidates(other)
    assert np.array_equal(found.smooth, same.smooth)
