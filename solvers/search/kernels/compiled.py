"""How kernels are compiled and where their machine code is kept.

Freshly compiled code and the same code loaded from the cache may differ in the last bits, since relaxed sums are
ordered as the compiler finds best and a loaded kernel calls its own copy of the helpers. So that the same seed
gives the same plans on every run, kernels are compiled in a process of its own (`solvers.search.warm`) and only ever
loaded in the one that searches.

The cache of compiled kernels is named after this package's version and the text of the kernels, so that no
stale code is ever loaded (numba/numba#1833: an edited constant went unseen). Where the user's cache folder
cannot be written, a folder for temporary files serves. NUMBA_CACHE_DIR, when set, is respected.
"""

import os
import platform
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from hashlib import sha256
from pathlib import Path
from typing import Any, TypeVar, cast

import numba
import platformdirs
from numba.core import config

from roommodes import __version__

NUMBA: Any = config  # its settings; numba declares no types for them
Function = TypeVar("Function", bound=Callable[..., Any])

# Sums may be reordered, products contracted, divisions multiplied and the sign of zero lost; NaN and infinity
# keep their meaning (fastmath=True makes isnan(nan) false, numba/numba#2919).
RELAXED = {"reassoc", "contract", "arcp", "nsz"}


def compile_once() -> None:
    """Have every kernel compiled and kept by another process, unless that was done before; some 20 s.

    Where that fails, kernels are compiled on first use in this process: the plans are as good, but may differ from
    a later run's in the last digits.
    """
    if NUMBA.DISABLE_JIT or compiled_before():
        return
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(path or os.getcwd() for path in sys.path)}
    command = [sys.executable, "-m", "solvers.search.warm"]
    with suppress(OSError, subprocess.SubprocessError):
        subprocess.run(
            command, env=environment, stdin=subprocess.DEVNULL, capture_output=True, timeout=900, check=False
        )


def compiled_before() -> bool:
    """Whether all kernels are in the cache for this source, Python and numba."""
    with _cache_folder():
        return _marker().exists()


def mark_compiled() -> None:
    """Note that all kernels are in the cache."""
    with _cache_folder(), suppress(OSError):
        _marker().touch()


def _marker() -> Path:
    parts = [numba.__version__, sys.version, platform.node()]
    for source in _sources():
        state = source.stat()
        parts += [str(source), str(state.st_mtime_ns), str(state.st_size)]
    return Path(NUMBA.CACHE_DIR) / f"complete-{sha256(repr(parts).encode()).hexdigest()[:16]}"


def _sources() -> list[Path]:
    return sorted(path for path in Path(__file__).parent.glob("*.py") if path.stem not in {"__init__", "compiled"})


def kernel(function: Function) -> Function:
    """Compile on first use without the interpreter's lock; keep the machine code for the next run."""
    with _cache_folder():
        compiled: Any = numba.njit(cache=True, nogil=True, fastmath=RELAXED, error_model="numpy")(function)
    return cast(Function, compiled)


@contextmanager
def _cache_folder() -> Iterator[None]:
    """Point numba at the folder while a kernel is declared; it looks only then."""
    before = NUMBA.CACHE_DIR
    if not (before and _writable(Path(before))):
        stamp = sha256()
        for part in _sources():
            stamp.update(part.read_bytes())
        name = f"kernels-{__version__}-{stamp.hexdigest()[:16]}"
        folder = Path(platformdirs.user_cache_dir("roommodes")) / name
        if not _writable(folder):
            folder = _private_temporary(name)
        NUMBA.CACHE_DIR = str(folder)
    try:
        yield
    finally:
        NUMBA.CACHE_DIR = before


def _writable(folder: Path) -> bool:
    """Make the folder if need be and say whether files can be put there."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=folder):
            return True
    except OSError:
        return False


def _private_temporary(name: str) -> Path:
    """A folder for temporary files that nobody else could have filled; machine code is run from it."""
    mine = str(os.getuid()) if hasattr(os, "getuid") else "user"
    folder = Path(tempfile.gettempdir()) / f"roommodes-{mine}"
    try:
        folder.mkdir(mode=0o700, exist_ok=True)
        state = folder.stat()
        safe = not hasattr(os, "getuid") or (state.st_uid == os.getuid() and not state.st_mode & 0o022)
    except OSError:
        safe = False
    if safe and _writable(folder / name):
        return folder / name
    return Path(tempfile.mkdtemp(prefix="roommodes-"))
