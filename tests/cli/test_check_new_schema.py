"""check, new and schema: what a person sees before anything is searched."""

import json
import tomllib
from math import atan, degrees
from pathlib import Path

import jsonschema
import pytest

EIGHT_FAULTS = """\
format = 1
name = "eight faults"
[room]
lenght_m = 6.0
width_m = "4.2"
height_m = 250
[walls]
front = "brik"
[[rows]]
name = "front"
x_m = nan
y_m = [2.0]
ear_height_m = 1.1
[[zones]]
name = "a"
from_m = [0.3, 0.3]
to_m = [0.3, 3.9, 0.3]
[search]
counts = [0]
polarity = "yes"
"""


def test_new_writes_a_valid_commented_project(run, tmp_path: Path) -> None:
    result = run("new", "cellar.toml")
    assert result.exit_code == 0
    assert "roommodes check cellar.toml" in result.stdout
    text = (tmp_path / "cellar.toml").read_text()
    assert text.count("#") > 20
    assert run("check", "cellar.toml", "--quiet").exit_code == 0


def test_new_never_overwrites_unasked(run, tmp_path: Path) -> None:
    (tmp_path / "room.toml").write_text("mine")
    result = run("new")
    assert result.exit_code == 5
    assert "room.toml: exists already" in result.stderr
    assert (tmp_path / "room.toml").read_text() == "mine"
    result = run("new", "--force", "--json")
    assert json.loads(result.stdout) == {"written": "room.toml"}
    assert tomllib.loads((tmp_path / "room.toml").read_text())["format"] == 1


def test_schema_accepts_what_check_accepts(run, small_text: str) -> None:
    result = run("schema")
    assert result.exit_code == 0
    schema = json.loads(result.stdout)
    jsonschema.Draft202012Validator.check_schema(schema)
    validator = jsonschema.Draft202012Validator(schema)
    assert not list(validator.iter_errors(tomllib.loads(small_text)))
    assert list(validator.iter_errors(tomllib.loads(EIGHT_FAULTS.replace("nan", "1.0"))))


def test_check_names_all_faults_at_once(run, tmp_path: Path) -> None:
    (tmp_path / "bad.toml").write_text(EIGHT_FAULTS)
    result = run("check", "bad.toml")
    assert result.exit_code == 3
    assert result.stdout == ""
    lines = result.stderr.splitlines()
    for where in (
        "bad.toml:4 room.lenght_m:",
        "bad.toml:5 room.width_m:",
        "bad.toml:6 room.height_m:",
        "bad.toml:8 walls.front:",
        "bad.toml:11 rows[0].x_m:",
        "bad.toml:16 zones[0].from_m:",
        "bad.toml:19 search.counts",
        "bad.toml:20 search.polarity:",
    ):
        assert any(line.startswith(where) for line in lines), where
    assert "Traceback" not in result.stderr
    as_json = run("check", "bad.toml", "--json")
    assert as_json.exit_code == 3
    data = json.loads(as_json.stdout)
    assert data["valid"] is False
    assert len(data["faults"]) == len(lines) == len(as_json.stderr.splitlines())
    assert {fault["line"] for fault in data["faults"]} >= {4, 5, 6, 8, 11, 16, 19, 20}


def test_check_shows_what_the_room_does(run, small: Path) -> None:
    small.write_text(small.read_text() + "[screen]\nwidth_m = 2.0\n")
    result = run("check", small)
    assert result.exit_code == 0
    assert result.stdout.startswith(f"{small}: no faults\n")
    # (1, 0, 0) of 4.1 m at 343.2 m/s: c / 2L = 41.85 Hz
    assert any(line.split()[:5] == ["1", "0", "0", "axial", "41.9"] for line in result.stdout.splitlines())
    assert "7 candidates" in result.stdout
    assert f"{degrees(2 * atan(0.5 * 2.0 / 2.2)):.0f} deg" in result.stdout


def test_check_json_holds_every_mode(run, small: Path) -> None:
    data = json.loads(run("check", small, "--json").stdout)
    assert data["valid"] is True
    first = data["modes"][0]
    assert first["number"] == [1, 0, 0]
    assert first["rigid_hz"] == pytest.approx(343.2 / (2 * 4.1), rel=1e-9)
    assert first["decay_time_s"] > 0
    assert first["null_planes"][0]["rigid_m"] == pytest.approx(4.1 / 2)
    # 2000 sqrt(T/V), Schroeder, JASA 99(5) 3240, 1996, eq. 1
    assert data["crossover_hz"] == pytest.approx(2000 * (data["decay_time_s"] / (4.1 * 3.2 * 2.4)) ** 0.5)
    assert data["candidates"] == 7
    assert [zone["candidates"] for zone in data["zones"]] == [4, 3]


def test_warnings_go_to_stderr_one_line_each(run, small: Path) -> None:
    small.write_text(small.read_text().replace("x_m = 2.2", "x_m = 3.9"))
    result = run("check", small)
    assert result.exit_code == 0
    warnings = result.stderr.splitlines()
    assert all(line.startswith("warning: ") for line in warnings)
    assert any("0.20 m from the rear wall" in line for line in warnings)
    assert "warning:" not in result.stdout


@pytest.mark.parametrize(
    ("make", "message", "code"),
    [
        (lambda path: None, "no such file", 5),
        (lambda path: path.mkdir(), "is a folder", 5),
        (lambda path: path.write_text("format = = 1"), "not valid TOML", 3),
        (lambda path: path.write_bytes(b"name = '\xff'"), "not UTF-8", 5),
        (lambda path: path.write_text("format = 2"), "format is 2; this version reads format 1", 5),
        (lambda path: path.write_text(""), "key is missing", 3),
    ],
)
@pytest.mark.parametrize("command", ["check", "predict", "optimise"])
def test_files_that_are_no_project(run, tmp_path: Path, command: str, make, message: str, code: int) -> None:
    make(tmp_path / "room.toml")
    result = run(command, "room.toml")
    assert result.exit_code == code
    assert result.stdout == ""
    assert message in result.stderr
    assert all(line.startswith("room.toml") for line in result.stderr.splitlines())
    assert {path.name for path in tmp_path.iterdir()} <= {"room.toml"}
