"""`roommodes study`: what a researcher sees, and what is left on the disk."""

import csv
import io
import json
import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace

import pandas
import pytest
from typer.testing import Result

from roommodes.project.reading import load_project
from roommodes.responses.frequency_grid import log_grid
from roommodes.studies.reading import load_study
from roommodes.studies.results import expected_study_bytes, read_study
from tests.studies.texts import checksums, tiny

Run = Callable[..., Result]
ROOT = Path(__file__).parents[2]


@pytest.fixture
def study_file(tmp_path: Path) -> Path:
    path = tmp_path / "tiny.toml"
    path.write_text(tiny(9))
    return path


def names(folder: Path) -> list[str]:
    return sorted(entry.name for entry in folder.iterdir())


def events(text: str) -> list[dict[str, object]]:
    return [json.loads(line) for line in text.splitlines()]


def test_a_study_from_file_to_report(run: Run, study_file: Path, tmp_path: Path) -> None:
    done = run("study", study_file, "-o", "out.h5", "--workers", 1, "--csv", "out.csv", "--report", "out.html")
    assert done.exit_code == 0, done.output
    assert "tiny rooms: 9 rooms, 9 finished, 2 strategies" in done.stdout
    assert re.search(r"corner +two midpoints +\+\d\.\d\d \[\+?-?\d", done.stdout)
    assert names(tmp_path) == ["out.csv", "out.h5", "out.h5.jobs", "out.html", "tiny.toml"]
    results = read_study(tmp_path / "out.h5")
    table = pandas.read_csv(tmp_path / "out.csv")
    assert len(table) == 18
    assert table["variation_db"].tolist() == results.arrays["variation_db"].ravel().tolist()
    assert table["strategy"].tolist() == ["corner", "two midpoints"] * 9
    page = (tmp_path / "out.html").read_text()
    assert page.count("<section") == 6
    assert "within 0.5 dB" in page
    assert not re.search(r"(?:src|href)=\"(?:https?:)?//", page), "the page must load nothing"


def test_the_same_command_again_does_nothing_twice(run: Run, study_file: Path, tmp_path: Path) -> None:
    first = run("study", study_file, "-o", "out.h5", "--workers", 1, "--json")
    assert [event["event"] for event in events(first.stdout)] == ["planned", *["job"] * 9, "finished"]
    before = checksums(read_study(tmp_path / "out.h5"))
    second = run("study", study_file, "-o", "out.h5", "--json")
    assert second.exit_code == 0
    planned, finished = events(second.stdout)
    assert (planned["jobs"], planned["finished"]) == (9, 9)
    assert finished["finished"] == 9
    assert checksums(read_study(tmp_path / "out.h5")) == before


def test_results_of_something_else_are_not_overwritten(run: Run, study_file: Path, tmp_path: Path) -> None:
    (tmp_path / "out.h5").write_bytes(b"mine")
    done = run("study", study_file, "-o", "out.h5")
    assert done.exit_code == 5
    assert "out.h5: exists already and is left as it is" in done.stderr
    assert (tmp_path / "out.h5").read_bytes() == b"mine"
    assert names(tmp_path) == ["out.h5", "tiny.toml"]


def test_a_dry_run_foresees_and_writes_nothing(run: Run, study_file: Path, tmp_path: Path) -> None:
    done = run("study", study_file, "--dry-run", "--workers", 2)
    assert done.exit_code == 0
    assert "9 jobs, one per room with 2 strategies; 0 finished" in done.stdout
    assert re.search(r"Time: about \d+ s with 2 workers: 6 jobs timed just now took 0\.\d\d to", done.stdout)
    assert re.search(r"Size: about 0\.\d MB, of which tiny.h5 0\.\d MB. Nothing was written.", done.stdout)
    (foreseen,) = events(run("study", study_file, "--dry-run", "--json").stdout)
    assert foreseen["jobs"] == 9
    assert len(foreseen["timed_jobs"]) == 6
    assert names(tmp_path) == ["tiny.toml"]


