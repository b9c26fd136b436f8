"""The program starts quickly, explains itself, and says what is wrong with a call."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from cli.commands import on_demand
from cli.commands.on_demand import COMMANDS as COMMAND_TABLE
from roommodes.version import __version__

COMMANDS = ("demo", "new", "check", "predict", "optimise", "schema")
HEAVY = ("numpy", "scipy", "numba", "matplotlib", "h5py", "pydantic", "rich", "jinja2", "xarray", "threadpoolctl")


@pytest.mark.parametrize("arguments", [["--help"], ["--version"], *([name, "--help"] for name in COMMANDS)])
def test_help_loads_nothing_heavy(arguments: list[str]) -> None:
    """The time to a help text is the time of its imports. (For a command's help typer itself loads pydantic.)"""
    program = (
        "import sys\n"
        "from cli.main import run\n"
        f"sys.argv = ['roommodes', *{arguments!r}]\n"
        "try:\n"
        "    run()\n"
        "finally:\n"
        "    print(*(sorted({name.split('.')[0] for name in sys.modules})), file=sys.stderr)\n"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    loaded = set(done.stderr.split())
    assert "typer" in loaded
    own = set(HEAVY) - ({"pydantic"} if arguments[0] in COMMANDS else set())
    assert not loaded & own


@pytest.mark.parametrize("asked", [{}, {"OMP_NUM_THREADS": "2"}, {"OPENBLAS_NUM_THREADS": "2"}])
def test_the_linear_algebra_has_one_thread_unless_more_are_asked_for(asked: dict[str, str]) -> None:
    program = (
        "import sys\n"
        "from cli.__main__ import run\n"
        "sys.argv = ['roommodes', '--version']\n"
        "try:\n"
        "    run()\n"
        "except SystemExit:\n"
        "    import numpy\n"
        "    from threadpoolctl import threadpool_info\n"
        "    print(*(entry['num_threads'] for entry in threadpool_info() if entry['internal_api'] == 'openblas'))\n"
    )
    unset = {name: value for name, value in os.environ.items() if not name.endswith("_NUM_THREADS")}
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True, env={**unset, **asked}
    )
    threads = done.stdout.splitlines()[1:]  # the version stands first
    if not threads or not threads[0]:
        pytest.skip("NumPy's linear algebra is not OpenBLAS here")
    assert set(threads[0].split()) == {min(asked.values(), default="1")}


def test_a_kept_room_is_read_without_what_solves_it() -> None:
    """What `check` and a report of a box load before anything is worked out: neither SciPy's solvers nor a compiler."""
    program = (
        "import sys\n"
        "import cli.words.room, cli.report.html, cli.report.plan, cli.report.room, cli.report.basis\n"
        "from solvers.listening.room import require_project_fits\n"
        "from solvers.study.software import processor, software\n"
        "from tests.rooms import SMALL\n"
        "from roommodes.project.reading import parse_project\n"
        "require_project_fits(parse_project(SMALL, source='small.toml'))\n"
        "software(), processor()\n"
        "print(*(name for name in ('scipy.linalg', 'scipy.special', 'scipy.sparse', 'numba') if name in sys.modules))\n"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert not done.stdout.split()


def test_help_names_every_command_and_each_has_an_example(run) -> None:
    top = run("--help")
    assert top.exit_code == 0
    for name in COMMANDS:
        assert name in top.stdout
        help_text = run(name, "--help")
        assert help_text.exit_code == 0
        assert f"Example: roommodes {name}" in help_text.stdout
        assert "--json" in help_text.stdout


def test_the_table_of_commands_is_what_the_commands_are(run) -> None:
    """Each is called by its name, and what the list says of it fits on a line of 80 columns."""
    lines = run("--help").stdout.splitlines()
    widest = max(len(entry.name) for entry in COMMAND_TABLE)
    for entry in COMMAND_TABLE:
        assert f"  {entry.name:{widest}}  {entry.summary}" in lines
        assert run(entry.name, "--help").stdout.startswith(f"Usage: roommodes {entry.name} ")
    files = {path.stem for path in Path(on_demand.__file__).parent.rglob("*.py")} - {"__init__", "on_demand"}
    assert {entry.name for entry in COMMAND_TABLE} <= files


def test_version(run) -> None:
    assert run("--version").stdout == f"roommodes {__version__}\n"


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["chekc"], "No such command"),
        (["chekc"], "Did you mean 'check'"),
        (["check"], "Missing argument"),
        (["check", "--nonsense", "x"], "No such option"),
        (["optimise", "small.toml", "--counts", "two"], "got 'two'; allowed: whole numbers from 1 to 8"),
        (["optimise", "small.toml", "--counts", "0,2"], "allowed: whole numbers from 1 to 8"),
        (["optimise", "small.toml", "--counts", "9"], "allowed: whole numbers from 1 to 8"),
        (["optimise", "small.toml", "--counts", "1,,2"], "allowed: whole numbers from 1 to 8"),
        (["optimise", "small.toml", "--threads", "0"], "--threads"),
        (["optimise", "small.toml", "--seed", "-1"], "--seed"),
        (["predict", "small.toml", "-o", "levels.pdf"], "got '.pdf'; allowed are .png and .svg"),
        (["predict", "small.toml", "-o", "levels"], "allowed are .png and .svg"),
    ],
)
def test_usage_errors(run, small: Path, arguments: list[str], message: str) -> None:
    result = run(*arguments)
    assert result.exit_code == 2
    assert message in " ".join(result.stderr.split())
    assert result.stdout == ""
    assert [path.name for path in small.parent.iterdir()] == ["small.toml"]


def test_a_reader_that_stops_listening_is_no_fault(small: Path) -> None:
    """`roommodes schema | head -1`, with the pipe closed before the first byte."""
    reader, writer = os.pipe()
    os.close(reader)
    try:
        done = subprocess.run(
            [sys.executable, "-m", "cli.main", "schema"], stdout=writer, stderr=subprocess.PIPE, text=True, check=False
        )
    finally:
        os.close(writer)
    assert done.returncode == 0
    assert done.stderr == ""


def test_an_internal_fault_is_one_line_without_debug(run, small: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*arguments: object, **options: object) -> None:
        raise ZeroDivisionError("a mistake\nof ours")

    monkeypatch.setattr("solvers.plans.by_hand.predict_layout", broken)
    result = run("predict", small)
    assert result.exit_code == 1
    assert result.stderr.startswith(
        "internal fault: ZeroDivisionError: a mistake\\nof ours; this is a mistake in the program"
    )
    assert result.stderr.count("\n") == 1
    result = run("predict", small, "--debug")
    assert result.exit_code == 1
    assert "Traceback" in result.stderr
    assert "broken" in result.stderr
