"""Sheets, exports, plots and labelled arrays through the front door."""

import sys
from collections.abc import Callable
from pathlib import Path

import matplotlib.image
import numpy as np
import pytest
from matplotlib.figure import Figure
from typer.testing import Result

import roommodes as rm

Run = Callable[..., Result]


def test_sheets_and_exports_are_the_commands(run: Run, folder: Path, results: rm.Results) -> None:
    plan = rm.open(folder / "plan.h5").plan(2)
    rm.report(plan, folder / "a.html")
    assert run("report", "plan.h5", "--subs", 2, "-o", "b.html", "-q").exit_code == 0
    assert (folder / "a.html").read_bytes() == (folder / "b.html").read_bytes()
    for what, options in ((plan, ["--subs", 2]), (rm.open(folder / "plan.h5"), ["--cover"])):
        rm.report(what, folder / "a.html", short=True, force=True)
        assert run("report", "plan.h5", "--short", *options, "-o", "b.html", "-q", "--force").exit_code == 0
        assert (folder / "a.html").read_bytes() == (folder / "b.html").read_bytes()
    with pytest.raises(rm.OutsideModel, match="one plan"):
        rm.report(results, folder / "c.html")
    rm.drawing(plan, folder / "a.svg")
    assert run("drawing", "plan.h5", "--subs", 2, "-o", "b.svg", "-q").exit_code == 0
    assert (folder / "a.svg").read_bytes() == (folder / "b.svg").read_bytes()
    rm.export(plan, folder / "a.wav", seconds=1.0)
    assert run("export", "plan.h5", "--subs", 2, "--seconds", 1, "-o", "b.wav", "-q").exit_code == 0
    assert (folder / "a.wav").read_bytes() == (folder / "b.wav").read_bytes()
    with pytest.raises(rm.FileUnusable, match=r"allowed: \.html, \.pdf"):
        rm.report(plan, folder / "a.doc")
    with pytest.raises(rm.OutsideModel, match="paper: got 'A9'"):
        rm.drawing(plan, folder / "c.pdf", paper="A9")


def test_plots_go_on_the_readers_own_axes(project: rm.Project, results: rm.Results, tmp_path: Path) -> None:
    plan = results.plan(2)
    with rm.plot.style():
        axes = Figure(figsize=(12, 8)).subplots(2, 5).ravel()
        drawn = [
            rm.plot.project(axes[0], project),
            rm.plot.plan(axes[1], plan),
            rm.plot.seats(axes[2], plan),
            rm.plot.map(axes[3], plan, frequency_hz=42.0),
            rm.plot.modes(axes[4], project, max_hz=80.0),
            rm.plot.counts(axes[5], results),
            rm.plot.headroom(axes[6], plan.headroom()),
            rm.plot.filters(axes[7], plan.tuned(per_sub=1)),
            rm.plot.decay(axes[8], plan.decay().after),
            rm.plot.mode(axes[9], project, project.modes(max_hz=60.0)[0]),
        ]
    assert drawn == list(axes)
    assert all(one.has_data() or one.patches or one.collections for one in axes)
    seats = axes[2].lines[0].get_ydata()
    np.testing.assert_allclose(seats, plan.level_db[:, 0] - plan.level_db.mean(), atol=1e-9)
    axes[0].figure.savefig(tmp_path / "all.png")
    assert matplotlib.image.imread(tmp_path / "all.png").std() > 0.05


def test_labelled_arrays(results: rm.Results, monkeypatch: pytest.MonkeyPatch) -> None:
    plan = results.plan(2)
    assert plan.response().to_xarray()["level_db"].dims == ("frequency", "seat")
    np.testing.assert_array_equal(plan.to_xarray()["gain_db"], plan.drives.gain_db)
    found = results.to_xarray()
    assert float(found["variation_db"].sel(subs=2)) == plan.variation_db
    monkeypatch.setitem(sys.modules, "xarray", None)
    with pytest.raises(rm.PackageMissing, match=r"pip install 'roommodes\[xarray\]'"):
        results.to_xarray()
