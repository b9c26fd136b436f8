"""Plans from a set measured by reciprocity: the sub at the seats, the microphone along the wall."""

import json
from collections.abc import Callable
from pathlib import Path

import h5py
import numpy as np
import pytest
from typer.testing import Result

from roommodes.plan.file import read_results
from roommodes.project.reading import parse_project
from roommodes.running import Running
from solvers.plans.solve_again import solve_again
from tests.measuring import ROOM, TABLE_HZ, modelled, table_text

Run = Callable[..., Result]
TEXT = ROOM.replace("[20, 100]\npoints_per_octave = 12", "[25, 90]\npoints_per_octave = 8\ncounts = [2]")
WALL = {f"w{k}": (0.3, y, 0.3) for k, y in enumerate((0.3, 0.95, 1.6, 2.3, 2.95, 3.6), 1)}
BUILT = TEXT.replace("length_m = 5.2", "length_m = 5.26").replace("loss_factor = 0.03", "loss_factor = 0.045")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The built room differs from the drawn one."""
    path = tmp_path_factory.mktemp("walls")
    built = parse_project(BUILT, source="built.toml")
    found = modelled(built, TABLE_HZ, WALL).transfer
    text = 'format = 1\nname = "along the wall"\nexchanged = true\nfile_pattern = "{sub}-{seat}.txt"\n'
    for s, seat in enumerate(built.seats.name):
        text += f'[[subs]]\nname = "{seat}"\n'
        for c, place in enumerate(WALL):
            (path / f"{seat}-{place}.txt").write_text(table_text(TABLE_HZ, 3.0 * found[:, s, c]))
    for place, at in WALL.items():
        text += f'[[places]]\nname = "{place}"\nposition_m = {list(at)}\n'
    (path / "set.toml").write_text(text)
    (path / "room.toml").write_text(TEXT)
    return path


def test_positions_are_searched_and_hold_in_the_built_room(run: Run, folder: Path) -> None:
    plan = folder / "plan.h5"
    done = run("optimise", folder / "room.toml", "--measured", folder / "set.toml", "--estimate", "-o", plan)
    assert done.exit_code == 0, done.output
    text = " ".join(done.stdout.split())
    assert "what was not measured is estimated" in text
    assert "12 candidates of the zones" in text
    results = read_results(plan)
    assert results.measured is not None
    assert results.measured.exchanged
    deviation = results.measured.deviation
    assert deviation is not None
    assert deviation.shape == results.transfer.shape
    at = {str(index): tuple(place) for index, place in enumerate(results.candidates.position_m)}
    true = modelled(parse_project(BUILT, source="b"), results.frequency_hz, at).transfer
    true *= 3.0 * 10 ** (results.measured.scale_db / 20)
    assert np.mean(np.abs(results.transfer - true) <= deviation) > 0.6
    table = results.plans[2]
    turn = np.exp(-2j * np.pi * results.frequency_hz[:, None] * table.delay_s[0])
    drive = table.polarity[0] * 10 ** (table.gain_db[0] / 20) * turn
    level = 20.0 * np.log10(np.abs(np.einsum("fsc,fc->fs", true[:, :, table.candidate_index[0]], drive)))
    assert np.sqrt(np.mean(level.var(axis=1))) == pytest.approx(float(table.variation_db[0]), abs=0.1)
    again = solve_again(results, running=Running(threads=1))
    np.testing.assert_array_equal(again.plans[2].variation_db, table.variation_db)
    with h5py.File(plan) as file:
        assert file["measured/deviation"].shape == deviation.shape


def test_where_the_microphone_goes_next_along_the_walls(run: Run, folder: Path) -> None:
    """By reciprocity the field is one over places of subs: without a table the candidates, and the next among them."""
    few = (folder / "set.toml").read_text().split("[[places]]")
    (folder / "few.toml").write_text("[[places]]".join(few[:5]))  # w1 to w4
    done = run("field", folder / "room.toml", folder / "few.toml", "--further", 2, "--json", "-q")
    assert done.exit_code == 0, done.output
    told = json.loads(done.stdout)
    assert told["subs"] == ["front 1", "front 2", "front 3"]
    assert [one["name"] for one in told["places"]][:2] == ["front wall 1", "front wall 2"]
    following = told["next"]
    assert following["of_candidates"]
    candidates = parse_project(TEXT, source="room.toml").candidates.position_m.tolist()
    assert all(one["position_m"] in candidates for one in following["places"])
    measured = [list(place) for place in list(WALL.values())[:4]]
    assert not any(one["position_m"] in measured for one in following["places"])
    left = [following["deviation"], *(one["deviation"] for one in following["places"])]
    assert left[0] > left[1] >= left[2]
    assert left[1] <= following["deviation_at_random"]


def test_the_measured_places_alone_are_candidates(run: Run, folder: Path) -> None:
    plan = folder / "alone.h5"
    done = run("optimise", folder / "room.toml", "--measured", folder / "set.toml", "-o", plan)
    assert done.exit_code == 0, done.output
    assert "a measured place of the sub" in " ".join(done.stdout.split())
    results = read_results(plan)
    assert results.candidates.zone == tuple(WALL)
    assert list(results.plans) == [2]  # as asked for, not one with all places
    assert results.measured is not None
    assert results.measured.deviation is None
    report = run("report", plan, "-o", "page.html")
    assert report.exit_code == 0, report.output
    page = Path("page.html").read_text()
    assert "as measured, and dial in" not in page
    assert "where the drawing shows them" in page


def test_what_does_not_go_with_it_is_one_fault_each(run: Run, folder: Path) -> None:
    text = (folder / "set.toml").read_text()
    text = text.replace("exchanged = true", "exchanged = true\nmicrophones = 2")
    text = text.replace("{seat}.txt", "{seat}-{microphone}.txt").replace('"front 1"\n', '"front 1"\ntogether = true\n')
    text += '[reference]\nchain = "left in"\n[[responses]]\nsub = "front 2"\nseat = "front 1"\nfile = "a.txt"\n'
    (folder / "bad.toml").write_text(text)
    done = run("check", folder / "room.toml", "--measured", folder / "bad.toml")
    assert done.exit_code == 3
    for where in ("responses[0].seat", "subs[0].together", "reference.chain", "microphones"):
        assert done.output.count(f"{where}:") == 1, done.output


def test_estimate_goes_with_measured(run: Run, folder: Path) -> None:
    done = run("optimise", folder / "room.toml", "--estimate", "-o", "none.h5")
    assert done.exit_code == 2
    assert "--measured" in done.output
