"""Signals at bad moments: always 130, and what is said about files is true."""

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from cli.terminal.guard import interrupted_words
from roommodes.storage import whole_file
from roommodes.storage.whole_file import noting_written, write_whole
from tests.disturbances.processes import ROOMMODES, environment, names, shell
from tests.studies.texts import tiny

NAMES = ("SIGINT", "SIGTERM", "SIGHUP")
needs_hangup = pytest.mark.skipif(not hasattr(signal, "SIGHUP"), reason="this system has no SIGHUP")


@pytest.mark.parametrize(("when", "said"), [("before", "nothing was written"), ("after", "written: out.bin")])
def test_a_signal_that_a_finalizer_swallows_comes_again(tmp_path: Path, when: str, said: str) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "tests.disturbances.lost_signal", when],
        cwd=tmp_path,
        env=environment(),
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert (done.returncode, done.stderr.strip()) == (130, f"interrupted; {said}")


@needs_hangup
@pytest.mark.parametrize("name", NAMES)
def test_a_signal_while_the_program_loads_ends_it_in_a_word(name: str) -> None:
    """The signal comes while the module of the commands is imported."""
    program = (
        "import builtins, os, signal\n"
        "load = builtins.__import__\n"
        "def slow(name, *rest):\n"
        "    if name == 'cli.main':\n"
        f"        os.kill(os.getpid(), signal.{name})\n"
        "    return load(name, *rest)\n"
        "from cli.__main__ import run\n"
        "builtins.__import__ = slow\n"
        "run()\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", program], env=environment(), capture_output=True, text=True, check=False
    )
    assert (done.returncode, done.stdout, done.stderr) == (130, "", "interrupted\n")


def gone(group: int) -> bool:
    """Whether no process of a group is left; else waits a moment."""
    try:
        os.killpg(group, 0)
    except ProcessLookupError:
        return True
    time.sleep(0.1)
    return False


@needs_hangup
@pytest.mark.parametrize("name", NAMES)
def test_a_study_ends_soon_whatever_the_signal(tmp_path: Path, name: str) -> None:
    """With words, within five seconds, nothing half-written, and no process left."""
    (tmp_path / "study.toml").write_text(tiny(400, searched=True))
    process = subprocess.Popen(
        [*ROOMMODES, "study", "study.toml", "--workers", "2"],
        cwd=tmp_path,
        env=environment(),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    stop = time.monotonic() + 60.0
    while not list(tmp_path.glob("study.h5.jobs/*.h5")) and time.monotonic() < stop:
        time.sleep(0.05)
    os.killpg(process.pid, getattr(signal, name))  # as a terminal does: to all of them
    told = time.monotonic()
    _, errors = process.communicate(timeout=60)
    assert process.returncode == 130, errors
    assert time.monotonic() - told < 15.0, "five seconds, and a busy machine"
    assert "rooms are finished and kept; run the same command again to go on" in " ".join(errors.split())
    assert "Traceback" not in errors
    assert names(tmp_path) == ["study.h5.jobs", "study.toml"]
    assert not list(tmp_path.glob("study.h5.jobs/.*"))
    assert any(gone(process.pid) for _ in range(50)), "a worker is left"


@needs_hangup
def test_an_ignored_hangup_stays_ignored(here: Path) -> None:
    done = shell("trap '' HUP; $R optimise small.toml -o plan.h5 >/dev/null & sleep 1; kill -HUP $!; wait $!", here)
    assert done.returncode == 0, done.stderr
    assert names(here) == ["plan.h5", "small.toml"]


def test_what_was_written_is_told_and_nothing_else(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    with noting_written() as written:
        assert interrupted_words(written.paths()) == "interrupted; nothing was written"
        write_whole(Path("one.h5"), b"1", force=False)

        def stopped(*arguments: object, **options: object) -> None:
            raise KeyboardInterrupt

        with monkeypatch.context() as patch:
            patch.setattr(whole_file.os, "fsync", stopped)
            with pytest.raises(KeyboardInterrupt):
                write_whole(Path("two.h5"), b"2", force=False)
        assert interrupted_words(written.paths()) == "interrupted; written: one.h5"
        with monkeypatch.context() as patch:  # in place, but the signal came before anything else could be done
            patch.setattr(whole_file, "_sync_folder", stopped)
            with pytest.raises(KeyboardInterrupt):
                write_whole(Path("three.h5"), b"3", force=False)
        assert interrupted_words(written.paths()) == "interrupted; written: one.h5, three.h5"
    assert names(tmp_path) == ["one.h5", "three.h5"]


KILLED_WRITING = """
import os, sys
from pathlib import Path
from roommodes.storage import whole_file
whole_file.os.fsync = lambda descriptor: os.kill(os.getpid(), 9)
whole_file.write_whole(Path("plan.h5"), b"half", force=True)
"""


def test_the_next_run_takes_away_what_a_killed_one_left(tmp_path: Path) -> None:
    """Its own alone: another file's rest, and one that is being written, stay."""
    for _ in range(3):
        subprocess.run([sys.executable, "-c", KILLED_WRITING], cwd=tmp_path, env=environment(), check=False)
        for name in names(tmp_path):  # not old enough yet to be taken away, however long a start takes here
            os.utime(tmp_path / name, (time.time() + 3600.0,) * 2)
    rests = names(tmp_path)
    assert len(rests) == 3
    assert all(name.startswith(".plan.h5.") and name.endswith(".part") for name in rests)
    for name in rests:
        os.utime(tmp_path / name, (0, 0))
    other = tmp_path / f".other{rests[0].removeprefix('.plan')}"
    other.write_bytes(b"")
    os.utime(other, (0, 0))
    held = os.open(tmp_path / rests[0], os.O_RDWR)
    assert whole_file.take_lock(held)
    write_whole(tmp_path / "plan.h5", b"whole", force=False)
    os.close(held)
    assert names(tmp_path) == sorted([other.name, rests[0], "plan.h5"])
    write_whole(tmp_path / "plan.h5", b"whole", force=True)
    assert names(tmp_path) == sorted([other.name, "plan.h5"])
