"""`explore` as a command: what it writes and says, and what it refuses."""

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from typer.testing import Result

from roommodes.plan.file import write_results
from tests.given_plans import given_results
from tests.rooms import SMALL

Run = Callable[..., Result]


@pytest.fixture
def plan(tmp_path: Path) -> Path:
    """A plan file of the small room."""
    path = tmp_path / "plan.h5"
    write_results(path, given_results(SMALL, {2: ([0.0, -2.0], [0.0, 0.004], [1, -1], [0, 5])}), force=False)
    return path


def test_it_writes_one_file(run: Run, plan: Path) -> None:
    result = run("explore", plan)
    assert result.exit_code == 0
    assert result.stdout.startswith("Wrote ")
    assert "plan.html (" in result.stdout
    page = plan.with_suffix(".html").read_text()
    assert page.startswith("<!DOCTYPE html>")
    assert "http://" not in page.replace("http://www.w3.org/", "")
    assert "https://" not in page


def test_json_says_what_was_written(run: Run, plan: Path) -> None:
    result = run("explore", plan, "-o", "room.html", "--json")
    data = json.loads(result.stdout)
    assert data["written"] == "room.html"
    assert data["bytes"] == Path("room.html").stat().st_size
    assert data["subs"] == 2
    assert data["left_out"] == []
    assert run("explore", plan, "-o", "other.html", "--quiet").stdout == ""


def test_the_same_plan_gives_the_same_page(run: Run, plan: Path) -> None:
    for name in ("one.html", "two.html"):
        assert run("explore", plan, "-o", name).exit_code == 0
    assert Path("one.html").read_bytes() == Path("two.html").read_bytes()


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        (("plan.h5", "-o", "room.pdf"), 2, "allowed: .html"),
        (("plan.h5", "--subs", "3"), 2, "this file has plans with 2 subs"),
        (("plan.h5", "--rank", "7"), 2, "allowed: 1 to 1"),
        (("no.h5",), 5, "no.h5"),
        (("small.toml",), 5, "small.toml"),
    ],
)
def test_what_it_refuses(
    run: Run, plan: Path, tmp_path: Path, arguments: tuple[str, ...], code: int, words: str
) -> None:
    (tmp_path / "small.toml").write_text(SMALL)
    result = run("explore", *arguments)
    assert result.exit_code == code
    assert words in result.output
    assert not list(tmp_path.glob("*.html"))


def test_it_replaces_nothing_unasked(run: Run, plan: Path) -> None:
    Path("room.html").write_text("mine")
    assert run("explore", plan, "-o", "room.html").exit_code == 5
    assert Path("room.html").read_text() == "mine"
    assert run("explore", plan, "-o", "room.html", "--force").exit_code == 0
