"""What one room of a study gave, as data and as a file: a job counts once its file is whole.

A job file is HDF5 like every other of ours: read with the same care (`storage.guard`), and only believed when its key,
its version and the checksum of its contents are right.
"""

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from typing import Any

import h5py
import numpy as np
from numpy.typing import NDArray

from roommodes import __version__
from roommodes.arrays import Floats
from roommodes.errors import FileUnusable
from roommodes.storage.fields import Field, add_field, add_scale, read_attribute, read_field
from roommodes.storage.guard import read_guarded
from roommodes.storage.seal import sealed

JOB_FORMAT = "roommodes study job"
JOB_VERSION = 2
NOTE_LENGTH = 400


JOB_FIELDS = (
    Field(path="variation_db", kind="f", axes=("strategy",), unit="dB", long_name="seat-to-seat variation, as judged"),
    Field(
        path="tuned_db",
        kind="f",
        axes=("strategy",),
        unit="dB",
        long_name="variation on the coarser grid where positions and settings were tuned; NaN where nothing was tuned",
        optional=True,  # not in results before it was told
    ),
    Field(
        path="output_db",
        kind="f",
        axes=("strategy",),
        unit="dB",
        long_name="output: mean level at the seats, all subs at their limit, re them in phase at 1 m",
    ),
    Field(
        path="variation_at_db",
        kind="f",
        axes=("strategy", "frequency_hz"),
        unit="dB",
        long_name="standard deviation of level over the seats, rms over the frequencies nearest to each",
    ),
    Field(
        path="output_at_db",
        kind="f",
        axes=("strategy", "frequency_hz"),
        unit="dB",
        long_name="output, mean over the frequencies nearest to each",
    ),
    Field(
        path="position_m",
        kind="f",
        axes=("strategy", "sub", "axis"),
        unit="m",
        long_name="where each sub stands; NaN beyond a strategy's number of subs",
    ),
    Field(path="gain_db", kind="f", axes=("strategy", "sub"), unit="dB", long_name="gain of each sub"),
    Field(path="delay_s", kind="f", axes=("strategy", "sub"), unit="s", long_name="delay of each sub"),
    Field(
        path="polarity",
        kind="i",
        axes=("strategy", "sub"),
        unit="1",
        long_name="polarity of each sub, +1 or -1; 0 beyond a strategy's number of subs",
    ),
    Field(path="layouts", kind="i", axes=("strategy",), unit="1", long_name="layouts that were tried"),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class StudyJob:
    """One room with all strategies.

    Parameters
    ----------
    number : of the room, from 1.
    title : what messages call it.
    text : everything that shapes the result, as canonical JSON.
    """

    number: int
    title: str
    text: str

    @property
    def key(self) -> str:
        """Fingerprint of the text, the program's version and the job file's format: 64 hexadecimal digits."""
        return sha256(f"{JOB_FORMAT} {JOB_VERSION}\n{__version__}\n{self.text}".encode()).hexdigest()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class JobRecord:
    """What came out of one job.

    Parameters
    ----------
    key : the job's.
    frequency_hz : (n_freq,) [Hz].
    arrays : by the paths of `JOB_FIELDS`; a strategy that has no legal layout in this room is NaN.
    notes : (n_strategy,) why its search ended, or why there is no layout.
    decay_s : decay time of the room at the band's middle, from its walls and bulk [s].
    seconds, cpu_seconds : what it took, by the clock and of the processor [s].
    """

    key: str
    frequency_hz: Floats
    arrays: Mapping[str, NDArray[Any]]
    notes: tuple[str, ...]
    decay_s: float
    seconds: float
    cpu_seconds: float

    @property
    def checksum(self) -> str:
        """Of everything but the times: two runs of one job give the same."""
        digest = sha256(self.key.encode())
        for values in (self.frequency_hz, *(self.arrays[field.path] for field in JOB_FIELDS)):
            digest.update(repr(values.shape).encode())
            digest.update(np.ascontiguousarray(values).tobytes())
        digest.update(json.dumps([self.notes, float(self.decay_s).hex()]).encode())
        return digest.hexdigest()


def canonical(tree: Mapping[str, Any]) -> str:
    """Plain data as the one JSON text that stands for it."""
    return json.dumps(tree, sort_keys=True, separators=(",", ":"), ensure_ascii=True, allow_nan=False)


def record_image(record: JobRecord) -> bytes:
    """The job file's bytes."""
    n_strategy, n_sub = record.arrays["gain_db"].shape
    with h5py.File("image", "w", driver="core", backing_store=False, libver=("v110", "v110")) as file:
        file.attrs["format"] = JOB_FORMAT
        file.attrs["format_version"] = JOB_VERSION
        file.attrs["software_version"] = __version__
        file.attrs["key"] = record.key
        file.attrs["checksum"] = record.checksum
        file.attrs["decay_s"] = record.decay_s
        file.attrs["seconds"] = record.seconds
        file.attrs["cpu_seconds"] = record.cpu_seconds
        file.attrs["notes"] = json.dumps([note[:NOTE_LENGTH] for note in record.notes])
        add_scale(file, "frequency_hz", record.frequency_hz, unit="Hz")
        add_scale(file, "strategy", np.arange(n_strategy))
        add_scale(file, "sub", np.arange(n_sub))
        add_scale(file, "axis", ["x", "y", "z"])
        for entry in JOB_FIELDS:
            add_field(file, entry, record.arrays[entry.path], scales=[file])
        file.flush()
        return sealed(bytes(file.id.get_file_image()))


def read_record(path: Path, key: str) -> JobRecord:
    """Read a job file, of whatever origin.

    Parameters
    ----------
    path : the file.
    key : of the job that it must hold.

    Raises
    ------
    FileUnusable : it is not the whole result of that job.
    """
    return read_guarded(path, lambda file: _record_in(path, file, key), kind="job", made_by="roommodes study", own=True)


def _record_in(path: Path, file: h5py.File, key: str) -> JobRecord:
    if file.attrs.get("format") != JOB_FORMAT:
        raise FileUnusable(f"{path}: is an HDF5 file, but no {JOB_FORMAT}")
    version = read_attribute(path, file, "format_version", int)
    if version != JOB_VERSION:
        raise FileUnusable(f"{path}: has format version {version}; this program reads {JOB_VERSION}")
    sizes: dict[str, int] = {"axis": 3}
    scale = Field(path="frequency_hz", kind="f", axes=("frequency_hz",), unit="Hz", long_name="frequency")
    frequency_hz = read_field(path, file, scale, sizes)
    record = JobRecord(
        key=read_attribute(path, file, "key", str),
        frequency_hz=frequency_hz,
        arrays={field.path: read_field(path, file, field, sizes) for field in JOB_FIELDS},
        notes=_notes(path, read_attribute(path, file, "notes", str), sizes["strategy"]),
        decay_s=read_attribute(path, file, "decay_s", float),
        seconds=read_attribute(path, file, "seconds", float),
        cpu_seconds=read_attribute(path, file, "cpu_seconds", float),
    )
    checksum = read_attribute(path, file, "checksum", str)
    if record.key != key or record.checksum != checksum:
        raise FileUnusable(f"{path}: does not hold what its name says, or was changed")
    return record


def _notes(path: Path, text: str, count: int) -> tuple[str, ...]:
    try:
        notes = json.loads(text)
    except (ValueError, RecursionError):
        notes = None
    if not isinstance(notes, list) or len(notes) != count or not all(isinstance(note, str) for note in notes):
        raise FileUnusable(f"{path}: its notes are not one text per strategy")
    return tuple(notes)


def stacked(records: Mapping[int, JobRecord], count: int) -> Iterator[tuple[Field, NDArray[Any]]]:
    """The records of rooms 0..count-1 as arrays with the room first; rooms without a record are NaN, or 0."""
    first = next(iter(records.values()))
    for entry in JOB_FIELDS:
        example = first.arrays[entry.path]
        fill: Any = np.nan if entry.kind == "f" else 0
        whole = np.full((count, *example.shape), fill, dtype=example.dtype)
        for place, record in records.items():
            whole[place] = record.arrays[entry.path]
        yield entry, whole
