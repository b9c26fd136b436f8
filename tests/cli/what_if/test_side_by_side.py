"""`compare`, `judge` and `layout`: what they print, write and refuse."""

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from typer.testing import Result

from roommodes.plan.file import write_results
from roommodes.project.reading import load_project
from tests.given_plans import given_results
from tests.rooms import SMALL

Run = Callable[..., Result]
PRICED = SMALL.replace("[search]", "[subwoofer]   # two of these\nmax_level_1m_db = 110\nprice = 900\n[search]")


@pytest.fixture
def plan(tmp_path: Path) -> Path:
    """A plan file with one and two subs."""
    drives = {1: ([0.0], [0.0], [1], [1]), 2: ([0.0, -2.0], [0.002, 0.006], [1, -1], [0, 5])}
    write_results(tmp_path / "plan.h5", given_results(PRICED, drives), force=False)
    (tmp_path / "room.toml").write_text(PRICED)
    return tmp_path / "plan.h5"


def test_compare_prints_figures_differences_and_bands(run: Run, plan: Path) -> None:
    result = run("compare", "room.toml", "plan.h5:1", "plan.h5:2")
    assert result.exit_code == 0, result.output
    lines = result.stdout.splitlines()
    assert "A  room.toml, 2 subs: small room" in lines
    assert "C  plan.h5, 2 subs, best found: small room" in lines
    (price,) = [line.split() for line in lines if line.startswith("price")]
    assert price == ["price", "1800", "900", "1800", "-900", "+0"]
    (variation,) = [line.split() for line in lines if line.startswith("variation  ")]
    a, b, c = (float(variation[k]) for k in (1, 3, 5))
    assert float(variation[7]) == pytest.approx(b - a, abs=0.0101)
    assert float(variation[9]) == pytest.approx(c - a, abs=0.0101)
    assert "- A and B: nothing." in lines


def test_compare_as_json_agrees_with_the_plan(run: Run, plan: Path) -> None:
    predicted = json.loads(run("predict", "room.toml", "--json").stdout)
    data = json.loads(run("compare", "plan.h5", "room.toml", "--json").stdout)
    assert data["plans"][1]["variation_db"] == pytest.approx(predicted["variation_db"], abs=1e-9)
    assert data["plans"][0]["file"] == "plan.h5"
    assert [one["hz"] for one in data["plans"][0]["bands"]] == [25, 31.5, 40, 50, 63, 80]
    assert data["projects_differ"] == [{"from": "A", "to": "B", "keys": []}]
    least = data["plans"][0]["headroom_db"]
    assert least == pytest.approx(min(one["headroom_db"] for one in data["plans"][0]["bands"]))


def test_compare_says_what_differs_in_the_projects(run: Run, plan: Path) -> None:
    Path("other.toml").write_text(
        PRICED.replace("height_m = 2.4", "height_m = 2.6").replace('rear = "brick"', 'rear = "rigid"')
    )
    result = run("compare", "room.toml", "other.toml")
    assert "- A and B: room: height 2.4 m in A, 2.6 m in B." in result.stdout
    assert "- A and B: walls: rear brick in A, rigid in B." in result.stdout
    data = json.loads(run("compare", "room.toml", "other.toml", "--json").stdout)
    assert {"key": ["room", "height_m"], "first": 2.4, "second": 2.6} in data["projects_differ"][0]["keys"]


def test_levels_that_do_not_count_from_the_same_are_not_compared(run: Run, plan: Path) -> None:
    Path("bare.toml").write_text(SMALL)
    result = run("compare", "room.toml", "bare.toml", "-o", "sides.png")
    assert result.exit_code == 0
    assert "Mean levels are not compared" in result.stdout
    assert "mean level A" not in result.stdout
    assert Path("sides.png").stat().st_size > 20_000


@pytest.mark.parametrize("suffix", [".png", ".svg"])
def test_the_figure(run: Run, plan: Path, suffix: str) -> None:
    assert run("compare", "room.toml", "plan.h5", "-o", f"sides{suffix}", "--quiet").stdout == ""
    again = Path(f"sides{suffix}").read_bytes()
    assert run("compare", "room.toml", "plan.h5", "-o", f"sides{suffix}", "--force").exit_code == 0
    assert Path(f"sides{suffix}").read_bytes() == again


