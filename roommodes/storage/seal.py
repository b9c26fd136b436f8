"""The seal at the end of every HDF5 file of ours: it tells whether a bit of the file has changed since it was written.

Behind the HDF5 image stands one line of text with the SHA-256 of all bytes before it. HDF5 libraries pass over it, and
take it away when they change a file. It guards against damage, not against somebody who means to deceive.
"""
# ruff: noqa: PLC0415 (every command starts with this file: hashlib waits until it is needed)

import os
from pathlib import Path
from typing import Literal

_HEAD = b"\nroommodes seal, SHA-256 of all before this line: "
LENGTH = len(_HEAD) + 64 + 1  # bytes
State = Literal["whole", "none", "broken"]


def sealed(image: bytes) -> bytes:
    """A file's bytes with their seal."""
    return image + _HEAD + _digest(image)


def seal_state(data: bytes) -> State:
    """Whether the bytes of a file are those that were sealed.

    ``none`` where it has no seal: written before there were seals, by another program, or changed by one.
    """
    end = max(0, len(data) - LENGTH)
    if data[end : end + len(_HEAD)] == _HEAD:
        given = data[end + len(_HEAD) :]
        return "whole" if given == _digest(memoryview(data)[:end]) else "broken"
    # What follows where HDF5's superblock (versions 2 and 3) says that the image ends may be a damaged or cut seal.
    image_end = int.from_bytes(data[28:36], "little") if data[8:9] in (b"\x02", b"\x03") else len(data)
    rest = data[image_end:]
    return "broken" if rest and (len(rest) == LENGTH or _HEAD.startswith(rest[: len(_HEAD)])) else "none"


def is_sealed(path: Path) -> bool:
    """Whether a file ends with a seal, broken or not; False for whatever cannot be read."""
    try:
        with path.open("rb") as stream:
            stream.seek(-LENGTH, os.SEEK_END)
            return stream.read(len(_HEAD)) == _HEAD
    except (OSError, ValueError):
        return False


def _digest(data: bytes | memoryview) -> bytes:
    """SHA-256 in hexadecimal digits, with the end of its line."""
    from hashlib import sha256

    return sha256(data).hexdigest().encode() + b"\n"
