"""`roommodes decay` on a small room: bulk loss alone must come out as every mode's decay."""

import json
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from typer.testing import Result

from roommodes.plan.file import write_results
from roommodes.project.reading import parse_project
from solvers.plans.solve import solve
from tests.cli.conftest import SMALL

Run = Callable[..., Result]


@pytest.fixture(scope="module")
def plan(tmp_path_factory: pytest.TempPathFactory) -> Path:
    text = SMALL.replace("[1, 2]", "[1]").replace('rear = "brick"\n', "")
    path = tmp_path_factory.mktemp("plan") / "plan.h5"
    write_results(path, solve(parse_project(text, source="small.toml")), force=False)
    return path


def test_decays_are_those_of_the_rooms_loss(run: Run, plan: Path) -> None:
    """A rigid room: T60 = ln(1000) / (pi f eta) for every mode, eta the loss factor."""
    done = run("decay", plan, "--json", "--seconds", 3)
    assert done.exit_code == 0, done.output
    said = json.loads(done.stdout)
    assert said["modes"]
    for mode in said["modes"]:
        assert mode["decay_s"] == pytest.approx(np.log(1e3) / (np.pi * mode["frequency_hz"] * 0.02), rel=2e-3)
    lowest = said["modes"][0]  # stands alone
    at = int(np.argmin(np.abs(np.array(said["centre_hz"]) - lowest["frequency_hz"])))
    assert said["after"]["decay_s"][at] == pytest.approx(lowest["decay_s"], rel=0.15)
    assert all(seat["late_ms"] == 0.0 for seat in said["seats"])  # one sub


def test_text_and_figure(run: Run, plan: Path) -> None:
    done = run("decay", plan, "-o", "decay.png", "--seconds", 1)
    assert done.exit_code == 0, done.output
    for words in ("over time, 1 sub", "Decay time in third-octave bands", "Modes as built", "Arrival at every seat"):
        assert words in done.stdout
    assert Path("decay.png").stat().st_size > 20_000
    assert run("decay", plan, "-o", "decay.png").exit_code == 5


def test_what_it_refuses(run: Run, plan: Path) -> None:
    assert run("decay", plan, "-o", "x.gif").exit_code == 2
    assert run("decay", plan, "--seconds", 9).exit_code == 2
