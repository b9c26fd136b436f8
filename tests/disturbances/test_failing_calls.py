"""Calls of the system that fail: full disks, errors of devices, short writes, interrupted calls, moves that fail.

A small library, compiled here and loaded before the C library, makes them fail for files in the test's folder
(`failing_calls.c`). What is asked each time: one sentence and exit code 5, or all is well; the file under the asked-for
name is the old one whole or the new one whole; nothing else is left; the next run succeeds.
"""

import errno
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from roommodes.plan.file import results_image
from roommodes.project.reading import parse_project
from solvers.plans.solve import solve
from tests.disturbances.processes import names, shell
from tests.rooms import SMALL
from tests.studies.texts import tiny

SOURCE = Path(__file__).with_name("failing_calls.c")
SHORT = 0
EVERY = 99
WRITING = {"settings plan.h5 -o out.csv": "out.csv", "layout plan.h5 -o out.toml": "out.toml"}


@pytest.fixture(scope="session")
def library(tmp_path_factory: pytest.TempPathFactory) -> Path:
    compiler = shutil.which("cc") or shutil.which("gcc") or shutil.which("clang")
    if not sys.platform.startswith("linux") or compiler is None:
        pytest.skip("needs Linux and a C compiler")
    library = tmp_path_factory.mktemp("library") / "failing_calls.so"
    done = subprocess.run(
        [compiler, "-shared", "-fPIC", "-O1", "-o", str(library), str(SOURCE), "-ldl"], capture_output=True, check=False
    )
    if done.returncode:
        pytest.skip(f"the compiler here makes no shared libraries: {done.stderr.decode()[:200]}")
    return library


@pytest.fixture(scope="session")
def plan_image() -> bytes:
    return results_image(solve(parse_project(SMALL, source="small.toml"), counts=(1,), seed=1))


