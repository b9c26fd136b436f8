"""The bytes of a file that a person names: pipes, devices and files without end are not read."""

import errno
import os
import stat
from pathlib import Path
from typing import Literal

HDF5_SIGNATURE = b"\x89HDF\r\n\x1a\n"
Why = Literal["missing", "folder", "special", "empty", "too large", "no permission", "failed"]


class Unreadable(Exception):
    """Why a file was not read; callers say it in words of their own.

    Parameters
    ----------
    why : the kind of reason.
    detail : what the system said.
    size_bytes : of a file that is too large.
    """

    def __init__(self, why: Why, detail: str = "", size_bytes: int = 0) -> None:
        self.why = why
        self.detail = detail
        self.size_bytes = size_bytes
        super().__init__(f"{why} {detail}".rstrip())


def ordinary_bytes(path: Path, *, most_bytes: int) -> bytes:
    """The whole content of an ordinary file.

    A pipe or a terminal would be waited for without end, a device may do something when it is opened, and what a
    system shows as a file of no size (below /proc) may have no end: none of them is opened or read.

    Parameters
    ----------
    path : the file; symbolic links are followed.
    most_bytes : larger files are not read.

    Raises
    ------
    Unreadable : it is anything else, empty, larger, or the system does not give it.
    """
    try:
        _check(os.stat(path), most_bytes)
        descriptor = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0))
        with os.fdopen(descriptor, "rb") as stream:
            _check(os.fstat(stream.fileno()), most_bytes)  # it may be another file by now
            data = stream.read(most_bytes + 1)
    except (OSError, ValueError) as error:  # ValueError: a name with a zero byte
        raise Unreadable(*_reason(error)) from None
    if len(data) > most_bytes:
        raise Unreadable("too large", size_bytes=len(data))
    if not data:
        raise Unreadable("empty")
    return data


def starts_with(path: Path, signature: bytes) -> bool:
    """Whether a file is an ordinary one that begins like this; False for whatever cannot be read."""
    try:
        if not stat.S_ISREG(os.stat(path).st_mode):
            return False
        with open(path, "rb") as stream:
            return stream.read(len(signature)) == signature
    except (OSError, ValueError):
        return False


def _check(state: os.stat_result, most_bytes: int) -> None:
    if stat.S_ISDIR(state.st_mode):
        raise Unreadable("folder")
    if not stat.S_ISREG(state.st_mode):
        raise Unreadable("special")
    if state.st_size == 0:
        raise Unreadable("empty")
    if state.st_size > most_bytes:
        raise Unreadable("too large", size_bytes=state.st_size)


def _reason(error: OSError | ValueError) -> tuple[Why, str]:
    if not isinstance(error, OSError):
        return "failed", str(error)
    kinds: dict[int, Why] = {
        errno.ENOENT: "missing",
        errno.ENOTDIR: "missing",
        errno.EACCES: "no permission",
        errno.EPERM: "no permission",
        errno.EISDIR: "folder",
    }
    return kinds.get(error.errno or 0, "failed"), (error.strerror or str(error)).lower()
