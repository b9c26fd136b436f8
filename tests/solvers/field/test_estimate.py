"""The field in rooms that are known: another model than its own where it is judged, noise on what was measured."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from roommodes.acoustics.transfer import transfer_function
from roommodes.arrays import Complexes, Floats
from roommodes.errors import ProjectInvalid
from roommodes.measured.data import Common, Manifest, MeasuredSeats, MeasuredSet, MeasuredSubs, Scale
from roommodes.measured.loading import load_manifest
from roommodes.project.project import Project
from roommodes.project.reading import load_project, parse_project
from roommodes.responses.frequency_grid import log_grid
from solvers.field.estimate import FIELD, INTERPOLATION, MODEL_ALONE, Estimate, estimate

FOLDER = Path(__file__).parents[4] / "shared" / "measured-room-2"
DRAWN = """
format = 1
name = "drawn"
[room]
length_m = 6.1
width_m = 4.3
height_m = 2.5
loss_factor = 0.02
[walls]
front = "boards"
rear = "boards"
left = "boards"
[constructions.boards]
kind = "impedance"
mass_kg_m2 = 14
resistance_pa_s_m = 1500
stiffness_pa_m = 9.0e5
[[rows]]
name = "row"
x_m = 3.6
y_m = [1.4, 2.2, 3.0]
ear_height_m = 1.15
[[zones]]
name = "front wall"
from_m = [0.3, 0.3, 0.3]
to_m = [0.3, 4.0, 0.3]
"""
BUILT = DRAWN.replace("mass_kg_m2 = 14", "mass_kg_m2 = 22").replace(
    'left = "boards"', 'left = "boards"\nright = "boards"'
)
SUBS = np.array([[0.3, 0.4, 0.3], [0.3, 3.7, 0.3]])
NOISE = 0.03


def measured_in(project: Project, place_m: Floats, seed: int) -> tuple[MeasuredSet, Floats, Complexes]:
    """A set with noise; places that were not measured, (40, 3), and what the room gives there, (n_freq, 40, n_sub)."""
    hz = log_grid(30.0, 110.0, 12)
    rng = np.random.default_rng(seed)
    elsewhere = rng.uniform([1.0, 0.6, 0.9], [5.5, 3.7, 1.5], size=(40, 3))
    true = transfer_function(
        project.room,
        project.surfaces(),
        frequency_hz=hz,
        seat_m=np.concatenate([place_m, elsewhere]),
        source_m=SUBS,
    )
    true *= 3.0 * (hz / 50.0)[:, None, None] ** 2 / (1.0 + (hz / 50.0)[:, None, None] ** 2) * np.exp(0.7j)
    n = len(place_m)
    noise = (
        rng.normal(size=(2, len(hz), n, 2)) * NOISE * np.sqrt(np.mean(np.abs(true) ** 2, axis=1, keepdims=True) / 2.0)
    )
    found = MeasuredSet(
        name="seeded",
        frequency_hz=hz,
        transfer=true[:, :n] + noise[0] + 1j * noise[1],
        noise=np.full((len(hz), 2), np.nan),
        subs=MeasuredSubs(name=("left", "right"), position_m=SUBS.copy(), candidate=np.array([-1, -1])),
        seats=MeasuredSeats(
            name=tuple(f"m {k}" for k in range(n)),
            position_m=place_m.copy(),
            seat=np.full(n, -1, dtype=np.intp),
            known=np.ones(n, dtype=np.bool_),
        ),
        scale=Scale(level="relative"),
        common=Common(level=True, polarity=True, time=True),
        notes=(),
        files=(),
        manifest=Manifest(text="", source="seeded"),
    )
    return found, elsewhere, true[:, n:]


def places(seed: int, count: int) -> Floats:
    return np.random.default_rng(seed).uniform([1.2, 0.7, 0.9], [5.4, 3.6, 1.5], size=(count, 3))


def left(found: Complexes, true: Complexes) -> float:
    """Share of the rms at each frequency and sub that is left."""
    share = (np.abs(found - true) ** 2).mean(axis=1) / (np.abs(true) ** 2).mean(axis=1)
    return float(np.sqrt(share.mean()))


@pytest.fixture(scope="module")
def wrong_room() -> tuple[Estimate, Complexes]:
    """Measured in a room whose boards are heavier and cover a wall more than drawn."""
    measured, at, true = measured_in(parse_project(BUILT, source="built"), places(1, 12), seed=3)
    drawn = parse_project(DRAWN, source="drawn")
    return estimate(drawn, measured, [f"p {k}" for k in range(len(at))], at), true


def test_a_room_drawn_wrong_is_filled_in_by_what_was_measured(wrong_room: tuple[Estimate, Complexes]) -> None:
    """At 40 places that were not measured, and by the error that the estimate itself states."""
    found, true = wrong_room
    stated = {way: found.left_out.worth(way).left for way in found.left_out.ways}
    assert left(found.pressure, true) < 0.35
    assert stated[FIELD] < min(stated[MODEL_ALONE], stated[INTERPOLATION]) + 0.02
    assert 0.6 < stated[FIELD] / left(found.pressure, true) < 1.7


def test_deviations_hold_where_nobody_measured(wrong_room: tuple[Estimate, Complexes]) -> None:
    found, true = wrong_room
    within = float(np.mean(np.abs(found.pressure - true) <= found.deviation))
    assert 0.60 < within < 0.85
    assert 0.60 < found.left_out.worth(FIELD).within < 0.76


def test_a_room_drawn_right_is_known_better_than_by_interpolation() -> None:
    drawn = parse_project(DRAWN, source="drawn")
    measured, at, true = measured_in(drawn, places(2, 8), seed=5)
    found = estimate(drawn, measured, [f"p {k}" for k in range(len(at))], at)
    worth = {way: found.left_out.worth(way).left for way in found.left_out.ways}
    assert left(found.pressure, true) < 0.06  # the noise is 3 %
    assert worth[FIELD] < worth[MODEL_ALONE] + 0.02
    assert worth[INTERPOLATION] > 0.15
    assert float(np.mean(np.abs(found.pressure - true) <= found.deviation)) > 0.6


def test_three_places_and_a_sub_of_unknown_place_are_refused() -> None:
    drawn = parse_project(DRAWN, source="drawn")
    measured, at, _ = measured_in(drawn, places(2, 3), seed=5)
    lost = measured.subs.position_m.copy()
    lost[1] = np.nan
    measured = replace(measured, subs=replace(measured.subs, position_m=lost))
    with pytest.raises(ProjectInvalid) as caught:
        estimate(drawn, measured, ["p"], at[:1])
    assert [fault.where for fault in caught.value.faults] == ["subs[1].position_m", "responses"]


@pytest.mark.skipif(not FOLDER.is_dir(), reason="the measured room's files are not beside this checkout")
def test_the_measured_room() -> None:
    """In closed form; `benchmarks.measured_room` leaves each place out of all that is fitted, in both settings."""
    project = load_project(FOLDER / "room.toml")
    measured = load_manifest(FOLDER / "reflective.toml", project)
    found = estimate(project, measured, ["p"], np.array([[5.0, 3.0, 1.2]]))
    worth = {way: found.left_out.worth(way) for way in found.left_out.ways}
    assert worth[FIELD].left < 0.25
    assert worth[FIELD].median_db < 0.8
    assert worth[FIELD].rms_db < 2.5
    assert worth[FIELD].left < min(worth[MODEL_ALONE].left, worth[INTERPOLATION].left) + 0.02
    assert worth[INTERPOLATION].left == pytest.approx(0.32, abs=0.02)  # the set's own readme
