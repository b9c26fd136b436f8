"""`roommodes crossover`: what it prints against its own numbers, and what it refuses."""

import json
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from scipy.signal import butter, sosfreqz
from typer.testing import Result

from roommodes.acoustics.transfer import transfer_function
from roommodes.plan.file import read_results, write_results
from roommodes.project.reading import parse_project
from roommodes.responses.metrics import drive_weights
from solvers.plans.solve import solve
from tests.cli.conftest import SMALL

Run = Callable[..., Result]
MAINS = """
[mains]
positions_m = [[0.4, 0.8, 1.0], [0.4, 2.4, 1.0]]
frequency_hz = 70
"""


@pytest.fixture(scope="module")
def plan(tmp_path_factory: pytest.TempPathFactory) -> Path:
    text = SMALL.replace("counts = [1, 2]", "counts = [2]") + MAINS
    path = tmp_path_factory.mktemp("plan") / "plan.h5"
    write_results(path, solve(parse_project(text, source="small.toml")), force=False)
    return path


def test_the_sum_is_that_of_model_and_textbook_filters(run: Run, plan: Path) -> None:
    """Worked out again from the model's responses and scipy's fourth-order Butterworth filters."""
    done = run("crossover", plan, "--json", "--kind", "butterworth", "--order", 4, "--at", 60)
    assert done.exit_code == 0, done.output
    said = json.loads(done.stdout)
    results = read_results(plan)
    project = results.project
    hz, table = np.array(said["grid_hz"]), results.plans[2]
    assert (hz[0], hz[-1]) == pytest.approx((30.0, 120.0))
    whole = transfer_function(
        project.room,
        project.surfaces(),
        frequency_hz=hz,
        seat_m=results.seats.position_m,
        source_m=np.vstack([results.candidates.position_m[table.candidate_index[0]], project.mains.positions_m]),
    )
    low, high = (
        sosfreqz(butter(4, 60.0, kind, fs=48000.0, output="sos"), hz, fs=48000.0)[1] for kind in ("low", "high")
    )
    drives = drive_weights(hz, gain_db=table.gain_db[0], delay_s=table.delay_s[0], polarity=table.polarity[0])
    bus = said["polarity"] * 10 ** (said["gain_db"] / 20) * np.exp(-2j * np.pi * hz * said["delay_ms"] * 1e-3)
    subs = np.einsum("fsc,fc->fs", whole[:, :, :2], drives) * (bus * low)[:, None]
    total = subs[:, :, None] + whole[:, :, 2:] * high[:, None, None]
    level = 20 * np.log10(np.abs(total)).transpose(2, 1, 0)
    np.testing.assert_allclose(said["sum_db"], level, atol=2e-3)
    assert said["as_set"]["shortfall_db"] + said["as_set"]["variation_db"] <= sum(
        said["no_delay"][key] for key in ("shortfall_db", "variation_db")
    )
    assert -10.0 <= said["delay_ms"] <= 10.0


def test_text_and_figure(run: Run, plan: Path) -> None:
    done = run("crossover", plan, "--figure", "meet.png", "--gain", 0)
    assert done.exit_code == 0, done.output
    for words in ("2 subs meeting 2 main loudspeakers", "summation loss", "Every seat", "How exact", "measure the sum"):
        assert words in " ".join(done.stdout.split())
    assert Path("meet.png").stat().st_size > 20_000
    assert "Shown, not kept" in done.stdout
    assert "Hearing: start quietly" in done.stdout, "the usual cautions"
    assert run("crossover", plan, "--figure", "meet.png").exit_code == 5


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--order", 3], "2, 4, 6, 8"),
        (["--order", 9], "order"),
        (["--at", 500], "at"),
        (["--kind", "brick wall"], "butterworth"),
        (["-o", "x.png"], "a figure goes to --figure"),
        (["--figure", "x.doc"], ".png"),
    ],
)
def test_wrong_usage(run: Run, plan: Path, arguments: list[object], words: str) -> None:
    done = run("crossover", plan, *arguments)
    assert done.exit_code == 2, done.output
    assert words in done.stderr


def test_a_project_without_mains_is_told_what_to_add(run: Run, tmp_path: Path, plan: Path) -> None:
    bare = solve(parse_project(SMALL.replace("[1, 2]", "[1]"), source="small.toml"))
    write_results(tmp_path / "bare.h5", bare, force=False)
    done = run("crossover", "bare.h5")
    assert done.exit_code == 3
    assert "add positions_m" in done.stderr


@pytest.mark.parametrize(
    ("mains", "words"),
    [
        ("positions_m = [[9.0, 1.0, 1.0]]", "the main loudspeaker is at x = 9.00 m"),
        ("positions_m = [[2.2, 0.7, 1.1]]", "from the ear"),
        ("order = 5", "order 5 with linkwitz-riley"),
        ("order = 9", "2 to 8"),
        ("frequency_hz = 900", "30 to 200"),
        ("delay_ms = [3, 1]", "must not be above"),
        ('crossover = "steep"', "butterworth"),
    ],
)
def test_faults_of_the_mains_table(run: Run, tmp_path: Path, mains: str, words: str) -> None:
    (tmp_path / "room.toml").write_text(SMALL + "\n[mains]\n" + mains + "\n")
    done = run("check", "room.toml")
    assert done.exit_code == 3, done.output
    assert words in " ".join(done.stderr.split())
