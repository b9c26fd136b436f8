"""`roommodes tune` on the small room: what it writes, prints and refuses, and what `settings` makes of it."""

import csv
import io
import json
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from scipy.signal import freqz_sos
from typer.testing import Result

from roommodes.plan.file import read_results
from roommodes.responses.metrics import drive_weights, level_db, variation_db

Run = Callable[..., Result]


@pytest.fixture(scope="module")
def plan(tmp_path_factory: pytest.TempPathFactory) -> Path:
    from roommodes.plan.file import write_results  # noqa: PLC0415
    from roommodes.project.reading import parse_project  # noqa: PLC0415
    from solvers.plans.solve import solve  # noqa: PLC0415
    from tests.cli.conftest import SMALL  # noqa: PLC0415

    path = tmp_path_factory.mktemp("plan") / "plan.h5"
    write_results(path, solve(parse_project(SMALL, source="small.toml")), force=False)
    return path


def test_what_it_prints_is_what_the_filters_do(run: Run, plan: Path) -> None:
    """The levels after, worked out again from the printed coefficients with scipy."""
    done = run("tune", plan, "-o", "tuned.h5", "--subs", 2, "--json", "--target", "25:5,80:0")
    assert done.exit_code == 0, done.output
    said = json.loads(done.stdout)
    results = read_results(Path("tuned.h5"))
    table, tuning = results.plans[2], results.tuning
    assert tuning is not None
    hz = results.frequency_hz
    drives = drive_weights(hz, gain_db=table.gain_db[0], delay_s=table.delay_s[0], polarity=table.polarity[0])
    driven = results.transfer[:, :, table.candidate_index[0]] * drives[:, None, :]
    total = np.zeros(driven.shape[:2], dtype=complex)
    for sub in range(2):
        sections = [*said["individual_filters"][sub], *said["common_filters"]]
        rows = [[one["b0"], one["b1"], one["b2"], 1.0, one["a1"], one["a2"]] for one in sections]
        answer = freqz_sos(rows, hz, fs=48000.0)[1] if rows else np.ones(len(hz))
        total += driven[:, :, sub] * answer[:, None]
    after = np.array([seat["after_db"] for seat in said["seats"]]).T
    np.testing.assert_allclose(after, level_db(total), atol=1e-6)
    assert said["variation_after_db"] == pytest.approx(variation_db(after, results.seats.weight))
    assert said["variation_after_db"] <= said["variation_before_db"] + 1e-9  # common filters leave it: last bits differ
    # the price: what the mean falls by, and what the hungriest sub must be turned down by to where the loudest was
    weight, level_before = results.seats.weight / results.seats.weight.sum(), level_db(driven.sum(axis=2))
    gain = [
        20 * np.log10(np.abs(freqz_sos(rows, hz, fs=48000.0)[1])) + table.gain_db[0][sub]
        for sub in range(2)
        if (
            rows := [
                [one["b0"], one["b1"], one["b2"], 1.0, one["a1"], one["a2"]]
                for one in (*said["individual_filters"][sub], *said["common_filters"])
            ]
        )
    ]
    boost = max(0.0, float(np.max(gain)) - table.gain_db[0].max())
    assert said["boost_db"] == pytest.approx(boost, abs=1e-6)
    assert said["level_lost_db"] == pytest.approx(float(np.mean((level_before - after) @ weight)) + boost, abs=1e-6)
    before = [seat["from_target_before_db"] for seat in said["seats"]]
    assert np.mean([seat["from_target_after_db"] for seat in said["seats"]]) < np.mean(before)


def test_settings_prints_each_subs_own_filters(run: Run, plan: Path) -> None:
    assert run("tune", plan, "-o", "tuned.h5", "--subs", 2, "-q").exit_code == 0
    tuning = read_results(Path("tuned.h5")).tuning
    assert tuning is not None
    assert tuning.shared
    done = run("settings", "tuned.h5", "--subs", 2, "-o", "values.csv", "--rate", 96000)
    assert done.exit_code == 0, done.output
    assert f"{tuning.shared[0].frequency_hz:.1f} Hz" in done.stdout
    (first, second) = csv.DictReader(io.StringIO(Path("values.csv").read_text()))
    for sub, line in enumerate((first, second)):
        want = tuning.of_sub(sub)
        for number, one in enumerate(want, start=1):
            assert float(line[f"filter{number}_hz"]) == one.frequency_hz
            assert float(line[f"filter{number}_b0"]) == one.biquad(96000.0).b0
    plain = run("settings", "tuned.h5", "--subs", 1, "--json")  # another plan keeps the common cuts
    assert plain.exit_code == 0
    assert len(json.loads(plain.stdout)["values"]) == 1


