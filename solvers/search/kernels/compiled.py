"""How kernels are compiled and where their machine code is kept.

Freshly compiled code and the same code loaded from the cache may differ in the last bits, since relaxed sums are
ordered as the compiler finds best and a loaded kernel calls its own copy of the helpers. So that the same seed
gives the same plans on every run, kernels are compiled in a process of its own (`solvers.search.warm`) and only ever
loaded in the one that searches.

The cache of compiled kernels is named after this package's version and the text of the kernels, so that no
stale code is ever loaded (numba/numba#1833: an edited constant went unseen). Where the user's cache folder
cannot be written, a folder for temporary files serves, and where there is none, nothing is kept. NUMBA_CACHE_DIR, when
set, is respected.

What is kept is machine code, and files get damaged. Once all kernels are there, a record of all files with their
checksums is written (`mark_compiled`); code that does not match it is thrown away and compiled anew.
"""

import json
import os
import pickle
import platform
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from functools import lru_cache
from hashlib import sha256
from io import BytesIO
from pathlib import Path
from time import monotonic, sleep
from typing import Any, TypeVar, cast

import numba
import platformdirs
from numba.core import config
from numba.core.caching import FunctionCache

from roommodes.running import Running
from roommodes.storage.lock import take_lock
from roommodes.version import __version__

NUMBA: Any = config  # its settings; numba declares no types for them
Function = TypeVar("Function", bound=Callable[..., Any])

# Sums may be reordered, products contracted, divisions multiplied and the sign of zero lost; NaN and infinity
# keep their meaning (fastmath=True makes isnan(nan) false, numba/numba#2919).
RELAXED = {"reassoc", "contract", "arcp", "nsz"}
COMPILE_S = 900.0  # that it may take
POLL_S = 0.1
PROBE_BYTES = 1_000_000  # that must have room in the cache; all kernels together take some megabytes


def compile_once(running: Running = Running()) -> None:
    """Have every kernel compiled and kept by another process, unless that was done before; some 20 s.

    Where that fails, or nothing can be kept, kernels are compiled on first use in this process: the plans are as good,
    but may differ from a later run's in the last digits.

    Parameters
    ----------
    running : cancelling; once cancelled, the other process is ended.
    """
    if NUMBA.DISABLE_JIT or compiled_before():
        return
    with _cache_folder() as folder:
        if folder is None:
            return
        with _alone_in(folder, running) as entered:
            if not entered or compiled_before():
                return
            _forget()
            _compile_elsewhere(running)


def compiled_before() -> bool:
    """Whether all kernels are in the cache for this source, Python and numba, and as they were written."""
    with _cache_folder() as folder:
        marker = None if folder is None else _marker(folder)
        try:
            return marker is not None and _sound(marker, _code_folder(), marker.stat().st_mtime_ns)
        except OSError:
            return False


def mark_compiled() -> None:
    """Record that all kernels are in the cache, with what must be in each file."""
    with _cache_folder() as folder, suppress(OSError):
        if folder is not None:
            digests = {path.name: _digest(path) for path in _code_files()}
            if digests:
                marker = _marker(folder)
                temporary = marker.with_suffix(f".{os.getpid()}.part")
                temporary.write_text(json.dumps(digests, indent=0))
                temporary.replace(marker)


