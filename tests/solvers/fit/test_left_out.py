"""What a fit is worth at places left out: the closed form against fits that never saw the place."""

from dataclasses import replace

import numpy as np
import pytest

from roommodes.measured.data import Common, Manifest, MeasuredSeats, MeasuredSet, MeasuredSubs, Scale
from roommodes.project.project import Project
from roommodes.project.reading import parse_project
from roommodes.responses.frequency_grid import log_grid
from solvers.field.estimate import INTERPOLATION, MODEL_ALONE
from solvers.fit.freed_walls import response_at
from solvers.fit.left_out import FIT
from solvers.fit.outcome import Fit
from solvers.fit.run import Settings, fit
from tests.solvers.field.test_on_plan import ABOUT, ROOM, SUBS, by_images

SETTINGS = Settings(hold=("size", "microphones", "subs"), terms=4)
HZ = log_grid(30.0, 70.0, 9)


def seen(places: np.ndarray) -> MeasuredSet:
    """The image sources' room, which no wall that the project draws is like, at some places."""
    n = len(places)
    return MeasuredSet(
        name="set",
        frequency_hz=HZ,
        transfer=by_images(places, HZ),
        noise=np.full((len(HZ), 2), np.nan),
        subs=MeasuredSubs(name=("left", "right"), position_m=SUBS.copy(), candidate=np.array([-1, -1])),
        seats=MeasuredSeats(
            name=tuple(f"m {k}" for k in range(n)),
            position_m=places.copy(),
            seat=np.full(n, -1),
            known=np.ones(n, dtype=np.bool_),
        ),
        scale=Scale(level="relative"),
        common=Common(level=True, polarity=True, time=True),
        notes=(),
        files=(),
        manifest=Manifest(text="", source="set.toml"),
    )


@pytest.fixture(scope="module")
def project() -> Project:
    return parse_project(ROOM, source="room.toml")


@pytest.fixture(scope="module")
def found(project: Project) -> Fit:
    return fit(project, seen(ABOUT), SETTINGS)


def test_the_closed_form_is_what_a_fit_to_the_others_leaves(project: Project, found: Fit) -> None:
    left_out = found.judgement.left_out
    assert left_out is not None
    assert left_out.ways == (FIT, MODEL_ALONE, INTERPOLATION)
    rms = np.sqrt(np.mean(np.abs(left_out.data) ** 2, axis=1))
    for place in (0, 3):
        kept = np.delete(np.arange(len(ABOUT)), place)
        other = fit(project, seen(ABOUT[kept]), SETTINGS)
        model = response_at(other.space, other.situation, HZ, ABOUT[[place]])[:, 0] * other.source.own
        refitted = np.sqrt(np.mean((np.abs(model - left_out.data[:, place]) / rms) ** 2))
        closed = np.sqrt(np.mean((np.abs(left_out.found[FIT][:, place] - left_out.data[:, place]) / rms) ** 2))
        fitted = np.sqrt(np.mean((np.abs(found.compared.after - found.compared.data)[:, place] / rms) ** 2))
        assert closed == pytest.approx(refitted, rel=0.06)
        assert fitted < closed  # what was fitted to a place knows it


def test_the_table_has_levels_and_percent_by_third_octave(found: Fit) -> None:
    left_out = found.judgement.left_out
    assert left_out is not None
    table = left_out.table()
    assert table.band_hz.tolist() == [31.5, 40.0, 50.0, 63.0, 0.0]
    assert table.left[-1, 0] == pytest.approx(left_out.worth(FIT).left)
    assert np.isfinite(table.left).all()
    assert np.isfinite(table.rms_db).all()
    assert not table.states_deviations
    assert table.left[-1, 0] < table.left[-1, 1]  # corrected, the room tells more than as drawn


def test_files_without_a_common_level_tell_nothing_of_places_left_out(project: Project) -> None:
    measured = replace(seen(ABOUT), common=Common(level=False, polarity=True, time=True))
    assert fit(project, measured, SETTINGS).judgement.left_out is None
