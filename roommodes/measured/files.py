"""The result of reading one measurement file, a spectrum or an impulse response, and the faults of a file."""

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from roommodes.arrays import Complexes, Floats
from roommodes.errors import Fault
from roommodes.storage.ordinary_file import Unreadable, ordinary_bytes

MOST_BYTES = 200_000_000
SHOWN = 3  # faults of one kind that are told one by one


class FileFaulty(Exception):
    """A measurement file that cannot be used; carries its faults. `load_manifest` gathers them."""

    def __init__(self, faults: Sequence[Fault], *, unreadable: bool = False) -> None:
        self.faults = tuple(faults)
        self.unreadable = unreadable
        super().__init__("; ".join(fault.message for fault in faults))


def faulty(message: str, *, line: int | None = None, unreadable: bool = False) -> FileFaulty:
    """One fault of a file; `load_manifest` adds the file's name."""
    return FileFaulty([Fault(where="", message=message, line=line)], unreadable=unreadable)


@dataclass(frozen=True, slots=True, kw_only=True)
class Spectrum:
    """A transfer function as a file holds it.

    Parameters
    ----------
    hz : (n,) rising [Hz].
    value : (n,) complex128, e^{+j omega t}.
    line : (n,) line of each point in its file; empty for files without lines.
    """

    hz: Floats
    value: Complexes
    line: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Impulse:
    """An impulse response as a file holds it.

    Parameters
    ----------
    sample : (n,) float64; time zero is the first.
    rate_hz : sample rate [Hz].
    """

    sample: Floats
    rate_hz: float

    @property
    def start_s(self) -> float:
        """When the response first comes within 20 dB of its largest value [s]."""
        size = np.abs(self.sample)
        return float(np.argmax(size >= 0.1 * size.max()) / self.rate_hz)


def read_bytes(path: Path) -> bytes:
    """The content of a measurement file.

    Raises
    ------
    FileFaulty : it is missing, not a file, unreadable, empty or far too large.
    """
    try:
        return ordinary_bytes(path, most_bytes=MOST_BYTES)
    except Unreadable as fault:
        size = fault.size_bytes / 1e6
        words = {
            "missing": "there is no such file; check the name in the manifest.",
            "folder": "this is not an ordinary file; name the file itself.",
            "special": "this is not an ordinary file; name the file itself.",
            "empty": "the file is empty; export the measurement again.",
            "too large": f"it has {size:.0f} MB; allowed: up to {MOST_BYTES / 1e6:g} MB. Is it the right file?",
        }
        message = words.get(fault.why, f"it cannot be read ({fault.detail}).")
        raise faulty(message, unreadable=fault.why not in {"empty", "too large"}) from None


def fingerprint(data: bytes) -> str:
    """SHA-256 of a file's content, 64 hexadecimal digits."""
    return hashlib.sha256(data).hexdigest()
