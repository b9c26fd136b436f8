"""`verify` as a command: a plan dialled in wrong, measured again; texts, pages, and sets that do not belong to it."""

import json
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from typer.testing import Result

from roommodes.plan.file import write_results
from roommodes.plan.plan import Results
from tests.given_plans import given_results
from tests.measuring import ROOM, TABLE_HZ, modelled, room_project, table_text

Run = Callable[..., Result]

TEXT = ROOM.replace("y_m = [1.2, 1.95, 2.7]", "y_m = [0.8, 1.5, 2.4, 3.1]")
GRID = "[grid]\nband_hz = [20, 100]\npoints_per_octave = 12\n"
DELAY_S = (0.0, 0.004)


@pytest.fixture(scope="module")
def results() -> Results:
    """Two subs at the ends of the front wall, in a room with a lined rear wall."""
    project = given_results(TEXT, {})
    last = len(project.candidates) - 1
    return given_results(TEXT, {2: ([0.0, -2.0], list(DELAY_S), [1, 1], [0, last])})


@pytest.fixture(scope="module")
def site(results: Results, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The plan's file, and the room with a heavier lining: dialled in as promised, and with the second sub inverted."""
    folder = tmp_path_factory.mktemp("after")
    write_results(folder / "plan.h5", results, force=False)
    plan = results.plan(2)
    subs = {f"sub {number}": place for number, place in enumerate(plan.positions_m.tolist(), start=1)}
    built = modelled(room_project(TEXT.replace("mass_kg_m2 = 14.0", "mass_kg_m2 = 17.0")), TABLE_HZ, subs)
    hz, heard = built.hz, built.transfer
    for which, sign in (("right", 1.0), ("wrong", -1.0)):
        factor = plan.weights(hz) * np.array([1.0, sign])
        together = 0.3 * np.einsum("fsc,fc->fs", heard, factor)
        text = f'format = 1\nname = "{which}"\n{GRID}[[subs]]\nname = "all"\ntogether = true\n'
        for index, seat in enumerate(results.seats.name):
            (folder / f"{which}-{index}.txt").write_text(table_text(hz, together[:, index]))
            text += f'[[responses]]\nsub = "all"\nseat = "{seat}"\nfile = "{which}-{index}.txt"\n'
        (folder / f"{which}.toml").write_text(text)
    return folder


@pytest.fixture
def after(site: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(site)
    return site


def test_a_plan_dialled_in_right_plays_as_promised(run: Run, after: Path) -> None:
    done = run("verify", "plan.h5", "right.toml")
    assert done.exit_code == 0, done.output
    assert "As promised: 100% of seats and third octaves lie within 1.5 dB" in done.stdout
    assert "None: no sub's gain, delay or polarity" in done.stdout
    assert " nan" not in done.stdout


def test_the_sub_that_is_inverted_is_named_with_pages(run: Run, after: Path, results: Results, tmp_path: Path) -> None:
    page, figure = tmp_path / "after.html", tmp_path / "after.png"
    done = run("verify", "plan.h5", "wrong.toml", "-o", page, "--figure", figure, "--json", "-q")
    assert done.exit_code == 0, done.output
    answer = json.loads(done.stdout)
    assert [one["polarity"] for one in answer["changes"]] == [-1]
    assert answer["within"] < 0.7
    assert answer["rest_within"] >= 0.9
    assert answer["variation_db"]["promised"] == pytest.approx(results.plan(2).variation_db, abs=0.01)
    assert answer["written"] == [str(page), str(figure)]
    text = page.read_text()
    assert "inverted" in text
    assert "Not as promised" in text
    assert figure.read_bytes().startswith(b"\x89PNG")
    told = run("verify", "plan.h5", "wrong.toml").stdout
    assert "inverted" in told
    assert "Of two subs nobody can say which" in told


def test_sets_and_files_that_do_not_fit(run: Run, after: Path, tmp_path: Path) -> None:
    none = (after / "right.toml").read_text().replace("together = true\n", "position_m = [0.3, 0.3, 0.3]\n")
    (after / "none.toml").write_text(none)
    done = run("verify", "plan.h5", "none.toml", "-o", tmp_path / "never.html")
    assert done.exit_code == 3
    assert "together = true" in " ".join(done.stderr.split())
    assert not (tmp_path / "never.html").exists()
    (after / "other.toml").write_text((after / "right.toml").read_text().replace("[20, 100]", "[25, 90]"))
    done = run("verify", "plan.h5", "other.toml")
    assert done.exit_code == 3
    assert "points_per_octave = 12" in " ".join(done.stderr.split())
    assert run("verify", "plan.h5", "right.toml", "-o", "page.txt").exit_code == 2
    assert run("verify", "nowhere.h5", "right.toml").exit_code == 5
