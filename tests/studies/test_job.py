"""One room with all strategies: positions, drives and figures, held against the model asked directly."""

import json
from dataclasses import replace

import numpy as np
import pytest

from roommodes.acoustics.transfer import transfer_function
from roommodes.project.project import Project
from roommodes.project.reading import parse_project
from roommodes.responses.metrics import drive_weights, level_db, seat_pressure, variation_db
from roommodes.studies.design import study_rooms
from roommodes.studies.reading import parse_study
from roommodes.studies.records import JobRecord, StudyJob
from solvers.plans.by_hand import predict_layout
from solvers.study.answers import AS_GIVEN
from solvers.study.job import NO_LAYOUT, do_job, job_seed, study_jobs
from solvers.study.places import arms_of
from tests.conftest import Close
from tests.studies.texts import tiny

EVERY = """\
[[strategies]]
name = "corners"
subs = 4
positions = "corners"
[[strategies]]
name = "midpoints"
subs = 4
positions = "wall midpoints"
[[strategies]]
name = "quarters"
subs = 4
positions = "quarter points"
[[strategies]]
name = "pairs"
subs = 4
positions = "front-and-rear pairs"
[[strategies]]
name = "front, adjusted"
subs = 2
positions = "front wall"
adjust = ["delays", "gains", "polarity"]
[[strategies]]
name = "free, adjusted"
subs = 2
positions = "free"
adjust = ["delays", "gains", "polarity"]
[[strategies]]
name = "arrays"
subs = 8
positions = "front-and-rear arrays"
[[strategies]]
name = "corners, own settings"
subs = 4
positions = "corners"
height_fraction = [0.0, 0.5, 0.5, 1.0]
gain_db = [0, -1, -2, -3]
delay_ms = [0, 0, 2, 2]
delay_room_lengths = [0, 0, 0.5, 0.5]
polarity = [1, -1, 1, -1]
trim = [{ subs = [2], delay_ms = [-3, 3] }, { subs = [3, 4], gain_db = [-6, 2] }]
[[strategies]]
name = "pairs, adjusted"
subs = 4
positions = "front-and-rear pairs"
adjust = ["gains"]
[places]
seat_distance_m = 0.0
"""
SUBS = (1, 2, 4, 4, 4, 4, 2, 2, 8, 4, 4)
JUDGED = "points_per_octave = 4\njudged_points_per_octave = 48"  # 7 steps of the search, 12 times as many to judge on
SAME_GRID = 50  # points an octave that give these 84 steps


def jobs_of(text: str) -> tuple[StudyJob, ...]:
    study = parse_study(text, source="study.toml")
    return study_jobs(study, study_rooms(study))


@pytest.fixture(scope="module")
def job() -> StudyJob:
    text = tiny(1).replace("[search]", EVERY + "[search]").replace("points_per_octave = 4", JUDGED)
    return jobs_of(text)[0]


@pytest.fixture(scope="module")
def record(job: StudyJob) -> JobRecord:
    return do_job(job.text, job.key)


def project_of(job: StudyJob) -> Project:
    return parse_project(json.loads(job.text)["project"], source="room")


def test_positions_are_where_their_names_say(job: StudyJob, record: JobRecord) -> None:
    length, width, height = project_of(job).room.size_m
    near, far, side = 0.25, length - 0.25, width - 0.25
    expected = {
        0: [(near, near)],
        1: [(near, width / 2), (far, width / 2)],
        2: [(near, near), (near, side), (far, near), (far, side)],
        3: [(near, width / 2), (far, width / 2), (length / 2, near), (length / 2, side)],
        4: [(length * a, width * b) for a in (0.25, 0.75) for b in (0.25, 0.75)],
        5: [(near, width / 4), (near, 3 * width / 4), (far, width / 4), (far, 3 * width / 4)],
    }
    for place, points in expected.items():
        where = record.arrays["position_m"][place, : len(points)]
        assert np.allclose(where[:, :2], points, rtol=0, atol=1e-9)
        assert np.all(where[:, 2] == (0.25 if place != 5 else height / 2))
        assert np.all(np.isnan(record.arrays["position_m"][place, len(points) :]))
    assert np.allclose(record.arrays["position_m"][6, :2, 0], near)
    free = record.arrays["position_m"][7, :2]
    on_a_wall = np.isclose(free[:, 0], near) | np.isclose(free[:, 0], far)
    on_a_wall |= np.isclose(free[:, 1], near) | np.isclose(free[:, 1], side)
    assert np.all(on_a_wall)
    arrays = record.arrays["position_m"][8]
    quarters = {(round(width * b, 9), round(height * c, 9)) for b in (0.25, 0.75) for c in (0.25, 0.75)}
    for wall, x in ((arrays[:4], near), (arrays[4:], far)):
        assert np.all(wall[:, 0] == x)
        assert {(round(y, 9), round(z, 9)) for _, y, z in wall} == quarters
    own = record.arrays["position_m"][9, :4, 2]
    assert np.allclose(own, [0.25, height / 2, height / 2, height - 0.25], rtol=0, atol=1e-12)