@pytest.fixture(scope="module")
def undisturbed(plan_image: bytes, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with what the commands write where nothing fails."""
    folder = tmp_path_factory.mktemp("undisturbed")
    (folder / "plan.h5").write_bytes(plan_image)
    for words in WRITING:
        assert shell(f"$R {words}", folder).returncode == 0
    (folder / "st.toml").write_text(tiny(6))
    assert shell("$R study st.toml -o st.h5 --workers 1 --csv st.csv", folder).returncode == 0
    return folder


class Failing:
    """A folder in which a call of the system fails."""

    def __init__(self, library: Path, folder: Path) -> None:
        self.library, self.folder = library, folder
        self.note = library.with_name(f"{folder.name}.note")

    def run(
        self, words: str, call: str, error: int, *, first: int = 1, times: int = EVERY, files: str = ""
    ) -> tuple[int, str, int]:
        """Exit code, what was said on stderr, and how many calls failed; of `files` whose names begin so."""
        self.note.unlink(missing_ok=True)
        done = shell(
            f"LD_PRELOAD='{self.library}' $R {words}",
            self.folder,
            FAIL_FOLDER=f"{self.folder}/{files}",
            FAIL_CALL=call,
            FAIL_ERROR=str(error),
            FAIL_AT=str(first),
            FAIL_TIMES=str(times),
            FAIL_NOTE=str(self.note),
        )
        failed = self.note.read_text().count("\n") if self.note.exists() else 0
        return done.returncode, done.stderr, failed


@pytest.fixture
def failing(library: Path, plan_image: bytes, tmp_path: Path) -> Failing:
    (tmp_path / "plan.h5").write_bytes(plan_image)
    return Failing(library, tmp_path)


@pytest.mark.parametrize("words", WRITING)
@pytest.mark.parametrize(
    ("call", "error", "said"),
    [
        ("write", errno.ENOSPC, "the disk is full; nothing was written"),
        ("write", errno.EIO, "input/output error"),
        ("write", errno.EDQUOT, "your share of the disk is used up"),
        ("fsync", errno.EIO, "input/output error"),
        ("fsync", errno.ENOSPC, "the disk is full; nothing was written"),
        ("rename", errno.EIO, "input/output error"),
        ("rename", errno.EROFS, "can only be read"),
        ("open", errno.EMFILE, "too many open files"),
    ],
)
def test_a_file_that_cannot_be_replaced_stays(failing: Failing, words: str, call: str, error: int, said: str) -> None:
    output = failing.folder / WRITING[words]
    output.write_bytes(b"of before")
    inputs = {"first": 2} if call == "open" else {}  # the plan itself can still be opened
    code, heard, failed = failing.run(f"{words} --force", call, error, **inputs)
    assert failed, "no call failed: the library was not asked"
    assert code == 5, heard
    assert said in " ".join(heard.lower().split())
    assert heard.count("\n") == 1 + heard.count("\n  "), heard
    assert "Traceback" not in heard
    assert output.read_bytes() == b"of before"
    assert names(failing.folder) == sorted(["plan.h5", output.name])


@pytest.mark.parametrize(
    ("call", "error", "times"),
    [
        ("write", SHORT, EVERY),
        ("read", SHORT, EVERY),
        ("write", errno.EINTR, 3),
        ("read", errno.EINTR, 3),
        ("open", errno.EINTR, 3),
        ("fsync", errno.EINTR, 3),
        ("link", errno.EPERM, EVERY),  # there are no hard links
    ],
)
def test_what_can_be_gone_on_with_is(failing: Failing, undisturbed: Path, call: str, error: int, times: int) -> None:
    for words, name in WRITING.items():
        wanted = (undisturbed / name).read_bytes()
        code, heard, failed = failing.run(words, call, error, times=times)
        assert failed, "no call failed: the library was not asked"
        assert (code, heard) == (0, "")
        assert (failing.folder / name).read_bytes() == wanted
    assert names(failing.folder) == sorted(["plan.h5", *WRITING.values()])


@pytest.mark.parametrize("error", [errno.EIO, errno.EINTR])
def test_a_file_that_was_forced_to_the_disk_is_there_however_it_is_closed(failing: Failing, error: int) -> None:
    (failing.folder / "out.csv").write_bytes(b"of before")
    code, heard, failed = failing.run("settings plan.h5 -o out.csv --force", "close", error, files=".out.csv")
    assert failed, "no call failed: the library was not asked"
    assert (code, heard) == (0, "")
    assert (failing.folder / "out.csv").read_bytes().startswith(b"sub")
    assert names(failing.folder) == ["out.csv", "plan.h5"]


@pytest.mark.parametrize(("call", "error"), [("read", errno.EIO), ("open", errno.EIO), ("open", errno.ENFILE)])
def test_an_input_that_cannot_be_read(failing: Failing, call: str, error: int) -> None:
    (failing.folder / "small.toml").write_text(SMALL)
    for words in ("settings plan.h5", "check small.toml"):
        code, heard, failed = failing.run(words, call, error)
        assert failed
        assert code == 5, heard
        assert heard.count("\n") == 1 + heard.count("\n  "), heard
        assert "Traceback" not in heard


def test_a_rest_that_cannot_be_taken_away_is_by_the_next_run(failing: Failing) -> None:
    """The file stands, whole; only its second name is left."""
    code, heard, failed = failing.run("settings plan.h5 -o out.csv", "unlink", errno.EIO)
    assert failed
    assert (code, heard) == (0, "")
    rests = [name for name in names(failing.folder) if name.endswith(".part")]
    assert len(rests) > 0
    done = shell("sleep 1.2; $R settings plan.h5 -o out.csv --force", failing.folder)
    assert done.returncode == 0, done.stderr
    assert names(failing.folder) == ["out.csv", "plan.h5"]


@pytest.mark.slow
@pytest.mark.parametrize(
    ("call", "error", "first"),
    [("write", errno.ENOSPC, 3), ("fsync", errno.EIO, 4), ("rename", errno.EIO, 2), ("open", errno.ENOSPC, 9)],
)
def test_a_study_on_a_failing_disk_goes_on_where_it_was(
    failing: Failing, undisturbed: Path, call: str, error: int, first: int
) -> None:
    """Finished jobs stay, and the next run's results are those of an undisturbed one."""
    folder = failing.folder
    (folder / "plan.h5").unlink()
    (folder / "st.toml").write_text(tiny(6))
    code, heard, failed = failing.run("study st.toml -o st.h5 --workers 1 --csv st.csv", call, error, first=first)
    assert failed
    assert code == 5, heard
    assert "Traceback" not in heard
    assert "mistake in the program" not in heard
    assert not (folder / "st.h5").exists()
    again = shell("$R study st.toml -o st.h5 --workers 1 --csv st.csv", folder)
    assert again.returncode == 0, again.stderr
    assert (folder / "st.csv").read_bytes() == (undisturbed / "st.csv").read_bytes()
    assert not list(folder.glob("**/.*.part"))
