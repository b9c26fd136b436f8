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

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

import h5py
import numpy as np
from numpy.typing import NDArray

from roommodes.arrays import Floats
from roommodes.errors import FileUnusable
from roommodes.storage.fields import Field, add_field, add_scale, add_text, read_attribute, read_field, read_text
from roommodes.storage.guard import read_guarded
from roommodes.storage.seal import sealed
from roommodes.storage.stamp import HasMade, Made
from roommodes.storage.whole_file import write_whole
from roommodes.studies.comparison_fields import Comparisons, add_comparison
from roommodes.studies.labelled import study_dataset
from roommodes.studies.records import JOB_FIELDS

if TYPE_CHECKING:
    import xarray

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
REPLICATE_FIELD = replace(
    _room_field("replicate", "i", "1", "number of the design that drew the room; 0 where there is only one"),
    optional=True,
)
PROPERTY_FIELDS = (
    Field(
        path="property_value",
        kind="f",
        axes=("room", "property"),
        unit="1",
        long_name="what else was drawn or is known of the room; NaN where not known",
        optional=True,
    ),
    Field(
        path="property_unit", kind="U", axes=("property",), unit="1", long_name="unit of the property", optional=True
    ),
)
WORDS_FIELD = Field(
    path="grouping_value",
    kind="U",
    axes=("room", "grouping"),
    unit="1",
    long_name="words of the table's own columns",
    optional=True,
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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class KnownOfRooms:
    """What is known of the rooms of a study beside their sizes.

    Parameters
    ----------
    properties : numbers by name: (n_room,) each, NaN where not known.
    units : of the properties, by name.
    groupings : words of the table's own columns, by name: (n_room,) each.
    """

    properties: Mapping[str, Floats] = field(default_factory=lambda: MappingProxyType({}))
    units: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))
    groupings: Mapping[str, tuple[str, ...]] = field(default_factory=lambda: MappingProxyType({}))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StudyResults(HasMade):
    """All that a study file holds but the comparison, which follows from it.

    Parameters
    ----------
    study_toml, table_text : the study file and its table of rooms as they were read.
    study_sha256 : fingerprint of both.
    made : seed of the rooms, version of the program, when.
    frequency_hz : (n_freq,) [Hz].
    strategies : names in order.
    subs : (n_strategy,) number of subs.
    rooms : columns of `ROOM_FIELDS`, and `replicate` where there are any: arrays (n_room,), or tuples of text.
    known : what else is known of the rooms.
    arrays : by the paths of `RESULT_FIELDS`, the room first.
    notes : (n_room) of (n_strategy) texts.
    objective : (n_room, n_strategy) values of an objective of one's own that strategies were tuned for, NaN without a
        layout; None without. No file holds it.
    """

    study_toml: str
    table_text: str
    study_sha256: str
    made: Made
    frequency_hz: Floats
    strategies: tuple[str, ...]
    subs: NDArray[np.int64]
    rooms: Mapping[str, Any]
    arrays: Mapping[str, NDArray[Any]] = field(default_factory=lambda: MappingProxyType({}))
    notes: tuple[tuple[str, ...], ...] = ()
    known: KnownOfRooms = field(default_factory=KnownOfRooms)
    objective: Floats | None = None

    def to_xarray(self) -> "xarray.Dataset":
        """All figures by room and strategy, axes named; PackageMissing without xarray."""
        return study_dataset(self, RESULT_FIELDS, ROOM_FIELDS)

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
        results.made.write(file)
        file.attrs["study_sha256"] = results.study_sha256
        add_text(file, "study_toml", results.study_toml, long_name="text of the study file")
        add_text(file, "table_csv", results.table_text, long_name="text of the table of rooms; empty for none")
        add_scale(file, "frequency_hz", results.frequency_hz, unit="Hz")
        add_scale(file, "room", np.arange(1, results.n_room + 1))
        add_scale(file, "strategy", list(results.strategies))
        add_scale(file, "sub", np.arange(results.arrays["gain_db"].shape[2]))
        add_scale(file, "axis", ["x", "y", "z"])
        for entry in ROOM_FIELDS:
            add_field(file, entry, results.rooms[entry.path], scales=[file])
        if "replicate" in results.rooms:
            add_field(file, REPLICATE_FIELD, results.rooms["replicate"], scales=[file])
        _add_known(file, results.known)
        for entry in STRATEGY_FIELDS:
            add_field(file, entry, results.subs, scales=[file])
        for entry in RESULT_FIELDS:
            if entry.path in results.arrays:
                add_field(file, entry, results.arrays[entry.path], scales=[file])
        add_field(file, NOTE_FIELD, [list(row) for row in results.notes], scales=[file])
        add_comparison(file, compared)
        file.flush()
        return sealed(bytes(file.id.get_file_image()))


