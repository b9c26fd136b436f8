"""`field` as a command: its file's layout, what it prints, and bad input."""

import json
from collections.abc import Callable
from pathlib import Path

import h5py
import numpy as np
import pytest
from typer.testing import Result

import roommodes as rm
from cli.report.basis import basis_section
from roommodes.errors import FileUnusable, ProjectInvalid
from roommodes.estimates.field_file import read_field_file
from roommodes.estimates.fitted import CORRECTED
from solvers.field.plane import grid_of
from tests.measuring import ROOM, SUBS, modelled, room_project, table_text

Run = Callable[..., Result]

PLACES = {"a": (1.2, 0.9, 1.2), "b": (2.2, 2.9, 1.0), "c": (3.1, 1.3, 1.3), "d": (4.2, 2.6, 1.1), "e": (3.6, 3.2, 0.9)}
WORDS = ("field", "room.toml", "set.toml", "--places", "places.csv")
WANTED = "\ufeffName,x_m,y_m,z_m\n# the sofa\nsofa left, 3.0,2.2,1.1\n\nsofa right,3.0,3.0,1.1\n"


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The test room's two subs at five places that are no seats."""
    folder = tmp_path_factory.mktemp("site")
    found = modelled(room_project(), np.geomspace(38.0, 84.0, 80), SUBS, list(PLACES.values()))
    text = 'format = 1\nname = "five places"\n[grid]\nband_hz = [40, 80]\npoints_per_octave = 8\n'
    for sub, position in SUBS.items():
        text += f'[[subs]]\nname = "{sub}"\nposition_m = {list(position)}\n'
    for place, position in PLACES.items():
        text += f'[[places]]\nname = "{place}"\nposition_m = {list(position)}\n'
    for row, place in enumerate(PLACES):
        for column, sub in enumerate(SUBS):
            (folder / f"{sub}-{place}.txt").write_text(table_text(found.hz, found.transfer[:, 3 + row, column]))
            text += f'[[responses]]\nsub = "{sub}"\nplace = "{place}"\nfile = "{sub}-{place}.txt"\n'
    (folder / "set.toml").write_text(text)
    (folder / "room.toml").write_text(ROOM)
    (folder / "places.csv").write_text(WANTED, encoding="utf-8")
    return folder


