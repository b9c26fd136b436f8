"""Where commands write: never over what they read, whatever --force says; a study only over its own files."""

import inspect
import shutil
from collections.abc import Callable
from importlib import import_module
from pathlib import Path
from typing import get_args

import pytest
from typer.models import ArgumentInfo, OptionInfo
from typer.testing import Result

from cli.commands.on_demand import COMMANDS
from roommodes.project.reading import parse_project
from tests.measuring import ROOM, SUBS, TABLE_HZ, modelled, room_project, table_text, write_set
from tests.rooms import SMALL
from tests.studies.texts import tiny

Run = Callable[..., Result]

# command with its inputs, the option that writes, a suffix that it takes
WRITERS = (
    ("predict room.toml", "--output", ".png"),
    ("optimise room.toml", "--output", ".h5"),
    ("optimise room.toml --measured set.toml", "--output", ".h5"),
    ("optimise room.toml --measured set.toml --field field.h5", "--output", ".h5"),
    ("report plan.h5", "--output", ".html"),
    ("report plan.h5", "--output", ".pdf"),
    ("drawing plan.h5", "--output", ".pdf"),
    ("drawing plan.h5", "--output", ".dxf"),
    ("export plan.h5", "--output", ".wav"),
    ("settings plan.h5", "--output", ".csv"),
    ("electrical plan.h5", "--output", ".xlsx"),
    ("electrical plan.h5", "--output", ".csv"),
    ("headroom plan.h5", "--output", ".png"),
    ("decay plan.h5", "--output", ".png"),
    ("rows plan.h5", "--output", ".png"),
    ("tune plan.h5", "--output", ".h5"),
    ("tune plan.h5", "--figure", ".png"),
    ("crossover plan.h5", "--output", ".h5"),
    ("crossover plan.h5", "--figure", ".png"),
    ("tolerance plan.h5", "--output", ".h5"),
    ("tolerance plan.h5", "--figure", ".png"),
    ("tolerance plan.h5", "--robust", ".h5"),
    ("fit room.toml set.toml", "--output", ".toml"),
    ("fit room.toml set.toml", "--figure", ".png"),
    ("fit room.toml set.toml", "--page", ".html"),
    ("field room.toml set.toml --places places.csv", "--output", ".h5"),
    ("field room.toml set.toml --places places.csv", "--figure", ".png"),
    ("field room.toml set.toml --places places.csv", "--page", ".html"),
    ("tune plan.h5 --field field.h5", "--output", ".h5"),
    ("report plan.h5 --field field.h5", "--output", ".html"),
    ("verify plan.h5 after.toml", "--output", ".html"),
    ("verify plan.h5 after.toml", "--figure", ".png"),
    ("study study.toml", "--output", ".h5"),
    ("study study.toml", "--csv", ".csv"),
    ("study study.toml", "--report", ".html"),
    ("study study.toml --room 1", "--output", ".toml"),
    ("predict room.toml --layout saved.json", "--output", ".png"),
    ("explore plan.h5", "--output", ".html"),
    ("compare plan.h5 room.toml saved.json", "--output", ".png"),
    ("judge plan.h5 --in room.toml", "--output", ".png"),
    ("layout plan.h5 --project room.toml", "--output", ".toml"),
    ("watch room.toml", "--output", ".png"),
)
NO_INPUT = {("demo", "--into"), ("new", "FILE")}  # writes without reading
FOLDERS = {("study", "--jobs")}  # job files of names of their own go into it
READ = {("new", "--outline"), ("new", "--project"), ("optimise", "--measured"), ("predict", "--layout")}
READ |= {("check", "--measured"), ("judge", "--in"), ("layout", "--project"), ("field", "--places")}
READ |= {("report", "--field"), ("tune", "--field"), ("optimise", "--field")}


