"""A project, its results and a folder with its plan file, for the tests of the front door."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from typer.testing import Result

import roommodes as rm
from tests.rooms import SMALL

Run = Callable[..., Result]
MAINS = "[mains]\npositions_m = [[0.3, 1.5, 1.0]]\nfrequency_hz = 70\n"
LOUD = "[subwoofer]\nmax_level_1m_db = 108\n"
TEXT = SMALL + LOUD + MAINS


@pytest.fixture(scope="session")
def project() -> rm.Project:
    return rm.loads(TEXT, source="small.toml")


@pytest.fixture(scope="session")
def results(project: rm.Project) -> rm.Results:
    return rm.search(project, counts=(1, 2), threads=1)


@pytest.fixture
def folder(tmp_path: Path, results: rm.Results) -> Path:
    (tmp_path / "small.toml").write_text(TEXT)
    rm.save(results, tmp_path / "plan.h5")
    return tmp_path


@pytest.fixture
def said(run: Run, folder: Path) -> Callable[..., Any]:
    def ask(*arguments: object) -> Any:
        done = run(*arguments, "--json")
        assert done.exit_code == 0, done.output
        return json.loads(done.stdout)

    return ask