def test_settings_are_those_of_the_strategy_and_what_was_trimmed(job: StudyJob, record: JobRecord) -> None:
    room = project_of(job).room
    along_ms = 1e3 * room.length_m / room.air.speed_of_sound_m_s
    gain, delay = record.arrays["gain_db"][9, :4], 1e3 * record.arrays["delay_s"][9, :4]
    assert record.arrays["polarity"][9, :4].tolist() == [1, -1, 1, -1]
    assert gain[0] == 0.0
    assert gain[1] == -1.0
    assert gain[2] - gain[3] == pytest.approx(1.0)  # one trim for both
    assert -8.0 <= gain[2] <= 0.0
    late = delay - delay[0]  # what is common changes nothing
    assert late[2] == pytest.approx(late[3])
    assert late[2] == pytest.approx(2.0 + along_ms / 2)
    assert -3.0 <= late[1] <= 3.0
    assert delay.min() >= 0.0
    adjusted = record.arrays["delay_s"][10, :4]
    assert np.allclose(1e3 * adjusted, [0, 0, along_ms, along_ms])
    assert record.arrays["polarity"][10, :4].tolist() == [1, 1, -1, -1]
    assert np.all((record.arrays["gain_db"][10, :4] <= 0.0) & (record.arrays["gain_db"][10, :4] >= -12.0))


def test_a_trim_is_no_worse_than_any_of_a_fine_grid(job: StudyJob, record: JobRecord) -> None:
    """Another search for the same: every gain at half a decibel, every delay at a quarter of a millisecond."""
    tree = json.loads(job.text)
    (arm,) = arms_of(project_of(job), tree["strategies"][9:10], tree["places"])[1]
    project = project_of(job)
    hz = np.geomspace(25, 80, 43)  # every second frequency that is judged on
    transfer = transfer_function(
        project.room,
        project.surfaces(),
        frequency_hz=hz,
        seat_m=project.seats.position_m,
        source_m=record.arrays["position_m"][9, :4],
    )

    def variation(late_ms: float, quiet_db: float) -> float:
        weights = drive_weights(
            hz,
            gain_db=arm.gain_db + np.array([0, 0, quiet_db, quiet_db]),
            delay_s=arm.delay_s + np.array([0, 1e-3 * late_ms, 0, 0]),
            polarity=arm.polarity,
        )
        return variation_db(level_db(seat_pressure(transfer, weights)), project.seats.weight)

    best = min(variation(late, quiet) for late in np.arange(-3, 3.01, 0.25) for quiet in np.arange(-6, 2.01, 0.5))
    assert best - 0.2 < record.arrays["tuned_db"][9] <= best + 1e-6


def test_nothing_tuned_has_no_loss_and_what_is_tuned_loses_little(record: JobRecord) -> None:
    tuned = np.isfinite(record.arrays["tuned_db"])
    assert tuned.tolist() == [False, False, False, False, False, True, True, True, True, True, True]
    loss = record.arrays["variation_db"][tuned] - record.arrays["tuned_db"][tuned]
    assert np.all(np.abs(loss) < 0.25)
    assert np.all(loss != 0.0)