def _add_known(file: h5py.File, known: KnownOfRooms) -> None:
    """What else is known of the rooms; nothing where nothing is."""
    if known.properties:
        add_scale(file, "property", list(known.properties))
        values = np.column_stack(list(known.properties.values()))
        units = [known.units[name] for name in known.properties]
        for entry, data in zip(PROPERTY_FIELDS, (values, units), strict=True):
            add_field(file, entry, data, scales=[file])
    if known.groupings:
        add_scale(file, "grouping", list(known.groupings))
        add_field(file, WORDS_FIELD, [list(row) for row in zip(*known.groupings.values(), strict=True)], scales=[file])


def _read_known(path: Path, file: h5py.File, sizes: dict[str, int]) -> KnownOfRooms:
    found: dict[str, Any] = {}
    if "property_value" in file:
        names = _names(path, file, "property", sizes)
        values = read_field(path, file, PROPERTY_FIELDS[0], sizes)
        units = read_field(path, file, PROPERTY_FIELDS[1], sizes) or [""] * len(names)
        found["properties"] = {name: values[:, k] for k, name in enumerate(names)}
        found["units"] = dict(zip(names, units, strict=True))
    if "grouping_value" in file:
        names = _names(path, file, "grouping", sizes)
        words = _text_rows(path, file, WORDS_FIELD, sizes)
        found["groupings"] = {name: tuple(row[k] for row in words) for k, name in enumerate(names)}
    return KnownOfRooms(**found)


def _names(path: Path, file: h5py.File, axis: str, sizes: dict[str, int]) -> list[str]:
    names: list[str] = read_field(path, file, Field(path=axis, kind="U", axes=(axis,), unit="1", long_name=axis), sizes)
    if len(set(names)) < len(names):
        raise FileUnusable(f"{path}: /{axis} names one of the rooms' columns twice; run the study anew")
    return names


def _text_rows(path: Path, file: h5py.File, entry: Field, sizes: Mapping[str, int]) -> tuple[tuple[str, ...], ...]:
    """A table of texts, which `read_field` does not read."""
    dataset = file.get(entry.path)
    if not isinstance(dataset, h5py.Dataset) or dataset.shape != tuple(sizes[axis] for axis in entry.axes):
        raise FileUnusable(f"{path}: /{entry.path} is missing or has another shape; the file is not complete")
    return tuple(tuple(str(text) for text in row) for row in dataset.asstr()[()])


def read_study(path: Path) -> StudyResults:
    """Read a study's results, of whatever origin.

    Raises
    ------
    FileUnusable : not a study's results, of a newer format, damaged, or holding what is refused (`storage.guard`).
    """
    results = read_guarded(path, lambda file: _results_in(path, file), kind="study", made_by="roommodes study")
    _check_values(path, results)
    return results


def study_mark(path: Path) -> str:
    """The fingerprint of the study whose results a file holds; nothing else of it is read. Raises as `read_study`."""

    def mark(file: h5py.File) -> str:
        _check_format(path, file)
        return str(read_attribute(path, file, "study_sha256", str))

    return read_guarded(path, mark, kind="study", made_by="roommodes study")


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
    replicate = read_field(path, file, REPLICATE_FIELD, sizes)
    if replicate is not None:
        rooms["replicate"] = replicate
    return StudyResults(
        study_toml=read_text(path, file, "study_toml"),
        table_text=read_text(path, file, "table_csv"),
        study_sha256=read_attribute(path, file, "study_sha256", str),
        made=Made.read(path, file),
        frequency_hz=frequency_hz,
        strategies=tuple(strategies),
        subs=subs,
        rooms={name: tuple(values) if isinstance(values, list) else values for name, values in rooms.items()},
        arrays=arrays,
        notes=_text_rows(path, file, NOTE_FIELD, sizes),
        known=_read_known(path, file, sizes),
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
