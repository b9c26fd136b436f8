"""A plan over seats that were not measured, and maps over estimated places: against image sources."""

from dataclasses import replace

import numpy as np
import pytest
from matplotlib.figure import Figure

import roommodes as rm
from cli.report.basis import basis_section
from cli.report.blocks import Picture
from cli.report.on_site.field import field_section
from roommodes.arrays import Complexes, Floats
from roommodes.errors import OutsideModel, ProjectInvalid
from roommodes.estimates.field_file import FieldFile
from roommodes.estimates.places_table import even_places
from roommodes.measured.data import Common, Manifest, MeasuredSeats, MeasuredSet, MeasuredSubs, Scale
from roommodes.plan.plan import Plan
from roommodes.project.bands.search_grid import search_grid_hz
from roommodes.project.project import Project
from roommodes.project.reading import parse_project
from roommodes.responses.metrics import level_db, variation_db
from solvers.field.as_file import as_file
from solvers.field.at_seats import worth_at_seats
from solvers.field.estimate import estimate
from solvers.field.on_plan import with_field
from solvers.field.plane import field_plane, grid_of
from solvers.field.uncertain import uncertain
from solvers.listening.over_time import plan_over_time
from tests.independent.image_impulses import image_impulse

RATE_HZ = 500.0
SIZE_M = np.array([6.4, 4.6, 2.5])
REFLECTION = np.array([[0.88, 0.80], [0.85, 0.82], [0.9, 0.84]])  # of no wall that the project draws
ROOM = """
format = 1
name = "club room"
[room]
length_m = 6.4
width_m = 4.6
height_m = 2.5
loss_factor = 0.03
[[rows]]
name = "front"
x_m = 3.2
y_m = [1.5, 2.3, 3.1]
ear_height_m = 1.15
[[rows]]
name = "back"
x_m = 4.4
y_m = [1.5, 3.1]
ear_height_m = 1.25
[[zones]]
name = "front wall"
from_m = [0.3, 0.3, 0.3]
to_m = [0.3, 4.3, 0.3]
[search]
band_hz = [30, 80]
points_per_octave = 9
"""
SUBS = np.array([[0.3, 0.4, 0.3], [0.3, 4.2, 0.3]])
ABOUT = np.array([[2.6, 1.0, 1.2], [2.5, 3.5, 1.0], [3.8, 0.8, 1.3], [3.8, 3.8, 1.2], [5.2, 2.2, 1.2]])


def by_images(place_m: Floats, hz: Floats) -> Complexes:
    """(n_freq, n_place, n_sub)."""
    found = [
        [image_impulse(SIZE_M, REFLECTION, sub, place, rate_hz=RATE_HZ, duration_s=0.5) for sub in SUBS]
        for place in place_m
    ]
    turn = np.exp(-2j * np.pi * np.outer(hz, np.arange(len(found[0][0])) / RATE_HZ))
    return np.einsum("ft,pst->fps", turn, np.array(found))


@pytest.fixture(scope="module")
def project() -> Project:
    return parse_project(ROOM, source="room.toml")


@pytest.fixture(scope="module")
def measured(project: Project) -> MeasuredSet:
    """Both subs at the front row and at five places about it, 2 % of noise; the back row was not measured."""
    hz = search_grid_hz(project.search, project.mains)
    places = np.concatenate([project.seats.position_m[:3], ABOUT])
    value = by_images(places, hz)
    noise = np.random.default_rng(4).normal(scale=0.02, size=(2, *value.shape)) @ np.eye(2)
    return MeasuredSet(
        name="first visit",
        frequency_hz=hz,
        transfer=value * (1.0 + noise[0] + 1j * noise[1]),
        noise=np.full((len(hz), 2), np.nan),
        subs=MeasuredSubs(name=("left", "right"), position_m=SUBS.copy(), candidate=np.array([-1, -1])),
        seats=MeasuredSeats(
            name=(*project.seats.name[:3], *"abcde"),
            position_m=places,
            seat=np.array([0, 1, 2, *[-1] * 5]),
            known=np.ones(8, dtype=np.bool_),
        ),
        scale=Scale(level="relative"),
        common=Common(level=True, polarity=True, time=True),
        notes=(),
        files=(),
        manifest=Manifest(text="", source="set.toml"),
    )


