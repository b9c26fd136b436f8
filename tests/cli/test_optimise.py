"""optimise: plans in words, as JSON and as a file; and what happens when it cannot go on."""

import json
import os
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from cli.terminal.output import clean
from cli.words.choice import proof_words
from roommodes.acoustics.transfer import transfer_function
from roommodes.plan.file import read_results
from roommodes.project.advice import model_warnings
from roommodes.project.reading import load_project
from roommodes.responses.metrics import drive_weights, level_db, seat_pressure, variation_db


def names(folder: Path) -> list[str]:
    return sorted(entry.name for entry in folder.iterdir())


def test_the_summary_says_what_to_build_and_dial_in(run, small: Path) -> None:
    result = run("optimise", small, "-o", "plan.h5")
    assert result.exit_code == 0
    assert result.stderr == ""
    results = read_results(Path("plan.h5"))
    table = results.plans[2]
    text = " ".join(result.stdout.split())
    for sub in range(2):
        x, y, _ = results.candidates.position_m[table.candidate_index[0, sub]]
        assert (f"{x:.2f} m from front wall" if x < 2.05 else f"{4.1 - x:.2f} m from rear wall") in text
        assert (f"{y:.2f} m from left wall" if y <= 1.6 else f"{3.2 - y:.2f} m from right wall") in text
        delay, polarity = table.delay_s[0, sub], "normal" if table.polarity[0, sub] > 0 else "inverted"
        assert f"{delay * 1e3:.2f} ms {round(delay * 48000)} {polarity}" in text
    assert "0.30 m above floor" in text
    assert f"variation {table.variation_db[0]:.2f} dB" in text
    gained = results.plans[1].variation_db[0] - table.variation_db[0]
    assert f"{gained:.1f} dB less variation" in text
    assert table.found.stop in text
    for caution in ("Hearing:", "Weight:", "Electrical supply:", "Heat:"):
        assert caution in text
    assert "Glass:" not in text  # there is none in this room
    assert "Plan written to plan.h5." in text


def test_json_is_the_contract_and_nothing_but_json(run, small: Path) -> None:
    result = run("optimise", small, "-o", "plan.h5", "--json")
    assert result.exit_code == 0
    data = json.loads(result.stdout)
    assert {"plans", "candidates", "layouts_searched", "seconds"} <= set(data)
    assert set(data) - {"plans", "candidates", "layouts_searched", "seconds"} == {
        "recommended",
        "worth",
        "fronts",
        "rows",
        "responses",
    }
    assert data["candidates"] == 7
    assert [plan["subs"] for plan in data["plans"]] == [1, 2]
    expected = {"subs", "variation_db", "output_db", "positions_m", "gain_db", "delay_ms", "polarity"}
    for plan in data["plans"]:
        assert set(plan) == expected
        assert np.shape(plan["positions_m"]) == (plan["subs"], 3)
        assert len(plan["gain_db"]) == len(plan["delay_ms"]) == len(plan["polarity"]) == plan["subs"]


def test_the_plan_can_be_worked_out_again_from_what_is_printed(run, small: Path, close) -> None:
    """Positions and drives from the JSON, put through the model by hand, give the variation that is claimed."""
    plan = json.loads(run("optimise", small, "--json").stdout)["plans"][1]
    project = load_project(small)
    frequency_hz = read_results(Path("small.h5")).frequency_hz
    transfer = transfer_function(
        project.room,
        project.surfaces(),
        frequency_hz=frequency_hz,
        seat_m=project.seats.position_m,
        source_m=plan["positions_m"],
    )
    weights = drive_weights(
        frequency_hz,
        gain_db=plan["gain_db"],
        delay_s=np.array(plan["delay_ms"]) * 1e-3,
        polarity=plan["polarity"],
    )
    level = level_db(seat_pressure(transfer, weights))
    close(variation_db(level, project.seats.weight), plan["variation_db"], rtol=1e-6)


