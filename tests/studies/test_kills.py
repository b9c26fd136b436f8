"""Workers and the writer killed at random moments, twenty times: in the end the results of an undisturbed run."""

import os
import random
import subprocess
import sys
import time
from pathlib import Path

import pytest

from roommodes.studies.reading import parse_study
from roommodes.studies.records import read_record
from roommodes.studies.results import read_study
from solvers.study.run import plan_study, study_in_process
from tests.studies.texts import checksums, tiny

ROOT = Path(__file__).parents[2]
KILLS = 20
PROC = Path("/") / "proc"


def children(pid: int) -> list[int]:
    """Processes that a process started; a tracker of resources among them is left alone."""
    try:
        listed = (PROC / str(pid) / "task" / str(pid) / "children").read_text().split()
        return [int(word) for word in listed if "spawn_main" in (PROC / word / "cmdline").read_text()]
    except OSError:
        return []


def await_workers(process: subprocess.Popen[str]) -> None:
    """Until the run has started workers, or has ended; however busy the machine is."""
    stop = time.monotonic() + 30.0
    while process.poll() is None and not children(process.pid) and time.monotonic() < stop:
        time.sleep(0.02)


@pytest.mark.slow
def test_twenty_kills_change_nothing(tmp_path: Path) -> None:
    if not (PROC / str(os.getpid()) / "task" / str(os.getpid()) / "children").exists():
        pytest.skip("needs the kernel's list of a process's children")
    dice = random.Random(11)
    study_file, output = tmp_path / "study.toml", tmp_path / "study.h5"
    study_file.write_text(tiny(40))
    command = [sys.executable, "-m", "tests.studies.disturbed", str(study_file), str(output), "2"]
    plan = plan_study(parse_study(study_file.read_text(), source="study.toml"))
    kept = tmp_path / "study.h5.jobs"
    kills = {"writer": 0, "worker": 0}
    seen: dict[str, int] = {}

    def check_what_counts() -> None:
        """Whatever stands under a job's name is whole, and is never written again."""
        for path in kept.glob("[!.]*.h5"):
            read_record(path, path.stem, plan.expected)
            written = path.stat().st_mtime_ns
            assert seen.setdefault(path.stem, written) == written, "a finished job was done twice"

    rounds = 0
    while sum(kills.values()) < KILLS:
        rounds += 1
        assert rounds < 4 * KILLS, kills
        before = output.stat().st_mtime_ns if output.exists() else 0
        process = subprocess.Popen(command, cwd=ROOT, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True)
        while process.poll() is None and sum(kills.values()) < KILLS:
            if dice.random() < 0.85:  # else at any moment, also before the first worker is there
                await_workers(process)
            time.sleep(dice.uniform(0.0, 0.7))
            workers = children(process.pid)
            if workers and dice.random() < 0.7:
                signal_to, who = dice.choice(workers), "worker"
            else:
                signal_to, who = process.pid, "writer"
            try:
                subprocess.run(["kill", "-KILL", str(signal_to)], check=True, stderr=subprocess.DEVNULL)
                kills[who] += 1
            except subprocess.CalledProcessError:
                continue  # it had ended by itself
        complaint = process.communicate(timeout=60)[1] if process.poll() is None else process.communicate()[1]
        assert "Traceback" not in complaint, complaint
        check_what_counts()
        if output.exists() and output.stat().st_mtime_ns != before:
            assert not read_study(output).failed
            for path in sorted(kept.glob("[!.]*.h5"))[::2]:  # done before enough was killed: take some work back
                path.unlink()
                seen.pop(path.stem)
    assert min(kills.values()) >= 3, kills
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    check_what_counts()
    assert checksums(read_study(output)) == checksums(study_in_process(plan))
    assert sorted(path.name for path in tmp_path.iterdir()) == ["study.h5", "study.h5.jobs", "study.toml"]
    assert not list(kept.glob(".*")), "a half-written file was left"
