"""The results of a study in one HDF5 file: every room with every strategy, and how they compare.

| axis | scale | meaning |
| --- | --- | --- |
| room | /room | number from 1 |
| strategy | /strategy | names, in the study file's order |
| frequency_hz | /frequency_hz | logarithmic grid [Hz] |
| sub, axis | /sub, /axis | index from 0; x, y, z |

The file can be made again from itself: it holds the study file's text, its table of rooms, the seed and the version.
The groups /comparison and /effects repeat what `solvers.study.compare` works out, for programs that only read HDF5.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from types import MappingProxyType
from typing import Any

import h5py
import numpy as np
from numpy.typing import NDArray

from roommodes.arrays import Floats
from roommodes.errors import FileUnusable
from roommodes.storage.fields import Field, add_field, add_scale, add_text, read_attribute, read_field, read_text
from roommodes.storage.guard import read_guarded
from roommodes.storage.seal import sealed
from roommodes.storage.whole_file import write_whole
from roommodes.studies.records import JOB_FIELDS

STUDY_FORMAT_NAME = "roommodes study"
STUDY_FORMAT_VERSION = 1
FINISHED = "finished"
MARK_NAME = "roommodes-study"  # under which a page made from the results names their study's fingerprint


def _room_field(path: str, kind: str, unit: str, long_name: str) -> Field:
    return Field(path=path, kind=kind, axes=("room",), unit=unit, long_name=long_name)


ROOM_FIELDS = (
    _room_field("length_m", "f", "m", "inner length"),
    _room_field("width_m", "f", "m", "inner width"),
    _room_field("height_m", "f", "m", "inner height"),
    _room_field("volume_m3", "f", "m3", "volume"),
    _room_field("decay_s", "f", "s", "decay time at the band's middle, from the walls and the bulk"),
    _room_field("seconds", "f", "s", "what the job took, by the clock"),
    _room_field("cpu_seconds", "f", "s", "what the job took of the processor"),
    _room_field("label", "U", "1", "what the table of rooms calls it"),
    _room_field("build", "U", "1", "build of the room"),
    _room_field("seating", "U", "1", "seat arrangement of the room"),
    _room_field("status", "U", "1", "finished, or why there is no result"),
    _room_field("key", "U", "1", "fingerprint of everything that shaped the room's results"),
    _room_field("project_toml", "U", "1", "the room as a project file"),
)
STRATEGY_FIELDS = (Field(path="subs", kind="i", axes=("strategy",), unit="1", long_name="number of subs"),)
RESULT_FIELDS = tuple(replace(one, axes=("room", *one.axes)) for one in JOB_FIELDS)
NOTE_FIELD = Field(
    path="note",
    kind="U",
    axes=("room", "strategy"),
    unit="1",
    long_name="why the search ended, or why there is no layout",
)
PAIR = ("pair",)
COMPARISON_FIELDS = (
    Field(path="cheaper", kind="U", axes=PAIR, unit="1", long_name="the strategy with fewer subs or adjustments"),
    Field(path="dearer", kind="U", axes=PAIR, unit="1", long_name="the other strategy"),
    Field(path="rooms", kind="i", axes=PAIR, unit="1", long_name="rooms in which both have a layout"),
    Field(
        path="mean_db", kind="f", axes=PAIR, unit="dB", long_name="mean difference of variation, cheaper less dearer"
    ),
    Field(path="mean_low_db", kind="f", axes=PAIR, unit="dB", long_name="lower end of its bootstrap interval"),
    Field(path="mean_high_db", kind="f", axes=PAIR, unit="dB", long_name="upper end of its bootstrap interval"),
    Field(path="median_db", kind="f", axes=PAIR, unit="dB", long_name="median difference of variation"),
    Field(path="median_low_db", kind="f", axes=PAIR, unit="dB", long_name="lower end of its bootstrap interval"),
    Field(path="median_high_db", kind="f", axes=PAIR, unit="dB", long_name="upper end of its bootstrap interval"),
    Field(
        path="within_share", kind="f", axes=PAIR, unit="1", long_name="share of rooms where the cheaper does as well"
    ),
    Field(path="within_low", kind="f", axes=PAIR, unit="1", long_name="lower end of its bootstrap interval"),
    Field(path="within_high", kind="f", axes=PAIR, unit="1", long_name="upper end of its bootstrap interval"),
    Field(path="output_mean_db", kind="f", axes=PAIR, unit="dB", long_name="mean difference of output"),
    Field(path="quantile_db", kind="f", axes=("pair", "part"), unit="dB", long_name="quantiles of the difference"),
    Field(path="difference_db", kind="f", axes=("pair", "room"), unit="dB", long_name="difference in each room"),
)
EFFECT = ("effect",)
EFFECT_FIELDS = (
    Field(path="cheaper", kind="U", axes=EFFECT, unit="1", long_name="the strategy with fewer subs or adjustments"),
    Field(path="dearer", kind="U", axes=EFFECT, unit="1", long_name="the other strategy"),
    Field(path="property", kind="U", axes=EFFECT, unit="1", long_name="the property by which the rooms are parted"),
    Field(path="rooms_with", kind="U", axes=EFFECT, unit="1", long_name="the part: a range of the property, or a name"),
    Field(path="rooms", kind="i", axes=EFFECT, unit="1", long_name="rooms in the part"),
    Field(path="mean_db", kind="f", axes=EFFECT, unit="dB", long_name="mean difference of variation in the part"),
    Field(path="mean_low_db", kind="f", axes=EFFECT, unit="dB", long_name="lower end of its bootstrap interval"),
    Field(path="mean_high_db", kind="f", axes=EFFECT, unit="dB", long_name="upper end of its bootstrap interval"),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparisons:
    """Comparison and effects as columns by field, for the file.

    Parameters
    ----------
    parts : quantiles of `quantile_db`, 0 to 1.
    pairs, effects : columns of `COMPARISON_FIELDS` and `EFFECT_FIELDS`.
    """

    parts: Sequence[float]
    pairs: Mapping[str, Sequence[Any] | NDArray[Any]]
    effects: Mapping[str, Sequence[Any] | NDArray[Any]]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StudyResults:
    """All that a study file holds but the comparison, which follows from it.

    Parameters
    ----------
    study_toml, table_text : the study file and its table of rooms as they were read.
    study_sha256 : fingerprint of both.
    seed, software_version, created_utc : of the run.
    frequency_hz : (n_freq,) [Hz].
    strategies : names in order.
    subs : (n_strategy,) number of subs.
    rooms : columns of `ROOM_FIELDS`: arrays (n_room,), or tuples of text.
    arrays : by the paths of `RESULT_FIELDS`, the room first.
    notes : (n_room) of (n_strategy) texts.
    """

    study_toml: str
    table_text: str
    study_sha256: str
    seed: int
    software_version: str
    created_utc: str
    frequency_hz: Floats
    strategies: tuple[str, ...]
    subs: NDArray[np.int64]
    rooms: Mapping[str, Any]
    arrays: Mapping[str, NDArray[Any]] = field(default_factory=lambda: MappingProxyType({}))
    notes: tuple[tuple[str, ...], ...] = ()

    @property
    def n_room(self) -> int:
        """Number of rooms, finished or not."""
        return len(self.rooms["status"])

    @property
    def failed(self) -> tuple[int, ...]:
        """Numbers of the rooms without a result."""
        return tuple(k + 1 for k, status in enumerate(self.rooms["status"]) if status != FINISHED)


def expected_study_bytes(*, n_room: int, n_strategy: int, n_freq: int, n_sub: int) -> tuple[int, int]:
    """About how large one job file and the results file will be [bytes]."""
    values = 8 * n_strategy * (2 * n_freq + 6 * n_sub + 4)
    return 12_000 + values, 60_000 + n_room * (values + 3_500)


def write_study(path: Path, results: StudyResults, compared: Comparisons, *, force: bool) -> None:
    """Write a study's results whole, or not at all; FileUnusable says why not."""
    write_whole(path, study_image(results, compared), force=force)


