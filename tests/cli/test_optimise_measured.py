"""Plans from measured responses: as those from the model that the measurements were made from, and reproducible."""

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from typer.testing import Result

from roommodes.plan.file import read_results, write_results
from roommodes.project.reading import parse_project
from roommodes.running import Running
from solvers.plans.solve import solve
from solvers.plans.solve_again import solve_again
from tests.measuring import ROOM, TABLE_HZ, manifest_text, modelled, table_text

Run = Callable[..., Result]
SUBS = {"left": (0.3, 0.3, 0.3), "right": (0.3, 3.6, 0.3), "rear": (4.9, 1.0, 0.3)}
MAINS = {"main": (0.4, 1.9, 1.0)}
SECOND = '[[rows]]\nname = "rear"\nx_m = 4.2\ny_m = [1.2, 2.7]\near_height_m = 1.3\n[[zones]]'
CROSSOVER = '[mains]\nmeasured = ["main"]\npositions_m = [[0.4, 1.9, 1.0]]\nfrequency_hz = 55\n[search]'
TEXT = (
    ROOM.replace("[[zones]]", SECOND, 1)
    .replace("[search]", CROSSOVER)
    .replace("points_per_octave = 12", "points_per_octave = 12\ncounts = [2, 3]")
)


def write_measured(
    folder: Path,
    *,
    extra: str = "",
    subs: dict[str, tuple[float, ...]] | None = None,
    raised_db: float = 0.0,
    step: int = 1,
) -> None:
    """The model's own responses, raised by so much, as tables of every nth point beside their manifest; the project."""
    project = parse_project(TEXT, source="room.toml")
    every = SUBS | MAINS if subs is None else subs
    found = modelled(project, TABLE_HZ[::step], every)
    files = {}
    for s, seat in enumerate(project.seats.name):
        for c, sub in enumerate(every):
            files[sub, seat] = f"{sub}-{s}.txt"
            (folder / files[sub, seat]).write_text(
                table_text(found.hz, 10 ** (raised_db / 20) * found.transfer[:, s, c])
            )
    (folder / "room.toml").write_text(TEXT)
    (folder / "set.toml").write_text(manifest_text(files=files, subs=every, extra=extra))


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("site")
    write_measured(path, extra="[grid]\npoints_per_octave = 72\n")
    return path


@pytest.fixture
def plan(run: Run, folder: Path) -> Path:
    target = folder / "plan.h5"
    if not target.exists():
        done = run("optimise", folder / "room.toml", "--measured", folder / "set.toml", "-o", target, "-q")
        assert done.exit_code == 0, done.output
    return target


def test_a_plan_on_the_models_own_responses_is_the_models_plan(plan: Path, close) -> None:
    """Zones that are the measured positions, the same grid: the same search must find the same evenness."""
    zones = "".join(
        f'[[zones]]\nname = "{name}"\nfrom_m = {list(at)}\nto_m = {list(at)}\n' for name, at in SUBS.items()
    )
    start, end = TEXT.index("[[zones]]"), TEXT.index("[mains]")
    text = TEXT[:start] + zones + TEXT[end:]
    model = solve(parse_project(text, source="x"))
    results = read_results(plan)
    assert results.candidates.zone == tuple(SUBS)
    assert list(results.plans) == [2, 3]
    for count in (2, 3):
        assert results.plans[count].variation_db[0] == pytest.approx(
            float(model.plans[count].variation_db[0]), abs=0.03
        )
    scale = 10 ** (results.measured.scale_db / 20)
    close(results.transfer, scale * model.transfer, 0.01, scale=float(np.sqrt(np.mean(np.abs(results.transfer) ** 2))))
    assert np.mean(np.abs(results.transfer) ** 2) == pytest.approx(1.0)  # 0 dB: one sub's mean level


def test_it_is_reproducible_from_its_file_alone(plan: Path, tmp_path: Path) -> None:
    results = read_results(plan)
    assert results.measured is not None
    assert results.measured.manifest_toml == (plan.parent / "set.toml").read_text()
    assert len(results.measured.file_sha256) == 20
    assert results.measured.main_name == ("main",)
    again = solve_again(results, running=Running(threads=1))
    for count, table in results.plans.items():
        np.testing.assert_array_equal(again.plans[count].delay_s, table.delay_s)
        np.testing.assert_array_equal(again.plans[count].variation_db, table.variation_db)
        assert any("measured responses" in remark for remark in table.found.remarks)
    write_results(tmp_path / "again.h5", again, force=False)
    assert read_results(tmp_path / "again.h5").measured.notes == results.measured.notes


def test_the_text_says_what_it_rests_on(run: Run, folder: Path) -> None:
    done = run("optimise", folder / "room.toml", "--measured", folder / "set.toml", "-o", "p.h5", "--counts", 3)
    assert done.exit_code == 0, done.output
    text = " ".join(done.stdout.split())
    for words in ("Measured responses: test set, 20 files", "one measured sub", "need the model and are left out"):
        assert words in text
    assert "usual:" not in text