@pytest.fixture(scope="module")
def plan(project: Project, measured: MeasuredSet) -> Plan:
    return rm.search(project, counts=(2,), measured=measured).recommended()


@pytest.fixture(scope="module")
def plane(project: Project, measured: MeasuredSet) -> FieldFile:
    """The back row, then a grid over the room."""
    grid = even_places(project, 1.2, 0.9)
    names, places = (*project.seats.name[3:], *grid.name), [project.seats.position_m[3:], grid.position_m]
    return as_file(estimate(project, measured, names, np.concatenate(places)))


def only(field: FieldFile, places: slice) -> FieldFile:
    """Some of the places."""
    chosen = replace(field.places, name=field.places.name[places], position_m=field.places.position_m[places])
    return replace(field, places=chosen, pressure=field.pressure[:, places], deviation=field.deviation[:, places])


def test_filters_over_seats_that_were_not_measured(plan: Plan, plane: FieldFile) -> None:
    """Seats of the back row count; what is promised there is what the image sources play, within what is said of it."""
    whole = with_field(plan, only(plane, slice(2)))
    assert whole.seats.name == plan.project.seats.name
    assert np.array_equal(whole.transfer[:, :3], plan.transfer)
    assert np.array_equal(whole.drives.gain_db, plan.drives.gain_db)
    record = whole.measured
    assert record is not None
    assert record.deviation is not None
    assert not record.deviation[:, :3].any()
    assert "Estimated and not measured" in record.notes[-1]
    assert "Crossover and decay are taken from the plan's own band" in record.notes[-1]
    tuned = whole.tuned(per_sub=1, shared=2)
    assert tuned.tuning is not None
    sure = uncertain(tuned)
    assert sure is not None
    assert [one.name for one in sure.seats] == ["back 1", "back 2"]
    assert sure.promised_db == pytest.approx(tuned.tuning.variation_after_db, abs=1e-9)
    true = 10.0 ** (record.scale_db / 20.0) * by_images(whole.seats.position_m, whole.frequency_hz)
    level = level_db(np.einsum("fsc,fc->fs", true[:, :, plan.candidate_index], tuned.weights(whole.frequency_hz)))
    assert sure.promised_db - 0.2 < variation_db(level, whole.seats.weight) < sure.nine_of_ten_db + 0.1
    assert sure.promised_db < sure.mean_db < sure.nine_of_ten_db
    assert uncertain(plan) is None  # all was measured


def test_a_decay_needs_the_files_own_band_and_says_the_way(plan: Plan, plane: FieldFile) -> None:
    with pytest.raises(
        OutsideModel, match=r"a field file holds them.*allowed: 1 s or more.*--measured MANIFEST --estimate"
    ):
        plan_over_time(with_field(plan, only(plane, slice(2))))


def test_larger_deviations_promise_less(plan: Plan, plane: FieldFile) -> None:
    some = only(plane, slice(2))
    near, far = (uncertain(with_field(plan, replace(some, deviation=k * some.deviation))) for k in (1.0, 5.0))
    assert near is not None
    assert far is not None
    assert far.mean_db > near.mean_db + 0.05
    assert far.seats[0].level_db == pytest.approx(5.0 * near.seats[0].level_db)


def test_a_band_of_the_filters_within_the_plans(plan: Plan, plane: FieldFile) -> None:
    """Estimated seats are known on the plan's own frequencies: a narrower band takes those, a wider one is refused."""
    whole = with_field(plan, only(plane, slice(2)))
    tuned = whole.tuned(per_sub=0, shared=1, band_hz=(40.0, 70.0))
    assert tuned.tuning is not None
    hz = tuned.tuning.grid(whole.frequency_hz)
    assert 40.0 <= hz[0] < hz[-1] <= 70.0
    with pytest.raises(rm.OutsideModel, match="allowed: within"):
        whole.tuned(band_hz=(20.0, 70.0))