def study_image(results: StudyResults, compared: Comparisons) -> bytes:
    """The results file's bytes."""
    with h5py.File("image", "w", driver="core", backing_store=False, libver=("v110", "v110")) as file:
        file.attrs["format"] = STUDY_FORMAT_NAME
        file.attrs["format_version"] = STUDY_FORMAT_VERSION
        for name in ("software_version", "created_utc", "seed", "study_sha256"):
            file.attrs[name] = getattr(results, name)
        add_text(file, "study_toml", results.study_toml, long_name="text of the study file")
        add_text(file, "table_csv", results.table_text, long_name="text of the table of rooms; empty for none")
        add_scale(file, "frequency_hz", results.frequency_hz, unit="Hz")
        add_scale(file, "room", np.arange(1, results.n_room + 1))
        add_scale(file, "strategy", list(results.strategies))
        add_scale(file, "sub", np.arange(results.arrays["gain_db"].shape[2]))
        add_scale(file, "axis", ["x", "y", "z"])
        for entry in ROOM_FIELDS:
            add_field(file, entry, results.rooms[entry.path], scales=[file])
        for entry in STRATEGY_FIELDS:
            add_field(file, entry, results.subs, scales=[file])
        for entry in RESULT_FIELDS:
            if entry.path in results.arrays:
                add_field(file, entry, results.arrays[entry.path], scales=[file])
        add_field(file, NOTE_FIELD, [list(row) for row in results.notes], scales=[file])
        if len(compared.pairs["cheaper"]):
            group = file.create_group("comparison")
            pairs = zip(compared.pairs["cheaper"], compared.pairs["dearer"], strict=True)
            add_scale(group, "pair", [f"{cheaper} / {dearer}" for cheaper, dearer in pairs])
            add_scale(group, "part", np.array(compared.parts))
            for entry in COMPARISON_FIELDS:
                add_field(group, entry, compared.pairs[entry.path], scales=[group, file])
        if len(compared.effects["cheaper"]):
            group = file.create_group("effects")
            add_scale(group, "effect", np.arange(len(compared.effects["cheaper"])))
            for entry in EFFECT_FIELDS:
                add_field(group, entry, compared.effects[entry.path], scales=[group])
        file.flush()
        return sealed(bytes(file.id.get_file_image()))


