"""How the results file lays out its datasets, and how one dataset is written and read.

The tables below are the contract; writer and reader both follow them.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import h5py
import numpy as np
from numpy.typing import NDArray

from roommodes.errors import FileUnusable

COMPRESS_ABOVE_BYTES = 4096
UNIT_NAMES = ("units", "unit")
_H5: Any = h5py  # what the stubs leave out
_ATTRIBUTE_TYPES: dict[type, tuple[type, ...]] = {
    str: (str,),
    int: (int, np.integer),
    float: (float, np.floating),
    bool: (bool, np.bool_, np.integer),
}
_KIND_WORDS = {"f": "real numbers", "i": "whole numbers", "c": "complex128 numbers", "U": "text"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Field:
    """One dataset of the contract."""

    path: str
    kind: str  # NumPy's letter; U is text
    axes: tuple[str, ...]
    unit: str
    long_name: str
    optional: bool = False
    formerly: str = ""  # its path in older files, where nothing stands under `path`


ROOT_FIELDS = (
    Field(path="frequency_hz", kind="f", axes=("frequency_hz",), unit="Hz", long_name="frequency"),
    Field(path="seats/position_m", kind="f", axes=("seat", "axis"), unit="m", long_name="ears at each seat"),
    Field(path="seats/name", kind="U", axes=("seat",), unit="1", long_name="name of the seat"),
    Field(path="seats/weight", kind="f", axes=("seat",), unit="1", long_name="weight of the seat, any scale"),
    Field(
        path="seats/row",
        kind="i",
        axes=("seat",),
        unit="1",
        long_name="row of the seat, from 0",
        optional=True,
    ),
    Field(path="candidates/position_m", kind="f", axes=("candidate", "axis"), unit="m", long_name="candidate"),
    Field(path="candidates/zone", kind="U", axes=("candidate",), unit="1", long_name="zone of the candidate"),
    Field(
        path="candidates/mirror_of",
        kind="i",
        axes=("candidate",),
        unit="1",
        long_name="index of the left-right mirrored candidate, -1 for none",
        optional=True,
    ),
    Field(
        path="candidates/between",
        kind="i",
        axes=("candidate",),
        unit="1",
        long_name="1 for a place that was found between the candidates of the first grid, else 0",
        optional=True,
    ),
    Field(
        path="candidates/kind",
        kind="i",
        axes=("candidate",),
        unit="1",
        long_name="which of the project's kinds of subwoofer the candidate is for, from 0",
        optional=True,
    ),
    Field(
        path="transfer",
        kind="c",
        axes=("frequency_hz", "seat", "candidate"),
        unit="1/m",
        long_name="transfer function p / (j omega rho q / 4 pi)",
    ),
    Field(
        path="mains/transfer",
        kind="c",
        axes=("frequency_hz", "seat", "main"),
        unit="1/m",
        long_name="the same from the main loudspeakers, without their lower end",
        optional=True,
    ),
)
CLOUD_FIELDS = (
    Field(
        path="cloud/position_m",
        kind="f",
        axes=("ear", "axis"),
        unit="m",
        long_name="further point of a seat",
        optional=True,
    ),
    Field(path="cloud/seat", kind="i", axes=("ear",), unit="1", long_name="whose point it is", optional=True),
    Field(
        path="cloud/transfer",
        kind="c",
        axes=("frequency_hz", "ear", "candidate"),
        unit="1/m",
        long_name="transfer function to the further points",
        optional=True,
    ),
)
PLAN_FIELDS = (
    Field(path="candidate_index", kind="i", axes=("rank", "sub"), unit="1", long_name="candidate of each sub"),
    Field(path="gain_db", kind="f", axes=("rank", "sub"), unit="dB", long_name="gain of each sub"),
    Field(path="delay_s", kind="f", axes=("rank", "sub"), unit="s", long_name="delay of each sub"),
    Field(path="polarity", kind="i", axes=("rank", "sub"), unit="1", long_name="polarity of each sub, +1 or -1"),
    Field(path="variation_db", kind="f", axes=("rank",), unit="dB", long_name="seat-to-seat variation"),
    Field(
        path="output_db",
        kind="f",
        axes=("rank",),
        unit="dB",
        long_name="output: mean level at the seats, all subs at their limit, re them in phase at 1 m",
    ),
    Field(
        path="level_db",
        kind="f",
        axes=("rank", "frequency_hz", "seat"),
        unit="dB",
        long_name="level at each seat re the free-field level of one sub at 1 m",
    ),
    Field(
        path="alike_db",
        kind="f",
        axes=("rank",),
        unit="dB",
        long_name="variation at the same positions, all subs with identical settings",
        optional=True,
    ),
    Field(
        path="weights_db",
        kind="f",
        axes=("rank",),
        unit="dB",
        long_name="variation with the best weights found at the same positions, free at every frequency",
        optional=True,
        formerly="bound_db",
    ),
    Field(
        path="weights_output_db",
        kind="f",
        axes=("rank",),
        unit="dB",
        long_name="output with these weights, the largest of each frequency at the limit of its sub",
        optional=True,
    ),
    Field(
        path="weights_least_db",
        kind="f",
        axes=("rank",),
        unit="dB",
        long_name="proven: no weights at these positions have a smaller variation; 0 where nothing was proven",
        optional=True,
    ),
    Field(
        path="smoothness_db",
        kind="f",
        axes=("rank",),
        unit="dB",
        long_name="rms deviation of the average level over the seats from its straight line over log f",
        optional=True,
    ),
    Field(
        path="decay_s",
        kind="f",
        axes=("rank",),
        unit="s",
        long_name="decay time of the single mode that would ring as long as what the seats hear",
        optional=True,
    ),
    Field(
        path="headroom_db",
        kind="f",
        axes=("rank",),
        unit="dB",
        long_name="highest clean level at the seats over the target, in the worst third-octave",
        optional=True,
    ),
    Field(
        path="with_mains_db",
        kind="f",
        axes=("rank",),
        unit="dB",
        long_name="seat-to-seat variation with the main loudspeakers playing",
        optional=True,
    ),
)
SCALES = {
    "band_hz": "third octave; 0 for the whole band",
    "way": "what predicted places left out",
    "frequency_hz": "frequency",
    "wide_hz": "frequency, even steps over all that the measured files tell",
    "seat": "index of the seat, from 0",
    "candidate": "index of the candidate, from 0",
    "source": "index of the candidate, from 0, then of the main loudspeaker",
    "axis": "x from the front wall, y from the left wall, z from the floor",
    "rank": "rank of the plan, 0 is the best",
    "sub": "index of the sub in its plan, from 0",
    "layout": "index of the usual layout, from 0",
    "row": "index of the row of seats, from 0",
    "point": "index of the place that was tried, from 0",
    "filter": "index of the filter, from 0",
    "strategy": "strategy of a study",
    "room": "number of the room in its study, from 1",
    "property": "what else is known of the rooms",
    "grouping": "column of words in the table of rooms",
    "term": "what explains a difference, together with the other terms of its pair",
    "pair": "two strategies compared, the cheaper one first",
    "part": "part of the differences below a quantile",
    "effect": "a part of the rooms, by one of their properties",
    "ear": "index of the further point, from 0",
    "plan": "index of the plan, from 0",
    "draw": "index of the drawn room, from 0",
    "group": "index of what is uncertain, from 0",
    "percentile": "percentile",
    "end": "low and high end",
    "file": "index of the measured file, from 0",
    "main": "index of the main loudspeaker, from 0",
    "main_met": "index of the main loudspeaker that the subs meet, from 0",
    "near_hz": "frequency around the crossover",
    "place": "index of the place, from 0",
    "next": "index of the place to measure at next, from 0",
    "microphone": "index of the measured place, from 0",
}


def add_scale(group: h5py.Group, name: str, values: object, *, unit: str = "1") -> None:
    """Write one axis of a group as a dimension scale."""
    data = np.asarray(values)
    dtype = h5py.string_dtype("utf-8") if data.dtype.kind == "U" else data.dtype
    scale: Any = group.create_dataset(name, data=data.astype(object) if data.dtype.kind == "U" else data, dtype=dtype)
    _describe(scale, unit, SCALES[name])
    scale.make_scale(name)


def add_text(group: h5py.Group, name: str, text: str, *, long_name: str) -> None:
    """Write one scalar text."""
    dataset = group.create_dataset(name, data=text, dtype=h5py.string_dtype("utf-8"))
    _describe(dataset, "1", long_name)


def add_field(group: h5py.Group, field: Field, values: object, *, scales: Sequence[h5py.Group]) -> None:
    """Write one dataset with its attributes; each axis takes its scale from the first group that has it."""
    if field.kind == "U":
        data: NDArray[Any] = np.asarray(values, dtype=object)
        dataset: Any = group.create_dataset(field.path, data=data, dtype=h5py.string_dtype("utf-8"))
    else:
        data = np.asarray(values)
        large = data.nbytes > COMPRESS_ABOVE_BYTES
        packing: dict[str, Any] = {"compression": 4, "shuffle": True, "fletcher32": True} if large else {}
        dataset = group.create_dataset(field.path, data=data, **packing)
    _describe(dataset, field.unit, field.long_name)
    for index, axis in enumerate(field.axes):
        dataset.dims[index].attach_scale(next(scale[axis] for scale in scales if axis in scale))


def _describe(dataset: Any, unit: str, long_name: str) -> None:
    """What the values are. xarray and netCDF look for `units`; files of before had `unit` alone."""
    for name in UNIT_NAMES:
        dataset.attrs[name] = unit
    dataset.attrs["long_name"] = long_name


def read_field(path: Path, group: h5py.Group, field: Field, sizes: dict[str, int]) -> Any:
    """Read one dataset after checking type, shape and unit; None where an optional one is missing.

    Parameters
    ----------
    path : of the file, for messages.
    group : where the dataset stands.
    field : what it must be.
    sizes : axis -> length; axes met for the first time are added.

    Returns
    -------
    A list of text for kind U, else an array of float64, int64 or complex128.
    """
    dataset = group.get(field.path)
    if dataset is None and field.formerly:
        dataset = group.get(field.formerly)
    place = f"{str(group.name).rstrip('/')}/{field.path}"
    if dataset is None and field.optional:
        return None
    if not isinstance(dataset, h5py.Dataset):
        raise FileUnusable(f"{path}: {place} is missing; the file is not complete")
    is_text = _H5.check_string_dtype(dataset.dtype) is not None
    kind = "U" if is_text else dataset.dtype.kind.replace("u", "i")
    if kind != field.kind or dataset.dtype.itemsize > 16:
        raise FileUnusable(f"{path}: {place} has type {dataset.dtype}; expected {_KIND_WORDS[field.kind]}")
    expected = tuple(sizes.get(axis, length) for axis, length in zip(field.axes, dataset.shape, strict=False))
    if len(dataset.shape) != len(field.axes) or dataset.shape != expected:
        wanted = ", ".join(f"{axis} {sizes.get(axis, 'any')}" for axis in field.axes)
        raise FileUnusable(f"{path}: {place} has shape {dataset.shape}; expected [{wanted}]")
    unit = next((dataset.attrs[name] for name in UNIT_NAMES if name in dataset.attrs), field.unit)
    if not isinstance(unit, str) or unit != field.unit:
        raise FileUnusable(f"{path}: {place} is in {str(unit)[:20]!r}; expected {field.unit!r}")
    if 0 in dataset.shape:
        raise FileUnusable(f"{path}: {place} is empty; the file is not complete")
    sizes.update(zip(field.axes, dataset.shape, strict=True))
    if field.kind == "U":
        return [str(text) for text in dataset.asstr()[()]]
    return dataset[()].astype({"f": np.float64, "i": np.int64, "c": np.complex128}[field.kind])


def read_text(path: Path, group: h5py.Group, name: str) -> str:
    """Read one scalar text."""
    dataset = group.get(name)
    if not isinstance(dataset, h5py.Dataset) or dataset.shape != () or not _H5.check_string_dtype(dataset.dtype):
        raise FileUnusable(f"{path}: /{name} is not one text; the file is not complete")
    return str(dataset.asstr()[()])


def read_attribute(path: Path, item: h5py.Group, name: str, kind: type) -> Any:
    """Read one attribute, a text or a number."""
    if name not in item.attrs:
        raise FileUnusable(f"{path}: attribute {name} of {item.name} is missing; the file is not complete")
    value = item.attrs[name]
    if not isinstance(value, _ATTRIBUTE_TYPES[kind]):
        shown = repr(value)[:60]
        raise FileUnusable(f"{path}: attribute {name} of {item.name} is {shown}; expected {kind.__name__}")
    return kind(value)
