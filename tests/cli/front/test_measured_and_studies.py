"""Measurements, fits and studies through the front door, against the commands."""

import json
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from matplotlib.figure import Figure
from typer.testing import Result

import roommodes as rm
from tests.measuring import ROOM, SUBS, TABLE_HZ, modelled, room_project, write_set
from tests.studies.texts import tiny

Run = Callable[..., Result]


@pytest.fixture
def site(tmp_path: Path) -> Path:
    """Responses of a room that is 3 cm longer than drawn."""
    built = room_project(ROOM.replace("length_m = 5.2", "length_m = 5.23"))
    (tmp_path / "room.toml").write_text(ROOM)
    write_set(tmp_path, modelled(built, TABLE_HZ, SUBS))
    return tmp_path


def test_a_fit_is_the_commands(run: Run, site: Path) -> None:
    project = rm.load(site / "room.toml")
    measured = rm.measurements(site / "set.toml", project)
    fitted = rm.fit(project, measured, hold=("microphones", "subs"))
    done = run("fit", "room.toml", "set.toml", "-o", "new.toml", "--hold", "microphones", "--hold", "subs")
    assert done.exit_code == 0, done.output
    corrected = rm.load(site / "new.toml")
    assert fitted.project.tables == corrected.tables
    assert fitted.project.room.length_m == pytest.approx(5.23, abs=0.005)
    assert done.stdout.startswith(fitted.report())
    plan = rm.search(project, measured=measured, counts=(2,)).plan(2)
    assert run("optimise", "room.toml", "--measured", "set.toml", "--counts", 2, "-o", "p.h5", "-q").exit_code == 0
    np.testing.assert_array_equal(rm.open(site / "p.h5").plan(2).drives.delay_s, plan.drives.delay_s)
    assert plan.measured is not None


def test_a_study_is_the_commands(run: Run, tmp_path: Path) -> None:
    (tmp_path / "tiny.toml").write_text(tiny(9))
    study = rm.study(tmp_path / "tiny.toml")
    with pytest.raises(rm.FileUnusable, match="run the study first"):
        study.comparison()
    found = study.run(workers=1)
    done = run("study", "tiny.toml", "-o", "other.h5", "--workers", 1, "--json")
    told = json.loads(done.stdout.splitlines()[-1])
    pair = study.comparison().pairs[0]
    assert pair.mean_db.value == pytest.approx(told["pairs"][0]["mean_db"]["value"], abs=1e-12)
    np.testing.assert_array_equal(found.arrays["variation_db"], study.results().arrays["variation_db"])
    assert study.to_xarray()["variation_db"].dims == ("room", "strategy")
    here = rm.study_from(tiny(9)).here()
    np.testing.assert_array_equal(here.arrays["variation_db"], found.arrays["variation_db"])
    assert rm.compare_strategies(here).pairs[0].mean_db == pair.mean_db
    assert rm.open(tmp_path / "tiny.h5", "study").strategies == found.strategies
    study.report(tmp_path / "page.html")
    study.table(tmp_path / "table.csv")
    assert (tmp_path / "page.html").read_text().startswith("<!DOCTYPE html>")
    assert len((tmp_path / "table.csv").read_text().splitlines()) == 19
    axes = Figure().subplots(1, 2)
    rm.plot.distributions(axes[0], found)
    rm.plot.differences(axes[1], found, study.comparison())
    (tmp_path / "tiny.h5").write_text("somebody else's")
    with pytest.raises(rm.FileUnusable, match="exists"):
        study.run(workers=1)
