"""The built-in strategies against what their publications say of them.

Sources: T. Welti, AES 112th Convention, paper 5602, 2002 (from quotations of it); T. Welti and A. Devantier, J. Audio
Eng. Soc. 54(5), 2006 (abstract seen); U. P. Goertz et al., 22nd Tonmeistertagung, 2002 (from memory); A. Celestinos and
S. B. Nielsen, J. Audio Eng. Soc. 56(11), 2008 (abstract seen, details from memory). Their numbers are of rooms that are
not known well enough to be built again, so it is what they say that is tested: orders, and laws of the rigid room.
"""

import json
from functools import cache

import numpy as np
import pytest

from roommodes.acoustics.transfer import transfer_function
from roommodes.project.reading import parse_project
from roommodes.responses.metrics import drive_weights, seat_pressure
from roommodes.studies.design import study_rooms
from roommodes.studies.reading import parse_study
from roommodes.studies.records import JobRecord, StudyJob
from solvers.study.job import do_job, study_jobs
from tests.conftest import Close

SPEED_M_S = 343.2
HEAD = """\
format = 1
name = "as published"
seed = 3
[rooms]
design = "every combination"
length_m = {length}
width_m = {width}
height_m = {height}
loss_factor = {loss}
[[seatings]]
name = "the middle of the room"
rows = [
  {{ x_fraction = 0.38, y_fraction = [0.3, 0.43, 0.57, 0.7], ear_height_m = 1.1 }},
  {{ x_fraction = 0.50, y_fraction = [0.3, 0.43, 0.57, 0.7], ear_height_m = 1.1 }},
  {{ x_fraction = 0.62, y_fraction = [0.3, 0.43, 0.57, 0.7], ear_height_m = 1.1 }},
]
[places]
inset_m = {inset}
height_m = {inset}
[search]
band_hz = {band}
points_per_octave = 12
judged_points_per_octave = {judged}
"""


def arm(subs: int, positions: str, more: str = "") -> str:
    name = f"{subs} {positions} {more}".replace('"', "")
    return f'[[strategies]]\nname = "{name}"\nsubs = {subs}\npositions = "{positions}"\n{more}\n'


ONE_CORNER = "at_fraction = [[0, 0, 0]]"
TWO_MIDDLES = "at_fraction = [[0, 0.5, 0], [1, 0.5, 0]]"
ADJUSTED = 'adjust = ["delays", "gains", "polarity"]'


def jobs(arms: str, **room: object) -> tuple[StudyJob, ...]:
    given = {"length": 6.5, "width": 4.6, "height": 2.6, "loss": 0.02, "inset": 0.02, "band": [20, 80], "judged": 48}
    study = parse_study(HEAD.format(**{**given, **room}) + arms, source="study.toml")
    return study_jobs(study, study_rooms(study))


def pressure(job: StudyJob, record: JobRecord, place: int, points_m: np.ndarray, hz: np.ndarray) -> np.ndarray:
    """What a strategy gives at points: (n_freq, n_point) [1/m]."""
    project = parse_project(json.loads(job.text)["project"], source="room")
    there = np.isfinite(record.arrays["gain_db"][place])
    gain_db, delay_s, polarity = (record.arrays[key][place, there] for key in ("gain_db", "delay_s", "polarity"))
    transfer = transfer_function(
        project.room,
        project.surfaces(),
        frequency_hz=hz,
        seat_m=points_m,
        source_m=record.arrays["position_m"][place, there],
    )
    weights = drive_weights(hz, gain_db=gain_db, delay_s=delay_s, polarity=polarity)
    return seat_pressure(transfer, weights)


