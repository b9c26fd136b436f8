"""`roommodes rows` on a small room."""

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from typer.testing import Result

from roommodes.plan.file import write_results
from roommodes.project.reading import parse_project
from solvers.plans.solve import solve
from tests.cli.conftest import SMALL

Run = Callable[..., Result]
SECOND = '[[rows]]\nname = "rear"\nx_m = 3.2\ny_m = [1.6]\near_height_m = 1.2\n[[zones]]'


@pytest.fixture(scope="module")
def plan(tmp_path_factory: pytest.TempPathFactory) -> Path:
    text = SMALL.replace("[[zones]]", SECOND, 1).replace("[1, 2]", "[2]")
    path = tmp_path_factory.mktemp("plan") / "plan.h5"
    write_results(path, solve(parse_project(text, source="small.toml")), force=False)
    return path


def test_text_json_and_figure(run: Run, plan: Path) -> None:
    done = run("rows", plan, "-o", "rows.png")
    assert done.exit_code == 0, done.output
    for words in ("one setting for 2 rows, 2 subs", "front, rear", "set for it alone", "Figure written"):
        assert words in done.stdout
    assert Path("rows.png").stat().st_size > 10_000
    said = json.loads(run("rows", plan, "--json").stdout)
    front, rear = said["rows"]
    assert front["cost_db"] == pytest.approx(front["variation_db"] - front["alone_variation_db"])
    assert rear["variation_db"] == pytest.approx(0.0, abs=1e-9)  # one seat
    assert len(front["alone_delay_ms"]) == 2
    assert said["pairs"][0]["rows"] == ["front", "rear"]


def test_what_it_refuses(run: Run, plan: Path) -> None:
    assert run("rows", plan, "-o", "rows.txt").exit_code == 2
    assert run("rows", "none.h5").exit_code == 5