@pytest.fixture(scope="module")
def inputs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a project, its plan, a measured set and a study that takes its rooms from a table."""
    folder = tmp_path_factory.mktemp("inputs")
    project = room_project(ROOM + "[layout]\npositions_m = [[0.3, 0.3, 0.3]]\n")
    (folder / "room.toml").write_text(project.toml_text)
    write_set(folder, modelled(project, TABLE_HZ, SUBS))
    text = tiny(2).replace('design = "sobol"\ncount = 2', 'design = "table"\ntable = "rooms.csv"')
    kept = [line for line in text.splitlines() if not line.startswith(("length_m", "width_m", "height_m"))]
    (folder / "study.toml").write_text("\n".join(kept))
    (folder / "rooms.csv").write_text("length_m,width_m,height_m\n4.6,3.5,2.4\n5.2,3.9,2.7\n")
    (folder / "places.csv").write_text("name,x_m,y_m,z_m\na,2.0,2.0,1.1\n")
    (folder / "small.toml").write_text(SMALL)
    small = parse_project(SMALL, source="small.toml")
    heard = modelled(small, TABLE_HZ, {"all": small.candidates.position_m[0].tolist()}).transfer
    after = 'format = 1\nname = "after"\n[[subs]]\nname = "all"\ntogether = true\n'
    for index, seat in enumerate(small.seats.name):
        (folder / f"after-{index}.txt").write_text(table_text(TABLE_HZ, heard[:, index, 0]))
        after += f'[[responses]]\nsub = "all"\nseat = "{seat}"\nfile = "after-{index}.txt"\n'
    (folder / "after.toml").write_text(after)
    (folder / "saved.json").write_text("{}")
    (folder / "field.h5").write_bytes(b"read by nobody here")
    return folder


@pytest.fixture(scope="module")
def plan_bytes(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    from roommodes.plan.file import results_image  # noqa: PLC0415 (with what it needs)
    from roommodes.project.reading import parse_project  # noqa: PLC0415
    from solvers.plans.solve import solve  # noqa: PLC0415

    return results_image(solve(parse_project(SMALL, source="small.toml"), counts=(1,), seed=1))


@pytest.fixture
def here(tmp_path: Path, inputs: Path, plan_bytes: bytes) -> Path:
    shutil.copytree(inputs, tmp_path, dirs_exist_ok=True)
    (tmp_path / "plan.h5").write_bytes(plan_bytes)
    return tmp_path


def contents(folder: Path) -> dict[str, bytes]:
    return {str(path.relative_to(folder)): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


@pytest.mark.parametrize(("command", "option", "suffix"), WRITERS)
def test_no_command_writes_over_what_it_reads(run: Run, here: Path, command: str, option: str, suffix: str) -> None:
    """Under no other name either: the target is a link to each file of the folder that the command reads."""
    words = command.split()
    read = [word for word in words if "." in word]
    read += [path.name for path in here.glob("left-*.txt")][:1] if "set.toml" in command else []
    read += ["rooms.csv"] if "study.toml" in command else []
    before = contents(here)
    more = ["-o", "other.h5"] if "study.toml" in command and option != "--output" else []
    for name in read:
        link = here / f"link{suffix}"
        link.symlink_to(name)
        done = run(*words, *more, option, link.name, "--force")
        assert done.exit_code == 2, (name, done.output)
        assert f"{link.name} is read by this command; write to another file" in " ".join(done.stderr.split())
        link.unlink()
        assert contents(here) == before, name


def test_every_option_that_writes_is_held_to_it() -> None:
    """Whatever takes a path is in the list above, or said to read or to have no input."""
    known = {(command.split()[0], option) for command, option, _ in WRITERS} | NO_INPUT | READ | FOLDERS
    found = set()
    for command in COMMANDS:
        for parameter in inspect.signature(getattr(import_module(command.module), command.name)).parameters.values():
            kind, *metadata = get_args(parameter.annotation)
            option = next((one for one in metadata if isinstance(one, OptionInfo | ArgumentInfo)), None)
            written = isinstance(option, OptionInfo)
            if Path in (kind, *get_args(kind)) and (written or command.name == "new"):
                found.add((command.name, option.default if isinstance(option, OptionInfo) else "FILE"))
    assert found == known


def test_the_name_that_a_command_chooses_is_held_to_it_too(run: Run, here: Path) -> None:
    plan = (here / "plan.h5").read_bytes()
    for name, command in (("plan.html", "report"), ("plan.pdf", "drawing"), ("plan.html", "explore")):
        (here / name).write_bytes(plan)
        assert run(command, name, "--force").exit_code == 2
        assert (here / name).read_bytes() == plan


def test_two_options_with_one_name_are_refused(run: Run, here: Path) -> None:
    done = run("study", "study.toml", "-o", "out.h5", "--csv", "out.h5")
    assert done.exit_code == 2
    assert "out.h5 is what --output names too; give each a name of its own" in " ".join(done.stderr.split())
    assert not (here / "out.h5").exists()


# -- a study and what stands under its names --------------------------------------------------------------------------


@pytest.mark.parametrize(("option", "name"), [("--csv", "out.csv"), ("--report", "out.html")])
def test_a_study_replaces_its_own_files_and_no_others(run: Run, here: Path, option: str, name: str) -> None:
    command = ("study", "study.toml", "-o", "out.h5", "--workers", 1, option, name)
    assert run(*command).exit_code == 0
    assert run(*command).exit_code == 0, "its own table and report are made anew"
    for content in (b"mine", b"", b"room,study\n1,0123456789abcdef\n", b"<!DOCTYPE html>\n<p>mine"):
        (here / name).write_bytes(content)
        done = run(*command)
        assert done.exit_code == 5
        assert f"{name}: exists already and is left as it is" in done.stderr
        assert (here / name).read_bytes() == content
    assert run(*command, "--force").exit_code == 0
    assert b"mine" not in (here / name).read_bytes()


def test_a_study_takes_the_files_of_another_study_for_somebody_elses(run: Run, here: Path) -> None:
    (here / "other.toml").write_text((here / "study.toml").read_text().replace("tiny rooms", "other rooms"))
    extras = ("--csv", "out.csv", "--report", "out.html")
    assert run("study", "other.toml", "-o", "other.h5", "--workers", 1, *extras).exit_code == 0
    before = contents(here)
    done = run("study", "study.toml", "-o", "out.h5", *extras)
    assert done.exit_code == 5
    assert contents(here) == before


def test_a_study_does_not_put_a_table_where_its_results_are(run: Run, here: Path) -> None:
    assert run("study", "study.toml", "-o", "out.h5", "--workers", 1).exit_code == 0
    before = (here / "out.h5").read_bytes()
    assert run("study", "study.toml", "-o", "new.h5", "--csv", "out.h5").exit_code == 5
    assert (here / "out.h5").read_bytes() == before


def test_what_appears_while_a_study_runs_is_left_alone(run: Run, here: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """It is asked once more when there is something to write."""

    def compare_and_lose_the_race(results: object) -> object:
        (here / "out.h5").write_bytes(b"mine")
        return compare(results)  # type: ignore[arg-type]

    from solvers.study.compare import compare  # noqa: PLC0415

    monkeypatch.setattr("solvers.study.whole.compare", compare_and_lose_the_race)
    done = run("study", "study.toml", "-o", "out.h5")
    assert done.exit_code == 5
    assert (here / "out.h5").read_bytes() == b"mine"
