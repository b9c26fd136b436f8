"""What a notebook can rely on, line by line: names, attributes, and what they give."""

from dataclasses import is_dataclass
from pathlib import Path

import numpy as np
import pytest
from matplotlib.figure import Figure

import roommodes as rm


def test_a_project(folder: Path, project: rm.Project) -> None:
    assert isinstance(rm.load(folder / "small.toml"), rm.Project)
    assert isinstance(rm.demo(), rm.Project)
    longer = project.with_(length_m=6.2)
    assert longer.room.length_m == 6.2
    assert (project.room, project.seats, project.candidates) == (project.room, project.seats, project.candidates)
    assert all(mode.frequency_hz <= 120.0 for mode in project.modes(max_hz=120))


def test_the_model(project: rm.Project) -> None:
    H = rm.transfer(project, frequency_hz=[30.0, 40.0])
    assert H.shape == (2, len(project.seats), len(project.candidates))
    assert np.iscomplexobj(H[0])
    assert H.to_xarray().attrs["units"] == "1/m"
    there = rm.transfer(project, frequency_hz=[40.0], seat_m=[[2.0, 1.0, 1.0]], source_m=[[0.3, 0.3, 0.3]])
    back = rm.transfer(project, frequency_hz=[40.0], seat_m=[[0.3, 0.3, 0.3]], source_m=[[2.0, 1.0, 1.0]])
    assert there[0, 0, 0] == pytest.approx(back[0, 0, 0], rel=1e-6)  # reciprocity
    assert isinstance(rm.predict(project), rm.Plan)


def test_plans(project: rm.Project, results: rm.Results) -> None:
    plan = results.plan(2, rank=1)
    assert results.recommended().subs in results.plans
    n = plan.subs
    assert plan.positions_m.shape == (n, 3)
    for of_each in (plan.drives.gain_db, plan.drives.delay_s, plan.drives.polarity):
        assert of_each.shape == (n,)
    response = plan.response()
    assert np.iscomplexobj(np.asarray(response))
    assert response.shape == response.level_db().shape == (len(plan.frequency_hz), len(plan.seats))
    assert response.variation_db() == pytest.approx(plan.variation_db)
    assert set(response.to_xarray()) == {"pressure", "level_db"}
    quieter = plan.with_drives(gain_db=[-3.0, 0.0])
    np.testing.assert_array_equal(quieter.positions_m, plan.positions_m)
    assert isinstance(rm.judge(project, plan.positions_m, plan.drives), rm.Plan)


def test_questions_and_files(tmp_path: Path, results: rm.Results) -> None:
    plan = results.plan(2)
    answers = [plan.headroom(), plan.tolerance(draws=64, seed=1, checked=0, shares=False)]
    assert all(is_dataclass(one) and one.__dataclass_params__.frozen for one in answers)  # type: ignore[attr-defined]
    tuned = plan.tuned(per_sub=1, shared=1)
    crossed = tuned.crossed()
    assert isinstance(tuned, rm.Plan)
    assert isinstance(crossed, rm.Plan)
    assert crossed.tuning == tuned.tuning
    rm.save(results, tmp_path / "plan.h5")
    assert isinstance(rm.open(tmp_path / "plan.h5"), rm.Results)
    rm.drawing(plan, tmp_path / "sheet.pdf")
    assert (tmp_path / "sheet.pdf").read_bytes().startswith(b"%PDF")
    axes = Figure().subplots(1, 3)
    assert rm.plot.plan(axes[0], plan) is axes[0]
    assert rm.plot.seats(axes[1], plan) is axes[1]
    assert rm.plot.map(axes[2], plan, frequency_hz=42) is axes[2]
