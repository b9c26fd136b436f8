"""Projects and the model through the front door, against the commands."""

from collections.abc import Callable
from dataclasses import replace
from importlib.resources import files
from pathlib import Path

import ezdxf
import numpy as np
import pytest
from typer.testing import Result

import roommodes as rm

from .conftest import TEXT

Run = Callable[..., Result]


def test_a_project_is_read_changed_and_checked(said, folder: Path, project: rm.Project) -> None:
    assert rm.load(folder / "small.toml") == replace(project, source=str(folder / "small.toml"))
    longer = project.with_(length_m=project.room.length_m + 0.2, search={"seed": 9})
    assert longer.room.length_m == pytest.approx(project.room.length_m + 0.2)
    assert longer.search.seed == 9
    assert longer.search.band_hz == project.search.band_hz
    with pytest.raises(rm.ProjectInvalid, match="length_m: got -1 m; allowed"):
        project.with_(length_m=-1)
    with pytest.raises(rm.ProjectInvalid, match="lenght_m: unknown key"):
        project.with_(lenght_m=5)
    found, command = rm.check(project), said("check", "small.toml")
    assert [mode.frequency_hz for mode in found.modes] == pytest.approx([m["built_hz"] for m in command["modes"]])
    assert rm.check(folder / "small.toml").crossover_hz == pytest.approx(found.crossover_hz)
    assert len(project.modes(max_hz=60.0)) <= len(found.modes)
    assert len(rm.demo().seats) == 7
    assert "[room]" in rm.template()
    assert "[[responses]]" in rm.template("manifest")
    templates = {path.name.removesuffix(".toml") for path in files("roommodes.project.templates").iterdir()}
    rooms = [rm.loads(rm.template(name)) for name in templates if name.isidentifier() and not name.startswith("_")]
    assert all(len(room.candidates) for room in rooms)
    assert len(rooms) >= 3
    with pytest.raises(rm.OutsideModel, match="template: got 'castle'; allowed: project, manifest, study, "):
        rm.template("castle")
    assert rm.schema() == said("schema")
    assert rm.schema("study")["title"] != rm.schema("manifest")["title"]


def test_changed_texts_keep_their_comments_and_grow_tables(project: rm.Project) -> None:
    commented = rm.loads("# mine\n" + TEXT.replace("[room]", "[room] # drawn"), source="x")
    assert "# drawn" in commented.with_(length_m=np.float64(5.5)).toml_text
    walls = project.with_(walls={"front": "brick"}, regions=[])
    assert any(surface.wall == "front" for surface in walls.surfaces())
    rows = [{"name": "only", "x_m": 2.0, "y_m": np.array([1.0, 2.0]), "ear_height_m": 1.1}]
    assert project.with_(rows=rows).seats.name == ("only 1", "only 2")


def test_transfer_is_the_searchs_own(project: rm.Project, results: rm.Results) -> None:
    whole = rm.transfer(project)
    n_first = results.candidates.n_first
    np.testing.assert_allclose(whole[:, :, :], results.transfer[:, :, :n_first], rtol=0, atol=1e-7)
    one = rm.transfer(project, frequency_hz=[40.0], seat_m=[[2.0, 1.0, 1.0]], source_m=[[0.3, 0.3, 0.3]], threads=1)
    assert one.shape == np.asarray(one).shape == (1, 1, 1)
    bare = rm.transfer(project.room, frequency_hz=[40.0], seat_m=[[2.0, 1.0, 1.0]], source_m=[[0.3, 0.3, 0.3]])
    assert bare[0, 0, 0] != one[0, 0, 0]
    with pytest.raises(rm.OutsideModel, match="a bare room says nothing"):
        rm.transfer(project.room)
    array = whole.to_xarray()
    assert array.dims == ("frequency", "seat", "source")
    assert array.sel(seat=project.seats.name[0]).shape == (whole.shape[0], whole.shape[2])


def test_the_layout_in_the_file_is_predicted(said, project: rm.Project) -> None:
    before, command = rm.predict(project), said("predict", "small.toml")
    assert before.variation_db == pytest.approx(command["variation_db"], abs=1e-12)
    assert before.output_db == pytest.approx(command["output_db"], abs=1e-12)
    levels = before.highest_level_db if command["level_unit"] == "dB SPL" else before.level_at_limit_db
    np.testing.assert_allclose(levels.T, command["level_db"], rtol=0, atol=1e-9)


def test_starters_are_the_commands(run: Run, folder: Path, project: rm.Project) -> None:
    assert run("new", "m.toml", "--manifest", "--project", "small.toml").exit_code == 0
    assert rm.template("manifest", project) == (folder / "m.toml").read_text()
    with pytest.raises(rm.OutsideModel, match="'manifest'"):
        rm.template("study", project)
    drawing = ezdxf.new(units=6)  # metres
    drawing.modelspace().add_lwpolyline([(0, 0), (6, 0), (6, 3), (4, 3), (4, 4), (0, 4)], close=True)
    drawing.saveas(folder / "floor.dxf")
    assert run("new", "f.toml", "--outline", "floor.dxf", "--height", 2.6, "--front", "left").exit_code == 0
    text = rm.outline("floor.dxf", height_m=2.6, front="left")
    assert text == (folder / "f.toml").read_text()
    assert rm.loads(text).room.height_m == 2.6