@pytest.fixture
def at_site(site: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(site)
    return site


def test_the_file_holds_the_field_at_the_places(run: Run, at_site: Path) -> None:
    done = run(
        *WORDS,
        "-o",
        "field.h5",
        "--figure",
        "field.png",
        "--page",
        "field.html",
        "--further",
        "2",
        "--json",
        "-q",
        "--force",
    )
    assert done.exit_code == 0, done.output
    answer = json.loads(done.stdout)
    assert answer["written"] == ["field.h5", "field.png", "field.html"]
    assert set(answer["left_out"]) == {"field", "model alone", "interpolation alone"}
    with h5py.File(at_site / "field.h5") as file:
        hz = file["frequency_hz"][()]
        assert list(file["places/name"].asstr()[()]) == ["sofa left", "sofa right"]
        assert file["places/position_m"].shape == (2, 3)
        assert list(file["subs/name"].asstr()[()]) == list(SUBS)
        pressure, deviation = file["pressure"][()], file["deviation"][()]
    assert pressure.shape == deviation.shape == (len(hz), 2, 2)
    assert pressure.dtype == np.complex128
    assert deviation.dtype == np.float64
    true = modelled(room_project(), hz, SUBS, [(3.0, 2.2, 1.1), (3.0, 3.0, 1.1)]).transfer[:, 3:]
    rms = np.sqrt(np.mean(np.abs(true) ** 2, axis=1, keepdims=True))
    assert np.median(np.abs(pressure - true) / rms) < 0.03  # the room is drawn right, the files hold no noise
    read = read_field_file(at_site / "field.h5")
    assert np.array_equal(read.pressure, pressure)
    assert read.level == "relative"
    assert read.left_out is not None
    assert read.left_out.left[-1, 0] == pytest.approx(answer["left_out"]["field"]["left"])
    page = (at_site / "field.html").read_text()
    assert "Each measured place predicted from the others" in page
    assert "interpolation alone" in page
    following = answer["next"]
    assert len(following["places"]) == 2
    assert following["deviation"] > following["places"][0]["deviation"] > following["places"][1]["deviation"]
    assert read.further is not None
    assert read.further.place_m.tolist() == [one["position_m"] for one in following["places"]]
    assert read.further.deviation_before == following["deviation"]


def test_the_text_says_what_it_is_worth(run: Run, at_site: Path) -> None:
    done = run(*WORDS)
    assert done.exit_code == 0, done.output
    assert "Each measured place predicted from the others" in done.stdout
    assert "sofa left" in done.stdout
    assert " nan" not in done.stdout
    assert "Where to measure next" in done.stdout
    assert "front 2" in done.stdout  # a seat of the project


def test_filters_over_an_estimated_seat(run: Run, at_site: Path, tmp_path: Path) -> None:
    """Two seats measured, the third estimated: `tune --field` counts it, and says how sure it is."""
    hz, text = np.geomspace(38.0, 84.0, 80), (at_site / "set.toml").read_text()
    text = text.replace("points_per_octave = 8", "")  # the plan's own frequencies
    found = modelled(room_project(), hz, SUBS)
    for row, seat in enumerate(("front 1", "front 2")):
        for column, sub in enumerate(SUBS):
            (tmp_path / f"{sub}-{seat}.txt").write_text(table_text(hz, found.transfer[:, row, column]))
            text += f'[[responses]]\nsub = "{sub}"\nseat = "{seat}"\nfile = "{sub}-{seat}.txt"\n'
    for place in PLACES:
        for sub in SUBS:
            (tmp_path / f"{sub}-{place}.txt").write_bytes((at_site / f"{sub}-{place}.txt").read_bytes())
    (tmp_path / "set.toml").write_text(text)
    (tmp_path / "places.csv").write_text("name,x_m,y_m,z_m\nfront 3,2.6,2.7,1.1\n")
    (tmp_path / "room.toml").write_text(ROOM.replace("band_hz = [20, 100]", "band_hz = [40, 80]"))
    project = rm.load(tmp_path / "room.toml")
    measured = rm.measurements(tmp_path / "set.toml", project)
    found_field = rm.field(project, measured, [[2.6, 2.7, 1.1]], names=["front 3"])
    rm.save(found_field, tmp_path / "field.h5")
    plan = rm.search(project, counts=(2,), measured=measured).recommended()
    rm.save(plan, tmp_path / "plan.h5")
    both = [rm.with_field(plan, one) for one in (found_field, rm.open(tmp_path / "field.h5", "field"))]
    assert both[0].seats.name == ("front 1", "front 2", "front 3")
    assert np.array_equal(both[0].transfer, both[1].transfer)
    words = ("tune", tmp_path / "plan.h5", "--field", tmp_path / "field.h5", "-o", tmp_path / "t.h5", "--individual", 0)
    done = run(*words, "--common", 1, "--json", "-q")
    assert done.exit_code == 0, done.output
    told = json.loads(done.stdout)
    assert [one["name"] for one in told["seats"]] == ["front 1", "front 2", "front 3"]
    assert [one["name"] for one in told["estimated"]["seats"]] == ["front 3"]
    done = run(*words, "--common", 1, "--force")
    assert "1 seat of 3 is estimated, and what is promised is only as good as the field" in " ".join(
        done.stdout.split()
    )
    kept = rm.open(tmp_path / "t.h5")
    assert kept.plan().seats.name == ("front 1", "front 2", "front 3")
    assert kept.measured is not None
    assert kept.measured.estimated is not None
    table = kept.measured.estimated.left_out
    assert table is not None
    assert np.array_equal(table.left, found_field.left_out.table().left)
    told = str(basis_section(kept.plan()))
    assert "the plan file keeps" not in told  # nothing beyond the band of the search
    assert "only as good as the field" in told
    assert "interpolation alone" in told


def test_a_grid_for_a_map(run: Run, at_site: Path, tmp_path: Path) -> None:
    field = tmp_path / "field.h5"
    done = run(*WORDS[:3], "--height", 1.1, "--spacing", 1.0, "--further", 0, "-o", field)
    assert done.exit_code == 0, done.output
    assert "Over all places the deviation is" in done.stdout
    x, y, where = grid_of(read_field_file(field))
    assert (len(x), len(y)) == (6, 4)
    assert len(where) == 24
    assert run(*WORDS, "--height", 1.1).exit_code == 2
    assert run(*WORDS[:3]).exit_code == 2
    assert run(*WORDS[:3], "--height", 2.6).exit_code == 3


def test_a_room_fitted_to_the_places_flatters_it(run: Run, at_site: Path, tmp_path: Path) -> None:
    (tmp_path / "room.toml").write_text(f"{CORRECTED} room.toml and set.toml\n{ROOM}")
    words = ("field", tmp_path / "room.toml", *WORDS[2:], "--further", 0)
    assert "look better than they are elsewhere" in " ".join(run(*words).stdout.split())
    assert json.loads(run(*words, "--json", "-q").stdout)["room_was_fitted"] is True
    assert "look better" not in run(*WORDS, "--further", 0).stdout


def test_nobody_asked_where_to_measure_next(run: Run, at_site: Path, tmp_path: Path) -> None:
    done = run(*WORDS, "--further", "0", "-o", tmp_path / "field.h5")
    assert done.exit_code == 0, done.output
    assert "Where to measure next" not in done.stdout
    assert read_field_file(tmp_path / "field.h5").further is None


def test_python_refuses_a_place_outside(at_site: Path) -> None:
    project = rm.load("room.toml")
    with pytest.raises(ProjectInvalid, match=r"position_m\[0\]"):
        rm.field(project, rm.measurements("set.toml", project), [[3.0, 9.0, 1.1]])


@pytest.mark.parametrize(
    ("table", "told"),
    [
        ("x,y,z\n1,1,1\n", "expected the header name,x_m,y_m,z_m"),
        ("name,x_m,y_m,z_m\n", "it holds 0 places"),
        ("name,x_m,y_m,z_m\na,1,1\n", "places.csv:2: got 3 columns; expected 4"),
        ("name,x_m,y_m,z_m\na,1,9,1\n,1,1,nan\n", 'places.csv:3 z_m: got "nan"; allowed: 0 to 2.4 m'),
        ("name,x_m,y_m,z_m\na,1,1,1\na,2,1,1\n", 'place "a" stands in line 2 too'),
    ],
)
def test_a_faulty_table_of_places(run: Run, tmp_path: Path, at_site: Path, table: str, told: str) -> None:
    path = tmp_path / "places.csv"
    path.write_text(table)
    done = run("field", "room.toml", "set.toml", "--places", path, "-o", tmp_path / "never.h5")
    assert done.exit_code == 3
    assert told in " ".join(done.stderr.split())
    assert not (tmp_path / "never.h5").exists()


def test_other_files_are_refused(run: Run, tmp_path: Path, at_site: Path) -> None:
    assert run("field", "room.toml", "set.toml", "--places", tmp_path / "none.csv").exit_code == 5
    (tmp_path / "places.csv").write_bytes(b"\xff\xfe\x00")
    assert run("field", "room.toml", "set.toml", "--places", tmp_path / "places.csv").exit_code == 5
    with h5py.File(tmp_path / "other.h5", "w") as file:
        file.attrs["format"] = "roommodes plan"
    with pytest.raises(FileUnusable, match="not a roommodes field"):
        read_field_file(tmp_path / "other.h5")