def test_what_the_model_is_worth_where_all_was_measured(project: Project, measured: MeasuredSet) -> None:
    """A plan over its own seats says what a field of the same places says; with too few seats it says why not."""
    five = measured_at(project, measured)
    results = rm.search(project, counts=(2,), measured=five)
    table = worth_at_seats(results)
    assert table is not None
    want = estimate(project, five, (), np.empty((0, 3))).left_out.table()
    assert table.way == want.way
    assert np.allclose(table.left, want.left, rtol=1e-6)
    told = basis_section(results.recommended())
    assert "Each measured place predicted from the others" in str(told)
    assert "predicted from the others" not in str(basis_section(results.recommended(), told=True))
    few = rm.search(project, counts=(2,), measured=measured)
    assert worth_at_seats(few) is None
    assert "is not told: that takes four measured places" in str(basis_section(few.recommended()))
    assert worth_at_seats(rm.search(project, counts=(2,), measured=rm.estimated(project, measured))) is None


def measured_at(project: Project, measured: MeasuredSet) -> MeasuredSet:
    """The same subs at all five seats."""
    seats = project.seats
    return replace(
        measured,
        transfer=by_images(seats.position_m, measured.frequency_hz),
        seats=MeasuredSeats(
            name=seats.name, position_m=seats.position_m.copy(), seat=np.arange(5), known=np.ones(5, dtype=np.bool_)
        ),
    )


def test_a_search_over_estimated_seats(project: Project, measured: MeasuredSet) -> None:
    """As `optimise --measured --estimate`: all seats count from the start."""
    known = rm.estimated(project, measured)
    found = rm.search(project, counts=(2,), measured=known).recommended()
    assert found.seats.name == project.seats.name
    assert found.measured is not None
    assert found.measured.estimated is not None
    assert found.measured.estimated.left_out is not None
    sure = uncertain(found)
    assert sure is not None
    assert sure.promised_db == pytest.approx(found.variation_db)


def test_fields_of_something_else_are_refused(project: Project, plan: Plan, plane: FieldFile) -> None:
    back = only(plane, slice(2))
    with pytest.raises(ProjectInvalid, match="differ from the plan's by"):
        with_field(plan, replace(back, measured=1.3 * back.measured))
    with pytest.raises(ProjectInvalid, match="none of its places is a seat that the plan lacks"):
        with_field(plan, only(plane, slice(2, 3)))
    with pytest.raises(ProjectInvalid, match="lacks no seat"):
        with_field(with_field(plan, back), back)
    with pytest.raises(ProjectInvalid, match="rests on the model"):
        with_field(rm.search(project, counts=(1,), seed=1).recommended(), back)
    few = np.linspace(0, len(back.frequency_hz) - 1, 5).astype(int)
    for chosen, why in ((few, "too far apart"), (slice(3, None), "it reaches from")):
        other = replace(
            back,
            frequency_hz=back.frequency_hz[chosen],
            measured=back.measured[chosen],
            pressure=back.pressure[chosen],
            deviation=back.deviation[chosen],
        )
        with pytest.raises(ProjectInvalid, match=why):
            with_field(plan, other)


def test_the_map_shows_what_stands_there(plan: Plan, plane: FieldFile) -> None:
    """Levels over the grid are those of the image sources; where they are not, the map says so."""
    grid = only(plane, slice(2, None))
    found = field_plane(plan, grid, np.array([40.0, 60.0]))
    x, y, where = grid_of(grid)
    assert found.level_db.shape == (2, len(x), len(y))
    assert found.height_m == pytest.approx(1.2)
    hz, scale = found.frequency_hz, 10.0 ** (plan.results.measured.scale_db / 20.0)
    true = scale * by_images(grid.places.position_m, hz)[:, :, plan.candidate_index]
    level = level_db(np.einsum("fpc,fc->fp", true, plan.weights(hz)))
    error = np.abs(found.level_db[:, where[:, 0], where[:, 1]] - level)
    hardly = found.hardly_known[:, where[:, 0], where[:, 1]] > 0.0
    assert np.median(error[~hardly]) < 1.0
    assert np.quantile(error[~hardly], 0.95) < 4.5
    with pytest.raises(ProjectInvalid, match="no grid at one height"):
        field_plane(plan, only(plane, slice(2)), np.array([40.0]))
    section = field_section(plan, grid)
    assert section is not None
    assert "at 8 measured places" in str(section.blocks[0])
    picture = section.blocks[1]
    assert isinstance(picture, Picture)
    picture.draw(drawn := Figure())
    assert len(drawn.axes) == 4  # three frequencies and the key