@cache
def classic() -> tuple[tuple[float, JobRecord], ...]:
    """One corner, two midpoints, four midpoints, four corners, quarter points, in nine rooms with their lengths."""
    arms = arm(1, "given", ONE_CORNER) + arm(2, "given", TWO_MIDDLES) + arm(4, "wall midpoints") + arm(4, "corners")
    arms += arm(4, "quarter points")
    sizes = {"length": [5.4, 6.3, 7.2], "width": [3.9, 4.4, 5.0]}
    done = [do_job(job.text, job.key) for job in jobs(arms, **sizes)]
    return tuple((sizes["length"][k // 3], record) for k, record in enumerate(done))


def test_midpoints_and_corners_stand_in_weltis_order() -> None:
    """Central seats: four midpoints are the most even on average, two nearly so, both far before one corner."""
    variation = np.array([record.arrays["variation_db"] for _, record in classic()])
    one, two, four_middles, four_corners = variation.T[:4]
    assert np.all(two < one)
    assert np.all(four_middles < one)
    assert np.all(four_corners < one)
    assert four_middles.mean() < two.mean() < four_corners.mean() + 0.5
    assert two.mean() - four_middles.mean() < 0.5 * (one.mean() - two.mean())  # "nearly as good"


def test_midpoints_are_weak_below_the_second_axial_mode_and_corners_are_not() -> None:
    """Welti: four midpoints drive neither (2, 0) nor (0, 2), four corners drive both fully."""
    for length, record in classic():
        below = record.frequency_hz < 0.95 * SPEED_M_S / length
        output = record.arrays["output_at_db"]
        assert np.mean((output[3] - output[2])[below]) > 1.0


@pytest.mark.parametrize(
    ("place", "sums"),
    [
        # entries of the sum of cos cos over the subs, modes (1,0) (0,1) (1,1) (2,0) (0,2) (2,1) (2,2): exact
        (3, (0, 0, 0, 4, 4, 0, 4)),
        (2, (0, 0, 0, 0, 0, 0, -4)),
        (1, (0, 0, 0, 2, -2, 0, -2)),
        (4, (0, 0, 0, 0, 0, 0, 0)),
    ],
)
def test_layouts_drive_the_modes_that_their_symmetry_lets_them(place: int, sums: tuple[int, ...]) -> None:
    """In a rigid room, from the positions that the strategy took, moved onto the walls that they stand at."""
    _, record = classic()[4]
    there = record.arrays["position_m"][place]
    there = there[np.isfinite(there[:, 0]), :2]
    size = (6.3, 4.4)
    fractions = there / size
    fractions = np.where(np.abs(there - np.array(size)) < 0.03, 1.0, np.where(there < 0.03, 0.0, fractions))
    modes = ((1, 0), (0, 1), (1, 1), (2, 0), (0, 2), (2, 1), (2, 2))
    found = [np.sum(np.cos(np.pi * n * fractions[:, 0]) * np.cos(np.pi * m * fractions[:, 1])) for n, m in modes]
    assert np.allclose(found, sums, rtol=0, atol=1e-9)


def test_settings_searched_for_the_seats_beat_the_same_subs_alike() -> None:
    """Welti and Devantier: gain and delay of each sub from a search over the seats lower the spread."""
    arms = arm(4, "corners") + arm(4, "corners", ADJUSTED) + arm(2, "front wall") + arm(2, "front wall", ADJUSTED)
    arms += arm(2, "free", ADJUSTED)
    for job in jobs(arms, length=[5.4, 7.2], width=4.4, inset=0.25, judged=96):
        corners, adjusted, front, front_adjusted, free = do_job(job.text, job.key).arrays["variation_db"]
        assert adjusted < corners + 0.05  # seats and corners share the room's symmetry: alike is hard to beat
        assert front_adjusted < front - 1.0
        assert free < front_adjusted + 0.05  # of all walls the front is one


@pytest.mark.parametrize(("positions", "subs"), [("front-and-rear pairs", 4), ("front-and-rear arrays", 8)])
def test_the_front_sends_a_plane_wave_that_the_rear_takes_up(close: Close, positions: str, subs: int) -> None:
    """Rigid walls, hardly any loss: one level everywhere, and a phase that falls as k x.

    Law of the tube with a piston at x = 0 and a second one at L, inverted and late by L / c (Goertz et al.; Celestinos
    and Nielsen): p = rho c (U / S) e^{-jkx}. With the program's p / (j omega rho q / 4 pi), q the sum of the front's
    volume velocities, that is 4 pi / (k S) for each of the front. It holds below the first mode
    across that the sources drive; with pairs at a quarter of the width and half the height that is c / height.
    """
    width, height = 4.6, 2.6
    (job,) = jobs(arm(subs, positions, "trim = []"), loss=1e-5, inset=0.0, band=[20, 100])
    record = do_job(job.text, job.key)
    x = np.linspace(2.2, 4.3, 9)  # where what dies away near the sources is gone
    points = np.array([(a, b, c) for a in x for b, c in ((1.1, 1.0), (3.0, 1.7))])
    hz = np.array([22.0, 31.0, 47.0, 63.0, 80.0])
    found = pressure(job, record, 0, points, hz)
    k = 2 * np.pi * hz / SPEED_M_S
    expected = subs / 2 * 4 * np.pi / (1j * k[:, None] * width * height) * np.exp(-1j * np.outer(k, points[:, 0]))
    assert np.abs(found / expected - 1.0).max() < 0.05
    assert record.arrays["variation_db"][0] < 0.35


def test_on_the_floor_the_pairs_drive_the_first_mode_upwards() -> None:
    """Half the height is what takes (0, 0, 1) out: c / 2 height is in the band."""
    text = arm(4, "front-and-rear pairs") + arm(4, "front-and-rear pairs", "height_fraction = 0")
    (job,) = jobs(text, loss=0.01, inset=0.1, band=[20, 100])
    half, floor = do_job(job.text, job.key).arrays["variation_db"]
    assert half < 0.5 * floor


def test_where_walls_damp_the_rear_is_turned_down() -> None:
    """Celestinos and Nielsen: the wave has lost some on its way, and the rear's gain follows.

    Law: with a bulk loss eta the wave reaches the rear weaker by e^{-eta omega L / 2c}; at the middle of the band
    that is the gain which takes it up.
    """
    arms = arm(4, "front-and-rear pairs", "trim = []") + arm(4, "front-and-rear pairs")
    arms += arm(8, "front-and-rear arrays", "trim = []") + arm(8, "front-and-rear arrays")
    gains = []
    for loss in (0.01, 0.05, 0.1):
        (job,) = jobs(arms, loss=loss, inset=0.02, band=[20, 80])
        record = do_job(job.text, job.key)
        assert record.arrays["variation_db"][1] <= record.arrays["variation_db"][0]
        assert record.arrays["variation_db"][3] <= record.arrays["variation_db"][2]
        pairs, arrays = record.arrays["gain_db"][1, 2], record.arrays["gain_db"][3, 4]
        lost_db = -8.686 * loss * np.pi * 40.0 * 6.5 / SPEED_M_S
        assert 1.5 * lost_db < pairs < 0.5 * lost_db
        assert abs(pairs - arrays) < 0.3
        gains.append(pairs)
    assert gains[0] > gains[1] > gains[2]