def test_figures_are_those_of_the_project_with_that_layout(close: Close, job: StudyJob, record: JobRecord) -> None:
    """Each strategy's plan, put into the room's project file as [layout] and predicted."""
    project = project_of(job)
    near = np.bincount((np.arange(85) + 6) // 12)  # how many frequencies are near each that is kept
    for place, n_sub in enumerate(SUBS):
        layout = {
            "positions_m": record.arrays["position_m"][place, :n_sub].tolist(),
            "gain_db": record.arrays["gain_db"][place, :n_sub].tolist(),
            "delay_ms": (1e3 * record.arrays["delay_s"][place, :n_sub]).tolist(),
            "polarity": record.arrays["polarity"][place, :n_sub].tolist(),
        }
        lines = "\n".join(f"{key} = {value}" for key, value in layout.items())
        finer = project.toml_text.replace("points_per_octave = 4", f"points_per_octave = {SAME_GRID}")
        text = finer + "\n[layout]\n" + lines + "\n"
        prediction = predict_layout(parse_project(text, source="room"))
        close(record.arrays["variation_db"][place], prediction.variation_db, rtol=1e-6)
        close(record.arrays["output_db"][place], prediction.output_db, rtol=1e-6)
        at = record.arrays["variation_at_db"][place]
        close(np.sqrt(near @ at**2 / 85), prediction.variation_db, rtol=1e-6)
        close(near @ record.arrays["output_at_db"][place] / 85, prediction.output_db, rtol=1e-6)


def test_more_freedom_is_never_worse(record: JobRecord) -> None:
    front_midpoints, free = record.arrays["variation_db"][1], record.arrays["variation_db"][7]
    assert free < front_midpoints
    assert free <= record.arrays["variation_db"][6] + 1e-6


def test_rear_subs_of_pairs_are_late_by_the_room_and_inverted(close: Close, job: StudyJob, record: JobRecord) -> None:
    room = project_of(job).room
    assert record.arrays["polarity"][5, :4].tolist() == [1, 1, -1, -1]
    assert np.all(record.arrays["delay_s"][5, :2] == 0.0)
    close(record.arrays["delay_s"][5, 2:4], np.full(2, room.length_m / room.air.speed_of_sound_m_s), rtol=1e-12)


def test_the_key_follows_what_shapes_a_result_and_nothing_else(job: StudyJob) -> None:
    text = tiny(1).replace("[search]", EVERY + "[search]").replace("points_per_octave = 4", JUDGED)
    (same,) = jobs_of(text.replace('"tiny rooms"', '"renamed"').replace('"corners"\nsubs', '"other"\nsubs'))
    assert same.key == job.key
    assert replace(job, number=7, title="x").key == job.key
    for old, new in (
        ("seed = 5", "seed = 6"),
        ("judged_points_per_octave = 48", "judged_points_per_octave = 60"),
        ("subs = [2], delay_ms = [-3, 3]", "subs = [2], delay_ms = [-3, 2]"),
        ("height_fraction = [0.0", "height_fraction = [0.1"),
        ("\npoints_per_octave = 4", "\npoints_per_octave = 5"),
        ("loss_factor = 0.02", "loss_factor = 0.021"),
        ("y_fraction = [0.3", "y_fraction = [0.31"),
        ('subs = 4\npositions = "corners"', 'subs = 3\npositions = "corners"'),
        ("seat_distance_m = 0.0", "seat_distance_m = 0.1"),
    ):
        assert old in text
        assert jobs_of(text.replace(old, new, 1))[0].key != job.key


def test_a_strategy_finds_the_same_whatever_others_are_compared(job: StudyJob, record: JobRecord) -> None:
    tree = json.loads(job.text)
    tree["strategies"] = tree["strategies"][7:8]
    alone = do_job(json.dumps(tree), "key")
    assert alone.arrays["variation_db"][0] == pytest.approx(record.arrays["variation_db"][7], abs=1e-4)
    assert np.allclose(alone.arrays["delay_s"][0, :2], record.arrays["delay_s"][7, :2], rtol=0, atol=1e-6)


def test_seeds_differ_by_room_and_strategy_and_repeat() -> None:
    seeds = {job_seed(seed, room, arm) for seed in (1, 2) for room in ("a", "b") for arm in ("x", "y")}
    assert len(seeds) == 8
    assert job_seed(1, "a", "x") == job_seed(1, "a", "x")


def test_a_strategy_without_a_legal_place_is_said_so() -> None:
    """Quarter points nearer to ears than asked are left out; three are too few for four."""
    text = (
        tiny(1)
        .replace("[search]", EVERY + "[search]")
        .replace('subs = 4\npositions = "quarter', 'subs = 2\npositions = "quarter')
    )
    (job,) = jobs_of(text.replace("seat_distance_m = 0.0", "seat_distance_m = 5.0"))
    record = do_job(job.text, job.key)
    assert record.notes[4] == NO_LAYOUT
    assert np.isnan(record.arrays["variation_db"][4])
    assert record.notes[0] == AS_GIVEN  # a strategy's only layout is its own affair
    assert np.isfinite(record.arrays["variation_db"][0])


def test_each_position_is_computed_once(job: StudyJob) -> None:
    tree = json.loads(job.text)
    position_m, arms = arms_of(project_of(job), tree["strategies"], tree["places"])
    gap = np.linalg.norm(position_m[:, None] - position_m, axis=2) + np.eye(len(position_m))
    assert gap.min() > 1e-6
    assert sorted(set(np.concatenate([arm.column for arm in arms]).tolist())) == list(range(len(position_m)))
