"""`roommodes tolerance` on a small plan file."""

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from typer.testing import Result

from cli.figures.tolerance import tolerance_page
from roommodes.places.seats import Seats
from roommodes.plan.file import write_results
from roommodes.plan.tolerance import read_tolerance
from solvers.tolerance.percentiles import Asked, tolerance_of
from tests.solvers.tolerance.test_percentiles import results_for

Run = Callable[..., Result]


@pytest.fixture(scope="module")
def plan(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("plan") / "plan.h5"
    write_results(path, results_for(), force=False)
    return path


def test_everything_is_told_and_kept(run: Run, plan: Path) -> None:
    done = run("tolerance", plan, "-o", "t.h5", "--figure", "t.svg", "--draws", 100, "--check", 1)
    assert done.exit_code == 0, done.stderr
    assert "128 rooms" in done.stdout, "rounded up to a power of two"
    for text in (
        "90 %",
        "What matters most",
        "The worst room of the sample",
        "scrambled Sobol' sequence of seed 1",
        "glass",
    ):
        assert text in done.stdout
    assert "worked out again by the full equations" in done.stdout
    for caution in ("Hearing:", "Weight:", "Glass:", "Electrical supply:"):
        assert caution in done.stdout
    assert "<svg" in Path("t.svg").read_text()
    assert "band" not in done.stderr
    kept = read_tolerance(Path("t.h5"))
    assert kept.draws == 128
    again = run("tolerance", plan, "-o", "t.h5")
    assert again.exit_code == 5
    assert "exists" in again.stderr


def test_the_figure_leaves_no_seat_out() -> None:
    """Eighteen seats have eighteen panels; before, those beyond twelve were not drawn."""
    results, n = results_for(), 18
    seats = Seats(
        position_m=np.repeat(results.seats.position_m[:1], n, axis=0),
        name=tuple(f"chair {k + 1}" for k in range(n)),
        weight=np.ones(n),
        row=np.arange(n) // 6,
    )
    found = tolerance_of(results, Asked(draws=16, plans=1, checked=0, indices=False))
    wide = {
        count: replace(
            table,
            first=replace(
                table.first, level_percentile_db=np.repeat(table.first.level_percentile_db[:, :1], n, axis=1)
            ),
        )
        for count, table in found.plans.items()
    }
    drawn = tolerance_page(replace(results, seats=seats), replace(found, seat_name=seats.name, plans=wide), ".svg")
    for name in seats.name:
        assert f"<!-- {name} -->" in drawn.decode()


def test_json(run: Run, plan: Path) -> None:
    done = run("tolerance", plan, "--draws", 64, "--check", 0, "--subs", 2, "--plans", 1, "--json", "--no-shares")
    data = json.loads(done.stdout)
    assert [one["subs"] for one in data["plans"]] == [2]
    percent = data["plans"][0]["variation_percentile_db"]
    assert list(percent) == ["5", "50", "90", "95"]
    assert percent["5"] < percent["50"] < percent["90"] <= data["plans"][0]["worst_variation_db"]
    assert data["draws"] == 64
    assert data["shares"] == {"2": []}


@pytest.mark.parametrize(
    ("options", "code", "message"),
    [
        (("--subs", 3), 2, "this file has plans with 1, 2 subs"),
        (("--draws", 3), 2, "16"),
        (("-o", "t.txt"), 2, "allowed: .h5, .hdf5"),
        (("--figure", "t.gif"), 2, ".png"),
        (("-o", "nowhere/t.h5"), 5, "nowhere"),
    ],
)
def test_bad_use(run: Run, plan: Path, options: tuple[object, ...], code: int, message: str) -> None:
    done = run("tolerance", plan, *options)
    assert done.exit_code == code
    assert message in done.stderr
    assert "Traceback" not in done.stderr


def test_no_plan_file(run: Run, tmp_path: Path) -> None:
    bad = tmp_path / "bad.h5"
    bad.write_text("nothing")
    done = run("tolerance", bad)
    assert done.exit_code == 5
    assert "cannot be read" in done.stderr


def test_robust_plan_is_a_plan_file(run: Run, plan: Path) -> None:
    done = run("tolerance", plan, "--robust", "robust.h5", "--subs", 2)
    assert done.exit_code == 0, done.stderr
    assert "dB less at 90 %" in done.stdout
    assert "Hearing:" in done.stdout
    assert run("settings", "robust.h5").exit_code == 0
    both = run("tolerance", plan, "--robust", "r2.h5", "-o", "t.h5")
    assert both.exit_code == 2
    assert "neither --output nor --figure" in both.stderr
    assert run("tolerance", plan, "--robust", "robust.h5").exit_code == 5, "never over an existing file"