def read_study(path: Path) -> StudyResults:
    """Read a study's results, of whatever origin.

    Raises
    ------
    FileUnusable : not a study's results, of a newer format, damaged, or holding what is refused (`storage.guard`).
    """
    results = read_guarded(path, lambda file: _results_in(path, file), kind="study", made_by="roommodes study")
    _check_values(path, results)
    return results


def _results_in(path: Path, file: h5py.File) -> StudyResults:
    _check_format(path, file)
    sizes: dict[str, int] = {"axis": 3}
    scale = Field(path="frequency_hz", kind="f", axes=("frequency_hz",), unit="Hz", long_name="frequency")
    names = Field(path="strategy", kind="U", axes=("strategy",), unit="1", long_name="strategy")
    frequency_hz = read_field(path, file, scale, sizes)
    strategies = read_field(path, file, names, sizes)
    rooms = {entry.path: read_field(path, file, entry, sizes) for entry in ROOM_FIELDS}
    found = {entry.path: read_field(path, file, entry, sizes) for entry in RESULT_FIELDS}
    arrays = {name: values for name, values in found.items() if values is not None}
    (subs,) = (read_field(path, file, entry, sizes) for entry in STRATEGY_FIELDS)
    notes = file.get("note")
    if not isinstance(notes, h5py.Dataset) or notes.shape != (sizes["room"], sizes["strategy"]):
        raise FileUnusable(f"{path}: /note is missing or has another shape; the file is not complete")
    return StudyResults(
        study_toml=read_text(path, file, "study_toml"),
        table_text=read_text(path, file, "table_csv"),
        study_sha256=read_attribute(path, file, "study_sha256", str),
        seed=read_attribute(path, file, "seed", int),
        software_version=read_attribute(path, file, "software_version", str),
        created_utc=read_attribute(path, file, "created_utc", str),
        frequency_hz=frequency_hz,
        strategies=tuple(strategies),
        subs=subs,
        rooms={name: tuple(values) if isinstance(values, list) else values for name, values in rooms.items()},
        arrays=arrays,
        notes=tuple(tuple(str(text) for text in row) for row in notes.asstr()[()]),
    )


def _check_format(path: Path, file: h5py.File) -> None:
    if file.attrs.get("format") != STUDY_FORMAT_NAME:
        raise FileUnusable(f"{path}: is an HDF5 file, but no results of a study; give what roommodes study wrote")
    version = read_attribute(path, file, "format_version", int)
    if version > STUDY_FORMAT_VERSION:
        raise FileUnusable(
            f"{path}: has format version {version}; this program reads up to {STUDY_FORMAT_VERSION}; "
            "update roommodes to read it"
        )
    if version < 1:
        raise FileUnusable(f"{path}: has format version {version}; versions begin at 1; run the study anew")


def _check_values(path: Path, results: StudyResults) -> None:
    """What shapes alone do not say."""
    hz = results.frequency_hz
    good = bool(np.all(np.isfinite(hz)) and np.all(hz > 0.0) and np.all(np.diff(hz) > 0.0))
    good = good and len(set(results.strategies)) == len(results.strategies)
    good = good and bool(np.all((results.subs >= 1) & (results.subs <= results.arrays["gain_db"].shape[2])))
    sizes = np.array([results.rooms[key] for key in ("length_m", "width_m", "height_m", "volume_m3")])
    good = good and bool(np.all(np.isfinite(sizes)) and np.all(sizes > 0.0))
    finished = np.array([status == FINISHED for status in results.rooms["status"]])
    good = good and not np.any(np.isinf(results.arrays["variation_db"]))
    good = good and bool(np.all(np.isnan(results.arrays["variation_db"][~finished])))
    if not good:
        raise FileUnusable(f"{path}: holds values that no study has; run the study anew")
