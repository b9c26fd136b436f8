"""Files that appear whole or not at all.

A file is written beside its target, forced to the disk and moved into place; whatever goes wrong on the way,
nothing half-written ever stands under the asked-for name and the temporary is taken away again. What a killed process
left is taken away by the next that writes the same file: a temporary is locked as long as somebody writes it.
"""

import contextlib
import errno
import os
import re
import shutil
import stat
from collections.abc import Iterator
from contextvars import ContextVar
from pathlib import Path
from time import time
from typing import BinaryIO

from roommodes.errors import FileUnusable
from roommodes.storage.lock import take_lock

_STALE_S = 1.0  # age of a temporary that nobody holds: its writer has had time to lock it
_WRITTEN: ContextVar[list[tuple[Path, int]] | None] = ContextVar("files written, and their inodes", default=None)
_NO_HARD_LINKS = (errno.EPERM, errno.EOPNOTSUPP, errno.ENOSYS, errno.EMLINK, errno.EINVAL, errno.EACCES)


def check_target(path: Path, *, force: bool, needed_bytes: int = 0) -> None:
    """Make sure that a file can be written later, before long work starts.

    Parameters
    ----------
    path : the file to be written.
    force : an existing file may be replaced.
    needed_bytes : about how much will be written [bytes].

    Raises
    ------
    FileUnusable : the file exists, the folder is missing or closed to writing, or the disk is too full.
    """
    _refuse_existing(path, force=force)
    probe, descriptor = _open_beside(path)
    free = None
    try:
        with contextlib.suppress(OSError):
            os.close(descriptor)
        with contextlib.suppress(OSError):  # not every file system tells
            free = shutil.disk_usage(probe.parent).free
    finally:
        _remove(probe)
    if free is not None and free < needed_bytes:
        raise FileUnusable(
            f"{path}: about {_megabytes(needed_bytes)} will be needed, but only {_megabytes(free)} are free "
            "there; make room or choose another folder"
        )


def write_whole(path: Path, data: bytes, *, force: bool) -> None:
    """Write a file so that it appears under its name complete, or not at all.

    Parameters
    ----------
    path : the file to be written; a symbolic link is followed.
    data : the whole content.
    force : an existing file is replaced (it keeps its permissions); without it, it is refused.

    Raises
    ------
    FileUnusable : the file exists, or cannot be written.
    """
    _refuse_existing(path, force=force)
    target = _resolved(path)
    temporary, descriptor = _open_beside(path)
    try:
        with _closed_at_last(os.fdopen(descriptor, "wb")) as file:
            _note(path, os.fstat(descriptor).st_ino)
            if target.exists():
                os.fchmod(file.fileno(), stat.S_IMODE(target.stat().st_mode))
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
            _move(temporary, target, force=force)
    except FileExistsError:
        raise _exists(path) from None
    except OSError as error:
        raise _cannot_write(path, error) from error
    finally:
        _remove(temporary)
    _sync_folder(target.parent)


@contextlib.contextmanager
def _closed_at_last(file: BinaryIO) -> Iterator[BinaryIO]:
    """Close a file in the end; an error then changes nothing, since what counts was forced to the disk before."""
    try:
        yield file
    finally:
        with contextlib.suppress(OSError):
            file.close()


@contextlib.contextmanager
def noting_written() -> Iterator["Written"]:
    """Note what `write_whole` writes meanwhile, in this thread."""
    noted: list[tuple[Path, int]] = []
    token = _WRITTEN.set(noted)
    try:
        yield Written(noted)
    finally:
        _WRITTEN.reset(token)


class Written:
    """The files that were written whole, however the work ended."""

    def __init__(self, noted: list[tuple[Path, int]]) -> None:
        self._noted = noted

    def paths(self) -> list[Path]:
        """Those that stand under their names now."""
        return list(dict.fromkeys(path for path, inode in self._noted if _inode(path) == inode))


def _note(path: Path, inode: int) -> None:
    if (noted := _WRITTEN.get()) is not None:
        noted.append((path, inode))


def _inode(path: Path) -> int | None:
    try:
        return path.stat().st_ino
    except OSError:
        return None


