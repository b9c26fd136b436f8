"""What the sheets say of amplifier channels: settings, headroom, report, drawing; nothing where nothing is shared."""

import csv
import io
import json
from pathlib import Path

import pytest

from cli.drawing.texts import sub_lines
from roommodes.lengths import METRIC
from roommodes.plan.file import write_results
from tests.rooms import CLOSED_BOX

from .conftest import project_text, results_of

DRIVER = "[subwoofer]\n" + CLOSED_BOX
RACK = """[[amplifiers]]
name = "rack"
channels = 4
power_w = 600
load_ohm = 4
subs = [[1], [4, 2]]
[[amplifiers]]
name = "=HYPERLINK()"
voltage_v = 40
"""


def planned(path: Path, extra: str, *, alike: bool = True) -> Path:
    text = project_text().replace('max_level_1m_db = { "20" = 98, "40" = 108 }\n', DRIVER.partition("\n")[2])
    results = results_of(text + extra)
    if alike:
        plan = results.plan(4).with_drives(
            gain_db=[0, -2, -4, -2], delay_s=[0, 0.002, 0, 0.002], polarity=[1, 1, 1, -1]
        )
        results = plan.results
    write_results(path, results, force=False)
    return path


@pytest.fixture
def wired(tmp_path: Path) -> Path:
    return planned(tmp_path / "wired.h5", RACK)


def words(text: str) -> str:
    return " ".join(text.split())


def test_settings_say_which_sub_hangs_where(run, wired: Path) -> None:
    text = words(run("settings", wired).stdout)
    assert "polarity channel" in text
    assert "normal 1 (rack, output 1)" in text
    assert "inverted 2 (rack, output 2)" in text
    assert "Subs 4 and 2 hang on channel 2 in parallel: one signal for both." in text
    assert "The polarity of sub 2 is set by swapped wires at the cabinet." in text
    data = json.loads(run("settings", wired, "--json").stdout)
    assert [one["channel"] for one in data["values"]] == [1, 2, 3, 2]
    assert [one["wiring"] for one in data["values"]] == ["", "parallel", "", "parallel"]
    assert run("settings", wired, "-o", "s.csv").exit_code == 0
    rows = list(csv.DictReader(io.StringIO(Path("s.csv").read_bytes().decode(), newline="")))
    assert [(row["channel"], row["amplifier"], row["output"]) for row in rows] == [
        ("1", "rack", "1"),
        ("2", "rack", "2"),
        ("3", "rack", "3"),
        ("2", "rack", "2"),
    ]


def test_headroom_tells_of_every_channel(run, wired: Path) -> None:
    text = words(run("headroom", wired).stdout)
    assert "2 rack, output 2 4 and 2 parallel" in text
    data = json.loads(run("headroom", wired, "--json").stdout)
    assert [one["subs"] for one in data["channels"]] == [[1], [4, 2], [3]]
    pair, alone = data["channels"][1], data["channels"][0]
    assert pair["least_load_ohm"] == pytest.approx(alone["least_load_ohm"] / 2)
    assert len(pair["current_a"]) == len(data["bands"])


def test_the_report_and_the_drawing_say_it_too(run, wired: Path) -> None:
    assert run("report", wired, "-o", "r.html").exit_code == 0
    page = words(Path("r.html").read_text(encoding="utf-8"))
    assert "Channels of the amplifiers, and what each must give for the target" in page
    assert "rack, output 2" in page
    assert run("drawing", wired, "-o", "d.svg").exit_code == 0


def test_the_schedule_of_the_drawing_names_the_channel(tmp_path: Path) -> None:
    text = project_text().replace('max_level_1m_db = { "20" = 98, "40" = 108 }\n', DRIVER.partition("\n")[2])
    assert "    amplifier channel 1 (rack, output 1)" in sub_lines(results_of(text + RACK).plan(4), METRIC)
    assert not any("amplifier" in line for line in sub_lines(results_of(text).plan(4), METRIC))


def test_a_plan_that_cannot_be_wired_is_told_everywhere(run, tmp_path: Path) -> None:
    path = planned(tmp_path / "apart.h5", RACK, alike=False)
    result = run("headroom", path, "--subs", 4)
    assert result.exit_code == 3
    assert "subs 4 and 2 hang on channel 2 of rack" in words(result.stderr)
    assert "subs 4 and 2 hang on channel 2 of rack" in words(run("settings", path, "--subs", 4).stderr)
    assert run("report", path, "--subs", 4, "-o", "r.html").exit_code == 0
    assert "Until then it is not known how loud the plan plays." in words(Path("r.html").read_text(encoding="utf-8"))


def test_nothing_is_said_where_every_sub_has_its_own(run, tmp_path: Path) -> None:
    path = planned(tmp_path / "own.h5", "[subwoofer.amplifier]\npower_w = 600\nload_ohm = 4\n")
    for command in ("settings", "headroom"):
        assert "Channel:" not in run(command, path).stdout
    assert json.loads(run("settings", path, "--json").stdout)["values"][2]["channel"] == 3


def test_a_search_says_which_of_its_plans_cannot_be_wired(run, tmp_path: Path) -> None:
    text = (
        project_text()
        .replace("counts = [1, 2, 4]", "counts = [1, 2]\ngain_db = [-6, 0]")
        .replace("gain_db = [-10, 0]\n", "")
    )
    rack = RACK.replace("subs = [[1], [4, 2]]", "subs = [[1, 2]]")
    (tmp_path / "named.toml").write_text(text + rack, encoding="utf-8")
    result = run("optimise", tmp_path / "named.toml", "-o", tmp_path / "named.h5")
    assert result.exit_code == 0, result.output
    assert "plan with 2 subs: subs 1 and 2 hang on channel 1 of rack" in words(result.stderr)
    assert "plan with 1 subs" not in result.stderr
