"""Plans beside each other, in other rooms and in projects, through the front door, against the commands."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from matplotlib.figure import Figure
from typer.testing import Result

import roommodes as rm

Run = Callable[..., Result]


def test_compare_is_the_commands(said, project: rm.Project, results: rm.Results) -> None:
    told = said("compare", "small.toml", "plan.h5:2")["plans"]
    found = rm.compare(rm.predict(project), results.plan(2))
    for mine, theirs in zip(found, told, strict=True):
        assert mine.variation_db == pytest.approx(theirs["variation_db"], abs=1e-9)
        assert mine.output_db == pytest.approx(theirs["output_db"], abs=1e-9)
        assert mine.least_headroom[1] == pytest.approx(theirs["headroom_db"], abs=1e-9)
    low = rm.judge(project.with_(search={"band_hz": [20, 26]}), [[0.3, 0.3, 0.3]])
    with pytest.raises(rm.OutsideModel, match="too little in common"):
        rm.compare(low, rm.judge(project.with_(search={"band_hz": [60, 90]}), [[0.3, 0.3, 0.3]]))


def test_judge_is_the_commands(said, folder: Path, project: rm.Project, results: rm.Results) -> None:
    other = project.with_(height_m=project.room.height_m + 0.3)
    rm.save(other, folder / "other.toml")
    told = said("judge", "plan.h5:2", "--in", "other.toml")["plans"]
    there = results.plan(2).moved(other)
    assert there.variation_db == pytest.approx(told[1]["variation_db"], abs=1e-9)
    better = there.polished()
    assert better.variation_db == pytest.approx(told[2]["variation_db"], abs=1e-9)
    assert better.variation_db <= there.variation_db
    np.testing.assert_array_equal(better.positions_m, there.positions_m)


def test_layout_is_the_commands_and_projects_are_saved(run: Run, folder: Path, results: rm.Results) -> None:
    plan = rm.open(folder / "plan.h5").plan(2)
    assert run("layout", "plan.h5:2", "-o", "theirs.toml").exit_code == 0
    mine = plan.in_project(label="plan.h5, 2 subs, best found")
    assert (folder / "theirs.toml").read_text() == mine.toml_text
    rm.save(mine, folder / "mine.toml")
    again = rm.predict(rm.load(folder / "mine.toml"))
    assert again.variation_db == pytest.approx(plan.variation_db, rel=1e-2)
    with pytest.raises(rm.FileUnusable, match="exists"):
        rm.save(mine, folder / "mine.toml")


def test_a_watcher_works_out_what_changed_alone(results: rm.Results) -> None:
    project = results.plan(2).in_project(label="two")
    eye = rm.watcher()
    first, second = eye.look(project), eye.look(project.with_(search={"seed": 9}))
    assert (first.computed, second.computed) == (("levels", "modes"), ())
    moved = eye.look(project.with_(length_m=project.room.length_m + 0.2))
    assert moved.computed == ("levels", "modes")
    assert moved.plan is not None
    assert first.plan is not None
    assert moved.plan.variation_db != first.plan.variation_db
    assert first.plan.variation_db == pytest.approx(rm.predict(project).variation_db, abs=0.05)


def test_pages_and_tables_are_the_commands(run: Run, folder: Path) -> None:
    plan = rm.open(folder / "plan.h5").plan(2)
    rm.settings(plan, folder / "a.csv", rate_hz=96000)
    assert run("settings", "plan.h5", "--subs", 2, "--rate", 96000, "-o", "b.csv", "-q").exit_code == 0
    assert (folder / "a.csv").read_bytes() == (folder / "b.csv").read_bytes()
    rm.settings(plan, folder / "a.json")
    assert run("settings", "plan.h5", "--subs", 2, "-o", "b.json", "-q").exit_code == 0
    assert (folder / "a.json").read_bytes() == (folder / "b.json").read_bytes()
    rm.explore(plan, folder / "a.html")
    assert run("explore", "plan.h5", "--subs", 2, "-o", "b.html", "-q").exit_code == 0
    assert (folder / "a.html").read_bytes() == (folder / "b.html").read_bytes()
    with pytest.raises(rm.FileUnusable, match=r"allowed: \.csv, \.json, \.txt"):
        rm.settings(plan, folder / "a.doc")


def test_further_plots(results: rm.Results) -> None:
    plan = results.plan(2)
    axes = Figure(figsize=(12, 8)).subplots(2, 2).ravel()
    found = plan.tolerance(draws=64, checked=0)
    drawn = [
        rm.plot.rows(axes[0], plan, plan.rows()),
        rm.plot.crossover(axes[1], plan, plan.mains()),
        rm.plot.tolerance(axes[2], found, 2),
        rm.plot.shares(axes[3], found, 2),
    ]
    assert drawn == list(axes)
    assert all(one.has_data() for one in axes)
    with pytest.raises(rm.OutsideModel, match="asked without them"):
        rm.plot.shares(axes[3], plan.tolerance(draws=64, checked=0, shares=False), 2)