def test_judge_in_the_same_room_changes_nothing_but_what_polishing_finds(run: Run, plan: Path) -> None:
    data = json.loads(run("judge", "plan.h5:2", "--in", "room.toml", "--json").stdout)
    own, there, better = data["plans"]
    assert there["variation_db"] == pytest.approx(own["variation_db"], abs=1e-6)
    assert better["variation_db"] <= there["variation_db"]
    assert there["gain_db"] == own["gain_db"]
    assert better["positions_m"] == own["positions_m"]


def test_judge_in_another_room(run: Run, plan: Path) -> None:
    Path("treated.toml").write_text(PRICED.replace('rear = "brick"', 'rear = "rigid"'))
    result = run("judge", "plan.h5:2", "--in", "treated.toml")
    assert result.exit_code == 0
    assert "B  as it is in treated.toml: small room" in result.stdout
    assert "walls: rear brick in A, rigid in B." in result.stdout
    assert "Settings polished there" in result.stdout


def test_judge_tells_every_sub_that_does_not_fit(run: Run, plan: Path) -> None:
    low = PRICED.replace("length_m = 4.1", "length_m = 3.0").replace("[3.8, ", "[2.7, ")
    Path("short.toml").write_text(low)
    result = run("judge", "plan.h5:2", "--in", "short.toml")
    assert result.exit_code == 3
    assert "layout.positions_m[1]: the subwoofer is at x = 3.80 m; the room ends at 3.00 m" in result.output


def test_layout_writes_the_plan_and_keeps_comments(run: Run, plan: Path) -> None:
    result = run("layout", "plan.h5:2", "-o", "new.toml")
    assert result.exit_code == 0
    text = Path("new.toml").read_text()
    assert "[subwoofer]   # two of these" in text
    layout = load_project("new.toml").layout
    assert layout is not None
    assert layout.delay_ms == (0.0, 4.0), "delays count from the earliest"
    assert layout.polarity == (1, -1)
    predicted = json.loads(run("predict", "new.toml", "--json").stdout)
    own = json.loads(run("compare", "plan.h5:2", "new.toml", "--json").stdout)["plans"][0]
    assert predicted["variation_db"] == pytest.approx(own["variation_db"], abs=1e-4)


def test_layout_into_another_project(run: Run, plan: Path) -> None:
    bare = PRICED[: PRICED.index("[layout]")]
    Path("bare.toml").write_text(bare + "# the end\n")
    assert run("layout", "plan.h5:1", "--project", "bare.toml", "-o", "new.toml").exit_code == 0
    text = Path("new.toml").read_text()
    assert text.startswith(bare.rstrip())
    assert "# From plan.h5, 1 sub, best found: variation" in text


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        (("compare", "plan.h5"), 2, "allowed: 2 to 8"),
        (("compare", "plan.h5", "plan.h5:7"), 2, "for plan.h5:7: got 7; this file has plans with 1, 2 subs"),
        (("compare", "plan.h5", "plan.h5:2:5"), 2, "got 5; allowed: 1 to 1"),
        (("compare", "plan.h5", "plan.h5:2:0"), 2, "ranks begin at 1"),
        (("compare", "room.toml:2", "plan.h5"), 2, "only plan files hold several plans"),
        (("compare", "plan.h5", "room.csv"), 2, "follows from its suffix"),
        (("compare", "plan.h5", "none.toml"), 5, "there is no such file"),
        (("compare", "plan.h5", "room.toml", "-o", "x.gif"), 2, "allowed are .png and .svg"),
        (("compare", "plan.h5", "room.toml", "-o", "room.toml"), 2, ""),
        (("layout", "plan.h5", "-o", "room.txt"), 2, "allowed: .toml"),
        (("layout", "plan.h5", "-o", "room.toml"), 5, "exists already"),
        (("layout", "plan.h5", "--project", "room.toml", "-o", "room.toml", "--force"), 2, "is read by this command"),
        (("judge", "plan.h5"), 2, "--in"),
        (("judge", "plan.h5", "--in", "plan.h5"), 5, ""),
    ],
)
def test_what_they_refuse(run: Run, plan: Path, arguments: tuple[str, ...], code: int, words: str) -> None:
    before = {path: path.read_bytes() for path in Path().iterdir()}
    result = run(*arguments)
    assert result.exit_code == code, result.output
    assert words in " ".join(result.output.split())
    assert {path: path.read_bytes() for path in Path().iterdir()} == before, "nothing was written"
