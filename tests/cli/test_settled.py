"""A plan file that carries everything to dial in: crossover and filters together, in settings, reports and again."""

import csv
import io
import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.signal import butter, freqz_sos
from typer.testing import Result

from roommodes.acoustics.transfer import transfer_function
from roommodes.plan.file import read_results, write_results
from roommodes.project.reading import parse_project
from roommodes.responses.metrics import level_db
from solvers.crossover.with_mains import crossed_again
from solvers.plans.solve import solve
from tests.cli.conftest import SMALL
from tests.roommodes.plan.stored import assert_same

Run = Callable[..., Result]
MAINS = """
[mains]
positions_m = [[0.4, 0.8, 1.0], [0.4, 2.4, 1.0]]
frequency_hz = 70
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A plan whose delays do not begin at zero, so that what counts from where is seen."""
    path = tmp_path_factory.mktemp("settled")
    text = SMALL.replace("counts = [1, 2]", "counts = [1, 2]\ndelay_ms = [3, 14]") + MAINS
    write_results(path / "plan.h5", solve(parse_project(text, source="small.toml")), force=False)
    return path


@pytest.fixture
def ready(run: Run, folder: Path) -> Path:
    """Tuned, then met."""
    target = folder / "ready.h5"
    if not target.exists():
        assert run("tune", folder / "plan.h5", "-o", folder / "tuned.h5", "--subs", 2, "-q").exit_code == 0
        done = run("crossover", folder / "tuned.h5", "-o", target, "--order", 2, "-q")
        assert done.exit_code == 0, done.output
    return target


def played(results, values: list[dict], crossover: dict) -> np.ndarray:
    """The sums at the seats from nothing but the printed totals and coefficients: (n_near, n_seat, n_main)."""
    project, hz = results.project, results.crossover.levels.near_hz
    sub_m = [[one["x_m"], one["y_m"], one["z_m"]] for one in values]
    whole = transfer_function(
        project.room,
        project.surfaces(),
        frequency_hz=hz,
        seat_m=results.seats.position_m,
        source_m=np.vstack([sub_m, project.mains.positions_m]),
    )

    def through(sections: list[dict]) -> np.ndarray:
        rows = [[one["b0"], one["b1"], one["b2"], 1.0, one["a1"], one["a2"]] for one in sections]
        return freqz_sos(rows, hz, fs=48000.0)[1] if rows else np.ones(len(hz))

    outputs = crossover["outputs"]
    assert [one["output"] for one in outputs] == ["sub 1", "sub 2", "mains"]
    drive = [
        one["total_polarity"]
        * 10 ** (one["total_gain_db"] / 20)
        * np.exp(-2j * np.pi * hz * one["total_delay_ms"] * 1e-3)
        for one in outputs
    ]
    low, high = through(crossover["subs_filters"]), through(crossover["mains_filters"])
    subs = sum(
        (whole[:, :, index] * (drive[index] * through(one["filters"]) * low)[:, None])
        for index, one in enumerate(values)
    )
    return subs[:, :, None] + whole[:, :, 2:] * (drive[2] * high)[:, None, None]


def test_what_settings_prints_gives_the_sum_that_crossover_found(run: Run, ready: Path) -> None:
    """Bought with the totals alone: delays of plan and crossover add up, mains included, filters in place."""
    done = run("settings", ready, "--json")
    assert done.exit_code == 0, done.output
    said, results = json.loads(done.stdout), read_results(ready)
    record = results.crossover
    assert record is not None
    assert results.tuning is not None
    np.testing.assert_allclose(
        level_db(played(results, said["values"], said["crossover"])), record.levels.sum_db, atol=0.02
    )
    delays = [one["total_delay_ms"] for one in said["crossover"]["outputs"]]
    assert min(delays) == 0.0  # the earliest of all outputs
    assert min(one["delay_ms"] for one in said["values"]) == 0.0  # and of the subs among themselves
    assert results.plans[2].delay_s[0].min() >= 0.003 - 1e-9  # where the plan's own began
    sections = said["crossover"]["subs_filters"]
    want = butter(1, 70.0, fs=48000.0, output="sos")  # Linkwitz-Riley of order 2: a first-order Butterworth, twice
    rows = [[one["b0"], one["b1"], one["b2"], 1.0, one["a1"], one["a2"]] for one in sections]
    hz = np.array([20.0, 70.0, 300.0])
    np.testing.assert_allclose(freqz_sos(rows, hz, fs=48000.0)[1], freqz_sos(want, hz, fs=48000.0)[1] ** 2, rtol=1e-9)


def test_csv_has_a_line_for_the_mains_and_documented_columns(run: Run, ready: Path) -> None:
    assert run("settings", ready, "-o", "v.csv", "-q").exit_code == 0
    said = json.loads(run("settings", ready, "--json").stdout)["crossover"]
    lines = list(csv.DictReader(io.StringIO(Path("v.csv").read_text(), newline="")))
    assert [line["sub"] for line in lines] == ["1", "2", "mains"]
    for line, row in zip(lines, said["outputs"], strict=True):
        for name in said["columns"]:
            assert line[name] == str(row[name])
    assert {line["crossover"] for line in lines[:2]} == {"low-pass"}
    assert lines[2]["crossover"] == "high-pass"
    assert float(lines[2]["crossover1_b0"]) == said["mains_filters"][0]["b0"]
    assert float(lines[0]["crossover1_b0"]) == said["subs_filters"][0]["b0"]