def test_all_that_follows_works_on_a_measured_plan(run: Run, plan: Path) -> None:
    tuned = run("tune", plan, "-o", "tuned.h5", "--json")
    assert tuned.exit_code == 0, tuned.output
    said = json.loads(tuned.stdout)
    assert said["variation_after_db"] <= said["variation_before_db"]
    for command in (
        ["settings", "tuned.h5"],
        ["rows", "tuned.h5"],
        ["decay", "tuned.h5", "--seconds", 1],
        ["drawing", "tuned.h5", "-o", "sheet.svg"],
    ):
        done = run(*command)
        assert done.exit_code == 0, f"{command}: {done.output}"
    loud = run("headroom", "tuned.h5")
    assert loud.exit_code == 3
    assert "without a known level" in loud.stderr


def test_measured_and_modelled_mains_are_met_alike(run: Run, plan: Path, tmp_path: Path) -> None:
    """The measured plan against the same plan with the measurements taken out, so that the model is asked."""
    write_results(tmp_path / "model.h5", replace(read_results(plan), measured=None), force=False)
    two = [json.loads(run("crossover", path, "--json", "--subs", 2).stdout) for path in (plan, "model.h5")]
    assert two[0]["polarity"] == two[1]["polarity"]
    assert two[0]["delay_ms"] == pytest.approx(two[1]["delay_ms"], abs=0.3)
    assert two[0]["as_set"]["shortfall_db"] == pytest.approx(two[1]["as_set"]["shortfall_db"], abs=0.15)
    outside = run("crossover", plan, "--at", 150)
    assert outside.exit_code == 3
    assert "reach from 75 to 120 Hz" in outside.stderr


def test_measured_decays_are_the_rooms(run: Run, plan: Path) -> None:
    """Bands in which one mode stands alone, against that mode as built; all bands, against the model's own."""
    said = json.loads(run("decay", plan, "--json", "--subs", 2).stdout)
    alone = [mode for mode in said["modes"] if mode["share"] > 0.8 and mode["after_db"] > 0.0]  # as the plan plays
    assert len(alone) >= 2
    for mode in alone[:2]:
        at = int(np.argmin(np.abs(np.array(said["centre_hz"]) - mode["frequency_hz"])))
        assert said["after"]["decay_s"][at] == pytest.approx(mode["decay_s"], rel=0.14)
    model = replace(read_results(plan), measured=None).plan(2).decay()
    inside = slice(4, -3)  # at the ends the model's fades are wider than the files
    found = np.array(said["after"]["decay_s"], dtype=np.float64)[inside]
    np.testing.assert_allclose(found, model.after.view.decay_s[inside], rtol=0.01)


def test_decay_is_told_by_the_files_and_not_by_the_search(run: Run, folder: Path, tmp_path: Path) -> None:
    """12 frequencies an octave in the search: points of 0.5 Hz in the files tell 2 s, points of 2 Hz do not."""
    for step, told in ((1, None), (4, "tell only 0.50 s")):
        write_measured(tmp_path, step=step)
        files = (tmp_path / "room.toml", "--measured", tmp_path / "set.toml")
        done = run("optimise", *files, "-o", tmp_path / "some.h5", "--counts", 2, "-q", "--force")
        assert done.exit_code == 0, done.output
        done = run("decay", tmp_path / "some.h5", "--json")
        assert done.exit_code == (0 if told is None else 3), done.output
        assert told is None or told in done.stderr
        wide = read_results(tmp_path / "some.h5").measured.wide
        assert wide.told_s == pytest.approx(2.0 / step)
    fine = read_results(tmp_path / "some.h5")
    assert len(fine.frequency_hz) == 29  # the project's, whatever the files have


@pytest.mark.parametrize(
    ("extra", "words"),
    [
        ("[reference]\ncommon_time = false\n", "their times do not compare"),
        ("[reference]\ncommon_level = false\ncommon_polarity = false\n", "their signs do not compare"),
    ],
)
def test_responses_that_cannot_be_added_are_refused(run: Run, tmp_path: Path, extra: str, words: str) -> None:
    write_measured(tmp_path, extra=extra)
    done = run("optimise", "room.toml", "--measured", "set.toml", "-o", "plan.h5")
    assert done.exit_code == 3, done.output
    assert words in done.stderr
    assert not Path("plan.h5").exists()


def test_other_faults_of_a_measured_search(run: Run, tmp_path: Path) -> None:
    write_measured(tmp_path, subs=SUBS)
    text = (tmp_path / "set.toml").read_text()
    (tmp_path / "set.toml").write_text(text.replace("position_m = [0.3, 3.6, 0.3]\n", ""))
    done = run("optimise", "room.toml", "--measured", "set.toml", "-o", "plan.h5")
    assert done.exit_code == 3
    assert "subs[1].position_m" in done.stderr
    assert "names 'main', which the manifest's [[subs]] have not" in done.stderr
    (tmp_path / "room.toml").write_text(TEXT.replace('measured = ["main"]\n', ""))
    (tmp_path / "set.toml").write_text(text)
    many = run("optimise", "room.toml", "--measured", "set.toml", "-o", "plan.h5", "--counts", 4)
    assert many.exit_code == 3
    assert "got 4" in many.stderr
    assert run("optimise", "room.toml", "--measured", "none.toml").exit_code == 5
