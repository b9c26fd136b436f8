"""Reads HDF5 files of unknown origin without following them out of themselves, and within limits.

An HDF5 file can name other files (external links, external storage, virtual datasets), call plug-ins (filters), claim
sizes far beyond its own, and drive the library round in circles. Nothing of that belongs in a file of ours. So a file
is read into memory whole, its seal is checked (`seal`), its structure is walked before any data are read, and all of
that is tried in a child process with limits first (`limited`).
"""

import contextlib
import math
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, TypeVar

import h5py

from roommodes.errors import FileUnusable
from roommodes.storage.limited import Failed, Limits, try_first
from roommodes.storage.ordinary_file import Unreadable, ordinary_bytes
from roommodes.storage.seal import seal_state

MOST_FILE_BYTES = 2**30
MAX_TOTAL_BYTES = 2**30  # all datasets together, unpacked
MAX_CHUNK_BYTES = 2**28
MOST_UNPACKED = 100  # times the size of the file, unpacked; measured and modelled responses hardly pack at all
FREE_BYTES = 2**26  # unpacked whatever the file's size
MAX_OBJECTS = 2000
MAX_DEPTH = 4
LIMITS = Limits()
_LOW: Any = h5py  # the low-level interface, which the stubs leave out
_PLAIN_FILTERS = {_LOW.h5z.FILTER_DEFLATE, _LOW.h5z.FILTER_SHUFFLE, _LOW.h5z.FILTER_FLETCHER32}
T = TypeVar("T")


def read_guarded(
    path: Path,
    reader: Callable[[h5py.File], T],
    *,
    kind: str = "plan",
    made_by: str = "roommodes optimise",
    own: bool = False,
) -> T:
    """What a reader takes from a file of unknown origin.

    Parameters
    ----------
    path : the file.
    reader : takes what it wants from the open file; it is called twice, first in a process of its own.
    kind, made_by : what the file should be, and the command that writes such files, for messages.
    own : nobody but this program writes where the file stands: where its seal is whole, it is read once.

    Raises
    ------
    FileUnusable : missing, unreadable, not HDF5, damaged, holding something that is refused, or what `reader` raises.
    """
    try:
        data = ordinary_bytes(path, most_bytes=MOST_FILE_BYTES)
    except Unreadable as unreadable:
        raise FileUnusable(_why_not_read(path, unreadable, kind, made_by)) from None
    return read_guarded_bytes(data, reader, name=str(path), kind=kind, own=own)


def read_guarded_bytes(
    data: bytes, reader: Callable[[h5py.File], T], *, name: str, kind: str = "plan", own: bool = False
) -> T:
    """The same from the bytes of a file; `name` is what messages call it."""
    state = seal_state(data)
    if state == "broken":
        raise FileUnusable(
            f"{name}: is damaged: its contents are not those that were written (its checksum differs); "
            "take another copy, or write it anew"
        )

    walked = False
    if not (own and state == "whole"):
        try:
            with _nobody_in_the_library():
                walked = try_first(lambda: _read(data, reader, name, walk=True), LIMITS, told=FileUnusable)
        except Failed as failed:
            raise FileUnusable(f"{name}: {failed}; it is not read") from None
    return _read(data, reader, name, walk=not walked)


def _read(data: bytes, reader: Callable[[h5py.File], T], name: str, *, walk: bool) -> T:
    with _opened(data, name) as file:
        if walk:
            _check_group(name, file, len(data))
        return reader(file)


@contextlib.contextmanager
def _opened(data: bytes, name: str) -> Iterator[h5py.File]:
    """The file; every complaint of the library in our words."""
    try:
        access = _LOW.h5p.create(_LOW.h5p.FILE_ACCESS)
        access.set_fapl_core(backing_store=False)
        access.set_file_image(data)
        file = h5py.File(_LOW.h5f.open(b"image", flags=_LOW.h5f.ACC_RDONLY, fapl=access))
    except (OSError, RuntimeError, ValueError) as error:
        text = "cannot be read as an HDF5 file: it is of another kind, cut short or damaged"
        raise FileUnusable(f"{name}: {text}") from error
    try:
        with file:
            yield file
    except (OSError, RuntimeError, TypeError, ValueError, KeyError, UnicodeError) as error:
        raise FileUnusable(f"{name}: is damaged or not written by this program ({error}); write it anew") from error


