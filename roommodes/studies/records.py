"""The record of one room of a study, as data and as a file: a job counts once its file is whole.

A job file is HDF5 like every other of ours: read with the same care (`storage.guard`), and only believed when its key,
its version and the checksum of its contents are right, and when it holds what was asked for (`Expected`).
"""

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from hashlib import sha256
from math import isclose, isfinite
from pathlib import Path
from typing import Any

import h5py
import numpy as np
from numpy.typing import NDArray

from roommodes.arrays import Floats
from roommodes.errors import FileUnusable
from roommodes.storage.fields import Field, add_field, add_scale, read_attribute, read_field
from roommodes.storage.guard import read_guarded, read_guarded_bytes
from roommodes.storage.seal import sealed
from roommodes.version import __version__

JOB_FORMAT = "roommodes study job"
JOB_VERSION = 3  # before, no software was known
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
    Field(
        path="layouts",
        kind="i",
        axes=("strategy",),
        unit="1",
        long_name="layouts tried; an estimate, rather too high, where not all were",
    ),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class StudyJob:
    """One room with all strategies.

    Parameters
    ----------
    number : of the room, from 1.
    title : what messages call it.
    text : everything that shapes the result, as canonical JSON.
    software : what does the job, see `solvers.study.software`.
    """

    number: int
    title: str
    text: str
    software: str

    @property
    def key(self) -> str:
        """Fingerprint of the text, the software and the job file's format: 64 hexadecimal digits."""
        return sha256(f"{JOB_FORMAT} {JOB_VERSION}\n{self.software}\n{self.text}".encode()).hexdigest()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Expected:
    """What the result of every job of a study must hold.

    Parameters
    ----------
    software : what does the jobs.
    frequency_hz : (n_freq,) [Hz].
    weight : (n_freq,) of each frequency in variation and output: how many of the finer grid it stands for.
    subs : how many each strategy has.
    """

    software: str
    frequency_hz: Floats
    weight: Floats
    subs: tuple[int, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class JobRecord:
    """The results of one job.

    Parameters
    ----------
    key : the job's.
    software, processor : what did it, and on what kind of processor.
    frequency_hz : (n_freq,) [Hz].
    arrays : by the paths of `JOB_FIELDS`; a strategy that has no feasible layout in this room is NaN.
    notes : (n_strategy,) why its search ended, or why there is no layout.
    decay_s : decay time of the room at the band's middle, from its walls and bulk [s].
    seconds, cpu_seconds : what it took, by the clock and of the processor [s].
    """

    key: str
    software: str
    processor: str
    frequency_hz: Floats
    arrays: Mapping[str, NDArray[Any]]
    notes: tuple[str, ...]
    decay_s: float
    seconds: float
    cpu_seconds: float

    @property
    def checksum(self) -> str:
        """Checksum of everything but the times and the processor: two runs of one job give the same."""
        digest = sha256(f"{self.key}\n{self.software}".encode())
        for values in (self.frequency_hz, *(self.arrays[field.path] for field in JOB_FIELDS)):
            digest.update(repr(values.shape).encode())
            digest.update(np.ascontiguousarray(values).tobytes())
        digest.update(json.dumps([self.notes, float(self.decay_s).hex()]).encode())
        return digest.hexdigest()


def canonical(tree: Mapping[str, Any]) -> str:
    """Plain data as JSON text, always the same for the same data."""
    return json.dumps(tree, sort_keys=True, separators=(",", ":"), ensure_ascii=True, allow_nan=False)


def record_image(record: JobRecord) -> bytes:
    """The job file's bytes."""
    n_strategy, n_sub = record.arrays["gain_db"].shape
    with h5py.File("image", "w", driver="core", backing_store=False, libver=("v110", "v110")) as file:
        file.attrs["format"] = JOB_FORMAT
        file.attrs["format_version"] = JOB_VERSION
        file.attrs["software_version"] = __version__
        file.attrs["key"] = record.key
        file.attrs["software"] = record.software
        file.attrs["processor"] = record.processor
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


def read_record(path: Path, key: str, expected: Expected) -> JobRecord:
    """Read a job file from the folder of a study.

    Parameters
    ----------
    path : the file.
    key : of the job that it must hold.
    expected : what a result of the study must hold.

    Raises
    ------
    FileUnusable : it is not the whole result of that job.
    """
    record = read_guarded(path, lambda file: _record_in(path, file), kind="job", made_by="roommodes study", own=True)
    return _believed(record, key, expected, str(path))


def software_of(path: Path) -> str:
    """What software made a job file, in words, whatever else is in it."""

    def reader(file: h5py.File) -> str:
        return read_attribute(path, file, "software", str) if "software" in file.attrs else "an earlier version"

    try:
        return read_guarded(path, reader, kind="job", made_by="roommodes study", own=True)
    except FileUnusable:
        return "a damaged file"


def received_record(data: bytes, key: str, expected: Expected) -> JobRecord:
    """The same from bytes that somebody else sent. FileUnusable says what is wrong with them."""
    name = Path("result")
    record = read_guarded_bytes(data, lambda file: _record_in(name, file), name=str(name), kind="job")
    return _believed(record, key, expected, str(name))


def _believed(record: JobRecord, key: str, expected: Expected, name: str) -> JobRecord:
    if record.key != key:
        raise FileUnusable(f"{name}: is that of another job")
    if fault := _record_fault(record, expected):
        raise FileUnusable(f"{name}: {fault}")
    return record


def _record_in(path: Path, file: h5py.File) -> JobRecord:
    if file.attrs.get("format") != JOB_FORMAT:
        raise FileUnusable(f"{path}: is an HDF5 file, but no {JOB_FORMAT}")
    version = read_attribute(path, file, "format_version", int)
    if version != JOB_VERSION:
        raise FileUnusable(f"{path}: has format version {version}; this program reads {JOB_VERSION}")
    sizes: dict[str, int] = {"axis": 3}
    scale = Field(path="frequency_hz", kind="f", axes=("frequency_hz",), unit="Hz", long_name="frequency")
    frequency_hz = read_field(path, file, scale, sizes)
    record = JobRecord(
        frequency_hz=frequency_hz,
        arrays={field.path: read_field(path, file, field, sizes) for field in JOB_FIELDS},
        notes=_notes(path, read_attribute(path, file, "notes", str), sizes["strategy"]),
        **{name: read_attribute(path, file, name, str) for name in ("key", "software", "processor")},
        **{name: read_attribute(path, file, name, float) for name in ("decay_s", "seconds", "cpu_seconds")},
    )
    if record.checksum != read_attribute(path, file, "checksum", str):
        raise FileUnusable(f"{path}: its contents were changed: its checksum differs")
    return record


def _record_fault(record: JobRecord, expected: Expected) -> str:
    """Why a record cannot be the result of a job, in words; empty if it can."""
    if record.software != expected.software:
        return f"other software made it: {record.software[:200]}; expected {expected.software}"
    if not np.array_equal(record.frequency_hz, expected.frequency_hz):
        return "its frequencies are not those of the study"
    if len(record.notes) != len(expected.subs) or record.arrays["gain_db"].shape[1] != max(expected.subs):
        return "its strategies are not those of the study"
    if not all(isfinite(number) and number >= 0.0 for number in (record.decay_s, record.seconds, record.cpu_seconds)):
        return "a time in it is no time"
    for place, subs in enumerate(expected.subs):
        if fault := _strategy_fault(
            {name: values[place] for name, values in record.arrays.items()}, subs, expected.weight
        ):
            return f"strategy {place + 1}: {fault}"
    return ""


def _strategy_fault(arrays: Mapping[str, NDArray[Any]], subs: int, weight: Floats) -> str:
    """What is wrong with one strategy's part: a layout with all its numbers, or none with none."""
    by_sub = ("position_m", "gain_db", "delay_s")
    whole = ("variation_db", "output_db", "variation_at_db", "output_at_db")
    none = all(np.isnan(arrays[name]).all() for name in (*whole, *by_sub)) and not arrays["polarity"].any()
    if none:
        return ""
    numbers = [arrays[name] for name in whole] + [arrays[name][:subs] for name in by_sub]
    if not all(np.isfinite(values).all() for values in numbers) or np.isinf(arrays["tuned_db"]):
        return "some numbers are not finite"
    beyond = any(not np.isnan(arrays[name][subs:]).all() for name in by_sub) or arrays["polarity"][subs:].any()
    if beyond or not np.isin(arrays["polarity"][:subs], (-1, 1)).all() or arrays["layouts"] < 1:
        return "it has subs that were not asked for, polarities other than +1 and -1, or no layout"
    if arrays["delay_s"][:subs].min() < 0.0 or arrays["variation_at_db"].min() < 0.0:
        return "a delay or a variation is below zero"
    rms = float(np.sqrt(np.average(arrays["variation_at_db"] ** 2, weights=weight)))
    mean = float(np.average(arrays["output_at_db"], weights=weight))
    same = isclose(arrays["variation_db"], rms, rel_tol=1e-9, abs_tol=1e-9)
    if not (same and isclose(arrays["output_db"], mean, rel_tol=1e-9, abs_tol=1e-9)):
        return "its variation and output are not those of its frequencies"
    return ""


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
