"""Walls that no construction of the project can be: admittances say what they do, and refuse what is no room."""

from dataclasses import replace
from functools import partial

import numpy as np
import pytest

from roommodes.acoustics.transfer import transfer_function
from roommodes.arrays import Floats
from roommodes.measured.data import Common, Manifest, MeasuredSeats, MeasuredSet, MeasuredSubs, Scale
from roommodes.project.project import Project
from roommodes.project.reading import parse_project
from roommodes.responses.frequency_grid import log_grid
from solvers.fit.corrected_project import corrected_project
from solvers.fit.freed_walls import folds
from solvers.fit.outcome import Fit
from solvers.fit.run import Settings, fit
from solvers.fit.verdict import Verdict

DRAWN = """
format = 1
name = "heavy boards"
[room]
length_m = 5.0
width_m = 4.0
height_m = 2.4
loss_factor = 0.06
[walls]
front = "boards"
rear = "boards"
left = "side"
right = "side"
{made}
[[rows]]
name = "row"
x_m = 3.0
y_m = [1.0, 2.0]
ear_height_m = 1.2
[[zones]]
name = "front"
from_m = [0.3, 0.3, 0.3]
to_m = [0.3, 3.0, 0.3]
"""


def made(mass: float, resistance: float, stiffness: float, side_mass: float, side_resistance: float) -> str:
    """Boards at both ends, and the side walls."""
    boards = f"mass_kg_m2 = {mass}\nresistance_pa_s_m = {resistance}\nstiffness_pa_m = {stiffness}\n"
    side = f"mass_kg_m2 = {side_mass}\nresistance_pa_s_m = {side_resistance}\nstiffness_pa_m = 1.3e6\n"
    return f'[constructions.boards]\nkind = "impedance"\n{boards}[constructions.side]\nkind = "impedance"\n{side}'


HEAVY, SKINS = made(30, 2500, 1.2e6, 15, 2500), made(1.2, 350, 1e4, 8, 1500)
HZ = log_grid(45.0, 85.0, 12)
SOURCE = np.array([[1.1, 1.3, 1.0]])
HELD = Settings(hold=("subs", "microphones"), own="none")


def project(made: str) -> Project:
    return parse_project(DRAWN.format(made=made), source="room.toml")


def in_the_built_room(place_m: Floats) -> np.ndarray:
    """Light skins before the walls, the room 12 cm longer."""
    built = project(SKINS).with_(length_m=5.12)
    return transfer_function(built.room, built.surfaces(), frequency_hz=HZ, seat_m=place_m, source_m=SOURCE)


def measured_set() -> MeasuredSet:
    place = np.random.default_rng(5).uniform([0.8, 0.6, 0.8], [4.4, 3.4, 1.6], size=(9, 3))
    value = in_the_built_room(place)
    rng = np.random.default_rng(2)
    noise = 0.01 * np.sqrt(np.mean(np.abs(value) ** 2, axis=1) / 2.0)
    value = value + noise[:, None] * (rng.normal(size=value.shape) + 1j * rng.normal(size=value.shape))
    return MeasuredSet(
        name="skins",
        frequency_hz=HZ,
        transfer=value,
        noise=np.sqrt(2.0) * noise,
        subs=MeasuredSubs(name=("source",), position_m=SOURCE.copy(), candidate=np.array([-1])),
        seats=MeasuredSeats(
            name=tuple(f"m {k}" for k in range(9)),
            position_m=place,
            seat=np.full(9, -1),
            known=np.ones(9, dtype=np.bool_),
        ),
        scale=Scale(level="per metre"),
        common=Common(level=True, polarity=True, time=True),
        notes=(),
        files=(),
        manifest=Manifest(text="", source="skins.toml"),
    )


@pytest.fixture(scope="module")
def found() -> Fit:
    return fit(project(HEAVY), measured_set(), HELD)


def test_walls_are_freed_where_constructions_leave_most(found: Fit) -> None:
    assert found.freed is not None
    assert found.freed.owners == ("boards", "side")
    assert found.freed.left_before > 0.3
    assert found.compared.misfit_after < 0.2
    assert found.freed.left_out < 0.3
    assert "not what they are built of" in found.remarks[0]


def test_the_corrected_project_predicts_places_that_were_not_measured(found: Fit) -> None:
    """At forty places; the drawn room leaves more than the field itself there."""
    text = corrected_project(project(HEAVY), measured_set(), found)
    assert 'front = "boards as measured"' in text
    corrected = parse_project(text, source="corrected")
    assert corrected.room.size_m[0] == pytest.approx(5.12, abs=0.06)
    place = np.random.default_rng(9).uniform([0.8, 0.6, 0.8], [4.4, 3.4, 1.6], size=(40, 3))
    true = in_the_built_room(place)
    heard = partial(transfer_function, frequency_hz=HZ, seat_m=place, source_m=SOURCE)
    left = []
    for one in (project(HEAVY), corrected):
        error = np.abs(heard(one.room, one.surfaces()) - true) ** 2
        left.append(float(np.sqrt(np.mean(error.mean(axis=1) / (np.abs(true) ** 2).mean(axis=1)))))
    assert left[1] < 0.3
    assert left[0] > 0.6


def test_microphones_in_disorder_free_no_wall() -> None:
    """Nine numbers at the wrong places are no room: nothing is given."""
    measured = measured_set()
    order = np.array([4, 7, 1, 8, 0, 3, 5, 2, 6])
    mixed = replace(measured, transfer=measured.transfer[:, order].copy())
    found = fit(project(HEAVY), mixed, HELD)
    assert found.freed is None
    assert found.verdict is Verdict.REFUSED


def test_every_place_is_left_out_once() -> None:
    measured = measured_set()
    parts = list(folds(measured))
    assert sorted(np.concatenate([out for _, out in parts]).tolist()) == list(range(9))
    for kept, out in parts:
        assert not set(kept.seats.name) & {measured.seats.name[at] for at in out}
