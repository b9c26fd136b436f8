"""Opens HDF5 files of unknown origin without following them out of themselves.

An HDF5 file can name other files (external links, external storage, virtual datasets), call plug-ins
(filters) and claim sizes far beyond its own. Nothing of that belongs in a file of ours, so all of it is
refused, before any data is read.
"""

import contextlib
import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import h5py

from roommodes.errors import FileUnusable

MAX_TOTAL_BYTES = 2**30  # all datasets together, unpacked
MAX_CHUNK_BYTES = 2**28
MAX_OBJECTS = 2000
MAX_DEPTH = 4
_LOW: Any = h5py  # the low-level interface, which the stubs leave out
_PLAIN_FILTERS = {_LOW.h5z.FILTER_DEFLATE, _LOW.h5z.FILTER_SHUFFLE, _LOW.h5z.FILTER_FLETCHER32}


@contextlib.contextmanager
def guarded_file(path: Path, *, kind: str = "plan", made_by: str = "roommodes optimise") -> Iterator[h5py.File]:
    """Open a file for reading and check its structure.

    Parameters
    ----------
    path : the file.
    kind, made_by : what it should be, and the command that writes such files, for messages.

    Raises
    ------
    FileUnusable : missing, unreadable, not HDF5, damaged, or holding something that is refused.
    """
    try:
        file = h5py.File(str(path), "r", locking=False)  # files are replaced whole, never changed in place
    except (OSError, RuntimeError) as error:
        raise FileUnusable(_why_not_open(path, error, kind, made_by)) from error
    try:
        with file:
            _check_group(path, file)
            yield file
    except (OSError, RuntimeError, TypeError, ValueError, KeyError, UnicodeError, MemoryError) as error:
        raise FileUnusable(f"{path}: is damaged or not written by this program ({error}); write it anew") from error


def _why_not_open(path: Path, error: Exception, kind: str, made_by: str) -> str:
    if path.is_dir():
        return f"{path}: is a folder; give the name of a {kind} file"
    if not path.exists():
        return f"{path}: does not exist; check the name, or write a {kind} with {made_by}"
    if isinstance(error, PermissionError):
        return f"{path}: no permission to read it"
    if path.stat().st_size == 0:
        return f"{path}: is empty; write the {kind} anew with {made_by}"
    return f"{path}: cannot be read as an HDF5 file: it is of another kind, cut short or damaged"


def _check_group(path: Path, root: Any) -> None:
    """Walk over all objects by hard links alone; raise on the first that is refused."""
    total = 0
    seen = 0
    open_groups: list[tuple[Any, int]] = [(root, 0)]
    while open_groups:
        group, depth = open_groups.pop()
        if depth > MAX_DEPTH or len(group) > MAX_OBJECTS:
            raise FileUnusable(f"{path}: is nested or split more than any file of ours; it is not read")
        for name in group:
            seen += 1
            if seen > MAX_OBJECTS:
                raise FileUnusable(f"{path}: holds over {MAX_OBJECTS} objects, far more than ours do; it is not read")
            place = f"{group.name.rstrip('/')}/{name}"
            if not isinstance(group.get(name, getlink=True), _LOW.HardLink):
                raise FileUnusable(f"{path}: {place} is a link to elsewhere; such files are not read")
            item = group[name]
            if isinstance(item, h5py.Group):
                open_groups.append((item, depth + 1))
            elif isinstance(item, h5py.Dataset):
                total += _checked_bytes(path, item)
            else:
                raise FileUnusable(f"{path}: {place} is neither a group nor a dataset; such files are not read")
            if total > MAX_TOTAL_BYTES:
                raise FileUnusable(f"{path}: claims over {MAX_TOTAL_BYTES / 2**30:.0f} GiB of data; it is not read")


def _checked_bytes(path: Path, dataset: Any) -> int:
    """Unpacked size of a dataset that keeps its data in this file and needs no plug-in [bytes]."""
    settings = dataset.id.get_create_plist()
    layout = settings.get_layout()
    if layout == _LOW.h5d.VIRTUAL or settings.get_external_count() > 0:
        raise FileUnusable(f"{path}: {dataset.name} keeps its data in another file; such files are not read")
    filters = {settings.get_filter(index)[0] for index in range(settings.get_nfilters())}
    if not filters <= _PLAIN_FILTERS:
        raise FileUnusable(
            f"{path}: {dataset.name} is packed with filters {sorted(filters - _PLAIN_FILTERS)}; "
            "allowed are deflate, shuffle and fletcher32"
        )
    item_bytes = max(dataset.id.get_type().get_size(), 1)
    if layout == _LOW.h5d.CHUNKED and math.prod(settings.get_chunk()) * item_bytes > MAX_CHUNK_BYTES:
        raise FileUnusable(f"{path}: {dataset.name} has chunks of over {MAX_CHUNK_BYTES / 2**20:.0f} MiB; not read")
    return int(math.prod(dataset.shape or ()) * item_bytes)
