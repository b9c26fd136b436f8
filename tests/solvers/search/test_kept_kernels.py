"""Machine code of the kernels on the disk: damaged, on a full disk, in a folder of nobody, its making interrupted."""

import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from roommodes.running import Running
from solvers.search.kernels import compiled

ROOT = Path(__file__).parents[3]
PROC = Path("/") / "proc"

# One kernel of all, which takes seconds: what is kept, and its result.
ONE_KERNEL = """
import sys
import numpy as np
from solvers.search.kernels.compiled import compiled_before, mark_compiled
from solvers.search.kernels.fixed import score_layouts

before = compiled_before()
cost = np.empty(3, np.float32)
field = np.arange(1.0, 25.0, dtype=np.float32).reshape(4, 2, 3)
weight, points = np.full(2, 0.5, np.float32), np.full(3, 1 / 3, np.float32)
score_layouts(field, field[::-1].copy(), weight, points, np.array([[0, 1], [0, 2], [1, 3]]), cost)
if "mark" in sys.argv:
    mark_compiled()
print(before, cost.tobytes().hex())
"""


def one_kernel(folder: Path, *words: str, **environment: str) -> str:
    """Whether all was kept before, and the kernel's result; in a process of its own."""
    done = subprocess.run(
        [sys.executable, "-c", ONE_KERNEL, *words],
        cwd=ROOT,
        env={**os.environ, "NUMBA_CACHE_DIR": str(folder), **environment},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return done.stdout.strip()


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with that kernel, recorded as complete."""
    folder = tmp_path_factory.mktemp("kept")
    one_kernel(folder, "mark")
    return folder


@pytest.fixture
def folder(kept: Path, tmp_path: Path) -> Path:
    copy = tmp_path / "copy"
    shutil.copytree(kept, copy)
    return copy


@contextmanager
def in_folder(folder: Path) -> Iterator[None]:
    """Kernels of this process are kept there meanwhile, and looked at anew."""
    compiled._sound.cache_clear()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(compiled.NUMBA, "CACHE_DIR", str(folder))
        yield


def files(folder: Path, suffix: str) -> list[Path]:
    found = sorted(folder.rglob(f"*{suffix}"))
    assert found
    return found


def cut(path: Path) -> None:
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])


def zeroed(path: Path) -> None:
    path.write_bytes(bytes(path.stat().st_size))


def emptied(path: Path) -> None:
    path.write_bytes(b"")


def one_bit(path: Path) -> None:
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 4
    path.write_bytes(data)


def gone(path: Path) -> None:
    path.unlink()


DAMAGES = [
    (suffix, damage)
    for suffix in (".nbi", ".nbc")
    for damage in (cut, zeroed, emptied, one_bit, gone)
    if (suffix, damage) != (".nbi", one_bit)  # an index may grow, so that it is only looked at whether it can be read
]


@pytest.mark.parametrize(("suffix", "damage"), DAMAGES)
def test_damaged_code_is_noticed(folder: Path, suffix: str, damage: Callable[[Path], None]) -> None:
    """Before any of it is run."""
    assert one_kernel(folder).startswith("True ")
    for path in files(folder, suffix):
        damage(path)
    with in_folder(folder):
        assert not compiled.compiled_before()


@pytest.mark.parametrize(("suffix", "damage"), [(".nbi", cut), (".nbi", emptied), (".nbc", zeroed), (".nbc", emptied)])
def test_a_kernel_whose_file_cannot_be_read_is_compiled_anew(
    folder: Path, suffix: str, damage: Callable[[Path], None]
) -> None:
    """Also where nothing vouches for the files, in the very process that needs it; and is kept again."""
    expected = one_kernel(folder).split()[1]
    for path in files(folder, suffix):
        damage(path)
    for marker in folder.glob("complete-*"):
        marker.unlink()
    assert one_kernel(folder) == f"False {expected}"
    assert one_kernel(folder, "mark") == f"False {expected}"
    assert one_kernel(folder) == f"True {expected}"


def test_a_damaged_record_vouches_for_nothing(folder: Path) -> None:
    (marker,) = folder.glob("complete-*")
    for text in ("", "{}", "[]", "null", '{"none.nbc": "0"}', '{"a": 1', "\0" * 50):
        marker.write_text(text)
        with in_folder(folder):
            assert not compiled.compiled_before(), text


def test_code_for_further_arguments_does_not_spoil_the_record(folder: Path) -> None:
    (index,) = [path for path in files(folder, ".nbi") if "score_layouts" in path.name]
    before = index.read_bytes()
    more = ONE_KERNEL.replace("np.array([[0, 1]", "np.array([[0.0, 1.0]").replace(
        "[1, 3]])", "[1, 3]]).astype(np.int32)"
    )
    subprocess.run(
        [sys.executable, "-c", more], cwd=ROOT, env={**os.environ, "NUMBA_CACHE_DIR": str(folder)}, check=True
    )
    assert index.read_bytes() != before
    with in_folder(folder):
        assert compiled.compiled_before()


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of 64 kB."""
    disk = tmp_path / "disk"
    disk.mkdir()
    if subprocess.run(["mount", "-t", "tmpfs", "-o", "size=64k", "tmpfs", disk], check=False).returncode:
        pytest.skip("a small file system can only be mounted with the right to do so")
    yield disk
    subprocess.run(["umount", disk], check=True)


def test_on_a_full_disk_nothing_is_kept_and_all_works(kept: Path, small_disk: Path) -> None:
    """Neither the folder asked for, nor the user's, nor the temporary one has room."""
    where = {"XDG_CACHE_HOME": str(small_disk / "cache"), "TMPDIR": str(small_disk), "HOME": str(small_disk)}
    result = one_kernel(small_disk / "kernels", **where)
    assert result == f"False {one_kernel(kept).split()[1]}"
    assert not list(small_disk.rglob("*.nb*"))


def test_a_disk_that_fills_up_while_kernels_are_kept(kept: Path, small_disk: Path) -> None:
    """There is room for the probe and no more."""
    subprocess.run(["mount", "-o", "remount,size=1m", small_disk], check=True)
    (small_disk / "ballast").write_bytes(bytes(40_000))
    program = "import solvers.search.kernels.compiled as c; c.PROBE_BYTES = 1000\n" + ONE_KERNEL
    subprocess.run(["mount", "-o", "remount,size=52k", small_disk], check=True)
    done = subprocess.run(
        [sys.executable, "-c", program, "mark"],
        cwd=ROOT,
        env={**os.environ, "NUMBA_CACHE_DIR": str(small_disk)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout.split()[1] == one_kernel(kept).split()[1]


def processes() -> set[str]:
    """Those that compile, by number."""
    found = set()
    for entry in PROC.glob("[0-9]*"):
        try:
            if (
                b"solvers.search.warm" in (entry / "cmdline").read_bytes()
                and (entry / "stat").read_text().split()[2] != "Z"
            ):
                found.add(entry.name)
        except OSError:
            continue
    return found


COMPILE = "from solvers.search.kernels.compiled import compile_once; compile_once()"


@pytest.mark.skipif(not PROC.is_dir(), reason="needs the system's list of processes")
def test_who_is_killed_while_compiling_leaves_no_process_behind(tmp_path: Path) -> None:
    before = processes()
    environment = {**os.environ, "NUMBA_CACHE_DIR": str(tmp_path)}
    with subprocess.Popen([sys.executable, "-c", COMPILE], cwd=ROOT, env=environment) as process:
        wait_for(lambda: processes() > before)
        process.kill()
    wait_for(lambda: processes() <= before)


def wait_for(found: Callable[[], bool], seconds: float = 60.0) -> None:
    stop = time.monotonic() + seconds
    while not found():
        assert time.monotonic() < stop
        time.sleep(0.05)


@pytest.mark.skipif(not PROC.is_dir(), reason="needs the system's list of processes")
def test_asked_to_stop_while_compiling_it_stops(tmp_path: Path) -> None:
    before = processes()
    with in_folder(tmp_path):
        began = time.monotonic()
        compiled.compile_once(Running(cancelled=lambda: bool(processes() - before)))
        assert time.monotonic() - began < 30.0
        assert not compiled.compiled_before()
    assert not processes() - before


def test_two_that_compile_into_one_folder_wait_for_each_other(tmp_path: Path) -> None:
    """The second waits until the first is done (here: until it is asked to stop waiting)."""
    holder = (
        "import os, sys, time\nfrom roommodes.storage.lock import take_lock\n"
        "assert take_lock(os.open(sys.argv[1], os.O_RDWR | os.O_CREAT))\nprint('held', flush=True)\ntime.sleep(60)\n"
    )
    command = [sys.executable, "-c", holder, str(tmp_path / "lock")]
    with subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "held\n"
        before, asked = processes(), []
        with in_folder(tmp_path):
            compiled.compile_once(Running(cancelled=lambda: len(asked) > 5 or bool(asked.append(1))))  # type: ignore[func-returns-value]
        assert len(asked) == 6
        assert not processes() - before
        process.send_signal(signal.SIGKILL)


@pytest.mark.slow
def test_code_compiled_loaded_or_compiled_again_gives_the_same_plans(tmp_path: Path) -> None:
    """To the last bit: with the code that this machine keeps, with a copy of it, and after damage of every kind."""
    program = (
        "from solvers.search.search import search\nfrom solvers.search.warm import EFFORT, questions\n"
        "plans = search(next(questions()), counts=(1, 2), seed=1, effort=EFFORT)[1].plans\n"
        "print(*(plan.gain_db.tobytes().hex() + plan.delay_s.tobytes().hex() for plan in plans))\n"
    )

    def plans(**environment: str) -> str:
        done = subprocess.run(
            [sys.executable, "-c", program],
            cwd=ROOT,
            env={**os.environ, **environment},
            capture_output=True,
            text=True,
            check=False,
        )
        assert done.returncode == 0, done.stderr
        return done.stdout

    first = plans()
    assert len(first) > 100
    with compiled._cache_folder() as kept:
        assert kept is not None
        copy = shutil.copytree(kept, tmp_path / "copy")
        ours = copy / compiled._code_folder().relative_to(kept)  # beside it: those of other copies of this program
    assert list(copy.glob("complete-*"))
    copied = {"NUMBA_CACHE_DIR": str(copy)}
    assert plans(**copied) == first
    code, index = files(ours, ".nbc"), files(ours, ".nbi")
    before = {path: path.stat().st_mtime_ns for path in code}
    for number, damage in enumerate((cut, zeroed, emptied, one_bit, gone)):
        damage(code[3 * number])
    for number, damage in enumerate((cut, zeroed, emptied, gone)):
        damage(index[2 * number])
    assert plans(**copied) == first
    assert not [path.name for path, then in before.items() if path.exists() and path.stat().st_mtime_ns == then]
    assert len(files(ours, ".nbc")) > 10, "all was compiled anew"
    assert plans(**copied) == first
