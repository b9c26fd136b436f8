"""A study in shards, each with a folder of its own, joined: the same as in one go."""

import json
import os
import socket
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from cli.main import app
from roommodes.errors import FileUnusable
from roommodes.storage.lock_file import lock_file
from roommodes.studies.reading import parse_study
from roommodes.studies.records import record_image
from roommodes.studies.results import read_study
from solvers.study.job import do_job
from solvers.study.run import StudyPlan, plan_study, study_in_process
from solvers.study.shards import Shard, gathered
from solvers.study.whole import Parting, run_study
from tests.studies.texts import tiny

ROOMS = 7


@pytest.fixture(scope="module")
def plan() -> StudyPlan:
    return plan_study(parse_study(tiny(ROOMS), source="study"))


@pytest.fixture(scope="module")
def folders(plan: StudyPlan, tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """The job files of three shards."""
    found = []
    for number in (1, 2, 3):
        folder = tmp_path_factory.mktemp(f"shard{number}")
        for job in Shard(number=number, count=3).part_of(plan).jobs:
            (folder / f"{job.key}.h5").write_bytes(record_image(do_job(job.text, job.key)))
        found.append(folder)
    return found


def test_shards_are_every_nth_room_and_miss_none(plan: StudyPlan) -> None:
    parts = [Shard.of(f"{k}/3").part_of(plan) for k in (1, 2, 3)]
    assert [[job.number for job in part.jobs] for part in parts] == [[1, 4, 7], [2, 5], [3, 6]]
    assert Shard.of("5/20") == Shard(number=5, count=20)
    for words in ("0/3", "4/3", "3", "a/b", "1/0", "-1/3", "1/3/4"):
        with pytest.raises(ValueError, match="allowed: K/N"):
            Shard.of(words)


def test_joined_shards_are_the_study_in_one_go(plan: StudyPlan, folders: list[Path], tmp_path: Path) -> None:
    done = run_study(plan, tmp_path / "s.h5", parting=Parting(gather=tuple(folders)))
    assert not done.failed
    assert done.finished == ROOMS
    whole, joined = study_in_process(plan), read_study(tmp_path / "s.h5")
    assert joined.rooms["key"] == whole.rooms["key"]
    for name, values in whole.arrays.items():
        np.testing.assert_array_equal(joined.arrays[name], values, err_msg=name)


def test_what_no_shard_did_is_told(plan: StudyPlan, folders: list[Path], tmp_path: Path) -> None:
    done = run_study(plan, tmp_path / "s.h5", parting=Parting(gather=(folders[0], folders[2])))
    assert [title for title, _ in done.failed] == [plan.jobs[1].title, plan.jobs[4].title]
    assert read_study(tmp_path / "s.h5").failed == (2, 5)


def test_other_studies_and_damaged_files_are_refused(plan: StudyPlan, folders: list[Path], tmp_path: Path) -> None:
    other = plan_study(parse_study(tiny(2).replace("seed = 5", "seed = 6"), source="study"))
    foreign, damaged = tmp_path / "foreign", tmp_path / "damaged"
    foreign.mkdir()
    damaged.mkdir()
    job = other.jobs[0]
    (foreign / f"{job.key}.h5").write_bytes(record_image(do_job(job.text, job.key)))
    data = bytearray((folders[0] / f"{plan.jobs[0].key}.h5").read_bytes())
    data[len(data) // 2] ^= 1
    (damaged / f"{plan.jobs[0].key}.h5").write_bytes(bytes(data))
    with pytest.raises(FileUnusable) as told:
        gathered(plan, [*folders[1:], foreign, damaged, tmp_path / "nowhere"])
    lines = str(told.value).splitlines()
    assert len(lines) == 3
    assert "1 job file is of another study" in lines[0]
    assert "1 of 1 job files are damaged" in lines[1]
    assert "there is no such folder" in lines[2]


def test_other_software_is_refused(plan: StudyPlan, tmp_path: Path) -> None:
    from dataclasses import replace  # noqa: PLC0415

    job = plan.jobs[0]
    elsewhere = replace(job, software="roommodes 0.0.9, code 0123")
    record = replace(do_job(job.text, job.key), software=elsewhere.software, key=elsewhere.key)
    (tmp_path / f"{elsewhere.key}.h5").write_bytes(record_image(record))
    with pytest.raises(FileUnusable, match=r"of other software, roommodes 0\.0\.9, code 0123; this is"):
        gathered(plan, [tmp_path])


def test_the_command(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    Path("s.toml").write_text(tiny(3), encoding="utf-8")
    run = CliRunner().invoke
    shared = ["study", "s.toml", "--workers", "1", "--lock", "file"]
    first = run(app, [*shared, "--shard", "1/2", "--jobs", "a"])
    assert first.exit_code == 0, first.output
    assert not Path("s.h5").exists()
    assert sorted(path.suffix for path in Path("a").iterdir()) == [".h5", ".h5"]
    half = run(app, ["study", "s.toml", "--gather", "a"])
    assert half.exit_code == 4, half.output
    assert run(app, [*shared, "--shard", "2/2", "--jobs", "b"]).exit_code == 0
    whole = run(app, ["study", "s.toml", "--gather", "a", "--gather", "b"])
    assert whole.exit_code == 0, whole.output
    assert not read_study(Path("s.h5")).failed
    kept = sorted([*Path("a").iterdir(), *Path("b").iterdir()])
    before = [path.read_bytes() for path in kept]
    Path("link.h5").symlink_to(kept[0])
    for lost in (
        ["-o", kept[0]],
        ["-o", "x.h5", "--csv", kept[1]],
        ["-o", "link.h5"],
        ["-o", "x.h5", "--csv", "b/t.csv"],
    ):
        done = run(app, ["study", "s.toml", "--gather", "a", "--gather", "b", *map(str, lost), "--force"])
        assert done.exit_code == 2, done.output
        assert "where finished rooms are kept" in " ".join(done.output.split())
    assert [path.read_bytes() for path in kept] == before
    for wrong in (["--shard", "3/2"], ["--lock", "none"], ["--gather", "a", "--jobs", "b"]):
        assert run(app, ["study", "s.toml", *wrong]).exit_code == 2


def test_a_lock_file_is_held_by_one(tmp_path: Path) -> None:
    path = tmp_path / "held.lock"
    with lock_file(path):
        assert json.loads(path.read_text())["process"] == os.getpid()
        with (
            pytest.raises(FileUnusable, match=f"process {os.getpid()} on {socket.gethostname()} holds it"),
            lock_file(path),
        ):
            pass
    assert not path.exists()


def test_the_lock_of_a_dead_process_is_taken_over_on_the_same_machine_alone(tmp_path: Path) -> None:
    path = tmp_path / "held.lock"
    gone = subprocess.Popen([sys.executable, "-c", ""])
    gone.wait()
    holder = {"host": socket.gethostname(), "process": gone.pid, "since_utc": "then", "id": "0"}
    path.write_text(json.dumps(holder))
    with lock_file(path):
        assert json.loads(path.read_text())["process"] == os.getpid()
    assert list(tmp_path.iterdir()) == []
    path.write_text(json.dumps({**holder, "host": "elsewhere"}))
    with pytest.raises(FileUnusable, match="on elsewhere holds it since then; wait for it, or delete"), lock_file(path):
        pass
