"""What was not measured, estimated for the search: seats, and by reciprocity the candidates along a zone."""

from dataclasses import replace

import numpy as np
import pytest

import roommodes as rm
from roommodes.acoustics.transfer import transfer_function
from roommodes.arrays import Floats
from roommodes.errors import ProjectInvalid
from roommodes.measured.data import Common, Manifest, MeasuredSeats, MeasuredSet, MeasuredSubs, Scale
from roommodes.measured.places import exchanged_set
from roommodes.project.project import Project
from roommodes.project.reading import parse_project
from roommodes.responses.frequency_grid import log_grid
from solvers.field.as_file import as_file
from solvers.field.estimate import estimate
from solvers.field.filled import ESTIMATED, filled, filled_from
from solvers.field.reciprocal import as_it_stood, candidate_names
from solvers.plans.measured_basis import measured_basis
from tests.measuring import ROOM

HZ = log_grid(30.0, 90.0, 8)
WALL = np.array([[0.3, y, 0.3] for y in (0.3, 1.1, 1.9, 2.8, 3.6)])


@pytest.fixture(scope="module")
def project() -> Project:
    return parse_project(ROOM, source="room.toml")


def response(project: Project, place_m: Floats, source_m: Floats) -> np.ndarray:
    return transfer_function(project.room, project.surfaces(), frequency_hz=HZ, seat_m=place_m, source_m=source_m)


def as_measured(project: Project, place_m: Floats, source_m: Floats, source: tuple[str, ...]) -> MeasuredSet:
    """Sources at places of no name, 1 % noise."""
    value = response(project, place_m, source_m)
    rng = np.random.default_rng(2)
    noise = 0.01 * np.sqrt(np.mean(np.abs(value) ** 2) / 2.0) * rng.normal(size=(2, *value.shape))
    n = len(place_m)
    return MeasuredSet(
        name="set",
        frequency_hz=HZ,
        transfer=value + noise[0] + 1j * noise[1],
        noise=np.full((len(HZ), len(source)), np.nan),
        subs=MeasuredSubs(name=source, position_m=source_m.copy(), candidate=np.full(len(source), -1)),
        seats=MeasuredSeats(
            name=tuple(f"w{k}" for k in range(n)),
            position_m=place_m.copy(),
            seat=np.full(n, -1),
            known=np.ones(n, dtype=np.bool_),
        ),
        scale=Scale(level="per metre"),
        common=Common(level=True, polarity=True, time=True),
        notes=("Not measured: front 1.",),
        files=(),
        manifest=Manifest(text="", source="set.toml"),
    )


def test_candidates_along_a_zone_by_reciprocity(project: Project) -> None:
    """The sub at the three seats, the microphone at five places of the front wall: every candidate of the wall."""
    seats = project.seats
    measured = exchanged_set(as_measured(project, WALL, seats.position_m.copy(), seats.name), project)
    assert measured.seats.name == seats.name
    assert measured.subs.name == ("w0", "w1", "w2", "w3", "w4")
    assert not any(note.startswith("Not measured") for note in measured.notes)
    known = filled(project, measured)
    found = known.measured
    assert found.subs.name[:2] == ("front wall 1", "front wall 2")
    assert found.notes[-1].startswith(ESTIMATED)
    true = response(project, seats.position_m, found.subs.position_m)
    rms = np.sqrt(np.mean(np.abs(true) ** 2, axis=(1, 2), keepdims=True))
    assert np.sqrt(np.mean((np.abs(found.transfer - true) / rms) ** 2)) < 0.06
    assert known.estimated is not None
    within = np.abs(found.transfer - true) <= known.estimated.deviation
    assert within.mean() > 0.6
    basis = measured_basis(project, found)
    assert len(basis.candidates) == len(found.subs) > 10
    assert basis.problem.transfer.shape == (len(HZ), 3, len(found.subs))


def test_a_seat_that_was_not_measured(project: Project) -> None:
    """Two subs at five places about the seats and at two of them: the third is estimated, in the project's order."""
    about = np.array([[2.0, 1.2, 1.1], [3.2, 1.5, 1.1], [2.1, 2.6, 1.1], [3.1, 2.8, 1.1], [2.6, 3.3, 1.2]])
    places = np.concatenate([project.seats.position_m[[0, 2]], about])
    subs = np.array([[0.3, 0.3, 0.3], [0.3, 3.6, 0.3]])
    measured = as_measured(project, places, subs, ("left", "right"))
    seats = replace(measured.seats, name=("front 1", "front 3", *"abcde"), seat=np.array([0, 2, *[-1] * 5]))
    known = filled(project, replace(measured, seats=seats))
    found = known.measured
    assert found.seats.name[:3] == project.seats.name
    assert np.array_equal(found.seats.seat[:3], [0, 1, 2])
    true = response(project, project.seats.position_m, subs)[:, 1]
    assert np.median(np.abs(found.transfer[:, 1] - true) / np.abs(true)) < 0.08
    assert np.array_equal(found.transfer[:, 0], measured.transfer[:, 0])
    assert known.estimated is not None
    assert not known.estimated.deviation[:, [0, 2]].any()
    assert known.estimated.deviation[:, 1].all()


