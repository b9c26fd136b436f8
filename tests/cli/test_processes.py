"""optimise in a process of its own: interrupts, a killed process, terminals and pipes."""

import os
import pty
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from roommodes.plan.file import read_results

ROOMMODES = [sys.executable, "-m", "cli"]


def names(folder: Path) -> list[str]:
    return sorted(entry.name for entry in folder.iterdir())


def environment(**changes: str) -> dict[str, str]:
    kept = {name: value for name, value in os.environ.items() if name not in ("NO_COLOR", "FORCE_COLOR", "COLUMNS")}
    return {**kept, "TERM": "xterm-256color", **changes}


BIG = """\
format = 1
name = "large room"
[room]
length_m = 8.0
width_m = 6.0
height_m = 2.7
[[rows]]
name = "front"
x_m = 4.0
y_m = [1.2, 2.1, 3.0, 3.9, 4.8]
ear_height_m = 1.1
[[zones]]
name = "front"
from_m = [0.3, 0.3, 0.3]
to_m = [0.3, 5.7, 0.3]
spacing_m = 0.1
[[zones]]
name = "rear"
from_m = [7.7, 0.3, 0.3]
to_m = [7.7, 5.7, 0.3]
spacing_m = 0.1
[search]
counts = [2, 8]
"""


class OnTerminal:
    """`optimise big.toml` with stderr on a terminal; stdout too if wanted."""

    def __init__(self, folder: Path, *, stdout_too: bool = False, **changes: str) -> None:
        (folder / "big.toml").write_text(BIG)
        self.main, side = pty.openpty()
        self.process = subprocess.Popen(
            [*ROOMMODES, "optimise", "big.toml", "-o", "plan.h5"],
            cwd=folder,
            stdout=side if stdout_too else subprocess.PIPE,
            stderr=side,
            env=environment(PYTHONPATH=str(Path.cwd()), **changes),
        )
        os.close(side)
        self.seen = b""

    def read_until(self, wanted: bytes | None, seconds: float = 60.0) -> None:
        """Take in what the terminal gets until some text comes, or to the end."""
        stop = time.monotonic() + seconds
        while wanted is None or wanted not in self.seen:
            assert time.monotonic() < stop, self.seen[-500:]
            try:
                data = os.read(self.main, 65536)
            except OSError:
                data = b""
            if not data:
                assert wanted is None, self.seen
                return
            self.seen += data

    def finish(self) -> str:
        """Wait for the end; returns stdout where it is no terminal."""
        self.read_until(None)
        output, _ = self.process.communicate(timeout=60)
        os.close(self.main)
        return (output or b"").decode()


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_an_interrupt_keeps_the_best_so_far(tmp_path: Path, number: signal.Signals) -> None:
    job = OnTerminal(tmp_path)
    job.read_until(b"best so far")
    job.process.send_signal(number)
    output = job.finish()
    assert job.process.returncode == 130
    errors = job.seen.decode()
    assert "interrupted: the best found until then is in plan.h5" in errors
    assert "Traceback" not in errors
    results = read_results(tmp_path / "plan.h5")
    assert results.plans
    assert any("interrupted" in table.found.stop for table in results.plans.values()) or 8 not in results.plans
    assert "Plan written to plan.h5." in output
    assert names(tmp_path) == ["big.toml", "plan.h5"]


def test_a_second_interrupt_ends_at_once_and_leaves_nothing(tmp_path: Path) -> None:
    job = OnTerminal(tmp_path)
    job.read_until(b"best so far")
    job.process.send_signal(signal.SIGINT)
    job.process.send_signal(signal.SIGINT)
    job.finish()
    assert job.process.returncode == 130
    assert "Traceback" not in job.seen.decode()
    assert names(tmp_path) in (["big.toml"], ["big.toml", "plan.h5"])
    if (tmp_path / "plan.h5").exists():
        assert read_results(tmp_path / "plan.h5").plans


def test_a_killed_process_leaves_no_plan(tmp_path: Path) -> None:
    job = OnTerminal(tmp_path)
    job.read_until(b"best so far")
    job.process.kill()
    job.finish()
    assert names(tmp_path) == ["big.toml"]


def test_no_color_leaves_no_colour_on_a_terminal(tmp_path: Path) -> None:
    """Colour sequences are CSI ... m with a 3x, 4x, 9x or 38/48 in them."""
    job = OnTerminal(tmp_path, stdout_too=True, NO_COLOR="1")
    job.read_until(b"best so far")
    job.process.send_signal(signal.SIGINT)
    job.finish()
    codes = [
        part.split(b"m")[0] for part in job.seen.split(b"\x1b[")[1:] if part.split(b"m")[0].replace(b";", b"").isdigit()
    ]
    colours = [code for code in codes if any(30 <= int(word) <= 107 for word in code.split(b";") if word)]
    assert not colours
    assert b"Plan written" in job.seen


def test_no_progress_and_no_escapes_into_pipes(small: Path) -> None:
    """Whatever the environment forces."""
    done = subprocess.run(
        [*ROOMMODES, "optimise", small.name],
        cwd=small.parent,
        capture_output=True,
        text=True,
        check=True,
        env=environment(FORCE_COLOR="1", PYTHONPATH=str(Path.cwd())),
    )
    assert done.stderr == ""
    assert "\x1b" not in done.stdout
    assert all(line == line.rstrip() for line in done.stdout.splitlines())


def test_a_poor_terminal_shows_something(small: Path) -> None:
    small.write_text(small.read_text().replace("small room", "Fluß"))
    done = subprocess.run(
        [*ROOMMODES, "optimise", small.name],
        cwd=small.parent,
        capture_output=True,
        check=True,
        env=environment(PYTHONIOENCODING="ascii", PYTHONPATH=str(Path.cwd())),
    )
    assert b"Flu?" in done.stdout
