"""How something was made, as files say it: seed, version, time."""

from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import h5py

from roommodes.storage.fields import read_attribute
from roommodes.version import __version__


def now_utc() -> str:
    """The time in ISO 8601, with Z."""
    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


@dataclass(frozen=True, slots=True, kw_only=True)
class Made:
    """How the contents of a file were computed.

    Parameters
    ----------
    seed : of the random numbers.
    software_version : of the program.
    created_utc : when; ISO 8601, with Z.
    """

    seed: int
    software_version: str
    created_utc: str

    @classmethod
    def now(cls, seed: int) -> "Made":
        """Now, by this version."""
        return cls(seed=seed, software_version=__version__, created_utc=now_utc())

    @classmethod
    def read(cls, path: Path, file: h5py.File) -> "Made":
        """From a file's root attributes; FileUnusable where one is missing."""
        return cls(
            seed=read_attribute(path, file, "seed", int),
            software_version=read_attribute(path, file, "software_version", str),
            created_utc=read_attribute(path, file, "created_utc", str),
        )

    def write(self, file: h5py.File) -> None:
        """Into a file's root attributes."""
        file.attrs["software_version"] = self.software_version
        file.attrs["created_utc"] = self.created_utc
        file.attrs["seed"] = self.seed


class HasMade:
    """What a record with a field `made` says of it."""

    __slots__ = ()
    made: Made

    @property
    def seed(self) -> int:
        """Of the random numbers."""
        return self.made.seed

    @property
    def software_version(self) -> str:
        """Of the program that computed it."""
        return self.made.software_version

    @property
    def created_utc(self) -> str:
        """When it was computed; ISO 8601, with Z."""
        return self.made.created_utc
