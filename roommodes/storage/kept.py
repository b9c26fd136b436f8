"""Arrays kept between runs: fields and modes of rooms, and filters, where nothing that they rest on has changed since.

A file is named by all that its arrays depend on: what is asked, the program's code, the libraries and the kind of
processor. It carries a checksum; one that is damaged is as none, and made again. The folder is limited in size, what
was not used for longest goes first, and it may be deleted at any time.
"""

import contextlib
import os
import stat
import tempfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, fields, is_dataclass
from hashlib import sha256
from io import BytesIO
from pathlib import Path
from time import monotonic, time
from typing import Any
from zipfile import BadZipFile

import numpy as np
from numpy.typing import NDArray

Arrays = dict[str, NDArray[Any]]

HEAD = b"roommodes arrays 1\n"
SUFFIX, UNFINISHED = ".arrays", ".part"
MOST_BYTES = 500_000_000  # of the folder
LARGEST = 0.25  # part of it that one file may take
LEAST_S = 0.1
ABANDONED_S = 3600.0  # an unfinished file this old is nobody's


class Unnameable(TypeError):
    """Something that cannot be told from its content."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """A folder of arrays. Nothing fails for it: what cannot be read is worked out, what cannot be written is let be.

    Parameters
    ----------
    folder : where the files lie; it is made when the first is written.
    software : says what computes, asked once something is to be named.
    most_bytes : of all files together.
    least_s : what is worked out in less is not worth a file [s].
    """

    folder: Path
    software: Callable[[], str]
    most_bytes: int = MOST_BYTES
    least_s: float = LEAST_S

    def arrays(
        self,
        kind: str,
        asked: Sequence[object],
        make: Callable[[], Mapping[str, NDArray[Any]]],
        *,
        always: bool = False,
    ) -> Arrays:
        """The arrays kept for what is asked, or those that `make` works out, which are then kept.

        Parameters
        ----------
        kind : what they are.
        asked : all that they depend on: numbers, text, arrays, tuples, mappings and frozen data of these.
        make : works them out.
        always : keep them even if that took less than `least_s`: what it loads takes longer.
        """
        try:
            path = self._path(kind, asked)
        except Unnameable:
            return dict(make())
        if (found := _read(path, self.largest)) is not None:
            return found
        begun = monotonic()
        made = dict(make())
        if always or monotonic() - begun >= self.least_s:
            self._keep(path, made)
        return made

    @property
    def largest(self) -> int:
        """What one file may take [bytes]."""
        return int(LARGEST * self.most_bytes)

    def _path(self, kind: str, asked: Sequence[object]) -> Path:
        digest = sha256()
        for part in _parts((kind, self.software(), tuple(asked))):
            digest.update(b"%d:" % len(part) + part)
        return self.folder / f"{kind}-{digest.hexdigest()[:40]}{SUFFIX}"

    def _keep(self, path: Path, arrays: Arrays) -> None:
        image = BytesIO()
        np.savez(image, allow_pickle=False, **arrays)
        body = image.getvalue()
        if len(body) > self.largest:
            return
        with contextlib.suppress(OSError):
            self.folder.mkdir(parents=True, exist_ok=True)
            self._make_room(len(body))
            descriptor, name = tempfile.mkstemp(suffix=UNFINISHED, dir=self.folder)
            try:
                with os.fdopen(descriptor, "wb") as file:
                    file.write(HEAD + _digest(path, body) + body)
                os.replace(name, path)
            except BaseException:
                os.unlink(name)
                raise

    def _make_room(self, needed: int) -> None:
        """Take away what was not used for longest, until as many bytes are free within the limit."""
        files, now = [], time()
        for entry in os.scandir(self.folder):
            with contextlib.suppress(OSError):
                about = entry.stat(follow_symlinks=False)
                if entry.name.endswith(SUFFIX):
                    files.append((about.st_mtime, about.st_size, entry.path))
                elif entry.name.endswith(UNFINISHED) and now - about.st_mtime > ABANDONED_S:
                    os.unlink(entry.path)
        total = needed + sum(size for _, size, _ in files)
        for _, size, name in sorted(files):
            if total <= self.most_bytes:
                break
            with contextlib.suppress(OSError):
                os.unlink(name)
                total -= size


def _read(path: Path, largest: int) -> Arrays | None:
    """The arrays of a file; None where there is none, or where it is damaged."""
    try:
        descriptor = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0))
        with os.fdopen(descriptor, "rb") as file:
            if not stat.S_ISREG(os.fstat(descriptor).st_mode):
                return None
            image = file.read(largest + 1024)
        start = len(HEAD) + sha256().digest_size
        body = image[start:]
        if image[:start] != HEAD + _digest(path, body):
            return None
        with np.load(BytesIO(body), allow_pickle=False) as found:
            arrays = {name: found[name] for name in found.files}
        with contextlib.suppress(OSError):
            os.utime(path)
    except (OSError, ValueError, BadZipFile):
        return None
    return arrays


def _digest(path: Path, body: bytes) -> bytes:
    """Of the content under its name, so that a file that was renamed is damaged."""
    return sha256(os.fsencode(path.name) + b"\0" + body).digest()


def _parts(value: object) -> Iterator[bytes]:
    """What tells a value from every other, in pieces."""
    if value is None or isinstance(value, bool | int | str):
        yield f"{type(value).__name__} {value}".encode()
    elif isinstance(value, float):
        yield f"float {value.hex()}".encode()
    elif isinstance(value, complex):
        yield f"complex {value.real.hex()} {value.imag.hex()}".encode()
    elif isinstance(value, np.ndarray) and value.dtype.kind in "biufc":
        yield f"array {value.dtype.str} {value.shape}".encode()
        yield np.ascontiguousarray(value).tobytes()
    elif isinstance(value, tuple | list):
        yield f"{len(value)} in order".encode()
        for one in value:
            yield from _parts(one)
    elif isinstance(value, Mapping):
        yield f"{len(value)} by name".encode()
        for name in sorted(value):
            yield from _parts(name)
            yield from _parts(value[name])
    elif isinstance(value, np.generic):
        yield from _parts(np.asarray(value))
    elif is_dataclass(value) and not isinstance(value, type):
        yield f"{type(value).__module__}.{type(value).__qualname__}".encode()
        for field in fields(value):
            yield from _parts(getattr(value, field.name))
    else:
        raise Unnameable(type(value).__name__)
