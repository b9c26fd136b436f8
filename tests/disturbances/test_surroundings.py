"""Outputs that cannot be written, folders that are gone, odd settings: one sentence, and exit code 5."""

from pathlib import Path

import pytest

from tests.disturbances.processes import names, shell

needs_full = pytest.mark.skipif(not Path("/dev/full").exists(), reason="this system has no device that is always full")
FULL = "standard output cannot be written: no space left on device"
CLOSED = "standard output is closed; open it, or send it to a file"


@needs_full
@pytest.mark.parametrize(
    "words", ["--help", "--version", "check --help", "check small.toml", "check small.toml --json"]
)
def test_a_full_disk_behind_standard_output(here: Path, words: str) -> None:
    done = shell(f"$R {words} >/dev/full", here)
    assert (done.returncode, done.stderr.strip()) == (5, FULL)


@pytest.mark.parametrize("words", ["--version", "check small.toml", "schema"])
def test_a_closed_standard_output(here: Path, words: str) -> None:
    done = shell(f"$R {words} >&-", here)
    assert (done.returncode, done.stderr.strip()) == (5, CLOSED)


def test_a_closed_standard_error_changes_no_exit_code(here: Path) -> None:
    assert shell("$R check none.toml 2>&-", here).returncode == 5
    assert shell("$R check small.toml 2>&-", here).returncode == 0


def test_no_file_takes_the_place_of_a_closed_stream(here: Path) -> None:
    """With all three closed the plan is written all the same, and is a plan."""
    done = shell("$R optimise small.toml -o plan.h5 <&- >&- 2>&-; $R report plan.h5 -o a.html", here)
    assert done.returncode == 0, done.stderr
    assert names(here) == ["a.html", "plan.h5", "small.toml"]


def test_a_reader_that_has_heard_enough_is_no_fault(here: Path) -> None:
    done = shell("set -o pipefail; $R schema | head -c 100 >/dev/null", here)
    assert (done.returncode, done.stderr) == (0, "")


def test_a_deleted_working_folder(here: Path) -> None:
    for words, why in (
        ("check small.toml", "there is no such file"),
        ("new room.toml", "the working folder was deleted; change to one that exists"),
        ("optimise ../small.toml", "the working folder was deleted; change to one that exists"),
    ):
        done = shell(f"mkdir gone; cd gone; rmdir ../gone; $R {words}", here)
        assert done.returncode == 5, done.stderr
        assert why in " ".join(done.stderr.split())
        assert done.stderr.count("\n") == 1
    assert names(here) == ["small.toml"]


def test_a_window_system_that_is_not_there(here: Path) -> None:
    done = shell("$R predict small.toml -o levels.png", here, MPLBACKEND="nonsense")
    assert done.returncode == 0, done.stderr
    assert (here / "levels.png").read_bytes().startswith(b"\x89PNG")


def test_pipes_devices_and_what_the_system_shows_are_not_read(here: Path) -> None:
    (here / "set.toml").write_text("")
    for words in ("check F", "report F", "study F", "predict F", "fit small.toml F", "optimise F", "settings F"):
        for name in ("pipe", "/dev/zero", "/proc/self/mem", "."):
            done = shell(f"[ -p pipe ] || mkfifo pipe; timeout 30 $R {words.replace('F', name)}", here)
            assert done.returncode in (3, 5), (words, name, done.returncode, done.stderr)
            assert name in done.stderr
            assert "Traceback" not in done.stderr
            assert "internal" not in done.stderr