def test_free_space_is_counted_for_the_results_and_every_job(
    run: Run, study_file: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Room for the results alone is too little while jobs are missing, and enough once they are there."""
    job, whole = expected_study_bytes(n_room=9, n_strategy=2, n_freq=grid_points(study_file), n_sub=2)
    free = [whole + 8 * job]  # one job too few

    def usage(folder: object) -> object:
        return SimpleNamespace(free=free[0])

    monkeypatch.setattr("shutil.disk_usage", usage)
    done = run("study", study_file, "-o", "out.h5", "--workers", 1)
    assert done.exit_code == 5, done.output
    assert re.search(r"out\.h5: about [\d.]+ MB will be needed, but only [\d.]+ MB are free", done.stderr)
    assert names(tmp_path) == ["tiny.toml"]
    free[0] = whole + 9 * job
    assert run("study", study_file, "-o", "out.h5", "--workers", 1).exit_code == 0
    free[0] = whole
    assert run("study", study_file, "-o", "out.h5", "--workers", 1).exit_code == 0
    on_disk = sum(path.stat().st_size for path in (tmp_path / "out.h5.jobs").rglob("*") if path.is_file())
    assert 0.5 * on_disk < 9 * job < 3 * on_disk
    assert 0.5 * (tmp_path / "out.h5").stat().st_size < whole < 3 * (tmp_path / "out.h5").stat().st_size


def grid_points(study_file: Path) -> int:
    search = load_study(study_file).tables.search
    return len(log_grid(*search.band_hz, search.points_per_octave))


def test_results_are_shown_again(run: Run, study_file: Path, tmp_path: Path) -> None:
    first = run("study", study_file, "-o", "out.h5", "--workers", 1)
    again = run("study", "out.h5", "--csv", "late.csv")
    assert again.exit_code == 0
    assert again.stdout.splitlines() == first.stdout.splitlines()[:-1]
    assert len(list(csv.reader(io.StringIO((tmp_path / "late.csv").read_text())))) == 19
    refused = run("study", "out.h5", "--csv", "late.csv")
    assert refused.exit_code == 5
    assert "late.csv: exists already" in refused.stderr
    assert run("study", "out.h5", "--dry-run").exit_code == 2


def test_one_room_becomes_a_project(run: Run, study_file: Path, tmp_path: Path) -> None:
    assert run("study", study_file, "--room", 3, "-o", "three.toml").exit_code == 0
    assert 4.2 <= load_project(tmp_path / "three.toml").room.length_m <= 6.8
    beyond = run("study", study_file, "--room", 10, "-o", "ten.toml")
    assert beyond.exit_code == 2
    assert "the study has 9 rooms" in beyond.stderr


def test_faults_are_listed_and_nothing_is_written(run: Run, study_file: Path, tmp_path: Path) -> None:
    study_file.write_text(tiny(9).replace("subs = 1", "subs = 0").replace("seed = 5", "sede = 5"))
    done = run("study", study_file)
    assert done.exit_code == 3
    assert len(done.stderr.splitlines()) == 2
    assert "Did you mean seed?" in done.stderr
    assert names(tmp_path) == ["tiny.toml"]
    assert run("study", "missing.toml").exit_code == 5
    assert run("study", study_file, "--report", "page.pdf").exit_code == 2


def test_a_scheduler_that_is_not_there(run: Run, study_file: Path) -> None:
    pytest.importorskip("distributed", reason="needs the extra cluster")
    done = run("study", study_file, "-o", "out.h5", "--scheduler", "tcp://127.0.0.1:9", "--answer-limit", 1)
    assert done.exit_code == 5
    assert "no scheduler answers" in done.stderr
    assert "Traceback" not in done.output


def test_failures_end_with_4_and_the_rest_is_written(
    run: Run, study_file: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("solvers.study.whole.run_job", __import__("tests.studies.texts", fromlist=["x"]).faulty_job)
    done = run("study", study_file, "-o", "out.h5", "--workers", 1)
    assert done.exit_code == 4
    failed = read_study(tmp_path / "out.h5").failed
    assert 0 < len(failed) < 9
    assert f"room {failed[0]}: no result: ValueError: no such room can be built" in done.stderr
    assert f"{len(failed)} rooms failed; the others are in out.h5. The same command tries them again." in done.stderr
    monkeypatch.undo()
    monkeypatch.chdir(tmp_path)
    assert run("study", study_file, "-o", "out.h5", "--workers", 1).exit_code == 0
    assert not read_study(tmp_path / "out.h5").failed


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_an_interrupt_keeps_what_is_finished(study_file: Path, tmp_path: Path, number: signal.Signals) -> None:
    study_file.write_text(tiny(100))
    command = [sys.executable, "-m", "cli.main", "study", "tiny.toml", "-o", "out.h5", "--workers", "1", "--json"]
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    with subprocess.Popen(
        command, cwd=tmp_path, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=environment
    ) as process:
        assert process.stdout is not None
        assert '"planned"' in process.stdout.readline()
        assert '"job"' in process.stdout.readline()
        process.send_signal(number)
        began = time.monotonic()
        _, complaint = process.communicate(timeout=30)
        assert time.monotonic() - began < 20
    assert process.returncode == 130
    assert re.fullmatch(
        r"stopping: up to 3 s for the rooms in hand; what is finished is kept; once more to end at once\n"
        r"interrupted: \d+ of 100 rooms are finished and kept; run the same command again to go on\n",
        complaint,
    )
    assert names(tmp_path) == ["out.h5.jobs", "tiny.toml"]
    assert not list((tmp_path / "out.h5.jobs").glob(".*"))


def test_the_starter_and_the_schema(run: Run, tmp_path: Path) -> None:
    done = run("new", "--study")
    assert done.exit_code == 0
    assert "roommodes study study.toml --dry-run" in done.stdout
    assert names(tmp_path) == ["study.toml"]
    assert json.loads(run("schema", "--study").stdout)["title"] == "roommodes study"
