"""Where the jobs of a study keep their results until the results file is built, and who may work there.

The folder stands beside the results file: `<name>.jobs`, one file per finished job, named by its key. A lock in it is
held as long as a run lives; the system lets go of it when the process dies, however it dies.
"""

import contextlib
import os
from collections.abc import Collection, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from roommodes.errors import FileUnusable
from roommodes.storage.lock import take_lock
from roommodes.storage.lock_file import lock_file
from roommodes.storage.whole_file import write_whole
from roommodes.studies.records import Expected, JobRecord, read_record, software_of

FOLDER_SUFFIX = ".jobs"
LOCK_NAME, LOCK_FILE_NAME = "lock", "held.lock"
Lock = Literal["system", "file"]
LOOKED_AT = 8  # files of other jobs, to learn what made them


@dataclass(frozen=True, slots=True, kw_only=True)
class Store:
    """Finished jobs as files in a folder."""

    folder: Path

    def count(self) -> int:
        """How many files of jobs there are, finished ones of this study or not."""
        return sum(1 for _ in self.folder.glob("*.h5"))

    def path(self, key: str) -> Path:
        """The file of a job."""
        return self.folder / f"{key}.h5"

    def record(self, key: str, expected: Expected, *, mend: bool = True) -> JobRecord | None:
        """The finished job; None if there is none, or not a whole one as expected (`mend` then takes its file away)."""
        path = self.path(key)
        if not path.exists():
            return None
        try:
            return read_record(path, key, expected)
        except FileUnusable:
            if mend:
                with contextlib.suppress(OSError):
                    path.unlink()
            return None

    def other_software(self, software: str, mine: Collection[str]) -> str:
        """What to know of job files that other software wrote; empty if there are none.

        Parameters
        ----------
        software : that this study is done with.
        mine : keys of the jobs that count already.
        """
        others = [path for path in sorted(self.folder.glob("*.h5")) if path.stem not in mine]
        found = {software_of(path) for path in others[:LOOKED_AT]} - {software}
        if not found:
            return ""
        count = f"{len(others):,} finished rooms are" if len(others) > 1 else "one finished room is"
        return (
            f"{count} not used, made by other software or of another study: {'; or '.join(sorted(found))}. "
            f"This is {software}"
        )

    def save(self, key: str, data: bytes) -> None:
        """Keep a finished job: whole or not at all. FileUnusable says why it could not be written."""
        write_whole(self.path(key), data, force=True)


def store_of(output: Path) -> Store:
    """The store beside a results file."""
    target = output.resolve()
    return Store(folder=target.with_name(target.name + FOLDER_SUFFIX))


@contextlib.contextmanager
def opened(store: Store, output: Path, *, lock: Lock = "system") -> Iterator[None]:
    """Make the folder, keep others out of it, and take away what a killed run left half-written.

    Parameters
    ----------
    store, output : where finished jobs are kept, and what messages call the study.
    lock : "system" for the file system's lock, "file" for a file of its own where that knows none.

    Raises
    ------
    FileUnusable : another run works on the same results file, or the folder cannot be made.
    """
    try:
        store.folder.mkdir(exist_ok=True)
    except OSError as error:
        raise _no_place(store, error) from error
    with lock_file(store.folder / LOCK_FILE_NAME) if lock == "file" else _system_lock(store, output):
        for left in store.folder.glob(".*.part"):  # nobody else writes here as long as the lock is held
            with contextlib.suppress(OSError):
                left.unlink()
        yield


@contextlib.contextmanager
def _system_lock(store: Store, output: Path) -> Iterator[None]:
    try:
        descriptor = os.open(store.folder / LOCK_NAME, os.O_RDWR | os.O_CREAT, 0o666)
    except OSError as error:
        raise _no_place(store, error) from error
    try:
        if not take_lock(descriptor):
            raise FileUnusable(
                f"{output}: another run is at work on this study and holds {store.folder / LOCK_NAME}; "
                "wait for it, stop it, or choose another name with -o"
            )
        yield
    finally:
        os.close(descriptor)  # lets go of the lock


def _no_place(store: Store, error: OSError) -> FileUnusable:
    return FileUnusable(f"{store.folder}: cannot be used for finished jobs: {error.strerror or error}")