def _compile_elsewhere(running: Running) -> None:
    """Run the process that compiles; it ends when this one does."""
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(path or os.getcwd() for path in sys.path)}
    command = [sys.executable, "-m", "solvers.search.warm", "--end-with-input"]
    with suppress(OSError):
        process = subprocess.Popen(
            command, env=environment, stdin=subprocess.PIPE, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        until = monotonic() + COMPILE_S
        try:
            while process.poll() is None and monotonic() < until and not running.stop_asked():
                with suppress(subprocess.TimeoutExpired):
                    process.wait(POLL_S)
        finally:
            process.kill()
            process.wait()
            assert process.stdin is not None, "opened as a pipe"
            process.stdin.close()


@contextmanager
def _alone_in(folder: Path, running: Running) -> Iterator[bool]:
    """Wait until no other process compiles into a folder; yields whether that came about, and nobody asked to stop."""
    until = monotonic() + COMPILE_S
    try:
        descriptor = os.open(folder / "lock", os.O_RDWR | os.O_CREAT, 0o600)
    except OSError:
        yield True  # nothing can be kept there anyway
        return
    try:
        while not (free := take_lock(descriptor)) and monotonic() < until and not running.stop_asked():
            sleep(POLL_S)
        yield free
    finally:
        os.close(descriptor)  # lets go of the lock


def _forget() -> None:
    """Take away all machine code of these kernels."""
    for path in _code_files():
        with suppress(OSError):
            path.unlink()


def _code_folder() -> Path:
    """Where numba keeps the code of functions in this folder; asked inside `_cache_folder`."""
    cache: Any = FunctionCache  # numba declares no types for it
    return Path(cache(_writable).cache_path)


def _code_files() -> list[Path]:
    folder = _code_folder()
    return sorted(path for path in folder.iterdir() if path.suffix in {".nbi", ".nbc"}) if folder.is_dir() else []


@lru_cache(maxsize=8)
def _sound(marker: Path, folder: Path, written_ns: int) -> bool:
    """Whether every recorded file holds what it did; asked once by a process for a marker written at one time."""
    try:
        digests = json.loads(marker.read_text())
        if not isinstance(digests, dict) or not digests:
            return False
        return all(_is_kept(folder / name, digest) for name, digest in digests.items())
    except (OSError, ValueError):
        return False


def _is_kept(path: Path, digest: str) -> bool:
    """Whether a file is as it was recorded; an index may have grown by code for further kinds of arguments."""
    if _digest(path) == digest:
        return True
    if path.suffix != ".nbi":
        return False
    try:
        stream = BytesIO(path.read_bytes())
        pickle.load(stream)  # numba's version
        _, names = pickle.load(stream)
        return all(path.with_name(name).is_file() for name in names.values())
    except Exception:  # a damaged pickle may raise anything
        return False


def _digest(path: Path) -> str:
    return sha256(path.read_bytes()).hexdigest()


def _marker(folder: Path) -> Path:
    parts = [numba.__version__, sys.version, platform.node()]
    for source in _sources():
        state = source.stat()
        parts += [str(source), str(state.st_mtime_ns), str(state.st_size)]
    return folder / f"complete-{sha256(repr(parts).encode()).hexdigest()[:16]}"


def _sources() -> list[Path]:
    return sorted(path for path in Path(__file__).parent.glob("*.py") if path.stem not in {"__init__", "compiled"})


def kernel(function: Function) -> Function:
    """Compile on first use without the interpreter's lock; keep the machine code for the next run."""
    if NUMBA.DISABLE_JIT:
        return function
    options: dict[str, Any] = {"nogil": True, "fastmath": RELAXED, "error_model": "numpy"}
    with _cache_folder() as folder:
        if folder is None:
            return cast(Function, numba.njit(**options)(function))
        compiled: Any = numba.njit(cache=True, **options)(function)
    compiled._cache = _Forgiving(compiled._cache)
    return cast(Function, compiled)


class _Forgiving:
    """numba's cache of one kernel: files that cannot be read are as none, and what cannot be written is not kept."""

    def __init__(self, cache: Any) -> None:
        self._own = cache

    def __getattr__(self, name: str) -> Any:
        return getattr(self._own, name)

    def load_overload(self, *arguments: Any) -> Any:
        """Code from the cache, or None."""
        try:
            return self._own.load_overload(*arguments)
        except Exception:  # a damaged pickle may raise anything
            with suppress(OSError):
                self._own.flush()
            return None

    def save_overload(self, *arguments: Any) -> None:
        """Keep code, if that can be."""
        with suppress(OSError):
            try:
                self._own.save_overload(*arguments)
            except OSError:
                raise
            except Exception:  # of a damaged index, which is read first
                self._own.flush()
                self._own.save_overload(*arguments)


@contextmanager
def _cache_folder() -> Iterator[Path | None]:
    """Point numba at the folder while a kernel is declared; it looks only then. None where nothing can be kept."""
    before = NUMBA.CACHE_DIR
    folder: Path | None = Path(before) if before else None
    if folder is None or not _writable(folder):
        stamp = sha256()
        for part in _sources():
            stamp.update(part.read_bytes())
        name = f"kernels-{__version__}-{stamp.hexdigest()[:16]}"
        folder = Path(platformdirs.user_cache_dir("roommodes")) / name
        if not _writable(folder):
            folder = _private_temporary(name)
    NUMBA.CACHE_DIR = "" if folder is None else str(folder)
    try:
        yield folder
    finally:
        NUMBA.CACHE_DIR = before


def _writable(folder: Path) -> bool:
    """Make the folder if need be and say whether files can be put there, and have room."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=folder) as file:
            file.write(bytes(PROBE_BYTES))
            file.flush()
            return True
    except OSError:
        return False


def _private_temporary(name: str) -> Path | None:
    """A folder for temporary files that nobody else could have filled; machine code is run from it. None without."""
    mine = str(os.getuid()) if hasattr(os, "getuid") else "user"
    try:
        folder = Path(tempfile.gettempdir()) / f"roommodes-{mine}"
        folder.mkdir(mode=0o700, exist_ok=True)
        state = folder.stat()
        safe = not hasattr(os, "getuid") or (state.st_uid == os.getuid() and not state.st_mode & 0o022)
        if not safe:
            folder = Path(tempfile.mkdtemp(prefix="roommodes-"))
    except OSError:
        return None
    return folder / name if _writable(folder / name) else None