def _refuse_existing(path: Path, *, force: bool) -> None:
    try:
        mode = path.stat().st_mode
    except FileNotFoundError:
        return
    except OSError as error:
        raise _cannot_write(path, error) from error
    if stat.S_ISDIR(mode):
        raise FileUnusable(f"{path}: is a folder; give the name of a file")
    if not stat.S_ISREG(mode):
        raise FileUnusable(f"{path}: is not a regular file; give the name of a file")
    if not force:
        raise _exists(path)


def _open_beside(path: Path) -> tuple[Path, int]:
    """A new temporary in the target's folder, and its descriptor, locked; abandoned ones of the same target go."""
    target = _resolved(path)
    # The name is cut so that the temporary's stays within what file systems allow (255 bytes).
    stem = os.fsdecode(os.fsencode(target.name)[:200])
    temporary = target.with_name(f".{stem}.{os.urandom(6).hex()}.part")
    take_away_abandoned(target.parent, stem)
    try:
        descriptor = os.open(temporary, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o666)
    except OSError as error:
        raise _cannot_write(path, error) from error
    take_lock(descriptor)
    return temporary, descriptor


def take_away_abandoned(folder: Path, stem: str | None = None) -> None:
    """Remove temporaries that nobody writes any more: of one target's name, or all in the folder."""
    pattern = re.compile(r"\." + (".+" if stem is None else re.escape(stem)) + r"\.[0-9a-f]{12}\.part")
    with contextlib.suppress(OSError), os.scandir(folder) as entries:
        left = [entry.path for entry in entries if pattern.fullmatch(entry.name)]
        for name in left:
            with contextlib.suppress(OSError):
                descriptor = os.open(name, os.O_RDWR)
                try:
                    if time() - os.fstat(descriptor).st_mtime > _STALE_S and take_lock(descriptor):
                        os.unlink(name)
                finally:
                    os.close(descriptor)


def _resolved(path: Path) -> Path:
    """The target without links; FileUnusable where that cannot be told."""
    try:
        return path.resolve()
    except OSError as error:
        raise _cannot_write(path, error) from error
    except RuntimeError as error:  # links that lead round
        raise _cannot_write(path, OSError(errno.ELOOP, str(error))) from error


def _move(temporary: Path, target: Path, *, force: bool) -> None:
    if not force:  # a hard link never replaces what has appeared there meanwhile
        try:
            os.link(temporary, target)
            return
        except OSError as error:
            if error.errno not in _NO_HARD_LINKS or target.exists():
                raise
    os.replace(temporary, target)


def _sync_folder(folder: Path) -> None:
    with contextlib.suppress(OSError):  # not every system lets a folder be opened; the file itself is safe
        descriptor = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)


def _remove(path: Path) -> None:
    with contextlib.suppress(OSError):
        path.unlink()


def _exists(path: Path) -> FileUnusable:
    return FileUnusable(f"{path}: exists already and is left as it is; choose another name, or replace it with --force")


def _cannot_write(path: Path, error: OSError) -> FileUnusable:
    folder = path.parent
    if error.errno == errno.ENOENT and not folder.is_absolute() and _working_folder_is_gone():
        return FileUnusable(f"{path}: cannot be written: the working folder was deleted; change to one that exists")
    advice = {
        errno.ENOENT: f"the folder {folder} does not exist; make it first or choose another",
        errno.ENOTDIR: f"{folder} is not a folder; choose another place",
        errno.EACCES: f"no permission to write in {folder}; choose another folder",
        errno.EPERM: f"no permission to write in {folder}; choose another folder",
        errno.EROFS: f"{folder} can only be read; choose another folder",
        errno.ENOSPC: "the disk is full; nothing was written; make room or choose another folder",
        errno.EDQUOT: "your share of the disk is used up; nothing was written; make room there",
        errno.ENAMETOOLONG: "the name is too long for the file system; choose a shorter one",
        errno.ELOOP: "the links lead round in a circle; choose another name",
    }
    reason = advice.get(error.errno or 0, error.strerror or str(error))
    return FileUnusable(f"{path}: cannot be written: {reason}")


def _working_folder_is_gone() -> bool:
    try:
        os.getcwd()
    except FileNotFoundError:
        return True
    return False


def _megabytes(count: int) -> str:
    return f"{count / 1e6:.1f} MB"
