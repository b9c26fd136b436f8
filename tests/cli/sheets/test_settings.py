"""settings: normalised delays, documented columns, formats that any program reads, and nothing live in a cell."""

import csv
import io
import json
from pathlib import Path

import numpy as np
import pytest

from cli.words.settings import COLUMNS, FILTER_COLUMNS, inert
from roommodes.filters.biquads import Biquad, response
from roommodes.plan.starting_values import beyond_processor, starting_values
from roommodes.project.reading import parse_project
from roommodes.storage.seal import LENGTH

from .conftest import DRIVES, project_text, results_of


def rows_of(path: Path) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(path.read_bytes().decode(), newline="")))


def test_the_earliest_delay_is_zero_and_differences_stay(run, plan_file: Path) -> None:
    data = json.loads(run("settings", plan_file, "--subs", 4, "--json").stdout)
    delays = np.array([one["delay_ms"] for one in data["values"]])
    assert delays.min() == 0.0
    np.testing.assert_allclose(delays[2] - delays[1], 9.3, rtol=1e-9)  # 10.5 ms less 1.2 ms
    assert [one["polarity"] for one in data["values"]] == DRIVES[4][2]
    assert [one["gain_db"] for one in data["values"]] == DRIVES[4][0]


@pytest.mark.parametrize("rate", [44100, 48000, 96000])
def test_samples_and_distances_follow_from_the_delay(run, plan_file: Path, rate: int) -> None:
    """9.3 ms; sound at 20 degrees: 343.2 m/s (ISO 9613-1)."""
    data = json.loads(run("settings", plan_file, "--subs", 4, "--rate", rate, "--json").stdout)
    third = data["values"][2]
    assert third["delay_samples"] == round(0.0093 * rate)
    assert third["distance_m"] == pytest.approx(0.0093 * 343.2, abs=1e-4)
    assert data["sample_rate_hz"] == rate


def test_csv_has_the_documented_columns_and_the_same_values(run, plan_file: Path) -> None:
    assert run("settings", plan_file, "--subs", 2, "-o", "s.csv").exit_code == 0
    assert run("settings", plan_file, "--subs", 2, "-o", "s.json").exit_code == 0
    rows, data = rows_of(Path("s.csv")), json.loads(Path("s.json").read_text())
    names = [name for name, _, _ in COLUMNS]
    assert list(rows[0])[: len(names)] == names
    assert list(data["columns"]) == names
    assert list(data["filter_columns"]) == [name for name, _, _ in FILTER_COLUMNS]
    for row, entry in zip(rows, data["values"], strict=True):
        for name in names:
            assert row[name] == str(entry[name])
        for number, one in enumerate(entry["filters"], start=1):
            for name, value in one.items():
                assert row[f"filter{number}_{name}"] == str(value)


def test_the_tables_last_column_cautions_once(run, plan_file: Path) -> None:
    assert run("settings", plan_file, "--subs", 2, "-o", "s.csv").exit_code == 0
    first, *others = rows_of(Path("s.csv"))
    assert list(first)[-1] == "caution"
    for word in ("Hearing", "Weight", "Electrical supply", "ventilation", "Local codes"):
        assert word in first["caution"]
    assert not any(row["caution"] for row in others)


def test_the_coefficients_do_what_the_words_say(run, plan_file: Path) -> None:
    """Read back from the file and put through the difference equation's transfer function."""
    data = json.loads(run("settings", plan_file, "--subs", 2, "--rate", 96000, "--json").stdout)
    filters = data["values"][0]["filters"]
    assert filters, "the plan's mean has a peak"
    for one in filters:
        section = Biquad(**{key: one[key] for key in ("b0", "b1", "b2", "a1", "a2")})
        gain = 20 * np.log10(np.abs(response([section], [one["hz"]], rate_hz=96000.0)[0]))
        assert gain == pytest.approx(one["gain_db"], abs=1e-6)
    assert "- a1 y[n-1] - a2 y[n-2]" in data["sign_convention"]
    bare = json.loads(run("settings", plan_file, "--subs", 2, "--no-filters", "--json").stdout)
    assert all(one["filters"] == [] for one in bare["values"])