def test_options_take_the_place_of_the_file(run, small: Path) -> None:
    data = json.loads(run("optimise", small, "--counts", "3,1", "--seed", 9, "--threads", 1, "--json").stdout)
    assert [plan["subs"] for plan in data["plans"]] == [1, 3]
    assert read_results(Path("small.h5")).seed == 9


def test_more_subs_than_candidates(run, small: Path) -> None:
    result = run("optimise", small, "--counts", "2,8", "--json")
    assert result.exit_code == 0
    assert [plan["subs"] for plan in json.loads(result.stdout)["plans"]] == [2]
    assert "no plan with 8 subs" in result.stderr
    result = run("optimise", small, "--counts", "8", "-o", "other.h5")
    assert result.exit_code == 3
    assert "search.counts: got 8: no layout with this many subs" in result.stderr
    assert not Path("other.h5").exists()


def test_no_zones(run, small: Path) -> None:
    text = small.read_text()
    start, end = text.index("[[zones]]"), text.index("[search]")
    small.write_text(text[:start] + text[end:])
    result = run("optimise", small)
    assert result.exit_code == 3
    assert "zones" in result.stderr
    assert names(small.parent) == ["small.toml"]


@pytest.fixture
def no_search(monkeypatch: pytest.MonkeyPatch) -> None:
    def searched(*arguments: object, **options: object) -> None:
        raise AssertionError("the search was started although its result cannot be written")

    monkeypatch.setattr("solvers.plans.solve.solve", searched)


def test_an_existing_plan_is_refused_before_the_search(run, small: Path, no_search: None) -> None:
    Path("plan.h5").write_bytes(b"mine")
    result = run("optimise", small, "-o", "plan.h5")
    assert result.exit_code == 5
    assert result.stderr.startswith("plan.h5: exists already")
    assert result.stderr.count("\n") == 1
    assert Path("plan.h5").read_bytes() == b"mine"


def test_a_plan_that_cannot_be_written_is_refused_before_the_search(run, small: Path, no_search: None) -> None:
    Path("file").touch()
    for target, message in (
        ("missing/plan.h5", "folder missing does not exist"),
        (".", "is a folder"),
        ("file/plan.h5", "file"),
    ):
        result = run("optimise", small, "-o", target)
        assert result.exit_code == 5
        assert message in result.stderr
        assert result.stderr.count("\n") == 1
    assert names(small.parent) == ["file", "small.toml"]


def test_too_full_a_disk_is_refused_before_the_search(run, small: Path, no_search, monkeypatch) -> None:
    monkeypatch.setattr("shutil.disk_usage", lambda folder: type("Usage", (), {"free": 1000})())
    result = run("optimise", small)
    assert result.exit_code == 5
    assert "will be needed, but only 0.0 MB are free" in result.stderr


