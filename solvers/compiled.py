"""How kernels are compiled and where their machine code is kept.

The cache of compiled kernels is named after this package's version and the text of the kernels, so that no
stale code is ever loaded (numba/numba#1833: an edited constant went unseen). Where the user's cache folder
cannot be written, a folder for temporary files serves. NUMBA_CACHE_DIR, when set, is respected.
"""

import os
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
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


def kernel(function: Function) -> Function:
    """Compile on first use without the interpreter's lock; keep the machine code for the next run."""
    with _cache_folder(Path(function.__code__.co_filename)):
        compiled: Any = numba.njit(cache=True, nogil=True, fastmath=RELAXED, error_model="numpy")(function)
    return cast(Function, compiled)


@contextmanager
def _cache_folder(source: Path) -> Iterator[None]:
    """Point numba at the folder while a kernel is declared; it looks only then."""
    before = NUMBA.CACHE_DIR
    if not (before and _writable(Path(before))):
        stamp = sha256()
        for part in sorted(source.parent.glob("kernels_*.py")):
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