def test_it_is_found_again_from_the_file_alone(ready: Path) -> None:
    results = read_results(ready)
    again = crossed_again(results.settled(), results.crossover).crossover
    assert_same(results.crossover.crossover, again.crossover)
    assert_same(replace(results.crossover, crossover=None), replace(again, crossover=None))


def test_tune_after_crossover_finds_it_anew(run: Run, folder: Path, ready: Path) -> None:
    """The same place by the other way round."""
    assert run("crossover", folder / "plan.h5", "--subs", 2, "--order", 2, "-o", "met.h5", "-q").exit_code == 0
    done = run("tune", "met.h5", "-o", "both.h5")
    assert done.exit_code == 0, done.output
    assert "The crossover was found anew with these filters" in " ".join(done.stdout.split())
    both, other = read_results(Path("both.h5")), read_results(ready)
    assert_same(replace(both.crossover, crossover=None), replace(other.crossover, crossover=None))
    assert both.crossover.delay_s != read_results(Path("met.h5")).crossover.delay_s


def test_a_file_carries_one_plans_settings_and_says_so(run: Run, ready: Path) -> None:
    one = run("tune", ready, "--subs", 1, "-o", "one.h5")
    assert one.exit_code == 0, one.output
    assert "crossover of the plan with 2 subs is left out" in " ".join(one.stdout.split())
    assert read_results(Path("one.h5")).crossover is None
    met = run("crossover", ready, "--subs", 1, "-o", "met.h5")
    assert "belong to another plan" in " ".join(met.stdout.split())
    assert read_results(Path("met.h5")).tuning is None
    plain = json.loads(run("settings", ready, "--subs", 1, "--json").stdout)
    assert plain["crossover"] is None


def test_the_settled_plan_is_taken_where_none_is_asked_for(run: Run, folder: Path) -> None:
    assert run("tune", folder / "plan.h5", "--subs", 2, "--rank", 2, "-o", "t.h5", "-q").exit_code == 0
    assert json.loads(run("settings", "t.h5", "--json").stdout)["rank"] == 2
    assert json.loads(run("settings", "t.h5", "--rank", 1, "--json").stdout)["rank"] == 1
    assert run("crossover", folder / "plan.h5", "--subs", 1, "--rank", 3, "-o", "c.h5", "-q").exit_code == 0
    said = json.loads(run("settings", "c.h5", "--json").stdout)
    assert (said["subs"], said["rank"]) == (1, 3)
    assert said["crossover"]["gain_db"] == read_results(Path("c.h5")).crossover.gain_db


def test_delays_beyond_the_processor_are_told_with_what_is_common(run: Run, folder: Path) -> None:
    """A range that the plan fills: a common delay on top leaves it."""
    results = read_results(folder / "plan.h5")
    delay_s = results.plans[2].delay_s.copy()
    delay_s[0] = [0.003, 0.014]
    results = replace(results, plans={**results.plans, 2: replace(results.plans[2], delay_s=delay_s)})
    write_results(Path("full.h5"), results, force=True)
    assert run("crossover", "full.h5", "--subs", 2, "-o", "met.h5", "-q").exit_code == 0
    met = read_results(Path("met.h5"))
    for common_s, told in ((0.004, True), (-0.004, False)):
        shifted = replace(met, crossover=replace(met.crossover, delay_s=common_s, gain_db=0.0))
        write_results(Path("met.h5"), shifted, force=True)
        said = json.loads(run("settings", "met.h5", "--json").stdout)
        warned = [line for line in said["warnings"] if "common to all subs" in line]
        assert len(warned) == told
        if told:
            assert "sub 2: delay 18.00 ms with the 4.00 ms common" in warned[0]
        totals = [one["total_delay_ms"] for one in said["crossover"]["outputs"]]
        assert totals == ([4.0, 15.0, 0.0] if told else [0.0, 11.0, 4.0])
    loud = replace(met, crossover=replace(met.crossover, gain_db=3.0))
    write_results(Path("met.h5"), loud, force=True)
    assert any("common to all subs" in line and "gain" in line for line in settings_warnings(run))


def settings_warnings(run: Run) -> list[str]:
    return json.loads(run("settings", "met.h5", "--json").stdout)["warnings"]


def test_text_and_report_show_it(run: Run, ready: Path) -> None:
    done = run("settings", ready)
    text = " ".join(done.stdout.split())
    for words in (
        "Crossover to the main loudspeakers",
        "12 dB per octave, 70 Hz",
        "never both",
        "all mains, section 1",
    ):
        assert words in text
    assert run("report", ready, "-o", "r.html", "-q").exit_code == 0
    html = Path("r.html").read_text()
    assert "Crossover to the main loudspeakers" in html
    assert "Totals with the crossover" in html