def test_the_table_says_everything_that_is_dialled_in(run, plan_file: Path) -> None:
    result = run("settings", plan_file, "--subs", 2)
    assert result.exit_code == 0
    row = next(line.split() for line in result.stdout.splitlines() if line.strip().startswith("2  "))
    assert row == ["2", "high", "-3.5", "dB", "7.30", "ms", "350", "2.51", "m", "inverted"]
    assert "0.31 m from front wall, 0.90 m from left wall, 0.27 m above floor" in result.stdout
    assert "harms hearing" in result.stdout
    assert result.stderr == ""


def test_no_cell_is_a_formula(run, make_plan) -> None:
    for start in ("=", "+", "-", "@"):
        plan = make_plan(ZONE=f"{start}cmd|'/c calc'!A0")
        assert run("settings", plan, "-o", "s.csv", "--force").exit_code == 0
        assert rows_of(Path("s.csv"))[0]["zone"].startswith(f"'{start}cmd")
    assert inert(" =1+1") == "' =1+1"
    assert inert("a\u202eb\x1b[2J") == "a\\u202eb\\x1b[2J"
    assert inert("front wall") == "front wall"


def test_what_the_processor_cannot_do_is_said() -> None:
    """The plan's delays span 9.3 ms and its gains go down to -4 dB; here the project allows less."""
    text = project_text().replace("delay_ms = [0, 15]", "delay_ms = [1, 5]").replace("[-10, 0]", "[-3, 0]")
    project = parse_project(text + "\n", source="t")
    values = starting_values(results_of(text + "\n").plan(4), rate_hz=48000.0)
    found = beyond_processor(values, project.processor)
    assert [line.split(":")[0] for line in found] == [
        "the earliest sub has a delay of zero; [search] delay_ms begins at 1 ms. Add 1 ms to every sub's delay",
        "sub 3",
        "sub 4",
        "sub 4",
    ]
    assert "delay 10.30 ms; [search] delay_ms allows up to 5 ms" in found[1]
    assert "gain -4.0 dB; [search] gain_db allows -3 to 0 dB" in found[3]
    rigid = parse_project(project_text().replace("gain_db = [-10, 0]", "polarity = false"), source="t")
    assert sum("polarity inverted" in line for line in beyond_processor(values, rigid.processor)) == 2
    assert beyond_processor(values, parse_project(project_text(), source="t").processor) == ()


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        (["--subs", 3], 2, "this file has plans with 1, 2, 4 subs"),
        (["--rank", 2], 2, "got 2; allowed: 1 to 1"),
        (["--rate", 10], 3, "sample rate: got 10 Hz; allowed: 8000 to 768000 Hz"),
        (["--rate", "nan"], 3, "sample rate: got nan Hz"),
        (["-o", "s.xls"], 2, "got '.xls'; allowed: .csv, .json"),
        (["-o", "missing/s.csv"], 5, "does not exist"),
    ],
)
def test_faults(run, plan_file: Path, arguments: list[object], code: int, words: str) -> None:
    result = run("settings", plan_file, *arguments)
    assert result.exit_code == code
    assert words in " ".join(result.stderr.split())
    assert result.stdout == ""


def test_existing_files_and_files_of_other_kinds(run, plan_file: Path) -> None:
    Path("s.csv").write_text("mine")
    assert run("settings", plan_file, "-o", "s.csv").exit_code == 5
    assert Path("s.csv").read_text() == "mine"
    Path("no.h5").write_text("no plan")
    assert run("settings", "no.h5").exit_code == 5
    assert run("settings", "absent.h5").exit_code == 5


def test_a_plan_without_a_checksum_is_used_and_that_is_said(run, plan_file: Path, tmp_path: Path) -> None:
    assert "checksum" not in run("settings", plan_file).stderr
    old = tmp_path / "old.h5"
    old.write_bytes(plan_file.read_bytes()[:-LENGTH])
    done = run("settings", old)
    assert done.exit_code == 0
    assert f"{old} carries no checksum" in done.stderr
    assert "checksum" not in run("settings", old, "--quiet").stderr
