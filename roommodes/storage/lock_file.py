"""A lock that is a file of its own, for file systems without the system's locks (`lock`): whoever creates it holds it.

Creating a file that must not be there yet is one step on every file system in use, shared ones included. Nobody takes
such a file away when its maker dies: on the same machine a dead process is seen and its lock taken over, on another one
a person must decide.
"""

import contextlib
import json
import os
import socket
import sys
from collections.abc import Iterator
from pathlib import Path
from uuid import uuid4

from roommodes.errors import FileUnusable
from roommodes.storage.stamp import now_utc


@contextlib.contextmanager
def lock_file(path: Path) -> Iterator[None]:
    """Hold the lock file as long as the block lasts.

    Raises
    ------
    FileUnusable : somebody holds it, or it cannot be created; the message says who and since when.
    """
    mine = json.dumps({"host": socket.gethostname(), "process": os.getpid(), "since_utc": now_utc(), "id": uuid4().hex})
    _take(path, mine)
    try:
        yield
    finally:
        with contextlib.suppress(OSError):
            if path.read_text(encoding="utf-8") == mine:
                path.unlink()


def _take(path: Path, mine: str) -> None:
    for _ in range(2):
        try:
            descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o644)
        except FileExistsError:
            if not _set_aside(path):
                raise FileUnusable(f"{path}: {_holder_words(path)}") from None
            continue
        except OSError as error:
            raise FileUnusable(f"{path}: cannot be created: {error.strerror or error}") from error
        with os.fdopen(descriptor, "w", encoding="utf-8") as file:
            file.write(mine)
        return
    raise FileUnusable(f"{path}: {_holder_words(path)}")


def _set_aside(path: Path) -> bool:
    """Take away the lock of a process of this machine that is dead; False where it is not known to be."""
    try:
        text = path.read_text(encoding="utf-8")
        holder = json.loads(text)
        host, process = str(holder["host"]), int(holder["process"])
    except (OSError, ValueError, KeyError, TypeError):
        return False
    if host != socket.gethostname() or _lives(process):
        return False
    aside = path.with_name(f".{path.name}.{uuid4().hex}.part")
    try:
        path.rename(aside)
        if aside.read_text(encoding="utf-8") != text:  # another run was quicker, and holds it
            os.link(aside, path)
            return False
    except OSError:
        return False
    finally:
        aside.unlink(missing_ok=True)
    return True


def _lives(process: int) -> bool:
    """Whether a process of this machine runs; where that cannot be asked, yes."""
    if sys.platform == "win32" or process <= 0:
        return True
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except OSError:
        return True
    return True


def _holder_words(path: Path) -> str:
    try:
        holder = json.loads(path.read_text(encoding="utf-8"))
        who = f"process {holder['process']} on {holder['host']} holds it since {holder['since_utc']}"
    except (OSError, ValueError, KeyError, TypeError):
        who = "somebody holds it"
    return f"another run is at work there: {who}; wait for it, or delete this file once you know that the run has ended"