def test_text_and_figure(run: Run, plan: Path) -> None:
    done = run(
        "tune", plan, "-o", "tuned.h5", "--figure", "tuned.svg", "--individual", 1, "--common", 2, "--no-all-pass"
    )
    assert done.exit_code == 0, done.output
    for words in ("Variation", "Every seat, from the target", "What it costs", "common practice", "hearing"):
        assert words in done.stdout
    assert "Electrical supply: leave circuits" in done.stdout, "the usual cautions"
    assert "<svg" in Path("tuned.svg").read_text()
    again = run("tune", plan, "-o", "tuned.h5")
    assert again.exit_code == 5
    assert "exists" in again.stderr
    none = run("tune", plan, "-o", "none.h5", "--individual", 0, "--common", 0)
    assert "None: no filter" in none.stdout


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        (["--target", "20:4,20:3"], 2, "each once"),
        (["--target", "low"], 2, "such as 20:4"),
        (["--target", "20:99"], 2, "-30 to 30"),
        (["--boost", "-1"], 2, "boost"),
        (["--individual", "99"], 2, "individual"),
        (["--figure", "x.bmp"], 2, ".png"),
        (["--rate", "100"], 3, "sample rate"),
        (["--subs", "7"], 2, "plans with 1, 2"),
    ],
)
def test_what_it_refuses(run: Run, plan: Path, arguments: list[str], code: int, words: str) -> None:
    done = run("tune", plan, "-o", "tuned.h5", *arguments)
    assert done.exit_code == code, done.output
    assert words in " ".join(done.stderr.split())
    assert not Path("tuned.h5").exists()


PROCESSOR = """
[processor]
sample_rate_hz = 96000
gain_step_db = 0.5
delay_step_ms = 0.25
[processor.filters]
per_output = 3
in_all = 5
kinds = ["peaking"]
frequency_hz = [25, 100]
frequency_step_hz = 1
q = [1, 4]
q_step = 0.5
gain_db = [-6, 2]
gain_step_db = 1
"""


def test_all_is_found_on_the_steps_of_the_processor(run: Run, tmp_path: Path) -> None:
    from tests.cli.conftest import SMALL  # noqa: PLC0415

    (tmp_path / "room.toml").write_text(SMALL + PROCESSOR)
    assert run("optimise", "room.toml", "-o", "p.h5", "-q").exit_code == 0
    done = run("tune", "p.h5", "-o", "t.h5", "--subs", 2, "--json")
    assert done.exit_code == 0, done.output
    said = json.loads(done.stdout)
    assert said["sample_rate_hz"] == 96000
    filters = [one for own in said["individual_filters"] for one in own]
    assert filters or said["common_filters"]
    assert len(filters) + 2 * len(said["common_filters"]) <= 5
    for own in said["individual_filters"]:
        assert len(own) + len(said["common_filters"]) <= 3
    for one in (*filters, *said["common_filters"]):
        assert one["kind"] == "peaking"
        assert (one["frequency_hz"], one["gain_db"]) == (round(one["frequency_hz"]), round(one["gain_db"]))
        assert 25 <= one["frequency_hz"] <= 100
        assert -6 <= one["gain_db"] <= 2
        assert (2 * one["q"], 1 <= one["q"] <= 4) == (round(2 * one["q"]), True)
    free = said["without_processor_limits"]
    assert free["variation_after_db"] <= said["variation_after_db"] + 0.05
    values = json.loads(run("settings", "t.h5", "--json").stdout)
    assert values["sample_rate_hz"] == 96000
    assert values["warnings"] == []
    for sub in values["values"]:
        assert 2 * sub["gain_db"] == round(2 * sub["gain_db"])
        assert 4 * sub["delay_ms"] == pytest.approx(round(4 * sub["delay_ms"]), abs=1e-6)
    text = run("tune", "p.h5", "-o", "t.h5", "--subs", 2, "--force").stdout
    assert "Free of its limits" in " ".join(text.split())
    refused = run("tune", "p.h5", "-o", "u.h5", "--individual", 2, "--common", 2)
    assert refused.exit_code == 3
    assert "got 4 for each output; allowed: 3" in refused.stderr
    assert not Path("u.h5").exists()