def test_a_file_system_that_does_not_tell_what_is_free(run, small: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Some network and overlay file systems fail `statfs`: then nothing is foreseen, and the plan is written."""

    def silent(folder: object) -> None:
        raise OSError(38, "Function not implemented")

    monkeypatch.setattr("shutil.disk_usage", silent)
    for name in ("statvfs", "fstatvfs"):
        monkeypatch.setattr(os, name, silent)
    result = run("optimise", small, "-q")
    assert (result.exit_code, result.output) == (0, "")
    assert read_results(Path("small.h5")).plans.keys() == {1, 2}


def test_a_disk_that_fills_up_meanwhile(run, small: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(descriptor: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    result = run("optimise", small)
    assert result.exit_code == 5
    assert (
        result.stderr
        == "small.h5: cannot be written: the disk is full; nothing was written; make room or choose another folder\n"
    )
    assert names(small.parent) == ["small.toml"]


def test_force_replaces(run, small: Path) -> None:
    Path("small.h5").write_bytes(b"old")
    assert run("optimise", small, "--force", "-q").exit_code == 0
    assert read_results(Path("small.h5")).plans.keys() == {1, 2}


def test_quiet_prints_nothing(run, small: Path) -> None:
    result = run("optimise", small, "--quiet")
    assert (result.exit_code, result.stdout, result.stderr) == (0, "", "")


def test_what_the_model_warns_of(run, small: Path) -> None:
    """A lively little room has its crossover above 80 Hz; a damped one below 200 Hz."""
    assert run("optimise", small).stderr == ""
    damped = small.read_text().replace("loss_factor = 0.02", "loss_factor = 0.2")
    small.write_text(damped.replace("band_hz = [25, 80]", "band_hz = [25, 200]"))
    result = run("optimise", small, "--force")
    assert result.exit_code == 0
    project = load_project(small)
    expected = model_warnings(project.room, project.surfaces(), high_hz=200.0)
    assert len(expected) == 1
    assert result.stderr == f"warning: {expected[0]}\n"


def test_hostile_names_stay_text(run, small: Path) -> None:
    """Markup is printed as it is; control characters never reach the file's names (check refuses them)."""
    long = "n" * 80
    small.write_text(small.read_text().replace(' wall"', ' [bold red]x[/]"').replace('"small room"', f'"{long}"'))
    result = run("optimise", small)
    assert result.exit_code == 0
    assert "[bold red]x[/]" in result.stdout
    assert "\x1b" not in result.stdout
    small.write_text(small.read_text().replace(long, "\\u001b[31mred\\u202e"))
    result = run("optimise", small, "--force")
    assert result.exit_code == 3
    assert "\x1b" not in result.stderr
    assert "\u202e" not in result.stderr


def test_a_hostile_file_name_is_spelled_out(run, tmp_path: Path) -> None:
    result = run("optimise", "\x1b]0;title\x07[bold]\nroom.toml")
    assert result.exit_code == 5
    assert result.stderr.startswith(r"\x1b]0;title\x07[bold]\nroom.toml: ")
    assert result.stderr.count("\n") == 1


def test_clean_text() -> None:
    assert clean("Fluß [b] 重低音") == "Fluß [b] 重低音"
    assert clean("a\tb\r\n\x9b\u202e\u200b\ud800") == r"a\tb\r\n\x9b\u202e\u200b\ud800"
    assert clean("x" * 5000, 10) == "x" * 9 + "…"


def test_a_proof_is_said_stored_and_printed_for_machines(run, small: Path) -> None:
    result = run("optimise", small, "-o", "plan.h5", "--counts", "2", "--prove", "20s", "--json")
    assert result.exit_code == 0
    (worth,) = json.loads(result.stdout)["worth"]
    results = read_results(Path("plan.h5"))
    least, variation = results.plans[2].found.layouts_least_db, results.plans[2].variation_db[0]
    assert least is not None
    assert worth["layouts_least_db"] == least
    assert worth["layouts_gap_db"] == pytest.approx(max(variation - least, 0.0))
    assert least > 0.5 * variation
    words = proof_words(results.plan(2, 1))
    assert words.startswith(
        "Proven: no layout of 2 subs among the 7 candidates, with any settings in the ranges, is more "
    )
    assert f"none gets below {np.floor(100.0 * least) / 100.0:.2f} dB" in words
    nothing = replace(results.plans[2].found, layouts_least_db=0.0)
    without = replace(results, plans={2: replace(results.plans[2], found=nothing)})
    assert proof_words(without.plan(2, 1)).startswith("Proof: nothing in the time given")


@pytest.mark.parametrize("time", ["5 weeks", "0s", "-3", "5e9", "min", "", "nan"])
def test_a_time_that_is_none_is_refused(run, small: Path, time: str) -> None:
    result = run("optimise", small, "--prove", time)
    assert result.exit_code == 2
    assert "such as 90s, 5min or 1h" in " ".join(clean(result.stderr).replace("│", " ").split())
    assert not Path("small.h5").exists()