def test_candidates_from_a_field_file(project: Project) -> None:
    """What `filled` estimates anew; candidates that the file does not hold are left out, other measurements refused."""
    seats = project.seats
    measured = exchanged_set(as_measured(project, WALL, seats.position_m.copy(), seats.name), project)
    names, there = candidate_names(project.candidates), project.candidates.position_m
    field = as_file(estimate(project, as_it_stood(measured), names, there))
    known, anew = filled_from(project, measured, field), filled(project, measured)
    assert np.allclose(known.measured.transfer, anew.measured.transfer, rtol=1e-9)
    assert known.measured.notes == anew.measured.notes
    assert known.estimated is not None
    assert anew.estimated is not None
    assert np.allclose(known.estimated.deviation, anew.estimated.deviation, rtol=1e-6)
    some = as_file(estimate(project, as_it_stood(measured), tuple("abcd"), there[[7, 2, 5, 3]]))
    known = filled_from(project, measured, some)
    assert known.measured.subs.name == tuple(names[at] for at in (2, 3, 5, 7))
    assert known.measured.subs.candidate.tolist() == [2, 3, 5, 7]
    at = [anew.measured.subs.name.index(name) for name in known.measured.subs.name]
    assert np.allclose(known.measured.transfer, anew.measured.transfer[:, :, at], rtol=1e-9)
    assert f"{len(names) - 4} further candidates are not in the field file" in known.measured.notes[-1]
    away = replace(some.places, position_m=some.places.position_m + 0.2)
    with pytest.raises(ProjectInvalid, match="none of its places is a candidate of the zones"):
        filled_from(project, measured, replace(some, places=away))
    with pytest.raises(ProjectInvalid, match="differ from the manifest's by 30%; make it from this manifest"):
        filled_from(project, measured, replace(field, measured=1.3 * field.measured))


def test_seats_from_a_field_file(project: Project) -> None:
    """One of two that were not measured is in the file; the other stays out and is named."""
    about = np.array([[2.0, 1.2, 1.1], [3.2, 1.5, 1.1], [2.1, 2.6, 1.1], [3.1, 2.8, 1.1]])
    places = np.concatenate([project.seats.position_m[[0]], about])
    measured = as_measured(project, places, np.array([[0.3, 0.3, 0.3], [0.3, 3.6, 0.3]]), ("left", "right"))
    seats = replace(measured.seats, name=("front 1", *"abcd"), seat=np.array([0, *[-1] * 4]))
    measured = replace(measured, seats=seats)
    found = estimate(project, measured, ("front 3",), project.seats.position_m[[2]])
    known = rm.estimated(project, measured, found=found)
    assert known.measured.seats.name[:2] == ("front 1", "front 3")
    assert np.array_equal(known.measured.transfer[:, 1], found.pressure[:, 0])
    assert known.estimated is not None
    assert np.array_equal(known.estimated.deviation[:, 1], found.deviation[:, 0])
    plan = rm.search(project, counts=(2,), measured=known).recommended()
    assert plan.seats.name == ("front 1", "front 3")
    assert plan.measured is not None
    assert "Not measured and so not counted: front 2." in plan.measured.notes
    whole = replace(measured, seats=replace(seats, seat=np.array([0, 1, 2, -1, -1])))
    with pytest.raises(ProjectInvalid, match="the manifest lacks no seat of the project"):
        rm.estimated(project, whole, found=found)
    other = replace(measured, subs=replace(measured.subs, name=("centre", "right")))
    with pytest.raises(ProjectInvalid, match="it holds nothing of left"):
        rm.estimated(project, measured, found=replace(found, measured=other))


def test_too_few_places_are_refused(project: Project) -> None:
    seats = project.seats
    few = exchanged_set(as_measured(project, WALL[:2], seats.position_m.copy(), seats.name), project)
    with pytest.raises(ProjectInvalid, match="at least 4"):
        filled(project, few)


SIDES = np.array([[0.3, y, 0.3] for y in (0.3, 1.2, 1.95, 2.7, 3.6)] + [[4.9, y, 0.3] for y in (0.3, 3.6)])
WISHES = '[[zones]]\nname = "rear left"\nfrom_m = [4.9, 0.3, 0.3]\nto_m = [4.9, 0.3, 0.3]\nfixed = true\n[search]'


def along_the_walls(text: str) -> tuple[Project, MeasuredSet]:
    """The sub at the three seats, the microphone at seven places left and right alike."""
    project = parse_project(text, source="room.toml")
    seats = project.seats
    return project, exchanged_set(as_measured(project, SIDES, seats.position_m.copy(), seats.name), project)


def test_wishes_for_places_hold_on_measured_ones() -> None:
    """Fixed subs and limits of zones, in every plan of the file."""
    text = ROOM.replace("[[zones]]\n", "[[zones]]\nat_most = 1\n").replace("[search]", WISHES)
    project, measured = along_the_walls(text)
    found = rm.search(project, counts=(2, 3), measured=measured)
    for count in found.plans:
        for row in range(len(found.plans[count])):
            places = found.candidates.position_m[found.plans[count].candidate_index[row]]
            assert [4.9, 0.3, 0.3] in places.tolist()
            assert (places[:, 0] < 1.0).sum() <= 1
    other = parse_project(text.replace("[4.9, 0.3, 0.3]", "[4.9, 1.0, 0.3]"), source="room.toml")
    with pytest.raises(ProjectInvalid, match=r"zones\[1\].fixed"):
        rm.search(other, counts=(2,), measured=measured)


def test_mirrored_layouts_on_measured_places() -> None:
    project, measured = along_the_walls(ROOM.replace("[search]", "[search]\nmirror = true"))
    found = rm.search(project, counts=(2, 3), measured=measured)
    assert list(found.plans) == [2, 3]
    for count, table in found.plans.items():
        for row in range(len(table)):
            places = found.candidates.position_m[table.candidate_index[row]].tolist()
            assert sorted(places) == sorted([x, round(3.9 - y, 9), z] for x, y, z in places), count
    seats = project.seats
    lopsided = exchanged_set(as_measured(project, SIDES[:2], seats.position_m.copy(), seats.name), project)
    with pytest.raises(ProjectInvalid, match="mirror"):
        rm.search(project, counts=(2,), measured=lopsided)