def _nobody_in_the_library() -> contextlib.AbstractContextManager[object]:
    """h5py's lock, so that a fork finds the library at rest; nothing where h5py keeps it elsewhere."""
    lock: contextlib.AbstractContextManager[object] | None = getattr(_LOW._objects, "phil", None)
    return contextlib.nullcontext() if lock is None else lock


def _why_not_read(path: Path, unreadable: Unreadable, kind: str, made_by: str) -> str:
    words = {
        "missing": f"does not exist; check the name, or write a {kind} with {made_by}",
        "folder": f"is a folder; give the name of a {kind} file",
        "special": f"is not an ordinary file; give the name of a {kind} file",
        "empty": f"is empty; write the {kind} anew with {made_by}",
        "too large": f"has {unreadable.size_bytes / 2**20:,.0f} MiB; files of ours have up to "
        f"{MOST_FILE_BYTES / 2**20:,.0f} MiB; it is not read",
        "no permission": "no permission to read it",
        "failed": f"cannot be read ({unreadable.detail})",
    }
    return f"{path}: {words[unreadable.why]}"


def _check_group(name: str, root: Any, file_bytes: int) -> None:
    """Walk over all objects by hard links alone; raise on the first that is refused."""
    total = 0
    seen = 0
    open_groups: list[tuple[Any, int]] = [(root, 0)]
    while open_groups:
        group, depth = open_groups.pop()
        if depth > MAX_DEPTH or len(group) > MAX_OBJECTS:
            raise FileUnusable(f"{name}: is nested or split more than any file of ours; it is not read")
        for key in group:
            seen += 1
            if seen > MAX_OBJECTS:
                raise FileUnusable(f"{name}: holds over {MAX_OBJECTS} objects, far more than ours do; it is not read")
            place = f"{group.name.rstrip('/')}/{key}"
            if not isinstance(group.get(key, getlink=True), _LOW.HardLink):
                raise FileUnusable(f"{name}: {place} is a link to elsewhere; such files are not read")
            item = group[key]
            if isinstance(item, h5py.Group):
                open_groups.append((item, depth + 1))
            elif isinstance(item, h5py.Dataset):
                total += _checked_bytes(name, item)
            else:
                raise FileUnusable(f"{name}: {place} is neither a group nor a dataset; such files are not read")
            if total > MAX_TOTAL_BYTES:
                raise FileUnusable(f"{name}: claims over {MAX_TOTAL_BYTES / 2**30:.0f} GiB of data; it is not read")
    if total > max(FREE_BYTES, MOST_UNPACKED * file_bytes):
        raise FileUnusable(
            f"{name}: claims {total / 2**20:,.0f} MiB of data in {file_bytes / 2**20:.1f} MiB; it is not read"
        )


def _checked_bytes(name: str, dataset: Any) -> int:
    """Unpacked size of a dataset that keeps its data in this file and needs no plug-in [bytes]."""
    settings = dataset.id.get_create_plist()
    layout = settings.get_layout()
    if layout == _LOW.h5d.VIRTUAL or settings.get_external_count() > 0:
        raise FileUnusable(f"{name}: {dataset.name} keeps its data in another file; such files are not read")
    filters = {settings.get_filter(index)[0] for index in range(settings.get_nfilters())}
    if not filters <= _PLAIN_FILTERS:
        raise FileUnusable(
            f"{name}: {dataset.name} is packed with filters {sorted(filters - _PLAIN_FILTERS)}; "
            "allowed are deflate, shuffle and fletcher32"
        )
    item_bytes = max(dataset.id.get_type().get_size(), 1)
    if layout == _LOW.h5d.CHUNKED and math.prod(settings.get_chunk()) * item_bytes > MAX_CHUNK_BYTES:
        raise FileUnusable(f"{name}: {dataset.name} has chunks of over {MAX_CHUNK_BYTES / 2**20:.0f} MiB; not read")
    return int(math.prod(dataset.shape or ()) * item_bytes)
