"""One room with all strategies: positions, drives and figures, held against the model asked directly."""

import json
from dataclasses import replace

import numpy as np
import pytest

from roommodes.project.project import Project
from roommodes.project.reading import parse_project
from roommodes.studies.design import study_rooms
from roommodes.studies.reading import parse_study
from roommodes.studies.records import JobRecord, StudyJob
from solvers.listening.layout import predict_layout
from solvers.study.job import AS_GIVEN, NO_LAYOUT, do_job, job_seed, study_jobs
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
[places]
seat_distance_m = 0.0
"""


def jobs_of(text: str) -> tuple[StudyJob, ...]:
    study = parse_study(text, source="study.toml")
    return study_jobs(study, study_rooms(study))


@pytest.fixture(scope="module")
def job() -> StudyJob:
    return jobs_of(tiny(1).replace("[search]", EVERY + "[search]"))[0]


@pytest.fixture(scope="module")
def record(job: StudyJob) -> JobRecord:
    return do_job(job.text, job.key)


def project_of(job: StudyJob) -> Project:
    return parse_project(json.loads(job.text)["project"], source="room")


def test_positions_are_where_their_names_say(job: StudyJob, record: JobRecord) -> None:
    length, width, _ = project_of(job).room().size_m
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
        assert np.all(where[:, 2] == 0.25)
        assert np.all(np.isnan(record.arrays["position_m"][place, len(points) :]))
    assert np.allclose(record.arrays["position_m"][6, :2, 0], near)
    free = record.arrays["position_m"][7, :2]
    on_a_wall = np.isclose(free[:, 0], near) | np.isclose(free[:, 0], far)
    on_a_wall |= np.isclose(free[:, 1], near) | np.isclose(free[:, 1], side)
    assert np.all(on_a_wall)


def test_figures_are_those_of_the_project_with_that_layout(close: Close, job: StudyJob, record: JobRecord) -> None:
    """Each strategy's plan, put into the room's project file as [layout] and predicted."""
    project = project_of(job)
    for place, n_sub in enumerate((1, 2, 4, 4, 4, 4, 2, 2)):
        layout = {
            "positions_m": record.arrays["position_m"][place, :n_sub].tolist(),
            "gain_db": record.arrays["gain_db"][place, :n_sub].tolist(),
            "delay_ms": (1e3 * record.arrays["delay_s"][place, :n_sub]).tolist(),
            "polarity": record.arrays["polarity"][place, :n_sub].tolist(),
        }
        lines = "\n".join(f"{key} = {value}" for key, value in layout.items())
        text = project.toml_text + "\n[layout]\n" + lines + "\n"
        prediction = predict_layout(parse_project(text, source="room"))
        close(record.arrays["variation_db"][place], prediction.variation_db, rtol=1e-6)
        close(record.arrays["output_db"][place], prediction.output_db, rtol=1e-6)
        at = record.arrays["variation_at_db"][place]
        close(np.sqrt(np.mean(at**2)), prediction.variation_db, rtol=1e-6)
        close(np.mean(record.arrays["output_at_db"][place]), prediction.output_db, rtol=1e-6)


def test_more_freedom_is_never_worse(record: JobRecord) -> None:
    front_midpoints, free = record.arrays["variation_db"][1], record.arrays["variation_db"][7]
    assert free < front_midpoints
    assert free <= record.arrays["variation_db"][6] + 1e-6


def test_rear_subs_of_pairs_are_late_by_the_room_and_inverted(close: Close, job: StudyJob, record: JobRecord) -> None:
    room = project_of(job).room()
    assert record.arrays["polarity"][5].tolist() == [1, 1, -1, -1]
    assert np.all(record.arrays["delay_s"][5, :2] == 0.0)
    close(record.arrays["delay_s"][5, 2:], np.full(2, room.length_m / room.air.speed_of_sound_m_s), rtol=1e-12)


def test_pairs_in_a_room_that_swallows_nothing_leave_a_plane_wave(close: Close) -> None:
    """Below the first mode that pairs at a quarter of the width drive, all seats hear one level: 4 W / c off the walls.

    Law: the travelling wave of a delayed, inverted rear array in a rigid room (Celestinos and Nielsen, 2008).
    """
    text = tiny(1).replace("[search]", EVERY + "[search]").replace("band_hz = [25, 80]", "band_hz = [20, 36]")
    text = text.replace("height_m = 0.25", "").replace("loss_factor = 0.02", "loss_factor = 0.001")
    (job,) = jobs_of(text)
    record = do_job(job.text, job.key)
    corner, pairs = record.arrays["variation_db"][0], record.arrays["variation_db"][5]
    assert pairs < 0.25
    assert corner > 10 * pairs


def test_the_key_follows_what_shapes_a_result_and_nothing_else(job: StudyJob) -> None:
    text = tiny(1).replace("[search]", EVERY + "[search]")
    (same,) = jobs_of(text.replace('"tiny rooms"', '"renamed"').replace('"corners"\nsubs', '"other"\nsubs'))
    assert same.key == job.key
    assert replace(job, number=7, title="x").key == job.key
    for old, new in (
        ("seed = 5", "seed = 6"),
        ("points_per_octave = 4", "points_per_octave = 5"),
        ("loss_factor = 0.02", "loss_factor = 0.021"),
        ("y_fraction = [0.3", "y_fraction = [0.31"),
        ('subs = 4\npositions = "corners"', 'subs = 3\npositions = "corners"'),
        ("seat_distance_m = 0.0", "seat_distance_m = 0.1"),
    ):
        assert old in text
        assert jobs_of(text.replace(old, new))[0].key != job.key


def test_a_strategy_finds_the_same_whatever_others_are_compared(job: StudyJob, record: JobRecord) -> None:
    tree = json.loads(job.text)
    tree["strategies"] = tree["strategies"][7:]
    alone = do_job(json.dumps(tree), "key")
    assert alone.arrays["variation_db"][0] == pytest.approx(record.arrays["variation_db"][7], abs=1e-9)
    assert np.array_equal(alone.arrays["delay_s"][0, :2], record.arrays["delay_s"][7, :2])


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
