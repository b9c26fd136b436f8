"""A small project and a way to run commands on it."""

from collections.abc import Callable
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from cli.main import app

SMALL = """\
format = 1
name = "small room"
[room]
length_m = 4.1
width_m = 3.2
height_m = 2.4
loss_factor = 0.02
[walls]
rear = "brick"
[[rows]]
name = "front"
x_m = 2.2
y_m = [0.7, 1.5, 2.4]
ear_height_m = 1.1
[[zones]]
name = "front wall"
from_m = [0.3, 0.3, 0.3]
to_m = [0.3, 2.9, 0.3]
spacing_m = 0.9
[[zones]]
name = "rear wall"
from_m = [3.8, 0.3, 0.3]
to_m = [3.8, 2.9, 0.3]
spacing_m = 1.5
[search]
counts = [1, 2]
band_hz = [25, 80]
points_per_octave = 6
[layout]
positions_m = [[0.3, 1.0, 0.3], [3.8, 2.0, 0.3]]
gain_db = [0, -3]
delay_ms = [0, 5.5]
polarity = [1, -1]
"""


@pytest.fixture
def small_text() -> str:
    """A project that is solved in a moment."""
    return SMALL


@pytest.fixture
def small(tmp_path: Path, small_text: str) -> Path:
    """The same as a file."""
    path = tmp_path / "small.toml"
    path.write_text(small_text)
    return path


@pytest.fixture
def run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[..., Result]:
    """Run a command in an empty folder of its own, in this process."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("COLUMNS", raising=False)

    def invoke(*arguments: object) -> Result:
        return CliRunner().invoke(app, [str(argument) for argument in arguments], prog_name="roommodes")

    return invoke
