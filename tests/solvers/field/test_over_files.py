"""What was estimated over more than the search's band, against the responses themselves."""

from dataclasses import replace

import numpy as np
import pytest

from roommodes.acoustics.transfer import transfer_function
from roommodes.measured.data import Further, MeasuredSet
from roommodes.measured.places import exchanged_set
from roommodes.project.project import Project
from roommodes.project.reading import parse_project
from roommodes.responses.frequency_grid import log_grid
from roommodes.responses.wide_band import WideBand
from solvers.field.filled import OWN_BAND, filled
from solvers.plans.measured_basis import measured_basis
from tests.measuring import ROOM
from tests.solvers.field.test_filled import HZ, WALL, as_measured
from tests.solvers.field.test_on_plan import ABOUT, SUBS, by_images
from tests.solvers.field.test_on_plan import ROOM as IMAGE_ROOM

FILES_HZ = np.arange(74, 301) / 3.0  # 24.67 to 100 Hz


@pytest.fixture(scope="module")
def project() -> Project:
    return parse_project(ROOM, source="room.toml")


def true(project: Project, place_m: np.ndarray, source_m: np.ndarray) -> np.ndarray:
    return transfer_function(project.room, project.surfaces(), frequency_hz=FILES_HZ, seat_m=place_m, source_m=source_m)


def with_files(project: Project, measured: MeasuredSet) -> MeasuredSet:
    """The set with its responses over all that its files tell, no noise in them."""
    value = true(project, measured.seats.position_m, measured.subs.position_m)
    wide = WideBand(frequency_hz=FILES_HZ, transfer=value, told_s=3.0)
    return replace(measured, further=Further(search_hz=HZ, search_transfer=measured.transfer, wide=wide))


def seats_set(project: Project) -> MeasuredSet:
    """Two of three seats and five places about them; two subs."""
    about = np.array([[2.0, 1.2, 1.1], [3.2, 1.5, 1.1], [2.1, 2.6, 1.1], [3.1, 2.8, 1.1], [2.6, 3.3, 1.2]])
    places = np.concatenate([project.seats.position_m[[0, 2]], about])
    subs = np.array([[0.3, 0.3, 0.3], [0.3, 3.6, 0.3]])
    measured = as_measured(project, places, subs, ("left", "right"))
    seats = replace(measured.seats, name=("front 1", "front 3", *"abcde"), seat=np.array([0, 2, *[-1] * 5]))
    return replace(measured, seats=seats)


def test_a_seat_that_was_not_measured_is_kept_over_the_files_band(project: Project) -> None:
    measured = seats_set(project)
    found = filled(project, with_files(project, measured)).measured
    plain = filled(project, measured).measured
    assert np.array_equal(found.transfer, plain.transfer)  # the search sees no difference
    assert OWN_BAND in plain.notes[-1]
    assert "For crossover and decay it is estimated from 24.67 to 100 Hz." in found.notes[-1]
    wide = measured_basis(project, found).measured.wide
    want = true(project, project.seats.position_m, measured.subs.position_m)[::2]
    np.testing.assert_allclose(wide.frequency_hz, FILES_HZ[::2])
    assert wide.told_s == pytest.approx(1.5)
    rms = np.sqrt(np.mean(np.abs(want) ** 2))
    np.testing.assert_allclose(wide.transfer[:, [0, 2]], want[:, [0, 2]], atol=1e-9 * rms)
    assert np.sqrt(np.mean(np.abs(wide.transfer[:, 1] - want[:, 1]) ** 2)) < 0.1 * rms
    again = wide.at(HZ)[:, 1]  # and in the search's band it is what was searched on
    assert np.sqrt(np.mean(np.abs(again - found.transfer[:, 1]) ** 2)) < 0.03 * rms


def test_candidates_by_reciprocity_are_kept_over_the_files_band(project: Project) -> None:
    seats = project.seats
    stood = with_files(project, as_measured(project, WALL, seats.position_m.copy(), seats.name))
    basis = measured_basis(
        project, (found := filled(project, exchanged_set(stood, project))).measured, estimated=found.estimated
    )
    wide = basis.measured.wide
    want = true(project, basis.seats.position_m, basis.candidates.position_m)[::2][: len(wide.frequency_hz)]
    assert wide.transfer.shape == want.shape
    rms = np.sqrt(np.mean(np.abs(want) ** 2))
    assert np.sqrt(np.mean(np.abs(wide.transfer - want) ** 2)) < 0.1 * rms


@pytest.mark.parametrize(
    ("about", "words"), [(5, "to 160 Hz, at most an octave"), (1, "beyond, one deviation is over 50%")]
)
def test_it_reaches_as_far_as_it_holds_in_a_room_of_other_walls(about: int, words: str) -> None:
    """Image sources with walls that the project does not draw: files to 200 Hz, a search to 80 Hz."""
    room = parse_project(IMAGE_ROOM, source="room.toml")
    places = np.concatenate([room.seats.position_m[:3], ABOUT[:about]])
    measured = as_measured(room, places, SUBS, ("left", "right"))
    seat = np.array([0, 1, 2, *[-1] * about])
    seats = replace(measured.seats, name=(*room.seats.name[:3], *"abcde"[:about]), seat=seat)
    wide_hz, hz = np.arange(45, 601) / 3.0, log_grid(30.0, 80.0, 9)
    wide = WideBand(frequency_hz=wide_hz, transfer=by_images(places, wide_hz), told_s=3.0)
    transfer = by_images(places, hz)
    further = Further(search_hz=hz, search_transfer=transfer, wide=wide)
    noise = np.full((len(hz), 2), np.nan)
    asked = replace(measured, frequency_hz=hz, transfer=transfer, noise=noise, seats=seats, further=further)
    found = filled(room, asked).measured
    kept = found.further.wide
    assert words in found.notes[-1]
    want = by_images(room.seats.position_m[3:], kept.frequency_hz)
    rms = np.sqrt(np.mean(np.abs(want) ** 2, axis=(1, 2)))
    off = np.sqrt(np.mean(np.abs(kept.transfer[:, 3:5] - want) ** 2, axis=(1, 2))) / rms
    assert np.sqrt(np.mean(off**2)) < 0.3
