"""A small project and a way to run commands on it."""

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner, Result

from cli.main import app
from tests.browser import chromium
from tests.rooms import SMALL


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


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    """A headless Chromium, one for all: playwright starts once in a process."""
    with chromium() as found:
        yield found


@pytest.fixture
def run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[..., Result]:
    """Run a command in an empty folder of its own, in this process."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("COLUMNS", raising=False)

    def invoke(*arguments: object) -> Result:
        return CliRunner().invoke(app, [str(argument) for argument in arguments], prog_name="roommodes")

    return invoke
